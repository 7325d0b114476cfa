//! How much a count or a mean square of some trials proves.

use statrs::distribution::{Beta, ChiSquared, ContinuousCDF};

/// A value between two limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Interval {
    /// What was found.
    pub found: f64,
    /// The lower limit.
    pub low: f64,
    /// The upper limit.
    pub high: f64,
}

/// The share of successes with its interval of 95 % (Clopper and Pearson, "The use of
/// confidence or fiducial limits illustrated in the case of the binomial", Biometrika
/// 26, 1934; from memory). Of nothing, all is possible.
#[must_use]
pub fn share(successes: usize, trials: usize) -> Interval {
    let (k, n) = (successes as f64, trials as f64);
    let quantile =
        |a: f64, b: f64, p: f64| Beta::new(a, b).map_or(f64::NAN, |beta| beta.inverse_cdf(p));
    Interval {
        found: if trials == 0 { f64::NAN } else { k / n },
        low: if successes == 0 {
            0.0
        } else {
            quantile(k, n - k + 1.0, 0.025)
        },
        high: if successes >= trials {
            1.0
        } else {
            quantile(k + 1.0, n - k, 0.975)
        },
    }
}

/// The share that this many successes stay below with a confidence of 95 %, one-sided:
/// none of 20 000 proves 0.015 %.
#[must_use]
pub fn at_most(successes: usize, trials: usize) -> f64 {
    if successes >= trials {
        return 1.0;
    }
    let (k, n) = (successes as f64, trials as f64);
    Beta::new(k + 1.0, n - k).map_or(f64::NAN, |beta| beta.inverse_cdf(0.95))
}

/// A mean of squares of normal errors, in units of their variance, with its interval of
/// 95 % from the chi-square distribution.
#[must_use]
pub fn mean_square(sum: f64, trials: usize) -> Interval {
    let n = trials as f64;
    let (low, high) = ChiSquared::new(n).map_or((f64::NAN, f64::NAN), |chi| {
        (sum / chi.inverse_cdf(0.975), sum / chi.inverse_cdf(0.025))
    });
    Interval {
        found: sum / n,
        low,
        high,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn of_counts() {
        // The rule of three: 1 - 0.05^(1/n).
        let none = at_most(0, 20_000);
        assert!((none - (1.0 - 0.05_f64.powf(1.0 / 20_000.0))).abs() < 1e-9);
        assert!((none * 100.0 - 0.015).abs() < 1e-4);
        // Symmetric about a half; the normal approximation for many.
        let half = share(5_000, 10_000);
        assert!((half.low + half.high - 1.0).abs() < 1e-6);
        assert!((half.high - 0.5 - 1.96 * 0.005).abs() < 2e-4, "{half:?}");
        assert_eq!((share(0, 10).low, share(10, 10).high), (0.0, 1.0));
    }

    /// Chi-square of 10 degrees: 3.247 and 20.483 at 2.5 and 97.5 % (Abramowitz and
    /// Stegun, table 26.8).
    #[test]
    fn of_squares() {
        let found = mean_square(10.0, 10);
        assert!((found.low - 10.0 / 20.483).abs() < 1e-4, "{found:?}");
        assert!((found.high - 10.0 / 3.247).abs() < 1e-3, "{found:?}");
    }
}
