//! What the results of a unit in a stage have in common.

use crate::curves::history::{Draws, History};
use crate::curves::unit::{UnitCurves, UnitStage};
use crate::readings::USUAL_LIMIT;
use crate::results::warm_up::{Steady, Watched, stay, steady};
use crate::statistics::drift::Drift;
use crate::statistics::trials::Trials;
use crate::uncertainty::shared_sources::SharedSources;
use model::document::plan::Moment;
use model::result::{
    Choice, NotDetermined, OneNote, Origin, Rounds, Scope, TimeZero, UncertaintySource, Which,
};
use std::cell::OnceCell;
use std::rc::Rc;

/// A unit in a stage, with draws of its history.
pub(crate) struct StageResults<'a> {
    pub(crate) curves: &'a UnitCurves,
    pub(crate) index: u16,
    pub(crate) name: &'a str,
    /// Within what the plan waits for a note to be steady, in cents, if it does.
    pub(crate) until_steady: Option<f64>,
    /// Whether only standard uncertainties are asked for, to see a source's share.
    pub(crate) for_share: bool,
    /// One number a trial of all that the rig shares.
    pub(crate) sources: Rc<SharedSources>,
    history: Option<(Rc<History>, Draws)>,
    /// Without a round that stands out, and when that was.
    cleaned: Option<(Rc<History>, Draws, f64)>,
    /// Without the rounds of its incidents, and how many these are.
    sound: Option<(Rc<History>, Draws, usize)>,
    /// Warm and ready as usually meant: asked for again and again.
    usual: [OnceCell<Steady>; 2],
    /// The rate of drift by the readings alone, the same on every rig.
    pub(crate) drifted: Rc<OnceCell<Option<Drift>>>,
}

impl<'a> StageResults<'a> {
    pub(crate) fn new(curves: &'a UnitCurves, index: u16, name: &'a str) -> Self {
        let mut here = Self {
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
            sound: None,
            usual: [OnceCell::new(), OnceCell::new()],
            drifted: Rc::default(),
            for_share: false,
        };
        let Some(history) = History::gather(curves, index) else {
            return here;
        };
        let draws = history.draw(&here.sources, &mut here.trials("rounds"));
        if let Some(stage) = curves.stages.get(&index)
            && let Some((cleaned, t)) = history.without_outlier(1.0, stage.fit.shape)
        {
            let draws = cleaned.draw(&here.sources, &mut here.trials("rounds without one"));
            here.cleaned = Some((Rc::new(cleaned), draws, t));
        }
        if let Some(stage) = curves.stages.get(&index)
            && let Some((sound, left_aside)) = history.on_course(stage.fit.shape)
        {
            let draws = sound.draw(&here.sources, &mut here.trials("rounds without incidents"));
            here.sound = Some((Rc::new(sound), draws, left_aside));
        }
        here.history = Some((Rc::new(history), draws));
        here
    }

    /// The same on a rig with other limits, with the first `most` of its draws, where only
    /// standard uncertainties are asked for.
    pub(crate) fn for_share<'b>(&self, curves: &'b UnitCurves, most: usize) -> StageResults<'b>
    where
        Self: 'b,
    {
        StageResults {
            curves,
            index: self.index,
            name: self.name,
            until_steady: self.until_steady,
            for_share: true,
            drifted: Rc::clone(&self.drifted),
            sources: Rc::clone(&self.sources),
            history: self
                .history
                .as_ref()
                .map(|(history, draws)| (Rc::clone(history), draws.for_share(curves.limits, most))),
            cleaned: self.cleaned.as_ref().map(|(history, draws, t)| {
                (Rc::clone(history), draws.for_share(curves.limits, most), *t)
            }),
            sound: self.sound.as_ref().map(|(history, draws, left_aside)| {
                let draws = draws.for_share(curves.limits, most);
                (Rc::clone(history), draws, *left_aside)
            }),
            usual: [OnceCell::new(), OnceCell::new()],
        }
    }

    /// Random numbers that are this unit's own in this run and stage.
    pub(crate) fn trials(&self, which: &str) -> Trials {
        let own = UncertaintySource::Readings;
        Trials::at(self.curves.identity.address(own, which, self.index, None))
    }

    pub(crate) fn history(&self) -> Result<(&History, &Draws), NotDetermined> {
        self.history
            .as_ref()
            .map(|(history, draws)| (&**history, draws))
            .ok_or_else(|| self.nothing())
    }

    /// The history without its outlier, and when that was.
    pub(crate) fn cleaned(&self) -> Result<(&History, &Draws, Option<f64>), NotDetermined> {
        if let Some((history, draws, t)) = &self.cleaned {
            return Ok((history, draws, Some(*t)));
        }
        let (history, draws) = self.history()?;
        Ok((history, draws, None))
    }

    /// The history without the rounds of the unit's incidents, and how many these are.
    pub(crate) fn sound(&self) -> Result<(&History, &Draws, usize), NotDetermined> {
        if let Some((history, draws, left_aside)) = &self.sound {
            return Ok((history, draws, *left_aside));
        }
        let (history, draws) = self.history()?;
        Ok((history, draws, 0))
    }

    /// Whether it is known when the unit was switched on.
    pub(crate) fn was_switched_on(&self) -> bool {
        let zero = &self.curves.stages[&self.index].origin.zero;
        matches!(zero, TimeZero::SwitchedOn | TimeZero::FirstSound)
    }

    /// Why there is no curve at all.
    pub(crate) fn nothing(&self) -> NotDetermined {
        let tally = self.curves.unit.tally.get(&self.index);
        NotDetermined::NoReadings {
            left_out: tally
                .map(|tally| tally.left_out.clone())
                .unwrap_or_default(),
        }
    }

    pub(crate) fn origin_s(&self) -> f64 {
        self.curves
            .stages
            .get(&self.index)
            .map_or(0.0, |stage| stage.origin.at.seconds())
    }

    /// What t = 0 is.
    pub(crate) fn origin(&self) -> Origin {
        let stage = self.curves.stages.get(&self.index);
        Origin {
            zero: stage.map_or(TimeZero::Run, |stage| stage.origin.zero.clone()),
            start: stage.and_then(|stage| stage.origin.start),
        }
    }

    /// A moment in seconds since t = 0: the stage's first or last round, or as asked.
    pub(crate) fn moment(&self, at: Moment) -> Option<f64> {
        let rounds = &self.curves.stages.get(&self.index)?.fit.rounds;
        let origin = self.origin_s();
        let times = rounds.iter().map(|round| round.t - origin);
        match at {
            Moment::Start => times.reduce(f64::min),
            Moment::End => times.reduce(f64::max),
            Moment::After(time) => Some(time.get()),
        }
    }

    /// The round of the stage that is nearest to a moment, as a place in the history.
    pub(crate) fn round_at(&self, history: &History, at: Moment) -> Result<usize, NotDetermined> {
        let moment = self.moment(at).ok_or_else(|| self.nothing())?;
        let off = |place: &usize| (history.points[*place].t - moment).abs();
        history
            .stage_points()
            .into_iter()
            .min_by(|a, b| off(a).total_cmp(&off(b)))
            .ok_or_else(|| self.nothing())
    }

    /// The name of a note of the unit, as the plan writes it.
    pub(crate) fn note_name(&self, note: usize) -> String {
        self.curves.unit.notes[note].name.clone()
    }

    /// The same of a note by its place in the stage.
    pub(crate) fn name_of(&self, place: usize) -> String {
        self.note_name(self.curves.stages[&self.index].fit.notes[place])
    }

    /// The unit in the stage, if any reading counts.
    pub(crate) fn heard(&self) -> Result<&'a UnitStage, NotDetermined> {
        self.curves
            .stages
            .get(&self.index)
            .filter(|stage| !stage.fit.rounds.is_empty())
            .ok_or_else(|| self.nothing())
    }

    /// All rounds of the stage.
    pub(crate) fn whole_stage(&self) -> Scope {
        let stage = self.curves.stages.get(&self.index);
        Scope::Rounds {
            which: Which::All,
            from_s: self.moment(Moment::Start).unwrap_or(0.0),
            to_s: self.moment(Moment::End).unwrap_or(0.0),
            count: stage.map_or(0, |stage| stage.fit.rounds.len()),
        }
    }

    pub(crate) fn several_notes(&self) -> Result<(), NotDetermined> {
        let fit = &self.heard()?.fit;
        if fit.notes.len() < 2 {
            return Err(fit.one_note(OneNote::Retuned));
        }
        Ok(())
    }

    /// That there are too few rounds for a result; of a hold, whose minutes stand for rounds,
    /// too few of these.
    pub(crate) fn too_few_rounds(&self, to: Rounds, have: usize, takes: usize) -> NotDetermined {
        let mut holds = self.curves.unit.holds.iter();
        let to = if holds.any(|held| held.stage() == self.index) {
            Rounds::Minutes
        } else {
            to
        };
        NotDetermined::TooFewRounds { to, have, takes }
    }

    /// The note whose course is watched: the reference note, or the only one.
    pub(crate) fn watched_note(&self, history: &History) -> Result<(usize, String), NotDetermined> {
        let place = match history.reference {
            Some(place) => place,
            None if history.x.len() == 1 => 0,
            None => return Err(NotDetermined::ReferenceNotPlayed),
        };
        Ok((place, self.name_of(place)))
    }

    /// When it comes to stay within a limit.
    pub(crate) fn steady(
        &self,
        watched: Watched,
        limit: f64,
        asked: f64,
    ) -> Result<Steady, NotDetermined> {
        let (history, draws, _) = self.cleaned()?;
        if let (Watched::ErrorLeft, Err(why)) = (watched, self.several_notes()) {
            return Ok(Steady::CannotSay { why });
        }
        let find = || {
            let mut own = self.trials("wandering");
            let stay = stay(asked, history);
            steady(history, draws, watched, limit, stay, &mut own)
        };
        if limit == Choice::USUAL.limit && asked == Choice::USUAL.stay {
            return Ok(self.usual[watched as usize].get_or_init(find).clone());
        }
        Ok(find())
    }

    /// When it is warm as usually meant.
    pub(crate) fn warm(&self) -> Result<Steady, NotDetermined> {
        self.steady(Watched::ReferenceNote, USUAL_LIMIT, Choice::USUAL.stay)
    }

    /// When it was seen to be warm, in seconds since t = 0.
    pub(crate) fn warm_since(&self) -> Option<f64> {
        match self.warm() {
            Ok(Steady::From { t, .. }) => Some(t),
            _ => None,
        }
    }
}
