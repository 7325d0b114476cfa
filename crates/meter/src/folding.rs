//! A window folded onto one period: the harmonics of a tone whose frequency is known.
//!
//! The sum over x(n) exp(-2 pi i h phase(n)) for all h at once is a Fourier transform
//! whose points lie anywhere; spread onto a regular grid by a Gauss kernel it becomes
//! a fast one (Greengard and Lee, "Accelerating the nonuniform fast Fourier transform",
//! SIAM Review 46, 2004; the constants from memory, checked by the test below). Hann's
//! window over a whole number of periods keeps the harmonics apart.

use realfft::{RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex;
use std::f64::consts::PI;
use std::fmt;
use std::sync::Arc;

/// Points of the grid to either side that a sample is spread onto.
const SPREAD: usize = 9;
/// The share of the sampling rate that harmonics may reach.
const BELOW_NYQUIST: f64 = 0.49;
/// More harmonics are not looked at.
const MOST_HARMONICS: usize = 4096;
/// What Hann's window makes of white noise: its mean square over its mean, squared.
pub(crate) const HANN: f64 = 1.5;

/// A frequency and how it changes: all that a window is folded by.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Steady {
    /// Mean over the window, in cycles per sample.
    pub step: f64,
    /// Its change, in cycles per sample squared.
    pub bend: f64,
}

/// What a window folds to.
#[derive(Debug, Clone, Default)]
pub(crate) struct Folded {
    /// x = c_0 + Re sum c_h exp(2 pi i h phase), where the phase is zero in the middle of
    /// the window.
    pub harmonics: Vec<Complex<f64>>,
    /// Variance per sample of what is no harmonic.
    pub noise: f64,
    /// How many samples were used: those of whole periods about the middle.
    pub samples: usize,
}

impl Folded {
    /// Power of a harmonic, half its amplitude squared, with what noise adds to it.
    pub fn power(&self, h: usize) -> f64 {
        self.harmonics.get(h).map_or(0.0, |c| c.norm_sqr() / 2.0)
    }

    /// What noise adds to the power of each harmonic on average.
    pub fn noise_power(&self) -> f64 {
        2.0 * HANN * self.noise / self.samples as f64
    }
}

/// Buffers and transforms of the folding.
pub(crate) struct Folding {
    planner: RealFftPlanner<f64>,
    forward: Option<Arc<dyn RealToComplex<f64>>>,
    grid: Vec<f64>,
    spectrum: Vec<Complex<f64>>,
    scratch: Vec<Complex<f64>>,
}

impl fmt::Debug for Folding {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Folding")
            .field("grid", &self.grid.len())
            .finish_non_exhaustive()
    }
}

impl Folding {
    pub fn new() -> Self {
        Self {
            planner: RealFftPlanner::new(),
            forward: None,
            grid: Vec::new(),
            spectrum: Vec::new(),
            scratch: Vec::new(),
        }
    }

    /// Folds a window, with at most so many harmonics. `None` where it does not hold
    /// two periods.
    pub fn fold(&mut self, samples: &[f32], tone: Steady, most: usize) -> Option<Folded> {
        let count = (BELOW_NYQUIST / tone.step) as usize;
        let count = count.min(MOST_HARMONICS).min(most);
        let periods = (tone.step * samples.len() as f64 * (1.0 + 1e-9)).floor();
        if count == 0 || periods.is_nan() || periods < 2.0 {
            return None;
        }
        let used = ((periods / tone.step).round() as usize).min(samples.len());
        let from = (samples.len() - used) / 2;
        let middle = samples.len() as f64 / 2.0;
        let samples = &samples[from..from + used];

        let points = (4 * (count + 1)).max(4 * SPREAD).next_power_of_two();
        self.prepare(points);
        // Twice as many points as modes: R = 2 in the paper's formula for the width.
        let modes = points as f64 / 2.0;
        let width = PI * SPREAD as f64 / (modes * modes * 3.0);
        let spacing = 2.0 * PI / points as f64;
        let steps: [f64; SPREAD + 1] =
            std::array::from_fn(|k| (-(k as f64 * spacing).powi(2) / (4.0 * width)).exp());
        let mask = points - 1;

        let n = used as f64;
        let (turn_re, turn_im) = (2.0 * PI / n).sin_cos();
        let turn = Complex::new(turn_im, turn_re);
        let mut hann = Complex::from_polar(1.0, PI / n);
        let mean = samples.iter().map(|x| f64::from(*x)).sum::<f64>() / n;
        let (mut sum, mut square) = (0.0, 0.0);
        for (at, x) in samples.iter().enumerate() {
            let t = (from + at) as f64 - middle;
            let phase = t * (tone.step + 0.5 * tone.bend * t);
            let place = (phase - phase.floor()) * points as f64;
            let below = place as usize;
            let beyond = (place - below as f64) * spacing;
            let weight = 1.0 - hann.re;
            hann *= turn;
            let value = f64::from(*x) - mean;
            sum += weight * value;
            square += weight * value * value;
            let first = weight * value * (-beyond * beyond / (4.0 * width)).exp();
            let ratio = (beyond * spacing / (2.0 * width)).exp();
            let (mut up, mut down) = (first, first);
            self.grid[below & mask] += first;
            for (k, step) in steps.iter().enumerate().skip(1) {
                up *= ratio;
                down /= ratio;
                self.grid[(below + k) & mask] += up * step;
                if k < SPREAD {
                    self.grid[(below + points - k) & mask] += down * step;
                }
            }
        }
        let forward = self.forward.as_ref()?;
        // The lengths fit by construction, so it cannot fail.
        let _ = forward.process_with_scratch(&mut self.grid, &mut self.spectrum, &mut self.scratch);
        let scale = (PI / width).sqrt() / points as f64 * 2.0 / n;
        let mut harmonics: Vec<Complex<f64>> = (0..=count)
            .map(|h| self.spectrum[h] * (scale * ((h * h) as f64 * width).exp()))
            .collect();
        harmonics[0] = Complex::new(sum / n, 0.0);
        let explained: f64 = harmonics[0].re.powi(2)
            + harmonics[1..]
                .iter()
                .map(|c| c.norm_sqr() / 2.0)
                .sum::<f64>();
        let freedom = (1.0 - HANN * (2 * count + 1) as f64 / n).max(0.25);
        harmonics[0].re += mean;
        Some(Folded {
            harmonics,
            noise: ((square / n - explained) / freedom).max(square / n * 1e-12),
            samples: used,
        })
    }

    fn prepare(&mut self, points: usize) {
        if self.forward.as_ref().is_none_or(|fft| fft.len() != points) {
            let forward = self.planner.plan_fft_forward(points);
            self.spectrum.resize(points / 2 + 1, Complex::default());
            self.scratch
                .resize(forward.get_scratch_len(), Complex::default());
            self.forward = Some(forward);
        }
        self.grid.clear();
        self.grid.resize(points, 0.0);
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Against the plain sum, whatever the phases fall on.
    #[test]
    fn the_fast_sum_is_the_plain_one() {
        let mut folding = Folding::new();
        for (step, bend, count) in [
            (0.012_345, 0.0, 3_000),
            (1.0 / 48.0, 0.0, 1_000),
            (0.2, 0.0, 500),
            (0.0101, 2e-8, 5_000),
        ] {
            let samples: Vec<f32> = (0..count)
                .map(|n| ((n * n * 31 + n * 7) % 101) as f32 / 101.0 - 0.3)
                .collect();
            let tone = Steady { step, bend };
            let folded = folding.fold(&samples, tone, usize::MAX).unwrap();
            let used = folded.samples;
            let from = (count - used) / 2;
            let mean = samples[from..from + used]
                .iter()
                .map(|x| f64::from(*x))
                .sum::<f64>()
                / used as f64;
            for (h, found) in folded.harmonics.iter().enumerate().skip(1) {
                let sum: Complex<f64> = (0..used)
                    .map(|at| {
                        let t = (from + at) as f64 - count as f64 / 2.0;
                        let phase = t * (step + 0.5 * bend * t);
                        let weight = 1.0 - (2.0 * PI * (at as f64 + 0.5) / used as f64).cos();
                        Complex::from_polar(
                            weight * (f64::from(samples[from + at]) - mean),
                            -2.0 * PI * h as f64 * phase,
                        )
                    })
                    .sum();
                let plain = sum * (2.0 / used as f64);
                assert!((found - plain).norm() < 1e-7, "{h}: {found} {plain}");
            }
        }
    }
}
