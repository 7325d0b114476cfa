//! Holds the devices of a real rig against the suite that all adapters must pass.
//! Argument: a rig file (JSON). Says nothing when all promises are kept.

use model::document::rig::Rig;
use model::pitch::PitchStandard;
use model::record::PositionId;
use std::error::Error;
use std::sync::Arc;
use tests::conformance;

fn main() -> Result<(), Box<dyn Error>> {
    let file = std::env::args().nth(1).ok_or("argument: RIG")?;
    let rig: Rig = serde_json::from_slice(&std::fs::read(file)?)?;
    let positions: Vec<PositionId> = rig
        .positions
        .keys()
        .map(|name| PositionId::new(name))
        .collect();
    let mut devices = devices::open(&rig, &positions)?;
    let clock = Arc::clone(&devices.clock);
    conformance::clock(&*clock)?;
    conformance::capture(&mut *devices.capture, &*clock, &positions)?;
    let mut sender = sender::Sender::new(
        &rig.positions,
        devices.sinks,
        PitchStandard::default(),
        Arc::clone(&clock),
    )?;
    conformance::notes(&mut sender, &*clock, &positions)?;
    Ok(())
}
