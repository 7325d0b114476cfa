//! What is drawn for a trial: a unit of the simulator, its room, and what the rig is off by.

use super::case::Case;
use crate::night::Random;
use model::document::read_rig;
use model::document::rig::{Bounds, Wiring};
use model::document::simulated::Simulated;
use model::pitch::Pitch;
use model::quantity::Seconds;
use model::record::{PositionId, RunHeader};
use model::time::{RunTime, Timestamp};
use simulator::Bench;
use simulator::thermal::Room;
use std::collections::BTreeMap;

/// The unit with physics and what it has besides: a converter at kT/q that warms in parts,
/// a core that loses time and leaks, noise that is white and flicker.
#[derive(Debug, Clone)]
pub struct Unit {
    seed: u64,
    /// Cents per octave.
    scale: f64,
    /// Of the compensation: ppm per kelvin, and seconds behind the pair.
    compensation: (f64, f64),
    reference_drift: f64,
    bulk: f64,
    reset: f64,
    /// Nanoamperes at 8 uA for 1 kHz.
    leakage: f64,
    /// Case and pair: time constant in seconds, rise in kelvin.
    pub masses: [(f64, f64); 2],
    /// Cents per hour.
    pub drift: f64,
    /// Of the frequency, relative: its Allan deviation at 1 s, and the flat level.
    pub white: f64,
    pub flicker: f64,
    pub room: Air,
    /// Cents for a volt more of supply.
    pub per_supply_volt: f64,
    /// From above less from below, in cents.
    pub hysteresis: f64,
    /// Added to the control voltage within the unit, in volts.
    pub offset: f64,
    /// How far notes lie off the curve, as a standard deviation in cents.
    uneven: f64,
    /// Time constant of the way to a new note, in seconds, and how fast it swings, in hertz.
    pub slew: f64,
    pub swings: f64,
    /// Cents: steps of a walk, for the root of a second; and white, of each reading.
    pub walk: f64,
    pub scatter: f64,
}

/// The air of the room.
#[derive(Debug, Clone, Copy)]
pub struct Air {
    pub temperature: f64,
    pub swing: f64,
    pub period: f64,
    pub wander: f64,
}

impl Unit {
    /// Of a trial; `lasts` is how long the run does, in seconds.
    pub fn draw(case: &Case, trial: u64, lasts: f64) -> Self {
        let mut random = Random::new(300_000 + trial);
        let mut between = |from: f64, to: f64| from + (to - from) * random.uniform();
        let mut unit = Self {
            seed: trial,
            scale: between(-5.0, 5.0),
            compensation: (between(2900.0, 3400.0), between(20.0, 200.0)),
            reference_drift: between(600.0, 2500.0).copysign(between(-1.0, 1.0)),
            bulk: between(0.1, 1.0),
            reset: between(0.1, 2.0),
            leakage: between(0.001, 0.02),
            masses: [
                (between(240.0, 600.0), between(3.0, 8.0)),
                (between(30.0, 120.0), between(1.0, 4.0)),
            ],
            drift: between(-1.0, 1.0),
            white: between(1.0, 4.0).exp2() * 1.5e-6,
            flicker: between(0.0, 4.0).exp2() * 1.5e-6,
            room: Air {
                temperature: between(18.0, 26.0),
                swing: 0.0,
                period: 86_400.0,
                wander: 0.0,
            },
            per_supply_volt: between(-3.0, 3.0),
            hysteresis: between(-0.5, 0.5),
            offset: between(-0.3e-3, 0.3e-3),
            uneven: 0.0,
            slew: between(0.01, 0.06),
            swings: between(2.0, 6.0),
            walk: 0.0,
            scatter: 0.0,
        };
        let (shallow, deep) = (between(0.2, 0.8), between(2.0, 4.0));
        let (of_run, of_night) = (between(0.6, 1.2), between(28_800.0, 43_200.0));
        let (wander, leak) = (between(0.1, 0.4), between(0.15, 0.4));
        if case.is("weather") {
            unit.room.swing = deep;
            unit.room.period = of_night;
            unit.room.wander = wander;
        } else if case.is("room") {
            unit.room.swing = shallow;
            unit.room.period = of_run * lasts;
        }
        // Half of the units are well trimmed, or few would ever be ready; half drift, and
        // swing when the note changes.
        if trial.is_multiple_of(2) {
            unit.scale /= 10.0;
        }
        if (trial / 2).is_multiple_of(2) {
            unit.drift = 0.0;
            unit.swings = 0.0;
        }
        if !case.is("sided") {
            unit.hysteresis = 0.0;
        }
        if !case.is("hertz") {
            unit.offset = 0.0;
        }
        if case.is("leaky") {
            unit.leakage = leak;
        } else if case.is("uneven") {
            unit.uneven = 0.7;
        } else if case.is("walk") {
            unit.walk = 0.1 / 600f64.sqrt();
        } else if case.is("hidden") {
            unit.walk = 0.025 / 600f64.sqrt();
            unit.scatter = 0.3;
        }
        unit
    }

    /// How far a note lies off the curve of the physics, in cents.
    pub fn off_curve(&self, pitch: Pitch) -> f64 {
        if self.uneven == 0.0 {
            return 0.0;
        }
        self.uneven * of_note(self.seed, "uneven", pitch).normal()
    }

    /// What its supply has more than 12 V, in volts: in some weather somebody turns it up
    /// and down, and it is logged.
    pub fn supply(case: &Case, t: f64) -> f64 {
        let is_up = (t / 5400.0).rem_euclid(2.0) >= 1.0;
        if case.is("weather") && is_up {
            0.25
        } else {
            0.0
        }
    }

    /// The unit on a bench that itself is off by nothing but its clock, with its noise or
    /// without, in this air; at the moment its supply comes on, or having been on for long.
    pub fn bench(&self, case: &Case, air: Air, clock: f64, noisy: bool) -> (Bench, Room) {
        let [white, flicker] =
            [self.white, self.flicker].map(|noise| if noisy { noise * 1e6 } else { 0.0 });
        let [(case_time, case_rise), (pair_time, pair_rise)] = self.masses;
        let before = if case.switches() {
            ""
        } else {
            "on_before: {rack: 6 h}"
        };
        let text = format!(
            "
nightbench: rig 1
name: bench
wiring:
  simulated:
    seed: {seed}
    room: {{temperature: {temperature} degC, swing: {swing} K, period: {period} s, wander: {wander} K}}
    interfaces:
      keys: {{law: {law}, lowest: -2 V, highest: 12 V, bits: 32, step_error: 0 mV, gain_drift: 0 ppm/K, offset_drift: 0 uV/K, output_resistance: 0 ohm}}
    input: {{rate: 48 kHz, clock_error: {clock} ppm, noise: -92 dBFS}}
    units:
      left:
        law: {law}
        trimmers: {{scale: {scale} cents/oct}}
        converter: {{trimmed_at: {trimmed} degC, compensation: {compensation} ppm/K, compensation_lag: {lag} s, reference_drift: {reference} ppm/K, bulk_resistance: {bulk} ohm}}
        core: {{current_at_1khz: 8 uA, reset_time: {reset} us, leakage: {leakage} nA}}
        warming: [{{time: {case_time} s, rise: {case_rise} K}}, {{time: {pair_time} s, rise: {pair_rise} K}}]
        drift: {drift} cents/h
        phase_noise: {{white: {white} ppm, flicker: {flicker} ppm}}
    instruments: {{psu: supply, air: thermometer}}
    {before}
supplies: {{rack: {{by: {{instrument: psu}}, voltage: 12 V, current_limit: 1 A}}}}
positions:
  left:
    cv: {{sender: keys, channel: 1, law: {law}, safe: {{from: 0 V, to: 8 V}}}}
    input: 1
    supply: rack
thermometer: air
",
            seed = self.seed,
            temperature = air.temperature,
            swing = air.swing,
            period = air.period,
            wander = air.wander,
            law = case.law(),
            clock = clock * 1e6,
            scale = self.scale,
            trimmed = 22.0 + case_rise + pair_rise,
            compensation = self.compensation.0,
            lag = self.compensation.1,
            reference = self.reference_drift,
            bulk = self.bulk,
            reset = self.reset,
            leakage = self.leakage,
            drift = self.drift,
        );
        let rig = read_rig("rig.yaml", text.as_bytes())
            .unwrap_or_else(|error| panic!("{error:?}\n{text}"))
            .value;
        let bench = Bench::new(&rig).expect("the rig can be simulated");
        if case.switches() {
            let on = RunTime::START + Seconds::of(super::case::POWER);
            let _ = bench.record(header(), Some(on), &[], 0);
        }
        let Wiring::Simulated(Simulated { room, seed, .. }) = &rig.wiring else {
            unreachable!("it is simulated");
        };
        (bench, Room::new(room, *seed))
    }
}

pub fn left() -> PositionId {
    PositionId::new("left")
}

pub fn header() -> RunHeader {
    RunHeader {
        plan_text: String::new(),
        rig_text: String::new(),
        units: BTreeMap::from([(left(), model::record::Unit::default())]),
        program_version: String::new(),
        seed: None,
        began: Timestamp::UNIX_EPOCH,
    }
}

/// Random numbers of a note.
fn of_note(seed: u64, what: &str, pitch: Pitch) -> Random {
    let note = (pitch.note_number() * 100.0).round() as u64;
    Random::new(seed * 1_000_003 + 101 * note + what.len() as u64)
}

/// What the rig truly is off by.
#[derive(Debug, Clone)]
pub struct Errors {
    seed: u64,
    edges: bool,
    pub clock: f64,
    /// Gain and offset (volts) that stay for the run.
    gain: f64,
    offset: f64,
    /// What of the voltage is lost into all inputs, as output over input resistance.
    load: f64,
    /// By how much gain and offset drift at most, and how fast where they do so early.
    gain_drift: f64,
    offset_drift: f64,
    drifts_in: f64,
    /// The largest step.
    step: f64,
    /// What the thermometer is off by at either end of the room's swing, in kelvin.
    pub thermometer: [f64; 2],
}

impl Errors {
    /// Within limits, or at their edges.
    pub fn draw(case: &Case, trial: u64, limits: &Bounds) -> Self {
        let mut random = Random::new(600_000 + trial);
        let edges = case.is("edges");
        let mut share = || rectangle(edges, &mut random);
        let [clock, gain, offset, session] = [(); 4].map(|()| share());
        let [gain_drift, offset_drift] = [(); 2].map(|()| share());
        let thermometer = [(); 2].map(|()| limits.thermometer.get() * share());
        let drifts_in = 600.0 * 3f64.powf(random.uniform());
        let of_load = if case.is("within") {
            random.uniform()
        } else {
            1.0
        };
        Self {
            seed: trial,
            edges,
            clock: clock * limits.sample_clock.get(),
            gain: gain * limits.cv_gain.get() + session * limits.cv_session.get(),
            offset: offset * limits.cv_offset.get(),
            load: of_load * limits.cv_output_resistance.get() * f64::from(case.inputs()) / 100e3,
            gain_drift: gain_drift * limits.cv_gain_drift.get(),
            offset_drift: offset_drift * limits.cv_offset_drift.get(),
            drifts_in,
            step: limits.cv_step.get(),
            thermometer,
        }
    }

    /// The voltage that reaches the unit's input where `volts` should, `drifted` being how
    /// far drift has gone as a part of its limit.
    pub fn reaches(&self, volts: f64, pitch: Pitch, drifted: f64) -> f64 {
        let step = self.step * rectangle(self.edges, &mut of_note(self.seed, "step", pitch));
        let sent = volts * (1.0 + self.gain + self.gain_drift * drifted)
            + self.offset
            + self.offset_drift * drifted
            + step;
        sent / (1.0 + self.load)
    }

    /// How far drift that comes early has gone after so many seconds.
    pub fn early(&self, t: f64) -> f64 {
        1.0 - (-t / self.drifts_in).exp()
    }
}

/// Anything from -1 to 1, or one of these two.
fn rectangle(edges: bool, random: &mut Random) -> f64 {
    let drawn = 2.0 * random.uniform() - 1.0;
    if edges { drawn.signum() } else { drawn }
}
