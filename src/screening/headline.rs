//! The answers that count, side by side: each surface factor on all trials and without the flagged ones.

use serde::{Deserialize, Serialize};

use crate::error::Result;
use crate::estimate::Estimate;
use crate::severity::SeverityFit;

/// One surface factor under each treatment of the flagged trials.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct HeadlineFactor {
    /// Surface.
    pub surface: String,
    /// Factor fitted on all trials, dimensionless.
    pub all_trials: Estimate,
    /// Factor fitted without the flagged trials.
    pub without_flagged: Estimate,
    /// Change from the first to the second, per cent; absent unless both are estimates.
    pub change_percent: Option<f64>,
}

/// `100 (b/a − 1)`.
pub(crate) fn change_percent(a: &Estimate, b: &Estimate) -> Option<f64> {
    let (a, b) = (a.value()?, b.value()?);
    let change = 100.0 * (b / a - 1.0);
    change.is_finite().then_some(change)
}

pub(crate) fn headline(all: &SeverityFit, without: &Result<SeverityFit>) -> Vec<HeadlineFactor> {
    all.factors()
        .iter()
        .enumerate()
        .map(|(s, row)| {
            let without_flagged = match without {
                Ok(fit) => fit.factors()[s].factor.clone(),
                Err(error) => Estimate::not_estimable(format!("without the flagged trials: {error}")),
            };
            HeadlineFactor {
                surface: row.surface.clone(),
                change_percent: change_percent(&row.factor, &without_flagged),
                all_trials: row.factor.clone(),
                without_flagged,
            }
        })
        .collect()
}
