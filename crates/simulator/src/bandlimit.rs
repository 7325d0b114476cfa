//! Band-limited steps and corners: what a sampler with a good filter makes of a
//! sudden change of value or of slope between two samples.
//!
//! The filter is a sinc under a Kaiser window (Kaiser 1974; the step residual is
//! the method of Stilson and Smith, "Alias-free digital synthesis of classic analog
//! waveforms", 1996, with the window's length bounded): flat to 0.40 of the rate,
//! down by 100 dB from 0.50 of the rate on, where folding begins.

use std::sync::OnceLock;

/// Samples either side that a change reaches.
pub const REACH: usize = 32;
const TAPS: usize = 2 * REACH;
/// Rows to a sample; in between the table is linear.
const ROWS: usize = 512;
/// Attenuation from half the rate on, in dB.
const ATTENUATION: f64 = 100.0;

/// What is left of a step and of a corner after the plain ones are taken away.
pub struct Residuals {
    steps: Box<[[f32; TAPS]]>,
    corners: Box<[[f32; TAPS]]>,
}

impl Residuals {
    /// The tables, made on first use.
    #[must_use]
    pub fn table() -> &'static Self {
        static TABLE: OnceLock<Residuals> = OnceLock::new();
        TABLE.get_or_init(Self::new)
    }

    fn new() -> Self {
        // Kaiser's formulas for the transition's width and the window's shape.
        let width = (ATTENUATION - 8.0) / (2.285 * TAPS as f64) / std::f64::consts::TAU;
        let cutoff = 0.5 - 0.5 * width;
        let beta = 0.1102 * (ATTENUATION - 8.7);
        let reach = REACH as f64;
        let kernel = |t: f64| {
            if t.abs() >= reach {
                return 0.0;
            }
            let x = std::f64::consts::TAU * cutoff * t;
            let sinc = if x.abs() < 1e-9 {
                1.0
            } else {
                libm::sin(x) / x
            };
            let place = t / reach;
            2.0 * cutoff * sinc * bessel_i0(beta * (1.0 - place * place).sqrt()) / bessel_i0(beta)
        };
        // Integrals over the whole reach at the table's points, by Simpson's rule.
        let points = TAPS * ROWS;
        let h = 1.0 / ROWS as f64;
        let time = |point: usize| point as f64 * h - reach;
        let mut step = vec![0.0; points + 1];
        let mut before = kernel(-reach);
        for point in 0..points {
            let middle = kernel(time(point) + 0.5 * h);
            let after = kernel(time(point + 1));
            step[point + 1] = step[point] + h / 6.0 * (before + 4.0 * middle + after);
            before = after;
        }
        let whole = step[points];
        for value in &mut step {
            *value /= whole;
        }
        // The integral of the step less the plain step; odd, so it starts and ends at zero.
        let mut corner = vec![0.0; points + 1];
        let plain = |point: usize| if point >= points / 2 { 1.0 } else { 0.0 };
        for point in 0..points {
            let side = plain(point);
            // Corrected trapezoid: the kernel is the slope of the step.
            let correction = h * h / 12.0 * (kernel(time(point)) - kernel(time(point + 1))) / whole;
            corner[point + 1] =
                corner[point] + 0.5 * h * (step[point] + step[point + 1] - 2.0 * side) + correction;
        }
        let rows = |values: &[f64], minus_plain: bool| -> Box<[[f32; TAPS]]> {
            (0..=ROWS)
                .map(|row| {
                    std::array::from_fn(|tap| {
                        let value = values[tap * ROWS + row];
                        // Which side a tap lies on is a matter of samples, not of time.
                        let plain = if minus_plain && tap >= REACH {
                            1.0
                        } else {
                            0.0
                        };
                        (value - plain) as f32
                    })
                })
                .collect()
        };
        Self {
            steps: rows(&step, true),
            corners: rows(&corner, false),
        }
    }

    /// Adds what a step of `size` leaves to samples. `at` is the first sample at or
    /// after it, counted in `samples` (it may lie outside), `late` the part of a
    /// sample from the step to that sample, from 0 up to 1.
    pub fn add_step(&self, samples: &mut [f32], at: i64, late: f64, size: f64) {
        add(&self.steps, samples, at, late, size as f32);
    }

    /// Adds what a corner leaves, `change` being the change of slope per sample.
    pub fn add_corner(&self, samples: &mut [f32], at: i64, late: f64, change: f64) {
        add(&self.corners, samples, at, late, change as f32);
    }
}

#[inline]
fn add(table: &[[f32; TAPS]], samples: &mut [f32], at: i64, late: f64, size: f32) {
    let place = late.clamp(0.0, 1.0) * ROWS as f64;
    let row = (place as usize).min(ROWS - 1);
    let between = (place - row as f64) as f32;
    let (low, high) = (&table[row], &table[row + 1]);
    let first = at - REACH as i64;
    let length = samples.len() as i64;
    let from = (-first).clamp(0, TAPS as i64);
    let to = (length - first).clamp(from, TAPS as i64);
    if from >= to {
        return;
    }
    let target = &mut samples[(first + from) as usize..(first + to) as usize];
    let range = from as usize..to as usize;
    for ((sample, low), high) in target.iter_mut().zip(&low[range.clone()]).zip(&high[range]) {
        *sample += size * (low + (high - low) * between);
    }
}

/// The modified Bessel function of order zero, by its series.
fn bessel_i0(x: f64) -> f64 {
    let quarter = 0.25 * x * x;
    let (mut term, mut sum) = (1.0, 1.0);
    for k in 1..200 {
        term *= quarter / f64::from(k * k);
        sum += term;
        if term < 1e-17 * sum {
            break;
        }
    }
    sum
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn residuals_die_out_at_the_ends_and_are_odd() {
        let table = Residuals::table();
        for row in [0, 100, ROWS] {
            assert!(table.steps[row][0].abs() < 1e-5);
            assert!(table.steps[row][TAPS - 1].abs() < 1e-5);
            assert!(table.corners[row][0].abs() < 1e-5);
            assert!(table.corners[row][TAPS - 1].abs() < 1e-5);
        }
        // Half way through the step the filter is at one half.
        assert!((table.steps[0][REACH] + 0.5).abs() < 1e-6);
        assert!((table.steps[ROWS / 2][REACH] + table.steps[ROWS / 2][REACH - 1]).abs() < 1e-6);
    }

    #[test]
    fn bessel_has_its_tabulated_value() {
        // Abramowitz and Stegun, table 9.8: exp(-x) I0(x) at 1 and 5 (from memory).
        assert!((bessel_i0(1.0) - 1.266_065_877_752).abs() < 1e-11);
        assert!((bessel_i0(5.0) - 27.239_871_823_604).abs() < 1e-10);
    }
}
