//! Log tail functions for the censored likelihoods, and guarded quantiles.
//!
//! The normal log survival function and its hazard keep full relative accuracy far into both
//! tails, where `ln(1 - cdf)` fails: the complementary error function up to [`FAR_TAIL`], Laplace's
//! continued fraction of Mills' ratio beyond it (Abramowitz & Stegun 26.2.14).

use statrs::distribution::{ChiSquared, ContinuousCDF, FisherSnedecor, StudentsT};

pub(crate) const LN_SQRT_2PI: f64 = 0.918_938_533_204_672_8;
const SQRT_HALF: f64 = std::f64::consts::FRAC_1_SQRT_2;

/// From here on the continued fraction with [`TERMS`] terms is exact to the last bit.
const FAR_TAIL: f64 = 5.0;
const TERMS: u32 = 22;

/// `ln(1 - Φ(z))`, the hazard `h = φ(z)/(1 - Φ(z))`, and `h - z`, which is computed without the
/// cancellation of that difference in the far upper tail.
pub(crate) fn normal_tail(z: f64) -> (f64, f64, f64) {
    if z > FAR_TAIL {
        let mut tail = 0.0;
        for k in (1..=TERMS).rev() {
            tail = f64::from(k) / (z + tail);
        }
        let hazard = z + tail;
        (-0.5 * z * z - LN_SQRT_2PI - libm::log(hazard), hazard, tail)
    } else {
        let density = libm::exp(-0.5 * z * z - LN_SQRT_2PI);
        let (log_survival, survival) = if z < -1.0 {
            let below = 0.5 * libm::erfc(-z * SQRT_HALF);
            (libm::log1p(-below), 1.0 - below)
        } else {
            let survival = 0.5 * libm::erfc(z * SQRT_HALF);
            (libm::log(survival), survival)
        };
        let hazard = density / survival;
        (log_survival, hazard, hazard - z)
    }
}

/// Standard normal distribution function.
pub(crate) fn normal_cdf(z: f64) -> f64 {
    0.5 * libm::erfc(-z * SQRT_HALF)
}

/// Standard normal quantile; infinite at 0 and 1, NaN outside.
pub(crate) fn normal_quantile(p: f64) -> f64 {
    if p <= 0.0 || p >= 1.0 || p.is_nan() {
        return edge(p);
    }
    let upper = p > 0.5;
    let tail = if upper { 1.0 - p } else { p };
    let z = -std::f64::consts::SQRT_2 * statrs::function::erf::erfc_inv(2.0 * tail);
    // One Halley step brings the library's 14 digits to full precision.
    let error = (normal_cdf(z) - tail) / libm::exp(-0.5 * z * z - LN_SQRT_2PI);
    let z = if error.is_finite() { z - error / (1.0 + 0.5 * z * error) } else { z };
    if upper { -z } else { z }
}

fn edge(p: f64) -> f64 {
    if p == 0.0 {
        f64::NEG_INFINITY
    } else if (p - 1.0).abs() < f64::EPSILON / 4.0 {
        f64::INFINITY
    } else {
        f64::NAN
    }
}

/// Fewer degrees of freedom carry nothing, and half of them may underflow.
const FEWEST: f64 = 1e-100;

/// Student t quantile for any positive `df`, infinite included (then normal).
///
/// Above 1000 degrees of freedom the Cornish–Fisher expansion to 1/df⁴ (Abramowitz & Stegun
/// 26.7.5) replaces the library's inversion, which loses digits there.
pub(crate) fn t_quantile(p: f64, df: f64) -> f64 {
    if p <= 0.0 || p >= 1.0 || p.is_nan() {
        return edge(p);
    }
    if df > 1000.0 {
        let x = normal_quantile(p);
        if df.is_infinite() {
            return x;
        }
        let x2 = x * x;
        let g1 = x * (x2 + 1.0) / 4.0;
        let g2 = x * ((5.0 * x2 + 16.0) * x2 + 3.0) / 96.0;
        let g3 = x * (((3.0 * x2 + 19.0) * x2 + 17.0) * x2 - 15.0) / 384.0;
        let g4 = x * ((((79.0 * x2 + 776.0) * x2 + 1482.0) * x2 - 1920.0) * x2 - 945.0) / 92_160.0;
        return x + (g1 + (g2 + (g3 + g4 / df) / df) / df) / df;
    }
    match StudentsT::new(0.0, 1.0, df) {
        Ok(t) if p > 1e-290 && df >= FEWEST => t.inverse_cdf(p),
        _ => f64::NAN,
    }
}

/// Half-width multiplier of a two-sided interval: t quantile at `(1 + level)/2`, normal without
/// degrees of freedom.
pub(crate) fn two_sided_quantile(level: f64, df: Option<f64>) -> f64 {
    t_quantile(0.5 * (1.0 + level), df.unwrap_or(f64::INFINITY))
}

/// Upper tail probability of Student t.
pub(crate) fn t_survival(t: f64, df: f64) -> f64 {
    if t.is_nan() || df.is_nan() || df < FEWEST {
        return f64::NAN;
    }
    if df.is_infinite() || df > 1e8 {
        return normal_cdf(-t);
    }
    let square = t * t;
    // Near 0, from the centre: df / (df + t²) would round to 1 and lose t.
    if square < df.min(1.0) {
        let y = square / (df + square);
        let centre = 0.5 * statrs::function::beta::checked_beta_reg(0.5, 0.5 * df, y).unwrap_or(f64::NAN);
        return if t >= 0.0 { 0.5 - centre } else { 0.5 + centre };
    }
    let x = df / (df + square);
    let half = 0.5 * statrs::function::beta::checked_beta_reg(0.5 * df, 0.5, x).unwrap_or(f64::NAN);
    if t >= 0.0 { half } else { 1.0 - half }
}

/// Upper tail probability of F; χ² in the limit of a large denominator.
pub(crate) fn f_survival(f: f64, numerator: f64, denominator: f64) -> f64 {
    if f.is_nan() || f <= 0.0 {
        return if f.is_nan() { f64::NAN } else { 1.0 };
    }
    if denominator > 1e6 {
        return chi_squared_survival(f * numerator, numerator);
    }
    if numerator < FEWEST || denominator < FEWEST {
        return f64::NAN;
    }
    FisherSnedecor::new(numerator, denominator).map_or(f64::NAN, |d| d.sf(f))
}

/// Upper tail probability of χ².
pub(crate) fn chi_squared_survival(x: f64, df: f64) -> f64 {
    if x.is_nan() || x <= 0.0 {
        return if x.is_nan() { f64::NAN } else { 1.0 };
    }
    if df < FEWEST {
        return f64::NAN;
    }
    ChiSquared::new(df).map_or(f64::NAN, |d| d.sf(x))
}

/// χ² quantile; NaN off the domain.
pub(crate) fn chi_squared_quantile(p: f64, df: f64) -> f64 {
    if !(p > 0.0 && p < 1.0) || df < FEWEST {
        return f64::NAN;
    }
    ChiSquared::new(df).map_or(f64::NAN, |d| d.inverse_cdf(p))
}

/// The same with `None` for what has no finite value, and for degrees of freedom without end (then normal).
pub(crate) mod finite {
    fn kept(value: f64) -> Option<f64> {
        value.is_finite().then_some(value)
    }

    /// Quantile of Student's t.
    pub(crate) fn t_quantile(p: f64, df: Option<f64>) -> Option<f64> {
        kept(super::t_quantile(p, df.unwrap_or(f64::INFINITY)))
    }

    /// Upper tail of Student's t.
    pub(crate) fn t_upper_tail(t: f64, df: Option<f64>) -> Option<f64> {
        kept(super::t_survival(t, df.unwrap_or(f64::INFINITY)))
    }

    /// Upper tail of χ².
    pub(crate) fn chi_squared_upper_tail(x: f64, df: f64) -> Option<f64> {
        kept(super::chi_squared_survival(x, df))
    }

    /// Quantile of χ².
    pub(crate) fn chi_squared_quantile(p: f64, df: f64) -> Option<f64> {
        kept(super::chi_squared_quantile(p, df))
    }

    /// Two-sided p-value of `estimate / standard_error` against Student's t; `None` without a standard error above 0.
    pub(crate) fn two_sided_p(estimate: f64, standard_error: f64, df: Option<f64>) -> Option<f64> {
        if standard_error <= 0.0 {
            return None;
        }
        t_upper_tail((estimate / standard_error).abs(), df).map(|p| (2.0 * p).min(1.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn close(got: f64, want: f64, relative: f64) {
        assert!((got / want - 1.0).abs() <= relative, "got {got:e}, want {want:e}");
    }

    #[allow(clippy::approx_constant)]
    /// mpmath 1.3 at 50 digits: `log(erfc(z/sqrt(2))/2)` and `npdf(z)/(erfc(z/sqrt(2))/2)`.
    #[test]
    fn normal_tail_keeps_its_digits() {
        for (z, log_survival, hazard) in include!("tail_values.in") {
            let (l, h, rest) = normal_tail(z);
            close(l, log_survival, 1e-13);
            close(h, hazard, 1e-13);
            assert!((rest - (h - z)).abs() <= 4.0 * f64::EPSILON * h.abs().max(z.abs()), "h - z at {z}");
        }
    }

    /// R 4.2.2 `qt`, `qnorm`, `pt`, `pf`, `pchisq`.
    #[test]
    fn quantiles_agree_with_r() {
        for (p, df, want) in include!("t_values.in") {
            close(t_quantile(p, df), want, 1e-11);
        }
        close(normal_quantile(0.975), 1.959_963_984_540_054, 1e-15);
        // mpmath 1.3.
        close(normal_quantile(1e-300), -37.047_096_299_361_2, 1e-13);
        close(t_survival(2.0, 5.0), 0.050_969_739_414_929_14, 1e-13);
        close(f_survival(1.219_86, 6.0, 36.0), 0.318_938_298_876_510, 1e-11);
        close(chi_squared_survival(11.866_353_194_061, 8.0), 0.157_267_228_691_279, 1e-13);
        // R 4.2.2 qchisq(0.025, 9.5).
        close(chi_squared_quantile(0.025, 9.5), 2.970695938998019, 1e-10);
        assert!(chi_squared_quantile(1.5, 3.0).is_nan());
        assert!(normal_quantile(1.5).is_nan() && t_quantile(f64::NAN, 3.0).is_nan());
        // Two-sided: R 4.2.2 2 * pt(-2, 5); without end, 2 * pnorm(-2).
        close(finite::two_sided_p(-1.0, 0.5, Some(5.0)).unwrap(), 0.101_939_478_829_858_3, 1e-12);
        close(finite::two_sided_p(1.0, 0.5, None).unwrap(), 0.045_500_263_896_358_4, 1e-13);
        assert!(finite::two_sided_p(1.0, 0.0, None).is_none() && finite::t_quantile(1.0, None).is_none());
    }

    /// With one degree of freedom in closed form; elsewhere near 0 by the density there, Γ((ν+1)/2)/(Γ(ν/2)√(νπ)).
    #[test]
    fn the_t_tail_is_not_flat_at_the_centre() {
        for t in [1e-12_f64, 1e-9, 1e-7, 1e-3, 0.3, 0.999, 1.001, 40.0] {
            let want = libm::atan(t) / std::f64::consts::PI;
            assert!((0.5 - t_survival(t, 1.0) - want).abs() < 1e-15, "{t}");
            assert!((t_survival(-t, 1.0) - 0.5 - want).abs() < 1e-15, "{t}");
        }
        for (df, density) in [(5.0, 0.379_606_689_822_494_4), (0.5, 0.269_676_300_594_190_1)] {
            for t in [1e-9, 1e-6] {
                close((0.5 - t_survival(t, df)) / t, density, 1e-6);
            }
        }
        assert_eq!(t_survival(0.0, 7.0).to_bits(), 0.5_f64.to_bits());
        assert!(t_survival(1e-5, 7.0) < t_survival(1e-6, 7.0));
    }
}
