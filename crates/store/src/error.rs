//! What can go wrong with a store, said for the person at the bench.

use crate::gate::Damage;
use crate::room::Room;
use model::port::JournalError;
use std::io;
use std::path::{Path, PathBuf};

/// Room for the ballast, and for the log and its index until they are worked off. A night
/// of readings takes a few megabytes more, and recordings what the plan allows them.
const ROOM_TO_GO_ON: u64 = 10_000_000;

/// Why a store cannot do what was asked.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
pub enum StoreError {
    /// There is no store in the folder.
    #[error(
        "there is no store in {}; check the folder, or run a plan to begin one there", folder.display()
    )]
    NoStore {
        /// Which folder.
        folder: PathBuf,
    },
    /// The folder or a file in it cannot be made or written.
    #[error(
        "the store in {} cannot be written ({detail}); check the permissions of the folder and that its disk is not mounted read-only, or choose another folder; its runs can be read as they are, and to carry one on, copy the folder first", folder.display()
    )]
    NotWritable {
        /// Which folder.
        folder: PathBuf,
        /// What the system said.
        detail: String,
    },
    /// A file of it cannot be read.
    #[error(
        "{} cannot be read ({detail}); check its permissions and those of its folder", path.display()
    )]
    NotReadable {
        /// Which file.
        path: PathBuf,
        /// What the system said.
        detail: String,
    },
    /// It cannot be written, has to be copied to be read, and no copy can be made.
    #[error(
        "the store in {} cannot be written, and can be read from a copy only; no copy in {}: {detail}; have room there or name another folder in TMPDIR, or copy the whole folder of the store yourself", folder.display(), place.display()
    )]
    NoCopy {
        /// Which store.
        folder: PathBuf,
        /// Where the copy was to be.
        place: PathBuf,
        /// What the system said.
        detail: String,
    },
    /// It cannot be locked, and others write it while it is read.
    #[error(
        "the store in {} was written by somebody else while it was read, so nothing is said of it; try again, or wait until the run there has ended", folder.display()
    )]
    Changing {
        /// Which store.
        folder: PathBuf,
    },
    /// The folder is on a network file system.
    #[error(
        "the store in {} lies on a network file system ({kind}), where a commit cannot be relied on; choose a folder on a local disk; runs that are there can be read", folder.display()
    )]
    NetworkFileSystem {
        /// Which folder.
        folder: PathBuf,
        /// Which kind of file system.
        kind: String,
    },
    /// The folder is on a file system that a program serves which is not known.
    #[error(
        "the store in {} lies on a file system that a program serves ({kind}), and whether what is written there reaches a disk of this machine cannot be told; choose a folder on a local disk; runs that are there can be read", folder.display()
    )]
    UnknownFileSystem {
        /// Which folder.
        folder: PathBuf,
        /// Which kind of file system.
        kind: String,
    },
    /// The file with the name of the database is something else.
    #[error("{} is not a store of this program ({detail}); choose another folder, or move the file away", path.display())]
    NotAStore {
        /// Which file.
        path: PathBuf,
        /// What it is instead.
        detail: String,
    },
    /// A newer program wrote the store.
    #[error(
        "{} was written by a newer program (store version {found}, this program knows {known}); use that program, or another folder", path.display()
    )]
    Newer {
        /// Which file.
        path: PathBuf,
        /// The version of the store.
        found: i64,
        /// The newest version this program knows.
        known: i64,
    },
    /// What is in the file makes no sense.
    #[error(
        "{} is damaged ({detail}); copy the whole folder away before anything else, then look for an older copy of it", path.display()
    )]
    Damaged {
        /// Which file.
        path: PathBuf,
        /// Where and how.
        detail: String,
    },
    /// A run is not what was committed of it.
    #[error(
        "run {run} is damaged: {damage}; copy the whole folder {} away before anything else, then look for an older copy of it", path.parent().unwrap_or(path).display()
    )]
    DamagedRun {
        /// Which file.
        path: PathBuf,
        /// Which run.
        run: String,
        /// What is damaged, and what is not.
        damage: Box<Damage>,
    },
    /// Somebody else has it.
    #[error("{what} is in use {holder}; {advice}")]
    InUse {
        /// What is in use.
        what: String,
        /// By whom, as far as is known.
        holder: String,
        /// What to do about it.
        advice: &'static str,
    },
    /// What is under its names is not what was opened.
    #[error(
        "the store in {} is not the one that was opened ({detail}); nothing was written since that was found, and nothing is said of what is there now; what was kept before is in the files that were there, if somebody moved them", folder.display()
    )]
    Gone {
        /// Which folder.
        folder: PathBuf,
        /// Which file, and what became of it.
        detail: String,
    },
    /// No room left.
    #[error("the disk with {} is full ({detail}); free some space", path.display())]
    Full {
        /// Which file could not grow.
        path: PathBuf,
        /// What the system said.
        detail: String,
    },
    /// A session is not closed over what was asked and has not been heard.
    #[error("something was asked of the run as it ended")]
    Unheard,
    /// A reading that is there already.
    #[error("{0} is in the store already")]
    Doubled(String),
    /// There is no such run, or several.
    #[error("{0}")]
    NoSuchRun(String),
    /// The run takes no requests because nobody is running it.
    #[error("run {0} is not in progress, so nothing would heed a request to it")]
    NotInProgress(String),
    /// Anything else.
    #[error("{attempted} failed: {detail} ({})", path.display())]
    Failed {
        /// What was attempted.
        attempted: String,
        /// On which file.
        path: PathBuf,
        /// What the system said.
        detail: String,
    },
}

impl StoreError {
    /// The same of another file.
    pub(crate) fn about(self, path: &Path) -> Self {
        let path = path.to_owned();
        match self {
            Self::NotAStore { detail, .. } => Self::NotAStore { path, detail },
            Self::Newer { found, known, .. } => Self::Newer { path, found, known },
            Self::Damaged { detail, .. } => Self::Damaged { path, detail },
            Self::DamagedRun { run, damage, .. } => Self::DamagedRun { path, run, damage },
            Self::Failed {
                attempted, detail, ..
            } => Self::Failed {
                attempted,
                path,
                detail,
            },
            other => other,
        }
    }

    /// No room, on which disk, and how much would do.
    pub(crate) fn full(path: &Path, detail: &str) -> Self {
        let room = Room::at(path).map_or_else(String::new, |room| {
            format!("; {} to go on", room.against(ROOM_TO_GO_ON))
        });
        Self::Full {
            path: path.to_owned(),
            detail: format!("{detail}{room}"),
        }
    }

    /// An error of the file system.
    pub(crate) fn file(attempted: &str, path: &Path, error: &io::Error) -> Self {
        let path = path.to_owned();
        let detail = error.to_string();
        match error.kind() {
            io::ErrorKind::StorageFull | io::ErrorKind::QuotaExceeded => Self::full(&path, &detail),
            io::ErrorKind::PermissionDenied | io::ErrorKind::ReadOnlyFilesystem => {
                Self::NotWritable {
                    folder: path.parent().map_or(path.clone(), Path::to_owned),
                    detail,
                }
            }
            _ => Self::Failed {
                attempted: attempted.to_owned(),
                path,
                detail,
            },
        }
    }

    /// An error of the database.
    pub(crate) fn database(attempted: &str, path: &Path, error: &rusqlite::Error) -> Self {
        use rusqlite::ErrorCode as Code;
        let path = path.to_owned();
        let detail = error.to_string();
        match error.sqlite_error_code() {
            Some(Code::NotADatabase) => Self::NotAStore { path, detail },
            Some(Code::DatabaseCorrupt) => Self::Damaged { path, detail },
            Some(Code::DiskFull) => Self::full(&path, &detail),
            Some(Code::ReadOnly | Code::CannotOpen | Code::PermissionDenied) => Self::NotWritable {
                folder: path.parent().map_or(path.clone(), Path::to_owned),
                detail,
            },
            Some(Code::DatabaseBusy | Code::DatabaseLocked) => Self::InUse {
                what: format!("the store in {}", path.display()),
                holder: "by another program that does not let go of it".to_owned(),
                advice: "close that program and try again",
            },
            _ => Self::Failed {
                attempted: attempted.to_owned(),
                path,
                detail,
            },
        }
    }
}

impl From<StoreError> for JournalError {
    fn from(error: StoreError) -> Self {
        match error {
            StoreError::Full { path, detail } => {
                Self::Full(format!("{}: {detail}", path.display()))
            }
            StoreError::Doubled(what) => Self::Doubled(what),
            StoreError::Unheard => Self::Unheard,
            StoreError::Gone { .. } => Self::Gone(error.to_string()),
            StoreError::NoSuchRun(why) => Self::NoSuchRun(why),
            StoreError::InUse { .. } => Self::InUse(error.to_string()),
            StoreError::Damaged { .. } | StoreError::DamagedRun { .. } => {
                Self::Damaged(error.to_string())
            }
            other => Self::Failed(other.to_string()),
        }
    }
}
