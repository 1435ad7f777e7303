//! Plans, and the loop over replicates.

use std::collections::BTreeMap;
use std::ops::{ControlFlow, Range};

use serde::{Deserialize, Serialize};

use crate::campaign::{Campaign, FittedTrial, Resample};
use crate::error::{ErrorKind, Result};
use crate::estimate::check_level;
use crate::severity::Severity;
use crate::severity::machinery::Prepared;

use super::replicates::{Provenance, Replicates};
use super::scheme::{Draw, Drawer, Scheme};
use crate::numeric::stream::{below, stream};

/// A bootstrap plan: plain data, checked when run.
///
/// | option | default | range | meaning |
/// |---|---|---|---|
/// | scheme | required | [`Scheme`] | what is drawn anew |
/// | replicates | required | ≥ 100 | resamples drawn |
/// | seed | 1 | any | with the replicate's number, all that chance depends on |
/// | level | 0.95 | (0, 1) | confidence level of the intervals |
/// | max failures | 0.01 | [0, 1] | share of replicates that may fail to fit |
/// | run length | the longest run-out of the surface, else none | > 0 s | where the parametric scheme ends a run |
/// | time resolution | the longest contact opening of the surface, else none | > 0 s | below this the parametric scheme sees a contact opening |
/// | Monte Carlo bound | none | > 0 | add replicates until every percentile limit is known to this |
/// | most replicates | 100 000 | ≥ replicates | where adding stops |
///
/// ```
/// use surface_severity::IntervalMethod;
/// use surface_severity::bootstrap::Bootstrap;
/// use surface_severity::campaign::Campaign;
/// use surface_severity::severity::Severity;
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let plan = Severity::new("dense asphalt concrete");
/// let bootstrap = Bootstrap::rescaled(200).seed(1).level(0.9).severity(&plan, &campaign)?;
/// let k = bootstrap.factor("coarse surface dressing", IntervalMethod::Percentile)?.interval;
/// assert!(k.level() == 0.9 && k.lower() > 1.0, "harsher than the reference, whatever the distribution of times");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Bootstrap {
    pub(crate) scheme: Scheme,
    pub(crate) replicates: usize,
    pub(crate) seed: u64,
    pub(crate) level: f64,
    pub(crate) max_failures: f64,
    #[serde(default, skip_serializing_if = "BTreeMap::is_empty")]
    pub(crate) run_length_s: BTreeMap<String, f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) time_resolution_s: Option<f64>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) monte_carlo_bound: Option<f64>,
    #[serde(default = "most_replicates")]
    pub(crate) most_replicates: usize,
}

/// More replicates than this are not held in memory.
pub(crate) const MOST_REPLICATES: usize = 10_000_000;

fn most_replicates() -> usize {
    100_000
}

/// Sees how far a run is, and may stop it.
///
/// `()` watches nothing. Called between blocks of replicates, on the calling thread.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use std::ops::ControlFlow;
/// use surface_severity::bootstrap::Bootstrap;
/// // Stops a long run after the first hundreds.
/// let mut watch = |done: usize, _total: usize| if done < 100 { ControlFlow::Continue(()) } else { ControlFlow::Break(()) };
/// let stopped = Bootstrap::rescaled(10_000).severity_observed(&plan, &campaign, &mut watch)?;
/// let done = stopped.replicates().len();
/// assert!(done >= 100 && done < 10_000 && !stopped.replicates().is_complete());
/// # Ok::<(), surface_severity::Error>(())
/// ```
pub trait Observer {
    /// `done` of `total` replicates are computed; [`ControlFlow::Break`] stops the run, which then
    /// returns what is done.
    ///
    /// ```
    /// use std::ops::ControlFlow;
    /// use surface_severity::bootstrap::Observer;
    /// // `()` watches nothing and never stops.
    /// assert_eq!(().progress(64, 1000), ControlFlow::Continue(()));
    /// ```
    fn progress(&mut self, done: usize, total: usize) -> ControlFlow<()> {
        let _ = (done, total);
        ControlFlow::Continue(())
    }
}

impl Observer for () {}

impl<F: FnMut(usize, usize) -> ControlFlow<()>> Observer for F {
    fn progress(&mut self, done: usize, total: usize) -> ControlFlow<()> {
        self(done, total)
    }
}

/// Replicates between two looks at the observer.
const WAVE: usize = 2048;
/// Replicates that one task computes with one scratch space.
const BLOCK: usize = 64;

impl Bootstrap {
    /// A plan with seed 1 and level 0.95.
    ///
    /// ```
    /// use surface_severity::bootstrap::{Bootstrap, Scheme};
    /// let plan = Bootstrap::new(Scheme::Parametric, 500).seed(7);
    /// assert_eq!((plan.scheme(), plan.replicates()), (Scheme::Parametric, 500));
    /// assert_eq!(plan, Bootstrap::parametric(500).seed(7));
    /// ```
    #[must_use]
    pub fn new(scheme: Scheme, replicates: usize) -> Self {
        Self {
            scheme,
            replicates,
            seed: 1,
            level: 0.95,
            max_failures: 0.01,
            run_length_s: BTreeMap::new(),
            time_resolution_s: None,
            monte_carlo_bound: None,
            most_replicates: most_replicates(),
        }
    }
    /// Trials within cells, as many as each holds.
    ///
    /// ```
    /// use surface_severity::bootstrap::Bootstrap;
    /// // Two strata of which each has one value: nothing can vary.
    /// let level = [1.0, 1.0, 1.0, 9.0, 9.0];
    /// let mean = |rows: &[usize]| Ok(vec![rows.iter().map(|&i| level[i]).sum::<f64>() / rows.len() as f64]);
    /// assert!(Bootstrap::stratified(100).run(&[0, 0, 0, 1, 1], mean)?.standard_error(0) < 1e-9);
    /// assert!(Bootstrap::stratified(100).run(&[0; 5], mean)?.standard_error(0) > 1.0);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn stratified(replicates: usize) -> Self {
        Self::new(Scheme::Stratified, replicates)
    }
    /// Trials within cells, n − 1 of n with weight n/(n − 1).
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::bootstrap::Bootstrap;
    /// let error = |bootstrap: Bootstrap| -> surface_severity::Result<f64> {
    ///     let bootstrap = bootstrap.severity(&plan, &campaign)?;
    ///     Ok((0..6).map(|j| bootstrap.replicates().standard_error(j)).sum())
    /// };
    /// // In cells of two to seven specimens plain resampling makes errors too small.
    /// assert!(error(Bootstrap::rescaled(300))? > error(Bootstrap::stratified(300))?);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn rescaled(replicates: usize) -> Self {
        Self::new(Scheme::Rescaled, replicates)
    }
    /// Times from the fitted model, censoring replayed.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::{IntervalMethod, bootstrap::Bootstrap};
    /// // Run-outs are made anew: every drawn time ends with the run length of its surface.
    /// let bootstrap = Bootstrap::parametric(100).run_length_s("laboratory belt", 25.0).severity(&plan, &campaign)?;
    /// let (drawn, model) = (bootstrap.factor("laboratory belt", IntervalMethod::Percentile)?.interval, bootstrap.fit().factor("laboratory belt")?);
    /// assert!((drawn.lower() / model.lower() - 1.0).abs() < 0.1);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn parametric(replicates: usize) -> Self {
        Self::new(Scheme::Parametric, replicates)
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
    /// States the run length on a surface, s (parametric scheme).
    #[must_use]
    pub fn run_length_s(mut self, surface: impl Into<String>, seconds: f64) -> Self {
        self.run_length_s.insert(surface.into(), seconds);
        self
    }
    /// States the time resolution, s (parametric scheme).
    #[must_use]
    pub fn time_resolution_s(mut self, seconds: f64) -> Self {
        self.time_resolution_s = Some(seconds);
        self
    }
    /// Doubles the replicates until the Monte Carlo standard error of every percentile limit of
    /// every statistic is at most `error` (in the units of the statistics: for log factors 0.01 is
    /// about 1 %), or `most` are done.
    ///
    /// ```
    /// use surface_severity::{IntervalMethod, bootstrap::Bootstrap};
    /// let readings = [1.0, 2.0, 3.0, 4.0, 5.0];
    /// let mean = |rows: &[usize]| Ok(vec![rows.iter().map(|&i| readings[i]).sum::<f64>() / rows.len() as f64]);
    /// let replicates = Bootstrap::stratified(100).until(0.05, 20_000).run(&[0; 5], mean)?;
    /// let interval = replicates.interval(0, IntervalMethod::Percentile)?;
    /// assert!(replicates.len() > 100 && interval.lower_error <= 0.05 && interval.upper_error <= 0.05);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn until(mut self, error: f64, most: usize) -> Self {
        self.monte_carlo_bound = Some(error);
        self.most_replicates = most;
        self
    }
    /// Number of replicates.
    #[must_use]
    pub fn replicates(&self) -> usize {
        self.replicates
    }
    /// The scheme.
    #[must_use]
    pub fn scheme(&self) -> Scheme {
        self.scheme
    }

    pub(crate) fn check(&self) -> Result<()> {
        check_level(self.level)?;
        if !(100..=MOST_REPLICATES).contains(&self.replicates) {
            let expected = format!("at least 100 and at most {MOST_REPLICATES}");
            return Err(ErrorKind::option("replicates", self.replicates, &expected));
        }
        if !(0.0..=1.0).contains(&self.max_failures) {
            return Err(ErrorKind::option("max_failures", self.max_failures, "a share between 0 and 1"));
        }
        let seconds = self.run_length_s.values().map(|v| ("run_length_s", *v));
        let seconds = seconds.chain(self.time_resolution_s.map(|v| ("time_resolution_s", v)));
        for (name, value) in seconds.chain(self.monte_carlo_bound.map(|v| ("monte_carlo_bound", v))) {
            if !(value > 0.0 && value.is_finite()) {
                return Err(ErrorKind::option(name, value, "a positive, finite number"));
            }
        }
        let limits = !self.run_length_s.is_empty() || self.time_resolution_s.is_some();
        if limits && self.scheme != Scheme::Parametric {
            return Err(ErrorKind::option(
                "scheme",
                format!("{:?}", self.scheme),
                "the parametric scheme, the only one that uses a run length or time resolution",
            ));
        }
        Ok(())
    }

    /// How many replicates there should be in all, where [`until`](Self::until) asks for more than are done.
    pub(crate) fn more(&self, done: &Replicates) -> Option<usize> {
        let total = done.plan().replicates;
        let wanted = done.range().end == total
            && total < self.most_replicates
            && self.monte_carlo_bound.is_some_and(|bound| done.worst_error() > bound);
        wanted.then(|| (2 * total).min(self.most_replicates))
    }

    pub(crate) fn check_range(&self, range: &Range<usize>) -> Result<()> {
        if range.start >= range.end || range.end > self.replicates {
            return Err(ErrorKind::option(
                "range",
                format!("{}..{}", range.start, range.end),
                &format!("a non-empty part of 0..{}", self.replicates),
            ));
        }
        Ok(())
    }

    /// Replicates of any statistic of a campaign: a fit, a class factor, an equivalence line, a
    /// correction factor, a prediction, or the caller's own function of them.
    ///
    /// `plan` is the additive model that the parametric scheme draws from, and whose
    /// cells the others resample. `statistic` gets the campaign as a replicate sees it: every fit of
    /// this crate honours its weights and times, while [`Campaign::trials`] stays the table as it
    /// was recorded. It returns one value per name, or an error that counts as a failed replicate.
    ///
    /// It is also called once without each trial, for the acceleration of the BCa interval; not where there are more
    /// trials than replicates, or where it fails without one of them: BCa is refused then.
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
    /// use surface_severity::{IntervalMethod, bootstrap::Bootstrap, severity::Severity};
    /// let plan = Severity::new("asphalt");
    /// // Anything that can be computed from a campaign: here the durability of cowhide over that of denim.
    /// let ratio = |c: &Campaign| Severity::new("asphalt").fit(c).and_then(|fit| {
    ///     Ok(vec![fit.median("cowhide", "asphalt")?.estimate() / fit.median("denim", "asphalt")?.estimate()])
    /// });
    /// let replicates = Bootstrap::rescaled(100).statistic(&plan, &campaign, &["cowhide / denim"], ratio)?;
    /// let interval = replicates.interval(0, IntervalMethod::Percentile)?.interval;
    /// assert!((interval.estimate() - 4.0).abs() < 1e-9 && interval.contains(4.0));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of the fit; [`ErrorKind::NotEstimable`] where the statistic fails on the campaign
    /// itself; [`ErrorKind::ReplicatesFailed`].
    pub fn statistic<F>(&self, plan: &Severity, campaign: &Campaign, names: &[&str], statistic: F) -> Result<Replicates>
    where
        F: Fn(&Campaign) -> Result<Vec<f64>> + Sync,
    {
        self.statistic_observed((plan, campaign), names, statistic, &mut ())
    }

    /// As [`statistic`](Self::statistic), watched: the observer is called between blocks of replicates, and may stop it; what
    /// is done is returned.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use std::ops::ControlFlow;
    /// use surface_severity::bootstrap::Bootstrap;
    /// use surface_severity::campaign::Campaign;
    /// let trials = |c: &Campaign| Ok(vec![c.trials().iter().filter_map(|t| t.abrasion_time_s).sum::<f64>()]);
    /// let mut watch = |done: usize, _total: usize| if done < 100 { ControlFlow::Continue(()) } else { ControlFlow::Break(()) };
    /// let bootstrap = Bootstrap::stratified(10_000);
    /// let replicates = bootstrap.statistic_observed((&plan, &campaign), &["seconds in all"], trials, &mut watch)?;
    /// assert!(replicates.len() >= 100 && replicates.len() < 10_000);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`statistic`](Self::statistic).
    pub fn statistic_observed<F>(
        &self,
        (plan, campaign): (&Severity, &Campaign),
        names: &[&str],
        statistic: F,
        observer: &mut impl Observer,
    ) -> Result<Replicates>
    where
        F: Fn(&Campaign) -> Result<Vec<f64>> + Sync,
    {
        self.check()?;
        let plan = &plan.clone().independent();
        let prepared = Prepared::new(plan, campaign)?;
        let fit = prepared.fit(plan, campaign)?;
        let drawer = Drawer::new(self, &fit, &prepared, campaign)?;
        let p = names.len();
        let checked = |c: &Campaign| -> Result<Vec<f64>, String> {
            let values = statistic(c).map_err(|e| e.to_string())?;
            if values.len() != p {
                return Err(format!("{} values for {p} names", values.len()));
            }
            match values.iter().find(|v| !v.is_finite()) {
                Some(bad) => Err(format!("a value is {bad}")),
                None => Ok(values),
            }
        };
        let observed = checked(campaign).map_err(|reason| ErrorKind::NotEstimable {
            quantity: "the statistic on the campaign itself".into(),
            reason,
        })?;
        let provenance = Provenance::new(self, plan, campaign, names.iter().map(|n| (*n).to_owned()).collect());
        let influence = if campaign.len() <= self.replicates { deletions(campaign, p, checked) } else { Vec::new() };
        let mut out = Replicates::start(provenance, observed, influence, 0);
        let one = |r: usize, draw: &mut Draw, values: &mut [f64]| {
            drawer.draw(&mut stream(self.seed, r as u64), draw);
            values.copy_from_slice(&checked(&drawer.resample(draw, campaign))?);
            Ok(())
        };
        loop_over(0..self.replicates, p, observer, &mut out, Draw::default, one);
        while let Some(total) = self.more(&out) {
            out.extend_plan(total);
            loop_over(out.range().end..total, p, observer, &mut out, Draw::default, one);
        }
        out.finish()
    }

    /// Replicates of any statistic of plain rows that fall into strata (stratified scheme).
    ///
    /// `stratum[i]` is the stratum of row i, numbered from 0. `statistic` takes row numbers (with
    /// repetition) and returns its values, always the same number of them, or the reason why it
    /// has none. It is also called once on all rows, and once on all but each row for the
    /// acceleration.
    ///
    /// ```
    /// use surface_severity::bootstrap::Bootstrap;
    /// // The median of the times of one cell, and how far it could have come out otherwise.
    /// let times = [3.1, 3.9, 3.4, 4.6, 3.3];
    /// let median = |rows: &[usize]| {
    ///     let mut drawn: Vec<f64> = rows.iter().map(|&i| times[i]).collect();
    ///     drawn.sort_by(f64::total_cmp);
    ///     Ok(vec![drawn[drawn.len() / 2]])
    /// };
    /// // Leaving out a row makes the sample even; this simple median then takes the upper of the middle two.
    /// let replicates = Bootstrap::stratified(200).run(&[0; 5], median)?;
    /// assert_eq!(replicates.observed(), [3.4]);
    /// assert!(replicates.values(0).iter().all(|m| times.contains(m)));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] (another scheme), [`ErrorKind::NothingToFit`] without rows,
    /// [`ErrorKind::NotEstimable`] where the statistic fails on the data themselves,
    /// [`ErrorKind::ReplicatesFailed`].
    pub fn run<F>(&self, stratum: &[usize], statistic: F) -> Result<Replicates>
    where
        F: Fn(&[usize]) -> Result<Vec<f64>, String> + Sync,
    {
        self.check()?;
        if self.scheme != Scheme::Stratified {
            return Err(ErrorKind::option("scheme", format!("{:?}", self.scheme), "Stratified for plain rows"));
        }
        if stratum.is_empty() {
            return Err(ErrorKind::NothingToFit { reason: "no rows to resample".into() }.into());
        }
        if let Some(beyond) = stratum.iter().find(|s| **s >= stratum.len()) {
            return Err(ErrorKind::option("stratum", beyond, "strata numbered from 0, no more than there are rows"));
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
        // Influence by deletion, centred and scaled within each stratum.
        let mut influence = vec![Vec::with_capacity(stratum.len()); p];
        for members in strata.iter().filter(|m| m.len() > 1) {
            let mut deleted = Vec::with_capacity(members.len());
            for &row in members {
                let rest: Vec<usize> = all.iter().copied().filter(|&r| r != row).collect();
                deleted.push(on_data(&rest, "all rows but one")?);
            }
            centre_deleted(&deleted, &mut influence);
        }
        let names = (0..p).map(|j| format!("statistic {j}")).collect();
        let mut out = Replicates::start(Provenance::of_rows(self, names), observed, influence, 0);
        let one = |r: usize, rows: &mut Vec<usize>, values: &mut [f64]| {
            let mut rng = stream(self.seed, r as u64);
            rows.clear();
            for members in &strata {
                for _ in members {
                    rows.push(members[below(&mut rng, members.len())]);
                }
            }
            let drawn = statistic(rows)?;
            if drawn.len() != p {
                return Err(format!("{} values instead of {p}", drawn.len()));
            }
            if drawn.iter().any(|v| !v.is_finite()) {
                return Err("a value is not finite".into());
            }
            values.copy_from_slice(&drawn);
            Ok(())
        };
        loop_over(0..self.replicates, p, &mut (), &mut out, Vec::new, one);
        while let Some(total) = self.more(&out) {
            out.extend_plan(total);
            loop_over(out.range().end..total, p, &mut (), &mut out, Vec::new, one);
        }
        out.finish()
    }
}

/// Influence of each trial on each statistic by leaving it out, centred and scaled within its cell (Davison & Hinkley
/// 1997, section 5.4); empty where a statistic fails without one.
fn deletions<F>(campaign: &Campaign, statistics: usize, statistic: F) -> Vec<Vec<f64>>
where
    F: Fn(&Campaign) -> Result<Vec<f64>, String> + Sync,
{
    let trials: Vec<FittedTrial> = campaign.fitted_by_cell().collect();
    let without = |gone: &FittedTrial| {
        let mut weights = vec![1.0; campaign.len()];
        weights[gone.trial] = 0.0;
        statistic(&campaign.resampled(Resample { weights: Some(weights), results: None })).ok()
    };
    // A trial alone in its cell is never resampled away.
    let cells: Vec<&[FittedTrial]> = trials
        .chunk_by(|a, b| (a.material, a.surface) == (b.material, b.surface))
        .filter(|cell| cell.len() > 1)
        .collect();
    let left_out: Vec<&FittedTrial> = cells.iter().copied().flatten().collect();
    #[cfg(feature = "parallel")]
    let deleted: Option<Vec<Vec<f64>>> = {
        use rayon::prelude::*;
        left_out.into_par_iter().map(without).collect()
    };
    #[cfg(not(feature = "parallel"))]
    let deleted: Option<Vec<Vec<f64>>> = left_out.into_iter().map(without).collect();
    let Some(deleted) = deleted else { return Vec::new() };
    let mut influence = vec![Vec::with_capacity(deleted.len()); statistics];
    let mut at = 0;
    for cell in cells {
        centre_deleted(&deleted[at..at + cell.len()], &mut influence);
        at += cell.len();
    }
    influence
}

/// Appends the influence of the members of one stratum, by the statistics without each, to that of each statistic: centred and
/// scaled within the stratum.
fn centre_deleted(deleted: &[Vec<f64>], influence: &mut [Vec<f64>]) {
    #[allow(clippy::cast_precision_loss)]
    let n = deleted.len() as f64;
    for (j, influence) in influence.iter_mut().enumerate() {
        let mean = deleted.iter().map(|d| d[j]).sum::<f64>() / n;
        influence.extend(deleted.iter().map(|d| (mean - d[j]) * (n - 1.0) / n));
    }
}

impl Bootstrap {}

/// Number of a block, its rows, and where its failures go.
type Task<'a> = (usize, (&'a mut [f64], &'a mut Vec<(usize, String)>));

/// [`loop_over_blocks`] for statistics that are computed one replicate at a time.
pub(crate) fn loop_over<W, S, F>(
    range: Range<usize>,
    statistics: usize,
    observer: &mut impl Observer,
    out: &mut Replicates,
    scratch: S,
    one: F,
) where
    S: Fn() -> W + Sync,
    F: Fn(usize, &mut W, &mut [f64]) -> Result<(), String> + Sync,
{
    loop_over_blocks(range, statistics, observer, out, scratch, |first, work, values, failed| {
        for (r, row) in (first..).zip(values.chunks_mut(statistics)) {
            if let Err(reason) = one(r, work, row) {
                failed.push((r, reason));
            }
        }
    });
}

/// Computes replicates `range` and appends them to `out`, in order; a task fills [`BLOCK`] rows with
/// one scratch space, from the given replicate on. Stops between waves where the observer says so.
pub(crate) fn loop_over_blocks<W, S, F>(
    range: Range<usize>,
    statistics: usize,
    observer: &mut impl Observer,
    out: &mut Replicates,
    scratch: S,
    many: F,
) where
    S: Fn() -> W + Sync,
    F: Fn(usize, &mut W, &mut [f64], &mut Vec<(usize, String)>) + Sync,
{
    let total = range.len();
    // At least one number a replicate, or chunks would be empty.
    let chunk = BLOCK * statistics.max(1);
    let mut at = range.start;
    while at < range.end {
        let end = (at + WAVE).min(range.end);
        let mut values = vec![0.0; (end - at) * statistics];
        let mut failures: Vec<Vec<(usize, String)>> = vec![Vec::new(); (end - at).div_ceil(BLOCK)];
        let block = |(b, (values, failed)): Task<'_>| many(at + b * BLOCK, &mut scratch(), values, failed);
        #[cfg(feature = "parallel")]
        {
            use rayon::prelude::*;
            values.par_chunks_mut(chunk).zip(failures.par_iter_mut()).enumerate().for_each(block);
        }
        #[cfg(not(feature = "parallel"))]
        values.chunks_mut(chunk).zip(failures.iter_mut()).enumerate().for_each(block);
        out.append(end - at, values, failures.into_iter().flatten());
        at = end;
        if observer.progress(at - range.start, total).is_break() {
            break;
        }
    }
}
