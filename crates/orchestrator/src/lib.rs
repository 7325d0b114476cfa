//! Plays, listens, measures and commits: the timetable of a plan, the session on
//! which runs, tuning and the checks before a run all stand, and what to do when
//! something fails. It knows no device: everything outside comes in through
//! [`model::port`].

#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

mod apart;
mod ear;
mod error;
mod evidence;
mod hold;
mod judge;
mod limits;
mod listening;
mod power;
mod preflight;
mod progress;
mod recorded;
mod rounds;
mod run;
mod safety;
pub mod schedule;
mod session;
mod supplies;
mod watch;
mod watched;

pub use error::RunError;
pub use recorded::{RecordedEar, RecordedNote};
pub use run::{Job, conduct};
pub use safety::{Made, SafeState, Why};
pub use session::{Owing, Ports, SharedInstrument, SharedNotes};
pub use watch::{Asking, Call};
