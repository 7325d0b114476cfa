//! Instruments that exist in software only, and misbehave on demand.
//!
//! [`Fake`] is what an instrument does: bytes in, bytes out, the time an argument.
//! [`Plugged`] puts one behind a pseudo-terminal, [`Wired`] behind a port in memory whose
//! time is that of any clock. Each keeps a log of what it heard, said
//! and suffered, with its own times, which is what tests look at.

mod fake;
mod plugged;
mod supply;
mod wired;

pub use fake::{Fake, Fault, Happened, Logged, Rule, Trigger};
pub use plugged::Plugged;
pub use supply::Supply;
pub use wired::{StillClock, Wired};
