//! The words of Nightbench as types: quantities with their units, notes and
//! control laws, time, the records of a run, the two kinds of document, and the
//! traits of the outside world.
//!
//! Everything here is plain data and plain arithmetic. The one place that knows
//! of waiting is [`port`], and it leaves the waiting to whoever implements it.

#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

mod budget;
pub mod document;
pub mod incident;
mod origin;
pub mod pitch;
mod plain;
pub mod port;
pub mod quantity;
pub mod record;
pub mod result;
mod suggestion;
pub mod time;
mod verdict;

pub use plain::{excerpt, plain};
