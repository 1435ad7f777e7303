//! What computed a scale: least squares or Newton for independent trials, and the mixed models.

use crate::error::{ErrorKind, Result};
use crate::estimate::Interval;

use super::cells::{Block, Crossed};
use super::conditions::Conditions;
use super::distribution::Distribution;
use super::fit::Convergence;
use super::mixed::{
    Contrast, Core, Criterion, DEFAULT_NODES, Fitted, Grouped, Integration, Prediction, Rows, Statistics,
    VarianceComponent, Verdict, assemble, offsets,
};
use super::plan::{Grouping, Severity};
use super::scale::{Combination, Scale};

/// Where random effects are fitted: by cross-products of exact log-normal times, or by quadrature.
#[derive(Debug, Clone)]
enum Random {
    Linear { core: Box<Core>, sum_of_log_times: f64 },
    Censored(Box<Fitted>, Integration),
}

/// Fixed columns are numbered materials first, then the surfaces but the reference, then covariates.
#[derive(Debug, Clone)]
pub(super) struct Engine {
    /// The same trials as independent ones: the start of the others, and what replicates are drawn about.
    pub(super) scale: Scale,
    random: Option<Random>,
    known: Vec<Known>,
}

/// What the error of a given covariate effect does to each fixed column: its change for one standard error.
#[derive(Debug, Clone)]
pub(super) struct Known(Vec<f64>);

/// The columns of covariates, each over the trials of the design.
pub(super) type Columns = [Vec<f64>];

/// Columns of a block: its material, and −1 of its surface.
fn fixed(block: &Block, groups: usize) -> impl Iterator<Item = (usize, f64)> {
    std::iter::once((block.group, 1.0)).chain(block.column.map(|c| (groups + c, -1.0)))
}

impl Engine {
    pub(super) fn independent(scale: Scale) -> Self {
        Self { scale, random: None, known: Vec::new() }
    }

    pub(super) fn is_independent(&self) -> bool {
        self.random.is_none()
    }

    /// Takes the errors of given effects into every combination.
    pub(super) fn with_known(mut self, known: Vec<Known>) -> Self {
        self.known = known;
        self
    }

    /// Half the difference of the fixed columns of two fits.
    pub(super) fn change(lower: &Self, upper: &Self, columns: usize) -> Known {
        Known((0..columns).map(|a| 0.5 * (upper.fixed_effect(a) - lower.fixed_effect(a))).collect())
    }

    /// Fits what `conditions` and `columns` hold; conditions that cannot be told apart are left out of them.
    pub(super) fn fit(
        plan: &Severity,
        design: &Crossed,
        scale: Scale,
        conditions: &mut Conditions,
        columns: &Columns,
    ) -> Result<Self> {
        if !Random::is_linear(plan, design) {
            conditions.spare(&Grouping::MaterialBySurface, MOST_CELLS);
        }
        while !(conditions.is_empty() && columns.is_empty()) {
            match Random::fit(plan, design, &scale, &conditions.factors, columns) {
                Ok(random) => return Ok(Self { scale, random: Some(random), known: Vec::new() }),
                Err(error) => conditions.leave_out(error)?,
            }
        }
        Ok(Self::independent(scale))
    }

    fn groups(&self) -> usize {
        self.scale.location.len()
    }

    pub(super) fn fixed_effect(&self, a: usize) -> f64 {
        match &self.random {
            None if a < self.groups() => self.scale.location[a],
            None => self.scale.log_k[a - self.groups()],
            Some(Random::Linear { core, .. }) => core.coefficient(a),
            Some(Random::Censored(fitted, _)) => fitted.beta()[a],
        }
    }

    /// A combination of fixed columns, and a function of σ with derivative `slope` in log σ that is 0 at the fit.
    pub(super) fn combination(&self, weights: &[(usize, f64)], slope: f64) -> Contrast {
        self.with_errors(self.combined(weights, slope), weights)
    }

    fn with_errors(&self, contrast: Contrast, weights: &[(usize, f64)]) -> Contrast {
        let change = |known: &Known| weights.iter().map(|&(a, w)| w * known.0[a]).sum::<f64>();
        contrast.plus_known(self.known.iter().map(|k| change(k).powi(2)).sum())
    }

    fn combined(&self, weights: &[(usize, f64)], slope: f64) -> Contrast {
        match &self.random {
            None => self.independent_combination(weights, slope),
            Some(Random::Linear { core, .. }) => {
                let mut found =
                    core.combination(&weights.iter().map(|&(a, w)| (core.problem.q + a, w)).collect::<Vec<_>>());
                if slope != 0.0 {
                    // Var(log s) of a χ² variance estimate, delta method; independent of the effects.
                    let df = core.variance_degrees_of_freedom(None).unwrap_or(1.0);
                    found.standard_error = libm::sqrt(found.standard_error.powi(2) + slope * slope * 0.5 / df);
                }
                found
            }
            Some(Random::Censored(fitted, _)) => fitted.combination(weights, slope),
        }
    }

    fn independent_combination(&self, weights: &[(usize, f64)], slope: f64) -> Contrast {
        let mut combination = Combination::default();
        let mut estimate = 0.0;
        for &(a, w) in weights {
            estimate += w * self.fixed_effect(a);
            if a < self.groups() {
                combination.locations.push((a, w));
            } else {
                combination.border.push((a - self.groups(), w));
            }
        }
        combination.border.push((self.scale.q() - 1, slope));
        let small = self.scale.small_sample;
        Contrast::new(estimate, self.scale.variance(&combination).sqrt(), Some(small.degrees_of_freedom))
            .small_sample(small.factor)
    }

    /// A combination of fixed columns and random effects minus their true values.
    pub(super) fn prediction(&self, weights: &[(usize, f64)], random: &[(usize, f64)]) -> Contrast {
        let found = match &self.random {
            None => self.combined(weights, 0.0),
            Some(Random::Linear { core, .. }) => {
                let q = core.problem.q;
                let all: Vec<(usize, f64)> =
                    weights.iter().map(|&(a, w)| (q + a, w)).chain(random.iter().copied()).collect();
                core.combination(&all)
            }
            Some(Random::Censored(fitted, _)) => fitted.prediction(weights, random),
        };
        self.with_errors(found, weights)
    }

    /// Covariance of the log factors in column order and of log σ, row-major.
    pub(super) fn covariance(&self) -> Vec<Vec<f64>> {
        let (groups, q) = (self.groups(), self.scale.q());
        let mut rows = match &self.random {
            None => self.scale.corner.chunks(q).map(<[f64]>::to_vec).collect(),
            Some(Random::Linear { core, .. }) => {
                let mut rows = vec![vec![0.0; q]; q];
                for a in 0..q - 1 {
                    let column = core.covariance_column(groups + a);
                    for (row, value) in rows.iter_mut().zip(&column[groups..groups + q - 1]) {
                        row[a] = *value;
                    }
                }
                rows[q - 1][q - 1] = 0.5 / core.variance_degrees_of_freedom(None).unwrap_or(1.0);
                rows
            }
            Some(Random::Censored(fitted, _)) => {
                // log σ stands behind the covariates.
                let place = |a: usize| if a + 1 < q { groups + a } else { fitted.beta().len() };
                let entry = |a: usize, b: usize| fitted.covariance[(place(a), place(b))];
                (0..q).map(|a| (0..q).map(|b| entry(a, b)).collect()).collect()
            }
        };
        // Solved column by column: symmetric but for rounding.
        for a in 0..q {
            for b in 0..a {
                rows[a][b] = rows[b][a];
            }
        }
        for Known(change) in &self.known {
            for a in 0..q - 1 {
                for b in 0..q - 1 {
                    rows[a][b] += change[groups + a] * change[groups + b];
                }
            }
        }
        rows
    }

    /// The groupings in their order, `"residual"` last.
    pub(super) fn components(&self, trials: usize) -> Vec<VarianceComponent> {
        match &self.random {
            None => vec![VarianceComponent::residual(self.scale.sigma, trials)],
            Some(Random::Linear { core, .. }) => core.components(),
            Some(Random::Censored(fitted, _)) => fitted.components(),
        }
    }

    pub(super) fn sigma(&self) -> f64 {
        match &self.random {
            None => self.scale.sigma,
            Some(Random::Linear { core, .. }) => core.minimum.sigma2.sqrt(),
            Some(Random::Censored(fitted, _)) => fitted.sigma(),
        }
    }

    /// Degrees of freedom of a component's variance, of σ² for `None`; `None` at the boundary.
    pub(super) fn variance_degrees_of_freedom(&self, component: Option<usize>) -> Option<f64> {
        match &self.random {
            None => Some(self.scale.small_sample.degrees_of_freedom),
            Some(Random::Linear { core, .. }) => core.variance_degrees_of_freedom(component),
            Some(Random::Censored(fitted, _)) => fitted.variance_degrees_of_freedom(component),
        }
    }

    /// Variance of the effect of one further level of a component, with its degrees of freedom; `None` under full
    /// maximum likelihood.
    pub(super) fn one_further(&self, component: usize) -> Option<(f64, f64)> {
        match &self.random {
            None => None,
            Some(Random::Linear { core, .. }) => core.one_further(component),
            Some(Random::Censored(fitted, _)) => fitted.one_further(component),
        }
    }

    pub(super) fn log_likelihood(&self) -> f64 {
        match &self.random {
            None => self.scale.log_likelihood,
            Some(Random::Linear { core, sum_of_log_times }) => -0.5 * core.minimum.value - sum_of_log_times,
            Some(Random::Censored(fitted, _)) => fitted.log_likelihood(),
        }
    }

    pub(super) fn convergence(&self) -> Convergence {
        let mixed = match &self.random {
            None => {
                let s = &self.scale;
                let (iterations, decrement) = (s.iterations, s.decrement);
                return Convergence {
                    iterations,
                    decrement,
                    direct: s.degrees_of_freedom.is_some(),
                    verdict: Verdict::Converged,
                };
            }
            Some(Random::Linear { core, .. }) => core.convergence(),
            Some(Random::Censored(fitted, _)) => fitted.convergence(),
        };
        Convergence {
            iterations: mixed.iterations,
            decrement: mixed.gradient_norm,
            direct: false,
            verdict: mixed.verdict,
        }
    }

    pub(super) fn integration(&self) -> Integration {
        match &self.random {
            Some(Random::Censored(_, integration)) => *integration,
            _ => Integration::Exact,
        }
    }

    /// Profile interval of a component's standard deviation, of σ for `None`.
    pub(super) fn profile(&self, component: Option<usize>, level: f64) -> Option<Result<Interval>> {
        match &self.random {
            None => None,
            Some(Random::Linear { core, .. }) => Some(core.profile(component, level)),
            Some(Random::Censored(fitted, _)) => Some(fitted.profile(component, level)),
        }
    }

    pub(super) fn predictions(&self, j: usize, name: &dyn Fn(usize) -> String) -> Vec<Prediction> {
        match &self.random {
            None => Vec::new(),
            Some(Random::Linear { core, .. }) => core.predictions(j, name),
            Some(Random::Censored(fitted, _)) => fitted.predictions(j, name),
        }
    }
}

/// The cost of censored times grows with the square of the cells: some 20 s for so many.
const MOST_CELLS: usize = 4000;

impl Random {
    fn is_linear(plan: &Severity, design: &Crossed) -> bool {
        design.all_exact() && plan.distribution == Distribution::LogNormal
    }

    fn fit(plan: &Severity, design: &Crossed, scale: &Scale, factors: &[Grouped], columns: &Columns) -> Result<Self> {
        if Self::is_linear(plan, design) {
            Self::linear(plan.criterion, design, factors, columns)
        } else {
            Self::censored(plan, design, scale, factors, columns)
        }
    }

    fn linear(criterion: Criterion, design: &Crossed, factors: &[Grouped], columns: &Columns) -> Result<Self> {
        let y: Vec<f64> = design.times.iter().map(|t| t.middle()).collect();
        let problem = statistics(criterion, design, factors, columns, &y)?;
        Ok(Self::Linear { core: Box::new(Core::fit(problem)?), sum_of_log_times: y.iter().sum() })
    }

    fn censored(
        plan: &Severity,
        design: &Crossed,
        scale: &Scale,
        factors: &[Grouped],
        columns: &Columns,
    ) -> Result<Self> {
        let nodes = if factors.len() == 1 { DEFAULT_NODES } else { 1 };
        let crossed = design.groups + design.columns;
        let mut x = Rows::new(crossed + columns.len());
        for block in &design.blocks {
            for i in block.start..block.end {
                x.push(fixed(block, design.groups).chain(covariates(crossed, columns, i)));
            }
        }
        let none = vec![0.0; columns.len()];
        let beta = scale.location.iter().chain(&scale.log_k).chain(&none).copied().collect();
        let log_sigma = libm::log(scale.sigma);
        let (marginal, start) = assemble(plan.distribution, &design.times, &x, factors, nodes, beta, log_sigma);
        let integration = match (factors.len(), nodes) {
            (0, _) => Integration::Exact,
            (_, 1) => Integration::Laplace,
            _ => Integration::AdaptiveGaussHermite { nodes },
        };
        Ok(Self::Censored(Box::new(Fitted::new(marginal, &start, plan.criterion)?), integration))
    }
}

/// Entries of the covariates of a trial.
fn covariates(crossed: usize, columns: &Columns, i: usize) -> impl Iterator<Item = (usize, f64)> + '_ {
    columns.iter().enumerate().map(move |(j, x)| (crossed + j, x[i]))
}

/// Cross-products of a design with the log times `y`.
fn statistics(
    criterion: Criterion,
    design: &Crossed,
    factors: &[Grouped],
    columns: &Columns,
    y: &[f64],
) -> Result<Statistics> {
    let crossed = design.groups + design.columns;
    let first = offsets(factors);

    let q = first.last().copied().unwrap_or(0);
    let mut rows = Rows::new(q + crossed + columns.len());
    for block in &design.blocks {
        for i in block.start..block.end {
            let random = factors.iter().zip(&first).filter_map(|(g, f)| g.level[i].map(|l| (f + l, 1.0)));
            let fixed = fixed(block, design.groups).chain(covariates(crossed, columns, i));
            rows.push(random.chain(fixed.map(|(a, x)| (q + a, x))));
        }
    }
    let components = first.windows(2).map(|w| w[0]..w[1]).collect();
    let names = factors.iter().map(|g| g.name.clone()).collect();
    let label = |a: usize| match a {
        _ if a < design.groups => format!("material {a}"),
        _ if a < crossed => format!("surface {a}"),
        _ => format!("covariate {}", a - crossed),
    };
    Statistics::new(&rows, y, names, components, &label, criterion)
}

/// Whether materials, surfaces and `columns` leave nothing of `y`.
pub(super) fn is_explained(design: &Crossed, columns: &Columns, y: &[f64]) -> Result<bool> {
    match statistics(Criterion::Ml, design, &[], columns, y) {
        Ok(_) => Ok(false),
        Err(error) if matches!(error.kind(), ErrorKind::ScatterNotEstimable { .. }) => Ok(true),
        Err(error) => Err(error),
    }
}
