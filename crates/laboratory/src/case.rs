//! Cases: signals drawn at random with all that is known of them.

use crate::bound;
use crate::category::Category;
use crate::dice::Dice;
use crate::motion::Motion;
use crate::noise::Noise;
use crate::shape::Shape;
use crate::table::{Table, harmonics_below};
use std::f64::consts::{FRAC_PI_2, TAU};
use std::fmt::Write;

/// Harmonics that a shape is drawn with, enough for 8 Hz at 48 kHz.
const MANY: usize = 3_000;
/// A line of amplitude A in N samples of variance s^2 is certainly there from
/// A^2 N / (4 s^2) of this.
const CERTAIN: f64 = 60.0;

/// A window with a signal of known frequency.
#[derive(Debug, Clone)]
pub struct Case {
    /// What it is an example of.
    pub category: Category,
    /// The seed it was drawn with.
    pub seed: u64,
    /// Its number.
    pub index: u64,
    /// Sampling rate in hertz.
    pub rate: f64,
    /// The window, full scale at one.
    pub samples: Vec<f32>,
    /// The mean frequency over [0, T) in hertz; none where there is no tone.
    pub truth: Option<f64>,
    /// Power of the tone over that of the noise, in decibels.
    pub snr_db: f64,
    /// The Cramer-Rao bound in hertz, where the signal is one that has it: steady
    /// harmonics in noise of known density.
    pub bound: Option<f64>,
    /// All that was drawn, for people.
    pub story: String,
}

/// What a case is drawn from.
struct Draft {
    rate: f64,
    seconds: f64,
    shape: Shape,
    name: String,
    motion: Motion,
    snr_db: f64,
    pole: f64,
    /// Peak over full scale; above one it is cut off.
    peak: f64,
    offset: f64,
    hum: Vec<(f64, f64, f64)>,
    naive: Option<fn(f64) -> f64>,
    second: Option<(f64, f64)>,
    rounded: bool,
    told: String,
}

/// A shape of any kind.
fn any_shape(dice: &mut Dice) -> (String, Shape) {
    match dice.one_of(&[0, 1, 2, 3, 4, 5, 6]) {
        0 => ("saw".into(), Shape::saw(MANY)),
        1 => pulse(dice, 0.03),
        2 => ("triangle".into(), Shape::triangle(MANY, 0.5)),
        3 => ("sine".into(), Shape::sine()),
        4 => folded(dice),
        5 => skewed(dice),
        _ => filtered(dice),
    }
}

fn pulse(dice: &mut Dice, least: f64) -> (String, Shape) {
    let duty = dice.between(least, 1.0 - least);
    (format!("pulse {duty:.4}"), Shape::pulse(MANY, duty))
}

/// At an offset of a quarter turn only even harmonics are left: another tone.
fn folded(dice: &mut Dice) -> (String, Shape) {
    let (drive, offset) = (dice.between(0.4, 8.0), dice.between(0.0, 1.3));
    let shape = Shape::folded(80, drive, offset);
    (format!("folded {drive:.3} {offset:.3}"), shape)
}

fn skewed(dice: &mut Dice) -> (String, Shape) {
    let rise = dice.between(0.02, 0.98);
    let shape = Shape::triangle(MANY, rise);
    (format!("skewed {rise:.3}"), shape)
}

fn filtered(dice: &mut Dice) -> (String, Shape) {
    let (corner, resonance) = (dice.log_between(0.7, 30.0), dice.log_between(0.5, 15.0));
    let (name, shape) = if dice.unit() < 0.5 {
        ("saw".to_owned(), Shape::saw(MANY))
    } else {
        pulse(dice, 0.1)
    };
    (
        format!("{name} through {corner:.2} times f, Q {resonance:.2}"),
        shape.filtered(corner, resonance),
    )
}

fn ratio(decibels: f64) -> f64 {
    10_f64.powf(decibels / 20.0)
}

/// Harmonics of the mains, the first of amplitude one: (hertz, amplitude, phase).
fn mains(dice: &mut Dice) -> Vec<(f64, f64, f64)> {
    let off = if dice.unit() < 0.5 {
        0.0
    } else {
        dice.between(-0.05, 0.05)
    };
    let first = dice.one_of(&[50.0, 60.0]) + off;
    (1..=9)
        .map(|k| {
            let amplitude = if k == 1 {
                1.0
            } else {
                dice.between(0.0, 1.0) / f64::from(k)
            };
            (first * f64::from(k), amplitude, dice.unit())
        })
        .collect()
}

impl Draft {
    fn draw(category: Category, dice: &mut Dice) -> Self {
        let (name, shape) = any_shape(dice);
        let hertz = dice.log_between(24.0, 10_000.0);
        let mut draft = Self {
            rate: 48_000.0,
            seconds: 0.5,
            shape,
            name,
            motion: Motion::steady(hertz, dice.unit()),
            snr_db: dice.between(20.0, 90.0),
            pole: 0.0,
            peak: ratio(dice.between(-24.0, -3.0)),
            offset: 0.0,
            hum: Vec::new(),
            naive: None,
            second: None,
            rounded: false,
            told: String::new(),
        };
        draft.specialise(category, dice);
        draft
    }

    fn take(&mut self, (name, shape): (String, Shape)) {
        (self.name, self.shape) = (name, shape);
    }

    fn specialise(&mut self, category: Category, dice: &mut Dice) {
        match category {
            Category::Saw => self.take(("saw".into(), Shape::saw(MANY))),
            Category::Pulse => self.take(pulse(dice, 0.02)),
            Category::Triangle => self.take(("triangle".into(), Shape::triangle(MANY, 0.5))),
            Category::Sine => self.take(("sine".into(), Shape::sine())),
            Category::Folded => self.take(folded(dice)),
            Category::Skewed => self.take(skewed(dice)),
            Category::Filtered => self.take(filtered(dice)),
            Category::Low => {
                self.motion.hertz = dice.log_between(8.0, 30.0);
                self.seconds = dice.one_of(&[0.5, 1.0, 2.0]);
            }
            Category::High => {
                self.motion.hertz = dice.log_between(8_000.0, 20_000.0);
                self.rate = dice.one_of(&[44_100.0, 48_000.0, 96_000.0]);
            }
            Category::Noisy => self.snr_db = dice.between(10.0, 20.0),
            Category::Coloured => {
                self.pole = dice.one_of(&[0.5, 0.8, 0.95, 0.99, -0.5, -0.9]);
                self.snr_db = dice.between(15.0, 70.0);
            }
            Category::Drift => self.motion.drift = dice.between(-30.0, 30.0),
            Category::Curved => {
                self.motion.drift = dice.between(-30.0, 30.0);
                self.motion.curve = dice.between(-80.0, 80.0);
            }
            Category::Offset => self.offset = dice.between(-0.5, 0.5),
            Category::Hum => self.hum(dice.between(-60.0, -10.0), dice),
            Category::HumNear => {
                let level = dice.between(-60.0, -20.0);
                self.hum(level, dice);
                let k = dice.one_of(&[1, 1, 2, 3, 4, 5]);
                let h = dice.one_of(&[1.0, 1.0, 2.0, 3.0, 5.0]);
                let away = dice.between(-3.0, 3.0) / self.seconds;
                let (line, amplitude, _) = self.hum[k - 1];
                // The line is there, whatever was drawn.
                self.hum[k - 1].1 = amplitude.max(0.3 * ratio(level));
                self.motion.hertz = ((line + away) / h).max(24.0);
            }
            Category::WeakFundamental => self.weak_fundamental(dice),
            Category::WeakOdd => {
                let level = dice.between(-36.0, -3.0);
                // Of shapes that have even harmonics to begin with.
                let duty = dice.between(0.05, 0.45);
                self.take(if dice.unit() < 0.5 {
                    ("saw".into(), Shape::saw(MANY))
                } else {
                    (format!("pulse {duty:.3}"), Shape::pulse(MANY, duty))
                });
                let factor = ratio(level);
                self.shape = std::mem::replace(&mut self.shape, Shape::sine())
                    .scaled(|h| if h % 2 == 1 { factor } else { 1.0 });
                let _ = write!(self.told, " odd harmonics {level:.1} dB");
                self.certain(|h| h % 2 == 1);
            }
            Category::Clipped => self.peak = 1.0 / dice.between(0.5, 0.97),
            Category::Jitter => self.motion.jitter = ratio(dice.between(-120.0, -70.0)),
            Category::Walk => self.motion.walk = ratio(dice.between(-110.0, -66.0)),
            Category::Aliased => {
                type Naive = (&'static str, fn(f64) -> f64);
                let (name, naive) = dice.one_of::<Naive>(&[
                    ("saw", |p| 1.0 - 2.0 * p),
                    ("square", |p| if p < 0.5 { 1.0 } else { -1.0 }),
                    ("pulse of a fifth", |p| if p < 0.2 { 1.0 } else { -0.25 }),
                    ("triangle", |p| 1.0 - 4.0 * (p - 0.5).abs()),
                ]);
                self.naive = Some(naive);
                self.name = format!("naive {name}");
                self.motion.hertz = dice.log_between(24.0, 4_000.0);
            }
            Category::FewPeriods => {
                self.motion.hertz = dice.log_between(8.0, 1_000.0);
                self.seconds = dice.between(4.0, 12.0) / self.motion.hertz;
            }
            Category::Rates => self.rate = dice.one_of(&[44_100.0, 88_200.0, 96_000.0, 192_000.0]),
            Category::Levels => {
                self.peak = ratio(dice.between(-60.0, 0.0));
                self.rounded = true;
            }
            Category::Windows => self.seconds = dice.log_between(0.1, 4.0),
            Category::Mixed => {
                self.snr_db = dice.between(15.0, 80.0);
                self.motion.drift = dice.between(-10.0, 10.0);
                self.motion.curve = dice.between(-10.0, 10.0);
                self.motion.walk = ratio(dice.between(-110.0, -80.0));
                self.offset = dice.between(-0.2, 0.2);
                self.pole = dice.one_of(&[0.0, 0.0, 0.7, 0.95]);
                if dice.unit() < 0.5 {
                    self.hum(dice.between(-70.0, -30.0), dice);
                }
                self.rounded = true;
            }
            Category::TwoTones => {
                let level = dice.between(-40.0, -3.0);
                let mut interval = 1.0;
                // No simple ratio: of such two the common period is a pitch.
                while (1..=8).any(|q| {
                    let p: f64 = interval * f64::from(q);
                    (p - p.round()).abs() < 0.03 * f64::from(q).sqrt()
                }) {
                    interval = dice.log_between(0.3, 3.5);
                }
                self.motion.hertz = dice.log_between(60.0, 3_000.0);
                self.second = Some((interval, level));
                let _ = write!(self.told, " second at {interval:.4} of {level:.1} dB");
            }
            Category::Silence | Category::NoiseOnly => {}
        }
    }

    fn hum(&mut self, level: f64, dice: &mut Dice) {
        self.hum = mains(dice);
        // The tone has mean square one.
        for line in &mut self.hum {
            line.1 *= ratio(level) * 2_f64.sqrt();
        }
        let _ = write!(self.told, " hum {level:.1} dB at {:.3} Hz", self.hum[0].0);
    }

    fn weak_fundamental(&mut self, dice: &mut Dice) {
        let level = dice.between(-60.0, -10.0);
        self.motion.hertz = dice.log_between(30.0, 5_000.0);
        if dice.unit() < 0.5 {
            // The fundamental alone; the third harmonic tells.
            let (name, shape) = if dice.unit() < 0.5 {
                ("saw".to_owned(), Shape::saw(MANY))
            } else {
                filtered(dice)
            };
            let second = shape.amplitude_squared(2).max(1e-9);
            let factor = ratio(level) * (second / shape.amplitude_squared(1)).sqrt();
            self.take((name, shape.scaled(|h| if h == 1 { factor } else { 1.0 })));
            let _ = write!(self.told, " fundamental {level:.1} dB below the second");
            self.certain(|h| h % 2 == 1);
        } else {
            // All odd harmonics: a folder near the even shape.
            let level = level.max(-50.0);
            let drive = dice.between(0.8, 4.0);
            let even = Shape::folded(80, drive, FRAC_PI_2);
            let odd = Shape::folded(80, drive, 0.0);
            let want = ratio(level) * (even.amplitude_squared(2) / odd.amplitude_squared(1)).sqrt();
            let offset = FRAC_PI_2 - want.atan();
            self.take((
                format!("folded {drive:.3} {offset:.5}"),
                Shape::folded(80, drive, offset),
            ));
            let _ = write!(self.told, " fundamental {level:.1} dB, all odd ones");
            self.certain(|h| h % 2 == 1);
        }
    }

    /// Lowers the noise until the harmonics that tell the octave can be told from it by
    /// anyone: what nothing shows, nobody can find.
    fn certain(&mut self, tells: impl Fn(usize) -> bool) {
        let highest = harmonics_below(self.rate, self.motion.hertz).min(self.shape.highest());
        let share = (1..=highest)
            .filter(|h| tells(*h))
            .map(|h| self.shape.amplitude_squared(h))
            .fold(0.0, f64::max)
            / (1..=highest)
                .map(|h| self.shape.amplitude_squared(h) / 2.0)
                .sum::<f64>();
        let least = CERTAIN * 4.0 / (share * self.rate * self.seconds);
        self.snr_db = self.snr_db.max(10.0 * least.log10());
    }
}

impl Case {
    /// Case `index` of a category under a seed: always the same.
    #[must_use]
    pub fn draw(category: Category, seed: u64, index: u64) -> Self {
        let mut dice = Dice::new(seed, category.name(), index);
        let draft = Draft::draw(category, &mut dice);
        match category {
            Category::Silence => silent(seed, index, &mut dice),
            Category::NoiseOnly => noise_only(seed, index, &mut dice),
            _ => draft.render(category, seed, index, &mut dice),
        }
    }

    /// The steady cell of a table of efficiency: a shape at a pitch in white noise.
    #[must_use]
    pub fn cell(name: &str, hertz: f64, snr_db: f64, seed: u64, index: u64) -> Self {
        let mut dice = Dice::new(seed, &format!("{name}{hertz:.0}-{snr_db:.0}"), index);
        let hertz = hertz * dice.between(0.97, 1.03);
        let (category, shape) = match name {
            "pulse" => {
                let duty = dice.between(0.05, 0.5);
                (Category::Pulse, Shape::pulse(MANY, duty))
            }
            "triangle" => (Category::Triangle, Shape::triangle(MANY, 0.5)),
            "sine" => (Category::Sine, Shape::sine()),
            _ => (Category::Saw, Shape::saw(MANY)),
        };
        let draft = Draft {
            rate: 48_000.0,
            seconds: 0.5,
            shape,
            name: name.to_owned(),
            motion: Motion::steady(hertz, dice.unit()),
            snr_db,
            pole: 0.0,
            peak: 0.5,
            offset: 0.0,
            hum: Vec::new(),
            naive: None,
            second: None,
            rounded: false,
            told: String::new(),
        };
        draft.render(category, seed, index, &mut dice)
    }

    /// The length of the window in seconds.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        self.samples.len() as f64 / self.rate
    }

    /// How many periods are in it; 0 where there is no tone.
    #[must_use]
    pub fn periods(&self) -> f64 {
        self.truth.unwrap_or(0.0) * self.seconds()
    }
}

impl Draft {
    fn hum_at(&self, t: f64) -> f64 {
        let line = |(hertz, amplitude, phase): &(f64, f64, f64)| {
            amplitude * (TAU * (hertz * t + phase).fract()).sin()
        };
        self.hum.iter().map(line).sum()
    }

    fn render(self, category: Category, seed: u64, index: u64, dice: &mut Dice) -> Case {
        let count = (self.rate * self.seconds).round().max(1.0) as usize;
        let seconds = count as f64 / self.rate;
        let highest = harmonics_below(self.rate, self.motion.highest(seconds) * 1.0001).max(1);
        let (phases, truth) = self.motion.run(self.rate, count, dice);
        let power = self
            .shape
            .clone()
            .scaled(|h| if h <= highest { 1.0 } else { 0.0 })
            .power();
        let shape = self.shape.clone().scaled(|_| 1.0 / power.sqrt());
        let mut tone: Vec<f64> = if let Some(naive) = self.naive {
            let tone: Vec<f64> = phases.iter().map(|p| naive(p - p.floor())).collect();
            let power = tone.iter().map(|y| y * y).sum::<f64>() / count as f64;
            tone.iter().map(|y| y / power.sqrt()).collect()
        } else {
            let table = Table::new(&shape, highest);
            phases.iter().map(|phase| table.at(*phase)).collect()
        };
        if let Some((interval, level)) = self.second {
            let (_, other) = any_shape(dice);
            let other = other.normalised();
            let hertz = self.motion.hertz * interval;
            let table = Table::new(&other, harmonics_below(self.rate, hertz));
            let start = dice.unit();
            for (n, y) in tone.iter_mut().enumerate() {
                *y += ratio(level) * table.at(start + hertz * n as f64 / self.rate);
            }
        }
        let variance = ratio(-2.0 * self.snr_db);
        let noise = Noise {
            variance,
            pole: self.pole,
        };
        let added = noise.samples(count, dice);
        let heard: Vec<f64> = tone
            .iter()
            .zip(&added)
            .enumerate()
            .map(|(n, (tone, noise))| tone + noise + self.hum_at(n as f64 / self.rate))
            .collect();
        // What is not to be cut off keeps below full scale with noise, hum and constant.
        let peak = heard.iter().fold(1e-9_f64, |peak, y| peak.max(y.abs()));
        let room = if self.peak > 1.0 {
            1.0
        } else {
            1.0 - self.offset.abs()
        };
        let gain = self.peak * room / peak;
        let samples = heard
            .iter()
            .map(|y| {
                let y = (gain * y + self.offset).clamp(-1.0, 1.0);
                if self.rounded {
                    ((y * 8_388_607.0).round() / 8_388_607.0) as f32
                } else {
                    y as f32
                }
            })
            .collect();
        let bounded = self.naive.is_none()
            && self.second.is_none()
            && self.peak <= 1.0
            && self.motion.walk <= 0.0
            && self.motion.jitter <= 0.0
            && self.motion.curve.abs() <= 0.0;
        let bound = bounded.then(|| {
            bound::of_harmonics(&shape, highest, count, self.rate, |h| {
                noise.variance_at(h as f64 * truth / self.rate)
            })
        });
        let story = format!(
            "{}{}, {truth:.4} Hz, {:.1} dB, {} Hz, {seconds:.4} s, peak {:.1} dBFS, drift {:.1}, \
             curve {:.1}, walk {:.1e}, jitter {:.1e}, pole {}, offset {:.2}",
            self.name,
            self.told,
            self.snr_db,
            self.rate,
            20.0 * self.peak.log10(),
            self.motion.drift,
            self.motion.curve,
            self.motion.walk,
            self.motion.jitter,
            self.pole,
            self.offset,
        );
        Case {
            category,
            seed,
            index,
            rate: self.rate,
            samples,
            truth: Some(truth),
            snr_db: self.snr_db,
            bound,
            story,
        }
    }
}

fn without_tone(
    category: Category,
    seed: u64,
    index: u64,
    samples: Vec<f32>,
    story: String,
) -> Case {
    Case {
        category,
        seed,
        index,
        rate: 48_000.0,
        samples,
        truth: None,
        snr_db: f64::NEG_INFINITY,
        bound: None,
        story,
    }
}

fn silent(seed: u64, index: u64, dice: &mut Dice) -> Case {
    let level = dice.between(-130.0, -105.0);
    let offset = dice.one_of(&[0.0, 0.0, 1e-4, -0.01]);
    let noise = Noise::white(ratio(2.0 * level));
    let mut samples: Vec<f32> = noise
        .samples(24_000, dice)
        .iter()
        .map(|y| (y + offset) as f32)
        .collect();
    if dice.unit() < 0.1 {
        samples.fill(0.0);
    }
    let story = format!("noise of {level:.0} dBFS on {offset}");
    without_tone(Category::Silence, seed, index, samples, story)
}

fn noise_only(seed: u64, index: u64, dice: &mut Dice) -> Case {
    let level = dice.between(-80.0, -12.0);
    let pole = dice.one_of(&[0.0, 0.5, 0.9, 0.99, 0.999, -0.5, -0.95]);
    let noise = Noise {
        variance: ratio(2.0 * level),
        pole,
    };
    let samples = noise
        .samples(24_000, dice)
        .iter()
        .map(|y| y.clamp(-1.0, 1.0) as f32)
        .collect();
    let story = format!("noise of {level:.0} dBFS, pole {pole}");
    without_tone(Category::NoiseOnly, seed, index, samples, story)
}
