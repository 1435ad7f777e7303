//! The marginal likelihood of censored times with random intercepts.
//!
//! `log T_i = x_iᵀβ + Σ_j τ_j u_{j,level(i)} + σ W_i`, u standard normal. Given u the log-likelihood
//! is concave in location, so the mode û of each set of effects is found by Newton's method. Then
//!
//! - several factors: Laplace's approximation `ℓ(û) − ½|û|² − ½ log|M|`, M the negative Hessian;
//! - one factor: adaptive Gauss–Hermite quadrature per level about its mode and curvature (Liu &
//!   Pierce 1994; Pinheiro & Bates 1995); one node is Laplace's approximation.
//!
//! Gradients are exact, with the movement of mode and curvature by implicit differentiation
//! (Skaug & Fournier 2006).
//!
//! *Restricted.* The fixed coefficients join the random effects, without a prior of their own, and all
//! are integrated out together: the log-likelihood at β̂(σ, τ) less `½ log|I_ββ|`, the adjusted profile
//! likelihood of Cox & Reid (1987). For exact log-normal times it is the restricted likelihood. With
//! quadrature, `log L − log L_Laplace` at β̂(σ, τ) is added, so that `log L` itself is the quadrature's.

use super::contribution::{Slopes, slopes};
use super::elimination::{Factor, Plan, Products, Rows, Selected, Symmetric};
use super::hermite::Hermite;
use crate::error::ErrorKind;
use crate::numeric::special::LN_SQRT_2PI;
use crate::severity::distribution::Distribution;
use crate::severity::newton::LogTime;
use nalgebra::DMatrix;
use std::collections::BTreeMap;
use std::ops::Range;
use std::sync::Arc;

/// Data of a censored model with random intercepts.
#[derive(Debug, Clone)]
pub(in crate::severity) struct Marginal {
    pub(super) distribution: Distribution,
    /// Trials of the same columns lie together: those of row i are `times[start[i]..start[i + 1]]`.
    pub(super) times: Vec<LogTime>,
    start: Vec<usize>,
    /// Fixed columns.
    pub(super) x: Rows,
    /// Random columns, indicators.
    pub(super) z: Rows,
    products: Products,
    /// Places in the inverse of every two entries of each row of z, the second not before the first.
    places: Vec<Option<usize>>,
    pub(super) names: Vec<String>,
    pub(super) components: Vec<Range<usize>>,
    /// One node: Laplace.
    pub(super) rule: Hermite,
    plan: Arc<Plan>,
    /// Component of each random column.
    owner: Vec<usize>,
    /// Trials of each random column.
    pub(super) trials: Vec<usize>,
    /// Prior precision of each column of z: 1, or 0 for the fixed ones of a restricted likelihood.
    ridge: Vec<f64>,
    /// Modes to begin with.
    pub(super) begin: Vec<f64>,
    /// What a restricted likelihood restricts, where that takes quadrature.
    whole: Option<Box<Marginal>>,
}

/// β, log σ, and log τ of each component (−∞ where the component is zero).
#[derive(Debug, Clone, PartialEq)]
pub(in crate::severity) struct Parameters {
    pub(super) beta: Vec<f64>,
    pub(super) log_sigma: f64,
    pub(super) log_tau: Vec<f64>,
}

/// What a profile holds fixed.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Hold {
    Nothing,
    /// σ and every τ.
    Scales,
    LogSigma,
    LogTau(usize),
    Zero(usize),
}

/// At one set of parameters: modes, the joint factor, and the derivatives of the log-likelihood.
#[derive(Debug, Clone)]
pub(super) struct Evaluated {
    pub(super) log_likelihood: f64,
    pub(super) modes: Vec<f64>,
    pub(super) factor: Factor,
    /// By β, log σ, log τ.
    pub(super) gradient: Vec<f64>,
    /// Approximate information of the same.
    pub(super) information: DMatrix<f64>,
    /// `M⁻¹ R`, R the joint information of (u; β, log σ).
    pub(super) carried: Vec<Vec<f64>>,
}

/// What a gradient takes.
struct Climb {
    log_likelihood: f64,
    gradient: Vec<f64>,
    modes: Vec<f64>,
    /// Factors of the columns of z.
    scale: Vec<f64>,
    factor: Factor,
    selected: Selected,
    terms: Vec<Slopes>,
}

/// Quadrature less Laplace's approximation at given fixed coefficients, with its derivatives.
struct Gap {
    value: f64,
    by_beta: Vec<f64>,
    /// log σ, log τ.
    by_scales: Vec<f64>,
}

#[derive(Debug, Clone)]
pub(super) struct Best {
    pub(super) parameters: Parameters,
    pub(super) at: Evaluated,
    /// Derivative of the log-likelihood by what is held.
    pub(super) slope: f64,
    pub(super) iterations: u32,
    pub(super) evaluations: u32,
    pub(super) decrement: f64,
}

const INNER_ITERATIONS: u32 = 200;
/// Owner of a column without a variance.
const FLAT: usize = usize::MAX;
/// Fall of log σ from its start (the scatter without random effects) that means no scatter is left.
pub(super) const COLLAPSED: f64 = 7.0;
/// Rise of log σ or log τ above it that means nothing limits the scatter.
const RAN_AWAY: f64 = 7.0;
/// Log of τ √replication/σ below which a component is put to the test of being zero.
pub(super) const LOW: f64 = -2.0;

impl Marginal {
    /// `x` and `z`: a row for each of `times`.
    pub(super) fn new(
        distribution: Distribution,
        times: &[LogTime],
        x: &Rows,
        z: &Rows,
        names: Vec<String>,
        components: Vec<Range<usize>>,
        nodes: usize,
    ) -> Self {
        let mut known: BTreeMap<Vec<(usize, u64)>, usize> = BTreeMap::new();
        let mut trials: Vec<Vec<usize>> = Vec::new();
        for i in 0..times.len() {
            let own = x.row(i).map(|(a, v)| (a, v.to_bits()));
            let key = own.chain(z.row(i).map(|(a, v)| (x.columns + a, v.to_bits()))).collect();
            let row = *known.entry(key).or_insert(trials.len());
            if row == trials.len() {
                trials.push(Vec::new());
            }
            trials[row].push(i);
        }
        let (mut one_x, mut one_z) = (Rows::new(x.columns), Rows::new(z.columns));
        let (mut sorted, mut start) = (Vec::with_capacity(times.len()), vec![0]);
        for of in &trials {
            one_x.push(x.row(of[0]));
            one_z.push(z.row(of[0]));
            sorted.extend(of.iter().map(|&i| times[i]));
            start.push(sorted.len());
        }
        Self::of_rows(distribution, (sorted, start), one_x, one_z, names, components, nodes)
    }

    fn of_rows(
        distribution: Distribution,
        (times, start): (Vec<LogTime>, Vec<usize>),
        x: Rows,
        z: Rows,
        names: Vec<String>,
        components: Vec<Range<usize>>,
        nodes: usize,
    ) -> Self {
        let mut owner = vec![0; z.columns];
        for (j, range) in components.iter().enumerate() {
            owner[range.clone()].fill(j);
        }
        let mut trials = vec![0; z.columns];
        for i in 0..z.len() {
            for (column, _) in z.row(i) {
                trials[column] += start[i + 1] - start[i];
            }
        }
        let plan = Arc::new(Plan::new(&z.cross_product(None)));
        let mut places = Vec::new();
        for i in 0..z.len() {
            for (at, (a, _)) in z.row(i).enumerate() {
                places.extend(z.row(i).skip(at).map(|(b, _)| plan.place(a, b)));
            }
        }
        let products = Products::new(&z);
        let (ridge, begin) = (vec![1.0; z.columns], vec![0.0; z.columns]);
        let rule = Hermite::new(nodes);
        Self {
            distribution,
            times,
            start,
            x,
            z,
            products,
            places,
            names,
            components,
            rule,
            plan,
            owner,
            trials,
            ridge,
            begin,
            whole: None,
        }
    }

    /// Trials of a row.
    #[allow(clippy::cast_precision_loss)]
    pub(super) fn count(&self, row: usize) -> f64 {
        (self.start[row + 1] - self.start[row]) as f64
    }

    /// The restricted likelihood: its columns z are those of z and then of x, its only parameters log σ
    /// and log τ. `beta` are coefficients to begin with.
    pub(super) fn restricted(&self, beta: &[f64]) -> Self {
        let q = self.z.columns;
        let mut rows = Rows::new(q + self.x.columns);
        let mut none = Rows::new(0);
        for i in 0..self.z.len() {
            rows.push(self.z.row(i).chain(self.x.row(i).map(|(a, x)| (q + a, x))));
            none.push(std::iter::empty());
        }
        let mut joint = Self::of_rows(
            self.distribution,
            (self.times.clone(), self.start.clone()),
            none,
            rows,
            self.names.clone(),
            self.components.clone(),
            1,
        );
        joint.owner[q..].fill(FLAT);
        joint.ridge[q..].fill(0.0);
        joint.begin[q..].copy_from_slice(beta);
        joint.whole = (self.rule.node.len() > 1).then(|| Box::new(self.clone()));
        joint
    }

    /// Modes of the random effects and, last, the fixed coefficients of a restricted likelihood.
    pub(super) fn split<'a>(&self, modes: &'a [f64]) -> (&'a [f64], &'a [f64]) {
        modes.split_at(self.owner.partition_point(|&j| j != FLAT))
    }

    pub(super) fn len(&self) -> usize {
        self.components.len()
    }

    fn tau(&self, parameters: &Parameters) -> Vec<f64> {
        self.owner.iter().map(|&j| if j == FLAT { 1.0 } else { libm::exp(parameters.log_tau[j]) }).collect()
    }

    /// Of the trials of row i together.
    pub(super) fn slopes(&self, i: usize, location: f64, log_sigma: f64) -> Slopes {
        let times = &self.times[self.start[i]..self.start[i + 1]];
        times.iter().map(|&t| slopes(self.distribution, t, location, log_sigma)).fold(Slopes::default(), Slopes::plus)
    }

    /// Of every row, at these locations without and with random effects.
    fn all_slopes(&self, base: &[f64], shift: &[f64], log_sigma: f64) -> Vec<Slopes> {
        base.iter().zip(shift).enumerate().map(|(i, (b, s))| self.slopes(i, b + s, log_sigma)).collect()
    }

    /// Modes of the standardised random effects, from `start`.
    fn modes(&self, parameters: &Parameters, scale: &[f64], start: &[f64]) -> Option<(Vec<f64>, Factor, Vec<Slopes>)> {
        let base = self.x.times(&parameters.beta);
        let ridge = &self.ridge;
        let terms = |u: &[f64]| -> Vec<Slopes> {
            let scaled: Vec<f64> = u.iter().zip(scale).map(|(u, t)| u * t).collect();
            let shift = self.z.times(&scaled);
            self.all_slopes(&base, &shift, parameters.log_sigma)
        };
        let height =
            |terms: &[Slopes], u: &[f64]| -> f64 { terms.iter().map(|t| t.value).sum::<f64>() - 0.5 * self.squares(u) };
        let mut u = start.to_vec();
        let mut here = terms(&u);
        let mut value = height(&here, &u);
        if !value.is_finite() {
            u.copy_from_slice(&self.begin);
            here = terms(&u);
            value = height(&here, &u);
        }
        for _ in 0..INNER_ITERATIONS {
            let weight: Vec<f64> = here.iter().map(|t| (-t.mm).max(0.0)).collect();
            let pull: Vec<f64> = here.iter().map(|t| t.m).collect();
            let matrix = self.products.weighted(&self.z, &weight);
            let factor = self.plan.factor(&matrix, scale, ridge)?;
            let pulled = self.z.transposed_times(&pull);
            let gradient: Vec<f64> = (0..u.len()).map(|a| pulled[a] * scale[a] - ridge[a] * u[a]).collect();
            let step = factor.solve(&gradient);
            let squared: f64 = gradient.iter().zip(&step).map(|(a, b)| a * b).sum();
            if !squared.is_finite() {
                return None;
            }
            // Nothing left to gain: the factor belongs to this very point.
            #[allow(clippy::cast_precision_loss)]
            if squared <= 1e-25 * (1.0 + u.len() as f64) {
                return Some((u, factor, here));
            }
            let sure = squared <= 1e-9;
            let mut length = 1.0;
            loop {
                let next: Vec<f64> = u.iter().zip(&step).map(|(u, d)| u + length * d).collect();
                let there = terms(&next);
                let reached = height(&there, &next);
                if reached.is_finite() && (sure || reached >= value + 1e-4 * length * squared) {
                    u = next;
                    here = there;
                    value = reached;
                    break;
                }
                length *= 0.5;
                if length < 1e-10 {
                    return None;
                }
            }
            if squared <= 1e-20 {
                // One full Newton step past this is below rounding; refactor there and stop.
                let weight: Vec<f64> = here.iter().map(|t| (-t.mm).max(0.0)).collect();
                let factor = self.plan.factor(&self.products.weighted(&self.z, &weight), scale, ridge)?;
                return Some((u, factor, here));
            }
        }
        None
    }

    /// Sum of squares of the modes that have a prior.
    fn squares(&self, u: &[f64]) -> f64 {
        u.iter().zip(&self.ridge).map(|(v, r)| r * v * v).sum()
    }

    /// Log-likelihood and gradient at `parameters`; `start` are modes to begin with.
    fn climb(&self, parameters: &Parameters, start: &[f64]) -> Option<Climb> {
        let (p, k) = (self.x.columns, self.len());
        let scale = self.tau(parameters);
        let (modes, factor, terms) = self.modes(parameters, &scale, start)?;
        let selected = factor.selected_inverse();
        let mut gradient = vec![0.0; p + 1 + k];
        let log_likelihood = if self.rule.node.len() > 1 && k == 1 {
            self.quadrature(parameters, &modes, &terms, &mut gradient)
        } else {
            let gap = match &self.whole {
                Some(whole) => Some(self.gap(whole, parameters, &modes)?),
                None => None,
            };
            self.laplace(&scale, &modes, (&factor, &selected), &terms, gap.as_ref(), &mut gradient)
        };
        Some(Climb { log_likelihood, gradient, modes, scale, factor, selected, terms })
    }

    /// The same with information.
    pub(super) fn evaluate(&self, parameters: &Parameters, start: &[f64]) -> Option<Evaluated> {
        let (p, k) = (self.x.columns, self.len());
        let Climb { log_likelihood, gradient, modes, scale, factor, selected, terms } =
            self.climb(parameters, start)?;
        let mut information = DMatrix::zeros(p + 1 + k, p + 1 + k);
        let mut joint = vec![vec![0.0; self.z.columns]; p + 1];
        for (i, t) in terms.iter().enumerate() {
            for (a, xa) in self.x.row(i) {
                for (b, xb) in self.x.row(i) {
                    information[(a, b)] -= t.mm * xa * xb;
                }
                information[(a, p)] -= t.ms * xa;
                information[(p, a)] -= t.ms * xa;
                for (column, z) in self.z.row(i) {
                    joint[a][column] += scale[column] * z * t.mm * xa;
                }
            }
            information[(p, p)] -= t.ss;
            for (column, z) in self.z.row(i) {
                joint[p][column] += scale[column] * z * t.ms;
            }
        }
        let carried: Vec<Vec<f64>> = joint.iter().map(|r| factor.solve(r)).collect();
        for a in 0..=p {
            for b in 0..=p {
                information[(a, b)] -= joint[a].iter().zip(&carried[b]).map(|(x, y)| x * y).sum::<f64>();
            }
        }
        for (j, range) in self.components.iter().enumerate() {
            let freedom: f64 = range.clone().map(|i| (1.0 - selected.diagonal(i)).powi(2)).sum();
            information[(p + 1 + j, p + 1 + j)] = 2.0 * freedom.max(1e-8);
        }
        log_likelihood.is_finite().then_some(Evaluated {
            log_likelihood,
            modes,
            factor,
            gradient,
            information,
            carried,
        })
    }

    fn laplace(
        &self,
        scale: &[f64],
        modes: &[f64],
        (factor, selected): (&Factor, &Selected),
        terms: &[Slopes],
        gap: Option<&Gap>,
        gradient: &mut [f64],
    ) -> f64 {
        let p = self.x.columns;
        let n = terms.len();
        let leverage = self.leverage(scale, selected);
        // The modes move with every parameter: one adjoint solve serves all.
        let moved: Vec<f64> = terms.iter().zip(&leverage).map(|(t, h)| t.mmm * h).collect();
        let mut right: Vec<f64> = self.z.transposed_times(&moved).iter().zip(scale).map(|(v, t)| v * t).collect();
        if let Some(gap) = gap {
            let q = right.len() - gap.by_beta.len();
            for (r, g) in right[q..].iter_mut().zip(&gap.by_beta) {
                *r += 2.0 * g;
            }
            for (r, g) in gradient[p..].iter_mut().zip(&gap.by_scales) {
                *r += g;
            }
        }
        let adjoint = factor.solve(&right);
        for i in 0..n {
            let t = &terms[i];
            let e: f64 = self.z.row(i).map(|(a, z)| z * scale[a] * adjoint[a]).sum();
            let by_location = t.m + 0.5 * (t.mmm * leverage[i] + t.mm * e);
            for (a, x) in self.x.row(i) {
                gradient[a] += x * by_location;
            }
            gradient[p] += t.s + 0.5 * (t.mms * leverage[i] + t.ms * e);
            for (a, z) in self.z.row(i).filter(|&(a, _)| self.owner[a] != FLAT) {
                gradient[p + 1 + self.owner[a]] += by_location * z * scale[a] * modes[a];
            }
        }
        for (a, &j) in self.owner.iter().enumerate().filter(|&(_, &j)| j != FLAT) {
            gradient[p + 1 + j] += 0.5 * adjoint[a] * modes[a] - (1.0 - selected.diagonal(a));
        }
        #[allow(clippy::cast_precision_loss)]
        let flat = self.split(modes).1.len() as f64;
        terms.iter().map(|t| t.value).sum::<f64>() - 0.5 * self.squares(modes) - 0.5 * factor.log_determinant()
            + flat * LN_SQRT_2PI
            + gap.map_or(0.0, |g| g.value)
    }

    /// `zᵀ D M⁻¹ D z` of every row.
    fn leverage(&self, scale: &[f64], selected: &Selected) -> Vec<f64> {
        let mut places = self.places.iter();
        let of = |i: usize| {
            let mut sum = 0.0;
            for (at, (a, z)) in self.z.row(i).enumerate() {
                let v = z * scale[a];
                for ((b, w), place) in self.z.row(i).skip(at).zip(places.by_ref()) {
                    let twice = if a == b { 1.0 } else { 2.0 };
                    sum += place.map_or(0.0, |p| twice * v * w * scale[b] * selected.at(p));
                }
            }
            sum
        };
        (0..self.z.len()).map(of).collect()
    }

    /// By how much the quadrature of the whole likelihood differs from Laplace's approximation.
    fn gap(&self, whole: &Self, parameters: &Parameters, modes: &[f64]) -> Option<Gap> {
        let (u, beta) = self.split(modes);
        let at = Parameters { beta: beta.to_vec(), ..parameters.clone() };
        let scale = whole.tau(&at);
        let (u, factor, terms) = whole.modes(&at, &scale, u)?;
        let p = beta.len();
        let (mut fine, mut coarse) = (vec![0.0; p + 1 + self.len()], vec![0.0; p + 1 + self.len()]);
        let value = whole.quadrature(&at, &u, &terms, &mut fine)
            - whole.laplace(&scale, &u, (&factor, &factor.selected_inverse()), &terms, None, &mut coarse);
        for (a, b) in fine.iter_mut().zip(&coarse) {
            *a -= b;
        }
        let by_scales = fine.split_off(p);
        Some(Gap { value, by_beta: fine, by_scales })
    }

    /// `Zᵀ Ω Z`, Ω the weight (minus the second derivative by location) of each row.
    pub(super) fn weighted_cross_product(&self, parameters: &Parameters, at: &Evaluated) -> Symmetric {
        let scaled: Vec<f64> = at.modes.iter().zip(self.tau(parameters)).map(|(u, t)| u * t).collect();
        let (base, shift) = (self.x.times(&parameters.beta), self.z.times(&scaled));
        let terms = self.all_slopes(&base, &shift, parameters.log_sigma);
        let weight: Vec<f64> = terms.iter().map(|t| (-t.mm).max(0.0)).collect();
        self.products.weighted(&self.z, &weight)
    }

    /// Factors by which columns of z enter: τ, 1 for fixed ones.
    pub(super) fn column_scale(&self, parameters: &Parameters) -> Vec<f64> {
        self.tau(parameters)
    }

    /// Derivative of the log-likelihood by the variance of component j where that is zero, in units of `1/variance`.
    pub(super) fn slope_at_zero(&self, parameters: &Parameters, j: usize, modes: &[f64]) -> Option<f64> {
        let mut near = parameters.clone();
        near.log_tau[j] = parameters.log_sigma - 0.5 * libm::log(self.replication(j)) + LOW - 2.0;
        let at = self.evaluate(&near, modes)?;
        Some(0.5 * at.gradient[self.x.columns + 1 + j] * libm::exp(-2.0 * near.log_tau[j]))
    }

    /// Derivative by log σ and every log τ of the weight (minus the second derivative by location) of each
    /// row, the modes moving along.
    pub(super) fn weight_slopes(&self, parameters: &Parameters, at: &Evaluated) -> Vec<Vec<f64>> {
        let scale = self.tau(parameters);
        let base = self.x.times(&parameters.beta);
        let scaled: Vec<f64> = at.modes.iter().zip(&scale).map(|(u, t)| u * t).collect();
        let shift = self.z.times(&scaled);
        let terms = self.all_slopes(&base, &shift, parameters.log_sigma);
        (0..=self.len())
            .map(|which| {
                // The parameter's own effect on each location and on the pull of each mode.
                let component = which.checked_sub(1);
                let direct: Vec<f64> = match component {
                    None => vec![0.0; terms.len()],
                    Some(j) => {
                        let own: Vec<f64> =
                            (0..scaled.len()).map(|a| if self.owner[a] == j { scaled[a] } else { 0.0 }).collect();
                        self.z.times(&own)
                    }
                };
                let pull: Vec<f64> =
                    terms.iter().zip(&direct).map(|(t, d)| if component.is_none() { t.ms } else { t.mm * d }).collect();
                let mut right: Vec<f64> =
                    self.z.transposed_times(&pull).iter().zip(&scale).map(|(v, t)| v * t).collect();
                if let Some(j) = component {
                    for a in (0..right.len()).filter(|&a| self.owner[a] == j) {
                        right[a] += at.modes[a];
                    }
                }
                let moved: Vec<f64> = at.factor.solve(&right).iter().zip(&scale).map(|(v, t)| v * t).collect();
                let along = self.z.times(&moved);
                (0..terms.len())
                    .map(|i| {
                        let own = if component.is_none() { terms[i].mms } else { 0.0 };
                        -own - terms[i].mmm * (along[i] + direct[i])
                    })
                    .collect()
            })
            .collect()
    }

    /// Variance of a combination of columns of z (random effects: of prediction minus truth; Henderson
    /// 1975), σ and τ as known, its derivatives by log σ and every log τ, and `M⁻¹ D ℓ`.
    pub(super) fn joint_variance(
        &self,
        scales: &Parameters,
        at: &Evaluated,
        weight_slopes: &[Vec<f64>],
        weights: &[(usize, f64)],
    ) -> (f64, Vec<f64>, Vec<f64>) {
        let scale = self.tau(scales);
        let mut right = vec![0.0; self.z.columns];
        for &(a, w) in weights {
            right[a] += w * scale[a];
        }
        let x = at.factor.solve(&right);
        let variance = right.iter().zip(&x).map(|(a, b)| a * b).sum();
        let scaled: Vec<f64> = x.iter().zip(&scale).map(|(v, t)| v * t).collect();
        let seen = self.z.times(&scaled);
        let derivative = weight_slopes
            .iter()
            .enumerate()
            .map(|(which, slope)| {
                let own: f64 = match which.checked_sub(1) {
                    None => 0.0,
                    Some(j) => x[self.components[j].clone()].iter().map(|v| 2.0 * v * v).sum(),
                };
                own - slope.iter().zip(&seen).map(|(w, s)| w * s * s).sum::<f64>()
            })
            .collect();
        (variance, derivative, x)
    }

    /// Of a restricted likelihood: what of the levels of each component its fixed columns leave to
    /// estimate a variance from, at most the number of levels; zero where they coincide with fixed columns.
    pub(super) fn freedom(&self, parameters: &Parameters) -> Option<Vec<f64>> {
        let at = self.evaluate(parameters, &self.begin)?;
        let selected = at.factor.selected_inverse();
        Some(self.components.iter().map(|r| r.clone().map(|i| 1.0 - selected.diagonal(i)).sum()).collect())
    }

    /// Trials per level of component j, weighted by trials.
    #[allow(clippy::cast_precision_loss)]
    pub(super) fn replication(&self, j: usize) -> f64 {
        let counts = &self.trials[self.components[j].clone()];
        let (sum, squares) = counts.iter().fold((0.0, 0.0), |(a, b), &t| (a + t as f64, b + (t * t) as f64));
        squares / sum
    }

    /// Observed information of the parameters that move, by central differences of the exact
    /// gradient. With more than [`MANY`] fixed coefficients their own block is that of the joint
    /// curvature in (u, β, log σ), which lacks only the change of the determinant.
    pub(super) fn observed_information(&self, best: &Best) -> Option<(Vec<usize>, DMatrix<f64>)> {
        let p = self.x.columns;
        let free = self.free(&best.parameters, Hold::Nothing);
        let n = free.len();
        let gradient = |a: usize, shift: f64| -> Option<Vec<f64>> {
            let mut moved = best.parameters.clone();
            let value = read(&moved, free[a], p) + shift;
            write(&mut moved, free[a], p, value);
            // The modes move along, to first order; those of τ are found from where they are.
            let near = match best.at.carried.get(free[a]) {
                Some(by) => best.at.modes.iter().zip(by).map(|(u, d)| u + shift * d).collect(),
                None => best.at.modes.clone(),
            };
            let at = self.climb(&moved, &near)?;
            Some(free.iter().map(|&b| -at.gradient[b]).collect())
        };
        let mut information = DMatrix::zeros(n, n);
        let first = if p > MANY { p } else { 0 };
        for a in first..n {
            let rough = best.at.information[(free[a], free[a])];
            let h = 3e-3 / rough.max(1e-6).sqrt().max(0.3);
            let difference = |h: f64| -> Option<Vec<f64>> {
                let (up, down) = (gradient(a, h)?, gradient(a, -h)?);
                Some(up.iter().zip(&down).map(|(u, d)| (u - d) / (2.0 * h)).collect())
            };
            let (fine, coarse) = (difference(h)?, difference(2.0 * h)?);
            for b in 0..n {
                let value = (4.0 * fine[b] - coarse[b]) / 3.0;
                // Rows that are not differenced take this one's word.
                let share = if b < first { 1.0 } else { 0.5 };
                information[(a, b)] += share * value;
                information[(b, a)] += share * value;
            }
        }
        for a in 0..first {
            for b in 0..first {
                information[(a, b)] = best.at.information[(a, b)];
            }
        }
        Some((free, information))
    }
}

/// A scatter so far above all that there was without random effects has no limit.
pub(super) fn ran_away(parameters: &Parameters, start: &Parameters) -> bool {
    let highest = start.log_sigma + RAN_AWAY;
    parameters.log_sigma > highest || parameters.log_tau.iter().any(|t| *t > highest)
}

pub(super) fn unlimited() -> crate::Error {
    ErrorKind::ScatterNotEstimable {
        reason: "so few times are exact beside the levels of materials and surfaces that nothing limits the scatter \
                 (of replicates, or between levels of a grouping) upwards; wear through more specimens, ask for fewer \
                 groupings, or take the criterion of full maximum likelihood, whose scatter is too small there"
            .into(),
    }
    .into()
}

/// Fixed coefficients beyond which their block of the information is taken from the joint curvature.
const MANY: usize = 60;

pub(super) fn read(parameters: &Parameters, at: usize, p: usize) -> f64 {
    match at {
        _ if at < p => parameters.beta[at],
        _ if at == p => parameters.log_sigma,
        _ => parameters.log_tau[at - p - 1],
    }
}

pub(super) fn write(parameters: &mut Parameters, at: usize, p: usize, value: f64) {
    match at {
        _ if at < p => parameters.beta[at] = value,
        _ if at == p => parameters.log_sigma = value,
        _ => parameters.log_tau[at - p - 1] = value,
    }
}

#[cfg(test)]
#[path = "marginal_tests.rs"]
mod tests;
