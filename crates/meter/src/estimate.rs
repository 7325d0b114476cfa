//! From samples to an estimate: how sure, what state, which flags.

use crate::fit::Fit;
use crate::survey::{Survey, survey};
use crate::tone::{Finder, Found, LOWEST_HERTZ, Limits, Nothing, looked_at};
use crate::{Estimate, level_of};
use model::quantity::{Hertz, HertzDifference};
use model::record::{Flag, Flags, State};

/// A window of fewer periods is refused.
pub(crate) const LEAST_PERIODS: f64 = 4.0;
/// The same for a glimpse.
pub(crate) const LEAST_PERIODS_OF_GLIMPSE: f64 = 2.0;
/// A window of fewer periods is flagged.
const FEW_PERIODS: f64 = 12.0;
/// Below this an input is silent, whatever is in it: -100 dBFS rms.
const SILENCE: f64 = 1e-5;
/// What has no pitch below this is noise of the input, not a signal: -60 dBFS rms.
const QUIET: f64 = 1e-3;
/// Faster drifts than this, in cents per second, are flagged.
const MOVING_CENTS_PER_SECOND: f64 = 3.0;
/// Energy at a lower octave from here on, of the tone's, is that octave.
const LOWER_OCTAVE: f64 = 1e-4;
/// The same in a clipped window, where images of the harmonics that the clipping
/// made fall anywhere.
const LOWER_OCTAVE_CLIPPED: f64 = 1e-2;
/// A fit that explains less of the power than this is none.
const LEAST_SHARE: f64 = 0.3;
/// A second tone from here on, of the tone's power, spoils the window.
const SECOND_TONE: f64 = 1e-2;
/// The same in a clipped window: images of the cut harmonics look like one.
const SECOND_TONE_CLIPPED: f64 = 0.3;
/// What a mains line may do to the frequency before the window is given up: cents.
const HUM_CENTS: f64 = 1.0;
const CENTS_PER_UNIT: f64 = 1_731.234_049_066_756;

/// Everything that is kept from window to window.
#[derive(Debug)]
pub(crate) struct Engine {
    finder: Finder,
    clean: Vec<f32>,
}

impl Engine {
    pub fn new(rate: f64) -> Self {
        Self {
            finder: Finder::new(rate),
            clean: Vec::new(),
        }
    }

    /// Measures a window. `expected` is tried as the period first; `least` is the
    /// number of periods that must fit.
    pub fn measure(&mut self, samples: &[f32], expected: Option<f64>, least: f64) -> Estimate {
        let survey = survey(samples);
        let mut estimate = Estimate {
            state: State::Silent,
            flags: Flags::NONE,
            frequency: None,
            u: None,
            u_noise: None,
            u_oscillator: None,
            rate_of_change: None,
            level: None,
            peak: None,
            explained: None,
        };
        if samples.is_empty() {
            estimate.state = State::TooShort;
            return estimate;
        }
        if !survey.finite {
            estimate.state = State::NotPeriodic;
            return estimate;
        }
        estimate.level = level_of(survey.rms);
        estimate.peak = level_of(survey.peak);
        if survey.clipped {
            estimate.flags.insert(Flag::Clipped);
        }
        if survey.zeros {
            estimate.flags.insert(Flag::ExactZeros);
        }
        if survey.ac_rms < SILENCE {
            return estimate;
        }
        if samples.len() < 16 {
            estimate.state = State::TooShort;
            return estimate;
        }
        // The mean off: what is left is small enough for single precision.
        let mut clean = std::mem::take(&mut self.clean);
        clean.clear();
        clean.extend(samples.iter().map(|x| (f64::from(*x) - survey.mean) as f32));
        self.judge(&clean, &survey, expected, least, &mut estimate);
        self.clean = clean;
        estimate
    }

    /// States and flags of a window that is long enough and holds a signal.
    fn judge(
        &mut self,
        samples: &[f32],
        survey: &Survey,
        expected: Option<f64>,
        least: f64,
        estimate: &mut Estimate,
    ) {
        let limits = Limits {
            periods: least,
            lower_octave: if survey.clipped {
                LOWER_OCTAVE_CLIPPED
            } else {
                LOWER_OCTAVE
            },
        };
        let found = match self.finder.find(samples, expected, limits) {
            Ok(found) => found,
            Err(Nothing::Found) => {
                estimate.state = self.nothing_found(samples.len(), survey, least);
                return;
            }
            Err(Nothing::Single) => {
                estimate.state = State::TwoTones;
                return;
            }
        };
        let seconds = samples.len() as f64 / self.finder.rate;
        let mut found = found;
        let hum = self.finder.mind_the_mains(&mut found);
        let Found { fit, ambiguous, .. } = found;
        let periods = fit.periods();
        let hertz = fit.track.mean_step() * self.finder.rate;
        let share = fit.power / (fit.power + fit.noise);
        estimate.explained = Some(share);
        if periods < least {
            estimate.state = State::TooShort;
            return;
        }
        if share < LEAST_SHARE {
            estimate.state = State::NotPeriodic;
            return;
        }
        let second = if survey.clipped {
            SECOND_TONE_CLIPPED
        } else {
            SECOND_TONE
        };
        if fit.noise > second * fit.power && self.second_tone(&fit, second) {
            estimate.state = State::TwoTones;
            return;
        }
        if ambiguous {
            estimate.flags.insert(Flag::OctaveAmbiguous);
        }
        if periods < FEW_PERIODS {
            estimate.flags.insert(Flag::FewPeriods);
        }

        let (window, oscillator) = fit.variances();
        let to_cents = CENTS_PER_UNIT / hertz;
        if hum * to_cents > HUM_CENTS {
            estimate.state = State::HumTooNear;
            return;
        }
        let least_u = 1e-10 * hertz;
        let u = (window * self.finder.rate * self.finder.rate + hum * hum)
            .sqrt()
            .max(least_u);
        let u_oscillator = (oscillator * self.finder.rate * self.finder.rate + hum * hum)
            .sqrt()
            .max(least_u);
        if hum > 0.5 * u {
            estimate.flags.insert(Flag::HumNear);
        }
        let rate_of_change = fit.track.change() * self.finder.rate / seconds;
        let drift = (rate_of_change * to_cents).abs();
        if drift > MOVING_CENTS_PER_SECOND && drift * seconds > 10.0 * u * to_cents {
            estimate.flags.insert(Flag::Moving);
        }
        let u_noise = (fit.noise_variance().sqrt() * self.finder.rate).clamp(least_u, u);
        let (Ok(frequency), Ok(u), Ok(u_noise), Ok(u_oscillator)) = (
            Hertz::new(hertz),
            HertzDifference::new(u),
            HertzDifference::new(u_noise),
            HertzDifference::new(u_oscillator),
        ) else {
            estimate.state = State::NotPeriodic;
            return;
        };
        estimate.state = State::Ok;
        estimate.frequency = Some(frequency);
        estimate.u = Some(u);
        estimate.u_noise = Some(u_noise);
        estimate.u_oscillator = Some(u_oscillator);
        estimate.rate_of_change = Some(rate_of_change);
    }

    fn nothing_found(&self, samples: usize, survey: &Survey, least: f64) -> State {
        if survey.ac_rms < QUIET {
            State::Silent
        } else if (samples as f64) < least * 1.5 * self.finder.rate / 20.0 {
            // A window too short for the lowest notes: it may hold a part of one.
            State::TooShort
        } else {
            State::NotPeriodic
        }
    }

    /// Whether what the fit left has a pitch of its own.
    fn second_tone(&mut self, fit: &Fit, least: f64) -> bool {
        let residual = &self.finder.fitter.residual;
        let part = &residual[looked_at(residual.len(), self.finder.rate)];
        let longest = (self.finder.rate / LOWEST_HERTZ) as usize;
        // The tone has been found: its search is free for another.
        self.finder.coarse.search(part, 0.0, longest);
        let period = 1.0 / fit.track.mean_step();
        self.finder
            .coarse
            .candidates
            .first()
            .is_some_and(|candidate| {
                let ratio = candidate.period / period;
                // What repeats with the tone itself is a fault of the fit: a glide, say.
                let own = (ratio - ratio.round()).abs() < 0.03 && ratio > 0.5;
                !own && candidate.height > 0.5 && candidate.height * fit.noise > least * fit.power
            })
    }
}
