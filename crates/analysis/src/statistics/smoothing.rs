//! A local quadratic smoother over rounds, for times that need not be evenly
//! spaced. Over how many rounds is decided by leaving each out in turn: many
//! where noise rules, few where the pitch really moves, none where it bends more
//! between rounds than a quadratic follows, as in the first minutes after power-on.
//!
//! Local regression with tricube weights: Cleveland 1979, J. Am. Stat. Assoc.
//! 74:829; leave-one-out residuals of a linear smoother are `r / (1 - s_ii)`.

use crate::statistics::quantile;

/// How many rounds may be smoothed over.
const REACHES: [usize; 5] = [5, 9, 13, 17, 25];
/// A longer reach is taken as long as it is not worse than this.
const NOT_WORSE: f64 = 1.05;
/// Around a round, rounds that are left out may be missed by so many times what noise
/// makes of it, in mean squares, before fewer rounds are smoothed over there.
const BENDS: f64 = 3.0;
/// Bends of less than this, in cents, do not matter.
const LEAST_NOISE: f64 = 1e-3;
/// How many rounds to either side are looked at for that.
const AROUND: usize = 2;

/// The values of a note in rounds, and how much noise at least each is known to have, in
/// cents.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Noisy<'a> {
    pub(crate) values: &'a [f64],
    pub(crate) at_least: f64,
}

/// Each smoothed value is a weighted sum of neighbouring values.
#[derive(Debug, Clone)]
pub(crate) struct Smoother {
    rows: Vec<Row>,
    /// The same with one reach everywhere, by which rounds are foretold.
    even: Vec<Row>,
    pub(crate) reach: usize,
}

#[derive(Debug, Clone)]
pub(crate) struct Row {
    pub(crate) first: usize,
    pub(crate) weights: Vec<f64>,
}

impl Smoother {
    /// The smoother for rounds at `times` (ascending) that suits the first series best, and
    /// around rounds where it does not suit one of the others follows that, too.
    pub(crate) fn for_series(times: &[f64], series: &[Noisy<'_>]) -> Self {
        let values = series.first().map_or(&[][..], |leading| leading.values);
        if times.len() < REACHES[0] {
            return Self::none(times.len());
        }
        let mut best: Option<(f64, Self)> = None;
        for reach in REACHES.into_iter().filter(|reach| *reach <= times.len()) {
            let smoother = Self::with_reach(times, reach);
            let error: f64 = smoother
                .left_out(values)
                .iter()
                .map(|residual| residual * residual)
                .sum();
            if best
                .as_ref()
                .is_none_or(|(least, _)| error <= least * NOT_WORSE)
            {
                let least = best.as_ref().map_or(error, |(least, _)| least.min(error));
                best = Some((least, smoother));
            }
        }
        best.map_or_else(
            || Self::none(times.len()),
            |(_, smoother)| smoother.bent(times, series),
        )
    }

    /// The same with shorter reaches around rounds that are missed by more than noise in
    /// one of several series.
    fn bent(mut self, times: &[f64], series: &[Noisy<'_>]) -> Self {
        let shorter = REACHES
            .into_iter()
            .rev()
            .filter(|reach| *reach < self.reach);
        let tried: Vec<Self> = std::iter::once(self.clone())
            .chain(shorter.map(|reach| Self::with_reach(times, reach)))
            .collect();
        let shortest = &tried[tried.len() - 1];
        // By the shortest reach, where least of it is anything but noise.
        let noise = |series: &Noisy<'_>| {
            let missed = shortest.missed(series.values).into_iter();
            let mut missed: Vec<f64> = missed.map(f64::abs).collect();
            missed.sort_by(f64::total_cmp);
            // The median of |noise| is 0.6745 standard deviations.
            (quantile(&missed, 0.5) / 0.6745)
                .max(series.at_least)
                .max(LEAST_NOISE)
        };
        let noises: Vec<f64> = series.iter().map(noise).collect();
        let around =
            |place: usize| place.saturating_sub(AROUND)..(place + AROUND + 1).min(times.len());
        // Which places a reach suits.
        let suits = |smoother: &Self| -> Vec<bool> {
            let mut suits = vec![true; times.len()];
            for (series, noise) in series.iter().zip(&noises) {
                let missed = smoother.missed(series.values);
                for (place, suits) in suits.iter_mut().enumerate() {
                    let missed = &missed[around(place)];
                    let squares: f64 = missed.iter().map(|missed| missed * missed).sum();
                    *suits &= squares <= BENDS * noise * noise * missed.len() as f64;
                }
            }
            suits
        };
        let suited: Vec<Vec<bool>> = tried.iter().map(suits).collect();
        for (place, row) in self.rows.iter_mut().enumerate() {
            *row = suited.iter().position(|suits| suits[place]).map_or_else(
                || Row {
                    first: place,
                    weights: vec![1.0],
                },
                |reach| tried[reach].rows[place].clone(),
            );
        }
        self
    }

    /// What each value is off when it is foretold, in standard deviations of that where
    /// values have noise of 1.
    fn missed(&self, values: &[f64]) -> Vec<f64> {
        let left_out = self.left_out(values).into_iter().enumerate();
        left_out
            .map(|(place, missed)| {
                let row = &self.even[place];
                let own = row.weights[place - row.first];
                let squares: f64 = row.weights.iter().map(|w| w * w).sum();
                missed * (1.0 - own).max(1e-3) / (1.0 - 2.0 * own + squares).max(1e-6).sqrt()
            })
            .collect()
    }

    /// Leaves values as they are.
    fn none(count: usize) -> Self {
        let rows = (0..count)
            .map(|first| Row {
                first,
                weights: vec![1.0],
            })
            .collect();
        Self::even(rows, 1)
    }

    fn with_reach(times: &[f64], reach: usize) -> Self {
        let mut first = 0;
        let rows = times
            .iter()
            .enumerate()
            .map(|(place, &at)| {
                // The window of the nearest rounds, with at least one on either side.
                while first + reach < times.len()
                    && first < place
                    && (times[first + reach] - at < at - times[first] || first + reach <= place + 1)
                {
                    first += 1;
                }
                let window = &times[first..first + reach];
                Row {
                    first,
                    weights: local_quadratic(window, at),
                }
            })
            .collect();
        Self::even(rows, reach)
    }

    fn even(rows: Vec<Row>, reach: usize) -> Self {
        Self {
            even: rows.clone(),
            rows,
            reach,
        }
    }

    pub(crate) fn row(&self, place: usize) -> &Row {
        &self.rows[place]
    }

    /// Smooths values.
    pub(crate) fn apply(&self, values: &[f64]) -> Vec<f64> {
        self.rows.iter().map(|row| row.of(values)).collect()
    }

    /// What each value is off when it is foretold from its neighbours alone.
    pub(crate) fn left_out(&self, values: &[f64]) -> Vec<f64> {
        self.even
            .iter()
            .enumerate()
            .map(|(place, row)| {
                let own = row.weights[place - row.first];
                (values[place] - row.of(values)) / (1.0 - own).max(1e-3)
            })
            .collect()
    }

    /// Variance of the noise around the smoothed values.
    pub(crate) fn noise_variance(&self, values: &[f64]) -> f64 {
        let own: f64 = self
            .rows
            .iter()
            .enumerate()
            .map(|(place, row)| row.weights[place - row.first])
            .sum();
        let freedom = values.len() as f64 - own;
        if freedom < 1.0 {
            return 0.0;
        }
        let smoothed = self.apply(values);
        values
            .iter()
            .zip(smoothed)
            .map(|(value, smooth)| (value - smooth).powi(2))
            .sum::<f64>()
            / freedom
    }
}

impl Row {
    pub(crate) fn of(&self, values: &[f64]) -> f64 {
        self.weights
            .iter()
            .zip(&values[self.first..])
            .map(|(weight, value)| weight * value)
            .sum()
    }
}

/// Weights by which a quadratic through a window is evaluated at a time; a line,
/// then a mean, where the times are too few or too much alike.
fn local_quadratic(window: &[f64], at: f64) -> Vec<f64> {
    let reach = window
        .iter()
        .map(|time| (time - at).abs())
        .fold(0.0, f64::max)
        * 1.25;
    if reach <= 0.0 {
        return vec![1.0 / window.len() as f64; window.len()];
    }
    let places: Vec<f64> = window.iter().map(|time| (time - at) / reach).collect();
    let weights: Vec<f64> = places
        .iter()
        .map(|place| (1.0 - place.abs().powi(3)).powi(3))
        .collect();
    for order in [2, 1, 0] {
        // Orthogonal polynomials by Gram and Schmidt: the value at 0 is a sum over them.
        let mut basis: Vec<(Vec<f64>, f64)> = Vec::new();
        let mut complete = true;
        for power in 0..=order {
            let mut column: Vec<f64> = places.iter().map(|place| place.powi(power)).collect();
            let mut at_zero = if power == 0 { 1.0 } else { 0.0 };
            for _ in 0..2 {
                for (other, other_at_zero) in &basis {
                    let overlap: f64 = column
                        .iter()
                        .zip(other)
                        .zip(&weights)
                        .map(|((a, b), w)| a * b * w)
                        .sum();
                    for (value, other) in column.iter_mut().zip(other) {
                        *value -= overlap * other;
                    }
                    at_zero -= overlap * other_at_zero;
                }
            }
            let norm: f64 = column
                .iter()
                .zip(&weights)
                .map(|(value, w)| value * value * w)
                .sum::<f64>()
                .sqrt();
            if norm < 1e-6 {
                complete = false;
                break;
            }
            basis.push((
                column.into_iter().map(|value| value / norm).collect(),
                at_zero / norm,
            ));
        }
        if complete {
            return (0..window.len())
                .map(|place| {
                    weights[place]
                        * basis
                            .iter()
                            .map(|(column, zero)| column[place] * zero)
                            .sum::<f64>()
                })
                .collect();
        }
    }
    vec![1.0 / window.len() as f64; window.len()]
}

#[cfg(test)]
mod tests {
    use super::*;

    fn exact(values: &[f64]) -> Noisy<'_> {
        Noisy {
            values,
            at_least: 0.0,
        }
    }

    #[test]
    fn a_quadratic_passes_unchanged() {
        let times: Vec<f64> = (0..30)
            .map(|i| f64::from(i) * 60.0)
            .chain((0..40).map(|i| 1800.0 + f64::from(i) * 600.0))
            .collect();
        let values: Vec<f64> = times
            .iter()
            .map(|t| 3.0 - 2e-4 * t + 5e-9 * t * t)
            .collect();
        let smoother = Smoother::for_series(&times, &[exact(&values)]);
        for (value, smooth) in values.iter().zip(smoother.apply(&values)) {
            assert!((value - smooth).abs() < 1e-9);
        }
    }

    #[test]
    fn noise_is_smoothed_and_movement_is_not() {
        let mut trials = crate::statistics::trials::Trials::of([7, 0, 0]);
        let times: Vec<f64> = (0..80).map(f64::from).collect();
        let noise: Vec<f64> = times.iter().map(|_| trials.normal()).collect();
        let calm = Smoother::for_series(&times, &[exact(&noise)]);
        assert!(calm.reach >= 17, "{}", calm.reach);
        assert!((calm.noise_variance(&noise) - 1.0).abs() < 0.4);
        let moving: Vec<f64> = times.iter().map(|t| 20.0 * (-t / 4.0).exp()).collect();
        assert_eq!(Smoother::for_series(&times, &[exact(&moving)]).reach, 5);
    }

    /// The first minutes of a unit whose pair of transistors warms within one: each round
    /// for itself there, and several together once it is warm.
    #[test]
    fn what_bends_between_rounds_is_left_as_it_is() {
        let mut trials = crate::statistics::trials::Trials::of([7, 1, 0]);
        let times: Vec<f64> = (0..60).map(f64::from).collect();
        let truth: Vec<f64> = times.iter().map(|t| 20.0 * (-t / 1.5).exp()).collect();
        let values: Vec<f64> = truth.iter().map(|v| v + 0.1 * trials.normal()).collect();
        let smoother = Smoother::for_series(&times, &[exact(&values)]);
        for (smooth, truth) in smoother.apply(&values).iter().zip(&truth) {
            assert!((smooth - truth).abs() < 0.35, "{smooth} {truth}");
        }
        let late: f64 = smoother.rows[30..]
            .iter()
            .map(|row| row.weights.iter().map(|w| w * w).sum::<f64>())
            .sum();
        assert!(late / 30.0 < 0.6, "{late}"); // of raw values 1
        // The same where another note bends and the leading one does not.
        let calm: Vec<f64> = times.iter().map(|_| 0.1 * trials.normal()).collect();
        let smoother = Smoother::for_series(&times, &[exact(&calm), exact(&values)]);
        assert_eq!(smoother.rows[1].weights, [1.0]);
        // But not where that is less than its own noise.
        let noisy = Noisy {
            values: &values,
            at_least: 20.0,
        };
        let smoother = Smoother::for_series(&times, &[exact(&calm), noisy]);
        assert!(smoother.rows[1].weights.len() > 1);
    }

    #[test]
    fn equal_times_are_a_mean() {
        let smoother = Smoother::for_series(&[4.0; 6], &[exact(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0])]);
        assert!((smoother.apply(&[1.0, 2.0, 3.0, 4.0, 5.0, 6.0])[2] - 3.0).abs() < 1.0);
    }
}
