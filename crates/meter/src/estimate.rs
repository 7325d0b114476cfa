//! From samples to an estimate: which period, which octave, how sure, what state.

use crate::coarse::Coarse;
use crate::fit::{Fit, Fitter};
use crate::hum::{Hum, Mains};
use crate::ladder::{Climb, Ladder};
use crate::octave::{self, Octaves};
use crate::refine::block_length;
use crate::{Estimate, level_of};
use model::quantity::{Hertz, HertzDifference};
use model::record::{Flag, Flags, State};
use rustfft::num_complex::Complex;

/// A window of fewer periods is refused.
pub(crate) const LEAST_PERIODS: f64 = 4.0;
/// The same for a glimpse.
pub(crate) const LEAST_PERIODS_OF_GLIMPSE: f64 = 2.0;
/// A window of fewer periods is flagged.
const FEW_PERIODS: f64 = 12.0;
/// The longest period is this part of a second.
const LOWEST_HERTZ: f64 = 7.0;
/// As much of a window as the first guess looks at, seconds.
const GUESS_SECONDS: f64 = 0.5;
/// A sample from here on is at full scale.
const FULL_SCALE: f32 = 0.9995;
/// A signal whose peak is above this and which stands still at its extreme for
/// three samples that many times was cut off somewhere before.
const LOUD: f32 = 0.1;
const PLATEAUS: usize = 6;
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
/// The same where the lower octave is that of the mains.
const LOWER_OCTAVE_AT_MAINS: f64 = 0.3;
/// Harmonics of less than this share together do not hold the octave down.
const NEGLIGIBLE: f64 = 2e-5;
/// A fit that explains less of the power than this is none.
const LEAST_SHARE: f64 = 0.3;
/// A second tone from here on, of the tone's power, spoils the window.
const SECOND_TONE: f64 = 1e-2;
/// The same in a clipped window: images of the cut harmonics look like one.
const SECOND_TONE_CLIPPED: f64 = 0.3;
/// A tone has at least this share of its power in the lowest harmonics.
const SPARSE: f64 = 1e-2;
const LOWEST_HARMONICS: usize = 8;
/// A mains line this many resolutions of the window from a harmonic is too near.
const TOO_NEAR: f64 = 1.3;
/// Mains lines above this many hertz are too weak to matter.
const HIGHEST_MAINS_LINE: f64 = 1_200.0;
/// How much more than noise the trend of a harmonic must be to be a mains line's.
const DISTURBED: f64 = 12.0;
/// The share of the information in undisturbed harmonics that is enough.
const ENOUGH: f64 = 0.02;
/// What a mains line may do to the frequency before the window is given up: cents.
const HUM_CENTS: f64 = 1.0;
const CENTS_PER_UNIT: f64 = 1_731.234_049_066_756;

/// Everything that is kept from window to window.
#[derive(Debug)]
pub(crate) struct Engine {
    rate: f64,
    coarse: Coarse,
    ladder: Ladder,
    fitter: Fitter,
    octaves: Octaves,
    hum: Hum,
    second: Coarse,
    clean: Vec<f32>,
    clear_of_hum: Vec<f32>,
    spare: Vec<f32>,
}

/// What a tone was found to be.
#[derive(Debug, Clone, Copy)]
struct Found {
    fit: Fit,
    /// Its octave is in doubt.
    ambiguous: bool,
    /// What hum was taken off.
    mains: Option<Mains>,
}

/// Why there is no tone.
#[derive(Debug, Clone, Copy)]
enum Nothing {
    /// Nothing repeats.
    Found,
    /// What repeats is no single tone.
    Single,
}

/// What is asked of a tone.
#[derive(Debug, Clone, Copy)]
struct Limits {
    /// The least number of periods.
    periods: f64,
    /// Least share of the power at a lower octave that makes it the tone's.
    lower_octave: f64,
}

/// What can be said of the samples before anything is fitted.
#[derive(Debug, Clone, Copy)]
struct Survey {
    mean: f64,
    rms: f64,
    ac_rms: f64,
    peak: f64,
    finite: bool,
    clipped: bool,
    zeros: bool,
}

/// Counts how often the signal stands still at its extreme.
#[derive(Debug, Clone, Copy)]
struct Plateau {
    side: f32,
    extreme: f32,
    run: usize,
    count: usize,
}

impl Plateau {
    fn new(side: f32) -> Self {
        Self {
            side,
            extreme: f32::NEG_INFINITY,
            run: 0,
            count: 0,
        }
    }

    fn see(&mut self, x: f32) {
        let x = x * self.side;
        if x < self.extreme {
            self.run = 0;
        } else if x > self.extreme {
            self.extreme = x;
            self.run = 1;
            self.count = 0;
        } else {
            self.run += 1;
            self.count += usize::from(self.run == 3);
        }
    }
}

fn survey(samples: &[f32]) -> Survey {
    let (mut sum, mut square) = (0.0_f64, 0.0_f64);
    let mut peak = 0.0_f32;
    let mut full = 0_usize;
    let (mut high, mut low) = (Plateau::new(1.0), Plateau::new(-1.0));
    let mut not_finite = 0_usize;
    let (mut run, mut longest) = (0_usize, 0_usize);
    for part in samples.chunks(256) {
        let (mut s, mut q) = (0.0_f64, 0.0_f64);
        for &x in part {
            not_finite += usize::from(!x.is_finite());
            s += f64::from(x);
            q += f64::from(x) * f64::from(x);
            peak = peak.max(x.abs());
            full += usize::from(x.abs() >= FULL_SCALE);
            high.see(x);
            low.see(x);
            run = if x == 0.0 { run + 1 } else { 0 };
            longest = longest.max(run);
        }
        sum += s;
        square += q;
    }
    let n = samples.len().max(1) as f64;
    let mean = sum / n;
    Survey {
        mean,
        rms: (square / n).sqrt(),
        ac_rms: (square / n - mean * mean).max(0.0).sqrt(),
        peak: f64::from(peak),
        finite: not_finite == 0,
        clipped: full >= 3 || (peak > LOUD && high.count + low.count >= PLATEAUS),
        // A quarter of the window: no waveform rests at exactly zero for so long.
        zeros: longest * 4 >= samples.len() && longest > 0,
    }
}

impl Engine {
    pub fn new(rate: f64) -> Self {
        Self {
            rate,
            coarse: Coarse::new(),
            ladder: Ladder::default(),
            fitter: Fitter::new(),
            octaves: Octaves::new(),
            hum: Hum::new(),
            second: Coarse::new(),
            clean: Vec::new(),
            clear_of_hum: Vec::new(),
            spare: Vec::new(),
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
        let found = match self.find(samples, expected, limits) {
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
        let seconds = samples.len() as f64 / self.rate;
        let mut found = found;
        let hum = self.mind_the_mains(&mut found);
        let Found { fit, ambiguous, .. } = found;
        let periods = fit.periods();
        let hertz = fit.track.mean_step() * self.rate;
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
        let u = (window * self.rate * self.rate + hum * hum)
            .sqrt()
            .max(least_u);
        let u_oscillator = (oscillator * self.rate * self.rate + hum * hum)
            .sqrt()
            .max(least_u);
        if hum > 0.5 * u {
            estimate.flags.insert(Flag::HumNear);
        }
        let rate_of_change = fit.track.change() * self.rate / seconds;
        let drift = (rate_of_change * to_cents).abs();
        if drift > MOVING_CENTS_PER_SECOND && drift * seconds > 10.0 * u * to_cents {
            estimate.flags.insert(Flag::Moving);
        }
        let (Ok(frequency), Ok(u), Ok(u_oscillator)) = (
            Hertz::new(hertz),
            HertzDifference::new(u),
            HertzDifference::new(u_oscillator),
        ) else {
            estimate.state = State::NotPeriodic;
            return;
        };
        estimate.state = State::Ok;
        estimate.frequency = Some(frequency);
        estimate.u = Some(u);
        estimate.u_oscillator = Some(u_oscillator);
        estimate.rate_of_change = Some(rate_of_change);
    }

    fn nothing_found(&self, samples: usize, survey: &Survey, least: f64) -> State {
        if survey.ac_rms < QUIET {
            State::Silent
        } else if (samples as f64) < least * 1.5 * self.rate / 20.0 {
            // A window too short for the lowest notes: it may hold a part of one.
            State::TooShort
        } else {
            State::NotPeriodic
        }
    }

    /// The fit for the likeliest period.
    fn find(
        &mut self,
        samples: &[f32],
        expected: Option<f64>,
        limits: Limits,
    ) -> Result<Found, Nothing> {
        if let Some(step) = expected.map(|hertz| hertz / self.rate)
            && step > 0.0
            && step < 0.49
            && step * samples.len() as f64 > LEAST_PERIODS_OF_GLIMPSE
            && let Some(found) = self.attempt(samples, 1.0 / step, limits)
            && found.fit.power > 30.0 * found.fit.noise
            && !self.sparse()
        {
            return Ok(found);
        }
        let longest = (self.rate / LOWEST_HERTZ) as usize;
        let part = (GUESS_SECONDS * self.rate * 1.01) as usize;
        let part = if samples.len() > part + part / 2 {
            let from = (samples.len() - part) / 2;
            &samples[from..from + part]
        } else {
            samples
        };
        self.coarse.search(part, 0.0, longest);
        let count = self.coarse.candidates.len();
        let mut best: Option<(usize, f64)> = None;
        let mut sparse = false;
        for index in 0..count {
            let period = self.coarse.candidates[index].period;
            let Some(found) = self.attempt(samples, period, limits) else {
                continue;
            };
            if self.sparse() {
                sparse = true;
                continue;
            }
            if found.fit.power > 2.0 * found.fit.noise || count == 1 {
                return Ok(found);
            }
            if best.is_none_or(|(_, noise)| noise > found.fit.noise) {
                best = Some((index, found.fit.noise));
            }
        }
        // Once more, for the buffers must hold the best one, not the last.
        match best {
            Some((index, _)) => self
                .attempt(samples, self.coarse.candidates[index].period, limits)
                .ok_or(Nothing::Found),
            None if sparse => Err(Nothing::Single),
            None => Err(Nothing::Found),
        }
    }

    /// Whether the lowest harmonics are missing. No oscillator sounds like that, but
    /// two of them do, at the period at which both repeat.
    fn sparse(&self) -> bool {
        let shape = &self.fitter.shape;
        let lowest: f64 = (1..=shape.highest().min(LOWEST_HARMONICS))
            .filter(|&h| shape.kept[h])
            .map(|h| shape.power(h))
            .sum();
        lowest < SPARSE * shape.power_kept()
    }

    fn refit(&mut self, samples: &[f32], found: &Found, factor: f64) -> Option<Fit> {
        let climb = Climb {
            track: found.fit.track.scaled(factor),
            doubt: 1e-4 * factor.max(1.0),
            order: found.fit.order,
        };
        let data = if found.mains.is_some() {
            &self.clear_of_hum
        } else {
            samples
        };
        self.fitter.fit(data, &climb)
    }

    /// Ladder, fit, hum, and the right octave.
    fn attempt(&mut self, samples: &[f32], period: f64, limits: Limits) -> Option<Found> {
        let climb = self.ladder.climb(samples, 0.0, period)?;
        let mut found = Found {
            fit: self.fitter.fit(samples, &climb)?,
            ambiguous: false,
            mains: None,
        };
        let block = block_length(samples.len());
        for _ in 0..4 {
            self.go_up(samples, &mut found);
            if self.take_hum_off(samples, &mut found) {
                self.go_up(samples, &mut found);
            }
            let Some(below) = self.octaves.below(
                &self.fitter.residual,
                &found.fit.track,
                block,
                found.fit.power,
            ) else {
                return Some(found);
            };
            let slow = 1.0 / below.divisor as f64;
            let lower = found.fit.track.mean_step() * slow * self.rate;
            let resolution = self.rate / samples.len() as f64;
            let mains = [50.0, 60.0]
                .iter()
                .any(|mains| (lower - mains).abs() < TOO_NEAR * resolution);
            let least = if mains {
                LOWER_OCTAVE_AT_MAINS
            } else {
                limits.lower_octave
            };
            let clear = below.power >= least * found.fit.power
                && found.fit.periods() * slow >= limits.periods
                && lower >= LOWEST_HERTZ;
            let before = found;
            found.ambiguous = true;
            if !clear {
                return Some(found);
            }
            let lower = self.refit(samples, &found, slow);
            if let Some(lower) = lower
                && lower.noise < found.fit.noise
                && octave::common_divisor(&self.fitter.shape, NEGLIGIBLE) == 1
            {
                found.fit = lower;
                found.ambiguous = false;
            } else {
                found.fit = self.refit(samples, &before, 1.0)?;
                return Some(found);
            }
        }
        Some(found)
    }

    /// Where only every second (third ...) harmonic is there, the tone is higher.
    fn go_up(&mut self, samples: &[f32], found: &mut Found) {
        let divisor = octave::common_divisor(&self.fitter.shape, NEGLIGIBLE);
        if divisor > 1 {
            match self.refit(samples, found, divisor as f64) {
                Some(higher) => found.fit = higher,
                None => found.ambiguous = true,
            }
        }
    }

    /// Takes mains lines off the samples and fits again.
    fn take_hum_off(&mut self, samples: &[f32], found: &mut Found) -> bool {
        let mut any = false;
        let near = TOO_NEAR * self.rate / samples.len() as f64;
        for _ in 0..2 {
            let tone = found.fit.track.mean_step() * self.rate;
            let Some(mains) = self.hum.look(&self.fitter.residual, self.rate, tone, near) else {
                break;
            };
            self.spare.resize(samples.len(), 0.0);
            let data = if found.mains.is_some() {
                &self.clear_of_hum
            } else {
                samples
            };
            self.hum.take_off(data, self.rate, &mut self.spare);
            std::mem::swap(&mut self.spare, &mut self.clear_of_hum);
            let most = found.mains.map_or(0.0, |mains| mains.amplitude);
            found.mains = Some(Mains {
                amplitude: mains.amplitude.max(most),
                ..mains
            });
            match self.refit(samples, found, 1.0) {
                Some(refitted) => found.fit = refitted,
                None => break,
            }
            any = true;
        }
        any
    }

    /// Harmonics beside mains lines: whether those pull at them shows in what each
    /// harmonic by itself still wants changed. If so, the frequency comes from the
    /// other harmonics; where those say too little, returns how far, in hertz, it may
    /// be off.
    fn mind_the_mains(&mut self, found: &mut Found) -> f64 {
        let fit = &mut found.fit;
        let hertz = fit.track.mean_step() * self.rate;
        let samples = fit.track.samples;
        let near = TOO_NEAR * self.rate / samples;
        let beside = |h: usize| {
            let at = h as f64 * hertz;
            at < HIGHEST_MAINS_LINE
                && [50.0, 60.0].iter().any(|mains| {
                    let line = (at / mains).round().max(1.0);
                    (at - line * mains).abs() < near
                })
        };
        let any = (1..=self.fitter.shape.highest())
            .take_while(|&h| h as f64 * hertz < HIGHEST_MAINS_LINE)
            .any(|h| self.fitter.shape.kept[h] && beside(h));
        if !any {
            return 0.0;
        }
        self.fitter.trends(&fit.track);
        let shape = &self.fitter.shape;
        // The sum of tau squared over the window.
        let moment = samples / 3.0;
        let (mut all, mut clear, mut score, mut pull) = (0.0, 0.0, 0.0, 0.0);
        let mut disturbed = false;
        for h in (1..=shape.highest()).filter(|&h| shape.kept[h]) {
            let slope = shape.harmonics[h]
                * Complex::new(0.0, 2.0 * std::f64::consts::PI * h as f64 * shape.gain[h]);
            let trend = shape.transformed(h);
            let information = slope.norm_sqr() / 2.0 * moment;
            all += information;
            if beside(h) {
                disturbed |= trend.norm_sqr() > DISTURBED * fit.noise * moment;
                // Hum that was found at other lines is here as well, by its size there.
                let hum = found.mains.map_or(0.0, |mains| {
                    let line = (h as f64 * hertz / mains.hertz).round().max(1.0);
                    0.25 * mains.amplitude / line * samples / 2.0
                });
                pull += slope.norm_sqr() * (trend.norm_sqr() + hum * hum);
            } else {
                clear += information;
                score += (slope * trend.conj()).re;
            }
        }
        if !disturbed && found.mains.is_none() {
            return 0.0;
        }
        if clear > ENOUGH * all {
            fit.track.coefficients[1] += score / clear;
            fit.unit_variance *= all / clear;
            return 0.0;
        }
        // What pulls one way in the amplitude may pull as much in the phase.
        pull.sqrt() / all * 2.0 / samples * self.rate
    }

    /// Whether what the fit left has a pitch of its own.
    fn second_tone(&mut self, fit: &Fit, least: f64) -> bool {
        let part = self
            .fitter
            .residual
            .len()
            .min((GUESS_SECONDS * self.rate) as usize);
        let longest = (self.rate / LOWEST_HERTZ) as usize;
        self.second
            .search(&self.fitter.residual[..part], 0.0, longest);
        let period = 1.0 / fit.track.mean_step();
        self.second.candidates.first().is_some_and(|candidate| {
            let ratio = candidate.period / period;
            // What repeats with the tone itself is a fault of the fit: a glide, say.
            let own = (ratio - ratio.round()).abs() < 0.03 && ratio > 0.5;
            !own && candidate.height > 0.5 && candidate.height * fit.noise > least * fit.power
        })
    }
}
