//! What the waveform of a tone is: harmonics, distortion, balance, duty cycle.

use crate::Estimate;
use crate::folding::{Folded, Folding, HANN, Steady};
use crate::level_of;
use model::quantity::Level;
use nalgebra::{Matrix3, Vector3};
use rustfft::num_complex::Complex;
use std::f64::consts::PI;

/// A share of the power that two flat levels must explain to be called a pulse.
const PULSE: f64 = 0.98;
/// Harmonics that the edges of a pulse are fitted to.
const PULSE_HARMONICS: usize = 200;

/// How the input lets steady voltages through.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Coupling {
    /// It does not, as nearly all audio inputs: flat tops droop, the mean is lost.
    #[default]
    Ac,
    /// It does: declared so by whoever knows the input.
    Dc,
}

/// A harmonic of a tone.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Harmonic {
    /// Which: 1 is the fundamental.
    pub number: usize,
    /// Its level, rms.
    pub level: Level,
    /// Its level against that of the fundamental, in decibels.
    pub relative_db: f64,
    /// Standard uncertainty of the levels by noise, in decibels.
    pub u_db: f64,
    /// Its phase in cycles from 0 to 1 where the fundamental, as a sine, passes zero
    /// upwards: 0 for each harmonic of a falling saw.
    pub phase: f64,
}

/// A ratio with its standard uncertainty.
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct Measure {
    /// The value.
    pub value: f64,
    /// Its standard uncertainty, from the noise in the window alone.
    pub u: f64,
}

/// The waveform of a tone, over the harmonics below 0.49 of the sampling rate.
#[derive(Debug, Clone, PartialEq)]
pub struct Waveform {
    /// The harmonics that stand out of the noise.
    pub harmonics: Vec<Harmonic>,
    /// How many harmonics lie below the limit, heard or not: all sums go so far.
    pub counted: usize,
    /// Total harmonic distortion against the fundamental: rms of the harmonics from the
    /// second on over the rms of the fundamental (IEC 61000-2-2). sqrt(pi^2 / 8 - 1) =
    /// 0.4834 for a square.
    pub thd_of_fundamental: Measure,
    /// The same against the whole tone: over the rms of all harmonics with the fundamental
    /// (IEC 60268-3; from memory). sqrt(1 - 8 / pi^2) = 0.4352 for a square.
    pub thd_of_total: Measure,
    /// Even harmonics against odd ones, the fundamental among the odd: the ratio of their
    /// powers in decibels. -4.77 dB for a saw; `None` where no even one is heard.
    pub even_to_odd_db: Option<Measure>,
    /// The mean, full scale at one. What it says of the oscillator hangs on the coupling.
    pub dc: f64,
    /// The share of a period for which a pulse is high. `None` unless the input is
    /// declared DC-coupled and the waveform is two flat levels.
    pub duty_cycle: Option<Measure>,
}

/// Measures the waveform of a window of which the frequency is known.
pub(crate) fn waveform(
    folding: &mut Folding,
    rate: f64,
    samples: &[f32],
    estimate: &Estimate,
    coupling: Coupling,
) -> Option<Waveform> {
    let tone = Steady {
        step: estimate.frequency?.get() / rate,
        bend: estimate.rate_of_change.unwrap_or(0.0) / (rate * rate),
    };
    let folded = folding.fold(samples, tone, usize::MAX)?;
    let counted = folded.harmonics.len() - 1;
    let noise = folded.noise_power();
    let least = (counted as f64).ln() + 5.0;
    let fundamental = folded.harmonics[1];
    // As a sine: Re c exp(i x) = |c| sin(x + arg c + pi / 2).
    let origin = fundamental.arg() / (2.0 * PI) + 0.25;
    let first = fundamental.norm();
    let harmonics = (1..=counted)
        .filter(|&h| folded.power(h) > least * noise)
        .filter_map(|h| {
            let amplitude = folded.harmonics[h].norm();
            let phase = folded.harmonics[h].arg() / (2.0 * PI) + 0.25 - h as f64 * origin;
            Some(Harmonic {
                number: h,
                level: level_of(amplitude / 2_f64.sqrt())?,
                relative_db: 20.0 * (amplitude / first).log10(),
                u_db: 20.0 / 10_f64.ln() * noise.sqrt() / amplitude,
                phase: phase - phase.floor(),
            })
        })
        .collect();

    let powers = Powers {
        folded: &folded,
        noise,
    };
    let fundamental = powers.sum(1..=1, 1);
    let rest = powers.sum(2..=counted, 1);
    let total = Part {
        power: fundamental.power + rest.power,
        variance: fundamental.variance + rest.variance,
    };
    let even = powers.sum(2..=counted, 2);
    let odd = powers.sum(1..=counted, 2);
    let heard = even.power > 4.0 * even.variance.sqrt();
    Some(Waveform {
        harmonics,
        counted,
        thd_of_fundamental: rest.amplitude_against(&fundamental),
        thd_of_total: rest.amplitude_against(&total),
        even_to_odd_db: (heard && odd.power > 0.0).then(|| Measure {
            value: 10.0 * (even.power / odd.power).log10(),
            u: 10.0 / 10_f64.ln()
                * (even.variance / even.power.powi(2) + odd.variance / odd.power.powi(2)).sqrt(),
        }),
        dc: folded.harmonics[0].re,
        duty_cycle: match coupling {
            Coupling::Ac => None,
            Coupling::Dc => duty_cycle(&folded),
        },
    })
}

struct Powers<'a> {
    folded: &'a Folded,
    noise: f64,
}

/// Power of some harmonics, without what noise adds, and its variance.
struct Part {
    power: f64,
    variance: f64,
}

impl Powers<'_> {
    fn sum(&self, harmonics: std::ops::RangeInclusive<usize>, every: usize) -> Part {
        let (mut power, mut variance) = (0.0, 0.0);
        for h in harmonics.step_by(every) {
            let own = self.folded.power(h) - self.noise;
            power += own;
            variance += self.noise * self.noise + 2.0 * self.noise * own.max(0.0);
        }
        Part {
            power: power.max(0.0),
            variance,
        }
    }
}

impl Part {
    /// The root of the ratio of powers.
    fn amplitude_against(&self, other: &Self) -> Measure {
        let other_power = other.power.max(f64::MIN_POSITIVE);
        let value = (self.power / other_power).sqrt();
        // Near nothing the root bends: there it is the root of the power's uncertainty.
        let spread = self.variance.sqrt() / other_power;
        let own = (spread / (2.0 * value.max(1e-150))).min(spread.sqrt());
        let others = value * other.variance.sqrt() / (2.0 * other_power);
        Measure {
            value,
            u: own.hypot(others),
        }
    }
}

/// Fits two flat levels: c_h = E (exp(-2 pi i h a) - exp(-2 pi i h b)) / (i pi h), high
/// from phase a to phase b, by least squares over the harmonics.
fn duty_cycle(folded: &Folded) -> Option<Measure> {
    let count = (folded.harmonics.len() - 1).min(PULSE_HARMONICS);
    let heard = &folded.harmonics[..=count];
    let power: f64 = heard[1..].iter().map(Complex::norm_sqr).sum();
    if count < 3 || power <= 0.0 {
        return None;
    }
    let (mut rise, mut fall) = steepest(heard);
    let mut size = 0.0;
    let mut left = f64::INFINITY;
    let mut inverse = Matrix3::<f64>::zeros();
    for round in 0..12 {
        let (mut normal, mut right) = (Matrix3::<f64>::zeros(), Vector3::<f64>::zeros());
        let (mut along, mut unit) = (0.0, 0.0);
        left = 0.0;
        for (h, c) in heard.iter().enumerate().skip(1) {
            let h = h as f64;
            let at = |edge: f64| Complex::from_polar(1.0, -2.0 * PI * h * edge);
            let shape = (at(rise) - at(fall)) / Complex::new(0.0, PI * h);
            along += (shape.conj() * c).re;
            unit += shape.norm_sqr();
            let miss = c - shape * size;
            left += miss.norm_sqr();
            let slopes = [at(rise) * (-2.0 * size), at(fall) * (2.0 * size), shape];
            for (i, one) in slopes.iter().enumerate() {
                right[i] += (one.conj() * miss).re;
                for (j, other) in slopes.iter().enumerate() {
                    normal[(i, j)] += (one.conj() * other).re;
                }
            }
        }
        if round == 0 {
            // The height for the edges as guessed.
            size = along / unit;
            continue;
        }
        inverse = normal.try_inverse()?;
        let step = inverse * right;
        // Edges move by less than what the highest harmonic can tell apart.
        let most = 0.25 / count as f64;
        rise += step[0].clamp(-most, most);
        fall += step[1].clamp(-most, most);
        size += step[2];
    }
    if left > (1.0 - PULSE) * power || size <= 0.0 {
        return None;
    }
    let duty = (fall - rise).rem_euclid(1.0);
    // Per component: noise, or what two flat levels do not explain.
    let noise = 2.0 * HANN * folded.noise / folded.samples as f64;
    let variance = noise.max(left / (2 * count - 3) as f64);
    let spread = inverse[(0, 0)] + inverse[(1, 1)] - 2.0 * inverse[(0, 1)];
    Some(Measure {
        value: duty,
        u: (variance * spread).max(0.0).sqrt(),
    })
}

/// Where the waveform rises and falls most steeply, in cycles; the highest harmonics
/// weigh less, so that steps do not ring.
fn steepest(harmonics: &[Complex<f64>]) -> (f64, f64) {
    let count = harmonics.len() - 1;
    let points = 8 * count;
    let mut slopes = (0..points).map(|point| {
        let phase = point as f64 / points as f64;
        let turn = Complex::from_polar(1.0, 2.0 * PI * phase);
        let mut power = Complex::new(1.0, 0.0);
        let mut slope = 0.0;
        for (h, c) in harmonics.iter().enumerate().skip(1) {
            power *= turn;
            let h = h as f64;
            let part = PI * h / (count as f64 + 1.0);
            // Lanczos' sigma factors.
            let weight = h * part.sin() / part;
            slope -= weight * (c * power).im;
        }
        (phase, slope)
    });
    let start = slopes.next().unwrap_or_default();
    let (mut rise, mut fall) = (start, start);
    for here in slopes {
        if here.1 > rise.1 {
            rise = here;
        }
        if here.1 < fall.1 {
            fall = here;
        }
    }
    (rise.0, fall.0)
}
