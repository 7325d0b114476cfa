//! A value with its interval and its unit, as a person reads it.

pub(crate) use model::quantity::shown::{
    decimals, decimals_for, duration, duration_within, exact, fixed, number, signed,
};

use model::quantity::Dimension;

/// The unit of a result the way it stands behind a number in a sentence.
pub(crate) const fn spoken_unit(dimension: Dimension) -> &'static str {
    match dimension {
        Dimension::Interval => "cents",
        Dimension::ScaleError => "cents per octave",
        Dimension::DriftRate => "cents per hour",
        Dimension::Duration => "s",
        Dimension::Fraction => "%",
        Dimension::TemperatureDifference => "K",
        Dimension::Range => "octaves",
        Dimension::BeatRate => "beats per second",
        Dimension::SupplySensitivity => "cents per volt",
        Dimension::OffsetPerKelvin => "cents per kelvin",
        Dimension::ScalePerKelvin => "cents per octave per kelvin",
        Dimension::Voltage => "V",
    }
}

/// The unit of a result beside a number in a table; times carry their own.
pub(crate) const fn shown_unit(dimension: Dimension) -> &'static str {
    match dimension {
        Dimension::Duration => "",
        Dimension::Fraction => "%",
        _ => dimension.unit(),
    }
}

/// A value with the digits that its standard uncertainty allows.
pub(crate) fn number_within(value: f64, u: Option<f64>) -> String {
    number(value, u.map(|u| 2.0 * u))
}

/// A value of a result with its unit, with the digits that its standard uncertainty allows.
pub(crate) fn quantity(value: f64, u: Option<f64>, dimension: Dimension) -> String {
    match dimension {
        Dimension::Duration => duration_within(value, u.map(|u| 2.0 * u)),
        Dimension::Fraction => match u {
            Some(u) => format!("{} %", number_within(value * 100.0, Some(u * 100.0))),
            None => format!("{} %", fixed(value * 100.0, 0)),
        },
        _ => format!("{} {}", number_within(value, u), dimension.unit()),
    }
}

/// A value with its 95 % interval, in the unit in which it is shown: fractions in
/// per cent.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Stated {
    /// The value.
    pub value: f64,
    /// Its 95 % interval, where it is known.
    pub interval: Option<(f64, f64)>,
    /// Of a time that may never be reached: the lower end of an interval without an upper.
    pub at_least: Option<f64>,
    /// What it is a quantity of.
    pub dimension: Dimension,
}

impl Stated {
    /// Half the width of the interval, or the distance from the value to its
    /// further end: U of the value.
    pub(crate) fn expanded(&self) -> Option<f64> {
        self.interval
            .map(|(low, high)| (high - self.value).max(self.value - low))
    }

    /// Its size, without its sign.
    pub(crate) fn size(self) -> Self {
        if self.value >= 0.0 {
            return self;
        }
        Self {
            value: -self.value,
            interval: self.interval.map(|(low, high)| (-high, -low)),
            ..self
        }
    }

    /// Whether nothing is known but that it is no more than the value.
    pub(crate) fn is_at_most(&self) -> bool {
        // A range and a share end by themselves at all there is.
        !matches!(self.dimension, Dimension::Range | Dimension::Fraction)
            && self
                .interval
                .is_some_and(|(low, high)| low == 0.0 && high == self.value && high > 0.0)
    }

    /// Whether the interval holds zero.
    pub(crate) fn may_be_zero(&self) -> bool {
        self.interval
            .is_some_and(|(low, high)| low <= 0.0 && high >= 0.0)
    }

    fn decimals(&self) -> usize {
        match self.expanded() {
            None if self.dimension == Dimension::Fraction => 0,
            expanded => decimals(self.value, expanded),
        }
    }

    /// Value and uncertainty without the unit: `22.4 ± 0.6`, or `3.1 (2.9 to 3.8)`
    /// where the interval is lopsided. A negative sign is shown, a positive one
    /// only when `with_sign`.
    pub(crate) fn numbers(&self, with_sign: bool) -> String {
        if self.is_at_most() {
            return format!("at most {}", self.numbers_alone(with_sign));
        }
        if self.dimension == Dimension::Duration {
            let said = |seconds| duration_within(seconds, self.expanded());
            let value = said(self.value);
            return match self.interval {
                Some((low, high)) if high > low => {
                    let (low, high) = (said(low), said(high));
                    if low == value && high == value {
                        value
                    } else {
                        format!("{value} ({low} to {high})")
                    }
                }
                _ => match self.at_least {
                    Some(least) => format!("{value} ({} or more)", said(least)),
                    None => value,
                },
            };
        }
        let decimals = self.decimals();
        let number = |value: f64| {
            if with_sign {
                signed(value, decimals)
            } else {
                fixed(value, decimals)
            }
        };
        let value = number(self.value);
        match self.interval {
            Some((low, high)) if high > low => {
                let (below, above) = (self.value - low, high - self.value);
                if below > 0.0 && above > 0.0 && (below - above).abs() < 0.2 * (high - low) {
                    format!("{value} ± {}", fixed((high - low) / 2.0, decimals))
                } else {
                    format!("{value} ({} to {})", number(low), number(high))
                }
            }
            _ => value,
        }
    }

    /// The value with the digits that its own interval allows, the interval left out.
    pub(crate) fn numbers_alone(&self, with_sign: bool) -> String {
        self.numbers_like(self, with_sign)
    }

    /// The value with the digits that the interval of `other` allows.
    pub(crate) fn numbers_like(&self, other: &Self, with_sign: bool) -> String {
        match self.dimension {
            Dimension::Duration => duration_within(self.value, other.expanded()),
            _ if with_sign => signed(self.value, other.decimals()),
            _ => fixed(self.value, other.decimals()),
        }
    }

    /// Value, uncertainty and unit, for a sentence.
    pub(crate) fn spoken(&self) -> String {
        let unit = spoken_unit(self.dimension);
        let numbers = self.numbers(false);
        if self.dimension == Dimension::Duration || unit.is_empty() {
            numbers
        } else {
            format!("{numbers} {unit}")
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn cents(value: f64, low: f64, high: f64) -> Stated {
        Stated {
            value,
            interval: Some((low, high)),
            at_least: None,
            dimension: Dimension::Interval,
        }
    }

    #[test]
    fn two_digits_of_uncertainty() {
        assert_eq!(cents(22.4149, 21.81, 23.01).numbers(false), "22.41 ± 0.60");
        assert_eq!(cents(3.1, 2.9, 3.8).numbers(false), "3.10 (2.90 to 3.80)");
        assert_eq!(cents(-0.42, -14.0, 13.2).numbers(true), "0 ± 14");
    }

    #[test]
    fn a_time_has_the_digits_of_its_uncertainty() {
        let time = |value: f64, low: f64, high: f64| Stated {
            value,
            interval: Some((low, high)),
            at_least: None,
            dimension: Dimension::Duration,
        };
        // An interval of twenty seconds is not nothing.
        assert_eq!(
            time(292.8, 282.5, 303.5).numbers(false),
            "4 min 53 s (4 min 43 s to 5 min 4 s)"
        );
        assert_eq!(
            time(7_214.0, 7_200.0, 7_228.0).numbers(false),
            "2 h 14 s (2 h to 2 h 28 s)"
        );
        assert_eq!(
            time(714.5, 610.6, 870.2).numbers(false),
            "12 min (10 min to 15 min)"
        );
        assert_eq!(time(0.9, 0.0, 0.9).numbers(false), "at most 900 ms");
        // A time that may never be reached is no certain one.
        let open = Stated {
            interval: None,
            at_least: Some(25_103.5),
            ..time(25_314.3, 0.0, 0.0)
        };
        assert_eq!(open.numbers(false), "7 h 2 min (6 h 58 min or more)");
    }
}
