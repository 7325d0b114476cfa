//! What a pitch does with its surroundings: so much for a kelvin, so much for a volt.

use crate::readings::surroundings::Series;
use crate::statistics::level_model::{Candidate, Mixture, Wander, candidate, grouped};
use crate::statistics::trials::Trials;
use crate::statistics::{quantile, standard_deviation};
use model::result::{NotDetermined, NotMoved, Rounds};

/// Draws of the interval.
const DRAWS: usize = 4000;
/// Thermal lags that are tried, besides none, in seconds.
const SHORTEST_LAG: f64 = 60.0;
const LONGEST_LAG: f64 = 6.0 * 3600.0;
const LAGS: usize = 16;
/// Where a part compensates later, the rest of the unit is behind the air by no more than
/// this, in seconds: a longer lag and such a part look the same.
const LONGEST_BEFORE_COMPENSATION: f64 = 1800.0;
/// How often the lags are laid closer together around the likely ones.
const REFINEMENTS: usize = 5;
/// The air must have moved by this, in kelvin, and by a third of it back again.
pub(crate) const LEAST_SPAN: f64 = 3.0;
pub(crate) const LEAST_REVERSAL: f64 = 1.0;
/// The supply must have moved by this, in volts.
const LEAST_VOLTS: f64 = 0.05;
/// Fewer rounds than this give no coefficient.
const LEAST_ROUNDS: usize = 12;

/// A coefficient with its interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Coefficient {
    pub(crate) value: f64,
    pub(crate) u: f64,
    pub(crate) low: f64,
    pub(crate) high: f64,
    /// The thermal lag, in seconds: the middle of what is likely.
    pub(crate) lag: f64,
    /// The mean of the surroundings, and how far they moved.
    pub(crate) mean: f64,
    pub(crate) span: f64,
}

fn of_mixture(mixture: &Mixture, lags: &[f64], trials: &mut Trials) -> (Coefficient, f64) {
    let draws = mixture.draws(DRAWS, trials);
    let mut values: Vec<f64> = draws.iter().map(|(_, drawn)| drawn[0]).collect();
    let mut likely: Vec<f64> = draws.iter().map(|(place, _)| lags[*place]).collect();
    let u = standard_deviation(&values);
    values.sort_by(f64::total_cmp);
    likely.sort_by(f64::total_cmp);
    let coefficient = Coefficient {
        value: mixture.mean(|_, candidate| candidate.coefficients[0]),
        u,
        low: quantile(&values, 0.025),
        high: quantile(&values, 0.975),
        lag: quantile(&likely, 0.5),
        mean: 0.0,
        span: 0.0,
    };
    (coefficient, u)
}

/// The temperature coefficient of values at ascending times, through a first-order
/// thermal lag that is fitted too: without it a lag as long as the cycle of the room
/// hides nearly all of the effect; with and without a part that compensates later. What
/// the unit had when the log began is a term of its own that dies away, and so is what is
/// left of warming up, where its time constant is known (`rest`, in seconds).
pub(crate) fn with_temperature(
    times: &[f64],
    values: &[f64],
    air: &Series,
    rest: Option<f64>,
    trials: &mut Trials,
) -> Result<Coefficient, NotDetermined> {
    if air.is_empty() {
        return Err(NotDetermined::Air(NotMoved::NotRead));
    }
    enough(times)?;
    let course = air.course(times);
    let span = course.span();
    if span < LEAST_SPAN {
        return Err(NotDetermined::Air(NotMoved::Still {
            by: span,
            takes: LEAST_SPAN,
        }));
    }
    let reversal = course.rise.min(course.fall);
    if reversal < LEAST_REVERSAL {
        return Err(NotDetermined::Air(NotMoved::OneWay {
            by: span,
            back: reversal,
        }));
    }
    let length = times[times.len() - 1] - times[0];
    let longest = LONGEST_LAG.min(length / 2.0).max(SHORTEST_LAG);
    let of_air = OfAir {
        times,
        values,
        air,
        rest,
    };
    let (mut candidates, mut lag_of) = of_air.at_likely_lags(longest, Answer::Follows);
    let later = longest.min(LONGEST_BEFORE_COMPENSATION);
    let (others, lags) = of_air.at_likely_lags(later, Answer::CompensatesLater);
    candidates.extend(others);
    lag_of.extend(lags);
    let mixture = Mixture::of(candidates).ok_or(NotDetermined::Air(NotMoved::Alike))?;
    let (mut coefficient, _) = of_mixture(&mixture, &lag_of, trials);
    coefficient.mean = course.mean;
    coefficient.span = span;
    Ok(coefficient)
}

/// Lags from one to another, the same factor apart.
fn spaced(from: f64, to: f64) -> impl Iterator<Item = f64> {
    (0..LAGS).map(move |place| from * (to / from).powf(place as f64 / (LAGS - 1) as f64))
}

/// How a unit answers to the air.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Answer {
    /// As a body that follows it with a lag.
    Follows,
    /// So, but for a part that compensates and comes later, as a resistor that follows the
    /// pair of transistors beside it. It leaves nothing where the air is steady, and so
    /// nothing of the coefficient, but while the air moves it may be all there is: with a
    /// lag alone its trace would be taken for a large coefficient behind a long lag.
    CompensatesLater,
}

/// A pitch and the air around it.
struct OfAir<'a> {
    times: &'a [f64],
    values: &'a [f64],
    air: &'a Series,
    /// The time constant of what is left of warming up, in seconds.
    rest: Option<f64>,
}

impl OfAir<'_> {
    /// Fits under lags up to the longest, closer together around the likely ones, and
    /// which lag each is of.
    fn at_likely_lags(&self, longest: f64, answer: Answer) -> (Vec<Candidate>, Vec<f64>) {
        let mut lags: Vec<f64> = std::iter::once(0.0)
            .chain(spaced(SHORTEST_LAG, longest))
            .collect();
        let (mut candidates, mut lag_of) = (Vec::new(), Vec::new());
        for _ in 0..REFINEMENTS {
            (candidates, lag_of) = self.at_lags(&lags, answer);
            // The best of each lag; where it stands alone, look between its neighbours.
            let best = |lag: f64| {
                candidates
                    .iter()
                    .zip(&lag_of)
                    .filter(|(_, other)| **other == lag)
                    .map(|(candidate, _)| candidate.log_likelihood)
                    .fold(f64::NEG_INFINITY, f64::max)
            };
            let likely: Vec<f64> = lags.iter().map(|lag| best(*lag)).collect();
            let top = likely.iter().copied().fold(f64::NEG_INFINITY, f64::max);
            let near: Vec<usize> = (0..lags.len())
                .filter(|place| likely[*place] > top - 4.0)
                .collect();
            let (Some(first), Some(last)) = (near.first(), near.last()) else {
                break;
            };
            if last - first >= 6 {
                break;
            }
            let from = lags[first.saturating_sub(1)];
            let to = lags[(last + 1).min(lags.len() - 1)];
            lags = if from > 0.0 {
                spaced(from, to).collect()
            } else {
                (0..LAGS)
                    .map(|place| to * place as f64 / (LAGS - 1) as f64)
                    .collect()
            };
        }
        (candidates, lag_of)
    }

    /// Fits under every lag and every kind of wandering.
    fn at_lags(&self, lags: &[f64], answer: Answer) -> (Vec<Candidate>, Vec<f64>) {
        let (times, air) = (self.times, self.air);
        let (mut candidates, mut lag_of) = (Vec::new(), Vec::new());
        let dies_away = |constant: f64| -> Vec<f64> {
            let from_start = times.iter().map(|t| t - times[0]);
            from_start.map(|t| (-t / constant).exp()).collect()
        };
        // Once it has died away there is nothing of it to tell.
        let is_there = |term: &Vec<f64>| term.get(1).is_some_and(|rest| *rest > 1e-3);
        for &lag in lags {
            let body = air.lagged(times, lag);
            // Two of nearly the same time constant are one.
            let rest = self
                .rest
                .filter(|rest| (rest / lag.max(1.0)).ln().abs() > 0.2);
            let mut series = vec![times.to_vec(), self.values.to_vec(), body.clone()];
            series.extend((lag > 0.0).then(|| dies_away(lag)).filter(is_there));
            series.extend(rest.map(dies_away).filter(is_there));
            if answer == Answer::CompensatesLater {
                // How fast the body follows: a part that comes a little later is behind it
                // by so much.
                let (sooner, later) = if lag > 0.0 {
                    (air.lagged(times, 0.0), body)
                } else {
                    (body, air.lagged(times, SHORTEST_LAG))
                };
                let apart = sooner
                    .iter()
                    .zip(later)
                    .map(|(sooner, later)| sooner - later);
                series.push(apart.collect());
            }
            let short = grouped(&series.iter().map(Vec::as_slice).collect::<Vec<_>>());
            for wander in Wander::all(&short[0]) {
                if let Some(mut found) = candidate(&short[0], &short[1], &short[2..], wander) {
                    if answer == Answer::CompensatesLater {
                        // Either answer is as likely beforehand as the other: a room that
                        // goes up and down in one wave cannot tell them apart, and then
                        // both are possible.
                        found.log_likelihood += 0.5 * ((short[0].len() - 1) as f64).ln();
                    }
                    candidates.push(found);
                    lag_of.push(lag);
                }
            }
        }
        (candidates, lag_of)
    }
}

/// What a volt more of supply does to values at ascending times.
pub(crate) fn with_supply(
    times: &[f64],
    values: &[f64],
    supply: &Series,
    trials: &mut Trials,
) -> Result<Coefficient, NotDetermined> {
    if supply.is_empty() {
        return Err(NotDetermined::Supply(NotMoved::NotRead));
    }
    enough(times)?;
    let volts: Vec<f64> = times.iter().map(|t| supply.at(*t)).collect();
    let course = supply.course(times);
    let span = course.span();
    if span < LEAST_VOLTS {
        return Err(NotDetermined::Supply(NotMoved::Still {
            by: span,
            takes: LEAST_VOLTS,
        }));
    }
    let short = grouped(&[times, values, &volts]);
    let candidates: Vec<Candidate> = Wander::all(&short[0])
        .into_iter()
        .filter_map(|wander| candidate(&short[0], &short[1], &short[2..], wander))
        .collect();
    let lags = vec![0.0; candidates.len()];
    let mixture = Mixture::of(candidates).ok_or(NotDetermined::Supply(NotMoved::Alike))?;
    let (mut coefficient, _) = of_mixture(&mixture, &lags, trials);
    coefficient.mean = course.mean;
    coefficient.span = span;
    Ok(coefficient)
}

fn enough(times: &[f64]) -> Result<(), NotDetermined> {
    let different = times.windows(2).filter(|pair| pair[1] > pair[0]).count() + 1;
    if times.is_empty() || different < LEAST_ROUNDS {
        return Err(NotDetermined::TooFewRounds {
            to: Rounds::Coefficient,
            have: different.min(times.len()),
            takes: LEAST_ROUNDS,
        });
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// A room over a night: down by some kelvin and up again.
    fn room() -> Series {
        Series::of(
            (0..720)
                .map(|minute| {
                    let t = f64::from(minute) * 60.0;
                    (t, 22.0 - 2.5 * (std::f64::consts::TAU * t / 43_200.0).sin())
                })
                .collect(),
        )
    }

    fn night() -> Vec<f64> {
        (0..70).map(|i| f64::from(i) * 600.0).collect()
    }

    #[test]
    fn a_lag_as_long_as_an_hour_hides_nothing() {
        let (air, times) = (room(), night());
        for lag in [0.0, 600.0, 3600.0, 9000.0] {
            let mut trials = Trials::of([21, lag as u64, 0]);
            let values: Vec<f64> = air
                .lagged(&times, lag)
                .into_iter()
                .map(|body| 1.5 * body + 0.03 * trials.normal())
                .collect();
            let found = with_temperature(&times, &values, &air, None, &mut trials).unwrap();
            assert!((found.value - 1.5).abs() < 0.15, "{lag} {found:?}");
            assert!(found.low <= 1.5 && found.high >= 1.5, "{lag} {found:?}");
            assert!((found.span - 5.0).abs() < 0.1);
        }
    }

    #[test]
    fn the_interval_holds_the_truth_while_the_unit_wanders() {
        let (air, times) = (room(), night());
        let nights = 200;
        let mut held = 0;
        for night in 0..nights {
            let mut trials = Trials::of([22, night, 0]);
            let lag = [0.0, 900.0, 2700.0][night as usize % 3];
            let walk = [0.0, 0.05, 0.15][(night / 3) as usize % 3];
            let mut level = 0.0;
            let values: Vec<f64> = air
                .lagged(&times, lag)
                .into_iter()
                .map(|body| {
                    level += walk * trials.normal();
                    0.8 * body + level + 0.05 * trials.normal()
                })
                .collect();
            let found = with_temperature(&times, &values, &air, None, &mut trials).unwrap();
            held += usize::from((found.low..=found.high).contains(&0.8));
        }
        let share = held as f64 / nights as f64;
        assert!((0.90..=1.0).contains(&share), "{share}");
    }

    #[test]
    fn what_cannot_be_told_is_said() {
        let times = night();
        let values = vec![0.0; times.len()];
        let mut trials = Trials::of([23, 0, 0]);
        let mut why =
            |air: Series| with_temperature(&times, &values, &air, None, &mut trials).unwrap_err();
        assert_eq!(
            why(Series::default()),
            NotDetermined::Air(NotMoved::NotRead)
        );
        let still = why(Series::of(vec![(0.0, 20.0), (43_200.0, 21.0)]));
        assert!(
            matches!(still, NotDetermined::Air(NotMoved::Still { by, .. }) if (by - 1.0).abs() < 0.05),
            "{still:?}"
        );
        let one_way = why(Series::of(vec![(0.0, 20.0), (43_200.0, 25.0)]));
        assert!(
            matches!(one_way, NotDetermined::Air(NotMoved::OneWay { .. })),
            "{one_way:?}"
        );
    }

    #[test]
    fn a_supply_that_is_moved_shows_what_it_does() {
        let times = night();
        let supply = Series::of(
            times
                .iter()
                .enumerate()
                .map(|(place, t)| (*t, 12.0 + 0.25 * ((place / 10) % 2) as f64))
                .collect(),
        );
        let mut trials = Trials::of([24, 0, 0]);
        let values: Vec<f64> = times
            .iter()
            .map(|t| -3.0 * supply.at(*t) + 0.02 * trials.normal())
            .collect();
        let found = with_supply(&times, &values, &supply, &mut trials).unwrap();
        assert!(
            found.low <= -3.0 && found.high >= -3.0 && found.u < 0.1,
            "{found:?}"
        );
        let still = Series::of(vec![(0.0, 12.0), (43_200.0, 12.01)]);
        let why = with_supply(&times, &values, &still, &mut trials).unwrap_err();
        assert!(
            matches!(
                why,
                NotDetermined::Supply(NotMoved::Still { takes: 0.05, .. })
            ),
            "{why:?}"
        );
    }
}
