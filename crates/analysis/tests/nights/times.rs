//! Warm-up, ready, drift, and what is said when they cannot be found.

use crate::night::{NIGHT, Random, Slot, analysed, outcome, plan, play};
use model::document::plan::Plan;
use model::quantity::Seconds;
use model::record::{EventKind, State};
use model::result::{Because, Finding, Missing, ResultName, TimeZero};
use model::time::RunTime;

const TOLERANCES: &str = "
  {result: warm_up_time, of: warming, allow: {at_most: 45 min}, meaning: {steady_within: 2 cents}},
  {result: ready_after, of: warming, allow: {at_most: 45 min}, meaning: {steady_within: 2 cents}}";

fn warming(slot: &Slot, random: &mut Random) -> f64 {
    // 20 cents with a time constant of 10 minutes come within 2 of nothing at 10 ln 10 = 23 min;
    // a slope of 2 cents per octave with one of 15 minutes.
    20.0 * (-slot.t / 600.0).exp() + 2.0 * (-slot.t / 900.0).exp() * slot.x + 0.03 * random.normal()
}

fn verdicts(
    plan: &Plan,
    change: impl FnOnce(&mut model::record::RunRecord),
) -> Vec<(Finding, Because)> {
    let mut record = play(plan, 0.03, 4, warming);
    change(&mut record);
    analysed(plan, &record)
        .verdicts
        .into_iter()
        .map(|verdict| (verdict.finding, verdict.because))
        .collect()
}

#[test]
fn warm_up_of_the_first_stage_is_judged_by_the_rounds_of_the_next() {
    let plan = plan(NIGHT, TOLERANCES);
    let record = play(&plan, 0.03, 4, warming);
    let analysis = analysed(&plan, &record);
    let warm = analysis
        .outcomes
        .iter()
        .find(|o| o.name == ResultName::WarmUpTime && o.with.limit == 2.0)
        .unwrap();
    let truth = 600.0 * 10f64.ln();
    assert!((warm.value().unwrap() - truth).abs() < 15.0, "{warm:?}");
    assert!(
        warm.low().unwrap() <= truth && truth <= warm.high().unwrap(),
        "{warm:?}"
    );
    assert!(
        warm.high().unwrap() - warm.low().unwrap() < 150.0,
        "{warm:?}"
    );
    // Half of 2 cents per octave over five octaves is 5 cents; 2 of them are reached
    // after 15 ln 2.5 minutes.
    let ready = analysis
        .outcomes
        .iter()
        .find(|o| o.name == ResultName::ReadyAfter && o.with.limit == 2.0)
        .unwrap();
    let truth = 900.0 * 2.5f64.ln();
    assert!((ready.value().unwrap() - truth).abs() < 15.0, "{ready:?}");
    assert!(
        ready.low().unwrap() <= truth && truth <= ready.high().unwrap(),
        "{ready:?}"
    );
    for verdict in &analysis.verdicts {
        assert_eq!(verdict.finding, Finding::Pass, "{:?}", verdict.because);
    }
    // After the tuning of a ready unit what is left is what still moves.
    let after = outcome(&analysis, "night", ResultName::ErrorAfterOneTuning);
    assert!(
        after.value().unwrap() > 0.5 && after.value().unwrap() < 6.0,
        "{after:?}"
    );
}

#[test]
fn a_unit_that_never_closes_up_is_not_reached_and_fails() {
    let plan = plan(NIGHT, TOLERANCES);
    let record = play(&plan, 0.03, 5, |slot, random| {
        // The slope wanders all night, the reference note all the time drifts.
        3.0 * (slot.t / 3000.0).sin() * slot.x + slot.t / 3600.0 * 4.0 + 0.03 * random.normal()
    });
    let analysis = analysed(&plan, &record);
    for name in [ResultName::WarmUpTime, ResultName::ReadyAfter] {
        let result = outcome(&analysis, "night", name);
        assert_eq!(result.value(), None, "{result:?}");
        assert!(result.why_not().is_some() && result.low().is_some());
    }
    for verdict in &analysis.verdicts {
        assert_eq!(verdict.finding, Finding::Fail, "{:?}", verdict.because);
    }
    // One trimmer setting cannot cure a slope that swings by 3 either way.
    let trimmed = outcome(&analysis, "night", ResultName::ErrorLeftAfterTrimming);
    assert!((trimmed.value().unwrap() - 7.5).abs() < 0.6, "{trimmed:?}");
}

#[test]
fn a_jump_between_rounds_is_as_uncertain_as_they_are_apart() {
    let plan = plan(NIGHT, TOLERANCES);
    // It comes to rest all at once, at any moment of the minute between two rounds.
    for second in [605.0, 620.0, 640.0, 655.0] {
        let record = play(&plan, 0.03, 6, |slot, random| {
            let before = if slot.t < second { 12.0 } else { 0.0 };
            before + 0.03 * random.normal()
        });
        let analysis = analysed(&plan, &record);
        let warm = outcome(&analysis, "night", ResultName::WarmUpTime);
        let (low, high) = (warm.low().unwrap(), warm.high().unwrap());
        assert!((low..=high).contains(&second), "{second} {warm:?}");
    }
}

#[test]
fn an_outlier_does_not_undo_a_warm_up() {
    let plan = plan(NIGHT, TOLERANCES);
    let mut verdicts = verdicts(&plan, |record| {
        for reading in record
            .readings
            .iter_mut()
            .filter(|r| r.key.stage == 2 && r.key.round == 3)
        {
            let hz = reading.measured.frequency.unwrap();
            reading.measured.frequency = Some(hz.shifted(model::quantity::Cents::of(9.0)));
        }
    });
    let (finding, because) = verdicts.remove(0);
    assert_eq!(finding, Finding::Pass, "{because:?}");
}

#[test]
fn a_gap_that_hides_the_crossing_is_not_passed_over() {
    let plan = plan(NIGHT, TOLERANCES);
    let found = verdicts(&plan, |record| {
        record
            .readings
            .retain(|r| r.key.stage != 1 || r.key.round < 8 || r.key.round > 26);
    });
    for (finding, because) in found {
        assert_eq!(finding, Finding::Undecided, "{because:?}");
        let Because::Missing(missing) = &because else {
            panic!("{because:?}");
        };
        let [Missing::Stretch { from, until, .. }] = &missing[..] else {
            panic!("{missing:?}");
        };
        let near = |found: f64, minutes: f64| (found - minutes * 60.0).abs() < 30.0;
        assert!(near(*from, 7.0) && near(*until, 27.0), "{missing:?}");
    }
}

#[test]
fn a_broken_history_spoils_what_is_said_of_warming_up() {
    let plan = plan(NIGHT, TOLERANCES);
    let found = verdicts(&plan, |record| {
        let mut event = record.events[0].clone();
        event.kind = EventKind::HistoryBroken;
        event.at = RunTime::START + Seconds::of(900.0);
        event.text = "the supply was lost".to_owned();
        record.events.push(event);
    });
    for (finding, because) in found {
        assert_eq!(finding, Finding::Undecided, "{because:?}");
        let broken = Because::HistoryBroken {
            after_s: 900.0,
            text: "the supply was lost".to_owned(),
        };
        assert_eq!(because, broken);
    }
}

#[test]
fn a_note_that_was_silent_all_night_keeps_a_pass_away() {
    let tolerance = "{result: error_left_after_trimming, of: night, allow: {at_most: 30 cents}}";
    let plan = plan(NIGHT, tolerance);
    let found = verdicts(&plan, |record| {
        for reading in &mut record.readings {
            if reading.asked.note_number() > 95.0 {
                reading.measured.state = State::Silent;
                reading.measured.frequency = None;
            }
        }
    });
    let never = vec![Missing::Notes(vec!["C7".to_owned()])];
    assert_eq!(found, [(Finding::Undecided, Because::Missing(never))]);
}

#[test]
fn t_is_from_the_last_power_on() {
    let plan = plan(
        "
  - rounds: {name: before, notes: {list: [C4, C5, C4]}, every: 1 min, for: 10 min}
  - power_on
  - rounds: {name: after, notes: {list: [C4, C5, C4]}, every: 1 min, for: 10 min}",
        "",
    );
    let record = play(&plan, 0.03, 6, |_, random| 0.03 * random.normal());
    let analysis = analysed(&plan, &record);
    assert_eq!(
        analysis.stages[0].zero,
        TimeZero::Stage("before".to_owned())
    );
    assert_eq!(
        analysis.stages[1].origin,
        RunTime::START + Seconds::of(600.0)
    );
    assert_eq!(analysis.stages[1].zero, TimeZero::SwitchedOn);
    assert!((analysis.stages[1].units[0].notes[0].points[0].t_s - 2.0).abs() < 1e-9);
}

#[test]
fn a_steady_drift_has_its_rate_and_repeats_have_their_scatter() {
    let plan = plan(NIGHT, "");
    let record = play(&plan, 0.05, 7, |slot, random| {
        0.4 * slot.t / 3600.0 + 0.05 * random.normal()
    });
    let analysis = analysed(&plan, &record);
    let rate = outcome(&analysis, "night", ResultName::DriftRate);
    assert!((rate.value().unwrap() - 0.4).abs() < 0.02, "{rate:?}");
    assert!(
        rate.low().unwrap() < 0.4 && rate.high().unwrap() > 0.4,
        "{rate:?}"
    );
    let mut held = 0;
    for seed in 10..40 {
        let record = play(&plan, 0.05, seed, |_, random| 0.05 * random.normal());
        let analysis = analysed(&plan, &record);
        let found = outcome(&analysis, "night", ResultName::Repeatability);
        assert!((found.value().unwrap() - 0.05).abs() < 0.02, "{found:?}");
        held += u32::from(found.low().unwrap() < 0.05 && found.high().unwrap() > 0.05);
    }
    // 28.5 of 30 are to be expected.
    assert!(held >= 26, "{held}");
}

#[test]
fn a_run_that_ended_early_passes_nothing_it_was_too_short_for() {
    let plan = plan(NIGHT, TOLERANCES);
    let found = verdicts(&plan, |record| {
        record.readings.retain(|reading| reading.key.stage == 1);
        record
            .events
            .retain(|event| event.kind != EventKind::RunEnded);
    });
    for (finding, because) in found {
        assert_ne!(finding, Finding::Pass, "{because:?}");
    }
}

#[test]
fn a_hold_gives_excursion_and_drift() {
    use model::quantity::{Cents, VoltDifference};
    use model::record::{PositionId, Trace};
    let plan = plan(
        "  - hold: {name: quiet, note: C4, for: 30 min, hop: 1 s}",
        "",
    );
    let mut record = play(&plan, 0.05, 7, |_, _| 0.0);
    let mut random = Random::new(3);
    let c4 = plan
        .pitch
        .frequency(model::pitch::Note::from_number(60).pitch());
    for chunk in 0..180u32 {
        let points = (0..10).map(|second| {
            let t = f64::from(chunk * 10 + second);
            let hz = c4.shifted(Cents::of(1.2 * t / 3600.0 + 0.05 * random.normal()));
            model::record::Measured {
                state: State::Ok,
                flags: model::record::Flags::NONE,
                frequency: Some(hz),
                u: Some(model::quantity::HertzDifference::of(0.005)),
                u_noise: None,
                level: None,
            }
        });
        record.traces.push(Trace {
            stage: 0,
            position: PositionId::new("left"),
            chunk,
            asked: model::pitch::Note::from_number(60).pitch(),
            residue: VoltDifference::ZERO,
            played: RunTime::START,
            at: RunTime::START + Seconds::of(f64::from(chunk) * 10.0),
            hop: Seconds::of(1.0),
            points: points.collect(),
        });
    }
    let analysis = analysed(&plan, &record);
    let rate = outcome(&analysis, "quiet", ResultName::DriftRate);
    assert!((rate.value().unwrap() - 1.2).abs() < 0.05, "{rate:?}");
    assert!(
        rate.low().unwrap() < 1.2 && rate.high().unwrap() > 1.2,
        "{rate:?}"
    );
    let excursion = outcome(&analysis, "quiet", ResultName::Excursion);
    assert!(
        (excursion.value().unwrap() - 0.6).abs() < 0.05,
        "{excursion:?}"
    );
    assert_eq!(analysis.stages[0].units[0].notes[0].points.len(), 1800);
}
