//! The first guess: the normalised square difference function.
//!
//! n(lag) = 2 r(lag) / m(lag), with r the autocorrelation and m the energy of the
//! two stretches compared (McLeod and Wyvill, "A smarter way to find pitch", ICMC
//! 2005; from memory). It is 1 where the signal repeats itself, whatever its level.
//! The autocorrelation comes from a transform of the power spectrum.

use realfft::{ComplexToReal, RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex;
use std::fmt;
use std::sync::Arc;

/// Lags below this many samples are looked at in steps of an eighth of a sample,
/// interpolated: there a period is a few samples only.
const FINE_LAGS: usize = 48;
const FINE_STEPS: usize = 8;
/// Taps of the interpolation on either side.
const TAPS: isize = 12;
/// Below this the signal does not repeat.
const LEAST_HEIGHT: f32 = 0.35;
/// The first peak of at least this share of the highest is the period.
const SHARE_OF_BEST: f64 = 0.9;
/// The dip before a peak must be below this share of it; ripple is not.
const DIP: f32 = 0.3;
/// A lag of this many samples is known closely enough for the next stage.
const LONG_ENOUGH: f64 = 600.0;

/// A possible period.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Candidate {
    /// Samples.
    pub period: f64,
    /// The value of the function there, at most about one.
    pub height: f64,
}

/// Buffers and transforms of the first guess.
pub(crate) struct Coarse {
    planner: RealFftPlanner<f32>,
    forward: Option<Arc<dyn RealToComplex<f32>>>,
    backward: Option<Arc<dyn ComplexToReal<f32>>>,
    time: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
    /// Sum of x(n) x(n + lag).
    correlation: Vec<f32>,
    /// The normalised function at whole lags.
    whole: Vec<f32>,
    /// Half the energy compared, at whole lags.
    energy: Vec<f32>,
    fine: Vec<f32>,
    /// Cosine and sine of the window's angle at each tap of the interpolation.
    turns: [[f64; 2]; 2 * TAPS as usize + 1],
    records: Vec<Candidate>,
    pub candidates: Vec<Candidate>,
}

impl fmt::Debug for Coarse {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Coarse")
            .field("candidates", &self.candidates)
            .finish_non_exhaustive()
    }
}

impl Coarse {
    pub fn new() -> Self {
        Self {
            planner: RealFftPlanner::new(),
            forward: None,
            backward: None,
            time: Vec::new(),
            spectrum: Vec::new(),
            scratch: Vec::new(),
            correlation: Vec::new(),
            whole: Vec::new(),
            energy: Vec::new(),
            fine: Vec::new(),
            turns: std::array::from_fn(|index| {
                let tap = index as f64 - TAPS as f64;
                let angle = std::f64::consts::PI * tap / (TAPS as f64 + 1.0);
                [angle.cos(), angle.sin()]
            }),
            records: Vec::with_capacity(256),
            candidates: Vec::with_capacity(8),
        }
    }

    fn prepare(&mut self, length: usize) {
        if self.forward.as_ref().is_some_and(|fft| fft.len() == length) {
            return;
        }
        let forward = self.planner.plan_fft_forward(length);
        let backward = self.planner.plan_fft_inverse(length);
        self.time.resize(length, 0.0);
        self.spectrum.resize(length / 2 + 1, Complex::default());
        let scratch = forward.get_scratch_len().max(backward.get_scratch_len());
        self.scratch.resize(scratch, Complex::default());
        self.forward = Some(forward);
        self.backward = Some(backward);
    }

    /// Fills `candidates`: the likeliest period first, then what to try when it
    /// turns out wrong. Empty when the signal does not repeat within `longest`
    /// samples. `mean` is taken off first.
    pub fn search(&mut self, samples: &[f32], mean: f32, longest: usize) {
        self.candidates.clear();
        let longest = longest.min(samples.len() * 2 / 3);
        if longest < 4 {
            return;
        }
        self.correlate(samples, mean, longest);
        self.normalise(samples, mean, longest);
        self.peaks(longest);
        for index in 0..self.candidates.len() {
            let sharpened = self.sharpen(self.candidates[index].period, longest);
            self.candidates[index].period = sharpened;
        }
    }

    fn correlate(&mut self, samples: &[f32], mean: f32, longest: usize) {
        // Room for the lags and for the taps of the interpolation beyond them.
        self.prepare((samples.len() + longest + 32).next_power_of_two());
        let (Some(forward), Some(backward)) = (&self.forward, &self.backward) else {
            return;
        };
        let (head, tail) = self.time.split_at_mut(samples.len());
        for (to, from) in head.iter_mut().zip(samples) {
            *to = from - mean;
        }
        tail.fill(0.0);
        // The lengths fit by construction, so neither can fail.
        let _ = forward.process_with_scratch(&mut self.time, &mut self.spectrum, &mut self.scratch);
        let scale = 1.0 / self.time.len() as f32;
        for bin in &mut self.spectrum {
            *bin = Complex::new(bin.norm_sqr() * scale, 0.0);
        }
        let _ =
            backward.process_with_scratch(&mut self.spectrum, &mut self.time, &mut self.scratch);
        self.correlation.clear();
        self.correlation
            .extend_from_slice(&self.time[..longest + TAPS as usize + 2]);
    }

    fn normalise(&mut self, samples: &[f32], mean: f32, longest: usize) {
        let square = |sample: f32| f64::from(sample - mean) * f64::from(sample - mean);
        let mut both: f64 = 2.0 * samples.iter().map(|&x| square(x)).sum::<f64>();
        let floor = both * 1e-9 + f64::from(f32::MIN_POSITIVE);
        self.whole.clear();
        self.energy.clear();
        for lag in 0..=longest {
            if lag > 0 {
                both -= square(samples[lag - 1]) + square(samples[samples.len() - lag]);
            }
            let half = (both / 2.0).max(floor) as f32;
            self.energy.push(half);
            self.whole.push(self.correlation[lag] / half);
        }
        self.fine.clear();
        for step in 0..=FINE_LAGS.min(longest) * FINE_STEPS {
            let value = self.value(step as f64 / FINE_STEPS as f64);
            self.fine.push(value);
        }
    }

    /// The function between whole lags, by a windowed sinc.
    fn value(&self, lag: f64) -> f32 {
        let nearest = lag.round();
        if nearest as usize + 1 >= self.energy.len() {
            return 0.0;
        }
        let fraction = lag - nearest;
        let nearest = nearest as isize;
        let half = self.energy[nearest.unsigned_abs()];
        if fraction.abs() < 1e-9 {
            return self.correlation[nearest.unsigned_abs()] / half;
        }
        let pi = std::f64::consts::PI;
        let sine = (pi * fraction).sin();
        // The window is a squared cosine: (1 + cos(a - b)) / 2, a that of the fraction.
        let (turn_sine, turn_cosine) = (pi * fraction / (TAPS as f64 + 1.0)).sin_cos();
        let mut sum = 0.0;
        for (tap, [b_cosine, b_sine]) in (-TAPS..=TAPS).zip(&self.turns) {
            // The autocorrelation is even.
            let at = (nearest + tap).unsigned_abs();
            let window = 1.0 + turn_cosine * b_cosine + turn_sine * b_sine;
            let weight = window / (fraction - tap as f64);
            let value = f64::from(self.correlation[at]) * weight;
            sum += if tap % 2 == 0 { value } else { -value };
        }
        (sum * sine / (2.0 * pi)) as f32 / half
    }

    /// Peaks that are higher than all before them: the first of a share of the
    /// highest is always one of those.
    fn peaks(&mut self, longest: usize) {
        self.records.clear();
        let mut lowest = 1.0_f32;
        let mut record = 0.0_f64;
        let fine = self.fine.windows(3).enumerate().map(|(index, three)| {
            let step = 1.0 / FINE_STEPS as f64;
            (three, (index + 1) as f64 * step, step)
        });
        let whole = self.whole[..=longest]
            .windows(3)
            .enumerate()
            .skip(FINE_LAGS - 1)
            .map(|(index, three)| (three, (index + 1) as f64, 1.0));
        for (three, lag, step) in fine.chain(whole) {
            let [before, here, after] = [three[0], three[1], three[2]];
            lowest = lowest.min(here);
            let peak = here > before && here >= after && here > LEAST_HEIGHT;
            if !peak || lowest >= DIP * here {
                continue;
            }
            let curvature = before - 2.0 * here + after;
            let offset = if curvature < 0.0 {
                (0.5 * (before - after) / curvature).clamp(-0.5, 0.5)
            } else {
                0.0
            };
            let height = f64::from(here - 0.25 * (before - after) * offset);
            if height > record * 1.001 {
                record = height;
                self.records.push(Candidate {
                    period: lag + f64::from(offset) * step,
                    height,
                });
            }
        }
        let above = |share: f64| {
            self.records
                .iter()
                .find(|peak| peak.height >= share * record)
                .copied()
        };
        let likely = [above(SHARE_OF_BEST), above(0.75), above(0.97), above(1.0)];
        for candidate in likely.into_iter().flatten() {
            let known = self
                .candidates
                .iter()
                .any(|other| (other.period / candidate.period - 1.0).abs() < 0.01);
            if !known {
                self.candidates.push(candidate);
            }
        }
    }

    /// A closer period from the peaks at its multiples by 2, 4, 8 ...
    fn sharpen(&self, period: f64, longest: usize) -> f64 {
        let mut period = period;
        let mut multiple = 1.0;
        let first = self.value(period);
        while period * multiple < LONG_ENOUGH {
            multiple *= 2.0;
            let expected = period * multiple;
            let reach = (period / 4.0).clamp(0.25, 3.0);
            if expected + reach + 2.0 > longest as f64 {
                break;
            }
            // A dozen steps across the place where the peak should be.
            let step = reach / 6.0;
            let at = |index: i32| expected + f64::from(index) * step;
            let Some(top) =
                (-6..=6).max_by(|&a, &b| self.value(at(a)).total_cmp(&self.value(at(b))))
            else {
                break;
            };
            let here = self.value(at(top));
            if top.abs() == 6 || here < 0.8 * first {
                break;
            }
            // A parabola as wide as the peak is round: wide ones heed the noise less.
            let top = at(top);
            let mut width = (period / 10.0).max(step);
            let (before, after) = loop {
                let (before, after) = (self.value(top - width), self.value(top + width));
                if width <= step || before.min(after) > 0.7 * here {
                    break (before, after);
                }
                width *= 0.6;
            };
            let curvature = before - 2.0 * here + after;
            let offset = if curvature < 0.0 {
                f64::from((0.5 * (before - after) / curvature).clamp(-0.5, 0.5))
            } else {
                0.0
            };
            period = (top + offset * width) / multiple;
        }
        period
    }
}
