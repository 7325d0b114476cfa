//! Processor time and memory.

use crate::goals::{goal, short};
use laboratory::case::Case;
use meter::{Meter, Stream};
use model::quantity::Hertz;
use model::time::SampleRate;
use rustix::time::{ClockId, clock_gettime};
use std::error::Error;

/// Time that this thread spent on a processor, in seconds: what other work on the
/// machine does not lengthen much.
pub fn processor_seconds() -> f64 {
    let time = clock_gettime(ClockId::ThreadCPUTime);
    time.tv_sec as f64 + time.tv_nsec as f64 * 1e-9
}

/// Repetitions of each measurement, of which the median counts.
const REPETITIONS: usize = 5;

fn median_of(mut run: impl FnMut() -> f64) -> f64 {
    let mut found: Vec<f64> = (0..REPETITIONS).map(|_| run()).collect();
    found.sort_by(f64::total_cmp);
    found[REPETITIONS / 2]
}

/// The goals of speed, windows of half a second at 48 kHz.
pub fn speed(seed: u64) -> Result<(), Box<dyn Error>> {
    let rate = SampleRate::new(Hertz::of(48_000.0)).ok_or("no rate")?;
    println!("Half a second at 48 kHz, 40 dB, processor time, median of {REPETITIONS} runs:");
    let mut meter = Meter::new(rate);
    let mut slowest = f64::INFINITY;
    for wave in ["saw", "pulse", "triangle", "sine"] {
        for hertz in [110.0, 440.0, 1_760.0] {
            let cases: Vec<Case> = (0..20)
                .map(|index| Case::cell(wave, hertz, 40.0, seed, index))
                .collect();
            let times = of(&mut meter, &cases);
            slowest = slowest.min(times);
            println!("{wave:9} {hertz:5.0} Hz  {times:6.0} times real time");
        }
    }
    goal(
        "times real time from 100 Hz on, at least 200",
        &format!("{slowest:.0} in the slowest row"),
        short(slowest, 200.0, ""),
    );
    // Of 8 Hz half a second holds four periods; one second is a fair window.
    let mut slowest = f64::INFINITY;
    for wave in ["saw", "pulse", "triangle", "sine"] {
        let cases: Vec<Case> = (0..10)
            .map(|index| Case::cell(wave, 8.25, 40.0, seed, index))
            .collect();
        let times = of(&mut meter, &cases);
        slowest = slowest.min(times);
        println!("{wave:9} {:5} Hz  {times:6.0} times real time", 8.25);
    }
    goal(
        "times real time at 8 Hz, at least 40",
        &format!("{slowest:.0} in the slowest row"),
        short(slowest, 40.0, ""),
    );
    for hop in [24_000, 4_800] {
        let share = live(rate, hop, seed);
        let words = format!(
            "{:.2} % of a core, windows of 0.5 s, a reading of each every {:.1} s",
            100.0 * share,
            f64::from(hop) / 48_000.0
        );
        if hop == 24_000 {
            goal(
                "eight channels of 48 kHz live, below 10 %",
                &words,
                (share > 0.1).then(|| format!("{:.1} %", 100.0 * share - 10.0)),
            );
        } else {
            println!("{:18} eight channels of 48 kHz live: {words}", "");
        }
    }
    Ok(())
}

/// Times real time.
fn of(meter: &mut Meter, cases: &[Case]) -> f64 {
    for case in cases {
        meter.estimate(&case.samples);
    }
    let audio: f64 = cases.iter().map(Case::seconds).sum();
    let spent = median_of(|| {
        let begun = processor_seconds();
        for case in cases {
            std::hint::black_box(meter.estimate(&case.samples));
        }
        processor_seconds() - begun
    });
    audio / spent
}

/// The share of a core that eight channels take: different notes, in pieces of 10 ms as
/// a sound card brings them.
fn live(rate: SampleRate, hop: u32, seed: u64) -> f64 {
    let notes: Vec<Vec<f32>> = (0..8)
        .map(|channel| {
            let wave = ["saw", "pulse", "triangle", "sine"][channel % 4];
            let hertz = 55.0 * (channel as f64 * 0.75).exp2();
            Case::cell(wave, hertz, 60.0, seed, channel as u64).samples
        })
        .collect();
    let mut stream = Stream::new(rate, notes.len(), 24_000, u64::from(hop));
    let mut listen = |seconds: usize| {
        for piece in 0..seconds * 100 {
            // The same half second over and over; windows that begin elsewhere in it
            // hold a jump of phase, so the pieces are cut to fit those that do not.
            let from = (piece * 480) % 24_000;
            let pieces: Vec<&[f32]> = notes.iter().map(|note| &note[from..from + 480]).collect();
            stream.push(&pieces);
            while let Some(reading) = stream.reading() {
                std::hint::black_box(reading.estimate);
            }
        }
    };
    listen(1);
    let seconds = 4;
    median_of(|| {
        let begun = processor_seconds();
        listen(seconds);
        processor_seconds() - begun
    }) / seconds as f64
}

/// The goal of memory: what an estimate allocates once the meter has seen such a window.
pub fn allocations(seed: u64) -> Result<(), Box<dyn Error>> {
    let rate = SampleRate::new(Hertz::of(48_000.0)).ok_or("no rate")?;
    let mut meter = Meter::new(rate);
    let mut most = 0;
    for (wave, hertz) in [
        ("saw", 8.25),
        ("saw", 55.0),
        ("saw", 440.0),
        ("pulse", 110.0),
        ("triangle", 880.0),
        ("sine", 1_760.0),
    ] {
        let warm = Case::cell(wave, hertz, 40.0, seed, 0);
        for _ in 0..2 {
            meter.estimate(&warm.samples);
        }
        // Another tone of the kind, not the same samples again.
        let fresh = Case::cell(wave, hertz, 40.0, seed, 1);
        let again = allocation_counter::measure(|| {
            meter.estimate(&warm.samples);
        });
        let other = allocation_counter::measure(|| {
            meter.estimate(&fresh.samples);
        });
        println!(
            "{wave:9} {hertz:6.1} Hz: {} allocations for the window again, {} for another",
            again.count_total, other.count_total
        );
        most = most.max(again.count_total).max(other.count_total);
    }
    goal(
        "allocations in an estimate once warmed up, none",
        &format!("at most {most}"),
        (most > 0).then(|| most.to_string()),
    );
    Ok(())
}
