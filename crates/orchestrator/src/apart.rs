//! The one place where the orchestrator starts threads: one for each instrument of a real
//! rig. They sleep by the run's clock and are left to themselves at the end of a run, as
//! one of them may hang in its device.

use crate::watch::Shared;
use crate::watched::EVERY;
use model::port::{PortError, Remedy};
use model::quantity::Seconds;
use std::sync::Arc;

/// An instrument that was lost is asked less and less often, at last every so often.
const SELDOM: Seconds = Seconds::of(30.0);

/// For how long an instrument is left to others between two questions.
const TURN: Seconds = Seconds::of(0.1);

/// Asks each instrument again and again until the watch ends.
///
/// # Errors
/// When the system gives no thread for it: nobody would watch then.
#[allow(clippy::disallowed_methods)] // This is the one place.
pub(crate) fn ask_each(shared: &Arc<Shared>, names: &[String]) -> Result<(), PortError> {
    for name in names {
        let (shared, of) = (Arc::clone(shared), name.clone());
        std::thread::Builder::new()
            .name(format!("watch of {name}"))
            .spawn(move || ask(&shared, &of))
            .map_err(|error| PortError {
                device: name.clone(),
                what: format!("no thread could be started to watch it: {error}"),
                check: "check how many threads this system allows".to_owned(),
                remedy: Remedy::Abort,
            })?;
    }
    Ok(())
}

fn ask(shared: &Shared, name: &str) {
    let mut pause = EVERY;
    loop {
        let asked = shared.clock().now();
        shared.ask(name);
        pause = if shared.lost(name) {
            Seconds::of((pause.get() * 2.0).min(SELDOM.get()))
        } else {
            EVERY
        };
        if shared.tripped() {
            return;
        }
        // However long it took, others get their turn.
        let due = (asked + pause).max(shared.clock().now() + TURN);
        if shared.clock().sleep_until(due, shared.ended()).is_err() {
            return;
        }
    }
}
