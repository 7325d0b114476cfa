//! What other processes ask of a run: accepted while its session is open, and shown in the
//! run's log from then on, whatever becomes of the process that was to hear it.
//!
//! A session is closed by its last entry. The transaction that writes it makes sure that
//! nothing asked before is left unheard, and the one that lays a request down makes sure
//! that the session is not closed. One of the two comes first; so who was told that a
//! request was accepted finds it in the log.

use crate::chain;
use crate::error::StoreError;
use model::port::Request;
use model::record::{Entry, Event, EventKind};
use model::time::{RunTime, Timestamp};
use rusqlite::{Connection, OptionalExtension, Transaction, TransactionBehavior};

/// A number, a kind, and a text where it has one.
pub(crate) type OpenRequest = (i64, String, Option<String>);

/// Lays a request down. False, and nothing is laid down, when nobody would hear it: nobody
/// writes the run, or its session is closed and only its process has not ended yet.
pub(crate) fn lay_down(
    connection: &Connection,
    run: i64,
    request: &Request,
    is_written: impl FnOnce() -> Result<bool, StoreError>,
    fail: impl Fn(&rusqlite::Error) -> StoreError,
) -> Result<bool, StoreError> {
    let transaction = Transaction::new_unchecked(connection, TransactionBehavior::Immediate)
        .map_err(|error| fail(&error))?;
    if is_closed(&transaction, run).map_err(|error| fail(&error))? || !is_written()? {
        return Ok(false);
    }
    let (kind, text) = match request {
        Request::Stop => ("stop", None),
        Request::Remark(text) => ("remark", Some(text.as_str())),
    };
    let asked = Timestamp::now().to_string();
    transaction
        .execute(
            "INSERT INTO request (run, asked, kind, text, digest) VALUES (?, ?, ?, ?, ?)",
            (
                run,
                &asked,
                kind,
                text,
                chain::of_request(&asked, kind, text),
            ),
        )
        .and_then(|_| transaction.commit())
        .map_err(|error| fail(&error))?;
    Ok(true)
}

/// Whether all that was asked of a run is what was asked: what is open has the digest that
/// was made of it, and what was taken has none any more.
pub(crate) fn are_sound(connection: &Connection, run: i64) -> rusqlite::Result<bool> {
    let mut select = connection.prepare_cached(
        "SELECT asked, kind, text, taken, digest FROM request WHERE run = ? ORDER BY request",
    )?;
    let mut rows = select.query([run])?;
    while let Some(row) = rows.next()? {
        let (asked, kind): (String, String) = (row.get(0)?, row.get(1)?);
        let text: Option<String> = row.get(2)?;
        let taken: Option<String> = row.get(3)?;
        let digest: Option<Vec<u8>> = row.get(4)?;
        let expected = taken
            .is_none()
            .then(|| chain::of_request(&asked, &kind, text.as_deref()).to_vec());
        if digest != expected {
            return Ok(false);
        }
    }
    Ok(true)
}

/// Gives those that are open the digest that they lack: see `seal.rs`.
pub(crate) fn seal(connection: &Connection) -> rusqlite::Result<()> {
    let mut select =
        connection.prepare("SELECT request, asked, kind, text FROM request WHERE taken IS NULL")?;
    let open: Vec<(i64, String, String, Option<String>)> = select
        .query_map([], |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?, row.get(3)?))
        })?
        .collect::<rusqlite::Result<_>>()?;
    for (request, asked, kind, text) in open {
        connection.execute(
            "UPDATE request SET digest = ? WHERE request = ?",
            (chain::of_request(&asked, &kind, text.as_deref()), request),
        )?;
    }
    Ok(())
}

/// Whether entries close the session that writes them.
pub(crate) fn closes(entries: &[Entry]) -> bool {
    entries
        .iter()
        .any(|entry| matches!(entry, Entry::Event(event) if event.kind == EventKind::SessionClosed))
}

/// Whether the last session of a run was closed, and none opened since.
fn is_closed(connection: &Connection, run: i64) -> rusqlite::Result<bool> {
    let last: Option<String> = connection
        .prepare_cached("SELECT kind FROM event WHERE run = ? ORDER BY entry DESC LIMIT 1")?
        .query_row([run], |row| row.get(0))
        .optional()?;
    Ok(last.is_some_and(|kind| kind == EventKind::SessionClosed.name()))
}

/// What was asked of a run and not taken yet, after the request with this number.
pub(crate) fn open_requests(
    connection: &Connection,
    run: i64,
    after: i64,
) -> rusqlite::Result<Vec<OpenRequest>> {
    connection
        .prepare_cached(
            "SELECT request, kind, text FROM request
             WHERE run = ? AND request > ? AND taken IS NULL ORDER BY request",
        )?
        .query_map((run, after), |row| {
            Ok((row.get(0)?, row.get(1)?, row.get(2)?))
        })?
        .collect()
}

/// Remarks that the run has not put into its log: its process ended before, or is about to.
/// They are told as of the last instant that is known of the run.
pub(crate) fn open_remarks(
    connection: &Connection,
    run: i64,
    at: RunTime,
) -> rusqlite::Result<Vec<Event>> {
    connection
        .prepare_cached(
            "SELECT asked, text FROM request
             WHERE run = ? AND kind = 'remark' AND taken IS NULL ORDER BY request",
        )?
        .query_map([run], |row| {
            let asked: String = row.get(0)?;
            let text: Option<String> = row.get(1)?;
            Ok(Event {
                at,
                wall: asked.parse().unwrap_or(Timestamp::UNIX_EPOCH),
                kind: EventKind::Remark,
                stage: None,
                position: None,
                text: text.unwrap_or_default(),
            })
        })?
        .collect()
}
