//! Killing the program loses at most the note in progress, and a run that was
//! killed and resumed is the run that was not.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use rustix::process::{Pid, Signal};
use serde_json::Value;
use std::collections::BTreeSet;
use std::io::{BufRead, BufReader, Write};
use std::process::Stdio;
use std::time::{Duration, Instant};
use tests::hostile::{cases, seed};
use tests::program::{command, full_pipe, last_word, repository, run, told};

/// Every kind of stage that measures, and a retry now and then.
const PLAN: &str = r#"
nightbench: plan 1
title: Everything once
reference: C4
listen: {settle: {until_steady: {within: 2 cents, at_most: 1 s}}, window: {fixed: 200 ms}}
stages:
  - cool_down: {for: 10 min}
  - power_on
  - rounds: {name: warming, notes: {list: [C4, C2, C6, C4]}, every: 20 s, for: 4 min}
  - hold: {name: quiet, note: C4, for: 30 s, hop: 500 ms}
  - sweep: {name: sweep, notes: {range: {from: C2, to: C6, step: 400 cents}}}
  - alternate: {name: turns, between: [C3, C5], every: 5 s, times: 6}
tolerances:
  - {result: scale_error, of: warming, allow: {within: 5 cents/oct}}
"#;

/// Nothing here takes so long but what hangs.
const HANGING: Duration = Duration::from_secs(120);

struct Bench {
    folder: tempfile::TempDir,
    rig: String,
}

impl Bench {
    fn new() -> Self {
        let folder = tempfile::tempdir().unwrap();
        std::fs::write(folder.path().join("plan.yaml"), PLAN).unwrap();
        Self {
            folder,
            rig: repository()
                .join("rigs/simulated.yaml")
                .display()
                .to_string(),
        }
    }
    fn path(&self, name: &str) -> String {
        self.folder.path().join(name).display().to_string()
    }
    fn run_arguments(&self, store: &str) -> Vec<String> {
        [
            "run",
            &self.path("plan.yaml"),
            "--rig",
            &self.rig,
            "--store",
            &self.path(store),
            "--format",
            "json",
        ]
        .map(str::to_owned)
        .to_vec()
    }
    fn export(&self, run_id: &str, store: &str) -> Vec<u8> {
        let output = run(&[
            "export",
            run_id,
            "--store",
            &self.path(store),
            "--format",
            "json",
        ]);
        assert!(output.status.success(), "{}", told(&output));
        output.stdout
    }
}

fn words(arguments: &[String]) -> Vec<&str> {
    arguments.iter().map(String::as_str).collect()
}

/// What identifies a reading.
fn key(reading: &Value) -> String {
    ["stage", "round", "slot", "repeat", "position", "attempt"]
        .map(|part| reading[part].to_string())
        .join(" ")
}

/// Starts the program, kills it after `after`, and returns the readings that it had
/// announced, and whether it had come to its end before that.
fn run_and_kill(arguments: &[&str], after: Duration) -> (Vec<Value>, bool) {
    let mut child = command(arguments)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    let stdout = child.stdout.take().expect("it is piped");
    let reader = std::thread::spawn(move || {
        BufReader::new(stdout)
            .lines()
            .map_while(Result::ok)
            // The kill may cut the last line short.
            .filter_map(|line| serde_json::from_str::<Value>(&line).ok())
            .filter(|line| line.get("hz").is_some())
            .collect::<Vec<Value>>()
    });
    let started = Instant::now();
    let mut ended = false;
    while started.elapsed() < after {
        if child.try_wait().unwrap().is_some() {
            ended = true;
            break;
        }
        std::thread::sleep(Duration::from_millis(2));
    }
    // SIGKILL: nothing in the program can prepare for it.
    let _ = child.kill();
    let _ = child.wait();
    (reader.join().expect("the reader does not panic"), ended)
}

#[test]
fn two_runs_with_one_seed_export_the_same_bytes() {
    let bench = Bench::new();
    let ids: Vec<String> = ["one", "two"].map(|store| last_run(&bench, store)).to_vec();
    assert_eq!(
        ids[0], ids[1],
        "the identifier follows from plan, rig, units and seed"
    );
    let exports = [bench.export(&ids[0], "one"), bench.export(&ids[1], "two")];
    assert!(exports[0].len() > 10_000);
    assert!(exports[0] == exports[1], "the exports differ");
    let other = run(&words(
        &[
            bench.run_arguments("three"),
            vec!["--seed".into(), "7".into()],
        ]
        .concat(),
    ));
    let id = run_id(&bench, "three", &other);
    assert!(
        bench.export(&id, "three") != exports[0],
        "another seed gives another run"
    );
}

fn last_run(bench: &Bench, store: &str) -> String {
    let output = run(&words(&bench.run_arguments(store)));
    run_id(bench, store, &output)
}

fn run_id(_bench: &Bench, _store: &str, output: &std::process::Output) -> String {
    assert!(
        matches!(output.status.code(), Some(0 | 1 | 4)),
        "{}",
        told(output)
    );
    let line: Value = serde_json::from_str(
        String::from_utf8_lossy(&output.stdout)
            .lines()
            .last()
            .unwrap(),
    )
    .unwrap();
    line["run"].as_str().unwrap().to_owned()
}

/// The first line in which two exports differ, with what leads to it.
fn first_difference(one: &[u8], other: &[u8]) -> Option<String> {
    let (one, other) = (String::from_utf8_lossy(one), String::from_utf8_lossy(other));
    let (one, other): (Vec<&str>, Vec<&str>) = (one.lines().collect(), other.lines().collect());
    let at = (0..one.len().max(other.len())).find(|&at| one.get(at) != other.get(at))?;
    let around =
        |lines: &[&str]| lines[at.saturating_sub(12)..(at + 12).min(lines.len())].join("\n");
    Some(format!(
        "line {}:\n{}\n-- against --\n{}",
        at + 1,
        around(&one),
        around(&other)
    ))
}

#[test]
fn killed_at_any_moment_nothing_announced_is_lost_or_doubled() {
    let bench = Bench::new();
    let started = Instant::now();
    let id = last_run(&bench, "whole");
    let whole_run = started.elapsed();
    let whole = bench.export(&id, "whole");
    let mut random = ChaCha8Rng::seed_from_u64(seed());
    let mut kills = 0;
    let mut number = 0;
    while kills < cases(50, 500) {
        number += 1;
        let store = format!("killed-{number}");
        let mut announced = Vec::new();
        let mut arguments = bench.run_arguments(&store);
        // A run may be killed more than once before it comes to its end, later each time,
        // as the machine may have become slower.
        for time in 0.. {
            let share = f64::from(random.next_u32()) / f64::from(u32::MAX);
            let longer = 1.2_f64.powi(time);
            let after = whole_run.mul_f64((share * 0.8 + 0.02) * longer);
            let (readings, ended) = run_and_kill(&words(&arguments), after);
            announced.extend(readings);
            if ended {
                break;
            }
            kills += 1;
            let has_run = run(&["runs", "--store", &bench.path(&store), "--format", "json"]);
            if has_run.stdout.is_empty() {
                // Killed before the run had begun: there is nothing to resume.
                continue;
            }
            arguments = vec![
                "resume".into(),
                id.clone(),
                "--store".into(),
                bench.path(&store),
                "--format".into(),
                "json".into(),
            ];
        }
        let resumed = bench.export(&id, &store);
        let document: Value = serde_json::from_slice(&resumed).unwrap();
        let kept: Vec<String> = document["readings"]
            .as_array()
            .unwrap()
            .iter()
            .map(key)
            .collect();
        let distinct: BTreeSet<&String> = kept.iter().collect();
        assert_eq!(
            kept.len(),
            distinct.len(),
            "a reading is doubled (run {number})"
        );
        for reading in &announced {
            assert!(
                distinct.contains(&key(reading)),
                "announced, then lost: {reading} (run {number})"
            );
        }
        assert_eq!(
            first_difference(&whole, &resumed),
            None,
            "run {number}, killed and resumed, differs from the run that was not"
        );
    }
}

/// Waits until a run has committed readings, and gives its identifier.
fn begun(bench: &Bench, store: &str) -> String {
    let deadline = Instant::now() + HANGING;
    loop {
        let runs = run(&["runs", "--store", &bench.path(store), "--format", "json"]);
        if let Ok(line) = serde_json::from_slice::<Value>(&runs.stdout)
            && line["readings"].as_u64() > Some(0)
        {
            return line["run"].as_str().unwrap().to_owned();
        }
        assert!(
            Instant::now() < deadline,
            "the run does not begin: {}",
            told(&runs)
        );
        std::thread::sleep(Duration::from_millis(20));
    }
}

/// Ctrl-C and SIGTERM: the note in progress is kept, the run can be resumed, supplies
/// stay as they are, and what comes out is the run that nobody stopped.
#[test]
fn signals_end_after_the_note_in_progress_and_resume_carries_on() {
    let bench = Bench::new();
    // Long enough that it is still going on when the signal comes.
    let plan = PLAN.replace("for: 4 min", "for: 15 min");
    std::fs::write(bench.folder.path().join("plan.yaml"), plan).unwrap();
    let whole = bench.export(&last_run(&bench, "whole"), "whole");
    for (signal, name) in [(Signal::INT, "interrupted"), (Signal::TERM, "terminated")] {
        // Where it had come to its end before the signal came, once more.
        let (store, id) = (0..50)
            .find_map(|time| {
                let store = format!("{name}-{time}");
                let mut child = command(&words(&bench.run_arguments(&store)))
                    .stdout(Stdio::null())
                    .stderr(Stdio::null())
                    .spawn()
                    .expect("the program starts");
                let id = begun(&bench, &store);
                let _ = rustix::process::kill_process(Pid::from_child(&child), signal);
                let code = child.wait().unwrap().code();
                if matches!(code, Some(0 | 1 | 4)) {
                    return None;
                }
                assert_eq!(code, Some(3), "{signal:?}");
                Some((store, id))
            })
            .expect("a signal comes in time");

        let stopped: Value = serde_json::from_slice(&bench.export(&id, &store)).unwrap();
        assert_eq!(stopped["complete"], false);
        let events = stopped["events"].as_array().unwrap();
        let switched = events
            .iter()
            .rfind(|event| event["kind"] == "power_on" || event["kind"] == "power_off");
        assert_eq!(switched.unwrap()["kind"], "power_on", "{events:?}");
        let runs = run(&["runs", "--store", &bench.path(&store), "--format", "json"]);
        let line: Value = serde_json::from_slice(&runs.stdout).unwrap();
        assert_eq!(line["standing"], "interrupted");

        let resumed = run(&["resume", &id, "--store", &bench.path(&store)]);
        assert!(
            matches!(resumed.status.code(), Some(0 | 1 | 4)),
            "{}",
            told(&resumed)
        );
        assert_eq!(last_word(&resumed), id);
        assert_eq!(first_difference(&whole, &bench.export(&id, &store)), None);
    }
}

#[test]
fn time_away_is_a_gap_with_its_reason_and_the_timetable_does_not_stretch() {
    let bench = Bench::new();
    let id = last_run(&bench, "whole");
    let whole: Value = serde_json::from_slice(&bench.export(&id, "whole")).unwrap();
    let end = |document: &Value| {
        document["events"]
            .as_array()
            .unwrap()
            .iter()
            .find(|event| event["kind"] == "run_ended")
            .map(|event| event["run_s"].as_f64().unwrap())
            .expect("the run ended")
    };
    // Killed as it announces the first note of the rounds: three of them are missed.
    let (_results, full) = full_pipe();
    let mut child = command(&words(&bench.run_arguments("away")))
        .stdout(full)
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    begun(&bench, "away");
    child.kill().unwrap();
    child.wait().unwrap();
    let store = bench.path("away");
    let arguments = ["--store", &store, "--away", "1 min", "--format", "json"];
    let output = run(&[&["resume", &id], &arguments[..]].concat());
    assert!(
        matches!(output.status.code(), Some(0 | 1 | 4)),
        "{}",
        told(&output)
    );
    let document: Value = serde_json::from_slice(&bench.export(&id, "away")).unwrap();
    let gaps = document["gaps"].as_array().unwrap();
    assert!(gaps.iter().any(|gap| gap["stage"] == 2), "{gaps:?}");
    assert!(
        gaps.iter().all(|gap| gap["reason"]
            .as_str()
            .is_some_and(|reason| reason.contains("not going on"))),
        "{gaps:?}"
    );
    assert!(
        (end(&document) - end(&whole)).abs() < 1.0,
        "the plan ends when it was to end"
    );
}

#[test]
fn another_terminal_can_write_into_the_log_and_end_the_run() {
    let bench = Bench::new();
    // Long enough that it is still going on when it is asked to stop.
    let plan = PLAN.replace("for: 4 min", "for: 100 h");
    std::fs::write(bench.folder.path().join("plan.yaml"), plan).unwrap();
    let mut child = command(&words(&bench.run_arguments("store")))
        .stdout(Stdio::null())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    let store = bench.path("store");
    let id = begun(&bench, "store");
    let remark = run(&["remark", &id, "opened the window", "--store", &store]);
    assert!(remark.status.success(), "{}", told(&remark));
    let stop = run(&["stop", &id, "--store", &store]);
    assert!(stop.status.success(), "{}", told(&stop));
    assert_eq!(child.wait().unwrap().code(), Some(3), "ended, incomplete");
    let export: Value = serde_json::from_slice(&bench.export(&id, "store")).unwrap();
    let events = export["events"].as_array().unwrap();
    assert!(
        events
            .iter()
            .any(|event| event["kind"] == "remark" && event["text"] == "opened the window"),
        "{events:?}"
    );
    let again = run(&["stop", &id, "--store", &store]);
    assert_eq!(
        again.status.code(),
        Some(2),
        "nobody is there to ask: {}",
        told(&again)
    );
}

/// A bench that plays into nothing and hears nothing: the null device that comes with ALSA.
pub(crate) const NOTHING: &str = "
nightbench: rig 1
name: nothing
wiring:
  real:
    senders:
      out: {volts: {device: 'null', rate: 48 kHz, full_scale: 10 V}}
    capture: {device: 'null', rate: 48 kHz, channels: 1}
supplies:
  rack: {by: operator}
positions:
  left:
    cv: {sender: out, channel: 1, law: {volts_per_octave: {zero: C1 = 0 V}}, safe: {from: 0 V, to: 8 V}}
    input: 1
    supply: rack
";

pub(crate) const QUESTIONS: &str = "
nightbench: plan 1
title: Questions
reference: C4
preflight: false
stages:
  - ask: {question: Is the door shut?}
  - power_on
  - sweep: {name: fine, notes: {list: [C4, C3, C5]}}
";

/// A question waits at a real rig: Ctrl-C, SIGTERM and `stop` end the run at once, a remark
/// is on disk at once, and the run can be resumed.
#[test]
fn who_asks_is_heard_while_a_person_is_waited_for() {
    if !String::from_utf8_lossy(&run(&["ports"]).stdout).contains("(null)") {
        tests::skipped("this machine's ALSA has no null device");
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    // A rig is one on the whole machine, where others may be testing, too.
    let name = format!("name: nothing {}", std::process::id());
    std::fs::write(path("rig.yaml"), NOTHING.replace("name: nothing", &name)).unwrap();
    std::fs::write(path("plan.yaml"), QUESTIONS).unwrap();
    // How it is ended, and which question waits then.
    for (way, question) in [("-INT", 0), ("-TERM", 1), ("stop", 0), ("stop", 1)] {
        let store = path(&format!("store{way}{question}"));
        let (plan, rig) = (path("plan.yaml"), path("rig.yaml"));
        let unit = "left=A-1";
        let mut child = command(&[
            "run", &plan, "--rig", &rig, "--unit", unit, "--store", &store,
        ])
        .stdin(Stdio::piped())
        .stdout(Stdio::null())
        .stderr(Stdio::piped())
        .spawn()
        .expect("the program starts");
        let mut said = BufReader::new(child.stderr.take().unwrap()).lines();
        let mut keyboard = child.stdin.take().unwrap();
        let mut wait_for_question = || {
            let mut heard = String::new();
            while !heard.ends_with("[press Enter when done] ") {
                let line = said.next().unwrap_or_else(|| panic!("it ended: {heard}"));
                heard += &line.unwrap();
            }
            heard
        };
        assert!(wait_for_question().contains("Is the door shut?"));
        if question == 1 {
            keyboard.write_all(b"\n").unwrap();
            assert!(wait_for_question().contains("Switch the supply \"rack\" on"));
        }
        let listed = run(&["runs", "--store", &store, "--format", "json"]);
        let line: Value = serde_json::from_slice(&listed.stdout).unwrap();
        let id = line["run"].as_str().unwrap();
        let remarked = run(&["remark", id, "the window is open", "--store", &store]);
        assert_eq!(remarked.status.code(), Some(0), "{}", told(&remarked));
        let has_remark = || {
            let exported = run(&["export", id, "--store", &store, "--format", "json"]);
            String::from_utf8_lossy(&exported.stdout).contains("the window is open")
        };
        let asked = Instant::now();
        while !has_remark() {
            assert!(asked.elapsed() < HANGING, "{way}: no remark");
        }
        if way == "stop" {
            let stopped = run(&["stop", id, "--store", &store]);
            assert_eq!(stopped.status.code(), Some(0), "{}", told(&stopped));
        } else {
            let signal = if way == "-INT" {
                Signal::INT
            } else {
                Signal::TERM
            };
            rustix::process::kill_process(Pid::from_child(&child), signal).unwrap();
        }
        assert_eq!(child.wait().unwrap().code(), Some(3), "{way} {question}");
        let listed = run(&["runs", "--store", &store, "--format", "json"]);
        let line: Value = serde_json::from_slice(&listed.stdout).unwrap();
        assert_eq!(line["standing"], "interrupted");
    }
}
