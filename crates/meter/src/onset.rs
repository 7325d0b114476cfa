//! When a note changed: the moment at which the pitch began to leave the old note.
//!
//! The old note's frequency and waveform are carried on in time; where the samples stop
//! following them, the change has begun (cumulative sums; Page 1954, from memory). That is
//! noticed late by as long as the change takes to show. So the moment itself is found from
//! the whole neighbourhood: the oscillator keeps its waveform while its phase runs on with
//! a frequency that goes from the old note to the new one, either as through an RC lag or
//! at a constant rate of pitch, in no time or in some. Every moment and every such glide is
//! held against the samples, and the moment stated is the mean over all of them, weighed by
//! their likelihood, with the spread as its uncertainty.

use crate::folding::{Folding, Steady};
use crate::window_choice::RATE_OVER_MEAN;
use crate::{Estimate, Meter};
use model::quantity::Seconds;
use rustfft::num_complex::Complex;
use std::f64::consts::PI;

/// As much of the old note as is looked at, seconds.
const OLD_NOTE: f64 = 0.25;
/// And of the new one.
const NEW_NOTE: f64 = 0.25;
/// The slowest glide that is considered: its time constant, seconds.
const SLOWEST: f64 = 0.1;
/// The change shows at the latest when the phase is this far off, cycles.
const SHOWS: f64 = 0.25;
/// Steps of the search, in cycles of the phase that a step shifts later.
const FINE: f64 = 0.04;
/// The closest that an onset is known, samples: the old note's waveform is carried on by
/// straight lines, with what its frequency is known to.
const CLOSEST: f64 = 1.5;
/// Real glides follow neither law: what speaks for one of them counts so much less.
const DOUBT: f64 = 6.0;
/// Of each law as many candidates are followed.
const CANDIDATES: usize = 3;
/// Steps on the way to the best.
const MOST_STEPS: usize = 60;
/// Harmonics of the old note that are carried on.
const MOST_HARMONICS: usize = 400;
/// Smallest change that is looked for, as a share of the frequency: a fifth of a semitone.
const LEAST_CHANGE: f64 = 0.0115;

/// When a note changed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Onset {
    /// Frames from the beginning of the samples; not whole.
    pub at: f64,
    /// Its standard uncertainty.
    pub u: Seconds,
    /// The old note.
    pub old: Estimate,
    /// The new note: over the end of the samples.
    pub new: Estimate,
}

/// A waveform to be looked up by its phase in cycles.
struct Table {
    values: Vec<f32>,
}

impl Table {
    fn new(harmonics: &[Complex<f64>]) -> Self {
        let points = (16 * harmonics.len()).next_power_of_two();
        let mut values = vec![0.0; points];
        for (h, c) in harmonics.iter().enumerate() {
            let turn = Complex::from_polar(1.0, 2.0 * PI * h as f64 / points as f64);
            let mut here = *c;
            for value in &mut values {
                *value += here.re;
                here *= turn;
            }
        }
        Self {
            values: values.into_iter().map(|value| value as f32).collect(),
        }
    }

    /// Between the points by straight lines: sixteen of them to the period of the highest
    /// harmonic leave 0.5 % of that harmonic.
    fn at(&self, phase: f64) -> f64 {
        let place = (phase - phase.floor()) * self.values.len() as f64;
        let below = place as usize;
        let mask = self.values.len() - 1;
        let (a, b) = (self.values[below & mask], self.values[(below + 1) & mask]);
        f64::from(a) + f64::from(b - a) * (place - below as f64)
    }
}

/// How the pitch goes from one note to the other.
#[derive(Debug, Clone, Copy, PartialEq)]
enum Law {
    /// In no time.
    Jump,
    /// As through an RC lag.
    Lag,
    /// At a constant rate.
    Line,
}

/// An onset and a glide.
#[derive(Debug, Clone, Copy)]
struct Glide {
    law: Law,
    /// Samples.
    onset: f64,
    /// Logarithm of the time constant, or of a third of how long it takes, in samples.
    slowness: f64,
}

impl Glide {
    /// The phase by which the tone gains on the old note, at each sample up to `end` from
    /// the first after the onset on, which is returned.
    fn gains(&self, old: f64, interval: f64, end: usize, into: &mut Vec<f64>) -> usize {
        into.clear();
        let first = self.onset.ceil().max(0.0);
        let slowness = self.slowness.exp();
        let whole = old * interval.exp_m1();
        let mut gain = 0.0;
        let mut after = first - self.onset;
        let mut step = after;
        for _ in first as usize..end {
            let middle = after - 0.5 * step;
            let speed = match self.law {
                Law::Jump => whole,
                Law::Lag => old * (interval * -(-middle / slowness).exp_m1()).exp_m1(),
                Law::Line => old * (interval * (middle / (3.0 * slowness)).min(1.0)).exp_m1(),
            };
            gain += speed * step;
            into.push(gain);
            after += 1.0;
            step = 1.0;
        }
        first as usize
    }
}

/// The old note, carried on.
struct Old<'a> {
    samples: &'a [f32],
    table: Table,
    tone: Steady,
    /// Where its phase is zero.
    middle: f64,
}

impl Old<'_> {
    fn phase(&self, at: usize) -> f64 {
        let t = at as f64 - self.middle;
        t * (self.tone.step + 0.5 * self.tone.bend * t)
    }

    fn miss(&self, at: usize, gain: f64) -> f64 {
        f64::from(self.samples[at]) - self.table.at(self.phase(at) + gain)
    }
}

impl Meter {
    /// Finds the moment at which the pitch begins to leave the note that sounds until frame
    /// `until` at least, where at least four periods of it come before. The end of the
    /// samples should be of the new note at rest. `None` when either note cannot be
    /// measured, or they are less than 20 cents apart, or nothing shows.
    pub fn onset(&mut self, samples: &[f32], until: usize) -> Option<Onset> {
        let rate = self.rate;
        let until = until.min(samples.len());
        let long = |seconds: f64| (seconds * rate) as usize;
        let from = until.saturating_sub(long(OLD_NOTE));
        let old = self.estimate(&samples[from..until]);
        let rest = samples.len() - until;
        let newest = samples.len() - long(NEW_NOTE).min(rest / 2).min(samples.len());
        let new = self.estimate(&samples[newest..]);
        let step = old.frequency?.get() / rate;
        let new_step = new.frequency?.get() / rate;
        let interval = (new_step / step).ln();
        if interval.abs() < LEAST_CHANGE {
            return None;
        }
        let folding = self.folding.get_or_insert_with(Folding::new);
        // A drift that is no more than its uncertainty would only lead astray.
        let bend = old.rate_of_change.unwrap_or(0.0);
        let u = old.u_oscillator.map_or(0.0, |u| u.get());
        let sure = bend.abs() > 3.0 * RATE_OVER_MEAN * u * rate / (until - from) as f64;
        let tone = Steady {
            step,
            bend: if sure { bend / (rate * rate) } else { 0.0 },
        };
        let folded = folding.fold(&samples[from..until], tone, MOST_HARMONICS)?;
        let old_note = Old {
            samples,
            table: Table::new(&folded.harmonics),
            tone,
            middle: from as f64 + (until - from) as f64 / 2.0,
        };
        let search = Search {
            old: &old_note,
            rate,
            from,
            until,
            interval,
            change: (new_step - step).abs(),
        };
        let (at, u) = search.find()?;
        Some(Onset {
            at,
            u: Seconds::of(u / rate),
            old,
            new,
        })
    }
}

struct Search<'a> {
    old: &'a Old<'a>,
    rate: f64,
    from: usize,
    until: usize,
    /// Natural logarithm of the ratio of the notes.
    interval: f64,
    /// Difference of the notes, in cycles per sample.
    change: f64,
}

impl Search<'_> {
    /// The moment and its uncertainty, in samples.
    fn find(&self) -> Option<(f64, f64)> {
        let block = ((0.5e-3 * self.rate) as usize).max(8);
        let energy = |start: usize| -> f64 {
            (start..start + block)
                .map(|at| self.old.miss(at, 0.0).powi(2))
                .sum()
        };
        let blocks = (self.until - self.from) / block;
        let quiet: f64 = (0..blocks).map(|k| energy(self.from + k * block)).sum();
        let usual = quiet / blocks.max(1) as f64;
        if usual <= 0.0 {
            return None;
        }
        let noise = usual / block as f64;
        // How far the sums go where nothing happens tells how far is too far.
        let mut sum = 0.0_f64;
        let mut highest = 0.0_f64;
        for k in 0..blocks {
            sum = (sum + energy(self.from + k * block) / usual - 1.5).max(0.0);
            highest = highest.max(sum);
        }
        let alarm = (1.5 * highest).max(6.0);
        sum = 0.0;
        let mut start = self.until;
        while start + block <= self.old.samples.len() {
            sum = (sum + energy(start) / usual - 1.5).max(0.0);
            start += block;
            if sum > alarm {
                if let Some(found) = self.look_around(start, noise) {
                    return Some(found);
                }
                sum = 0.0;
            }
        }
        None
    }

    /// Weighs every moment and every glide about the frame at which a change showed.
    fn look_around(&self, shown: usize, noise: f64) -> Option<(f64, f64)> {
        // A glide as slow as the slowest shows after the phase has gained so much.
        let slowest = SLOWEST * self.rate;
        let latest = (2.0 * SHOWS * slowest / self.change).sqrt();
        let back = (1.5 * latest).clamp(0.004 * self.rate, 0.15 * self.rate) as usize;
        let ahead = (0.3 * back as f64).max(0.003 * self.rate) as usize;
        // The old note may end before it is said to: then its last part is looked at, too.
        let earliest = self.until.saturating_sub((0.002 * self.rate) as usize);
        let begin = shown.saturating_sub(back).max(earliest);
        let end = (shown + ahead).min(self.old.samples.len());
        let step = (FINE / self.change).clamp(1.0, 1e-3 * self.rate);

        let mut stretch = Stretch {
            old: self.old,
            interval: self.interval,
            begin,
            end,
            before: Vec::with_capacity(end - begin + 1),
            gains: Vec::new(),
        };
        let unchanged = stretch.prepare();
        let mut best: Vec<(Glide, f64)> = Vec::new();
        for law in [Law::Jump, Law::Lag, Law::Line] {
            let mut tried = Vec::new();
            let slownesses = std::iter::successors(Some(0.15e-3), |s| Some(s * 1.6))
                .take_while(|s| *s < SLOWEST && (law != Law::Jump || *s < 0.2e-3));
            for slowness in slownesses {
                let mut onset = begin as f64;
                while onset <= shown as f64 {
                    let glide = Glide {
                        law,
                        onset,
                        slowness: (slowness * self.rate).ln(),
                    };
                    tried.push((glide, stretch.cost(&glide)));
                    onset += step;
                }
            }
            tried.sort_by(|a, b| a.1.total_cmp(&b.1));
            best.extend(tried.iter().take(CANDIDATES));
        }
        for (glide, cost) in &mut best {
            stretch.improve(glide, cost, step);
        }
        let least = best
            .iter()
            .map(|(_, cost)| *cost)
            .fold(f64::INFINITY, f64::min);
        // What no glide explains makes others possible that explain little less.
        let samples = (end - begin) as f64;
        let by_noise = noise * (samples + 3.0 * (2.0 * samples).sqrt());
        let variance = noise + (least - by_noise).max(0.0) / 4.0;
        if unchanged - least < 25.0 * noise || least > 0.5 * unchanged {
            return None;
        }
        let (mut weight, mut sum, mut square) = (0.0, 0.0, 0.0);
        for (glide, cost) in &best {
            let own = (-(cost - least) / (2.0 * DOUBT * variance)).exp();
            if own > 1e-6 {
                let spread = stretch.spread(glide, 2.0 * variance);
                weight += own;
                sum += own * glide.onset;
                square += own * (glide.onset * glide.onset + spread);
            }
        }
        let mean = sum / weight;
        let spread = (square / weight - mean * mean).max(0.0).sqrt();
        // Closer than about a sample is not looked.
        Some((mean, spread.hypot(CLOSEST)))
    }
}

/// The stretch of samples about a change.
struct Stretch<'a> {
    old: &'a Old<'a>,
    interval: f64,
    begin: usize,
    end: usize,
    /// Squares left over by the old note, from the beginning up to each sample.
    before: Vec<f64>,
    gains: Vec<f64>,
}

impl Stretch<'_> {
    /// Sums up what the old note leaves over, and returns all of it.
    fn prepare(&mut self) -> f64 {
        let mut sum = 0.0;
        for at in self.begin..self.end {
            self.before.push(sum);
            sum += self.old.miss(at, 0.0).powi(2);
        }
        self.before.push(sum);
        sum
    }

    /// The squares left over by a glide.
    fn cost(&mut self, glide: &Glide) -> f64 {
        let first = glide.gains(self.old.tone.step, self.interval, self.end, &mut self.gains);
        let Some(before) = first
            .checked_sub(self.begin)
            .and_then(|at| self.before.get(at))
        else {
            return f64::INFINITY;
        };
        before
            + self
                .gains
                .iter()
                .enumerate()
                .map(|(k, gain)| self.old.miss(first + k, *gain).powi(2))
                .sum::<f64>()
    }

    /// Walks to where no neighbour is better, with shorter and shorter steps.
    fn improve(&mut self, glide: &mut Glide, cost: &mut f64, step: f64) {
        let (mut along, mut slower) = (step, 0.25);
        for _ in 0..MOST_STEPS {
            let mut better = None;
            for (moved, slowed) in NEIGHBOURS {
                if glide.law == Law::Jump && slowed != 0.0 {
                    continue;
                }
                let trial = Glide {
                    onset: glide.onset + moved * along,
                    slowness: glide.slowness + slowed * slower,
                    ..*glide
                };
                let left = self.cost(&trial);
                if left < *cost && better.is_none_or(|(_, least)| left < least) {
                    better = Some((trial, left));
                }
            }
            match better {
                Some((trial, left)) => (*glide, *cost) = (trial, left),
                None => {
                    along *= 0.5;
                    slower *= 0.5;
                    if along < 0.1 {
                        break;
                    }
                }
            }
        }
    }

    /// Variance of the onset at the best glide of a law, by the slopes of what is left.
    fn spread(&mut self, glide: &Glide, variance: f64) -> f64 {
        let mut slope = |by: Glide, back: Glide, distance: f64| -> Vec<f64> {
            let (begin, end) = (self.begin, self.end);
            let mut misses = |glide: &Glide| -> Vec<f64> {
                let first = glide.gains(self.old.tone.step, self.interval, end, &mut self.gains);
                (begin..end)
                    .map(|at| {
                        let gain = at.checked_sub(first).map_or(0.0, |k| self.gains[k]);
                        self.old.miss(at, gain)
                    })
                    .collect()
            };
            let (one, other) = (misses(&by), misses(&back));
            one.iter()
                .zip(other)
                .map(|(a, b)| (a - b) / distance)
                .collect()
        };
        let moved = |by: f64| Glide {
            onset: glide.onset + by,
            ..*glide
        };
        let slowed = |by: f64| Glide {
            slowness: glide.slowness + by,
            ..*glide
        };
        let onset = slope(moved(0.5), moved(-0.5), 1.0);
        let own: f64 = onset.iter().map(|x| x * x).sum();
        if glide.law == Law::Jump {
            return variance / own.max(f64::MIN_POSITIVE);
        }
        let slowness = slope(slowed(0.02), slowed(-0.02), 0.04);
        let other: f64 = slowness.iter().map(|x| x * x).sum();
        let both: f64 = onset.iter().zip(&slowness).map(|(a, b)| a * b).sum();
        let left = own - both * both / other.max(f64::MIN_POSITIVE);
        variance / left.max(1e-6 * own).max(f64::MIN_POSITIVE)
    }
}

/// Where else to look: later and earlier, slower and faster, and both.
const NEIGHBOURS: [(f64, f64); 8] = [
    (1.0, 0.0),
    (-1.0, 0.0),
    (0.0, 1.0),
    (0.0, -1.0),
    (1.0, -1.0),
    (-1.0, 1.0),
    (1.0, 1.0),
    (-1.0, -1.0),
];
