//! The results of a run, its units side by side on all cores.

use analysis::{Analysis, analyse_unit, positions, together};
use model::document::plan::Plan;
use model::document::rig::Rig;
use model::record::{PositionId, RunRecord};
use rayon::prelude::*;

/// The same as [`analysis::analyse`], sooner.
pub(crate) fn analyse(plan: &Plan, rig: &Rig, record: &RunRecord) -> Analysis {
    let positions: Vec<PositionId> = positions(record).into_iter().collect();
    let parts = positions
        .par_iter()
        .map(|position| analyse_unit(plan, rig, record, position))
        .collect();
    together(plan, rig, record, parts)
}
