//! Intervals from sorted replicates.

use crate::numeric::special::{normal_cdf, normal_quantile};

/// Quantile `p` of `sorted` values as bootstrap intervals use it: order statistic (R + 1)·p, and
/// between two of them interpolation on the normal quantile scale (Davison & Hinkley 1997,
/// equation 5.8). The extremes are returned where (R + 1)·p lies outside 1..R. `None` if empty.
///
/// ```
/// use surface_severity::bootstrap::percentile_of_sorted;
/// let sorted: Vec<f64> = (1..=99).map(f64::from).collect();
/// // (99 + 1) · 0.025 = 2.5: between the second and the third.
/// let lower = percentile_of_sorted(&sorted, 0.025).unwrap();
/// assert!(2.0 < lower && lower < 3.0);
/// assert_eq!(percentile_of_sorted(&sorted, 0.5), Some(50.0));
/// assert_eq!(percentile_of_sorted(&[], 0.5), None);
/// ```
#[must_use]
pub fn percentile_of_sorted(sorted: &[f64], p: f64) -> Option<f64> {
    let r = sorted.len();
    if r == 0 {
        return None;
    }
    #[allow(clippy::cast_precision_loss)]
    let rank = (r as f64 + 1.0) * p;
    #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
    let k = rank.floor().max(0.0) as usize;
    if k < 1 {
        return Some(sorted[0]);
    }
    if k >= r {
        return Some(sorted[r - 1]);
    }
    let (below, above) = (sorted[k - 1], sorted[k]);
    #[allow(clippy::cast_precision_loss)]
    let fraction = {
        let at = |j: usize| normal_quantile(j as f64 / (r as f64 + 1.0));
        ((normal_quantile(p) - at(k)) / (at(k + 1) - at(k))).clamp(0.0, 1.0)
    };
    Some(below + (above - below) * fraction)
}

/// Levels of the BCa limits (Efron 1987): `Φ(z0 + (z0 + z)/(1 - a (z0 + z)))`.
pub(crate) fn bca_level(p: f64, z0: f64, acceleration: f64) -> f64 {
    let w = z0 + normal_quantile(p);
    normal_cdf(z0 + w / (1.0 - acceleration * w))
}

/// Bias correction z0: normal quantile of the share of replicates below the estimate, ties counted
/// half. `None` where all lie on one side.
pub(crate) fn bias_correction(sorted: &[f64], observed: f64) -> Option<f64> {
    let below = sorted.partition_point(|v| *v < observed);
    let not_above = sorted.partition_point(|v| *v <= observed);
    #[allow(clippy::cast_precision_loss)]
    let share = 0.5 * (below + not_above) as f64 / sorted.len() as f64;
    let z = normal_quantile(share);
    z.is_finite().then_some(z)
}

/// Acceleration from centred influence values: `Σ d³ / (6 (Σ d²)^{3/2})`; 0 where nothing varies.
pub(crate) fn acceleration(influence: &[f64]) -> f64 {
    let square: f64 = influence.iter().map(|d| d * d).sum();
    let cube: f64 = influence.iter().map(|d| d * d * d).sum();
    if square > 0.0 { cube / (6.0 * square * square.sqrt()) } else { 0.0 }
}
