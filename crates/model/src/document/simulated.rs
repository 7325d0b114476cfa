//! The simulated side of a rig: what stands in for wires, voltages and units.
//!
//! Every part has defaults, so that a small rig file is enough; the defaults are
//! those of good equipment in a quiet room. Times of faults count from the
//! beginning of the run.

use super::rig::{Law, Role};
use crate::pitch::{Note, NoteAtVoltage};
use crate::quantity::{
    Amperes, Celsius, Cents, CentsPerHour, CentsPerOctave, Fraction, FractionPerKelvin, Hertz,
    Kelvin, Level, Ohms, Seconds, VoltDifference, Volts, VoltsPerKelvin, VoltsPerOctave,
};
use schemars::JsonSchema;
use serde::{Deserialize, Serialize};
use std::collections::BTreeMap;

/// A simulation of a rig's devices and of the units in its positions.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct Simulated {
    /// Everything that is random follows from this.
    pub seed: u64,
    /// The room.
    #[serde(default)]
    pub room: Room,
    /// The MIDI-to-CV interfaces, by the names that positions use as senders.
    pub interfaces: BTreeMap<String, Interface>,
    /// The audio input.
    #[serde(default)]
    pub input: Input,
    /// The unit in each position.
    pub units: BTreeMap<String, UnitModel>,
    /// Instruments, by the names that supplies and thermometer use.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub instruments: BTreeMap<String, Role>,
    /// When mains timers switch on, by the names of their supplies; at the
    /// beginning of the run unless said.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub timers: BTreeMap<String, Seconds>,
    /// How long supplies had been on when the run began, by their names. What the others
    /// feed is off and cold; what no supply feeds has been on all day.
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub on_before: BTreeMap<String, Seconds>,
    /// What goes wrong, and when.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub faults: Vec<Fault>,
}

/// The room: a slow swing about a mean, as over a day, and a seeded wander.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Room {
    /// Its temperature when the run begins.
    pub temperature: Celsius,
    /// How far it falls below that (and, half a period later, rises above it).
    pub swing: Kelvin,
    /// From one fall to the next.
    pub period: Seconds,
    /// Doors, sun and people: root mean square of an irregular wander.
    pub wander: Kelvin,
    /// The frequency of the mains.
    pub mains: Hertz,
}

impl Default for Room {
    fn default() -> Self {
        Self {
            temperature: Celsius::of(21.0),
            swing: Kelvin::of(0.8),
            period: Seconds::of(86_400.0),
            wander: Kelvin::of(0.1),
            mains: Hertz::of(50.0),
        }
    }
}

/// A part that warms while power is on, and follows the part around it.
///
/// Parts are listed from the outside (the case) to the inside (the pair of
/// transistors). Each follows the one before it, the first follows the room.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields)]
pub struct ThermalMass {
    /// The time constant with which it follows.
    pub time: Seconds,
    /// How much warmer than the part around it it ends up with power on.
    pub rise: Kelvin,
}

/// A MIDI-to-CV interface.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Interface {
    /// Which voltage it gives to which note.
    pub law: Law,
    /// The lowest voltage it can give; lower ones are clamped.
    pub lowest: Volts,
    /// The highest voltage it can give; higher ones are clamped.
    pub highest: Volts,
    /// The bits of its converter between those two.
    #[schemars(range(min = 4, max = 32))]
    pub bits: u8,
    /// The bend range it has at power-up, until RPN 0 sets another.
    pub bend_range: Cents,
    /// Which of all interfaces like it this is: each has steps of its own, which are the
    /// same every night.
    pub specimen: u64,
    /// Root mean square of what each semitone's voltage is off the line; none is off by
    /// more than 1.73 times that.
    pub step_error: VoltDifference,
    /// How much too large all voltages are.
    pub gain_error: Fraction,
    /// How much too high all voltages are.
    pub offset_error: VoltDifference,
    /// How the gain moves as it warms.
    pub gain_drift: FractionPerKelvin,
    /// How the offset moves as it warms.
    pub offset_drift: VoltsPerKelvin,
    /// The temperature inside at which gain and offset are as stated.
    pub adjusted_at: Celsius,
    /// How it warms.
    pub warming: Vec<ThermalMass>,
    /// How long it had been switched on when the run began.
    pub on_before: Seconds,
    /// From the last byte of a message to the change of the voltage.
    pub latency: Seconds,
    /// The time constant of the voltage's way to a new note.
    pub slew: Seconds,
    /// The resistance of its outputs.
    pub output_resistance: Ohms,
}

impl Default for Interface {
    fn default() -> Self {
        Self {
            law: usual_law(),
            lowest: Volts::of(0.0),
            highest: Volts::of(10.0),
            bits: 16,
            bend_range: Cents::of(200.0),
            specimen: 1,
            step_error: VoltDifference::of(50e-6),
            gain_error: Fraction::of(0.0),
            offset_error: VoltDifference::of(0.0),
            gain_drift: FractionPerKelvin::of(10e-6),
            offset_drift: VoltsPerKelvin::of(5e-6),
            adjusted_at: Celsius::of(27.0),
            warming: vec![ThermalMass {
                time: Seconds::of(1200.0),
                rise: Kelvin::of(6.0),
            }],
            on_before: Seconds::of(7200.0),
            latency: Seconds::of(2e-3),
            slew: Seconds::of(0.5e-3),
            output_resistance: Ohms::of(100.0),
        }
    }
}

fn usual_law() -> Law {
    Law::VoltsPerOctave {
        slope: VoltsPerOctave::of(1.0),
        zero: NoteAtVoltage {
            note: Note::from_number(24),
            voltage: Volts::of(0.0),
        },
    }
}

/// The audio input.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Input {
    /// Its rate.
    pub rate: Hertz,
    /// How much faster its clock runs than nominal.
    pub clock_error: Fraction,
    /// Its noise, root mean square over the whole band.
    pub noise: Level,
    /// The bits of its converter.
    #[schemars(range(min = 8, max = 32))]
    pub bits: u8,
    /// Its gain; 100 % leaves the levels of the units as they are.
    pub gain: Fraction,
}

impl Default for Input {
    fn default() -> Self {
        Self {
            rate: Hertz::of(48_000.0),
            clock_error: Fraction::of(0.0),
            noise: Level::of(-96.0),
            bits: 24,
            gain: Fraction::of(1.0),
        }
    }
}

/// A unit with physics.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct UnitModel {
    /// How it should turn voltage into pitch.
    pub law: Law,
    /// Where its octave switch stands: whole octaves up, or down.
    #[schemars(range(min = -8, max = 8))]
    pub octave_switch: i8,
    /// What its trimmers are set to.
    pub trimmers: Trimmers,
    /// What makes a current of the voltage.
    pub converter: Converter,
    /// What makes a frequency of the current.
    pub core: Core,
    /// How it warms, from the case to the pair of transistors.
    pub warming: Vec<ThermalMass>,
    /// A steady drift while power is on.
    pub drift: CentsPerHour,
    /// What a supply one volt too high does to the pitch.
    pub per_supply_volt: Cents,
    /// How much current it takes.
    pub supply_current: Amperes,
    /// How unsteady its pitch is from moment to moment.
    pub phase_noise: PhaseNoise,
    /// What it picks up from the mains.
    pub hum: Hum,
    /// The shape of its wave.
    pub waveform: Waveform,
    /// Its level at the audio input, root mean square.
    pub level: Level,
    /// The resistance of its CV input.
    pub input_resistance: Ohms,
}

impl Default for UnitModel {
    fn default() -> Self {
        Self {
            law: usual_law(),
            octave_switch: 0,
            trimmers: Trimmers::default(),
            converter: Converter::default(),
            core: Core::default(),
            warming: vec![
                ThermalMass {
                    time: Seconds::of(480.0),
                    rise: Kelvin::of(6.0),
                },
                ThermalMass {
                    time: Seconds::of(90.0),
                    rise: Kelvin::of(3.0),
                },
            ],
            drift: CentsPerHour::of(0.0),
            per_supply_volt: Cents::of(1.5),
            supply_current: Amperes::of(45e-3),
            phase_noise: PhaseNoise::default(),
            hum: Hum::default(),
            waveform: Waveform::Saw,
            level: Level::of(-12.0),
            input_resistance: Ohms::of(100e3),
        }
    }
}

/// What the trimmers of a unit are set to; all zero is right on.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Trimmers {
    /// Pitch, also the panel knob.
    pub offset: Cents,
    /// Scale: above zero, octaves are too wide.
    pub scale: CentsPerOctave,
    /// High end: how much reset time it takes away.
    pub high_end: Seconds,
}

impl Default for Trimmers {
    fn default() -> Self {
        Self {
            offset: Cents::ZERO,
            scale: CentsPerOctave::ZERO,
            high_end: Seconds::ZERO,
        }
    }
}

/// What makes a current of the voltage: a pair of transistors at V_T = kT/q, and
/// a resistor that takes away its dependence on temperature, in part.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Converter {
    /// The temperature of the pair at which the trimmers were set.
    pub trimmed_at: Celsius,
    /// The note at which temperature does not change the scale's part of the pitch.
    pub pivot: Note,
    /// The coefficient of the resistor that compensates: about 3350 ppm/K does it
    /// all, 0 ppm/K is none.
    pub compensation: FractionPerKelvin,
    /// The time constant with which that resistor follows the pair.
    pub compensation_lag: Seconds,
    /// How much of that resistor's warmth comes from the pair; the rest from the
    /// air of the room, as when it has come loose.
    pub compensation_contact: Fraction,
    /// What of the pair's offset voltage moves with temperature.
    pub pair_drift: VoltsPerKelvin,
    /// How the reference current moves with the temperature around the pair.
    pub reference_drift: FractionPerKelvin,
    /// The resistance in the path of the emitter.
    pub bulk_resistance: Ohms,
}

impl Default for Converter {
    fn default() -> Self {
        Self {
            trimmed_at: Celsius::of(30.0),
            pivot: Note::from_number(60),
            compensation: FractionPerKelvin::of(3300e-6),
            compensation_lag: Seconds::of(60.0),
            compensation_contact: Fraction::of(1.0),
            pair_drift: VoltsPerKelvin::of(0.1e-6),
            reference_drift: FractionPerKelvin::of(100e-6),
            bulk_resistance: Ohms::of(0.4),
        }
    }
}

/// What makes a frequency of the current.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Core {
    /// The current at which it runs at 1 kHz.
    pub current_at_1khz: Amperes,
    /// The time each cycle loses while the core resets.
    pub reset_time: Seconds,
    /// Current that leaks away from the core, at the temperature of the trimming.
    pub leakage: Amperes,
    /// Current that leaks into the core, at the temperature of the trimming.
    pub bias: Amperes,
    /// The warming that doubles both.
    pub leakage_doubles_every: Kelvin,
}

impl Default for Core {
    fn default() -> Self {
        Self {
            current_at_1khz: Amperes::of(20e-6),
            reset_time: Seconds::of(0.3e-6),
            leakage: Amperes::of(20e-12),
            bias: Amperes::of(0.0),
            leakage_doubles_every: Kelvin::of(10.0),
        }
    }
}

/// How unsteady a pitch is from moment to moment.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct PhaseNoise {
    /// White frequency noise: its Allan deviation at 1 s (it falls as the root of time).
    pub white: Fraction,
    /// Flicker frequency noise: the flat level of its Allan deviation.
    pub flicker: Fraction,
}

impl Default for PhaseNoise {
    fn default() -> Self {
        Self {
            white: Fraction::of(3e-6),
            flicker: Fraction::of(4e-6),
        }
    }
}

/// What a unit picks up from the mains.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(deny_unknown_fields, default)]
pub struct Hum {
    /// Hum beside the signal, root mean square, with harmonics; none unless said.
    #[serde(skip_serializing_if = "Option::is_none")]
    pub level: Option<Level>,
    /// How far the pitch swings either way with the mains.
    pub bend: Cents,
    /// How far the amplitude swings either way with the mains.
    pub swell: Fraction,
}

impl Default for Hum {
    fn default() -> Self {
        Self {
            level: None,
            bend: Cents::ZERO,
            swell: Fraction::ZERO,
        }
    }
}

/// The shape of a wave.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Waveform {
    /// A falling edge once a cycle.
    Saw,
    /// High for a part of the cycle, low for the rest.
    Pulse {
        /// The part, between 1 % and 99 %.
        duty: Fraction,
    },
    /// Up and down in equal slopes.
    Triangle,
    /// The fundamental alone.
    Sine,
    /// A sine driven through a folding shaper.
    Folded {
        /// How far it is driven, in radians: about 1 is a rounded square, 3 folds twice.
        #[schemars(range(min = 0.1, max = 8.0))]
        drive: f64,
        /// How far off the shaper's centre, in radians: 0 leaves odd harmonics
        /// only, near pi/2 even ones only.
        #[serde(default)]
        asymmetry: f64,
    },
}

/// Something that goes wrong: when it begins, counted from the beginning of the
/// run, and how long it lasts (for good unless said).
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
pub enum Fault {
    /// Units give no sound, though their noise is there.
    UnitSilent {
        /// Which.
        positions: Vec<String>,
        /// When it begins.
        from: Seconds,
        /// How long it lasts.
        #[serde(default, rename = "for", skip_serializing_if = "Option::is_none")]
        lasts: Option<Seconds>,
    },
    /// Inputs deliver exact zeros, as unconnected digital ones do.
    InputDead {
        /// Which.
        positions: Vec<String>,
        /// When it begins.
        from: Seconds,
        /// How long it lasts.
        #[serde(default, rename = "for", skip_serializing_if = "Option::is_none")]
        lasts: Option<Seconds>,
    },
    /// Inputs are overdriven.
    InputClips {
        /// Which.
        positions: Vec<String>,
        /// By how much the signal is too large.
        gain: Fraction,
        /// When it begins.
        from: Seconds,
        /// How long it lasts.
        #[serde(default, rename = "for", skip_serializing_if = "Option::is_none")]
        lasts: Option<Seconds>,
    },
    /// Notes are not played: the old ones sound on.
    NoteNotPlayed {
        /// Whose control voltages stand still.
        positions: Vec<String>,
        /// When it begins.
        from: Seconds,
        /// How long it lasts.
        #[serde(default, rename = "for", skip_serializing_if = "Option::is_none")]
        lasts: Option<Seconds>,
    },
    /// Portamento was left on.
    Portamento {
        /// Whose control voltages glide.
        positions: Vec<String>,
        /// The time constant of the glide.
        time: Seconds,
        /// When it begins.
        from: Seconds,
        /// How long it lasts.
        #[serde(default, rename = "for", skip_serializing_if = "Option::is_none")]
        lasts: Option<Seconds>,
    },
    /// The audio input stops delivering, and can be opened again afterwards.
    CaptureDies {
        /// When it begins.
        from: Seconds,
        /// How long it cannot be opened again.
        #[serde(rename = "for")]
        lasts: Seconds,
    },
    /// A supply's voltage falls.
    SupplyDips {
        /// Which supply.
        supply: String,
        /// To which voltage; below half its own voltage the units are off.
        to: Volts,
        /// When it begins.
        from: Seconds,
        /// How long it lasts.
        #[serde(rename = "for")]
        lasts: Seconds,
    },
    /// A supply that is on stands at another voltage than it was set to: a higher one, or
    /// one of the wrong sign.
    SupplyStands {
        /// Which supply.
        supply: String,
        /// At which voltage.
        at: Volts,
        /// When it begins.
        from: Seconds,
        /// How long it lasts.
        #[serde(default, rename = "for", skip_serializing_if = "Option::is_none")]
        lasts: Option<Seconds>,
    },
    /// An instrument neither hears nor answers, as if its cable were out.
    InstrumentSilent {
        /// Which instrument.
        instrument: String,
        /// When it begins.
        from: Seconds,
        /// How long it lasts.
        #[serde(default, rename = "for", skip_serializing_if = "Option::is_none")]
        lasts: Option<Seconds>,
    },
    /// An instrument answers every second question only.
    InstrumentStutters {
        /// Which instrument.
        instrument: String,
        /// When it begins.
        from: Seconds,
        /// How long it lasts.
        #[serde(default, rename = "for", skip_serializing_if = "Option::is_none")]
        lasts: Option<Seconds>,
    },
    /// A thermometer shows something else than the temperature.
    ThermometerReads {
        /// Which instrument.
        instrument: String,
        /// What it shows.
        temperature: Celsius,
        /// When it begins.
        from: Seconds,
        /// How long it lasts.
        #[serde(default, rename = "for", skip_serializing_if = "Option::is_none")]
        lasts: Option<Seconds>,
    },
    /// Units lock to the first of them while their pitches are close.
    Locked {
        /// Which; the first one leads.
        positions: Vec<String>,
        /// How close their pitches must be.
        #[serde(default = "usual_lock")]
        within: Cents,
        /// When it begins.
        from: Seconds,
        /// How long it lasts.
        #[serde(default, rename = "for", skip_serializing_if = "Option::is_none")]
        lasts: Option<Seconds>,
    },
    /// A contact opens or a wiper lifts: units are off pitch, all notes alike, and
    /// afterwards as before.
    LooseContact {
        /// Which.
        positions: Vec<String>,
        /// How far off.
        by: Cents,
        /// When it begins.
        from: Seconds,
        /// How long it lasts.
        #[serde(rename = "for")]
        lasts: Seconds,
    },
    /// The cables of two positions are swapped.
    CablesSwapped {
        /// Which two.
        between: [String; 2],
        /// Which of their cables.
        #[serde(default)]
        cables: Cables,
        /// When it begins.
        from: Seconds,
        /// How long it lasts.
        #[serde(default, rename = "for", skip_serializing_if = "Option::is_none")]
        lasts: Option<Seconds>,
    },
}

fn usual_lock() -> Cents {
    Cents::of(40.0)
}

/// Which cables of a position.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize, JsonSchema)]
#[serde(rename_all = "snake_case")]
pub enum Cables {
    /// From the units to the audio input.
    #[default]
    Audio,
    /// From the interface to the units.
    ControlVoltage,
}
