//! Results over all rounds of a stage, or all since something happened.

use super::{Found, Missing, Night};
use crate::readings::USUAL_LIMIT;
use crate::results::choice::Choice;
use crate::results::extremes::{after_one_tuning, extreme, left_after, range_of_note};
use crate::results::repeatability::repeatability;
use crate::results::warm_up::{Steady, USUAL_STAY_S, Watched};
use crate::statistics::drift::drift;
use crate::statistics::minimax::half_range;
use crate::uncertainty::joint;
use crate::words::duration;

impl Night<'_> {
    pub(super) fn error_after_one_tuning(&self, choice: &Choice) -> Result<Found, Missing> {
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
        if notes == 1 && rounds.len() == 1 {
            return Err(
                "one reading of the note that is tuned says nothing of what comes after"
                    .to_owned()
                    .into(),
            );
        }
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
        let mut found = Self::of_rounds(found, history, &rounds, meaning);
        found.t = Some(history.points[tuned].t);
        Ok(found)
    }

    pub(super) fn error_left_after_trimming(&self) -> Result<Found, Missing> {
        let (history, draws) = self.history()?;
        self.several_notes()?;
        let (rounds, which) = self.warm_rounds(history)?;
        // Whatever they are.
        if history.x.len() == 2 && rounds.len() == 1 {
            return Err(
                "a trimmer and a knob put any two notes right; it takes three notes, or several rounds to say what they leave over time"
                    .to_owned()
                    .into(),
            );
        }
        let by_trimmer = self.by_trimmer(history);
        let found = left_after(history, draws, &[&by_trimmer], &rounds);
        let meaning = format!(
            "one setting of {} for {which}, retuned in each; {} notes",
            self.trimmer(),
            history.x.len(),
        );
        Ok(Self::of_rounds(found, history, &rounds, meaning))
    }

    pub(super) fn excursion(&self) -> Result<Found, Missing> {
        let (history, draws) = self.history()?;
        let (note, name) = self.watched_note(history)?;
        let rounds = history.stage_points();
        if rounds.len() < 2 {
            return Err(self.too_few_rounds(rounds.len(), 2, "one round shows no change"));
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
        Ok(Self::of_rounds(found, history, &rounds, meaning))
    }

    pub(super) fn drift_rate(&self) -> Result<Found, Missing> {
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
        let found = self
            .drifted
            .get_or_init(|| drift(&times, &values, &mut self.trials("drift")))
            .ok_or_else(|| {
                let otherwise = "a rate of drift takes readings at three times";
                self.too_few_rounds(times.len(), 3, otherwise)
            })?;
        let per_hour = 3600.0;
        // What the control source may have drifted by over the run, limits of
        // rectangles for gain and offset (GUM 4.3.7).
        let unit = &self.curves.unit;
        let own_note = &unit.notes[self.curves.stages[&self.index].fit.notes[note]];
        let limits = self.curves.limits;
        let lasted = times[times.len() - 1] - times[0];
        let source = (own_note.per_gain * limits.gain_drift)
            .hypot(own_note.per_volt * limits.offset_drift)
            / 3f64.sqrt()
            / lasted;
        let u = found.u.hypot(source);
        // Two rectangles of like size reach 1.9 times their standard deviation.
        let reach = |own: f64| own.hypot(1.9 * source);
        let mut draws = Vec::new();
        if !self.for_share {
            let mut own = self.trials("drift rate");
            draws = joint::split_normal(found.rate, found.low, found.high, &mut own);
            let gain = own_note.per_gain * limits.gain_drift / lasted;
            let offset = own_note.per_volt * limits.offset_drift / lasted;
            let drifts = self
                .sources
                .gain_drift
                .iter()
                .zip(&self.sources.offset_drift);
            for (draw, (of_gain, of_offset)) in draws.iter_mut().zip(drifts) {
                *draw = (*draw + gain * of_gain + offset * of_offset) * per_hour;
            }
        }
        Ok(Found {
            value: found.rate * per_hour,
            u: Some(u * per_hour),
            low: Some((found.rate - reach(found.rate - found.low)) * per_hour),
            high: Some((found.rate + reach(found.high - found.rate)) * per_hour),
            t: None,
            readings: Self::readings(history, &rounds),
            rig_share: (u > 0.0).then(|| (source / u).powi(2)),
            needs_until: Some(f64::INFINITY),
            shortened_to: None,
            record: None,
            meaning: format!(
                "at {name} from {} to {}{which}",
                duration(times.first().copied().unwrap_or(0.0)),
                duration(times.last().copied().unwrap_or(0.0)),
            ),
            draws,
        })
    }

    pub(super) fn repeatability(&self) -> Result<Found, Missing> {
        let stage = self.heard()?;
        let pooled = repeatability(&self.curves.unit, self.index, &stage.fit)
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
            shortened_to: None,
            record: None,
            meaning: format!(
                "standard deviation of a note left and come back to, drift taken out, {:.0} degrees of freedom; the meter's own noise is in it",
                pooled.degrees_of_freedom
            ),
            draws: Vec::new(),
        })
    }
}
