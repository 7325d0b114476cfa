//! White and coloured noise with known density.

use crate::dice::Dice;
use std::f64::consts::TAU;

/// Noise of the first order: y(n) = pole y(n-1) + white. A pole of 0 is white noise,
/// towards 1 it is low-pass (red), below 0 high-pass.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Noise {
    /// Variance of the whole.
    pub variance: f64,
    /// Between -1 and 1, exclusive.
    pub pole: f64,
}

impl Noise {
    /// Noise as dense at all frequencies.
    #[must_use]
    pub fn white(variance: f64) -> Self {
        Self {
            variance,
            pole: 0.0,
        }
    }

    /// Samples of it.
    pub fn samples(&self, count: usize, dice: &mut Dice) -> Vec<f64> {
        let scale = (self.variance * (1.0 - self.pole * self.pole)).sqrt();
        let mut value = self.variance.sqrt() * dice.normal();
        (0..count)
            .map(|_| {
                let now = value;
                value = self.pole * value + scale * dice.normal();
                now
            })
            .collect()
    }

    /// The variance of white noise that is as dense as this is at `step` (frequency over
    /// the sampling rate): (1 - a^2) variance / |1 - a exp(-i w)|^2.
    #[must_use]
    pub fn variance_at(&self, step: f64) -> f64 {
        let a = self.pole;
        self.variance * (1.0 - a * a) / (1.0 - 2.0 * a * (TAU * step).cos() + a * a)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn variance_and_density_are_as_said() {
        for pole in [0.0, 0.9, -0.6] {
            let noise = Noise {
                variance: 0.25,
                pole,
            };
            let samples = noise.samples(400_000, &mut Dice::new(3, "noise", 0));
            let variance = samples.iter().map(|y| y * y).sum::<f64>() / samples.len() as f64;
            assert!((variance / 0.25 - 1.0).abs() < 0.03, "{pole}: {variance}");
            // Periodograms at a sixteenth of the rate, over pieces of 64 samples under
            // Hann's window.
            let mut mean = 0.0;
            for piece in samples.chunks_exact(64) {
                let (mut re, mut im, mut weight) = (0.0, 0.0, 0.0);
                for (n, y) in piece.iter().enumerate() {
                    let hann = 0.5 - 0.5 * (TAU * n as f64 / 64.0).cos();
                    let (sine, cosine) = (TAU * n as f64 / 16.0).sin_cos();
                    re += hann * y * cosine;
                    im += hann * y * sine;
                    weight += hann * hann;
                }
                mean += (re * re + im * im) / weight;
            }
            mean /= (samples.len() / 64) as f64;
            let expected = noise.variance_at(1.0 / 16.0);
            assert!(
                (mean / expected - 1.0).abs() < 0.08,
                "{pole}: {mean} {expected}"
            );
        }
    }
}
