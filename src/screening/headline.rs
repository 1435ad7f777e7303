//! The answers that count, side by side: each surface factor on all trials, robustly, and without
//! trials that stand out.

use serde::{Deserialize, Serialize};

use crate::error::Result;
use crate::estimate::Estimate;
use crate::severity::{RobustFit, SeverityFit, SurfaceFactor};

/// One surface factor under each treatment of the trials that stand out. Changes are from
/// `all_trials`, per cent, and absent unless both are estimates.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::screening::Screening;
/// let report = Screening::new().influence(false).screen(&campaign, &plan)?;
/// for row in report.headline() {
///     println!("{}: {} on all trials, {} robustly", row.surface, row.all_trials, row.robust);
///     if let (Some(all), Some(without), Some(percent)) = (row.all_trials.value(), row.without_flagged.value(), row.change_percent) {
///         assert!((percent - 100.0 * (without / all - 1.0)).abs() < 1e-9);
///     }
/// }
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct HeadlineFactor {
    /// Surface.
    pub surface: String,
    /// Factor fitted on all trials, decisions not applied, dimensionless.
    pub all_trials: Estimate,
    /// Robust factor on all trials.
    pub robust: Estimate,
    /// Factor if every flagged trial were set aside.
    pub without_flagged: Estimate,
    /// Factor without the trials that are set aside by decision; absent without any decision.
    pub decided: Option<Estimate>,
    /// Change to `robust`, per cent.
    pub robust_change_percent: Option<f64>,
    /// Change to `without_flagged`, per cent.
    pub change_percent: Option<f64>,
    /// Change to `decided`, per cent.
    pub decided_change_percent: Option<f64>,
}

/// `100 (b/a − 1)`.
pub(crate) fn change_percent(a: &Estimate, b: &Estimate) -> Option<f64> {
    let (a, b) = (a.value()?, b.value()?);
    let change = 100.0 * (b / a - 1.0);
    change.is_finite().then_some(change)
}

pub(crate) fn headline(
    all: &SeverityFit,
    robust: Option<&Result<RobustFit>>,
    without: &Result<SeverityFit>,
    decided: Option<&Result<SeverityFit>>,
) -> Vec<HeadlineFactor> {
    let of = |rows: Result<&[SurfaceFactor], String>, s: usize| match rows {
        Ok(rows) => rows[s].factor.clone(),
        Err(reason) => Estimate::not_estimable(reason),
    };
    all.factors()
        .iter()
        .enumerate()
        .map(|(s, row)| {
            let robust = of(
                match robust {
                    None => Err("no robust fit was asked for".into()),
                    Some(fit) => fit.as_ref().map(RobustFit::factors).map_err(|e| format!("robustly: {e}")),
                },
                s,
            );
            let set_aside = |fit: &Result<SeverityFit>, which: &str| {
                of(fit.as_ref().map(SeverityFit::factors).map_err(|e| format!("without {which} trials: {e}")), s)
            };
            let without_flagged = set_aside(without, "the flagged");
            let decided = decided.map(|fit| set_aside(fit, "the set-aside"));
            HeadlineFactor {
                surface: row.surface.clone(),
                robust_change_percent: change_percent(&row.factor, &robust),
                change_percent: change_percent(&row.factor, &without_flagged),
                decided_change_percent: decided.as_ref().and_then(|d| change_percent(&row.factor, d)),
                all_trials: row.factor.clone(),
                robust,
                without_flagged,
                decided,
            }
        })
        .collect()
}
