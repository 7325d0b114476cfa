//! From the text of a document to its types: `serde_yaml` reads it, and
//! `serde_path_to_error` says at which field it went wrong; where that stands in
//! the text, the tree knows.
//!
//! Enums are externally tagged: a word alone, or a mapping with one key.

use super::demanded;
use super::error::{Place, clipped, instead_of, one_of};
use super::path::{Path, Step};
use super::refusal::{Expected, Reason, and, what};
use super::schema;
use super::tree::{Content, Kind, Node, Trouble};
use schemars::JsonSchema;
use serde::de::DeserializeOwned;
use serde::{Deserializer, Serialize};
use serde_json::Value as Kept;
use serde_path_to_error::{Segment, Track};
use serde_yaml::Value;
use std::cell::LazyCell;

/// Reads a type from a text, whose tree is given.
pub(super) fn read<T: DeserializeOwned + Serialize + JsonSchema>(
    text: &str,
    root: &Node,
) -> Result<T, Trouble> {
    let spelt_out = root.has_empty_place().then(|| with_null(text)).flatten();
    let source = spelt_out.as_deref().unwrap_or(text);
    let (path, error) = match typed::<T, _>(serde_yaml::Deserializer::from_str(source)) {
        Ok(value) => {
            let kept = serde_json::to_value(&value).unwrap_or(Kept::Null);
            let trouble = taken_loosely(root, &kept, &Path::root())
                .or_else(|| out_of_range::<T>(root, &kept));
            return trouble.map_or(Ok(value), Err);
        }
        Err(failed) => failed,
    };
    let reason = Reason::of(&error, &path);
    let of_the_text = matches!(reason, Reason::Other(_)) && path.is_root();
    let explanation = Explanation {
        root,
        document: LazyCell::new(|| serde_yaml::from_str(text).ok()),
    };
    let mut trouble = explanation.of::<T>(reason, path);
    // What the library has against the text itself has a place, and no path.
    if let Some(location) = error.location().filter(|_| of_the_text) {
        trouble.place = Place {
            line: location.line(),
            column: location.column(),
            width: 1,
        };
    }
    Err(trouble)
}

/// The text with `null` where nothing is written: the library takes an empty place
/// for an empty list or mapping, and a `null` for what it is.
fn with_null(text: &str) -> Option<String> {
    let document: Value = serde_yaml::from_str(text).ok()?;
    serde_yaml::to_string(&document).ok()
}

fn typed<'de, T: DeserializeOwned, D: Deserializer<'de>>(
    deserializer: D,
) -> Result<T, (Path, D::Error)> {
    let mut track = Track::new();
    let deserializer = serde_path_to_error::Deserializer::new(deserializer, &mut track);
    serde_yaml::with::singleton_map_recursive::deserialize(deserializer).map_err(|error| {
        let path = track.path();
        let steps = path.iter().map(|segment| match segment {
            Segment::Seq { index } => Step::Index(*index),
            Segment::Map { key } | Segment::Enum { variant: key } => Step::Key(key.clone()),
            Segment::Unknown => Step::Key("?".to_owned()),
        });
        let path = steps.fold(Path::root(), |path, step| path.then(step));
        (path, error)
    })
}

/// The library takes any plain word where a text is expected, and numbers that are
/// none. What was kept shows where it did.
fn taken_loosely(node: &Node, kept: &Kept, path: &Path) -> Option<Trouble> {
    let refuse = |problem: String, advice: Option<String>| {
        Some(Trouble {
            place: node.place,
            path: path.clone(),
            problem,
            advice,
        })
    };
    match (&node.content, kept) {
        (Content::Mapping(entries), Kept::Object(kept)) => entries.iter().find_map(|entry| {
            let path = path.then(&entry.key);
            taken_loosely(&entry.value, kept.get(&entry.key)?, &path)
        }),
        (Content::List(items), Kept::Array(kept)) => {
            let mut both = items.iter().zip(kept).enumerate();
            both.find_map(|(index, (node, kept))| taken_loosely(node, kept, &path.then(index)))
        }
        (Content::Scalar { kind, .. }, Kept::Null) if *kind != Kind::Nothing => {
            refuse(format!("expected a number, found {}", what(node)), None)
        }
        (Content::Scalar { kind, .. }, Kept::String(_)) if *kind == Kind::Nothing => {
            refuse("expected a text, found nothing".to_owned(), None)
        }
        (Content::Scalar { text, kind }, Kept::String(kept)) if *kind != Kind::Text => {
            let problem = format!("a text is expected, and YAML reads {text} as something else");
            let advice = format!("put it in quotes: \"{text}\"");
            (kept == text).then(|| refuse(problem, Some(advice)))?
        }
        _ => None,
    }
}

/// The types take any number that fits into them; the schema knows what is allowed.
fn out_of_range<T: JsonSchema>(root: &Node, kept: &Kept) -> Option<Trouble> {
    let schema = schema::of::<T>();
    let beyond = demanded::beyond(&schema, root, kept)?;
    let node = root.at(&beyond.path);
    let found = node.map_or_else(|| "another".to_owned(), what);
    Some(Trouble {
        place: root.locate(&beyond.path),
        problem: format!("expected {}, found {found}", beyond.expected),
        advice: None,
        path: beyond.path,
    })
}

fn keys(words: &[&str]) -> String {
    let keys = if words.len() == 1 { "key" } else { "keys" };
    format!("a mapping with the {keys} {}", and(words))
}

/// What the library says, as whoever wrote the document needs it.
struct Explanation<'a, F> {
    root: &'a Node,
    document: LazyCell<Option<Value>, F>,
}

impl<F: FnOnce() -> Option<Value>> Explanation<'_, F> {
    fn of<T: DeserializeOwned + JsonSchema>(&self, reason: Reason, path: Path) -> Trouble {
        let at = |path: Path, problem: String, advice: Option<String>| Trouble {
            place: self.root.locate(&path),
            path,
            problem,
            advice,
        };
        let node = self.root.at(&path);
        match reason {
            Reason::MissingField(field) => {
                let schema = schemars::schema_for!(T).to_value();
                let missing = demanded::missing(&schema, self.root, &path, &field);
                let each = |write: fn(&String) -> String| {
                    let written: Vec<String> = missing.iter().map(write).collect();
                    and(&written.iter().map(String::as_str).collect::<Vec<_>>())
                };
                let keys = each(|key| format!("\"{key}\""));
                let verb = if missing.len() == 1 { "is" } else { "are" };
                at(
                    path,
                    format!("{keys} {verb} missing"),
                    Some(format!("add {}", each(|key| format!("\"{key}: ...\"")))),
                )
            }
            Reason::UnknownField(word, known) => {
                let advice = if known.is_empty() {
                    "nothing can be set here".to_owned()
                } else {
                    instead_of(&word, known.iter().map(String::as_str))
                };
                Trouble {
                    place: self.root.locate_key(&path),
                    path: path.above(),
                    problem: format!("there is no key \"{}\" here", clipped(&word, 40)),
                    advice: Some(advice),
                }
            }
            Reason::UnknownVariant(word, known) => {
                // The word of a mapping is its key, and the last step of the path.
                let as_key = path.steps().last() == Some(&Step::Key(word.clone()))
                    && !matches!(node, Some(Node { content: Content::Scalar { text, .. }, .. }) if *text == word);
                let place = if as_key {
                    self.root.locate_key(&path)
                } else {
                    self.root.locate(&path)
                };
                let path = if as_key { path.above() } else { path };
                if let Some(trouble) = self.several(&path, &known) {
                    return trouble;
                }
                Trouble {
                    place,
                    path,
                    problem: format!(
                        "\"{}\" is not one of the words that can stand here",
                        clipped(&word, 40)
                    ),
                    advice: Some(instead_of(&word, known.iter().map(String::as_str))),
                }
            }
            Reason::OneOnly => {
                let known = self.words::<T>(&path);
                self.several(&path, &known)
                    .unwrap_or_else(|| self.instead_of_word::<T>(path, &known))
            }
            Reason::NoSettings => {
                let known = self.words::<T>(&path);
                let word = node.map_or("", first_word).to_owned();
                self.several(&path, &known).unwrap_or_else(|| Trouble {
                    place: self.root.locate_key(&path.then(&word)),
                    path,
                    problem: format!("{word} has no settings"),
                    advice: Some(format!("write {word} alone, without a colon")),
                })
            }
            Reason::NeedsSettings => {
                let word = node.map_or("", first_word).to_owned();
                let settings = [(word.as_str().into(), asked())];
                let settings = Value::Mapping(settings.into_iter().collect());
                let settings = match self.instead::<T>(&path, settings) {
                    Some(Reason::UnknownField(_, known)) => {
                        let known: Vec<String> =
                            known.iter().map(|key| format!("{key}: ...")).collect();
                        format!("{{{}}}", known.join(", "))
                    }
                    _ => "...".to_owned(),
                };
                at(
                    path,
                    format!("{word} needs its settings"),
                    Some(format!("write it like \"{word}: {settings}\"")),
                )
            }
            Reason::Length(found, expected) => {
                at(path, format!("expected {expected}, found {found}"), None)
            }
            Reason::Expected(expected) => {
                let expected = match expected {
                    Expected::Integer(of_its_type) => {
                        let schema = schemars::schema_for!(T).to_value();
                        Expected::Integer(demanded::limits(&schema, &path).or(of_its_type))
                    }
                    other => other,
                };
                let expected_here = match &expected {
                    Expected::Struct => match self.instead::<T>(&path, asked()) {
                        Some(Reason::UnknownField(_, known)) if !known.is_empty() => {
                            keys(&known.iter().map(String::as_str).collect::<Vec<_>>())
                        }
                        _ => expected.to_string(),
                    },
                    Expected::Enum => {
                        let known = self.words::<T>(&path);
                        return self.instead_of_word::<T>(path, &known);
                    }
                    other => other.to_string(),
                };
                let found = node.map_or_else(|| "nothing".to_owned(), what);
                let problem = format!("expected {expected_here}, found {found}");
                match node.and_then(|node| expected.slip(node)) {
                    Some((better, advice)) => at(path, better.unwrap_or(problem), Some(advice)),
                    None => at(path, problem, None),
                }
            }
            Reason::Other(problem) => {
                // Where nothing is written, the types are given a text like "null".
                let nothing = node.is_some_and(|node| node.is(Kind::Nothing));
                let rest = problem
                    .strip_prefix('"')
                    .and_then(|text| text.split_once('"'));
                let problem = match rest {
                    Some((_, rest)) if nothing => format!("nothing{rest}"),
                    _ => problem,
                };
                at(path, clipped(&problem, 400), None)
            }
        }
    }

    /// Something that is neither a word nor begins with one.
    fn instead_of_word<T: DeserializeOwned>(&self, path: Path, known: &[String]) -> Trouble {
        let node = self.root.at(&path);
        let found = node.map_or_else(|| "nothing".to_owned(), what);
        let number = node.is_some_and(|node| {
            matches!(node.content, Content::Scalar { .. }) && !node.is(Kind::Nothing)
        });
        let with_settings = || {
            known.iter().find(|word| {
                let reason = self.instead::<T>(&path, word.as_str().into());
                reason == Some(Reason::NeedsSettings)
            })
        };
        let advice = if number { None } else { with_settings() };
        Trouble {
            place: self.root.locate(&path),
            problem: format!("expected {}, found {found}", either(known)),
            advice: advice.map(|word| format!("begin with the word, like {{{word}: ...}}")),
            path,
        }
    }

    /// Several keys where one thing only can stand.
    fn several(&self, path: &Path, known: &[String]) -> Option<Trouble> {
        let Content::Mapping(entries) = &self.root.at(path)?.content else {
            return None;
        };
        if entries.len() < 2 {
            return None;
        }
        let found: Vec<String> = entries
            .iter()
            .take(3)
            .map(|entry| clipped(&entry.key, 20))
            .collect();
        let mut known_here = entries.iter().filter(|entry| known.contains(&entry.key));
        let (place, advice) = match known_here.nth(1) {
            Some(second) => (
                second.key_place,
                "keep one of them; in a list, each item begins with \"- \"".to_owned(),
            ),
            None => (
                self.root.locate(path),
                format!("expected one of {}", either(known)),
            ),
        };
        Some(Trouble {
            place,
            path: path.clone(),
            problem: format!(
                "one thing only can stand here, found {}",
                found.join(" and ")
            ),
            advice: Some(advice),
        })
    }

    /// The words that can stand at a path.
    fn words<T: DeserializeOwned>(&self, path: &Path) -> Vec<String> {
        match self.instead::<T>(path, "?".into()) {
            Some(Reason::UnknownVariant(_, known)) => known,
            _ => Vec::new(),
        }
    }

    /// What the library would say if something else stood at a path. It names the
    /// words and keys that it knows only to whoever writes one that it does not.
    fn instead<T: DeserializeOwned>(&self, path: &Path, other: Value) -> Option<Reason> {
        let mut document = self.document.clone()?;
        let mut place = &mut document;
        for step in path.steps() {
            place = match step {
                Step::Key(key) => place.get_mut(key.as_str())?,
                Step::Index(index) => place.get_mut(*index)?,
            };
        }
        *place = other;
        let (found, error) = typed::<T, _>(document).err()?;
        found
            .steps()
            .starts_with(path.steps())
            .then(|| Reason::of(&error, &found))
    }
}

/// A mapping with a key that nothing knows.
fn asked() -> Value {
    Value::Mapping([("?".into(), Value::Null)].into_iter().collect())
}

fn either(words: &[String]) -> String {
    one_of(words.iter().map(String::as_str))
}

fn first_word(node: &Node) -> &str {
    match &node.content {
        Content::Scalar { text, .. } => text,
        Content::Mapping(entries) => entries.first().map_or("", |entry| &entry.key),
        Content::List(_) => "",
    }
}
