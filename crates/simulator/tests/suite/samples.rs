//! Samples: their frequency, their spectrum, and that they depend on nothing but
//! their place.

use crate::rigs::*;
use model::document::simulated::{Hum, Waveform};
use model::quantity::*;
use model::time::HostTime;
use simulator::Bench;

fn seconds(t: f64) -> HostTime {
    HostTime::from_nanoseconds((t * 1e9) as i64)
}

#[test]
fn the_frequency_of_the_samples_is_the_truth() {
    let mut lively = lively();
    lively.hum.bend = Cents::of(0.5);
    let mut rig = rig(&[("a", perfect()), ("b", lively)]);
    simulated(&mut rig).input.clock_error = Fraction::of(40e-6);
    let bench = Bench::new(&rig).unwrap();
    let mut capture = bench.capture();
    for (at, number) in [(100_u64, 36), (5000, 45), (20_000, 57), (40_000, 69)] {
        play(&bench, 1, number);
        play(&bench, 2, number);
        let start = at * 48_000;
        let samples = read(&mut *capture, start, 96_000);
        let rate = 48_000.0;
        for name in ["a", "b"] {
            let samples = &samples[name];
            let rising: Vec<usize> = (1..samples.len())
                .filter(|&n| samples[n - 1] < 0.0 && samples[n] >= 0.0)
                .filter(|&n| samples[n] - samples[n - 1] < 0.1)
                .collect();
            // Truth over exactly the stretch between the first and the last crossing.
            let place = |n: usize| {
                let (low, high) = (f64::from(samples[n - 1]), f64::from(samples[n]));
                (n - 1) as f64 - low / (high - low)
            };
            let (first, last) = (place(rising[0]), place(rising[rising.len() - 1]));
            // The input's clock is fast by 40 ppm and finds every pitch that much flat.
            let found = crossings(samples) * rate * (1.0 + 40e-6);
            let truth = bench
                .truth(
                    &position(name),
                    seconds((start as f64 + first) / rate),
                    Seconds::of((last - first) / rate),
                )
                .unwrap();
            let off = cents(found, truth.get());
            assert!(off.abs() < 1e-3, "{name} {number}: {off}");
            if name == "a" {
                // And a perfect unit plays what was asked: A4 = 440 Hz, equal temperament.
                let nominal = 440.0 * 2_f64.powf((f64::from(number) - 69.0) / 12.0);
                assert!(cents(found, nominal).abs() < 1e-3, "{number}");
            }
        }
    }
}

/// Power spectrum (dB against the strongest line) by a plain transform at the given
/// frequencies (cycles per sample), under a Blackman-Harris window (-92 dB) squared.
fn lines(samples: &[f32], places: impl Iterator<Item = f64>) -> Vec<(f64, f64)> {
    let n = samples.len();
    let window: Vec<f64> = (0..n)
        .map(|at| {
            let x = std::f64::consts::TAU * (at as f64 + 0.5) / n as f64;
            let w = 0.358_75 - 0.488_29 * x.cos() + 0.141_28 * (2.0 * x).cos()
                - 0.011_68 * (3.0 * x).cos();
            w * w
        })
        .collect();
    places
        .map(|place| {
            let (mut re, mut im) = (0.0, 0.0);
            for (at, (sample, window)) in samples.iter().zip(&window).enumerate() {
                let (s, c) = (std::f64::consts::TAU * place * at as f64).sin_cos();
                re += f64::from(*sample) * window * c;
                im += f64::from(*sample) * window * s;
            }
            (place, 10.0 * (re * re + im * im).log10())
        })
        .collect()
}

#[test]
fn harmonics_are_right_and_aliases_are_not_heard() {
    for (shape, number) in [
        (Waveform::Saw, 103),
        (Waveform::Saw, 84),
        (
            Waveform::Pulse {
                duty: Fraction::of(0.3),
            },
            98,
        ),
        (Waveform::Triangle, 103),
        (Waveform::Sine, 103),
        (
            Waveform::Folded {
                drive: 3.0,
                asymmetry: 0.4,
            },
            96,
        ),
    ] {
        let mut unit = perfect();
        unit.waveform = shape;
        // The input's own 24-bit steps are at -146 dB.
        let rig = rig(&[("a", unit)]);
        let bench = Bench::new(&rig).unwrap();
        play(&bench, 1, number);
        let mut capture = bench.capture();
        let samples = &read(&mut *capture, 48_000, 8192)["a"];
        let f = 440.0 * 2_f64.powf((f64::from(number) - 69.0) / 12.0) / 48_000.0;
        let bin = 1.0 / 8192.0;
        let found = lines(samples, (0..4096).map(|at| (f64::from(at) + 0.5) * bin));
        let top = found.iter().map(|(_, db)| *db).fold(f64::MIN, f64::max);
        // Away from every harmonic (the window's lines are 8 bins wide either way).
        let worst = found
            .iter()
            .filter(|(place, _)| {
                let h = (place / f).round().max(1.0);
                *place > 10.0 * bin && (place - h * f).abs() > 10.0 * bin
            })
            .map(|(_, db)| db - top)
            .fold(f64::MIN, f64::max);
        assert!(worst < -95.0, "{shape:?} {number}: alias at {worst} dB");
        if shape == Waveform::Saw {
            // Harmonics of a saw fall as 1/h (Fourier series, any text), up to 0.4 fs.
            let highest = (0.4 / f) as usize;
            let lines = lines(samples, (1..=highest).map(|h| h as f64 * f));
            for (h, (_, db)) in lines.iter().enumerate() {
                let expected = -20.0 * ((h + 1) as f64).log10();
                assert!(
                    (db - lines[0].1 - expected).abs() < 0.01,
                    "harmonic {}",
                    h + 1
                );
            }
        }
    }
}

#[test]
fn levels_are_root_mean_square() {
    for shape in [
        Waveform::Saw,
        Waveform::Pulse {
            duty: Fraction::of(0.2),
        },
        Waveform::Triangle,
        Waveform::Sine,
        Waveform::Folded {
            drive: 2.5,
            asymmetry: 0.0,
        },
    ] {
        let mut unit = perfect();
        unit.waveform = shape;
        unit.level = Level::of(-20.0);
        let bench = Bench::new(&rig(&[("a", unit)])).unwrap();
        play(&bench, 1, 45);
        let samples = &read(&mut *bench.capture(), 48_000, 48_000)["a"];
        let square: f64 = samples.iter().map(|s| f64::from(*s).powi(2)).sum();
        let dbfs = 10.0 * (square / 48_000.0).log10();
        assert!((dbfs + 20.0).abs() < 0.05, "{shape:?}: {dbfs}");
    }
}

#[test]
fn samples_do_not_depend_on_how_they_are_asked_for() {
    let shapes = [
        Waveform::Saw,
        Waveform::Pulse {
            duty: Fraction::of(0.3),
        },
        Waveform::Triangle,
        Waveform::Folded {
            drive: 2.0,
            asymmetry: 0.5,
        },
    ];
    let make = || {
        let mut unit = lively();
        unit.hum = Hum {
            level: Some(Level::of(-60.0)),
            bend: Cents::of(0.2),
            swell: Fraction::of(0.01),
        };
        let units: Vec<(&str, _)> = ["a", "b", "c", "d"]
            .into_iter()
            .zip(shapes)
            .map(|(name, waveform)| {
                let mut unit = unit.clone();
                unit.waveform = waveform;
                (name, unit)
            })
            .collect();
        let mut rig = rig(&units);
        let simulated = simulated(&mut rig);
        simulated.input.noise = Level::of(-80.0);
        simulated.input.clock_error = Fraction::of(-17e-6);
        let bench = Bench::new(&rig).unwrap();
        let clock = bench.clock();
        for channel in 1..=4 {
            play(&bench, channel, 50 + 7 * channel);
        }
        clock
            .sleep_until(seconds(30.0), &model::time::Stop::new())
            .unwrap();
        for channel in 1..=4 {
            play(&bench, channel, 90 - 7 * channel);
        }
        bench
    };
    let start = 29 * 48_000;
    let whole = read(&mut *make().capture(), start, 100_000);
    // In adjoining spans of odd lengths.
    let bench = make();
    let mut capture = bench.capture();
    let mut at = 0;
    for frames in [1, 7, 1000, 31_337, 2048, 20_000, 45_607] {
        let part = read(&mut *capture, start + at, frames);
        for (name, samples) in &part {
            let same = &whole[name][at as usize..(at + frames) as usize];
            assert!(samples == same, "{name} at {at}");
        }
        at += frames;
    }
    assert_eq!(at, 100_000);
    // Again, and backwards.
    for (from, frames) in [(60_000, 5000), (10_000, 48_000), (0, 100_000), (99_999, 1)] {
        let part = read(&mut *capture, start + from, frames);
        for (name, samples) in &part {
            assert!(samples == &whole[name][from as usize..(from + frames) as usize]);
        }
    }
}

#[test]
fn phase_noise_is_as_large_as_asked() {
    // White frequency noise of 100 ppm at 1 s: means over adjoining seconds scatter
    // by that (Allan deviation, NIST SP 1065 equation 10).
    let mut unit = perfect();
    unit.phase_noise.white = Fraction::of(100e-6);
    let bench = Bench::new(&rig(&[("a", unit)])).unwrap();
    play(&bench, 1, 69);
    let means: Vec<f64> = (1..1001)
        .map(|t| {
            let truth = bench.truth(&position("a"), seconds(f64::from(t)), Seconds::of(1.0));
            truth.unwrap().get() / 440.0 - 1.0
        })
        .collect();
    let square: f64 = means
        .windows(2)
        .map(|pair| (pair[1] - pair[0]).powi(2))
        .sum();
    let deviation = (square / 2.0 / 999.0).sqrt();
    assert!((deviation / 100e-6 - 1.0).abs() < 0.1, "{deviation:e}");
}

#[test]
fn noise_and_hum_are_as_loud_as_asked() {
    let mut unit = perfect();
    unit.level = Level::of(-200.0);
    let mut rig = rig(&[("a", unit.clone()), ("b", unit)]);
    let simulated = simulated(&mut rig);
    simulated.input.noise = Level::of(-70.0);
    simulated.units.get_mut("b").unwrap().hum.level = Some(Level::of(-40.0));
    let bench = Bench::new(&rig).unwrap();
    let samples = read(&mut *bench.capture(), 4800, 96_000);
    let dbfs = |samples: &[f32]| {
        let square: f64 = samples.iter().map(|s| f64::from(*s).powi(2)).sum();
        10.0 * (square / samples.len() as f64).log10()
    };
    // 96 000 samples know their own rms to 0.02 dB.
    assert!((dbfs(&samples["a"]) + 70.0).abs() < 0.08);
    assert!((dbfs(&samples["b"]) + 40.0).abs() < 0.08);
    // White: samples do not remember each other, nor those of the other input.
    let a = &samples["a"];
    let lag = |lag: usize| {
        let products = a.iter().zip(&a[lag..]).map(|(x, y)| f64::from(x * y));
        products.sum::<f64>() / 96_000.0 / 1e-7
    };
    for at in [1, 2, 3, 48, 1000] {
        assert!(lag(at).abs() < 0.016, "{at}: {}", lag(at));
    }
}

#[test]
fn another_seed_is_another_night() {
    let with_seed = |seed| {
        let mut rig = rig(&[("a", lively())]);
        simulated(&mut rig).seed = seed;
        simulated(&mut rig).input.noise = Level::of(-90.0);
        let bench = Bench::new(&rig).unwrap();
        play(&bench, 1, 60);
        read(&mut *bench.capture(), 48_000, 4800)
    };
    assert!(with_seed(1) == with_seed(1));
    assert!(with_seed(1) != with_seed(2));
}
