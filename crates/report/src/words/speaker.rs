//! What an owner wants to know first: when to tune, how far it strays, how its
//! octaves beat.

use super::reasons::{not_within, why as why_words};
use super::results::{choice, in_brackets, near_its_end};
use crate::RunView;
use crate::numbers::{Stated, duration};
use crate::outline::{extent, stated};
use analysis::{StageAnalysis, UnitAnalysis};
use model::record::PositionId;
use model::result::{NotDetermined, Outcome, ResultName};

/// Of a shorter time than this nobody says when a unit was warm, in seconds.
const LEAST_WATCHED_S: f64 = 300.0;

/// Whoever speaks of one unit.
pub(super) struct Speaker<'a> {
    pub(super) view: &'a RunView<'a>,
    pub(super) position: &'a PositionId,
    pub(super) main: Option<(&'a StageAnalysis, &'a UnitAnalysis)>,
}

impl<'a> Speaker<'a> {
    pub(super) fn new(view: &'a RunView<'a>, position: &'a PositionId) -> Self {
        Self {
            view,
            position,
            main: view.main_stage(position),
        }
    }

    pub(super) fn best(&self, name: ResultName) -> Option<(&'a Outcome, Stated)> {
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

    pub(super) fn owner(&self) -> Vec<String> {
        let Some((_, unit)) = self.main else {
            return vec!["Nothing could be measured on it.".to_owned()];
        };
        let mut said = Vec::new();
        let end = extent(unit).map_or(0.0, |(_, to)| unit.origin.seconds() + to);
        let ready = self.moment(ResultName::ReadyAfter);
        let watched = extent(unit).map_or(0.0, |(from, to)| to - from);
        if watched < LEAST_WATCHED_S {
            return self.at_a_glance();
        }
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
                        in_brackets(outcome)
                    ),
                });
            }
            (None, Some((outcome, ready, _))) => {
                said.push(format!(
                    "It is ready after {}{}.",
                    ready.spoken(),
                    in_brackets(outcome)
                ));
            }
            (None, None) => {}
        }
        if ready.is_none()
            && let Some(why) = self.view.why_not(self.position, ResultName::ReadyAfter)
        {
            let in_record = match why {
                NotDetermined::NotReached(what) => not_within(*what),
                _ => None,
            };
            said.push(match in_record {
                Some(rest) => {
                    format!("Even retuned in every round, it was not ready within {rest}.")
                }
                None => format!("When it is ready cannot be said: {}.", why_words(why)),
            });
        }
        if let Some((outcome, warm, _)) = self.moment(ResultName::WarmUpTime) {
            said.push(format!(
                "Its reference note comes to rest after {}: {}.",
                warm.spoken(),
                near_its_end(&outcome.with),
            ));
        }
        if said.is_empty() {
            return self.at_a_glance();
        }
        said.extend(self.beats());
        said
    }

    /// What can be said without time having passed.
    fn at_a_glance(&self) -> Vec<String> {
        let mut said: Vec<String> = self.brief().into_iter().collect();
        if said.is_empty() {
            said.extend(self.wandering());
        }
        said.extend(self.beats());
        said
    }

    /// The pair of octaves that beats fastest, where it can be told from none.
    fn beats(&self) -> Option<String> {
        let (outcome, beats) = self.best(ResultName::WorstBeats)?;
        let (low, _) = beats.interval?;
        let pair = choice(outcome)?;
        if low <= 0.0 || beats.value <= 0.0 {
            return None;
        }
        let rate = if beats.value >= 0.095 {
            format!("{} times a second", beats.numbers_alone(false))
        } else {
            format!("once in {}", duration(1.0 / beats.value))
        };
        Some(format!(
            "Of its octaves, {pair} beat fastest: {rate} at the end of “{}”.",
            outcome.stage
        ))
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
}
