//! What cannot be measured says so.

use crate::meter_at;
use crate::tones::{Dice, Motion, Wave, cents, samples, tone, with_noise};
use meter::Estimate;
use model::record::{Flag, State};
use std::f64::consts::PI;

fn estimate(samples: &[f32]) -> Estimate {
    meter_at(48_000.0).estimate(samples)
}

fn noise(count: usize, rms: f64, seed: u64) -> Vec<f32> {
    let mut dice = Dice::new(seed);
    (0..count).map(|_| (rms * dice.normal()) as f32).collect()
}

#[test]
fn nothing_and_next_to_nothing() {
    for count in [0, 1, 2, 3, 5, 15, 16, 17, 64] {
        for value in [0.0, 0.5, -1.0] {
            let estimate = estimate(&vec![value; count]);
            assert_ne!(estimate.state, State::Ok, "{count} of {value}");
            assert_eq!(estimate.frequency, None);
        }
    }
    let zeros = estimate(&[0.0; 24_000]);
    assert_eq!(zeros.state, State::Silent);
    assert!(zeros.flags.contains(Flag::ExactZeros));
    assert_eq!(zeros.level, None);
    assert_eq!(estimate(&[0.25; 24_000]).state, State::Silent);
    assert_eq!(estimate(&noise(24_000, 1e-4, 1)).state, State::Silent);
}

#[test]
fn noise_has_no_pitch() {
    for seed in 0..20 {
        assert_eq!(
            estimate(&noise(24_000, 0.1, seed)).state,
            State::NotPeriodic
        );
    }
}

#[test]
fn samples_that_are_no_numbers() {
    for bad in [f32::NAN, f32::INFINITY, f32::NEG_INFINITY] {
        for place in [0, 11_111, 23_999] {
            let mut tone = samples(&tone(&Wave::saw(), 48_000.0, 0.5, &Motion::steady(440.0)));
            tone[place] = bad;
            let estimate = estimate(&tone);
            assert_eq!(estimate.state, State::NotPeriodic);
            assert_eq!(
                (estimate.frequency, estimate.u, estimate.level),
                (None, None, None)
            );
        }
    }
    // Finite, and too large to square in single precision.
    let _ = estimate(&noise(24_000, 1e30, 2));
    let _ = estimate(&[f32::MAX; 2_000]);
}

#[test]
fn any_samples_give_an_answer() {
    let mut dice = Dice::new(13);
    let mut meter = meter_at(44_100.0);
    for _ in 0..400 {
        let count = (dice.unit() * 3_000.0) as usize;
        let kind = dice.next() % 4;
        let junk: Vec<f32> = (0..count)
            .map(|n| match kind {
                0 => f32::from_bits(dice.next() as u32),
                1 => (dice.next() % 3) as f32 - 1.0,
                2 => ((n / 7) % 2) as f32,
                _ => (dice.unit() * 1e-30) as f32,
            })
            .collect();
        for estimate in [meter.estimate(&junk), meter.glimpse(&junk, None)] {
            assert_eq!(estimate.frequency.is_some(), estimate.state == State::Ok);
            assert_eq!(estimate.u.is_some(), estimate.state == State::Ok);
        }
    }
}

#[test]
fn too_few_periods() {
    let short = |periods: f64| {
        let clean = tone(
            &Wave::saw(),
            48_000.0,
            periods / 40.0,
            &Motion::steady(40.0),
        );
        estimate(&samples(&clean))
    };
    assert_eq!(short(1.2).state, State::TooShort);
    assert_eq!(short(3.0).state, State::TooShort);
    let few = short(6.3);
    assert_eq!(few.state, State::Ok);
    assert!(few.flags.contains(Flag::FewPeriods));
    assert!(!short(14.0).flags.contains(Flag::FewPeriods));
}

#[test]
fn two_tones() {
    for (second, level) in [(523.25, 1.0), (311.1, 0.7), (660.3, 0.4)] {
        let a = tone(&Wave::saw(), 48_000.0, 0.5, &Motion::steady(440.0));
        let b = tone(&Wave::saw(), 48_000.0, 0.5, &Motion::steady(second));
        let both: Vec<f64> = a.iter().zip(&b).map(|(a, b)| a + level * b).collect();
        let estimate = estimate(&with_noise(&both, 60.0, &mut Dice::new(1)));
        assert_ne!(
            estimate.state,
            State::Ok,
            "{second} {:?}",
            estimate.frequency
        );
    }
}

#[test]
fn clipping_is_flagged_and_measured() {
    let clean = tone(&Wave::sine(), 48_000.0, 0.5, &Motion::steady(441.7));
    let clipped: Vec<f32> = clean
        .iter()
        .map(|x| (1.1 * x).clamp(-1.0, 1.0) as f32)
        .collect();
    let estimate = estimate(&clipped);
    assert_eq!(estimate.state, State::Ok);
    assert!(estimate.flags.contains(Flag::Clipped));
    assert!(cents(estimate.frequency.unwrap().get(), 441.7).abs() < 0.01);
    assert!((estimate.peak.unwrap().get()).abs() < 0.01);
}

#[test]
fn a_level_is_the_rms_against_full_scale() {
    let sine: Vec<f32> = (0..48_000)
        .map(|n| (0.5 * (2.0 * PI * 0.01 * f64::from(n)).sin()) as f32)
        .collect();
    let level = estimate(&sine).level.unwrap().get();
    // 0.5 / sqrt(2) is -9.03 dB.
    assert!((level + 9.031).abs() < 0.001, "{level}");
}

fn with_hum(tone: &[f64], mains: f64, level: f64) -> Vec<f64> {
    let lines = |t: f64| -> f64 {
        (1..6)
            .map(|k| {
                let k = f64::from(k);
                level / k * (2.0 * PI * (mains * k * t + 0.1 * k)).sin()
            })
            .sum()
    };
    tone.iter()
        .enumerate()
        .map(|(n, x)| x + lines(n as f64 / 48_000.0))
        .collect()
}

#[test]
fn hum_beside_the_tone_is_taken_off() {
    let mut dice = Dice::new(31);
    for (hertz, mains) in [(440.0, 50.0), (131.0, 60.0), (1_234.5, 50.0)] {
        let clean = tone(&Wave::sine(), 48_000.0, 0.5, &Motion::steady(hertz));
        let noisy = with_noise(&with_hum(&clean, mains, 0.05), 60.0, &mut dice);
        let estimate = estimate(&noisy);
        let found = estimate.frequency.unwrap();
        let (error, u) = (found.get() - hertz, estimate.u.unwrap().get());
        assert!(error.abs() < 4.0 * u, "{hertz}: {error} u {u}");
        assert!(
            found
                .cents_from(model::quantity::Hertz::of(hertz))
                .get()
                .abs()
                < 0.01
        );
    }
}

#[test]
fn hum_too_near_needs_a_longer_window() {
    let hum = |seconds: f64, level: f64| {
        let clean = tone(&Wave::sine(), 48_000.0, seconds, &Motion::steady(101.1));
        let noisy = with_noise(&with_hum(&clean, 50.0, level), 60.0, &mut Dice::new(8));
        estimate(&noisy)
    };
    assert_eq!(hum(0.5, 0.5).state, State::HumTooNear);
    let weak = hum(0.5, 0.1);
    assert!(weak.flags.contains(Flag::HumNear));
    let error = weak.frequency.unwrap().get() - 101.1;
    assert!(error.abs() < 2.0 * weak.u.unwrap().get(), "{error}");
    let long = hum(4.0, 0.5);
    assert_eq!(long.state, State::Ok);
    let error = cents(long.frequency.unwrap().get(), 101.1);
    assert!(error.abs() < 0.05, "{error}");
}

#[test]
fn octaves_are_right_or_in_doubt() {
    let mut dice = Dice::new(17);
    for hertz in [33.0, 110.0, 523.0, 2_093.0] {
        for decibels in [10.0, 20.0, 30.0, 36.0, 45.0, 60.0] {
            // Even harmonics as they are, odd ones so far down.
            let mut wave = Wave::saw();
            for (h, (amplitude, _)) in wave.0.iter_mut().enumerate() {
                if h % 2 == 0 {
                    *amplitude *= 10_f64.powf(-decibels / 20.0);
                }
            }
            for wave in [
                wave,
                Wave::pulse(0.25),
                Wave::saw().with(1, 0.0),
                Wave::saw().with(1, 0.0).with(2, 0.0),
            ] {
                let clean = tone(&wave, 48_000.0, 0.5, &Motion::steady(hertz));
                let estimate = estimate(&with_noise(&clean, 70.0, &mut dice));
                assert_eq!(estimate.state, State::Ok);
                let error = cents(estimate.frequency.unwrap().get(), hertz).abs();
                let doubted = estimate.flags.contains(Flag::OctaveAmbiguous);
                assert!(
                    error < 1.0 || doubted,
                    "{hertz} Hz, odd {decibels} dB down: {error}"
                );
                assert!(
                    error < 1.0 || decibels > 36.0,
                    "{hertz} Hz, odd {decibels} dB down: {error}"
                );
            }
        }
    }
}

/// The top of a slow wave in few bits stands still for some samples, and is whole.
#[test]
fn few_bits_are_no_overload() {
    for (bits, hz) in [(16, 20.0), (16, 32.7), (16, 55.0), (8, 110.0), (8, 440.0)] {
        let full = f64::from(1 << (bits - 1));
        for peak in [0.2, 0.5, 0.9] {
            let wave = |at: usize| (2.0 * PI * hz * at as f64 / 48_000.0).sin();
            let stepped = |value: f64| ((value * full).round() / full) as f32;
            let whole: Vec<f32> = (0..24_000).map(|at| stepped(peak * wave(at))).collect();
            let flagged = |samples: &[f32]| estimate(samples).flags.contains(Flag::Clipped);
            assert!(!flagged(&whole), "{bits} bits, {hz} Hz, peak {peak}");
            let cut: Vec<f32> = (0..24_000)
                .map(|at| stepped((1.3 * wave(at)).clamp(-1.0, 1.0) * peak))
                .collect();
            assert!(flagged(&cut), "{bits} bits, {hz} Hz, cut at {peak}");
        }
    }
}
