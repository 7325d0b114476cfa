//! What air and supply do to a unit.

use crate::night::{analysed, outcome, plan, play};
use model::quantity::{Celsius, Volts};
use model::record::RunRecord;
use model::result::{Basis, NotDetermined, NotMoved, ResultName};
use std::f64::consts::TAU;

const NIGHT: &str = "
  - power_on
  - rounds: {name: night, notes: {list: [C4, C2, C3, C5, C6, C7, C4]}, every: 10 min, for: 14 h}";

/// The air of a night: 20 degrees and 2.5 K up and down in ten hours.
fn air(t: f64) -> f64 {
    20.0 + 2.5 * (TAU * t / 36_000.0).sin()
}

/// A body that follows it with a lag, once its beginning is forgotten (a first-order
/// low pass of a sine: any text).
fn body(t: f64, lag: f64) -> f64 {
    let w = TAU / 36_000.0;
    20.0 + 2.5 * (w * t - (w * lag).atan()).sin() / (1.0 + (w * lag).powi(2)).sqrt()
}

fn logged(mut record: RunRecord) -> RunRecord {
    for reading in &mut record.readings {
        let t = reading.at.seconds();
        reading.conditions.air = Some(Celsius::of(air(t)));
        reading.conditions.supply = Some(Volts::of(12.0 + 0.2 * ((t / 3000.0).floor() % 2.0)));
    }
    record
}

#[test]
fn coefficients_of_offset_and_scale_and_the_pivot_come_back() {
    let plan = plan(NIGHT, "");
    // The pitch does not move one octave below the reference, C4 at 3 V.
    let night = |seed: u64| {
        let record = logged(play(&plan, 0.02, seed, |slot, random| {
            let warming = -8.0 * (-slot.t / 600.0).exp();
            let by_air = 0.25 * (slot.x + 1.0) * (body(slot.t, 1800.0) - 20.0);
            warming + by_air + 0.02 * random.normal()
        }));
        analysed(&plan, &record)
    };
    let analyses: Vec<_> = (0..8).map(night).collect();
    for name in [
        ResultName::OffsetTemperatureCoefficient,
        ResultName::ScaleTemperatureCoefficient,
    ] {
        let mut held = 0;
        for analysis in &analyses {
            let found = outcome(analysis, "night", name);
            assert!((found.value().unwrap() - 0.25).abs() < 0.02, "{found:?}");
            held += usize::from(found.low().unwrap() < 0.25 && 0.25 < found.high().unwrap());
        }
        // Of the course of the weather harness 95 % are held; of this one, which is an exact
        // sine, 5 of 8 for the offset.
        assert!(held >= 5, "{name}: {held}");
    }
    let scale = outcome(
        &analyses[0],
        "night",
        ResultName::ScaleTemperatureCoefficient,
    );
    let Some(Basis::ScaleTemperatureCoefficient {
        ppm: [ppm, _],
        bare,
        pivot: Some([volts, _]),
        ..
    }) = scale.basis
    else {
        panic!("{scale:?}");
    };
    // 0.25 of 1200 cents per octave, and 1/T near 20 degrees.
    assert!((ppm - 208.3).abs() < 17.0, "{ppm}");
    assert!((bare - 1200.0 / 293.15).abs() < 0.02, "{bare}");
    assert!((volts - 2.0).abs() < 0.1, "{volts}");
}

#[test]
fn a_supply_that_moves_is_seen_and_one_that_does_not_is_not() {
    let plan = plan(NIGHT, "");
    let make = |per_volt: f64| {
        logged(play(&plan, 0.02, 2, |slot, random| {
            per_volt * 0.2 * ((slot.t / 3000.0).floor() % 2.0) + 0.02 * random.normal()
        }))
    };
    let analysis = analysed(&plan, &make(-4.0));
    let found = outcome(&analysis, "night", ResultName::SupplySensitivity);
    assert!((found.value().unwrap() + 4.0).abs() < 0.3, "{found:?}");
    assert!(
        found.low().unwrap() < -4.0 && -4.0 < found.high().unwrap(),
        "{found:?}"
    );
    let mut still = make(0.0);
    for reading in &mut still.readings {
        reading.conditions.supply = Some(Volts::of(12.0));
        reading.conditions.air = None;
    }
    let analysis = analysed(&plan, &still);
    for (name, why) in [
        (
            ResultName::SupplySensitivity,
            NotDetermined::Supply(NotMoved::Still {
                by: 0.0,
                takes: 0.05,
            }),
        ),
        (
            ResultName::OffsetTemperatureCoefficient,
            NotDetermined::Air(NotMoved::NotRead),
        ),
        (
            ResultName::ScaleTemperatureCoefficient,
            NotDetermined::Air(NotMoved::NotRead),
        ),
    ] {
        let found = outcome(&analysis, "night", name);
        assert_eq!(found.why_not(), Some(&why));
    }
}
