//! Random cases by category.

use super::{Dice, Motion, Wave, render};
use std::f64::consts::PI;

/// A window with known mean frequency.
pub struct Case {
    pub rate: f64,
    pub seconds: f64,
    pub truth: f64,
    pub samples: Vec<f32>,
    pub story: String,
}

fn any_wave(dice: &mut Dice) -> (String, Wave) {
    match dice.next() % 5 {
        0 => ("saw".into(), Wave::saw()),
        1 => {
            let duty = dice.between(0.04, 0.5);
            (format!("pulse {duty:.2}"), Wave::pulse(duty))
        }
        2 => ("triangle".into(), Wave::triangle()),
        3 => ("sine".into(), Wave::sine()),
        _ => {
            let (drive, offset) = (dice.between(0.5, 6.0), dice.between(0.1, 1.2));
            (
                format!("folded {drive:.2} {offset:.2}"),
                Wave::folded(drive, offset),
            )
        }
    }
}

impl Case {
    pub const CATEGORIES: [&'static str; 23] = [
        "saw",
        "pulse",
        "triangle",
        "sine",
        "folded",
        "any",
        "low",
        "high",
        "noisy",
        "drift",
        "offset",
        "hum",
        "weak fundamental",
        "even harmonics",
        "clipped",
        "jitter",
        "rates",
        "naive",
        "pink noise",
        "hum at harmonic",
        "hum, few periods",
        "fast drift",
        "level",
    ];

    pub fn periods(&self) -> f64 {
        self.truth * self.seconds
    }

    pub fn draw(category: &str, dice: &mut Dice) -> Self {
        let mut rate = 48_000.0;
        let seconds = 0.5;
        let (mut name, mut wave) = any_wave(dice);
        let mut hertz = dice.log_between(24.0, 10_000.0);
        let mut decibels = dice.between(20.0, 80.0);
        let mut motion = Motion::steady(1.0);
        motion.start = dice.unit();
        let (mut offset, mut hum, mut limit, mut wander, mut jitter) = (0.0, 0.0, 4.0, 0.0, 0.0);
        let (mut naive, mut pink, mut swell) = (None, false, 0.0);
        match category {
            "saw" => (name, wave) = ("saw".into(), Wave::saw()),
            "pulse" => {
                let duty = dice.between(0.02, 0.5);
                (name, wave) = (format!("pulse {duty:.3}"), Wave::pulse(duty));
            }
            "triangle" => (name, wave) = ("triangle".into(), Wave::triangle()),
            "sine" => (name, wave) = ("sine".into(), Wave::sine()),
            "folded" => {
                let (drive, offset) = (dice.between(0.5, 8.0), dice.between(0.0, PI / 2.0));
                // No fundamental at all is another tone, an octave up.
                let offset = if offset > 1.53 { 1.5 } else { offset };
                (name, wave) = (
                    format!("folded {drive:.2} {offset:.2}"),
                    Wave::folded(drive, offset),
                );
            }
            "low" => hertz = dice.log_between(8.0, 30.0),
            "high" => hertz = dice.log_between(8_000.0, 20_000.0),
            "noisy" => decibels = dice.between(10.0, 20.0),
            "drift" => {
                motion.per_second = dice.between(-25.0, 25.0) / 1731.2;
                motion.per_second_squared = dice.between(-10.0, 10.0) / 1731.2;
            }
            "offset" => offset = dice.between(-2.0, 2.0),
            "hum" => hum = 10_f64.powf(-dice.between(10.0, 50.0) / 20.0),
            "weak fundamental" => {
                let level = 10_f64.powf(-dice.between(10.0, 60.0) / 20.0);
                wave = Wave::saw().with(1, level);
                name = format!("saw with fundamental {:.1} dB", 20.0 * level.log10());
            }
            "even harmonics" => {
                let level = 10_f64.powf(-dice.between(0.0, 36.0) / 20.0);
                for (h, (amplitude, phase)) in wave.0.iter_mut().enumerate() {
                    // Index 0 is the fundamental.
                    if h % 2 == 0 {
                        *amplitude *= level;
                    } else {
                        *amplitude += 0.5 / ((h + 1) * (h + 1)) as f64;
                        *phase = dice.unit();
                    }
                }
                name = format!("{name} with odd harmonics {:.1} dB", 20.0 * level.log10());
            }
            "clipped" => limit = dice.between(0.6, 1.4),
            "jitter" => {
                wander = 10_f64.powf(dice.between(-5.0, -3.0));
                jitter = 10_f64.powf(dice.between(-6.0, -4.0));
            }
            "rates" => {
                rate =
                    [44_100.0, 48_000.0, 88_200.0, 96_000.0, 192_000.0][(dice.next() % 5) as usize]
            }
            // Switched between samples: images of all harmonics above half the rate.
            "naive" => {
                let duty = dice.between(0.1, 0.9);
                naive = Some((dice.next().is_multiple_of(2), duty));
                name = format!("naive saw or pulse {naive:?}");
                hertz = dice.log_between(24.0, 4_000.0);
            }
            "pink noise" => {
                pink = true;
                hertz = dice.log_between(40.0, 4_000.0);
            }
            "hum at harmonic" => {
                hum = 10_f64.powf(-dice.between(20.0, 50.0) / 20.0);
                let mains = if dice.next().is_multiple_of(2) {
                    50.0
                } else {
                    60.0
                };
                // Within a resolution of the window of a line or a fraction of one.
                let line = mains * (1 + dice.next() % 6) as f64 / (1 + dice.next() % 3) as f64;
                hertz = line.max(24.0) + dice.between(-2.0, 2.0);
            }
            "hum, few periods" => {
                hum = 10_f64.powf(-dice.between(6.0, 30.0) / 20.0);
                hertz = dice.between(8.5, 24.0);
            }
            "fast drift" => {
                motion.per_second = dice.between(-100.0, 100.0) / 1731.2;
                motion.per_second_squared = dice.between(-100.0, 100.0) / 1731.2;
            }
            // The level changes across the window by up to 3 dB.
            "level" => swell = dice.between(-0.15, 0.15),
            _ => {}
        }
        motion.hertz = hertz;
        motion.per_second *= hertz;
        motion.per_second_squared *= hertz;
        let count = (rate * seconds) as usize;
        // A random walk of phase (cycles per square root of a period), and jitter of
        // each period, held for it.
        let mut walk = vec![0.0; count + 1];
        let step = wander * (hertz / rate).sqrt();
        for n in 0..count {
            walk[n + 1] = if step > 0.0 {
                walk[n] + step * dice.normal()
            } else {
                0.0
            };
        }
        let shakes: Vec<f64> = (0..(hertz * seconds * 1.1) as usize + 3)
            .map(|_| {
                if jitter > 0.0 {
                    jitter * dice.normal()
                } else {
                    0.0
                }
            })
            .collect();
        let phase = |n: usize| motion.phase(n as f64 / rate) + walk[n];
        let clean = if let Some((saw, duty)) = naive {
            let power = if saw {
                1.0 / 3.0
            } else {
                4.0 * duty * (1.0 - duty)
            };
            let scale = 1.0 / f64::sqrt(power);
            let mean = if saw { 0.0 } else { 2.0 * duty - 1.0 };
            (0..count)
                .map(|n| {
                    let p = phase(n) - phase(n).floor();
                    let level = if saw {
                        2.0 * p - 1.0
                    } else {
                        f64::from(p < duty) * 2.0 - 1.0
                    };
                    scale * (level - mean)
                })
                .collect()
        } else {
            render(
                &wave,
                rate,
                count,
                motion.highest(seconds).max(hertz) * 1.0001,
                |n| {
                    let phase = phase(n);
                    phase + shakes.get(phase.max(0.0) as usize).copied().unwrap_or(0.0)
                },
            )
        };
        let truth = (motion.phase(seconds) + walk[count] - motion.phase(0.0)) / seconds;
        let sigma = 10_f64.powf(-decibels / 20.0);
        let mains = if dice.next().is_multiple_of(2) {
            50.0
        } else {
            60.0
        };
        let lines: Vec<(f64, f64, f64)> = (1..8)
            .map(|k| (mains * f64::from(k), hum / f64::from(k * k), dice.unit()))
            .collect();
        let gain = if category == "clipped" { 0.7 } else { 0.25 };
        // Noise of 1/f: poles a factor of four apart, each with a zero between.
        let mut states = [0.0_f64; 7];
        let samples = clean
            .iter()
            .enumerate()
            .map(|(n, x)| {
                let t = n as f64 / rate;
                let noise = if pink {
                    let white = dice.normal();
                    let mut pole = 0.5;
                    let mut sum = 0.0;
                    for state in &mut states {
                        *state += pole * (white - *state);
                        sum += *state / pole.sqrt() * 0.5;
                        pole /= 4.0;
                    }
                    sum / 1.5
                } else {
                    dice.normal()
                };
                let mut y = x * (1.0 + swell * (2.0 * t / seconds - 1.0)) + sigma * noise;
                if hum > 0.0 {
                    y += lines
                        .iter()
                        .map(|(f, a, p)| a * 2.0_f64.sqrt() * (2.0 * PI * (f * t + p)).sin())
                        .sum::<f64>();
                }
                ((gain * y).clamp(-0.7 * limit, 0.7 * limit).clamp(-1.0, 1.0) + offset * 0.1) as f32
            })
            .collect();
        Self {
            rate,
            seconds,
            truth,
            samples,
            story: format!(
                "{name} {hertz:.3} Hz {decibels:.0} dB drift {:.1} offset {offset:.2} hum {:.0} dB at {mains} wander {wander:.1e} jitter {jitter:.1e}",
                motion.per_second / hertz * 1731.2,
                20.0 * hum.max(1e-9).log10(),
            ),
        }
    }
}
