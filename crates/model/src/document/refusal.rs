//! Why a type refused a value of a document.
//!
//! `serde_yaml` gives the reason as a sentence in the standard words of serde
//! (`serde::de::Error`); here it is taken apart again.

use super::error::clipped;
use super::path::{Path, Step};
use super::tree::{Content, Kind, Node};
use std::fmt;

/// Why a type refused a value.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Reason {
    /// A key that must be there is not.
    MissingField(String),
    /// A key, and those that are known.
    UnknownField(String, Vec<String>),
    /// A word, and those that are known.
    UnknownVariant(String, Vec<String>),
    /// Several keys where one thing only can stand.
    OneOnly,
    /// A word alone has settings.
    NoSettings,
    /// A word with settings stands alone.
    NeedsSettings,
    /// A list is too long or too short.
    Length(String, Expected),
    /// Something else is expected.
    Expected(Expected),
    /// In the words of whoever refused it.
    Other(String),
}

impl Reason {
    pub(super) fn of(error: &serde_yaml::Error, path: &Path) -> Self {
        let message = message(error, path);
        let quoted = |rest: &str| {
            let words = rest.split('`').skip(1).step_by(2);
            words.map(str::to_owned).collect::<Vec<_>>()
        };
        if let Some(rest) = message.strip_prefix("missing field `") {
            return Self::MissingField(rest.trim_end_matches('`').to_owned());
        }
        // The wrong word may itself hold anything; what follows it does not.
        let wrong = |rest: &str| {
            let (word, known) = rest
                .rsplit_once("`, expected ")
                .or_else(|| rest.rsplit_once("`, there are no "))?;
            Some((word.to_owned(), quoted(known)))
        };
        if let Some((word, known)) = message.strip_prefix("unknown field `").and_then(wrong) {
            return Self::UnknownField(word, known);
        }
        if let Some((word, known)) = message.strip_prefix("unknown variant `").and_then(wrong) {
            return Self::UnknownVariant(word, known);
        }
        let Some((found, expected)) = message.rsplit_once(", expected ") else {
            return Self::Other(message);
        };
        if let Some(length) = found.strip_prefix("invalid length ") {
            return Self::Length(length.to_owned(), Expected::of(expected));
        }
        if !found.starts_with("invalid type: ") && !found.starts_with("invalid value: ") {
            return Self::Other(message);
        }
        match expected {
            "map with a single key" => Self::OneOnly,
            "unit variant" => Self::NoSettings,
            "newtype variant" | "struct variant" | "tuple variant" => Self::NeedsSettings,
            _ => Self::Expected(Expected::of(expected)),
        }
    }
}

/// What the library says, without its own path in front and its place behind.
fn message(error: &serde_yaml::Error, path: &Path) -> String {
    let mut message = error.to_string();
    if let Some(at) = error.location() {
        let place = format!(" at line {} column {}", at.line(), at.column());
        message = message.strip_suffix(&place).unwrap_or(&message).to_owned();
    }
    // It may stand at the value or at something above it.
    let mut prefix = String::new();
    let mut prefixes = Vec::new();
    for step in path.steps() {
        match step {
            Step::Index(index) => prefix.push_str(&format!("[{index}]")),
            Step::Key(key) if prefix.is_empty() => prefix.push_str(key),
            Step::Key(key) => prefix.push_str(&format!(".{key}")),
        }
        prefixes.push(format!("{prefix}: "));
    }
    prefixes
        .iter()
        .rev()
        .find_map(|prefix| message.strip_prefix(prefix.as_str()))
        .unwrap_or(&message)
        .to_owned()
}

/// What a type expected.
#[derive(Debug, Clone, PartialEq)]
pub(super) enum Expected {
    /// A whole number within limits, where they are worth saying.
    Integer(Option<(i64, i64)>),
    /// A number.
    Number,
    /// A yes or no.
    YesNo,
    /// A text.
    Text,
    /// A list.
    List,
    /// A list so long.
    ListOf(String),
    /// A mapping with names of the writer's own.
    Names,
    /// A mapping with certain keys.
    Struct,
    /// One of certain words.
    Enum,
    /// In the words of the type.
    Other(String),
}

impl Expected {
    /// From the words in which serde's own types and `derive` say it.
    fn of(expected: &str) -> Self {
        let count = |text: &str| {
            text.split(' ')
                .find(|word| word.parse::<usize>().is_ok())
                .map(str::to_owned)
        };
        match expected {
            "u8" => Self::Integer(Some((0, u8::MAX.into()))),
            "u16" => Self::Integer(Some((0, u16::MAX.into()))),
            "u32" => Self::Integer(Some((0, u32::MAX.into()))),
            "i8" => Self::Integer(Some((i8::MIN.into(), i8::MAX.into()))),
            "i16" => Self::Integer(Some((i16::MIN.into(), i16::MAX.into()))),
            "i32" => Self::Integer(Some((i32::MIN.into(), i32::MAX.into()))),
            "u64" | "i64" | "usize" | "isize" => Self::Integer(None),
            "f32" | "f64" => Self::Number,
            "a boolean" => Self::YesNo,
            "a string" => Self::Text,
            "a sequence" => Self::List,
            "a map" => Self::Names,
            _ if expected.starts_with("enum ") => Self::Enum,
            _ if expected.starts_with("struct ") => Self::Struct,
            _ => match count(expected) {
                Some(count)
                    if expected.starts_with("an array of length ")
                        || expected.starts_with("sequence of ") =>
                {
                    Self::ListOf(count)
                }
                _ => Self::Other(expected.to_owned()),
            },
        }
    }

    /// A better word for what is wrong, where there is one, and what to write, when
    /// something else than a number is a slip of the pen.
    pub(super) fn slip(&self, node: &Node) -> Option<(Option<String>, String)> {
        let Content::Scalar { text, kind } = &node.content else {
            return None;
        };
        let finite = |text: &str| text.parse::<f64>().ok().filter(|number| number.is_finite());
        let whole = text.parse::<i128>().ok();
        let quoted = *kind == Kind::Text;
        match self {
            Self::Integer(_) if quoted && whole.is_some() => {
                Some((None, "leave out the quotes".to_owned()))
            }
            Self::Number if quoted && finite(text).is_some() => {
                Some((None, "leave out the quotes".to_owned()))
            }
            // Zeros in front make the library take it for a text.
            Self::Integer(_) | Self::Number if *kind == Kind::Number && whole.is_some() => {
                let whole = whole?;
                let advice = if text.trim_start_matches(['-', '+']).starts_with('0') {
                    format!("write {whole}")
                } else if whole < 0 {
                    "write a number nearer to 0".to_owned()
                } else {
                    "write a smaller number".to_owned()
                };
                Some((None, advice))
            }
            Self::Number if text.contains(',') => {
                let instead = finite(&text.replacen(',', ".", 1))?;
                let problem = format!("\"{}\" has a decimal comma", clipped(text, 40));
                Some((Some(problem), format!("write {instead}")))
            }
            _ => None,
        }
    }
}

impl fmt::Display for Expected {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Integer(Some((lowest, highest))) => {
                return write!(f, "a whole number from {lowest} to {highest}");
            }
            Self::ListOf(count) => return write!(f, "a list of {count}"),
            Self::Integer(None) => "a whole number",
            Self::Number => "a number",
            Self::YesNo => "true or false",
            Self::Text => "a text",
            Self::List => "a list",
            Self::Names => "names, each with its settings",
            Self::Struct => "a mapping",
            Self::Enum => "a word",
            Self::Other(expected) => expected,
        })
    }
}

/// `a`, `a and b`, `a, b and c`.
pub(super) fn and(words: &[&str]) -> String {
    match words {
        [most @ .., last] if !most.is_empty() => format!("{} and {last}", most.join(", ")),
        _ => words.concat(),
    }
}

/// What a value is, in a message.
pub(super) fn what(node: &Node) -> String {
    match &node.content {
        Content::List(_) => "a list".to_owned(),
        Content::Mapping(entries) if entries.is_empty() => "an empty mapping".to_owned(),
        Content::Mapping(entries) => {
            let keys: Vec<String> = entries
                .iter()
                .take(3)
                .map(|entry| clipped(&entry.key, 20))
                .collect();
            let more = if entries.len() > 3 { " ..." } else { "" };
            format!("a mapping ({}{more})", keys.join(", "))
        }
        Content::Scalar {
            kind: Kind::Nothing,
            ..
        } => "nothing".to_owned(),
        Content::Scalar {
            text,
            kind: Kind::Integer | Kind::Number | Kind::YesNo,
        } => clipped(text, 40),
        Content::Scalar { text, .. } => format!("\"{}\"", clipped(text, 40)),
    }
}
