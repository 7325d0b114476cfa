//! How a pitch comes to rest and how it moves by itself.

use crate::night::{EXACT, NIGHT, Random, analysed, outcome, plan, play, rig};
use analysis::analyse;
use model::pitch::Pitch;
use model::quantity::{Cents, Hertz, HertzDifference, Seconds, VoltDifference};
use model::record::{Flags, Measured, PositionId, RunRecord, State, Trace};
use model::result::{Basis, Noise, NotDetermined, ResultName, Rounds};
use model::time::RunTime;

/// A hold of C4 in the first stage of a record, `cents(t)` after its note.
pub fn hold(
    record: &mut RunRecord,
    hop: f64,
    windows: u32,
    u: f64,
    mut cents: impl FnMut(f64) -> f64,
) {
    let hz = 261.625_565_300_6;
    record.traces.push(Trace {
        stage: 0,
        position: PositionId::new("left"),
        chunk: 0,
        asked: Pitch::new(60.0).unwrap(),
        residue: VoltDifference::ZERO,
        played: RunTime::START + Seconds::of(100.0),
        at: RunTime::START + Seconds::of(100.0),
        hop: Seconds::of(hop),
        points: (0..windows)
            .map(|window| {
                let frequency =
                    Hertz::of(hz).shifted(Cents::of(cents((f64::from(window) + 0.5) * hop)));
                Measured {
                    state: State::Ok,
                    flags: Flags::NONE,
                    frequency: Some(frequency),
                    u: Some(HertzDifference::of(
                        hz * u * std::f64::consts::LN_2 / 1200.0,
                    )),
                    u_noise: Some(HertzDifference::of(
                        hz * u * std::f64::consts::LN_2 / 1200.0,
                    )),
                    level: None,
                }
            })
            .collect(),
    });
}

#[test]
fn a_hold_that_is_too_short_says_how_long_it_must_be() {
    let of = |minutes: u32, name: ResultName| {
        let stage = format!("  - hold: {{name: still, note: C4, for: {minutes} min, hop: 500 ms}}");
        let asked = "{result: largest_change_between_rounds, of: still, allow: {at_most: 1 cent}}";
        let plan = plan(&stage, asked);
        let mut record = play(&plan, 0.1, 1, |_, _| 0.0);
        let mut random = Random::new(6);
        hold(&mut record, 0.5, 120 * minutes, 0.1, |_| {
            0.1 * random.normal()
        });
        outcome(&analysed(&plan, &record), "still", name).clone()
    };
    for (name, takes) in [
        (ResultName::DriftRate, 3_u8),
        (ResultName::Excursion, 2),
        (ResultName::LargestChangeBetweenRounds, 2),
    ] {
        let expected = NotDetermined::TooFewRounds {
            to: Rounds::Minutes,
            have: usize::from(takes - 1),
            takes: usize::from(takes),
        };
        assert_eq!(
            of(u32::from(takes - 1), name).why_not(),
            Some(&expected),
            "{name}"
        );
        let found = of(u32::from(takes), name);
        assert!(found.value().is_some(), "{found:?}");
    }
    // Of rounds it is said as before.
    let few = "  - rounds: {name: few, notes: {list: [C4, C5]}, every: 1 min, for: 2 min}";
    let plan = plan(few, "");
    let analysis = analysed(&plan, &play(&plan, 0.1, 1, |_, _| 0.0));
    let said = outcome(&analysis, "few", ResultName::DriftRate);
    assert!(
        matches!(
            said.why_not(),
            Some(NotDetermined::TooFewRounds {
                to: Rounds::DriftRate,
                ..
            })
        ),
        "{said:?}"
    );
}

#[test]
fn white_noise_averages_and_the_meters_own_is_taken_out() {
    let plan = plan(
        "  - hold: {name: still, note: C4, for: 30 min, hop: 500 ms, settle: {fixed: 0 s}}",
        "{result: short_term_stability, of: still, allow: {at_most: 1 cent}, meaning: {over: 16 s}}",
    );
    let mut record = play(&plan, 0.1, 1, |_, _| 0.0);
    // 0.4 cents of its own in each half second, and 0.3 of the meter's: 0.5 in all.
    let mut random = Random::new(5);
    hold(&mut record, 0.5, 3600, 0.3, |_| 0.5 * random.normal());
    let analysis = analyse(&plan, &rig(EXACT), &record);
    let all: Vec<_> = analysis
        .outcomes
        .iter()
        .filter(|outcome| outcome.name == ResultName::ShortTermStability)
        .collect();
    assert_eq!(all.len(), 2);
    for (found, tau) in all.into_iter().zip([1.0f64, 16.0]) {
        let expected = 0.4 * (0.5 / tau).sqrt();
        assert!(
            (found.value().unwrap() / expected - 1.0).abs() < 0.15,
            "{found:?}"
        );
        assert!(
            found.low().unwrap() < expected && expected < found.high().unwrap(),
            "{found:?}"
        );
        // The meter's share is known to half of itself, and that is in both.
        let half = (found.high().unwrap() - found.low().unwrap()) / 2.0;
        assert!(
            (1.5..2.5).contains(&(half / found.u().unwrap())),
            "{found:?}"
        );
        assert!(
            matches!(
                found.basis,
                Some(Basis::ShortTermStability {
                    noise: Noise::White,
                    ..
                })
            ),
            "{found:?}"
        );
    }
    let curve = analysis.stages[0].units[0]
        .curves
        .iter()
        .find(|curve| curve.name == ResultName::ShortTermStability)
        .unwrap();
    assert_eq!(curve.points.len(), 10);
    assert!(
        (curve.points[9].0 - 256.0).abs() < 1e-6,
        "{:?}",
        curve.points
    );
}

#[test]
fn a_gap_in_a_hold_is_not_bridged() {
    let plan = plan(
        "  - hold: {name: still, note: C4, for: 10 min, hop: 1 s, settle: {fixed: 0 s}}",
        "",
    );
    let mut record = play(&plan, 0.1, 1, |_, _| 0.0);
    hold(&mut record, 1.0, 600, 0.01, |t| {
        if t > 400.0 { 50.0 } else { 0.0 }
    });
    for point in &mut record.traces[0].points[395..405] {
        point.state = State::Silent;
        point.frequency = None;
    }
    let analysis = analyse(&plan, &rig(EXACT), &record);
    let found = outcome(&analysis, "still", ResultName::ShortTermStability);
    assert_eq!(found.readings, 395, "{found:?}");
    assert!(found.high().unwrap() < 0.02, "{found:?}");
}

#[test]
fn readings_that_lie_apart_are_not_called_an_allan_deviation() {
    let plan = plan(
        NIGHT,
        "{result: change_between_readings, of: night, allow: {at_most: 1 cent}, meaning: {over: 40 min}}",
    );
    let mut level = 0.0;
    let mut last = -1.0;
    // A walk of 0.3 cents in ten minutes, 0.05 of the meter's noise.
    let record = play(&plan, 0.05, 7, |slot, random| {
        let round = (slot.t / 600.0).floor();
        if round > last {
            last = round;
            level += 0.3 * random.normal();
        }
        level + 0.05 * random.normal()
    });
    let analysis = analysed(&plan, &record);
    let all: Vec<_> = analysis
        .outcomes
        .iter()
        .filter(|o| o.stage == "night" && o.name == ResultName::ChangeBetweenReadings)
        .collect();
    let expected = [0.3 / 2f64.sqrt(), 0.3 * (4.0 / 2f64).sqrt()];
    for (found, expected) in all.iter().zip(expected) {
        assert!(
            found.low().unwrap() < expected && expected < found.high().unwrap(),
            "{expected} {found:?}"
        );
    }
    let apart = all.iter().map(|found| match found.basis {
        Some(Basis::ChangeBetweenReadings { apart_s, .. }) => apart_s,
        _ => panic!("{found:?}"),
    });
    assert_eq!(apart.map(f64::round).collect::<Vec<f64>>(), [600.0, 2400.0]);
}

#[test]
fn a_unit_that_warms_has_its_time_constant() {
    let plan = plan(NIGHT, "");
    let record = play(&plan, 0.05, 9, |slot, random| {
        -14.0 * (-slot.t / 700.0).exp() + 0.05 * random.normal()
    });
    let analysis = analysed(&plan, &record);
    let found = outcome(&analysis, "night", ResultName::Convergence);
    assert!(
        found.low().unwrap() < 700.0 && 700.0 < found.high().unwrap(),
        "{found:?}"
    );
    assert!(
        (found.value().unwrap() / 700.0 - 1.0).abs() < 0.05,
        "{found:?}"
    );
    let still = play(&plan, 0.05, 9, |_, random| 0.05 * random.normal());
    let analysis = analysed(&plan, &still);
    let found = outcome(&analysis, "night", ResultName::Convergence);
    assert!(found.why_not().is_some(), "{found:?}");
}
