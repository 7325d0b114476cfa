//! Mains lines: found in what the fit left, and taken off.
//!
//! The residual is sorted over a period of 100 ms, which holds whole cycles of 50
//! and of 60 Hz, in the same way as over the period of the tone.

use crate::refine::{Block, pass};
use crate::shape::Shape;
use crate::track::Track;

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

/// The hum of a window.
#[derive(Debug)]
pub(crate) struct Hum {
    shape: Shape,
    blocks: Vec<Block>,
    spare: Vec<f32>,
    floor: Vec<f64>,
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
            blocks: Vec::new(),
            spare: Vec::new(),
            floor: Vec::new(),
        }
    }

    /// Looks for mains lines in `residual`, those left out that lie within `near`
    /// hertz of a multiple of `tone`.
    pub fn look(&mut self, residual: &[f32], rate: f64, tone: f64, near: f64) -> Option<Mains> {
        let seconds = residual.len() as f64 / rate;
        if seconds < 0.15 || rate < 4.0 * GRID * HIGHEST as f64 {
            return None;
        }
        self.shape.begin(HIGHEST);
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
        let stands_out =
            |line: usize| far(line) && self.shape.harmonics[line].norm_sqr() > 12.0 * floor;
        let power = |step: usize| {
            (step..HIGHEST)
                .step_by(step)
                .filter(|&line| stands_out(line))
                .map(|line| self.shape.harmonics[line].norm_sqr())
                .fold((0.0_f64, 0.0_f64), |(sum, most), p| (sum + p, most.max(p)))
        };
        let ((fifty, most_fifty), (sixty, most_sixty)) = (power(5), power(6));
        let (step, most) = if fifty >= sixty {
            (5, most_fifty)
        } else {
            (6, most_sixty)
        };
        // Lines elsewhere as strong as these: a tone, not hum.
        let elsewhere: f64 = (2..HIGHEST)
            .filter(|line| line % 5 != 0 && line % 6 != 0 && stands_out(*line))
            .map(|line| self.shape.harmonics[line].norm_sqr())
            .sum();
        if most <= 0.0 || elsewhere > 0.2 * fifty.max(sixty) {
            return None;
        }
        for line in 0..=HIGHEST {
            self.shape.kept[line] = line > 0 && line % step == 0 && stands_out(line);
        }
        self.shape.draw();
        Some(Mains {
            hertz: step as f64 * GRID,
            amplitude: most.sqrt(),
            floor,
        })
    }

    /// Takes the lines found off `samples`, into `clean`.
    pub fn take_off(&mut self, samples: &[f32], rate: f64, clean: &mut [f32]) {
        let track = Track::steady(GRID / rate, samples.len());
        let _ = pass(samples, &track, &mut self.shape, &mut self.blocks, clean);
    }
}
