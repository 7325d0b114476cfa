//! `runs`, `show`, `report`, `export`, `compare` and `batch`.

use super::{Formatted, StoreFolder};
use clap::{Args, ValueEnum, ValueHint};
use std::path::PathBuf;

/// `nightbench runs`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  nightbench runs
  nightbench runs --store demo.nightbench --format json

A line says: identifier, when the run began, how it stands, how long it lasted, what it
holds, the plan's title and the units. A run that stopped before its end is carried on
by `nightbench resume`. Of a damaged run it says what is wrong; the exit code is then 3.")]
pub struct Listing {
    #[command(flatten)]
    pub store: StoreFolder,
    #[command(flatten)]
    pub output: Formatted,
}

/// Whether a part of a run will do.
#[derive(Debug, Args)]
pub struct SoundPart {
    /// Of a damaged run, take the part that is sound: its first entries. It is marked as
    /// what it is.
    #[arg(long)]
    pub sound_part: bool,
}

/// `nightbench show`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  nightbench show 3f9c2a1b
  nightbench show 3f9c2a1b --format json

The exit code says what the verdicts say: 1 a tolerance failed, 4 none failed but
one is undecided, 3 the run is incomplete or damaged, 0 otherwise.")]
pub struct Show {
    /// The run's identifier, as `runs` lists it, or the beginning of it.
    pub run: String,
    #[command(flatten)]
    pub sound_part: SoundPart,
    #[command(flatten)]
    pub store: StoreFolder,
    #[command(flatten)]
    pub output: Formatted,
}

/// `nightbench report`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  nightbench report 3f9c2a1b
  nightbench report 3f9c2a1b --out night.html

The path of the file is printed on stdout. The file holds all it needs, so it can be
mailed and read without a network.")]
pub struct Report {
    /// The run's identifier, as `runs` lists it, or the beginning of it.
    pub run: String,
    /// The file to write; RUN.html here unless said.
    #[arg(long, short, value_hint = ValueHint::FilePath)]
    pub out: Option<PathBuf>,
    #[command(flatten)]
    pub sound_part: SoundPart,
    #[command(flatten)]
    pub store: StoreFolder,
}

/// The forms of an export.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum ExportFormat {
    /// The readings, a line each.
    Csv,
    /// Everything: readings, gaps, events, results and verdicts, plan and rig.
    Json,
}

/// `nightbench export`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  nightbench export 3f9c2a1b --out night.csv
  nightbench export 3f9c2a1b --format json --recordings sound --out night.json")]
pub struct Export {
    /// The run's identifier, as `runs` lists it, or the beginning of it.
    pub run: String,
    /// The form.
    #[arg(long, value_enum, default_value = "csv")]
    pub format: ExportFormat,
    /// In CSV, write a comma for the decimal point and a semicolon between columns.
    #[arg(long)]
    pub decimal_comma: bool,
    /// The file to write; stdout unless said.
    #[arg(long, short, value_hint = ValueHint::FilePath)]
    pub out: Option<PathBuf>,
    /// Also write the recordings that were kept, a WAV file for each reading, into
    /// this folder.
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath)]
    pub recordings: Option<PathBuf>,
    #[command(flatten)]
    pub sound_part: SoundPart,
    #[command(flatten)]
    pub store: StoreFolder,
}

/// `nightbench compare`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  nightbench compare 3f9c2a1b 77c01d2e
  nightbench compare 3f9c2a1b 77c01d2e --out trimmed.html
  nightbench compare 3f9c2a1b --format json

Each unit of a later run is held against the unit of the first run with the same serial
number; where no serial number comes twice, against the one in its position. Of a single
run the units are held against the first. Errors of the rig cancel only where rig, output
and notes are the same. The exit code is 0, or 2 for runs that cannot be compared.")]
pub struct Compare {
    /// The runs' identifiers, as `runs` lists them, or the beginnings of them; the one
    /// that the others are held against first.
    #[arg(required = true, value_name = "RUN")]
    pub runs: Vec<String>,
    /// Also write the comparison as one HTML file, with both on the same axes.
    #[arg(long, short, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub out: Option<PathBuf>,
    #[command(flatten)]
    pub store: StoreFolder,
    #[command(flatten)]
    pub output: Formatted,
}

/// `nightbench batch`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  nightbench batch 3f9c2a1b 77d0e5c4 c01d5a2e
  nightbench batch 3f9c2a1b 77d0e5c4 c01d5a2e --out batch.html
  nightbench batch $(nightbench runs | cut -d ' ' -f 1) --format json

Each unit counts once. If the same units were measured again and again on several
benches, everywhere equally often, it is a study of the measurement instead:
repeatability and reproducibility. Exit codes: 3 a run is incomplete, 1 a unit failed,
4 none failed but one is undecided, 2 the runs cannot be taken together, 0 otherwise.")]
pub struct Batch {
    /// The runs' identifiers, as `runs` lists them, or the beginnings of them.
    #[arg(value_name = "RUN")]
    pub runs: Vec<String>,
    /// Also write a report as one HTML file.
    #[arg(long, short, value_name = "FILE", value_hint = ValueHint::FilePath)]
    pub out: Option<PathBuf>,
    #[command(flatten)]
    pub store: StoreFolder,
    #[command(flatten)]
    pub output: Formatted,
}
