//! What stands behind the limits of error of a rig on the days of a run.

use crate::assembly;
use model::document::plan::Plan;
use model::document::rig::{Rig, Standing};
use model::document::{Document, Remark, check};
use model::record::PositionId;
use model::time::Timestamp;
use orchestrator::schedule::Schedule;
use serde_json::{Value, json};

/// The day of a moment, in UTC, like 2026-03-01.
fn day(at: Timestamp) -> String {
    at.to_string().chars().take(10).collect()
}

/// The day on which a run begins that begins now, by the clock of the rig; `None` where
/// none can begin.
fn today(rig: &Rig) -> Option<Timestamp> {
    assembly::wall_of(rig).ok()
}

/// What is to be said of certificates before a plan is run on a rig.
pub fn remarks(plan: &Plan, rig: &Document<Rig>) -> Vec<Remark> {
    let Some(begins) = today(&rig.value) else {
        return Vec::new();
    };
    let positions = rig.value.positions.keys();
    let positions: Vec<PositionId> = positions.map(|name| PositionId::new(name)).collect();
    let (lasts, _) = Schedule::new(plan, &rig.value, &positions).duration();
    let nanoseconds = begins.as_nanosecond() + i128::from(lasts.nanoseconds());
    let ends = Timestamp::from_nanosecond(nanoseconds).unwrap_or(begins);
    check::check_certificates(rig, &day(begins), &day(ends))
}

/// How each certificate stands in a run that begins now, a line each.
pub fn as_text(rig: &Rig) -> String {
    let Some(today) = today(rig).map(day) else {
        return String::new();
    };
    let called = if rig.is_calibrated(&today) {
        "calibrated"
    } else {
        "uncalibrated"
    };
    if rig.certificates.is_empty() {
        return format!(
            "\nNo certificates stand behind the limits of this rig: reports call it {called}.\n"
        );
    }
    let mut text = format!(
        "\nWhat stands behind the limits of this rig ({today}): reports call it {called}.\n\n"
    );
    for part in rig.backing() {
        let standing = part.standing(&today);
        if standing == Standing::Missing && !part.needed {
            continue;
        }
        let (mark, which) = match (standing, part.certificate) {
            (Standing::Missing, _) | (_, None) => ("missing", String::new()),
            (standing, Some(certificate)) => {
                let due = certificate
                    .due
                    .as_ref()
                    .map_or_else(String::new, |due| format!(", due {due}"));
                let which = format!(
                    "certificate {} of {}{due}: {}",
                    certificate.number, certificate.date, certificate.what
                );
                let mark = match standing {
                    Standing::NotYet => "NOT YET",
                    Standing::Overdue => "OVERDUE",
                    Standing::InForce | Standing::Missing => "in force",
                };
                (mark, which)
            }
        };
        text.push_str(format!("{mark:>9}  {:<16} {which}", part.of).trim_end());
        text.push('\n');
    }
    text
}

/// The same for programs.
pub fn as_json(rig: &Rig) -> Value {
    let Some(today) = today(rig).map(day) else {
        return Value::Null;
    };
    let parts: Vec<Value> = rig
        .backing()
        .into_iter()
        .map(|part| {
            let certificate = part.certificate;
            json!({
                "of": part.key,
                "needed": part.needed,
                "standing": match part.standing(&today) {
                    Standing::Missing => "missing",
                    Standing::NotYet => "not_yet",
                    Standing::InForce => "in_force",
                    Standing::Overdue => "overdue",
                },
                "what": certificate.map(|known| &known.what),
                "number": certificate.map(|known| &known.number),
                "date": certificate.map(|known| &known.date),
                "due": certificate.and_then(|known| known.due.as_ref()),
            })
        })
        .collect();
    json!({ "day": today, "calibrated": rig.is_calibrated(&today), "certificates": parts })
}
