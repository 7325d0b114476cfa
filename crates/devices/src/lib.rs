//! Real audio, MIDI, serial instruments and the real clock.
//!
//! [`open()`] turns a real rig into open devices; [`list()`] says what is plugged in.
//! Every call into a system that may hang has a deadline.

#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

pub mod audio;
mod choice;
mod clock;
pub mod deadline;
mod listing;
mod midi;
mod open;
mod quiet;
pub mod serial;

pub use audio::capture::open_capture;
pub use clock::RealClock;
pub use listing::{AudioInput, AudioSystem, Listing, Ports, list};
pub use open::{Devices, open, open_instrument, open_sink};
