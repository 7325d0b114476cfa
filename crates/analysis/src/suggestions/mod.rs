//! What the results suggest: likely causes with what was seen of them. Never a verdict, and
//! nothing where the evidence is thin or where several causes fit.
//!
//! What is known to have happened comes first (`happened`, from the incidents); what was read
//! meanwhile speaks for nothing else. Each unit is boiled down to a portrait (`portrait`, with
//! the tracking law of the warm unit in `law`); causes outside the units are looked for next
//! (`rig`, and `scale` for a scale error that units share), then those of each unit beside the
//! others (`unit`). The thresholds are proved on simulated faults (`cargo run --release -p
//! analysis --example faults`).

mod happened;
mod law;
mod portrait;
mod rig;
mod scale;
mod unit;

use crate::curves::unit::UnitCurves;
use model::document::plan::Plan;
use model::document::rig::Rig;
use model::incident::Incident;
use model::record::RunRecord;
use model::result::{Suggestion, SuggestionKind as Kind};
use portrait::Portrait;

/// The suggestions of a run, largest first.
pub(crate) fn suggestions(
    plan: &Plan,
    rig: &Rig,
    record: &RunRecord,
    units: &[UnitCurves],
    incidents: &[Incident],
) -> Vec<Suggestion> {
    let mut portraits: Vec<Portrait> = units
        .iter()
        .filter_map(|curves| Portrait::of(curves, plan, record, incidents))
        .collect();
    let mut found = happened::suggestions(plan, incidents, units.len());
    found.extend(rig::end_of_range(&mut portraits));
    found.extend(scale::other_law(rig, &mut portraits));
    let (steps, size) = rig::steps(&portraits);
    let (shared, commons) = scale::shared(rig, &portraits, size);
    found.extend(steps);
    found.extend(shared);
    let levels = rig::levels(&portraits);
    let together = rig::moving_together(&portraits, &levels);
    found.extend(rig::unsteady(&portraits));
    for (place, unit) in portraits.iter().enumerate() {
        let level = rig::level(&levels, place, together.is_some());
        found.extend(unit::suggestions(unit, commons[place], level));
    }
    found.extend(together);
    found.retain(|suggestion| suggestion.size_cents.is_finite());
    explained(&mut found);
    found.sort_by(|a, b| {
        b.size_cents
            .total_cmp(&a.size_cents)
            .then_with(|| (a.kind, &a.positions).cmp(&(b.kind, &b.positions)))
    });
    found
}

/// Leaves out what something else that was found of a unit explains: readings beside hum stand
/// off their neighbours, and a unit whose contact fails scatters.
fn explained(found: &mut Vec<Suggestion>) {
    let explains = |kind: Kind, by: Kind| match kind {
        Kind::IntermittentContact => matches!(
            by,
            Kind::Hum | Kind::OtherLaw | Kind::CompensationMissing | Kind::CompensationSlow
        ),
        Kind::Unsteady => matches!(
            by,
            Kind::Hum
                | Kind::IntermittentContact
                | Kind::CompensationMissing
                | Kind::CompensationSlow
        ),
        Kind::ReferenceCurrent => by == Kind::Unsteady,
        Kind::SourceSteps | Kind::LeakageAtTheBottom | Kind::DroopAtTheTop | Kind::TopOverdone => {
            by == Kind::UpAndDown
        }
        _ => false,
    };
    let others = found.clone();
    found.retain(|one| {
        !others.iter().any(|other| {
            let mut positions = one.positions.iter();
            explains(one.kind, other.kind)
                && positions.all(|position| other.positions.contains(position))
        })
    });
}
