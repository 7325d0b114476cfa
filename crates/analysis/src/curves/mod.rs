//! Curves through the readings of a unit: the tracking model round by round, and all rounds
//! since t = 0 in a row with joint draws of their uncertainty.

pub(crate) mod history;
pub(crate) mod moment;
mod off_curve;
pub(crate) mod round_by_round;
pub(crate) mod shared;
pub(crate) mod tracking;
pub(crate) mod unit;
