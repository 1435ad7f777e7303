//! The distribution of a corrected log time.
//!
//! The pairs of a line show with ν degrees of freedom the variance s² about it and, through it, τ² = s² − v, v the
//! variance that replicate scatter explains. τ is not known exactly, and τ̂ = 0 does not mean τ = 0. So τ² is given its
//! confidence distribution: τ²(W) = max(0, s² ν / W − v), W chi-squared with ν degrees of freedom, and the predictive
//! distribution is the mixture over W of
//!
//! `centre + N(0, u² ν / W + τ²(W)) + σ-part`,
//!
//! u² what the scatter of the materials leaves uncertain of the line: it rests on the same s², so that a further material
//! about a mean of m is t with variance s² (1 + 1/m), exactly, where nothing else is uncertain. The σ-part is Student t:
//! the report's own mean and a further specimen with the degrees of freedom of σ, and what days, runs and belts add (of
//! the line, of the report, of a further specimen) with those of its own estimate. They join by Welch and Satterthwaite to
//! (V, ν_V); inside the mixture this is t with (u² ν / W + τ²(W) + V)² ν_V / V² degrees of freedom. The line itself is t
//! with the standard error and degrees of freedom of its own fit. The construction is that of a prediction interval of
//! random-effects meta-analysis from the confidence distribution of τ² (Nagashima, Noma and Furukawa 2019), with the
//! chi-squared approximation to Q in place of its exact distribution.
//!
//! One more log-normal specimen, factor common to all: σ² is then most of the variance, τ̂ = 0 does little harm, and the
//! mixture is longer than it need be (up to 97 % at nominal 95 %). So the variances u² + τ̂² + report + σ² are summed
//! with Satterthwaite's (1946) degrees of freedom: s² has ν, and v, subtracted in τ̂² = s² − v, those of σ; as far as τ² > 0 is
//! likely (by the share of W that gives it), for τ̂² does not depend on s² where it is 0. The tail is nowhere lighter than that
//! of the median's mixture, which decides with four materials or fewer, nor heavier than that of the specimen's own.
//!
//! By class the centre is a predictor that depends on ω², the variance between classes. ω² is given its confidence
//! distribution likewise: Q(ω²) = W′, Q the weighted sum of squares of the class means about their common mean, W′
//! chi-squared with classes − 1 degrees of freedom, ω² = 0 where Q(0) < W′. The mixture is then over W and W′. Two or
//! three classes say little of ω², and the mixture says so.

use std::collections::BTreeMap;
use std::sync::Arc;

use crate::equivalence::{ClassPrediction, predict_class};
use crate::numeric::count;
use crate::numeric::quadrature;
use crate::numeric::root::bracketed;
use crate::numeric::special::{chi_squared_survival, normal_cdf, t_survival};
use crate::severity::Distribution;

/// The pieces of variance of a corrected log time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pieces {
    /// u²: what the scatter of the materials leaves uncertain of the line; 0 for the line itself and by class.
    pub(crate) line: f64,
    /// s² and v.
    pub(crate) observed: f64,
    pub(crate) pair: f64,
    /// ν.
    pub(crate) df: f64,
    /// Variance of the report's own log median, times slope².
    pub(crate) report: f64,
    /// σ, and its degrees of freedom.
    pub(crate) sigma: f64,
    pub(crate) sigma_df: f64,
    /// What days, runs and belts add, with its degrees of freedom; for the line itself all that is uncertain of it.
    pub(crate) shared: Part,
}

/// A variance and its degrees of freedom.
pub(crate) type Part = (f64, f64);

/// The sum of independent variances, with degrees of freedom after Welch and Satterthwaite.
pub(crate) fn sum_of(parts: impl IntoIterator<Item = Part>) -> Part {
    let (mut total, mut spread) = (0.0, 0.0);
    for (variance, df) in parts {
        total += variance;
        spread += variance * variance / df;
    }
    (total, freedom(total, spread))
}

/// Satterthwaite's degrees of freedom; infinite where nothing is uncertain, and where squares of variances are no numbers: their
/// limits are out of reach whatever the degrees of freedom.
fn freedom(total: f64, spread: f64) -> f64 {
    let df = total * total / spread;
    if spread > 0.0 && df > 0.0 { df } else { f64::INFINITY }
}

/// What is predicted.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Target {
    /// The line itself: the median over materials with this laboratory time.
    Line,
    /// The road median of this material.
    Material,
    /// One further specimen of this material on the road.
    Specimen,
}

/// One normal part of a mixture.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Node {
    weight: f64,
    /// Its mean, relative to the centre.
    offset: f64,
    variance: f64,
}

/// What a correction by class adds to the pieces.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct ClassPieces<'a> {
    /// (mean log ratio, its variance) of each class.
    pub(crate) points: &'a [(f64, f64)],
    /// Which of them; `None`: a class that is not among them.
    pub(crate) of: Option<usize>,
    /// log c with the part of its variance that single materials have for themselves.
    pub(crate) common: (f64, f64),
}

/// A predictive distribution of a log time: a place, and a shape that many reports share.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Predictive {
    centre: f64,
    shape: Arc<Shape>,
}

/// The distribution about its centre.
#[derive(Debug, PartialEq)]
struct Shape {
    /// Weights summing to 1.
    mixture: Vec<Node>,
    /// The σ-part and the shared part together.
    sigma: Part,
    /// A further specimen of a distribution that is not log-normal: W − median(W), times σ.
    specimen: Option<(Distribution, f64)>,
    student: Option<Student>,
}

/// A further log-normal specimen: Student t, between the mixtures of its median and its own.
#[derive(Debug, Clone, Copy, PartialEq)]
struct Student {
    total: Part,
    /// In place of `sigma`, for the median.
    median: Part,
}

impl Predictive {
    pub(crate) fn new(centre: f64, pieces: Pieces, target: Target, distribution: Distribution) -> Self {
        let with_tau = target != Target::Line;
        let mixture = chi_squared_mixture(pieces.df, with_tau.then(|| pieces.observed / pieces.pair * pieces.df))
            .into_iter()
            .map(|(weight, w)| {
                let inflation = pieces.df / w;
                let variance = pieces.line * inflation + tau2(&pieces, with_tau, inflation);
                Node { weight, offset: 0.0, variance }
            })
            .collect();
        let student = (target, distribution) == (Target::Specimen, Distribution::LogNormal);
        let student = student.then(|| Student { total: pieces.specimen(), median: pieces.with_shared(pieces.report) });
        Self { centre, shape: Arc::new(Shape::new(mixture, pieces, target, distribution, student)) }
    }

    /// By class: the log time is `x` plus the log ratio of the class.
    pub(crate) fn by_class(
        x: f64,
        class: ClassPieces<'_>,
        pieces: Pieces,
        target: Target,
        distribution: Distribution,
        between: f64,
    ) -> Self {
        let with_tau = target != Target::Line;
        let centre = predict_class(class.points, class.of, between, Some(class.common)).mean;
        let kink = with_tau.then(|| pieces.observed / pieces.pair * pieces.df);
        let within = chi_squared_mixture(pieces.df, kink);
        let mut bins: BTreeMap<(i64, i64), Node> = BTreeMap::new();
        let omegas = between_mixture(class.points);
        // Parts that differ by less than a seventh of their width are brought together, mean and variance kept: some
        // hundred are left of tens of thousands.
        let width = class.points.iter().map(|p| p.1).fold(f64::INFINITY, f64::min) + pieces.report;
        let grain = (0.15 * libm::sqrt(width)).max(f64::MIN_POSITIVE);
        let mut points = class.points.to_vec();
        for (weight, w) in within {
            let inflation = pieces.df / w;
            let tau2 = tau2(&pieces, with_tau, inflation);
            for (scaled, point) in points.iter_mut().zip(class.points) {
                scaled.1 = point.1 * inflation;
            }
            let common = (class.common.0, class.common.1 * inflation);
            for &(share, omega2) in &omegas {
                // The far corners of both tails: in sum less than a millionth.
                if weight * share < 1e-11 {
                    continue;
                }
                let ClassPrediction { mean, standard_error, .. } =
                    predict_class(&points, class.of, omega2, Some(common));
                let node = Node {
                    weight: weight * share,
                    offset: mean - centre,
                    variance: standard_error * standard_error + tau2,
                };
                let key = (whole(node.offset / grain), whole(libm::log(node.variance.max(1e-300)) / 0.15));
                let bin = bins.entry(key).or_insert(Node { weight: 0.0, offset: 0.0, variance: 0.0 });
                bin.weight += node.weight;
                bin.offset += node.weight * node.offset;
                bin.variance += node.weight * (node.variance + node.offset * node.offset);
            }
        }
        let total: f64 = bins.values().map(|b| b.weight).sum();
        let mixture = bins
            .into_values()
            .map(|b| {
                let offset = b.offset / b.weight;
                Node { weight: b.weight / total, offset, variance: (b.variance / b.weight - offset * offset).max(0.0) }
            })
            .collect();
        Self { centre: x + centre, shape: Arc::new(Shape::new(mixture, pieces, target, distribution, None)) }
    }

    /// The same distribution, further up by `shift`.
    pub(crate) fn shifted(&self, shift: f64) -> Self {
        Self { centre: self.centre + shift, shape: Arc::clone(&self.shape) }
    }

    /// Probability that the log time is at least `y`.
    pub(crate) fn survival(&self, y: f64) -> f64 {
        self.shape.survival(y - self.centre)
    }

    /// The point estimate: the centre, or the median where a further specimen's distribution is not symmetric. By class
    /// the centre is the best linear unbiased predictor, which need not be the median of the mixture.
    pub(crate) fn middle(&self) -> Option<f64> {
        if self.shape.specimen.is_none() { Some(self.centre) } else { self.quantile(0.5) }
    }

    /// The log time that is exceeded with probability `1 - p`; `None` where that leaves the range of numbers.
    pub(crate) fn quantile(&self, p: f64) -> Option<f64> {
        self.shape.quantile(p).map(|distance| self.centre + distance)
    }
}

impl Shape {
    fn new(
        mixture: Vec<Node>,
        pieces: Pieces,
        target: Target,
        distribution: Distribution,
        student: Option<Student>,
    ) -> Self {
        let log_normal = distribution == Distribution::LogNormal;
        let of_specimen = target == Target::Specimen;
        let own = pieces.report + if of_specimen && log_normal { pieces.sigma * pieces.sigma } else { 0.0 };
        let specimen = (of_specimen && !log_normal).then_some((distribution, pieces.sigma));
        Self { mixture, sigma: pieces.with_shared(own), specimen, student }
    }

    fn survival(&self, y: f64) -> f64 {
        let Some((distribution, sigma)) = self.specimen else { return self.location_survival(y) };
        // P(L + σ(W − median) ≥ y) = ∫ P(L ≥ y − σ(w − median)) dF(w): trapezoids in w between its 10⁻⁹ quantiles.
        let (low, high) = (distribution.quantile(1e-9), distribution.quantile(1.0 - 1e-9));
        let steps = 200_u32;
        let (mut total, mut weights) = (0.0, 0.0);
        for i in 0..=steps {
            let w = low + (high - low) * f64::from(i) / f64::from(steps);
            let weight = libm::exp(distribution.log_density(w).value);
            weights += weight;
            total += weight * self.location_survival(y - sigma * (w - distribution.median()));
        }
        total / weights
    }

    fn location_survival(&self, distance: f64) -> f64 {
        let Some(Student { total: (variance, df), median }) = self.student.filter(|s| s.total.0 > 0.0) else {
            return self.mixture_survival(distance, self.sigma);
        };
        let far = distance.abs();
        let z = far / libm::sqrt(variance);
        let tail = if df > 1e6 { normal_cdf(-z) } else { t_survival(z, df) };
        debug_assert!(!tail.is_nan());
        let tail = tail.max(self.mixture_survival(far, median)).min(self.mixture_survival(far, self.sigma));
        if distance < 0.0 { 1.0 - tail } else { tail }
    }

    fn mixture_survival(&self, distance: f64, (sigma_variance, sigma_df): Part) -> f64 {
        self.mixture
            .iter()
            .map(|&Node { weight, offset, variance }| {
                let total = variance + sigma_variance;
                let distance = distance - offset;
                if total <= 0.0 {
                    // Nothing is uncertain: a point.
                    return if distance <= 0.0 { weight } else { 0.0 };
                }
                let z = distance / libm::sqrt(total);
                let df = if sigma_variance > 0.0 { sigma_df * (total / sigma_variance).powi(2) } else { f64::INFINITY };
                weight * if df > 1e6 { normal_cdf(-z) } else { t_survival(z, df) }
            })
            .sum()
    }

    /// Relative to the centre.
    fn quantile(&self, p: f64) -> Option<f64> {
        let symmetric = self.specimen.is_none() && self.mixture.iter().all(|n| n.offset == 0.0);
        if (p - 0.5).abs() < f64::EPSILON && symmetric {
            // Every part is symmetric.
            return Some(0.0);
        }
        let target = 1.0 - p;
        let spread: f64 = self
            .mixture
            .iter()
            .map(|m| m.weight * (libm::sqrt(m.variance + self.sigma.0) + m.offset.abs()))
            .sum::<f64>()
            + self.specimen.map_or(0.0, |s| s.1);
        if spread <= 0.0 {
            return Some(0.0);
        }
        let excess = |y: f64| self.survival(y) - target;
        let (mut low, mut high) = (-spread, spread);
        let mut step = spread;
        let (mut at_low, mut at_high) = (excess(low), excess(high));
        while at_low < 0.0 || at_high > 0.0 {
            step *= 2.0;
            // Beyond e^±700 no time is a number.
            if step >= 1e4 {
                return None;
            }
            if at_low < 0.0 {
                low = -step;
                at_low = excess(low);
            }
            if at_high > 0.0 {
                high = step;
                at_high = excess(high);
            }
        }
        Some(bracketed(excess, low, at_low, high, at_high))
    }
}

impl Pieces {
    /// A variance that rests on σ, together with the shared part.
    fn with_shared(&self, own: f64) -> Part {
        let sigma = (own, self.sigma_df);
        if self.shared.0 > 0.0 { sum_of([sigma, self.shared]) } else { sigma }
    }

    /// Variance of a further log-normal specimen, with Satterthwaite's degrees of freedom.
    fn specimen(&self) -> Part {
        let sigma_df = self.sigma_df;
        let own = self.report + self.sigma * self.sigma;
        let positive = if self.pair > 0.0 {
            1.0 - chi_squared_survival(self.observed / self.pair * self.df, self.df)
        } else {
            1.0
        };
        let of_pairs = self.line + positive * self.observed;
        let of_sigma = own - positive * self.pair;
        let total = self.line + tau2(self, true, 1.0) + own + self.shared.0;
        let spread =
            of_pairs * of_pairs / self.df + of_sigma * of_sigma / sigma_df + self.shared.0.powi(2) / self.shared.1;
        (total, freedom(total, spread))
    }
}

/// τ² at an inflation ν/W.
fn tau2(pieces: &Pieces, with_tau: bool, inflation: f64) -> f64 {
    if with_tau { (pieces.observed * inflation - pieces.pair).max(0.0) } else { 0.0 }
}

#[allow(clippy::cast_possible_truncation)]
fn whole(value: f64) -> i64 {
    // A bin number; beyond the range of i64 the cast saturates, which is a bin too.
    libm::floor(value) as i64
}

/// Weights and values of ω² by its confidence distribution.
fn between_mixture(points: &[(f64, f64)]) -> Vec<(f64, f64)> {
    let q = |omega2: f64| {
        let (mut sw, mut swm) = (0.0, 0.0);
        for (m, v) in points {
            sw += 1.0 / (v + omega2);
            swm += m / (v + omega2);
        }
        points.iter().map(|(m, v)| (m - swm / sw) * (m - swm / sw) / (v + omega2)).sum::<f64>()
    };
    let at_zero = q(0.0);
    let mut zero = 0.0;
    let mut nodes = Vec::new();
    let largest = points.iter().map(|p| p.1).fold(0.0, f64::max);
    for (weight, w) in chi_squared_mixture(count(points.len() - 1), Some(at_zero)) {
        if w >= at_zero {
            zero += weight;
            continue;
        }
        let (mut high, mut excess) = (largest, q(largest) - w);
        // Q falls as 1/ω²: the bracket is found in as many doublings as W has binary places.
        for _ in 0..1000 {
            if excess <= 0.0 {
                break;
            }
            high *= 4.0;
            excess = q(high) - w;
        }
        nodes.push((weight, bracketed(|t| q(t) - w, 0.0, at_zero - w, high, excess)));
    }
    if zero > 0.0 {
        nodes.push((zero, 0.0));
    }
    nodes
}

/// Nodes and weights for expectations over W, chi-squared with `df`: Gauss–Legendre panels in log W, with a panel
/// boundary at `kink`, where the integrand may bend.
fn chi_squared_mixture(df: f64, kink: Option<f64>) -> Vec<(f64, f64)> {
    // Density of x = ln(W/ν), up to a constant: exp(ν/2 (x − eˣ + 1)); ends where it is e⁻²⁵ of its top.
    let exponent = |x: f64| 0.5 * df * (x - libm::exp(x) + 1.0) + 25.0;
    let end = |sign: f64| {
        let mut far = sign;
        while exponent(far) > 0.0 {
            far *= 2.0;
        }
        bracketed(exponent, 0.0, 25.0, far, exponent(far))
    };
    let (low, high) = (end(-1.0), end(1.0));
    let mut edges = vec![low, high];
    if let Some(kink) = kink.map(|k| libm::log(k / df)).filter(|k| *k > low && *k < high) {
        edges.insert(1, kink);
    }
    let widest = (1.5 * libm::sqrt(2.0 / df)).min(2.0);
    let mut nodes = Vec::new();
    for side in edges.windows(2) {
        let length = side[1] - side[0];
        let panels = (1_u32..10_000).find(|n| length <= widest * f64::from(*n)).unwrap_or(10_000);
        nodes.extend(
            quadrature::nodes(side[0], side[1], panels)
                .map(|(x, w)| (w * libm::exp(exponent(x) - 25.0), df * libm::exp(x))),
        );
    }
    let total: f64 = nodes.iter().map(|n| n.0).sum();
    debug_assert!(total > 0.0 && count(nodes.len()) > 0.0);
    for node in &mut nodes {
        node.0 /= total;
    }
    nodes
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::equivalence::{ScatterEstimator, random_effects};
    use crate::numeric::special::{normal_quantile, t_quantile};
    use crate::numeric::stream::{stream, unit};

    const NONE: Part = (0.0, f64::INFINITY);

    /// Without v the mixture is Student t: the line with its own variance, a further material with u² + s².
    #[test]
    fn the_mixture_contains_student_t() {
        for df in [1.0, 2.0, 5.0, 11.0, 40.0, 500.0] {
            for (target, line, shared, variance) in
                [(Target::Line, 0.0, (0.04, df), 0.04_f64), (Target::Material, 0.04, NONE, 0.13)]
            {
                let pieces =
                    Pieces { line, observed: 0.09, pair: 0.0, df, report: 0.0, sigma: 0.2, sigma_df: 1e9, shared };
                let p = Predictive::new(0.7, pieces, target, Distribution::LogNormal);
                for level in [0.9, 0.975, 0.995] {
                    let want = 0.7 + t_quantile(level, df) * variance.sqrt();
                    let got = p.quantile(level).unwrap();
                    assert!((got / want - 1.0).abs() < 1e-7, "df {df}: {got} {want}");
                    assert!((p.survival(want) - (1.0 - level)).abs() < 1e-9);
                }
            }
        }
    }

    /// With everything but the σ-part at zero: t with the degrees of freedom of σ; a specimen adds σ².
    #[test]
    fn the_sigma_part_is_student_t() {
        let (line, observed, report, sigma) = (0.0, 0.0, 0.01, 0.2);
        let p = Pieces { line, observed, pair: 0.1, df: 5.0, report, sigma, sigma_df: 9.0, shared: NONE };
        for (target, variance) in [(Target::Material, 0.01_f64), (Target::Specimen, 0.05)] {
            let got = Predictive::new(0.0, p, target, Distribution::LogNormal).quantile(0.975).unwrap();
            let want = t_quantile(0.975, 9.0) * variance.sqrt();
            assert!((got / want - 1.0).abs() < 1e-10, "{got} {want}");
        }
        // A shared part beside it: t with Satterthwaite's degrees of freedom.
        let both = Pieces { shared: (0.02, 6.0), ..p };
        let got = Predictive::new(0.0, both, Target::Material, Distribution::LogNormal).quantile(0.975).unwrap();
        let want =
            t_quantile(0.975, 0.03_f64.powi(2) / (0.01_f64.powi(2) / 9.0 + 0.02_f64.powi(2) / 6.0)) * 0.03_f64.sqrt();
        assert!((got / want - 1.0).abs() < 1e-10, "{got} {want}");
        // Nothing uncertain at all: a point.
        let none = Pieces { report: 0.0, sigma: 0.0, ..p };
        let point = Predictive::new(1.5, none, Target::Material, Distribution::LogNormal);
        assert_eq!(point.quantile(0.1), Some(1.5));
        assert!((point.survival(1.4) - 1.0).abs() < 1e-12 && point.survival(1.6) == 0.0);
    }

    /// Satterthwaite by hand: variances 0.06 with 5 and 0.09 with 20 degrees of freedom. Far out, and where σ is nothing, a
    /// specimen is no surer than its median.
    #[test]
    fn a_further_specimen_sums_its_variances() {
        let (line, sigma, sigma_df) = (0.01, 0.3, 20.0);
        let p = Pieces { line, observed: 0.05, pair: 0.0, df: 5.0, report: 0.0, sigma, sigma_df, shared: NONE };
        let at = |p: Pieces, target, q| Predictive::new(0.0, p, target, Distribution::LogNormal).quantile(q).unwrap();
        let df = 0.15_f64.powi(2) / (0.06_f64.powi(2) / 5.0 + 0.09_f64.powi(2) / 20.0);
        let want = t_quantile(0.975, df) * 0.15_f64.sqrt();
        assert!((at(p, Target::Specimen, 0.975) / want - 1.0).abs() < 1e-10);
        assert!((at(p, Target::Specimen, 0.025) / want + 1.0).abs() < 1e-10);
        // τ̂² = 0.05 − 0.03, positive with probability P(χ²₅ ≤ 8.333) = 0.86120337 (scipy 1.17): so much of the 0.05 counts as known
        // with 5 degrees of freedom, and so much of the 0.03 comes off what is known with 20.
        let share = 0.861_203_372_3;
        let (of_pairs, of_sigma) = (0.01 + share * 0.05, 0.09 - share * 0.03);
        let df = 0.12_f64.powi(2) / (of_pairs * of_pairs / 5.0 + of_sigma * of_sigma / 20.0);
        let want = t_quantile(0.975, df) * 0.12_f64.sqrt();
        assert!((at(Pieces { pair: 0.03, ..p }, Target::Specimen, 0.975) / want - 1.0).abs() < 1e-7);
    }

    fn without_student(of: Predictive) -> Predictive {
        let Shape { mixture, sigma, specimen, .. } = Arc::into_inner(of.shape).unwrap();
        Predictive { centre: of.centre, shape: Arc::new(Shape { mixture, sigma, specimen, student: None }) }
    }

    /// Never surer than the median, never less sure than the mixture; no jump where τ̂ becomes 0. One specimen a cell: v is
    /// more than the variance of report and specimen together.
    #[test]
    fn a_further_specimen_lies_between_the_mixtures() {
        for (df, pair, report, sigma) in [
            (1.0, 0.016, 0.008, 0.2),
            (2.0, 0.08, 0.0133, 0.2),
            (5.0, 0.08, 0.0133, 0.2),
            (5.0, 0.016, 0.008, 0.2),
            (19.0, 0.04, 0.02, 0.01),
        ] {
            let mut before: Option<f64> = None;
            for step in 0..60 {
                let observed = pair * libm::exp(f64::from(step - 30) * 0.02);
                let line = observed / (df + 1.0);
                let p = Pieces { line, observed, pair, df, report, sigma, sigma_df: 24.0, shared: NONE };
                let of = |target| Predictive::new(0.0, p, target, Distribution::LogNormal);
                let [specimen, median, mixture] =
                    [of(Target::Specimen), of(Target::Material), without_student(of(Target::Specimen))]
                        .map(|p| p.quantile(0.975).unwrap());
                assert!(specimen >= median * (1.0 - 1e-9), "{df} {pair} {step}");
                assert!(specimen <= mixture * (1.0 + 1e-9), "{df} {pair} {step}");
                // Variances grow by 2 % a step, and the limit by no more, whatever happens to the degrees of freedom.
                if let Some(before) = before.replace(specimen) {
                    assert!((0.999..1.02).contains(&(specimen / before)), "{df} {pair} {step}: {}", specimen / before);
                }
            }
        }
        // Far out the median's tail, of 5 degrees of freedom, is the heavier.
        let (line, sigma, sigma_df) = (0.01, 0.3, 20.0);
        let p = Pieces { line, observed: 0.05, pair: 0.0, df: 5.0, report: 0.0, sigma, sigma_df, shared: NONE };
        let [specimen, median] = [Target::Specimen, Target::Material]
            .map(|target| Predictive::new(0.0, p, target, Distribution::LogNormal).quantile(1.0 - 1e-9).unwrap());
        assert!((specimen / median - 1.0).abs() < 1e-9, "{specimen} {median}");
    }

    /// A Weibull specimen with a sure location has the Weibull's own quantiles, and its median is the location.
    #[test]
    fn a_specimen_follows_its_distribution() {
        let (line, sigma, sigma_df) = (1e-3, 0.5, 1e9);
        let sure = Pieces { line, observed: 0.0, pair: 0.1, df: 1e4, report: 0.0, sigma, sigma_df, shared: NONE };
        for distribution in [Distribution::Weibull, Distribution::LogLogistic] {
            // A small spread of the location hardly moves the quantiles, and gives the sum something smooth.
            let p = Predictive::new(0.0, sure, Target::Specimen, distribution);
            for q in [0.1, 0.5, 0.9] {
                let want = 0.5 * (distribution.quantile(q) - distribution.median());
                assert!((p.quantile(q).unwrap() - want).abs() < 0.01, "{distribution} {q}");
            }
        }
    }

    /// Coverage of nominal 95 % intervals of a balanced campaign without censoring, from the sufficient statistics: log
    /// ratios and σ̂ are drawn, the mean is fitted as in a campaign, and the truth is asked where it lies in the distribution.
    /// Factor, median and specimen of a further material known by a report of five specimens.
    fn balanced_coverage(draws: u64, materials: u32, tau: f64, seed: u64) -> [f64; 3] {
        let (sigma, specimens, log_c) = (0.2_f64, 5.0_f64, 0.4_f64);
        let mut hits = [0_u32; 3];
        for r in 0..draws {
            let mut rng = stream(seed, r);
            let mut normal = || normal_quantile(unit(&mut rng));
            let v = 2.0 * sigma * sigma / specimens;
            let d: Vec<f64> = (0..materials).map(|_| log_c + tau * normal() + libm::sqrt(v) * normal()).collect();
            let sigma_df = 8.0 * f64::from(materials);
            let squares: f64 = (0..8 * materials).map(|_| normal().powi(2)).sum();
            let estimate = sigma * libm::sqrt(squares / sigma_df);
            let se = vec![libm::sqrt(2.0 / specimens) * estimate; d.len()];
            let fit = random_effects(&d, &se, ScatterEstimator::Restricted).unwrap();
            let pieces = Pieces {
                line: fit.small_sample_standard_error().powi(2),
                observed: fit.observed_variance(),
                pair: fit.typical_variance(),
                df: f64::from(materials - 1),
                report: estimate * estimate / specimens,
                sigma: estimate,
                sigma_df,
                shared: NONE,
            };
            let report_error = sigma / libm::sqrt(specimens) * normal();
            let own = log_c + tau * normal();
            let further = own + sigma * normal();
            let centre = fit.mean() + report_error;
            let half = t_quantile(0.975, pieces.df) * libm::sqrt(pieces.line);
            hits[0] += u32::from((fit.mean() - log_c).abs() <= half);
            for (k, target, truth) in [(1, Target::Material, own), (2, Target::Specimen, further)] {
                let p = Predictive::new(centre, pieces, target, Distribution::LogNormal).survival(truth);
                hits[k] += u32::from((0.025..=0.975).contains(&p));
            }
        }
        #[allow(clippy::cast_precision_loss)]
        hits.map(|h| f64::from(h) / draws as f64)
    }

    /// Balanced campaign, σ known, nothing censored: the length of an interval depends on s², or on chance beside it. Of the
    /// intervals that reach as far on either side of the estimate, are never shorter than with τ = 0 known (content 0.95 at
    /// τ = 0) and hold at most `at_zero` there, none holds more at τ than the one that is endless where s² exceeds a threshold: its content at τ is a convex function of that at τ = 0, and
    /// the likelihood ratio of τ to 0 grows with s² (Neyman and Pearson).
    fn most_that_a_median_can_hold(materials: u32, tau: f64, at_zero: f64) -> f64 {
        use crate::numeric::special::chi_squared_quantile;
        let (pair, report, df) = (0.016, 0.008, f64::from(materials - 1));
        let endless = (at_zero - 0.95) / 0.05;
        let threshold = chi_squared_quantile(1.0 - endless, df);
        let s2 = tau * tau + pair;
        let share = chi_squared_survival(threshold * pair / s2, df);
        let known = libm::sqrt(report + pair / f64::from(materials));
        let here = libm::sqrt(tau * tau + report + s2 / f64::from(materials));
        share + (1.0 - share) * (1.0 - 2.0 * normal_cdf(-normal_quantile(0.975) * known / here))
    }

    #[test]
    fn no_interval_of_a_median_is_short_at_0_and_right_elsewhere() {
        for (materials, tau, most) in [(6, 0.12, 0.9053), (8, 0.11, 0.9170), (12, 0.09, 0.9293)] {
            // The figures: scipy 1.17 (chi2, norm), three lines of the same formula.
            let bound = most_that_a_median_can_hold(materials, tau, 0.96);
            assert!((bound - most).abs() < 5e-5, "{materials}: {bound}");
            // The mixture lies between: long at 0, right at τ.
            let [_, median, _] = balanced_coverage(2000, materials, tau, 4);
            assert!(median > bound + 0.01, "{materials}: {median}");
        }
    }

    #[test]
    fn balanced_intervals_cover() {
        // Monte Carlo standard error 0.005.
        for (materials, tau) in [(3, 0.3), (6, 0.2), (12, 0.3)] {
            let shares = balanced_coverage(2000, materials, tau, 4);
            for share in shares {
                assert!((0.935..0.97).contains(&share), "{materials} {tau}: {shares:?}");
            }
        }
    }

    #[test]
    #[ignore = "a minute; prints the table of correction/mod.rs"]
    fn balanced_intervals_cover_what_they_say() {
        println!("| materials | τ | factor | median | specimen |");
        for materials in [6, 8, 12, 20] {
            for tau in [0.0, 0.05, 0.1, 0.2, 0.3] {
                let shares = balanced_coverage(20_000, materials, tau, 4);
                println!("| {materials} | {tau} | {:.3} | {:.3} | {:.3} |", shares[0], shares[1], shares[2]);
                assert!(shares.iter().all(|s| *s > 0.94), "{shares:?}");
                // Within three Monte Carlo standard errors of 0.94 to 0.96.
                assert!((0.9355..0.9645).contains(&shares[2]), "{shares:?}");
            }
        }
    }
}
