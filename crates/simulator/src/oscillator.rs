//! A unit over time: its frequency and its phase as pure functions of the time,
//! the control voltage it is held at and the power log.
//!
//! The phase is that of a unit held at this voltage ever since its power came on
//! (with a seeded phase at that moment), so it does not depend on when a note
//! was played: a hold goes on as it was when a run is taken up again. The slow
//! part of the frequency is taken at knots four seconds apart, a parabola through
//! three of them, integrated exactly; noise is added as a time error.

use crate::converter::{Converter, Surroundings};
use crate::fault::When;
use crate::interface::{Interface, Line};
use crate::noise::{NODES_PER_SECOND, Source, TimeError};
use crate::power::Stretch;
use crate::thermal::{Masses, Room};
use model::document::simulated::UnitModel;
use std::collections::HashMap;
use std::f64::consts::{LN_2, TAU};
use std::sync::{Arc, Mutex, PoisonError};

/// Nodes in a second between which the phase is linear.
pub const GRID: u64 = 8 * NODES_PER_SECOND;
/// Seconds between knots.
const KNOT: f64 = 4.0;
/// Seconds covered by one parabola.
const BLOCK: f64 = 2.0 * KNOT;
/// Blocks between kept sums.
const KEPT_EVERY: usize = 16;

/// The control voltage that feeds a unit, since its last change.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Held {
    /// Where the interface's converter stands, volts.
    pub volts: f64,
    /// Where it stood before.
    pub before: f64,
    /// When it changed, in seconds of the run.
    pub since: f64,
    /// The time constant of the way from there to here, seconds.
    pub slew: f64,
}

impl Held {
    /// A voltage that has been there for long.
    #[must_use]
    pub const fn settled(volts: f64) -> Self {
        Self {
            volts,
            before: volts,
            since: 0.0,
            slew: 0.0,
        }
    }
}

/// A phase in cycles, the whole ones apart so that days do not blur it.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Phase {
    /// Whole cycles.
    pub whole: f64,
    /// The rest; not below zero, but may be many where it has just been added to.
    pub rest: f64,
}

impl Phase {
    /// Cycles from `earlier` to this.
    #[must_use]
    pub fn since(self, earlier: Self) -> f64 {
        (self.whole - earlier.whole) + (self.rest - earlier.rest)
    }
}

/// A unit and what feeds it.
#[derive(Debug)]
pub struct Oscillator {
    converter: Converter,
    room: Arc<Room>,
    masses: Masses,
    /// Room, the parts, and the compensating resistor behind the last of them.
    with_resistor: Masses,
    contact: f64,
    interface: Arc<Interface>,
    loading: f64,
    noise: TimeError,
    phases: Source,
    mains: f64,
    /// Relative swing of the frequency with the mains.
    bend: f64,
    /// When a loose contact takes it off pitch, and by which factor less one.
    loose: Vec<(When, f64)>,
    cache: Mutex<Cache>,
}

/// What has been worked out already. Only speed depends on it.
#[derive(Debug, Default)]
struct Cache {
    stretches: Vec<Known>,
}

#[derive(Debug)]
struct Known {
    began: i64,
    knots: Vec<(Surroundings, Line)>,
    tracks: HashMap<u64, Track>,
}

/// The running sum for one voltage.
#[derive(Debug, Default)]
struct Track {
    kept: Vec<Phase>,
    last: Option<(usize, Phase)>,
    block: Option<(usize, [f64; 3])>,
}

impl Oscillator {
    /// A unit of this name, fed by an interface whose voltage `loading` is left of.
    #[must_use]
    pub fn new(
        name: &str,
        unit: &UnitModel,
        room: Arc<Room>,
        interface: Arc<Interface>,
        loading: f64,
        mains: f64,
        seed: u64,
    ) -> Self {
        let mut parts = unit.warming.clone();
        let masses = Masses::new(&parts);
        parts.push(model::document::simulated::ThermalMass {
            time: unit.converter.compensation_lag,
            rise: model::quantity::Kelvin::ZERO,
        });
        let source = Source::new(seed, "unit").part(Source::new(seed, name).bits(0));
        Self {
            converter: Converter::new(unit),
            masses,
            with_resistor: Masses::new(&parts),
            contact: unit.converter.compensation_contact.get(),
            room,
            interface,
            loading,
            noise: TimeError::new(
                source.part(1),
                unit.phase_noise.white.get(),
                unit.phase_noise.flicker.get(),
            ),
            phases: source.part(2),
            mains,
            bend: libm::exp2(unit.hum.bend.get() / 1200.0) - 1.0,
            loose: Vec::new(),
            cache: Mutex::default(),
        }
    }

    /// The same with contacts that open.
    #[must_use]
    pub fn with_loose_contacts(mut self, loose: Vec<(When, f64)>) -> Self {
        self.loose = loose;
        self
    }

    /// Seconds up to a time in which contacts were open, each times what it does to
    /// the frequency.
    fn loosened(&self, t: f64) -> f64 {
        self.loose
            .iter()
            .map(|(when, factor)| {
                let (from, until) = (when.from as f64 * 1e-9, when.until as f64 * 1e-9);
                factor * (t - from).clamp(0.0, until - from)
            })
            .sum()
    }

    /// What surrounds the converter at a time (seconds of the run).
    #[must_use]
    pub fn surroundings(&self, stretch: &Stretch, t: f64) -> Surroundings {
        let all = self.with_resistor.celsius(&self.room, &stretch.changes, t);
        let parts = self.masses.times().len();
        let pair = all[parts];
        let resistor = all[parts + 1];
        Surroundings {
            pair,
            resistor: self.contact * resistor + (1.0 - self.contact) * all[0],
            board: all[parts.saturating_sub(1)],
            supply: stretch.supply,
            hours: (t - stretch.on_since) / 3600.0,
        }
    }

    /// The slow part of the frequency at a converter voltage, straight from the
    /// physics, in hertz.
    #[must_use]
    pub fn frequency(&self, stretch: &Stretch, volts: f64, t: f64) -> f64 {
        let line = self.interface.line(&self.room, t);
        self.at_knot(volts, &self.surroundings(stretch, t), line)
    }

    /// Mean frequency from `t` over `window` seconds, noise included: the slow part
    /// in the middle of the window, which is its mean but for its curvature.
    #[must_use]
    pub fn mean_frequency(&self, stretch: &Stretch, volts: f64, t: f64, window: f64) -> f64 {
        let slow = self.frequency(stretch, volts, t + 0.5 * window);
        let loose = self.loosened(t + window) - self.loosened(t);
        slow * (1.0 + (self.noise.at(t + window) - self.noise.at(t) + loose) / window)
    }

    /// What the swing with the mains does to a frequency taken as the slope of the
    /// phase over a window, relative to the frequency: the slope of a sine by least
    /// squares over whole and broken turns.
    #[must_use]
    pub fn pulled_by_mains(&self, t: f64, window: f64) -> f64 {
        if self.bend == 0.0 {
            return 0.0;
        }
        // The phase swings by bend / (2 pi mains) cycles per hertz, as a cosine.
        let middle = self.mains * (t + 0.5 * window);
        let sine = libm::sin(TAU * (middle - middle.floor()));
        self.bend / (TAU * self.mains) * sine * slope_of_sine(self.mains, window)
    }

    fn at_knot(&self, volts: f64, around: &Surroundings, line: Line) -> f64 {
        self.converter
            .frequency(self.loading * (volts * line.gain + line.offset), around)
    }

    /// Octaves to the volt of the interface's converter.
    fn slope(&self, stretch: &Stretch, volts: f64, t: f64) -> f64 {
        self.loading
            * self
                .converter
                .octaves_per_volt(volts * self.loading, &self.surroundings(stretch, t))
    }

    /// The phases at nodes `first..=last` of the grid, in cycles from the whole
    /// cycle below the first of them (which is returned as well).
    #[must_use]
    pub fn phases(&self, stretch: &Stretch, held: &Held, first: u64, last: u64) -> (f64, Vec<f64>) {
        let mut cache = self.cache.lock().unwrap_or_else(PoisonError::into_inner);
        let known = cache.stretch(stretch.began);
        let glide = self.glide(stretch, held);
        let start = stretch.start();
        let steps = GRID / NODES_PER_SECOND;
        let mut noise = (u64::MAX, [0.0; 4]);
        let mut origin = None;
        let phases = (first..=last)
            .map(|node| {
                let t = node as f64 / GRID as f64;
                let (phase, frequency) = self.slow(known, stretch, held.volts, t - start);
                let coarse = node / steps;
                if noise.0.wrapping_add(1) == coarse {
                    let [_, before, at, after] = noise.1;
                    noise = (coarse, [before, at, after, self.noise.at_node(coarse + 2)]);
                } else if noise.0 != coarse {
                    noise = (coarse, self.noise.around(coarse));
                }
                let part = (node % steps) as f64 / steps as f64;
                let error = TimeError::between(&noise.1, part);
                let mut rest = phase.rest + frequency * error + frequency * glide.at(t);
                if !self.loose.is_empty() {
                    rest += frequency * self.loosened(t);
                }
                if self.bend != 0.0 {
                    let turns = self.mains * t;
                    rest -= frequency * self.bend * libm::cos(TAU * (turns - turns.floor()))
                        / (TAU * self.mains);
                }
                let origin: Phase = *origin.get_or_insert_with(|| Phase {
                    whole: phase.whole + rest.floor(),
                    rest: 0.0,
                });
                Phase {
                    whole: phase.whole,
                    rest,
                }
                .since(origin)
            })
            .collect();
        (origin.map_or(0.0, |origin| origin.whole), phases)
    }

    /// The phase at a time: linear between the nodes of the grid, as it sounds.
    #[must_use]
    pub fn phase_at(&self, stretch: &Stretch, held: &Held, t: f64) -> Phase {
        let place = (t * GRID as f64).max(0.0);
        let node = place as u64;
        let (whole, phases) = self.phases(stretch, held, node, node + 1);
        Phase {
            whole,
            rest: phases[0] + (phases[1] - phases[0]) * (place - node as f64),
        }
    }

    /// The slow part of phase and frequency, `elapsed` seconds into the stretch.
    fn slow(&self, known: &mut Known, stretch: &Stretch, volts: f64, elapsed: f64) -> (Phase, f64) {
        let elapsed_in = elapsed.max(0.0);
        let block = (elapsed_in / BLOCK) as usize;
        self.learn(known, stretch, 2 * block + 3);
        let Known { knots, tracks, .. } = known;
        if tracks.len() > 5000 {
            tracks.clear();
        }
        let track = tracks.entry(volts.to_bits()).or_default();
        let knots_of = |block: usize| {
            [0, 1, 2].map(|knot| {
                let (around, line) = &knots[2 * block + knot];
                self.at_knot(volts, around, *line)
            })
        };
        let start = match track.last {
            Some((at, phase)) if at == block => phase,
            _ => {
                let (mut at, mut phase) = match track.last {
                    Some(last) if last.0 < block => last,
                    _ => {
                        let kept = (block / KEPT_EVERY).min(track.kept.len().saturating_sub(1));
                        let phase = track.kept.get(kept).copied().unwrap_or(Phase {
                            whole: 0.0,
                            rest: self.phases.uniform(stretch.began.cast_unsigned()),
                        });
                        (kept * KEPT_EVERY, phase)
                    }
                };
                if track.kept.is_empty() {
                    track.kept.push(phase);
                }
                while at < block {
                    let [f0, f1, f2] = knots_of(at);
                    // Simpson's rule is the exact integral of the parabola.
                    phase.rest += BLOCK / 6.0 * (f0 + 4.0 * f1 + f2);
                    let whole = phase.rest.floor();
                    phase.whole += whole;
                    phase.rest -= whole;
                    at += 1;
                    if at == track.kept.len() * KEPT_EVERY {
                        track.kept.push(phase);
                    }
                }
                track.last = Some((block, phase));
                phase
            }
        };
        let [f0, f1, f2] = match track.block {
            Some((at, values)) if at == block => values,
            _ => {
                let values = knots_of(block);
                track.block = Some((block, values));
                values
            }
        };
        let u = elapsed_in / BLOCK - block as f64;
        let (linear, square) = (-3.0 * f0 + 4.0 * f1 - f2, 2.0 * f0 - 4.0 * f1 + 2.0 * f2);
        let frequency = f0 + u * (linear + u * square);
        let mut rest = start.rest + BLOCK * u * (f0 + u * (linear / 2.0 + u * square / 3.0));
        // A node just before the stretch is only there to draw the first samples.
        rest += elapsed.min(0.0) * f0;
        (
            Phase {
                whole: start.whole,
                rest,
            },
            frequency,
        )
    }

    fn learn(&self, known: &mut Known, stretch: &Stretch, knots: usize) {
        for knot in known.knots.len()..knots {
            let t = stretch.start() + knot as f64 * KNOT;
            known.knots.push((
                self.surroundings(stretch, t),
                self.interface.line(&self.room, t),
            ));
        }
    }

    fn glide(&self, stretch: &Stretch, held: &Held) -> Glide {
        let far = if held.slew > 0.0 && held.before != held.volts {
            LN_2 * self.slope(stretch, held.volts, held.since) * (held.before - held.volts)
        } else {
            0.0
        };
        Glide {
            far,
            slew: held.slew,
            since: held.since,
        }
    }
}

/// The slope by least squares of `sin(2 pi f t)` over a window with its middle at
/// nought: `12 / w^3` times the integral of `t sin(2 pi f t)`.
#[must_use]
pub fn slope_of_sine(f: f64, window: f64) -> f64 {
    let turn = TAU * f;
    let (sine, cosine) = libm::sincos(0.5 * turn * window);
    let integral = 2.0 * (sine / (turn * turn) - 0.5 * window * cosine / turn);
    12.0 / (window * window * window) * integral
}

/// The way from one note to the next: an exponential approach of the voltage.
struct Glide {
    /// How far it began, as a natural logarithm of frequency.
    far: f64,
    slew: f64,
    since: f64,
}

impl Glide {
    /// The phase that is still to be made up, in cycles per hertz of the note
    /// reached. With f(s) = f exp(a exp(-s/tau)), the integral of f(s) - f from s
    /// onwards is f tau sum_k a^k exp(-k s/tau) / (k k!); minus that, it vanishes
    /// once the note is reached.
    fn at(&self, t: f64) -> f64 {
        if self.far == 0.0 {
            return 0.0;
        }
        let passed = ((t - self.since) / self.slew).max(0.0);
        if passed > 60.0 {
            return 0.0;
        }
        let left = self.far * libm::exp(-passed);
        let (mut term, mut sum) = (1.0, 0.0);
        for k in 1..80 {
            let k = f64::from(k);
            term *= left / k;
            sum += term / k;
            if (term / k).abs() < 1e-18 * f64::abs(sum) {
                break;
            }
        }
        -self.slew * sum
    }
}

impl Cache {
    fn stretch(&mut self, began: i64) -> &mut Known {
        let at = match self.stretches.iter().position(|known| known.began == began) {
            Some(at) => at,
            None => {
                if self.stretches.len() >= 4 {
                    self.stretches.remove(0);
                }
                self.stretches.push(Known {
                    began,
                    knots: Vec::new(),
                    tracks: HashMap::new(),
                });
                self.stretches.len() - 1
            }
        };
        &mut self.stretches[at]
    }
}
