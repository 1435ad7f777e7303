//! Screening: published values, the demo campaign with its known gross errors, documents.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "../agreement/mod.rs"]
mod agreement;
mod decisions;
mod demo;
mod documents;
mod influence;
mod masking;
#[path = "../../examples/planted/mod.rs"]
mod planted;
mod published;
mod robust;
mod rules;

use std::path::PathBuf;

use surface_severity::campaign::{Campaign, Trial};

fn path(name: &str) -> PathBuf {
    PathBuf::from(env!("CARGO_MANIFEST_DIR")).join(name)
}

/// One column of a small table in tests/data, whose first line is its source.
fn texts(file: &str, column: &str) -> Vec<String> {
    let mut reader = csv::ReaderBuilder::new().comment(Some(b'#')).from_path(path("tests/data").join(file)).unwrap();
    let i = reader.headers().unwrap().iter().position(|h| h == column).unwrap();
    reader.records().map(|r| r.unwrap()[i].to_owned()).collect()
}

fn numbers(file: &str, column: &str) -> Vec<f64> {
    texts(file, column).iter().map(|t| t.parse().unwrap()).collect()
}

/// The demo campaign, as trials.
fn demo_trials() -> Vec<Trial> {
    Campaign::read_path(path("data-demo/trials.csv")).unwrap().trials().to_vec()
}

fn campaign(trials: impl IntoIterator<Item = Trial>) -> Campaign {
    Campaign::from_trials(trials).unwrap()
}
