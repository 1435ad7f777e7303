//! Variance components.

use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, significant};
use crate::severity::SeverityFit;
use crate::tables::count;

use super::super::axis::Axis;
use super::super::canvas::{BLUE, Shape};
use super::rows::{Row, Rows};
use super::{KeyEntry, Plot, PlotOptions};

/// How much each kind of shared condition adds to the scatter of log time: standard deviations from
/// zero up, with `intervals` in the order of
/// [`variance_components`](SeverityFit::variance_components) where they were computed.
///
/// ```
/// // Two surfaces (factors 1 and 2), two materials, four days that shift log times by 0.1, -0.1, 0.05, -0.05.
/// # use surface_severity::campaign::{Campaign, Trial};
/// # let mut trials = Vec::new();
/// # for (d, shift) in [0.1, -0.1, 0.05, -0.05_f64].into_iter().enumerate() {
/// #     for (surface, k) in [("asphalt", 1.0), ("belt", 2.0)] {
/// #         for (material, s) in [("cowhide", 8.0), ("denim", 2.0)] {
/// #             for (i, e) in [0.02, -0.02].into_iter().enumerate() {
/// #                 let id = format!("{d} {surface} {material} {i}");
/// #                 let trial = Trial::perforated(id, surface, material, s / k * (shift + e).exp());
/// #                 trials.push(trial.day(format!("day {d}")));
/// #             }
/// #         }
/// #     }
/// # }
/// # let campaign = Campaign::from_trials(trials)?;
/// use surface_severity::{report::{PlotOptions, plots}, severity::{Grouping, Severity}};
/// let fit = Severity::new("asphalt").random(Grouping::Day).fit(&campaign)?;
/// let intervals = [Some(fit.profile_interval(Grouping::Day)?), Some(fit.scatter_interval()?)];
/// assert!(plots::variance_components(&fit, &intervals, &PlotOptions::default())?.to_svg().contains("day"));
/// let too_many = [intervals[0], intervals[1], None];
/// assert!(plots::variance_components(&fit, &too_many, &PlotOptions::default()).is_err());
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::InvalidOption`] for unusable options or more intervals than components.
pub fn variance_components(fit: &SeverityFit, intervals: &[Option<Interval>], options: &PlotOptions) -> Result<Plot> {
    let (width, id) = options.check("components")?;
    let components = fit.variance_components();
    if intervals.len() > components.len() {
        return Err(ErrorKind::option("intervals", intervals.len(), &format!("at most {}", components.len())));
    }
    let total: f64 = components.iter().map(|c| c.variance).sum();
    let of = |i: usize| intervals.get(i).copied().flatten();
    let values: Vec<f64> = (0..components.len())
        .flat_map(|i| of(i).map_or([0.0; 2], |v| [v.lower(), v.upper()]))
        .chain(components.iter().map(|c| c.standard_deviation))
        .chain([0.0])
        .collect();
    let rows = components
        .iter()
        .map(|c| {
            let label = match c.name.as_str() {
                "residual" => "replicates".to_owned(),
                other => other.replace("_by_", " × "),
            };
            let levels = if c.name == "residual" { count(c.levels, "trial") } else { count(c.levels, "level") };
            let note = if c.at_boundary {
                format!("0, {levels}")
            } else {
                format!(
                    "{}, {} % of variance, {levels}",
                    significant(c.standard_deviation, 2),
                    significant(100.0 * c.variance / total, 2)
                )
            };
            Row { label, note, height: 24.0 }
        })
        .collect();
    let level = intervals.iter().flatten().next().map(Interval::level);
    let mut key = vec![
        KeyEntry { shape: Shape::Circle, colour: BLUE, text: "standard deviation".into() },
        KeyEntry { shape: Shape::Ring, colour: BLUE, text: "estimated as zero".into() },
    ];
    if components.iter().all(|c| !c.at_boundary) {
        key.pop();
    }
    let picture = Rows {
        id: &id,
        width,
        title: "Where the scatter comes from",
        key,
        rows,
        axis: Axis::linear(values, 0.0, 1.0),
        axis_title: ["standard deviation of log time", "SD of log time"],
        mark: Some(0.0),
        caption: format!(
            "Standard deviations of what trials share and of replicates, on the logarithm of abrasion time, from a severity model \
             with random effects on {}.{}",
            count(fit.trials(), "trial"),
            level.map_or(String::new(), |level| format!(" Intervals by profile likelihood at level {level}."))
        ),
    };
    picture.plot(|pen, i, y, axis| {
        if let Some(interval) = of(i) {
            pen.line((axis.at(interval.lower()), y), (axis.at(interval.upper()), y), BLUE, 2.0)?;
        }
        let c = &components[i];
        let shape = if c.at_boundary { Shape::Ring } else { Shape::Circle };
        pen.mark(shape, (axis.at(c.standard_deviation), y), 4.2, BLUE, 1.0)
    })
}
