//! Questions whose answers are late, missing, doubled, mixed up or no answers: the right
//! value comes of it or a clear error, never the answer to another question.

use super::rows::{Comes, Deed, Row, in_still_time, row, through_pseudo_terminals};
use model::document::rig::Role;
use std::time::Duration;
use tests::instruments::{Fake, Fault, Rule, Trigger};

const WARM: &[(Deed, f64)] = &[(Deed::Celsius, 2.0)];
/// A question that is given up, and the same again.
const AGAIN: &[(Deed, f64)] = &[(Deed::Celsius, 0.4), (Deed::Celsius, 5.0)];

fn says(line: &str) -> Fault {
    Fault::Says(line.to_owned())
}

fn late(seconds: f64) -> Fault {
    Fault::Late(Duration::from_secs_f64(seconds))
}

fn once(beginning: &'static str, fault: Fault) -> Fake {
    Fake::thermometer().rule(Rule::new(Trigger::Told(beginning), fault).times(1))
}

fn always(fault: Fault) -> Fake {
    Fake::thermometer().when_told("MEAS:TEMP?", fault)
}

fn thermometers() -> Vec<Row> {
    use Comes::{Done, Error, Value};
    let warm = |name, fake, comes| row(name, fake, WARM, comes, 0);
    let again = |name, fake| row(name, fake, AGAIN, Value(21.5), 0);
    let forms = [
        ("21.5", Value(21.5)),
        ("+2.15000000E+01", Value(21.5)),
        ("-3.25", Value(-3.25)),
        ("9.91E37", Error("no reading")),
        ("+9.90000000E+37", Error("overload")),
        ("-9.9E37", Error("overload")),
        ("nan", Error("no number")),
        ("1e999", Error("beyond all numbers")),
        ("21,5", Error("no number")),
        ("21.5 C", Error("unit")),
        ("-300", Error("cannot be")),
        ("1", Value(1.0)),
        ("\u{7}\u{202e}?", Error("\\u{202e}")),
        ("+0,\"No error\"", Error("no number")),
    ];
    let mut rows: Vec<Row> = forms
        .into_iter()
        .map(|(line, comes)| warm(line, always(says(line)), comes))
        .collect();
    rows.extend([
        warm("all is well", Fake::thermometer(), Value(21.5)),
        warm("it says who it is", Fake::thermometer(), Value(21.5)),
        row(
            "identity",
            Fake::thermometer(),
            &[(Deed::Identify, 2.0)],
            Done,
            0,
        ),
        row(
            "no identity",
            always(Fault::Mute).when_told("*IDN?", says("\u{fffd}~")),
            &[(Deed::Identify, 2.0)],
            Error("speaks SCPI"),
            0,
        ),
        warm(
            "it sends back what it hears",
            Fake::thermometer().with_echo(),
            Value(21.5),
        ),
        warm(
            "it sends back what it hears, and nothing else",
            Fake::thermometer().with_echo().when_told("", Fault::Lost),
            Error("sent *IDN? back"),
        ),
        warm(
            "it answers nothing",
            always(Fault::Mute),
            Error("did not answer MEAS:TEMP?"),
        ),
        warm(
            "it answers half",
            always(Fault::Half),
            Error("had answered MEAS:TEMP? with \"+2.1500"),
        ),
        warm(
            "it floods",
            always(Fault::Floods(100_000)),
            Error("without an end of line"),
        ),
        warm(
            "it answers 100 KB with an end",
            always(Fault::Bytes([vec![b'1'; 100_000], b"\n".to_vec()].concat())),
            Error("without an end of line"),
        ),
        warm(
            "it answers bytes of another speed",
            always(Fault::Bytes(vec![0xfe, 0x80, 0x00, 0xf8, b'\n'])),
            Error("no number"),
        ),
        again(
            "late, once",
            once(
                "MEAS:TEMP?",
                Fault::SaysLate(Duration::from_millis(700), "11.0".into()),
            ),
        ),
        again(
            "late, and later than the next question",
            once(
                "MEAS:TEMP?",
                Fault::SaysLate(Duration::from_millis(1500), "11.0".into()),
            ),
        ),
        again("half, and the rest later", once("MEAS:TEMP?", Fault::Half)),
        again("a flood, once", once("MEAS:TEMP?", Fault::Floods(50_000))),
        again("who it is comes late", once("*IDN?", late(0.8))),
        again(
            "standing still for a second",
            once("MEAS:TEMP?", Fault::Hangs(Duration::from_secs(1))),
        ),
        row(
            "two questions late, then in step again",
            Fake::thermometer().rule(
                Rule::new(
                    Trigger::Told("MEAS:TEMP?"),
                    Fault::SaysLate(Duration::from_millis(750), "11.0".into()),
                )
                .times(2),
            ),
            &[
                (Deed::Celsius, 0.5),
                (Deed::Celsius, 0.5),
                (Deed::Celsius, 0.4),
                (Deed::Celsius, 9.0),
            ],
            Value(21.5),
            0,
        ),
        row(
            "lines without being asked",
            Fake::thermometer().rule(Rule::new(Trigger::Told("MEAS:TEMP?"), Fault::Twice).times(1)),
            &[(Deed::Celsius, 2.0), (Deed::Celsius, 2.0)],
            Value(21.5),
            0,
        ),
    ]);
    rows
}

/// What is asked of a supply, whose answers look alike.
fn supplies() -> Vec<Row> {
    use Comes::{Error, Value};
    const ON: (Deed, f64) = (Deed::On, 5.0);
    let supply = |beginning, fault, times| {
        Fake::supply().rule(Rule::new(Trigger::Told(beginning), fault).times(times))
    };
    vec![
        row(
            "volts and amperes",
            Fake::supply(),
            &[ON, (Deed::Volts, 1.0), (Deed::Amperes, 1.0)],
            Value(0.12),
            0,
        ),
        row(
            "whether it is on",
            Fake::supply(),
            &[ON, (Deed::Output, 1.0)],
            Value(1.0),
            0,
        ),
        row(
            "whether it is on, answered late, then asked again when off",
            Fake::supply().rule(
                Rule::new(
                    Trigger::Told("OUTP?"),
                    Fault::SaysLate(Duration::from_millis(600), "1".into()),
                )
                .after(1)
                .times(1),
            ),
            &[
                ON,
                (Deed::Output, 0.4),
                (Deed::Off, 5.0),
                (Deed::Output, 5.0),
            ],
            Value(0.0),
            1,
        ),
        row(
            "the volts come when amperes are asked",
            supply("MEAS:VOLT?", late(0.6), 1),
            &[ON, (Deed::Volts, 0.4), (Deed::Amperes, 5.0)],
            Value(0.12),
            0,
        ),
        row(
            "the volts come twice, then amperes are asked",
            supply("MEAS:VOLT?", Fault::Twice, 1),
            &[ON, (Deed::Volts, 1.0), (Deed::Amperes, 5.0)],
            Value(0.12),
            0,
        ),
        row(
            "every second answer is missing",
            supply("MEAS:VOLT?", Fault::Mute, 1),
            &[ON, (Deed::Volts, 0.4), (Deed::Volts, 2.0)],
            Value(12.0),
            0,
        ),
        row(
            "an idle output reads below nought",
            supply("MEAS:CURR?", says("-1.0E-03"), 1),
            &[(Deed::Amperes, 2.0)],
            Value(0.0),
            0,
        ),
        row(
            "amperes far below nought",
            supply("MEAS:CURR?", says("-2.0"), 1),
            &[(Deed::Amperes, 2.0)],
            Error("cannot be"),
            0,
        ),
        row(
            "another instrument answers at its port",
            supply("*IDN?", says("Workshop,Supply 2,0,1.0"), 1),
            &[(Deed::Identify, 1.0), (Deed::Identify, 1.0)],
            Error("right instrument"),
            0,
        ),
    ]
}

#[test]
fn a_thermometer_is_read_or_an_error_says_why_not() {
    in_still_time(thermometers(), Role::Thermometer);
}

#[test]
fn a_supply_is_read_or_an_error_says_why_not() {
    in_still_time(supplies(), Role::Supply);
}

#[test]
fn answers_are_the_same_through_pseudo_terminals() {
    through_pseudo_terminals(thermometers(), Role::Thermometer);
    through_pseudo_terminals(supplies(), Role::Supply);
}
