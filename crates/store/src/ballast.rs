//! A file that only takes up room, to be given up when the disk is full.

use crate::error::StoreError;
use crate::plain;
use std::io::Write;
use std::path::Path;

/// Enough for the entries that end a run, the pages of the log around them and
/// the log's index.
const SIZE: usize = 1 << 20;
const NAME: &str = "ballast";

/// Makes the ballast where it is missing and there is room.
pub(crate) fn lay(folder: &Path) -> Result<(), StoreError> {
    let path = folder.join(NAME);
    let there = plain::look(&path)
        .map_err(|error| StoreError::file("laying the ballast", &path, &error))?;
    if there.is_some_and(|there| there.len() == SIZE as u64) {
        return Ok(());
    }
    // No zeros: a file system that compresses would keep them in no room at all.
    let mut state: u32 = 0x9E37_79B9;
    let filling: Vec<u8> = std::iter::repeat_with(|| {
        // xorshift32, G. Marsaglia, "Xorshift RNGs", Journal of Statistical Software 8(14), 2003.
        state ^= state << 13;
        state ^= state >> 17;
        state ^= state << 5;
        state.to_le_bytes()[0]
    })
    .take(SIZE)
    .collect();
    // Aside first: a half of it would be taken for the whole later on.
    let aside = folder.join("ballast.part");
    let laid = plain::make(&aside)
        .and_then(|mut file| file.write_all(&filling).and_then(|()| file.sync_all()))
        .and_then(|()| std::fs::rename(&aside, &path));
    if laid.is_err() {
        let _ = std::fs::remove_file(&aside);
    }
    Ok(())
}

/// Gives the ballast up when that is what the error calls for, and passes the
/// error on.
pub(crate) fn yield_to(error: StoreError, folder: &Path) -> StoreError {
    let error = if_full(error, folder);
    if matches!(error, StoreError::Full { .. }) {
        let _ = std::fs::remove_file(folder.join(NAME));
    }
    error
}

/// What an error is where the disk is full.
pub(crate) fn if_full(error: StoreError, folder: &Path) -> StoreError {
    match error {
        StoreError::Failed { path, detail, .. } if is_full(folder) => {
            StoreError::full(&path, &detail)
        }
        other => other,
    }
}

/// Whether the disk has no room. The database reports some of the ways to run
/// out of it (the log's index, a sync) as plain failures.
#[cfg(target_os = "linux")]
pub(crate) fn is_full(folder: &Path) -> bool {
    rustix::fs::statvfs(folder)
        .is_ok_and(|disk| disk.f_bavail.saturating_mul(disk.f_frsize) < 65_536)
}

#[cfg(not(target_os = "linux"))]
pub(crate) fn is_full(_folder: &Path) -> bool {
    false
}

#[cfg(test)]
mod tests {
    use super::NAME;
    use crate::{Store, StoreError, Writer};
    use model::port::{Journal, JournalError};
    use model::record::{Entry, Event, EventKind, RunHeader, RunId};
    use model::time::{RunTime, Timestamp};

    fn event(kind: EventKind, text: String) -> Entry {
        Entry::Event(Event {
            at: RunTime::START,
            wall: Timestamp::UNIX_EPOCH,
            kind,
            stage: None,
            position: None,
            text,
        })
    }

    fn begin(writer: &mut Writer) -> RunId {
        let header = RunHeader {
            plan_text: String::new(),
            rig_text: String::new(),
            units: Default::default(),
            program_version: String::new(),
            seed: None,
            began: Timestamp::UNIX_EPOCH,
        };
        writer.begin(&header).unwrap()
    }

    /// Stands for a disk with this much more room: `max_page_count` makes the
    /// database fail as it does when the disk is full.
    fn leave_room(writer: &Writer, pages: i64) {
        let connection = &writer.connection;
        let used: i64 = connection
            .pragma_query_value(None, "page_count", |row| row.get(0))
            .unwrap();
        connection
            .pragma_update(None, "max_page_count", used + pages)
            .unwrap();
    }

    #[test]
    fn a_full_disk_costs_the_ballast_and_the_end_can_be_recorded() {
        let folder = tempfile::tempdir().unwrap();
        let store = Store::open(folder.path()).unwrap();
        let mut writer = store.writer().unwrap();
        let ballast = folder.path().join(NAME);
        assert_eq!(std::fs::metadata(&ballast).unwrap().len(), 1 << 20);
        let id = begin(&mut writer);
        leave_room(&writer, 40);
        let mut kept = 0;
        let full = loop {
            let long = event(EventKind::Remark, "x".repeat(3000));
            let last = event(EventKind::Remark, "y".repeat(9000));
            match writer.write(&[long, last]) {
                Ok(()) => kept += 2,
                Err(full) => break full,
            }
            assert!(kept < 1000, "the disk never filled");
        };
        assert!(matches!(full, JournalError::Full(_)), "{full}");
        assert!(kept > 0);
        assert!(!ballast.exists());
        // What the ballast took up is free now.
        leave_room(&writer, 256);
        writer
            .write(&[event(EventKind::SessionClosed, "the disk is full".into())])
            .unwrap();
        let record = store.library().unwrap().run(id.as_str()).unwrap();
        assert_eq!(record.events.len(), kept + 1, "all of a commit or nothing");
        assert_eq!(record.events[kept].kind, EventKind::SessionClosed);
        // Whoever writes next lays it again.
        drop(writer);
        store.writer().unwrap();
        assert!(ballast.exists());
    }

    #[test]
    fn other_failures_leave_the_ballast() {
        let folder = tempfile::tempdir().unwrap();
        super::lay(folder.path()).unwrap();
        let error = StoreError::Doubled("it".into());
        assert_eq!(super::yield_to(error.clone(), folder.path()), error);
        assert!(folder.path().join(NAME).exists());
    }
}
