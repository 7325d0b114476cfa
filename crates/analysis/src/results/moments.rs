//! Results of one moment.

use super::{Found, Missing, Night};
use crate::curves::history::History;
use crate::curves::moment::{MomentOf, notes_of_two_note_slope};
use crate::curves::tracking::CENTS_PER_E;
use crate::results::choice::Choice;
use crate::results::extremes::extreme;
use crate::results::linearity::linearity;
use crate::statistics::minimax::half_range;
use crate::uncertainty::joint::stretched;
use crate::words::{counted, number, signed};
use model::document::plan::Moment;
use model::result::ResultName;

impl Night<'_> {
    pub(super) fn of_moment(&self, name: ResultName, choice: &Choice) -> Result<Found, Missing> {
        let shared = self
            .curves
            .shared(self.index)
            .ok_or_else(|| self.nothing())?;
        let moment = self.moment(choice.at).ok_or_else(|| self.nothing())?;
        let pair = match name {
            ResultName::TwoNoteSlope => Some(notes_of_two_note_slope(
                &self.curves.unit,
                shared.stage,
                choice.between,
            )?),
            _ => None,
        };
        let of = MomentOf::new(name, pair);
        let moment = moment + self.origin_s();
        let found = match of.at(&shared, moment) {
            Ok(found) => found,
            Err(why) => return Err(self.none_stands_out(of, moment, why)),
        };
        let t = found.t - self.origin_s();
        let (low, high, draws) = if self.for_share {
            (0.0, 0.0, Vec::new())
        } else {
            let which = format!("{name} {choice:?}");
            let (low, high) = found
                .sources
                .interval(&mut self.trials(&format!("interval of {which}")));
            let mut draws = found.sources.draws(&self.sources, &mut self.trials(&which));
            draws.iter_mut().for_each(|draw| *draw += found.value);
            let draws = stretched(draws, found.value + low, found.value + high);
            (low, high, draws)
        };
        let u = found.sources.u();
        let lowest = shared.stage.notes[0];
        let highest = shared.stage.notes[shared.stage.notes.len() - 1];
        let span = format!("{} to {}", self.note_name(lowest), self.note_name(highest));
        let mut meaning = match name {
            ResultName::ScaleError => {
                format!("slope over {span} with the high end taken out")
            }
            ResultName::HighEnd => {
                let kilohertz = self.curves.unit.reference_hz * 1e-3;
                let octaves = self.curves.unit.notes[highest].x;
                let per_khz = found.value / (octaves.exp2() - 1.0) / kilohertz;
                // 1731 cents are a factor of e; a delay t per cycle costs f t of it.
                let delay_us = -per_khz / CENTS_PER_E * 1e3;
                format!(
                    "at {}; {} cents per kHz, as a delay of {delay_us:.2} \u{b5}s in every cycle makes it",
                    self.note_name(highest),
                    number(per_khz, Some(u / (octaves.exp2() - 1.0).abs() / kilohertz)),
                )
            }
            ResultName::LowEnd => {
                let kilohertz = self.curves.unit.reference_hz * 1e-3;
                let bottom = self.curves.unit.notes[lowest].x.exp2();
                // A factor of e is 1731 cents; what leaks is a frequency all notes share.
                let leak_hz = (found.value / CENTS_PER_E).exp_m1() * bottom * kilohertz * 1e3;
                format!(
                    "at {}; as leakage worth {leak_hz:.3} Hz at every note makes it",
                    self.note_name(lowest)
                )
            }
            ResultName::VoltageOffset => {
                format!(
                    "as if so much were added to the control voltage, from {span}; what is left when the gain is retuned"
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
            ", {}, from {}",
            Self::at_words(choice.at, t),
            counted(found.rounds, "round")
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
            shortened_to: None,
            record: None,
            meaning,
            draws,
        })
    }

    /// Why there is no number; of a low end that does not stand out, what it lies between
    /// all the same, which is enough to pass a tolerance.
    fn none_stands_out(&self, of: MomentOf, moment: f64, why: String) -> Missing {
        let not_there = MomentOf {
            not_there: true,
            ..of
        };
        let bounds = self
            .curves
            .shared(self.index)
            .filter(|_| of.name == ResultName::LowEnd)
            .and_then(|shared| not_there.at(&shared, moment).ok())
            .map(|found| {
                let (low, high) = found
                    .sources
                    .interval(&mut self.trials("interval of a low end that is not there"));
                (found.value + low, found.value + high)
            });
        match bounds {
            Some((low, high)) => Missing::Within { why, low, high },
            None => Missing::CannotSay(why),
        }
    }

    /// The round of the stage that is nearest to a moment.
    pub(super) fn round_at(&self, history: &History, at: Moment) -> Result<usize, Missing> {
        let moment = self.moment(at).ok_or_else(|| self.nothing())?;
        let off = |place: &usize| (history.points[*place].t - moment).abs();
        Ok(history
            .stage_points()
            .into_iter()
            .min_by(|a, b| off(a).total_cmp(&off(b)))
            .ok_or_else(|| self.nothing())?)
    }

    pub(super) fn linearity_error(&self) -> Result<Found, Missing> {
        let shared = self
            .curves
            .shared(self.index)
            .ok_or_else(|| self.nothing())?;
        let mut trials = self.trials("linearity error");
        let found = linearity(&shared, &self.sources, self.for_share, &mut trials)?;
        let (place, cents) = found.at;
        let meaning = format!(
            "largest at {}, where it is {} cents, off the unit's own curve through {} notes, mean of {}; rms {:.2} cents with {:.1} degrees of freedom a round",
            self.note_name(shared.stage.notes[place]),
            signed(cents),
            shared.stage.notes.len(),
            counted(found.rounds, "round"),
            found.rms,
            found.freedom_per_round,
        );
        let mut outcome = Self::of_extreme(found.largest, meaning);
        outcome.readings = found.readings;
        outcome.needs_until = Some(f64::INFINITY);
        Ok(outcome)
    }

    pub(super) fn error_left_after_retuning(&self, choice: &Choice) -> Result<Found, Missing> {
        let (history, draws) = self.history()?;
        self.several_notes()?;
        let place = self.round_at(history, choice.at)?;
        let notes = history.x.len();
        let stretch = place * notes..(place + 1) * notes;
        let found = extreme(history, draws, |values| {
            half_range(&values[stretch.clone()])
        });
        let t = history.points[place].t;
        let raw = half_range(history.points[place].y.as_slice());
        let meaning = format!(
            "largest deviation over {notes} notes with the best retuning, {}; {:.2} cents of that round alone",
            Self::at_words(choice.at, t),
            raw,
        );
        let mut found = Self::of_extreme(found, meaning);
        found.t = Some(t);
        found.readings = history.points[place].readings;
        Ok(found)
    }
}
