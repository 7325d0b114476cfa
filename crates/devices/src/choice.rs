//! Choosing a device by the name a person wrote down.

/// Finds the one of `names` that is meant by `wanted`: the one called exactly so,
/// else the only one that contains it, capitals or not.
///
/// # Errors
/// When none or several fit: a sentence that lists what there is. `kind` says
/// what is looked for, in the plural ("MIDI outputs").
pub(crate) fn by_name(wanted: &str, names: &[String], kind: &str) -> Result<usize, String> {
    if names.is_empty() {
        return Err(format!("there are no {kind} at all"));
    }
    let exact = |name: &&String| name.as_str() == wanted;
    let folded = wanted.to_lowercase();
    let partly = |name: &&String| !folded.is_empty() && name.to_lowercase().contains(&folded);
    let fits: Vec<usize> = match positions(names, exact) {
        found if found.is_empty() => positions(names, partly),
        found => found,
    };
    match fits.as_slice() {
        [one] => Ok(*one),
        [] => Err(format!(
            "none of the {kind} is called \"{wanted}\"; there are {}",
            listed(names.iter())
        )),
        several => Err(format!(
            "several {kind} fit \"{wanted}\": {}; write a part of the name that only one of them has",
            listed(several.iter().filter_map(|index| names.get(*index)))
        )),
    }
}

fn positions(names: &[String], fits: impl Fn(&&String) -> bool) -> Vec<usize> {
    names
        .iter()
        .enumerate()
        .filter(|(_, name)| fits(name))
        .map(|(index, _)| index)
        .collect()
}

fn listed<'a>(names: impl Iterator<Item = &'a String>) -> String {
    names
        .map(|name| format!("\"{name}\""))
        .collect::<Vec<_>>()
        .join(", ")
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn the_exact_name_wins_and_a_part_must_be_the_only_one() {
        let names = ["Box", "Box 2", "Other"].map(String::from);
        assert_eq!(by_name("Box", &names, "things"), Ok(0));
        assert_eq!(by_name("oth", &names, "things"), Ok(2));
        let several = by_name("bo", &names, "things").unwrap_err();
        assert!(several.contains("\"Box\", \"Box 2\"") && !several.contains("Other"));
        let none = by_name("Nix", &names, "things").unwrap_err();
        assert!(none.contains("\"Other\""), "{none}");
        assert!(by_name("", &names, "things").is_err());
        assert!(by_name("x", &[], "MIDI outputs").is_err());
    }
}
