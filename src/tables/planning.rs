//! Tables of planned campaigns.

use std::fmt;

use crate::campaign::{Campaign, SurfaceRole};
use crate::error::Result;
use crate::planning::{
    Augmentation, CorrectionPrecision, EquivalencePower, Plan, Precision, Simulated, SimulatedEquivalence,
};

use super::severity::limits;
use super::words::{capital, count};
use super::{Column, Drawn, Table, Value};

/// The cells of a plan: specimens by material and surface, with the supposed values beside them.
///
/// ```
/// // Road and belt (factor 2.5), four materials, five specimens a cell, scatter 0.2 between specimens.
/// # use surface_severity::planning::{Plan, PlannedSurface};
/// # let plan = Plan::new("road", 0.2)
/// #     .surface(PlannedSurface::new("road", 1.0))
/// #     .surface(PlannedSurface::new("belt", 2.5))
/// #     .laboratory("belt")
/// #     .material("cowhide", 12.0)
/// #     .material("aramid denim", 3.5)
/// #     .material("cotton denim", 0.9)
/// #     .material("polyamide weave", 4.5)
/// #     .specimens_per_cell(5);
/// assert!(surface_severity::tables::planned_cells(&plan).to_csv().contains("cowhide"));
/// ```
#[must_use]
pub fn planned_cells(plan: &Plan) -> Table {
    let mut columns =
        vec![Column::words("material", "material"), Column::numbers("durability_s", "supposed durability").unit("s")];
    columns.extend(plan.surfaces().iter().map(|s| Column::numbers(format!("specimens_{}", s.name()), s.name())));
    columns.push(Column::numbers("specimens", "all"));
    let mut table = Table::new("Planned specimens", columns).with_caption(format!(
        "Specimens of each material on each surface, {} in all. Supposed scatter of log time: {} between specimens, {} between days, \
         {} between materials' departures on a surface.",
        plan.trials(),
        crate::significant(plan.log_scatter(), 3),
        crate::significant(plan.log_scatter_of_days(), 3),
        crate::significant(plan.log_scatter_of_departures(), 3),
    ));
    for (material, durability_s) in plan.materials() {
        let on: Vec<usize> = plan.surfaces().iter().map(|s| plan.specimens(material, s.name())).collect();
        let mut row = vec![Value::text(material), Value::number(durability_s)];
        row.extend(on.iter().map(|n| if *n == 0 { Value::Missing } else { Value::Count(*n) }));
        row.push(Value::Count(on.iter().sum()));
        table.add(row);
    }
    for s in plan.surfaces() {
        let end = s.run_length().map_or_else(|| "no end of runs".into(), |t| format!("runs of {t} s"));
        table.note(format!("{}: supposed factor {}, {end}.", s.name(), crate::significant(s.factor(), 3)));
    }
    table
}

/// The run sheet of a plan: its drops in random order, with the columns of a trial table, times and outcomes to be filled in.
///
/// Day by day, surface by surface, in blocks that hold every material at most once: what drifts in a day falls on all
/// materials alike. `cloth`: the reference cloth and every how many drops of the laboratory surface it is dropped, besides
/// first and last. Classes come from `campaign`, where it is given. The same seed gives the same order.
///
/// ```
/// // Road and belt (factor 2.5), four materials, five specimens a cell, scatter 0.2 between specimens.
/// # use surface_severity::planning::{Plan, PlannedSurface};
/// # let plan = Plan::new("road", 0.2)
/// #     .surface(PlannedSurface::new("road", 1.0))
/// #     .surface(PlannedSurface::new("belt", 2.5))
/// #     .laboratory("belt")
/// #     .material("cowhide", 12.0)
/// #     .material("aramid denim", 3.5)
/// #     .material("cotton denim", 0.9)
/// #     .material("polyamide weave", 4.5)
/// #     .specimens_per_cell(5);
/// use surface_severity::campaign::Campaign;
/// use surface_severity::tables;
/// let sheet = tables::run_sheet(&plan, None, 1, Some(("cotton denim", 10)))?;
/// // 20 drops on each, and the cloth before drops 1 and 11 and at the end of the belt's day.
/// assert_eq!(sheet.rows().len(), 20 + 20 + 3);
/// // Filled in, it is a trial table.
/// let filled = sheet.to_csv().replace(",,,\n", ",4.2,perforated,\n");
/// let path = std::env::temp_dir().join(format!("run_sheet_{}.csv", std::process::id()));
/// std::fs::write(&path, filled).expect("a folder for temporary files");
/// assert_eq!(Campaign::read_path(&path)?.len(), 43);
/// # std::fs::remove_file(path).ok();
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// As [`Plan::precision`](crate::planning::Plan::precision); [`ErrorKind::InvalidOption`](crate::ErrorKind::InvalidOption) for
/// a cloth every 0 drops.
pub fn run_sheet(plan: &Plan, campaign: Option<&Campaign>, seed: u64, cloth: Option<(&str, usize)>) -> Result<Table> {
    let columns = [
        ("trial_id", "trial"),
        ("day", "day"),
        ("surface", "surface"),
        ("surface_role", "role"),
        ("material", "material"),
        ("material_class", "class"),
        ("belt", "belt"),
        ("belt_drop", "drop"),
        ("abrasion_time_s", "time, s"),
        ("outcome", "outcome"),
        ("note", "note"),
    ];
    let columns = columns.map(|(name, heading)| Column::words(name, heading)).into();
    let mut table = Table::new("Run sheet", columns).with_caption(
        "In this order; outcome: perforated, run_out, opened_at_contact or void, the latter with its reason as a note.",
    );
    for (i, drop) in plan.run_order(seed, cloth)?.into_iter().enumerate() {
        let class = campaign.and_then(|c| c.materials()[c.material(drop.material).ok()?].class.clone());
        let role = if drop.laboratory { SurfaceRole::Laboratory } else { SurfaceRole::Road };
        let words = [
            format!("P{:04}", i + 1),
            drop.day,
            drop.surface.to_owned(),
            role.to_string(),
            drop.material.to_owned(),
            class.unwrap_or_default(),
            drop.belt.map_or_else(String::new, |(belt, _)| format!("belt {belt}")),
            drop.belt.map_or_else(String::new, |(_, before)| before.to_string()),
        ];
        table.add(words.into_iter().map(Value::text).chain(std::iter::repeat_n(Value::text(""), 3)).collect());
    }
    Ok(table)
}

/// Expected intervals of the factors, harshest surface first.
///
/// ```
/// // Road and belt (factor 2.5), four materials, five specimens a cell, scatter 0.2 between specimens.
/// # use surface_severity::planning::{Plan, PlannedSurface};
/// # let plan = Plan::new("road", 0.2)
/// #     .surface(PlannedSurface::new("road", 1.0))
/// #     .surface(PlannedSurface::new("belt", 2.5))
/// #     .laboratory("belt")
/// #     .material("cowhide", 12.0)
/// #     .material("aramid denim", 3.5)
/// #     .material("cotton denim", 0.9)
/// #     .material("polyamide weave", 4.5)
/// #     .specimens_per_cell(5);
/// let table = surface_severity::tables::planned_factors(&plan.precision()?);
/// assert!(table.to_csv().contains("belt"));
/// println!("{table}");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn planned_factors(precision: &Precision) -> Table {
    let level = precision.log_scatter().level();
    let mut columns = vec![Column::words("surface", "surface"), Column::numbers("factor", "k, supposed")];
    columns.extend(Column::limits(level, None));
    columns.extend([
        Column::numbers("width_ratio", "upper / lower"),
        Column::numbers("log_standard_error", "SE of log k"),
        Column::numbers("degrees_of_freedom", "df"),
        Column::numbers("specimens", "specimens"),
        Column::numbers("expected_run_outs", "run-outs"),
        Column::numbers("days", "days"),
    ]);
    let mut table = Table::new("What the plan would tell of the factors", columns).with_caption(format!(
        "k relative to {}: the supposed value with the interval to be expected about it, {}. Expected information, Student t on the \
         logarithm.",
        precision.reference(),
        count(precision.trials(), "specimen"),
    ));
    let mut rows: Vec<_> = precision.factors().iter().collect();
    rows.sort_by(|a, b| {
        b.factor().estimate().total_cmp(&a.factor().estimate()).then_with(|| a.surface().cmp(b.surface()))
    });
    for row in &rows {
        let mut cells = vec![Value::text(row.surface())];
        cells.extend(Value::estimate(&(*row.factor()).into()));
        cells.extend([
            Value::number(row.width_ratio()),
            Value::digits(row.log_standard_error(), 2),
            Value::digits(row.degrees_of_freedom(), 3),
            Value::Count(row.specimens()),
            run_outs(row.expected_run_outs()),
            Value::Count(row.days()),
        ]);
        table.add(cells);
    }
    for note in precision.notes() {
        table.note(format!("{}.", capital(&note.to_string())));
    }
    let drawn = rows.iter().map(|r| Some(limits(r.factor()))).collect();
    table.draw(Drawn { heading: "k, drawn".into(), log: true, mark: Some(1.0), rows: drawn });
    table
}

/// Two digits, and nothing rather than 3e-21.
fn run_outs(expected: f64) -> Value {
    if expected < 0.005 { Value::Count(0) } else { Value::digits(expected, 2) }
}

/// Expected intervals of the corrections and of what they would predict.
///
/// ```
/// // Road and belt (factor 2.5), four materials, five specimens a cell, scatter 0.2 between specimens.
/// # use surface_severity::planning::{Plan, PlannedSurface};
/// # let plan = Plan::new("road", 0.2)
/// #     .surface(PlannedSurface::new("road", 1.0))
/// #     .surface(PlannedSurface::new("belt", 2.5))
/// #     .laboratory("belt")
/// #     .material("cowhide", 12.0)
/// #     .material("aramid denim", 3.5)
/// #     .material("cotton denim", 0.9)
/// #     .material("polyamide weave", 4.5)
/// #     .specimens_per_cell(5);
/// let table = surface_severity::tables::planned_corrections(&plan.precision()?);
/// assert_eq!(table.rows().len(), 1, "one road");
/// println!("{table}");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn planned_corrections(precision: &Precision) -> Table {
    let level = precision.log_scatter().level();
    let mut columns = vec![Column::words("surface", "road"), Column::numbers("factor", "c, supposed")];
    columns.extend(Column::limits(level, None));
    columns.extend([
        Column::numbers("width_ratio", "upper / lower"),
        Column::numbers("log_standard_error", "SE of log c"),
        Column::numbers("materials", "materials"),
        Column::numbers(format!("material_lower_{level}"), "further material, lower"),
        Column::numbers(format!("material_upper_{level}"), "upper"),
        Column::numbers(format!("specimen_lower_{level}"), "further specimen, lower"),
        Column::numbers(format!("specimen_upper_{level}"), "upper"),
    ]);
    let specimens = precision.corrections().first().map_or(0, CorrectionPrecision::report_specimens);
    let mut table = Table::new("What the plan would tell of the correction", columns).with_caption(format!(
        "c, by which a laboratory time is multiplied to read it as a road time: the supposed value with the interval to be expected \
         about it (Student t, materials − 1 degrees of freedom). Further material, further specimen: {level} limits of its road time / \
         the median of its laboratory report on {}.",
        count(specimens, "specimen"),
    ));
    for row in precision.corrections() {
        let mut cells = vec![Value::text(row.surface())];
        cells.extend(Value::estimate(&(*row.factor()).into()));
        cells.extend([
            Value::number(row.width_ratio()),
            Value::digits(row.log_standard_error(), 2),
            Value::Count(row.materials()),
            Value::number(row.material().lower()),
            Value::number(row.material().upper()),
            Value::number(row.specimen().lower()),
            Value::number(row.specimen().upper()),
        ]);
        table.add(cells);
    }
    table
}

/// Power of the equivalence tests, by formula and, where given, by simulation.
///
/// ```
/// // Road and belt (factor 2.5), four materials, five specimens a cell, scatter 0.2 between specimens.
/// # use surface_severity::planning::{Plan, PlannedSurface};
/// # let plan = Plan::new("road", 0.2)
/// #     .surface(PlannedSurface::new("road", 1.0))
/// #     .surface(PlannedSurface::new("belt", 2.5))
/// #     .laboratory("belt")
/// #     .material("cowhide", 12.0)
/// #     .material("aramid denim", 3.5)
/// #     .material("cotton denim", 0.9)
/// #     .material("polyamide weave", 4.5)
/// #     .specimens_per_cell(5);
/// let power = plan.equivalence_power((0.80, 1.25), 0.05)?;
/// assert_eq!(surface_severity::tables::equivalence_power(&power, None).rows().len(), 1, "one road");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn equivalence_power(power: &[EquivalencePower], simulated: Option<&Simulated>) -> Table {
    let mut columns = vec![
        Column::words("surface", "road"),
        Column::numbers("ratio", "k belt / k road, supposed"),
        Column::numbers("power_tested_materials", "power, these materials"),
        Column::numbers("power_further_materials", "power, further materials"),
    ];
    if simulated.is_some() {
        columns.push(Column::numbers("simulated_tested_materials", "simulated, these"));
        columns.push(Column::numbers("simulated_further_materials", "simulated, further"));
    }
    let bounds = power.first().map_or_else(String::new, |p| {
        format!(" Bounds {} to {}, each test at {}.", p.lower_bound(), p.upper_bound(), p.alpha())
    });
    let mut table = Table::new("Chance of showing the belt equivalent", columns).with_caption(format!(
        "Probability that both one-sided tests reject, at the supposed ratio: bivariate non-central t.{bounds}"
    ));
    for row in power {
        let mut cells = vec![
            Value::text(row.surface()),
            Value::number(row.ratio()),
            Value::Probability(row.tested_materials()),
            Value::Probability(row.further_materials()),
        ];
        if let Some(simulated) = simulated {
            let of = simulated.equivalence().iter().find(|s| s.surface() == row.surface());
            let share = |p: Option<f64>| p.map_or(Value::Missing, Value::Probability);
            cells.push(share(of.map(SimulatedEquivalence::tested_materials)));
            cells.push(share(of.map(SimulatedEquivalence::further_materials)));
        }
        table.add(cells);
    }
    if let Some(simulated) = simulated {
        let worst = simulated.equivalence().iter().map(SimulatedEquivalence::monte_carlo_error).fold(0.0, f64::max);
        table.note(format!(
            "Simulated: {} through the real fits, which know nothing of days; Monte Carlo standard error at most {worst:.3}.",
            count(simulated.replicates(), "campaign")
        ));
    }
    table
}

/// The cells that further trials go to, in the order of their worth.
///
/// ```
/// // Road and belt (factor 2.5), four materials, five specimens a cell, scatter 0.2 between specimens.
/// # use surface_severity::planning::{Plan, PlannedSurface};
/// # let plan = Plan::new("road", 0.2)
/// #     .surface(PlannedSurface::new("road", 1.0))
/// #     .surface(PlannedSurface::new("belt", 2.5))
/// #     .laboratory("belt")
/// #     .material("cowhide", 12.0)
/// #     .material("aramid denim", 3.5)
/// #     .material("cotton denim", 0.9)
/// #     .material("polyamide weave", 4.5)
/// #     .specimens_per_cell(5);
/// use surface_severity::planning::{Augment, Criterion};
/// let found = Augment::new(Criterion::AllFactors, 3).candidates([("cowhide", "belt")]).run(&plan)?;
/// assert!(surface_severity::tables::augmentation(&found).to_csv().contains("cowhide"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn augmentation(augmentation: &Augmentation) -> Table {
    let columns = vec![
        Column::numbers("step", "step"),
        Column::words("material", "material"),
        Column::words("surface", "surface"),
        Column::words("day", "day"),
        Column::numbers("specimens", "specimens"),
        Column::numbers("cost", "cost"),
        Column::words("joins", "joins parts"),
        Column::numbers("log_standard_error", "SE of the logarithm"),
    ];
    let before = augmentation.log_standard_error_before().map_or_else(
        || "before, the plan was in parts".to_owned(),
        |se| format!("before, the standard error was {}", crate::significant(se, 3)),
    );
    let mut table = Table::new("Where further trials tell most", columns).with_caption(format!(
        "In each step the cell that improves the criterion most for its cost, {} in all; {before}. Greedy: near the best of all \
         allocations.",
        crate::significant(augmentation.cost(), 4),
    ));
    for (i, step) in augmentation.steps().iter().enumerate() {
        table.add(vec![
            Value::Count(i + 1),
            Value::text(step.material()),
            Value::text(step.surface()),
            Value::text(step.day()),
            Value::Count(step.specimens()),
            Value::number(step.cost()),
            if step.joins() { Value::text("yes") } else { Value::Missing },
            Value::optional(step.log_standard_error()),
        ]);
    }
    table
}

/// How the factors came out over simulated campaigns.
///
/// ```
/// // Road and belt (factor 2.5), four materials, five specimens a cell, scatter 0.2 between specimens.
/// # use surface_severity::planning::{Plan, PlannedSurface};
/// # let plan = Plan::new("road", 0.2)
/// #     .surface(PlannedSurface::new("road", 1.0))
/// #     .surface(PlannedSurface::new("belt", 2.5))
/// #     .laboratory("belt")
/// #     .material("cowhide", 12.0)
/// #     .material("aramid denim", 3.5)
/// #     .material("cotton denim", 0.9)
/// #     .material("polyamide weave", 4.5)
/// #     .specimens_per_cell(5);
/// let simulated = surface_severity::planning::Simulation::new(50).run(&plan)?;
/// assert!(surface_severity::tables::simulated_factors(&simulated).to_csv().contains("belt"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn simulated_factors(simulated: &Simulated) -> Table {
    let columns = vec![
        Column::words("surface", "surface"),
        Column::numbers("log_bias", "bias of log k"),
        Column::numbers("log_standard_deviation", "SD of log k"),
        Column::numbers("log_standard_error", "SE as fitted"),
        Column::numbers("coverage", "coverage"),
        Column::numbers("width_ratio", "upper / lower, median"),
        Column::numbers("estimates", "estimates"),
    ];
    let mut table = Table::new("The plan run many times", columns).with_caption(format!(
        "{} drawn from the plan, each fitted without random effects; {} run-outs on average.",
        capital(&count(simulated.replicates(), "campaign")),
        crate::significant(simulated.run_outs(), 3),
    ));
    for row in simulated.factors() {
        table.add(vec![
            Value::text(row.surface()),
            Value::digits(row.log_bias(), 2),
            Value::digits(row.log_standard_deviation(), 2),
            Value::digits(row.log_standard_error(), 2),
            Value::Probability(row.coverage()),
            Value::number(row.width_ratio()),
            Value::Count(row.estimates()),
        ]);
    }
    for (reason, n) in simulated.failures() {
        table.note(format!("{} could not be fitted: {reason}.", capital(&count(*n, "campaign"))));
    }
    table
}

/// The cells of the plan, as aligned text.
impl fmt::Display for Plan {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        planned_cells(self).fmt(f)
    }
}

/// Factors and corrections, as aligned text.
impl fmt::Display for Precision {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        planned_factors(self).fmt(f)?;
        if self.corrections().is_empty() { Ok(()) } else { write!(f, "\n{}", planned_corrections(self)) }
    }
}

/// The steps, as aligned text.
impl fmt::Display for Augmentation {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        augmentation(self).fmt(f)
    }
}

/// Factors over the simulated campaigns, as aligned text.
impl fmt::Display for Simulated {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        simulated_factors(self).fmt(f)
    }
}
