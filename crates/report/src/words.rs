//! Plain sentences about each unit: what an owner wants to know first, then what
//! a technician can do about it, what the plan's tolerances say, and what is in
//! the way of saying more.

use crate::RunView;
use crate::beats::{self, note_name};
use crate::bench;
use crate::doubts;
use crate::numbers::{Stated, duration, plain, signed};
use crate::outline::{extent, stated, title, worst};
use analysis::{ProfilePoint, StageAnalysis, UnitAnalysis};
use model::document::plan::{Allow, Moment, Tolerance};
use model::record::{PositionId, Unit};
use model::result::{Finding, Outcome, ResultName};

/// An error that nobody need mend, in cents, where the plan does not say.
const GOOD_ENOUGH: f64 = 3.0;

/// What is said of one unit.
#[derive(Debug, Clone, PartialEq)]
pub struct UnitWords {
    /// Where it was patched.
    pub position: PositionId,
    /// The unit.
    pub unit: Unit,
    /// What it is called: its serial number, else its position.
    pub name: String,
    /// The worst finding over all tolerances; `None` without tolerances.
    pub finding: Option<Finding>,
    /// The verdict in one sentence.
    pub headline: String,
    /// What its owner wants to know.
    pub owner: Vec<String>,
    /// What to retune, retrim or leave alone.
    pub technician: Vec<String>,
    /// The tolerances, one by one.
    pub verdicts: Vec<VerdictWords>,
    /// What is missing, what was doubtful, what broke the history.
    pub gaps: Vec<String>,
    /// What the rig has to do with it.
    pub rig: Vec<String>,
}

/// A tolerance held against a unit, in words.
#[derive(Debug, Clone, PartialEq)]
pub struct VerdictWords {
    /// What is said.
    pub finding: Finding,
    /// The tolerance: "scale error of night at the end: within 1 cent/oct".
    pub tolerance: String,
    /// Why, with the numbers.
    pub reason: String,
}

/// What is said of each unit, by position.
#[must_use]
pub fn sentences(view: &RunView<'_>) -> Vec<UnitWords> {
    view.positions()
        .into_iter()
        .map(|position| {
            let verdicts: Vec<_> = view
                .verdicts_of(position)
                .into_iter()
                .map(|(tolerance, verdict)| VerdictWords {
                    finding: verdict.finding,
                    tolerance: tolerance.map_or_else(
                        || format!("tolerance {}", verdict.tolerance + 1),
                        tolerance_words,
                    ),
                    reason: verdict.reason.clone(),
                })
                .collect();
            let finding = worst(verdicts.iter().map(|verdict| verdict.finding));
            let speaker = Speaker::new(view, position);
            let mut rig: Vec<_> = bench::limits_results(view, position).into_iter().collect();
            rig.extend(bench::statement(view));
            UnitWords {
                position: position.clone(),
                unit: view.unit(position),
                name: view.name_of(position),
                finding,
                headline: headline(view, &verdicts, finding),
                owner: speaker.owner(),
                technician: speaker.technician(),
                verdicts,
                gaps: doubts::gaps(view, position),
                rig,
            }
        })
        .collect()
}

/// A tolerance in words.
pub(crate) fn tolerance_words(tolerance: &Tolerance) -> String {
    let at = match tolerance.at {
        None => String::new(),
        Some(Moment::Start) => " at the start".to_owned(),
        Some(Moment::End) => " at the end".to_owned(),
        Some(Moment::After(time)) => format!(" after {}", duration(time.get())),
    };
    let allow = match &tolerance.allow {
        Allow::Within(limit) => format!("within {limit} of zero"),
        Allow::AtMost(limit) => format!("at most {limit}"),
        Allow::AtLeast(limit) => format!("at least {limit}"),
        Allow::Between { from, to } => format!("from {from} to {to}"),
    };
    format!(
        "{} of “{}”{at}: {allow}",
        title(tolerance.result),
        tolerance.of
    )
}

fn headline(view: &RunView<'_>, verdicts: &[VerdictWords], finding: Option<Finding>) -> String {
    let with = |wanted: Finding| {
        verdicts
            .iter()
            .filter(|verdict| verdict.finding == wanted)
            .count()
    };
    let all = verdicts.len();
    let tolerances = |count: usize| match count {
        1 => "tolerance".to_owned(),
        _ => "tolerances".to_owned(),
    };
    match finding {
        None if view.plan.tolerances.is_empty() => {
            "No verdict: the plan states no tolerance.".to_owned()
        }
        None => {
            "No verdict: the tolerances of the plan were not held against this unit.".to_owned()
        }
        Some(Finding::Pass) => match all {
            1 => "Passes the plan's one tolerance.".to_owned(),
            2 => "Passes both tolerances of the plan.".to_owned(),
            _ => format!("Passes all {all} tolerances of the plan."),
        },
        Some(Finding::Fail) => {
            let (failed, undecided) = (with(Finding::Fail), with(Finding::Undecided));
            let more = match undecided {
                0 => String::new(),
                count => format!("; {count} more cannot be decided"),
            };
            match all {
                1 => "Fails the plan's one tolerance.".to_owned(),
                2 if failed == 2 => "Fails both tolerances of the plan.".to_owned(),
                _ if failed == all => format!("Fails all {all} tolerances of the plan."),
                _ => format!("Fails {failed} of {all} {}{more}.", tolerances(all)),
            }
        }
        Some(Finding::Undecided) => {
            let undecided = with(Finding::Undecided);
            if undecided == all {
                format!("Undecided on {all} {}.", tolerances(all))
            } else {
                format!(
                    "Undecided on {undecided} of {all} {}; passes the rest.",
                    tolerances(all)
                )
            }
        }
    }
}

/// Whoever speaks of one unit.
struct Speaker<'a> {
    view: &'a RunView<'a>,
    position: &'a PositionId,
    main: Option<(&'a StageAnalysis, &'a UnitAnalysis)>,
}

impl<'a> Speaker<'a> {
    fn new(view: &'a RunView<'a>, position: &'a PositionId) -> Self {
        Self {
            view,
            position,
            main: view.main_stage(position),
        }
    }

    fn best(&self, name: ResultName) -> Option<(&'a Outcome, Stated)> {
        let outcome = self.view.best(self.position, name)?;
        Some((outcome, stated(outcome)?))
    }

    /// The time of readiness or warm-up in run time, and the outcome it comes
    /// from. The main stage cannot see a moment before its own first round; where
    /// its value is that round, an earlier stage that saw the moment is believed.
    fn moment(&self, name: ResultName) -> Option<(&'a Outcome, Stated, f64)> {
        let (outcome, value) = self.best(name)?;
        let stages = self.view.stages_of(self.position);
        let stage_of = |outcome: &Outcome| {
            stages
                .iter()
                .find(|(stage, _)| stage.name == outcome.stage)
                .copied()
        };
        let in_run = |outcome: &Outcome, value: f64| {
            stage_of(outcome).map_or(value, |(_, unit)| unit.origin.seconds() + value)
        };
        let began = stage_of(outcome).and_then(|(stage, unit)| {
            extent(unit).map(|(from, to)| (stage, from, (to - from) * 0.01))
        });
        if let Some((main, from, slack)) = began
            && value.value <= from + slack
        {
            let earlier = self
                .view
                .outcomes_of(self.position)
                .into_iter()
                .filter(|other| other.name == name && other.stage != outcome.stage)
                .filter_map(|other| stated(other).map(|value| (other, value)))
                .rfind(|(other, _)| {
                    stage_of(other).is_some_and(|(stage, _)| stage.stage < main.stage)
                });
            if let Some((other, value)) = earlier {
                return Some((other, value, in_run(other, value.value)));
            }
        }
        Some((outcome, value, in_run(outcome, value.value)))
    }

    fn owner(&self) -> Vec<String> {
        let Some((stage, unit)) = self.main else {
            return vec!["Nothing could be measured on it.".to_owned()];
        };
        let mut said = Vec::new();
        let end = extent(unit).map_or(0.0, |(_, to)| unit.origin.seconds() + to);
        let ready = self.moment(ResultName::ReadyAfter);
        match (self.best(ResultName::ErrorAfterOneTuning), &ready) {
            (Some((outcome, error)), _) => {
                let tuned = outcome
                    .t_s
                    .or(ready.as_ref().map(|(.., at)| at - unit.origin.seconds()));
                said.push(match tuned {
                    Some(tuned) => {
                        let (at, rest) = (
                            duration(tuned),
                            duration(end - unit.origin.seconds() - tuned),
                        );
                        // No advice on a unit that never gets there.
                        if ready.is_some() {
                            format!(
                                "Tune it after {at}; over the {rest} that followed, its worst error was {}.",
                                error.spoken(),
                            )
                        } else {
                            format!(
                                "Tuned once after {at}, it was off by up to {} in the {rest} that followed.",
                                error.spoken(),
                            )
                        }
                    }
                    None => format!(
                        "Tuned once, its worst error was {}{}.",
                        error.spoken(),
                        meaning(outcome)
                    ),
                });
            }
            (None, Some((outcome, ready, _))) => {
                said.push(format!(
                    "It is ready after {}{}.",
                    ready.spoken(),
                    meaning(outcome)
                ));
            }
            (None, None) => {}
        }
        if ready.is_none()
            && let Some(why) = self.view.why_not(self.position, ResultName::ReadyAfter)
        {
            said.push(match clause(why).strip_prefix("not within ") {
                Some(rest) => {
                    format!("Even retuned in every round, it was not ready within {rest}.")
                }
                None => format!("When it is ready cannot be said: {}.", clause(why)),
            });
        }
        if let Some((outcome, warm, _)) = self.moment(ResultName::WarmUpTime) {
            let how = outcome
                .meaning
                .as_deref()
                .map_or_else(String::new, |meaning| {
                    format!(
                        ": {}",
                        choice(meaning).trim_start_matches("reference note ")
                    )
                });
            said.push(format!(
                "Its reference note comes to rest after {}{how}.",
                warm.spoken(),
            ));
        }
        if said.is_empty() {
            said.extend(self.brief());
        }
        if said.is_empty() {
            said.extend(self.wandering());
        }
        said.extend(beats::sentence(self.view, stage, unit));
        said
    }

    /// What a short run without results over time can say: a sweep.
    fn brief(&self) -> Option<String> {
        let (outcome, left) = self.best(ResultName::ErrorLeftAfterRetuning)?;
        let stages = self.view.stages_of(self.position);
        let (_, unit) = stages
            .iter()
            .find(|(stage, _)| stage.name == outcome.stage)?;
        // One note or two say nothing of a scale.
        let notes = Some(unit.notes.len()).filter(|notes| *notes > 2)?;
        Some(format!(
            "Tuned as well as one knob allows, its {notes} notes lie within {} of where they should be.",
            left.spoken(),
        ))
    }

    fn technician(&self) -> Vec<String> {
        let mut said = Vec::new();
        said.extend(self.scale());
        said.extend(self.moving_scale());
        said.extend(self.high_end());
        said.extend(self.low_end());
        said.extend(self.cure());
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
        let size = Stated {
            value: high.value.abs(),
            interval: high.interval.map(|(low, top)| {
                if high.value < 0.0 {
                    (-top, -low)
                } else {
                    (low, top)
                }
            }),
            ..high
        };
        // Common practice, no source: what a slow reset takes from every cycle is
        // given back by a trimmer of its own.
        let remedy = if high.value.abs() > GOOD_ENOUGH {
            " No scale trimmer cures that; a high-end trimmer does, where there is one."
        } else {
            ""
        };
        Some(format!(
            "At the top it is {} {way} beside its own scale{}.{remedy}",
            size.spoken(),
            meaning(outcome)
        ))
    }

    /// The lowest note of the profile beside the straight line through the two
    /// above it. A leak takes the same current from every note, so it bends the
    /// lowest most.
    fn low_end(&self) -> Option<String> {
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
            plain(bend.abs()),
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
            .value
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
            plain(retuned),
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
                plain(retuned)
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
                Some((value.value, outcome.u.unwrap_or(0.0), 1))
            })
    }

    fn wandering(&self) -> Option<String> {
        let (outcome, excursion) = self.best(ResultName::Excursion)?;
        let drift = self
            .best(ResultName::DriftRate)
            .filter(|(_, drift)| !drift.may_be_zero())
            .map_or_else(String::new, |(_, drift)| {
                format!(", with a drift of {} cents per hour", drift.numbers(true))
            });
        Some(format!(
            "Its reference note wandered over {} during “{}”{drift}.",
            excursion.spoken(),
            outcome.stage
        ))
    }
}

/// The choice made in a result's name, in brackets.
fn meaning(outcome: &Outcome) -> String {
    outcome
        .meaning
        .as_deref()
        .map_or_else(String::new, |meaning| format!(" ({})", choice(meaning)))
}

/// The first part of a meaning: the choice itself, without its small print, which
/// stands in the table.
pub(crate) fn choice(meaning: &str) -> &str {
    clause(meaning.split([';', ',']).next().unwrap_or(meaning))
}

/// A sentence as part of another one.
pub(crate) fn clause(text: &str) -> &str {
    text.trim().trim_end_matches('.')
}
