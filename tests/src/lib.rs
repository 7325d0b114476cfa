//! What the end-to-end tests share; the tests themselves are in `tests/main.rs`.

pub mod conformance;
pub mod fuzzed;
pub mod hostile;
pub mod instruments;
pub mod program;
mod skipped;
pub mod sound;

pub use skipped::{are_installed, skipped};
