//! Dixon's test r10 for an outlier in a small sample.
//!
//! `r = gap between the suspect and its neighbour / range`. For the largest of n normal values
//!
//! ```text
//! P(r10 > r) = n (n − 1) ∬ φ(x) φ(x − v) [Φ(x − r v) − Φ(x − v)]^(n − 2) dv dx,   v > 0
//! ```
//!
//! (x the largest value, x − v the smallest, the others between x − v and x − r v; after Dixon 1951,
//! Annals of Mathematical Statistics 22, 68–78). The p-value is computed from this integral, so there
//! is no table to be out of. Testing whichever end is farther doubles it: exact for r ≥ 1/2, an upper
//! bound below, since both gaps cannot exceed half the range. Checked against the two-sided table of
//! Rorabacher 1991, Analytical Chemistry 63, 139–146.

use serde::{Deserialize, Serialize};

use crate::error::{ErrorKind, Result};
use crate::numeric::special::{LN_SQRT_2PI, normal_cdf};

use super::grubbs::{Side, as_f64, check_sample, check_significance};

/// Largest sample that the ratio r10 is meant for; beyond it Grubbs' test has more power.
const LARGEST: usize = 30;

/// Result of Dixon's test.
///
/// ```
/// use surface_severity::screening::{Side, dixon};
/// let test = dixon(&[1.0, 2.0, 3.0, 4.0, 10.0], 0.05, Side::High)?.unwrap();
/// // The gap of 6 to its neighbour over the range of 9.
/// assert_eq!(test.position, 4);
/// assert!((test.statistic - 6.0 / 9.0).abs() < 1e-12);
/// assert_eq!(test.statistic > test.critical_value, test.p_value < 0.05);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Dixon {
    /// Position of the tested value in the sample.
    pub position: usize,
    /// r10, from 0 to 1.
    pub statistic: f64,
    /// Critical value at the significance asked for.
    pub critical_value: f64,
    /// Probability of a larger ratio without an outlier.
    pub p_value: f64,
}

/// `P(r10 > r)` for one end of a normal sample of `n`.
pub(crate) fn tail(n: usize, r: f64) -> f64 {
    if r <= 0.0 {
        return 1.0;
    }
    if r >= 1.0 {
        return 0.0;
    }
    let density = |x: f64| libm::exp(-0.5 * x * x - LN_SQRT_2PI);
    let power = i32::try_from(n - 2).unwrap_or(i32::MAX);
    // The trapezoidal rule is spectrally accurate in x; in v the integrand is smooth from 0 on,
    // so the same rule is used after v = u²/4, whose integrand is even in u.
    let (dx, du) = (0.2, 0.1);
    let mut sum = 0.0;
    for i in -30..=45 {
        let x = dx * f64::from(i);
        let mut inner = 0.0;
        for j in 1..=80 {
            let u = du * f64::from(j);
            let v = 0.25 * u * u;
            let between = normal_cdf(x - r * v) - normal_cdf(x - v);
            if between > 0.0 {
                inner += density(x - v) * between.powi(power) * 0.5 * u;
            }
        }
        sum += density(x) * inner * du;
    }
    (as_f64(n) * as_f64(n - 1) * sum * dx).clamp(0.0, 1.0)
}

fn check(n: usize) -> Result<()> {
    if n < 3 {
        return Err(
            ErrorKind::TooFew { method: "Dixon's test".into(), what: "values".into(), needed: 3, found: n }.into()
        );
    }
    if n > LARGEST {
        return Err(ErrorKind::option("values", n, "at most 30 for Dixon's r10; use Grubbs' test"));
    }
    Ok(())
}

fn ends(side: Side) -> f64 {
    if side == Side::Both { 2.0 } else { 1.0 }
}

/// Critical value of r10 for a sample of `n` (3 to 30) at `significance` (0.05, not 0.95).
///
/// ```
/// use surface_severity::screening::{Side, dixon_critical_value};
/// let r10 = dixon_critical_value(5, 0.05, Side::Both)?;
/// assert_eq!(format!("{r10:.3}"), "0.710"); // Rorabacher 1991, Analytical Chemistry 63, 139
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::TooFew`], [`ErrorKind::InvalidOption`] for n > 30 or a significance outside (0, 1).
pub fn dixon_critical_value(n: usize, significance: f64, side: Side) -> Result<f64> {
    check(n)?;
    check_significance("significance", significance)?;
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..50 {
        let middle = 0.5 * (low + high);
        if ends(side) * tail(n, middle) > significance { low = middle } else { high = middle }
    }
    Ok(0.5 * (low + high))
}

/// Tests one end of `values`, or for [`Side::Both`] the end with the larger gap (for abrasion times:
/// of their logarithms). `None` where all values are equal.
///
/// ```
/// use surface_severity::screening::{Side, dixon};
/// // Log times of one cell; the second specimen was clamped over a seam.
/// let times = [4.1_f64, 1.2, 4.6, 3.9, 4.3].map(f64::ln);
/// let test = dixon(&times, 0.05, Side::Both)?.unwrap();
/// assert!(test.position == 1 && test.p_value < 0.05);
/// assert_eq!(dixon(&[2.0, 2.0, 2.0], 0.05, Side::Both)?, None);
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// As [`dixon_critical_value`]; [`ErrorKind::InvalidOption`] for a value that is not finite.
pub fn dixon(values: &[f64], significance: f64, side: Side) -> Result<Option<Dixon>> {
    check_sample(values)?;
    let critical_value = dixon_critical_value(values.len(), significance, side)?;
    Ok(against(values, critical_value, side))
}

/// The test against a critical value for samples of this size: integrating for one costs 50 p-values.
pub(super) fn against(values: &[f64], critical_value: f64, side: Side) -> Option<Dixon> {
    ratio(values, side).map(|(position, statistic)| Dixon {
        position,
        statistic,
        critical_value,
        p_value: (ends(side) * tail(values.len(), statistic)).min(1.0),
    })
}

fn ratio(values: &[f64], side: Side) -> Option<(usize, f64)> {
    let mut order: Vec<usize> = (0..values.len()).collect();
    order.sort_by(|&a, &b| values[a].total_cmp(&values[b]).then(a.cmp(&b)));
    let (first, last) = (*order.first()?, *order.last()?);
    let (second, before) = (*order.get(1)?, *order.get(order.len() - 2)?);
    let range = values[last] - values[first];
    if range <= 0.0 {
        return None;
    }
    let (low, high) = ((values[second] - values[first]) / range, (values[last] - values[before]) / range);
    Some(match side {
        Side::Low => (first, low),
        Side::Both if low > high => (first, low),
        Side::High | Side::Both => (last, high),
    })
}
