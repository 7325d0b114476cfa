//! The safe state: reachable from the run's own thread on every way out, and
//! from a second thread when the run's has panicked or hangs.

use crate::session::{Ports, SharedInstrument, SharedNotes, lock};
use model::document::rig::{Rig, SwitchedBy, WhenSafe};
use model::port::{Clock, PortError};
use model::quantity::Seconds;
use std::collections::BTreeMap;
use std::sync::{Arc, TryLockError};

/// Why the safe state is entered, which decides what it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// The run is over, was stopped, or its measurement failed: notes end,
    /// supplies stay as they are. Switching them off would spoil the night.
    Measurement,
    /// An electrical fault, or an instrument's own word: supplies go off as well.
    Electrical,
}

/// The handles needed to make a rig safe. Clones share them.
#[derive(Clone)]
pub struct SafeState {
    notes: SharedNotes,
    supplies: BTreeMap<String, SharedInstrument>,
    clock: Arc<dyn Clock>,
}

impl SafeState {
    /// Takes the handles before the ports go to the run.
    #[must_use]
    pub fn of(ports: &Ports, rig: &Rig) -> Self {
        let supplies = rig
            .supplies
            .values()
            .filter(|supply| supply.when_safe == WhenSafe::Off)
            .filter_map(|supply| match &supply.by {
                SwitchedBy::Instrument(name) => {
                    Some((name.clone(), Arc::clone(ports.instruments.get(name)?)))
                }
                _ => None,
            })
            .collect();
        Self {
            notes: Arc::clone(&ports.notes),
            supplies,
            clock: Arc::clone(&ports.clock),
        }
    }

    /// Makes the rig safe. All is tried, whatever fails; a device that another
    /// thread holds for longer than a second is left, and said.
    ///
    /// # Errors
    /// Sentences on what could not be done.
    pub fn enter(&self, why: Why) -> Result<(), Vec<String>> {
        let mut failures = Vec::new();
        match patiently(&self.notes, |notes| notes.silence()) {
            Some(Ok(())) => {}
            Some(Err(error)) => failures.push(format!("notes could not be ended: {error}")),
            None => {
                failures.push("notes could not be ended: the sender does not answer".to_owned())
            }
        }
        if why == Why::Electrical {
            for (name, supply) in &self.supplies {
                let by = self.clock.now() + Seconds::of(5.0);
                match patiently(supply, |supply| supply.make_safe(by)) {
                    Some(Ok(())) => {}
                    Some(Err(error)) => {
                        failures.push(format!("SWITCH THE SUPPLY \"{name}\" OFF BY HAND: {error}"))
                    }
                    None => failures.push(format!(
                        "SWITCH THE SUPPLY \"{name}\" OFF BY HAND: it does not answer"
                    )),
                }
            }
        }
        if failures.is_empty() {
            Ok(())
        } else {
            Err(failures)
        }
    }
}

/// Does something with a device that another thread may be stuck in.
#[allow(
    clippy::disallowed_methods,
    reason = "the injected clock cannot be trusted here"
)]
fn patiently<T: ?Sized>(
    shared: &std::sync::Mutex<T>,
    act: impl FnOnce(&mut T) -> Result<(), PortError>,
) -> Option<Result<(), PortError>> {
    for _ in 0..100 {
        match shared.try_lock() {
            Ok(mut device) => return Some(act(&mut device)),
            Err(TryLockError::Poisoned(_)) => return Some(act(&mut lock(shared))),
            // The only real wait here: this runs when nothing else can be trusted,
            // the injected clock included.
            Err(TryLockError::WouldBlock) => {
                std::thread::sleep(std::time::Duration::from_millis(10))
            }
        }
    }
    None
}
