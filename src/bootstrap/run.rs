//! Plans, and replicates of any statistic.

use serde::{Deserialize, Serialize};

use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, IntervalMethod, check_level};

use super::interval::{acceleration, bca_level, bias_correction, percentile_of_sorted};
use super::stream::{below, stream};

/// A bootstrap plan: plain data, checked when run.
///
/// | option | default | range | meaning |
/// |---|---|---|---|
/// | replicates | required | ≥ 100 | resamples drawn |
/// | seed | 1 | any | with the replicate's number, all that chance depends on |
/// | level | 0.95 | (0, 1) | confidence level of the intervals |
/// | max failures | 0.01 | [0, 1] | share of replicates that may fail to fit |
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bootstrap {
    pub(crate) replicates: usize,
    pub(crate) seed: u64,
    pub(crate) level: f64,
    pub(crate) max_failures: f64,
}

impl Bootstrap {
    /// Stratified case resampling with this many replicates, seed 1, level 0.95.
    #[must_use]
    pub fn stratified(replicates: usize) -> Self {
        Self { replicates, seed: 1, level: 0.95, max_failures: 0.01 }
    }
    /// Sets the seed.
    #[must_use]
    pub fn seed(mut self, seed: u64) -> Self {
        self.seed = seed;
        self
    }
    /// Sets the confidence level.
    #[must_use]
    pub fn level(mut self, level: f64) -> Self {
        self.level = level;
        self
    }
    /// Sets the share of replicates that may fail.
    #[must_use]
    pub fn max_failures(mut self, share: f64) -> Self {
        self.max_failures = share;
        self
    }

    pub(crate) fn check(&self) -> Result<()> {
        check_level(self.level)?;
        if self.replicates < 100 {
            return Err(ErrorKind::option("replicates", self.replicates, "at least 100"));
        }
        if !(0.0..=1.0).contains(&self.max_failures) {
            return Err(ErrorKind::option("max_failures", self.max_failures, "a share between 0 and 1"));
        }
        Ok(())
    }

    /// Replicates of any statistic of rows that fall into strata.
    ///
    /// `stratum[i]` is the stratum of row i, numbered from 0. `statistic` takes row numbers (with
    /// repetition) and returns its values, always the same number of them, or the reason why it
    /// has none. It is also called once on all rows, and once on all but each row for the
    /// acceleration.
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`], [`ErrorKind::NothingToFit`] without rows,
    /// [`ErrorKind::NotEstimable`] where the statistic fails on the data themselves,
    /// [`ErrorKind::ReplicatesFailed`].
    pub fn run<F>(&self, stratum: &[usize], statistic: F) -> Result<Replicates>
    where
        F: Fn(&[usize]) -> Result<Vec<f64>, String> + Sync,
    {
        self.check()?;
        if stratum.is_empty() {
            return Err(ErrorKind::NothingToFit { reason: "no rows to resample".into() }.into());
        }
        let count = stratum.iter().max().map_or(0, |m| m + 1);
        let mut strata: Vec<Vec<usize>> = vec![Vec::new(); count];
        for (row, &s) in stratum.iter().enumerate() {
            strata[s].push(row);
        }
        let on_data = |rows: &[usize], what: &str| -> Result<Vec<f64>> {
            let values = statistic(rows)
                .map_err(|reason| ErrorKind::NotEstimable { quantity: format!("the statistic on {what}"), reason })?;
            if let Some(bad) = values.iter().find(|v| !v.is_finite()) {
                return Err(ErrorKind::NotEstimable {
                    quantity: format!("the statistic on {what}"),
                    reason: format!("its value is {bad}"),
                }
                .into());
            }
            Ok(values)
        };
        let all: Vec<usize> = (0..stratum.len()).collect();
        let observed = on_data(&all, "the data")?;
        let p = observed.len();
        let draws = each(self.replicates, |r| {
            let mut rng = stream(self.seed, r as u64);
            let mut rows = Vec::with_capacity(stratum.len());
            for members in &strata {
                for _ in members {
                    rows.push(members[below(&mut rng, members.len())]);
                }
            }
            let values = statistic(&rows)?;
            if values.len() != p {
                return Err(format!("{} values instead of {p}", values.len()));
            }
            values.iter().all(|v| v.is_finite()).then_some(values).ok_or_else(|| "a value is not finite".into())
        });
        // Influence by deletion, centred and scaled within each stratum.
        let mut influence = vec![Vec::with_capacity(stratum.len()); p];
        for members in strata.iter().filter(|m| m.len() > 1) {
            let mut deleted = Vec::with_capacity(members.len());
            for &row in members {
                let rest: Vec<usize> = all.iter().copied().filter(|&r| r != row).collect();
                deleted.push(on_data(&rest, "all rows but one")?);
            }
            #[allow(clippy::cast_precision_loss)]
            let n = members.len() as f64;
            for j in 0..p {
                let mean = deleted.iter().map(|d| d[j]).sum::<f64>() / n;
                influence[j].extend(deleted.iter().map(|d| (mean - d[j]) * (n - 1.0) / n));
            }
        }
        self.collect(observed, draws, influence)
    }

    /// Sorts out failures and stores what succeeded.
    pub(crate) fn collect(
        &self,
        observed: Vec<f64>,
        draws: Vec<Result<Vec<f64>, String>>,
        influence: Vec<Vec<f64>>,
    ) -> Result<Replicates> {
        let mut failures: Vec<(String, usize)> = Vec::new();
        let mut values = Vec::with_capacity(draws.len() * observed.len());
        for draw in draws {
            match draw {
                Ok(row) => values.extend(row),
                Err(reason) => match failures.iter_mut().find(|(known, _)| *known == reason) {
                    Some((_, n)) => *n += 1,
                    None => failures.push((reason, 1)),
                },
            }
        }
        let failed: usize = failures.iter().map(|(_, n)| n).sum();
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss)]
        let allowed = (self.max_failures * self.replicates as f64).floor() as usize;
        if failed > allowed || failed == self.replicates {
            return Err(ErrorKind::ReplicatesFailed {
                failed,
                replicates: self.replicates,
                allowed,
                by_reason: failures,
            }
            .into());
        }
        Ok(Replicates { plan: *self, observed, values, influence, failures })
    }
}

/// `f(0), f(1), ..`, in order, on the caller's rayon pool where the feature is on.
pub(crate) fn each<T: Send>(n: usize, f: impl Fn(usize) -> T + Sync) -> Vec<T> {
    #[cfg(feature = "parallel")]
    {
        use rayon::prelude::*;
        (0..n).into_par_iter().map(&f).collect()
    }
    #[cfg(not(feature = "parallel"))]
    {
        (0..n).map(f).collect()
    }
}

/// Replicates of one or more statistics.
#[derive(Debug, Clone, PartialEq)]
pub struct Replicates {
    plan: Bootstrap,
    observed: Vec<f64>,
    /// Row-major, successful replicates × statistics.
    values: Vec<f64>,
    /// Per statistic: centred derivative in the weight of each row, up to a common factor.
    influence: Vec<Vec<f64>>,
    failures: Vec<(String, usize)>,
}

impl Replicates {
    /// The plan that was run.
    #[must_use]
    pub fn plan(&self) -> &Bootstrap {
        &self.plan
    }
    /// The statistics on the data themselves.
    #[must_use]
    pub fn observed(&self) -> &[f64] {
        &self.observed
    }
    /// Successful replicates.
    #[must_use]
    pub fn len(&self) -> usize {
        self.values.len().checked_div(self.observed.len()).unwrap_or(0)
    }
    /// True without any successful replicate (which a finished run never is).
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
    /// Failed replicates by reason.
    #[must_use]
    pub fn failures(&self) -> &[(String, usize)] {
        &self.failures
    }
    /// Failed replicates.
    #[must_use]
    pub fn failed(&self) -> usize {
        self.failures.iter().map(|(_, n)| n).sum()
    }
    /// Statistic `j` over the successful replicates, in the order of their numbers.
    #[must_use]
    pub fn values(&self, j: usize) -> Vec<f64> {
        self.combined(&[(j, 1.0)]).1
    }
    /// Mean of the replicates minus the estimate.
    #[must_use]
    pub fn bias(&self, j: usize) -> f64 {
        let (observed, values, _) = self.combined(&[(j, 1.0)]);
        mean(&values) - observed
    }
    /// Standard deviation of the replicates.
    #[must_use]
    pub fn standard_error(&self, j: usize) -> f64 {
        let values = self.values(j);
        let centre = mean(&values);
        #[allow(clippy::cast_precision_loss)]
        let n = values.len() as f64;
        (values.iter().map(|v| (v - centre) * (v - centre)).sum::<f64>() / (n - 1.0)).sqrt()
    }
    /// Acceleration of statistic `j`.
    #[must_use]
    pub fn acceleration(&self, j: usize) -> f64 {
        self.influence.get(j).map_or(0.0, |d| acceleration(d))
    }
    /// Bias correction z0 of statistic `j`; `None` where all replicates lie on one side.
    #[must_use]
    pub fn bias_correction(&self, j: usize) -> Option<f64> {
        let (observed, mut values, _) = self.combined(&[(j, 1.0)]);
        values.sort_by(f64::total_cmp);
        bias_correction(&values, observed)
    }
    /// Interval of statistic `j` by percentiles.
    ///
    /// # Errors
    /// [`ErrorKind::NotEstimable`] should the limits not be finite.
    pub fn percentile(&self, j: usize) -> Result<Interval> {
        self.interval(&[(j, 1.0)], IntervalMethod::Percentile, |v| v)
    }
    /// Interval of statistic `j`, bias-corrected and accelerated.
    ///
    /// # Errors
    /// [`ErrorKind::NotEstimable`] where all replicates lie on one side of the estimate; the
    /// percentile interval is then the one to use.
    pub fn bca(&self, j: usize) -> Result<Interval> {
        self.interval(&[(j, 1.0)], IntervalMethod::Bca, |v| v)
    }

    /// A weighted sum of statistics: on the data, per replicate, and its influence values.
    pub(crate) fn combined(&self, weights: &[(usize, f64)]) -> (f64, Vec<f64>, Vec<f64>) {
        let p = self.observed.len();
        let sum = |of: &[f64]| weights.iter().map(|&(j, w)| w * of[j]).sum::<f64>();
        let rows = self.influence.first().map_or(0, Vec::len);
        let influence = (0..rows).map(|i| weights.iter().map(|&(j, w)| w * self.influence[j][i]).sum()).collect();
        (sum(&self.observed), self.values.chunks(p).map(sum).collect(), influence)
    }

    /// Interval of a monotone transform of a weighted sum.
    pub(crate) fn interval(
        &self,
        weights: &[(usize, f64)],
        method: IntervalMethod,
        transform: impl Fn(f64) -> f64,
    ) -> Result<Interval> {
        let (observed, mut values, influence) = self.combined(weights);
        values.sort_by(f64::total_cmp);
        let alpha = 0.5 * (1.0 - self.plan.level);
        let levels = match method {
            IntervalMethod::Bca => {
                let Some(z0) = bias_correction(&values, observed) else {
                    return Err(ErrorKind::NotEstimable {
                        quantity: "a BCa interval".into(),
                        reason: "all replicates lie on one side of the estimate; use the percentile interval".into(),
                    }
                    .into());
                };
                let a = acceleration(&influence);
                [bca_level(alpha, z0, a), bca_level(1.0 - alpha, z0, a)]
            }
            _ => [alpha, 1.0 - alpha],
        };
        let [Some(lower), Some(upper)] = levels.map(|p| percentile_of_sorted(&values, p)) else {
            return Err(ErrorKind::NothingToFit { reason: "no replicate succeeded".into() }.into());
        };
        Interval::new(transform(observed), transform(lower), transform(upper), self.plan.level, method)
    }
}

fn mean(values: &[f64]) -> f64 {
    #[allow(clippy::cast_precision_loss)]
    let n = values.len() as f64;
    values.iter().sum::<f64>() / n
}
