//! An oscillator whose phase wanders: white jitter and a random walk together.
//!
//! The phases of equal stretches of the window, after the polynomial was fitted,
//! are a sum of white scatter (variance a) and a random walk of phase (variance b
//! over the window, white frequency noise). Their covariance is a I + b S with S
//! from min(s, t); outside the space of the polynomial it is diagonal in the
//! eigenvectors of S. There the likelihood of (a, b) costs a few dozen operations,
//! so it is summed over a grid (residual likelihood, flat prior on the logarithms;
//! Patterson and Thompson 1971, from memory) and the mean frequency and its
//! variance are those of the Gaussian process, averaged over the grid.

use nalgebra::{DMatrix, DVector, SymmetricEigen};

/// What speaks for a phase that does not wander at all, over any one point of the grid. With
/// less the uncertainty of steady tones grows too cautious, with more that of those which
/// wander a little too small.
const FOR_STEADY: f64 = 250.0;

/// How the polynomial and the walk go together, for a number of stretches and an
/// order.
#[derive(Debug)]
pub(crate) struct Wander {
    pub count: usize,
    pub order: usize,
    /// Eigenvalues of S outside the polynomial's space.
    spread: Vec<f64>,
    /// Their eigenvectors, one after the other.
    modes: Vec<f64>,
    /// Sum of the squared weights by which the phases enter the mean frequency.
    white: f64,
    /// Of the mean frequency as it was: variance for b = 1, covariance with modes.
    window: (f64, Vec<f64>),
    /// Of the frequency of the oscillator behind it: the same.
    source: f64,
    source_modes: Vec<f64>,
}

/// What is known of the mean frequency, in cycles per window.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Wandering {
    /// To be added to the mean that the polynomial gave.
    pub correction: f64,
    /// Variance of the mean as it was, in units squared of the phases' variance.
    pub window: f64,
    /// Variance of it as that of the oscillator.
    pub source: f64,
}

impl Wander {
    pub fn new(count: usize, order: usize) -> Option<Self> {
        let n = count as f64;
        let middle = DVector::from_fn(count, |k, _| (k as f64 + 0.5) / n);
        let walk = DMatrix::from_fn(count, count, |k, l| {
            if k == l {
                (k as f64 + 1.0 / 3.0) / n
            } else {
                (k.min(l) as f64 + 0.5) / n
            }
        });
        let powers = DMatrix::from_fn(count, order + 1, |k, j| legendre(j, 2.0 * middle[k] - 1.0));
        let gain = DVector::from_fn(order + 1, |j, _| if j % 2 == 1 { 2.0 } else { 0.0 });
        let inverse = (powers.transpose() * &powers).try_inverse()?;
        let weights = &powers * &inverse * gain;
        let outside = DMatrix::identity(count, count) - &powers * inverse * powers.transpose();
        let eigen = SymmetricEigen::new(&outside * &walk * &outside);
        let most = eigen.eigenvalues.max();
        let along = &walk * &weights;
        let own = weights.dot(&along);
        let mut wander = Self {
            count,
            order,
            spread: Vec::new(),
            modes: Vec::new(),
            white: weights.norm_squared(),
            window: (own - 2.0 * weights.dot(&middle) + 1.0, Vec::new()),
            source: own,
            source_modes: Vec::new(),
        };
        let missed = &along - &middle;
        for (value, mode) in eigen
            .eigenvalues
            .iter()
            .zip(eigen.eigenvectors.column_iter())
        {
            if *value > 1e-9 * most {
                wander.spread.push(*value);
                wander.modes.extend(mode.iter());
                wander.window.1.push(missed.dot(&mode));
                wander.source_modes.push(along.dot(&mode));
            }
        }
        Some(wander)
    }

    /// Looks at phases (cycles) whose added noise has the variance `noise`, and
    /// which scatter by a mean square of `excess` times that.
    pub fn assess(&self, phases: &[f64], noise: f64, excess: f64) -> Wandering {
        const MOST: usize = 32;
        let size = self.spread.len().min(MOST);
        let mut along = [0.0; MOST];
        for (along, mode) in along.iter_mut().zip(self.modes.chunks(self.count)) {
            *along = mode.iter().zip(phases).map(|(m, p)| m * p).sum::<f64>();
        }
        let mean = self.spread.iter().sum::<f64>() / size as f64;
        let least = 0.2 * noise / mean;
        let walks = std::iter::successors(Some(least), |b| Some(b * 1.7))
            .take_while(|b| b * mean < 6.0 * excess * noise);
        let mut sum = Sum::default();
        for b in std::iter::once(0.0).chain(walks) {
            let whites = std::iter::successors(Some(noise), |a| Some(a * 1.7))
                .take_while(|a| *a < 3.0 * excess * noise);
            for a in whites {
                let mut likelihood = 0.0;
                let mut here = Wandering {
                    correction: 0.0,
                    window: a * self.white + b * self.window.0,
                    source: a * self.white + b * self.source,
                };
                for (i, along) in along.iter().enumerate().take(size) {
                    let variance = a + b * self.spread[i];
                    likelihood -= 0.5 * (variance.ln() + along * along / variance);
                    let pull = b * self.window.1[i] / variance;
                    here.correction -= pull * along;
                    here.window -= pull * b * self.window.1[i];
                    let own = b * self.source_modes[i];
                    here.source -= own * own / variance;
                }
                if b == 0.0 && a == noise {
                    likelihood += FOR_STEADY.ln();
                }
                sum.add(likelihood, &here);
            }
        }
        sum.mean()
    }
}

/// A weighted sum whose weights are given by their logarithms.
#[derive(Default)]
struct Sum {
    highest: Option<f64>,
    weight: f64,
    correction: f64,
    square: f64,
    window: f64,
    source: f64,
}

impl Sum {
    fn add(&mut self, logarithm: f64, value: &Wandering) {
        let highest = *self.highest.get_or_insert(logarithm);
        if logarithm > highest {
            let shrink = (highest - logarithm).exp();
            self.weight *= shrink;
            self.correction *= shrink;
            self.square *= shrink;
            self.window *= shrink;
            self.source *= shrink;
            self.highest = Some(logarithm);
        }
        let weight = (logarithm - highest.max(logarithm)).exp();
        self.weight += weight;
        self.correction += weight * value.correction;
        self.square += weight * value.correction * value.correction;
        self.window += weight * value.window;
        self.source += weight * value.source;
    }

    fn mean(&self) -> Wandering {
        if self.weight <= 0.0 {
            return Wandering::default();
        }
        let correction = self.correction / self.weight;
        let between = (self.square / self.weight - correction * correction).max(0.0);
        Wandering {
            correction,
            window: self.window / self.weight + between,
            source: self.source / self.weight + between,
        }
    }
}

/// The Legendre polynomial of a degree.
pub(crate) fn legendre(degree: usize, x: f64) -> f64 {
    let (mut before, mut here) = (1.0, x);
    if degree == 0 {
        return 1.0;
    }
    for k in 1..degree {
        let k = k as f64;
        (before, here) = (here, ((2.0 * k + 1.0) * x * here - k * before) / (k + 1.0));
    }
    here
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The variance of the mean frequency under a random walk of phase, by a line:
    /// 6/5 for the oscillator's frequency and 1/5 for the mean as it was (by
    /// integrating min(s, t) against the weights 12 (t - 1/2) of a regression).
    #[test]
    fn a_regression_under_a_random_walk() {
        for order in [1, 2] {
            let wander = Wander::new(24, order).unwrap();
            assert!((wander.source - 1.2).abs() < 5e-3, "{}", wander.source);
            assert!((wander.window.0 - 0.2).abs() < 5e-3, "{}", wander.window.0);
            assert!((wander.white - 12.0 / 24.0).abs() < 2e-3);
        }
    }
}
