//! The one place where a rig file becomes devices or a simulator.

use crate::exit::Failure;
use crate::person::Person;
use model::document::rig::{Rig, Wiring};
use model::pitch::PitchStandard;
use model::port::Clock;
use model::quantity::Seconds;
use model::record::{PositionId, RunRecord};
use model::time::Stop;
use orchestrator::{Asking, Owing, Ports, SharedInstrument};
use sender::{Sender, Sink};
use simulator::Bench;
use std::collections::BTreeMap;
use std::sync::{Arc, Mutex};
use store::RigLock;

/// Devices in use, real or simulated.
pub struct Assembled {
    /// What the run needs of the outside world.
    pub ports: Ports,
    /// Keeps a real rig from being used twice, as long as it lives.
    pub lock: Option<RigLock>,
}

/// How much time may have passed while nobody looked.
pub struct Resumption<'a> {
    /// What is on disk of the run.
    pub record: &'a RunRecord,
    /// On a simulated rig: how long the run was away.
    pub away: Seconds,
}

/// The clock that will drive a rig, for the beginning of a run.
pub fn wall_of(rig: &Rig) -> Result<model::time::Timestamp, Failure> {
    match &rig.wiring {
        Wiring::Simulated(_) => Ok(Bench::new(rig).map_err(Failure::input)?.clock().wall()),
        Wiring::Real(_) => Ok(devices::RealClock::new().wall()),
        Wiring::Recorded(_) => Err(not_a_bench(rig)),
    }
}

/// Opens everything a rig file names.
pub fn assemble(
    rig: &Rig,
    positions: &[PositionId],
    standard: PitchStandard,
    resumption: Option<&Resumption<'_>>,
    stop: &Stop,
) -> Result<Assembled, Failure> {
    match &rig.wiring {
        Wiring::Simulated(_) => simulated(rig, standard, resumption, stop),
        Wiring::Real(_) => real(rig, positions, standard),
        Wiring::Recorded(recorded) if resumption.is_some() => Err(Failure::input(format!(
            "this run is a recording whose import was broken off, and a recording cannot be carried on; import {} again",
            recorded.file
        ))),
        Wiring::Recorded(_) => Err(not_a_bench(rig)),
    }
}

/// A recording is no bench.
fn not_a_bench(rig: &Rig) -> Failure {
    Failure::input(format!(
        "the rig \"{}\" is a recording that was imported; nothing can be played on it. Name the rig file of a bench",
        rig.name
    ))
}

fn simulated(
    rig: &Rig,
    standard: PitchStandard,
    resumption: Option<&Resumption<'_>>,
    stop: &Stop,
) -> Result<Assembled, Failure> {
    let Wiring::Simulated(wiring) = &rig.wiring else {
        return Err(Failure::input("the rig is not simulated"));
    };
    let bench = Bench::new(rig).map_err(Failure::input)?;
    // While a run was away nobody watched its supplies.
    let away = resumption.is_some_and(|resumption| resumption.away > Seconds::ZERO);
    if let Some(resumption) = resumption {
        bench.restore(resumption.record);
        let clock = bench.clock();
        let back = clock.now() + resumption.away;
        clock.sleep_until(back, stop).map_err(Failure::rig)?;
    }
    let mut sinks = BTreeMap::new();
    for name in wiring.interfaces.keys() {
        let wire = bench.wire(name).map_err(Failure::input)?;
        sinks.insert(
            name.clone(),
            Sink::Wire {
                wire: Box::new(wire),
                bend_range: bench.bend_range(name),
            },
        );
    }
    let clock: Arc<dyn Clock> = bench.clock();
    let sender =
        Sender::new(&rig.positions, sinks, standard, Arc::clone(&clock)).map_err(Failure::rig)?;
    let instruments: BTreeMap<String, SharedInstrument> = wiring
        .instruments
        .keys()
        .filter_map(|name| Some((name.clone(), Arc::new(Mutex::new(bench.instrument(name)?)))))
        .collect();
    let ports = Ports {
        clock,
        notes: Arc::new(Mutex::new(Box::new(sender))),
        capture: bench.capture(),
        instruments,
        operator: bench.operator(),
        asking: Asking::AsTimePasses(Box::new(move |every, looks_back, call| {
            let looks_back = if away { Seconds::ZERO } else { looks_back };
            bench.each(every, looks_back, call);
        })),
        owed: Owing::default(),
    };
    Ok(Assembled { ports, lock: None })
}

fn real(
    rig: &Rig,
    positions: &[PositionId],
    standard: PitchStandard,
) -> Result<Assembled, Failure> {
    let lock = store::lock_rig(&rig.name).map_err(Failure::rig)?;
    let opened = devices::open(rig, positions).map_err(Failure::rig)?;
    let sender = Sender::new(
        &rig.positions,
        opened.sinks,
        standard,
        Arc::clone(&opened.clock),
    )
    .map_err(Failure::rig)?;
    let instruments = opened
        .instruments
        .into_iter()
        .map(|(name, instrument)| (name, Arc::new(Mutex::new(instrument))))
        .collect();
    let ports = Ports {
        clock: opened.clock,
        notes: Arc::new(Mutex::new(Box::new(sender))),
        capture: opened.capture,
        instruments,
        operator: Box::new(Person::default()),
        asking: Asking::Apart,
        owed: Owing::default(),
    };
    Ok(Assembled {
        ports,
        lock: Some(lock),
    })
}
