use crate::entries::{bits, entry, header, header_of, note, record_of};
use model::port::{Journal, JournalError, commit};
use model::record::{Entry, RunHeader, RunId};
use proptest::collection::vec;
use proptest::prelude::*;
use std::collections::BTreeSet;
use store::{Standing, Store, Writer};

#[derive(Debug, Clone)]
enum Step {
    Begin(u8),
    Write(Vec<Entry>),
    /// An entry that is there already, among new ones.
    Double(Vec<Entry>, usize),
    /// Lays the writer down and takes a run up with a new one.
    Reopen(usize),
}

fn step() -> impl Strategy<Value = Step> {
    prop_oneof![
        1 => (0..2u8).prop_map(Step::Begin),
        5 => vec(entry(), 0..4).prop_map(Step::Write),
        2 => (vec(entry(), 0..3), any::<usize>()).prop_map(|(new, which)| Step::Double(new, which)),
        1 => any::<usize>().prop_map(Step::Reopen),
    ]
}

/// What makes an entry the same as another, where anything does.
fn identity(entry: &Entry) -> Option<String> {
    match entry {
        Entry::Reading(reading) => Some(format!("{:?}", reading.key)),
        Entry::Trace(trace) => Some(format!(
            "{} {:?} {}",
            trace.stage, trace.position, trace.chunk
        )),
        Entry::Gap(_) | Entry::Event(_) => None,
    }
}

fn doubles(there: &[Entry], new: &[Entry]) -> bool {
    let mut seen: BTreeSet<String> = there.iter().filter_map(identity).collect();
    new.iter()
        .filter_map(identity)
        .any(|entry| !seen.insert(entry))
}

#[derive(Default)]
struct Reference {
    runs: Vec<(RunId, RunHeader, Vec<Entry>)>,
    current: Option<usize>,
}

impl Reference {
    fn check(&self, store: &Store) {
        let library = store.library().unwrap();
        let summaries = library.runs().unwrap();
        assert_eq!(summaries.len(), self.runs.len());
        for (at, (summary, (id, header, entries))) in summaries.iter().zip(&self.runs).enumerate() {
            let expected = record_of(id.as_str(), header, entries);
            let record = library.run(id.as_str()).unwrap();
            assert_eq!(bits(&record), bits(&expected));
            assert_eq!(&summary.id, id);
            assert_eq!(&summary.header, header);
            assert_eq!(summary.counts.readings, record.readings.len() as u64);
            assert_eq!(summary.counts.traces, record.traces.len() as u64);
            assert_eq!(summary.counts.gaps, record.gaps.len() as u64);
            assert_eq!(summary.counts.events, record.events.len() as u64);
            let nothing_kept =
                record.readings.is_empty() && record.traces.is_empty() && record.events.is_empty();
            if !nothing_kept {
                assert_eq!(summary.last_instant, record.last_instant());
            }
            let standing = if record.is_complete() {
                Standing::Complete
            } else if self.current == Some(at) {
                Standing::InProgress
            } else {
                Standing::Stopped
            };
            assert_eq!(summary.standing, standing);
        }
    }

    fn write(&mut self, writer: &mut Writer, new: Vec<Entry>) {
        let Some(current) = self.current else {
            assert!(matches!(writer.write(&new), Err(JournalError::Failed(_))));
            return;
        };
        let there = &mut self.runs[current].2;
        if doubles(there, &new) {
            assert!(matches!(writer.write(&new), Err(JournalError::Doubled(_))));
        } else {
            let committed = commit(writer, new.clone()).unwrap();
            assert_eq!(committed.entries(), new);
            there.extend(new);
        }
    }
}

fn play(headers: &[RunHeader; 2], steps: Vec<Step>) {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let mut writer = store.writer().unwrap();
    let mut reference = Reference::default();
    for step in steps {
        match step {
            Step::Begin(which) => {
                let header = &headers[usize::from(which)];
                let id = writer.begin(header).unwrap();
                assert!(reference.runs.iter().all(|(other, _, _)| *other != id));
                reference.runs.push((id, header.clone(), Vec::new()));
                reference.current = Some(reference.runs.len() - 1);
            }
            Step::Write(new) => reference.write(&mut writer, new),
            Step::Double(mut new, which) => {
                if let Some(current) = reference.current {
                    let there = &reference.runs[current].2;
                    if !there.is_empty() {
                        new.push(there[which % there.len()].clone());
                    }
                }
                reference.write(&mut writer, new);
            }
            Step::Reopen(which) => {
                if !reference.runs.is_empty() {
                    let which = which % reference.runs.len();
                    let (id, header, entries) = &reference.runs[which];
                    drop(writer);
                    writer = store.writer().unwrap();
                    let record = writer.reopen(id).unwrap();
                    assert_eq!(
                        bits(&record),
                        bits(&record_of(id.as_str(), header, entries))
                    );
                    reference.current = Some(which);
                }
            }
        }
    }
    reference.check(&store);
    drop(writer);
    drop(store);
    // And so it stays, for whoever comes next.
    reference.current = None;
    reference.check(&Store::open(folder.path()).unwrap());
}

proptest! {
    #![proptest_config(ProptestConfig { cases: ProptestConfig::default().cases / 5, failure_persistence: None, ..ProptestConfig::default() })]
    #[test]
    fn the_store_does_what_a_list_does(one in header(), other in header(), steps in vec(step(), 1..25)) {
        let mut steps = steps;
        steps.insert(0, Step::Begin(0));
        play(&[one, other], steps);
    }
}

#[test]
fn the_same_run_again_gets_an_ordinal() {
    let folder = tempfile::tempdir().unwrap();
    let elsewhere = tempfile::tempdir().unwrap();
    let mut writer = Store::open(folder.path()).unwrap().writer().unwrap();
    let first = writer.begin(&header_of("plan")).unwrap();
    let second = writer.begin(&header_of("plan")).unwrap();
    let third = writer.begin(&header_of("plan")).unwrap();
    let other = writer.begin(&header_of("another plan")).unwrap();
    assert_eq!(second.as_str(), format!("{first}-2"));
    assert_eq!(third.as_str(), format!("{first}-3"));
    assert_ne!(other.as_str()[..8], first.as_str()[..8]);
    // The identifier is the run's, not the store's.
    let mut writer = Store::open(elsewhere.path()).unwrap().writer().unwrap();
    assert_eq!(writer.begin(&header_of("plan")).unwrap(), first);
}

#[test]
fn a_run_kept_whole_is_there_with_all_it_holds_or_not_at_all() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let mut writer = store.writer().unwrap();
    let header = header_of("plan");
    let entries = [note(0, 0), note(0, 1)].concat();
    let id = writer.keep_whole(&header, &entries).unwrap();
    let kept = store.library().unwrap().run(id.as_str()).unwrap();
    assert_eq!(
        bits(&kept),
        bits(&record_of(id.as_str(), &header, &entries))
    );
    // What comes after it has the next number.
    commit(&mut writer, note(0, 2)).unwrap();
    // One reading twice: nothing of such a run is kept.
    let twice = [note(0, 0), note(0, 0)].concat();
    writer.keep_whole(&header, &twice).unwrap_err();
    assert_eq!(store.library().unwrap().runs().unwrap().len(), 1);
}

#[test]
fn a_run_is_taken_up_by_the_beginning_of_its_name() {
    let folder = tempfile::tempdir().unwrap();
    let store = Store::open(folder.path()).unwrap();
    let mut writer = store.writer().unwrap();
    let refused = writer.reopen(&RunId::new("0")).unwrap_err();
    assert!(matches!(refused, JournalError::NoSuchRun(_)), "{refused}");
    let id = writer.begin(&header_of("plan")).unwrap();
    let record = writer.reopen(&RunId::new(&id.as_str()[..3])).unwrap();
    assert_eq!(record.id, id);
    assert_eq!(writer.run(), Some(id.clone()));
    writer.begin(&header_of("plan")).unwrap();
    let refused = writer.reopen(&RunId::new(&id.as_str()[..3])).unwrap_err();
    assert!(
        refused.to_string().contains("the beginning of 2 runs"),
        "{refused}"
    );
    assert_eq!(writer.reopen(&id).unwrap().id, id);
}
