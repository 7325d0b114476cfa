//! Reading a store that cannot be written: on a read-only disk, in somebody else's folder,
//! on a file system of another machine.
//!
//! A database in write-ahead logging writes even where it is only read: it keeps shared
//! memory beside itself. Where it has no log, all that was committed is in the one file,
//! which SQLite can read as it lies without locks or shared memory (`immutable`, in "URI
//! Filenames" and in "Write-Ahead Logging, Read-Only Databases" of its documentation). It
//! then takes no notice of a writer; so it is looked after each look whether there was one.
//! Where there is a log, what was committed last is in the log alone: without it an older
//! state would be shown as if it were the last one. Then both are copied and the copy is
//! opened, which works the log off.

use crate::ballast;
use crate::error::StoreError;
use crate::lock::Lock;
use crate::plain;
use crate::schema::{self, Step};
use crate::tally;
use crate::unfinished::TemporaryFolder;
use rusqlite::{Connection, OpenFlags};
use std::fs::{File, Metadata};
use std::io::{self, Read};
use std::path::Path;
use std::time::{Duration, SystemTime};

/// How often a store that changes while it is copied is copied anew.
const TRIES: u32 = 5;
/// How long to let a writer go on before that.
const BETWEEN_TRIES: Duration = Duration::from_millis(200);

/// A folder that no disk keeps, on Linux (shm_overview(7), Linux manual pages).
const IN_MEMORY: &str = "/dev/shm";

/// A store that is only read.
#[derive(Debug)]
pub(crate) struct ReadOnly {
    held: Held,
    locks_tell: bool,
}

#[derive(Debug)]
enum Held {
    /// The file itself, and what it was when it was opened.
    AsItLies(State),
    /// A copy, which goes when this is dropped.
    Copied {
        copy: TemporaryFolder,
        _in_use: Lock,
    },
}

impl ReadOnly {
    /// Looks the store over. `locks_tell` where the locks in its folder are seen by all who
    /// may write there: on a file system of this machine.
    pub(crate) fn open(
        folder: &Path,
        steps: &[Step],
        locks_tell: bool,
    ) -> Result<Self, StoreError> {
        let path = schema::database(folder);
        schema::look_at(&path)?;
        let state = State::of(folder)?;
        // What another machine writes meanwhile shows late; a copy is made in one go.
        if locks_tell && state.log.is_none() {
            let found = schema::version_in(&as_it_lies(&path)?, &path)?;
            let known = steps.len() as i64;
            if found > known {
                return Err(StoreError::Newer { path, found, known });
            }
            // An older one has to be brought up to date, which its copy can be.
            if found == known {
                return Ok(Self {
                    held: Held::AsItLies(state),
                    locks_tell,
                });
            }
        }
        let copy = copied(folder)?;
        std::fs::create_dir(copy.path().join("locks"))
            .map_err(|error| no_copy(folder, copy.path(), "it cannot be made", &error))?;
        // The person at the bench knows the store, and not the copy.
        let in_use = schema::bring_up(copy.path(), steps).map_err(|error| error.about(&path))?;
        Ok(Self {
            held: Held::Copied {
                copy,
                _in_use: in_use,
            },
            locks_tell,
        })
    }

    pub(crate) fn connect(&self, folder: &Path) -> Result<Connection, StoreError> {
        let path = schema::database(folder);
        match &self.held {
            Held::AsItLies(_) => as_it_lies(&path),
            Held::Copied { copy, .. } => {
                schema::connect(&schema::database(copy.path())).map_err(|error| error.about(&path))
            }
        }
    }

    /// Where the tallies are that go with what is read: of a copy they were copied before.
    pub(crate) fn tallies<'a>(&'a self, folder: &'a Path) -> &'a Path {
        match &self.held {
            Held::AsItLies(_) => folder,
            Held::Copied { copy, .. } => copy.path(),
        }
    }

    /// Whether everything read so far is of the moment at which the store was opened.
    pub(crate) fn is_unchanged(&self, folder: &Path) -> bool {
        match &self.held {
            Held::AsItLies(state) => State::of(folder).is_ok_and(|now| now == *state),
            Held::Copied { .. } => true,
        }
    }

    /// Whether a lock that nobody holds means that nobody writes.
    pub(crate) const fn locks_tell(&self) -> bool {
        self.locks_tell
    }
}

/// Opens a database that has no log, without locks and without anything beside it.
fn as_it_lies(path: &Path) -> Result<Connection, StoreError> {
    let whole = std::path::absolute(path)
        .map_err(|error| StoreError::file("looking for the store", path, &error))?;
    let flags = OpenFlags::SQLITE_OPEN_READ_ONLY
        | OpenFlags::SQLITE_OPEN_NO_MUTEX
        | OpenFlags::SQLITE_OPEN_URI;
    let connection = Connection::open_with_flags(immutable(&whole), flags)
        .map_err(|error| unreadable(path, &error))?;
    connection.set_prepared_statement_cache_capacity(32);
    Ok(connection)
}

/// The address of a file that does not change: all but letters, digits and what paths are
/// full of is written as hexadecimal digits (RFC 3986, 2.1).
fn immutable(whole: &Path) -> String {
    let mut address = "file:".to_owned();
    for byte in whole.as_os_str().as_encoded_bytes() {
        if byte.is_ascii_alphanumeric() || b"/-._~".contains(byte) {
            address.push(char::from(*byte));
        } else {
            address.push_str(&format!("%{byte:02X}"));
        }
    }
    address + "?immutable=1"
}

fn unreadable(path: &Path, error: &rusqlite::Error) -> StoreError {
    match StoreError::database("reading the store", path, error) {
        // It was not to be written.
        StoreError::NotWritable { detail, .. } => StoreError::NotReadable {
            path: path.to_owned(),
            detail,
        },
        other => other,
    }
}

/// What changes when somebody writes.
#[derive(Debug, Clone, PartialEq, Eq)]
struct State {
    length: u64,
    written: Option<SystemTime>,
    /// Which file, and when anything about it was changed.
    file: (u64, i64, i64),
    /// The beginning of the log; none where there is no log, or nothing in it.
    log: Option<Vec<u8>>,
}

impl State {
    fn of(folder: &Path) -> Result<Self, StoreError> {
        let path = schema::database(folder);
        let metadata = std::fs::metadata(&path).map_err(|error| StoreError::NotReadable {
            path,
            detail: error.to_string(),
        })?;
        Ok(Self {
            length: metadata.len(),
            written: metadata.modified().ok(),
            file: file(&metadata),
            log: header_of_log(folder)?,
        })
    }

    /// Whether a file that was copied after this state and before another one, and then its
    /// log, go together. A log grows at its end, and what is worked off it into the file
    /// stays in it until it begins anew, with other salt in its header ("WAL File Format"):
    /// as long as that is the same, the log has whatever the file may lack.
    fn goes_with(&self, later: &Self) -> bool {
        match (&self.log, &later.log) {
            (Some(log), Some(later)) => log == later,
            (None, None) => self == later,
            _ => false,
        }
    }
}

#[cfg(unix)]
fn file(metadata: &Metadata) -> (u64, i64, i64) {
    use std::os::unix::fs::MetadataExt;
    (metadata.ino(), metadata.ctime(), metadata.ctime_nsec())
}

#[cfg(not(unix))]
const fn file(_metadata: &Metadata) -> (u64, i64, i64) {
    (0, 0, 0)
}

/// The header of the log, of 32 bytes.
fn header_of_log(folder: &Path) -> Result<Option<Vec<u8>>, StoreError> {
    let path = schema::log(folder);
    let mut header = Vec::new();
    match plain::read(&path).and_then(|log| log.take(32).read_to_end(&mut header)) {
        Ok(0) => Ok(None),
        Ok(_) => Ok(Some(header)),
        Err(error) if error.kind() == io::ErrorKind::NotFound => Ok(None),
        Err(error) => Err(StoreError::NotReadable {
            path,
            detail: format!("{error}; what was committed last is in it alone"),
        }),
    }
}

/// A folder with a copy of the store as it was at one moment.
fn copied(folder: &Path) -> Result<TemporaryFolder, StoreError> {
    match copied_to(folder, &std::env::temp_dir()) {
        // Where the disk of the store is full, that of temporary files may be the same one.
        Err(no_copy @ StoreError::NoCopy { .. }) if ballast::is_full(folder) => {
            copied_to(folder, Path::new(IN_MEMORY)).map_err(|_| no_copy)
        }
        copied => copied,
    }
}

fn copied_to(folder: &Path, place: &Path) -> Result<TemporaryFolder, StoreError> {
    let no_copy = |what: &str, error: &io::Error| no_copy(folder, place, what, error);
    let copy =
        TemporaryFolder::new_in(place).map_err(|error| no_copy("it cannot be made", &error))?;
    for tried in 0..TRIES {
        if tried > 0 {
            std::thread::sleep(BETWEEN_TRIES);
        }
        let before = State::of(folder)?;
        // First, so that the database has all that they speak of.
        tally::copy(folder, copy.path())?;
        copy_file(
            &schema::database(folder),
            &schema::database(copy.path()),
            &no_copy,
        )?;
        let log = schema::log(copy.path());
        if before.log.is_some() {
            copy_file(&schema::log(folder), &log, &no_copy)?;
        } else {
            let _ = std::fs::remove_file(&log);
        }
        // A run that was begun since has a tally now, and none in the copy.
        let begun = tally::names(folder)? != tally::names(copy.path())?;
        if !begun && before.goes_with(&State::of(folder)?) {
            return Ok(copy);
        }
    }
    Err(StoreError::Changing {
        folder: folder.to_owned(),
    })
}

/// Copies the bytes and nothing else: a copy that may not be written is of no use. A file
/// that is gone meanwhile is found missing by who looks next. Closing a database that was
/// opened by hand drops the locks that this process holds on it; on a store that it cannot
/// write it holds none.
fn copy_file(
    from: &Path,
    to: &Path,
    no_copy: &dyn Fn(&str, &io::Error) -> StoreError,
) -> Result<(), StoreError> {
    let mut source = match plain::read(from) {
        Ok(source) => source,
        Err(error) if error.kind() == io::ErrorKind::NotFound => return Ok(()),
        Err(error) => {
            return Err(StoreError::NotReadable {
                path: from.to_owned(),
                detail: error.to_string(),
            });
        }
    };
    File::create(to)
        .and_then(|mut target| io::copy(&mut source, &mut target))
        .map(|_| ())
        .map_err(|error| no_copy("it cannot be filled", &error))
}

fn no_copy(folder: &Path, place: &Path, what: &str, error: &io::Error) -> StoreError {
    StoreError::NoCopy {
        folder: folder.to_owned(),
        place: place.to_owned(),
        detail: format!("{what}: {error}"),
    }
}

#[cfg(test)]
mod tests;
