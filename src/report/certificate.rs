//! One sheet for one correction: what a laboratory pins to the wall beside its belt.

use crate::correction::{ClassBasis, Correction, SurfaceCorrection};
use crate::document::CRATE_VERSION;
use crate::equivalence::Form;
use crate::estimate::significant;
use crate::tables::{Column, Drawn, Table, Value, capital, count, decisions, escape_markdown, limits};

use super::page::Html;

/// A correction on one self-contained sheet: factors with their limits, domain, how to apply them,
/// cautions, and the digest of the trials behind them. It needs the correction document alone.
///
/// HTML is one A4 sheet in print for up to about a dozen road surfaces (with factors by class for about four);
/// Markdown has the same content.
/// The same correction gives the same bytes. Nothing is read from the clock: a date, an author or a
/// number of the sheet is an [`entry`](Self::entry).
///
/// ```
/// use surface_severity::campaign::Campaign;
/// use surface_severity::correction::{Correction, CorrectionOptions};
/// use surface_severity::equivalence::Equivalence;
/// use surface_severity::report::Certificate;
/// use surface_severity::severity::Severity;
///
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let fit = Severity::new("dense asphalt concrete").fit(&campaign)?;
/// let equivalence = Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// let correction = Correction::derive(&equivalence, &CorrectionOptions::default())?;
/// let sheet = Certificate::new(&correction).entry("Sheet", "1 of the first campaign");
/// assert!(sheet.to_html().contains(fit.campaign_digest()));
/// assert!(sheet.to_markdown().contains("not a certification"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct Certificate<'a> {
    correction: &'a Correction,
    title: String,
    entries: Vec<(String, String)>,
}

/// What a sheet is made of, in either form.
enum Block {
    Heading(&'static str),
    Paragraph(String),
    Formula(String),
    Table(Table),
    Steps(Vec<String>),
    List(Vec<String>),
}

/// Closer lines than the page's, so that one sheet is enough.
const STYLE: &str = "
h2{margin:1.3rem 0 .4rem}
.table{margin:.4rem 0}
@media print{@page{margin:13mm}body{font-size:9.2pt;line-height:1.36}h1{font-size:15pt;margin-bottom:.5rem}h2{font-size:11pt;margin:.7rem 0 .25rem;padding-top:.25rem}
p,li{margin:.15rem 0}ol,ul{margin:.2rem 0}.table{font-size:8pt}}
";

impl<'a> Certificate<'a> {
    /// A sheet of one correction.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// use surface_severity::report::Certificate;
    /// let sheet = Certificate::new(&correction).title("Correction of the belt").entry("Issued by", "test house");
    /// assert!(sheet.to_markdown().contains("Correction of the belt") && sheet.to_markdown().contains("test house"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn new(correction: &'a Correction) -> Self {
        let title = format!("{}: laboratory times read as road times", capital(correction.laboratory()));
        Self { correction, title, entries: Vec::new() }
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
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// use surface_severity::report::Certificate;
    /// let html = Certificate::new(&correction).to_html();
    /// assert!(html.starts_with("<!DOCTYPE html>") && html.contains("brushed concrete"));
    /// assert!(!html.contains("<script") && !html.contains("https://"), "nothing is run or fetched");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn to_html(&self) -> String {
        let mut html = Html::styled(&self.title, STYLE);
        self.fill(&mut html);
        html.finish()
    }

    fn fill(&self, html: &mut Html) {
        for block in self.blocks() {
            match block {
                Block::Heading(text) => html.section(text),
                Block::Paragraph(text) => html.paragraph(&text),
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
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// use surface_severity::report::Certificate;
    /// let markdown = Certificate::new(&correction).to_markdown();
    /// assert!(correction.corrections().iter().all(|c| markdown.contains(c.surface())));
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
        let mut blocks = vec![
            Block::Paragraph(format!(
                "Abrasion times measured on the surface \"{}\", in seconds from contact to perforation of the innermost layer, read as times \
                 on {}.",
                self.correction.laboratory(),
                count(self.correction.corrections().len(), "road surface")
            )),
            Block::Formula(self.formula()),
            Block::Table(if self.correction.by_class() { self.factors_of_classes() } else { self.factors() }),
        ];
        blocks.push(Block::Heading("Where it holds"));
        blocks.push(Block::List(self.domain()));
        blocks.push(Block::Heading("How to apply it"));
        blocks.push(Block::Steps(self.steps()));
        blocks.push(Block::Heading("Cautions"));
        blocks.push(Block::List(self.cautions()));
        if !self.correction.decisions().is_empty() {
            blocks.push(Block::Heading("Decisions"));
            blocks.push(Block::Table(decisions(self.correction.decisions())));
        }
        blocks.push(Block::Heading("Particulars"));
        blocks.push(Block::Table(self.particulars()));
        blocks
    }

    fn formula(&self) -> String {
        match self.correction.form() {
            Form::ConstantRatio => "road time = c × laboratory time".into(),
            Form::PowerLaw => "road time = a × (laboratory time / 1 s)^b".into(),
        }
    }

    /// Multipliers of the laboratory time between which that of a further material lies.
    fn material_limits(&self, c: &SurfaceCorrection) -> Option<[f64; 2]> {
        let x = libm::log(c.factor_at_laboratory_time_s());
        let [_, _, _, lower, upper] = c.bands(self.correction, x)?;
        let [lower, upper] = [libm::exp(lower - x), libm::exp(upper - x)];
        (lower.is_finite() && upper.is_finite()).then_some([lower, upper])
    }

    fn factors(&self) -> Table {
        let level = self.correction.level();
        let power = self.correction.form() == Form::PowerLaw;
        let [lower, upper] = Column::limits(level, None);
        let mut columns = vec![Column::words("surface", "road surface"), Column::numbers("factor", "c"), lower, upper];
        columns.extend(["lower", "upper"].map(|side| {
            let heading = if side == "lower" { "one material from" } else { "one material to" };
            Column::numbers(format!("material_{side}_{level}"), heading)
        }));
        if power {
            columns.push(Column::numbers("factor_at_laboratory_time_s", "c at").unit("s"));
            columns.push(Column::numbers("multiplier", "a").unit("s"));
            columns.push(Column::numbers("slope", "b"));
        }
        columns.push(Column::numbers("shortest_laboratory_time_s", "laboratory times from").unit("s"));
        columns.push(Column::numbers("longest_laboratory_time_s", "laboratory times to").unit("s"));
        columns.push(Column::numbers("materials", "materials"));
        let mut table = Table::new("Factors", columns).with_caption(format!(
            "Limits at level {level}: first of c itself, the average over materials like those tested; then of c for one \
             further material{}. The scatter of single specimens comes on top.",
            if power { ", both at the laboratory time in the column \"c at\"" } else { "" }
        ));
        for c in self.correction.corrections() {
            let mut row = vec![
                Value::text(c.surface()),
                Value::number(c.factor().estimate()),
                Value::number(c.factor().lower()),
                Value::number(c.factor().upper()),
            ];
            let of_material = self.material_limits(c);
            row.extend([0, 1].map(|i| Value::optional(of_material.map(|l| l[i]))));
            if power {
                row.push(Value::number(c.factor_at_laboratory_time_s()));
                row.push(Value::digits(libm::exp(c.intercept()), 4));
                row.push(Value::digits(c.slope(), 4));
            }
            row.extend([
                Value::number(c.domain().shortest_laboratory_time_s()),
                Value::number(c.domain().longest_laboratory_time_s()),
                Value::Count(c.domain().materials()),
            ]);
            table.add(row);
        }
        let drawn = self.correction.corrections().iter().map(|c| Some(limits(c.factor()))).collect();
        table.draw(Drawn { heading: "c, drawn".into(), log: true, mark: Some(1.0), rows: drawn });
        self.uncorrected(&mut table);
        table
    }

    fn factors_of_classes(&self) -> Table {
        let level = self.correction.level();
        let [lower, upper] = Column::limits(level, None);
        let columns = vec![
            Column::words("surface", "road surface"),
            Column::words("class", "class"),
            Column::numbers("factor", "c"),
            lower,
            upper,
            Column::numbers("own_weight_percent", "own weight").unit("%"),
            Column::numbers("materials", "materials"),
        ];
        let mut table = Table::new("Factors", columns).with_caption(format!(
            "Limits of c at level {level}. A factor for each class, drawn towards the common one; own weight: how much of it rests \
             on the class itself. The scatter between materials of a class and between specimens comes on top."
        ));
        let mut drawn = Vec::new();
        for c in self.correction.corrections() {
            let Some(classes) = c.classes() else { continue };
            let own = classes
                .classes()
                .iter()
                .map(|k| (k.class(), k.factor(), Some((k.own_weight(), k.materials(), k.basis() == ClassBasis::Own))));
            for (class, factor, behind) in own.chain([("any other class", classes.other_factor(), None)]) {
                table.add(vec![
                    Value::text(c.surface()),
                    Value::text(match &behind {
                        Some((_, _, false)) => format!("{class} (too few materials: common factor)"),
                        _ => class.to_owned(),
                    }),
                    Value::number(factor.estimate()),
                    Value::number(factor.lower()),
                    Value::number(factor.upper()),
                    behind.map_or(Value::Missing, |(weight, ..)| Value::digits(100.0 * weight, 2)),
                    behind.map_or(Value::Missing, |(_, materials, _)| Value::Count(materials)),
                ]);
                drawn.push(Some(limits(factor)));
            }
        }
        table.group(1);
        table.draw(Drawn { heading: "c, drawn".into(), log: true, mark: Some(1.0), rows: drawn });
        self.uncorrected(&mut table);
        table
    }

    fn uncorrected(&self, table: &mut Table) {
        for not in self.correction.not_corrected() {
            table.note(format!("{}: no correction; {}.", not.surface(), not.reason().trim_end_matches('.')));
        }
    }

    fn domain(&self) -> Vec<String> {
        let classes = |c: &SurfaceCorrection| {
            let named: Vec<String> = c
                .domain()
                .classes()
                .iter()
                .map(|k| format!("{} ({})", k.class().unwrap_or("no class given"), count(k.materials(), "material")))
                .collect();
            named.join(", ")
        };
        // Surfaces with the same classes share a line.
        let mut lines: Vec<(String, Vec<&str>)> = Vec::new();
        for c in self.correction.corrections() {
            let text = classes(c);
            match lines.iter_mut().find(|l| l.0 == text) {
                Some(line) => line.1.push(c.surface()),
                None => lines.push((text, vec![c.surface()])),
            }
        }
        if self.correction.by_class() {
            lines.clear();
        }
        let alone = lines.len() == 1;
        let mut out: Vec<String> = lines
            .into_iter()
            .map(|(text, surfaces)| {
                if alone {
                    format!("Classes it was derived from: {text}.")
                } else {
                    format!("Classes it was derived from on {}: {text}.", surfaces.join(", "))
                }
            })
            .collect();
        if self.correction.by_class() {
            out.push("Classes: those in the table, each with the materials behind it.".into());
            let times: Vec<String> = self
                .correction
                .corrections()
                .iter()
                .map(|c| {
                    let [shortest, longest] =
                        [c.domain().shortest_laboratory_time_s(), c.domain().longest_laboratory_time_s()];
                    format!("{} {} s to {} s", c.surface(), significant(shortest, 3), significant(longest, 3))
                })
                .collect();
            out.push(format!("Laboratory times: {}.", times.join("; ")));
        } else {
            out.push("Laboratory times: those in the last columns of the table.".into());
        }
        out.push("Elsewhere a result is an extrapolation, or of a class not represented; say so beside it.".into());
        out
    }

    fn steps(&self) -> Vec<String> {
        let mut steps = vec![
            format!("Take the median time of the specimens on \"{}\", in seconds.", self.correction.laboratory()),
            "Check that the class and the time lie where the correction holds.".into(),
            match self.correction.form() {
                Form::ConstantRatio if self.correction.by_class() => {
                    "Multiply by c of the road surface and the class; of \"any other class\" where it is not listed."
                        .into()
                }
                Form::ConstantRatio => "Multiply by c of the road surface.".into(),
                Form::PowerLaw => {
                    "Raise it to the power b of the road surface and multiply by a; c alone serves at its own time."
                        .into()
                }
            },
            if self.correction.by_class() {
                "Quote the result with the name of the road surface; its limits for one material come from the library."
                    .into()
            } else {
                "Quote the limits for one material, not those of c, with the name of the road surface.".into()
            },
        ];
        if let Some(c) = self.correction.corrections().first().filter(|_| !self.correction.by_class()) {
            let at = c.factor_at_laboratory_time_s();
            let within = self.material_limits(c).map_or(String::new(), |[l, u]| {
                format!(
                    ", for one material between {} s and {} s at level {}",
                    significant(l * at, 3),
                    significant(u * at, 3),
                    self.correction.level()
                )
            });
            steps.push(format!(
                "For example: {} s on \"{}\" are {} s on {}{within}, before the uncertainty of the report's own median.",
                significant(at, 3),
                self.correction.laboratory(),
                significant(at * c.factor().estimate(), 3),
                c.surface()
            ));
        }
        steps.push(
            "With the document correction.json the library does all this, the report's own scatter included.".into(),
        );
        steps
    }

    fn cautions(&self) -> Vec<String> {
        let mut cautions = self.correction.cautions().to_vec();
        let fixed = [
            "The applicable standard comes first (for riders' clothing in Europe EN 17092, or EN 13595 where it is still called \
             up), with local law and the accredited laboratory that applies them.",
            "A correction factor is not a certification. It does not say whether a garment may be sold or will protect anybody.",
            "Seconds on a belt at constant speed are not seconds of a rider sliding to a stop.",
        ];
        for text in fixed {
            if !cautions.iter().any(|c| c == text) {
                cautions.push(text.into());
            }
        }
        cautions
    }

    fn particulars(&self) -> Table {
        let c = self.correction;
        let mut table =
            Table::new("What it rests on", vec![Column::words("item", "item"), Column::words("value", "value")]);
        let mut add = |name: &str, value: String| table.add(vec![Value::text(name), Value::text(value)]);
        for (name, value) in &self.entries {
            add(name, value.clone());
        }
        add("SHA-256 of the trial table", c.campaign_digest().to_owned());
        add(
            "form",
            match c.form() {
                Form::ConstantRatio => "constant ratio".into(),
                Form::PowerLaw => "power law".into(),
            },
        );
        let df = c.scatter_degrees_of_freedom();
        add(
            "replicate scatter of log time",
            format!(
                "{} with {} degrees of freedom; times {}",
                significant(c.log_scatter(), 3),
                significant(df, 4),
                c.distribution()
            ),
        );
        for e in c.conditions() {
            add(
                &format!("scatter of log time between levels of {}", e.grouping()),
                format!(
                    "{} with {} degrees of freedom; in all limits",
                    significant(libm::sqrt(e.log_variance()), 3),
                    significant(e.degrees_of_freedom(), 2)
                ),
            );
        }
        if let Some(seed) = c.seed() {
            add("seed", seed.to_string());
        }
        add(
            "surface-severity",
            if c.crate_version() == CRATE_VERSION {
                format!("version {CRATE_VERSION}")
            } else {
                format!("derived by version {}, printed by version {CRATE_VERSION}", c.crate_version())
            },
        );
        table
    }
}
