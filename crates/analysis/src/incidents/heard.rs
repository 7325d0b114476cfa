//! Everything that was heard of a unit in the order of time, bad readings included.

use super::states::{Standing, kind_of};
use crate::readings::deviation::{cents_of, law_of};
use crate::statistics::quantile;
use model::document::plan::Plan;
use model::document::rig::Rig;
use model::incident::IncidentKind;
use model::pitch::Pitch;
use model::quantity::{Seconds, VoltDifference};
use model::record::{Measured, PositionId, RunRecord, State};
use model::time::RunTime;
use std::collections::BTreeMap;

/// A note, a millionth of a semitone each, and which reading of it within its round, from 0:
/// one course from round to round. A note that is held has a course of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub(super) struct Series {
    note: i64,
    occurrence: u32,
    pub(super) held: bool,
}

/// A window, or an attempt at one.
#[derive(Debug, Clone)]
pub(super) struct Heard {
    pub(super) stage: u16,
    /// Rounds, or minutes of a hold, counted through the run.
    pub(super) round: u32,
    /// As in [`Series`].
    pub(super) note: i64,
    pub(super) at: RunTime,
    pub(super) until: RunTime,
    /// The course it belongs to, and its deviation with the standard uncertainty, in cents:
    /// none where it has no frequency, or not its own.
    pub(super) on: Option<(Series, f64, f64)>,
    /// What is bad about it.
    pub(super) bad: Option<IncidentKind>,
    /// Whether it is the last attempt.
    pub(super) is_last: bool,
}

/// What a window is before it is judged.
struct Window<'a> {
    /// Stage, and round or minute.
    place: (u16, u32),
    series: Option<Series>,
    asked: Pitch,
    residue: VoltDifference,
    at: RunTime,
    until: RunTime,
    measured: &'a Measured,
}

fn note_of(pitch: Pitch) -> i64 {
    (pitch.note_number() * 1e6).round() as i64
}

/// The readings of rounds. The last attempt counts; of those before it only whether nothing
/// was heard.
fn of_rounds<'a>(record: &'a RunRecord, position: &PositionId) -> Vec<Window<'a>> {
    let mut readings: Vec<_> = record
        .readings
        .iter()
        .filter(|reading| &reading.key.position == position)
        .collect();
    readings.sort_by(|a, b| a.key.cmp(&b.key));
    let mut occurrences: BTreeMap<(u16, u32, i64), u32> = BTreeMap::new();
    let mut windows = Vec::with_capacity(readings.len());
    for (index, reading) in readings.iter().enumerate() {
        let key = &reading.key;
        let is_last = readings.get(index + 1).is_none_or(|next| {
            (
                next.key.stage,
                next.key.round,
                next.key.slot,
                next.key.repeat,
            ) != (key.stage, key.round, key.slot, key.repeat)
        });
        let note = note_of(reading.asked);
        let series = is_last.then(|| {
            let next = occurrences.entry((key.stage, key.round, note)).or_default();
            *next += 1;
            Series {
                note,
                occurrence: *next - 1,
                held: false,
            }
        });
        if is_last || reading.measured.state == State::Silent {
            windows.push(Window {
                place: (key.stage, key.round),
                series,
                asked: reading.asked,
                residue: reading.residue,
                at: reading.at,
                until: reading.at + reading.window,
                measured: &reading.measured,
            });
        }
    }
    windows
}

/// The windows of holds.
fn of_holds<'a>(record: &'a RunRecord, position: &PositionId) -> Vec<Window<'a>> {
    let mut windows = Vec::new();
    let traces = record.traces.iter();
    for trace in traces.filter(|trace| &trace.position == position) {
        let series = Series {
            note: note_of(trace.asked),
            occurrence: 0,
            held: true,
        };
        for (index, measured) in trace.points.iter().enumerate() {
            let at = trace.at + Seconds::of((trace.hop.get() * index as f64).min(1e9));
            windows.push(Window {
                place: (trace.stage, (at.seconds() / 60.0).max(0.0) as u32),
                series: Some(series),
                asked: trace.asked,
                residue: trace.residue,
                at,
                until: at + trace.hop,
                measured,
            });
        }
    }
    windows
}

/// What was heard of the unit in a position.
pub(super) fn heard(
    plan: &Plan,
    rig: &Rig,
    record: &RunRecord,
    position: &PositionId,
) -> Vec<Heard> {
    let mut windows = of_rounds(record, position);
    windows.extend(of_holds(record, position));
    windows.sort_by_key(|window| window.at);
    let law = law_of(rig, position);
    let cents = |window: &Window<'_>| {
        let frequency = window.measured.frequency?;
        let residue = cents_of(law, window.residue.get(), window.asked, plan.pitch);
        let cents = frequency.cents_from(plan.pitch.frequency(window.asked));
        let u = window.measured.u.map(|u| u.cents_at(frequency).get().abs());
        Some((cents.get() + residue, u.unwrap_or(0.0)))
    };
    let standing = Standing {
        usual_level: usual_level(&windows),
        usual_cents: usual_cents(&windows, cents),
    };
    let mut rounds: BTreeMap<(u16, u32), u32> = BTreeMap::new();
    for window in &windows {
        let next = rounds.len() as u32;
        rounds.entry(window.place).or_insert(next);
    }
    windows
        .iter()
        .map(|window| {
            let found = cents(window);
            let off = found.map(|(cents, _)| standing.off(note_of(window.asked), cents));
            let bad = kind_of(window.measured, off, standing.usual_level);
            // A clipped wave keeps its pitch.
            let own = window.measured.state == State::Ok
                && bad.is_none_or(|kind| kind == IncidentKind::Clipped);
            let on = found.filter(|_| own);
            Heard {
                stage: window.place.0,
                round: rounds[&window.place],
                note: note_of(window.asked),
                at: window.at,
                until: window.until,
                on: on.and_then(|(cents, u)| Some((window.series?, cents, u))),
                bad,
                is_last: window.series.is_some(),
            }
        })
        .collect()
}

/// The level that most readings reach.
fn usual_level(windows: &[Window<'_>]) -> Option<f64> {
    let levels = windows.iter().filter_map(|window| window.measured.level);
    let mut levels: Vec<f64> = levels.map(|level| level.get()).collect();
    levels.sort_by(f64::total_cmp);
    (!levels.is_empty()).then(|| quantile(&levels, 0.75))
}

/// The deviation that each note mostly has.
fn usual_cents(
    windows: &[Window<'_>],
    cents: impl Fn(&Window<'_>) -> Option<(f64, f64)>,
) -> BTreeMap<i64, f64> {
    let mut all: BTreeMap<i64, Vec<f64>> = BTreeMap::new();
    for window in windows {
        if let Some((cents, _)) = cents(window).filter(|_| window.measured.state == State::Ok) {
            all.entry(note_of(window.asked)).or_default().push(cents);
        }
    }
    let median = |cents: Vec<f64>| crate::statistics::median(&cents);
    all.into_iter()
        .map(|(note, cents)| (note, median(cents)))
        .collect()
}
