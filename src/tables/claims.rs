//! Tables of what may be claimed of belt and road: checks of the lines, shared conditions, the nearest road, corrections by
//! class, the caller's requirements, decisions on trials.

use crate::campaign::{Action, Decision};
use crate::correction::{ClassBasis, CorrectedTime, Correction, Requirement};
use crate::equivalence::{ConstantRatio, EquivalenceFit, LineMethod, PowerLaw, PredictionGain, RankLine};
use crate::error::Result;
use crate::estimate::{Interval, significant};

use super::equivalence::{form, interval};
use super::severity::limits;
use super::words::of_class;
use super::{Column, Drawn, Table, Value};

/// The slope between belt and road by each line: with errors in both, by the jackknife over materials, and by ranks.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// let table = surface_severity::tables::lab_road_slopes(&equivalence);
/// assert_eq!(table.rows().len(), 3 * 6, "power law, jackknife and ranks of each road");
/// println!("{table}");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn lab_road_slopes(fit: &EquivalenceFit) -> Table {
    let [lower, upper] = Column::limits(fit.level(), None);
    let columns = vec![
        Column::words("surface", "road surface"),
        Column::words("line", "line"),
        Column::numbers("slope", "slope"),
        lower,
        upper,
        Column::words("limits", "limits by"),
    ];
    let mut table = Table::new("Slopes between belt and road", columns).with_caption(
        "Slope of log road on log belt time; 1 is a constant ratio. The line of ranks (Passing–Bablok, equivariant form) cannot be \
         pulled away by one material: where its limits hardly meet those of the power law, look for the material that pulls. The \
         jackknife leaves out each material in turn and does not use the stated errors for its limits.",
    );
    let mut drawn = Vec::new();
    for surface in fit.surfaces() {
        let mut add = |line: &str, slope: Option<&Interval>, by: &str| {
            let mut row = vec![Value::text(surface.surface()), Value::text(line)];
            row.extend(interval(slope));
            row.push(if slope.is_some() { Value::text(by) } else { Value::Missing });
            table.add(row);
            drawn.push(slope.map(limits));
        };
        add("power law", surface.power_law().fitted().map(PowerLaw::slope), "t, pairs − 2");
        let method = LineMethod::Structural(fit.options().estimator());
        let jackknife = surface.with_points(|points| points.jackknife(method, fit.level()));
        let jackknife = jackknife.and_then(Result::ok).filter(|_| surface.power_law().fitted().is_some());
        add("power law, jackknife", jackknife.as_ref().map(|j| &j.slope), "each material left out");
        add("ranks", surface.rank_line().fitted().map(RankLine::slope), "ranks");
        if let Some(why) = surface.rank_line().unavailable() {
            table.note(format!("{}: no line of ranks; {why}.", surface.surface()));
        }
    }
    table.group(1);
    table.draw(Drawn { heading: "slope, drawn".into(), log: false, mark: Some(1.0), rows: drawn });
    table
}

/// Which form predicts a material better that it was not fitted to, and by how much.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// assert!(surface_severity::tables::prediction_gains(&equivalence).to_csv().contains("brushed concrete"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn prediction_gains(fit: &EquivalenceFit) -> Table {
    let columns = vec![
        Column::words("surface", "road surface"),
        Column::numbers("materials", "materials"),
        Column::numbers("mean_square_difference", "gain of the power law (log²)"),
        Column::numbers("standard_error", "standard error"),
        Column::words("better_predicting", "predicts better"),
        Column::words("told_apart", "told apart"),
    ];
    let mut table = Table::new("Constant ratio or power law", columns).with_caption(
        "Each log road median predicted from the other materials: mean over materials of squared error of the ratio less that of the \
         power law. Told apart: the gain is more than two of its standard errors from 0. The fits share materials, so the \
         standard error is a guide; the form is never chosen by itself.",
    );
    for surface in fit.surfaces() {
        let gain = surface.prediction_gain();
        table.add(vec![
            Value::text(surface.surface()),
            gain.map_or(Value::Missing, |g| Value::Count(g.materials())),
            Value::digits(gain.map_or(f64::NAN, PredictionGain::mean_square_difference), 2),
            Value::digits(gain.map_or(f64::NAN, PredictionGain::standard_error), 2),
            Value::optional_text(surface.better_predicting().map(form)),
            gain.map_or(Value::Missing, |g| {
                Value::text(if g.mean_square_difference().abs() > 2.0 * g.standard_error() { "yes" } else { "no" })
            }),
        ]);
        if gain.is_none() {
            table.note(format!(
                "{}: fewer than four materials, no prediction of one from the others.",
                surface.surface()
            ));
        }
    }
    table
}

/// The road surface that the belt is nearest to, and how surely; empty with a note where no replicates were drawn.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::{bootstrap::Bootstrap, tables};
/// let equivalence = equivalence.with_nearest(&Bootstrap::rescaled(100).severity(&plan, &campaign)?)?;
/// assert!(tables::nearest_surfaces(&equivalence).to_csv().contains("coarse surface dressing"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn nearest_surfaces(fit: &EquivalenceFit) -> Table {
    let columns = vec![
        Column::words("surface", "road surface"),
        Column::numbers("ratio", "k belt / k road"),
        Column::numbers("frequency_percent", "nearest in").unit("% of replicates"),
        Column::numbers("frequency_standard_error_percent", "Monte Carlo error").unit("%"),
    ];
    let mut table = Table::new("Nearest road surface", columns);
    let Some(nearest) = fit.nearest() else {
        table.note("No replicates were drawn, so no surface is named as the nearest.");
        return table;
    };
    table = table.with_caption(format!(
        "The surfaces by their distance from the belt. In so many of {} bootstrap replicates ({}, seed {}) each was the \
         nearest: a share far from 100 % names none.",
        nearest.replicates(),
        nearest.scheme(),
        nearest.seed()
    ));
    for s in nearest.surfaces() {
        table.add(vec![
            Value::text(s.surface()),
            Value::number(libm::exp(s.log_ratio())),
            Value::number(100.0 * s.frequency()),
            Value::digits(100.0 * s.frequency_standard_error(), 2),
        ]);
    }
    table
}

/// What days, runs and belts add to the uncertainty of the ratio on each surface; empty with a note where no mixed fit was
/// given.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// let table = surface_severity::tables::shared_effects(&equivalence);
/// assert!(table.is_empty() && !table.notes().is_empty(), "no fit with random effects was given");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn shared_effects(fit: &EquivalenceFit) -> Table {
    let columns = vec![
        Column::words("surface", "road surface"),
        Column::words("grouping", "shared"),
        Column::numbers("log_standard_deviation", "scatter between them (log)"),
        Column::numbers("degrees_of_freedom", "degrees of freedom"),
        Column::numbers("laboratory_levels", "on the belt"),
        Column::numbers("road_levels", "on the road"),
        Column::numbers("added_log_standard_error", "added to the log ratio"),
        Column::numbers("log_standard_error", "standard error in all (log)"),
    ];
    let mut table = Table::new("Shared conditions in the ratios", columns).with_caption(
        "Materials tested on the same days, runs or belts move together with them; what the scatter between materials does not show of \
         that is added, in squares, to the standard error of the mean log ratio.",
    );
    for surface in fit.surfaces() {
        for e in surface.shared_effects() {
            let ratio = surface.constant_ratio().fitted();
            let added = e.ratio_share().map_or(f64::NAN, |share| libm::sqrt(e.log_variance() * share));
            table.add(vec![
                Value::text(surface.surface()),
                Value::text(e.grouping().to_string()),
                Value::digits(libm::sqrt(e.log_variance()), 2),
                Value::digits(e.degrees_of_freedom(), 2),
                Value::Count(e.laboratory_levels()),
                Value::Count(e.road_levels()),
                Value::digits(added, 2),
                Value::digits(ratio.map_or(f64::NAN, ConstantRatio::log_standard_error), 2),
            ]);
        }
    }
    if fit.shared_groupings().is_empty() {
        table.note(
            "No fit with random effects was given: the materials of a surface are taken as tested independently, and where they share \
             days, runs or belts the limits are too narrow.",
        );
    }
    table
}

/// Factors by material class, with what each rests on; empty with a note where there are none.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// use surface_severity::{correction::{Correction, CorrectionOptions}, tables};
/// let correction = Correction::derive(&equivalence, &CorrectionOptions::default().by_class(true))?;
/// assert!(tables::class_corrections(&correction).to_csv().contains("leather"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn class_corrections(correction: &Correction) -> Table {
    let [lower, upper] = Column::limits(correction.level(), None);
    let columns = vec![
        Column::words("surface", "road surface"),
        Column::words("class", "class"),
        Column::numbers("materials", "materials"),
        Column::numbers("own_weight_percent", "own weight").unit("%"),
        Column::numbers("factor", "c"),
        lower,
        upper,
        Column::words("basis", "rests on"),
    ];
    let mut table = Table::new("Correction factors by class", columns).with_caption(
        "The factor of each class is drawn towards the common one; own weight: how much of it rests on the class itself, 0 % where the \
         classes show no difference. A class with too few materials takes the common factor, with the scatter between classes \
         in its limits.",
    );
    let mut drawn = Vec::new();
    for c in correction.corrections() {
        let Some(classes) = c.classes() else { continue };
        for class in classes.classes() {
            let own = class.basis() == ClassBasis::Own;
            let mut row = vec![
                Value::text(c.surface()),
                Value::text(class.class()),
                Value::Count(class.materials()),
                if own { Value::digits(100.0 * class.own_weight(), 2) } else { Value::Missing },
            ];
            row.extend(interval(Some(class.factor())));
            row.push(Value::text(if own { "class, shrunk" } else { "common: too few materials" }));
            table.add(row);
            drawn.push(Some(limits(class.factor())));
        }
        let mut row =
            vec![Value::text(c.surface()), Value::text("any other, or not stated"), Value::Missing, Value::Missing];
        row.extend(interval(Some(classes.other_factor())));
        row.push(Value::text("common: not represented"));
        table.add(row);
        drawn.push(Some(limits(classes.other_factor())));
    }
    if drawn.is_empty() {
        table.note(
            "One factor serves all classes of a surface; factors by class were not asked for, or could not be had.",
        );
    }
    table.group(1);
    table.draw(Drawn { heading: "c, drawn".into(), log: true, mark: Some(1.0), rows: drawn });
    table
}

/// The probability that each report's material reaches each of the caller's minimum times, on each road surface.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
/// use surface_severity::{correction::Requirement, tables};
/// let rows = correction.apply(&reports.reports()[1]);
/// let required = [Requirement::new("zone 1", 4.0)?, Requirement::new("zone 2", 1.0)?];
/// assert_eq!(tables::requirements(&rows, &required)?.rows().len(), 2 * 6, "each requirement on each road");
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::InvalidOption`](crate::ErrorKind::InvalidOption) for two requirements of one name.
pub fn requirements(rows: &[CorrectedTime], requirements: &[Requirement]) -> Result<Table> {
    let columns = vec![
        Column::words("report_id", "report"),
        Column::words("material", "material"),
        Column::words("surface", "road surface"),
        Column::words("requirement", "requirement"),
        Column::numbers("required_s", "at least").unit("s"),
        Column::numbers("median_probability", "P, median"),
        Column::numbers("specimen_probability", "P, one specimen"),
        Column::words("validity", "validity"),
    ];
    let mut table = Table::new("Probability of reaching the required times", columns).with_caption(
        "Required times are those of the reader, not of this software. P: probability that the road median of the material, or one \
         further specimen of it, lasts at least as long, by the distribution behind its prediction interval. No verdict \
         follows from it alone.",
    );
    let mut only_bound: Vec<&str> = Vec::new();
    for row in rows {
        let found: Vec<Option<(f64, f64)>> = match row.reaching(requirements) {
            Ok(found) => found.into_iter().map(|r| Some((r.median, r.specimen))).collect(),
            Err(error) if matches!(error.kind(), crate::error::ErrorKind::NotEstimable { .. }) => {
                if !only_bound.contains(&row.report_id()) {
                    only_bound.push(row.report_id());
                }
                vec![None; requirements.len()]
            }
            Err(error) => return Err(error),
        };
        for (requirement, both) in requirements.iter().zip(found) {
            table.add(vec![
                Value::text(row.report_id()),
                Value::text(of_class(row.material(), row.material_class())),
                Value::text(row.surface()),
                Value::text(requirement.name()),
                Value::number(requirement.seconds()),
                both.map_or(Value::Missing, |b| Value::Probability(b.0)),
                both.map_or(Value::Missing, |b| Value::Probability(b.1)),
                Value::text(row.validity().to_string()),
            ]);
        }
    }
    table.group(3);
    if !only_bound.is_empty() {
        table.note(format!("Only a bound of the belt time is known, and no probability: {}.", only_bound.join(", ")));
    }
    Ok(table)
}

/// The decisions on single trials that a result rests on; empty with a note where there are none.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// use surface_severity::{campaign::Decisions, tables};
/// let decisions = Decisions::new().set_aside("R-0077", "clamped over a seam", "test engineer");
/// let table = tables::decisions(campaign.with_decisions(&decisions)?.decisions());
/// assert!(table.rows().len() == 1 && table.to_csv().contains("clamped over a seam"));
/// assert!(tables::decisions(campaign.decisions()).is_empty());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn decisions(list: &[Decision]) -> Table {
    let columns = vec![
        Column::words("trial_id", "trial"),
        Column::words("action", "decision"),
        Column::words("reason", "reason"),
        Column::words("decided_by", "decided by"),
    ];
    let mut table = Table::new("Decisions on trials", columns)
        .with_caption("Trials that stay in the table and were not fitted, by decision of whoever runs the campaign.");
    for d in list {
        let action = match d.action {
            Action::SetAside => "set aside",
        };
        table.add([d.trial_id.as_str(), action, &d.reason, &d.decided_by].map(Value::text).to_vec());
    }
    if list.is_empty() {
        table.note("No trial was set aside by decision.");
    }
    table
}

/// Smallest bounds within which equivalence would be shown, in sentences.
pub(super) fn smallest_bounds(fit: &EquivalenceFit) -> Vec<String> {
    let shown = |(lower, upper): (f64, f64)| format!("{} to {}", significant(lower, 3), significant(upper, 3));
    let mut lines = Vec::new();
    let each: Vec<String> = fit
        .smallest_simultaneous_bounds()
        .into_iter()
        .map(|(surface, lower, upper)| format!("{surface} {}", shown((lower, upper))))
        .collect();
    if each.len() > 1 {
        lines.push(format!(
            "Smallest bounds at which each would be shown beside the others (Holm): {}.",
            each.join("; ")
        ));
    }
    if let Some(bounds) = fit.smallest_bounds_to_all().filter(|_| fit.surfaces().len() > 1) {
        lines.push(format!(
            "Smallest bounds at which the belt would be shown equivalent to every surface: {}.",
            shown(bounds)
        ));
    }
    lines
}
