//! How well a batch fits within its limits: Cp and Cpk, on the assumption that units are
//! spread like a normal distribution.
//!
//! Formulas of NIST/SEMATECH e-Handbook 6.1.6. The interval of Cp is by chi-square, that
//! of Cpk after Bissell (Applied Statistics 39, 1990). The variance that the measurement
//! itself adds from unit to unit is taken out of what is seen, and its interval with it;
//! what the rig may do to all units alike moves the mean, and widens the interval of Cpk
//! by what it would be with the mean there.

use super::normality::is_surely_not_normal;
use crate::statistics::chi_square;
use crate::statistics::{mean, standard_deviation};
use statrs::distribution::{ContinuousCDF, Normal};

/// Fewer units than this have no capability (common practice, no source).
pub const LEAST: usize = 30;
/// The value of a normal distribution that 2.5 % lie beyond.
const Z: f64 = 1.959_963_984_540_054;

/// A capability index with its 95 % interval.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Index {
    /// The index.
    pub value: f64,
    /// Lower end of its 95 % interval.
    pub low: f64,
    /// Upper end; `None` where the spread of the units may be nought.
    pub high: Option<f64>,
}

/// How a batch lies within its limits.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Capability {
    /// Mean of the units.
    pub mean: f64,
    /// Standard deviation of the units, the measurement's own taken out.
    pub s: f64,
    /// Standard deviation as it was seen.
    pub s_seen: f64,
    /// By how much the rig may shift all units alike, either way (95 %).
    pub shift: f64,
    /// The room between the limits over six standard deviations; with two limits only.
    pub cp: Option<Index>,
    /// The distance of the mean from the nearer limit over three standard deviations.
    pub cpk: Index,
    /// The share of units outside the limits, by the normal distribution.
    pub outside: f64,
    /// Whether the units are surely not spread like a normal distribution, so that all of
    /// this is to be doubted.
    pub not_normal: bool,
}

/// What is known of the measurements behind a batch, as variances.
#[derive(Debug, Clone, Copy, PartialEq, Default)]
pub(super) struct Measurement {
    /// What differs from one unit's measurement to the next: it widens the spread that
    /// is seen, and is taken out of it.
    pub(super) own: f64,
    /// What all measurements share beyond that: it may shift the mean.
    pub(super) shared: f64,
}

/// Capability of units with these values. A limit is infinite where there is none.
///
/// # Errors
/// Why it cannot be said: too few units, no limit, or no more spread than the
/// measurement explains.
pub(super) fn capability(
    values: &[f64],
    measurement: Measurement,
    limits: (f64, f64),
) -> Result<Capability, String> {
    let count = values.len();
    if count < LEAST {
        return Err(format!(
            "Cp and Cpk take {LEAST} units, and {count} are known"
        ));
    }
    let seen = standard_deviation(values).powi(2);
    Ok(Capability {
        not_normal: is_surely_not_normal(values),
        ..of_moments(count, mean(values), seen, measurement, limits)?
    })
}

fn of_moments(
    count: usize,
    mean: f64,
    seen: f64,
    measurement: Measurement,
    (lower, upper): (f64, f64),
) -> Result<Capability, String> {
    if !(lower.is_finite() || upper.is_finite()) {
        return Err("there is no limit".to_owned());
    }
    let variance = seen - measurement.own;
    if !(variance.is_finite() && variance > 0.0) {
        return Err(
            "the units differ by no more than the measurement's own uncertainty explains"
                .to_owned(),
        );
    }
    let s = variance.sqrt();
    let n = count as f64;
    let freedom = n - 1.0;
    // The interval is that of what was seen; the measurement's part is known.
    let s_at = |share: f64| {
        let variance = seen * freedom / chi_square::quantile(freedom, share) - measurement.own;
        variance.max(0.0).sqrt()
    };
    let cp = (lower.is_finite() && upper.is_finite()).then(|| {
        let room = (upper - lower) / 6.0;
        let narrowest = s_at(0.975);
        Index {
            value: room / s,
            low: room / s_at(0.025),
            high: (narrowest > 0.0).then(|| room / narrowest),
        }
    });
    // Bissell's variance, with what was seen in the place of what is left.
    let widened = seen / variance;
    let index = |mean: f64| {
        let value = ((upper - mean) / (3.0 * s)).min((mean - lower) / (3.0 * s));
        let half = Z * (widened / (9.0 * n) + (value * widened).powi(2) / (2.0 * freedom)).sqrt();
        (value, value - half, value + half)
    };
    let shift = Z * measurement.shared.max(0.0).sqrt();
    // With two limits the best place of the mean may lie between the shifted ones.
    let best = match (lower.is_finite(), upper.is_finite()) {
        (true, true) => f64::midpoint(lower, upper).clamp(mean - shift, mean + shift),
        (true, false) => mean + shift,
        _ => mean - shift,
    };
    let (value, ..) = index(mean);
    let low = index(mean - shift).1.min(index(mean + shift).1);
    let normal = Normal::standard();
    let outside = |z: f64| if z.is_finite() { normal.cdf(z) } else { 0.0 };
    Ok(Capability {
        mean,
        s,
        s_seen: seen.sqrt(),
        shift,
        cp,
        cpk: Index {
            value,
            low,
            high: Some(index(best).2),
        },
        outside: outside((lower - mean) / s) + outside((mean - upper) / s),
        not_normal: false,
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    fn near(found: f64, expected: f64, by: f64) {
        assert!((found - expected).abs() < by, "{found} {expected}");
    }

    /// NIST/SEMATECH e-Handbook 6.1.6: limits 8 and 20, mean 16, standard deviation 2:
    /// Cp 1.0, Cpk 0.6667. Intervals by the handbook's formula and after Bissell, shares
    /// by the normal distribution; their digits from scipy 1.17.
    #[test]
    fn the_handbook_s_example() {
        for (count, cp_low, cp_high, cpk_low, cpk_high) in [
            (25, 0.718_829, 1.280_691, 0.437_228, 0.896_106),
            (50, 0.802_482, 1.197_126, 0.505_551, 0.827_782),
            (100, 0.860_826, 1.138_943, 0.553_128, 0.780_206),
        ] {
            let found = of_moments(count, 16.0, 4.0, Measurement::default(), (8.0, 20.0)).unwrap();
            let cp = found.cp.unwrap();
            near(cp.value, 1.0, 1e-12);
            near(found.cpk.value, 2.0 / 3.0, 1e-12);
            near(cp.low, cp_low, 2e-6);
            near(cp.high.unwrap(), cp_high, 2e-6);
            near(found.cpk.low, cpk_low, 2e-6);
            near(found.cpk.high.unwrap(), cpk_high, 2e-6);
            near(found.outside, 0.022_750_132 + 3.167_124e-5, 1e-9);
        }
    }

    /// The handbook's table (6.1.6): Cp of 1, 1.33, 1.66 and 2, centred, reject 0.27 %,
    /// 64 ppm, 0.6 ppm and 2 ppb; to four digits 2699.80, 63.34, 0.5733 and 0.001973 ppm.
    #[test]
    fn rejects_of_a_centred_batch() {
        for (cp, ppm) in [
            (1.0, 2699.80),
            (4.0 / 3.0, 63.34),
            (5.0 / 3.0, 0.5733),
            (2.0, 0.001_973),
        ] {
            let limits = (-3.0 * cp, 3.0 * cp);
            let found = of_moments(50, 0.0, 1.0, Measurement::default(), limits).unwrap();
            near(found.cp.unwrap().value, cp, 1e-12);
            near(found.outside * 1e6, ppm, ppm * 3e-4);
        }
    }

    #[test]
    fn what_is_each_measurement_s_own_is_taken_out_of_the_spread() {
        let limits = (8.0, 20.0);
        let clean = of_moments(50, 16.0, 4.0, Measurement::default(), limits).unwrap();
        let own = |own| Measurement { own, shared: 0.0 };
        let found = of_moments(50, 16.0, 5.0, own(1.0), limits).unwrap();
        near(found.cpk.value, clean.cpk.value, 1e-12);
        // But it is known less well.
        assert!(found.cpk.low < clean.cpk.low && found.cpk.high > clean.cpk.high);
        assert!(found.cp.unwrap().low < clean.cp.unwrap().low);
        assert!(of_moments(50, 16.0, 4.0, own(4.0), limits).is_err());
        // So much of it that the units may be all alike.
        let hidden = of_moments(50, 16.0, 4.0, own(3.0), limits).unwrap();
        assert_eq!(hidden.cp.unwrap().high, None);
    }

    #[test]
    fn what_the_rig_does_to_all_is_a_shift() {
        let limits = (8.0, 20.0);
        let shared = Measurement {
            own: 0.0,
            shared: 0.25,
        };
        let clean = of_moments(50, 16.0, 4.0, Measurement::default(), limits).unwrap();
        let found = of_moments(50, 16.0, 4.0, shared, limits).unwrap();
        near(found.cpk.value, clean.cpk.value, 1e-12);
        near(found.shift, Z * 0.5, 1e-12);
        let there = of_moments(50, 16.0 + Z * 0.5, 4.0, Measurement::default(), limits).unwrap();
        near(found.cpk.low, there.cpk.low, 1e-12);
        assert_eq!(found.cp, clean.cp);
    }

    #[test]
    fn thirty_units_or_nothing() {
        let values: Vec<f64> = (0..30).map(f64::from).collect();
        let limits = (f64::NEG_INFINITY, 40.0);
        assert!(capability(&values[..29], Measurement::default(), limits).is_err());
        let found = capability(&values, Measurement::default(), limits).unwrap();
        assert_eq!(found.cp, None);
        near(found.mean, 14.5, 1e-12);
        let none = (f64::NEG_INFINITY, f64::INFINITY);
        assert!(capability(&values, Measurement::default(), none).is_err());
    }
}
