//! When a unit is warm and when it is ready: the first time from which a curve
//! stays where it should for a stated time.

use crate::curves::history::{Draws, History, RigPart};
use crate::statistics::drift::{Apart, wander_between};
use crate::statistics::minimax::half_range;
use crate::statistics::trials::Trials;
use crate::statistics::{middle_95, quantile, standard_deviation};
use model::result::{NotDetermined, NotReached, Rounds};

/// Fewer rounds than this cannot show that anything stays.
const LEAST_ROUNDS: usize = 6;
/// The closing stretch has at least so many rounds.
const CLOSING_ROUNDS: usize = 5;

/// What is left of warming is nothing to speak of after so many times the warm-up time: of
/// 3 cents that were 20 in the beginning, a hundredth of a cent.
const WARM_SINCE: f64 = 4.0;
/// How the unit wanders is judged by at least so many rounds.
const ROUNDS_FOR_WANDER: usize = 12;

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
        why: NotDetermined,
        low: f64,
        draws: Vec<f64>,
    },
    /// The record cannot say.
    CannotSay { why: NotDetermined },
}

/// The stay that a record allows: what is asked, at most half the record.
pub(crate) fn stay(asked: f64, history: &History) -> f64 {
    asked.min(history.points.last().map_or(0.0, |point| point.t.max(0.0)) / 2.0)
}

/// The first round from which `margins` stay at or above zero for `stay`.
fn stays_from(times: &[f64], margins: &[f64], stay: f64) -> Option<usize> {
    let last = *times.last()?;
    let mut next_outside = vec![f64::INFINITY; times.len()];
    let mut outside = f64::INFINITY;
    for place in (0..times.len()).rev() {
        if margins[place] < 0.0 {
            outside = times[place];
        }
        next_outside[place] = outside;
    }
    (0..times.len()).find(|&place| {
        let until = times[place] + stay;
        margins[place] >= 0.0 && next_outside[place] > until && until <= last + 1e-6
    })
}

/// When margins cross zero before the round at `place`: on a straight line from the
/// round before, and on a curve that has in each round the slope of its neighbours.
fn crossing(times: &[f64], margins: &[f64], place: usize) -> (f64, f64) {
    let Some(before) = place.checked_sub(1) else {
        return (times[0], times[0]);
    };
    let (from, length) = (times[before], times[place] - times[before]);
    let (at, to) = (margins[before], margins[place]);
    if at >= 0.0 || to <= at || length <= 0.0 {
        return (times[place], times[place]);
    }
    let straight = from + length * (-at / (to - at)).clamp(0.0, 1.0);
    // Cubic Hermite interpolation; slopes of a parabola through three rounds.
    let slope = |middle: usize| {
        let chord = |a: usize, b: usize| (margins[b] - margins[a]) / (times[b] - times[a]);
        if middle == 0 || middle + 1 >= times.len() {
            return (to - at) / length;
        }
        let (left, right) = (chord(middle - 1, middle), chord(middle, middle + 1));
        let (near, far) = (
            times[middle] - times[middle - 1],
            times[middle + 1] - times[middle],
        );
        (left * far + right * near) / (near + far)
    };
    let (begins, ends) = (slope(before) * length, slope(place) * length);
    if !(begins.is_finite() && ends.is_finite()) {
        return (straight, straight);
    }
    let value = |s: f64| {
        let (square, cube) = (s * s, s * s * s);
        at * (2.0 * cube - 3.0 * square + 1.0)
            + begins * (cube - 2.0 * square + s)
            + to * (3.0 * square - 2.0 * cube)
            + ends * (cube - square)
    };
    let (mut below, mut above) = (0.0, 1.0);
    for _ in 0..40 {
        let middle = f64::midpoint(below, above);
        if value(middle) < 0.0 {
            below = middle;
        } else {
            above = middle;
        }
    }
    (straight, from + length * above)
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
///
/// The interval is that of the crossing over all draws, as much wider as two ways of
/// drawing the curve between its rounds differ, and as the reference note wanders by
/// itself, of which `trials` are the unit's own in this run. Where rounds lie too far
/// apart for any curve, or the pitch jumped there, it reaches from the last round that is
/// known to be outside to the first that is known to be inside.
pub(crate) fn steady(
    history: &History,
    draws: &Draws,
    watched: Watched,
    limit: f64,
    stay: f64,
    trials: &mut Trials,
) -> Steady {
    let times = history.times();
    if times.len() < LEAST_ROUNDS {
        return Steady::CannotSay {
            why: NotDetermined::TooFewRounds {
                to: Rounds::Settling,
                have: times.len(),
                takes: LEAST_ROUNDS,
            },
        };
    }
    if watched == Watched::ReferenceNote && history.reference.is_none() {
        return Steady::CannotSay {
            why: NotDetermined::ReferenceNeverPlayed,
        };
    }
    let closing = closing(&times, stay);
    let record = times[times.len() - 1];
    let no_room = vec![0.0; times.len()];
    let reached = |values: &[f64], room: &[f64]| {
        let mut margins = margins(history, values, watched, limit, closing);
        for (margin, room) in margins.iter_mut().zip(room) {
            *margin += room;
        }
        stays_from(&times, &margins, stay)
            .map_or(f64::INFINITY, |place| crossing(&times, &margins, place).1)
    };
    let evaluated = |rig| {
        draws.evaluate(&history.smoothed, rig, draws.count, |values| {
            reached(values, &no_room)
        })
    };
    let mut times_drawn = evaluated(RigPart::AsDrawn);
    let seen = margins(history, &history.smoothed, watched, limit, closing);
    let point = stays_from(&times, &seen, stay);
    if watched == Watched::ReferenceNote
        && let Some(point) = point.filter(|point| *point > 0)
    {
        let t = crossing(&times, &seen, point).1;
        // By how much it is off for each cent that the pitch has wandered since.
        let per_cent = (times[point] - times[point - 1]) / (seen[point] - seen[point - 1]).abs();
        let wandered = wandered(history, t, closing).draws(times_drawn.len(), trials);
        for (drawn, wandered) in times_drawn.iter_mut().zip(wandered) {
            if drawn.is_finite() && *drawn > times[0] {
                *drawn = (*drawn + per_cent * wandered).max(0.0);
            }
        }
    }
    let (mut earliest, mut latest) = middle_95(&times_drawn);
    if draws.have_rig() {
        let (least, most) = match watched {
            Watched::ErrorLeft => draws.reach(&history.smoothed, reached),
            // It stays where it is whatever the gain.
            Watched::ReferenceNote => middle_95(&evaluated(RigPart::WithGain(0.0))),
        };
        (earliest, latest) = (earliest.min(least), latest.max(most));
    }
    // What was so in the first round already was so at some time before it.
    if earliest <= times[0] {
        earliest = 0.0;
    }
    let mut maybe_moving = false;
    if watched == Watched::ReferenceNote {
        let series = history.raw(history.reference.unwrap_or(0));
        let (change, u) = change_over(&times[closing..], &series[closing..]);
        if change.abs() - 2.0 * u > limit / 4.0 {
            return Steady::NotReached {
                why: NotDetermined::StillMoving {
                    over_s: record - times[closing],
                    cents: change.abs(),
                },
                low: record,
                draws: vec![f64::INFINITY; times_drawn.len()],
            };
        }
        maybe_moving = change.abs() + 2.0 * u > limit / 4.0;
    }
    let Some(point) = point else {
        let low = earliest.min(record);
        return Steady::NotReached {
            why: NotDetermined::NotReached(match watched {
                Watched::ErrorLeft => NotReached::Ready {
                    record_s: record,
                    limit,
                    last: limit - seen.last().copied().unwrap_or(0.0),
                    perhaps: low < record,
                },
                Watched::ReferenceNote => NotReached::Warm {
                    record_s: record,
                    limit,
                    perhaps: low < record,
                },
            }),
            low,
            draws: times_drawn,
        };
    };
    let (straight, t) = crossing(&times, &seen, point);
    let bracket = if point == 0 {
        (0.0, times[0])
    } else {
        (times[point - 1], times[point])
    };
    let finite = times_drawn.iter().copied();
    let finite: Vec<f64> = finite.filter(|t| t.is_finite()).collect();
    let drawing = (t - straight).abs();
    let (mut low, mut high) = (
        t - (t - earliest).max(0.0).hypot(1.96 * drawing),
        t + (latest - t).max(0.0).hypot(1.96 * drawing),
    );
    let mut u = standard_deviation(&finite).hypot(drawing);
    if point == 0 || is_gap(&times, point) || jumps(history, watched, point, limit) {
        low = low.min(bracket.0);
        high = high.max(bracket.1);
        // A rectangle (GUM 4.3.7).
        u = u.hypot((bracket.1 - bracket.0) / 12f64.sqrt());
    }
    low = low.max(0.0);
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

/// How far the reference note may have wandered by itself between a time and the closing
/// stretch, in cents, as far as the warm part of the record shows.
fn wandered(history: &History, t: f64, closing: usize) -> Apart {
    let times = history.times();
    let record = times[times.len() - 1];
    let warm = times.partition_point(|time| *time < (WARM_SINCE * t).max(record / 4.0));
    let warm = warm.min(times.len().saturating_sub(ROUNDS_FOR_WANDER));
    let series = history.raw(history.reference.unwrap_or(0));
    let own = history.own_variance(history.reference.unwrap_or(0), warm);
    wander_between(&times[warm..], &series[warm..], own, t, &times[closing..])
}

/// Whether the rounds before and at `point` lie much further apart than those next to them.
fn is_gap(times: &[f64], point: usize) -> bool {
    let apart = |place: usize| Some(times.get(place)? - times.get(place.checked_sub(1)?)?);
    let next_to = [point.checked_sub(1).and_then(apart), apart(point + 1)];
    let longest = next_to.into_iter().flatten().fold(0.0, f64::max);
    apart(point).is_some_and(|length| length > 2.5 * longest)
}

/// Whether what is watched changed so suddenly around `point` that a smooth curve says
/// nothing of when: left out, a round next to it is missed by more than noise and by more
/// than a quarter of the limit.
fn jumps(history: &History, watched: Watched, point: usize, limit: f64) -> bool {
    let notes: Vec<usize> = match watched {
        Watched::ReferenceNote => history.reference.into_iter().collect(),
        Watched::ErrorLeft => (0..history.x.len()).collect(),
    };
    notes.into_iter().any(|note| {
        let missed = history.smoother.left_out(&history.raw(note));
        let mut sorted: Vec<f64> = missed.iter().map(|missed| missed.abs()).collect();
        sorted.sort_by(f64::total_cmp);
        // The median of |noise| is 0.6745 standard deviations.
        let noise = quantile(&sorted, 0.5) / 0.6745;
        missed[point.saturating_sub(1)..=point]
            .iter()
            .any(|missed| missed.abs() > (5.0 * noise).max(limit / 4.0))
    })
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
        assert_eq!(stays_from(&times, &margins, 2.0), Some(7));
        assert_eq!(crossing(&times, &margins, 7).0, 6.5);
        assert_eq!(stays_from(&times, &margins, 1.0), Some(2));
        // The record ends before the stay does.
        assert_eq!(stays_from(&times, &margins, 3.0), None);
        assert_eq!(stays_from(&times, &[1.0; 10], 3.0), Some(0));
        assert_eq!(crossing(&times, &[1.0; 10], 0), (0.0, 0.0));
        assert_eq!(stays_from(&[], &[], 3.0), None);
    }
    #[test]
    fn a_bent_curve_is_crossed_where_it_is() {
        // 24 cents that go with a time constant of 900 s come within 3 at 900 ln 8 s.
        let times: Vec<f64> = (0..12).map(|round| f64::from(round) * 600.0).collect();
        let margins: Vec<f64> = times
            .iter()
            .map(|t| 3.0 - 24.0 * (-t / 900.0).exp())
            .collect();
        let truth = 900.0 * 8f64.ln();
        let point = stays_from(&times, &margins, 1800.0).unwrap();
        let (straight, bent) = crossing(&times, &margins, point);
        assert!((bent - truth).abs() < 10.0, "{bent} {truth}");
        assert!((straight - truth).abs() > 2.0 * (bent - truth).abs());
    }
}
