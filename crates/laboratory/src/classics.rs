//! Two ways to a pitch that everybody knows, to compare with.

use rustfft::FftPlanner;
use rustfft::num_complex::Complex;
use std::f64::consts::TAU;

/// The offset of a parabola's top from the middle of three values.
fn top(before: f64, here: f64, after: f64) -> f64 {
    let bend = before - 2.0 * here + after;
    if bend.abs() > 0.0 {
        0.5 * (before - after) / bend
    } else {
        0.0
    }
}

fn spectrum(values: impl Iterator<Item = f64>, length: usize) -> Vec<Complex<f64>> {
    let mut spectrum: Vec<Complex<f64>> = values.map(|y| Complex::new(y, 0.0)).collect();
    spectrum.resize(length, Complex::new(0.0, 0.0));
    FftPlanner::new()
        .plan_fft_forward(length)
        .process(&mut spectrum);
    spectrum
}

fn without_mean(samples: &[f32]) -> impl Iterator<Item = f64> {
    let mean = samples.iter().map(|y| f64::from(*y)).sum::<f64>() / samples.len().max(1) as f64;
    samples.iter().map(move |y| f64::from(*y) - mean)
}

/// The highest line of the spectrum under Hann's window, with a parabola through its
/// logarithm: the loudest harmonic's frequency, in hertz.
#[must_use]
pub fn spectral_peak(samples: &[f32], rate: f64) -> Option<f64> {
    let n = samples.len() as f64;
    let length = (2 * samples.len()).next_power_of_two();
    let windowed = without_mean(samples)
        .enumerate()
        .map(|(k, y)| y * (0.5 - 0.5 * (TAU * k as f64 / n).cos()));
    let power: Vec<f64> = spectrum(windowed, length)
        .iter()
        .take(length / 2)
        .map(|bin| bin.norm_sqr().max(1e-300).ln())
        .collect();
    let peak = (2..power.len().checked_sub(1)?).max_by(|a, b| power[*a].total_cmp(&power[*b]))?;
    let exact = peak as f64 + top(power[peak - 1], power[peak], power[peak + 1]);
    Some(exact * rate / length as f64)
}

/// The first peak of the autocorrelation of nine tenths of the highest, with a parabola.
#[must_use]
pub fn autocorrelation_peak(samples: &[f32], rate: f64) -> Option<f64> {
    let length = (2 * samples.len()).next_power_of_two();
    let power = spectrum(without_mean(samples), length);
    let mut values: Vec<Complex<f64>> = power
        .iter()
        .map(|bin| Complex::new(bin.norm_sqr(), 0.0))
        .collect();
    FftPlanner::new()
        .plan_fft_inverse(length)
        .process(&mut values);
    // By the number of products at each lag.
    let at = |lag: usize| values[lag].re / (samples.len() - lag) as f64;
    let longest = (samples.len() * 2 / 3).min((rate / 7.0) as usize);
    let begin = (1..longest).find(|lag| at(*lag) < 0.0)?;
    let highest = (begin..longest).map(at).fold(0.0, f64::max);
    let peak = (begin + 1..longest.checked_sub(1)?).find(|lag| {
        at(*lag) > 0.9 * highest && at(*lag) >= at(lag - 1) && at(*lag) >= at(lag + 1)
    })?;
    let exact = peak as f64 + top(at(peak - 1), at(peak), at(peak + 1));
    Some(rate / exact)
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn both_find_a_sine() {
        let samples: Vec<f32> = (0..24_000)
            .map(|n| (TAU * 441.3 * f64::from(n) / 48_000.0).sin() as f32 * 0.5 + 0.1)
            .collect();
        for find in [spectral_peak, autocorrelation_peak] {
            let found = find(&samples, 48_000.0).unwrap();
            assert!((found - 441.3).abs() < 0.3, "{found}");
        }
        assert_eq!(autocorrelation_peak(&[0.0; 100], 48_000.0), None);
    }
}
