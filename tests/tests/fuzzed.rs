//! The targets of `tests/fuzz` on a stable compiler: their corpus, and mutations of it.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use std::time::Duration;
use tests::fuzzed;
use tests::hostile::{cases, seed};
use tests::program::{command, repository, told};

/// No case takes so long but one that hangs.
const HANGING: Duration = Duration::from_secs(300);

/// The committed corpus of a target, in a fixed order.
fn corpus(target: &str) -> Vec<Vec<u8>> {
    let folder = repository().join("tests/fuzz/corpus").join(target);
    let mut files: Vec<_> = std::fs::read_dir(&folder)
        .expect("the corpus")
        .map(|entry| entry.expect("the corpus").path())
        .collect();
    files.sort();
    files
        .iter()
        .map(|file| std::fs::read(file).expect("the corpus"))
        .collect()
}

fn shipped(folder: &str) -> Vec<Vec<u8>> {
    let folder = repository().join(folder);
    let mut files: Vec<_> = std::fs::read_dir(&folder)
        .expect("the shipped documents")
        .map(|entry| entry.expect("the shipped documents").path())
        .filter(|file| file.is_file())
        .collect();
    files.sort();
    files
        .iter()
        .map(|file| std::fs::read(file).expect("a shipped document"))
        .collect()
}

struct Dice(ChaCha8Rng);

impl Dice {
    fn below(&mut self, end: usize) -> usize {
        (self.0.next_u64() % end.max(1) as u64) as usize
    }

    /// One to four changes: bytes flipped, set, taken out, doubled, put in from another.
    fn mutated(&mut self, all: &[Vec<u8>]) -> Vec<u8> {
        let mut bytes = all[self.below(all.len())].clone();
        for _ in 0..=self.below(4) {
            let at = self.below(bytes.len());
            let length = 1 + self.below(16);
            let end = (at + length).min(bytes.len());
            match self.below(7) {
                0 if at < bytes.len() => bytes[at] ^= 1 << self.below(8),
                1 if at < bytes.len() => bytes[at] = [0, 0xff, 0x7f, b'9', b'\n'][self.below(5)],
                2 => drop(bytes.drain(at..end)),
                3 => {
                    let piece = bytes[at..end].to_vec();
                    bytes.splice(at..at, piece);
                }
                4 => {
                    let other = &all[self.below(all.len())];
                    let from = self.below(other.len());
                    let to = (from + 4 * length).min(other.len());
                    bytes.splice(at..end, other[from..to].iter().copied());
                }
                5 => bytes.truncate(at),
                _ => {
                    let word = WORDS[self.below(WORDS.len())];
                    bytes.splice(at..at, word.bytes());
                }
            }
        }
        bytes
    }
}

/// What has a meaning in one of the formats.
const WORDS: [&str; 16] = [
    "-1",
    "1e999",
    "nan",
    "99999999999999999999",
    "\u{202e}",
    "\"",
    "'",
    "{",
    "[",
    ": ",
    "- ",
    "&a ",
    "*a",
    ",",
    "\r\n",
    "\u{0}",
];

/// Feeds a target its corpus, and so many mutations of it.
fn fed(target: fn(&[u8]), corpus: &[Vec<u8>], mutations: u32) {
    assert!(!corpus.is_empty());
    let mut dice = Dice(ChaCha8Rng::seed_from_u64(seed()));
    let mutated = std::iter::repeat_with(|| dice.mutated(corpus)).take(mutations as usize);
    for (number, bytes) in corpus.iter().cloned().chain(mutated).enumerate() {
        let kept = bytes.clone();
        devices::deadline::within(HANGING, move || target(&bytes)).unwrap_or_else(|| {
            panic!(
                "case {number} panicked, or hung for {HANGING:?}: {}",
                kept.escape_ascii()
            )
        });
    }
}

#[test]
fn a_plan_may_be_anything() {
    let all = [corpus("plan"), shipped("rigs/plans")].concat();
    fed(fuzzed::plan, &all, cases(200, 20_000));
}

#[test]
fn a_rig_may_be_anything() {
    let all = [corpus("rig"), shipped("rigs")].concat();
    fed(fuzzed::rig, &all, cases(200, 20_000));
}

#[test]
fn an_answer_of_an_instrument_may_be_anything() {
    fed(fuzzed::scpi, &corpus("scpi"), cases(200, 20_000));
}

#[test]
fn a_recording_may_be_anything() {
    fed(fuzzed::wav, &corpus("wav"), cases(100, 20_000));
}

#[test]
fn a_table_of_notes_may_be_anything() {
    fed(fuzzed::schedule, &corpus("schedule"), cases(100, 20_000));
}

#[test]
fn the_file_of_a_store_may_be_anything() {
    // Made by a run, as a database is too large to be written by hand.
    let folder = tempfile::tempdir().expect("a folder");
    let path = |name: &str| folder.path().join(name).display().to_string();
    let plan = "nightbench: plan 1\ntitle: Short\nreference: C4\npreflight: false\nstages:\n  \
                - sweep: {name: notes, notes: {list: [C4, C3]}}\n";
    std::fs::write(path("plan.yaml"), plan).expect("a plan");
    let rig = repository().join("rigs/simulated.yaml");
    let output = command(&["run", &path("plan.yaml"), "--rig"])
        .arg(rig)
        .args(["--store", &path("store")])
        .output()
        .expect("the program starts");
    assert!(output.status.success(), "{}", told(&output));
    let made = std::fs::read(folder.path().join("store/nightbench.sqlite")).expect("a store");
    fed(fuzzed::store, &[made], cases(20, 1_000));
}

/// The targets for cargo-fuzz stand for themselves in a workspace of their own, which the
/// stable build never compiles: each of them must at least name one of these.
#[test]
fn every_target_has_its_test() {
    let folder = repository().join("tests/fuzz/fuzz_targets");
    let mut names: Vec<String> = std::fs::read_dir(folder)
        .expect("the targets")
        .map(|entry| entry.expect("a target").path())
        .map(|file| {
            file.file_stem()
                .expect("a name")
                .to_string_lossy()
                .into_owned()
        })
        .collect();
    names.sort();
    assert_eq!(names, ["plan", "rig", "schedule", "scpi", "store", "wav"]);
}
