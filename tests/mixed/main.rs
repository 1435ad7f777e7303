//! Random effects against closed forms, R and brute-force integration. Every check names its source;
//! the data lie in tests/data with their source in the first line, values from R in
//! tests/reference/values with the script that made them in tests/reference/r.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "../agreement/mod.rs"]
mod agreement;
mod censored;
mod covariate;
mod coverage;
mod linear;
mod recorded;
mod restricted;
mod severity;

use std::path::PathBuf;

/// A small table: the `#` line is its source, the next its header.
pub(crate) struct Table {
    header: Vec<String>,
    rows: Vec<Vec<String>>,
}

impl Table {
    pub(crate) fn read(name: &str) -> Self {
        Self::at("tests/data", name)
    }

    fn at(folder: &str, name: &str) -> Self {
        let path = PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(folder).join(name);
        let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_path(&path).unwrap();
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

    /// Levels of a column, numbered in the order of their names.
    pub(crate) fn levels(&self, column: &str) -> Vec<usize> {
        codes(&self.text(column))
    }
}

pub(crate) fn codes<T: Ord>(labels: &[T]) -> Vec<usize> {
    let mut sorted: Vec<&T> = labels.iter().collect();
    sorted.sort();
    sorted.dedup();
    labels.iter().map(|l| sorted.binary_search(&l).unwrap()).collect()
}

/// Values written by a script in tests/reference/r.
pub(crate) struct Values {
    rows: Vec<(String, String, f64, f64)>,
}

impl Values {
    pub(crate) fn read(name: &str) -> Self {
        let table = Table::at("tests/reference/values", name);
        let (set, quantity) = (table.text("set"), table.text("quantity"));
        let (value, digits) = (table.numbers("value"), table.numbers("digits"));
        let rows = (0..set.len()).map(|i| (set[i].clone(), quantity[i].clone(), value[i], digits[i])).collect();
        Self { rows }
    }

    fn find(&self, set: &str, quantity: &str) -> (f64, f64) {
        let row = self.rows.iter().find(|r| r.0 == set && r.1 == quantity);
        row.map_or_else(|| panic!("no value {set}, {quantity}"), |r| (r.2, r.3))
    }

    pub(crate) fn get(&self, set: &str, quantity: &str) -> f64 {
        self.find(set, quantity).0
    }

    /// Fails unless `got` agrees to the digits that the script states.
    #[track_caller]
    pub(crate) fn check(&self, set: &str, quantity: &str, got: f64) {
        let (want, digits) = self.find(set, quantity);
        // Near zero the difference counts.
        let near_zero = want.abs() < 1e-8;
        let reached = if near_zero { agreement::digits(got - want, 0.0) } else { agreement::digits(got, want) };
        if !near_zero {
            agreement::note(got, want);
        }
        assert!(reached >= digits, "{set}, {quantity}: got {got:.12e}, R {want:.12e}: {reached:.1} of {digits} digits");
    }
}

/// Fails unless `got` has at least `digits` correct significant digits.
#[track_caller]
pub(crate) fn assert_digits(got: f64, want: f64, digits: f64) {
    let error = if want == 0.0 { got.abs() } else { ((got - want) / want).abs() };
    let reached = -error.max(1e-17).log10();
    assert!(reached >= digits, "got {got:.15e}, want {want:.15e}: {reached:.1} digits, {digits} needed");
}
