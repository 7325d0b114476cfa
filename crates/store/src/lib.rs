//! Journal and library of runs, in SQLite.
//!
//! A store is a folder. In it: one database (`nightbench.sqlite`, in write-ahead
//! logging with `synchronous=FULL`, so that a commit survives a power cut), the
//! audio behind readings (`evidence/`), the locks of runs being written
//! (`locks/`) and a small ballast file that is given up when the disk fills, so
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

mod ballast;
mod error;
mod evidence;
#[cfg_attr(not(target_os = "linux"), allow(dead_code))]
mod file_system;
mod folder;
mod identity;
mod library;
mod lock;
mod rows;
mod schema;
mod writer;

pub use error::StoreError;
pub use library::{Counts, Library, RunSummary, Standing};
pub use lock::{RigLock, lock_rig};
pub use writer::Writer;

use std::path::{Path, PathBuf};
use std::sync::Arc;

/// A folder that holds runs: found or made, looked over, of this program's version.
#[derive(Debug, Clone)]
pub struct Store {
    folder: PathBuf,
    /// Held (shared) as long as anything of the store is in use, so that nobody
    /// migrates it meanwhile.
    _in_use: Arc<lock::Lock>,
}

impl Store {
    /// Opens the store in a folder; makes the folder and an empty store where
    /// there is none. A store of an older version is copied
    /// (`nightbench.v1.sqlite`) and then brought up to date.
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
        if schema::is_there(folder) {
            Self::open(folder)
        } else {
            Err(StoreError::NoStore {
                folder: folder.to_owned(),
            })
        }
    }

    fn open_with(folder: &Path, steps: &[&str]) -> Result<Self, StoreError> {
        folder::prepare(folder)?;
        let in_use = schema::bring_up(folder, steps)?;
        Ok(Self {
            folder: folder.to_owned(),
            _in_use: Arc::new(in_use),
        })
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
        Writer::open(self.clone())
    }

    /// A reader of all runs, also of one that is being written.
    ///
    /// # Errors
    /// When the database cannot be opened.
    pub fn library(&self) -> Result<Library, StoreError> {
        Library::open(self.clone())
    }

    fn database(&self) -> PathBuf {
        schema::database(&self.folder)
    }
}
