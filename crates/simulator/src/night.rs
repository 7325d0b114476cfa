//! Readings without audio, on the same physics: what is true, and what a meter
//! with noise would find. Thousands of nights in seconds.

use crate::bench::Bench;
use crate::noise::Source;
use crate::oscillator::slope_of_sine;
use crate::render::{HUM_LINES, HUM_SCALE};
use crate::world::Place;
use model::document::simulated::Cables;
use model::pitch::Pitch;
use model::quantity::{Hertz, HertzDifference, Level, Seconds, VoltDifference};
use model::record::{
    Conditions, Event, EventKind, Flag, Flags, Measured, PositionId, Reading, ReadingKey,
    RunHeader, RunId, RunRecord, State,
};
use model::time::{HostTime, RunTime, Timestamp};
use std::f64::consts::TAU;

/// What is true of a note, and what is found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SimulatedReading {
    /// Mean frequency of the unit over the window.
    pub truth: Hertz,
    /// What the meter finds with the input's clock error and its own noise.
    pub measured: Hertz,
    /// The standard deviation of that noise.
    pub u: HertzDifference,
    /// Whether hum stands close to a harmonic.
    pub hum_near: bool,
    /// Whether it stands so close that a meter would say nothing.
    pub hum_too_near: bool,
}

/// What hum does to a reading, in hertz.
struct Beside {
    pull: f64,
    /// Its root mean square over all phases.
    most: f64,
}

/// A note to be read.
#[derive(Debug, Clone, PartialEq)]
pub struct PlannedReading {
    /// Its place in the plan.
    pub key: ReadingKey,
    /// The note.
    pub pitch: Pitch,
    /// When its window begins.
    pub at: RunTime,
    /// How long the window is.
    pub window: Seconds,
}

impl Bench {
    /// Reads a note of the unit in a position without audio: the slow part of the
    /// frequency straight from the physics, the oscillator's own noise over the
    /// window, and a meter at 1.1 times the Cramer-Rao bound for the unit's wave in
    /// the input's noise (Rife and Boorstyn 1974, for harmonics: the sum of
    /// h^2 A_h^2 in place of A^2). `draw` tells apart readings that would
    /// otherwise be the same. `None` while the unit is off or not there.
    ///
    /// Hum beside the signal pulls where one of its lines stands within a turn per
    /// window of a harmonic, by the share that harmonic has in the estimate; lines
    /// further off the meter takes away. The note is taken to be settled; of the
    /// faults, those of supplies and loose contacts are there.
    #[must_use]
    pub fn reading(
        &self,
        position: &PositionId,
        pitch: Pitch,
        at: HostTime,
        window: Seconds,
        draw: u64,
    ) -> Option<SimulatedReading> {
        let world = &self.inner.world;
        let place = world.place(position.as_str())?;
        let interface = world.interfaces.get(&place.output.0)?;
        let stretch = self.inner.lock().logs.stretch(place, at.nanoseconds());
        if !stretch.on {
            return None;
        }
        let volts = interface.converted(place.output.1, interface.ideal(pitch));
        let t = at.nanoseconds() as f64 * 1e-9;
        let truth = place
            .oscillator
            .mean_frequency(&stretch, volts, t, window.get());
        let rate = world.input.rate.get();
        let frames = (window.get() * rate).max(2.0);
        let noise = libm::pow(10.0, world.input.noise.get() / 10.0);
        let highest = (0.45 * rate / truth).max(1.0) as usize;
        let information = place.size * place.size * place.wave.information(highest);
        let variance = 6.0 * noise * rate * rate
            / (std::f64::consts::PI.powi(2) * frames * (frames * frames - 1.0) * information);
        let hum = self.beside_hum(place, truth, t, window.get(), information);
        let meter = (1.1 * variance).sqrt();
        let u = meter.hypot(hum.most);
        let source = Source::new(world.seed, "meter")
            .part(Source::new(world.seed, position.as_str()).bits(draw));
        let off = meter * source.normal(at.nanoseconds().cast_unsigned())
            + hum.pull
            + truth * place.oscillator.pulled_by_mains(t, window.get());
        Some(SimulatedReading {
            truth: Hertz::new(truth).ok()?,
            measured: Hertz::new(truth * (1.0 + world.clock_effect()) + off).ok()?,
            u: HertzDifference::new(u).ok()?,
            // Where a meter says so, and where it says nothing else.
            hum_near: hum.most > 0.5 * u,
            hum_too_near: hum.most * 1200.0 / std::f64::consts::LN_2 > truth,
        })
    }

    /// How far hum pulls a reading.
    fn beside_hum(&self, place: &Place, hz: f64, t: f64, window: f64, information: f64) -> Beside {
        let mut beside = Beside {
            pull: 0.0,
            most: 0.0,
        };
        if place.hum == 0.0 {
            return beside;
        }
        let mains = self.inner.world.mains;
        for (line, size) in HUM_LINES {
            let harmonic = (line * mains / hz).round().max(1.0);
            let apart = line * mains - harmonic * hz;
            if apart.abs() * window > 1.0 {
                continue;
            }
            let own = place.wave.information(harmonic as usize)
                - place.wave.information(harmonic as usize - 1);
            if own <= 0.0 {
                continue;
            }
            // h^2 A_h^2 of the harmonic gives its share, and its amplitude.
            let amplitude = place.size * own.sqrt() / harmonic;
            let ratio = place.hum * HUM_SCALE * size / amplitude;
            let most = ratio.min(1.0) / TAU * slope_of_sine(apart.abs().max(0.1 / window), window)
                / harmonic
                * (own / information);
            // The phase between hum and tone when the window begins is anyone's guess.
            let turns = apart * (t + 0.5 * window) + harmonic * 0.37;
            beside.pull += most * libm::sin(TAU * (turns - turns.floor()));
            beside.most = beside.most.hypot(most / 2f64.sqrt());
        }
        beside
    }

    /// What a meter finds of a note, faults of unit, input and interface included.
    fn found(&self, planned: &PlannedReading, draw: u64) -> Measured {
        let world = &self.inner.world;
        let script = &world.script;
        let now = planned.at.nanoseconds();
        let of = |position: &str| {
            self.reading(
                &PositionId::new(position),
                planned.pitch,
                HostTime::from_nanoseconds(now),
                planned.window,
                draw,
            )
        };
        let own = planned.key.position.as_str();
        let heard = script.cable(own, Cables::Audio, now);
        let found = of(heard).filter(|_| !script.silent(heard, now) && !script.dead(own, now));
        let (near, too_near) =
            found.map_or((false, false), |found| (found.hum_near, found.hum_too_near));
        let place = world.place(heard).filter(|_| found.is_some());
        let gain = script.overdrive(own, now);
        let mut flags: Flags = [
            (script.dead(own, now), Flag::ExactZeros),
            (near && !too_near, Flag::HumNear),
            // The peaks of all waves but a pulse are beyond twice the root mean square.
            (
                place.is_some_and(|place| place.size * gain > 0.5),
                Flag::Clipped,
            ),
        ]
        .into_iter()
        .filter_map(|(is, flag)| is.then_some(flag))
        .collect();
        let mut measured = found.map(|found| (found.measured, found.u));
        for other in &world.places {
            let other = other.id.as_str();
            let pull = |one: &str, leader: &str| {
                let found = script.leader(one, now);
                found.and_then(|(leads, _, within)| (leads == leader).then_some(within))
            };
            let follows = pull(heard, other);
            let Some(within) = follows.or_else(|| pull(other, heard)) else {
                continue;
            };
            let (Some(found), Some(next)) = (found, of(other)) else {
                continue;
            };
            if next.truth.cents_from(found.truth).get().abs() < within {
                flags.insert(Flag::MaybeLocked);
                if follows.is_some() {
                    measured = Some((next.measured, next.u));
                }
            }
        }
        let state = match found {
            None => State::Silent,
            Some(_) if script.not_played(own, now) => State::NotPlayed,
            Some(_) if too_near => State::HumTooNear,
            Some(_) => State::Ok,
        };
        let measured = measured.filter(|_| state == State::Ok);
        Measured {
            state,
            flags,
            frequency: measured.map(|(frequency, _)| frequency),
            u: measured.map(|(_, u)| u),
            u_noise: measured.map(|(_, u)| u),
            level: place.and_then(|place| Level::new(20.0 * libm::log10(place.size)).ok()),
        }
    }

    /// What the watch over supplies and the input would say of the script.
    fn said(&self, began: Timestamp) -> Vec<Event> {
        let world = &self.inner.world;
        let mut said = Vec::new();
        let mut say = |at: i64, kind: EventKind, position: Option<&PositionId>| {
            let at = RunTime::from_nanoseconds(at);
            said.push(Event {
                at,
                wall: wall(began, at),
                kind,
                stage: None,
                position: position.cloned(),
                text: kind.name().replace('_', " "),
            });
        };
        for when in world.script.outages() {
            say(when.from, EventKind::CaptureLost, None);
            say(when.until, EventKind::CaptureBack, None);
        }
        for place in &world.places {
            let dips = place
                .supply
                .iter()
                .flat_map(|supply| world.script.dips(supply));
            for (from, until, _) in dips {
                say(from, EventKind::SupplyLow, Some(&place.id));
                say(until, EventKind::SupplyBack, Some(&place.id));
            }
        }
        said
    }

    /// A whole run without audio: every planned note read on the unit in its
    /// position. Supplies come on at `power_on` (they stay as they are when it is
    /// `None`). `draw` tells apart runs that would otherwise be the same. Of the
    /// faults, all but portamento, swapped control voltages and those of
    /// instruments are there; while the input is away nothing is read.
    #[must_use]
    pub fn record(
        &self,
        header: RunHeader,
        power_on: Option<RunTime>,
        plan: &[PlannedReading],
        draw: u64,
    ) -> RunRecord {
        let world = &self.inner.world;
        let mut events = Vec::new();
        if let Some(at) = power_on {
            let mut shared = self.inner.lock();
            for (name, feed) in &world.feeds {
                shared
                    .logs
                    .switch(world, name, at.nanoseconds(), feed.comes_on_at);
            }
            events.push(Event {
                at,
                wall: wall(header.began, at),
                kind: EventKind::PowerOn,
                stage: None,
                position: None,
                text: "supplies switched on".to_owned(),
            });
        }
        let air = |at: RunTime| {
            let celsius = world.room.celsius(at.seconds());
            model::quantity::Celsius::new((celsius * 100.0).round() / 100.0).ok()
        };
        let away = |planned: &&PlannedReading| {
            let at = planned.at.nanoseconds();
            !world.script.outages().any(|when| when.contains(at))
        };
        let readings = plan
            .iter()
            .filter(away)
            .map(|planned| Reading {
                key: planned.key.clone(),
                asked: planned.pitch,
                residue: VoltDifference::ZERO,
                played: planned.at,
                at: planned.at,
                window: planned.window,
                measured: self.found(planned, draw),
                conditions: Conditions {
                    air: air(planned.at),
                    supply: None,
                },
            })
            .collect();
        events.extend(self.said(header.began));
        if let Some(last) = plan.iter().map(|planned| planned.at + planned.window).max() {
            events.push(Event {
                at: last,
                wall: wall(header.began, last),
                kind: EventKind::RunEnded,
                stage: None,
                position: None,
                text: "all notes read".to_owned(),
            });
        }
        RunRecord {
            id: RunId::new(format!("simulated-{:016x}-{draw}", world.seed)),
            header,
            readings,
            traces: Vec::new(),
            gaps: Vec::new(),
            events,
        }
    }
}

fn wall(began: Timestamp, at: RunTime) -> Timestamp {
    let nanoseconds = began.as_nanosecond() + i128::from(at.nanoseconds());
    Timestamp::from_nanosecond(nanoseconds).unwrap_or(began)
}
