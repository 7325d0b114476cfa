//! Numbers and durations as a person reads them, on a page, in a table and in a sentence
//! alike: as many digits as the uncertainty allows, a proper minus sign, and no "-0".

/// What stands for a number that is not finite.
const UNKNOWN: &str = "unknown";
/// From here on, in seconds, a duration has minutes: two of them, as one and a half would
/// be rounded by half.
const MINUTES: f64 = 119.5;
/// A duration known no better than to this, in seconds, has no seconds: two digits of its
/// expanded uncertainty are minutes.
const COARSE: f64 = 99.5;
/// One known better than this, in seconds, may have fractions of them.
const FINE: f64 = 9.95;

/// A number with a fixed count of decimals.
#[must_use]
pub fn fixed(value: f64, decimals: usize) -> String {
    with_sign(value, decimals, "")
}

/// A number with a fixed count of decimals, and a plus sign where it is above zero.
#[must_use]
pub fn signed(value: f64, decimals: usize) -> String {
    with_sign(value, decimals, "+")
}

fn with_sign(value: f64, decimals: usize, plus: &str) -> String {
    if !value.is_finite() {
        return UNKNOWN.to_owned();
    }
    let text = format!("{:.*}", decimals, value.abs());
    let is_zero = text.bytes().all(|byte| matches!(byte, b'0' | b'.'));
    let sign = match value {
        _ if is_zero => "",
        below if below < 0.0 => "\u{2212}",
        _ => plus,
    };
    format!("{sign}{text}")
}

/// How many decimals show two significant digits of an expanded uncertainty (GUM 7.2.6).
#[must_use]
pub fn decimals_for(expanded: f64) -> usize {
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

/// How many decimals a number has: two digits of its expanded uncertainty, and no more than
/// three decimals unless it is very small; where that is not known about three significant
/// digits, and no more than two decimals.
#[must_use]
pub fn decimals(value: f64, expanded: Option<f64>) -> usize {
    match (expanded, value.abs()) {
        (Some(expanded), size) if expanded > 0.0 && expanded.is_finite() => {
            decimals_for(expanded).min(if size < 0.01 { 4 } else { 3 })
        }
        (_, size) if size >= 99.95 => 0,
        (_, size) if size >= 9.995 => 1,
        _ => 2,
    }
}

/// A number with the digits that its expanded uncertainty allows; see [`decimals`].
#[must_use]
pub fn number(value: f64, expanded: Option<f64>) -> String {
    fixed(value, decimals(value, expanded))
}

/// A number of a rig or a plan: up to nine decimals, without noughts at the end.
#[must_use]
pub fn exact(value: f64) -> String {
    let text = fixed(value, 9);
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A length of time the way a person says it: `40 ms`, `2.5 s`, `119 s`, `25 min`,
/// `11 h 30 min`.
#[must_use]
pub fn duration(seconds: f64) -> String {
    let size = seconds.abs();
    if !size.is_finite() {
        return UNKNOWN.to_owned();
    }
    let text = if size < 0.000_5 {
        return "0 s".to_owned();
    } else if size < 0.999_5 {
        format!("{:.0} ms", size * 1e3)
    } else if size < FINE {
        let text = format!("{size:.1}");
        format!("{} s", text.strip_suffix(".0").unwrap_or(&text))
    } else if size < MINUTES {
        in_seconds(size)
    } else {
        in_parts((size / 60.0).round() * 60.0)
    };
    before_zero(seconds, text)
}

/// A length of time with the digits that its expanded uncertainty allows: `5 min` where it
/// is known to minutes, `5 min 8 s` where it is known to seconds, else as [`duration`] says it.
#[must_use]
pub fn duration_within(seconds: f64, expanded: Option<f64>) -> String {
    let size = seconds.abs();
    match expanded {
        Some(expanded) if expanded >= COARSE && size < 1e9 => {
            before_zero(seconds, in_parts((size / 60.0).round() * 60.0))
        }
        Some(expanded) if expanded > 0.0 && (MINUTES..1e9).contains(&size) => {
            before_zero(seconds, in_parts(size))
        }
        Some(expanded) if expanded >= FINE && size < MINUTES => {
            before_zero(seconds, in_seconds(size))
        }
        _ => duration(seconds),
    }
}

/// A size with the sign of its value, unless it is written as nought.
fn before_zero(value: f64, size: String) -> String {
    if value < 0.0 && size != "0 s" {
        format!("\u{2212}{size}")
    } else {
        size
    }
}

/// In whole seconds, and one minute as such.
fn in_seconds(size: f64) -> String {
    match size.round() {
        60.0 => "1 min".to_owned(),
        whole => format!("{whole} s"),
    }
}

/// To the second, without units of which there are none: `6 min 8 s`, `2 h 14 s`, `2 h`.
fn in_parts(seconds: f64) -> String {
    let whole = seconds.round() as u64;
    let parts = [
        (whole / 3600, "h"),
        (whole / 60 % 60, "min"),
        (whole % 60, "s"),
    ];
    let said: Vec<String> = parts
        .into_iter()
        .filter(|(count, _)| *count > 0)
        .map(|(count, unit)| format!("{count} {unit}"))
        .collect();
    if said.is_empty() {
        return "0 s".to_owned();
    }
    said.join(" ")
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    #[test]
    fn durations_as_said() {
        for (seconds, expanded, said) in [
            (0.0, None, "0 s"),
            (0.000_4, None, "0 s"),
            (-0.000_4, None, "0 s"),
            (0.04, None, "40 ms"),
            (0.999_6, None, "1 s"),
            (2.52, None, "2.5 s"),
            (9.96, None, "10 s"),
            (-30.0, None, "\u{2212}30 s"),
            (60.2, None, "1 min"),
            (90.0, None, "90 s"),
            (119.4, None, "119 s"),
            (119.6, None, "2 min"),
            (1500.0, None, "25 min"),
            (3599.9, None, "1 h"),
            (5400.0, None, "1 h 30 min"),
            (41_400.0, None, "11 h 30 min"),
            (45_000.0, None, "12 h 30 min"),
            (-45_000.0, None, "\u{2212}12 h 30 min"),
            (f64::INFINITY, None, "unknown"),
            (f64::NAN, Some(1.0), "unknown"),
            // An interval of twenty seconds is not nothing, and a limit of 10 min lies
            // outside of what ends at 10 min 2 s.
            (0.04, Some(0.01), "40 ms"),
            (0.9, Some(0.9), "900 ms"),
            (119.6, Some(0.1), "2 min"),
            (292.8, Some(10.7), "4 min 53 s"),
            (602.4, Some(52.0), "10 min 2 s"),
            (602.4, Some(120.0), "10 min"),
            (3599.9, Some(1.0), "1 h"),
            (7214.0, Some(14.0), "2 h 14 s"),
            (-368.0, Some(14.0), "\u{2212}6 min 8 s"),
            (5.3, Some(12.0), "5 s"),
            (52.0, Some(180.0), "1 min"),
            (-20.0, Some(180.0), "0 s"),
            (-0.2, Some(12.0), "0 s"),
            (90_061.0, Some(2.0), "25 h 1 min 1 s"),
            (45_000.0, Some(f64::NAN), "12 h 30 min"),
            (45_000.0, Some(f64::INFINITY), "12 h 30 min"),
        ] {
            assert_eq!(
                duration_within(seconds, expanded),
                said,
                "{seconds} {expanded:?}"
            );
            if expanded.is_none() {
                assert_eq!(duration(seconds), said, "{seconds}");
            }
        }
    }

    #[test]
    fn numbers_as_written() {
        for (value, expanded, said) in [
            (0.0, None, "0.00"),
            (-0.000_1, None, "0.00"),
            (-0.000_1, Some(0.04), "0.000"),
            (-0.000_1, Some(0.000_2), "\u{2212}0.0001"),
            (0.421_7, Some(0.106), "0.42"),
            (0.421_7, Some(0.099_6), "0.42"),
            (0.421_7, Some(0.099_4), "0.422"),
            (-22.41, Some(8.4), "\u{2212}22.4"),
            (-0.42, Some(14.0), "0"),
            (7.155_3, Some(0.001_3), "7.155"),
            (8.941, None, "8.94"),
            (28.61, Some(f64::NAN), "28.6"),
            (123.4, Some(0.0), "123"),
            (f64::INFINITY, Some(1.0), "unknown"),
        ] {
            assert_eq!(number(value, expanded), said, "{value} {expanded:?}");
        }
        assert_eq!(signed(0.5, 1), "+0.5");
        assert_eq!(signed(0.004, 2), "0.00");
        assert_eq!(signed(-0.5, 1), "\u{2212}0.5");
        assert_eq!(exact(0.1 + 0.2), "0.3");
        assert_eq!(exact(-1500.0), "\u{2212}1500");
        assert_eq!(decimals_for(f64::NAN), 2);
    }

    /// The seconds of a duration as it was written.
    fn read(text: &str) -> f64 {
        let (sign, text) = match text.strip_prefix('\u{2212}') {
            Some(text) => (-1.0, text),
            None => (1.0, text),
        };
        let words: Vec<&str> = text.split(' ').collect();
        let size: f64 = words
            .chunks(2)
            .map(|pair| {
                let unit = match pair[1] {
                    "ms" => 1e-3,
                    "s" => 1.0,
                    "min" => 60.0,
                    "h" => 3600.0,
                    other => panic!("{other}"),
                };
                pair[0].parse::<f64>().unwrap() * unit
            })
            .sum();
        sign * size
    }

    proptest! {
        /// A duration reads back to within half of its last digit, which is never coarser
        /// than its expanded uncertainty allows.
        #[test]
        fn a_duration_reads_back(
            seconds in prop_oneof![-200.0..200.0, -1e6..1e6_f64],
            expanded in proptest::option::of(prop_oneof![0.001..20.0, 0.001..1e4_f64]),
        ) {
            let text = duration_within(seconds, expanded);
            let unit = match (expanded, seconds.abs()) {
                (Some(expanded), _) if expanded >= COARSE => 60.0,
                (Some(_), size) if size >= MINUTES => 1.0,
                (Some(expanded), _) if expanded >= FINE => 1.0,
                (_, size) if size >= MINUTES => 60.0,
                (_, size) if size >= FINE => 1.0,
                (_, size) if size >= 0.999_5 => 0.1,
                _ => 0.001,
            };
            prop_assert!((read(&text) - seconds).abs() <= unit * 0.5001, "{text} {seconds}");
            prop_assert_eq!(text == "0 s", read(&text) == 0.0);
        }

        /// A number reads back to within half of its last digit, and its sign is that of
        /// what was written.
        #[test]
        fn a_number_reads_back(
            value in prop_oneof![-1.0..1.0, -1e4..1e4_f64],
            expanded in proptest::option::of(prop_oneof![0.000_01..1.0, 0.000_01..1e3_f64]),
        ) {
            let text = number(value, expanded);
            let read: f64 = text.replace('\u{2212}', "-").parse().unwrap();
            let unit = 10_f64.powi(-(decimals(value, expanded) as i32));
            prop_assert!((read - value).abs() <= unit * 0.5001, "{text} {value}");
            prop_assert_eq!(text.starts_with('\u{2212}'), read < 0.0);
            if let Some(expanded) = expanded.filter(|expanded| *expanded >= 0.01) {
                prop_assert!(unit <= 1.0_f64.max(expanded), "{text} {expanded}");
            }
        }
    }
}
