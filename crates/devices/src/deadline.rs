//! Calls into systems that may hang, with a deadline.

use std::sync::mpsc;
use std::time::Duration;

/// Runs `work` on a thread of its own and waits for it no longer than `longest`.
/// What hangs is left behind on that thread; this one goes on.
pub fn within<T: Send + 'static>(
    longest: Duration,
    work: impl FnOnce() -> T + Send + 'static,
) -> Option<T> {
    let (done, outcome) = mpsc::sync_channel(1);
    let spawned = std::thread::Builder::new()
        .name("with a deadline".into())
        .spawn(move || {
            // Nobody listens any more when the deadline has passed.
            let _ = done.send(work());
        });
    spawned.ok()?;
    outcome.recv_timeout(longest).ok()
}
