//! Numbers as people read them.

use model::quantity::text::to_the_second;
use model::quantity::{Dimension, Seconds};

/// A length of time: "40 ms", "2.5 s", "35 s", "47 min", "12 h 30 min".
pub(crate) fn duration(seconds: f64) -> String {
    if !seconds.is_finite() {
        return "an unknown time".to_owned();
    }
    if (0.0005..0.9995).contains(&seconds.abs()) {
        return format!("{:.0} ms", seconds * 1e3);
    }
    if seconds.abs() < 9.95 {
        return format!("{} s", (seconds * 10.0).round() / 10.0);
    }
    if seconds.abs() < 120.0 {
        return format!("{seconds:.0} s");
    }
    let minutes = (seconds / 60.0).round();
    if minutes.abs() < 120.0 {
        return format!("{minutes:.0} min");
    }
    let hours = (minutes / 60.0).trunc();
    let rest = (minutes - hours * 60.0).abs();
    if rest == 0.0 {
        format!("{hours:.0} h")
    } else {
        format!("{hours:.0} h {rest:.0} min")
    }
}

/// A length of time with the digits that its standard uncertainty allows: to the second
/// where two digits of twice that are seconds, "6 min 8 s".
pub(crate) fn duration_within(seconds: f64, u: Option<f64>) -> String {
    let in_seconds = u.is_some_and(|u| u > 0.0 && 2.0 * u < 99.5);
    if !in_seconds || !(120.0..1e9).contains(&seconds) {
        return duration(seconds);
    }
    to_the_second(Seconds::of(seconds))
}

/// "1 round", "5 rounds".
pub(crate) fn counted(count: usize, what: &str) -> String {
    let plural = if count == 1 { "" } else { "s" };
    format!("{count} {what}{plural}")
}

/// The verb behind so many of something.
pub(crate) const fn are(count: usize) -> &'static str {
    if count == 1 { "is" } else { "are" }
}

/// A value with two digits of its expanded uncertainty (GUM 7.2.6), and no more
/// than three decimals unless it is very small; a minus sign that is one.
pub(crate) fn number(value: f64, u: Option<f64>) -> String {
    let most = if value.abs() < 0.01 { 4.0 } else { 3.0 };
    let decimals = match u {
        Some(u) if u > 0.0 && u.is_finite() => {
            (1.0 - (2.0 * u).log10().floor()).clamp(0.0, most) as usize
        }
        _ => 2,
    };
    let text = format!("{:.decimals$}", value.abs());
    let is_zero = text.chars().all(|c| matches!(c, '0' | '.'));
    if value < 0.0 && !is_zero {
        format!("\u{2212}{text}")
    } else {
        text
    }
}

/// "1 cent", "2.5 cents".
pub(crate) fn cents(cents: f64) -> String {
    let plural = if cents == 1.0 { "" } else { "s" };
    format!("{cents} cent{plural}")
}

/// Cents with their sign, to a hundredth: the small print of a result.
pub(crate) fn signed(value: f64) -> String {
    let text = number(value, None);
    if value > 0.0 {
        format!("+{text}")
    } else {
        text
    }
}

/// A value of a result with its unit.
pub(crate) fn quantity(value: f64, u: Option<f64>, dimension: Dimension) -> String {
    match dimension {
        Dimension::Duration => duration_within(value, u),
        Dimension::Fraction => format!("{} %", number(value * 100.0, u.map(|u| u * 100.0))),
        _ => format!("{} {}", number(value, u), dimension.unit()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_and_numbers_read_well() {
        assert_eq!(duration(0.04), "40 ms");
        assert_eq!(duration(0.0), "0 s");
        assert_eq!(duration(1.0), "1 s");
        assert_eq!(duration(2.52), "2.5 s");
        assert_eq!(duration(35.2), "35 s");
        assert_eq!(duration(2820.0), "47 min");
        assert_eq!(duration(45_000.0), "12 h 30 min");
        assert_eq!(duration(7200.0), "2 h");
        // A limit of 10 min lies outside of what ends at 10 min 2 s.
        let time = |u| quantity(602.4, u, Dimension::Duration);
        assert_eq!(time(Some(26.0)), "10 min 2 s");
        assert_eq!(time(Some(60.0)), "10 min");
        assert_eq!(time(None), "10 min");
        assert_eq!(number(0.421_7, Some(0.053)), "0.42");
        assert_eq!(number(-0.000_1, Some(0.02)), "0.000");
        assert_eq!(number(-22.41, Some(4.2)), "\u{2212}22.4");
        assert_eq!(number(7.155_3, Some(0.000_64)), "7.155");
        assert_eq!(quantity(0.6, Some(0.05), Dimension::Fraction), "60 %");
    }
}
