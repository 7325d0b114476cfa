//! Numbers of a batch, with the digits that its own uncertainties allow.

use crate::numbers::{
    decimals_for, duration, duration_within, fixed, shown_unit, signed, spoken_unit,
};
use crate::outline::{has_sign, title};
use analysis::batch::{BatchResult, UnitValue, Yield};
use model::document::plan::{Moment, Tolerance};
use model::quantity::Dimension;
use model::result::Outcome;

/// How the numbers of a result are written.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Digits {
    dimension: Dimension,
    expanded: Option<f64>,
    sign: bool,
}

impl Digits {
    /// Digits by the middle one of the units' expanded uncertainties.
    pub(crate) fn of(result: &BatchResult) -> Self {
        let dimension = result.name.dimension();
        let mut expanded: Vec<f64> = result
            .values
            .iter()
            .flatten()
            .filter_map(|value| value.outcome.low().zip(value.outcome.high()))
            .map(|(low, high)| shown(dimension, (high - low) / 2.0))
            .filter(|expanded| expanded.is_finite() && *expanded > 0.0)
            .collect();
        expanded.sort_by(f64::total_cmp);
        Self {
            dimension,
            expanded: expanded.get(expanded.len() / 2).copied(),
            sign: has_sign(result.name),
        }
    }

    /// A value, without its unit; times carry their own.
    pub(crate) fn value(&self, value: f64) -> String {
        let decimals = self.expanded.map_or(2, decimals_for).min(3);
        match self.dimension {
            Dimension::Duration => duration_within(value, self.expanded),
            _ if self.sign => signed(shown(self.dimension, value), decimals),
            _ => fixed(shown(self.dimension, value), decimals),
        }
    }

    /// A width, which has no sign.
    pub(crate) fn width(&self, value: f64) -> String {
        Self {
            sign: false,
            ..*self
        }
        .value(value)
    }

    /// A value with its unit, for a sentence.
    pub(crate) fn spoken(&self, value: f64) -> String {
        self.with_unit(self.value(value))
    }

    /// A text of numbers with their unit.
    pub(crate) fn with_unit(&self, numbers: String) -> String {
        match self.dimension {
            Dimension::Duration => numbers,
            dimension => format!("{numbers} {}", spoken_unit(dimension)),
        }
    }

    pub(crate) const fn unit(&self) -> &'static str {
        shown_unit(self.dimension)
    }

    /// A unit's value in a table: a bound where it was not reached, or no more is known.
    pub(crate) fn of_unit(&self, value: Option<&UnitValue>) -> String {
        let outcome = value.map(|value| &value.outcome);
        match outcome.map(|outcome| (outcome.value(), outcome.low(), outcome.high())) {
            Some((Some(value), _, _)) if outcome.is_some_and(Outcome::is_upper_bound) => {
                format!("≤ {}", self.value(value))
            }
            Some((Some(value), _, _)) => self.value(value),
            Some((None, Some(low), None)) => format!("≥ {}", self.value(low)),
            _ => "–".to_owned(),
        }
    }
}

/// A value in the unit in which it is shown: fractions in per cent.
pub(crate) fn shown(dimension: Dimension, value: f64) -> f64 {
    if dimension == Dimension::Fraction {
        value * 100.0
    } else {
        value
    }
}

/// Whether any unit has a value of it.
pub(crate) fn is_known(result: &BatchResult) -> bool {
    result
        .values
        .iter()
        .flatten()
        .any(|value| value.known().is_some())
}

/// A result by name and stage: "Scale error of “tracking”", with the choice in it
/// where a tolerance made one.
pub(crate) fn named(result: &BatchResult) -> String {
    let choice = result
        .tolerances
        .first()
        .map_or_else(String::new, |of| choice(&of.tolerance));
    format!("{} of “{}”{choice}", title(result.name), result.stage)
}

fn choice(tolerance: &Tolerance) -> String {
    let mut said = match tolerance.at {
        Some(Moment::Start) => " at the start".to_owned(),
        Some(Moment::After(time)) => format!(" after {}", duration(time.get())),
        Some(Moment::End) | None => String::new(),
    };
    if let Some(meaning) = &tolerance.meaning {
        if let Some(limit) = meaning.steady_within {
            said += &format!(" (within {limit})");
        }
        if let Some(time) = meaning.over {
            said += &format!(" (over {})", duration(time.get()));
        }
        if let Some(time) = meaning.tuned_at {
            said += &format!(" (tuned at {})", duration(time.get()));
        }
    }
    said
}

/// A share in per cent.
pub(crate) fn percent(share: f64) -> String {
    let percent = share * 100.0;
    if percent > 99.0 && percent < 100.0 || percent > 0.0 && percent < 1.0 {
        format!("{} %", fixed(percent, 1))
    } else {
        format!("{} %", fixed(percent, 0))
    }
}

/// A yield with its interval: "75 % (47 to 91 %)".
pub(crate) fn yielded(of: &Yield) -> Option<String> {
    let (value, low, high) = (of.value?, of.low?, of.high?);
    let low = percent(low);
    Some(format!(
        "{} ({} to {})",
        percent(value),
        low.trim_end_matches(" %"),
        percent(high)
    ))
}

/// How often a chance comes true.
pub(crate) fn chance(chance: f64) -> String {
    if chance < 0.001 {
        "less than 0.1 %".to_owned()
    } else {
        format!(
            "{} %",
            fixed(chance * 100.0, if chance < 0.1 { 1 } else { 0 })
        )
    }
}

/// "1 unit", "3 units".
pub(crate) fn count(count: usize, one: &str, many: &str) -> String {
    if count == 1 {
        format!("1 {one}")
    } else {
        format!("{count} {many}")
    }
}
