//! Where t = 0 is.

use model::document::plan::Plan;
use model::document::rig::{Rig, SwitchedBy, Wiring};
use model::record::{Event, EventKind, PositionId, RunRecord};
use model::time::RunTime;

/// t = 0 of a unit in a stage.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Origin {
    pub(crate) at: RunTime,
    pub(crate) words: String,
    /// Whether it is when the unit was powered.
    pub(crate) is_power_on: bool,
    /// From when on the unit's thermal history is another, if it broke.
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
    let (at, words, is_power_on) = if matches!(rig.wiring, Wiring::Recorded(_)) {
        (
            RunTime::START,
            "beginning of the recording".to_owned(),
            false,
        )
    } else if let Some(at) = last(EventKind::PowerOn) {
        let by_hand = rig
            .positions
            .get(position.as_str())
            .and_then(|position| rig.supplies.get(position.supply.as_deref()?))
            .is_some_and(|supply| !matches!(supply.by, SwitchedBy::Instrument(_)));
        let words = if by_hand {
            "first sound"
        } else {
            "supply switched on"
        };
        (at, words.to_owned(), true)
    } else if let Some(at) = last(EventKind::FirstSound) {
        (at, "first sound".to_owned(), true)
    } else {
        let name = plan
            .stages
            .get(usize::from(stage))
            .map_or("?", |stage| stage.name());
        let at = began.or(first_reading).unwrap_or(RunTime::START);
        (at, format!("start of the stage \"{name}\""), false)
    };
    let broken = record
        .events
        .iter()
        .filter(|event| concerns(event, position) && event.at > at)
        .filter(|event| {
            matches!(
                event.kind,
                EventKind::HistoryBroken | EventKind::PowerOff | EventKind::PowerOn
            )
        })
        .min_by_key(|event| event.at)
        .map(|event| (event.at, event.text.clone()));
    Origin {
        at,
        words,
        is_power_on,
        broken,
    }
}
