//! Censored location-scale regression with random intercepts.

use super::censored_fit::CensoredMixedFit;
use super::core::{Contrast, MixedConvergence, Prediction, VarianceComponent, Verdict, block_traces, squared_weights};
use super::deviance::{Criterion, taken_up};
use super::elimination::{Rows, Symmetric};
use super::groups::{Grouped, check_partitions};
use super::marginal::{Best, Hold, Marginal, Parameters};
use super::profile::{Point, limits};
use super::uncertainty::{MeanSquare, Uncertainty};
use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, IntervalMethod, check_level};
use crate::numeric::special::normal_quantile;
use crate::severity::distribution::Distribution;
use crate::severity::newton::LogTime;
use crate::severity::regression::{Observation, Regression};
use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};

/// How random effects were integrated out.
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
/// use surface_severity::severity::{Grouping, Integration, Severity};
/// let fit = Severity::new("asphalt").random(Grouping::Day).fit(&campaign)?;
/// assert_eq!(fit.integration(), Integration::Exact, "nothing is censored");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Integration {
    /// In closed form: log-normal times without censoring.
    Exact,
    /// Laplace's approximation.
    Laplace,
    /// Adaptive Gauss–Hermite quadrature.
    AdaptiveGaussHermite {
        /// Nodes per level.
        nodes: usize,
    },
}

/// Nodes used for one grouping factor where the user asks for none.
pub(in crate::severity) const DEFAULT_NODES: usize = 15;
/// Beyond this the outermost weights underflow and nothing is gained.
pub(super) const MOST_NODES: usize = 100;

pub(super) fn check_nodes(nodes: Option<usize>, factors: usize) -> Result<usize> {
    match nodes {
        None => Ok(if factors == 1 { DEFAULT_NODES } else { 1 }),
        Some(n) if !(1..=MOST_NODES).contains(&n) => {
            Err(ErrorKind::option("nodes", n, &format!("a number from 1 to {MOST_NODES}")))
        }
        Some(n) if n > 1 && factors != 1 => Err(ErrorKind::option(
            "nodes",
            n,
            "1 (Laplace's approximation) with several grouping factors; quadrature needs exactly one",
        )),
        Some(n) => Ok(n),
    }
}

/// `y = xᵀβ + Σ_j b_j + σ W` on log times, exact or censored: plain data, checked in [`fit`](Self::fit).
///
/// ```
/// use surface_severity::severity::{Distribution, Observation, mixed::CensoredMixedModel};
/// // Log times of three days, two trials each; the longest ran out.
/// let mean = |last: Observation| {
///     let times = [1.1, 1.3, 0.2, 0.5, 2.0].map(Observation::Exact).into_iter().chain([last]).collect();
///     let model = CensoredMixedModel::new(Distribution::LogNormal, times, vec![vec![1.0]; 6]);
///     model.group("day", &[1, 1, 2, 2, 3, 3]).fit().map(|fit| fit.coefficients()[0])
/// };
/// let exact = mean(Observation::Exact(2.1))?;
/// assert!((exact - 1.2).abs() < 1e-6, "the plain mean, since the days are balanced");
/// assert!(mean(Observation::AtLeast(2.1))? > exact, "it would have lasted longer");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct CensoredMixedModel {
    distribution: Distribution,
    observations: Vec<Observation>,
    rows: Vec<Vec<f64>>,
    groups: Vec<(String, Vec<usize>)>,
    nodes: Option<usize>,
    criterion: Criterion,
}

impl CensoredMixedModel {
    /// A model of `observations` on `rows` of covariates (include a one for the intercept).
    ///
    /// ```
    /// use surface_severity::severity::{Distribution, Observation, mixed::CensoredMixedModel};
    /// let times = vec![Observation::Exact(1.1), Observation::AtLeast(1.3), Observation::Exact(0.2)];
    /// let model = CensoredMixedModel::new(Distribution::LogNormal, times, vec![vec![1.0]; 2]);
    /// assert!(model.group("day", &[1, 1, 2]).fit().is_err(), "three times, two rows");
    /// ```
    #[must_use]
    pub fn new(distribution: Distribution, observations: Vec<Observation>, rows: Vec<Vec<f64>>) -> Self {
        Self { distribution, observations, rows, groups: Vec::new(), nodes: None, criterion: Criterion::Ml }
    }

    /// Adds a random intercept for each distinct code.
    #[must_use]
    pub fn group(mut self, name: impl Into<String>, codes: &[usize]) -> Self {
        self.groups.push((name.into(), codes.to_vec()));
        self
    }

    /// Nodes of the adaptive Gauss–Hermite quadrature; 1 is Laplace's approximation. Default: 15
    /// with one grouping factor, 1 with several (where nothing else is possible).
    #[must_use]
    pub fn nodes(mut self, nodes: usize) -> Self {
        self.nodes = Some(nodes);
        self
    }

    /// The criterion: full maximum likelihood unless set; [`Criterion::Reml`] is the better choice for
    /// variances and intervals (see [`severity::mixed`](super)).
    #[must_use]
    pub fn criterion(mut self, criterion: Criterion) -> Self {
        self.criterion = criterion;
        self
    }

    fn prepare(&self) -> Result<(Marginal, Parameters, Vec<Grouped>)> {
        let n = self.observations.len();
        let nodes = check_nodes(self.nodes, self.groups.len())?;
        if self.groups.is_empty() {
            return Err(ErrorKind::NothingToFit {
                reason: "no grouping factor; Regression fits models without random effects".into(),
            }
            .into());
        }
        // Checks lengths and numbers, and finds infinite estimates.
        let plain = Regression::new(self.distribution).fit(&self.observations, &self.rows)?;
        let mut groups = Vec::new();
        for (name, codes) in &self.groups {
            if codes.len() != n {
                return Err(ErrorKind::option(name, codes.len(), &format!("{n} codes, one per observation")));
            }
            groups.push(Grouped::of_codes(name, codes));
        }
        check_partitions(&groups, n)?;
        let above = |o: &Observation| !matches!(o, Observation::AtLeast(_));
        let below = |o: &Observation| !matches!(o, Observation::AtMost(_));
        if !(self.observations.iter().any(above) && self.observations.iter().any(below)) {
            return Err(ErrorKind::NotEstimable {
                quantity: "the location of the times".into(),
                reason: "all of them are censored on the same side".into(),
            }
            .into());
        }
        let mut x = Rows::new(plain.coefficients().len());
        for row in &self.rows {
            x.push(row.iter().copied().enumerate());
        }
        let times: Vec<LogTime> = self.observations.iter().map(|&o| o.into()).collect();
        let (marginal, start) =
            assemble(self.distribution, &times, &x, &groups, nodes, plain.coefficients().to_vec(), plain.log_sigma());
        Ok((marginal, start, groups))
    }

    /// The marginal log-likelihood (time scale) at given parameters: `log_standard_deviations` of
    /// the grouping factors in their order.
    ///
    /// ```
    /// use surface_severity::severity::{Distribution, Observation, mixed::CensoredMixedModel};
    /// let times = [1.1, 1.3, 0.2, 0.5, 2.0, 2.1].map(Observation::Exact).to_vec();
    /// let model = CensoredMixedModel::new(Distribution::LogNormal, times, vec![vec![1.0]; 6]).group("day", &[1, 1, 2, 2, 3, 3]);
    /// let fit = model.fit()?;
    /// let log_sd = fit.standard_deviation("day")?.ln();
    /// let at = |shift: f64| model.log_likelihood(&[fit.coefficients()[0] + shift], fit.log_sigma(), &[log_sd]);
    /// assert!((at(0.0)? - fit.log_likelihood()).abs() < 1e-8);
    /// assert!(at(0.1)? < at(0.0)? && at(-0.1)? < at(0.0)?, "the fit is at the maximum");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`fit`](Self::fit); [`ErrorKind::InvalidOption`] for wrong lengths or numbers that are not finite;
    /// [`ErrorKind::NotConverged`] where the modes of the random effects are not found.
    pub fn log_likelihood(&self, coefficients: &[f64], log_sigma: f64, log_standard_deviations: &[f64]) -> Result<f64> {
        let (marginal, start, _) = self.prepare()?;
        if coefficients.len() != start.beta.len() || log_standard_deviations.len() != marginal.len() {
            return Err(ErrorKind::option(
                "parameters",
                coefficients.len() + log_standard_deviations.len(),
                "one coefficient per covariate and one standard deviation per grouping factor",
            ));
        }
        let all = coefficients.iter().chain(log_standard_deviations).chain(std::iter::once(&log_sigma));
        if let Some(bad) = all.into_iter().find(|v| !v.is_finite()) {
            return Err(ErrorKind::option("parameters", bad, "finite numbers"));
        }
        let parameters =
            Parameters { beta: coefficients.to_vec(), log_sigma, log_tau: log_standard_deviations.to_vec() };
        let zeros = vec![0.0; marginal.z.columns];
        marginal.evaluate(&parameters, &zeros).map(|at| at.log_likelihood).ok_or_else(|| {
            ErrorKind::NotConverged {
                stage: "the modes of the random effects".into(),
                iterations: 0,
                gradient_norm: f64::MAX,
            }
            .into()
        })
    }

    /// Maximum marginal likelihood, full or restricted.
    ///
    /// ```
    /// use surface_severity::severity::{Distribution, Observation, mixed::{CensoredMixedModel, Criterion, LinearMixedModel}};
    /// // Without censoring the same as maximum likelihood in closed form.
    /// let y = [1.1, 1.3, 0.2, 0.5, 2.0, 2.1];
    /// let days = [1, 1, 2, 2, 3, 3];
    /// let times = y.map(Observation::Exact).to_vec();
    /// let censored = CensoredMixedModel::new(Distribution::LogNormal, times, vec![vec![1.0]; 6]).group("day", &days).fit()?;
    /// let exact = LinearMixedModel::new(y.to_vec()).intercept().group("day", &days).fit(Criterion::Ml)?;
    /// assert!((censored.standard_deviation("day")? - exact.variance("day")?.sqrt()).abs() < 1e-5);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for lengths that disagree, numbers that are not finite, nodes
    /// outside 1 to 100 or with several factors; [`ErrorKind::NotEstimable`] as for
    /// [`LinearMixedModel::fit`](super::LinearMixedModel::fit); [`ErrorKind::NotConverged`], also
    /// where censoring leaves a coefficient without a finite estimate.
    pub fn fit(&self) -> Result<CensoredMixedFit> {
        let (marginal, start, groups) = self.prepare()?;
        let levels = groups.into_iter().map(|g| g.levels).collect();
        Ok(CensoredMixedFit { fitted: Fitted::new(marginal, &start, self.criterion)?, levels })
    }
}

/// Rows, components and starting values of a marginal likelihood.
pub(in crate::severity) fn assemble(
    distribution: Distribution,
    times: &[LogTime],
    x: &Rows,
    groups: &[Grouped],
    nodes: usize,
    beta: Vec<f64>,
    log_sigma: f64,
) -> (Marginal, Parameters) {
    let mut components = Vec::new();
    let mut at = 0;
    for group in groups {
        components.push(at..at + group.levels.len());
        at += group.levels.len();
    }
    let mut z = Rows::new(at);
    for i in 0..times.len() {
        z.push(groups.iter().zip(&components).filter_map(|(g, c)| g.level[i].map(|l| (c.start + l, 1.0))));
    }
    let names = groups.iter().map(|g| g.name.clone()).collect();
    // Half the scatter to replicates, the rest shared out.
    #[allow(clippy::cast_precision_loss)]
    let share = 0.5 * libm::log(0.5 / groups.len().max(1) as f64);
    let start = Parameters { beta, log_sigma: log_sigma - 0.15, log_tau: vec![log_sigma + share; groups.len()] };
    (Marginal::new(distribution, times, x, &z, names, components, nodes), start)
}

/// A maximised marginal likelihood with its covariance.
#[derive(Debug, Clone)]
pub(in crate::severity) struct Fitted {
    pub(super) marginal: Marginal,
    /// At the estimates, whatever their criterion.
    pub(super) best: Best,
    /// Over (β, log σ, log τ of the positive components).
    pub(in crate::severity) covariance: DMatrix<f64>,
    /// Of β with σ and all τ taken as known.
    conditional: DMatrix<f64>,
    free: Vec<usize>,
    restricted: Option<Box<Restricted>>,
}

/// The restricted likelihood at its maximum.
#[derive(Debug, Clone)]
struct Restricted {
    joint: Marginal,
    best: Best,
    /// Positions in (log σ, log τ) of what `covariance` is of.
    free: Vec<usize>,
    covariance: DMatrix<f64>,
    weight_slopes: Vec<Vec<f64>>,
    /// `Tᵀ Ω T` of random and fixed columns, and their factors.
    cross: Symmetric,
    scale: Vec<f64>,
    squares: Vec<MeanSquare>,
}

impl Restricted {
    fn new(joint: Marginal, start: &Parameters) -> Result<Self> {
        let scales = Parameters { beta: Vec::new(), ..start.clone() };
        let best = joint.maximise(Hold::Nothing, &scales)?;
        let (free, information) = joint.observed_information(&best).ok_or_else(|| no_information(&best))?;
        let covariance = invert(information, &best)?;
        let weight_slopes = joint.weight_slopes(&best.parameters, &best.at);
        let cross = joint.weighted_cross_product(&best.parameters, &best.at);
        let scale = joint.column_scale(&best.parameters);
        let squares = mean_squares(&joint, &best, &cross, &scale);
        Ok(Self { joint, best, free, covariance, weight_slopes, cross, scale, squares })
    }

    /// Of a combination of columns: Satterthwaite degrees of freedom, `2v²/(gᵀ A g)`, from 1 to those
    /// that the trials leave over; and the confidence distribution of its variance.
    fn uncertainty(&self, weights: &[(usize, f64)]) -> (Option<f64>, Uncertainty) {
        let (variance, slopes, solved) =
            self.joint.joint_variance(&self.best.parameters, &self.best.at, &self.weight_slopes, weights);
        let shares = squared_weights(&self.cross, &self.joint.components, &self.scale, &solved, weights);
        let parameters = &self.best.parameters;
        let variances: Vec<f64> = parameters.log_tau.iter().map(|t| libm::exp(2.0 * t)).collect();
        let uncertainty = Uncertainty::new(variance, &shares, &variances, &self.squares, self.sigma_freedom());
        (self.degrees_of_freedom(variance, &slopes), uncertainty)
    }

    /// 2 V² / Var(V̂) of V = σ².
    fn sigma_freedom(&self) -> Option<f64> {
        let at = self.free.iter().position(|&a| a == 0)?;
        let df = 0.5 / self.covariance[(at, at)];
        (df.is_finite() && df > 0.0).then(|| df.clamp(1.0, self.most()))
    }

    /// Degrees of freedom that the trials leave over.
    #[allow(clippy::cast_precision_loss)]
    fn most(&self) -> f64 {
        self.joint.times.len().saturating_sub(self.fixed()).max(1) as f64
    }

    fn degrees_of_freedom(&self, variance: f64, slopes: &[f64]) -> Option<f64> {
        let g = DVector::from_iterator(self.free.len(), self.free.iter().map(|&a| slopes[a]));
        let spread = g.dot(&(&self.covariance * &g));
        let df = 2.0 * variance * variance / spread;
        (variance > 0.0 && df > 0.0).then(|| df.clamp(1.0, self.most()))
    }

    fn fixed(&self) -> usize {
        self.joint.split(&self.best.at.modes).1.len()
    }
}

/// Of each component, with the modes' weights in the place of `1/σ²`.
fn mean_squares(joint: &Marginal, best: &Best, cross: &Symmetric, scale: &[f64]) -> Vec<MeanSquare> {
    let sigma2 = libm::exp(2.0 * best.parameters.log_sigma);
    (0..joint.len())
        .map(|j| {
            let range = joint.components[j].clone();
            let (trace, square) = block_traces(cross, &best.at.factor, scale, range);
            let variance = libm::exp(2.0 * best.parameters.log_tau[j]);
            let slope = if variance > 0.0 { None } else { joint.slope_at_zero(&best.parameters, j, &best.at.modes) };
            // Derivative by a variance: half of score less trace.
            let score = trace + 2.0 * slope.unwrap_or(0.0);
            MeanSquare::new(trace * sigma2, square * sigma2 * sigma2, score * sigma2, variance, sigma2)
        })
        .collect()
}

/// A coefficient with less than this share of the information of exact times has no finite estimate.
const NO_INFORMATION: f64 = 1e-8;
/// A variance that fewer levels than this are left for has no estimate.
const NO_FREEDOM: f64 = 1e-9;

fn invert(matrix: DMatrix<f64>, best: &Best) -> Result<DMatrix<f64>> {
    matrix
        .cholesky()
        .map(|c| c.inverse())
        .filter(|c| c.iter().all(|v| v.is_finite()))
        .ok_or_else(|| no_information(best))
}

impl Fitted {
    pub(in crate::severity) fn new(marginal: Marginal, start: &Parameters, criterion: Criterion) -> Result<Self> {
        let joint = marginal.restricted(&start.beta);
        if let Some(freedom) = joint.freedom(&Parameters { beta: Vec::new(), ..start.clone() })
            && let Some(j) = freedom.iter().position(|f| *f <= NO_FREEDOM)
        {
            return Err(taken_up(&marginal.names[j]));
        }
        let restricted = match criterion {
            Criterion::Ml => None,
            Criterion::Reml => Some(Restricted::new(joint, start)?),
        };
        let best = match &restricted {
            None => marginal.maximise(Hold::Nothing, start)?,
            // β̂ of the whole likelihood, σ and τ held where the restricted one has them.
            Some(r) => {
                let (_, beta) = r.joint.split(&r.best.at.modes);
                let at = Parameters { beta: beta.to_vec(), ..r.best.parameters.clone() };
                marginal.maximise(Hold::Scales, &at)?
            }
        };
        let (free, information) = marginal.observed_information(&best).ok_or_else(|| no_information(&best))?;
        let p = marginal.x.columns;
        let conditional = invert(information.view((0, 0), (p, p)).into_owned(), &best)?;
        let covariance = match &restricted {
            None => invert(information, &best)?,
            Some(r) => {
                // β̂ moves with σ and τ by D.
                let n = information.nrows();
                let d = -&conditional * information.view((0, p), (p, n - p));
                let through = &d * &r.covariance;
                let mut whole = DMatrix::zeros(n, n);
                whole.view_mut((0, 0), (p, p)).copy_from(&(&conditional + &through * d.transpose()));
                whole.view_mut((0, p), (p, n - p)).copy_from(&through);
                whole.view_mut((p, 0), (n - p, p)).copy_from(&through.transpose());
                whole.view_mut((p, p), (n - p, n - p)).copy_from(&r.covariance);
                whole
            }
        };
        let mut squares = vec![0.0; p];
        for i in 0..marginal.x.len() {
            for (a, x) in marginal.x.row(i) {
                squares[a] += marginal.count(i) * x * x;
            }
        }
        let variance = libm::exp(2.0 * best.parameters.log_sigma);
        if let Some(a) = (0..p).find(|&a| variance < NO_INFORMATION * squares[a] * covariance[(a, a)]) {
            return Err(ErrorKind::NotEstimable {
                quantity: format!("coefficient {}", a + 1),
                reason: "censored times limit it on one side only, so its estimate is unlimited".into(),
            }
            .into());
        }
        Ok(Self { marginal, best, covariance, conditional, free, restricted: restricted.map(Box::new) })
    }

    pub(super) fn criterion(&self) -> Criterion {
        if self.restricted.is_some() { Criterion::Reml } else { Criterion::Ml }
    }

    /// The likelihood that was maximised, at its maximum.
    fn maximised(&self) -> (&Marginal, &Best) {
        self.restricted.as_ref().map_or((&self.marginal, &self.best), |r| (&r.joint, &r.best))
    }

    pub(in crate::severity) fn log_likelihood(&self) -> f64 {
        self.maximised().1.at.log_likelihood
    }

    fn uncertainty(&self, fixed: &[(usize, f64)], random: &[(usize, f64)]) -> (Option<f64>, Uncertainty) {
        let Some(restricted) = &self.restricted else { return (None, Uncertainty::student(None)) };
        let q = self.marginal.z.columns;
        let weights: Vec<(usize, f64)> = random.iter().copied().chain(fixed.iter().map(|&(a, w)| (q + a, w))).collect();
        restricted.uncertainty(&weights)
    }

    pub(in crate::severity) fn beta(&self) -> &[f64] {
        &self.best.parameters.beta
    }

    pub(in crate::severity) fn sigma(&self) -> f64 {
        libm::exp(self.best.parameters.log_sigma)
    }

    pub(super) fn tau(&self, j: usize) -> f64 {
        libm::exp(self.best.parameters.log_tau[j])
    }

    /// A combination of fixed columns and log σ: observed information of everything. The degrees of
    /// freedom of a restricted fit take the share of log σ̂ to grow with σ and τ as the rest does.
    pub(in crate::severity) fn combination(&self, fixed: &[(usize, f64)], log_sigma: f64) -> Contrast {
        let p = self.beta().len();
        let mut weights = vec![0.0; p + 1];
        weights[p] = log_sigma;
        let mut estimate = 0.0;
        for &(a, w) in fixed {
            weights[a] += w;
            estimate += w * self.beta()[a];
        }
        let mut variance = 0.0;
        for a in 0..=p {
            for b in 0..=p {
                variance += weights[a] * weights[b] * self.covariance[(a, b)];
            }
        }
        let (degrees_of_freedom, uncertainty) = self.uncertainty(fixed, &[]);
        Contrast::new(estimate, variance.max(0.0).sqrt(), degrees_of_freedom).with(uncertainty)
    }

    /// A combination of fixed columns and random effects minus its true value; σ and τ as known.
    pub(in crate::severity) fn prediction(&self, fixed: &[(usize, f64)], random: &[(usize, f64)]) -> Contrast {
        let p = self.beta().len();
        let at = &self.best.at;
        let mut weights = vec![0.0; p];
        let mut estimate = 0.0;
        for &(a, w) in fixed {
            weights[a] += w;
            estimate += w * self.beta()[a];
        }
        let mut right = vec![0.0; at.modes.len()];
        for &(i, w) in random {
            let tau = self.tau_of(i);
            right[i] += w * tau;
            estimate += w * tau * at.modes[i];
        }
        let solved = at.factor.solve(&right);
        let mut variance: f64 = right.iter().zip(&solved).map(|(a, b)| a * b).sum();
        // The modes move with the fixed part: du = M⁻¹ R dβ.
        for (weight, carried) in weights.iter_mut().zip(&at.carried) {
            *weight += right.iter().zip(carried).map(|(a, b)| a * b).sum::<f64>();
        }
        for a in 0..p {
            for b in 0..p {
                variance += weights[a] * weights[b] * self.conditional[(a, b)];
            }
        }
        let (degrees_of_freedom, uncertainty) = self.uncertainty(fixed, random);
        Contrast::new(estimate, variance.max(0.0).sqrt(), degrees_of_freedom).with(uncertainty)
    }

    fn tau_of(&self, column: usize) -> f64 {
        let j = self.marginal.components.iter().position(|c| c.contains(&column)).unwrap_or(0);
        self.tau(j)
    }

    pub(in crate::severity) fn components(&self) -> Vec<VarianceComponent> {
        let row = |name: &str, levels: usize, sd: f64| VarianceComponent {
            name: name.into(),
            levels,
            variance: sd * sd,
            standard_deviation: sd,
            at_boundary: sd <= 0.0,
        };
        let mut rows: Vec<VarianceComponent> = (0..self.marginal.len())
            .map(|j| row(&self.marginal.names[j], self.marginal.components[j].len(), self.tau(j)))
            .collect();
        rows.push(VarianceComponent::residual(self.sigma(), self.marginal.times.len()));
        rows
    }

    /// Standard error of log τ of component j (`None`: log σ).
    pub(super) fn log_standard_error(&self, component: Option<usize>) -> Option<f64> {
        let p = self.beta().len();
        let wanted = component.map_or(p, |j| p + 1 + j);
        self.free.iter().position(|&at| at == wanted).map(|at| self.covariance[(at, at)].sqrt())
    }

    /// 2 V² / Var(V̂) of the variance V of component j; `None` at the boundary.
    pub(in crate::severity) fn variance_degrees_of_freedom(&self, component: Option<usize>) -> Option<f64> {
        let se = self.log_standard_error(component)?;
        let df = 1.0 / (2.0 * se * se);
        (df.is_finite() && df > 0.0).then_some(df)
    }

    /// Variance of the effect of one further level of component j, with its degrees of freedom.
    pub(in crate::severity) fn one_further(&self, j: usize) -> Option<(f64, f64)> {
        self.restricted.as_ref().and_then(|r| r.squares.get(j)).map(MeanSquare::one_further)
    }

    pub(in crate::severity) fn predictions(&self, j: usize, level: &dyn Fn(usize) -> String) -> Vec<Prediction> {
        self.marginal.components[j]
            .clone()
            .enumerate()
            .map(|(at, i)| {
                let c = self.prediction(&[], &[(i, 1.0)]);
                Prediction {
                    level: level(at),
                    value: c.estimate,
                    standard_error: c.standard_error,
                    trials: self.marginal.trials[i],
                }
            })
            .collect()
    }

    pub(in crate::severity) fn convergence(&self) -> MixedConvergence {
        let zero: Vec<String> =
            (0..self.marginal.len()).filter(|&j| self.tau(j) <= 0.0).map(|j| self.marginal.names[j].clone()).collect();
        let (_, best) = self.maximised();
        MixedConvergence {
            iterations: best.iterations,
            evaluations: best.evaluations,
            gradient_norm: best.decrement,
            verdict: if zero.is_empty() { Verdict::Converged } else { Verdict::Boundary { components: zero } },
        }
    }

    pub(in crate::severity) fn profile(&self, component: Option<usize>, level: f64) -> Result<Interval> {
        check_level(level)?;
        let z = normal_quantile(0.5 * (1.0 + level));
        let (marginal, best) = self.maximised();
        let top = best.at.log_likelihood;
        let sd = component.map_or(self.sigma(), |j| self.tau(j));
        let at_zero = match component {
            Some(j) if sd > 0.0 => {
                let without = marginal.maximise(Hold::Zero(j), &best.parameters)?;
                Some(2.0 * (top - without.at.log_likelihood))
            }
            Some(_) => Some(0.0),
            None => None,
        };
        let typical = component.map_or(sd, |j| self.sigma() * (0.1 / marginal.replication(j)).sqrt());
        let mut warm = best.parameters.clone();
        let (lower, upper) = limits(sd, typical, z, at_zero, |log_sd| {
            let hold = match component {
                Some(j) => {
                    warm.log_tau[j] = log_sd;
                    Hold::LogTau(j)
                }
                None => {
                    warm.log_sigma = log_sd;
                    Hold::LogSigma
                }
            };
            let best = marginal.maximise(hold, &warm)?;
            warm = best.parameters;
            Ok(Point { rise: 2.0 * (top - best.at.log_likelihood), slope: -2.0 * best.slope })
        })?;
        Interval::new(sd, lower, upper, level, IntervalMethod::Profile)
    }
}

fn no_information(best: &Best) -> crate::Error {
    ErrorKind::NotConverged {
        stage: "the observed information of the mixed model".into(),
        iterations: best.iterations,
        gradient_norm: best.decrement,
    }
    .into()
}
