//! What results suggest: a likely cause with what was seen of it. Never a verdict. The words
//! are in `report`.

use crate::record::PositionId;
use crate::time::RunTime;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;

/// What a pattern in the readings points to. The patterns are common practice of
/// the trade, no source.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum SuggestionKind {
    /// The scale trimmer of one unit is off.
    ScaleTrimmer,
    /// The interface gives every unit the same wrong scale.
    InterfaceGain,
    /// Inputs load the control voltage they share.
    Loading,
    /// The control source has steps: single notes are off, round after round.
    SourceSteps,
    /// All units move together: interface, room or supply.
    MovingTogether,
    /// Temperature compensation follows late: the scale is off while the unit warms.
    CompensationSlow,
    /// Temperature compensation is missing, wrong or out of contact.
    CompensationMissing,
    /// The pitch falls behind at the top.
    DroopAtTheTop,
    /// The pitch runs ahead at the top: a high-end trimmer overdone.
    TopOverdone,
    /// The lowest notes are off as leakage or a bias current makes them.
    LeakageAtTheBottom,
    /// The offset drifts and the scale does not: reference current, tuning pot, supply.
    ReferenceCurrent,
    /// Readings scatter with the mains in them.
    Hum,
    /// Readings scatter far above the meter's own noise, mains or not.
    Unsteady,
    /// A note reached from below differs from the same note reached from above.
    UpAndDown,
    /// The pitch jumps and comes back: contact, wiper, supply dip.
    IntermittentContact,
    /// Two units sound too equal: locked to each other over the supply.
    LockedUnits,
    /// A unit turns voltage into pitch by another law than the one it is fed by.
    OtherLaw,
}

impl SuggestionKind {
    /// Every kind.
    pub const ALL: [Self; 17] = [
        Self::ScaleTrimmer,
        Self::InterfaceGain,
        Self::Loading,
        Self::SourceSteps,
        Self::MovingTogether,
        Self::CompensationSlow,
        Self::CompensationMissing,
        Self::DroopAtTheTop,
        Self::TopOverdone,
        Self::LeakageAtTheBottom,
        Self::ReferenceCurrent,
        Self::Hum,
        Self::Unsteady,
        Self::UpAndDown,
        Self::IntermittentContact,
        Self::LockedUnits,
        Self::OtherLaw,
    ];
    /// The name used in output.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::ScaleTrimmer => "scale_trimmer",
            Self::InterfaceGain => "interface_gain",
            Self::Loading => "loading",
            Self::SourceSteps => "source_steps",
            Self::MovingTogether => "moving_together",
            Self::CompensationSlow => "compensation_slow",
            Self::CompensationMissing => "compensation_missing",
            Self::DroopAtTheTop => "droop_at_the_top",
            Self::TopOverdone => "top_overdone",
            Self::LeakageAtTheBottom => "leakage_at_the_bottom",
            Self::ReferenceCurrent => "reference_current",
            Self::Hum => "hum",
            Self::Unsteady => "unsteady",
            Self::UpAndDown => "up_and_down",
            Self::IntermittentContact => "intermittent_contact",
            Self::LockedUnits => "locked_units",
            Self::OtherLaw => "other_law",
        }
    }
}

impl fmt::Display for SuggestionKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// A number with its standard uncertainty (k = 1).
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub struct Uncertain {
    /// The number.
    pub value: f64,
    /// Its standard uncertainty, in the same unit.
    pub u: f64,
}

impl Uncertain {
    /// Whether it is as large as `least` and that many times its uncertainty.
    #[must_use]
    pub fn is_beyond(self, least: f64, times: f64) -> bool {
        self.value.abs() >= least && self.value.abs() >= times * self.u
    }
}

/// What was seen, with the numbers that speak for the suggestion. Sizes are in cents, scales
/// in cents per octave, and what is wide, sharp or up is positive.
#[derive(Debug, Clone, PartialEq)]
pub enum Seen {
    /// A unit's scale error.
    Scale {
        /// How large it is.
        error: Uncertain,
        /// Whether that is beside the other units of the rig.
        beside_others: bool,
        /// The range of the scale when warm, where there are rounds enough.
        moved: Option<f64>,
    },
    /// A scale error that units share.
    SharedScale {
        /// How large it is.
        error: Uncertain,
        /// How far apart the units are in it.
        apart: f64,
        /// How many inputs hang on one control voltage, where that may be the cause.
        on_one: Option<usize>,
        /// The output resistance that would do it, in ohms.
        ohms: Option<f64>,
    },
    /// Single notes off any smooth law, round after round.
    Steps {
        /// Root mean square.
        off: f64,
        /// The largest.
        largest: f64,
        /// How many octaves that note is above the reference note.
        octaves: f64,
    },
    /// Units that moved alike when warm.
    Together {
        /// How far.
        shared: f64,
        /// How far each moved beside the others.
        alone: f64,
    },
    /// Units that were off their course at the same time.
    OffTogether {
        /// By about so much.
        cents: f64,
        /// When it was first seen.
        at: RunTime,
        /// Whether they came back.
        came_back: bool,
    },
    /// A scale that was off while the unit warmed, and came to rest.
    ScaleLate {
        /// A quarter of an hour after power-on, less when warm.
        late: f64,
        /// The largest departure.
        largest: f64,
        /// Its range when warm.
        night: f64,
    },
    /// A scale that was off when cold.
    ScaleCold {
        /// Less when warm.
        first: f64,
        /// Its range when warm.
        night: f64,
        /// How it went with the temperature when warm.
        air: WithAir,
    },
    /// A scale that followed the temperature.
    ScaleWithAir {
        /// Cents per octave and kelvin.
        per_kelvin: Uncertain,
        /// By how many kelvin the air moved.
        kelvin: f64,
        /// The range of the scale when warm.
        night: f64,
    },
    /// An end of the range that bends away from the unit's own scale.
    End {
        /// The last note there.
        note: String,
        /// How far off it is.
        cents: Uncertain,
    },
    /// An offset that moved when warm while the scale did not.
    Offset {
        /// How far, beside the other units.
        moved: f64,
        /// Over how long, in seconds.
        seconds: f64,
        /// The range of the scale.
        scale: f64,
        /// Its drift in cents per hour, where it is steady.
        rate: Option<Uncertain>,
    },
    /// Readings of a note that have a line of the mains beside a harmonic.
    BesideHum {
        /// The note.
        note: String,
        /// How many readings.
        hums: usize,
        /// Of how many.
        readings: usize,
    },
    /// Scatter from round to round.
    Scatter {
        /// Of a note.
        cents: f64,
        /// What the meter makes of it.
        meter: f64,
    },
    /// Notes that differ by where they are reached from.
    UpAndDown {
        /// From above less from below.
        cents: Uncertain,
        /// How many notes were compared.
        pairs: usize,
    },
    /// Incidents of one unit: off its course and back, or for good.
    OffCourse {
        /// How often.
        times: usize,
        /// How often for good.
        for_good: usize,
        /// By how much at most.
        cents: f64,
        /// When that began.
        at: RunTime,
        /// From its first bad reading to its last, in seconds.
        seconds: f64,
        /// Readings off in all.
        readings: u32,
    },
    /// Units that sounded exactly the same pitch.
    Alike {
        /// In so many readings.
        readings: usize,
    },
}

/// How a scale that was off when cold went with the temperature when warm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum WithAir {
    /// It followed, by so many cents per octave and kelvin.
    Followed(Uncertain),
    /// It did not, while the air moved by so many kelvin.
    DidNot(f64),
    /// The air did not move, or nobody measured it.
    Unknown,
}

/// What else it could be that the run cannot tell apart.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Doubt {
    /// From one note to the other a leak looks like octaves too wide.
    Leak {
        /// The lowest note.
        lowest: String,
        /// The highest.
        highest: String,
    },
    /// From one note to the other a droop looks like octaves too narrow.
    Droop {
        /// The lowest note.
        lowest: String,
        /// The highest.
        highest: String,
    },
    /// A single unit's scale, or the interface's gain or load.
    GainOrUnit,
    /// Too small a gain looks like loading.
    GainOrLoading,
    /// Each input loads its own output.
    EachLoads,
    /// Two units may be alike by chance.
    TwoByChance,
    /// A single unit that is uneven by itself looks like steps of the source.
    StepsOrUnit,
    /// Only the last note is off: the source's range may end there.
    EndOfRange,
    /// A resistor that follows the room and not the unit looks like a slow one.
    SlowOrLoose,
    /// Without a temperature that moved nobody knows whether the scale follows it.
    AirUnknown,
    /// A single unit moved, or the interface, the supply or the room moved it.
    RigOrUnit,
}

impl Doubt {
    /// What else it points to.
    #[must_use]
    pub const fn others(&self) -> &'static [SuggestionKind] {
        use SuggestionKind as K;
        match self {
            Self::Leak { .. } => &[K::LeakageAtTheBottom],
            Self::Droop { .. } => &[K::DroopAtTheTop],
            Self::GainOrUnit => &[K::InterfaceGain, K::Loading],
            Self::GainOrLoading => &[K::InterfaceGain],
            Self::EachLoads => &[K::Loading],
            Self::TwoByChance => &[K::ScaleTrimmer],
            Self::StepsOrUnit | Self::EndOfRange => &[],
            Self::SlowOrLoose => &[K::CompensationMissing],
            Self::AirUnknown => &[K::CompensationMissing, K::CompensationSlow],
            Self::RigOrUnit => &[K::MovingTogether],
        }
    }
}

/// A likely cause, with what was seen of it.
#[derive(Debug, Clone, PartialEq)]
pub struct Suggestion {
    /// What it points to.
    pub kind: SuggestionKind,
    /// The positions it is about: one unit, or all that show it.
    pub positions: Vec<PositionId>,
    /// The stage it was mostly seen in, by name.
    pub stage: String,
    /// What was seen.
    pub seen: Seen,
    /// What else it could be that this run cannot tell apart.
    pub doubt: Option<Doubt>,
    /// How much of the error it explains, in cents: suggestions come largest first.
    pub size_cents: f64,
}
