//! Supplies that do not do as they are told. Whatever goes wrong after "on" was sent ends
//! with "off", and whether that was confirmed is said.

use super::rows::{Comes, Deed, MAY_BE_ON, Row, in_still_time, row, through_pseudo_terminals};
use model::document::rig::Role;
use std::time::Duration;
use tests::instruments::{Fake, Fault, Rule, Trigger};

const ON: &[(Deed, f64)] = &[(Deed::On, 5.0)];
const ON_THEN_SAFE: &[(Deed, f64)] = &[(Deed::On, 5.0), (Deed::MakeSafe, 5.0)];
const FOREVER: Duration = Duration::from_secs(100_000);

fn says(line: &str) -> Fault {
    Fault::Says(line.to_owned())
}

/// Once, at the first line that begins like this after so many were heard.
fn once(beginning: &'static str, skip: u32, fault: Fault) -> Fake {
    let rule = Rule::new(Trigger::Told(beginning), fault);
    Fake::supply().rule(rule.after(skip).times(1))
}

fn always(beginning: &'static str, fault: Fault) -> Fake {
    Fake::supply().when_told(beginning, fault)
}

fn seconds(count: f64) -> Duration {
    Duration::from_secs_f64(count)
}

/// "On" goes wrong before it was sent: it is not sent.
fn never_on() -> Vec<Row> {
    use Comes::Error;
    vec![
        row(
            "the limit read back is another",
            once("CURR?", 0, says("5.000")),
            ON,
            Error("stands at 5 A"),
            0,
        ),
        row(
            "the limit is never read back",
            always("CURR?", Fault::Mute),
            ON,
            Error("did not answer CURR?"),
            0,
        ),
        row(
            "the voltage read back is no number",
            once("VOLT?", 0, says("9.91E37")),
            ON,
            Error("no reading"),
            0,
        ),
        row(
            "the voltage read back has a unit",
            once("VOLT?", 0, says("12.000 V")),
            ON,
            Error("unit"),
            0,
        ),
        row(
            "the voltage cannot be",
            once("VOLT ", 0, Fault::Reports(-222, "Data out of range")),
            ON,
            Error("-222"),
            0,
        ),
        row(
            "the setting is lost on the way",
            once("VOLT ", 0, Fault::Lost),
            ON,
            Error("stands at 0 V"),
            0,
        ),
        row(
            "the error queue answers nonsense",
            always("SYST:ERR?", says("?")),
            ON,
            Error("SYST:ERR?"),
            0,
        ),
        row(
            "the error queue never ends",
            always("SYST:ERR?", says("-350,\"Queue overflow\"")),
            ON,
            Error("-350"),
            0,
        ),
        row(
            "nothing is answered",
            always("", Fault::Lost),
            ON,
            Error("did not answer"),
            0,
        ),
        row(
            "it says who knows what",
            always("", says("#!?")),
            ON,
            Error("#!?"),
            0,
        ),
    ]
}

/// "On" goes wrong after it was sent: "off" follows.
fn on_then_off() -> Vec<Row> {
    use Comes::Error;
    let again = "switched off again";
    vec![
        row(
            "over-current in the error queue",
            once("OUTP ON", 0, Fault::Reports(120, "Over-current")),
            ON,
            Error("Over-current"),
            1,
        ),
        row(
            "it says it is off",
            once("OUTP?", 0, says("0")),
            ON,
            Error(again),
            1,
        ),
        row(
            "it does not switch on",
            once("OUTP ON", 0, Fault::Lost),
            ON,
            Error(again),
            1,
        ),
        row(
            "it switches on and off by itself",
            once("OUTP ON", 0, Fault::Trips),
            ON,
            Error(again),
            1,
        ),
        row(
            "whether it is on is answered with nonsense",
            once("OUTP?", 0, says("maybe")),
            ON,
            Error("maybe"),
            1,
        ),
        row(
            "whether it is on is answered with a unit",
            once("OUTP?", 0, says("1 V")),
            ON,
            Error(again),
            1,
        ),
        row(
            "whether it is on is not answered once",
            once("OUTP?", 0, Fault::Mute),
            ON,
            Error(again),
            1,
        ),
        row(
            "the error queue is answered with half a line",
            once("SYST:ERR?", 2, Fault::Half),
            ON,
            Error(again),
            1,
        ),
        row(
            "whether it is on is answered late",
            once("OUTP?", 0, Fault::Late(seconds(1.5))),
            ON,
            Error(again),
            1,
        ),
        row(
            "whether it is on is answered with a flood",
            once("OUTP?", 0, Fault::Floods(20_000)),
            ON,
            Error(again),
            1,
        ),
        row(
            "the error queue falls silent",
            once("SYST:ERR?", 2, Fault::Mute),
            ON,
            Error(again),
            1,
        ),
        row(
            "it stands still for a while after on",
            once("OUTP ON", 0, Fault::Hangs(seconds(1.5))),
            ON,
            Error(again),
            1,
        ),
        row(
            "whether it is on is never answered",
            always("OUTP?", Fault::Mute),
            ON,
            Error(MAY_BE_ON),
            2,
        ),
        row(
            "over-current, and it says for ever that it is on",
            always("OUTP?", says("1")).rule(Rule::new(
                Trigger::Told("OUTP ON"),
                Fault::Reports(120, "Over-current"),
            )),
            ON,
            Error(MAY_BE_ON),
            2,
        ),
    ]
}

/// All is well, whatever the form of the answers.
fn on_and_well() -> Vec<Row> {
    let well = |name, fake| row(name, fake, ON, Comes::Done, 0);
    vec![
        well("all is well", Fake::supply()),
        well("it sends back what it hears", Fake::supply().with_echo()),
        well("its lines end with LF", Fake::supply().with_line_end("\n")),
        well("its lines end with CR", Fake::supply().with_line_end("\r")),
        well(
            "its lines end with LF CR",
            Fake::supply().with_line_end("\n\r"),
        ),
        well("ON stands for 1", once("OUTP?", 0, says("ON"))),
        well("+1 stands for 1", once("OUTP?", 0, says("+1"))),
        well("it answers twice", once("OUTP?", 0, Fault::Twice)),
        well(
            "it greets whoever comes",
            Fake::supply().rule(Rule::new(Trigger::At(Duration::ZERO), says("Hello, world"))),
        ),
        well("it answers slowly", always("", Fault::Late(seconds(0.08)))),
    ]
}

/// Switching off, whatever happened before.
fn off() -> Vec<Row> {
    use Comes::{Done, Error};
    vec![
        row("it goes off", Fake::supply(), ON_THEN_SAFE, Done, 1),
        row(
            "it goes off when asked to",
            Fake::supply(),
            &[(Deed::On, 5.0), (Deed::Off, 5.0)],
            Done,
            1,
        ),
        row(
            "it goes off though never spoken to",
            Fake::supply(),
            &[(Deed::MakeSafe, 5.0)],
            Done,
            1,
        ),
        row(
            "it goes off though there is no time",
            Fake::supply(),
            &[(Deed::On, 5.0), (Deed::MakeSafe, 0.0)],
            Done,
            1,
        ),
        row(
            "off is lost once",
            once("OUTP OFF", 0, Fault::Lost),
            ON_THEN_SAFE,
            Done,
            2,
        ),
        row(
            "off is lost always, as it is asked for",
            always("OUTP OFF", Fault::Lost),
            &[(Deed::On, 5.0), (Deed::Off, 5.0)],
            Error(MAY_BE_ON),
            2,
        ),
        row(
            "off is lost always",
            always("OUTP OFF", Fault::Lost),
            ON_THEN_SAFE,
            Error("did not confirm it"),
            2,
        ),
        row(
            "off is not confirmed once",
            once("OUTP?", 1, Fault::Mute),
            ON_THEN_SAFE,
            Done,
            2,
        ),
        row(
            "off is confirmed with nonsense once",
            once("OUTP?", 1, says("#")),
            ON_THEN_SAFE,
            Done,
            2,
        ),
        row(
            "off is confirmed by OFF",
            once("OUTP?", 1, says("OFF")),
            ON_THEN_SAFE,
            Done,
            1,
        ),
        row(
            "an error stands in the queue",
            once("OUTP OFF", 0, Fault::Reports(-221, "Settings conflict")),
            ON_THEN_SAFE,
            Done,
            1,
        ),
        row(
            "an earlier answer that looks like off comes late, and off is lost",
            once("OUTP OFF", 0, Fault::Lost).rule(Rule::new(
                Trigger::Told("MEAS:VOLT?"),
                Fault::SaysLate(seconds(0.5), "0".into()),
            )),
            &[(Deed::On, 5.0), (Deed::Volts, 0.3), (Deed::MakeSafe, 5.0)],
            Done,
            2,
        ),
        row(
            "an earlier answer is missing",
            once("MEAS:VOLT?", 0, Fault::Mute),
            &[(Deed::On, 5.0), (Deed::Volts, 0.3), (Deed::MakeSafe, 5.0)],
            Done,
            1,
        ),
        row(
            "it floods its port",
            Fake::supply().rule(Rule::new(
                Trigger::OnFor(seconds(0.1)),
                Fault::Floods(40_000),
            )),
            &[(Deed::On, 5.0), (Deed::Volts, 0.5), (Deed::MakeSafe, 5.0)],
            Done,
            1,
        ),
        row(
            "it stands still for good",
            Fake::supply().rule(Rule::new(
                Trigger::Told("MEAS:VOLT?"),
                Fault::Hangs(FOREVER),
            )),
            &[(Deed::On, 5.0), (Deed::Volts, 0.5), (Deed::MakeSafe, 5.0)],
            Error("did not confirm it"),
            2,
        ),
    ]
}

#[test]
fn a_supply_that_fails_before_on_is_not_switched_on() {
    in_still_time(never_on(), Role::Supply);
}

#[test]
fn a_supply_that_fails_after_on_is_switched_off() {
    in_still_time(on_then_off(), Role::Supply);
}

#[test]
fn a_supply_that_is_well_is_left_on() {
    in_still_time(on_and_well(), Role::Supply);
}

#[test]
fn a_supply_is_switched_off_whatever_was_before() {
    in_still_time(off(), Role::Supply);
}

#[test]
fn supplies_behave_the_same_through_pseudo_terminals() {
    let mut rows = never_on();
    rows.extend(on_then_off());
    rows.extend(on_and_well());
    rows.extend(off());
    through_pseudo_terminals(rows, Role::Supply);
}
