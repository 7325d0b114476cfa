//! From a rough period to a phase track: one harmonic, followed step by step.
//!
//! The window is cut into stretches of a few whole periods; the phase of a low
//! harmonic in each is unwrapped, from the middle of the window outwards, and a
//! parabola fitted by weighted least squares (after Tretter, "Estimating the
//! frequency of a noisy sinusoid by linear regression", IEEE Trans. Inf. Theory 31,
//! 1985; from memory). It only has to be right to a fraction of a cycle of the
//! highest harmonic: what follows is a fit to the samples themselves.

use crate::track::{TERMS, Track, solve};
use rustfft::num_complex::Complex;
use std::f64::consts::PI;

/// The harmonics looked at.
const RUNGS: usize = 5;
/// Bins of a period.
const BINS: usize = 32;

/// A stretch of whole periods.
#[derive(Debug, Clone, Copy)]
struct Stretch {
    tau: f64,
    samples: f64,
    rungs: [Complex<f64>; RUNGS],
}

/// Buffers of the ladder.
#[derive(Debug, Default)]
pub(crate) struct Ladder {
    stretches: Vec<Stretch>,
    phases: Vec<f64>,
}

/// What came of it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Climb {
    pub track: Track,
    /// How far, in cycles of the fundamental, the track may be off anywhere.
    pub doubt: f64,
    /// The order of the track.
    pub order: usize,
}

fn turns() -> [[Complex<f64>; BINS]; RUNGS] {
    std::array::from_fn(|rung| {
        std::array::from_fn(|bin| {
            let angle = -2.0 * PI * (rung as f64 + 1.0) * (bin as f64 + 0.5) / BINS as f64;
            Complex::from_polar(1.0, angle)
        })
    })
}

impl Ladder {
    /// Follows the oscillation of about `period` samples through the window.
    /// `None` where its phase cannot be followed.
    pub fn climb(&mut self, samples: &[f32], mean: f32, period: f64) -> Option<Climb> {
        let periods = samples.len() as f64 / period;
        // Room for the smallest steps.
        let room = samples.len() / 12 + 2;
        self.stretches.clear();
        self.stretches.reserve(room);
        self.phases.clear();
        self.phases.reserve(room);
        // Whole periods per stretch: enough samples, and a few dozen stretches, but
        // short enough that an error of the period of one in a thousand stays
        // below a tenth of a cycle.
        let least = (48.0 / period).ceil();
        let each = (periods / 32.0).floor().clamp(1.0, 12.0).max(least);
        self.walk(samples, mean, period, each, periods).or_else(|| {
            // Where the period is not known that well, smaller steps.
            let smaller = (each / 4.0).floor().max(1.0);
            (smaller < each)
                .then(|| self.walk(samples, mean, period, smaller, periods))
                .flatten()
        })
    }

    fn walk(
        &mut self,
        samples: &[f32],
        mean: f32,
        period: f64,
        each: f64,
        periods: f64,
    ) -> Option<Climb> {
        let count = (periods / each + 1e-9).floor() as usize;
        if count < 2 {
            return None;
        }
        self.cut(samples, mean, period, each, count);
        // The strongest rung first; the next one where the phase is lost.
        let mut energy: [(f64, usize); RUNGS] =
            std::array::from_fn(|rung| (self.energy(rung), rung));
        energy.sort_by(|a, b| b.0.total_cmp(&a.0));
        energy
            .iter()
            .take(2)
            .filter(|(strength, rung)| *strength > 0.0 && (*rung as f64 + 1.0) < period * 0.49)
            .find_map(|(_, rung)| self.follow(*rung, samples.len(), period, count))
    }

    fn energy(&self, rung: usize) -> f64 {
        self.stretches
            .iter()
            .map(|s| s.rungs[rung].norm_sqr())
            .sum()
    }

    fn cut(&mut self, samples: &[f32], mean: f32, period: f64, each: f64, count: usize) {
        let turns = turns();
        let scale = BINS as f64 / period;
        let rungs = RUNGS.min((period * 0.49) as usize).max(1);
        self.stretches.clear();
        // What is left over is shared by both ends.
        let offset = (samples.len() as f64 - count as f64 * each * period) / 2.0;
        for index in 0..count {
            let from = (offset + index as f64 * each * period).ceil().max(0.0) as usize;
            let to = (offset + (index as f64 + 1.0) * each * period).ceil() as usize;
            let to = to.min(samples.len());
            let mut bins = [0.0_f32; BINS];
            let cycles = from as f64 / period;
            let step = (scale * f64::from(1 << 26)) as u64;
            let mut phase = ((cycles - cycles.floor()) * f64::from(1 << 26) * BINS as f64) as u64;
            for x in &samples[from..to] {
                bins[(phase >> 26) as usize & (BINS - 1)] += x - mean;
                phase = phase.wrapping_add(step);
            }
            let mut found = [Complex::default(); RUNGS];
            for (sum, turns) in found.iter_mut().zip(&turns).take(rungs) {
                *sum = bins
                    .iter()
                    .zip(turns)
                    .map(|(bin, turn)| turn * f64::from(*bin))
                    .sum();
            }
            self.stretches.push(Stretch {
                tau: (from + to) as f64 / samples.len() as f64 - 1.0,
                samples: (to - from) as f64,
                rungs: found,
            });
        }
    }

    fn follow(&mut self, rung: usize, samples: usize, period: f64, count: usize) -> Option<Climb> {
        let harmonic = rung as f64 + 1.0;
        self.phases.clear();
        self.phases.extend(
            self.stretches
                .iter()
                .map(|s| s.rungs[rung].arg() / (2.0 * PI)),
        );
        let start = count / 2;
        // A first slope from the neighbourhood of the middle: the mean turn from one
        // stretch to the next, weighted by their strength.
        let (low, high) = (start.saturating_sub(4), (start + 4).min(count - 1));
        let turn: Complex<f64> = (low..high)
            .map(|k| self.stretches[k + 1].rungs[rung] * self.stretches[k].rungs[rung].conj())
            .sum();
        let first = turn.arg() / (2.0 * PI);
        let unwrap = |phases: &mut [f64], from: usize, to: usize, slope: &mut f64| {
            let expected = phases[from] + *slope;
            phases[to] += (expected - phases[to]).round();
            *slope += 0.2 * (phases[to] - expected);
        };
        let mut slope = first;
        for k in start + 1..count {
            unwrap(&mut self.phases, k - 1, k, &mut slope);
        }
        let mut slope = -first;
        for k in (0..start).rev() {
            unwrap(&mut self.phases, k + 1, k, &mut slope);
        }
        let usual = if count >= 5 { 2 } else { 1 };
        let (mut fitted, mut scatter) = self.polynomial(rung, usual)?;
        let mut order = usual;
        // A curved glide: only where it explains nearly all of what is left.
        if count >= 16
            && scatter > 1e-5
            && let Some((curved, left)) = self.polynomial(rung, 4)
            && left < 0.25 * scatter
        {
            (fitted, scatter, order) = (curved, left, 4);
        }
        // A phase at random scatters by 0.29 of a cycle.
        if scatter.is_nan() || scatter > 0.16 * 0.16 {
            return None;
        }
        let mut track = Track::steady(1.0 / period, samples);
        track.coefficients[0] = 0.0;
        for (to, from) in track.coefficients.iter_mut().zip(fitted).take(order + 1) {
            *to += from / harmonic;
        }
        if track.mean_step() <= 0.0 || (track.mean_step() * period - 1.0).abs() > 0.1 {
            return None;
        }
        Some(Climb {
            track,
            doubt: 3.0 * scatter.sqrt() / (count as f64).sqrt() / harmonic + 2e-5,
            order,
        })
    }

    /// The weighted polynomial through the phases, and their mean square from it.
    fn polynomial(&self, rung: usize, order: usize) -> Option<([f64; TERMS], f64)> {
        let mut normal = [[0.0; TERMS]; TERMS];
        let mut right = [0.0; TERMS];
        let mut total = 0.0;
        let weight = |stretch: &Stretch| (stretch.rungs[rung] / stretch.samples).norm_sqr();
        for (stretch, phase) in self.stretches.iter().zip(&self.phases) {
            let weight = weight(stretch);
            total += weight;
            for j in 0..=order {
                right[j] += weight * stretch.tau.powi(j as i32) * phase;
                for (k, entry) in normal[j].iter_mut().enumerate().take(order + 1) {
                    *entry += weight * stretch.tau.powi((j + k) as i32);
                }
            }
        }
        let fitted = solve(&normal, &right, order + 1)?;
        let scatter: f64 = self
            .stretches
            .iter()
            .zip(&self.phases)
            .map(|(stretch, phase)| {
                let fit: f64 = (0..=order)
                    .map(|j| fitted[j] * stretch.tau.powi(j as i32))
                    .sum();
                weight(stretch) * (phase - fit) * (phase - fit)
            })
            .sum();
        Some((fitted, scatter / total))
    }
}
