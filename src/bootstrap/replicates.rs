//! Replicates of statistics: parts, merging, intervals.

use serde::{Deserialize, Serialize};

use crate::campaign::Campaign;
use crate::document::{self, CRATE_VERSION, Document};
use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, IntervalMethod};
use crate::numeric::special::{LN_SQRT_2PI, normal_quantile};
use crate::record;
use crate::severity::Severity;

use super::interval::{acceleration, bca_level, bias_correction, percentile_of_sorted};
use super::run::Bootstrap;

/// Where replicates come from: parts with the same provenance belong to one run.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct Provenance {
    crate_version: String,
    /// Absent for statistics of plain rows.
    campaign_digest: Option<String>,
    plan: Bootstrap,
    model: Option<Severity>,
    names: Vec<String>,
}

impl Provenance {
    pub(crate) fn new(plan: &Bootstrap, model: &Severity, campaign: &Campaign, names: Vec<String>) -> Self {
        Self {
            crate_version: CRATE_VERSION.into(),
            campaign_digest: Some(campaign.digest()),
            plan: plan.clone(),
            model: Some(model.clone()),
            names,
        }
    }

    pub(crate) fn of_rows(plan: &Bootstrap, names: Vec<String>) -> Self {
        Self { crate_version: CRATE_VERSION.into(), campaign_digest: None, plan: plan.clone(), model: None, names }
    }
}

/// A replicate that could not be computed.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Failed {
    replicate: usize,
    reason: String,
}

/// Replicates of one or more statistics: a whole run, or a part of one.
///
/// Serialises, so that parts computed elsewhere can be brought together by [`merge`](Self::merge)
/// to the bits of a single run.
///
/// ```
/// use surface_severity::bootstrap::Bootstrap;
/// // The mean of five readings, resampled: its standard error is √(2/5), 2 the mean square about the mean.
/// let readings = [1.0, 2.0, 3.0, 4.0, 5.0];
/// let mean = |rows: &[usize]| Ok(vec![rows.iter().map(|&i| readings[i]).sum::<f64>() / rows.len() as f64]);
/// let replicates = Bootstrap::stratified(2000).run(&[0; 5], mean)?;
/// assert_eq!((replicates.len(), replicates.failed(), replicates.observed()), (2000, 0, &[3.0][..]));
/// assert!((replicates.standard_error(0) / 0.4_f64.sqrt() - 1.0).abs() < 0.1);
/// assert!(replicates.bias(0).abs() < 0.05);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Replicates {
    provenance: Provenance,
    /// First replicate of this part.
    start: usize,
    /// One past the last.
    end: usize,
    observed: Vec<f64>,
    /// Per statistic: centred derivative in the weight of each row, up to a common factor.
    influence: Vec<Vec<f64>>,
    /// Row-major, successful replicates × statistics.
    values: Vec<f64>,
    failed: Vec<Failed>,
}

/// An interval with the Monte Carlo standard errors of its limits: what more replicates would
/// still change.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::{IntervalMethod, bootstrap::Bootstrap};
/// let few = Bootstrap::rescaled(100).severity(&plan, &campaign)?.factor("brushed concrete", IntervalMethod::Percentile)?;
/// let many = Bootstrap::rescaled(1000).severity(&plan, &campaign)?.factor("brushed concrete", IntervalMethod::Percentile)?;
/// // More replicates make the limits surer, not closer together.
/// assert!(many.lower_error < few.lower_error && many.upper_error < few.upper_error);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct BootstrapInterval {
    /// The interval.
    pub interval: Interval,
    /// Monte Carlo standard error of the lower limit, in units of the statistic (log units for a
    /// factor).
    pub lower_error: f64,
    /// That of the upper limit.
    pub upper_error: f64,
}

impl Document for Replicates {
    const KIND: &'static str = "replicates";

    fn check(&self) -> std::result::Result<(), String> {
        self.provenance.plan.check().map_err(|e| e.to_string())?;
        record::labels("statistic", self.provenance.names.iter().map(String::as_str))?;
        let p = self.observed.len();
        if p == 0 || p != self.provenance.names.len() {
            return Err(format!("{p} observed values for {} names", self.provenance.names.len()));
        }
        if self.end <= self.start || self.end > self.provenance.plan.replicates {
            let all = self.provenance.plan.replicates;
            return Err(format!("replicates {}..{} are not a part of 0..{all}", self.start, self.end));
        }
        if self.values.len() != (self.end - self.start).saturating_sub(self.failed.len()) * p {
            return Err("the number of values contradicts the range and the failures".into());
        }
        let mut last = None;
        for failed in &self.failed {
            if !self.range().contains(&failed.replicate) || last.is_some_and(|l| failed.replicate <= l) {
                return Err(format!("failed replicate {} is out of order or range", failed.replicate));
            }
            last = Some(failed.replicate);
        }
        Ok(())
    }
}

impl Replicates {
    pub(crate) fn start(provenance: Provenance, observed: Vec<f64>, influence: Vec<Vec<f64>>, start: usize) -> Self {
        Self { provenance, start, end: start, observed, influence, values: Vec::new(), failed: Vec::new() }
    }

    /// Appends the next `count` replicates; rows of the failed ones are passed over.
    pub(crate) fn append(&mut self, count: usize, values: Vec<f64>, failures: impl Iterator<Item = (usize, String)>) {
        let p = self.observed.len();
        let mut rows = 0..count;
        let mut failures = failures.peekable();
        if self.values.is_empty() && failures.peek().is_none() {
            // Most runs: one wave, nothing to leave out.
            self.values = values;
        } else {
            for (replicate, reason) in failures {
                let row = replicate - self.end;
                self.values.extend_from_slice(&values[rows.start * p..row * p]);
                rows.start = row + 1;
                self.failed.push(Failed { replicate, reason });
            }
            self.values.extend_from_slice(&values[rows.start * p..count * p]);
        }
        self.end += count;
    }

    /// Refuses a run with too many failures.
    pub(crate) fn finish(self) -> Result<Self> {
        let (failed, done) = (self.failed.len(), self.end - self.start);
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss)]
        let allowed = (self.provenance.plan.max_failures * done as f64).floor() as usize;
        if failed > allowed || failed == done {
            return Err(
                ErrorKind::ReplicatesFailed { failed, replicates: done, allowed, by_reason: self.failures() }.into()
            );
        }
        Ok(self)
    }

    pub(crate) fn extend_plan(&mut self, replicates: usize) {
        self.provenance.plan.replicates = replicates;
    }

    pub(crate) fn set_level(&mut self, level: f64) {
        self.provenance.plan.level = level;
    }

    /// The plan that was run.
    #[must_use]
    pub fn plan(&self) -> &Bootstrap {
        &self.provenance.plan
    }
    /// Names of the statistics.
    #[must_use]
    pub fn names(&self) -> &[String] {
        &self.provenance.names
    }
    /// Digest of the campaign, where there was one.
    #[must_use]
    pub fn campaign_digest(&self) -> Option<&str> {
        self.provenance.campaign_digest.as_deref()
    }
    /// The replicates that this part covers, failed ones included.
    #[must_use]
    pub fn range(&self) -> std::ops::Range<usize> {
        self.start..self.end
    }
    /// True where the whole plan is covered.
    #[must_use]
    pub fn is_complete(&self) -> bool {
        self.range() == (0..self.provenance.plan.replicates)
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
    /// True without any successful replicate.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.len() == 0
    }
    /// Failed replicates by reason, the most frequent first.
    #[must_use]
    pub fn failures(&self) -> Vec<(String, usize)> {
        let mut kinds: Vec<(String, usize)> = Vec::new();
        for failed in &self.failed {
            match kinds.iter_mut().find(|(known, _)| *known == failed.reason) {
                Some((_, n)) => *n += 1,
                None => kinds.push((failed.reason.clone(), 1)),
            }
        }
        kinds.sort_by(|a, b| b.1.cmp(&a.1).then(a.0.cmp(&b.0)));
        kinds
    }
    /// Failed replicates.
    #[must_use]
    pub fn failed(&self) -> usize {
        self.failed.len()
    }

    /// Brings parts of one run together, in any order, to the bits of a run in one piece.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::bootstrap::{Bootstrap, Replicates};
    /// let bootstrap = Bootstrap::rescaled(100).seed(3);
    /// // Two machines take half each; the result has the bits of a run in one piece.
    /// let first = bootstrap.severity_range(&plan, &campaign, 0..50, &mut ())?;
    /// let second = bootstrap.severity_range(&plan, &campaign, 50..100, &mut ())?;
    /// assert_eq!(&Replicates::merge([second, first.clone()])?, bootstrap.severity(&plan, &campaign)?.replicates());
    /// assert!(Replicates::merge([first.clone(), first]).is_err(), "the same half twice");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Document`]: parts of different data, plans or statistics, parts that overlap or
    /// leave a gap, no parts at all. [`ErrorKind::ReplicatesFailed`] where the merged run is
    /// complete and has too many failures.
    pub fn merge(parts: impl IntoIterator<Item = Self>) -> Result<Self> {
        let mut parts: Vec<Self> = parts.into_iter().collect();
        parts.sort_by_key(|p| (p.start, p.end));
        let mut parts = parts.into_iter();
        let bad = |reason: String| Err(ErrorKind::document(Self::KIND, reason));
        let Some(mut whole) = parts.next() else {
            return bad("there are no parts to merge".into());
        };
        for part in parts {
            let (a, b) = (&whole.provenance, &part.provenance);
            if a.campaign_digest != b.campaign_digest {
                return bad("the parts are of different campaigns (their digests differ)".into());
            }
            if a.plan != b.plan || a.model != b.model {
                return bad("the parts were run with different options or seeds".into());
            }
            if a.crate_version != b.crate_version {
                return bad(format!("the parts come from versions {} and {}", a.crate_version, b.crate_version));
            }
            let bits = |v: &[f64]| v.iter().map(|x| x.to_bits()).collect::<Vec<_>>();
            if a.names != b.names || bits(&whole.observed) != bits(&part.observed) {
                return bad("the parts are of different statistics".into());
            }
            if part.start < whole.end {
                return bad(format!("replicates {}..{} are in two parts", part.start, part.end.min(whole.end)));
            }
            if part.start > whole.end {
                return bad(format!("replicates {}..{} are in no part", whole.end, part.start));
            }
            whole.values.extend(part.values);
            whole.failed.extend(part.failed);
            whole.end = part.end;
        }
        if whole.is_complete() { whole.finish() } else { Ok(whole) }
    }

    /// Pretty JSON of this part.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::bootstrap::{Bootstrap, Replicates};
    /// let part = Bootstrap::rescaled(100).severity_range(&plan, &campaign, 20..40, &mut ())?;
    /// assert_eq!(part.range(), 20..40);
    /// assert_eq!(Replicates::from_json(&part.to_json()?)?, part);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::NotSaved`] should the content not be representable.
    pub fn to_json(&self) -> Result<String> {
        document::to_json(self)
    }

    /// Reads and validates a part.
    ///
    /// ```
    /// use surface_severity::{ErrorKind, bootstrap::Replicates};
    /// let error = Replicates::from_json("{}").unwrap_err();
    /// assert!(matches!(error.kind(), ErrorKind::Document { .. }));
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Document`]: not JSON, another schema, edited after it was written, lengths that
    /// contradict each other.
    pub fn from_json(text: &str) -> Result<Self> {
        document::from_json(text)
    }

    /// Statistic `j` over the successful replicates, in the order of their numbers; empty beyond the
    /// last statistic.
    #[must_use]
    pub fn values(&self, j: usize) -> Vec<f64> {
        if j >= self.observed.len() {
            return Vec::new();
        }
        self.combined(&[(j, 1.0)]).1
    }
    /// Mean of the replicates minus the estimate.
    #[must_use]
    pub fn bias(&self, j: usize) -> f64 {
        mean(&self.values(j)) - self.observed.get(j).copied().unwrap_or(0.0)
    }
    /// Standard deviation of the replicates; 0 for fewer than two.
    #[must_use]
    pub fn standard_error(&self, j: usize) -> f64 {
        deviation(&self.values(j))
    }
    /// Acceleration of statistic `j`; 0 where influence was not computed.
    #[must_use]
    pub fn acceleration(&self, j: usize) -> f64 {
        self.influence.get(j).map_or(0.0, |d| acceleration(d))
    }
    /// Bias correction z0 of statistic `j`; `None` where all replicates lie on one side.
    #[must_use]
    pub fn bias_correction(&self, j: usize) -> Option<f64> {
        let mut values = self.values(j);
        values.sort_by(f64::total_cmp);
        bias_correction(&values, *self.observed.get(j)?)
    }

    /// Interval of statistic `j`: [`Normal`](IntervalMethod::Normal) (bias-corrected),
    /// [`Basic`](IntervalMethod::Basic), [`Percentile`](IntervalMethod::Percentile) or
    /// [`Bca`](IntervalMethod::Bca); see [`studentised`](Self::studentised) for that one.
    ///
    /// ```
    /// use surface_severity::{IntervalMethod, bootstrap::Bootstrap};
    /// let readings = [1.0, 2.0, 3.0, 4.0, 50.0];
    /// let mean = |rows: &[usize]| Ok(vec![rows.iter().map(|&i| readings[i]).sum::<f64>() / rows.len() as f64]);
    /// let replicates = Bootstrap::stratified(1000).run(&[0; 5], mean)?;
    /// // The basic interval is the percentile interval reflected about the estimate.
    /// let percentile = replicates.interval(0, IntervalMethod::Percentile)?.interval;
    /// let basic = replicates.interval(0, IntervalMethod::Basic)?.interval;
    /// assert!((basic.lower() - (2.0 * 12.0 - percentile.upper())).abs() < 1e-9);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for another method or no such statistic;
    /// [`ErrorKind::NotEstimable`] for BCa where the influence of the rows is not known
    /// ([`Bootstrap::statistic`](super::Bootstrap::statistic) says when) or all replicates lie on one side of the estimate.
    pub fn interval(&self, j: usize, method: IntervalMethod) -> Result<BootstrapInterval> {
        self.require(j)?;
        self.interval_of(&[(j, 1.0)], method, None, |v| v)
    }

    /// Studentised interval of statistic `j`, whose standard error is statistic `se`.
    ///
    /// ```
    /// use surface_severity::{IntervalMethod, bootstrap::Bootstrap};
    /// let readings = [1.0, 2.0, 3.0, 4.0, 5.0, 6.0, 7.0, 8.0];
    /// let replicates = Bootstrap::stratified(500).run(&[0; 8], |rows| {
    ///     let n = rows.len() as f64;
    ///     let mean = rows.iter().map(|&i| readings[i]).sum::<f64>() / n;
    ///     let squares = rows.iter().map(|&i| (readings[i] - mean).powi(2)).sum::<f64>();
    ///     if squares > 0.0 { Ok(vec![mean, (squares / (n - 1.0) / n).sqrt()]) } else { Err("no scatter".into()) }
    /// })?;
    /// // It makes up for a standard error from few readings, which percentiles do not.
    /// let studentised = replicates.studentised(0, 1)?.interval;
    /// let percentile = replicates.interval(0, IntervalMethod::Percentile)?.interval;
    /// assert!(studentised.upper() - studentised.lower() > percentile.upper() - percentile.lower());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`interval`](Self::interval).
    pub fn studentised(&self, j: usize, se: usize) -> Result<BootstrapInterval> {
        self.require(j)?;
        self.require(se)?;
        let errors = (self.observed[se], self.values(se));
        self.interval_of(&[(j, 1.0)], IntervalMethod::Studentised, Some(errors), |v| v)
    }

    fn require(&self, j: usize) -> Result<()> {
        if j < self.observed.len() {
            return Ok(());
        }
        Err(ErrorKind::option("statistic", j, &format!("one of 0..{}", self.observed.len())))
    }

    /// A weighted sum of statistics: on the data, per replicate, and its influence values.
    pub(crate) fn combined(&self, weights: &[(usize, f64)]) -> (f64, Vec<f64>, Vec<f64>) {
        let p = self.observed.len();
        let sum = |of: &[f64]| weights.iter().map(|&(j, w)| w * of[j]).sum::<f64>();
        let rows = self.influence.first().map_or(0, Vec::len);
        let influence = (0..rows).map(|i| weights.iter().map(|&(j, w)| w * self.influence[j][i]).sum()).collect();
        (sum(&self.observed), self.values.chunks(p).map(sum).collect(), influence)
    }

    /// Interval of an increasing transform of a function of the statistics; `gradient` on the data.
    pub(crate) fn interval_of_function(
        &self,
        gradient: &[(usize, f64)],
        method: IntervalMethod,
        function: impl Fn(&[f64]) -> f64,
        transform: impl Fn(f64) -> f64,
    ) -> Result<BootstrapInterval> {
        let p = self.observed.len().max(1);
        let derived = Self {
            provenance: self.provenance.clone(),
            start: self.start,
            end: self.end,
            observed: vec![function(&self.observed)],
            influence: if self.influence.is_empty() { Vec::new() } else { vec![self.combined(gradient).2] },
            values: self.values.chunks(p).map(function).collect(),
            failed: self.failed.clone(),
        };
        derived.interval_of(&[(0, 1.0)], method, None, transform)
    }

    /// Interval of an increasing transform of a weighted sum. `errors`: standard error on the data
    /// and per replicate, for the studentised method.
    pub(crate) fn interval_of(
        &self,
        weights: &[(usize, f64)],
        method: IntervalMethod,
        errors: Option<(f64, Vec<f64>)>,
        transform: impl Fn(f64) -> f64,
    ) -> Result<BootstrapInterval> {
        let level = self.provenance.plan.level;
        let (observed, mut values, influence) = self.combined(weights);
        if values.len() < 2 {
            return Err(ErrorKind::NothingToFit { reason: "fewer than two replicates succeeded".into() }.into());
        }
        let alpha = 0.5 * (1.0 - level);
        let ends = [alpha, 1.0 - alpha];
        #[allow(clippy::cast_precision_loss)]
        let b = values.len() as f64;
        let spread = |p: f64| (p * (1.0 - p) / b).sqrt();
        let (limits, monte_carlo) = match (method, errors) {
            (IntervalMethod::Normal, _) => {
                let (se, bias) = (deviation(&values), mean(&values) - observed);
                let z = normal_quantile(1.0 - alpha);
                // Var(mean) + z² Var(sd), normal replicates.
                let error = (se * se / b + z * z * se * se / (2.0 * b)).sqrt();
                ([observed - bias - z * se, observed - bias + z * se], [error, error])
            }
            (IntervalMethod::Percentile | IntervalMethod::Basic, _) => {
                values.sort_by(f64::total_cmp);
                let q = ends.map(|p| at(&values, p));
                let e = ends.map(|p| half_width(&values, p, spread(p)));
                if method == IntervalMethod::Basic {
                    ([2.0 * observed - q[1], 2.0 * observed - q[0]], [e[1], e[0]])
                } else {
                    (q, e)
                }
            }
            (IntervalMethod::Bca, _) => {
                values.sort_by(f64::total_cmp);
                if influence.is_empty() {
                    return Err(ErrorKind::NotEstimable {
                        quantity: "a BCa interval".into(),
                        reason: "the influence of single trials on this statistic is not known (it cannot be computed \
                                 without one of them, or there are more trials than replicates); use the percentile or \
                                 basic interval"
                            .into(),
                    }
                    .into());
                }
                let Some(z0) = bias_correction(&values, observed) else {
                    return Err(ErrorKind::NotEstimable {
                        quantity: "a BCa interval".into(),
                        reason: "all replicates lie on one side of the estimate; use the percentile interval".into(),
                    }
                    .into());
                };
                let a = acceleration(&influence);
                let p = ends.map(|e| bca_level(e, z0, a));
                // The bias correction is itself a binomial share: its error moves the level too.
                let density = |z: f64| libm::exp(-0.5 * z * z - LN_SQRT_2PI);
                let z0_error = 0.5 / b.sqrt() / density(z0);
                let error = p.map(|p| {
                    let moved = 2.0 * z0_error * density(normal_quantile(p));
                    half_width(&values, p, spread(p).hypot(if moved.is_finite() { moved } else { 0.0 }))
                });
                (p.map(|p| at(&values, p)), error)
            }
            (IntervalMethod::Studentised, Some((error, replicate_errors))) => {
                let mut t: Vec<f64> = values
                    .iter()
                    .zip(&replicate_errors)
                    .filter(|(_, e)| **e > 0.0)
                    .map(|(v, e)| (v - observed) / e)
                    .collect();
                t.sort_by(f64::total_cmp);
                if t.len() < 2 {
                    return Err(ErrorKind::NothingToFit {
                        reason: "no replicate has a positive standard error".into(),
                    }
                    .into());
                }
                let q = ends.map(|p| at(&t, p));
                let e = ends.map(|p| half_width(&t, p, spread(p)) * error);
                ([observed - q[1] * error, observed - q[0] * error], [e[1], e[0]])
            }
            (other, _) => {
                return Err(ErrorKind::option(
                    "method",
                    format!("{other:?}"),
                    "Normal, Basic, Percentile, Bca, or Studentised where standard errors are known",
                ));
            }
        };
        // The estimate of a normal interval lies off its centre by the bias, and may fall outside.
        let method = if method == IntervalMethod::Normal { IntervalMethod::BootstrapNormal } else { method };
        let interval = Interval::new(transform(observed), transform(limits[0]), transform(limits[1]), level, method)?;
        Ok(BootstrapInterval { interval, lower_error: monte_carlo[0], upper_error: monte_carlo[1] })
    }

    /// Largest Monte Carlo standard error of a percentile limit over all statistics.
    pub(crate) fn worst_error(&self) -> f64 {
        let alpha = 0.5 * (1.0 - self.provenance.plan.level);
        let mut worst = 0.0f64;
        for j in 0..self.observed.len() {
            let mut values = self.values(j);
            values.sort_by(f64::total_cmp);
            #[allow(clippy::cast_precision_loss)]
            let b = values.len() as f64;
            for p in [alpha, 1.0 - alpha] {
                worst = worst.max(half_width(&values, p, (p * (1.0 - p) / b).sqrt()));
            }
        }
        worst
    }
}

fn at(sorted: &[f64], p: f64) -> f64 {
    percentile_of_sorted(sorted, p).unwrap_or(0.0)
}

/// Standard error of an order statistic at level `p` whose level has the error `spread`: half the
/// distance between the quantiles one error to either side (Woodruff, J. Amer. Statist. Assoc. 47
/// (1952) 635).
fn half_width(sorted: &[f64], p: f64, spread: f64) -> f64 {
    0.5 * (at(sorted, (p + spread).min(1.0)) - at(sorted, (p - spread).max(0.0)))
}

fn mean(values: &[f64]) -> f64 {
    #[allow(clippy::cast_precision_loss)]
    let n = values.len().max(1) as f64;
    values.iter().sum::<f64>() / n
}

fn deviation(values: &[f64]) -> f64 {
    if values.len() < 2 {
        return 0.0;
    }
    let centre = mean(values);
    #[allow(clippy::cast_precision_loss)]
    let n = values.len() as f64;
    (values.iter().map(|v| (v - centre) * (v - centre)).sum::<f64>() / (n - 1.0)).sqrt()
}
