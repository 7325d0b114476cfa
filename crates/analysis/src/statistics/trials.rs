//! Monte Carlo trials: seeded, and the same on every machine of one kind.
//! Propagation of distributions by JCGM 101; limits are rectangular (GUM 4.3.7).

use rand_chacha::ChaCha8Rng;
use rand_chacha::rand_core::{Rng, SeedableRng};
use std::f64::consts::TAU;

/// Where the numbers of a source begin: the seed of their stream.
pub(crate) type Address = [u8; 32];

/// Random numbers of one result.
pub(crate) struct Trials {
    source: ChaCha8Rng,
    spare: Option<f64>,
}

impl Trials {
    /// The numbers of the result with this place: they depend on nothing else.
    pub(crate) fn of(place: [u64; 3]) -> Self {
        let mut seed = [0u8; 32];
        seed[..8].copy_from_slice(&0x6e69_6768_7462_656e_u64.to_le_bytes());
        for (index, part) in place.iter().enumerate() {
            seed[8 * (index + 1)..8 * (index + 2)].copy_from_slice(&part.to_le_bytes());
        }
        Self {
            source: ChaCha8Rng::from_seed(seed),
            spare: None,
        }
    }
    /// The numbers of the stream that begins at an address.
    pub(crate) fn at(address: Address) -> Self {
        Self {
            source: ChaCha8Rng::from_seed(address),
            spare: None,
        }
    }
    /// Uniform between 0 (excluded) and 1.
    fn unit(&mut self) -> f64 {
        ((self.source.next_u64() >> 11) + 1) as f64 * (1.0 / (1u64 << 53) as f64)
    }
    /// Rectangular between the limits, either way.
    pub(crate) fn within(&mut self, limit: f64) -> f64 {
        limit * (2.0 * self.unit() - 1.0)
    }
    /// Normal, mean 0, standard deviation 1 (Box and Muller 1958).
    pub(crate) fn normal(&mut self) -> f64 {
        if let Some(spare) = self.spare.take() {
            return spare;
        }
        let radius = (-2.0 * self.unit().ln()).sqrt();
        let (sine, cosine) = (TAU * self.unit()).sin_cos();
        self.spare = Some(radius * sine);
        radius * cosine
    }
    /// What a standard deviation estimated with so many degrees of freedom must
    /// be multiplied by, drawn from its distribution: `sqrt(n / chi^2_n)`.
    pub(crate) fn unknown_scale(&mut self, degrees_of_freedom: usize) -> f64 {
        if degrees_of_freedom == 0 || degrees_of_freedom > 60 {
            return 1.0;
        }
        let squares: f64 = (0..degrees_of_freedom).map(|_| self.normal().powi(2)).sum();
        (degrees_of_freedom as f64 / squares.max(1e-9)).sqrt()
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::statistics::{quantile, standard_deviation};

    #[test]
    fn the_draws_have_the_moments_they_should() {
        let mut trials = Trials::of([1, 2, 3]);
        let normals: Vec<f64> = (0..40_000).map(|_| trials.normal()).collect();
        assert!((standard_deviation(&normals) - 1.0).abs() < 0.015);
        let mut sorted = normals;
        sorted.sort_by(f64::total_cmp);
        assert!((quantile(&sorted, 0.975) - 1.96).abs() < 0.05);
        // A rectangle's standard deviation is its limit over the square root of 3 (GUM 4.3.7).
        let rectangle: Vec<f64> = (0..40_000).map(|_| trials.within(3.0)).collect();
        assert!((standard_deviation(&rectangle) - 3f64.sqrt()).abs() < 0.02);
        // With 5 degrees of freedom 95 % of Student's t lie within 2.57 (GUM Table G.2).
        let mut t: Vec<f64> = (0..40_000)
            .map(|_| trials.normal() * trials.unknown_scale(5))
            .collect();
        t.sort_by(f64::total_cmp);
        assert!((quantile(&t, 0.975) - 2.57).abs() < 0.12);
    }

    /// The length of an end gauge by draws (GUM H.1 and JCGM 101, 9.5), a model with
    /// products. With inputs as well known as stated its standard uncertainty is 34 nm,
    /// second order included (H.1.7; 33.81 recomputed with GTC, an open library). With
    /// deviations known by so many degrees of freedom, and limits that are themselves
    /// uncertain, it is 36 nm (JCGM 101, from memory).
    #[test]
    fn an_end_gauge_is_that_of_the_guides() {
        let length = |trials: &mut Trials, freedom: [usize; 4], vague: [f64; 2]| {
            let mut normal = |u: f64, freedom| trials.normal() * u * trials.unknown_scale(freedom);
            let standard = normal(25.0, freedom[0]);
            let difference =
                normal(5.8, freedom[1]) + normal(3.9, freedom[2]) + normal(6.7, freedom[3]);
            // A cycle of half a kelvin about a mean of -0.1 with u = 0.2.
            let mean = -0.1 + normal(0.2, 0);
            let cycle = 0.5 * (trials.within(1.0) * std::f64::consts::PI).sin();
            let expansion = 11.5e-6 + trials.within(2e-6);
            let mut limit = |limit: f64, vague: f64| {
                let limit = limit + trials.within(vague);
                trials.within(limit)
            };
            let expansions = limit(1e-6, vague[0]);
            let temperatures = limit(0.05, vague[1]);
            let nominal = 50_000_623.0 + standard;
            standard + 215.0 + difference
                - nominal * (expansions * (mean + cycle) + expansion * temperatures)
        };
        let mut trials = Trials::of([0x47, 0x48, 1]);
        let mut u = |freedom, vague| {
            let lengths: Vec<f64> = (0..100_000)
                .map(|_| length(&mut trials, freedom, vague))
                .collect();
            let mean = lengths.iter().sum::<f64>() / 1e5;
            // 50 000 838 nm, less the 50 000 623 of the standard.
            assert!((mean - 215.0).abs() < 0.5, "{mean}");
            standard_deviation(&lengths)
        };
        // The estimate scatters by 0.08.
        let known = u([0; 4], [0.0; 2]);
        assert!((known - 33.81).abs() < 0.25, "{known}");
        let vague = u([18, 24, 5, 8], [0.1e-6, 0.025]);
        assert!((vague - 36.0).abs() < 0.5, "{vague}");
    }

    #[test]
    fn a_place_always_draws_the_same() {
        assert_eq!(
            Trials::of([1, 0, 0]).normal(),
            Trials::of([1, 0, 0]).normal()
        );
        assert_ne!(
            Trials::of([1, 0, 0]).normal(),
            Trials::of([0, 1, 0]).normal()
        );
    }
}
