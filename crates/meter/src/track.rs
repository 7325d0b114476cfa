//! The phase of the oscillation over the window: a polynomial of low order.

/// How many coefficients a track can have: orders 0 to 5.
pub(crate) const TERMS: usize = 6;

/// Phase in cycles as a polynomial in tau = 2 n / N - 1, where n counts samples
/// of a window of N: tau runs over [-1, 1) while time runs over [0, T).
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Track {
    pub coefficients: [f64; TERMS],
    /// N, the length of the window.
    pub samples: f64,
}

/// A numerically controlled oscillator for a short block: phase, step and change
/// of step in units of 2^-64 cycle, so that whole cycles drop out by themselves.
#[derive(Debug, Clone, Copy)]
pub(crate) struct Rotor {
    pub phase: u64,
    pub step: u64,
    pub bend: u64,
}

const CYCLE: f64 = 18_446_744_073_709_551_616.0;

/// Signed cycles, at most half a cycle, as a fixed-point fraction.
fn small(cycles: f64) -> u64 {
    ((cycles * CYCLE) as i64).cast_unsigned()
}

impl Track {
    /// A steady oscillation of `step` cycles per sample.
    pub fn steady(step: f64, samples: usize) -> Self {
        let samples = samples as f64;
        let mut coefficients = [0.0; TERMS];
        coefficients[1] = step * samples / 2.0;
        Self {
            coefficients,
            samples,
        }
    }

    /// The phase in cycles.
    pub fn phase(&self, tau: f64) -> f64 {
        self.coefficients
            .iter()
            .rev()
            .fold(0.0, |sum, c| sum * tau + c)
    }

    /// The phase at a sample, which need not be whole.
    pub fn phase_at(&self, sample: f64) -> f64 {
        self.phase(2.0 * sample / self.samples - 1.0)
    }

    /// Cycles per sample, averaged over [0, T): what the phase gains from one end
    /// of the window to the other, over its length.
    pub fn mean_step(&self) -> f64 {
        let c = &self.coefficients;
        2.0 * (c[1] + c[3] + c[5]) / self.samples
    }

    /// Change of the frequency across the window, in cycles per sample, of the
    /// straight line through it.
    pub fn change(&self) -> f64 {
        let c = &self.coefficients;
        // The derivative at both ends: 2 (2 c2 + 4 c4) in units of tau.
        2.0 * (2.0 * c[2] + 4.0 * c[4]) * 2.0 / self.samples
    }

    /// The track of the oscillation that turns `factor` times as fast.
    pub fn scaled(&self, factor: f64) -> Self {
        Self {
            coefficients: self.coefficients.map(|c| c * factor),
            samples: self.samples,
        }
    }

    /// An oscillator that follows the track over `length` samples from `start`
    /// on, exact at the start, the middle and the end.
    pub fn rotor(&self, start: usize, length: usize) -> Rotor {
        let length = length as f64;
        let start = start as f64;
        let first = self.phase_at(start);
        let middle = self.phase_at(start + length / 2.0) - first;
        let last = self.phase_at(start + length) - first;
        let square = 2.0 * (last - 2.0 * middle) / (length * length);
        let linear = last / length - square * length;
        Rotor {
            phase: ((first - first.floor()) * CYCLE) as u64,
            step: small(linear + square),
            bend: small(2.0 * square),
        }
    }
}

/// Solves the symmetric system `matrix` x = `right` of the first `size` unknowns.
/// `None` where it is singular.
pub(crate) fn solve(
    matrix: &[[f64; TERMS]; TERMS],
    right: &[f64; TERMS],
    size: usize,
) -> Option<[f64; TERMS]> {
    let mut a = *matrix;
    let mut x = *right;
    // Scaled to a unit diagonal first, so that "too small" means something.
    let mut scale = [0.0; TERMS];
    for i in 0..size {
        if a[i][i].is_nan() || a[i][i] <= 0.0 {
            return None;
        }
        scale[i] = 1.0 / a[i][i].sqrt();
    }
    for i in 0..size {
        for j in 0..size {
            a[i][j] *= scale[i] * scale[j];
        }
        x[i] *= scale[i];
    }
    for column in 0..size {
        let pivot =
            (column..size).max_by(|&p, &q| a[p][column].abs().total_cmp(&a[q][column].abs()))?;
        if a[pivot][column].abs() < 1e-12 {
            return None;
        }
        a.swap(pivot, column);
        x.swap(pivot, column);
        for row in column + 1..size {
            let factor = a[row][column] / a[column][column];
            let (above, below) = a.split_at_mut(row);
            for (to, from) in below[0][column..size]
                .iter_mut()
                .zip(&above[column][column..size])
            {
                *to -= factor * from;
            }
            x[row] -= factor * x[column];
        }
    }
    for row in (0..size).rev() {
        for k in row + 1..size {
            x[row] -= a[row][k] * x[k];
        }
        x[row] /= a[row][row];
    }
    for i in 0..size {
        x[i] *= scale[i];
    }
    x[..size].iter().all(|v| v.is_finite()).then_some(x)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_rotor_follows_the_track() {
        let mut track = Track::steady(0.012_345, 24_000);
        track.coefficients[2] = 3.0;
        track.coefficients[3] = -0.2;
        let rotor = track.rotor(1_000, 256);
        let (mut phase, mut step) = (rotor.phase, rotor.step);
        for i in 0..256 {
            let expected = track.phase_at(f64::from(1_000 + i));
            let error = phase as f64 / CYCLE - expected;
            assert!((error - error.round()).abs() < 1e-7, "{i}: {error}");
            phase = phase.wrapping_add(step);
            step = step.wrapping_add(rotor.bend);
        }
    }

    #[test]
    fn the_mean_is_the_gain_over_the_window() {
        let mut track = Track::steady(0.01, 1_000);
        track.coefficients[2] = 1.0;
        track.coefficients[3] = 0.1;
        let gain = track.phase_at(1_000.0) - track.phase_at(0.0);
        assert!((track.mean_step() - gain / 1_000.0).abs() < 1e-15);
    }
}
