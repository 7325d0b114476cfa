//! What happened to a unit or the rig, in sentences and for programs.

use crate::RunView;
use crate::document::Number;
use crate::list;
use crate::numbers::{decimals_for, duration, signed};
use model::incident::{Edge, Incident, IncidentKind, Unheard, Whose};
use model::record::PositionId;
use model::time::{RunTime, Timestamp};
use schemars::JsonSchema;
use serde::Serialize;

/// The incidents of the unit in a position.
pub(crate) fn of_position<'a>(
    view: &RunView<'a>,
    position: &PositionId,
) -> impl Iterator<Item = &'a Incident> {
    let all = view.analysis.incidents.iter();
    all.filter(move |incident| incident.id.position == *position)
}

/// When an incident was, what it was and how long it lasted: a clause.
fn course(incident: &Incident) -> String {
    format!(
        "{} into the run, {}{}",
        duration(incident.from.bad.seconds()),
        what(incident),
        lasting(incident)
    )
}

/// The same with whose it is, behind a verdict that hangs on it.
pub(crate) fn clause(incident: &Incident) -> String {
    let whose = match &incident.whose {
        Whose::Unit => "the unit\u{2019}s own",
        Whose::SharedBy(_) => "shared by others",
        Whose::Rig => "the rig\u{2019}s, not the unit\u{2019}s",
        Whose::CannotTell => "the unit\u{2019}s or the rig\u{2019}s",
    };
    format!("{} ({whose})", course(incident))
}

/// How long an incident could hide between two readings of a stage, where it is longest.
pub(crate) fn unheard(view: &RunView<'_>) -> Option<String> {
    let all = analysis::unheard(view.record).into_iter();
    let lasts = |one: &Unheard| one.until.seconds_from(one.from);
    let longest = all.max_by(|a, b| lasts(a).total_cmp(&lasts(b)))?;
    Some(format!(
        "Between two readings nothing is heard: in “{}” an incident of up to {} could come and go unseen.",
        view.stage_name(longest.stage),
        duration(lasts(&longest))
    ))
}

/// An incident in two sentences: what and when, and whose.
pub(crate) fn sentence(view: &RunView<'_>, incident: &Incident) -> String {
    let readings = match incident.readings {
        0 => String::new(),
        1 => " (1 reading)".to_owned(),
        count => format!(" ({count} readings)"),
    };
    let whose = match &incident.whose {
        Whose::Unit => "It is the unit\u{2019}s own: no other unit showed it.".to_owned(),
        Whose::SharedBy(positions) => {
            let names: Vec<String> = positions.iter().map(ToString::to_string).collect();
            format!("{} had it at the same time.", list::all(&names))
        }
        Whose::Rig => "It is the rig\u{2019}s, not the unit\u{2019}s.".to_owned(),
        Whose::CannotTell => {
            "Whether it is the unit\u{2019}s or the rig\u{2019}s cannot be told.".to_owned()
        }
    };
    format!(
        "At {}, {}{readings}. {whose}",
        clock(view, incident.from.bad),
        course(incident),
    )
}

fn what(incident: &Incident) -> String {
    let size = incident.size.map_or_else(String::new, |size| {
        let decimals = decimals_for(2.0 * size.u).min(1);
        format!(" by {} cents", signed(size.cents, decimals))
    });
    match incident.kind {
        IncidentKind::Silent => "it was silent".to_owned(),
        IncidentKind::InputDead => "its input delivered exact zeros".to_owned(),
        IncidentKind::Clipped => "its input clipped".to_owned(),
        IncidentKind::NotPeriodic => "its signal had no pitch".to_owned(),
        IncidentKind::TwoTones => "two pitches sounded at once".to_owned(),
        IncidentKind::NotPlayed => "it stayed on the note before".to_owned(),
        IncidentKind::LostSamples => "the capture lost samples".to_owned(),
        IncidentKind::Locked => "it was locked to another unit".to_owned(),
        IncidentKind::Departure => format!("it was off its course{size}"),
        IncidentKind::Unsteady => format!("it went off its course{size} and back several times"),
        IncidentKind::Step => format!("it jumped{size} and stayed there"),
        IncidentKind::SupplyLow => "the voltage of its supply dropped".to_owned(),
        IncidentKind::Tripped => {
            "its supply was switched off because of an electrical fault".to_owned()
        }
        IncidentKind::HistoryBroken => "its power or the timetable was interrupted".to_owned(),
        IncidentKind::CaptureLost => "the audio input was lost".to_owned(),
        IncidentKind::InstrumentLost => "an instrument did not answer".to_owned(),
    }
}

/// How long it lasted: at least, and at most where good readings stand around it.
fn lasting(incident: &Incident) -> String {
    let Some(until) = incident.until else {
        return match incident.kind {
            IncidentKind::Step | IncidentKind::Tripped | IncidentKind::HistoryBroken => "",
            _ => " until the end of the record",
        }
        .to_owned();
    };
    let least = until.bad.seconds_from(incident.from.bad);
    let around = incident.from.good.zip(until.good);
    let most = around.map(|(from, until)| duration(until.seconds_from(from)));
    match most {
        Some(most) if least < 1.0 => format!(" for at most {most}"),
        Some(most) if most != duration(least) => {
            format!(" for at least {} and at most {most}", duration(least))
        }
        _ => format!(" for {}", duration(least)),
    }
}

/// The time of day, in universal time as the head of the page.
fn clock(view: &RunView<'_>, at: RunTime) -> String {
    let began = view.record.header.began;
    let nanoseconds = began.as_nanosecond() + i128::from(at.nanoseconds());
    let text = Timestamp::from_nanosecond(nanoseconds)
        .unwrap_or(began)
        .to_string();
    format!("{} UTC", text.get(11..16).unwrap_or(&text))
}

/// Something that happened to a unit or the rig. Times are in seconds since the run began.
#[derive(Serialize, JsonSchema)]
pub(crate) struct OneIncident {
    /// Its place among those of the unit, from 1.
    #[schemars(range(min = 1))]
    number: u32,
    /// What happened.
    kind: IncidentKind,
    /// Whose it is.
    whose: OneOwner,
    /// The positions that share it; empty unless it is shared.
    shared_by: Vec<String>,
    /// The stage it began in, counted from 0 in the plan; null before the first.
    stage: Option<u16>,
    /// The last good reading before it; null where there is none.
    last_good_s: Option<Number>,
    /// The first bad reading.
    first_bad_s: Number,
    /// The last bad reading; null of a step, and where the record ends in it.
    last_bad_s: Option<Number>,
    /// The first good reading after it.
    good_again_s: Option<Number>,
    /// How far off the unit was.
    size_cents: Option<Number>,
    /// The standard uncertainty of that.
    u_size_cents: Option<Number>,
    /// How many readings it spoilt.
    readings: u32,
    /// In two sentences.
    said: String,
}

/// Whose an incident is.
#[derive(Serialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
enum OneOwner {
    /// The unit's.
    Unit,
    /// That of several positions.
    Shared,
    /// The rig's.
    Rig,
    /// The unit's or the rig's.
    CannotTell,
}

impl OneIncident {
    pub(crate) fn of(view: &RunView<'_>, incident: &Incident) -> Self {
        let (whose, shared_by) = match &incident.whose {
            Whose::Unit => (OneOwner::Unit, &[][..]),
            Whose::SharedBy(positions) => (OneOwner::Shared, &positions[..]),
            Whose::Rig => (OneOwner::Rig, &[][..]),
            Whose::CannotTell => (OneOwner::CannotTell, &[][..]),
        };
        let seconds = |at: RunTime| Number::seconds(at.seconds());
        let Edge { good, bad } = incident.from;
        Self {
            number: incident.id.number,
            kind: incident.kind,
            whose,
            shared_by: shared_by.iter().map(ToString::to_string).collect(),
            stage: incident.stage,
            last_good_s: good.map(seconds),
            first_bad_s: seconds(bad),
            last_bad_s: incident.until.map(|until| seconds(until.bad)),
            good_again_s: incident.until.and_then(|until| until.good).map(seconds),
            size_cents: incident.size.map(|size| Number(size.cents)),
            u_size_cents: incident.size.map(|size| Number(size.u)),
            readings: incident.readings,
            said: sentence(view, incident),
        }
    }
}
