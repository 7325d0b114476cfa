//! What exactly is meant by a result, and which results a stage gives.

use crate::deviation::UnitReadings;
use crate::warm_up::{USUAL_LIMIT, USUAL_STAY_S};
use model::document::plan::{Moment, Plan, Stage, Tolerance};
use model::pitch::{ControlLaw, Pitch};
use model::result::ResultName;

/// The choices that belong to a result's definition.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Choice {
    pub(crate) at: Moment,
    /// How near counts as steady or ready, in cents.
    pub(crate) limit: f64,
    /// How long it must stay so, in seconds.
    pub(crate) stay: f64,
    /// When the one tuning is done, in seconds since t = 0.
    pub(crate) tuned_at: Option<f64>,
    pub(crate) between: Option<(Pitch, Pitch)>,
    /// How near counts as settled, in cents, where it is said.
    pub(crate) band: Option<f64>,
    /// Over which time a pitch is compared with itself, in seconds, where it is said.
    pub(crate) over: Option<f64>,
}

impl Choice {
    /// What is meant where a plan says nothing.
    pub(crate) const USUAL: Self = Self {
        at: Moment::End,
        limit: USUAL_LIMIT,
        stay: USUAL_STAY_S,
        tuned_at: None,
        between: None,
        band: None,
        over: None,
    };

    /// What a tolerance means, for a unit.
    pub(crate) fn of(tolerance: &Tolerance, plan: &Plan, unit: &UnitReadings) -> Self {
        Self::under(tolerance, plan, unit.law)
    }

    /// What a tolerance means, under a control law.
    pub(crate) fn under(tolerance: &Tolerance, plan: &Plan, law: ControlLaw) -> Self {
        let mut choice = Self {
            at: tolerance.at.unwrap_or(Moment::End),
            ..Self::USUAL
        };
        if let Some(meaning) = &tolerance.meaning {
            if let Some(limit) = meaning.steady_within {
                choice.limit = limit.get().abs();
                choice.band = Some(limit.get().abs());
            }
            choice.over = meaning.over.map(|time| time.get());
            if let Some(stay) = meaning.stay {
                choice.stay = stay.get();
            }
            choice.tuned_at = meaning.tuned_at.map(|time| time.get());
            choice.between = meaning
                .between
                .as_ref()
                .map(|[one, other]| (one.pitch(plan.pitch, law), other.pitch(plan.pitch, law)));
        }
        choice
    }

    /// The same with everything that does not matter to a result as usual, so that
    /// equal results are equal choices.
    pub(crate) fn for_result(self, name: ResultName) -> Self {
        let mut choice = Self::USUAL;
        match name {
            ResultName::ScaleError
            | ResultName::MeanSlope
            | ResultName::HighEnd
            | ResultName::ErrorLeftAfterRetuning
            | ResultName::LowEnd
            | ResultName::VoltageOffset
            | ResultName::WorstBeats => choice.at = self.at,
            ResultName::InTuneRange => {
                choice.at = self.at;
                choice.limit = self.limit;
            }
            ResultName::FractionOfRounds => choice.limit = self.limit,
            ResultName::SettlingTime => choice.band = self.band,
            ResultName::ShortTermStability | ResultName::ChangeBetweenReadings => {
                choice.over = self.over;
            }
            ResultName::TwoNoteSlope => {
                choice.at = self.at;
                choice.between = self.between;
            }
            ResultName::WarmUpTime | ResultName::ReadyAfter => {
                choice.limit = self.limit;
                choice.stay = self.stay;
            }
            ResultName::ErrorAfterOneTuning => {
                choice.tuned_at = self.tuned_at;
                if self.tuned_at.is_none() {
                    choice.limit = self.limit;
                    choice.stay = self.stay;
                }
            }
            ResultName::ErrorLeftAfterTrimming
            | ResultName::ErrorLeftAfterBothTrimmers
            | ResultName::LinearityError
            | ResultName::Excursion
            | ResultName::LargestChangeBetweenRounds
            | ResultName::Convergence
            | ResultName::DriftRate
            | ResultName::Repeatability
            | ResultName::Overshoot
            | ResultName::Hysteresis
            | ResultName::SupplySensitivity
            | ResultName::OffsetTemperatureCoefficient
            | ResultName::ScaleTemperatureCoefficient => {}
        }
        choice
    }
}

/// Whether a result means anything under a control law; what does not is not listed
/// unless a tolerance asks for it.
pub(crate) const fn concerns(law: ControlLaw, name: ResultName) -> bool {
    match law {
        ControlLaw::VoltsPerOctave { .. } => !matches!(name, ResultName::VoltageOffset),
        ControlLaw::HertzPerVolt { .. } => {
            !matches!(name, ResultName::ScaleError | ResultName::LowEnd)
        }
    }
}

/// The results a stage gives unless a tolerance asks for more.
pub(crate) fn gives(stage: &Stage, name: ResultName) -> bool {
    use ResultName as R;
    match stage {
        Stage::Rounds(_) => !matches!(name, R::ShortTermStability | R::Overshoot),
        Stage::Sweep(_) => !matches!(
            name,
            R::ReadyAfter
                | R::WarmUpTime
                | R::Convergence
                | R::ErrorAfterOneTuning
                | R::FractionOfRounds
                | R::Excursion
                | R::DriftRate
                | R::LargestChangeBetweenRounds
                | R::ChangeBetweenReadings
                | R::ShortTermStability
                | R::Overshoot
                | R::SupplySensitivity
                | R::OffsetTemperatureCoefficient
                | R::ScaleTemperatureCoefficient
        ),
        Stage::Alternate(_) => matches!(
            name,
            R::TwoNoteSlope
                | R::Excursion
                | R::DriftRate
                | R::LargestChangeBetweenRounds
                | R::ChangeBetweenReadings
                | R::ErrorLeftAfterRetuning
                | R::SettlingTime
        ),
        Stage::Hold(_) => matches!(
            name,
            R::Excursion | R::DriftRate | R::ShortTermStability | R::SettlingTime | R::Overshoot
        ),
        _ => false,
    }
}
