//! A row of a table, and both ways of trying it.

use devices::RealClock;
use devices::serial::{open_scpi, scpi};
use model::document::rig::Role;
use model::port::{Clock, Instrument, PortError, Sense, Sensed, Setting};
use model::quantity::{Amperes, Seconds, Volts};
use std::sync::Arc;
use std::time::Duration;
use tests::instruments::{Fake, Happened, Logged, Plugged, StillClock, Wired};

pub const MAY_BE_ON: &str = "OUTPUT MAY STILL BE ON";
/// From "on" to "off", when something is wrong.
const OFF_WITHIN: Duration = Duration::from_secs(2);

/// What the instrument is told or asked, with so many seconds for each.
#[derive(Debug, Clone, Copy)]
pub enum Deed {
    On,
    Off,
    MakeSafe,
    Volts,
    Amperes,
    Celsius,
    Output,
    Identify,
}

/// What must come of the last deed.
#[derive(Debug, Clone, Copy)]
pub enum Comes {
    Done,
    Value(f64),
    /// An error that says this among other things.
    Error(&'static str),
}

pub struct Row {
    pub name: &'static str,
    pub fake: Fake,
    /// What is done, each with its patience in seconds. Only what comes of the last is
    /// looked at.
    pub deeds: Vec<(Deed, f64)>,
    pub comes: Comes,
    /// How often "off" is sent.
    pub offs: usize,
}

/// A row; `offs` is how often "off" must be sent.
pub fn row(
    name: &'static str,
    fake: Fake,
    deeds: &[(Deed, f64)],
    comes: Comes,
    offs: usize,
) -> Row {
    Row {
        name,
        fake,
        deeds: deeds.to_vec(),
        comes,
        offs,
    }
}

fn one(
    instrument: &mut dyn Instrument,
    clock: &dyn Clock,
    (deed, patience): (Deed, f64),
) -> Result<Option<f64>, PortError> {
    let by = clock.now() + Seconds::of(patience);
    let sensed = |sensed: Sensed| match sensed {
        Sensed::Voltage(volts) => Some(volts.get()),
        Sensed::Current(amperes) => Some(amperes.get()),
        Sensed::Temperature(celsius) => Some(celsius.get()),
        Sensed::Output(on) => Some(f64::from(u8::from(on))),
    };
    match deed {
        Deed::On => {
            let on = Setting::On {
                voltage: Volts::of(12.0),
                current_limit: Amperes::of(0.8),
            };
            instrument.set(on, by).map(|_| None)
        }
        Deed::Off => instrument.set(Setting::Off, by).map(|_| None),
        Deed::MakeSafe => instrument.make_safe(by).map(|()| None),
        Deed::Volts => instrument.sense(Sense::Voltage, by).map(sensed),
        Deed::Amperes => instrument.sense(Sense::Current, by).map(sensed),
        Deed::Celsius => instrument.sense(Sense::Temperature, by).map(sensed),
        Deed::Output => instrument.sense(Sense::Output, by).map(sensed),
        Deed::Identify => instrument.identify(by).map(|_| None),
    }
}

/// Does the deeds of a row, and says what is not as it must be.
fn tried(
    row: &Row,
    instrument: &mut dyn Instrument,
    clock: &dyn Clock,
    log: impl Fn() -> Vec<Logged>,
    exact: bool,
) -> Result<(), String> {
    let mut outcome = Ok(None);
    let mut took = Seconds::ZERO;
    let mut patience = 0.0;
    for deed in &row.deeds {
        let begun = clock.now();
        outcome = one(instrument, clock, *deed);
        took = clock.now().since(begun);
        patience = deed.1;
    }
    let log = log();
    let told = |line: &str| -> Vec<Duration> {
        log.iter()
            .filter(|logged| logged.what == Happened::Heard(line.to_owned()))
            .map(|logged| logged.at)
            .collect()
    };
    let on = log
        .iter()
        .rev()
        .find_map(|logged| match logged.what {
            Happened::Output(on) => Some(on),
            _ => None,
        })
        .unwrap_or(false);
    let (ons, offs) = (told("OUTP ON"), told("OUTP OFF"));
    let said = match &outcome {
        Ok(value) => format!("{value:?}"),
        Err(error) => error.to_string(),
    };
    let seen = || {
        let lines: Vec<String> = log
            .iter()
            .map(|logged| format!("{:.3?} {:?}", logged.at, logged.what))
            .collect();
        format!("it said: {said}; its log:\n{}", lines.join("\n"))
    };

    let as_it_must = match (row.comes, &outcome) {
        (Comes::Done, Ok(None)) => true,
        (Comes::Value(wanted), Ok(Some(value))) => (wanted - value).abs() < 1e-9,
        (Comes::Error(words), Err(_)) => said.contains(words),
        _ => false,
    };
    if !as_it_must {
        return Err(format!("{:?} must come of it; {}", row.comes, seen()));
    }
    if offs.len() != row.offs {
        return Err(format!("off was sent {} times; {}", offs.len(), seen()));
    }
    if let Err(error) = &outcome
        && !ons.is_empty()
        && matches!(
            row.deeds.last(),
            Some((Deed::On | Deed::Off | Deed::MakeSafe, _))
        )
    {
        if offs.is_empty() {
            return Err(format!("it failed without \"off\"; {}", seen()));
        }
        let by_hand = error.check.contains("by hand");
        if on && !by_hand {
            return Err(format!("its output is on and nobody says so; {}", seen()));
        }
        if by_hand
            && !matches!(row.deeds.last(), Some((Deed::MakeSafe, _)))
            && !error.what.starts_with(MAY_BE_ON)
        {
            return Err(format!("what matters most is not said first; {}", seen()));
        }
    }
    if !exact {
        return Ok(());
    }
    if let (Some((Deed::On, _)), Some(on), Some(off)) = (row.deeds.last(), ons.last(), offs.first())
        && off.saturating_sub(*on) > OFF_WITHIN
    {
        return Err(format!("off came after {:?}; {}", *off - *on, seen()));
    }
    // Whatever it does, nobody waits longer than they wanted to; but switching off is
    // tried for a while even when it is late.
    if took.get() > patience.max(0.7) + 0.1 {
        return Err(format!(
            "it took {took} instead of {patience} s; {}",
            seen()
        ));
    }
    Ok(())
}

/// Tries all rows in a time of their own.
pub fn in_still_time(rows: Vec<Row>, role: Role) {
    let mut wrong = Vec::new();
    for row in rows {
        let clock: Arc<dyn Clock> = Arc::new(StillClock::default());
        let wired = Wired::new(row.fake.clone(), Arc::clone(&clock));
        let mut instrument = scpi::over("bench", Box::new(wired.clone()), role, Arc::clone(&clock));
        let log = || wired.fake().log().to_vec();
        if let Err(why) = tried(&row, &mut *instrument, &*clock, log, true) {
            wrong.push(format!("{}: {why}", row.name));
        }
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}

/// Tries all rows through pseudo-terminals, side by side.
///
/// What an instrument does there takes real time. Where the machine itself stood still for
/// so long that it may have been the cause, the row is tried again.
pub fn through_pseudo_terminals(rows: Vec<Row>, role: Role) {
    let trials: Vec<_> = rows
        .into_iter()
        .map(|row| {
            std::thread::spawn(move || {
                let mut outcome = Ok(());
                for _ in 0..10 {
                    let plugged = Plugged::new(row.fake.clone());
                    let clock: Arc<dyn Clock> = Arc::new(RealClock::new());
                    let mut instrument =
                        open_scpi("bench", plugged.port(), 9600, role, Arc::clone(&clock))
                            .expect("the port opens");
                    let log = || plugged.log();
                    outcome = tried(&row, &mut *instrument, &*clock, log, false)
                        .map_err(|why| format!("{}: {why}", row.name));
                    if outcome.is_ok() || plugged.stood_still() < Duration::from_millis(50) {
                        break;
                    }
                }
                outcome
            })
        })
        .collect();
    let wrong: Vec<String> = trials
        .into_iter()
        .filter_map(|trial| trial.join().expect("no panic").err())
        .collect();
    assert!(wrong.is_empty(), "{}", wrong.join("\n\n"));
}
