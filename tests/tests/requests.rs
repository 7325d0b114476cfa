//! What is asked of a run from another terminal: whoever is told that a remark was accepted
//! finds it in the log, once, whatever becomes of the run's process.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use rustix::process::{Pid, Signal, kill_process};
use serde_json::Value;
use std::io::Read;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};
use tests::hostile::{cases, seed};
use tests::program::{command, full_pipe, repository, run, told};

const PLAN: &str = "\
nightbench: plan 1
title: Remarks
reference: C4
listen: {settle: {fixed: 100 ms}, window: {fixed: 200 ms}}
stages:
  - rounds: {name: notes, notes: {list: [C4, C2, C6, C4]}, every: 10 s, for: 100 s}
";

struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("plan.yaml"), PLAN).unwrap();
        Self { folder }
    }
    fn at(&self, name: &str) -> String {
        self.folder.path().join(name).display().to_string()
    }
    fn start(&self, store: &str, stdout: Stdio) -> Child {
        let rig = repository().join("rigs/simulated.yaml");
        command(&[
            "run",
            &self.at("plan.yaml"),
            "--rig",
            &rig.display().to_string(),
            "--store",
            &self.at(store),
        ])
        .stdout(stdout)
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts")
    }
    /// The one run of a store, as soon as it can be seen. `None` when its process ended
    /// before that.
    fn listed(&self, store: &str) -> Option<Value> {
        let listed = run(&["runs", "--store", &self.at(store), "--format", "json"]);
        serde_json::from_slice(&listed.stdout).ok()
    }
    fn seen(&self, store: &str) -> String {
        let begun = Instant::now();
        while begun.elapsed() < Duration::from_secs(120) {
            if let Some(line) = self.listed(store) {
                return line["run"].as_str().unwrap().to_owned();
            }
        }
        panic!("the run does not begin");
    }
    /// Whether a remark was accepted. Else nobody would hear it, or the process was stopped in
    /// the middle of a commit, and nobody else can write then.
    fn remark(&self, store: &str, id: &str, text: &str) -> bool {
        let asked = run(&["remark", id, text, "--store", &self.at(store)]);
        match asked.status.code() {
            Some(0) => true,
            Some(2) => {
                assert!(told(&asked).contains("not in progress"), "{}", told(&asked));
                false
            }
            Some(3) if told(&asked).contains("does not let go of it") => false,
            _ => panic!("{}", told(&asked)),
        }
    }
    fn remarks(&self, store: &str, id: &str) -> Vec<String> {
        let exported = run(&["export", id, "--store", &self.at(store), "--format", "json"]);
        assert!(exported.status.success(), "{}", told(&exported));
        let document: Value = serde_json::from_slice(&exported.stdout).unwrap();
        let mut remarks: Vec<String> = document["events"]
            .as_array()
            .unwrap()
            .iter()
            .filter(|event| event["kind"] == "remark")
            .map(|event| event["text"].as_str().unwrap().to_owned())
            .collect();
        // An export sorts those of one instant by their text.
        remarks.sort();
        remarks
    }
}

fn send(child: &Child, signal: Signal) {
    kill_process(Pid::from_child(child), signal).unwrap();
}

/// The process is held between the end of its run and its own: nobody reads the pipe that
/// its results go into, and the pipe is full.
#[test]
fn nothing_is_accepted_once_the_session_is_closed() {
    let bench = Bench::new();
    let (mut results, full) = full_pipe();
    let mut child = bench.start("store", full);
    let id = bench.seen("store");
    let mut accepted = Vec::new();
    let mut late = 0;
    loop {
        let text = format!("remark {:04}", accepted.len());
        if !bench.remark("store", &id, &text) {
            break;
        }
        accepted.push(text);
        // Of a complete run only the session's last entry is missing.
        late += usize::from(bench.listed("store").unwrap()["standing"] == "complete");
        assert!(late < 50, "accepted, and nobody hears it");
    }
    assert!(child.try_wait().unwrap().is_none(), "it is held");
    let stop = run(&["stop", &id, "--store", &bench.at("store")]);
    assert_eq!(stop.status.code(), Some(2), "{}", told(&stop));
    results.read_to_end(&mut Vec::new()).unwrap();
    assert_eq!(child.wait().unwrap().code(), Some(0));
    assert_eq!(bench.remarks("store", &id), accepted);
}

/// Stopped, let go or killed at seeded moments, with remarks all the while.
#[test]
fn an_accepted_remark_is_in_the_log_once_whatever_becomes_of_the_process() {
    let mut random = ChaCha8Rng::seed_from_u64(seed());
    for case in 0..cases(8, 100) {
        let bench = Bench::new();
        let mut child = bench.start("store", Stdio::null());
        let id = bench.seen("store");
        let mut accepted = Vec::new();
        let ask = |accepted: &mut Vec<String>| {
            let text = format!("case {case}, remark {:04}", accepted.len());
            let is_accepted = bench.remark("store", &id, &text);
            if is_accepted {
                accepted.push(text);
            }
            is_accepted
        };
        let before = random.next_u32() % 6;
        for _ in 0..before {
            ask(&mut accepted);
        }
        send(&child, Signal::STOP);
        ask(&mut accepted);
        ask(&mut accepted);
        if random.next_u32() % 2 == 0 {
            send(&child, Signal::KILL);
            child.wait().unwrap();
            assert!(!ask(&mut accepted), "nobody is there");
            assert_eq!(bench.remarks("store", &id), accepted, "case {case}, killed");
            let resumed = run(&["resume", &id, "--store", &bench.at("store")]);
            assert_eq!(resumed.status.code(), Some(0), "{}", told(&resumed));
        } else {
            send(&child, Signal::CONT);
            while ask(&mut accepted) {}
            child.wait().unwrap();
        }
        assert_eq!(bench.remarks("store", &id), accepted, "case {case}");
    }
}
