//! Band-limited test tones with exactly known frequency, from seeds.
#![allow(dead_code)] // Each test binary uses its own part of this.

mod case;
#[allow(unused_imports)] // Nor this.
pub use case::Case;

use std::f64::consts::PI;

/// A small generator of random numbers (splitmix64; Steele, Lea and Flood 2014).
pub struct Dice(u64);

impl Dice {
    pub fn new(seed: u64) -> Self {
        Self(seed.wrapping_mul(0x9E37_79B9_7F4A_7C15) ^ 0x5851_F42D_4C95_7F2D)
    }
    pub fn next(&mut self) -> u64 {
        self.0 = self.0.wrapping_add(0x9E37_79B9_7F4A_7C15);
        let mut z = self.0;
        z = (z ^ (z >> 30)).wrapping_mul(0xBF58_476D_1CE4_E5B9);
        z = (z ^ (z >> 27)).wrapping_mul(0x94D0_49BB_1331_11EB);
        z ^ (z >> 31)
    }
    /// Uniform in [0, 1).
    pub fn unit(&mut self) -> f64 {
        (self.next() >> 11) as f64 / (1_u64 << 53) as f64
    }
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }
    pub fn log_between(&mut self, low: f64, high: f64) -> f64 {
        (self.between(low.ln(), high.ln())).exp()
    }
    /// Two of the normal distribution (Box and Muller).
    pub fn normals(&mut self) -> (f64, f64) {
        let radius = (-2.0 * (1.0 - self.unit()).ln()).sqrt();
        let (sine, cosine) = (2.0 * PI * self.unit()).sin_cos();
        (radius * cosine, radius * sine)
    }
    pub fn normal(&mut self) -> f64 {
        self.normals().0
    }
}

/// A waveform by the amplitudes and phases (cycles) of its harmonics.
#[derive(Clone, Debug)]
pub struct Wave(pub Vec<(f64, f64)>);

/// More harmonics than any tone here can carry.
const MANY: usize = 3000;

impl Wave {
    pub fn sine() -> Self {
        Self(vec![(1.0, 0.0)])
    }
    pub fn saw() -> Self {
        Self((1..MANY).map(|h| (1.0 / h as f64, 0.0)).collect())
    }
    pub fn pulse(duty: f64) -> Self {
        Self(
            (1..MANY)
                .map(|h| ((PI * h as f64 * duty).sin() / h as f64, 0.25))
                .collect(),
        )
    }
    pub fn triangle() -> Self {
        Self(
            (1..MANY)
                .map(|h| {
                    if h % 2 == 1 {
                        (1.0 / (h * h) as f64, 0.25)
                    } else {
                        (0.0, 0.0)
                    }
                })
                .collect(),
        )
    }
    /// A sine through a wavefolder, sin(drive sin x + offset): harmonics by a
    /// transform of one period. They die out fast.
    pub fn folded(drive: f64, offset: f64) -> Self {
        let points = 1024;
        let period: Vec<f64> = (0..points)
            .map(|i| (drive * (2.0 * PI * f64::from(i) / f64::from(points)).sin() + offset).sin())
            .collect();
        Self(
            (1..60)
                .map(|h| {
                    let (mut re, mut im) = (0.0, 0.0);
                    for (i, x) in period.iter().enumerate() {
                        let angle = 2.0 * PI * f64::from(h) * i as f64 / f64::from(points);
                        re += x * angle.cos();
                        im += x * angle.sin();
                    }
                    let scale = 2.0 / f64::from(points);
                    (
                        (re * re + im * im).sqrt() * scale,
                        (re.atan2(im)) / (2.0 * PI),
                    )
                })
                .collect(),
        )
    }
    /// The same with one harmonic changed.
    pub fn with(mut self, h: usize, amplitude: f64) -> Self {
        self.0[h - 1].0 = amplitude;
        self
    }
    /// A sine and its octave, louder by a factor.
    pub fn with_second(mut self, amplitude: f64) -> Self {
        self.0.push((amplitude, 0.2));
        self
    }
    /// Only the first few harmonics.
    pub fn first(mut self, count: usize) -> Self {
        self.0.truncate(count);
        self
    }
}

/// How the phase runs: frequency at the start of the window, its change per second,
/// and the change of that.
#[derive(Clone, Copy, Debug)]
pub struct Motion {
    pub hertz: f64,
    pub per_second: f64,
    pub per_second_squared: f64,
    pub start: f64,
}

impl Motion {
    pub fn steady(hertz: f64) -> Self {
        Self {
            hertz,
            per_second: 0.0,
            per_second_squared: 0.0,
            start: 0.137,
        }
    }
    pub fn phase(&self, t: f64) -> f64 {
        self.start
            + t * (self.hertz + t * (self.per_second / 2.0 + t * self.per_second_squared / 6.0))
    }
    /// The mean frequency over [0, seconds).
    pub fn mean(&self, seconds: f64) -> f64 {
        (self.phase(seconds) - self.phase(0.0)) / seconds
    }
    pub fn highest(&self, seconds: f64) -> f64 {
        let at = |t: f64| self.hertz + t * (self.per_second + t * self.per_second_squared / 2.0);
        at(0.0).max(at(seconds)).max(at(seconds / 2.0))
    }
}

/// The tone without noise, of rms one: all harmonics below `fill` of half the rate.
pub fn render(
    wave: &Wave,
    rate: f64,
    count: usize,
    highest: f64,
    phase: impl Fn(usize) -> f64,
) -> Vec<f64> {
    let most = ((rate * 0.5 * 0.97) / highest) as usize;
    let harmonics: Vec<(f64, f64)> = wave
        .0
        .iter()
        .take(most)
        .map(|(amplitude, phase)| {
            let angle = 2.0 * PI * phase;
            (amplitude * angle.cos(), amplitude * angle.sin())
        })
        .collect();
    let power: f64 = harmonics.iter().map(|(a, b)| (a * a + b * b) / 2.0).sum();
    let gain = 1.0 / power.sqrt();
    (0..count)
        .map(|n| {
            let p = phase(n);
            let (s, c) = (2.0 * PI * (p - p.floor())).sin_cos();
            let (mut zr, mut zi) = (c, s);
            let mut sum = 0.0;
            for (a, b) in &harmonics {
                // a sin + b cos
                sum += a * zi + b * zr;
                (zr, zi) = (zr * c - zi * s, zr * s + zi * c);
            }
            sum * gain
        })
        .collect()
}

/// A tone that moves as told.
pub fn tone(wave: &Wave, rate: f64, seconds: f64, motion: &Motion) -> Vec<f64> {
    let count = (rate * seconds).round() as usize;
    render(wave, rate, count, motion.highest(seconds), |n| {
        motion.phase(n as f64 / rate)
    })
}

/// With white noise this many decibels below the tone (of rms one), at a level of
/// -12 dBFS, as samples.
pub fn with_noise(tone: &[f64], decibels: f64, dice: &mut Dice) -> Vec<f32> {
    let sigma = 10_f64.powf(-decibels / 20.0);
    let mut out = Vec::with_capacity(tone.len());
    for pair in tone.chunks(2) {
        let (a, b) = dice.normals();
        for (x, noise) in pair.iter().zip([a, b]) {
            out.push((0.25 * (x + sigma * noise)) as f32);
        }
    }
    out
}

pub fn samples(tone: &[f64]) -> Vec<f32> {
    tone.iter().map(|x| (0.25 * x) as f32).collect()
}

/// The Cramer-Rao bound of the frequency's standard deviation in hertz, for the
/// harmonics of `wave` below half the rate in white noise `decibels` below the
/// tone: var >= 6 s2 rate^2 / (pi^2 N (N^2 - 1) sum h^2 A_h^2).
pub fn bound(wave: &Wave, rate: f64, count: usize, highest: f64, decibels: f64) -> f64 {
    let most = ((rate * 0.5 * 0.97) / highest) as usize;
    let (mut power, mut weighted) = (0.0, 0.0);
    for (h, (amplitude, _)) in wave.0.iter().take(most).enumerate() {
        let h = (h + 1) as f64;
        power += amplitude * amplitude / 2.0;
        weighted += h * h * amplitude * amplitude;
    }
    let s2 = power * 10_f64.powf(-decibels / 10.0);
    let n = count as f64;
    (6.0 * s2 * rate * rate / (PI * PI * n * (n * n - 1.0) * weighted)).sqrt()
}

pub fn cents(found: f64, truth: f64) -> f64 {
    1200.0 * (found / truth).log2()
}
