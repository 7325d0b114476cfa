//! The joint draws of results: that they say what the results say, and that what several
//! tolerances share is one risk.

use crate::night::{EXACT, NIGHT, plan, play, rig};
use analysis::{Analysis, analyse};
use model::document::plan::Plan;
use model::quantity::Hertz;
use model::result::ResultName;

const BOUNDS: &str = "sample_clock: 0 ppm, cv_gain: 0.2 %, cv_offset: 5 mV, cv_step: 0.5 mV, cv_gain_drift: 0.01 %, cv_offset_drift: 0.5 mV, cv_output_resistance: 0 ohm, cv_session: 0 %, thermometer: 0 K";

/// A gain alone.
const GAIN: &str = "sample_clock: 0 ppm, cv_gain: 0.2 %, cv_offset: 0 mV, cv_step: 0 mV, cv_gain_drift: 0 %, cv_offset_drift: 0 mV, cv_output_resistance: 0 ohm, cv_session: 0 %, thermometer: 0 K";

/// A night of a unit of so many cents per octave and cents of droop for each time the
/// reference frequency more.
fn night(plan: &Plan, bounds: &str, slope: f64, droop: f64, seed: u64) -> Analysis {
    let record = play(plan, 0.1, seed, |slot, random| {
        slope * slot.x - droop * (slot.x.exp2() - 1.0)
            + 20.0 * (-slot.t / 700.0).exp()
            + 0.1 * random.normal()
    });
    analyse(plan, &rig(bounds), &record)
}

/// The value below which a share of draws lies.
fn quantile(draws: &[f64], share: f64) -> f64 {
    let mut sorted = draws.to_vec();
    sorted.sort_by(f64::total_cmp);
    sorted[(share * (sorted.len() - 1) as f64).round() as usize]
}

/// 2.5 % of 1000 draws lie 0.085 standard deviations off where they should, by one
/// standard deviation: an eighth of a whole interval is six of these. Times are stated as
/// no better than between two rounds, and drawn narrower, as is what goes by whole notes
/// and rounds.
#[test]
fn draws_have_the_interval_that_is_stated() {
    let plan = plan(NIGHT, "");
    for (bounds, slope) in [(BOUNDS, 2.0), (BOUNDS, 0.1), (EXACT, 2.0), (EXACT, 0.0)] {
        let analysis = night(&plan, bounds, slope, 0.3, 4);
        let mut seen = 0;
        for outcome in &analysis.outcomes {
            let (Some(value), Some(low), Some(high)) =
                (outcome.value(), outcome.low(), outcome.high())
            else {
                continue;
            };
            seen += 1;
            let draws = &outcome.draws.0;
            assert!(draws.len() >= 100 && draws.iter().all(|draw| !draw.is_nan()));
            let slack = 0.125 * (high - low) + 1e-9;
            let (from, to) = (quantile(draws, 0.025), quantile(draws, 0.975));
            assert!(
                from > low - slack && to < high + slack,
                "{from} {to} {outcome:?}"
            );
            let narrower = matches!(
                outcome.name,
                ResultName::WarmUpTime
                    | ResultName::ReadyAfter
                    | ResultName::SettlingTime
                    | ResultName::InTuneRange
                    | ResultName::FractionOfRounds
            );
            if !narrower {
                assert!(
                    from < low + slack && to > high - slack,
                    "{from} {to} {outcome:?}"
                );
            }
            assert!(from <= value + slack && to >= value - slack, "{outcome:?}");
        }
        assert!(seen >= 20, "{seen}");
    }
}

/// The risk of the only unit: of each tolerance and of all together.
fn risks(tolerances: &str, slope: f64) -> (Vec<f64>, f64) {
    let plan = plan(NIGHT, tolerances);
    let analysis = night(&plan, GAIN, slope, 0.0, 9);
    let alone = analysis
        .verdicts
        .iter()
        .map(|verdict| verdict.outside.unwrap());
    let [risk] = &analysis.risks[..] else {
        panic!("one unit has one risk: {:?}", analysis.risks)
    };
    assert_eq!(
        (risk.counted, risk.tolerances),
        (analysis.verdicts.len(), risk.counted)
    );
    (alone.collect(), risk.outside.unwrap())
}

/// A gain of 0.2 % is a rectangle of 2.4 cents per octave either way (GUM 4.3.7), drawn a
/// twentieth wider so that its middle 95 % reach its ends: of a unit at 2 cents per octave
/// and a limit of 2.8, a third of it is beyond.
#[test]
fn tolerances_on_one_gain_are_one_risk() {
    let both = "{result: scale_error, of: night, allow: {at_most: 2.8 cents/oct}},
        {result: mean_slope, of: night, allow: {at_most: 2.8 cents/oct}}";
    let (alone, together) = risks(both, 2.0);
    for risk in &alone {
        assert!((risk - 1.0 / 3.0).abs() < 0.05, "{alone:?}");
    }
    // Apart it would be 5/9.
    assert!((together - 1.0 / 3.0).abs() < 0.08, "{together}");
    // One is too high where the other is not too low: these exclude each other.
    let against = "{result: scale_error, of: night, allow: {at_most: 2.8 cents/oct}},
        {result: mean_slope, of: night, allow: {at_least: 1.2 cents/oct}}";
    let (_, together) = risks(against, 2.0);
    assert!((together - 2.0 / 3.0).abs() < 0.08, "{together}");
    // A size goes with the slope that makes it: five octaves of it, half of that either way.
    let size = "{result: mean_slope, of: night, allow: {at_most: 2.8 cents/oct}},
        {result: error_left_after_retuning, of: night, allow: {at_most: 7 cents}}";
    let (alone, together) = risks(size, 2.0);
    assert!((alone[1] - 1.0 / 3.0).abs() < 0.06, "{alone:?}");
    assert!((together - 1.0 / 3.0).abs() < 0.1, "{together}");
}

#[test]
fn a_tolerance_of_which_nothing_is_known_is_left_out_and_counted() {
    let plan = plan(
        NIGHT,
        "{result: scale_error, of: night, allow: {at_most: 2.8 cents/oct}},
         {result: scale_temperature_coefficient, of: night, allow: {within: 1 cents/oct/K}}",
    );
    let analysis = night(&plan, BOUNDS, 2.0, 0.0, 9);
    let risk = &analysis.risks[0];
    assert_eq!((risk.counted, risk.tolerances), (1, 2));
    assert_eq!(risk.outside, analysis.verdicts[0].outside);
}

/// What is shared is drawn alike in another run on the same rig, and what is not is not;
/// neither the run's identifier nor its time of day matters.
#[test]
fn another_night_on_the_same_rig_shares_the_gain_and_nothing_of_its_own() {
    let plan = plan(NIGHT, "");
    let of = |bounds: &str, seed: u64, note: fn(&mut model::record::RunRecord)| {
        let mut record = play(&plan, 0.1, seed, |slot, random| {
            slot.x + 0.1 * random.normal()
        });
        note(&mut record);
        let analysis = analyse(&plan, &rig(bounds), &record);
        let found = crate::night::outcome(&analysis, "night", ResultName::ScaleError);
        let value = found.value().unwrap();
        found
            .draws
            .0
            .iter()
            .map(|draw| draw - value)
            .collect::<Vec<f64>>()
    };
    let correlation = |one: &[f64], other: &[f64]| {
        let products: f64 = one.iter().zip(other).map(|(a, b)| a * b).sum();
        let squares = |of: &[f64]| of.iter().map(|a| a * a).sum::<f64>();
        products / (squares(one) * squares(other)).sqrt()
    };
    let nothing: fn(&mut model::record::RunRecord) = |_| {};
    let (one, other) = (of(BOUNDS, 1, nothing), of(BOUNDS, 2, nothing));
    assert!(correlation(&one, &other) > 0.95);
    assert_ne!(one, other);
    // On a rig with other limits, which is another rig, nothing is shared.
    let elsewhere = of(&BOUNDS.replace("0.2 %", "0.21 %"), 2, nothing);
    assert!(correlation(&one, &elsewhere).abs() < 0.15);
    // Without a rig's errors each night is on its own.
    let (bare, bare_other) = (of(EXACT, 1, nothing), of(EXACT, 2, nothing));
    assert!(correlation(&bare, &bare_other).abs() < 0.15);
    // The same run by another name and by another clock.
    let renamed = of(BOUNDS, 1, |record| {
        record.id = model::record::RunId::new("another-2");
        record.header.began = "2026-03-04T05:06:07Z".parse().unwrap();
        record.header.program_version = "9.9".to_owned();
    });
    assert_eq!(renamed, one);
    // The same plan, rig and unit on another evening is another run.
    let evening = of(EXACT, 1, |record| {
        let first = &mut record.readings[0].measured;
        first.frequency = first.frequency.map(|hz| Hertz::of(hz.get() * (1.0 + 1e-9)));
    });
    assert!(correlation(&bare, &evening).abs() < 0.15);
}

/// How a unit wanders is its own in every run: of two nights nothing of it cancels.
#[test]
fn a_unit_wanders_in_each_night_for_itself() {
    let plan = plan(NIGHT, "");
    let of = |seed: u64| {
        let (mut level, mut last) = (0.0, 0.0);
        let record = play(&plan, 0.01, seed, |slot, random| {
            level += 0.05 * ((slot.t - last) / 600.0f64).sqrt() * random.normal();
            last = slot.t;
            20.0 * (-slot.t / 600.0).exp() + level + 0.01 * random.normal()
        });
        let analysis = analyse(&plan, &rig(EXACT), &record);
        let found = crate::night::outcome(&analysis, "night", ResultName::WarmUpTime);
        let (value, u) = (found.value().unwrap(), found.u().unwrap());
        // A twentieth of a cent every ten minutes is some tenths over the night, and at
        // 3 cents a tenth is 20 s.
        assert!(u > 15.0, "{found:?}");
        let draws = found.draws.0.iter().map(|draw| (draw - value) / u);
        draws.collect::<Vec<f64>>()
    };
    let (one, other) = (of(1), of(2));
    let products: f64 = one.iter().zip(&other).map(|(a, b)| a * b).sum();
    let correlation = products / one.len() as f64;
    assert!(correlation.abs() < 0.15, "{correlation}");
}
