//! Randomness that is looked up rather than drawn: every value is a pure function
//! of a seed, a source and an index, so asking twice, in another order or after a
//! restart gives the same value.

use std::sync::OnceLock;

/// What is looked up in: one per (seed, source), made once.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub struct Source(u64);

impl Source {
    /// The source of this name under a seed.
    #[must_use]
    pub fn new(seed: u64, name: &str) -> Self {
        // FNV-1a over the name (Fowler, Noll, Vo), then mixed with the seed.
        let name = name.bytes().fold(0xcbf2_9ce4_8422_2325_u64, |hash, byte| {
            (hash ^ u64::from(byte)).wrapping_mul(0x0100_0000_01b3)
        });
        Self(mix(seed ^ mix(name)))
    }
    /// A source below this one.
    #[must_use]
    pub const fn part(self, index: u64) -> Self {
        Self(mix(self.0 ^ mix(index.wrapping_add(0x5851_f42d_4c95_7f2d))))
    }
    /// 64 random bits.
    #[must_use]
    #[inline]
    pub const fn bits(self, index: u64) -> u64 {
        mix(self
            .0
            .wrapping_add(index.wrapping_mul(0x9e37_79b9_7f4a_7c15)))
    }
    /// A number from 0 up to, not including, 1.
    #[must_use]
    #[inline]
    pub const fn uniform(self, index: u64) -> f64 {
        (self.bits(index) >> 11) as f64 * (1.0 / (1_u64 << 53) as f64)
    }
    /// A number of the normal distribution with mean 0 and variance 1.
    #[must_use]
    #[inline]
    pub fn normal(self, index: u64) -> f64 {
        Normal::table().value(self.bits(index))
    }
}

/// The finaliser of SplitMix64 (Steele, Lea, Flood, "Fast splittable pseudorandom
/// number generators", 2014).
#[inline]
const fn mix(mut bits: u64) -> u64 {
    bits = (bits ^ (bits >> 30)).wrapping_mul(0xbf58_476d_1ce4_e5b9);
    bits = (bits ^ (bits >> 27)).wrapping_mul(0x94d0_49bb_1331_11eb);
    bits ^ (bits >> 31)
}

const QUANTILES: usize = 4096;

/// The normal distribution as a table of its quantiles, linear in between. Its
/// tails end at 3.7 standard deviations, which noise on a bench can bear.
pub struct Normal {
    quantiles: Box<[f32]>,
}

impl Normal {
    /// The table, made on first use.
    #[must_use]
    pub fn table() -> &'static Self {
        static TABLE: OnceLock<Normal> = OnceLock::new();
        TABLE.get_or_init(|| {
            let raw: Vec<f64> = (0..=QUANTILES)
                .map(|index| quantile((index as f64 + 0.5) / (QUANTILES as f64 + 1.0)))
                .collect();
            // Mean square of a function that is linear between the entries.
            let power = raw
                .windows(2)
                .map(|pair| (pair[0] * pair[0] + pair[0] * pair[1] + pair[1] * pair[1]) / 3.0)
                .sum::<f64>()
                / QUANTILES as f64;
            let scale = 1.0 / power.sqrt();
            Self {
                quantiles: raw.iter().map(|value| (value * scale) as f32).collect(),
            }
        })
    }
    /// The value that belongs to 64 random bits.
    #[must_use]
    #[inline]
    pub fn value(&self, bits: u64) -> f64 {
        f64::from(self.value_f32(bits))
    }
    /// The same in single precision, for samples.
    #[must_use]
    #[inline]
    pub fn value_f32(&self, bits: u64) -> f32 {
        let index = (bits >> 52) as usize;
        let between = ((bits >> 28) & 0xff_ffff) as f32 * (1.0 / 16_777_216.0);
        let low = self.quantiles[index];
        low + (self.quantiles[index + 1] - low) * between
    }
}

/// The quantile of the normal distribution, by bisection of the error function.
fn quantile(probability: f64) -> f64 {
    let (mut low, mut high) = (-8.0, 8.0);
    for _ in 0..60 {
        let middle = 0.5 * (low + high);
        if 0.5 * libm::erfc(-middle * std::f64::consts::FRAC_1_SQRT_2) < probability {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

/// Levels of the tree below: from 2^24 s (194 days) down to 1/128 s.
const LEVELS: u32 = 31;
/// Nodes in a second.
pub const NODES_PER_SECOND: u64 = 128;

/// The time error (seconds) of an oscillator with white and flicker frequency
/// noise, at the nodes of a fixed grid of [`NODES_PER_SECOND`].
///
/// White frequency noise is a random walk of the time error; it is built by
/// halving (Levy's construction of Brownian motion), so that one value costs a
/// look-up a level and depends on nothing but its index. Flicker is a sum over
/// octaves of time of smooth noise of equal frequency variance (a spectrum of 1/f
/// in steps of an octave).
#[derive(Debug, Clone, Copy)]
pub struct TimeError {
    white: f64,
    flicker: f64,
    walk: Source,
    octaves: Source,
}

/// Shortest and longest octave of flicker, as powers of two of a second.
const FLICKER_OCTAVES: std::ops::RangeInclusive<i32> = -5..=16;
/// Makes the flat level of the Allan deviation of the flicker part one, found by
/// `the_flicker_is_flat` below.
const FLICKER_SCALE: f64 = 0.413;

impl TimeError {
    /// Noise whose Allan deviation is `white` / sqrt(tau / 1 s) and `flicker`.
    #[must_use]
    pub fn new(source: Source, white: f64, flicker: f64) -> Self {
        Self {
            white,
            flicker: flicker * FLICKER_SCALE,
            walk: source.part(1),
            octaves: source.part(2),
        }
    }
    /// The time error at a node, in seconds.
    #[must_use]
    pub fn at_node(&self, node: u64) -> f64 {
        let mut sum = 0.0;
        if self.white > 0.0 {
            sum += self.white * self.walk_at(node);
        }
        if self.flicker > 0.0 {
            sum += self.flicker * self.flicker_at(node);
        }
        sum
    }
    /// The time error at any time: a cubic spline through the neighbourhood of the
    /// nodes, so that the noise ends smoothly above half the nodes' rate.
    #[must_use]
    pub fn at(&self, t: f64) -> f64 {
        let place = (t * NODES_PER_SECOND as f64).max(0.0);
        let node = place as u64;
        Self::between(&self.around(node), place - node as f64)
    }
    /// The time errors at a node, the one before it and the two after it.
    #[must_use]
    pub fn around(&self, node: u64) -> [f64; 4] {
        [
            self.at_node(node.saturating_sub(1)),
            self.at_node(node),
            self.at_node(node + 1),
            self.at_node(node + 2),
        ]
    }
    /// The time error between the second and the third of four nodes: a uniform
    /// cubic B-spline (de Boor, "A practical guide to splines").
    #[must_use]
    pub fn between(nodes: &[f64; 4], u: f64) -> f64 {
        let v = 1.0 - u;
        let weights = [
            v * v * v,
            (3.0 * u - 6.0) * u * u + 4.0,
            (3.0 * v - 6.0) * v * v + 4.0,
            u * u * u,
        ];
        let sum: f64 = nodes.iter().zip(weights).map(|(x, w)| x * w).sum();
        sum / 6.0
    }
    fn walk_at(&self, node: u64) -> f64 {
        let top = 1_u64 << LEVELS;
        let node = node.min(top);
        let seconds = top as f64 / NODES_PER_SECOND as f64;
        let (mut low, mut high) = (0_u64, top);
        let (mut at_low, mut at_high) = (0.0, self.walk.normal(0) * seconds.sqrt());
        let mut spread = 0.5 * seconds.sqrt();
        let mut index = 1_u64;
        while high - low > 1 {
            if node == low {
                return at_low;
            }
            let middle = u64::midpoint(low, high);
            let at_middle = 0.5 * (at_low + at_high) + spread * self.walk.normal(index);
            if node < middle {
                (high, at_high) = (middle, at_middle);
                index *= 2;
            } else {
                (low, at_low) = (middle, at_middle);
                index = index * 2 + 1;
            }
            spread *= std::f64::consts::FRAC_1_SQRT_2;
        }
        if node == low { at_low } else { at_high }
    }
    fn flicker_at(&self, node: u64) -> f64 {
        let t = node as f64 / NODES_PER_SECOND as f64;
        FLICKER_OCTAVES
            .map(|octave| {
                let scale = libm::ldexp(1.0, octave);
                let source = self.octaves.part((octave + 64) as u64);
                // Octaves are shifted against each other, so that their nodes do
                // not fall together.
                let place = t / scale + source.uniform(u64::MAX);
                let whole = place.floor();
                let x = place - whole;
                let before = source.normal(whole as u64);
                let after = source.normal(whole as u64 + 1);
                // Quintic: value, slope and curvature continuous.
                let ease = x * x * x * (x * (x * 6.0 - 15.0) + 10.0);
                scale * (before + (after - before) * ease)
            })
            .sum()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_normal_table_has_the_moments_of_the_normal_distribution() {
        let source = Source::new(7, "moments");
        let values: Vec<f64> = (0..400_000).map(|index| source.normal(index)).collect();
        let moment = |power| values.iter().map(|v: &f64| v.powi(power)).sum::<f64>() / 4e5;
        // Standard errors: 0.0016, 0.0022, 0.0155 (0, 1, 3 of the normal distribution).
        assert!(moment(1).abs() < 0.007, "{}", moment(1));
        assert!((moment(2) - 1.0).abs() < 0.01, "{}", moment(2));
        assert!((moment(4) - 3.0).abs() < 0.08, "{}", moment(4));
    }

    /// Overlapping Allan deviation of time errors (NIST SP 1065, equation 11).
    fn allan(x: &[f64], step: usize) -> f64 {
        let tau = step as f64 / NODES_PER_SECOND as f64;
        let terms = x.len() - 2 * step;
        let sum: f64 = (0..terms)
            .map(|at| (x[at + 2 * step] - 2.0 * x[at + step] + x[at]).powi(2))
            .sum();
        (sum / (2.0 * tau * tau * terms as f64)).sqrt()
    }

    fn averaged(white: f64, flicker: f64, step: usize, length: u64) -> f64 {
        let square: f64 = (0..8)
            .map(|seed| {
                let noise = TimeError::new(Source::new(seed, "allan"), white, flicker);
                let x: Vec<f64> = (0..length)
                    .map(|node| noise.at_node(10_000_000 + node))
                    .collect();
                allan(&x, step).powi(2)
            })
            .sum();
        (square / 8.0).sqrt()
    }

    #[test]
    fn white_frequency_noise_falls_as_the_root_of_time() {
        for (step, tau) in [(16, 0.125_f64), (128, 1.0), (1024, 8.0)] {
            let found = averaged(1e-6, 0.0, step, 20_000);
            assert!(
                (found / (1e-6 / tau.sqrt()) - 1.0).abs() < 0.15,
                "{tau} s: {found:e}"
            );
        }
    }

    #[test]
    fn the_flicker_is_flat() {
        for step in [16, 128, 1024, 4096] {
            let found = averaged(0.0, 1e-6, step, 40_000);
            assert!((found / 1e-6 - 1.0).abs() < 0.25, "{step}: {found:e}");
        }
    }
}
