//! What must hold for any recording: the order of its channels.

use serde_json::Value;
use std::path::Path;
use tests::program::{json_lines, run, told};
use tests::sound::wave;

/// A file of 16 bits with a tone on each channel, in the order told.
fn recording(order: &[usize]) -> Vec<u8> {
    let mut samples = Vec::new();
    for n in 0..30_000 {
        for &voice in order {
            let phase = (110.3 * (voice + 1) as f64 * f64::from(n) / 48_000.0).fract();
            let value = match voice {
                0 => 0.5 - phase,
                1 => (phase - 0.5).abs() - 0.25,
                _ => 0.3 * (std::f64::consts::TAU * phase).sin(),
            };
            samples.push((value * 20_000.0) as i16);
        }
    }
    wave(48_000, order.len() as u16, &samples)
}

fn readings(path: &Path, order: &[usize]) -> Vec<(usize, Value)> {
    std::fs::write(path, recording(order)).unwrap();
    let output = run(&["measure", &path.display().to_string(), "--format", "json"]);
    assert!(output.status.success(), "{}", told(&output));
    let mut lines: Vec<(usize, Value)> = json_lines(&output.stdout)
        .into_iter()
        .map(|mut line| {
            let channel = line["channel"].as_u64().unwrap() as usize;
            line["channel"] = Value::Null;
            (order[channel - 1], line)
        })
        .collect();
    lines.sort_by_key(|(voice, _)| *voice);
    lines
}

#[test]
fn channels_in_another_order_are_the_same_readings() {
    let folder = tempfile::tempdir().unwrap();
    let path = folder.path().join("a.wav");
    let first = readings(&path, &[0, 1, 2]);
    assert_eq!(first.len(), 3);
    for order in [[2, 0, 1], [1, 0, 2], [2, 1, 0]] {
        assert_eq!(readings(&path, &order), first, "{order:?}");
    }
}
