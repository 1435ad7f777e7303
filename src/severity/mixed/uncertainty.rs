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
//! `v(W) = Σ_j a_j m_j d_j/W_j + c σ² ν/W₀`, `c σ² = a₀ σ² − Σ a_j s_j`, at least half of its largest term:
//!
//! mean squares enter as they are, σ² with a negative sign where the layout has one. One mean square alone gives Student's
//! t with its degrees of freedom, so balanced layouts have their exact intervals. Limits are never within those of scatter
//! alone, `a₀ σ²` with the degrees of freedom of σ.

use serde::{Deserialize, Serialize};

use crate::numeric::root::root;
use crate::numeric::special::{normal_cdf, t_quantile, two_sided_quantile};

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

    /// Variance and degrees of freedom of the effect of one further level. Over the confidence distribution
    /// `τ² = max(0, m d/W − s)`: d degrees of freedom, and the variance that then has the same 95 % limits, which is m where
    /// s is nothing; where τ² is 0 in nearly all of it, `(d − 2)/d` of its mean, which is the same thing there.
    pub(super) fn one_further(&self) -> (f64, f64) {
        let (m, s, d) = (self.value, self.sampling, self.degrees_of_freedom);
        let nodes: Vec<Node> = chi_squared(Some(d))
            .into_iter()
            .map(|(weight, inflation)| Node { weight, variance: (inflation - s / m).max(0.0) })
            .collect();
        let mean: f64 = nodes.iter().map(|n| n.weight * n.variance).sum();
        let ratio = solve(&nodes, LEVEL) / two_sided_quantile(LEVEL, Some(d));
        (m * (ratio * ratio).max(mean * (d - 2.0) / d).max(f64::EPSILON), d)
    }
}

/// Columns of which a trace is taken where a component has more.
const SAMPLED: usize = 100;

/// Up to [`SAMPLED`] of `n` columns, evenly spread, and what their sum is to be multiplied by.
pub(super) fn spread_over(n: usize) -> (impl Iterator<Item = usize>, f64) {
    let taken = n.min(SAMPLED);
    #[allow(clippy::cast_precision_loss)]
    let share = n as f64 / taken.max(1) as f64;
    ((0..taken).map(move |i| i * n / taken), share)
}

/// The level at which limits are matched.
pub(super) const LEVEL: f64 = 0.95;

/// Degrees of freedom whose t quantile is `multiplier` at [`LEVEL`], at least one.
pub(super) fn same_limit(multiplier: f64) -> f64 {
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

/// Least share of the largest mean square in the whole variance, whatever is subtracted.
const HALF: f64 = 0.5;

/// From so many degrees of freedom on a variance counts as known.
const KNOWN: f64 = 1e6;

/// Degrees of freedom that are many.
const MANY: f64 = 100.0;

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
        if rest.abs() > NEGLIGIBLE {
            terms.push(Term { share: rest, degrees_of_freedom: sigma_df });
        }
        terms.sort_by(|a, b| a.share.total_cmp(&b.share));
        Self { terms: pooled(terms), scatter: Some(Term { share: scatter, degrees_of_freedom: sigma_df }) }
    }

    fn nodes(&self) -> Vec<Node> {
        let one = |share: f64| vec![Node { weight: 1.0, variance: share }];
        let Some((largest, others)) = self.terms.split_last() else { return one(1.0) };
        let total: f64 = self.terms.iter().map(|t| t.share.abs()).sum();
        let mut rest = one(0.0);
        for term in others {
            rest = collapsed(&sums(&rest, term), total);
        }
        let all: Vec<Node> = chi_squared(largest.degrees_of_freedom)
            .into_iter()
            .flat_map(|(w, inflation)| {
                let own = largest.share * inflation;
                rest.iter().map(move |n| Node { weight: n.weight * w, variance: (own + n.variance).max(HALF * own) })
            })
            .collect();
        if rest.len() > 1 { collapsed(&all, 1e-9 * total) } else { all }
    }

    /// Half width of a two-sided interval, in standard errors.
    pub(crate) fn multiplier(&self, level: f64) -> f64 {
        let floor = self.scatter.map_or(0.0, |s| s.share.sqrt() * two_sided_quantile(level, s.degrees_of_freedom));
        let own = match self.terms.as_slice() {
            [] => 0.0,
            // One mean square: the quantile itself.
            [term] => term.share.max(0.0).sqrt() * two_sided_quantile(level, term.degrees_of_freedom),
            _ => solve(&self.nodes(), level),
        };
        own.max(floor)
    }

    /// Degrees of freedom of the Student t that has the same 95 % limits with the same standard error, at least one.
    pub(crate) fn equivalent_degrees_of_freedom(&self) -> f64 {
        same_limit(self.multiplier(LEVEL))
    }
}

/// Terms of many degrees of freedom are told from their sum with Satterthwaite's by nothing that is shown.
fn pooled(terms: Vec<Term>) -> Vec<Term> {
    let (many, few): (Vec<Term>, Vec<Term>) =
        terms.iter().partition(|t| t.degrees_of_freedom.is_none_or(|df| df >= MANY));
    let share: f64 = many.iter().map(|t| t.share).sum();
    let spread: f64 = many.iter().map(|t| t.degrees_of_freedom.map_or(0.0, |df| t.share * t.share / df)).sum();
    let df = share * share / spread;
    if many.len() < 2 || share <= 0.0 || df.is_nan() || df < MANY {
        return terms;
    }
    let mut terms = few;
    terms.push(Term { share, degrees_of_freedom: Some(df).filter(|df| *df < KNOWN) });
    terms.sort_by(|a, b| a.share.total_cmp(&b.share));
    terms
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
    chi_squared(term.degrees_of_freedom)
        .into_iter()
        .flat_map(|(w, inflation)| {
            nodes.iter().map(move |n| Node { weight: n.weight * w, variance: n.variance + term.share * inflation })
        })
        .collect()
}

/// Nodes whose variances differ by less than a fifth (or lie nearer than a fifth of `grain`) brought together, mean kept.
fn collapsed(nodes: &[Node], grain: f64) -> Vec<Node> {
    const WIDTH: f64 = 0.2;
    const BINS: usize = 256;
    let empty = Node { weight: 0.0, variance: 0.0 };
    let mut bins = [[empty; BINS]; 2];
    // The far corners of all tails: in sum less than a millionth.
    for node in nodes.iter().filter(|n| n.weight > 1e-10) {
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let place = (libm::log1p(node.variance.abs() / grain) / WIDTH) as usize;
        let bin = &mut bins[usize::from(node.variance >= 0.0)][place.min(BINS - 1)];
        bin.weight += node.weight;
        bin.variance += node.weight * node.variance;
    }
    let whole: f64 = bins.iter().flatten().map(|b| b.weight).sum();
    let full = bins.into_iter().flatten().filter(|b| b.weight > 0.0);
    full.map(|b| Node { weight: b.weight / whole, variance: b.variance / b.weight }).collect()
}

/// Weights and values of `d/W`, W chi-squared with d ≥ 1 degrees of freedom: the trapezium rule in log W, which converges
/// exponentially for a density that is analytic and dies away (Trefethen & Weideman 2014). `None`: known.
fn chi_squared(df: Option<f64>) -> Vec<(f64, f64)> {
    let df = df.unwrap_or(f64::INFINITY);
    // Density of x = ln(W/d), up to a constant: exp(d/2 (x − eˣ + 1)), kept where it is above e⁻²⁸ of its top.
    let exponent = move |x: f64| if x == 0.0 { 0.0 } else { 0.5 * df * (x - libm::exp(x) + 1.0) };
    let step = if df.is_finite() { (0.8 * libm::sqrt(2.0 / df)).min(0.32) } else { 1.0 };
    let reach = |sign: f64| (1_i32..10_000).find(|&i| exponent(sign * step * f64::from(i)) < -28.0).unwrap_or(10_000);
    let (low, high) = (1 - reach(-1.0), reach(1.0) - 1);
    let mut nodes: Vec<(f64, f64)> = (low..=high)
        .map(|i| {
            let x = step * f64::from(i);
            (libm::exp(exponent(x)), libm::exp(-x))
        })
        .collect();
    let total: f64 = nodes.iter().map(|n| n.0).sum();
    for node in &mut nodes {
        node.0 /= total;
    }
    nodes
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::numeric::special::t_survival;

    /// A small stream of numbers; nothing here depends on its quality.
    fn uniforms(seed: u64) -> impl FnMut() -> f64 {
        let mut state = seed * 2 + 1;
        move || {
            state = state.wrapping_mul(6_364_136_223_846_793_005).wrapping_add(1_442_695_040_888_963_407);
            (f64::from(u32::try_from(state >> 33).unwrap_or(0)) + 0.5) / f64::from(1u32 << 31)
        }
    }

    fn square(value: f64, sampling: f64, degrees_of_freedom: f64) -> MeanSquare {
        MeanSquare { value, sampling, degrees_of_freedom }
    }

    /// One mean square is Student's t; so is σ alone.
    #[test]
    fn one_mean_square_is_student() {
        for df in [3.0, 3.7, 6.0, 11.0, 24.0, 80.0, 400.0] {
            for level in [0.5, 0.9, 0.95, 0.999] {
                // v = a (s + τ²): nothing but the mean square.
                let u = Uncertainty::new(0.3 * 2.0, &[0.3], &[1.5], &[square(2.0, 0.5, df)], Some(50.0));
                assert_eq!(u.terms.len(), 1);
                // By the tail, which is exact to more digits than the quantile; the multiplier takes the quantile itself.
                let tail = 2.0 * t_survival(solve(&u.nodes(), level), df);
                assert!((tail / (1.0 - level) - 1.0).abs() < 1e-7, "{df} {level}: {tail}");
                assert!((u.multiplier(level) / two_sided_quantile(level, Some(df)) - 1.0).abs() < 1e-12);
                if (level - 0.95).abs() < 1e-9 {
                    assert!((u.equivalent_degrees_of_freedom() / df - 1.0).abs() < 1e-6);
                }
            }
        }
        assert!((Uncertainty::student(Some(7.0)).multiplier(0.9) - two_sided_quantile(0.9, Some(7.0))).abs() < 1e-12);
        assert!((Uncertainty::student(None).multiplier(0.95) - 1.959_963_984_540_054).abs() < 1e-9);
        assert!((Uncertainty::student(Some(0.3)).equivalent_degrees_of_freedom() - 1.0).abs() < 1e-12);
    }

    /// Three mean squares, one subtracted: tail probabilities against draws.
    #[test]
    fn mixtures_against_draws() {
        let mut next = uniforms(5);
        // Sums of exponentials: chi-squared with even degrees of freedom.
        let mut chi = move |pairs: u32| -2.0 * (0..pairs).map(|_| next().ln()).sum::<f64>();
        // Two surfaces' days and cells over the scatter they share: a₀ σ² = 0.2, a s = 0.2 each.
        let squares = [square(0.9, 0.2, 4.0), square(0.5, 0.2, 8.0)];
        let u = Uncertainty::new(1.2, &[1.0, 1.0], &[0.7, 0.3], &squares, Some(20.0));
        assert!(u.terms.iter().any(|t| t.share < 0.0) && u.terms.len() == 3);
        let mut tails = [0.0; 3];
        let multipliers = [0.9, 0.95, 0.99].map(|level| u.multiplier(level));
        let runs = 200_000;
        for _ in 0..runs {
            let day = 0.9 * 4.0 / chi(2);
            let v = (day + 0.5 * 8.0 / chi(4) - 0.2 * 20.0 / chi(10)).max(0.5 * day) / 1.2;
            for (tail, m) in tails.iter_mut().zip(multipliers) {
                *tail += 2.0 * normal_cdf(-m / v.sqrt()) / f64::from(runs);
            }
        }
        for (tail, want) in tails.into_iter().zip([0.1, 0.05, 0.01]) {
            // Standard error of the mean of the tails: 0.0003, 0.0002, 0.0001.
            assert!((tail - want).abs() < 0.02 * want, "{tail} {want}");
        }
    }

    /// Balanced one-way analysis of variance: k levels of n trials about one mean.
    #[test]
    fn balanced_layouts_give_the_mean_squares_of_the_analysis_of_variance() {
        let (k, n, sigma2, tau2) = (7.0, 4.0, 0.3, 0.2);
        // Q has k − 1 eigenvalues n/(σ² + n τ²), here in units of 1/σ².
        let q = n / (1.0 + n * tau2 / sigma2);
        let ms = MeanSquare::new((k - 1.0) * q, (k - 1.0) * q * q, (k - 1.0) * q, tau2, sigma2);
        assert!((ms.value - (tau2 + sigma2 / n)).abs() < 1e-14 && (ms.sampling - sigma2 / n).abs() < 1e-14);
        assert!((ms.degrees_of_freedom - (k - 1.0)).abs() < 1e-12);
        // At 0: the mean square that was seen, 0.6 of what scatter alone would give.
        let zero = MeanSquare::new((k - 1.0) * n, (k - 1.0) * n * n, 0.6 * (k - 1.0) * n, 0.0, sigma2);
        assert!((zero.value - 0.6 * sigma2 / n).abs() < 1e-14);
        // Two levels: one degree of freedom and two of the typical value.
        let two = MeanSquare::new(n, n * n, 0.6 * n, 0.0, sigma2);
        assert!((two.degrees_of_freedom - 3.0).abs() < 1e-12);
        let want = (0.6 * sigma2 / n + 2.0 * (sigma2 / n + 0.25 * sigma2)) / 3.0;
        assert!((two.value - want).abs() < 1e-14);
        // Nothing seen at all.
        let none = MeanSquare::new(0.0, 0.0, 0.0, 0.0, sigma2);
        assert_eq!((none.value, none.degrees_of_freedom), (0.25 * sigma2, 3.0));
    }

    /// The variance of a further level: that of the levels seen where trials tell them exactly, never 0 elsewhere.
    #[test]
    fn one_further_level_is_never_known() {
        let (variance, df) = square(0.04, 0.0, 6.0).one_further();
        assert!((variance / 0.04 - 1.0).abs() < 1e-7 && (df - 6.0).abs() < 1e-12);
        let mut before = 0.0;
        for value in [1e-6, 1e-3, 0.004, 0.01, 0.02, 0.04, 0.1] {
            let (variance, df) = square(value, 0.01, 11.0).one_further();
            assert!(variance > before && variance < value && (df - 11.0).abs() < 1e-12, "{value}: {variance}");
            before = variance;
        }
        // Half of three days' mean square is scatter: less than the whole, more than the difference of the two.
        let (variance, _) = square(0.02, 0.01, 3.0).one_further();
        assert!(0.01 < variance && variance < 0.02, "{variance}");
    }
}
