//! What the jumps of a course make of its readings: off the course and back again, or on
//! another level from then on.

use super::course::{Jump, Look, Point, jumps};
use crate::statistics::{median, quantile};
use model::incident::Size;
use std::ops::Range;

/// What happened on one course.
#[derive(Debug, Clone, Default)]
pub(super) struct Departures {
    /// Readings that are off, as ranges of points.
    pub(super) off: Vec<Off>,
    pub(super) steps: Vec<Step>,
    /// For each point the smallest jump next to it that would have been seen, in cents.
    pub(super) seen_from: Vec<f64>,
}

/// Readings that are off the course.
#[derive(Debug, Clone)]
pub(super) struct Off {
    pub(super) points: Range<usize>,
    pub(super) size: Size,
    /// Whether neither on nor off is where the course mostly is.
    pub(super) unsteady: bool,
}

/// A change for good between two points.
#[derive(Debug, Clone, Copy)]
pub(super) struct Step {
    pub(super) before: usize,
    pub(super) after: usize,
    pub(super) size: Size,
}

/// A jump back is the same as the jump away to this part of it.
const ALIKE: f64 = 0.35;
/// And never smaller than this part of it.
const LEAST_BACK: f64 = 0.5;
/// The jump back is among so many after it.
const SEARCHED: usize = 64;
/// So many readings after a jump that go back by themselves, or at an end of the record, are
/// off; more are another level.
const FEW: usize = 2;
/// Within this time, in seconds, a course may come back without a jump: what cooled down
/// warms up again.
const COMES_BACK_S: f64 = 7200.0;
/// And not within this time, in seconds, of being switched on.
const WARM_S: f64 = 3600.0;
/// It is back when so much of the jump is left.
const BACK: f64 = 0.25;
/// Off for more than this part of the record, being off is the usual state; and of several
/// changes where neither state has more than the second part, there is none.
const MAJORITY: f64 = 0.5;
const CLEAR_MAJORITY: f64 = 0.6;

/// Finds what departs from a course.
pub(super) fn departures(points: &[Point], look: Look) -> Departures {
    let all = jumps(points, look);
    let seen_from = (0..points.len())
        .map(|place| {
            let from = place.saturating_sub(look.lag);
            let beside = all.iter().take(place + 1).skip(from);
            beside.map(|jump| jump.least).fold(f64::INFINITY, f64::min)
        })
        .collect();
    let course = Course {
        points,
        look,
        jumps: standing_out(&all, look.lag),
    };
    let (off, steps) = course.pieces();
    Departures {
        off,
        steps,
        seen_from,
    }
}

/// Jumps that stand out, and those half as large that may be the other end of one. Of those
/// that share readings the largest.
fn standing_out(all: &[Jump], lag: usize) -> Vec<Jump> {
    let mut kept: Vec<Jump> = Vec::new();
    for jump in all {
        if jump.size.abs() <= LEAST_BACK * jump.least {
            continue;
        }
        match kept.last_mut() {
            Some(last) if jump.before < last.before + lag && last.size * jump.size > 0.0 => {
                if jump.size.abs() > last.size.abs() {
                    *last = *jump;
                }
            }
            _ => kept.push(*jump),
        }
    }
    kept
}

struct Course<'a> {
    points: &'a [Point],
    look: Look,
    jumps: Vec<Jump>,
}

impl Course<'_> {
    fn pieces(&self) -> (Vec<Off>, Vec<Step>) {
        let mut pieces = (Vec::new(), Vec::new());
        let chains = self.chains();
        for (place, chain) in chains.iter().enumerate() {
            let before = place.checked_sub(1).and_then(|place| chains[place].last());
            let after = chains.get(place + 1).and_then(|next| next.first());
            let span = before.map_or(0, |jump| jump.after)
                ..after.map_or(self.points.len(), |jump| jump.before + 1);
            self.chain(chain, span, &mut pieces);
        }
        pieces.0.sort_by_key(|off| off.points.start);
        pieces
    }

    /// Jumps of which each takes back the one before it.
    fn chains(&self) -> Vec<Vec<Jump>> {
        let mut taken = vec![false; self.jumps.len()];
        let mut used = Vec::new();
        for here in 0..self.jumps.len() {
            if taken[here] || !self.jumps[here].stands_out() {
                continue;
            }
            let other = self.partner(here, &taken).unwrap_or(here);
            let (first, last) = (here.min(other), here.max(other));
            taken[first..=last].fill(true);
            used.push(first);
            if last != first {
                used.push(last);
            }
        }
        used.sort_unstable();
        let mut chains: Vec<Vec<usize>> = Vec::new();
        for here in used {
            match chains.last_mut() {
                Some(chain)
                    if chain
                        .last()
                        .is_some_and(|last| self.takes_back(*last, here)) =>
                {
                    chain.push(here);
                }
                _ => chains.push(vec![here]),
            }
        }
        let jumps = |chain: Vec<usize>| chain.into_iter().map(|here| self.jumps[here]).collect();
        chains.into_iter().map(jumps).collect()
    }

    /// A course that goes from one level to another and back is off where it is for less of
    /// the time.
    fn chain(&self, chain: &[Jump], span: Range<usize>, pieces: &mut (Vec<Off>, Vec<Step>)) {
        let (Some(first), Some(last)) = (chain.first(), chain.last()) else {
            return;
        };
        if chain.len() == 1 {
            return self.unpaired(*first, pieces);
        }
        let t = |place: usize| self.points[place.min(self.points.len() - 1)].t;
        let lasts = |from: &Jump, until: &Jump| t(until.after) - t(from.after);
        let pairs = chain.chunks_exact(2);
        let away: f64 = pairs.clone().map(|pair| lasts(&pair[0], &pair[1])).sum();
        let is_odd = chain.len() % 2 == 1;
        let open = if is_odd {
            t(span.end) - t(last.after)
        } else {
            0.0
        };
        let share = (away + open) / (t(span.end) - t(span.start)).max(1e-3);
        let mut push = |points: Range<usize>, size: Size, unsteady: bool| {
            pieces.0.push(Off {
                points,
                size,
                unsteady,
            });
        };
        if chain.len() > 2 && (1.0 - CLEAR_MAJORITY..CLEAR_MAJORITY).contains(&share) {
            return push(
                first.before + 1..last.after,
                Self::size(*first, chain[1]),
                true,
            );
        }
        let mut between = |pair: &[Jump]| {
            push(
                pair[0].before + 1..pair[1].after,
                Self::size(pair[0], pair[1]),
                false,
            );
        };
        if share < MAJORITY || (span.start > 0 && !is_odd) {
            pairs.for_each(&mut between);
            if is_odd {
                self.unpaired(*last, pieces);
            }
            return;
        }
        chain[1..].chunks_exact(2).for_each(&mut between);
        if span.start > 0 {
            // It was on another level before and is not known to have come from this one.
            return self.unpaired(*first, pieces);
        }
        let back = Size {
            cents: -first.size,
            u: first.scatter,
        };
        push(0..first.after, back, false);
        if !is_odd {
            let size = Size {
                cents: -last.size,
                ..back
            };
            push(last.before + 1..span.end, size, false);
        }
    }

    /// The jump that takes back what one does: the nearest one on either side.
    fn partner(&self, here: usize, taken: &[bool]) -> Option<usize> {
        let jump = self.jumps[here];
        let last = (here + SEARCHED).min(self.jumps.len());
        let later = (here + 1..last)
            .take_while(|other| !taken[*other])
            .find(|other| self.takes_back(here, *other));
        // One that stands out was looked at when its turn came; one that does not is believed
        // only right before it.
        let earlier = (0..here)
            .rev()
            .take_while(|other| !taken[*other] && !self.jumps[*other].stands_out())
            .take_while(|other| self.jumps[*other].after + FEW * self.look.lag > jump.before)
            .find(|other| self.takes_back(*other, here));
        let t = |jump: &Jump| self.points[jump.after].t;
        match (earlier, later) {
            (Some(earlier), Some(later)) => {
                let before = t(&jump) - t(&self.jumps[earlier]);
                let nearer = before <= t(&self.jumps[later]) - t(&jump);
                Some(if nearer { earlier } else { later })
            }
            (one, other) => one.or(other),
        }
    }

    /// Whether the jumps from one to another add up to nothing, or the course is after them
    /// where it was before.
    fn takes_back(&self, from: usize, to: usize) -> bool {
        let (first, last) = (self.jumps[from], self.jumps[to]);
        let size = first.size.abs().max(last.size.abs());
        if first.size * last.size >= 0.0
            || first.size.abs().min(last.size.abs()) < LEAST_BACK * size
            || last.before + 1 < first.after
        {
            return false;
        }
        let slack = (ALIKE * size)
            .max(3.0 * first.scatter.hypot(last.scatter))
            .min(0.7 * size);
        let inner = self.jumps[from + 1..to]
            .iter()
            .filter(|jump| jump.stands_out());
        let sum = first.size + inner.map(|jump| jump.size).sum::<f64>() + last.size;
        let (before, after) = (self.points[first.before], self.points[last.after]);
        let level = after.cents - before.cents;
        sum.abs() <= slack || (after.t - before.t < COMES_BACK_S && level.abs() <= slack)
    }

    fn size(first: Jump, last: Jump) -> Size {
        let cents = (first.size - last.size) / 2.0;
        let noise = first.scatter.hypot(last.scatter) / 2.0;
        Size {
            cents,
            u: noise.max((first.size + last.size).abs() / 4.0),
        }
    }

    /// A jump that no other one takes back.
    fn unpaired(&self, jump: Jump, (off, steps): &mut (Vec<Off>, Vec<Step>)) {
        let count = self.points.len();
        let size = Size {
            cents: jump.size,
            u: jump.scatter,
        };
        let mut push = |points: Range<usize>, size: Size| {
            off.push(Off {
                points,
                size,
                unsteady: false,
            });
        };
        let few = FEW * self.look.lag;
        if count - jump.after <= few {
            return push(jump.before + 1..count, size);
        }
        if jump.before < few {
            let back = Size {
                cents: -size.cents,
                ..size
            };
            return push(0..jump.after, back);
        }
        match self.comes_or_goes_by_itself(jump) {
            Some(points) => push(points, size),
            None => steps.push(Step {
                before: jump.before,
                after: jump.after,
                size,
            }),
        }
    }

    /// The readings that are off where the other end of it is no jump: what cooled down warms
    /// up again. A course that moves as much as that within such a time elsewhere says nothing
    /// by being where it was.
    fn comes_or_goes_by_itself(&self, jump: Jump) -> Option<Range<usize>> {
        let level = |around: Range<usize>| {
            let cents: Vec<f64> = self.points[around]
                .iter()
                .map(|point| point.cents)
                .collect();
            median(&cents)
        };
        let count = self.points.len();
        let first = (jump.before + 1).saturating_sub(3);
        let base = level(first..jump.before + 1);
        let then = level(jump.after..(jump.after + 3).min(count));
        let near = |place: usize, level: f64| {
            (self.points[place].cents - level).abs() < BACK * jump.size.abs()
        };
        let soon = |place: usize, from: usize| {
            (self.points[place].t - self.points[from].t).abs() < COMES_BACK_S
        };
        // While it warms up it passes through many levels.
        let warm = self
            .look
            .switched_on
            .map_or(f64::NEG_INFINITY, |on| on + WARM_S);
        let telling = |from: usize, until: usize| {
            if self.points[from].t < warm {
                return false;
            }
            let time = self.points[until].t - self.points[from].t;
            self.usual_movement(time, jump) < BACK * jump.size.abs()
        };
        let returns = (jump.after + 1..count)
            .take_while(|place| soon(*place, jump.after))
            .find(|place| near(*place, base) && near((place + 1).min(count - 1), base))
            .filter(|place| telling(jump.before, *place));
        if let Some(place) = returns {
            return Some(jump.before + 1..place);
        }
        let leaves = (0..jump.before)
            .rev()
            .take_while(|place| soon(*place, jump.before))
            .find(|place| near(*place, then) && near(place.saturating_sub(1), then))
            .filter(|place| telling(*place, jump.after));
        leaves.map(|place| place + 1..jump.after)
    }

    /// By how much the course moves within a time where nothing jumps: by no more in nine of
    /// ten places.
    fn usual_movement(&self, time: f64, jump: Jump) -> f64 {
        if self.jumps.len() > SEARCHED {
            return f64::INFINITY;
        }
        let mut until = 0;
        let mut moved = Vec::new();
        for (from, point) in self.points.iter().enumerate() {
            while until < self.points.len() && self.points[until].t < point.t + time {
                until += 1;
            }
            let Some(end) = self.points.get(until) else {
                break;
            };
            let jumps = self.jumps.iter().filter(|jump| jump.stands_out());
            let mut jumps = jumps.chain([&jump]);
            if jumps.all(|jump| jump.after <= from || jump.before >= until) {
                moved.push((end.cents - point.cents).abs());
            }
        }
        moved.sort_by(f64::total_cmp);
        let usual = quantile(&moved, 0.9);
        if usual.is_nan() { f64::INFINITY } else { usual }
    }
}

#[cfg(test)]
#[allow(clippy::single_range_in_vec_init)]
mod tests {
    use super::*;
    use crate::statistics::trials::Trials;

    const LOOK: Look = Look {
        lag: 1,
        switched_on: None,
        least: 1.5,
    };

    /// A course of rounds a minute for half an hour and every ten minutes from then on.
    fn course(rounds: usize, cents: impl Fn(usize, f64) -> f64) -> Vec<Point> {
        let time = |round: usize| {
            if round < 30 {
                round as f64 * 60.0
            } else {
                1800.0 + (round - 30) as f64 * 600.0
            }
        };
        (0..rounds)
            .map(|round| Point {
                heard: round,
                t: time(round),
                cents: cents(round, time(round)),
                u: 0.02,
            })
            .collect()
    }

    fn found(points: &[Point], look: Look) -> (Vec<Range<usize>>, Vec<usize>) {
        let found = departures(points, look);
        (
            found.off.into_iter().map(|off| off.points).collect(),
            found.steps.into_iter().map(|step| step.after).collect(),
        )
    }

    #[test]
    fn a_smooth_course_however_steep_has_nothing() {
        let powered = Look {
            switched_on: Some(-10.0),
            ..LOOK
        };
        for tau in [5.0, 20.0, 40.0, 90.0, 300.0, 900.0, 3000.0] {
            for (rise, slow) in [(60.0, 0.0), (-40.0, 20.0), (30.0, -50.0)] {
                let warming =
                    |_, t: f64| rise * (-(t + 10.0) / tau).exp() + slow * (-t / (4.0 * tau)).exp();
                let nothing = (Vec::new(), Vec::new());
                assert_eq!(
                    found(&course(78, warming), powered),
                    nothing,
                    "{tau} {rise}"
                );
                // Every ten minutes from the beginning.
                let sparse = course(78, |round, _| warming(round, round as f64 * 600.0));
                let sparse: Vec<Point> = sparse
                    .into_iter()
                    .map(|point| Point {
                        t: point.heard as f64 * 600.0,
                        ..point
                    })
                    .collect();
                assert_eq!(found(&sparse, powered), nothing, "{tau} {rise}");
            }
        }
    }

    #[test]
    fn there_and_back_is_off_and_there_alone_is_a_step() {
        let mut noise = Trials::of([9, 9, 1]);
        let noise: Vec<f64> = (0..90).map(|_| 0.1 * noise.normal()).collect();
        let with = |off: &dyn Fn(usize) -> f64| {
            let course = course(78, |round, t| noise[round] + 1e-4 * t + off(round));
            found(&course, LOOK)
        };
        let within = |range: Range<usize>, cents: f64| {
            move |round: usize| if range.contains(&round) { cents } else { 0.0 }
        };
        for cents in [-20.0, -3.0, 3.0, 20.0] {
            for range in [5..6, 12..20, 40..41, 40..44, 50..70] {
                let found = with(&within(range.clone(), cents));
                assert_eq!(found, (vec![range], Vec::new()), "{cents}");
            }
            assert_eq!(with(&within(40..78, cents)), (Vec::new(), vec![40]));
            assert_eq!(with(&within(77..78, cents)), (vec![77..78], Vec::new()));
            // Twice, on one of two levels the second time.
            let twice = |round: usize| match round {
                35..38 => cents,
                50 => cents,
                51..53 => 2.0 * cents,
                _ => 0.0,
            };
            assert_eq!(with(&twice), (vec![35..38, 50..53], Vec::new()), "{cents}");
        }
    }

    #[test]
    fn a_contact_that_is_bad_from_the_start_is_off_from_there() {
        let bad = |round: usize, _| match round {
            0..33 | 50..52 => 12.0,
            _ => 0.0,
        };
        assert_eq!(found(&course(78, bad), LOOK), (vec![0..33, 50..52], vec![]));
        // And one without a state that it mostly has.
        let points = course(78, |round, _| if round / 8 % 2 == 0 { 12.0 } else { 0.0 });
        let found = departures(&points, LOOK);
        assert!(found.off.iter().all(|off| off.unsteady), "{:?}", found.off);
        assert_eq!(found.off.len(), 1);
    }

    #[test]
    fn most_of_a_short_record_may_be_off() {
        for count in 6..20 {
            let bad = 2..count / 2 + 1;
            let points: Vec<Point> = (0..count)
                .map(|round| Point {
                    heard: round,
                    t: round as f64 * 600.0,
                    cents: if bad.contains(&round) { 9.0 } else { 0.0 },
                    u: 0.02,
                })
                .collect();
            assert_eq!(found(&points, LOOK), (vec![bad.clone()], vec![]), "{count}");
        }
    }

    /// Of random walks and noise of all sizes nothing is found; where it is larger than the
    /// limit by so many of its scatters, something is.
    #[test]
    fn noise_and_random_walks_have_nothing() {
        let mut trials = Trials::of([9, 9, 2]);
        let mut false_alarms = 0;
        for trial in 0..400 {
            let (noise, walk) = (
                0.01 * 1.7_f64.powi(trial % 10),
                0.01 * 1.9_f64.powi(trial / 40),
            );
            let mut level = 0.0;
            let mut points = course(78, |_, _| 0.0);
            for place in 0..points.len() {
                let dt = points[place].t - points[place.saturating_sub(1)].t;
                level += walk * (dt / 600.0).sqrt() * trials.normal();
                points[place].cents = level + noise * trials.normal();
            }
            let (off, steps) = found(&points, LOOK);
            false_alarms += usize::from(!off.is_empty() || !steps.is_empty());
        }
        assert!(false_alarms == 0, "{false_alarms}");
    }
}
