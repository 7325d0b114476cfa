//! How a measured window is written: for people, as JSON Lines, as CSV.

use crate::cli::StreamFormat;
use crate::waveform_words;
use meter::Waveform;
use model::pitch::{Note, Pitch, PitchStandard};
use model::quantity::Hertz;
use model::record::Measured;
use serde_json::{Value, json};
use std::io::Write;

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
        let mut names = "channel,t_s,window_s,hz,u_hz,level_dbfs,state,flags".to_owned();
        if self.note.is_some() {
            names += ",note,cents";
        }
        if self.waveform {
            names += &waveform_words::csv_names();
        }
        Some(names)
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
            StreamFormat::Csv => writeln!(out, "{}", self.csv(style)),
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
        let number = |value: Option<f64>| value.map_or_else(String::new, |value| value.to_string());
        let mut line = format!(
            "{},{},{},{},{},{},{},{}",
            self.channel,
            self.t,
            self.window,
            number(self.measured.frequency.map(|frequency| frequency.get())),
            number(self.measured.u.map(|u| u.get())),
            number(self.measured.level.map(|level| level.get())),
            self.measured.state.name(),
            self.measured.flags.names().join(" "),
        );
        if let Some(note) = &style.note {
            let cents = self
                .measured
                .frequency
                .map(|heard| style.deviation(heard).1);
            line += &format!(",{},{}", note.name, number(cents));
        }
        if style.waveform {
            line += &waveform_words::csv(self.waveform.as_ref());
        }
        line
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
