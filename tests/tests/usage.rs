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

/// The rig and the plan that the README shows are whole ones, and fit each other.
#[test]
fn the_files_in_the_readme_can_be_copied() {
    let readme = std::fs::read_to_string(repository().join("README.md")).unwrap();
    let folder = tempfile::tempdir().unwrap();
    let written = |kind: &str| {
        let block = readme
            .split("```yaml\n")
            .skip(1)
            .filter_map(|rest| rest.split("```").next())
            .find(|block| block.starts_with(&format!("nightbench: {kind} 1\n")))
            .unwrap_or_else(|| panic!("the README shows no {kind}"));
        let path = folder.path().join(format!("{kind}.yaml"));
        std::fs::write(&path, block).unwrap();
        path.display().to_string()
    };
    let rig = written("rig");
    for plan in [written("plan"), shipped("plans/overnight.yaml")] {
        let output = run(&["check", &plan, "--rig", &rig]);
        assert!(output.status.success(), "{}", told(&output));
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

/// The environment names a store, and that makes no option of an error's usage line.
#[test]
fn the_store_of_the_environment() {
    let folder = tempfile::tempdir().unwrap();
    let there = folder.path().join("of the environment");
    let said = |arguments: &[&str]| {
        let output = tests::program::command(arguments)
            .env("NIGHTBENCH_STORE", &there)
            .output()
            .unwrap();
        String::from_utf8_lossy(&output.stderr).into_owned()
    };
    let usage = said(&["show"]);
    assert!(usage.contains("Usage: nightbench show <RUN>"), "{usage}");
    let nothing = said(&["show", "12345678"]);
    assert!(nothing.contains("of the environment"), "{nothing}");
    let typed = folder.path().join("typed").display().to_string();
    let nothing = said(&["show", "12345678", "--store", &typed]);
    assert!(nothing.contains(&typed), "{nothing}");
}

/// What never ends is not read for ever; a pipe that ends is as good as a file.
#[test]
fn pipes_and_devices_in_place_of_files() {
    let folder = tempfile::tempdir().unwrap();
    let pipe = folder.path().join("pipe");
    let made = std::process::Command::new("mkfifo").arg(&pipe).status();
    assert!(made.unwrap().success());
    let (plan, rig) = (shipped("plans/tracking.yaml"), shipped("simulated.yaml"));
    let text = std::fs::read_to_string(&plan).unwrap();
    let recording = folder.path().join("tone.wav");
    std::fs::write(&recording, wav(48_000, &[sine(440.0, 1.0, 48_000.0)])).unwrap();
    let (pipe, recording) = (pipe.to_str().unwrap(), recording.to_str().unwrap());

    let said = |arguments: &[&str], code: i32| {
        let output = run(arguments);
        assert_eq!(output.status.code(), Some(code), "{}", told(&output));
        String::from_utf8_lossy(&output.stderr).into_owned()
    };
    let endless = said(&["check", "/dev/zero", "--rig", &rig], 2);
    assert!(endless.contains("more than"), "{endless}");
    let silent = said(&["check", &plan, "--rig", pipe], 2);
    assert!(silent.contains("did not come to its end"), "{silent}");
    let import: Vec<&str> = "import FILE --channel 1 --unit A --schedule /dev/zero"
        .split(' ')
        .map(|word| if word == "FILE" { recording } else { word })
        .collect();
    let endless = said(&import, 2);
    assert!(endless.contains("/dev/zero: it has more than"), "{endless}");

    std::thread::scope(|scope| {
        scope.spawn(|| std::fs::write(pipe, text).unwrap());
        said(&["check", pipe, "--rig", &rig], 0);
    });
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

#[test]
fn a_serial_number_stands_for_one_unit() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let tone = sine(440.0, 1.0, 48_000.0);
    std::fs::write(path("two.wav"), wav(48_000, &[tone.clone(), tone])).unwrap();
    let notes = "start_s,duration_s,note\n0,1,A4\n";
    std::fs::write(path("notes.csv"), notes).unwrap();
    let (plan, rig) = (shipped("plans/tracking.yaml"), shipped("simulated.yaml"));
    let (recording, table, store) = (path("two.wav"), path("notes.csv"), path("store"));
    let twice: [&[&str]; 2] = [
        &[
            "run",
            &plan,
            "--rig",
            &rig,
            "--unit",
            "bay-1=A-1",
            "--unit",
            "bay-2=A-1",
        ],
        &[
            "import",
            &recording,
            "--schedule",
            &table,
            "--channel",
            "1",
            "--unit",
            "A-1",
            "--channel",
            "2",
            "--unit",
            "A-1",
        ],
    ];
    for arguments in twice {
        let output = run(&[arguments, &["--store", &store]].concat());
        assert_eq!(output.status.code(), Some(2), "{}", told(&output));
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(said.contains("A-1 is given twice"), "{said}");
    }
}

/// A WAV file of channels of the same length, full scale at one.
fn wav(rate: u32, channels: &[Vec<f64>]) -> Vec<u8> {
    let frames = 0..channels[0].len();
    let samples: Vec<i16> = frames
        .flat_map(|frame| channels.iter().map(move |channel| channel[frame]))
        .map(|sample| (sample * 32767.0).round() as i16)
        .collect();
    tests::sound::wave(rate, channels.len() as u16, &samples)
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
    for kind in ["plan", "rig", "results", "export", "comparison", "batch"] {
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

/// A short plan with these tolerances on the simulated rig; the exit codes of `run` and
/// of `show`.
fn judged(tolerances: &str) -> [Option<i32>; 2] {
    let folder = tempfile::tempdir().unwrap();
    let plan = folder.path().join("judged.yaml");
    let text = format!(
        "nightbench: plan 1
title: Judged
reference: C4
listen: {{settle: {{fixed: 300 ms}}, window: {{fixed: 200 ms}}}}
stages:
  - rounds: {{name: notes, notes: {{list: [C4, C2, C6, C4]}}, every: 20 s, for: 1 min}}
tolerances: [{tolerances}]
"
    );
    std::fs::write(&plan, text).unwrap();
    let store = folder.path().join("store");
    let store = ["--store", store.to_str().unwrap()];
    let rig = shipped("simulated.yaml");
    let plan = plan.to_str().unwrap();
    let unit = ["--unit", "bay-1=A-1"];
    let done = run(&[&["run", plan, "--rig", &rig], &unit[..], &store[..]].concat());
    let shown = run(&[&["show", &last_word(&done)], &store[..]].concat());
    [done.status.code(), shown.status.code()]
}

#[test]
fn exit_codes_say_what_the_verdicts_say() {
    let pass = "{result: error_left_after_retuning, of: notes, allow: {at_most: 1000 cents}}";
    let fail = "{result: error_left_after_retuning, of: notes, allow: {at_least: 1000 cents}}";
    // Three rounds are too few to see anything come to rest.
    let undecided = "{result: warm_up_time, of: notes, allow: {at_most: 1 h}}";
    assert_eq!(judged(pass), [Some(0); 2]);
    assert_eq!(judged(&format!("{pass}, {undecided}")), [Some(4); 2]);
    assert_eq!(
        judged(&format!("{undecided}, {fail}, {pass}")),
        [Some(1); 2]
    );
}

/// Every stage that a plan can have, on the simulated rig; those that ask a person, too.
#[test]
fn every_stage_runs_on_the_simulator() {
    let folder = tempfile::tempdir().unwrap();
    let plan = folder.path().join("stages.yaml");
    let text = "nightbench: plan 1
title: Every stage
reference: C4
listen: {settle: {fixed: 300 ms}, window: {fixed: 200 ms}}
stages:
  - cool_down: {for: 1 min}
  - power_on
  - wait: {for: 20 min}
  - ask: {question: \"Is the fine tune in the middle?\"}
  - tune: {within: 100 cents, at_most: 1 min}
  - rounds: {name: rounds, notes: {list: [C4, C2, C6]}, every: 20 s, for: 1 min, order: {random: {seed: 7}}}
  - sweep: {name: sweep, notes: {range: {from: C2, to: C6, step: 600 cents}}, listen: {repeats: 2}}
  - hold: {name: hold, note: C4, for: 10 s, hop: 500 ms}
  - alternate: {name: turns, between: [C3, C5], every: 5 s, times: 4}
";
    std::fs::write(&plan, text).unwrap();
    let store = folder.path().join("store");
    let store = ["--store", store.to_str().unwrap()];
    let rig = shipped("simulated.yaml");
    let done = run(&[&["run", plan.to_str().unwrap(), "--rig", &rig], &store[..]].concat());
    assert_eq!(done.status.code(), Some(0), "{}", told(&done));
    let exported = run(&[
        &["export", &last_word(&done), "--format", "json"],
        &store[..],
    ]
    .concat());
    let export: Value = serde_json::from_slice(&exported.stdout).unwrap();
    assert_eq!(export["complete"], true);
    let events = export["events"].as_array().unwrap();
    for stage in 0..9 {
        for kind in ["stage_began", "stage_ended"] {
            let which = |event: &&Value| event["kind"] == kind && event["stage"] == stage;
            assert_eq!(events.iter().filter(which).count(), 1, "{kind} {stage}");
        }
    }
    let readings = export["readings"].as_array().unwrap();
    let of = |stage: u64| {
        readings
            .iter()
            .filter(move |reading| reading["stage"] == stage)
    };
    // On four units: three rounds of two notes between two references, a sweep of nine up
    // and down left and come back to, four turns of two.
    assert_eq!(of(5).count(), 3 * (1 + 2 + 1) * 4);
    assert_eq!(of(6).count(), (9 + 8) * 2 * 4);
    assert_eq!(of(8).count(), 4 * 2 * 4);
    assert!(readings.iter().all(|reading| reading["state"] == "ok"));
    let held: usize = export["traces"]
        .as_array()
        .unwrap()
        .iter()
        .map(|trace| trace["hz"].as_array().unwrap().len())
        .sum();
    assert_eq!(held, 20 * 4);
}

/// Results that nobody reads any more are no failure, results that could not be written
/// are; neither is a panic.
#[test]
fn pipes_that_close_and_disks_that_are_full() {
    let folder = tempfile::tempdir().unwrap();
    let recording = folder.path().join("tone.wav");
    std::fs::write(&recording, wav(48_000, &[sine(440.0, 60.0, 48_000.0)])).unwrap();
    let recording = recording.to_str().unwrap();
    let (plan, rig) = (shipped("plans/tracking.yaml"), shipped("simulated.yaml"));
    let commands: [&[&str]; 7] = [
        &["measure", recording, "--window", "5ms"],
        &["measure", recording, "--window", "5ms", "--format", "csv"],
        &["check", &plan, "--rig", &rig],
        &["schema", "rig"],
        &["completions", "bash"],
        &["manual"],
        &["ports"],
    ];
    for arguments in commands {
        let mut closed = tests::program::command(arguments)
            .stdout(std::process::Stdio::piped())
            .stderr(std::process::Stdio::piped())
            .spawn()
            .expect("the program starts");
        drop(closed.stdout.take());
        let output = closed.wait_with_output().unwrap();
        assert_eq!(
            output.status.code(),
            Some(0),
            "{arguments:?}: {}",
            told(&output)
        );
        assert!(!told(&output).contains("nightbench:"), "{}", told(&output));

        let full = std::fs::File::options().write(true).open("/dev/full");
        let output = tests::program::command(arguments)
            .stdout(full.expect("Linux has /dev/full"))
            .output()
            .expect("the program starts");
        assert_eq!(
            output.status.code(),
            Some(2),
            "{arguments:?}: {}",
            told(&output)
        );
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(
            said.contains("could not be written"),
            "{arguments:?}: {said}"
        );
        assert!(!said.contains("panicked"), "{arguments:?}: {said}");
    }
}

/// A report that does not fit on its disk is not left there in part.
#[test]
fn a_report_is_written_whole_or_not_at_all() {
    let folder = tempfile::tempdir().unwrap();
    let path = |name: &str| folder.path().join(name).display().to_string();
    let (plan, rig) = (shipped("plans/tracking.yaml"), shipped("simulated.yaml"));
    let store = path("store");
    let output = run(&["run", &plan, "--rig", &rig, "--store", &store]);
    let printed = String::from_utf8_lossy(&output.stdout).into_owned();
    let id = printed.split_whitespace().last().unwrap();

    let page = path("page.html");
    let program = tests::program::nightbench();
    // A limit on the size of files, in blocks of 512 or 1024 bytes, stands in for a full disk.
    let output = std::process::Command::new("sh")
        .args(["-c", "trap '' XFSZ; ulimit -f 80; exec \"$@\"", "sh"])
        .arg(program)
        .args(["report", id, "--store", &store, "--out", &page])
        .output()
        .unwrap();
    assert_eq!(output.status.code(), Some(2), "{}", told(&output));
    assert!(told(&output).contains("page.html cannot be written"));
    assert!(!std::path::Path::new(&page).exists());
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
