//! The sender and the capture by themselves: MIDI out, JACK, audio in, the meter.

use super::server::{FakeOscillator, Server};
use super::truth::cents;
use super::{in_real_time, is_late};
use std::collections::{BTreeMap, BTreeSet};
use std::path::PathBuf;

/// A rig with the fake oscillator's two voices and its counter of frames.
pub fn rig(host: &str, device: &str, buffer: Option<u32>) -> serde_json::Value {
    let position = |channel: u8, input: u8| {
        serde_json::json!({
            "cv": {
                "sender": "keys",
                "channel": channel,
                "law": {"volts_per_octave": {"slope": "1 V/oct", "zero": "C1 = 0 V"}},
                "safe": {"from": "0 V", "to": "8 V"},
            },
            "input": input,
        })
    };
    let mut capture = serde_json::json!({
        "device": device, "host": host, "rate": "48 kHz", "channels": 3,
    });
    if let Some(frames) = buffer {
        capture["buffer"] = frames.into();
    }
    serde_json::json!({
        "nightbench": "rig 1",
        "name": "real ports",
        "wiring": {"real": {
            "senders": {"keys": {"midi": {"port": "fake-oscillator", "bend_range": "200 cents"}}},
            "capture": capture,
        }},
        "positions": {
            "left": position(1, 1),
            "right": position(2, 2),
            // Its "control voltage" is a channel that nobody listens to.
            "counter": position(16, 3),
        },
    })
}

const NOTES: [&str; 7] = ["36", "48", "60", "72", "84", "60.37", "59.5"];

/// Plays notes and holds what was measured against the truth: every window within
/// 0.05 cent, and no frame lost.
///
/// # Errors
/// When the capture says that the machine lost samples, of some note in every window.
fn notes_are_heard_as_played(
    server: &Server,
    rig: &serde_json::Value,
    environment: &[(&str, PathBuf)],
) -> Result<(), String> {
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("rig.json");
    std::fs::write(&file, rig.to_string()).expect("the rig is written");
    let oscillator = FakeOscillator::start(server);
    let mut command = server.command(env!("CARGO_BIN_EXE_play_and_listen"));
    command.arg(&file).args(["counter", "2"]).args(NOTES);
    command.envs(environment.iter().map(|(key, value)| (key, value)));
    let output = command.output().expect("it runs");
    let truth = oscillator.end();
    let lines = played_lines(&output)?;
    // Good windows of each note, on each oscillator.
    let mut good = BTreeMap::new();
    let mut doubtful = 0;
    let mut worst: f64 = 0.0;
    let mut places: Vec<f64> = Vec::new();
    let mut before = None;
    for line in &lines {
        let number = |key: &str| line[key].as_f64().unwrap_or(f64::NAN);
        // The machine may be too busy for a moment; the capture must say so then.
        if line["trouble"].is_string() || line["doubts"] != 0 {
            doubtful += 1;
            before = None;
            continue;
        }
        let frames = line["frames"].as_u64().expect("frames");
        let about = truth.frame_at(line["t_ns"].as_i64().expect("a time"));
        let count = line["counter"][0].as_u64().expect("a count");
        let from = truth.unwrap_count(count, about);
        let index = line["index"].as_u64().expect("an index");
        // Nothing is missing in a window without doubts, nor between two of them.
        assert_eq!(line["counter"][1], 0, "frames were lost: {line}");
        if let Some((_, counted)) = before.filter(|(end, _)| *end == index) {
            assert_eq!(from, counted, "frames were lost before this: {line}");
        }
        // Both positions come in one window: it is counted from the second.
        if line["position"] == "right" {
            before = Some((index + frames, from + frames));
        }
        let oscillator = usize::from(line["position"] == "right");
        let true_hz = truth.mean_hz(oscillator, from, from + frames);
        let off = cents(number("hz"), true_hz);
        assert!(off.abs() < 0.05, "{off} cents off: {line}");
        // The pitch is where the note and its residue put it, the drift aside.
        let wanted = 440.0 * ((number("note") - 69.0) / 12.0 - number("residue_v")).exp2();
        let drift = cents(true_hz, wanted);
        assert!(drift.abs() < 6.0, "not the note that was asked: {line}");
        *good
            .entry((line["note"].to_string(), oscillator))
            .or_insert(0) += 1;
        worst = worst.max(off.abs());
        places.push((from as f64 - about as f64).abs() / 48.0);
    }
    places.sort_by(f64::total_cmp);
    let place = places.get(places.len() / 2).copied().unwrap_or(0.0);
    println!(
        "{} good windows, {doubtful} with doubts, at most {worst:.6} cents off, half of them placed within {place:.1} ms",
        places.len()
    );
    if good.len() < 2 * NOTES.len() {
        return Err(format!("{doubtful} of {} windows with doubts", lines.len()));
    }
    if doubtful == 0 {
        assert_eq!(places.len(), NOTES.len() * 2 * 4);
    }
    assert!(place < 150.0, "windows lie {place} ms off");
    Ok(())
}

/// What `play_and_listen` has printed.
///
/// # Errors
/// When a device stood still for so long that it could not be opened anew either.
fn played_lines(output: &std::process::Output) -> Result<Vec<serde_json::Value>, String> {
    let complained = String::from_utf8_lossy(&output.stderr);
    if !output.status.success() && is_late(&complained) {
        return Err(complained.into_owned());
    }
    assert!(output.status.success(), "{complained}");
    let lines = tests::program::json_lines(&output.stdout);
    for line in &lines {
        if let Some(trouble) = line["trouble"].as_str() {
            assert!(is_late(trouble), "{line}");
        }
    }
    Ok(lines
        .into_iter()
        .filter(|line| line["recovered_ns"].is_null())
        .collect())
}

#[test]
fn notes_are_heard_as_played_through_jack() {
    if !super::possible() {
        return;
    }
    let server = Server::start();
    let rig = rig("jack", "fake-oscillator", None);
    in_real_time(|| notes_are_heard_as_played(&server, &rig, &[]));
}

/// The same capture through cpal's ALSA host: an ALSA device over JACK. Its buffer
/// must be fixed, as the default is more than a second long.
#[test]
fn notes_are_heard_as_played_through_alsa() {
    if !super::possible() {
        return;
    }
    let folder = tempfile::tempdir().expect("a folder");
    let own = folder.path().join("own.conf");
    std::fs::write(
        &own,
        r#"pcm.bench {
    type jack
    name "alsa-capture"
    capture_ports {
        0 "fake-oscillator:out_1"
        1 "fake-oscillator:out_2"
        2 "fake-oscillator:out_3"
    }
    hint { show on description "The fake oscillator" }
}
"#,
    )
    .expect("the configuration is written");
    let path = format!("/usr/share/alsa/alsa.conf:{}", own.display());
    let server = Server::start();
    let rig = rig("alsa", "bench", Some(1024));
    let environment = [("ALSA_CONFIG_PATH", path.into())];
    in_real_time(|| notes_are_heard_as_played(&server, &rig, &environment));
}

/// Control voltages from an audio output come back through an input: each at the
/// share of full scale that its pitch asks for, less the residue.
#[test]
fn voltages_of_an_audio_output_are_as_asked() {
    if !super::possible() {
        return;
    }
    let server = Server::start();
    let position = |output: u8| {
        serde_json::json!({
            "cv": {
                "sender": "direct",
                "channel": output,
                "law": {"volts_per_octave": {"slope": "1 V/oct", "zero": "C1 = 0 V"}},
                "safe": {"from": "0 V", "to": "8 V"},
            },
            "input": output,
        })
    };
    let rig = serde_json::json!({
        "nightbench": "rig 1",
        "name": "volts",
        "wiring": {"real": {
            "senders": {"direct": {"volts": {
                "device": "JACK Output", "rate": "48 kHz", "full_scale": "10 V",
            }}},
            // The stream that plays is a client of its own, with outputs to listen to.
            "capture": {"device": "cpal_client", "host": "jack", "rate": "48 kHz", "channels": 2},
        }},
        "positions": {"left": position(1), "right": position(2)},
    });
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("rig.json");
    std::fs::write(&file, rig.to_string()).expect("the rig is written");
    // The notes that were heard without doubts, in any attempt.
    let mut good = BTreeSet::new();
    in_real_time(|| {
        let output = server
            .command(env!("CARGO_BIN_EXE_play_and_listen"))
            .arg(&file)
            // Not 24, which is 0 V: exact zeros are a doubt of their own.
            .args(["none", "0.5", "25", "60.37", "96"])
            .output()
            .expect("it runs");
        let lines = played_lines(&output)?;
        for line in lines.iter().filter(|line| line["doubts"] == 0) {
            let number = |key: &str| line[key].as_f64().expect("a number");
            let volts = (number("note") - 24.0) / 12.0 - number("residue_v");
            // Half a step of 24 bits, and the sum of 24000 floats.
            assert!((number("mean") * 10.0 - volts).abs() < 2e-6, "{line}");
            assert!(number("residue_v").abs() <= 10.0 / 8_388_608.0, "{line}");
            good.insert(line["note"].to_string());
        }
        if good.len() < 3 {
            return Err(format!("of 3 notes, {} without doubts", good.len()));
        }
        Ok(())
    });
}

#[test]
fn the_real_adapters_conform() {
    if !super::possible() {
        return;
    }
    let server = Server::start();
    let oscillator = FakeOscillator::start(&server);
    let folder = tempfile::tempdir().expect("a folder");
    let file = folder.path().join("rig.json");
    let rig = rig("jack", "fake-oscillator", None);
    std::fs::write(&file, rig.to_string()).expect("the rig is written");
    in_real_time(|| {
        let mut command = server.command(env!("CARGO_BIN_EXE_conform"));
        let output = command.arg(&file).output().expect("it runs");
        let complained = String::from_utf8_lossy(&output.stderr).into_owned();
        if is_late(&complained) {
            return Err(complained);
        }
        assert!(output.status.success(), "{complained}");
        Ok(())
    });
    drop(oscillator.end());
}
