use super::*;
use crate::{Standing, Store, Writer};
use model::port::{Journal, Request};
use model::record::{Entry, Gap, RunHeader};
use model::time::{RunTime, Timestamp};
use std::collections::BTreeMap;
use std::io::{BufRead, BufReader};
use std::path::PathBuf;
use std::process::{Command, Stdio};
use std::time::Instant;

fn header() -> RunHeader {
    RunHeader {
        plan_text: "plan".into(),
        rig_text: "rig".into(),
        units: Default::default(),
        program_version: "1".into(),
        seed: None,
        began: Timestamp::UNIX_EPOCH,
    }
}

/// What is committed at once: four entries of a round, each of some length.
fn round(round: u32) -> Vec<Entry> {
    let gap = Gap {
        stage: 0,
        round,
        slot: None,
        position: None,
        at: RunTime::START,
        reason: "nothing ".repeat(50),
    };
    vec![Entry::Gap(gap); 4]
}

/// A store with a run of so many rounds, and its writer.
fn written(folder: &Path, rounds: u32) -> (Writer, String) {
    let mut writer = Store::open(folder).unwrap().writer().unwrap();
    let id = writer.begin(&header()).unwrap();
    for number in 0..rounds {
        writer.write(&round(number)).unwrap();
    }
    (writer, id.as_str().to_owned())
}

/// Copies what a burnt disk would have: of the files those that hold something.
fn burn(from: &Path, to: &Path) {
    std::fs::create_dir_all(to).unwrap();
    for file in ["nightbench.sqlite", "nightbench.sqlite-wal"] {
        if std::fs::metadata(from.join(file)).is_ok_and(|found| found.len() > 0) {
            std::fs::copy(from.join(file), to.join(file)).unwrap();
        }
    }
    tally::copy(from, to).unwrap();
}

/// Every file in a folder, with its bytes.
fn files(folder: &Path) -> BTreeMap<PathBuf, Vec<u8>> {
    std::fs::read_dir(folder)
        .unwrap()
        .map(|file| file.unwrap().path())
        .filter(|path| path.is_file())
        .map(|path| (path.clone(), std::fs::read(path).unwrap()))
        .collect()
}

/// As [`Store::open_to_read`] opens a store once it was found not to be writable; root may
/// write anywhere, so it would never come to this in a test that root runs.
fn to_read(folder: &Path) -> Result<Store, StoreError> {
    Store::read_only(folder, schema::STEPS, true)
}

fn rounds_of(store: &Store, id: &str) -> Result<Vec<u32>, StoreError> {
    let record = store.library()?.run(id)?;
    Ok(record.gaps.iter().map(|gap| gap.round).collect())
}

fn whole_rounds(count: u32) -> Vec<u32> {
    (0..count).flat_map(|round| [round; 4]).collect()
}

#[test]
fn a_store_without_a_log_is_read_as_it_lies() {
    let folder = tempfile::tempdir().unwrap();
    let (writer, id) = written(&folder.path().join("bench"), 3);
    drop(writer);
    // Nothing of a name may be taken for a part of an address.
    let disk = folder.path().join("a %41?b#c ä&d=1");
    burn(&folder.path().join("bench"), &disk);
    let before = files(&disk);
    assert_eq!(before.len(), 1, "a closed store has no log");
    let store = to_read(&disk).unwrap();
    let library = store.library().unwrap();
    assert_eq!(library.runs().unwrap()[0].standing, Standing::Stopped);
    assert_eq!(rounds_of(&store, &id), Ok(whole_rounds(3)));
    assert_eq!(files(&disk), before, "nothing was made or changed");
    let asked = library.request(&id, &Request::Stop);
    assert!(
        matches!(asked, Err(StoreError::NotWritable { .. })),
        "{asked:?}"
    );
    let writer = store.writer().map(drop);
    assert!(
        matches!(writer, Err(StoreError::NotWritable { .. })),
        "{writer:?}"
    );
}

/// A bench that was switched off in the night: its last readings are in the log alone.
#[test]
fn what_only_the_log_has_is_read_too() {
    let folder = tempfile::tempdir().unwrap();
    let (bench, disk) = (folder.path().join("bench"), folder.path().join("disk"));
    let (writer, id) = written(&bench, 3);
    burn(&bench, &disk);
    drop(writer);
    let before = files(&disk);
    assert_eq!(before.len(), 2);
    let store = to_read(&disk).unwrap();
    assert_eq!(rounds_of(&store, &id), Ok(whole_rounds(3)));
    assert_eq!(files(&disk), before, "nothing was made or changed");
    // Left out, the log would be missed.
    let without = as_it_lies(&schema::database(&disk)).unwrap();
    assert_eq!(crate::gate::runs(&without), Ok(Vec::new()));
    // The copy goes with the store.
    let Held::Copied { copy, .. } = &store.reading().unwrap().held else {
        panic!("it was not copied");
    };
    let place = copy.path().to_owned();
    assert!(place.exists());
    drop(store);
    assert!(!place.exists());
}

#[test]
fn what_is_written_meanwhile_is_not_mixed_in() {
    let folder = tempfile::tempdir().unwrap();
    let (writer, id) = written(folder.path(), 3);
    drop(writer);
    let store = to_read(folder.path()).unwrap();
    assert_eq!(rounds_of(&store, &id), Ok(whole_rounds(3)));
    let (writer, _) = written(folder.path(), 1);
    let refused = rounds_of(&store, &id).unwrap_err();
    assert!(matches!(refused, StoreError::Changing { .. }), "{refused}");
    // Opened anew, it is copied with its log; once that is worked off, it is read as it
    // lies; what was opened before notices both.
    let copied = to_read(folder.path()).unwrap();
    assert_eq!(copied.library().unwrap().runs().unwrap().len(), 2);
    drop(writer);
    assert_eq!(copied.library().unwrap().runs().unwrap().len(), 2);
    assert!(rounds_of(&store, &id).is_err());
    let anew = to_read(folder.path()).unwrap();
    assert_eq!(anew.library().unwrap().runs().unwrap().len(), 2);
}

const WRITES_TO: &str = "NIGHTBENCH_TEST_WRITES_TO";

/// The process that writes while the test below reads, until it is killed.
#[test]
#[ignore = "the child of the test below"]
fn writing() {
    let Some(folder) = std::env::var_os(WRITES_TO) else {
        return ::tests::skipped("only the test below runs it");
    };
    // An earlier run, so that copying takes a while.
    let (mut writer, _) = written(Path::new(&folder), 0);
    let earlier: Vec<Entry> = (0..8000).flat_map(round).collect();
    writer.write(&earlier).unwrap();
    let (mut writer, id) = written(Path::new(&folder), 0);
    // Worked off more often than by itself, after a thousand pages.
    writer
        .connection
        .pragma_update(None, "wal_autocheckpoint", 200)
        .unwrap();
    println!("writing {id}");
    // Where the test has failed, nobody ends it, and its folder is gone.
    for number in 0.. {
        if !Path::new(&folder).exists() {
            return;
        }
        writer.write(&round(number)).unwrap();
        // At full speed the store would grow faster than it can be copied.
        std::thread::sleep(Duration::from_millis(3));
    }
}

/// So often it must be seen to have grown.
const GROWS: u32 = 10;

/// Somebody else's run, in progress: the log is worked off and begun anew again and again
/// while it is copied. What is read is always whole rounds, from the first on.
#[test]
fn a_run_in_progress_of_somebody_else_is_read_as_of_one_moment() {
    let folder = tempfile::tempdir().unwrap();
    let mut child = Command::new(std::env::current_exe().unwrap())
        .args([
            "read_only::tests::writing",
            "--exact",
            "--ignored",
            "--nocapture",
        ])
        .env(WRITES_TO, folder.path())
        .stdout(Stdio::piped())
        .spawn()
        .unwrap();
    // Kept to the end: after a minute the child says how long it has been running, and
    // would end if nobody listened.
    let mut said = BufReader::new(child.stdout.take().unwrap()).lines();
    let id = said
        .by_ref()
        .map(Result::unwrap)
        .find_map(|line| line.split_once("writing ").map(|(_, id)| id.to_owned()))
        .unwrap();
    let (mut most, mut grew) = (0, 0);
    let begun = Instant::now();
    while grew < GROWS && begun.elapsed() < Duration::from_secs(200) {
        match to_read(folder.path()).and_then(|store| {
            let standing = store.library()?.summary_of(&id)?.standing;
            Ok((rounds_of(&store, &id)?, standing))
        }) {
            Ok((rounds, standing)) => {
                let count = rounds.len() as u32 / 4;
                assert_eq!(rounds, whole_rounds(count));
                assert_eq!(standing, Standing::InProgress);
                assert!(count >= most, "{count} rounds after {most}");
                grew += u32::from(count > most);
                most = count;
            }
            Err(StoreError::Changing { .. }) => {}
            Err(other) => panic!("{other}"),
        }
    }
    child.kill().unwrap();
    child.wait().unwrap();
    drop(said);
    assert_eq!(grew, GROWS, "{most} rounds");
}

#[test]
fn a_log_that_has_begun_anew_does_not_go_with_what_was_copied_before() {
    let folder = tempfile::tempdir().unwrap();
    let now = || State::of(folder.path()).unwrap();
    let closed = |rounds| drop(written(folder.path(), rounds));
    closed(1);
    let before = now();
    assert!(before.log.is_none() && before.goes_with(&now()));
    // Written and closed again: no log before and none after.
    closed(2);
    assert!(now().log.is_none() && !before.goes_with(&now()));
    let (mut writer, _) = written(folder.path(), 1);
    assert!(!before.goes_with(&now()), "a log where there was none");
    // A log that grows has all that it had.
    let before = now();
    writer.write(&round(1)).unwrap();
    assert!(before.goes_with(&now()));
    // Worked off, it stays what it is until the next commit begins it anew.
    writer
        .connection
        .query_row("PRAGMA wal_checkpoint(RESTART)", [], |_| Ok(()))
        .unwrap();
    assert!(before.goes_with(&now()));
    writer.write(&round(2)).unwrap();
    assert!(!before.goes_with(&now()));
}

#[test]
fn an_older_store_is_brought_up_to_date_in_a_copy() {
    let folder = tempfile::tempdir().unwrap();
    let (writer, id) = written(folder.path(), 2);
    drop(writer);
    let before = files(&folder.path().join("locks"));
    let next = &[
        schema::STEPS[0],
        schema::STEPS[1],
        schema::STEPS[2],
        Step {
            tables: "ALTER TABLE gap ADD COLUMN seen INTEGER NOT NULL DEFAULT 7",
            runs: None,
        },
    ];
    let store = Store::read_only(folder.path(), next, true).unwrap();
    assert_eq!(rounds_of(&store, &id), Ok(whole_rounds(2)));
    // Where it lies, it is what it was, and the program of the older version reads it.
    assert_eq!(files(&folder.path().join("locks")), before);
    assert_eq!(
        rounds_of(&to_read(folder.path()).unwrap(), &id),
        Ok(whole_rounds(2))
    );
    assert!(!folder.path().join("nightbench.v3.sqlite").exists());
}

#[test]
fn what_is_refused_is_named_where_it_lies() {
    let folder = tempfile::tempdir().unwrap();
    let (writer, _) = written(folder.path(), 1);
    let with_log = tempfile::tempdir().unwrap();
    burn(folder.path(), with_log.path());
    drop(writer);
    for place in [folder.path(), with_log.path()] {
        // Of a newer version, as far as this program knows.
        let refused = Store::read_only(place, &[], true).unwrap_err();
        assert!(
            matches!(refused, StoreError::Newer { found: 3, .. }),
            "{refused}"
        );
        assert!(
            refused.to_string().contains(&place.display().to_string()),
            "{refused}"
        );
    }
    for (content, said) in [(&b""[..], "damaged"), (b"plain text, of a hundred bytes or so; no database begins with words like these, as far as is known", "is not a store")] {
        let place = tempfile::tempdir().unwrap();
        std::fs::write(place.path().join("nightbench.sqlite"), content).unwrap();
        let refused = to_read(place.path()).unwrap_err().to_string();
        assert!(refused.contains(said), "{refused}");
        assert!(refused.contains(&place.path().display().to_string()), "{refused}");
    }
    let nowhere = Store::open_to_read(&folder.path().join("nowhere")).unwrap_err();
    assert!(matches!(nowhere, StoreError::NoStore { .. }), "{nowhere}");
}

/// What another machine holds locked is not seen here; how old its last sign of life is, is.
#[test]
fn where_locks_do_not_tell_the_last_sign_of_life_does() {
    let folder = tempfile::tempdir().unwrap();
    let (writer, id) = written(folder.path(), 1);
    drop(writer);
    let standing = |locks_tell| {
        let store = Store::read_only(folder.path(), schema::STEPS, locks_tell).unwrap();
        store.library().unwrap().summary_of(&id).unwrap().standing
    };
    assert_eq!(standing(true), Standing::Stopped);
    assert_eq!(standing(false), Standing::InProgress);
    let database = Connection::open(schema::database(folder.path())).unwrap();
    database
        .execute("UPDATE heartbeat SET at = '2026-01-01T00:00:00Z'", [])
        .unwrap();
    drop(database);
    assert_eq!(standing(false), Standing::Stopped);
}
