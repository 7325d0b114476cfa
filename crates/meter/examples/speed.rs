//! Prints how fast the meter is and how near it comes to the statistical limit.
//!
//! `cargo run --release -p meter --example speed [trials]`
#[path = "../tests/tones/mod.rs"]
mod tones;

use meter::Meter;
use model::quantity::Hertz;
use model::record::State;
use model::time::SampleRate;
use std::time::Instant;
use tones::{Dice, Motion, Wave, bound, tone, with_noise};

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let trials: usize = std::env::args().nth(1).map_or(Ok(60), |n| n.parse())?;
    let rate = 48_000.0;
    let sample_rate = SampleRate::new(Hertz::of(rate)).ok_or("rate")?;
    let mut meter = Meter::new(sample_rate);
    let mut dice = Dice::new(7);
    println!("0.5 s at 48 kHz, {trials} trials a cell: mean square error over the bound,");
    println!("share within k = 2 of the stated uncertainty, times real time on one core");
    println!(
        "{:9} {:>6} {:>4} {:>9} {:>7} {:>7} {:>8} {:>6}",
        "wave", "Hz", "dB", "mse/bound", "in 2 u", "flags", "not ok", "speed"
    );
    let waves = [
        ("saw", Wave::saw()),
        ("pulse 10%", Wave::pulse(0.1)),
        ("triangle", Wave::triangle()),
        ("sine", Wave::sine()),
    ];
    let (mut pooled, mut cells, mut spent, mut heard) = (0.0, 0, 0.0, 0.0);
    for (name, wave) in &waves {
        for hertz in [32.7, 55.0, 110.0, 440.0, 1760.0, 3520.0, 9956.0] {
            for decibels in [20.0, 40.0, 60.0] {
                let motion = Motion {
                    hertz: hertz * dice.between(0.97, 1.03),
                    per_second: 0.0,
                    per_second_squared: 0.0,
                    start: dice.unit(),
                };
                let seconds = 0.5;
                let clean = tone(wave, rate, seconds, &motion);
                let limit = bound(wave, rate, clean.len(), motion.hertz, decibels);
                let (mut square, mut inside, mut flagged, mut bad) = (0.0, 0, 0, 0);
                let mut time = 0.0;
                for _ in 0..trials {
                    let noisy = with_noise(&clean, decibels, &mut dice);
                    let begin = Instant::now();
                    let estimate = meter.estimate(&noisy);
                    time += begin.elapsed().as_secs_f64();
                    flagged += usize::from(!estimate.flags.is_empty());
                    let (State::Ok, Some(found), Some(u)) =
                        (estimate.state, estimate.frequency, estimate.u)
                    else {
                        bad += 1;
                        continue;
                    };
                    let error = found.get() - motion.mean(seconds);
                    square += error * error;
                    inside += usize::from(error.abs() < 2.0 * u.get());
                }
                let counted = (trials - bad).max(1) as f64;
                let efficiency = square / counted / (limit * limit);
                if (50.0..4000.0).contains(&hertz) {
                    pooled += efficiency;
                    cells += 1;
                }
                spent += time;
                heard += seconds * trials as f64;
                println!(
                    "{name:9} {hertz:6.0} {decibels:4.0} {efficiency:9.3} {:7.3} {:7.3} {:8.3} {:6.0}",
                    inside as f64 / counted,
                    flagged as f64 / trials as f64,
                    bad as f64 / trials as f64,
                    seconds * trials as f64 / time,
                );
            }
        }
    }
    println!(
        "pooled over 55 to 3520 Hz: {:.3}; {:.0} times real time",
        pooled / f64::from(cells),
        heard / spent
    );
    Ok(())
}
