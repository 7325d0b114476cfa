//! `runs`, `show`, `report` and `export`.

use crate::certified;
use crate::cli::{Export, ExportFormat, Format, Listing, Report, Show, SoundPart, StoreFolder};
use crate::documents;
use crate::exit::{self, Failure};
use crate::folders;
use crate::outlet::tell;
use crate::output;
use crate::screen::length;
use crate::supervision;
use crate::written::write_file;
use model::document::plan::Plan;
use model::document::read_plan;
use model::document::rig::Rig;
use model::excerpt;
use model::port::Request;
use model::record::{MAY_STILL_BE_ON, PositionId, RunHeader, RunRecord};
use report::RunView;
use serde_json::json;
use std::path::Path;
use store::{Library, Standing, Store, StoreError};

/// Everything known of a run.
pub(crate) struct Known {
    pub(crate) plan: Plan,
    pub(crate) rig: Rig,
    pub(crate) record: RunRecord,
    pub(crate) analysis: analysis::Analysis,
    /// The day on which the run began where the rig stands.
    day: String,
    /// What is wrong with it, where this is the sound part of a damaged run.
    damage: Option<String>,
}

impl Known {
    pub(crate) fn of(library: &Library, run: &str) -> Result<Self, Failure> {
        let record = library.run(run)?;
        let (plan, rig) = documents::kept(&record.header)?;
        Ok(Self::analysed(plan, rig, record))
    }

    /// The same, and of a damaged run the part that is sound where that will do.
    fn of_part(library: &Library, run: &str, part: &SoundPart) -> Result<Self, Failure> {
        if !part.sound_part {
            return Self::of(library, run);
        }
        let (record, damage) = library.sound_part(run)?;
        let (plan, rig) = documents::kept(&record.header)?;
        Ok(Self {
            damage: damage.map(|damage| damage.to_string()),
            ..Self::analysed(plan, rig, record)
        })
    }

    fn is_complete(&self) -> bool {
        self.damage.is_none() && self.record.is_complete()
    }

    /// The exit code that damage calls for.
    const fn code(&self) -> u8 {
        if self.damage.is_some() {
            exit::INCOMPLETE
        } else {
            0
        }
    }

    pub(crate) fn analysed(plan: Plan, rig: Rig, record: RunRecord) -> Self {
        Self {
            analysis: crate::analysing::analyse(&plan, &rig, &record),
            day: certified::day_of(&rig, record.header.began),
            plan,
            rig,
            record,
            damage: None,
        }
    }

    pub(crate) fn view(&self) -> RunView<'_> {
        RunView {
            plan: &self.plan,
            rig: &self.rig,
            record: &self.record,
            analysis: &self.analysis,
            day: &self.day,
            damage: self.damage.as_deref(),
        }
    }
}

/// A store to be read, wherever it lies. A copy that has to be made for that goes when a
/// signal ends the program, too.
fn open_to_read(folder: &StoreFolder) -> Result<Store, Failure> {
    supervision::tidy_up();
    Ok(Store::open_to_read(&folders::store(folder)?)?)
}

/// The runs of a store, wherever it lies.
pub(crate) fn library(folder: &StoreFolder) -> Result<Library, Failure> {
    Ok(open_to_read(folder)?.library()?)
}

/// Lists the runs of a store.
pub fn runs(arguments: &Listing) -> Result<u8, Failure> {
    let store = open_to_read(&arguments.store)?;
    let runs = store.library()?.list()?;
    let mut listed = String::new();
    let mut first = String::new();
    let mut interrupted = None;
    let mut code = 0;
    for run in runs {
        let run = match run {
            Ok(run) => run,
            Err(StoreError::DamagedRun { run, damage, .. }) => {
                code = exit::INCOMPLETE;
                let damage = damage.to_string();
                listed += &match arguments.output.format {
                    Format::Json => {
                        json!({ "run": run, "standing": "damaged", "damage": damage }).to_string()
                    }
                    Format::Text => format!("{run:<11} damaged: {damage}"),
                };
                listed.push('\n');
                continue;
            }
            Err(other) => return Err(other.into()),
        };
        if run.standing == Standing::Stopped {
            interrupted = Some(run.id.clone());
        }
        let standing = match run.standing {
            Standing::Complete => "complete",
            Standing::InProgress => "in progress",
            Standing::Stopped => "interrupted",
        };
        let on: Vec<&str> = run.may_still_be_on.iter().map(PositionId::as_str).collect();
        if !on.is_empty() && arguments.output.format == Format::Text {
            first += &format!(
                "{MAY_STILL_BE_ON} ({}), after run {}\n",
                on.join(", "),
                run.id
            );
        }
        let title = title(&run.header);
        let units: Vec<String> = run
            .header
            .units
            .values()
            .map(|unit| excerpt(&unit.serial, BRIEF))
            .collect();
        let line = match arguments.output.format {
            Format::Json => json!({
                "run": run.id.as_str(),
                "title": title,
                "began": run.header.began.to_string(),
                "standing": standing.replace(' ', "_"),
                "may_still_be_on": on,
                "lasted_s": run.last_instant.seconds(),
                "readings": run.counts.readings,
                "hold_pieces": run.counts.traces,
                "gaps": run.counts.gaps,
                "units": run.header.units.iter().map(|(position, unit)| (position.as_str().to_owned(), json!(unit))).collect::<serde_json::Map<_, _>>(),
            })
            .to_string(),
            Format::Text => format!(
                "{:<11} {} {:<12} {:>11}  {}  {}  [{}]",
                run.id,
                run.header.began.strftime("%Y-%m-%d %H:%M"),
                standing,
                length(run.last_instant.seconds()),
                held(&run.counts),
                brief(&title),
                units.join(", ")
            ),
        };
        listed.push_str(&line);
        listed.push('\n');
    }
    output::print(&(first + &listed))?;
    if let Some(run) = interrupted.filter(|_| arguments.output.format == Format::Text) {
        let how = format!("carried on by: nightbench resume {run}");
        // Less than a run needs to write anything at all.
        let full = store::Room::at(store.folder()).is_some_and(|room| room.free() < 100_000);
        if store.is_read_only() && full {
            tell(format!(
                "the disk with {} is full; once there is room, a run that was interrupted is {how}",
                store.folder().display()
            ));
        } else if store.is_read_only() {
            tell(format!(
                "nothing can be written in {}; once the folder is copied, a run that was interrupted is {how} --store COPY",
                store.folder().display()
            ));
        } else {
            tell(format!("a run that was interrupted is {how}"));
        }
    }
    Ok(code)
}

/// What a run holds: readings, and pieces of held notes where there are any.
fn held(counts: &store::Counts) -> String {
    match (counts.readings, counts.traces) {
        (readings, 0) => format!("{readings:>6} readings"),
        (0, traces) => format!("{traces:>6} pieces of holds"),
        (readings, traces) => format!("{readings:>6} readings, {traces} pieces of holds"),
    }
}

fn title(header: &RunHeader) -> String {
    read_plan("plan", header.plan_text.as_bytes())
        .map_or_else(|_| "(plan unreadable)".to_owned(), |plan| plan.value.title)
}

/// The longest title in a list, in characters.
const BRIEF: usize = 60;

/// A title that fits a line of a list.
fn brief(title: &str) -> String {
    let words: Vec<&str> = title.split_whitespace().collect();
    let line = words.join(" ");
    match line.char_indices().nth(BRIEF) {
        Some((end, _)) => format!("{}…", &line[..end]),
        None => line,
    }
}

/// Says what came of a run.
pub fn show(arguments: &Show) -> Result<u8, Failure> {
    let library = library(&arguments.store)?;
    let known = Known::of_part(&library, &arguments.run, &arguments.sound_part)?;
    let text = match arguments.output.format {
        Format::Text => report::text(&known.view()),
        Format::Json => format!("{}\n", report::results_json(&known.view())),
    };
    output::print(&text)?;
    Ok(exit::of_run(known.is_complete(), &known.analysis.verdicts))
}

/// Asks something of a run in progress.
pub fn ask(folder: &StoreFolder, run: &str, request: &Request) -> Result<u8, Failure> {
    let store = Store::open_existing(&folders::store(folder)?)?;
    let id = store.library()?.request(run, request)?;
    tell(format!(
        "asked of run {id}; it is heeded between two notes, and while the run waits"
    ));
    Ok(0)
}

/// Writes a run's report.
pub fn report(arguments: &Report) -> Result<u8, Failure> {
    let library = library(&arguments.store)?;
    let known = Known::of_part(&library, &arguments.run, &arguments.sound_part)?;
    let path = arguments
        .out
        .clone()
        .unwrap_or_else(|| format!("{}.html", known.record.id).into());
    write_file(&path, report::html(&known.view()))?;
    output::print(&format!("{}\n", path.display())).map(|()| known.code())
}

/// Writes a run's readings out.
pub fn export(arguments: &Export) -> Result<u8, Failure> {
    if arguments.decimal_comma && arguments.format != ExportFormat::Csv {
        return Err(Failure::input(
            "--decimal-comma is for CSV, and JSON always has a decimal point; leave it out, or take --format csv",
        ));
    }
    let library = library(&arguments.store)?;
    let known = Known::of_part(&library, &arguments.run, &arguments.sound_part)?;
    if let Some(warning) = report::may_still_be_on(&known.view()) {
        tell(warning);
    }
    let text = match arguments.format {
        ExportFormat::Csv => report::export_csv(&known.view(), arguments.decimal_comma),
        ExportFormat::Json => format!("{:#}\n", report::export_json(&known.view())),
    };
    match &arguments.out {
        Some(path) => write_file(path, text)?,
        None => output::print(&text)?,
    }
    if let Some(folder) = &arguments.recordings {
        write_recordings(&library, &known.record, folder)?;
    }
    Ok(known.code())
}

/// Writes the recordings behind a run's readings, each named by its place.
fn write_recordings(library: &Library, record: &RunRecord, folder: &Path) -> Result<(), Failure> {
    std::fs::create_dir_all(folder)
        .map_err(|error| Failure::input(format!("{} cannot be made: {error}", folder.display())))?;
    let mut written = 0;
    for reading in &record.readings {
        let key = &reading.key;
        let Some(wav) = library.evidence(record.id.as_str(), key)? else {
            continue;
        };
        // A position's name may hold anything; a file's may not.
        let position: String = key
            .position
            .as_str()
            .chars()
            .map(|letter| {
                if letter.is_alphanumeric() || letter == '-' {
                    letter
                } else {
                    '_'
                }
            })
            .collect();
        let name = format!(
            "stage{}-round{}-slot{}-repeat{}-{position}-attempt{}.wav",
            key.stage + 1,
            key.round + 1,
            key.slot + 1,
            key.repeat + 1,
            key.attempt + 1
        );
        let path = folder.join(name);
        write_file(&path, wav)?;
        written += 1;
    }
    match written {
        0 => tell("no recording of this run was kept; what a plan keeps is said under evidence"),
        1 => tell(format!("1 recording in {}", folder.display())),
        _ => tell(format!("{written} recordings in {}", folder.display())),
    }
    Ok(())
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn titles_in_a_list_take_a_line() {
        assert_eq!(brief("One night\n  from cold\n"), "One night from cold");
        assert_eq!(brief(&"🎹".repeat(1000)).chars().count(), BRIEF + 1);
    }
}
