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

const LONGEST_BLOCK: usize = 512;
/// Room for the blocks of any usual window.
pub(crate) const MOST_BLOCKS: usize = 1024;
/// So many samples are summed side by side.
const LANES: usize = 8;

/// How many samples go into a block.
pub(crate) fn block_length(samples: usize) -> usize {
    (samples / 96).clamp(16, LONGEST_BLOCK)
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
    // Sizes that the compiler knows save a third of the time.
    match shape.bits {
        9 => pass_of::<9, 512>(samples, track, shape, blocks, residual),
        10 => pass_of::<10, 1024>(samples, track, shape, blocks, residual),
        11 => pass_of::<11, 2048>(samples, track, shape, blocks, residual),
        12 => pass_of::<12, 4096>(samples, track, shape, blocks, residual),
        _ => pass_of::<13, 8192>(samples, track, shape, blocks, residual),
    }
}

fn pass_of<const BITS: u32, const BINS: usize>(
    samples: &[f32],
    track: &Track,
    shape: &mut Shape,
    blocks: &mut Vec<Block>,
    residual: &mut [f32],
) -> Totals {
    blocks.clear();
    let length = block_length(samples.len());
    let mut totals = Totals::default();
    let to_cycles = (BINS as f64, 2.0 / track.samples);
    let (Ok(table), Ok(sums)): (Result<&[[f32; 4]; BINS], _>, Result<&mut [f64; BINS], _>) =
        (shape.table[..].try_into(), (&mut shape.sums[..]).try_into())
    else {
        return totals;
    };
    let mut values = [0.0_f32; LONGEST_BLOCK];
    let mut slopes = [0.0_f32; LONGEST_BLOCK];
    let mut bins_of = [0_u32; LONGEST_BLOCK];
    for (index, (block, out)) in samples
        .chunks(length)
        .zip(residual.chunks_mut(length))
        .enumerate()
    {
        let rotor = track.rotor(index * length, block.len());
        let (mut phase, mut step) = (rotor.phase, rotor.step);
        let middle = (block.len() as f32 - 1.0) / 2.0;
        // In three steps, of which the last can be done for many samples at once.
        let values = &mut values[..block.len()];
        let slopes = &mut slopes[..block.len()];
        let bins_of = &mut bins_of[..block.len()];
        for ((value, slope), bin_of) in values.iter_mut().zip(&mut *slopes).zip(&mut *bins_of) {
            let bin = (phase >> (64 - BITS)) as usize;
            // 24 bits of what is below the bin, as a fraction.
            let fraction = ((phase << BITS) >> 40) as i32 as f32 * (1.0 / 16_777_216.0);
            let [a, b, c, d] = table[bin];
            let curved = fraction * d;
            *value = a + fraction * (b + fraction * (c + curved));
            *slope = b + fraction * (2.0 * c + 3.0 * curved);
            *bin_of = bin as u32;
            phase = phase.wrapping_add(step);
            step = step.wrapping_add(rotor.bend);
        }
        let mut lanes = [[0.0_f32; LANES]; 3];
        let mut add = |x: &[f32], value: &[f32], slope: &[f32], out: &mut [f32]| {
            for lane in 0..x.len() {
                let r = x[lane] - value[lane];
                out[lane] = r;
                lanes[0][lane] += r * slope[lane];
                lanes[1][lane] += slope[lane] * slope[lane];
                lanes[2][lane] += r * r;
            }
        };
        let whole = block.len() / LANES * LANES;
        for (((x, value), slope), out) in block[..whole]
            .as_chunks::<LANES>()
            .0
            .iter()
            .zip(values.as_chunks::<LANES>().0)
            .zip(slopes.as_chunks::<LANES>().0)
            .zip(out.as_chunks_mut::<LANES>().0)
        {
            add(x, value, slope, out);
        }
        add(
            &block[whole..],
            &values[whole..],
            &slopes[whole..],
            &mut out[whole..],
        );
        let [score, information, left] = lanes.map(|lanes| lanes.iter().sum::<f32>());
        for (bin, r) in bins_of.iter().zip(&*out) {
            sums[*bin as usize % BINS] += f64::from(*r);
        }
        let (bins, per_sample) = to_cycles;
        let tau = (index * length) as f64 + f64::from(middle);
        let block = Block {
            tau: tau * per_sample - 1.0,
            score: f64::from(score) * bins,
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
