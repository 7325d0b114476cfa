//! The rate of drift over a stretch of time, and what its uncertainty is when
//! the unit itself wanders.
//!
//! The estimate is the Theil-Sen slope (Sen 1968, J. Am. Stat. Assoc. 63:1379).
//! A plain interval for it takes deviations to be independent and covers far too
//! little where they wander. So the interval comes from models of the noise (white,
//! flicker, a random walk, white noise on a walk): generalised least squares under
//! each, weighted by its restricted likelihood (Patterson and Thompson 1971, Biometrika
//! 58:545). With few readings it is the mean increment and two standard deviations of it.
//!
//! A walk too weak to be seen beside white noise over one night moves the slope all
//! the same, and no interval can hold its 95 % both with such a walk and without. The
//! weights below are those with which each kind of noise by itself is held in 93 to
//! 98 % of nights of 48 rounds. Where white noise hides a walk it is less, 70 to 95 %, and
//! least where the walk moves the slope as much as the noise does; `--example coverage`
//! shows it.

use crate::statistics::trials::Trials;
use crate::statistics::{quantile, standard_deviation};
use nalgebra::{DMatrix, DVector};

/// From so many readings on the noise model is used.
const READINGS_FOR_MODEL: usize = 10;
/// Longer series are averaged in groups down to this.
const MOST: usize = 120;
/// Draws of the interval.
const DRAWS: usize = 4000;
/// Values are not taken to be better known than to a thousandth of a cent.
const LEAST_OWN: f64 = 1e-6;
/// Sizes of wandering that are tried beside known noise: from a sixteenth of its variance,
/// four times as much each.
const SIZES: usize = 9;
/// That there is no more than the known noise is so much likelier beforehand than each kind
/// of wandering. With this warm-up times are held about as often where there is none as
/// where a unit wanders as much as its noise.
const NOTHING_LIKELY: f64 = 8.0;

/// A drift rate in cents per second.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Drift {
    pub(crate) rate: f64,
    pub(crate) u: f64,
    pub(crate) low: f64,
    pub(crate) high: f64,
}

/// The median of the slopes between all pairs of points at different times.
pub(crate) fn theil_sen(times: &[f64], values: &[f64]) -> Option<f64> {
    let mut slopes = Vec::with_capacity(times.len() * times.len().saturating_sub(1) / 2);
    for first in 0..times.len() {
        for second in first + 1..times.len() {
            let time = times[second] - times[first];
            if time != 0.0 {
                slopes.push((values[second] - values[first]) / time);
            }
        }
    }
    if slopes.is_empty() {
        return None;
    }
    slopes.sort_by(f64::total_cmp);
    Some(quantile(&slopes, 0.5))
}

/// The drift rate of values at ascending times; `None` with fewer than three
/// different times.
pub(crate) fn drift(times: &[f64], values: &[f64], trials: &mut Trials) -> Option<Drift> {
    let (times, values) = grouped(times, values);
    let (times, values) = (&times[..], &values[..]);
    let different = times.windows(2).filter(|pair| pair[1] > pair[0]).count() + 1;
    if different < 3 {
        return None;
    }
    let rate = theil_sen(times, values)?;
    let (low, high, u) = if different < READINGS_FOR_MODEL {
        mean_increment(times, values)
    } else {
        noise_model(times, values, trials)
    };
    // The interval is that of another estimate of the same rate. Where the two disagree
    // (the course is no straight line with noise) it reaches to this one all the same.
    Some(Drift {
        rate,
        u,
        low: low.min(rate),
        high: high.max(rate),
    })
}

/// How far a value and the mean of later ones may have wandered apart: of each kind of
/// noise how likely it is and the standard deviation, 0 for white noise.
#[derive(Debug, Clone, Default, PartialEq)]
pub(crate) struct Apart(Vec<(f64, f64)>);

impl Apart {
    /// Draws so many, in no order.
    pub(crate) fn draws(&self, count: usize, trials: &mut Trials) -> Vec<f64> {
        let mut draws = Vec::with_capacity(count);
        for _ in 0..count {
            let mut left = 0.5 * (trials.within(1.0) + 1.0);
            let kind = self.0.iter().find(|(likely, _)| {
                left -= likely;
                left <= 0.0
            });
            draws.push(kind.map_or(0.0, |(_, sd)| sd * trials.normal()));
        }
        draws
    }
}

/// How far the value at one time and the mean of those at later times may have wandered
/// apart by flicker and a walk, as far as values at `times` show them. Nothing where there
/// are too few to tell.
///
/// Of the values it is known how much white noise each has (`own`, a variance). What more
/// there is may be nothing, or white, flicker or a walk of any size up to much more than
/// the noise.
pub(crate) fn wander_between(
    times: &[f64],
    values: &[f64],
    own: f64,
    at: f64,
    later: &[f64],
) -> Apart {
    let group = times.len().div_ceil(MOST).max(1) as f64;
    let (times, values) = grouped(times, values);
    if times.len() < READINGS_FOR_MODEL || times.windows(2).any(|pair| pair[1] <= pair[0]) {
        return Apart::default();
    }
    let own = (own / group).max(LEAST_OWN);
    let (later, _) = grouped(later, later);
    let both: Vec<f64> = std::iter::once(at).chain(later).collect();
    let n = times.len();
    let step = (times[n - 1] - times[0]) / (n - 1) as f64;
    let covariances = Covariances::of(&times);
    // How these times depend on each other, by the same relaxations and steps.
    let between = Covariances::among(&both, step, &covariances.relaxations);
    let share = 1.0 / (both.len() - 1).max(1) as f64;
    let apart = DVector::from_fn(both.len(), |place, _| if place == 0 { 1.0 } else { -share });
    let square = |covariance: &DMatrix<f64>| (covariance * &apart).dot(&apart);
    let white = DMatrix::identity(n, n);
    // Each with what it is between those times. A walk of n steps goes as far as the
    // noise where a step has an n-th of its variance.
    let kinds = [
        (&white, 1.0, 0.0),
        (
            &covariances.flicker,
            1.0 / covariances.relaxations.len() as f64,
            square(&between.flicker),
        ),
        (&covariances.walk, 1.0 / n as f64, square(&between.walk)),
    ];
    let mut candidates = vec![(covariances.likelihood(&times, &values, &white * own), 0.0)];
    for (kind, unit, apart) in kinds {
        for place in 0..SIZES {
            let size = own * unit * 4f64.powi(place as i32 - 2);
            let covariance = &white * own + kind * size;
            let likelihood = covariances.likelihood(&times, &values, covariance);
            let beforehand = (SIZES as f64 * NOTHING_LIKELY).ln();
            candidates.push((likelihood - beforehand, size * apart));
        }
    }
    let likelihoods = candidates.iter().map(|(likelihood, _)| *likelihood);
    let best = likelihoods.fold(f64::NEG_INFINITY, f64::max);
    if !best.is_finite() {
        return Apart::default();
    }
    let weight = |likelihood: f64| (likelihood - best).exp();
    let total: f64 = candidates.iter().map(|(likely, _)| weight(*likely)).sum();
    let kinds = candidates.into_iter();
    Apart(
        kinds
            .map(|(likelihood, variance)| (weight(likelihood) / total, variance.sqrt()))
            .collect(),
    )
}

/// Means of adjoining readings, so that there are not too many.
fn grouped(times: &[f64], values: &[f64]) -> (Vec<f64>, Vec<f64>) {
    let size = times.len().div_ceil(MOST).max(1);
    let mean = |group: &[f64]| group.iter().sum::<f64>() / group.len() as f64;
    (
        times.chunks(size).map(mean).collect(),
        values.chunks(size).map(mean).collect(),
    )
}

/// The mean increment and two standard deviations of it either way.
fn mean_increment(times: &[f64], values: &[f64]) -> (f64, f64, f64) {
    let steps: Vec<f64> = values.windows(2).map(|pair| pair[1] - pair[0]).collect();
    let n = times.len() as f64;
    let per_step = (times[times.len() - 1] - times[0]) / (n - 1.0);
    let mean = steps.iter().sum::<f64>() / (n - 1.0) / per_step;
    let u = standard_deviation(&steps) / (n - 1.0).sqrt() / per_step;
    (mean - 2.0 * u, mean + 2.0 * u, u)
}

/// A model of the noise: so much white, flicker and walk, and how likely it is
/// beforehand against the others.
struct Kind {
    white: f64,
    flicker: f64,
    walk: f64,
    likely: f64,
}

/// Ratios of walk to white noise that are tried where both are there.
const RATIOS: usize = 9;
/// How likely these are beforehand together, where flicker or a walk alone is 1.
const BOTH_LIKELY: f64 = 0.05;
/// White noise alone is the usual thing by so much.
const WHITE_LIKELY: f64 = 2.0;
/// What is not white is now and then taken for something calmer. With its uncertainty
/// so much larger it is held as often as it should be.
const WIDER: f64 = 1.25;

impl Kind {
    /// Of `n` values.
    fn all(n: usize) -> Vec<Self> {
        let of = |white, flicker, walk, likely| Self {
            white,
            flicker,
            walk,
            likely,
        };
        // From a walk that only just matters over the whole stretch to one in which the
        // noise is lost.
        let (least, most) = (12.0 / (n as f64).powi(2), 30.0f64);
        let both = (0..RATIOS).map(|place| {
            let share = place as f64 / (RATIOS - 1) as f64;
            let walk = least * (most / least).powf(share);
            of(1.0, 0.0, walk, BOTH_LIKELY / RATIOS as f64)
        });
        [
            of(1.0, 0.0, 0.0, WHITE_LIKELY),
            of(0.0, 1.0, 0.0, 1.0),
            of(0.0, 0.0, 1.0, 1.0),
        ]
        .into_iter()
        .chain(both)
        .collect()
    }
}

/// The rate under one model of the noise.
struct Candidate {
    rate: f64,
    u: f64,
    log_likelihood: f64,
}

/// Low, high and standard deviation of the rate over all models.
fn noise_model(times: &[f64], values: &[f64], trials: &mut Trials) -> (f64, f64, f64) {
    let freedom = times.len() - 2;
    let covariances = Covariances::of(times);
    let candidates: Vec<Candidate> = Kind::all(times.len())
        .iter()
        .filter_map(|kind| covariances.candidate(times, values, kind))
        .collect();
    let best = candidates
        .iter()
        .map(|candidate| candidate.log_likelihood)
        .filter(|likelihood| likelihood.is_finite())
        .fold(f64::NEG_INFINITY, f64::max);
    let weights: Vec<f64> = candidates
        .iter()
        .map(|candidate| {
            let weight = (candidate.log_likelihood - best).exp();
            if weight.is_finite() { weight } else { 0.0 }
        })
        .collect();
    let total: f64 = weights.iter().sum();
    if !(total > 0.0 && best.is_finite()) {
        // All values the same, or on a line: there is no noise to model.
        return mean_increment(times, values);
    }
    let mut draws = Vec::with_capacity(DRAWS);
    let mut passed = 0.0;
    for (candidate, weight) in candidates.iter().zip(weights) {
        passed += weight / total * DRAWS as f64;
        while (draws.len() as f64) < passed - 0.5 {
            draws.push(
                candidate.rate + candidate.u * trials.normal() * trials.unknown_scale(freedom),
            );
        }
    }
    draws.sort_by(f64::total_cmp);
    (
        quantile(&draws, 0.025),
        quantile(&draws, 0.975),
        standard_deviation(&draws),
    )
}

/// Covariances of values at times, of flicker and of a walk.
struct Covariances {
    flicker: DMatrix<f64>,
    walk: DMatrix<f64>,
    /// The times of the relaxations that flicker is made of, in seconds.
    relaxations: Vec<f64>,
}

impl Covariances {
    fn of(times: &[f64]) -> Self {
        let span = times[times.len() - 1] - times[0];
        let step = span / (times.len() - 1) as f64;
        // Relaxations of like strength whose times lie a factor of three apart are
        // flicker from the shortest to the longest of them (van der Ziel 1950, Physica
        // 16:359; from memory).
        let mut relaxations = vec![step / 3.0];
        while let Some(last) = relaxations.last().filter(|last| **last < 3.0 * span) {
            relaxations.push(last * 3.0);
        }
        Self::among(times, step, &relaxations)
    }

    /// Among values at `times`: of flicker made of these relaxations, and of a walk whose
    /// variance grows by 1 in every `step`; all in seconds.
    fn among(times: &[f64], step: f64, relaxations: &[f64]) -> Self {
        let (n, first) = (times.len(), times[0]);
        Self {
            flicker: DMatrix::from_fn(n, n, |row, column| {
                let apart = (times[row] - times[column]).abs();
                relaxations.iter().map(|time| (-apart / time).exp()).sum()
            }),
            walk: DMatrix::from_fn(n, n, |row, column| {
                (times[row].min(times[column]) - first) / step
            }),
            relaxations: relaxations.to_vec(),
        }
    }

    /// The logarithm of the restricted likelihood of values that have this covariance about
    /// a line; minus infinity where it has no root.
    fn likelihood(&self, times: &[f64], values: &[f64], covariance: DMatrix<f64>) -> f64 {
        let (n, first) = (times.len(), times[0]);
        let span = times[n - 1] - first;
        let whitened = || {
            let root = covariance.cholesky()?.unpack();
            let solved = |column: DVector<f64>| root.solve_lower_triangular(&column);
            let level = solved(DVector::from_element(n, 1.0))?;
            let rate = solved(DVector::from_fn(n, |place, _| {
                (times[place] - first) / span
            }))?;
            let values = solved(DVector::from_column_slice(values))?;
            let log_roots: f64 = root.diagonal().iter().map(|root| root.ln()).sum();
            Some((level, rate, values, log_roots))
        };
        let Some((level, rate, values, log_roots)) = whitened() else {
            return f64::NEG_INFINITY;
        };
        let level_square = level.norm_squared();
        let rate = &rate - &level * (level.dot(&rate) / level_square);
        let values = &values - &level * (level.dot(&values) / level_square);
        let rate_square = rate.norm_squared();
        let left = &values - &rate * (rate.dot(&values) / rate_square);
        -log_roots - 0.5 * (left.norm_squared() + level_square.ln() + rate_square.ln())
    }

    /// Level and rate by generalised least squares, and the likelihood of what they leave;
    /// `None` where the covariance has no root.
    fn candidate(&self, times: &[f64], values: &[f64], kind: &Kind) -> Option<Candidate> {
        let n = times.len();
        let (first, span) = (times[0], times[n - 1] - times[0]);
        let mut covariance = &self.flicker * kind.flicker + &self.walk * kind.walk;
        // A trace of white noise, so that the first value of a walk has a variance.
        for place in 0..n {
            covariance[(place, place)] += kind.white + 1e-6 * (kind.flicker + kind.walk);
        }
        let root = covariance.cholesky()?.unpack();
        let whitened = |column: DVector<f64>| root.solve_lower_triangular(&column);
        let level = whitened(DVector::from_element(n, 1.0))?;
        let rate = whitened(DVector::from_fn(n, |place, _| {
            (times[place] - first) / span
        }))?;
        let values = whitened(DVector::from_column_slice(values))?;
        // One step of Gram and Schmidt: the level out of the other two.
        let level_square = level.norm_squared();
        let rate = &rate - &level * (level.dot(&rate) / level_square);
        let values = &values - &level * (level.dot(&values) / level_square);
        let rate_square = rate.norm_squared();
        let slope = rate.dot(&values) / rate_square;
        let freedom = n as f64 - 2.0;
        let scale = (values - &rate * slope).norm_squared() / freedom;
        let log_roots: f64 = root.diagonal().iter().map(|root| root.ln()).sum();
        let is_white = kind.flicker + kind.walk == 0.0;
        let wider = if is_white { 1.0 } else { WIDER };
        Some(Candidate {
            rate: slope / span,
            u: wider * (scale / rate_square).sqrt() / span,
            log_likelihood: kind.likely.ln()
                - log_roots
                - 0.5 * (freedom * scale.ln() + level_square.ln() + rate_square.ln()),
        })
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn theil_sen_of_published_examples() {
        // Sen 1968, worked example: slope 4.
        let x = [1.0, 2.0, 3.0, 4.0, 10.0, 12.0, 18.0];
        let y = [9.0, 15.0, 19.0, 20.0, 45.0, 55.0, 78.0];
        assert_eq!(theil_sen(&x, &y), Some(4.0));
        // CRAN statpsych, ci.theil: slope 0.5, with tied times.
        let y = [
            21., 4., 9., 12., 35., 18., 10., 22., 24., 1., 6., 8., 13., 16., 19.,
        ];
        let x = [
            67., 28., 30., 28., 52., 40., 25., 37., 44., 10., 14., 20., 28., 40., 51.,
        ];
        assert_eq!(theil_sen(&x, &y), Some(0.5));
        assert_eq!(theil_sen(&[0.0, 1.0, 2.0], &[0.0, 1.0, 1.0]), Some(0.5));
        // NIST StRD Norris, as other programs (scipy) have it.
        let text = include_str!("../../../../tests/reference-data/strd/Norris.dat");
        let (mut x, mut y) = (Vec::new(), Vec::new());
        for line in text.lines().skip(60).take(36) {
            let mut words = line.split_whitespace().map(|word| word.parse().unwrap());
            y.push(words.next().unwrap());
            x.push(words.next().unwrap());
        }
        let slope = theil_sen(&x, &y).unwrap();
        assert!((slope - 1.002_196_836_555_360_4).abs() < 1e-12, "{slope}");
        assert_eq!(theil_sen(&[1.0, 1.0], &[0.0, 1.0]), None);
    }

    /// How often the 95 % interval holds the true rate.
    fn coverage(mut make: impl FnMut(&mut Trials) -> Vec<f64>) -> f64 {
        let nights = 300;
        let times: Vec<f64> = (0..60).map(|i| f64::from(i) * 600.0).collect();
        let held = (0..nights)
            .filter(|night| {
                let mut trials = Trials::of([*night, 11, 0]);
                let noise = make(&mut trials);
                let values: Vec<f64> = times
                    .iter()
                    .zip(noise)
                    .map(|(t, noise)| 2e-4 * t + noise)
                    .collect();
                let drift = drift(&times, &values, &mut trials).unwrap();
                (drift.low..=drift.high).contains(&2e-4)
            })
            .count();
        held as f64 / nights as f64
    }

    /// Flicker as steps that come and go, each kind half as often as the one before
    /// (Voss 1978, after Gardner, Scientific American 238(4):16; from memory): not the
    /// relaxations that the analysis reckons with.
    fn flicker(trials: &mut Trials) -> Vec<f64> {
        let mut levels = [0.0; 10];
        (0..60u32)
            .map(|place| {
                for (row, level) in levels.iter_mut().enumerate() {
                    if place % (1 << row) == 0 {
                        *level = trials.normal();
                    }
                }
                levels.iter().sum()
            })
            .collect()
    }

    #[test]
    fn the_interval_holds_under_each_kind_of_noise() {
        // 300 nights scatter by 1.3 % each. Of white noise with a walk that it hides,
        // less is held; see the head of this file.
        let mut level = 0.0;
        let mut walk = |trials: &mut Trials, step: f64| {
            level += step * trials.normal();
            level
        };
        for (name, least, held) in [
            (
                "white",
                0.92,
                coverage(|trials| (0..60).map(|_| 0.3 * trials.normal()).collect()),
            ),
            ("flicker", 0.90, coverage(flicker)),
            (
                "walk",
                0.92,
                coverage(|trials| (0..60).map(|_| walk(trials, 0.1)).collect()),
            ),
            (
                "both",
                0.63,
                coverage(|trials| {
                    (0..60)
                        .map(|_| walk(trials, 0.05) + 0.3 * trials.normal())
                        .collect()
                }),
            ),
        ] {
            assert!((least..=0.995).contains(&held), "{name} {held}");
        }
    }

    #[test]
    fn equal_values_do_not_drift() {
        let times: Vec<f64> = (0..20).map(f64::from).collect();
        let drift = drift(&times, &[1.0; 20], &mut Trials::of([0, 0, 0])).unwrap();
        assert_eq!((drift.rate, drift.low, drift.high), (0.0, 0.0, 0.0));
    }
}
