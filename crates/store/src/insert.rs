//! Entries put into the tables as rows, to the last bit, each with its link of the chain.

use crate::chain::{self, Digest, Said};
use model::quantity::{Celsius, Hertz, HertzDifference, Level, Volts};
use model::record::{Entry, Event, Flags, Gap, PositionId, Reading, RunHeader, Trace};
use rusqlite::{Connection, params};

/// Puts one entry into its table, and gives its link of the chain.
pub(crate) fn entry(
    to: &Connection,
    run: i64,
    entry: i64,
    what: &Entry,
    previous: &Digest,
) -> rusqlite::Result<Digest> {
    let said = match what {
        Entry::Event(event) if chain::is_said(event.kind) => {
            Some(Said::now(event.text.as_bytes())?)
        }
        _ => None,
    };
    match what {
        Entry::Reading(reading) => insert_reading(to, run, entry, reading)?,
        Entry::Trace(trace) => insert_trace(to, run, entry, trace)?,
        Entry::Gap(gap) => insert_gap(to, run, entry, gap)?,
        Entry::Event(event) => insert_event(to, run, entry, event, said.as_ref())?,
    }
    let linked = match what {
        Entry::Reading(reading) => chain::Link::Reading(reading),
        Entry::Trace(trace) => chain::Link::Trace(trace),
        Entry::Gap(gap) => chain::Link::Gap(gap),
        Entry::Event(event) => chain::Link::Event(event, said.as_ref()),
    };
    link(to, run, entry, chain::after(previous, entry, linked))
}

/// Puts a link of the chain into its table.
pub(crate) fn link(
    to: &Connection,
    run: i64,
    entry: i64,
    digest: Digest,
) -> rusqlite::Result<Digest> {
    to.prepare_cached("INSERT INTO chain (run, entry, digest) VALUES (?, ?, ?)")?
        .execute(params![run, entry, digest])?;
    Ok(digest)
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
            state, flags, hz, u_hz, u_noise_hz, level_dbfs, air_celsius, supply_v)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
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
        measured.u_noise.map(HertzDifference::get),
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
        "INSERT INTO point (run, entry, place, state, flags, hz, u_hz, u_noise_hz, level_dbfs)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?)",
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
            point.u_noise.map(HertzDifference::get),
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

fn insert_event(
    to: &Connection,
    run: i64,
    entry: i64,
    event: &Event,
    said: Option<&Said>,
) -> rusqlite::Result<()> {
    let Event {
        at,
        wall,
        kind,
        stage,
        position,
        text,
    } = event;
    to.prepare_cached(
        "INSERT INTO event (run, entry, at_ns, wall, kind, stage, position, text, salt, said)
         VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
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
        said.map(|said| &said.salt),
        said.map(|said| &said.digest),
    ])?;
    Ok(())
}

/// Puts the header of a new run into its tables and gives the run's number, and the
/// beginning of its chain.
pub(crate) fn header(
    to: &Connection,
    id: &str,
    header: &RunHeader,
) -> rusqlite::Result<(i64, Digest)> {
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
    let mut all_said = Vec::new();
    for (position, unit) in &header.units {
        let said = Said::now(&chain::words_of(unit)?)?;
        let settings = serde_json::to_string(&unit.settings)
            .map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))?;
        to.execute(
            "INSERT INTO unit
                (run, position, serial, model, revision, job, settings_json, notes, salt, said)
             VALUES (?, ?, ?, ?, ?, ?, ?, ?, ?, ?)",
            params![
                run,
                position.as_str(),
                unit.serial,
                unit.model,
                unit.revision,
                unit.job,
                settings,
                unit.notes,
                said.salt,
                said.digest,
            ],
        )?;
        all_said.push(said);
    }
    let digest = chain::of_header(id, header, None, &all_said);
    link(to, run, chain::HEADER, digest)?;
    Ok((run, digest))
}

/// The names of the flags with spaces between them.
fn flags_text(flags: Flags) -> String {
    if flags.is_empty() {
        String::new()
    } else {
        flags.names().join(" ")
    }
}
