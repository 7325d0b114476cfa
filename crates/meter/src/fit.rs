//! The fit of one window for one guess of the period: ladder, then least squares
//! over all harmonics until nothing moves any more.

use crate::ladder::Climb;
use crate::refine::{Block, MOST_BLOCKS, Totals, block_length, pass};
use crate::scatter::{Scatter, Scatters};
use crate::shape::Shape;
use crate::track::Track;

/// Passes over the samples at most.
const MOST_PASSES: usize = 16;
/// The order of the track where nothing asks for more: a straight drift.
const USUAL_ORDER: usize = 2;
const HIGHEST_ORDER: usize = 5;
/// The gain in the sum of squares, in units of the noise, that noise alone reaches in
/// one of five thousand windows. A lower one costs more than it helps: a needless order
/// triples the variance, and more where an accident chose it.
const WORTH_AN_ORDER: f64 = 14.0;
/// The share of the sampling rate that harmonics may reach.
const BELOW_NYQUIST: f64 = 0.49;

/// A track and what is known about it.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Fit {
    pub track: Track,
    pub order: usize,
    /// Variance of the residual per sample.
    pub noise: f64,
    /// Power of the tone.
    pub power: f64,
    /// Variance of the mean step for noise of variance one.
    pub unit_variance: f64,
    pub scatter: Scatter,
}

impl Fit {
    /// Variances of the mean step, in (cycles per sample) squared: as it was over the
    /// window, and as that of the oscillator which the window samples.
    pub fn variances(&self) -> (f64, f64) {
        let samples = self.track.samples * self.track.samples;
        let least = self.noise_variance();
        let left_out = self.scatter.left_out / samples;
        self.scatter
            .wandering
            .map_or((least + left_out, least + left_out), |wandering| {
                let window = (wandering.window / samples).max(least) + left_out;
                let source = (wandering.source / samples).max(least) + left_out;
                // An oscillator is only said to wander where that is beyond doubt.
                (window, if self.scatter.wanders { source } else { window })
            })
    }

    /// Variance of the mean step by noise that is added to the signal, in (cycles per
    /// sample) squared.
    pub fn noise_variance(&self) -> f64 {
        self.unit_variance * self.noise
    }

    /// How many periods the window holds.
    pub fn periods(&self) -> f64 {
        self.track.mean_step() * self.track.samples
    }
}

/// Buffers of the fit.
#[derive(Debug)]
pub(crate) struct Fitter {
    pub shape: Shape,
    pub blocks: Vec<Block>,
    pub residual: Vec<f32>,
    scatters: Scatters,
}

impl Fitter {
    pub fn new() -> Self {
        Self {
            shape: Shape::new(),
            blocks: Vec::with_capacity(MOST_BLOCKS),
            residual: Vec::new(),
            scatters: Scatters::new(),
        }
    }

    /// Fits waveform and track to the samples, from where the ladder got to.
    pub fn fit(&mut self, samples: &[f32], climb: &Climb) -> Option<Fit> {
        let mut track = climb.track;
        let step = track.mean_step();
        if !(step > 0.0 && step < BELOW_NYQUIST) {
            return None;
        }
        let n = samples.len() as f64;
        let periods = step * n;
        self.residual.resize(samples.len(), 0.0);
        let room = (BELOW_NYQUIST / step) as usize;
        // With few periods a waveform of many harmonics could follow anything.
        let room = if periods < 8.0 {
            room.min((n / 16.0 * periods / 8.0) as usize)
        } else {
            room
        };
        self.shape.begin(room.max(1));
        let highest = self.shape.highest();
        let mut reach = (0.12 / climb.doubt).clamp(1.0, highest as f64);
        let usual = if periods < 6.0 { 1 } else { USUAL_ORDER };
        let mut order = climb.order.max(usual);

        // The waveform first, along the track of the ladder.
        let mut totals = self.pass(samples, &track);
        self.shape.learn(n);
        let explained: f64 = self.shape.harmonics[0].re.powi(2) + self.all_power();
        let freedom = (n - 2.0 * highest as f64).max(n / 4.0);
        let mut noise =
            ((totals.residual - n * explained) / freedom).max(totals.residual / n * 1e-14);
        self.shape.choose(samples.len(), noise, reach as usize);
        if self.shape.count_kept() == 0 {
            return None;
        }
        self.shape.draw();

        let mut converged = false;
        let mut steady = false;
        let mut unit_variance = 0.0;
        let mut scatter = Scatter::default();
        let mut kept = 0;
        for _ in 0..MOST_PASSES {
            totals = self.pass(samples, &track);
            noise = self.noise(&totals, samples.len(), order);
            let step = totals.step(order)?;
            unit_variance = totals.unit_variance(order, samples.len())?;
            let before = track.mean_step();
            for (to, by) in track.coefficients.iter_mut().zip(step) {
                *to += by;
            }
            let moved = track.mean_step() - before;
            let turned: f64 = step.iter().map(|by| by.abs()).sum();
            let settled =
                moved * moved < 4e-4 * unit_variance * noise || turned * (highest as f64) < 1e-7;
            // The waveform has settled, too, as far as it shifts the phase.
            let shift = totals.right[0] * totals.right[0] / totals.normal[0][0];
            let settled = settled && shift < 2.0 * noise;
            let widest = reach as usize >= highest;
            if settled && widest && kept == self.shape.count_kept() {
                scatter = self.scatters.of(&self.blocks, noise, order, periods);
                // One more order where it is no accident and explains most of what
                // the noise does not; a wandering phase would ask for ever more.
                let (gain, unexplained) = scatter.next_order;
                let enough = gain < WORTH_AN_ORDER || gain < 0.5 * unexplained;
                if !steady && (order >= HIGHEST_ORDER || enough) {
                    // A higher order that leaves a wandering phase was no drift but
                    // a part of the wandering, and hides how much there is.
                    if scatter.wanders && order > USUAL_ORDER {
                        steady = true;
                        order = USUAL_ORDER;
                        track.coefficients[USUAL_ORDER + 1..].fill(0.0);
                        continue;
                    }
                    converged = true;
                    break;
                }
                if steady || periods < 16.0 {
                    converged = true;
                    break;
                }
                order += 1;
            }
            kept = self.shape.count_kept();
            self.shape.learn(n);
            reach = (reach * 6.0).min(highest as f64);
            self.shape.choose(samples.len(), noise, reach as usize);
            if self.shape.count_kept() == 0 {
                return None;
            }
            self.shape.draw();
        }
        if !converged {
            scatter = self.scatters.of(&self.blocks, noise, order, periods);
        }
        if let Some(wandering) = &scatter.wandering {
            track.coefficients[1] += wandering.correction / 2.0;
        }
        let power = self.shape.power_kept();
        (track.mean_step() > 0.0).then_some(Fit {
            track,
            order,
            noise,
            power,
            unit_variance,
            scatter,
        })
    }

    /// Sums of residual times time, sorted into the period: what each harmonic by
    /// itself still wants changed is then in the transformed sums of the shape.
    pub fn trends(&mut self, track: &Track) {
        let length = block_length(self.residual.len());
        let bits = self.shape.bits;
        let mask = self.shape.sums.len() - 1;
        self.shape.sums.fill(0.0);
        for (index, block) in self.residual.chunks(length).enumerate() {
            let rotor = track.rotor(index * length, block.len());
            let (mut phase, mut step) = (rotor.phase, rotor.step);
            let mut tau = 2.0 * (index * length) as f64 / track.samples - 1.0;
            for r in block {
                let bin = (phase >> (64 - bits)) as usize & mask;
                self.shape.sums[bin] += f64::from(*r) * tau;
                tau += 2.0 / track.samples;
                phase = phase.wrapping_add(step);
                step = step.wrapping_add(rotor.bend);
            }
        }
        self.shape.transform_sums();
    }

    fn pass(&mut self, samples: &[f32], track: &Track) -> Totals {
        pass(
            samples,
            track,
            &mut self.shape,
            &mut self.blocks,
            &mut self.residual,
        )
    }

    fn all_power(&self) -> f64 {
        (1..=self.shape.highest())
            .map(|h| self.shape.power(h))
            .sum()
    }

    fn noise(&self, totals: &Totals, samples: usize, order: usize) -> f64 {
        let n = samples as f64;
        let fitted = 2.0 * self.shape.count_kept() as f64 + order as f64 + 1.0;
        (totals.residual / (n - fitted).max(n / 4.0)).max(1e-30)
    }
}
