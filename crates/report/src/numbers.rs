//! Numbers as a person reads them: as many digits as the uncertainty allows,
//! durations in hours and minutes, a proper minus sign.

use model::quantity::text::to_the_second;
use model::quantity::{Dimension, Seconds};

/// A number with a fixed count of decimals, a minus sign that is one, and no
/// "-0".
pub(crate) fn fixed(value: f64, decimals: usize) -> String {
    if !value.is_finite() {
        return "?".to_owned();
    }
    let text = format!("{:.*}", decimals, value.abs());
    let is_zero = text.bytes().all(|byte| matches!(byte, b'0' | b'.'));
    if value < 0.0 && !is_zero {
        format!("\u{2212}{text}")
    } else {
        text
    }
}

/// Like [`fixed`], with a plus sign where the number is above zero.
pub(crate) fn signed(value: f64, decimals: usize) -> String {
    let text = fixed(value, decimals);
    let is_zero = text.bytes().all(|byte| matches!(byte, b'0' | b'.'));
    if value > 0.0 && !is_zero {
        format!("+{text}")
    } else {
        text
    }
}

/// How many decimals show two significant digits of an expanded uncertainty
/// (GUM 7.2.6).
pub(crate) fn decimals_for(expanded: f64) -> usize {
    if !(expanded.is_finite() && expanded > 0.0) {
        return 2;
    }
    // 0.0996 is written 0.10: round before counting.
    let exponent = format!("{expanded:.1e}")
        .split_once('e')
        .and_then(|(_, exponent)| exponent.parse::<i32>().ok())
        .unwrap_or(0);
    usize::try_from(1 - exponent).unwrap_or(0).min(6)
}

/// A number with about three significant digits and no more than that.
pub(crate) fn plain(value: f64) -> String {
    fixed(value, plain_decimals(value))
}

fn plain_decimals(value: f64) -> usize {
    match value.abs() {
        size if size >= 99.95 => 0,
        size if size >= 9.995 => 1,
        _ => 2,
    }
}

/// Like [`plain`], with no more digits than the standard uncertainty allows.
pub(crate) fn plain_within(value: f64, u: f64) -> String {
    let most = plain_decimals(value);
    if u > 0.0 {
        fixed(value, decimals_for(2.0 * u).min(most))
    } else {
        fixed(value, most)
    }
}

/// A length of time the way a person says it: `40 ms`, `45 s`, `25 min`, `11 h 30 min`.
pub(crate) fn duration(seconds: f64) -> String {
    if !seconds.is_finite() {
        return "?".to_owned();
    }
    let sign = if seconds < 0.0 { "\u{2212}" } else { "" };
    let size = seconds.abs();
    if size < 0.000_5 {
        return "0 s".to_owned();
    }
    if size < 0.999_5 {
        return format!("{sign}{:.0} ms", size * 1e3);
    }
    if size < 9.95 {
        let text = format!("{size:.1}");
        let text = text.strip_suffix(".0").unwrap_or(&text);
        return format!("{sign}{text} s");
    }
    if size < 99.5 {
        return format!("{sign}{size:.0} s");
    }
    let minutes = (size / 60.0).round() as u64;
    match (minutes / 60, minutes % 60) {
        (0, m) => format!("{sign}{m} min"),
        (h, 0) => format!("{sign}{h} h"),
        (h, m) => format!("{sign}{h} h {m} min"),
    }
}

/// A length of time with the digits that its expanded uncertainty allows: to the second
/// where two digits of that are seconds, `6 min 8 s`, else as a person says it.
pub(crate) fn duration_within(seconds: f64, expanded: Option<f64>) -> String {
    let in_seconds = expanded.is_some_and(|expanded| expanded > 0.0 && expanded < 99.5);
    let size = seconds.abs();
    if !in_seconds || !(99.5..1e9).contains(&size) {
        return duration(seconds);
    }
    let sign = if seconds < 0.0 { "\u{2212}" } else { "" };
    format!("{sign}{}", to_the_second(Seconds::of(size)))
}

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
            Some(expanded) if expanded > 0.0 => {
                decimals_for(expanded).min(if self.value.abs() < 0.01 { 4 } else { 3 })
            }
            _ if self.dimension == Dimension::Fraction => 0,
            _ => plain_decimals(self.value),
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
        assert_eq!(decimals_for(0.0996), 2);
        assert_eq!(decimals_for(0.099), 3);
        assert_eq!(decimals_for(f64::NAN), 2);
    }

    #[test]
    fn no_digit_that_the_uncertainty_hides() {
        assert_eq!(plain_within(8.941, 1.0), "8.9");
        assert_eq!(plain_within(8.941, 0.001), "8.94");
        assert_eq!(plain_within(8.941, 0.0), "8.94");
        assert_eq!(plain_within(28.61, f64::NAN), "28.6");
    }

    #[test]
    fn durations_as_said() {
        assert_eq!(duration(1500.0), "25 min");
        assert_eq!(duration(41_400.0), "11 h 30 min");
        assert_eq!(duration(43_200.0), "12 h");
        assert_eq!(duration(0.0), "0 s");
        assert_eq!(duration(0.04), "40 ms");
        assert_eq!(duration(2.52), "2.5 s");
        assert_eq!(duration(-30.0), "\u{2212}30 s");
        assert_eq!(duration(3599.0), "1 h");
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
        assert_eq!(duration_within(368.0, None), "6 min");
        // A time that may never be reached is no certain one.
        let open = Stated {
            interval: None,
            at_least: Some(25_103.5),
            ..time(25_314.3, 0.0, 0.0)
        };
        assert_eq!(open.numbers(false), "7 h 2 min (6 h 58 min or more)");
    }

    #[test]
    fn no_minus_nought() {
        assert_eq!(fixed(-0.004, 2), "0.00");
        assert_eq!(signed(0.5, 1), "+0.5");
        assert_eq!(fixed(-0.5, 1), "\u{2212}0.5");
    }
}
