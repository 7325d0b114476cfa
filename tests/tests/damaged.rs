//! A damaged run is refused everywhere with one sentence; what of it is sound is read when
//! that is asked for, and is marked as what it is.

use serde_json::Value;
use std::path::{Path, PathBuf};
use std::process::Output;
use tests::program::{last_word, repository, run, told};

const PLAN: &str = "\
nightbench: plan 1
title: Short
reference: C4
listen: {settle: {fixed: 100 ms}, window: {fixed: 200 ms}}
stages:
  - rounds: {name: notes, notes: {list: [C4, C2, C6, C4]}, every: 10 s, for: 40 s}
";

struct Bench(tempfile::TempDir);

impl Bench {
    /// A store with a run in it that has ended, and the run's identifier.
    fn new() -> (Self, String) {
        let bench = Self(tempfile::tempdir().unwrap());
        std::fs::write(bench.at("plan.yaml"), PLAN).unwrap();
        let rig = repository()
            .join("rigs/simulated.yaml")
            .display()
            .to_string();
        let plan = bench.at("plan.yaml").display().to_string();
        let output = bench.run(&["run", &plan, "--rig", &rig]);
        assert!(
            matches!(output.status.code(), Some(0 | 1 | 4)),
            "{}",
            told(&output)
        );
        (bench, last_word(&output))
    }
    fn at(&self, name: &str) -> PathBuf {
        self.0.path().join(name)
    }
    /// The program on the store, or on another one.
    fn run(&self, arguments: &[&str]) -> Output {
        let store = self.at("store").display().to_string();
        run(&[arguments, &["--store", &store]].concat())
    }
    fn alter(&self, sql: &str) {
        alter(&self.at("store"), sql);
    }
}

fn alter(store: &Path, sql: &str) {
    let database = rusqlite::Connection::open(store.join("nightbench.sqlite")).unwrap();
    assert!(database.execute(sql, []).unwrap() > 0);
}

fn out(output: &Output) -> String {
    String::from_utf8_lossy(&output.stdout).into_owned()
}

#[test]
fn a_damaged_run_is_refused_and_its_sound_part_is_marked() {
    let (bench, id) = Bench::new();
    let checked = bench.run(&["store", "check"]);
    assert_eq!(checked.status.code(), Some(0), "{}", told(&checked));
    assert!(out(&checked).contains("whole"), "{}", told(&checked));
    bench.alter("UPDATE reading SET hz = hz + 1 WHERE stage = 0 AND round = 2 AND slot = 1");

    let page = bench.at("page.html").display().to_string();
    for arguments in [
        &["show", &id][..],
        &["show", &id, "--format", "json"],
        &["report", &id, "--out", &page],
        &["export", &id],
        &["export", &id, "--format", "json"],
        &["compare", &id],
        &["batch", &id],
        &["resume", &id],
    ] {
        let output = bench.run(arguments);
        let said = String::from_utf8_lossy(&output.stderr);
        assert_eq!(output.status.code(), Some(3), "{}", told(&output));
        assert!(out(&output).is_empty(), "{}", told(&output));
        assert!(
            said.contains("is damaged") && said.contains("a reading"),
            "{said}"
        );
        assert!(said.contains("can be relied on"), "{said}");
        assert!(said.contains(&format!("show {id} --sound-part")), "{said}");
        assert_eq!(said.trim().lines().count(), 1, "{said}");
    }
    assert!(!bench.at("page.html").exists());

    let listed = bench.run(&["runs"]);
    assert_eq!(listed.status.code(), Some(3), "{}", told(&listed));
    assert!(out(&listed).contains("damaged"), "{}", told(&listed));
    let checked = bench.run(&["store", "check", &id]);
    assert_eq!(checked.status.code(), Some(3), "{}", told(&checked));

    let show = bench.run(&["show", &id, "--sound-part"]);
    assert_eq!(show.status.code(), Some(3), "{}", told(&show));
    assert!(
        out(&show).starts_with("This is a part of a damaged run."),
        "{}",
        told(&show)
    );
    for command in ["show", "export"] {
        let output = bench.run(&[command, &id, "--sound-part", "--format", "json"]);
        assert_eq!(output.status.code(), Some(3), "{}", told(&output));
        let document: Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!(document["complete"], false);
        assert!(document["damage"].as_str().unwrap().contains("a reading"));
        // Two rounds are whole.
        if let Some(readings) = document["readings"].as_array() {
            assert!(
                readings
                    .iter()
                    .all(|reading| reading["round"].as_u64() < Some(3))
            );
            assert!(readings.len() >= 8);
        }
    }
    let table = bench.run(&["export", &id, "--sound-part"]);
    assert!(
        out(&table).contains("part of a damaged run"),
        "{}",
        told(&table)
    );
    let report = bench.run(&["report", &id, "--sound-part", "--out", &page]);
    assert_eq!(report.status.code(), Some(3), "{}", told(&report));
    let written = std::fs::read_to_string(&page).unwrap();
    assert!(written.contains("Part of a damaged run"));
}

#[test]
fn a_run_that_lost_its_log_is_not_begun_anew() {
    let (bench, id) = Bench::new();
    // As if its end and the last readings had been in a log that is gone.
    bench.alter("DELETE FROM chain WHERE entry > (SELECT max(entry) / 2 FROM reading)");
    for table in ["reading", "event"] {
        bench.alter(&format!(
            "DELETE FROM {table} WHERE entry NOT IN (SELECT entry FROM chain)"
        ));
    }
    let output = bench.run(&["resume", &id]);
    let said = String::from_utf8_lossy(&output.stderr);
    assert_eq!(output.status.code(), Some(3), "{}", told(&output));
    assert!(said.contains("its last entries are missing"), "{said}");
    assert!(said.contains("readings were committed"), "{said}");
}

#[test]
fn a_copy_of_a_store_exports_the_same() {
    let (bench, id) = Bench::new();
    let copy = bench.at("copy").display().to_string();
    let copied = bench.run(&["store", "copy", &copy]);
    assert_eq!(copied.status.code(), Some(0), "{}", told(&copied));
    assert_eq!(last_word(&copied), copy);
    let export = |output: Output| {
        assert!(output.status.success(), "{}", told(&output));
        output.stdout
    };
    assert!(export(run(&["export", &id, "--store", &copy])) == export(bench.run(&["export", &id])));
    let again = bench.run(&["store", "copy", &copy]);
    assert_eq!(again.status.code(), Some(3), "{}", told(&again));
}
