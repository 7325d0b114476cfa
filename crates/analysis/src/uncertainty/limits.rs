//! What a rig may be off by at a position, source by source. Limits are rectangular,
//! `u = limit / sqrt(3)` (GUM 4.3.7).

use model::document::rig::Rig;
use model::record::PositionId;
use model::result::UncertaintySource;

/// What a CV input has where the rig does not say, in ohms.
const USUAL_INPUT_OHM: f64 = 100e3;

/// The limits of the rig at a position, as limits of rectangular distributions.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct RigLimits {
    pub(crate) gain: f64,
    pub(crate) offset: f64,
    pub(crate) step: f64,
    pub(crate) gain_drift: f64,
    pub(crate) offset_drift: f64,
    pub(crate) loading: f64,
    pub(crate) session: f64,
    /// Kelvin.
    pub(crate) thermometer: f64,
    /// The steps that may explain what repeats off the curve, and whether what is beyond
    /// them counts.
    pub(crate) believed_step: f64,
    pub(crate) off_curve: bool,
}

impl RigLimits {
    /// The limits of a rig at one of its positions. What the output resistance of a
    /// control voltage loses into all inputs on it is a limit one way: it only ever takes
    /// away, so that the unit may be as much wider than it was seen.
    pub(crate) fn of(rig: &Rig, position: &PositionId) -> Self {
        let bounds = &rig.bounds;
        let own = rig.positions.get(position.as_str());
        let conductance: f64 = rig
            .positions
            .values()
            .filter(|other| {
                own.is_some_and(|own| {
                    other.cv.sender == own.cv.sender && other.cv.channel == own.cv.channel
                })
            })
            .map(|other| {
                let ohms = other.input_resistance.map_or(USUAL_INPUT_OHM, |r| r.get());
                1.0 / ohms.max(1.0)
            })
            .sum();
        let load = bounds.cv_output_resistance.get() * conductance.max(1.0 / USUAL_INPUT_OHM);
        Self {
            gain: bounds.cv_gain.get().abs(),
            offset: bounds.cv_offset.get().abs(),
            step: bounds.cv_step.get().abs(),
            gain_drift: bounds.cv_gain_drift.get().abs(),
            offset_drift: bounds.cv_offset_drift.get().abs(),
            loading: load / (1.0 + load),
            session: bounds.cv_session.get().abs(),
            thermometer: bounds.thermometer.get().abs(),
            believed_step: bounds.cv_step.get().abs(),
            off_curve: true,
        }
    }

    /// A rig without any error: readings alone.
    pub(crate) const fn none(self) -> Self {
        Self {
            gain: 0.0,
            offset: 0.0,
            step: 0.0,
            gain_drift: 0.0,
            offset_drift: 0.0,
            loading: 0.0,
            session: 0.0,
            thermometer: 0.0,
            believed_step: self.believed_step,
            off_curve: false,
        }
    }

    /// A rig with one source of error only; `None` when that source is nought, or
    /// cancels from every result (the clock).
    pub(crate) fn only(self, source: UncertaintySource) -> Option<Self> {
        let mut only = self.none();
        match source {
            UncertaintySource::CvGain => only.gain = self.gain,
            UncertaintySource::CvOffset => only.offset = self.offset,
            UncertaintySource::CvSteps => only.step = self.step,
            UncertaintySource::CvDrift => {
                only.gain_drift = self.gain_drift;
                only.offset_drift = self.offset_drift;
            }
            UncertaintySource::Loading => only.loading = self.loading,
            UncertaintySource::Session => only.session = self.session,
            UncertaintySource::Thermometer => only.thermometer = self.thermometer,
            UncertaintySource::OffCurve => only.off_curve = self.off_curve,
            UncertaintySource::Readings | UncertaintySource::SampleClock => {}
        }
        (only != self.none()).then_some(only)
    }

    /// The same with a gain.
    pub(crate) const fn with_gain(self, gain: f64) -> Self {
        Self { gain, ..self }
    }

    /// All that acts as a gain which stays for a run.
    pub(crate) const fn gains(self) -> [f64; 3] {
        [self.gain, self.loading, self.session]
    }
}
