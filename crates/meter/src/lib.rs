//! Samples in, frequency with its uncertainty out.

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
    /// Rate of change over the window, in hertz per second.
    pub rate_of_change: Option<f64>,
    /// Level, rms; `None` for exact silence.
    pub level: Option<Level>,
    /// Level of the largest sample; `None` for exact silence.
    pub peak: Option<Level>,
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
    _rate: SampleRate,
}

impl Meter {
    /// A meter for samples at this rate.
    #[must_use]
    pub fn new(rate: SampleRate) -> Self {
        Self { _rate: rate }
    }
    /// Measures a window: `samples` at the meter's rate, full scale at one.
    pub fn estimate(&mut self, _samples: &[f32]) -> Estimate {
        Estimate {
            state: State::Silent,
            flags: Flags::NONE,
            frequency: None,
            u: None,
            rate_of_change: None,
            level: None,
            peak: None,
        }
    }
}
