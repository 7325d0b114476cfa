//! `import`.

use super::unit::parse_unit_alone;
use super::{Formatted, StoreFolder};
use clap::{Args, ValueHint};
use model::record::Unit;
use std::path::PathBuf;

/// `nightbench import`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  nightbench import take.wav --schedule notes.csv --channel 1 --unit A-1041
  nightbench import take.wav --schedule notes.csv --channel 1 --unit A-1041 \\
      --channel 3 --unit A-1042,revision=B --plan tracking.yaml
  nightbench import take.wav --cv-channel 2 --cv-full-scale 10V --channel 1 --unit A-1041

The table is CSV with a line of names and a line for each note:
  start_s,duration_s,note
  0.0,2.0,C4
  2.0,2.0,C2
In place of note it may have volts, the control voltage; with a plan of several stages it
needs a column stage as well. Numbers have a decimal point and no unit. t = 0 is the
beginning of the file. Exit codes are those of show.")]
pub struct Import {
    /// A WAV file.
    #[arg(value_hint = ValueHint::FilePath)]
    pub file: PathBuf,
    /// The channel that holds a unit, counted from 1; once for each unit.
    #[arg(long = "channel", value_name = "C", required = true, value_parser = clap::value_parser!(u16).range(1..))]
    pub channels: Vec<u16>,
    /// The unit on that channel: its serial number, and after commas model=, revision=,
    /// job=, notes= or any setting of the unit.
    #[arg(long = "unit", value_name = "SERIAL", required = true, value_parser = parse_unit_alone)]
    pub units: Vec<Unit>,
    /// A table (CSV) of the notes: start_s, duration_s, and note or volts.
    #[arg(long, value_name = "NOTES_FILE", value_hint = ValueHint::FilePath, conflicts_with = "cv_channel")]
    pub schedule: Option<PathBuf>,
    /// The channel that holds the control voltage itself, recorded through a DC-coupled
    /// input: the notes are found there.
    #[arg(long, value_name = "C", value_parser = clap::value_parser!(u16).range(1..), requires = "cv_full_scale")]
    pub cv_channel: Option<u16>,
    /// The voltage at which that channel is at full scale.
    #[arg(
        long,
        value_name = "VOLTAGE",
        requires = "cv_channel",
        allow_hyphen_values = true
    )]
    pub cv_full_scale: Option<model::quantity::Volts>,
    /// A plan, for its tolerances, its reference and how it listens.
    #[arg(long, value_name = "PLAN_FILE", value_hint = ValueHint::FilePath)]
    pub plan: Option<PathBuf>,
    /// Without a plan: the note that a panel knob puts right; the one nearest to middle C
    /// unless said.
    #[arg(long, value_name = "NOTE", conflicts_with = "plan")]
    pub reference: Option<model::pitch::AskedNote>,
    /// Which note has which control voltage.
    #[arg(long, value_name = "NOTE=VOLTAGE", default_value = "C1 = 0 V")]
    pub zero: model::pitch::NoteAtVoltage,
    /// Volts to the octave.
    #[arg(long, value_name = "SLOPE", default_value = "1 V/oct")]
    pub slope: model::quantity::VoltsPerOctave,
    /// The units follow hertz per volt instead: so many.
    #[arg(long, value_name = "GAIN", conflicts_with_all = ["slope", "zero"])]
    pub hertz_per_volt: Option<model::quantity::HertzPerVolt>,
    #[command(flatten)]
    pub store: StoreFolder,
    #[command(flatten)]
    pub output: Formatted,
}
