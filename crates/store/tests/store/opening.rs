use crate::entries::{header_of, note};
use model::port::Journal;
use std::path::Path;
use store::{Store, StoreError};

const DATABASE: &str = "nightbench.sqlite";

fn refused(folder: &Path) -> StoreError {
    let error = Store::open(folder).unwrap_err();
    let said = error.to_string();
    assert!(
        said.contains(&folder.display().to_string()),
        "names the place: {said}"
    );
    error
}

#[test]
fn folders_are_made_and_a_store_that_is_not_asked_for_is_not() {
    let folder = tempfile::tempdir().unwrap();
    let deep = folder.path().join("a/b");
    let none = Store::open_existing(&deep).unwrap_err();
    assert!(matches!(none, StoreError::NoStore { .. }), "{none}");
    assert!(!deep.exists());
    Store::open(&deep).unwrap();
    assert!(
        Store::open_existing(&deep)
            .unwrap()
            .library()
            .unwrap()
            .runs()
            .unwrap()
            .is_empty()
    );
}

#[test]
fn what_is_no_store_is_left_as_it_is() {
    for (content, damaged) in [
        (&b""[..], true),
        (b"SQLite format 3", false),
        (b"the notes of last night, in plain text\n", false),
        (&[0; 8192], false),
    ] {
        let folder = tempfile::tempdir().unwrap();
        let path = folder.path().join(DATABASE);
        std::fs::write(&path, content).unwrap();
        let error = refused(folder.path());
        assert_eq!(
            matches!(error, StoreError::Damaged { .. }),
            damaged,
            "{error}"
        );
        assert_eq!(
            matches!(error, StoreError::NotAStore { .. }),
            !damaged,
            "{error}"
        );
        assert_eq!(std::fs::read(&path).unwrap(), content);
    }
    let folder = tempfile::tempdir().unwrap();
    std::fs::create_dir(folder.path().join(DATABASE)).unwrap();
    assert!(matches!(
        refused(folder.path()),
        StoreError::NotAStore { .. }
    ));
}

#[test]
fn the_database_of_another_program_is_not_ours() {
    let folder = tempfile::tempdir().unwrap();
    let other = rusqlite::Connection::open(folder.path().join(DATABASE)).unwrap();
    other
        .execute_batch("CREATE TABLE recipe (name TEXT)")
        .unwrap();
    drop(other);
    let error = refused(folder.path());
    assert!(error.to_string().contains("another program"), "{error}");
}

#[test]
fn a_newer_store_is_refused() {
    let folder = tempfile::tempdir().unwrap();
    drop(Store::open(folder.path()).unwrap());
    let database = rusqlite::Connection::open(folder.path().join(DATABASE)).unwrap();
    database.pragma_update(None, "user_version", 99).unwrap();
    drop(database);
    let error = refused(folder.path());
    assert!(
        matches!(error, StoreError::Newer { found: 99, .. }),
        "{error}"
    );
}

#[test]
fn a_store_that_lost_its_database_is_not_begun_anew() {
    let folder = tempfile::tempdir().unwrap();
    drop(Store::open(folder.path()).unwrap());
    std::fs::remove_file(folder.path().join(DATABASE)).unwrap();
    std::fs::write(
        folder.path().join("nightbench.sqlite-wal"),
        "the last night",
    )
    .unwrap();
    assert!(matches!(refused(folder.path()), StoreError::Damaged { .. }));
}

#[test]
fn what_a_killed_making_left_is_cleared_away() {
    let folder = tempfile::tempdir().unwrap();
    // A log that fits a database of this name, from a store that was another one.
    let log = {
        let other = tempfile::tempdir().unwrap();
        let mut writer = Store::open(other.path()).unwrap().writer().unwrap();
        writer.begin(&header_of("plan")).unwrap();
        std::fs::read(other.path().join("nightbench.sqlite-wal")).unwrap()
    };
    std::fs::write(folder.path().join("nightbench.sqlite.new"), "half").unwrap();
    std::fs::write(folder.path().join("nightbench.sqlite.new-wal"), log).unwrap();
    let library = Store::open(folder.path()).unwrap().library().unwrap();
    assert_eq!(library.runs(), Ok(Vec::new()));
}

#[test]
fn many_may_open_a_new_store_at_once() {
    let folder = tempfile::tempdir().unwrap();
    // Each keeps the store open until all have it, as runs of a whole night do.
    let together = std::sync::Barrier::new(8);
    std::thread::scope(|scope| {
        for _ in 0..8 {
            scope.spawn(|| {
                let store = Store::open(folder.path());
                together.wait();
                let mut writer = store.unwrap().writer().unwrap();
                writer.begin(&header_of("plan")).unwrap();
                writer.write(&note(0, 0)).unwrap();
            });
        }
    });
    let library = Store::open(folder.path()).unwrap().library().unwrap();
    let runs = library.runs().unwrap();
    assert_eq!(runs.len(), 8);
    assert!(runs.iter().all(|run| run.counts.readings == 4));
}

/// Damage inside: whatever the spoilt bytes, the answer is a record or one clear
/// error, and never a panic.
#[test]
fn a_damaged_database_is_said_to_be_damaged() {
    let folder = tempfile::tempdir().unwrap();
    let id = {
        let mut writer = Store::open(folder.path()).unwrap().writer().unwrap();
        let id = writer.begin(&header_of("plan")).unwrap();
        for round in 0..50 {
            writer.write(&note(round, 0)).unwrap();
        }
        id
    };
    let path = folder.path().join(DATABASE);
    let whole = std::fs::read(&path).unwrap();
    let mut refusals = 0;
    for page in 0..whole.len() / 4096 {
        let mut spoilt = whole.clone();
        // Past the file's header, which other tests spoil.
        let from = page * 4096 + if page == 0 { 100 } else { 0 };
        spoilt[from..from + 200].fill(0xA5);
        std::fs::write(&path, &spoilt).unwrap();
        let read = Store::open(folder.path())
            .and_then(|store| store.library())
            .and_then(|library| library.runs().and(library.run(id.as_str())));
        if let Err(error) = read {
            refusals += 1;
            assert!(
                matches!(
                    error,
                    StoreError::Damaged { .. } | StoreError::DamagedRun { .. }
                ),
                "page {page}: {error}"
            );
        }
    }
    assert!(refusals > 5, "{refusals}");
    std::fs::write(&path, &whole[..whole.len() / 2]).unwrap();
    let cut = Store::open(folder.path()).and_then(|store| store.library()?.run(id.as_str()));
    assert!(
        matches!(
            cut,
            Err(StoreError::Damaged { .. } | StoreError::DamagedRun { .. })
        ),
        "{cut:?}"
    );
}

/// /proc is a folder in which nobody can make a file, whoever they are.
#[cfg(target_os = "linux")]
#[test]
fn a_folder_that_cannot_be_written_is_said_to_be_so() {
    let error = refused(Path::new("/proc/self"));
    assert!(matches!(error, StoreError::NotWritable { .. }), "{error}");
}

#[cfg(unix)]
#[test]
fn a_folder_without_permission_is_said_to_be_so() {
    use std::os::unix::fs::PermissionsExt;
    let folder = tempfile::tempdir().unwrap();
    std::fs::set_permissions(folder.path(), std::fs::Permissions::from_mode(0o555)).unwrap();
    // Root may write anywhere; then there is nothing to refuse.
    let may_write = std::fs::write(folder.path().join("try"), "").is_ok();
    let opened = Store::open(folder.path());
    std::fs::set_permissions(folder.path(), std::fs::Permissions::from_mode(0o755)).unwrap();
    match opened {
        Ok(_) => assert!(may_write),
        Err(error) => assert!(matches!(error, StoreError::NotWritable { .. }), "{error}"),
    }
}
