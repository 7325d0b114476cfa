//! What a technician can do about a unit: which trimmer, and what no trimmer cures.

use super::results::in_brackets;
use super::speaker::Speaker;
use crate::note_names::note_name;
use crate::numbers::{number, signed};
use crate::outline::title;
use analysis::ProfilePoint;
use model::document::plan::Allow;
use model::result::ResultName;

/// An error that nobody need mend, in cents, where the plan does not say.
const GOOD_ENOUGH: f64 = 3.0;
/// A difference between two visits that is worth a word, in cents.
const HEARD_TWICE: f64 = 0.5;

impl Speaker<'_> {
    pub(super) fn technician(&self) -> Vec<String> {
        let mut said = Vec::new();
        said.extend(self.scale());
        said.extend(self.moving_scale());
        said.extend(self.high_end());
        said.extend(self.low_end());
        said.extend(self.cure());
        said.extend(self.hysteresis());
        said.extend(self.surroundings());
        // Unless it was all there was to say.
        let wandering = self.wandering();
        said.extend(wandering.filter(|wandering| !self.owner().contains(wandering)));
        said
    }

    fn scale(&self) -> Option<String> {
        let (outcome, scale) = self
            .best(ResultName::ScaleError)
            .or_else(|| self.best(ResultName::MeanSlope))?;
        let name = title(outcome.name).to_lowercase();
        if scale.may_be_zero() {
            return Some(format!(
                "No {name} can be told from zero: {}.",
                scale.spoken()
            ));
        }
        let way = if scale.value > 0.0 { "wide" } else { "narrow" };
        Some(format!(
            "Its octaves are too {way}: {name} {} cents per octave.",
            scale.numbers(true)
        ))
    }

    fn high_end(&self) -> Option<String> {
        let (outcome, high) = self.best(ResultName::HighEnd)?;
        if high.may_be_zero() {
            return None;
        }
        let way = if high.value < 0.0 { "flat" } else { "sharp" };
        // Common practice, no source: what a slow reset takes from every cycle is
        // given back by a trimmer of its own.
        let remedy = if high.value.abs() > GOOD_ENOUGH {
            " No scale trimmer cures that; a high-end trimmer does, where there is one."
        } else {
            ""
        };
        Some(format!(
            "At the top it is {} {way} beside its own scale{}.{remedy}",
            high.size().spoken(),
            in_brackets(outcome)
        ))
    }

    /// What leaks at the bottom: the result where the span gives one, else by the
    /// profile.
    fn low_end(&self) -> Option<String> {
        let Some((outcome, low)) = self.best(ResultName::LowEnd) else {
            return self.bend_at_the_bottom();
        };
        if low.may_be_zero() || low.value.abs() < GOOD_ENOUGH {
            return None;
        }
        let way = if low.value < 0.0 { "flat" } else { "sharp" };
        Some(format!(
            "At the bottom it is {} {way} beside its own scale{}, as leakage makes it. No scale trimmer cures that.",
            low.size().spoken(),
            in_brackets(outcome)
        ))
    }

    /// Whether it matters from which side a note is come to.
    fn hysteresis(&self) -> Option<String> {
        let (_, hysteresis) = self.best(ResultName::Hysteresis)?;
        if hysteresis.may_be_zero() || hysteresis.value.abs() < HEARD_TWICE {
            return None;
        }
        let way = if hysteresis.value < 0.0 {
            "lower"
        } else {
            "higher"
        };
        Some(format!(
            "A note that is come to from above stands {} {way} than from below: listen longer before each note, and see whether it stays.",
            hysteresis.size().spoken()
        ))
    }

    /// What air and supply do, where that can be told from nothing.
    fn surroundings(&self) -> Vec<String> {
        [
            (
                ResultName::OffsetTemperatureCoefficient,
                "Its reference note moves by",
            ),
            (
                ResultName::ScaleTemperatureCoefficient,
                "Its scale moves by",
            ),
            (
                ResultName::SupplySensitivity,
                "With its supply its reference note moves by",
            ),
        ]
        .into_iter()
        .filter_map(|(name, words)| {
            let (_, value) = self.best(name)?;
            (!value.may_be_zero()).then(|| {
                let unit = crate::numbers::spoken_unit(value.dimension);
                format!("{words} {} {unit}.", value.numbers(true))
            })
        })
        .collect()
    }

    /// The lowest note of the profile beside the straight line through the two
    /// above it. A leak takes the same current from every note, so it bends the
    /// lowest most.
    fn bend_at_the_bottom(&self) -> Option<String> {
        let (stage, unit) = self.main?;
        let [lowest, second, third, _, ..] = unit.profile.as_slice() else {
            return None;
        };
        let x = |point: &ProfilePoint| point.asked.note_number();
        let reach = (x(second) - x(lowest)) / (x(third) - x(second));
        let bend = lowest.cents - (second.cents - reach * (third.cents - second.cents));
        // As if the three were independent: what the gain of the rig does to all of
        // them cancels, so this is on the safe side.
        let u = lowest
            .u
            .hypot((1.0 + reach) * second.u)
            .hypot(reach * third.u);
        if !bend.is_finite() || bend.abs() < (2.0 * u).max(GOOD_ENOUGH) {
            return None;
        }
        Some(format!(
            "At the bottom, {} is {} cents {} beside the line through the two notes above it at the end of “{}”, as leakage makes it. No scale trimmer cures that.",
            note_name(self.view, unit, lowest.asked),
            number(bend.abs(), None),
            if bend < 0.0 { "flat" } else { "sharp" },
            stage.name
        ))
    }

    /// When the unit was warm, in seconds since t = 0, by the usual limit: what is
    /// left after trimming is judged from then on.
    fn warm_from(&self) -> Option<f64> {
        let (stage, _) = self.main?;
        self.view
            .outcomes_of(self.position)
            .into_iter()
            .find(|outcome| outcome.name == ResultName::WarmUpTime && outcome.stage == stage.name)?
            .value()
    }

    /// A result round by round in the main stage, without the warm-up where that
    /// leaves anything: time, value, standard uncertainty.
    fn rounds_when_warm(&self, name: ResultName) -> Vec<(f64, f64, f64)> {
        let Some((stage, unit)) = self.main else {
            return Vec::new();
        };
        let all: Vec<_> = unit
            .curves
            .iter()
            .filter(|curve| curve.name == name && curve.stage == stage.name)
            .flat_map(|curve| curve.points.iter().copied())
            .filter(|(_, value, u)| value.is_finite() && u.is_finite())
            .collect();
        let warm_from = self.warm_from().unwrap_or(f64::NEG_INFINITY);
        let warm: Vec<_> = all
            .iter()
            .copied()
            .filter(|(t, ..)| *t >= warm_from)
            .collect();
        if warm.is_empty() { all } else { warm }
    }

    /// A scale that changes after warm-up, which no trimmer follows. Medians of
    /// five rounds keep single rounds out of it; the rig's gain is common to all.
    fn moving_scale(&self) -> Option<String> {
        let (stage, _) = self.main?;
        let (name, rounds) = [ResultName::ScaleError, ResultName::MeanSlope]
            .into_iter()
            .map(|name| (name, self.rounds_when_warm(name)))
            .find(|(_, rounds)| !rounds.is_empty())?;
        let medians: Vec<f64> = rounds
            .windows(5)
            .map(|five| {
                let mut values: Vec<f64> = five.iter().map(|(_, value, _)| *value).collect();
                values.sort_by(f64::total_cmp);
                values[2]
            })
            .collect();
        // What is said of the end lies within what is said of the whole.
        let at_end = self
            .best(name)
            .filter(|(outcome, _)| outcome.stage == stage.name)
            .map(|(_, value)| value.value);
        let first = medians.first().copied()?;
        let (least, most) = medians
            .iter()
            .copied()
            .chain(at_end)
            .fold((first, first), |(least, most), value| {
                (least.min(value), most.max(value))
            });
        let mut steps: Vec<f64> = rounds
            .windows(2)
            .map(|pair| (pair[1].1 - pair[0].1).abs())
            .collect();
        steps.sort_by(f64::total_cmp);
        let step = steps.get(steps.len() / 2).copied().unwrap_or(0.0);
        if most - least < (3.0 * step).max(1.0) {
            return None;
        }
        Some(format!(
            "Its {} moved between {} and {} cents per octave during “{}”, warm-up left out; no setting of a trimmer follows that.",
            title(name).to_lowercase(),
            signed(least, 1),
            signed(most, 1),
            stage.name
        ))
    }

    /// Whether one setting of the scale trimmer would help: held against what
    /// retuning alone leaves over the same rounds, not at one moment.
    fn cure(&self) -> Option<String> {
        let (outcome, trimmed) = self.best(ResultName::ErrorLeftAfterTrimming)?;
        // A trimmer and a knob put any two notes right.
        let stages = self.view.stages_of(self.position);
        let (_, unit) = stages
            .iter()
            .find(|(stage, _)| stage.name == outcome.stage)?;
        if unit.notes.len() < 3 {
            return None;
        }
        let Some((retuned, u, rounds)) = self.retuned_at_worst() else {
            return Some(format!(
                "With the best single setting of its scale trimmer, {} would be left.",
                trimmed.spoken()
            ));
        };
        let (lowest, highest) = trimmed.interval.unwrap_or((trimmed.value, trimmed.value));
        let gains = trimmed.value < 0.7 * retuned && retuned - trimmed.value > 1.0;
        let alone = format!(
            "retuning alone leaves {}{} cents, the best single setting of the trimmer {}",
            if rounds > 1 { "up to " } else { "" },
            number(retuned, Some(2.0 * u)),
            trimmed.spoken()
        );
        let slope_is_zero = self
            .best(ResultName::MeanSlope)
            .is_some_and(|(_, slope)| slope.may_be_zero());
        Some(if !gains {
            format!("Trimming its scale would gain little: {alone}.")
        } else if highest >= retuned - 2.0 * u {
            format!(
                "Whether trimming its scale would help cannot be told, for what the rig may add: {alone}."
            )
        } else if slope_is_zero {
            // A setting that suits the last of the warm-up would spoil the rest.
            format!(
                "Leave its scale trimmer alone: retuning alone leaves up to {} cents on the way, but at the end no mean slope can be told from zero.",
                number(retuned, Some(2.0 * u))
            )
        } else if lowest > self.enough() {
            format!("Trimming its scale would help but not cure it: {alone}.")
        } else {
            format!("Trimming its scale would help: {alone}.")
        })
    }

    /// What may be left after trimming: as the plan says, else the usual.
    fn enough(&self) -> f64 {
        self.view
            .plan
            .tolerances
            .iter()
            .filter(|tolerance| tolerance.result == ResultName::ErrorLeftAfterTrimming)
            .find_map(|tolerance| match &tolerance.allow {
                Allow::AtMost(limit) | Allow::Within(limit) => Some(limit.value),
                _ => None,
            })
            .unwrap_or(GOOD_ENOUGH)
    }

    /// The largest error left after retuning over the rounds of the main stage,
    /// warm-up left out, with its standard uncertainty, and how many rounds there
    /// were.
    fn retuned_at_worst(&self) -> Option<(f64, f64, usize)> {
        let name = ResultName::ErrorLeftAfterRetuning;
        let rounds = self.rounds_when_warm(name);
        rounds
            .iter()
            .max_by(|a, b| a.1.total_cmp(&b.1))
            .map(|(_, value, u)| (*value, *u, rounds.len()))
            .or_else(|| {
                let (outcome, value) = self.best(name)?;
                Some((value.value, outcome.u().unwrap_or(0.0), 1))
            })
    }

    /// The note whose wandering is spoken of: the only one of a stage that leaves the
    /// reference note out is none.
    fn watched(&self, stage: &str) -> String {
        let stages = self.view.stages_of(self.position);
        let notes = stages
            .iter()
            .find(|(analysis, _)| analysis.name == stage)
            .map(|(_, unit)| unit.notes.as_slice());
        match notes {
            Some([only]) if only.name != self.view.plan.reference.to_string() => {
                format!("note {}", only.name)
            }
            _ => "reference note".to_owned(),
        }
    }

    pub(super) fn wandering(&self) -> Option<String> {
        let (outcome, excursion) = self.best(ResultName::Excursion)?;
        let drift = self
            .best(ResultName::DriftRate)
            .filter(|(_, drift)| !drift.may_be_zero())
            .map_or_else(String::new, |(_, drift)| {
                format!(", with a drift of {} cents per hour", drift.numbers(true))
            });
        if let Some((held, stability)) = self
            .best(ResultName::ShortTermStability)
            .filter(|(held, _)| held.stage == outcome.stage)
        {
            return Some(format!(
                "Held, its pitch changed by {}{} and wandered over {} during “{}”{drift}.",
                stability.spoken(),
                in_brackets(held),
                excursion.spoken(),
                outcome.stage
            ));
        }
        Some(format!(
            "Its {} wandered over {} during “{}”{drift}.",
            self.watched(&outcome.stage),
            excursion.spoken(),
            outcome.stage
        ))
    }
}
