//! Statistics that know nothing of oscillators; here means, deviations and quantiles of
//! plain numbers.

pub(crate) mod allan;
pub(crate) mod chi_square;
pub(crate) mod correlated;
pub(crate) mod drift;
pub(crate) mod exponentials;
pub(crate) mod least_squares;
pub(crate) mod level_model;
pub(crate) mod minimax;
pub(crate) mod smoothing;
pub(crate) mod trials;

/// The mean, in two passes: the second takes out what rounding left in the first.
pub(crate) fn mean(values: &[f64]) -> f64 {
    let n = values.len().max(1) as f64;
    let first = values.iter().sum::<f64>() / n;
    first + values.iter().map(|value| value - first).sum::<f64>() / n
}

/// The value in the middle, or halfway between the two in the middle; NaN of nothing.
pub(crate) fn median(values: &[f64]) -> f64 {
    let mut sorted = values.to_vec();
    sorted.sort_by(f64::total_cmp);
    quantile(&sorted, 0.5)
}

/// The value below which a share of the sorted values lies, between neighbours
/// in proportion.
pub(crate) fn quantile(sorted: &[f64], share: f64) -> f64 {
    let Some(last) = sorted.len().checked_sub(1) else {
        return f64::NAN;
    };
    let place = share * last as f64;
    let below = sorted[place.floor() as usize];
    let above = sorted[place.ceil() as usize];
    // Both may be infinite: a time that was never reached.
    if below == above {
        below
    } else {
        below + (above - below) * place.fract()
    }
}

/// The ends of the middle 95 % of draws.
pub(crate) fn middle_95(draws: &[f64]) -> (f64, f64) {
    let mut sorted = draws.to_vec();
    sorted.sort_by(f64::total_cmp);
    (quantile(&sorted, 0.025), quantile(&sorted, 0.975))
}

/// Standard deviation.
pub(crate) fn standard_deviation(values: &[f64]) -> f64 {
    if values.len() < 2 {
        return 0.0;
    }
    let n = values.len() as f64;
    let mean = values.iter().sum::<f64>() / n;
    (values
        .iter()
        .map(|value| (value - mean).powi(2))
        .sum::<f64>()
        / (n - 1.0))
        .sqrt()
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_middle_of_nothing_of_one_and_of_several() {
        assert!(median(&[]).is_nan() && quantile(&[], 0.5).is_nan());
        assert_eq!(median(&[3.0]), 3.0);
        assert_eq!(median(&[9.0, 1.0, 2.0]), 2.0);
        assert_eq!(median(&[9.0, 1.0, 2.0, 4.0]), 3.0);
        // A time that was never reached, twice.
        assert_eq!(
            quantile(&[1.0, f64::INFINITY, f64::INFINITY], 0.75),
            f64::INFINITY
        );
    }
}
