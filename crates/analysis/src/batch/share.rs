//! How many of a batch pass, with an interval.

use statrs::distribution::{Beta, ContinuousCDF};

/// How many units pass, of how many, and the share of all such units that would.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Yield {
    /// How many units pass.
    pub passed: usize,
    /// How many fail.
    pub failed: usize,
    /// How many cannot be decided.
    pub undecided: usize,
    /// The share that passes, from 0 to 1; `None` of nothing.
    pub value: Option<f64>,
    /// Lower end of the 95 % interval of that share: what is undecided counted as failed.
    pub low: Option<f64>,
    /// Upper end: what is undecided counted as passed.
    pub high: Option<f64>,
}

impl Yield {
    /// The yield of so many units.
    #[must_use]
    pub fn of(passed: usize, failed: usize, undecided: usize) -> Self {
        let all = passed + failed + undecided;
        let interval = exact_interval(passed, all)
            .zip(exact_interval(passed + undecided, all))
            .map(|(least, most)| (least.0, most.1));
        Self {
            passed,
            failed,
            undecided,
            value: (all > 0).then(|| passed as f64 / all as f64),
            low: interval.map(|(low, _)| low),
            high: interval.map(|(_, high)| high),
        }
    }

    /// How many units in all.
    #[must_use]
    pub const fn all(&self) -> usize {
        self.passed + self.failed + self.undecided
    }
}

/// The exact 95 % interval of a share of which `count` in `of` were seen (Clopper and
/// Pearson, Biometrika 26, 1934); it never covers less. `None` of nothing.
fn exact_interval(count: usize, of: usize) -> Option<(f64, f64)> {
    if count > of || of == 0 {
        return None;
    }
    let (k, n) = (count as f64, of as f64);
    let quantile =
        |a: f64, b: f64, share: f64| Beta::new(a, b).ok().map(|beta| beta.inverse_cdf(share));
    let low = if count == 0 {
        0.0
    } else {
        quantile(k, n - k + 1.0, 0.025)?
    };
    let high = if count == of {
        1.0
    } else {
        quantile(k + 1.0, n - k, 0.975)?
    };
    Some((low, high))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// 48 of 50 by Clopper and Pearson's definition; digits from scipy 1.17.
    #[test]
    fn the_exact_interval() {
        let (low, high) = exact_interval(48, 50).unwrap();
        assert!((low - 0.862_862).abs() < 1e-6, "{low}");
        assert!((high - 0.995_119).abs() < 1e-6, "{high}");
    }

    /// With none or all of n the definition can be solved by hand: 1 - 0.025^(1/n).
    #[test]
    fn none_and_all() {
        let end = 0.025f64.powf(0.1);
        let (low, high) = exact_interval(0, 10).unwrap();
        assert!(low == 0.0 && (high - (1.0 - end)).abs() < 1e-9, "{high}");
        let (low, high) = exact_interval(10, 10).unwrap();
        assert!(high == 1.0 && (low - end).abs() < 1e-9, "{low}");
        assert_eq!(exact_interval(0, 0), None);
        assert_eq!(exact_interval(3, 2), None);
    }

    /// 59 of 59 is the least number that shows 95 % with 95 %, one-sided: 1 - 0.05^(1/59)
    /// is just below 5 %. The two-sided interval must be a little wider.
    #[test]
    fn fifty_nine_without_a_failure() {
        assert!((1.0 - 0.05f64.powf(1.0 / 59.0) - 0.049_507_6).abs() < 1e-7);
        let (low, _) = exact_interval(59, 59).unwrap();
        assert!(low < 1.0 - 0.049_507_6 && low > 0.93, "{low}");
    }

    #[test]
    fn what_is_undecided_widens_both_ways() {
        let clear = Yield::of(8, 2, 0);
        let open = Yield::of(7, 1, 2);
        assert!(open.low < clear.low && open.high > clear.high);
        assert_eq!(open.all(), 10);
        assert_eq!(Yield::of(0, 0, 0).value, None);
    }
}
