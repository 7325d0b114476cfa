//! When which note sounded in a recording: a table with a line for each note.

use crate::exit::Failure;
use csv::{ReaderBuilder, StringRecord, Trim};
use model::excerpt;
use model::pitch::AskedNote;
use model::quantity::Volts;

/// A recording of a week, a note every half second, has about a million.
const MOST: usize = 1_000_000;

/// A table of more bytes than this is none: so many notes with a hundred bytes each.
pub const LARGEST: usize = 100 * MOST;

/// A note shorter than this has too few periods to be measured, in seconds.
const SHORTEST: f64 = 0.05;

/// Notes may touch: what two roundings to a millisecond make.
const TOUCH: f64 = 1.5e-3;

/// A note of a recording: when it sounds, and what it should be.
#[derive(Debug, Clone, PartialEq)]
pub struct Slot {
    /// Where it stands, for messages.
    pub place: String,
    /// When the note was played, in seconds from the beginning of the file.
    pub start: f64,
    /// How long it sounds, in seconds.
    pub lasts: f64,
    /// What was asked for.
    pub asked: AskedNote,
    /// The control voltage itself, where it was recorded.
    pub measured: Option<Volts>,
    /// The stage of the plan it belongs to, where the table says so.
    pub stage: Option<String>,
}

impl Slot {
    /// When it ends.
    pub fn end(&self) -> f64 {
        self.start + self.lasts
    }
}

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
pub fn read(name: &str, bytes: &[u8]) -> Result<Vec<Slot>, Failure> {
    if bytes.len() > LARGEST {
        return Err(Failure::input(format!(
            "{name}: it has more than {LARGEST} bytes; is it really a table of notes?"
        )));
    }
    // Spreadsheets put a mark at the beginning.
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let mut reader = ReaderBuilder::new()
        .trim(Trim::All)
        .flexible(true)
        .has_headers(false)
        .from_reader(bytes);
    let mut records = reader.records();
    let mut columns: Option<Columns> = None;
    let mut width = 0;
    let mut slots: Vec<Slot> = Vec::new();
    for record in &mut records {
        let record = record.map_err(|error| unreadable(name, &error))?;
        let line = record.position().map_or(0, |at| line_of(bytes, at));
        if record.iter().all(str::is_empty) {
            continue;
        }
        let Some(columns) = &columns else {
            width = record.len();
            columns = Some(header(name, line, &record)?);
            continue;
        };
        if record.len() != width {
            return Err(Failure::input(format!(
                "{name}:{line}: this line has {} and the line of names {width}; {}",
                counted(record.len(), "column"),
                if record.len() > width {
                    "if numbers are written with a decimal comma, write 0.5 and not 0,5"
                } else {
                    "leave a value that is not needed empty, but keep its comma"
                }
            )));
        }
        let slot = slot(name, line, columns, &record)?;
        if let Some(before) = slots.last()
            && slot.start + TOUCH < before.end()
        {
            let why = if slot.start < before.start {
                "notes must stand in the order of time".to_owned()
            } else {
                format!(
                    "it overlaps the note of {}, which lasts until {} s",
                    before.place,
                    number(before.end())
                )
            };
            return Err(wrong(
                name,
                line,
                "start_s",
                &format!("this note begins at {} s; {why}", number(slot.start)),
            ));
        }
        slots.push(slot);
        if slots.len() > MOST {
            return Err(Failure::input(format!("{name}: more than {MOST} notes")));
        }
    }
    if columns.is_none() {
        return Err(Failure::input(format!(
            "{name}: the file is empty; its first line must name the columns: start_s,duration_s,note"
        )));
    }
    if slots.is_empty() {
        return Err(Failure::input(format!(
            "{name}: there is no note below the line of names"
        )));
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

/// So many of something, in words where it is one.
pub fn counted(count: usize, what: &str) -> String {
    match count {
        1 => format!("one {what}"),
        _ => format!("{count} {what}s"),
    }
}

/// A number of seconds for a message.
pub fn number(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// What stands in a cell, for a message.
fn cell(text: &str) -> String {
    excerpt(text, 40)
}

fn wrong(name: &str, line: u64, column: &str, why: &str) -> Failure {
    Failure::input(format!("{name}:{line}, column {column}: {why}"))
}

fn unreadable(name: &str, error: &csv::Error) -> Failure {
    let line = error.position().map_or(0, csv::Position::line);
    match error.kind() {
        csv::ErrorKind::Utf8 { .. } => Failure::input(format!(
            "{name}:{line}: this is no text in UTF-8; save the table as CSV, UTF-8"
        )),
        _ => Failure::input(format!("{name}:{line}: {error}")),
    }
}

fn header(name: &str, line: u64, record: &StringRecord) -> Result<Columns, Failure> {
    let at = |wanted: &str| {
        record
            .iter()
            .position(|column| column.eq_ignore_ascii_case(wanted))
    };
    if record.len() == 1 && record.get(0).is_some_and(|names| names.contains(';')) {
        return Err(Failure::input(format!(
            "{name}:{line}: columns are separated by semicolons; write commas between columns and points in numbers (start_s,duration_s,note)"
        )));
    }
    let needed = |wanted: &str, what: &str| {
        at(wanted).ok_or_else(|| {
            let there: Vec<String> = record.iter().take(20).map(cell).collect();
            Failure::input(format!(
                "{name}:{line}: there is no column {wanted} ({what}); the columns here are {}",
                there.join(", ")
            ))
        })
    };
    for (place, column) in record.iter().enumerate() {
        if !column.is_empty() && at(column) != Some(place) {
            return Err(Failure::input(format!(
                "{name}:{line}: there are two columns {}",
                cell(column)
            )));
        }
    }
    let columns = Columns {
        start: needed(
            "start_s",
            "when a note begins, in seconds from the beginning of the file",
        )?,
        lasts: needed("duration_s", "how long it sounds, in seconds")?,
        volts: at("volts"),
        note: at("note"),
        stage: at("stage"),
    };
    if columns.volts.is_none() && columns.note.is_none() {
        needed("note", "like C4; or volts, the control voltage")?;
    }
    Ok(columns)
}

fn slot(name: &str, line: u64, columns: &Columns, record: &StringRecord) -> Result<Slot, Failure> {
    let text = |column: Option<usize>| column.and_then(|column| record.get(column)).unwrap_or("");
    let value = |column: &str, text: &str| -> Result<f64, Failure> {
        if text.is_empty() {
            return Err(wrong(name, line, column, "a number is missing"));
        }
        match text.parse::<f64>() {
            Ok(value) if value.is_finite() => Ok(value),
            Ok(_) => Err(wrong(
                name,
                line,
                column,
                &format!("\"{}\" is no number that can be used", cell(text)),
            )),
            Err(_) if text.replace(',', ".").parse::<f64>().is_ok() => Err(wrong(
                name,
                line,
                column,
                &format!(
                    "\"{}\" has a decimal comma; write {}",
                    cell(text),
                    cell(&text.replace(',', "."))
                ),
            )),
            Err(_) => Err(wrong(
                name,
                line,
                column,
                &format!(
                    "\"{}\" is no number; write it like 0.5, without a unit",
                    cell(text)
                ),
            )),
        }
    };
    let start = value("start_s", text(Some(columns.start)))?;
    let lasts = value("duration_s", text(Some(columns.lasts)))?;
    if start < 0.0 {
        return Err(wrong(
            name,
            line,
            "start_s",
            "a note cannot begin before the recording does",
        ));
    }
    if lasts < SHORTEST {
        return Err(wrong(
            name,
            line,
            "duration_s",
            &format!("a note must last at least {SHORTEST} s; a shorter one cannot be measured"),
        ));
    }
    let asked = match (text(columns.volts), text(columns.note)) {
        ("", "") => {
            return Err(wrong(
                name,
                line,
                if columns.note.is_some() {
                    "note"
                } else {
                    "volts"
                },
                "which note sounds here is missing",
            ));
        }
        (volts, "") => {
            let volts = value("volts", volts)?;
            let volts = Volts::new(volts)
                .ok()
                .filter(|volts| volts.get().abs() <= 100.0)
                .ok_or_else(|| {
                    wrong(
                        name,
                        line,
                        "volts",
                        "a control voltage of more than 100 V cannot be meant",
                    )
                })?;
            AskedNote::Voltage(volts)
        }
        ("", note) => note
            .parse()
            .map_err(|error: model::pitch::AskedNoteError| {
                wrong(name, line, "note", &excerpt(&error.to_string(), 200))
            })?,
        _ => {
            return Err(wrong(
                name,
                line,
                "note",
                "either volts or note, not both in one line",
            ));
        }
    };
    let stage = text(columns.stage);
    if stage.chars().count() > 80 {
        return Err(wrong(
            name,
            line,
            "stage",
            &format!(
                "\"{}\" is no name of a stage; one has at most 80 characters",
                cell(stage)
            ),
        ));
    }
    Ok(Slot {
        place: format!("{name}:{line}"),
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
        read("notes.csv", text.as_bytes()).unwrap_err().message
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
