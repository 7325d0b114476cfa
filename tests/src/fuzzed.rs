//! What takes bytes from strangers, each behind one function: bytes in, and it must return.
//!
//! The targets in `tests/fuzz` call these under cargo-fuzz; a test feeds them the corpus beside
//! those targets, and mutations of it, with a stable compiler. What lies within the program's
//! own crate is reached through the built program.

use crate::instruments::{Fake, Fault, StillClock, Wired};
use crate::program::{command, repository, told};
use model::document::{check, read_plan, read_rig, rig::Role};
use model::port::{Clock, Instrument, Sense, Setting};
use model::quantity::{Amperes, Seconds, Volts};
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

/// The sound that a schedule belongs to: two seconds of nothing.
fn silence() -> Vec<u8> {
    let samples = vec![0; 2 * 2 * 8000];
    let size = samples.len() as u32;
    let mut bytes = b"RIFF".to_vec();
    bytes.extend((size + 36).to_le_bytes());
    bytes.extend(b"WAVEfmt \x10\0\0\0\x01\0\x01\0");
    bytes.extend(8000_u32.to_le_bytes());
    bytes.extend(16_000_u32.to_le_bytes());
    bytes.extend(b"\x02\0\x10\0data");
    bytes.extend(size.to_le_bytes());
    bytes.extend(samples);
    bytes
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

/// A recording, measured by the program.
///
/// # Panics
/// When the program ends otherwise than with a result or an error.
pub fn wav(bytes: &[u8]) {
    let folder = tempfile::tempdir().expect("a folder");
    let file = write(&folder.path().join("sound.wav"), bytes);
    let output = answered(&["measure", &file, "--format", "json"]);
    let _ = crate::program::json_lines(&output.stdout);
    let said = String::from_utf8_lossy(&output.stderr);
    match output.status.code() {
        Some(0) => {}
        Some(2) => assert!(said.contains("sound.wav"), "{}", told(&output)),
        _ => panic!("{}", told(&output)),
    }
}

/// A table of notes, imported with a recording by the program.
///
/// # Panics
/// When the program ends otherwise than with a result or an error.
pub fn schedule(bytes: &[u8]) {
    let folder = tempfile::tempdir().expect("a folder");
    let sound = write(&folder.path().join("sound.wav"), &silence());
    let table = write(&folder.path().join("notes.csv"), bytes);
    let store = folder.path().join("store").display().to_string();
    let arguments = "import --channel 1 --unit A --schedule";
    let mut arguments: Vec<&str> = arguments.split(' ').collect();
    arguments.extend([&table, &sound, "--store", &store]);
    answered(&arguments);
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
