//! Prints how far the units of a simulated rig are from equal temperament over a
//! night, without audio: `cargo run -p simulator --example curves rigs/simulated.yaml`.
//! For whoever writes such a rig and wants to see what its parameters do.

#![allow(clippy::disallowed_methods, reason = "an example reads its file")]

use model::document::read_rig;
use model::pitch::{Note, PitchStandard};
use model::quantity::Seconds;
use model::record::PositionId;
use model::time::{HostTime, Stop};
use simulator::Bench;
use std::error::Error;

/// Supplies come on after so long, as after a cool-down.
const ON_AFTER: Seconds = Seconds::of(7200.0);

fn main() -> Result<(), Box<dyn Error>> {
    let file = std::env::args()
        .nth(1)
        .ok_or("name a rig file, such as rigs/simulated.yaml")?;
    let rig = read_rig(&file, &std::fs::read(&file)?)?.value;
    let bench = Bench::new(&rig)?;
    let on = HostTime::from_nanoseconds(0) + ON_AFTER;
    // From cold, whatever the rig says of before.
    for supply in rig.supplies.keys() {
        bench.switch(supply, false);
    }
    bench.clock().sleep_until(on, &Stop::new())?;
    for supply in rig.supplies.keys() {
        bench.switch(supply, true);
    }
    let notes = [36, 48, 60, 72, 84, 96].map(Note::from_number);
    for position in rig.positions.keys() {
        let names: Vec<String> = notes.iter().map(|note| format!("{note:>9}")).collect();
        println!(
            "{position}: cents from equal temperament\n     min{}",
            names.concat()
        );
        for minutes in [
            0.1, 1.0, 2.0, 5.0, 10.0, 15.0, 20.0, 25.0, 30.0, 45.0, 60.0, 120.0, 240.0, 360.0,
            480.0, 600.0, 720.0,
        ] {
            let at = on + Seconds::new(minutes * 60.0)?;
            let window = Seconds::of(0.5);
            let cells = notes.iter().map(|note| {
                let position = PositionId::new(position);
                let found = bench.reading(&position, note.pitch(), at, window, 0);
                found.map_or_else(
                    || format!("{:>9}", "-"),
                    |found| {
                        let wanted = PitchStandard::default().frequency(note.pitch());
                        format!("{:9.2}", found.truth.cents_from(wanted).get())
                    },
                )
            });
            println!("{minutes:8.1}{}", cells.collect::<String>());
        }
    }
    Ok(())
}
