//! Instruments that misbehave, each in a row: what goes wrong, and what must come of it.
//!
//! The same rows are tried in a time of their own, where every second is exact, and through
//! pseudo-terminals in real time.

mod asking; // answers that are late, missing, mixed up or no answers
mod night;
mod nights; // whole runs, in seconds
mod printing; // thermometers that print lines
mod rows;
mod switching; // supplies that do not do as they are told
mod unplugging; // cables that come out, and go in again
