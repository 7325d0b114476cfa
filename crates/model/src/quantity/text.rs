//! Quantities as people write them: a number, a space if you like, a unit.

use super::Quantity;

/// A number of more characters than this is written with an exponent: no number with
/// a unit that suits it has as many.
const LONGEST_PLAIN: usize = 24;

/// Why a text is no such quantity; the message says what to write instead.
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
pub enum QuantityError {
    /// No number at the start of the text.
    #[error("\"{text}\" is no {quantity}; write it like \"{example}\"")]
    NoNumber {
        /// What was read.
        text: String,
        /// What was wanted.
        quantity: &'static str,
        /// A text that would do.
        example: &'static str,
    },
    /// A comma where a decimal point belongs.
    #[error("\"{text}\" has a decimal comma; write \"{instead}\"")]
    DecimalComma {
        /// What was read.
        text: String,
        /// The same with a point.
        instead: String,
    },
    /// A number alone.
    #[error("\"{text}\" has no unit; write this {quantity} like \"{example}\" (units: {units})")]
    NoUnit {
        /// What was read.
        text: String,
        /// What was wanted.
        quantity: &'static str,
        /// A text that would do.
        example: &'static str,
        /// All units that would do.
        units: String,
    },
    /// A unit that does not belong to the quantity.
    #[error(
        "\"{unit}\" is no unit of this {quantity}; write it like \"{example}\" (units: {units})"
    )]
    WrongUnit {
        /// The unit that was read.
        unit: String,
        /// What was wanted.
        quantity: &'static str,
        /// A text that would do.
        example: &'static str,
        /// All units that would do.
        units: String,
    },
    /// A number that the quantity cannot have.
    #[error("\"{text}\" is not a possible {quantity}")]
    NotPossible {
        /// What was read.
        text: String,
        /// What was wanted.
        quantity: &'static str,
    },
}

/// Splits a text into its number and what follows.
///
/// # Errors
/// `None` when there is no number at the start.
pub(super) fn split(text: &str) -> Option<(f64, &str)> {
    let text = text.trim();
    let mut end = 0;
    let bytes = text.as_bytes();
    while end < bytes.len() {
        let exponent = matches!(bytes[end], b'e' | b'E')
            && bytes
                .get(end + 1)
                .is_some_and(|next| next.is_ascii_digit() || matches!(next, b'-' | b'+'))
            && end > 0;
        let sign_of_exponent = matches!(bytes[end], b'-' | b'+')
            && (end == 0 || matches!(bytes[end - 1], b'e' | b'E'));
        if bytes[end].is_ascii_digit() || bytes[end] == b'.' || exponent || sign_of_exponent {
            end += 1;
        } else {
            break;
        }
    }
    let number: f64 = text[..end].parse().ok()?;
    Some((number, text[end..].trim()))
}

/// Whether the text has a comma between two digits, and the same text with a point.
pub(super) fn with_decimal_point(text: &str) -> Option<String> {
    let bytes = text.as_bytes();
    let comma = (1..bytes.len().saturating_sub(1)).find(|&at| {
        bytes[at] == b',' && bytes[at - 1].is_ascii_digit() && bytes[at + 1].is_ascii_digit()
    })?;
    let mut instead = text.trim().to_owned();
    let at = comma - (text.len() - text.trim_start().len());
    instead.replace_range(at..=at, ".");
    Some(instead)
}

/// The units of a quantity, for a message.
fn units<Q: Quantity>() -> String {
    Q::UNITS
        .iter()
        .map(|(unit, _)| *unit)
        .collect::<Vec<_>>()
        .join(", ")
}

/// Reads a quantity as a person writes it.
///
/// # Errors
/// [`QuantityError`], whose message says what to write instead.
pub fn read<Q: Quantity>(text: &str) -> Result<Q, QuantityError> {
    if let Some(instead) = with_decimal_point(text) {
        return Err(QuantityError::DecimalComma {
            text: text.to_owned(),
            instead,
        });
    }
    let Some((number, unit)) = split(text) else {
        return Err(QuantityError::NoNumber {
            text: text.to_owned(),
            quantity: Q::NAME,
            example: Q::EXAMPLE,
        });
    };
    if unit.is_empty() {
        return Err(QuantityError::NoUnit {
            text: text.to_owned(),
            quantity: Q::NAME,
            example: Q::EXAMPLE,
            units: units::<Q>(),
        });
    }
    let Some((_, size)) = Q::UNITS.iter().find(|(name, _)| *name == unit) else {
        return Err(QuantityError::WrongUnit {
            unit: unit.to_owned(),
            quantity: Q::NAME,
            example: Q::EXAMPLE,
            units: units::<Q>(),
        });
    };
    Q::new(number * size).map_err(|_| QuantityError::NotPossible {
        text: text.to_owned(),
        quantity: Q::NAME,
    })
}

/// Writes a quantity so that [`read`] gives it back, in the unit that needs the
/// fewest digits.
pub fn write<Q: Quantity>(quantity: Q) -> String {
    let value = quantity.get();
    Q::UNITS
        .iter()
        .map(|(unit, size)| {
            let number = value / size;
            let plain = format!("{number}");
            let text = if plain.len() > LONGEST_PLAIN {
                format!("{number:e}")
            } else {
                plain
            };
            // A rounded quotient may not lead back to the same value; then the base unit does.
            let exact = text.parse::<f64>().is_ok_and(|again| again * size == value);
            (if exact { text.len() } else { usize::MAX }, text, *unit)
        })
        .min_by_key(|(length, _, _)| *length)
        .map_or_else(String::new, |(_, text, unit)| format!("{text} {unit}"))
}

#[cfg(test)]
mod tests {
    use super::super::{Cents, CentsPerOctave, Fraction, Hertz, Seconds};
    use super::*;

    #[test]
    fn units_scale() {
        assert_eq!(read::<Seconds>("500 ms"), Ok(Seconds::of(0.5)));
        assert_eq!(read::<Seconds>("2h"), Ok(Seconds::of(7200.0)));
        assert_eq!(read::<Hertz>("48 kHz"), Ok(Hertz::of(48000.0)));
        assert_eq!(
            read::<CentsPerOctave>("-1.5e1 cents/oct"),
            Ok(CentsPerOctave::of(-15.0))
        );
        assert_eq!(
            read::<Fraction>("50 ppm").map(|f| (f.get() * 1e9).round()),
            Ok(50e3)
        );
    }

    #[test]
    fn mistakes_are_told_apart() {
        assert!(
            matches!(read::<Seconds>("0,5 s"), Err(QuantityError::DecimalComma { instead, .. }) if instead == "0.5 s")
        );
        assert!(matches!(
            read::<Seconds>("500"),
            Err(QuantityError::NoUnit { .. })
        ));
        assert!(matches!(
            read::<Seconds>("500 mV"),
            Err(QuantityError::WrongUnit { .. })
        ));
        assert!(matches!(
            read::<Seconds>("soon"),
            Err(QuantityError::NoNumber { .. })
        ));
        assert!(matches!(
            read::<Seconds>("-1 s"),
            Err(QuantityError::NotPossible { .. })
        ));
        assert!(matches!(
            read::<Seconds>("1e999 s"),
            Err(QuantityError::NotPossible { .. })
        ));
    }

    #[test]
    fn what_is_written_reads_back() {
        for value in [0.0, 1.0, 0.5, 7200.0, 90.0, 1.0 / 3.0, 12345.678] {
            let seconds = Seconds::of(value);
            assert_eq!(read::<Seconds>(&write(seconds)), Ok(seconds));
        }
        assert_eq!(write(Cents::of(2400.0)), "2 octaves");
    }
}
