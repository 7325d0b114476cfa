//! Recordings made elsewhere become runs, and runs are held against each other.

use serde_json::Value;
use std::f64::consts::TAU;
use std::io::Write;
use std::path::Path;
use std::process::Stdio;
use std::time::Instant;
use tests::program::{command, json_lines, last_word, nightbench, run, told};
use tests::sound::wave;

const RATE: u32 = 16_000;
const NOTES: [(&str, i32); 7] = [
    ("C4", 60),
    ("C2", 36),
    ("C3", 48),
    ("C5", 72),
    ("C6", 84),
    ("C7", 96),
    ("C4", 60),
];
const LASTS: f64 = 0.8;

/// A unit whose octaves are wide by `scale` cents each, on channel 1, and its control
/// voltage on channel 2, 10 V at full scale; and the table of its notes.
fn record(folder: &Path, name: &str, scale: f64) -> (String, String) {
    let mut samples: Vec<i16> = Vec::new();
    let mut table = "start_s,duration_s,note\n".to_owned();
    let (mut phase, mut t) = (0.0f64, 0.0);
    let mut noise = 1u32;
    for _ in 0..2 {
        for (note, number) in NOTES {
            let octaves = f64::from(number - 60) / 12.0;
            let hz = 440.0 * (f64::from(number - 69) / 12.0 + scale * octaves / 1200.0).exp2();
            for _ in 0..(LASTS * f64::from(RATE)) as usize {
                phase = (phase + hz / f64::from(RATE)).fract();
                let partials = if hz < 2000.0 { 3 } else { 1 };
                let tone: f64 = (1..=partials)
                    .map(|h| (TAU * phase * f64::from(h)).sin() / f64::from(h))
                    .sum();
                noise = noise.wrapping_mul(1_664_525).wrapping_add(1_013_904_223);
                let hiss = f64::from(noise >> 16) / 65_536.0 - 0.5;
                samples.push((tone * 8000.0 + 4.0 * hiss) as i16);
                let volts = f64::from(number - 24) / 12.0;
                samples.push((volts / 10.0 * 32_768.0 + 2.0 * hiss) as i16);
            }
            table += &format!("{t:.3},{LASTS},{note}\n");
            t += LASTS;
        }
    }
    let wav = folder.join(name);
    std::fs::write(&wav, wave(RATE, 2, &samples)).unwrap();
    let csv = folder.join("notes.csv");
    std::fs::write(&csv, table).unwrap();
    (wav.display().to_string(), csv.display().to_string())
}

fn scale_error(shown: &Value) -> f64 {
    shown["units"][0]["results"]
        .as_array()
        .unwrap()
        .iter()
        .find(|result| result["name"] == "scale_error")
        .and_then(|result| result["value"].as_f64())
        .unwrap_or_else(|| panic!("{shown}"))
}

#[test]
fn a_recording_becomes_a_run_by_table_and_by_control_voltage() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("store").display().to_string();
    let (before, table) = record(folder.path(), "before.wav", 22.4);
    let (after, _) = record(folder.path(), "after.wav", 0.6);
    let imported = run(&[
        "import",
        &before,
        "--schedule",
        &table,
        "--channel",
        "1",
        "--unit",
        "A-1041",
        "--store",
        &store,
    ]);
    assert_eq!(imported.status.code(), Some(0), "{}", told(&imported));
    let first = last_word(&imported);
    assert!(String::from_utf8_lossy(&imported.stdout).contains("Imported recording"));
    let imported = run(&[
        "import",
        &after,
        "--cv-channel",
        "2",
        "--cv-full-scale",
        "10V",
        "--channel",
        "1",
        "--unit",
        "A-1041",
        "--store",
        &store,
    ]);
    assert_eq!(imported.status.code(), Some(0), "{}", told(&imported));
    let second = last_word(&imported);
    for (id, scale) in [(&first, 22.4), (&second, 0.6)] {
        let shown = run(&["show", id, "--store", &store, "--format", "json"]);
        let shown: Value = serde_json::from_slice(&shown.stdout).unwrap();
        assert!((scale_error(&shown) - scale).abs() < 0.3, "{shown}");
    }
    let page = folder.path().join("compared.html").display().to_string();
    let compared = run(&[
        "compare", &first, &second, "--store", &store, "--format", "json", "--out", &page,
    ]);
    assert_eq!(compared.status.code(), Some(0), "{}", told(&compared));
    let compared: Value = serde_json::from_slice(&compared.stdout).unwrap();
    let results = compared["pairs"][0]["results"].as_array().unwrap();
    let scale = results
        .iter()
        .find(|result| result["name"] == "scale_error")
        .unwrap();
    let difference = scale["difference"]["value"].as_f64().unwrap();
    assert!((difference + 21.8).abs() < 0.5, "{scale}");
    // Nobody knows whether two recordings are of one rig, so nothing cancels.
    assert_eq!(scale["cancelled"], serde_json::json!([]));
    let page = std::fs::read_to_string(page).unwrap();
    assert!(page.contains("A-1041 before and after") && !page.contains("http"));
}

#[test]
fn what_cannot_be_imported_is_one_sentence_with_its_place() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("store").display().to_string();
    let (wav, table) = record(folder.path(), "take.wav", 1.0);
    let write = |name: &str, text: &str| {
        let path = folder.path().join(name);
        std::fs::write(&path, text).unwrap();
        path.display().to_string()
    };
    let past = write("past.csv", "start_s,duration_s,note\n0,1,C4\n500,1,C4\n");
    let comma = write("comma.csv", "start_s,duration_s,note\n\"0,5\",1,C4\n");
    let stage = write("stage.csv", "start_s,duration_s,note,stage\n0,1,C4,night\n");
    let one = ["--channel", "1", "--unit", "A"];
    let cases: Vec<(Vec<&str>, &str)> = vec![
        (
            vec!["--schedule", &past],
            "past.csv:3: this note lasts until 501 s",
        ),
        (
            vec!["--schedule", &comma],
            "comma.csv:2, column start_s: \"0,5\" has a decimal comma; write 0.5",
        ),
        (
            vec!["--schedule", &stage],
            "stage.csv:2: stages can be named only together with a --plan",
        ),
        (vec![], "--schedule NOTES.csv"),
        (
            vec!["--schedule", &table, "--channel", "7", "--unit", "B"],
            "no channel 7",
        ),
        (
            vec!["--schedule", &table, "--channel", "2"],
            "each --channel C needs its --unit",
        ),
        (
            vec![
                "--schedule",
                &table,
                "--cv-channel",
                "2",
                "--cv-full-scale",
                "10V",
            ],
            "cannot be used with",
        ),
        (
            vec!["--cv-channel", "1", "--cv-full-scale", "10V"],
            "channel 1 cannot hold both",
        ),
    ];
    for (more, said) in cases {
        let mut arguments = vec!["import", wav.as_str(), "--store", store.as_str()];
        arguments.extend(one);
        arguments.extend(more);
        let output = run(&arguments);
        assert_eq!(output.status.code(), Some(2), "{}", told(&output));
        let message = String::from_utf8_lossy(&output.stderr);
        assert!(message.contains(said), "{said}: {message}");
    }
    // Nothing of it left a run behind.
    assert_eq!(run(&["runs", "--store", &store]).status.code(), Some(2));
}

/// Its hash would be that of what is left when its header has been read.
#[test]
fn a_pipe_is_no_recording_to_import() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("store").display().to_string();
    let (wav, table) = record(folder.path(), "take.wav", 1.0);
    let mut import = command(&import_of_one("/dev/stdin", &table, &store))
        .stdin(Stdio::piped())
        .stderr(Stdio::piped())
        .spawn()
        .unwrap();
    // The program does not wait for all of it.
    let _ = import
        .stdin
        .take()
        .unwrap()
        .write_all(&std::fs::read(wav).unwrap());
    let output = import.wait_with_output().unwrap();
    assert_eq!(output.status.code(), Some(2), "{}", told(&output));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(said.contains("no file on a disk"), "{said}");
}

/// The words that import one unit of a recording by its table.
fn import_of_one<'a>(wav: &'a str, table: &'a str, store: &'a str) -> [&'a str; 10] {
    [
        "import",
        wav,
        "--schedule",
        table,
        "--channel",
        "1",
        "--unit",
        "A",
        "--store",
        store,
    ]
}

/// The bytes of a mono recording of so many seconds of one note, and its table.
fn long_note(folder: &Path, seconds: u32) -> (String, String) {
    let sample = |frame| {
        let phase = (f64::from(frame) * 440.0 / f64::from(RATE)).fract();
        ((TAU * phase).sin() * 8000.0) as i16
    };
    let samples: Vec<i16> = (0..seconds * RATE).map(sample).collect();
    let wav = folder.join("long.wav");
    std::fs::write(&wav, wave(RATE, 1, &samples)).unwrap();
    let mut table = "start_s,duration_s,note\n".to_owned();
    for note in 0..seconds {
        table += &format!("{note},1,A4\n");
    }
    let csv = folder.join("long.csv");
    std::fs::write(&csv, table).unwrap();
    (wav.display().to_string(), csv.display().to_string())
}

/// As `run` does: progress on a terminal, and not a byte of it anywhere else.
#[test]
fn an_import_shows_on_a_terminal_how_far_it_has_come() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("store").display().to_string();
    let (wav, table) = long_note(folder.path(), 600);
    let import = import_of_one(&wav, &table, &store);
    let piped = run(&import);
    let said = String::from_utf8_lossy(&piped.stderr);
    assert!(
        said.contains("600 notes on one channel") && !said.contains(['\r', '\u{1b}', '%']),
        "{said}"
    );
    // script(1) of util-linux runs a command on a terminal of its own.
    let words: Vec<String> = [nightbench().display().to_string()]
        .into_iter()
        .chain(import.map(str::to_owned))
        .map(|word| format!("'{word}'"))
        .collect();
    let typed = folder.path().join("typescript").display().to_string();
    let shown = std::process::Command::new("script")
        .args(["-q", "-e", "-c", &words.join(" "), &typed])
        .env("TERM", "xterm")
        .stdin(Stdio::null())
        .output()
        .expect("util-linux has script");
    let shown = String::from_utf8_lossy(&shown.stdout);
    assert!(shown.contains("listening, "), "{shown}");
    assert!(shown.contains("600 notes on one channel"), "{shown}");
}

/// Whenever an import is killed, its run is there as a whole or not at all, and nothing
/// stands in the way of importing it again.
#[test]
fn an_import_that_is_killed_leaves_no_half_of_a_run() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("store").display().to_string();
    let (wav, table) = record(folder.path(), "take.wav", 1.0);
    let import = import_of_one(&wav, &table, &store);
    let begun = Instant::now();
    assert_eq!(run(&import).status.code(), Some(0));
    let whole = begun.elapsed();
    for twelfth in 1..=12 {
        let mut child = command(&import)
            .stdout(Stdio::null())
            .stderr(Stdio::null())
            .spawn()
            .unwrap();
        std::thread::sleep(whole * twelfth / 13);
        child.kill().unwrap();
        child.wait().unwrap();
        let listed = run(&["runs", "--store", &store, "--format", "json"]);
        assert_eq!(listed.status.code(), Some(0), "{}", told(&listed));
        for line in json_lines(&listed.stdout) {
            assert_eq!(
                (&line["standing"], &line["readings"]),
                (&"complete".into(), &14.into())
            );
        }
    }
    let again = run(&import);
    assert_eq!(again.status.code(), Some(0), "{}", told(&again));
    let resumed = run(&["resume", &last_word(&again), "--store", &store]);
    assert_eq!(resumed.status.code(), Some(0), "{}", told(&resumed));
    assert!(String::from_utf8_lossy(&resumed.stderr).contains("nothing to carry on"));
}

#[test]
fn runs_that_cannot_be_compared_are_refused() {
    let folder = tempfile::tempdir().unwrap();
    let store = folder.path().join("store").display().to_string();
    let (wav, table) = record(folder.path(), "take.wav", 1.0);
    let imported = run(&import_of_one(&wav, &table, &store));
    let id = last_word(&imported);
    for (runs, said) in [
        (vec![id.as_str()], "nothing to compare it with"),
        (vec![id.as_str(), id.as_str()], "named twice"),
        (vec![id.as_str(), "ffffffff"], "there is no run ffffffff"),
    ] {
        let mut arguments = vec!["compare", "--store", store.as_str()];
        arguments.extend(runs);
        let output = run(&arguments);
        assert_eq!(output.status.code(), Some(2), "{}", told(&output));
        let message = String::from_utf8_lossy(&output.stderr);
        assert!(message.contains(said), "{message}");
    }
}
