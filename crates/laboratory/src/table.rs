//! A shape that can be read at any phase: one period in a table, made by a transform.

use crate::shape::Shape;
use rustfft::FftPlanner;
use rustfft::num_complex::Complex;

/// Points of the table per period of the highest harmonic, at least.
const OVERSAMPLING: usize = 16;
/// Points of the interpolation (Lagrange's). At sixteen points per period of the
/// highest harmonic the error is below 1e-9 of full scale.
const POINTS: usize = 10;

/// One period of a band-limited shape.
#[derive(Debug, Clone)]
pub struct Table {
    values: Vec<f64>,
    length: f64,
    weights: [f64; POINTS],
}

impl Table {
    /// With all the harmonics of the shape up to `highest`.
    #[must_use]
    pub fn new(shape: &Shape, highest: usize) -> Self {
        let highest = highest.min(shape.highest()).max(1);
        let length = (highest * OVERSAMPLING).next_power_of_two().max(64);
        let mut spectrum = vec![Complex::new(0.0, 0.0); length];
        for h in 1..=highest {
            let half = Complex::new(shape.cosine[h] / 2.0, -shape.sine[h] / 2.0);
            spectrum[h] = half;
            spectrum[length - h] = half.conj();
        }
        FftPlanner::new()
            .plan_fft_inverse(length)
            .process(&mut spectrum);
        let mut values: Vec<f64> = spectrum.iter().map(|value| value.re).collect();
        values.extend_from_within(..POINTS);
        let mut weights = [0.0; POINTS];
        for (k, weight) in weights.iter_mut().enumerate() {
            *weight = 1.0
                / (0..POINTS)
                    .filter(|j| *j != k)
                    .map(|j| k as f64 - j as f64)
                    .product::<f64>();
        }
        Self {
            values,
            length: length as f64,
            weights,
        }
    }

    /// The value at a phase in periods.
    #[must_use]
    pub fn at(&self, phase: f64) -> f64 {
        let place = (phase - phase.floor()) * self.length;
        let whole = place.floor();
        // Half the points lie before the place.
        let before = (POINTS / 2 - 1) as f64;
        let first = (whole - before).rem_euclid(self.length) as usize;
        let from_first = place - whole + before;
        let (mut above, mut below) = (0.0, 0.0);
        for (k, weight) in self.weights.iter().enumerate() {
            let away = from_first - k as f64;
            if away.abs() < 1e-12 {
                return self.values[first + k];
            }
            // The second barycentric form (Berrut and Trefethen, "Barycentric Lagrange
            // interpolation", SIAM Review 46, 2004; from memory).
            let part = weight / away;
            above += part * self.values[first + k];
            below += part;
        }
        above / below
    }
}

/// The harmonics of a tone that stay below this share of half the sampling rate.
const FILL: f64 = 0.98;

/// How many harmonics of a tone that never exceeds `hertz` fit below half the rate.
#[must_use]
pub fn harmonics_below(rate: f64, hertz: f64) -> usize {
    ((rate * 0.5 * FILL) / hertz) as usize
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_is_the_series() {
        for (shape, highest) in [
            (Shape::saw(700), 700),
            (Shape::pulse(333, 0.07), 333),
            (Shape::saw(3), 3),
            (Shape::sine(), 1),
            (Shape::folded(60, 4.3, 0.6), 13),
        ] {
            let table = Table::new(&shape, highest);
            let kept = shape.scaled(|h| if h <= highest { 1.0 } else { 0.0 });
            for phase in (0..200).map(|n| f64::from(n) * 0.618_034 - 3.0) {
                let difference = table.at(phase) - kept.at(phase);
                assert!(
                    difference.abs() < 1e-9,
                    "{highest} at {phase}: {difference:e}"
                );
            }
        }
    }
}
