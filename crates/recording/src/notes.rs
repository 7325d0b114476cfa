//! The notes of a recording, and what can be wrong with them.

use crate::table::{LARGEST, MOST, SHORTEST};
use model::pitch::AskedNote;
use model::quantity::Volts;
use std::fmt;

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
    /// When it ends, in seconds from the beginning of the file.
    #[must_use]
    pub fn end(&self) -> f64 {
        self.start + self.lasts
    }
}

/// A number of seconds or volts for a message.
pub(crate) fn number(value: f64) -> String {
    let text = format!("{value:.3}");
    text.trim_end_matches('0').trim_end_matches('.').to_owned()
}

/// A place in a table of notes.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Place {
    /// The table, as it was named.
    pub file: String,
    /// The line, counted from 1; absent where the table as a whole is meant.
    pub line: Option<u64>,
    /// The column, where one is meant.
    pub column: Option<Column>,
}

impl fmt::Display for Place {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.file)?;
        if let Some(line) = self.line {
            write!(f, ":{line}")?;
        }
        match self.column {
            Some(column) => write!(f, ", column {}", column.name()),
            None => Ok(()),
        }
    }
}

/// A column of a table of notes.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Column {
    /// When a note begins.
    Start,
    /// How long it sounds.
    Duration,
    /// Its control voltage.
    Volts,
    /// Its name or frequency.
    Note,
    /// The stage of the plan it belongs to.
    Stage,
}

impl Column {
    /// What its first line says.
    #[must_use]
    pub const fn name(self) -> &'static str {
        match self {
            Self::Start => "start_s",
            Self::Duration => "duration_s",
            Self::Volts => "volts",
            Self::Note => "note",
            Self::Stage => "stage",
        }
    }

    /// What stands in it, for whoever has left it out.
    const fn meaning(self) -> &'static str {
        match self {
            Self::Start => "when a note begins, in seconds from the beginning of the file",
            Self::Duration => "how long it sounds, in seconds",
            Self::Volts => "the control voltage",
            Self::Note => "like C4; or volts, the control voltage",
            Self::Stage => "the stage of the plan",
        }
    }
}

/// What is wrong with a table of notes, in words that follow its [`Place`]. What a stranger
/// wrote is quoted short and plain.
#[derive(Debug, thiserror::Error)]
pub enum TableError {
    /// More than [`LARGEST_TABLE`](crate::LARGEST_TABLE).
    #[error("it has more than {LARGEST} bytes; is it really a table of notes?")]
    TooLarge,
    /// A recording of a week, a note every half second, has fewer.
    #[error("more than {MOST} notes")]
    TooManyNotes,
    /// Nothing at all.
    #[error("the file is empty; its first line must name the columns: start_s,duration_s,note")]
    Empty,
    /// Nothing below the first line.
    #[error("there is no note below the line of names")]
    NoNote,
    /// Bytes that are no text.
    #[error("this is no text in UTF-8; save the table as CSV, UTF-8")]
    NoText,
    /// Text that is no table.
    #[error(transparent)]
    NoTable(csv::Error),
    /// As spreadsheets write it where numbers have a decimal comma.
    #[error(
        "columns are separated by semicolons; write commas between columns and points in numbers (start_s,duration_s,note)"
    )]
    Semicolons,
    /// A column is missing.
    #[error("there is no column {} ({}); the columns here are {there}", .column.name(), .column.meaning())]
    NoColumn {
        /// Which one.
        column: Column,
        /// The names that are there.
        there: String,
    },
    /// A column is there twice: its name.
    #[error("there are two columns {0}")]
    TwoColumns(String),
    /// A line with more or fewer columns than the first.
    #[error("this line has {}", width(*.found, *.names))]
    Width {
        /// How many it has.
        found: usize,
        /// How many the first line has.
        names: usize,
    },
    /// A note before the one above it.
    #[error("this note begins at {} s; notes must stand in the order of time", number(*.start))]
    OutOfOrder {
        /// When it begins, in seconds.
        start: f64,
    },
    /// A note that begins before the one above it has ended.
    #[error(
        "this note begins at {} s; it overlaps the note of {before}, which lasts until {} s",
        number(*.start),
        number(*.until)
    )]
    Overlaps {
        /// When it begins, in seconds.
        start: f64,
        /// Where the one above it stands.
        before: String,
        /// When that one ends, in seconds.
        until: f64,
    },
    /// An empty cell.
    #[error("a number is missing")]
    NumberMissing,
    /// NaN or infinite, as it is written.
    #[error("\"{0}\" is no number that can be used")]
    NotFinite(String),
    /// A number that would be one with a point.
    #[error("\"{written}\" has a decimal comma; write {meant}")]
    DecimalComma {
        /// As it is written.
        written: String,
        /// As it should be.
        meant: String,
    },
    /// No number, as it is written.
    #[error("\"{0}\" is no number; write it like 0.5, without a unit")]
    NoNumber(String),
    /// A negative start.
    #[error("a note cannot begin before the recording does")]
    BeforeTheRecording,
    /// Too few periods to be measured.
    #[error("a note must last at least {SHORTEST} s; a shorter one cannot be measured")]
    TooShort,
    /// Neither a note nor volts.
    #[error("which note sounds here is missing")]
    NoteMissing,
    /// Beyond any control voltage.
    #[error("a control voltage of more than 100 V cannot be meant")]
    TooManyVolts,
    /// Not the name of a note: why.
    #[error("{0}")]
    NoSuchNote(String),
    /// Two answers to one question.
    #[error("either volts or note, not both in one line")]
    VoltsAndNote,
    /// Too long for the name of a stage, as it is written.
    #[error("\"{0}\" is no name of a stage; one has at most 80 characters")]
    StageName(String),
}

fn width(found: usize, names: usize) -> String {
    let columns = match found {
        1 => "one column".to_owned(),
        _ => format!("{found} columns"),
    };
    let advice = if found > names {
        "if numbers are written with a decimal comma, write 0.5 and not 0,5"
    } else {
        "leave a value that is not needed empty, but keep its comma"
    };
    format!("{columns} and the line of names {names}; {advice}")
}

/// Why notes do not fit the recording or the plan.
#[derive(Debug, thiserror::Error)]
pub enum NotesError {
    /// There is none.
    #[error("there is no note")]
    None,
    /// A note lasts longer than the recording.
    #[error(
        "{place}: this note lasts until {} s, and {file} ends after {} s; leave it out, or is it the table of another recording?",
        number(*.until),
        number(*.ends)
    )]
    PastTheEnd {
        /// Where the note stands.
        place: String,
        /// When it ends, in seconds.
        until: f64,
        /// The sound file, as it was named.
        file: String,
        /// When that ends, in seconds.
        ends: f64,
    },
    /// A stage is named, and there is no plan.
    #[error("{place}: stages can be named only together with a --plan that has them")]
    StageWithoutPlan {
        /// Where the note stands.
        place: String,
    },
    /// The plan has no stage for notes.
    #[error(
        "the plan \"{plan}\" has no stage that a table of notes can belong to (rounds, sweep or alternate)"
    )]
    NoStage {
        /// The title of the plan.
        plan: String,
    },
    /// The plan has no stage of that name.
    #[error("{place}: the plan \"{plan}\" has no measuring stage \"{wanted}\"; it has {there}")]
    UnknownStage {
        /// Where the note stands.
        place: String,
        /// The title of the plan.
        plan: String,
        /// The stage named.
        wanted: String,
        /// The stages that it has.
        there: String,
    },
    /// The plan has several stages, and none is named.
    #[error(
        "{place}: the plan \"{plan}\" has several stages ({there}), so the table needs a column stage that says to which each note belongs"
    )]
    WhichStage {
        /// Where the note stands.
        place: String,
        /// The title of the plan.
        plan: String,
        /// The stages that it has.
        there: String,
    },
    /// Notes of another stage stand between those of one.
    #[error("{place}: the notes of stage \"{stage}\" do not stand together")]
    Scattered {
        /// Where the first note stands that is apart.
        place: String,
        /// The stage.
        stage: String,
    },
    /// More notes than a round can count.
    #[error(
        "{place}: more than {} different notes in a row cannot be one round",
        u16::MAX
    )]
    TooManyInARound {
        /// Where the first of them stands.
        place: String,
    },
}
