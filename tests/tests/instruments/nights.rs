//! Whole runs in which an instrument misbehaves: what becomes of the run, of its notes and
//! of the supply.

use super::night::{Ends, FOREVER, Left, Night, all, night};
use super::rows::MAY_BE_ON;
use model::record::EventKind;
use model::time::StopReason;
use std::time::Duration;
use tests::instruments::{Fake, Fault, Happened, Rule, Trigger};

fn says(line: &str) -> Fault {
    Fault::Says(line.to_owned())
}

/// A supply to which something happens when it has been on for three seconds.
fn then(fault: Fault) -> Fake {
    Fake::supply().rule(Rule::new(Trigger::OnFor(Duration::from_secs(3)), fault))
}

/// A supply that is asked for its voltage, and from the seventh time on does this.
fn asked(fault: Fault) -> Fake {
    Fake::supply().rule(Rule::new(Trigger::Told("MEAS:VOLT?"), fault).after(6))
}

/// The same of a thermometer.
fn warm(fault: Fault) -> Fake {
    Fake::thermometer().rule(Rule::new(Trigger::Told("MEAS:TEMP?"), fault).after(6))
}

#[test]
fn electrical_faults_switch_off() {
    let tripped = |name, supply, words| {
        night(name, supply)
            .ends(Ends::Badly(words), Left::Off)
            .says(EventKind::Tripped, 1)
    };
    let stands = "instead of 12 V";
    all(vec![
        tripped("short circuit", then(Fault::Load(0.5)), stands),
        tripped("30 V", then(Fault::Runaway(30.0)), stands),
        tripped("the wrong sign", then(Fault::Runaway(-12.0)), stands),
        tripped("the output goes off by itself", then(Fault::Trips), stands),
        tripped(
            "a short circuit of which every second answer is missing",
            then(Fault::Load(0.5)).rule(
                Rule::new(Trigger::Told("MEAS:VOLT?"), Fault::Mute)
                    .after(8)
                    .times(1),
            ),
            stands,
        ),
        tripped(
            "a short circuit, and silence after the first answer",
            then(Fault::Load(0.5))
                .rule(Rule::new(Trigger::Told("MEAS:VOLT?"), Fault::Mute).after(8)),
            stands,
        ),
        tripped(
            "a short circuit, and off is lost once",
            then(Fault::Load(0.5)).rule(Rule::new(Trigger::Told("OUTP OFF"), Fault::Lost).times(1)),
            stands,
        ),
        night(
            "a short circuit, and off is lost always",
            then(Fault::Load(0.5)).when_told("OUTP OFF", Fault::Lost),
        )
        .ends(Ends::Badly(MAY_BE_ON), Left::MayBeOn)
        .says(EventKind::OutputUncertain, 1),
        Night {
            full_at: Some(EventKind::SupplyLow),
            ..night(
                "a short circuit as the disk fills up",
                then(Fault::Load(0.5)),
            )
            .ends(Ends::Badly(stands), Left::Off)
        },
        Night {
            // As it is asked again, after it showed 0.4 V once.
            signal: Some((StopReason::System, |log| {
                log.iter()
                    .skip_while(|logged| {
                        !matches!(&logged.what, Happened::Said(line) if line.starts_with("0.4"))
                    })
                    .any(|logged| logged.what == Happened::Heard("MEAS:VOLT?".to_owned()))
            })),
            ..tripped(
                "SIGTERM between two looks at a short circuit",
                then(Fault::Load(0.5)),
                stands,
            )
        },
        Night {
            second: Some(Fake::supply()),
            ..night(
                "one of two supplies short-circuited",
                then(Fault::Load(0.5)),
            )
            .ends(Ends::Badly(stands), Left::Off)
        },
        Night {
            second: Some(Fake::supply().rule(Rule::new(
                Trigger::OnFor(Duration::from_secs(2)),
                Fault::Hangs(FOREVER),
            ))),
            ..night(
                "one short-circuited, the other hangs",
                then(Fault::Load(0.5)),
            )
            .ends(Ends::Badly(MAY_BE_ON), Left::MayBeOn)
        },
        Night {
            second: Some(then(Fault::Load(0.5))),
            ..night(
                "one hangs, the other short-circuited",
                Fake::supply().rule(Rule::new(
                    Trigger::OnFor(Duration::from_secs(2)),
                    Fault::Hangs(FOREVER),
                )),
            )
            .ends(Ends::Badly(MAY_BE_ON), Left::MayBeOn)
        },
    ]);
}

#[test]
fn what_fails_as_a_supply_is_switched_on_ends_with_off() {
    let over = Rule::new(
        Trigger::Told("OUTP ON"),
        Fault::Reports(120, "Over-current"),
    );
    let once =
        |beginning, fault| Fake::supply().rule(Rule::new(Trigger::Told(beginning), fault).times(1));
    all(vec![
        night("over-current", Fake::supply().rule(over))
            .ends(Ends::Badly("Over-current"), Left::Off),
        night("no answer", once("OUTP?", Fault::Mute)).ends(Ends::Badly("OUTP?"), Left::Off),
        night("a wrong answer", once("OUTP?", says("0"))).ends(Ends::Badly("OUTP?"), Left::Off),
        night("silence", Fake::supply().when_told("OUTP?", Fault::Mute))
            .ends(Ends::Badly(MAY_BE_ON), Left::MayBeOn),
        night(
            "it hangs",
            Fake::supply().when_told("OUTP ON", Fault::Hangs(FOREVER)),
        )
        .ends(Ends::Badly(MAY_BE_ON), Left::MayBeOn),
        night(
            "another limit",
            Fake::supply().when_told("CURR?", says("5")),
        )
        .ends(Ends::Badly("stands at 5 A"), Left::NeverOn),
        night(
            "nothing is answered",
            Fake::supply().when_told("", Fault::Lost),
        )
        .ends(Ends::Badly("did not answer"), Left::NeverOn),
    ]);
}

#[test]
fn a_supply_that_falls_silent_costs_no_note() {
    use EventKind::{InstrumentBack, InstrumentLost, SupplyBack, SupplyLow, Tripped};
    let lost = |name, supply| night(name, supply).says(InstrumentLost, 1);
    let fine = |name, supply| {
        night(name, supply)
            .says(InstrumentLost, 0)
            .says(SupplyLow, 0)
            .says(Tripped, 0)
    };
    let switched_off = |name, supply, left| {
        let words = if left == Left::Off {
            "no answer since"
        } else {
            MAY_BE_ON
        };
        Night {
            when_lost: ", when_lost: off",
            ..lost(name, supply)
                .ends(Ends::Badly(words), left)
                .says(Tripped, 1)
        }
    };
    all(vec![
        fine("all is well", Fake::supply()),
        fine(
            "it answers late",
            asked(Fault::Late(Duration::from_millis(300))),
        ),
        fine("it answers twice", asked(Fault::Twice)),
        fine(
            "it is silent for a moment",
            then(Fault::Hangs(Duration::from_secs(2))),
        ),
        fine(
            "its cable is out for a moment",
            then(Fault::Unplugged(Duration::from_secs(2))),
        ),
        lost("it answers nothing", asked(Fault::Mute)),
        lost("it hangs", then(Fault::Hangs(FOREVER))),
        lost("its cable comes out", then(Fault::Unplugged(FOREVER))),
        lost("it answers nonsense", asked(says("who knows"))),
        lost("it answers no number", asked(says("9.91E37"))),
        lost("it answers with a unit", asked(says("12.0 V"))),
        lost("it answers half", asked(Fault::Half)),
        lost("it floods", asked(Fault::Floods(8_000))),
        lost(
            "it answers too late",
            asked(Fault::SaysLate(Duration::from_secs(3), "99".into())),
        ),
        lost(
            "it hangs and comes back",
            then(Fault::Hangs(Duration::from_secs(9))),
        )
        .says(InstrumentBack, 1),
        night(
            "9 V, and back",
            then(Fault::Load(11.25)).rule(Rule::new(
                Trigger::OnFor(Duration::from_secs(6)),
                Fault::Load(100.0),
            )),
        )
        .says(SupplyLow, 1)
        .says(SupplyBack, 1),
        night(
            "9 V, and then a short circuit",
            then(Fault::Load(11.25)).rule(Rule::new(
                Trigger::OnFor(Duration::from_secs(6)),
                Fault::Load(1.0),
            )),
        )
        .ends(Ends::Badly("instead of 12 V"), Left::OffLater)
        .says(SupplyLow, 1)
        .says(Tripped, 1),
        switched_off(
            "it hangs, and the rig says off",
            then(Fault::Hangs(FOREVER)),
            Left::MayBeOn,
        ),
        switched_off(
            "it answers no question about volts, and the rig says off",
            asked(Fault::Mute),
            Left::Off,
        ),
        switched_off(
            "its cable comes out, and the rig says off",
            then(Fault::Unplugged(FOREVER)),
            Left::OutOfReach,
        ),
    ]);
}

#[test]
fn a_thermometer_that_falls_silent_costs_no_note() {
    use EventKind::{InstrumentBack, InstrumentLost};
    let lost = |name, air| night(name, Fake::supply()).air(air).says(InstrumentLost, 1);
    let fine = |name, air| night(name, Fake::supply()).air(air).says(InstrumentLost, 0);
    let every = Duration::from_millis(300);
    let three = |fault| Rule::new(Trigger::At(Duration::from_secs(3)), fault);
    all(vec![
        lost(
            "dead from the beginning",
            Fake::thermometer().when_told("", Fault::Lost),
        ),
        lost("it hangs", warm(Fault::Hangs(FOREVER))),
        lost(
            "its cable comes out",
            Fake::thermometer().rule(three(Fault::Unplugged(FOREVER))),
        ),
        lost("9 999 999 degC", warm(Fault::Celsius(9_999_999.0))),
        lost("nonsense", warm(says("#"))),
        lost("no number", warm(says("9.91E37"))),
        lost("too late", warm(Fault::Late(Duration::from_secs(4)))),
        lost(
            "gone and back",
            Fake::thermometer().rule(three(Fault::Unplugged(Duration::from_millis(6500)))),
        )
        .says(InstrumentBack, 1),
        fine("late", warm(Fault::Late(Duration::from_millis(300)))),
        fine("twice", warm(Fault::Twice)),
        fine("it prints", Fake::printer(every)),
        lost(
            "it prints 9 999 999 degC",
            Fake::printer(every).rule(three(Fault::Celsius(9_999_999.0))),
        ),
        lost(
            "it prints nothing",
            Fake::printer(FOREVER).rule(three(says("x"))),
        ),
    ]);
}
