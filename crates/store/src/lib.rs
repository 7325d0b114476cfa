//! Journal and library of runs, in SQLite.
//!
//! A store is a folder. In it: one database (`nightbench.sqlite`, in write-ahead
//! logging with `synchronous=FULL`, so that a commit survives a power cut), a
//! file for each run that says how much of it was committed (`tally/`), the audio behind
//! readings (`evidence/`), the locks of runs being written (`locks/`) and a small ballast file that is given up when the disk fills, so
//! that the end of a run can still be recorded. Logs do not belong here.
//!
//! [`Writer`] is the [`model::port::Journal`] of one run at a time; any number of
//! [`Library`] readers, in this process or others, look on meanwhile.
//!
//! ```
//! # fn main() -> Result<(), Box<dyn std::error::Error>> {
//! # let folder = tempfile::tempdir()?;
//! use model::port::Journal;
//! use model::record::{Entry, Gap, RunHeader};
//! use model::time::{RunTime, Timestamp};
//!
//! let store = store::Store::open(folder.path())?;
//! let mut writer = store.writer()?;
//! let run = writer.begin(&RunHeader {
//!     plan_text: "nightbench: plan 1".into(),
//!     rig_text: "nightbench: rig 1".into(),
//!     units: Default::default(),
//!     program_version: "0.1.0".into(),
//!     seed: Some(1),
//!     began: Timestamp::UNIX_EPOCH,
//! })?;
//! let gap = Gap {
//!     stage: 0, round: 0, slot: None, position: None,
//!     at: RunTime::START, reason: "the supply was off".into(),
//! };
//! model::port::commit(&mut writer, vec![Entry::Gap(gap.clone())])?;
//! assert_eq!(store.library()?.run(run.as_str())?.gaps, [gap]);
//! # Ok(())
//! # }
//! ```

#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

mod ballast;
mod chain;
mod check;
mod copy;
mod erase;
mod error;
mod evidence;
#[cfg_attr(not(target_os = "linux"), allow(dead_code))]
mod file_system;
mod folder;
mod gate;
mod identity;
mod insert;
mod library;
mod lock;
mod place;
mod plain;
mod read_only;
mod requests;
mod rig_lock;
mod room;
mod rows;
mod schema;
mod seal;
mod tally;
mod unfinished;
mod writer;

pub use check::{Checked, CheckedRun};
pub use erase::Words;
pub use error::StoreError;
pub use gate::Damage;
pub use library::{Counts, Library, RunSummary, Standing};
pub use rig_lock::{RigLock, lock_rig};
pub use room::Room;
pub use unfinished::{TemporaryFolder, Unfinished, remove_unfinished};
pub use writer::Writer;

use place::Place;
use read_only::ReadOnly;
use schema::Step;
use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A folder that holds runs: found or made, looked over, of this program's version.
#[derive(Debug, Clone)]
pub struct Store {
    folder: PathBuf,
    access: Arc<Access>,
}

/// What may be done with a store.
#[derive(Debug)]
enum Access {
    /// All. The lock is held (shared) as long as anything of the store is in use, so that
    /// nobody migrates it meanwhile.
    Full { _in_use: lock::Lock, place: Place },
    /// It can only be read.
    Reading(ReadOnly),
}

impl Store {
    /// Opens the store in a folder; makes the folder and an empty store where
    /// there is none. A store of an older version is copied
    /// (`nightbench.v2.sqlite`) and then brought up to date.
    ///
    /// # Errors
    /// When the folder cannot be made or written, lies on a network file system,
    /// holds something else under the name of the database, a damaged store, or
    /// one that a newer program wrote.
    pub fn open(folder: &Path) -> Result<Self, StoreError> {
        Self::open_with(folder, schema::STEPS)
    }

    /// Opens the store in a folder, and makes none.
    ///
    /// # Errors
    /// [`StoreError::NoStore`] when there is none, else as [`Store::open`].
    pub fn open_existing(folder: &Path) -> Result<Self, StoreError> {
        if schema::is_there(folder)? {
            Self::open(folder)
        } else {
            Err(StoreError::NoStore {
                folder: folder.to_owned(),
            })
        }
    }

    /// Opens the store in a folder for [`Store::library`] alone, and makes none. Where it
    /// can be written this is [`Store::open`]; where it cannot, since its disk is full or
    /// mounted read-only, or it is somebody else's, or another machine's, it is read all the same,
    /// as it is at this moment, and nothing in it is touched. Where its last commits are
    /// still in its log, or it is of an older version or another machine's, a copy of it is
    /// made for that among the system's temporary files.
    ///
    /// # Errors
    /// [`StoreError::NoStore`] when there is none; when something of it cannot be read, it
    /// changes again and again while it is copied, or no copy can be made; for what it holds
    /// as [`Store::open`].
    pub fn open_to_read(folder: &Path) -> Result<Self, StoreError> {
        Self::open_to_read_with(folder, schema::STEPS)
    }

    fn open_to_read_with(folder: &Path, steps: &[Step]) -> Result<Self, StoreError> {
        let folder = &plain_name(folder);
        if !schema::is_there(folder)? {
            return Err(StoreError::NoStore {
                folder: folder.to_owned(),
            });
        }
        let locks_tell = match Self::open_with(folder, steps) {
            Err(StoreError::NotWritable { .. }) => true,
            Err(StoreError::NetworkFileSystem { .. } | StoreError::UnknownFileSystem { .. }) => {
                false
            }
            // Where there is no room for the log's index, runs can be read without.
            Err(StoreError::Full { .. }) => true,
            opened => return opened,
        };
        Self::read_only(folder, steps, locks_tell)
    }

    fn read_only(folder: &Path, steps: &[Step], locks_tell: bool) -> Result<Self, StoreError> {
        let reading = ReadOnly::open(folder, steps, locks_tell)?;
        Ok(Self {
            folder: folder.to_owned(),
            access: Arc::new(Access::Reading(reading)),
        })
    }

    fn open_with(folder: &Path, steps: &[Step]) -> Result<Self, StoreError> {
        let folder = &plain_name(folder);
        folder::prepare(folder)?;
        let in_use =
            schema::bring_up(folder, steps).map_err(|error| ballast::if_full(error, folder))?;
        Ok(Self {
            folder: folder.to_owned(),
            access: Arc::new(Access::Full {
                _in_use: in_use,
                place: Place::of_database(folder),
            }),
        })
    }

    /// Whether it was opened to be read only, because it cannot be written.
    #[must_use]
    pub fn is_read_only(&self) -> bool {
        self.reading().is_some()
    }

    fn reading(&self) -> Option<&ReadOnly> {
        match &*self.access {
            Access::Full { .. } => None,
            Access::Reading(reading) => Some(reading),
        }
    }

    /// Makes sure that what is under the names of the store is still what was opened.
    fn check_place(&self) -> Result<(), StoreError> {
        match &*self.access {
            Access::Full { place, .. } => place.check(),
            Access::Reading(_) => Ok(()),
        }
    }

    /// Refuses what a store that is only read cannot do.
    fn for_writing(&self) -> Result<(), StoreError> {
        if self.is_read_only() {
            return Err(StoreError::NotWritable {
                folder: self.folder.clone(),
                detail: "it was opened to be read only".to_owned(),
            });
        }
        Ok(())
    }

    /// The folder.
    #[must_use]
    pub fn folder(&self) -> &Path {
        &self.folder
    }

    /// A journal to write a run with.
    ///
    /// # Errors
    /// When the database cannot be opened for writing.
    pub fn writer(&self) -> Result<Writer, StoreError> {
        self.for_writing()?;
        Writer::open(self.clone())
    }

    /// A reader of all runs, also of one that is being written.
    ///
    /// # Errors
    /// When the database cannot be opened.
    pub fn library(&self) -> Result<Library, StoreError> {
        Library::open(self.clone())
    }

    /// Where the tallies are that go with what is read of the database.
    fn tallies(&self) -> &Path {
        self.reading()
            .map_or(&self.folder, |reading| reading.tallies(&self.folder))
    }

    fn database(&self) -> PathBuf {
        schema::database(&self.folder)
    }
}

/// The name of a folder in a form that is never taken for an address: what begins with
/// `file:` is one for SQLite ("URI Filenames" in its documentation).
fn plain_name(folder: &Path) -> PathBuf {
    if folder.as_os_str().as_encoded_bytes().starts_with(b"file:") {
        Path::new(".").join(folder)
    } else {
        folder.to_owned()
    }
}
