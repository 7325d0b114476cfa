//! Readings in, results with uncertainty and verdicts out. Pure: no clock, no
//! file, no thread, and no panic on whatever a record holds.
//!
//! One way through, a folder a step; each uses those before it and none behind it:
//!
//! - `statistics` knows nothing of oscillators: least squares, smoothing, trials.
//! - `readings`: each unit's readings as deviations, which of them count, and t = 0.
//! - `incidents`: what happened to a unit or the rig, and which readings that spoilt.
//! - `uncertainty`: limits of the rig, and the trials in which what results share is drawn.
//! - `curves`: the tracking model in every round, and all rounds since t = 0 in a row.
//! - `results`: numbers with their intervals, taken from readings and curves.
//! - `judging`: results held against the plan.
//! - `suggestions`: what the results point to.
//! - `foresight`: all of that beforehand, on an ideal record.
//! - `run`: one run put together. [`comparison`] and [`batch`] take several.
//!
//! Two rules stand above the rest. What the rig shares between readings
//! never averages away: gain goes into slopes, steps of the
//! control source into single notes, an offset cancels when retuned. And extremes
//! are taken of smoothed curves, never of noisy readings.

#![cfg_attr(not(test), deny(clippy::print_stdout, clippy::print_stderr))]

pub mod batch;
pub mod comparison;
mod curves;
mod foresight;
mod incidents;
mod judging;
mod readings;
mod results;
mod run;
mod statistics;
mod suggestions;
mod uncertainty;

pub use curves::round_by_round::ProfilePoint;
pub use curves::unit::UnitAnalysis;
pub use foresight::{Assumption, Foreseen, Foresight, Source, foresee};
pub use incidents::{OffCourse, incidents, unheard};
pub use readings::identity::{Common, Identity};
pub use readings::positions;
pub use readings::series::{DeviationPoint, NoteSeries};
pub use run::{Analysis, StageAnalysis, UnitPart, analyse, analyse_unit, suggest, together};
