//! Times: from when on something is as it should be.

use super::{Found, Missing, Night};
use crate::results::choice::Choice;
use crate::results::warm_up::{Steady, Watched, stay, tuning_holds_from};
use crate::statistics::standard_deviation;
use crate::words::duration;

impl Night<'_> {
    pub(super) fn time(&self, watched: Watched, choice: &Choice) -> Result<Found, Missing> {
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
        let shortened_to = (stay_s < choice.stay).then_some(record);
        if shortened_to.is_some() {
            meaning += &format!(
                " (the record of {} is too short for {})",
                duration(record),
                duration(choice.stay)
            );
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
                draws,
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
                // Not known where it is not known what it comes to stay near.
                let draws = if self.for_share || maybe_moving {
                    Vec::new()
                } else {
                    let mut own = self.trials(&format!("{watched:?} {choice:?}"));
                    // What the draws of the curve do not have: how it runs between rounds.
                    let reached: Vec<f64> =
                        draws.iter().copied().filter(|t| t.is_finite()).collect();
                    let drawn = standard_deviation(&reached);
                    let between = u.map_or(0.0, |u| (u * u - drawn * drawn).max(0.0).sqrt());
                    // What was so in the first round already was so at some time before it.
                    let first = history.points[0].t;
                    let within = |t: &f64| {
                        if *t <= first {
                            0.5 * first * (1.0 + own.within(1.0))
                        } else {
                            (t + between * own.normal()).max(0.0)
                        }
                    };
                    draws.iter().map(within).collect()
                };
                Ok(Found {
                    value: t,
                    u,
                    low: Some(low),
                    high,
                    t: None,
                    readings: history.points.iter().map(|point| point.readings).sum(),
                    rig_share: None,
                    needs_until: Some(t + stay_s),
                    shortened_to,
                    record: Some(record),
                    meaning,
                    draws,
                })
            }
            Steady::NotReached { why, low, draws } => Err(Missing::NotReached {
                why,
                meaning,
                low,
                record,
                draws,
            }),
            Steady::CannotSay { why } => Err(why.into()),
        }
    }
}
