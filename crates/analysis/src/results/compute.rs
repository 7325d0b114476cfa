//! Each result by its file.

use crate::results::found::Found;
use crate::results::stage::StageResults;
use crate::results::warm_up::Watched;
use crate::results::{conditions, holds, moments, response, stability, stretches, times, tuned};
use crate::uncertainty::joint;
use model::result::{Basis, Choice, JointDraws, Known, Outcome, ResultName, Scope};

/// A result and what a verdict must know of it besides.
#[derive(Debug, Clone)]
pub(crate) struct Computed {
    pub(crate) outcome: Outcome,
    /// The share of the variance that is the rig's.
    pub(crate) rig_share: Option<f64>,
}

impl Computed {
    /// Of a time that was not reached in the record, the earliest it can be all the same, in
    /// seconds: the length of the record where it certainly was not.
    pub(crate) const fn not_reached_in(&self) -> Option<f64> {
        match self.outcome.known {
            Known::AtLeast { low, .. } => Some(low),
            _ => None,
        }
    }

    /// Of a time, how long the record is that it was looked for in, in seconds.
    pub(crate) const fn record(&self) -> Option<f64> {
        match &self.outcome.basis {
            Some(Basis::WarmUpTime(reached) | Basis::ReadyAfter { reached, .. }) => {
                Some(reached.record_s)
            }
            _ => self.not_reached_in(),
        }
    }

    /// Of a time for which the record was too short for the stay that was meant, how long the
    /// record is and the stay was to be, in seconds.
    pub(crate) fn shortened(&self) -> Option<(f64, f64)> {
        match &self.outcome.basis {
            Some(Basis::WarmUpTime(reached) | Basis::ReadyAfter { reached, .. }) => {
                (reached.stay_s < self.outcome.with.stay && self.outcome.value().is_some())
                    .then_some((reached.record_s, self.outcome.with.stay))
            }
            _ => None,
        }
    }

    /// Until when readings matter to it, in seconds since t = 0; `None` for the result of a
    /// moment, and where there is no value.
    pub(crate) fn needs_until(&self) -> Option<f64> {
        let at_least = matches!(self.outcome.known, Known::AtLeast { .. });
        if self.outcome.value().is_none() && !at_least {
            return None;
        }
        match self.outcome.scope? {
            Scope::Moment { .. } => None,
            Scope::Rounds { .. } => Some(f64::INFINITY),
            // That it was not reached, no reading that is missing could turn.
            Scope::PowerCycle { .. } if at_least => None,
            Scope::PowerCycle { to_s } => Some(to_s),
        }
    }
}

/// Computes a result of a unit in a stage.
pub(crate) fn compute(here: &StageResults<'_>, name: ResultName, with: &Choice) -> Computed {
    use ResultName as R;
    let found = match name {
        R::ScaleError
        | R::HighEnd
        | R::LowEnd
        | R::VoltageOffset
        | R::MeanSlope
        | R::TwoNoteSlope => moments::of_moment(here, name, with),
        R::ErrorLeftAfterRetuning => moments::error_left_after_retuning(here, with),
        R::ErrorAfterOneTuning => stretches::error_after_one_tuning(here, with),
        R::TuningHolds => holds::tuning_holds(here, with),
        R::ErrorLeftAfterTrimming => stretches::error_left_after_trimming(here),
        R::Excursion => stretches::excursion(here),
        R::WarmUpTime => times::time(here, Watched::ReferenceNote, with),
        R::ReadyAfter => times::time(here, Watched::ErrorLeft, with),
        R::DriftRate => stretches::drift_rate(here),
        R::Repeatability => stretches::repeatability(here),
        R::InTuneRange => tuned::in_tune_range(here, with),
        R::FractionOfRounds => tuned::fraction_of_rounds(here, with),
        R::WorstBeats => tuned::worst_beats(here, with),
        R::ErrorLeftAfterBothTrimmers => tuned::error_left_after_both_trimmers(here),
        R::LinearityError => moments::linearity_error(here),
        R::LargestChangeBetweenRounds => stability::largest_change_between_rounds(here),
        R::Convergence => stability::convergence(here),
        R::ChangeBetweenReadings => stability::change_between_readings(here, with),
        R::ShortTermStability => stability::short_term_stability(here, with),
        R::SettlingTime => response::settling_time(here, with),
        R::Overshoot => response::overshoot(here),
        R::Hysteresis => response::hysteresis(here),
        R::SupplySensitivity => conditions::supply_sensitivity(here),
        R::OffsetTemperatureCoefficient => conditions::offset_temperature_coefficient(here),
        R::ScaleTemperatureCoefficient => conditions::scale_temperature_coefficient(here),
    };
    let (position, stage) = (here.curves.unit.position.clone(), here.name.to_owned());
    let nothing = |why| Computed {
        outcome: Outcome {
            with: *with,
            ..Outcome::new(name, position, stage, Known::NotDetermined(why))
        },
        rig_share: None,
    };
    let Found {
        known,
        scope,
        basis,
        t,
        readings,
        rig_share,
        draws,
    } = match found {
        Ok(found) => match found.known {
            Known::NotDetermined(why) => return nothing(why),
            _ => found,
        },
        Err(why) => return nothing(why),
    };
    let mut outcome = Outcome {
        name,
        position: here.curves.unit.position.clone(),
        stage: here.name.to_owned(),
        with: *with,
        scope,
        known,
        basis,
        t_s: t.filter(|t| t.is_finite()),
        readings,
        budget: Vec::new(),
        draws: JointDraws(draws),
    };
    if outcome.draws.0.is_empty() && !here.for_share {
        let mut trials = here.trials(&format!("{name} {with:?}"));
        outcome.draws = JointDraws(joint::of_interval(&outcome, &mut trials));
    }
    Computed { outcome, rig_share }
}
