//! Warmth: a room over a night, and parts that warm in series while power is on.
//! Everything is in closed form, so a temperature depends on nothing but the time
//! and the power log.

use crate::noise::Source;
use model::document::simulated::{Room as RoomModel, ThermalMass};
use std::f64::consts::TAU;

/// Kelvin at zero degrees Celsius.
pub const ZERO_CELSIUS: f64 = 273.15;

/// A swing of the room: angular frequency (1/s), and the weights (K) of sine and
/// cosine.
#[derive(Debug, Clone, Copy)]
struct Swing {
    omega: f64,
    sine: f64,
    cosine: f64,
}

/// The air of the room, in degrees Celsius over the time of the run.
#[derive(Debug, Clone)]
pub struct Room {
    mean: f64,
    swings: Vec<Swing>,
}

/// Waves that make up the wander, their periods spread from 8 minutes to 8 hours.
const WAVES: u32 = 14;

impl Room {
    /// The room of a rig.
    #[must_use]
    pub fn new(room: &RoomModel, seed: u64) -> Self {
        let source = Source::new(seed, "room");
        let mut swings = vec![Swing {
            omega: TAU / room.period.get().max(60.0),
            sine: -room.swing.get(),
            cosine: 0.0,
        }];
        let periods: Vec<f64> = (0..WAVES)
            .map(|wave| {
                let place =
                    (f64::from(wave) + source.uniform(u64::from(wave) * 2)) / f64::from(WAVES);
                480.0 * libm::exp2(place * 5.9)
            })
            .collect();
        // Amplitudes grow with the root of the period: what a door does is small,
        // what the weather does is not.
        let power: f64 = periods.iter().map(|period| period / 2.0).sum();
        for (wave, period) in periods.iter().enumerate() {
            let amplitude = room.wander.get() * (period / power).sqrt();
            let phase = TAU * source.uniform(wave as u64 * 2 + 1);
            swings.push(Swing {
                omega: TAU / period,
                sine: amplitude * libm::cos(phase),
                cosine: amplitude * libm::sin(phase),
            });
        }
        let at_start: f64 = swings.iter().map(|swing| swing.cosine).sum();
        Self {
            mean: room.temperature.get() - at_start,
            swings,
        }
    }
    /// The temperature of the air, in degrees Celsius.
    #[must_use]
    pub fn celsius(&self, t: f64) -> f64 {
        self.followed(t, &[])[0]
    }
    /// The temperatures (degrees Celsius) of the air and of parts that follow it
    /// one after the other with these time constants (s), without any power.
    #[must_use]
    pub fn followed(&self, t: f64, times: &[f64]) -> Vec<f64> {
        let mut all = vec![self.mean; times.len() + 1];
        for swing in &self.swings {
            let (sine, cosine) = libm::sincos(swing.omega * t);
            let mut re = swing.sine * sine + swing.cosine * cosine;
            let mut im = swing.cosine * sine - swing.sine * cosine;
            // The swing is the real part of (re + i im) turning as exp(i omega t);
            // the steady answer of a first-order lag is 1 / (1 + i omega tau).
            all[0] += re;
            for (part, tau) in all[1..].iter_mut().zip(times) {
                let lag = swing.omega * tau;
                let damping = 1.0 / (1.0 + lag * lag);
                (re, im) = ((re + lag * im) * damping, (im - lag * re) * damping);
                *part += re;
            }
        }
        all
    }
}

/// Parts in series, from the case to the pair. Each follows the one before it and
/// is too small to warm it back, which is the limit of a ladder whose heat
/// capacities fall steeply inwards.
#[derive(Debug, Clone)]
pub struct Masses {
    times: Vec<f64>,
    /// For each part: what it rises in the end, and the weight of each time
    /// constant in the way there.
    answers: Vec<(f64, Vec<f64>)>,
}

impl Masses {
    /// Parts with time constants and rises.
    #[must_use]
    pub fn new(masses: &[ThermalMass]) -> Self {
        let mut times: Vec<f64> = Vec::new();
        for mass in masses {
            let mut time = mass.time.get().max(1e-3);
            // Equal time constants have a closed form of their own; a difference of
            // a thousandth does as well.
            while times.iter().any(|other| (other / time - 1.0).abs() < 1e-3) {
                time *= 1.002;
            }
            times.push(time);
        }
        let answers = (0..masses.len())
            .map(|part| {
                let mut end = 0.0;
                let mut weights = vec![0.0; part + 1];
                for (source, mass) in masses.iter().enumerate().take(part + 1) {
                    let rise = mass.rise.get();
                    end += rise;
                    // Partial fractions of prod 1/(1 + s tau_j), j = source..=part.
                    for j in source..=part {
                        let weight: f64 = (source..=part)
                            .filter(|k| *k != j)
                            .map(|k| times[j] / (times[j] - times[k]))
                            .product();
                        weights[j] += rise * weight;
                    }
                }
                (end, weights)
            })
            .collect();
        Self { times, answers }
    }
    /// The time constants, outside first.
    #[must_use]
    pub fn times(&self) -> &[f64] {
        &self.times
    }
    /// How much warmer (K) each part is, `elapsed` seconds after power came on for
    /// good; nothing before.
    #[must_use]
    pub fn rises(&self, elapsed: f64) -> Vec<f64> {
        if elapsed <= 0.0 {
            return vec![0.0; self.times.len()];
        }
        let left: Vec<f64> = self
            .times
            .iter()
            .map(|tau| libm::exp(-elapsed / tau))
            .collect();
        self.answers
            .iter()
            .map(|(end, weights)| {
                end - weights
                    .iter()
                    .zip(&left)
                    .map(|(weight, left)| weight * left)
                    .sum::<f64>()
            })
            .collect()
    }
    /// The temperatures (degrees Celsius) of the air and of each part at a time,
    /// after the changes of power (a fraction of full power) listed with the times
    /// at which they came.
    #[must_use]
    pub fn celsius(&self, room: &Room, changes: &[(f64, f64)], t: f64) -> Vec<f64> {
        let mut all = room.followed(t, &self.times);
        for (at, change) in changes {
            for (part, rise) in all[1..].iter_mut().zip(self.rises(t - at)) {
                *part += change * rise;
            }
        }
        all
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use model::quantity::{Celsius, Kelvin, Seconds};

    fn masses(list: &[(f64, f64)]) -> Masses {
        let list: Vec<ThermalMass> = list
            .iter()
            .map(|&(time, rise)| ThermalMass {
                time: Seconds::of(time),
                rise: Kelvin::of(rise),
            })
            .collect();
        Masses::new(&list)
    }

    #[test]
    fn one_mass_warms_as_a_first_order_step() {
        // Standard table of the first-order step (check: 1 - exp(-n), any text on
        // control; computed): 63.212056, 86.466472, 95.021293, 98.168436, 99.326205 %.
        let one = masses(&[(300.0, 100.0)]);
        for (n, percent) in [
            (1.0, 63.212_056),
            (2.0, 86.466_472),
            (3.0, 95.021_293),
            (4.0, 98.168_436),
            (5.0, 99.326_205),
        ] {
            assert!((one.rises(300.0 * n)[0] - percent).abs() < 1e-6, "{n}");
        }
        // Half way at ln 2, from 20 left to 1 left in ln 20 time constants.
        assert!((one.rises(300.0 * std::f64::consts::LN_2)[0] - 50.0).abs() < 1e-9);
        let left = |n: f64| 100.0 - one.rises(300.0 * n)[0];
        assert!((left(1.0) / left(1.0 + 2.995_732) - 20.0).abs() < 1e-4);
    }

    #[test]
    fn the_closed_form_agrees_with_small_steps() {
        let three = [(900.0, 6.0), (120.0, 3.0), (20.0, 1.0)];
        let closed = masses(&three);
        let room = Room::new(
            &RoomModel {
                temperature: Celsius::of(20.0),
                swing: Kelvin::ZERO,
                wander: Kelvin::ZERO,
                ..RoomModel::default()
            },
            1,
        );
        // On at 100 s, off at 1500 s, on at 1800 s: Euler with 0.01 s.
        let changes = [(100.0, 1.0), (1500.0, -1.0), (1800.0, 1.0)];
        let mut parts = [20.0; 3];
        let step = 0.01;
        for at in 0..300_000 {
            let t = f64::from(at) * step;
            let on = (100.0..1500.0).contains(&t) || t >= 1800.0;
            let mut around = 20.0;
            for (part, (tau, rise)) in parts.iter_mut().zip(three) {
                let before = *part;
                let target = around + if on { rise } else { 0.0 };
                *part += (target - *part) * step / tau;
                around = before;
            }
        }
        let found = closed.celsius(&room, &changes, 3000.0);
        for (part, found) in parts.iter().zip(&found[1..]) {
            assert!((part - found).abs() < 2e-3, "{part} {found}");
        }
    }

    #[test]
    fn a_part_follows_a_slow_room_late() {
        // A first-order lag turns a swing by atan(omega tau) and damps it by
        // 1 / sqrt(1 + (omega tau)^2).
        let room = Room::new(
            &RoomModel {
                temperature: Celsius::of(20.0),
                swing: Kelvin::of(2.0),
                period: Seconds::of(3600.0),
                wander: Kelvin::ZERO,
                ..RoomModel::default()
            },
            1,
        );
        let omega = TAU / 3600.0;
        let tau = 600.0;
        let (damping, late) = (
            1.0 / (1.0 + (omega * tau).powi(2)).sqrt(),
            (omega * tau).atan(),
        );
        for t in [0.0, 500.0, 1234.0, 9999.0] {
            let expected = 20.0 - 2.0 * damping * (omega * t - late).sin();
            assert!((room.followed(t, &[tau])[1] - expected).abs() < 1e-9);
        }
    }

    #[test]
    fn the_wander_has_the_size_asked_for_and_begins_where_asked() {
        let model = RoomModel {
            swing: Kelvin::ZERO,
            wander: Kelvin::of(0.5),
            ..RoomModel::default()
        };
        let mut square = 0.0;
        for seed in 0..20 {
            let room = Room::new(&model, seed);
            assert!((room.celsius(0.0) - 21.0).abs() < 1e-9);
            square += (0..200)
                .map(|at| (room.celsius(f64::from(at) * 600.0) - room.mean).powi(2))
                .sum::<f64>();
        }
        let rms = (square / 4000.0).sqrt();
        assert!((rms - 0.5).abs() < 0.05, "{rms}");
    }
}
