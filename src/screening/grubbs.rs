//! Grubbs' tests for outliers in one sample from a normal distribution.
//!
//! With mean x̄ and standard deviation s (divisor n − 1), `G = (largest − x̄)/s`,
//! `(x̄ − smallest)/s` or the larger of the two. The critical value at significance α is
//! `(n − 1)/√n · √(t²/(n − 2 + t²))`, t the upper α/n (one-sided) or α/2n (two-sided) point of
//! Student's t with n − 2 degrees of freedom (Grubbs 1950, 1969; NIST/SEMATECH e-Handbook
//! 1.3.5.17.1). The p-value is the same relation solved for α; it is exact where two values cannot
//! both lie beyond G, and an upper bound otherwise.
//!
//! G cannot exceed (n − 1)/√n. With n = 3 that is 1.1547 and the two-sided 1 % critical value is
//! 1.1547 as well: three specimens can hardly ever show an outlier among themselves.

use serde::{Deserialize, Serialize};

use crate::error::{ErrorKind, Result};
use crate::numeric::special::{t_quantile, t_survival};

/// Which end of a sample is tested.
///
/// ```
/// use surface_severity::screening::{Side, grubbs};
/// let values = [1.0, 1.1, 0.9, 1.05, 3.0];
/// assert_eq!(grubbs(&values, 0.05, Side::Low)?.unwrap().position, 2);
/// assert_eq!(grubbs(&values, 0.05, Side::High)?.unwrap().position, 4);
/// assert_eq!(grubbs(&values, 0.05, Side::default())?.unwrap().position, 4, "the farther end");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// The smallest value.
    Low,
    /// The largest value.
    High,
    /// Whichever is farther from the mean.
    #[default]
    Both,
}

/// Result of Grubbs' test for one outlier.
///
/// ```
/// use surface_severity::screening::{Side, grubbs};
/// // Masses in a spectrometer, NIST/SEMATECH e-Handbook 1.3.5.17.1.
/// let masses = [199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57];
/// let test = grubbs(&masses, 0.05, Side::High)?.unwrap();
/// assert_eq!((test.position, format!("{:.4}", test.statistic)), (7, "2.4688".into()));
/// assert!(test.statistic > test.critical_value && test.p_value < 0.05);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Grubbs {
    /// Position of the tested value in the sample.
    pub position: usize,
    /// G, dimensionless.
    pub statistic: f64,
    /// Critical value at the significance asked for.
    pub critical_value: f64,
    /// Probability of a larger G without an outlier.
    pub p_value: f64,
}

pub(crate) fn check_significance(name: &str, significance: f64) -> Result<()> {
    if significance > 0.0 && significance < 1.0 {
        Ok(())
    } else {
        Err(ErrorKind::option(name, significance, "a significance strictly between 0 and 1, such as 0.01"))
    }
}

#[allow(clippy::cast_precision_loss)]
pub(crate) fn as_f64(n: usize) -> f64 {
    n as f64
}

fn tails(side: Side) -> f64 {
    if side == Side::Both { 2.0 } else { 1.0 }
}

/// Critical value of G for a sample of `n` at `significance` (0.05, not 0.95).
///
/// # Errors
/// [`ErrorKind::TooFew`] for n < 3, [`ErrorKind::InvalidOption`] for a significance outside (0, 1).
///
/// ```
/// use surface_severity::screening::{Side, grubbs_critical_value};
/// let g = grubbs_critical_value(8, 0.05, Side::High)?;
/// assert_eq!(format!("{g:.4}"), "2.0317"); // NIST/SEMATECH e-Handbook 1.3.5.17.1
/// # Ok::<(), surface_severity::Error>(())
/// ```
pub fn grubbs_critical_value(n: usize, significance: f64, side: Side) -> Result<f64> {
    check_significance("significance", significance)?;
    enough(n)?;
    let n = as_f64(n);
    let t = t_quantile(significance / (tails(side) * n), n - 2.0);
    Ok((n - 1.0) / n.sqrt() * (t * t / (n - 2.0 + t * t)).sqrt())
}

fn enough(n: usize) -> Result<()> {
    if n < 3 {
        return Err(
            ErrorKind::TooFew { method: "Grubbs' test".into(), what: "values".into(), needed: 3, found: n }.into()
        );
    }
    Ok(())
}

pub(crate) fn check_sample(values: &[f64]) -> Result<()> {
    match values.iter().find(|v| !v.is_finite()) {
        Some(bad) => Err(ErrorKind::option("value", bad, "a finite number")),
        None => Ok(()),
    }
}

/// Mean, and sum of squares about it, without losing digits to a common offset.
pub(crate) fn mean_and_squares(values: &[f64]) -> (f64, f64) {
    let Some(&shift) = values.first() else { return (0.0, 0.0) };
    let offset = values.iter().map(|v| v - shift).sum::<f64>() / as_f64(values.len());
    let squares = values.iter().map(|v| (v - shift - offset) * (v - shift - offset)).sum();
    (shift + offset, squares)
}

/// Tests the most extreme value of `values` (for abrasion times: of their logarithms).
///
/// Returns `None` where all values are equal: there is nothing to be an outlier.
///
/// ```
/// use surface_severity::screening::{Side, grubbs};
/// // Log times of one cell; a stop wire broke late on the last.
/// let times = [4.1_f64, 3.6, 4.6, 3.9, 4.3, 14.9].map(f64::ln);
/// let test = grubbs(&times, 0.05, Side::Both)?.unwrap();
/// assert!(test.position == 5 && test.p_value < 0.01);
/// assert_eq!(grubbs(&[1.0, 1.0, 1.0], 0.05, Side::Both)?, None, "nothing stands out of equal times");
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::TooFew`] for fewer than three values, [`ErrorKind::InvalidOption`] for a value that
/// is not finite or a significance outside (0, 1).
pub fn grubbs(values: &[f64], significance: f64, side: Side) -> Result<Option<Grubbs>> {
    check_sample(values)?;
    let critical_value = grubbs_critical_value(values.len(), significance, side)?;
    let (mean, squares) = mean_and_squares(values);
    let n = as_f64(values.len());
    let deviation = |v: f64| match side {
        Side::Low => mean - v,
        Side::High => v - mean,
        Side::Both => (v - mean).abs(),
    };
    // The first of equally extreme values.
    let Some(position) = (0..values.len()).rev().max_by(|&a, &b| deviation(values[a]).total_cmp(&deviation(values[b])))
    else {
        return Ok(None);
    };
    let s = (squares / (n - 1.0)).sqrt();
    if s <= f64::EPSILON * mean.abs() {
        return Ok(None);
    }
    let statistic = deviation(values[position]) / s;
    let room = (n - 1.0) * (n - 1.0) - n * statistic * statistic;
    let p_value = if room <= 0.0 {
        0.0
    } else {
        let t = statistic.max(0.0) * (n * (n - 2.0) / room).sqrt();
        (tails(side) * n * t_survival(t, n - 2.0)).min(1.0)
    };
    Ok(Some(Grubbs { position, statistic, critical_value, p_value }))
}

/// Result of the test for two outliers at once.
///
/// ```
/// use surface_severity::screening::grubbs_pair;
/// let test = grubbs_pair(&[1.0, 1.1, 0.9, 1.05, 0.95, 5.0, 5.2], 0.05)?.unwrap();
/// assert_eq!(test.positions, (5, 6), "the smaller of the two first");
/// // Without them hardly any scatter is left: small is significant.
/// assert!(test.statistic < 0.01 && test.statistic < test.critical_value && test.p_value < 0.05);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct GrubbsPair {
    /// Positions of the two tested values in the sample, smaller value first.
    pub positions: (usize, usize),
    /// Sum of squares about the mean without the two, as a fraction of that with them: small where
    /// they stand apart.
    pub statistic: f64,
    /// The statistic is significant below this.
    pub critical_value: f64,
    /// Probability of a smaller statistic without outliers (an upper bound, close where it matters).
    pub p_value: f64,
}

/// Tests the two values whose removal reduces the sum of squares most: the two largest, the two
/// smallest, or one at each end (Grubbs 1950, Annals of Mathematical Statistics 21, 27–58). Finds two
/// outliers that hide each other from the test for one.
///
/// For two values named beforehand the statistic follows Beta((n − 3)/2, 1); the p-value multiplies
/// `statistic^((n − 3)/2)` by the n(n − 1)/2 pairs there are.
///
/// Returns `None` where all values are equal.
///
/// ```
/// use surface_severity::screening::{Side, grubbs, grubbs_pair};
/// // Two long times of one cell hide each other from the test for one.
/// let values = [1.0, 1.1, 0.9, 1.05, 0.95, 5.0, 5.2];
/// assert!(grubbs(&values, 0.05, Side::Both)?.unwrap().p_value > 0.05);
/// assert!(grubbs_pair(&values, 0.05)?.unwrap().p_value < 0.05);
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::TooFew`] for fewer than four values, [`ErrorKind::InvalidOption`] as in [`grubbs`].
pub fn grubbs_pair(values: &[f64], significance: f64) -> Result<Option<GrubbsPair>> {
    check_sample(values)?;
    check_significance("significance", significance)?;
    let n = values.len();
    if n < 4 {
        return Err(ErrorKind::TooFew {
            method: "Grubbs' test for two outliers".into(),
            what: "values".into(),
            needed: 4,
            found: n,
        }
        .into());
    }
    let (mean, squares) = mean_and_squares(values);
    if squares <= (f64::EPSILON * mean.abs()).powi(2) {
        return Ok(None);
    }
    let mut order: Vec<usize> = (0..n).collect();
    order.sort_by(|&a, &b| values[a].total_cmp(&values[b]).then(a.cmp(&b)));
    let (mut positions, mut smallest) = ((order[0], order[1]), f64::INFINITY);
    for (a, b) in [(order[n - 2], order[n - 1]), (order[0], order[1]), (order[0], order[n - 1])] {
        let rest: Vec<f64> = (0..n).filter(|&i| i != a && i != b).map(|i| values[i]).collect();
        let (_, without) = mean_and_squares(&rest);
        if without < smallest {
            (positions, smallest) = ((a, b), without);
        }
    }
    let statistic = (smallest / squares).min(1.0);
    let (pairs, power) = (0.5 * as_f64(n) * as_f64(n - 1), 0.5 * as_f64(n - 3));
    Ok(Some(GrubbsPair {
        positions,
        statistic,
        critical_value: libm::pow(significance / pairs, 1.0 / power),
        p_value: (pairs * libm::pow(statistic, power)).min(1.0),
    }))
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn p_value_and_critical_value_are_one_relation() {
        for n in [3, 4, 5, 8, 20] {
            for side in [Side::Low, Side::High, Side::Both] {
                let mut values: Vec<f64> = (0..n).map(|i| as_f64(i).sin()).collect();
                values[1] += if side == Side::Low { -2.0 } else { 2.0 };
                let found = grubbs(&values, 0.05, side).unwrap().unwrap();
                assert_eq!(found.position, 1);
                if found.p_value < 1.0 {
                    let g = grubbs_critical_value(n, found.p_value, side).unwrap();
                    assert!((g / found.statistic - 1.0).abs() < 1e-9, "{n} {side:?}: {g} {}", found.statistic);
                }
            }
        }
    }

    #[test]
    fn boundary_cases_are_answers_not_numbers_out_of_range() {
        assert!(grubbs(&[2.0, 2.0, 2.0], 0.05, Side::Both).unwrap().is_none());
        let most = grubbs(&[1.0, 1.0, 2.0], 0.05, Side::Both).unwrap().unwrap();
        assert!(most.p_value < 1e-6 && (most.statistic - 2.0 / 3f64.sqrt()).abs() < 1e-12);
        assert!(grubbs(&[1.0, 2.0], 0.05, Side::Both).is_err());
        assert!(grubbs(&[1.0, 2.0, f64::NAN], 0.05, Side::Both).is_err());
        assert!(grubbs_critical_value(5, 95.0, Side::Both).is_err());
    }
}
