use crate::entries::{header_of, note};
use model::port::{Journal, JournalError, Kept, Request};
use model::quantity::Bytes;
use model::record::{Entry, Event, EventKind, ReadingKey};
use model::time::{RunTime, Timestamp};
use std::sync::atomic::{AtomicBool, Ordering};
use store::{Standing, Store, StoreError};

#[test]
fn a_run_has_one_writer() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let mut writer = store.writer().unwrap();
    let run = writer.begin(&header_of("plan")).unwrap();
    let mut other = store.writer().unwrap();
    let refused = other.reopen(&run).unwrap_err();
    assert!(matches!(refused, JournalError::InUse(_)), "{refused}");
    // Another run of the same store is nobody's.
    other.begin(&header_of("another plan")).unwrap();
    other.write(&note(0, 0)).unwrap();
    writer.write(&note(0, 0)).unwrap();
    drop(writer);
    other.reopen(&run).unwrap();
}

#[test]
fn readers_see_whole_notes_while_a_run_is_written() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let mut writer = store.writer().unwrap();
    let run = writer.begin(&header_of("plan")).unwrap();
    let done = AtomicBool::new(false);
    std::thread::scope(|scope| {
        let reader = scope.spawn(|| {
            let library = Store::open(folder.path()).unwrap().library().unwrap();
            let (mut seen, mut looks) = (0, 0);
            while !done.load(Ordering::SeqCst) {
                let record = library.run(run.as_str()).unwrap();
                let rounds: Vec<u32> = record.readings.iter().map(|r| r.key.round).collect();
                let expected: Vec<u32> =
                    (0..rounds.len() as u32 / 4).flat_map(|r| [r; 4]).collect();
                assert_eq!(rounds, expected);
                assert!(rounds.len() >= seen);
                assert_eq!(library.runs().unwrap()[0].standing, Standing::InProgress);
                seen = rounds.len();
                looks += 1;
            }
            looks
        });
        // More than the thousand pages after which the log is worked off.
        for round in 0..400 {
            writer.write(&note(round, 0)).unwrap();
        }
        done.store(true, Ordering::SeqCst);
        assert!(reader.join().unwrap() > 0);
    });
}

#[test]
fn requests_reach_the_run_once_and_in_order() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let mut writer = store.writer().unwrap();
    let run = writer.begin(&header_of("plan")).unwrap();
    assert_eq!(writer.requests().unwrap(), []);
    let library = store.library().unwrap();
    let remark = Request::Remark("door opened".into());
    library.request(run.as_str(), &remark).unwrap();
    library.request(&run.as_str()[..4], &Request::Stop).unwrap();
    assert_eq!(writer.requests().unwrap(), [remark.clone(), Request::Stop]);
    assert_eq!(writer.requests().unwrap(), []);

    // Nothing was committed since, so nothing came of them: a remark is there for
    // the next session, a wish to stop was this one's.
    drop(writer);
    let mut writer = store.writer().unwrap();
    writer.reopen(&run).unwrap();
    assert_eq!(writer.requests().unwrap(), [remark]);
    writer.write(&note(0, 0)).unwrap();
    drop(writer);
    let mut writer = store.writer().unwrap();
    writer.reopen(&run).unwrap();
    assert_eq!(writer.requests().unwrap(), []);

    drop(writer);
    let refused = library.request(run.as_str(), &Request::Stop).unwrap_err();
    assert!(matches!(refused, StoreError::NotInProgress(_)), "{refused}");
}

fn closed() -> Entry {
    Entry::Event(Event {
        at: RunTime::START,
        wall: Timestamp::UNIX_EPOCH,
        kind: EventKind::SessionClosed,
        stage: None,
        position: None,
        text: "laid down".into(),
    })
}

#[test]
fn a_session_is_not_closed_over_a_request_nor_asked_once_it_is_closed() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let mut writer = store.writer().unwrap();
    let run = writer.begin(&header_of("plan")).unwrap();
    let library = store.library().unwrap();
    let remarks = ["one", "two"].map(|text| Request::Remark(text.into()));
    library.request(run.as_str(), &remarks[0]).unwrap();
    assert_eq!(writer.requests().unwrap(), remarks[..1]);
    library.request(run.as_str(), &remarks[1]).unwrap();
    assert_eq!(writer.write(&[closed()]), Err(JournalError::Unheard));
    // Nothing stands for the first one either.
    assert_eq!(writer.requests().unwrap(), remarks);
    writer.write(&[closed()]).unwrap();
    // The process is still there.
    let late = library.request(run.as_str(), &remarks[0]).unwrap_err();
    assert!(matches!(late, StoreError::NotInProgress(_)), "{late}");
    assert_eq!(library.run(run.as_str()).unwrap().events.len(), 1);
}

#[test]
fn a_remark_that_nobody_took_up_is_told_of() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let mut writer = store.writer().unwrap();
    let run = writer.begin(&header_of("plan")).unwrap();
    let library = store.library().unwrap();
    library
        .request(run.as_str(), &Request::Remark("one".into()))
        .unwrap();
    library.request(run.as_str(), &Request::Stop).unwrap();
    drop(writer);
    let record = library.run(run.as_str()).unwrap();
    assert_eq!(record.events.len(), 1);
    assert_eq!(record.events[0].text, "one");
    // What is carried on begins without it, and takes it up.
    let mut writer = store.writer().unwrap();
    assert!(writer.reopen(&run).unwrap().events.is_empty());
}

#[test]
fn what_is_in_the_place_of_a_store_is_neither_written_nor_read() {
    for name in [
        "nightbench.sqlite",
        "nightbench.sqlite-wal",
        "nightbench.sqlite-shm",
    ] {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(folder.path()).unwrap();
        let mut writer = store.writer().unwrap();
        let run = writer.begin(&header_of("plan")).unwrap();
        writer.write(&note(0, 0)).unwrap();
        let path = folder.path().join(name);
        std::fs::rename(&path, folder.path().join("aside")).unwrap();
        std::fs::copy(folder.path().join("aside"), &path).unwrap();
        let gone = |error: JournalError| assert!(matches!(error, JournalError::Gone(_)), "{error}");
        gone(writer.requests().unwrap_err());
        gone(writer.write(&note(1, 0)).unwrap_err());
        gone(writer.reopen(&run).unwrap_err());
        let reading = &note(0, 0)[0];
        let Entry::Reading(reading) = reading else {
            panic!("{reading:?}")
        };
        let kept = writer.keep_evidence(&reading.key, b"RIFF", Bytes::of(100.0));
        assert!(matches!(kept, Err(StoreError::Gone { .. })), "{kept:?}");
        assert!(!folder.path().join("evidence").exists());
        if name == "nightbench.sqlite" {
            let refused = store.library().unwrap_err();
            assert!(matches!(refused, StoreError::Gone { .. }), "{refused}");
        }
    }
}

#[test]
fn the_heartbeat_is_that_of_the_living() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let mut writer = store.writer().unwrap();
    let before = Timestamp::now();
    writer.begin(&header_of("plan")).unwrap();
    let library = store.library().unwrap();
    let first = library.runs().unwrap()[0].heartbeat.unwrap();
    assert!(first >= before);
    std::thread::sleep(std::time::Duration::from_millis(1050));
    writer.write(&note(0, 0)).unwrap();
    assert!(library.runs().unwrap()[0].heartbeat.unwrap() > first);
}

fn key(entry: &Entry) -> &ReadingKey {
    match entry {
        Entry::Reading(reading) => &reading.key,
        other => panic!("{other:?} is no reading"),
    }
}

#[test]
fn evidence_is_kept_within_its_budget_and_orphans_are_swept() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let mut writer = store.writer().unwrap();
    let run = writer.begin(&header_of("plan")).unwrap();
    let readings = note(0, 0);
    let [first, second, third, _] = &readings[..] else {
        panic!("a note has four readings");
    };
    let early = writer
        .keep_evidence(key(first), b"RIFF one", Bytes::of(100.0))
        .unwrap_err();
    assert!(
        early
            .to_string()
            .contains("there is no reading of stage 4, round 1"),
        "{early}"
    );
    writer.write(&readings).unwrap();
    assert_eq!(
        writer.keep_evidence(key(first), b"RIFF one", Bytes::of(16.0)),
        Ok(Kept::OnDisk)
    );
    assert_eq!(
        writer.keep_evidence(key(second), b"RIFF two", Bytes::of(16.0)),
        Ok(Kept::OnDisk)
    );
    assert_eq!(
        writer.keep_evidence(key(third), b"RIFF three", Bytes::of(16.0)),
        Ok(Kept::OverBudget)
    );
    let again = writer
        .keep_evidence(key(first), b"RIFF other", Bytes::of(100.0))
        .unwrap_err();
    assert!(matches!(again, StoreError::Doubled(_)), "{again}");

    // What a killed process leaves: a file without its name, and one whose hash was
    // not committed (the refused one above is another).
    let home = folder.path().join("evidence").join(run.as_str());
    std::fs::write(home.join("aa".repeat(32) + ".part"), "RI").unwrap();
    std::fs::write(home.join("bb".repeat(32) + ".wav"), "RIFF").unwrap();
    // Not of this program: somebody else's business.
    std::fs::write(home.join("notes.txt"), "left channel").unwrap();
    std::fs::create_dir(home.join("edited")).unwrap();
    drop(writer);
    let mut writer = store.writer().unwrap();
    writer.reopen(&run).unwrap();
    assert_eq!(std::fs::read_dir(&home).unwrap().count(), 4);

    let library = store.library().unwrap();
    let fetched = library.evidence(run.as_str(), key(second)).unwrap();
    assert_eq!(fetched.as_deref(), Some(&b"RIFF two"[..]));
    assert_eq!(library.evidence(run.as_str(), key(third)), Ok(None));
    std::fs::remove_dir(home.join("edited")).unwrap();
    for file in std::fs::read_dir(&home).unwrap() {
        std::fs::write(file.unwrap().path(), "RIFF 2wo").unwrap();
    }
    let spoilt = library.evidence(run.as_str(), key(second)).unwrap_err();
    assert!(matches!(spoilt, StoreError::Damaged { .. }), "{spoilt}");
}
