//! Results: numbers with their intervals, and on what they rest.

pub(crate) mod budget;
pub(crate) mod choice;
pub(crate) mod coefficient;
pub(crate) mod compute;
mod conditions;
pub(crate) mod extremes;
mod found;
mod holds;
pub(crate) mod hysteresis;
mod linearity;
mod moments;
mod repeatability;
mod response;
pub(crate) mod stability;
pub(crate) mod stage;
mod stretches;
mod times;
mod tuned;
pub(crate) mod warm_up;
