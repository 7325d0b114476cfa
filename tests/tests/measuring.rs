//! `measure` as its user meets it: formats of files, hops, deviations, broken recordings.

use serde_json::Value;
use std::path::Path;
use std::process::{Command, Output};
use tests::program::{json_lines, run, told};

/// Lets sox write a tone and says what is in it: a sine of 442 Hz for 2.2 s, half of
/// full scale.
fn sox(path: &Path, options: &[&str], channels: &str) {
    let status = Command::new("sox")
        .args(["-n", "-r", "48000", "-c", channels])
        .args(options)
        .arg(path)
        .args(["synth", "2.2", "sine", "442", "gain", "-6"])
        .status()
        .unwrap();
    assert!(status.success(), "{options:?}");
}

fn measure(path: &Path, options: &[&str]) -> Output {
    let path = path.display().to_string();
    let mut arguments = vec!["measure", path.as_str()];
    arguments.extend(options);
    run(&arguments)
}

/// A mono file of 16 bits.
fn wave(seconds: f64) -> Vec<u8> {
    let sample = |n| {
        let phase = std::f64::consts::TAU * 442.0 * f64::from(n) / 48_000.0;
        (16_000.0 * phase.sin()) as i16
    };
    let samples: Vec<i16> = (0..(48_000.0 * seconds) as u32).map(sample).collect();
    tests::sound::wave(48_000, 1, &samples)
}

fn keys(line: &Value) -> Vec<&str> {
    let mut keys: Vec<&str> = line
        .as_object()
        .unwrap()
        .keys()
        .map(String::as_str)
        .collect();
    keys.sort_unstable();
    keys
}

#[test]
fn every_kind_of_sample_that_sox_writes() {
    if !tests::are_installed(&["sox"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    // sox writes 24 bits, 32 bits and many channels in the extensible format.
    let cases: [(&str, &[&str], &str); 8] = [
        ("u8", &["-b", "8", "-e", "unsigned-integer"], "1"),
        ("s16", &["-b", "16"], "2"),
        ("s24", &["-b", "24"], "1"),
        ("s32", &["-b", "32", "-e", "signed-integer"], "1"),
        ("f32", &["-b", "32", "-e", "floating-point"], "2"),
        ("f64", &["-b", "64", "-e", "floating-point"], "1"),
        ("s24x32", &["-b", "24"], "32"),
        ("plain", &["-t", "wavpcm", "-b", "24"], "2"),
    ];
    for (name, options, channels) in cases {
        let path = folder.path().join(format!("{name}.wav"));
        sox(&path, options, channels);
        let output = measure(&path, &["--format", "json", "--window", "1s"]);
        assert!(output.status.success(), "{name}: {}", told(&output));
        let lines = json_lines(&output.stdout);
        let channels: usize = channels.parse().unwrap();
        assert_eq!(lines.len(), 2 * channels, "{name}");
        for line in &lines {
            let hz = line["hz"].as_f64().unwrap();
            assert!((hz - 442.0).abs() < 1e-3, "{name}: {line}");
            // Half of full scale, rms: -6 - 3.01 dB.
            let level = line["level_dbfs"].as_f64().unwrap();
            assert!((level + 9.01).abs() < 0.1, "{name}: {line}");
        }
    }
}

#[test]
fn what_sox_streams_is_measured_to_its_end() {
    if !tests::are_installed(&["sox"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("streamed.wav");
    let streamed = Command::new("sox")
        .args(["-n", "-r", "48000", "-b", "16", "-t", "wav", "-"])
        .args(["synth", "1.1", "sine", "442", "gain", "-6"])
        .output()
        .unwrap();
    std::fs::write(&path, &streamed.stdout).unwrap();
    let output = measure(&path, &["--format", "json"]);
    assert!(output.status.success(), "{}", told(&output));
    assert_eq!(json_lines(&output.stdout).len(), 2);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(
        said.contains("streamed.wav") && said.contains("to its end"),
        "{said}"
    );
    assert_eq!(said.lines().count(), 1);
}

#[test]
fn lengths_that_were_never_written_and_lengths_that_are_wrong() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    let whole = wave(1.25);
    for (riff, data) in [(0u32, 0u32), (36, 0), (u32::MAX, u32::MAX)] {
        let mut bytes = whole.clone();
        bytes[4..8].copy_from_slice(&riff.to_le_bytes());
        bytes[40..44].copy_from_slice(&data.to_le_bytes());
        std::fs::write(&path, &bytes).unwrap();
        let output = measure(&path, &["--format", "json"]);
        assert!(output.status.success(), "{}", told(&output));
        assert_eq!(json_lines(&output.stdout).len(), 2);
        assert!(String::from_utf8_lossy(&output.stderr).contains("to its end"));
    }
    // Cut off: what is there is measured, then one sentence and exit code 2.
    std::fs::write(&path, &whole[..whole.len() - 20_000]).unwrap();
    let output = measure(&path, &["--format", "json"]);
    assert_eq!(output.status.code(), Some(2), "{}", told(&output));
    assert_eq!(json_lines(&output.stdout).len(), 2);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(
        said.contains("cut off") && said.lines().count() == 1,
        "{said}"
    );
}

#[test]
fn chunks_of_odd_length_before_the_samples() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("odd.wav");
    let whole = wave(0.6);
    for padded in [true, false] {
        let mut bytes = whole[..12].to_vec();
        bytes.extend(b"note\x03\0\0\0abc");
        if padded {
            bytes.push(0);
        }
        bytes.extend(&whole[12..]);
        std::fs::write(&path, &bytes).unwrap();
        let output = measure(&path, &["--format", "json"]);
        assert!(
            output.status.success(),
            "padded {padded}: {}",
            told(&output)
        );
        let hz = json_lines(&output.stdout)[0]["hz"].as_f64().unwrap();
        assert!((hz - 442.0).abs() < 1e-2, "{hz}");
    }
}

#[test]
fn long_files_of_64_bit_sizes() {
    // EBU Tech 3306: RF64, sizes of all ones, the true ones in a ds64 chunk.
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("long.wav");
    let whole = wave(0.6);
    let size = (whole.len() - 44) as u64;
    let mut bytes = b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0".to_vec();
    bytes.extend((size + 72).to_le_bytes());
    bytes.extend(size.to_le_bytes());
    bytes.extend((size / 2).to_le_bytes());
    bytes.extend([0; 4]);
    bytes.extend(&whole[12..40]);
    bytes.extend([0xff; 4]);
    bytes.extend(&whole[44..]);
    // Something after the samples is no sound.
    bytes.extend(b"LIST\x04\0\0\0abcd");
    std::fs::write(&path, &bytes).unwrap();
    let output = measure(&path, &["--format", "json"]);
    assert!(output.status.success(), "{}", told(&output));
    assert!(output.stderr.is_empty(), "{}", told(&output));
    assert_eq!(json_lines(&output.stdout).len(), 1);
}

/// A recorder that was cut off never wrote the true sizes; one that recorded nothing did.
#[test]
fn long_files_whose_length_was_never_written() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("long.wav");
    let sound = wave(0.6)[44..].to_vec();
    let file = |riff: u64, data: u64, chunk: u32, sound: &[u8]| {
        let mut bytes = b"RF64\xff\xff\xff\xffWAVEds64\x1c\0\0\0".to_vec();
        bytes.extend(riff.to_le_bytes());
        bytes.extend(data.to_le_bytes());
        bytes.extend([0; 12]);
        bytes.extend(&wave(0.0)[12..40]);
        bytes.extend(chunk.to_le_bytes());
        bytes.extend(sound);
        std::fs::write(&path, &bytes).unwrap();
        measure(&path, &["--format", "json"])
    };
    let ones = u64::MAX;
    for (riff, data) in [
        (0, 0),
        (ones, ones),
        (0, ones),
        (ones >> 1, ones >> 1),
        (72, 0),
    ] {
        for chunk in [u32::MAX, 0] {
            let output = file(riff, data, chunk, &sound);
            assert!(output.status.success(), "{}", told(&output));
            assert_eq!(json_lines(&output.stdout).len(), 1, "{riff} {data} {chunk}");
            assert!(String::from_utf8_lossy(&output.stderr).contains("to its end"));
        }
    }
    let cut_off = file(5_000_000_072, 5_000_000_000, u32::MAX, &sound);
    assert_eq!(cut_off.status.code(), Some(2), "{}", told(&cut_off));
    assert!(String::from_utf8_lossy(&cut_off.stderr).contains("cut off"));
    let nothing = file(72, 0, u32::MAX, &[]);
    assert!(json_lines(&nothing.stdout).is_empty());
    assert!(!String::from_utf8_lossy(&nothing.stderr).contains("to its end"));
}

#[test]
fn a_sample_that_is_no_number_ends_with_its_place() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("nan.wav");
    let whole = wave(0.0);
    let mut bytes = whole[..44].to_vec();
    bytes[20] = 3;
    bytes[28..32].copy_from_slice(&192_000u32.to_le_bytes());
    bytes[32] = 4;
    bytes[34] = 32;
    bytes[40..44].copy_from_slice(&(4 * 48_000u32).to_le_bytes());
    for n in 0..48_000u32 {
        let sample = if n == 36_000 {
            f32::NAN
        } else {
            (std::f64::consts::TAU * 442.0 * f64::from(n) / 48_000.0).sin() as f32 * 0.5
        };
        bytes.extend(sample.to_le_bytes());
    }
    std::fs::write(&path, &bytes).unwrap();
    let output = measure(&path, &["--format", "json"]);
    assert_eq!(output.status.code(), Some(2), "{}", told(&output));
    assert_eq!(json_lines(&output.stdout).len(), 1);
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(said.contains("NaN") && said.contains("0.750 s"), "{said}");
}

#[test]
fn keys_are_those_that_are_documented() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    std::fs::write(&path, wave(0.6)).unwrap();
    let plain = json_lines(&measure(&path, &["--format", "json"]).stdout);
    let documented = [
        "channel",
        "flags",
        "hz",
        "level_dbfs",
        "state",
        "t_s",
        "u_hz",
        "window_s",
    ];
    assert_eq!(keys(&plain[0]), documented);

    let options = ["--format", "json", "--note", "A4", "--pitch", "A4 = 441 Hz"];
    let noted = json_lines(&measure(&path, &options).stdout);
    let mut more = documented.to_vec();
    more.extend(["cents", "note"]);
    more.sort_unstable();
    assert_eq!(keys(&noted[0]), more);
    assert_eq!(noted[0]["note"], "A4");
    // 1200 log2(442/441) = 3.9213 cents.
    let cents = noted[0]["cents"].as_f64().unwrap();
    assert!((cents - 3.9213).abs() < 0.01, "{cents}");
}

#[test]
fn text_says_the_nearest_note_and_csv_has_a_heading() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    std::fs::write(&path, wave(0.6)).unwrap();
    // 1200 log2(442/440) = 7.851 cents.
    let text = String::from_utf8(measure(&path, &[]).stdout).unwrap();
    assert!(
        text.contains("A4") && text.contains("+7.85 cents"),
        "{text}"
    );

    let csv = String::from_utf8(measure(&path, &["--format", "csv", "--note", "C4"]).stdout);
    let csv = csv.unwrap();
    let rows: Vec<Vec<&str>> = csv.lines().map(|line| line.split(',').collect()).collect();
    assert_eq!(
        rows[0].join(","),
        "channel,t_s,window_s,hz,u_hz,level_dbfs,state,flags,note,cents"
    );
    assert_eq!(rows.len(), 2);
    assert_eq!(rows[1].len(), rows[0].len());
    // A major sixth above C4.
    let cents: f64 = rows[1][9].parse().unwrap();
    assert!((cents - 907.851).abs() < 0.01, "{cents}");
    // The same for a spreadsheet that has decimal commas.
    let arguments = ["--format", "csv", "--note", "C4", "--decimal-comma"];
    let commas = String::from_utf8(measure(&path, &arguments).stdout).unwrap();
    let turned = |text: &str| text.replace(',', ";").replace('.', ",");
    assert_eq!(commas, turned(&csv));
    // Where no CSV comes out, it would do nothing: that is said instead.
    let path = path.display().to_string();
    let without_csv: [&[&str]; 4] = [
        &["measure", &path, "--decimal-comma"],
        &["measure", &path, "--decimal-comma", "--format", "json"],
        &["measure", &path, "--decimal-comma", "--settling"],
        &["export", "3f9c2a1b", "--decimal-comma", "--format", "json"],
    ];
    for arguments in without_csv {
        let refused = run(arguments);
        assert_eq!(refused.status.code(), Some(2), "{arguments:?}");
        let said = String::from_utf8_lossy(&refused.stderr);
        assert!(said.contains("--decimal-comma is for CSV"), "{said}");
        assert!(refused.stdout.is_empty(), "{}", told(&refused));
    }
}

#[test]
fn windows_overlap_or_lie_apart() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    std::fs::write(&path, wave(2.0)).unwrap();
    for (hop, expected) in [
        ("250ms", vec![0.0, 0.25, 0.5, 0.75, 1.0, 1.25, 1.5]),
        ("500ms", vec![0.0, 0.5, 1.0, 1.5]),
        ("750ms", vec![0.0, 0.75, 1.5]),
    ] {
        let output = measure(&path, &["--format", "json", "--hop", hop]);
        let begins: Vec<f64> = json_lines(&output.stdout)
            .iter()
            .map(|line| line["t_s"].as_f64().unwrap())
            .collect();
        assert_eq!(begins, expected, "{hop}");
    }
}

#[test]
fn a_view_without_a_terminal_is_lines() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    std::fs::write(&path, wave(0.6)).unwrap();
    let output = measure(&path, &["--view"]);
    assert!(output.status.success(), "{}", told(&output));
    let text = String::from_utf8_lossy(&output.stdout);
    assert!(text.contains("A4") && !text.contains('\u{1b}'), "{text}");
    assert!(String::from_utf8_lossy(&output.stderr).contains("no terminal"));
}

#[test]
fn what_cannot_be_asked_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    std::fs::write(&path, wave(0.6)).unwrap();
    let cases: [(&[&str], &str); 6] = [
        (&["--channel", "2"], "1 channel"),
        (&["--window", "1h"], "--window"),
        (&["--hop", "0s"], "--hop"),
        (&["--note", "H9"], "note"),
        (&["--note", "2.5 V"], "--note"),
        (&["--pitch", "high"], "A4 = 440 Hz"),
    ];
    for (options, expected) in cases {
        let output = measure(&path, options);
        assert_eq!(
            output.status.code(),
            Some(2),
            "{options:?}: {}",
            told(&output)
        );
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(said.contains(expected), "{options:?}: {said}");
        assert!(output.stdout.is_empty());
    }
}

/// A pulse of a third, 55 Hz, a quarter of full scale, on a constant of 0.1. Samples of
/// a pulse alias, which at 55 Hz is 60 dB down.
#[test]
fn a_waveform_is_measured_when_asked_for() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("pulse.wav");
    let mut bytes = wave(0.6);
    for (n, sample) in bytes[44..].chunks_exact_mut(2).enumerate() {
        let phase = (55.0 * n as f64 / 48_000.0).fract();
        let value = 0.1 + if phase < 1.0 / 3.0 { 0.25 } else { 0.0 };
        sample.copy_from_slice(&((value * 32_768.0) as i16).to_le_bytes());
    }
    std::fs::write(&path, bytes).unwrap();
    let options = ["--waveform", "--dc-coupled", "--format", "json"];
    let line = &json_lines(&measure(&path, &options).stdout)[0];
    let waveform = &line["waveform"];
    let number = |key: &str| waveform[key].as_f64().unwrap();
    assert!((number("duty_cycle_percent") - 100.0 / 3.0).abs() < 0.2);
    assert!((number("dc_of_full_scale") - (0.1 + 0.25 / 3.0)).abs() < 1e-3);
    // Mean square of the harmonics is d (1 - d); the fundamental has 2 sin^2(pi d) / pi^2.
    let d: f64 = 1.0 / 3.0;
    let first = 2.0 * (std::f64::consts::PI * d).sin().powi(2) / std::f64::consts::PI.powi(2);
    let thd = 100.0 * (d * (1.0 - d) / first - 1.0).sqrt();
    assert!(
        (number("thd_of_fundamental_percent") - thd).abs() < 0.5,
        "{thd}: {waveform}"
    );
    let csv = String::from_utf8(measure(&path, &["--waveform", "--format", "csv"]).stdout);
    let csv = csv.unwrap();
    let columns: Vec<usize> = csv.lines().map(|row| row.split(',').count()).collect();
    assert!(columns.iter().all(|count| *count == columns[0]), "{csv}");
    // Not declared DC-coupled: no duty cycle.
    let undeclared = &json_lines(&measure(&path, &["--waveform", "--format", "json"]).stdout)[0];
    assert!(undeclared["waveform"]["duty_cycle_percent"].is_null());
    assert!(undeclared["waveform"]["thd_of_total_percent"].is_f64());
}

/// Programs get no change, people a sentence.
#[test]
fn a_note_that_never_changes_is_said() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("still.wav");
    std::fs::write(&path, wave(2.0)).unwrap();
    let headings = [
        ("text", ""),
        ("json", ""),
        (
            "csv",
            "channel,onset_s,u_onset_s,from_hz,to_hz,t_s,window_s,hz,u_hz,cents_from_rest",
        ),
    ];
    for (format, heading) in headings {
        let output = measure(&path, &["--settling", "--channel", "1", "--format", format]);
        assert_eq!(output.status.code(), Some(0), "{}", told(&output));
        let stdout = String::from_utf8_lossy(&output.stdout);
        assert_eq!(stdout.trim_end(), heading);
        let said = String::from_utf8_lossy(&output.stderr);
        assert!(
            said.contains("still.wav: no change of note was found on channel 1"),
            "{said}"
        );
        assert_eq!(said.lines().count(), 1, "{said}");
    }
}

#[test]
fn changes_of_note_in_what_sox_recorded() {
    if !tests::are_installed(&["sox"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let notes = [("0.9", "220"), ("0.8", "440"), ("1", "233.08")];
    let mut joined = Command::new("sox");
    for (index, (seconds, hertz)) in notes.iter().enumerate() {
        let path = folder.path().join(format!("{index}.wav"));
        let status = Command::new("sox")
            .args(["-n", "-r", "48000", "-b", "24"])
            .arg(&path)
            .args(["synth", seconds, "triangle", hertz, "gain", "-6"])
            .status()
            .unwrap();
        assert!(status.success());
        joined.arg(path);
    }
    let path = folder.path().join("all.wav");
    assert!(joined.arg(&path).status().unwrap().success());
    let output = measure(&path, &["--settling", "--format", "json"]);
    assert!(output.status.success(), "{}", told(&output));
    assert!(output.stderr.is_empty(), "{}", told(&output));
    let found = json_lines(&output.stdout);
    assert_eq!(found.len(), 2, "{found:?}");
    for (change, (at, hertz)) in found.iter().zip([(0.9, 440.0), (1.7, 233.08)]) {
        assert!(
            (change["onset_s"].as_f64().unwrap() - at).abs() < 1e-3,
            "{change}"
        );
        assert!((change["to_hz"].as_f64().unwrap() - hertz).abs() < 0.01);
        let curve = change["curve"].as_array().unwrap();
        assert!(curve.len() > 20);
        for point in curve {
            assert!(
                point["cents_from_rest"].as_f64().unwrap().abs() < 2.0,
                "{point}"
            );
        }
    }
}
