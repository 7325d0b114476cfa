//! Rows of CSV (RFC 4180), wherever the program writes some: quoted where they must be,
//! numbers as in JSON, and with decimal commas where they are asked for.
//!
//! Texts may come from strangers, and a spreadsheet takes a cell that begins like a formula
//! for one. Such a text gets an apostrophe in front, by which spreadsheets know a text; and
//! one with any of the characters that may stand between columns somewhere is quoted, so
//! that no part of it becomes a cell of its own (OWASP, CSV Injection).

use model::plain;
use serde_json::Value;
use std::borrow::Cow;

/// What stands between the whole and the rest of a number, and so between columns.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub enum Decimals {
    /// A full stop in numbers, a comma between columns.
    #[default]
    Point,
    /// A comma in numbers, a semicolon between columns, as some spreadsheets want it.
    Comma,
}

/// What stands in a column.
#[derive(Debug, Clone, PartialEq)]
pub enum Cell<'a> {
    /// A text, of any characters.
    Text(Cow<'a, str>),
    /// A number; nothing where it is not finite.
    Number(f64),
    /// A whole number.
    Whole(i64),
    /// Nothing.
    Empty,
}

impl<'a> From<&'a str> for Cell<'a> {
    fn from(text: &'a str) -> Self {
        Self::Text(text.into())
    }
}

impl From<String> for Cell<'_> {
    fn from(text: String) -> Self {
        Self::Text(text.into())
    }
}

impl From<f64> for Cell<'_> {
    fn from(value: f64) -> Self {
        Self::Number(value)
    }
}

impl From<Option<f64>> for Cell<'_> {
    fn from(value: Option<f64>) -> Self {
        value.map_or(Self::Empty, Self::Number)
    }
}

impl From<u16> for Cell<'_> {
    fn from(value: u16) -> Self {
        Self::Whole(value.into())
    }
}

impl Cell<'_> {
    fn text(&self, decimals: Decimals) -> Cow<'_, str> {
        match self {
            Self::Text(text) => quoted(plain(&harmless(text)).into_owned()),
            Self::Empty => Cow::Borrowed(""),
            Self::Whole(value) => value.to_string().into(),
            Self::Number(value) => match serde_json::Number::from_f64(*value) {
                None => Cow::Borrowed(""),
                Some(number) if decimals == Decimals::Comma => {
                    number.to_string().replace('.', ",").into()
                }
                Some(number) => number.to_string().into(),
            },
        }
    }
}

/// What a JSON value is in a column: items of a list with spaces between them.
impl<'a> From<&'a Value> for Cell<'a> {
    fn from(value: &'a Value) -> Self {
        match value {
            Value::Null => Self::Empty,
            Value::String(text) => Self::from(text.as_str()),
            Value::Number(number) => match (number.as_i64(), number.as_f64()) {
                (Some(whole), _) => Self::Whole(whole),
                (None, value) => Self::from(value),
            },
            Value::Array(items) => {
                let items: Vec<&str> = items.iter().filter_map(Value::as_str).collect();
                Self::from(items.join(" "))
            }
            other => Self::from(other.to_string()),
        }
    }
}

/// A row, with the line feed behind it.
///
/// ```
/// use report::{Cell, Decimals, csv_row};
///
/// let row: [Cell<'_>; 3] = ["shelf \"A\"".into(), 0.5.into(), None.into()];
/// assert_eq!(csv_row(&row, Decimals::Point), "\"shelf \"\"A\"\"\",0.5,\n");
/// assert_eq!(csv_row(&row, Decimals::Comma), "\"shelf \"\"A\"\"\";0,5;\n");
/// ```
#[must_use]
pub fn csv_row(cells: &[Cell<'_>], decimals: Decimals) -> String {
    let delimiter = match decimals {
        Decimals::Point => ",",
        Decimals::Comma => ";",
    };
    let texts: Vec<Cow<'_, str>> = cells.iter().map(|cell| cell.text(decimals)).collect();
    format!("{}\n", texts.join(delimiter))
}

/// A text that no spreadsheet takes for a formula.
fn harmless(text: &str) -> Cow<'_, str> {
    // The wide forms are what some spreadsheets make of the narrow ones.
    let risky = ['=', '+', '-', '@', '\t', '\r', '\n', '＝', '＋', '－', '＠'];
    if text.starts_with(risky) {
        format!("'{text}").into()
    } else {
        text.into()
    }
}

/// A text in quotes where it holds anything that means something in a table.
fn quoted(text: String) -> Cow<'static, str> {
    if text.contains([',', ';', '\t', '"', '\r', '\n']) {
        format!("\"{}\"", text.replace('"', "\"\"")).into()
    } else {
        text.into()
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What a reader of its own makes of a row.
    fn read(row: &str, delimiter: u8) -> Vec<String> {
        let mut reader = csv::ReaderBuilder::new()
            .has_headers(false)
            .delimiter(delimiter)
            .from_reader(row.as_bytes());
        let mut records = reader.records().map(Result::unwrap);
        let first = records.next().unwrap();
        assert!(records.next().is_none(), "{row:?}");
        first.iter().map(str::to_owned).collect()
    }

    #[test]
    fn any_text_comes_back_as_it_was() {
        for text in [
            "A, B",
            "A; B",
            "\"A\"",
            "two\nlines",
            "two\r\nlines",
            " ",
            "é",
            "0,5",
            "",
        ] {
            for (decimals, delimiter) in [(Decimals::Point, b','), (Decimals::Comma, b';')] {
                let row = csv_row(&[Cell::from(text), Cell::from("next")], decimals);
                assert_eq!(read(&row, delimiter), [text, "next"]);
            }
        }
    }

    #[test]
    fn no_text_is_a_formula_and_numbers_stay_numbers() {
        for text in ["=1+1", "+1", "-1", "@SUM(A1)", "\t=1", "＝1"] {
            for (decimals, delimiter) in [(Decimals::Point, b','), (Decimals::Comma, b';')] {
                let row = csv_row(&[Cell::from(text), Cell::from(-1.5)], decimals);
                let cells = read(&row, delimiter);
                assert_eq!(cells[0], format!("'{text}"));
                assert!(cells[1].starts_with('-'), "{cells:?}");
            }
        }
        // Whatever a spreadsheet takes for the separator, no part becomes a cell.
        let row = csv_row(&[Cell::from("A;=1+1")], Decimals::Point);
        assert_eq!(row, "\"A;=1+1\"\n");
        let row = csv_row(&[Cell::from("A\u{202e}B\r=1")], Decimals::Point);
        assert_eq!(row, "A\\u202eB\\u000d=1\n");
    }

    #[test]
    fn numbers_are_as_in_json_or_with_a_comma() {
        let row = [
            0.0.into(),
            (-440.25).into(),
            1.5e-9.into(),
            f64::NAN.into(),
            7u16.into(),
            Cell::Empty,
        ];
        assert_eq!(csv_row(&row, Decimals::Point), "0.0,-440.25,1.5e-9,,7,\n");
        assert_eq!(csv_row(&row, Decimals::Comma), "0,0;-440,25;1,5e-9;;7;\n");
    }

    #[test]
    fn json_values_have_a_form() {
        let value = serde_json::json!({"a": null, "b": "x", "c": 2, "d": -0.5, "e": ["p", "q"], "f": true, "g": -3});
        let row: Vec<Cell<'_>> = "abcdefg"
            .split("")
            .filter(|key| !key.is_empty())
            .map(|key| Cell::from(&value[key]))
            .collect();
        assert_eq!(csv_row(&row, Decimals::Point), ",x,2,-0.5,p q,true,-3\n");
    }
}
