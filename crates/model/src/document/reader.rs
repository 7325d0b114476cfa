//! From the tree of a document to its types, by serde.
//!
//! A deserializer of our own over the located tree, because it alone knows, when a
//! type refuses a value, where that value stands and which words would have done.
//! Enums are externally tagged: a word alone, or a mapping with one key.

use super::error::{Place, clipped, one_of};
use super::path::{Path, Step};
use super::refusal::{Refusal, what};
use super::tree::{Content, Entry, Kind, Node, Trouble};
use serde::de::{
    self, Deserialize, DeserializeSeed, Deserializer, EnumAccess, MapAccess, SeqAccess,
    VariantAccess, Visitor,
};
use std::cell::RefCell;
use std::fmt;

/// Reads a type from a tree.
pub(super) fn read<'de, T: Deserialize<'de>>(root: &'de Node) -> Result<T, Trouble> {
    let notes = RefCell::new(None);
    let value = T::deserialize(Reader {
        node: root,
        unquoted: &notes,
    })
    .map_err(|mut refusal| {
        refusal.found_at(root.place);
        Trouble {
            place: refusal.place.unwrap_or(root.place),
            path: refusal.path,
            problem: refusal.problem,
            advice: refusal.advice,
        }
    })?;
    match notes.into_inner() {
        Some(trouble) => Err(trouble),
        None => Ok(value),
    }
}

/// A node as serde sees it. `unquoted` takes the first text that YAML would read
/// as a number or a yes or no: types that refuse it say why better than this does.
#[derive(Clone, Copy)]
struct Reader<'de, 'n> {
    node: &'de Node,
    unquoted: &'n RefCell<Option<Trouble>>,
}

impl<'de> Reader<'de, '_> {
    fn expected(&self, expected: impl fmt::Display) -> Refusal {
        Refusal::new(
            format!("expected {expected}, found {}", what(self.node)),
            None,
        )
        .at(self.node.place)
    }

    /// The text of a scalar that is something.
    fn scalar(&self) -> Option<(&'de str, Kind)> {
        match &self.node.content {
            Content::Scalar { text, kind } if *kind != Kind::Nothing => Some((text, *kind)),
            _ => None,
        }
    }

    fn integer<T: std::str::FromStr>(&self, lowest: i128, highest: i128) -> Result<T, Refusal> {
        let expected = || {
            if highest >= i128::from(u64::MAX >> 1) {
                "a whole number".to_owned()
            } else {
                format!("a whole number from {lowest} to {highest}")
            }
        };
        let Some((text, kind)) = self.scalar() else {
            return Err(self.expected(expected()));
        };
        let mut refusal = self.expected(expected());
        if kind != Kind::Integer {
            if text.parse::<i128>().is_ok() {
                refusal.advice = Some("leave out the quotes".to_owned());
            }
            return Err(refusal);
        }
        let number = match (text.strip_prefix("0x"), text.strip_prefix("0o")) {
            (Some(hex), _) => i128::from_str_radix(hex, 16),
            (_, Some(octal)) => i128::from_str_radix(octal, 8),
            _ => text.parse(),
        };
        number
            .ok()
            .filter(|number| (lowest..=highest).contains(number))
            .and_then(|number| number.to_string().parse().ok())
            .ok_or(refusal)
    }

    fn float(&self) -> Result<f64, Refusal> {
        let Some((text, kind)) = self.scalar() else {
            return Err(self.expected("a number"));
        };
        let mut refusal = self.expected("a number");
        if matches!(kind, Kind::Integer | Kind::Number)
            && let Ok(number) = text.parse::<f64>()
            && number.is_finite()
        {
            return Ok(number);
        }
        if let Ok(instead) = text.replacen(',', ".", 1).parse::<f64>()
            && text.contains(',')
        {
            refusal = Refusal::new(
                format!("\"{}\" has a decimal comma", clipped(text, 40)),
                Some(format!("write {instead}")),
            )
            .at(self.node.place);
        } else if text.parse::<f64>().is_ok_and(f64::is_finite) {
            refusal.advice = Some("leave out the quotes".to_owned());
        }
        Err(refusal)
    }
}

macro_rules! integers {
    ($($method:ident $visit:ident $type:ident),+) => {$(
        fn $method<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Refusal> {
            let number: $type = self.integer(i128::from($type::MIN), i128::from($type::MAX))?;
            visitor.$visit(number).map_err(|refusal: Refusal| refusal.at(self.node.place))
        }
    )+};
}

impl<'de> Deserializer<'de> for Reader<'de, '_> {
    type Error = Refusal;

    /// Quantities come this way: numbers are handed over as they are written.
    fn deserialize_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Refusal> {
        match &self.node.content {
            Content::Scalar {
                kind: Kind::Nothing,
                ..
            } => {
                let expected: &dyn de::Expected = &visitor;
                return Err(self.expected(expected));
            }
            Content::Scalar { text, .. } => visitor.visit_str(text),
            Content::List(_) => visitor.visit_seq(Items::of(self)),
            Content::Mapping(_) => visitor.visit_map(Entries::of(self)),
        }
        .map_err(|refusal| refusal.at(self.node.place))
    }

    integers!(
        deserialize_u8 visit_u8 u8, deserialize_u16 visit_u16 u16, deserialize_u32 visit_u32 u32,
        deserialize_u64 visit_u64 u64, deserialize_i8 visit_i8 i8, deserialize_i16 visit_i16 i16,
        deserialize_i32 visit_i32 i32, deserialize_i64 visit_i64 i64
    );

    fn deserialize_f64<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Refusal> {
        visitor.visit_f64(self.float()?)
    }
    fn deserialize_f32<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Refusal> {
        visitor.visit_f64(self.float()?)
    }

    fn deserialize_bool<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Refusal> {
        if let Some((_, Kind::YesNo(value))) = self.scalar() {
            return visitor.visit_bool(value);
        }
        Err(self.expected("true or false"))
    }

    fn deserialize_str<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Refusal> {
        let Some((text, kind)) = self.scalar() else {
            return Err(self.expected("a text"));
        };
        if kind != Kind::Text {
            self.unquoted.borrow_mut().get_or_insert_with(|| Trouble {
                place: self.node.place,
                path: Path::root(),
                problem: format!("a text is expected, and YAML reads {text} as something else"),
                advice: Some(format!("put it in quotes: \"{text}\"")),
            });
        }
        visitor
            .visit_str(text)
            .map_err(|refusal: Refusal| refusal.at(self.node.place))
    }
    fn deserialize_string<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Refusal> {
        self.deserialize_str(visitor)
    }

    fn deserialize_option<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Refusal> {
        if let Content::Scalar {
            kind: Kind::Nothing,
            ..
        } = self.node.content
        {
            return visitor.visit_none();
        }
        visitor.visit_some(self)
    }

    fn deserialize_seq<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Refusal> {
        if !matches!(self.node.content, Content::List(_)) {
            return Err(self.expected("a list"));
        }
        self.deserialize_any(visitor)
    }
    fn deserialize_tuple<V: Visitor<'de>>(
        self,
        len: usize,
        visitor: V,
    ) -> Result<V::Value, Refusal> {
        match &self.node.content {
            Content::List(items) if items.len() == len => self.deserialize_any(visitor),
            Content::List(items) => Err(Refusal::new(
                format!("expected a list of {len}, found {}", items.len()),
                None,
            )
            .at(self.node.place)),
            _ => Err(self.expected(format!("a list of {len}"))),
        }
    }
    fn deserialize_map<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Refusal> {
        if !matches!(self.node.content, Content::Mapping(_)) {
            return Err(self.expected("names, each with its settings"));
        }
        self.deserialize_any(visitor)
    }
    fn deserialize_struct<V: Visitor<'de>>(
        self,
        _name: &'static str,
        fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Refusal> {
        match &self.node.content {
            Content::Mapping(_) => self.deserialize_any(visitor),
            _ if fields.is_empty() => Err(self.expected("{}")),
            _ => Err(self.expected(format!(
                "a mapping with the {} {}",
                if fields.len() == 1 { "key" } else { "keys" },
                and(fields)
            ))),
        }
    }

    fn deserialize_enum<V: Visitor<'de>>(
        self,
        _name: &'static str,
        variants: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Refusal> {
        let choice = match &self.node.content {
            Content::Mapping(entries) if entries.len() == 1 => Choice {
                word: &entries[0].key,
                place: entries[0].key_place,
                value: Some(&entries[0].value),
                reader: self,
            },
            Content::Mapping(entries) if entries.len() > 1 => {
                let keys: Vec<String> = entries
                    .iter()
                    .take(3)
                    .map(|entry| clipped(&entry.key, 20))
                    .collect();
                let mut refusal = Refusal::new(
                    format!(
                        "one thing only can stand here, found {}",
                        keys.join(" and ")
                    ),
                    Some(format!(
                        "expected one of {}",
                        one_of(variants.iter().copied())
                    )),
                )
                .at(self.node.place);
                let known = |entry: &&Entry| variants.contains(&entry.key.as_str());
                if let Some(second) = entries.iter().filter(known).nth(1) {
                    refusal.place = Some(second.key_place);
                    refusal.advice = Some(
                        "keep one of them; in a list, each item begins with \"- \"".to_owned(),
                    );
                }
                return Err(refusal);
            }
            Content::Scalar { text, kind } if *kind != Kind::Nothing => Choice {
                word: text,
                place: self.node.place,
                value: None,
                reader: self,
            },
            _ => {
                let mut refusal = self.expected(one_of(variants.iter().copied()));
                refusal.advice = variants
                    .first()
                    .map(|word| format!("begin with the word, like {{{word}: ...}}"));
                return Err(refusal);
            }
        };
        visitor
            .visit_enum(choice)
            .map_err(|refusal| refusal.at(self.node.place))
    }

    fn deserialize_unit<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Refusal> {
        match self.node.content {
            Content::Scalar {
                kind: Kind::Nothing,
                ..
            } => visitor.visit_unit(),
            _ => Err(self.expected("nothing")),
        }
    }
    fn deserialize_newtype_struct<V: Visitor<'de>>(
        self,
        _name: &'static str,
        visitor: V,
    ) -> Result<V::Value, Refusal> {
        visitor.visit_newtype_struct(self)
    }
    fn deserialize_ignored_any<V: Visitor<'de>>(self, visitor: V) -> Result<V::Value, Refusal> {
        visitor.visit_unit()
    }

    serde::forward_to_deserialize_any! {
        i128 u128 char bytes byte_buf unit_struct tuple_struct identifier
    }
}

fn and(words: &[&str]) -> String {
    match words {
        [most @ .., last] if !most.is_empty() => format!("{} and {last}", most.join(", ")),
        _ => words.concat(),
    }
}

struct Items<'de, 'n> {
    items: std::iter::Enumerate<std::slice::Iter<'de, Node>>,
    reader: Reader<'de, 'n>,
}

impl<'de, 'n> Items<'de, 'n> {
    fn of(reader: Reader<'de, 'n>) -> Self {
        let items: &[Node] = match &reader.node.content {
            Content::List(items) => items,
            _ => &[],
        };
        Self {
            items: items.iter().enumerate(),
            reader,
        }
    }
}

impl<'de> SeqAccess<'de> for Items<'de, '_> {
    type Error = Refusal;
    fn next_element_seed<T: DeserializeSeed<'de>>(
        &mut self,
        seed: T,
    ) -> Result<Option<T::Value>, Refusal> {
        let Some((index, node)) = self.items.next() else {
            return Ok(None);
        };
        self.reader
            .descend(node, Step::Index(index), seed)
            .map(Some)
    }
    fn size_hint(&self) -> Option<usize> {
        Some(self.items.len())
    }
}

struct Entries<'de, 'n> {
    entries: std::slice::Iter<'de, Entry>,
    current: Option<&'de Entry>,
    reader: Reader<'de, 'n>,
}

impl<'de, 'n> Entries<'de, 'n> {
    fn of(reader: Reader<'de, 'n>) -> Self {
        let entries: &[Entry] = match &reader.node.content {
            Content::Mapping(entries) => entries,
            _ => &[],
        };
        Self {
            entries: entries.iter(),
            current: None,
            reader,
        }
    }
}

impl<'de> MapAccess<'de> for Entries<'de, '_> {
    type Error = Refusal;
    fn next_key_seed<K: DeserializeSeed<'de>>(
        &mut self,
        seed: K,
    ) -> Result<Option<K::Value>, Refusal> {
        self.current = self.entries.next();
        let Some(entry) = self.current else {
            return Ok(None);
        };
        let key = de::value::StrDeserializer::new(&entry.key);
        seed.deserialize(key)
            .map(Some)
            .map_err(|refusal: Refusal| refusal.at(entry.key_place))
    }
    fn next_value_seed<T: DeserializeSeed<'de>>(&mut self, seed: T) -> Result<T::Value, Refusal> {
        let Some(entry) = self.current else {
            return Err(Refusal::new("a value without a key", None));
        };
        self.reader
            .descend(&entry.value, Step::Key(entry.key.clone()), seed)
    }
}

impl<'de> Reader<'de, '_> {
    /// Reads a value below this one, and gives what goes wrong there its path.
    fn descend<T: DeserializeSeed<'de>>(
        &self,
        node: &'de Node,
        step: Step,
        seed: T,
    ) -> Result<T::Value, Refusal> {
        let had_note = self.unquoted.borrow().is_some();
        let value = seed
            .deserialize(Reader {
                node,
                unquoted: self.unquoted,
            })
            .map_err(|refusal| refusal.below(node.place, step.clone()))?;
        if !had_note && let Some(note) = self.unquoted.borrow_mut().as_mut() {
            note.path.prepend(step);
        }
        Ok(value)
    }
}

/// A variant of an enum and what belongs to it.
struct Choice<'de, 'n> {
    word: &'de str,
    place: Place,
    value: Option<&'de Node>,
    reader: Reader<'de, 'n>,
}

impl<'de, 'n> EnumAccess<'de> for Choice<'de, 'n> {
    type Error = Refusal;
    type Variant = Self;
    fn variant_seed<V: DeserializeSeed<'de>>(self, seed: V) -> Result<(V::Value, Self), Refusal> {
        let word = de::value::StrDeserializer::new(self.word);
        let variant = seed
            .deserialize(word)
            .map_err(|refusal: Refusal| refusal.at(self.place))?;
        Ok((variant, self))
    }
}

impl<'de> Choice<'de, '_> {
    fn with_settings<T: DeserializeSeed<'de>>(
        self,
        keys: &[&str],
        seed: T,
    ) -> Result<T::Value, Refusal> {
        let Some(value) = self.value else {
            let problem = format!("{} needs its settings", self.word);
            let settings: Vec<String> = keys.iter().map(|key| format!("{key}: ...")).collect();
            let advice = format!(
                "write it like \"{}: {{{}}}\"",
                self.word,
                settings.join(", ")
            );
            return Err(Refusal::new(problem, Some(advice)).at(self.place));
        };
        self.reader
            .descend(value, Step::Key(self.word.to_owned()), seed)
    }
}

impl<'de> VariantAccess<'de> for Choice<'de, '_> {
    type Error = Refusal;
    fn unit_variant(self) -> Result<(), Refusal> {
        if self.value.is_some() {
            let problem = format!("{} has no settings", self.word);
            let advice = format!("write {} alone, without a colon", self.word);
            return Err(Refusal::new(problem, Some(advice)).at(self.place));
        }
        Ok(())
    }
    fn newtype_variant_seed<T: DeserializeSeed<'de>>(self, seed: T) -> Result<T::Value, Refusal> {
        self.with_settings(&[], seed)
    }
    fn tuple_variant<V: Visitor<'de>>(self, len: usize, visitor: V) -> Result<V::Value, Refusal> {
        self.with_settings(&[], TupleOf(len, visitor))
    }
    fn struct_variant<V: Visitor<'de>>(
        self,
        fields: &'static [&'static str],
        visitor: V,
    ) -> Result<V::Value, Refusal> {
        self.with_settings(fields, StructOf(fields, visitor))
    }
}

struct TupleOf<V>(usize, V);

impl<'de, V: Visitor<'de>> DeserializeSeed<'de> for TupleOf<V> {
    type Value = V::Value;
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<V::Value, D::Error> {
        deserializer.deserialize_tuple(self.0, self.1)
    }
}

struct StructOf<V>(&'static [&'static str], V);

impl<'de, V: Visitor<'de>> DeserializeSeed<'de> for StructOf<V> {
    type Value = V::Value;
    fn deserialize<D: Deserializer<'de>>(self, deserializer: D) -> Result<V::Value, D::Error> {
        deserializer.deserialize_struct("", self.0, self.1)
    }
}
