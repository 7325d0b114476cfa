//! Waveforms as Fourier series in closed form.

use std::f64::consts::{PI, TAU};

/// One period: x(p) = sum over h of `cosine[h] cos(2 pi h p) + sine[h] sin(2 pi h p)`,
/// p in periods. Index 0 is the constant and stays zero.
#[derive(Debug, Clone, PartialEq)]
pub struct Shape {
    /// Cosine amplitudes by the number of the harmonic.
    pub cosine: Vec<f64>,
    /// Sine amplitudes.
    pub sine: Vec<f64>,
}

impl Shape {
    /// From a formula that gives (cosine, sine) of harmonics 1 to `highest`.
    fn of(highest: usize, formula: impl Fn(f64) -> (f64, f64)) -> Self {
        let (mut cosine, mut sine) = (vec![0.0], vec![0.0]);
        for h in 1..=highest {
            let (c, s) = formula(h as f64);
            cosine.push(c);
            sine.push(s);
        }
        Self { cosine, sine }
    }

    /// A falling saw from 1 to -1: 2/pi sum sin(h x) / h.
    #[must_use]
    pub fn saw(highest: usize) -> Self {
        Self::of(highest, |h| (0.0, 2.0 / (PI * h)))
    }

    /// A pulse that is 1 for the first `duty` of the period and 0 after it, without its
    /// mean: the integral of exp(-i h x) over it.
    #[must_use]
    pub fn pulse(highest: usize, duty: f64) -> Self {
        Self::of(highest, |h| {
            let angle = TAU * h * duty;
            (angle.sin() / (PI * h), (1.0 - angle.cos()) / (PI * h))
        })
    }

    /// A triangle that rises from -1 to 1 in the first `rise` of the period and falls in
    /// the rest; 0.5 is the symmetric one. From its second derivative, two impulses.
    #[must_use]
    pub fn triangle(highest: usize, rise: f64) -> Self {
        Self::of(highest, |h| {
            let slopes = 2.0 / rise + 2.0 / (1.0 - rise);
            let angle = TAU * h * rise;
            let scale = -2.0 * slopes / (TAU * h).powi(2);
            (scale * (1.0 - angle.cos()), -scale * angle.sin())
        })
    }

    /// A sine.
    #[must_use]
    pub fn sine() -> Self {
        Self::of(1, |_| (0.0, 1.0))
    }

    /// What a folder makes of a sine: sin(`drive` sin x + `offset`), by the expansion
    /// in Bessel functions (DLMF 10.12.2 and 10.12.3: cos(z sin t) = J0 + 2 sum J2k
    /// cos 2kt, sin(z sin t) = 2 sum J(2k+1) sin (2k+1)t).
    #[must_use]
    pub fn folded(highest: usize, drive: f64, offset: f64) -> Self {
        let bessel = bessel_functions(highest, drive);
        Self::of(highest, |h| {
            let j = 2.0 * bessel[h as usize];
            if (h as usize).is_multiple_of(2) {
                (j * offset.sin(), 0.0)
            } else {
                (0.0, j * offset.cos())
            }
        })
    }

    /// Through a resonant low-pass filter with two poles at `corner` times the
    /// fundamental.
    #[must_use]
    pub fn filtered(mut self, corner: f64, resonance: f64) -> Self {
        for h in 1..self.cosine.len() {
            let ratio = h as f64 / corner;
            let (re, im) = (1.0 - ratio * ratio, ratio / resonance);
            let power = re * re + im * im;
            let (c, s) = (self.cosine[h], self.sine[h]);
            // (c - i s) / (re + i im)
            self.cosine[h] = (c * re - s * im) / power;
            self.sine[h] = (s * re + c * im) / power;
        }
        self
    }

    /// Some harmonics louder or softer.
    #[must_use]
    pub fn scaled(mut self, factor: impl Fn(usize) -> f64) -> Self {
        for h in 1..self.cosine.len() {
            self.cosine[h] *= factor(h);
            self.sine[h] *= factor(h);
        }
        self
    }

    /// The number of the highest harmonic.
    #[must_use]
    pub fn highest(&self) -> usize {
        self.cosine.len() - 1
    }

    /// The squared amplitude of a harmonic.
    #[must_use]
    pub fn amplitude_squared(&self, h: usize) -> f64 {
        self.cosine[h].powi(2) + self.sine[h].powi(2)
    }

    /// The mean square of the whole.
    #[must_use]
    pub fn power(&self) -> f64 {
        (1..=self.highest())
            .map(|h| self.amplitude_squared(h) / 2.0)
            .sum()
    }

    /// Of mean square one.
    #[must_use]
    pub fn normalised(self) -> Self {
        let gain = 1.0 / self.power().sqrt();
        self.scaled(|_| gain)
    }

    /// The value at a phase in periods, term by term: slow, for comparison.
    #[must_use]
    pub fn at(&self, phase: f64) -> f64 {
        (1..=self.highest())
            .map(|h| {
                let angle = TAU * (h as f64 * phase).fract();
                self.cosine[h] * angle.cos() + self.sine[h] * angle.sin()
            })
            .sum()
    }
}

/// J0(z) to J`highest`(z) by Miller's backward recurrence, J(n-1) = (2n/z) J(n) -
/// J(n+1), normalised by J0 + 2 sum J2k = 1 (DLMF 10.74(iv), 10.12.4).
fn bessel_functions(highest: usize, z: f64) -> Vec<f64> {
    let mut found = vec![0.0; highest + 1];
    if z.abs() < 1e-9 {
        found[0] = 1.0;
        return found;
    }
    let begin = 2 * (highest.min(z.abs() as usize + 60) / 2) + 2 * (z.abs() as usize) + 40;
    let (mut above, mut here, mut sum) = (0.0, 1e-280, 0.0);
    for n in (0..begin).rev() {
        // `here` is J(n + 1).
        let below = 2.0 * (n + 1) as f64 / z * here - above;
        (above, here) = (here, below);
        if n <= highest {
            found[n] = here;
        }
        if n % 2 == 0 {
            sum += if n == 0 { here } else { 2.0 * here };
        }
        if here.abs() > 1e200 {
            for value in &mut found {
                *value *= 1e-200;
            }
            (above, here, sum) = (above * 1e-200, here * 1e-200, sum * 1e-200);
        }
    }
    for value in &mut found {
        *value /= sum;
    }
    found
}

#[cfg(test)]
mod tests {
    use super::*;

    /// J0, J1 and J5 at 1 and 5: Abramowitz and Stegun, tables 9.1 and 9.2.
    #[test]
    fn bessel_functions_are_those_of_the_tables() {
        for (z, expected) in [
            (1.0, [(0, 0.765_197_686_6), (1, 0.440_050_585_7)]),
            (5.0, [(0, -0.177_596_771_3), (1, -0.327_579_137_6)]),
        ] {
            let found = bessel_functions(50, z);
            for (n, value) in expected {
                assert!((found[n] - value).abs() < 1e-9, "J{n}({z}): {}", found[n]);
            }
        }
        assert!((bessel_functions(50, 5.0)[5] - 0.261_140_546_1).abs() < 1e-9);
        assert!((bessel_functions(3, 5.0)[2] - 0.046_565_116_3).abs() < 1e-9);
    }

    /// Away from their corners the series come to the shapes that they are of.
    #[test]
    fn series_come_to_their_closed_forms() {
        let highest = 4_000;
        let duty: f64 = 0.3;
        let shapes: [(Shape, &dyn Fn(f64) -> f64); 5] = [
            (Shape::saw(highest), &|p| 1.0 - 2.0 * p),
            (Shape::pulse(highest, duty), &|p| {
                if p < duty { 1.0 - duty } else { -duty }
            }),
            (Shape::triangle(highest, 0.5), &|p| {
                if p < 0.5 {
                    4.0 * p - 1.0
                } else {
                    3.0 - 4.0 * p
                }
            }),
            (Shape::triangle(highest, 0.2), &|p| {
                if p < 0.2 {
                    10.0 * p - 1.0
                } else {
                    1.0 - 2.5 * (p - 0.2)
                }
            }),
            (Shape::sine(), &|p| (TAU * p).sin()),
        ];
        for (number, (shape, exact)) in shapes.iter().enumerate() {
            for p in [0.03, 0.11, 0.25, 0.41, 0.77, 0.93] {
                let difference = shape.at(p) - exact(p);
                assert!(difference.abs() < 2e-3, "{number} at {p}: {difference}");
            }
        }
    }

    #[test]
    fn a_folded_sine_is_its_formula() {
        for (drive, offset) in [(0.5_f64, 0.0_f64), (4.3, 0.6), (9.0, 1.5)] {
            let shape = Shape::folded(60, drive, offset);
            let exact = |p: f64| (drive * (TAU * p).sin() + offset).sin();
            let mean = bessel_functions(0, drive)[0] * offset.sin();
            for p in [0.0, 0.07, 0.31, 0.5, 0.83] {
                let difference = shape.at(p) + mean - exact(p);
                assert!(difference.abs() < 1e-12, "{drive} at {p}: {difference}");
            }
        }
    }

    /// A filter's response at its corner: amplitude is the resonance, a quarter late.
    #[test]
    fn a_filter_at_its_corner() {
        let shape = Shape::sine().filtered(1.0, 3.0);
        assert!((shape.cosine[1] + 3.0).abs() < 1e-12 || (shape.cosine[1] - 3.0).abs() < 1e-12);
        let late = shape.at(0.5);
        assert!(
            (late - Shape::sine().at(0.25) * 3.0).abs() < 1e-12,
            "{late}"
        );
    }
}
