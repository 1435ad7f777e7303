//! The distribution of a corrected log time.
//!
//! The pairs of a line tell two things with ν degrees of freedom: the variance s² that they show about it, and,
//! through it, τ² = s² − v, v the variance that replicate scatter explains. Neither is known exactly, and τ̂ = 0 does
//! not mean τ = 0. So both are given their confidence distribution: s²(W) = s² ν / W, τ²(W) = max(0, s²(W) − v), W
//! chi-squared with ν degrees of freedom, and the predictive distribution is the mixture over W of
//!
//! `centre + N(0, u² s²(W)/s² + τ²(W)) + σ-part`,
//!
//! u the standard error of the line at this time. The σ-part (the report's own mean, and a further specimen) is
//! Student t with the degrees of freedom of σ; inside the mixture, t with the Welch–Satterthwaite degrees of freedom
//! (V_u + V_σ)² ν_σ / V_σ². With τ left out and no σ-part this is exactly the t interval of the line. The construction
//! is that of a prediction interval of random-effects meta-analysis from the confidence distribution of τ² (Nagashima,
//! Noma and Furukawa 2019), with the chi-squared approximation to Q in place of its exact distribution.

use crate::equivalence::{count, root};
use crate::numeric::special::{normal_cdf, t_survival};
use crate::severity::Distribution;

/// Abscissae and weights of 8-point Gauss–Legendre quadrature (Abramowitz & Stegun, Table 25.4).
const NODES: [(f64, f64); 4] = [
    (0.183_434_642_495_649_8, 0.362_683_783_378_362),
    (0.525_532_409_916_329, 0.313_706_645_877_887_3),
    (0.796_666_477_413_626_7, 0.222_381_034_453_374_48),
    (0.960_289_856_497_536_2, 0.101_228_536_290_376_26),
];

/// The pieces of variance of a corrected log time.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct Pieces {
    /// Squared standard error of the line at this laboratory time.
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
    pub(crate) sigma_df: Option<f64>,
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

/// A predictive distribution of a log time.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Predictive {
    centre: f64,
    /// (weight, variance of the normal part), weights summing to 1.
    mixture: Vec<(f64, f64)>,
    /// Variance and degrees of freedom of the σ-part.
    sigma_variance: f64,
    sigma_df: Option<f64>,
    /// A further specimen of a distribution that is not log-normal: W − median(W), times σ.
    specimen: Option<(Distribution, f64)>,
}

impl Predictive {
    pub(crate) fn new(centre: f64, pieces: Pieces, target: Target, distribution: Distribution) -> Self {
        let with_tau = target != Target::Line;
        let mixture = chi_squared_mixture(pieces.df, with_tau.then(|| pieces.observed / pieces.pair * pieces.df))
            .into_iter()
            .map(|(weight, w)| {
                let inflation = pieces.df / w;
                let tau2 = if with_tau { (pieces.observed * inflation - pieces.pair).max(0.0) } else { 0.0 };
                (weight, pieces.line * inflation + tau2)
            })
            .collect();
        let log_normal = distribution == Distribution::LogNormal;
        let of_specimen = target == Target::Specimen;
        Self {
            centre,
            mixture,
            sigma_variance: pieces.report + if of_specimen && log_normal { pieces.sigma * pieces.sigma } else { 0.0 },
            sigma_df: pieces.sigma_df,
            specimen: (of_specimen && !log_normal).then_some((distribution, pieces.sigma)),
        }
    }

    /// Probability that the log time is at least `y`.
    pub(crate) fn survival(&self, y: f64) -> f64 {
        let Some((distribution, sigma)) = self.specimen else { return self.location_survival(y - self.centre) };
        // P(L + σ(W − median) ≥ y) = ∫ P(L ≥ y − σ(w − median)) dF(w): trapezoids in w between its 10⁻⁹ quantiles.
        let (low, high) = (distribution.quantile(1e-9), distribution.quantile(1.0 - 1e-9));
        let steps = 200_u32;
        let (mut total, mut weights) = (0.0, 0.0);
        for i in 0..=steps {
            let w = low + (high - low) * f64::from(i) / f64::from(steps);
            let weight = libm::exp(distribution.log_density(w).value);
            weights += weight;
            total += weight * self.location_survival(y - self.centre - sigma * (w - distribution.median()));
        }
        total / weights
    }

    fn location_survival(&self, distance: f64) -> f64 {
        self.mixture
            .iter()
            .map(|&(weight, variance)| {
                let total = variance + self.sigma_variance;
                if total <= 0.0 {
                    // Nothing is uncertain: a point.
                    return if distance <= 0.0 { weight } else { 0.0 };
                }
                let z = distance / libm::sqrt(total);
                let df = match self.sigma_df {
                    Some(df) if self.sigma_variance > 0.0 => df * (total / self.sigma_variance).powi(2),
                    _ => f64::INFINITY,
                };
                weight * if df > 1e6 { normal_cdf(-z) } else { t_survival(z, df) }
            })
            .sum()
    }

    /// The log time that is exceeded with probability `1 - p`; `None` where that leaves the range of numbers.
    pub(crate) fn quantile(&self, p: f64) -> Option<f64> {
        if (p - 0.5).abs() < f64::EPSILON && self.specimen.is_none() {
            // Every part is symmetric.
            return Some(self.centre);
        }
        let target = 1.0 - p;
        let spread: f64 = self.mixture.iter().map(|m| m.0 * libm::sqrt(m.1 + self.sigma_variance)).sum::<f64>()
            + self.specimen.map_or(0.0, |s| s.1);
        if spread <= 0.0 {
            return Some(self.centre);
        }
        let excess = |y: f64| self.survival(y) - target;
        let (mut low, mut high) = (self.centre - spread, self.centre + spread);
        let mut step = spread;
        let (mut at_low, mut at_high) = (excess(low), excess(high));
        while at_low < 0.0 || at_high > 0.0 {
            step *= 2.0;
            // Beyond e^±700 no time is a number.
            if step >= 1e4 {
                return None;
            }
            if at_low < 0.0 {
                low = self.centre - step;
                at_low = excess(low);
            }
            if at_high > 0.0 {
                high = self.centre + step;
                at_high = excess(high);
            }
        }
        Some(root(excess, low, at_low, high, at_high))
    }
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
        root(exponent, 0.0, 25.0, far, exponent(far))
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
        let half = 0.5 * length / f64::from(panels);
        for k in 0..panels {
            let middle = side[0] + half * f64::from(2 * k + 1);
            for (x, w) in NODES {
                for x in [middle - half * x, middle + half * x] {
                    nodes.push((w * half * libm::exp(exponent(x) - 25.0), df * libm::exp(x)));
                }
            }
        }
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
    use crate::numeric::special::t_quantile;

    fn pieces(df: f64) -> Pieces {
        Pieces { line: 0.04, observed: 0.09, pair: 0.0, df, report: 0.0, sigma: 0.2, sigma_df: None }
    }

    /// Without v the mixture is Student t: the line with variance u², a material with u² + s².
    #[test]
    fn the_mixture_contains_student_t() {
        for df in [1.0, 2.0, 5.0, 11.0, 40.0, 500.0] {
            for (target, variance) in [(Target::Line, 0.04_f64), (Target::Material, 0.13)] {
                let p = Predictive::new(0.7, pieces(df), target, Distribution::LogNormal);
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
        let p = Pieces { line: 0.0, observed: 0.0, pair: 0.1, df: 5.0, report: 0.01, sigma: 0.2, sigma_df: Some(9.0) };
        for (target, variance) in [(Target::Material, 0.01_f64), (Target::Specimen, 0.05)] {
            let got = Predictive::new(0.0, p, target, Distribution::LogNormal).quantile(0.975).unwrap();
            let want = t_quantile(0.975, 9.0) * variance.sqrt();
            assert!((got / want - 1.0).abs() < 1e-10, "{got} {want}");
        }
        // Nothing uncertain at all: a point.
        let none = Pieces { report: 0.0, sigma: 0.0, ..p };
        let point = Predictive::new(1.5, none, Target::Material, Distribution::LogNormal);
        assert_eq!(point.quantile(0.1), Some(1.5));
        assert!((point.survival(1.4) - 1.0).abs() < 1e-12 && point.survival(1.6) == 0.0);
    }

    /// A Weibull specimen with a sure location has the Weibull's own quantiles, and its median is the location.
    #[test]
    fn a_specimen_follows_its_distribution() {
        let sure = Pieces { line: 1e-3, observed: 0.0, pair: 0.1, df: 1e4, report: 0.0, sigma: 0.5, sigma_df: None };
        for distribution in [Distribution::Weibull, Distribution::LogLogistic] {
            // A small spread of the location hardly moves the quantiles, and gives the sum something smooth.
            let p = Predictive::new(0.0, sure, Target::Specimen, distribution);
            for q in [0.1, 0.5, 0.9] {
                let want = 0.5 * (distribution.quantile(q) - distribution.median());
                assert!((p.quantile(q).unwrap() - want).abs() < 0.01, "{distribution} {q}");
            }
        }
    }
}
