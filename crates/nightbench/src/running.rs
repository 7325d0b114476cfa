//! `run`, `resume` and `check`.

use crate::assembly::{self, Resumption};
use crate::certified;
use crate::cli::{Check, Format, Resume, Run};
use crate::documents;
use crate::exit::{self, Failure};
use crate::folders;
use crate::outlet::{self, tell};
use crate::output;
use crate::screen::{Screen, clock, length};
use crate::supervision;
use analysis::Foresight;
use model::document::plan::Plan;
use model::document::rig::{Rig, Wiring};
use model::plain;
use model::port::Journal;
use model::quantity::Seconds;
use model::record::{PositionId, RunHeader, RunId, RunRecord};
use model::time::Stop;
use orchestrator::schedule::{Schedule, Work};
use orchestrator::{Job, RunError, SafeState};
use serde_json::json;
use store::Store;

/// Carries out a plan on a rig.
pub fn run(arguments: &Run) -> Result<u8, Failure> {
    let (plan, rig) = documents::read_both(&arguments.plan, &arguments.rig)?;
    let units = documents::units(&rig.value, &arguments.units)?;
    let mut rig_now = rig.value;
    let seed = match &mut rig_now.wiring {
        Wiring::Simulated(simulated) => {
            simulated.seed = arguments.seed.unwrap_or(simulated.seed);
            Some(simulated.seed)
        }
        Wiring::Real(_) if arguments.seed.is_some() => {
            return Err(Failure::input(
                "--seed is for simulated rigs; this one is real",
            ));
        }
        Wiring::Real(_) | Wiring::Recorded(_) => None,
    };
    let header = RunHeader {
        plan_text: plan.text.clone(),
        rig_text: rig.text.clone(),
        units,
        program_version: env!("CARGO_PKG_VERSION").to_owned(),
        seed,
        began: assembly::wall_of(&rig_now)?,
    };
    let store = Store::open(&folders::store(&arguments.store)?)?;
    let mut writer = store.writer()?;
    let take_up = TakeUp {
        plan: &plan.value,
        rig: &rig_now,
        in_spite_of_preflight: arguments.in_spite_of_preflight,
        format: arguments.output.format,
    };
    // Devices first: a rig that cannot be opened leaves no empty run behind.
    let stop = Stop::new();
    let positions: Vec<PositionId> = header.units.keys().cloned().collect();
    let assembled = assembly::assemble(&rig_now, &positions, plan.value.pitch, None, &stop)?;
    let id = writer.begin(&header).map_err(Failure::rig)?;
    let record = RunRecord {
        id,
        header,
        readings: Vec::new(),
        traces: Vec::new(),
        gaps: Vec::new(),
        events: Vec::new(),
    };
    take_up.go(&record, assembled, &mut writer, &store, &stop)
}

/// Carries a run on.
pub fn resume(arguments: &Resume) -> Result<u8, Failure> {
    let store = Store::open_existing(&folders::store(&arguments.store)?)?;
    let id = store.library()?.summary_of(&arguments.run)?.id;
    let mut writer = store.writer()?;
    let record = writer.reopen(&id).map_err(Failure::rig)?;
    let (plan, rig) = documents::kept(&record.header)?;
    if record.is_complete() {
        tell(format!(
            "nightbench: the run {id} is complete; there is nothing to carry on"
        ));
        return conclude(&store, &record.id, arguments.output.format, Ok(()));
    }
    let away = match (&rig.wiring, arguments.away) {
        (Wiring::Real(_) | Wiring::Recorded(_), Some(_)) => {
            return Err(Failure::input(
                "--away is for simulated rigs; this one is real",
            ));
        }
        (_, away) => away.unwrap_or(Seconds::ZERO),
    };
    let stop = Stop::new();
    let positions: Vec<PositionId> = record.header.units.keys().cloned().collect();
    let resumption = Resumption {
        record: &record,
        away,
    };
    let assembled = assembly::assemble(&rig, &positions, plan.pitch, Some(&resumption), &stop)?;
    let take_up = TakeUp {
        plan: &plan,
        rig: &rig,
        in_spite_of_preflight: arguments.in_spite_of_preflight,
        format: arguments.output.format,
    };
    take_up.go(&record, assembled, &mut writer, &store, &stop)
}

struct TakeUp<'a> {
    plan: &'a Plan,
    rig: &'a Rig,
    in_spite_of_preflight: bool,
    format: Format,
}

impl TakeUp<'_> {
    fn go(
        &self,
        record: &RunRecord,
        assembled: assembly::Assembled,
        writer: &mut store::Writer,
        store: &Store,
        stop: &Stop,
    ) -> Result<u8, Failure> {
        let positions: Vec<PositionId> = record.header.units.keys().cloned().collect();
        let schedule = Schedule::new(self.plan, self.rig, &positions);
        let (total, _) = schedule.duration();
        if self.plan.stages.iter().any(switches_power) && matches!(self.rig.wiring, Wiring::Real(_))
        {
            tell(crate::safety_text::BEFORE_POWER);
        }
        let kept = record.readings.len()
            + record
                .traces
                .iter()
                .map(|trace| trace.points.len())
                .sum::<usize>();
        let carried_on = if record.events.is_empty() && kept == 0 {
            String::new()
        } else {
            format!(
                "; carried on, after {} and with {kept} readings kept",
                length(record.last_instant().seconds())
            )
        };
        tell(format!(
            "run {}: {} on {}, {}{carried_on}",
            record.id,
            self.plan.title,
            self.rig.name,
            length(total.get())
        ));
        let mut screen = Screen::new(self.plan.pitch, self.format, total);
        let safe = SafeState::of(&assembled.ports, self.rig);
        let job = Job {
            plan: self.plan,
            rig: self.rig,
            record,
            in_spite_of_preflight: self.in_spite_of_preflight,
        };
        let ports = assembled.ports;
        let outcome = supervision::watch(stop, Some(safe), || {
            orchestrator::conduct(&job, ports, writer, &mut screen, stop)
        });
        screen.finish();
        drop(assembled.lock);
        conclude(store, &record.id, self.format, outcome)
    }
}

fn switches_power(stage: &model::document::plan::Stage) -> bool {
    use model::document::plan::Stage;
    matches!(stage, Stage::PowerOn | Stage::CoolDown { .. })
}

/// Says what came of a run; the run's identifier is the last word on stdout.
pub(crate) fn conclude(
    store: &Store,
    id: &RunId,
    format: Format,
    outcome: Result<(), RunError>,
) -> Result<u8, Failure> {
    let record = match (
        store.library().and_then(|library| library.run(id.as_str())),
        &outcome,
    ) {
        (Ok(record), _) => record,
        // Why the run ended says more than that its results cannot be read.
        (Err(_), Err(error)) => return Err(Failure::rig(error)),
        (Err(error), Ok(())) => return Err(error.into()),
    };
    let (plan, rig) = documents::kept(&record.header)?;
    let analysis = crate::analysing::analyse(&plan, &rig, &record);
    let view = report::RunView {
        plan: &plan,
        rig: &rig,
        record: &record,
        analysis: &analysis,
        day: &certified::day_of(&rig, record.header.began),
        damage: None,
    };
    let code = exit::of_run(outcome.is_ok() && record.is_complete(), &analysis.verdicts);
    let text = match format {
        Format::Text => format!("{}\nrun {id}\n", report::text(&view)),
        Format::Json => {
            let complete = record.is_complete();
            format!(
                "{}\n",
                json!({ "complete": complete, "exit_code": code, "run": id.as_str() })
            )
        }
    };
    // Why it ended first: the results may wait for whoever reads them.
    let code = match outcome {
        Ok(()) => code,
        Err(error) => {
            tell(exit::said(&error.to_string()));
            exit::INCOMPLETE
        }
    };
    outlet::settle();
    outlet::stream(plain(text.trim_end_matches('\n')));
    // The run is what it is, whether its results can be printed or not.
    if let Some(Err(error)) = supervision::unless_asked(outlet::finish_results) {
        tell(format!(
            "nightbench: the results could not be written to where stdout leads: {error}; they are kept, and `nightbench show {id}` prints them"
        ));
    }
    Ok(code)
}

/// Says whether a plan can run on a rig, and its timetable.
pub fn check(arguments: &Check) -> Result<u8, Failure> {
    let (plan, rig) = documents::read_both(&arguments.plan, &arguments.rig)?;
    let positions: Vec<PositionId> = rig
        .value
        .positions
        .keys()
        .map(|name| PositionId::new(name))
        .collect();
    let schedule = Schedule::new(&plan.value, &rig.value, &positions);
    let (total, waits) = schedule.duration();
    let mut begins = Some(Seconds::ZERO);
    let mut lines = Vec::new();
    let mut stages = Vec::new();
    for stage in &schedule.stages {
        let (what, notes) = describe(&stage.work);
        let at = begins.map_or_else(|| "then".to_owned(), |begins| clock(begins.get()));
        let lasts = stage.lasts.map_or_else(
            || "as long as it takes".to_owned(),
            |lasts| length(lasts.get()),
        );
        lines.push(format!("{at:>9}  {:<16} {lasts:<20} {what}", stage.name));
        stages.push(json!({
            "name": stage.name,
            "begins_s": begins.map(Seconds::get),
            "lasts_s": stage.lasts.map(Seconds::get),
            "notes": notes,
            "what": what,
        }));
        begins = begins
            .zip(stage.lasts)
            .map(|(begins, lasts)| begins + lasts);
    }
    let foreseen = analysis::foresee(&plan.value, &rig.value);
    let text = match arguments.output.format {
        Format::Json => format!(
            "{}\n",
            json!({
                "can_run": true,
                "total_s": total.get(),
                "waits_for_people": waits,
                "stages": stages,
                "tolerances": foreseen
                    .iter()
                    .map(|foresight| foreseen_as_json(&plan.value, &rig.value, foresight))
                    .collect::<Vec<_>>(),
                "calibration": certified::as_json(&rig.value),
            })
        ),
        Format::Text => {
            let waiting = if waits {
                ", and as long as people take"
            } else {
                ""
            };
            format!(
                "\"{}\" can run on \"{}\": {} in all{waiting}.\n\n{}\n{}{}",
                plan.value.title,
                rig.value.name,
                length(total.get()),
                lines.join("\n"),
                foreseen_as_text(&plan.value, &rig.value, &foreseen),
                certified::as_text(&rig.value)
            )
        }
    };
    output::print(&text).map(|()| 0)
}

/// What the rig will be able to decide, a line each; nothing without tolerances.
fn foreseen_as_text(plan: &Plan, rig: &Rig, foreseen: &[Foresight]) -> String {
    let mut text = String::new();
    for foresight in foreseen {
        if text.is_empty() {
            text.push_str(
                "\nWhat this rig can decide, with a unit that adds no scatter of its own:\n\n",
            );
        }
        let mark = match foresight.decides {
            Some(true) => "can",
            Some(false) => "CANNOT",
            None => "unknown",
        };
        // Which positions matters only where they differ.
        let positions: Vec<&str> = foresight.positions.iter().map(PositionId::as_str).collect();
        let which = if positions.len() == rig.positions.len() {
            String::new()
        } else {
            format!(" ({})", positions.join(", "))
        };
        let sentence = report::foreseen(plan, rig, foresight);
        text.push_str(&format!("{mark:>9}  {sentence}{which}\n"));
    }
    text
}

fn foreseen_as_json(plan: &Plan, rig: &Rig, foresight: &Foresight) -> serde_json::Value {
    let result = plan
        .tolerances
        .get(foresight.tolerance)
        .map(|tolerance| tolerance.result);
    let (from, to) = foresight.undecided.unzip();
    let (source, alone) = foresight.limited_by.unzip();
    json!({
        // As in verdicts, tolerances count from 1 where a person sees them.
        "tolerance": foresight.tolerance + 1,
        "result": result.map(|result| result.name()),
        "unit": result.map(|result| result.dimension().unit()),
        "positions": foresight.positions.iter().map(PositionId::as_str).collect::<Vec<_>>(),
        "can_decide": foresight.decides,
        "expanded_uncertainty": foresight.expanded,
        "undecided_from": from,
        "undecided_to": to,
        "limited_by": source.map(analysis::Source::name),
        "limit_alone": alone,
        "sentence": report::foreseen(plan, rig, foresight),
    })
}

/// A stage in a few words, and how many notes it plays.
fn describe(work: &Work) -> (String, u64) {
    match work {
        Work::CoolDown => ("supplies off".to_owned(), 0),
        Work::PowerOn => ("supplies on: t = 0".to_owned(), 0),
        Work::Wait => ("nothing".to_owned(), 0),
        Work::Rounds(rounds) => {
            let slots = rounds.slots(0).len();
            let notes =
                slots as u64 * u64::from(rounds.rounds) * u64::from(rounds.listen.repeats.max(1));
            let what = if rounds.pace.is_some() {
                format!("{slots} notes, one after the other")
            } else {
                format!(
                    "{} rounds of {slots} notes every {}, each at most {} long",
                    rounds.rounds,
                    length(rounds.every.get()),
                    length(rounds.longest_round().get())
                )
            };
            (what, notes)
        }
        Work::Hold(held) => (
            format!("one note in {} windows of {}", held.windows, held.hop),
            held.windows,
        ),
        Work::Ask { question } => (format!("asks: {question}"), 0),
        Work::Tune(tuning) => (
            {
                let band = tuning.within.to_string();
                let unit = if band == "1 cents" { "1 cent" } else { &band };
                format!("tuning at {} to within {unit}", tuning.name)
            },
            0,
        ),
    }
}
