//! What is seen of one unit, boiled down to what tells causes apart.

use super::law::{Law, ProfileNote, Sized, law};
use crate::curves::unit::UnitCurves;
use crate::readings::deviation::{Round, Sample};
use crate::results::hysteresis::hysteresis;
use crate::statistics::{mean, median};
use model::document::plan::Plan;
use model::record::{Flag, PositionId, RunRecord, State};
use std::collections::BTreeMap;

/// A unit is taken to be warm from here on, in seconds since it was powered.
const WARM_S: f64 = 5400.0;
/// An air temperature counts for a round when it was read this near to it, in seconds.
const AIR_NEAR_S: f64 = 1800.0;
/// Fewer pairs than this say nothing of up against down.
const LEAST_PAIRS: usize = 5;
/// How near in time rounds of two units belong together, as a part of the time
/// between rounds.
const NEIGHBOURS: usize = 4;

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

/// A reading that stands off those before and after it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Jump {
    pub(super) run_s: f64,
    pub(super) cents: f64,
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
    pub(super) law: Option<Law>,
    pub(super) profile: Vec<ProfileNote>,
    pub(super) jumps: Vec<Jump>,
    /// Scatter of a note from round to round, and what the meter says of it; cents.
    pub(super) scatter: f64,
    pub(super) meter: f64,
    /// Readings beside hum, and the note they are mostly of: how many, of how many.
    pub(super) beside_hum: Option<(String, usize, usize)>,
    /// From above less from below, and how many pairs.
    pub(super) up_and_down: Option<(Sized, usize)>,
    pub(super) maybe_locked: Vec<f64>,
    /// Cents per octave of the limit of the rig's gain.
    pub(super) gain: f64,
}

/// The stage that shows most of a unit: the most readings over (nearly) the widest
/// span.
fn main_stage(curves: &UnitCurves) -> Option<u16> {
    let widest = curves
        .stages
        .values()
        .map(|stage| stage.fit.span)
        .fold(0.0, f64::max);
    curves
        .stages
        .iter()
        .filter(|(_, stage)| stage.fit.notes.len() >= 3 && stage.fit.span >= 0.9)
        .filter(|(_, stage)| stage.fit.span > 0.8 * widest)
        .max_by_key(|(_, stage)| {
            let rounds = stage.fit.rounds.iter();
            rounds.map(|round| round.note_of.len()).sum::<usize>()
        })
        .map(|(index, _)| *index)
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

/// A robust standard deviation of noise: from the steps between neighbours.
fn noise(series: &[f64]) -> f64 {
    let steps: Vec<f64> = series.windows(2).map(|p| (p[1] - p[0]).abs()).collect();
    if steps.is_empty() {
        return 0.0;
    }
    median(&steps) * 1.4826 / 2f64.sqrt()
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
    pub(super) fn of(curves: &UnitCurves, plan: &Plan, record: &RunRecord) -> Option<Self> {
        let main = main_stage(curves)?;
        let stage = &curves.stages[&main];
        let unit = &curves.unit;
        let reference = unit
            .reference
            .filter(|note| stage.fit.place(*note).is_some())?;
        let from_cold = stage.origin.is_power_on;
        let origin = stage.origin.at.seconds();
        let broken = stage.origin.broken.as_ref();
        let broken = broken.map_or(f64::INFINITY, |(at, _)| at.seconds());
        let rounds: Vec<&Round> = unit
            .rounds
            .iter()
            .filter(|round| {
                let at = round.samples.first().map_or(0.0, |sample| sample.start);
                round.stage == main || (from_cold && at >= origin && at <= broken)
            })
            .filter(|round| round.counting().next().is_some())
            .collect();
        let last = rounds
            .iter()
            .flat_map(|round| round.counting())
            .map(|sample| sample.middle - origin)
            .fold(0.0, f64::max);
        let warm_from = if !from_cold {
            f64::NEG_INFINITY
        } else if last > 2.0 * WARM_S {
            WARM_S
        } else {
            2.0 / 3.0 * last
        };
        let is_warm = |round: &Round| {
            round.stage == main
                && round
                    .counting()
                    .all(|sample| sample.middle - origin >= warm_from)
        };
        // The warm profile, each round's own reference taken out.
        let mut retuned: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
        let mut meter: Vec<f64> = Vec::new();
        for round in rounds.iter().filter(|round| is_warm(round)) {
            let Some(line) = round.reference_line(Some(reference)) else {
                continue;
            };
            for sample in round.counting() {
                let off = sample.cents - line.at(sample.middle);
                retuned.entry(sample.note).or_default().push(off);
                meter.push(sample.u);
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
                    level: line.at(run_s),
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
        let settled = if from_cold {
            1800.0_f64.min(warm_from)
        } else {
            f64::NEG_INFINITY
        };
        let later: Vec<&&Round> = rounds
            .iter()
            .filter(|round| round.counting().all(|s| s.middle - origin >= settled))
            .collect();
        Some(Self {
            position: unit.position.clone(),
            stage: plan.stages[usize::from(main)].name().to_owned(),
            span: stage.fit.span,
            lowest: at(stage.fit.notes[0]).name.clone(),
            highest: at(*stage.fit.notes.last()?).name.clone(),
            from_cold,
            law: law(&profile),
            profile,
            jumps: jumps(&later),
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
                    let difference = Sized {
                        value: found.mean,
                        u: found.u,
                    };
                    (difference, found.pairs)
                }),
            maybe_locked: unit
                .rounds
                .iter()
                .flat_map(|round| &round.samples)
                .filter(|sample| sample.flags.contains(Flag::MaybeLocked))
                .map(|sample| sample.middle)
                .collect(),
            gain: curves.limits.gain * 1200.0,
            moments,
        })
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

/// Readings that stand off what the same note was before and after.
fn jumps(rounds: &[&&Round]) -> Vec<Jump> {
    let mut series: BTreeMap<(usize, u16), Vec<&Sample>> = BTreeMap::new();
    for round in rounds {
        for sample in round.counting() {
            series
                .entry((sample.note, sample.slot))
                .or_default()
                .push(sample);
        }
    }
    let mut off: Vec<Jump> = Vec::new();
    for samples in series.values_mut() {
        samples.sort_by(|a, b| a.middle.total_cmp(&b.middle));
        for (place, sample) in samples.iter().enumerate() {
            let reach = NEIGHBOURS.min(place).min(samples.len() - 1 - place);
            // At either end there is nothing to come back to.
            if reach < 2 {
                continue;
            }
            let around: Vec<f64> = samples[place - reach..=place + reach]
                .iter()
                .map(|sample| sample.cents)
                .collect();
            off.push(Jump {
                run_s: sample.middle,
                cents: sample.cents - median(&around),
            });
        }
    }
    if off.len() < 20 {
        return Vec::new();
    }
    let sizes: Vec<f64> = off.iter().map(|jump| jump.cents.abs()).collect();
    let least = (10.0 * 1.4826 * median(&sizes)).max(2.0);
    off.retain(|jump| jump.cents.abs() > least);
    off.sort_by(|a, b| a.run_s.total_cmp(&b.run_s));
    off
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
