//! The watch over a rig's instruments while a run goes on: asked beside the measuring, so
//! that no note waits for an instrument, and held against every limit at every answer. An
//! electrical fault makes the rig safe from here, whatever the run is waiting for.

use crate::progress::Progress;
use crate::safety::{Made, SafeState};
use crate::session::{Ports, SharedInstrument, lock};
use crate::watched::{
    Change, Consequence, EVERY, Expected, Fault, Look, REMEMBERS, Supply, Watched,
};
use model::document::rig::{Rig, SwitchedBy};
use model::port::{Clock, PortError, Remedy, Sense, Sensed};
use model::quantity::Seconds;
use model::record::{Conditions, EventKind, PositionId};
use model::time::{HostTime, RunTime, Stop, StopReason};
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex, MutexGuard, PoisonError, TryLockError};

/// Something that is called as time passes; false when it is not wanted any more.
pub type Call = Box<dyn FnMut(HostTime) -> bool + Send>;

/// Who asks the instruments while a run goes on.
pub enum Asking {
    /// Threads of their own, one an instrument.
    Apart,
    /// Virtual time, as it passes: what is given is called every so often, and at once for
    /// so long before now. Every run on a simulated rig then asks at the same moments,
    /// whenever it was laid down and taken up again.
    AsTimePasses(Box<dyn FnOnce(Seconds, Seconds, Call) + Send>),
}

/// How long an instrument may take to answer where that takes no time in any case.
const ANSWER_WITHIN: Seconds = Seconds::of(1.5);

/// What is known, and what is to be said.
#[derive(Default)]
struct State {
    watched: BTreeMap<String, Watched>,
    pending: Vec<Change>,
    fault: Option<Fault>,
    /// What became of the supplies when the fault was found.
    made: Option<Made>,
}

/// What the run and those who ask share.
pub(crate) struct Shared {
    state: Mutex<State>,
    instruments: BTreeMap<String, SharedInstrument>,
    clock: Arc<dyn Clock>,
    zero: HostTime,
    safe: SafeState,
    stop: Stop,
    end: Stop,
}

/// The watch; it ends when this is dropped.
pub(crate) struct Watch {
    shared: Arc<Shared>,
    /// Whether a note may ask for itself: where that takes no time.
    glances: bool,
}

impl Shared {
    fn state(&self) -> MutexGuard<'_, State> {
        self.state.lock().unwrap_or_else(PoisonError::into_inner)
    }

    fn run_time(&self, at: HostTime) -> RunTime {
        RunTime::from_nanoseconds(at.nanoseconds() - self.zero.nanoseconds())
    }

    /// Whether nobody wants to know any more.
    pub(crate) fn ended(&self) -> &Stop {
        &self.end
    }

    pub(crate) fn clock(&self) -> &dyn Clock {
        &*self.clock
    }

    /// Whether an instrument has been given up for now.
    pub(crate) fn lost(&self, name: &str) -> bool {
        let state = self.state();
        state.watched.get(name).is_some_and(|watched| watched.lost)
    }

    /// Whether an electrical fault has been found: nothing is to be learnt any more, and
    /// whoever asks keeps others from switching off.
    pub(crate) fn tripped(&self) -> bool {
        self.state().fault.is_some()
    }

    fn patience(&self, name: &str) -> Seconds {
        let state = self.state();
        let watched = state.watched.get(name);
        watched.map_or(ANSWER_WITHIN, Watched::patience)
    }

    /// Asks an instrument in its turn, waiting until it is free.
    pub(crate) fn ask(&self, name: &str) {
        let Some((sense, instrument)) = self.known(name) else {
            return;
        };
        let (answer, at) = {
            let mut instrument = lock(instrument);
            let by = self.clock.now() + self.patience(name);
            // What goes wrong in an adapter must not leave a supply unwatched.
            let answer = std::panic::catch_unwind(std::panic::AssertUnwindSafe(|| {
                instrument.sense(sense, by)
            }));
            let answer = answer.unwrap_or_else(|_| Err(failed_within(name)));
            (answer, self.clock.now())
        };
        self.take(name, at, answer, Look::Regular);
    }

    /// Asks an instrument at a moment of virtual time, unless it is being switched just
    /// then: whoever does so is on this very thread.
    fn ask_now(&self, name: &str, now: HostTime, look: Look) {
        let Some((sense, instrument)) = self.known(name) else {
            return;
        };
        let answer = match instrument.try_lock() {
            Ok(mut instrument) => instrument.sense(sense, now + ANSWER_WITHIN),
            Err(TryLockError::Poisoned(poisoned)) => {
                poisoned.into_inner().sense(sense, now + ANSWER_WITHIN)
            }
            Err(TryLockError::WouldBlock) => return,
        };
        self.take(name, now, answer, look);
    }

    fn known(&self, name: &str) -> Option<(Sense, &SharedInstrument)> {
        let sense = self.state().watched.get(name)?.sense;
        Some((sense, self.instruments.get(name)?))
    }

    fn take(&self, name: &str, at: HostTime, answer: Result<Sensed, PortError>, look: Look) {
        let fault = {
            let mut state = self.state();
            let Some(watched) = state.watched.get_mut(name) else {
                return;
            };
            let at = self.run_time(at);
            let Consequence { changes, fault } = watched.take(at, answer, look);
            let suspected = state
                .watched
                .values()
                .any(|watched| watched.suspect().is_some());
            self.safe.owes().suspicion(suspected);
            state.pending.extend(changes);
            // The first one is told; the rest follow from it.
            match fault {
                Some(fault) if state.fault.is_none() => {
                    state.fault = Some(fault);
                    true
                }
                _ => false,
            }
        };
        if fault {
            // First of all; saying so comes afterwards.
            let made = self.safe.switch_off();
            self.state().made = Some(made);
            self.stop.raise(StopReason::Electrical);
        }
    }
}

fn failed_within(name: &str) -> PortError {
    PortError {
        device: name.to_owned(),
        what: "its adapter failed with an error in the program itself".to_owned(),
        check: "please report it".to_owned(),
        remedy: Remedy::Retry,
    }
}

/// The instruments to be watched, as they stand by what is on disk.
fn to_watch(rig: &Rig, positions: &[PositionId], progress: &Progress) -> BTreeMap<String, Watched> {
    let mut all = BTreeMap::new();
    if let Some(name) = &rig.thermometer {
        let mut air = Watched::new(Sense::Temperature, None);
        air.lost = progress.thermometer_lost;
        air.told_until = progress.thermometer_told;
        all.insert(name.clone(), air);
    }
    for (name, supply) in &rig.supplies {
        let (SwitchedBy::Instrument(instrument), Some(voltage)) = (&supply.by, supply.voltage)
        else {
            continue;
        };
        let fed: Vec<PositionId> = positions
            .iter()
            .filter(|position| {
                let position = rig.positions.get(position.as_str());
                position.and_then(|position| position.supply.as_deref()) == Some(name)
            })
            .cloned()
            .collect();
        // What is said of a supply is said of all that it feeds.
        let Some(first) = fed.first() else {
            continue;
        };
        let known = progress.supplies.get(first).copied().unwrap_or_default();
        let mut watched = Watched::new(
            Sense::Voltage,
            Some(Supply {
                name: name.clone(),
                voltage,
                positions: fed,
                when_lost: supply.when_lost,
                expected: match known.on {
                    Some((true, since)) => Expected::On { since },
                    Some((false, _)) => Expected::Off,
                    None => Expected::AsFound { on: known.low },
                },
                limit_read: known.limit_read,
                low: known.low,
                down: None,
            }),
        );
        watched.lost = known.lost;
        watched.told_until = known.told;
        all.insert(instrument.clone(), watched);
    }
    all
}

impl Watch {
    /// Begins to watch.
    pub(crate) fn begin(
        rig: &Rig,
        positions: &[PositionId],
        progress: &Progress,
        ports: &Ports,
        zero: HostTime,
        safe: SafeState,
        stop: &Stop,
    ) -> Self {
        let shared = Arc::new(Shared {
            state: Mutex::new(State {
                watched: to_watch(rig, positions, progress),
                ..State::default()
            }),
            instruments: ports.instruments.clone(),
            clock: Arc::clone(&ports.clock),
            zero,
            safe,
            stop: stop.clone(),
            end: Stop::new(),
        });
        Self {
            shared,
            glances: false,
        }
    }

    /// Lets somebody ask from now on.
    pub(crate) fn asked_by(&mut self, asking: Asking) -> Result<(), PortError> {
        let names: Vec<String> = self.shared.state().watched.keys().cloned().collect();
        match asking {
            Asking::Apart => crate::apart::ask_each(&self.shared, &names),
            Asking::AsTimePasses(each) => {
                self.glances = true;
                let shared = Arc::clone(&self.shared);
                let call = move |now| {
                    for name in &names {
                        if shared.end.check().is_err() {
                            return false;
                        }
                        shared.ask_now(name, now, Look::Regular);
                    }
                    shared.end.check().is_ok()
                };
                each(EVERY, REMEMBERS, Box::new(call));
                Ok(())
            }
        }
    }

    /// The surroundings of each position, as far as they are known now.
    pub(crate) fn conditions(&self, positions: &[PositionId]) -> Vec<(PositionId, Conditions)> {
        let now = self.shared.clock.now();
        let mut all: Vec<(PositionId, Conditions)> = positions
            .iter()
            .map(|position| (position.clone(), Conditions::default()))
            .collect();
        let names: Vec<String> = self.shared.state().watched.keys().cloned().collect();
        for name in names {
            let shown = self.shown(&name, now);
            let state = self.shared.state();
            let supply = state
                .watched
                .get(&name)
                .and_then(|watched| watched.supply.as_ref());
            for (position, conditions) in &mut all {
                match shown {
                    Some(Sensed::Temperature(air)) => conditions.air = Some(air),
                    Some(Sensed::Voltage(volts))
                        if supply.is_some_and(|supply| supply.positions.contains(position)) =>
                    {
                        conditions.supply = Some(volts);
                    }
                    _ => {}
                }
            }
        }
        all
    }

    /// What an instrument shows now: asked where that takes no time, else its last answer.
    fn shown(&self, name: &str, now: HostTime) -> Option<Sensed> {
        if self.glances
            && let Some((sense, instrument)) = self.shared.known(name)
        {
            let answer = lock(instrument).sense(sense, now + ANSWER_WITHIN);
            let plausible = match &answer {
                Ok(Sensed::Temperature(air)) => crate::limits::plausible(*air),
                Ok(_) => true,
                Err(_) => false,
            };
            self.shared.take(name, now, answer.clone(), Look::Glance);
            if plausible {
                return answer.ok();
            }
        }
        let state = self.shared.state();
        state
            .watched
            .get(name)
            .and_then(|watched| watched.newest(self.shared.run_time(now)))
    }

    /// Notes that the supply that an instrument switches was switched.
    pub(crate) fn switched(&self, instrument: &str, on: Option<RunTime>, limit_read: bool) {
        let mut state = self.shared.state();
        let supply = state
            .watched
            .get_mut(instrument)
            .and_then(|watched| watched.supply.as_mut());
        if let Some(supply) = supply {
            let expected = on.map_or(Expected::Off, |since| Expected::On { since });
            supply.switched(expected, limit_read);
        }
        self.shared.safe.owes().suspicion(false);
    }

    /// What is to be kept, in the order in which it was seen.
    pub(crate) fn changes(&self) -> Vec<Change> {
        std::mem::take(&mut self.shared.state().pending)
    }

    /// Why supplies went off, and what became of them, if they did.
    pub(crate) fn fault(&self) -> Option<(Fault, Made)> {
        let state = self.shared.state();
        let fault = state.fault.clone()?;
        Some((fault, state.made.clone().unwrap_or_default()))
    }

    /// What looks like a short circuit and has not lasted long enough to be certain.
    pub(crate) fn suspect(&self) -> Option<Fault> {
        let state = self.shared.state();
        state.watched.values().find_map(Watched::suspect)
    }

    /// Ends the watch.
    pub(crate) fn end(&self) {
        self.shared.end.raise(StopReason::Asked);
    }
}

impl Drop for Watch {
    fn drop(&mut self) {
        self.end();
    }
}

/// The events that a change makes: one of the rig, or one of each position.
pub(crate) fn events(change: &Change) -> Vec<(EventKind, Option<PositionId>)> {
    if change.positions.is_empty() {
        return vec![(change.kind, None)];
    }
    let positions = change.positions.iter().cloned();
    positions
        .map(|position| (change.kind, Some(position)))
        .collect()
}
