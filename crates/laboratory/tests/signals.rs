//! The signals are what they say they are.

use laboratory::case::Case;
use laboratory::category::Category;
use laboratory::judge::Meters;
use std::f64::consts::TAU;

#[test]
fn every_category_can_be_drawn_again() {
    for category in Category::ALL {
        assert_eq!(Category::from_name(category.name()), Some(category));
        for index in 0..3 {
            let case = Case::draw(category, 5, index);
            let again = Case::draw(category, 5, index);
            assert_eq!(case.samples, again.samples, "{}", case.story);
            assert!(
                case.samples.iter().all(|y| y.abs() <= 1.0),
                "{}",
                case.story
            );
            assert_eq!(case.truth.is_some(), category.has_a_tone());
            let cut = case.samples.iter().filter(|y| y.abs() >= 1.0).count();
            assert_eq!(cut >= 2, category == Category::Clipped, "{}", case.story);
        }
        let (first, second) = (Case::draw(category, 5, 0), Case::draw(category, 6, 0));
        assert_ne!(first.story, second.story);
    }
}

/// Of a steady sine, the noise that a fit leaves is the noise that
/// was said, and the phase advances as the truth says.
#[test]
fn a_sine_in_noise_is_what_it_says() {
    for index in 0..20 {
        let case = Case::draw(Category::Sine, 9, index);
        let (rate, truth) = (case.rate, case.truth.unwrap());
        let phase_of = |part: &[f32], from: usize| {
            let (mut re, mut im) = (0.0, 0.0);
            for (n, y) in part.iter().enumerate() {
                let hann = 0.5 - 0.5 * (TAU * n as f64 / part.len() as f64).cos();
                let angle = TAU * (truth * (n + from) as f64 / rate).fract();
                re += f64::from(*y) * hann * angle.cos();
                im -= f64::from(*y) * hann * angle.sin();
            }
            im.atan2(re)
        };
        let half = case.samples.len() / 2;
        let first = phase_of(&case.samples[..half], 0);
        let second = phase_of(&case.samples[half..], half);
        // Two halves' phases differ by the noise alone; leakage is below 1e-3 at six
        // periods and more.
        let slip = ((second - first) / TAU + 0.5).rem_euclid(1.0) - 0.5;
        assert!(slip.abs() < 3e-3, "{slip}: {}", case.story);
        // What a sine and a cosine of the true frequency explain, by least squares.
        let mut sums = [0.0; 6];
        for (n, y) in case.samples.iter().enumerate() {
            let y = f64::from(*y);
            let (sine, cosine) = (TAU * (truth * n as f64 / rate).fract()).sin_cos();
            let products = [
                sine * sine,
                cosine * cosine,
                sine * cosine,
                y * sine,
                y * cosine,
                y * y,
            ];
            for (sum, product) in sums.iter_mut().zip(products) {
                *sum += product;
            }
        }
        let [ss, cc, sc, ys, yc, yy] = sums;
        let tone = (ys * ys * cc - 2.0 * ys * yc * sc + yc * yc * ss) / (ss * cc - sc * sc);
        let snr = 10.0 * (tone / (yy - tone)).log10();
        // The mean of 24 000 squares has a relative sd of 0.9 %, 0.04 dB.
        assert!((snr - case.snr_db).abs() < 0.2, "{snr}: {}", case.story);
    }
}

/// Nothing but what is meant lies beside the harmonics: a saw at 192 kHz under a window
/// of small side lobes (Blackman and Harris, four terms; from memory), 90 dB down.
#[test]
fn there_are_no_images() {
    let case = Case::cell("saw", 1_760.0, 200.0, 3, 0);
    let (rate, truth) = (case.rate, case.truth.unwrap());
    let n = case.samples.len() as f64;
    let level = |hertz: f64| {
        let (mut re, mut im) = (0.0, 0.0);
        for (k, y) in case.samples.iter().enumerate() {
            let angle = TAU * k as f64 / n;
            let window = 0.358_75 - 0.488_29 * angle.cos() + 0.141_28 * (2.0 * angle).cos()
                - 0.011_68 * (3.0 * angle).cos();
            let (sine, cosine) = (TAU * (hertz * k as f64 / rate).fract()).sin_cos();
            re += f64::from(*y) * window * cosine;
            im += f64::from(*y) * window * sine;
        }
        20.0 * ((re * re + im * im).sqrt() * 2.0 / 0.358_75 / n).log10()
    };
    let first = level(truth);
    for h in 1..14 {
        // A saw: 1/h.
        let harmonic = level(truth * f64::from(h)) - first;
        assert!(
            (harmonic + 20.0 * f64::from(h).log10()).abs() < 0.01,
            "{h}: {harmonic}"
        );
        for part in [0.21, 0.37, 0.5, 0.73] {
            let beside = level(truth * (f64::from(h) + part)) - first;
            assert!(beside < -90.0, "{h} + {part}: {beside}");
        }
    }
}

#[test]
fn a_case_does_not_depend_on_those_before_it() {
    let mut warm = Meters::default();
    for index in 0..5 {
        for category in [Category::Saw, Category::Hum, Category::Windows] {
            let case = Case::draw(category, 11, index);
            let fresh = Meters::default().judge(&case);
            assert_eq!(warm.judge(&case).estimate, fresh.estimate, "{}", case.story);
        }
    }
}
