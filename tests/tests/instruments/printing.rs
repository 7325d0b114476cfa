//! Thermometers that print lines, and what else may come down their wire.

use devices::RealClock;
use devices::serial::open_lines;
use model::port::{Clock, Instrument, PortError, Sense, Sensed};
use model::quantity::{Celsius, Seconds};
use model::time::HostTime;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tests::instruments::{Fake, Fault, Plugged, Rule, Trigger};

const PATTERN: &str = "T=(?<celsius>[-0-9.]+) ";
const OFTEN: Duration = Duration::from_millis(20);

fn within(seconds: f64) -> HostTime {
    RealClock::new().now() + Seconds::of(seconds)
}

fn opened(plugged: &Plugged) -> Box<dyn Instrument> {
    let clock: Arc<dyn Clock> = Arc::new(RealClock::new());
    open_lines("air", plugged.port(), 9600, PATTERN, clock).expect("the port opens")
}

fn sense(air: &mut dyn Instrument, seconds: f64) -> Result<Sensed, PortError> {
    air.sense(Sense::Temperature, within(seconds))
}

/// Asks until this comes of it.
fn until(air: &mut dyn Instrument, so: impl Fn(&Result<Sensed, PortError>) -> bool) {
    let begun = Instant::now();
    loop {
        let outcome = sense(air, 0.1);
        if so(&outcome) {
            return;
        }
        assert!(begun.elapsed() < Duration::from_secs(30), "{outcome:?}");
        std::thread::sleep(OFTEN);
    }
}

fn is(outcome: &Result<Sensed, PortError>, celsius: f64) -> bool {
    *outcome == Ok(Sensed::Temperature(Celsius::of(celsius)))
}

#[test]
fn the_newest_line_counts_also_after_rubbish_and_after_the_cable_was_out() {
    let plugged = Plugged::new(Fake::printer(OFTEN));
    let mut air = opened(&plugged);
    assert!(is(&sense(&mut *air, 30.0), 21.5));
    // The end of a line that is too long is no line, whatever stands in it.
    plugged.suffer(Fault::Bytes(
        [vec![b'x'; 20_000], b"T=99.9 \nT=-3.25 \xff\r\n".to_vec()].concat(),
    ));
    plugged.suffer(Fault::Celsius(-3.25));
    until(&mut *air, |outcome| {
        assert!(!is(outcome, 99.9));
        is(outcome, -3.25)
    });
    plugged.suffer(Fault::Unplugged(Duration::from_millis(200)));
    plugged.suffer(Fault::Celsius(30.0));
    until(&mut *air, |outcome| is(outcome, 30.0));
}

#[test]
fn a_thermometer_that_prints_nothing_fit_says_so_and_keeps_nobody_waiting() {
    for (fault, words) in [
        (Fault::Floods(10_000), "without an end of line"),
        (Fault::Says("H=40".into()), "H=40"),
    ] {
        let rule = Rule::new(Trigger::At(Duration::ZERO), fault.clone());
        let plugged = Plugged::new(Fake::thermometer().rule(rule));
        let mut air = opened(&plugged);
        let wanted = |outcome: &Result<Sensed, PortError>| matches!(outcome, Err(error) if error.what.contains(words));
        until(&mut *air, wanted);
        // It can be let go at any time.
        drop(air);
    }
    let plugged = Plugged::new(Fake::thermometer());
    let mut air = opened(&plugged);
    let error = sense(&mut *air, 0.2).unwrap_err();
    assert!(error.what.contains("printed nothing"), "{error}");
    plugged.suffer(Fault::Unplugged(Duration::from_secs(100_000)));
    until(
        &mut *air,
        |outcome| matches!(outcome, Err(error) if error.what.contains("there is no")),
    );
}
