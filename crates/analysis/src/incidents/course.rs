//! The course of one note, and where it jumps.
//!
//! A jump is a change from one reading to the next that stands out from the changes around
//! it: beyond 5 of their robust scatters, half the limit of the run, and twice what the course
//! moves by right before or after it. So neither a steep warm-up nor a random walk jumps, and
//! as only changes are looked at, an incident of any length leaves their scatter as it is.

use crate::statistics::{median, quantile};
use std::ops::Range;

/// A reading of a course.
#[derive(Debug, Clone, Copy)]
pub(super) struct Point {
    /// Which of all that was heard.
    pub(super) heard: usize,
    /// The middle of its window, in seconds of the run.
    pub(super) t: f64,
    pub(super) cents: f64,
    pub(super) u: f64,
}

/// A change from one reading to the next, or the next but one.
#[derive(Debug, Clone, Copy)]
pub(super) struct Jump {
    pub(super) before: usize,
    pub(super) after: usize,
    /// In cents, the drift of the course taken out.
    pub(super) size: f64,
    /// The robust scatter of changes there, in cents.
    pub(super) scatter: f64,
    /// What it must be beyond, in cents.
    pub(super) least: f64,
}

impl Jump {
    pub(super) fn stands_out(&self) -> bool {
        self.size.abs() > self.least
    }
}

/// How a course is looked at.
#[derive(Debug, Clone, Copy)]
pub(super) struct Look {
    /// Changes are taken over so many readings: two where windows adjoin, as the middle one
    /// may hold both.
    pub(super) lag: usize,
    /// When the unit was switched on, in seconds of the run, if it was: what its first readings
    /// do may be a transient shorter than a round.
    pub(super) switched_on: Option<f64>,
    /// No jump is smaller, in cents.
    pub(super) least: f64,
}

/// A jump is beyond so many robust scatters.
const SCATTERS: f64 = 5.0;
/// And so many times the movement next to it.
const MOVEMENTS: f64 = 2.0;
/// Movement is what is beyond so many scatters.
const MOVES: f64 = 3.0;
/// The quickest part of a unit that warms up, in seconds, and after how many time constants a
/// part is warm: what still warms up later is as slow as that.
const QUICKEST_S: f64 = 40.0;
const WARM_AFTER: f64 = 5.0;
/// From one change to the next a transient falls by no more than this.
const FALLS: f64 = 50.0;
/// Scatter is that of so many changes to either side, and of the whole course.
const AROUND: usize = 20;
/// Of fewer changes only the smaller ones are taken: half of them may be jumps.
const ENOUGH: usize = 10;
/// Times between readings that belong together differ by less than this factor.
const ALIKE: f64 = 3.0;
/// 1 / 0.6745: a standard deviation by the median of normal sizes; and by their lower third.
const BY_MEDIAN: f64 = 1.4826;
const BY_THIRD: f64 = 2.3217;
/// A scatter by the median of so many normal sizes has a standard uncertainty of this over
/// their root; it is taken to be as much larger. Of few it is further off now and then, and
/// by this over their number noise alone has a jump in one of some thousand courses (tried).
const KNOWN: f64 = 1.17;
const FEW: f64 = 8.0;

/// A change before it is judged.
struct Change {
    dt: f64,
    cents: f64,
    /// What is left of it without the drift of its neighbours.
    size: f64,
    /// The meter's part of its scatter.
    meter: f64,
}

/// The changes of a course, one from each reading that has one after it.
pub(super) fn jumps(points: &[Point], look: Look) -> Vec<Jump> {
    let changes = changes(points, look.lag);
    let scatters = scatters(&changes, look.lag);
    changes
        .iter()
        .enumerate()
        .map(|(place, change)| {
            let size = change.size;
            let movement = neighbours(place, look.lag, changes.len())
                .filter(|other| changes[*other].cents * size > 0.0)
                .map(|other| {
                    let moves = changes[other].cents.abs() - MOVES * scatters[other];
                    moves.max(0.0) * change.dt / changes[other].dt
                })
                .fold(0.0, f64::max);
            let transient = look.switched_on.map_or(0.0, |on| {
                let since = points[place].t - on;
                transient(&changes, place, look.lag, since)
            });
            Jump {
                before: place,
                after: place + look.lag,
                size,
                scatter: scatters[place],
                least: (SCATTERS * scatters[place])
                    .max(look.least)
                    .max(MOVEMENTS * movement)
                    .max(transient),
            }
        })
        .collect()
}

/// How large a change may be, so long after the unit was switched on, as the beginning of what
/// the changes after it go on with.
fn transient(changes: &[Change], place: usize, lag: usize, since: f64) -> f64 {
    if place < lag || since < WARM_AFTER * QUICKEST_S {
        return f64::INFINITY;
    }
    let change = &changes[place];
    let slowest = QUICKEST_S.max(since / WARM_AFTER);
    let falls = (change.dt / slowest).exp().min(FALLS);
    if falls < MOVEMENTS {
        return 0.0;
    }
    let after = [place + lag, place + 2 * lag];
    let after = after.iter().filter_map(|other| changes.get(*other));
    // The way back of a reading that is off alone is no transient.
    let goes_on = after.filter(|other| other.cents * change.size > -0.5 * change.size.powi(2));
    goes_on
        .map(|other| falls * other.cents.abs())
        .fold(0.0, f64::max)
}

/// The changes right before and after one.
fn neighbours(place: usize, lag: usize, count: usize) -> impl Iterator<Item = usize> {
    let before = place.checked_sub(lag);
    before
        .into_iter()
        .chain(Some(place + lag).filter(|next| *next < count))
}

fn changes(points: &[Point], lag: usize) -> Vec<Change> {
    let mut changes: Vec<Change> = points
        .windows(lag + 1)
        .map(|pair| {
            let (from, to) = (pair[0], pair[lag]);
            Change {
                dt: (to.t - from.t).max(1e-3),
                cents: to.cents - from.cents,
                size: 0.0,
                meter: from.u.hypot(to.u),
            }
        })
        .collect();
    let slopes: Vec<f64> = changes
        .iter()
        .map(|change| change.cents / change.dt)
        .collect();
    for (place, change) in changes.iter_mut().enumerate() {
        let near = |steps: usize| {
            let steps = steps * lag;
            let before = place.checked_sub(steps).map(|other| slopes[other]);
            before.into_iter().chain(slopes.get(place + steps).copied())
        };
        let around: Vec<f64> = (1..=3).flat_map(near).collect();
        let slope = if around.len() < 3 {
            0.0
        } else {
            median(&around)
        };
        change.size = change.cents - slope * change.dt;
    }
    changes
}

/// The robust scatter of each change: of those around it and of all, whichever is larger, of
/// such as took about as long; never below what the meter says.
fn scatters(changes: &[Change], lag: usize) -> Vec<f64> {
    // Of all it is the same wherever the times are.
    let mut of_all: Vec<(f64, f64)> = Vec::new();
    (0..changes.len())
        .map(|place| {
            let dt = changes[place].dt;
            let whole = match of_all
                .iter()
                .find(|(known, _)| (known / dt - 1.0).abs() < 0.1)
            {
                Some((_, scatter)) => *scatter,
                None => {
                    let scatter = scatter(changes, 0..changes.len(), dt);
                    of_all.push((dt, scatter));
                    scatter
                }
            };
            let around = AROUND * lag;
            let near = place.saturating_sub(around)..(place + around + 1).min(changes.len());
            scatter(changes, near, dt)
                .max(whole)
                .max(changes[place].meter)
        })
        .collect()
}

fn scatter(changes: &[Change], of: Range<usize>, dt: f64) -> f64 {
    let all = &changes[of];
    let alike = |change: &&Change| change.dt < dt * ALIKE && change.dt > dt / ALIKE;
    let like: Vec<&Change> = all.iter().filter(alike).collect();
    if like.len() >= ENOUGH {
        let sizes: Vec<f64> = like.iter().map(|change| change.size.abs()).collect();
        return at_most(BY_MEDIAN * median(&sizes), sizes.len());
    }
    // A random walk grows with the root of the time.
    let mut sizes: Vec<f64> = all
        .iter()
        .map(|change| change.cents.abs() * (dt / change.dt).max(1.0).sqrt())
        .collect();
    sizes.sort_by(f64::total_cmp);
    at_most(BY_THIRD * quantile(&sizes, 1.0 / 3.0), sizes.len())
}

fn at_most(scatter: f64, count: usize) -> f64 {
    let count = count.max(1) as f64;
    scatter * (1.0 + KNOWN / count.sqrt() + FEW / count)
}
