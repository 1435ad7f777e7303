//! Median and median absolute deviation (MAD) within cells.
//!
//! A cell's MAD times 1.4826 estimates the standard deviation of normal values in large samples
//! only; in samples of three to ten it falls short by 10 to 33 %. [`mad_factor`] is the ratio that
//! makes its expectation right, found by simulation (4·10⁷ samples for n ≤ 10, 1.2·10⁷ above;
//! standard errors below 2·10⁻⁴), as Croux & Rousseeuw 1992 (Computational Statistics 1, 411–428)
//! did first; their three-decimal factors for n = 2 to 9 agree within 1 %.
//!
//! The cells of a campaign share one scatter, so their corrected MADs are pooled with weights
//! n − 1. Half of a cell may be spoiled before its MAD breaks; a pair has no majority and does not
//! take part. A trial's score is its distance from its cell's median over the pooled scale. The
//! customary limit of 3.5 (Iglewicz & Hoaglin 1993, How to Detect and Handle Outliers, section 3)
//! takes no account of how many trials are looked at, nor of how well the scale is known; the
//! p-value here is that of Student's t with the degrees of freedom that match the coefficient of
//! variation of the pooled scale (a little conservative: a trial differs less from the median of its
//! own cell than from its true centre).
//!
//! A run-out is known to lie above its time, a contact opening below: a cell's median counts only
//! where it is the same whatever they would have become.

use crate::error::Result;
use crate::severity::machinery::LogTime;

use super::esd::{as_f64, check_sample};

/// 1/Φ⁻¹(3/4).
pub(crate) const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;

/// n = 2 to 30, rounded to four decimals; beyond 30, n/(n − 0.80) continues them within 10⁻³.
const FACTORS: [f64; 29] = [
    1.1955, 1.4874, 1.3606, 1.2169, 1.1896, 1.1380, 1.1275, 1.1012, 1.0957, 1.0800, 1.0767, 1.0661, 1.0637, 1.0565,
    1.0547, 1.0490, 1.0478, 1.0436, 1.0426, 1.0392, 1.0384, 1.0354, 1.0349, 1.0325, 1.0320, 1.0299, 1.0293, 1.0276,
    1.0273,
];

/// Median of `values`, the mean of the middle two where their number is even; `None` without values.
///
/// ```
/// use surface_severity::screening::median;
/// assert_eq!(median(&[4.0, 1.0, 2.0])?, Some(2.0));
/// assert_eq!(median(&[4.0, 1.0, 2.0, 3.0])?, Some(2.5));
/// assert_eq!(median(&[])?, None);
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::InvalidOption`](crate::ErrorKind::InvalidOption) for a value that is not finite.
pub fn median(values: &[f64]) -> Result<Option<f64>> {
    check_sample(values)?;
    Ok(median_of(values.to_vec()))
}

/// Median absolute deviation from the median, without any factor; `None` without values.
///
/// ```
/// use surface_severity::screening::mad;
/// // Distances from the median 3: 2, 1, 0, 1, 497; a gross error changes nothing.
/// assert_eq!(mad(&[1.0, 2.0, 3.0, 4.0, 500.0])?, Some(1.0));
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// As [`median`].
pub fn mad(values: &[f64]) -> Result<Option<f64>> {
    let Some(m) = median(values)? else { return Ok(None) };
    Ok(median_of(values.iter().map(|v| (v - m).abs()).collect()))
}

/// Factor by which `1.4826 · MAD` of `n` normal values is multiplied to estimate their standard
/// deviation without bias; 1 in large samples.
///
/// ```
/// use surface_severity::screening::mad_factor;
/// // Small samples fall short of the standard deviation by the most.
/// assert!(mad_factor(3) > mad_factor(9) && mad_factor(9) > 1.0);
/// assert!((mad_factor(100_000) - 1.0).abs() < 1e-3);
/// ```
#[must_use]
pub fn mad_factor(n: usize) -> f64 {
    match n {
        0 | 1 => 1.0,
        2..=30 => FACTORS[n - 2],
        _ => as_f64(n) / (as_f64(n) - 0.80),
    }
}

/// Squared coefficient of variation of the MAD of `n` normal values, from the same simulation.
fn squared_variation(n: usize) -> f64 {
    match n {
        0..=2 => 0.571,
        3 => 0.682,
        4 => 0.327,
        5 => 0.342,
        6 => 0.226,
        7 => 0.228,
        8 => 0.170,
        9 => 0.171,
        _ => 1.364 / as_f64(n),
    }
}

pub(crate) fn median_of(mut values: Vec<f64>) -> Option<f64> {
    values.sort_by(f64::total_cmp);
    middle(values.len(), |k| values[k])
}

/// Median of `n` ascending values, of which `at` gives the k-th.
pub(crate) fn middle(n: usize, at: impl Fn(usize) -> f64) -> Option<f64> {
    match n {
        0 => None,
        n if n % 2 == 1 => Some(at(n / 2)),
        n => Some(0.5 * (at(n / 2 - 1) + at(n / 2))),
    }
}

/// Lower and upper end of what a log time may be.
fn ends(time: LogTime) -> (f64, f64) {
    match time {
        LogTime::Exact(y) => (y, y),
        LogTime::Right(y) => (y, f64::INFINITY),
        LogTime::Left(y) => (f64::NEG_INFINITY, y),
        LogTime::Between(a, b) => (a, b),
    }
}

/// A median that does not depend on what the censored times would have become.
fn settled(low: Vec<f64>, high: Vec<f64>) -> Option<f64> {
    let (low, high) = (median_of(low)?, median_of(high)?);
    (low.is_finite() && (high - low).abs() <= f64::EPSILON * low.abs()).then_some(low)
}

/// Median of a cell's log times, where it is settled.
pub(crate) fn cell_median(times: &[LogTime]) -> Option<f64> {
    settled(times.iter().map(|t| ends(*t).0).collect(), times.iter().map(|t| ends(*t).1).collect())
}

/// Least and greatest distance of a log time from `centre`.
pub(crate) fn distance(time: LogTime, centre: f64) -> (f64, f64) {
    let (a, b) = ends(time);
    let least = if a > centre {
        a - centre
    } else if b < centre {
        centre - b
    } else {
        0.0
    };
    (least, (a - centre).abs().max((b - centre).abs()))
}

/// `1.4826 · factor · MAD` of a cell of three or more, where settled.
pub(crate) fn cell_scale(times: &[LogTime]) -> Option<f64> {
    if times.len() < 3 {
        return None;
    }
    let centre = cell_median(times)?;
    let distances: Vec<(f64, f64)> = times.iter().map(|t| distance(*t, centre)).collect();
    let mad = settled(distances.iter().map(|d| d.0).collect(), distances.iter().map(|d| d.1).collect())?;
    Some(MAD_TO_SIGMA * mad_factor(times.len()) * mad)
}

/// Scale from many cells.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct PooledScale {
    pub(crate) scale: f64,
    /// Degrees of freedom of a standard deviation with the same coefficient of variation, `1/(2 CV²)`.
    pub(crate) degrees_of_freedom: f64,
}

/// The pooled scale of many cells; `None` where no cell has a settled MAD or all are zero.
pub(crate) fn pooled_scale<'a>(cells: impl Iterator<Item = &'a [LogTime]>) -> Option<PooledScale> {
    let (mut sum, mut weight, mut variance) = (0.0, 0.0, 0.0);
    for times in cells {
        if let Some(scale) = cell_scale(times) {
            let w = as_f64(times.len() - 1);
            sum += w * scale;
            weight += w;
            variance += w * w * squared_variation(times.len());
        }
    }
    (sum > 0.0)
        .then(|| PooledScale { scale: sum / weight, degrees_of_freedom: (weight * weight / (2.0 * variance)).max(1.0) })
}

#[cfg(test)]
mod tests {
    use super::*;
    use rand::SeedableRng;
    use rand_distr::{Distribution, StandardNormal};

    #[test]
    fn factors_make_the_scale_unbiased() {
        for n in [2, 3, 4, 5, 6, 7, 10, 15, 31] {
            let mut rng = rand::rngs::ChaCha8Rng::seed_from_u64(7);
            let draws = 40_000;
            let mut sum = 0.0;
            for _ in 0..draws {
                let values: Vec<f64> = (0..n).map(|_| StandardNormal.sample(&mut rng)).collect();
                sum += MAD_TO_SIGMA * mad_factor(n) * mad(&values).unwrap().unwrap();
            }
            let mean = sum / f64::from(draws);
            // Four standard errors at a coefficient of variation of 0.83 (n = 3).
            assert!((mean - 1.0).abs() < 0.017, "n = {n}: {mean}");
        }
        // Croux & Rousseeuw 1992, b_n for n = 2..9.
        for (n, published) in (2..).zip([1.196, 1.495, 1.363, 1.206, 1.200, 1.140, 1.129, 1.107]) {
            assert!((mad_factor(n) / published - 1.0).abs() < 0.01, "n = {n}");
        }
    }

    #[test]
    fn a_censored_time_counts_only_for_what_is_known_of_it() {
        use LogTime::{Exact, Left, Right};
        // Above the median whatever it becomes.
        assert_eq!(cell_median(&[Exact(1.0), Exact(2.0), Right(3.0)]), Some(2.0));
        // Could be on either side.
        assert_eq!(cell_median(&[Exact(1.0), Exact(2.0), Right(0.5)]), None);
        assert_eq!(cell_median(&[Left(0.0), Exact(1.0), Right(3.0)]), Some(1.0));
        // Deviations 1, 0 and at least 1: the MAD is 1.
        let scale = cell_scale(&[Exact(1.0), Exact(2.0), Right(3.0)]).unwrap();
        assert!((scale - MAD_TO_SIGMA * mad_factor(3)).abs() < 1e-15);
        assert_eq!(distance(Right(3.0), 4.0), (0.0, f64::INFINITY));
        assert!((distance(Left(3.0), 4.0).0 - 1.0).abs() < 1e-15);
    }
}
