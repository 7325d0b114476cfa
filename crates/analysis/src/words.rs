//! Numbers as people read them.

pub(crate) use model::quantity::shown::duration;

use model::quantity::shown;

/// "1 round", "5 rounds".
pub(crate) fn counted(count: usize, what: &str) -> String {
    let plural = if count == 1 { "" } else { "s" };
    format!("{count} {what}{plural}")
}

/// The verb behind so many of something.
pub(crate) const fn are(count: usize) -> &'static str {
    if count == 1 { "is" } else { "are" }
}

/// A value with the digits that its standard uncertainty allows.
pub(crate) fn number(value: f64, u: Option<f64>) -> String {
    shown::number(value, u.map(|u| 2.0 * u))
}

/// "1 cent", "2.5 cents".
pub(crate) fn cents(cents: f64) -> String {
    let plural = if cents == 1.0 { "" } else { "s" };
    format!("{cents} cent{plural}")
}

/// Cents with their sign: the small print of a result.
pub(crate) fn signed(value: f64) -> String {
    shown::signed(value, shown::decimals(value, None))
}
