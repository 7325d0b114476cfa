//! From when on the times of a unit are counted, and which of its readings count.

use crate::record::State;
use std::fmt;

/// What t = 0 of a unit is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum TimeZero {
    /// The beginning of an imported recording.
    Recording,
    /// Its supply was switched on.
    SwitchedOn,
    /// It was first heard, as somebody had switched it on.
    FirstSound,
    /// A stage began, by name: when it was switched on is not known.
    Stage(String),
    /// The run began: no unit was heard.
    Run,
}

/// The name used in output.
impl fmt::Display for TimeZero {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Recording => f.write_str("beginning of the recording"),
            Self::SwitchedOn => f.write_str("supply switched on"),
            Self::FirstSound => f.write_str("first sound"),
            Self::Stage(name) => write!(f, "start of the stage \"{name}\""),
            Self::Run => f.write_str("start of the run"),
        }
    }
}

/// Whether a unit was cold when it was switched on.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ColdStart {
    /// Cold as far as is known: it had been off for so many seconds.
    Cold {
        /// For so long.
        off_s: f64,
    },
    /// Not cold: it had been off for too short a time.
    TooShort {
        /// For so long.
        off_s: f64,
        /// What the plan asks.
        asked_s: f64,
    },
    /// Not known: the air moved by so many kelvin in the half hour before.
    AirMoved(f64),
    /// Not known: how long it had been off is not known.
    OffUnknown,
}

/// Why a reading does not count.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub enum LeftOut {
    /// Its state: it has no frequency.
    State(State),
    /// It lost samples.
    LostSamples,
    /// It may be locked to another unit.
    MaybeLocked,
    /// It is a wrong interval away from the note before.
    WrongInterval,
}
