//! Linear mixed models of any fixed columns and grouping factors: `y = X β + Σ Z_j b_j + ε`.

use serde::{Deserialize, Serialize};

use crate::error::{ErrorKind, Result};
use crate::estimate::Interval;

use super::core::{Contrast, Core, MixedConvergence, Prediction, VarianceComponent};
use super::deviance::{Criterion, Problem};
use super::elimination::Rows;
use super::groups::{Grouped, check_partitions};

#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
enum Fixed {
    Column { name: String, values: Vec<f64> },
    Factor { name: String, codes: Vec<usize> },
}

/// A linear mixed model with random intercepts: plain data, checked in [`fit`](Self::fit).
///
/// `y = X β + Σ_j Z_j b_j + ε`, `b_j ~ N(0, σ_j² I)`, `ε ~ N(0, σ² I)`; X must hold its own
/// intercept. Grouping factors may be crossed, nested or neither; give nested ones codes that are
/// unique over the whole table.
///
/// ```
/// use surface_severity::severity::{Criterion, mixed::LinearMixedModel};
/// # fn main() -> Result<(), surface_severity::Error> {
/// let y = vec![7.1, 7.3, 6.2, 6.5, 8.0, 8.1];
/// let fit = LinearMixedModel::new(y).intercept().group("batch", &[1, 1, 2, 2, 3, 3]).fit(Criterion::Reml)?;
/// let mean = fit.contrast(&[1.0])?;
/// assert!((mean.estimate - 7.2).abs() < 1e-12);
/// assert!((mean.degrees_of_freedom.unwrap_or(0.0) - 2.0).abs() < 1e-9);
/// # Ok(())
/// # }
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LinearMixedModel {
    response: Vec<f64>,
    fixed: Vec<Fixed>,
    groups: Vec<(String, Vec<Option<usize>>)>,
}

impl LinearMixedModel {
    /// A model of `response` without any term.
    ///
    /// ```
    /// use surface_severity::severity::{Criterion, mixed::LinearMixedModel};
    /// // A model without any term has nothing to fit.
    /// assert!(LinearMixedModel::new(vec![1.0, 2.0]).fit(Criterion::Reml).is_err());
    /// ```
    #[must_use]
    pub fn new(response: Vec<f64>) -> Self {
        Self { response, fixed: Vec::new(), groups: Vec::new() }
    }

    /// Adds a column of ones.
    #[must_use]
    pub fn intercept(self) -> Self {
        let ones = vec![1.0; self.response.len()];
        self.fixed("intercept", ones)
    }

    /// Adds a fixed column.
    #[must_use]
    pub fn fixed(mut self, name: impl Into<String>, values: Vec<f64>) -> Self {
        self.fixed.push(Fixed::Column { name: name.into(), values });
        self
    }

    /// Adds a fixed factor: one indicator column per distinct code, in ascending order of the codes
    /// (all of them, so no intercept beside it).
    ///
    /// ```
    /// use surface_severity::severity::{Criterion, mixed::LinearMixedModel};
    /// // Two surfaces on each of three days: the difference of their means, free of the days.
    /// let model = LinearMixedModel::new(vec![1.1, 0.3, 1.5, 0.8, 0.9, 0.1])
    ///     .fixed_factor("surface", &[0, 1, 0, 1, 0, 1])
    ///     .group("day", &[1, 1, 2, 2, 3, 3]);
    /// let difference = model.fit(Criterion::Reml)?.contrast(&[1.0, -1.0])?;
    /// assert!((difference.estimate - 2.3 / 3.0).abs() < 1e-9);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn fixed_factor(mut self, name: impl Into<String>, codes: &[usize]) -> Self {
        self.fixed.push(Fixed::Factor { name: name.into(), codes: codes.to_vec() });
        self
    }

    /// Adds a random intercept for each distinct code.
    #[must_use]
    pub fn group(mut self, name: impl Into<String>, codes: &[usize]) -> Self {
        self.groups.push((name.into(), codes.iter().copied().map(Some).collect()));
        self
    }

    /// Adds a random intercept for each distinct code of the rows that have one; it does not act on
    /// the others (a belt has no effect on a road).
    ///
    /// ```
    /// use surface_severity::severity::{Criterion, mixed::LinearMixedModel};
    /// // Belts act in the laboratory only; the first two rows are road trials.
    /// let model = LinearMixedModel::new(vec![2.0, 2.2, 1.1, 1.3, 0.2, 0.5, 0.8, 0.9])
    ///     .fixed_factor("surface", &[0, 0, 1, 1, 1, 1, 1, 1])
    ///     .group_where("belt", &[None, None, Some(1), Some(1), Some(2), Some(2), Some(3), Some(3)]);
    /// assert_eq!(model.fit(Criterion::Reml)?.predictions("belt")?.len(), 3);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn group_where(mut self, name: impl Into<String>, codes: &[Option<usize>]) -> Self {
        self.groups.push((name.into(), codes.to_vec()));
        self
    }

    /// Fits by restricted or full maximum likelihood.
    ///
    /// ```
    /// use surface_severity::severity::{Criterion, mixed::LinearMixedModel};
    /// let model = LinearMixedModel::new(vec![1.1, 1.3, 0.2, 0.5, 2.0, 2.1]).intercept().group("day", &[1, 1, 2, 2, 3, 3]);
    /// let fit = model.fit(Criterion::Reml)?;
    /// // Balanced: mean squares 1.445 between and 0.07/3 within days of two trials.
    /// assert!((fit.variance("residual")? - 0.07 / 3.0).abs() < 1e-9);
    /// assert!((fit.variance("day")? - (1.445 - 0.07 / 3.0) / 2.0).abs() < 1e-9);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Accuracy
    /// Balanced layouts agree with their closed forms to 10 digits or more (`tests/mixed/`); a
    /// component whose estimate is zero is returned as exactly zero.
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for lengths that disagree or numbers that are not finite;
    /// [`ErrorKind::NothingToFit`]; [`ErrorKind::NotEstimable`] for dependent fixed columns, for a
    /// grouping factor with one level or with as many levels as rows, for two that group alike, and for one that
    /// fixed effects take up; [`ErrorKind::ScatterNotEstimable`]; [`ErrorKind::NotConverged`].
    pub fn fit(&self, criterion: Criterion) -> Result<LinearMixedFit> {
        let n = self.response.len();
        if n == 0 || self.fixed.is_empty() {
            return Err(ErrorKind::NothingToFit { reason: "no rows or no fixed column".into() }.into());
        }
        if let Some(bad) = self.response.iter().find(|v| !v.is_finite()) {
            return Err(ErrorKind::option("response", bad, "finite numbers"));
        }
        let length = |name: &str, found: usize| {
            if found == n { Ok(()) } else { Err(ErrorKind::option(name, found, &format!("{n} values, one per row"))) }
        };
        let mut groups = Vec::with_capacity(self.groups.len());
        for (name, codes) in &self.groups {
            length(name, codes.len())?;
            groups.push(Grouped::of_labels(name, codes, ToString::to_string));
        }
        check_partitions(&groups, n)?;
        let q: usize = groups.iter().map(|g| g.levels.len()).sum();
        let mut names = Vec::new();
        let mut columns: Vec<(usize, Grouped)> = Vec::new();
        let mut dense: Vec<(usize, &[f64], f64)> = Vec::new();
        for fixed in &self.fixed {
            match fixed {
                Fixed::Column { name, values } => {
                    length(name, values.len())?;
                    if let Some(bad) = values.iter().find(|v| !v.is_finite()) {
                        return Err(ErrorKind::option(name, bad, "finite numbers"));
                    }
                    // Unit root mean square keeps the normal equations in one range.
                    #[allow(clippy::cast_precision_loss)]
                    let size = (values.iter().map(|v| v * v).sum::<f64>() / n as f64).sqrt();
                    dense.push((q + names.len(), values, if size > 0.0 { size } else { 1.0 }));
                    names.push(name.clone());
                }
                Fixed::Factor { name, codes } => {
                    length(name, codes.len())?;
                    let factor = Grouped::of_codes(name, codes);
                    let first = q + names.len();
                    names.extend(factor.levels.iter().map(|level| format!("{name} {level}")));
                    columns.push((first, factor));
                }
            }
        }
        let mut rows = Rows::new(q + names.len());
        for i in 0..n {
            let mut first = 0;
            let mut entries: Vec<(usize, f64)> = Vec::with_capacity(groups.len() + columns.len() + dense.len());
            for group in &groups {
                if let Some(level) = group.level[i] {
                    entries.push((first + level, 1.0));
                }
                first += group.levels.len();
            }
            for (first, factor) in &columns {
                if let Some(level) = factor.level[i] {
                    entries.push((first + level, 1.0));
                }
            }
            entries.extend(dense.iter().map(|(column, values, size)| (*column, values[i] / size)));
            rows.push(entries);
        }
        let mut size = vec![1.0; names.len()];
        for (column, _, s) in &dense {
            size[column - q] = *s;
        }
        let mut at = 0;
        let components = groups
            .iter()
            .map(|g| {
                let from = at;
                at += g.levels.len();
                from..at
            })
            .collect();
        let problem = Problem::new(
            &rows,
            &self.response,
            groups.iter().map(|g| g.name.clone()).collect(),
            components,
            &|a| names[a].clone(),
            criterion,
        )?;
        let levels = groups.into_iter().map(|g| g.levels).collect();
        Ok(LinearMixedFit { core: Core::fit(problem)?, names, size, levels, criterion })
    }
}

/// A fitted linear mixed model. Holds the cross-products of the table, not its rows.
///
/// ```
/// use surface_severity::severity::{Criterion, mixed::LinearMixedModel};
/// let model = LinearMixedModel::new(vec![1.1, 1.3, 0.2, 0.5, 2.0, 2.1]).intercept().group("day", &[1, 1, 2, 2, 3, 3]);
/// let fit = model.fit(Criterion::Reml)?;
/// assert_eq!((fit.names().len(), fit.criterion()), (1, Criterion::Reml));
/// assert!((fit.coefficients()[0] - 1.2).abs() < 1e-9);
/// // Three days, not six trials: 2 degrees of freedom, variance of the mean MS(days)/6.
/// assert!((fit.degrees_of_freedom()[0].unwrap() - 2.0).abs() < 1e-6);
/// assert!((fit.standard_errors()[0] - (1.445_f64 / 6.0).sqrt()).abs() < 1e-9);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct LinearMixedFit {
    core: Core,
    names: Vec<String>,
    /// By which each fixed column was divided.
    size: Vec<f64>,
    levels: Vec<Vec<String>>,
    criterion: Criterion,
}

impl LinearMixedFit {
    /// Names of the fixed columns.
    #[must_use]
    pub fn names(&self) -> &[String] {
        &self.names
    }
    /// Fixed coefficients, in the order of [`names`](Self::names).
    #[must_use]
    pub fn coefficients(&self) -> Vec<f64> {
        (0..self.names.len()).map(|a| self.core.coefficient(a) / self.size[a]).collect()
    }
    /// Their standard errors, variance components taken as known.
    #[must_use]
    pub fn standard_errors(&self) -> Vec<f64> {
        (0..self.names.len()).map(|a| self.unit(a).standard_error).collect()
    }
    /// Their Satterthwaite degrees of freedom.
    #[must_use]
    pub fn degrees_of_freedom(&self) -> Vec<Option<f64>> {
        (0..self.names.len()).map(|a| self.unit(a).degrees_of_freedom).collect()
    }
    /// Row `a` of the covariance of the coefficients; empty beyond the last.
    #[must_use]
    pub fn covariance_row(&self, a: usize) -> Vec<f64> {
        if a >= self.names.len() {
            return Vec::new();
        }
        let row = self.core.covariance_column(a);
        row.iter().zip(&self.size).map(|(v, s)| v / (s * self.size[a])).collect()
    }

    fn unit(&self, a: usize) -> Contrast {
        self.core.combination(&[(self.core.problem.q + a, 1.0 / self.size[a])])
    }

    /// A linear combination of the coefficients: estimate, standard error and Satterthwaite degrees
    /// of freedom.
    ///
    /// ```
    /// use surface_severity::severity::{Criterion, mixed::LinearMixedModel};
    /// let model = LinearMixedModel::new(vec![1.1, 0.3, 1.5, 0.8, 0.9, 0.1])
    ///     .fixed_factor("surface", &[0, 1, 0, 1, 0, 1])
    ///     .group("day", &[1, 1, 2, 2, 3, 3]);
    /// let fit = model.fit(Criterion::Reml)?;
    /// // A paired comparison: 3 days, 2 degrees of freedom.
    /// assert!((fit.contrast(&[1.0, -1.0])?.degrees_of_freedom.unwrap() - 2.0).abs() < 1e-4);
    /// assert!(fit.contrast(&[1.0]).is_err(), "one weight for each coefficient");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] unless there is one finite weight per coefficient.
    pub fn contrast(&self, weights: &[f64]) -> Result<Contrast> {
        if weights.len() != self.names.len() {
            return Err(ErrorKind::option("weights", weights.len(), &format!("{}, one per column", self.names.len())));
        }
        if let Some(bad) = weights.iter().find(|w| !w.is_finite()) {
            return Err(ErrorKind::option("weights", bad, "finite numbers"));
        }
        let q = self.core.problem.q;
        let weights: Vec<(usize, f64)> = weights.iter().enumerate().map(|(a, w)| (q + a, w / self.size[a])).collect();
        Ok(self.core.combination(&weights))
    }

    /// Variance components in the order of the groups, the residual last.
    #[must_use]
    pub fn variance_components(&self) -> Vec<VarianceComponent> {
        self.core.components()
    }
    /// Variance of a grouping factor or of `"residual"`.
    ///
    /// ```
    /// use surface_severity::severity::{Criterion, mixed::LinearMixedModel};
    /// let model = LinearMixedModel::new(vec![1.1, 1.3, 0.2, 0.5, 2.0, 2.1]).intercept().group("day", &[1, 1, 2, 2, 3, 3]);
    /// let fit = model.fit(Criterion::Reml)?;
    /// // The two readings of a day differ by 0.2, 0.3 and 0.1: mean square (0.02 + 0.045 + 0.005)/3.
    /// assert!((fit.variance("residual")? - 0.07 / 3.0).abs() < 1e-9);
    /// assert!(fit.variance("belt").is_err(), "no such grouping");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for an unknown name.
    pub fn variance(&self, name: &str) -> Result<f64> {
        Ok(self.component(name)?.map_or(self.core.minimum.sigma2, |j| self.core.variance(j)))
    }
    fn component(&self, name: &str) -> Result<Option<usize>> {
        component_named(&self.core.problem.names, name)
    }

    /// Profile-likelihood interval of the standard deviation of a grouping factor or of
    /// `"residual"`, from the criterion of the fit (R lme4 always uses the full likelihood here).
    ///
    /// ```
    /// use surface_severity::severity::{Criterion, mixed::LinearMixedModel};
    /// let model = LinearMixedModel::new(vec![1.1, 1.3, 0.2, 0.5, 2.0, 2.1]).intercept().group("day", &[1, 1, 2, 2, 3, 3]);
    /// let fit = model.fit(Criterion::Reml)?;
    /// let (narrow, wide) = (fit.profile_interval("day", 0.8)?, fit.profile_interval("day", 0.95)?);
    /// assert!(narrow.contains(fit.variance("day")?.sqrt()));
    /// assert!(wide.lower() < narrow.lower() && narrow.upper() < wide.upper());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for an unknown name or level; [`ErrorKind::NotEstimable`] where
    /// the deviance does not reach its critical value; [`ErrorKind::NotConverged`].
    pub fn profile_interval(&self, name: &str, level: f64) -> Result<Interval> {
        self.core.profile(self.component(name)?, level)
    }

    /// Predicted effects of the levels of a grouping factor, in ascending order of their codes.
    ///
    /// ```
    /// use surface_severity::severity::{Criterion, mixed::LinearMixedModel};
    /// let model = LinearMixedModel::new(vec![1.1, 1.3, 0.2, 0.5, 2.0, 2.1]).intercept().group("day", &[1, 1, 2, 2, 3, 3]);
    /// let days = model.fit(Criterion::Reml)?.predictions("day")?;
    /// // Balanced days: the effects cancel, and each is smaller than the deviation of its mean.
    /// assert!(days.iter().map(|d| d.value).sum::<f64>().abs() < 1e-9);
    /// assert!(days[2].value > 0.0 && days[2].value < 0.85);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for an unknown name.
    pub fn predictions(&self, name: &str) -> Result<Vec<Prediction>> {
        match self.component(name)? {
            Some(j) => Ok(self.core.predictions(j, &|at| self.levels[j][at].clone())),
            None => Err(ErrorKind::option("name", name, "a grouping factor")),
        }
    }

    /// The criterion that was optimised.
    #[must_use]
    pub fn criterion(&self) -> Criterion {
        self.criterion
    }
    /// Its value: minus twice the log (restricted) likelihood of the response.
    #[must_use]
    pub fn criterion_value(&self) -> f64 {
        // The restricted likelihood depends on the scale of the fixed columns.
        let scaling: f64 = self.size.iter().map(|&s| 2.0 * libm::log(s)).sum();
        self.core.minimum.value + if self.criterion == Criterion::Reml { scaling } else { 0.0 }
    }
    /// Log (restricted) likelihood of the response.
    #[must_use]
    pub fn log_likelihood(&self) -> f64 {
        -0.5 * self.criterion_value()
    }
    /// How the estimates were reached; singular fits name their components here.
    #[must_use]
    pub fn convergence(&self) -> MixedConvergence {
        self.core.convergence()
    }
}

pub(super) fn component_named(names: &[String], name: &str) -> Result<Option<usize>> {
    if name == super::core::RESIDUAL {
        return Ok(None);
    }
    names.iter().position(|n| n == name).map(Some).ok_or_else(|| {
        ErrorKind::option("component", name, &format!("one of {}, {}", names.join(", "), super::core::RESIDUAL))
    })
}
