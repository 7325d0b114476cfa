//! `measure`.

use clap::{Args, ValueEnum, ValueHint};
use model::quantity::Seconds;
use std::path::PathBuf;

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
