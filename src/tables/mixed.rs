//! Tables of what trials share.

use crate::Interval;
use crate::severity::{Criterion, Integration, SeverityFit, Verdict};

use super::words::count;
use super::{Column, Table, Value};

/// How much each kind of shared condition adds to the scatter of log time, with the replicate scatter
/// last. `intervals` are those of the standard deviations in the same order, where they were computed
/// (profile likelihood: [`SeverityFit::profile_interval`] and
/// [`scatter_interval`](SeverityFit::scatter_interval); they cost refits).
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
/// use surface_severity::{severity::{Grouping, Severity}, tables};
/// let fit = Severity::new("asphalt").random(Grouping::Day).fit(&campaign)?;
/// let intervals = [Some(fit.profile_interval(&Grouping::Day)?), Some(fit.scatter_interval()?)];
/// let table = tables::variance_components(&fit, &intervals);
/// assert_eq!(table.rows().len(), 2, "days, and the specimens of one cell");
/// println!("{table}");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn variance_components(fit: &SeverityFit, intervals: &[Option<Interval>]) -> Table {
    let components = fit.variance_components();
    let total: f64 = components.iter().map(|c| c.variance).sum();
    let level = intervals.iter().flatten().next().map_or(0.95, Interval::level);
    let mut columns =
        vec![Column::words("component", "shared by"), Column::numbers("log_standard_deviation", "SD of log time")];
    let with_limits = intervals.iter().any(Option::is_some);
    if with_limits {
        columns.extend(Column::limits(level, None));
    }
    columns.push(Column::numbers("share_percent", "share of variance").unit("%"));
    columns.push(Column::numbers("levels", "levels"));
    let criterion = match fit.criterion() {
        Criterion::Reml => "restricted maximum likelihood",
        Criterion::Ml => "maximum likelihood",
    };
    let method = match fit.integration() {
        Integration::Exact => criterion.to_owned(),
        Integration::AdaptiveGaussHermite { nodes } => {
            format!("{criterion}, adaptive Gauss–Hermite quadrature with {nodes} nodes")
        }
        Integration::Laplace => format!("{criterion}, Laplace's approximation"),
    };
    let mut table = Table::new("Where the scatter comes from", columns).with_caption(format!(
        "Severity model with random effects on log time, {}, {method}.{}",
        count(fit.trials(), "trial"),
        if with_limits { " Limits by profile likelihood." } else { "" }
    ));
    for (i, c) in components.iter().enumerate() {
        let name = match c.name.as_str() {
            "residual" => "nothing: replicate scatter".to_owned(),
            other => other.replace("_by_", " × "),
        };
        let mut row = vec![Value::text(name), Value::digits(c.standard_deviation, 3)];
        if with_limits {
            let interval = intervals.get(i).copied().flatten();
            row.push(interval.map_or(Value::Missing, |i| Value::digits(i.lower(), 2)));
            row.push(interval.map_or(Value::Missing, |i| Value::digits(i.upper(), 2)));
        }
        row.push(Value::digits(if total > 0.0 { 100.0 * c.variance / total } else { f64::NAN }, 2));
        row.push(Value::Count(c.levels));
        table.add(row);
    }
    if let Verdict::Boundary { components } = fit.convergence().verdict {
        table.note(format!(
            "Estimated as exactly zero: {}. Standard errors are as if there were no such effect.",
            components.join(", ").replace("_by_", " × ")
        ));
    }
    table
}
