//! What goes wrong on a bench, seen through the whole program.

use serde_json::Value;
use tests::program::{repository, run, told};

const PLAN: &str = r#"
nightbench: plan 1
title: A short evening
reference: C4
listen: {settle: {until_steady: {within: 2 cents, at_most: 1 s}}, window: {fixed: 200 ms}}
stages:
  - power_on
  - rounds: {name: evening, notes: {list: [C4, C2, C6, C4]}, every: 20 s, for: 4 min}
"#;

/// Runs the short plan on the shipped simulated rig with a script of faults.
fn evening(faults: &str) -> (Option<i32>, Value, String) {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let rig = std::fs::read_to_string(repository().join("rigs/simulated.yaml")).unwrap();
    assert!(rig.contains("    faults: []"));
    let rig = rig.replace("    faults: []", &format!("    faults: {faults}"));
    std::fs::write(path("plan.yaml"), PLAN).unwrap();
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
        events.iter().any(|event| event["kind"] == "fault"),
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
        events.iter().any(|event| event["kind"] == "history_broken"),
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
