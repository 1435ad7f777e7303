//! Residuals, leverage and influence of every fitted trial.

use serde::{Deserialize, Serialize};

use crate::campaign::{Campaign, Outcome};
use crate::error::{ErrorKind, Result};
use crate::numeric::special::normal_quantile;
use crate::numeric::stream::{stream, unit};

use super::fit::SeverityFit;
use super::newton::{Design, LogTime, Point, System, contribution};
use super::prepare::Prepared;

/// One trial against the fit.
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
/// use surface_severity::severity::Severity;
/// let fit = Severity::new("asphalt").fit(&campaign)?;
/// let trial = &fit.diagnostics(&campaign, 1)?[0];
/// // Half of what is known of the median of a cell of two comes from this trial.
/// assert_eq!((trial.trial_id.as_str(), trial.surface.as_str()), ("T1", "asphalt"));
/// assert!((trial.leverage - 0.5).abs() < 1e-12);
/// assert!((trial.fitted_median_s - 80_f64.sqrt()).abs() < 1e-9);
/// assert!((trial.standardised - trial.response / fit.log_scatter()).abs() < 1e-12);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct TrialDiagnostics {
    /// The trial.
    pub trial_id: String,
    /// Its surface.
    pub surface: String,
    /// Its material.
    pub material: String,
    /// How it ended; the residuals of a censored trial are those of its bound.
    pub outcome: Outcome,
    /// Fitted median, s.
    pub fitted_median_s: f64,
    /// Log time minus fitted log location.
    pub response: f64,
    /// `z = response/σ`.
    pub standardised: f64,
    /// Cox–Snell residual `−log S(z)`: a unit exponential sample, censored as the trials are.
    pub cox_snell: f64,
    /// Randomised quantile residual (Dunn & Smyth 1996): standard normal if the model holds; that
    /// of a censored trial is drawn from the part of the distribution it may lie in.
    pub quantile: f64,
    /// Leverage: the share of this trial's own information in its fitted location (the diagonal of
    /// the hat matrix where nothing is censored).
    pub leverage: f64,
    /// Cook's distance over all coefficients (locations, log factors): squared shift without the
    /// trial in units of its covariance, per coefficient. Exact for least squares, one Newton step
    /// under censoring.
    pub cooks_distance: f64,
}

impl SeverityFit {
    /// Residuals, leverage and Cook's distance of every fitted trial, in the order of the campaign.
    /// `seed` drives the randomised part of the quantile residuals of censored trials only.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// use surface_severity::severity::Severity;
    /// let fit = Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// let mut trials = fit.diagnostics(&campaign, 1)?;
    /// trials.sort_by(|a, b| b.quantile.abs().total_cmp(&a.quantile.abs()));
    /// // The farthest trial is one of the three gross errors that were planted in this invented campaign.
    /// assert!(["R-0030", "R-0077", "L-0068"].contains(&trials[0].trial_id.as_str()));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] where `campaign` is not the one that was fitted (other digest).
    pub fn diagnostics(&self, campaign: &Campaign, seed: u64) -> Result<Vec<TrialDiagnostics>> {
        if campaign.digest() != self.campaign_digest() {
            return Err(ErrorKind::option(
                "campaign",
                campaign.digest(),
                &format!("the fitted campaign, digest {}", self.campaign_digest()),
            ));
        }
        let prepared = Prepared::shifted(self.plan(), campaign, self.shift())?;
        let (design, rows) = prepared.numbering.crossed(&prepared.cells);
        let scale = self.scale();
        let distribution = self.distribution();
        let (m, q) = (design.groups, design.columns + 1);
        let last = q - 1;
        let lambda = 1.0 / scale.sigma;
        let point = Point {
            diagonal: scale.location.iter().map(|l| l * lambda).collect(),
            border: scale.log_k.iter().map(|k| k * lambda).collect(),
            lambda,
        };
        let mut system = System::zeros(m, q);
        design.accumulate(distribution, &point, Some(&mut system));
        // Coefficients only: the scale is left where it is, as in the hat matrix.
        let coefficients = system.information.without_last();
        let information = coefficients.factor().ok_or_else(|| ErrorKind::NotEstimable {
            quantity: "leverages".into(),
            reason: "the information is singular".into(),
        })?;
        #[allow(clippy::cast_precision_loss)]
        let parameters = (m + last) as f64;
        let mut out: Vec<(usize, TrialDiagnostics)> = Vec::with_capacity(design.times.len());
        // Numbers of the random draws: by trial id, whatever the order of the table's rows.
        let mut rank = vec![0_u64; campaign.trials().len()];
        for (number, &index) in (0_u64..).zip(campaign.canonical_order()) {
            rank[index as usize] = number;
        }
        for block in &design.blocks {
            let eta = point.diagonal[block.group] - block.column.map_or(0.0, |c| point.border[c]);
            let (mut u, mut v) = (vec![0.0; m], vec![0.0; last]);
            u[block.group] = 1.0;
            if let Some(c) = block.column {
                v[c] = -1.0;
            }
            information.solve(&mut u, &mut v);
            let spread = u[block.group] - block.column.map_or(0.0, |c| v[c]);
            for i in block.start..block.end {
                let time = design.times[i];
                let y = time.middle();
                let z = lambda * y - eta;
                let c = contribution(distribution, time, eta, lambda);
                let leverage = (c.i_eta * spread).clamp(0.0, 1.0);
                // Shift of the coefficients without the trial: I⁻¹ x s/(1 − h).
                let kept = (1.0 - leverage).max(f64::EPSILON);
                let cooks_distance = c.d_eta * c.d_eta * spread / (kept * kept) / parameters;
                let index = prepared.cells.trial[rows[i]];
                let below = libm::exp(distribution.log_cumulative(z).value);
                let uniform = |a: f64, b: f64| a + (b - a) * unit(&mut stream(seed, rank[index]));
                let p = match time {
                    LogTime::Right(_) => uniform(below, 1.0),
                    LogTime::Left(_) => uniform(0.0, below),
                    LogTime::Exact(_) | LogTime::Between(..) => below,
                };
                let trial = &campaign.trials()[index];
                out.push((
                    index,
                    TrialDiagnostics {
                        trial_id: trial.trial_id.clone(),
                        surface: trial.surface.clone(),
                        material: trial.material.clone(),
                        outcome: trial.outcome,
                        fitted_median_s: libm::exp(scale.sigma * (eta + distribution.median())),
                        response: scale.sigma * z,
                        standardised: z,
                        cox_snell: -distribution.log_survival(z).value,
                        quantile: normal_quantile(p.clamp(1e-16, 1.0 - f64::EPSILON / 2.0)),
                        leverage,
                        cooks_distance,
                    },
                ));
            }
        }
        out.sort_by_key(|(index, _)| *index);
        Ok(out.into_iter().map(|(_, d)| d).collect())
    }
}
