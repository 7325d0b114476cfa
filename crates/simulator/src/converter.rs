//! The pure physics of a unit: control voltage and temperatures in, frequency out.
//!
//! An exponential converter makes a current `I = I_ref exp(V_B / V_T)` with
//! `V_T = k T / q` (any text on devices, for instance Horowitz and Hill chapter 2);
//! a core makes a frequency of that current and loses a fixed time each cycle.

use crate::thermal::ZERO_CELSIUS;
use model::document::rig::Law;
use model::document::simulated::UnitModel;
use model::pitch::PitchStandard;
use std::f64::consts::LN_2;

/// Boltzmann's constant in J/K (SI 2019, exact).
pub const BOLTZMANN: f64 = 1.380_649e-23;
/// The elementary charge in C (SI 2019, exact).
pub const ELEMENTARY_CHARGE: f64 = 1.602_176_634e-19;

/// The thermal voltage `k T / q` in volts, at a temperature in kelvin.
#[must_use]
pub fn thermal_voltage(kelvin: f64) -> f64 {
    BOLTZMANN * kelvin / ELEMENTARY_CHARGE
}

/// Lambert's W (principal branch) for `z >= 0`: the solution of `w exp(w) = z`.
/// Halley's iteration (Corless et al., "On the Lambert W function", 1996).
#[must_use]
pub fn lambert_w(z: f64) -> f64 {
    if z <= 0.0 {
        return 0.0;
    }
    let mut w = libm::log1p(z);
    if z > 3.0 {
        w -= libm::log(w);
    }
    for _ in 0..12 {
        let e = libm::exp(w);
        let off = w * e - z;
        let step = off / (e * (w + 1.0) - (w + 2.0) * off / (2.0 * w + 2.0));
        w -= step;
        if step.abs() <= 1e-16 * w.abs() {
            break;
        }
    }
    w
}

/// The current that flows where `wanted` would, were there no resistance `r` (ohm)
/// in the path: `I exp(I r / V_T) = I_0`.
#[must_use]
pub fn with_bulk_resistance(wanted: f64, r: f64, thermal_voltage: f64) -> f64 {
    if r <= 0.0 || wanted <= 0.0 {
        return wanted;
    }
    thermal_voltage / r * lambert_w(wanted * r / thermal_voltage)
}

/// The frequency of a core that would run at `wanted` (Hz) did it not lose `t`
/// seconds each cycle: `1 / (1 / f_0 + t)`.
#[must_use]
pub fn with_reset_time(wanted: f64, t: f64) -> f64 {
    wanted / (1.0 + wanted * t)
}

/// What is left of a voltage behind `out` ohm when `inputs` hang on it:
/// `R_in / (R_in + R_out)`, all inputs in parallel.
#[must_use]
pub fn loading(out: f64, inputs: impl Iterator<Item = f64>) -> f64 {
    let conductance: f64 = inputs.map(|input| 1.0 / input.max(1e-3)).sum();
    1.0 / (1.0 + out * conductance)
}

/// What surrounds the converter at a moment.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Surroundings {
    /// The temperature of the pair of transistors, degrees Celsius.
    pub pair: f64,
    /// That of the compensating resistor.
    pub resistor: f64,
    /// That of the board around the pair.
    pub board: f64,
    /// The supply above its nominal voltage, volts.
    pub supply: f64,
    /// Hours of steady drift.
    pub hours: f64,
}

/// A unit's law from control voltage to frequency, with its parameters worked out.
#[derive(Debug, Clone)]
pub struct Converter {
    law: ControlLaw,
    trimmed_at: f64,
    compensation: f64,
    scale: f64,
    /// Trimmer and octave switch, in octaves.
    offset: f64,
    high_end: f64,
    pair_drift: f64,
    reference_drift: f64,
    bulk_resistance: f64,
    /// Amperes to the hertz.
    current: f64,
    reset_time: f64,
    /// Leakage out of the core and into it, as a frequency.
    leak: f64,
    leakage_doubles_every: f64,
    per_supply_volt: f64,
    drift: f64,
}

#[derive(Debug, Clone, Copy)]
enum ControlLaw {
    Exponential {
        slope: f64,
        pivot_volts: f64,
        pivot_hertz: f64,
    },
    Linear {
        gain: f64,
    },
}

impl Converter {
    /// The converter and core of a unit.
    #[must_use]
    pub fn new(unit: &UnitModel) -> Self {
        let law = match &unit.law {
            Law::VoltsPerOctave { slope, .. } => {
                let standard = PitchStandard::default();
                let pivot = unit.converter.pivot.pitch();
                ControlLaw::Exponential {
                    slope: slope.get(),
                    pivot_volts: unit.law.control_law().voltage(pivot, standard).get(),
                    pivot_hertz: standard.frequency(pivot).get(),
                }
            }
            Law::HertzPerVolt { gain } => ControlLaw::Linear { gain: gain.get() },
        };
        let current = unit.core.current_at_1khz.get().max(1e-12) / 1000.0;
        Self {
            law,
            trimmed_at: unit.converter.trimmed_at.get(),
            compensation: unit.converter.compensation.get(),
            scale: unit.trimmers.scale.get() / 1200.0,
            offset: unit.trimmers.offset.get() / 1200.0 + f64::from(unit.octave_switch),
            high_end: unit.trimmers.high_end.get(),
            pair_drift: unit.converter.pair_drift.get(),
            reference_drift: unit.converter.reference_drift.get(),
            bulk_resistance: unit.converter.bulk_resistance.get(),
            current,
            reset_time: unit.core.reset_time.get(),
            leak: (unit.core.bias.get() - unit.core.leakage.get()) / current,
            leakage_doubles_every: unit.core.leakage_doubles_every.get(),
            per_supply_volt: unit.per_supply_volt.get() / 1200.0,
            drift: unit.drift.get() / 1200.0,
        }
    }

    /// The frequency at a control voltage, in hertz; never below 0.001 Hz, where a
    /// core that is starved of current has stopped.
    #[must_use]
    pub fn frequency(&self, volts: f64, around: &Surroundings) -> f64 {
        let warmer = around.pair - self.trimmed_at;
        // Nothing here gets near absolute zero; a rig file may say so all the same.
        let kelvin = (around.pair + ZERO_CELSIUS).max(1.0);
        let thermal = thermal_voltage(kelvin);
        // Octaves that no control voltage has asked for.
        let shift = self.offset
            + self.per_supply_volt * around.supply
            + self.drift * around.hours
            + self.pair_drift * warmer / (thermal * LN_2)
            + libm::log1p(
                (self.reference_drift * (around.board - self.trimmed_at)).clamp(-0.9, 9.0),
            ) / LN_2;
        let wanted = match self.law {
            ControlLaw::Exponential {
                slope,
                pivot_volts,
                pivot_hertz,
            } => {
                // V_B falls on V_T, which grows with T; the resistor's gain grows with T too.
                let warm = (self.trimmed_at + ZERO_CELSIUS) / kelvin
                    * (1.0 + self.compensation * (around.resistor - self.trimmed_at));
                let octaves = (volts - pivot_volts) / slope * (1.0 + self.scale) * warm;
                pivot_hertz * libm::exp2((octaves + shift).clamp(-40.0, 20.0))
            }
            ControlLaw::Linear { gain } => {
                gain * volts.max(0.0) * libm::exp2(shift.clamp(-40.0, 20.0))
            }
        };
        let current = with_bulk_resistance(wanted * self.current, self.bulk_resistance, thermal);
        let leak = if self.leak == 0.0 || self.leakage_doubles_every <= 0.0 {
            self.leak
        } else {
            self.leak * libm::exp2((warmer / self.leakage_doubles_every).clamp(-20.0, 20.0))
        };
        let core = (current / self.current + leak).max(1e-3);
        with_reset_time(core, self.reset_time - self.high_end).clamp(1e-3, 1e6)
    }

    /// How many octaves a volt moves the pitch, at a control voltage.
    #[must_use]
    pub fn octaves_per_volt(&self, volts: f64, around: &Surroundings) -> f64 {
        let step = 1e-4;
        libm::log2(self.frequency(volts + step, around) / self.frequency(volts - step, around))
            / (2.0 * step)
    }
}
