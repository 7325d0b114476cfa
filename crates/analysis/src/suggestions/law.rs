//! The tracking law of a warm unit, for telling causes apart: offset, scale, what
//! goes with the frequency and what goes with its inverse. The law is that of
//! [`tracking`](crate::curves::tracking); it is laid through medians of the notes over the
//! night instead of through each round, so that a loose contact bends nothing.

use crate::curves::tracking::{
    LOW_END_PASSES, LowEnd, NOTES_FOR_HIGH_END, SPAN_FOR_HIGH_END, SPAN_FOR_LOW_END,
};
use crate::statistics::least_squares::fit;
use model::result::Uncertain;
use nalgebra::DMatrix;

/// One note of a warm unit.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct ProfileNote {
    /// Octaves above the reference note.
    pub(super) x: f64,
    /// Mean deviation with the reference note's taken out, cents.
    pub(super) cents: f64,
    /// Standard deviation of that mean.
    pub(super) sem: f64,
    /// The largest step of the control source here, cents.
    pub(super) step: f64,
}

/// What was fitted.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Law {
    /// Cents per octave.
    pub(super) scale: Uncertain,
    /// At the highest note, cents; `None` when it cannot be told from scale.
    pub(super) top: Option<Uncertain>,
    /// At the lowest note, cents; `None` when it cannot be told from scale.
    pub(super) bottom: Option<Uncertain>,
    /// Root mean square off the law, by degrees of freedom.
    pub(super) off: f64,
    pub(super) degrees_of_freedom: usize,
    /// What each note is off the law.
    pub(super) residuals: Vec<f64>,
}

/// So many times its uncertainty a low end must be over a short span.
const SURE: f64 = 4.0;
/// What is off the law must be smaller by this factor with a low end over a short span.
const BETTER: f64 = 2.0;

/// Fits offset, slope, `c (u - 1)` and the low end, the last two where span and number
/// of notes allow it. `None` with fewer than three notes.
///
/// Over too short a span for a low end it is in the law all the same where it leaves much
/// less over, and many notes say so: slope and high end would be made of it.
pub(super) fn law(notes: &[ProfileNote]) -> Option<Law> {
    let (first, last) = (notes.first()?, notes.last()?);
    let span = last.x - first.x;
    if notes.len() < 3 || span < 0.9 {
        return None;
    }
    let high = span > SPAN_FOR_HIGH_END - 1e-6 && notes.len() >= NOTES_FOR_HIGH_END;
    let low = high && span > SPAN_FOR_LOW_END - 1e-6 && notes.len() > NOTES_FOR_HIGH_END;
    let found = fitted(notes, high, low)?;
    if !high || low || notes.len() < 2 * NOTES_FOR_HIGH_END {
        return Some(found);
    }
    let with_low = fitted(notes, true, true).filter(|other| {
        other
            .bottom
            .is_some_and(|bottom| bottom.is_beyond(0.0, SURE))
            && other.off * BETTER < found.off
    });
    Some(with_low.unwrap_or(found))
}

/// The law with and without its ends.
fn fitted(notes: &[ProfileNote], high: bool, low: bool) -> Option<Law> {
    let u: Vec<f64> = notes
        .iter()
        .map(|note| (note.x + note.cents / 1200.0).exp2())
        .collect();
    let y: Vec<f64> = notes.iter().map(|note| note.cents).collect();
    // Steps are believed only as far as the residuals bear them out.
    let mut step_scale = 1.0;
    let mut result = None;
    for _ in 0..2 {
        let sd: Vec<f64> = notes
            .iter()
            .map(|note| {
                note.sem
                    .hypot(step_scale * note.step / 3f64.sqrt())
                    .max(0.02)
            })
            .collect();
        let mut low_end = LowEnd::LINEAR;
        let mut found = None;
        for _ in 0..if low { LOW_END_PASSES } else { 1 } {
            let count = 2 + usize::from(high) + usize::from(low);
            let columns = DMatrix::from_fn(notes.len(), count, |row, column| match column {
                0 => 1.0,
                1 => notes[row].x,
                2 => u[row] - 1.0,
                _ => low_end.column(u[row]),
            });
            let linear: Vec<f64> = y
                .iter()
                .zip(&u)
                .map(|(y, u)| y - low_end.beyond(*u))
                .collect();
            let fit = fit(&columns, &linear, &sd)?;
            let around = low_end;
            if low {
                low_end = LowEnd::around(fit.coefficients[3], u[0]);
            }
            found = Some((fit, around));
        }
        let (fit, low_end) = found?;
        let freedom = fit.degrees_of_freedom;
        let squares: f64 = fit.residuals.iter().map(|r| r * r).sum();
        let off = if freedom > 0 {
            (squares / freedom as f64).sqrt()
        } else {
            0.0
        };
        let weighted: f64 = fit
            .residuals
            .iter()
            .zip(&sd)
            .map(|(r, sd)| (r / sd).powi(2))
            .sum();
        let worse = if freedom > 0 {
            (weighted / freedom as f64).max(1.0).sqrt()
        } else {
            1.0
        };
        let uncertainty = |row: usize| {
            worse
                * fit
                    .map
                    .row(row)
                    .iter()
                    .zip(&sd)
                    .map(|(weight, sd)| (weight * sd).powi(2))
                    .sum::<f64>()
                    .sqrt()
        };
        let top = u[u.len() - 1] - 1.0;
        result = Some(Law {
            scale: Uncertain {
                value: fit.coefficients[1],
                u: uncertainty(1),
            },
            top: high.then(|| Uncertain {
                value: fit.coefficients[2] * top,
                u: uncertainty(2) * top.abs(),
            }),
            bottom: low.then(|| Uncertain {
                value: fit.coefficients[3] * low_end.column(u[0]) + low_end.beyond(u[0]),
                u: uncertainty(3) * low_end.column(u[0]).abs(),
            }),
            off,
            degrees_of_freedom: freedom,
            residuals: fit.residuals.iter().copied().collect(),
        });
        let largest = notes.iter().map(|note| note.step).fold(0.0, f64::max) / 3f64.sqrt();
        if freedom < 2 || largest <= 0.0 {
            break;
        }
        step_scale = ((3.0 * off + 0.05) / largest).min(1.0);
    }
    result
}

#[cfg(test)]
mod tests {
    use super::*;

    fn notes(of: impl Fn(f64, f64) -> f64, from: i32, to: i32) -> Vec<ProfileNote> {
        (from..=to)
            .map(|x| {
                let x = f64::from(x);
                let mut cents = 0.0;
                for _ in 0..60 {
                    cents = of(x, (x + cents / 1200.0).exp2());
                }
                ProfileNote {
                    x,
                    cents,
                    sem: 0.01,
                    step: 0.0,
                }
            })
            .collect()
    }

    /// A steady loss of k times the reference frequency: heard is what was asked less k.
    #[test]
    fn a_large_leak_is_found_as_it_is() {
        let k = 0.004;
        let cents = |ratio: f64| 1200.0 * ratio.log2();
        let leaking = |x: f64, _: f64| {
            let asked = (x + 0.5 * x / 1200.0).exp2();
            cents((asked - k) / (1.0 - k)) - 1200.0 * x
        };
        let found = law(&notes(leaking, -3, 3)).unwrap();
        assert!((found.scale.value - 0.5).abs() < 0.01, "{found:?}");
        let bottom = found.bottom.unwrap();
        let truth = leaking(-3.0, 0.0) + 1.5;
        assert!(truth < -40.0);
        assert!((bottom.value - truth).abs() < 0.1, "{truth} {found:?}");
        assert!(found.off < 0.02, "{found:?}");
        let top = found.top.unwrap();
        assert!(top.value.abs() < 0.1, "{found:?}");
    }

    #[test]
    fn a_short_span_has_a_scale_only() {
        let found = law(&notes(|x, _| 3.0 * x, -1, 1)).unwrap();
        assert!((found.scale.value - 3.0).abs() < 1e-9);
        assert_eq!((found.top, found.bottom), (None, None));
    }
}
