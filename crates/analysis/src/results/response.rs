//! Results of what happens when the note changes.

use super::{Found, Missing, Night};
use crate::readings::settling::Heard;
use crate::results::choice::Choice;
use crate::results::hysteresis::hysteresis;
use crate::statistics::{quantile, standard_deviation};
use crate::uncertainty::shared_sources::TRIALS;
use crate::words::{cents, counted, duration, signed};

/// How near counts as settled unless a plan says otherwise, in cents.
const USUAL_BAND: f64 = 1.0;
/// Draws of an overshoot.
const DRAWS: usize = 1000;

impl Night<'_> {
    pub(super) fn settling_time(&self, choice: &Choice) -> Result<Found, Missing> {
        let response = &self.heard()?.response;
        let band = choice.band.unwrap_or(USUAL_BAND);
        // One that did not settle while it was listened to took longer than any that did.
        let end = |heard: &Heard| heard.settled(band).map_or(f64::INFINITY, |(_, by)| by);
        let longest = response
            .heard
            .iter()
            .filter(|heard| !heard.windows.is_empty())
            .max_by(|a, b| end(a).total_cmp(&end(b)));
        if let Some(heard) = longest {
            if heard.scatter > band / 2.0 {
                return Err(format!(
                    "later windows of {:.0} ms scatter by {:.2} cents, too much for a band of {}",
                    heard.hop * 1e3,
                    heard.scatter,
                    cents(band)
                )
                .into());
            }
            if heard.slid.abs() > band {
                return Err(format!(
                    "the pitch does not come to rest: while it was listened to it still slid by {} cents, and the band is {}",
                    signed(heard.slid),
                    cents(band)
                )
                .into());
            }
            let meaning = format!(
                "within {} of its later value, heard from the beginning in windows of {:.0} ms; the longest of {}",
                cents(band),
                heard.hop * 1e3,
                counted(response.heard.len(), "change"),
            );
            let Some((from, by)) = heard.settled(band) else {
                let record = heard.windows.last().map_or(0.0, |(end, _)| *end);
                return Err(Missing::NotReached {
                    why: format!(
                        "a change was not within {} of its later value by {}",
                        cents(band),
                        duration(record)
                    ),
                    meaning,
                    low: record,
                    record,
                    draws: vec![f64::INFINITY; TRIALS],
                });
            };
            return Ok(Found {
                value: f64::midpoint(from, by),
                // Anywhere between the two windows.
                u: Some((by - from) / 12f64.sqrt()),
                low: Some(from),
                high: Some(by),
                readings: response.heard.iter().map(|heard| heard.windows.len()).sum(),
                needs_until: Some(f64::INFINITY),
                ..Found::with(meaning)
            });
        }
        let within = self.until_steady.filter(|_| !response.waited.is_empty());
        let Some(within) = within else {
            return Err(self.not_heard(response.late).into());
        };
        let all = counted(response.waited.len(), "change");
        let longest = response
            .waited
            .iter()
            .map(|waited| waited.0)
            .fold(0.0, f64::max);
        let unsteady = response.waited.iter().filter(|waited| !waited.1).count();
        let meaning = format!(
            "no longer than this: by then the pitch no longer moved by more than {} from one short listen to the next, on any unit; the longest of {all}",
            cents(within)
        );
        if choice.band.is_some_and(|band| band < within) {
            return Err(format!(
                "the plan goes on when the pitch moves by less than {}, so nothing is known of less",
                cents(within)
            )
            .into());
        }
        if unsteady > 0 {
            return Err(Missing::NotReached {
                why: format!("{unsteady} of {all} were not steady by the time the plan allows"),
                meaning,
                low: longest,
                record: longest,
                draws: vec![f64::INFINITY; TRIALS],
            });
        }
        Ok(Found {
            value: longest,
            low: Some(0.0),
            high: Some(longest),
            readings: response.waited.len(),
            needs_until: Some(f64::INFINITY),
            ..Found::with(meaning)
        })
    }

    /// Why nothing is known of the first moments of a note.
    fn not_heard(&self, late: Option<f64>) -> String {
        late.map_or_else(
            || "each note is waited for so long before it is listened to; use until_steady, or a hold with settle: {fixed: 0 s}".to_owned(),
            |late| {
                format!(
                    "the hold is first listened to {} after its note is played; use settle: {{fixed: 0 s}}",
                    duration(late)
                )
            },
        )
    }

    pub(super) fn overshoot(&self) -> Result<Found, Missing> {
        let response = &self.heard()?.response;
        if response.heard.is_empty() {
            let why = if response.late.is_some() {
                self.not_heard(response.late)
            } else {
                "it takes a note that is listened to from the beginning; use a hold with settle: {fixed: 0 s} and a short hop".to_owned()
            };
            return Err(why.into());
        }
        let known: Vec<_> = response
            .heard
            .iter()
            .filter(|heard| heard.way != 0.0)
            .collect();
        if known.is_empty() {
            return Err(
                "the note before it is not known, and so not which way is beyond"
                    .to_owned()
                    .into(),
            );
        }
        // The largest of many windows is too large by what the largest of so much
        // noise is; there is no curve to take it of instead.
        let mut trials = self.trials("overshoot");
        let seen = known
            .iter()
            .flat_map(|heard| heard.windows.iter().map(|(_, off)| heard.way * off))
            .fold(0.0, f64::max);
        let scatter = known.iter().map(|heard| heard.scatter).fold(0.0, f64::max);
        let wandered = known.iter().map(|heard| heard.wandered).fold(0.0, f64::max);
        let windows: usize = known.iter().map(|heard| heard.windows.len()).sum();
        let mut noise: Vec<f64> = (0..DRAWS)
            .map(|_| {
                (0..windows)
                    .map(|_| scatter * trials.normal())
                    .fold(0.0, f64::max)
            })
            .collect();
        noise.sort_by(f64::total_cmp);
        let meaning = format!(
            "beyond its later value, after {}; {seen:.2} cents of a single window of {:.0} ms",
            counted(known.len(), "change"),
            known[0].hop * 1e3,
        );
        Ok(Found {
            value: (seen - quantile(&noise, 0.5)).max(0.0),
            u: Some(scatter.hypot(standard_deviation(&noise)).hypot(wandered)),
            low: Some((seen - quantile(&noise, 0.975).hypot(2.0 * wandered)).max(0.0)),
            high: Some(seen + 2.0 * scatter.hypot(wandered)),
            readings: windows,
            needs_until: Some(f64::INFINITY),
            ..Found::with(meaning)
        })
    }

    pub(super) fn hysteresis(&self) -> Result<Found, Missing> {
        let stage = self.heard()?;
        let found = hysteresis(&self.curves.unit, self.index, &stage.fit)?;
        let reach = crate::statistics::chi_square::student(found.freedom, 0.975) * found.u;
        let (note, cents) = found.largest;
        Ok(Found {
            value: found.mean,
            u: Some(found.u),
            low: Some(found.mean - reach),
            high: Some(found.mean + reach),
            readings: 2 * found.pairs,
            needs_until: Some(f64::INFINITY),
            ..Found::with(format!(
                "from above less from below, drift taken out; mean of {}; largest at {}, {} cents",
                counted(found.pairs, "pair"),
                self.note_name(note),
                signed(cents),
            ))
        })
    }
}
