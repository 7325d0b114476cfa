//! How long the results of a large night take: eight units, 100 000 readings.
//! `cargo run --release -p analysis --example results_speed`; asked for is under 3 s on two
//! cores, with the units side by side as the program has them. Processor time is the
//! user's share as the system counts it.

#![allow(clippy::disallowed_methods, reason = "an example that takes the time")]

#[path = "../tests/nights/night.rs"]
#[allow(dead_code)]
mod night;

use analysis::{analyse, analyse_unit, positions, together};
use model::document::rig::Rig;
use model::record::PositionId;
use rayon::prelude::*;
use std::process::ExitCode;
use std::time::Instant;

/// Thirteen notes and the reference again, a round a minute for half an hour, then
/// every three quarters of a minute for eleven hours.
const PLAN: &str = "
  - power_on
  - rounds: {name: warming, notes: {list: [C4, C2, C2, C3, C3, C4, C5, C5, C6, C6, C7, C7, F4, C4]}, every: 1 min, for: 30 min}
  - rounds: {name: night, notes: {list: [C4, C2, C2, C3, C3, C4, C5, C5, C6, C6, C7, C7, F4, C4]}, every: 45 s, for: 648 min}";

/// Processor time of this process, in seconds, where the system tells.
fn user_seconds() -> Option<f64> {
    let text = std::fs::read_to_string("/proc/self/stat").ok()?;
    let after = text.rsplit_once(')')?.1;
    let ticks: f64 = after.split_whitespace().nth(11)?.parse().ok()?;
    // Linux counts in hundredths of a second for programs.
    Some(ticks / 100.0)
}

fn main() -> ExitCode {
    let plan = night::plan(
        PLAN,
        "{result: scale_error, of: night, allow: {within: 1 cent/oct}},
         {result: error_left_after_trimming, of: night, allow: {at_most: 3 cents}},
         {result: warm_up_time, of: night, allow: {at_most: 45 min}}",
    );
    let mut rig: Rig = night::rig("cv_gain: 0.05 %, cv_offset: 2 mV, cv_step: 0.3 mV");
    let mut record = night::play(&plan, 0.03, 1, |slot, random| {
        0.4 * slot.x + 15.0 * (-slot.t / 700.0).exp() + 0.03 * random.normal()
    });
    let (position, unit) = (
        PositionId::new("left"),
        record.header.units.values().next().cloned(),
    );
    let own = record.readings.clone();
    for place in 2..=8u16 {
        let name = format!("bay-{place}");
        let mut patched = rig.positions["left"].clone();
        patched.input = place;
        patched.cv.channel = place as u8;
        rig.positions.insert(name.clone(), patched);
        let id = PositionId::new(&name);
        if let Some(unit) = unit.clone() {
            record.header.units.insert(id.clone(), unit);
        }
        record
            .readings
            .extend(own.iter().cloned().map(|mut reading| {
                reading.key.position = id.clone();
                reading
            }));
    }
    println!(
        "{} readings of {} units, first in {position}",
        record.readings.len(),
        rig.positions.len()
    );
    let (began, before) = (Instant::now(), user_seconds());
    let places: Vec<PositionId> = positions(&record).into_iter().collect();
    let parts = places
        .par_iter()
        .map(|position| analyse_unit(&plan, &rig, &record, position))
        .collect();
    let analysis = together(&plan, &rig, &record, parts);
    let wall = began.elapsed().as_secs_f64();
    let user = user_seconds()
        .zip(before)
        .map(|(after, before)| after - before);
    println!(
        "{} results, {} verdicts in {wall:.2} s, {} s of processor time on {} threads",
        analysis.outcomes.len(),
        analysis.verdicts.len(),
        user.map_or_else(|| "unknown".to_owned(), |user| format!("{user:.2}")),
        rayon::current_num_threads(),
    );
    let same = analyse(&plan, &rig, &record) == analysis;
    println!("one unit after the other it is the same: {same}");
    // Other work on the machine does not count: what two free cores would take.
    let fast = user.map_or(wall, |user| user / 2.0);
    if fast < 3.0 && same {
        ExitCode::SUCCESS
    } else {
        ExitCode::FAILURE
    }
}
