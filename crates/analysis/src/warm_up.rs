//! When a unit is warm and when it is ready: the first time from which a curve
//! stays where it should for a stated time.

use crate::extremes::half_range;
use crate::history::{Draws, History};
use crate::statistics::{quantile, standard_deviation};

/// The stay that is asked for unless a plan says otherwise, in seconds.
pub(crate) const USUAL_STAY_S: f64 = 7200.0;
/// The limit that is meant unless a plan says otherwise, in cents.
pub(crate) const USUAL_LIMIT: f64 = 3.0;
/// Fewer rounds than this cannot show that anything stays.
const LEAST_ROUNDS: usize = 6;
/// The closing stretch has at least so many rounds.
const CLOSING_ROUNDS: usize = 5;

/// What stays within what.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Watched {
    /// The reference note near where it stands at the end of the record.
    ReferenceNote,
    /// The error left after retuning within the limit.
    ErrorLeft,
}

/// A time that was asked for.
#[derive(Debug, Clone, PartialEq)]
pub(crate) enum Steady {
    /// It was reached.
    From {
        t: f64,
        u: Option<f64>,
        low: f64,
        /// `None` when draws often do not reach it within the record.
        high: Option<f64>,
        /// The round from which it stays.
        point: usize,
        /// Whether the closing stretch may still be moving.
        maybe_moving: bool,
        /// The time in each joint draw; infinite where it is not reached in it.
        draws: Vec<f64>,
    },
    /// Not within the record; `low` is the earliest time that can be right all the
    /// same, and the length of the record where none can.
    NotReached {
        why: String,
        low: f64,
        draws: Vec<f64>,
    },
    /// The record cannot say.
    CannotSay { why: String },
}

/// The stay that a record allows: what is asked, at most half the record.
pub(crate) fn stay(asked: f64, history: &History) -> f64 {
    asked.min(history.points.last().map_or(0.0, |point| point.t.max(0.0)) / 2.0)
}

/// The first round from which `margins` stay at or above zero for `stay`, and the
/// time of the crossing before it.
fn stays_from(times: &[f64], margins: &[f64], stay: f64) -> Option<(usize, f64)> {
    let last = *times.last()?;
    let mut next_outside = vec![f64::INFINITY; times.len()];
    let mut outside = f64::INFINITY;
    for place in (0..times.len()).rev() {
        if margins[place] < 0.0 {
            outside = times[place];
        }
        next_outside[place] = outside;
    }
    let place = (0..times.len()).find(|&place| {
        let until = times[place] + stay;
        margins[place] >= 0.0 && next_outside[place] > until && until <= last + 1e-6
    })?;
    if place == 0 {
        return Some((0, times[0]));
    }
    let (before, after) = (margins[place - 1], margins[place]);
    let share = if before < after {
        -before / (after - before)
    } else {
        1.0
    };
    let from = times[place - 1];
    Some((place, from + (times[place] - from) * share.clamp(0.0, 1.0)))
}

/// The rounds of the closing stretch: the last quarter of the stay, and never fewer
/// than five.
fn closing(times: &[f64], stay: f64) -> usize {
    let last = times.last().copied().unwrap_or(0.0);
    let by_time = times
        .iter()
        .position(|time| *time >= last - stay / 4.0)
        .unwrap_or(0);
    by_time.min(times.len().saturating_sub(CLOSING_ROUNDS))
}

/// By how much all rounds stay within the limit.
fn margins(
    history: &History,
    values: &[f64],
    watched: Watched,
    limit: f64,
    closing: usize,
) -> Vec<f64> {
    let notes = history.x.len();
    match watched {
        Watched::ErrorLeft => values
            .chunks_exact(notes)
            .map(|round| limit - half_range(round))
            .collect(),
        Watched::ReferenceNote => {
            let reference = history.reference.unwrap_or(0);
            let series: Vec<f64> = values
                .chunks_exact(notes)
                .map(|round| round[reference])
                .collect();
            let later = &series[closing.min(series.len() - 1)..];
            let later = later.iter().sum::<f64>() / later.len() as f64;
            series
                .iter()
                .map(|value| limit - (value - later).abs())
                .collect()
        }
    }
}

/// Finds from when on what is watched stays within `limit` for `stay` seconds.
/// The interval is that of the crossing over all draws, widened to the two rounds
/// it lies between.
pub(crate) fn steady(
    history: &History,
    draws: &Draws,
    watched: Watched,
    limit: f64,
    stay: f64,
) -> Steady {
    let times = history.times();
    if times.len() < LEAST_ROUNDS {
        return Steady::CannotSay {
            why: format!(
                "{} rounds since t = 0 are too few to see anything settle; it takes {LEAST_ROUNDS}",
                times.len()
            ),
        };
    }
    if watched == Watched::ReferenceNote && history.reference.is_none() {
        return Steady::CannotSay {
            why: "the reference note was not played".to_owned(),
        };
    }
    if watched == Watched::ErrorLeft && history.x.len() < 2 {
        return Steady::CannotSay {
            why: "only one note was played: retuning leaves nothing of it".to_owned(),
        };
    }
    let closing = closing(&times, stay);
    let record = times[times.len() - 1];
    let times_drawn = draws.evaluate(&history.smoothed, true, draws.count, |values| {
        stays_from(
            &times,
            &margins(history, values, watched, limit, closing),
            stay,
        )
        .map_or(f64::INFINITY, |(_, t)| t)
    });
    let mut drawn = times_drawn.clone();
    drawn.sort_by(f64::total_cmp);
    let mut maybe_moving = false;
    if watched == Watched::ReferenceNote {
        let series = history.raw(history.reference.unwrap_or(0));
        let (change, u) = change_over(&times[closing..], &series[closing..]);
        if change.abs() - 2.0 * u > limit / 4.0 {
            let why = format!(
                "over the last {} of the record it still changed by {:.2} cents, more than a quarter of the limit",
                crate::words::duration(record - times[closing]),
                change.abs(),
            );
            return Steady::NotReached {
                why,
                low: record,
                draws: vec![f64::INFINITY; times_drawn.len()],
            };
        }
        maybe_moving = change.abs() + 2.0 * u > limit / 4.0;
    }
    let seen = margins(history, &history.smoothed, watched, limit, closing);
    let Some((point, t)) = stays_from(&times, &seen, stay) else {
        let mut why = last_value(history, watched, limit, &seen);
        let low = quantile(&drawn, 0.025).min(record);
        if low < record {
            why += "; within the uncertainty it may have been";
        }
        return Steady::NotReached {
            why,
            low,
            draws: times_drawn,
        };
    };
    let bracket = if point == 0 {
        (0.0, times[0])
    } else {
        (times[point - 1], times[point])
    };
    let low = quantile(&drawn, 0.025).min(bracket.0.max(0.0)).min(t);
    let high = quantile(&drawn, 0.975).max(bracket.1).max(t);
    let reached: Vec<f64> = drawn.iter().copied().filter(|t| t.is_finite()).collect();
    let u = standard_deviation(&reached).hypot((bracket.1 - bracket.0) / 12f64.sqrt());
    let open = !high.is_finite() || maybe_moving;
    Steady::From {
        t,
        u: (!open).then_some(u),
        low,
        high: (!open).then_some(high),
        point,
        maybe_moving,
        draws: times_drawn,
    }
}

/// The earliest round from which a tuning done there holds for the stay: every
/// note within the limit of where the reference note stood.
pub(crate) fn tuning_holds_from(history: &History, limit: f64, stay: f64) -> Option<f64> {
    let times = history.times();
    let notes = history.x.len();
    let reference = history.reference?;
    let last = *times.last()?;
    (0..times.len())
        .find(|&from| {
            times[from] + stay <= last + 1e-6
                && (from..times.len())
                    .take_while(|&place| times[place] <= times[from] + stay)
                    .all(|place| {
                        let tuned = history.smoothed[from * notes + reference];
                        history.smoothed[place * notes..(place + 1) * notes]
                            .iter()
                            .all(|value| (value - tuned).abs() <= limit)
                    })
        })
        .map(|place| times[place])
}

/// What is said when it is not reached.
fn last_value(history: &History, watched: Watched, limit: f64, margins: &[f64]) -> String {
    let record = crate::words::duration(history.points.last().map_or(0.0, |point| point.t));
    match watched {
        Watched::ErrorLeft => format!(
            "not within {record}: the error left after retuning was {:.1} cents in the last round, and the limit is {limit} cents",
            limit - margins.last().copied().unwrap_or(0.0),
        ),
        Watched::ReferenceNote => format!(
            "not within {record}: the reference note did not stay within {limit} cents of its later value for long enough"
        ),
    }
}

/// How much a straight line through values changes from first to last, and its
/// standard uncertainty.
fn change_over(times: &[f64], values: &[f64]) -> (f64, f64) {
    let n = times.len() as f64;
    let mean_t = times.iter().sum::<f64>() / n;
    let mean = values.iter().sum::<f64>() / n;
    let spread: f64 = times.iter().map(|t| (t - mean_t).powi(2)).sum();
    if times.len() < 3 || spread <= 0.0 {
        return (0.0, f64::INFINITY);
    }
    let slope: f64 = times
        .iter()
        .zip(values)
        .map(|(t, v)| (t - mean_t) * (v - mean))
        .sum::<f64>()
        / spread;
    let squares: f64 = times
        .iter()
        .zip(values)
        .map(|(t, v)| (v - mean - slope * (t - mean_t)).powi(2))
        .sum();
    let length = times[times.len() - 1] - times[0];
    (
        slope * length,
        (squares / (n - 2.0) / spread).sqrt() * length,
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn staying_is_told_from_passing_through() {
        let times: Vec<f64> = (0..10).map(f64::from).collect();
        // Inside at 2, out again at 4, in for good between 6 and 7.
        let margins = [-1.0, -0.5, 0.5, 0.5, -1.0, -1.0, -0.5, 0.5, 1.0, 1.0];
        assert_eq!(stays_from(&times, &margins, 2.0), Some((7, 6.5)));
        assert_eq!(stays_from(&times, &margins, 1.0), Some((2, 1.5)));
        // The record ends before the stay does.
        assert_eq!(stays_from(&times, &margins, 3.0), None);
        assert_eq!(stays_from(&times, &[1.0; 10], 3.0), Some((0, 0.0)));
        assert_eq!(stays_from(&[], &[], 3.0), None);
    }
}
