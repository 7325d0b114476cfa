//! The table of results: a row for each, in the order in which they are shown.

use super::ResultName::{self, *};
use crate::quantity::Dimension;

/// A result and what is to be known of it before anything is measured.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Row {
    /// Which.
    pub name: ResultName,
    /// Its name in plans, stores and output.
    pub key: &'static str,
    /// Its name on a page, at the beginning of a line; in small letters in a sentence.
    pub title: &'static str,
    /// What kind of quantity it is, and so in which unit it is stated.
    pub dimension: Dimension,
    /// Whether it has a direction, and so a sign that means something; the others are sizes,
    /// with nothing below zero.
    pub signed: bool,
    /// Over what it is taken unless a plan says otherwise.
    pub scope: ScopeKind,
    /// What a stage must offer for it.
    pub needs: &'static [Need],
    /// What a plan may choose in it.
    pub takes: &'static [Parameter],
    /// What it is about.
    pub group: Group,
    /// The stages that give it without being asked.
    pub given_by: &'static [Measuring],
    /// Under which control laws it means anything.
    pub under: Laws,
    /// Whether the number says little without what was chosen or found with it.
    pub needs_basis: bool,
}

/// Over what a result is taken.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum ScopeKind {
    /// A moment: the end of the stage unless a plan says another.
    Moment,
    /// The rounds in which the unit is warm.
    Warm,
    /// The whole stage.
    Stage,
    /// All since the unit was last switched on.
    PowerCycle,
}

/// What a stage must offer for a result.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Need {
    /// Several notes.
    Notes,
    /// Several rounds, or a hold.
    Time,
    /// The same note several times within a round.
    Repeats,
    /// A note held without a gap.
    Hold,
    /// Readings of the air.
    Air,
    /// Readings of the supply's voltage.
    Supply,
}

/// What a plan may choose in a result.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Parameter {
    /// The moment.
    At,
    /// How near counts as steady, ready or in tune.
    Limit,
    /// How long it must stay so.
    Stay,
    /// When the one tuning is done.
    TunedAt,
    /// Its two notes.
    Between,
    /// How near counts as settled.
    Band,
    /// Over which time a pitch is compared with itself.
    Over,
}

impl Parameter {
    /// The key of a tolerance, or of its `meaning`, that chooses it.
    #[must_use]
    pub const fn key(self) -> &'static str {
        match self {
            Self::At => "at",
            Self::Limit | Self::Band => "steady_within",
            Self::Stay => "stay",
            Self::TunedAt => "tuned_at",
            Self::Between => "between",
            Self::Over => "over",
        }
    }
}

/// What a result is about.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Group {
    /// From when on a unit can be used.
    Ready,
    /// How well it is in tune.
    Tune,
    /// Its scale.
    Scale,
    /// How its pitch moves by itself.
    Wandering,
    /// What happens when the note changes.
    Change,
    /// What moves it from outside.
    Surroundings,
}

/// The stages that measure.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Measuring {
    /// Rounds of notes.
    Rounds,
    /// A sweep.
    Sweep,
    /// Two notes by turns.
    Alternate,
    /// A note that is held.
    Hold,
}

/// Under which control laws a result means anything.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Laws {
    /// All of them.
    All,
    /// Volts per octave.
    VoltsPerOctave,
    /// Hertz per volt.
    HertzPerVolt,
}

const ROUNDS: &[Measuring] = &[Measuring::Rounds];
const ROUNDS_OR_SWEEP: &[Measuring] = &[Measuring::Rounds, Measuring::Sweep];
const NOT_HELD: &[Measuring] = &[Measuring::Rounds, Measuring::Sweep, Measuring::Alternate];
const OVER_TIME: &[Measuring] = &[Measuring::Rounds, Measuring::Alternate, Measuring::Hold];
const NOTES: &[Need] = &[Need::Notes];
const TIME: &[Need] = &[Need::Time];
const BOTH: &[Need] = &[Need::Notes, Need::Time];
const AT: &[Parameter] = &[Parameter::At];

/// A result of several notes at a moment, of which most rows differ by little.
const OF_NOTES: Row = Row {
    name: ScaleError,
    key: "",
    title: "",
    dimension: Dimension::Interval,
    signed: false,
    scope: ScopeKind::Moment,
    needs: NOTES,
    takes: AT,
    group: Group::Scale,
    given_by: ROUNDS_OR_SWEEP,
    under: Laws::All,
    needs_basis: false,
};
/// A result of the reference note over the whole stage.
const OVER_STAGE: Row = Row {
    scope: ScopeKind::Stage,
    needs: TIME,
    takes: &[],
    group: Group::Wandering,
    given_by: OVER_TIME,
    ..OF_NOTES
};
/// A result of how a note follows another.
const OF_CHANGES: Row = Row {
    scope: ScopeKind::Stage,
    needs: &[Need::Repeats],
    takes: &[],
    group: Group::Change,
    ..OF_NOTES
};

/// Every result.
pub const TABLE: [Row; 30] = [
    Row {
        name: ReadyAfter,
        key: "ready_after",
        title: "Ready after",
        dimension: Dimension::Duration,
        scope: ScopeKind::PowerCycle,
        needs: BOTH,
        takes: &[Parameter::Limit, Parameter::Stay],
        group: Group::Ready,
        given_by: ROUNDS,
        ..OF_NOTES
    },
    Row {
        name: WarmUpTime,
        key: "warm_up_time",
        title: "Warm-up time",
        dimension: Dimension::Duration,
        scope: ScopeKind::PowerCycle,
        needs: TIME,
        takes: &[Parameter::Limit, Parameter::Stay],
        group: Group::Ready,
        given_by: ROUNDS,
        ..OF_NOTES
    },
    Row {
        name: Convergence,
        key: "convergence",
        title: "Time constant",
        dimension: Dimension::Duration,
        scope: ScopeKind::PowerCycle,
        needs: TIME,
        takes: &[],
        group: Group::Ready,
        given_by: ROUNDS,
        needs_basis: true,
        ..OF_NOTES
    },
    Row {
        name: ErrorAfterOneTuning,
        key: "error_after_one_tuning",
        title: "Error after one tuning",
        scope: ScopeKind::Stage,
        needs: BOTH,
        takes: &[Parameter::TunedAt, Parameter::Limit, Parameter::Stay],
        group: Group::Tune,
        given_by: ROUNDS,
        ..OF_NOTES
    },
    Row {
        name: TuningHolds,
        key: "tuning_holds",
        title: "Tuning holds",
        dimension: Dimension::Duration,
        scope: ScopeKind::Stage,
        needs: TIME,
        takes: &[Parameter::TunedAt, Parameter::Limit, Parameter::Stay],
        group: Group::Tune,
        given_by: ROUNDS,
        ..OF_NOTES
    },
    Row {
        name: ErrorLeftAfterRetuning,
        key: "error_left_after_retuning",
        title: "Error left after retuning",
        group: Group::Tune,
        given_by: NOT_HELD,
        ..OF_NOTES
    },
    Row {
        name: ErrorLeftAfterTrimming,
        key: "error_left_after_trimming",
        title: "Error left after trimming",
        scope: ScopeKind::Warm,
        takes: &[],
        group: Group::Tune,
        ..OF_NOTES
    },
    Row {
        name: ErrorLeftAfterBothTrimmers,
        key: "error_left_after_both_trimmers",
        title: "Error left after both trimmers",
        scope: ScopeKind::Warm,
        takes: &[],
        group: Group::Tune,
        ..OF_NOTES
    },
    Row {
        name: InTuneRange,
        key: "in_tune_range",
        title: "In-tune range",
        dimension: Dimension::Range,
        takes: &[Parameter::At, Parameter::Limit],
        group: Group::Tune,
        needs_basis: true,
        ..OF_NOTES
    },
    Row {
        name: FractionOfRounds,
        key: "fraction_of_rounds",
        title: "Share of rounds in tolerance",
        dimension: Dimension::Fraction,
        scope: ScopeKind::Stage,
        needs: BOTH,
        takes: &[Parameter::Limit],
        group: Group::Tune,
        given_by: ROUNDS,
        ..OF_NOTES
    },
    Row {
        name: WorstBeats,
        key: "worst_beats",
        title: "Worst beat rate of octaves",
        dimension: Dimension::BeatRate,
        group: Group::Tune,
        needs_basis: true,
        ..OF_NOTES
    },
    Row {
        name: ScaleError,
        key: "scale_error",
        title: "Scale error",
        dimension: Dimension::ScaleError,
        signed: true,
        under: Laws::VoltsPerOctave,
        ..OF_NOTES
    },
    Row {
        name: HighEnd,
        key: "high_end",
        title: "High end",
        signed: true,
        ..OF_NOTES
    },
    Row {
        name: LowEnd,
        key: "low_end",
        title: "Low end",
        signed: true,
        under: Laws::VoltsPerOctave,
        needs_basis: true,
        ..OF_NOTES
    },
    Row {
        name: VoltageOffset,
        key: "voltage_offset",
        title: "Voltage offset",
        dimension: Dimension::Voltage,
        signed: true,
        under: Laws::HertzPerVolt,
        ..OF_NOTES
    },
    Row {
        name: MeanSlope,
        key: "mean_slope",
        title: "Mean slope",
        dimension: Dimension::ScaleError,
        signed: true,
        ..OF_NOTES
    },
    Row {
        name: TwoNoteSlope,
        key: "two_note_slope",
        title: "Slope between two notes",
        dimension: Dimension::ScaleError,
        signed: true,
        takes: &[Parameter::At, Parameter::Between],
        given_by: NOT_HELD,
        needs_basis: true,
        ..OF_NOTES
    },
    Row {
        name: LinearityError,
        key: "linearity_error",
        title: "Linearity error",
        scope: ScopeKind::Stage,
        takes: &[],
        needs_basis: true,
        ..OF_NOTES
    },
    Row {
        name: Excursion,
        key: "excursion",
        title: "Excursion",
        ..OVER_STAGE
    },
    Row {
        name: DriftRate,
        key: "drift_rate",
        title: "Drift rate",
        dimension: Dimension::DriftRate,
        signed: true,
        scope: ScopeKind::Warm,
        ..OVER_STAGE
    },
    Row {
        name: LargestChangeBetweenRounds,
        key: "largest_change_between_rounds",
        title: "Largest change between rounds",
        given_by: &[Measuring::Rounds, Measuring::Alternate],
        ..OVER_STAGE
    },
    Row {
        name: ChangeBetweenReadings,
        key: "change_between_readings",
        title: "Change between readings",
        scope: ScopeKind::Warm,
        takes: &[Parameter::Over],
        given_by: &[Measuring::Rounds, Measuring::Alternate],
        needs_basis: true,
        ..OVER_STAGE
    },
    Row {
        name: ShortTermStability,
        key: "short_term_stability",
        title: "Short-term stability",
        scope: ScopeKind::Warm,
        needs: &[Need::Hold],
        takes: &[Parameter::Over],
        given_by: &[Measuring::Hold],
        needs_basis: true,
        ..OVER_STAGE
    },
    Row {
        name: Repeatability,
        key: "repeatability",
        title: "Repeatability",
        ..OF_CHANGES
    },
    Row {
        name: Hysteresis,
        key: "hysteresis",
        title: "Hysteresis",
        signed: true,
        ..OF_CHANGES
    },
    Row {
        name: SettlingTime,
        key: "settling_time",
        title: "Settling time",
        dimension: Dimension::Duration,
        needs: &[],
        takes: &[Parameter::Band],
        given_by: &[
            Measuring::Rounds,
            Measuring::Sweep,
            Measuring::Alternate,
            Measuring::Hold,
        ],
        ..OF_CHANGES
    },
    Row {
        name: Overshoot,
        key: "overshoot",
        title: "Overshoot",
        needs: &[],
        given_by: &[Measuring::Hold],
        ..OF_CHANGES
    },
    Row {
        name: OffsetTemperatureCoefficient,
        key: "offset_temperature_coefficient",
        title: "Offset temperature coefficient",
        dimension: Dimension::OffsetPerKelvin,
        signed: true,
        scope: ScopeKind::Warm,
        needs: &[Need::Time, Need::Air],
        group: Group::Surroundings,
        given_by: ROUNDS,
        ..OVER_STAGE
    },
    Row {
        name: ScaleTemperatureCoefficient,
        key: "scale_temperature_coefficient",
        title: "Scale temperature coefficient",
        dimension: Dimension::ScalePerKelvin,
        signed: true,
        scope: ScopeKind::Warm,
        needs: &[Need::Notes, Need::Time, Need::Air],
        group: Group::Surroundings,
        given_by: ROUNDS,
        ..OVER_STAGE
    },
    Row {
        name: SupplySensitivity,
        key: "supply_sensitivity",
        title: "Supply sensitivity",
        dimension: Dimension::SupplySensitivity,
        signed: true,
        scope: ScopeKind::Warm,
        needs: &[Need::Time, Need::Supply],
        group: Group::Surroundings,
        given_by: ROUNDS,
        ..OVER_STAGE
    },
];

/// Where the row of each result is, by its number. Two rows of one result, or a result
/// without one, do not compile.
const PLACES: [usize; TABLE.len()] = {
    let mut places = [usize::MAX; TABLE.len()];
    let mut place = 0;
    while place < TABLE.len() {
        let number = TABLE[place].name as usize;
        assert!(places[number] == usize::MAX);
        places[number] = place;
        place += 1;
    }
    places
};

impl ResultName {
    /// Every result, in the order in which they are shown.
    pub const ALL: [Self; TABLE.len()] = {
        let mut all = [ScaleError; TABLE.len()];
        let mut place = 0;
        while place < TABLE.len() {
            all[place] = TABLE[place].name;
            place += 1;
        }
        all
    };
    /// Its row in the table.
    #[must_use]
    pub const fn row(self) -> &'static Row {
        &TABLE[PLACES[self as usize]]
    }
    /// The name used in plans, stores and output.
    #[must_use]
    pub const fn name(self) -> &'static str {
        self.row().key
    }
    /// Its name on a page, at the beginning of a line; in small letters in a sentence.
    #[must_use]
    pub const fn title(self) -> &'static str {
        self.row().title
    }
    /// Whether it has a direction, and so a sign that means something; the others
    /// are sizes, with nothing below zero.
    #[must_use]
    pub const fn has_sign(self) -> bool {
        self.row().signed
    }
    /// What kind of quantity it is, and so in which unit it is stated.
    #[must_use]
    pub const fn dimension(self) -> Dimension {
        self.row().dimension
    }
    /// Whether a plan may choose this in it.
    #[must_use]
    pub fn takes(self, parameter: Parameter) -> bool {
        self.row().takes.contains(&parameter)
    }
    /// Whether a stage must offer this for it.
    #[must_use]
    pub fn needs(self, need: Need) -> bool {
        self.row().needs.contains(&need)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use schemars::schema_for;
    use std::collections::BTreeSet;

    /// The names that serde reads and writes are those of the table, and there is a row for
    /// each of them.
    #[test]
    fn keys_are_the_names_in_documents() {
        let schema = serde_json::to_value(schema_for!(ResultName)).unwrap();
        let read: BTreeSet<&str> = schema["oneOf"]
            .as_array()
            .unwrap()
            .iter()
            .map(|name| name["const"].as_str().unwrap())
            .collect();
        assert_eq!(read, TABLE.iter().map(|row| row.key).collect());
        for row in &TABLE {
            assert_eq!(serde_json::to_value(row.name).unwrap(), row.key);
        }
    }
}
