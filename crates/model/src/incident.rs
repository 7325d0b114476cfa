//! What happened to a unit or to the rig in the course of a run.

use crate::record::PositionId;
use crate::time::RunTime;
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::fmt;

/// Which incident of a run: its unit, and its place among the incidents of that unit in the
/// order of time, from 1.
#[derive(Debug, Clone, PartialEq, Eq, PartialOrd, Ord, Hash)]
pub struct IncidentId {
    /// The position of the unit.
    pub position: PositionId,
    /// From 1.
    pub number: u32,
}

/// What happened.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum IncidentKind {
    /// Nothing was heard above the noise, or mains hum alone.
    Silent,
    /// The input delivered exact zeros, as a dead or unconnected one does.
    InputDead,
    /// The input was at full scale.
    Clipped,
    /// A signal without a pitch.
    NotPeriodic,
    /// Two pitches at once.
    TwoTones,
    /// A note was asked for and the pitch stayed on the one before.
    NotPlayed,
    /// The capture lost samples.
    LostSamples,
    /// Two units sounded exactly the same pitch, as units locked to each other do.
    Locked,
    /// Off its course, and back again or until the record ends.
    Departure,
    /// On and off its course so often that neither is where it mostly is.
    Unsteady,
    /// From one level to another, and it stays there.
    Step,
    /// The supply fell.
    SupplyLow,
    /// The supply was switched off for an electrical fault.
    Tripped,
    /// The thermal or timetable history broke.
    HistoryBroken,
    /// The audio input stopped delivering.
    CaptureLost,
    /// The thermometer, or the unit's supply, did not answer.
    InstrumentLost,
}

impl IncidentKind {
    /// Every kind.
    pub const ALL: [Self; 16] = [
        Self::Silent,
        Self::InputDead,
        Self::Clipped,
        Self::NotPeriodic,
        Self::TwoTones,
        Self::NotPlayed,
        Self::LostSamples,
        Self::Locked,
        Self::Departure,
        Self::Unsteady,
        Self::Step,
        Self::SupplyLow,
        Self::Tripped,
        Self::HistoryBroken,
        Self::CaptureLost,
        Self::InstrumentLost,
    ];
    /// The name used in output.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Silent => "silent",
            Self::InputDead => "input_dead",
            Self::Clipped => "clipped",
            Self::NotPeriodic => "not_periodic",
            Self::TwoTones => "two_tones",
            Self::NotPlayed => "not_played",
            Self::LostSamples => "lost_samples",
            Self::Locked => "locked",
            Self::Departure => "departure",
            Self::Unsteady => "unsteady",
            Self::Step => "step",
            Self::SupplyLow => "supply_low",
            Self::Tripped => "tripped",
            Self::HistoryBroken => "history_broken",
            Self::CaptureLost => "capture_lost",
            Self::InstrumentLost => "instrument_lost",
        }
    }
}

impl fmt::Display for IncidentKind {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(self.name())
    }
}

/// Whose an incident is.
#[derive(Debug, Clone, PartialEq, Eq)]
pub enum Whose {
    /// The unit's: others were measured at the same time and had nothing.
    Unit,
    /// That of these positions, in order: they had it at the same time, others had not.
    SharedBy(Vec<PositionId>),
    /// The rig's: all units had it at the same time, or the rig itself reported it.
    Rig,
    /// The unit's or the rig's: no other unit was there to tell.
    CannotTell,
}

/// Where an incident begins or ends: between two readings. Times are those at which the
/// windows of the readings begin. An event has no reading before it.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Edge {
    /// The nearest good reading: before the beginning, after the end. None where the record
    /// has none.
    pub good: Option<RunTime>,
    /// The first bad reading at the beginning, the last one at the end.
    pub bad: RunTime,
}

/// How far a unit was off its course.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Size {
    /// In cents; sharp is positive.
    pub cents: f64,
    /// Standard uncertainty (k = 1), in cents.
    pub u: f64,
}

/// Something that happened to a unit or to the rig.
#[derive(Debug, Clone, PartialEq)]
pub struct Incident {
    /// Which.
    pub id: IncidentId,
    /// What.
    pub kind: IncidentKind,
    /// Whose.
    pub whose: Whose,
    /// The stage in which it began, counted from 0 in the plan; none before the first.
    pub stage: Option<u16>,
    /// Where it began.
    pub from: Edge,
    /// Where it ended; none of a step, and none where the record ends in it.
    pub until: Option<Edge>,
    /// How far off the unit was, where that can be said.
    pub size: Option<Size>,
    /// How many readings it spoilt; of a step none.
    pub readings: u32,
}

/// The longest stretch of a stage without a reading of a unit: what came and went within it
/// left no trace.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Unheard {
    /// The unit's position.
    pub position: PositionId,
    /// The stage, counted from 0 in the plan.
    pub stage: u16,
    /// The end of the window before it.
    pub from: RunTime,
    /// The beginning of the window after it.
    pub until: RunTime,
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn names_are_those_of_the_json() {
        for kind in IncidentKind::ALL {
            let json = serde_json::to_string(&kind).unwrap();
            assert_eq!(json, format!("\"{}\"", kind.name()));
        }
    }
}
