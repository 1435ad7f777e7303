//! The page of the demo campaign after everything has been fitted, and the sheet of its correction.
#![allow(missing_docs, clippy::expect_used, reason = "benches")]

use std::hint::black_box;

use criterion::{Criterion, criterion_group, criterion_main};
use surface_severity::Error;
use surface_severity::bootstrap::{Bootstrap, GoodnessOfFit};
use surface_severity::campaign::Campaign;
use surface_severity::correction::{Correction, CorrectionOptions, LabReports};
use surface_severity::equivalence::Equivalence;
use surface_severity::report::{Certificate, Page};
use surface_severity::screening::Screening;
use surface_severity::severity::{
    Additivity, ClassFactors, DistributionComparison, EqualScatter, ScatterBy, Severity, UnequalScatter,
};

fn page(c: &mut Criterion) {
    measured(c).expect("the demo campaign is in order");
}

fn measured(c: &mut Criterion) -> Result<(), Error> {
    let campaign = Campaign::read_path(concat!(env!("CARGO_MANIFEST_DIR"), "/data-demo/trials.csv"))?;
    let reports = LabReports::read_path(concat!(env!("CARGO_MANIFEST_DIR"), "/data-demo/lab_reports.csv"))?;
    let plan = Severity::new("dense asphalt concrete");
    let fit = plan.fit(&campaign)?;
    let cells = fit.cell_means(&campaign)?;
    let additivity = Additivity::test(&plan, &campaign)?;
    let classes = ClassFactors::fit(&plan, &campaign)?;
    let bootstrap = Bootstrap::rescaled(1000).severity(&plan, &campaign)?;
    let screening = Screening::new().screen(&campaign, &plan)?;
    let equivalence = Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    let correction = Correction::derive(&equivalence, &CorrectionOptions::default())?;
    let corrected: Vec<_> = reports.reports().iter().flat_map(|r| correction.apply(r)).collect();
    let distributions = DistributionComparison::of(&plan, &campaign)?;
    let goodness = GoodnessOfFit::test(&Bootstrap::parametric(100), &plan, &campaign)?;
    let equal = EqualScatter::test(&plan, &campaign, ScatterBy::Class)?;
    let unequal = UnequalScatter::fit(&plan, &campaign, ScatterBy::Class)?;
    let page = Page::new(&fit)
        .campaign(&campaign)
        .additivity(&additivity)
        .class_factors(&classes)
        .bootstrap(&bootstrap)
        .screening(&screening)
        .equivalence(&equivalence)
        .correction(&correction)
        .cells(&cells)
        .corrected_reports(&corrected, Some(4.0))
        .distributions(&distributions)
        .goodness(&goodness)
        .scatter(&equal, Some(&unequal));
    c.bench_function("page", |b| b.iter(|| black_box(&page).to_html().map(|html| html.len())));
    let sheet = Certificate::new(&correction);
    c.bench_function("certificate", |b| b.iter(|| black_box(&sheet).to_html().len()));
    Ok(())
}

criterion_group! { name = benches; config = Criterion::default().sample_size(20); targets = page }
criterion_main!(benches);
