//! Results with their intervals, and in words which choice was made in them.

pub(crate) mod budget;
pub(crate) mod choice;
pub(crate) mod coefficient;
mod conditions;
pub(crate) mod extremes;
pub(crate) mod hysteresis;
mod linearity;
mod moments;
mod repeatability;
mod response;
mod stability;
mod stretches;
mod times;
mod tuned;
pub(crate) mod warm_up;

use crate::curves::history::{Draws, History};
use crate::curves::unit::{UnitCurves, UnitStage};
use crate::readings::USUAL_LIMIT;
use crate::results::choice::Choice;
use crate::results::extremes::Extreme;
use crate::results::warm_up::{Steady, USUAL_STAY_S, Watched, stay, steady};
use crate::statistics::drift::Drift;
use crate::statistics::trials::Trials;
use crate::uncertainty::joint;
use crate::uncertainty::shared_sources::SharedSources;
use crate::words::{counted, duration};
use model::document::plan::Moment;
use model::result::{ColdStart, JointDraws, Outcome, ResultName, UncertaintySource};
use std::cell::OnceCell;
use std::rc::Rc;

/// A result and what a verdict must know of it besides.
#[derive(Debug, Clone)]
pub(crate) struct Computed {
    pub(crate) outcome: Outcome,
    /// When a time was not reached in the record: the earliest it can be all the
    /// same, in seconds; the length of the record where it certainly was not.
    pub(crate) not_reached_in: Option<f64>,
    /// Of a time: how long the record is that it was looked for in, in seconds.
    pub(crate) record: Option<f64>,
    /// The share of the variance that is the rig's.
    pub(crate) rig_share: Option<f64>,
    /// Until when readings matter to it, in seconds since t = 0; `None` for the
    /// result of a moment.
    pub(crate) needs_until: Option<f64>,
    /// How long the record is, in seconds, where it is too short for the stay that was meant.
    pub(crate) shortened_to: Option<f64>,
}

/// A unit in a stage, with draws of its history.
pub(crate) struct Night<'a> {
    curves: &'a UnitCurves,
    index: u16,
    name: &'a str,
    /// Within what the plan waits for a note to be steady, in cents, if it does.
    until_steady: Option<f64>,
    /// Whether only standard uncertainties are asked for, to see a source's share.
    for_share: bool,
    /// One number a trial of all that the rig shares.
    sources: Rc<SharedSources>,
    history: Option<(Rc<History>, Draws)>,
    /// Without a round that stands out, and when that was.
    cleaned: Option<(Rc<History>, Draws, f64)>,
    /// Warm and ready as usually meant: asked for again and again.
    usual: [OnceCell<Steady>; 2],
    /// The rate of drift by the readings alone, the same on every rig.
    drifted: Rc<OnceCell<Option<Drift>>>,
}

/// A number with its interval, before it is an outcome.
struct Found {
    value: f64,
    u: Option<f64>,
    low: Option<f64>,
    high: Option<f64>,
    t: Option<f64>,
    readings: usize,
    rig_share: Option<f64>,
    needs_until: Option<f64>,
    shortened_to: Option<f64>,
    record: Option<f64>,
    meaning: String,
    /// What it is in each joint trial; where there are none they come from the interval.
    draws: Vec<f64>,
}

impl Found {
    /// A number to come, with nothing known but what is meant.
    const fn with(meaning: String) -> Self {
        Self {
            value: f64::NAN,
            u: None,
            low: None,
            high: None,
            t: None,
            readings: 0,
            rig_share: None,
            needs_until: None,
            shortened_to: None,
            record: None,
            meaning,
            draws: Vec::new(),
        }
    }
}

/// Why there is no number.
enum Missing {
    CannotSay(String),
    /// There is no value, and yet it is known what it lies between (95 %).
    Within {
        why: String,
        low: f64,
        high: f64,
    },
    NotReached {
        why: String,
        meaning: String,
        /// The earliest it can be all the same.
        low: f64,
        /// The length of the record.
        record: f64,
        draws: Vec<f64>,
    },
}

impl From<String> for Missing {
    fn from(why: String) -> Self {
        Self::CannotSay(why)
    }
}

impl<'a> Night<'a> {
    pub(crate) fn new(curves: &'a UnitCurves, index: u16, name: &'a str) -> Self {
        let mut night = Self {
            curves,
            index,
            name,
            until_steady: curves
                .stages
                .get(&index)
                .and_then(|stage| stage.until_steady),
            sources: Rc::new(curves.shared_sources(index)),
            history: None,
            cleaned: None,
            usual: [OnceCell::new(), OnceCell::new()],
            drifted: Rc::default(),
            for_share: false,
        };
        let Some(history) = History::gather(curves, index) else {
            return night;
        };
        let draws = history.draw(&night.sources, &mut night.trials("rounds"));
        if let Some(stage) = curves.stages.get(&index)
            && let Some((cleaned, t)) = history.without_outlier(1.0, stage.fit.shape)
        {
            let draws = cleaned.draw(&night.sources, &mut night.trials("rounds without one"));
            night.cleaned = Some((Rc::new(cleaned), draws, t));
        }
        night.history = Some((Rc::new(history), draws));
        night
    }

    /// Random numbers that are this unit's own in this run and stage.
    fn trials(&self, which: &str) -> Trials {
        let own = UncertaintySource::Readings;
        Trials::at(self.curves.identity.address(own, which, self.index, None))
    }

    /// Computes a result.
    pub(crate) fn compute(&self, name: ResultName, choice: &Choice) -> Computed {
        let found = match name {
            ResultName::ScaleError
            | ResultName::HighEnd
            | ResultName::LowEnd
            | ResultName::VoltageOffset
            | ResultName::MeanSlope
            | ResultName::TwoNoteSlope => self.of_moment(name, choice),
            ResultName::ErrorLeftAfterRetuning => self.error_left_after_retuning(choice),
            ResultName::ErrorAfterOneTuning => self.error_after_one_tuning(choice),
            ResultName::ErrorLeftAfterTrimming => self.error_left_after_trimming(),
            ResultName::Excursion => self.excursion(),
            ResultName::WarmUpTime => self.time(Watched::ReferenceNote, choice),
            ResultName::ReadyAfter => self.time(Watched::ErrorLeft, choice),
            ResultName::DriftRate => self.drift_rate(),
            ResultName::Repeatability => self.repeatability(),
            ResultName::InTuneRange => self.in_tune_range(choice),
            ResultName::FractionOfRounds => self.fraction_of_rounds(choice),
            ResultName::WorstBeats => self.worst_beats(choice),
            ResultName::ErrorLeftAfterBothTrimmers => self.error_left_after_both_trimmers(),
            ResultName::LinearityError => self.linearity_error(),
            ResultName::LargestChangeBetweenRounds => self.largest_change_between_rounds(),
            ResultName::Convergence => self.convergence(),
            ResultName::ChangeBetweenReadings => self.change_between_readings(choice),
            ResultName::ShortTermStability => self.short_term_stability(choice),
            ResultName::SettlingTime => self.settling_time(choice),
            ResultName::Overshoot => self.overshoot(),
            ResultName::Hysteresis => self.hysteresis(),
            ResultName::SupplySensitivity => self.supply_sensitivity(),
            ResultName::OffsetTemperatureCoefficient => self.offset_temperature_coefficient(),
            ResultName::ScaleTemperatureCoefficient => self.scale_temperature_coefficient(),
        };
        let mut outcome = Outcome {
            name,
            position: self.curves.unit.position.clone(),
            stage: self.name.to_owned(),
            value: None,
            u: None,
            low: None,
            high: None,
            t_s: None,
            readings: 0,
            meaning: None,
            why_not: None,
            budget: Vec::new(),
            draws: JointDraws::default(),
        };
        let (mut not_reached_in, mut rig_share) = (None, None);
        let (mut needs_until, mut shortened_to, mut length) = (None, None, None);
        let finite = |value: f64| value.is_finite().then_some(value);
        match found {
            Ok(found) if found.value.is_finite() => {
                outcome.value = Some(found.value);
                outcome.u = found.u.and_then(finite);
                outcome.low = found.low.and_then(finite);
                outcome.high = found.high.and_then(finite);
                outcome.t_s = found.t.and_then(finite);
                outcome.readings = found.readings;
                outcome.meaning = Some(found.meaning);
                rig_share = found.rig_share;
                needs_until = found.needs_until;
                shortened_to = found.shortened_to;
                length = found.record;
                let mut draws = found.draws;
                if draws.is_empty() && !self.for_share {
                    let words = format!("{name} {choice:?}");
                    draws = joint::of_interval(&outcome, &mut self.trials(&words));
                }
                outcome.draws = JointDraws(draws);
            }
            Ok(_) => outcome.why_not = Some("its numbers are beyond all measure".to_owned()),
            Err(Missing::CannotSay(why)) => outcome.why_not = Some(why),
            Err(Missing::Within { why, low, high }) => {
                outcome.low = finite(low);
                outcome.high = finite(high);
                outcome.why_not = Some(why);
                if !self.for_share {
                    let mut trials = self.trials(&format!("{name} {choice:?}"));
                    let middle = f64::midpoint(low, high);
                    outcome.draws = JointDraws(joint::split_normal(middle, low, high, &mut trials));
                }
            }
            Err(Missing::NotReached {
                why,
                meaning,
                low,
                record,
                draws,
            }) => {
                // Not dropped: it is at least as long as this.
                outcome.low = finite(low);
                outcome.meaning = Some(meaning);
                outcome.why_not = Some(why);
                outcome.draws = JointDraws(draws);
                not_reached_in = Some(low);
                length = Some(record);
            }
        }
        Computed {
            outcome,
            not_reached_in,
            record: length,
            rig_share,
            needs_until,
            shortened_to,
        }
    }

    fn history(&self) -> Result<(&History, &Draws), Missing> {
        self.history
            .as_ref()
            .map(|(history, draws)| (&**history, draws))
            .ok_or_else(|| self.nothing().into())
    }

    /// The history without its outlier, and a word about that.
    fn cleaned(&self) -> Result<(&History, &Draws, String), Missing> {
        if let Some((history, draws, t)) = &self.cleaned {
            let words = format!(
                "; the round at {} stands out and is left aside",
                duration(*t)
            );
            return Ok((history, draws, words));
        }
        let (history, draws) = self.history()?;
        Ok((history, draws, String::new()))
    }

    /// Why there is no curve at all.
    fn nothing(&self) -> String {
        let tally = self.curves.unit.tally.get(&self.index);
        match tally.and_then(|tally| tally.words()) {
            Some(words) => format!("no reading of this stage counts: {words}"),
            None => "there are no readings of this stage".to_owned(),
        }
    }

    fn origin_s(&self) -> f64 {
        self.curves
            .stages
            .get(&self.index)
            .map_or(0.0, |stage| stage.origin.at.seconds())
    }

    fn origin_words(&self) -> String {
        let Some(stage) = self.curves.stages.get(&self.index) else {
            return String::new();
        };
        let start = match stage.origin.start {
            None => " (when the unit was switched on is not known)".to_owned(),
            Some(ColdStart::OffUnknown) => {
                "; start state unknown: how long it had been off is not known".to_owned()
            }
            Some(ColdStart::TooShort { off_s, asked_s }) => format!(
                "; not cold: it had been off for {} only, of {}",
                duration(off_s),
                duration(asked_s)
            ),
            Some(ColdStart::AirMoved(kelvin)) => format!(
                "; start state unknown: the air moved by {kelvin:.1} K in the half hour before"
            ),
            Some(ColdStart::Cold { off_s }) => format!(
                "; cold as far as is known: it had been off for {}",
                duration(off_s)
            ),
        };
        format!("t = 0: {}{start}", stage.origin.zero)
    }

    /// A moment in seconds since t = 0: the stage's first or last round, or as asked.
    fn moment(&self, at: Moment) -> Option<f64> {
        let rounds = &self.curves.stages.get(&self.index)?.fit.rounds;
        let origin = self.origin_s();
        let times = rounds.iter().map(|round| round.t - origin);
        match at {
            Moment::Start => times.reduce(f64::min),
            Moment::End => times.reduce(f64::max),
            Moment::After(time) => Some(time.get()),
        }
    }

    fn at_words(at: Moment, t: f64) -> String {
        match at {
            Moment::Start => format!("at the start of the stage ({})", duration(t)),
            Moment::End => format!("at the end of the stage ({})", duration(t)),
            Moment::After(_) => format!("at {}", duration(t)),
        }
    }

    fn note_name(&self, note: usize) -> &str {
        &self.curves.unit.notes[note].name
    }

    fn of_extreme(extreme: Extreme, meaning: String) -> Found {
        Found {
            value: extreme.value,
            u: Some(extreme.u),
            low: Some(extreme.low),
            high: Some(extreme.high),
            rig_share: Some(extreme.rig_share),
            draws: extreme.draws,
            ..Found::with(meaning)
        }
    }

    /// The same over rounds of the stage, all of which it needs.
    fn of_rounds(extreme: Extreme, history: &History, rounds: &[usize], meaning: String) -> Found {
        Found {
            readings: Self::readings(history, rounds),
            needs_until: Some(f64::INFINITY),
            ..Self::of_extreme(extreme, meaning)
        }
    }

    /// The unit in the stage, if any reading counts.
    fn heard(&self) -> Result<&'a UnitStage, Missing> {
        self.curves
            .stages
            .get(&self.index)
            .filter(|stage| !stage.fit.rounds.is_empty())
            .ok_or_else(|| self.nothing().into())
    }

    fn several_notes(&self) -> Result<(), Missing> {
        let fit = &self.heard()?.fit;
        if fit.notes.len() < 2 {
            let why = fit.one_note_words("retuning leaves nothing of it");
            return Err(why.into());
        }
        Ok(())
    }

    /// That there are too few rounds for a result; of a hold, what stands for rounds there
    /// and how long it must be.
    fn too_few_rounds(&self, count: usize, takes: usize, otherwise: &str) -> Missing {
        let holds = &self.curves.unit.holds;
        if !holds.iter().any(|held| held.stage() == self.index) {
            return otherwise.to_owned().into();
        }
        format!(
            "a hold is averaged minute by minute, and {} of this one {}; it takes {takes}: hold the note for {takes} min or longer",
            counted(count, "minute"),
            if count == 1 { "counts" } else { "count" },
        )
        .into()
    }

    /// How many readings stand behind rounds.
    fn readings(history: &History, rounds: &[usize]) -> usize {
        rounds
            .iter()
            .map(|place| history.points[*place].readings)
            .sum()
    }

    /// The note whose course is watched: the reference note, or the only one.
    fn watched_note(&self, history: &History) -> Result<(usize, String), Missing> {
        let place = match history.reference {
            Some(place) => place,
            None if history.x.len() == 1 => 0,
            None => {
                return Err("the reference note was not played in this stage"
                    .to_owned()
                    .into());
            }
        };
        let note = self.curves.stages[&self.index].fit.notes[place];
        Ok((place, self.note_name(note).to_owned()))
    }

    fn steady(&self, watched: Watched, limit: f64, asked: f64) -> Result<Steady, Missing> {
        let (history, draws, _) = self.cleaned()?;
        if let (Watched::ErrorLeft, Err(Missing::CannotSay(why))) = (watched, self.several_notes())
        {
            return Ok(Steady::CannotSay { why });
        }
        let find = || {
            let mut own = self.trials("wandering");
            steady(
                history,
                draws,
                watched,
                limit,
                stay(asked, history),
                &mut own,
            )
        };
        if limit == USUAL_LIMIT && asked == USUAL_STAY_S {
            return Ok(self.usual[watched as usize].get_or_init(find).clone());
        }
        Ok(find())
    }
}
