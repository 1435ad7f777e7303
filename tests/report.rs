//! Pictures, tables and the page: structure, completeness, escaping, same bytes.
#![cfg(feature = "report")]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::path::Path;

use surface_severity::bootstrap::Bootstrap;
use surface_severity::campaign::{Campaign, Outcome, SurfaceRole, Trial};
use surface_severity::report::{Page, Plot, PlotOptions, Reproduction, plots};
use surface_severity::severity::{Additivity, CellMeans, ClassFactors, Distribution, Severity, SeverityFit};
use surface_severity::tables;

/// The invented campaign.
fn demo() -> Campaign {
    Campaign::read_path(Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo/trials.csv")).unwrap()
}

fn fit(campaign: &Campaign) -> SeverityFit {
    Severity::new("dense asphalt concrete").fit(campaign).unwrap()
}

/// Written beside the build for looking at.
fn keep(name: &str, text: &str) {
    std::fs::write(Path::new(env!("CARGO_TARGET_TMPDIR")).join(name), text).unwrap();
}

#[test]
fn look() {
    let campaign = demo();
    let fit = fit(&campaign);
    for (name, width) in [("wide", 720), ("narrow", 366)] {
        let options = PlotOptions::new().width_px(width);
        keep(&format!("ladder-{name}.svg"), plots::severity_ladder(&fit, &options).unwrap().to_svg());
        let diagnostics = fit.diagnostics(&campaign, 1).unwrap();
        keep(
            &format!("residuals-{name}.svg"),
            plots::residual_quantiles(&fit, &diagnostics, &options).unwrap().to_svg(),
        );
        let classes = ClassFactors::fit(fit.plan(), &campaign).unwrap();
        keep(&format!("classes-{name}.svg"), plots::class_departures(&classes, &options).unwrap().to_svg());
        let bootstrap = Bootstrap::stratified(1000).severity(fit.plan(), &campaign).unwrap();
        keep(&format!("bootstrap-{name}.svg"), plots::bootstrap_distributions(&bootstrap, &options).unwrap().to_svg());
        for (i, plot) in plots::abrasion_times(&campaign, &fit, &options).unwrap().iter().enumerate() {
            keep(&format!("times-{name}-{i}.svg"), plot.to_svg());
        }
    }
    let classes = ClassFactors::fit(fit.plan(), &campaign).unwrap();
    let additivity = Additivity::test(fit.plan(), &campaign).unwrap();
    let bootstrap = Bootstrap::stratified(1000).severity(fit.plan(), &campaign).unwrap();
    let page = Page::new(&fit)
        .title("Quenlow valley, first campaign")
        .campaign(&campaign)
        .additivity(&additivity)
        .class_factors(&classes)
        .bootstrap(&bootstrap)
        .reproduction(Reproduction::new().seed(1).command("cargo run --release --example severity_study"));
    keep("page.html", &page.to_html().unwrap());
    let cells = CellMeans::fit(&campaign, Distribution::LogNormal, 0.95).unwrap();
    let mut text = format!("{fit}\n{}\n", tables::fit_summary(&fit));
    text.push_str(&cells.to_string());
    keep("tables.txt", &text);
    keep("tables.html", &fit.to_html());
    keep("tables.md", &tables::surface_factors(&fit).to_markdown());
    keep("tables.csv", &tables::surface_factors(&fit).to_csv());
}
