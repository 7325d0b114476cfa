//! A straight scale with round numbers on it.

use crate::numbers::fixed;

/// A range of values laid over a range of pixels.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Scale {
    low: f64,
    high: f64,
    at_low: f64,
    at_high: f64,
    /// The values that are marked.
    pub ticks: Vec<f64>,
    decimals: usize,
}

impl Scale {
    /// A scale that holds `low` to `high`, ends on round numbers and has about
    /// `wanted` steps. An empty range is widened to `least`.
    pub(crate) fn over(low: f64, high: f64, least: f64, wanted: usize) -> Self {
        let (mut low, mut high) = if low.is_finite() && high.is_finite() && low <= high {
            (low, high)
        } else {
            (0.0, 0.0)
        };
        if high - low < least {
            let middle = (low + high) / 2.0;
            (low, high) = (middle - least / 2.0, middle + least / 2.0);
        }
        let step = round_step((high - low) / wanted.max(1) as f64);
        // A range that ends on a mark, give or take a rounding, needs no further step.
        let first = (low / step + 1e-9).floor();
        let last = (high / step - 1e-9).ceil();
        let ticks = (0..=(last - first).min(60.0) as usize)
            .map(|index| (first + index as f64) * step)
            .collect();
        Self {
            low: first * step,
            high: last * step,
            at_low: 0.0,
            at_high: 1.0,
            ticks,
            decimals: usize::try_from(-(step * 1.000_001).log10().floor() as i64).unwrap_or(0),
        }
    }

    /// The same scale over these pixels.
    pub(crate) fn between(mut self, at_low: f64, at_high: f64) -> Self {
        (self.at_low, self.at_high) = (at_low, at_high);
        self
    }

    /// Where a value stands; values outside stand at the edge.
    pub(crate) fn at(&self, value: f64) -> f64 {
        let part = ((value - self.low) / (self.high - self.low)).clamp(0.0, 1.0);
        self.at_low + part * (self.at_high - self.at_low)
    }

    pub(crate) fn holds(&self, value: f64) -> bool {
        let slack = 1e-6 * (self.high - self.low);
        value >= self.low - slack && value <= self.high + slack
    }

    /// How a marked value is written.
    pub(crate) fn words(&self, tick: f64) -> String {
        fixed(tick, self.decimals)
    }
}

/// The nearest of 1, 2, 5 times a power of ten that is not smaller.
fn round_step(rough: f64) -> f64 {
    let power = 10f64.powf(rough.max(1e-12).log10().floor());
    let part = rough / power;
    let round = [1.0, 2.0, 5.0, 10.0]
        .into_iter()
        .find(|step| *step >= part - 1e-9)
        .unwrap_or(10.0);
    round * power
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn round_numbers_hold_the_range() {
        for (low, high) in [(-3.2, 8.9), (0.0, 0.07), (1234.0, 1299.0), (5.0, 5.0)] {
            let scale = Scale::over(low, high, 0.01, 5).between(200.0, 0.0);
            assert!(scale.holds(low) && scale.holds(high), "{low} {high}");
            assert!((3..=13).contains(&scale.ticks.len()), "{:?}", scale.ticks);
            assert!(scale.at(low) >= scale.at(high));
        }
        assert_eq!(
            Scale::over(0.0, 10.0, 1.0, 5).ticks,
            [0.0, 2.0, 4.0, 6.0, 8.0, 10.0]
        );
        assert_eq!(Scale::over(0.0, 1.0, 0.1, 5).words(0.2), "0.2");
    }

    #[test]
    fn what_is_no_number_does_no_harm() {
        let scale = Scale::over(f64::NAN, f64::INFINITY, 1.0, 5);
        assert!(scale.ticks.iter().all(|tick| tick.is_finite()));
    }
}
