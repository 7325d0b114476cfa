//! How wide and how often in tune, how fast octaves beat, and what trimmers leave.

use crate::night::{NIGHT, analysed, outcome, plan, play, rig};
use analysis::analyse;
use model::result::{Basis, Because, Finding, ResultName};

#[test]
fn the_range_in_tune_is_a_run_of_notes() {
    let plan = plan(
        NIGHT,
        "{result: in_tune_range, of: night, allow: {at_least: 3 octaves}},
         {result: in_tune_range, of: night, allow: {at_least: 5 octaves}, meaning: {steady_within: 20 cents}},
         {result: fraction_of_rounds, of: night, allow: {at_least: 95 %}}",
    );
    // Flat but for the top octave.
    let record = play(&plan, 0.05, 1, |slot, random| {
        0.05 * random.normal() - if slot.x > 2.5 { 14.0 } else { 0.0 }
    });
    let analysis = analysed(&plan, &record);
    let range = outcome(&analysis, "night", ResultName::InTuneRange);
    let Some(Basis::InTuneRange {
        run: [from, to], ..
    }) = &range.basis
    else {
        panic!("{range:?}");
    };
    assert!(
        range.value().unwrap() >= 3.0 && range.value().unwrap() <= 4.0,
        "{range:?}"
    );
    assert!(from == "C2" && to.starts_with('C'), "{range:?}");
    assert_eq!(
        analysis.verdicts[1].finding,
        Finding::Pass,
        "{:?}",
        analysis.verdicts[1]
    );
    assert_eq!(
        analysis.verdicts[2].finding,
        Finding::Fail,
        "{:?}",
        analysis.verdicts[2]
    );
}

#[test]
fn the_share_of_rounds_is_that_of_rounds() {
    let plan = plan(NIGHT, "");
    // Out for the first quarter of the night (8 h), and in from then on.
    let record = play(&plan, 0.05, 2, |slot, random| {
        let slope = if slot.t < 1800.0 + 7200.0 { 4.0 } else { 0.2 };
        slope * slot.x + 0.05 * random.normal()
    });
    let analysis = analysed(&plan, &record);
    let share = outcome(&analysis, "night", ResultName::FractionOfRounds);
    assert!((share.value().unwrap() - 0.75).abs() < 0.05, "{share:?}");
}

#[test]
fn missing_rounds_leave_a_share_open_only_where_they_could_turn_it() {
    let plan = plan(
        NIGHT,
        "{result: fraction_of_rounds, of: night, allow: {at_least: 70 %}},
         {result: fraction_of_rounds, of: night, allow: {at_least: 85 %}},
         {result: fraction_of_rounds, of: night, allow: {at_most: 45 %}},
         {result: fraction_of_rounds, of: night, allow: {at_most: 30 %}}",
    );
    // Out for the first quarter of 48 rounds; the last 18 are missing. Of 30 that count 18
    // are good, 60 %; with the missing ones it is between 18 and 36 of 48, 37.5 % and 75 %.
    let mut record = play(&plan, 0.05, 2, |slot, random| {
        let slope = if slot.t < 1800.0 + 7200.0 { 4.0 } else { 0.2 };
        slope * slot.x + 0.05 * random.normal()
    });
    let whole = analysed(&plan, &record);
    assert_eq!(whole.verdicts[1].finding, Finding::Fail);
    record
        .readings
        .retain(|reading| reading.key.stage < 2 || reading.key.round < 30);
    let analysis = analysed(&plan, &record);
    let found: Vec<Finding> = analysis.verdicts.iter().map(|v| v.finding).collect();
    let (open, fails) = (Finding::Undecided, Finding::Fail);
    let expected = [open, fails, open, fails];
    assert_eq!(found, expected, "{:?}", analysis.verdicts);
    let open = &analysis.verdicts[0];
    assert!(
        matches!(
            open.because,
            Because::CouldTurn {
                missing: 18,
                planned: 48,
                were_good: true,
                ..
            }
        ) && open.outside.is_none(),
        "{open:?}"
    );
}

#[test]
fn octaves_beat_as_they_must() {
    let plan = plan(NIGHT, "");
    // 2 cents more in every octave: |2 f - f'| of C6 and C7 is 2093 Hz times that.
    let record = play(&plan, 0.02, 3, |slot, random| {
        2.0 * slot.x + 0.02 * random.normal()
    });
    let analysis = analysed(&plan, &record);
    let beats = outcome(&analysis, "night", ResultName::WorstBeats);
    let cents = |x: f64| (2.0 * x / 1200.0).exp2();
    let expected = 2_093.004_522_4 * (cents(3.0) - cents(2.0));
    assert!(
        (beats.value().unwrap() - expected).abs() < 0.03,
        "{beats:?} {expected}"
    );
    assert_eq!(
        beats.basis,
        Some(Basis::WorstBeats {
            pair: ["C6".to_owned(), "C7".to_owned()],
            pairs: 5
        })
    );
}

#[test]
fn a_maximum_of_noise_alone_is_not_stated() {
    // A perfect unit with half a cent of noise: raw maxima are above a cent.
    let plan = plan(NIGHT, "");
    let record = play(&plan, 0.5, 4, |_, random| 0.5 * random.normal());
    let analysis = analysed(&plan, &record);
    for name in [
        ResultName::LinearityError,
        ResultName::LargestChangeBetweenRounds,
    ] {
        let found = outcome(&analysis, "night", name);
        assert!(
            found.low().unwrap() < 0.05 && found.value().unwrap() < 0.3,
            "{found:?}"
        );
    }
}

#[test]
fn two_trimmers_cure_a_droop_and_one_does_not() {
    let plan = plan(NIGHT, "");
    let record = play(&plan, 0.02, 5, |slot, random| {
        -1.5 * (slot.x.exp2() - 1.0) + slot.x + 0.02 * random.normal()
    });
    let analysis = analysed(&plan, &record);
    let one = outcome(&analysis, "night", ResultName::ErrorLeftAfterTrimming);
    let both = outcome(&analysis, "night", ResultName::ErrorLeftAfterBothTrimmers);
    assert!(one.low().unwrap() > 2.0, "{one:?}");
    assert!(both.value().unwrap() < 0.1, "{both:?}");
}

#[test]
fn what_trimmers_leave_is_of_every_round_of_a_long_night() {
    let plan = plan(
        "
  - power_on
  - rounds: {name: night, notes: {list: [C4, C2, C3, C5, C6, C7, C4]}, every: 2 min, for: 10 h}",
        "",
    );
    // The high end is off for some minutes; by how much it is does not hang on when.
    let left = |round: f64| {
        let record = play(&plan, 0.002, 7, |slot, random| {
            let near = (slot.t - 120.0 * round) / 300.0;
            let bend = (-near * near).exp() * (slot.x.exp2() - 1.0);
            bend + 0.002 * random.normal()
        });
        let analysis = analysed(&plan, &record);
        [
            ResultName::ErrorLeftAfterTrimming,
            ResultName::ErrorLeftAfterBothTrimmers,
        ]
        .map(|name| outcome(&analysis, "night", name).value().unwrap())
    };
    let [one, both] = left(150.0);
    assert!(one > 1.0 && both > 0.5 && both <= one, "{one} {both}");
    for round in [151.0, 152.0, 153.0, 156.0] {
        let [other, other_both] = left(round);
        assert!((other / one - 1.0).abs() < 0.01, "{other} {one}");
        assert!(
            (other_both / both - 1.0).abs() < 0.01,
            "{other_both} {both}"
        );
    }
}

#[test]
fn steps_of_the_control_source_are_not_the_unit_s() {
    // Each note is off by the largest step there may be, all so that C4 comes off
    // the curve by more than that.
    let record = play(&plan(NIGHT, ""), 0.01, 3, |slot, random| {
        let step = if slot.x.abs() < 0.1 || slot.x > 2.5 {
            0.36
        } else {
            -0.36
        };
        step + 0.01 * random.normal()
    });
    let analysis = analyse(&plan(NIGHT, ""), &rig("cv_step: 0.3 mV"), &record);
    let left = outcome(&analysis, "night", ResultName::ErrorLeftAfterBothTrimmers);
    assert!(
        left.value().unwrap() < 0.05 && left.low().unwrap() < 0.01,
        "{left:?}"
    );
}
