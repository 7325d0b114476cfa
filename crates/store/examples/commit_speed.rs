//! How long a commit takes on this disk, and a look for requests.
//!
//! `cargo run --release -p store --example commit_speed [FOLDER]`

use model::pitch::Pitch;
use model::port::Journal;
use model::quantity::{Hertz, HertzDifference, Level, Seconds, VoltDifference};
use model::record::{
    Conditions, Entry, Flags, Measured, PositionId, Reading, ReadingKey, RunHeader, State,
};
use model::time::{RunTime, Timestamp};
use std::time::{Duration, Instant};

const COMMITS: u32 = 3000;

fn main() -> Result<(), Box<dyn std::error::Error>> {
    let temporary = tempfile::tempdir()?;
    let folder = std::env::args_os()
        .nth(1)
        .map_or_else(|| temporary.path().to_owned(), Into::into);
    let store = store::Store::open(&folder)?;
    let mut writer = store.writer()?;
    let run = writer.begin(&RunHeader {
        plan_text: "the plan".into(),
        rig_text: "the rig".into(),
        units: Default::default(),
        program_version: "example".into(),
        seed: None,
        began: Timestamp::now(),
    })?;
    let (mut commits, mut looks) = (Vec::new(), Vec::new());
    for round in 0..COMMITS {
        let note = note(round);
        let begun = Instant::now();
        writer.write(&note)?;
        commits.push(begun.elapsed());
        let begun = Instant::now();
        writer.requests()?;
        looks.push(begun.elapsed());
    }
    println!("{COMMITS} commits of 4 readings: {}", spread(&mut commits));
    println!("{COMMITS} looks for requests:    {}", spread(&mut looks));
    let begun = Instant::now();
    let record = store.library()?.run(run.as_str())?;
    println!(
        "read back {} readings: {:?}",
        record.readings.len(),
        begun.elapsed()
    );
    let begun = Instant::now();
    let runs = store.library()?.runs()?;
    println!("listed {} runs: {:?}", runs.len(), begun.elapsed());
    Ok(())
}

fn spread(times: &mut [Duration]) -> String {
    times.sort();
    let at = |share: f64| times[((times.len() - 1) as f64 * share) as usize];
    format!(
        "median {:?}, 99 % {:?}, longest {:?}, all {:?}",
        at(0.5),
        at(0.99),
        at(1.0),
        times.iter().sum::<Duration>()
    )
}

fn note(round: u32) -> Vec<Entry> {
    ["a", "b", "c", "d"]
        .map(|name| {
            Entry::Reading(Reading {
                key: ReadingKey {
                    stage: 0,
                    round,
                    slot: 0,
                    repeat: 0,
                    attempt: 0,
                    position: PositionId::new(name),
                },
                asked: Pitch::new(60.0).unwrap_or_else(|_| unreachable!()),
                residue: VoltDifference::ZERO,
                played: RunTime::START,
                at: RunTime::START,
                window: Seconds::of(0.5),
                measured: Measured {
                    state: State::Ok,
                    flags: Flags::NONE,
                    frequency: Some(Hertz::of(261.6)),
                    u: Some(HertzDifference::of(3e-4)),
                    u_noise: None,
                    level: Some(Level::of(-12.0)),
                },
                conditions: Conditions::default(),
            })
        })
        .into()
}
