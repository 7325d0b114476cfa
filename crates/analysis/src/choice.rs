//! What exactly is meant by a result, and which results a stage gives.

use crate::deviation::UnitReadings;
use crate::warm_up::{USUAL_LIMIT, USUAL_STAY_S};
use model::document::plan::{Moment, Plan, Stage, Tolerance};
use model::pitch::Pitch;
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
}

impl Choice {
    /// What is meant where a plan says nothing.
    pub(crate) const USUAL: Self = Self {
        at: Moment::End,
        limit: USUAL_LIMIT,
        stay: USUAL_STAY_S,
        tuned_at: None,
        between: None,
    };

    /// What a tolerance means, for a unit.
    pub(crate) fn of(tolerance: &Tolerance, plan: &Plan, unit: &UnitReadings) -> Self {
        let mut choice = Self {
            at: tolerance.at.unwrap_or(Moment::End),
            ..Self::USUAL
        };
        if let Some(meaning) = &tolerance.meaning {
            if let Some(limit) = meaning.steady_within {
                choice.limit = limit.get().abs();
            }
            if let Some(stay) = meaning.stay {
                choice.stay = stay.get();
            }
            choice.tuned_at = meaning.tuned_at.map(|time| time.get());
            choice.between = meaning.between.as_ref().map(|[one, other]| {
                (
                    one.pitch(plan.pitch, unit.law),
                    other.pitch(plan.pitch, unit.law),
                )
            });
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
            | ResultName::ErrorLeftAfterRetuning => choice.at = self.at,
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
            | ResultName::Excursion
            | ResultName::DriftRate
            | ResultName::Repeatability => {}
        }
        choice
    }
}

/// The results a stage gives unless a tolerance asks for more.
pub(crate) fn gives(stage: &Stage, name: ResultName) -> bool {
    use ResultName as R;
    match stage {
        Stage::Rounds(_) => true,
        Stage::Sweep(_) => !matches!(
            name,
            R::ReadyAfter | R::WarmUpTime | R::ErrorAfterOneTuning | R::Excursion | R::DriftRate
        ),
        Stage::Alternate(_) => matches!(
            name,
            R::TwoNoteSlope | R::Excursion | R::DriftRate | R::ErrorLeftAfterRetuning
        ),
        Stage::Hold(_) => matches!(name, R::Excursion | R::DriftRate),
        _ => false,
    }
}
