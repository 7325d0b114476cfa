//! Whose an incident is: by which units had it at the same time.

use super::of_unit::{Found, UnitIncidents};
use model::document::rig::Rig;
use model::incident::{Incident, IncidentId, IncidentKind, Whose};
use model::record::PositionId;
use model::time::RunTime;

/// Says whose each incident is, and numbers those of each unit.
pub(super) fn settled(rig: &Rig, mut units: Vec<UnitIncidents>) -> Vec<Incident> {
    units.sort_by(|a, b| a.position.cmp(&b.position));
    let mut all = Vec::new();
    for unit in &units {
        for (number, found) in (1..).zip(&unit.found) {
            all.push(Incident {
                id: IncidentId {
                    position: unit.position.clone(),
                    number,
                },
                kind: found.kind,
                whose: whose(rig, &units, unit, found),
                stage: found.stage,
                from: found.from,
                until: found.until,
                size: found.size,
                readings: found.readings,
            });
        }
    }
    all
}

fn whose(rig: &Rig, units: &[UnitIncidents], own: &UnitIncidents, found: &Found) -> Whose {
    // Lost samples, a lost device and digital silence no unit can make.
    if matches!(
        found.kind,
        IncidentKind::LostSamples
            | IncidentKind::CaptureLost
            | IncidentKind::InstrumentLost
            | IncidentKind::InputDead
    ) {
        return Whose::Rig;
    }
    let until = found.ends().map_or(found.from.bad, |(bad, _)| bad);
    let mut having = vec![&own.position];
    let mut others = false;
    for unit in units.iter().filter(|unit| unit.position != own.position) {
        if unit.found.iter().any(|other| is_same(found, other)) {
            having.push(&unit.position);
        } else {
            others |= unit.would_show(found.from.bad, until, found.size);
        }
    }
    having.sort();
    if having.len() > 1 {
        return if others {
            Whose::SharedBy(having.into_iter().cloned().collect())
        } else {
            Whose::Rig
        };
    }
    // A unit can pull its supply down, and be too loud or be sent no note.
    let could_be_the_rigs = found.reported
        || match found.kind {
            IncidentKind::Clipped => true,
            IncidentKind::NotPlayed => !shares_output(rig, &own.position),
            _ => false,
        };
    if others && !could_be_the_rigs {
        Whose::Unit
    } else {
        Whose::CannotTell
    }
}

/// Whether two units had the same at the same time: what each record leaves open of its
/// beginning and end overlaps.
fn is_same(one: &Found, other: &Found) -> bool {
    if one.kind != other.kind {
        return false;
    }
    if one.reported || other.reported {
        return one.from.bad == other.from.bad;
    }
    let overlap = |a: (RunTime, RunTime), b: (RunTime, RunTime)| a.0.max(b.0) < a.1.min(b.1);
    if one.kind == IncidentKind::Locked {
        // Whoever leads keeps its pitch, so its part begins later.
        let lasts = |found: &Found| {
            let ever = RunTime::from_nanoseconds(i64::MAX);
            (found.from.bad, found.until.map_or(ever, |until| until.bad))
        };
        let (one, other) = (lasts(one), lasts(other));
        return one.0.max(other.0) <= one.1.min(other.1);
    }
    let begins = |found: &Found| {
        let since_ever = RunTime::from_nanoseconds(i64::MIN);
        (found.from.good.unwrap_or(since_ever), found.from.bad)
    };
    let ends = match (one.ends(), other.ends()) {
        (Some(one), Some(other)) => overlap(one, other),
        (None, None) => true,
        _ => false,
    };
    ends && overlap(begins(one), begins(other))
}

/// Whether another position hangs on the same output.
fn shares_output(rig: &Rig, position: &PositionId) -> bool {
    let Some(own) = rig.positions.get(position.as_str()) else {
        return false;
    };
    let output = (&own.cv.sender, own.cv.channel);
    rig.positions.iter().any(|(name, other)| {
        name.as_str() != position.as_str() && (&other.cv.sender, other.cv.channel) == output
    })
}
