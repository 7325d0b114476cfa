//! Sealing the runs of a store that had no chains.

use crate::chain::{self, Link, Said};
use crate::gate::{Tables, runs};
use crate::{identity, insert, requests, rows, tally};
use rusqlite::Connection;
use std::path::Path;

/// Seals the runs of a store that had no chains: takes them as they are found. One that makes
/// no sense gets no chain, and is damaged.
pub(crate) fn all_runs(connection: &Connection, store: &Path) -> rusqlite::Result<()> {
    requests::seal(connection)?;
    for (run, id) in runs(connection)? {
        seal_run(connection, store, run, &id)?;
    }
    Ok(())
}

fn seal_run(connection: &Connection, store: &Path, run: i64, id: &str) -> rusqlite::Result<()> {
    let Ok(mut header) = rows::header(connection, run) else {
        return Ok(());
    };
    // Recordings come after all else: when they were kept is not known any more.
    connection.execute(
        "UPDATE evidence SET entry = numbered.entry FROM (
            SELECT stage, round, slot, repeat, attempt, position,
                row_number() OVER (ORDER BY stage, round, slot, repeat, attempt, position)
                + max(
                    coalesce((SELECT max(entry) FROM reading WHERE run = ?1), -1),
                    coalesce((SELECT max(entry) FROM trace WHERE run = ?1), -1),
                    coalesce((SELECT max(entry) FROM gap WHERE run = ?1), -1),
                    coalesce((SELECT max(entry) FROM event WHERE run = ?1), -1)) AS entry
            FROM evidence WHERE run = ?1) AS numbered
         WHERE evidence.run = ?1 AND evidence.stage = numbered.stage
            AND evidence.round = numbered.round AND evidence.slot = numbered.slot
            AND evidence.repeat = numbered.repeat AND evidence.attempt = numbered.attempt
            AND evidence.position = numbered.position",
        [run],
    )?;
    let mut tables = Tables::read(connection, run);
    if tables.ended_by().iter().any(|(_, ended)| ended.is_some()) {
        return Ok(());
    }
    for (said, (position, unit)) in header.said.iter_mut().zip(&header.header.units) {
        *said = Said::now(&chain::words_of(unit)?)?;
        connection.execute(
            "UPDATE unit SET salt = ?, said = ? WHERE run = ? AND position = ?",
            (&said.salt, &said.digest, run, position.as_str()),
        )?;
    }
    let counted = [
        tables.readings.rows.len(),
        tables.traces.rows.len(),
        tables.gaps.rows.len(),
        tables.events.rows.len(),
        tables.evidence.rows.len(),
    ]
    .iter()
    .sum::<usize>() as i64;
    let readings = tables.readings.rows.len() as u64;
    connection.execute("UPDATE run SET sealed = ? WHERE run = ?", (counted, run))?;
    let mut digest = chain::of_header(id, &header.header, Some(counted), &header.said);
    insert::link(connection, run, chain::HEADER, digest)?;
    while let Some(entry) = tables.next_number() {
        digest = if let Some(reading) = tables.readings.take(entry) {
            chain::after(&digest, entry, Link::Reading(&reading))
        } else if let Some(trace) = tables.traces.take(entry) {
            chain::after(&digest, entry, Link::Trace(&trace))
        } else if let Some(gap) = tables.gaps.take(entry) {
            chain::after(&digest, entry, Link::Gap(&gap))
        } else if let Some((event, said)) = tables.events.take(entry) {
            let said = said.map(|_| Said::now(event.text.as_bytes())).transpose()?;
            if let Some(said) = &said {
                connection.execute(
                    "UPDATE event SET salt = ?, said = ? WHERE run = ? AND entry = ?",
                    (&said.salt, &said.digest, run, entry),
                )?;
            }
            chain::after(&digest, entry, Link::Event(&event, said.as_ref()))
        } else if let Some(row) = tables.evidence.take(entry) {
            chain::after(&digest, entry, Link::Evidence(&row))
        } else {
            break;
        };
        // Two entries of one number were never there; the second would have no link.
        if tables.next_number() == Some(entry) {
            break;
        }
        insert::link(connection, run, entry, digest)?;
    }
    let committed = tally::Committed {
        announced: true,
        entries: counted as u64,
        readings,
        digest: identity::hex(&digest),
    };
    tally::Tally::make(store, id, &committed)
        .map(|_| ())
        .map_err(|error| rusqlite::Error::ToSqlConversionFailure(error.into()))
}
