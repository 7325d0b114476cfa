//! What goes wrong on a bench, seen through the whole program.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use serde_json::Value;
use std::io::{BufRead, BufReader};
use std::process::Stdio;
use tests::hostile::{cases, seed};
use tests::program::{command, last_word, repository, run, run as run_program, told};

const PLAN: &str = r#"
nightbench: plan 1
title: A short evening
reference: C4
listen: {settle: {until_steady: {within: 2 cents, at_most: 1 s}}, window: {fixed: 200 ms}}
stages:
  - power_on
  - rounds: {name: evening, notes: {list: [C4, C2, C6, C4]}, every: 20 s, for: 4 min}
"#;

/// The shipped simulated rig with a script of faults.
fn rig_with(faults: &str) -> String {
    let rig = std::fs::read_to_string(repository().join("rigs/simulated.yaml")).unwrap();
    assert!(rig.contains("    faults: []"));
    rig.replace("    faults: []", &format!("    faults: {faults}"))
}

/// Runs the short plan on the shipped simulated rig with a script of faults.
fn evening(faults: &str) -> (Option<i32>, Value, String) {
    night(PLAN, &rig_with(faults))
}

/// Runs a plan on a rig.
fn night(plan: &str, rig: &str) -> (Option<i32>, Value, String) {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    std::fs::write(path("plan.yaml"), plan).unwrap();
    std::fs::write(path("rig.yaml"), rig).unwrap();
    let output = run(&[
        "run",
        &path("plan.yaml"),
        "--rig",
        &path("rig.yaml"),
        "--store",
        &path("store"),
        "--format",
        "json",
    ]);
    let said = told(&output);
    assert!(!said.contains("panicked"), "{said}");
    let runs = run(&["runs", "--store", &path("store"), "--format", "json"]);
    let line: Value =
        serde_json::from_slice(&runs.stdout).unwrap_or_else(|_| panic!("no run: {said}"));
    let export = run(&[
        "export",
        line["run"].as_str().unwrap(),
        "--store",
        &path("store"),
        "--format",
        "json",
    ]);
    (
        output.status.code(),
        serde_json::from_slice(&export.stdout).unwrap(),
        said,
    )
}

fn readings<'a>(run: &'a Value, position: &'a str) -> impl Iterator<Item = &'a Value> {
    run["readings"]
        .as_array()
        .unwrap()
        .iter()
        .filter(move |reading| reading["position"] == position)
}

fn has_flag(reading: &Value, flag: &str) -> bool {
    reading["flags"]
        .as_array()
        .unwrap()
        .iter()
        .any(|name| name == flag)
}

fn positions() -> Vec<String> {
    let rig = model::document::read_rig(
        "rig",
        &std::fs::read(repository().join("rigs/simulated.yaml")).unwrap(),
    )
    .unwrap();
    rig.value.positions.keys().cloned().collect()
}

#[test]
fn without_faults_nothing_is_flagged_away() {
    let (code, run, said) = evening("[]");
    assert!(matches!(code, Some(0 | 1 | 4)), "{said}");
    assert_eq!(run["gaps"].as_array().unwrap().len(), 0, "{said}");
    for position in positions() {
        assert_eq!(readings(&run, &position).count(), 12 * 4);
        assert!(
            readings(&run, &position).all(|reading| reading["state"] == "ok"),
            "{said}"
        );
    }
}

#[test]
fn a_silent_unit_is_found_before_the_night() {
    let position = &positions()[1];
    let (code, _, said) = evening(&format!(
        "[{{unit_silent: {{positions: [{position}], from: 0 s, for: 1 h}}}}]"
    ));
    assert_eq!(code, Some(3));
    assert!(said.contains(position) && said.contains("silent"), "{said}");
    assert!(!said.contains("quiet"), "{said}");
}

#[test]
fn a_run_that_its_checks_ended_is_checked_again_when_it_is_resumed() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let rig = std::fs::read_to_string(repository().join("rigs/simulated.yaml")).unwrap();
    let silent = "    faults: [{unit_silent: {positions: [bay-3], from: 0 s, for: 1 min}}]";
    std::fs::write(path("plan.yaml"), PLAN).unwrap();
    std::fs::write(path("rig.yaml"), rig.replace("    faults: []", silent)).unwrap();
    let (plan, rig, store) = (path("plan.yaml"), path("rig.yaml"), path("store"));
    let first = run(&["run", &plan, "--rig", &rig, "--store", &store]);
    assert_eq!(first.status.code(), Some(3), "{}", told(&first));
    let printed = String::from_utf8_lossy(&first.stdout).into_owned();
    let id = printed.split_whitespace().last().unwrap();

    let resume = |more: &[&str]| {
        let mut arguments = vec!["resume", id, "--store", &store];
        arguments.extend(more);
        let output = run(&arguments);
        (output.status.code(), told(&output))
    };
    let (code, said) = resume(&[]);
    assert!(code == Some(3) && said.contains("bay-3"), "{said}");
    // By then the unit sounds again.
    let (code, said) = resume(&["--away", "2min"]);
    assert!(matches!(code, Some(0 | 1 | 4)), "{said}");
    assert!(said.contains("every input hears its own unit"), "{said}");
}

#[test]
fn swapped_cables_are_found_before_the_night() {
    let positions = positions();
    let (code, _, said) = evening(&format!(
        "[{{cables_swapped: {{between: [{}, {}], from: 0 s, for: 1 h}}}}]",
        positions[0], positions[1]
    ));
    assert_eq!(code, Some(3), "{said}");
    assert!(said.contains("swapped"), "{said}");
}

#[test]
fn locked_units_are_found_before_the_night() {
    let positions = positions();
    let (_, _, said) = evening(&format!(
        "[{{locked: {{positions: [{}, {}], from: 0 s}}}}]",
        positions[0], positions[1]
    ));
    let finding = format!(
        "positions {} and {} sound at one and the same pitch",
        positions[0], positions[1]
    );
    assert!(said.contains(&finding), "{said}");
}

#[test]
fn a_unit_that_falls_silent_later_is_tried_again_and_the_others_go_on() {
    let positions = positions();
    let (code, run, said) = evening(&format!(
        "[{{unit_silent: {{positions: [{}], from: 60 s, for: 60 s}}}}]",
        positions[2]
    ));
    assert!(matches!(code, Some(0 | 1 | 4)), "{said}");
    let silent: Vec<&Value> = readings(&run, &positions[2])
        .filter(|reading| reading["state"] == "silent")
        .collect();
    assert!(
        silent.iter().any(|reading| reading["attempt"] == 2),
        "{said}"
    );
    assert!(silent.iter().all(|reading| reading["hz"].is_null()));
    assert!(readings(&run, &positions[0]).all(|reading| reading["state"] == "ok"));
}

#[test]
fn a_note_that_was_not_played_is_not_taken_for_one_that_was() {
    let positions = positions();
    let (_, run, said) = evening(&format!(
        "[{{note_not_played: {{positions: [{}], from: 60 s, for: 30 s}}}}]",
        positions[0]
    ));
    let missed: Vec<&Value> = readings(&run, &positions[0])
        .filter(|reading| reading["state"] == "not_played")
        .collect();
    assert!(!missed.is_empty(), "{said}");
    for reading in readings(&run, &positions[0]).filter(|reading| reading["state"] == "ok") {
        assert!(!has_flag(reading, "wrong_interval"), "{reading}");
    }
}

#[test]
fn portamento_left_on_is_flagged() {
    let positions = positions();
    let (_, run, said) = evening(&format!(
        "[{{portamento: {{positions: [{}], time: 400 ms, from: 60 s}}}}]",
        positions[0]
    ));
    // Of each round all notes but the first, which is the last one's, are come to slowly.
    let late = |position: &str| {
        readings(&run, position)
            .filter(|reading| reading["run_s"].as_f64() > Some(63.0) && reading["slot"] != 0)
            .map(|reading| has_flag(reading, "unsettled"))
            .collect::<Vec<bool>>()
    };
    let gliding = late(&positions[0]);
    assert!(gliding.len() > 20, "{said}");
    assert!(gliding.iter().all(|flagged| *flagged), "{gliding:?}");
    assert!(late(&positions[1]).iter().all(|flagged| !flagged));
}

#[test]
fn a_capture_that_dies_comes_back_and_what_was_missed_is_a_gap() {
    let (code, run, said) = evening("[{capture_dies: {from: 70 s, for: 50 s}}]");
    assert!(matches!(code, Some(0 | 1 | 4)), "{said}");
    let gaps = run["gaps"].as_array().unwrap();
    assert!(!gaps.is_empty(), "{said}");
    assert!(
        gaps.iter()
            .all(|gap| gap["reason"].as_str().unwrap().contains("away")),
        "{gaps:?}"
    );
    let events = run["events"].as_array().unwrap();
    assert!(
        events.iter().any(|event| event["kind"] == "capture_lost"),
        "{said}"
    );
}

#[test]
fn locked_units_are_flagged() {
    let positions = positions();
    let (_, run, said) = evening(&format!(
        "[{{locked: {{positions: [{}, {}], from: 60 s, for: 1 h}}}}]",
        positions[0], positions[2]
    ));
    // From the second note on all of them, those too that begin a round with the note
    // that ended the one before.
    let late: Vec<&Value> = readings(&run, &positions[2])
        .filter(|reading| reading["run_s"].as_f64().unwrap() > 90.0)
        .collect();
    assert!(late.len() > 20, "{said}");
    for reading in late {
        assert!(has_flag(reading, "maybe_locked"), "{reading}");
    }
    assert_eq!(
        readings(&run, &positions[3])
            .filter(|reading| has_flag(reading, "maybe_locked"))
            .count(),
        0
    );
}

#[test]
fn an_overloaded_input_is_flagged() {
    let positions = positions();
    let (_, run, said) = evening(&format!(
        "[{{input_clips: {{positions: [{}], gain: 900 %, from: 60 s, for: 1 h}}}}]",
        positions[1]
    ));
    assert!(
        readings(&run, &positions[1]).any(|reading| has_flag(reading, "clipped")),
        "{said}"
    );
}

#[test]
fn a_supply_that_dips_breaks_the_thermal_history() {
    let (code, run, said) =
        evening("[{supply_dips: {supply: rack, to: 9 V, from: 100 s, for: 10 s}}]");
    assert!(matches!(code, Some(0 | 1 | 4)), "{said}");
    let events = run["events"].as_array().unwrap();
    assert!(
        events.iter().any(|event| event["kind"] == "supply_low"),
        "{said}"
    );
}

#[test]
fn a_supply_held_down_by_its_limit_is_switched_off_and_the_run_is_not_carried_on() {
    let (code, run, said) =
        evening("[{supply_dips: {supply: rack, to: 3 V, from: 100 s, for: 60 s}}]");
    assert_eq!(code, Some(3), "{said}");
    assert!(
        said.contains("switched off") && said.contains("short circuit"),
        "{said}"
    );
    let events = run["events"].as_array().unwrap();
    assert!(
        events.iter().any(|event| event["kind"] == "tripped"),
        "{said}"
    );
}

/// The events of a kind: when, in seconds of the run, and what was said.
fn events<'a>(run: &'a Value, kind: &str) -> Vec<(f64, &'a str)> {
    let events = run["events"].as_array().unwrap().iter();
    events
        .filter(|event| event["kind"] == kind)
        .map(|event| {
            let text = event["text"].as_str().unwrap();
            (event["run_s"].as_f64().unwrap(), text)
        })
        .collect()
}

#[test]
fn a_short_circuit_after_a_dip_is_off_within_two_seconds() {
    let plan = PLAN.replace("every: 20 s, for: 4 min", "every: 1 min, for: 1 h");
    let rig = rig_with(
        "[{supply_dips: {supply: rack, to: 9 V, from: 15 min, for: 5 min}}, \
          {supply_dips: {supply: rack, to: 1 V, from: 20 min, for: 30 min}}]",
    );
    let (code, run, said) = night(&plan, &rig);
    assert_eq!(code, Some(3), "{said}");
    let tripped = events(&run, "tripped");
    assert_eq!(tripped.len(), 1, "{said}");
    let at = tripped[0].0;
    assert!((1200.0..=1202.0).contains(&at), "{at} s");
    assert!(said.contains("short circuit"), "{said}");
}

#[test]
fn a_voltage_that_units_do_not_survive_is_off_at_once() {
    for volts in ["30 V", "-12 V"] {
        let (code, run, said) = evening(&format!(
            "[{{supply_stands: {{supply: rack, at: {volts}, from: 100 s}}}}]"
        ));
        assert_eq!(code, Some(3), "{said}");
        let at = events(&run, "tripped")[0].0;
        assert!((100.0..=101.0).contains(&at), "{at} s");
    }
}

#[test]
fn a_thermometer_that_is_dead_or_wrong_costs_no_reading() {
    for (fault, known) in [
        ("instrument_silent: {instrument: air, from: 0 s}", false),
        (
            "thermometer_reads: {instrument: air, temperature: 9999999 degC, from: 0 s}",
            false,
        ),
        ("instrument_stutters: {instrument: air, from: 0 s}", true),
    ] {
        let (code, run, said) = evening(&format!("[{{{fault}}}]"));
        assert!(matches!(code, Some(0 | 1 | 4)), "{said}");
        assert_eq!(run["gaps"].as_array().unwrap().len(), 0, "{said}");
        for position in positions() {
            assert_eq!(readings(&run, &position).count(), 12 * 4);
            for reading in readings(&run, &position) {
                assert!(!has_flag(reading, "late"), "{reading}");
                assert_eq!(reading["air_degc"].is_number(), known, "{reading}");
            }
        }
        let said_so = said.matches("the thermometer has given no answer").count();
        assert_eq!(said_so, usize::from(!known), "{said}");
        assert_eq!(events(&run, "instrument_lost").len(), said_so);
    }
}

#[test]
fn a_supply_that_falls_silent_follows_the_rule_of_the_rig() {
    let silent = rig_with("[{instrument_silent: {instrument: bench-supply, from: 100 s}}]");
    let (code, run, said) = night(PLAN, &silent);
    assert!(matches!(code, Some(0 | 1 | 4)), "{said}");
    assert_eq!(run["gaps"].as_array().unwrap().len(), 0, "{said}");
    assert_eq!(said.matches("has given no answer").count(), 1, "{said}");
    let lost = events(&run, "instrument_lost");
    assert_eq!(lost.len(), positions().len(), "of each position");

    let rig = silent.replace(
        "    when_safe: off",
        "    when_safe: off\n    when_lost: off",
    );
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    std::fs::write(path("plan.yaml"), PLAN).unwrap();
    std::fs::write(path("rig.yaml"), rig).unwrap();
    let (plan, rig, store) = (path("plan.yaml"), path("rig.yaml"), path("store"));
    let output = run_program(&["run", &plan, "--rig", &rig, "--store", &store]);
    assert_eq!(output.status.code(), Some(3), "{}", told(&output));
    let warning = "OUTPUT MAY STILL BE ON";
    let stderr = String::from_utf8_lossy(&output.stderr);
    let last = stderr.lines().last().unwrap();
    assert!(last.starts_with(warning), "{stderr}");
    let printed = String::from_utf8_lossy(&output.stdout);
    assert!(printed.starts_with(warning), "{printed}");
    let id = printed.split_whitespace().last().unwrap();
    for command in [
        &["show", id][..],
        &["runs"],
        &["compare", id],
        &["batch", id],
    ] {
        let shown = run_program(&[command, &["--store", &store]].concat());
        assert!(
            String::from_utf8_lossy(&shown.stdout).starts_with(warning),
            "{command:?}: {}",
            told(&shown)
        );
    }
    let exported = run_program(&["export", id, "--store", &store, "--format", "csv"]);
    assert!(
        String::from_utf8_lossy(&exported.stderr).starts_with(warning),
        "{}",
        told(&exported)
    );
    let page = path("report.html");
    let report = run_program(&["report", id, "--store", &store, "--out", &page]);
    assert!(report.status.success(), "{}", told(&report));
    let page = std::fs::read_to_string(page).unwrap();
    let (warned, title) = (page.find(warning), page.find("<h1>"));
    assert!(warned.is_some() && warned < title);
    let again = run_program(&["resume", id, "--store", &store]);
    assert_eq!(again.status.code(), Some(3), "{}", told(&again));
    assert!(told(&again).contains("not carried on"), "{}", told(&again));
}

/// What a script of faults makes of a run must not depend on whether it was killed: at
/// moments that follow from the seed, and again and again until it comes to its end.
#[test]
fn killed_amid_faults_and_taken_up_again_it_is_the_run_that_was_not() {
    let plan = PLAN
        .replace("stages:", "evidence: {all: {budget: 2 MB}}\nstages:")
        .replace("for: 4 min", "for: 12 min");
    let rig = rig_with(
        "[{supply_dips: {supply: rack, to: 9 V, from: 60 s, for: 150 s}}, \
          {instrument_silent: {instrument: air, from: 100 s, for: 3 min}}, \
          {instrument_silent: {instrument: bench-supply, from: 250 s, for: 2 min}}, \
          {capture_dies: {from: 400 s, for: 45 s}}, \
          {supply_dips: {supply: rack, to: 9 V, from: 500 s, for: 20 s}}]",
    );
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    std::fs::write(path("plan.yaml"), plan).unwrap();
    std::fs::write(path("rig.yaml"), rig).unwrap();
    let (plan, rig) = (path("plan.yaml"), path("rig.yaml"));
    let export = |id: &str, store: &str| {
        let output = run_program(&["export", id, "--store", store, "--format", "json"]);
        assert!(output.status.success(), "{}", told(&output));
        output.stdout
    };
    let whole = path("whole");
    let output = run_program(&["run", &plan, "--rig", &rig, "--store", &whole]);
    assert!(
        matches!(output.status.code(), Some(0 | 1 | 4)),
        "{}",
        told(&output)
    );
    let id = last_word(&output);
    let wanted = export(&id, &whole);

    let mut random = ChaCha8Rng::seed_from_u64(seed());
    for case in 0..cases(3, 40) {
        let store = path(&format!("store-{case}"));
        // So many readings are announced before it is killed.
        let mut after = random.next_u32() % 40 + 1;
        let mut arguments = vec!["run", &plan, "--rig", &rig];
        loop {
            arguments.extend(["--store", &store, "--format", "json"]);
            if !killed_after(&arguments, after) {
                break;
            }
            arguments = vec!["resume", &id];
            after = random.next_u32() % 60 + 1;
        }
        assert!(
            export(&id, &store) == wanted,
            "case {case} of seed {}: the exports differ",
            seed()
        );
    }
}

/// Starts the program and kills it once it has announced so many readings; whether it came
/// to that before its end.
fn killed_after(arguments: &[&str], readings: u32) -> bool {
    let mut child = command(arguments)
        .stdout(Stdio::piped())
        .stderr(Stdio::null())
        .spawn()
        .expect("the program starts");
    let lines = BufReader::new(child.stdout.take().expect("it is piped")).lines();
    let announced = lines
        .map_while(Result::ok)
        .filter(|line| line.contains("\"hz\""))
        .take(readings as usize)
        .count();
    let killed = announced == readings as usize;
    if killed {
        let _ = child.kill();
    }
    let _ = child.wait();
    killed
}

#[test]
fn a_loose_contact_is_named_timed_and_fails_its_unit_alone() {
    let plan = r#"
nightbench: plan 1
title: A loose contact
reference: C4
listen: {settle: {fixed: 300 ms}, window: {fixed: 200 ms}}
stages:
  - rounds: {name: evening, notes: {list: [C4, C2, C6, C4]}, every: 20 s, for: 8 min}
tolerances:
  - {result: error_left_after_retuning, of: evening, allow: {at_most: 200 cents}}
"#;
    let rig =
        rig_with("[loose_contact: {positions: [bay-1], by: -15 cents, from: 300 s, for: 70 s}]");
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    std::fs::write(path("rig.yaml"), rig).unwrap();
    let judged = |decision: &str| {
        std::fs::write(path("plan.yaml"), format!("{plan}{decision}")).unwrap();
        let (plan, rig, store) = (path("plan.yaml"), path("rig.yaml"), path("store"));
        let output = run(&["run", &plan, "--rig", &rig, "--store", &store]);
        let printed = String::from_utf8_lossy(&output.stdout).into_owned();
        let id = printed.split_whitespace().last().unwrap().to_owned();
        let shown = run(&["show", &id, "--store", &store, "--format", "json"]);
        let shown: Value = serde_json::from_slice(&shown.stdout).unwrap();
        (output.status.code(), shown, told(&output))
    };
    let (code, shown, said) = judged("");
    assert_eq!(code, Some(1), "{said}");
    let units = shown["units"].as_array().unwrap();
    for unit in units {
        let incidents = unit["incidents"].as_array().unwrap();
        // Of a unit that is turned away the risk over all tolerances is not known.
        assert_eq!(
            unit["all_tolerances"]["outside"].is_null(),
            unit["position"] == "bay-1",
            "{unit}"
        );
        if unit["position"] != "bay-1" {
            assert_eq!(
                (incidents.len(), &unit["finding"]),
                (0, &Value::from("pass")),
                "{unit}"
            );
            continue;
        }
        assert_eq!(
            (incidents.len(), &unit["finding"]),
            (1, &Value::from("fail")),
            "{unit}"
        );
        let one = &incidents[0];
        assert_eq!(
            (&one["kind"], &one["whose"]),
            (&"departure".into(), &"unit".into())
        );
        let number = |key: &str| one[key].as_f64().unwrap();
        assert!((number("size_cents") + 15.0).abs() < 1.0, "{one}");
        // A window of 200 ms may lie across an edge.
        assert!(
            number("last_good_s") < 300.2 && number("first_bad_s") > 299.8,
            "{one}"
        );
        assert!(
            number("last_bad_s") < 370.2 && number("good_again_s") > 369.8,
            "{one}"
        );
        assert!(one["said"].as_str().unwrap().contains("15"), "{one}");
    }
    let (code, shown, said) = judged("decision: {incidents: allow}\n");
    assert_eq!(code, Some(0), "{said}");
    assert_eq!(shown["units"][0]["incidents"].as_array().unwrap().len(), 1);
}
