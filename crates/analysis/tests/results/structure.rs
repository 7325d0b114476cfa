//! The way through the crate has one direction.

#![allow(clippy::disallowed_methods)] // It reads the crate's own source.

use std::fs;
use std::path::Path;

/// Folders and files in the order of the way through; each may use those before it, and
/// what stands beside it in its own folder.
const ORDER: [&str; 13] = [
    "words",
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
