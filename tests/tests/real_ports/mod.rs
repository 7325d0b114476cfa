//! Real MIDI and audio ports in real time, through JACK on its dummy driver: a
//! client of known, drifting pitch (`src/bin/fake_oscillator.rs`) stands in for
//! two units, and every reading is held against what it played.

mod faults;
mod library;
mod measuring;
mod program;
mod server;
mod truth;

/// Whether the tests on real ports can run here.
#[track_caller]
fn possible() -> bool {
    tests::are_installed(&["jackd", "jack_wait", "jack_lsp"])
}
