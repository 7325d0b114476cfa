//! What is seen of one unit, boiled down to what tells causes apart.

use super::law::{Law, ProfileNote, law};
use crate::curves::unit::{UnitCurves, UnitStage};
use crate::readings::deviation::Round;
use crate::results::hysteresis::hysteresis;
use crate::statistics::{mean, median};
use model::document::plan::Plan;
use model::incident::{Incident, IncidentKind};
use model::record::{Flag, PositionId, RunRecord, State};
use model::result::{Seen, Suggestion, SuggestionKind, Uncertain};
use std::collections::BTreeMap;

/// A unit is taken to be warm from here on, in seconds since it was powered.
const WARM_S: f64 = 5400.0;
/// An air temperature counts for a round when it was read this near to it, in seconds.
const AIR_NEAR_S: f64 = 1800.0;
/// Fewer pairs than this say nothing of up against down.
const LEAST_PAIRS: usize = 5;

/// One round: what all its notes share, and how its scale differs from when warm.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Moment {
    /// Seconds since the unit was powered.
    pub(super) t: f64,
    /// Seconds of the run, to compare with other units.
    pub(super) run_s: f64,
    pub(super) warm: bool,
    /// Deviation of all notes alike, less what the warm unit has, cents.
    pub(super) level: f64,
    /// Scale less that of the warm unit, cents per octave, where upper and lower
    /// notes agree in it.
    pub(super) scale: Option<f64>,
    /// The air, degrees Celsius.
    pub(super) air: Option<f64>,
}

/// What is seen of a unit.
#[derive(Debug, Clone)]
pub(super) struct Portrait {
    pub(super) position: PositionId,
    pub(super) stage: String,
    pub(super) span: f64,
    pub(super) lowest: String,
    pub(super) highest: String,
    /// Whether the time of power-on is known, so that cold can be told from warm.
    pub(super) from_cold: bool,
    pub(super) moments: Vec<Moment>,
    /// Whether it was off its course when warm.
    pub(super) disturbed: bool,
    pub(super) law: Option<Law>,
    pub(super) profile: Vec<ProfileNote>,
    /// Scatter of a note from round to round, and what the meter says of it; cents.
    pub(super) scatter: f64,
    pub(super) meter: f64,
    /// Readings beside hum, and the note they are mostly of: how many, of how many.
    pub(super) beside_hum: Option<(String, usize, usize)>,
    /// From above less from below, and how many pairs.
    pub(super) up_and_down: Option<(Uncertain, usize)>,
    /// Cents per octave of the limit of the rig's gain, loading included.
    pub(super) gain: f64,
}

/// From when on a unit is warm in a stage, in seconds of the run.
fn warm_from(stage: &UnitStage, last: f64) -> f64 {
    let origin = stage.origin.at.seconds();
    if !stage.origin.is_power_on {
        return f64::NEG_INFINITY;
    }
    let lasts = last - origin;
    origin + WARM_S.min(2.0 / 3.0 * lasts)
}

/// The stage that shows most of a warm unit: the most readings over (nearly) the widest
/// span.
fn main_stage(curves: &UnitCurves, last: f64) -> Option<u16> {
    let widest = curves
        .stages
        .values()
        .map(|stage| stage.fit.span)
        .fold(0.0, f64::max);
    let readings = |stage: &UnitStage, from: f64| {
        let rounds = stage.fit.rounds.iter().filter(|round| round.t >= from);
        rounds.map(|round| round.note_of.len()).sum::<usize>()
    };
    curves
        .stages
        .iter()
        .filter(|(_, stage)| stage.fit.notes.len() >= 3 && stage.fit.span >= 0.9)
        .filter(|(_, stage)| stage.fit.span > 0.8 * widest)
        .max_by_key(|(_, stage)| {
            let warm = readings(stage, warm_from(stage, last));
            (warm, readings(stage, f64::NEG_INFINITY))
        })
        .map(|(index, _)| *index)
}

/// What happened to a unit: readings in the middle of it do not count, and what jumped for
/// good is taken out.
struct Happened<'a>(Vec<&'a Incident>);

impl Happened<'_> {
    /// Whether a reading that begins then is none of the unit's course.
    fn spoils(&self, start: f64) -> bool {
        self.0.iter().any(|one| {
            let until = one.until.map_or(f64::INFINITY, |until| until.bad.seconds());
            one.kind != IncidentKind::Step && (one.from.bad.seconds()..=until).contains(&start)
        })
    }

    /// Whether anything moved its pitch from a time on.
    fn moved_it(&self, from: f64) -> bool {
        self.0
            .iter()
            .any(|one| one.size.is_some() && one.from.bad.seconds() >= from)
    }

    /// By how much the unit has jumped for good, in cents.
    fn jumped(&self, t: f64) -> f64 {
        let steps = self
            .0
            .iter()
            .filter(|one| one.kind == IncidentKind::Step && one.from.bad.seconds() <= t);
        steps.filter_map(|one| Some(one.size?.cents)).sum()
    }
}

/// Robust least and most of medians of five.
pub(super) fn range(values: &[f64]) -> (f64, f64) {
    let medians: Vec<f64> = if values.len() < 5 {
        values.to_vec()
    } else {
        values.windows(5).map(median).collect()
    };
    let least = medians.iter().copied().fold(f64::INFINITY, f64::min);
    let most = medians.iter().copied().fold(f64::NEG_INFINITY, f64::max);
    if least.is_finite() {
        (least, most)
    } else {
        (0.0, 0.0)
    }
}

/// A robust standard deviation of noise: how far each value is off the middle of its
/// neighbours, so that a steady movement is none.
fn noise(series: &[f64]) -> f64 {
    let off: Vec<f64> = series
        .windows(3)
        .map(|p| (p[1] - f64::midpoint(p[0], p[2])).abs())
        .collect();
    if off.is_empty() {
        return 0.0;
    }
    median(&off) * 1.4826 / 1.5f64.sqrt()
}

/// What the meter says of a reading, and no less than what units do by themselves.
fn meter_noise(meter: &[f64]) -> f64 {
    if meter.is_empty() {
        return 0.05;
    }
    median(meter).max(0.05)
}

impl Portrait {
    /// `None` where too little was played to tell anything.
    pub(super) fn of(
        curves: &UnitCurves,
        plan: &Plan,
        record: &RunRecord,
        incidents: &[Incident],
    ) -> Option<Self> {
        let unit = &curves.unit;
        let own = incidents.iter();
        let own = own.filter(|one| one.id.position == unit.position);
        let happened = Happened(own.collect());
        let rounds: Vec<Round> = unit
            .rounds
            .iter()
            .map(|round| {
                let good = round.samples.iter();
                let good = good.filter(|sample| !happened.spoils(sample.start));
                Round {
                    stage: round.stage,
                    samples: good.copied().collect(),
                }
            })
            .filter(|round| round.counting().next().is_some())
            .collect();
        let last = rounds
            .iter()
            .flat_map(Round::counting)
            .map(|sample| sample.middle)
            .fold(0.0, f64::max);
        let main = main_stage(curves, last)?;
        let stage = &curves.stages[&main];
        let reference = unit
            .reference
            .filter(|note| stage.fit.place(*note).is_some())?;
        let from_cold = stage.origin.is_power_on;
        let origin = stage.origin.at.seconds();
        let broken = stage.origin.broken.as_ref();
        let broken = broken.map_or(f64::INFINITY, |(at, _)| at.seconds());
        let rounds: Vec<&Round> = rounds
            .iter()
            .filter(|round| {
                let at = round.samples.first().map_or(0.0, |sample| sample.start);
                round.stage == main || (from_cold && at >= origin && at <= broken)
            })
            .collect();
        let warm_from = warm_from(stage, last);
        let is_warm = |round: &Round| {
            round.stage == main && round.counting().all(|sample| sample.middle >= warm_from)
        };
        // The warm profile, each round's own reference taken out.
        let mut retuned: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
        let mut meter: Vec<f64> = Vec::new();
        for round in rounds.iter().filter(|round| is_warm(round)) {
            let Some(line) = round.reference_line(Some(reference)) else {
                continue;
            };
            // What differs by where a note is come to from is no scatter.
            let mut of_round: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
            for sample in round.counting() {
                let off = sample.cents - line.at(sample.middle);
                of_round.entry(sample.note).or_default().push(off);
                meter.push(sample.u);
            }
            for (note, visits) in of_round {
                retuned.entry(note).or_default().push(mean(&visits));
            }
        }
        retuned.entry(reference).or_default().push(0.0);
        let pooled: Vec<f64> = retuned
            .values()
            .filter(|values| values.len() >= 6)
            .map(|values| noise(values))
            .collect();
        let pooled = if pooled.is_empty() {
            meter_noise(&meter)
        } else {
            median(&pooled)
        };
        let at = |note: usize| &unit.notes[note];
        let profile: Vec<ProfileNote> = retuned
            .iter()
            .map(|(note, values)| ProfileNote {
                x: at(*note).x,
                cents: median(values),
                // A note heard a few times shows little of its noise.
                sem: noise(values).max(pooled) / (values.len() as f64).sqrt(),
                step: curves.limits.step * at(*note).per_volt.abs(),
            })
            .collect();
        let warm_of: BTreeMap<usize, f64> = retuned
            .iter()
            .zip(&profile)
            .map(|((note, _), profile)| (*note, profile.cents))
            .collect();
        let scatters: Vec<f64> = retuned
            .iter()
            .filter(|(note, values)| **note != reference && values.len() >= 6)
            .map(|(_, values)| noise(values))
            .collect();
        let air = &curves.surroundings.air;
        let mut moments: Vec<Moment> = rounds
            .iter()
            .filter_map(|round| {
                let line = round.reference_line(Some(reference))?;
                let samples: Vec<(f64, f64)> = round
                    .counting()
                    .filter_map(|sample| {
                        let warm = warm_of.get(&sample.note)?;
                        Some((
                            at(sample.note).x,
                            sample.cents - line.at(sample.middle) - warm,
                        ))
                    })
                    .collect();
                let run_s = mean(&round.counting().map(|s| s.middle).collect::<Vec<_>>());
                Some(Moment {
                    t: run_s - origin,
                    run_s,
                    warm: is_warm(round),
                    level: line.at(run_s) - happened.jumped(run_s),
                    scale: scale_change(&samples),
                    air: air.near(run_s, AIR_NEAR_S),
                })
            })
            .collect();
        moments.sort_by(|a, b| a.t.total_cmp(&b.t));
        let warm_levels: Vec<f64> = moments
            .iter()
            .filter(|moment| moment.warm)
            .map(|moment| moment.level)
            .collect();
        let warm_level = if warm_levels.is_empty() {
            0.0
        } else {
            median(&warm_levels)
        };
        for moment in &mut moments {
            moment.level -= warm_level;
        }
        Some(Self {
            position: unit.position.clone(),
            stage: plan.stages[usize::from(main)].name().to_owned(),
            span: stage.fit.span,
            lowest: at(stage.fit.notes[0]).name.clone(),
            highest: at(*stage.fit.notes.last()?).name.clone(),
            from_cold,
            disturbed: happened.moved_it(warm_from),
            law: law(&profile),
            profile,
            scatter: if scatters.is_empty() {
                0.0
            } else {
                median(&scatters)
            },
            meter: if meter.is_empty() {
                0.0
            } else {
                median(&meter)
            },
            beside_hum: beside_hum(curves, record, main),
            up_and_down: hysteresis(unit, main, &stage.fit)
                .ok()
                .filter(|found| found.pairs >= LEAST_PAIRS)
                .map(|found| {
                    let difference = Uncertain {
                        value: found.mean,
                        u: found.u,
                    };
                    (difference, found.pairs)
                }),
            gain: curves.limits.gain.hypot(curves.limits.loading) * 1200.0,
            moments,
        })
    }

    /// A suggestion about this unit alone.
    pub(super) fn suggestion(
        &self,
        kind: SuggestionKind,
        size_cents: f64,
        seen: Seen,
    ) -> Suggestion {
        Suggestion {
            kind,
            positions: vec![self.position.clone()],
            stage: self.stage.clone(),
            seen,
            doubt: None,
            size_cents,
        }
    }

    pub(super) fn warm(&self) -> impl Iterator<Item = &Moment> {
        self.moments.iter().filter(|moment| moment.warm)
    }
}

/// By how much the scale differs from when warm. Only what the notes above and
/// below the reference agree in is a change of scale; what bends one end is not.
fn scale_change(samples: &[(f64, f64)]) -> Option<f64> {
    let slope = |side: &dyn Fn(f64) -> bool| -> Option<f64> {
        let squares: f64 = samples
            .iter()
            .filter(|s| side(s.0))
            .map(|s| s.0 * s.0)
            .sum();
        let products: f64 = samples
            .iter()
            .filter(|s| side(s.0))
            .map(|s| s.0 * s.1)
            .sum();
        (squares > 0.2).then(|| products / squares)
    };
    match (slope(&|x| x > 0.0), slope(&|x| x < 0.0)) {
        (Some(up), Some(down)) => {
            let (less, more) = if up.abs() < down.abs() {
                (up, down)
            } else {
                (down, up)
            };
            let alike = less * more > 0.0 && less.abs() > 0.5 * more.abs();
            // Small differences are noise, whatever their signs.
            Some(if alike || more.abs() < 0.3 { less } else { 0.0 })
        }
        (one, other) => one.or(other),
    }
}

/// The note that most often has hum beside it.
fn beside_hum(
    curves: &UnitCurves,
    record: &RunRecord,
    main: u16,
) -> Option<(String, usize, usize)> {
    let mut counts: BTreeMap<i64, (usize, usize, f64)> = BTreeMap::new();
    for reading in record
        .readings
        .iter()
        .filter(|reading| reading.key.position == curves.unit.position && reading.key.stage == main)
    {
        let note = reading.asked.note_number();
        let count = counts.entry((note * 1e4).round() as i64).or_default();
        let hum = reading.measured.state == State::HumTooNear
            || reading.measured.flags.contains(Flag::HumNear);
        count.0 += usize::from(hum);
        count.1 += 1;
        count.2 = note;
    }
    let (hums, all, note) = counts.into_values().max_by_key(|count| count.0)?;
    let name = model::document::notes::name_of(model::pitch::Pitch::new(note).ok()?);
    (hums > 0).then_some((name, hums, all))
}
