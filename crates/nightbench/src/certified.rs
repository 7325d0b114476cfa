//! What stands behind the limits of error of a rig on the days of a run.

use crate::assembly;
use jiff::tz::TimeZone;
use model::document::plan::Plan;
use model::document::rig::{Rig, Standing, Wiring};
use model::document::{Document, Remark, check};
use model::record::PositionId;
use model::time::Timestamp;
use orchestrator::schedule::Schedule;
use serde_json::{Value, json};

/// The day of a moment in a time zone, like 2026-03-01.
fn day(at: Timestamp, zone: &TimeZone) -> String {
    zone.to_datetime(at).date().to_string()
}

/// The time zone of a bench: that of the person who sits at it. A simulated bench stands in
/// UTC, so that what is said of its runs is the same everywhere.
fn zone(rig: &Rig) -> TimeZone {
    match rig.wiring {
        Wiring::Simulated(_) => TimeZone::UTC,
        Wiring::Real(_) | Wiring::Recorded(_) => TimeZone::system(),
    }
}

/// The day of a moment where a rig stands, like 2026-03-01: what the dates of certificates
/// are held against.
pub fn day_of(rig: &Rig, at: Timestamp) -> String {
    day(at, &zone(rig))
}

/// The day on which a run begins that begins now, by the clock of the rig; `None` where
/// none can begin.
fn today(rig: &Rig) -> Option<String> {
    let now = assembly::wall_of(rig).ok()?;
    Some(day_of(rig, now))
}

/// What is to be said of certificates before a plan is run on a rig.
pub fn remarks(plan: &Plan, rig: &Document<Rig>) -> Vec<Remark> {
    match assembly::wall_of(&rig.value) {
        Ok(begins) => remarks_on(plan, rig, begins, &zone(&rig.value)),
        Err(_) => Vec::new(),
    }
}

/// The same of a run that begins at a moment, in a time zone.
fn remarks_on(plan: &Plan, rig: &Document<Rig>, begins: Timestamp, zone: &TimeZone) -> Vec<Remark> {
    let positions = rig.value.positions.keys();
    let positions: Vec<PositionId> = positions.map(|name| PositionId::new(name)).collect();
    let (lasts, _) = Schedule::new(plan, &rig.value, &positions).duration();
    let nanoseconds = begins.as_nanosecond() + i128::from(lasts.nanoseconds());
    let ends = Timestamp::from_nanosecond(nanoseconds).unwrap_or(begins);
    check::check_certificates(rig, &day(begins, zone), &day(ends, zone))
}

/// How each certificate stands in a run that begins now, a line each.
pub fn as_text(rig: &Rig) -> String {
    let Some(today) = today(rig) else {
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
    let Some(today) = today(rig) else {
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

#[cfg(test)]
mod tests {
    use super::*;
    use jiff::tz;
    use model::document::{read_plan, read_rig};

    /// Half past midnight of the 3rd of March in Vienna, the 2nd still in London and New York.
    const MOMENT: &str = "2026-03-02T23:30:00Z";

    /// In hours east of Greenwich.
    fn at(hours: i8) -> TimeZone {
        TimeZone::fixed(tz::offset(hours))
    }

    #[test]
    fn the_day_is_that_of_the_zone() {
        let moment: Timestamp = MOMENT.parse().unwrap();
        for (hours, expected) in [
            (1, "2026-03-03"),
            (14, "2026-03-03"),
            (0, "2026-03-02"),
            (-5, "2026-03-02"),
        ] {
            assert_eq!(day(moment, &at(hours)), expected, "{hours}");
        }
        // A zone with summer time, which began at 1:00 UTC of the 29th (rule as in POSIX).
        let vienna = TimeZone::posix("CET-1CEST,M3.5.0,M10.5.0/3").unwrap();
        for (moment, expected) in [
            ("2026-03-28T22:30:00Z", "2026-03-28"),
            ("2026-03-29T22:30:00Z", "2026-03-30"),
        ] {
            assert_eq!(day(moment.parse().unwrap(), &vienna), expected);
        }
    }

    #[test]
    fn a_certificate_ends_with_the_day_of_its_bench() {
        let rig = |wiring: &str| {
            format!(
                "nightbench: rig 1
name: shelf
wiring: {wiring}
positions:
  left:
    cv: {{sender: keys, channel: 1, law: {{volts_per_octave: {{zero: C1 = 0 V}}}}, safe: {{from: 0 V, to: 8 V}}}}
    input: 1
bounds: {{sample_clock: 10 ppm}}
certificates:
  sample_clock: {{what: counter, number: '1', date: 2026-01-01, due: 2026-03-02}}
"
            )
        };
        let real = rig(
            "{real: {senders: {keys: {midi: {port: USB}}}, capture: {device: USB, rate: 48 kHz, channels: 2}}}",
        );
        let real = read_rig("rig", real.as_bytes()).unwrap_or_else(|error| panic!("{error}"));
        let plan = "nightbench: plan 1
title: Short
reference: C4
stages:
  - sweep: {name: fine, notes: {list: [C4, C3, C5]}}
";
        let plan = read_plan("plan", plan.as_bytes()).unwrap_or_else(|error| panic!("{error}"));
        let begins: Timestamp = MOMENT.parse().unwrap();
        let said = |zone: &TimeZone| {
            let remarks = remarks_on(&plan.value, &real, begins, zone);
            let said: Vec<String> = remarks.iter().map(ToString::to_string).collect();
            said.join("\n")
        };
        assert_eq!(said(&at(0)), "");
        let overdue = said(&at(1));
        assert!(
            overdue.contains("was due again on 2026-03-02, and the run begins on 2026-03-03"),
            "{overdue}"
        );
        // Simulated benches are the same for everybody.
        let simulated = rig("{simulated: {seed: 1, interfaces: {keys: {}}, units: {left: {}}}}");
        let simulated =
            read_rig("rig", simulated.as_bytes()).unwrap_or_else(|error| panic!("{error}"));
        assert_eq!(zone(&simulated.value), TimeZone::UTC);
        assert_eq!(day_of(&simulated.value, begins), "2026-03-02");
        assert_eq!(zone(&real.value), TimeZone::system());
    }
}
