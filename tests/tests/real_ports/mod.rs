//! Real MIDI and audio ports in real time, through JACK on its dummy driver: a
//! client of known, drifting pitch (`src/bin/fake_oscillator.rs`) stands in for
//! two units, and every reading is held against what it played.

mod faults;
mod library;
mod measuring;
mod program;
mod server;
mod truth;

/// Whether the tests on real ports can run here. They must where CI is set.
fn possible() -> bool {
    let missing: Vec<&str> = ["jackd", "jack_wait", "jack_lsp"]
        .into_iter()
        .filter(|program| {
            !std::env::var_os("PATH").is_some_and(|path| {
                std::env::split_paths(&path).any(|folder| folder.join(program).is_file())
            })
        })
        .collect();
    let needed = std::env::var_os("CI").is_some_and(|value| !value.is_empty() && value != "false");
    assert!(
        missing.is_empty() || !needed,
        "{} not installed, and CI is set: these tests must run (Debian: jackd2)",
        missing.join(", ")
    );
    if !missing.is_empty() {
        eprintln!(
            "SKIPPED: {} not installed (Debian: jackd2), so nothing was tested on real ports",
            missing.join(", ")
        );
    }
    missing.is_empty()
}
