//! Is it the right octave? Upwards by arithmetic, downwards by what the fit left.
//!
//! A frequency found too low shows in the harmonics: only every second (third ...)
//! is there. One found too high leaves lines at fractions of it in the residual;
//! they are looked for with the phase of the track, so that drift does not smear
//! them, and judged against the lines between, which noise alone fills.
//!
//! That noise is not white: an oscillator's own phase noise stands like a hill around
//! every harmonic, and at one distance from them it is one random number that all
//! harmonics share. So every line is divided by the mean of its nearest neighbours on
//! the same hill, and what the lines of a fraction come to together is held against
//! what lines at other distances, which are no fraction, come to together: they
//! scatter little in white noise and like an exponential distribution on a hill.

use crate::shape::Shape;
use crate::track::Track;
use realfft::{RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex;
use std::fmt;
use std::sync::Arc;

/// Bins of each period in the folded residual. Many, for what is sorted into few
/// comes back as images of the harmonics, and where the rate of samples is no
/// multiple of the frequency those fall between the harmonics.
const BINS: usize = 256;
/// The highest harmonic whose neighbourhood is looked at.
const HIGHEST: usize = 24;
/// So many times what is rare is certain.
const CERTAIN: f64 = 1.5;
/// No fold has more lines below it.
const MOST_LINES: usize = 64 * HIGHEST;
/// Mean of Hann's window, and of its square.
const HANN_MEAN: f64 = 0.5;
const HANN_SQUARE: f64 = 0.375;
/// The fractions looked at.
const DIVISORS: [usize; 3] = [2, 3, 5];
/// Lines below this share of the tone's power, together, are nobody's octave: -80 dB,
/// and -65 dB where so few lines lie between the harmonics that phase noise cannot
/// be told from a fraction.
const LEAST_POWER: f64 = 1e-8;
const LEAST_POWER_OF_FEW: f64 = 3e-7;
/// The chance that noise reaches what is asked for, as a logarithm.
const RARE: f64 = 9.0;
/// One line counts this many times its neighbourhood at most when many are added.
const MOST_OF_ONE: f64 = 100.0;

/// An oscillator's lines have this many times more power in their lower than in their
/// upper half. Images are level, or rise.
const FALLING: f64 = 3.0;
/// A lower octave (or twelfth ...) with energy at it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Below {
    /// The period would be this many times as long.
    pub divisor: usize,
    /// Power of the lines found, the noise in them taken off.
    pub power: f64,
    /// Of those that are no mains lines.
    pub no_mains: f64,
    /// Whether those fall with the frequency, as an oscillator's do and images of
    /// harmonics above half the rate of samples do not.
    pub falling: bool,
    /// Whether they stand out so far that not even one of many windows would show it by
    /// accident.
    pub certain: bool,
    /// How many lines were looked at.
    pub lines: usize,
}

struct Fold {
    periods: usize,
    /// So many neighbours on either side are a line's neighbourhood.
    reach: usize,
    transform: Arc<dyn RealToComplex<f32>>,
    sums: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
}

/// Buffers and transforms for it.
pub(crate) struct Octaves {
    folds: [Fold; 5],
    neighbourhood: Neighbourhood,
}

/// The lines of a folded residual that belong to no harmonic and to no fraction.
struct Neighbourhood {
    /// Which they are, from the lowest.
    free: Vec<usize>,
    /// The sum of their powers up to each.
    running: Vec<f64>,
    /// Their powers over those of their own neighbours.
    ratios: Vec<f64>,
    /// The mean of those at the same distance from a harmonic, below or above.
    means: Vec<f64>,
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
            folds: [(60, 8), (30, 6), (12, 4), (6, 4), (2, 0)].map(
                |(periods, reach): (usize, _)| {
                    let transform = planner.plan_fft_forward(periods * BINS);
                    Fold {
                        periods,
                        reach,
                        // One more, which is the first again.
                        sums: vec![0.0; periods * BINS + 1],
                        spectrum: vec![Complex::default(); periods * BINS / 2 + 1],
                        scratch: vec![Complex::default(); transform.get_scratch_len()],
                        transform,
                    }
                },
            ),
            neighbourhood: Neighbourhood {
                free: Vec::with_capacity(MOST_LINES),
                running: Vec::with_capacity(MOST_LINES),
                ratios: Vec::with_capacity(MOST_LINES),
                means: Vec::with_capacity(MOST_LINES),
            },
        }
    }

    /// The strongest fraction of the frequency with energy at it in `residual`, what
    /// the fit left of a tone of this power. `mains` tells whether a frequency, in
    /// cycles per sample, is that of a mains line.
    pub fn below(
        &mut self,
        residual: &[f32],
        track: &Track,
        block: usize,
        tone: f64,
        mains: impl Fn(f64) -> bool,
    ) -> Option<Below> {
        let length = residual.len() as f64;
        let periods = track.mean_step() * length;
        let fold = self
            .folds
            .iter_mut()
            .find(|fold| periods >= fold.least_periods())?;
        fold.fill(residual, track, block);
        let fold = &*fold;
        // Nothing above the Nyquist frequency.
        let nyquist = 0.5 * fold.periods as f64 / track.mean_step();
        let top = (nyquist as usize).min(HIGHEST * fold.periods);
        // What white noise would put into every line.
        let white: f64 = residual.iter().map(|r| f64::from(r * r)).sum::<f64>() * HANN_SQUARE;
        let around = &mut self.neighbourhood;
        around.survey(fold, top, white);
        let step = track.mean_step();
        let per_power = 2.0 / (length * length * HANN_MEAN * HANN_MEAN);
        DIVISORS
            .into_iter()
            .filter_map(|divisor| {
                let lines = || (1..top).filter(move |&line| fold.belongs(line, divisor));
                let count = lines().count();
                if count == 0 {
                    return None;
                }
                let alone = around.rare_alone(count);
                let (mut excess, mut sum, mut highest) = (0.0, 0.0, 0.0_f64);
                // The lower and the upper half of the lines.
                let mut halves = [0.0; 2];
                for (index, line) in lines().enumerate() {
                    let expected = around.of(fold, line, white);
                    let ratio = fold.power(line) / expected;
                    excess += fold.power(line) - expected;
                    sum += ratio.min(MOST_OF_ONE);
                    highest = highest.max(ratio);
                    if !mains(line as f64 / fold.periods as f64 * step) {
                        halves[usize::from(2 * index >= count)] += fold.power(line) - expected;
                    }
                }
                let (mean, rare) = (sum / count as f64, around.rare_together(fold, count));
                // The lowest of them is the likeliest, and not one of many.
                let lowest = lines()
                    .next()
                    .map_or(0.0, |line| fold.power(line) / around.of(fold, line, white));
                let first = lowest > around.rare_alone(1) - 1.0;
                let stands_out = first || highest > alone || mean > rare;
                let power = excess.max(0.0) * per_power;
                (stands_out && power > fold.least_power() * tone).then_some(Below {
                    divisor,
                    power,
                    no_mains: (halves[0] + halves[1]).max(0.0) * per_power,
                    falling: halves[0] > FALLING * halves[1].max(0.0),
                    certain: highest > CERTAIN * alone || mean > CERTAIN * rare,
                    lines: count,
                })
            })
            .max_by(|a, b| a.power.total_cmp(&b.power))
    }
}

impl Fold {
    /// The least number of periods whose lines a window tells apart.
    fn least_periods(&self) -> f64 {
        match self.periods {
            2 => 3.2,
            many => 2.0 * many as f64,
        }
    }

    fn least_power(&self) -> f64 {
        if self.periods < 12 {
            LEAST_POWER_OF_FEW
        } else {
            LEAST_POWER
        }
    }

    /// Sorts the residual over so many periods of the track, and transforms it. Under
    /// Hann's window, for what the fit left within a harmonic's own width reaches far
    /// under a plain one, in patterns that look like lines.
    fn fill(&mut self, residual: &[f32], track: &Track, block: usize) {
        let slow = track.scaled(1.0 / self.periods as f64);
        self.sums.fill(0.0);
        let length = self.sums.len() - 1;
        let hann = |sample: usize| {
            let turn = std::f64::consts::PI * sample as f64 / residual.len() as f64;
            (turn.sin() * turn.sin()) as f32
        };
        for (index, part) in residual.chunks(block).enumerate() {
            let rotor = slow.rotor(index * block, part.len());
            let (mut phase, mut step) = (rotor.phase, rotor.step);
            let begin = index * block;
            let mut weight = hann(begin);
            let rise = (hann(begin + part.len()) - weight) / part.len() as f32;
            for x in part {
                let place = (phase >> 32) * length as u64;
                let bin = (place >> 32) as usize;
                // Shared between two bins, by nearness.
                let next = (place as u32 >> 8) as f32 * (1.0 / 16_777_216.0) * x * weight;
                self.sums[bin] += x * weight - next;
                self.sums[bin + 1] += next;
                weight += rise;
                phase = phase.wrapping_add(step);
                step = step.wrapping_add(rotor.bend);
            }
        }
        self.sums[0] += self.sums[length];
        let _ = self.transform.process_with_scratch(
            &mut self.sums[..length],
            &mut self.spectrum,
            &mut self.scratch,
        );
    }

    fn power(&self, line: usize) -> f64 {
        f64::from(self.spectrum[line].norm_sqr())
    }

    /// Whether a line is at a multiple of the frequency over the divisor, but not
    /// of the frequency.
    fn belongs(&self, line: usize, divisor: usize) -> bool {
        self.periods.is_multiple_of(divisor)
            && (line * divisor).is_multiple_of(self.periods)
            && !line.is_multiple_of(self.periods)
    }

    fn is_free(&self, line: usize) -> bool {
        !line.is_multiple_of(self.periods) && !DIVISORS.iter().any(|&m| self.belongs(line, m))
    }
}

impl Neighbourhood {
    /// Looks at the free lines below `top`.
    fn survey(&mut self, fold: &Fold, top: usize, white: f64) {
        self.free.clear();
        self.free
            .extend((1..top).filter(|&line| fold.is_free(line)));
        self.running.clear();
        self.running.push(0.0);
        let mut sum = 0.0;
        for &line in &self.free {
            sum += fold.power(line);
            self.running.push(sum);
        }
        self.ratios.clear();
        self.means.clear();
        for distance in 1..fold.periods.div_ceil(2) {
            let before = self.ratios.len();
            for index in 0..self.free.len() {
                let from = self.free[index] % fold.periods;
                if from == distance || from == fold.periods - distance {
                    let line = self.free[index];
                    let ratio = fold.power(line) / self.of(fold, line, white);
                    self.ratios.push(ratio);
                }
            }
            let ratios = &self.ratios[before..];
            if !ratios.is_empty() {
                let sum: f64 = ratios.iter().map(|ratio| ratio.min(MOST_OF_ONE)).sum();
                self.means.push(sum / ratios.len() as f64);
            }
        }
        self.ratios.sort_unstable_by(f64::total_cmp);
        self.means.sort_unstable_by(f64::total_cmp);
    }

    /// What is to be expected in a line: the mean of its nearest free neighbours.
    fn of(&self, fold: &Fold, line: usize, white: f64) -> f64 {
        let index = self.free.partition_point(|&free| free < line);
        let itself = usize::from(self.free.get(index) == Some(&line));
        let low = index.saturating_sub(fold.reach);
        let high = (index + itself + fold.reach).min(self.free.len());
        let count = high - low - itself;
        if count == 0 {
            return white.max(f64::MIN_POSITIVE);
        }
        let own = if itself == 1 { fold.power(line) } else { 0.0 };
        let mean = (self.running[high] - self.running[low] - own) / count as f64;
        mean.max(white * 1e-3).max(f64::MIN_POSITIVE)
    }

    /// How far one of `count` lines must stand out to be no accident.
    fn rare_alone(&self, count: usize) -> f64 {
        // For an exponential distribution the 98th of a hundred is at 3.9.
        let often = self.ratios.get(self.ratios.len() * 98 / 100);
        ((count as f64).ln() + RARE).max(3.5 * often.copied().unwrap_or(0.0))
    }

    /// How far the mean of `count` lines must stand out to be no accident.
    fn rare_together(&self, fold: &Fold, count: usize) -> f64 {
        let count = count as f64;
        let white = 1.0 + (RARE - 1.0) / count.sqrt() + RARE / count;
        let classes = self.means.len();
        if classes < 2 {
            return white;
        }
        let (middle, upper) = (self.means[classes / 2], self.means[classes * 3 / 4]);
        // From the middle to the upper quartile is 0.67 of the standard deviation
        // for a normal and 0.69 for an exponential distribution.
        let scatter = (upper - middle) / 0.68;
        let each = classes as f64 / self.ratios.len() as f64;
        let shared = (scatter * scatter - each).max(0.0).sqrt();
        // An exponential variable over the mean of n others exceeds x with the
        // probability (1 + x / n)^-n.
        let n = fold.reach as f64;
        white + shared * n * ((RARE / n).exp() - 1.0)
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
