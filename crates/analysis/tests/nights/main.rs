//! The analysis held against units whose truth is known.

mod budget;
mod coverage;
mod differences;
mod foresight;
mod hostile;
mod joint;
mod night;
mod predicted;
mod shelf;
mod suggestions;
mod times;
mod truth;
