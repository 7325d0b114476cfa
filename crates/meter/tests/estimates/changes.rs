//! Notes that change: when, and how they settle.

use crate::meter_at;
use crate::tones::{Dice, Wave, render, with_noise};
use std::f64::consts::LN_2;

/// How the pitch goes from one note to the next.
#[derive(Clone, Copy, Debug)]
enum Slew {
    /// Exponentially, with a time constant, in pitch: a control voltage behind a lag.
    Lag(f64),
    /// At a constant rate of pitch, in so long.
    Glide(f64),
}

const RATE: f64 = 48_000.0;

/// A tone that leaves `old` after `onset` seconds and goes `octaves` up, of rms one.
fn change(wave: &Wave, seconds: f64, onset: f64, old: f64, octaves: f64, slew: Slew) -> Vec<f64> {
    let count = (seconds * RATE) as usize;
    // A hundred steps a sample would change the phase by less than 1e-6 cycle.
    const STEPS: usize = 8;
    let mut phase = 0.3;
    let mut phases = Vec::with_capacity(count);
    for n in 0..count {
        phases.push(phase);
        for k in 0..STEPS {
            let t = (n as f64 + (k as f64 + 0.5) / STEPS as f64) / RATE - onset;
            let covered = match slew {
                _ if t < 0.0 => 0.0,
                Slew::Lag(tau) if tau > 0.0 => 1.0 - (-t / tau).exp(),
                Slew::Glide(length) => (t / length).min(1.0),
                Slew::Lag(_) => 1.0,
            };
            phase += old * (octaves * covered * LN_2).exp() / RATE / STEPS as f64;
        }
    }
    let highest = old * 2_f64.powf(octaves.max(0.0));
    render(wave, RATE, count, highest, |n| phases[n])
}

fn waves(dice: &mut Dice) -> (&'static str, Wave) {
    match dice.next() % 5 {
        0 => ("saw", Wave::saw()),
        1 => ("pulse", Wave::pulse(dice.between(0.1, 0.5))),
        2 => ("triangle", Wave::triangle()),
        3 => ("sine", Wave::sine()),
        _ => (
            "folded",
            Wave::folded(dice.between(0.5, 4.0), dice.between(0.1, 1.2)),
        ),
    }
}

#[test]
fn the_onset_of_a_change_is_found_to_a_millisecond() {
    let mut dice = Dice::new(77);
    let mut meter = meter_at(RATE);
    let (mut late, mut covered, mut within) = (Vec::new(), 0, 0);
    let cases = 64;
    for case in 0..cases {
        let (name, wave) = waves(&mut dice);
        let old = dice.log_between(55.0, 1_500.0);
        let semitones = [1.0, 2.0, 3.0, 5.0, 7.0, 12.0, 19.0, 24.0][case % 8];
        let octaves = semitones / 12.0 * if dice.unit() < 0.5 { -1.0 } else { 1.0 };
        let octaves = if old * 2_f64.powf(octaves) < 40.0 {
            -octaves
        } else {
            octaves
        };
        let slew = match dice.next() % 3 {
            0 => Slew::Lag(0.0),
            1 => Slew::Lag(dice.log_between(0.3e-3, 15e-3)),
            _ => Slew::Glide(dice.log_between(1e-3, 40e-3)),
        };
        let decibels = dice.between(20.0, 60.0);
        let onset = dice.between(0.31, 0.37);
        let tone = change(&wave, 0.8, onset, old, octaves, slew);
        let samples = with_noise(&tone, decibels, &mut dice);
        let story = format!(
            "{name} {old:.1} Hz, {:+.0} semitones, {slew:?}, {decibels:.0} dB",
            octaves * 12.0
        );
        let Some(found) = meter.onset(&samples, (0.3 * RATE) as usize) else {
            late.push(format!("nothing: {story}"));
            continue;
        };
        let off = found.at / RATE - onset;
        covered += usize::from(off.abs() < 2.0 * found.u.get());
        within += usize::from(off.abs() < 1e-3);
        if off.abs() >= 1e-3 {
            late.push(format!(
                "{:+.2} ms, u {:.2} ms: {story}",
                off * 1e3,
                found.u.get() * 1e3
            ));
        }
    }
    eprintln!(
        "{within} within a millisecond, {covered} within two uncertainties, of {cases}:\n{late:#?}"
    );
    assert!(within * 100 >= cases * 95, "{late:#?}");
    assert!(covered * 100 >= cases * 88, "{covered}");
}

#[test]
fn without_a_change_there_is_no_onset() {
    let mut dice = Dice::new(78);
    let mut meter = meter_at(RATE);
    for octaves in [0.0, 0.005] {
        let tone = change(&Wave::saw(), 0.8, 0.35, 220.0, octaves, Slew::Lag(0.0));
        let samples = with_noise(&tone, 40.0, &mut dice);
        assert_eq!(meter.onset(&samples, 14_400), None);
    }
    for until in [0, 100, 38_400, usize::MAX] {
        assert_eq!(meter.onset(&[0.0; 38_400], until), None);
        assert_eq!(meter.onset(&[], until), None);
    }
}

#[test]
fn the_settling_curve_is_the_pitch_over_time() {
    let mut dice = Dice::new(79);
    let mut meter = meter_at(RATE);
    for (old, octaves, tau) in [(220.0, 1.0, 0.02), (880.0, -1.5, 0.05), (110.0, 0.25, 0.05)] {
        let tone = change(&Wave::saw(), 1.0, 0.3, old, octaves, Slew::Lag(tau));
        let samples = with_noise(&tone, 50.0, &mut dice);
        let points = meter.settling(&samples, 0.3 * RATE, 2_400, 480);
        assert!(points.len() > 50);
        let new = old * 2_f64.powf(octaves);
        for point in &points {
            let t = point.begins.get();
            // Within a window the pitch moves and the mean is that of the frequency.
            let left = |t: f64| octaves * (-t / tau).exp();
            if left(t).abs() * 1200.0 > 20.0 {
                continue;
            }
            let steps = 200;
            let mean = (0..steps)
                .map(|k| {
                    let at = t + 0.05 * (f64::from(k) + 0.5) / f64::from(steps);
                    new * (-left(at) * LN_2).exp()
                })
                .sum::<f64>()
                / f64::from(steps);
            let off = 1200.0 * (point.frequency.get() / mean).log2();
            assert!(
                off.abs() < 0.5,
                "{old} {octaves:+}: {off:.3} cents at {t:.3} s"
            );
        }
    }
}

/// A melody on two channels, in pieces: every change is found once, at its moment.
#[test]
fn the_changes_of_a_melody_are_found_in_pieces() {
    let mut dice = Dice::new(80);
    let notes = [
        (0.0, 110.0),
        (0.62, 220.0),
        (1.4, 207.65),
        (4.1, 440.0),
        (4.55, 110.0),
    ];
    let seconds = 5.2;
    let count = (seconds * RATE) as usize;
    let wave = Wave::saw();
    let channels: Vec<Vec<f32>> = [1.0, 1.5]
        .into_iter()
        .map(|factor| {
            // Each note through a lag of 4 ms.
            let (mut phase, mut pitch) = (0.0, f64::ln(110.0));
            let phases: Vec<f64> = (0..count)
                .map(|n| {
                    let t = n as f64 / RATE;
                    let note = notes
                        .iter()
                        .rev()
                        .find(|(begins, _)| t >= *begins)
                        .unwrap()
                        .1;
                    pitch += (f64::ln(note) - pitch) / (0.004 * RATE);
                    phase += factor * pitch.exp() / RATE;
                    phase
                })
                .collect();
            let tone = render(&wave, RATE, count, 700.0, |n| phases[n]);
            with_noise(&tone, 45.0, &mut dice)
        })
        .collect();
    let rate = model::time::SampleRate::new(model::quantity::Hertz::of(RATE)).unwrap();
    let mut finder = meter::ChangeFinder::new(rate, 2);
    let mut found = Vec::new();
    let mut at = 0;
    while at < count {
        let end = (at + (dice.next() % 9_000) as usize).min(count);
        for (channel, samples) in channels.iter().enumerate() {
            finder.push(channel, &samples[at..end], &mut found);
        }
        at = end;
    }
    finder.finish(&mut found);
    for channel in 0..2 {
        let own: Vec<_> = found
            .iter()
            .filter(|change| change.channel == channel)
            .collect();
        assert_eq!(own.len(), notes.len() - 1, "{own:?}");
        for (change, pair) in own.iter().zip(notes.windows(2)) {
            let off = change.onset.get() - pair[1].0;
            assert!(off.abs() < 1e-3, "{off} s");
            let interval = change
                .to
                .frequency
                .unwrap()
                .cents_from(change.from.frequency.unwrap());
            let expected = 1200.0 * f64::log2(pair[1].1 / pair[0].1);
            assert!((interval.get() - expected).abs() < 0.2, "{interval}");
            // Within 3 cents when exp(-t / 4 ms) has come down to that, give or take a
            // window of the curve.
            let settled = change
                .settled_after(model::quantity::Cents::of(3.0))
                .unwrap();
            let exact = 0.004 * f64::ln(expected.abs() / 3.0);
            let window = change.curve[0].window.get();
            assert!(
                settled.get() < exact + 0.5 * window && settled.get() > exact - window,
                "{settled} for {exact}"
            );
            assert!(change.overshoot().unwrap().get() < 1.0);
        }
    }
}
