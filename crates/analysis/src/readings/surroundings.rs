//! What is known of a unit's surroundings over the run: the air and its supply.

use model::record::{PositionId, RunRecord};

/// Times in seconds of the run and what was logged then, in order.
#[derive(Debug, Clone, Default)]
pub(crate) struct Surroundings {
    /// Air temperature in degrees Celsius, whoever's reading it was logged with.
    pub(crate) air: Series,
    /// The voltage of the supply behind the position.
    pub(crate) supply: Series,
}

/// Something logged now and then.
#[derive(Debug, Clone, Default)]
pub(crate) struct Series {
    points: Vec<(f64, f64)>,
}

impl Surroundings {
    pub(crate) fn of(record: &RunRecord, position: &PositionId) -> Self {
        let all = || {
            record
                .readings
                .iter()
                .map(|reading| (reading.at.seconds(), reading))
        };
        let air = all().filter_map(|(t, reading)| Some((t, reading.conditions.air?.get())));
        let supply = all()
            .filter(|(_, reading)| &reading.key.position == position)
            .filter_map(|(t, reading)| Some((t, reading.conditions.supply?.get())));
        Self {
            air: Series::of(air.collect()),
            supply: Series::of(supply.collect()),
        }
    }
}

impl Series {
    /// Points in any order; those at one time become their mean.
    pub(crate) fn of(mut points: Vec<(f64, f64)>) -> Self {
        points.sort_by(|a, b| a.0.total_cmp(&b.0));
        let mut merged: Vec<(f64, f64, f64)> = Vec::with_capacity(points.len());
        for (t, value) in points {
            match merged.last_mut() {
                Some(last) if last.0 == t => {
                    last.1 += value;
                    last.2 += 1.0;
                }
                _ => merged.push((t, value, 1.0)),
            }
        }
        Self {
            points: merged
                .into_iter()
                .map(|(t, sum, count)| (t, sum / count))
                .collect(),
        }
    }

    pub(crate) const fn is_empty(&self) -> bool {
        self.points.is_empty()
    }

    /// The value at a time, between neighbours in proportion, beyond the ends as at
    /// the ends.
    pub(crate) fn at(&self, t: f64) -> f64 {
        let next = self.points.partition_point(|point| point.0 < t);
        match (
            next.checked_sub(1).map(|before| self.points[before]),
            self.points.get(next),
        ) {
            (Some(before), Some(after)) => {
                before.1 + (after.1 - before.1) * (t - before.0) / (after.0 - before.0)
            }
            (Some(only), None) | (None, Some(&only)) => only.1,
            (None, None) => 0.0,
        }
    }

    /// The value at a time, where something was logged as near to it as that, in seconds.
    pub(crate) fn near(&self, t: f64, within: f64) -> Option<f64> {
        let next = self.points.partition_point(|point| point.0 < t);
        let before = next.checked_sub(1).map(|before| self.points[before].0);
        let after = self.points.get(next).map(|point| point.0);
        before
            .into_iter()
            .chain(after)
            .any(|logged| (logged - t).abs() <= within)
            .then(|| self.at(t))
    }

    /// What a body that follows with a time constant has at ascending times: exact
    /// for a course that is straight between points, beginning where the log does.
    pub(crate) fn lagged(&self, times: &[f64], lag: f64) -> Vec<f64> {
        if lag <= 0.0 {
            return times.iter().map(|t| self.at(*t)).collect();
        }
        let (mut t, mut body) = self.points.first().copied().unwrap_or((0.0, 0.0));
        let mut air = body;
        let mut next = 0;
        times
            .iter()
            .map(|&until| {
                while t < until {
                    while self.points.get(next).is_some_and(|point| point.0 <= t) {
                        next += 1;
                    }
                    let to = self
                        .points
                        .get(next)
                        .map_or(until, |point| point.0.min(until));
                    let then = self.at(to);
                    let rate = (then - air) / (to - t);
                    // The solution of lag * body' = air - body for air on a line.
                    let decay = (-(to - t) / lag).exp();
                    body = then - rate * lag + (body - air + rate * lag) * decay;
                    (t, air) = (to, then);
                }
                body
            })
            .collect()
    }

    /// The least and the largest value at times, and the largest rise and fall from
    /// an earlier to a later one.
    pub(crate) fn course(&self, times: &[f64]) -> Course {
        let mut course = Course {
            least: f64::INFINITY,
            most: f64::NEG_INFINITY,
            rise: 0.0,
            fall: 0.0,
            mean: 0.0,
        };
        for t in times {
            let value = self.at(*t);
            course.least = course.least.min(value);
            course.most = course.most.max(value);
            course.rise = course.rise.max(value - course.least);
            course.fall = course.fall.max(course.most - value);
            course.mean += value / times.len() as f64;
        }
        course
    }
}

/// What a series did.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Course {
    least: f64,
    most: f64,
    pub(crate) rise: f64,
    pub(crate) fall: f64,
    pub(crate) mean: f64,
}

impl Course {
    pub(crate) fn span(self) -> f64 {
        (self.most - self.least).max(0.0)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_lag_is_that_of_a_first_order_body() {
        // A step: 63.2 % after one time constant, 95.0 % after three (any text).
        let step = Series::of(vec![(0.0, 20.0), (1e-6, 21.0), (1e6, 21.0)]);
        let body = step.lagged(&[600.0, 1800.0], 600.0);
        assert!((body[0] - 20.632_120_56).abs() < 1e-6, "{body:?}");
        assert!((body[1] - 20.950_212_93).abs() < 1e-6, "{body:?}");
        // A ramp is followed at a distance of the lag.
        let ramp = Series::of(vec![(0.0, 0.0), (1e6, 1e6)]);
        let body = ramp.lagged(&[1e5], 600.0);
        assert!((body[0] - (1e5 - 600.0)).abs() < 1e-3);
        assert_eq!(ramp.lagged(&[1e5], 0.0), [1e5]);
        assert_eq!(Series::default().lagged(&[5.0], 60.0), [0.0]);
    }

    #[test]
    fn a_course_knows_rise_and_fall() {
        let series = Series::of(vec![(0.0, 20.0), (10.0, 24.0), (20.0, 21.0)]);
        let course = series.course(&[0.0, 10.0, 20.0]);
        assert_eq!((course.span(), course.rise, course.fall), (4.0, 4.0, 3.0));
    }
}
