//! Entries as rows of the tables, and back, to the last bit.

use model::pitch::Pitch;
use model::quantity::{
    Celsius, Hertz, HertzDifference, Level, Quantity, Seconds, VoltDifference, Volts,
};
use model::record::{
    Conditions, Entry, Event, EventKind, Flag, Flags, Gap, Measured, PositionId, Reading,
    ReadingKey, RunHeader, State, Trace, Unit,
};
use model::time::{RunTime, Timestamp};
use rusqlite::{Connection, Row, params};
use std::collections::BTreeMap;

/// Why a row cannot be read.
#[derive(Debug)]
pub(crate) enum RowError {
    Database(rusqlite::Error),
    /// A column with something in it that cannot be there.
    Impossible {
        column: &'static str,
        detail: String,
    },
}

impl From<rusqlite::Error> for RowError {
    fn from(error: rusqlite::Error) -> Self {
        Self::Database(error)
    }
}

/// Puts one entry into its table.
pub(crate) fn insert(to: &Connection, run: i64, entry: i64, what: &Entry) -> rusqlite::Result<()> {
    match what {
        Entry::Reading(reading) => insert_reading(to, run, entry, reading),
        Entry::Trace(trace) => insert_trace(to, run, entry, trace),
        Entry::Gap(gap) => insert_gap(to, run, entry, gap),
        Entry::Event(event) => insert_event(to, run, entry, event),
    }
}

fn insert_reading(
    to: &Connection,
    run: i64,
    entry: i64,
    reading: &Reading,
) -> rusqlite::Result<()> {
    let Reading {
        key,
        asked,
        residue,
        played,
        at,
        window,
        measured,
        conditions,
    } = reading;
    to.prepare_cached(
        "INSERT INTO reading (run, entry, stage, round, slot, repeat, attempt, position,
            asked_note_number, residue_v, played_ns, at_ns, end_ns, window_s,
            state, flags, hz, u_hz, level_dbfs, air_celsius, supply_v)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
    )?
    .execute(params![
        run,
        entry,
        key.stage,
        key.round,
        key.slot,
        key.repeat,
        key.attempt,
        key.position.as_str(),
        asked.note_number(),
        residue.get(),
        played.nanoseconds(),
        at.nanoseconds(),
        (*at + *window).nanoseconds(),
        window.get(),
        measured.state.name(),
        flags_text(measured.flags),
        measured.frequency.map(Hertz::get),
        measured.u.map(HertzDifference::get),
        measured.level.map(Level::get),
        conditions.air.map(Celsius::get),
        conditions.supply.map(Volts::get),
    ])?;
    Ok(())
}

fn insert_trace(to: &Connection, run: i64, entry: i64, trace: &Trace) -> rusqlite::Result<()> {
    let Trace {
        stage,
        position,
        chunk,
        asked,
        residue,
        played,
        at,
        hop,
        points,
    } = trace;
    let end = *at + *hop * points.len() as f64;
    to.prepare_cached(
        "INSERT INTO trace (run, entry, stage, position, chunk,
            asked_note_number, residue_v, played_ns, at_ns, end_ns, hop_s)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
    )?
    .execute(params![
        run,
        entry,
        stage,
        position.as_str(),
        chunk,
        asked.note_number(),
        residue.get(),
        played.nanoseconds(),
        at.nanoseconds(),
        end.nanoseconds(),
        hop.get(),
    ])?;
    let mut insert = to.prepare_cached(
        "INSERT INTO point (run, entry, place, state, flags, hz, u_hz, level_dbfs)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
    )?;
    for (place, point) in points.iter().enumerate() {
        insert.execute(params![
            run,
            entry,
            place as i64,
            point.state.name(),
            flags_text(point.flags),
            point.frequency.map(Hertz::get),
            point.u.map(HertzDifference::get),
            point.level.map(Level::get),
        ])?;
    }
    Ok(())
}

fn insert_gap(to: &Connection, run: i64, entry: i64, gap: &Gap) -> rusqlite::Result<()> {
    let Gap {
        stage,
        round,
        slot,
        position,
        at,
        reason,
    } = gap;
    to.prepare_cached(
        "INSERT INTO gap (run, entry, stage, round, slot, position, at_ns, reason)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
    )?
    .execute(params![
        run,
        entry,
        stage,
        round,
        slot,
        position.as_ref().map(PositionId::as_str),
        at.nanoseconds(),
        reason,
    ])?;
    Ok(())
}

fn insert_event(to: &Connection, run: i64, entry: i64, event: &Event) -> rusqlite::Result<()> {
    let Event {
        at,
        wall,
        kind,
        stage,
        position,
        text,
    } = event;
    to.prepare_cached(
        "INSERT INTO event (run, entry, at_ns, wall, kind, stage, position, text)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
    )?
    .execute(params![
        run,
        entry,
        at.nanoseconds(),
        wall.to_string(),
        kind.name(),
        stage,
        position.as_ref().map(PositionId::as_str),
        text,
    ])?;
    Ok(())
}

/// Puts the header of a new run into its tables and gives the run's number.
pub(crate) fn insert_header(
    to: &Connection,
    id: &str,
    header: &RunHeader,
) -> rusqlite::Result<i64> {
    let sha256 = |text: &str| crate::identity::sha256(text.as_bytes());
    to.execute(
        "INSERT INTO run (id, began, program_version, seed,
            plan_sha256, plan_text, rig_sha256, rig_text)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
        params![
            id,
            header.began.to_string(),
            header.program_version,
            // As text: the upper half of the numbers does not fit a column of integers.
            header.seed.map(|seed| seed.to_string()),
            sha256(&header.plan_text),
            header.plan_text,
            sha256(&header.rig_text),
            header.rig_text,
        ],
    )?;
    let run = to.last_insert_rowid();
    for (position, unit) in &header.units {
        let settings = serde_json::to_string(&unit.settings)
            .map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))?;
        to.execute(
            "INSERT INTO unit (run, position, serial, model, revision, job, settings_json, notes)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?)",
            params![
                run,
                position.as_str(),
                unit.serial,
                unit.model,
                unit.revision,
                unit.job,
                settings,
                unit.notes,
            ],
        )?;
    }
    Ok(run)
}

/// The header of a run, with the hashes of plan and rig checked.
pub(crate) fn header(from: &Connection, run: i64) -> Result<RunHeader, RowError> {
    let mut select = from.prepare_cached(
        "SELECT began, program_version, seed, plan_sha256, plan_text, rig_sha256, rig_text
         FROM run WHERE run = ?",
    )?;
    let mut rows = select.query([run])?;
    let row = rows
        .next()?
        .ok_or(RowError::Database(rusqlite::Error::QueryReturnedNoRows))?;
    let seed: Option<String> = row.get("seed")?;
    let seed = seed
        .map(|seed| seed.parse().map_err(|_| impossible("seed", &seed)))
        .transpose()?;
    Ok(RunHeader {
        plan_text: hashed(row, "plan_text", "plan_sha256")?,
        rig_text: hashed(row, "rig_text", "rig_sha256")?,
        units: units(from, run)?,
        program_version: row.get("program_version")?,
        seed,
        began: timestamp(row, "began")?,
    })
}

fn hashed(row: &Row, column: &'static str, hash: &str) -> Result<String, RowError> {
    let text: String = row.get(column)?;
    let kept: String = row.get(hash)?;
    if crate::identity::sha256(text.as_bytes()) == kept {
        Ok(text)
    } else {
        Err(RowError::Impossible {
            column,
            detail: "it is not what its hash was made of".into(),
        })
    }
}

fn units(from: &Connection, run: i64) -> Result<BTreeMap<PositionId, Unit>, RowError> {
    let mut select = from.prepare_cached(
        "SELECT position, serial, model, revision, job, settings_json, notes
         FROM unit WHERE run = ? ORDER BY position",
    )?;
    let mut rows = select.query([run])?;
    let mut units = BTreeMap::new();
    while let Some(row) = rows.next()? {
        let settings: String = row.get("settings_json")?;
        let unit = Unit {
            serial: row.get("serial")?,
            model: row.get("model")?,
            revision: row.get("revision")?,
            job: row.get("job")?,
            settings: serde_json::from_str(&settings)
                .map_err(|error| impossible("settings_json", &error))?,
            notes: row.get("notes")?,
        };
        units.insert(position(row)?, unit);
    }
    Ok(units)
}

/// The readings of a run, in the order of their entries.
pub(crate) fn readings(from: &Connection, run: i64) -> Result<Vec<Reading>, RowError> {
    let mut select = from.prepare_cached(
        "SELECT stage, round, slot, repeat, attempt, position, asked_note_number, residue_v,
            played_ns, at_ns, window_s, state, flags, hz, u_hz, level_dbfs, air_celsius, supply_v
         FROM reading WHERE run = ? ORDER BY entry",
    )?;
    let mut rows = select.query([run])?;
    let mut readings = Vec::new();
    while let Some(row) = rows.next()? {
        readings.push(Reading {
            key: ReadingKey {
                stage: row.get("stage")?,
                round: row.get("round")?,
                slot: row.get("slot")?,
                repeat: row.get("repeat")?,
                attempt: row.get("attempt")?,
                position: position(row)?,
            },
            asked: pitch(row)?,
            residue: quantity::<VoltDifference>(row, "residue_v")?,
            played: RunTime::from_nanoseconds(row.get("played_ns")?),
            at: RunTime::from_nanoseconds(row.get("at_ns")?),
            window: quantity::<Seconds>(row, "window_s")?,
            measured: measured(row)?,
            conditions: Conditions {
                air: maybe::<Celsius>(row, "air_celsius")?,
                supply: maybe::<Volts>(row, "supply_v")?,
            },
        });
    }
    Ok(readings)
}

/// The traces of a run with their points, in the order of their entries.
pub(crate) fn traces(from: &Connection, run: i64) -> Result<Vec<Trace>, RowError> {
    let mut select = from.prepare_cached(
        "SELECT entry, stage, position, chunk, asked_note_number, residue_v, played_ns, at_ns, hop_s
         FROM trace WHERE run = ? ORDER BY entry",
    )?;
    let mut select_points = from.prepare_cached(
        "SELECT state, flags, hz, u_hz, level_dbfs
         FROM point WHERE run = ? AND entry = ? ORDER BY place",
    )?;
    let mut rows = select.query([run])?;
    let mut traces = Vec::new();
    while let Some(row) = rows.next()? {
        let entry: i64 = row.get("entry")?;
        let mut points = Vec::new();
        let mut point_rows = select_points.query([run, entry])?;
        while let Some(point) = point_rows.next()? {
            points.push(measured(point)?);
        }
        traces.push(Trace {
            stage: row.get("stage")?,
            position: position(row)?,
            chunk: row.get("chunk")?,
            asked: pitch(row)?,
            residue: quantity::<VoltDifference>(row, "residue_v")?,
            played: RunTime::from_nanoseconds(row.get("played_ns")?),
            at: RunTime::from_nanoseconds(row.get("at_ns")?),
            hop: quantity::<Seconds>(row, "hop_s")?,
            points,
        });
    }
    Ok(traces)
}

/// The gaps of a run, in the order of their entries.
pub(crate) fn gaps(from: &Connection, run: i64) -> Result<Vec<Gap>, RowError> {
    let mut select = from.prepare_cached(
        "SELECT stage, round, slot, position, at_ns, reason
         FROM gap WHERE run = ? ORDER BY entry",
    )?;
    let mut rows = select.query([run])?;
    let mut gaps = Vec::new();
    while let Some(row) = rows.next()? {
        gaps.push(Gap {
            stage: row.get("stage")?,
            round: row.get("round")?,
            slot: row.get("slot")?,
            position: maybe_position(row)?,
            at: RunTime::from_nanoseconds(row.get("at_ns")?),
            reason: row.get("reason")?,
        });
    }
    Ok(gaps)
}

/// The events of a run, in the order of their entries.
pub(crate) fn events(from: &Connection, run: i64) -> Result<Vec<Event>, RowError> {
    let mut select = from.prepare_cached(
        "SELECT at_ns, wall, kind, stage, position, text
         FROM event WHERE run = ? ORDER BY entry",
    )?;
    let mut rows = select.query([run])?;
    let mut events = Vec::new();
    while let Some(row) = rows.next()? {
        let kind: String = row.get("kind")?;
        events.push(Event {
            at: RunTime::from_nanoseconds(row.get("at_ns")?),
            wall: timestamp(row, "wall")?,
            kind: EventKind::from_name(&kind).ok_or_else(|| impossible("kind", &kind))?,
            stage: row.get("stage")?,
            position: maybe_position(row)?,
            text: row.get("text")?,
        });
    }
    Ok(events)
}

fn measured(row: &Row) -> Result<Measured, RowError> {
    let state = row
        .get_ref("state")?
        .as_str()
        .map_err(rusqlite::Error::from)?;
    let flags = row
        .get_ref("flags")?
        .as_str()
        .map_err(rusqlite::Error::from)?;
    Ok(Measured {
        state: State::from_name(state).ok_or_else(|| impossible("state", &state))?,
        flags: flags_of(flags)?,
        frequency: maybe::<Hertz>(row, "hz")?,
        u: maybe::<HertzDifference>(row, "u_hz")?,
        level: maybe::<Level>(row, "level_dbfs")?,
    })
}

/// The names of the flags with spaces between them.
fn flags_text(flags: Flags) -> String {
    if flags.is_empty() {
        String::new()
    } else {
        flags.names().join(" ")
    }
}

/// An unknown flag is damage here, not something to pass over: it would be gone
/// from the next copy.
fn flags_of(text: &str) -> Result<Flags, RowError> {
    text.split_whitespace()
        .map(|name| {
            Flag::ALL
                .into_iter()
                .find(|flag| flag.name() == name)
                .ok_or_else(|| impossible("flags", &name))
        })
        .collect()
}

fn impossible(column: &'static str, found: &dyn std::fmt::Display) -> RowError {
    RowError::Impossible {
        column,
        detail: format!("\"{found}\" makes no sense there"),
    }
}

fn quantity<Q: Quantity>(row: &Row, column: &'static str) -> Result<Q, RowError> {
    Q::new(row.get(column)?).map_err(|error| impossible(column, &error.value))
}

fn maybe<Q: Quantity>(row: &Row, column: &'static str) -> Result<Option<Q>, RowError> {
    let value: Option<f64> = row.get(column)?;
    value
        .map(|value| Q::new(value).map_err(|error| impossible(column, &error.value)))
        .transpose()
}

fn pitch(row: &Row) -> Result<Pitch, RowError> {
    let column = "asked_note_number";
    Pitch::new(row.get(column)?).map_err(|error| impossible(column, &error.value))
}

fn position(row: &Row) -> Result<PositionId, RowError> {
    let name = row
        .get_ref("position")?
        .as_str()
        .map_err(rusqlite::Error::from)?;
    Ok(PositionId::new(name))
}

fn maybe_position(row: &Row) -> Result<Option<PositionId>, RowError> {
    let name: Option<String> = row.get("position")?;
    Ok(name.as_deref().map(PositionId::new))
}

fn timestamp(row: &Row, column: &'static str) -> Result<Timestamp, RowError> {
    let text: String = row.get(column)?;
    text.parse().map_err(|_| impossible(column, &text))
}
