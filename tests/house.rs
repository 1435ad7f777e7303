//! The arrows between the rooms of the library run one way.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::fs;
use std::path::Path;

/// From the ground up; a room may use what stands before it.
const ROOMS: [&str; 18] = [
    "error",
    "numeric",
    "estimate",
    "document",
    "record",
    "campaign",
    "severity",
    "equivalence",
    "correction",
    "screening",
    "laboratory",
    "slide",
    "bootstrap",
    "planning",
    "tables",
    "study",
    "report",
    "guide",
];

/// The library's own code: no comments, no documentation, no tests.
fn code(path: &Path, found: &mut String) {
    if path.is_dir() {
        let mut entries: Vec<_> = fs::read_dir(path).unwrap().map(|e| e.unwrap().path()).collect();
        entries.sort();
        for entry in entries {
            code(&entry, found);
        }
    } else if path.extension().is_some_and(|e| e == "rs") {
        let text = fs::read_to_string(path).unwrap();
        for line in text.split("#[cfg(test)]").next().unwrap().lines() {
            if !line.trim_start().starts_with("//") {
                found.push_str(line);
                found.push('\n');
            }
        }
    }
}

#[test]
fn no_arrow_runs_back_up() {
    let src = Path::new(env!("CARGO_MANIFEST_DIR")).join("src");
    let mut wrong = Vec::new();
    let mut seen = 0;
    for (at, room) in ROOMS.iter().enumerate() {
        let mut text = String::new();
        for path in [src.join(room), src.join(format!("{room}.rs"))].iter().filter(|p| p.exists()) {
            code(path, &mut text);
        }
        for (other, name) in ROOMS.iter().enumerate().filter(|(other, _)| *other != at) {
            let used = text.contains(&format!("crate::{name}::")) || text.contains(&format!("crate::{name};"));
            seen += usize::from(used);
            if used && other > at {
                wrong.push(format!("{room} uses {name}"));
            }
        }
    }
    assert!(seen > 30, "the imports were not read: {seen}");
    assert!(wrong.is_empty(), "{wrong:?}");
}
