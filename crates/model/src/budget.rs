//! What limits a result: its uncertainty by source.

use schemars::JsonSchema;
use serde::{Deserialize, Serialize};

/// A source of uncertainty.
#[derive(
    Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Hash, Serialize, Deserialize, JsonSchema,
)]
#[serde(rename_all = "snake_case")]
pub enum UncertaintySource {
    /// What is each reading's own: the meter's noise, the unit's scatter from
    /// reading to reading, and drift within a window or a round as far as the fit
    /// does not take it out.
    Readings,
    /// What repeats off the curve from round to round and no bound of the rig explains.
    OffCurve,
    /// The sample clock of the audio input.
    SampleClock,
    /// The gain of the control voltage.
    CvGain,
    /// The offset of the control voltage.
    CvOffset,
    /// The steps of the control voltage.
    CvSteps,
    /// What gain and offset of the control voltage do over the run.
    CvDrift,
    /// The loading of the control voltage by the inputs that hang on it.
    Loading,
    /// The thermometer.
    Thermometer,
    /// The rig from session to session.
    Session,
}

impl UncertaintySource {
    /// Every source, in the order in which they are shown.
    pub const ALL: [Self; 10] = [
        Self::Readings,
        Self::OffCurve,
        Self::SampleClock,
        Self::CvGain,
        Self::CvOffset,
        Self::CvSteps,
        Self::CvDrift,
        Self::Loading,
        Self::Thermometer,
        Self::Session,
    ];
    /// The name used in output.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Readings => "readings",
            Self::OffCurve => "off_curve",
            Self::SampleClock => "sample_clock",
            Self::CvGain => "cv_gain",
            Self::CvOffset => "cv_offset",
            Self::CvSteps => "cv_steps",
            Self::CvDrift => "cv_drift",
            Self::Loading => "loading",
            Self::Thermometer => "thermometer",
            Self::Session => "session",
        }
    }
}

/// What one source does to a result: the squares of the parts add up to that of the whole.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Contribution {
    /// The source.
    pub source: UncertaintySource,
    /// The standard uncertainty it stands for, in the result's unit.
    pub u: f64,
    /// Its share of the variance, from 0 to 1.
    pub share: f64,
}
