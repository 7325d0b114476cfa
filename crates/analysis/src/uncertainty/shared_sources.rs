//! One number a trial of every source of uncertainty that results may share, each from
//! the stream of what it belongs to.

use crate::readings::identity::Identity;
use crate::statistics::trials::{Address, Trials};
use model::pitch::Pitch;
use model::result::UncertaintySource as Source;

/// How many joint trials there are.
pub(crate) const TRIALS: usize = 1000;

/// What the rig does in each trial, for one unit in one stage, as parts of its limits
/// (rectangles from -1 to 1; of the loading, which only ever takes away, from 0 to 1);
/// what is off the curve as normal numbers.
///
/// The sample clock has none: it scales all frequencies alike and enters no result.
#[derive(Debug, Clone)]
pub(crate) struct SharedSources {
    /// Gain, loading, session: in the order of the limits.
    pub(crate) gains: [Vec<f64>; 3],
    pub(crate) offset: Vec<f64>,
    pub(crate) gain_drift: Vec<f64>,
    pub(crate) offset_drift: Vec<f64>,
    /// How fast the control source drifts, from at once (-1) to steadily (1).
    pub(crate) drifts_in: Vec<f64>,
    /// By note of the stage.
    pub(crate) steps: Vec<Vec<f64>>,
    pub(crate) off_curve: Vec<Vec<f64>>,
    /// What the standard deviation off the curve must be multiplied by.
    pub(crate) scale: Vec<f64>,
    /// What the thermometer is off by at either end of a span.
    pub(crate) thermometer: [Vec<f64>; 2],
}

fn rectangle(address: Address) -> Vec<f64> {
    let mut trials = Trials::at(address);
    (0..TRIALS).map(|_| trials.within(1.0)).collect()
}

/// From 0 to 1 what is from -1 to 1.
fn one_sided(parts: Vec<f64>) -> Vec<f64> {
    parts.into_iter().map(|part| 0.5 * (1.0 + part)).collect()
}

impl SharedSources {
    /// Those of a unit in a stage with these notes, of which what is off the curve is known
    /// with so many degrees of freedom.
    pub(crate) fn of(identity: &Identity, stage: u16, notes: &[Pitch], freedom: usize) -> Self {
        let of = |source, which| rectangle(identity.address(source, which, stage, None));
        let own = |which: &str| Trials::at(identity.address(Source::OffCurve, which, stage, None));
        let mut normal = own("notes");
        let mut unknown = own("scale");
        Self {
            gains: [
                of(Source::CvGain, ""),
                one_sided(of(Source::Loading, "")),
                of(Source::Session, ""),
            ],
            offset: of(Source::CvOffset, ""),
            gain_drift: of(Source::CvDrift, "gain"),
            offset_drift: of(Source::CvDrift, "offset"),
            drifts_in: of(Source::CvDrift, "how fast"),
            steps: notes
                .iter()
                .map(|note| rectangle(identity.address(Source::CvSteps, "", stage, Some(*note))))
                .collect(),
            off_curve: notes
                .iter()
                .map(|_| (0..TRIALS).map(|_| normal.normal()).collect())
                .collect(),
            scale: (0..TRIALS)
                .map(|_| unknown.unknown_scale(freedom))
                .collect(),
            thermometer: [
                of(Source::Thermometer, "one end"),
                of(Source::Thermometer, "other end"),
            ],
        }
    }
}
