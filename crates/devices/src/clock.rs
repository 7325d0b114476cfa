//! The real clock.

use model::port::Clock;
use model::time::{Cancelled, HostTime, Stop, Timestamp};
use std::time::Duration;

/// The machine's clock since boot. On Linux it counts on while the machine is
/// suspended (CLOCK_BOOTTIME), so that a night keeps its timetable.
#[derive(Debug, Clone, Copy, Default)]
pub struct RealClock;

/// The longest single wait. Waits do not count while the machine is suspended but
/// the clock does, so it is looked at again and again.
const LONGEST_WAIT: Duration = Duration::from_secs(1);

impl RealClock {
    /// The clock of this machine.
    #[must_use]
    pub const fn new() -> Self {
        Self
    }
}

impl Clock for RealClock {
    fn now(&self) -> HostTime {
        HostTime::from_nanoseconds(since_boot())
    }

    fn wall(&self) -> Timestamp {
        Timestamp::now()
    }

    fn sleep_until(&self, due: HostTime, stop: &Stop) -> Result<(), Cancelled> {
        loop {
            stop.check()?;
            let left = due.nanoseconds().saturating_sub(since_boot());
            match u64::try_from(left) {
                Ok(left) if left > 0 => stop.wait(Duration::from_nanos(left).min(LONGEST_WAIT))?,
                _ => return Ok(()),
            }
        }
    }
}

#[cfg(target_os = "linux")]
fn since_boot() -> i64 {
    let now = rustix::time::clock_gettime(rustix::time::ClockId::Boottime);
    now.tv_sec
        .saturating_mul(1_000_000_000)
        .saturating_add(now.tv_nsec)
}

/// Since the first call; whether it counts a suspension is up to the system.
#[cfg(not(target_os = "linux"))]
fn since_boot() -> i64 {
    use std::sync::OnceLock;
    use std::time::Instant;
    static START: OnceLock<Instant> = OnceLock::new();
    i64::try_from(START.get_or_init(Instant::now).elapsed().as_nanos()).unwrap_or(i64::MAX)
}

#[cfg(test)]
mod tests {
    use super::*;
    use model::quantity::Seconds;
    use model::time::StopReason;

    #[test]
    fn a_sleep_ends_when_due_or_when_stopped() {
        let clock = RealClock;
        let stop = Stop::new();
        let start = clock.now();
        let due = start + Seconds::of(0.05);
        assert_eq!(clock.sleep_until(due, &stop), Ok(()));
        assert!(clock.now() >= due);
        assert_eq!(clock.sleep_until(start, &stop), Ok(()), "past already");
        let raiser = stop.clone();
        let thread = std::thread::spawn(move || {
            std::thread::sleep(Duration::from_millis(30));
            raiser.raise(StopReason::Asked);
        });
        let far = clock.now() + Seconds::of(60.0);
        assert_eq!(clock.sleep_until(far, &stop), Err(Cancelled));
        assert!(clock.now() < far - Seconds::of(30.0));
        thread.join().unwrap();
    }
}
