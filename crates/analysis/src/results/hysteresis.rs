//! Whether it matters from which side a note is come to.

use crate::curves::tracking::StageFit;
use crate::readings::deviation::{Round, Sample, UnitReadings};
use crate::statistics::least_squares::fit;
use crate::statistics::standard_deviation;
use model::result::NotDetermined;
use nalgebra::DMatrix;
use std::collections::BTreeMap;

/// A note come to from above less the same note come to from below.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Hysteresis {
    /// The mean over notes and rounds, in cents.
    pub(crate) mean: f64,
    pub(crate) u: f64,
    /// Pairs of visits it rests on, and degrees of freedom of its uncertainty.
    pub(crate) pairs: usize,
    pub(crate) freedom: usize,
    /// The note with the largest mean difference, and that.
    pub(crate) largest: (usize, f64),
}

/// A note from above less from below: difference, time between, variance.
struct Pair {
    note: usize,
    cents: f64,
    seconds: f64,
    variance: f64,
}

/// The notes of a round that were come to from both sides.
fn pairs(round: &Round) -> Vec<Pair> {
    let visits: Vec<&Sample> = round.counting().collect();
    let mut from: BTreeMap<usize, [Vec<&Sample>; 2]> = BTreeMap::new();
    for pair in visits.windows(2) {
        let [before, now] = [pair[0], pair[1]];
        if before.note == now.note {
            continue;
        }
        let above = usize::from(before.note > now.note);
        from.entry(now.note).or_default()[above].push(now);
    }
    from.into_iter()
        .filter(|(_, [below, above])| !below.is_empty() && !above.is_empty())
        .map(|(note, [below, above])| {
            let mean = |of: &[&Sample], value: fn(&Sample) -> f64| {
                of.iter().map(|sample| value(sample)).sum::<f64>() / of.len() as f64
            };
            let variance =
                |of: &[&Sample]| mean(of, |sample| sample.u * sample.u) / of.len() as f64;
            Pair {
                note,
                cents: mean(&above, |sample| sample.cents) - mean(&below, |sample| sample.cents),
                seconds: mean(&above, |sample| sample.middle)
                    - mean(&below, |sample| sample.middle),
                variance: variance(&above) + variance(&below),
            }
        })
        .collect()
}

/// Finds it in the rounds of a stage, drift taken out: by what the reference note
/// does from round to round, or where there are too few rounds by a time term of
/// each round's own (a note far down is come back to after longer than one near the
/// turning point), with its cube where there are notes enough.
pub(crate) fn hysteresis(
    unit: &UnitReadings,
    stage: u16,
    fit_of: &StageFit,
) -> Result<Hysteresis, NotDetermined> {
    let rounds: Vec<Vec<Pair>> = unit
        .rounds
        .iter()
        .filter(|round| round.stage == stage)
        .map(pairs)
        .collect();
    let all: Vec<(usize, &Pair)> = rounds
        .iter()
        .enumerate()
        .flat_map(|(place, pairs)| pairs.iter().map(move |pair| (place, pair)))
        .collect();
    if all.is_empty() {
        return Err(NotDetermined::NotFromBothSides);
    }
    let level = unit
        .reference
        .and_then(|note| fit_of.place(note))
        .unwrap_or(0);
    let same_rounds = fit_of.rounds.len() == rounds.len() && rounds.len() >= 3;
    let drift_of = |place: usize| {
        let before = &fit_of.rounds[place.saturating_sub(1)];
        let after = &fit_of.rounds[(place + 1).min(rounds.len() - 1)];
        let time = after.t - before.t;
        if time > 0.0 {
            (after.y[level] - before.y[level]) / time
        } else {
            0.0
        }
    };
    let cents: Vec<f64> = all
        .iter()
        .map(|(place, pair)| {
            let drift = if same_rounds { drift_of(*place) } else { 0.0 };
            pair.cents - drift * pair.seconds
        })
        .collect();
    let meter = all.iter().map(|(_, pair)| pair.variance).sum::<f64>() / all.len() as f64;
    let n = all.len();
    let (mean, u, freedom, left) = if same_rounds {
        let mean = cents.iter().sum::<f64>() / n as f64;
        let sd = standard_deviation(&cents).max(meter.sqrt());
        (mean, sd / (n as f64).sqrt(), n - 1, cents.clone())
    } else {
        // One common difference, and a drift for each round. Going up and down again
        // the same way, even powers of time cancel; a unit that still warms has odd
        // ones, of which as many are taken as the pairs allow.
        let with_pairs: Vec<usize> = (0..rounds.len())
            .filter(|r| !rounds[*r].is_empty())
            .collect();
        let longest = all
            .iter()
            .map(|(_, pair)| pair.seconds.abs())
            .fold(1e-9, f64::max);
        let powers = (n / with_pairs.len() / 5).clamp(1, 3);
        let column = |row: usize, column: usize| {
            let (place, pair) = all[row];
            if with_pairs[column / powers] == place {
                (pair.seconds / longest).powi(1 + 2 * (column % powers) as i32)
            } else {
                0.0
            }
        };
        let terms = powers * with_pairs.len();
        let columns = DMatrix::from_fn(n, 1 + terms, |row, term| {
            if term == 0 {
                1.0
            } else {
                column(row, term - 1)
            }
        });
        let found = fit(&columns, &cents, &vec![1.0; n])
            .filter(|found| found.degrees_of_freedom > 0)
            .ok_or(NotDetermined::FewFromBothSides)?;
        let scale = found.residuals.norm_squared() / found.degrees_of_freedom as f64;
        let left = (0..n)
            .map(|row| {
                let drift: f64 = (0..terms)
                    .map(|term| found.coefficients[term + 1] * column(row, term))
                    .sum();
                cents[row] - drift
            })
            .collect();
        (
            found.coefficients[0],
            (scale.max(meter)).sqrt() * found.map.row(0).norm(),
            found.degrees_of_freedom,
            left,
        )
    };
    let mut by_note: BTreeMap<usize, (f64, f64)> = BTreeMap::new();
    for ((_, pair), cents) in all.iter().zip(&left) {
        let sum = by_note.entry(pair.note).or_default();
        sum.0 += cents;
        sum.1 += 1.0;
    }
    let largest = by_note
        .into_iter()
        .map(|(note, (sum, count))| (note, sum / count))
        .max_by(|a, b| a.1.abs().total_cmp(&b.1.abs()))
        .unwrap_or((0, mean));
    Ok(Hysteresis {
        mean,
        u,
        pairs: n,
        freedom,
        largest,
    })
}
