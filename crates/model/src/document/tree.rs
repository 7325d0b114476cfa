//! A document's text as a tree of located values, within limits that no honest
//! document meets.
//!
//! Only plain YAML is taken: no anchors and aliases (and so no text that grows
//! when read), no tags, no merge keys, no keys that are not plain words, no second
//! document. What a scalar means follows the core schema of YAML 1.2.2 (10.3).

use super::error::{Place, clipped};
use super::path::{Path, Step};
use super::slips::sharp_cut_off;
use saphyr_parser::{Event, Marker, Parser, ScalarStyle, Span};

/// How deep mappings and lists may lie in one another.
const DEEPEST: usize = 24;
/// How long a single text may be.
const LONGEST_TEXT: usize = 4000;
/// How many values a document may have.
const MOST_VALUES: usize = 50_000;
/// How many keys a mapping may have.
const MOST_KEYS: usize = 500;

/// A value and where it stands.
#[derive(Debug, Clone, PartialEq)]
pub struct Node {
    /// Where it stands; for a mapping or list, the key in front of it where there
    /// is one.
    pub place: Place,
    /// What it is.
    pub content: Content,
}

/// What a value is.
#[derive(Debug, Clone, PartialEq)]
pub enum Content {
    /// A text, number, yes or no, or nothing.
    Scalar {
        /// As written.
        text: String,
        /// What it means.
        kind: Kind,
    },
    /// A list.
    List(Vec<Node>),
    /// A mapping, in the order of the text.
    Mapping(Vec<Entry>),
}

/// A key and its value.
#[derive(Debug, Clone, PartialEq)]
pub struct Entry {
    /// The key.
    pub key: String,
    /// Where the key stands.
    pub key_place: Place,
    /// The value.
    pub value: Node,
}

/// What a scalar means.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Kind {
    /// Nothing: `null`, `~` or an empty place.
    Nothing,
    /// `true` or `false`.
    YesNo,
    /// A whole number.
    Integer,
    /// A number.
    Number,
    /// Anything else, or anything in quotes.
    Text,
}

impl Node {
    /// The value that a step leads to, if there is one.
    #[must_use]
    pub fn step(&self, step: &Step) -> Option<&Self> {
        match (step, &self.content) {
            (Step::Key(key), Content::Mapping(entries)) => entries
                .iter()
                .find(|entry| entry.key == *key)
                .map(|entry| &entry.value),
            (Step::Index(index), Content::List(items)) => items.get(*index),
            _ => None,
        }
    }

    /// Whether it is a scalar of this kind.
    #[must_use]
    pub fn is(&self, wanted: Kind) -> bool {
        matches!(&self.content, Content::Scalar { kind, .. } if *kind == wanted)
    }

    /// Whether somewhere in it a value is left out altogether.
    #[must_use]
    pub fn has_empty_place(&self) -> bool {
        match &self.content {
            Content::Scalar { text, kind } => *kind == Kind::Nothing && text.is_empty(),
            Content::List(items) => items.iter().any(Self::has_empty_place),
            Content::Mapping(entries) => entries.iter().any(|entry| entry.value.has_empty_place()),
        }
    }

    /// The value at a path, if there is one.
    #[must_use]
    pub fn at(&self, path: &Path) -> Option<&Self> {
        path.steps()
            .iter()
            .try_fold(self, |node, step| node.step(step))
    }

    /// The place of the value at a path, or of the nearest value above it.
    #[must_use]
    pub fn locate(&self, path: &Path) -> Place {
        let mut node = self;
        for step in path.steps() {
            let Some(next) = node.step(step) else { break };
            node = next;
        }
        node.place
    }

    /// The place of the last key of a path, where it stands in the text; the
    /// place of the value otherwise.
    #[must_use]
    pub fn locate_key(&self, path: &Path) -> Place {
        let Some((Step::Key(last), above)) = path.steps().split_last() else {
            return self.locate(path);
        };
        let above = above
            .iter()
            .try_fold(self, |node, step| node.step(step))
            .map(|node| &node.content);
        if let Some(Content::Mapping(entries)) = above
            && let Some(entry) = entries.iter().find(|entry| entry.key == *last)
        {
            return entry.key_place;
        }
        self.locate(path)
    }
}

/// Why a text is no tree.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Trouble {
    pub place: Place,
    pub path: Path,
    pub problem: String,
    pub advice: Option<String>,
}

/// What is being read: a mapping waits for a key or for the value of one.
enum Open {
    List {
        place: Place,
        items: Vec<Node>,
    },
    Mapping {
        place: Place,
        entries: Vec<Entry>,
        key: Option<(String, Place)>,
    },
}

/// Reads a text.
pub(super) fn read(text: &str) -> Result<Node, Trouble> {
    let mut reader = TreeReader::default();
    let mut parser = Parser::new_from_str(text);
    while let Some(next) = parser.next_event() {
        let (event, span) = next.map_err(|error| not_yaml(text, &error))?;
        reader.take(event, &span)?;
    }
    reader.root.ok_or_else(|| Trouble {
        place: START,
        path: Path::root(),
        problem: "the file is empty".to_owned(),
        advice: Some(
            "a plan begins with \"nightbench: plan 1\", a rig with \"nightbench: rig 1\""
                .to_owned(),
        ),
    })
}

const START: Place = Place {
    line: 1,
    column: 1,
    width: 1,
};

#[derive(Default)]
struct TreeReader {
    open: Vec<Open>,
    root: Option<Node>,
    documents: usize,
    values: usize,
}

impl TreeReader {
    fn take(&mut self, event: Event<'_>, span: &Span) -> Result<(), Trouble> {
        match event {
            Event::Nothing | Event::StreamStart | Event::StreamEnd | Event::DocumentEnd => Ok(()),
            Event::DocumentStart(_) => {
                self.documents += 1;
                if self.documents > 1 {
                    return self.refuse(
                        place_of(span),
                        "a second document begins here",
                        "one file holds one plan or one rig; put the rest into a file of its own",
                    );
                }
                Ok(())
            }
            Event::Alias(_) => self.refuse(
                place_of(span),
                "an alias (*name) stands here",
                "anchors and aliases are not taken; write the value out where it is needed",
            ),
            Event::Scalar(text, style, anchor, tag) => {
                self.plain(anchor, tag.is_some(), place_of(span))?;
                self.scalar(&text, style, place_of(span))
            }
            Event::SequenceStart(anchor, tag) => {
                self.plain(anchor, tag.is_some(), place_of(span))?;
                let place = self.begin(place_of(span), "list")?;
                self.open.push(Open::List {
                    place,
                    items: Vec::new(),
                });
                Ok(())
            }
            Event::MappingStart(anchor, tag) => {
                self.plain(anchor, tag.is_some(), place_of(span))?;
                let place = self.begin(place_of(span), "mapping")?;
                self.open.push(Open::Mapping {
                    place,
                    entries: Vec::new(),
                    key: None,
                });
                Ok(())
            }
            Event::SequenceEnd | Event::MappingEnd => {
                let node = match self.open.pop() {
                    Some(Open::List { place, items }) => Node {
                        place,
                        content: Content::List(items),
                    },
                    Some(Open::Mapping { place, entries, .. }) => Node {
                        place,
                        content: Content::Mapping(entries),
                    },
                    None => return Ok(()),
                };
                self.put(node)
            }
        }
    }

    /// A list or mapping begins: how deep is it, and which key stands before it?
    fn begin(&self, place: Place, what: &str) -> Result<Place, Trouble> {
        if self.open.len() >= DEEPEST {
            return self.refuse(
                place,
                "mappings and lists lie too deep in one another here",
                &format!("nothing in a plan or rig lies deeper than {DEEPEST}"),
            );
        }
        match self.open.last() {
            Some(Open::Mapping { key: None, .. }) => self.refuse(
                place,
                &format!("a {what} stands where a key is expected"),
                "keys are plain words; see \"nightbench schema plan\" and \"nightbench schema rig\"",
            ),
            Some(Open::Mapping {
                key: Some((_, key)), ..
            }) => Ok(*key),
            _ => Ok(place),
        }
    }

    fn plain(&self, anchor: usize, tagged: bool, place: Place) -> Result<(), Trouble> {
        if anchor != 0 {
            return self.refuse(
                place,
                "an anchor (&name) stands here",
                "anchors and aliases are not taken; write the value out where it is needed",
            );
        }
        if tagged {
            return self.refuse(
                place,
                "a tag (!name) stands here",
                "tags are not taken; leave it out, and put a text into quotes",
            );
        }
        Ok(())
    }

    fn scalar(&mut self, text: &str, style: ScalarStyle, place: Place) -> Result<(), Trouble> {
        if text.len() > LONGEST_TEXT {
            return self.refuse(
                place,
                &format!("this text is {} bytes long", text.len()),
                &format!("at most {LONGEST_TEXT} are taken; is a quote not closed?"),
            );
        }
        // Titles and names are printed on terminals, which obey such characters.
        if let Some(control) = text
            .chars()
            .find(|letter| letter.is_control() && !matches!(letter, '\n' | '\t'))
        {
            return self.refuse(
                place,
                &format!(
                    "this text holds a control character (U+{:04X})",
                    u32::from(control)
                ),
                "leave it out; texts are made of letters, spaces and line ends",
            );
        }
        if let Some(Open::Mapping { entries, key, .. }) = self.open.last_mut()
            && key.is_none()
        {
            if let Some(earlier) = entries.iter().find(|entry| entry.key == text) {
                let line = earlier.key_place.line;
                return self.refuse(
                    place,
                    &format!(
                        "\"{}\" is written twice; it first stands in line {line}",
                        clipped(text, 40)
                    ),
                    "keep one of the two",
                );
            }
            if entries.len() == MOST_KEYS {
                return self.refuse(
                    place,
                    &format!("this mapping has more than {MOST_KEYS} keys"),
                    "no mapping of a plan or rig needs as many",
                );
            }
            if text == "<<" && style == ScalarStyle::Plain {
                return self.refuse(
                    place,
                    "a merge key (<<) stands here",
                    "merge keys are not taken; write the entries out where they are needed",
                );
            }
            *key = Some((text.to_owned(), place));
            return Ok(());
        }
        let kind = if style == ScalarStyle::Plain {
            kind_of(text)
        } else {
            Kind::Text
        };
        self.put(Node {
            place,
            content: Content::Scalar {
                text: text.to_owned(),
                kind,
            },
        })
    }

    fn put(&mut self, mut node: Node) -> Result<(), Trouble> {
        self.values += 1;
        if self.values > MOST_VALUES {
            return self.refuse(
                node.place,
                &format!("the file has more than {MOST_VALUES} values"),
                "no plan or rig needs as many",
            );
        }
        match self.open.last_mut() {
            None => self.root = Some(node),
            Some(Open::List { items, .. }) => items.push(node),
            Some(Open::Mapping { entries, key, .. }) => {
                if let Some((key, key_place)) = key.take() {
                    // An empty place has no width of its own: point at its key.
                    if matches!(&node.content, Content::Scalar { text, kind: Kind::Nothing } if text.is_empty() || text == "~")
                    {
                        node.place = key_place;
                    }
                    entries.push(Entry {
                        key,
                        key_place,
                        value: node,
                    });
                }
            }
        }
        Ok(())
    }

    fn refuse<T>(&self, place: Place, problem: &str, advice: &str) -> Result<T, Trouble> {
        let steps = self.open.iter().filter_map(|open| match open {
            Open::List { items, .. } => Some(Step::Index(items.len())),
            Open::Mapping { key, .. } => key.as_ref().map(|(key, _)| Step::Key(key.clone())),
        });
        let path = steps.fold(Path::root(), |path, step| path.then(step));
        Err(Trouble {
            place,
            path,
            problem: problem.to_owned(),
            advice: Some(advice.to_owned()),
        })
    }
}

fn place_of(span: &Span) -> Place {
    let (start, end) = (span.start, span.end);
    let width = if end.line() == start.line() {
        end.col().saturating_sub(start.col())
    } else {
        1
    };
    Place {
        width: width.max(1),
        ..at(&start)
    }
}

fn at(marker: &Marker) -> Place {
    Place {
        line: marker.line().max(1),
        column: marker.col() + 1,
        width: 1,
    }
}

/// What the parser says, with the advice that most often helps.
fn not_yaml(text: &str, error: &saphyr_parser::ScanError) -> Trouble {
    let mut place = at(error.marker());
    let line = text.lines().nth(place.line - 1).unwrap_or("");
    let mut problem = format!("this is not YAML: {}", clipped(error.info(), 120));
    let indented_by_tab = |line: &str| {
        let indent = &line[..line.len() - line.trim_start().len()];
        indent.contains('\t')
    };
    // A comment that swallows the end of a list is only noticed lines later.
    let until_here = text.lines().enumerate().take(place.line);
    let swallowed = until_here
        .filter(|(_, line)| line.contains(" #"))
        .filter_map(|(index, line)| sharp_cut_off(line).map(|column| (index + 1, column)))
        .last();
    let advice = if let Some((line, column)) = swallowed {
        place = Place {
            line,
            column,
            width: 1,
        };
        problem = "\" #\" begins a comment here, and the rest of the line is lost".to_owned();
        Some("write a sharp without a space before it, in quotes, like \"F#4\"".to_owned())
    } else if indented_by_tab(line) {
        Some("indent with spaces, not with tabs".to_owned())
    } else if place.column > 1 && line.chars().nth(place.column - 2) == Some('\t') {
        place.column -= 1;
        problem = "this is not YAML: a tab stands here".to_owned();
        Some("write a space instead".to_owned())
    } else if error.info().contains("anchor") {
        problem = "an alias (*name) stands here".to_owned();
        Some("anchors and aliases are not taken; write the value out where it is needed".to_owned())
    } else if line.contains(": ") || line.trim_end().ends_with(':') {
        Some("check the indentation, and that every quote and bracket is closed".to_owned())
    } else {
        Some(
            "every line is \"key: value\", or an item of a list that begins with \"- \"".to_owned(),
        )
    };
    Trouble {
        place,
        path: Path::root(),
        problem,
        advice,
    }
}

/// The core schema of YAML 1.2.2, section 10.3.2; numbers as `serde_yaml` has them.
fn kind_of(text: &str) -> Kind {
    match text {
        "" | "~" | "null" | "Null" | "NULL" => Kind::Nothing,
        "true" | "True" | "TRUE" | "false" | "False" | "FALSE" => Kind::YesNo,
        _ => match text.parse::<serde_yaml::Number>() {
            Ok(number) if number.is_f64() => Kind::Number,
            Ok(_) => Kind::Integer,
            // Leading zeros and numbers too large to hold are texts to the library,
            // and were meant as numbers.
            Err(_) if begins_as_number(text) && text.parse::<f64>().is_ok() => Kind::Number,
            Err(_) => Kind::Text,
        },
    }
}

/// Rust reads more as numbers than YAML does (inf, nan), but with a letter in front.
fn begins_as_number(text: &str) -> bool {
    let unsigned = text.strip_prefix(['-', '+']).unwrap_or(text);
    unsigned.starts_with(|first: char| first.is_ascii_digit() || first == '.')
}

#[cfg(test)]
mod tests {
    use super::*;

    /// The examples of YAML 1.2.2, section 10.3.2.
    #[test]
    fn scalars_mean_what_the_core_schema_says() {
        for text in ["0", "7", "0o7", "0x3A", "-19", "+12"] {
            assert_eq!(kind_of(text), Kind::Integer, "{text}");
        }
        for text in [
            "0.", "-0.0", ".5", "+12e03", "-2E+05", ".inf", "-.Inf", ".NAN",
        ] {
            assert_eq!(kind_of(text), Kind::Number, "{text}");
        }
        for text in ["null", "~", "NULL", ""] {
            assert_eq!(kind_of(text), Kind::Nothing, "{text}");
        }
        assert_eq!(kind_of("True"), Kind::YesNo);
        // Texts to the library, but not what anyone would write as a text.
        for text in ["007", "1e999"] {
            assert_eq!(kind_of(text), Kind::Number, "{text}");
        }
        for text in [
            "yes", "off", "E4", "1 s", "nan", "inf", "-", "0x", ".", "1,5",
        ] {
            assert_eq!(kind_of(text), Kind::Text, "{text}");
        }
    }
}
