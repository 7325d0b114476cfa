//! Why a tolerance is met, is not, or cannot be decided, in a sentence with the numbers.

use crate::RunView;
use crate::incidents;
use crate::numbers::{duration, number_within, quantity};
use crate::outline::title;
use crate::words::reasons::why;
use model::quantity::Dimension;
use model::result::{Because, Known, Missing, Outcome, ResultName, Verdict};

/// Why the finding of a verdict is what it is.
pub(crate) fn reason(view: &RunView<'_>, verdict: &Verdict) -> String {
    let tolerance = view.plan.tolerances.get(verdict.tolerance);
    let (of, asked) = tolerance.map_or_else(Default::default, |tolerance| {
        (tolerance.of.as_str(), tolerance.allow.to_string())
    });
    let own = view.outcomes_of(&verdict.position);
    let Some(outcome) = verdict.result.and_then(|place| own.get(place).copied()) else {
        return format!("the plan has no measuring stage \"{of}\"");
    };
    let name = spoken(outcome.name);
    match &verdict.because {
        Because::Inside | Because::Outside => held(outcome, &asked),
        Because::Straddles { mostly_rig } => straddling(outcome, &asked, *mostly_rig),
        Because::NotDetermined => format!(
            "{name} cannot be said: {}",
            outcome.why_not().map_or_else(String::new, why)
        ),
        Because::Missing(missing) => match &outcome.known {
            Known::Value { .. } | Known::AtMost { .. } | Known::Between { .. } => {
                let would_do = if outcome.value().is_some() {
                    ""
                } else {
                    " and"
                };
                let stated = stated(outcome);
                format!(
                    "{stated}{would_do} would do for {asked}, but {}",
                    all(missing)
                )
            }
            Known::AtLeast { .. } | Known::NotDetermined(_) => {
                format!("{}, but {}", held(outcome, &asked), all(missing))
            }
        },
        Because::CouldTurn {
            missing,
            planned,
            were_good,
            share,
            besides,
        } => {
            let why = match &besides[..] {
                [] => String::new(),
                besides => format!(" ({})", all(besides)),
            };
            let how = if *were_good { "all" } else { "none" };
            format!(
                "{}, but {missing} of {planned} rounds are missing{why}, and were {how} of them good it could be {}",
                held(outcome, &asked),
                quantity(*share, outcome.u(), outcome.name.dimension()),
            )
        }
        Because::Incidents(which) => {
            let held = held(outcome, &asked);
            let mut found = incidents::of_position(view, &verdict.position);
            let first = found.find(|one| Some(&one.id) == which.first());
            let first = first.map_or_else(String::new, incidents::clause);
            match which.len() {
                0 | 1 => format!("{held}, but {first}"),
                count => format!("{held}, but {first}; and {} more", count - 1),
            }
        }
        Because::HistoryBroken { after_s, text } => format!(
            "{name} cannot be judged: the unit's thermal history broke after {}: {text}",
            duration(*after_s)
        ),
        Because::OtherDimension => format!(
            "{name} is in {}, and the tolerance is not",
            outcome.name.dimension().unit()
        ),
        Because::NoSuchStage => format!("the plan has no measuring stage \"{of}\""),
    }
}

/// The name of a result in a sentence.
fn spoken(name: ResultName) -> String {
    title(name).to_lowercase()
}

/// A result, and what it is to be.
fn held(outcome: &Outcome, asked: &str) -> String {
    match &outcome.known {
        Known::Value { .. } | Known::AtMost { .. } | Known::Between { .. } => {
            format!("{}; it is to be {asked}", stated(outcome))
        }
        Known::AtLeast { why: not, .. } | Known::NotDetermined(not) => {
            format!("{} is to be {asked}: {}", spoken(outcome.name), why(not))
        }
    }
}

fn straddling(outcome: &Outcome, asked: &str, mostly_rig: bool) -> String {
    match &outcome.known {
        Known::Between { .. } | Known::NotDetermined(_) => held(outcome, asked),
        Known::AtLeast { low, why: not } => format!(
            "{} is to be {asked}, and all that is certain is that it is {} or more: {}",
            spoken(outcome.name),
            duration(*low),
            why(not)
        ),
        Known::Value { .. } | Known::AtMost { .. } => {
            let rig = if mostly_rig {
                "; most of it is the rig's (gain, offset and steps of its control voltage), not the unit's"
            } else {
                ""
            };
            let held = held(outcome, asked);
            format!("{held}, and the uncertainty reaches across the limit{rig}")
        }
    }
}

/// A result with its interval, at the beginning of a sentence.
fn stated(outcome: &Outcome) -> String {
    let name = spoken(outcome.name);
    let dimension = outcome.name.dimension();
    let Some(value) = outcome.value() else {
        let Some((low, high)) = outcome.low().zip(outcome.high()) else {
            return name;
        };
        let u = Some((high - low) / 3.92);
        return format!(
            "{name} lies between {} and {} (95 %)",
            number_within(low, u),
            quantity(high, u, dimension)
        );
    };
    let of = |value: f64| quantity(value, outcome.u(), dimension);
    // The unit once, at the end, except for times, which carry their own.
    let bare = |value: f64| match dimension {
        Dimension::Duration | Dimension::Fraction => of(value),
        _ => number_within(value, outcome.u()),
    };
    let interval = match (outcome.low(), outcome.high()) {
        (Some(low), Some(high)) => format!("95 %: {} to {}", bare(low), of(high)),
        (Some(low), None) => format!("95 %: {} or more", of(low)),
        (None, Some(high)) => format!("95 %: up to {}", of(high)),
        (None, None) => "its uncertainty is not known".to_owned(),
    };
    format!("{name} is {} ({interval})", of(value))
}

/// What is missing, as clauses.
fn all(missing: &[Missing]) -> String {
    let clauses: Vec<String> = missing.iter().map(clause).collect();
    clauses.join("; ")
}

fn clause(missing: &Missing) -> String {
    match missing {
        Missing::AllReadings => "no reading of the stage counts".to_owned(),
        Missing::Notes(notes) => {
            let verb = if notes.len() == 1 { "was" } else { "were" };
            format!("{} {verb} never measured", notes.join(", "))
        }
        Missing::Seldom { note, rounds, of } => {
            format!("{note} counts in only {rounds} of {of} rounds")
        }
        Missing::Stretch {
            from,
            until,
            reason,
        } => {
            let (from, until) = (duration(*from), duration(*until));
            let reason = reason
                .as_ref()
                .map_or_else(String::new, |reason| format!(" ({reason})"));
            format!("there are no readings from {from} to {until}{reason}")
        }
        Missing::End { planned, last } => format!(
            "the stage was to last until {} and the last round is that of {}",
            duration(*planned),
            duration(*last)
        ),
        Missing::Moment { asked, first, last } => format!(
            "the rounds of the stage run from {} to {}, and {} is outside",
            duration(*first),
            duration(*last),
            duration(*asked)
        ),
        Missing::Stay { record, asked } => format!(
            "the record of {} is too short for {}",
            duration(*record),
            duration(*asked)
        ),
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use model::record::PositionId;
    use model::result::NotDetermined;

    fn outcome(name: ResultName, known: Known) -> Outcome {
        Outcome::new(name, PositionId::new("left"), "night".to_owned(), known)
    }

    #[test]
    fn a_result_is_stated_as_far_as_it_is_known() {
        let error = Known::value_of(0.44, Some(0.05), Some(0.34), Some(0.54));
        let error = outcome(ResultName::ScaleError, error);
        let asked = "within 1 cent/oct of zero";
        assert_eq!(
            held(&error, asked),
            "scale error is 0.44 cents/oct (95 %: 0.34 to 0.54 cents/oct); it is to be within 1 cent/oct of zero"
        );
        let rig = straddling(&error, asked, true);
        assert!(rig.contains("reaches across the limit; most of it is the rig's"));
        assert!(!straddling(&error, asked, false).contains("rig's"));
        let open = outcome(
            ResultName::WarmUpTime,
            Known::value_of(1380.0, Some(60.0), Some(1260.0), None),
        );
        assert!(stated(&open).ends_with("is 23 min (95 %: 21 min or more)"));
        let late = Known::AtLeast {
            low: 7200.0,
            why: NotDetermined::NoneStandsOut,
        };
        let never = outcome(ResultName::WarmUpTime, late);
        let stands_out = why(&NotDetermined::NoneStandsOut);
        let asked = "at most 3 h";
        assert_eq!(
            held(&never, asked),
            format!("warm-up time is to be at most 3 h: {stands_out}")
        );
        assert_eq!(
            straddling(&never, asked, false),
            format!(
                "warm-up time is to be at most 3 h, and all that is certain is that it is 2 h or more: {stands_out}"
            )
        );
        let bounds = Known::Between {
            low: -1.0,
            high: 0.5,
            why: NotDetermined::NoneStandsOut,
        };
        let between = outcome(ResultName::LowEnd, bounds);
        assert_eq!(
            stated(&between),
            "low end lies between \u{2212}1.00 and 0.50 cents (95 %)"
        );
    }

    #[test]
    fn each_thing_that_is_missing_is_a_clause() {
        let stretch = |reason: Option<&str>| Missing::Stretch {
            from: 420.0,
            until: 1620.0,
            reason: reason.map(str::to_owned),
        };
        let (last, planned) = (20_400.0, 28_800.0);
        for (missing, clause) in [
            (vec![Missing::AllReadings], "no reading of the stage counts"),
            (
                vec![Missing::Notes(vec!["C7".to_owned()]), stretch(None)],
                "C7 was never measured; there are no readings from 7 min to 27 min",
            ),
            (
                vec![Missing::Notes(vec!["C6".to_owned(), "C7".to_owned()])],
                "C6, C7 were never measured",
            ),
            (
                vec![Missing::Seldom {
                    note: "C1".to_owned(),
                    rounds: 3,
                    of: 10,
                }],
                "C1 counts in only 3 of 10 rounds",
            ),
            (
                vec![stretch(Some("the input was lost"))],
                "there are no readings from 7 min to 27 min (the input was lost)",
            ),
            (
                vec![Missing::End { planned, last }],
                "the stage was to last until 8 h and the last round is that of 5 h 40 min",
            ),
            (
                vec![Missing::Moment {
                    asked: planned,
                    first: 60.0,
                    last,
                }],
                "the rounds of the stage run from 1 min to 5 h 40 min, and 8 h is outside",
            ),
            (
                vec![Missing::Stay {
                    record: last,
                    asked: planned,
                }],
                "the record of 5 h 40 min is too short for 8 h",
            ),
        ] {
            assert_eq!(all(&missing), clause);
        }
    }
}
