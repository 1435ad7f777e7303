//! Cell medians adjusted for the conditions of a fit, with their covariance.
//!
//! With a location of its own for every cell c and the random effects u of day, run and belt,
//! `log T = β_c + u(trial) + σ W`, `u ~ N(0, τ_g²)` for each grouping g; σ and τ as the severity fit has them. β̂ and û
//! maximise `Σ log f − ½ Σ u²/τ²`, concave in both: for exact log-normal times one step, and the generalised least
//! squares estimate; otherwise Newton's method, damped. With w the information of a trial on its location, `W_c = Σ w`
//! over the cell and `b_c(l)` the share of W_c on level l, the covariance of β̂ is
//!
//! `Cov(β̂_a, β̂_b) = δ_ab/W_a + b_aᵀ S⁻¹ b_b`,  S the information on u with β eliminated (Henderson 1975).

use nalgebra::{DMatrix, DVector};

use crate::campaign::Campaign;
use crate::error::{ErrorKind, Result};

use super::cells::Crossed;
use super::conditions::Conditions;
use super::distribution::Distribution;
use super::newton::contribution;
use super::plan::Grouping;

/// Locations β of the blocks of a design.
#[derive(Debug, Clone)]
pub(super) struct Adjusted {
    pub(super) location: Vec<f64>,
    /// 1/W.
    pub(super) own: Vec<f64>,
    /// Row of a block times that of another is the rest of their covariance.
    pub(super) loadings: Vec<Vec<f64>>,
}

/// What a fit says of the scatter: σ, and the variance of each condition.
#[derive(Debug, Clone, Copy)]
pub(super) struct Scatter<'a> {
    pub(super) distribution: Distribution,
    pub(super) sigma: f64,
    pub(super) conditions: &'a [(Grouping, f64)],
}

const STEPS: u32 = 100;
const HALVINGS: u32 = 40;

struct Problem<'a> {
    design: &'a Crossed,
    /// Levels of each trial, numbered through all groupings.
    levels: Vec<Vec<usize>>,
    /// 1/τ² of each level.
    penalty: Vec<f64>,
    scatter: Scatter<'a>,
}

/// Scores and information at a point, β eliminated.
struct System {
    objective: f64,
    score: Vec<f64>,
    weight: Vec<f64>,
    /// Σ w of a block on each of its levels.
    on_level: Vec<Vec<(usize, f64)>>,
    reduced_score: DVector<f64>,
    reduced: DMatrix<f64>,
}

impl Adjusted {
    /// `design`: a group for every block; `trials`: of its rows, in the campaign.
    pub(super) fn fit(campaign: &Campaign, design: &Crossed, trials: &[usize], scatter: Scatter<'_>) -> Result<Self> {
        let mut levels = vec![Vec::new(); trials.len()];
        let mut penalty = Vec::new();
        let (groupings, variances): (Vec<Grouping>, Vec<f64>) =
            scatter.conditions.iter().filter(|c| c.1 > 0.0).cloned().unzip();
        let conditions = Conditions::levels(&groupings, false, campaign, trials)?;
        for (factor, variance) in conditions.factors.iter().zip(variances) {
            let first = penalty.len();
            penalty.extend(std::iter::repeat_n(1.0 / variance, factor.levels.len()));
            for (own, level) in levels.iter_mut().zip(&factor.level) {
                own.extend(level.map(|l| first + l));
            }
        }
        let problem = Problem { design, levels, penalty, scatter };
        let (beta, system) = problem.maximise()?;
        let loadings = if problem.penalty.is_empty() {
            vec![Vec::new(); beta.len()]
        } else {
            // S = L Lᵀ: the rows L⁻¹ b.
            let factor = system.reduced.clone().cholesky().ok_or_else(singular)?;
            let lower = factor.l();
            let row = |(on, w): (&Vec<(usize, f64)>, &f64)| {
                let mut b = DVector::zeros(problem.penalty.len());
                for &(level, sum) in on {
                    b[level] += sum / w;
                }
                lower.solve_lower_triangular(&b).map(|v| v.as_slice().to_vec()).ok_or_else(singular)
            };
            system.on_level.iter().zip(&system.weight).map(row).collect::<Result<_>>()?
        };
        Ok(Self { location: beta, own: system.weight.iter().map(|w| 1.0 / w).collect(), loadings })
    }
}

impl Problem<'_> {
    fn maximise(&self) -> Result<(Vec<f64>, System)> {
        let mean = |b: &super::cells::Block| {
            let times = &self.design.times[b.start..b.end];
            #[allow(clippy::cast_precision_loss)]
            let n = times.len() as f64;
            times.iter().map(|t| t.middle()).sum::<f64>() / n
        };
        let mut beta: Vec<f64> = self.design.blocks.iter().map(mean).collect();
        let mut u = vec![0.0; self.penalty.len()];
        let mut system = self.system(&beta, &u);
        for _ in 0..STEPS {
            let step = if u.is_empty() {
                DVector::zeros(0)
            } else {
                let factor = system.reduced.clone().cholesky().ok_or_else(singular)?;
                factor.solve(&system.reduced_score)
            };
            let own: Vec<f64> = (0..beta.len())
                .map(|c| {
                    let moved: f64 = system.on_level[c].iter().map(|&(l, w)| w * step[l]).sum();
                    (system.score[c] - moved) / system.weight[c]
                })
                .collect();
            let decrement = own.iter().zip(&system.score).map(|(d, g)| d * g).sum::<f64>() / 2.0
                + step.iter().zip(system.reduced_score.iter()).map(|(d, g)| d * g).sum::<f64>() / 2.0;
            let mut share = 1.0;
            let mut halvings = 0;
            loop {
                let b: Vec<f64> = beta.iter().zip(&own).map(|(b, d)| b + share * d).collect();
                let v: Vec<f64> = u.iter().zip(step.iter()).map(|(u, d)| u + share * d).collect();
                let next = self.system(&b, &v);
                if next.objective >= system.objective - 1e-12 * system.objective.abs() {
                    (beta, u, system) = (b, v, next);
                    break;
                }
                share *= 0.5;
                halvings += 1;
                if halvings > HALVINGS {
                    return Err(not_converged(decrement));
                }
            }
            if decrement.abs() < 1e-18 * (1.0 + system.objective.abs()) {
                return Ok((beta, system));
            }
        }
        // Rounding keeps the last steps from 0 where times span many powers of ten; they are far below a standard error.
        let left: f64 = system.score.iter().zip(&system.weight).map(|(g, w)| g * g / w).sum();
        if left < 1e-12 { Ok((beta, system)) } else { Err(not_converged(left)) }
    }

    fn system(&self, beta: &[f64], u: &[f64]) -> System {
        let lambda = 1.0 / self.scatter.sigma;
        let q = u.len();
        let mut objective = -0.5 * u.iter().zip(&self.penalty).map(|(u, p)| p * u * u).sum::<f64>();
        let mut reduced = DMatrix::from_diagonal(&DVector::from_column_slice(&self.penalty));
        let mut reduced_score = DVector::from_iterator(q, u.iter().zip(&self.penalty).map(|(u, p)| -p * u));
        let (mut score, mut weight, mut on_level) = (Vec::new(), Vec::new(), Vec::new());
        for (c, block) in self.design.blocks.iter().enumerate() {
            let (mut g, mut w) = (0.0, 0.0);
            let mut on: Vec<(usize, f64)> = Vec::new();
            for i in block.start..block.end {
                let shift: f64 = self.levels[i].iter().map(|&l| u[l]).sum();
                let of =
                    contribution(self.scatter.distribution, self.design.times[i], (beta[c] + shift) * lambda, lambda);
                let times = self.design.weights.as_ref().map_or(1.0, |w| w[i]);
                objective += times * of.value;
                let (slope, information) = (times * of.d_eta * lambda, times * of.i_eta * lambda * lambda);
                g += slope;
                w += information;
                for (at, &a) in self.levels[i].iter().enumerate() {
                    reduced_score[a] += slope;
                    match on.iter_mut().find(|(l, _)| *l == a) {
                        Some((_, sum)) => *sum += information,
                        None => on.push((a, information)),
                    }
                    reduced[(a, a)] += information;
                    for &b in &self.levels[i][..at] {
                        reduced[(a, b)] += information;
                        reduced[(b, a)] += information;
                    }
                }
            }
            // A trial so far in a tail that it says nothing more.
            let w = w.max(f64::MIN_POSITIVE);
            for &(a, wa) in &on {
                reduced_score[a] -= wa * g / w;
                for &(b, wb) in &on {
                    reduced[(a, b)] -= wa * wb / w;
                }
            }
            score.push(g);
            weight.push(w);
            on_level.push(on);
        }
        System { objective, score, weight, on_level, reduced_score, reduced }
    }
}

fn singular() -> crate::Error {
    ErrorKind::NotEstimable {
        quantity: "cell medians adjusted for shared conditions".into(),
        reason: "the information on the conditions is singular".into(),
    }
    .into()
}

fn not_converged(decrement: f64) -> crate::Error {
    ErrorKind::NotConverged {
        stage: "cell medians adjusted for shared conditions".into(),
        iterations: STEPS,
        gradient_norm: decrement,
    }
    .into()
}
