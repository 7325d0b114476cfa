//! Quantiles of the chi-square distribution, also for fractions of a degree of
//! freedom, and of Student's t.

use statrs::distribution::{ChiSquared, ContinuousCDF, StudentsT};

/// The value below which a share of a chi-square distribution lies.
pub(crate) fn quantile(degrees_of_freedom: f64, share: f64) -> f64 {
    ChiSquared::new(degrees_of_freedom.max(0.1))
        .map_or(f64::NAN, |distribution| distribution.inverse_cdf(share))
}

/// The quantile of Student's t, of one degree of freedom at least.
pub(crate) fn student(degrees_of_freedom: usize, share: f64) -> f64 {
    // Beyond this it is a normal distribution to all digits that are shown.
    let freedom = degrees_of_freedom.clamp(1, 10_000) as f64;
    StudentsT::new(0.0, 1.0, freedom)
        .map_or(f64::NAN, |distribution| distribution.inverse_cdf(share))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn student_is_that_of_the_gum() {
        // JCGM 100:2008, Table G.2, the column of 95 %.
        for (freedom, t) in [
            (1, 12.71),
            (2, 4.30),
            (3, 3.18),
            (4, 2.78),
            (5, 2.57),
            (9, 2.26),
            (10, 2.23),
            (16, 2.12),
            (20, 2.09),
            (50, 2.01),
            (100, 1.984),
        ] {
            let found = student(freedom, 0.975);
            assert!((found - t).abs() < 0.005, "{freedom} {found}");
        }
    }

    /// JCGM 100:2008, Table G.2: the columns of 68.27, 90, 95.45, 99 and 99.73 %, of which
    /// the first, third and fifth stand for one, two and three standard deviations.
    /// Recalled, and confirmed with scipy.
    #[test]
    fn student_is_that_of_the_gum_in_every_column() {
        let shares = [0.682_689_492, 0.90, 0.954_499_736, 0.99, 0.997_300_204];
        for (freedom, row) in [
            (1, [1.84, 6.31, 13.97, 63.66, 235.80]),
            (2, [1.32, 2.92, 4.53, 9.92, 19.21]),
            (3, [1.20, 2.35, 3.31, 5.84, 9.22]),
            (4, [1.14, 2.13, 2.87, 4.60, 6.62]),
            (5, [1.11, 2.02, 2.65, 4.03, 5.51]),
            (9, [1.06, 1.83, 2.32, 3.25, 4.09]),
            (10, [1.05, 1.81, 2.28, 3.17, 3.96]),
            (16, [1.03, 1.75, 2.17, 2.92, 3.54]),
            (20, [1.03, 1.72, 2.13, 2.85, 3.42]),
            (30, [1.02, 1.70, 2.09, 2.75, 3.27]),
            (50, [1.01, 1.68, 2.05, 2.68, 3.16]),
            (100, [1.005, 1.660, 2.025, 2.626, 3.077]),
            (usize::MAX, [1.000, 1.645, 2.000, 2.576, 3.000]),
        ] {
            let by = if freedom < 100 { 0.005 } else { 0.001 };
            for (share, t) in shares.into_iter().zip(row) {
                let found = student(freedom, f64::midpoint(1.0, share));
                assert!((found - t).abs() < by, "{freedom} {share} {found}");
            }
        }
    }

    #[test]
    fn quantiles_are_those_of_any_table() {
        // Any table of the distribution; with two degrees of freedom it is
        // exponential, so the quantile is -2 ln(1 - share).
        for (freedom, share, expected) in [
            (1.0, 0.025, 0.000_982),
            (1.0, 0.975, 5.023_886),
            (5.0, 0.025, 0.831_212),
            (10.0, 0.975, 20.483_177),
            (100.0, 0.025, 74.221_927),
        ] {
            let found = quantile(freedom, share);
            assert!((found - expected).abs() < 2e-6, "{freedom} {share} {found}");
        }
        assert!((quantile(2.0, 0.3) + 2.0 * 0.7f64.ln()).abs() < 1e-9);
        assert!((quantile(4000.0, 0.5) - 4000.0).abs() < 1.0);
    }
}
