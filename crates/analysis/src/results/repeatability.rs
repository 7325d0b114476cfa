//! Repeatability: leave the note and come back, within a round.

use crate::curves::tracking::StageFit;
use crate::readings::deviation::UnitReadings;
use std::collections::BTreeMap;

/// A pooled standard deviation.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pooled {
    pub(crate) sd: f64,
    pub(crate) degrees_of_freedom: f64,
    pub(crate) readings: usize,
}

impl Pooled {
    /// The 95 % interval of the standard deviation: `sqrt(n s^2 / chi^2)`.
    pub(crate) fn interval(self) -> (f64, f64) {
        crate::statistics::allan::interval(self.sd, self.degrees_of_freedom)
    }
    /// Its standard uncertainty, for large numbers `s / sqrt(2 n)`.
    pub(crate) fn u(self) -> f64 {
        self.sd / (2.0 * self.degrees_of_freedom).sqrt()
    }
}

/// Pools the scatter of each note's visits within each round, steady drift from
/// round to round taken out. Where there are fewer than three rounds the round's
/// own drift is taken out, at the price of a degree of freedom.
pub(crate) fn repeatability(unit: &UnitReadings, stage: u16, fit: &StageFit) -> Option<Pooled> {
    let rounds: Vec<_> = unit
        .rounds
        .iter()
        .filter(|round| round.stage == stage)
        .collect();
    let fitted: BTreeMap<i64, usize> = fit
        .rounds
        .iter()
        .enumerate()
        .map(|(place, round)| ((round.from * 1e3).round() as i64, place))
        .collect();
    let level = unit.reference.and_then(|note| fit.place(note)).unwrap_or(0);
    let (mut squares, mut freedom, mut readings) = (0.0, 0.0, 0);
    for round in rounds {
        let first = round
            .counting()
            .map(|sample| sample.start)
            .fold(f64::INFINITY, f64::min);
        let Some(&place) = fitted.get(&((first * 1e3).round() as i64)) else {
            continue;
        };
        let (before, after) = (
            &fit.rounds[place.saturating_sub(1)],
            &fit.rounds[(place + 1).min(fit.rounds.len() - 1)],
        );
        let from_neighbours = fit.rounds.len() >= 3 && after.t > before.t;
        let drift = if from_neighbours {
            (after.y[level] - before.y[level]) / (after.t - before.t)
        } else {
            fit.rounds[place]
                .drift
                .as_ref()
                .map_or(0.0, |drift| drift.value)
        };
        let mut visits: BTreeMap<usize, Vec<f64>> = BTreeMap::new();
        for sample in round.counting() {
            let settled = sample.cents - drift * (sample.middle - fit.rounds[place].t);
            visits.entry(sample.note).or_default().push(settled);
        }
        let mut free = 0.0;
        for visits in visits.into_values().filter(|visits| visits.len() > 1) {
            let n = visits.len() as f64;
            let mean = visits.iter().sum::<f64>() / n;
            squares += visits
                .iter()
                .map(|value| (value - mean).powi(2))
                .sum::<f64>();
            free += n - 1.0;
            readings += visits.len();
        }
        if !from_neighbours && free > 0.0 {
            free -= 1.0;
        }
        freedom += free;
    }
    (freedom > 0.0).then(|| Pooled {
        sd: (squares / freedom).sqrt(),
        degrees_of_freedom: freedom,
        readings,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_interval_is_that_of_chi_square() {
        // Chi-square with 10 degrees of freedom: 3.247 and 20.483 cut off 2.5 %
        // either side (any table).
        let pooled = Pooled {
            sd: 1.0,
            degrees_of_freedom: 10.0,
            readings: 20,
        };
        let (low, high) = pooled.interval();
        assert!((low - (10.0f64 / 20.483).sqrt()).abs() < 0.005);
        assert!((high - (10.0f64 / 3.247).sqrt()).abs() < 0.01);
    }
}
