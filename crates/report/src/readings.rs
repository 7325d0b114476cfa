//! Readings and holds, for programs and as a table.

use crate::RunView;
use crate::csv_row::{Cell, Decimals, csv_row};
use crate::deviations::Deviations;
use crate::document::Number;
use model::pitch::Pitch;
use model::quantity::VoltDifference;
use model::record::{Flag, Measured, PositionId, Reading, State, Trace};
use model::time::RunTime;
use schemars::JsonSchema;
use serde::Serialize;
use serde_json::{Value, json};
use std::collections::HashMap;

/// A note that was played on one unit.
#[derive(Serialize, JsonSchema)]
struct Played<'a> {
    /// The stage, counted from 0 in the plan.
    stage: u16,
    /// Its name.
    stage_name: String,
    /// Where the unit was patched.
    position: &'a str,
    /// The note's name as the plan writes it; null where nothing of it could be used.
    note: Option<&'a str>,
    /// Its number, middle C being 60; fractions are parts of a semitone.
    asked_note_number: Number,
    /// The frequency it should have.
    asked_hz: Number,
    /// When the window began, or the first one of a hold, in seconds since t = 0.
    t_s: Number,
    /// The same since the run began.
    run_s: Number,
    /// When the note was played.
    played_run_s: Number,
    /// The control voltage that was wanted less the one that could be reached.
    residue_v: Number,
}

/// What was heard over one window.
#[derive(Serialize, JsonSchema)]
struct Heard<'a> {
    #[serde(flatten)]
    played: Played<'a>,
    /// How long the window was.
    window_s: Number,
    /// The mean frequency over it.
    hz: Option<Number>,
    /// Its standard uncertainty (k = 1).
    u_hz: Option<Number>,
    /// The part of that which noise added to the signal makes, without the oscillator's
    /// own jitter; absent in runs of older versions.
    u_noise_hz: Option<Number>,
    /// The deviation as played.
    cents: Option<Number>,
    /// The deviation with that of the reference note removed.
    retuned_cents: Option<Number>,
    /// The level, rms.
    level_dbfs: Option<Number>,
    /// Whether it could be measured, and if not, why.
    state: State,
    /// What to know about it.
    flags: Vec<Flag>,
}

/// One note measured on one unit once.
#[derive(Serialize, JsonSchema)]
pub(crate) struct OneReading<'a> {
    /// The round within the stage, from 0.
    round: u32,
    /// The place within the round, from 0.
    slot: u16,
    /// The repeat (leave the note and come back), from 0.
    repeat: u16,
    /// The attempt, from 0; the last one counts.
    attempt: u16,
    #[serde(flatten)]
    heard: Heard<'a>,
    /// Air temperature at the rig's thermometer.
    air_degc: Option<Number>,
    /// Voltage of the supply behind the position.
    supply_v: Option<Number>,
}

/// A note that was held: frequencies at a fixed hop, windows adjoining.
#[derive(Serialize, JsonSchema)]
pub(crate) struct OneTrace<'a> {
    #[serde(flatten)]
    played: Played<'a>,
    /// From one window to the next.
    hop_s: Number,
    /// The mean frequency over each window.
    hz: Vec<Option<Number>>,
    /// Their standard uncertainties (k = 1).
    u_hz: Vec<Option<Number>>,
    /// The parts of these which noise added to the signal makes.
    u_noise_hz: Vec<Option<Number>>,
    /// The levels, rms.
    level_dbfs: Vec<Option<Number>>,
    /// Whether each could be measured, and if not, why.
    state: Vec<State>,
    /// What to know about each.
    flags: Vec<Vec<Flag>>,
}

/// A hold, its pieces put together again where they adjoin.
pub(crate) struct Hold<'a> {
    first: &'a Trace,
    points: Vec<Measured>,
}

impl<'a> Hold<'a> {
    /// All holds of a run, by stage, then position.
    pub(crate) fn all(view: &RunView<'a>) -> Vec<Self> {
        let mut pieces: Vec<_> = view.record.traces.iter().collect();
        pieces.sort_by_key(|piece| (piece.stage, &piece.position, piece.at, piece.chunk));
        let mut holds: Vec<Self> = Vec::new();
        for piece in pieces {
            if let Some(hold) = holds.last_mut() {
                let first = hold.first;
                let due = first.at + first.hop * hold.points.len() as f64;
                let apart = (due.nanoseconds() - piece.at.nanoseconds()).unsigned_abs();
                let same = first.stage == piece.stage
                    && first.position == piece.position
                    && first.asked == piece.asked
                    && first.hop == piece.hop
                    && first.played == piece.played
                    && first.residue == piece.residue;
                // A frame of the slowest rate is 1 ms long.
                if same && apart < 1_000_000 {
                    hold.points.extend_from_slice(&piece.points);
                    continue;
                }
            }
            holds.push(Self {
                first: piece,
                points: piece.points.clone(),
            });
        }
        holds
    }
}

/// The readings of a run, with what is known beside them.
pub(crate) struct Readings<'a, 'd> {
    view: RunView<'a>,
    deviations: &'d Deviations,
    /// Names of notes as the plan writes them, by pitch.
    names: HashMap<u64, &'a str>,
}

impl<'a, 'd> Readings<'a, 'd> {
    pub(crate) fn of(view: &RunView<'a>, deviations: &'d Deviations) -> Self {
        let units = view.analysis.stages.iter().flat_map(|stage| &stage.units);
        let names = units
            .flat_map(|unit| &unit.notes)
            .map(|note| (note.asked.note_number().to_bits(), note.name.as_str()))
            .collect();
        Self {
            view: *view,
            deviations,
            names,
        }
    }

    /// Every reading in the order of the plan.
    pub(crate) fn in_order(&self) -> Vec<&'a Reading> {
        let mut readings: Vec<_> = self.view.record.readings.iter().collect();
        readings.sort_by_key(|reading| &reading.key);
        readings
    }

    fn played(
        &self,
        (stage, position): (u16, &'a PositionId),
        asked: Pitch,
        [played, at]: [RunTime; 2],
        residue: VoltDifference,
    ) -> Played<'a> {
        let note_number = asked.note_number();
        Played {
            stage,
            stage_name: self.view.stage_name(stage),
            position: position.as_str(),
            note: self.names.get(&note_number.to_bits()).copied(),
            asked_note_number: Number(note_number),
            asked_hz: Number(self.view.plan.pitch.frequency(asked).get()),
            t_s: Number::seconds(self.deviations.t_s(stage, Some(position), at)),
            run_s: Number::seconds(at.seconds()),
            played_run_s: Number::seconds(played.seconds()),
            residue_v: Number(residue.get()),
        }
    }

    /// One reading.
    pub(crate) fn one(&self, reading: &'a Reading) -> OneReading<'a> {
        let Reading { key, measured, .. } = reading;
        let played = self.played(
            (key.stage, &key.position),
            reading.asked,
            [reading.played, reading.at],
            reading.residue,
        );
        let deviation = self.deviations.find(reading);
        OneReading {
            round: key.round,
            slot: key.slot,
            repeat: key.repeat,
            attempt: key.attempt,
            heard: heard(played, reading.window.get(), measured, deviation),
            air_degc: reading.conditions.air.map(|air| Number(air.get())),
            supply_v: reading.conditions.supply.map(|supply| Number(supply.get())),
        }
    }

    /// A hold.
    pub(crate) fn trace(&self, hold: &Hold<'a>) -> OneTrace<'a> {
        let Hold { first, points } = hold;
        OneTrace {
            played: self.of_hold(first, first.at),
            hop_s: Number(first.hop.get()),
            hz: points.iter().map(hertz).collect(),
            u_hz: points.iter().map(u_hertz).collect(),
            u_noise_hz: points.iter().map(u_noise_hertz).collect(),
            level_dbfs: points.iter().map(level).collect(),
            state: points.iter().map(|point| point.state).collect(),
            flags: points
                .iter()
                .map(|point| point.flags.iter().collect())
                .collect(),
        }
    }

    fn of_hold(&self, first: &'a Trace, at: RunTime) -> Played<'a> {
        let place = (first.stage, &first.position);
        self.played(place, first.asked, [first.played, at], first.residue)
    }

    /// A window of a hold.
    fn window(&self, first: &'a Trace, index: usize, point: &Measured) -> Heard<'a> {
        let at = first.at + first.hop * index as f64;
        let t_s = self.deviations.t_s(first.stage, Some(&first.position), at);
        let deviation = point.frequency.and_then(|_| {
            self.deviations
                .near(first.stage, &first.position, first.asked, t_s)
        });
        heard(self.of_hold(first, at), first.hop.get(), point, deviation)
    }
}

fn heard<'a>(
    played: Played<'a>,
    window_s: f64,
    measured: &Measured,
    deviation: Option<(f64, Option<f64>)>,
) -> Heard<'a> {
    Heard {
        played,
        window_s: Number(window_s),
        hz: hertz(measured),
        u_hz: u_hertz(measured),
        u_noise_hz: u_noise_hertz(measured),
        cents: deviation.map(|(as_played, _)| Number(as_played)),
        retuned_cents: deviation.and_then(|(_, retuned)| retuned).map(Number),
        level_dbfs: level(measured),
        state: measured.state,
        flags: measured.flags.iter().collect(),
    }
}

fn hertz(measured: &Measured) -> Option<Number> {
    measured.frequency.map(|frequency| Number(frequency.get()))
}

fn u_hertz(measured: &Measured) -> Option<Number> {
    measured.u.map(|u| Number(u.get()))
}

fn u_noise_hertz(measured: &Measured) -> Option<Number> {
    measured.u_noise.map(|u| Number(u.get()))
}

fn level(measured: &Measured) -> Option<Number> {
    measured.level.map(|level| Number(level.get()))
}

/// The columns of the table of readings.
const COLUMNS: [&str; 25] = [
    "stage",
    "stage_name",
    "round",
    "slot",
    "repeat",
    "attempt",
    "position",
    "serial",
    "note",
    "asked_hz",
    "t_s",
    "run_s",
    "played_run_s",
    "window_s",
    "hz",
    "u_hz",
    "u_noise_hz",
    "cents",
    "retuned_cents",
    "level_dbfs",
    "residue_v",
    "air_degc",
    "supply_v",
    "state",
    "flags",
];

/// The table of readings, every attempt, and of all windows of holds, as CSV (RFC 4180):
/// with a comma between the columns, or for spreadsheets with decimal commas with a
/// semicolon. What is not known is empty; flags are separated by spaces. A hold has no
/// rounds and no attempts, so these are empty in its rows.
/// That it is a part of a damaged run stands in a line before the names of the columns.
#[must_use]
pub fn export_csv(view: &RunView<'_>, decimal_comma: bool) -> String {
    let deviations = Deviations::of(view);
    let known = Readings::of(view, &deviations);
    let decimals = if decimal_comma {
        Decimals::Comma
    } else {
        Decimals::Point
    };
    let mut table = view.warning().map_or_else(String::new, |warning| {
        csv_row(&[warning.as_str().into()], decimals)
    });
    table += &csv_row(&COLUMNS.map(Cell::from), decimals);
    let mut add = |mut row: Value, position: &PositionId| {
        row["serial"] = json!(view.unit(position).serial);
        table += &csv_row(&COLUMNS.map(|column| Cell::from(&row[column])), decimals);
    };
    let holds = Hold::all(view);
    let mut holds = holds.iter().peekable();
    let mut readings = known.in_order().into_iter().peekable();
    // Stage by stage, as in the plan.
    loop {
        let reading = readings.peek().map(|reading| reading.key.stage);
        let hold = holds.peek().map(|hold| hold.first.stage);
        match (reading, hold) {
            (None, None) => break,
            (Some(stage), held) if held.is_none_or(|held| stage <= held) => {
                if let Some(reading) = readings.next() {
                    add(json!(known.one(reading)), &reading.key.position);
                }
            }
            _ => {
                if let Some(Hold { first, points }) = holds.next() {
                    for (index, point) in points.iter().enumerate() {
                        let row = json!(known.window(first, index, point));
                        add(row, &first.position);
                    }
                }
            }
        }
    }
    table
}
