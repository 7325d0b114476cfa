//! What can be typed: the one source of help, completions and manual page.

mod importing;
mod measuring;
mod reading;
mod running;
mod store;
mod unit;

pub use importing::Import;
pub use measuring::{Measure, StreamFormat};
pub use reading::{Batch, Compare, Export, ExportFormat, Listing, Report, Show, SoundPart};
pub use running::{Check, Remark, Resume, Run, Stop};
pub use store::{Keeping, StoreCheck, StoreCommand, StoreCopy};

use clap::{Args, Parser, Subcommand, ValueEnum, ValueHint};
use clap_complete::Shell;
use std::path::PathBuf;

/// Test analogue oscillators and other pitch-controlled modules, unattended.
///
/// Plays notes through a MIDI-to-CV interface, listens through a sound card,
/// measures each note with a stated uncertainty, keeps every reading, and says
/// whether a unit tracks, when it is warm and how it drifts.
#[derive(Debug, Parser)]
#[command(name = "nightbench", version, propagate_version = true, after_help = EXAMPLES)]
pub struct Cli {
    /// What to do.
    #[command(subcommand)]
    pub command: Command,
    /// Say more about what goes on, on stderr (repeat for more).
    #[arg(short, long, action = clap::ArgAction::Count, global = true)]
    pub verbose: u8,
}

const EXAMPLES: &str = "\
Examples:
  nightbench ports
  nightbench check overnight.yaml --rig bench.yaml
  nightbench run overnight.yaml --rig bench.yaml --unit left=A-1041
  nightbench resume 3f9c2a1b
  nightbench report 3f9c2a1b --out night.html
  nightbench measure recording.wav --window 500ms --format json

Exit codes: 2 bad usage or input; 3 the rig failed, or the run is incomplete or damaged;
1 a tolerance failed; 4 none failed but one is undecided; 0 otherwise.";

/// What to do.
#[derive(Debug, Subcommand)]
pub enum Command {
    /// Carry out a plan on a rig; ends by printing the run's identifier.
    Run(Run),
    /// Carry on a run that was interrupted, by its own timetable.
    Resume(Resume),
    /// Say whether a plan can run on a rig, how long it takes, and its timetable.
    Check(Check),
    /// List the runs in the store.
    Runs(Listing),
    /// Say what came of a run: sentences, results, verdicts.
    Show(Show),
    /// Write a run's report as one HTML file.
    Report(Report),
    /// Hold runs against each other: before and after, unit against unit, rig against rig.
    Compare(Compare),
    /// Write a run's readings out, as CSV or JSON.
    Export(Export),
    /// Make a run of a recording that was made elsewhere.
    Import(Import),
    /// Take the runs of many units together: yield, spread, outliers, capability.
    Batch(Batch),
    /// Check the store, or copy it.
    Store(StoreCommand),
    /// Ask a run in progress to end after the note it is at.
    Stop(Stop),
    /// Put a remark into the log of a run in progress.
    Remark(Remark),
    /// Measure a WAV file or a live input, window by window.
    Measure(Measure),
    /// List MIDI ports, audio devices and serial ports.
    #[command(after_help = "\
Examples:
  nightbench ports
  nightbench ports --format json

The names listed here, or parts of them that no other device has, are what a rig file
calls its devices by.")]
    Ports(Formatted),
    /// Print the JSON Schema of a kind of document, for editors.
    Schema(Schema),
    /// Print a completion script for a shell.
    #[command(after_help = "\
Examples:
  nightbench completions bash > ~/.local/share/bash-completion/completions/nightbench
  nightbench completions fish > ~/.config/fish/completions/nightbench.fish")]
    Completions {
        /// Which shell.
        shell: Shell,
    },
    /// Print the manual page (roff, for `man -l -`).
    #[command(after_help = "\
Example:
  nightbench manual | man -l -")]
    Manual,
}

/// Where runs are kept.
#[derive(Debug, Args)]
pub struct StoreFolder {
    /// The folder in which runs are kept; unless said, the one that the environment
    /// variable `NIGHTBENCH_STORE` names, else ~/.local/share/nightbench, or what stands
    /// for it on this system.
    // Read in `folders`: what clap takes from the environment counts as typed there, and
    // stands in the usage line of an error as if it had to be.
    #[arg(long, value_name = "DIR", value_hint = ValueHint::DirPath)]
    pub store: Option<PathBuf>,
}

/// How results are printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum, Default)]
pub enum Format {
    /// For people.
    #[default]
    Text,
    /// For programs: one document, or a line each for streams.
    Json,
}

/// How results are printed.
#[derive(Debug, Args)]
pub struct Formatted {
    /// For people or for programs.
    #[arg(long, value_enum, default_value_t)]
    pub format: Format,
}

/// The kinds of document.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum)]
pub enum Kind {
    /// A plan.
    Plan,
    /// A rig.
    Rig,
    /// What `show RUN --format json` prints.
    Results,
    /// What `export RUN --format json` prints.
    Export,
    /// What `compare RUN RUN --format json` prints.
    Comparison,
    /// What `batch RUN RUN --format json` prints.
    Batch,
}

/// `nightbench schema`.
#[derive(Debug, Args)]
#[command(after_help = "\
Example:
  nightbench schema plan > plan.schema.json")]
pub struct Schema {
    /// Which kind.
    pub kind: Kind,
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_consistent() {
        Cli::command().debug_assert();
    }
}
