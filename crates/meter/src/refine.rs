//! Least squares over all harmonics at once: the phase track and the waveform.
//!
//! The model is x(n) = s(phase(n)) + noise, with s one period of any waveform (all
//! its harmonics up to the Nyquist frequency) and phase(n) a polynomial of low
//! order. Since all harmonics share the track, the model is one look-up in a table
//! of a period, and the update of the waveform one sorting of the residual into the
//! bins of such a table: the cost does not depend on the number of harmonics.
//! Gauss-Newton on the track alternates with the waveform; both are taken from the
//! same pass over the samples.

use crate::shape::Shape;
use crate::track::{TERMS, Track, solve};

/// Sums over a stretch of samples, short enough that the track is a parabola.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Block {
    /// Where its middle is on the scale of the track.
    pub tau: f64,
    /// Sum of residual times slope of the waveform.
    pub score: f64,
    /// The same, times the distance from the middle on the scale of the track.
    pub moment: f64,
    /// Sum of the slope squared.
    pub information: f64,
    /// Sum of the residual squared.
    pub residual: f64,
}

/// What one pass over the samples found.
#[derive(Debug, Clone, Copy, Default)]
pub(crate) struct Totals {
    /// Sum of the residual squared.
    pub residual: f64,
    /// The normal matrix of the track's coefficients.
    pub normal: [[f64; TERMS]; TERMS],
    /// Its right side.
    pub right: [f64; TERMS],
}

/// How many samples go into a block.
pub(crate) fn block_length(samples: usize) -> usize {
    (samples / 96).clamp(16, 512)
}

/// One pass: the residual against waveform and track, its sums per block, and the
/// residual sorted into the bins of the period. `residual` takes the residual
/// itself.
pub(crate) fn pass(
    samples: &[f32],
    track: &Track,
    shape: &mut Shape,
    blocks: &mut Vec<Block>,
    residual: &mut [f32],
) -> Totals {
    blocks.clear();
    let length = block_length(samples.len());
    let shift = 64 - shape.bits;
    let to_cycles = (shape.table.len() as f64, 2.0 / track.samples);
    let table = &shape.table[..];
    let mask = table.len() - 1;
    let sums = &mut shape.sums[..table.len()];
    let mut totals = Totals::default();
    for (index, (block, out)) in samples
        .chunks(length)
        .zip(residual.chunks_mut(length))
        .enumerate()
    {
        let rotor = track.rotor(index * length, block.len());
        let (mut phase, mut step) = (rotor.phase, rotor.step);
        let middle = (block.len() as f32 - 1.0) / 2.0;
        let mut place = -middle;
        let [mut score, mut moment, mut information] = [0.0_f32; 3];
        let mut left = 0.0_f32;
        for (x, out) in block.iter().zip(out) {
            let bin = (phase >> shift) as usize & mask;
            // 24 bits of what is below the bin, as a fraction.
            let fraction = ((phase << shape.bits) >> 40) as i32 as f32 * (1.0 / 16_777_216.0);
            let [a, b, c, d] = table[bin];
            let value = a + fraction * (b + fraction * (c + fraction * d));
            let slope = b + fraction * (2.0 * c + fraction * (3.0 * d));
            let r = x - value;
            *out = r;
            sums[bin] += f64::from(r);
            let g = r * slope;
            score += g;
            moment += g * place;
            information += slope * slope;
            left += r * r;
            place += 1.0;
            phase = phase.wrapping_add(step);
            step = step.wrapping_add(rotor.bend);
        }
        let (bins, per_sample) = to_cycles;
        let tau = (index * length) as f64 + f64::from(middle);
        let block = Block {
            tau: tau * per_sample - 1.0,
            score: f64::from(score) * bins,
            moment: f64::from(moment) * bins * per_sample,
            information: f64::from(information) * bins * bins,
            residual: f64::from(left),
        };
        totals.add(&block);
        blocks.push(block);
    }
    totals
}

impl Totals {
    fn add(&mut self, block: &Block) {
        self.residual += block.residual;
        let mut powers = [1.0; 2 * TERMS - 1];
        for k in 1..powers.len() {
            powers[k] = powers[k - 1] * block.tau;
        }
        for j in 0..TERMS {
            self.right[j] += block.score * powers[j];
            if j > 0 {
                self.right[j] += block.moment * j as f64 * powers[j - 1];
            }
            for k in 0..TERMS {
                self.normal[j][k] += block.information * powers[j + k];
            }
        }
    }

    /// The step that makes the track fit better, of this order. The constant is
    /// fitted with it and left out, for the waveform takes it up.
    pub fn step(&self, order: usize) -> Option<[f64; TERMS]> {
        let mut step = solve(&self.normal, &self.right, order + 1)?;
        step[0] = 0.0;
        for coefficient in &mut step[order + 1..] {
            *coefficient = 0.0;
        }
        Some(step)
    }

    /// Variance of the mean frequency, in (cycles per sample) squared, for noise of
    /// variance one per sample: the inverse of the Fisher information.
    pub fn unit_variance(&self, order: usize, samples: usize) -> Option<f64> {
        let mut weights = [0.0; TERMS];
        for j in (1..=order).step_by(2) {
            weights[j] = 2.0 / samples as f64;
        }
        let solved = solve(&self.normal, &weights, order + 1)?;
        Some((0..=order).map(|j| solved[j] * weights[j]).sum())
    }
}
