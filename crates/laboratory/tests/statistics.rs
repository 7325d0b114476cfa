//! The meter's statistics, short; the long form is ignored and the runner's.

use laboratory::bound::of_a_sine;
use laboratory::case::Case;
use laboratory::category::Category;
use laboratory::confidence::{mean_square, share};
use laboratory::dice::Dice;
use laboratory::judge::{Meters, Tally};
use meter::Meter;
use model::quantity::Hertz;
use model::record::Flag;
use model::time::SampleRate;
use std::f64::consts::TAU;

fn tally(category: Category, seed: u64, cases: u64, meters: &mut Meters) -> Tally {
    let mut tally = Tally::default();
    for index in 0..cases {
        let case = Case::draw(category, seed, index);
        tally.add(&case, &meters.judge(&case));
    }
    tally
}

/// Repeated estimates of one sine scatter as the bound says: between 0.95 and 1.10 times
/// it (a value below speaks of an error in the test). A = 1, s = 0.1, 1000 samples at 48
/// kHz, about 1 kHz: the bound is 0.1183 Hz. Scaled to a quarter to stay below full
/// scale. The relative sd of the scatter of 1500 is 1.8 %.
#[test]
fn a_sine_scatters_as_the_bound_says() {
    let rate = SampleRate::new(Hertz::of(48_000.0)).unwrap();
    let mut meter = Meter::new(rate);
    for (sigma, trials) in [(0.01, 1_500), (0.1, 1_500)] {
        let mut dice = Dice::new(21, "sine", trials);
        let (mut sum, mut square, mut others) = (0.0, 0.0, 0.0);
        for _ in 0..trials {
            let (phase, hertz) = (dice.unit(), dice.between(950.0, 1_050.0));
            let samples: Vec<f32> = (0..1_000)
                .map(|n| {
                    let angle = TAU * (phase + hertz * f64::from(n) / 48_000.0);
                    (0.25 * (angle.sin() + sigma * dice.normal())) as f32
                })
                .collect();
            let estimate = meter.estimate(&samples);
            let found = estimate.frequency.unwrap().get();
            if (found / hertz - 1.0).abs() > 0.03 {
                // Another note, in 20 periods 17 dB above the noise: only if it says so.
                assert!(estimate.flags.contains(Flag::OctaveAmbiguous), "{found}");
                others += 1.0;
                continue;
            }
            sum += found - hertz;
            square += (found - hertz).powi(2);
        }
        assert!(others <= 3.0, "{sigma}: {others} other notes");
        let n = trials as f64 - others;
        let bound = of_a_sine(1.0, sigma, 1_000, 48_000.0);
        let ratio = (square / n).sqrt() / bound;
        assert!((0.95..1.10).contains(&ratio), "{sigma}: {ratio}");
        assert!((sum / n).abs() < 4.0 * bound / n.sqrt(), "{}", sum / n);
    }
}

/// The noiseless vector of check values: 1.5 cos(2 pi 443.21 t + 0.3) + 0.1, 1000 samples
/// at 48 kHz (model of IEEE 1057; our own computation). 443.21 Hz to 1e-12 in double
/// precision; single precision leaves what its rounding is worth.
#[test]
fn the_noiseless_sine() {
    let rate = SampleRate::new(Hertz::of(48_000.0)).unwrap();
    let samples: Vec<f32> = (0..1_000)
        .map(|n| {
            let t = f64::from(n) / 48_000.0;
            (1.5 * (TAU * 443.21 * t + 0.3).cos() + 0.1) as f32
        })
        .collect();
    let estimate = Meter::new(rate).estimate(&samples);
    let found = estimate.frequency.unwrap().get();
    // Rounding to 24 bits of values up to 1.5 is noise of 2^-23 / sqrt(12).
    let rounding = of_a_sine(1.5, 2_f64.powi(-23) / 12_f64.sqrt(), 1_000, 48_000.0);
    assert!(
        (found - 443.21).abs() < 5.0 * rounding,
        "{found}, {rounding}"
    );
    assert!(estimate.flags.contains(Flag::FewPeriods));
}

/// All cells of the table with few trials each.
#[test]
fn near_the_bound() {
    let mut meters = Meters::default();
    let mut tally = Tally::default();
    for wave in ["saw", "pulse", "triangle", "sine"] {
        for hertz in [55.0, 220.0, 880.0, 3_520.0] {
            for snr_db in [20.0, 40.0, 60.0] {
                for index in 0..15 {
                    let case = Case::cell(wave, hertz, snr_db, 31, index);
                    tally.add(&case, &meters.judge(&case));
                }
            }
        }
    }
    assert_eq!(tally.squares.len(), 720, "each has a frequency");
    let square = mean_square(tally.squares.iter().sum(), 720);
    // The goal is 1.1 at most; the relative sd of 720 squares is 5 %.
    assert!(square.low < 1.1 && square.high > 1.0, "{square:?}");
}

/// Ordinary tones: none another note, none out of the uncertainty more often than
/// chance has it, few flagged.
#[test]
fn ordinary_tones_are_measured_and_nothing_else_said() {
    let mut meters = Meters::default();
    let mut all = Tally::default();
    for category in Category::ALL.into_iter().filter(|one| one.is_ordinary()) {
        all.merge(&tally(category, 41, 25, &mut meters));
    }
    assert_eq!(all.gross, 0, "{:?}", all.words);
    let within = share(all.within, all.counted);
    assert!(within.high > 0.94, "{within:?}");
    assert!(share(all.flagged_long_enough, all.long_enough).low < 0.03);
}

/// Where there is no tone, none is found; where there are twelve periods and one tone,
/// another note is never told without a word.
#[test]
fn no_other_note_without_a_word() {
    let mut meters = Meters::default();
    for category in [
        Category::Silence,
        Category::NoiseOnly,
        Category::Low,
        Category::High,
        Category::Noisy,
        Category::Drift,
        Category::Hum,
        Category::WeakOdd,
        Category::Clipped,
        Category::Walk,
    ] {
        let found = tally(category, 51, 25, &mut meters);
        assert_eq!(found.gross_unflagged, 0, "{}", category.name());
    }
}

/// 20 000 cases: the runner prints them (`cargo run --release -p laboratory -- goals`).
#[test]
#[ignore = "minutes; run with --ignored, or use the runner"]
fn twenty_thousand_cases() {
    let mut meters = Meters::default();
    let mut all = Tally::default();
    for category in Category::ALL {
        all.merge(&tally(category, 61, 700, &mut meters));
    }
    assert_eq!(all.gross_unflagged, 0);
}
