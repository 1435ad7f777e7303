//! Pictures, tables and the page: structure, completeness, escaping, same bytes.
#![cfg(feature = "report")]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::collections::BTreeMap;
use std::path::Path;

use surface_severity::campaign::{Campaign, Outcome, SurfaceRole, Trial};
use surface_severity::report::{Plot, PlotOptions, plots};
use surface_severity::severity::{CellMeans, Distribution, Severity, SeverityFit};
use surface_severity::tables;

/// The invented campaign.
fn demo() -> Campaign {
    let path = Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo/trials.csv");
    let rows: Vec<BTreeMap<String, String>> =
        csv::Reader::from_path(path).unwrap().deserialize().collect::<Result<_, _>>().unwrap();
    let trials = rows.iter().map(|r| {
        let (id, surface, material) = (&r["trial_id"], &r["surface"], &r["material"]);
        let time = r["abrasion_time_s"].parse().unwrap_or(f64::NAN);
        let trial = match r["outcome"].parse().unwrap() {
            Outcome::Perforated => Trial::perforated(id, surface, material, time),
            Outcome::RunOut => Trial::run_out(id, surface, material, time),
            Outcome::OpenedAtContact => Trial::opened_at_contact(id, surface, material, time),
            Outcome::Void => Trial::void(id, surface, material, &r["note"]),
        };
        trial.material_class(&r["material_class"]).surface_role(r["surface_role"].parse().unwrap())
    });
    trials.collect::<surface_severity::campaign::CampaignBuilder>().build().unwrap()
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
        for (i, plot) in plots::abrasion_times(&campaign, &fit, &options).unwrap().iter().enumerate() {
            keep(&format!("times-{name}-{i}.svg"), plot.to_svg());
        }
    }
    let cells = CellMeans::fit(&campaign, Distribution::LogNormal, 0.95).unwrap();
    let mut text = format!("{fit}\n{}\n", tables::fit_summary(&fit));
    text.push_str(&cells.to_string());
    keep("tables.txt", &text);
    keep("tables.html", &fit.to_html());
    keep("tables.md", &tables::surface_factors(&fit).to_markdown());
    keep("tables.csv", &tables::surface_factors(&fit).to_csv());
}
