//! Whatever is in a record, there is a clear answer.

#![allow(clippy::disallowed_methods, reason = "a guard against hanging")]

use crate::night::{NIGHT, Random, analysed, outcome, plan, play};
use analysis::Analysis;
use model::document::plan::Plan;
use model::incident::IncidentKind;
use model::pitch::Pitch;
use model::quantity::{Hertz, HertzDifference};
use model::record::{Flag, Flags, PositionId, RunRecord, State};
use model::result::{
    Because, Finding, LeftOut, NotDetermined, OtherLaw, ResultName, Rounds, Scope, ScopeKind,
};
use model::time::RunTime;
use std::collections::BTreeMap;

const TOLERANCES: &str = "
  {result: scale_error, of: night, at: end, allow: {within: 1 cent/oct}},
  {result: error_left_after_trimming, of: night, allow: {at_most: 3 cents}},
  {result: error_after_one_tuning, of: night, allow: {at_most: 5 cents}},
  {result: warm_up_time, of: warming, allow: {at_most: 45 min}},
  {result: drift_rate, of: night, allow: {within: 1 cent/h}},
  {result: repeatability, of: night, allow: {at_most: 1 cent}},
  {result: excursion, of: nowhere, allow: {at_most: 5 cents}}";

/// Every number is a number, every absent one has a reason, and nothing passes
/// that was not measured.
fn sound(plan: &Plan, record: &RunRecord) -> Analysis {
    let analysis = analysed(plan, record);
    for outcome in &analysis.outcomes {
        assert_eq!(
            outcome.value().is_none(),
            outcome.why_not().is_some(),
            "{outcome:?}"
        );
        // Whatever the plan chose, it is taken over what the table says.
        let kind = outcome.name.row().scope;
        assert!(
            match outcome.scope {
                Some(Scope::Moment { .. }) => kind == ScopeKind::Moment,
                Some(Scope::Rounds { .. }) => matches!(kind, ScopeKind::Warm | ScopeKind::Stage),
                Some(Scope::PowerCycle { .. }) => kind == ScopeKind::PowerCycle,
                None => outcome.value().is_none() && outcome.basis.is_none(),
            },
            "{outcome:?}"
        );
        for number in [
            outcome.value(),
            outcome.u(),
            outcome.low(),
            outcome.high(),
            outcome.t_s,
        ] {
            assert!(number.is_none_or(f64::is_finite), "{outcome:?}");
        }
        if let (Some(low), Some(value), Some(high)) =
            (outcome.low(), outcome.value(), outcome.high())
        {
            assert!(low <= value + 1e-9 && value <= high + 1e-9, "{outcome:?}");
        }
    }
    assert_eq!(analysis.verdicts.len(), plan.tolerances.len());
    for stage in &analysis.stages {
        for unit in &stage.units {
            for (t, value, u) in unit.curves.iter().flat_map(|curve| &curve.points) {
                assert!(t.is_finite() && value.is_finite() && u.is_finite());
            }
        }
    }
    analysis
}

fn none_passes(analysis: &Analysis) {
    for verdict in &analysis.verdicts {
        assert_ne!(verdict.finding, Finding::Pass, "{:?}", verdict.because);
    }
}

fn usual() -> (Plan, RunRecord) {
    let plan = plan(NIGHT, TOLERANCES);
    let record = play(&plan, 0.05, 1, |slot, random| {
        0.2 * slot.x + 0.05 * random.normal()
    });
    (plan, record)
}

#[test]
fn a_plain_night_is_sound() {
    let (plan, record) = usual();
    let analysis = sound(&plan, &record);
    for verdict in &analysis.verdicts[..6] {
        assert_eq!(verdict.finding, Finding::Pass, "{:?}", verdict.because);
    }
    assert_eq!(analysis.verdicts[6].because, Because::NoSuchStage);
}

/// What the rig did not hear has not happened to the unit, and is missing where it is much.
#[test]
fn one_reading_that_lost_samples_turns_nothing() {
    let (plan, record) = usual();
    let lost = |rounds: std::ops::Range<u32>, slots: std::ops::Range<u16>| {
        let mut record = record.clone();
        for reading in &mut record.readings {
            let key = &reading.key;
            if key.stage == 2 && rounds.contains(&key.round) && slots.contains(&key.slot) {
                reading.measured.flags.insert(Flag::Xrun);
            }
        }
        sound(&plan, &record)
    };
    let one = lost(20..21, 3..4);
    assert_eq!(one.incidents[0].kind, IncidentKind::LostSamples);
    for verdict in &one.verdicts[..6] {
        assert_eq!(verdict.because, Because::Inside);
    }
    let many = lost(20..24, 0..8);
    let trimming = plan
        .tolerances
        .iter()
        .position(|one| one.result == ResultName::ErrorLeftAfterTrimming)
        .unwrap();
    let verdict = &many.verdicts[trimming];
    assert!(
        matches!(verdict.because, Because::Missing(_)),
        "{verdict:?}"
    );
}

#[test]
fn no_readings() {
    let (plan, mut record) = usual();
    record.readings.clear();
    let analysis = sound(&plan, &record);
    none_passes(&analysis);
    let scale = outcome(&analysis, "night", ResultName::ScaleError);
    assert_eq!(
        scale.why_not(),
        Some(&NotDetermined::NoReadings {
            left_out: BTreeMap::new()
        })
    );
    record.events.clear();
    none_passes(&sound(&plan, &record));
}

#[test]
fn one_reading() {
    let (plan, mut record) = usual();
    record.readings.drain(1..);
    none_passes(&sound(&plan, &record));
}

#[test]
fn what_is_nothing_whatever_the_unit_does_passes_nothing() {
    // Tuned, a note is right at once; and a trimmer and a knob put any two notes right.
    let once = plan(
        "  - rounds: {name: night, notes: {list: [C4]}, every: 1 min, for: 1 min}",
        "{result: error_after_one_tuning, of: night, allow: {at_most: 5 cents}}",
    );
    let analysis = sound(&once, &play(&once, 0.05, 1, |_, _| 40.0));
    none_passes(&analysis);
    let ready = outcome(&analysis, "night", ResultName::WarmUpTime);
    assert!(
        matches!(
            ready.why_not(),
            Some(NotDetermined::TooFewRounds {
                to: Rounds::Settling,
                have: 1,
                ..
            })
        ),
        "{ready:?}"
    );
    let scale = outcome(&analysis, "night", ResultName::ScaleTemperatureCoefficient);
    assert!(matches!(
        scale.why_not(),
        Some(NotDetermined::OneNote { .. })
    ));
    let two = plan(
        "  - sweep: {name: night, notes: {list: [C3, C5]}}",
        "{result: error_left_after_trimming, of: night, allow: {at_most: 3 cents}}",
    );
    none_passes(&sound(&two, &play(&two, 0.05, 1, |slot, _| 40.0 * slot.x)));
    // What it leaves over time is something.
    let later = plan(
        "  - rounds: {name: night, notes: {list: [C4, C5, C4]}, every: 1 min, for: 20 min}",
        "",
    );
    let analysis = sound(
        &later,
        &play(&later, 0.05, 1, |slot, _| {
            slot.x * if slot.t < 600.0 { 40.0 } else { 20.0 }
        }),
    );
    let left = outcome(&analysis, "night", ResultName::ErrorLeftAfterTrimming);
    assert!((left.value().unwrap() - 5.0).abs() < 0.5, "{left:?}");
}

#[test]
fn one_round_cut_short_at_every_note() {
    let (plan, record) = usual();
    for length in 1..15 {
        let mut cut = record.clone();
        cut.readings.retain(|reading| reading.key.stage == 2);
        cut.readings.truncate(length);
        none_passes(&sound(&plan, &cut));
    }
}

#[test]
fn all_silent() {
    let (plan, mut record) = usual();
    for reading in &mut record.readings {
        reading.measured.state = State::Silent;
        reading.measured.frequency = None;
        reading.measured.u = None;
    }
    let analysis = sound(&plan, &record);
    none_passes(&analysis);
    let scale = outcome(&analysis, "night", ResultName::ScaleError);
    let silent = BTreeMap::from([(LeftOut::State(State::Silent), 336)]);
    assert!(
        matches!(
            scale.why_not(),
            Some(NotDetermined::NoReadings { left_out }) if *left_out == silent
        ),
        "{scale:?}"
    );
    assert_eq!(analysis.stages[1].units[0].left_out, silent);
}

#[test]
fn all_equal() {
    let (plan, mut record) = usual();
    for reading in &mut record.readings {
        reading.measured.frequency = Some(Hertz::of(261.0));
        reading.measured.u = Some(HertzDifference::ZERO);
    }
    sound(&plan, &record);
    for reading in &mut record.readings {
        reading.at = RunTime::START;
    }
    sound(&plan, &record);
}

#[test]
fn beyond_all_measure() {
    let (plan, mut record) = usual();
    for (index, reading) in record.readings.iter_mut().enumerate() {
        let hz = if index % 2 == 0 { 1e-300 } else { 1e300 };
        reading.measured.frequency = Some(Hertz::of(hz));
        reading.measured.u = Some(HertzDifference::of(1e300));
    }
    sound(&plan, &record);
}

#[test]
fn times_going_backwards() {
    let (plan, mut record) = usual();
    let last = record.last_instant();
    for reading in &mut record.readings {
        reading.at = RunTime::from_nanoseconds(last.nanoseconds() - reading.at.nanoseconds());
    }
    sound(&plan, &record);
}

#[test]
fn one_note_only() {
    let (plan, mut record) = usual();
    record
        .readings
        .retain(|reading| reading.asked.note_number() == 60.0);
    let analysis = sound(&plan, &record);
    let scale = outcome(&analysis, "night", ResultName::MeanSlope);
    assert_eq!(scale.value(), None);
    assert!(
        outcome(&analysis, "night", ResultName::Excursion)
            .value()
            .is_some()
    );
    record.readings.retain(|reading| reading.key.stage == 1);
    sound(&plan, &record);
}

#[test]
fn two_stages_with_different_notes() {
    let plan = plan(
        "
  - rounds: {name: low, notes: {list: [C2, C3]}, every: 1 min, for: 10 min}
  - rounds: {name: night, notes: {list: [C5, 300 Hz, 4.25 V]}, every: 1 min, for: 30 min}",
        TOLERANCES.replace("warming", "night").as_str(),
    );
    let record = play(&plan, 0.05, 1, |_, random| 0.05 * random.normal());
    let analysis = sound(&plan, &record);
    let after = outcome(&analysis, "night", ResultName::ErrorAfterOneTuning);
    assert!(
        after.why_not() == Some(&NotDetermined::ReferenceNotPlayed),
        "{after:?}"
    );
    let names: Vec<&str> = analysis.stages[1].units[0]
        .notes
        .iter()
        .map(|note| note.name.as_str())
        .collect();
    assert_eq!(names, ["300 Hz", "C5", "4.25 V"]);
}

#[test]
fn flags_decide_what_counts() {
    let (plan, mut record) = usual();
    for (index, reading) in record.readings.iter_mut().enumerate() {
        if reading.key.stage == 2 && index % 50 == 0 {
            reading.measured.flags = Flags::NONE.with(Flag::Xrun);
            reading.measured.frequency = Some(Hertz::of(77.0));
        }
        // A unit whose C7 is always far off is a unit like that.
        if reading.asked.note_number() == 96.0 {
            reading.measured.flags.insert(Flag::WrongInterval);
        }
    }
    let analysis = sound(&plan, &record);
    let unit = &analysis.stages[1].units[0];
    let why: Vec<LeftOut> = unit.left_out.keys().copied().collect();
    assert_eq!(why, [LeftOut::LostSamples]);
    let scale = outcome(&analysis, "night", ResultName::ScaleError);
    assert!((scale.value().unwrap() - 0.2).abs() < 0.1, "{scale:?}");
    assert!(
        unit.notes[0]
            .points
            .iter()
            .all(|point| point.as_played.is_finite())
    );
}

#[test]
fn the_last_attempt_counts() {
    let (plan, record) = usual();
    let mut twice = record.clone();
    for mut reading in record.readings.clone() {
        reading.measured.frequency = Some(Hertz::of(50.0));
        twice.readings.insert(0, reading);
    }
    for reading in twice.readings.iter_mut().skip(record.readings.len()) {
        reading.key.attempt = 1;
    }
    twice.readings.reverse();
    assert_eq!(
        analysed(&plan, &twice).outcomes,
        analysed(&plan, &record).outcomes
    );
}

#[test]
fn a_large_night_is_quick() {
    let plan = plan(
        "
  - power_on
  - rounds: {name: night, notes: {list: [C4, C2, C3, C5, C6, C7, C4]}, every: 1 min, for: 12 h}",
        "",
    );
    let record = play(&plan, 0.05, 1, |slot, random| {
        5.0 * (-slot.t / 900.0).exp() * (1.0 + 0.2 * slot.x) + 0.05 * random.normal()
    });
    assert_eq!(record.readings.len(), 5040);
    let began = std::time::Instant::now();
    let analysis = sound(&plan, &record);
    println!("one unit, 5040 readings: {:?}", began.elapsed());
    assert!(
        outcome(&analysis, "night", ResultName::ReadyAfter)
            .value()
            .is_some()
    );
}

#[test]
fn a_unit_of_hertz_per_volt_has_no_scale_in_octaves() {
    let (plan, record) = usual();
    let mut rig = crate::night::rig("");
    let position = rig.positions.get_mut("left").unwrap();
    position.cv.law = model::document::rig::Law::HertzPerVolt {
        gain: model::quantity::HertzPerVolt::of(261.6),
    };
    let analysis = analysis::analyse(&plan, &rig, &record);
    let scale = outcome(&analysis, "night", ResultName::ScaleError);
    assert_eq!(
        scale.why_not(),
        Some(&NotDetermined::OtherLaw(OtherLaw::ScaleError))
    );
    // An error of the gain is the same number of cents at all notes and retuned away;
    // an offset is not.
    let left = outcome(&analysis, "night", ResultName::ErrorLeftAfterRetuning);
    assert!(left.high().unwrap() > 10.0, "{left:?}");
}

#[test]
fn whatever_comes_is_answered() {
    let (plan, record) = usual();
    for seed in 0..60 {
        let mut random = Random::new(seed);
        let mut wild = record.clone();
        wild.readings.retain(|_| random.uniform() < 0.3);
        for reading in &mut wild.readings {
            let die = random.uniform();
            if die < 0.1 {
                reading.measured.state = State::ALL[(die * 70.0) as usize];
            } else if die < 0.2 {
                reading.measured.flags = Flags::NONE.with(Flag::ALL[(die * 50.0) as usize]);
            } else if die < 0.3 {
                reading.measured.frequency =
                    (die < 0.25).then(|| Hertz::of((40.0 * (random.uniform() - 0.5)).exp()));
            } else if die < 0.4 {
                reading.key.stage = (random.uniform() * 6.0) as u16;
            } else if die < 0.5 {
                reading.at = RunTime::from_nanoseconds((1e14 * (random.uniform() - 0.5)) as i64);
            } else if die < 0.6 {
                reading.asked = Pitch::new(600.0 * (random.uniform() - 0.5)).unwrap();
            } else if die < 0.7 {
                reading.key.round = (random.uniform() * 3.0) as u32;
            } else if die < 0.75 {
                reading.key.position = PositionId::new("nowhere");
            } else if die < 0.8 {
                reading.measured.u = None;
            }
        }
        let mut analysis = analysed(&plan, &wild);
        analysis
            .verdicts
            .retain(|verdict| verdict.position.as_str() == "left");
        assert_eq!(analysis.verdicts.len(), plan.tolerances.len());
        for outcome in &analysis.outcomes {
            assert_eq!(
                outcome.value().is_none(),
                outcome.why_not().is_some(),
                "{outcome:?}"
            );
        }
    }
}
