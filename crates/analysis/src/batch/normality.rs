//! Whether a batch may be spread like a normal distribution: the test of Anderson and
//! Darling with estimated mean and deviation (Stephens, JASA 69, 1974), as in
//! NIST/SEMATECH e-Handbook 1.3.5.14.

use crate::statistics::{mean, standard_deviation};
use statrs::distribution::{ContinuousCDF, Normal};

/// A normal batch is beyond this in 1 % of cases (Stephens; from memory).
const LIMIT: f64 = 1.035;

/// Whether values are surely not spread like a normal distribution.
#[must_use]
pub(super) fn is_surely_not_normal(values: &[f64]) -> bool {
    statistic(values).is_some_and(|statistic| statistic > LIMIT)
}

/// The statistic, corrected for the number of values; `None` for few, or without spread.
fn statistic(values: &[f64]) -> Option<f64> {
    let count = values.len();
    let n = count as f64;
    let mean = mean(values);
    let deviation = standard_deviation(values);
    if count < 8 || !(deviation.is_finite() && deviation > 0.0) {
        return None;
    }
    let mut sorted: Vec<f64> = values
        .iter()
        .map(|value| (value - mean) / deviation)
        .collect();
    sorted.sort_by(f64::total_cmp);
    let normal = Normal::standard();
    let sum: f64 = sorted
        .iter()
        .zip(sorted.iter().rev())
        .enumerate()
        .map(|(place, (low, high))| {
            // Far out a share is nought to the last digit, and has no logarithm.
            let below = normal.cdf(*low).max(1e-300).ln();
            let above = normal.sf(*high).max(1e-300).ln();
            (2 * place + 1) as f64 * (below + above)
        })
        .sum();
    Some((-n - sum / n) * (1.0 + 0.75 / n + 2.25 / (n * n)))
}

#[cfg(test)]
mod tests {
    use super::*;

    fn normal_quantiles(count: usize) -> Vec<f64> {
        let normal = Normal::standard();
        (0..count)
            .map(|place| normal.inverse_cdf((place as f64 + 0.5) / count as f64))
            .collect()
    }

    #[test]
    fn one_hump_may_be_normal_and_two_are_not() {
        let mut values = normal_quantiles(40);
        assert!(!is_surely_not_normal(&values));
        // The same moved and stretched gives the same number.
        let moved: Vec<f64> = values.iter().map(|value| 7.0 - 3.0 * value).collect();
        let (one, other) = (statistic(&values).unwrap(), statistic(&moved).unwrap());
        assert!((one - other).abs() < 1e-9, "{one} {other}");
        for value in &mut values[20..] {
            *value += 6.0;
        }
        assert!(is_surely_not_normal(&values));
        let lopsided: Vec<f64> = normal_quantiles(40)
            .iter()
            .map(|v| (1.5 * v).exp())
            .collect();
        assert!(is_surely_not_normal(&lopsided));
    }

    #[test]
    fn few_or_equal_values_say_nothing() {
        assert_eq!(statistic(&[0.0, 0.0, 9.0]), None);
        assert_eq!(statistic(&[1.0; 50]), None);
        assert_eq!(statistic(&[f64::NAN; 50]), None);
    }
}
