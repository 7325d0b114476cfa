//! Text from outside, made fit to be shown.
//!
//! Serial numbers, notes, names and replies come from strangers. What would move a cursor,
//! turn the direction of writing or stay invisible is written as an escape instead.

use std::borrow::Cow;

/// The text with every character that is not seen as itself written as `\u202e`: controls
/// except line ends and the tab, marks of direction, separators of lines and paragraphs,
/// and what Unicode lists as ignorable. JSON reads such an escape as the character itself.
#[must_use]
pub fn plain(text: &str) -> Cow<'_, str> {
    if !text.chars().any(is_unseen) {
        return Cow::Borrowed(text);
    }
    let mut shown = String::with_capacity(text.len() + 16);
    let mut characters = text.chars().peekable();
    while let Some(character) = characters.next() {
        let ends_a_line = character == '\r' && characters.peek() == Some(&'\n');
        if is_unseen(character) && !ends_a_line {
            for unit in character.encode_utf16(&mut [0; 2]) {
                shown.push_str(&format!("\\u{unit:04x}"));
            }
        } else {
            shown.push(character);
        }
    }
    Cow::Owned(shown)
}

/// The same on one line and of at most `most` characters, for what a stranger wrote within
/// a sentence of ours.
#[must_use]
pub fn excerpt(text: &str, most: usize) -> String {
    let mut shown: String = text
        .chars()
        .take(most)
        .map(|character| match character {
            '\n' | '\t' | '\r' => ' ',
            other => other,
        })
        .collect();
    if text.chars().nth(most).is_some() {
        shown.push('…');
    }
    plain(&shown).into_owned()
}

/// Whether a character is not seen as itself. The list is Unicode's
/// `Default_Ignorable_Code_Point` without the variation selectors, which choose among
/// pictures of one character, and with the separators of lines and paragraphs and the
/// annotation marks (DerivedCoreProperties.txt; written down from memory).
const fn is_unseen(character: char) -> bool {
    matches!(character,
        '\0'..='\u{8}' | '\u{b}'..='\u{1f}' | '\u{7f}'..='\u{9f}'
        | '\u{ad}' | '\u{34f}' | '\u{61c}' | '\u{115f}' | '\u{1160}' | '\u{17b4}' | '\u{17b5}'
        | '\u{180b}'..='\u{180f}' | '\u{200b}'..='\u{200f}' | '\u{2028}'..='\u{202e}'
        | '\u{2060}'..='\u{206f}' | '\u{3164}' | '\u{feff}' | '\u{ffa0}'
        | '\u{fff0}'..='\u{fffb}' | '\u{1bca0}'..='\u{1bca3}' | '\u{1d173}'..='\u{1d17a}'
        | '\u{e0000}'..='\u{e0fff}')
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn what_is_not_seen_as_itself_is_written_as_an_escape() {
        assert_eq!(plain("A-1041 ä 한 🎹\n\tB"), "A-1041 ä 한 🎹\n\tB");
        assert_eq!(plain("\u{1b}[2J"), "\\u001b[2J");
        assert_eq!(plain("a\u{202e}b\u{2028}c\r"), "a\\u202eb\\u2028c\\u000d");
        assert_eq!(plain("\u{9b}1A"), "\\u009b1A");
        assert_eq!(plain("two\r\nlines\u{200b}"), "two\r\nlines\\u200b");
    }

    #[test]
    fn json_reads_the_escape_as_the_character() {
        let text = "a\u{202e}\u{e0041}\u{85}";
        let json = serde_json::to_string(text).unwrap();
        assert_ne!(plain(&json), json);
        let read: String = serde_json::from_str(&plain(&json)).unwrap();
        assert_eq!(read, text);
    }

    #[test]
    fn an_excerpt_is_a_short_line() {
        assert_eq!(excerpt("one\ntwo", 40), "one two");
        assert_eq!(excerpt("abcdef", 3), "abc…");
    }
}
