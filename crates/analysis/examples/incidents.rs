//! What is found on healthy shelves, and of scripted faults at several strengths and times:
//! `cargo run --release -p analysis --example incidents [SHELVES]`.
//!
//! Asked for are no incident on healthy shelves of four units each, on three timetables; and
//! of every fault that a reading falls inside one incident, of the right kind, with edges and
//! size that hold the truth, in the list of no other unit, and the right one named. Faults of
//! 4 cents are within the scatter of half of these units, and only shown.

#[path = "../tests/nights/faulted.rs"]
mod faulted;
#[path = "../tests/nights/scripted.rs"]
mod scripted;

use faulted::{faults, judge};
use rayon::prelude::*;
use scripted::{OVERNIGHT, SHORT, SPARSE, run};
use std::process::ExitCode;

const CHANNELS: [u8; 4] = [1, 2, 3, 4];

fn main() -> ExitCode {
    let shelves: u64 = std::env::args()
        .nth(1)
        .and_then(|count| count.parse().ok())
        .unwrap_or(200);
    let mut good = true;
    for (name, table) in [
        ("overnight", OVERNIGHT),
        ("sparse", SPARSE),
        ("short", SHORT),
    ] {
        let found: Vec<String> = (1..=shelves)
            .into_par_iter()
            .flat_map_iter(|seed| {
                let shelf = run(seed, table, "[]", CHANNELS);
                analysis::incidents(&shelf.plan, &shelf.rig, &shelf.record)
                    .into_iter()
                    .map(move |incident| format!("  {name}, seed {seed}: {incident:?}"))
            })
            .collect();
        found.iter().for_each(|line| println!("{line}"));
        println!(
            "{name}: {} incidents on {} healthy units",
            found.len(),
            4 * shelves
        );
        good &= found.is_empty();
    }
    for (name, table) in [("overnight", OVERNIGHT), ("sparse", SPARSE)] {
        for kind in faults() {
            let (mut right, mut wrong) = (0, Vec::new());
            let seeds = 1000..1000 + shelves / 10;
            let judged: Vec<_> = seeds
                .into_par_iter()
                .map(|seed| (seed, judge(kind, seed, table)))
                .collect();
            for (seed, judged) in judged {
                match judged {
                    Ok(()) => right += 1,
                    Err(why) => wrong.push(format!("  {kind:?}, seed {seed}: {why}")),
                }
            }
            wrong.iter().for_each(|line| println!("{line}"));
            println!("{name}, {kind:?}: {right} right, {} not", wrong.len());
            good &= wrong.is_empty() || kind.size() == Some(4.0);
        }
    }
    if good {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
