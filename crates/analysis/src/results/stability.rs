//! Results of how a pitch moves by itself: from second to second, from reading to
//! reading, and towards where it comes to rest.

use super::{Found, Missing, Night};
use crate::readings::USUAL_LIMIT;
use crate::readings::deviation::{Held, Sample};
use crate::results::choice::Choice;
use crate::results::extremes::extreme;
use crate::results::warm_up::{Steady, USUAL_STAY_S, Watched};
use crate::statistics::allan::{Noise, interval, overlapping_allan, root_half_mean_square};
use crate::statistics::drift::theil_sen;
use crate::statistics::exponentials::convergence;
use crate::words::{are, counted, duration, signed};
use model::record::Flag;
use model::result::{Curve, ResultName};

/// Fewer windows or pairs than this give no deviation.
const LEAST: usize = 10;
/// Windows are adjoining when they are no further apart than this, in hops.
const ADJOINING: f64 = 1.01;
/// The meter's own share is known to about this part of itself.
const METER_KNOWN_TO: f64 = 0.8;
/// Why there is nothing to be taken out.
const METER_NOT_KEPT: &str =
    "the readings were kept by an older version, without the meter's own noise";
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

impl Night<'_> {
    /// From when on the unit is warm, in seconds of the run; `None` where that is
    /// not known.
    fn warm_since(&self) -> Option<f64> {
        match self.steady(Watched::ReferenceNote, USUAL_LIMIT, USUAL_STAY_S) {
            Ok(Steady::From { t, .. }) => Some(self.origin_s() + t),
            _ => None,
        }
    }

    /// The longest gapless stretch of the stage's holds, after warm-up where known.
    fn gapless(&self) -> Option<(Gapless, usize, bool)> {
        let warm = self.warm_since();
        let holds = self
            .curves
            .unit
            .holds
            .iter()
            .filter(|held| held.stage() == self.index);
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
    pub(crate) fn stability_curve(&self) -> Option<Curve> {
        let (stretch, ..) = self.gapless()?;
        Some(Curve {
            name: ResultName::ShortTermStability,
            position: self.curves.unit.position.clone(),
            stage: self.name.to_owned(),
            points: stretch
                .curve()
                .into_iter()
                .map(|deviation| (deviation.tau, deviation.value, deviation.u))
                .filter(|(tau, value, u)| tau.is_finite() && value.is_finite() && u.is_finite())
                .collect(),
        })
    }

    pub(super) fn short_term_stability(&self, choice: &Choice) -> Result<Found, Missing> {
        let Some((stretch, note, is_warm)) = self.gapless() else {
            return Err(format!(
                "it takes a note that is listened to without a gap for {LEAST} windows; use a hold"
            )
            .into());
        };
        if stretch.meter.is_none() {
            return Err(METER_NOT_KEPT.to_owned().into());
        }
        let asked = choice.over.unwrap_or(1.0);
        let m = ((asked / stretch.hop).round() as usize).max(1);
        if choice.over.is_some() && (m as f64 * stretch.hop / asked - 1.0).abs() > 0.01 {
            return Err(format!(
                "{} is no multiple of the hop of {}",
                precise(asked),
                precise(stretch.hop)
            )
            .into());
        }
        let found = stretch
            .over(m)
            .filter(|_| m * 4 <= stretch.cents.len())
            .ok_or_else(|| {
                format!(
                    "the longest stretch without a gap lasts {}, and {} takes four times as long",
                    duration(stretch.hop * stretch.cents.len() as f64),
                    precise(asked)
                )
            })?;
        let times: Vec<f64> = (0..stretch.cents.len())
            .map(|i| i as f64 * stretch.hop)
            .collect();
        let thin = stretch.cents.len().div_ceil(500);
        let every = |values: &[f64]| values.iter().copied().step_by(thin).collect::<Vec<f64>>();
        let drift = theil_sen(&every(&times), &every(&stretch.cents)).unwrap_or(0.0);
        let warm = if is_warm {
            ", after warm-up"
        } else {
            "; whether it was warm is not known"
        };
        Ok(Found {
            value: found.value,
            u: Some(found.u),
            low: Some(found.low),
            high: Some(found.high),
            t: Some(stretch.from - self.origin_s()),
            readings: stretch.cents.len(),
            needs_until: Some(f64::INFINITY),
            ..Found::with(format!(
                "over {}; overlapping Allan deviation at {} of {} without a gap{warm}; the meter's own share is taken out of {:.3} cents; {} with {:.0} degrees of freedom; a steady drift of {} cents per hour is in it",
                precise(found.tau),
                self.note_name(note),
                duration(stretch.hop * stretch.cents.len() as f64),
                found.raw,
                found.noise.words(),
                found.freedom,
                signed(drift * 3600.0),
            ))
        })
    }

    pub(super) fn change_between_readings(&self, choice: &Choice) -> Result<Found, Missing> {
        let (history, _) = self.history()?;
        let (place, name) = self.watched_note(history)?;
        let note = self.curves.stages[&self.index].fit.notes[place];
        // Readings themselves, not curves through them: the middle of each round.
        let mut readings: Vec<(f64, f64, Option<f64>)> = Vec::new();
        let warm = self.warm_since().unwrap_or(f64::NEG_INFINITY);
        for round in self
            .curves
            .unit
            .rounds
            .iter()
            .filter(|round| round.stage == self.index)
        {
            let visits: Vec<&Sample> = round
                .counting()
                .filter(|sample| sample.note == note)
                .collect();
            if visits.is_empty() {
                continue;
            }
            let n = visits.len() as f64;
            let mean = |value: fn(&Sample) -> f64| {
                visits.iter().map(|sample| value(sample)).sum::<f64>() / n
            };
            let t = mean(|sample| sample.middle);
            if t >= warm {
                let meter: Option<f64> = visits.iter().map(|sample| sample.of_meter).sum();
                readings.push((
                    t,
                    mean(|sample| sample.cents),
                    meter.map(|sum| sum / (n * n)),
                ));
            }
        }
        if readings.len() < 2 {
            return Err(self.too_few_rounds(readings.len(), 2, "one round shows no change"));
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
            return Err(format!(
                "{} that {} {} apart when it is warm {} too few; it takes {LEAST}",
                counted(changes.len(), "pair"),
                if changes.len() == 1 { "lies" } else { "lie" },
                duration(apart),
                are(changes.len())
            )
            .into());
        }
        let Some(meter) = meter else {
            return Err(METER_NOT_KEPT.to_owned().into());
        };
        let raw = root_half_mean_square(&changes).unwrap_or(0.0);
        let series: Vec<f64> = readings.iter().map(|reading| reading.1).collect();
        let noise = Noise::of(&series, 1).unwrap_or(Noise::RandomWalk);
        let m = ((apart / usual.max(1e-9)).round() as usize).max(1);
        let freedom = noise
            .degrees_of_freedom(series.len(), m)
            .min(changes.len() as f64);
        let found = without_meter(apart, raw, meter / changes.len() as f64, noise, freedom);
        Ok(Found {
            value: found.value,
            u: Some(found.u),
            low: Some(found.low),
            high: Some(found.high),
            readings: readings.len(),
            needs_until: Some(f64::INFINITY),
            ..Found::with(format!(
                "readings {} apart; at {name}, root of half the mean square of {}, the meter's own share taken out of {raw:.3} cents; it moves like {}",
                duration(apart),
                counted(changes.len(), "change"),
                noise.words(),
            ))
        })
    }

    pub(super) fn largest_change_between_rounds(&self) -> Result<Found, Missing> {
        let (history, draws) = self.history()?;
        let (note, name) = self.watched_note(history)?;
        let rounds = history.stage_points();
        if rounds.len() < 2 {
            return Err(self.too_few_rounds(rounds.len(), 2, "one round shows no change"));
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
        let meaning = format!(
            "of {name} from one round to the next, smoothed over {}; {raw:.2} cents of single rounds",
            counted(history.smoother.reach, "round"),
        );
        Ok(Self::of_rounds(found, history, &rounds, meaning))
    }

    pub(super) fn convergence(&self) -> Result<Found, Missing> {
        let (history, _) = self.history()?;
        let (note, name) = self.watched_note(history)?;
        let found = convergence(&history.times(), &history.raw(note))?;
        let Some((tau, u)) = found.constants.last().copied() else {
            return Err(self.nothing().into());
        };
        let terms: Vec<String> = found
            .constants
            .iter()
            .zip(&found.sizes)
            .map(|((tau, _), (size, _))| format!("{} cents with {}", signed(*size), duration(*tau)))
            .collect();
        let which = if terms.len() > 1 {
            "the longer of two"
        } else {
            "one exponential"
        };
        let reach = crate::statistics::chi_square::student(found.freedom, 0.975) * u;
        Ok(Found {
            value: tau,
            u: Some(tau * u),
            low: Some(tau * (-reach).exp()),
            high: Some(tau * reach.exp()),
            readings: history.points.iter().map(|point| point.readings).sum(),
            needs_until: Some(f64::INFINITY),
            ..Found::with(format!(
                "{which}; {name} comes to rest from {}, by all rounds since t = 0; {}",
                terms.join(" and "),
                self.origin_words(),
            ))
        })
    }
}

/// A time that may be a fraction of a second.
fn precise(seconds: f64) -> String {
    duration(seconds)
}
