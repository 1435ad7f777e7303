//! Laboratory-only reports read as road times with a saved correction: no trials needed.
//!
//! ```text
//! cargo run --example correct_reports -- [correction.json [lab_reports.csv]]
//! ```
//! Without arguments it takes the correction that `severity_study` wrote (deriving it anew from
//! data-demo if there is none yet) and the demo's reports.

mod study;

use std::path::{Path, PathBuf};
use std::process::ExitCode;

use study::Failure;
use surface_severity::campaign::Campaign;
use surface_severity::correction::{Correction, LabReports};
use surface_severity::severity::Severity;
use surface_severity::study::Study;

fn main() -> ExitCode {
    study::exit_code(run())
}

fn run() -> Result<(), Failure> {
    let mut arguments = std::env::args().skip(1);
    let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo");
    let saved = arguments.next().map_or_else(|| PathBuf::from("target/severity-study/correction.json"), PathBuf::from);
    let reports = arguments.next().map_or_else(|| demo.join("lab_reports.csv"), PathBuf::from);
    let correction =
        if saved.exists() || std::env::args().len() > 1 { Correction::load_path(&saved)? } else { derive(&demo)? };
    let reports = LabReports::read_path(reports)?;
    let corrected: Vec<_> = reports.reports().iter().flat_map(|report| correction.apply(report)).collect();
    print!("{}", correction.reports_csv(&corrected)?);
    for caution in correction.cautions() {
        eprintln!("{caution}");
    }
    Ok(())
}

fn derive(demo: &Path) -> Result<Correction, Failure> {
    let campaign = Campaign::read_path(demo.join("trials.csv"))?;
    let study = Study::new(Severity::new("dense asphalt concrete")).run(&campaign, None)?;
    let correction = study.belts.into_iter().find_map(|belt| belt.correction);
    correction.ok_or_else(|| Failure::Usage("the demo has no correction".into()))
}
