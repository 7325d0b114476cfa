//! What jitter truly does to results that are about it: mean squares of the noise of the
//! simulator's oscillators.

use super::case::WINDOW;
use super::trial::{CENTS, OFF_THE_MEAN, Trial};
use simulator::noise::{Source, TimeError};
use std::collections::BTreeMap;
use std::sync::Mutex;

/// The mean square of `sum weight x(t)`, x being the time error of an oscillator and the
/// weights adding up to nothing; in cents squared.
pub fn of_noise(terms: &[(f64, f64)], white: f64, flicker: f64) -> f64 {
    // White noise of the frequency is a walk of x: a difference over t has the variance t.
    let apart = |(a, b): (&(f64, f64), &(f64, f64))| -0.5 * a.1 * b.1 * (a.0 - b.0).abs();
    let pairs = terms.iter().flat_map(|a| terms.iter().map(move |b| (a, b)));
    let walk: f64 = pairs.map(apart).sum();
    CENTS * CENTS * (white * white * walk + flicker * flicker * of_flicker(terms))
}

/// The same of flicker of one, by trial; kept, since it is the same for all units.
fn of_flicker(terms: &[(f64, f64)]) -> f64 {
    static KEPT: Mutex<BTreeMap<Vec<u64>, f64>> = Mutex::new(BTreeMap::new());
    const TRIALS: u64 = 8_000;
    let key = terms
        .iter()
        .flat_map(|term| [term.0.to_bits(), term.1.to_bits()]);
    let mut kept = KEPT.lock().expect("nobody panics with it");
    *kept.entry(key.collect()).or_insert_with(|| {
        let square = |number: u64| {
            let noise = TimeError::new(Source::new(number, "reckoned"), 0.0, 1.0);
            let at = |t: &f64| noise.at(1000.0 + 7.77 * number as f64 + t);
            terms
                .iter()
                .map(|(t, weight)| weight * at(t))
                .sum::<f64>()
                .powi(2)
        };
        (0..TRIALS).map(square).sum::<f64>() / TRIALS as f64
    })
}

/// The mean frequency over a reading's window about a time, times a weight.
fn window(middle: f64, weight: f64) -> [(f64, f64); 2] {
    let weight = weight / WINDOW;
    [
        (middle + WINDOW / 2.0, weight),
        (middle - WINDOW / 2.0, -weight),
    ]
}

/// The difference between readings at some times and at the same times so much later.
fn later(visits: &[f64], apart: f64) -> Vec<(f64, f64)> {
    let share = 1.0 / visits.len() as f64;
    let of_visit = |visit: &f64| {
        let both = [window(visit + apart, share), window(*visit, -share)];
        both.into_iter().flatten()
    };
    visits.iter().flat_map(of_visit).collect()
}

/// Half the mean square of changes over so many seconds, of noise alone.
pub fn half_of_changes(trial: &Trial, visits: &[f64], apart: f64) -> f64 {
    let unit = &trial.unit;
    let oscillator = of_noise(&later(visits, apart), unit.white, unit.flicker);
    let walk = unit.walk.powi(2) * apart;
    let scatter = 2.0 * unit.scatter.powi(2) / visits.len() as f64;
    (oscillator + walk + scatter) / 2.0
}

/// Of a note that is left and come back to within a round, pooled over all: the unit's, what
/// it feels of the side it is come to from, and the meter's.
pub fn returns(trial: &Trial, stage: u16) -> Option<f64> {
    let slots = trial.timetable.slots.iter();
    let round: Vec<_> = slots
        .filter(|slot| slot.stage == stage && slot.round == 0)
        .collect();
    let mut pairs = Vec::new();
    for (place, one) in round.iter().enumerate() {
        let again = round[place + 1..]
            .iter()
            .find(|other| other.pitch == one.pitch);
        if let Some(other) = again {
            let sides = (other.from_above - one.from_above) / 2.0 * trial.unit.hysteresis;
            pairs.push(half_of_changes(trial, &[0.0], other.t - one.t) + sides * sides / 2.0);
        }
    }
    let meter = CENTS.powi(2) * trial.unit.white.powi(2) * OFF_THE_MEAN / WINDOW;
    (!pairs.is_empty()).then(|| (pairs.iter().sum::<f64>() / pairs.len() as f64 + meter).sqrt())
}
