//! Power of two one-sided tests, exactly.

use crate::equivalence::check_test;
use crate::error::{ErrorKind, Result};
use crate::numeric::quadrature::integrate;
use crate::numeric::special::finite::t_quantile;
use crate::numeric::special::normal_cdf;

/// Probability that the two one-sided tests ([`tost`](crate::equivalence::tost)) show a ratio to lie within `bounds` when its
/// true logarithm is `log_ratio` and its estimate normal about it with standard error `log_standard_error`.
///
/// With `degrees_of_freedom` the standard error is itself estimated, its square chi-squared; `None`: known. The answer is
/// the probability of a region of the bivariate non-central t distribution, here as one integral over the estimated standard
/// error s: ∫ max(0, Φ((θᵤ − θ)/se − t s) − Φ((θₗ − θ)/se + t s)) f(s) ds. It is not the approximation by a single
/// non-central t.
///
/// ```
/// use surface_severity::planning::tost_power;
/// // Two groups of 52 and 49, coefficient of variation 0.35, true ratio 0.95.
/// let variance = (1.0 + 0.35_f64 * 0.35).ln();
/// let power = tost_power(0.95_f64.ln(), (variance * (1.0 / 52.0 + 1.0 / 49.0)).sqrt(), Some(99.0), (0.8, 1.25), 0.05)?;
/// assert_eq!(format!("{power:.7}"), "0.8011186");
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::InvalidOption`] for a log ratio that is not finite, a standard error or degrees of freedom that are not positive
/// and finite, bounds that do not enclose 1, α outside (0, 0.5).
///
/// # Accuracy
/// R package PowerTOST as published, 7 digits; Owen's Q integrated in R, 9 digits (`tests/planning/`).
///
/// # Source
/// Schuirmann, J. Pharmacokinet. Biopharm. 15 (1987) 657; Phillips, J. Pharmacokinet. Biopharm. 18 (1990) 137; Owen,
/// Biometrika 52 (1965) 437.
pub fn tost_power(
    log_ratio: f64,
    log_standard_error: f64,
    degrees_of_freedom: Option<f64>,
    bounds: (f64, f64),
    alpha: f64,
) -> Result<f64> {
    check_test((log_ratio, log_standard_error, degrees_of_freedom), bounds, alpha)?;
    let lower = (libm::log(bounds.0) - log_ratio) / log_standard_error;
    let upper = (libm::log(bounds.1) - log_ratio) / log_standard_error;
    let quantile = t_quantile(1.0 - alpha, degrees_of_freedom)
        .ok_or_else(|| ErrorKind::option("alpha", alpha, "a level with a finite t quantile"))?;
    let given = |s: f64| {
        let (a, b) = (lower + quantile * s, upper - quantile * s);
        // From the tail in which both lie, so that small differences keep their digits.
        let p = if a > 0.0 { normal_cdf(-a) - normal_cdf(-b) } else { normal_cdf(b) - normal_cdf(a) };
        if b > a { p.max(0.0) } else { 0.0 }
    };
    let Some(df) = degrees_of_freedom.filter(|df| *df < 1e8) else { return Ok(given(1.0)) };
    // x = log s² has density proportional to exp(df/2 (x − eˣ)); its height is at 0.
    let exponent = |x: f64| 0.5 * df * (x - libm::expm1(x));
    let mut low = -1.0;
    while exponent(low) > -45.0 {
        low *= 1.5;
    }
    let mut high = 0.1;
    while exponent(high) > -45.0 {
        high *= 1.5;
    }
    // Beyond this s the interval is wider than the bounds: nothing is shown.
    let most = 2.0 * libm::log((upper - lower) / (2.0 * quantile));
    let [weight] = integrate(low, high, PANELS, |x| [libm::exp(exponent(x))]);
    if most <= low {
        return Ok(0.0);
    }
    let [shown] = integrate(low, high.min(most), PANELS, |x| [libm::exp(exponent(x)) * given(libm::exp(0.5 * x))]);
    Ok((shown / weight).clamp(0.0, 1.0))
}

const PANELS: u32 = 200;
