//! Tests that cannot run where they are: they say so, so that none passes unseen.

use std::io::Write;
use std::panic::Location;

/// Says that the test which calls this could not run here, and why. The test then returns.
///
/// The line `skipped: TEST: WHY` is printed and added to the file that `NIGHTBENCH_SKIPPED`
/// names, which `scripts/test` counts.
///
/// # Panics
/// Where `CI` is set: there, every test must run.
#[track_caller]
pub fn skipped(why: &str) {
    let thread = std::thread::current();
    let place = Location::caller();
    let test = match thread.name() {
        Some(name) if name != "main" => name.to_owned(),
        _ => format!("{}:{}", place.file(), place.line()),
    };
    let line = format!("skipped: {test}: {why}");
    println!("{line}");
    if let Some(file) = std::env::var_os("NIGHTBENCH_SKIPPED") {
        // In one piece, as other tests write into the same file.
        std::fs::File::options()
            .create(true)
            .append(true)
            .open(&file)
            .and_then(|mut file| file.write_all(format!("{line}\n").as_bytes()))
            .unwrap_or_else(|error| panic!("{}: {error}", file.display()));
    }
    let in_ci = std::env::var_os("CI").is_some_and(|value| !value.is_empty() && value != "false");
    assert!(!in_ci, "{line}; CI is set, so every test must run");
}

/// Whether these programs are all installed. If not, the test is [`skipped`].
///
/// # Panics
/// As `skipped` does.
#[track_caller]
#[must_use]
pub fn are_installed(programs: &[&str]) -> bool {
    let path = std::env::var_os("PATH").unwrap_or_default();
    let missing: Vec<&str> = programs
        .iter()
        .filter(|program| {
            !std::env::split_paths(&path).any(|folder| folder.join(program).is_file())
        })
        .copied()
        .collect();
    if !missing.is_empty() {
        skipped(&format!("{} not installed", missing.join(", ")));
    }
    missing.is_empty()
}
