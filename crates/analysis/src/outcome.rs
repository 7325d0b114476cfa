//! Results with their intervals, and in words which choice was made in them.

use crate::bench::Bench;
use crate::deviation::UnitReadings;
use crate::drift::drift;
use crate::extremes::{
    Extreme, after_one_tuning, extreme, half_range, left_after_trimming, range_of_note,
};
use crate::history::{Draws, History};
use crate::moment::{MomentOf, notes_of_two_note_slope};
use crate::repeatability::repeatability;
use crate::trials::Trials;
use crate::warm_up::{Steady, USUAL_LIMIT, USUAL_STAY_S, Watched, stay, steady, tuning_holds_from};
use crate::words::{duration, number};
use model::document::plan::{Moment, Plan, Stage, Tolerance};
use model::pitch::Pitch;
use model::result::{Outcome, ResultName};
use std::cell::OnceCell;

/// The choices that belong to a result's definition.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Choice {
    pub(crate) at: Moment,
    /// How near counts as steady or ready, in cents.
    limit: f64,
    /// How long it must stay so, in seconds.
    pub(crate) stay: f64,
    /// When the one tuning is done, in seconds since t = 0.
    tuned_at: Option<f64>,
    between: Option<(Pitch, Pitch)>,
}

impl Choice {
    /// What is meant where a plan says nothing.
    pub(crate) const USUAL: Self = Self {
        at: Moment::End,
        limit: USUAL_LIMIT,
        stay: USUAL_STAY_S,
        tuned_at: None,
        between: None,
    };

    /// What a tolerance means, for a unit.
    pub(crate) fn of(tolerance: &Tolerance, plan: &Plan, unit: &UnitReadings) -> Self {
        let mut choice = Self {
            at: tolerance.at.unwrap_or(Moment::End),
            ..Self::USUAL
        };
        if let Some(meaning) = &tolerance.meaning {
            if let Some(limit) = meaning.steady_within {
                choice.limit = limit.get().abs();
            }
            if let Some(stay) = meaning.stay {
                choice.stay = stay.get();
            }
            choice.tuned_at = meaning.tuned_at.map(|time| time.get());
            choice.between = meaning.between.as_ref().map(|[one, other]| {
                (
                    one.pitch(plan.pitch, unit.law),
                    other.pitch(plan.pitch, unit.law),
                )
            });
        }
        choice
    }

    /// The same with everything that does not matter to a result as usual, so that
    /// equal results are equal choices.
    pub(crate) fn for_result(self, name: ResultName) -> Self {
        let mut choice = Self::USUAL;
        match name {
            ResultName::ScaleError
            | ResultName::MeanSlope
            | ResultName::HighEnd
            | ResultName::ErrorLeftAfterRetuning => choice.at = self.at,
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
            | ResultName::Excursion
            | ResultName::DriftRate
            | ResultName::Repeatability => {}
        }
        choice
    }
}

/// A result and what a verdict must know of it besides.
#[derive(Debug, Clone)]
pub(crate) struct Computed {
    pub(crate) outcome: Outcome,
    /// When a time was not reached in the record: the earliest it can be all the
    /// same, in seconds; the length of the record where it certainly was not.
    pub(crate) not_reached_in: Option<f64>,
    /// The share of the variance that is the rig's.
    pub(crate) rig_share: Option<f64>,
    /// Until when readings matter to it, in seconds since t = 0; `None` for the
    /// result of a moment.
    pub(crate) needs_until: Option<f64>,
    /// That the record was too short for the stay that was meant, in words.
    pub(crate) shortened: Option<String>,
}

/// The results a stage gives unless a tolerance asks for more.
pub(crate) fn gives(stage: &Stage, name: ResultName) -> bool {
    use ResultName as R;
    match stage {
        Stage::Rounds(_) => true,
        Stage::Sweep(_) => !matches!(
            name,
            R::ReadyAfter | R::WarmUpTime | R::ErrorAfterOneTuning | R::Excursion | R::DriftRate
        ),
        Stage::Alternate(_) => matches!(
            name,
            R::TwoNoteSlope | R::Excursion | R::DriftRate | R::ErrorLeftAfterRetuning
        ),
        Stage::Hold(_) => matches!(name, R::Excursion | R::DriftRate),
        _ => false,
    }
}

/// A unit in a stage, with draws of its history.
pub(crate) struct Night<'a> {
    bench: &'a Bench,
    index: u16,
    name: &'a str,
    /// Where draws of this unit and stage begin.
    place: u64,
    history: Option<(History, Draws)>,
    /// Without a round that stands out, and when that was.
    cleaned: Option<(History, Draws, f64)>,
    /// Warm and ready as usually meant: asked for again and again.
    usual: [OnceCell<Steady>; 2],
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
    shortened: Option<String>,
    meaning: String,
}

/// Why there is no number.
enum Missing {
    CannotSay(String),
    NotReached {
        why: String,
        meaning: String,
        record: f64,
    },
}

impl From<String> for Missing {
    fn from(why: String) -> Self {
        Self::CannotSay(why)
    }
}

impl<'a> Night<'a> {
    pub(crate) fn new(bench: &'a Bench, index: u16, name: &'a str, place: u64) -> Self {
        let mut night = Self {
            bench,
            index,
            name,
            place,
            history: None,
            cleaned: None,
            usual: [OnceCell::new(), OnceCell::new()],
        };
        let Some(history) = History::gather(bench, index) else {
            return night;
        };
        let draws = history.draw(&mut Trials::of([1, place, 0]));
        if let Some(stage) = bench.stages.get(&index)
            && let Some((cleaned, t)) = history.without_outlier(1.0, stage.fit.shape)
        {
            let draws = cleaned.draw(&mut Trials::of([2, place, 0]));
            night.cleaned = Some((cleaned, draws, t));
        }
        night.history = Some((history, draws));
        night
    }

    /// Computes a result.
    pub(crate) fn compute(&self, name: ResultName, choice: &Choice) -> Computed {
        let found = match name {
            ResultName::ScaleError
            | ResultName::HighEnd
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
        };
        let mut outcome = Outcome {
            name,
            position: self.bench.unit.position.clone(),
            stage: self.name.to_owned(),
            value: None,
            u: None,
            low: None,
            high: None,
            t_s: None,
            readings: 0,
            meaning: None,
            why_not: None,
        };
        let (mut not_reached_in, mut rig_share) = (None, None);
        let (mut needs_until, mut shortened) = (None, None);
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
                shortened = found.shortened;
            }
            Ok(_) => outcome.why_not = Some("its numbers are beyond all measure".to_owned()),
            Err(Missing::CannotSay(why)) => outcome.why_not = Some(why),
            Err(Missing::NotReached {
                why,
                meaning,
                record,
            }) => {
                // Not dropped: it is at least as long as this.
                outcome.low = finite(record);
                outcome.meaning = Some(meaning);
                outcome.why_not = Some(why);
                not_reached_in = Some(record);
            }
        }
        Computed {
            outcome,
            not_reached_in,
            rig_share,
            needs_until,
            shortened,
        }
    }

    fn history(&self) -> Result<(&History, &Draws), Missing> {
        self.history
            .as_ref()
            .map(|(history, draws)| (history, draws))
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
        let tally = self.bench.unit.tally.get(&self.index);
        match tally.and_then(|tally| tally.words()) {
            Some(words) => format!("no reading of this stage counts: {words}"),
            None => "there are no readings of this stage".to_owned(),
        }
    }

    fn origin_s(&self) -> f64 {
        self.bench
            .stages
            .get(&self.index)
            .map_or(0.0, |stage| stage.origin.at.seconds())
    }

    fn origin_words(&self) -> String {
        self.bench
            .stages
            .get(&self.index)
            .map_or_else(String::new, |stage| {
                if stage.origin.is_power_on {
                    format!("t = 0: {}", stage.origin.words)
                } else {
                    format!(
                        "t = 0: {} (when the unit was switched on is not known)",
                        stage.origin.words
                    )
                }
            })
    }

    /// A moment in seconds since t = 0: the stage's first or last round, or as asked.
    fn moment(&self, at: Moment) -> Option<f64> {
        let rounds = &self.bench.stages.get(&self.index)?.fit.rounds;
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
        &self.bench.unit.notes[note].name
    }

    fn of_moment(&self, name: ResultName, choice: &Choice) -> Result<Found, Missing> {
        let shared = self
            .bench
            .shared(self.index)
            .ok_or_else(|| self.nothing())?;
        let moment = self.moment(choice.at).ok_or_else(|| self.nothing())?;
        let pair = match name {
            ResultName::TwoNoteSlope => Some(notes_of_two_note_slope(
                &self.bench.unit,
                shared.stage,
                choice.between,
            )?),
            _ => None,
        };
        let of = MomentOf { name, pair };
        let found = of.at(&shared, moment + self.origin_s())?;
        let t = found.t - self.origin_s();
        let seed = [3, self.place, name as u64];
        let (low, high) = found.sources.interval(&mut Trials::of(seed));
        let u = found.sources.u();
        let lowest = shared.stage.notes[0];
        let highest = shared.stage.notes[shared.stage.notes.len() - 1];
        let span = format!("{} to {}", self.note_name(lowest), self.note_name(highest));
        let mut meaning = match name {
            ResultName::ScaleError => {
                format!("slope over {span} with the high end taken out")
            }
            ResultName::HighEnd => {
                let kilohertz = self.bench.unit.reference_hz * 1e-3;
                let octaves = self.bench.unit.notes[highest].x;
                let per_khz = found.value / (octaves.exp2() - 1.0) / kilohertz;
                // 1731 cents are a factor of e; a delay t per cycle costs f t of it.
                let delay_us = -per_khz / (1200.0 / std::f64::consts::LN_2) * 1e3;
                format!(
                    "at {}; {} cents per kHz, as a delay of {delay_us:.2} us in every cycle makes it",
                    self.note_name(highest),
                    number(per_khz, Some(u / (octaves.exp2() - 1.0).abs() / kilohertz)),
                )
            }
            ResultName::MeanSlope => format!("straight line over {span}, high end and all"),
            _ => match pair {
                Some((low, high)) => {
                    format!("from {} to {}", self.note_name(low), self.note_name(high))
                }
                None => String::new(),
            },
        };
        meaning += &format!(
            ", {}, from {} rounds",
            Self::at_words(choice.at, t),
            found.rounds
        );
        if found.rounds == 1 && !shared.stage.timed {
            meaning += "; no note was played twice, so drift during the round is in it";
        }
        Ok(Found {
            value: found.value,
            u: Some(u),
            low: Some(found.value + low),
            high: Some(found.value + high),
            t: Some(t),
            readings: found.readings,
            rig_share: (u > 0.0).then(|| 1.0 - found.sources.own / (u * u)),
            needs_until: None,
            shortened: None,
            meaning,
        })
    }

    fn of_extreme(extreme: Extreme, meaning: String) -> Found {
        Found {
            value: extreme.value,
            u: Some(extreme.u),
            low: Some(extreme.low),
            high: Some(extreme.high),
            t: None,
            readings: 0,
            rig_share: Some(extreme.rig_share),
            needs_until: None,
            shortened: None,
            meaning,
        }
    }

    fn error_left_after_retuning(&self, choice: &Choice) -> Result<Found, Missing> {
        let (history, draws) = self.history()?;
        Self::several_notes(history)?;
        let moment = self.moment(choice.at).ok_or_else(|| self.nothing())?;
        let place = history
            .stage_points()
            .into_iter()
            .min_by(|a, b| {
                let off = |place: &usize| (history.points[*place].t - moment).abs();
                off(a).total_cmp(&off(b))
            })
            .ok_or_else(|| self.nothing())?;
        let notes = history.x.len();
        let stretch = place * notes..(place + 1) * notes;
        let found = extreme(history, draws, |values| {
            half_range(&values[stretch.clone()])
        });
        let t = history.points[place].t;
        let raw = half_range(history.points[place].y.as_slice());
        let meaning = format!(
            "largest deviation over {notes} notes with the best retuning, {}; {} of that round alone",
            Self::at_words(choice.at, t),
            self.raw_words(raw),
        );
        let mut found = Self::of_extreme(found, meaning);
        found.t = Some(t);
        found.readings = history.points[place].readings;
        Ok(found)
    }

    fn raw_words(&self, raw: f64) -> String {
        format!("{raw:.2} cents off the curve")
    }

    fn several_notes(history: &History) -> Result<(), Missing> {
        if history.x.len() < 2 {
            return Err("only one note was played: retuning leaves nothing of it"
                .to_owned()
                .into());
        }
        Ok(())
    }

    /// Readings of the stage's rounds from a time on.
    fn readings(history: &History, rounds: &[usize]) -> usize {
        rounds
            .iter()
            .map(|place| history.points[*place].readings)
            .sum()
    }

    fn error_after_one_tuning(&self, choice: &Choice) -> Result<Found, Missing> {
        let (history, draws) = self.history()?;
        let reference = history
            .reference
            .ok_or_else(|| "the reference note was not played in this stage".to_owned())?;
        let rounds = history.stage_points();
        let first = rounds.first().map_or(0.0, |place| history.points[*place].t);
        let (tuned_at, how) = if let Some(t) = choice.tuned_at {
            (t, "as the plan says".to_owned())
        } else {
            let ready = self.steady(Watched::ErrorLeft, choice.limit, choice.stay)?;
            let warm = self.steady(Watched::ReferenceNote, choice.limit, choice.stay)?;
            match (ready, warm) {
                (Steady::From { t: ready, .. }, Steady::From { t: warm, .. }) => (
                    ready.max(warm),
                    format!("when both warm and ready to {} cents", choice.limit),
                ),
                (Steady::From { t, .. }, _) => (
                    t,
                    format!(
                        "when ready to {} cents; it was not seen to become warm",
                        choice.limit
                    ),
                ),
                (_, Steady::From { t, .. }) => (
                    t,
                    format!(
                        "when warm; it was not ready to {} cents within the record",
                        choice.limit
                    ),
                ),
                _ => (
                    first,
                    "at the start of the stage; it was neither warm nor ready within the record"
                        .to_owned(),
                ),
            }
        };
        let tuned = (0..history.points.len())
            .find(|place| history.points[*place].t >= tuned_at - 1e-6)
            .ok_or_else(|| format!("no round follows the tuning at {}", duration(tuned_at)))?;
        let rounds: Vec<usize> = rounds.into_iter().filter(|place| *place >= tuned).collect();
        let Some(last) = rounds.last() else {
            return Err(format!(
                "no round of this stage follows the tuning at {}",
                duration(tuned_at)
            )
            .into());
        };
        let notes = history.x.len();
        let found = extreme(history, draws, |values| {
            after_one_tuning(values, notes, reference, tuned, &rounds)
        });
        let raw = rounds
            .iter()
            .flat_map(|place| history.points[*place].y.iter())
            .map(|y| (y - history.points[tuned].y[reference]).abs())
            .fold(0.0, f64::max);
        let until = history.points[*last].t;
        let meaning = format!(
            "tuned once at {} ({how}), largest deviation of {notes} notes from then to {}; largest of a single round {raw:.2} cents",
            duration(history.points[tuned].t),
            duration(until),
        );
        let mut found = Self::of_extreme(found, meaning);
        found.t = Some(history.points[tuned].t);
        found.readings = Self::readings(history, &rounds);
        found.needs_until = Some(f64::INFINITY);
        Ok(found)
    }

    fn error_left_after_trimming(&self) -> Result<Found, Missing> {
        let (history, draws) = self.history()?;
        Self::several_notes(history)?;
        let all = history.stage_points();
        let steady = self.steady(Watched::ReferenceNote, USUAL_LIMIT, USUAL_STAY_S)?;
        let (rounds, which) = match steady {
            Steady::From { t, .. } => {
                let warm: Vec<usize> = all
                    .iter()
                    .copied()
                    .filter(|place| history.points[*place].t >= t)
                    .collect();
                let which = format!("all rounds after warm-up ({})", duration(t));
                if warm.is_empty() {
                    (all, "all rounds; none of them is warm".to_owned())
                } else {
                    (warm, which)
                }
            }
            _ if all.len() == 1 => (all, "its one round".to_owned()),
            _ => (
                all,
                "all rounds, since the unit was not seen to become warm".to_owned(),
            ),
        };
        // The curve is smooth: a thinned-out selection of it has the same maximum.
        let thin = rounds.len().div_ceil(80).max(1);
        let mut chosen: Vec<usize> = rounds.iter().copied().step_by(thin).collect();
        chosen.extend(rounds.last());
        let found = extreme(history, draws, |values| {
            left_after_trimming(values, &history.x, &chosen)
        });
        let meaning = format!(
            "one setting of the scale trimmer for {which}, retuned in each; {} notes",
            history.x.len(),
        );
        let mut found = Self::of_extreme(found, meaning);
        found.readings = Self::readings(history, &rounds);
        found.needs_until = Some(f64::INFINITY);
        Ok(found)
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
        let note = self.bench.stages[&self.index].fit.notes[place];
        Ok((place, self.note_name(note).to_owned()))
    }

    fn excursion(&self) -> Result<Found, Missing> {
        let (history, draws) = self.history()?;
        let (note, name) = self.watched_note(history)?;
        let rounds = history.stage_points();
        if rounds.len() < 2 {
            return Err("one round shows no change".to_owned().into());
        }
        let notes = history.x.len();
        let found = extreme(history, draws, |values| {
            range_of_note(values, notes, note, &rounds)
        });
        let raw: Vec<f64> = rounds
            .iter()
            .map(|place| history.points[*place].y[note])
            .collect();
        let largest = raw
            .windows(2)
            .map(|pair| (pair[1] - pair[0]).abs())
            .fold(0.0, f64::max);
        let meaning = format!(
            "largest less smallest at {name} over the stage, smoothed over {} rounds; {:.2} cents of single rounds; largest change from one round to the next {largest:.2} cents",
            history.smoother.reach,
            2.0 * half_range(&raw),
        );
        let mut found = Self::of_extreme(found, meaning);
        found.readings = Self::readings(history, &rounds);
        found.needs_until = Some(f64::INFINITY);
        Ok(found)
    }

    fn steady(&self, watched: Watched, limit: f64, asked: f64) -> Result<Steady, Missing> {
        let (history, draws, _) = self.cleaned()?;
        let find = || steady(history, draws, watched, limit, stay(asked, history));
        if limit == USUAL_LIMIT && asked == USUAL_STAY_S {
            return Ok(self.usual[watched as usize].get_or_init(find).clone());
        }
        Ok(find())
    }

    fn time(&self, watched: Watched, choice: &Choice) -> Result<Found, Missing> {
        let (history, _, outlier) = self.cleaned()?;
        let stay_s = stay(choice.stay, history);
        let record = history.points.last().map_or(0.0, |point| point.t);
        let from_other_stages = history.points.iter().any(|point| !point.in_stage);
        let mut meaning = match watched {
            Watched::ReferenceNote => format!(
                "reference note within {} cents of where it stands at the end of the run",
                choice.limit
            ),
            Watched::ErrorLeft => format!(
                "error left after retuning within {} cents over {} notes, retuned in each round",
                choice.limit,
                history.x.len()
            ),
        };
        meaning += &format!(", staying for {}", duration(stay_s));
        let mut shortened = None;
        if stay_s < choice.stay {
            let words = format!(
                "the record of {} is too short for {}",
                duration(record),
                duration(choice.stay)
            );
            meaning += &format!(" ({words})");
            shortened = Some(words);
        }
        if from_other_stages {
            meaning += "; judged by all rounds since t = 0, those of other stages too";
        }
        meaning += &outlier;
        meaning += &format!("; {}", self.origin_words());
        match self.steady(watched, choice.limit, choice.stay)? {
            Steady::From {
                t,
                u,
                low,
                high,
                point,
                maybe_moving,
            } => {
                if point == 0 {
                    meaning += "; it was so in the first round already";
                }
                if maybe_moving {
                    meaning +=
                        "; whether it had come to rest at the end of the record is not certain";
                }
                if watched == Watched::ErrorLeft {
                    meaning += &match tuning_holds_from(history, choice.limit, stay_s) {
                        Some(t) => format!("; with one tuning only, from {} on", duration(t)),
                        None => "; one tuning only did not last that long at any time".to_owned(),
                    };
                }
                Ok(Found {
                    value: t,
                    u,
                    low: Some(low),
                    high,
                    t: None,
                    readings: history.points.iter().map(|point| point.readings).sum(),
                    rig_share: None,
                    needs_until: Some(t + stay_s),
                    shortened,
                    meaning,
                })
            }
            Steady::NotReached { why, low: record } => Err(Missing::NotReached {
                why,
                meaning,
                record,
            }),
            Steady::CannotSay { why } => Err(why.into()),
        }
    }

    fn drift_rate(&self) -> Result<Found, Missing> {
        let (history, _) = self.history()?;
        let (note, name) = self.watched_note(history)?;
        let all = history.stage_points();
        let warm = match self.steady(Watched::ReferenceNote, USUAL_LIMIT, USUAL_STAY_S) {
            Ok(Steady::From { t, .. }) => Some(t),
            _ => None,
        };
        let after: Vec<usize> = all
            .iter()
            .copied()
            .filter(|place| warm.is_none_or(|t| history.points[*place].t >= t))
            .collect();
        let (rounds, which) = if after.len() >= 3 && warm.is_some() {
            (after, ", after warm-up")
        } else {
            (all, "")
        };
        let times: Vec<f64> = rounds
            .iter()
            .map(|place| history.points[*place].t)
            .collect();
        let values: Vec<f64> = rounds
            .iter()
            .map(|place| history.points[*place].y[note])
            .collect();
        let seed = [4, self.place, 0];
        let found = drift(&times, &values, &mut Trials::of(seed))
            .ok_or_else(|| "a rate of drift takes readings at three times".to_owned())?;
        let per_hour = 3600.0;
        Ok(Found {
            value: found.rate * per_hour,
            u: Some(found.u * per_hour),
            low: Some(found.low * per_hour),
            high: Some(found.high * per_hour),
            t: None,
            readings: Self::readings(history, &rounds),
            rig_share: None,
            needs_until: Some(f64::INFINITY),
            shortened: None,
            meaning: format!(
                "at {name} from {} to {}{which}; drift of the control source is in it",
                duration(times.first().copied().unwrap_or(0.0)),
                duration(times.last().copied().unwrap_or(0.0)),
            ),
        })
    }

    fn repeatability(&self) -> Result<Found, Missing> {
        let stage = self
            .bench
            .stages
            .get(&self.index)
            .ok_or_else(|| self.nothing())?;
        if stage.fit.rounds.is_empty() {
            return Err(self.nothing().into());
        }
        let pooled = repeatability(&self.bench.unit, self.index, &stage.fit)
            .ok_or_else(|| "no note is left and come back to within a round".to_owned())?;
        let (low, high) = pooled.interval();
        Ok(Found {
            value: pooled.sd,
            u: Some(pooled.u()),
            low: Some(low),
            high: Some(high),
            t: None,
            readings: pooled.readings,
            rig_share: None,
            needs_until: Some(f64::INFINITY),
            shortened: None,
            meaning: format!(
                "standard deviation of a note left and come back to, drift taken out, {:.0} degrees of freedom; the meter's own noise is in it",
                pooled.degrees_of_freedom
            ),
        })
    }
}
