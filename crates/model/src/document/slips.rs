//! Slips of the pen that YAML takes for something else, found in the line itself.

/// The column of a `#` that cuts a sharp note in two, as in `F #4`.
pub(super) fn sharp_cut_off(line: &str) -> Option<usize> {
    let characters: Vec<char> = line.chars().collect();
    (2..characters.len()).find_map(|at| {
        let letter_alone = at < 3 || !characters[at - 3].is_alphanumeric();
        let octave = characters
            .get(at + 1)
            .is_some_and(|next| next.is_ascii_digit() || *next == '-');
        (characters[at] == '#'
            && characters[at - 1] == ' '
            && matches!(characters[at - 2], 'A'..='G' | 'a'..='g')
            && letter_alone
            && octave)
            .then_some(at + 1)
    })
}

/// A number with a decimal comma, outside comments, and its column.
pub(super) fn decimal_comma(line: &str) -> Option<(usize, String)> {
    let characters: Vec<char> = line.chars().collect();
    let digit = |at: usize| characters.get(at).is_some_and(char::is_ascii_digit);
    let comment = (0..characters.len())
        .find(|&at| characters[at] == '#' && (at == 0 || characters[at - 1] == ' '))
        .unwrap_or(characters.len());
    let comma = (1..comment).find(|&at| characters[at] == ',' && digit(at - 1) && digit(at + 1))?;
    let from = (0..comma).rev().take_while(|&at| digit(at)).last()?;
    let until = (comma + 1..).take_while(|&at| digit(at)).last()?;
    // The octave of a note is no number: [C4,5].
    let of_a_note =
        from > 0 && (characters[from - 1].is_alphabetic() || characters[from - 1] == '#');
    (!of_a_note).then(|| (from + 1, characters[from..=until].iter().collect()))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_sharp_after_a_space_is_noticed() {
        assert_eq!(sharp_cut_off("notes: {list: [C4, F #4]}"), Some(22));
        assert_eq!(sharp_cut_off("note: F#4"), None);
        assert_eq!(sharp_cut_off("note: C4 #4 times"), None);
        assert_eq!(sharp_cut_off("channel: 3 # the third"), None);
    }

    #[test]
    fn a_decimal_comma_is_noticed() {
        let found = |line| decimal_comma(line).map(|(column, text)| format!("{column} {text}"));
        assert_eq!(found("window: {fixed: 0,5 s}").as_deref(), Some("17 0,5"));
        assert_eq!(found("window: {fixed: 0.5 s} # or 0,6 s"), None);
        assert_eq!(found("notes: [C4,5 V]"), None);
        assert_eq!(found("notes: [C4, C5]"), None);
    }
}
