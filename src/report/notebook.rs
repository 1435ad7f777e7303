//! Display in notebooks of the Rust kernel: the last value of a cell is shown as HTML.

use std::io::Write;

use crate::Error;
use crate::bootstrap::{GoodnessOfFit, SeverityBootstrap};
use crate::correction::Correction;
use crate::equivalence::{EquivalenceFit, TimeDependence};
use crate::planning::{Augmentation, Plan, Precision, Simulated};
use crate::screening::{InfluenceTable, ScreeningReport};
use crate::severity::mixed::MixedSeverityFit;
use crate::severity::{Additivity, CellMeans, ClassFactors, DistributionComparison, EqualScatter, SeverityFit};
use crate::tables::{self, Table, escape_html};

use super::certificate::Certificate;
use super::plots::{self, Plot, PlotOptions};

/// One block in one locked write, so that other output cannot come between.
fn show(html: &str) {
    let block = format!("EVCXR_BEGIN_CONTENT text/html\n{html}\nEVCXR_END_CONTENT\n");
    // Nowhere to report a closed standard output to.
    let _ = std::io::stdout().lock().write_all(block.as_bytes());
}

/// A picture that cannot be drawn (nothing to show) is left out; the tables say why.
fn picture(plots: crate::Result<Vec<Plot>>) -> String {
    plots.unwrap_or_default().iter().map(Plot::to_html).collect()
}

macro_rules! displays {
    ($($(#[$doc:meta])* $type:ty: |$value:ident| $html:expr;)*) => { $(
        impl $type {
            $(#[$doc])*
            #[must_use]
            pub fn to_html(&self) -> String {
                let $value = self;
                $html
            }

            /// Shows it in a notebook cell.
            pub fn evcxr_display(&self) {
                show(&self.to_html());
            }
        }
    )* };
}

displays! {
    /// Severity ladder, factors, durabilities and notes, as HTML for a notebook cell.
    SeverityFit: |fit| {
        let mut html = picture(plots::severity_ladder(fit, &PlotOptions::default()).map(|p| vec![p]));
        html.push_str(&tables::surface_factors(fit).to_html());
        html.push_str(&tables::durabilities(fit).to_html());
        if !fit.notes().is_empty() {
            html.push_str(&tables::notes(fit).to_html());
        }
        html
    };
    /// The table of cell medians as HTML for a notebook cell.
    CellMeans: |cells| tables::cell_medians(cells).to_html();
    /// The test as HTML for a notebook cell.
    Additivity: |test| tables::additivity(test).to_html();
    /// Departures of the classes, drawn and as a table, as HTML for a notebook cell.
    ClassFactors: |classes| {
        let drawn = plots::class_departures(classes, &PlotOptions::default()).map(|p| vec![p]);
        picture(drawn) + &tables::class_factors(classes).to_html()
    };
    /// Distributions and intervals as HTML for a notebook cell.
    SeverityBootstrap: |bootstrap| {
        let drawn = plots::bootstrap_distributions(bootstrap, &PlotOptions::default()).map(|p| vec![p]);
        picture(drawn) + &tables::bootstrap_intervals(bootstrap).to_html()
    };
    /// Belt against roads, drawn and as tables, as HTML for a notebook cell.
    EquivalenceFit: |fit| {
        let drawn = plots::lab_road(fit, None, &PlotOptions::default());
        picture(drawn) + &tables::equivalence(fit).to_html() + &tables::lab_road_lines(fit).to_html()
    };
    /// The table of corrections as HTML for a notebook cell.
    Correction: |correction| tables::corrections(correction).to_html();
    /// Flagged trials, and the answers with and without them, drawn and as a table, as HTML for a notebook cell.
    ScreeningReport: |report| {
        let drawn = plots::answers(report, &PlotOptions::default()).map(|p| vec![p]);
        tables::flagged(report).to_html() + &picture(drawn) + &tables::answers(report).to_html()
    };
    /// The ten that move a factor most, drawn and as a table, as HTML for a notebook cell.
    InfluenceTable: |table| {
        let drawn = plots::influence(table, &PlotOptions::default()).map(|p| vec![p]);
        picture(drawn) + &tables::influence(table, 10).to_html()
    };
    /// Variance components, drawn and as a table, and the factors, as HTML for a notebook cell.
    MixedSeverityFit: |fit| {
        let drawn = plots::variance_components(fit, &[], &PlotOptions::default()).map(|p| vec![p]);
        picture(drawn) + &tables::variance_components(fit, &[]).to_html() + &tables::mixed_factors(fit).to_html()
    };
    /// The comparison as HTML for a notebook cell.
    DistributionComparison: |comparison| tables::distributions(comparison).to_html();
    /// The test as HTML for a notebook cell.
    GoodnessOfFit: |test| tables::goodness_of_fit(test).to_html();
    /// The test as HTML for a notebook cell.
    EqualScatter: |test| tables::scatter(test, None).to_html();
    /// Slopes as HTML for a notebook cell.
    TimeDependence: |slopes| tables::time_dependence(slopes).to_html();
    /// The planned specimens as HTML for a notebook cell.
    Plan: |plan| tables::planned_cells(plan).to_html();
    /// Expected factors and corrections as HTML for a notebook cell.
    Precision: |precision| {
        let mut html = tables::planned_factors(precision).to_html();
        if !precision.corrections().is_empty() {
            html.push_str(&tables::planned_corrections(precision).to_html());
        }
        html
    };
    /// The steps as HTML for a notebook cell.
    Augmentation: |steps| tables::augmentation(steps).to_html();
    /// How the simulated campaigns came out, as HTML for a notebook cell.
    Simulated: |simulated| tables::simulated_factors(simulated).to_html();
    /// The message, every problem on its line, as HTML for a notebook cell.
    Error: |error| {
        let lines: Vec<String> = error.to_string().lines().map(escape_html).collect();
        format!("<pre style=\"white-space:pre-wrap\">{}</pre>\n", lines.join("\n"))
    };
}

impl Certificate<'_> {
    /// Shows the sheet in a notebook cell.
    pub fn evcxr_display(&self) {
        show(&self.to_fragment());
    }
}

impl Table {
    /// Shows the table in a notebook cell.
    pub fn evcxr_display(&self) {
        show(&self.to_html());
    }
}

impl Plot {
    /// Shows the picture with its caption in a notebook cell.
    pub fn evcxr_display(&self) {
        show(&self.to_html());
    }
}
