//! Time across a drawing. A night in which the first half hour matters has two
//! zones, each straight in itself so that slopes can be read: the warming takes
//! more than a third of the width, the rest of the night what is left.

use crate::numbers::duration;

/// A stretch of time over a stretch of pixels.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Zone {
    pub from: f64,
    pub to: f64,
    pub left: f64,
    pub right: f64,
}

/// The time axis.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct TimeAxis {
    pub zones: Vec<Zone>,
}

const FIRST_ZONE: f64 = 0.38;

impl TimeAxis {
    /// An axis from `from` to `to` seconds over `left` to `right` pixels. Where
    /// `warm` lies well inside the first quarter, it ends a zone of its own, and
    /// `between` pixels stand between the two.
    pub(crate) fn new(
        from: f64,
        to: f64,
        warm: Option<f64>,
        between: f64,
        (left, right): (f64, f64),
    ) -> Self {
        let (from, to) = if from.is_finite() && to.is_finite() && from < to {
            (from, to)
        } else if from.is_finite() {
            (from, from + 1.0)
        } else {
            (0.0, 1.0)
        };
        let part = warm.map(|warm| (warm - from) / (to - from));
        let zones = match warm.zip(part) {
            Some((warm, part)) if part > 0.005 && part < 0.25 => {
                let middle = left + (right - left) * FIRST_ZONE;
                vec![
                    Zone {
                        from,
                        to: warm,
                        left,
                        right: middle - between / 2.0,
                    },
                    Zone {
                        from: warm,
                        to,
                        left: middle + between / 2.0,
                        right,
                    },
                ]
            }
            _ => vec![Zone {
                from,
                to,
                left,
                right,
            }],
        };
        Self { zones }
    }

    /// Where a time stands, and in which zone; `None` outside.
    pub(crate) fn place(&self, t: f64) -> Option<(usize, f64)> {
        let index = self
            .zones
            .iter()
            .position(|zone| t <= zone.to)
            .filter(|index| *index > 0 || t >= self.zones[0].from)?;
        let zone = self.zones[index];
        let part = (t - zone.from) / (zone.to - zone.from);
        Some((index, zone.left + part * (zone.right - zone.left)))
    }

    /// Where a time stands; the nearest end when outside.
    pub(crate) fn at(&self, t: f64) -> f64 {
        let first = self.zones[0];
        let last = self.zones[self.zones.len() - 1];
        self.place(t).map_or(
            if t < first.from {
                first.left
            } else {
                last.right
            },
            |(_, x)| x,
        )
    }

    /// Marks with their words, far enough apart to be read.
    pub(crate) fn ticks(&self) -> Vec<(f64, String)> {
        const STEPS: [f64; 22] = [
            1.0, 2.0, 5.0, 10.0, 20.0, 30.0, 60.0, 120.0, 300.0, 600.0, 900.0, 1800.0, 3600.0,
            7200.0, 10_800.0, 14_400.0, 21_600.0, 43_200.0, 86_400.0, 172_800.0, 432_000.0,
            864_000.0,
        ];
        let mut ticks: Vec<(f64, String)> = Vec::new();
        for zone in &self.zones {
            let per_pixel = (zone.to - zone.from) / (zone.right - zone.left).max(1.0);
            let room = 74.0 * per_pixel;
            // Beyond a minute and a half, times are said in whole minutes.
            let least = if zone.to > 99.0 { 60.0 } else { 0.0 };
            let step = STEPS
                .into_iter()
                .find(|step| *step >= room && *step >= least)
                .unwrap_or_else(|| (room / 864_000.0).ceil() * 864_000.0);
            let first = (zone.from / step - 1e-9).ceil();
            let last = (zone.to / step + 1e-9).floor();
            for index in 0..=(last - first).clamp(-1.0, 100.0) as i64 {
                let t = (first + index as f64) * step;
                let x = zone.left + (t - zone.from) / per_pixel;
                // The end of one zone is the beginning of the next: say it once.
                if ticks.last().is_none_or(|(before, _)| x - before > 50.0) {
                    ticks.push((x, words(t)));
                }
            }
        }
        ticks
    }
}

fn words(t: f64) -> String {
    if t == 0.0 {
        "0".to_owned()
    } else if t == 60.0 {
        "1 min".to_owned()
    } else {
        duration(t)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_night_has_two_zones() {
        let axis = TimeAxis::new(0.0, 45_000.0, Some(1800.0), 16.0, (50.0, 750.0));
        assert_eq!(axis.zones.len(), 2);
        let (zone, x) = axis.place(900.0).unwrap();
        assert_eq!(zone, 0);
        assert!(x > 150.0 && x < 200.0);
        assert!(axis.at(45_000.0) <= 750.0 + 1e-9);
        assert_eq!(axis.place(50_000.0), None);
        let ticks = axis.ticks();
        assert!(ticks.windows(2).all(|pair| pair[1].0 - pair[0].0 > 50.0));
        assert!(ticks.iter().any(|(_, words)| words == "10 min"));
        assert!(ticks.iter().any(|(_, words)| words == "6 h"), "{ticks:?}");
    }

    #[test]
    fn no_two_marks_read_alike() {
        for (from, to) in [
            (1830.0, 2110.0),
            (0.0, 45.0),
            (3590.0, 3900.0),
            (0.0, 150.0),
            (7000.0, 60_000.0),
        ] {
            let ticks = TimeAxis::new(from, to, None, 16.0, (0.0, 700.0)).ticks();
            assert!(ticks.len() > 1, "{from} {to}");
            assert!(
                ticks.windows(2).all(|pair| pair[0].1 != pair[1].1),
                "{ticks:?}"
            );
        }
    }

    #[test]
    fn a_short_run_has_one() {
        assert_eq!(
            TimeAxis::new(0.0, 600.0, None, 16.0, (0.0, 700.0))
                .zones
                .len(),
            1
        );
        assert_eq!(
            TimeAxis::new(0.0, 600.0, Some(300.0), 16.0, (0.0, 700.0))
                .zones
                .len(),
            1
        );
        // Nothing at all is an axis too.
        assert!(
            TimeAxis::new(f64::NAN, 0.0, None, 16.0, (0.0, 700.0))
                .at(3.0)
                .is_finite()
        );
    }
}
