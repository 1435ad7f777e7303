//! Tables of the severity scale.

use std::fmt;

use crate::bootstrap::SeverityBootstrap;
use crate::estimate::{Estimate, Interval, IntervalMethod};
use crate::severity::{Additivity, CellMeans, ClassFactors, Comparison, ComparisonMethod, SeverityFit};

use super::words::{capital, count, descending, interval_method, ladder_order};
use super::{Column, Drawn, Table, Value};

/// Abrasiveness factors of the surfaces, harshest first.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// let table = surface_severity::tables::surface_factors(&fit);
/// assert_eq!(table.rows()[0][0].shown(), "coarse surface dressing", "the harshest first");
/// println!("{table}");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn surface_factors(fit: &SeverityFit) -> Table {
    let [lower, upper] = Column::limits(fit.level(), None);
    let columns = vec![
        Column::words("surface", "surface"),
        Column::words("role", "role"),
        Column::numbers("factor", "k"),
        lower,
        upper,
        Column::numbers("log_standard_error", "SE of log k"),
        Column::numbers("relative_durability", "1/k"),
        Column::numbers("trials", "trials"),
        Column::numbers("materials", "materials"),
    ];
    let mut table = Table::new("Abrasiveness factors of the surfaces", columns).with_caption(format!(
        "k = median abrasion time on {} / median on the surface, same material; {} = 1, larger wears faster; 1/k: how \
         many times longer a material lasts there. {}",
        fit.reference(),
        fit.reference(),
        method(fit)
    ));
    let rows = ladder_order(fit.factors());
    for row in &rows {
        let [k, lower, upper] = Value::estimate(&row.factor);
        table.add(vec![
            Value::text(&row.surface),
            Value::optional_text(row.role.map(crate::campaign::SurfaceRole::as_str)),
            k,
            lower,
            upper,
            Value::digits(row.log_standard_error.unwrap_or(f64::NAN), 2),
            Value::optional(row.factor.value().map(|k| 1.0 / k)),
            Value::Count(row.trials),
            Value::Count(row.materials),
        ]);
    }
    reasons(&mut table, rows.iter().map(|r| (r.surface.as_str(), &r.factor)));
    let drawn = rows.iter().map(|r| r.factor.interval().map(limits)).collect();
    table.draw(Drawn { heading: "k, drawn".into(), log: true, mark: Some(1.0), rows: drawn });
    table
}

/// Durabilities of the materials on the reference surface, by class, longest first.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// let table = surface_severity::tables::durabilities(&fit);
/// assert_eq!(table.rows().len(), 14);
/// println!("{}", table.to_markdown());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn durabilities(fit: &SeverityFit) -> Table {
    let [lower, upper] = Column::limits(fit.level(), Some("s"));
    let columns = vec![
        Column::words("material", "material"),
        Column::words("class", "class"),
        Column::numbers("durability_s", "durability").unit("s"),
        lower,
        upper,
        Column::numbers("log_standard_error", "SE of log"),
        Column::numbers("trials", "trials"),
        Column::numbers("surfaces", "surfaces"),
    ];
    let mut table = Table::new("Durability of the materials", columns).with_caption(format!(
        "Median abrasion time on {}. {}",
        fit.reference(),
        method(fit)
    ));
    let mut rows: Vec<_> = fit.materials().iter().collect();
    rows.sort_by(|a, b| {
        // Materials without a class come last.
        (a.class.is_none(), &a.class)
            .cmp(&(b.class.is_none(), &b.class))
            .then_with(|| descending(&a.durability_s, &b.durability_s))
            .then_with(|| a.material.cmp(&b.material))
    });
    for row in &rows {
        let [value, lower, upper] = Value::estimate(&row.durability_s);
        table.add(vec![
            Value::text(&row.material),
            Value::optional_text(row.class.as_deref()),
            value,
            lower,
            upper,
            Value::digits(row.log_standard_error.unwrap_or(f64::NAN), 2),
            Value::Count(row.trials),
            Value::Count(row.surfaces),
        ]);
    }
    reasons(&mut table, rows.iter().map(|r| (r.material.as_str(), &r.durability_s)));
    let drawn = rows.iter().map(|r| r.durability_s.interval().map(limits)).collect();
    table.draw(Drawn { heading: "durability, drawn".into(), log: true, mark: None, rows: drawn });
    table
}

/// Median abrasion time of every cell, one location per cell and a common scatter.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// let cells = fit.cell_means(&campaign)?;
/// assert_eq!(surface_severity::tables::cell_medians(&cells).rows().len(), cells.cells().len());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn cell_medians(cells: &CellMeans) -> Table {
    let [lower, upper] = Column::limits(cells.level(), Some("s"));
    let columns = vec![
        Column::words("material", "material"),
        Column::words("class", "class"),
        Column::words("surface", "surface"),
        Column::numbers("median_s", "median").unit("s"),
        lower,
        upper,
        Column::numbers("trials", "trials"),
        Column::numbers("perforated", "perforated"),
    ];
    let scatter = format!("Student t with {} degrees of freedom", freedom(cells.interval_degrees_of_freedom()).shown());
    let mut table = Table::new("Cell medians", columns).with_caption(format!(
        "Each material on each surface by itself, {} times with common log scatter {}; limits by {scatter}.",
        cells.distribution(),
        Value::number(cells.log_scatter()).shown()
    ));
    for cell in cells.cells() {
        let [value, lower, upper] = Value::estimate(&cell.median_s);
        table.add(vec![
            Value::text(&cell.material),
            Value::optional_text(cell.class.as_deref()),
            Value::text(&cell.surface),
            value,
            lower,
            upper,
            Value::Count(cell.trials),
            Value::Count(cell.perforated),
        ]);
    }
    let bounds = cells.cells().iter().filter(|c| c.median_s.interval().is_none());
    let named: Vec<(String, &Estimate)> =
        bounds.map(|c| (format!("{} on {}", c.material, c.surface), &c.median_s)).collect();
    reasons(&mut table, named.iter().map(|(name, e)| (name.as_str(), *e)));
    table
}

/// What was fitted, how, and how the maximum was reached.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// let text = surface_severity::tables::fit_summary(&fit).to_text();
/// assert!(text.contains("log-normal") && text.contains("dense asphalt concrete"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn fit_summary(fit: &SeverityFit) -> Table {
    let columns = vec![Column::words("quantity", "quantity"), Column::numbers("value", "value")];
    let mut table = Table::new("Summary of the fit", columns);
    let mut add = |name: &str, value: Value| table.add(vec![Value::text(name), value]);
    let convergence = fit.convergence();
    add("reference surface", Value::text(fit.reference()));
    add("distribution of times", Value::text(fit.distribution().to_string()));
    add("confidence level", Value::text(fit.level().to_string()));
    add("trials fitted", Value::Count(fit.trials()));
    add("run-outs among them", Value::Count(fit.run_outs()));
    add("contact openings among them", Value::Count(fit.contact_openings()));
    add("parameters", Value::Count(fit.parameters()));
    add("replicate scatter of log time", Value::number(fit.log_scatter()));
    add("degrees of freedom of it", freedom(fit.scatter_degrees_of_freedom()));
    add("log-likelihood", Value::digits(fit.log_likelihood(), 7));
    add("solution", Value::text(if convergence.direct { "direct least squares" } else { "Newton, converged" }));
    add("iterations", Value::Count(convergence.iterations as usize));
    add("last distance to the maximum, SE", Value::digits(convergence.decrement, 2));
    table
}

/// A factor of its own for every class on every surface, and how far it departs from the common one.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::{severity::ClassFactors, tables};
/// let classes = ClassFactors::fit(&plan, &campaign)?;
/// assert_eq!(tables::class_factors(&classes).rows().len(), classes.rows.len());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn class_factors(classes: &ClassFactors) -> Table {
    let [lower, upper] = Column::limits(classes.level, None);
    let ratio_limits = ["lower", "upper"]
        .map(|side| Column::numbers(format!("ratio_{side}_{}", classes.level), format!("{side} {}", classes.level)));
    let [ratio_lower, ratio_upper] = ratio_limits;
    let columns = vec![
        Column::words("surface", "surface"),
        Column::words("class", "class"),
        Column::numbers("factor", "k of the class"),
        lower,
        upper,
        Column::numbers("ratio_to_common", "k common / k class"),
        ratio_lower,
        ratio_upper,
        Column::numbers("adjusted_p_value", "adjusted p"),
        Column::numbers("trials", "trials"),
        Column::numbers("materials", "materials"),
    ];
    let mut table = Table::new("Factors of the classes", columns).with_caption(format!(
        "Each class with its own factor, and how many times longer it lasts on the surface, relative to the reference, than \
         the common factor says. {} p of each ratio adjusted over all classes and surfaces (Holm).",
        comparison("One common factor per surface against one per class and surface", &classes.comparison)
    ));
    let mut rows: Vec<_> = classes.rows.iter().collect();
    rows.sort_by(|a, b| (&a.surface, &a.class).cmp(&(&b.surface, &b.class)));
    for row in &rows {
        let mut cells = vec![Value::text(&row.surface), Value::text(&row.class)];
        cells.extend(Value::estimate(&row.factor));
        cells.extend(Value::estimate(&row.ratio_to_common));
        cells.push(row.adjusted_p_value.map_or(Value::Missing, Value::Probability));
        cells.extend([Value::Count(row.trials), Value::Count(row.materials)]);
        table.add(cells);
    }
    let named: Vec<(String, &Estimate)> =
        rows.iter().map(|r| (format!("{} on {}", r.class, r.surface), &r.factor)).collect();
    reasons(&mut table, named.iter().map(|(name, e)| (name.as_str(), *e)));
    table.group(1);
    for statement in classes.statements() {
        table.note(statement);
    }
    table
}

/// The test of one factor per surface for all materials against every cell by itself.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::{severity::Additivity, tables};
/// let test = Additivity::test(&plan, &campaign)?;
/// assert!(tables::additivity(&test).to_csv().contains(&test.comparison.statistic.to_string()));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn additivity(test: &Additivity) -> Table {
    let columns = vec![Column::words("quantity", "quantity"), Column::numbers("value", "value")];
    let mut table = Table::new("One factor for all materials?", columns)
        .with_caption(comparison("One factor per surface against one median per cell", &test.comparison));
    let c = &test.comparison;
    let mut add = |name: &str, value: Value| table.add(vec![Value::text(name), value]);
    add(
        if c.method == ComparisonMethod::LikelihoodRatio { "likelihood ratio" } else { "F" },
        Value::digits(c.statistic, 4),
    );
    add("degrees of freedom", freedom(c.degrees_of_freedom));
    add("residual degrees of freedom", freedom(c.residual_degrees_of_freedom));
    add("p", Value::Probability(c.p_value));
    if let Some((additive, by_cells)) = test.log_likelihoods {
        add("log-likelihood, one factor per surface", Value::digits(additive, 7));
        add("log-likelihood, every cell by itself", Value::digits(by_cells, 7));
    }
    if c.unlimited > 0 {
        table.note(format!(
            "{} without a finite median (every trial censored on one side): counted as a parameter each, though it adds \
             less than one, so p is only a rough guide.",
            count(c.unlimited, "cell")
        ));
    }
    table
}

/// Intervals of the surface factors: of the model, and from the bootstrap.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::{bootstrap::Bootstrap, tables};
/// let bootstrap = Bootstrap::rescaled(100).severity(&plan, &campaign)?;
/// let table = tables::bootstrap_intervals(&bootstrap);
/// assert!(table.to_csv().contains("coarse surface dressing"));
/// println!("{table}");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn bootstrap_intervals(bootstrap: &SeverityBootstrap) -> Table {
    let fit = bootstrap.fit();
    let replicates = bootstrap.replicates();
    let level = replicates.plan().level;
    let mut columns = vec![Column::words("surface", "surface"), Column::numbers("factor", "k")];
    for (name, heading, level) in
        [("model", "model", fit.level()), ("percentile", "percentile", level), ("studentised", "studentised", level)]
    {
        for side in ["lower", "upper"] {
            columns.push(Column::numbers(format!("{name}_{side}_{level}"), format!("{heading} {side} {level}")));
        }
    }
    let mut table = Table::new("Factors with bootstrap intervals", columns).with_caption(format!(
        "{}: {}; seed {}, {} of them could not be fitted.",
        count(replicates.len() + replicates.failed(), "replicate"),
        replicates.plan().scheme(),
        replicates.plan().seed,
        replicates.failed()
    ));
    for row in ladder_order(fit.factors()) {
        let Some(model) = row.factor.interval() else { continue };
        if row.surface == fit.reference() {
            continue;
        }
        let mut cells = vec![Value::text(&row.surface), Value::number(model.estimate())];
        cells.extend([Value::number(model.lower()), Value::number(model.upper())]);
        // The better of the two in small cells comes last: see the coverage table of `bootstrap`.
        for method in [IntervalMethod::Percentile, IntervalMethod::Studentised] {
            match bootstrap.factor(&row.surface, method) {
                Ok(i) => cells.extend([Value::number(i.interval.lower()), Value::number(i.interval.upper())]),
                Err(error) => {
                    cells.extend([Value::Missing, Value::Missing]);
                    table.note(format!("{}: {error}.", row.surface));
                }
            }
        }
        table.add(cells);
    }
    for (reason, n) in replicates.failures() {
        table.note(format!("{} failed: {reason}.", count(n, "replicate")));
    }
    table
}

/// A comparison of nested models in words.
fn comparison(what: &str, c: &Comparison) -> String {
    let p = Value::Probability(c.p_value).shown();
    let p = if p.starts_with('<') { format!("p {p}") } else { format!("p = {p}") };
    let residual = c.residual_degrees_of_freedom;
    match c.method {
        ComparisonMethod::F | ComparisonMethod::Wald => format!(
            "{what}: F = {} on {} and {} degrees of freedom, {p}.",
            Value::number(c.statistic).shown(),
            freedom(c.degrees_of_freedom).shown(),
            freedom(residual).shown()
        ),
        _ => format!(
            "{what}: likelihood ratio {} on {} degrees of freedom, {p}.",
            Value::number(c.statistic).shown(),
            freedom(c.degrees_of_freedom).shown()
        ),
    }
}

/// What a reader of the fit should know, one remark a row.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// assert_eq!(surface_severity::tables::notes(&fit).rows().len(), fit.notes().len());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn notes(fit: &SeverityFit) -> Table {
    let mut table = Table::new("Notes on the fit", vec![Column::words("note", "note")]);
    for note in fit.notes() {
        table.add(vec![Value::text(note.to_string())]);
    }
    table
}

pub(crate) fn limits(interval: &Interval) -> [f64; 3] {
    [interval.lower(), interval.estimate(), interval.upper()]
}

/// Degrees of freedom: whole where they are.
pub(crate) fn freedom(value: f64) -> Value {
    if value.fract().abs() < 1e-9 { Value::text(format!("{value:.0}")) } else { Value::digits(value, 4) }
}

fn method(fit: &SeverityFit) -> String {
    let t = interval_method(IntervalMethod::StudentT);
    let df = freedom(fit.scatter_degrees_of_freedom()).shown();
    let limits = if !fit.groupings().is_empty() {
        let shared: Vec<String> = fit.groupings().iter().map(ToString::to_string).collect();
        format!("{t}, degrees of freedom by Satterthwaite, with what trials share by {} in them", shared.join(", "))
    } else if fit.convergence().direct {
        format!("{t} with {df} residual degrees of freedom")
    } else {
        let factor = Value::number(fit.small_sample_factor()).shown();
        format!("{t} (observed information times {factor}, {df} effective degrees of freedom)")
    };
    format!(
        "{} times, {}, {} and {} among them; limits at level {} by {limits}.",
        capital(&fit.distribution().to_string()),
        count(fit.trials(), "trial"),
        count(fit.run_outs(), "run-out"),
        count(fit.contact_openings(), "contact opening"),
        fit.level()
    )
}

/// Says of every bound at which level it holds and why there is no more.
fn reasons<'a>(table: &mut Table, rows: impl Iterator<Item = (&'a str, &'a Estimate)>) {
    for (name, estimate) in rows {
        match estimate {
            Estimate::Interval(_) => {}
            Estimate::Bound(b) => {
                table.note(format!("{name}: {b} (one-sided level {}); {}.", b.level(), b.reason()));
            }
            Estimate::NotEstimable(n) => table.note(format!("{name}: not estimable; {}.", n.not_estimable)),
        }
    }
}

impl SeverityFit {
    /// The table of surface factors; see [`crate::tables`] for the others.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// assert_eq!(fit.table(), surface_severity::tables::surface_factors(&fit));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn table(&self) -> Table {
        surface_factors(self)
    }
}

/// Surface factors and durabilities as aligned text.
impl fmt::Display for SeverityFit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}\n{}", surface_factors(self), durabilities(self))?;
        for note in self.notes() {
            write!(f, "\n{note}")?;
        }
        if self.notes().is_empty() { Ok(()) } else { writeln!(f) }
    }
}

/// The table of cell medians as aligned text.
impl fmt::Display for CellMeans {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        cell_medians(self).fmt(f)
    }
}

/// The table of class factors as aligned text.
impl fmt::Display for ClassFactors {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        class_factors(self).fmt(f)
    }
}

/// The test as aligned text.
impl fmt::Display for Additivity {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        additivity(self).fmt(f)
    }
}

/// The table of intervals as aligned text.
impl fmt::Display for SeverityBootstrap {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        bootstrap_intervals(self).fmt(f)
    }
}
