//! How often 95 % intervals hold the truth, over a few dozen nights of random units on
//! random rigs. It shows an interval that is badly too narrow; the long form, with
//! narrow bounds over 2000 nights, is `--example coverage`.

use crate::night::{Random, plan, play, rig};
use crate::truth::unit;
use analysis::analyse;
use model::result::ResultName;

const NIGHTS: u64 = 40;
/// 95 % less three standard deviations of so small a count (3.4 % each).
const LEAST: f64 = 0.85;

/// A result and what it truly is.
pub type Known = (ResultName, fn(&Truth) -> f64);

/// Results of a usual night.
pub const LEVELS: [Known; 5] = [
    (ResultName::ScaleError, |truth| truth.b),
    (ResultName::ErrorLeftAfterRetuning, |truth| truth.left(0.0)),
    (ResultName::ErrorLeftAfterTrimming, Truth::trimmed),
    (ResultName::WarmUpTime, Truth::warm_up),
    (ResultName::ErrorAfterOneTuning, Truth::tuned_once),
];

const SHORT_NIGHT: &str = "
  - power_on
  - rounds: {name: warming, notes: {list: [C4, C2, C3, C5, C6, C7, C4]}, every: 1 min, for: 30 min}
  - rounds: {name: night, notes: {list: [C4, C2, C3, C5, C6, C7, C4]}, every: 10 min, for: 4 h}";

/// Share of nights in which each interval holds its truth.
pub fn held(nights: u64, names: &[Known], make: impl Fn(&mut Random) -> Truth) -> Vec<f64> {
    let plan = plan(
        SHORT_NIGHT,
        "{result: error_after_one_tuning, of: night, allow: {at_most: 5 cents}, meaning: {tuned_at: 40 min}}",
    );
    let rig = rig(
        "sample_clock: 0 ppm, cv_gain: 0.1 %, cv_offset: 5 mV, cv_step: 0.5 mV, cv_gain_drift: 0 %, cv_offset_drift: 0 mV, cv_output_resistance: 0 ohm, cv_session: 0 %, thermometer: 0 K",
    );
    let mut counts = vec![0u32; names.len()];
    for night in 0..nights {
        let mut random = Random::new(1000 + night);
        let truth = make(&mut random);
        let gain = 1e-3 * (2.0 * random.uniform() - 1.0);
        let steps: Vec<f64> = (0..8)
            .map(|_| 0.5e-3 * (2.0 * random.uniform() - 1.0))
            .collect();
        let record = play(&plan, truth.noise, night, |slot, random| {
            let volts = slot.x + 3.0;
            truth.cents(slot.t, slot.x)
                + 1200.0 * (gain * volts + steps[volts.round() as usize])
                + truth.noise * random.normal()
        });
        let analysis = analyse(&plan, &rig, &record);
        for (count, (name, value)) in counts.iter_mut().zip(names) {
            // The last one is that of the tolerance, where there is one.
            let result = analysis
                .outcomes
                .iter()
                .rfind(|outcome| outcome.stage == "night" && outcome.name == *name)
                .unwrap();
            let value = value(&truth);
            let low = result.low.unwrap_or(f64::NEG_INFINITY);
            let high = result.high.unwrap_or(f64::INFINITY);
            *count += u32::from(low <= value && value <= high);
        }
    }
    counts
        .into_iter()
        .map(|count| f64::from(count) / nights as f64)
        .collect()
}

pub struct Truth {
    pub b: f64,
    /// How much more the slope is when cold, in cents per octave.
    pub b_cold: f64,
    pub c: f64,
    pub warm: f64,
    pub tau: f64,
    pub noise: f64,
}

const X: [f64; 6] = [-2.0, -1.0, 0.0, 1.0, 2.0, 3.0];

impl Truth {
    pub fn cents(&self, t: f64, x: f64) -> f64 {
        let cold = (-t / self.tau).exp();
        unit(
            self.warm * cold,
            self.b + self.b_cold * cold,
            self.c,
            0.0,
            x,
        )
    }
    pub fn left(&self, b: f64) -> f64 {
        let off: Vec<f64> = X
            .iter()
            .map(|x| unit(0.0, self.b, self.c, 0.0, *x) - b * x)
            .collect();
        let high = off.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let low = off.iter().copied().fold(f64::INFINITY, f64::min);
        (high - low) / 2.0
    }
    pub fn trimmed(&self) -> f64 {
        (-4000..4000)
            .map(|b| self.left(f64::from(b) * 0.005))
            .fold(f64::INFINITY, f64::min)
    }
    /// Largest deviation after a tuning in the round at 40 min, whose middle is 14 s in.
    pub fn tuned_once(&self) -> f64 {
        let tuned = self.cents(2414.0, 0.0);
        let ends = (0..22).map(|round| 2414.0 + 600.0 * f64::from(round));
        ends.flat_map(|t| X.map(|x| (self.cents(t, x) - tuned).abs()))
            .fold(0.0, f64::max)
    }
    /// When the error left after retuning comes within 3 cents.
    pub fn ready(&self) -> f64 {
        let left = |t: f64| {
            let off: Vec<f64> = X.iter().map(|x| self.cents(t, *x)).collect();
            let high = off.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            (high - off.iter().copied().fold(f64::INFINITY, f64::min)) / 2.0
        };
        (0..14_400)
            .map(f64::from)
            .find(|t| left(*t) <= 3.0)
            .unwrap_or(f64::INFINITY)
    }
    /// When the reference note comes within 3 cents of nothing.
    pub fn warm_up(&self) -> f64 {
        (self.tau * (self.warm.abs() / 3.0).ln()).max(0.0)
    }
}

pub fn usual(random: &mut Random) -> Truth {
    let noise = [0.02, 0.1, 0.3][(random.uniform() * 3.0) as usize];
    Truth {
        b: 3.0 * random.normal(),
        b_cold: 0.0,
        c: 0.6 * random.normal(),
        warm: 10.0 + 20.0 * random.uniform(),
        tau: 300.0 + 900.0 * random.uniform(),
        noise,
    }
}

#[test]
fn intervals_hold_the_truth_about_as_often_as_they_say() {
    let held = held(NIGHTS, &LEVELS, usual);
    for ((name, _), held) in LEVELS.iter().zip(&held) {
        println!("{name}: {held}");
    }
    for ((name, _), held) in LEVELS.iter().zip(&held) {
        assert!(*held >= LEAST, "{name} held in {held}");
    }
}

#[test]
fn ready_after_is_found_or_said_not_to_be_reached() {
    let names: [Known; 1] = [(ResultName::ReadyAfter, Truth::ready)];
    let held = held(NIGHTS, &names, |random| Truth {
        b: 0.4 * random.normal(),
        b_cold: 2.0 + 2.0 * random.uniform(),
        c: 0.0,
        ..usual(random)
    });
    println!("ready_after: {}", held[0]);
    assert!(held[0] >= LEAST, "held in {}", held[0]);
}
