//! How a measured window is written: for people, as JSON Lines, as CSV.

use crate::cli::StreamFormat;
use crate::waveform_words;
use meter::Waveform;
use model::pitch::{Note, Pitch, PitchStandard};
use model::quantity::Hertz;
use model::record::Measured;
use report::{Cell, Decimals, csv_row};
use serde_json::{Value, json};
use std::io::Write;

/// The names of the columns that CSV always has.
const COLUMNS: [&str; 8] = [
    "channel",
    "t_s",
    "window_s",
    "hz",
    "u_hz",
    "level_dbfs",
    "state",
    "flags",
];

/// The note that deviations are taken from.
#[derive(Debug, Clone)]
pub struct AskedFor {
    /// As it was typed.
    pub name: String,
    /// Its pitch.
    pub pitch: Pitch,
}

/// How lines are written.
#[derive(Debug, Clone)]
pub struct Style {
    /// For whom.
    pub format: StreamFormat,
    /// What A4 is.
    pub standard: PitchStandard,
    /// The note that deviations are taken from; the nearest unless said.
    pub note: Option<AskedFor>,
    /// Whether waveforms are measured, too.
    pub waveform: bool,
    /// How numbers are written in CSV.
    pub decimals: Decimals,
}

impl Style {
    /// The note's name, and how many cents a frequency lies above it.
    pub fn deviation(&self, frequency: Hertz) -> (String, f64) {
        let pitch = self.standard.pitch(frequency);
        match &self.note {
            Some(note) => (note.name.clone(), pitch.cents_from(note.pitch).get()),
            None => {
                let nearest = Note::from_number(pitch.note_number().round() as i16);
                let cents = pitch.cents_from(nearest.pitch()).get();
                (nearest.name().to_owned(), cents)
            }
        }
    }

    /// The line of names that CSV begins with.
    pub fn heading(&self) -> Option<String> {
        if self.format != StreamFormat::Csv {
            return None;
        }
        let mut names: Vec<Cell<'_>> = COLUMNS.map(Cell::from).to_vec();
        if self.note.is_some() {
            names.extend(["note", "cents"].map(Cell::from));
        }
        if self.waveform {
            names.extend(waveform_words::columns().into_iter().map(Cell::from));
        }
        Some(csv_row(&names, self.decimals))
    }
}

/// What was measured of one window of one channel.
#[derive(Debug, Clone)]
pub struct Line {
    /// Counted from 1.
    pub channel: u16,
    /// When the window begins, in seconds.
    pub t: f64,
    /// How long it is, in seconds.
    pub window: f64,
    /// What was found.
    pub measured: Measured,
    /// The waveform, where it was asked for and there is a tone.
    pub waveform: Option<Waveform>,
}

impl Line {
    /// Writes the line.
    pub fn write(&self, out: &mut impl Write, style: &Style) -> std::io::Result<()> {
        match style.format {
            StreamFormat::Json => writeln!(out, "{}", self.json(style)),
            StreamFormat::Csv => out.write_all(self.csv(style).as_bytes()),
            StreamFormat::Text => writeln!(out, "{}", self.text(style)),
        }
    }

    fn json(&self, style: &Style) -> Value {
        let mut line = json!({
            "channel": self.channel,
            "t_s": self.t,
            "window_s": self.window,
            "hz": self.measured.frequency.map(|frequency| frequency.get()),
            "u_hz": self.measured.u.map(|u| u.get()),
            "level_dbfs": self.measured.level.map(|level| level.get()),
            "state": self.measured.state.name(),
            "flags": self.measured.flags.names(),
        });
        if let Some(note) = &style.note {
            let cents = self
                .measured
                .frequency
                .map(|heard| style.deviation(heard).1);
            line["note"] = json!(note.name);
            line["cents"] = json!(cents);
        }
        if style.waveform {
            line["waveform"] = json!(self.waveform.as_ref().map(waveform_words::json));
        }
        line
    }

    fn csv(&self, style: &Style) -> String {
        let mut cells: Vec<Cell<'_>> = vec![
            self.channel.into(),
            self.t.into(),
            self.window.into(),
            self.measured
                .frequency
                .map(|frequency| frequency.get())
                .into(),
            self.measured.u.map(|u| u.get()).into(),
            self.measured.level.map(|level| level.get()).into(),
            self.measured.state.name().into(),
            self.measured.flags.names().join(" ").into(),
        ];
        if let Some(note) = &style.note {
            let cents = self
                .measured
                .frequency
                .map(|heard| style.deviation(heard).1);
            cells.extend([note.name.as_str().into(), cents.into()]);
        }
        if style.waveform {
            cells.extend(waveform_words::cells(self.waveform.as_ref()));
        }
        csv_row(&cells, style.decimals)
    }

    /// Channel, time, frequency, uncertainty, note and cents, level, flags.
    fn text(&self, style: &Style) -> String {
        let mut text = format!(
            "{:>3} {:>10.3} {}",
            self.channel,
            self.t,
            self.values(style)
        )
        .trim_end()
        .to_owned();
        if let Some(waveform) = &self.waveform {
            for line in waveform_words::text(waveform) {
                text += "\n               ";
                text += &line;
            }
        }
        text
    }

    /// The line without channel and time.
    pub fn values(&self, style: &Style) -> String {
        let level = self
            .measured
            .level
            .map_or_else(String::new, |level| format!("{:.1} dBFS", level.get()));
        let flags = self.measured.flags.names().join(" ").replace('_', " ");
        match (self.measured.frequency, self.measured.u) {
            (Some(frequency), Some(u)) => {
                let (note, cents) = style.deviation(frequency);
                format!(
                    "{:>14.5} Hz  u {:.1e} Hz  {note:>4} {cents:>+8.2} cents  {level:>11}  {flags}",
                    frequency.get(),
                    u.get()
                )
            }
            _ => format!(
                "{:>14}  {level:>11}  {flags}",
                self.measured.state.name().replace('_', " ")
            ),
        }
    }
}
