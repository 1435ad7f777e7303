//! The guarded quantiles and tails of `numeric`, with `None` for what has no finite value.

use crate::numeric::special;

fn kept(value: f64) -> Option<f64> {
    value.is_finite().then_some(value)
}

/// Quantile of Student's t with `df` degrees of freedom, or of the normal where `df` is `None`.
pub(crate) fn t_quantile(p: f64, df: Option<f64>) -> Option<f64> {
    kept(special::t_quantile(p, df.unwrap_or(f64::INFINITY)))
}

/// Upper tail of Student's t with `df` degrees of freedom, or of the normal where `df` is `None`.
pub(crate) fn t_upper_tail(t: f64, df: Option<f64>) -> Option<f64> {
    kept(special::t_survival(t, df.unwrap_or(f64::INFINITY)))
}

/// Upper tail of chi-squared.
pub(crate) fn chi_squared_upper_tail(x: f64, df: f64) -> Option<f64> {
    kept(special::chi_squared_survival(x, df))
}

/// Quantile of chi-squared.
pub(crate) fn chi_squared_quantile(p: f64, df: f64) -> Option<f64> {
    kept(special::chi_squared_quantile(p, df))
}
