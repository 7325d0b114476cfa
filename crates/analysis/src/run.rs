//! A run, complete or not: its units one by one, then put together.

use crate::curves::unit::{UnitAnalysis, UnitCurves};
use crate::incidents::incidents;
use crate::judging::incidents::turn;
use crate::judging::{StagePart, judge};
use crate::readings::{measuring_stages, positions};
use crate::suggestions::suggestions;
use crate::uncertainty::limits::RigLimits;
use model::document::plan::Plan;
use model::document::rig::Rig;
use model::incident::Incident;
use model::record::{PositionId, RunRecord};
use model::result::{JointRisk, Outcome, Suggestion, TimeZero, Verdict};
use model::time::RunTime;
use std::collections::BTreeMap;

/// All that can be said of a run.
#[derive(Debug, Clone, PartialEq)]
pub struct Analysis {
    /// The stages that measure, in the order of the plan.
    pub stages: Vec<StageAnalysis>,
    /// Results, by stage, then position, then [`model::result::ResultName::ALL`].
    pub outcomes: Vec<Outcome>,
    /// Verdicts, by tolerance, then position.
    pub verdicts: Vec<Verdict>,
    /// The risk over all tolerances together, by position; none without tolerances.
    pub risks: Vec<JointRisk>,
    /// What the results suggest, largest first; empty where the evidence is thin.
    pub suggestions: Vec<Suggestion>,
    /// What happened to units or rig, by position, then in the order of time.
    pub incidents: Vec<Incident>,
}

impl Analysis {
    /// The same without the joint draws of its results: for those who keep many runs and
    /// take no differences of them.
    #[must_use]
    pub fn without_draws(mut self) -> Self {
        for outcome in &mut self.outcomes {
            outcome.draws.0 = Vec::new();
        }
        self
    }
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
    /// What t = 0 is.
    pub zero: TimeZero,
    /// The units, by position.
    pub units: Vec<UnitAnalysis>,
}

/// Computes what can be said of a run, complete or not.
///
/// The last attempt at a reading counts; readings without a frequency, with lost
/// samples, possibly locked to another unit, or a stray interval away from the
/// note before are left out and counted. Nothing here knows a clock or a file,
/// and nothing panics on what it is given.
#[must_use]
pub fn analyse(plan: &Plan, rig: &Rig, record: &RunRecord) -> Analysis {
    let parts = positions(record)
        .iter()
        .map(|position| analyse_unit(plan, rig, record, position))
        .collect();
    together(plan, rig, record, parts)
}

/// What can be said of one unit of a run by itself.
///
/// Units need nothing of each other, so a caller that knows threads can compute
/// them side by side: [`analyse`] is [`together`] of this for each of [`positions`].
pub struct UnitPart {
    curves: UnitCurves,
    stages: Vec<StagePart>,
    verdicts: Vec<Verdict>,
    risk: Option<JointRisk>,
}

/// Computes what can be said of the unit at a position.
#[must_use]
pub fn analyse_unit(plan: &Plan, rig: &Rig, record: &RunRecord, position: &PositionId) -> UnitPart {
    let curves = UnitCurves::new(plan, rig, record, position, RigLimits::of(rig, position));
    let (stages, verdicts, risk) = judge(plan, record, &curves);
    UnitPart {
        curves,
        stages,
        verdicts,
        risk,
    }
}

/// Puts together what was computed of each unit, in whichever order it is handed over.
#[must_use]
pub fn together(plan: &Plan, rig: &Rig, record: &RunRecord, mut parts: Vec<UnitPart>) -> Analysis {
    parts.sort_by(|a, b| a.curves.unit.position.cmp(&b.curves.unit.position));
    let mut units = Vec::with_capacity(parts.len());
    let (mut verdicts, mut risks) = (Vec::new(), Vec::new());
    let mut of_stages: BTreeMap<u16, (Vec<UnitAnalysis>, Vec<Outcome>)> = BTreeMap::new();
    for part in parts {
        units.push(part.curves);
        verdicts.extend(part.verdicts);
        risks.extend(part.risk);
        for stage in part.stages {
            let (units, outcomes) = of_stages.entry(stage.stage).or_default();
            units.extend(stage.unit);
            outcomes.extend(stage.outcomes);
        }
    }
    verdicts.sort_by(|a, b| (a.tolerance, &a.position).cmp(&(b.tolerance, &b.position)));
    let mut outcomes = Vec::new();
    let mut stages = Vec::new();
    for (index, stage) in measuring_stages(plan) {
        let (units, found) = of_stages.remove(&index).unwrap_or_default();
        outcomes.extend(found);
        let first = units.first();
        stages.push(StageAnalysis {
            stage: index,
            name: stage.name().to_owned(),
            origin: first.map_or(RunTime::START, |unit| unit.origin),
            zero: first.map_or(TimeZero::Run, |unit| unit.zero.clone()),
            units,
        });
    }
    let incidents = incidents(plan, rig, record);
    let suggestions = suggestions(plan, rig, record, &units, &incidents);
    let origin = |name: &str, position: &PositionId| {
        let stage = stages.iter().find(|stage| stage.name == name)?;
        let mut units = stage.units.iter();
        let unit = units.find(|unit| &unit.position == position)?;
        Some((stage.stage, unit.origin))
    };
    turn(plan, record, origin, &incidents, &mut verdicts, &mut risks);
    Analysis {
        stages,
        outcomes,
        verdicts,
        risks,
        suggestions,
        incidents,
    }
}

/// Computes only what a run suggests, without its results.
#[must_use]
pub fn suggest(plan: &Plan, rig: &Rig, record: &RunRecord) -> Vec<Suggestion> {
    let units: Vec<UnitCurves> = positions(record)
        .iter()
        .map(|position| UnitCurves::new(plan, rig, record, position, RigLimits::of(rig, position)))
        .collect();
    suggestions(plan, rig, record, &units, &incidents(plan, rig, record))
}
