//! Where t = 0 is.

use model::document::plan::{Plan, Stage};
use model::document::rig::{Rig, SwitchedBy, Wiring};
use model::record::{Event, EventKind, PositionId, RunRecord};
use model::result::{ColdStart, TimeZero};
use model::time::RunTime;

/// How long a unit must be off to be cold, unless a plan says otherwise, in seconds.
const USUAL_COOLING_S: f64 = 7200.0;
/// For how long before a start the room must be steady, in seconds.
const STEADY_S: f64 = 1800.0;

/// t = 0 of a unit in a stage.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Origin {
    pub(crate) at: RunTime,
    pub(crate) zero: TimeZero,
    /// Whether it is when the unit was powered.
    pub(crate) is_power_on: bool,
    /// Whether it was cold then; nothing where it was not switched on.
    pub(crate) start: Option<ColdStart>,
    /// From when on the unit's thermal history is another, and what the record says of that,
    /// if it broke.
    pub(crate) broken: Option<(RunTime, String)>,
}

fn concerns(event: &Event, position: &PositionId) -> bool {
    event.position.as_ref().is_none_or(|id| id == position)
}

/// Finds t = 0: the last time the supply came on before the stage's first
/// reading, else the first sound, else the beginning of the stage.
pub(crate) fn origin(
    plan: &Plan,
    rig: &Rig,
    record: &RunRecord,
    stage: u16,
    position: &PositionId,
    first_reading: Option<RunTime>,
) -> Origin {
    let began = record
        .events
        .iter()
        .find(|event| event.kind == EventKind::StageBegan && event.stage == Some(stage))
        .map(|event| event.at);
    let known_from = first_reading.into_iter().chain(began).max();
    let last = |kind: EventKind| {
        let mut found: Vec<RunTime> = record
            .events
            .iter()
            .filter(|event| event.kind == kind && concerns(event, position))
            .map(|event| event.at)
            .filter(|at| known_from.is_none_or(|limit| *at <= limit))
            .collect();
        found.sort();
        found.pop()
    };
    let (at, zero, is_power_on) = if matches!(rig.wiring, Wiring::Recorded(_)) {
        (RunTime::START, TimeZero::Recording, false)
    } else if let Some(at) = last(EventKind::PowerOn) {
        let by_hand = rig
            .positions
            .get(position.as_str())
            .and_then(|position| rig.supplies.get(position.supply.as_deref()?))
            .is_some_and(|supply| !matches!(supply.by, SwitchedBy::Instrument(_)));
        let zero = if by_hand {
            TimeZero::FirstSound
        } else {
            TimeZero::SwitchedOn
        };
        (at, zero, true)
    } else if let Some(at) = last(EventKind::FirstSound) {
        (at, TimeZero::FirstSound, true)
    } else {
        let name = plan
            .stages
            .get(usize::from(stage))
            .map_or("?", |stage| stage.name());
        let at = began.or(first_reading).unwrap_or(RunTime::START);
        (at, TimeZero::Stage(name.to_owned()), false)
    };
    let broken = record
        .events
        .iter()
        .filter(|event| concerns(event, position) && event.at > at)
        .filter(|event| {
            event.kind.breaks_history()
                || matches!(event.kind, EventKind::PowerOff | EventKind::PowerOn)
        })
        .min_by_key(|event| event.at)
        .map(|event| (event.at, event.text.clone()));
    Origin {
        at,
        zero,
        is_power_on,
        start: is_power_on.then(|| start_state(plan, record, stage, position, at)),
        broken,
    }
}

/// A start is called cold when the unit was off for as long as the plan says (two
/// hours unless it does) and the air, where it was read, was steady to a kelvin in the
/// half hour before. What else is in its case and whether that was powered, no record
/// knows.
fn start_state(
    plan: &Plan,
    record: &RunRecord,
    stage: u16,
    position: &PositionId,
    at: RunTime,
) -> ColdStart {
    let asked = plan
        .stages
        .iter()
        .take(usize::from(stage))
        .rev()
        .find_map(|stage| match stage {
            Stage::CoolDown { lasts } => Some(lasts.get()),
            _ => None,
        })
        .unwrap_or(USUAL_COOLING_S);
    let off = record
        .events
        .iter()
        .filter(|event| matches!(event.kind, EventKind::PowerOff | EventKind::Tripped))
        .filter(|event| concerns(event, position) && event.at < at)
        .map(|event| event.at)
        .max();
    let since_on = record
        .events
        .iter()
        .filter(|event| event.kind == EventKind::PowerOn && event.at < at)
        .filter(|event| concerns(event, position) && off.is_some_and(|off| event.at > off))
        .count();
    let Some(off) = off.filter(|_| since_on == 0) else {
        return ColdStart::OffUnknown;
    };
    // The first of several events of one switching off counts.
    let last_on = record
        .events
        .iter()
        .filter(|event| event.kind == EventKind::PowerOn && event.at < off)
        .filter(|event| concerns(event, position))
        .map(|event| event.at)
        .max();
    let off = record
        .events
        .iter()
        .filter(|event| matches!(event.kind, EventKind::PowerOff | EventKind::Tripped))
        .filter(|event| concerns(event, position) && event.at <= off)
        .map(|event| event.at)
        .filter(|event| last_on.is_none_or(|on| *event >= on))
        .min()
        .unwrap_or(off);
    let lasted = at.seconds_from(off);
    if lasted < 0.99 * asked {
        return ColdStart::TooShort {
            off_s: lasted,
            asked_s: asked,
        };
    }
    let air = record
        .readings
        .iter()
        .filter(|reading| (0.0..=STEADY_S).contains(&at.seconds_from(reading.at)))
        .filter_map(|reading| reading.conditions.air)
        .map(|air| air.get());
    let (least, most) = air.fold((f64::INFINITY, f64::NEG_INFINITY), |(least, most), air| {
        (least.min(air), most.max(air))
    });
    if most - least > 1.0 {
        return ColdStart::AirMoved(most - least);
    }
    ColdStart::Cold { off_s: lasted }
}
