//! The whole program, built with its `jack` feature, on a plan of a minute.

use super::server::{FakeOscillator, Server};
use super::truth::cents;
use super::{in_real_time, is_late};
use std::collections::BTreeMap;
use std::process::Stdio;
use tests::program::{last_word, nightbench_with_jack, repository, told};

/// Notes low and high, a fraction of a note (450 Hz needs the bend), a hold.
const PLAN: &str = "nightbench: plan 1
title: A minute on real ports
reference: C4
listen:
  settle: {fixed: 300 ms}
  window: {fixed: 500 ms}
stages:
  - rounds:
      name: notes
      notes: {list: [C4, C2, C3, 450 Hz, C5, C6, C4]}
      every: 12 s
      for: 36 s
  - hold: {name: steady, note: A3, for: 10 s, hop: 500 ms}
";

#[test]
fn a_minute_of_the_whole_program_is_right_to_a_twentieth_of_a_cent() {
    if !super::possible() {
        return;
    }
    let server = Server::start();
    in_real_time(|| a_minute(&server));
}

/// # Errors
/// When the program says that the machine lost samples in half of the windows, or fell so
/// far behind that notes are missing.
fn a_minute(server: &Server) -> Result<(), String> {
    let folder = tempfile::tempdir().expect("a folder");
    let plan = folder.path().join("minute.yaml");
    std::fs::write(&plan, PLAN).expect("the plan is written");
    let store = folder.path().join("store");
    let oscillator = FakeOscillator::start(server);
    let program = |arguments: &[&str]| {
        server
            .command(nightbench_with_jack())
            .args(arguments)
            .arg("--store")
            .arg(&store)
            .stdin(Stdio::null())
            .output()
            .expect("the program starts")
    };
    // A rig is one on the whole machine, where others may be testing, too.
    let rig = folder.path().join("jack.yaml");
    let text = std::fs::read_to_string(repository().join("rigs/jack.yaml")).expect("it ships");
    let name = format!("name: jack tests {}", std::process::id());
    std::fs::write(&rig, text.replace("name: jack tests", &name)).expect("the rig is written");
    let run = program(&[
        "run",
        plan.to_str().expect("a path"),
        "--rig",
        rig.to_str().expect("a path"),
        "--unit",
        "left=L-1",
        "--unit",
        "right=R-2",
    ]);
    let truth = oscillator.end();
    if run.status.code() == Some(3) && is_late(&told(&run)) {
        return Err(told(&run));
    }
    assert!(run.status.success(), "{}", told(&run));
    let id = last_word(&run);
    let exported = program(&["export", &id, "--format", "json"]);
    assert!(exported.status.success(), "{}", told(&exported));
    let export: serde_json::Value = serde_json::from_slice(&exported.stdout).expect("JSON");
    let exported_text = String::from_utf8_lossy(&exported.stdout);

    let readings = export["readings"].as_array().expect("readings");
    let number = |value: &serde_json::Value| value.as_f64().unwrap_or(f64::NAN);
    if !export["gaps"].as_array().expect("gaps").is_empty() {
        return Err(export["gaps"].to_string());
    }
    // Where the run's time stands against the log's follows from the notes alone:
    // when they were sent, and when the oscillator changed.
    let mut sent: Vec<f64> = readings
        .iter()
        .chain(export["traces"].as_array().expect("traces"))
        .map(|reading| number(&reading["played_run_s"]))
        .collect();
    sent.sort_by(f64::total_cmp);
    sent.dedup();
    let Some(origin) = truth.origin_of(&sent) else {
        assert!(
            exported_text.contains("xrun"),
            "few notes were heard: {exported_text}"
        );
        return Err("most notes were late".into());
    };

    let mut worst: f64 = 0.0;
    let mut flags: BTreeMap<String, usize> = BTreeMap::new();
    let mut wrong = Vec::new();
    let mut check = |position: &serde_json::Value, begin: f64, window: f64, hz: f64| {
        let oscillator = usize::from(position == "right");
        let from = truth.frame_at(origin + (begin * 1e9) as i64);
        let frames = (window * 48_000.0).round() as u64;
        // A machine that is busy hears of a block late, and the window is placed so.
        let off = (-15_i64..=15)
            .map(|shift| from.saturating_add_signed(shift * 960))
            .map(|from| cents(hz, truth.mean_hz(oscillator, from, from + frames)))
            .min_by(|one, other| one.abs().total_cmp(&other.abs()))
            .expect("there are several");
        if off.is_nan() || off.abs() >= 0.05 {
            wrong.push(format!("{off:.4} cents at {begin} s, {position}: {hz} Hz"));
        }
        worst = worst.max(off.abs());
    };
    // The machine may be too busy for a moment; the program must say so then.
    let lost = |flags: &serde_json::Value| {
        flags
            .as_array()
            .is_some_and(|flags| flags.iter().any(|flag| flag == "xrun"))
    };
    let mut doubtful = 0;
    for reading in readings {
        for flag in reading["flags"].as_array().into_iter().flatten() {
            *flags.entry(flag.to_string()).or_insert(0) += 1;
        }
        if lost(&reading["flags"]) {
            doubtful += 1;
            continue;
        }
        assert_eq!(reading["state"], "ok", "{reading}");
        check(
            &reading["position"],
            number(&reading["run_s"]),
            number(&reading["window_s"]),
            number(&reading["hz"]),
        );
    }
    let mut held = 0;
    for trace in export["traces"].as_array().expect("traces") {
        let hop = number(&trace["hop_s"]);
        for (index, hz) in trace["hz"].as_array().expect("hz").iter().enumerate() {
            held += 1;
            if lost(&trace["flags"][index]) {
                doubtful += 1;
                continue;
            }
            let begin = number(&trace["run_s"]) + index as f64 * hop;
            check(&trace["position"], begin, hop, number(hz));
        }
    }
    eprintln!(
        "{} readings (flags {flags:?}) and {held} windows of a hold, at most {worst:.5} cents off",
        readings.len()
    );
    assert!(wrong.is_empty(), "{wrong:#?}");
    // Three rounds of seven notes and a hold, on two units.
    assert!(readings.len() >= 3 * 7 * 2, "{} readings", readings.len());
    assert_eq!(held, 20 * 2);
    assert_eq!(export["complete"], true);
    if 2 * doubtful >= readings.len() + held {
        return Err(format!("{doubtful} windows with samples lost"));
    }
    Ok(())
}
