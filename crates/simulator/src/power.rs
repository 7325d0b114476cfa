//! The power log: when a supply came on, went off or dipped, and the stretches in
//! between.

use std::sync::Arc;

/// A stretch of time over which the supply of a unit stands still.
#[derive(Debug, Clone, PartialEq)]
pub struct Stretch {
    /// When it began, in nanoseconds of the run; 0 also for what began before.
    pub began: i64,
    /// The voltage above nominal.
    pub supply: f64,
    /// Whether the unit sounds.
    pub on: bool,
    /// Since when it has been on, in seconds of the run; negative if before.
    pub on_since: f64,
    /// Every change of power (a fraction of the nominal one) up to and including
    /// its beginning, with its time in seconds: what warmth is computed from.
    pub changes: Vec<(f64, f64)>,
}

impl Stretch {
    /// When it began, in seconds of the run.
    #[must_use]
    pub fn start(&self) -> f64 {
        self.began as f64 * 1e-9
    }
}

/// Stretches in order; the first begins with the run.
#[derive(Debug, Clone, PartialEq)]
pub struct PowerLog {
    stretches: Vec<Arc<Stretch>>,
}

impl PowerLog {
    /// A unit that has been on since long before the run.
    #[must_use]
    pub fn always_on() -> Self {
        Self {
            stretches: vec![Arc::new(Stretch {
                began: 0,
                supply: 0.0,
                on: true,
                on_since: 0.0,
                changes: vec![(-1e9, 1.0)],
            })],
        }
    }
    /// From the voltages a supply was switched to, in order of time, the dips (from, until,
    /// to which voltage) it suffers, and the voltages it stands at by itself while it is on.
    /// Cold and off before the first, which may be earlier than the run. A voltage of the
    /// wrong sign feeds nothing.
    #[must_use]
    pub fn new(
        nominal: f64,
        switched: &[(i64, f64)],
        dips: &[(i64, i64, f64)],
        stands: &[(i64, i64, f64)],
    ) -> Self {
        let sign = nominal.signum();
        let nominal = nominal.abs().max(1e-3);
        let mut times: Vec<i64> = std::iter::once(0)
            .chain(switched.iter().map(|(at, _)| *at))
            .chain(
                dips.iter()
                    .chain(stands)
                    .flat_map(|(from, until, _)| [*from, *until]),
            )
            .collect();
        times.sort_unstable();
        times.dedup();
        let voltage = |at: i64| {
            let set = switched
                .iter()
                .rfind(|(when, _)| *when <= at)
                .map_or(0.0, |(_, volts)| volts.abs());
            let stands = stands
                .iter()
                .find(|(from, until, _)| (*from..*until).contains(&at));
            if let Some((_, _, volts)) = stands
                && set > 0.0
            {
                return (volts * sign).max(0.0);
            }
            dips.iter()
                .filter(|(from, until, _)| (*from..*until).contains(&at))
                .fold(set, |volts, (_, _, to)| volts.min(to.abs()))
        };
        let mut stretches: Vec<Arc<Stretch>> = Vec::new();
        let mut changes = Vec::new();
        let (mut before, mut on_since) = (0.0, None);
        for at in times {
            let volts = voltage(at);
            if !stretches.is_empty() && volts == before {
                continue;
            }
            let t = at as f64 * 1e-9;
            let power = |volts: f64| (volts / nominal) * (volts / nominal);
            if volts != before {
                changes.push((t, power(volts) - power(before)));
            }
            let on = volts >= 0.5 * nominal;
            on_since = if on { on_since.or(Some(t)) } else { None };
            before = volts;
            stretches.push(Arc::new(Stretch {
                began: at.max(0),
                supply: volts - nominal,
                on,
                on_since: on_since.unwrap_or(t),
                changes: changes.clone(),
            }));
        }
        Self { stretches }
    }
    /// The stretch in which a time lies.
    #[must_use]
    pub fn at(&self, nanoseconds: i64) -> &Arc<Stretch> {
        let after = self
            .stretches
            .partition_point(|stretch| stretch.began <= nanoseconds);
        &self.stretches[after.saturating_sub(1)]
    }
    /// The beginnings of stretches.
    pub fn beginnings(&self) -> impl Iterator<Item = i64> + '_ {
        self.stretches.iter().map(|stretch| stretch.began)
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_was_on_before_is_warm_when_the_run_begins() {
        let hour = 3_600_000_000_000;
        let log = PowerLog::new(12.0, &[(-3 * hour, 12.0), (2 * hour, 0.0)], &[], &[]);
        assert_eq!(log.beginnings().collect::<Vec<_>>(), [0, 2 * hour]);
        let first = log.at(0);
        assert!(first.on);
        assert_eq!((first.supply, first.on_since), (0.0, -10_800.0));
        assert_eq!(first.changes, [(-10_800.0, 1.0)]);
        assert!(!log.at(3 * hour).on);
        // A dip at the very beginning.
        let log = PowerLog::new(12.0, &[(-hour, 12.0)], &[(0, 10, 3.0)], &[]);
        assert!(!log.at(0).on);
        assert!(log.at(10).on);
    }

    #[test]
    fn a_dip_splits_a_stretch_and_ends_by_itself() {
        let log = PowerLog::new(
            12.0,
            &[(10, 12.0), (100, 0.0)],
            &[(20, 30, 9.0), (40, 50, 3.0), (120, 130, 5.0)],
            &[],
        );
        let on: Vec<(i64, bool)> = log
            .beginnings()
            .map(|began| (began, log.at(began).on))
            .collect();
        assert_eq!(
            on,
            [
                (0, false),
                (10, true),
                (20, true),
                (30, true),
                (40, false),
                (50, true),
                (100, false)
            ]
        );
        assert_eq!(log.at(25).supply, -3.0);
        assert!((log.at(25).on_since - 10e-9).abs() < 1e-15);
        assert!((log.at(60).on_since - 50e-9).abs() < 1e-15);
        let full: f64 = log.at(60).changes.iter().map(|(_, change)| change).sum();
        assert!((full - 1.0).abs() < 1e-12);
    }
}
