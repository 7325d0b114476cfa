//! The journal of a run: one writer, a commit on disk when it returns.

use crate::error::StoreError;
use crate::gate::Aim;
use crate::lock::{self, Hold, Lock};
use crate::place::Place;
use crate::requests::{self, open_requests};
use crate::tally::{self, Tally};
use crate::{Store, ballast, chain, evidence, gate, identity, insert, schema};
use model::port::{Journal, JournalError, Kept, Request};
use model::quantity::Bytes;
use model::record::{Entry, ReadingKey, RunHeader, RunId, RunRecord};
use model::time::{SampleRate, Timestamp};
use rusqlite::{Connection, TransactionBehavior};
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
    /// Where its chain stands, and where that is kept outside the database.
    digest: chain::Digest,
    committed: tally::Committed,
    tally: Tally,
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
        self.keep_row(run, &id, key, wav, budget)
            .map_err(|error| self.room_for(error))
    }

    fn keep_row(
        &mut self,
        run: i64,
        id: &str,
        key: &ReadingKey,
        wav: &[u8],
        budget: Bytes,
    ) -> Result<Kept, StoreError> {
        let path = self.store.database();
        self.place.check()?;
        let fail = |error: &rusqlite::Error| StoreError::database("keeping evidence", &path, error);
        let used = evidence::used(&self.connection, run).map_err(|error| fail(&error))?;
        if used as f64 + wav.len() as f64 > budget.get() {
            return Ok(Kept::OverBudget);
        }
        let row = evidence::write(self.store.folder(), id, key, wav)?;
        let open = open_run(&mut self.run, &self.store)?;
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(|error| fail(&error))?;
        evidence::insert(&transaction, &path, run, open.next_entry, &row)?;
        let link = chain::Link::Evidence(&row);
        let digest = chain::after(&open.digest, open.next_entry, link);
        insert::link(&transaction, run, open.next_entry, digest)
            .and_then(|_| transaction.commit())
            .map_err(|error| fail(&error))?;
        self.place.check()?;
        open.went_on(digest, 1, 0)?;
        Ok(Kept::OnDisk)
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
        let id = free_id(&transaction, self.store.folder(), &base, &path)?;
        // Before the run can be seen: nobody else may take it up as a dead one.
        let lock = lock_run(&self.store, &id)?;
        let (run, first) =
            insert::header(&transaction, &id, header).map_err(|error| fail(&error))?;
        let digest = insert_all(&transaction, &path, run, 0, entries, first)?;
        beat(&transaction, run).map_err(|error| fail(&error))?;
        // First, so that a run without one has lost it.
        let begun = tally::Committed {
            announced: false,
            entries: 0,
            readings: 0,
            digest: identity::hex(&first),
        };
        let tally = Tally::make(self.store.folder(), &id, &begun)?;
        transaction.commit().map_err(|error| fail(&error))?;
        let mut open = OpenRun {
            run,
            id: id.clone(),
            next_entry: 0,
            digest,
            committed: begun,
            tally,
            beat: Some(Instant::now()),
            seen: None,
            given: 0,
            taken: 0,
            _lock: lock,
        };
        open.went_on(digest, entries.len() as u64, gate::readings_among(entries))?;
        self.run = Some(open);
        Ok(RunId::new(id))
    }

    fn reopen_run(&mut self, wanted: &RunId) -> Result<RunRecord, StoreError> {
        let path = self.store.database();
        let fail = |error: &rusqlite::Error| StoreError::database("taking up a run", &path, error);
        self.place.check()?;
        self.run = None;
        // Locked first: nobody writes it while it is looked over.
        let aim = Aim::at(&self.connection, &self.store, wanted.as_str())?;
        let lock = lock_run(&self.store, &aim.id)?;
        let aim = Aim::at(&self.connection, &self.store, &aim.id)?;
        let transaction = self
            .connection
            .transaction_with_behavior(TransactionBehavior::Immediate)
            .map_err(|error| fail(&error))?;
        let run = aim.number(&transaction, &path)?;
        let seen = gate::see(&transaction, &path, run, &aim.id, &aim.tally)?.whole(&path)?;
        let id = aim.id;
        // Who asked an earlier session to stop did not mean this one.
        transaction
            .execute(
                "UPDATE request SET taken = ?, digest = NULL
                 WHERE run = ? AND kind = 'stop' AND taken IS NULL",
                (Timestamp::now().to_string(), run),
            )
            .and_then(|_| beat(&transaction, run))
            .map_err(|error| fail(&error))?;
        transaction.commit().map_err(|error| fail(&error))?;
        let kept = seen.evidence.iter().map(|row| row.sha256.clone());
        evidence::sweep(self.store.folder(), &id, &kept.collect())?;
        let committed = seen.committed();
        let tally = Tally::open(self.store.folder(), &id, &committed)?;
        self.run = Some(OpenRun {
            run,
            id,
            next_entry: seen.next_entry,
            digest: seen.digest,
            committed,
            tally,
            beat: Some(Instant::now()),
            seen: None,
            given: 0,
            taken: 0,
            _lock: lock,
        });
        Ok(seen.record)
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
        let digest = insert_all(
            &transaction,
            &path,
            open.run,
            open.next_entry,
            entries,
            open.digest,
        )?;
        let beats = open.beat.is_none_or(|last| last.elapsed() >= HEARTBEAT);
        if beats {
            beat(&transaction, open.run).map_err(|error| fail(&error))?;
        }
        if open.given > open.taken {
            transaction
                .prepare_cached(
                    "UPDATE request SET taken = ?, digest = NULL
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
        open.taken = open.given;
        if beats {
            open.beat = Some(Instant::now());
        }
        open.went_on(digest, entries.len() as u64, gate::readings_among(entries))
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

/// Puts entries into a run, numbered from `first` on, and gives the end of the chain.
fn insert_all(
    transaction: &Connection,
    path: &Path,
    run: i64,
    first: i64,
    entries: &[Entry],
    mut digest: chain::Digest,
) -> Result<chain::Digest, StoreError> {
    for (number, entry) in (first..).zip(entries) {
        digest = insert::entry(transaction, run, number, entry, &digest).map_err(|error| {
            if is_doubled(&error) {
                StoreError::Doubled(describe(entry))
            } else {
                StoreError::database("a commit", path, &error)
            }
        })?;
    }
    Ok(digest)
}

impl OpenRun {
    /// Takes note of what the database has on disk, and then puts that on disk, too.
    fn went_on(
        &mut self,
        digest: chain::Digest,
        entries: u64,
        readings: u64,
    ) -> Result<(), StoreError> {
        self.next_entry += entries as i64;
        self.digest = digest;
        self.committed = tally::Committed {
            announced: true,
            entries: self.committed.entries + entries,
            readings: self.committed.readings + readings,
            digest: identity::hex(&digest),
        };
        self.tally.write(&self.committed)
    }
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

/// The identifier itself, or with the first ordinal that is free: one that neither the
/// database knows nor a tally of a run that the database has lost.
fn free_id(
    connection: &Connection,
    store: &Path,
    base: &str,
    path: &Path,
) -> Result<String, StoreError> {
    let runs = gate::runs(connection)
        .map_err(|error| StoreError::database("beginning a run", path, &error))?;
    let mut id = base.to_owned();
    let mut ordinal = 1;
    while runs.iter().any(|(_, taken)| *taken == id) || is_announced(store, &id)? {
        ordinal += 1;
        id = format!("{base}-{ordinal}");
    }
    Ok(id)
}

fn is_announced(store: &Path, id: &str) -> Result<bool, StoreError> {
    Ok(match tally::look(store, id)? {
        tally::Found::Missing => false,
        tally::Found::Unreadable => true,
        tally::Found::Committed(known) => known.announced,
    })
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
