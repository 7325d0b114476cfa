//! Numbers as people read them.

use model::quantity::Dimension;

/// A length of time: "35 s", "47 min", "12 h 30 min".
pub(crate) fn duration(seconds: f64) -> String {
    if !seconds.is_finite() {
        return "an unknown time".to_owned();
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

/// "1 round", "5 rounds".
pub(crate) fn counted(count: usize, what: &str) -> String {
    let plural = if count == 1 { "" } else { "s" };
    format!("{count} {what}{plural}")
}

/// A value with as many decimals as its uncertainty deserves: two digits of it.
pub(crate) fn number(value: f64, u: Option<f64>) -> String {
    let decimals = match u {
        Some(u) if u > 0.0 && u.is_finite() => (1.0 - u.log10().floor()).clamp(0.0, 4.0) as usize,
        _ => 2,
    };
    let text = format!("{value:.decimals$}");
    if text
        .trim_start_matches('-')
        .chars()
        .all(|c| matches!(c, '0' | '.'))
    {
        text.trim_start_matches('-').to_owned()
    } else {
        text
    }
}

/// A value of a result with its unit.
pub(crate) fn quantity(value: f64, u: Option<f64>, dimension: Dimension) -> String {
    match dimension {
        Dimension::Duration => duration(value),
        _ => format!("{} {}", number(value, u), dimension.unit()),
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn times_and_numbers_read_well() {
        assert_eq!(duration(35.2), "35 s");
        assert_eq!(duration(2820.0), "47 min");
        assert_eq!(duration(45_000.0), "12 h 30 min");
        assert_eq!(duration(7200.0), "2 h");
        assert_eq!(number(0.421_7, Some(0.053)), "0.422");
        assert_eq!(number(-0.000_1, Some(0.05)), "0.000");
        assert_eq!(number(22.41, Some(4.2)), "22.4");
    }
}
