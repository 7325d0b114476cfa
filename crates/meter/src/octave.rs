//! Is it the right octave? Upwards by arithmetic, downwards by what the fit left.
//!
//! A frequency found too low shows in the harmonics: only every second (third ...)
//! is there. One found too high leaves lines at fractions of it in the residual;
//! they are looked for with the phase of the track, so that drift does not smear
//! them, and judged against the lines between, which noise alone fills.

use crate::shape::Shape;
use crate::track::Track;
use realfft::{RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex;
use std::fmt;
use std::sync::Arc;

/// Bins of each period in the folded residual.
const BINS: usize = 64;

/// A lower octave (or twelfth ...) with energy at it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Below {
    /// The period would be this many times as long.
    pub divisor: usize,
    /// Power of the lines found, the noise in them taken off.
    pub power: f64,
    /// How many lines stand out one by one.
    pub lines: usize,
}

struct Fold {
    periods: usize,
    transform: Arc<dyn RealToComplex<f32>>,
    sums: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
}

/// Buffers and transforms for it.
pub(crate) struct Octaves {
    folds: [Fold; 4],
    floor: Vec<f64>,
}

impl fmt::Debug for Octaves {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Octaves").finish_non_exhaustive()
    }
}

/// The factor by which the frequency is too low: the largest number of whose
/// multiples the harmonics are, all but a share `negligible` of their power.
pub(crate) fn common_divisor(shape: &Shape, negligible: f64) -> usize {
    let kept = || (1..=shape.highest()).filter(|&h| shape.kept[h]);
    let Some(strongest) = kept().max_by(|&a, &b| shape.power(a).total_cmp(&shape.power(b))) else {
        return 0;
    };
    let total = shape.power_kept();
    (1..=strongest)
        .rev()
        .filter(|divisor| strongest.is_multiple_of(*divisor))
        .find(|&divisor| {
            let outside: f64 = kept()
                .filter(|h| !h.is_multiple_of(divisor))
                .map(|h| shape.power(h))
                .sum();
            outside <= negligible * total
        })
        .unwrap_or(1)
}

impl Octaves {
    pub fn new() -> Self {
        let mut planner = RealFftPlanner::new();
        Self {
            // Two, three and five times the period, as far as the window tells
            // their lines apart.
            folds: [30, 12, 6, 2].map(|periods| {
                let transform = planner.plan_fft_forward(periods * BINS);
                Fold {
                    periods,
                    sums: vec![0.0; periods * BINS],
                    spectrum: vec![Complex::default(); periods * BINS / 2 + 1],
                    scratch: vec![Complex::default(); transform.get_scratch_len()],
                    transform,
                }
            }),
            floor: Vec::new(),
        }
    }

    /// The strongest fraction of the frequency with energy at it in `residual`.
    pub fn below(&mut self, residual: &[f32], track: &Track, block: usize) -> Option<Below> {
        let periods = track.mean_step() * residual.len() as f64;
        let fold = self
            .folds
            .iter_mut()
            .find(|fold| periods >= 1.6 * fold.periods as f64)?;
        let slow = track.scaled(1.0 / fold.periods as f64);
        fold.sums.fill(0.0);
        let length = fold.sums.len();
        for (index, part) in residual.chunks(block).enumerate() {
            let rotor = slow.rotor(index * block, part.len());
            let (mut phase, mut step) = (rotor.phase, rotor.step);
            for x in part {
                let bin = ((phase >> 32) as usize * length) >> 32;
                fold.sums[bin] += x;
                phase = phase.wrapping_add(step);
                step = step.wrapping_add(rotor.bend);
            }
        }
        let _ = fold.transform.process_with_scratch(
            &mut fold.sums,
            &mut fold.spectrum,
            &mut fold.scratch,
        );
        let spectrum = &fold.spectrum;
        let periods = fold.periods;
        // Nothing above the Nyquist frequency, nothing that the sorting into bins
        // has worn away.
        let top = ((0.5 * periods as f64 / track.mean_step()) as usize).min(spectrum.len() * 3 / 4);
        let belongs = |line: usize, divisor: usize| {
            periods.is_multiple_of(divisor)
                && (line * divisor).is_multiple_of(periods)
                && !line.is_multiple_of(periods)
        };
        let power = |line: usize| f64::from(spectrum[line].norm_sqr());
        self.floor.clear();
        self.floor.extend(
            (1..top)
                .filter(|&line| {
                    !line.is_multiple_of(periods) && ![2, 3, 5].iter().any(|&m| belongs(line, m))
                })
                .map(power),
        );
        let total: f64 = residual.iter().map(|r| f64::from(r * r)).sum();
        // The mean of an exponential distribution from its median, so that a hum
        // does not count; with no lines between, all of the residual is noise.
        let floor = if self.floor.len() >= 8 {
            let middle = self.floor.len() / 2;
            let (_, median, _) = self.floor.select_nth_unstable_by(middle, f64::total_cmp);
            *median / std::f64::consts::LN_2
        } else {
            total
        };
        let floor = floor.max(total * 1e-3).max(f64::MIN_POSITIVE);
        // The line and its neighbours: phase noise stands like a hill around every
        // harmonic, and is no line.
        let free = |line: usize| ![2, 3, 5].iter().any(|&m| belongs(line, m));
        let around = |line: usize| {
            let (mut sum, mut count) = (0.0, 0.0);
            for neighbour in [line - 1, line + 1] {
                if free(neighbour) && !neighbour.is_multiple_of(periods) {
                    sum += power(neighbour);
                    count += 1.0;
                }
            }
            if count > 0.0 {
                floor.max(sum / count)
            } else {
                floor
            }
        };
        let per_power = 2.0 / (residual.len() as f64 * residual.len() as f64);
        [2, 3, 5]
            .into_iter()
            .filter_map(|divisor| {
                let lines = || (1..top).filter(move |&line| belongs(line, divisor));
                let count = lines().count() as f64;
                if count == 0.0 {
                    return None;
                }
                let least = count.ln() + 9.0;
                let (mut sum, mut expected, mut square, mut stand_out) = (0.0, 0.0, 0.0, 0);
                for line in lines() {
                    let around = around(line);
                    sum += power(line);
                    expected += around;
                    square += around * around;
                    stand_out += usize::from(power(line) > least * around);
                }
                let excess = sum - expected;
                let significant = stand_out > 0 || excess > 7.0 * f64::sqrt(square) + 6.0 * floor;
                significant.then_some(Below {
                    divisor,
                    power: excess.max(0.0) * per_power,
                    lines: stand_out,
                })
            })
            .max_by(|a, b| a.power.total_cmp(&b.power))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use rustfft::num_complex::Complex;

    #[test]
    fn the_common_divisor_of_the_harmonics() {
        let divisor = |present: &[usize]| {
            let mut shape = Shape::new();
            shape.begin(13);
            for &h in present {
                shape.kept[h] = true;
                shape.harmonics[h] = Complex::new(1.0, 0.0);
            }
            common_divisor(&shape, 1e-4)
        };
        assert_eq!(divisor(&[]), 0);
        assert_eq!(divisor(&[2, 4, 6]), 2);
        assert_eq!(divisor(&[3, 9, 12]), 3);
        assert_eq!(divisor(&[2, 3]), 1);
        assert_eq!(divisor(&[5]), 5);
    }
}
