//! Which tone is in the window: its period, its octave, and what hum is beside it.

use crate::coarse::Coarse;
use crate::estimate::LEAST_PERIODS_OF_GLIMPSE;
use crate::fit::{Fit, Fitter};
use crate::hum::{Hum, Mains, beside_mains};
use crate::ladder::{Climb, Ladder};
use crate::octave::{self, Octaves};
use crate::refine::block_length;
use std::ops::Range;

/// The longest period is this part of a second.
pub(crate) const LOWEST_HERTZ: f64 = 7.0;
/// As much of a window as the first guess looks at, seconds.
const GUESS_SECONDS: f64 = 0.5;
/// Lines that fall like an oscillator's are taken for its lower octave from this share
/// of the usual limit on, but called ambiguous.
const FAINT: f64 = 1e-2;
/// A lower octave must explain this share of the power seen at its lines: a second tone
/// beside them does not.
const OF_IT: f64 = 0.7;
/// Images of harmonics above half the rate of samples are no stronger than the highest
/// harmonics below it; with a margin.
const IMAGES: f64 = 4.0;
/// Nor are they weaker than this share of that.
const LEAST_IMAGES: f64 = 1e-4;
/// The power of images below a quarter of the rate of samples over that above.
const LEVEL: f64 = 1.5;
const DIVISORS_OF_IMAGES: [usize; 4] = [2, 3, 5, 7];
/// Cycles per sample from where on a tone has fewer than six harmonics.
const FEW_HARMONICS: f64 = 1.0 / 12.0;
/// Harmonics of less than this share together do not hold the octave down.
const NEGLIGIBLE: f64 = 2e-5;
/// A tone has at least this share of its power in the lowest harmonics.
const SPARSE: f64 = 1e-2;
const LOWEST_HARMONICS: usize = 8;
/// Two tones leave less than this share of the weaker one's power between them.
const COMBS: f64 = 1e-3;
/// A mains line this many resolutions of the window from a harmonic is too near.
pub(crate) const TOO_NEAR: f64 = 1.3;
/// The lower octaves that the mains may feign.
const DIVISORS_AT_MAINS: [usize; 4] = [2, 3, 5, 4];
/// A harmonic within this many resolutions of a mains line may be that line.
const MAINS_WITHIN: f64 = 4.0;
/// What a mains line leaves at other harmonics of a wrong tone.
const LEAKAGE: f64 = 0.1;
/// Of a tone with hum and its lower octave that is right which leaves less noise, and
/// without a doubt if less by this factor.
const FAR_LESS: f64 = 0.25;

/// Mains lines above this many hertz are weak beside those below, and were taken off.
const STRONG_MAINS: f64 = 250.0;

/// The part of a window that a search for a period looks at.
pub(crate) fn looked_at(samples: usize, rate: f64) -> Range<usize> {
    let part = (GUESS_SECONDS * rate * 1.01) as usize;
    if samples > part + part / 2 {
        let from = (samples - part) / 2;
        from..from + part
    } else {
        0..samples
    }
}

/// Whether lines of this power may be images that could come to `most`.
fn images_may_be(power: f64, most: f64) -> bool {
    power < most && power > LEAST_IMAGES * most
}

/// What a tone was found to be.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Found {
    pub fit: Fit,
    /// Its octave is in doubt.
    pub ambiguous: bool,
    /// What hum was taken off.
    pub mains: Option<Mains>,
}

/// Why there is no tone.
#[derive(Debug, Clone, Copy)]
pub(crate) enum Nothing {
    /// Nothing repeats.
    Found,
    /// What repeats is no single tone.
    Single,
}

/// What is asked of a tone.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Limits {
    /// The least number of periods.
    pub periods: f64,
    /// Least share of the power at a lower octave that makes it the tone's.
    pub lower_octave: f64,
}

/// The search for the tone, with everything it keeps from window to window.
#[derive(Debug)]
pub(crate) struct Finder {
    pub rate: f64,
    pub fitter: Fitter,
    pub coarse: Coarse,
    ladder: Ladder,
    octaves: Octaves,
    hum: Hum,
    clear_of_hum: Vec<f32>,
    spare: Vec<f32>,
}

impl Finder {
    pub fn new(rate: f64) -> Self {
        Self {
            rate,
            fitter: Fitter::new(),
            coarse: Coarse::new(),
            ladder: Ladder::default(),
            octaves: Octaves::new(),
            hum: Hum::new(),
            clear_of_hum: Vec::new(),
            spare: Vec::new(),
        }
    }

    /// The fit for the likeliest period.
    pub fn find(
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
        // Room for what most windows do not need, so that it is there when one does.
        let room = samples.len();
        self.spare.reserve(room.saturating_sub(self.spare.len()));
        let clear = &mut self.clear_of_hum;
        clear.reserve(room.saturating_sub(clear.len()));
        let part = &samples[looked_at(samples.len(), self.rate)];
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
        lowest < SPARSE * shape.power_kept() || self.two_combs()
    }

    /// Whether what was kept are multiples of two harmonics, none of them the first: two
    /// tones at the period at which both repeat.
    fn two_combs(&self) -> bool {
        let shape = &self.fitter.shape;
        let strongest = |besides: usize| {
            (1..=shape.highest())
                .filter(|h| shape.kept[*h] && !h.is_multiple_of(besides))
                .max_by(|&a, &b| shape.power(a).total_cmp(&shape.power(b)))
        };
        // No harmonic is a multiple of more than there are.
        let Some(first) = strongest(usize::MAX) else {
            return false;
        };
        let Some(second) = strongest(first) else {
            return false;
        };
        if first.min(second) < 2 || first.max(second) < 4 {
            return false;
        }
        let power = |which: &dyn Fn(usize) -> bool| -> f64 {
            (1..=shape.highest())
                .filter(|&h| shape.kept[h] && which(h))
                .map(|h| shape.power(h))
                .sum()
        };
        let own = power(&|h| !h.is_multiple_of(first) && h.is_multiple_of(second));
        let rest = power(&|h| !h.is_multiple_of(first) && !h.is_multiple_of(second));
        rest < COMBS * own
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

    /// The tone for one guess of the period.
    fn attempt(&mut self, samples: &[f32], period: f64, limits: Limits) -> Option<Found> {
        let mut found = self.pursue(samples, period, limits)?;
        found.ambiguous |= self.images_below(&found.fit);
        let Some(divisor) = self.mains_below(&found.fit) else {
            return Some(found);
        };
        // The same tone higher, and hum.
        let higher = Found {
            mains: None,
            ambiguous: found.ambiguous,
            fit: found.fit,
        };
        let higher = self
            .refit(samples, &higher, divisor as f64)
            .map(|fit| Found { fit, ..higher });
        let mut least = f64::INFINITY;
        if let Some(mut higher) = higher {
            self.take_hum_off(samples, &mut higher);
            least = higher.fit.noise;
            if least < found.fit.noise {
                higher.ambiguous |= least > FAR_LESS * found.fit.noise;
                return Some(higher);
            }
        }
        let mut found = self.pursue(samples, period, limits)?;
        found.ambiguous |= found.fit.noise > FAR_LESS * least;
        Some(found)
    }

    /// Whether the tone may be a higher one with images on fractions of its frequency:
    /// weak, and as strong at its highest harmonics as at its lowest.
    fn images_below(&self, fit: &Fit) -> bool {
        let shape = &self.fitter.shape;
        // Half the harmonics of the higher tone below half the rate.
        let half = (0.25 / fit.track.mean_step()) as usize;
        DIVISORS_OF_IMAGES.into_iter().any(|divisor| {
            let (mut above, mut low, mut high, mut edge) = (0.0, 0.0, 0.0, 0.0);
            for h in 1..=shape.highest() {
                let power = shape.power(h);
                if h.is_multiple_of(divisor) {
                    above += power;
                    if 3 * h > 2 * shape.highest() {
                        edge += power;
                    }
                } else if h <= half {
                    low += power;
                } else {
                    high += power;
                }
            }
            let most = 3.0 * IMAGES * edge * (divisor - 1) as f64;
            low + high < above && images_may_be(low + high, most) && low < LEVEL * high
        })
    }

    /// How much higher the tone may be if the harmonics that speak against it are
    /// mains lines: a period common to a tone and the mains looks like a lower octave.
    fn mains_below(&self, fit: &Fit) -> Option<usize> {
        let shape = &self.fitter.shape;
        let hertz = fit.track.mean_step() * self.rate;
        let near = MAINS_WITHIN * self.rate / fit.track.samples;
        DIVISORS_AT_MAINS.into_iter().find(|divisor| {
            let (mut above, mut mains, mut others) = (0.0, 0.0, 0.0);
            for h in (1..=shape.highest()).filter(|&h| shape.kept[h]) {
                let power = shape.power(h);
                if h.is_multiple_of(*divisor) {
                    above += power;
                } else if beside_mains(h as f64 * hertz, near) {
                    mains += power;
                } else {
                    others += power;
                }
            }
            mains > 0.0 && above > mains && others < LEAKAGE * mains
        })
    }

    /// Ladder, fit, hum, and the right octave.
    fn pursue(&mut self, samples: &[f32], period: f64, limits: Limits) -> Option<Found> {
        let climb = self.ladder.climb(samples, 0.0, period)?;
        let mut found = Found {
            fit: self.fitter.fit(samples, &climb)?,
            ambiguous: false,
            mains: None,
        };
        let block = block_length(samples.len());
        let rate = self.rate;
        let near = TOO_NEAR * rate / samples.len() as f64;
        let mains = |step: f64| step * rate < STRONG_MAINS && beside_mains(step * rate, near);
        let mut negligible = NEGLIGIBLE;
        for _ in 0..4 {
            self.go_up(samples, &mut found, negligible);
            if self.take_hum_off(samples, &mut found) {
                self.go_up(samples, &mut found, negligible);
            }
            let Some(below) = self.octaves.below(
                &self.fitter.residual,
                &found.fit.track,
                block,
                found.fit.power,
                mains,
            ) else {
                return Some(found);
            };
            let slow = 1.0 / below.divisor as f64;
            let lower = found.fit.track.mean_step() * slow * self.rate;
            let least = limits.lower_octave * found.fit.power;
            let images = self.fitter.shape.power_at_the_top() * below.lines as f64 * IMAGES;
            let plain = below.no_mains >= least && !images_may_be(below.power, images);
            let faint = below.no_mains >= FAINT * least && below.falling && below.certain;
            // Where a tone has few harmonics, images seldom meet a fraction.
            let rare = below.no_mains >= least && found.fit.track.mean_step() > FEW_HARMONICS;
            let sure = plain || (below.no_mains >= least && below.falling);
            let clear = (plain || faint || rare)
                && found.fit.periods() * slow >= limits.periods
                && lower >= LOWEST_HERTZ;
            let before = found;
            found.ambiguous = true;
            if !clear {
                return Some(found);
            }
            // What was taken for hum may have been the lower octave's.
            let raw = Found {
                mains: None,
                ..found
            };
            let lower = self.refit(samples, &raw, slow);
            let faintest = negligible.min(0.1 * below.power / found.fit.power);
            if let Some(lower) = lower
                && found.mains.is_some() | (found.fit.noise - lower.noise > OF_IT * below.power)
                && lower.noise < found.fit.noise
                && octave::common_divisor(&self.fitter.shape, faintest) == 1
            {
                negligible = faintest;
                found.mains = None;
                found.fit = lower;
                found.ambiguous = before.ambiguous || !sure;
            } else {
                found.fit = self.refit(samples, &before, 1.0)?;
                return Some(found);
            }
        }
        Some(found)
    }

    /// Where only every second (third ...) harmonic is there, the tone is higher.
    fn go_up(&mut self, samples: &[f32], found: &mut Found, negligible: f64) {
        let divisor = octave::common_divisor(&self.fitter.shape, negligible);
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
        for _ in 0..3 {
            let tone = found.fit.track.mean_step() * self.rate;
            let residual = &self.fitter.residual;
            let look = self.hum.look(residual, self.rate, tone, near, found.mains);
            let Some(mains) = look else {
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
}
