//! What happened to one unit: neighbouring bad readings of one kind are one incident.

use super::course::{Look, Point};
use super::departures::{Departures, departures};
use super::heard::{Heard, Series, heard};
use super::{events, limit};
use crate::statistics::median;
use model::document::plan::Plan;
use model::document::rig::Rig;
use model::incident::{Edge, IncidentKind, Size};
use model::record::{EventKind, PositionId, RunRecord};
use model::time::RunTime;
use std::collections::{BTreeMap, BTreeSet};

/// Rounds without a bad reading between two that belong together: none.
const NEIGHBOURS: u32 = 1;
/// A jump must be so much smaller than an incident for a reading to show that it is over.
const SHOWS: f64 = 0.7;

/// What happened to a unit, before it is known whose it is.
#[derive(Debug, Clone)]
pub(super) struct UnitIncidents {
    pub(super) position: PositionId,
    pub(super) found: Vec<Found>,
    heard: Vec<Heard>,
    /// Which of what was heard is off the course.
    off: BTreeMap<usize, (IncidentKind, Size)>,
    /// For each window the smallest jump that would be seen there, in cents.
    seen_from: BTreeMap<usize, f64>,
}

/// One incident of a unit.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Found {
    pub(super) kind: IncidentKind,
    pub(super) stage: Option<u16>,
    pub(super) from: Edge,
    pub(super) until: Option<Edge>,
    pub(super) size: Option<Size>,
    pub(super) readings: u32,
    /// Whether the rig itself said so.
    pub(super) reported: bool,
}

impl Found {
    /// The time in which it may have begun.
    pub(super) fn begins(&self) -> (RunTime, RunTime) {
        (self.from.good.unwrap_or(self.from.bad), self.from.bad)
    }
    /// The time in which it may have ended, if it did.
    pub(super) fn ends(&self) -> Option<(RunTime, RunTime)> {
        let until = self.until?;
        Some((until.bad, until.good.unwrap_or(until.bad)))
    }
}

/// The courses of a unit, each since it was last switched on, and what happened on them.
type Courses = Vec<(Vec<Point>, Departures)>;

impl UnitIncidents {
    pub(super) fn of(plan: &Plan, rig: &Rig, record: &RunRecord, position: &PositionId) -> Self {
        let mut heard = heard(plan, rig, record, position);
        forget_what_is_usual(&mut heard);
        let courses = courses(&heard, record, position, limit(plan) / 2.0);
        let (mut off, mut seen_from) = (BTreeMap::new(), BTreeMap::new());
        for (points, departures) in &courses {
            let windows = points.iter().map(|point| point.heard);
            seen_from.extend(windows.zip(departures.seen_from.iter().copied()));
            for departure in &departures.off {
                let kind = if departure.unsteady {
                    IncidentKind::Unsteady
                } else {
                    IncidentKind::Departure
                };
                for point in &points[departure.points.clone()] {
                    off.insert(point.heard, (kind, departure.size));
                }
            }
        }
        let mut unit = Self {
            position: position.clone(),
            found: Vec::new(),
            heard,
            off,
            seen_from,
        };
        let mut found = unit.grouped();
        unit.steps(&courses, &mut found);
        events::joined(record, position, &mut found);
        found.sort_by_key(|found| (found.from.bad, found.kind));
        unit.found = found;
        unit
    }

    /// When the windows begin that are off the course.
    pub(super) fn off_course(&self) -> impl Iterator<Item = RunTime> {
        let off = self.off.keys().copied();
        let bad = (0..self.heard.len()).filter(|index| {
            let heard = &self.heard[*index];
            heard.on.is_none() && heard.bad.is_some()
        });
        off.chain(bad).map(|index| self.heard[index].at)
    }

    /// When its changes for good were seen.
    pub(super) fn steps_seen(&self) -> impl Iterator<Item = RunTime> {
        let steps = self.found.iter();
        let steps = steps.filter(|found| found.kind == IncidentKind::Step);
        steps.map(|found| found.from.bad)
    }

    /// Whether it was measured between two times, and would have shown a departure of this
    /// size.
    pub(super) fn would_show(&self, from: RunTime, until: RunTime, size: Option<Size>) -> bool {
        let after = self.heard.partition_point(|heard| heard.until < from);
        (after..self.heard.len())
            .take_while(|index| self.heard[*index].at <= until)
            .any(|index| size.is_none_or(|size| self.shows(index, size)))
    }

    /// Whether a note is another one than the last that was heard: a pitch that stands still is
    /// right where the note it stands on is asked for.
    fn was_gone_to(&self, index: usize) -> bool {
        let before = self.heard[..index].iter().rev();
        let mut before = before.filter(|heard| heard.on.is_some());
        before
            .next()
            .is_none_or(|before| before.note != self.heard[index].note)
    }

    fn shows(&self, index: usize, size: Size) -> bool {
        let least = self.seen_from.get(&index).copied().unwrap_or(f64::INFINITY);
        least < SHOWS * size.cents.abs()
    }

    /// What is bad about a window; of those off the course [`Self::found`] says how.
    fn kind(&self, index: usize) -> Option<IncidentKind> {
        match self.heard[index].bad {
            // A clipped wave keeps its pitch, so it is something else that moved it.
            None | Some(IncidentKind::Clipped) if self.off.contains_key(&index) => {
                Some(IncidentKind::Departure)
            }
            bad => bad,
        }
    }

    /// Bad readings put together.
    fn grouped(&self) -> Vec<Found> {
        let mut groups: Vec<(IncidentKind, Vec<usize>)> = Vec::new();
        for index in 0..self.heard.len() {
            let Some(kind) = self.kind(index) else {
                continue;
            };
            let round = self.heard[index].round;
            let open = groups.iter_mut().rev().find(|(of, _)| *of == kind);
            match open {
                Some((_, group))
                    if group.last().is_some_and(|last| {
                        round.abs_diff(self.heard[*last].round) <= NEIGHBOURS
                    }) =>
                {
                    group.push(index);
                }
                _ => groups.push((kind, vec![index])),
            }
        }
        self.absorbed(groups)
            .into_iter()
            .map(|(kind, group)| self.found(kind, &group))
            .collect()
    }

    /// Departures right beside readings that are bad by themselves belong to these: what takes
    /// a unit off its pitch may silence it, too.
    fn absorbed(&self, groups: Vec<(IncidentKind, Vec<usize>)>) -> Vec<(IncidentKind, Vec<usize>)> {
        let takes = |kind| !matches!(kind, IncidentKind::LostSamples | IncidentKind::Clipped);
        let (off, mut bad): (Vec<_>, Vec<_>) = groups
            .into_iter()
            .partition(|(kind, _)| *kind == IncidentKind::Departure);
        let mut alone = Vec::new();
        for (kind, group) in off {
            let (first, last) = (group[0], group[group.len() - 1]);
            let next_to = |other: &[usize]| {
                let (begins, ends) = (other[0], other[other.len() - 1]);
                let between = if ends < first {
                    ends + 1..first
                } else if begins > last {
                    last + 1..begins
                } else {
                    return true;
                };
                between.is_empty()
            };
            match bad
                .iter_mut()
                .find(|(kind, other)| takes(*kind) && next_to(other))
            {
                Some((_, other)) if other.len() >= group.len() => {
                    other.extend(group);
                    other.sort_unstable();
                }
                _ => alone.push((kind, group)),
            }
        }
        bad.extend(alone);
        bad
    }

    /// One incident out of its readings.
    fn found(&self, kind: IncidentKind, group: &[usize]) -> Found {
        let (first, last) = (group[0], group[group.len() - 1]);
        let size = size_of(group.iter().filter_map(|index| self.off.get(index)));
        // A reading that would not have shown it says nothing of where it ends; nor do other
        // notes where a single one was off.
        let notes: BTreeSet<i64> = group.iter().map(|index| self.heard[*index].note).collect();
        let of = |index: &usize| self.heard[*index].on.map(|(series, _, _)| series);
        let courses: BTreeSet<Series> = group.iter().filter_map(of).collect();
        let of_one = self.off.contains_key(&first) && notes.len() == 1;
        let shows = |index: &usize| {
            let heard = &self.heard[*index];
            let other = of_one && !notes.contains(&heard.note);
            match (kind, size, heard.on) {
                _ if other || self.kind(*index).is_some() => false,
                (IncidentKind::Departure, Some(size), Some((series, _, _))) => {
                    courses.contains(&series) || self.shows(*index, size)
                }
                (IncidentKind::Departure, _, _) => false,
                (IncidentKind::NotPlayed, _, _) => self.was_gone_to(*index),
                _ => true,
            }
        };
        let at = |index: usize| self.heard[index].at;
        let off = group.iter().filter_map(|index| self.off.get(index));
        let unsteady = off
            .filter(|(kind, _)| *kind == IncidentKind::Unsteady)
            .count();
        let kind = if kind == IncidentKind::Departure && unsteady * 2 > group.len() {
            IncidentKind::Unsteady
        } else {
            kind
        };
        let after = (last + 1..self.heard.len()).find(shows).map(at);
        let mut before = (0..first).rev().filter(shows).map(at);
        // Two units that agree are believed to be locked from the second note on.
        let good = match kind {
            IncidentKind::Locked => before.nth(1),
            _ => before.next(),
        };
        Found {
            kind,
            stage: Some(self.heard[first].stage),
            from: Edge {
                good,
                bad: at(first),
            },
            until: after.map(|good| Edge {
                good: Some(good),
                bad: at(last),
            }),
            size,
            readings: group
                .iter()
                .filter(|index| self.heard[**index].is_last)
                .count() as u32,
            reported: false,
        }
    }

    /// Steps that several courses show between the same readings are one; what one course
    /// takes for a step another may have seen come back.
    fn steps(&self, courses: &Courses, found: &mut Vec<Found>) {
        let mut steps: Vec<(usize, usize, Size)> = Vec::new();
        for (points, departures) in courses {
            let heard = |place: usize| points[place].heard;
            steps.extend(
                departures
                    .steps
                    .iter()
                    .map(|step| (heard(step.before), heard(step.after), step.size)),
            );
        }
        steps.sort_by_key(|(before, after, _)| (*after, *before));
        let mut together: Vec<Vec<(usize, usize, Size)>> = Vec::new();
        for step in steps {
            let joins = |group: &Vec<(usize, usize, Size)>| {
                let latest = group.iter().map(|(before, _, _)| *before).max();
                let earliest = group.iter().map(|(_, after, _)| *after).min();
                latest.max(Some(step.0)) < earliest.min(Some(step.1))
                    && group[0].2.cents * step.2.cents > 0.0
            };
            match together.iter_mut().find(|group| joins(group)) {
                Some(group) => group.push(step),
                None => together.push(vec![step]),
            }
        }
        for group in together {
            let before = group.iter().map(|step| step.0).max().unwrap_or_default();
            let after = group.iter().map(|step| step.1).min().unwrap_or_default();
            let (good, bad) = (self.heard[before].at, self.heard[after].at);
            let meets = |(from, until): (RunTime, RunTime)| from < bad && good < until;
            let known = found.iter().any(|other| {
                other.kind != IncidentKind::Step
                    && (meets(other.begins()) || other.ends().is_some_and(meets))
            });
            if known {
                continue;
            }
            let sizes: Vec<(IncidentKind, Size)> = group
                .iter()
                .map(|step| (IncidentKind::Step, step.2))
                .collect();
            found.push(Found {
                kind: IncidentKind::Step,
                stage: Some(self.heard[after].stage),
                from: Edge {
                    good: Some(good),
                    bad,
                },
                until: None,
                size: size_of(sizes.iter()),
                readings: 0,
                reported: false,
            });
        }
    }
}

/// The middle of several sizes. A random walk moves all notes alike, so more of them make it
/// no more certain; where they differ, it is less.
fn size_of<'a>(sizes: impl Iterator<Item = &'a (IncidentKind, Size)>) -> Option<Size> {
    let all: Vec<Size> = sizes.map(|(_, size)| *size).collect();
    let cents: Vec<f64> = all.iter().map(|size| size.cents).collect();
    if cents.is_empty() {
        return None;
    }
    let middle = median(&cents);
    let apart: Vec<f64> = cents.iter().map(|cents| (cents - middle).abs()).collect();
    let own: Vec<f64> = all.iter().map(|size| size.u).collect();
    Some(Size {
        cents: middle,
        u: median(&own).hypot(1.4826 * median(&apart)),
    })
}

/// An input that clips most of the time is patched that way, which each reading says.
fn forget_what_is_usual(heard: &mut [Heard]) {
    let clipped = |heard: &Heard| heard.bad == Some(IncidentKind::Clipped);
    if heard.iter().filter(|heard| clipped(heard)).count() * 2 > heard.len() {
        for heard in heard.iter_mut().filter(|heard| clipped(heard)) {
            heard.bad = None;
        }
    }
}

/// The courses of all notes, each from one switching on of the unit to the next, and until
/// somebody does something to it: what is retuned or trimmed begins anew.
fn courses(heard: &[Heard], record: &RunRecord, position: &PositionId, least: f64) -> Courses {
    // What the supply left without power for a while warms up anew.
    let mut breaks: Vec<(RunTime, Option<bool>)> = record
        .events
        .iter()
        .filter(|event| event.position.as_ref().is_none_or(|of| of == position))
        .filter_map(|event| match event.kind {
            EventKind::PowerOn | EventKind::SupplyBack => Some((event.at, Some(true))),
            EventKind::PowerOff | EventKind::Tripped | EventKind::SupplyLow => {
                Some((event.at, Some(false)))
            }
            EventKind::Answered => Some((event.at, None)),
            _ => None,
        })
        .collect();
    breaks.sort_by_key(|(at, _)| *at);
    let before = |at: RunTime| breaks.iter().filter(move |(when, _)| *when <= at);
    let mut by_series: BTreeMap<(usize, Series), Vec<Point>> = BTreeMap::new();
    for (index, window) in heard.iter().enumerate() {
        let Some((series, cents, u)) = window.on else {
            continue;
        };
        by_series
            .entry((before(window.at).count(), series))
            .or_default()
            .push(Point {
                heard: index,
                t: f64::midpoint(window.at.seconds(), window.until.seconds()),
                cents,
                u,
            });
    }
    let of = |((_, series), points): ((usize, Series), Vec<Point>)| {
        let begins = points.first().map(|point| heard[point.heard].at);
        let on = begins.and_then(|at| {
            let mut power = before(at).filter_map(|(at, on)| Some((*at, (*on)?)));
            power.next_back().filter(|(_, on)| *on)
        });
        let look = Look {
            lag: if series.held { 2 } else { 1 },
            switched_on: on.map(|(at, _)| at.seconds()),
            least,
        };
        let departures = departures(&points, look);
        (points, departures)
    };
    by_series.into_iter().map(of).collect()
}
