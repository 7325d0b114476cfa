//! The journal of a run: one writer, a commit on disk when it returns.

use crate::error::StoreError;
use crate::library::record_of;
use crate::lock::{self, Hold, Lock};
use crate::place::Place;
use crate::requests::{self, open_requests};
use crate::{Store, ballast, evidence, identity, rows, schema};
use model::port::{Journal, JournalError, Kept, Request};
use model::quantity::Bytes;
use model::record::{Entry, ReadingKey, RunHeader, RunId, RunRecord};
use model::time::{SampleRate, Timestamp};
use rusqlite::{Connection, OptionalExtension, TransactionBehavior};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// How often others are shown that the run is alive, along with what is committed.
const HEARTBEAT: Duration = Duration::from_secs(1);
/// The same where nothing is: each is then a sync of the disk by itself, and a run may wait
/// all night.
const HEARTBEAT_WHILE_WAITING: Duration = Duration::from_secs(10);

/// Writes one run at a time.
#[derive(Debug)]
pub struct Writer {
    store: Store,
    pub(crate) connection: Connection,
    run: Option<OpenRun>,
    /// The files that the connection writes.
    place: Place,
}

/// The run being written.
#[derive(Debug)]
struct OpenRun {
    run: i64,
    id: String,
    next_entry: i64,
    beat: Option<Instant>,
    /// The state of the database when the requests were last looked through.
    seen: Option<i64>,
    /// The last request handed out, and the last one marked as taken.
    given: i64,
    taken: i64,
    _lock: Lock,
}

impl Writer {
    pub(crate) fn open(store: Store) -> Result<Self, StoreError> {
        store.check_place()?;
        ballast::lay(store.folder())?;
        let connection = schema::connect(&store.database())?;
        let place = Place::with_log(store.folder());
        // What was opened is what the store was found to be.
        store.check_place()?;
        Ok(Self {
            store,
            connection,
            run: None,
            place,
        })
    }

    /// The run being written, if one is.
    #[must_use]
    pub fn run(&self) -> Option<RunId> {
        self.run.as_ref().map(|open| RunId::new(open.id.clone()))
    }

    /// Keeps the recording behind a committed reading: beside the database, on
    /// disk when this returns. Nothing is kept when the recordings of the run
    /// would come to more than `budget`.
    ///
    /// # Errors
    /// When the reading is not in the store, has evidence already, or nothing can
    /// be written.
    pub fn keep_evidence(
        &mut self,
        key: &ReadingKey,
        wav: &[u8],
        budget: Bytes,
    ) -> Result<Kept, StoreError> {
        let (run, id) = {
            let open = open_run(&mut self.run, &self.store)?;
            (open.run, open.id.clone())
        };
        let path = self.store.database();
        self.place.check()?;
        evidence::keep(
            &self.connection,
            &path,
            self.store.folder(),
            run,
            &id,
            key,
            wav,
            budget,
        )
        .map_err(|error| self.room_for(error))
    }

    /// Begins a run that is whole already, with all that it holds: either everything is on
    /// disk when this returns, or, whenever the process ends before, nothing of it is.
    ///
    /// # Errors
    /// When it cannot be written.
    pub fn keep_whole(
        &mut self,
        header: &RunHeader,
        entries: &[Entry],
    ) -> Result<RunId, StoreError> {
        self.begin_with(header, entries)
            .map_err(|error| self.room_for(error))
    }

    fn begin_with(&mut self, header: &RunHeader, entries: &[Entry]) -> Result<RunId, StoreError> {
        let path = self.store.database();
        let fail = |error: &rusqlite::Error| StoreError::database("beginning a run", &path, error);
        let base = identity::of(header)?;
        self.place.check()?;
        self.run = None;
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(|error| fail(&error))?;
        let id = free_id(&transaction, &base).map_err(|error| fail(&error))?;
        // Before the run can be seen: nobody else may take it up as a dead one.
        let lock = lock_run(&self.store, &id)?;
        let run = rows::insert_header(&transaction, &id, header).map_err(|error| fail(&error))?;
        insert_all(&transaction, &path, run, 0, entries)?;
        beat(&transaction, run).map_err(|error| fail(&error))?;
        transaction.commit().map_err(|error| fail(&error))?;
        self.run = Some(OpenRun {
            run,
            id: id.clone(),
            next_entry: entries.len() as i64,
            beat: Some(Instant::now()),
            seen: None,
            given: 0,
            taken: 0,
            _lock: lock,
        });
        Ok(RunId::new(id))
    }

    fn reopen_run(&mut self, wanted: &RunId) -> Result<RunRecord, StoreError> {
        let path = self.store.database();
        let fail = |error: &rusqlite::Error| StoreError::database("taking up a run", &path, error);
        self.place.check()?;
        let ids = crate::library::ids(&self.connection).map_err(|error| fail(&error))?;
        let id = identity::resolve(wanted.as_str(), &ids)?;
        self.run = None;
        let lock = lock_run(&self.store, &id)?;
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(|error| fail(&error))?;
        let run: i64 = transaction
            .query_row("SELECT run FROM run WHERE id = ?", [&id], |row| row.get(0))
            .map_err(|error| fail(&error))?;
        // Who asked an earlier session to stop did not mean this one.
        transaction
            .execute(
                "UPDATE request SET taken = ? WHERE run = ? AND kind = 'stop' AND taken IS NULL",
                (Timestamp::now().to_string(), run),
            )
            .and_then(|_| beat(&transaction, run))
            .map_err(|error| fail(&error))?;
        let next_entry = transaction
            .query_row(
                "SELECT 1 + max(
                    coalesce((SELECT max(entry) FROM reading WHERE run = ?1), -1),
                    coalesce((SELECT max(entry) FROM trace WHERE run = ?1), -1),
                    coalesce((SELECT max(entry) FROM gap WHERE run = ?1), -1),
                    coalesce((SELECT max(entry) FROM event WHERE run = ?1), -1))",
                [run],
                |row| row.get(0),
            )
            .map_err(|error| fail(&error))?;
        let record = record_of(&transaction, &path, run, &id)?;
        let kept = evidence::kept_hashes(&transaction, run).map_err(|error| fail(&error))?;
        transaction.commit().map_err(|error| fail(&error))?;
        evidence::sweep(self.store.folder(), &id, &kept)?;
        self.run = Some(OpenRun {
            run,
            id,
            next_entry,
            beat: Some(Instant::now()),
            seen: None,
            given: 0,
            taken: 0,
            _lock: lock,
        });
        Ok(record)
    }

    fn write_entries(&mut self, entries: &[Entry]) -> Result<(), StoreError> {
        let path = self.store.database();
        let fail = |error: &rusqlite::Error| StoreError::database("a commit", &path, error);
        let open = open_run(&mut self.run, &self.store)?;
        self.place.check()?;
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(|error| fail(&error))?;
        if requests::closes(entries) {
            let unheard =
                open_requests(&transaction, open.run, open.given).map_err(|error| fail(&error))?;
            if !unheard.is_empty() {
                return Err(StoreError::Unheard);
            }
        }
        insert_all(&transaction, &path, open.run, open.next_entry, entries)?;
        let beats = open.beat.is_none_or(|last| last.elapsed() >= HEARTBEAT);
        if beats {
            beat(&transaction, open.run).map_err(|error| fail(&error))?;
        }
        if open.given > open.taken {
            transaction
                .prepare_cached(
                    "UPDATE request SET taken = ?
                     WHERE run = ? AND request <= ? AND taken IS NULL",
                )
                .and_then(|mut update| {
                    update.execute((Timestamp::now().to_string(), open.run, open.given))
                })
                .map_err(|error| fail(&error))?;
        }
        transaction.commit().map_err(|error| fail(&error))?;
        // Nobody will find what was committed to a file that has gone meanwhile.
        self.place.check()?;
        open.next_entry += entries.len() as i64;
        open.taken = open.given;
        if beats {
            open.beat = Some(Instant::now());
        }
        Ok(())
    }

    fn take_requests(&mut self) -> Result<Vec<Request>, StoreError> {
        let path = self.store.database();
        let fail =
            |error: &rusqlite::Error| StoreError::database("looking for requests", &path, error);
        let open = open_run(&mut self.run, &self.store)?;
        self.place.check()?;
        if open
            .beat
            .is_none_or(|last| last.elapsed() >= HEARTBEAT_WHILE_WAITING)
        {
            beat(&self.connection, open.run).map_err(|error| fail(&error))?;
            open.beat = Some(Instant::now());
        }
        // Changes when another connection has committed something: the cheap way to
        // know that nobody asked for anything.
        let state = self
            .connection
            .prepare_cached("PRAGMA data_version")
            .and_then(|mut select| select.query_row([], |row| row.get(0)))
            .map_err(|error| fail(&error))?;
        if open.seen == Some(state) {
            return Ok(Vec::new());
        }
        let found =
            open_requests(&self.connection, open.run, open.given).map_err(|error| fail(&error))?;
        open.seen = Some(state);
        let mut requests = Vec::new();
        for (number, kind, text) in found {
            // Marked as taken by the next commit, together with what came of it: a
            // remark is not lost when the process ends in between.
            open.given = number;
            match (kind.as_str(), text) {
                ("stop", _) => requests.push(Request::Stop),
                ("remark", Some(text)) => requests.push(Request::Remark(text)),
                _ => {
                    return Err(StoreError::Damaged {
                        path,
                        detail: format!("request {number} is of the unknown kind \"{kind}\""),
                    });
                }
            }
        }
        Ok(requests)
    }

    /// A full disk costs the ballast, so that what comes next has room: that of this store,
    /// and not of one in its place.
    fn room_for(&self, error: StoreError) -> StoreError {
        match self.place.check() {
            Ok(()) => ballast::yield_to(error, self.store.folder()),
            Err(gone) => gone,
        }
    }

    fn failed(&self, error: StoreError) -> JournalError {
        self.room_for(error).into()
    }
}

/// Puts entries into a run, numbered from `first` on.
fn insert_all(
    transaction: &Connection,
    path: &Path,
    run: i64,
    first: i64,
    entries: &[Entry],
) -> Result<(), StoreError> {
    for (number, entry) in (first..).zip(entries) {
        rows::insert(transaction, run, number, entry).map_err(|error| {
            if is_doubled(&error) {
                StoreError::Doubled(describe(entry))
            } else {
                StoreError::database("a commit", path, &error)
            }
        })?;
    }
    Ok(())
}

impl Journal for Writer {
    fn begin(&mut self, header: &RunHeader) -> Result<RunId, JournalError> {
        self.begin_with(header, &[])
            .map_err(|error| self.failed(error))
    }
    fn reopen(&mut self, run: &RunId) -> Result<RunRecord, JournalError> {
        self.reopen_run(run).map_err(|error| self.failed(error))
    }
    fn write(&mut self, entries: &[Entry]) -> Result<(), JournalError> {
        self.write_entries(entries).map_err(|error| {
            // Nothing stands for what was handed out: it is handed out again.
            if let Some(open) = &mut self.run {
                open.given = open.taken;
                open.seen = None;
            }
            self.failed(error)
        })
    }
    fn requests(&mut self) -> Result<Vec<Request>, JournalError> {
        self.take_requests().map_err(|error| self.failed(error))
    }
    fn keep_recording(
        &mut self,
        key: &ReadingKey,
        samples: &[f32],
        rate: SampleRate,
        budget: Bytes,
    ) -> Result<Kept, JournalError> {
        let wav = evidence::wav(samples, rate)
            .map_err(|error| JournalError::Failed(format!("a recording: {error}")))?;
        self.keep_evidence(key, &wav, budget)
            .map_err(|error| self.failed(error))
    }
}

fn open_run<'a>(
    run: &'a mut Option<OpenRun>,
    store: &Store,
) -> Result<&'a mut OpenRun, StoreError> {
    run.as_mut().ok_or_else(|| StoreError::Failed {
        attempted: "writing".into(),
        path: store.database(),
        detail: "no run has been begun or taken up".into(),
    })
}

/// The file that stands for the writing of a run.
pub(crate) fn lock_file(store: &Store, id: &str) -> PathBuf {
    store.folder().join("locks").join(format!("run-{id}.lock"))
}

fn lock_run(store: &Store, id: &str) -> Result<Lock, StoreError> {
    let path = lock_file(store, id);
    lock::take(&path, Hold::Alone, lock::MOMENT)?.ok_or_else(|| StoreError::InUse {
        what: format!("run {id}"),
        holder: lock::holder(&path),
        advice: "it is being written there; wait for it to end, or stop it",
    })
}

/// The identifier itself, or with the first ordinal that is free.
fn free_id(connection: &Connection, base: &str) -> rusqlite::Result<String> {
    let mut taken = connection.prepare("SELECT 1 FROM run WHERE id = ?")?;
    let mut id = base.to_owned();
    let mut ordinal = 1;
    while taken.exists([&id])? {
        ordinal += 1;
        id = format!("{base}-{ordinal}");
    }
    Ok(id)
}

fn beat(connection: &Connection, run: i64) -> rusqlite::Result<()> {
    connection
        .prepare_cached(
            "INSERT INTO heartbeat (run, at, process) VALUES (?1, ?2, ?3)
             ON CONFLICT (run) DO UPDATE SET at = ?2, process = ?3",
        )?
        .execute((run, Timestamp::now().to_string(), std::process::id()))
        .map(|_| ())
}

pub(crate) fn is_doubled(error: &rusqlite::Error) -> bool {
    use rusqlite::ffi::{SQLITE_CONSTRAINT_PRIMARYKEY, SQLITE_CONSTRAINT_UNIQUE};
    error.sqlite_error().is_some_and(|error| {
        matches!(
            error.extended_code,
            SQLITE_CONSTRAINT_UNIQUE | SQLITE_CONSTRAINT_PRIMARYKEY
        )
    })
}

/// Says which reading or piece of a hold it is, counting as people do.
fn describe(entry: &Entry) -> String {
    match entry {
        Entry::Reading(reading) => describe_key(&reading.key),
        Entry::Trace(trace) => format!(
            "stage {}, piece {} of the hold, position {}",
            trace.stage + 1,
            u64::from(trace.chunk) + 1,
            trace.position
        ),
        Entry::Gap(_) | Entry::Event(_) => "an entry of this number".to_owned(),
    }
}

pub(crate) fn describe_key(key: &ReadingKey) -> String {
    format!(
        "stage {}, round {}, note {}, repeat {}, attempt {}, position {}",
        u32::from(key.stage) + 1,
        u64::from(key.round) + 1,
        u32::from(key.slot) + 1,
        u32::from(key.repeat) + 1,
        u32::from(key.attempt) + 1,
        key.position
    )
}

/// The number of a run in the tables.
pub(crate) fn run_number(connection: &Connection, id: &str) -> rusqlite::Result<Option<i64>> {
    connection
        .query_row("SELECT run FROM run WHERE id = ?", [id], |row| row.get(0))
        .optional()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_run_that_waits_shows_that_it_lives() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(folder.path()).unwrap();
        let mut writer = store.writer().unwrap();
        let header = RunHeader {
            plan_text: "plan".into(),
            rig_text: "rig".into(),
            units: Default::default(),
            program_version: "1".into(),
            seed: None,
            began: Timestamp::UNIX_EPOCH,
        };
        writer.begin(&header).unwrap();
        let library = store.library().unwrap();
        let heartbeat = || library.runs().unwrap()[0].heartbeat.unwrap();
        let first = heartbeat();
        writer.requests().unwrap();
        assert_eq!(heartbeat(), first, "not at every look");
        let long_ago = Instant::now().checked_sub(HEARTBEAT_WHILE_WAITING);
        writer.run.as_mut().unwrap().beat = long_ago;
        writer.requests().unwrap();
        assert!(heartbeat() > first);
    }
}
