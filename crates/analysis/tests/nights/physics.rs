//! How often 95 % intervals hold the truth of units with physics: converters at kT/q that
//! warm in parts, cores that lose time and leak, noise that is white and flicker, on rigs
//! that are drawn from their bounds. Readings are those of the simulator without audio.
//!
//! The truth is asked of the simulator: the same unit without noise on a rig without
//! errors, at any moment, and of that what a result is defined to be, computed here. The
//! long form is `--example coverage 2000 physics`.

use crate::night::{Random, plan};
use analysis::{Analysis, analyse};
use model::document::plan::{Plan, Stage};
use model::document::read_rig;
use model::document::rig::Rig;
use model::pitch::Note;
use model::quantity::Seconds;
use model::record::{PositionId, ReadingKey, RunHeader, Unit};
use model::result::{Outcome, ResultName};
use model::time::{HostTime, RunTime, Timestamp};
use nalgebra::{DMatrix, DVector};
use simulator::{Bench, PlannedReading};
use std::collections::BTreeMap;

const NIGHTS: u64 = 24;
/// 95 % less three standard deviations of so small a count (4.5 % each).
const LEAST: f64 = 0.81;

/// When the supply comes on, in seconds of the run.
const POWER: f64 = 60.0;
/// Octaves from C4, lowest first.
const X: [f64; 6] = [-2.0, -1.0, 0.0, 1.0, 2.0, 3.0];
/// As they are played.
const PLAYED: [i16; 7] = [60, 36, 48, 72, 84, 96, 60];

const LEVELS: &str = "
  - power_on
  - rounds: {name: warming, notes: {list: [C4, C2, C3, C5, C6, C7, C4]}, every: 1 min, for: 30 min}
  - rounds: {name: night, notes: {list: [C4, C2, C3, C5, C6, C7, C4]}, every: 10 min, for: 4 h}";
const ALL_NIGHT: &str = "
  - power_on
  - rounds: {name: night, notes: {list: [C4, C2, C3, C5, C6, C7, C4]}, every: 10 min, for: 14 h}";

/// What is drawn for a night.
#[derive(Debug, Clone)]
struct Draw {
    /// Of the rig, within its bounds.
    gain: f64,
    offset: f64,
    specimen: u64,
    clock: f64,
    /// Of the unit.
    scale: f64,
    compensation: f64,
    compensation_lag: f64,
    reference_drift: f64,
    bulk: f64,
    reset: f64,
    leakage: f64,
    masses: [(f64, f64); 2],
    drift: f64,
    white: f64,
    flicker: f64,
    /// Of the room.
    swing: f64,
    period: f64,
    wander: f64,
    temperature: f64,
}

impl Draw {
    fn new(random: &mut Random, night: u64) -> Self {
        let mut between = |from: f64, to: f64| from + (to - from) * random.uniform();
        Self {
            gain: between(-1000.0, 1000.0),
            offset: between(-5.0, 5.0),
            specimen: night,
            clock: between(-50.0, 50.0),
            scale: between(-5.0, 5.0),
            compensation: between(2900.0, 3400.0),
            compensation_lag: between(20.0, 200.0),
            reference_drift: between(600.0, 2500.0).copysign(between(-1.0, 1.0)),
            bulk: between(0.1, 1.0),
            reset: between(0.1, 2.0),
            leakage: between(0.001, 0.02),
            masses: [
                (between(240.0, 600.0), between(3.0, 8.0)),
                (between(30.0, 120.0), between(1.0, 4.0)),
            ],
            drift: 0.0,
            white: between(1.0, 4.0).exp2() * 1.5,
            flicker: between(0.0, 4.0).exp2() * 1.5,
            swing: 0.0,
            period: 86_400.0,
            wander: 0.0,
            temperature: between(18.0, 26.0),
        }
    }

    /// The rig with this unit on it, as it is, or without noise and errors.
    fn rig(&self, as_it_is: bool) -> Rig {
        let (gain, offset, steps, clock) = if as_it_is {
            // Anything up to the bound of 0.5 mV.
            (self.gain, self.offset, 0.5 / 3f64.sqrt(), self.clock)
        } else {
            (0.0, 0.0, 0.0, 0.0)
        };
        let (white, flicker, noise) = if as_it_is {
            (self.white, self.flicker, -92.0)
        } else {
            (0.0, 0.0, -200.0)
        };
        let [(case, case_rise), (pair, pair_rise)] = self.masses;
        let text = format!(
            "
nightbench: rig 1
name: bench
wiring:
  simulated:
    seed: {seed}
    room: {{temperature: {room} degC, swing: {swing} K, period: {period} s, wander: {wander} K}}
    interfaces:
      keys: {{specimen: {seed}, bits: 32, step_error: {steps} mV, gain_error: {gain} ppm, offset_error: {offset} mV, gain_drift: 0 ppm/K, offset_drift: 0 uV/K, output_resistance: 0 ohm}}
    input: {{rate: 48 kHz, clock_error: {clock} ppm, noise: {noise} dBFS}}
    units:
      left:
        trimmers: {{scale: {scale} cents/oct}}
        converter: {{trimmed_at: {trimmed} degC, compensation: {compensation} ppm/K, compensation_lag: {lag} s, reference_drift: {reference} ppm/K, bulk_resistance: {bulk} ohm}}
        core: {{current_at_1khz: 8 uA, reset_time: {reset} us, leakage: {leakage} nA}}
        warming: [{{time: {case} s, rise: {case_rise} K}}, {{time: {pair} s, rise: {pair_rise} K}}]
        drift: {drift} cents/h
        phase_noise: {{white: {white} ppm, flicker: {flicker} ppm}}
    instruments: {{psu: supply, air: thermometer}}
supplies: {{rack: {{by: {{instrument: psu}}, voltage: 12 V, current_limit: 1 A}}}}
positions:
  left:
    cv: {{sender: keys, channel: 1, law: {{volts_per_octave: {{zero: C1 = 0 V}}}}, safe: {{from: 0 V, to: 8 V}}}}
    input: 1
    supply: rack
thermometer: air
bounds: {{sample_clock: 50 ppm, cv_gain: 0.1 %, cv_offset: 5 mV, cv_step: 0.5 mV, cv_gain_drift: 0 %, cv_offset_drift: 0 mV, cv_output_resistance: 0 ohm, cv_session: 0 %, thermometer: 0 K}}
",
            seed = self.specimen,
            room = self.temperature,
            swing = self.swing,
            wander = self.wander,
            period = self.period,
            scale = self.scale,
            trimmed = 22.0 + case_rise + pair_rise,
            compensation = self.compensation,
            lag = self.compensation_lag,
            reference = self.reference_drift,
            bulk = self.bulk,
            reset = self.reset,
            leakage = self.leakage,
            drift = self.drift,
        );
        read_rig("rig.yaml", text.as_bytes())
            .unwrap_or_else(|error| panic!("{error:?}\n{text}"))
            .value
    }
}

fn left() -> PositionId {
    PositionId::new("left")
}

fn header() -> RunHeader {
    RunHeader {
        plan_text: String::new(),
        rig_text: String::new(),
        units: BTreeMap::from([(left(), Unit::default())]),
        program_version: String::new(),
        seed: None,
        began: Timestamp::UNIX_EPOCH,
    }
}

fn powered(rig: &Rig, planned: &[PlannedReading]) -> (Bench, model::record::RunRecord) {
    let bench = Bench::new(rig).expect("the rig can be simulated");
    let on = Some(RunTime::START + Seconds::of(POWER));
    let record = bench.record(header(), on, planned, 0);
    (bench, record)
}

/// The readings of a plan of rounds, four seconds a note.
fn planned(plan: &Plan) -> Vec<PlannedReading> {
    let mut planned = Vec::new();
    let mut began = POWER;
    for (stage, rounds) in (0u16..).zip(&plan.stages) {
        let Stage::Rounds(rounds) = rounds else {
            continue;
        };
        let count = (rounds.lasts / rounds.every).round() as u32;
        for round in 0..count {
            for (slot, note) in (0u16..).zip(PLAYED) {
                let after = rounds.every.get() * f64::from(round) + 4.0 * f64::from(slot) + 2.0;
                planned.push(PlannedReading {
                    key: ReadingKey {
                        stage,
                        round,
                        slot,
                        repeat: 0,
                        attempt: 0,
                        position: left(),
                    },
                    pitch: Note::from_number(note).pitch(),
                    at: RunTime::START + Seconds::of(began + after),
                    window: Seconds::of(0.5),
                });
            }
        }
        began += rounds.lasts.get();
    }
    planned
}

/// The unit without noise on a rig without errors.
struct Truth(Bench);

impl Truth {
    fn of(draw: &Draw) -> Self {
        Self(powered(&draw.rig(false), &[]).0)
    }

    /// Deviation of the note `x` octaves above C4, so many seconds after power-on.
    fn cents(&self, t: f64, x: f64) -> f64 {
        let pitch = Note::from_number((60.0 + 12.0 * x) as i16).pitch();
        let at = HostTime::from_nanoseconds(((POWER + t - 0.25) * 1e9) as i64);
        let found = self.0.reading(&left(), pitch, at, Seconds::of(0.5), 0);
        let hz = found.expect("the unit is on").truth.get();
        // A4 is 440 Hz (ISO 16), C4 nine semitones below.
        1200.0 * (hz / (440.0 * (x - 0.75).exp2())).log2()
    }

    fn all(&self, t: f64) -> [f64; 6] {
        X.map(|x| self.cents(t, x))
    }

    /// The slope of `e = a + b x + c (u - 1)`, by least squares.
    fn scale_error(&self, t: f64) -> f64 {
        let e = self.all(t);
        let u = |note: usize| (X[note] + (e[note] - e[2]) / 1200.0).exp2();
        let model = DMatrix::from_fn(6, 3, |note, term| match term {
            0 => 1.0,
            1 => X[note],
            _ => u(note) - 1.0,
        });
        let solved = model
            .svd(true, true)
            .solve(&DVector::from_row_slice(&e), 1e-12);
        solved.expect("it can be solved")[1]
    }

    fn left(e: &[f64; 6], b: f64) -> f64 {
        let off = || e.iter().zip(X).map(|(e, x)| e - b * x);
        (off().fold(f64::MIN, f64::max) - off().fold(f64::MAX, f64::min)) / 2.0
    }

    fn retuned(&self, t: f64) -> f64 {
        Self::left(&self.all(t), 0.0)
    }

    /// Of all rounds from an hour on.
    fn trimmed(&self) -> f64 {
        let rounds: Vec<[f64; 6]> = (0..20)
            .map(|round| self.all(3614.0 + 600.0 * f64::from(round)))
            .collect();
        let worst = |b: f64| rounds.iter().map(|e| Self::left(e, b)).fold(0.0, f64::max);
        // It has one minimum; thirds close in on it.
        let (mut low, mut high) = (-30.0, 30.0);
        for _ in 0..60 {
            let third = (high - low) / 3.0;
            if worst(low + third) < worst(high - third) {
                high -= third;
            } else {
                low += third;
            }
        }
        worst(low)
    }

    /// From when on a deviation stays within 3 cents, to a tenth of a second; 0 where it
    /// always is, infinity where it never does. What leaves them for less than 15 s is not seen.
    fn settles(&self, off: impl Fn(f64) -> f64) -> f64 {
        let steps = (1..=960).rev().map(|step| 15.0 * f64::from(step));
        let Some(mut outside) = steps.into_iter().find(|t| off(*t) > 3.0) else {
            return 0.0;
        };
        if outside > 14_390.0 {
            return f64::INFINITY;
        }
        let mut inside = outside + 15.0;
        while inside - outside > 0.1 {
            let middle = f64::midpoint(outside, inside);
            if off(middle) > 3.0 {
                outside = middle;
            } else {
                inside = middle;
            }
        }
        inside
    }

    fn warm_up(&self) -> f64 {
        let end = self.cents(15_000.0, 0.0);
        self.settles(|t| (self.cents(t, 0.0) - end).abs())
    }

    fn ready(&self) -> f64 {
        self.settles(|t| self.retuned(t))
    }

    /// After a tuning in the round at 40 min, whose middle is 14 s in.
    fn tuned_once(&self) -> f64 {
        let tuned = self.cents(2414.0, 0.0);
        let ends = (0..22).map(|round| 2414.0 + 600.0 * f64::from(round));
        ends.flat_map(|t| self.all(t).map(|e| (e - tuned).abs()))
            .fold(0.0, f64::max)
    }
}

/// How often intervals held, of how many that were stated.
#[derive(Debug, Clone, Copy, Default)]
pub struct Held {
    pub held: u32,
    pub stated: u32,
}

impl Held {
    pub fn share(self) -> f64 {
        f64::from(self.held) / f64::from(self.stated)
    }

    fn count(&mut self, found: &Outcome, truth: f64) {
        if found.low.is_none() && found.high.is_none() {
            return;
        }
        let low = found.low.unwrap_or(f64::NEG_INFINITY);
        let high = found.high.unwrap_or(f64::INFINITY);
        self.stated += 1;
        self.held += u32::from(low <= truth && truth <= high);
    }
}

fn found(analysis: &Analysis, name: ResultName) -> &Outcome {
    // The last one is that of the tolerance, where there is one.
    analysis
        .outcomes
        .iter()
        .rfind(|outcome| outcome.stage == "night" && outcome.name == name)
        .expect("the result is there")
}

/// Results of a usual night in a steady room.
pub fn levels(nights: u64) -> Vec<(ResultName, Held)> {
    use ResultName as N;
    let plan = plan(
        LEVELS,
        "{result: error_after_one_tuning, of: night, allow: {at_most: 5 cents}, meaning: {tuned_at: 40 min}}",
    );
    let planned = planned(&plan);
    let names = [
        N::ScaleError,
        N::ErrorLeftAfterRetuning,
        N::ErrorLeftAfterTrimming,
        N::WarmUpTime,
        N::ReadyAfter,
        N::ErrorAfterOneTuning,
    ];
    let mut held = names.map(|name| (name, Held::default()));
    for night in 0..nights {
        let mut random = Random::new(300_000 + night);
        let mut draw = Draw::new(&mut random, night);
        // Half of the units are well trimmed, or few would ever be ready.
        if night % 2 == 0 {
            draw.scale /= 10.0;
            draw.gain /= 10.0;
        }
        let rig = draw.rig(true);
        let analysis = analyse(&plan, &rig, &powered(&rig, &planned).1);
        let truth = Truth::of(&draw);
        for (name, held) in &mut held {
            let found = found(&analysis, *name);
            let at = found.t_s.unwrap_or(0.0);
            let value = match name {
                N::ScaleError => truth.scale_error(at),
                N::ErrorLeftAfterRetuning => truth.retuned(at),
                N::ErrorLeftAfterTrimming => truth.trimmed(),
                N::WarmUpTime => truth.warm_up(),
                N::ReadyAfter => truth.ready(),
                _ => truth.tuned_once(),
            };
            held.count(found, value);
        }
    }
    held.to_vec()
}

/// The rate of a steady drift, under the unit's own noise.
pub fn drift(nights: u64) -> Held {
    let plan = plan(LEVELS, "");
    let planned = planned(&plan);
    let mut held = Held::default();
    for night in 0..nights {
        let mut random = Random::new(400_000 + night);
        let mut draw = Draw::new(&mut random, night);
        draw.drift = 2.0 * random.uniform() - 1.0;
        let rig = draw.rig(true);
        let analysis = analyse(&plan, &rig, &powered(&rig, &planned).1);
        held.count(found(&analysis, ResultName::DriftRate), draw.drift);
    }
    held
}

/// What a kelvin does, where the room goes up and down: held against the same unit in two
/// steady rooms a kelvin apart.
pub fn coefficients(nights: u64) -> [Held; 2] {
    let plan = plan(ALL_NIGHT, "");
    let planned = planned(&plan);
    let mut held = [Held::default(); 2];
    for night in 0..nights {
        let mut random = Random::new(500_000 + night);
        let mut draw = Draw::new(&mut random, night);
        draw.swing = 2.0 + 2.0 * random.uniform();
        draw.period = 28_800.0 + 14_400.0 * random.uniform();
        draw.wander = 0.1 + 0.3 * random.uniform();
        let rig = draw.rig(true);
        let record = powered(&rig, &planned).1;
        let analysis = analyse(&plan, &rig, &record);
        // What a kelvin does depends on how warm it is.
        let air = record.readings.iter().skip(record.readings.len() / 7);
        let air: Vec<f64> = air.filter_map(|r| Some(r.conditions.air?.get())).collect();
        let mean = air.iter().sum::<f64>() / air.len() as f64;
        let steady = |more: f64| {
            let truth = Truth::of(&Draw {
                temperature: mean + more,
                swing: 0.0,
                wander: 0.0,
                ..draw.clone()
            });
            [truth.cents(36_000.0, 0.0), truth.scale_error(36_000.0)]
        };
        let (cooler, warmer) = (steady(-0.5), steady(0.5));
        let names = [
            ResultName::OffsetTemperatureCoefficient,
            ResultName::ScaleTemperatureCoefficient,
        ];
        for (place, name) in names.into_iter().enumerate() {
            held[place].count(found(&analysis, name), warmer[place] - cooler[place]);
        }
    }
    held
}

#[test]
fn intervals_hold_the_truth_of_units_with_physics() {
    for (name, held) in levels(NIGHTS) {
        println!("{name}: {held:?}");
        assert!(held.share() >= LEAST, "{name} {held:?}");
        assert!(held.stated > NIGHTS as u32 / 3, "{name} {held:?}");
    }
    let [offset, scale] = coefficients(NIGHTS / 2);
    for held in [drift(NIGHTS), offset, scale] {
        println!("{held:?}");
        assert!(held.share() >= LEAST - 0.05, "{held:?}");
        assert!(held.stated > NIGHTS as u32 / 3, "{held:?}");
    }
}
