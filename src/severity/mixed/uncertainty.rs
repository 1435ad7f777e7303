//! What few levels leave unknown of a variance, carried into the limits of a contrast.
//!
//! An estimate with fixed weights has the variance `v = a₀ σ² + Σ_j a_j τ_j²`, `a_j` the sum of the squared weights of
//! the levels of component j. None of these variances is known; what is known of each is a mean square `m_j` with
//! `d_j` degrees of freedom:
//!
//! - `m_j = τ_j² + s_j` is what levels of j scatter by, `s_j` what they would scatter by without an effect of their own.
//!   With `Q = Z_jᵀ P Z_j`, P the projection of the restricted likelihood, `m_j = tr Q / tr Q²` and `d_j = (tr Q)² / tr Q²`
//!   (Satterthwaite 1946). In balanced layouts these are mean square and degrees of freedom of the analysis of variance.
//! - The observed one is `m_j` times `yᵀ P Z_j Z_jᵀ P y / tr Q`: 1 where the estimate of τ_j² is positive, less than 1
//!   where it is 0. So nothing jumps where the estimate becomes 0.
//! - Fewer than three degrees of freedom leave a mean square no limit that a reader could use (one: t = 12.7 at 95 %). They
//!   are filled up to three by a typical value, `s_j + σ²/4`: levels that differ by half the scatter of specimens, and less
//!   often by more. This is the moderated variance of Smyth (2004); three is the least number with which an error of the
//!   estimate has a variance at all. With three degrees of freedom or more nothing is added.
//!
//! The confidence distribution of a mean square is that of `m_j d_j / W`, W chi-squared with `d_j`, and of the error that of
//! a normal one whose variance is drawn from it (generalized pivotal quantities: Weerahandi 1993; Hannig, Iyer & Patterson
//! 2006):
//!
//! `v(W) = a_L m_L d_L/W_L + max(0, c σ² ν/W₀ + Σ_{j≠L} a_j m_j d_j/W_j)`, `c σ² = a₀ σ² − Σ a_j s_j`,
//!
//! L the component of the largest share: mean squares enter as they are, with a negative sign where the layout has one.
//! One mean square alone gives Student's t with its degrees of freedom, so balanced layouts have their exact intervals.
//! Limits are never within those of the same fit without effects of levels (t with the degrees of freedom of σ).

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::numeric::root::root;
use crate::numeric::special::{chi_squared_survival, normal_cdf, t_quantile, two_sided_quantile};

/// Degrees of freedom that a mean square is filled up to.
const LEAST: f64 = 3.0;
/// Typical variance between levels, as a multiple of σ².
const TYPICAL: f64 = 0.25;

/// What is known of the variance of a component.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct MeanSquare {
    /// m: of levels, what they share and what their trials scatter by.
    pub(super) value: f64,
    /// s: the second of these.
    pub(super) sampling: f64,
    pub(super) degrees_of_freedom: f64,
}

impl MeanSquare {
    /// From tr Q, tr Q² and the score `yᵀ P Z Zᵀ P y` in units of σ², and from τ² and σ².
    pub(super) fn new(trace: f64, square: f64, score: f64, variance: f64, sigma2: f64) -> Self {
        let positive = trace > 0.0 && square > 0.0 && (trace * trace / square).is_finite();
        // Nothing observed: nothing but the typical value.
        let (expected, own) = if positive { (trace / square, trace * trace / square) } else { (variance, 0.0) };
        let sampling = (expected * sigma2 - variance).max(0.0);
        let ratio = if variance > 0.0 { 1.0 } else { (score / trace).clamp(0.0, 1.0) };
        let observed = if positive { (sampling + variance) * ratio } else { 0.0 };
        let prior = (LEAST - own).max(0.0);
        let df = own + prior;
        let value = (own * observed + prior * (sampling + TYPICAL * sigma2)) / df;
        Self { value, sampling, degrees_of_freedom: df }
    }

    /// Variance and degrees of freedom of the effect of one further level: its expectation over the confidence distribution
    /// `max(0, m d/W − s)`, and the degrees of freedom with which it has the same 95 % limits.
    pub(super) fn one_further(&self) -> (f64, f64) {
        let (m, s, d) = (self.value, self.sampling, self.degrees_of_freedom);
        let below = |df: f64| if s > 0.0 { 1.0 - chi_squared_survival(m * d / s, df) } else { 1.0 };
        let mean = m * d / (d - 2.0) * below(d - 2.0) - s * below(d);
        let nodes: Vec<Node> = chi_squared(d)
            .map(|(weight, inflation)| Node { weight, variance: (m * inflation - s).max(0.0) / mean })
            .collect();
        (mean, same_limit(solve(&nodes, LEVEL)))
    }
}

/// Columns of which a trace is taken where a component has more.
const SAMPLED: usize = 400;

/// Up to [`SAMPLED`] of `n` columns, evenly spread, and what their sum is to be multiplied by.
pub(super) fn spread_over(n: usize) -> (impl Iterator<Item = usize>, f64) {
    let taken = n.min(SAMPLED);
    #[allow(clippy::cast_precision_loss)]
    let share = n as f64 / taken.max(1) as f64;
    ((0..taken).map(move |i| i * n / taken), share)
}

/// The level at which limits are matched.
const LEVEL: f64 = 0.95;

/// Degrees of freedom whose t quantile is `multiplier` at [`LEVEL`], at least one.
fn same_limit(multiplier: f64) -> f64 {
    let at = |df: f64| two_sided_quantile(LEVEL, Some(df)) - multiplier;
    // In 1/df, where the quantile is nearly straight.
    let inverse = |x: f64| at(1.0 / x);
    match (inverse(1e-9), at(1.0)) {
        (low, _) if low >= 0.0 => f64::INFINITY,
        (_, high) if high <= 0.0 => 1.0,
        _ => root(inverse, 1e-9, 1.0).map_or(1.0, |x| 1.0 / x),
    }
}

/// The confidence distribution of the variance of an error, relative to the squared standard error.
#[derive(Debug, Clone, Default, PartialEq, Serialize, Deserialize)]
pub(crate) struct Uncertainty {
    /// The largest last.
    terms: Vec<Term>,
    /// a₀ σ², with the degrees of freedom of σ.
    scatter: Option<Term>,
}

/// A mean square times its weight.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
struct Term {
    share: f64,
    /// Infinite: known (`None` in documents).
    degrees_of_freedom: Option<f64>,
}

#[derive(Debug, Clone, Copy)]
struct Node {
    weight: f64,
    variance: f64,
}

/// From so many degrees of freedom on a variance counts as known.
const KNOWN: f64 = 1e6;

/// A share of the variance below this moves no digit that is shown.
const NEGLIGIBLE: f64 = 1e-10;

impl Uncertainty {
    /// A variance that rests on σ alone, or on one mean square: Student t; normal without degrees of freedom.
    pub(super) fn student(degrees_of_freedom: Option<f64>) -> Self {
        Self { terms: Vec::new(), scatter: Some(Term { share: 1.0, degrees_of_freedom }) }
    }

    /// Of `variance` and the weights `a_j` in it; the rest is a₀ σ².
    pub(super) fn new(
        variance: f64,
        weights: &[f64],
        variances: &[f64],
        squares: &[MeanSquare],
        sigma_df: Option<f64>,
    ) -> Self {
        let sigma_df = sigma_df.map(|df| df.max(1.0)).filter(|df| *df < KNOWN);
        let scatter = (variance - weights.iter().zip(variances).map(|(a, t)| a * t).sum::<f64>()).max(0.0) / variance;
        if !scatter.is_finite() {
            return Self::student(sigma_df);
        }
        let mut rest = scatter;
        let mut terms = Vec::new();
        for (a, square) in weights.iter().zip(squares) {
            let share = a * square.value / variance;
            if share > NEGLIGIBLE {
                terms.push(Term { share, degrees_of_freedom: Some(square.degrees_of_freedom).filter(|d| *d < KNOWN) });
                rest -= a * square.sampling / variance;
            }
        }
        terms.sort_by(|a, b| a.share.total_cmp(&b.share));
        if rest.abs() > NEGLIGIBLE {
            terms.insert(0, Term { share: rest, degrees_of_freedom: sigma_df });
        }
        Self { terms, scatter: Some(Term { share: scatter, degrees_of_freedom: sigma_df }) }
    }

    fn nodes(&self) -> Vec<Node> {
        let one = |share: f64| vec![Node { weight: 1.0, variance: share }];
        let Some((largest, others)) = self.terms.split_last() else { return one(1.0) };
        let total: f64 = self.terms.iter().map(|t| t.share.abs()).sum();
        let mut rest = one(0.0);
        for term in others {
            rest = collapsed(&sums(&rest, term), total);
        }
        let least = 1.0;
        let all: Vec<Node> = chi_squared(largest.degrees_of_freedom.unwrap_or(1e5))
            .flat_map(|(w, inflation)| {
                let own = largest.share * inflation;
                rest.iter().map(move |n| Node { weight: n.weight * w, variance: (own + n.variance).max(least * own) })
            })
            .collect();
        if rest.len() > 1 { collapsed(&all, 1e-9 * total) } else { all }
    }

    /// Half width of a two-sided interval, in standard errors.
    pub(crate) fn multiplier(&self, level: f64) -> f64 {
        let floor = self.scatter.map_or(0.0, |s| s.share.sqrt() * two_sided_quantile(level, s.degrees_of_freedom));
        if self.terms.is_empty() {
            return floor;
        }
        solve(&self.nodes(), level).max(floor)
    }

    /// Degrees of freedom of the Student t that has the same 95 % limits with the same standard error, at least one.
    pub(crate) fn equivalent_degrees_of_freedom(&self) -> f64 {
        same_limit(self.multiplier(LEVEL))
    }
}

/// Where the two-sided tail of a mixture of normal errors is `1 − level`.
fn solve(nodes: &[Node], level: f64) -> f64 {
    if !(level > 0.0 && level < 1.0) {
        return t_quantile(0.5 * (1.0 + level), f64::INFINITY);
    }
    let parts: Vec<(f64, f64)> =
        nodes.iter().filter(|n| n.variance > 0.0).map(|n| (2.0 * n.weight, n.variance.sqrt())).collect();
    let excess = |x: f64| parts.iter().map(|(w, sd)| w * normal_cdf(-x / sd)).sum::<f64>() - (1.0 - level);
    let mut high = 2.0;
    while excess(high) > 0.0 && high < 1e6 {
        high *= 2.0;
    }
    // A point mass at 0 may hold the whole level.
    root(excess, 0.0, high).unwrap_or(0.0)
}

/// Sums of the nodes and `share · d/W`.
fn sums(nodes: &[Node], term: &Term) -> Vec<Node> {
    let Some(df) = term.degrees_of_freedom else {
        return nodes.iter().map(|n| Node { variance: n.variance + term.share, ..*n }).collect();
    };
    let mixture: Vec<(f64, f64)> = chi_squared(df).collect();
    nodes
        .iter()
        .flat_map(|n| {
            mixture
                .iter()
                .map(|&(w, inflation)| Node { weight: n.weight * w, variance: n.variance + term.share * inflation })
        })
        .collect()
}

/// Nodes whose variances differ by less than a tenth (or lie nearer than a tenth of `grain`) brought together, mean kept.
fn collapsed(nodes: &[Node], grain: f64) -> Vec<Node> {
    const WIDTH: f64 = 0.1;
    let mut bins: BTreeMap<i64, Node> = BTreeMap::new();
    for node in nodes.iter().filter(|n| n.weight > 1e-13) {
        let place = libm::log1p(node.variance.abs() / grain) / WIDTH;
        #[allow(clippy::cast_possible_truncation)]
        let key = libm::floor(if node.variance < 0.0 { -place } else { place }) as i64;
        let bin = bins.entry(key).or_insert(Node { weight: 0.0, variance: 0.0 });
        bin.weight += node.weight;
        bin.variance += node.weight * node.variance;
    }
    bins.into_values().map(|b| Node { weight: b.weight, variance: b.variance / b.weight }).collect()
}

/// Weights and values of `d/W`, W chi-squared with d ≥ 1 degrees of freedom: the trapezium rule in log W, which converges
/// exponentially for a density that is analytic and dies away (Trefethen & Weideman 2014).
fn chi_squared(df: f64) -> impl Iterator<Item = (f64, f64)> {
    // Density of x = ln(W/d), up to a constant: exp(d/2 (x − eˣ + 1)), kept where it is above e⁻²⁸ of its top.
    let exponent = move |x: f64| 0.5 * df * (x - libm::exp(x) + 1.0);
    let spread = libm::sqrt(2.0 / df);
    let step = (0.9 * spread).min(0.36);
    let reach = |sign: f64| (1_i32..).find(|&i| exponent(sign * step * f64::from(i)) < -28.0).unwrap_or(1);
    let (low, high) = (-reach(-1.0), reach(1.0));
    let total: f64 = (low..=high).map(|i| libm::exp(exponent(step * f64::from(i)))).sum();
    (low..=high).map(move |i| {
        let x = step * f64::from(i);
        (libm::exp(exponent(x)) / total, libm::exp(-x))
    })
}

#[cfg(test)]
mod tests {
    use super::*;

    /// One mean square is Student's t; so is σ alone.
    #[test]
    fn one_mean_square_is_student() {
        for df in [3.0, 3.7, 6.0, 11.0, 24.0, 80.0, 400.0] {
            for level in [0.5, 0.9, 0.95, 0.999] {
                let square = MeanSquare { value: 2.0, sampling: 0.5, degrees_of_freedom: df };
                // v = a (s + τ²): nothing but the mean square.
                let u = Uncertainty::new(0.3 * 2.0, &[0.3], &[1.5], &[square], Some(50.0));
                assert_eq!(u.terms.len(), 1);
                let want = two_sided_quantile(level, Some(df));
                let got = solve(&u.nodes(), level);
                assert!((got / want - 1.0).abs() < 1e-9, "{df} {level}: {got} {want}");
            }
        }
        assert!((Uncertainty::student(Some(7.0)).multiplier(0.9) - two_sided_quantile(0.9, Some(7.0))).abs() < 1e-12);
        assert!((Uncertainty::student(None).multiplier(0.95) - 1.959_963_984_540_054).abs() < 1e-9);
    }
}
