//! Instruments over a pair of pseudo-terminals, with a small instrument of our own
//! behind them. The forms of its answers are those of IEEE 488.2 and SCPI-1999. What
//! misbehaving ones do stands in the end-to-end tests (`tests/tests/instruments`).
#![cfg(unix)]

use devices::RealClock;
use devices::serial::{open_scpi, printed, scpi};
use model::document::rig::Role;
use model::port::{Clock, Instrument, Remedy, Sense, Sensed, Setting};
use model::quantity::{Amperes, Celsius, Seconds, Volts};
use model::time::HostTime;
use serialport::{SerialPort, TTYPort};
use std::io::{Read, Write};
use std::sync::mpsc::channel;
use std::sync::{Arc, Mutex};
use std::time::{Duration, Instant};

/// How the far end behaves.
type Answer = Box<dyn FnMut(&str) -> Option<String> + Send>;

/// A peer that reads lines and answers them; what it read is kept.
fn peer(mut port: TTYPort, mut answer: Answer) -> Arc<Mutex<Vec<String>>> {
    let heard = Arc::new(Mutex::new(Vec::new()));
    let log = Arc::clone(&heard);
    port.set_timeout(Duration::from_secs(60)).unwrap();
    std::thread::spawn(move || {
        let mut line = Vec::new();
        let mut byte = [0];
        while let Ok(1) = port.read(&mut byte) {
            if byte[0] != b'\n' {
                line.push(byte[0]);
                continue;
            }
            let text = String::from_utf8(std::mem::take(&mut line)).unwrap();
            let reply = answer(&text);
            log.lock().unwrap().push(text);
            if let Some(reply) = reply
                && port.write_all(reply.as_bytes()).is_err()
            {
                return;
            }
        }
    });
    heard
}

fn instrument(role: Role, answer: Answer) -> (Box<dyn Instrument>, Arc<Mutex<Vec<String>>>) {
    let (near, far) = TTYPort::pair().expect("a pair of pseudo-terminals");
    let heard = peer(far, answer);
    let clock: Arc<dyn Clock> = Arc::new(RealClock::new());
    (scpi::over("bench", Box::new(near), role, clock), heard)
}

fn within(seconds: f64) -> HostTime {
    RealClock::new().now() + Seconds::of(seconds)
}

/// Long enough for the slowest machine.
fn soon() -> HostTime {
    within(60.0)
}

/// Asks until the answer is right.
fn wait_until<T: std::fmt::Debug>(mut ask: impl FnMut() -> T, right: impl Fn(&T) -> bool) {
    let begun = Instant::now();
    loop {
        let answer = ask();
        if right(&answer) {
            return;
        }
        assert!(begun.elapsed() < Duration::from_secs(60), "{answer:?}");
    }
}

/// A supply that does as it is told.
fn supply() -> Answer {
    let (mut volts, mut amperes, mut on) = (0.0, 0.0, false);
    Box::new(move |command| match command.split_once(' ') {
        Some(("VOLT", value)) => {
            volts = value.parse().unwrap();
            None
        }
        Some(("CURR", value)) => {
            amperes = value.parse().unwrap();
            None
        }
        Some(("OUTP", state)) => {
            on = state == "ON";
            None
        }
        _ => match command {
            "VOLT?" => Some(format!("{volts:+.8E}\r\n")),
            "CURR?" => Some(format!("{amperes:.3}\r\n")),
            "OUTP?" => Some(format!("{}\r\n", u8::from(on))),
            "SYST:ERR?" => Some("+0,\"No error\"\r\n".into()),
            "*IDN?" => Some("Workshop,Supply 1,0,1.0\r\n".into()),
            "MEAS:VOLT?" => Some(format!("{:.3}\r\n", if on { volts } else { 0.0 })),
            "MEAS:CURR?" => Some(format!("{}\r\n", if on { "+4.50E-02" } else { "-1.0E-04" })),
            _ => None,
        },
    })
}

#[test]
fn a_supply_is_limited_before_it_is_switched_on_and_read_back() {
    let (mut bench, heard) = instrument(Role::Supply, supply());
    assert_eq!(bench.identify(soon()).unwrap(), "Workshop,Supply 1,0,1.0");
    let on = Setting::On {
        voltage: Volts::of(12.0),
        current_limit: Amperes::of(0.8),
    };
    bench.set(on, soon()).unwrap();
    assert_eq!(
        bench.sense(Sense::Voltage, soon()),
        Ok(Sensed::Voltage(Volts::of(12.0)))
    );
    assert_eq!(
        bench.sense(Sense::Current, soon()),
        Ok(Sensed::Current(Amperes::of(0.045)))
    );
    bench.make_safe(soon()).unwrap();
    // An idle output reads a little below nought.
    assert_eq!(
        bench.sense(Sense::Current, soon()),
        Ok(Sensed::Current(Amperes::of(0.0)))
    );
    bench.set(Setting::Off, soon()).unwrap();
    let heard = heard.lock().unwrap();
    let place = |command: &str| {
        heard
            .iter()
            .position(|line| line.starts_with(command))
            .unwrap_or_else(|| panic!("{command} was never sent: {heard:?}"))
    };
    assert!(place("CURR 0.8") < place("VOLT 12"));
    assert!(place("CURR?") < place("OUTP ON") && place("VOLT?") < place("OUTP ON"));
    assert!(place("OUTP ON") < place("OUTP OFF"));
}

#[test]
fn a_supply_that_does_not_obey_is_not_switched_on() {
    // It limits its voltage by itself.
    let mut inner = supply();
    let stubborn: Answer = Box::new(move |command| match command {
        "VOLT?" => Some("5.000\n".into()),
        _ => inner(command),
    });
    let (mut bench, heard) = instrument(Role::Supply, stubborn);
    let on = Setting::On {
        voltage: Volts::of(12.0),
        current_limit: Amperes::of(0.8),
    };
    let error = bench.set(on, soon()).unwrap_err();
    assert!(error.what.contains("stands at 5"), "{error}");
    // It reports an error (-222, data out of range, SCPI-1999).
    let mut inner = supply();
    let mut told = false;
    let complaining: Answer = Box::new(move |command| match command {
        "SYST:ERR?" if !told => {
            told = true;
            Some("-222,\"Data out of range\"\n".into())
        }
        _ => inner(command),
    });
    let (mut other, heard_too) = instrument(Role::Supply, complaining);
    let error = other.set(on, soon()).unwrap_err();
    assert!(error.what.contains("-222"), "{error}");
    for heard in [heard, heard_too] {
        let heard = heard.lock().unwrap();
        assert!(!heard.iter().any(|line| line == "OUTP ON"), "{heard:?}");
    }
    // What stays on after OUTP OFF is a matter for the person at the bench.
    let (mut stuck, _) = instrument(
        Role::Supply,
        Box::new(|command| (command == "OUTP?").then(|| "1\n".into())),
    );
    let error = stuck.make_safe(soon()).unwrap_err();
    assert!(error.check.contains("by hand"), "{error}");
    // A thermometer is no supply, and is safe as it is.
    let (mut air, _) = instrument(Role::Thermometer, supply());
    assert_eq!(air.set(on, soon()).unwrap_err().remedy, Remedy::Abort);
    assert_eq!(air.make_safe(soon()), Ok(()));
}

#[test]
fn a_peer_that_hangs_drips_or_floods_costs_no_more_than_the_deadline() {
    let hung: Answer = Box::new(|_| None);
    let (too_late, deadline) = channel::<()>();
    let slow: Answer = Box::new(move |_| {
        // Until the deadline has passed, and the other end is dropped.
        let _ = deadline.recv();
        Some("21.0\n".into())
    });
    let flood: Answer = Box::new(|_| Some("x".repeat(20_000)));
    for (name, answer) in [("hung", hung), ("slow", slow), ("flood", flood)] {
        let (mut air, _) = instrument(Role::Thermometer, answer);
        let error = air.sense(Sense::Temperature, within(0.3)).unwrap_err();
        assert_eq!(error.remedy, Remedy::Retry, "{name}: {error}");
    }
    drop(too_late);
}

#[test]
fn a_closed_peer_is_told_at_once() {
    let (near, far) = TTYPort::pair().unwrap();
    let clock: Arc<dyn Clock> = Arc::new(RealClock::new());
    let mut air = scpi::over("air", Box::new(near), Role::Thermometer, clock);
    drop(far);
    let begun = Instant::now();
    for _ in 0..3 {
        let error = air.sense(Sense::Temperature, soon()).unwrap_err();
        assert!(error.what.contains("broke"), "{error}");
    }
    assert!(begun.elapsed() < Duration::from_secs(50));
}

#[test]
fn a_port_that_is_not_there_or_held_says_so() {
    let clock: Arc<dyn Clock> = Arc::new(RealClock::new());
    let open = |path: &str| {
        open_scpi("bench", path, 9600, Role::Supply, Arc::clone(&clock))
            .err()
            .expect("it cannot be opened")
    };
    let error = open("/dev/tty-of-nobody");
    assert!(error.what.contains("there is no"), "{error}");
    let (_near, far) = TTYPort::pair().unwrap();
    let path = far.name().unwrap();
    let holder = serialport::new(&path, 9600).open_native().unwrap();
    let error = open(&path);
    assert!(error.what.contains("in use"), "{error}");
    drop(holder);
}

#[test]
fn a_printing_thermometer_is_read_by_its_pattern() {
    let (near, mut far) = TTYPort::pair().unwrap();
    let clock: Arc<dyn Clock> = Arc::new(RealClock::new());
    let pattern = "T=(?<celsius>[-0-9.]+)";
    let mut air = printed::over("air", Box::new(near), pattern, Arc::clone(&clock)).unwrap();
    let error = air.sense(Sense::Temperature, within(0.2)).unwrap_err();
    assert!(error.what.contains("nothing"), "{error}");
    far.write_all(b"boot v1\nH=40.1\n").unwrap();
    let told = || air.sense(Sense::Temperature, within(0.1)).unwrap_err().what;
    wait_until(told, |error| error.contains("H=40.1"));
    far.write_all(b"\xff\xfeT=nonsense\nT=20.5 H=40\r\nT=-3.25 H")
        .unwrap();
    assert_eq!(
        air.sense(Sense::Temperature, soon()),
        Ok(Sensed::Temperature(Celsius::of(20.5)))
    );
    // The newest counts, and a line counts when it is complete.
    far.write_all(b"=41\n").unwrap();
    let newest = || air.sense(Sense::Temperature, soon());
    wait_until(newest, |sensed| {
        *sensed == Ok(Sensed::Temperature(Celsius::of(-3.25)))
    });
    assert!(air.identify(soon()).unwrap().contains("-3.25"));
    assert!(air.sense(Sense::Voltage, soon()).is_err());
    for wrong in ["T=([0-9]+", "T=([0-9]+)"] {
        let (near, _far) = TTYPort::pair().unwrap();
        let refused = printed::over("air", Box::new(near), wrong, Arc::clone(&clock));
        assert!(refused.is_err_and(|error| error.remedy == Remedy::Abort));
    }
}
