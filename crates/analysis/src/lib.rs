//! Readings in, results with uncertainty and verdicts out.

use model::document::plan::Plan;
use model::document::rig::Rig;
use model::pitch::Pitch;
use model::record::{Flags, PositionId, RunRecord};
use model::result::{Curve, Outcome, Verdict};
use model::time::RunTime;

/// All that can be said of a run.
#[derive(Debug, Clone, PartialEq)]
pub struct Analysis {
    /// The stages that measure, in the order of the plan.
    pub stages: Vec<StageAnalysis>,
    /// Results, by stage, then position, then [`model::result::ResultName::ALL`].
    pub outcomes: Vec<Outcome>,
    /// Verdicts, by tolerance, then position.
    pub verdicts: Vec<Verdict>,
}

/// The readings of a stage as deviations.
#[derive(Debug, Clone, PartialEq)]
pub struct StageAnalysis {
    /// The stage, counted from 0 in the plan.
    pub stage: u16,
    /// Its name.
    pub name: String,
    /// t = 0 of the stage, in the run's time.
    pub origin: RunTime,
    /// What t = 0 is: "supply switched on", "first sound", "start of the stage".
    pub origin_words: String,
    /// The units, by position.
    pub units: Vec<UnitAnalysis>,
}

/// One unit in one stage.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitAnalysis {
    /// Its position.
    pub position: PositionId,
    /// Whole octaves between what was asked and where the unit's range switch
    /// stands, taken out of all deviations.
    pub octaves: i32,
    /// Each note of the stage, lowest first.
    pub notes: Vec<NoteSeries>,
    /// Results round by round.
    pub curves: Vec<Curve>,
    /// Deviation against note at the end of the stage, retuned, lowest first.
    pub profile: Vec<ProfilePoint>,
}

/// One note over the rounds of a stage.
#[derive(Debug, Clone, PartialEq)]
pub struct NoteSeries {
    /// Its name as the plan writes it.
    pub name: String,
    /// Its pitch.
    pub asked: Pitch,
    /// Its deviations.
    pub points: Vec<DeviationPoint>,
}

/// One reading as deviations.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct DeviationPoint {
    /// Start of the window, in seconds since t = 0.
    pub t_s: f64,
    /// Deviation as played, in cents.
    pub as_played: f64,
    /// Deviation with the reference note's own removed, in cents.
    pub retuned: Option<f64>,
    /// Standard uncertainty of the meter's part, in cents.
    pub u: f64,
    /// Flags of the reading.
    pub flags: Flags,
}

/// The deviation of one note at the end of a stage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct ProfilePoint {
    /// The note.
    pub asked: Pitch,
    /// Mean retuned deviation, in cents.
    pub cents: f64,
    /// Its standard uncertainty, the rig's part included, in cents.
    pub u: f64,
}

/// Computes what can be said of a run, complete or not.
#[must_use]
pub fn analyse(_plan: &Plan, _rig: &Rig, _record: &RunRecord) -> Analysis {
    Analysis {
        stages: Vec::new(),
        outcomes: Vec::new(),
        verdicts: Vec::new(),
    }
}
