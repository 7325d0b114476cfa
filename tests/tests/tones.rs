//! Tones that we did not make: by sox and by csound, measured through the program.
//!
//! What a file holds is not always what was asked for: generators count phase in steps.
//! All but one of the pitches here are whole multiples of 48 kHz / 2^20, which every
//! counter of 20 bits or more holds exactly, so that the file holds them, too. The other
//! one, 440 Hz, is asked of oscillators that count in double precision (csound's poscil,
//! sox's synth: their manuals and a longer window agree) or in 31 bits (vco2).

use serde_json::Value;
use std::path::Path;
use std::process::Command;
use tests::program::{json_lines, run, told};

/// Steps of 48 kHz / 2^20: about 27.5, 110, 440, 1760 and 7040 Hz.
const STEPS: [u32; 5] = [601, 2_403, 9_612, 38_448, 153_790];

/// buzz and gbuzz cut the phase's increment off to whole steps, so that a file may hold a
/// step or two less than was asked for. The size of the step is what readings of 1 s of several
/// pitches have in common, 0.01 cent at 27.5 Hz; their manual does not tell it.
const BUZZ_STEP: f64 = 48_000.0 / 268_435_456.0;

/// From steps to hertz.
fn hertz(steps: u32) -> f64 {
    f64::from(steps) * 48_000.0 / 1_048_576.0
}

/// Every window of a second of every channel.
fn measured(path: &Path) -> Vec<Value> {
    let path = path.display().to_string();
    let output = run(&["measure", &path, "--window", "1s", "--format", "json"]);
    assert!(output.status.success(), "{}", told(&output));
    json_lines(&output.stdout)
}

fn cents(line: &Value, truth: f64) -> f64 {
    let found = line["hz"].as_f64().unwrap_or(f64::NAN);
    1200.0 * (found / truth).log2()
}

/// What plays on each channel, how far the readings may lie from the truth in
/// thousandths of a cent, and whether the octave may be called ambiguous.
///
/// poscil reads tables of sums of sines (GEN10) by a phase in double precision; vco2
/// are band-limited tables with a phase of 31 bits, whose interpolation leaves images
/// that are no harmonics; buzz and gbuzz are closed sums of
/// cosines, made as quotients of two table look-ups at half the pitch, which leave
/// traces of that octave.
const VOICES: [(&str, &str, f64, bool); 8] = [
    ("sine", "poscil 0.5, p4, 1", 0.1, false),
    ("three harmonics", "poscil 0.3, p4, 2", 0.1, false),
    ("saw", "vco2 0.4, p4", 1.0, true),
    ("square", "vco2 0.4, p4, 10", 1.0, true),
    ("pulse", "vco2 0.4, p4, 2, 0.3", 1.0, true),
    ("triangle", "vco2 0.4, p4, 12", 1.0, true),
    (
        "equal cosines",
        "buzz 0.4, p4, int(20000 / p4), 1",
        1.0,
        true,
    ),
    (
        "falling cosines",
        "gbuzz 0.05, p4, int(20000 / p4), 1, 0.8, 3",
        1.0,
        true,
    ),
];

/// Lets csound play the voices at once, each on its channel.
fn csound(folder: &Path, pitch: f64, options: &str) -> Vec<Value> {
    let voices: String = VOICES
        .iter()
        .enumerate()
        .map(|(n, (_, voice, ..))| format!("a{n} {voice}\n outch {}, a{n}\n", n + 1))
        .collect();
    let text = format!(
        "<CsoundSynthesizer>\n<CsInstruments>\nsr = 48000\nksmps = 16\nnchnls = {}\n\
         0dbfs = 1\ngi1 ftgen 1, 0, 65536, 10, 1\n\
         gi2 ftgen 2, 0, 65536, 10, 1, 0.5, 0.25\n\
         gi3 ftgen 3, 0, 65536, 11, 1\n\
         instr 1\n{voices}endin\n</CsInstruments>\n\
         <CsScore>\ni 1 0 2.05 {pitch:.12}\ne\n</CsScore>\n</CsoundSynthesizer>\n",
        VOICES.len()
    );
    let (score, sound) = (folder.join("voices.csd"), folder.join("voices.wav"));
    std::fs::write(&score, text).unwrap();
    let output = Command::new("csound")
        .args(["-d", "-W", options, "-o"])
        .args([&sound, &score])
        .output()
        .unwrap();
    assert!(output.status.success(), "{}", told(&output));
    measured(&sound)
}

#[test]
fn what_csound_plays() {
    if !tests::are_installed(&["csound"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    for (number, steps) in STEPS.into_iter().enumerate() {
        // Floats and 24-bit integers in turn.
        let options = ["-f", "-3"][number % 2];
        let truth = hertz(steps);
        let lines = csound(folder.path(), truth, options);
        assert_eq!(lines.len(), 2 * VOICES.len());
        for line in &lines {
            let channel = line["channel"].as_u64().unwrap() as usize;
            let (name, _, thousandths, ambiguous) = VOICES[channel - 1];
            let steps = if name.ends_with("cosines") { 2 } else { 0 };
            let error = (0..=steps)
                .map(|step| truth - f64::from(step) * BUZZ_STEP)
                .map(|truth| 1000.0 * cents(line, truth))
                .min_by(|a, b| a.abs().total_cmp(&b.abs()))
                .unwrap();
            assert!(
                error.abs() <= thousandths,
                "{name} of {truth} Hz: {error} thousandths of a cent: {line}"
            );
            let flags = line["flags"].as_array().unwrap();
            let expected = flags
                .iter()
                .all(|flag| ambiguous && flag == "octave_ambiguous");
            assert!(expected, "{name} of {truth} Hz: {line}");
        }
    }
}

#[test]
fn csound_at_a_pitch_that_its_counters_do_not_hold() {
    if !tests::are_installed(&["csound"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    for line in csound(folder.path(), 440.0, "-f") {
        let hz = line["hz"].as_f64().unwrap();
        // Nothing for double precision, a step of 31 bits, a step of 24.
        let most = match line["channel"].as_u64().unwrap() {
            1 | 2 => 1e-6,
            3..=6 => 48_000.0 / 2_f64.powi(31),
            _ => 48_000.0 / 2_f64.powi(24),
        };
        assert!((hz - 440.0).abs() <= most, "{line}");
    }
}

/// sox computes its shapes in double precision and without a band limit. So they are
/// made at sixteen times the rate and brought down by sox's own converter, which leaves
/// their images 50 dB down or more; the first quarter of a second holds the filter's
/// beginning. At that rate images can fall on a lower octave, as they do at 7 kHz.
#[test]
fn what_sox_plays() {
    if !tests::are_installed(&["sox"]) {
        return;
    }
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("tone.wav");
    for shape in ["sine", "triangle", "sawtooth", "square"] {
        for truth in STEPS.map(hertz).into_iter().chain([440.0]) {
            let status = Command::new("sox")
                .args(["-r", "768000", "-n", "-r", "48000", "-b", "24"])
                .arg(&path)
                .args(["synth", "2.6", shape, &format!("{truth:.12}")])
                .args(["gain", "-9", "rate", "-v", "48000", "trim", "0.25", "2.05"])
                .status()
                .unwrap();
            assert!(status.success(), "{shape} {truth}");
            let lines = measured(&path);
            assert_eq!(lines.len(), 2, "{shape} {truth}");
            for line in &lines {
                let error = 1000.0 * cents(line, truth);
                assert!(
                    error.abs() <= 2.0,
                    "{shape} of {truth} Hz: {error} thousandths of a cent: {line}"
                );
            }
        }
    }
}
