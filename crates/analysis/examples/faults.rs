//! Whether suggestions are right on simulated faults, three strengths each, twenty seeds
//! each, and in pairs; and whether healthy shelves get none:
//! `cargo run --release -p analysis --example faults [KIND | pairs | healthy]`.
//!
//! A shelf counts as wrong if anything that is suggested is; asked for are at most 3 of 100,
//! and no suggestion at all on 97 of 100 healthy shelves. How strong the faults are stands
//! with `Fault`.

#[path = "../tests/nights/shelf/mod.rs"]
mod shelf;

use shelf::{Answer, Kind, Shelf, night};
use std::process::ExitCode;

const SEEDS: u64 = 20;
const HEALTHY: u64 = 100;
const PAIRS: u64 = 600;

/// Right, silent, wrong.
#[derive(Default, Clone, Copy)]
struct Count([u32; 3]);

impl Count {
    fn add(&mut self, answer: Answer) {
        self.0[answer as usize] += 1;
    }
    fn shown(self) -> String {
        let [right, silent, wrong] = self.0;
        format!("{right:>4} {silent:>4} {wrong:>4}")
    }
}

/// Judges a shelf, and says what is wrong with what is suggested.
fn judged(shelf: &Shelf, seed: u64, tell: bool) -> Answer {
    let (found, answer) = shelf.judged();
    if answer == Answer::Wrong || tell {
        let kinds: Vec<Kind> = shelf.faults.iter().map(|fault| fault.kind).collect();
        let count = shelf.rig.positions.len();
        eprintln!("{answer:?}: {kinds:?}, seed {seed}, {count} units");
        for one in found {
            let positions: Vec<&str> = one.positions.iter().map(|at| at.as_str()).collect();
            eprintln!(
                "    {} on {}: {:?}",
                one.kind,
                positions.join(", "),
                one.seen
            );
        }
    }
    answer
}

fn main() -> ExitCode {
    let only = std::env::args().nth(1);
    let wanted = |name: &str| only.as_ref().is_none_or(|only| only == name);
    let mut all = Count::default();
    println!("right, silent, wrong of {SEEDS}: weak, middle, strong");
    for kind in Kind::ALL {
        let name = format!("{kind:?}");
        if !wanted(&name) {
            continue;
        }
        let mut line = format!("{name:<22}");
        for strength in 0..3 {
            let mut count = Count::default();
            for seed in 1..=SEEDS {
                let answer = judged(&night(&[(kind, strength)], seed), seed, only.is_some());
                count.add(answer);
                all.add(answer);
            }
            line += &format!("  |{}", count.shown());
        }
        println!("{line}");
    }
    let mut pairs = Count::default();
    if wanted("pairs") {
        let count = Kind::ALL.len() as u64;
        for seed in 1..=PAIRS {
            let one = Kind::ALL[(seed % count) as usize];
            // Each pair is another one.
            let other = Kind::ALL[((seed * 7 + seed / count * 5 + 3) % count) as usize];
            if one == other {
                continue;
            }
            let strength = (seed / 3 % 3) as usize;
            let shelf = night(&[(one, strength), (other, 1)], 1000 + seed);
            pairs.add(judged(&shelf, 1000 + seed, false));
        }
        println!("pairs                 {}", pairs.shown());
    }
    let mut none = Count::default();
    if wanted("healthy") {
        for seed in 1..=HEALTHY {
            none.add(judged(&night(&[], seed), seed, false));
        }
        println!("healthy               {}", none.shown());
    }
    println!("all single faults     {}", all.shown());
    let few = |count: Count| 100 * count.0[2] <= 3 * count.0.iter().sum::<u32>();
    if few(all) && few(pairs) && few(none) {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
