//! What a result's file hands over.

use crate::curves::history::History;
use crate::results::extremes::Extreme;
use model::result::{Basis, Known, NotDetermined, Scope, Which};

/// What is found of a result.
pub(crate) type Answer = Result<Found, NotDetermined>;

/// What is known of a result, before it is an outcome.
pub(crate) struct Found {
    pub(crate) known: Known,
    pub(crate) scope: Option<Scope>,
    pub(crate) basis: Option<Basis>,
    /// The time it speaks of, where there is one.
    pub(crate) t: Option<f64>,
    pub(crate) readings: usize,
    /// The share of the variance that is the rig's.
    pub(crate) rig_share: Option<f64>,
    /// What it is in each joint trial; where there are none they come from the interval.
    pub(crate) draws: Vec<f64>,
}

impl Found {
    pub(crate) const fn new(known: Known, scope: Scope, basis: Basis) -> Self {
        let t = match scope {
            Scope::Moment { t_s, .. } => Some(t_s),
            Scope::Rounds { .. } | Scope::PowerCycle { .. } => None,
        };
        Self {
            known,
            scope: Some(scope),
            basis: Some(basis),
            t,
            readings: 0,
            rig_share: None,
            draws: Vec::new(),
        }
    }

    /// That nothing is known but between which bounds it lies.
    pub(crate) const fn between(low: f64, high: f64, why: NotDetermined) -> Self {
        let known = if low.is_finite() && high.is_finite() {
            Known::Between { low, high, why }
        } else {
            Known::NotDetermined(why)
        };
        Self {
            known,
            scope: None,
            basis: None,
            t: None,
            readings: 0,
            rig_share: None,
            draws: Vec::new(),
        }
    }

    pub(crate) fn of_extreme(extreme: Extreme, scope: Scope, basis: Basis) -> Self {
        let (low, high) = (Some(extreme.low), Some(extreme.high));
        let known = Known::value_of(extreme.value, Some(extreme.u), low, high);
        Self {
            rig_share: Some(extreme.rig_share),
            draws: extreme.draws,
            ..Self::new(known, scope, basis)
        }
    }

    /// The same over rounds of the stage, all of which it needs.
    pub(crate) fn of_rounds(
        extreme: Extreme,
        history: &History,
        rounds: &[usize],
        which: Which,
        basis: Basis,
    ) -> Self {
        Self {
            readings: readings(history, rounds),
            ..Self::of_extreme(extreme, over(history, rounds, which), basis)
        }
    }

    /// The same of one round, at this place in the history.
    pub(crate) fn of_round(
        extreme: Extreme,
        history: &History,
        place: usize,
        basis: Basis,
    ) -> Self {
        Self {
            readings: history.points[place].readings,
            ..Self::of_extreme(extreme, at(history, place), basis)
        }
    }
}

/// Rounds of the stage, at these places in the history.
pub(crate) fn over(history: &History, rounds: &[usize], which: Which) -> Scope {
    let t = |place: Option<&usize>| place.map_or(0.0, |place| history.points[*place].t);
    Scope::Rounds {
        which,
        from_s: t(rounds.first()),
        to_s: t(rounds.last()),
        count: rounds.len(),
    }
}

/// One round, at this place in the history.
pub(crate) fn at(history: &History, place: usize) -> Scope {
    Scope::Moment {
        t_s: history.points[place].t,
        rounds: 1,
    }
}

/// How many readings stand behind rounds.
pub(crate) fn readings(history: &History, rounds: &[usize]) -> usize {
    rounds
        .iter()
        .map(|place| history.points[*place].readings)
        .sum()
}
