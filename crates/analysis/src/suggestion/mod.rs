//! What the results suggest: likely causes, with evidence and with what would
//! confirm or refute them. Nothing where the evidence is thin.

use crate::bench::Bench;
use model::document::plan::Plan;
use model::document::rig::Rig;
use model::record::RunRecord;
use model::result::Suggestion;

/// The suggestions of a run, largest first.
pub(crate) fn suggestions(
    _plan: &Plan,
    _rig: &Rig,
    _record: &RunRecord,
    _benches: &[Bench],
) -> Vec<Suggestion> {
    Vec::new()
}
