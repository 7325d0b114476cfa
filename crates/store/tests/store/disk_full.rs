use crate::entries::{header_of, note};
use model::port::{Journal, JournalError, Kept};
use model::quantity::Bytes;
use model::record::{Entry, Event, EventKind};
use model::time::{RunTime, Timestamp};
use std::path::Path;
use std::process::Command;
use store::{Standing, Store, StoreError};

const NO_LIMIT: Bytes = Bytes::of(1e18);
const FOLDER: &str = "NIGHTBENCH_TEST_SMALL_DISK";

/// On a disk of a few megabytes.
#[test]
#[ignore = "the child of the test below"]
fn child() {
    let Some(folder) = std::env::var_os(FOLDER) else {
        return tests::skipped("only the test below runs it");
    };
    let folder = Path::new(&folder);
    let store = Store::open(folder).unwrap();
    let mut writer = store.writer().unwrap();
    let id = writer.begin(&header_of("plan")).unwrap();
    let mut notes = 0;
    let full = loop {
        match writer.write(&note(notes, 0)) {
            Ok(()) => notes += 1,
            Err(full) => break full,
        }
        assert!(notes < 100_000, "the disk never filled");
    };
    assert!(matches!(full, JournalError::Full(_)), "{full}");
    assert!(notes > 100, "{notes}");
    for kind in [EventKind::Fault, EventKind::SessionClosed] {
        let end = Entry::Event(Event {
            at: RunTime::START,
            wall: Timestamp::UNIX_EPOCH,
            kind,
            stage: None,
            position: None,
            // Far more than what the refused commit may have left behind.
            text: "the disk is full ".repeat(6000),
        });
        writer.write(&[end]).unwrap();
    }
    drop((writer, store));

    // Full as it still is, the run can be read.
    let library = Store::open(folder).unwrap().library().unwrap();
    let record = library.run(id.as_str()).unwrap();
    assert_eq!(record.readings.len(), notes as usize * 4);
    assert_eq!(record.events.len(), 2);
    assert_eq!(library.runs().unwrap()[0].standing, Standing::Stopped);

    // And taken up again, as far as the room goes; evidence has none.
    let mut writer = Store::open(folder).unwrap().writer().unwrap();
    writer.reopen(&id).unwrap();
    let reading = &record.readings[0].key;
    let kept = writer.keep_evidence(reading, &vec![1; 4 << 20], NO_LIMIT);
    assert!(matches!(kept, Err(StoreError::Full { .. })), "{kept:?}");
    assert_eq!(
        writer.keep_evidence(reading, b"RIFF", NO_LIMIT),
        Ok(Kept::OnDisk)
    );
}

#[test]
fn a_disk_that_fills_costs_the_note_in_progress_and_nothing_else() {
    let folder = tempfile::tempdir().unwrap();
    let own_disk = |then: &str| {
        let mut command = Command::new("unshare");
        let mount = "mount -t tmpfs -o size=4m none \"$1\" && shift && exec \"$@\"";
        // Whoever is not root is root in a world of their own.
        let root = rustix::process::getuid().is_root();
        command
            .arg("--mount")
            .args((!root).then_some("--map-root-user"))
            .args(["sh", "-c", mount, "sh"]);
        command.arg(folder.path()).arg(then);
        command
    };
    if !own_disk("true")
        .output()
        .is_ok_and(|tried| tried.status.success())
    {
        // The same is tested on a pretended limit beside the ballast itself.
        tests::skipped("this machine lets nobody mount a small disk of their own");
        return;
    }
    let child = own_disk(&std::env::current_exe().unwrap().to_string_lossy())
        .args(["disk_full::child", "--exact", "--ignored", "--nocapture"])
        .env(FOLDER, folder.path())
        .output()
        .unwrap();
    let said = String::from_utf8_lossy(&child.stdout) + String::from_utf8_lossy(&child.stderr);
    assert!(child.status.success(), "{said}");
    assert!(said.contains("1 passed"), "{said}");
}
