//! The rig that ships: what a technician would find, and how long a night takes.

#![allow(clippy::disallowed_methods, reason = "tests read the shipped files")]

use crate::rigs::{cents, play, position, read};
use model::document::rig::Rig;
use model::port::Setting;
use model::quantity::*;
use model::time::{HostTime, Stop};
use simulator::Bench;

fn shipped() -> Rig {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../rigs/simulated.yaml");
    let bytes = std::fs::read(path).unwrap();
    model::document::read_rig("simulated.yaml", &bytes)
        .unwrap()
        .value
}

const NOTES: [u8; 7] = [60, 36, 48, 72, 84, 96, 60];
const UNITS: [&str; 4] = ["bay-1", "bay-2", "bay-3", "bay-4"];

/// A bench that was switched off when the run began and on after two hours, as a plan from
/// cold does.
fn cooled() -> Bench {
    let bench = Bench::new(&shipped()).unwrap();
    let begin = HostTime::from_nanoseconds(0);
    let mut supply = bench.instrument("bench-supply").unwrap();
    supply.set(Setting::Off, begin).unwrap();
    let on = HostTime::from_nanoseconds(7_200_000_000_000);
    bench.clock().sleep_until(on, &Stop::new()).unwrap();
    let setting = Setting::On {
        voltage: Volts::of(12.0),
        current_limit: Amperes::of(0.5),
    };
    supply.set(setting, on).unwrap();
    bench
}

/// Deviation from equal temperament, so many minutes after power-on.
fn deviation(bench: &Bench, unit: &str, number: u8, minutes: f64) -> f64 {
    let at = HostTime::from_nanoseconds(7_200_000_000_000 + (minutes * 60e9) as i64);
    let pitch = crate::rigs::note(i16::from(number));
    let found = bench
        .reading(&position(unit), pitch, at, Seconds::of(0.5), 0)
        .unwrap();
    cents(
        found.truth.get(),
        440.0 * 2_f64.powf((f64::from(number) - 69.0) / 12.0),
    )
}

#[test]
fn the_healthy_unit_is_ready_in_time_and_stays() {
    let bench = cooled();
    let at_end = deviation(&bench, "bay-1", 60, 720.0);
    assert!(
        (deviation(&bench, "bay-1", 60, 0.2) - at_end).abs() > 8.0,
        "cold it is off"
    );
    for minutes in [25.0, 60.0, 240.0, 480.0, 720.0] {
        // Within 3 cents at all notes for one tuning when ready.
        let tuned = deviation(&bench, "bay-1", 60, 25.0);
        for number in NOTES {
            let off = deviation(&bench, "bay-1", number, minutes) - tuned;
            assert!(off.abs() < 3.0, "{number} after {minutes} min: {off}");
        }
    }
}

#[test]
fn what_has_been_on_before_the_run_is_warm_when_it_begins() {
    let bench = Bench::new(&shipped()).unwrap();
    for unit in UNITS {
        let drift = deviation(&bench, unit, 60, -110.0) - deviation(&bench, unit, 60, -119.0);
        assert!(drift.abs() < 1.0, "{unit}: {drift}");
    }
}

#[test]
fn the_other_three_are_as_told() {
    let bench = cooled();
    let at = |unit: &str, number: u8, minutes: f64| {
        deviation(&bench, unit, number, minutes) - deviation(&bench, unit, 60, minutes)
    };
    // Two: octaves move by tens of cents while it warms, and by cents all night.
    let slope = |minutes: f64| (at("bay-2", 84, minutes) - at("bay-2", 36, minutes)) / 4.0;
    assert!((slope(0.5) - slope(60.0)).abs() > 15.0);
    let night: Vec<f64> = (6..72).map(|tens| slope(f64::from(tens) * 10.0)).collect();
    let span = night.iter().fold(f64::MIN, |a, b| a.max(*b))
        - night.iter().fold(f64::MAX, |a, b| a.min(*b));
    assert!(span > 3.0, "{span}");
    // Three: a droop at the top that the octaves below do not have.
    assert!(at("bay-3", 96, 300.0) < -15.0);
    assert!((at("bay-3", 72, 300.0) - at("bay-3", 48, 300.0)).abs() < 4.0);
    // Four: flat at the bottom alone.
    assert!(at("bay-4", 36, 300.0) < -8.0);
    assert!(at("bay-4", 96, 300.0).abs() < 3.0);
}

#[test]
fn a_night_is_drawn_in_seconds() {
    // 714 notes on four units, a second of audio each, spread over twelve hours.
    let bench = cooled();
    let mut capture = bench.capture();
    let begun = std::time::Instant::now();
    for note in 0..714_u32 {
        let minutes = f64::from(note) * 720.0 / 714.0;
        let at = HostTime::from_nanoseconds(7_200_000_000_000 + (minutes * 60e9) as i64);
        bench.clock().sleep_until(at, &Stop::new()).unwrap();
        for channel in 1..=4 {
            play(&bench, channel, NOTES[note as usize % 7]);
        }
        let start = capture.timeline().sample_time(at).index;
        read(&mut *capture, start, 48_000);
    }
    let took = begun.elapsed().as_secs_f64();
    println!("714 notes x 4 units x 1 s: {took:.2} s");
    // Generous: a busy machine must not fail it.
    assert!(took < 600.0, "{took} s");
}

#[test]
fn nights_without_audio_take_milliseconds() {
    let bench = cooled();
    let begun = std::time::Instant::now();
    let mut sum = 0.0;
    for note in 0..714_u32 {
        for unit in UNITS {
            sum += deviation(&bench, unit, NOTES[note as usize % 7], f64::from(note));
        }
    }
    let took = begun.elapsed().as_secs_f64();
    println!("714 notes x 4 units without audio: {took:.4} s ({sum})");
    assert!(took < 100.0, "{took} s");
}

#[test]
fn every_fault_can_be_written_down() {
    let path = concat!(env!("CARGO_MANIFEST_DIR"), "/../../rigs/simulated.yaml");
    let text = std::fs::read_to_string(path).unwrap();
    let script = "faults:
      - unit_silent: {positions: [bay-1], from: 3 h, for: 5 min}
      - input_dead: {positions: [bay-2], from: 10 min}
      - input_clips: {positions: [bay-1, bay-2], gain: 400 %, from: 1 h, for: 1 min}
      - note_not_played: {positions: [bay-4], from: 2.5 h, for: 90 s}
      - portamento: {positions: [bay-3], time: 200 ms, from: 4 h}
      - capture_dies: {from: 5 h, for: 30 s}
      - supply_dips: {supply: rack, to: 9 V, from: 6 h, for: 200 ms}
      - supply_stands: {supply: rack, at: -12 V, from: 6 h, for: 1 s}
      - instrument_silent: {instrument: air, from: 6 h, for: 1 h}
      - instrument_stutters: {instrument: bench-supply, from: 6 h}
      - thermometer_reads: {instrument: air, temperature: 9999999 degC, from: 8 h}
      - locked: {positions: [bay-1, bay-2], within: 20 cents, from: 7 h, for: 1 h}
      - cables_swapped: {between: [bay-3, bay-4], cables: control_voltage, from: 0 s}";
    let written = text.replace("faults: []", script);
    assert_ne!(written, text);
    let rig = model::document::read_rig("test.yaml", written.as_bytes())
        .unwrap()
        .value;
    Bench::new(&rig).unwrap();
}
