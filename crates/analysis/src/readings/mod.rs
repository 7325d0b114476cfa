//! Readings as deviations, which of them count, since when, and in what surroundings.

pub(crate) mod counting;
pub(crate) mod deviation;
pub(crate) mod identity;
pub(crate) mod origin;
pub(crate) mod series;
pub(crate) mod settling;
pub(crate) mod surroundings;

use model::document::plan::{Plan, Stage};
use model::record::{PositionId, RunRecord};
use std::collections::BTreeSet;

/// The limit of a run, in cents, unless its plan says otherwise.
pub(crate) const USUAL_LIMIT: f64 = model::result::Choice::USUAL.limit;

/// Every position that holds a unit or was read, in order.
#[must_use]
pub fn positions(record: &RunRecord) -> BTreeSet<PositionId> {
    let units = record.header.units.keys();
    let readings = record.readings.iter().map(|reading| &reading.key.position);
    let traces = record.traces.iter().map(|trace| &trace.position);
    units.chain(readings).chain(traces).cloned().collect()
}

/// The stages that measure, with their place in the plan.
pub(crate) fn measuring_stages(plan: &Plan) -> impl Iterator<Item = (u16, &Stage)> {
    (0..).zip(&plan.stages).filter(|(_, stage)| {
        matches!(
            stage,
            Stage::Rounds(_) | Stage::Sweep(_) | Stage::Hold(_) | Stage::Alternate(_)
        )
    })
}
