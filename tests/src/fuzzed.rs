//! What takes bytes from strangers, each behind one function: bytes in, and it must return.
//!
//! The targets in `tests/fuzz` call these under cargo-fuzz; a test feeds them the corpus beside
//! those targets, and mutations of it, with a stable compiler. The file of a store is reached
//! through the built program.

use crate::instruments::{Fake, Fault, StillClock, Wired};
use crate::program::{command, repository, told};
use crate::sound::wave;
use model::document::rig::{Law, Role};
use model::document::{check, read_plan, read_rig};
use model::port::{Clock, Instrument, Sense, Setting};
use model::quantity::{Amperes, Seconds, Volts, VoltsPerOctave};
use model::time::Timestamp;
use recording::{Import, Recording, RecordingError, Source, Windows, read_notes};
use std::io::Write;
use std::path::Path;
use std::process::{Output, Stdio};
use std::sync::{Arc, LazyLock};

fn shipped(name: &str) -> Vec<u8> {
    let path = repository().join("rigs").join(name);
    std::fs::read(&path).unwrap_or_else(|error| panic!("{}: {error}", path.display()))
}

static RIG: LazyLock<Vec<u8>> = LazyLock::new(|| shipped("simulated.yaml"));
static PLAN: LazyLock<Vec<u8>> = LazyLock::new(|| shipped("plans/tracking.yaml"));

fn documents(plan: &[u8], rig: &[u8]) {
    let checked = read_plan("plan.yaml", plan).and_then(|plan| {
        check::check_plan(&plan)?;
        let rig = read_rig("rig.yaml", rig)?;
        check::check_rig(&rig)?;
        check::check_together(&plan, &rig)
    });
    if let Err(error) = checked {
        let message = error.to_string();
        assert!(message.len() < 5000, "{message}");
    }
}

/// A plan, read and checked by itself and on a shipped rig.
pub fn plan(bytes: &[u8]) {
    documents(bytes, &RIG);
}

/// A rig, read and checked by itself and under a shipped plan.
pub fn rig(bytes: &[u8]) {
    documents(&PLAN, bytes);
}

/// What an instrument answers, whatever it is asked. Time is virtual.
pub fn scpi(bytes: &[u8]) {
    let clock: Arc<dyn Clock> = Arc::new(StillClock::default());
    let instrument = |role| -> Box<dyn Instrument> {
        let fake = Fake::supply().when_told("", Fault::Bytes(bytes.to_vec()));
        let port = Wired::new(fake, Arc::clone(&clock));
        devices::serial::scpi::over("bench", Box::new(port), role, Arc::clone(&clock))
    };
    let by = || clock.now() + Seconds::of(1.0);
    let on = Setting::On {
        voltage: Volts::of(12.0),
        current_limit: Amperes::of(0.8),
    };
    let mut supply = instrument(Role::Supply);
    let _ = supply.identify(by());
    let _ = supply.set(on, by());
    let _ = supply.sense(Sense::Voltage, by());
    let _ = supply.sense(Sense::Current, by());
    let _ = supply.make_safe(by());
    let _ = instrument(Role::Thermometer).sense(Sense::Temperature, by());
}

fn write(path: &Path, bytes: &[u8]) -> String {
    let mut file = std::fs::File::create(path).expect("a file of the test");
    file.write_all(bytes).expect("a file of the test");
    path.display().to_string()
}

/// A result, or an error with an exit code of ours.
fn ends_well(output: &Output) {
    let code = output.status.code();
    assert!(matches!(code, Some(0..=4)), "{}", told(output));
    let said = String::from_utf8_lossy(&output.stderr);
    assert!(!said.contains("panicked"), "{said}");
    assert!(output.stderr.len() < 100_000, "{said}");
}

fn answered(arguments: &[&str]) -> Output {
    let output = command(arguments)
        .stdin(Stdio::null())
        .output()
        .expect("the program starts");
    ends_well(&output);
    output
}

/// A recording, measured in windows of half a second.
///
/// # Panics
/// When an error does not name it, or a frequency is none.
pub fn wav(bytes: &[u8]) {
    let measured = sound(bytes).and_then(|recording| {
        let frames = recording.rate().frames(Seconds::of(0.5));
        for window in Windows::new(recording, frames as usize, frames, None) {
            let frequency = window?.measured.frequency;
            assert!(frequency.is_none_or(|hz| hz.get().is_finite()));
        }
        Ok(())
    });
    if let Err(error) = measured {
        assert!(error.to_string().starts_with("sound.wav: "), "{error}");
    }
}

/// A table of notes, imported with a recording.
///
/// # Panics
/// When an error is longer than a person can read.
pub fn schedule(bytes: &[u8]) {
    if let Err(error) = imported(bytes) {
        let message = error.to_string();
        assert!(message.len() < 5000, "{message}");
    }
}

fn sound(bytes: &[u8]) -> Result<Recording<&[u8]>, RecordingError> {
    Recording::new("sound.wav".to_owned(), bytes, Some(bytes.len() as u64))
}

fn imported(table: &[u8]) -> Result<(), RecordingError> {
    // The sound that it belongs to: two seconds of nothing.
    let silence = wave(8000, 1, &[0; 16_000]);
    let recording = sound(&silence)?;
    let notes = read_notes("notes.csv", table)?;
    recording.holds(&notes)?;
    let source = Source {
        file: "sound.wav".to_owned(),
        sha256: "00".repeat(32),
        channels: vec![1],
        law: Law::VoltsPerOctave {
            slope: VoltsPerOctave::of(1.0),
            zero: "C1 = 0 V".parse().expect("a note at a voltage"),
        },
        notes,
        notes_from: "the table notes.csv".to_owned(),
    };
    let import = Import::new(&recording, source, None, None)?;
    let readings = import.listen(recording, |_, _| {})?;
    let _ = import.entries(readings, Timestamp::UNIX_EPOCH);
    Ok(())
}

/// The file of a store, read by the program in every way.
///
/// # Panics
/// When the program ends otherwise than with a result or an error.
pub fn store(bytes: &[u8]) {
    let folder = tempfile::tempdir().expect("a folder");
    write(&folder.path().join("nightbench.sqlite"), bytes);
    let store = folder.path().display().to_string();
    let listed = answered(&["runs", "--store", &store, "--format", "json"]);
    let runs = String::from_utf8_lossy(&listed.stdout);
    let first = runs
        .lines()
        .find_map(|line| serde_json::from_str::<serde_json::Value>(line).ok())
        .and_then(|line| line["run"].as_str().map(str::to_owned));
    let run = first.unwrap_or_else(|| "0".to_owned());
    answered(&["show", &run, "--store", &store]);
    answered(&["export", &run, "--store", &store, "--format", "json"]);
}
