//! What a rig file says of a bench and a person then reads: certificates and the limits they
//! stand behind; supplies that were on before the run.

use serde_json::Value;
use std::path::Path;
use std::process::Output;
use tests::program::{last_word, repository, run, told};

const PLAN: &str = "\
nightbench: plan 1
title: Quick sweep
reference: C4
listen: {settle: {fixed: 100 ms}, window: {fixed: 250 ms}, repeats: 1}
stages:
  - sweep: {name: tracking, notes: {range: {from: C2, to: C7, step: 600 cents}}}
tolerances:
  - {result: scale_error, of: tracking, allow: {within: 3 cents/oct}}
  - {result: high_end, of: tracking, allow: {within: 5 cents}}
  - {result: error_left_after_retuning, of: tracking, allow: {at_most: 10 cents}}
";

/// The shipped simulated rig, whose clock begins on 2026-03-02 at 20:00 UTC: with its limits
/// or without, and these certificates (of, dates).
fn rig(with_limits: bool, certificates: &[(&str, &str)]) -> String {
    let shipped = std::fs::read_to_string(repository().join("rigs/simulated.yaml")).unwrap();
    let (rest, limits) = shipped.split_once("\nbounds:").unwrap();
    let mut text = rest.to_owned();
    if with_limits {
        text += "\nbounds:";
        text += limits;
    }
    if !certificates.is_empty() {
        text += "\ncertificates:\n";
    }
    for (of, dates) in certificates {
        text += &format!("  {of}: {{what: standard, number: '{of} 1', {dates}}}\n");
    }
    text
}

const IN_FORCE: [(&str, &str); 3] = [
    ("sample_clock", "date: 2026-01-12, due: 2027-01-12"),
    ("control_voltage", "date: 2026-01-12, due: 2026-03-03"),
    ("thermometer", "date: 2026-01-12"),
];

fn checked(folder: &Path, plan: &str, rig: &str, more: &[&str]) -> Output {
    let file = folder.join("rig.yaml");
    std::fs::write(&file, rig).unwrap();
    let file = file.display().to_string();
    let mut arguments = vec!["check", plan, "--rig", &file];
    arguments.extend(more);
    run(&arguments)
}

#[test]
fn certificates_are_read_and_said_wherever_they_count() {
    let folder = tempfile::tempdir().unwrap();
    let plan = folder.path().join("plan.yaml");
    std::fs::write(&plan, PLAN).unwrap();
    let plan = plan.display().to_string();
    let store = folder.path().join("store").display().to_string();
    let overdue = [
        ("sample_clock", "date: 2025-01-12, due: 2026-01-12"),
        IN_FORCE[1],
        IN_FORCE[2],
    ];
    let early = [
        IN_FORCE[0],
        ("control_voltage", "date: 2026-03-03"),
        IN_FORCE[2],
    ];
    // Certificates; what check says of them; what the run's page says.
    type Case<'a> = (&'a [(&'a str, &'a str)], &'a [&'a str], &'a str);
    let cases: [Case; 5] = [
        (
            &IN_FORCE,
            &["reports call it calibrated", "due 2026-03-03: standard"],
            "Calibrated rig: sample clock by standard",
        ),
        (
            &overdue,
            &[
                "OVERDUE",
                "due again on 2026-01-12, and the run begins on 2026-03-02",
            ],
            "the certificate of the sample clock was due again on 2026-01-12",
        ),
        (
            &early,
            &[
                "NOT YET",
                "is dated 2026-03-03, and the run begins on 2026-03-02",
            ],
            "the certificate of the control voltage is of 2026-03-03",
        ),
        (
            &IN_FORCE[..1],
            &["missing  control voltage", "missing  thermometer"],
            "there is no certificate of the control voltage, and there is no certificate of the thermometer",
        ),
        (
            &[],
            &[
                "No certificates stand behind",
                "reports call it uncalibrated",
            ],
            "no certificate stands behind it",
        ),
    ];
    for (certificates, says, statement) in cases {
        let rig = rig(true, certificates);
        let output = checked(folder.path(), &plan, &rig, &[]);
        assert_eq!(output.status.code(), Some(0), "{}", told(&output));
        for says in says {
            assert!(told(&output).contains(says), "{says}: {}", told(&output));
        }
        let calibrated = certificates == IN_FORCE;
        let output = checked(folder.path(), &plan, &rig, &["--format", "json"]);
        let said: Value = serde_json::from_slice(&output.stdout).unwrap();
        assert_eq!(said["calibration"]["calibrated"], calibrated);
        let file = folder.path().join("rig.yaml").display().to_string();
        let id = last_word(&run(&["run", &plan, "--rig", &file, "--store", &store]));
        let shown = run(&["show", &id, "--store", &store, "--format", "json"]);
        let shown: Value = serde_json::from_slice(&shown.stdout).unwrap();
        assert_eq!(shown["calibrated"], calibrated, "{statement}");
        let stated = shown["rig_statement"].to_string();
        assert!(stated.contains(statement), "{statement}: {stated}");
    }
    // Due on the day on which a night ends is in force all through; due on the day on which
    // it begins is said, and counts.
    let night = repository()
        .join("rigs/plans/overnight.yaml")
        .display()
        .to_string();
    let output = checked(folder.path(), &night, &rig(true, &IN_FORCE), &[]);
    assert!(!told(&output).contains("remark:"), "{}", told(&output));
    let today = [
        IN_FORCE[0],
        ("control_voltage", "date: 2026-01-12, due: 2026-03-02"),
        IN_FORCE[2],
    ];
    let output = checked(folder.path(), &night, &rig(true, &today), &[]);
    for says in [
        "is due again on 2026-03-02, and the run ends on 2026-03-03",
        "reports call it calibrated",
    ] {
        assert!(told(&output).contains(says), "{says}: {}", told(&output));
    }
    for (dates, says) in [
        ("date: soon", "\"soon\" is not a date"),
        ("date: 2026-02-30", "\"2026-02-30\" is not a date"),
        (
            "date: 2026-03-01, due: 2026-01-01",
            "are the two dates swapped?",
        ),
        ("due: 2026-03-01", "\"date\" is missing"),
    ] {
        let output = checked(
            folder.path(),
            &plan,
            &rig(true, &[("thermometer", dates)]),
            &[],
        );
        assert_eq!(output.status.code(), Some(2), "{dates}");
        let said = told(&output);
        assert!(said.contains(says) && said.contains("rig.yaml:"), "{said}");
    }
}

#[test]
fn limits_of_a_calibrated_rig_decide_what_the_usual_ones_cannot() {
    let folder = tempfile::tempdir().unwrap();
    let plan = folder.path().join("plan.yaml");
    std::fs::write(&plan, PLAN).unwrap();
    let plan = plan.display().to_string();
    let decided = |with_limits: bool| {
        let output = checked(
            folder.path(),
            &plan,
            &rig(with_limits, &IN_FORCE),
            &["--format", "json"],
        );
        let said: Value = serde_json::from_slice(&output.stdout).unwrap();
        let tolerances = said["tolerances"].as_array().unwrap().clone();
        let can = tolerances
            .iter()
            .filter(|one| one["can_decide"] == true)
            .count();
        (can, String::from_utf8_lossy(&output.stderr).into_owned())
    };
    // A certificate alone does not make a rig better: its limits must be written down.
    let (can, remarks) = decided(false);
    assert_eq!(can, 0);
    assert!(
        remarks.contains("stand in for cv_gain, cv_offset, cv_step"),
        "{remarks}"
    );
    let (can, remarks) = decided(true);
    assert_eq!((can, remarks.as_str()), (3, ""));
}

#[test]
fn plans_for_warm_units_find_them_warm_on_the_simulated_shelf() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("store").display().to_string();
    let plan = repository()
        .join("rigs/plans/tracking.yaml")
        .display()
        .to_string();
    let shelf = repository().join("rigs/simulated.yaml");
    let text = std::fs::read_to_string(&shelf).unwrap();
    let cold = folder.path().join("cold.yaml");
    let without = text.replace("on_before: {rack: 3 h}", "on_before: {}");
    assert_ne!(without, text);
    std::fs::write(&cold, without).unwrap();
    // Up and down again within ten minutes: a unit that warms does not come back to its notes.
    let repeatability = |rig: &Path| {
        let rig = rig.display().to_string();
        let id = last_word(&run(&["run", &plan, "--rig", &rig, "--store", &store]));
        let shown = run(&["show", &id, "--store", &store, "--format", "json"]);
        let shown: Value = serde_json::from_slice(&shown.stdout).unwrap();
        let healthy = &shown["units"][0];
        let results = healthy["results"].as_array().unwrap();
        let found = results
            .iter()
            .find(|result| result["name"] == "repeatability")
            .unwrap();
        (
            found["value"].as_f64().unwrap().abs(),
            healthy["finding"].clone(),
        )
    };
    let (warm, finding) = repeatability(&shelf);
    assert!(warm < 0.1, "{warm}");
    assert_eq!(finding, "pass");
    let (cold, _) = repeatability(&cold);
    assert!(cold > 1.0, "{cold}");
}
