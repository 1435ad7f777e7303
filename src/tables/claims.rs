//! Tables of what may be claimed of belt and road: checks of the lines, shared conditions, the nearest road, corrections by
//! class, the caller's requirements, decisions on trials.

use crate::campaign::{Action, Decision};
use crate::correction::{ClassBasis, CorrectedTime, Correction, Requirement};
use crate::equivalence::{EquivalenceFit, PredictionGain};
use crate::error::Result;
use crate::laboratory::Seasons;
use crate::slide::SlideRow;

use super::equivalence::{form, interval};
use super::severity::limits;
use super::words::of_class;
use super::{Column, Drawn, Table, Value};

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

/// Slides to rest, by the three assumptions side by side; see [`slide`](crate::slide) before any of it is used.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::{slide::Slide, study::Study, tables};
/// let result = Study::new(plan).slide(Slide::new(0.6, 8.0)).run(&campaign, Some(&reports))?;
/// let table = tables::slides(&result.belts[0].slides);
/// assert!(table.caption().starts_with("The assumption decides") && table.rows().len() == 12 * 6 * 3);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn slides(rows: &[SlideRow]) -> Table {
    let mut columns = vec![
        Column::words("report_id", "report"),
        Column::words("surface", "road"),
        Column::numbers("speed_km_per_h", "from").unit("km/h"),
        Column::numbers("distance_m", "distance").unit("m"),
    ];
    for (name, what) in [("b0", "b = 0, seconds"), ("b1", "b = 1, distance"), ("b2", "b = 2, heat")] {
        columns.push(Column::numbers(format!("rig_time_{name}_s"), what).unit("s"));
        columns.push(Column::numbers(format!("survival_{name}"), "survives"));
    }
    let measured = rows.iter().any(|r| r.measured.is_some());
    if measured {
        columns.push(Column::numbers("measured_b", "b measured"));
        columns.push(Column::numbers("rig_time_measured_s", "by it").unit("s"));
        columns.push(Column::numbers("survival_measured", "survives"));
    }
    let mut table = Table::new("Slides to rest", columns).with_caption(
        "The assumption decides: whether wear goes by seconds (b = 0), by distance (b = 1) or by heat (b = 2) nobody knows \
         without a speed ladder, and the three differ several-fold. Time on the rig that the slide uses up, and the probability \
         that one specimen survives it. Abrasion only, constant retardation, equal pressure; nothing about injury, and no row is a \
         safe speed.",
    );
    let mut reasons: Vec<String> = Vec::new();
    for row in rows {
        let mut cells = vec![
            Value::text(&row.report_id),
            Value::text(&row.surface),
            Value::number(row.speed_km_per_h),
            Value::number(row.distance_m),
        ];
        let mut missing = 0;
        if measured && row.measured.is_none() {
            missing = 3;
        }
        for worth in row.worth.iter().chain(&row.measured) {
            if worth.exponent_standard_error > 0.0 {
                cells.push(Value::number(worth.exponent));
            }
            cells.push(Value::number(worth.rig_time_s));
            match &worth.survival {
                Ok(p) => cells.push(Value::Probability(*p)),
                Err(reason) => {
                    let reason = format!("{} on {}: {reason}", row.report_id, row.surface);
                    if !reasons.contains(&reason) {
                        reasons.push(reason);
                    }
                    cells.push(Value::Missing);
                }
            }
        }
        cells.extend((0..missing).map(|_| Value::Missing));
        table.add(cells);
    }
    table.group(2);
    let all = reasons.len();
    for reason in reasons.into_iter().take(MOST_REASONS) {
        table.note(format!("Not said: {reason}."));
    }
    if all > MOST_REASONS {
        table.note(format!("Not said for {} further reasons.", all - MOST_REASONS));
    }
    table
}

/// Surfaces over several campaigns: what changed since the last, the scale of all, and where it is given the mean over
/// campaigns that may differ.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// # let season = surface_severity::campaign::Campaign::read_path("data-demo/second_season.csv")?;
/// use surface_severity::{study::Study, tables};
/// let earlier = plan.fit(&campaign)?.document(None);
/// let result = Study::new(plan).season(earlier).run(&season, None)?;
/// let table = tables::seasons(result.conclusions.seasons.as_ref().unwrap());
/// assert_eq!(table.rows().len(), 4, "the surfaces of both but the reference");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn seasons(seasons: &Seasons) -> Table {
    let mut columns = vec![
        Column::words("surface", "surface"),
        Column::numbers("ratio", "now over before"),
        Column::numbers("ratio_lower", "lower"),
        Column::numbers("ratio_upper", "upper"),
        Column::numbers("adjusted_p_value", "adjusted p"),
        Column::numbers("factor", "factor, all campaigns"),
        Column::numbers("factor_lower", "lower"),
        Column::numbers("factor_upper", "upper"),
        Column::numbers("campaigns", "campaigns"),
    ];
    let means = !seasons.pooled.is_empty();
    if means {
        columns.push(Column::numbers("mean_factor", "mean of campaigns that may differ"));
        columns.push(Column::numbers("mean_lower", "lower"));
        columns.push(Column::numbers("mean_upper", "upper"));
    }
    let mut table = Table::new("Earlier campaigns", columns).with_caption(
        "Factors now over those of the last campaign, adjusted over surfaces. The factor of all campaigns takes a surface that \
         changed from the newer ones alone.",
    );
    let joined = |name: &str| seasons.joined.iter().flat_map(|j| &j.factors).find(|f| f.surface == name);
    for change in &seasons.changes {
        let mut cells = vec![Value::text(&change.surface)];
        cells.extend(interval(Some(&change.ratio)));
        cells.push(Value::Probability(change.adjusted_p_value));
        let of_all = joined(&change.surface);
        cells.extend(interval(of_all.map(|f| &f.factor)));
        cells.push(of_all.map_or(Value::Missing, |f| Value::Count(f.campaigns)));
        if means {
            cells.extend(interval(seasons.pooled.iter().find(|p| p.surface == change.surface).map(|p| &p.factor)));
        }
        table.add(cells);
    }
    table
}

/// Reasons that a table lists.
const MOST_REASONS: usize = 12;
