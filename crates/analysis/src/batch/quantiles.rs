//! Where the middle of a batch lies and how far it spreads, with what was not reached
//! kept in.
//!
//! Without censoring, quantiles are those of NIST/SEMATECH e-Handbook 7.2.6.2: the
//! place p (N + 1) in the sorted values, between neighbours in proportion. With values
//! of which only "at least" is known, they are read off the product-limit estimate of
//! Kaplan and Meier (JASA 53, 1958): the first value at which it falls to 1 - p.

use crate::statistics::{mean, standard_deviation};
use statrs::distribution::{Binomial, DiscreteCDF};

/// What is known of one unit's value.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Known {
    /// The value.
    Value(f64),
    /// It is this or more: not reached within the record.
    AtLeast(f64),
}

impl Known {
    /// The number, whichever it is.
    #[must_use]
    pub const fn number(self) -> f64 {
        match self {
            Self::Value(value) | Self::AtLeast(value) => value,
        }
    }
}

/// The middle and the spread of a batch, in the result's unit.
#[derive(Debug, Clone, PartialEq)]
pub struct Spread {
    /// How many units are known, "at least" included.
    pub count: usize,
    /// Of how many all that is known is "at least".
    pub not_reached: usize,
    /// The smallest known value.
    pub smallest: Option<f64>,
    /// The largest known value; `None` where something may be larger.
    pub largest: Option<f64>,
    /// A quarter lies below; `None` where it was not reached.
    pub lower_quartile: Option<f64>,
    /// Half lies below.
    pub median: Option<f64>,
    /// Three quarters lie below.
    pub upper_quartile: Option<f64>,
    /// 95 % interval of the median of all such units, by order statistics; from 6 units.
    pub median_low: Option<f64>,
    /// Its upper end; `None` where it was not reached.
    pub median_high: Option<f64>,
    /// Mean; `None` where something was not reached.
    pub mean: Option<f64>,
    /// Standard deviation from unit to unit; `None` as the mean, or of one unit.
    pub standard_deviation: Option<f64>,
    /// 5, 90 and 95 % lie below, where there are enough units for it (p (N + 1) from 1
    /// to N).
    pub percentiles: [(u8, Option<f64>); 3],
}

/// The middle and the spread of what is known; `None` of nothing. What is no number is
/// left out.
#[must_use]
pub(super) fn spread(known: &[Known]) -> Option<Spread> {
    let mut known: Vec<Known> = known
        .iter()
        .copied()
        .filter(|known| known.number().is_finite())
        .collect();
    // At the same number a value comes before what is at least that.
    known.sort_by(|a, b| {
        let rank = |known: &Known| matches!(known, Known::AtLeast(_));
        (a.number().total_cmp(&b.number())).then_with(|| rank(a).cmp(&rank(b)))
    });
    let count = known.len();
    if count == 0 {
        return None;
    }
    let values: Vec<f64> = known
        .iter()
        .filter_map(|known| match known {
            Known::Value(value) => Some(*value),
            Known::AtLeast(_) => None,
        })
        .collect();
    let not_reached = count - values.len();
    let whole = not_reached == 0;
    let mean = whole.then(|| mean(&values));
    let deviation = (whole && count > 1).then(|| standard_deviation(&values));
    let at = |share: f64| {
        if whole {
            Some(quantile(&values, share))
        } else {
            product_limit_quantile(&known, share)
        }
    };
    let outer = |percent: u8| {
        let share = f64::from(percent) / 100.0;
        let place = share * (count + 1) as f64;
        (1.0..=count as f64)
            .contains(&place)
            .then(|| at(share))
            .flatten()
    };
    let (low, high) = median_places(count).map_or((None, None), |(low, high)| {
        let value = |place: usize| match known[place] {
            Known::Value(value) => Some(value),
            Known::AtLeast(_) => None,
        };
        // Below an end that was not reached nothing is lost but the end itself.
        (Some(known[low].number()), value(high))
    });
    Some(Spread {
        count,
        not_reached,
        smallest: values.first().copied(),
        largest: values.last().copied().filter(|_| whole),
        lower_quartile: at(0.25),
        median: at(0.5),
        upper_quartile: at(0.75),
        median_low: low,
        median_high: high,
        mean,
        standard_deviation: deviation,
        percentiles: [5, 90, 95].map(|percent| (percent, outer(percent))),
    })
}

/// The value below which a share of sorted values lies (e-Handbook 7.2.6.2).
pub(super) fn quantile(sorted: &[f64], share: f64) -> f64 {
    let count = sorted.len();
    if count == 0 {
        return f64::NAN;
    }
    let place = (share * (count + 1) as f64).clamp(1.0, count as f64);
    let below = place.floor() as usize;
    let part = place - below as f64;
    let (one, next) = (sorted[below - 1], sorted[below.min(count - 1)]);
    one + part * (next - one)
}

/// The share of units above each known value (Kaplan and Meier), of sorted ones.
fn product_limit(sorted: &[Known]) -> Vec<(f64, f64)> {
    let mut left = 1.0;
    let mut steps = Vec::new();
    for (place, known) in sorted.iter().enumerate() {
        if let Known::Value(value) = known {
            let at_risk = (sorted.len() - place) as f64;
            left *= (at_risk - 1.0) / at_risk;
            steps.push((*value, left));
        }
    }
    steps
}

fn product_limit_quantile(sorted: &[Known], share: f64) -> Option<f64> {
    product_limit(sorted)
        .into_iter()
        .find(|(_, left)| *left <= 1.0 - share + 1e-12)
        .map(|(value, _)| value)
}

/// Between which places of sorted values, from 0, the median lies with 95 % at least.
fn median_places(count: usize) -> Option<(usize, usize)> {
    let below = Binomial::new(0.5, count as u64).ok()?;
    // The largest rank r (from 1) with P(fewer than r below the median) at most 2.5 %.
    let rank = (1..=count / 2)
        .take_while(|rank| below.cdf(*rank as u64 - 1) <= 0.025)
        .last()?;
    Some((rank - 1, count - rank))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn values(values: &[f64]) -> Vec<Known> {
        values.iter().map(|value| Known::Value(*value)).collect()
    }

    /// NIST/SEMATECH e-Handbook 7.2.6.2: twelve gauge readings, 90th percentile 95.1981
    /// (data and result from memory).
    #[test]
    fn the_handbook_s_percentile() {
        let sorted = [
            95.0610, 95.0925, 95.1065, 95.1195, 95.1442, 95.1567, 95.1591, 95.1682, 95.1772,
            95.1937, 95.1959, 95.1990,
        ];
        let spread = spread(&values(&sorted)).unwrap();
        let (percent, ninety) = spread.percentiles[1];
        assert_eq!(percent, 90);
        assert!((ninety.unwrap() - 95.1981).abs() < 5e-5, "{ninety:?}");
        // 5 % of thirteen is less than one unit.
        assert_eq!(spread.percentiles[0].1, None);
        assert!((spread.median.unwrap() - 95.1579).abs() < 1e-9);
    }

    /// NIST/SEMATECH e-Handbook 8.2.1.5 (from memory): twenty units, six fail, four are
    /// taken away in between, ten are left at 200 hours.
    #[test]
    fn the_handbook_s_product_limit() {
        let mut known = values(&[10.0, 32.0, 56.0, 98.0, 122.0, 181.0]);
        known.extend([50.0, 100.0, 125.0, 150.0].map(Known::AtLeast));
        known.extend([200.0; 10].map(Known::AtLeast));
        known.sort_by(|a, b| a.number().total_cmp(&b.number()));
        let steps = product_limit(&known);
        let expected = [0.95, 0.90, 0.8471, 0.7941, 0.7374, 0.6704];
        for ((_, left), expected) in steps.iter().zip(expected) {
            // The page rounds to four places and goes on with the rounded ones.
            assert!((left - expected).abs() < 1e-3, "{left} {expected}");
        }
        let spread = spread(&known).unwrap();
        assert_eq!(spread.lower_quartile, Some(122.0));
        assert_eq!(spread.median, None, "half was never reached");
        assert_eq!((spread.count, spread.not_reached), (20, 14));
        assert_eq!(spread.mean, None);
    }

    #[test]
    fn what_was_not_reached_is_not_dropped() {
        let mut known = values(&[10.0, 20.0, 30.0, 40.0]);
        let without = spread(&known).unwrap();
        known.extend([Known::AtLeast(100.0); 3]);
        let with = spread(&known).unwrap();
        assert_eq!(without.median, Some(25.0));
        assert_eq!(with.median, Some(40.0));
        assert_eq!(with.upper_quartile, None);
        assert_eq!(with.largest, None);
    }

    /// Ranks of the 95 % interval of a median: 6 units 1 and 6, 10 units 2 and 9, 25
    /// units 8 and 18 (any table of the sign test).
    #[test]
    fn the_interval_of_the_median() {
        assert_eq!(median_places(5), None);
        assert_eq!(median_places(6), Some((0, 5)));
        assert_eq!(median_places(10), Some((1, 8)));
        assert_eq!(median_places(25), Some((7, 17)));
    }

    #[test]
    fn nothing_and_no_numbers() {
        assert_eq!(spread(&[]), None);
        assert_eq!(spread(&values(&[f64::NAN])), None);
        let one = spread(&values(&[3.0])).unwrap();
        assert_eq!((one.median, one.standard_deviation), (Some(3.0), None));
    }
}
