//! What can be typed: the one source of help, completions and manual page.

use clap::{Args, Parser, Subcommand, ValueEnum, ValueHint};
use clap_complete::Shell;
use model::quantity::Seconds;
use model::record::Unit;
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

Exit codes: 2 bad usage or input; 3 the rig failed or the run is incomplete;
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
    /// The folder in which runs are kept; ~/.local/share/nightbench, or what stands
    /// for it on this system, unless said.
    #[arg(long, value_name = "DIR", env = "NIGHTBENCH_STORE", value_hint = ValueHint::DirPath)]
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
    /// Go on even if the notes played before the plan show a fault: a wrong patch, a
    /// silent or overloaded input, units locked to each other.
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
    /// Go on even if the notes played before the plan show a fault: a wrong patch, a
    /// silent or overloaded input, units locked to each other.
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

/// `nightbench runs`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  nightbench runs
  nightbench runs --store demo.nightbench --format json

A line says: identifier, when the run began, how it stands, how long it lasted, what it
holds, the plan's title and the units. A run that stopped before its end is carried on
by `nightbench resume`.")]
pub struct Listing {
    #[command(flatten)]
    pub store: StoreFolder,
    #[command(flatten)]
    pub output: Formatted,
}

/// `nightbench show`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  nightbench show 3f9c2a1b
  nightbench show 3f9c2a1b --format json

The exit code says what the verdicts say: 1 a tolerance failed, 4 none failed but
one is undecided, 3 the run is incomplete, 0 otherwise.")]
pub struct Show {
    /// The run's identifier, as `runs` lists it, or the beginning of it.
    pub run: String,
    #[command(flatten)]
    pub store: StoreFolder,
    #[command(flatten)]
    pub output: Formatted,
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
    pub store: StoreFolder,
}

/// How measured windows are printed.
#[derive(Debug, Clone, Copy, PartialEq, Eq, ValueEnum, Default)]
pub enum StreamFormat {
    /// For people: channel, time, frequency, its standard uncertainty, note and cents,
    /// level, flags.
    #[default]
    Text,
    /// An object a line.
    Json,
    /// A line of names, then a line for each window.
    Csv,
}

/// `nightbench measure`.
#[derive(Debug, Args)]
#[command(after_help = "\
Examples:
  nightbench measure night.wav --window 500ms --format json
  nightbench measure night.wav --channel 2 --window 2s --hop 250ms
  nightbench measure night.wav --note \"F#4\" --pitch \"A4 = 442 Hz\" --format csv
  nightbench measure --live \"USB Audio\" --channel 1 --for 1min
  nightbench measure --live \"USB Audio\" --channels 8 --view

WAV files of 8, 16, 24 and 32 bit integers and of 32 and 64 bit floats are read, of
up to 32 channels and any length. A file that is broken is measured up to there; then
one sentence on stderr says what is wrong, and the exit code is 2.")]
pub struct Measure {
    /// A WAV file.
    #[arg(value_hint = ValueHint::FilePath, required_unless_present = "live", conflicts_with = "live")]
    pub file: Option<PathBuf>,
    /// An audio device to listen to instead, by name or a part of it.
    #[arg(long, value_name = "DEVICE")]
    pub live: Option<String>,
    /// The audio system to look for the device in (alsa, jack).
    #[arg(long, requires = "live")]
    pub host: Option<String>,
    /// The device's rate.
    #[arg(long, requires = "live", default_value = "48 kHz")]
    pub rate: model::quantity::Hertz,
    /// How many channels to open.
    #[arg(long, requires = "live", default_value_t = 2)]
    pub channels: u16,
    /// The device's buffer, in frames.
    #[arg(long, requires = "live")]
    pub buffer: Option<u32>,
    /// How long to listen; until stopped unless said.
    #[arg(long = "for", value_name = "TIME", requires = "live")]
    pub lasts: Option<Seconds>,
    /// Only this channel, counted from 1.
    #[arg(long, value_parser = clap::value_parser!(u16).range(1..))]
    pub channel: Option<u16>,
    /// The length of each window, 1 ms to 30 s.
    #[arg(long, value_name = "TIME", default_value = "500 ms")]
    pub window: Seconds,
    /// How long after a window's beginning the next begins; a window's length unless
    /// said. Windows overlap if it is less and lie apart if it is more.
    #[arg(long, value_name = "TIME")]
    pub hop: Option<Seconds>,
    /// The note to state deviations from, like C4, "F#4" or "261.6 Hz"; in text the
    /// nearest note unless said.
    #[arg(long)]
    pub note: Option<model::pitch::AskedNote>,
    /// The pitch standard.
    #[arg(long, value_name = "STANDARD", default_value = "A4 = 440 Hz")]
    pub pitch: model::pitch::PitchStandard,
    /// Also measure the waveform: levels of the harmonics, total harmonic distortion, even
    /// against odd harmonics, the mean.
    #[arg(long)]
    pub waveform: bool,
    /// The input lets steady voltages through, so that the duty cycle of a pulse can be
    /// measured, too.
    #[arg(long, requires = "waveform")]
    pub dc_coupled: bool,
    /// Instead of windows, find each change of note: when the pitch began to leave the old
    /// note, and the frequency over short windows after that.
    #[arg(long, conflicts_with_all = ["live", "view", "window", "hop", "waveform", "note"])]
    pub settling: bool,
    /// Show the latest window in letters several lines high. A file is shown at the pace
    /// at which it was recorded. Ctrl-C ends it.
    #[arg(long)]
    pub view: bool,
    /// For people or for programs.
    #[arg(long, value_enum, default_value_t, conflicts_with = "view")]
    pub format: StreamFormat,
    /// In CSV, write a comma for the decimal point and a semicolon between columns.
    #[arg(long, conflicts_with = "view")]
    pub decimal_comma: bool,
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

/// Reads `left=A-1041,model=two-pole,waveform=saw`.
fn parse_unit(text: &str) -> Result<(String, Unit), String> {
    // Serial numbers are printed on terminals, which obey such characters.
    if text.chars().any(char::is_control) {
        return Err("a control character stands in it; leave it out".to_owned());
    }
    let mut parts = text.split(',');
    let first = parts.next().unwrap_or_default();
    let Some((position, serial)) = first
        .split_once('=')
        .filter(|(position, serial)| !position.is_empty() && !serial.is_empty())
    else {
        return Err("write POSITION=SERIAL, for example left=A-1041".to_owned());
    };
    let mut unit = Unit {
        serial: serial.trim().to_owned(),
        ..Unit::default()
    };
    for part in parts {
        let Some((name, value)) = part.split_once('=') else {
            return Err(format!(
                "\"{part}\" is no NAME=VALUE, for example revision=B"
            ));
        };
        let value = value.trim().to_owned();
        match name.trim() {
            "model" => unit.model = Some(value),
            "revision" => unit.revision = Some(value),
            "job" => unit.job = Some(value),
            "notes" => unit.notes = Some(value),
            setting => {
                unit.settings.insert(setting.to_owned(), value);
            }
        }
    }
    Ok((position.trim().to_owned(), unit))
}

/// Reads `A-1041,model=two-pole`: a unit without a position.
fn parse_unit_alone(text: &str) -> Result<Unit, String> {
    if text.trim().is_empty() || text.starts_with(',') {
        return Err("write the unit's serial number, for example A-1041".to_owned());
    }
    parse_unit(&format!("unit={text}")).map(|(_, unit)| unit)
}

#[cfg(test)]
mod tests {
    use super::*;
    use clap::CommandFactory;

    #[test]
    fn the_command_line_is_consistent() {
        Cli::command().debug_assert();
    }

    #[test]
    fn a_unit_carries_what_is_known_of_it() {
        let (position, unit) = parse_unit("left=A-1041,revision=B,waveform=saw").unwrap();
        assert_eq!(position, "left");
        assert_eq!(unit.serial, "A-1041");
        assert_eq!(unit.revision.as_deref(), Some("B"));
        assert_eq!(unit.settings["waveform"], "saw");
        assert!(parse_unit("left").is_err());
        assert!(parse_unit("=x").is_err());
        assert!(parse_unit("left=A\u{1b}[31m").is_err());
    }
}
