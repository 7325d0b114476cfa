//! One period of the waveform: its harmonics, and the same as a table to look up.

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex;
use std::f64::consts::PI;
use std::fmt;
use std::sync::Arc;

const SMALLEST: u32 = 9;
const LARGEST: u32 = 13;

struct Transforms {
    forward: Arc<dyn RealToComplex<f64>>,
    backward: Arc<dyn ComplexToReal<f64>>,
}

/// The waveform x = c0 + Re sum c_h exp(2 pi i h phase), phase in cycles.
pub(crate) struct Shape {
    /// c_0 (its real part) to c_H.
    pub harmonics: Vec<Complex<f64>>,
    /// Which of them are in the table.
    pub kept: Vec<bool>,
    /// By how much: less than one where a good part of it is noise.
    pub gain: Vec<f64>,
    /// Sums over harmonics of like parity, up to each.
    running: Vec<f64>,
    /// Cubics across the bins: value, and what follows the fraction within a bin.
    pub table: Vec<[f32; 4]>,
    /// What the samples that fell into a bin add up to.
    pub sums: Vec<f64>,
    /// The logarithm of the number of bins, to base 2.
    pub bits: u32,
    planner: RealFftPlanner<f64>,
    transforms: [Option<Transforms>; (LARGEST + 1) as usize],
    spectrum: Vec<Complex<f64>>,
    slopes: Vec<Complex<f64>>,
    values: Vec<f64>,
    derivatives: Vec<f64>,
    scratch: Vec<Complex<f64>>,
}

impl fmt::Debug for Shape {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Shape")
            .field("harmonics", &self.harmonics.len())
            .finish_non_exhaustive()
    }
}

impl Shape {
    pub fn new() -> Self {
        let mut shape = Self::empty();
        // Once with every size, so that all the room is there.
        for bits in SMALLEST..=LARGEST {
            shape.begin(1 << (bits - 3));
        }
        shape.running.reserve(Self::MOST_HARMONICS + 1);
        shape
    }

    fn empty() -> Self {
        Self {
            harmonics: Vec::new(),
            kept: Vec::new(),
            gain: Vec::new(),
            running: Vec::new(),
            table: Vec::new(),
            sums: Vec::new(),
            bits: SMALLEST,
            planner: RealFftPlanner::new(),
            transforms: [const { None }; (LARGEST + 1) as usize],
            spectrum: Vec::new(),
            slopes: Vec::new(),
            values: Vec::new(),
            derivatives: Vec::new(),
            scratch: Vec::new(),
        }
    }

    /// The most harmonics a table can carry.
    pub const MOST_HARMONICS: usize = 1 << (LARGEST - 3);

    /// Makes room for this many harmonics, all absent, eight bins or more to the
    /// period of the highest.
    pub fn begin(&mut self, harmonics: usize) {
        let harmonics = harmonics.clamp(1, Self::MOST_HARMONICS);
        self.bits = (harmonics * 8)
            .next_power_of_two()
            .ilog2()
            .clamp(SMALLEST, LARGEST);
        let bins = 1 << self.bits;
        self.harmonics.clear();
        self.harmonics.resize(harmonics + 1, Complex::default());
        self.kept.clear();
        self.kept.resize(harmonics + 1, false);
        self.gain.clear();
        self.gain.resize(harmonics + 1, 1.0);
        self.table.clear();
        self.table.resize(bins, [0.0; 4]);
        self.sums.clear();
        self.sums.resize(bins, 0.0);
        self.values.resize(bins, 0.0);
        self.derivatives.resize(bins, 0.0);
        self.spectrum.resize(bins / 2 + 1, Complex::default());
        self.slopes.resize(bins / 2 + 1, Complex::default());
        let planner = &mut self.planner;
        let transforms = self.transforms[self.bits as usize].get_or_insert_with(|| Transforms {
            forward: planner.plan_fft_forward(bins),
            backward: planner.plan_fft_inverse(bins),
        });
        let scratch = transforms
            .forward
            .get_scratch_len()
            .max(transforms.backward.get_scratch_len());
        self.scratch.resize(scratch, Complex::default());
    }

    /// How many harmonics there is room for.
    pub fn highest(&self) -> usize {
        self.harmonics.len().saturating_sub(1)
    }

    /// Adds to the harmonics what is in the sums of `count` samples, and empties
    /// those. A harmonic that was not in the table is found anew.
    pub fn learn(&mut self, count: f64) {
        let Some(transforms) = &self.transforms[self.bits as usize] else {
            return;
        };
        self.values.copy_from_slice(&self.sums);
        self.sums.fill(0.0);
        let _ = transforms.forward.process_with_scratch(
            &mut self.values,
            &mut self.spectrum,
            &mut self.scratch,
        );
        let bins = self.values.len() as f64;
        for (h, harmonic) in self.harmonics.iter_mut().enumerate() {
            *harmonic *= if self.kept[h] { self.gain[h] } else { 0.0 };
            // Samples fell anywhere in a bin: on average into its middle, and a
            // little of the harmonic was averaged away.
            let half = PI * h as f64 / bins;
            let shrunk = if h == 0 { 1.0 } else { half.sin() / half };
            let share = if h == 0 { 1.0 } else { 2.0 };
            *harmonic += self.spectrum[h] * Complex::from_polar(share / (count * shrunk), -half);
        }
    }

    /// Transforms the sums without learning from them, and empties them.
    pub fn transform_sums(&mut self) {
        let Some(transforms) = &self.transforms[self.bits as usize] else {
            return;
        };
        self.values.copy_from_slice(&self.sums);
        self.sums.fill(0.0);
        let _ = transforms.forward.process_with_scratch(
            &mut self.values,
            &mut self.spectrum,
            &mut self.scratch,
        );
    }

    /// What `transform_sums` found at a harmonic.
    pub fn transformed(&self, h: usize) -> Complex<f64> {
        let half = PI * h as f64 / self.values.len() as f64;
        self.spectrum[h] * Complex::from_polar(1.0, -half)
    }

    /// Fills the table from the harmonics that are kept.
    pub fn draw(&mut self) {
        let Some(transforms) = &self.transforms[self.bits as usize] else {
            return;
        };
        let bins = self.values.len() as f64;
        self.spectrum.fill(Complex::default());
        self.slopes.fill(Complex::default());
        for (h, (harmonic, kept)) in self.harmonics.iter().zip(&self.kept).enumerate() {
            if *kept {
                if h == 0 {
                    self.spectrum[0] = Complex::new(harmonic.re, 0.0);
                } else {
                    self.spectrum[h] = harmonic * (0.5 * self.gain[h]);
                    // The derivative with respect to bins.
                    self.slopes[h] =
                        self.spectrum[h] * Complex::new(0.0, 2.0 * PI * h as f64 / bins);
                }
            }
        }
        let _ = transforms.backward.process_with_scratch(
            &mut self.spectrum,
            &mut self.values,
            &mut self.scratch,
        );
        let _ = transforms.backward.process_with_scratch(
            &mut self.slopes,
            &mut self.derivatives,
            &mut self.scratch,
        );
        let last = self.values.len() - 1;
        for bin in 0..=last {
            let next = if bin == last { 0 } else { bin + 1 };
            let (y0, y1) = (self.values[bin], self.values[next]);
            let (d0, d1) = (self.derivatives[bin], self.derivatives[next]);
            let rise = y1 - y0;
            // Cubic Hermite interpolation.
            self.table[bin] = [
                y0 as f32,
                d0 as f32,
                (3.0 * rise - 2.0 * d0 - d1) as f32,
                (d0 + d1 - 2.0 * rise) as f32,
            ];
        }
    }

    /// Power of a harmonic: half its amplitude squared.
    pub fn power(&self, h: usize) -> f64 {
        self.harmonics[h].norm_sqr() / 2.0
    }

    /// Power of all harmonics in the table, the constant left out.
    pub fn power_kept(&self) -> f64 {
        (1..self.harmonics.len())
            .filter(|&h| self.kept[h])
            .map(|h| self.power(h))
            .sum()
    }

    /// Mean power of the highest harmonics that there is room for, those left out which
    /// the input's filters may have taken.
    pub fn power_at_the_top(&self) -> f64 {
        let highest = self.highest();
        let top = highest * 2 / 3 + 1..=(highest * 9 / 10).max(highest * 2 / 3 + 1);
        let count = top.clone().count() as f64;
        // A few may stand in a gap of the spectrum.
        top.map(|h| self.power(h.min(highest))).sum::<f64>() / count * (1.0 + 4.0 / count)
    }

    /// Decides which harmonics up to `highest` are kept, given the variance `noise`
    /// of the samples. In units of what noise makes of it, the power of a harmonic,
    /// |c|^2 N / (4 s^2), has the mean one. Kept is what stands out alone (above
    /// 5 + ln H, which noise alone reaches in one window of a hundred), and what stands
    /// out together with its neighbours: in a saw every harmonic says as much about
    /// the frequency as the first, however weak it is. Those are shrunk as Wiener's
    /// filter does, by S / (S + 1), so that their noise does not count as signal.
    pub fn choose(&mut self, samples: usize, noise: f64, highest: usize) {
        const REACH: usize = 16;
        let count = self.highest();
        let unit = samples as f64 / (4.0 * noise);
        let least = (count as f64).ln() + 5.0;
        self.running.clear();
        self.running.push(0.0);
        for h in 1..=count {
            let before = if h > 2 { self.running[h - 2] } else { 0.0 };
            let strength = self.harmonics[h].norm_sqr() * unit;
            // One loud one does not speak for its neighbours.
            self.running.push(before + strength.min(30.0));
        }
        for h in 1..=count {
            let alone = self.harmonics[h].norm_sqr() * unit;
            // Waveforms with odd harmonics only are common: like with like.
            let reach = REACH.min((h - 1) / 2 * 2);
            let low = h - reach;
            let high = h + REACH.min((count - h) / 2 * 2);
            let neighbours = ((high - low) / 2 + 1) as f64;
            let before = if low > 2 { self.running[low - 2] } else { 0.0 };
            let mean = (self.running[high] - before) / neighbours;
            let together = neighbours >= 6.0 && mean > 1.0 + 5.0 / neighbours.sqrt();
            self.kept[h] = h <= highest && (alone > least || together);
            let strength = if together {
                mean.max(alone.min(30.0) * 0.5) - 1.0
            } else {
                alone - 1.0
            };
            self.gain[h] = if alone > 30.0 {
                1.0
            } else {
                (strength / (strength + 1.0)).clamp(0.1, 1.0)
            };
        }
        self.kept[0] = true;
        self.gain[0] = 1.0;
    }

    /// How many harmonics are in the table.
    pub fn count_kept(&self) -> usize {
        self.kept.iter().skip(1).filter(|kept| **kept).count()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_table_is_the_sum_of_the_harmonics() {
        let mut shape = Shape::new();
        shape.begin(20);
        for h in 0..=20 {
            shape.kept[h] = true;
            shape.harmonics[h] = Complex::from_polar(1.0 / (1.0 + h as f64), h as f64);
        }
        shape.harmonics[0].im = 0.0;
        shape.draw();
        let bins = shape.table.len();
        for i in 0..1000 {
            let phase = f64::from(i) / 1000.0;
            let at = phase * bins as f64;
            let f = (at - at.floor()) as f32;
            let [a, b, c, d] = shape.table[at as usize];
            let looked_up = a + f * (b + f * (c + f * d));
            let summed: f64 = (0..=20)
                .map(|h| {
                    (shape.harmonics[h] * Complex::from_polar(1.0, 2.0 * PI * h as f64 * phase)).re
                })
                .sum();
            assert!(
                (f64::from(looked_up) - summed).abs() < 2e-4,
                "{phase}: {looked_up} {summed}"
            );
        }
    }
}
