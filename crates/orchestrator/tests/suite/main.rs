//! Runs that meet with what goes wrong on a bench.

mod apart;
mod cuts;
mod failures;
mod given;
mod supplies;
