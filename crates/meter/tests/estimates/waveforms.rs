//! Waveform measures against closed forms.

use crate::meter_at;
use crate::tones::{Dice, Motion, Wave, samples, tone, with_noise};
use meter::{Coupling, Waveform};
use std::f64::consts::PI;

fn of(samples: &[f32], coupling: Coupling) -> Waveform {
    let mut meter = meter_at(48_000.0);
    let estimate = meter.estimate(samples);
    meter.waveform(samples, &estimate, coupling).unwrap()
}

fn rendered(wave: &Wave, hertz: f64) -> Vec<f32> {
    samples(&tone(wave, 48_000.0, 0.5, &Motion::steady(hertz)))
}

/// Sum of 1 / h^2 over the harmonics from `from` on that the test tones carry: all
/// below 0.97 of half the rate.
fn inverse_squares(hertz: f64, from: usize, every: usize) -> f64 {
    let most = (24_000.0 * 0.97 / hertz) as usize;
    (from..=most)
        .step_by(every)
        .map(|h| 1.0 / (h * h) as f64)
        .sum()
}

#[test]
fn a_saw_and_a_square() {
    for hertz in [27.5, 110.7, 441.3, 1_000.0, 3_000.0] {
        let saw = of(&rendered(&Wave::saw(), hertz), Coupling::Ac);
        let rest = inverse_squares(hertz, 2, 1);
        let found = saw.thd_of_fundamental.value;
        assert!((found - rest.sqrt()).abs() < 2e-5, "{hertz}: {found}");
        let total = (rest / (1.0 + rest)).sqrt();
        assert!((saw.thd_of_total.value - total).abs() < 2e-5);
        let even = inverse_squares(hertz, 2, 2) / inverse_squares(hertz, 1, 2);
        let balance = saw.even_to_odd_db.unwrap().value;
        assert!((balance - 10.0 * even.log10()).abs() < 1e-3, "{balance}");
        for harmonic in &saw.harmonics {
            let expected = -20.0 * (harmonic.number as f64).log10();
            assert!(
                (harmonic.relative_db - expected).abs() < 0.01,
                "{harmonic:?}"
            );
            let phase = harmonic.phase - harmonic.phase.round();
            assert!(phase.abs() < 1e-3, "{harmonic:?}");
        }
        assert_eq!(saw.duty_cycle, None);

        let square = of(&rendered(&Wave::pulse(0.5), hertz), Coupling::Dc);
        let rest = inverse_squares(hertz, 3, 2);
        let found = square.thd_of_fundamental.value;
        assert!((found - rest.sqrt()).abs() < 2e-5, "{hertz}: {found}");
        assert!(square.harmonics.iter().all(|h| h.number % 2 == 1));
        if let Some(balance) = square.even_to_odd_db {
            assert!(balance.value < -80.0, "{balance:?}");
        }
        let duty = square.duty_cycle.unwrap();
        assert!((duty.value - 0.5).abs() < 1e-4, "{hertz}: {duty:?}");
    }
    // All harmonics of a square: sqrt(pi^2 / 8 - 1) = 48.34 %, less what lies above
    // half the rate (the tail of the sum, below 1 / (2 * 800)).
    let low = of(&rendered(&Wave::pulse(0.5), 27.5), Coupling::Dc);
    let closed = (PI * PI / 8.0 - 1.0).sqrt();
    assert!((closed - 0.4834).abs() < 5e-5);
    let found = low.thd_of_fundamental.value;
    assert!(closed - found < 7e-4 && found < closed, "{found}");
    let found = low.thd_of_total.value;
    assert!(
        ((1.0 - 8.0 / PI / PI).sqrt() - found).abs() < 7e-4,
        "{found}"
    );
}

#[test]
fn a_sine_a_triangle_and_levels() {
    let sine = of(&rendered(&Wave::sine(), 441.3), Coupling::Dc);
    assert!(sine.thd_of_fundamental.value < 1e-6, "{sine:?}");
    assert_eq!(sine.harmonics.len(), 1);
    // Rms one, times a quarter.
    assert!((sine.harmonics[0].level.get() + 12.0412).abs() < 1e-3);
    assert_eq!((sine.duty_cycle, sine.even_to_odd_db), (None, None));
    let triangle = of(&rendered(&Wave::triangle(), 110.7), Coupling::Dc);
    // sqrt(pi^4 / 96 - 1).
    let closed = (PI.powi(4) / 96.0 - 1.0).sqrt();
    let found = triangle.thd_of_fundamental.value;
    assert!((found - closed).abs() < 2e-5, "{found}");
    assert_eq!(triangle.duty_cycle, None);
    let mut shifted = rendered(&Wave::triangle(), 110.7);
    for x in &mut shifted {
        *x += 0.125;
    }
    assert!((of(&shifted, Coupling::Dc).dc - 0.125).abs() < 1e-6);
}

#[test]
fn the_duty_of_a_pulse() {
    for duty in [0.03, 0.1, 0.25, 1.0 / 3.0, 0.5, 0.62, 0.9, 0.97] {
        for hertz in [55.3, 220.7, 880.0, 1_760.9] {
            let found = of(&rendered(&Wave::pulse(duty), hertz), Coupling::Dc);
            let measured = found.duty_cycle.unwrap();
            let off = (measured.value - duty).abs();
            assert!(off < 1e-3, "{duty} at {hertz}: {measured:?}");
        }
    }
    // Not without the declaration.
    let undeclared = of(&rendered(&Wave::pulse(0.25), 220.7), Coupling::Ac);
    assert_eq!(undeclared.duty_cycle, None);
    // Turned over, low is high.
    let mut turned = rendered(&Wave::pulse(0.25), 220.7);
    for x in &mut turned {
        *x = -*x;
    }
    let turned = of(&turned, Coupling::Dc).duty_cycle.unwrap();
    assert!((turned.value - 0.75).abs() < 1e-3);
}

/// The truth within two uncertainties in most windows, and noise not taken for
/// distortion, whatever drifts.
#[test]
fn noise_and_drift_do_not_change_what_is_there() {
    let mut dice = Dice::new(5);
    let (mut thd, mut duties) = (0, 0);
    const WINDOWS: usize = 100;
    for _ in 0..WINDOWS {
        let motion = Motion {
            per_second: dice.between(-10.0, 10.0) / 1731.2,
            start: dice.unit(),
            ..Motion::steady(1.0)
        };
        let hertz = dice.log_between(60.0, 900.0);
        let motion = Motion {
            hertz,
            per_second: motion.per_second * hertz,
            ..motion
        };
        let decibels = dice.between(20.0, 50.0);
        let wave = Wave::sine().with_second(0.01);
        let noisy = with_noise(&tone(&wave, 48_000.0, 0.5, &motion), decibels, &mut dice);
        let found = of(&noisy, Coupling::Ac).thd_of_fundamental;
        thd += usize::from((found.value - 0.01).abs() < 2.0 * found.u);
        let duty = dice.between(0.1, 0.9);
        let noisy = with_noise(
            &tone(&Wave::pulse(duty), 48_000.0, 0.5, &motion),
            decibels,
            &mut dice,
        );
        let found = of(&noisy, Coupling::Dc).duty_cycle.unwrap();
        duties += usize::from((found.value - duty).abs() < 2.0 * found.u);
        assert!((found.value - duty).abs() < 0.01, "{duty}: {found:?}");
    }
    assert!(thd >= 85 && duties >= 85, "{thd} {duties} of {WINDOWS}");
}
