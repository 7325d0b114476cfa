//! What incidents suggest: contacts that let go, units that were moved together, units locked
//! to each other.

use model::document::plan::Plan;
use model::incident::{Incident, IncidentKind, Whose};
use model::record::PositionId;
use model::result::{Doubt, Seen, Suggestion, SuggestionKind as Kind};
use std::collections::BTreeMap;

/// Units are off alike where their sizes differ by no more than this factor.
const ALIKE: f64 = 2.0;
/// Fewer readings than this may be a slip of one of them.
const LEAST_READINGS: u32 = 2;
const LEAST_LOCKED: u32 = 3;
/// A smaller jump for good may be a course that bends while the unit warms, cents.
const LEAST_STEP: f64 = 2.5;

/// Whether a unit was off its course, and its sound was its own.
const fn is_off(incident: &Incident) -> bool {
    matches!(
        incident.kind,
        IncidentKind::Departure | IncidentKind::Unsteady | IncidentKind::Step
    )
}

pub(super) fn suggestions(plan: &Plan, incidents: &[Incident], units: usize) -> Vec<Suggestion> {
    let mut of_unit: BTreeMap<&PositionId, Vec<&Incident>> = BTreeMap::new();
    let mut shared: Vec<&Incident> = Vec::new();
    let off = |one: &&Incident| {
        is_off(one) && (one.kind != IncidentKind::Step || cents(one).abs() > LEAST_STEP)
    };
    for incident in incidents.iter().filter(off) {
        match incident.whose {
            Whose::Unit | Whose::CannotTell => {
                of_unit
                    .entry(&incident.id.position)
                    .or_default()
                    .push(incident);
            }
            Whose::SharedBy(_) | Whose::Rig => shared.push(incident),
        }
    }
    let mut found: Vec<Suggestion> = of_unit
        .into_iter()
        .filter_map(|(position, all)| contact(plan, position, &all))
        .collect();
    found.extend(together(plan, &shared, units));
    found.extend(locked(plan, incidents));
    found
}

fn stage(plan: &Plan, incident: &Incident) -> String {
    let stage = incident
        .stage
        .and_then(|stage| plan.stages.get(usize::from(stage)));
    stage.map_or_else(String::new, |stage| stage.name().to_owned())
}

fn cents(incident: &Incident) -> f64 {
    incident.size.map_or(0.0, |size| size.cents)
}

/// A unit that was off its course by itself.
fn contact(plan: &Plan, position: &PositionId, all: &[&Incident]) -> Option<Suggestion> {
    let for_good = |one: &&&Incident| one.kind == IncidentKind::Step;
    let readings = all.iter().map(|one| one.readings).sum();
    let steps = all.iter().filter(for_good).count();
    let largest = all
        .iter()
        .max_by(|a, b| cents(a).abs().total_cmp(&cents(b).abs()))?;
    if readings < LEAST_READINGS && steps == 0 || cents(largest) == 0.0 {
        return None;
    }
    let from = largest.from.bad;
    let until = largest.until.map_or(from, |until| until.bad);
    Some(Suggestion {
        kind: Kind::IntermittentContact,
        positions: vec![position.clone()],
        stage: stage(plan, largest),
        seen: Seen::OffCourse {
            times: all.len(),
            for_good: steps,
            cents: cents(largest),
            at: from,
            seconds: until.seconds_from(from),
            readings,
        },
        doubt: (largest.whose == Whose::CannotTell).then_some(Doubt::RigOrUnit),
        size_cents: cents(largest).abs(),
    })
}

/// Units that were off alike at the same time: the largest such moment.
fn together(plan: &Plan, shared: &[&Incident], units: usize) -> Option<Suggestion> {
    let largest = shared
        .iter()
        .max_by(|a, b| cents(a).abs().total_cmp(&cents(b).abs()))?;
    let at = |one: &&&Incident| {
        one.kind == largest.kind
            && one.from.bad.seconds_from(largest.from.bad).abs() < TOGETHER_S
            && cents(one) * cents(largest) > 0.0
            && cents(one).abs() * ALIKE > cents(largest).abs()
    };
    let mut positions: Vec<PositionId> = shared
        .iter()
        .filter(at)
        .map(|one| one.id.position.clone())
        .collect();
    positions.sort();
    positions.dedup();
    (positions.len() >= 2 && positions.len() == units).then(|| Suggestion {
        kind: Kind::MovingTogether,
        positions,
        stage: stage(plan, largest),
        seen: Seen::OffTogether {
            cents: cents(largest),
            at: largest.from.bad,
            came_back: largest.kind != IncidentKind::Step,
        },
        doubt: None,
        size_cents: cents(largest).abs(),
    })
}

/// Readings of one round of all units lie no further apart than this, in seconds.
const TOGETHER_S: f64 = 60.0;

/// Units that sounded exactly alike.
fn locked(plan: &Plan, incidents: &[Incident]) -> Option<Suggestion> {
    let locked = incidents
        .iter()
        .filter(|one| one.kind == IncidentKind::Locked && one.readings >= LEAST_LOCKED);
    let locked: Vec<&Incident> = locked.collect();
    let mut positions: Vec<PositionId> = locked.iter().map(|one| one.id.position.clone()).collect();
    positions.sort();
    positions.dedup();
    let readings: u32 = locked.iter().map(|one| one.readings).sum();
    (positions.len() >= 2).then(|| Suggestion {
        kind: Kind::LockedUnits,
        positions,
        stage: stage(plan, locked[0]),
        seen: Seen::Alike {
            readings: readings as usize,
        },
        doubt: None,
        // As large as the error may be is not known.
        size_cents: 2.0,
    })
}
