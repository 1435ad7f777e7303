//! Notes what checks against values of others found, where the variable `AGREEMENT` names a folder for it: `tests/agreement.rs` makes
//! the table of the guide from these notes.

use std::io::Write;

/// What is left of two numbers that agree: significant digits, 17 at most.
#[allow(dead_code, reason = "each file of tests uses its part")]
pub(crate) fn digits(got: f64, want: f64) -> f64 {
    let error = if want == 0.0 { got.abs() } else { ((got - want) / want).abs() };
    -error.max(1e-17).log10()
}

/// Notes a value of others and ours, under the name of the running test.
#[allow(dead_code, reason = "each file of tests uses its part")]
pub(crate) fn note(got: f64, want: f64) {
    let Some(folder) = std::env::var_os("AGREEMENT") else { return };
    let thread = std::thread::current();
    let line = format!("{},{},{want:e},{got:e}\n", env!("CARGO_CRATE_NAME"), thread.name().unwrap_or("?"));
    let path = std::path::Path::new(&folder).join(format!("{}.csv", std::process::id()));
    let mut file = std::fs::OpenOptions::new().create(true).append(true).open(path).unwrap();
    file.write_all(line.as_bytes()).unwrap();
}
