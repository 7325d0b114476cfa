//! Reading runs, also while they are being written.

use crate::error::StoreError;
use crate::read_only::ReadOnly;
use crate::rows::{self, RowError};
use crate::writer::{lock_file, run_number};
use crate::{Store, evidence, identity, lock, requests, schema};
use jiff::SignedDuration;
use model::port::Request;
use model::record::{EventKind, ReadingKey, RunHeader, RunId, RunRecord};
use model::time::{RunTime, Timestamp};
use rusqlite::{Connection, OptionalExtension};
use std::path::Path;

/// How old the last sign of life of a run in progress may be where locks do not tell:
/// clocks of two machines differ, and a disk of another one is slow to show.
const ALIVE_WITHIN: SignedDuration = SignedDuration::from_secs(120);

/// Reads all runs of a store and passes requests to those in progress.
#[derive(Debug)]
pub struct Library {
    store: Store,
    connection: Connection,
}

/// How a run stands.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// All stages are done.
    Complete,
    /// A living process is writing it.
    InProgress,
    /// It was laid down before its end and can be resumed.
    Stopped,
}

/// How much a run holds.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Counts {
    /// Readings, every attempt.
    pub readings: u64,
    /// Pieces of holds.
    pub traces: u64,
    /// Gaps.
    pub gaps: u64,
    /// Events.
    pub events: u64,
}

/// A run in a list of runs.
#[derive(Debug, Clone, PartialEq)]
pub struct RunSummary {
    /// Its identifier.
    pub id: RunId,
    /// What it was begun with.
    pub header: RunHeader,
    /// SHA-256 of the plan, in hexadecimal digits.
    pub plan_sha256: String,
    /// SHA-256 of the rig, in hexadecimal digits.
    pub rig_sha256: String,
    /// How it stands.
    pub standing: Standing,
    /// When its writer last gave a sign of life, by the wall clock: every ten
    /// seconds, when it only waits too. A run in progress whose last sign is
    /// minutes old hangs.
    pub heartbeat: Option<Timestamp>,
    /// How much it holds.
    pub counts: Counts,
    /// The last instant anything kept speaks of.
    pub last_instant: RunTime,
}

impl Library {
    pub(crate) fn open(store: Store) -> Result<Self, StoreError> {
        // Opening another one's would work its log off.
        store.check_place()?;
        let connection = match store.reading() {
            None => schema::connect(&store.database())?,
            Some(reading) => reading.connect(store.folder())?,
        };
        store.check_place()?;
        Ok(Self { store, connection })
    }

    /// All runs, in the order in which they were begun.
    ///
    /// # Errors
    /// When the store cannot be read or makes no sense.
    pub fn runs(&self) -> Result<Vec<RunSummary>, StoreError> {
        self.consistently(|| {
            let ids = ids(&self.connection).map_err(|error| self.failed(&error))?;
            ids.iter().map(|id| self.summary(id)).collect()
        })
    }

    /// The run with this identifier or this beginning of one, in a list's form.
    ///
    /// # Errors
    /// When there is no such run, or several, or the store cannot be read.
    pub fn summary_of(&self, run: &str) -> Result<RunSummary, StoreError> {
        self.consistently(|| self.summary(&self.resolve(run)?))
    }

    /// Everything kept of the run with this identifier or this beginning of one,
    /// as of one moment. A remark that was accepted and that the run has not taken up, as
    /// its process was killed, stands at the end of what happened.
    ///
    /// # Errors
    /// When there is no such run, or several, or the store cannot be read.
    pub fn run(&self, run: &str) -> Result<RunRecord, StoreError> {
        self.consistently(|| {
            let id = self.resolve(run)?;
            let number = self.number(&id)?;
            let mut record = record_of(&self.connection, &self.store.database(), number, &id)?;
            let remarks = requests::open_remarks(&self.connection, number, record.last_instant())
                .map_err(|error| self.failed(&error))?;
            record.events.extend(remarks);
            Ok(record)
        })
    }

    /// Asks something of a run in progress. It will see it between two notes, and within a
    /// second while it waits. A remark is in the run's log from then on.
    ///
    /// # Errors
    /// [`StoreError::NotInProgress`] when nobody is writing the run, or its session is
    /// closed already; when the store can only
    /// be read; else as [`Library::run`].
    pub fn request(&self, run: &str, request: &Request) -> Result<RunId, StoreError> {
        self.store.for_writing()?;
        let id = self.resolve(run)?;
        let number = self.number(&id)?;
        self.store.check_place()?;
        let accepted = requests::lay_down(
            &self.connection,
            number,
            request,
            || Ok(lock::is_held(&lock_file(&self.store, &id))),
            |error| StoreError::database("a request", &self.store.database(), error),
        )?;
        if !accepted {
            return Err(StoreError::NotInProgress(id));
        }
        Ok(RunId::new(id))
    }

    /// The recording behind a reading, if one was kept.
    ///
    /// # Errors
    /// When it was kept and is gone, or is not what it was.
    pub fn evidence(&self, run: &str, key: &ReadingKey) -> Result<Option<Vec<u8>>, StoreError> {
        self.consistently(|| {
            let id = self.resolve(run)?;
            let number = self.number(&id)?;
            match evidence::hash_of(&self.connection, number, key) {
                Ok(Some(hash)) => evidence::fetch(self.store.folder(), &id, &hash).map(Some),
                Ok(None) => Ok(None),
                Err(error) => Err(self.failed(&error)),
            }
        })
    }

    /// Runs several queries on the store as it is at one moment.
    fn consistently<T>(
        &self,
        read: impl FnOnce() -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        let _snapshot = self
            .connection
            .unchecked_transaction()
            .map_err(|error| self.failed(&error))?;
        let read = read();
        match self.store.reading() {
            // Without locks, pages of two moments may have been read, and may make no sense.
            Some(reading) if !reading.is_unchanged(self.store.folder()) => {
                Err(StoreError::Changing {
                    folder: self.store.folder().to_owned(),
                })
            }
            _ => self.store.check_place().and(read),
        }
    }

    fn resolve(&self, run: &str) -> Result<String, StoreError> {
        let ids = ids(&self.connection).map_err(|error| self.failed(&error))?;
        identity::resolve(run, &ids)
    }

    fn number(&self, id: &str) -> Result<i64, StoreError> {
        run_number(&self.connection, id)
            .map_err(|error| self.failed(&error))?
            .ok_or_else(|| StoreError::NoSuchRun(format!("there is no run {id}")))
    }

    fn failed(&self, error: &rusqlite::Error) -> StoreError {
        StoreError::database("reading the store", &self.store.database(), error)
    }

    fn summary(&self, id: &str) -> Result<RunSummary, StoreError> {
        let run = self.number(id)?;
        let header = rows::header(&self.connection, run)
            .map_err(|error| damaged(&self.store.database(), id, "its header", error))?;
        let counted = self.counted(run).map_err(|error| self.failed(&error))?;
        let heartbeat = counted.heartbeat.and_then(|text| text.parse().ok());
        let standing = if counted.complete {
            Standing::Complete
        } else if self.is_being_written(id, heartbeat) {
            Standing::InProgress
        } else {
            Standing::Stopped
        };
        Ok(RunSummary {
            id: RunId::new(id),
            plan_sha256: identity::sha256(header.plan_text.as_bytes()),
            rig_sha256: identity::sha256(header.rig_text.as_bytes()),
            header,
            standing,
            heartbeat,
            counts: counted.counts,
            last_instant: RunTime::from_nanoseconds(counted.last),
        })
    }

    /// Whether a living process writes a run. What another machine holds locked cannot be
    /// seen; but whoever writes gives a sign of life every ten seconds at least, by a clock
    /// that may be a little off.
    fn is_being_written(&self, id: &str, heartbeat: Option<Timestamp>) -> bool {
        let locks_tell = self.store.reading().is_none_or(ReadOnly::locks_tell);
        let recent = |beat: Timestamp| Timestamp::now().duration_since(beat).abs() < ALIVE_WITHIN;
        lock::is_held(&lock_file(&self.store, id)) || (!locks_tell && heartbeat.is_some_and(recent))
    }

    fn counted(&self, run: i64) -> rusqlite::Result<Counted> {
        let of = |sql: &str| -> rusqlite::Result<(u64, Option<i64>)> {
            let mut select = self.connection.prepare_cached(sql)?;
            select.query_row([run], |row| {
                Ok((row.get::<_, i64>(0)?.unsigned_abs(), row.get(1)?))
            })
        };
        let (readings, last_reading) =
            of("SELECT count(*), max(end_ns) FROM reading WHERE run = ?")?;
        let (traces, last_trace) = of("SELECT count(*), max(end_ns) FROM trace WHERE run = ?")?;
        let (gaps, _) = of("SELECT count(*), NULL FROM gap WHERE run = ?")?;
        let (events, last_event) = of("SELECT count(*), max(at_ns) FROM event WHERE run = ?")?;
        let complete = self
            .connection
            .prepare_cached("SELECT 1 FROM event WHERE run = ? AND kind = ?")?
            .exists((run, EventKind::RunEnded.name()))?;
        let heartbeat = self
            .connection
            .query_row("SELECT at FROM heartbeat WHERE run = ?", [run], |row| {
                row.get(0)
            })
            .optional()?;
        Ok(Counted {
            counts: Counts {
                readings,
                traces,
                gaps,
                events,
            },
            // Nothing kept yet: the run's own beginning.
            last: [last_reading, last_trace, last_event]
                .into_iter()
                .flatten()
                .max()
                .unwrap_or(0),
            complete,
            heartbeat,
        })
    }
}

struct Counted {
    counts: Counts,
    last: i64,
    complete: bool,
    heartbeat: Option<String>,
}

/// The identifiers of all runs, in the order in which they were begun.
pub(crate) fn ids(connection: &Connection) -> rusqlite::Result<Vec<String>> {
    connection
        .prepare_cached("SELECT id FROM run ORDER BY run")?
        .query_map([], |row| row.get(0))?
        .collect()
}

/// Everything kept of a run. The caller sees to it that it is of one moment.
pub(crate) fn record_of(
    connection: &Connection,
    path: &Path,
    run: i64,
    id: &str,
) -> Result<RunRecord, StoreError> {
    let damaged = |what: &'static str| move |error| damaged(path, id, what, error);
    Ok(RunRecord {
        id: RunId::new(id),
        header: rows::header(connection, run).map_err(damaged("its header"))?,
        readings: rows::readings(connection, run).map_err(damaged("its readings"))?,
        traces: rows::traces(connection, run).map_err(damaged("its holds"))?,
        gaps: rows::gaps(connection, run).map_err(damaged("its gaps"))?,
        events: rows::events(connection, run).map_err(damaged("its events"))?,
    })
}

fn damaged(path: &Path, id: &str, what: &str, error: RowError) -> StoreError {
    let place = format!("run {id}, {what}");
    match error {
        RowError::Impossible { column, detail } => StoreError::Damaged {
            path: path.to_owned(),
            detail: format!("{place}, column {column}: {detail}"),
        },
        // A value of the wrong type or size is damage too, not a failure of the disk.
        RowError::Database(error) if error.sqlite_error().is_none() => StoreError::Damaged {
            path: path.to_owned(),
            detail: format!("{place}: {error}"),
        },
        RowError::Database(error) => StoreError::database("reading the store", path, &error),
    }
}
