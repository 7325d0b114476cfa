//! What the answers of instruments mean.
//!
//! Sources: IEEE 488.2 (number formats NR1 to NR3, `*IDN?` in 10.14) and SCPI-1999
//! (9.9E37 for infinity, 9.91E37 for no number, SYSTem:ERRor).

/// Reads a number in any of the forms NR1 to NR3.
///
/// 9.9E37, -9.9E37 and 9.91E37 stand for infinities and for no number at all; they
/// are known by a window about them, as 9.91E37 is larger than 9.9E37.
///
/// # Errors
/// Why it is none, as the end of a sentence.
pub(super) fn number(text: &str) -> Result<f64, &'static str> {
    let text = text.trim();
    let of_a_number = |letter: char| letter.is_ascii_digit() || "+-.eE".contains(letter);
    let value: f64 = match text.parse() {
        Ok(value) if text.chars().all(of_a_number) => value,
        _ => {
            let bare = text.trim_end_matches(|letter: char| letter.is_ascii_alphabetic());
            return Err(if bare.trim_end().parse::<f64>().is_ok() {
                "which has a unit behind its number"
            } else {
                "which is no number"
            });
        }
    };
    if (9.85e37..9.95e37).contains(&value.abs()) {
        return Err("which stands for an overload or for no reading");
    }
    if value.is_finite() {
        Ok(value)
    } else {
        Err("which is beyond all numbers")
    }
}

/// Reads a switch's state: 1 or 0, ON or OFF.
pub(super) fn switch_state(text: &str) -> Option<bool> {
    match text.trim().trim_start_matches('+') {
        on if on == "1" || on.eq_ignore_ascii_case("on") => Some(true),
        off if off == "0" || off.eq_ignore_ascii_case("off") => Some(false),
        _ => None,
    }
}

/// Reads the number of an entry of the error queue; 0 stands for its end.
pub(super) fn error_number(text: &str) -> Option<i32> {
    text.split(',').next()?.trim().parse().ok()
}

/// Whether a line answers `*IDN?`: it begins with a letter, so that neither numbers nor
/// entries of the error queue are taken for it, and has fields with commas between. Simple
/// supplies run all fields together into one word (common practice, no source): that has
/// digits in it, as neither ON nor OFF nor words of overload have.
pub(super) fn is_identity(text: &str) -> bool {
    let printable = text.chars().all(|letter| (' '..='~').contains(&letter));
    let in_one_word = || text.len() >= 6 && text.contains(|letter: char| letter.is_ascii_digit());
    printable
        && text.starts_with(|first: char| first.is_ascii_alphabetic())
        && (text.contains(',') || in_one_word())
}

/// An answer as it can be shown: escaped, and not long.
pub(super) fn shown(text: &str) -> String {
    let mut letters = text.chars();
    let beginning: String = letters.by_ref().take(60).collect();
    let more = if letters.next().is_some() { "…" } else { "" };
    format!("\"{}{more}\"", beginning.escape_debug())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn numbers_in_all_forms_and_no_sentinel_among_them() {
        // Forms: IEEE 488.2 8.7.2 to 8.7.4. Sentinels: SCPI-1999 volume 1, 7.2.1,
        // in the spellings that instruments use.
        for (text, value) in [
            ("-12345", -12345.0),
            ("+1.2345", 1.2345),
            ("1.2345E-03", 1.2345e-3),
            (" +2.15000000E+01\r", 21.5),
            ("9.9E36", 9.9e36),
        ] {
            assert_eq!(number(text), Ok(value), "{text}");
        }
        for text in [
            "9.9E37",
            "+9.90000000E+37",
            "9.91e37",
            "9.91000E+37",
            "-9.91000E+37",
            "-9.9E37",
            "",
            "nan",
            "inf",
            "1e999",
            "21.5 C",
            "1,5",
            "OVLD",
        ] {
            assert!(number(text).is_err(), "{text}");
        }
        for text in ["21.5 C", "12.000V", "+1.2E+01 mV"] {
            assert!(number(text).unwrap_err().contains("unit"), "{text}");
        }
    }

    #[test]
    fn an_identity_is_told_from_every_other_answer() {
        // IEEE 488.2 10.14: four fields, 0 for a serial number that is not known.
        assert!(is_identity("Workshop,Supply 1,0,1.0"));
        assert!(is_identity("WORKSHOP3005V1.2"));
        for other in [
            "12.0",
            "+0,\"No error\"",
            "-113,\"Undefined header;a,b,c\"",
            "1",
            "OFF",
            "12.000V,0.5A",
            "garbage",
            "Work\u{fffd}shop,Supply 1,0,1.0",
            "",
        ] {
            assert!(!is_identity(other), "{other}");
        }
    }
}
