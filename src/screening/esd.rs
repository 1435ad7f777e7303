//! Generalised extreme studentised deviate: several outliers in one sample (Rosner 1983,
//! Technometrics 25, 165–172; NIST/SEMATECH e-Handbook 1.3.5.17.3).
//!
//! The value farthest from the mean is removed again and again, `R_i = max |x − x̄| / s` of what is
//! left at step i. With n − i + 1 values left and t the upper `α / 2(n − i + 1)` point of Student's t
//! with n − i − 1 degrees of freedom,
//!
//! ```text
//! λ_i = (n − i) t / √((n − i − 1 + t²)(n − i + 1))
//! ```
//!
//! and the number of outliers is the *largest* i with R_i > λ_i: an earlier step may fail because
//! two outliers hide each other. With one outlier to look for it is Grubbs' test (1969; e-Handbook 1.3.5.17.1), two-sided.

use serde::{Deserialize, Serialize};

use crate::error::{ErrorKind, Result};
use crate::numeric::special::t_quantile;

/// One step of the test.
///
/// ```
/// use surface_severity::screening::generalised_esd;
/// // Two long times that hide each other: the first step alone is not significant.
/// let values = [0.9, 0.95, 0.98, 1.0, 1.02, 1.05, 1.1, 0.93, 5.0, 5.2];
/// let esd = generalised_esd(&values, 3, 0.05)?;
/// assert_eq!((esd.steps[0].position, esd.steps[1].position), (9, 8), "the farthest first");
/// assert!(esd.steps[0].statistic < esd.steps[0].critical_value);
/// assert!(esd.steps[1].statistic > esd.steps[1].critical_value);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct EsdStep {
    /// Position in the sample of the value removed.
    pub position: usize,
    /// R_i.
    pub statistic: f64,
    /// λ_i.
    pub critical_value: f64,
}

/// Result of the test.
///
/// ```
/// use surface_severity::screening::generalised_esd;
/// let esd = generalised_esd(&[0.9, 0.95, 0.98, 1.0, 1.02, 1.05, 1.1, 0.93, 5.0, 5.2], 3, 0.05)?;
/// let outliers: Vec<usize> = esd.steps[..esd.outliers].iter().map(|step| step.position).collect();
/// assert_eq!(outliers, [9, 8]);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Esd {
    /// Every step up to the largest number of outliers asked about.
    pub steps: Vec<EsdStep>,
    /// How many of the first removed values are outliers.
    pub outliers: usize,
}

/// Looks for up to `largest` outliers in `values` at `significance` (0.05, not 0.95).
///
/// ```
/// use surface_severity::screening::generalised_esd;
/// let clean = [0.9, 0.95, 0.98, 1.0, 1.02, 1.05, 1.1, 0.93];
/// assert_eq!(generalised_esd(&clean, 3, 0.05)?.outliers, 0);
/// assert!(generalised_esd(&clean, 6, 0.05).is_err(), "more than n - 3");
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::TooFew`] unless `largest ≤ n − 3`, [`ErrorKind::InvalidOption`] for `largest = 0`, a
/// value that is not finite or a significance outside (0, 1).
pub fn generalised_esd(values: &[f64], largest: usize, significance: f64) -> Result<Esd> {
    check_sample(values)?;
    check_significance("significance", significance)?;
    if largest == 0 {
        return Err(ErrorKind::option("largest", largest, "at least 1 outlier to look for"));
    }
    let needed = largest.saturating_add(3);
    if values.len() < needed {
        return Err(ErrorKind::TooFew {
            method: format!("a test for {largest} outlier(s)"),
            what: "values".into(),
            needed,
            found: values.len(),
        }
        .into());
    }
    let mut left: Vec<usize> = (0..values.len()).collect();
    let mut steps = Vec::with_capacity(largest);
    for _ in 0..largest {
        let sample: Vec<f64> = left.iter().map(|&i| values[i]).collect();
        let (mean, squares) = mean_and_squares(&sample);
        let m = as_f64(sample.len());
        let s = (squares / (m - 1.0)).sqrt();
        if s <= f64::EPSILON * mean.abs() {
            break;
        }
        // The first of equally extreme values.
        let Some(k) =
            (0..sample.len()).rev().max_by(|&a, &b| (sample[a] - mean).abs().total_cmp(&(sample[b] - mean).abs()))
        else {
            break;
        };
        let t = -t_quantile(significance / (2.0 * m), m - 2.0);
        steps.push(EsdStep {
            position: left[k],
            statistic: (sample[k] - mean).abs() / s,
            critical_value: (m - 1.0) * t / ((m - 2.0 + t * t) * m).sqrt(),
        });
        left.remove(k);
    }
    let outliers = steps.iter().rposition(|s| s.statistic > s.critical_value).map_or(0, |i| i + 1);
    Ok(Esd { steps, outliers })
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

pub(crate) fn check_sample(values: &[f64]) -> Result<()> {
    // Squares must be numbers too.
    match values.iter().find(|v| v.is_nan() || v.abs() > 1e150) {
        Some(bad) => Err(ErrorKind::option("value", bad, "a number of at most 1e150")),
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
