use crate::entries::{header_of, note};
use model::port::Journal;
use model::record::RunId;
use std::path::Path;
use store::{Store, StoreError};

const DATABASE: &str = "nightbench.sqlite";
const LOG: &str = "nightbench.sqlite-wal";

/// A store with its log still beside it: the number of bytes of the log after
/// each commit, beginning with the one that began the run.
fn store_with_log(folder: &Path, commits: u32) -> (RunId, Vec<u64>) {
    let mut writer = Store::open(folder).unwrap().writer().unwrap();
    let id = writer.begin(&header_of("plan")).unwrap();
    let log = || std::fs::metadata(folder.join(LOG)).unwrap().len();
    let mut ends = vec![log()];
    for round in 0..commits {
        writer.write(&note(round, 0)).unwrap();
        ends.push(log());
    }
    // A closed store has no log; this copy is what a power cut leaves.
    let kept = folder.join("kept");
    std::fs::create_dir(&kept).unwrap();
    for file in [DATABASE, LOG] {
        std::fs::copy(folder.join(file), kept.join(file)).unwrap();
    }
    (id, ends)
}

/// How many commits a store has that was left with this log; `None` when not even
/// the run is there.
fn commits_found(database: &[u8], log: &[u8], id: &RunId) -> Option<usize> {
    let folder = tempfile::tempdir().unwrap();
    std::fs::write(folder.path().join(DATABASE), database).unwrap();
    std::fs::write(folder.path().join(LOG), log).unwrap();
    let store = Store::open(folder.path()).unwrap();
    let record = match store.library().unwrap().run(id.as_str()) {
        Ok(record) => record,
        Err(StoreError::NoSuchRun(_)) => return None,
        Err(other) => panic!("{other}"),
    };
    let rounds: Vec<u32> = record
        .readings
        .iter()
        .map(|reading| reading.key.round)
        .collect();
    let commits = rounds.len() / 4;
    let expected: Vec<u32> = (0..commits as u32).flat_map(|round| [round; 4]).collect();
    assert_eq!(
        rounds, expected,
        "whole notes, from the first on, none left out"
    );
    // And the run can be carried on.
    let mut writer = store.writer().unwrap();
    writer.reopen(id).unwrap();
    writer.write(&note(commits as u32, 0)).unwrap();
    Some(commits)
}

#[test]
fn a_log_cut_off_anywhere_opens_to_what_was_committed_until_there() {
    let folder = tempfile::tempdir().unwrap();
    let (id, ends) = store_with_log(folder.path(), 6);
    let kept = folder.path().join("kept");
    let database = std::fs::read(kept.join(DATABASE)).unwrap();
    let log = std::fs::read(kept.join(LOG)).unwrap();
    assert!(ends.windows(2).all(|pair| pair[0] < pair[1]), "{ends:?}");
    assert_eq!(ends.last().copied(), Some(log.len() as u64));
    // Every end of a commit and its neighbours, the log's own header, and places between.
    let around = ends.iter().flat_map(|end| [end - 1, *end, end + 1]);
    let between = (0..log.len() as u64).step_by(1499);
    for cut in around
        .chain(0..40)
        .chain(between)
        .filter(|cut| *cut <= log.len() as u64)
    {
        let whole = ends.iter().filter(|end| **end <= cut).count();
        let found = commits_found(&database, &log[..cut as usize], &id);
        assert_eq!(
            found.map_or(0, |commits| commits + 1),
            whole,
            "cut at byte {cut}"
        );
    }
}

#[test]
fn what_follows_a_spoilt_byte_of_the_log_is_dropped_and_nothing_before_it() {
    let folder = tempfile::tempdir().unwrap();
    let (id, ends) = store_with_log(folder.path(), 6);
    let kept = folder.path().join("kept");
    let database = std::fs::read(kept.join(DATABASE)).unwrap();
    let log = std::fs::read(kept.join(LOG)).unwrap();
    // The header of the log takes 32 bytes; spoiling any byte of a frame breaks its checksum.
    for spoilt in (32..log.len()).step_by(2357) {
        let mut log = log.clone();
        log[spoilt] ^= 0x40;
        let whole = ends.iter().filter(|end| **end <= spoilt as u64).count();
        let found = commits_found(&database, &log, &id);
        assert_eq!(
            found.map_or(0, |commits| commits + 1),
            whole,
            "byte {spoilt}"
        );
    }
}
