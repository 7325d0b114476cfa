//! Numbers as people read them.

pub(crate) use model::quantity::shown::duration;

/// A value with the digits that its standard uncertainty allows.
pub(crate) fn number(value: f64, u: Option<f64>) -> String {
    model::quantity::shown::number(value, u.map(|u| 2.0 * u))
}
