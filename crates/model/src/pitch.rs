//! Notes, pitches, the pitch standard, and the two laws that turn a pitch into
//! a control voltage.
//!
//! Equal temperament: `f = A4 * 2^((n - 69) / 12)` for note number `n`
//! (MIDI Tuning Standard), with A4 = 440 Hz unless a plan says otherwise (ISO 16).
//! Middle C is written C4 and is note number 60.

use crate::quantity::{
    Cents, Hertz, HertzPerVolt, QuantityError, VoltDifference, Volts, VoltsPerOctave, text,
};
use schemars::{JsonSchema, Schema, SchemaGenerator, json_schema};
use serde::{Deserialize, Deserializer, Serialize, Serializer};
use std::borrow::Cow;
use std::fmt;
use std::str::FromStr;

/// A place on the equal-tempered scale of note numbers, fractions included:
/// 69 is the note of the pitch standard, one is a semitone.
#[derive(Debug, Clone, Copy, PartialEq, PartialOrd)]
pub struct Pitch(f64);

impl Pitch {
    /// The pitch of a note number, fractions of a semitone included.
    ///
    /// # Errors
    /// When the number is NaN or infinite.
    pub fn new(note_number: f64) -> Result<Self, crate::quantity::NotPossible> {
        if note_number.is_finite() {
            Ok(Self(note_number))
        } else {
            Err(crate::quantity::NotPossible {
                value: note_number,
                quantity: "pitch",
            })
        }
    }
    /// The note number, fractions of a semitone included.
    #[must_use]
    pub const fn note_number(self) -> f64 {
        self.0
    }
    /// The interval from `other` up to this pitch.
    #[must_use]
    pub fn cents_from(self, other: Self) -> Cents {
        Cents::of((self.0 - other.0) * 100.0)
    }
    /// The pitch an interval away.
    #[must_use]
    pub fn shifted(self, by: Cents) -> Self {
        Self(self.0 + by.get() / 100.0)
    }
}

/// A note of the twelve-tone scale, as written: `C4`, `F#4`, `Bb3`.
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord)]
pub struct Note {
    number: i16,
    name: Cow<'static, str>,
}

const SHARP_NAMES: [&str; 12] = [
    "C", "C#", "D", "D#", "E", "F", "F#", "G", "G#", "A", "A#", "B",
];

impl Note {
    /// The note of a note number, spelled with sharps; 60 is C4.
    #[must_use]
    pub fn from_number(number: i16) -> Self {
        let octave = number.div_euclid(12) - 1;
        let name = format!("{}{octave}", SHARP_NAMES[number.rem_euclid(12) as usize]);
        Self {
            number,
            name: name.into(),
        }
    }
    /// Its note number; C4 is 60.
    #[must_use]
    pub const fn number(&self) -> i16 {
        self.number
    }
    /// Its place on the scale of pitches.
    #[must_use]
    pub fn pitch(&self) -> Pitch {
        Pitch(f64::from(self.number))
    }
    /// Its name as written.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }
}

/// The text is no note.
#[derive(Debug, Clone, PartialEq, Eq, thiserror::Error)]
#[error(
    "\"{0}\" is no note; write it like C4, \"F#4\" (in quotes) or Bb3, from C-1 to C10, or as a frequency (\"440 Hz\") or a voltage (\"2.5 V\")"
)]
pub struct NoSuchNote(pub String);

impl FromStr for Note {
    type Err = NoSuchNote;
    fn from_str(text: &str) -> Result<Self, NoSuchNote> {
        let wrong = || NoSuchNote(text.to_owned());
        let trimmed = text.trim();
        let mut letters = trimmed.chars();
        let base = match letters.next().ok_or_else(wrong)?.to_ascii_uppercase() {
            'C' => 0,
            'D' => 2,
            'E' => 4,
            'F' => 5,
            'G' => 7,
            'A' => 9,
            'B' => 11,
            _ => return Err(wrong()),
        };
        let rest = letters.as_str();
        let (shift, octave) = match rest.chars().next() {
            Some('#' | '\u{266f}') => (1, &rest[rest.chars().next().map_or(0, char::len_utf8)..]),
            Some('b' | '\u{266d}') => (-1, &rest[rest.chars().next().map_or(0, char::len_utf8)..]),
            _ => (0, rest),
        };
        let octave: i16 = octave.parse().map_err(|_| wrong())?;
        if !(-1..=10).contains(&octave) {
            return Err(wrong());
        }
        let name = format!("{}{}", trimmed[..1].to_ascii_uppercase(), &trimmed[1..]);
        Ok(Self {
            number: (octave + 1) * 12 + base + shift,
            name: name.into(),
        })
    }
}

impl fmt::Display for Note {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.pad(&self.name)
    }
}

/// A note as a plan may ask for it: by name, by frequency or by control voltage.
#[derive(Debug, Clone, PartialEq)]
pub enum AskedNote {
    /// A note of the scale.
    Named(Note),
    /// A frequency.
    Frequency(Hertz),
    /// A control voltage; which pitch that is depends on the position's law.
    Voltage(Volts),
}

impl AskedNote {
    /// The pitch that is asked for, under a pitch standard and a position's law.
    #[must_use]
    pub fn pitch(&self, standard: PitchStandard, law: ControlLaw) -> Pitch {
        match self {
            Self::Named(note) => note.pitch(),
            Self::Frequency(frequency) => standard.pitch(*frequency),
            Self::Voltage(voltage) => law.pitch(*voltage, standard),
        }
    }
}

/// The text is no note, frequency or voltage.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum AskedNoteError {
    /// Neither a note nor a number.
    #[error(transparent)]
    Note(#[from] NoSuchNote),
    /// A number with a wrong unit, or none.
    #[error(transparent)]
    Quantity(#[from] QuantityError),
}

impl FromStr for AskedNote {
    type Err = AskedNoteError;
    fn from_str(text: &str) -> Result<Self, AskedNoteError> {
        let trimmed = text.trim();
        if trimmed
            .starts_with(|first: char| first.is_ascii_digit() || matches!(first, '-' | '+' | '.'))
        {
            if trimmed.ends_with('V') {
                return Ok(Self::Voltage(text::read(trimmed)?));
            }
            return Ok(Self::Frequency(text::read(trimmed)?));
        }
        Ok(Self::Named(trimmed.parse()?))
    }
}

impl fmt::Display for AskedNote {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Named(note) => note.fmt(f),
            Self::Frequency(frequency) => frequency.fmt(f),
            Self::Voltage(voltage) => voltage.fmt(f),
        }
    }
}

/// The frequency of A4.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct PitchStandard {
    a4: Hertz,
}

impl Default for PitchStandard {
    fn default() -> Self {
        Self {
            a4: Hertz::of(440.0),
        }
    }
}

impl PitchStandard {
    /// The standard in which A4 has this frequency.
    #[must_use]
    pub const fn with_a4(a4: Hertz) -> Self {
        Self { a4 }
    }
    /// The frequency of a pitch. `f = A4 * 2^((n - 69) / 12)`, MIDI Tuning Standard.
    #[must_use]
    pub fn frequency(self, pitch: Pitch) -> Hertz {
        self.a4.shifted(Cents::of((pitch.0 - 69.0) * 100.0))
    }
    /// The pitch of a frequency.
    #[must_use]
    pub fn pitch(self, frequency: Hertz) -> Pitch {
        Pitch(69.0 + frequency.cents_from(self.a4).get() / 100.0)
    }
}

/// The text is no pitch standard.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("\"{0}\" is no pitch standard; write it like \"A4 = 440 Hz\"")]
pub struct NoPitchStandard(String);

impl FromStr for PitchStandard {
    type Err = NoPitchStandard;
    fn from_str(text: &str) -> Result<Self, NoPitchStandard> {
        let wrong = || NoPitchStandard(text.to_owned());
        let (note, frequency) = text.split_once('=').ok_or_else(wrong)?;
        let note: Note = note.trim().parse().map_err(|_| wrong())?;
        let frequency: Hertz = frequency.trim().parse().map_err(|_| wrong())?;
        Ok(Self {
            a4: frequency.shifted(Cents::of((69.0 - f64::from(note.number())) * 100.0)),
        })
    }
}

impl fmt::Display for PitchStandard {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "A4 = {}", self.a4)
    }
}

/// The voltage of one note, which fixes a volts-per-octave law: `C1 = 0 V`.
#[derive(Debug, Clone, PartialEq)]
pub struct NoteAtVoltage {
    /// The note.
    pub note: Note,
    /// Its control voltage.
    pub voltage: Volts,
}

/// The text does not say which note has which voltage.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[error("\"{0}\" does not say which note has which voltage; write it like \"C1 = 0 V\"")]
pub struct NoNoteAtVoltage(String);

impl FromStr for NoteAtVoltage {
    type Err = NoNoteAtVoltage;
    fn from_str(text: &str) -> Result<Self, NoNoteAtVoltage> {
        let wrong = || NoNoteAtVoltage(text.to_owned());
        let (note, voltage) = text.split_once('=').ok_or_else(wrong)?;
        Ok(Self {
            note: note.trim().parse().map_err(|_| wrong())?,
            voltage: voltage.trim().parse().map_err(|_| wrong())?,
        })
    }
}

impl fmt::Display for NoteAtVoltage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} = {}", self.note, self.voltage)
    }
}

/// How a control voltage and a pitch belong together.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum ControlLaw {
    /// `f = f_0 2^((V - V_0) / S)`.
    VoltsPerOctave {
        /// S.
        slope: VoltsPerOctave,
        /// The pitch of f_0.
        zero_pitch: Pitch,
        /// V_0.
        zero_voltage: Volts,
    },
    /// `f = K V`.
    HertzPerVolt {
        /// K.
        gain: HertzPerVolt,
    },
}

impl ControlLaw {
    /// The voltage that should give this pitch.
    #[must_use]
    pub fn voltage(self, pitch: Pitch, standard: PitchStandard) -> Volts {
        match self {
            Self::VoltsPerOctave {
                slope,
                zero_pitch,
                zero_voltage,
            } => {
                zero_voltage
                    + VoltDifference::of(pitch.cents_from(zero_pitch).get() / 1200.0 * slope.get())
            }
            Self::HertzPerVolt { gain } => Volts::of(standard.frequency(pitch).get() / gain.get()),
        }
    }
    /// The pitch that this voltage should give. Under hertz per volt a voltage
    /// of zero or less has no pitch; the lowest that can be said is returned.
    #[must_use]
    pub fn pitch(self, voltage: Volts, standard: PitchStandard) -> Pitch {
        match self {
            Self::VoltsPerOctave {
                slope,
                zero_pitch,
                zero_voltage,
            } => zero_pitch.shifted(Cents::of(
                (voltage - zero_voltage).get() / slope.get() * 1200.0,
            )),
            Self::HertzPerVolt { gain } => standard.pitch(Hertz::of(
                (voltage.get() * gain.get()).max(f64::MIN_POSITIVE),
            )),
        }
    }
    /// What a small change of voltage does to the pitch, at `pitch`.
    #[must_use]
    pub fn cents_of(self, change: VoltDifference, pitch: Pitch, standard: PitchStandard) -> Cents {
        match self {
            Self::VoltsPerOctave { slope, .. } => Cents::of(change.get() / slope.get() * 1200.0),
            Self::HertzPerVolt { gain } => Cents::of(
                change.get() * gain.get() / standard.frequency(pitch).get() * 1200.0
                    / std::f64::consts::LN_2,
            ),
        }
    }
}

/// Serde and schema for types that are written as one string.
macro_rules! written_as_text {
    ($name:ident, $description:literal, $example:literal) => {
        impl Serialize for $name {
            fn serialize<S: Serializer>(&self, serializer: S) -> Result<S::Ok, S::Error> {
                serializer.collect_str(self)
            }
        }
        impl<'de> Deserialize<'de> for $name {
            fn deserialize<D: Deserializer<'de>>(deserializer: D) -> Result<Self, D::Error> {
                let text = String::deserialize(deserializer)?;
                text.parse().map_err(serde::de::Error::custom)
            }
        }
        impl JsonSchema for $name {
            fn inline_schema() -> bool {
                true
            }
            fn schema_name() -> Cow<'static, str> {
                stringify!($name).into()
            }
            fn json_schema(_: &mut SchemaGenerator) -> Schema {
                json_schema!({ "type": "string", "description": $description, "examples": [$example] })
            }
        }
    };
}
written_as_text!(Note, "A note: C4 (middle C), \"F#4\" in quotes, Bb3.", "C4");
written_as_text!(
    AskedNote,
    "A note (C4, \"F#4\" in quotes, Bb3), a frequency (\"440 Hz\") or a control voltage (\"2.5 V\").",
    "C4"
);
written_as_text!(
    PitchStandard,
    "The frequency of a note, from which all others follow.",
    "A4 = 440 Hz"
);
written_as_text!(
    NoteAtVoltage,
    "Which note has which control voltage.",
    "C1 = 0 V"
);

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn notes_read_as_they_are_written() {
        for (text, number) in [
            ("C4", 60),
            ("F#4", 66),
            ("Bb3", 58),
            ("A4", 69),
            ("c-1", 0),
            ("Cb4", 59),
            ("B#3", 60),
        ] {
            assert_eq!(
                text.parse::<Note>().map(|note| note.number()),
                Ok(number),
                "{text}"
            );
        }
        for text in ["H4", "C", "C44", "", "#4", "C4x", "\u{266d}"] {
            assert!(text.parse::<Note>().is_err(), "{text}");
        }
    }

    #[test]
    fn volts_per_octave_there_and_back() {
        let law = ControlLaw::VoltsPerOctave {
            slope: VoltsPerOctave::of(1.0),
            zero_pitch: Note::from_number(24).pitch(),
            zero_voltage: Volts::of(0.0),
        };
        let standard = PitchStandard::default();
        assert_eq!(
            law.voltage(Note::from_number(60).pitch(), standard),
            Volts::of(3.0)
        );
        assert!((law.pitch(Volts::of(3.0), standard).note_number() - 60.0).abs() < 1e-12);
        // 1 mV is 1.2 cents at 1 V/octave.
        assert!(
            (law.cents_of(VoltDifference::of(1e-3), Pitch(60.0), standard)
                .get()
                - 1.2)
                .abs()
                < 1e-12
        );
    }

    #[test]
    fn a_voltage_and_a_frequency_are_notes_too() {
        assert_eq!("2.5 V".parse(), Ok(AskedNote::Voltage(Volts::of(2.5))));
        assert_eq!("440 Hz".parse(), Ok(AskedNote::Frequency(Hertz::of(440.0))));
        assert!("440".parse::<AskedNote>().is_err());
        assert!("2,5 V".parse::<AskedNote>().is_err());
    }
}
