//! A fitted linear mixed model: linear combinations with Satterthwaite degrees of freedom,
//! variance components, predictions.
//!
//! A combination ℓ of fixed and random effects has variance `σ² ℓᵀ D M⁻¹ D ℓ` (Henderson 1975; for
//! random effects that of prediction minus truth). Its degrees of freedom are `2v²/(gᵀ A g)`, g the
//! gradient of v in the variance parameters and A their covariance, twice the inverse Hessian of the
//! deviance (Satterthwaite 1946; Giesbrecht & Burns 1985). No sampling of variances is needed:
//! `∂v/∂γ_j = σ² |u_j|²/γ_j` with `u = M⁻¹ D ℓ`.

use std::ops::Range;

use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};

use crate::error::Result;
use crate::estimate::{Interval, IntervalMethod, check_level};
use crate::numeric::special::{normal_quantile, two_sided_quantile};

use super::deviance::{Criterion, Minimum, Pin, Problem};
use super::elimination::{Factor, Symmetric};
use super::profile::{Point, limits};
use super::uncertainty::{LEVEL, MeanSquare, Uncertainty, same_limit, spread_over};

/// What the search for the estimates came to.
///
/// ```
/// use surface_severity::severity::{Criterion, Verdict, mixed::LinearMixedModel};
/// // Three batches with the same mean: nothing tells them apart.
/// let model = LinearMixedModel::new(vec![1.0, 2.0, 1.0, 2.0, 1.0, 2.0]).intercept().group("batch", &[1, 1, 2, 2, 3, 3]);
/// let fit = model.fit(Criterion::Reml)?;
/// assert_eq!(fit.convergence().verdict, Verdict::Boundary { components: vec!["batch".into()] });
/// assert_eq!(fit.variance("batch")?, 0.0);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Verdict {
    /// Every variance component lies inside its range.
    Converged,
    /// These components are estimated as exactly zero: a singular fit. The data show no variation
    /// between their levels beyond what the other terms explain.
    Boundary {
        /// Names of the components.
        components: Vec<String>,
    },
}

/// How the estimates were reached.
///
/// ```
/// use surface_severity::severity::mixed::{Criterion, LinearMixedModel, Verdict};
/// let batches = LinearMixedModel::new(vec![1.1, 1.3, 0.2, 0.5, 2.0, 2.1]).intercept().group("batch", &[1, 1, 2, 2, 3, 3]);
/// let fit = batches.fit(Criterion::Reml)?;
/// assert_eq!(fit.convergence().verdict, Verdict::Converged);
/// assert!(fit.convergence().gradient_norm < 1e-4, "in standard errors");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct MixedConvergence {
    /// Steps of the search.
    pub iterations: u32,
    /// Evaluations of the criterion with its gradient.
    pub evaluations: u32,
    /// `√(gᵀ B⁻¹ g)` of the last gradient g in its metric B: what was left, in standard errors.
    pub gradient_norm: f64,
    /// What it came to.
    pub verdict: Verdict,
}

/// One variance component.
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
/// use surface_severity::severity::{Grouping, Severity};
/// let components = Severity::new("asphalt").random(Grouping::Day).fit(&campaign)?.variance_components();
/// let (day, residual) = (&components[0], &components[1]);
/// // Balanced, so by mean squares: 8 Σ shift²/3 between the days of 8 trials, 0.0128/26 within.
/// assert_eq!((day.levels, residual.levels), (4, 32));
/// assert!((residual.variance - 0.0128 / 26.0).abs() < 1e-9);
/// assert!((day.variance - (0.2 / 3.0 - 0.0128 / 26.0) / 8.0).abs() < 1e-9);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct VarianceComponent {
    /// Name of the grouping factor, or `"residual"`.
    pub name: String,
    /// Levels with at least one trial; for the residual the number of trials.
    pub levels: usize,
    /// Variance, square of the unit of the response (log seconds in a severity model).
    pub variance: f64,
    /// Its square root.
    pub standard_deviation: f64,
    /// True where the estimate is exactly zero.
    pub at_boundary: bool,
}

impl VarianceComponent {
    pub(in crate::severity) fn residual(sigma: f64, trials: usize) -> Self {
        Self {
            name: RESIDUAL.into(),
            levels: trials,
            variance: sigma * sigma,
            standard_deviation: sigma,
            at_boundary: false,
        }
    }
}

/// Predicted effect of one level of a grouping factor.
///
/// ```
/// use surface_severity::severity::{Criterion, mixed::LinearMixedModel};
/// let model = LinearMixedModel::new(vec![1.1, 1.3, 0.2, 0.5, 2.0, 2.1]).intercept().group("day", &[1, 1, 2, 2, 3, 3]);
/// let fit = model.fit(Criterion::Reml)?;
/// let (between, within) = (fit.variance("day")?, fit.variance("residual")?);
/// // The mean of day 2 lies 0.85 below that of all days; its effect is shrunk by τ²/(τ² + σ²/2).
/// let day_2 = &fit.predictions("day")?[1];
/// assert!((day_2.value + 0.85 * between / (between + within / 2.0)).abs() < 1e-9);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Prediction {
    /// Name of the level.
    pub level: String,
    /// Predicted effect (conditional mode), shrunk towards zero.
    pub value: f64,
    /// Standard error of prediction minus true effect, that of the fixed effects included
    /// (Henderson 1975); variance components are taken as known.
    pub standard_error: f64,
    /// Trials at this level.
    pub trials: usize,
}

/// A linear combination of effects.
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
/// use surface_severity::severity::{Grouping, Severity};
/// let fit = Severity::new("asphalt").random(Grouping::Day).fit(&campaign)?;
/// let belt = fit.log_factor_between("belt", "asphalt")?;
/// // Every day saw both surfaces, so the days cancel: 26 degrees of freedom, standard error σ √(2/16).
/// assert!((belt.estimate - 2_f64.ln()).abs() < 1e-9);
/// assert!((belt.standard_error - fit.log_scatter() * 0.125_f64.sqrt()).abs() < 1e-9);
/// assert!((belt.degrees_of_freedom.unwrap() - 26.0).abs() < 1e-4);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Contrast {
    /// Estimate.
    pub estimate: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// Satterthwaite degrees of freedom of the standard error, at least 1; `None` where only asymptotic normality is at
    /// hand. Limits are those of [`multiplier`](Self::multiplier), which knows more of variances that rest on few levels
    /// or are estimated as 0; in balanced layouts they are the same.
    pub degrees_of_freedom: Option<f64>,
    pub(super) uncertainty: Uncertainty,
    /// What makes the standard error of maximum likelihood fit for few trials.
    small_sample: f64,
    /// Part of the variance that is known, and so of a normal error.
    #[serde(default, skip_serializing_if = "is_zero")]
    known: f64,
}

#[allow(clippy::trivially_copy_pass_by_ref)] // serde's signature
fn is_zero(x: &f64) -> bool {
    *x <= 0.0
}

impl Contrast {
    pub(in crate::severity) fn new(estimate: f64, standard_error: f64, degrees_of_freedom: Option<f64>) -> Self {
        let uncertainty = Uncertainty::student(degrees_of_freedom);
        Self { estimate, standard_error, degrees_of_freedom, uncertainty, small_sample: 1.0, known: 0.0 }
    }

    pub(super) fn with(mut self, uncertainty: Uncertainty) -> Self {
        self.uncertainty = uncertainty;
        self
    }

    pub(in crate::severity) fn small_sample(mut self, factor: f64) -> Self {
        self.small_sample = factor;
        self
    }

    /// Adds an independent error of known variance.
    pub(in crate::severity) fn plus_known(mut self, variance: f64) -> Self {
        if variance > 0.0 {
            self.known += variance;
            self.standard_error = libm::hypot(self.standard_error, libm::sqrt(variance));
        }
        self
    }

    /// Half width of a two-sided interval at `level` in standard errors: from the confidence distribution of the variance, see
    /// [`severity::mixed`](super); NaN outside (0, 1). Under full maximum likelihood the t quantile of
    /// `degrees_of_freedom`, the normal one without.
    /// Of independent censored trials Student t times `√(N/(N − p))` for N trials and p levels, since maximum likelihood
    /// makes σ too small.
    ///
    /// ```
    /// use surface_severity::severity::mixed::{Criterion, LinearMixedModel};
    /// // Three batches: their mean has two degrees of freedom, and the one that is missing from three is filled up.
    /// let model = LinearMixedModel::new(vec![1.1, 1.3, 0.2, 0.5, 2.0, 2.1]).intercept().group("batch", &[1, 1, 2, 2, 3, 3]);
    /// let mean = model.fit(Criterion::Reml)?.contrast(&[1.0])?;
    /// assert!((mean.degrees_of_freedom.unwrap() - 2.0).abs() < 1e-9);
    /// let multiplier = mean.multiplier(0.95);
    /// assert!(2.0 < multiplier && multiplier < 4.303, "{multiplier}: within Student's t with 2 degrees of freedom");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn multiplier(&self, level: f64) -> f64 {
        let estimated = self.small_sample * self.uncertainty.multiplier(level);
        if self.known <= 0.0 {
            return estimated;
        }
        let share = (self.known / self.standard_error.powi(2)).min(1.0);
        let normal = two_sided_quantile(level, None);
        libm::sqrt(share * normal * normal + (1.0 - share) * estimated * estimated)
    }

    /// Degrees of freedom, at least 1, of the Student t whose 95 % limits are those of
    /// [`multiplier`](Self::multiplier); infinite where normal limits would do.
    ///
    /// ```
    /// use surface_severity::severity::mixed::{Criterion, LinearMixedModel};
    /// // Five batches, balanced: four degrees of freedom.
    /// let y = vec![1.1, 1.3, 0.2, 0.5, 2.0, 2.1, 0.9, 1.0, 1.6, 1.3];
    /// let model = LinearMixedModel::new(y).intercept().group("batch", &[1, 1, 2, 2, 3, 3, 4, 4, 5, 5]);
    /// let mean = model.fit(Criterion::Reml)?.contrast(&[1.0])?;
    /// assert!((mean.equivalent_degrees_of_freedom() - 4.0).abs() < 1e-5);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn equivalent_degrees_of_freedom(&self) -> f64 {
        if self.known > 0.0 {
            same_limit(self.multiplier(LEVEL))
        } else {
            self.uncertainty.equivalent_degrees_of_freedom()
        }
    }
}

/// Problem, minimum, and the covariance of (γ of the positive components, log σ²).
#[derive(Debug, Clone)]
pub(in crate::severity) struct Core {
    pub(in crate::severity) problem: Problem,
    pub(in crate::severity) minimum: Minimum,
    pub(super) positive: Vec<usize>,
    parameters: Option<DMatrix<f64>>,
    scale: Vec<f64>,
    diagonal: Vec<f64>,
    /// Of each component; empty under maximum likelihood.
    pub(super) squares: Vec<MeanSquare>,
}

impl Core {
    pub(in crate::severity) fn fit(problem: Problem) -> Result<Self> {
        let start = problem.start()?;
        let minimum = problem.minimise(Pin::Nothing, &start)?;
        let positive: Vec<usize> = (0..problem.len()).filter(|&j| minimum.state.gamma[j] > 0.0).collect();
        let information = problem.exact_information(&minimum.state);
        let parameters = problem
            .hessian(&minimum, &positive, information.as_deref())
            .and_then(nalgebra::DMatrix::cholesky)
            .map(|c| c.inverse() * 2.0)
            .filter(|a| a.iter().all(|v| v.is_finite()));
        let (scale, _) = problem.scale_and_ridge(&minimum.state.gamma, problem.q + problem.p);
        let selected = minimum.state.factor.selected_inverse();
        let diagonal = (0..problem.q).map(|i| selected.diagonal(i)).collect();
        let squares = match problem.criterion {
            Criterion::Reml => mean_squares(&problem, &minimum, &scale, information.as_deref()),
            Criterion::Ml => Vec::new(),
        };
        Ok(Self { problem, minimum, positive, parameters, scale, diagonal, squares })
    }

    /// Estimate of column `i` of `[Z X]`.
    pub(super) fn effect(&self, i: usize) -> f64 {
        let q = self.problem.q;
        let raw = self.minimum.state.solution[i] * self.scale[i];
        if i >= q { raw + self.problem.offset[i - q] } else { raw }
    }

    pub(in crate::severity) fn coefficient(&self, a: usize) -> f64 {
        self.effect(self.problem.q + a)
    }

    /// A combination of columns of `[Z X]`.
    pub(in crate::severity) fn combination(&self, weights: &[(usize, f64)]) -> Contrast {
        let state = &self.minimum.state;
        let sigma2 = self.minimum.sigma2;
        let mut right = vec![0.0; self.scale.len()];
        let mut estimate = 0.0;
        for &(i, w) in weights {
            right[i] += w * self.scale[i];
            estimate += w * self.effect(i);
        }
        let solved = state.factor.solve(&right);
        let variance = (sigma2 * right.iter().zip(&solved).map(|(a, b)| a * b).sum::<f64>()).max(0.0);
        let degrees_of_freedom = self.parameters.as_ref().and_then(|a| {
            let m = self.positive.len();
            let mut g = DVector::zeros(m + 1);
            for (at, &j) in self.positive.iter().enumerate() {
                let squares: f64 = solved[self.problem.components[j].clone()].iter().map(|u| u * u).sum();
                g[at] = sigma2 * squares / state.gamma[j];
            }
            g[m] = variance;
            let spread = g.dot(&(a * &g));
            let df = 2.0 * variance * variance / spread;
            (df.is_finite() && df > 0.0).then_some(df.max(1.0))
        });
        let uncertainty = if self.squares.is_empty() {
            Uncertainty::student(degrees_of_freedom)
        } else {
            let variances: Vec<f64> = (0..self.problem.len()).map(|j| self.variance(j)).collect();
            let problem = &self.problem;
            let shares = squared_weights(&problem.w, &problem.components, &self.scale, &solved, weights);
            Uncertainty::new(variance, &shares, &variances, &self.squares, self.variance_degrees_of_freedom(None))
        };
        Contrast::new(estimate, variance.sqrt(), degrees_of_freedom).with(uncertainty)
    }

    /// Covariance of two fixed columns.
    pub(in crate::severity) fn covariance_column(&self, a: usize) -> Vec<f64> {
        let mut right = vec![0.0; self.scale.len()];
        right[self.problem.q + a] = 1.0;
        let solved = self.minimum.state.factor.solve(&right);
        solved[self.problem.q..].iter().map(|v| v * self.minimum.sigma2).collect()
    }

    pub(super) fn variance(&self, j: usize) -> f64 {
        self.minimum.state.gamma[j] * self.minimum.sigma2
    }

    /// 2 V² / Var(V̂) of the variance V of a component (`None`: the residual), by the inverse Hessian of the criterion.
    pub(in crate::severity) fn variance_degrees_of_freedom(&self, component: Option<usize>) -> Option<f64> {
        let a = self.parameters.as_ref()?;
        let m = self.positive.len();
        // V = γ σ²: its relative derivative is 1/γ in γ and 1 in log σ².
        let mut g = DVector::zeros(m + 1);
        g[m] = 1.0;
        if let Some(j) = component {
            let at = self.positive.iter().position(|&p| p == j)?;
            g[at] = 1.0 / self.minimum.state.gamma[j];
        }
        let df = 2.0 / g.dot(&(a * &g));
        (df.is_finite() && df > 0.0).then_some(df)
    }

    /// Variance of the effect of one further level of component j, with its degrees of freedom.
    pub(in crate::severity) fn one_further(&self, j: usize) -> Option<(f64, f64)> {
        self.squares.get(j).map(MeanSquare::one_further)
    }

    pub(in crate::severity) fn components(&self) -> Vec<VarianceComponent> {
        let problem = &self.problem;
        let mut rows: Vec<VarianceComponent> = (0..problem.len())
            .map(|j| VarianceComponent {
                name: problem.names[j].clone(),
                levels: problem.components[j].len(),
                variance: self.variance(j),
                standard_deviation: self.variance(j).sqrt(),
                at_boundary: self.minimum.state.gamma[j] <= 0.0,
            })
            .collect();
        rows.push(VarianceComponent::residual(self.minimum.sigma2.sqrt(), problem.n));
        rows
    }

    pub(in crate::severity) fn predictions(&self, j: usize, level: &dyn Fn(usize) -> String) -> Vec<Prediction> {
        let sigma = self.minimum.sigma2.sqrt();
        self.problem.components[j]
            .clone()
            .enumerate()
            .map(|(at, i)| Prediction {
                level: level(at),
                value: self.effect(i),
                standard_error: sigma * self.scale[i] * self.diagonal[i].max(0.0).sqrt(),
                #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
                trials: self.problem.trials_at(i) as usize,
            })
            .collect()
    }

    pub(in crate::severity) fn convergence(&self) -> MixedConvergence {
        let zero: Vec<String> = (0..self.problem.len())
            .filter(|&j| self.minimum.state.gamma[j] <= 0.0)
            .map(|j| self.problem.names[j].clone())
            .collect();
        MixedConvergence {
            iterations: self.minimum.iterations,
            evaluations: self.minimum.evaluations,
            gradient_norm: self.minimum.decrement,
            verdict: if zero.is_empty() { Verdict::Converged } else { Verdict::Boundary { components: zero } },
        }
    }

    /// Profile interval of the standard deviation of a component (`None`: the residual).
    pub(in crate::severity) fn profile(&self, component: Option<usize>, level: f64) -> Result<Interval> {
        check_level(level)?;
        let z = normal_quantile(0.5 * (1.0 + level));
        let problem = &self.problem;
        let best = self.minimum.value;
        let mut gamma = self.minimum.state.gamma.clone();
        let variance = component.map_or(self.minimum.sigma2, |j| self.variance(j));
        let at_zero = match component {
            Some(j) if variance > 0.0 => Some(problem.minimise(Pin::Zero(j), &gamma)?.value - best),
            Some(_) => Some(0.0),
            None => None,
        };
        // A scale on which a component that is zero would begin to show.
        let typical = component.map_or(variance, |j| self.minimum.sigma2 * 0.1 / problem.replication(j));
        let (lower, upper) = limits(variance.sqrt(), typical.sqrt(), z, at_zero, |log_sd| {
            let v = libm::exp(2.0 * log_sd);
            let pin = component.map_or(Pin::Residual(v), |j| Pin::Component(j, v));
            if let Some(j) = component {
                // Keep σ² where it was and move the ratio to the pinned variance.
                gamma[j] = v / self.minimum.sigma2;
            }
            let minimum = problem.minimise(pin, &gamma)?;
            gamma.clone_from(&minimum.state.gamma);
            Ok(Point { rise: minimum.value - best, slope: 2.0 * minimum.slope })
        })?;
        Interval::new(variance.sqrt(), lower, upper, level, IntervalMethod::Profile)
    }
}

/// Of each component, at a minimum of the restricted criterion.
fn mean_squares(problem: &Problem, minimum: &Minimum, scale: &[f64], information: Option<&[f64]>) -> Vec<MeanSquare> {
    let (state, k) = (&minimum.state, problem.len());
    (0..k)
        .map(|j| {
            let square = match information {
                Some(information) if state.gamma[j] > 0.0 => information[j * k + j],
                _ => block_traces(&problem.w, &state.factor, scale, problem.components[j].clone()).1,
            };
            let variance = state.gamma[j] * minimum.sigma2;
            MeanSquare::new(state.trace[j], square, state.score[j] / minimum.sigma2, variance, minimum.sigma2)
        })
        .collect()
}

/// Sum of the squared weights with which the levels of each component enter the error of a combination ℓ, from
/// `w = Tᵀ Ω T` and `M⁻¹ D ℓ`.
pub(super) fn squared_weights(
    w: &Symmetric,
    components: &[Range<usize>],
    scale: &[f64],
    solved: &[f64],
    weights: &[(usize, f64)],
) -> Vec<f64> {
    let scaled: Vec<f64> = solved.iter().zip(scale).map(|(u, s)| u * s).collect();
    let mut image = w.times(&scaled);
    let random = components.last().map_or(0, |r| r.end);
    for &(i, w) in weights.iter().filter(|&&(i, _)| i < random) {
        image[i] -= w;
    }
    components.iter().map(|r| image[r.clone()].iter().map(|v| v * v).sum()).collect()
}

/// tr Q and tr Q² of `Q = Z_jᵀ P Z_j`, `P = Ω − Ω T D M⁻¹ D Tᵀ Ω`, from `w = Tᵀ Ω T`; of many columns from a part of them,
/// evenly spread.
pub(super) fn block_traces(w: &Symmetric, factor: &Factor, scale: &[f64], range: Range<usize>) -> (f64, f64) {
    let mut column = vec![0.0; scale.len()];
    let (taken, share) = spread_over(range.len());
    let (mut trace, mut squares) = (0.0, 0.0);
    for at in taken {
        let i = range.start + at;
        column.fill(0.0);
        column[i] = w.diagonal[i];
        for (j, v) in w.row(i) {
            column[j] = v;
        }
        let right: Vec<f64> = column.iter().zip(scale).map(|(c, s)| c * s).collect();
        let solved: Vec<f64> = factor.solve(&right).iter().zip(scale).map(|(v, s)| v * s).collect();
        let image = w.times(&solved);
        trace += column[i] - image[i];
        squares += range.clone().map(|r| (column[r] - image[r]) * (column[r] - image[r])).sum::<f64>();
    }
    (trace * share, squares * share)
}

/// Name of the residual component.
pub(in crate::severity) const RESIDUAL: &str = "residual";
