//! How long to listen, and streams.

use crate::meter_at;
use crate::tones::{Dice, Motion, Wave, render, tone, with_noise};
use meter::{Advice, Limit, Stream, window_for};
use model::quantity::{Cents, Hertz, Seconds};
use model::time::SampleRate;

const RATE: f64 = 48_000.0;

/// Listens as long as is advised, and says how long that was and how it ended.
fn listen(samples: &[f32], first: f64, reaches: f64, longest: f64) -> (f64, Advice, f64) {
    let mut meter = meter_at(RATE);
    let mut window = first;
    loop {
        let estimate = meter.estimate(&samples[..(window * RATE) as usize]);
        let advice = window_for(
            &estimate,
            Seconds::of(window),
            Cents::of(reaches),
            Seconds::of(longest),
        );
        let u = estimate
            .frequency
            .zip(estimate.u_oscillator)
            .map_or(f64::NAN, |(hz, u)| u.cents_at(hz).get());
        match advice {
            Advice::Listen(longer) => {
                assert!(longer.get() > window && longer.get() <= longest);
                window = longer.get();
            }
            _ => return (window, advice, u),
        }
    }
}

/// The bound says beforehand how long a tone in white noise takes: u falls as T^-1.5.
#[test]
fn a_tone_in_noise_reaches_what_is_asked_in_about_the_time_that_the_bound_says() {
    let mut dice = Dice::new(3);
    for (hertz, decibels, factor) in [
        (110.0, 20.0, 8.0),
        (441.0, 30.0, 4.0),
        (1_000.0, 10.0, 12.0),
    ] {
        let motion = Motion::steady(hertz);
        let samples = with_noise(&tone(&Wave::saw(), RATE, 4.0, &motion), decibels, &mut dice);
        // What the bound says of a quarter of a second, and so many times less.
        let quarter = crate::tones::bound(&Wave::saw(), RATE, 12_000, hertz, decibels);
        let asked = quarter / hertz * 1731.23 / factor;
        let (window, advice, u) = listen(&samples, 0.25, asked, 4.0);
        let expected = 0.25 * f64::powf(factor, 2.0 / 3.0);
        assert_eq!(advice, Advice::Reached);
        assert!(u <= asked);
        assert!(
            window > 0.8 * expected && window < 1.4 * expected,
            "{hertz}: {window} s for {expected} s"
        );
    }
}

#[test]
fn noise_that_forbids_is_told_at_the_first_look() {
    let mut dice = Dice::new(4);
    let samples = with_noise(
        &tone(&Wave::sine(), RATE, 4.0, &Motion::steady(220.0)),
        20.0,
        &mut dice,
    );
    let (window, advice, _) = listen(&samples, 0.25, 1e-5, 4.0);
    assert_eq!((window, advice), (0.25, Advice::Forbidden(Limit::Noise)));
    let mut silence = samples;
    silence.fill(0.0);
    let (window, advice, _) = listen(&silence, 0.25, 1e-3, 4.0);
    assert_eq!((window, advice), (0.25, Advice::Forbidden(Limit::NoTone)));
}

/// A random walk of phase, white frequency noise: the frequency that a window samples is
/// uncertain by sqrt(6/5 b / T) whatever the noise.
#[test]
fn a_wandering_phase_forbids_early() {
    let mut dice = Dice::new(6);
    let (mut jitter, mut reached, mut longest) = (0, 0, 0.0_f64);
    for _ in 0..20 {
        let hertz = dice.log_between(100.0, 500.0);
        let count = (4.0 * RATE) as usize;
        // Cycles per root second: 3 cents after a second.
        let walk = 3.0 / 1731.23 * hertz;
        let mut wander = 0.0;
        let phases: Vec<f64> = (0..count)
            .map(|n| {
                wander += walk / RATE.sqrt() * dice.normal();
                hertz * n as f64 / RATE + wander
            })
            .collect();
        let samples = with_noise(
            &render(&Wave::saw(), RATE, count, hertz, |n| phases[n]),
            60.0,
            &mut dice,
        );
        // After 4 s the wander still leaves 1.6 cents.
        let (window, advice, _) = listen(&samples, 0.25, 0.2, 4.0);
        jitter += usize::from(advice == Advice::Forbidden(Limit::Jitter));
        longest = longest.max(window);
        let (_, advice, u) = listen(&samples, 0.25, 4.0, 4.0);
        reached += usize::from(advice == Advice::Reached && u <= 4.0);
    }
    assert!(jitter >= 18 && reached >= 15, "{jitter} {reached}");
    assert!(longest <= 1.0, "{longest} s");
}

#[test]
fn drift_forbids_what_a_steady_tone_reaches() {
    let mut dice = Dice::new(7);
    let hertz = 220.0;
    for (cents_per_second, limit) in [(0.0, None), (5.0, Some(Limit::Drift))] {
        let motion = Motion {
            per_second: cents_per_second / 1731.23 * hertz,
            ..Motion::steady(hertz)
        };
        let samples = with_noise(&tone(&Wave::saw(), RATE, 4.0, &motion), 20.0, &mut dice);
        let (_, advice, _) = listen(&samples, 0.25, 3e-4, 4.0);
        let expected = limit.map_or(Advice::Reached, Advice::Forbidden);
        assert_eq!(advice, expected);
    }
}

/// The same samples in pieces of any size, interleaved or not, are the same readings as
/// the windows by themselves, on every channel.
#[test]
fn pieces_and_channels_change_nothing() {
    let mut dice = Dice::new(8);
    let rate = SampleRate::new(Hertz::of(RATE)).unwrap();
    let channels: Vec<Vec<f32>> = [97.0, 440.0, 1_234.5]
        .iter()
        .map(|hertz| {
            with_noise(
                &tone(&Wave::saw(), RATE, 0.7, &Motion::steady(*hertz)),
                50.0,
                &mut dice,
            )
        })
        .collect();
    let frames = channels[0].len();
    let interleaved: Vec<f32> = (0..frames)
        .flat_map(|n| channels.iter().map(move |channel| channel[n]))
        .collect();
    for (window, hop) in [(9_600, 9_600), (9_600, 1_777), (4_801, 12_000)] {
        let mut expected = Vec::new();
        let mut meter = meter_at(RATE);
        for begins in (0..=frames - window).step_by(hop) {
            for channel in &channels {
                expected.push(meter.estimate(&channel[begins..begins + window]));
            }
        }
        for as_frames in [true, false] {
            let mut stream = Stream::new(rate, 3, window, hop as u64);
            let mut found = Vec::new();
            let (mut at, mut most) = (0, 0);
            while at < frames {
                let frames_now = (dice.next() % 3_000) as usize;
                let end = (at + frames_now).min(frames);
                if as_frames {
                    // Pieces that end anywhere within a frame.
                    let (from, to) = (3 * at + at % 3, 3 * end + end % 3);
                    stream.push_interleaved(&interleaved[from.min(3 * frames)..to.min(3 * frames)]);
                } else {
                    let pieces: Vec<&[f32]> =
                        channels.iter().map(|channel| &channel[at..end]).collect();
                    stream.push(&pieces);
                }
                at = end;
                while let Some(reading) = stream.reading() {
                    assert_eq!(reading.begins, (found.len() / 3 * hop) as u64);
                    assert_eq!(reading.channel, found.len() % 3);
                    found.push(reading.estimate);
                }
                most = most.max(stream.held());
            }
            assert_eq!(found, expected);
            assert!(most <= 2 * window + hop + 3_000, "{most} frames held");
        }
    }
}

#[test]
fn a_rest_is_measured_only_if_it_is_all() {
    let rate = SampleRate::new(Hertz::of(RATE)).unwrap();
    let tone = vec![0.25; 3_000];
    for (window, expected) in [(2_000, vec![2_000]), (4_000, vec![3_000])] {
        let mut stream = Stream::new(rate, 2, window, 2_000).only(Some(1));
        stream.push(&[&tone, &tone]);
        stream.finish();
        let mut lengths = Vec::new();
        while let Some(reading) = stream.reading() {
            assert_eq!(reading.channel, 1);
            lengths.push(reading.samples.len());
        }
        assert_eq!(lengths, expected);
    }
}
