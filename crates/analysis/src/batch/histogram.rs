//! Counts of a batch by value.

use super::quantiles::quantile;

/// Fewer values than this are better shown one by one.
pub const LEAST: usize = 8;
/// More bins than this say no more.
const MOST_BINS: f64 = 40.0;

/// Counts in bins of equal width.
#[derive(Debug, Clone, PartialEq)]
pub struct Histogram {
    /// Where the first bin begins, in the result's unit.
    pub from: f64,
    /// How wide each bin is.
    pub width: f64,
    /// How many values each holds; a value on an edge is in the bin above it.
    pub counts: Vec<usize>,
}

/// Bins after Freedman and Diaconis (1981): twice the distance of the quartiles over the
/// cube root of the count, rounded down to 1, 2 or 5 times a power of ten, and edges at
/// multiples of that. Where the quartiles fall together, a tenth of the range.
///
/// `None` below [`LEAST`] values, or where all are equal.
#[must_use]
pub(super) fn histogram(values: &[f64]) -> Option<Histogram> {
    let mut sorted: Vec<f64> = values.iter().copied().filter(|v| v.is_finite()).collect();
    sorted.sort_by(f64::total_cmp);
    let (first, last) = (*sorted.first()?, *sorted.last()?);
    let range = last - first;
    // A range that is lost beside the values themselves is none.
    if sorted.len() < LEAST || range <= 1e-9 * first.abs().max(last.abs()) {
        return None;
    }
    let quartiles = quantile(&sorted, 0.75) - quantile(&sorted, 0.25);
    let wanted = 2.0 * quartiles / (sorted.len() as f64).cbrt();
    let wanted = if wanted > 0.0 { wanted } else { range / 10.0 };
    let width = round(wanted, false).max(round(range / MOST_BINS, true));
    let from = (first / width).floor() * width;
    let bin = |value: f64| ((value - from) / width + 1e-9).floor().max(0.0) as usize;
    let mut counts = vec![0; bin(last) + 1];
    for value in sorted {
        counts[bin(value)] += 1;
    }
    Some(Histogram {
        from,
        width,
        counts,
    })
}

/// The next of 1, 2 or 5 times a power of ten, up or down.
fn round(width: f64, up: bool) -> f64 {
    let power = 10f64.powf(width.log10().floor());
    let part = width / power;
    let steps = [1.0, 2.0, 5.0, 10.0];
    let place = if up {
        steps.iter().position(|step| *step >= part - 1e-9)
    } else {
        steps.iter().rposition(|step| *step <= part + 1e-9)
    };
    place.map_or(1.0, |place| steps[place]) * power
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_value_is_in_the_bin_that_holds_it() {
        let values: Vec<f64> = (0..57)
            .map(|n| (f64::from(n) * 0.618_034).fract() * 3.0 - 1.2)
            .collect();
        let found = histogram(&values).unwrap();
        assert_eq!(found.counts.iter().sum::<usize>(), values.len());
        for (place, count) in found.counts.iter().enumerate() {
            let low = found.from + place as f64 * found.width;
            let inside = values
                .iter()
                .filter(|value| **value >= low && **value < low + found.width)
                .count();
            assert_eq!(inside, *count, "bin {place} of {found:?}");
        }
    }

    /// A hundred values from 1 to 100: by the rule of the handbook (7.2.6.2) the quartiles
    /// are 25.25 and 75.75, so the width is 2 * 50.5 / 4.6416 = 21.76, rounded to 20.
    #[test]
    fn the_width_is_freedman_and_diaconis_s() {
        let values: Vec<f64> = (1..=100).map(f64::from).collect();
        let found = histogram(&values).unwrap();
        assert_eq!((found.from, found.width), (0.0, 20.0));
        assert_eq!(found.counts, [19, 20, 20, 20, 20, 1]);
    }

    #[test]
    fn strays_and_ties_do_no_harm() {
        let mut values = vec![1.0; 20];
        assert_eq!(histogram(&values), None);
        values.push(1e9);
        let found = histogram(&values).unwrap();
        assert!(found.counts.len() <= 42, "{found:?}");
        assert_eq!(found.counts.iter().sum::<usize>(), 21);
        assert_eq!(histogram(&[1.0, 2.0]), None);
        assert_eq!(histogram(&[f64::NAN; 20]), None);
    }
}
