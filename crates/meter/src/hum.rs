//! Mains lines: found in what the fit left, and taken off.
//!
//! The residual is sorted over a period of 100 ms, which holds whole cycles of 50
//! and of 60 Hz, in the same way as over the period of the tone.

use crate::refine::{Block, MOST_BLOCKS, pass};
use crate::shape::Shape;
use crate::track::Track;
use realfft::{RealFftPlanner, RealToComplex};
use rustfft::num_complex::Complex;
use std::fmt;
use std::sync::Arc;

/// Hertz between the lines of the folded residual.
const GRID: f64 = 10.0;
/// The highest line looked at, in steps of the grid: 1.2 kHz.
const HIGHEST: usize = 120;

/// Mains lines above this many hertz are too weak to matter.
pub(crate) const HIGHEST_MAINS_LINE: f64 = 1_200.0;

/// Whether a frequency lies within `near` hertz of a mains line.
pub(crate) fn beside_mains(hertz: f64, near: f64) -> bool {
    hertz < HIGHEST_MAINS_LINE
        && [50.0, 60.0].iter().any(|mains| {
            let line = (hertz / mains).round().max(1.0);
            (hertz - line * mains).abs() < near
        })
}

/// How far a mains line stands out of the noise to be believed; and to be taken off,
/// once there is hum.
const CLEARLY: f64 = 12.0;
const PERHAPS: f64 = 3.0;
/// How far it must stand out to tell how much the mains is off its nominal frequency, and
/// how much that may be.
const LOUD: f64 = 300.0;
const MOST_OFF: f64 = 0.005;

/// The hum of a window.
pub(crate) struct Hum {
    shape: Shape,
    blocks: Vec<Block>,
    spare: Vec<f32>,
    floor: Vec<f64>,
    /// Hertz between the lines of this mains.
    grid: f64,
    transform: Option<Arc<dyn RealToComplex<f32>>>,
    folded: Vec<f32>,
    spectrum: Vec<Complex<f32>>,
    scratch: Vec<Complex<f32>>,
}

impl fmt::Debug for Hum {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.debug_struct("Hum").finish_non_exhaustive()
    }
}

/// What was found of it.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct Mains {
    /// 50 or 60.
    pub hertz: f64,
    /// The largest amplitude of its lines.
    pub amplitude: f64,
    /// Variance of noise per line.
    pub floor: f64,
}

impl Hum {
    pub fn new() -> Self {
        Self {
            shape: Shape::new(),
            blocks: Vec::with_capacity(MOST_BLOCKS),
            spare: Vec::new(),
            floor: Vec::new(),
            grid: GRID,
            transform: None,
            folded: Vec::new(),
            spectrum: Vec::new(),
            scratch: Vec::new(),
        }
    }

    /// Looks for mains lines in `residual`, those left out that lie within `near`
    /// hertz of a multiple of `tone`.
    pub fn look(
        &mut self,
        residual: &[f32],
        rate: f64,
        tone: f64,
        near: f64,
        known: Option<Mains>,
    ) -> Option<Mains> {
        let seconds = residual.len() as f64 / rate;
        if seconds < 0.15 || rate < 4.0 * GRID * HIGHEST as f64 {
            return None;
        }
        self.sort(residual, rate);
        let far = |line: usize| {
            let at = line as f64 * GRID;
            (at / tone - (at / tone).round()).abs() * tone > near || at < tone - near
        };
        self.floor.clear();
        self.floor.extend(
            (2..HIGHEST)
                .filter(|line| line % 5 != 0 && line % 6 != 0 && far(*line))
                .map(|line| self.shape.harmonics[line].norm_sqr()),
        );
        if self.floor.len() < 8 {
            return None;
        }
        let middle = self.floor.len() / 2;
        let (_, median, _) = self.floor.select_nth_unstable_by(middle, f64::total_cmp);
        let floor = *median / std::f64::consts::LN_2;
        let clearly = if known.is_some() { PERHAPS } else { CLEARLY };
        let stands_out =
            |line: usize| far(line) && self.shape.harmonics[line].norm_sqr() > clearly * floor;
        let power = |step: usize| {
            (step..HIGHEST)
                .step_by(step)
                .filter(|&line| stands_out(line))
                .map(|line| self.shape.harmonics[line].norm_sqr())
                .fold((0.0_f64, 0.0_f64), |(sum, most), p| (sum + p, most.max(p)))
        };
        let ((fifty, most_fifty), (sixty, most_sixty)) = (power(5), power(6));
        let fifty_known = known.map(|mains| mains.hertz < 55.0);
        let (step, most) = if fifty_known.unwrap_or(fifty >= sixty) {
            (5, most_fifty)
        } else {
            (6, most_sixty)
        };
        // Lines elsewhere as strong as these: a tone, not hum.
        let elsewhere: f64 = (2..HIGHEST)
            .filter(|line| line % 5 != 0 && line % 6 != 0 && stands_out(*line))
            .map(|line| self.shape.harmonics[line].norm_sqr())
            .sum();
        if most <= 0.0 || (known.is_none() && elsewhere > 0.2 * fifty.max(sixty)) {
            return None;
        }
        for line in 0..=HIGHEST {
            self.shape.kept[line] = line > 0 && line % step == 0 && stands_out(line);
        }
        self.shape.draw();
        if known.is_none() {
            self.grid = GRID * (1.0 + self.off(residual, rate, floor));
        }
        Some(Mains {
            hertz: step as f64 * GRID,
            amplitude: most.sqrt(),
            floor,
        })
    }

    /// Finds the lines of the grid.
    fn sort(&mut self, residual: &[f32], rate: f64) {
        self.shape.begin(HIGHEST);
        let period = rate / GRID;
        if period.fract() != 0.0 {
            let track = Track::steady(GRID / rate, residual.len());
            self.spare.resize(residual.len(), 0.0);
            let _ = pass(
                residual,
                &track,
                &mut self.shape,
                &mut self.blocks,
                &mut self.spare,
            );
            self.shape.learn(residual.len() as f64);
            return;
        }
        // Whole samples to the period: laid on top of each other.
        let period = period as usize;
        let transform = match &self.transform {
            Some(transform) if transform.len() == period => transform,
            _ => {
                let transform = RealFftPlanner::new().plan_fft_forward(period);
                self.scratch = transform.make_scratch_vec();
                self.spectrum = transform.make_output_vec();
                self.transform.insert(transform)
            }
        };
        self.folded.clear();
        self.folded.resize(period, 0.0);
        for part in residual.chunks(period) {
            for (to, from) in self.folded.iter_mut().zip(part) {
                *to += from;
            }
        }
        // The lengths fit by construction, so it cannot fail.
        let _ =
            transform.process_with_scratch(&mut self.folded, &mut self.spectrum, &mut self.scratch);
        let scale = 2.0 / residual.len() as f64;
        // From phases at the first sample to those in the middle.
        let half = std::f64::consts::PI * residual.len() as f64 / period as f64;
        for (h, (to, from)) in (self.shape.harmonics.iter_mut())
            .zip(&self.spectrum)
            .enumerate()
        {
            *to = Complex::new(f64::from(from.re), f64::from(from.im))
                * Complex::from_polar(scale, half * h as f64);
        }
    }

    /// By which share the mains is off its nominal frequency: the turn of the line that
    /// tells most, from one half of the window to the other.
    fn off(&self, residual: &[f32], rate: f64, floor: f64) -> f64 {
        let telling = |line: usize| line as f64 * self.shape.harmonics[line].norm();
        let line = (1..=HIGHEST)
            .filter(|&line| self.shape.kept[line])
            .max_by(|&a, &b| telling(a).total_cmp(&telling(b)));
        let Some(line) = line.filter(|&line| self.shape.harmonics[line].norm_sqr() > LOUD * floor)
        else {
            return 0.0;
        };
        let hertz = line as f64 * GRID;
        let half = residual.len() / 2;
        let turn = Complex::from_polar(1.0, -2.0 * std::f64::consts::PI * hertz / rate);
        let mut rotor = Complex::new(1.0, 0.0);
        let mut sums = [Complex::new(0.0, 0.0); 2];
        for (index, x) in residual[..2 * half].iter().enumerate() {
            sums[usize::from(index >= half)] += rotor * f64::from(*x);
            rotor *= turn;
        }
        let angle = (sums[1] * sums[0].conj()).arg();
        let off = angle / (2.0 * std::f64::consts::PI) * rate / half as f64 / hertz;
        if off.abs() < MOST_OFF { off } else { 0.0 }
    }

    /// Takes the lines found off `samples`, into `clean`.
    pub fn take_off(&mut self, samples: &[f32], rate: f64, clean: &mut [f32]) {
        let track = Track::steady(self.grid / rate, samples.len());
        let _ = pass(samples, &track, &mut self.shape, &mut self.blocks, clean);
    }
}
