//! The tables, and how a store comes to have them: made whole, or brought up
//! from an older version.

use crate::error::StoreError;
use crate::lock::{self, Hold, Lock};
use crate::{folder, plain, seal};
use rusqlite::types::{ToSqlOutput, ValueRef};
use rusqlite::{Connection, OpenFlags, TransactionBehavior};
use std::path::{Path, PathBuf};
use std::time::{Duration, Instant};

/// Marks the database as ours: "NiBe".
const APPLICATION_ID: i64 = 0x4E69_4265;

/// What makes a store of version n + 1 from one of version n, beginning with
/// nothing. A step that has shipped is never changed; a new one is added.
pub(crate) const STEPS: &[Step] = &[VERSION_1, VERSION_2, VERSION_3];

/// A step from one version of the store to the next.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Step {
    pub tables: &'static str,
    /// What is done to the runs that are there.
    pub runs: Option<fn(&Connection, &Path) -> rusqlite::Result<()>>,
}

const VERSION_1: Step = Step {
    tables: include_str!("version_1.sql"),
    runs: None,
};

const VERSION_2: Step = Step {
    tables: include_str!("version_2.sql"),
    runs: Some(seal::all_runs),
};

const VERSION_3: Step = Step {
    tables: include_str!("version_3.sql"),
    runs: None,
};

/// The database in a store's folder.
pub(crate) fn database(folder: &Path) -> PathBuf {
    folder.join("nightbench.sqlite")
}

/// The log beside it (write-ahead, in SQLite's words), whose name SQLite makes of its own.
pub(crate) fn log(folder: &Path) -> PathBuf {
    folder.join("nightbench.sqlite-wal")
}

/// The index of the log beside it (shared memory, in SQLite's words).
pub(crate) fn index_of_log(folder: &Path) -> PathBuf {
    folder.join("nightbench.sqlite-shm")
}

/// Whether a folder has the database of a store, or what was one.
pub(crate) fn is_there(folder: &Path) -> Result<bool, StoreError> {
    use std::io::ErrorKind;
    match database(folder).symlink_metadata() {
        Ok(_) => Ok(true),
        Err(error) if matches!(error.kind(), ErrorKind::NotFound | ErrorKind::NotADirectory) => {
            Ok(false)
        }
        Err(error) => Err(StoreError::NotReadable {
            path: folder.to_owned(),
            detail: error.to_string(),
        }),
    }
}

/// How long a reader or writer waits for another one's commit.
const BUSY: Duration = Duration::from_secs(10);
/// How long to wait for another process that makes or migrates the store.
const PATIENCE: Duration = Duration::from_secs(2);

/// Opens the database the way every connection must be set.
pub(crate) fn connect(path: &Path) -> Result<Connection, StoreError> {
    let fail = |error: &rusqlite::Error| StoreError::database("opening the store", path, error);
    // Not made here: a store is made whole, aside, and then gets its name.
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).map_err(|error| fail(&error))?;
    set_up(&connection).map_err(|error| fail(&error))?;
    let (journal, synchronous) = settings(&connection).map_err(|error| fail(&error))?;
    if journal != "wal" || synchronous != 2 {
        return Err(StoreError::Failed {
            attempted: "making commits survive a power cut".into(),
            path: path.to_owned(),
            detail: format!(
                "the database stays at journal_mode={journal}, synchronous={synchronous}"
            ),
        });
    }
    Ok(connection)
}

fn set_up(connection: &Connection) -> rusqlite::Result<()> {
    connection.busy_timeout(BUSY)?;
    connection.set_prepared_statement_cache_capacity(32);
    connection.pragma_update(None, "foreign_keys", true)?;
    connection.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(()))?;
    connection.pragma_update(None, "synchronous", "FULL")
}

/// `journal_mode` and `synchronous` (2 is FULL) as the database reports them.
pub(crate) fn settings(connection: &Connection) -> rusqlite::Result<(String, i64)> {
    Ok((
        connection.pragma_query_value(None, "journal_mode", |row| row.get(0))?,
        connection.pragma_query_value(None, "synchronous", |row| row.get(0))?,
    ))
}

/// Makes the store where there is none, migrates an older one, refuses a newer
/// one. Gives the shared lock that keeps others from migrating it.
pub(crate) fn bring_up(folder: &Path, steps: &[Step]) -> Result<Lock, StoreError> {
    let path = database(folder);
    let gate = folder.join("locks/store.lock");
    let known = steps.len() as i64;
    let begun = Instant::now();
    loop {
        if is_there(folder)? {
            let shared = gate_lock(&gate, Hold::Shared, folder)?;
            let found = version(&path)?;
            if found == known {
                return Ok(shared);
            }
            if found > known {
                return Err(StoreError::Newer { path, found, known });
            }
        }
        // Another process may be doing the same, and then hold the gate open for a whole
        // night; so it is looked again whether there is anything left to do.
        match lock::take(&gate, Hold::Alone, Duration::ZERO)? {
            Some(_alone) if !is_there(folder)? => make(folder, steps)?,
            Some(_alone) if version(&path)? < known => migrate(folder, steps)?,
            Some(_) => {}
            None if begun.elapsed() < PATIENCE => std::thread::sleep(Duration::from_millis(20)),
            None => return Err(in_use(&gate, Hold::Alone, folder)),
        }
    }
}

fn gate_lock(gate: &Path, hold: Hold, folder: &Path) -> Result<Lock, StoreError> {
    lock::take(gate, hold, PATIENCE)?.ok_or_else(|| in_use(gate, hold, folder))
}

fn in_use(gate: &Path, hold: Hold, folder: &Path) -> StoreError {
    StoreError::InUse {
        what: format!("the store in {}", folder.display()),
        holder: match hold {
            Hold::Alone => "by another program, and has to be brought up to date first".to_owned(),
            Hold::Shared => lock::holder(gate),
        },
        advice: "wait for that program to end and try again",
    }
}

/// The version of the store, once it is certain that it is one.
fn version(path: &Path) -> Result<i64, StoreError> {
    look_at(path)?;
    let fail = |error: &rusqlite::Error| StoreError::database("opening the store", path, error);
    let flags = OpenFlags::SQLITE_OPEN_READ_WRITE | OpenFlags::SQLITE_OPEN_NO_MUTEX;
    let connection = Connection::open_with_flags(path, flags).map_err(|error| fail(&error))?;
    connection
        .busy_timeout(BUSY)
        .map_err(|error| fail(&error))?;
    version_in(&connection, path)
}

/// Whether there is a file with something in it.
pub(crate) fn look_at(path: &Path) -> Result<(), StoreError> {
    // Never opened by hand: closing it would drop the locks that the database
    // library holds on it for this process.
    let there = path
        .symlink_metadata()
        .map_err(|error| StoreError::file("looking for the store", path, &error))?;
    if !there.is_file() {
        // Behind a link it would be written with a log that lies elsewhere, and with locks
        // that those who go another way do not see.
        return Err(StoreError::NotAStore {
            path: path.to_owned(),
            detail: format!("it is {} and not a file", plain::word(there.file_type())),
        });
    }
    for beside in ["-wal", "-shm", "-journal"] {
        let mut name = path.as_os_str().to_owned();
        name.push(beside);
        let name = PathBuf::from(name);
        plain::look(&name).map_err(|error| StoreError::NotAStore {
            path: name.clone(),
            detail: error.to_string(),
        })?;
    }
    if there.len() == 0 {
        return Err(StoreError::Damaged {
            path: path.to_owned(),
            detail: "it is empty".into(),
        });
    }
    Ok(())
}

/// The version of the store that a connection leads to, once it is certain that it is one.
pub(crate) fn version_in(connection: &Connection, path: &Path) -> Result<i64, StoreError> {
    let fail = |error: &rusqlite::Error| StoreError::database("opening the store", path, error);
    let read = |name: &str| {
        connection
            .pragma_query_value(None, name, |row| row.get::<_, i64>(0))
            .map_err(|error| fail(&error))
    };
    if read("application_id")? != APPLICATION_ID {
        return Err(StoreError::NotAStore {
            path: path.to_owned(),
            detail: "it is the database of another program".into(),
        });
    }
    match read("user_version")? {
        version @ 1.. => Ok(version),
        other => Err(StoreError::Damaged {
            path: path.to_owned(),
            detail: format!("it says to be of version {other}"),
        }),
    }
}

/// Makes an empty store aside and gives it its name when it is whole, so that
/// there never is half a store.
fn make(folder: &Path, steps: &[Step]) -> Result<(), StoreError> {
    let path = database(folder);
    let log = log(folder);
    if log.symlink_metadata().is_ok() {
        return Err(StoreError::Damaged {
            path,
            detail: format!(
                "it is missing, but its log {} is there; put the two back together",
                log.display()
            ),
        });
    }
    let aside = folder.join("nightbench.sqlite.new");
    clear(&aside);
    let fail = |error: &rusqlite::Error| StoreError::database("making the store", &aside, error);
    let filled = (|| {
        let flags = OpenFlags::SQLITE_OPEN_READ_WRITE
            | OpenFlags::SQLITE_OPEN_CREATE
            | OpenFlags::SQLITE_OPEN_NO_MUTEX;
        let mut connection = Connection::open_with_flags(&aside, flags)?;
        connection.pragma_update(None, "synchronous", "FULL")?;
        connection.pragma_update(None, "application_id", APPLICATION_ID)?;
        take_steps(&mut connection, folder, 0, steps)?;
        // Last, so that nothing of it is in a log, which keeps the name it had.
        connection.query_row("PRAGMA journal_mode = WAL", [], |_| Ok(()))?;
        connection.close().map_err(|(_, error)| error)
    })();
    filled.map_err(|error| fail(&error))?;
    std::fs::File::open(&aside)
        .and_then(|file| file.sync_all())
        .and_then(|()| std::fs::rename(&aside, &path))
        .map_err(|error| StoreError::file("making the store", &path, &error))?;
    folder::sync(folder)
}

/// Removes what a killed process left of a file that it was writing aside, logs
/// included: they would be taken for those of the next one.
fn clear(aside: &Path) {
    for end in ["", "-journal", "-wal", "-shm"] {
        let mut name = aside.as_os_str().to_owned();
        name.push(end);
        let _ = std::fs::remove_file(name);
    }
}

/// Copies an older store and brings it up to date, all or nothing.
fn migrate(folder: &Path, steps: &[Step]) -> Result<(), StoreError> {
    let path = database(folder);
    let found = version(&path)?;
    let mut connection = connect(&path)?;
    copy(&connection, folder, found)?;
    let fail = |error: &rusqlite::Error| {
        StoreError::database("bringing the store up to date", &path, error)
    };
    connection
        .pragma_update(None, "foreign_keys", false)
        .and_then(|()| take_steps(&mut connection, folder, found as usize, steps))
        .map_err(|error| fail(&error))
}

fn copy(connection: &Connection, folder: &Path, version: i64) -> Result<(), StoreError> {
    let name = |ordinal: u32| match ordinal {
        1 => folder.join(format!("nightbench.v{version}.sqlite")),
        more => folder.join(format!("nightbench.v{version}-{more}.sqlite")),
    };
    let path = (1..)
        .map(name)
        .find(|path| path.symlink_metadata().is_err())
        .unwrap_or_else(|| name(1));
    let aside = path.with_extension("sqlite.part");
    clear(&aside);
    let attempted = "copying the store before it is brought up to date";
    connection
        .execute("VACUUM INTO ?1", [name_of(&aside)])
        .map_err(|error| StoreError::database(attempted, &aside, &error))?;
    std::fs::File::open(&aside)
        .and_then(|file| file.sync_all())
        .and_then(|()| std::fs::rename(&aside, &path))
        .map_err(|error| StoreError::file(attempted, &path, &error))?;
    folder::sync(folder)
}

/// A path as SQLite takes it in a statement: its bytes, which need not be those of a text.
fn name_of(path: &Path) -> ToSqlOutput<'_> {
    ToSqlOutput::Borrowed(ValueRef::Text(path.as_os_str().as_encoded_bytes()))
}

fn take_steps(
    connection: &mut Connection,
    folder: &Path,
    from: usize,
    steps: &[Step],
) -> rusqlite::Result<()> {
    let transaction = connection.transaction_with_behavior(TransactionBehavior::Exclusive)?;
    for step in &steps[from..] {
        transaction.execute_batch(step.tables)?;
    }
    // What is done to runs reads them as this program does: with the tables of the last step.
    for runs in steps[from..].iter().filter_map(|step| step.runs) {
        runs(&transaction, folder)?;
    }
    transaction.pragma_update(None, "user_version", steps.len() as i64)?;
    transaction.commit()
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::Store;
    use model::port::Journal;
    use model::record::{Entry, Gap, RunHeader};
    use model::time::{RunTime, Timestamp};

    /// NORMAL would survive every kill of the process and lose commits in a power
    /// cut, so no other test would notice.
    #[test]
    fn commits_are_put_on_disk_before_they_return() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(folder.path()).unwrap();
        let writer = store.writer().unwrap();
        let full = 2;
        assert_eq!(
            settings(&writer.connection).unwrap(),
            ("wal".to_owned(), full)
        );
    }

    #[test]
    fn every_table_is_strict() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(folder.path()).unwrap();
        let writer = store.writer().unwrap();
        let (tables, strict): (i64, i64) = writer
            .connection
            .query_row(
                "SELECT count(*), sum(strict) FROM pragma_table_list
                 WHERE type = 'table' AND name NOT LIKE 'sqlite_%'",
                [],
                |row| Ok((row.get(0)?, row.get(1)?)),
            )
            .unwrap();
        assert!(tables > 0);
        assert_eq!(strict, tables);
    }

    fn gap(reason: &str) -> Entry {
        Entry::Gap(Gap {
            stage: 0,
            round: 0,
            slot: None,
            position: None,
            at: RunTime::START,
            reason: reason.into(),
        })
    }

    fn filled(folder: &Path) -> String {
        let mut writer = Store::open(folder).unwrap().writer().unwrap();
        let header = RunHeader {
            plan_text: "plan".into(),
            rig_text: "rig".into(),
            units: Default::default(),
            program_version: "1".into(),
            seed: None,
            began: Timestamp::UNIX_EPOCH,
        };
        let id = writer.begin(&header).unwrap();
        writer.write(&[gap("kept")]).unwrap();
        id.as_str().to_owned()
    }

    const NEXT: &[Step] = &[
        VERSION_1,
        VERSION_2,
        VERSION_3,
        Step {
            tables: "ALTER TABLE gap ADD COLUMN seen INTEGER NOT NULL DEFAULT 7",
            runs: None,
        },
    ];

    #[test]
    fn an_older_store_is_copied_and_brought_up_to_date() {
        let folder = tempfile::tempdir().unwrap();
        let id = filled(folder.path());
        let store = Store::open_with(folder.path(), NEXT).unwrap();
        let writer = store.writer().unwrap();
        let seen: i64 = writer
            .connection
            .query_row("SELECT seen FROM gap", [], |row| row.get(0))
            .unwrap();
        assert_eq!(seen, 7);
        assert_eq!(store.library().unwrap().run(&id).unwrap().gaps.len(), 1);
        drop((store, writer));

        // The copy is a whole store of the older version.
        let elsewhere = tempfile::tempdir().unwrap();
        let copy = folder.path().join("nightbench.v3.sqlite");
        std::fs::copy(copy, database(elsewhere.path())).unwrap();
        crate::tally::copy(folder.path(), elsewhere.path()).unwrap();
        let store = Store::open(elsewhere.path()).unwrap();
        assert_eq!(store.library().unwrap().run(&id).unwrap().gaps.len(), 1);

        // And the program of the older version keeps off the newer store.
        let refused = Store::open(folder.path()).unwrap_err();
        assert!(
            matches!(
                refused,
                StoreError::Newer {
                    found: 4,
                    known: 3,
                    ..
                }
            ),
            "{refused}"
        );
    }

    #[test]
    fn a_step_that_fails_leaves_the_store_as_it_was() {
        let folder = tempfile::tempdir().unwrap();
        let id = filled(folder.path());
        let broken = &[
            VERSION_1,
            VERSION_2,
            VERSION_3,
            NEXT[3],
            Step {
                tables: "ALTER TABLE nothing ADD COLUMN x",
                runs: None,
            },
        ];
        Store::open_with(folder.path(), broken).unwrap_err();
        let store = Store::open(folder.path()).unwrap();
        assert_eq!(store.library().unwrap().run(&id).unwrap().gaps.len(), 1);
    }

    #[test]
    fn a_store_in_use_is_not_brought_up_to_date() {
        let folder = tempfile::tempdir().unwrap();
        let id = filled(folder.path());
        let held = Store::open(folder.path()).unwrap().library().unwrap();
        let refused = Store::open_with(folder.path(), NEXT).unwrap_err();
        assert!(matches!(refused, StoreError::InUse { .. }), "{refused}");
        assert_eq!(held.run(&id).unwrap().gaps.len(), 1);
    }
}
