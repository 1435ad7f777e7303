//! M-, S- and MM-estimation of any linear model; see `robust.rs` for methods and sources.

use super::cells::Crossed;
use super::least_squares::{block_means, two_way};
use super::robust::{FOLLOWED, MAD_TO_SIGMA, MAX_ITERATIONS, S_TUNING, TOLERANCE, dependent};
use super::scale::no_scatter;
use crate::error::{ErrorKind, Result};
use nalgebra::{DMatrix, DVector};
use rand::rngs::ChaCha8Rng;
use rand::{Rng, SeedableRng};

/// A linear model that can be solved with weights.
pub(super) trait Linear {
    fn n(&self) -> usize;
    fn p(&self) -> usize;
    fn solve(&self, weights: &[f64]) -> Option<Vec<f64>>;
    fn residuals(&self, coefficients: &[f64]) -> Vec<f64>;
    /// A random set of rows that just determines the coefficients.
    fn subset(&self, rng: &mut ChaCha8Rng) -> Vec<f64>;
}

pub(super) struct Dense {
    pub(super) x: DMatrix<f64>,
    pub(super) y: DVector<f64>,
}

/// A uniform index below `n` from raw bits, so that values do not change with the version of a
/// library's range algorithm; the bias of the multiplication is below 2⁻³² for any real table.
fn index(rng: &mut ChaCha8Rng, n: usize) -> usize {
    let wide = (u128::from(rng.next_u64()) * n as u128) >> 64;
    usize::try_from(wide).unwrap_or(0)
}

fn shuffled(rng: &mut ChaCha8Rng, n: usize) -> Vec<usize> {
    let mut order: Vec<usize> = (0..n).collect();
    for i in (1..n).rev() {
        order.swap(i, index(rng, i + 1));
    }
    order
}

impl Linear for Dense {
    fn n(&self) -> usize {
        self.y.len()
    }
    fn p(&self) -> usize {
        self.x.ncols()
    }
    fn solve(&self, weights: &[f64]) -> Option<Vec<f64>> {
        let root: Vec<f64> = weights.iter().map(|w| w.sqrt()).collect();
        let x = DMatrix::from_fn(self.n(), self.p(), |i, j| root[i] * self.x[(i, j)]);
        let y = DVector::from_fn(self.n(), |i, _| root[i] * self.y[i]);
        let qr = x.qr();
        let r = qr.r();
        if (0..self.p()).any(|a| r[(a, a)].abs() <= 1e-12 * r.column(a).norm()) {
            return None;
        }
        r.solve_upper_triangular(&(qr.q().transpose() * y)).map(|b| b.iter().copied().collect())
    }
    fn residuals(&self, coefficients: &[f64]) -> Vec<f64> {
        let fitted = &self.x * DVector::from_column_slice(coefficients);
        self.y.iter().zip(fitted.iter()).map(|(y, f)| y - f).collect()
    }
    fn subset(&self, rng: &mut ChaCha8Rng) -> Vec<f64> {
        // Rows are taken in random order; one that adds nothing to the rank is passed over.
        let (n, p) = (self.n(), self.p());
        let mut basis: Vec<DVector<f64>> = Vec::with_capacity(p);
        let mut weights = vec![0.0; n];
        for i in shuffled(rng, n) {
            let mut row = self.x.row(i).transpose();
            let norm = row.norm();
            for b in &basis {
                let along = b.dot(&row);
                row -= b * along;
            }
            if row.norm() > 1e-7 * norm {
                basis.push(row.normalize());
                weights[i] = 1.0;
                if basis.len() == p {
                    break;
                }
            }
        }
        weights
    }
}

/// Root of a node's tree, shortening the way to it.
fn root(parent: &mut [usize], mut node: usize) -> usize {
    while parent[node] != node {
        parent[node] = parent[parent[node]];
        node = parent[node];
    }
    node
}

/// Materials and surfaces: coefficients are the group locations, then log k.
pub(super) struct TwoWayLinear<'a> {
    pub(super) y: Vec<f64>,
    pub(super) design: &'a Crossed,
}

impl Linear for TwoWayLinear<'_> {
    fn n(&self) -> usize {
        self.y.len()
    }
    fn p(&self) -> usize {
        self.design.groups + self.design.columns
    }
    fn solve(&self, weights: &[f64]) -> Option<Vec<f64>> {
        let base = self.design.weights.as_deref();
        let weights = weights.iter().enumerate().map(|(i, w)| w * base.map_or(1.0, |b| b[i])).collect();
        // The blocks are few and the times are copied; the solve itself is linear in both.
        let design = Crossed { weights: Some(weights), ..self.design.clone() };
        let fit = two_way(&design, &block_means(&design)).ok()?;
        Some(fit.groups.into_iter().chain(fit.columns).collect())
    }
    fn residuals(&self, coefficients: &[f64]) -> Vec<f64> {
        let (groups, columns) = coefficients.split_at(self.design.groups);
        let mut residuals = Vec::with_capacity(self.y.len());
        for block in &self.design.blocks {
            let fitted = groups[block.group] - block.column.map_or(0.0, |c| columns[c]);
            residuals.extend(self.y[block.start..block.end].iter().map(|y| y - fitted));
        }
        residuals
    }
    fn subset(&self, rng: &mut ChaCha8Rng) -> Vec<f64> {
        let (m, q) = (self.design.groups, self.design.columns);
        // The reference surface is node m + q.
        let mut block_of = Vec::with_capacity(self.y.len());
        for (b, block) in self.design.blocks.iter().enumerate() {
            block_of.resize(block.end, b);
        }
        let mut parent: Vec<usize> = (0..=m + q).collect();
        let mut weights = vec![0.0; self.y.len()];
        let mut left = m + q;
        for i in shuffled(rng, self.y.len()) {
            let block = &self.design.blocks[block_of[i]];
            let a = root(&mut parent, block.group);
            let b = root(&mut parent, m + block.column.unwrap_or(q));
            if a != b {
                parent[a] = b;
                weights[i] = 1.0;
                left -= 1;
                if left == 0 {
                    break;
                }
            }
        }
        weights
    }
}

#[derive(Debug, Clone, Copy)]
pub(super) enum Psi {
    Huber(f64),
    Bisquare(f64),
}

impl Psi {
    /// ψ(z)/z.
    fn weight(self, z: f64) -> f64 {
        match self {
            Self::Huber(k) => (k / z.abs()).min(1.0),
            Self::Bisquare(c) => {
                let u = 1.0 - (z / c) * (z / c);
                if u > 0.0 { u * u } else { 0.0 }
            }
        }
    }
    /// ψ′(z).
    fn slope(self, z: f64) -> f64 {
        match self {
            Self::Huber(k) => f64::from(u8::from(z.abs() <= k)),
            Self::Bisquare(c) => {
                let t = (z / c) * (z / c);
                if t < 1.0 { (1.0 - t) * (1.0 - 5.0 * t) } else { 0.0 }
            }
        }
    }
}

/// Bisquare ρ scaled to 1 in the far tails.
fn rho(z: f64, c: f64) -> f64 {
    let u = 1.0 - (z / c) * (z / c);
    if u > 0.0 { 1.0 - u * u * u } else { 1.0 }
}

pub(super) struct MFit {
    pub(super) coefficients: Vec<f64>,
    pub(super) residuals: Vec<f64>,
    pub(super) weights: Vec<f64>,
    pub(super) scale: f64,
    /// Factor on √diag (XᵀX)⁻¹.
    pub(super) standard_deviation: f64,
    pub(super) df: f64,
    pub(super) iterations: u32,
}

fn median_absolute(residuals: &[f64]) -> f64 {
    let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let n = sizes.len();
    if n % 2 == 1 { sizes[n / 2] } else { 0.5 * (sizes[n / 2 - 1] + sizes[n / 2]) }
}

/// Reweighted least squares with the scale renewed in every step, or fixed.
#[allow(clippy::cast_precision_loss)]
pub(super) fn iterate<L: Linear>(linear: &L, psi: Psi, fixed: Option<f64>, start: Vec<f64>) -> Result<MFit> {
    let (n, p) = (linear.n() as f64, linear.p() as f64);
    if n <= p {
        return Err(ErrorKind::ScatterNotEstimable {
            reason: format!("{n} trials determine {p} levels and leave nothing over"),
        }
        .into());
    }
    let mut coefficients = start;
    let mut residuals = linear.residuals(&coefficients);
    let size = residuals.iter().fold(0.0_f64, |a, r| a.max(r.abs()));
    let mut change = f64::INFINITY;
    for iteration in 1..=MAX_ITERATIONS {
        let scale = fixed.unwrap_or_else(|| MAD_TO_SIGMA * median_absolute(&residuals));
        if scale <= 1e-13 * size.max(f64::MIN_POSITIVE) {
            return Err(no_scatter());
        }
        let weights: Vec<f64> = residuals.iter().map(|r| psi.weight(r / scale)).collect();
        coefficients = linear.solve(&weights).ok_or_else(dependent)?;
        let next = linear.residuals(&coefficients);
        change = next.iter().zip(&residuals).fold(0.0_f64, |a, (x, y)| a.max((x - y).abs())) / scale;
        residuals = next;
        if change <= TOLERANCE {
            let scale = fixed.unwrap_or_else(|| MAD_TO_SIGMA * median_absolute(&residuals));
            let weights: Vec<f64> = residuals.iter().map(|r| psi.weight(r / scale)).collect();
            let slopes: Vec<f64> = residuals.iter().map(|r| psi.slope(r / scale)).collect();
            let mean = slopes.iter().sum::<f64>() / n;
            let variance = slopes.iter().map(|s| (s - mean) * (s - mean)).sum::<f64>() / (n - 1.0);
            let sum: f64 = residuals.iter().zip(&weights).map(|(r, w)| (r * w) * (r * w)).sum();
            let kappa = 1.0 + p * variance / (n * mean * mean);
            let standard_deviation = (sum / (n - p)).sqrt() * kappa / mean;
            if !(standard_deviation.is_finite() && standard_deviation > 0.0) {
                return Err(dependent());
            }
            return Ok(MFit {
                coefficients,
                residuals,
                weights,
                scale,
                standard_deviation,
                df: n - p,
                iterations: iteration,
            });
        }
    }
    Err(ErrorKind::NotConverged { stage: "the robust fit".into(), iterations: MAX_ITERATIONS, gradient_norm: change }
        .into())
}

/// Scale s with `Σ ρ(r/s) = (n − p)/2`, from a first guess.
fn m_scale(residuals: &[f64], free: f64, guess: f64, steps: u32) -> f64 {
    let mut s = guess;
    for _ in 0..steps {
        let sum: f64 = residuals.iter().map(|r| rho(r / s, S_TUNING)).sum();
        let next = s * (sum / (0.5 * free)).sqrt();
        let change = (next / s - 1.0).abs();
        s = next;
        if change < 1e-13 || s <= 0.0 || !s.is_finite() {
            break;
        }
    }
    s
}

/// Fast-S (Salibián-Barrera & Yohai 2006): coefficients and scale.
#[allow(clippy::cast_precision_loss)]
pub(super) fn s_estimate<L: Linear>(
    linear: &L,
    start: Vec<f64>,
    subsamples: u32,
    seed: u64,
) -> Result<(Vec<f64>, f64)> {
    let n = linear.n();
    if n <= linear.p() {
        return Err(no_scatter());
    }
    let free = (n - linear.p()) as f64;
    let improve = |coefficients: &[f64], guess: Option<f64>, scale_steps: u32| -> Option<(Vec<f64>, f64, f64)> {
        let residuals = linear.residuals(coefficients);
        let s =
            m_scale(&residuals, free, guess.unwrap_or_else(|| MAD_TO_SIGMA * median_absolute(&residuals)), scale_steps);
        if s.is_nan() || s <= 0.0 {
            return None;
        }
        let weights: Vec<f64> = residuals.iter().map(|r| Psi::Bisquare(S_TUNING).weight(r / s)).collect();
        let next = linear.solve(&weights)?;
        let moved = linear.residuals(&next).iter().zip(&residuals).fold(0.0_f64, |a, (x, y)| a.max((x - y).abs()));
        Some((next, s, moved / s))
    };
    // Least absolute deviations, by reweighting: a start that uses all trials.
    let mut pool: Vec<Vec<f64>> = Vec::new();
    let mut lad = start;
    for _ in 0..50 {
        let residuals = linear.residuals(&lad);
        let floor = 1e-6 * median_absolute(&residuals).max(f64::MIN_POSITIVE);
        let weights: Vec<f64> = residuals.iter().map(|r| 1.0 / r.abs().max(floor)).collect();
        match linear.solve(&weights) {
            Some(next) => lad = next,
            None => break,
        }
    }
    pool.push(lad);
    for r in 0..subsamples {
        // Subsample r never depends on how many others are drawn.
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(u64::from(r));
        if let Some(first) = linear.solve(&linear.subset(&mut rng)) {
            pool.push(first);
        }
    }
    let mut best: Vec<(f64, Vec<f64>)> = Vec::new();
    for mut coefficients in pool {
        let mut guess = None;
        for _ in 0..2 {
            let Some((next, s, _)) = improve(&coefficients, guess, 1) else { break };
            coefficients = next;
            guess = Some(s);
        }
        let residuals = linear.residuals(&coefficients);
        // A candidate whose scale cannot beat the worst kept one is not worth solving for.
        if best.len() == FOLLOWED {
            let worst = best[FOLLOWED - 1].0;
            let sum: f64 = residuals.iter().map(|r| rho(r / worst, S_TUNING)).sum();
            if sum >= 0.5 * free {
                continue;
            }
        }
        let s = m_scale(&residuals, free, MAD_TO_SIGMA * median_absolute(&residuals), 200);
        if s.is_finite() && s > 0.0 {
            best.push((s, coefficients));
            best.sort_by(|a, b| a.0.total_cmp(&b.0));
            best.truncate(FOLLOWED);
        }
    }
    let mut winner: Option<(f64, Vec<f64>)> = None;
    for (_, mut coefficients) in best {
        let mut guess = None;
        for _ in 0..500 {
            let Some((next, s, moved)) = improve(&coefficients, guess, 200) else { break };
            coefficients = next;
            guess = Some(s);
            if moved <= 1e-11 {
                break;
            }
        }
        let residuals = linear.residuals(&coefficients);
        let s = m_scale(&residuals, free, guess.unwrap_or_else(|| MAD_TO_SIGMA * median_absolute(&residuals)), 1000);
        if s.is_finite() && s > 0.0 && winner.as_ref().is_none_or(|w| s < w.0) {
            winner = Some((s, coefficients));
        }
    }
    winner.map(|(s, coefficients)| (coefficients, s)).ok_or_else(no_scatter)
}
