//! Quantiles and tails, guarded: outside its domain each returns `None`, never NaN, never a panic.

use statrs::distribution::{ChiSquared, ContinuousCDF, Normal, StudentsT};

fn kept(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// Quantile of Student's t with `df` degrees of freedom, or of the normal where `df` is `None`.
pub(crate) fn t_quantile(p: f64, df: Option<f64>) -> Option<f64> {
    if !(p > 0.0 && p < 1.0) {
        return None;
    }
    match df {
        Some(df) if df < 2e4 => kept(StudentsT::new(0.0, 1.0, df).ok()?.inverse_cdf(p)),
        Some(df) if df.is_nan() => None,
        Some(df) => {
            // Cornish-Fisher (Abramowitz and Stegun 26.7.5).
            let z = Normal::standard().inverse_cdf(p);
            let z2 = z * z;
            let g1 = z * (z2 + 1.0) / 4.0;
            let g2 = z * ((5.0 * z2 + 16.0) * z2 + 3.0) / 96.0;
            kept(z + g1 / df + g2 / (df * df))
        }
        None => kept(Normal::standard().inverse_cdf(p)),
    }
}

/// Upper tail of Student's t with `df` degrees of freedom, or of the normal where `df` is `None`.
pub(crate) fn t_upper_tail(t: f64, df: Option<f64>) -> Option<f64> {
    if t.is_nan() {
        return None;
    }
    kept(match df {
        Some(df) => StudentsT::new(0.0, 1.0, df).ok()?.sf(t),
        None => Normal::standard().sf(t),
    })
}

/// Upper tail of chi-squared.
pub(crate) fn chi_squared_upper_tail(x: f64, df: f64) -> Option<f64> {
    if !(x >= 0.0) {
        return None;
    }
    kept(ChiSquared::new(df).ok()?.sf(x))
}
