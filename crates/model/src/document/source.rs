//! Reading documents: bytes go in, a located value or a located error comes out.

use super::error::{Diagnosis, DocumentError, Place, Remark, nearest};
use super::path::Path;
use super::plan::{Plan, Stage};
use super::rig::Rig;
use super::tree::{self, Content, Node, Trouble};
use super::{error, reader, slips};
use schemars::JsonSchema;
use serde::Serialize;
use serde::de::DeserializeOwned;

/// A document larger than this is not read.
pub const LARGEST: usize = 1_000_000;

/// A document that has been read: its value, its text, and where in the text each
/// part of the value stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Document<T> {
    /// What it says.
    pub value: T,
    /// The file, as it was named to the reader.
    pub file: String,
    /// Its text, without a byte order mark.
    pub text: String,
    root: Node,
}

impl<T> Document<T> {
    /// Where the value at a path stands, or the nearest one above it.
    #[must_use]
    pub fn locate(&self, path: &Path) -> Place {
        self.root.locate(path)
    }

    /// Whether something is written at a path.
    #[must_use]
    pub fn has(&self, path: &Path) -> bool {
        self.root.at(path).is_some()
    }

    /// An error about the value at a path.
    #[must_use]
    pub fn error(
        &self,
        path: &Path,
        problem: impl Into<String>,
        advice: Option<String>,
    ) -> DocumentError {
        let trouble = Trouble {
            place: self.locate(path),
            path: path.clone(),
            problem: problem.into(),
            advice,
        };
        located(&self.file, &self.text, trouble)
    }

    /// An error about the key at the end of a path, such as a name in a mapping.
    #[must_use]
    pub fn error_at_key(
        &self,
        path: &Path,
        problem: impl Into<String>,
        advice: Option<String>,
    ) -> DocumentError {
        let trouble = Trouble {
            place: self.root.locate_key(path),
            path: path.clone(),
            problem: problem.into(),
            advice,
        };
        located(&self.file, &self.text, trouble)
    }

    /// A remark about the value at a path.
    #[must_use]
    pub fn remark(
        &self,
        path: &Path,
        problem: impl Into<String>,
        advice: Option<String>,
    ) -> Remark {
        Remark(self.error(path, problem, advice))
    }
}

/// Reads a plan. `file` is what messages call it.
///
/// ```
/// let text = "
/// nightbench: plan 1
/// title: Two octaves
/// reference: C4
/// stages:
///   - sweep: {name: tracking, notes: {range: {from: C3, to: C5, step: 300 cents}}}
/// ";
/// let plan = model::document::read_plan("two-octaves.yaml", text.as_bytes())?;
/// assert_eq!(plan.value.stages[0].name(), "tracking");
///
/// let wrong = text.replace("300 cents", "3 s");
/// let error = model::document::read_plan("two-octaves.yaml", wrong.as_bytes()).unwrap_err();
/// assert_eq!(error.path.to_string(), "stages[0].sweep.notes.range.step");
/// assert_eq!(error.place.unwrap().line, 6);
/// # Ok::<(), model::document::DocumentError>(())
/// ```
///
/// # Errors
/// One located [`DocumentError`]: the first thing that keeps it from being a plan.
pub fn read_plan(file: &str, bytes: &[u8]) -> Result<Document<Plan>, DocumentError> {
    let mut document: Document<Plan> = read(file, bytes, "plan")?;
    inherit_listen(&mut document);
    Ok(document)
}

/// What a stage does not say of listening, it takes from the plan.
fn inherit_listen(document: &mut Document<Plan>) {
    let usual = document.value.listen.clone();
    for index in 0..document.value.stages.len() {
        let (word, listen) = match &document.value.stages[index] {
            Stage::Rounds(rounds) => ("rounds", &rounds.listen),
            Stage::Sweep(sweep) => ("sweep", &sweep.listen),
            Stage::Alternate(alternate) => ("alternate", &alternate.listen),
            _ => continue,
        };
        let Some(mut listen) = listen.clone() else {
            continue;
        };
        let path = Path::root()
            .then("stages")
            .then(index)
            .then(word)
            .then("listen");
        if !document.has(&path.then("settle")) {
            listen.settle = usual.settle.clone();
        }
        if !document.has(&path.then("window")) {
            listen.window = usual.window.clone();
        }
        if !document.has(&path.then("repeats")) {
            listen.repeats = usual.repeats;
        }
        let place = match &mut document.value.stages[index] {
            Stage::Rounds(rounds) => &mut rounds.listen,
            Stage::Sweep(sweep) => &mut sweep.listen,
            Stage::Alternate(alternate) => &mut alternate.listen,
            _ => continue,
        };
        *place = Some(listen);
    }
}

/// Reads a rig. `file` is what messages call it.
///
/// # Errors
/// One located [`DocumentError`]: the first thing that keeps it from being a rig.
pub fn read_rig(file: &str, bytes: &[u8]) -> Result<Document<Rig>, DocumentError> {
    read(file, bytes, "rig")
}

fn read<T: DeserializeOwned + Serialize + JsonSchema>(
    file: &str,
    bytes: &[u8],
    kind: &'static str,
) -> Result<Document<T>, DocumentError> {
    let text = text(file, bytes)?;
    let read = tree::read(&text).and_then(|root| {
        header(&root, kind)?;
        let value = reader::read(&text, &root)?;
        Ok((root, value))
    });
    match read {
        Ok((root, value)) => Ok(Document {
            value,
            file: file.to_owned(),
            text,
            root,
        }),
        Err(trouble) => Err(located(file, &text, with_decimal_point(&text, trouble))),
    }
}

/// The text of a file, if it is one.
fn text(file: &str, bytes: &[u8]) -> Result<String, DocumentError> {
    let refuse = |place: Option<Place>, problem: String, advice: &str| {
        DocumentError::from(Diagnosis {
            file: file.to_owned(),
            place,
            path: Path::root(),
            problem,
            advice: Some(advice.to_owned()),
            source_line: None,
        })
    };
    if bytes.len() > LARGEST {
        let problem = format!("the file has more than {LARGEST} bytes, and no more are read");
        return Err(refuse(None, problem, "is it really a plan or a rig?"));
    }
    if bytes.starts_with(&[0xff, 0xfe]) || bytes.starts_with(&[0xfe, 0xff]) {
        let problem = "the file is written in UTF-16".to_owned();
        return Err(refuse(None, problem, "save it as UTF-8"));
    }
    let bytes = bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes);
    let at = |valid: &str| {
        let line = valid.matches('\n').count() + 1;
        let column = valid.rsplit('\n').next().unwrap_or("").chars().count() + 1;
        Some(Place {
            line,
            column,
            width: 1,
        })
    };
    let text = std::str::from_utf8(bytes).map_err(|error| {
        let valid = String::from_utf8_lossy(&bytes[..error.valid_up_to()]).into_owned();
        let problem = "a byte here is not UTF-8".to_owned();
        refuse(at(&valid), problem, "save the file as UTF-8 text")
    })?;
    // Bytes first: nearly every document is done with that.
    let suspect = |byte: u8| byte < b' ' || byte == 0x7f || byte == 0xc2;
    let harmless = |byte: u8| matches!(byte, b'\n' | b'\r' | b'\t');
    let control = text
        .bytes()
        .any(|byte| suspect(byte) && !harmless(byte))
        .then(|| {
            text.char_indices().find(|(_, character)| {
                character.is_control() && !matches!(character, '\n' | '\r' | '\t')
            })
        })
        .flatten();
    if let Some((index, character)) = control {
        let problem = format!(
            "a control character (U+{:04X}) stands here",
            character as u32
        );
        return Err(refuse(
            at(&text[..index]),
            problem,
            "delete it; is the file text?",
        ));
    }
    Ok(text.to_owned())
}

/// The kind and version of a document, before anything else is looked at.
fn header(root: &Node, wanted: &'static str) -> Result<(), Trouble> {
    let right = format!("nightbench: {wanted} 1");
    let refuse = |place: Place, path: Path, problem: String, advice: String| {
        Err(Trouble {
            place,
            path,
            problem,
            advice: Some(advice),
        })
    };
    let Content::Mapping(entries) = &root.content else {
        let problem = format!("this is no {wanted}: expected lines like \"key: value\"");
        return refuse(
            root.place,
            Path::root(),
            problem,
            format!("begin with \"{right}\""),
        );
    };
    let Some(entry) = entries.iter().find(|entry| entry.key == "nightbench") else {
        let almost = entries
            .iter()
            .find(|entry| nearest(&entry.key, ["nightbench"]).is_some());
        let place = almost.map_or(
            Place {
                line: 1,
                column: 1,
                width: 1,
            },
            |entry| entry.key_place,
        );
        let problem = "the file does not say what it is: \"nightbench\" is missing".to_owned();
        return refuse(
            place,
            Path::root(),
            problem,
            format!("begin with \"{right}\""),
        );
    };
    let path = Path::root().then("nightbench");
    let place = entry.value.place;
    let found = match &entry.value.content {
        Content::Scalar { text, .. } => text.trim(),
        _ => "",
    };
    let mut words = found.split_whitespace();
    match (words.next(), words.next(), words.next()) {
        (Some(kind), Some("1"), None) if kind == wanted => Ok(()),
        (Some(kind @ ("plan" | "rig")), Some("1"), None) => {
            let problem = format!("this is a {kind}, and a {wanted} is wanted here");
            let advice = "are plan and rig swapped on the command line?".to_owned();
            refuse(place, path, problem, advice)
        }
        (Some("plan" | "rig"), Some(version), None)
            if version.bytes().all(|digit| digit.is_ascii_digit()) =>
        {
            let problem = format!(
                "\"{}\" is not known to this program",
                error::clipped(found, 40)
            );
            let advice = format!("it reads \"{right}\"; a newer document needs a newer program");
            refuse(place, path, problem, advice)
        }
        _ => {
            let problem = format!("\"{}\" is no kind of document", error::clipped(found, 40));
            refuse(place, path, problem, format!("write \"{right}\""))
        }
    }
}

/// Inside braces and brackets a comma separates entries, so that a decimal comma
/// is no longer seen by whoever reads the number: it is looked for in the line.
fn with_decimal_point(text: &str, trouble: Trouble) -> Trouble {
    let line = line_of(text, trouble.place.line);
    let Some((column, written)) = line.and_then(slips::decimal_comma) else {
        return trouble;
    };
    if trouble.problem.contains("decimal comma") {
        return trouble;
    }
    Trouble {
        place: Place {
            column,
            width: written.len(),
            ..trouble.place
        },
        problem: format!("\"{}\" has a decimal comma", error::clipped(&written, 20)),
        advice: Some(format!(
            "write {}",
            error::clipped(&written.replacen(',', ".", 1), 20)
        )),
        ..trouble
    }
}

/// No more of a line than this is looked at or shown.
const MOST_OF_A_LINE: usize = 10_000;

/// A line of a text, counted from 1.
fn line_of(text: &str, line: usize) -> Option<&str> {
    let line = text.lines().nth(line.saturating_sub(1))?;
    let end = (0..=line.len().min(MOST_OF_A_LINE))
        .rev()
        .find(|&end| line.is_char_boundary(end))?;
    Some(&line[..end])
}

/// Gives a trouble its file and its line, and the advice that only the line knows.
fn located(file: &str, text: &str, trouble: Trouble) -> DocumentError {
    let line = line_of(text, trouble.place.line);
    let mut place = trouble.place;
    let mut advice = trouble.advice;
    if let Some(line) = line {
        let from = place.column.saturating_sub(1);
        let beside = |column: usize| column > from + 1 && column < from + 5;
        if slips::sharp_cut_off(line).is_some_and(beside) {
            place.width = 1;
            advice = Some(
                "\" #\" begins a comment; write a sharp without a space, in quotes, like \"F#4\""
                    .to_owned(),
            );
        }
    }
    DocumentError::from(Diagnosis {
        file: file.to_owned(),
        place: Some(place),
        path: trouble.path,
        problem: trouble.problem,
        advice,
        source_line: line
            .filter(|line| place.column <= line.len() + 1)
            .map(str::to_owned),
    })
}
