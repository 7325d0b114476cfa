//! Real MIDI and audio ports in real time, through JACK on its dummy driver: a
//! client of known, drifting pitch (`src/bin/fake_oscillator.rs`) stands in for
//! two units, and every reading is held against what it played.

mod faults;
mod library;
mod measuring;
mod program;
mod server;
mod supplies;
mod truth;

use std::time::Duration;

/// Nothing here takes so long but what hangs.
const HANGING: Duration = Duration::from_secs(120);

/// What the capture says when the machine gave the audio system no time for half a second.
const STALLED: &str = "nothing came";

/// Whether these are the program's words for an audio system that did not keep up.
fn is_late(words: &str) -> bool {
    words.contains(STALLED) || words.contains("frames a second where")
}

/// Tries until the machine has kept up with real time: an attempt ends in `Err` where the
/// program itself has said that it did not. A value that is wrong and not flagged fails the
/// test at once, in the attempt.
#[track_caller]
fn in_real_time(mut attempt: impl FnMut() -> Result<(), String>) {
    let mut why = String::new();
    for _ in 0..10 {
        match attempt() {
            Ok(()) => return,
            Err(busy) => why = busy,
        }
        println!("tried again: {why}");
    }
    tests::skipped(&format!(
        "this machine does not keep up with real time: {why}"
    ));
}

/// Whether the tests on real ports can run here.
#[track_caller]
fn possible() -> bool {
    tests::are_installed(&["jackd", "jack_wait", "jack_lsp"])
}
