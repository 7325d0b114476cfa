//! The program as its user meets it: exit codes, wrong files, formats.

use serde_json::Value;
use tests::program::{json_lines, last_word, repository, run, told};

fn shipped(name: &str) -> String {
    repository().join("rigs").join(name).display().to_string()
}

#[test]
fn check_prints_a_timetable_of_every_shipped_plan() {
    for plan in ["overnight", "tracking", "stability"] {
        let output = run(&[
            "check",
            &shipped(&format!("plans/{plan}.yaml")),
            "--rig",
            &shipped("simulated.yaml"),
        ]);
        assert!(output.status.success(), "{plan}: {}", told(&output));
        assert!(
            String::from_utf8_lossy(&output.stdout).contains("can run on"),
            "{}",
            told(&output)
        );
    }
}

#[test]
fn a_wrong_plan_is_one_located_error_and_exit_code_2() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("wrong.yaml");
    let text = std::fs::read_to_string(shipped("plans/overnight.yaml"))
        .unwrap()
        .replacen("every: 1 min", "evry: 1 min", 1);
    std::fs::write(&path, text).unwrap();
    let path = path.display().to_string();
    for command in ["check", "run"] {
        let output = run(&[command, &path, "--rig", &shipped("simulated.yaml")]);
        assert_eq!(output.status.code(), Some(2), "{}", told(&output));
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(
            said.contains("wrong.yaml:") && said.contains("evry") && said.contains("every"),
            "{said}"
        );
        assert!(output.stdout.is_empty());
    }
}

#[test]
fn missing_things_are_named() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("empty").display().to_string();
    let cases: [(&[&str], &str); 4] = [
        (
            &["check", "nowhere.yaml", "--rig", "nowhere.yaml"],
            "nowhere.yaml",
        ),
        (&["measure", "nowhere.wav"], "nowhere.wav"),
        (&["measure", "/"], "folder"),
        (&["show", "12345678", "--store", &store], "store"),
    ];
    for (arguments, expected) in cases {
        let output = run(arguments);
        assert!(
            matches!(output.status.code(), Some(2 | 3)),
            "{arguments:?}: {}",
            told(&output)
        );
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(said.contains(expected), "{arguments:?}: {said}");
        assert_eq!(
            said.trim()
                .lines()
                .filter(|line| line.contains("panicked"))
                .count(),
            0
        );
    }
}

#[test]
fn a_position_the_rig_does_not_have_is_refused() {
    let output = run(&[
        "run",
        &shipped("plans/tracking.yaml"),
        "--rig",
        &shipped("simulated.yaml"),
        "--unit",
        "nowhere=A-1",
    ]);
    assert_eq!(output.status.code(), Some(2), "{}", told(&output));
    assert!(String::from_utf8_lossy(&output.stderr).contains("nowhere"));
}

/// Writes a WAV file of 16-bit samples by hand, so that the reader is not tested
/// against its own kin.
fn wav(rate: u32, channels: &[Vec<f64>]) -> Vec<u8> {
    let frames = channels[0].len();
    let data = frames * channels.len() * 2;
    let mut bytes = Vec::new();
    bytes.extend(b"RIFF");
    bytes.extend((36 + data as u32).to_le_bytes());
    bytes.extend(b"WAVEfmt ");
    bytes.extend(16u32.to_le_bytes());
    bytes.extend(1u16.to_le_bytes());
    bytes.extend((channels.len() as u16).to_le_bytes());
    bytes.extend(rate.to_le_bytes());
    bytes.extend((rate * channels.len() as u32 * 2).to_le_bytes());
    bytes.extend((channels.len() as u16 * 2).to_le_bytes());
    bytes.extend(16u16.to_le_bytes());
    bytes.extend(b"data");
    bytes.extend((data as u32).to_le_bytes());
    for frame in 0..frames {
        for channel in channels {
            bytes.extend(((channel[frame] * 32767.0).round() as i16).to_le_bytes());
        }
    }
    bytes
}

fn sine(hz: f64, seconds: f64, rate: f64) -> Vec<f64> {
    (0..(seconds * rate) as usize)
        .map(|n| 0.5 * (std::f64::consts::TAU * hz * n as f64 / rate).sin())
        .collect()
}

#[test]
fn measure_prints_an_object_a_line_for_each_channel_and_window() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("two.wav");
    std::fs::write(
        &path,
        wav(48_000, &[sine(440.01, 1.2, 48_000.0), vec![0.0; 57_600]]),
    )
    .unwrap();
    let output = run(&[
        "measure",
        &path.display().to_string(),
        "--window",
        "500ms",
        "--format",
        "json",
    ]);
    assert!(output.status.success(), "{}", told(&output));
    let lines = json_lines(&output.stdout);
    assert_eq!(lines.len(), 4, "{}", told(&output));
    assert_eq!(lines[0]["channel"], 1);
    assert_eq!(lines[1]["channel"], 2);
    assert_eq!(lines[2]["t_s"], 0.5);
    assert_eq!(lines[0]["window_s"], 0.5);
    assert_eq!(lines[0]["state"], "ok");
    let hz = lines[0]["hz"].as_f64().unwrap();
    assert!((1200.0 * (hz / 440.01).log2()).abs() < 0.01, "{hz}");
    assert!(lines[0]["u_hz"].as_f64().unwrap() > 0.0);
    assert_eq!(lines[1]["hz"], Value::Null);
    assert_eq!(lines[1]["state"], "silent");
}

#[test]
fn broken_recordings_are_one_sentence_and_exit_code_2() {
    let folder = tempfile::tempdir().unwrap();
    let whole = wav(48_000, &[sine(440.0, 1.0, 48_000.0)]);
    let mut zero_rate = whole.clone();
    zero_rate[24..28].copy_from_slice(&0u32.to_le_bytes());
    let mut absurd = whole.clone();
    absurd[22..24].copy_from_slice(&60_000u16.to_le_bytes());
    let cases = [
        ("cut.wav", whole[..whole.len() / 2].to_vec()),
        ("cut-in-header.wav", whole[..20].to_vec()),
        ("empty.wav", Vec::new()),
        ("text.wav", b"this is no sound at all, is it?".to_vec()),
        ("zero-rate.wav", zero_rate),
        ("channels.wav", absurd),
    ];
    for (name, bytes) in cases {
        let path = folder.path().join(name);
        std::fs::write(&path, bytes).unwrap();
        let output = run(&["measure", &path.display().to_string()]);
        assert_eq!(output.status.code(), Some(2), "{name}: {}", told(&output));
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(
            said.contains(name) && !said.contains("panicked"),
            "{name}: {said}"
        );
        assert_eq!(said.trim().lines().count(), 1, "{name}: {said}");
    }
}

#[test]
fn schemas_completions_and_manual_are_printed() {
    for kind in ["plan", "rig", "results", "comparison", "batch"] {
        let output = run(&["schema", kind]);
        let schema: Value = serde_json::from_slice(&output.stdout).unwrap();
        assert!(schema["properties"]["nightbench"].is_object(), "{kind}");
    }
    for arguments in [
        &["completions", "bash"][..],
        &["manual"][..],
        &["--help"][..],
        &["run", "--help"][..],
    ] {
        let output = run(arguments);
        assert!(
            output.status.success() && output.stdout.len() > 500,
            "{arguments:?}: {}",
            told(&output)
        );
    }
}

/// The simulated units' own phase noise forbids what this plan asks for; the readings say
/// so after a first window instead of listening for four seconds.
#[test]
fn an_uncertainty_that_jitter_forbids_is_told_early() {
    let folder = tempfile::tempdir().unwrap();
    let plan = folder.path().join("much.yaml");
    let text = "nightbench: plan 1
title: More than jitter allows
reference: C4
listen:
  settle: {until_steady: {within: 1 cent, at_most: 2 s}}
  window: {until_uncertainty: {reaches: 0.0003 cents, at_most: 4 s}}
stages:
  - power_on
  - wait: {for: 1 h}
  - sweep: {name: fine, notes: {list: [C4, C3, C5]}}
";
    std::fs::write(&plan, text).unwrap();
    let store = folder.path().join("store");
    let store = ["--store", store.to_str().unwrap()];
    let plan = plan.to_str().unwrap();
    let rig = shipped("simulated.yaml");
    let done = run(&[&["run", plan, "--rig", &rig], &store[..]].concat());
    assert!(
        matches!(done.status.code(), Some(0 | 1 | 4)),
        "{}",
        told(&done)
    );
    let id = last_word(&done);
    let exported = run(&[&["export", &id, "--format", "json"], &store[..]].concat());
    let export: Value = serde_json::from_slice(&exported.stdout).unwrap();
    let readings = export["readings"].as_array().unwrap();
    assert!(readings.len() >= 12, "{}", told(&exported));
    for reading in readings {
        let flags = reading["flags"].as_array().unwrap();
        let has = |name: &str| flags.iter().any(|flag| flag == name);
        assert!(has("uncertainty_not_reached"), "{reading}");
        assert!(
            has("limited_by_jitter") || has("limited_by_drift"),
            "{reading}"
        );
        assert!(reading["window_s"].as_f64().unwrap() < 2.0, "{reading}");
    }
}
