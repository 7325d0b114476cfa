//! Rows of the tables read back as entries, to the last bit.

use crate::chain::{self, Digest, EvidenceRow, Said};
use model::pitch::Pitch;
use model::quantity::{
    Celsius, Hertz, HertzDifference, Level, Quantity, Seconds, VoltDifference, Volts,
};
use model::record::{
    Conditions, Event, EventKind, Flag, Flags, Gap, Measured, PositionId, Reading, ReadingKey,
    RunHeader, State, Trace, Unit,
};
use model::time::{RunTime, Timestamp};
use rusqlite::{Connection, Row};
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

/// What could be read of a table, and what ended it before its end.
#[derive(Debug)]
pub(crate) struct Part<T> {
    /// With their numbers, in the order of these.
    pub rows: Vec<(i64, T)>,
    pub ended_by: Option<RowError>,
}

/// Reads row after row as long as they can be read.
fn all<T>(
    from: &Connection,
    run: i64,
    sql: &str,
    mut read: impl FnMut(&Row) -> Result<T, RowError>,
) -> Part<T> {
    let mut part = Part {
        rows: Vec::new(),
        ended_by: None,
    };
    let mut each = || -> Result<(), RowError> {
        let mut select = from.prepare_cached(sql)?;
        let mut rows = select.query([run])?;
        while let Some(row) = rows.next()? {
            part.rows.push((row.get("entry")?, read(row)?));
        }
        Ok(())
    };
    part.ended_by = each().err();
    part
}

/// The header of a run, as it is found.
#[derive(Debug)]
pub(crate) struct Header {
    pub header: RunHeader,
    /// How many entries it held when it was brought up from a store without chains.
    pub sealed: Option<i64>,
    /// What the chain has of each unit, in the order of the positions.
    pub said: Vec<Said>,
}

/// The header of a run, with the hashes of plan and rig checked.
pub(crate) fn header(from: &Connection, run: i64) -> Result<Header, RowError> {
    let mut select = from.prepare_cached(
        "SELECT began, program_version, seed, plan_sha256, plan_text, rig_sha256, rig_text, sealed
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
    let (units, said) = units(from, run)?;
    Ok(Header {
        header: RunHeader {
            plan_text: hashed(row, "plan_text", "plan_sha256")?,
            rig_text: hashed(row, "rig_text", "rig_sha256")?,
            units,
            program_version: row.get("program_version")?,
            seed,
            began: timestamp(row, "began")?,
        },
        sealed: row.get("sealed")?,
        said,
    })
}

/// What the chain has of a person's words.
fn said(row: &Row) -> Result<Said, RowError> {
    Ok(Said {
        salt: row.get("salt")?,
        // None before a store is brought up from one without chains.
        digest: row.get::<_, Option<Vec<u8>>>("said")?.unwrap_or_default(),
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

type Units = (BTreeMap<PositionId, Unit>, Vec<Said>);

fn units(from: &Connection, run: i64) -> Result<Units, RowError> {
    let mut select = from.prepare_cached(
        "SELECT position, serial, model, revision, job, settings_json, notes, salt, said
         FROM unit WHERE run = ? ORDER BY position",
    )?;
    let mut rows = select.query([run])?;
    let mut units = BTreeMap::new();
    let mut all_said = Vec::new();
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
        all_said.push(said(row)?);
    }
    Ok((units, all_said))
}

/// The links of a run's chain.
pub(crate) fn links(from: &Connection, run: i64) -> Part<Digest> {
    all(
        from,
        run,
        "SELECT entry, digest FROM chain WHERE run = ? ORDER BY entry",
        |row| Ok(row.get("digest")?),
    )
}

/// The recordings that were kept of a run.
pub(crate) fn evidence(from: &Connection, run: i64) -> Part<EvidenceRow> {
    all(
        from,
        run,
        "SELECT entry, stage, round, slot, repeat, attempt, position, sha256, bytes
         FROM evidence WHERE run = ? ORDER BY entry",
        |row| {
            Ok(EvidenceRow {
                key: key(row)?,
                sha256: row.get("sha256")?,
                bytes: row.get("bytes")?,
            })
        },
    )
}

fn key(row: &Row) -> Result<ReadingKey, RowError> {
    Ok(ReadingKey {
        stage: row.get("stage")?,
        round: row.get("round")?,
        slot: row.get("slot")?,
        repeat: row.get("repeat")?,
        attempt: row.get("attempt")?,
        position: position(row)?,
    })
}

/// The readings of a run.
pub(crate) fn readings(from: &Connection, run: i64) -> Part<Reading> {
    all(
        from,
        run,
        "SELECT entry, stage, round, slot, repeat, attempt, position, asked_note_number,
            residue_v, played_ns, at_ns, window_s, state, flags, hz, u_hz,
            u_noise_hz, level_dbfs, air_celsius, supply_v
         FROM reading WHERE run = ? ORDER BY entry",
        |row| {
            Ok(Reading {
                key: key(row)?,
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
            })
        },
    )
}

/// The traces of a run with their points.
pub(crate) fn traces(from: &Connection, run: i64) -> Part<Trace> {
    all(
        from,
        run,
        "SELECT entry, stage, position, chunk, asked_note_number, residue_v, played_ns, at_ns,
            hop_s
         FROM trace WHERE run = ? ORDER BY entry",
        |row| {
            Ok(Trace {
                stage: row.get("stage")?,
                position: position(row)?,
                chunk: row.get("chunk")?,
                asked: pitch(row)?,
                residue: quantity::<VoltDifference>(row, "residue_v")?,
                played: RunTime::from_nanoseconds(row.get("played_ns")?),
                at: RunTime::from_nanoseconds(row.get("at_ns")?),
                hop: quantity::<Seconds>(row, "hop_s")?,
                points: points(from, run, row.get("entry")?)?,
            })
        },
    )
}

fn points(from: &Connection, run: i64, entry: i64) -> Result<Vec<Measured>, RowError> {
    let mut select = from.prepare_cached(
        "SELECT state, flags, hz, u_hz, u_noise_hz, level_dbfs
         FROM point WHERE run = ? AND entry = ? ORDER BY place",
    )?;
    let mut rows = select.query([run, entry])?;
    let mut points = Vec::new();
    while let Some(row) = rows.next()? {
        points.push(measured(row)?);
    }
    Ok(points)
}

/// The gaps of a run.
pub(crate) fn gaps(from: &Connection, run: i64) -> Part<Gap> {
    all(
        from,
        run,
        "SELECT entry, stage, round, slot, position, at_ns, reason
         FROM gap WHERE run = ? ORDER BY entry",
        |row| {
            Ok(Gap {
                stage: row.get("stage")?,
                round: row.get("round")?,
                slot: row.get("slot")?,
                position: maybe_position(row)?,
                at: RunTime::from_nanoseconds(row.get("at_ns")?),
                reason: row.get("reason")?,
            })
        },
    )
}

/// The events of a run, with what the chain has of those that are a person's words.
pub(crate) fn events(from: &Connection, run: i64) -> Part<(Event, Option<Said>)> {
    all(
        from,
        run,
        "SELECT entry, at_ns, wall, kind, stage, position, text, salt, said
         FROM event WHERE run = ? ORDER BY entry",
        |row| {
            let kind: String = row.get("kind")?;
            let kind = EventKind::from_name(&kind).ok_or_else(|| impossible("kind", &kind))?;
            let event = Event {
                at: RunTime::from_nanoseconds(row.get("at_ns")?),
                wall: timestamp(row, "wall")?,
                kind,
                stage: row.get("stage")?,
                position: maybe_position(row)?,
                text: row.get("text")?,
            };
            let said = chain::is_said(kind).then(|| said(row)).transpose()?;
            Ok((event, said))
        },
    )
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
        u_noise: maybe::<HertzDifference>(row, "u_noise_hz")?,
        level: maybe::<Level>(row, "level_dbfs")?,
    })
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
