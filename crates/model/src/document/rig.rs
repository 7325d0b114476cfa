//! A rig: one bench and what is plugged into it. It belongs to that place.

use super::simulated::Simulated;
use crate::pitch::{ControlLaw, NoteAtVoltage};
use crate::quantity::{
    Amperes, Cents, Fraction, Hertz, HertzPerVolt, Kelvin, Ohms, Seconds, VoltDifference, Volts,
    VoltsPerOctave,
};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A rig, version 1.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Rig {
    /// What kind of document this is and in which version: `rig 1`.
    pub nightbench: String,
    /// What the rig is called; real rigs are locked by this name while in use.
    pub name: String,
    /// What stands behind the names below: devices, or a simulation of them.
    pub wiring: Wiring,
    /// The supplies of the units.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub supplies: BTreeMap<String, Supply>,
    /// The places where units are patched.
    pub positions: BTreeMap<String, Position>,
    /// The instrument that knows the air temperature.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub thermometer: Option<String>,
    /// How far off the rig itself may be: limits that are never exceeded.
    #[serde(default)]
    pub bounds: Bounds,
    /// What stands behind those limits: certificates.
    #[serde(default, skip_serializing_if = "Certificates::is_empty")]
    pub certificates: Certificates,
}

/// What stands behind the names of a rig.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Wiring {
    /// Devices.
    Real(Real),
    /// A simulation.
    Simulated(Simulated),
    /// A recording that was made elsewhere and imported: what is known of where it was
    /// made. No plan can be run on it.
    Recorded(Recorded),
}

/// A recording that was imported.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Recorded {
    /// The name of its file.
    pub file: String,
    /// The SHA-256 of its bytes, in hexadecimal digits.
    pub sha256: String,
    /// Its rate.
    pub rate: Hertz,
    /// How many channels it has.
    #[schemars(range(min = 1, max = 64))]
    pub channels: u16,
    /// How long it is.
    pub lasts: Seconds,
    /// Where the notes come from: a table, or the control voltage on a channel.
    pub notes_from: String,
}

/// The devices of a rig.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Real {
    /// What plays the notes.
    pub senders: BTreeMap<String, Sender>,
    /// What listens: one stream for all positions.
    pub capture: CaptureDevice,
    /// Supplies, thermometers, meters.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub instruments: BTreeMap<String, InstrumentDevice>,
}

/// Something that plays notes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Sender {
    /// A MIDI-to-CV interface.
    Midi {
        /// The port's name, or a part of it that no other port has.
        port: String,
        /// How far the interface bends at full pitch bend, either way.
        #[serde(default = "two_semitones")]
        bend_range: Cents,
    },
    /// A DC-coupled audio output that makes the control voltage itself.
    Volts {
        /// The audio device, or a part of its name that no other has.
        device: String,
        /// Its rate.
        rate: Hertz,
        /// The voltage at digital full scale.
        full_scale: Volts,
    },
}

fn two_semitones() -> Cents {
    Cents::of(200.0)
}

/// What listens.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct CaptureDevice {
    /// The audio device, or a part of its name that no other has.
    pub device: String,
    /// The audio system to look in (`alsa`, `jack`); the machine's own choice unless said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub host: Option<String>,
    /// Its rate.
    pub rate: Hertz,
    /// How many channels to open.
    #[schemars(range(min = 1, max = 64))]
    pub channels: u16,
    /// The size of its buffer in frames; the device's own choice unless said.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    #[schemars(range(min = 16, max = 65_536))]
    pub buffer: Option<u32>,
}

/// A supply, thermometer or meter.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum InstrumentDevice {
    /// One that speaks SCPI over a serial port.
    Scpi {
        /// The serial port.
        port: String,
        /// Its speed.
        #[serde(default = "usual_baud")]
        #[schemars(range(min = 50, max = 12_000_000))]
        baud: u32,
        /// What it is for.
        role: Role,
    },
    /// One that prints a line of text now and then.
    Lines {
        /// The serial port.
        port: String,
        /// Its speed.
        #[serde(default = "usual_baud")]
        #[schemars(range(min = 50, max = 12_000_000))]
        baud: u32,
        /// A regular expression whose group `celsius` is the temperature.
        pattern: String,
    },
}

const fn usual_baud() -> u32 {
    9600
}

/// What an instrument is for.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Role {
    /// It feeds units.
    Supply,
    /// It measures temperature.
    Thermometer,
    /// It measures voltage.
    Voltmeter,
}

/// A supply of units.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Supply {
    /// Who switches it.
    pub by: SwitchedBy,
    /// Its voltage.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub voltage: Option<Volts>,
    /// Its current limit. A supply that an instrument switches must have one.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub current_limit: Option<Amperes>,
    /// What becomes of it after an electrical fault.
    #[serde(default)]
    pub when_safe: WhenSafe,
    /// What becomes of it when its instrument no longer answers while it feeds units.
    /// Unless said, the run goes on only if the current limit was read back when the
    /// supply was switched on.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub when_lost: Option<WhenLost>,
}

/// Who switches a supply.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum SwitchedBy {
    /// The person at the bench, when asked.
    Operator,
    /// An instrument of the rig.
    Instrument(String),
    /// A mains timer set beforehand: the run waits for the first sound.
    Timer,
}

/// What becomes of a supply after an electrical fault.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum WhenSafe {
    /// It is switched off.
    #[default]
    Off,
    /// It stays as it is.
    Leave,
}

/// What becomes of a supply whose instrument no longer answers.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum WhenLost {
    /// The run goes on: its current limit protects the units.
    GoOn,
    /// Off is sent, and the run ends.
    Off,
}

/// A place where a unit is patched.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Position {
    /// The control voltage that feeds it. Positions on the same sender and
    /// channel share one CV through a multiple, and share its loading.
    pub cv: ControlVoltage,
    /// The audio input that hears it, counted from 1.
    #[schemars(range(min = 1, max = 64))]
    pub input: u16,
    /// The supply behind it.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub supply: Option<String>,
    /// The resistance of the unit's CV input, for the loading of the CV.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub input_resistance: Option<Ohms>,
}

/// The control voltage that feeds a position.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ControlVoltage {
    /// The sender, by name.
    pub sender: String,
    /// Its MIDI channel or output, counted from 1.
    #[schemars(range(min = 1, max = 64))]
    pub channel: u8,
    /// How voltage and pitch belong together.
    pub law: Law,
    /// The voltages that may be sent here, whatever a plan says.
    pub safe: SafeRange,
}

/// How voltage and pitch belong together.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Law {
    /// So many volts to the octave.
    VoltsPerOctave {
        /// Volts to the octave; 1 V/oct unless said.
        #[serde(default = "one_volt")]
        slope: VoltsPerOctave,
        /// Which note has which voltage.
        zero: NoteAtVoltage,
    },
    /// So many hertz to the volt.
    HertzPerVolt {
        /// Hertz to the volt.
        gain: HertzPerVolt,
    },
}

fn one_volt() -> VoltsPerOctave {
    VoltsPerOctave::of(1.0)
}

impl Law {
    /// The law itself.
    #[must_use]
    pub fn control_law(&self) -> ControlLaw {
        match self {
            Self::VoltsPerOctave { slope, zero } => ControlLaw::VoltsPerOctave {
                slope: *slope,
                zero_pitch: zero.note.pitch(),
                zero_voltage: zero.voltage,
            },
            Self::HertzPerVolt { gain } => ControlLaw::HertzPerVolt { gain: *gain },
        }
    }
}

/// The voltages that may be sent.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct SafeRange {
    /// The lowest.
    pub from: Volts,
    /// The highest.
    pub to: Volts,
}

impl SafeRange {
    /// Whether a voltage may be sent.
    #[must_use]
    pub fn contains(self, voltage: Volts) -> bool {
        voltage >= self.from && voltage <= self.to
    }
}

/// How far off the rig itself may be. Limits of a rectangular distribution
/// (GUM 4.3.7); the defaults are wide on purpose, for a rig nobody has calibrated.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Bounds {
    /// The sample clock of the audio input.
    pub sample_clock: Fraction,
    /// The gain of the control voltage.
    pub cv_gain: Fraction,
    /// The offset of the control voltage.
    pub cv_offset: VoltDifference,
    /// How far each note's voltage may lie off the line.
    pub cv_step: VoltDifference,
    /// How far the gain may wander during a run.
    pub cv_gain_drift: Fraction,
    /// How far the offset may wander during a run.
    pub cv_offset_drift: VoltDifference,
    /// The output resistance of the control voltage, which all inputs that hang on
    /// it divide; 0 ohm where the gain was calibrated with them plugged in.
    pub cv_output_resistance: Ohms,
    /// How far the gain may differ from session to session.
    pub cv_session: Fraction,
    /// The thermometer, over the temperatures of a run.
    pub thermometer: Kelvin,
}

impl Default for Bounds {
    fn default() -> Self {
        Self {
            sample_clock: Fraction::of(100e-6),
            cv_gain: Fraction::of(0.01),
            cv_offset: VoltDifference::of(20e-3),
            cv_step: VoltDifference::of(5e-3),
            cv_gain_drift: Fraction::of(1e-3),
            cv_offset_drift: VoltDifference::of(2e-3),
            cv_output_resistance: Ohms::of(1e3),
            cv_session: Fraction::of(1e-3),
            thermometer: Kelvin::of(1.0),
        }
    }
}

/// The certificates of a rig. A rig is called calibrated when the clock and the
/// control voltage have one that is not overdue, and the thermometer where there is one.
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Certificates {
    /// Of the sample clock.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub sample_clock: Option<Certificate>,
    /// Of the control voltages.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub control_voltage: Option<Certificate>,
    /// Of the thermometer.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub thermometer: Option<Certificate>,
}

impl Certificates {
    /// Whether there is none.
    #[must_use]
    pub const fn is_empty(&self) -> bool {
        self.sample_clock.is_none() && self.control_voltage.is_none() && self.thermometer.is_none()
    }
}

/// A certificate of calibration.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Certificate {
    /// With what it was calibrated, and by whom.
    pub what: String,
    /// Its number.
    pub number: String,
    /// When: year, month, day, like 2026-03-01.
    pub date: String,
    /// When it is due again.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub due: Option<String>,
    /// As found, in words and numbers.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub as_found: Option<String>,
    /// As left, in words and numbers.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub as_left: Option<String>,
}

impl Certificate {
    /// How it stands on a day (year, month, day, like 2026-03-01). Dates written so are in
    /// the order of their letters.
    #[must_use]
    pub fn standing(&self, day: &str) -> Standing {
        if self.date.as_str() > day {
            Standing::NotYet
        } else if self.due.as_deref().is_some_and(|due| due < day) {
            Standing::Overdue
        } else {
            Standing::InForce
        }
    }
}

/// How a certificate stands on a day.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Standing {
    /// There is none.
    Missing,
    /// It is dated later.
    NotYet,
    /// It is in force; the day on which it is due counts.
    InForce,
    /// It was due before.
    Overdue,
}

/// What stands behind one part of a rig's limits of error.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Backing<'a> {
    /// Its key below `certificates`.
    pub key: &'static str,
    /// What it is of, in words.
    pub of: &'static str,
    /// Whether a rig without it is called uncalibrated.
    pub needed: bool,
    /// Its certificate.
    pub certificate: Option<&'a Certificate>,
}

impl Backing<'_> {
    /// How its certificate stands on a day (year, month, day, like 2026-03-01).
    #[must_use]
    pub fn standing(&self, day: &str) -> Standing {
        self.certificate
            .map_or(Standing::Missing, |certificate| certificate.standing(day))
    }
}

impl Rig {
    /// What stands behind each part of its limits of error.
    #[must_use]
    pub fn backing(&self) -> [Backing<'_>; 3] {
        let Certificates {
            sample_clock,
            control_voltage,
            thermometer,
        } = &self.certificates;
        [
            ("sample_clock", "sample clock", true, sample_clock),
            ("control_voltage", "control voltage", true, control_voltage),
            (
                "thermometer",
                "thermometer",
                self.thermometer.is_some(),
                thermometer,
            ),
        ]
        .map(|(key, of, needed, certificate)| Backing {
            key,
            of,
            needed,
            certificate: certificate.as_ref(),
        })
    }

    /// Whether it is called calibrated on a day (year, month, day, like 2026-03-01).
    #[must_use]
    pub fn is_calibrated(&self, day: &str) -> bool {
        self.backing()
            .iter()
            .all(|part| !part.needed || part.standing(day) == Standing::InForce)
    }
}
