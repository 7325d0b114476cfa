//! Waves: from phases at the nodes of a grid to samples without aliases.

use crate::bandlimit::{REACH, Residuals};
use model::document::simulated::Waveform;
use std::f64::consts::{FRAC_PI_2, TAU};

/// A wave of unit rms and no mean.
#[derive(Debug, Clone)]
pub enum Wave {
    /// Straight lines with steps and corners between them.
    Lines(Vec<Line>),
    /// Few harmonics: sine and cosine weight of each, from the first.
    Harmonics(Vec<(f64, f64)>),
}

/// A straight line of a wave: from which part of the cycle on, the value there,
/// and the slope per cycle.
#[derive(Debug, Clone, Copy)]
pub struct Line {
    from: f64,
    value: f64,
    slope: f64,
}

/// Harmonics below this are left out.
const NOTHING: f64 = 1e-6;
/// Cycles a frame beyond which a wave is not drawn: all of it lies far above the band.
const FASTEST: f64 = 4.0;
/// Points of a cycle from which the harmonics of a folded wave are worked out.
const POINTS: usize = 512;

impl Wave {
    /// The wave of a unit.
    #[must_use]
    pub fn new(shape: Waveform) -> Self {
        let line = |from, value, slope| Line { from, value, slope };
        match shape {
            Waveform::Saw => {
                let size = 3_f64.sqrt();
                Self::Lines(vec![line(0.0, -size, 2.0 * size)])
            }
            Waveform::Pulse { duty } => {
                let duty = duty.get().clamp(0.01, 0.99);
                // Without its mean: high 2 (1 - d), low -2 d; rms 2 sqrt(d (1 - d)).
                let rms = (duty * (1.0 - duty)).sqrt();
                Self::Lines(vec![
                    line(0.0, (1.0 - duty) / rms, 0.0),
                    line(duty, -duty / rms, 0.0),
                ])
            }
            Waveform::Triangle => {
                let size = 3_f64.sqrt();
                Self::Lines(vec![
                    line(0.0, -size, 4.0 * size),
                    line(0.5, size, -4.0 * size),
                ])
            }
            Waveform::Sine => Self::Harmonics(vec![(2_f64.sqrt(), 0.0)]),
            Waveform::Folded { drive, asymmetry } => Self::folded(drive, asymmetry),
        }
    }

    /// sin(drive sin x + asymmetry): its harmonics are Bessel functions of the
    /// drive (Jacobi and Anger) and die out quickly, so a small transform has them.
    fn folded(drive: f64, asymmetry: f64) -> Self {
        let drive = if drive.is_finite() {
            drive.clamp(0.1, 8.0)
        } else {
            1.0
        };
        let asymmetry = if asymmetry.is_finite() {
            asymmetry
        } else {
            0.0
        };
        let value = |point: usize| {
            libm::sin(drive * libm::sin(TAU * point as f64 / POINTS as f64) + asymmetry)
        };
        let values: Vec<f64> = (0..POINTS).map(value).collect();
        let mut harmonics: Vec<(f64, f64)> = (1..64)
            .map(|h| {
                values
                    .iter()
                    .enumerate()
                    .fold((0.0, 0.0), |(sine, cosine), (point, value)| {
                        let angle = TAU * ((h * point) % POINTS) as f64 / POINTS as f64;
                        let (s, c) = libm::sincos(angle);
                        let weight = 2.0 * value / POINTS as f64;
                        (sine + weight * s, cosine + weight * c)
                    })
            })
            .collect();
        let power: f64 = harmonics.iter().map(|(s, c)| (s * s + c * c) / 2.0).sum();
        let scale = 1.0 / power.max(1e-30).sqrt();
        for (sine, cosine) in &mut harmonics {
            *sine *= scale;
            *cosine *= scale;
        }
        while harmonics
            .last()
            .is_some_and(|(s, c)| s.abs() < NOTHING && c.abs() < NOTHING)
        {
            harmonics.pop();
        }
        Self::Harmonics(harmonics)
    }

    /// Power of harmonics weighted with their number squared, up to harmonic
    /// `highest`: what the Cramer-Rao bound of a frequency is made of
    /// (sum of h^2 A_h^2, with A_h the amplitude).
    #[must_use]
    pub fn information(&self, highest: usize) -> f64 {
        match self {
            Self::Harmonics(harmonics) => harmonics
                .iter()
                .take(highest)
                .enumerate()
                .map(|(at, (s, c))| ((at + 1) as f64).powi(2) * (s * s + c * c))
                .sum(),
            Self::Lines(lines) => (1..=highest.min(400))
                .map(|h| {
                    let h = h as f64;
                    let (mut re, mut im) = (0.0, 0.0);
                    for (edge, line) in lines.iter().enumerate() {
                        let (step, corner) = self.change(lines, edge);
                        let (s, c) = libm::sincos(TAU * h * line.from);
                        let w = TAU * h;
                        // Coefficient of a step: 1/(i w); of a corner: 1/(i w)^2.
                        re += -step * s / w - corner * c / (w * w);
                        im += -step * c / w + corner * s / (w * w);
                    }
                    h * h * 4.0 * (re * re + im * im)
                })
                .sum(),
        }
    }

    /// The step and the change of slope at the beginning of a line.
    fn change(&self, lines: &[Line], edge: usize) -> (f64, f64) {
        let line = lines[edge];
        let (before, end) = if edge == 0 {
            (lines[lines.len() - 1], 1.0)
        } else {
            (lines[edge - 1], line.from)
        };
        let reached = before.value + before.slope * (end - before.from);
        (line.value - reached, line.slope - before.slope)
    }

    /// The samples of frames `first..first + samples.len()`, unit rms times `size`.
    /// `phases` are cycles at nodes `nodes.first..` of `nodes.per_second`, the
    /// frames come at `rate` per second; both count from the same moment.
    pub fn draw(&self, samples: &mut [f32], first: u64, rate: f64, nodes: &Nodes<'_>, size: f64) {
        match self {
            Self::Lines(lines) => self.draw_lines(lines, samples, first, rate, nodes, size),
            Self::Harmonics(harmonics) => {
                draw_harmonics(harmonics, samples, first, rate, nodes, size);
            }
        }
    }

    fn draw_lines(
        &self,
        lines: &[Line],
        samples: &mut [f32],
        first: u64,
        rate: f64,
        nodes: &Nodes<'_>,
        size: f64,
    ) {
        samples.fill(0.0);
        let residuals = Residuals::table();
        let changes: Vec<(f64, f64)> = (0..lines.len())
            .map(|edge| self.change(lines, edge))
            .collect();
        let length = samples.len() as i64;
        // Which line the phase is on at the first node.
        let mut cycle = nodes.phases[0].floor();
        let mut on = lines
            .iter()
            .rposition(|line| cycle + line.from <= nodes.phases[0])
            .unwrap_or(0);
        for (block, pair) in nodes.phases.windows(2).enumerate() {
            let (begin, end) = nodes.block(block, first, rate);
            let slope = (pair[1] - pair[0]) / (end - begin);
            // Far above what the input can hear, and what only a mistake in a rig file makes:
            // no sound, rather than each of its edges.
            if slope.is_nan() || slope.abs() > FASTEST {
                cycle = pair[1].floor();
                on = 0;
                continue;
            }
            let mut next = (begin.ceil() as i64).clamp(0, length);
            let last = (end.ceil() as i64).clamp(0, length);
            let mut fill = |from: i64, to: i64, line: Line, cycle: f64| {
                if from >= to {
                    return;
                }
                let step = line.slope * slope * size;
                let phase = pair[0] + (from as f64 - begin) * slope - cycle - line.from;
                let start = size * line.value + size * line.slope * phase;
                for (at, sample) in samples[from as usize..to as usize].iter_mut().enumerate() {
                    *sample += (start + step * at as f64) as f32;
                }
            };
            let mut edges = Vec::new();
            loop {
                let (edge, edge_cycle) = if on + 1 < lines.len() {
                    (on + 1, cycle)
                } else {
                    (0, cycle + 1.0)
                };
                let phase = edge_cycle + lines[edge].from;
                if slope <= 0.0 || phase > pair[1] {
                    break;
                }
                let place = begin + (phase - pair[0]) / slope;
                let at = place.ceil();
                let sample = (at as i64).clamp(next, last);
                fill(next, sample, lines[on], cycle);
                next = sample;
                edges.push((at as i64, at - place, edge));
                (on, cycle) = (edge, edge_cycle);
            }
            fill(next, last, lines[on], cycle);
            for (at, late, edge) in edges {
                let (step, corner) = changes[edge];
                if step != 0.0 {
                    residuals.add_step(samples, at, late, step * size);
                }
                if corner != 0.0 {
                    residuals.add_corner(samples, at, late, corner * slope * size);
                }
            }
        }
    }
}

/// Phases at the nodes of a grid.
#[derive(Debug, Clone, Copy)]
pub struct Nodes<'a> {
    /// The first node.
    pub first: u64,
    /// Nodes in a second.
    pub per_second: u64,
    /// The phase at each, in cycles.
    pub phases: &'a [f64],
}

impl Nodes<'_> {
    /// The nodes needed for frames from `first` on, `frames` of them.
    #[must_use]
    pub fn needed(first: u64, frames: usize, rate: f64, per_second: u64) -> (u64, u64) {
        let reach = REACH as f64 + 2.0;
        let node = |frame: f64| frame / rate * per_second as f64;
        let begin = node(first as f64 - reach).floor().max(0.0);
        let end = node(first as f64 + frames as f64 + reach).ceil();
        (begin as u64, end.max(begin + 1.0) as u64)
    }
    /// Where a block begins and ends, in frames from `first`.
    fn block(&self, block: usize, first: u64, rate: f64) -> (f64, f64) {
        let frame = |node: u64| node as f64 * rate / self.per_second as f64 - first as f64;
        let node = self.first + block as u64;
        (frame(node), frame(node + 1))
    }
}

/// The sine of a number of turns between 0 and 1, to 1e-12: the same on every
/// machine, and quick.
#[must_use]
pub fn sine(turns: f64) -> f64 {
    // To a quarter turn either side of zero, then Taylor.
    let mut x = turns - turns.floor();
    if x > 0.75 {
        x -= 1.0;
    } else if x > 0.25 {
        x = 0.5 - x;
    }
    let x = x * 4.0 * FRAC_PI_2;
    let s = x * x;
    x * (1.0
        + s * (-1.0 / 6.0
            + s * (1.0 / 120.0
                + s * (-1.0 / 5040.0
                    + s * (1.0 / 362_880.0
                        + s * (-1.0 / 39_916_800.0
                            + s * (1.0 / 6_227_020_800.0
                                + s * (-1.0 / 1_307_674_368_000.0
                                    + s / 355_687_428_096_000.0))))))))
}

fn draw_harmonics(
    harmonics: &[(f64, f64)],
    samples: &mut [f32],
    first: u64,
    rate: f64,
    nodes: &Nodes<'_>,
    size: f64,
) {
    let length = samples.len() as i64;
    for (block, pair) in nodes.phases.windows(2).enumerate() {
        let (begin, end) = nodes.block(block, first, rate);
        let slope = (pair[1] - pair[0]) / (end - begin);
        let from = (begin.ceil() as i64).clamp(0, length);
        let to = (end.ceil() as i64).clamp(0, length);
        // Harmonics fade out towards half the rate, as the filter before a sampler does.
        let weights: Vec<(f64, f64)> = harmonics
            .iter()
            .enumerate()
            .map(|(at, (s, c))| {
                let place = (at + 1) as f64 * slope;
                let fade = ((0.49 - place) / 0.05).clamp(0.0, 1.0);
                (s * fade * size, c * fade * size)
            })
            .collect();
        for at in from..to {
            let turns = pair[0] + (at as f64 - begin) * slope;
            let (s, c) = (sine(turns), sine(turns + 0.25));
            let (mut hs, mut hc) = (s, c);
            let mut value = 0.0;
            for (sine_weight, cosine_weight) in &weights {
                value += sine_weight * hs + cosine_weight * hc;
                (hs, hc) = (hs * c + hc * s, hc * c - hs * s);
            }
            samples[at as usize] = value as f32;
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use model::quantity::Fraction;

    #[test]
    fn the_sine_is_a_sine() {
        for at in -2000..2000 {
            let turns = f64::from(at) * 0.001_37;
            assert!((sine(turns) - (TAU * turns).sin()).abs() < 2e-12, "{turns}");
        }
    }

    #[test]
    fn information_of_waves_of_unit_rms() {
        // Fourier series (any text): saw A_h = 2 sqrt(3) / (pi h), square
        // 4 / (pi h) for odd h, triangle 8 sqrt(3) / (pi h)^2 for odd h.
        let pi2 = std::f64::consts::PI.powi(2);
        let saw = Wave::new(Waveform::Saw).information(10);
        assert!((saw - 10.0 * 12.0 / pi2).abs() < 1e-9, "{saw}");
        let duty = Fraction::of(0.5);
        let square = Wave::new(Waveform::Pulse { duty }).information(10);
        assert!((square - 5.0 * 16.0 / pi2).abs() < 1e-9, "{square}");
        let triangle = Wave::new(Waveform::Triangle).information(3);
        let expected = 192.0 / (pi2 * pi2) * (1.0 + 1.0 / 9.0);
        assert!((triangle - expected).abs() < 1e-9, "{triangle}");
        let sine = Wave::new(Waveform::Sine).information(9);
        assert!((sine - 2.0).abs() < 1e-9, "{sine}");
    }

    #[test]
    fn a_folded_sine_has_bessel_harmonics() {
        // sin(a sin x) = 2 sum J_(2k+1)(a) sin((2k+1) x) (Jacobi and Anger); ratio
        // J_3(2)/J_1(2) = 0.128943 / 0.576725 (Abramowitz and Stegun, table 9.1 f.;
        // from memory).
        let Wave::Harmonics(harmonics) = Wave::new(Waveform::Folded {
            drive: 2.0,
            asymmetry: 0.0,
        }) else {
            panic!("harmonics");
        };
        assert!(harmonics[1].0.abs() < 1e-9);
        let ratio = harmonics[2].0 / harmonics[0].0;
        assert!((ratio - 0.128_943 / 0.576_725).abs() < 2e-6, "{ratio}");
    }
}
