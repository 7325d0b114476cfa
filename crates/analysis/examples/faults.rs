//! Whether the first suggestion is right on ten kinds of simulated fault, forty
//! seeds each, and whether healthy shelves get none:
//! `cargo run --release -p analysis --example faults [KIND]`.
//!
//! Asked for are 388 of 400 over all kinds, none below 36 of 40, and none at all on
//! 97 of 100 healthy shelves. How large the faults are stands with `Fault`.

#[path = "../tests/nights/shelf.rs"]
mod shelf;

use analysis::suggest;
use shelf::{Fault, night};
use std::process::ExitCode;

const SEEDS: u64 = 40;
const HEALTHY: u64 = 100;

fn main() -> ExitCode {
    let only = std::env::args().nth(1);
    let (mut right, mut asked, mut least) = (0, 0, SEEDS);
    for fault in Fault::ALL {
        if only
            .as_ref()
            .is_some_and(|only| format!("{fault:?}") != *only)
        {
            continue;
        }
        let mut found = 0;
        for seed in 1..=SEEDS {
            let shelf = night(fault, seed);
            let suggestions = suggest(&shelf.plan, &shelf.rig, &shelf.record);
            let first = suggestions.first();
            let is_right = first.is_some_and(|first| {
                Some(first.kind) == fault.expected()
                    && (!fault.is_one_units()
                        || first.positions[..] == *std::slice::from_ref(&shelf.faulty))
            });
            found += u64::from(is_right);
            if !is_right || only.is_some() {
                println!("  {fault:?}, seed {seed}, {}:", shelf.faulty);
                for suggestion in &suggestions {
                    let where_: Vec<&str> = suggestion
                        .positions
                        .iter()
                        .map(|position| position.as_str())
                        .collect();
                    println!(
                        "    {} on {}: {}",
                        suggestion.kind,
                        where_.join(", "),
                        suggestion.seen
                    );
                }
            }
        }
        println!("{fault:?}: {found} of {SEEDS}");
        (right, asked, least) = (right + found, asked + SEEDS, least.min(found));
    }
    let mut none = 0;
    if only.as_ref().is_none_or(|only| only == "None") {
        for seed in 1..=HEALTHY {
            let shelf = night(Fault::None, seed);
            let suggestions = suggest(&shelf.plan, &shelf.rig, &shelf.record);
            none += u64::from(suggestions.is_empty());
            for suggestion in suggestions {
                println!(
                    "  healthy, seed {seed}: {} {}",
                    suggestion.kind, suggestion.seen
                );
            }
        }
        println!("healthy, none suggested: {none} of {HEALTHY}");
    }
    println!("first suggestion right: {right} of {asked}, no kind below {least} of {SEEDS}");
    let good = right * 400 >= 388 * asked && least >= 36 && (none >= 97 || only.is_some());
    if good {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
