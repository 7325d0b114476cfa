use crate::entries::{header_of, note};
use model::port::{Journal, JournalError};
use model::record::RunId;
use store::{Store, StoreError};

const DATABASE: &str = "nightbench.sqlite";
const LOG: &str = "nightbench.sqlite-wal";

/// A store with its log still beside it, as a power cut leaves it.
struct Cut {
    id: RunId,
    database: Vec<u8>,
    log: Vec<u8>,
    /// After each commit, beginning with the one that began the run: the number of bytes of
    /// the log, and what the tally says.
    commits: Vec<(u64, Vec<u8>)>,
}

fn store_with_log(commits: u32) -> Cut {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name);
    let mut writer = Store::open(folder.path()).unwrap().writer().unwrap();
    let id = writer.begin(&header_of("plan")).unwrap();
    let state = || {
        (
            std::fs::metadata(path(LOG)).unwrap().len(),
            std::fs::read(path("tally").join(id.as_str())).unwrap(),
        )
    };
    let mut states = vec![state()];
    for round in 0..commits {
        writer.write(&note(round, 0)).unwrap();
        states.push(state());
    }
    Cut {
        database: std::fs::read(path(DATABASE)).unwrap(),
        log: std::fs::read(path(LOG)).unwrap(),
        id: id.clone(),
        commits: states,
    }
}

impl Cut {
    /// How many commits a log of so many bytes holds in whole.
    fn whole(&self, bytes: u64) -> usize {
        self.commits.iter().filter(|(end, _)| *end <= bytes).count()
    }

    fn laid(&self, log: &[u8], tally: Option<&[u8]>) -> tempfile::TempDir {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join(DATABASE), &self.database).unwrap();
        std::fs::write(folder.path().join(LOG), log).unwrap();
        if let Some(tally) = tally {
            std::fs::create_dir(folder.path().join("tally")).unwrap();
            std::fs::write(folder.path().join("tally").join(self.id.as_str()), tally).unwrap();
        }
        folder
    }

    /// With this log and the tally of its last commit, or of the one before: what it holds is
    /// there, and can be carried on.
    fn opens_to_what_was_committed(&self, log: &[u8], whole: usize) {
        // Not even the run.
        let Some(last) = whole.checked_sub(1) else {
            let folder = self.laid(log, None);
            let library = Store::open(folder.path()).unwrap().library().unwrap();
            let found = library.run(self.id.as_str());
            assert!(matches!(found, Err(StoreError::NoSuchRun(_))), "{found:?}");
            return;
        };
        for tally in [last, last.saturating_sub(1)] {
            let folder = self.laid(log, Some(&self.commits[tally].1));
            let store = Store::open(folder.path()).unwrap();
            let record = store.library().unwrap().run(self.id.as_str()).unwrap();
            let found: Vec<u32> = record.readings.iter().map(|r| r.key.round).collect();
            let expected: Vec<u32> = (0..last as u32).flat_map(|round| [round; 4]).collect();
            assert_eq!(found, expected, "whole notes, none left out");
            let mut writer = store.writer().unwrap();
            writer.reopen(&self.id).unwrap();
            writer.write(&note(last as u32, 0)).unwrap();
            drop(writer);
            store.library().unwrap().run(self.id.as_str()).unwrap();
        }
    }

    /// With this log and the tally of the last commit of all: that something is lost is said,
    /// and the run is not carried on from what is left.
    fn tells_what_is_lost(&self, log: &[u8], whole: usize) {
        let (_, tally) = self.commits.last().unwrap();
        let folder = self.laid(log, Some(tally));
        let store = Store::open(folder.path()).unwrap();
        let lost = self.commits.len() > whole;
        let readings = 4 * whole.saturating_sub(1);
        match store.library().unwrap().run(self.id.as_str()) {
            Ok(record) => {
                assert!(!lost);
                assert_eq!(record.readings.len(), readings);
            }
            Err(StoreError::DamagedRun { damage, .. }) => {
                assert!(lost);
                assert_eq!(damage.sound_readings as usize, readings);
                assert_eq!(damage.committed.1 as usize, 4 * (self.commits.len() - 1));
            }
            Err(other) => panic!("{other}"),
        }
        let carried_on = store.writer().unwrap().reopen(&self.id);
        assert_eq!(
            matches!(carried_on, Err(JournalError::Damaged(_))),
            lost,
            "{carried_on:?}"
        );
    }
}

#[test]
fn a_log_cut_off_anywhere_opens_to_what_was_committed_until_there() {
    let cut = store_with_log(6);
    let ends: Vec<u64> = cut.commits.iter().map(|(end, _)| *end).collect();
    assert!(ends.windows(2).all(|pair| pair[0] < pair[1]), "{ends:?}");
    assert_eq!(ends.last().copied(), Some(cut.log.len() as u64));
    // Every end of a commit and its neighbours, the log's own header, and places between.
    let around = ends.iter().flat_map(|end| [end - 1, *end, end + 1]);
    let between = (0..cut.log.len() as u64).step_by(5999);
    for bytes in around
        .chain([0, 1, 31, 32, 33])
        .chain(between)
        .filter(|bytes| *bytes <= cut.log.len() as u64)
    {
        let log = &cut.log[..bytes as usize];
        cut.opens_to_what_was_committed(log, cut.whole(bytes));
        cut.tells_what_is_lost(log, cut.whole(bytes));
    }
}

#[test]
fn what_follows_a_spoilt_byte_of_the_log_is_known_to_be_lost() {
    let cut = store_with_log(6);
    // The header of the log takes 32 bytes; spoiling any byte of a frame breaks its checksum.
    for spoilt in (32..cut.log.len()).step_by(4357) {
        let mut log = cut.log.clone();
        log[spoilt] ^= 0x40;
        cut.opens_to_what_was_committed(&log, cut.whole(spoilt as u64));
        cut.tells_what_is_lost(&log, cut.whole(spoilt as u64));
    }
}
