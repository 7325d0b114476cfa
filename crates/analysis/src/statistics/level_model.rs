//! Regression of a series that wanders: known functions of time times unknown
//! coefficients, on a level that walks at random, in white noise.
//!
//! Plain least squares takes deviations to be independent and is far too sure
//! where they wander. Here both the series and the functions go through the same
//! filter, that of the local level model for one ratio of walk to noise (Harvey
//! 1989, "Forecasting, Structural Time Series Models and the Kalman Filter");
//! what is new in each step is independent, and least squares may be used on it.
//! The ratio, and whatever else the functions depend on, is averaged over by
//! restricted likelihood.

use crate::statistics::least_squares::fit;
use crate::statistics::trials::Trials;
use nalgebra::{DMatrix, DVector};

/// Ratios of random walk to white noise that are tried, besides a walk alone.
const RATIOS: usize = 10;
/// Longer series are averaged in groups down to this.
const MOST: usize = 300;

/// How the level walks (variance per second) and readings scatter (variance).
#[derive(Debug, Clone, Copy)]
pub(crate) struct Wander {
    walk: f64,
    white: f64,
}

impl Wander {
    /// White noise alone.
    pub(crate) const STILL: Self = Self {
        walk: 0.0,
        white: 1.0,
    };

    /// From a walk that only just matters over the whole stretch to one in which
    /// the noise is lost (see `drift`).
    pub(crate) fn all(times: &[f64]) -> Vec<Self> {
        let n = times.len() as f64;
        let step = (times[times.len() - 1] - times[0]) / (n - 1.0);
        let (least, most) = ((12.0 / (n * n)).ln(), 100f64.ln());
        let ratio = |place: usize| least + (most - least) * place as f64 / (RATIOS - 1) as f64;
        (0..RATIOS)
            .map(|place| Self {
                walk: ratio(place).exp() / step,
                white: 1.0,
            })
            .chain(std::iter::once(Self {
                walk: 1.0 / step,
                white: 0.0,
            }))
            .collect()
    }
}

/// Series through the filter.
pub(crate) struct Filtered {
    /// What is new in each step, over its standard deviation; a step less than the
    /// series has values, a row each.
    pub(crate) rows: Vec<DVector<f64>>,
    log_variances: f64,
}

/// Filters series at the same ascending times.
pub(crate) fn filtered(times: &[f64], series: &[&[f64]], wander: Wander) -> Filtered {
    let mut levels: Vec<f64> = series.iter().map(|series| series[0]).collect();
    let steps = times.len() - 1;
    let mut rows = vec![DVector::zeros(steps); series.len()];
    let mut variance = wander.white;
    let mut log_variances = 0.0;
    for place in 1..times.len() {
        let time = (times[place] - times[place - 1]).max(0.0);
        let predicted = variance + wander.walk * time;
        let total = predicted + wander.white;
        if total <= 0.0 {
            continue;
        }
        log_variances += total.ln();
        let gain = predicted / total;
        for (index, level) in levels.iter_mut().enumerate() {
            let new = series[index][place] - *level;
            rows[index][place - 1] = new / total.sqrt();
            *level += gain * new;
        }
        variance = predicted * (1.0 - gain);
    }
    Filtered {
        rows,
        log_variances,
    }
}

/// The sum of the logarithms of the variances of what is new in each step.
pub(crate) fn log_variances(times: &[f64], wander: Wander) -> f64 {
    filtered(times, &[&vec![0.0; times.len()]], wander).log_variances
}

/// Coefficients under one hypothesis.
#[derive(Debug, Clone)]
pub(crate) struct Candidate {
    pub(crate) coefficients: DVector<f64>,
    /// `spread * normal numbers * unknown scale` is added in a draw.
    spread: DMatrix<f64>,
    freedom: usize,
    pub(crate) log_likelihood: f64,
}

/// Fits `values` by `columns` times coefficients under one hypothesis; `None` when
/// the columns cannot be told apart from each other or from a level.
pub(crate) fn candidate(
    times: &[f64],
    values: &[f64],
    columns: &[Vec<f64>],
    wander: Wander,
) -> Option<Candidate> {
    let count = columns.len();
    if times.len() < count + 3 {
        return None;
    }
    let series: Vec<&[f64]> = std::iter::once(values)
        .chain(columns.iter().map(Vec::as_slice))
        .collect();
    let Filtered {
        rows,
        log_variances,
    } = filtered(times, &series, wander);
    let design = DMatrix::from_columns(&rows[1..]);
    let found = fit(&design, rows[0].as_slice(), &vec![1.0; times.len() - 1])?;
    let freedom = found.degrees_of_freedom;
    let scale = found.residuals.norm_squared() / freedom as f64;
    // How much of the columns survives the filter, per their own size: the term of
    // restricted likelihood that does not depend on how they are scaled.
    let log_determinant = |columns: &[DVector<f64>]| {
        DMatrix::from_fn(count, count, |a, b| columns[a].dot(&columns[b]))
            .determinant()
            .max(f64::MIN_POSITIVE)
            .ln()
    };
    let centred: Vec<DVector<f64>> = columns
        .iter()
        .map(|column| {
            let column = DVector::from_column_slice(column);
            let mean = column.mean();
            column.add_scalar(-mean)
        })
        .collect();
    let survives = log_determinant(&rows[1..]) - log_determinant(&centred);
    // Hypotheses have different numbers of columns: each costs what it does where no more
    // is known of its coefficient than one value would tell (Schwarz 1978, Ann. Statist.
    // 6:461).
    let steps = (times.len() - 1) as f64;
    let squares = found.residuals.norm_squared().max(1e-300);
    let log_likelihood =
        -0.5 * (steps * squares.ln() + count as f64 * steps.ln() + log_variances + survives);
    let spread = &found.map * scale.sqrt();
    Some(Candidate {
        coefficients: found.coefficients,
        // A square root of the covariance: as many columns as coefficients do.
        spread: (&spread * spread.transpose())
            .cholesky()
            .map_or_else(|| DMatrix::zeros(count, count), |root| root.l()),
        freedom,
        log_likelihood,
    })
}

/// Hypotheses weighted by their likelihood.
pub(crate) struct Mixture {
    pub(crate) candidates: Vec<(f64, Candidate)>,
}

impl Mixture {
    /// Weighs candidates; `None` without any that is likely at all.
    pub(crate) fn of(candidates: Vec<Candidate>) -> Option<Self> {
        let best = candidates
            .iter()
            .map(|candidate| candidate.log_likelihood)
            .filter(|likelihood| likelihood.is_finite())
            .fold(f64::NEG_INFINITY, f64::max);
        let weight = |candidate: &Candidate| {
            let weight = (candidate.log_likelihood - best).exp();
            if weight.is_finite() { weight } else { 0.0 }
        };
        let total: f64 = candidates.iter().map(weight).sum();
        if !best.is_finite() || total.is_nan() || total <= 0.0 {
            return None;
        }
        Some(Self {
            candidates: candidates
                .into_iter()
                .map(|candidate| (weight(&candidate) / total, candidate))
                .collect(),
        })
    }

    /// The mean of a number over the hypotheses.
    pub(crate) fn mean(&self, number: impl Fn(usize, &Candidate) -> f64) -> f64 {
        self.candidates
            .iter()
            .enumerate()
            .filter(|(_, (weight, _))| *weight > 0.0)
            .map(|(place, (weight, candidate))| weight * number(place, candidate))
            .sum()
    }

    /// Draws a hypothesis and its coefficients, about `count` times.
    pub(crate) fn draws(&self, count: usize, trials: &mut Trials) -> Vec<(usize, DVector<f64>)> {
        let mut draws = Vec::with_capacity(count);
        let mut passed = 0.0;
        for (place, (weight, candidate)) in self.candidates.iter().enumerate() {
            passed += weight * count as f64;
            while (draws.len() as f64) < passed - 0.5 {
                let normals =
                    DVector::from_fn(candidate.coefficients.len(), |_, _| trials.normal());
                let scale = trials.unknown_scale(candidate.freedom);
                draws.push((
                    place,
                    &candidate.coefficients + &candidate.spread * normals * scale,
                ));
            }
        }
        draws
    }
}

/// Means of adjoining values of several series, so that there are not too many.
pub(crate) fn grouped(series: &[&[f64]]) -> Vec<Vec<f64>> {
    let length = series.iter().map(|series| series.len()).min().unwrap_or(0);
    let size = length.div_ceil(MOST).max(1);
    series
        .iter()
        .map(|series| {
            series[..length]
                .chunks(size)
                .map(|group| group.iter().sum::<f64>() / group.len() as f64)
                .collect()
        })
        .collect()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn without_a_walk_it_is_least_squares_with_an_intercept() {
        // NIST StRD Norris: slope and its standard deviation, as certified.
        let text = include_str!("../../../../tests/reference-data/strd/Norris.dat");
        let (mut x, mut y) = (Vec::new(), Vec::new());
        for line in text.lines().skip(60).take(36) {
            let mut words = line.split_whitespace().map(|word| word.parse().unwrap());
            y.push(words.next().unwrap());
            x.push(words.next().unwrap());
        }
        let times: Vec<f64> = (0..36).map(f64::from).collect();
        let found = candidate(&times, &y, &[x], Wander::STILL).unwrap();
        assert!((found.coefficients[0] / 1.002_116_818_020_45 - 1.0).abs() < 1e-11);
        let sd = found.spread[(0, 0)];
        assert!((sd / 0.429_796_848_199_937e-3 - 1.0).abs() < 1e-9);
    }
}
