//! Units that stand out from their batch, by a rule that is stated beforehand.
//!
//! The modified z-score of Iglewicz and Hoaglin (1993), as in NIST/SEMATECH e-Handbook
//! 1.3.5.17: M = 0.6745 (x - median) / MAD with the median absolute deviation MAD; above
//! 3.5 in size a value is called an outlier, unless its own 95 % interval holds the median:
//! then it may be the measurement alone. It is said, never left out.

use crate::statistics::median;

/// Beyond this a unit stands out.
pub const LIMIT: f64 = 3.5;
/// Fewer units than this have no spread to stand out from (common practice, no source).
pub const LEAST: usize = 5;

/// The modified z-score of each value.
///
/// # Errors
/// Why the rule says nothing here.
pub(super) fn scores(values: &[f64]) -> Result<Vec<f64>, String> {
    if values.len() < LEAST {
        return Err(format!(
            "the rule takes {LEAST} units, and {} are known",
            values.len()
        ));
    }
    if values.iter().any(|value| !value.is_finite()) {
        return Err("a value is no number".to_owned());
    }
    let middle = median(values);
    let distances: Vec<f64> = values.iter().map(|value| (value - middle).abs()).collect();
    let spread = median(&distances);
    if spread <= 1e-12 * middle.abs() {
        return Err("more than half of the units agree to the last digit".to_owned());
    }
    Ok(values
        .iter()
        .map(|value| 0.6745 * (value - middle) / spread)
        .collect())
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The mass-spectrometer readings of NIST/SEMATECH e-Handbook 1.3.5.17.1, of which the
    /// last is found to be an outlier there by Grubbs' test. The median is 201.37 and the
    /// MAD 0.995, so its score is 0.6745 * 44.2 / 0.995 = 29.96.
    #[test]
    fn the_handbook_s_outlier() {
        let readings = [
            199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57,
        ];
        let found = scores(&readings).unwrap();
        assert!((found[7] - 29.9626).abs() < 1e-3, "{found:?}");
        assert!(found[..7].iter().all(|score| score.abs() < LIMIT));
    }

    #[test]
    fn where_the_rule_says_nothing_it_says_so() {
        assert!(scores(&[1.0, 2.0, 3.0, 90.0]).is_err());
        assert!(scores(&[1.0, 1.0, 1.0, 1.0, 9.0]).is_err());
        assert!(scores(&[1.0, 1.5, f64::NAN, 2.0, 9.0]).is_err());
    }
}
