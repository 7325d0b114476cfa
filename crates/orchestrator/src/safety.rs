//! The safe state: reachable from the run's own thread on every way out, from the watch
//! over the instruments, and from a second thread when the run's has panicked or hangs.

use crate::session::{Ports, SharedInstrument, SharedNotes};
use model::document::rig::{Rig, SwitchedBy, WhenSafe};
use model::port::{Clock, PortError};
use model::quantity::Seconds;
use model::record::MAY_STILL_BE_ON;
use std::collections::BTreeMap;
use std::sync::atomic::{AtomicBool, Ordering};
use std::sync::{Arc, TryLockError};

/// How long a supply may take to confirm that it is off.
const OFF_WITHIN: Seconds = Seconds::of(2.0);
/// Looks, a hundredth of a second apart, at a device that another thread holds: a supply is
/// held for as long as it takes to be switched on.
const LOOKS_AT_SUPPLY: usize = 600;
const LOOKS_AT_NOTES: usize = 100;

/// Why the safe state is entered, which decides what it is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Why {
    /// The run is over, was stopped, or its measurement failed: notes end,
    /// supplies stay as they are, unless they are owed an off. Switching them off would
    /// spoil the night.
    Measurement,
    /// An electrical fault, or an instrument's own word: supplies go off as well.
    Electrical,
}

/// What must be followed by an off, whatever ends a run.
#[derive(Debug, Default)]
pub(crate) struct Owed {
    switching: AtomicBool,
    checks: AtomicBool,
    suspicion: AtomicBool,
}

impl Owed {
    /// A supply is being switched, and whether it did as told is not on disk yet.
    pub(crate) fn switching(&self, is: bool) {
        self.switching.store(is, Ordering::SeqCst);
    }
    /// The checks before the plan have switched supplies on.
    pub(crate) fn checks(&self, are: bool) {
        self.checks.store(are, Ordering::SeqCst);
    }
    /// A supply is held down, and has not been for long enough to be certain.
    pub(crate) fn suspicion(&self, is: bool) {
        self.suspicion.store(is, Ordering::SeqCst);
    }
    /// Whether supplies go off whatever the run ends with.
    pub(crate) fn any(&self) -> bool {
        [&self.switching, &self.checks, &self.suspicion]
            .iter()
            .any(|owed| owed.load(Ordering::SeqCst))
    }
}

/// What became of a rig that was made safe.
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Made {
    /// The supplies that were switched off and confirmed it.
    pub off: Vec<String>,
    /// The supplies that off was sent to and that did not confirm it, each with a sentence.
    pub uncertain: BTreeMap<String, String>,
    /// Why notes could not be ended.
    pub notes: Option<String>,
}

impl Made {
    /// What could not be done, a sentence each; what matters most first.
    #[must_use]
    pub fn complaints(&self) -> Vec<String> {
        let uncertain = self.uncertain.values();
        uncertain
            .map(|sentence| format!("{MAY_STILL_BE_ON}: {sentence}"))
            .chain(self.notes.clone())
            .collect()
    }
}

/// The handles needed to make a rig safe. Clones share them.
#[derive(Clone)]
pub struct SafeState {
    notes: SharedNotes,
    /// By name of the supply.
    supplies: BTreeMap<String, SharedInstrument>,
    clock: Arc<dyn Clock>,
    owed: Arc<Owed>,
}

impl SafeState {
    /// Takes the handles before the ports go to the run.
    #[must_use]
    pub fn of(ports: &Ports, rig: &Rig) -> Self {
        let supplies = rig
            .supplies
            .iter()
            .filter(|(_, supply)| supply.when_safe == WhenSafe::Off)
            .filter_map(|(name, supply)| match &supply.by {
                SwitchedBy::Instrument(instrument) => {
                    Some((name.clone(), Arc::clone(ports.instruments.get(instrument)?)))
                }
                _ => None,
            })
            .collect();
        Self {
            notes: Arc::clone(&ports.notes),
            supplies,
            clock: Arc::clone(&ports.clock),
            owed: Arc::clone(&ports.owed.0),
        }
    }

    pub(crate) fn owes(&self) -> &Owed {
        &self.owed
    }

    /// Switches every supply off that is to go off after an electrical fault: all of them
    /// together, as one unit may hang on several. Off is sent to all before any of them is
    /// asked whether it is off. All are tried, whatever fails, those first that nobody holds.
    #[must_use]
    pub fn switch_off(&self) -> Made {
        let mut made = Made::default();
        let mut held = Vec::new();
        for supply in self.supplies.values() {
            let _ = patiently(supply, 1, |supply| {
                supply.send_off();
                Ok(())
            });
        }
        for (name, supply) in &self.supplies {
            match patiently(supply, 1, |supply| {
                supply.make_safe(self.clock.now() + OFF_WITHIN)
            }) {
                Some(outcome) => made.supply(name, outcome),
                None => held.push((name, supply)),
            }
        }
        for (name, supply) in held {
            match patiently(supply, LOOKS_AT_SUPPLY, |supply| {
                supply.make_safe(self.clock.now() + OFF_WITHIN)
            }) {
                Some(outcome) => made.supply(name, outcome),
                None => {
                    made.uncertain.insert(
                        name.clone(),
                        format!("switch the supply \"{name}\" off by hand; it does not answer"),
                    );
                }
            }
        }
        made
    }

    /// Makes the rig safe. All is tried, whatever fails; a device that another
    /// thread holds is waited for, and then left, and said.
    #[must_use]
    pub fn enter(&self, why: Why) -> Made {
        let mut made = if why == Why::Electrical || self.owed.any() {
            self.switch_off()
        } else {
            Made::default()
        };
        made.notes = match patiently(&self.notes, LOOKS_AT_NOTES, |notes| notes.silence()) {
            Some(Ok(())) => None,
            Some(Err(error)) => Some(format!("notes could not be ended: {error}")),
            None => Some("notes could not be ended: the sender does not answer".to_owned()),
        };
        made
    }
}

impl Made {
    fn supply(&mut self, name: &str, outcome: Result<(), PortError>) {
        match outcome {
            Ok(()) => self.off.push(name.to_owned()),
            Err(error) => {
                // What leads everything that is shown is not said twice.
                let why = error
                    .to_string()
                    .replace(&format!("{MAY_STILL_BE_ON}: "), "");
                self.uncertain.insert(
                    name.to_owned(),
                    format!("switch the supply \"{name}\" off by hand; {why}"),
                );
            }
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
    looks: usize,
    act: impl FnOnce(&mut T) -> Result<(), PortError>,
) -> Option<Result<(), PortError>> {
    for look in 1..=looks {
        match shared.try_lock() {
            Ok(mut device) => return Some(act(&mut device)),
            // The error holds the lock: taking it again would wait for ever.
            Err(TryLockError::Poisoned(poisoned)) => {
                return Some(act(&mut poisoned.into_inner()));
            }
            // The only real wait here: this runs when nothing else can be trusted,
            // the injected clock included.
            Err(TryLockError::WouldBlock) if look < looks => {
                std::thread::sleep(std::time::Duration::from_millis(10))
            }
            Err(TryLockError::WouldBlock) => {}
        }
    }
    None
}
