//! What happened to a unit or the rig: reading states, departures from the course, steps,
//! and what the rig itself reported.
//!
//! The way through: `heard` lays all windows of a unit in the order of time, with what is bad
//! about each (`states`); `course` finds where a note's course jumps and `departures` what
//! that makes of its readings; `of_unit` puts neighbouring bad readings together, and with
//! them what the record's events tell (`events`); `whose` compares units.
//!
//! An incident is found only where a reading falls inside: [`unheard`] says how long one
//! could hide. In the first minutes after a unit was switched on a departure cannot be told
//! from its warming up.

mod course;
mod departures;
mod events;
mod heard;
mod of_unit;
mod states;
mod whose;

use crate::readings::USUAL_LIMIT;
use model::document::plan::Plan;
use model::document::rig::Rig;
use model::incident::{Incident, Unheard};
use model::record::{PositionId, RunRecord};
use model::time::RunTime;
use of_unit::UnitIncidents;
use std::collections::{BTreeMap, BTreeSet};

/// Everything that happened in a run: by position, then in the order of time.
#[must_use]
pub fn incidents(plan: &Plan, rig: &Rig, record: &RunRecord) -> Vec<Incident> {
    let units = crate::readings::positions(record);
    let units = units
        .iter()
        .map(|position| UnitIncidents::of(plan, rig, record, position))
        .collect();
    whose::settled(rig, units)
}

/// The readings of a unit that are not on its course, which no tuning of it is judged by,
/// and its changes for good.
#[derive(Debug, Clone, Default)]
pub struct OffCourse {
    /// The beginnings of their windows, in seconds of the run.
    starts: BTreeSet<u64>,
    steps: Vec<RunTime>,
}

impl OffCourse {
    /// Of the unit in a position.
    #[must_use]
    pub fn of(plan: &Plan, rig: &Rig, record: &RunRecord, position: &PositionId) -> Self {
        let found = UnitIncidents::of(plan, rig, record, position);
        let starts = found.off_course().map(|at| at.seconds().to_bits());
        Self {
            starts: starts.collect(),
            steps: found.steps_seen().collect(),
        }
    }

    /// When its changes for good were seen: the first readings after them.
    #[must_use]
    pub fn steps(&self) -> &[RunTime] {
        &self.steps
    }

    /// Whether the reading whose window begins at this time, in seconds of the run, is one.
    #[must_use]
    pub fn has(&self, start: f64) -> bool {
        self.starts.contains(&start.to_bits())
    }
}

/// The longest stretch of each stage without a reading, by position and stage.
#[must_use]
pub fn unheard(record: &RunRecord) -> Vec<Unheard> {
    let mut windows: BTreeMap<(&PositionId, u16), Vec<_>> = BTreeMap::new();
    for reading in &record.readings {
        let key = &reading.key;
        let of_stage = windows.entry((&key.position, key.stage)).or_default();
        of_stage.push((reading.at, reading.at + reading.window));
    }
    for trace in &record.traces {
        let of_stage = windows.entry((&trace.position, trace.stage)).or_default();
        let lasts = trace.hop * trace.points.len() as f64;
        of_stage.push((trace.at, trace.at + lasts));
    }
    let mut longest = Vec::with_capacity(windows.len());
    for ((position, stage), mut windows) in windows {
        windows.sort_unstable();
        let pairs = windows.windows(2).map(|pair| (pair[0].1, pair[1].0));
        let stretch = pairs.max_by(|a, b| {
            let lasts = |(from, until): &(_, _)| RunTime::seconds_from(*until, *from);
            // The first of several equal ones.
            lasts(a).total_cmp(&lasts(b)).then(b.0.cmp(&a.0))
        });
        longest.extend(stretch.map(|(from, until)| Unheard {
            position: position.clone(),
            stage,
            from,
            until,
        }));
    }
    longest
}

/// The limit of a run, in cents: the narrowest that the plan means by steady, in tune or
/// ready.
fn limit(plan: &Plan) -> f64 {
    let meanings = plan
        .tolerances
        .iter()
        .filter_map(|tolerance| tolerance.meaning.as_ref());
    let limits = meanings.filter_map(|meaning| Some(meaning.steady_within?.get()));
    limits
        .filter(|limit| *limit > 0.0)
        .fold(USUAL_LIMIT, f64::min)
}
