//! What exactly is meant by a result, and which results a stage gives.

use crate::readings::USUAL_LIMIT;
use crate::readings::measuring_stages;
use crate::results::warm_up::USUAL_STAY_S;
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

    /// What a tolerance means by its result, under a control law.
    pub(crate) fn of(tolerance: &Tolerance, plan: &Plan, law: ControlLaw) -> Self {
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
        choice.for_result(tolerance.result)
    }

    /// The same with everything that does not matter to a result as usual, so that
    /// equal results are equal choices.
    fn for_result(self, name: ResultName) -> Self {
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

/// A measuring stage and what is asked of it.
pub(crate) struct AskedStage<'a> {
    pub(crate) index: u16,
    pub(crate) stage: &'a Stage,
    /// How many measuring stages before it have the same name.
    pub(crate) ordinal: usize,
    pub(crate) results: Vec<Asked>,
}

/// A result that is asked of a stage.
pub(crate) struct Asked {
    pub(crate) name: ResultName,
    pub(crate) choice: Choice,
    /// The tolerances on it, counted from 0 in the plan.
    pub(crate) tolerances: Vec<usize>,
}

/// What a plan asks of a unit under a control law; the outcomes of a unit are in this
/// order. A result is there once for each choice that is made in it.
pub(crate) fn asked(plan: &Plan, law: ControlLaw) -> Vec<AskedStage<'_>> {
    let mut stages: Vec<AskedStage<'_>> = Vec::new();
    for (index, stage) in measuring_stages(plan) {
        let ordinal = stages
            .iter()
            .filter(|other| other.stage.name() == stage.name())
            .count();
        let mut results: Vec<Asked> = Vec::new();
        for name in ResultName::ALL {
            if gives(stage, name) && concerns(law, name) {
                results.push(Asked {
                    name,
                    choice: Choice::USUAL,
                    tolerances: Vec::new(),
                });
            }
            // Of two stages of one name the first is meant.
            let here = plan.tolerances.iter().enumerate().filter(|(_, tolerance)| {
                ordinal == 0 && tolerance.of == stage.name() && tolerance.result == name
            });
            for (number, tolerance) in here {
                let choice = Choice::of(tolerance, plan, law);
                let same = results
                    .iter_mut()
                    .find(|asked| asked.name == name && asked.choice == choice);
                match same {
                    Some(asked) => asked.tolerances.push(number),
                    None => results.push(Asked {
                        name,
                        choice,
                        tolerances: vec![number],
                    }),
                }
            }
        }
        stages.push(AskedStage {
            index,
            stage,
            ordinal,
            results,
        });
    }
    stages
}

/// Whether a result means anything under a control law; what does not is not listed
/// unless a tolerance asks for it.
const fn concerns(law: ControlLaw, name: ResultName) -> bool {
    match law {
        ControlLaw::VoltsPerOctave { .. } => !matches!(name, ResultName::VoltageOffset),
        ControlLaw::HertzPerVolt { .. } => {
            !matches!(name, ResultName::ScaleError | ResultName::LowEnd)
        }
    }
}

/// The results a stage gives unless a tolerance asks for more.
fn gives(stage: &Stage, name: ResultName) -> bool {
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
