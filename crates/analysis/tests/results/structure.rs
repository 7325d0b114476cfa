//! The way through the crate has one direction.

#![allow(clippy::disallowed_methods)] // It reads the crate's own source.

use std::fs;
use std::path::Path;

/// Folders and files in the order of the way through; each may use those before it, and
/// what stands beside it in its own folder.
const ORDER: [&str; 12] = [
    "statistics",
    "readings",
    "incidents",
    "uncertainty",
    "curves",
    "results",
    "judging",
    "suggestions",
    "foresight",
    "run",
    "comparison",
    "batch",
];

/// Every `crate::` path in a file, by its first name; what the crate hands over has none.
fn uses(text: &str) -> impl Iterator<Item = &str> {
    let names = text.split("crate::").skip(1).map(|rest| {
        let end = rest.find(|c: char| !c.is_ascii_lowercase() && c != '_');
        &rest[..end.unwrap_or(rest.len())]
    });
    names.filter(|name| !name.is_empty())
}

fn look(folder: &Path, place: usize, found: &mut Vec<String>) {
    for entry in fs::read_dir(folder).unwrap() {
        let path = entry.unwrap().path();
        if path.is_dir() {
            look(&path, place, found);
        } else {
            hold(&path, place, found);
        }
    }
}

fn hold(file: &Path, place: usize, found: &mut Vec<String>) {
    let text = fs::read_to_string(file).unwrap();
    for name in uses(&text) {
        match ORDER.iter().position(|folder| *folder == name) {
            Some(used) if used <= place => {}
            _ => found.push(format!("{} uses {name}", file.display())),
        }
    }
}

#[test]
fn each_step_uses_only_those_before_it() {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut found = Vec::new();
    for entry in fs::read_dir(&source).unwrap() {
        let path = entry.unwrap().path();
        let name = path.file_stem().unwrap().to_str().unwrap().to_owned();
        if name == "lib" {
            continue;
        }
        let place = ORDER.iter().position(|folder| *folder == name);
        let place = place.unwrap_or_else(|| panic!("{name} has no place in the way through"));
        if path.is_dir() {
            look(&path, place, &mut found);
        } else {
            hold(&path, place, &mut found);
        }
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
}

/// Folders that still say something in words; the list only gets shorter.
const STILL_IN_WORDS: [&str; 1] = ["batch"];

/// The string literals of a file's text outside comments and tests, each with what stands
/// before it.
fn literals(text: &str) -> Vec<(&str, &str)> {
    let text = text.split("#[cfg(test)]\nmod tests").next().unwrap();
    let mut found = Vec::new();
    let mut at = 0;
    while let Some(next) = text[at..].find(['"', '\'', '/']) {
        let start = at + next;
        let rest = &text[start..];
        let end = if rest.starts_with("//") {
            rest.find('\n').unwrap_or(rest.len())
        } else if rest.starts_with("'\"'") || rest.starts_with("'\\\"'") {
            4
        } else if let Some(inside) = rest.strip_prefix('"') {
            let mut escaped = false;
            let close = inside.find(|c| {
                let closes = c == '"' && !escaped;
                escaped = c == '\\' && !escaped;
                closes
            });
            let close = close.unwrap() + 1;
            found.push((&text[..start], &rest[1..close]));
            close + 1
        } else {
            1
        };
        at = start + end;
    }
    found
}

/// Two words with a blank between them, whatever is filled in.
fn is_prose(literal: &str) -> bool {
    let mut outside = true;
    let bare: String = literal
        .chars()
        .map(|c| {
            outside = (outside || c == '}') && c != '{';
            if outside && c != '}' { c } else { '_' }
        })
        .collect();
    let is_word = |word: &str| word.len() > 1 && word.chars().all(|c| c.is_ascii_lowercase());
    let words: Vec<&str> = bare.split(' ').collect();
    words.windows(2).any(|pair| pair.iter().all(|w| is_word(w)))
}

#[test]
fn nothing_is_said_in_words() {
    let source = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut found = Vec::new();
    let mut folders = vec![source];
    while let Some(folder) = folders.pop() {
        for entry in fs::read_dir(&folder).unwrap() {
            let path = entry.unwrap().path();
            let name = path.file_stem().unwrap().to_str().unwrap().to_owned();
            if STILL_IN_WORDS.contains(&name.as_str()) {
                continue;
            }
            if path.is_dir() {
                folders.push(path);
                continue;
            }
            let text = fs::read_to_string(&path).unwrap();
            // Streams of random numbers have names, and so have bugs.
            let may = [
                "trials(",
                "trials(&format!(",
                "Source::CvDrift,",
                "Source::Thermometer,",
                "expect(",
                "panic!(",
            ];
            let prose = literals(&text).into_iter().filter(|(before, literal)| {
                is_prose(literal) && !may.iter().any(|way| before.trim_end().ends_with(way))
            });
            found.extend(prose.map(|(_, prose)| format!("{}: {prose}", path.display())));
        }
    }
    assert!(found.is_empty(), "{}", found.join("\n"));
    assert!(is_prose("interval of {which}") && is_prose("no reading counts"));
    assert!(!is_prose("{name} {choice:?}") && literals("// \"a b\"\n").is_empty());
}
