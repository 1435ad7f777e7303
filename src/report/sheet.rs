//! One sheet for one correction: what a laboratory pins to the wall beside its belt.

use crate::correction::Correction;
use crate::document::CRATE_VERSION;
use crate::equivalence::Form;
use crate::error::{ErrorKind, Result};
use crate::estimate::significant;
use crate::study::{BeltConclusion, RoadConclusion, StudyResult};
use crate::tables::{Column, Table, Value, capital, count, decisions, escape_markdown};

use super::answers::readings;
use super::html::Html;

/// The correction of one laboratory surface on one self-contained sheet: c of every road, with the limits for one material
/// and for reports of 3, 5 and 10 specimens, departing classes marked, domain, how to apply it, cautions, and what it rests
/// on.
///
/// HTML is one A4 sheet in print for up to about six road surfaces with four classes; Markdown has the same content. The
/// same study gives the same bytes. Nothing is read from the clock: a date, an author or a number of the sheet is an
/// [`entry`](Self::entry).
///
/// ```
/// use surface_severity::campaign::Campaign;
/// use surface_severity::report::CorrectionSheet;
/// use surface_severity::severity::Severity;
/// use surface_severity::study::Study;
///
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let study = Study::new(Severity::new("dense asphalt concrete")).run(&campaign, None)?;
/// let sheet = CorrectionSheet::new(&study, "laboratory belt")?.entry("Sheet", "1 of the first campaign");
/// assert!(sheet.to_html().contains(study.severity.campaign_digest()));
/// assert!(sheet.to_markdown().contains("(departs)") && sheet.to_markdown().contains("not a certification"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct CorrectionSheet<'a> {
    study: &'a StudyResult,
    belt: &'a BeltConclusion,
    correction: &'a Correction,
    title: String,
    entries: Vec<(String, String)>,
}

/// What a sheet is made of, in either form.
enum Block {
    Heading(&'static str),
    Paragraph(String),
    First(String),
    Formula(String),
    Table(Table),
    Steps(Vec<String>),
    List(Vec<String>),
}

/// Closer lines than the page's, so that one sheet is enough.
const STYLE: &str = "
h2{margin:1.1rem 0 .3rem}
.table{margin:.4rem 0}
@media print{@page{margin:11mm}body{font-size:8.4pt;line-height:1.26}h1{font-size:14pt;margin-bottom:.2rem}h2{font-size:10pt;margin:.45rem 0 .1rem;padding-top:.15rem}
p,li{margin:.1rem 0}ol,ul{margin:.1rem 0}.table{font-size:7.3pt;line-height:1.18;margin:.15rem 0}.table td,.table th{padding:.08em .6em .08em 0}}
";

impl<'a> CorrectionSheet<'a> {
    /// The sheet of one laboratory surface of a study.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// # let study = surface_severity::study::Study::new(plan).run(&campaign, None)?;
    /// use surface_severity::report::CorrectionSheet;
    /// let sheet = CorrectionSheet::new(&study, "laboratory belt")?.title("Correction of the belt").entry("Issued by", "test house");
    /// assert!(sheet.to_markdown().contains("Correction of the belt") && sheet.to_markdown().contains("test house"));
    /// assert!(CorrectionSheet::new(&study, "treadmill").is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::UnknownSurface`] for a surface that is no laboratory surface of the study;
    /// [`ErrorKind::NothingToFit`] where it has no correction.
    pub fn new(study: &'a StudyResult, laboratory: &str) -> Result<Self> {
        let at =
            study.belts.iter().position(|b| b.laboratory == laboratory).ok_or_else(|| ErrorKind::UnknownSurface {
                name: laboratory.into(),
                known: study.belts.iter().map(|b| b.laboratory.clone()).collect(),
            })?;
        let found = study.belts[at].correction.as_ref().zip(study.conclusions.belts.get(at));
        let (correction, belt) = found
            .ok_or_else(|| ErrorKind::NothingToFit { reason: format!("there is no correction from {laboratory:?}") })?;
        let title = format!("{}: laboratory times read as road times", capital(laboratory));
        Ok(Self { study, belt, correction, title, entries: Vec::new() })
    }
    /// Sets the title.
    #[must_use]
    pub fn title(mut self, title: impl Into<String>) -> Self {
        self.title = title.into();
        self
    }
    /// Adds a line to the particulars, such as a date or who issued the sheet.
    #[must_use]
    pub fn entry(mut self, name: impl Into<String>, value: impl Into<String>) -> Self {
        self.entries.push((name.into(), value.into()));
        self
    }

    /// The sheet as one HTML file.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// # let study = surface_severity::study::Study::new(plan).run(&campaign, None)?;
    /// let html = surface_severity::report::CorrectionSheet::new(&study, "laboratory belt")?.to_html();
    /// assert!(html.starts_with("<!DOCTYPE html>") && html.contains("report of 5"));
    /// assert!(!html.contains("<script") && !html.contains("https://"), "nothing is run or fetched");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn to_html(&self) -> String {
        let mut html = Html::new(&self.title, STYLE);
        self.fill(&mut html);
        html.finish(None)
    }

    fn fill(&self, html: &mut Html) {
        for block in self.blocks() {
            match block {
                Block::Heading(text) => html.section(text),
                Block::Paragraph(text) => html.paragraph(&text),
                Block::First(text) => html.first(&text),
                Block::Formula(text) => html.formula(&text),
                Block::Table(table) => html.table(&table),
                Block::Steps(items) => html.steps(items),
                Block::List(items) => html.list(items),
            }
        }
    }

    /// Headings, text and tables without a page around them and without a style sheet.
    pub(super) fn to_fragment(&self) -> String {
        let mut html = Html::fragment(&self.title);
        self.fill(&mut html);
        html.finish_fragment()
    }

    /// The sheet as Markdown.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// # let study = surface_severity::study::Study::new(plan).run(&campaign, None)?;
    /// let markdown = surface_severity::report::CorrectionSheet::new(&study, "laboratory belt")?.to_markdown();
    /// assert!(study.conclusions.belts[0].roads.iter().all(|road| markdown.contains(&road.surface)));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn to_markdown(&self) -> String {
        let mut out = format!("# {}\n", escape_markdown(&self.title));
        for block in self.blocks() {
            out.push('\n');
            match block {
                Block::Heading(text) => out.push_str(&format!("## {}\n", escape_markdown(text))),
                Block::Paragraph(text) => out.push_str(&format!("{}\n", escape_markdown(&text))),
                Block::First(text) => out.push_str(&format!("**{}**\n", escape_markdown(&text))),
                Block::Formula(text) => out.push_str(&format!("> {}\n", escape_markdown(&text))),
                Block::Table(table) => out.push_str(&table.to_markdown()),
                Block::Steps(items) => {
                    for (i, item) in items.iter().enumerate() {
                        out.push_str(&format!("{}. {}\n", i + 1, escape_markdown(item)));
                    }
                }
                Block::List(items) => {
                    for item in items {
                        out.push_str(&format!("- {}\n", escape_markdown(&item)));
                    }
                }
            }
        }
        out
    }

    fn blocks(&self) -> Vec<Block> {
        let conclusions = &self.study.conclusions;
        let mut blocks = vec![Block::Paragraph(format!(
            "Times on {}, in seconds from contact to perforation of the innermost layer, read as times on {}.",
            self.belt.laboratory,
            count(self.correction.corrections().len(), "road surface")
        ))];
        blocks.extend(conclusions.first.iter().map(|c| Block::First(c.to_string())));
        blocks.push(Block::Formula(self.formula()));
        blocks.push(Block::Table(readings(self.belt, self.correction.level(), false)));
        if self.correction.form() == Form::PowerLaw {
            blocks.push(Block::Table(self.lines()));
        }
        blocks.push(Block::Paragraph(self.belt.one_factor.to_string()));
        blocks.push(Block::Heading("Where it holds"));
        if let Some(domain) = &self.belt.domain {
            blocks.push(Block::Paragraph(format!(
                "{domain} Elsewhere a result is an extrapolation, or of a class not represented; say so beside it."
            )));
        }
        blocks.push(Block::Heading("How to apply it"));
        blocks.push(Block::Steps(self.steps()));
        blocks.push(Block::Heading("Cautions"));
        blocks.push(Block::List(conclusions.cautions.clone()));
        if !self.correction.decisions().is_empty() {
            blocks.push(Block::Heading("Decisions"));
            blocks.push(Block::Table(decisions(self.correction.decisions())));
        }
        blocks.push(Block::Heading("What it rests on"));
        blocks.push(Block::Paragraph(self.particulars()));
        blocks
    }

    fn formula(&self) -> String {
        match self.correction.form() {
            Form::ConstantRatio => "road time = c × laboratory time".into(),
            Form::PowerLaw => {
                "road time = a × (laboratory time / 1 s)^b; c and its limits are at one laboratory time".into()
            }
        }
    }

    /// Of the power law.
    fn lines(&self) -> Table {
        let columns = vec![
            Column::words("surface", "road surface"),
            Column::numbers("multiplier", "a").unit("s"),
            Column::numbers("slope", "b"),
            Column::numbers("factor_at_laboratory_time_s", "c at").unit("s"),
        ];
        let mut table = Table::new("Power laws", columns);
        for c in self.correction.corrections() {
            table.add(vec![
                Value::text(c.surface()),
                Value::digits(libm::exp(c.intercept()), 4),
                Value::digits(c.slope(), 4),
                Value::number(c.factor_at_laboratory_time_s()),
            ]);
        }
        table
    }

    fn steps(&self) -> Vec<String> {
        let by_class = self.belt.roads.iter().any(|r| r.classes.len() > 1);
        let mut steps = vec![
            format!("Take the median time of the specimens on {}, in seconds.", self.belt.laboratory),
            "Check that the class and the time lie where the correction holds.".into(),
            match self.correction.form() {
                Form::ConstantRatio if by_class => {
                    "Multiply by c of the road, of the class where it is listed under the road, of \
                                                    \"any other class\" where it was not tested."
                        .into()
                }
                Form::ConstantRatio => "Multiply by c of the road.".into(),
                Form::PowerLaw => "Raise it to the power b of the road and multiply by a.".into(),
            },
            "Quote the limits for a report of so many specimens (the next smaller number), with the name of the road."
                .into(),
        ];
        steps.extend(self.belt.roads.iter().find_map(|r| self.example(r)));
        steps.push("With the document correction.json the library does all this for any report.".into());
        steps
    }

    fn example(&self, road: &RoadConclusion) -> Option<String> {
        let at = self.correction.correction(&road.surface).ok()?.factor_at_laboratory_time_s();
        let report = road.reports.iter().find(|r| r.specimens == 5).filter(|_| !road.by_class)?;
        let s = |c: f64| significant(c * at, 3);
        Some(format!(
            "For example: a report of 5 specimens with the median {} s is read as {} s on {}, between {} s and {} s.",
            s(1.0),
            s(road.factor.value()?),
            road.surface,
            s(report.limits.lower()),
            s(report.limits.upper())
        ))
    }

    fn particulars(&self) -> String {
        let c = self.correction;
        let mut items: Vec<(String, String)> = self.entries.clone();
        items.extend(self.belt.particulars.iter().map(|(name, value)| (format!("{name} on the belt"), value.clone())));
        let roads = self.belt.road_particulars.iter();
        items.extend(roads.map(|(name, value)| (format!("{name} on the roads"), value.clone())));
        let counts = &self.study.conclusions.trials;
        items.push(("campaign".into(), counts.to_string().trim_end_matches('.').to_owned()));
        items.push(("SHA-256 of the trial table".into(), c.campaign_digest().to_owned()));
        let scatter = self.study.conclusions.scatter.to_string();
        items.push(("scatter".into(), scatter.trim_end_matches('.').to_owned()));
        items.push(("limits".into(), format!("level {}, times {}", c.level(), c.distribution())));
        if let Some(seed) = c.seed() {
            items.push(("seed".into(), seed.to_string()));
        }
        items.push(("surface-severity".into(), format!("version {CRATE_VERSION}")));
        let told: Vec<String> = items.into_iter().map(|(name, value)| format!("{}: {value}", capital(&name))).collect();
        format!("{}.", told.join(". "))
    }
}
