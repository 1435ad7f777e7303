//! The crate against published values and other software. Every check names its source; the data
//! lie in tests/data with their source in the first line.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "../agreement/mod.rs"]
mod agreement;
mod bootstrap;
mod censored;
mod certified;
mod diagnostics;
mod published;

use std::path::PathBuf;

/// A small table from tests/data: the `#` line is its source, the next its header.
pub(crate) struct Table {
    header: Vec<String>,
    rows: Vec<Vec<String>>,
}

impl Table {
    pub(crate) fn read(name: &str) -> Self {
        Self::from(&format!("tests/data/{name}"))
    }

    /// Values computed by other software; the `#` line names it and the script.
    pub(crate) fn stored(name: &str) -> Self {
        Self::from(&format!("tests/reference/values/{name}"))
    }

    fn from(path: &str) -> Self {
        let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(path);
        let mut reader = csv::ReaderBuilder::new().trim(csv::Trim::All).comment(Some(b'#')).from_path(&path).unwrap();
        let header = reader.headers().unwrap().iter().map(ToOwned::to_owned).collect();
        let rows = reader.records().map(|r| r.unwrap().iter().map(ToOwned::to_owned).collect()).collect();
        Self { header, rows }
    }

    pub(crate) fn text(&self, column: &str) -> Vec<String> {
        let i = self.header.iter().position(|h| h == column).unwrap_or_else(|| panic!("no column {column}"));
        self.rows.iter().map(|r| r[i].clone()).collect()
    }

    pub(crate) fn numbers(&self, column: &str) -> Vec<f64> {
        self.text(column).iter().map(|t| t.parse().unwrap()).collect()
    }

    /// Levels of a column, numbered by first appearance.
    pub(crate) fn levels(&self, column: &str) -> Vec<usize> {
        let mut seen: Vec<String> = Vec::new();
        self.text(column)
            .into_iter()
            .map(|t| {
                seen.iter().position(|s| *s == t).unwrap_or_else(|| {
                    seen.push(t);
                    seen.len() - 1
                })
            })
            .collect()
    }
}

/// Fails unless `got` has at least `digits` correct significant digits.
#[track_caller]
pub(crate) fn assert_digits(got: f64, want: f64, digits: f64) {
    agreement::note(got, want);
    let reached = agreement::digits(got, want);
    assert!(reached >= digits, "got {got:.15e}, want {want:.15e}: {reached:.1} digits, {digits} needed");
}
