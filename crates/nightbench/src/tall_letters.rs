//! Letters several lines high, of block characters, for what is read from afar.

/// Lines of a letter.
pub const HEIGHT: usize = 7;
/// Columns of a letter, before it is widened.
pub const WIDTH: usize = 5;

/// What each letter looks like, line by line, five bits a line, the leftmost first.
const LETTERS: [(char, [u8; HEIGHT]); 23] = [
    (
        '0',
        [
            0b01110, 0b10001, 0b10001, 0b10101, 0b10001, 0b10001, 0b01110,
        ],
    ),
    (
        '1',
        [
            0b00100, 0b01100, 0b10100, 0b00100, 0b00100, 0b00100, 0b11111,
        ],
    ),
    (
        '2',
        [
            0b01110, 0b10001, 0b00001, 0b00110, 0b01000, 0b10000, 0b11111,
        ],
    ),
    (
        '3',
        [
            0b11110, 0b00001, 0b00001, 0b01110, 0b00001, 0b00001, 0b11110,
        ],
    ),
    (
        '4',
        [
            0b10010, 0b10010, 0b10010, 0b11111, 0b00010, 0b00010, 0b00010,
        ],
    ),
    (
        '5',
        [
            0b11111, 0b10000, 0b10000, 0b11110, 0b00001, 0b00001, 0b11110,
        ],
    ),
    (
        '6',
        [
            0b01110, 0b10000, 0b10000, 0b11110, 0b10001, 0b10001, 0b01110,
        ],
    ),
    (
        '7',
        [
            0b11111, 0b00001, 0b00010, 0b00100, 0b00100, 0b01000, 0b01000,
        ],
    ),
    (
        '8',
        [
            0b01110, 0b10001, 0b10001, 0b01110, 0b10001, 0b10001, 0b01110,
        ],
    ),
    (
        '9',
        [
            0b01110, 0b10001, 0b10001, 0b01111, 0b00001, 0b00001, 0b01110,
        ],
    ),
    (
        'A',
        [
            0b01110, 0b10001, 0b10001, 0b11111, 0b10001, 0b10001, 0b10001,
        ],
    ),
    (
        'B',
        [
            0b11110, 0b10001, 0b10001, 0b11110, 0b10001, 0b10001, 0b11110,
        ],
    ),
    (
        'C',
        [
            0b01111, 0b10000, 0b10000, 0b10000, 0b10000, 0b10000, 0b01111,
        ],
    ),
    (
        'D',
        [
            0b11110, 0b10001, 0b10001, 0b10001, 0b10001, 0b10001, 0b11110,
        ],
    ),
    (
        'E',
        [
            0b11111, 0b10000, 0b10000, 0b11110, 0b10000, 0b10000, 0b11111,
        ],
    ),
    (
        'F',
        [
            0b11111, 0b10000, 0b10000, 0b11110, 0b10000, 0b10000, 0b10000,
        ],
    ),
    (
        'G',
        [
            0b01111, 0b10000, 0b10000, 0b10111, 0b10001, 0b10001, 0b01111,
        ],
    ),
    (
        'b',
        [
            0b10000, 0b10000, 0b10000, 0b11110, 0b10001, 0b10001, 0b11110,
        ],
    ),
    (
        '#',
        [
            0b01010, 0b01010, 0b11111, 0b01010, 0b11111, 0b01010, 0b01010,
        ],
    ),
    (
        '+',
        [
            0b00000, 0b00100, 0b00100, 0b11111, 0b00100, 0b00100, 0b00000,
        ],
    ),
    (
        '-',
        [
            0b00000, 0b00000, 0b00000, 0b11111, 0b00000, 0b00000, 0b00000,
        ],
    ),
    (
        '.',
        [
            0b00000, 0b00000, 0b00000, 0b00000, 0b00000, 0b01100, 0b01100,
        ],
    ),
    (' ', [0; HEIGHT]),
];

/// A text in tall letters, each dot `widened` columns wide. Characters that have no
/// letter are left blank.
pub fn lines(text: &str, widened: usize) -> [String; HEIGHT] {
    std::array::from_fn(|line| {
        let mut row = String::new();
        for character in text.chars() {
            let dots = LETTERS
                .iter()
                .find(|(letter, _)| *letter == character)
                .map_or(0, |(_, rows)| rows[line]);
            for column in (0..WIDTH).rev() {
                let dot = if dots >> column & 1 == 1 {
                    '\u{2588}'
                } else {
                    ' '
                };
                row.extend(std::iter::repeat_n(dot, widened));
            }
            row.extend(std::iter::repeat_n(' ', widened));
        }
        row.truncate(row.trim_end().len());
        row
    })
}

/// The columns that a text takes.
pub fn columns(text: &str, widened: usize) -> usize {
    text.chars().count() * (WIDTH + 1) * widened
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn every_note_and_number_can_be_written() {
        for number in -1..=131 {
            let note = model::pitch::Note::from_number(number);
            let text = format!("{} {:+.2}", note.name(), -50.25);
            for character in text.chars().chain("Bb0123456789".chars()) {
                assert!(
                    LETTERS.iter().any(|(letter, _)| *letter == character),
                    "{character}"
                );
            }
        }
    }

    #[test]
    fn letters_differ_and_fit_their_columns() {
        for (index, (letter, rows)) in LETTERS.iter().enumerate() {
            assert!(rows.iter().all(|row| *row < 1 << WIDTH), "{letter}");
            assert!(
                LETTERS[..index].iter().all(|(_, other)| other != rows),
                "{letter}"
            );
        }
        let wide = lines("A4 +0.04", 2);
        assert!(
            wide.iter()
                .all(|line| line.chars().count() <= columns("A4 +0.04", 2))
        );
    }
}
