use crate::entries::{bits, header_of, note};
use model::port::Journal;
use model::quantity::Bytes;
use model::record::{Entry, Event, EventKind};
use model::time::{RunTime, Timestamp};
use std::path::Path;
use store::{Store, StoreError};

const DATABASE: &str = "nightbench.sqlite";

fn remark(text: &str) -> Entry {
    Entry::Event(Event {
        at: RunTime::START,
        wall: Timestamp::UNIX_EPOCH,
        kind: EventKind::Remark,
        stage: None,
        position: None,
        text: text.into(),
    })
}

fn filled(folder: &Path) -> (Store, String) {
    let store = Store::open(folder).unwrap();
    let mut writer = store.writer().unwrap();
    let id = writer.begin(&header_of("plan")).unwrap();
    for round in 0..3 {
        let note = note(round, 0);
        writer.write(&note).unwrap();
        let Entry::Reading(first) = &note[0] else {
            panic!("a note is of readings");
        };
        writer
            .keep_evidence(&first.key, b"RIFF", Bytes::of(1000.0))
            .unwrap();
    }
    writer.write(&[remark("the door was open")]).unwrap();
    (store, id.as_str().to_owned())
}

/// What version 3 brought taken away again, as a program of version 2 left it.
fn as_version_2(folder: &Path) {
    alter(
        folder,
        "ALTER TABLE reading DROP COLUMN u_noise_hz;
         ALTER TABLE point DROP COLUMN u_noise_hz;
         PRAGMA user_version = 2;",
    );
}

#[test]
fn the_chains_of_a_store_of_version_2_hold() {
    let folder = tempfile::tempdir().unwrap();
    let (store, id) = filled(folder.path());
    let before = bits(&store.library().unwrap().run(&id).unwrap());
    drop(store);
    as_version_2(folder.path());
    let store = Store::open(folder.path()).unwrap();
    assert_eq!(bits(&store.library().unwrap().run(&id).unwrap()), before);
    // What is new in it is held to as the rest.
    alter(
        folder.path(),
        "UPDATE reading SET u_noise_hz = 0.5 WHERE entry = 0",
    );
    let refused = store.library().unwrap().run(&id).unwrap_err();
    assert!(refused.to_string().contains("1. entry"), "{refused}");
}

/// What version 2 brought taken away as well, as a program of version 1 left it.
fn as_version_1(folder: &Path) {
    as_version_2(folder);
    let database = rusqlite::Connection::open(folder.join(DATABASE)).unwrap();
    database
        .execute_batch(
            "DROP TABLE chain;
             ALTER TABLE run DROP COLUMN sealed;
             ALTER TABLE unit DROP COLUMN salt;
             ALTER TABLE unit DROP COLUMN said;
             ALTER TABLE event DROP COLUMN salt;
             ALTER TABLE event DROP COLUMN said;
             ALTER TABLE evidence DROP COLUMN entry;
             ALTER TABLE request DROP COLUMN digest;
             PRAGMA user_version = 1;",
        )
        .unwrap();
    drop(database);
    std::fs::remove_dir_all(folder.join("tally")).unwrap();
}

#[test]
fn runs_of_a_store_without_chains_are_sealed_as_they_are_found() {
    let folder = tempfile::tempdir().unwrap();
    let (store, id) = filled(folder.path());
    let before = bits(&store.library().unwrap().run(&id).unwrap());
    drop(store);
    as_version_1(folder.path());
    let store = Store::open(folder.path()).unwrap();
    assert_eq!(bits(&store.library().unwrap().run(&id).unwrap()), before);
    let checked = store.library().unwrap().check(None).unwrap();
    assert_eq!(
        checked.runs[0].sealed,
        Some(16),
        "13 entries and 3 recordings"
    );
    assert!(checked.is_whole(), "{checked:?}");
    // It is carried on, and what was there is held to from now on.
    let mut writer = store.writer().unwrap();
    writer.reopen(&model::record::RunId::new(&*id)).unwrap();
    writer.write(&note(3, 0)).unwrap();
    drop(writer);
    assert_eq!(
        store.library().unwrap().run(&id).unwrap().readings.len(),
        16
    );
    alter(
        folder.path(),
        "UPDATE reading SET hz = 440.0 WHERE entry = 0",
    );
    let refused = store.library().unwrap().run(&id).unwrap_err();
    assert!(refused.to_string().contains("1. entry"), "{refused}");
}

fn alter(folder: &Path, sql: &str) {
    let database = rusqlite::Connection::open(folder.join(DATABASE)).unwrap();
    database.execute_batch(sql).unwrap();
}

#[test]
fn a_run_that_has_ended_is_believed_without_its_tally_and_no_other() {
    let folder = tempfile::tempdir().unwrap();
    let (store, id) = filled(folder.path());
    let tally = folder.path().join("tally").join(&id);
    let kept = std::fs::read(&tally).unwrap();
    std::fs::remove_file(&tally).unwrap();
    let library = store.library().unwrap();
    let refused = library.run(&id).unwrap_err();
    assert!(
        matches!(refused, StoreError::DamagedRun { .. }),
        "{refused}"
    );
    let (sound, damage) = library.sound_part(&id).unwrap();
    assert_eq!(sound.readings.len(), 12);
    assert!(damage.is_some());
    std::fs::write(&tally, kept).unwrap();
    let mut writer = store.writer().unwrap();
    writer.reopen(&model::record::RunId::new(&*id)).unwrap();
    let Entry::Event(event) = remark("all stages are done") else {
        panic!("a remark is an event");
    };
    let kind = EventKind::RunEnded;
    writer
        .write(&[Entry::Event(Event { kind, ..event })])
        .unwrap();
    drop(writer);
    std::fs::remove_file(&tally).unwrap();
    assert_eq!(library.run(&id).unwrap().readings.len(), 12);
}

#[test]
fn a_run_that_the_database_lost_is_missed() {
    let folder = tempfile::tempdir().unwrap();
    let (store, id) = filled(folder.path());
    let mut writer = store.writer().unwrap();
    let other = writer.begin(&header_of("another plan")).unwrap();
    drop(writer);
    alter(
        folder.path(),
        "PRAGMA foreign_keys = OFF; DELETE FROM run WHERE run = 1",
    );
    let library = store.library().unwrap();
    let refused = library.run(&id[..5]).unwrap_err();
    assert!(
        matches!(refused, StoreError::DamagedRun { .. }),
        "{refused}"
    );
    let list = library.list().unwrap();
    assert_eq!(list[0].as_ref().unwrap().id, other);
    assert!(matches!(&list[1], Err(StoreError::DamagedRun { run, .. }) if *run == id));
    // The same run begun again does not take its place.
    let again = store.writer().unwrap().begin(&header_of("plan")).unwrap();
    assert_eq!(again.as_str(), format!("{id}-2"));
}

#[test]
fn damage_to_one_run_does_not_hide_the_others() {
    let folder = tempfile::tempdir().unwrap();
    let (store, id) = filled(folder.path());
    let mut writer = store.writer().unwrap();
    let other = writer.begin(&header_of("another plan")).unwrap();
    writer.write(&note(0, 0)).unwrap();
    drop(writer);
    alter(
        folder.path(),
        "UPDATE reading SET u_hz = u_hz * 2 WHERE run = 1 AND entry = 6",
    );
    let library = store.library().unwrap();
    assert_eq!(library.run(other.as_str()).unwrap().readings.len(), 4);
    let (sound, damage) = library.sound_part(&id).unwrap();
    let damage = damage.unwrap();
    assert_eq!((sound.readings.len(), damage.sound_readings), (5, 5));
    assert_eq!(damage.committed, (16, 12));
    let list = library.list().unwrap();
    assert!(list[0].is_err() && list[1].is_ok(), "{list:?}");
    let checked = library.check(None).unwrap();
    assert!(checked.runs[0].damage.is_some() && checked.runs[1].damage.is_none());
    // The recording of the third note is not in the sound part.
    let key = |round| match &note(round, 0)[0] {
        Entry::Reading(reading) => reading.key.clone(),
        other => panic!("{other:?}"),
    };
    assert_eq!(library.evidence(&id, &key(2)).unwrap(), None);
    assert!(library.evidence(&id, &key(0)).unwrap().is_some());
}

#[test]
fn what_a_person_wrote_can_be_erased_and_the_run_stays_whole() {
    let folder = tempfile::tempdir().unwrap();
    let (store, id) = filled(folder.path());
    let left = model::record::PositionId::new("left");
    store.erase(&id, &store::Words::Unit(left.clone())).unwrap();
    store.erase(&id, &store::Words::Remark(0)).unwrap();
    let record = store.library().unwrap().run(&id).unwrap();
    assert_eq!(record.header.units[&left].serial, "(erased)");
    assert_eq!(record.events[0].text, "(erased)");
    assert!(store.library().unwrap().check(None).unwrap().is_whole());
    drop(store);
    for file in std::fs::read_dir(folder.path()).unwrap() {
        let path = file.unwrap().path();
        if path.is_file() {
            let bytes = std::fs::read(&path).unwrap();
            for words in [&b"the door was open"[..], b"A-7"] {
                assert!(
                    !bytes.windows(words.len()).any(|at| at == words),
                    "{} still has them",
                    path.display()
                );
            }
        }
    }
    // Words put in the place of others are not what was written.
    let store = Store::open(folder.path()).unwrap();
    alter(folder.path(), "UPDATE event SET text = 'all was well'");
    let refused = store.library().unwrap().run(&id).unwrap_err();
    assert!(
        matches!(refused, StoreError::DamagedRun { .. }),
        "{refused}"
    );
}

#[test]
fn a_copy_is_whole_and_replaces_nothing() {
    let folder = tempfile::tempdir().unwrap();
    let (store, id) = filled(&folder.path().join("bench"));
    // While it is written.
    let mut writer = store.writer().unwrap();
    writer.reopen(&model::record::RunId::new(&*id)).unwrap();
    writer.write(&note(9, 0)).unwrap();
    let there = folder.path().join("there");
    let checked = store.library().unwrap().copy_to(&there).unwrap();
    assert!(checked.is_whole(), "{checked:?}");
    let copy = Store::open(&there).unwrap().library().unwrap();
    assert_eq!(
        bits(&copy.run(&id).unwrap()),
        bits(&store.library().unwrap().run(&id).unwrap())
    );
    assert!(copy.check(None).unwrap().is_whole());
    let again = store.library().unwrap().copy_to(&there).unwrap_err();
    assert!(again.to_string().contains("there"), "{again}");
    // A recording that is gone is missed, and nothing half is left.
    let evidence = folder.path().join("bench/evidence").join(&id);
    std::fs::remove_dir_all(evidence).unwrap();
    let elsewhere = folder.path().join("elsewhere");
    let checked = store.library().unwrap().copy_to(&elsewhere).unwrap();
    assert!(!checked.is_whole());
    let names: Vec<_> = std::fs::read_dir(folder.path())
        .unwrap()
        .map(|file| file.unwrap().file_name())
        .collect();
    assert_eq!(names.len(), 3, "{names:?}");
}
