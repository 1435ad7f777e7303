//! The page: one HTML file that needs nothing else.

use crate::correction::CorrectedTime;
use crate::document::CRATE_VERSION;
use crate::error::{ErrorKind, Result};
use crate::screening::{LeftOut, ScreeningReport};
use crate::study::{Belt, Caveat, OtherDistribution, StudyResult};
use crate::tables::{self, Table, Value, capital, count};

use super::answers::{answers, readings};
use super::html::{Html, options};
use super::methods::methods;
use super::plots;

/// Figures of abrasion times on the page; a larger campaign goes on in the files.
const MOST_TIMES: usize = 6;
/// Trials without a remark that are listed by name.
const MOST_LISTED: usize = 1000;
/// Laboratory reports in the pictures.
const MOST_REPORTS: usize = 60;
/// Rows of the table of influence.
const MOST_INFLUENTIAL: usize = 10;

/// A study on one self-contained page: the answers first, then chapters, appendices folded. Inline SVG, no script,
/// nothing fetched, A4 in print. The same study gives the same bytes.
///
/// ```
/// use surface_severity::campaign::Campaign;
/// use surface_severity::report::Page;
/// use surface_severity::severity::Severity;
/// use surface_severity::study::Study;
///
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let study = Study::new(Severity::new("dense asphalt concrete")).run(&campaign, None)?;
/// let page = Page::new(&study).title("First campaign").to_html()?;
/// assert!(page.contains("<svg") && page.contains(study.severity.campaign_digest()));
/// // The belt's factor stands before the first picture.
/// let factor = study.conclusions.belts[0].to_string();
/// assert!(page.find(&factor[1..]).unwrap() < page.find("<svg").unwrap());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Page<'a> {
    study: &'a StudyResult,
    title: String,
    command: Option<String>,
}

impl<'a> Page<'a> {
    /// The page of a study.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// let study = surface_severity::study::Study::new(plan).run(&campaign, None)?;
    /// let html = surface_severity::report::Page::new(&study).to_html()?;
    /// assert!(html.contains("coarse surface dressing") && !html.contains("<script"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn new(study: &'a StudyResult) -> Self {
        Self { study, title: "Abrasion severity of surfaces".into(), command: None }
    }
    /// Sets the title.
    #[must_use]
    pub fn title(mut self, title: impl Into<String>) -> Self {
        self.title = title.into();
        self
    }
    /// Sets the command that was run.
    #[must_use]
    pub fn command(mut self, command: impl Into<String>) -> Self {
        self.command = Some(command.into());
        self
    }

    /// The page as HTML.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// let study = surface_severity::study::Study::new(plan).run(&campaign, None)?;
    /// let html = surface_severity::report::Page::new(&study).command("severity_study --seed 1").to_html()?;
    /// assert!(html.starts_with("<!DOCTYPE html>") && html.contains("severity_study --seed 1"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of the pictures: names that none can be drawn with.
    pub fn to_html(&self) -> Result<String> {
        let mut html = Html::new(&self.title, "");
        answers(&mut html, self.study);
        let contents = html.contents_here();
        self.surfaces(&mut html)?;
        for (i, belt) in self.study.belts.iter().enumerate() {
            self.belt(&mut html, belt, i)?;
        }
        self.materials(&mut html)?;
        self.screened(&mut html)?;
        self.model(&mut html)?;
        html.chapter("methods", "Methods");
        methods(&mut html, self.study);
        self.reproduce(&mut html);
        Ok(html.finish(Some(contents)))
    }

    fn surfaces(&self, html: &mut Html) -> Result<()> {
        let fit = &self.study.severity;
        html.chapter("surfaces", "Surfaces");
        html.figures(&[plots::severity_ladder(fit, &options("ladder"))?]);
        html.table(&tables::surface_factors(fit));
        if let Some(seasons) = &self.study.conclusions.seasons {
            html.folded("Earlier campaigns", |html| {
                html.table(&tables::seasons(seasons));
                Ok(())
            })?;
        }
        Ok(())
    }

    fn belt(&self, html: &mut Html, belt: &Belt, i: usize) -> Result<()> {
        let id = |name: &str| format!("{name}-{}", i + 1);
        let Some(equivalence) = &belt.equivalence else { return Ok(()) };
        html.chapter(&id("belt"), &format!("{} and the roads", capital(&belt.laboratory)));
        if equivalence.surfaces().iter().any(|s| !s.pairs().is_empty()) {
            html.figures(&plots::lab_road(
                equivalence,
                belt.correction.as_ref(),
                first_reports(&belt.corrected),
                &options(&id("lab-road")),
            )?);
        }
        if let Some(chart) = &belt.control {
            html.figures(&[plots::control_chart(chart, &options(&id("control")))?]);
        }
        if let Some(found) = self.study.conclusions.belts.get(i).filter(|_| belt.correction.is_some()) {
            html.folded("c of every class", |html| {
                html.table(&readings(found, equivalence.level(), false));
                Ok(())
            })?;
        }
        html.table(&tables::equivalence(equivalence));
        html.folded("Lines, and which form predicts better", |html| {
            html.table(&tables::lab_road_lines(equivalence));
            html.table(&tables::prediction_gains(equivalence));
            Ok(())
        })?;
        if let Some(correction) = &belt.correction {
            html.folded("Correction factors in full", |html| {
                html.table(&tables::corrections(correction));
                html.table(&tables::class_corrections(correction));
                html.list(correction.cautions().iter().cloned());
                Ok(())
            })?;
        }
        self.reports(html, belt, i)
    }

    fn reports(&self, html: &mut Html, belt: &Belt, i: usize) -> Result<()> {
        if belt.corrected.is_empty() {
            return Ok(());
        }
        html.chapter(&format!("reports-{}", i + 1), &format!("Reports from {} as road times", belt.laboratory));
        let rows = &belt.corrected;
        let mut drawn =
            plots::corrected_reports(first_reports(rows), None, &options(&format!("drawn-reports-{}", i + 1)))?;
        let all = drawn.len();
        drawn.truncate(MOST_TIMES);
        html.figures(&drawn[..drawn.len().min(1)]);
        let file = crate::study::numbered("corrected_reports.csv", i);
        html.folded(&format!("{} as a table", capital(&count(rows.len(), "reading"))), |html| {
            html.figures(&drawn[drawn.len().min(1)..]);
            if all > MOST_TIMES || first_reports(rows).len() < rows.len() {
                html.paragraph(&format!("The first reports are drawn; all are in {file}."));
            }
            html.table(&tables::corrected_reports(rows, None));
            Ok(())
        })?;
        if !belt.slides.is_empty() {
            html.folded("Slides to rest", |html| {
                html.table(&tables::slides(&belt.slides));
                Ok(())
            })?;
        }
        if !belt.exposed.is_empty() {
            html.table(&exposed(belt));
        }
        if !self.study.plan.required().is_empty() {
            html.table(&tables::requirements(rows, self.study.plan.required())?);
        }
        Ok(())
    }

    fn materials(&self, html: &mut Html) -> Result<()> {
        let (fit, campaign) = (&self.study.severity, &self.study.campaign);
        html.chapter("materials", "Materials");
        html.table(&tables::durabilities(fit));
        let (first, all) = plots::first_abrasion_times(campaign, fit, &options("times"), MOST_TIMES)?;
        html.folded("Every trial drawn", |html| {
            html.figures(&first);
            if all > MOST_TIMES {
                html.paragraph(&format!(
                    "The first pictures are shown; all {} of {} are in the trial table.",
                    count(campaign.trials().len(), "trial"),
                    count(campaign.materials().len(), "material")
                ));
            }
            Ok(())
        })?;
        let Ok(cells) = fit.cell_means(campaign) else { return Ok(()) };
        html.folded("The median of every material on every surface", |html| {
            html.table(&tables::cell_medians(&cells));
            Ok(())
        })
    }

    fn screened(&self, html: &mut Html) -> Result<()> {
        let Some(screening) = &self.study.screening else { return Ok(()) };
        html.chapter("screening", "Screening of the trials");
        let reference = screening.severity().reference();
        let compared = |row: &crate::screening::HeadlineFactor| {
            let answers = [&row.all_trials, &row.robust, &row.without_flagged];
            row.surface != reference && answers.iter().any(|e| e.interval().is_some())
        };
        if screening.headline().iter().any(compared) {
            html.figures(&[plots::answers(screening, &options("answers"))?]);
        }
        html.folded("Factors with and without the questioned trials", |html| {
            html.table(&tables::answers(screening));
            Ok(())
        })?;
        html.folded("All evidence: flags, remarks, voids", |html| {
            html.rows(&tables::spoken(screening));
            Ok(())
        })?;
        unremarked(html, screening)?;
        html.folded("Influence of single trials, materials, days and cells", |html| influences(html, screening))
    }

    fn model(&self, html: &mut Html) -> Result<()> {
        let (study, fit) = (self.study, &self.study.severity);
        html.chapter("model", "How well the model describes the times");
        let diagnostics = fit.diagnostics(&study.campaign, study.plan.chosen_seed())?;
        if !fit.groupings().is_empty() {
            html.table(&tables::variance_components(fit, &[]));
        }
        let better = study.conclusions.first.iter().find_map(|c| match c {
            Caveat::BetterDistribution(other) => Some(other),
            _ => None,
        });
        if let Some(other) = better {
            html.folded("What the better distribution would change", |html| {
                html.table(&changed(other));
                Ok(())
            })?;
        }
        html.folded("Residuals, fit, distributions, scatter, additivity", |html| {
            html.figures(&[plots::residual_quantiles(fit, &diagnostics, &options("residuals"))?]);
            html.table(&tables::fit_summary(fit));
            if !fit.notes().is_empty() {
                html.table(&tables::notes(fit));
            }
            if let Some(comparison) = &study.distributions {
                html.table(&tables::distributions(comparison));
            }
            if let Some(test) = &study.equal_scatter {
                html.table(&tables::scatter(test, study.unequal_scatter.as_ref()));
            }
            if let Some(test) = &study.additivity {
                html.table(&tables::additivity(test));
            }
            Ok(())
        })?;
        let Some(bootstrap) = &study.bootstrap else { return Ok(()) };
        html.folded("Bootstrap of independent trials, for comparison only", |html| {
            html.paragraph(
                "It draws single trials as if nothing were shared, so its limits are too narrow where days or belts differ. \
                 Quote the factors above.",
            );
            html.table(&tables::bootstrap_intervals(bootstrap));
            if bootstrap.fit().column_names().is_empty() {
                return Ok(());
            }
            html.figures(&[plots::bootstrap_distributions(bootstrap, &options("bootstrap"))?]);
            Ok(())
        })
    }

    fn reproduce(&self, html: &mut Html) {
        let fit = &self.study.severity;
        html.chapter("again", "To make this page again");
        let columns = vec![tables::Column::words("item", "item"), tables::Column::words("value", "value")];
        let mut table = Table::new("Reproduction", columns);
        let mut add = |name: &str, value: String| table.add(vec![Value::text(name), Value::text(value)]);
        add("SHA-256 of the trial table", fit.campaign_digest().to_owned());
        add("surface-severity", format!("version {CRATE_VERSION}"));
        add("reference surface", fit.reference().to_owned());
        add("distribution", fit.distribution().to_string());
        add("confidence level", fit.level().to_string());
        if let Some(bootstrap) = &self.study.bootstrap {
            let plan = bootstrap.replicates().plan();
            add("bootstrap", format!("{}; {} replicates", plan.scheme(), plan.replicates));
        }
        add("seed", self.study.plan.chosen_seed().to_string());
        if let Some(command) = &self.command {
            add("command", command.clone());
        }
        html.table(&table);
    }
}

/// Readings of the reports that are drawn.
fn first_reports(rows: &[CorrectedTime]) -> &[CorrectedTime] {
    let beyond = rows.chunk_by(|a, b| a.report_id() == b.report_id()).take(MOST_REPORTS).map(<[_]>::len).sum();
    &rows[..beyond]
}

fn exposed(belt: &Belt) -> Table {
    let columns = vec![
        tables::Column::words("report_id", "report"),
        tables::Column::numbers("road_median_s", "road median").unit("s"),
        tables::Column::numbers("lower_s", "lower").unit("s"),
        tables::Column::numbers("upper_s", "upper").unit("s"),
    ];
    let mut table = Table::new("Reports on the mixture of roads", columns).with_caption(
        "A slide happens on one road, drawn by the shares: median and prediction limits of the mixture of their times.",
    );
    for time in &belt.exposed {
        let id = time.components().first().map_or("", |c| c.report_id());
        let mut row = vec![Value::text(id)];
        row.extend(Value::estimate(time.road_median_s()));
        table.add(row);
    }
    if let Some(time) = belt.exposed.first() {
        let shares: Vec<String> = time.exposure().shares().iter().map(|(s, v)| format!("{s} {v}")).collect();
        table.note(format!("Shares: {}.", shares.join(", ")));
    }
    table
}

/// Every factor, c of every road among them, with the plan's distribution and the better one.
fn changed(other: &OtherDistribution) -> Table {
    let named = |side: &str, of: &dyn std::fmt::Display| {
        [("", ""), ("_lower", "lower"), ("_upper", "upper")].map(|(end, word)| {
            let heading = if word.is_empty() { of.to_string() } else { word.to_owned() };
            tables::Column::numbers(format!("{side}{end}"), heading)
        })
    };
    let mut columns =
        vec![tables::Column::words("surface", "factor of"), tables::Column::words("relative_to", "relative to")];
    columns.extend(named("fitted", &other.fitted));
    columns.extend(named("other", &other.distribution));
    let mut table = Table::new("Factors with another distribution of times", columns).with_caption(
        "k of one surface over k of the other; of the belt relative to a road it is c, what to multiply a belt time by.",
    );
    for change in &other.changes {
        let ends = |i: &crate::Interval| [i.estimate(), i.lower(), i.upper()].map(Value::number);
        let mut row = vec![Value::text(&change.surface), Value::text(&change.relative_to)];
        row.extend(ends(&change.fitted));
        row.extend(ends(&change.other));
        table.add(row);
    }
    table
}

fn unremarked(html: &mut Html, screening: &ScreeningReport) -> Result<()> {
    let silent: Vec<&str> = screening
        .verdicts()
        .iter()
        .filter(|v| !v.flagged && v.evidence.is_empty() && v.reason.is_empty())
        .map(|v| v.trial_id.as_str())
        .collect();
    if silent.is_empty() {
        return Ok(());
    }
    html.folded(&format!("{} that no test speaks against", capital(&count(silent.len(), "trial"))), |html| {
        let rest = silent.len().saturating_sub(MOST_LISTED);
        let more = if rest > 0 { format!(" and {rest} more") } else { String::new() };
        html.names("No remark:", &silent[..silent.len().min(MOST_LISTED)], &more);
        Ok(())
    })
}

fn influences(html: &mut Html, screening: &ScreeningReport) -> Result<()> {
    for table in screening.influences() {
        if table.left_out == LeftOut::Trial && table.rows.iter().any(|r| r.largest_percent.is_some()) {
            html.figures(&[plots::influence(table, &options("influence"))?]);
        }
        if !table.rows.is_empty() {
            html.table(&tables::influence(table, MOST_INFLUENTIAL));
        }
    }
    Ok(())
}

/// All files of a study: its documents and tables, report.html, and correction_sheet.html for each laboratory surface that
/// has a correction; `command` is what was run, `particulars` go on the sheets.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// let study = surface_severity::study::Study::new(plan).run(&campaign, None)?;
/// let files = surface_severity::report::files(&study, "severity_study", &[("trial table".into(), "trials.csv".into())])?;
/// assert!(files.text("report.html").is_some() && files.text("correction_sheet.html").unwrap().contains("trials.csv"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::NotSaved`] should a result not be representable; those of [`Page::to_html`].
pub fn files(study: &StudyResult, command: &str, particulars: &[(String, String)]) -> Result<crate::study::Files> {
    let mut files = study.files()?;
    for (i, belt) in study.belts.iter().enumerate() {
        let mut sheet = match super::CorrectionSheet::new(study, &belt.laboratory) {
            Ok(sheet) => sheet,
            Err(error) if matches!(error.kind(), ErrorKind::NothingToFit { .. }) => continue,
            Err(error) => return Err(error),
        };
        for (name, value) in particulars {
            sheet = sheet.entry(name, value);
        }
        files = files.with(crate::study::numbered("correction_sheet.html", i), sheet.to_html());
    }
    Ok(files.with("report.html", Page::new(study).command(command).to_html()?))
}
