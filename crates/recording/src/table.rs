//! When which note sounded in a recording: a table with a line for each note.

use crate::RecordingError;
use crate::notes::{Column, Place, Slot, TableError};
use csv::{ReaderBuilder, StringRecord, Trim};
use model::excerpt;
use model::pitch::AskedNote;
use model::quantity::Volts;
use std::fmt;

/// A recording of a week, a note every half second, has about a million.
pub(crate) const MOST: usize = 1_000_000;

/// A table of more bytes than this is none: so many notes with a hundred bytes each.
pub const LARGEST: usize = 100 * MOST;

/// A note shorter than this has too few periods to be measured, in seconds.
pub(crate) const SHORTEST: f64 = 0.05;

/// Notes may touch: what two roundings to a millisecond make.
const TOUCH: f64 = 1.5e-3;

/// The columns of a table, by place.
struct Columns {
    start: usize,
    lasts: usize,
    volts: Option<usize>,
    note: Option<usize>,
    stage: Option<usize>,
}

/// Reads a table of notes: a line of names (`start_s`, `duration_s`, and `volts` or
/// `note`; `stage` if you like), then a line for each note, in the order of time.
///
/// # Errors
/// The first thing that is wrong, with file, line and column.
pub fn read(name: &str, bytes: &[u8]) -> Result<Vec<Slot>, RecordingError> {
    if bytes.len() > LARGEST {
        return Err(in_table(name, TableError::TooLarge));
    }
    // Spreadsheets put a mark at the beginning.
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let mut reader = ReaderBuilder::new()
        .trim(Trim::All)
        .flexible(true)
        .has_headers(false)
        .from_reader(bytes);
    let mut columns: Option<Columns> = None;
    let mut width = 0;
    let mut slots: Vec<Slot> = Vec::new();
    for record in reader.records() {
        let record = record.map_err(|error| unreadable(name, error))?;
        let line = record.position().map_or(0, |at| line_of(bytes, at));
        if record.iter().all(str::is_empty) {
            continue;
        }
        let place = Line { name, line };
        let Some(columns) = &columns else {
            width = record.len();
            columns = Some(header(&record).map_err(|wrong| place.wrong(wrong))?);
            continue;
        };
        let (found, names) = (record.len(), width);
        if found != names {
            return Err(place.wrong(TableError::Width { found, names }));
        }
        let slot = slot(place, columns, &record)?;
        if let Some(before) = slots.last()
            && slot.start + TOUCH < before.end()
        {
            let start = slot.start;
            let wrong = if start < before.start {
                TableError::OutOfOrder { start }
            } else {
                TableError::Overlaps {
                    start,
                    before: before.place.clone(),
                    until: before.end(),
                }
            };
            return Err(place.wrong_in(Column::Start, wrong));
        }
        slots.push(slot);
        if slots.len() > MOST {
            return Err(in_table(name, TableError::TooManyNotes));
        }
    }
    if columns.is_none() {
        return Err(in_table(name, TableError::Empty));
    }
    if slots.is_empty() {
        return Err(in_table(name, TableError::NoNote));
    }
    Ok(slots)
}

/// The line on which a record stands: empty lines before it are passed over, and the
/// reader counts from before them.
fn line_of(bytes: &[u8], at: &csv::Position) -> u64 {
    let from = usize::try_from(at.byte()).unwrap_or(usize::MAX);
    let empty = bytes.get(from..).unwrap_or_default().iter();
    let passed = empty
        .take_while(|byte| matches!(byte, b'\n' | b'\r'))
        .filter(|byte| **byte == b'\n')
        .count();
    at.line() + passed as u64
}

/// What stands in a cell, for a message.
fn cell(text: &str) -> String {
    excerpt(text, 40)
}

/// A line of a table.
#[derive(Debug, Clone, Copy)]
struct Line<'a> {
    name: &'a str,
    line: u64,
}

impl fmt::Display for Line<'_> {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}", self.name, self.line)
    }
}

impl Line<'_> {
    fn wrong(self, wrong: TableError) -> RecordingError {
        self.at(None, wrong)
    }

    fn wrong_in(self, column: Column, wrong: TableError) -> RecordingError {
        self.at(Some(column), wrong)
    }

    fn at(self, column: Option<Column>, wrong: TableError) -> RecordingError {
        let place = Place {
            file: self.name.to_owned(),
            line: Some(self.line),
            column,
        };
        RecordingError::Table { place, wrong }
    }
}

/// What is wrong with a table as a whole.
fn in_table(name: &str, wrong: TableError) -> RecordingError {
    let place = Place {
        file: name.to_owned(),
        line: None,
        column: None,
    };
    RecordingError::Table { place, wrong }
}

fn unreadable(name: &str, error: csv::Error) -> RecordingError {
    let line = error.position().map_or(0, csv::Position::line);
    let wrong = match error.kind() {
        csv::ErrorKind::Utf8 { .. } => TableError::NoText,
        _ => TableError::NoTable(error),
    };
    Line { name, line }.wrong(wrong)
}

fn header(record: &StringRecord) -> Result<Columns, TableError> {
    let at = |wanted: &str| {
        record
            .iter()
            .position(|column| column.eq_ignore_ascii_case(wanted))
    };
    if record.len() == 1 && record.get(0).is_some_and(|names| names.contains(';')) {
        return Err(TableError::Semicolons);
    }
    let needed = |column: Column| {
        at(column.name()).ok_or_else(|| {
            let there: Vec<String> = record.iter().take(20).map(cell).collect();
            TableError::NoColumn {
                column,
                there: there.join(", "),
            }
        })
    };
    for (place, column) in record.iter().enumerate() {
        if !column.is_empty() && at(column) != Some(place) {
            return Err(TableError::TwoColumns(cell(column)));
        }
    }
    let columns = Columns {
        start: needed(Column::Start)?,
        lasts: needed(Column::Duration)?,
        volts: at(Column::Volts.name()),
        note: at(Column::Note.name()),
        stage: at(Column::Stage.name()),
    };
    if columns.volts.is_none() && columns.note.is_none() {
        needed(Column::Note)?;
    }
    Ok(columns)
}

/// A number without a unit, as it stands in a cell.
fn value(text: &str) -> Result<f64, TableError> {
    if text.is_empty() {
        return Err(TableError::NumberMissing);
    }
    let pointed = text.replace(',', ".");
    match text.parse::<f64>() {
        Ok(value) if value.is_finite() => Ok(value),
        Ok(_) => Err(TableError::NotFinite(cell(text))),
        Err(_) if pointed.parse::<f64>().is_ok() => Err(TableError::DecimalComma {
            written: cell(text),
            meant: cell(&pointed),
        }),
        Err(_) => Err(TableError::NoNumber(cell(text))),
    }
}

fn slot(place: Line<'_>, columns: &Columns, record: &StringRecord) -> Result<Slot, RecordingError> {
    let text = |column: Option<usize>| column.and_then(|column| record.get(column)).unwrap_or("");
    let value =
        |column: Column, text: &str| value(text).map_err(|wrong| place.wrong_in(column, wrong));
    let start = value(Column::Start, text(Some(columns.start)))?;
    let lasts = value(Column::Duration, text(Some(columns.lasts)))?;
    if start < 0.0 {
        return Err(place.wrong_in(Column::Start, TableError::BeforeTheRecording));
    }
    if lasts < SHORTEST {
        return Err(place.wrong_in(Column::Duration, TableError::TooShort));
    }
    let asked = match (text(columns.volts), text(columns.note)) {
        ("", "") => {
            let column = columns.note.map_or(Column::Volts, |_| Column::Note);
            return Err(place.wrong_in(column, TableError::NoteMissing));
        }
        (volts, "") => {
            let volts = Volts::new(value(Column::Volts, volts)?)
                .ok()
                .filter(|volts| volts.get().abs() <= 100.0)
                .ok_or_else(|| place.wrong_in(Column::Volts, TableError::TooManyVolts))?;
            AskedNote::Voltage(volts)
        }
        ("", note) => note
            .parse()
            .map_err(|error: model::pitch::AskedNoteError| {
                let why = excerpt(&error.to_string(), 200);
                place.wrong_in(Column::Note, TableError::NoSuchNote(why))
            })?,
        _ => return Err(place.wrong_in(Column::Note, TableError::VoltsAndNote)),
    };
    let stage = text(columns.stage);
    if stage.chars().count() > 80 {
        return Err(place.wrong_in(Column::Stage, TableError::StageName(cell(stage))));
    }
    Ok(Slot {
        place: place.to_string(),
        start,
        lasts,
        asked,
        measured: None,
        stage: Some(stage.to_owned()).filter(|stage| !stage.is_empty()),
    })
}

#[cfg(test)]
mod tests {
    use super::*;
    use proptest::prelude::*;

    fn refused(text: &str) -> String {
        read("notes.csv", text.as_bytes()).unwrap_err().to_string()
    }

    #[test]
    fn a_table_is_read_in_any_order_of_columns() {
        let slots = read(
            "notes.csv",
            b"\xef\xbb\xbfnote , start_s, duration_s\nC4,0.5, 2\n\n F#4,2.5,2\n440 Hz,4.5,2\n",
        )
        .unwrap();
        assert_eq!(slots.len(), 3);
        assert_eq!(slots[1].asked.to_string(), "F#4");
        assert_eq!(slots[1].place, "notes.csv:4");
        let volts = read("notes.csv", b"start_s,duration_s,volts\n0,1,2.5\n").unwrap();
        assert_eq!(volts[0].asked, AskedNote::Voltage(Volts::of(2.5)));
    }

    #[test]
    fn what_is_wrong_is_said_with_its_place() {
        let head = "start_s,duration_s,note\n";
        for (text, said) in [
            (String::new(), "notes.csv: the file is empty"),
            (head.to_owned(), "no note below"),
            (
                "start_s;duration_s;note\n0;1;C4\n".to_owned(),
                "notes.csv:1: columns are separated by semicolons",
            ),
            (
                "start_s,note\n0,C4\n".to_owned(),
                "notes.csv:1: there is no column duration_s",
            ),
            (
                "start_s,duration_s\n0,1\n".to_owned(),
                "there is no column note",
            ),
            (
                "start_s,start_s,duration_s,note\n0,0,1,C4\n".to_owned(),
                "two columns start_s",
            ),
            (
                format!("{head}0,5,1,C4\n"),
                "notes.csv:2: this line has 4 columns",
            ),
            (
                format!("{head}\"0,5\",1,C4\n"),
                "notes.csv:2, column start_s: \"0,5\" has a decimal comma; write 0.5",
            ),
            (
                format!("{head}0,1,C4\nnan,1,C4\n"),
                "notes.csv:3, column start_s: \"nan\"",
            ),
            (format!("{head}0,0,C4\n"), "notes.csv:2, column duration_s"),
            (format!("{head}0,1e-9,C4\n"), "must last at least 0.05 s"),
            (format!("{head}\"0,1,C4\n"), "this line has one column"),
            (format!("{head}-1,1,C4\n"), "before the recording"),
            (
                format!("{head}0,2,C4\n1,2,C5\n"),
                "notes.csv:3, column start_s: this note begins at 1 s; it overlaps the note of notes.csv:2, which lasts until 2 s",
            ),
            (format!("{head}5,2,C4\n1,2,C5\n"), "order of time"),
            (
                format!("{head}0,1,H4\n"),
                "notes.csv:2, column note: \"H4\" is no note",
            ),
            (format!("{head}0,1,\n"), "which note sounds"),
        ] {
            let message = refused(&text);
            assert!(message.contains(said), "{text:?}: {message}");
        }
    }

    /// A cell of any length, with sequences that a terminal obeys.
    #[test]
    fn a_cell_is_quoted_short_and_plain() {
        let cell = format!("\x1b[2J\u{202e}{}", "9".repeat(100_000));
        let head = "start_s,duration_s,note,stage\n";
        for text in [
            format!("{cell},{cell},note\n"),
            format!("{head}{cell},1,C4,\n"),
            format!("{head}0,{cell},C4,\n"),
            format!("{head}0,1,{cell},\n"),
            format!("{head}0,1,C4,{cell}\n"),
            format!("{head}\"0,{cell}\",1,C4,\n"),
        ] {
            let message = refused(&text);
            assert!(message.len() < 600, "{} bytes", message.len());
            assert!(!message.contains(['\x1b', '\u{202e}']), "{message}");
        }
    }

    proptest! {
        #[test]
        fn soup_ends(soup in proptest::collection::vec(any::<u8>(), 0..400), with_head: bool) {
            let mut bytes = if with_head { b"start_s,duration_s,volts,note\n".to_vec() } else { Vec::new() };
            bytes.extend(soup);
            if let Ok(slots) = read("soup", &bytes) {
                prop_assert!(slots.windows(2).all(|pair| pair[1].start + TOUCH >= pair[0].end()));
            }
        }
    }
}
