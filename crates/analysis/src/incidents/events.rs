//! What the rig itself reported.

use super::of_unit::Found;
use model::incident::{Edge, IncidentKind};
use model::record::{Event, EventKind, PositionId, RunRecord};

/// What an event tells of, and which one tells that it is over.
const fn meaning(kind: EventKind) -> Option<(IncidentKind, Option<EventKind>)> {
    match kind {
        EventKind::SupplyLow => Some((IncidentKind::SupplyLow, Some(EventKind::SupplyBack))),
        EventKind::Tripped => Some((IncidentKind::Tripped, None)),
        EventKind::HistoryBroken => Some((IncidentKind::HistoryBroken, None)),
        EventKind::CaptureLost => Some((IncidentKind::CaptureLost, Some(EventKind::CaptureBack))),
        EventKind::InstrumentLost => Some((
            IncidentKind::InstrumentLost,
            Some(EventKind::InstrumentBack),
        )),
        EventKind::SessionOpened
        | EventKind::SessionClosed
        | EventKind::StageBegan
        | EventKind::StageEnded
        | EventKind::PowerOn
        | EventKind::PowerOff
        | EventKind::FirstSound
        | EventKind::LimitNotRead
        | EventKind::OutputUncertain
        | EventKind::SupplyBack
        | EventKind::InstrumentBack
        | EventKind::CaptureBack
        | EventKind::RecordingsStopped
        | EventKind::Preflight
        | EventKind::Fault
        | EventKind::Answered
        | EventKind::Remark
        | EventKind::RunEnded => None,
    }
}

/// Adds what events tell of a unit; what was found in its readings at that time is the same
/// incident.
pub(super) fn joined(record: &RunRecord, position: &PositionId, found: &mut Vec<Found>) {
    let mut reported: Vec<(Found, Option<&PositionId>)> = Vec::new();
    let concerns = |event: &&Event| event.position.as_ref().is_none_or(|of| of == position);
    for event in record.events.iter().filter(concerns) {
        let of = event.position.as_ref();
        let ended = reported.iter_mut().rev().find(|(open, whose)| {
            open.until.is_none() && *whose == of && ends(event.kind, open.kind)
        });
        if let Some((open, _)) = ended {
            open.until = Some(Edge {
                good: Some(event.at),
                bad: event.at,
            });
        }
        let Some((kind, over)) = meaning(event.kind) else {
            continue;
        };
        // Lost again before it was back.
        let is_open = reported.iter().any(|(open, whose)| {
            over.is_some() && open.kind == kind && *whose == of && open.until.is_none()
        });
        if !is_open {
            let found = Found {
                kind,
                stage: event.stage,
                from: Edge {
                    good: None,
                    bad: event.at,
                },
                until: None,
                size: None,
                readings: 0,
                reported: true,
            };
            reported.push((found, of));
        }
    }
    for (event, _) in &mut reported {
        if event.kind != IncidentKind::InstrumentLost {
            take_readings(event, found);
        }
    }
    found.extend(reported.into_iter().map(|(event, _)| event));
}

fn ends(event: EventKind, open: IncidentKind) -> bool {
    matches!(
        (event, open),
        (EventKind::SupplyBack, IncidentKind::SupplyLow)
            | (EventKind::CaptureBack, IncidentKind::CaptureLost)
            | (EventKind::InstrumentBack, IncidentKind::InstrumentLost)
    )
}

/// What began in the readings while the event lasted, or right before the reading after it,
/// is part of it.
fn take_readings(event: &mut Found, found: &mut Vec<Found>) {
    let at = event.from.bad;
    let until = event.until.map_or(at, |until| until.bad);
    found.retain(|other| {
        let (from, bad) = other.begins();
        if other.kind == IncidentKind::Step || !(from <= until && at <= bad) {
            return true;
        }
        event.readings += other.readings;
        event.size = event.size.or(other.size);
        event.stage = event.stage.or(other.stage);
        event.from.good = other.from.good;
        event.until = match (other.until, event.until) {
            (Some(readings), Some(event)) if readings.bad < event.bad => Some(event),
            (readings, _) => readings,
        };
        false
    });
}
