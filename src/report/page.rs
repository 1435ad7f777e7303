//! The page: one HTML file that needs nothing else.

use crate::bootstrap::{GoodnessOfFit, SeverityBootstrap};
use crate::campaign::{Campaign, SurfaceRole};
use crate::correction::{CorrectedTime, Correction, Requirement};
use crate::document::CRATE_VERSION;
use crate::equivalence::EquivalenceFit;
use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, significant};
use crate::screening::{LeftOut, ScreeningReport};
use crate::severity::{
    Additivity, CellMeans, ClassFactors, DistributionComparison, EqualScatter, SeverityFit, UnequalScatter,
};
use crate::tables::{self, Table, Value, capital, count, escape_html, ladder_order};

use super::plots::{self, Plot, PlotOptions};

/// Figures of abrasion times on the page; a larger campaign goes on in the files.
const MOST_TIMES: usize = 6;
/// Trials without a remark that are listed by name.
const MOST_LISTED: usize = 1000;
/// Rows of cell medians on the page.
const MOST_CELLS: usize = 500;
/// Rows of the table of influence.
const MOST_INFLUENTIAL: usize = 10;
const WIDE: u32 = 680;
const SLIM: u32 = 350;

/// What another person needs to make the page again. All of it is what the caller says; the digest of
/// the trial table and the version of the crate are added by the page.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// use surface_severity::report::{Page, Reproduction};
/// let how = Reproduction::new().command("severity_study --trials trials.csv").seed(7).option("level", "0.95");
/// let html = Page::new(&fit).reproduction(how).to_html()?;
/// assert!(html.contains("severity_study --trials trials.csv"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct Reproduction {
    command: Option<String>,
    seed: Option<u64>,
    options: Vec<(String, String)>,
}

impl Reproduction {
    /// Nothing said.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// use surface_severity::report::{Page, Reproduction};
    /// // With nothing said the page still names the digest of the trials.
    /// let html = Page::new(&fit).reproduction(Reproduction::new()).to_html()?;
    /// assert!(html.contains(fit.campaign_digest()));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }
    /// Sets the command that was run.
    #[must_use]
    pub fn command(mut self, command: impl Into<String>) -> Self {
        self.command = Some(command.into());
        self
    }
    /// Sets the seed of whatever was drawn at random.
    #[must_use]
    pub fn seed(mut self, seed: u64) -> Self {
        self.seed = Some(seed);
        self
    }
    /// Adds an option and its value.
    #[must_use]
    pub fn option(mut self, name: impl Into<String>, value: impl Into<String>) -> Self {
        self.options.push((name.into(), value.into()));
        self
    }
}

/// A report of results on one self-contained page: inline SVG, no script, nothing fetched, A4 in print.
///
/// Only the severity fit is required; every further part adds its section.
///
/// | part | adds |
/// |---|---|
/// | [`campaign`](Self::campaign) | every trial drawn, residuals |
/// | [`additivity`](Self::additivity), [`class_factors`](Self::class_factors) | whether one factor serves all |
/// | [`cells`](Self::cells) | the median of every cell |
/// | [`time_dependence`](Self::time_dependence) | whether factors change with durability |
/// | [`mixed`](Self::mixed) | scatter by day, run, belt; factors with it; shrunk class factors |
/// | [`screening`](Self::screening) | verdicts on trials, the answers side by side, influence |
/// | [`distributions`](Self::distributions), [`goodness`](Self::goodness), [`scatter`](Self::scatter) | how well the model describes the times |
/// | [`equivalence`](Self::equivalence) | the belt against each road, tests of equivalence |
/// | [`correction`](Self::correction), [`corrected_reports`](Self::corrected_reports) | correction factors with their domain; reports read as road times |
/// | [`requirements`](Self::requirements) | probability that a report's material reaches the reader's minimum times |
/// | [`bootstrap`](Self::bootstrap) | resampled intervals and distributions |
///
/// ```
/// use surface_severity::campaign::Campaign;
/// use surface_severity::report::{Page, Reproduction};
/// use surface_severity::severity::Severity;
///
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let fit = Severity::new("dense asphalt concrete").fit(&campaign)?;
/// let page = Page::new(&fit).campaign(&campaign).reproduction(Reproduction::new().seed(1)).to_html()?;
/// assert!(page.contains("<svg") && page.contains(fit.campaign_digest()));
/// # let folder = std::env::temp_dir();
/// std::fs::write(folder.join("surface-severity-example-report.html"), page).expect("writable");
/// # std::fs::remove_file(folder.join("surface-severity-example-report.html")).unwrap();
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Page<'a> {
    fit: &'a SeverityFit,
    title: String,
    campaign: Option<&'a Campaign>,
    additivity: Option<&'a Additivity>,
    classes: Option<&'a ClassFactors>,
    bootstrap: Option<&'a SeverityBootstrap>,
    screening: Option<&'a ScreeningReport>,
    equivalence: Option<&'a EquivalenceFit>,
    correction: Option<&'a Correction>,
    cells: Option<&'a CellMeans>,
    distributions: Option<&'a DistributionComparison>,
    goodness: Option<&'a GoodnessOfFit>,
    scatter: Option<(&'a EqualScatter, Option<&'a UnequalScatter>)>,
    mixed: Option<(&'a SeverityFit, &'a [Option<Interval>])>,
    reports: Option<&'a [CorrectedTime]>,
    required_s: Option<f64>,
    requirements: &'a [Requirement],
    reproduction: Reproduction,
}

impl<'a> Page<'a> {
    /// A page of a severity fit.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// use surface_severity::report::Page;
    /// let html = Page::new(&fit).title("First campaign").to_html()?;
    /// assert!(html.contains("First campaign") && html.contains("coarse surface dressing"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn new(fit: &'a SeverityFit) -> Self {
        Self {
            fit,
            title: "Abrasion severity of surfaces".into(),
            campaign: None,
            additivity: None,
            classes: None,
            bootstrap: None,
            screening: None,
            equivalence: None,
            correction: None,
            cells: None,
            distributions: None,
            goodness: None,
            scatter: None,
            mixed: None,
            reports: None,
            required_s: None,
            requirements: &[],
            reproduction: Reproduction::default(),
        }
    }
    /// Sets the title.
    #[must_use]
    pub fn title(mut self, title: impl Into<String>) -> Self {
        self.title = title.into();
        self
    }
    /// Adds the campaign that was fitted.
    #[must_use]
    pub fn campaign(mut self, campaign: &'a Campaign) -> Self {
        self.campaign = Some(campaign);
        self
    }
    /// Adds the test of additivity.
    #[must_use]
    pub fn additivity(mut self, additivity: &'a Additivity) -> Self {
        self.additivity = Some(additivity);
        self
    }
    /// Adds the factors of the classes.
    #[must_use]
    pub fn class_factors(mut self, classes: &'a ClassFactors) -> Self {
        self.classes = Some(classes);
        self
    }
    /// Adds bootstrap intervals.
    #[must_use]
    pub fn bootstrap(mut self, bootstrap: &'a SeverityBootstrap) -> Self {
        self.bootstrap = Some(bootstrap);
        self
    }
    /// Adds the screening of the campaign.
    #[must_use]
    pub fn screening(mut self, screening: &'a ScreeningReport) -> Self {
        self.screening = Some(screening);
        self
    }
    /// Adds the comparison of the belt with the roads.
    #[must_use]
    pub fn equivalence(mut self, equivalence: &'a EquivalenceFit) -> Self {
        self.equivalence = Some(equivalence);
        self
    }
    /// Adds the correction of laboratory times.
    #[must_use]
    pub fn correction(mut self, correction: &'a Correction) -> Self {
        self.correction = Some(correction);
        self
    }
    /// Adds the cell medians.
    #[must_use]
    pub fn cells(mut self, cells: &'a CellMeans) -> Self {
        self.cells = Some(cells);
        self
    }
    /// Adds the comparison of distributions.
    #[must_use]
    pub fn distributions(mut self, distributions: &'a DistributionComparison) -> Self {
        self.distributions = Some(distributions);
        self
    }
    /// Adds the test of goodness of fit.
    #[must_use]
    pub fn goodness(mut self, goodness: &'a GoodnessOfFit) -> Self {
        self.goodness = Some(goodness);
        self
    }
    /// Adds the test of equal scatter, and the scatter of each group where it was fitted.
    #[must_use]
    pub fn scatter(mut self, test: &'a EqualScatter, groups: Option<&'a UnequalScatter>) -> Self {
        self.scatter = Some((test, groups));
        self
    }
    /// Adds a fit with random effects; `intervals` as in [`tables::variance_components`], may be empty.
    #[must_use]
    pub fn mixed(mut self, fit: &'a SeverityFit, intervals: &'a [Option<Interval>]) -> Self {
        self.mixed = Some((fit, intervals));
        self
    }
    /// Adds laboratory reports read as road times; with `required_s`, a time in s that the road median
    /// should reach, it is marked in the picture and the table gives its probability.
    #[must_use]
    pub fn corrected_reports(mut self, rows: &'a [CorrectedTime], required_s: Option<f64>) -> Self {
        self.reports = Some(rows);
        self.required_s = required_s;
        self
    }
    /// Adds minimum times of the reader's own, each with the probability that the material of a corrected report reaches
    /// it; the crate has none.
    #[must_use]
    pub fn requirements(mut self, requirements: &'a [Requirement]) -> Self {
        self.requirements = requirements;
        self
    }
    /// Adds what another person needs to make the page again.
    #[must_use]
    pub fn reproduction(mut self, reproduction: Reproduction) -> Self {
        self.reproduction = reproduction;
        self
    }

    /// The page as HTML. The same parts give the same bytes.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// use surface_severity::{ErrorKind, campaign::Decisions, report::Page};
    /// assert!(Page::new(&fit).campaign(&campaign).to_html()?.contains("<svg"));
    /// // Parts that do not belong together are refused.
    /// let other = campaign.with_decisions(&Decisions::new().set_aside("R-0077", "clamped over a seam", "engineer"))?;
    /// let error = Page::new(&fit).campaign(&other).to_html().unwrap_err();
    /// assert!(matches!(error.kind(), ErrorKind::InvalidOption { .. }));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] where a part belongs to another campaign than the fit (other digest), or
    /// for a required time that is not positive and finite, or two requirements of one name.
    pub fn to_html(&self) -> Result<String> {
        self.check()?;
        let mut html = Html::new(&self.title);
        self.summary(&mut html);
        self.surfaces(&mut html)?;
        self.materials(&mut html)?;
        self.one_factor(&mut html)?;
        self.shared_conditions(&mut html)?;
        self.belt_against_roads(&mut html)?;
        self.corrections(&mut html)?;
        self.corrected_times(&mut html)?;
        self.screened(&mut html)?;
        self.resampling(&mut html)?;
        self.quality(&mut html)?;
        self.methods(&mut html);
        self.reproduce(&mut html);
        cautions(&mut html);
        Ok(html.finish())
    }

    fn check(&self) -> Result<()> {
        let digest = self.fit.campaign_digest();
        let parts = [
            ("campaign", self.campaign.map(Campaign::digest)),
            ("screening", self.screening.map(|s| s.campaign_digest().to_owned())),
            ("equivalence", self.equivalence.map(|e| e.campaign_digest().to_owned())),
            ("correction", self.correction.map(|c| c.campaign_digest().to_owned())),
            ("bootstrap", self.bootstrap.map(|b| b.fit().campaign_digest().to_owned())),
            ("mixed", self.mixed.map(|(m, _)| m.campaign_digest().to_owned())),
        ];
        for (name, found) in parts {
            if let Some(found) = found.filter(|f| f != digest) {
                return Err(ErrorKind::option(name, found, &format!("the campaign of the fit, digest {digest}")));
            }
        }
        if let Some(required) = self.required_s.filter(|r| !(*r > 0.0 && r.is_finite())) {
            return Err(ErrorKind::option("required_s", required, "a positive, finite time"));
        }
        Ok(())
    }

    fn cell_table(&self, html: &mut Html) {
        let Some(cells) = self.cells else { return };
        if cells.cells().len() <= MOST_CELLS {
            html.table(&tables::cell_medians(cells));
        } else {
            html.paragraph(&format!(
                "The medians of {} are too many for this page.",
                count(cells.cells().len(), "cell")
            ));
        }
    }

    fn summary(&self, html: &mut Html) {
        html.section("Summary");
        let sentences = [
            self.what_was_fitted(),
            self.the_scale(),
            self.the_belt(),
            self.for_all_classes(),
            self.correction_in_words(),
        ];
        for sentence in sentences {
            html.paragraph(&sentence);
        }
    }

    fn what_was_fitted(&self) -> String {
        let fit = self.fit;
        let mut text = format!(
            "{} of {} on {} were fitted, {} and {} among them",
            count(fit.trials(), "trial"),
            count(fit.materials().iter().filter(|m| m.durability_s.interval().is_some()).count(), "material"),
            count(fit.factors().iter().filter(|f| f.factor.interval().is_some()).count(), "surface"),
            count(fit.run_outs(), "run-out"),
            count(fit.contact_openings(), "contact opening"),
        );
        let voids = fit.notes().iter().find_map(|n| match n {
            crate::severity::Note::Voids { trials } => Some(*trials),
            _ => None,
        });
        if let Some(voids) = voids {
            let kept = if voids == 1 { "is kept with its reason" } else { "are kept with their reasons" };
            text.push_str(&format!("; {} {kept} and not fitted", count(voids, "void trial")));
        }
        let off = fit.notes().iter().find_map(|n| match n {
            crate::severity::Note::OffScale { trials } => Some(*trials),
            _ => None,
        });
        if let Some(off) = off {
            text.push_str(&format!("; {} more give bounds only", count(off, "trial")));
        }
        if let Some(screening) = self.screening {
            let flagged = screening.flagged().count();
            text.push_str(&format!("; screening flags {flagged} and removes none"));
        }
        text.push('.');
        text
    }

    fn the_scale(&self) -> String {
        let fit = self.fit;
        let placed: Vec<_> = ladder_order(fit.factors())
            .into_iter()
            .filter_map(|r| r.factor.interval().map(|i| (r.surface.as_str(), i)))
            .filter(|(name, _)| *name != fit.reference())
            .collect();
        let (Some((harsh, high)), Some((mild, low))) = (placed.first(), placed.last()) else {
            return format!("No surface but the reference, {}, has a finite place on the scale.", fit.reference());
        };
        let on = |k: f64| significant(10.0 / k, 2);
        if harsh == mild {
            return format!(
                "Relative to {}, the abrasiveness factor of {harsh} is {high}: a material that lasts 10 s on the former lasts \
                 about {} s on the latter.",
                fit.reference(),
                on(high.estimate())
            );
        }
        format!(
            "Relative to {}, the abrasiveness factors run from {low} on {mild} to {high} on {harsh}: a material that lasts 10 s \
             on the reference lasts about {} s and {} s there.",
            fit.reference(),
            on(low.estimate()),
            on(high.estimate())
        )
    }

    fn the_belt(&self) -> String {
        let order = ladder_order(self.fit.factors());
        let Some(at) = order.iter().position(|r| r.role == Some(SurfaceRole::Laboratory)) else {
            return "No surface is marked as a laboratory belt, so the scale says nothing about laboratory times."
                .into();
        };
        let belt = order[at];
        let Some(k) = belt.factor.interval() else {
            return format!("The laboratory surface {} has no finite place on the scale.", belt.surface);
        };
        let road = |r: &&&crate::severity::SurfaceFactor| {
            r.role != Some(SurfaceRole::Laboratory) && r.factor.interval().is_some()
        };
        let harsher = order[..at].iter().rev().find(road).map(|r| &r.surface);
        let milder = order[at + 1..].iter().find(road).map(|r| &r.surface);
        let place = match (harsher, milder) {
            (Some(h), Some(m)) => format!("between {m} and {h}"),
            (Some(h), None) => format!("below every road surface, next to {h}"),
            (None, Some(m)) => format!("above every road surface, next to {m}"),
            (None, None) => "without a road surface to compare it with".into(),
        };
        format!("On the scale the laboratory surface, {}, stands {place}, with the factor {k}.", belt.surface)
    }

    fn for_all_classes(&self) -> String {
        let overall = self.additivity.map(|test| {
            let p = Value::Probability(test.comparison.p_value).shown();
            let p = if p.starts_with('<') { format!("p {p}") } else { format!("p = {p}") };
            let differs = test.comparison.p_value <= 1.0 - self.fit.level();
            (
                differs,
                if differs {
                    format!("Cells differ from one factor per surface by more than replicate scatter explains ({p})")
                } else {
                    format!("Cells differ from one factor per surface by no more than replicate scatter explains ({p})")
                },
            )
        });
        let Some(classes) = self.classes else {
            return match overall {
                Some((_, text)) => format!("{text}; classes of material were not compared."),
                None => "Whether one factor per surface serves all materials was not tested here.".into(),
            };
        };
        let singled_out =
            classes.rows.iter().filter(|r| r.adjusted_p_value.is_some_and(|p| p <= 1.0 - classes.level)).count();
        let (differ, of_classes) = match (classes.comparison.p_value <= 1.0 - classes.level, singled_out) {
            (false, 0) => (false, "classes of material differ by no more than chance explains".to_owned()),
            (true, 0) => (true, "classes of material do differ, none of them singled out on one surface".to_owned()),
            (_, 1) => (true, self.departure(classes)),
            (_, n) => (true, format!("{n} class-surface pairs depart from the common factors")),
        };
        match overall {
            Some((differs, text)) => {
                format!("{text}{} {of_classes}.", if differs == differ { ", and" } else { ", but" })
            }
            None if differ => format!("One factor per surface does not serve all classes: {of_classes}."),
            None => format!("As far as these trials show, {of_classes}; that is no proof that one factor serves all."),
        }
    }

    /// The one departure that remains after adjustment.
    fn departure(&self, classes: &ClassFactors) -> String {
        let row = classes.rows.iter().find(|r| r.adjusted_p_value.is_some_and(|p| p <= 1.0 - classes.level));
        row.map_or(String::new(), |r| {
            format!("on {}, {} lasts {} times as long as the common factor says", r.surface, r.class, r.ratio_to_common)
        })
    }

    fn correction_in_words(&self) -> String {
        let equivalent = self.equivalence.map(|e| {
            let (lower, upper) = e
                .surfaces()
                .iter()
                .find_map(|s| s.test().fitted())
                .map_or((0.8, 1.25), |t| (t.lower_bound(), t.upper_bound()));
            let shown = e.equivalent_surfaces();
            let to = if shown.is_empty() { "no road surface".to_owned() } else { shown.join(", ") };
            format!("The belt is shown equivalent, within a ratio of {lower} to {upper}, to {to}")
        });
        let corrected = self.correction.and_then(|c| {
            let mut rows: Vec<_> = c.corrections().iter().collect();
            rows.sort_by(|a, b| a.factor().estimate().total_cmp(&b.factor().estimate()));
            let (first, last) = (rows.first()?, rows.last()?);
            Some(if rows.len() == 1 {
                format!("a belt time is read as a time on {} by multiplying it by {}", first.surface(), first.factor())
            } else {
                format!(
                    "a belt time is read as a road time by multiplying it by a factor from {} on {} to {} on {}",
                    first.factor(),
                    first.surface(),
                    last.factor(),
                    last.surface()
                )
            })
        });
        match (equivalent, corrected) {
            (Some(e), Some(c)) => format!("{}; {c}.", capital(&e)),
            (Some(one), None) | (None, Some(one)) => format!("{}.", capital(&one)),
            (None, None) => "No correction of laboratory times is part of this report.".into(),
        }
    }

    fn belt_against_roads(&self, html: &mut Html) -> Result<()> {
        let Some(equivalence) = self.equivalence else { return Ok(()) };
        html.section("Laboratory belt against the roads");
        html.table(&tables::equivalence(equivalence));
        if equivalence.surfaces().iter().any(|s| !s.pairs().is_empty()) {
            html.figure(|o| plots::lab_road(equivalence, self.correction, &o.id("lab-road")))?;
        }
        html.table(&tables::lab_road_lines(equivalence));
        html.table(&tables::prediction_gains(equivalence));
        Ok(())
    }

    fn corrections(&self, html: &mut Html) -> Result<()> {
        let Some(correction) = self.correction else { return Ok(()) };
        html.section("Correction of laboratory times");
        html.table(&tables::corrections(correction));
        if correction.by_class() {
            html.table(&tables::class_corrections(correction));
        }
        if !correction.decisions().is_empty() {
            html.table(&tables::decisions(correction.decisions()));
        }
        Ok(())
    }

    fn corrected_times(&self, html: &mut Html) -> Result<()> {
        let Some(rows) = self.reports.filter(|rows| !rows.is_empty()) else { return Ok(()) };
        let required = self.required_s;
        html.section("Laboratory reports read as road times");
        let mut total = 0;
        html.figure(|o| {
            let mut all = plots::corrected_reports(rows, required, &o.id("reports"))?;
            total = total.max(all.len());
            all.truncate(MOST_TIMES);
            Ok(all)
        })?;
        if total > MOST_TIMES {
            html.paragraph("The first reports are drawn; the table holds all.");
        }
        html.table(&tables::corrected_reports(rows, required));
        if !self.requirements.is_empty() {
            html.table(&tables::requirements(rows, self.requirements)?);
        }
        Ok(())
    }

    fn shared_conditions(&self, html: &mut Html) -> Result<()> {
        let Some((fit, intervals)) = self.mixed else { return Ok(()) };
        html.section("Days, runs and belts");
        html.figure(|o| Ok(vec![plots::variance_components(fit, intervals, &o.id("components"))?]))?;
        html.table(&tables::variance_components(fit, intervals));
        let classes = tables::shrunk_class_factors(fit);
        if !classes.is_empty() {
            html.table(&classes);
        }
        Ok(())
    }

    fn screened(&self, html: &mut Html) -> Result<()> {
        let Some(screening) = self.screening else { return Ok(()) };
        html.section("Screening of the trials");
        html.table(&tables::spoken(screening));
        let silent: Vec<&str> = screening
            .verdicts()
            .iter()
            .filter(|v| !v.flagged && v.evidence.is_empty() && v.reason.is_empty())
            .map(|v| v.trial_id.as_str())
            .collect();
        if !silent.is_empty() {
            let rest = silent.len().saturating_sub(MOST_LISTED);
            let more = if rest > 0 { format!(" and {rest} more") } else { String::new() };
            html.names(
                &format!("No test speaks against {}:", count(silent.len(), "trial")),
                &silent[..silent.len().min(MOST_LISTED)],
                &more,
            );
        }
        let reference = screening.severity().reference();
        let compared = |row: &crate::screening::HeadlineFactor| {
            let answers = [&row.all_trials, &row.robust, &row.without_flagged];
            row.surface != reference && answers.iter().any(|e| e.interval().is_some())
        };
        if screening.headline().iter().any(compared) {
            html.figure(|o| Ok(vec![plots::answers(screening, &o.id("answers"))?]))?;
        }
        html.table(&tables::answers(screening));
        for table in screening.influences() {
            let drawn = table.left_out == LeftOut::Trial && table.rows.iter().any(|r| r.largest_percent.is_some());
            if drawn {
                html.figure(|o| Ok(vec![plots::influence(table, &o.id("influence"))?]))?;
            }
            if !table.rows.is_empty() {
                html.table(&tables::influence(table, MOST_INFLUENTIAL));
            }
        }
        Ok(())
    }

    fn surfaces(&self, html: &mut Html) -> Result<()> {
        html.section("Surfaces");
        html.figure(|o| Ok(vec![plots::severity_ladder(self.fit, &o.id("ladder"))?]))?;
        html.table(&tables::surface_factors(self.fit));
        Ok(())
    }

    fn materials(&self, html: &mut Html) -> Result<()> {
        html.section("Materials");
        html.table(&tables::durabilities(self.fit));
        if let Some(campaign) = self.campaign {
            let mut total = 0;
            html.figure(|o| {
                let (first, of) = plots::first_abrasion_times(campaign, self.fit, &o.id("times"), MOST_TIMES)?;
                total = total.max(of);
                Ok(first)
            })?;
            if total > MOST_TIMES {
                html.paragraph(&format!(
                    "The first pictures of abrasion times are shown; all {} of {} are in the trial table.",
                    count(campaign.trials().len(), "trial"),
                    count(campaign.materials().len(), "material")
                ));
            }
        }
        self.cell_table(html);
        Ok(())
    }

    fn one_factor(&self, html: &mut Html) -> Result<()> {
        if self.additivity.is_none() && self.classes.is_none() {
            return Ok(());
        }
        html.section("Does one factor serve all materials?");
        if let Some(test) = self.additivity {
            html.table(&tables::additivity(test));
        }
        if let Some(classes) = self.classes {
            if classes.rows.iter().any(|r| r.ratio_to_common.interval().is_some()) {
                html.figure(|o| Ok(vec![plots::class_departures(classes, &o.id("classes"))?]))?;
            }
            html.table(&tables::class_factors(classes));
        }
        Ok(())
    }

    fn resampling(&self, html: &mut Html) -> Result<()> {
        let Some(bootstrap) = self.bootstrap else { return Ok(()) };
        html.section("Resampling");
        html.table(&tables::bootstrap_intervals(bootstrap));
        if bootstrap.fit().column_names().is_empty() {
            return Ok(());
        }
        html.figure(|o| Ok(vec![plots::bootstrap_distributions(bootstrap, &o.id("bootstrap"))?]))
    }

    fn quality(&self, html: &mut Html) -> Result<()> {
        html.section("Quality of the fit");
        html.table(&tables::fit_summary(self.fit));
        if !self.fit.notes().is_empty() {
            html.table(&tables::notes(self.fit));
        }
        if let Some(campaign) = self.campaign {
            let diagnostics = self.fit.diagnostics(campaign, self.reproduction.seed.unwrap_or(1))?;
            html.figure(|o| Ok(vec![plots::residual_quantiles(self.fit, &diagnostics, &o.id("residuals"))?]))?;
        }
        if let Some(comparison) = self.distributions {
            html.table(&tables::distributions(comparison));
        }
        if let Some(test) = self.goodness {
            html.table(&tables::goodness_of_fit(test));
        }
        if let Some((test, groups)) = self.scatter {
            html.table(&tables::scatter(test, groups));
        }
        Ok(())
    }

    fn methods(&self, html: &mut Html) {
        html.section("Methods");
        html.subsection("Severity");
        html.formula("log T = μ(material) − log k(surface) + σ W");
        let w = match self.fit.distribution() {
            crate::severity::Distribution::LogNormal => "standard normal: times are log-normal",
            crate::severity::Distribution::Weibull => {
                "standard smallest extreme value: times follow a Weibull distribution"
            }
            crate::severity::Distribution::LogLogistic => "standard logistic: times are log-logistic",
        };
        html.paragraph(&format!(
            "T is the abrasion time in seconds, k the abrasiveness factor with k = 1 on {}, σ the replicate scatter, W {w}. A \
             perforated trial contributes its density, a run-out the probability of lasting longer, a contact opening the \
             probability of lasting less. {} Void trials contribute nothing.",
            self.fit.reference(),
            if !self.fit.groupings().is_empty() {
                "Limits hold what trials share (see shared conditions)."
            } else if self.fit.convergence().direct {
                "Nothing is censored, so the fit is two-way least squares with t intervals."
            } else {
                "Fitted by maximum likelihood with Newton's method; intervals are exp(log k ± t f SE) with the observed information, f and the degrees of freedom of t making up for few trials."
            }
        ));
        let mut references = vec![
            "J. F. Lawless, Statistical Models and Methods for Lifetime Data, 2nd ed., 2003, chapters 5 and 6.",
            "R. J. Olsen, Econometrica 46 (1978) 1211; J. Burridge, J. R. Statist. Soc. B 43 (1981) 41; J. W. Pratt, J. Amer. \
             Statist. Assoc. 76 (1981) 103 (concave likelihood).",
        ];
        if self.classes.is_some() || self.screening.is_some() || self.equivalence.is_some() {
            references.push("S. Holm, Scand. J. Statist. 6 (1979) 65 (adjustment).");
        }
        if self.classes.is_some() || self.additivity.is_some() {
            html.subsection("One factor for all");
            html.paragraph(
                "The model with one factor per surface is compared with one median per cell and with one factor per class and \
                 surface: by F where nothing is censored, by the likelihood ratio otherwise. The ratio of the common factor to \
                 that of a class has the variance of the class factor minus that of the common factor; its p-values are adjusted \
                 by Holm's method.",
            );
            references
                .push("J. A. Hausman, Econometrica 46 (1978) 1251 (variance of the difference of nested estimates).");
        }
        if self.mixed.is_some() {
            html.subsection("Shared conditions");
            html.formula("log T = μ(material) − log k(surface) + effects of day, run, belt or cell + σ W");
            html.paragraph(
                "The effects are normal with mean 0 and a variance of their own for each grouping. Restricted likelihood with \
                 Satterthwaite's degrees of freedom where times are log-normal and none is censored; otherwise the likelihood \
                 with the effects integrated out by Laplace's approximation or adaptive Gauss–Hermite quadrature.",
            );
            references
                .push("D. Bates, M. Mächler, B. Bolker, S. Walker, J. Statist. Softw. 67 (2015) 1 (mixed models).");
            references.push("F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110 (degrees of freedom).");
        }
        if self.equivalence.is_some() || self.correction.is_some() {
            html.subsection("Belt and road");
            html.formula("log road = log c + log belt + τ U, or log road = a + b log belt + τ U");
            html.paragraph(
                "Belt and road are medians of the materials tested on both, each with its standard error; U has mean 0 and \
                 variance 1 over materials, and τ is the scatter between materials that replicates do not explain. c is the mean \
                 log ratio with τ by restricted likelihood and limits after Hartung and Knapp; the slope is York's line with the \
                 same scatter. Equivalence is two one-sided tests of k belt / k road at the stated bounds.",
            );
            if self.equivalence.is_some_and(|e| !e.conditions().is_empty()) {
                html.paragraph(
                    "What trials of one day, run or belt share is taken from the fit with random effects. The part that the scatter between \
                     materials does not show is added to the variance of c, of the slope and of the tested ratio; a report has the \
                     day of its specimens in its interval, a further specimen another one on the road. Degrees of freedom after Welch \
                     and Satterthwaite.",
                );
            }
            references.push(
                "D. York, N. M. Evensen, M. López Martínez, J. De Basabe Delgado, Am. J. Phys. 72 (2004) 367 (line).",
            );
            references.push("J. Hartung, G. Knapp, Statistics in Medicine 20 (2001) 3875 (limits with few materials).");
            references.push("D. J. Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657 (two one-sided tests).");
        }
        if self.correction.is_some() || self.reports.is_some() {
            html.subsection("Corrected reports");
            html.paragraph(
                "Road median = c × belt median (or the power law). Its prediction interval holds the uncertainty of the report's \
                 own median, of the line, and τ, which is not taken as known but as a mixture over its confidence distribution; a \
                 further specimen adds σ. A value outside the belt times or classes of the domain is given unchanged and marked.",
            );
            if self.correction.is_some() {
                html.paragraph(
                    "The interval of a further specimen is Student t with the sum of the variances and Satterthwaite's degrees of \
                     freedom, between the mixture of the median and that of the specimen.",
                );
                references.push("F. E. Satterthwaite, Biometrics Bulletin 2 (1946) 110 (degrees of freedom).");
            }
            references.push("K. Nagashima, H. Noma, T. A. Furukawa, Statistical Methods in Medical Research 28 (2019) 1689 (prediction).");
        }
        if self.screening.is_some() {
            html.subsection("Screening");
            html.paragraph(
                "Rules on what was recorded; then, on log times within material and surface, each trial against its cell without \
                 it with the scatter of all cells, against its cell's median by median absolute deviations, and Grubbs' test; \
                 p-values adjusted by Holm's method over the trials looked at.",
            );
            references.push("F. E. Grubbs, Technometrics 11 (1969) 1 (outliers).");
            references
                .push("R. D. Cook, S. Weisberg, Residuals and Influence in Regression, 1982 (deletion residuals).");
            references.push("B. Iglewicz, D. C. Hoaglin, How to Detect and Handle Outliers, 1993 (median deviations).");
        }
        if let Some(bootstrap) = self.bootstrap {
            html.subsection("Resampling");
            html.paragraph(&format!(
                "Bootstrap: {}, and everything is fitted again, once for each replicate. Intervals by percentiles of the \
                 replicates and bias-corrected and accelerated.",
                bootstrap.replicates().plan().scheme()
            ));
            references.push("B. Efron, R. J. Tibshirani, An Introduction to the Bootstrap, 1993, chapter 14.");
            references
                .push("A. C. Davison, D. V. Hinkley, Bootstrap Methods and their Application, 1997, chapters 3 and 5.");
        }
        if self.distributions.is_some() {
            references.push("C. M. Hurvich, C.-L. Tsai, Biometrika 76 (1989) 297 (AICc).");
        }
        if self.goodness.is_some() {
            references.push("C. Czado, T. Gneiting, L. Held, Biometrics 65 (2009) 1254 (probability transform).");
        }
        if self.scatter.is_some() {
            references.push("M. S. Bartlett, Proc. R. Soc. A 160 (1937) 268 (equal scatter).");
        }
        if self.campaign.is_some() {
            references.push("P. K. Dunn, G. K. Smyth, J. Comput. Graph. Statist. 5 (1996) 236 (quantile residuals).");
        }
        html.subsection("References");
        let mut seen = std::collections::BTreeSet::new();
        references.retain(|r| seen.insert(*r));
        html.list(references.iter().map(|r| (*r).to_owned()));
    }

    fn reproduce(&self, html: &mut Html) {
        html.section("To make this page again");
        let mut table = Table::new(
            "Reproduction",
            vec![tables::Column::words("item", "item"), tables::Column::words("value", "value")],
        );
        let mut add = |name: &str, value: String| table.add(vec![Value::text(name), Value::text(value)]);
        add("SHA-256 of the trial table", self.fit.campaign_digest().to_owned());
        add("surface-severity", format!("version {CRATE_VERSION}"));
        add("reference surface", self.fit.reference().to_owned());
        add("distribution", self.fit.distribution().to_string());
        add("confidence level", self.fit.level().to_string());
        if let Some(bootstrap) = self.bootstrap {
            let plan = bootstrap.replicates().plan();
            add("bootstrap", format!("{}; {} replicates, seed {}", plan.scheme(), plan.replicates, plan.seed));
        }
        if let Some(seed) = self.reproduction.seed {
            add("seed", seed.to_string());
        }
        for (name, value) in &self.reproduction.options {
            add(name, value.clone());
        }
        if let Some(command) = &self.reproduction.command {
            add("command", command.clone());
        }
        html.table(&table);
    }
}

fn cautions(html: &mut Html) {
    html.section("Cautions");
    html.list(
        [
            "The applicable standard comes first (for riders' clothing in Europe EN 17092, or EN 13595 where it is still called \
             up), with local law and the accredited laboratory that applies them; where they and this page differ, they are \
             right.",
            "A correction factor is not a certification. It does not say whether a garment may be sold or will protect anybody.",
            "Results hold for the materials, surfaces and times that they were derived from; beyond them they are extrapolations \
             and marked as such.",
            "Seconds on a belt at constant speed are not seconds of a rider sliding to a stop.",
            "An interval covers the scatter that the campaign could show. Roads, batches, belts and weather that were not in it \
             are not in the interval either.",
        ]
        .map(str::to_owned),
    );
}

/// Grows the page; escapes all text.
pub(super) struct Html {
    out: String,
}

const STYLE: &str = "
:root{color-scheme:light}
body{margin:0 auto;padding:1.5rem 1rem 4rem;max-width:58rem;background:#fff;color:#1a1a1a;font:16px/1.5 Georgia,'Times New Roman',serif}
h1{font-size:1.7rem;line-height:1.25;margin:0 0 1rem;font-weight:normal;overflow-wrap:anywhere}
h2{font-size:1.2rem;margin:2.6rem 0 .8rem;padding-top:.5rem;border-top:1px solid #1a1a1a;font-weight:normal}
h3{font-size:1rem;margin:1.4rem 0 .3rem;font-style:italic;font-weight:normal}
p{margin:.5rem 0}
main>p,main>ul,figcaption{max-width:46rem}
.table{overflow-x:auto;margin:1rem 0;font:14px/1.4 Helvetica,Arial,sans-serif}
figure{margin:1.2rem 0;break-inside:avoid}
figcaption{font:13px/1.45 Helvetica,Arial,sans-serif;color:#333}
.formula{margin:.6rem 0 .6rem 1.5rem;font-style:italic}
.small{font:12px/1.5 Helvetica,Arial,sans-serif;color:#333}
.small span{white-space:nowrap}
.slim{display:none}
td,th{overflow-wrap:break-word}
tbody th[scope=row]{min-width:7.5rem}
.cap{position:sticky;left:0;max-width:min(46rem,calc(100vw - 2rem))}
.table table{min-width:min(100%,30rem)}
@media screen and (max-width:719px){.wide{display:none}.slim{display:block}}
@media print{@page{size:A4;margin:16mm}body{max-width:none;padding:0;font-size:10.5pt}.cap{position:static;max-width:none}.table{overflow:visible;font-size:8.2pt}
.drawn{display:none}h2,h3{break-after:avoid}tr,.short,.group{break-inside:avoid}tbody th[scope=row]{min-width:0}th[scope=rowgroup]{break-after:avoid}main>p,main>ul,figcaption{max-width:none}figcaption{font-size:8.6pt}.small{font-size:7.6pt}figure svg{max-width:100%}}
";

impl Html {
    fn new(title: &str) -> Self {
        Self::styled(title, "")
    }

    /// With rules added to the style.
    pub(super) fn styled(title: &str, more: &str) -> Self {
        let title = escape_html(title);
        Self {
            out: format!(
                "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
                 <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{title}</title>\n\
                 <style>{STYLE}{more}</style>\n</head>\n<body>\n<main>\n<h1>{title}</h1>\n"
            ),
        }
    }

    /// Only a heading, for what stands on somebody else's page.
    pub(super) fn fragment(title: &str) -> Self {
        Self { out: format!("<h3>{}</h3>\n", escape_html(title)) }
    }

    pub(super) fn section(&mut self, heading: &str) {
        self.out.push_str(&format!("<h2>{}</h2>\n", escape_html(heading)));
    }

    pub(super) fn subsection(&mut self, heading: &str) {
        self.out.push_str(&format!("<h3>{}</h3>\n", escape_html(heading)));
    }

    pub(super) fn paragraph(&mut self, text: &str) {
        self.out.push_str(&format!("<p>{}</p>\n", escape_html(text)));
    }

    /// A small paragraph of names that do not break.
    fn names(&mut self, lead: &str, names: &[&str], end: &str) {
        self.out.push_str(&format!("<p class=\"small\">{} ", escape_html(lead)));
        for (i, name) in names.iter().enumerate() {
            let comma = if i + 1 < names.len() { ", " } else { "" };
            self.out.push_str(&format!("<span>{}</span>{comma}", escape_html(name)));
        }
        self.out.push_str(&format!("{}.</p>\n", escape_html(end)));
    }

    pub(super) fn formula(&mut self, text: &str) {
        self.out.push_str(&format!("<p class=\"formula\">{}</p>\n", escape_html(text)));
    }

    pub(super) fn list(&mut self, items: impl IntoIterator<Item = String>) {
        self.items("ul", items);
    }

    /// A numbered list.
    pub(super) fn steps(&mut self, items: impl IntoIterator<Item = String>) {
        self.items("ol", items);
    }

    fn items(&mut self, tag: &str, items: impl IntoIterator<Item = String>) {
        self.out.push_str(&format!("<{tag}>\n"));
        for item in items {
            self.out.push_str(&format!("<li>{}</li>\n", escape_html(&item)));
        }
        self.out.push_str(&format!("</{tag}>\n"));
    }

    pub(super) fn table(&mut self, table: &Table) {
        // Wide tables scroll sideways on a phone; a keyboard reaches them.
        self.out.push_str(&format!(
            "<div class=\"table{}\" role=\"region\" tabindex=\"0\" aria-label=\"{}\">\n{}</div>\n",
            // Short enough to keep on one sheet.
            if table.rows().len() <= 24 { " short" } else { "" },
            escape_html(table.title()),
            table.to_html()
        ));
    }

    /// Every picture in a wide and a slim layout, of which the style shows one.
    fn figure(&mut self, mut draw: impl FnMut(Layout) -> Result<Vec<Plot>>) -> Result<()> {
        let wide = draw(Layout { width: WIDE, suffix: "" })?;
        let slim = draw(Layout { width: SLIM, suffix: "-slim" })?;
        for (class, plots) in [("wide", wide), ("slim", slim)] {
            self.out.push_str(&format!("<div class=\"{class}\">\n"));
            for plot in &plots {
                self.out.push_str(&format!(
                    "<figure>\n{}<figcaption>{}</figcaption>\n</figure>\n",
                    plot.to_svg(),
                    escape_html(plot.caption())
                ));
            }
            self.out.push_str("</div>\n");
        }
        Ok(())
    }

    pub(super) fn finish_fragment(self) -> String {
        self.out
    }

    pub(super) fn finish(mut self) -> String {
        self.out.push_str("</main>\n</body>\n</html>\n");
        self.out
    }
}

/// Size of a picture on the page.
#[derive(Clone, Copy)]
struct Layout {
    width: u32,
    suffix: &'static str,
}

impl Layout {
    fn id(self, name: &str) -> PlotOptions {
        PlotOptions::new().width_px(self.width).id(format!("{name}{}", self.suffix))
    }
}
