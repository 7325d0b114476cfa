//! Why a type refused a value of a document, in words for whoever wrote it.

use super::error::{Place, clipped, instead_of};
use super::path::{Path, Step};
use super::tree::{Content, Kind, Node};
use serde::de::{self, Unexpected};
use std::fmt;

/// Why a type refused a value; the place is filled in on the way up.
#[derive(Debug)]
pub(super) struct Refusal {
    pub place: Option<Place>,
    pub path: Path,
    pub problem: String,
    pub advice: Option<String>,
}

impl Refusal {
    pub(super) fn new(problem: impl Into<String>, advice: Option<String>) -> Self {
        Self {
            place: None,
            path: Path::root(),
            problem: problem.into(),
            advice,
        }
    }
    pub(super) fn found_at(&mut self, place: Place) {
        self.place.get_or_insert(place);
    }
    pub(super) fn at(mut self, place: Place) -> Self {
        self.found_at(place);
        self
    }
    pub(super) fn below(mut self, place: Place, step: Step) -> Self {
        self.found_at(place);
        self.path.prepend(step);
        self
    }
}

impl fmt::Display for Refusal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.problem)
    }
}

impl std::error::Error for Refusal {}

impl de::Error for Refusal {
    fn custom<T: fmt::Display>(message: T) -> Self {
        Self::new(clipped(&message.to_string(), 400), None)
    }
    fn invalid_type(found: Unexpected<'_>, expected: &dyn de::Expected) -> Self {
        Self::new(
            format!("expected {expected}, found {}", described(&found)),
            None,
        )
    }
    fn invalid_value(found: Unexpected<'_>, expected: &dyn de::Expected) -> Self {
        Self::invalid_type(found, expected)
    }
    fn invalid_length(length: usize, expected: &dyn de::Expected) -> Self {
        Self::new(format!("expected {expected}, found {length}"), None)
    }
    fn unknown_variant(word: &str, known: &'static [&'static str]) -> Self {
        let advice = instead_of(word, known.iter().copied());
        let problem = format!(
            "\"{}\" is not one of the words that can stand here",
            clipped(word, 40)
        );
        Self::new(problem, Some(advice))
    }
    fn unknown_field(word: &str, known: &'static [&'static str]) -> Self {
        let problem = format!("there is no key \"{}\" here", clipped(word, 40));
        if known.is_empty() {
            return Self::new(problem, Some("nothing can be set here".to_owned()));
        }
        Self::new(problem, Some(instead_of(word, known.iter().copied())))
    }
    fn missing_field(field: &'static str) -> Self {
        let advice = format!("add \"{field}: ...\"");
        Self::new(format!("\"{field}\" is missing"), Some(advice))
    }
    fn duplicate_field(field: &'static str) -> Self {
        Self::new(format!("\"{field}\" is written twice"), None)
    }
}

fn described(found: &Unexpected<'_>) -> String {
    match found {
        Unexpected::Map => "a mapping".to_owned(),
        Unexpected::Seq => "a list".to_owned(),
        Unexpected::Unit => "nothing".to_owned(),
        Unexpected::Str(text) => format!("\"{}\"", clipped(text, 40)),
        Unexpected::Bool(value) => format!("{value}"),
        Unexpected::Unsigned(number) => format!("{number}"),
        Unexpected::Signed(number) => format!("{number}"),
        other => other.to_string(),
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
            kind: Kind::Integer | Kind::Number | Kind::YesNo(_),
        } => clipped(text, 40),
        Content::Scalar { text, .. } => format!("\"{}\"", clipped(text, 40)),
    }
}
