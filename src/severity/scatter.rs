//! Is replicate scatter the same everywhere? A σ of its own for every surface or every class.
//!
//! The test compares, with one location per cell so that no other misfit interferes, the σ of the
//! groups by Bartlett's corrected statistic (Proc. R. Soc. A 160 (1937) 268). For log-normal times
//! without censoring that is Bartlett's test itself; otherwise each σ is the maximum-likelihood one
//! with its small-sample factor, and its degrees of freedom are those that its information on log σ is
//! worth (see [`SeverityFit::scatter_degrees_of_freedom`](super::SeverityFit::scatter_degrees_of_freedom)).
//!
//! The fit maximises the additive model's likelihood in (log durabilities, log factors, log σ per
//! group) from the fit with one σ, by Newton steps with a line search. It is no longer concave, so the
//! result is the maximum reached from there. Maximum likelihood makes each σ too small by the levels
//! that its trials have used up; the reported σ are corrected by √(n/(n − h)), h the sum of the
//! group's leverages, the factors' standard errors follow from the corrected σ, and t quantiles take
//! Satterthwaite's degrees of freedom.

use serde::{Deserialize, Serialize};

use crate::campaign::Campaign;
use crate::error::{ErrorKind, Result};
use crate::estimate::{Estimate, Interval, IntervalMethod};
use crate::numeric::bordered::{Bordered, Factored};
use crate::numeric::special::{chi_squared_quantile, chi_squared_survival, two_sided_quantile};

use super::cells::{Cell, Crossed};
use super::distribution::Distribution;
use super::newton::{LogTime, contribution};
use super::plan::Severity;
use super::prepare::Prepared;
use super::scale::Scale;

/// What may have a scatter of its own.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::severity::{EqualScatter, ScatterBy};
/// assert_eq!(EqualScatter::test(&plan, &campaign, ScatterBy::Class)?.degrees_of_freedom, 3.0, "four classes");
/// assert_eq!(EqualScatter::test(&plan, &campaign, ScatterBy::Surface)?.degrees_of_freedom, 6.0, "seven surfaces");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum ScatterBy {
    /// Each surface.
    Surface,
    /// Each material class; materials without one form a class of their own.
    Class,
}

/// Test of equal scatter.
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
/// use surface_severity::severity::{EqualScatter, ScatterBy, Severity};
/// // Both cells hold two times a factor of 1.25 apart: no difference at all.
/// let test = EqualScatter::test(&Severity::new("asphalt"), &campaign, ScatterBy::Surface)?;
/// assert!(test.exact && test.statistic.abs() < 1e-9 && test.p_value > 0.999);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct EqualScatter {
    /// True where nothing is censored, so that this is Bartlett's test itself.
    pub exact: bool,
    /// Bartlett's corrected statistic, χ² if scatter is equal.
    pub statistic: f64,
    /// Groups that could be compared, less one.
    pub degrees_of_freedom: f64,
    /// Upper tail probability.
    pub p_value: f64,
}

/// Scatter of one group.
///
/// ```
/// // The belt halves the time of cowhide; one stop wire on asphalt broke late: 35 s.
/// # use surface_severity::campaign::{Campaign, Trial};
/// # let times = [("asphalt", [8.0, 8.4, 9.0, 9.6, 35.0]), ("belt", [4.0, 4.2, 4.5, 4.8, 4.4])];
/// # let trials = times.iter().flat_map(|(surface, times)| times.iter().map(move |t| {
/// #     Trial::perforated(format!("{surface} {t}"), *surface, "cowhide", *t)
/// # }));
/// # let campaign = Campaign::from_trials(trials)?;
/// use surface_severity::severity::{ScatterBy, Severity, UnequalScatter};
/// let fit = UnequalScatter::fit(&Severity::new("asphalt"), &campaign, ScatterBy::Surface)?;
/// let (asphalt, belt) = (&fit.groups[0], &fit.groups[1]);
/// assert_eq!((asphalt.group.as_str(), asphalt.trials), ("asphalt", 5));
/// // The broken wire makes asphalt look five times as scattered as the belt, and more.
/// assert!(asphalt.log_scatter.value().unwrap() > 5.0 * belt.log_scatter.value().unwrap());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct GroupScatter {
    /// Surface or class.
    pub group: String,
    /// σ of log time, corrected for few trials, with an interval on its logarithm, or why there is none.
    pub log_scatter: Estimate,
    /// The maximum-likelihood σ itself, and the standard error of its logarithm (observed information).
    pub maximum_likelihood: Option<(f64, f64)>,
    /// Trials of the group that were fitted.
    pub trials: usize,
}

/// A severity scale whose scatter differs between groups.
///
/// ```
/// // The belt halves the time of cowhide; one stop wire on asphalt broke late: 35 s.
/// # use surface_severity::campaign::{Campaign, Trial};
/// # let times = [("asphalt", [8.0, 8.4, 9.0, 9.6, 35.0]), ("belt", [4.0, 4.2, 4.5, 4.8, 4.4])];
/// # let trials = times.iter().flat_map(|(surface, times)| times.iter().map(move |t| {
/// #     Trial::perforated(format!("{surface} {t}"), *surface, "cowhide", *t)
/// # }));
/// # let campaign = Campaign::from_trials(trials)?;
/// use surface_severity::severity::{ScatterBy, Severity, UnequalScatter};
/// let fit = UnequalScatter::fit(&Severity::new("asphalt"), &campaign, ScatterBy::Surface)?;
/// assert_eq!((fit.groups.len(), fit.factors.len()), (2, 2));
/// assert!(fit.log_likelihood > fit.common_log_likelihood, "two σ describe the times better than one");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct UnequalScatter {
    /// What has a scatter of its own.
    pub by: ScatterBy,
    /// Scatter of each group, sorted by name.
    pub groups: Vec<GroupScatter>,
    /// Factor of each surface relative to the reference, in the campaign's order of surfaces.
    pub factors: Vec<(String, Estimate)>,
    /// Standard errors of the log factors by the observed information at the maximum, as other software
    /// reports them, in the same order; the intervals are wider.
    pub observed_standard_errors: Vec<Option<f64>>,
    /// Log-likelihood on the time scale.
    pub log_likelihood: f64,
    /// Log-likelihood of the same model with one σ.
    pub common_log_likelihood: f64,
}

const NO_CLASS: &str = "(no class given)";

/// Name of the group of every material×surface pair, and the sorted names.
fn grouping(by: ScatterBy, campaign: &Campaign) -> (Vec<String>, impl Fn(&Cell) -> usize) {
    let class_of: Vec<String> =
        campaign.materials().iter().map(|m| m.class.clone().unwrap_or_else(|| NO_CLASS.into())).collect();
    let surface_of: Vec<String> = campaign.surfaces().iter().map(|s| s.name.clone()).collect();
    let mut names = match by {
        ScatterBy::Surface => surface_of.clone(),
        ScatterBy::Class => class_of.clone(),
    };
    names.sort_unstable();
    names.dedup();
    let lookup = names.clone();
    let index = move |cell: &Cell| {
        let name = match by {
            ScatterBy::Surface => &surface_of[cell.surface],
            ScatterBy::Class => &class_of[cell.material],
        };
        lookup.binary_search(name).unwrap_or(0)
    };
    (names, index)
}

impl EqualScatter {
    /// Tests whether all groups share one σ.
    ///
    /// ```
    /// // The belt halves the time of cowhide; one stop wire on asphalt broke late: 35 s.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let times = [("asphalt", [8.0, 8.4, 9.0, 9.6, 35.0]), ("belt", [4.0, 4.2, 4.5, 4.8, 4.4])];
    /// # let trials = times.iter().flat_map(|(surface, times)| times.iter().map(move |t| {
    /// #     Trial::perforated(format!("{surface} {t}"), *surface, "cowhide", *t)
    /// # }));
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::severity::{EqualScatter, ScatterBy, Severity};
    /// let test = EqualScatter::test(&Severity::new("asphalt"), &campaign, ScatterBy::Surface)?;
    /// assert!(test.p_value < 0.01, "the wire that broke late");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of the severity plan; [`ErrorKind::TooFew`] with fewer than two groups that have a
    /// repeated cell.
    pub fn test(plan: &Severity, campaign: &Campaign, by: ScatterBy) -> Result<Self> {
        let prepared = Prepared::new(plan, campaign)?;
        let (names, group_of) = grouping(by, campaign);
        let mut designs = vec![Crossed::new(0, 0); names.len()];
        for (cell, kinds) in prepared.cells.with_kinds() {
            if kinds.exact > 0 || (kinds.left > 0 && kinds.right > 0) {
                let design = &mut designs[group_of(cell)];
                design.push(&prepared.cells, cell, design.groups, None);
                design.groups += 1;
            }
        }
        // A group without a repeated cell has no scatter to compare.
        let scales: Vec<Scale> = designs
            .iter()
            .filter_map(|d| Scale::fit(d, plan.chosen_distribution(), "the scatter of a group").ok())
            .collect();
        if scales.len() < 2 {
            return Err(ErrorKind::TooFew {
                method: "the test of equal scatter".into(),
                what: "groups with a repeated cell".into(),
                needed: 2,
                found: scales.len(),
            }
            .into());
        }
        #[allow(clippy::cast_precision_loss)]
        let groups = scales.len() as f64;
        // In trials of a normal sample, of which Var(log σ̂) = 1/(2 df).
        let unit = Scale::unit_log_scatter_variance(plan.chosen_distribution());
        let df: Vec<f64> = scales.iter().map(|s| s.small_sample.degrees_of_freedom * 0.5 / unit).collect();
        let variance: Vec<f64> = scales.iter().map(|s| (s.sigma * s.small_sample.factor).powi(2)).collect();
        let total: f64 = df.iter().sum();
        let pooled = variance.iter().zip(&df).map(|(v, d)| d * v).sum::<f64>() / total;
        let raw = total * libm::log(pooled) - variance.iter().zip(&df).map(|(v, d)| d * libm::log(*v)).sum::<f64>();
        let correction = 1.0 + (df.iter().map(|d| 1.0 / d).sum::<f64>() - 1.0 / total) / (3.0 * (groups - 1.0));
        let statistic = (raw / correction).max(0.0);
        let exact = scales.iter().all(|s| s.degrees_of_freedom.is_some());
        let degrees_of_freedom = groups - 1.0;
        let p_value = chi_squared_survival(statistic, degrees_of_freedom);
        Ok(Self { exact, statistic, degrees_of_freedom, p_value })
    }
}

/// The additive model with a scatter per group.
struct Model<'a> {
    design: &'a Crossed,
    distribution: Distribution,
    /// Scatter group of each block.
    group: Vec<usize>,
}

#[derive(Clone)]
struct Position {
    location: Vec<f64>,
    /// Log factors, then log σ per group.
    border: Vec<f64>,
}

/// Derivatives of one log-likelihood term in (location, log σ); second ones with the sign turned.
struct Local {
    value: f64,
    d_location: f64,
    d_scatter: f64,
    i_location: f64,
    i_cross: f64,
    i_scatter: f64,
}

/// From (η, λ), in which the terms are given, by the chain rule with η = location·e^−s, λ = e^−s.
fn local(distribution: Distribution, time: LogTime, location: f64, log_sigma: f64) -> Local {
    let lambda = libm::exp(-log_sigma);
    let eta = location * lambda;
    let c = contribution(distribution, time, eta, lambda);
    Local {
        value: c.value,
        d_location: c.d_eta * lambda,
        d_scatter: -(c.d_eta * eta + c.d_lambda * lambda),
        i_location: c.i_eta * lambda * lambda,
        i_cross: lambda * (c.d_eta - eta * c.i_eta - lambda * c.i_cross),
        i_scatter: eta * eta * c.i_eta + 2.0 * eta * lambda * c.i_cross + lambda * lambda * c.i_lambda
            - eta * c.d_eta
            - lambda * c.d_lambda,
    }
}

impl Model<'_> {
    fn trials(&self, group: usize) -> usize {
        self.design.blocks.iter().zip(&self.group).filter(|(_, g)| **g == group).map(|(b, _)| b.end - b.start).sum()
    }

    /// Sum of the leverages of each scatter group's trials.
    fn leverages(&self, at: &Position, factored: &Factored) -> Vec<f64> {
        let columns = self.design.columns;
        let q = at.border.len();
        let mut sums = vec![0.0; q - columns];
        for (block, &group) in self.design.blocks.iter().zip(&self.group) {
            let (mut u, mut v) = (vec![0.0; self.design.groups], vec![0.0; q]);
            u[block.group] = 1.0;
            if let Some(c) = block.column {
                v[c] = -1.0;
            }
            factored.solve(&mut u, &mut v);
            let spread = u[block.group] - block.column.map_or(0.0, |c| v[c]);
            let location = at.location[block.group] - block.column.map_or(0.0, |c| at.border[c]);
            for &time in &self.design.times[block.start..block.end] {
                let l = local(self.distribution, time, location, at.border[columns + group]);
                sums[group] += (l.i_location * spread).clamp(0.0, 1.0);
            }
        }
        sums
    }

    /// Variances of the log factors with these scatters taken as known.
    fn factor_variances(&self, at: &Position) -> Result<Vec<f64>> {
        let columns = self.design.columns;
        let mut information = Bordered::zeros(self.design.groups, columns);
        for (block, &group) in self.design.blocks.iter().zip(&self.group) {
            let location = at.location[block.group] - block.column.map_or(0.0, |c| at.border[c]);
            for &time in &self.design.times[block.start..block.end] {
                let i = local(self.distribution, time, location, at.border[columns + group]).i_location;
                information.diagonal[block.group] += i;
                if let Some(c) = block.column {
                    information.border[block.group * columns + c] -= i;
                    information.corner[c * columns + c] += i;
                }
            }
        }
        let factored = information.factor().ok_or_else(|| ErrorKind::NotEstimable {
            quantity: "standard errors with unequal scatter".into(),
            reason: "the information is singular".into(),
        })?;
        let (inverse, _, _) = factored.inverse();
        Ok((0..columns).map(|c| inverse[c * columns + c]).collect())
    }

    fn accumulate(&self, at: &Position, information: &mut Bordered, u: &mut [f64], v: &mut [f64]) -> f64 {
        let columns = self.design.columns;
        let q = at.border.len();
        information.clear();
        u.fill(0.0);
        v.fill(0.0);
        let mut total = 0.0;
        for (block, &group) in self.design.blocks.iter().zip(&self.group) {
            let location = at.location[block.group] - block.column.map_or(0.0, |c| at.border[c]);
            let s = columns + group;
            for &time in &self.design.times[block.start..block.end] {
                let l = local(self.distribution, time, location, at.border[s]);
                total += l.value;
                u[block.group] += l.d_location;
                v[s] += l.d_scatter;
                information.diagonal[block.group] += l.i_location;
                information.border[block.group * q + s] += l.i_cross;
                information.corner[s * q + s] += l.i_scatter;
                if let Some(c) = block.column {
                    v[c] -= l.d_location;
                    information.border[block.group * q + c] -= l.i_location;
                    information.corner[c * q + c] += l.i_location;
                    information.corner[s * q + c] -= l.i_cross;
                }
            }
        }
        total
    }
}

impl UnequalScatter {
    /// Fits `plan` with a scatter of its own for every group.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::severity::{ScatterBy, UnequalScatter};
    /// let fit = UnequalScatter::fit(&plan, &campaign, ScatterBy::Class)?;
    /// assert_eq!(fit.groups.iter().map(|g| g.trials).sum::<usize>(), plan.fit(&campaign)?.trials());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of the severity fit; [`ErrorKind::ScatterNotEstimable`] where a group's trials all
    /// determine levels of their own or agree exactly; [`ErrorKind::NotConverged`].
    pub fn fit(plan: &Severity, campaign: &Campaign, by: ScatterBy) -> Result<Self> {
        let prepared = Prepared::new(plan, campaign)?;
        let (names, group_of) = grouping(by, campaign);
        let (design, _) = prepared.numbering.crossed(&prepared.cells);
        let fitted =
            prepared.cells.cells.iter().filter(|c| {
                prepared.numbering.group[c.material].is_some() && prepared.numbering.finite_surface[c.surface]
            });
        let raw: Vec<usize> = fitted.map(group_of).collect();
        let mut present = raw.clone();
        present.sort_unstable();
        present.dedup();
        let group: Vec<usize> = raw.iter().map(|g| present.binary_search(g).unwrap_or(0)).collect();
        let common = Scale::fit(&design, plan.chosen_distribution(), "the fit with one scatter")?;
        let model = Model { design: &design, distribution: plan.chosen_distribution(), group };
        let (m, columns) = (design.groups, design.columns);
        let q = columns + present.len();
        let mut at = Position { location: common.location.clone(), border: common.log_k.clone() };
        at.border.extend(std::iter::repeat_n(libm::log(common.sigma), present.len()));
        let mut information = Bordered::zeros(m, q);
        let (mut u, mut v) = (vec![0.0; m], vec![0.0; q]);
        let mut value = model.accumulate(&at, &mut information, &mut u, &mut v);
        let mut last = f64::INFINITY;
        let stuck = |iterations: u32, norm: f64| -> crate::Error {
            ErrorKind::NotConverged {
                stage: "the fit with unequal scatter".into(),
                iterations,
                gradient_norm: if norm.is_finite() { norm } else { f64::MAX },
            }
            .into()
        };
        for iteration in 1..=200 {
            if let Some(g) = (0..present.len()).find(|g| at.border[columns + g] < libm::log(common.sigma) - 14.0) {
                return Err(ErrorKind::ScatterNotEstimable {
                    reason: format!("the trials of {:?} agree with the fit exactly", names[present[g]]),
                }
                .into());
            }
            // Away from the maximum the information need not be positive definite: raise its diagonal
            // until it is.
            let mut ridge = 0.0;
            let factored = loop {
                let mut raised = information.clone();
                for d in &mut raised.diagonal {
                    *d += ridge * d.abs();
                }
                for a in 0..q {
                    raised.corner[a * q + a] += ridge * (raised.corner[a * q + a].abs() + 1e-6);
                }
                match raised.factor() {
                    Some(f) => break f,
                    None if ridge > 1e6 => return Err(stuck(iteration, last)),
                    None => ridge = if ridge > 0.0 { 4.0 * ridge } else { 1e-4 },
                }
            };
            let (mut du, mut dv) = (u.clone(), v.clone());
            factored.solve(&mut du, &mut dv);
            let decrement: f64 = u.iter().zip(&du).chain(v.iter().zip(&dv)).map(|(g, d)| g * d).sum();
            if ridge < f64::MIN_POSITIVE && decrement < 1e-18 {
                return Self::finish(
                    plan, campaign, &prepared, by, &names, &present, &model, &at, &factored, value, &common,
                );
            }
            last = decrement.max(0.0).sqrt();
            let mut step = 1.0;
            loop {
                let mut next = at.clone();
                for (a, d) in next.location.iter_mut().zip(&du).chain(next.border.iter_mut().zip(&dv)) {
                    *a += step * d;
                }
                let there = model.accumulate(&next, &mut information, &mut u, &mut v);
                // Near the maximum rounding hides the gain of a step.
                if there.is_finite() && (there >= value + 1e-4 * step * decrement || decrement < 1e-9) {
                    (at, value) = (next, there);
                    break;
                }
                step *= 0.5;
                if step < 1e-10 {
                    return Err(stuck(iteration, last));
                }
            }
        }
        Err(stuck(200, last))
    }

    #[allow(clippy::too_many_arguments)]
    fn finish(
        plan: &Severity,
        campaign: &Campaign,
        prepared: &Prepared,
        by: ScatterBy,
        names: &[String],
        present: &[usize],
        model: &Model<'_>,
        at: &Position,
        factored: &Factored,
        value: f64,
        common: &Scale,
    ) -> Result<Self> {
        let columns = model.design.columns;
        let q = at.border.len();
        let (corner, _, _) = factored.inverse();
        let level = plan.confidence_level();
        let unit = Scale::unit_log_scatter_variance(plan.chosen_distribution());
        // Leverages: each trial's own information times the variance of its location.
        let used = model.leverages(at, factored);
        let mut corrected = at.clone();
        let mut freedom = vec![1.0f64; present.len()];
        for g in 0..present.len() {
            #[allow(clippy::cast_precision_loss)]
            let trials = model.trials(g) as f64;
            corrected.border[columns + g] += 0.5 * libm::log(trials / (trials - used[g]).max(1.0));
            freedom[g] = (unit / corner[(columns + g) * q + columns + g] - used[g]).max(1.0);
        }
        let variances = |position: &Position| model.factor_variances(position);
        let base = variances(&corrected)?;
        // Share of each group in each factor's variance: half its derivative in log σ.
        let step = 1e-4;
        let mut shares = Vec::with_capacity(present.len());
        for g in 0..present.len() {
            let mut moved = corrected.clone();
            moved.border[columns + g] += step;
            let up = variances(&moved)?;
            moved.border[columns + g] -= 2.0 * step;
            let down = variances(&moved)?;
            shares.push(up.iter().zip(&down).map(|(u, d)| (u - d) / (4.0 * step)).collect::<Vec<f64>>());
        }
        let interval = |log: f64, variance: f64, df: f64| {
            let quantile = two_sided_quantile(level, Some(df));
            Interval::from_log(log, variance.max(0.0).sqrt(), quantile, level, IntervalMethod::StudentT)
        };
        let mut groups = Vec::with_capacity(names.len());
        for (i, name) in names.iter().enumerate() {
            let trials = model
                .design
                .blocks
                .iter()
                .zip(&model.group)
                .filter(|(_, g)| present[**g] == i)
                .map(|(b, _)| b.end - b.start)
                .sum();
            let log_scatter = match present.binary_search(&i) {
                Ok(g) => {
                    // In degrees of freedom of a normal sample's variance.
                    let (sigma, df) = (libm::exp(corrected.border[columns + g]), freedom[g] * 0.5 / unit);
                    let limit = |p: f64| sigma * (df / chi_squared_quantile(p, df)).sqrt();
                    let tail = 0.5 * (1.0 - level);
                    Interval::new(
                        sigma,
                        limit(1.0 - tail).min(sigma),
                        limit(tail).max(sigma),
                        level,
                        IntervalMethod::ChiSquared,
                    )?
                    .into()
                }
                Err(_) => Estimate::not_estimable("no trial of the group is on the scale"),
            };
            let maximum_likelihood = present.binary_search(&i).ok().map(|g| {
                let s = columns + g;
                (libm::exp(at.border[s]), corner[s * q + s].max(0.0).sqrt())
            });
            groups.push(GroupScatter { group: name.clone(), log_scatter, maximum_likelihood, trials });
        }
        let mut factors = Vec::new();
        let mut observed_standard_errors = Vec::new();
        for (s, surface) in campaign.surfaces().iter().enumerate() {
            let factor = if s == prepared.reference {
                Interval::new(1.0, 1.0, 1.0, level, IntervalMethod::ByDefinition)?.into()
            } else if let Some(c) = prepared.numbering.column[s] {
                let below: f64 = shares.iter().zip(&freedom).map(|(s, f)| s[c] * s[c] / f).sum();
                let df = if below > 0.0 { base[c] * base[c] / below } else { 1.0 };
                interval(at.border[c], base[c], df.max(1.0))?.into()
            } else {
                Estimate::not_estimable("it has no finite place on the scale")
            };
            observed_standard_errors.push(prepared.numbering.column[s].map(|c| corner[c * q + c].max(0.0).sqrt()));
            factors.push((surface.name.clone(), factor));
        }
        // The least-squares fit reports the likelihood at the maximum-likelihood σ: comparable.
        Ok(Self {
            by,
            groups,
            factors,
            observed_standard_errors,
            log_likelihood: value,
            common_log_likelihood: common.log_likelihood,
        })
    }
}
