//! Reading runs, also while they are being written.

use crate::error::StoreError;
use crate::gate::{self, Aim, Damage, Seen, Survey};
use crate::read_only::ReadOnly;
use crate::writer::lock_file;
use crate::{Store, evidence, identity, lock, requests, schema, tally};
use jiff::SignedDuration;
use model::port::Request;
use model::record::{PositionId, ReadingKey, RunHeader, RunId, RunRecord};
use model::time::{RunTime, Timestamp};
use rusqlite::Connection;
use std::cell::RefCell;
use std::collections::BTreeMap;

/// How old the last sign of life of a run in progress may be where locks do not tell:
/// clocks of two machines differ, and a disk of another one is slow to show.
const ALIVE_WITHIN: SignedDuration = SignedDuration::from_secs(120);

/// Reads all runs of a store and passes requests to those in progress.
#[derive(Debug)]
pub struct Library {
    pub(crate) store: Store,
    pub(crate) connection: Connection,
    recordings: RefCell<Option<Recordings>>,
}

/// The recordings of the run that was asked for last.
#[derive(Debug)]
struct Recordings {
    /// As it was asked for.
    asked: String,
    id: RunId,
    /// The state of the database, as far as others change it.
    state: i64,
    hashes: BTreeMap<ReadingKey, String>,
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
    /// The positions whose supplies were sent off without a confirmation.
    pub may_still_be_on: Vec<PositionId>,
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
        Ok(Self {
            store,
            connection,
            recordings: RefCell::new(None),
        })
    }

    /// All runs, in the order in which they were begun.
    ///
    /// # Errors
    /// When the store cannot be read or one of them is damaged.
    pub fn runs(&self) -> Result<Vec<RunSummary>, StoreError> {
        self.list()?.into_iter().collect()
    }

    /// All runs, in the order in which they were begun, and of those that are damaged
    /// [`StoreError::DamagedRun`]; at the end those that are lost.
    ///
    /// # Errors
    /// When the store cannot be read.
    pub fn list(&self) -> Result<Vec<Result<RunSummary, StoreError>>, StoreError> {
        let survey = Survey::of(&self.connection, &self.store)?;
        self.consistently(|| {
            let runs = survey
                .runs(&self.connection)
                .map_err(|error| self.failed(&error))?;
            let mut list = Vec::new();
            for (run, id, found) in &runs {
                list.push(match self.seen(*run, id, found) {
                    Ok(seen) => self.summary(*run, seen),
                    Err(damaged @ StoreError::DamagedRun { .. }) => Err(damaged),
                    Err(other) => return Err(other),
                });
            }
            let lost = survey.lost(&runs, &self.store.database());
            list.extend(lost.into_iter().map(|(_, lost)| Err(lost)));
            Ok(list)
        })
    }

    /// The run with this identifier or this beginning of one, in a list's form.
    ///
    /// # Errors
    /// When there is no such run, or several, or the store cannot be read.
    pub fn summary_of(&self, run: &str) -> Result<RunSummary, StoreError> {
        self.on(run, |number, seen| self.summary(number, seen))
    }

    /// Everything kept of the run with this identifier or this beginning of one,
    /// as of one moment. A remark that was accepted and that the run has not taken up, as
    /// its process was killed, stands at the end of what happened.
    ///
    /// # Errors
    /// When there is no such run, or several, or it is damaged, or the store cannot be read.
    pub fn run(&self, run: &str) -> Result<RunRecord, StoreError> {
        let path = self.store.database();
        self.on(run, |number, seen| {
            let mut record = seen.whole(&path)?.record;
            let remarks = requests::open_remarks(&self.connection, number, record.last_instant())
                .map_err(|error| self.failed(&error))?;
            record.events.extend(remarks);
            Ok(record)
        })
    }

    /// The same of a run that may be damaged: what of it is sound, from its beginning on, and
    /// what is wrong with it.
    ///
    /// # Errors
    /// As [`Library::run`]; [`StoreError::DamagedRun`] only where nothing of it is sound.
    pub fn sound_part(&self, run: &str) -> Result<(RunRecord, Option<Damage>), StoreError> {
        self.on(run, |_, seen| Ok((seen.record, seen.damage)))
    }

    /// Reads a run, and makes something of it at the same moment.
    fn on<T>(
        &self,
        run: &str,
        make: impl FnOnce(i64, Seen) -> Result<T, StoreError>,
    ) -> Result<T, StoreError> {
        let path = self.store.database();
        let aim = Aim::at(&self.connection, &self.store, run)?;
        self.consistently(|| {
            let number = aim.number(&self.connection, &path)?;
            make(number, self.seen(number, &aim.id, &aim.tally)?)
        })
    }

    /// Every run as far as it is sound, whatever its tally says.
    pub(crate) fn all_seen(&self) -> Result<Vec<Seen>, StoreError> {
        self.consistently(|| {
            let runs = gate::runs(&self.connection).map_err(|error| self.failed(&error))?;
            let mut all = Vec::new();
            for (run, id) in runs {
                match self.seen(run, &id, &tally::Found::Missing) {
                    Ok(seen) => all.push(seen),
                    Err(StoreError::DamagedRun { .. }) => {}
                    Err(other) => return Err(other),
                }
            }
            Ok(all)
        })
    }

    pub(crate) fn seen(
        &self,
        run: i64,
        id: &str,
        known: &tally::Found,
    ) -> Result<Seen, StoreError> {
        gate::see(&self.connection, &self.store.database(), run, id, known)
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
        let aim = Aim::at(&self.connection, &self.store, run)?;
        let number = aim.number(&self.connection, &self.store.database())?;
        let id = aim.id;
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

    /// The recording behind a reading, if one was kept; of a damaged run, if it is in the
    /// part that is sound.
    ///
    /// # Errors
    /// When it was kept and is gone, or is not what it was.
    pub fn evidence(&self, run: &str, key: &ReadingKey) -> Result<Option<Vec<u8>>, StoreError> {
        let state = self
            .connection
            .pragma_query_value(None, "data_version", |row| row.get(0))
            .map_err(|error| self.failed(&error))?;
        let mut kept = self.recordings.borrow_mut();
        if kept
            .as_ref()
            .is_none_or(|kept| kept.state != state || kept.asked != run)
        {
            let (id, rows) = self.on(run, |_, seen| Ok((seen.record.id, seen.evidence)))?;
            *kept = Some(Recordings {
                asked: run.to_owned(),
                id,
                state,
                hashes: rows.into_iter().map(|row| (row.key, row.sha256)).collect(),
            });
        }
        kept.as_ref()
            .and_then(|kept| Some((kept.id.as_str(), kept.hashes.get(key)?)))
            .map(|(id, hash)| evidence::fetch(self.store.folder(), id, hash))
            .transpose()
    }

    /// Runs several queries on the store as it is at one moment.
    pub(crate) fn consistently<T>(
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

    pub(crate) fn failed(&self, error: &rusqlite::Error) -> StoreError {
        StoreError::database("reading the store", &self.store.database(), error)
    }

    fn summary(&self, run: i64, seen: Seen) -> Result<RunSummary, StoreError> {
        let record = seen.whole(&self.store.database())?.record;
        // What cannot be read is no sign of life.
        let heartbeat = self
            .connection
            .query_row("SELECT at FROM heartbeat WHERE run = ?", [run], |row| {
                row.get::<_, String>(0)
            })
            .ok()
            .and_then(|text| text.parse().ok());
        let standing = if record.is_complete() {
            Standing::Complete
        } else if self.is_being_written(record.id.as_str(), heartbeat) {
            Standing::InProgress
        } else {
            Standing::Stopped
        };
        let count = |rows: usize| rows as u64;
        Ok(RunSummary {
            plan_sha256: identity::sha256(record.header.plan_text.as_bytes()),
            rig_sha256: identity::sha256(record.header.rig_text.as_bytes()),
            standing,
            heartbeat,
            counts: Counts {
                readings: count(record.readings.len()),
                traces: count(record.traces.len()),
                gaps: count(record.gaps.len()),
                events: count(record.events.len()),
            },
            last_instant: record.last_instant(),
            may_still_be_on: record.may_still_be_on().into_keys().collect(),
            id: record.id,
            header: record.header,
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
}
