//! The Cramer-Rao bound of a frequency.

use crate::shape::Shape;
use std::f64::consts::PI;

/// The standard deviation in hertz below which no unbiased estimate of the frequency of
/// one real tone of amplitude `amplitude` can come, in white noise of standard deviation
/// `sigma`, from `count` samples at `rate` hertz: rate / (2 pi) sqrt(24 s^2 / (A^2 N
/// (N^2 - 1))).
///
/// Rife and Boorstyn, "Single-tone parameter estimation from discrete-time
/// observations", IEEE Trans. Inf. Theory 20, 1974 (from memory), give the complex
/// tone's, smaller by the square root of two.
#[must_use]
pub fn of_a_sine(amplitude: f64, sigma: f64, count: usize, rate: f64) -> f64 {
    let n = count as f64;
    rate / (2.0 * PI) * (24.0 * sigma * sigma / (amplitude * amplitude * n * (n * n - 1.0))).sqrt()
}

/// The same for a tone with harmonics, var(f) >= 6 rate^2 / (pi^2 N (N^2 - 1) sum h^2
/// A_h^2 / s_h^2), where s_h^2 is the variance per sample of white noise as dense as the
/// noise is at harmonic h. For white noise that is the asymptotic bound of Nielsen,
/// Jensen, Jensen, Christensen and Jensen, "Fast fundamental frequency estimation",
/// Signal Processing 135, 2017 (from memory), and with one harmonic that of the sine.
#[must_use]
pub fn of_harmonics(
    shape: &Shape,
    highest: usize,
    count: usize,
    rate: f64,
    variance_at: impl Fn(usize) -> f64,
) -> f64 {
    let n = count as f64;
    let information: f64 = (1..=highest.min(shape.highest()))
        .map(|h| (h * h) as f64 * shape.amplitude_squared(h) / variance_at(h))
        .sum();
    (6.0 * rate * rate / (PI * PI * n * (n * n - 1.0) * information)).sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Computed from the formula outside this repository, the first one confirmed by a
    /// simulation of 4000 four-parameter fits (1.1971e-2 Hz, sd of that 1.1 %).
    #[test]
    fn known_values() {
        for (sigma, count, hertz) in [
            (0.01, 1_000, 1.183_497e-2),
            (0.1, 1_000, 1.183_497e-1),
            (0.01, 4_800, 1.125_395e-3),
            (0.01, 48_000, 3.558_813e-5),
        ] {
            let found = of_a_sine(1.0, sigma, count, 48_000.0);
            assert!((found / hertz - 1.0).abs() < 1e-6, "{count}: {found}");
            let again = of_harmonics(&Shape::sine(), 1, count, 48_000.0, |_| sigma * sigma);
            assert!((again / found - 1.0).abs() < 1e-12);
        }
        // In cents at the frequencies named beside the values: 1200 / ln 2 / f.
        let cents = |hertz: f64, at: f64| hertz / at * 1200.0 / std::f64::consts::LN_2;
        for (sigma, count, at, expected) in [
            (0.01, 1_000, 1_000.0, 2.048_911e-2),
            (0.1, 1_000, 1_000.0, 0.204_891_1),
            (0.01, 4_800, 440.0, 4.428e-3),
            (0.01, 48_000, 440.0, 1.400_259e-4),
        ] {
            let found = cents(of_a_sine(1.0, sigma, count, 48_000.0), at);
            assert!((found / expected - 1.0).abs() < 1e-4, "{found}");
        }
        // By the ratio of powers: A = 1, s = 0.01 is 36.99 dB.
        let eta: f64 = 1.0 / (2.0 * 0.01 * 0.01);
        assert!((10.0 * eta.log10() - 36.99).abs() < 0.005);
        let by_ratio = 48_000.0 / (2.0 * PI) * (12.0 / (eta * 1_000.0 * (1e6 - 1.0))).sqrt();
        assert!((by_ratio / of_a_sine(1.0, 0.01, 1_000, 48_000.0) - 1.0).abs() < 1e-12);
        // The complex tone's, 8.368588e-3 Hz.
        let complex = of_a_sine(1.0, 0.01, 1_000, 48_000.0) / 2_f64.sqrt();
        assert!((complex / 8.368_588e-3 - 1.0).abs() < 1e-6);
    }

    /// The numeric Fisher information for a constant, amplitude, phase and frequency,
    /// by finite sums: 1.1795e-2, 1.1728e-2, 1.1762e-2 and 1.1867e-2 Hz for the phases
    /// 0, 0.5, 1 and 1.5 rad (computed outside this repository), 1 % about the formula.
    #[test]
    fn finite_sums_agree_within_a_percent() {
        for (phase, hertz) in [
            (0.0, 1.1795e-2),
            (0.5, 1.1728e-2),
            (1.0, 1.1762e-2),
            (1.5, 1.1867e-2),
        ] {
            let found = of_finite_sums(1_000, 48_000.0, 1_000.0, phase, 0.01);
            assert!((found / hertz - 1.0).abs() < 2e-4, "{phase}: {found}");
            assert!((found / of_a_sine(1.0, 0.01, 1_000, 48_000.0) - 1.0).abs() < 0.01);
        }
    }

    /// Inverts the 4 by 4 information of cos(w t + phase) and a constant.
    fn of_finite_sums(count: usize, rate: f64, hertz: f64, phase: f64, sigma: f64) -> f64 {
        let mut matrix = [[0.0; 5]; 4];
        for n in 0..count {
            let t = n as f64 / rate;
            let (sine, cosine) = (2.0 * PI * hertz * t + phase).sin_cos();
            // Frequency, amplitude, phase, constant.
            let slopes = [-2.0 * PI * t * sine, cosine, -sine, 1.0];
            for (row, a) in matrix.iter_mut().zip(slopes) {
                for (entry, b) in row.iter_mut().zip(slopes) {
                    *entry += a * b / (sigma * sigma);
                }
            }
        }
        matrix[0][4] = 1.0;
        for pivot in 0..4 {
            let row = matrix[pivot].map(|value| value / matrix[pivot][pivot]);
            matrix[pivot] = row;
            for other in (0..4).filter(|other| *other != pivot) {
                let factor = matrix[other][pivot];
                for (entry, above) in matrix[other].iter_mut().zip(row) {
                    *entry -= factor * above;
                }
            }
        }
        matrix[0][4].sqrt()
    }
}
