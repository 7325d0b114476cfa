//! The MIDI-to-CV interface: which voltage comes out for which note.

use crate::noise::Source;
use crate::thermal::{Masses, Room};
use model::document::rig::Law;
use model::document::simulated::Interface as InterfaceModel;
use model::pitch::{ControlLaw, Pitch, PitchStandard};

/// An interface with its parameters worked out.
#[derive(Debug, Clone)]
pub struct Interface {
    law: ControlLaw,
    lowest: f64,
    highest: f64,
    step: f64,
    step_error: f64,
    /// How many volts lie between two notes that have an error of their own.
    per_note: f64,
    steps: Source,
    gain: f64,
    offset: f64,
    gain_drift: f64,
    offset_drift: f64,
    adjusted_at: f64,
    masses: Masses,
    on_before: f64,
    /// Bend range at power-up, in semitones.
    pub bend_range: f64,
    /// From a message to its voltage, in nanoseconds.
    pub latency: i64,
    /// Time constant of the way to a new note, in seconds.
    pub slew: f64,
    /// Resistance of an output, in ohms.
    pub output_resistance: f64,
}

/// Where gain and offset stand at a moment: `reached = volts * gain + offset`.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Line {
    /// The factor.
    pub gain: f64,
    /// The sum, in volts.
    pub offset: f64,
}

impl Interface {
    /// The interface of this name.
    #[must_use]
    pub fn new(name: &str, model: &InterfaceModel) -> Self {
        let specimen = model.specimen;
        let lowest = model.lowest.get();
        let highest = model.highest.get().max(lowest + 1e-3);
        Self {
            law: model.law.control_law(),
            lowest,
            highest,
            step: (highest - lowest) / libm::exp2(f64::from(model.bits.clamp(4, 32))),
            step_error: model.step_error.get(),
            per_note: match &model.law {
                Law::VoltsPerOctave { slope, .. } => slope.get() / 12.0,
                Law::HertzPerVolt { .. } => (highest - lowest) / 96.0,
            },
            steps: Source::new(specimen, "interface steps")
                .part(Source::new(specimen, name).bits(0)),
            gain: 1.0 + model.gain_error.get(),
            offset: model.offset_error.get(),
            gain_drift: model.gain_drift.get(),
            offset_drift: model.offset_drift.get(),
            adjusted_at: model.adjusted_at.get(),
            masses: Masses::new(&model.warming),
            on_before: model.on_before.get(),
            bend_range: model.bend_range.get() / 100.0,
            latency: model.latency.nanoseconds(),
            slew: model.slew.get(),
            output_resistance: model.output_resistance.get(),
        }
    }

    /// The voltage that should come out for a pitch.
    #[must_use]
    pub fn ideal(&self, pitch: Pitch) -> f64 {
        self.law.voltage(pitch, PitchStandard::default()).get()
    }

    /// The step of its converter nearest to a voltage, as a perfect one would give it.
    #[must_use]
    pub fn nominal(&self, wanted: f64) -> f64 {
        let last = ((self.highest - self.lowest) / self.step).round() - 1.0;
        let code = ((wanted - self.lowest) / self.step)
            .round()
            .clamp(0.0, last);
        self.lowest + code * self.step
    }

    /// The voltage at which its converter stands when `wanted` is asked for:
    /// clamped at the ends, on one of its steps, each off by its own seeded error.
    #[must_use]
    pub fn converted(&self, channel: u8, wanted: f64) -> f64 {
        let volts = self.nominal(wanted);
        // The error belongs to the note; between notes it goes over from one to the next.
        let place = volts / self.per_note;
        let note = place.floor();
        let source = self.steps.part(u64::from(channel));
        // A rectangle, as the limits of a converter are (GUM 4.3.7), of a variance of 1.
        let of = |note: f64| {
            let uniform = source.uniform((note as i64).cast_unsigned());
            3f64.sqrt() * (2.0 * uniform - 1.0)
        };
        let (below, above) = (of(note), of(note + 1.0));
        volts + self.step_error * (below + (above - below) * (place - note))
    }

    /// Gain and offset at a time of the run.
    #[must_use]
    pub fn line(&self, room: &Room, t: f64) -> Line {
        let inside = self.masses.celsius(room, &[(-self.on_before, 1.0)], t);
        let warmer = inside.last().copied().unwrap_or_default() - self.adjusted_at;
        Line {
            gain: self.gain * (1.0 + self.gain_drift * warmer),
            offset: self.offset + self.offset_drift * warmer,
        }
    }
}
