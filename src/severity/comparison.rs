//! Which distribution of times describes the campaign best?

use serde::{Deserialize, Serialize};

use crate::campaign::Campaign;
use crate::error::{ErrorKind, Result};

use super::distribution::Distribution;
use super::mixed::Criterion;
use super::plan::Severity;

/// One distribution.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::severity::DistributionComparison;
/// let trials = plan.fit(&campaign)?.trials() as f64;
/// for row in DistributionComparison::of(&plan, &campaign)?.rows {
///     let p = row.parameters as f64;
///     let aicc = -2.0 * row.log_likelihood + 2.0 * p + 2.0 * p * (p + 1.0) / (trials - p - 1.0);
///     assert!((row.aicc - aicc).abs() < 1e-9, "{}", row.distribution);
/// }
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct DistributionRow {
    /// The distribution.
    pub distribution: Distribution,
    /// Maximised log-likelihood on the time scale.
    pub log_likelihood: f64,
    /// Free parameters.
    pub parameters: usize,
    /// Akaike's criterion with the small-sample term, `−2 log L + 2p + 2p(p + 1)/(n − p − 1)`
    /// (Hurvich & Tsai, Biometrika 76 (1989) 297).
    pub aicc: f64,
    /// Distance to the smallest.
    pub aicc_difference: f64,
}

/// The same additive model under every distribution, the smallest AICc first.
///
/// Differences below about 2 say little; log-normal and log-logistic differ mainly in their tails,
/// which a campaign of this kind hardly sees.
///
/// ```
/// use surface_severity::campaign::Campaign;
/// use surface_severity::severity::{DistributionComparison, Severity};
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let comparison = DistributionComparison::of(&Severity::new("dense asphalt concrete"), &campaign)?;
/// let best = &comparison.rows[0];
/// println!("{} describes the times best", best.distribution);
/// assert_eq!(best.aicc_difference, 0.0);
/// assert!(comparison.rows.iter().all(|row| row.aicc >= best.aicc));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct DistributionComparison {
    /// One row per distribution.
    pub rows: Vec<DistributionRow>,
    /// Distributions that could not be fitted, and why.
    pub not_fitted: Vec<(Distribution, String)>,
}

impl DistributionComparison {
    /// Fits `plan` with each distribution in turn.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// use surface_severity::severity::{Distribution, DistributionComparison, Severity};
    /// // The distribution of the plan does not matter: each is tried.
    /// let plan = Severity::new("dense asphalt concrete").distribution(Distribution::Weibull);
    /// let comparison = DistributionComparison::of(&plan, &campaign)?;
    /// assert_eq!(comparison.rows.len() + comparison.not_fitted.len(), 3);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of the fit where no distribution can be fitted; [`ErrorKind::TooFew`] where trials do
    /// not exceed parameters by two, so that AICc is not defined.
    pub fn of(plan: &Severity, campaign: &Campaign) -> Result<Self> {
        let mut rows = Vec::new();
        let mut not_fitted = Vec::new();
        let mut error = None;
        for distribution in [Distribution::LogNormal, Distribution::Weibull, Distribution::LogLogistic] {
            match plan.clone().independent().criterion(Criterion::Ml).distribution(distribution).fit(campaign) {
                Ok(fit) => {
                    let (n, k) = (fit.trials(), fit.parameters());
                    if n < k + 2 {
                        return Err(ErrorKind::TooFew {
                            method: "the small-sample Akaike criterion".into(),
                            what: "fitted trials".into(),
                            needed: k + 2,
                            found: n,
                        }
                        .into());
                    }
                    #[allow(clippy::cast_precision_loss)]
                    let (n, p) = (n as f64, k as f64);
                    let aicc = -2.0 * fit.log_likelihood() + 2.0 * p + 2.0 * p * (p + 1.0) / (n - p - 1.0);
                    rows.push(DistributionRow {
                        distribution,
                        log_likelihood: fit.log_likelihood(),
                        parameters: k,
                        aicc,
                        aicc_difference: 0.0,
                    });
                }
                Err(e) => {
                    not_fitted.push((distribution, e.to_string()));
                    error = Some(e);
                }
            }
        }
        rows.sort_by(|a, b| a.aicc.total_cmp(&b.aicc));
        let Some(best) = rows.first().map(|r| r.aicc) else {
            return Err(error.unwrap_or_else(|| ErrorKind::NothingToFit { reason: "no distribution".into() }.into()));
        };
        for row in &mut rows {
            row.aicc_difference = row.aicc - best;
        }
        Ok(Self { rows, not_fitted })
    }
}
