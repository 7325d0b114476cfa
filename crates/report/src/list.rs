//! Several things in a sentence.

/// "A", "A and B", "A, B and C".
pub(crate) fn all(parts: &[String]) -> String {
    match parts {
        [] => String::new(),
        [one] => one.clone(),
        [first @ .., last] => format!("{} and {last}", first.join(", ")),
    }
}

/// The same, and of many the first few: "A, B, C and 7 more".
pub(crate) fn some(parts: &[String]) -> String {
    const MOST: usize = 8;
    if parts.len() <= MOST {
        return all(parts);
    }
    format!(
        "{} and {} more",
        parts[..MOST - 1].join(", "),
        parts.len() - MOST + 1
    )
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn lists_read_as_people_say_them() {
        let letters: Vec<String> = ('A'..='J').map(String::from).collect();
        assert_eq!(all(&letters[..0]), "");
        assert_eq!(all(&letters[..1]), "A");
        assert_eq!(all(&letters[..2]), "A and B");
        assert_eq!(all(&letters[..3]), "A, B and C");
        assert_eq!(some(&letters[..8]), "A, B, C, D, E, F, G and H");
        assert_eq!(some(&letters), "A, B, C, D, E, F, G and 3 more");
    }
}
