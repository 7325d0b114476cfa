//! Signals, and what happens when the run's own thread panics or hangs.

use crate::outlet::{self, tell};
use model::time::{Stop, StopReason};
use orchestrator::{RunError, SafeState, Why};
use std::time::Duration;
use tokio::signal::unix::{SignalKind, signal};

/// How long a run may take to end after it was asked to; a window of a few
/// seconds and a commit fit into it easily.
const PATIENCE: Duration = Duration::from_secs(20);
/// How long it may take where there is no rig to be made safe and nothing to be kept.
const SHORT_PATIENCE: Duration = Duration::from_secs(4);

/// Carries `work` out on a thread of its own and watches over it: Ctrl-C and
/// SIGTERM raise `stop`; if the thread panics, or does not end after it was asked
/// to, the rig is made safe from here.
///
/// # Errors
/// What the work ended with, or what befell it.
pub fn watch(
    stop: &Stop,
    safe: Option<SafeState>,
    work: impl FnOnce() -> Result<(), RunError> + Send,
) -> Result<(), RunError> {
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .map_err(|error| RunError::Unfit(format!("signals cannot be watched: {error}")))?;
    std::thread::scope(|scope| {
        let (done, ended) = tokio::sync::oneshot::channel();
        let worker = scope.spawn(move || {
            let outcome = std::panic::catch_unwind(std::panic::AssertUnwindSafe(work));
            // Whoever listens may be gone; there is nobody to tell then.
            let _ = done.send(outcome);
        });
        let patience = safe.as_ref().map_or(SHORT_PATIENCE, |_| PATIENCE);
        let outcome = runtime.block_on(listen(stop, ended, patience));
        match outcome {
            Some(Ok(outcome)) => {
                let _ = worker.join();
                outcome
            }
            Some(Err(panic)) => {
                let _ = worker.join();
                make_safe(safe.as_ref());
                let what = panic
                    .downcast_ref::<String>()
                    .cloned()
                    .or_else(|| panic.downcast_ref::<&str>().map(|text| (*text).to_owned()))
                    .unwrap_or_default();
                Err(RunError::Unfit(format!(
                    "an error in the program itself ended the run ({what}); what was kept is on disk, `nightbench resume` carries on"
                )))
            }
            None => {
                // The thread hangs in a device; it cannot be joined.
                let kept = match safe {
                    Some(_) => ", what was kept is on disk",
                    None => "",
                };
                make_safe(safe.as_ref());
                last_words(format!(
                    "nightbench: a device did not let go in time; ended all the same{kept}"
                ));
                std::process::exit(i32::from(crate::exit::INCOMPLETE));
            }
        }
    })
}

/// Sees to it that a signal that ends the program leaves nothing unfinished behind, for
/// commands that are not watched over otherwise.
pub fn tidy_up() {
    let Ok(runtime) = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
    else {
        return;
    };
    // Handled from here on, and not only once the thread has begun.
    let signals = {
        let _inside = runtime.enter();
        [SignalKind::interrupt(), SignalKind::terminate()].map(signal)
    };
    let [Ok(mut interrupt), Ok(mut terminate)] = signals else {
        return;
    };
    std::thread::spawn(move || {
        let ended_by = runtime.block_on(async {
            tokio::select! {
                _ = interrupt.recv() => SignalKind::interrupt(),
                _ = terminate.recv() => SignalKind::terminate(),
            }
        });
        store::remove_unfinished();
        // As a shell says that a signal ended a program (POSIX.1-2024, 2.8.2).
        std::process::exit(128 + ended_by.as_raw_value());
    });
}

/// Carries `work` out where it may wait for ever, and no longer than until Ctrl-C or
/// SIGTERM; `None` when one of them came first.
pub fn unless_asked<T: Send + 'static>(work: impl FnOnce() -> T + Send + 'static) -> Option<T> {
    let (done, ended) = tokio::sync::oneshot::channel();
    std::thread::spawn(move || {
        let _ = done.send(work());
    });
    let runtime = tokio::runtime::Builder::new_current_thread()
        .enable_all()
        .build()
        .ok()?;
    runtime.block_on(async {
        let (Ok(mut interrupt), Ok(mut terminate)) = (
            signal(SignalKind::interrupt()),
            signal(SignalKind::terminate()),
        ) else {
            return ended.await.ok();
        };
        tokio::select! {
            outcome = ended => outcome.ok(),
            _ = interrupt.recv() => None,
            _ = terminate.recv() => None,
        }
    })
}

type Ended = tokio::sync::oneshot::Receiver<std::thread::Result<Result<(), RunError>>>;

/// Waits for the end, passing signals on; `None` when it does not come in time.
async fn listen(
    stop: &Stop,
    ended: Ended,
    patience: Duration,
) -> Option<std::thread::Result<Result<(), RunError>>> {
    let (Ok(mut interrupt), Ok(mut terminate), Ok(mut hang_up)) = (
        signal(SignalKind::interrupt()),
        signal(SignalKind::terminate()),
        signal(SignalKind::hangup()),
    ) else {
        return ended.await.ok();
    };
    tokio::pin!(ended);
    let reason = loop {
        tokio::select! {
            outcome = &mut ended => return outcome.ok(),
            _ = interrupt.recv() => break StopReason::Asked,
            _ = terminate.recv() => break StopReason::System,
            // A terminal that is closed is no reason to waste a night.
            _ = hang_up.recv() => {}
        }
    };
    stop.raise(reason);
    tell("nightbench: asked to stop; what is in progress is finished first");
    tokio::time::timeout(patience, ended).await.ok()?.ok()
}

/// Gives the terminal back and says a sentence, both of which may hang as the thread does
/// that is left behind.
fn last_words(text: String) {
    let (said, heard) = std::sync::mpsc::channel();
    std::thread::spawn(move || {
        crate::view::give_back();
        tell(text);
        outlet::settle();
        let _ = said.send(());
    });
    let _ = heard.recv_timeout(Duration::from_secs(2));
}

fn make_safe(safe: Option<&SafeState>) {
    let Some(safe) = safe else { return };
    for complaint in safe.enter(Why::Measurement).complaints() {
        tell(crate::exit::said(&complaint));
    }
}
