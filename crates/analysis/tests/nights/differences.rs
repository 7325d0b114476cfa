//! Differences of two nights of one unit on one rig, with simulated truth: the gain and
//! the steps of the control voltage are really the same in both, the unit is not.

use crate::night::{Random, plan, play, rig};
use crate::truth::unit;
use analysis::comparison::difference;
use analysis::{Identity, analyse};
use model::record::PositionId;
use model::result::{Outcome, ResultName};

const SHORT_NIGHT: &str = "
  - power_on
  - rounds: {name: warming, notes: {list: [C4, C2, C3, C5, C6, C7, C4]}, every: 1 min, for: 30 min}
  - rounds: {name: night, notes: {list: [C4, C2, C3, C5, C6, C7, C4]}, every: 10 min, for: 4 h}";

/// A unit that is a formula: a slope and a high end, cold by so many cents at first.
struct Truth {
    b: f64,
    c: f64,
    warm: f64,
    tau: f64,
    noise: f64,
}

const X: [f64; 6] = [-2.0, -1.0, 0.0, 1.0, 2.0, 3.0];

impl Truth {
    fn usual(random: &mut Random) -> Self {
        let noise = [0.02, 0.1, 0.3][(random.uniform() * 3.0) as usize];
        Self {
            b: 3.0 * random.normal(),
            c: 0.6 * random.normal(),
            warm: 10.0 + 20.0 * random.uniform(),
            tau: 300.0 + 900.0 * random.uniform(),
            noise,
        }
    }
    fn cents(&self, t: f64, x: f64) -> f64 {
        unit(self.warm * (-t / self.tau).exp(), self.b, self.c, 0.0, x)
    }
    /// What retuning leaves once a slope is trimmed away.
    fn left(&self, b: f64) -> f64 {
        let off: Vec<f64> = X
            .iter()
            .map(|x| unit(0.0, self.b, self.c, 0.0, *x) - b * x)
            .collect();
        let high = off.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let low = off.iter().copied().fold(f64::INFINITY, f64::min);
        (high - low) / 2.0
    }
    fn trimmed(&self) -> f64 {
        (-4000..4000)
            .map(|b| self.left(f64::from(b) * 0.005))
            .fold(f64::INFINITY, f64::min)
    }
    /// When the reference note comes within 3 cents of nothing.
    fn warm_up(&self) -> f64 {
        (self.tau * (self.warm.abs() / 3.0).ln()).max(0.0)
    }
}

/// A result and what it truly is.
type Known = (ResultName, fn(&Truth) -> f64);

const WATCHED: [Known; 4] = [
    (ResultName::ScaleError, |truth| truth.b),
    (ResultName::ErrorLeftAfterRetuning, |truth| truth.left(0.0)),
    (ResultName::ErrorLeftAfterTrimming, Truth::trimmed),
    (ResultName::WarmUpTime, Truth::warm_up),
];

/// What came of pairs of nights.
struct Found {
    /// Share of pairs whose interval holds the true difference.
    held: f64,
    /// Share of pairs of which a difference is stated, with both ends of its interval.
    stated: f64,
    /// Mean standard uncertainty of the difference, and of the two as if nothing cancelled.
    u: f64,
    u_apart: f64,
}

/// Pairs of nights, the unit trimmed, warmed up differently or as it was in between.
fn pairs(nights: u64) -> Vec<Found> {
    let plan = plan(SHORT_NIGHT, "");
    let rig = rig(
        "sample_clock: 0 ppm, cv_gain: 0.3 %, cv_offset: 5 mV, cv_step: 0.5 mV, cv_gain_drift: 0 %, cv_offset_drift: 0 mV, cv_output_resistance: 1 kohm, cv_session: 0.01 %, thermometer: 0 K",
    );
    let loading = 1.0 / 101.0;
    let mut sums = vec![(0u64, 0.0, 0.0, 0u64); WATCHED.len()];
    let position = PositionId::new("left");
    for night in 0..nights {
        let mut random = Random::new(7_000 + night);
        let mut within = |limit: f64| limit * (2.0 * random.uniform() - 1.0);
        let shared = within(0.003) + within(loading);
        let sessions = [within(1e-4), within(1e-4)];
        let steps: Vec<f64> = (0..8).map(|_| within(0.5e-3)).collect();
        let before = Truth::usual(&mut random);
        let after = match night % 3 {
            // Trimmed.
            0 => Truth {
                b: 0.2 * random.normal(),
                ..before
            },
            // As it was.
            1 => Truth { ..before },
            // Repaired: another unit in all but its serial number.
            _ => Truth::usual(&mut random),
        };
        let results = [(&before, sessions[0]), (&after, sessions[1])].map(|(truth, session)| {
            let seed = 2 * night + u64::from(std::ptr::eq(truth, &raw const after));
            let mut record = play(&plan, truth.noise, seed, |slot, random| {
                let volts = slot.x + 3.0;
                truth.cents(slot.t, slot.x)
                    + 1200.0 * ((shared + session) * volts + steps[volts.round() as usize])
                    + truth.noise * random.normal()
            });
            if let Some(unit) = record.header.units.get_mut(&position) {
                unit.serial = "U-1".to_owned();
            }
            (analyse(&plan, &rig, &record), record)
        });
        let [one, other] = &results;
        let identity = |record| Identity::of(&rig, record, &position);
        let mut common = identity(&one.1).in_common(&identity(&other.1));
        common.notes = true;
        for (sum, (name, value)) in sums.iter_mut().zip(WATCHED) {
            let of = |outcomes: &[Outcome]| -> Outcome {
                let found = outcomes
                    .iter()
                    .find(|outcome| outcome.stage == "night" && outcome.name == name);
                found.expect("it is asked for").clone()
            };
            let (a, b) = (of(&one.0.outcomes), of(&other.0.outcomes));
            let truth = value(&after) - value(&before);
            let Some(found) = difference(&a, &b, common) else {
                // Without a value nothing is said, and nothing wrong.
                sum.0 += 1;
                continue;
            };
            let low = found.low.unwrap_or(f64::NEG_INFINITY);
            let high = found.high.unwrap_or(f64::INFINITY);
            sum.0 += u64::from(low <= truth && truth <= high);
            sum.1 += found.u.unwrap_or(0.0);
            sum.2 += a.u().unwrap_or(0.0).hypot(b.u().unwrap_or(0.0));
            sum.3 += u64::from(found.low.is_some() && found.high.is_some());
        }
    }
    let n = nights as f64;
    sums.into_iter()
        .map(|(held, u, u_apart, stated)| Found {
            held: held as f64 / n,
            stated: stated as f64 / n,
            u: u / n,
            u_apart: u_apart / n,
        })
        .collect()
}

fn check(nights: u64, least: f64, most: f64) {
    let found = pairs(nights);
    for ((name, _), found) in WATCHED.iter().zip(&found) {
        println!(
            "{name}: stated in {:.2}, held in {:.4}; u {:.3} where nothing cancelling gives {:.3}",
            found.stated, found.held, found.u, found.u_apart
        );
    }
    for ((name, _), found) in WATCHED.iter().zip(&found) {
        let held = found.held;
        assert!((least..=most).contains(&held), "{name} held in {held}");
        // What is never stated is always held.
        assert!(found.stated > 0.8, "{name} stated in {}", found.stated);
    }
    // A gain and a load of 7 cents per octave go out of the scale error, and of the sizes
    // nearly as well where they move both alike.
    assert!(found[0].u < 0.2 * found[0].u_apart);
    assert!(found[1].u < 0.5 * found[1].u_apart);
    assert!(found[2].u < found[2].u_apart);
}

/// 95 % less four standard deviations of so small a count (2.4 % each).
#[test]
fn the_true_difference_is_held_about_as_often_as_it_is_said_to_be() {
    check(80, 0.85, 1.0);
}

/// Asked for are 93 to 98 %, and a count of 300 scatters by 1.3 %. Scale error and error left
/// after trimming come out near the upper end: what repeats off the curve beyond the
/// limits of the steps is taken as each night's own, and here it is not.
/// `cargo test -p analysis --test nights -- --ignored --nocapture the_true_difference`
#[test]
#[ignore = "takes minutes; the figures asked for"]
fn the_true_difference_is_held_in_93_to_98_of_100() {
    check(300, 0.93 - 0.013, 0.98 + 0.013);
}
