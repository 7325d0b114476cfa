//! Single results held against units whose truth is known, and records of junk.

#[path = "../nights/night.rs"]
#[allow(dead_code)]
mod night;

mod changes;
mod cold;
mod ends;
mod foreseen;
mod junk;
mod structure;
mod surroundings;
mod tuned;
mod wandering;
