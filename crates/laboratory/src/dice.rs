//! Random numbers from seeds.

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};

/// A stream of random numbers that depends on a seed, a name and a number only, so that
/// one case can be made again without those before it.
#[derive(Debug)]
pub struct Dice {
    source: ChaCha8Rng,
    spare: Option<f64>,
}

impl Dice {
    /// The stream of case `index` of what is called `name`.
    #[must_use]
    pub fn new(seed: u64, name: &str, index: u64) -> Self {
        let mut key = [0; 32];
        key[..8].copy_from_slice(&seed.to_le_bytes());
        key[8..16].copy_from_slice(&index.to_le_bytes());
        for (n, byte) in name.bytes().enumerate() {
            let place = &mut key[16 + n % 16];
            *place = place.rotate_left(3) ^ byte;
        }
        Self {
            source: ChaCha8Rng::from_seed(key),
            spare: None,
        }
    }

    /// Uniform in [0, 1).
    pub fn unit(&mut self) -> f64 {
        (self.source.next_u64() >> 11) as f64 * (-53_f64).exp2()
    }

    /// Uniform between two numbers.
    pub fn between(&mut self, low: f64, high: f64) -> f64 {
        low + (high - low) * self.unit()
    }

    /// Uniform in the logarithm.
    pub fn log_between(&mut self, low: f64, high: f64) -> f64 {
        self.between(low.log2(), high.log2()).exp2()
    }

    /// One of them.
    ///
    /// # Panics
    /// When there is none.
    pub fn one_of<T: Copy>(&mut self, choices: &[T]) -> T {
        choices[(self.unit() * choices.len() as f64) as usize]
    }

    /// Normal, of mean 0 and variance 1, by the polar method (Marsaglia and Bray, "A
    /// convenient method for generating normal variables", 1964; from memory).
    pub fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        loop {
            let (x, y) = (self.between(-1.0, 1.0), self.between(-1.0, 1.0));
            let square = x * x + y * y;
            if square > 0.0 && square < 1.0 {
                let factor = (-2.0 * square.ln() / square).sqrt();
                self.spare = Some(y * factor);
                return x * factor;
            }
        }
    }
}
