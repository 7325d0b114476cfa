//! Readings without audio, on the same physics: what is true, and what a meter
//! with noise would find. Thousands of nights in seconds.

use crate::bench::Bench;
use crate::noise::Source;
use model::pitch::Pitch;
use model::quantity::{Hertz, HertzDifference, Level, Seconds, VoltDifference};
use model::record::{
    Conditions, Event, EventKind, Flags, Measured, PositionId, Reading, ReadingKey, RunHeader,
    RunId, RunRecord, State,
};
use model::time::{HostTime, RunTime, Timestamp};

/// What is true of a note, and what is found.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct SimulatedReading {
    /// Mean frequency of the unit over the window.
    pub truth: Hertz,
    /// What the meter finds with the input's clock error and its own noise.
    pub measured: Hertz,
    /// The standard deviation of that noise.
    pub u: HertzDifference,
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
    /// The note is taken to be settled; faults other than those of supplies are
    /// left out.
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
        let u = (1.1 * variance).sqrt();
        let source = Source::new(world.seed, "meter")
            .part(Source::new(world.seed, position.as_str()).bits(draw));
        let off = u * source.normal(at.nanoseconds().cast_unsigned());
        Some(SimulatedReading {
            truth: Hertz::new(truth).ok()?,
            measured: Hertz::new(truth * (1.0 + world.clock_effect()) + off).ok()?,
            u: HertzDifference::new(u).ok()?,
        })
    }

    /// A whole run without audio: every planned note read on the unit in its
    /// position. Supplies come on at `power_on` (they stay as they are when it is
    /// `None`). `draw` tells apart runs that would otherwise be the same.
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
        let readings = plan
            .iter()
            .map(|planned| {
                let found = self.reading(
                    &planned.key.position,
                    planned.pitch,
                    HostTime::from_nanoseconds(planned.at.nanoseconds()),
                    planned.window,
                    draw,
                );
                let place = world.place(planned.key.position.as_str());
                let level = place
                    .filter(|_| found.is_some())
                    .and_then(|place| Level::new(20.0 * libm::log10(place.size)).ok());
                Reading {
                    key: planned.key.clone(),
                    asked: planned.pitch,
                    residue: VoltDifference::ZERO,
                    played: planned.at,
                    at: planned.at,
                    window: planned.window,
                    measured: Measured {
                        state: if found.is_some() {
                            State::Ok
                        } else {
                            State::Silent
                        },
                        flags: Flags::NONE,
                        frequency: found.map(|found| found.measured),
                        u: found.map(|found| found.u),
                        level,
                    },
                    conditions: Conditions {
                        air: air(planned.at),
                        supply: None,
                    },
                }
            })
            .collect();
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
