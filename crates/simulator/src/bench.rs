//! The bench: virtual time and the ports that share it.

use crate::SimulatorError;
use crate::capture::{SimulatedCapture, Stream};
use crate::instruments::SimulatedInstrument;
use crate::interface::Interface;
use crate::logs::Logs;
use crate::midi::Decoder;
use crate::oscillator::Held;
use crate::world::{OutputId, World};
use model::document::rig::Rig;
use model::pitch::{Pitch, PitchStandard};
use model::port::{Capture, Clock, Instrument, NoAnswer, Operator, PortError, Remedy};
use model::quantity::{Cents, Hertz, Seconds, VoltDifference, Volts};
use model::record::{EventKind, PositionId, RunRecord};
use model::time::{Cancelled, Epoch, HostTime, Stop, Timestamp};
use std::sync::{Arc, Mutex, MutexGuard, PoisonError};

/// The wall clock at the beginning of every simulated run: 2 March 2026, 20:00 UTC.
const WALL_SECONDS: i64 = 1_772_481_600;

/// What the handles share and what moves.
#[derive(Debug)]
pub(crate) struct Shared {
    pub(crate) now: i64,
    pub(crate) logs: Logs,
    pub(crate) stream: Stream,
}

/// Something that is called as virtual time passes; false when it is not wanted any more.
type Call = Box<dyn FnMut(HostTime) -> bool + Send>;

/// What happens as time passes, beside what the run itself does.
#[derive(Default)]
struct Beat {
    every: i64,
    call: Option<Call>,
}

pub(crate) struct Inner {
    pub(crate) world: World,
    shared: Mutex<Shared>,
    beat: Mutex<Beat>,
}

impl std::fmt::Debug for Inner {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.debug_struct("Inner")
            .field("world", &self.world)
            .field("shared", &self.shared)
            .finish_non_exhaustive()
    }
}

impl Inner {
    /// Lets time pass until a moment, with whatever is to be called on the way. It stands
    /// still where `stop` is raised by that.
    pub(crate) fn pass(&self, until: i64, stop: Option<&Stop>) -> Result<(), Cancelled> {
        loop {
            // Taken out while it is called: what it does may take time itself.
            let beat = std::mem::take(&mut *self.beats());
            let Beat {
                every,
                call: Some(mut call),
            } = beat
            else {
                let mut shared = self.lock();
                shared.now = shared.now.max(until);
                return Ok(());
            };
            let next = {
                let mut shared = self.lock();
                let next = (shared.now / every + 1) * every;
                shared.now = shared.now.max(until.min(next));
                (next <= until).then_some(next)
            };
            let wanted = next.is_none_or(|next| call(HostTime::from_nanoseconds(next)));
            if wanted {
                let call = Some(call);
                *self.beats() = Beat { every, call };
            }
            if next.is_none() {
                return Ok(());
            }
            if let Some(stop) = stop {
                stop.check()?;
            }
        }
    }

    fn beats(&self) -> MutexGuard<'_, Beat> {
        self.beat.lock().unwrap_or_else(PoisonError::into_inner)
    }

    pub(crate) fn lock(&self) -> MutexGuard<'_, Shared> {
        self.shared.lock().unwrap_or_else(PoisonError::into_inner)
    }
}

/// A simulated bench. Clones are handles on the same one.
#[derive(Debug, Clone)]
pub struct Bench {
    pub(crate) inner: Arc<Inner>,
}

impl Bench {
    /// The bench of a rig whose wiring is simulated, at the beginning of a run.
    ///
    /// # Errors
    /// When the wiring is real, or names something that is not there.
    pub fn new(rig: &Rig) -> Result<Self, SimulatorError> {
        let world = World::new(rig)?;
        let shared = Shared {
            now: 0,
            logs: Logs::new(&world),
            stream: Stream {
                epoch: Epoch(0),
                origin: 0,
                opened: 0,
            },
        };
        Ok(Self {
            inner: Arc::new(Inner {
                world,
                shared: Mutex::new(shared),
                beat: Mutex::default(),
            }),
        })
    }

    /// The virtual clock. Sleeping on it moves it at once.
    #[must_use]
    pub fn clock(&self) -> Arc<dyn Clock> {
        Arc::new(SimulatedClock {
            inner: Arc::clone(&self.inner),
        })
    }

    /// Calls `call` at every whole multiple of `every` that virtual time passes, as a
    /// thread of its own would be woken, until it says that it is not wanted any more. It
    /// begins as far back as `looks_back`: what would be known by now to somebody who had
    /// been called all the time, is.
    pub fn each(&self, every: Seconds, looks_back: Seconds, call: Call) {
        let every = every.nanoseconds().max(1);
        *self.inner.beats() = Beat {
            every,
            call: Some(call),
        };
        let now = {
            let mut shared = self.inner.lock();
            let now = shared.now;
            shared.now = (now - looks_back.nanoseconds()).max(0);
            now
        };
        // Without a flag to stop it there is no error.
        let _ = self.inner.pass(now, None);
    }

    /// The line to an interface.
    ///
    /// # Errors
    /// When there is no interface of this name.
    pub fn wire(&self, sender: &str) -> Result<SimulatedWire, SimulatorError> {
        let decoder = Decoder::new(self.interface(sender)?.bend_range);
        Ok(SimulatedWire {
            inner: Arc::clone(&self.inner),
            sender: sender.to_owned(),
            decoder,
        })
    }

    /// The bend range an interface has at power-up; two semitones where there is none
    /// of this name.
    #[must_use]
    pub fn bend_range(&self, sender: &str) -> Cents {
        let range = self.interface(sender).map(|found| found.bend_range * 100.0);
        range
            .ok()
            .and_then(|range| Cents::new(range).ok())
            .unwrap_or(Cents::of(200.0))
    }

    /// The outputs of an interface, driven by voltage instead of notes.
    ///
    /// # Errors
    /// When there is no interface of this name.
    pub fn volts(&self, sender: &str) -> Result<SimulatedVolts, SimulatorError> {
        self.interface(sender)?;
        Ok(SimulatedVolts {
            inner: Arc::clone(&self.inner),
            sender: sender.to_owned(),
        })
    }

    fn interface(&self, sender: &str) -> Result<&Interface, SimulatorError> {
        let found = self.inner.world.interfaces.get(sender);
        found
            .map(AsRef::as_ref)
            .ok_or_else(|| SimulatorError::Missing {
                field: "wiring.simulated.interfaces".to_owned(),
                name: sender.to_owned(),
                kind: "interface",
            })
    }

    /// The audio input.
    #[must_use]
    pub fn capture(&self) -> Box<dyn Capture> {
        Box::new(SimulatedCapture::new(Arc::clone(&self.inner)))
    }

    /// An instrument by name.
    #[must_use]
    pub fn instrument(&self, name: &str) -> Option<Box<dyn Instrument>> {
        let role = *self.inner.world.instruments.get(name)?;
        Some(Box::new(SimulatedInstrument::new(
            Arc::clone(&self.inner),
            name,
            role,
        )))
    }

    /// A person who does at once what is asked.
    #[must_use]
    pub fn operator(&self) -> Box<dyn Operator> {
        Box::new(SimulatedOperator {
            bench: self.clone(),
            asked: false,
        })
    }

    /// Switches a supply on (at its own voltage) or off by hand, now.
    pub fn switch(&self, supply: &str, on: bool) {
        let world = &self.inner.world;
        let Some(feed) = world.feeds.get(supply) else {
            return;
        };
        let mut shared = self.inner.lock();
        let now = shared.now;
        let volts = if on { feed.comes_on_at } else { 0.0 };
        shared.logs.switch(world, supply, now, volts);
    }

    /// Takes the bench to where a run was laid down: the last instant the record
    /// speaks of, the power log from its events, and the last notes it knows. All
    /// that follows is as if the run had never been laid down.
    ///
    /// Supplies switched by hand are the exception: their events are at the first
    /// sound rather than at the switch.
    pub fn restore(&self, record: &RunRecord) {
        let world = &self.inner.world;
        let mut shared = self.inner.lock();
        let mut logs = Logs::new(world);
        for event in &record.events {
            let on = match event.kind {
                EventKind::PowerOn => true,
                EventKind::PowerOff => false,
                _ => continue,
            };
            let at = event.at.nanoseconds();
            for (name, feed) in &world.feeds {
                let meant = event.position.as_ref().is_none_or(|position| {
                    world
                        .place(position.as_str())
                        .is_some_and(|place| place.supply.as_ref() == Some(name))
                });
                // What a timer did follows from the script.
                if meant && feed.timer.is_none() {
                    let volts = if on { feed.comes_on_at } else { 0.0 };
                    logs.switch(world, name, at, volts);
                }
            }
        }
        let mut notes: Vec<(i64, &PositionId, Pitch, VoltDifference)> = record
            .readings
            .iter()
            .map(|reading| {
                let at = reading.played.nanoseconds();
                (at, &reading.key.position, reading.asked, reading.residue)
            })
            .chain(record.traces.iter().map(|trace| {
                let at = trace.played.nanoseconds();
                (at, &trace.position, trace.asked, trace.residue)
            }))
            .collect();
        notes.sort_by_key(|(at, position, ..)| (*at, *position));
        for (at, position, asked, residue) in notes {
            let Some(place) = world.place(position.as_str()) else {
                continue;
            };
            let Some(interface) = world.interfaces.get(&place.output.0) else {
                continue;
            };
            let standard = PitchStandard::default();
            let reached = asked.shifted(-place.law.cents_of(residue, asked, standard));
            let volts = interface.converted(place.output.1, interface.ideal(reached));
            let at = at.saturating_add(interface.latency);
            logs.hold(world, &place.output, at, volts);
        }
        shared.now = record.last_deed().nanoseconds().max(0);
        shared.logs = logs;
        shared.stream = Stream {
            epoch: Epoch(0),
            origin: 0,
            opened: shared.now,
        };
    }

    /// The true mean frequency of what the input of a position hears from `start`
    /// over `window`: that of the unit itself, which an input with a perfect clock
    /// would find. `None` where it hears nothing all through.
    ///
    /// An input whose clock runs fast by the fraction e finds 1 / (1 + e) of it.
    #[must_use]
    pub fn truth(&self, position: &PositionId, start: HostTime, window: Seconds) -> Option<Hertz> {
        let world = &self.inner.world;
        let shared = self.inner.lock();
        let begin = start.nanoseconds().max(0);
        let end = begin.saturating_add(window.nanoseconds());
        let mut turns = shared.logs.turns(world, begin, end);
        turns.push(end);
        let mut cycles = 0.0;
        let mut from = begin;
        for until in turns {
            let heard = shared.logs.heard(world, position.as_str(), from);
            let sound = heard.sound?;
            let oscillator = &world.places[sound.phase_of].oscillator;
            let phase =
                |at: i64| oscillator.phase_at(&sound.stretch, &sound.held, at as f64 * 1e-9);
            cycles += phase(until).since(phase(from));
            from = until;
        }
        Hertz::new(cycles / ((end - begin) as f64 * 1e-9)).ok()
    }

    /// The voltage an output is held at, and since when; for tests of what drives it.
    #[must_use]
    pub fn output(&self, sender: &str, channel: u8, at: HostTime) -> Volts {
        let shared = self.inner.lock();
        let held: Held = shared.logs.held(
            &self.inner.world,
            &(sender.to_owned(), channel),
            at.nanoseconds(),
        );
        Volts::new(held.volts).unwrap_or(Volts::of(0.0))
    }
}

/// The virtual clock.
pub struct SimulatedClock {
    inner: Arc<Inner>,
}

impl Clock for SimulatedClock {
    fn now(&self) -> HostTime {
        HostTime::from_nanoseconds(self.inner.lock().now)
    }
    fn wall(&self) -> Timestamp {
        let now = self.inner.lock().now;
        let nanoseconds = i128::from(WALL_SECONDS) * 1_000_000_000 + i128::from(now);
        Timestamp::from_nanosecond(nanoseconds).unwrap_or(Timestamp::UNIX_EPOCH)
    }
    fn sleep_until(&self, due: HostTime, stop: &Stop) -> Result<(), Cancelled> {
        stop.check()?;
        self.inner.pass(due.nanoseconds(), Some(stop))
    }
}

fn no_interface(sender: &str) -> PortError {
    PortError {
        device: sender.to_owned(),
        what: "the simulated rig has no interface of this name".to_owned(),
        check: "compare the senders of its positions with wiring.simulated.interfaces".to_owned(),
        remedy: Remedy::Abort,
    }
}

/// The line to an interface: bytes in, voltages out.
pub struct SimulatedWire {
    inner: Arc<Inner>,
    sender: String,
    decoder: Decoder,
}

impl sender::Wire for SimulatedWire {
    fn send(&mut self, bytes: &[u8]) -> Result<(), PortError> {
        let world = &self.inner.world;
        let interface = world
            .interfaces
            .get(&self.sender)
            .ok_or_else(|| no_interface(&self.sender))?;
        let mut shared = self.inner.lock();
        let at = shared.now.saturating_add(interface.latency);
        for channel in self.decoder.feed(bytes) {
            let Some(pitch) = self.decoder.pitch(channel).and_then(|n| Pitch::new(n).ok()) else {
                continue;
            };
            let output: OutputId = (self.sender.clone(), channel);
            let volts = interface.converted(channel, interface.ideal(pitch));
            shared.logs.hold(world, &output, at, volts);
        }
        Ok(())
    }

    fn present(&mut self) -> Result<(), PortError> {
        if self.inner.world.interfaces.contains_key(&self.sender) {
            Ok(())
        } else {
            Err(no_interface(&self.sender))
        }
    }
}

/// The outputs of an interface, driven by voltage.
pub struct SimulatedVolts {
    inner: Arc<Inner>,
    sender: String,
}

impl sender::VoltOutput for SimulatedVolts {
    fn set(&mut self, output: u8, voltage: Volts) -> Result<Volts, PortError> {
        let world = &self.inner.world;
        let interface = world
            .interfaces
            .get(&self.sender)
            .ok_or_else(|| no_interface(&self.sender))?;
        let mut shared = self.inner.lock();
        let at = shared.now.saturating_add(interface.latency);
        let volts = interface.converted(output, voltage.get());
        shared
            .logs
            .hold(world, &(self.sender.clone(), output), at, volts);
        // It knows of its steps, not of its errors.
        Ok(Volts::new(interface.nominal(voltage.get())).unwrap_or(voltage))
    }

    fn present(&mut self) -> Result<(), PortError> {
        if self.inner.world.interfaces.contains_key(&self.sender) {
            Ok(())
        } else {
            Err(no_interface(&self.sender))
        }
    }
}

/// A person who does at once what is asked: answers with an empty line, and where
/// the question says to switch a supply on or off (by its name, or all that are
/// switched by hand), switches it.
pub struct SimulatedOperator {
    bench: Bench,
    asked: bool,
}

impl Operator for SimulatedOperator {
    fn ask(&mut self, question: &str) {
        self.asked = true;
        let text = question.to_lowercase();
        let words: Vec<&str> = text
            .split(|c: char| !c.is_alphanumeric())
            .filter(|word| !word.is_empty())
            .collect();
        let says = |word: &str| words.contains(&word);
        if says("switch") || says("turn") || says("power") {
            let on = says("on");
            if on != says("off") {
                let by_hand: Vec<String> = self
                    .bench
                    .inner
                    .world
                    .feeds
                    .iter()
                    .filter(|(_, feed)| feed.instrument.is_none() && feed.timer.is_none())
                    .map(|(name, _)| name.clone())
                    .collect();
                let named: Vec<&String> = by_hand
                    .iter()
                    .filter(|name| text.contains(&format!("\"{}\"", name.to_lowercase())))
                    .collect();
                let meant = if named.is_empty() {
                    by_hand.iter().collect()
                } else {
                    named
                };
                for supply in meant {
                    self.bench.switch(supply, on);
                }
            }
        }
    }

    fn answer(&mut self, stop: &Stop) -> Result<Option<String>, NoAnswer> {
        stop.check()?;
        Ok(std::mem::take(&mut self.asked).then(String::new))
    }

    fn show_deviation(&mut self, _position: &PositionId, _deviation: Option<Cents>) {}
}
