//! The analysis held against units whose truth is known.

mod budget;
mod coverage;
mod differences;
mod faulted;
mod foresight;
mod hostile;
mod incidents;
mod joint;
mod night;
mod predicted;
mod scripted;
mod shelf;
mod suggestions;
mod times;
mod truth;
