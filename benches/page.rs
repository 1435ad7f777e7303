//! The study of the demo campaign, its page and its correction sheet.
#![allow(missing_docs, clippy::expect_used, reason = "benches")]

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use surface_severity::Error;
use surface_severity::campaign::Campaign;
use surface_severity::correction::LabReports;
use surface_severity::report::{CorrectionSheet, Page};
use surface_severity::severity::Severity;
use surface_severity::study::Study;

fn page(c: &mut Criterion) {
    measured(c).expect("the demo campaign is in order");
}

fn measured(c: &mut Criterion) -> Result<(), Error> {
    let campaign = Campaign::read_path(concat!(env!("CARGO_MANIFEST_DIR"), "/data-demo/trials.csv"))?;
    let reports = LabReports::read_path(concat!(env!("CARGO_MANIFEST_DIR"), "/data-demo/lab_reports.csv"))?;
    let plan = Study::new(Severity::new("dense asphalt concrete"));
    c.bench_function("study", |b| b.iter(|| black_box(&plan).run(&campaign, Some(&reports)).map(|s| s.belts.len())));
    let study = plan.run(&campaign, Some(&reports))?;
    let page = Page::new(&study);
    c.bench_function("page", |b| b.iter(|| black_box(&page).to_html().map(|html| html.len())));
    let sheet = CorrectionSheet::new(&study, "laboratory belt")?;
    c.bench_function("correction sheet", |b| b.iter(|| black_box(&sheet).to_html().len()));
    Ok(())
}

criterion_group! { name = benches; config = Criterion::default().sample_size(20); targets = page }
criterion_main!(benches);
