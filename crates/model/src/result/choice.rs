//! What a plan chooses in a result.

use super::{Parameter, ResultName};
use crate::document::plan::{Moment, Plan, Tolerance};
use crate::pitch::{ControlLaw, Pitch};

/// What is chosen in a result: what its row in the table takes; the rest is as usual, so
/// that equal results are equal choices.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Choice {
    /// When it is taken.
    pub at: Moment,
    /// How near counts as steady, ready or in tune, in cents.
    pub limit: f64,
    /// How long it must stay so, in seconds.
    pub stay: f64,
    /// When the one tuning is done, in seconds since t = 0, where that is said.
    pub tuned_at: Option<f64>,
    /// Its two notes, where they are said.
    pub between: Option<(Pitch, Pitch)>,
    /// How near counts as settled, in cents, where it is said.
    pub band: Option<f64>,
    /// Over which time a pitch is compared with itself, in seconds, where it is said.
    pub over: Option<f64>,
}

impl Choice {
    /// What is meant where a plan says nothing.
    pub const USUAL: Self = Self {
        at: Moment::End,
        limit: 3.0,
        stay: 7200.0,
        tuned_at: None,
        between: None,
        band: None,
        over: None,
    };

    /// What a tolerance means by its result, under a control law.
    #[must_use]
    pub fn of(tolerance: &Tolerance, plan: &Plan, law: ControlLaw) -> Self {
        let mut asked = Self {
            at: tolerance.at.unwrap_or(Moment::End),
            ..Self::USUAL
        };
        if let Some(meaning) = &tolerance.meaning {
            if let Some(limit) = meaning.steady_within {
                asked.limit = limit.get().abs();
                asked.band = Some(limit.get().abs());
            }
            asked.over = meaning.over.map(|time| time.get());
            if let Some(stay) = meaning.stay {
                asked.stay = stay.get();
            }
            asked.tuned_at = meaning.tuned_at.map(|time| time.get());
            asked.between = meaning
                .between
                .as_ref()
                .map(|[one, other]| (one.pitch(plan.pitch, law), other.pitch(plan.pitch, law)));
        }
        let mut choice = Self::USUAL;
        for parameter in tolerance.result.row().takes {
            choice.take(*parameter, &asked);
        }
        // Where the time of the tuning is said, nothing has to be ready for it.
        if tolerance.result == ResultName::ErrorAfterOneTuning && choice.tuned_at.is_some() {
            (choice.limit, choice.stay) = (Self::USUAL.limit, Self::USUAL.stay);
        }
        choice
    }

    const fn take(&mut self, parameter: Parameter, asked: &Self) {
        match parameter {
            Parameter::At => self.at = asked.at,
            Parameter::Limit => self.limit = asked.limit,
            Parameter::Stay => self.stay = asked.stay,
            Parameter::TunedAt => self.tuned_at = asked.tuned_at,
            Parameter::Between => self.between = asked.between,
            Parameter::Band => self.band = asked.band,
            Parameter::Over => self.over = asked.over,
        }
    }
}
