//! Reading documents: bytes go in, a located value or a located error comes out.

use super::error::{Diagnosis, DocumentError, Place, Remark, nearest};
use super::path::Path;
use super::plan::Plan;
use super::rig::Rig;
use super::tree::{self, Content, Node, Trouble};
use super::{error, reader};
use serde::Deserialize;

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
        let found = path
            .steps()
            .iter()
            .try_fold(&self.root, |node, step| node.step(step));
        found.is_some()
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
/// # Errors
/// One located [`DocumentError`]: the first thing that keeps it from being a plan.
pub fn read_plan(file: &str, bytes: &[u8]) -> Result<Document<Plan>, DocumentError> {
    read(file, bytes, "plan")
}

/// Reads a rig. `file` is what messages call it.
///
/// # Errors
/// One located [`DocumentError`]: the first thing that keeps it from being a rig.
pub fn read_rig(file: &str, bytes: &[u8]) -> Result<Document<Rig>, DocumentError> {
    read(file, bytes, "rig")
}

fn read<T: for<'de> Deserialize<'de>>(
    file: &str,
    bytes: &[u8],
    kind: &'static str,
) -> Result<Document<T>, DocumentError> {
    let text = text(file, bytes)?;
    let read = tree::read(&text).and_then(|root| {
        header(&root, kind)?;
        let value = reader::read(&root)?;
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
        let problem = format!(
            "the file has {} bytes, and at most {LARGEST} are read",
            bytes.len()
        );
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
    let control = text
        .char_indices()
        .find(|(_, character)| character.is_control() && !matches!(character, '\n' | '\r' | '\t'));
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
    let line = text.lines().nth(trouble.place.line.saturating_sub(1));
    let Some((column, written)) = line.and_then(tree::decimal_comma) else {
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

/// Gives a trouble its file and its line, and the advice that only the line knows.
fn located(file: &str, text: &str, trouble: Trouble) -> DocumentError {
    let line = text.lines().nth(trouble.place.line.saturating_sub(1));
    let mut place = trouble.place;
    let mut advice = trouble.advice;
    if let Some(line) = line {
        let from = place.column.saturating_sub(1);
        let beside = |column: usize| column > from + 1 && column < from + 5;
        if tree::sharp_cut_off(line).is_some_and(beside) {
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
        source_line: line.map(str::to_owned),
    })
}
