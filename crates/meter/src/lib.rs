//! Samples in, frequency with its uncertainty out.

mod coarse;
mod estimate;
mod fit;
mod hum;
mod ladder;
mod octave;
mod refine;
mod scatter;
mod shape;
mod track;
mod wander;

use estimate::Engine;
use model::quantity::{Hertz, HertzDifference, Level};
use model::record::{Flags, Measured, State};
use model::time::SampleRate;

/// What was found in a window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Estimate {
    /// Whether the window could be measured.
    pub state: State,
    /// What to know about it.
    pub flags: Flags,
    /// Mean frequency over the window.
    pub frequency: Option<Hertz>,
    /// Standard uncertainty of that mean.
    pub u: Option<HertzDifference>,
    /// Standard uncertainty of the oscillator's frequency that the window samples:
    /// larger than `u` where its phase wanders by itself.
    pub u_oscillator: Option<HertzDifference>,
    /// Rate of change over the window, in hertz per second.
    pub rate_of_change: Option<f64>,
    /// Level, rms; `None` for exact silence.
    pub level: Option<Level>,
    /// Level of the largest sample; `None` for exact silence.
    pub peak: Option<Level>,
    /// The share of the power (without the constant) that the tone explains.
    pub explained: Option<f64>,
}

impl Estimate {
    /// The part of it that is kept with a reading.
    #[must_use]
    pub fn measured(&self) -> Measured {
        Measured {
            state: self.state,
            flags: self.flags,
            frequency: self.frequency,
            u: self.u,
            level: self.level,
        }
    }
}

/// An estimator for one sample rate. It keeps its buffers and transforms, so use
/// one for many windows; one per thread.
#[derive(Debug)]
pub struct Meter {
    engine: Engine,
}

impl Meter {
    /// A meter for samples at this rate.
    #[must_use]
    pub fn new(rate: SampleRate) -> Self {
        Self {
            engine: Engine::new(rate.get()),
        }
    }

    /// Measures a window: `samples` at the meter's rate, full scale at one.
    pub fn estimate(&mut self, samples: &[f32]) -> Estimate {
        self.engine.measure(samples, None, estimate::LEAST_PERIODS)
    }

    /// Measures a short window (50 to 100 ms) while a note settles: two periods are
    /// enough. `before` is the frequency of the glimpse before, if there was one; it
    /// is tried first and saves time when it still fits. It is never trusted.
    pub fn glimpse(&mut self, samples: &[f32], before: Option<Hertz>) -> Estimate {
        self.engine.measure(
            samples,
            before.map(Hertz::get),
            estimate::LEAST_PERIODS_OF_GLIMPSE,
        )
    }
}

/// The level of an amplitude, full scale at one; `None` for nothing at all.
fn level_of(amplitude: f64) -> Option<Level> {
    (amplitude > 0.0)
        .then(|| Level::new(20.0 * amplitude.log10()).ok())
        .flatten()
}
