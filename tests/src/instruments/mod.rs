//! Instruments that exist in software only, and misbehave on demand.
//!
//! [`Fake`] is what an instrument does: bytes in, bytes out, the time an argument.
//! [`Plugged`] puts one behind a pseudo-terminal, [`Wired`] behind a port in memory whose
//! time is that of any clock. [`Paced`] is a simulated bench whose time passes as real time
//! does, so that a whole run can stand between it and plugged instruments. Each keeps a log of what it heard, said
//! and suffered, with its own times, which is what tests look at.

mod fake;
mod paced;
mod plugged;
mod supply;
mod wired;

pub use fake::{Fake, Fault, Happened, Logged, Rule, Trigger};
pub use paced::{Paced, PacedCapture, Pacemaker};
pub use plugged::Plugged;
pub use supply::Supply;
pub use wired::{StillClock, Wired};
