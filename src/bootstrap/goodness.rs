//! Does the fitted distribution describe the times, censored ones included?
//!
//! Each trial's probability integral transform is a number (perforated) or an interval (run-out:
//! from F(z) to 1; contact opening: from 0 to F(z)). Their mean distribution function G, in which an
//! interval spreads its mass evenly, is the diagonal if the model holds (the non-randomised
//! transform of Czado, Gneiting & Held, Biometrics 65 (2009) 1254). The statistic is the
//! Anderson–Darling distance of G from the diagonal, `n ∫ (G(u) − u)²/(u(1 − u)) du`; since
//! parameters are estimated and trials censored, its p-value comes from parametric bootstrap refits
//! in which the run lengths and the time resolution are replayed.

use serde::{Deserialize, Serialize};

use crate::campaign::Campaign;
use crate::error::Result;
use crate::severity::machinery::{LogTime, Prepared};
use crate::severity::{Severity, SeverityFit};

use super::run::Bootstrap;
use super::scheme::Scheme;

/// Result of a goodness-of-fit test.
///
/// ```
/// use surface_severity::bootstrap::{Bootstrap, GoodnessOfFit};
/// use surface_severity::campaign::{Campaign, Trial};
/// use surface_severity::severity::Severity;
/// // Nine times at the quantiles of a log-normal distribution: nothing speaks against it.
/// let z = [-1.28, -0.84, -0.52, -0.25, 0.0, 0.25, 0.52, 0.84, 1.28_f64];
/// let trials = z.map(|z| Trial::perforated(format!("{z}"), "asphalt", "cowhide", 5.0 * (0.2 * z).exp()));
/// let campaign = Campaign::from_trials(trials)?;
/// let test = GoodnessOfFit::test(&Bootstrap::parametric(100), &Severity::new("asphalt"), &campaign)?;
/// assert!(test.p_value > 0.5);
/// assert_eq!(test.transform.len(), 19);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct GoodnessOfFit {
    /// Anderson–Darling distance.
    pub statistic: f64,
    /// Share of replicates at least as far, `(1 + count)/(1 + replicates)`.
    pub p_value: f64,
    /// Replicates that could be fitted.
    pub replicates: usize,
    /// The function G at the levels 0.05, 0.10, ..., 0.95, for a picture or a look.
    pub transform: Vec<f64>,
}

const POINTS: u32 = 200;

impl GoodnessOfFit {
    /// Tests the distribution of `plan` on `campaign` with the parametric bootstrap of `bootstrap`
    /// (its scheme is set to [`Scheme::Parametric`]).
    ///
    /// ```
    /// use surface_severity::bootstrap::{Bootstrap, GoodnessOfFit};
    /// use surface_severity::campaign::{Campaign, Trial};
    /// use surface_severity::severity::Severity;
    /// // Nine times within 1 % and one ten times as long: no log-normal distribution looks like that.
    /// let times = [5.0, 5.01, 5.02, 5.03, 5.04, 4.99, 4.98, 4.97, 4.96, 50.0];
    /// let campaign = Campaign::from_trials(times.map(|t| Trial::perforated(format!("{t}"), "asphalt", "cowhide", t)))?;
    /// let test = GoodnessOfFit::test(&Bootstrap::parametric(100), &Severity::new("asphalt"), &campaign)?;
    /// assert!(test.p_value < 0.05);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of the fit and of [`Bootstrap::statistic`].
    pub fn test(bootstrap: &Bootstrap, plan: &Severity, campaign: &Campaign) -> Result<Self> {
        let plan = &plan.clone().independent();
        let parametric = Bootstrap { scheme: Scheme::Parametric, ..bootstrap.clone() };
        let replicates = parametric.statistic(plan, campaign, &["Anderson–Darling distance"], |c| {
            let fit = plan.fit(c)?;
            Ok(vec![distance(&curve(&fit, plan, c, POINTS)?)])
        })?;
        let fit = plan.fit(campaign)?;
        let statistic = replicates.observed()[0];
        let values = replicates.values(0);
        let beyond = values.iter().filter(|v| **v >= statistic).count();
        #[allow(clippy::cast_precision_loss)]
        let p_value = (beyond + 1) as f64 / (values.len() + 1) as f64;
        // Midpoints of 200 intervals bracket the round levels; 20 fall on them.
        let fine = curve(&fit, plan, campaign, 2 * POINTS)?;
        let transform = (1..20).map(|i| 0.5 * (fine.1[20 * i - 1] + fine.1[20 * i])).collect();
        Ok(Self { statistic, p_value, replicates: values.len(), transform })
    }
}

/// Trials, and G at the midpoints of `points` equal intervals.
fn curve(fit: &SeverityFit, plan: &Severity, campaign: &Campaign, points: u32) -> Result<(f64, Vec<f64>)> {
    let prepared = Prepared::new(plan, campaign)?;
    let (design, _) = prepared.numbering.crossed(&prepared.cells);
    let scale = fit.scale();
    let distribution = fit.distribution();
    let n = f64::from(points);
    let mut sum = vec![0.0; points as usize];
    let mut total = 0.0;
    for block in &design.blocks {
        let location = scale.location[block.group] - block.column.map_or(0.0, |c| scale.log_k[c]);
        let below = |y: f64| libm::exp(distribution.log_cumulative((y - location) / scale.sigma).value);
        for i in block.start..block.end {
            let (low, high) = match design.times[i] {
                LogTime::Exact(y) => (below(y), below(y)),
                LogTime::Right(y) => (below(y), 1.0),
                LogTime::Left(y) => (0.0, below(y)),
                LogTime::Between(a, b) => (below(a), below(b)),
            };
            let weight = design.weights.as_ref().map_or(1.0, |w| w[i]);
            total += weight;
            for (k, g) in (0..points).zip(&mut sum) {
                let u = (f64::from(k) + 0.5) / n;
                *g += weight
                    * if u >= high {
                        1.0
                    } else if u <= low {
                        0.0
                    } else {
                        (u - low) / (high - low)
                    };
            }
        }
    }
    for g in &mut sum {
        *g /= total;
    }
    Ok((total, sum))
}

fn distance((total, curve): &(f64, Vec<f64>)) -> f64 {
    #[allow(clippy::cast_precision_loss)]
    let n = curve.len() as f64;
    let mut sum = 0.0;
    for (k, g) in (0u32..).zip(curve) {
        let u = (f64::from(k) + 0.5) / n;
        sum += (g - u) * (g - u) / (u * (1.0 - u)) / n;
    }
    total * sum
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Without censoring the distance is the classical A² = −n − Σ (2i−1)/n [ln u_i + ln(1−u_{n+1−i})],
    /// up to the grid.
    #[test]
    fn agrees_with_the_classical_statistic() {
        let u = [0.05, 0.11, 0.32, 0.37, 0.61, 0.64, 0.83, 0.97];
        let n = 8.0;
        let classical: f64 = -n
            - (0..8)
                .map(|i| {
                    let weight = f64::from(2 * u32::try_from(i).unwrap() + 1) / n;
                    weight * (libm::log(u[i]) + libm::log(1.0 - u[7 - i]))
                })
                .sum::<f64>();
        let points = 20_000;
        let grid: Vec<f64> = (0..points)
            .map(|k| {
                let at = (f64::from(k) + 0.5) / f64::from(points);
                u.iter().filter(|v| **v <= at).count() as f64 / n
            })
            .collect();
        let got = distance(&(n, grid));
        assert!((got / classical - 1.0).abs() < 2e-3, "{got} {classical}");
    }
}
