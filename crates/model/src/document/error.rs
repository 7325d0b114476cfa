//! What is wrong with a document: where, what was expected, what to write instead.

use super::path::Path;
use std::fmt;

/// A place in a text: a line and a stretch of columns in it, counted from 1 in
/// characters.
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord)]
pub struct Place {
    /// The line, counted from 1.
    pub line: usize,
    /// The column in which it begins, counted from 1.
    pub column: usize,
    /// How many characters of that line it covers, at least 1.
    pub width: usize,
}

/// A document cannot be used, and why: one located error.
///
/// `Display` gives the whole diagnostic of several lines, the source line with a
/// caret among them; [`DocumentError::summary`] gives it on one line. Its parts
/// are those of [`Diagnosis`].
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct DocumentError(Box<Diagnosis>);

impl std::ops::Deref for DocumentError {
    type Target = Diagnosis;
    fn deref(&self) -> &Diagnosis {
        &self.0
    }
}

impl From<Diagnosis> for DocumentError {
    fn from(diagnosis: Diagnosis) -> Self {
        Self(Box::new(diagnosis))
    }
}

/// What is said of a document, part by part.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Diagnosis {
    /// The file, as it was named to the reader.
    pub file: String,
    /// Where in its text; absent when the file as a whole is meant.
    pub place: Option<Place>,
    /// Which field, where it is one.
    pub path: Path,
    /// What is wrong.
    pub problem: String,
    /// What to write or do instead.
    pub advice: Option<String>,
    /// The line of the text that is meant.
    pub source_line: Option<String>,
}

impl std::error::Error for DocumentError {}

impl DocumentError {
    /// `file:line:column: field: problem; advice`, on one line.
    #[must_use]
    pub fn summary(&self) -> String {
        let mut text = self.location();
        if !self.path.is_root() {
            text.push_str(&format!(" {}:", self.path));
        }
        text.push_str(&format!(" {}", self.problem));
        if let Some(advice) = &self.advice {
            text.push_str(&format!("; {advice}"));
        }
        text
    }

    fn location(&self) -> String {
        self.place.map_or_else(
            || format!("{}:", self.file),
            |place| format!("{}:{}:{}:", self.file, place.line, place.column),
        )
    }
}

impl fmt::Display for DocumentError {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.location())?;
        if !self.path.is_root() {
            write!(f, " {}:", self.path)?;
        }
        write!(f, " {}", self.problem)?;
        if let (Some(place), Some(line)) = (self.place, &self.source_line) {
            draw(f, place, line)?;
        }
        if let Some(advice) = &self.advice {
            write!(f, "\n  = {advice}")?;
        }
        Ok(())
    }
}

/// Not an error, but likely not what was meant.
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Remark(pub DocumentError);

impl fmt::Display for Remark {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "remark: {}", self.0)
    }
}

/// The widest stretch of a source line that is shown.
const SHOWN: usize = 100;

/// The source line with its number and a caret beneath.
fn draw(f: &mut fmt::Formatter<'_>, place: Place, line: &str) -> fmt::Result {
    let characters: Vec<char> = line.chars().map(visible).collect();
    let column = place.column.saturating_sub(1).min(characters.len());
    // Of a long line only the part around the caret is shown.
    let from = if characters.len() <= SHOWN {
        0
    } else {
        column.saturating_sub(SHOWN / 2)
    };
    let until = (from + SHOWN).min(characters.len());
    let shown: String = characters[from..until].iter().collect();
    let (before, after) = (
        if from > 0 { "…" } else { "" },
        if until < characters.len() { "…" } else { "" },
    );
    let number = place.line.to_string();
    let margin = " ".repeat(number.len());
    let indent = " ".repeat(column - from + before.chars().count());
    let carets = "^".repeat(place.width.clamp(1, (until - column).max(1)));
    write!(
        f,
        "\n {margin} |\n {number} | {before}{shown}{after}\n {margin} | {indent}{carets}"
    )
}

/// Characters that would move the caret or the terminal are drawn as a space.
fn visible(character: char) -> char {
    if character.is_control() {
        ' '
    } else {
        character
    }
}

/// The text cut to a length that still fits a message.
pub(super) fn clipped(text: &str, most: usize) -> String {
    match text.char_indices().nth(most) {
        None => text.to_owned(),
        Some((end, _)) => format!("{}…", &text[..end]),
    }
}

/// The known word nearest to a wrong one, if it is near enough to be meant.
#[must_use]
pub fn nearest<'a>(word: &str, known: impl IntoIterator<Item = &'a str>) -> Option<&'a str> {
    let word: String = word
        .chars()
        .take(64)
        .collect::<String>()
        .to_lowercase()
        .replace(['-', ' '], "_");
    known
        .into_iter()
        .map(|candidate| {
            let plain = candidate.to_lowercase().replace(['-', ' '], "_");
            (strsim::damerau_levenshtein(&word, &plain), candidate)
        })
        .filter(|(distance, candidate)| {
            *distance <= (candidate.chars().count().max(word.chars().count()) / 3).max(1)
        })
        .min_by_key(|(distance, _)| *distance)
        .map(|(_, candidate)| candidate)
}

/// `a`, `a or b`, `a, b or c`.
pub(super) fn one_of<'a>(words: impl IntoIterator<Item = &'a str>) -> String {
    let words: Vec<&str> = words.into_iter().collect();
    match words.as_slice() {
        [] => "nothing".to_owned(),
        [only] => (*only).to_owned(),
        [most @ .., last] => format!("{} or {last}", most.join(", ")),
    }
}

/// Advice about a wrong word: the nearest right one, else all of them.
pub(super) fn instead_of<'a>(
    word: &str,
    known: impl IntoIterator<Item = &'a str> + Clone,
) -> String {
    nearest(word, known.clone()).map_or_else(
        || format!("expected {}", one_of(known)),
        |right| format!("did you mean {right}?"),
    )
}
