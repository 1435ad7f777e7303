//! Tables of the lab–road equivalence, the correction, and corrected reports.

use std::fmt;

use crate::correction::{CorrectedTime, Correction};
use crate::equivalence::{ConstantRatio, EquivalenceFit, Form, PowerLaw, SurfaceEquivalence, Tost};
use crate::estimate::{Estimate, significant};

use super::severity::limits;
use super::words::{capital, of_class};
use super::{Column, Drawn, Table, Value};

/// The ratio k of the belt / k of each road surface, with two one-sided tests.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// let table = surface_severity::tables::equivalence(&equivalence);
/// assert_eq!(table.rows().len(), 6, "one row for each road");
/// println!("{table}");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn equivalence(fit: &EquivalenceFit) -> Table {
    let [lower, upper] = Column::limits(fit.level(), None);
    let columns = vec![
        Column::words("surface", "road surface"),
        Column::numbers("pairs", "materials on both"),
        Column::numbers("ratio", "k belt / k road"),
        lower,
        upper,
        Column::numbers("p_value", "p"),
        Column::numbers("adjusted_p_value", "adjusted p"),
        Column::words("equivalence", "equivalence within the bounds"),
        Column::numbers("smallest_lower_bound", "smallest bounds: lower"),
        Column::numbers("smallest_upper_bound", "upper"),
    ];
    let tests: Vec<_> = fit.surfaces().iter().filter_map(|s| s.test().fitted()).collect();
    let bounds = tests.first().map_or(String::new(), |t| {
        format!(
            " Equivalence means a ratio within {} to {}; shown where p adjusted over the surfaces (Holm) is at most {}. \
             Smallest bounds: the narrowest symmetric ones within which it would be shown for that surface alone.",
            t.lower_bound(),
            t.upper_bound(),
            significant(t.alpha(), 2)
        )
    });
    let mut table = Table::new("Tests of equivalence", columns).with_caption(format!(
        "{} against each road surface: ratio of the abrasiveness factors of the severity fit, which is how many times longer a material lasts on \
         the road than on the belt; two one-sided tests of it.{bounds}",
        capital(fit.laboratory())
    ));
    let shown = fit.equivalent_surfaces();
    for surface in fit.surfaces() {
        let mut row = vec![Value::text(surface.surface()), Value::Count(surface.pairs().len())];
        row.extend(interval(surface.constant_ratio().fitted().map(ConstantRatio::ratio)));
        let p = |p: Option<f64>| p.map_or(Value::Missing, Value::Probability);
        let test = surface.test().fitted();
        row.push(p(test.map(Tost::p_value)));
        row.push(p(surface.adjusted_p_value()));
        row.push(match test {
            Some(_) if shown.contains(&surface.surface()) => Value::text("shown"),
            Some(_) => Value::text("not shown"),
            None => Value::Missing,
        });
        let smallest = test.map(Tost::smallest_bounds);
        row.extend([Value::optional(smallest.map(|b| b.0)), Value::optional(smallest.map(|b| b.1))]);
        table.add(row);
        if let Some(why) = surface.constant_ratio().unavailable() {
            table.note(format!("{}: no ratio; {why}.", surface.surface()));
        }
    }
    if !fit.conditions().is_empty() {
        let names: Vec<String> = fit.conditions().iter().map(|c| c.grouping().to_string()).collect();
        table.note(format!("What trials of one {} share is in limits, p and bounds.", names.join(", ")));
    }
    for reason in fit.undetermined() {
        table.note(format!("Nothing is shown while what trials share cannot be told from the surfaces: {reason}."));
    }
    table
}

/// The constant ratio and the power law between belt and each road surface.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// let table = surface_severity::tables::lab_road_lines(&equivalence);
/// assert!(table.to_csv().contains("brushed concrete"));
/// println!("{}", table.to_markdown());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn lab_road_lines(fit: &EquivalenceFit) -> Table {
    let [lower, upper] = Column::limits(fit.level(), None);
    let columns = vec![
        Column::words("surface", "road surface"),
        Column::numbers("pairs", "materials"),
        Column::numbers("constant_ratio", "road / belt"),
        lower,
        upper,
        Column::numbers("intrinsic_log_scatter", "scatter between materials (log)"),
        Column::numbers("slope", "slope"),
        Column::numbers(format!("slope_lower_{}", fit.level()), format!("lower {}", fit.level())),
        Column::numbers(format!("slope_upper_{}", fit.level()), format!("upper {}", fit.level())),
        Column::numbers("slope_one_p_value", "adjusted p of slope 1"),
        Column::numbers("constant_leave_one_out_log_error", "error of the ratio (log)"),
        Column::numbers("power_leave_one_out_log_error", "error of the power law (log)"),
        Column::words("better_predicting", "predicts better"),
    ];
    let mut table = Table::new("Lines between belt and road", columns).with_caption(
        "Medians of the materials on belt and road, on log scales, errors in both. Ratio: that of the severity fit, and the scatter of \
         materials about it (restricted likelihood). Slope: York line with the same scatter; slope 1 is a constant \
         ratio. Error: root mean square error of each log road median predicted from the other materials.",
    );
    for surface in fit.surfaces() {
        let constant = surface.constant_ratio().fitted();
        let power = surface.power_law().fitted();
        let mut row = vec![Value::text(surface.surface()), Value::Count(surface.pairs().len())];
        row.extend(interval(constant.map(ConstantRatio::ratio)));
        row.push(Value::digits(constant.map_or(f64::NAN, ConstantRatio::intrinsic_log_scatter), 2));
        row.extend(interval(power.map(PowerLaw::slope)));
        row.push(power.and_then(PowerLaw::adjusted_slope_one_p_value).map_or(Value::Missing, Value::Probability));
        let error = |e: Option<f64>| Value::digits(e.unwrap_or(f64::NAN), 2);
        row.push(error(constant.and_then(ConstantRatio::leave_one_out_log_error)));
        row.push(error(power.and_then(PowerLaw::leave_one_out_log_error)));
        row.push(Value::optional_text(surface.better_predicting().map(form)));
        table.add(row);
        remarks(&mut table, surface);
    }
    table
}

fn remarks(table: &mut Table, surface: &SurfaceEquivalence) {
    if let Some(why) = surface.constant_ratio().unavailable() {
        table.note(format!("{}: no ratio; {why}.", surface.surface()));
    }
    if let Some(why) = surface.power_law().unavailable() {
        table.note(format!("{}: no slope; {why}.", surface.surface()));
    }
    if !surface.left_out().is_empty() {
        let left: Vec<String> =
            surface.left_out().iter().map(|l| format!("{} ({})", l.material(), l.reason())).collect();
        table.note(format!("Not among the pairs of {}: {}.", surface.surface(), left.join("; ")));
    }
}

/// The corrections of laboratory times, one row a road surface, with their domain.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// let table = surface_severity::tables::corrections(&correction);
/// assert_eq!(table.rows().len(), correction.corrections().len() + correction.not_corrected().len());
/// println!("{table}");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn corrections(correction: &Correction) -> Table {
    let [lower, upper] = Column::limits(correction.level(), None);
    let columns = vec![
        Column::words("surface", "road surface"),
        Column::numbers("factor", "c"),
        lower,
        upper,
        Column::numbers("factor_at_laboratory_time_s", "at belt time").unit("s"),
        Column::numbers("slope", "slope"),
        Column::numbers("intrinsic_log_scatter", "scatter between materials (log)"),
        Column::numbers("materials", "materials"),
        Column::numbers("shortest_laboratory_time_s", "belt times from").unit("s"),
        Column::numbers("longest_laboratory_time_s", "to").unit("s"),
        Column::words("classes", "classes (materials)"),
    ];
    let mut table = Table::new("Correction factors", columns).with_caption(format!(
        "Road median = c × median on {}; {}. Limits are those of c, not of a single material: see the corrected reports. \
         Domain: classes and belt times of the materials it was derived from.",
        correction.laboratory(),
        match correction.form() {
            Form::ConstantRatio => "the same c for every time",
            Form::PowerLaw => "power law, c is given at the stated belt time",
        }
    ));
    for c in correction.corrections() {
        let mut row = vec![Value::text(c.surface())];
        row.extend(interval(Some(c.factor())));
        let classes: Vec<String> = c
            .domain()
            .classes()
            .iter()
            .map(|k| format!("{} ({})", k.class().unwrap_or("no class"), k.materials()))
            .collect();
        row.extend([
            Value::number(c.factor_at_laboratory_time_s()),
            Value::number(c.slope()),
            Value::digits(c.intrinsic_log_scatter(), 2),
            Value::Count(c.domain().materials()),
            Value::number(c.domain().shortest_laboratory_time_s()),
            Value::number(c.domain().longest_laboratory_time_s()),
            Value::text(classes.join(", ")),
        ]);
        table.add(row);
    }
    for not in correction.not_corrected() {
        table.note(format!("{}: no correction; {}.", not.surface(), not.reason().trim_end_matches('.')));
    }
    for caution in correction.cautions() {
        table.note(caution.clone());
    }
    let drawn = correction.corrections().iter().map(|c| Some(limits(c.factor()))).collect();
    table.draw(Drawn { heading: "c, drawn".into(), log: true, mark: Some(1.0), rows: drawn });
    table
}

/// Laboratory reports read as road times, one row per report and road surface; with the probability that
/// the road median reaches `required_s`, a positive time in s, where one is given (missing where only a
/// bound is known).
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
/// let rows: Vec<_> = reports.reports().iter().flat_map(|r| correction.apply(r)).collect();
/// // With the probability that the road median reaches 4 s.
/// let table = surface_severity::tables::corrected_reports(&rows, Some(4.0));
/// assert_eq!(table.rows().len(), 12 * 6);
/// assert!(table.columns().len() > surface_severity::tables::corrected_reports(&rows, None).columns().len());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn corrected_reports(rows: &[CorrectedTime], required_s: Option<f64>) -> Table {
    let level = rows.iter().find_map(|r| r.road_median_s().interval()).map_or(0.95, crate::Interval::level);
    let limits_of = |name: &str| {
        ["lower", "upper"]
            .map(|side| Column::numbers(format!("{name}_{side}_{level}_s"), format!("{side} {level}")).unit("s"))
    };
    let mut columns = vec![
        Column::words("report_id", "report"),
        Column::words("material", "material"),
        Column::numbers("specimens", "specimens"),
        Column::numbers("laboratory_median_s", "belt median").unit("s"),
        Column::words("surface", "road surface"),
        Column::numbers("road_median_s", "road median").unit("s"),
    ];
    columns.extend(limits_of("road_median"));
    columns.push(Column::numbers("road_specimen_s", "one specimen").unit("s"));
    columns.extend(limits_of("road_specimen"));
    if let Some(required) = required_s {
        columns.push(Column::numbers("probability_of_reaching", format!("P(median ≥ {required} s)")));
    }
    columns.push(Column::words("validity", "validity"));
    let mut table = Table::new("Laboratory reports read as road times", columns).with_caption(
        "Road median: median of this very material on the road, with a prediction interval that holds the uncertainty of the \
         report, of the correction and the scatter between materials. One specimen: a further specimen of it. Validity: \
         whether time and class lie in the domain of the correction; outside it the value is an extrapolation.",
    );
    for row in rows {
        let mut cells = vec![
            Value::text(row.report_id()),
            Value::text(of_class(row.material(), row.material_class())),
            Value::Count(row.specimens()),
        ];
        let [median, _, _] = Value::estimate(row.laboratory_median_s());
        cells.extend([median, Value::text(row.surface())]);
        cells.extend(Value::estimate(row.road_median_s()));
        cells.extend(Value::estimate(row.road_specimen_s()));
        if let Some(required) = required_s {
            cells.push(row.probability_of_reaching(required).map_or(Value::Missing, Value::Probability));
        }
        cells.push(Value::text(row.validity().to_string()));
        table.add(cells);
    }
    table.group(4);
    let mut scattered: Vec<(&str, f64)> =
        rows.iter().filter_map(|r| Some((r.report_id(), r.scatter_p_value().filter(|p| *p < 0.01)?))).collect();
    scattered.dedup_by(|a, b| a.0 == b.0);
    if let Some(bound) = rows.iter().find_map(|r| match r.road_median_s() {
        Estimate::Bound(bound) => Some(bound),
        _ => None,
    }) {
        table.note(format!(
            "\"At least\" and \"at most\": a one-sided limit at level {}, of a report all of whose specimens ended before perforation or \
             opened at contact; the chance of being wrong is shared equally between the report and the correction.",
            bound.level()
        ));
    }
    let mut through: Vec<(&str, f64)> = rows.iter().filter_map(|r| Some((r.report_id(), r.belt_ratio()?))).collect();
    through.dedup_by(|a, b| a.0 == b.0);
    for (id, ratio) in through {
        table.note(format!(
            "{id}: read through its own reading of the reference cloth, which lasted {} times as long there as on the belt of the \
             campaign; its times are divided by that, with the uncertainty of both readings.",
            significant(ratio, 3)
        ));
    }
    for (id, p) in scattered {
        table.note(format!(
            "{id}: its specimens scatter unlike those of the campaign (F test, p = {}); its intervals use the scatter of the \
             campaign and do not hold for it.",
            significant(p, 2)
        ));
    }
    table
}

pub(crate) fn form(form: Form) -> &'static str {
    match form {
        Form::ConstantRatio => "constant ratio",
        Form::PowerLaw => "power law",
    }
}

pub(super) fn interval(interval: Option<&crate::Interval>) -> [Value; 3] {
    match interval {
        Some(i) => [Value::number(i.estimate()), Value::number(i.lower()), Value::number(i.upper())],
        None => [Value::Missing, Value::Missing, Value::Missing],
    }
}

/// Equivalence and lines as aligned text.
impl fmt::Display for EquivalenceFit {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}\n{}", equivalence(self), lab_road_lines(self))
    }
}

/// The table of corrections as aligned text.
impl fmt::Display for Correction {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        corrections(self).fmt(f)
    }
}
