//! The analysis held against units whose truth is known.

mod coverage;
mod hostile;
mod night;
mod times;
mod truth;
