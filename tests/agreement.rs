//! The table of the guide that says how far our numbers agree with those of others, made from a run of the tests:
//!
//! ```text
//! mkdir -p target/agreement && rm -f target/agreement/*
//! AGREEMENT=$PWD/target/agreement cargo test --release --test reference --test mixed --test equivalence --test screening
//! WRITE_AGREEMENT=$PWD/target/agreement cargo test --release --test agreement
//! ```
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::collections::BTreeMap;
use std::path::{Path, PathBuf};

#[path = "agreement/mod.rs"]
mod notes;

const TABLE: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/src/guide/agreement.md");

/// Of one test: how many values, and where they agree least.
#[derive(Default)]
struct Row {
    values: usize,
    least: Option<(f64, String, String)>,
}

/// The file of a test, its name there and what it says of its source.
fn source(binary: &str, test: &str) -> (PathBuf, String, Option<String>) {
    let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests").join(binary);
    let (file, name) = test.rsplit_once("::").map_or(("main", test), |(module, name)| (module, name));
    let path = folder.join(format!("{file}.rs"));
    let text = std::fs::read_to_string(&path).unwrap_or_else(|e| panic!("{}: {e}", path.display()));
    let lines: Vec<&str> = text.lines().map(str::trim).collect();
    let at = lines.iter().position(|l| l.starts_with(&format!("fn {name}(")));
    let said = at.map(|at| {
        let above = lines[..at].iter().rev().take_while(|l| l.starts_with("///") || l.starts_with('#'));
        let mut words: Vec<&str> = above.filter_map(|l| l.strip_prefix("///")).map(str::trim).collect();
        words.reverse();
        words.join(" ")
    });
    (path, name.to_owned(), said)
}

/// So many characters of it, at most.
fn short(text: &str) -> String {
    let mut cut = String::new();
    for word in text.split_whitespace() {
        if cut.chars().count() + word.chars().count() > 180 {
            cut.push_str(" …");
            break;
        }
        if !cut.is_empty() {
            cut.push(' ');
        }
        cut.push_str(word);
    }
    cut.trim_end_matches('.').replace('|', "/")
}

fn written(folder: &Path) -> String {
    let mut rows: BTreeMap<(String, String), Row> = BTreeMap::new();
    for entry in std::fs::read_dir(folder).unwrap() {
        let text = std::fs::read_to_string(entry.unwrap().path()).unwrap();
        for line in text.lines() {
            let cells: Vec<&str> = line.split(',').collect();
            let [binary, test, want, got] = cells[..] else { panic!("{line}") };
            let digits = notes::digits(got.parse().unwrap(), want.parse().unwrap());
            let row = rows.entry((binary.to_owned(), test.to_owned())).or_default();
            row.values += 1;
            if row.least.as_ref().is_none_or(|l| digits < l.0) {
                row.least = Some((digits, want.to_owned(), got.to_owned()));
            }
        }
    }
    // What names nobody checks properties and degenerate shapes.
    let names = |said: &str| {
        let words = [
            "R `",
            "R.",
            "and R",
            "against R",
            "survreg",
            "abel ",
            "GUM",
            "lme4",
            "metafor",
            "NIST",
            "EMA",
            "Python",
            "Label a1",
            "certified",
        ];
        words.iter().any(|w| said.contains(w)) || (1900..2030).any(|year| said.contains(&year.to_string()))
    };
    rows.retain(|(binary, test), _| source(binary, test).2.is_some_and(|said| names(&said)));
    let values: usize = rows.values().map(|r| r.values).sum();
    let mut text = format!(
        "How far our numbers agree with those of others: published tables, certified sets, R and Python.\n\n\
         Made from a run of the tests, {values} values in {} tests; a row is a test, with the value that agrees least. Few digits are \
         those that the source prints, or those that input data rounded by their source leave. The scripts, software and \
         versions behind computed values stand in `tests/reference`.\n\n\
         | test | source, in its own words | values | least agreement | theirs | ours |\n|---|---|---|---|---|---|\n",
        rows.len()
    );
    for ((binary, test), row) in &rows {
        let (digits, want, got) = row.least.as_ref().unwrap();
        let (_, name, said) = source(binary, test);
        let said = said.unwrap_or_default();
        let shown = |x: &str| format!("{:.10e}", x.parse::<f64>().unwrap());
        text.push_str(&format!(
            "| `{binary}`, {} | {} | {} | {:.1} | {} | {} |\n",
            name.replace('_', " "),
            short(&said),
            row.values,
            digits.min(16.0),
            shown(want),
            shown(got)
        ));
    }
    text
}

/// Every test that the table names is there; with `WRITE_AGREEMENT` the table is made anew.
#[test]
fn the_table_names_tests_that_are_there() {
    if let Some(folder) = std::env::var_os("WRITE_AGREEMENT") {
        std::fs::write(TABLE, written(Path::new(&folder))).unwrap();
    }
    let table = std::fs::read_to_string(TABLE).unwrap();
    let mut named = 0;
    for line in table.lines().filter(|l| l.starts_with("| `")) {
        let mut parts = line.split('`').skip(1);
        let (binary, rest) = (parts.next().unwrap(), parts.next().unwrap());
        let name = rest.trim_start_matches(", ").split(" |").next().unwrap().replace(' ', "_");
        let folder = Path::new(env!("CARGO_MANIFEST_DIR")).join("tests").join(binary);
        let held = std::fs::read_dir(&folder).unwrap().any(|entry| {
            let path = entry.unwrap().path();
            path.extension().is_some_and(|e| e == "rs")
                && std::fs::read_to_string(path).unwrap().contains(&format!("fn {name}("))
        });
        assert!(held, "{binary}: no test {name}");
        named += 1;
    }
    assert!(named > 35, "{named} tests");
}
