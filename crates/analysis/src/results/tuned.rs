//! Results of a unit that is retuned or retrimmed: how wide it is in tune, how
//! often, how its octaves beat, and what two trimmers leave.

use super::{Found, Missing, Night};
use crate::curves::history::{Draws, History, RigPart};
use crate::readings::USUAL_LIMIT;
use crate::results::choice::Choice;
use crate::results::extremes::{extreme, left_after, widest_run};
use crate::results::warm_up::{Steady, USUAL_STAY_S, Watched};
use crate::statistics::minimax::half_range;
use crate::statistics::{middle_95, standard_deviation};
use crate::uncertainty::joint::stretched;
use crate::words::{counted, duration};
use model::pitch::ControlLaw;

impl Night<'_> {
    /// A number that is no maximum: the value seen, and the range of the draws.
    fn of_draws(
        (history, draws): (&History, &Draws),
        number: impl Fn(&[f64]) -> f64,
        limits: (f64, f64),
        meaning: String,
    ) -> Found {
        let seen = number(&history.smoothed);
        let drawn = |rig, most| draws.evaluate(&history.smoothed, rig, most, &number);
        let own = drawn(RigPart::Nothing, draws.count);
        let all = drawn(RigPart::AsDrawn, draws.count);
        let u = standard_deviation(&all);
        let own_u = standard_deviation(&own);
        let (lower, upper) = middle_95(&all);
        // Noise drawn around noise is biased; so is its mirror image, the other way.
        let mut low = lower.min(2.0 * seen - upper);
        let mut high = upper.max(2.0 * seen - lower);
        if draws.have_rig() {
            for gain in draws.gains_that_matter(&history.smoothed, &number) {
                let there = drawn(RigPart::WithGain(gain), draws.count.div_ceil(2));
                let (lower, upper) = middle_95(&there);
                let middle = number(&draws.with_gain(gain, &history.smoothed));
                low = low.min(lower).min(2.0 * middle - upper);
                high = high.max(upper).max(2.0 * middle - lower);
            }
        }
        let (low, high) = (low.max(limits.0), high.min(limits.1));
        let mut draws = stretched(all, low, high);
        for draw in &mut draws {
            *draw = draw.clamp(limits.0, limits.1);
        }
        Found {
            value: seen,
            u: Some(u),
            low: Some(low),
            high: Some(high),
            draws,
            rig_share: (u > 0.0).then(|| (1.0 - (own_u / u).powi(2)).clamp(0.0, 1.0)),
            ..Found::with(meaning)
        }
    }

    pub(super) fn in_tune_range(&self, choice: &Choice) -> Result<Found, Missing> {
        let (history, draws) = self.history()?;
        self.several_notes()?;
        let place = self.round_at(history, choice.at)?;
        let notes = history.x.len();
        let stretch = place * notes..(place + 1) * notes;
        let run = |values: &[f64]| widest_run(&values[stretch.clone()], &history.x, choice.limit);
        let (octaves, first, last) = run(&history.smoothed);
        let span = history.x[notes - 1] - history.x[0];
        let t = history.points[place].t;
        let whole = if octaves >= span - 1e-9 {
            ", all that was played"
        } else {
            ""
        };
        let meaning = format!(
            "{} to {}{whole}; within {} cents with the best retuning, {}",
            self.name_of(first),
            self.name_of(last),
            choice.limit,
            Self::at_words(choice.at, t),
        );
        let mut found = Self::of_draws(
            (history, draws),
            |values| run(values).0,
            (0.0, span),
            meaning,
        );
        found.t = Some(t);
        found.readings = history.points[place].readings;
        Ok(found)
    }

    pub(super) fn fraction_of_rounds(&self, choice: &Choice) -> Result<Found, Missing> {
        let (history, draws) = self.history()?;
        self.several_notes()?;
        let rounds = history.stage_points();
        let notes = history.x.len();
        let share = |values: &[f64]| {
            let within = rounds.iter().filter(|place| {
                half_range(&values[**place * notes..(**place + 1) * notes]) <= choice.limit
            });
            within.count() as f64 / rounds.len().max(1) as f64
        };
        let meaning = format!(
            "of {}, those whose {notes} notes one retuning puts within {} cents",
            counted(rounds.len(), "round"),
            choice.limit,
        );
        let mut found = Self::of_draws((history, draws), share, (0.0, 1.0), meaning);
        found.readings = Self::readings(history, &rounds);
        found.needs_until = Some(f64::INFINITY);
        Ok(found)
    }

    pub(super) fn worst_beats(&self, choice: &Choice) -> Result<Found, Missing> {
        let (history, draws) = self.history()?;
        let place = self.round_at(history, choice.at)?;
        let notes = history.x.len();
        let pairs: Vec<(usize, usize)> = (0..notes)
            .flat_map(|low| (low + 1..notes).map(move |high| (low, high)))
            .filter(|(low, high)| (history.x[*high] - history.x[*low] - 1.0).abs() < 1e-6)
            .collect();
        if pairs.is_empty() {
            return Err("no two of its notes are an octave apart".to_owned().into());
        }
        // The second harmonic of the lower against the upper.
        let hz = |values: &[f64], note: usize| {
            let octaves = history.x[note] + values[place * notes + note] / 1200.0;
            self.curves.unit.reference_hz * octaves.exp2()
        };
        let beat = |values: &[f64], (low, high): (usize, usize)| {
            (2.0 * hz(values, low) - hz(values, high)).abs()
        };
        let found = extreme(history, draws, |values| {
            pairs
                .iter()
                .map(|pair| beat(values, *pair))
                .fold(0.0, f64::max)
        });
        let worst = pairs
            .iter()
            .copied()
            .max_by(|a, b| beat(&history.smoothed, *a).total_cmp(&beat(&history.smoothed, *b)))
            .unwrap_or(pairs[0]);
        let t = history.points[place].t;
        let meaning = format!(
            "{} and {}, of {}; {}",
            self.name_of(worst.0),
            self.name_of(worst.1),
            counted(pairs.len(), "pair"),
            Self::at_words(choice.at, t),
        );
        let mut found = Self::of_extreme(found, meaning);
        found.t = Some(t);
        found.readings = history.points[place].readings;
        Ok(found)
    }

    /// The rounds that what is left after trimming is judged by, and in words which.
    pub(super) fn warm_rounds(&self, history: &History) -> Result<(Vec<usize>, String), Missing> {
        let all = history.stage_points();
        let steady = self.steady(Watched::ReferenceNote, USUAL_LIMIT, USUAL_STAY_S)?;
        Ok(match steady {
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
        })
    }

    /// What a trimmer of the scale does to each note: a slope in cents per octave,
    /// or under hertz per volt an offset of the voltage.
    pub(super) fn by_trimmer(&self, history: &History) -> Vec<f64> {
        match self.curves.unit.law {
            ControlLaw::VoltsPerOctave { .. } => history.x.clone(),
            ControlLaw::HertzPerVolt { .. } => {
                history.x.iter().map(|x| 1.0 - (-x).exp2()).collect()
            }
        }
    }

    /// The trimmer's name.
    pub(super) fn trimmer(&self) -> &'static str {
        match self.curves.unit.law {
            ControlLaw::VoltsPerOctave { .. } => "the scale trimmer",
            ControlLaw::HertzPerVolt { .. } => "the trimmer of the voltage's offset",
        }
    }

    pub(super) fn error_left_after_both_trimmers(&self) -> Result<Found, Missing> {
        let (history, draws) = self.history()?;
        self.several_notes()?;
        let stage = &self.curves.stages[&self.index].fit;
        if stage.hides_low_end {
            return Err(stage.low_end_words().into());
        }
        if !stage.named {
            return Err(
                "it takes five notes over four octaves to tell a high-end trimmer from the scale's"
                    .to_owned()
                    .into(),
            );
        }
        let (rounds, which) = self.warm_rounds(history)?;
        // A fitted curve of slope and high end leaves nothing of itself over.
        if rounds.len() < 2 {
            return Err(
                "two trimmers put one round right but for its linearity error; it takes several rounds to say what they leave over time"
                    .to_owned()
                    .into(),
            );
        }
        let by_trimmer = self.by_trimmer(history);
        // A high-end trimmer gives back what goes with the frequency.
        let bend: Vec<f64> = history.x.iter().map(|x| x.exp2() - 1.0).collect();
        let alone = left_after(history, draws, &[&by_trimmer], &rounds);
        let found = left_after(history, draws, &[&by_trimmer, &bend], &rounds).no_more_than(&alone);
        let meaning = format!(
            "one setting of {} and one of a high-end trimmer for {which}, retuned in each; with the first alone {:.2} cents",
            self.trimmer(),
            alone.value,
        );
        Ok(Self::of_rounds(found, history, &rounds, meaning))
    }

    /// The name of a note of the stage, as the plan writes it.
    fn name_of(&self, place: usize) -> String {
        let notes = &self.curves.stages[&self.index].fit.notes;
        self.note_name(notes[place]).to_owned()
    }
}
