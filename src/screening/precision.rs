//! Consistency between groups: Cochran's C and Mandel's h and k (ISO 5725-2).
//!
//! For p groups of n values with means x̄_i and standard deviations s_i:
//!
//! | statistic | formula | asks |
//! |---|---|---|
//! | Cochran C | `max s² / Σ s²` | is one group's scatter too large? |
//! | Mandel h | `(x̄_i − x̄)/√(Σ(x̄_j − x̄)²/(p − 1))` | does a group's level stand apart? |
//! | Mandel k | `s_i √p / √Σs²` | does a group's scatter stand apart? |
//!
//! # Critical values, all in closed form
//! ```text
//! C = 1/(1 + (p − 1)/F)         F upper α/p point, n − 1 and (p − 1)(n − 1) degrees of freedom
//! h = (p − 1) t/√(p (t² + p − 2))   t upper α/2 point, p − 2 degrees of freedom
//! k = √(p/(1 + (p − 1)/F))      F upper α point, n − 1 and (p − 1)(n − 1) degrees of freedom
//! ```
//! (Wilrich 2013, AStA 97, 1–10 for h and k; Cochran 1941; 't Lam 2010, Analytica Chimica Acta 659,
//! 68–84 for groups of unequal size, where `C_i = ν_i s_i²/Σ ν s²` has F with ν_i and Σν − ν_i degrees
//! of freedom.) They agree with the tables of ISO 5725-2:1994 to their rounding, except for entries
//! of the older Cochran table that are off by one or two in the third decimal.
//!
//! A group whose values are all equal has s = 0 and k = 0: that is an answer, not a division by zero.

use serde::{Deserialize, Serialize};

use crate::error::{ErrorKind, Result};
use crate::numeric::special::{f_survival, t_quantile, t_survival};

use super::esd::{as_f64, check_sample, check_significance, mean_and_squares};

/// Upper point of F: the value exceeded with probability `tail`.
pub(crate) fn f_upper(tail: f64, numerator: f64, denominator: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    while f_survival(high, numerator, denominator) > tail && high < 1e300 {
        high *= 4.0;
    }
    for _ in 0..200 {
        let middle = 0.5 * (low + high);
        if f_survival(middle, numerator, denominator) > tail { low = middle } else { high = middle }
    }
    0.5 * (low + high)
}

fn need(what: &str, found: usize, needed: usize) -> Result<()> {
    if found < needed {
        return Err(
            ErrorKind::TooFew { method: "the comparison of groups".into(), what: what.into(), needed, found }.into()
        );
    }
    Ok(())
}

/// Critical value of Cochran's C for `groups` of `n` values each.
///
/// ```
/// use surface_severity::screening::cochran_critical_value;
/// assert_eq!(format!("{:.3}", cochran_critical_value(5, 2, 0.05)?), "0.841"); // ISO 5725-2:1994, table of Cochran's test
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::TooFew`] for fewer than two groups or values, [`ErrorKind::InvalidOption`] for a
/// significance outside (0, 1).
pub fn cochran_critical_value(groups: usize, n: usize, significance: f64) -> Result<f64> {
    check_significance("significance", significance)?;
    need("groups", groups, 2)?;
    need("values in a group", n, 2)?;
    let (p, nu) = (as_f64(groups), as_f64(n - 1));
    let f = f_upper(significance / p, nu, (p - 1.0) * nu);
    Ok(1.0 / (1.0 + (p - 1.0) / f))
}

/// Critical value of Mandel's h for `groups` groups; |h| beyond it stands apart.
///
/// ```
/// use surface_severity::screening::mandel_h_critical_value;
/// assert_eq!(format!("{:.2}", mandel_h_critical_value(5, 0.05)?), "1.57"); // ISO 5725-2:1994, table of Mandel's h
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::TooFew`] for fewer than three groups, [`ErrorKind::InvalidOption`].
pub fn mandel_h_critical_value(groups: usize, significance: f64) -> Result<f64> {
    check_significance("significance", significance)?;
    need("groups", groups, 3)?;
    let p = as_f64(groups);
    let t = -t_quantile(0.5 * significance, p - 2.0);
    Ok((p - 1.0) * t / (p * (t * t + p - 2.0)).sqrt())
}

/// Critical value of Mandel's k for `groups` of `n` values each.
///
/// ```
/// use surface_severity::screening::mandel_k_critical_value;
/// assert_eq!(format!("{:.2}", mandel_k_critical_value(5, 2, 0.05)?), "1.81"); // ISO 5725-2:1994, table of Mandel's k
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// As [`cochran_critical_value`].
pub fn mandel_k_critical_value(groups: usize, n: usize, significance: f64) -> Result<f64> {
    check_significance("significance", significance)?;
    need("groups", groups, 2)?;
    need("values in a group", n, 2)?;
    let (p, nu) = (as_f64(groups), as_f64(n - 1));
    let f = f_upper(significance, nu, (p - 1.0) * nu);
    Ok((p / (1.0 + (p - 1.0) / f)).sqrt())
}

/// One group against the others.
///
/// ```
/// use surface_severity::screening::precision;
/// // Three days of two readings, each 2 apart, their means 1 apart.
/// let days = precision(&[vec![0.0, 2.0], vec![1.0, 3.0], vec![2.0, 4.0]])?.groups;
/// let h: Vec<f64> = days.iter().filter_map(|day| day.h).collect();
/// assert!((h[0] + 1.0).abs() < 1e-12 && h[1].abs() < 1e-12 && (h[2] - 1.0).abs() < 1e-12);
/// assert!(days.iter().all(|day| (day.k.unwrap() - 1.0).abs() < 1e-12 && (day.c.unwrap() - 1.0 / 3.0).abs() < 1e-12));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct GroupStatistics {
    /// Values in the group.
    pub n: usize,
    /// Mean.
    pub mean: f64,
    /// Standard deviation, divisor n − 1; absent for a single value.
    pub standard_deviation: Option<f64>,
    /// Mandel's h; absent for fewer than three groups or where all means are equal.
    pub h: Option<f64>,
    /// Two-sided p-value of h.
    pub h_p_value: Option<f64>,
    /// Mandel's k, for unequal sizes `s_i/√(Σν s²/Σν)`; absent for a single value or without scatter.
    pub k: Option<f64>,
    /// The group's share of the pooled squares, `ν_i s_i²/Σν s²`: Cochran's C for groups of one size.
    pub c: Option<f64>,
    /// Upper tail p-value of k and of C for this group alone; for the largest of p groups multiply by p.
    pub scatter_p_value: Option<f64>,
}

/// All groups against each other.
///
/// ```
/// use surface_severity::screening::precision;
/// // Variance 2 within; means 2 and 6, whose variance of 8 holds half of that: 7 between.
/// let result = precision(&[vec![1.0, 3.0], vec![5.0, 7.0]])?;
/// assert!((result.mean - 4.0).abs() < 1e-12);
/// assert!((result.repeatability - 2_f64.sqrt()).abs() < 1e-12);
/// assert!((result.reproducibility - 3.0).abs() < 1e-12);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct Precision {
    /// The groups, in the order given.
    pub groups: Vec<GroupStatistics>,
    /// Mean of all values (ISO 5725-2: weighted by n).
    pub mean: f64,
    /// Repeatability standard deviation: pooled scatter within groups.
    pub repeatability: f64,
    /// Reproducibility standard deviation: within and between groups.
    pub reproducibility: f64,
}

/// Means, scatter, h, k and C of `groups`, in the unit of the values.
///
/// ```
/// use surface_severity::screening::precision;
/// // The third belt scatters more than the others.
/// let belts = precision(&[vec![1.0, 1.1, 0.9], vec![1.0, 1.2, 1.1], vec![0.2, 1.9, 1.1]])?.groups;
/// assert!(belts[2].c.unwrap() > 0.9 && belts[2].scatter_p_value.unwrap() < 0.05);
/// assert!(precision(&[vec![1.0, 1.1]]).is_err(), "one group has nothing to be compared with");
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::TooFew`] for fewer than two groups, an empty group, or no group with two values;
/// [`ErrorKind::InvalidOption`] for a value that is not finite.
pub fn precision(groups: &[Vec<f64>]) -> Result<Precision> {
    need("groups", groups.len(), 2)?;
    for group in groups {
        check_sample(group)?;
        need("values in a group", group.len(), 1)?;
    }
    let p = as_f64(groups.len());
    // About the first value, so that a common offset costs no digits (NIST StRD SmLs07 to 09).
    let first = groups[0][0];
    let parts: Vec<(f64, f64, f64)> = groups
        .iter()
        .map(|g| {
            let (mean, squares) = mean_and_squares(&g.iter().map(|v| v - first).collect::<Vec<_>>());
            (as_f64(g.len()), mean, squares)
        })
        .collect();
    let total: f64 = parts.iter().map(|g| g.0).sum();
    let nu: f64 = total - p;
    if nu < 1.0 {
        need("values in the largest group", 1, 2)?;
    }
    let squares: f64 = parts.iter().map(|g| g.2).sum();
    let shift = parts[0].1;
    let mean = shift + parts.iter().map(|g| g.0 * (g.1 - shift)).sum::<f64>() / total;
    // h uses the plain mean of the group means.
    let plain = shift + parts.iter().map(|g| g.1 - shift).sum::<f64>() / p;
    let spread = (parts.iter().map(|g| (g.1 - plain) * (g.1 - plain)).sum::<f64>() / (p - 1.0)).sqrt();
    let s2r = squares / nu;
    let between: f64 = parts.iter().map(|g| g.0 * (g.1 - mean) * (g.1 - mean)).sum::<f64>() / (p - 1.0);
    let n_bar = (total - parts.iter().map(|g| g.0 * g.0).sum::<f64>() / total) / (p - 1.0);
    let s2l = ((between - s2r) / n_bar).max(0.0);
    let groups = parts
        .iter()
        .map(|&(n, own, own_squares)| {
            let h = (spread > 0.0 && p >= 3.0).then(|| (own - plain) / spread);
            let h_p_value = h.map(|h| {
                let room = (p - 1.0) * (p - 1.0) - p * h * h;
                if room <= 0.0 { 0.0 } else { 2.0 * t_survival(h.abs() * (p * (p - 2.0) / room).sqrt(), p - 2.0) }
            });
            let scattered = n >= 2.0 && squares > 0.0;
            let c = scattered.then(|| own_squares / squares);
            let others = nu - (n - 1.0);
            let scatter_p_value = c
                .filter(|_| others >= 1.0)
                .map(|c| if c >= 1.0 { 0.0 } else { f_survival(c / (1.0 - c) * others / (n - 1.0), n - 1.0, others) });
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            GroupStatistics {
                n: n as usize,
                mean: first + own,
                standard_deviation: (n >= 2.0).then(|| (own_squares / (n - 1.0)).sqrt()),
                h,
                h_p_value,
                k: scattered.then(|| (own_squares / (n - 1.0) / s2r).sqrt()),
                c,
                scatter_p_value,
            }
        })
        .collect();
    Ok(Precision { groups, mean: first + mean, repeatability: s2r.sqrt(), reproducibility: (s2r + s2l).sqrt() })
}
