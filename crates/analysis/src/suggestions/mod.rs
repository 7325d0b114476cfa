//! What the results suggest: likely causes, with evidence and with what would
//! confirm or refute them. Never a verdict, and nothing where the evidence is thin.
//!
//! Each unit is boiled down to a portrait (`portrait`, with the tracking law of the
//! warm unit in `law`); causes outside the units are looked for first (`rig`), then
//! those of each unit beside the others (`unit`). The patterns are common practice
//! of the trade, no source (`draft`); the thresholds are proved on simulated faults
//! (`cargo run --release -p analysis --example faults`).

mod draft;
mod law;
mod portrait;
mod rig;
mod unit;

use crate::curves::unit::UnitCurves;
use model::document::plan::Plan;
use model::document::rig::Rig;
use model::record::RunRecord;
use model::result::{Suggestion, SuggestionKind};
use portrait::Portrait;

/// The suggestions of a run, largest first.
pub(crate) fn suggestions(
    plan: &Plan,
    rig: &Rig,
    record: &RunRecord,
    units: &[UnitCurves],
) -> Vec<Suggestion> {
    let portraits: Vec<Portrait> = units
        .iter()
        .filter_map(|curves| Portrait::of(curves, plan, record))
        .collect();
    let mut found = Vec::new();
    let (steps, size) = rig::steps(&portraits);
    let (shared, mut common) = rig::shared_scale(rig, &portraits);
    common.steps = size;
    found.extend(steps);
    found.extend(shared);
    let levels = rig::levels(&portraits);
    found.extend(rig::moving_together(&portraits, &levels));
    found.extend(rig::jumps(&portraits));
    found.extend(rig::unsteady(&portraits));
    found.extend(rig::locked(&portraits));
    for (unit, (alone, _)) in portraits.iter().zip(&levels) {
        found.extend(unit::suggestions(unit, common, alone));
    }
    found.retain(|suggestion| suggestion.size_cents.is_finite());
    // A reading beside hum may stand off its neighbours: the hum explains it.
    let humming: Vec<_> = found
        .iter()
        .filter(|suggestion| suggestion.kind == SuggestionKind::Hum)
        .flat_map(|suggestion| suggestion.positions.clone())
        .collect();
    found.retain(|suggestion| {
        !(matches!(
            suggestion.kind,
            SuggestionKind::IntermittentContact | SuggestionKind::Unsteady
        ) && suggestion
            .positions
            .iter()
            .all(|position| humming.contains(position)))
    });
    found.sort_by(|a, b| {
        b.size_cents
            .total_cmp(&a.size_cents)
            .then_with(|| (a.kind, &a.positions).cmp(&(b.kind, &b.positions)))
    });
    found
}
