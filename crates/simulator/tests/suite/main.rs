//! The simulator from outside: physics against published values, samples, faults,
//! resuming, and the rig that ships.

mod bench;
mod faults;
mod physics;
mod rigs;
mod samples;
mod shipped;
