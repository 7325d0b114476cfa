//! The whole of a run as JSON and its readings as CSV. Equal runs give equal
//! bytes: nothing in here knows of a machine, a path, how long the program took,
//! or how often the run was laid down and taken up again.

use crate::RunView;
use crate::bench;
use crate::csv_row::{Cell, Decimals, csv_row};
use crate::results;
use model::pitch::Pitch;
use model::record::{Measured, PositionId, Reading, Trace};
use model::time::RunTime;
use serde_json::{Map, Value, json};
use sha2::{Digest, Sha256};
use std::collections::{BTreeMap, HashMap};

/// A finite number, or null.
pub(crate) fn number(value: f64) -> Value {
    if value == 0.0 {
        return json!(0.0); // no minus nought
    }
    serde_json::Number::from_f64(value).map_or(Value::Null, Value::Number)
}

/// A finite number, or null where there is none.
pub(crate) fn maybe(value: Option<f64>) -> Value {
    value.map_or(Value::Null, number)
}

/// Seconds to the microsecond: the last digits of a time depend on how a hold
/// was cut into pieces, and no clock of a bench knows them.
pub(crate) fn seconds(value: f64) -> f64 {
    (value * 1e6).round() / 1e6
}

/// The SHA-256 of a text, in hexadecimal.
pub(crate) fn sha256(text: &str) -> String {
    use std::fmt::Write as _;
    Sha256::digest(text.as_bytes())
        .iter()
        .fold(String::new(), |mut hash, byte| {
            // Writing to a string cannot fail.
            let _ = write!(hash, "{byte:02x}");
            hash
        })
}

/// How many microseconds a window of a hold may seem to be off: a fraction of a frame, far
/// less than the shortest hop.
const NEAR: i64 = 1000;

/// Stage, position, pitch (its bits) and microsecond: enough to find a reading
/// among deviations.
type Spot = (u16, PositionId, u64, i64);

/// Deviations by reading, as far as the analysis has them.
pub(crate) struct Deviations {
    by_reading: HashMap<Spot, (f64, Option<f64>)>,
    origins: BTreeMap<(u16, PositionId), RunTime>,
    began: BTreeMap<u16, RunTime>,
}

fn microseconds(t_s: f64) -> i64 {
    (t_s * 1e6).round() as i64
}

impl Deviations {
    pub(crate) fn of(view: &RunView<'_>) -> Self {
        let mut by_reading = HashMap::new();
        let mut origins = BTreeMap::new();
        for stage in &view.analysis.stages {
            for unit in &stage.units {
                origins.insert((stage.stage, unit.position.clone()), unit.origin);
                for note in &unit.notes {
                    for point in &note.points {
                        by_reading.insert(
                            (
                                stage.stage,
                                unit.position.clone(),
                                note.asked.note_number().to_bits(),
                                microseconds(point.t_s),
                            ),
                            (point.as_played, point.retuned),
                        );
                    }
                }
            }
        }
        // A stage that the analysis does not know begins with its own event, else
        // with the first thing heard in it.
        let mut began: BTreeMap<u16, RunTime> = BTreeMap::new();
        let events = view
            .record
            .events
            .iter()
            .filter(|event| event.kind == model::record::EventKind::StageBegan)
            .filter_map(|event| Some((event.stage?, event.at)));
        let readings = view
            .record
            .readings
            .iter()
            .map(|reading| (reading.key.stage, reading.at));
        for (stage, at) in events.chain(readings) {
            let first = began.entry(stage).or_insert(at);
            *first = (*first).min(at);
        }
        Self {
            by_reading,
            origins,
            began,
        }
    }

    /// Seconds since t = 0 of a unit in a stage; of all units, since the stage began.
    pub(crate) fn t_s(&self, stage: u16, position: Option<&PositionId>, at: RunTime) -> f64 {
        let origin = position
            .and_then(|position| self.origins.get(&(stage, position.clone())))
            .or_else(|| self.began.get(&stage))
            .copied()
            .unwrap_or(RunTime::START);
        at.seconds_from(origin)
    }

    fn find(&self, reading: &Reading) -> Option<(f64, Option<f64>)> {
        let (stage, position) = (reading.key.stage, &reading.key.position);
        let t_s = self.t_s(stage, Some(position), reading.at);
        self.at(stage, position, reading.asked, microseconds(t_s))
    }

    fn at(
        &self,
        stage: u16,
        position: &PositionId,
        asked: Pitch,
        microsecond: i64,
    ) -> Option<(f64, Option<f64>)> {
        let asked = asked.note_number().to_bits();
        let key = (stage, position.clone(), asked, microsecond);
        self.by_reading.get(&key).copied()
    }

    /// That of the window of a hold that begins at a time. Hops from the beginning of a
    /// hold, and from that of its piece, may round to neighbouring microseconds.
    fn near(
        &self,
        stage: u16,
        position: &PositionId,
        asked: Pitch,
        t_s: f64,
    ) -> Option<(f64, Option<f64>)> {
        let middle = microseconds(t_s);
        (0..=NEAR)
            .flat_map(|off| [middle - off, middle + off])
            .find_map(|microsecond| self.at(stage, position, asked, microsecond))
    }
}

/// Names of notes as the plan writes them, by pitch.
fn note_names(view: &RunView<'_>) -> HashMap<u64, String> {
    view.analysis
        .stages
        .iter()
        .flat_map(|stage| &stage.units)
        .flat_map(|unit| &unit.notes)
        .map(|note| (note.asked.note_number().to_bits(), note.name.clone()))
        .collect()
}

/// Every reading in the order of the plan.
pub(crate) fn in_order<'a>(view: &RunView<'a>) -> Vec<&'a Reading> {
    let mut readings: Vec<_> = view.record.readings.iter().collect();
    readings.sort_by(|a, b| a.key.cmp(&b.key));
    readings
}

fn asked(view: &RunView<'_>, names: &HashMap<u64, String>, pitch: Pitch) -> (Value, f64) {
    (
        names
            .get(&pitch.note_number().to_bits())
            .map_or(Value::Null, |name| json!(name)),
        view.plan.pitch.frequency(pitch).get(),
    )
}

fn reading_json(
    view: &RunView<'_>,
    deviations: &Deviations,
    names: &HashMap<u64, String>,
    reading: &Reading,
) -> Value {
    let Reading { key, measured, .. } = reading;
    let (note, asked_hz) = asked(view, names, reading.asked);
    let deviation = deviations.find(reading);
    json!({
        "stage": key.stage,
        "stage_name": view.stage_name(key.stage),
        "round": key.round,
        "slot": key.slot,
        "repeat": key.repeat,
        "attempt": key.attempt,
        "position": key.position.as_str(),
        "note": note,
        "asked_note_number": number(reading.asked.note_number()),
        "asked_hz": number(asked_hz),
        "t_s": number(seconds(deviations.t_s(key.stage, Some(&key.position), reading.at))),
        "run_s": number(seconds(reading.at.seconds())),
        "played_run_s": number(seconds(reading.played.seconds())),
        "window_s": number(reading.window.get()),
        "hz": maybe(measured.frequency.map(|f| f.get())),
        "u_hz": maybe(measured.u.map(|u| u.get())),
        "cents": maybe(deviation.map(|(as_played, _)| as_played)),
        "retuned_cents": maybe(deviation.and_then(|(_, retuned)| retuned)),
        "level_dbfs": maybe(measured.level.map(|level| level.get())),
        "residue_v": number(reading.residue.get()),
        "air_degc": maybe(reading.conditions.air.map(|air| air.get())),
        "supply_v": maybe(reading.conditions.supply.map(|supply| supply.get())),
        "state": measured.state.name(),
        "flags": measured.flags.names(),
    })
}

/// A hold, its pieces put together again where they adjoin.
struct Hold<'a> {
    first: &'a Trace,
    points: Vec<Measured>,
}

fn holds<'a>(view: &RunView<'a>) -> Vec<Hold<'a>> {
    let mut pieces: Vec<_> = view.record.traces.iter().collect();
    pieces.sort_by(|a, b| {
        (a.stage, &a.position, a.at, a.chunk).cmp(&(b.stage, &b.position, b.at, b.chunk))
    });
    let mut holds: Vec<Hold<'a>> = Vec::new();
    for piece in pieces {
        if let Some(hold) = holds.last_mut() {
            let first = hold.first;
            let due = first.at + first.hop * hold.points.len() as f64;
            let apart = (due.nanoseconds() - piece.at.nanoseconds()).unsigned_abs();
            let same = first.stage == piece.stage
                && first.position == piece.position
                && first.asked == piece.asked
                && first.hop == piece.hop
                && first.played == piece.played
                && first.residue == piece.residue;
            // A frame of the slowest rate is 1 ms long.
            if same && apart < 1_000_000 {
                hold.points.extend_from_slice(&piece.points);
                continue;
            }
        }
        holds.push(Hold {
            first: piece,
            points: piece.points.clone(),
        });
    }
    holds
}

/// A window of a hold, in the form of a reading.
fn window_json(
    view: &RunView<'_>,
    deviations: &Deviations,
    names: &HashMap<u64, String>,
    first: &Trace,
    index: usize,
    point: &Measured,
) -> Value {
    let (note, asked_hz) = asked(view, names, first.asked);
    let at = first.at + first.hop * index as f64;
    let t_s = deviations.t_s(first.stage, Some(&first.position), at);
    let deviation = point
        .frequency
        .and_then(|_| deviations.near(first.stage, &first.position, first.asked, t_s));
    json!({
        "stage": first.stage,
        "stage_name": view.stage_name(first.stage),
        "position": first.position.as_str(),
        "note": note,
        "asked_hz": number(asked_hz),
        "t_s": number(seconds(t_s)),
        "run_s": number(seconds(at.seconds())),
        "played_run_s": number(seconds(first.played.seconds())),
        "window_s": number(first.hop.get()),
        "hz": maybe(point.frequency.map(|f| f.get())),
        "u_hz": maybe(point.u.map(|u| u.get())),
        "cents": maybe(deviation.map(|(as_played, _)| as_played)),
        "retuned_cents": maybe(deviation.and_then(|(_, retuned)| retuned)),
        "level_dbfs": maybe(point.level.map(|level| level.get())),
        "residue_v": number(first.residue.get()),
        "state": point.state.name(),
        "flags": point.flags.names(),
    })
}

/// The whole of a run, in an order that does not depend on how it was kept.
/// Keys carry their unit; what is not known is null. `t_s` is in seconds since
/// t = 0 of the stage, `run_s` since the run began.
#[must_use]
pub fn export_json(view: &RunView<'_>) -> Value {
    let deviations = Deviations::of(view);
    let names = note_names(view);
    let header = &view.record.header;
    let readings: Vec<_> = in_order(view)
        .into_iter()
        .map(|reading| reading_json(view, &deviations, &names, reading))
        .collect();
    let traces: Vec<_> = holds(view)
        .into_iter()
        .map(|hold| {
            let Hold { first, points } = hold;
            let (note, asked_hz) = asked(view, &names, first.asked);
            let column = |of: &dyn Fn(&Measured) -> Value| points.iter().map(of).collect::<Vec<_>>();
            json!({
                "stage": first.stage,
                "stage_name": view.stage_name(first.stage),
                "position": first.position.as_str(),
                "note": note,
                "asked_note_number": number(first.asked.note_number()),
                "asked_hz": number(asked_hz),
                "t_s": number(seconds(deviations.t_s(first.stage, Some(&first.position), first.at))),
                "run_s": number(seconds(first.at.seconds())),
                "played_run_s": number(seconds(first.played.seconds())),
                "hop_s": number(first.hop.get()),
                "residue_v": number(first.residue.get()),
                "hz": column(&|point| maybe(point.frequency.map(|f| f.get()))),
                "u_hz": column(&|point| maybe(point.u.map(|u| u.get()))),
                "level_dbfs": column(&|point| maybe(point.level.map(|level| level.get()))),
                "state": column(&|point| json!(point.state.name())),
                "flags": column(&|point| json!(point.flags.names())),
            })
        })
        .collect();
    let mut gaps: Vec<_> = view.record.gaps.iter().collect();
    gaps.sort_by(|a, b| {
        (a.stage, a.round, a.slot, &a.position, a.at, &a.reason).cmp(&(
            b.stage,
            b.round,
            b.slot,
            &b.position,
            b.at,
            &b.reason,
        ))
    });
    let gaps: Vec<_> = gaps
        .into_iter()
        .map(|gap| results::gap_json(view, &deviations, gap))
        .collect();
    let mut events: Vec<_> = view
        .record
        .events
        .iter()
        .filter(|event| !event.kind.is_bookkeeping())
        .collect();
    events.sort_by(|a, b| {
        (a.at, a.kind, a.stage, &a.position, &a.text).cmp(&(
            b.at,
            b.kind,
            b.stage,
            &b.position,
            &b.text,
        ))
    });
    let events: Vec<_> = events
        .into_iter()
        .map(|event| {
            json!({
                "run_s": number(seconds(event.at.seconds())),
                "kind": event.kind.name(),
                "stage": event.stage,
                "position": event.position.as_ref().map(PositionId::as_str),
                "text": event.text,
            })
        })
        .collect();
    let units: Map<String, Value> = view
        .positions()
        .into_iter()
        .map(|position| (position.as_str().to_owned(), json!(view.unit(position))))
        .collect();
    let stages: Vec<_> = view
        .analysis
        .stages
        .iter()
        .map(|stage| {
            let units: BTreeMap<_, _> = stage
                .units
                .iter()
                .map(|unit| {
                    let origin = json!({
                        "origin_run_s": number(seconds(unit.origin.seconds())),
                        "origin": unit.origin_words,
                        "octaves": unit.octaves,
                    });
                    (unit.position.as_str(), origin)
                })
                .collect();
            json!({
                "stage": stage.stage,
                "name": stage.name,
                "units": units,
            })
        })
        .collect();
    let export = json!({
        "nightbench": "export 1",
        "program_version": header.program_version,
        "seed": header.seed,
        "began": header.began.to_string(),
        "complete": view.is_complete(),
        "calibrated": bench::is_calibrated(view),
        "plan": { "title": view.plan.title, "sha256": sha256(&header.plan_text), "text": header.plan_text },
        "rig": { "name": view.rig.name, "sha256": sha256(&header.rig_text), "text": header.rig_text },
        "units": units,
        "stages": stages,
        "readings": readings,
        "traces": traces,
        "gaps": gaps,
        "events": events,
        "results": view.analysis.outcomes.iter().map(|outcome| {
            let mut result = results::result_json(outcome);
            if let Some(fields) = result.as_object_mut() {
                fields.insert("position".to_owned(), json!(outcome.position.as_str()));
            }
            result
        }).collect::<Vec<_>>(),
        "curves": results::curves_json(view),
        "verdicts": view.analysis.verdicts.iter().map(|verdict| {
            let mut found = results::verdict_json(view, verdict);
            if let Some(fields) = found.as_object_mut() {
                fields.insert("position".to_owned(), json!(verdict.position.as_str()));
            }
            found
        }).collect::<Vec<_>>(),
    });
    results::with_damage(view, export)
}

/// The columns of the table of readings.
const COLUMNS: [&str; 24] = [
    "stage",
    "stage_name",
    "round",
    "slot",
    "repeat",
    "attempt",
    "position",
    "serial",
    "note",
    "asked_hz",
    "t_s",
    "run_s",
    "played_run_s",
    "window_s",
    "hz",
    "u_hz",
    "cents",
    "retuned_cents",
    "level_dbfs",
    "residue_v",
    "air_degc",
    "supply_v",
    "state",
    "flags",
];

/// The table of readings, every attempt, and of all windows of holds, as CSV (RFC 4180):
/// with a comma between the columns, or for spreadsheets with decimal commas with a
/// semicolon. What is not known is empty; flags are separated by spaces. A hold has no
/// rounds and no attempts, so these are empty in its rows.
/// That it is a part of a damaged run stands in a line before the names of the columns.
#[must_use]
pub fn export_csv(view: &RunView<'_>, decimal_comma: bool) -> String {
    let deviations = Deviations::of(view);
    let names = note_names(view);
    let decimals = if decimal_comma {
        Decimals::Comma
    } else {
        Decimals::Point
    };
    let mut table = view.warning().map_or_else(String::new, |warning| {
        csv_row(&[warning.as_str().into()], decimals)
    });
    table += &csv_row(&COLUMNS.map(Cell::from), decimals);
    let mut add = |mut row: Value, position: &PositionId| {
        row["serial"] = json!(view.unit(position).serial);
        table += &csv_row(&COLUMNS.map(|column| Cell::from(&row[column])), decimals);
    };
    let mut holds = holds(view).into_iter().peekable();
    let mut readings = in_order(view).into_iter().peekable();
    // Stage by stage, as in the plan.
    loop {
        let reading = readings.peek().map(|reading| reading.key.stage);
        let hold = holds.peek().map(|hold| hold.first.stage);
        match (reading, hold) {
            (None, None) => break,
            (Some(stage), held) if held.is_none_or(|held| stage <= held) => {
                if let Some(reading) = readings.next() {
                    let row = reading_json(view, &deviations, &names, reading);
                    add(row, &reading.key.position);
                }
            }
            _ => {
                if let Some(hold) = holds.next() {
                    for (index, point) in hold.points.iter().enumerate() {
                        let row = window_json(view, &deviations, &names, hold.first, index, point);
                        add(row, &hold.first.position);
                    }
                }
            }
        }
    }
    table
}
