//! Results, the curves they come from, and verdicts, as they are handed over.

pub use crate::budget::{Contribution, UncertaintySource};
pub use crate::origin::{ColdStart, LeftOut, TimeZero};
pub use crate::suggestion::{Evidence, Suggestion, SuggestionKind};
pub use crate::verdict::{Because, JointRisk, Missing, Verdict};

use crate::quantity::Dimension;
use crate::record::PositionId;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;

/// The results that can be asked for. Their definitions are in the `analysis` crate.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum ResultName {
    /// Cents per octave left once the top end is accounted for.
    ScaleError,
    /// Mean cents per octave between two notes: what a technician adjusts by.
    TwoNoteSlope,
    /// Mean cents per octave over the whole span.
    MeanSlope,
    /// Droop (or its opposite) at the top note, in cents.
    HighEnd,
    /// The smallest possible largest deviation after the best retuning.
    ErrorLeftAfterRetuning,
    /// The largest deviation over all notes and later rounds after one tuning.
    ErrorAfterOneTuning,
    /// The largest deviation left with the best single setting of the scale trimmer.
    ErrorLeftAfterTrimming,
    /// Largest less smallest deviation at the reference note.
    Excursion,
    /// When the reference note comes to stay near its later value.
    WarmUpTime,
    /// When the error left after retuning comes to stay within a limit.
    ReadyAfter,
    /// Slope of the reference note's deviation against time.
    DriftRate,
    /// Pooled standard deviation of repeats within rounds.
    Repeatability,
    /// What leakage and bias currents do to the bottom note, in cents.
    LowEnd,
    /// The largest deviation of a note from the unit's own curve.
    LinearityError,
    /// The widest run of notes that one retuning puts within a limit, in octaves.
    InTuneRange,
    /// The share of rounds in which retuning puts all notes within a limit.
    FractionOfRounds,
    /// Beats per second of the pair of octaves that beats fastest.
    WorstBeats,
    /// The largest change of the reference note from one round to the next.
    LargestChangeBetweenRounds,
    /// What is left with the best single setting of the scale and of the high-end
    /// trimmer.
    ErrorLeftAfterBothTrimmers,
    /// The time constant with which the reference note comes to rest.
    Convergence,
    /// How much the reference note changes between readings that lie apart.
    ChangeBetweenReadings,
    /// Overlapping Allan deviation of a note that is held.
    ShortTermStability,
    /// How long a note takes to come to stay near its pitch.
    SettlingTime,
    /// How far a note goes beyond its pitch before it settles.
    Overshoot,
    /// A note come to from above less the same note come to from below.
    Hysteresis,
    /// Cents for a volt more of supply.
    SupplySensitivity,
    /// Cents for a kelvin more, at the reference note.
    OffsetTemperatureCoefficient,
    /// Cents per octave for a kelvin more.
    ScaleTemperatureCoefficient,
    /// Under hertz per volt: the voltage that is to be added to the control voltage.
    VoltageOffset,
}

impl ResultName {
    /// Every result, in the order in which they are shown.
    pub const ALL: [Self; 29] = [
        Self::ReadyAfter,
        Self::WarmUpTime,
        Self::Convergence,
        Self::ErrorAfterOneTuning,
        Self::ErrorLeftAfterRetuning,
        Self::ErrorLeftAfterTrimming,
        Self::ErrorLeftAfterBothTrimmers,
        Self::InTuneRange,
        Self::FractionOfRounds,
        Self::WorstBeats,
        Self::ScaleError,
        Self::HighEnd,
        Self::LowEnd,
        Self::VoltageOffset,
        Self::MeanSlope,
        Self::TwoNoteSlope,
        Self::LinearityError,
        Self::Excursion,
        Self::DriftRate,
        Self::LargestChangeBetweenRounds,
        Self::ChangeBetweenReadings,
        Self::ShortTermStability,
        Self::Repeatability,
        Self::Hysteresis,
        Self::SettlingTime,
        Self::Overshoot,
        Self::OffsetTemperatureCoefficient,
        Self::ScaleTemperatureCoefficient,
        Self::SupplySensitivity,
    ];
    /// The name used in plans, stores and output.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::ScaleError => "scale_error",
            Self::TwoNoteSlope => "two_note_slope",
            Self::MeanSlope => "mean_slope",
            Self::HighEnd => "high_end",
            Self::ErrorLeftAfterRetuning => "error_left_after_retuning",
            Self::ErrorAfterOneTuning => "error_after_one_tuning",
            Self::ErrorLeftAfterTrimming => "error_left_after_trimming",
            Self::Excursion => "excursion",
            Self::WarmUpTime => "warm_up_time",
            Self::ReadyAfter => "ready_after",
            Self::DriftRate => "drift_rate",
            Self::Repeatability => "repeatability",
            Self::LowEnd => "low_end",
            Self::LinearityError => "linearity_error",
            Self::InTuneRange => "in_tune_range",
            Self::FractionOfRounds => "fraction_of_rounds",
            Self::WorstBeats => "worst_beats",
            Self::LargestChangeBetweenRounds => "largest_change_between_rounds",
            Self::ErrorLeftAfterBothTrimmers => "error_left_after_both_trimmers",
            Self::Convergence => "convergence",
            Self::ChangeBetweenReadings => "change_between_readings",
            Self::ShortTermStability => "short_term_stability",
            Self::SettlingTime => "settling_time",
            Self::Overshoot => "overshoot",
            Self::Hysteresis => "hysteresis",
            Self::SupplySensitivity => "supply_sensitivity",
            Self::OffsetTemperatureCoefficient => "offset_temperature_coefficient",
            Self::ScaleTemperatureCoefficient => "scale_temperature_coefficient",
            Self::VoltageOffset => "voltage_offset",
        }
    }
    /// Its name on a page, at the beginning of a line; in small letters in a sentence.
    #[must_use]
    pub const fn title(self) -> &'static str {
        match self {
            Self::ScaleError => "Scale error",
            Self::TwoNoteSlope => "Slope between two notes",
            Self::MeanSlope => "Mean slope",
            Self::HighEnd => "High end",
            Self::ErrorLeftAfterRetuning => "Error left after retuning",
            Self::ErrorAfterOneTuning => "Error after one tuning",
            Self::ErrorLeftAfterTrimming => "Error left after trimming",
            Self::Excursion => "Excursion",
            Self::WarmUpTime => "Warm-up time",
            Self::ReadyAfter => "Ready after",
            Self::DriftRate => "Drift rate",
            Self::Repeatability => "Repeatability",
            Self::LowEnd => "Low end",
            Self::LinearityError => "Linearity error",
            Self::InTuneRange => "In-tune range",
            Self::FractionOfRounds => "Share of rounds in tolerance",
            Self::WorstBeats => "Worst beat rate of octaves",
            Self::LargestChangeBetweenRounds => "Largest change between rounds",
            Self::ErrorLeftAfterBothTrimmers => "Error left after both trimmers",
            Self::Convergence => "Time constant",
            Self::ChangeBetweenReadings => "Change between readings",
            Self::ShortTermStability => "Short-term stability",
            Self::SettlingTime => "Settling time",
            Self::Overshoot => "Overshoot",
            Self::Hysteresis => "Hysteresis",
            Self::SupplySensitivity => "Supply sensitivity",
            Self::OffsetTemperatureCoefficient => "Offset temperature coefficient",
            Self::ScaleTemperatureCoefficient => "Scale temperature coefficient",
            Self::VoltageOffset => "Voltage offset",
        }
    }
    /// Whether it has a direction, and so a sign that means something; the others
    /// are sizes, with nothing below zero.
    #[must_use]
    pub const fn has_sign(self) -> bool {
        matches!(
            self,
            Self::ScaleError
                | Self::TwoNoteSlope
                | Self::MeanSlope
                | Self::HighEnd
                | Self::LowEnd
                | Self::DriftRate
                | Self::Hysteresis
                | Self::SupplySensitivity
                | Self::OffsetTemperatureCoefficient
                | Self::ScaleTemperatureCoefficient
                | Self::VoltageOffset
        )
    }
    /// What kind of quantity it is, and so in which unit it is stated.
    #[must_use]
    pub const fn dimension(self) -> Dimension {
        match self {
            Self::ScaleError | Self::TwoNoteSlope | Self::MeanSlope => Dimension::ScaleError,
            Self::HighEnd
            | Self::ErrorLeftAfterRetuning
            | Self::ErrorAfterOneTuning
            | Self::ErrorLeftAfterTrimming
            | Self::ErrorLeftAfterBothTrimmers
            | Self::Excursion
            | Self::LowEnd
            | Self::LinearityError
            | Self::LargestChangeBetweenRounds
            | Self::ChangeBetweenReadings
            | Self::ShortTermStability
            | Self::Overshoot
            | Self::Hysteresis
            | Self::Repeatability => Dimension::Interval,
            Self::WarmUpTime | Self::ReadyAfter | Self::Convergence | Self::SettlingTime => {
                Dimension::Duration
            }
            Self::DriftRate => Dimension::DriftRate,
            Self::InTuneRange => Dimension::Range,
            Self::FractionOfRounds => Dimension::Fraction,
            Self::WorstBeats => Dimension::BeatRate,
            Self::SupplySensitivity => Dimension::SupplySensitivity,
            Self::OffsetTemperatureCoefficient => Dimension::OffsetPerKelvin,
            Self::ScaleTemperatureCoefficient => Dimension::ScalePerKelvin,
            Self::VoltageOffset => Dimension::Voltage,
        }
    }
}

impl fmt::Display for ResultName {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// A quantity computed from readings, with its uncertainty, or the reason why it
/// cannot be said. Numbers are in the unit of [`ResultName::dimension`].
#[derive(Debug, Clone, PartialEq)]
pub struct Outcome {
    /// Which result.
    pub name: ResultName,
    /// Of the unit in which position.
    pub position: PositionId,
    /// Of which stage, by name.
    pub stage: String,
    /// The value.
    pub value: Option<f64>,
    /// Standard uncertainty (k = 1).
    pub u: Option<f64>,
    /// Lower end of the 95 % interval. Without a value: of a time that was not reached, the
    /// least it can be; of a low end that does not stand out, the least it may be all the same.
    pub low: Option<f64>,
    /// Upper end of the 95 % interval.
    pub high: Option<f64>,
    /// The time it speaks of, in seconds since t = 0 of the stage, where there is one.
    pub t_s: Option<f64>,
    /// How many readings it rests on.
    pub readings: usize,
    /// Which choice was made in its name (which notes, which limit), for people.
    pub meaning: Option<String>,
    /// Why it cannot be said.
    pub why_not: Option<String>,
    /// What limits it: its uncertainty by source, largest first. Empty where there
    /// is no uncertainty, or it does not come apart.
    pub budget: Vec<Contribution>,
    /// What it truly is in each of some hundred joint trials: number i of every result of
    /// every unit and run is of the same trial, in which an error that two of them share
    /// has the same size. Infinite where a time is not reached; empty where nothing is
    /// known. For computing with, not handed over.
    pub draws: JointDraws,
}

/// The draws of a result; see [`Outcome::draws`].
#[derive(Clone, PartialEq, Default)]
pub struct JointDraws(pub Vec<f64>);

impl fmt::Debug for JointDraws {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} draws", self.0.len())
    }
}

impl Outcome {
    /// Whether nothing is known but that it is no more than its value.
    #[must_use]
    pub fn is_upper_bound(&self) -> bool {
        // A range and a share end by themselves at all there is.
        let ends = matches!(
            self.name,
            ResultName::InTuneRange | ResultName::FractionOfRounds
        );
        !ends
            && self.low == Some(0.0)
            && self.high == self.value
            && self.high.is_some_and(|high| high > 0.0)
    }
}

/// A quantity over time.
#[derive(Debug, Clone, PartialEq)]
pub struct Curve {
    /// Which result, round by round.
    pub name: ResultName,
    /// Of the unit in which position.
    pub position: PositionId,
    /// Of which stage, by name.
    pub stage: String,
    /// Time in seconds since t = 0 of the stage (for short-term stability the
    /// averaging time), value, standard uncertainty.
    pub points: Vec<(f64, f64, f64)>,
}

/// What is said of a tolerance.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum Finding {
    /// The whole 95 % interval lies inside, guard band included.
    Pass,
    /// The whole interval lies outside.
    Fail,
    /// The uncertainty straddles the limit, or data are missing.
    Undecided,
}

impl Finding {
    /// The word used everywhere.
    #[must_use]
    pub const fn word(self) -> &'static str {
        match self {
            Self::Pass => "pass",
            Self::Fail => "fail",
            Self::Undecided => "undecided",
        }
    }
}
