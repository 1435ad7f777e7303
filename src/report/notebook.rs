//! Display in notebooks of the Rust kernel: the last value of a cell is shown as HTML.

use std::io::Write;

use crate::Error;
use crate::bootstrap::SeverityBootstrap;
use crate::correction::Correction;
use crate::equivalence::EquivalenceFit;
use crate::planning::{Augmentation, Plan, Precision, Simulated};
use crate::screening::{InfluenceTable, ScreeningReport};
use crate::severity::{Additivity, CellMeans, ClassFactors, DistributionComparison, EqualScatter, SeverityFit};
use crate::study::StudyResult;
use crate::tables::{self, Table, escape_html};

use super::answers;
use super::plots::{self, Plot, PlotOptions};
use super::sheet::CorrectionSheet;

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
    /// The conclusions of the study, as HTML for a notebook cell.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// let study = surface_severity::study::Study::new(plan).run(&campaign, None)?;
    /// assert!(study.to_html().contains("brushed concrete"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    StudyResult: |study| answers::fragment(study);
    /// Severity ladder, factors, durabilities and notes, as HTML for a notebook cell.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// let html = fit.to_html();
    /// assert!(html.contains("<svg") && html.contains("<table"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
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
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// assert!(fit.cell_means(&campaign)?.to_html().contains("<table"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    CellMeans: |cells| tables::cell_medians(cells).to_html();
    /// The test as HTML for a notebook cell.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// assert!(surface_severity::severity::Additivity::test(&plan, &campaign)?.to_html().contains("<table"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    Additivity: |test| tables::additivity(test).to_html();
    /// Departures of the classes as HTML for a notebook cell.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// assert!(surface_severity::severity::ClassFactors::fit(&plan, &campaign)?.to_html().contains("<table"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ClassFactors: |classes| tables::class_factors(classes).to_html();
    /// Distributions and intervals as HTML for a notebook cell.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// let html = surface_severity::bootstrap::Bootstrap::rescaled(100).severity(&plan, &campaign)?.to_html();
    /// assert!(html.contains("<svg") && html.contains("<table"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    SeverityBootstrap: |bootstrap| {
        let drawn = plots::bootstrap_distributions(bootstrap, &PlotOptions::default()).map(|p| vec![p]);
        picture(drawn) + &tables::bootstrap_intervals(bootstrap).to_html()
    };
    /// Belt against roads, drawn and as tables, as HTML for a notebook cell.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// assert!(equivalence.to_html().contains("<svg") && equivalence.to_html().contains("<table"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    EquivalenceFit: |fit| {
        let drawn = plots::lab_road(fit, None, &[], &PlotOptions::default());
        picture(drawn) + &tables::equivalence(fit).to_html() + &tables::lab_road_lines(fit).to_html()
    };
    /// The table of corrections as HTML for a notebook cell.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// assert!(correction.to_html().contains("<table"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    Correction: |correction| tables::corrections(correction).to_html();
    /// Flagged trials, and the answers with and without them, drawn and as a table, as HTML for a notebook cell.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// let report = surface_severity::screening::Screening::new().influence(false).screen(&campaign, &plan)?;
    /// assert!(report.to_html().contains("R-0077"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ScreeningReport: |report| {
        let drawn = plots::answers(report, &PlotOptions::default()).map(|p| vec![p]);
        tables::flagged(report).to_html() + &picture(drawn) + &tables::answers(report).to_html()
    };
    /// The ten that move a factor most, drawn and as a table, as HTML for a notebook cell.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::screening::{LeftOut, influence};
    /// let html = influence(&plan, &campaign, LeftOut::Day)?.to_html();
    /// assert!(html.contains("<svg") && html.contains("day-01"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    InfluenceTable: |table| {
        let drawn = plots::influence(table, &PlotOptions::default()).map(|p| vec![p]);
        picture(drawn) + &tables::influence(table, 10).to_html()
    };
    /// The comparison as HTML for a notebook cell.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// let comparison = surface_severity::severity::DistributionComparison::of(&plan, &campaign)?;
    /// assert!(comparison.to_html().contains("Weibull"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    DistributionComparison: |comparison| tables::distributions(comparison).to_html();
    /// The test as HTML for a notebook cell.
    ///
    /// ```
    /// // The belt halves the time of cowhide; one stop wire on asphalt broke late: 35 s.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let times = [("asphalt", [8.0, 8.4, 9.0, 9.6, 35.0]), ("belt", [4.0, 4.2, 4.5, 4.8, 4.4])];
    /// # let trials = times.iter().flat_map(|(surface, times)| times.iter().map(move |t| {
    /// #     Trial::perforated(format!("{surface} {t}"), *surface, "cowhide", *t)
    /// # }));
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::severity::{EqualScatter, ScatterBy, Severity};
    /// assert!(EqualScatter::test(&Severity::new("asphalt"), &campaign, ScatterBy::Surface)?.to_html().contains("<table"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    EqualScatter: |test| tables::scatter(test, None).to_html();
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
    ///
    /// ```
    /// let error = surface_severity::campaign::Campaign::from_reader("a,b\n".as_bytes(), "<trials>.csv").unwrap_err();
    /// assert!(error.to_html().contains("&lt;trials&gt;.csv"), "what the user wrote is escaped");
    /// ```
    Error: |error| {
        let lines: Vec<String> = error.to_string().lines().map(escape_html).collect();
        format!("<pre style=\"white-space:pre-wrap\">{}</pre>\n", lines.join("\n"))
    };
}

impl CorrectionSheet<'_> {
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
