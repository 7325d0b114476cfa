//! Test signals with exactly known frequency, and what the meter makes of them.

pub mod bound;
pub mod case;
pub mod category;
pub mod confidence;
pub mod dice;
pub mod judge;
pub mod motion;
pub mod noise;
pub mod shape;
pub mod table;
