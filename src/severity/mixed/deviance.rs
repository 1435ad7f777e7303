//! The profiled deviance of a linear mixed model, its gradient and its minimum.
//!
//! With variance ratios `γ_j = σ_j²/σ²` and `V = I + Σ γ_j Z_j Z_jᵀ` the criterion is
//! `log|M| + ν log σ² + r²/σ²` (+ ν log 2π), where M is Henderson's matrix of `[Z X]` (REML,
//! ν = n − p) or of Z alone (ML, ν = n), and `r² = yᵀ P y` the penalised residual sum of squares;
//! the best σ² is r²/ν. The trials enter once, through `[Z X]ᵀ[Z X]` and `[Z X]ᵀy`.
//!
//! Derivatives: `∂/∂γ_j = tr(Z_jᵀ P Z_j) − |Z_jᵀ P y|²/σ²` (V⁻¹ for P in the trace under ML).
//! For γ_j > 0 the trace is `Σ (1 − (M⁻¹)_ii)/γ_j`. The metric of the descent is the average
//! information of Gilmour, Thompson & Cullis 1995.
//!
//! Sources: Bates, Mächler, Bolker & Walker 2015, sections 3.2–3.4; Searle, Casella & McCulloch,
//! Variance Components, 1992, chapter 6; Harville 1977 (the first, fixed-point step).

use std::ops::Range;
use std::sync::Arc;

use nalgebra::DMatrix;
use serde::{Deserialize, Serialize};

use crate::error::{ErrorKind, Result};

use super::descent::{Local, Stop, descend};
use super::elimination::{Factor, Plan, Rows, Symmetric};

/// What is maximised.
///
/// ```
/// use surface_severity::severity::{Criterion, mixed::LinearMixedModel};
/// let model = LinearMixedModel::new(vec![1.1, 1.3, 0.2, 0.5, 2.0, 2.1]).intercept().group("day", &[1, 1, 2, 2, 3, 3]);
/// // Maximum likelihood takes the mean as known and finds less variation between three days.
/// let (reml, ml) = (model.fit(Criterion::Reml)?, model.fit(Criterion::Ml)?);
/// assert!(ml.variance("day")? < reml.variance("day")?);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Criterion {
    /// Restricted maximum likelihood: variances are not biased by the number of materials and surfaces.
    /// Under censoring or where times are not log-normal, the adjusted profile likelihood of Cox & Reid
    /// (1987), which is the same thing where both are defined.
    #[default]
    Reml,
    /// Maximum likelihood.
    Ml,
}

/// Sufficient statistics of a linear mixed model.
#[derive(Debug, Clone)]
pub(in crate::severity) struct Problem {
    pub(super) names: Vec<String>,
    /// Columns of each random factor; they come before the fixed ones.
    pub(super) components: Vec<Range<usize>>,
    /// Random columns.
    pub(in crate::severity) q: usize,
    /// Fixed columns.
    pub(super) p: usize,
    pub(super) n: usize,
    pub(super) criterion: Criterion,
    pub(super) w: Symmetric,
    /// `[Z X]ᵀ r`, r the least-squares residuals of the fixed part.
    c: Vec<f64>,
    rr: f64,
    /// Least-squares coefficients that were taken out.
    pub(super) offset: Vec<f64>,
    full: Arc<Plan>,
    random: Option<(Symmetric, Arc<Plan>)>,
}

/// What is held fixed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Pin {
    Nothing,
    /// σ² has this value.
    Residual(f64),
    /// Component j has this variance, positive.
    Component(usize, f64),
    /// Component j is zero.
    Zero(usize),
}

/// Everything at one set of variance ratios.
#[derive(Debug, Clone)]
pub(super) struct State {
    pub(super) gamma: Vec<f64>,
    pub(super) log_determinant: f64,
    pub(super) r2: f64,
    /// Standardised random effects `u = b/√γ`, then the change of the fixed coefficients.
    pub(super) solution: Vec<f64>,
    pub(super) factor: Factor,
    /// `|Z_jᵀ P y|²`.
    pub(super) score: Vec<f64>,
    /// `yᵀ P V_j P V_k P y`, row-major.
    pub(super) average: Vec<f64>,
    /// `tr(Z_jᵀ P Z_j)`, V⁻¹ for P under ML.
    pub(super) trace: Vec<f64>,
}

/// The minimum of the deviance under a pin.
#[derive(Debug, Clone)]
pub(in crate::severity) struct Minimum {
    pub(in crate::severity) sigma2: f64,
    /// Deviance with all its constants.
    pub(in crate::severity) value: f64,
    /// Derivative by the pinned log variance, `ν − r²/σ²` by the envelope theorem.
    pub(super) slope: f64,
    pub(super) state: State,
    pub(super) iterations: u32,
    pub(super) evaluations: u32,
    pub(super) decrement: f64,
}

/// Below this product of ratio and trials per level the trace is taken column by column.
const TINY: f64 = 1e-6;
/// Log variance ratio beyond which the replicates are found not to scatter at all.
const HIGHEST: f64 = 25.0;
/// Log variance ratio below which a component is taken as zero without further question.
const LOWEST: f64 = -60.0;

impl Problem {
    pub(in crate::severity) fn new(
        rows: &Rows,
        y: &[f64],
        names: Vec<String>,
        components: Vec<Range<usize>>,
        fixed_names: &dyn Fn(usize) -> String,
        criterion: Criterion,
    ) -> Result<Self> {
        let q = components.last().map_or(0, |c| c.end);
        let (n, p) = (rows.len(), rows.columns - q);
        if n <= p {
            return Err(ErrorKind::ScatterNotEstimable {
                reason: format!("{n} trials determine {p} fixed coefficients and leave nothing over"),
            }
            .into());
        }
        let w = rows.cross_product(None);
        let full = Arc::new(Plan::new(&w));
        let random = (criterion == Criterion::Ml).then(|| {
            let leading = w.leading(q);
            let plan = Arc::new(Plan::new(&leading));
            (leading, plan)
        });
        let mut problem = Self {
            names,
            components,
            q,
            p,
            n,
            criterion,
            w,
            c: Vec::new(),
            rr: 0.0,
            offset: vec![0.0; p],
            full,
            random,
        };
        problem.take_out_least_squares(rows, y, fixed_names)?;
        Ok(problem)
    }

    /// Takes the fixed part out by least squares, twice, so that everything later works on numbers
    /// of the size of the scatter.
    fn take_out_least_squares(&mut self, rows: &Rows, y: &[f64], name: &dyn Fn(usize) -> String) -> Result<()> {
        let dependent = |column: usize| -> crate::Error {
            ErrorKind::NotEstimable {
                quantity: format!("the coefficient of {}", name(column)),
                reason: "it is a combination of the other fixed columns".into(),
            }
            .into()
        };
        let (scale, ridge) = self.scale_and_ridge(&vec![0.0; self.components.len()], self.q + self.p);
        let q = self.q;
        if let Some(empty) = (q..q + self.p).find(|&i| self.w.diagonal[i] <= 0.0) {
            return Err(dependent(empty - q));
        }
        let factor = self.full.factor(&self.w, &scale, &ridge).ok_or_else(|| dependent(0))?;
        let (pivot, node) = factor.smallest_relative_pivot(|i| if i < q { 1.0 } else { self.w.diagonal[i] });
        if pivot < 1e-11 {
            return Err(dependent(node.saturating_sub(q)));
        }
        let spread = y.iter().fold(0.0, |a: f64, v| a.max(v.abs()));
        let mut residual = y.to_vec();
        for _ in 0..3 {
            let mut right = rows.transposed_times(&residual);
            right[..q].fill(0.0);
            let step = factor.solve(&right);
            for (offset, d) in self.offset.iter_mut().zip(&step[q..]) {
                *offset += d;
            }
            for (r, d) in residual.iter_mut().zip(rows.times(&step)) {
                *r -= d;
            }
        }
        self.c = rows.transposed_times(&residual);
        self.c[q..].fill(0.0);
        self.rr = residual.iter().map(|r| r * r).sum();
        #[allow(clippy::cast_precision_loss)]
        let floor = self.n as f64 * (1e-13 * spread.max(f64::MIN_POSITIVE)).powi(2);
        if self.rr <= floor {
            return Err(crate::severity::scale::no_scatter());
        }
        Ok(())
    }

    pub(super) fn len(&self) -> usize {
        self.components.len()
    }

    /// ν: n − p for REML, n for ML.
    #[allow(clippy::cast_precision_loss)]
    pub(super) fn nu(&self) -> f64 {
        match self.criterion {
            Criterion::Reml => (self.n - self.p) as f64,
            Criterion::Ml => self.n as f64,
        }
    }

    /// Trials per level of component j, weighted by trials.
    pub(super) fn replication(&self, j: usize) -> f64 {
        let diagonal = &self.w.diagonal[self.components[j].clone()];
        let (sum, squares) = diagonal.iter().fold((0.0, 0.0), |(a, b), d| (a + d, b + d * d));
        squares / sum
    }

    /// Trials at column i.
    pub(super) fn trials_at(&self, i: usize) -> f64 {
        self.w.diagonal[i]
    }

    pub(super) fn scale_and_ridge(&self, gamma: &[f64], columns: usize) -> (Vec<f64>, Vec<f64>) {
        let mut scale = vec![1.0; columns];
        let mut ridge = vec![0.0; columns];
        for (range, g) in self.components.iter().zip(gamma) {
            scale[range.clone()].fill(g.sqrt());
            ridge[range.clone()].fill(1.0);
        }
        (scale, ridge)
    }

    /// The random-only factor under ML.
    pub(super) fn random_factor(&self, gamma: &[f64]) -> Option<Factor> {
        let (leading, plan) = self.random.as_ref()?;
        let (scale, ridge) = self.scale_and_ridge(gamma, self.q);
        plan.factor(leading, &scale, &ridge)
    }

    pub(super) fn state(&self, gamma: &[f64]) -> Option<State> {
        let k = self.len();
        let columns = self.q + self.p;
        let (scale, ridge) = self.scale_and_ridge(gamma, columns);
        let factor = self.full.factor(&self.w, &scale, &ridge)?;
        let right: Vec<f64> = self.c.iter().zip(&scale).map(|(c, s)| c * s).collect();
        let solution = factor.solve(&right);
        let r2 = self.rr - right.iter().zip(&solution).map(|(a, b)| a * b).sum::<f64>();
        if r2.is_nan() || r2 <= 0.0 {
            return None;
        }
        // Zᵀ P y = Zᵀ(y − [Z X](b, β)).
        let scaled: Vec<f64> = solution.iter().zip(&scale).map(|(x, s)| x * s).collect();
        let fitted = self.w.times(&scaled);
        let projected: Vec<f64> = (0..self.q).map(|i| self.c[i] - fitted[i]).collect();
        let score: Vec<f64> =
            self.components.iter().map(|r| projected[r.clone()].iter().map(|v| v * v).sum()).collect();
        let mut average = vec![0.0; k * k];
        let mut images: Vec<(Vec<f64>, Vec<f64>)> = Vec::with_capacity(k);
        for range in &self.components {
            let mut v = vec![0.0; columns];
            v[range.clone()].copy_from_slice(&projected[range.clone()]);
            images.push((self.w.times(&v), v));
        }
        let mut solved: Vec<Vec<f64>> = Vec::with_capacity(k);
        for a in 0..k {
            let right: Vec<f64> = images[a].0.iter().zip(&scale).map(|(x, s)| x * s).collect();
            let solution = factor.solve(&right);
            solved.push(solution);
            for b in 0..=a {
                let plain: f64 = images[a].0.iter().zip(&images[b].1).map(|(x, y)| x * y).sum();
                let taken: f64 = (0..columns).map(|i| solved[a][i] * scale[i] * images[b].0[i]).sum();
                average[a * k + b] = plain - taken;
                average[b * k + a] = plain - taken;
            }
        }
        let (log_determinant, trace) = match self.criterion {
            Criterion::Reml => (factor.log_determinant(), self.traces(&factor, gamma, &scale, None)),
            Criterion::Ml => {
                let random = self.random_factor(gamma)?;
                let trace = self.traces(&random, gamma, &scale[..self.q], self.random.as_ref().map(|r| &r.0));
                (random.log_determinant(), trace)
            }
        };
        Some(State { gamma: gamma.to_vec(), log_determinant, r2, solution, factor, score, average, trace })
    }

    fn traces(&self, factor: &Factor, gamma: &[f64], scale: &[f64], matrix: Option<&Symmetric>) -> Vec<f64> {
        let matrix = matrix.unwrap_or(&self.w);
        let selected = factor.selected_inverse();
        self.components
            .iter()
            .zip(gamma)
            .map(|(range, &g)| {
                let largest = self.w.diagonal[range.clone()].iter().fold(0.0, |a: f64, d| a.max(*d));
                if g * largest > TINY {
                    return range.clone().map(|i| 1.0 - selected.diagonal(i)).sum::<f64>() / g;
                }
                range
                    .clone()
                    .map(|i| {
                        let own = std::iter::once((i, matrix.diagonal[i]));
                        let column: Vec<(usize, f64)> =
                            own.chain(matrix.row(i)).map(|(j, w)| (j, w * scale[j])).filter(|c| c.1 != 0.0).collect();
                        matrix.diagonal[i] - factor.quadratic_form(&selected, &column)
                    })
                    .sum()
            })
            .collect()
    }

    /// Refuses components that the fixed part already explains.
    fn check_identified(&self, equal: &State) -> Result<()> {
        let freedom = match self.criterion {
            Criterion::Reml => equal.trace.clone(),
            Criterion::Ml => {
                let selected = equal.factor.selected_inverse();
                self.components.iter().map(|r| r.clone().map(|i| 1.0 - selected.diagonal(i)).sum()).collect()
            }
        };
        for (freedom, name) in freedom.iter().zip(&self.names) {
            if *freedom <= 1e-9 {
                return Err(taken_up(name));
            }
        }
        Ok(())
    }

    fn constant(&self) -> f64 {
        self.nu() * libm::log(2.0 * std::f64::consts::PI)
    }

    /// Value, gradient and metric in `φ_j = log γ_j` of the free components.
    fn local(&self, pin: Pin, free: &[usize], phi: &[f64]) -> Option<Local<State>> {
        let nu = self.nu();
        let mut gamma = vec![0.0; self.len()];
        for (&j, &x) in free.iter().zip(phi) {
            gamma[j] = libm::exp(x);
        }
        let state = self.state(&gamma)?;
        let log_sigma2 = log_sigma2(pin, &gamma, state.r2, nu);
        let sigma2 = libm::exp(log_sigma2);
        let ratio = state.r2 / sigma2;
        let value = state.log_determinant + nu * log_sigma2 + ratio + self.constant();
        let k = self.len();
        let m = free.len();
        let mut gradient: Vec<f64> =
            free.iter().map(|&j| gamma[j] * (state.trace[j] - state.score[j] / sigma2)).collect();
        let mut metric = DMatrix::zeros(m, m);
        let cross: Vec<f64> = free.iter().map(|&j| gamma[j] * state.score[j] / sigma2).collect();
        for (a, &j) in free.iter().enumerate() {
            for (b, &l) in free.iter().enumerate() {
                metric[(a, b)] = gamma[j] * gamma[l] * state.average[j * k + l] / sigma2;
            }
        }
        match pin {
            Pin::Nothing | Pin::Zero(_) => {
                for a in 0..m {
                    for b in 0..m {
                        metric[(a, b)] -= cross[a] * cross[b] / ratio;
                    }
                }
            }
            Pin::Residual(_) => {}
            // log σ² = log v − φ_j moves along.
            Pin::Component(j, _) => {
                let at = free.iter().position(|&f| f == j)?;
                gradient[at] -= nu - ratio;
                for b in 0..m {
                    metric[(at, b)] -= cross[b];
                    metric[(b, at)] -= cross[b];
                }
                metric[(at, at)] += ratio;
            }
        }
        // The exact Hessian adds γ_j ∂/∂γ_j on the diagonal; its positive part keeps steps short far out.
        for (a, &j) in free.iter().enumerate() {
            metric[(a, a)] += (gamma[j] * (state.trace[j] - state.score[j] / sigma2)).max(0.0);
        }
        Some(Local { value, gradient, metric, payload: state })
    }

    /// Derivative by γ_j at a state where γ_j is zero, relative to its noise-free size.
    fn slope_at_zero(&self, state: &State, j: usize, sigma2: f64) -> f64 {
        (state.trace[j] - state.score[j] / sigma2) / state.trace[j].max(f64::MIN_POSITIVE)
    }

    /// A good start: one fixed-point step of Harville from equal variances.
    ///
    /// # Errors
    /// `NotEstimable` for a component that the fixed part explains.
    pub(super) fn start(&self) -> Result<Vec<f64>> {
        let state = self.state(&vec![1.0; self.len()]).ok_or_else(|| {
            crate::Error::from(ErrorKind::NotConverged {
                stage: "the mixed model".into(),
                iterations: 0,
                gradient_norm: f64::MAX,
            })
        })?;
        self.check_identified(&state)?;
        let sigma2 = state.r2 / self.nu();
        Ok(state.score.iter().zip(&state.trace).map(|(s, t)| (s / (sigma2 * t)).clamp(1e-4, 1e4)).collect())
    }

    /// Minimises the deviance under `pin`, from `start`.
    pub(super) fn minimise(&self, pin: Pin, start: &[f64]) -> Result<Minimum> {
        let k = self.len();
        let nu = self.nu();
        let mut phi: Vec<f64> = start.iter().map(|&g| if g > 0.0 { libm::log(g) } else { f64::NEG_INFINITY }).collect();
        let mut floor: Vec<f64> = (0..k).map(|j| libm::log(0.02 / self.replication(j))).collect();
        if let Pin::Component(j, v) = pin {
            floor[j] = f64::NEG_INFINITY;
            if !phi[j].is_finite() {
                let others: f64 = (0..k).filter(|&l| l != j && phi[l].is_finite()).map(|l| libm::exp(phi[l])).sum();
                phi[j] = libm::log(v) - libm::log(self.rr / nu / (1.0 + others));
            }
        }
        if let Pin::Zero(j) = pin {
            phi[j] = f64::NEG_INFINITY;
        }
        let mut released = vec![false; k];
        let (mut iterations, mut evaluations) = (0, 0);
        for _ in 0..50 {
            let free: Vec<usize> = (0..k).filter(|&j| phi[j].is_finite()).collect();
            let begin: Vec<f64> = free.iter().map(|&j| phi[j].max(floor[j])).collect();
            let low: Vec<f64> = free.iter().map(|&j| floor[j]).collect();
            let descent =
                descend(&begin, &low, &vec![2.5; free.len()], |x| self.local(pin, &free, x)).map_err(|stuck| {
                    if pin == Pin::Nothing && stuck.x.iter().any(|&x| x > HIGHEST) {
                        return explained();
                    }
                    crate::Error::from(ErrorKind::NotConverged {
                        stage: "the mixed model".into(),
                        iterations: stuck.iterations,
                        gradient_norm: stuck.decrement,
                    })
                })?;
            if pin == Pin::Nothing && descent.x.iter().any(|&x| x > HIGHEST) {
                return Err(explained());
            }
            iterations += descent.iterations;
            evaluations += descent.evaluations;
            for (&j, &x) in free.iter().zip(&descent.x) {
                phi[j] = x;
            }
            match descent.stop {
                Stop::Floor(at) => {
                    let j = free[at];
                    let kept = phi[j];
                    phi[j] = f64::NEG_INFINITY;
                    if kept > LOWEST {
                        let gamma: Vec<f64> = phi.iter().map(|&x| libm::exp(x)).collect();
                        evaluations += 1;
                        let falls = self.state(&gamma).is_none_or(|state| {
                            let sigma2 = libm::exp(log_sigma2(pin, &gamma, state.r2, nu));
                            self.slope_at_zero(&state, j, sigma2) < -1e-10
                        });
                        if falls {
                            phi[j] = kept;
                            floor[j] = LOWEST;
                        }
                    }
                }
                Stop::Converged => {
                    // A component that slid on towards zero all the same is zero.
                    let vanished = (0..k).find(|&j| {
                        phi[j].is_finite()
                            && !matches!(pin, Pin::Component(pinned, _) if pinned == j)
                            && phi[j] < libm::log(1e-9 / self.replication(j))
                    });
                    if let Some(j) = vanished {
                        phi[j] = f64::NEG_INFINITY;
                        released[j] = true;
                        continue;
                    }
                    let state = descent.local.payload;
                    let log_sigma2 = log_sigma2(pin, &state.gamma, state.r2, nu);
                    let sigma2 = libm::exp(log_sigma2);
                    let wrong = (0..k).find(|&j| {
                        !phi[j].is_finite()
                            && pin != Pin::Zero(j)
                            && !released[j]
                            && self.slope_at_zero(&state, j, sigma2) < -1e-10
                    });
                    if let Some(j) = wrong {
                        released[j] = true;
                        phi[j] = floor[j].max(LOWEST + 1.0);
                        floor[j] = LOWEST;
                        continue;
                    }
                    return Ok(Minimum {
                        sigma2,
                        value: descent.local.value,
                        slope: nu - state.r2 / sigma2,
                        state,
                        iterations,
                        evaluations,
                        decrement: descent.decrement,
                    });
                }
            }
        }
        Err(ErrorKind::NotConverged { stage: "the mixed model".into(), iterations, gradient_norm: f64::MAX }.into())
    }

    /// `tr(P V_j P V_k)` (V⁻¹ for P under ML) for the components with positive ratio, row-major; `None` where that
    /// takes a large inverse.
    pub(super) fn exact_information(&self, state: &State) -> Option<Vec<f64>> {
        let k = self.len();
        if self.q + self.p > DENSE_LIMIT {
            return None;
        }
        let random;
        let factor = match self.criterion {
            Criterion::Reml => &state.factor,
            Criterion::Ml => {
                random = self.random_factor(&state.gamma)?;
                &random
            }
        };
        let inverse = factor.inverse();
        let at: Vec<usize> = (0..self.q).map(|i| factor.position(i)).collect();
        let mut information = vec![0.0; k * k];
        for a in 0..k {
            for b in 0..=a {
                let (ga, gb) = (state.gamma[a], state.gamma[b]);
                if ga <= 0.0 || gb <= 0.0 {
                    continue;
                }
                let mut sum = 0.0;
                for c in self.components[b].clone() {
                    for r in self.components[a].clone() {
                        let v = f64::from(u8::from(r == c)) - inverse[(at[r], at[c])];
                        sum += v * v;
                    }
                }
                information[a * k + b] = sum / (ga * gb);
                information[b * k + a] = sum / (ga * gb);
            }
        }
        Some(information)
    }

    /// Hessian of the deviance in (γ of the positive components, log σ²) at a minimum, row-major.
    pub(super) fn hessian(
        &self,
        minimum: &Minimum,
        positive: &[usize],
        information: Option<&[f64]>,
    ) -> Option<DMatrix<f64>> {
        let (k, m) = (self.len(), positive.len());
        let (state, sigma2) = (&minimum.state, minimum.sigma2);
        let mut hessian = DMatrix::zeros(m + 1, m + 1);
        if let Some(information) = information {
            for (a, &j) in positive.iter().enumerate() {
                for (b, &l) in positive.iter().enumerate() {
                    hessian[(a, b)] = 2.0 * state.average[j * k + l] / sigma2 - information[j * k + l];
                }
            }
        } else {
            self.differenced(minimum, positive, &mut hessian)?;
        }
        for (a, &j) in positive.iter().enumerate() {
            hessian[(a, m)] = state.score[j] / sigma2;
            hessian[(m, a)] = state.score[j] / sigma2;
        }
        hessian[(m, m)] = state.r2 / sigma2;
        Some(hessian)
    }

    /// The block of γ by Richardson-extrapolated central differences of the exact gradient.
    pub(super) fn differenced(&self, minimum: &Minimum, positive: &[usize], hessian: &mut DMatrix<f64>) -> Option<()> {
        let gamma = &minimum.state.gamma;
        let gradient = |at: usize, factor: f64| -> Option<Vec<f64>> {
            let mut moved = gamma.clone();
            moved[at] *= factor;
            let state = self.state(&moved)?;
            Some(positive.iter().map(|&l| state.trace[l] - state.score[l] / minimum.sigma2).collect())
        };
        for (a, &j) in positive.iter().enumerate() {
            let difference = |h: f64| -> Option<Vec<f64>> {
                let (up, down) = (gradient(j, 1.0 + h)?, gradient(j, 1.0 - h)?);
                Some(up.iter().zip(&down).map(|(u, d)| (u - d) / (2.0 * h * gamma[j])).collect())
            };
            let (coarse, fine) = (difference(2e-3)?, difference(1e-3)?);
            for b in 0..positive.len() {
                hessian[(a, b)] = (4.0 * fine[b] - coarse[b]) / 3.0;
            }
        }
        for a in 0..positive.len() {
            for b in 0..a {
                let mean = 0.5 * (hessian[(a, b)] + hessian[(b, a)]);
                hessian[(a, b)] = mean;
                hessian[(b, a)] = mean;
            }
        }
        Some(())
    }
}

/// Up to this many unknowns the whole inverse is formed once for the exact Hessian.
const DENSE_LIMIT: usize = 2500;

/// The fixed effects leave nothing of a grouping.
pub(super) fn taken_up(name: &str) -> crate::Error {
    ErrorKind::NotEstimable {
        quantity: format!("the variance of {name}"),
        reason: "its levels coincide with fixed effects (for instance one day per surface), which take up all their \
                 differences; leave it out, or repeat surfaces on several days"
            .into(),
    }
    .into()
}

/// Fixed and random effects reproduce every time.
pub(super) fn explained() -> crate::Error {
    ErrorKind::ScatterNotEstimable {
        reason: "materials, surfaces and random effects reproduce the exact times, and nothing is left over; ask for \
                 fewer groupings, or repeat trials within them"
            .into(),
    }
    .into()
}

fn log_sigma2(pin: Pin, gamma: &[f64], r2: f64, nu: f64) -> f64 {
    match pin {
        Pin::Nothing | Pin::Zero(_) => libm::log(r2 / nu),
        Pin::Residual(v) => libm::log(v),
        Pin::Component(j, v) => libm::log(v) - libm::log(gamma[j]),
    }
}

#[cfg(test)]
#[path = "deviance_tests.rs"]
mod tests;
