//! Nothing that is written to a terminal, or cannot be, ends a run or holds it up.

use crate::interruption::{NOTHING, QUESTIONS};
use rustix::process::{Pid, Signal};
use rustix::pty::OpenptFlags;
use serde_json::Value;
use std::fs::{File, OpenOptions};
use std::os::fd::OwnedFd;
use std::process::{Child, Stdio};
use std::time::{Duration, Instant};
use tests::program::{command, repository, run, told};

/// Some hundred readings, so that what is said of them at the highest verbosity is more
/// than a pipe holds.
const PLAN: &str = "
nightbench: plan 1
title: Many words
reference: C4
listen: {settle: {fixed: 50 ms}, window: {fixed: 100 ms}}
stages:
  - rounds: {name: night, notes: {list: [C4, C2, C6, C4]}, every: 10 s, for: 20 min}
";

/// How long the program may take on a machine that is busy with other things.
const PATIENCE: Duration = Duration::from_secs(120);

struct Bench {
    folder: tempfile::TempDir,
}

impl Bench {
    fn new(plan: &str) -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("plan.yaml"), plan).unwrap();
        Self { folder }
    }
    fn path(&self, name: &str) -> String {
        self.folder.path().join(name).display().to_string()
    }
    fn begin(&self, rig: &str, more: &[&str], ends: [Stdio; 3]) -> Child {
        let (plan, store) = (self.path("plan.yaml"), self.path("store"));
        let mut words = vec!["run", &plan, "--rig", rig, "--store", &store];
        words.extend_from_slice(more);
        let [stdin, stdout, stderr] = ends;
        command(&words)
            .env("XDG_RUNTIME_DIR", self.folder.path())
            .stdin(stdin)
            .stdout(stdout)
            .stderr(stderr)
            .spawn()
            .expect("the program starts")
    }
    fn simulated(&self, more: &[&str], ends: [Stdio; 3]) -> Child {
        let rig = repository().join("rigs/simulated.yaml");
        self.begin(&rig.display().to_string(), more, ends)
    }
    /// The only run of the store, if it has begun.
    fn listed(&self) -> Option<Value> {
        let store = self.path("store");
        let runs = run(&["runs", "--store", &store, "--format", "json"]);
        serde_json::from_slice(&runs.stdout).ok()
    }
    fn wait_for(&self, what: &str, holds: impl Fn(&Value) -> bool) -> Value {
        let began = Instant::now();
        loop {
            if let Some(listed) = self.listed()
                && holds(&listed)
            {
                return listed;
            }
            assert!(began.elapsed() < PATIENCE, "not {what} in time");
            std::thread::sleep(Duration::from_millis(20));
        }
    }
    fn export(&self) -> Value {
        let listed = self.listed().expect("there is a run");
        let id = listed["run"].as_str().unwrap();
        let store = self.path("store");
        let exported = run(&["export", id, "--store", &store, "--format", "json"]);
        serde_json::from_slice(&exported.stdout).unwrap_or_else(|_| panic!("{}", told(&exported)))
    }
    /// All readings of the plan, of four units.
    fn is_whole(&self) {
        let export = self.export();
        assert_eq!(export["complete"], true);
        assert_eq!(export["readings"].as_array().unwrap().len(), 4 * 4 * 120);
    }
}

fn ends_in_time(mut child: Child) -> Option<i32> {
    let began = Instant::now();
    loop {
        if let Some(status) = child.try_wait().unwrap() {
            return status.code();
        }
        if began.elapsed() > PATIENCE {
            let _ = child.kill();
            panic!("it does not end");
        }
        std::thread::sleep(Duration::from_millis(20));
    }
}

fn full() -> Stdio {
    OpenOptions::new()
        .write(true)
        .open("/dev/full")
        .unwrap()
        .into()
}

/// Both ends of a new pseudo-terminal: the one that a person would sit at, and the
/// program's.
fn terminal() -> (OwnedFd, File) {
    // No child inherits the seat: it is closed when we close it.
    let flags = OpenptFlags::RDWR | OpenptFlags::NOCTTY | OpenptFlags::CLOEXEC;
    let seat = rustix::pty::openpt(flags).unwrap();
    rustix::pty::grantpt(&seat).unwrap();
    rustix::pty::unlockpt(&seat).unwrap();
    let name = rustix::pty::ptsname(&seat, Vec::new()).unwrap();
    let line = OpenOptions::new()
        .read(true)
        .write(true)
        .open(name.to_str().unwrap())
        .unwrap();
    (seat, line)
}

fn thrice(line: &File) -> [Stdio; 3] {
    [(); 3].map(|()| line.try_clone().unwrap().into())
}

#[test]
fn a_full_stderr_ends_no_run() {
    let bench = Bench::new(PLAN);
    let child = bench.simulated(&["-vvv"], [Stdio::null(), Stdio::null(), full()]);
    assert_eq!(ends_in_time(child), Some(0));
    bench.is_whole();
}

#[test]
fn a_stderr_that_nobody_reads_holds_no_run_up() {
    let bench = Bench::new(PLAN);
    let mut child = bench.simulated(&["-vvv"], [Stdio::null(), Stdio::null(), Stdio::piped()]);
    // The reading end stays open, and nothing is ever read there.
    let pipe = child.stderr.take();
    assert_eq!(ends_in_time(child), Some(0));
    bench.is_whole();
    drop(pipe);
}

#[test]
fn a_stdout_that_nobody_reads_holds_no_run_up_and_is_given_up_on_request() {
    let bench = Bench::new(PLAN);
    let ends = [Stdio::null(), Stdio::piped(), Stdio::null()];
    let mut child = bench.simulated(&["--format", "json"], ends);
    let pipe = child.stdout.take();
    bench.wait_for("complete", |listed| listed["standing"] == "complete");
    bench.is_whole();
    // The results still wait for their reader.
    assert_eq!(child.try_wait().unwrap(), None);
    rustix::process::kill_process(Pid::from_child(&child), Signal::INT).unwrap();
    assert_eq!(ends_in_time(child), Some(0));
    drop(pipe);
}

/// The exit code is that of the run, not of its printing.
#[test]
fn results_that_cannot_be_printed_are_told_and_kept() {
    let bench = Bench::new(PLAN);
    let child = bench.simulated(&[], [Stdio::null(), full(), Stdio::piped()]);
    let output = child.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(0), "{}", told(&output));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(said.contains("could not be written"), "{said}");
    assert!(said.contains("nightbench show"), "{said}");
    bench.is_whole();
}

/// A terminal is stopped with Ctrl-S, and later closed; the run goes on.
#[test]
fn a_terminal_that_is_stopped_and_closed_ends_no_run() {
    let bench = Bench::new(PLAN);
    let (seat, line) = terminal();
    rustix::termios::tcflow(&line, rustix::termios::Action::OOff).unwrap();
    let child = bench.simulated(&["-vvv"], thrice(&line));
    drop(line);
    bench.wait_for("begun", |listed| listed["readings"].as_u64() > Some(0));
    drop(seat);
    rustix::process::kill_process(Pid::from_child(&child), Signal::HUP).unwrap();
    assert_eq!(ends_in_time(child), Some(0));
    bench.is_whole();
}

/// Nobody can answer: that is why the run ends, and what its log says.
#[test]
fn a_question_that_nobody_can_answer_ends_the_run_with_its_reason() {
    if !String::from_utf8_lossy(&run(&["ports"]).stdout).contains("(null)") {
        tests::skipped("this machine's ALSA has no null device");
        return;
    }
    for closed in [false, true] {
        let bench = Bench::new(QUESTIONS);
        let rig = bench.path("rig.yaml");
        std::fs::write(&rig, NOTHING).unwrap();
        let unit = ["--unit", "left=A-1", "-v"];
        let child = if closed {
            let (seat, line) = terminal();
            let child = bench.begin(&rig, &unit, thrice(&line));
            drop(line);
            bench.wait_for("begun", |listed| listed["standing"] == "in_progress");
            drop(seat);
            rustix::process::kill_process(Pid::from_child(&child), Signal::HUP).unwrap();
            child
        } else {
            bench.begin(&rig, &unit, [(); 3].map(|()| Stdio::null()))
        };
        assert_eq!(ends_in_time(child), Some(3));
        let export = bench.export();
        let events = export["events"].as_array().unwrap();
        let last = events.last().unwrap();
        assert_eq!(last["kind"], "fault", "{events:?}");
        let text = last["text"].as_str().unwrap();
        assert!(text.contains("nobody can answer"), "{text}");
        assert!(!text.contains("on request"), "{text}");
    }
}

/// What was typed may have been pasted from anywhere; a file may be called anything.
#[test]
fn nothing_that_a_terminal_obeys_is_echoed() {
    let evil = "\u{1b}[2J\u{202e}\u{2028}\u{9b}x";
    let bench = Bench::new(PLAN);
    let rig = repository().join("rigs/simulated.yaml");
    let rig = rig.display().to_string();
    let plan = bench.path("plan.yaml");
    let named = bench.path(&format!("{evil}.yaml"));
    std::fs::write(&named, format!("nightbench: plan 1\ntitle: \"{evil}\"\n")).unwrap();
    let store = bench.path("store");
    let unit = format!("{evil}=A-1");
    for words in [
        vec!["check", &named, "--rig", &rig],
        vec!["check", evil, "--rig", &rig],
        vec!["show", evil, "--store", &store],
        vec!["measure", &named],
        vec![
            "run", &plan, "--rig", &rig, "--store", &store, "--unit", &unit,
        ],
        vec![evil],
        vec!["export", "--format", evil],
    ] {
        let output = run(&words);
        assert!(!output.status.success(), "{}", told(&output));
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(
            !said.contains(['\u{1b}', '\u{202e}', '\u{2028}', '\u{9b}']),
            "{said:?}"
        );
    }
}
