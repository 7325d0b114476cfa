//! What changes on the bench: control voltages and supplies over time, and what
//! each input hears of it.

use crate::oscillator::Held;
use crate::power::{PowerLog, Stretch};
use crate::world::{OutputId, Place, World};
use model::document::simulated::Cables;
use std::collections::BTreeMap;
use std::sync::Arc;

/// A change of a control voltage.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Change {
    /// When, in nanoseconds of the run.
    pub at: i64,
    /// Where the converter then stands.
    pub volts: f64,
    /// The time constant of the way there.
    pub slew: f64,
}

/// How long changes are kept beyond the one in force, in nanoseconds.
const KEPT: i64 = 150_000_000_000;

/// What changes: the logs from which, with the time, everything follows.
#[derive(Debug, Clone, Default)]
pub struct Logs {
    voltages: BTreeMap<OutputId, Vec<Change>>,
    switched: BTreeMap<String, Vec<(i64, f64)>>,
    power: BTreeMap<String, PowerLog>,
}

impl Logs {
    /// The logs at the beginning of a run: cold but for supplies that have been on before,
    /// and every output at its lowest.
    #[must_use]
    pub fn new(world: &World) -> Self {
        let mut logs = Self::default();
        for (name, feed) in &world.feeds {
            let came_on = feed.on_before.map(|before| -before).or(feed.timer);
            let switched = came_on.map_or_else(Vec::new, |at| vec![(at, feed.comes_on_at)]);
            logs.switched.insert(name.clone(), switched);
            logs.renew(world, name);
        }
        logs
    }

    fn renew(&mut self, world: &World, supply: &str) {
        let Some(feed) = world.feeds.get(supply) else {
            return;
        };
        let switched = self.switched.get(supply).map_or(&[][..], Vec::as_slice);
        let log = PowerLog::new(
            feed.nominal,
            switched,
            &world.script.dips(supply),
            &world.script.stands(supply),
        );
        self.power.insert(supply.to_owned(), log);
    }

    /// Puts a supply at a voltage from a time on. The same voltage again is no
    /// change: the thermal history goes on.
    pub fn switch(&mut self, world: &World, supply: &str, at: i64, volts: f64) {
        let switched = self.switched.entry(supply.to_owned()).or_default();
        if switched.last().map_or(0.0, |(_, volts)| *volts) == volts {
            return;
        }
        switched.retain(|(when, _)| *when < at);
        switched.push((at, volts));
        self.renew(world, supply);
    }

    /// The voltage a supply was last switched to.
    #[must_use]
    pub fn switched_to(&self, supply: &str, at: i64) -> f64 {
        let switched = self.switched.get(supply).map_or(&[][..], Vec::as_slice);
        let last = switched.iter().rfind(|(when, _)| *when <= at);
        last.map_or(0.0, |(_, volts)| *volts)
    }

    /// The voltage a supply stands at, dips and worse included.
    #[must_use]
    pub fn supply_voltage(&self, world: &World, supply: &str, at: i64) -> f64 {
        let nominal = world.feeds.get(supply).map_or(0.0, |feed| feed.nominal);
        let stands = world.script.stands(supply);
        let stands = stands
            .iter()
            .find(|(from, until, _)| (*from..*until).contains(&at));
        match stands {
            Some((_, _, volts)) if self.switched_to(supply, at) != 0.0 => *volts,
            _ => self.power.get(supply).map_or(0.0, |log| {
                (log.at(at).supply + nominal.abs().max(1e-3)).copysign(nominal)
            }),
        }
    }

    /// Puts an output at a voltage from a time on, unless a fault holds it.
    pub fn hold(&mut self, world: &World, output: &OutputId, at: i64, volts: f64) {
        let Some(interface) = world.interfaces.get(&output.0) else {
            return;
        };
        let script = &world.script;
        if world
            .on_output(output)
            .any(|place| script.not_played(place.id.as_str(), at))
        {
            return;
        }
        let slew = world
            .on_output(output)
            .find_map(|place| script.portamento(place.id.as_str(), at))
            .unwrap_or(interface.slew);
        let changes = self.voltages.entry(output.clone()).or_default();
        // What is changed again at the same moment was never there.
        changes.retain(|change| change.at < at);
        if changes.last().is_some_and(|change| change.volts == volts) {
            return;
        }
        changes.push(Change { at, volts, slew });
        let needless = changes
            .partition_point(|change| change.at < at.saturating_sub(KEPT))
            .saturating_sub(1);
        changes.drain(..needless);
    }

    /// The voltage of an output at a time.
    #[must_use]
    pub fn held(&self, world: &World, output: &OutputId, at: i64) -> Held {
        let changes = self.voltages.get(output).map_or(&[][..], Vec::as_slice);
        let after = changes.partition_point(|change| change.at <= at);
        let resting = || {
            world
                .interfaces
                .get(&output.0)
                .map_or(0.0, |interface| interface.converted(output.1, f64::MIN))
        };
        let Some(last) = after.checked_sub(1).map(|last| changes[last]) else {
            return Held::settled(resting());
        };
        let before = after
            .checked_sub(2)
            .map_or_else(resting, |before| changes[before].volts);
        Held {
            volts: last.volts,
            before,
            since: last.at as f64 * 1e-9,
            slew: last.slew,
        }
    }

    /// The supply of a place at a time.
    #[must_use]
    pub fn stretch(&self, place: &Place, at: i64) -> Arc<Stretch> {
        place
            .supply
            .as_ref()
            .and_then(|supply| self.power.get(supply))
            .map_or_else(
                || Arc::clone(PowerLog::always_on().at(at)),
                |log| Arc::clone(log.at(at)),
            )
    }

    /// Every time at which something may change, in order, strictly between two.
    #[must_use]
    pub fn turns(&self, world: &World, from: i64, until: i64) -> Vec<i64> {
        let mut all: Vec<i64> = self
            .voltages
            .values()
            .flatten()
            .map(|change| change.at)
            .chain(self.power.values().flat_map(PowerLog::beginnings))
            .chain(world.script.turns())
            .filter(|at| *at > from && *at < until)
            .collect();
        all.sort_unstable();
        all.dedup();
        all
    }

    /// What an input hears at a time.
    #[must_use]
    pub fn heard(&self, world: &World, position: &str, at: i64) -> Heard {
        let script = &world.script;
        let nothing = |dead| Heard {
            sound: None,
            gain: script.overdrive(position, at),
            dead,
        };
        if script.dead(position, at) {
            return nothing(true);
        }
        // Whose audio cable is in this input, and which output feeds that unit.
        let unit = script.cable(position, Cables::Audio, at);
        let Some(index) = world
            .places
            .iter()
            .position(|place| place.id.as_str() == unit)
        else {
            return nothing(false);
        };
        let place = &world.places[index];
        let stretch = self.stretch(place, at);
        if !stretch.on || script.silent(unit, at) {
            return nothing(false);
        }
        let held = self.held(world, self.feeding(world, place, at), at);
        let mut sound = Sound {
            unit: index,
            phase_of: index,
            held,
            stretch,
        };
        if let Some((leader, since, within)) = script.leader(unit, at) {
            self.follow(world, &mut sound, leader, since, within, at);
        }
        Heard {
            sound: Some(sound),
            gain: script.overdrive(position, at),
            dead: false,
        }
    }

    fn feeding<'a>(&self, world: &'a World, place: &'a Place, at: i64) -> &'a OutputId {
        let from = world
            .script
            .cable(place.id.as_str(), Cables::ControlVoltage, at);
        world
            .places
            .iter()
            .find(|other| other.id.as_str() == from)
            .map_or(&place.output, |other| &other.output)
    }

    /// Lets a unit run with its leader when their pitches are close.
    fn follow(
        &self,
        world: &World,
        sound: &mut Sound,
        leader: &str,
        since: i64,
        within: f64,
        at: i64,
    ) {
        let Some(index) = world
            .places
            .iter()
            .position(|place| place.id.as_str() == leader)
        else {
            return;
        };
        let place = &world.places[index];
        let stretch = self.stretch(place, at);
        if !stretch.on {
            return;
        }
        let held = self.held(world, self.feeding(world, place, at), at);
        // Whether they lock is settled when the note is reached.
        let moment = (sound.held.since.max(held.since) + 0.05).max(since as f64 * 1e-9);
        let own = &world.places[sound.unit];
        let one = place.oscillator.frequency(&stretch, held.volts, moment);
        let other = own
            .oscillator
            .frequency(&sound.stretch, sound.held.volts, moment);
        if (1200.0 * libm::log2(one / other)).abs() <= within {
            sound.phase_of = index;
            sound.held = held;
            sound.stretch = stretch;
        }
    }
}

/// What an input hears.
#[derive(Debug, Clone)]
pub struct Heard {
    /// The unit, if it sounds.
    pub sound: Option<Sound>,
    /// How much too large it is.
    pub gain: f64,
    /// Whether the input delivers exact zeros.
    pub dead: bool,
}

/// A unit that sounds.
#[derive(Debug, Clone)]
pub struct Sound {
    /// The place of the unit.
    pub unit: usize,
    /// The place of the unit whose phase it has: its own, unless it is locked.
    pub phase_of: usize,
    /// The voltage that one is held at.
    pub held: Held,
    /// The supply of that one.
    pub stretch: Arc<Stretch>,
}
