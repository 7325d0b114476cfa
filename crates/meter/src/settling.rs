//! The settling curve of a note: frequency against time at short windows, and whether it
//! has come to rest.

use crate::Meter;
use model::quantity::{Cents, Hertz, HertzDifference, Seconds};
use model::record::Measured;

/// How many steps ahead a pitch that keeps moving is followed. What moves on for longer is
/// drift, not settling.
const STEPS_AHEAD: f64 = 8.0;
/// Of two points alone only an agreement this much closer than asked is rest: a pitch on
/// its way may have crossed it.
const TWO_POINTS: f64 = 0.25;

/// A point of the curve: the mean over a short window.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SettlingPoint {
    /// When its window begins, since the onset.
    pub begins: Seconds,
    /// How long it is.
    pub window: Seconds,
    /// The mean frequency over it.
    pub frequency: Hertz,
    /// Its standard uncertainty.
    pub u: HertzDifference,
}

/// What a settling curve says about the note.
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Steadiness {
    /// Too little has been heard.
    Unknown,
    /// It still moves.
    Moving {
        /// How far it will yet move, as far as can be told.
        left: Cents,
    },
    /// It rests.
    Steady,
}

/// The curve of one note, as it is being heard: means over adjoining windows of one length.
#[derive(Debug, Clone, Default, PartialEq)]
pub struct SettlingCurve {
    points: Vec<Point>,
}

/// Cents from 1 Hz, with their uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Point {
    cents: f64,
    u: f64,
}

impl SettlingCurve {
    /// A curve of which nothing has been heard.
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Adds the next window. One without a frequency begins the curve anew.
    pub fn push(&mut self, measured: &Measured) {
        match (measured.frequency, measured.u) {
            (Some(frequency), Some(u)) => self.points.push(Point {
                cents: frequency.cents_from(Hertz::of(1.0)).get(),
                u: u.cents_at(frequency).get(),
            }),
            _ => self.points.clear(),
        }
    }

    /// Whether the pitch has come to within `within` of where it will rest, judged by the
    /// last windows: the step between the last two, and how the steps get smaller. Where
    /// noise hides what is asked, more windows are taken together.
    #[must_use]
    pub fn steadiness(&self, within: Cents) -> Steadiness {
        let within = within.get();
        let mut together = 1;
        while 2 * together <= self.points.len() {
            let (now, before) = (self.mean(0, together), self.mean(1, together));
            let (Some(now), Some(before)) = (now, before) else {
                break;
            };
            let step = now.cents - before.cents;
            let u = now.u.hypot(before.u);
            if 2.0 * u <= within {
                return self.judge(step, u, &before, together, within);
            }
            together *= 2;
        }
        Steadiness::Unknown
    }

    fn judge(&self, step: f64, u: f64, before: &Point, together: usize, within: f64) -> Steadiness {
        let Some(earlier) = self.mean(2, together) else {
            return if step.abs() <= (TWO_POINTS * within).max(2.0 * u).min(within) {
                Steadiness::Steady
            } else {
                Steadiness::Moving {
                    left: Cents::of(step.abs()),
                }
            };
        };
        // A step hidden in the noise says nothing about the next.
        let sure = if step.abs() > 2.0 * u {
            step.abs()
        } else {
            0.0
        };
        let last = (before.cents - earlier.cents).abs();
        let ratio = if last > sure { sure / last } else { 1.0 };
        // Steps that shrink by a constant ratio add up to a geometric series.
        let ahead = if ratio < 1.0 {
            (ratio / (1.0 - ratio)).min(STEPS_AHEAD)
        } else {
            STEPS_AHEAD
        };
        let left = sure * ahead;
        if step.abs() <= within && left <= within {
            Steadiness::Steady
        } else {
            Steadiness::Moving {
                left: Cents::of(left.max(step.abs())),
            }
        }
    }

    /// The mean over `together` points, so many groups back from the last.
    fn mean(&self, back: usize, together: usize) -> Option<Point> {
        let end = self.points.len().checked_sub(back * together)?;
        let start = end.checked_sub(together)?;
        let points = &self.points[start..end];
        let (mut weight, mut sum) = (0.0, 0.0);
        for point in points {
            let own = 1.0 / (point.u * point.u).max(1e-18);
            weight += own;
            sum += own * point.cents;
        }
        Some(Point {
            cents: sum / weight,
            u: (1.0 / weight).sqrt(),
        })
    }
}

impl Meter {
    /// The settling curve in recorded samples: the frequency over windows of `window`
    /// frames, each `hop` after the one before, from frame `onset` on. A window without a
    /// frequency has no point.
    pub fn settling(
        &mut self,
        samples: &[f32],
        onset: f64,
        window: usize,
        hop: usize,
    ) -> Vec<SettlingPoint> {
        let first = onset.ceil().max(0.0) as usize;
        let window = window.max(1);
        let mut before = None;
        let mut points = Vec::new();
        for begins in (first..samples.len()).step_by(hop.max(1)) {
            let Some(here) = samples.get(begins..begins + window) else {
                break;
            };
            let estimate = self.glimpse(here, before);
            before = estimate.frequency;
            if let (Some(frequency), Some(u)) = (estimate.frequency, estimate.u) {
                points.push(SettlingPoint {
                    begins: Seconds::of((begins as f64 - onset) / self.rate),
                    window: Seconds::of(window as f64 / self.rate),
                    frequency,
                    u,
                });
            }
        }
        points
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use model::record::{Flags, State};

    fn measured(cents: f64, u: f64) -> Measured {
        let frequency = Hertz::of(220.0).shifted(Cents::of(cents));
        Measured {
            state: State::Ok,
            flags: Flags::NONE,
            frequency: Some(frequency),
            u: HertzDifference::new(u * frequency.get() / 1731.23).ok(),
            u_noise: None,
            level: None,
        }
    }

    /// How many points a pitch at these cents needs before it counts as steady, and how far
    /// it then still has to go.
    fn rests(cents: impl Fn(usize) -> f64, u: f64) -> (usize, f64) {
        let mut curve = SettlingCurve::new();
        for index in 0..200 {
            curve.push(&measured(cents(index), u));
            if curve.steadiness(Cents::of(1.0)) == Steadiness::Steady {
                return (index + 1, cents(index) - cents(5_000));
            }
        }
        (200, f64::INFINITY)
    }

    #[test]
    fn an_exponential_rests_when_what_is_left_is_within() {
        for ratio in [0.1, 0.4, 0.7, 0.85] {
            for size in [-100.0, 1200.0] {
                let (count, left) = rests(|index| size * f64::powi(ratio, index as i32), 0.01);
                assert!(left.abs() < 1.1, "{ratio} {size}: {left}");
                // Nor much later than that.
                let first = (1.0 / size.abs()).ln() / ratio.ln();
                assert!(
                    (count as f64) < first + 4.0,
                    "{ratio} {size}: {count} {first}"
                );
            }
        }
    }

    #[test]
    fn a_steady_note_rests_at_once_and_a_slow_drift_is_none() {
        assert_eq!(rests(|_| 12.0, 0.01).0, 2);
        assert_eq!(rests(|index| 0.1 * index as f64, 0.01).0, 2);
        assert!(rests(|index| 0.3 * index as f64, 0.01).0 > 100);
    }

    #[test]
    fn noise_takes_more_points_together() {
        let noise = |index: usize| 2.0 * (((index * 7919) % 101) as f64 / 50.0 - 1.0);
        let (count, _) = rests(noise, 1.2);
        assert!((8..100).contains(&count), "{count}");
    }

    #[test]
    fn what_has_no_pitch_begins_anew() {
        let mut curve = SettlingCurve::new();
        curve.push(&measured(0.0, 0.01));
        curve.push(&Measured {
            frequency: None,
            u: None,
            u_noise: None,
            ..measured(0.0, 0.01)
        });
        curve.push(&measured(0.0, 0.01));
        assert_eq!(curve.steadiness(Cents::of(1.0)), Steadiness::Unknown);
    }
}
