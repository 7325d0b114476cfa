//! Results of how a pitch moves by itself: from second to second, from reading to
//! reading, and towards where it comes to rest.

use crate::readings::deviation::{Held, Sample};
use crate::results::extremes::extreme;
use crate::results::found::{Answer, Found};
use crate::results::stage::StageResults;
use crate::statistics::allan::{Noise, interval, overlapping_allan, root_half_mean_square};
use crate::statistics::drift::theil_sen;
use crate::statistics::exponentials;
use model::record::Flag;
use model::result::{Basis, Choice, Curve, Known, NotDetermined, ResultName, Rounds, Scope, Which};

/// Fewer windows or pairs than this give no deviation.
const LEAST: usize = 10;
/// Windows are adjoining when they are no further apart than this, in hops.
const ADJOINING: f64 = 1.01;
/// The meter's own share is known to about this part of itself.
const METER_KNOWN_TO: f64 = 0.8;
/// So many standard deviations hold 95 % of a normal distribution, either way.
const Z: f64 = 1.96;

/// A stretch of a hold without a gap.
struct Gapless {
    cents: Vec<f64>,
    /// Mean variance of a window that is the meter's.
    meter: Option<f64>,
    hop: f64,
    from: f64,
}

/// A deviation over one averaging time.
#[derive(Debug, Clone, Copy)]
struct Deviation {
    tau: f64,
    value: f64,
    u: f64,
    low: f64,
    high: f64,
    noise: Noise,
    freedom: f64,
    raw: f64,
}

impl Deviation {
    fn known(&self) -> Known {
        Known::value_of(self.value, Some(self.u), Some(self.low), Some(self.high))
    }
}

/// A deviation with what is the meter's own taken out of it.
fn without_meter(tau: f64, raw: f64, meter: f64, noise: Noise, freedom: f64) -> Deviation {
    let (low, high) = interval(raw, freedom);
    let less = |deviation: f64, share: f64| (deviation * deviation - share * meter).max(0.0).sqrt();
    let value = less(raw, 1.0);
    let (low, high) = (
        less(low, 1.0 + METER_KNOWN_TO).min(value),
        less(high, 1.0 - METER_KNOWN_TO).max(value),
    );
    Deviation {
        tau,
        value,
        // Of what the meter may have in it as well as of how few the changes are.
        u: (high - low) / (2.0 * Z),
        low,
        high,
        noise,
        freedom,
        raw,
    }
}

impl Gapless {
    /// The longest stretch of a hold from a time on.
    fn longest(held: &Held, from: f64) -> Option<Self> {
        let usable = |sample: &&Sample| {
            sample.middle >= from
                && !sample.flags.contains(Flag::Xrun)
                && !sample.flags.contains(Flag::MaybeLocked)
        };
        let windows: Vec<&Sample> = held.windows().iter().filter(usable).collect();
        let mut steps: Vec<f64> = windows
            .windows(2)
            .map(|pair| pair[1].middle - pair[0].middle)
            .collect();
        steps.sort_by(f64::total_cmp);
        let hop = *steps.get(steps.len() / 2)?;
        let (mut best, mut first) = (0..0, 0);
        for place in 1..=windows.len() {
            let broken = windows.get(place).is_none_or(|now| {
                let step = now.middle - windows[place - 1].middle;
                step > hop * ADJOINING || step < hop / ADJOINING
            });
            if broken {
                if place - first > best.len() {
                    best = first..place;
                }
                first = place;
            }
        }
        let stretch = &windows[best];
        (hop > 0.0 && stretch.len() >= LEAST).then(|| Self {
            cents: stretch.iter().map(|sample| sample.cents).collect(),
            meter: stretch
                .iter()
                .map(|sample| sample.of_meter)
                .sum::<Option<f64>>()
                .map(|sum| sum / stretch.len() as f64),
            hop,
            from: stretch[0].start,
        })
    }

    /// The deviation over `m` windows.
    fn over(&self, m: usize) -> Option<Deviation> {
        let raw = overlapping_allan(&self.cents, m)?;
        // What is too short to tell its type is taken to be as what is shorter.
        let noise = (1..=m)
            .rev()
            .find_map(|shorter| Noise::of(&self.cents, shorter))
            .unwrap_or(Noise::White);
        let freedom = noise.degrees_of_freedom(self.cents.len(), m);
        let meter = self.meter? / m as f64;
        Some(without_meter(
            self.hop * m as f64,
            raw,
            meter,
            noise,
            freedom,
        ))
    }

    /// The deviations over ever longer times, up to a quarter of the stretch.
    fn curve(&self) -> Vec<Deviation> {
        std::iter::successors(Some(1usize), |m| Some(m * 2))
            .take_while(|m| m * 4 <= self.cents.len())
            .filter_map(|m| self.over(m))
            .collect()
    }
}

/// The longest gapless stretch of the stage's holds, after warm-up where known.
fn gapless(here: &StageResults<'_>) -> Option<(Gapless, usize, bool)> {
    let warm = here.warm_since().map(|t| here.origin_s() + t);
    let holds = here
        .curves
        .unit
        .holds
        .iter()
        .filter(|held| held.stage() == here.index);
    holds
        .filter_map(|held| {
            let note = held.windows().first()?.note;
            let after = warm.and_then(|from| Gapless::longest(held, from));
            let is_warm = after.is_some();
            let found = after.or_else(|| Gapless::longest(held, f64::NEG_INFINITY))?;
            Some((found, note, is_warm))
        })
        .max_by_key(|(found, ..)| found.cents.len())
}

/// The deviation over ever longer times: time, value, standard uncertainty.
pub(crate) fn stability_curve(here: &StageResults<'_>) -> Option<Curve> {
    let (stretch, ..) = gapless(here)?;
    Some(Curve {
        name: ResultName::ShortTermStability,
        position: here.curves.unit.position.clone(),
        stage: here.name.to_owned(),
        points: stretch
            .curve()
            .into_iter()
            .map(|deviation| (deviation.tau, deviation.value, deviation.u))
            .filter(|(tau, value, u)| tau.is_finite() && value.is_finite() && u.is_finite())
            .collect(),
    })
}

pub(super) fn short_term_stability(here: &StageResults<'_>, choice: &Choice) -> Answer {
    let Some((stretch, note, warm)) = gapless(here) else {
        return Err(NotDetermined::NotHeld { takes: LEAST });
    };
    if stretch.meter.is_none() {
        return Err(NotDetermined::MeterNotKept);
    }
    let asked = choice.over.unwrap_or(1.0);
    let m = ((asked / stretch.hop).round() as usize).max(1);
    if choice.over.is_some() && (m as f64 * stretch.hop / asked - 1.0).abs() > 0.01 {
        return Err(NotDetermined::NoMultiple {
            over_s: asked,
            hop_s: stretch.hop,
        });
    }
    let length = stretch.hop * stretch.cents.len() as f64;
    let found = stretch
        .over(m)
        .filter(|_| m * 4 <= stretch.cents.len())
        .ok_or(NotDetermined::StretchTooShort {
            longest_s: length,
            over_s: asked,
        })?;
    let times: Vec<f64> = (0..stretch.cents.len())
        .map(|i| i as f64 * stretch.hop)
        .collect();
    let thin = stretch.cents.len().div_ceil(500);
    let every = |values: &[f64]| values.iter().copied().step_by(thin).collect::<Vec<f64>>();
    let drift = theil_sen(&every(&times), &every(&stretch.cents)).unwrap_or(0.0);
    let basis = Basis::ShortTermStability {
        note: here.note_name(note),
        over_s: found.tau,
        stretch_s: length,
        warm,
        with_meter: found.raw,
        noise: found.noise.kind(),
        freedom: found.freedom,
        drift: drift * 3600.0,
    };
    let from_s = stretch.from - here.origin_s();
    let scope = Scope::Rounds {
        which: which(here.warm_since().filter(|_| warm)),
        from_s,
        to_s: from_s + length,
        count: stretch.cents.len(),
    };
    Ok(Found {
        t: Some(from_s),
        readings: stretch.cents.len(),
        ..Found::new(found.known(), scope, basis)
    })
}

/// Which readings count of a unit that was warm from then on.
fn which(warm_since: Option<f64>) -> Which {
    warm_since.map_or(Which::NeverWarm, |since_s| Which::Warm { since_s })
}

pub(super) fn change_between_readings(here: &StageResults<'_>, choice: &Choice) -> Answer {
    let (history, _) = here.history()?;
    let (place, name) = here.watched_note(history)?;
    let note = here.curves.stages[&here.index].fit.notes[place];
    // Readings themselves, not curves through them: the middle of each round.
    let mut readings: Vec<(f64, f64, Option<f64>)> = Vec::new();
    let warm_since = here.warm_since();
    let warm = warm_since.map_or(f64::NEG_INFINITY, |t| here.origin_s() + t);
    for round in here
        .curves
        .unit
        .rounds
        .iter()
        .filter(|round| round.stage == here.index)
    {
        let visits: Vec<&Sample> = round
            .counting()
            .filter(|sample| sample.note == note)
            .collect();
        if visits.is_empty() {
            continue;
        }
        let n = visits.len() as f64;
        let mean =
            |value: fn(&Sample) -> f64| visits.iter().map(|sample| value(sample)).sum::<f64>() / n;
        let t = mean(|sample| sample.middle);
        if t >= warm {
            let meter: Option<f64> = visits.iter().map(|sample| sample.of_meter).sum();
            let meter = meter.map(|sum| sum / (n * n));
            readings.push((t, mean(|sample| sample.cents), meter));
        }
    }
    if readings.len() < 2 {
        return Err(here.too_few_rounds(Rounds::Change, readings.len(), 2));
    }
    let mut steps: Vec<f64> = readings
        .windows(2)
        .map(|pair| pair[1].0 - pair[0].0)
        .collect();
    steps.sort_by(f64::total_cmp);
    let usual = steps.get(steps.len() / 2).copied().unwrap_or(0.0);
    let apart = choice.over.unwrap_or(usual);
    let slack = 0.2 * usual.min(apart);
    let mut changes = Vec::new();
    let mut meter = Some(0.0);
    for (place, first) in readings.iter().enumerate() {
        let next = readings[place + 1..]
            .iter()
            .find(|next| (next.0 - first.0 - apart).abs() <= slack);
        if let Some(next) = next {
            changes.push(next.1 - first.1);
            let both = first.2.zip(next.2);
            meter = meter
                .zip(both)
                .map(|(sum, (a, b))| sum + f64::midpoint(a, b));
        }
    }
    if changes.len() < LEAST || apart <= 0.0 {
        return Err(NotDetermined::TooFewPairs {
            apart_s: apart,
            have: changes.len(),
            takes: LEAST,
        });
    }
    let meter = meter.ok_or(NotDetermined::MeterNotKept)?;
    let raw = root_half_mean_square(&changes).unwrap_or(0.0);
    let series: Vec<f64> = readings.iter().map(|reading| reading.1).collect();
    let noise = Noise::of(&series, 1).unwrap_or(Noise::RandomWalk);
    let m = ((apart / usual.max(1e-9)).round() as usize).max(1);
    let freedom = noise
        .degrees_of_freedom(series.len(), m)
        .min(changes.len() as f64);
    let found = without_meter(apart, raw, meter / changes.len() as f64, noise, freedom);
    let basis = Basis::ChangeBetweenReadings {
        note: name,
        apart_s: apart,
        changes: changes.len(),
        with_meter: raw,
        noise: noise.kind(),
    };
    let t =
        |reading: Option<&(f64, f64, Option<f64>)>| reading.map_or(0.0, |r| r.0 - here.origin_s());
    let scope = Scope::Rounds {
        which: which(warm_since),
        from_s: t(readings.first()),
        to_s: t(readings.last()),
        count: readings.len(),
    };
    Ok(Found {
        readings: readings.len(),
        ..Found::new(found.known(), scope, basis)
    })
}

pub(super) fn largest_change_between_rounds(here: &StageResults<'_>) -> Answer {
    let (history, draws) = here.history()?;
    let (note, name) = here.watched_note(history)?;
    let rounds = history.stage_points();
    if rounds.len() < 2 {
        return Err(here.too_few_rounds(Rounds::Change, rounds.len(), 2));
    }
    let notes = history.x.len();
    let largest = |at: &dyn Fn(usize) -> f64| {
        rounds
            .windows(2)
            .map(|pair| (at(pair[1]) - at(pair[0])).abs())
            .fold(0.0, f64::max)
    };
    let found = extreme(history, draws, |values| {
        largest(&|place| values[place * notes + note])
    });
    let raw = largest(&|place| history.points[place].y[note]);
    let basis = Basis::LargestChangeBetweenRounds {
        note: name,
        smoothed_over: history.smoother.reach,
        single: raw,
    };
    Ok(Found::of_rounds(found, history, &rounds, Which::All, basis))
}

pub(super) fn convergence(here: &StageResults<'_>) -> Answer {
    let (history, _) = here.history()?;
    let (note, name) = here.watched_note(history)?;
    let found = exponentials::convergence(&history.times(), &history.raw(note))?;
    let Some((tau, u)) = found.constants.last().copied() else {
        return Err(here.nothing());
    };
    let terms = found.constants.iter().zip(&found.sizes);
    let basis = Basis::Convergence {
        note: name,
        terms: terms.map(|((tau, _), (size, _))| [*size, *tau]).collect(),
        origin: here.origin(),
    };
    let reach = crate::statistics::chi_square::student(found.freedom, 0.975) * u;
    let (low, high) = (tau * (-reach).exp(), tau * reach.exp());
    let scope = Scope::PowerCycle {
        to_s: history.points.last().map_or(0.0, |point| point.t),
    };
    Ok(Found {
        readings: history.points.iter().map(|point| point.readings).sum(),
        ..Found::new(
            Known::value_of(tau, Some(tau * u), Some(low), Some(high)),
            scope,
            basis,
        )
    })
}
