//! Cables that come out, and go in again.

use super::rows::MAY_BE_ON;
use devices::RealClock;
use devices::serial::open_scpi;
use model::document::rig::Role;
use model::port::{Clock, Instrument, PortError, Sense, Sensed, Setting};
use model::quantity::{Amperes, Seconds, Volts};
use model::time::HostTime;
use std::sync::Arc;
use std::time::{Duration, Instant};
use tests::instruments::{Fake, Fault, Plugged, Rule, Trigger};

const FOR_GOOD: Duration = Duration::from_secs(100_000);

fn within(seconds: f64) -> HostTime {
    RealClock::new().now() + Seconds::of(seconds)
}

fn opened(plugged: &Plugged, role: Role) -> Box<dyn Instrument> {
    let clock: Arc<dyn Clock> = Arc::new(RealClock::new());
    open_scpi("bench", plugged.port(), 9600, role, clock).expect("the port opens")
}

fn on(instrument: &mut dyn Instrument) -> Result<(), PortError> {
    let on = Setting::On {
        voltage: Volts::of(12.0),
        current_limit: Amperes::of(0.8),
    };
    instrument.set(on, within(30.0)).map(|_| ())
}

/// Asks until an answer comes.
fn volts_again(instrument: &mut dyn Instrument) -> Result<Sensed, PortError> {
    let begun = Instant::now();
    loop {
        match instrument.sense(Sense::Voltage, within(5.0)) {
            Err(_) if begun.elapsed() < Duration::from_secs(30) => {
                std::thread::sleep(Duration::from_millis(20));
            }
            outcome => return outcome,
        }
    }
}

#[test]
fn an_instrument_that_is_plugged_in_again_is_read_again() {
    let plugged = Plugged::new(Fake::supply());
    let mut supply = opened(&plugged, Role::Supply);
    on(&mut *supply).unwrap();
    plugged.suffer(Fault::Unplugged(Duration::from_millis(500)));
    let gone = |words: &str| words.contains("broke") || words.contains("there is no");
    // It may have been read once more before the port was gone.
    let begun = Instant::now();
    let error = loop {
        match supply.sense(Sense::Voltage, within(5.0)) {
            Err(error) => break error,
            Ok(_) => assert!(begun.elapsed() < Duration::from_secs(30)),
        }
    };
    assert!(gone(&error.what), "{error}");
    // What it was told is as it was: nobody switched it.
    let volts = volts_again(&mut *supply).unwrap();
    assert_eq!(volts, Sensed::Voltage(Volts::of(12.0)));
    assert!(plugged.is_on());
    supply.make_safe(within(30.0)).unwrap();
    assert!(!plugged.is_on());
}

#[test]
fn off_reaches_a_supply_that_was_unplugged_for_a_moment() {
    let plugged = Plugged::new(Fake::supply());
    let mut supply = opened(&plugged, Role::Supply);
    on(&mut *supply).unwrap();
    plugged.suffer(Fault::Unplugged(Duration::from_millis(300)));
    // On a machine that stands still for seconds the cable may be in again too late.
    let begun = Instant::now();
    while let Err(error) = supply.make_safe(within(5.0)) {
        assert!(error.check.contains("by hand"), "{error}");
        assert!(begun.elapsed() < Duration::from_secs(60), "{error}");
    }
    assert!(!plugged.is_on());
}

#[test]
fn a_supply_that_is_unplugged_may_still_be_on() {
    // As it is switched on, and later.
    let early = Fake::supply().when_told("OUTP ON", Fault::Unplugged(FOR_GOOD));
    let plugged = Plugged::new(early);
    let mut supply = opened(&plugged, Role::Supply);
    let error = on(&mut *supply).unwrap_err();
    assert!(error.what.starts_with(MAY_BE_ON), "{error}");
    assert!(error.check.contains("by hand"), "{error}");
    assert!(plugged.is_on(), "a cable does not switch anything");

    let plugged = Plugged::new(Fake::supply());
    let mut supply = opened(&plugged, Role::Supply);
    on(&mut *supply).unwrap();
    plugged.suffer(Fault::Unplugged(FOR_GOOD));
    for _ in 0..2 {
        let error = supply.make_safe(within(5.0)).unwrap_err();
        assert!(error.check.contains("by hand"), "{error}");
    }
    assert!(plugged.is_on());
}

#[test]
fn an_answer_from_before_the_cable_came_out_is_not_taken_for_one_after() {
    let slow = Rule::new(
        Trigger::Told("MEAS:VOLT?"),
        Fault::SaysLate(Duration::from_millis(400), "99".into()),
    );
    let plugged = Plugged::new(Fake::supply().rule(slow.times(1)));
    let mut supply = opened(&plugged, Role::Supply);
    on(&mut *supply).unwrap();
    assert!(supply.sense(Sense::Voltage, within(0.2)).is_err());
    plugged.suffer(Fault::Unplugged(Duration::from_millis(50)));
    let volts = volts_again(&mut *supply).unwrap();
    assert_eq!(volts, Sensed::Voltage(Volts::of(12.0)));
}
