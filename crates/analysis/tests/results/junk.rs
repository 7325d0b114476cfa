//! Records of junk: whatever is in them, the answer is a number or a reason.

use crate::night::{EXACT, Random, plan, play, rig};
use analysis::analyse;
use model::pitch::Pitch;
use model::quantity::{Celsius, Hertz, HertzDifference, Seconds, VoltDifference, Volts};
use model::record::{Flag, Flags, Measured, PositionId, RunRecord, State, Trace};
use model::result::{Finding, NotDetermined, ResultName};
use model::time::RunTime;

const STAGES: &str = "
  - power_on
  - rounds: {name: night, notes: {list: [C4, C1, C2, C3, C5, C6, C7, C4]}, every: 5 min, for: 1 h}
  - sweep: {name: fine, notes: {range: {from: C3, to: C6, step: 4 semitones}}, order: up_then_down}
  - hold: {name: still, note: C4, for: 2 min, hop: 1 s}
  - alternate: {name: to and fro, between: [C3, C5], every: 10 s, times: 4}";

/// A number of any size, and now and then one that is hard to bear.
fn wild(random: &mut Random) -> f64 {
    match (random.uniform() * 10.0) as u32 {
        0 => 0.0,
        1 => 1e-12 * random.normal(),
        2 => 1e9 * random.normal(),
        _ => 10f64.powf(6.0 * random.uniform()) * random.normal(),
    }
}

fn measured(random: &mut Random) -> Measured {
    let hz = match (random.uniform() * 8.0) as u32 {
        0 => 1e-300,
        1 => 1e300,
        2..=4 => 261.0 * 2f64.powf(wild(random).clamp(-20.0, 20.0)),
        _ => 261.625_565_3 * 2f64.powf((6.0 * random.uniform()).floor() - 3.0),
    };
    let flags = Flag::ALL
        .into_iter()
        .filter(|_| random.uniform() < 0.05)
        .collect::<Flags>();
    let state = State::ALL[(random.uniform() * 14.0) as usize % 7];
    let state = if random.uniform() < 0.7 {
        State::Ok
    } else {
        state
    };
    Measured {
        state,
        flags,
        frequency: (random.uniform() < 0.95).then(|| Hertz::of(hz)),
        u: (random.uniform() < 0.9).then(|| HertzDifference::of(wild(random).abs())),
        u_noise: None,
        level: None,
    }
}

fn time(random: &mut Random) -> RunTime {
    // Backwards, all at once, or a hundred years.
    let t = match (random.uniform() * 6.0) as u32 {
        0 => 0.0,
        1 => 3e9 * random.uniform(),
        _ => 4000.0 * random.uniform(),
    };
    RunTime::START + Seconds::of(t)
}

/// Spoils a record at random.
fn spoil(record: &mut RunRecord, random: &mut Random) {
    let share = random.uniform();
    let keep = random.uniform();
    record.readings.retain(|_| random.uniform() < keep);
    for reading in &mut record.readings {
        if random.uniform() < share * 0.5 {
            reading.measured = measured(random);
        }
        if random.uniform() < share * 0.3 {
            reading.at = time(random);
        }
        if random.uniform() < share * 0.2 {
            reading.asked = Pitch::new(wild(random).clamp(-1e4, 1e4)).unwrap();
        }
        if random.uniform() < share * 0.2 {
            reading.key.stage = (random.uniform() * 7.0) as u16;
            reading.key.round = (random.uniform() * 4.0) as u32;
        }
        if random.uniform() < 0.3 {
            reading.conditions.air = Some(Celsius::of(wild(random).clamp(-273.0, 1e6)));
            reading.conditions.supply = Some(Volts::of(wild(random)));
        }
        reading.window = Seconds::of(wild(random).abs().min(1e4));
        reading.residue = VoltDifference::of(1e-3 * wild(random).clamp(-1e3, 1e3));
    }
    let pieces = (random.uniform() * 5.0) as u32;
    for chunk in 0..pieces {
        let points = (random.uniform() * 100.0) as usize;
        record.traces.push(Trace {
            stage: if random.uniform() < 0.8 { 3 } else { 1 },
            position: PositionId::new(if random.uniform() < 0.9 {
                "left"
            } else {
                "other"
            }),
            chunk,
            asked: Pitch::new(if random.uniform() < 0.8 { 60.0 } else { 61.5 }).unwrap(),
            residue: VoltDifference::ZERO,
            played: time(random),
            at: time(random),
            hop: Seconds::of(if random.uniform() < 0.1 {
                0.0
            } else {
                random.uniform()
            }),
            points: (0..points).map(|_| measured(random)).collect(),
        });
    }
    for event in &mut record.events {
        if random.uniform() < share * 0.3 {
            event.at = time(random);
        }
    }
}

#[test]
fn a_number_or_a_reason_and_never_a_panic() {
    let names: Vec<String> = ["night", "fine", "still", "to and fro"]
        .iter()
        .flat_map(|stage| {
            ResultName::ALL.map(|name| {
                let unit = name.dimension().example();
                format!("{{result: {name}, of: {stage}, allow: {{at_most: {unit}}}}}")
            })
        })
        .collect();
    // What a plan's checks would refuse is asked for as well.
    let plan = plan(STAGES, &names.join(",\n"));
    let rig = rig(EXACT);
    for seed in 0..60 {
        let mut random = Random::new(seed);
        let mut record = play(&plan, 0.05, seed, |slot, random| {
            0.3 * slot.x + 0.05 * random.normal()
        });
        spoil(&mut record, &mut random);
        let analysis = analyse(&plan, &rig, &record);
        for outcome in &analysis.outcomes {
            assert_eq!(
                outcome.value().is_none(),
                outcome.why_not().is_some(),
                "{seed} {outcome:?}"
            );
            let numbers = [
                outcome.value(),
                outcome.u(),
                outcome.low(),
                outcome.high(),
                outcome.t_s,
            ];
            assert!(
                numbers.into_iter().flatten().all(f64::is_finite),
                "{seed} {outcome:?}"
            );
            if let (Some(low), Some(value), Some(high)) =
                (outcome.low(), outcome.value(), outcome.high())
            {
                let slack = 1e-6 * (1.0 + value.abs());
                assert!(
                    low <= value + slack && value <= high + slack,
                    "{seed} {outcome:?}"
                );
            }
        }
        // Nothing passes of which there is no number.
        for verdict in &analysis.verdicts {
            if verdict.finding == Finding::Pass {
                let tolerance = &plan.tolerances[verdict.tolerance];
                let said = analysis.outcomes.iter().any(|outcome| {
                    outcome.name == tolerance.result
                        && outcome.stage == tolerance.of
                        && outcome.position == verdict.position
                        && outcome.value().is_some()
                });
                assert!(said, "{seed} {verdict:?}");
            }
        }
        for (t, value, u) in analysis
            .stages
            .iter()
            .flat_map(|stage| &stage.units)
            .flat_map(|unit| &unit.curves)
            .flat_map(|curve| &curve.points)
        {
            assert!(
                t.is_finite() && value.is_finite() && u.is_finite(),
                "{seed}"
            );
        }
    }
}

#[test]
fn two_stages_with_different_notes_are_each_what_they_are() {
    let plan = plan(
        "
  - rounds: {name: low, notes: {list: [C2, C3]}, every: 5 min, for: 1 h}
  - rounds: {name: high, notes: {list: [C5, C6]}, every: 5 min, for: 1 h}",
        "",
    );
    let record = play(&plan, 0.05, 1, |slot, random| {
        0.3 * slot.x + 0.05 * random.normal()
    });
    let analysis = analyse(&plan, &rig(EXACT), &record);
    for stage in ["low", "high"] {
        let of = |name| crate::night::outcome(&analysis, stage, name);
        assert!((of(ResultName::TwoNoteSlope).value().unwrap() - 0.3).abs() < 0.1);
        for name in [
            ResultName::Excursion,
            ResultName::Convergence,
            ResultName::WarmUpTime,
        ] {
            assert!(
                matches!(
                    of(name).why_not(),
                    Some(NotDetermined::ReferenceNotPlayed | NotDetermined::ReferenceNeverPlayed)
                ),
                "{:?}",
                of(name)
            );
        }
    }
}
