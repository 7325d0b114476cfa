//! How far a recording has been gone through, on a terminal. Everything here goes to
//! stderr; where that is no terminal, nothing is shown.

use crate::screen::{bar, length};
use indicatif::ProgressBar;
use std::time::{Duration, Instant};

/// How often it is drawn; what is done sooner is not worth a bar.
const EVERY: Duration = Duration::from_millis(100);
/// The steps of a bar.
const STEPS: u64 = 1000;
/// What is left is foreseen only after so long, and so large a part of the whole.
const FORESEEN_AFTER: Duration = Duration::from_secs(3);
const FORESEEN_FROM: f64 = 0.02;

/// One way through a recording, shown until it is dropped.
pub struct Passage {
    what: &'static str,
    bar: ProgressBar,
    begun: Instant,
    drawn: Instant,
}

impl Passage {
    /// Begins; `what` is done on the way, like "listening".
    pub fn new(what: &'static str) -> Self {
        let now = Instant::now();
        Self {
            what,
            bar: bar(STEPS, "{bar:32} {msg}"),
            begun: now,
            drawn: now,
        }
    }

    /// So much of the whole has been gone through, in whatever both are counted.
    pub fn reached(&mut self, done: f64, whole: f64) {
        if self.drawn.elapsed() < EVERY {
            return;
        }
        self.drawn = Instant::now();
        let share = if whole > 0.0 { done / whole } else { 0.0 }.clamp(0.0, 1.0);
        self.bar.set_position((share * STEPS as f64) as u64);
        self.bar
            .set_message(words(self.what, share, self.begun.elapsed()));
    }
}

impl Drop for Passage {
    fn drop(&mut self) {
        self.bar.finish_and_clear();
    }
}

/// Where it stands, in words.
fn words(what: &str, share: f64, since: Duration) -> String {
    let percent = (share * 100.0).floor();
    if since < FORESEEN_AFTER || share < FORESEEN_FROM {
        return format!("{what}, {percent} %");
    }
    let left = since.as_secs_f64() * (1.0 / share - 1.0);
    format!("{what}, {percent} %, {} left", length(left))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_left_is_foreseen_once_there_is_something_to_go_by() {
        let after = Duration::from_secs;
        assert_eq!(words("listening", 0.5, after(1)), "listening, 50 %");
        assert_eq!(words("listening", 0.01, after(60)), "listening, 1 %");
        // A quarter in a minute: three more.
        assert_eq!(
            words("listening", 0.25, after(60)),
            "listening, 25 %, 3 min left"
        );
        assert_eq!(
            words("listening", 0.999, after(60)),
            "listening, 99 %, 0 s left"
        );
    }
}
