//! Does one factor serve all? The additive model against a location of its own for every cell.
//!
//! Independent trials: the F test where nothing is censored (log-normal), the likelihood ratio otherwise. Where trials
//! share days, runs or belts the cells are compared as the fit has them, adjusted and with what they share in their
//! covariance S ([`SeverityFit::cell_means`]): `r' S⁻¹ r / added`, r the residual of generalised least squares on
//! materials and surfaces, referred to F with the degrees of freedom of σ. Without shared conditions and censoring that
//! is the F test itself.

use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};

use crate::campaign::Campaign;
use crate::document::present;
use crate::error::{ErrorKind, Result};
use crate::numeric::count;
use crate::numeric::special::f_survival;

use super::cell_means::{CellEstimate, CellMeans};
use super::cells::{Crossed, Kinds};
use super::fit::SeverityFit;
use super::plan::Severity;
use super::prepare::Prepared;
use super::scale::Scale;

/// How two nested models were compared.
///
/// ```
/// // Cowhide: 8 and 10 s on asphalt, 4 and 5 s on the belt.
/// # use surface_severity::campaign::{Campaign, Trial};
/// # let campaign = Campaign::from_trials([
/// #     Trial::perforated("T1", "asphalt", "cowhide", 8.0),
/// #     Trial::perforated("T2", "asphalt", "cowhide", 10.0),
/// #     Trial::perforated("T3", "belt", "cowhide", 4.0),
/// #     Trial::perforated("T4", "belt", "cowhide", 5.0),
/// # ])?;
/// use surface_severity::severity::{Additivity, ComparisonMethod, Severity};
/// # let campaign = Campaign::from_trials(campaign.trials().iter().cloned().chain([
/// #     Trial::perforated("T5", "asphalt", "denim", 2.0),
/// #     Trial::perforated("T6", "belt", "denim", 1.0),
/// # ]))?;
/// // Denim beside it, halved by the belt as well. Exact times: the F test.
/// let test = Additivity::test(&Severity::new("asphalt"), &campaign)?;
/// assert_eq!(test.comparison.method, ComparisonMethod::F);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum ComparisonMethod {
    /// Ratio of mean squares, exact for log-normal times without censoring.
    F,
    /// Twice the difference of log-likelihoods, referred to F by its relation for exact times.
    LikelihoodRatio,
    /// Generalised least squares of the cell medians with their covariance, days and belts in it; F.
    Wald,
}

/// A test of a model against a larger one.
///
/// ```
/// // Cowhide: 8 and 10 s on asphalt, 4 and 5 s on the belt.
/// # use surface_severity::campaign::{Campaign, Trial};
/// # let campaign = Campaign::from_trials([
/// #     Trial::perforated("T1", "asphalt", "cowhide", 8.0),
/// #     Trial::perforated("T2", "asphalt", "cowhide", 10.0),
/// #     Trial::perforated("T3", "belt", "cowhide", 4.0),
/// #     Trial::perforated("T4", "belt", "cowhide", 5.0),
/// # ])?;
/// use surface_severity::severity::{Additivity, Severity};
/// # let campaign = Campaign::from_trials(campaign.trials().iter().cloned().chain([
/// #     Trial::perforated("T5", "asphalt", "denim", 2.0),
/// #     Trial::perforated("T6", "belt", "denim", 1.0),
/// # ]))?;
/// // Denim beside it, halved by the belt as well: nothing speaks against one factor for both.
/// let comparison = Additivity::test(&Severity::new("asphalt"), &campaign)?.comparison;
/// assert!(comparison.statistic < 1e-9 && comparison.p_value > 0.999);
/// assert_eq!((comparison.degrees_of_freedom, comparison.residual_degrees_of_freedom), (1.0, 2.0));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct Comparison {
    /// Which test.
    pub method: ComparisonMethod,
    /// F, or twice the log-likelihood difference.
    pub statistic: f64,
    /// Parameters that the larger model adds, those with unlimited estimates included.
    pub degrees_of_freedom: f64,
    /// Residual degrees of freedom of the larger model.
    #[serde(deserialize_with = "present")]
    pub residual_degrees_of_freedom: f64,
    /// Upper tail probability: of F itself; of a likelihood ratio LR with N trials, that of
    /// `F = (exp(LR/N) − 1)·residual/added`, which is the F statistic where nothing is censored.
    pub p_value: f64,
    /// Added parameters whose estimate is unlimited (all trials of a cell censored on one side).
    /// With any, p is only a rough guide: such parameters add less than they count for.
    pub unlimited: usize,
}

/// The additive model against one location per cell.
///
/// ```
/// use surface_severity::campaign::Campaign;
/// use surface_severity::severity::{Additivity, Severity};
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let test = Additivity::test(&Severity::new("dense asphalt concrete"), &campaign)?;
/// // One class of this invented campaign departs on one road: one factor does not serve all.
/// assert!(test.comparison.p_value < 0.05);
/// assert_eq!(test.comparison.method, surface_severity::severity::ComparisonMethod::Wald, "days and belts are in it");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct Additivity {
    /// The test.
    pub comparison: Comparison,
    /// Log-likelihoods of independent trials by the additive model, and with one location per cell (an upper limit where
    /// `comparison.unlimited > 0`).
    pub log_likelihoods: Option<(f64, f64)>,
}

impl Additivity {
    /// Tests whether the campaign's cells need more than one factor per surface.
    ///
    /// ```
    /// // Cowhide: 8 and 10 s on asphalt, 4 and 5 s on the belt.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let campaign = Campaign::from_trials([
    /// #     Trial::perforated("T1", "asphalt", "cowhide", 8.0),
    /// #     Trial::perforated("T2", "asphalt", "cowhide", 10.0),
    /// #     Trial::perforated("T3", "belt", "cowhide", 4.0),
    /// #     Trial::perforated("T4", "belt", "cowhide", 5.0),
    /// # ])?;
    /// use surface_severity::{ErrorKind, severity::{Additivity, Severity}};
    /// // A single material cannot depart from a factor that only it determines.
    /// let error = Additivity::test(&Severity::new("asphalt"), &campaign).unwrap_err();
    /// assert!(matches!(error.kind(), ErrorKind::TooFew { .. }));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of the severity fit and of the cell medians; [`ErrorKind::TooFew`] where every cell is
    /// needed to join the table, so that nothing is left to test.
    pub fn test(plan: &Severity, campaign: &Campaign) -> Result<Self> {
        Self::of(&plan.fit(campaign)?, campaign)
    }

    /// The test in the model that `fit` has of `campaign`.
    pub(crate) fn of(fit: &SeverityFit, campaign: &Campaign) -> Result<Self> {
        if fit.groupings().iter().any(super::plan::Grouping::is_condition) {
            return Self::with_conditions(fit, campaign);
        }
        Self::of_independent(fit.plan(), campaign)
    }

    /// Distance of the cell medians, adjusted for days, runs and belts, from what materials and surfaces say, in their
    /// covariance.
    fn with_conditions(fit: &SeverityFit, campaign: &Campaign) -> Result<Self> {
        let cells = fit.cell_means(campaign)?;
        let placed = |(at, c): (usize, &CellEstimate)| {
            let (group, s) = fit.placed(&c.material, &c.surface).ok()?;
            Some(Placed { at, group, column: fit.column[s], log_median: c.log_median? })
        };
        let rows: Vec<Placed> = cells.cells().iter().enumerate().filter_map(placed).collect();
        let on_scale = |c: &&CellEstimate| fit.placed(&c.material, &c.surface).is_ok();
        let unlimited = cells.cells().iter().filter(on_scale).count() - rows.len();
        let p = fit.groups + fit.column_names().len();
        let extra = rows.len().saturating_sub(p);
        if extra == 0 {
            return Err(nothing_left());
        }
        let distance = distance_from_additive(&cells, &rows, fit.groups, p)?;
        let (added, residual) = (count(extra), fit.scatter_degrees_of_freedom());
        let statistic = distance / added;
        let comparison = Comparison {
            method: ComparisonMethod::Wald,
            statistic,
            degrees_of_freedom: added,
            residual_degrees_of_freedom: residual,
            p_value: f_survival(statistic, added, residual),
            unlimited,
        };
        Ok(Self { comparison, log_likelihoods: None })
    }

    fn of_independent(plan: &Severity, campaign: &Campaign) -> Result<Self> {
        let prepared = Prepared::new(plan, campaign)?;
        let (design, _) = prepared.numbering.crossed(&prepared.cells);
        let small = Scale::fit(&design, plan.chosen_distribution(), "the additive fit")?;
        let unlimited = design
            .blocks
            .iter()
            .filter(|b| {
                let kinds = Kinds::of(&design.times[b.start..b.end]);
                kinds.exact == 0 && (kinds.left == 0 || kinds.right == 0)
            })
            .count();
        let extra = design.blocks.len().saturating_sub(design.groups + design.columns);
        if extra == 0 {
            return Err(nothing_left());
        }
        // The finite cells of the fitted part, each a group of its own.
        let mut cells = Crossed::new(0, 0);
        for block in &design.blocks {
            let kinds = Kinds::of(&design.times[block.start..block.end]);
            if kinds.exact > 0 || (kinds.left > 0 && kinds.right > 0) {
                cells.push_block(&design, block);
            }
        }
        let large = Scale::fit(&cells, plan.chosen_distribution(), "the fit of cell medians")?;
        Ok(Self {
            comparison: compare(&small, &large, design.times.len(), extra, unlimited),
            log_likelihoods: Some((small.log_likelihood, large.log_likelihood)),
        })
    }
}

fn nothing_left() -> crate::Error {
    ErrorKind::TooFew {
        method: "the test of additivity".into(),
        what: "cells beyond those that join the table".into(),
        needed: 1,
        found: 0,
    }
    .into()
}

/// A finite cell on the scale: its place among the cells, its material, its surface but for the reference.
struct Placed {
    at: usize,
    group: usize,
    column: Option<usize>,
    log_median: f64,
}

/// `r' S⁻¹ r` of the rows. With `S = D + L L'`, L one
/// column for each day, run and belt, everything goes through `D⁻¹` and a matrix as large as their number.
fn distance_from_additive(cells: &CellMeans, rows: &[Placed], groups: usize, p: usize) -> Result<f64> {
    let n = rows.len();
    let q = rows.iter().map(|r| cells.loadings(r.at).len()).max().unwrap_or(0);
    let loading = |i: usize, l: usize| cells.loadings(rows[i].at).get(l).copied().unwrap_or(0.0);
    let weight = |i: usize| 1.0 / cells.own_variance(rows[i].at);
    let l = DMatrix::from_fn(n, q, loading);
    let weighted = DMatrix::from_fn(n, q, |i, a| weight(i) * loading(i, a));
    let inner = DMatrix::identity(q, q) + l.transpose() * &weighted;
    let singular = || ErrorKind::NotEstimable {
        quantity: "the test of additivity".into(),
        reason: "the covariance of the cell medians is singular".into(),
    };
    let factor = inner.cholesky().ok_or_else(singular)?;
    let solve = |v: &DMatrix<f64>| {
        let scaled = DMatrix::from_fn(n, v.ncols(), |i, c| weight(i) * v[(i, c)]);
        &scaled - &weighted * factor.solve(&(l.transpose() * &scaled))
    };
    let mut x = DMatrix::zeros(n, p);
    for (i, row) in rows.iter().enumerate() {
        x[(i, row.group)] = 1.0;
        if let Some(c) = row.column {
            x[(i, groups + c)] = -1.0;
        }
    }
    let y = DVector::from_iterator(n, rows.iter().map(|r| r.log_median));
    let through = solve(&x);
    let normal = (x.transpose() * &through).cholesky().ok_or_else(singular)?;
    let beta = normal.solve(&(through.transpose() * &y));
    let residual = DMatrix::from_column_slice(n, 1, (y - &x * beta).as_slice());
    Ok((residual.transpose() * solve(&residual))[(0, 0)].max(0.0))
}

#[allow(clippy::cast_precision_loss)]
pub(super) fn compare(small: &Scale, large: &Scale, trials: usize, extra: usize, unlimited: usize) -> Comparison {
    let added = extra as f64;
    if let (Some(df_small), Some(df_large)) = (small.degrees_of_freedom, large.degrees_of_freedom) {
        let (rss_small, rss_large) = (small.sigma * small.sigma * df_small, large.sigma * large.sigma * df_large);
        let statistic = ((rss_small - rss_large).max(0.0) / added) / (rss_large / df_large);
        return Comparison {
            method: ComparisonMethod::F,
            statistic,
            degrees_of_freedom: added,
            residual_degrees_of_freedom: df_large,
            p_value: f_survival(statistic, added, df_large),
            unlimited,
        };
    }
    let statistic = (2.0 * (large.log_likelihood - small.log_likelihood)).max(0.0);
    // For exact log-normal times LR = N log(RSS₀/RSS₁), so that this is the F statistic itself; with a
    // few censored trials it stays close, where χ² would reject two to four times too often.
    let n = trials as f64;
    let residual = (n - (small.location.len() + small.log_k.len()) as f64 - added).max(1.0);
    let f = libm::expm1(statistic / n) * residual / added;
    Comparison {
        method: ComparisonMethod::LikelihoodRatio,
        statistic,
        degrees_of_freedom: added,
        residual_degrees_of_freedom: residual,
        p_value: f_survival(f, added, residual),
        unlimited,
    }
}
