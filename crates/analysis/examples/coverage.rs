//! How often 95 % intervals hold the truth, and how often a unit at the edge of a
//! tolerance is passed:
//! `cargo run --release -p analysis --example coverage [NIGHTS [PART ...]]`, where parts
//! are `levels`, `ready`, `drift`, `coefficients`, `physics` and `accepts`, all of them if
//! none is named. Units are formulas, which have what the analysis reckons with and
//! nothing else; in `physics` they are those of the simulator.
//!
//! Asked for are 93 to 98 % of 2000 nights for each result, and at most 271 false
//! accepts of 10 000 with a guard band of r = 1 (2.5 % and three standard deviations
//! of the count). Rigs are drawn from their own bounds; units at random.

#[path = "../tests/nights/coverage.rs"]
#[allow(dead_code, unused_imports)]
mod coverage;
#[path = "../tests/nights/night.rs"]
#[allow(dead_code)]
mod night;
#[path = "../tests/nights/physics.rs"]
#[allow(dead_code, unused_imports)]
mod physics;
#[path = "../tests/nights/truth.rs"]
#[allow(dead_code, unused_imports)]
mod truth;

use analysis::analyse;
use coverage::{Known, LEVELS, Truth, held, usual};
use model::quantity::Celsius;
use model::result::{Finding, ResultName};
use night::{EXACT, NIGHT, Random, outcome, plan, play, rig};
use std::process::ExitCode;

/// How the pitch wanders by itself.
#[derive(Debug, Clone, Copy)]
enum Wander {
    White,
    Flicker,
    Walk,
    /// White noise that hides a walk: what is seen in one night cannot tell.
    Hidden,
    /// Not of the family the analysis reckons with: a wave of the period of the night.
    Wave,
}

/// Share of nights whose interval of the drift rate holds the true rate.
fn drift(nights: u64, wander: Wander) -> f64 {
    let plan = plan(NIGHT, "");
    let rig = rig(EXACT);
    let mut count = 0;
    for night in 0..nights {
        let mut random = Random::new(50_000 + night);
        let rate = 2.0 * random.uniform() - 1.0;
        let phase = random.uniform();
        let (mut last, mut walk) = (0.0, 0.0);
        // A sum of relaxations an octave and a half apart is flicker over the night.
        let mut parts = [0.0f64; 9];
        let record = play(&plan, 0.02, night, |slot, random| {
            let passed = slot.t - last;
            last = slot.t;
            walk += 0.1 * (passed / 600.0).sqrt() * random.normal();
            for (place, part) in parts.iter_mut().enumerate() {
                let keeps = (-passed / (30.0 * 2.83f64.powi(place as i32))).exp();
                *part = *part * keeps + 0.1 * (1.0 - keeps * keeps).sqrt() * random.normal();
            }
            let wanders = match wander {
                Wander::White => 0.3 * random.normal(),
                Wander::Flicker => parts.iter().sum(),
                Wander::Walk => walk,
                Wander::Hidden => 0.3 * random.normal() + 0.25 * walk,
                Wander::Wave => (std::f64::consts::TAU * (slot.t / 40_000.0 + phase)).sin(),
            };
            rate * slot.t / 3600.0 + wanders + 0.02 * random.normal()
        });
        let analysis = analyse(&plan, &rig, &record);
        let found = outcome(&analysis, "night", ResultName::DriftRate);
        count += u64::from(found.low <= Some(rate) && found.high >= Some(rate));
    }
    count as f64 / nights as f64
}

/// Shares of nights whose intervals of the coefficients of offset and of scale hold the
/// true ones. The air goes up and down by a few kelvin, the unit follows with a lag of
/// its own and wanders besides; the thermometer is off by what its bound allows, by
/// something else at either end. Nights in which nothing is said (a unit that follows the
/// air so much that it never seems warm) do not count.
fn coefficients(nights: u64) -> [f64; 2] {
    let plan = plan(
        "
  - power_on
  - rounds: {name: night, notes: {list: [C4, C2, C3, C5, C6, C7, C4]}, every: 10 min, for: 14 h}",
        "",
    );
    let thermometer = 0.2;
    let rig = rig(&EXACT.replace("thermometer: 0 K", "thermometer: 0.2 K"));
    let names = [
        ResultName::OffsetTemperatureCoefficient,
        ResultName::ScaleTemperatureCoefficient,
    ];
    let mut counts = [(0u32, 0u32); 2];
    for night in 0..nights {
        let mut random = Random::new(70_000 + night);
        let truth = [0.8 * random.normal(), 0.2 * random.normal()];
        let lag = 3600.0 * random.uniform().powi(2);
        let swing = 2.0 + 2.0 * random.uniform();
        let around = std::f64::consts::TAU / (28_800.0 + 14_400.0 * random.uniform());
        let phase = std::f64::consts::TAU * random.uniform();
        let noise = [0.02, 0.1][(2.0 * random.uniform()) as usize];
        let step = [0.0, 0.02, 0.1][(3.0 * random.uniform()) as usize];
        let off = [(); 2].map(|()| thermometer * (2.0 * random.uniform() - 1.0));
        // Of the night, and of two shorter comings and goings: a room that went up and
        // down in one sine would not tell a long lag from a part that compensates later.
        let mut waves = vec![(swing, around, phase)];
        for _ in 0..2 {
            let (size, period) = (
                0.1 + 0.4 * random.uniform(),
                3000.0 + 9000.0 * random.uniform(),
            );
            let phase = std::f64::consts::TAU * random.uniform();
            waves.push((size, std::f64::consts::TAU / period, phase));
        }
        let air = |t: f64| -> f64 {
            let of = |(size, around, phase): &(f64, f64, f64)| size * (around * t + phase).sin();
            waves.iter().map(of).sum()
        };
        // A first-order low pass of a sine, its beginning forgotten (any text).
        let body = |t: f64| -> f64 {
            let of = |(size, around, phase): &(f64, f64, f64)| {
                let (behind, square) = ((around * lag).atan(), (around * lag).powi(2));
                size * (1.0 + square).sqrt().recip() * (around * t + phase - behind).sin()
            };
            waves.iter().map(of).sum()
        };
        let (mut last, mut walk) = (0.0, 0.0);
        let mut record = play(&plan, noise, night, |slot, random| {
            walk += step * ((slot.t - last) / 600.0f64).sqrt() * random.normal();
            last = slot.t;
            let body = body(slot.t);
            let warming = -8.0 * (-slot.t / 600.0).exp();
            warming + walk + (truth[0] + truth[1] * slot.x) * body + noise * random.normal()
        });
        for reading in &mut record.readings {
            let place = (around * reading.at.seconds() + phase).sin();
            let wrong = off[0] * (1.0 - place) / 2.0 + off[1] * (1.0 + place) / 2.0;
            let air = air(reading.at.seconds());
            reading.conditions.air = Some(Celsius::of(20.0 + air + wrong));
        }
        let analysis = analyse(&plan, &rig, &record);
        for ((name, truth), (held, said)) in names.iter().zip(truth).zip(&mut counts) {
            let found = outcome(&analysis, "night", *name);
            if let (Some(low), Some(high)) = (found.low, found.high) {
                *held += u32::from((low..=high).contains(&truth));
                *said += 1;
            }
        }
    }
    counts.map(|(held, said)| f64::from(held) / f64::from(said))
}

/// How many of so many units exactly at the limit are passed.
fn false_accepts(units: u64) -> u64 {
    let plan = plan(
        "  - sweep: {name: fine, notes: {range: {from: C2, to: C7, step: 600 cents}}, order: up_then_down}",
        "{result: scale_error, of: fine, allow: {at_most: 1 cent/oct}}",
    );
    let rig = rig(
        "sample_clock: 0 ppm, cv_gain: 0.02 %, cv_offset: 1 mV, cv_step: 0.2 mV, cv_gain_drift: 0 %, cv_offset_drift: 0 mV, cv_output_resistance: 0 ohm, cv_session: 0 %, thermometer: 0 K",
    );
    (0..units)
        .filter(|unit| {
            let mut random = Random::new(90_000 + unit);
            let gain = 2e-4 * (2.0 * random.uniform() - 1.0);
            let steps: Vec<f64> = (0..20)
                .map(|_| 2e-4 * (2.0 * random.uniform() - 1.0))
                .collect();
            let record = play(&plan, 0.1, *unit, |slot, random| {
                let volts = slot.x + 3.0;
                slot.x
                    + 1200.0 * (gain * volts + steps[(2.0 * volts).round() as usize])
                    + 0.1 * random.normal()
            });
            let analysis = analyse(&plan, &rig, &record);
            analysis.verdicts[0].finding == Finding::Pass
        })
        .count() as u64
}

fn main() -> ExitCode {
    let mut arguments = std::env::args().skip(1);
    let nights = arguments
        .next()
        .and_then(|text| text.parse().ok())
        .unwrap_or(2000);
    let parts: Vec<String> = arguments.collect();
    const PARTS: [&str; 6] = [
        "levels",
        "ready",
        "drift",
        "coefficients",
        "physics",
        "accepts",
    ];
    if let Some(unknown) = parts.iter().find(|part| !PARTS.contains(&part.as_str())) {
        eprintln!(
            "there is no part \"{unknown}\"; there are {}",
            PARTS.join(", ")
        );
        return ExitCode::FAILURE;
    }
    let asked = |part: &str| parts.is_empty() || parts.iter().any(|asked| asked == part);
    let mut good = true;
    let mut say = |name: &str, share: f64| {
        // With fewer nights the count scatters by itself.
        let slack = 2.0 * (0.05 * 0.95 / nights as f64).sqrt() * f64::from(u8::from(nights < 2000));
        let within = (0.93 - slack..=0.98 + slack).contains(&share);
        good &= within;
        println!(
            "{name:<32} {share:.4} {}",
            if within { "" } else { "outside 0.93 to 0.98" }
        );
    };
    if asked("levels") {
        for ((name, _), share) in LEVELS.iter().zip(held(nights, &LEVELS, usual)) {
            say(name.name(), share);
        }
    }
    if asked("ready") {
        let ready: [Known; 1] = [(ResultName::ReadyAfter, Truth::ready)];
        let share = held(nights, &ready, |random| Truth {
            b: 0.4 * random.normal(),
            b_cold: 2.0 + 2.0 * random.uniform(),
            c: 0.0,
            ..usual(random)
        })[0];
        say("ready_after", share);
    }
    if asked("drift") {
        for wander in [Wander::White, Wander::Flicker, Wander::Walk] {
            say(
                &format!("drift_rate, {wander:?} noise"),
                drift(nights, wander),
            );
        }
        for wander in [Wander::Hidden, Wander::Wave] {
            println!(
                "drift_rate, {:<20} {:.4} (shown, not asked for)",
                format!("{wander:?}"),
                drift(nights / 4, wander)
            );
        }
    }
    if asked("coefficients") {
        let [offset, scale] = coefficients(nights);
        say("offset_temperature_coefficient", offset);
        say("scale_temperature_coefficient", scale);
    }
    if asked("physics") {
        let mut found = physics::levels(nights);
        found.push((ResultName::DriftRate, physics::drift(nights)));
        let [offset, scale] = physics::coefficients(nights);
        found.push((ResultName::OffsetTemperatureCoefficient, offset));
        found.push((ResultName::ScaleTemperatureCoefficient, scale));
        for (name, held) in found {
            say(&format!("physics, {name}"), held.share());
            println!("  stated in {} of {nights} nights", held.stated);
        }
    }
    if asked("accepts") {
        let units = 5 * nights;
        let accepted = false_accepts(units);
        let most = 0.025 * units as f64 + 3.0 * (0.025 * 0.975 * units as f64).sqrt();
        println!("false accepts at the limit's edge: {accepted} of {units}, at most {most:.0}");
        good &= accepted as f64 <= most;
    }
    if good {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
