//! `run`, `resume`, `check`, `stop` and `remark`.

use super::unit::parse_unit;
use super::{Formatted, StoreFolder};
use clap::{Args, ValueHint};
use model::quantity::Seconds;
use model::record::Unit;
use std::path::PathBuf;

/// `nightbench run`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  nightbench run rigs/plans/overnight.yaml --rig rigs/simulated.yaml
  nightbench run overnight.yaml --rig bench.yaml --unit left=A-1041 \\
      --unit 'right=A-1042,model=two-pole,revision=B,job=77'

Before units are powered for the night, read the safety part of the README.")]
pub struct Run {
    /// The plan's file: what is to be measured.
    #[arg(value_name = "PLAN_FILE", value_hint = ValueHint::FilePath)]
    pub plan: PathBuf,
    /// The rig's file: what stands on your bench.
    #[arg(long, value_name = "RIG_FILE", value_hint = ValueHint::FilePath)]
    pub rig: PathBuf,
    /// Which unit is in which position: POSITION=SERIAL, and after commas
    /// model=, revision=, job=, notes= or any setting of the unit. On a simulated
    /// rig every position holds a unit unless said.
    #[arg(long = "unit", value_name = "POSITION=SERIAL", value_parser = parse_unit)]
    pub units: Vec<(String, Unit)>,
    #[command(flatten)]
    pub store: StoreFolder,
    #[command(flatten)]
    pub output: Formatted,
    /// Go on even if the notes played before the plan show a wrong patch or an input that
    /// hears no pitch.
    #[arg(long)]
    pub in_spite_of_preflight: bool,
    /// On a simulated rig: take this seed instead of the rig's own, for another night.
    #[arg(long)]
    pub seed: Option<u64>,
}

/// `nightbench resume`.
#[derive(Debug, Args)]
#[command(after_help = "\
Example:
  nightbench resume 3f9c2a1b

Before units are powered again, read the safety part of the README.")]
pub struct Resume {
    /// The run's identifier, as `runs` lists it, or the beginning of it.
    pub run: String,
    #[command(flatten)]
    pub store: StoreFolder,
    #[command(flatten)]
    pub output: Formatted,
    /// Go on even if the notes played before the plan show a wrong patch or an input that
    /// hears no pitch.
    #[arg(long)]
    pub in_spite_of_preflight: bool,
    /// On a simulated rig: how long the run was away, to see what a gap does.
    #[arg(long, value_name = "TIME")]
    pub away: Option<Seconds>,
}

/// `nightbench check`.
#[derive(Debug, Args)]
#[command(after_help = "\
Example:
  nightbench check rigs/plans/overnight.yaml --rig bench.yaml")]
pub struct Check {
    /// The plan's file: what is to be measured.
    #[arg(value_name = "PLAN_FILE", value_hint = ValueHint::FilePath)]
    pub plan: PathBuf,
    /// The rig's file: what stands on your bench.
    #[arg(long, value_name = "RIG_FILE", value_hint = ValueHint::FilePath)]
    pub rig: PathBuf,
    #[command(flatten)]
    pub output: Formatted,
}

/// `nightbench stop`.
#[derive(Debug, Args)]
#[command(after_help = "\
Example:
  nightbench stop 3f9c2a1b")]
pub struct Stop {
    /// The run's identifier, as `runs` lists it, or the beginning of it.
    pub run: String,
    #[command(flatten)]
    pub store: StoreFolder,
}

/// `nightbench remark`.
#[derive(Debug, Args)]
#[command(after_help = "\
Example:
  nightbench remark 3f9c2a1b \"opened the window\"")]
pub struct Remark {
    /// The run's identifier, as `runs` lists it, or the beginning of it.
    pub run: String,
    /// What to write into the log.
    pub text: String,
    #[command(flatten)]
    pub store: StoreFolder,
}
