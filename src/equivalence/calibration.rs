//! Ratios of two uncertain numbers, and reading a line backwards.
//!
//! The set of ratios θ that the data do not refute at a level, {θ : (n − θ d)² ≤ q² Var(n − θ d)}, is an interval only
//! where the denominator is surely not zero: g = q² Var(d)/d² < 1. Otherwise it is everything outside an interval, or
//! every number. [`ConfidenceSet`] says which; no interval is made up.
//!
//! # Sources
//! Fieller, J. R. Stat. Soc. B 16 (1954) 175. Reading a regression line backwards is the ratio (y₀ − a)/b.

use serde::Serialize;

use super::line::not_estimable;
use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, IntervalMethod, check_level, significant};
use crate::numeric::special::finite::t_quantile;

/// A confidence set that need not be an interval.
///
/// ```
/// use surface_severity::equivalence::{ConfidenceSet, fieller};
/// // 4 over something that may be zero: whatever its sign, the ratio is not near 0.
/// let ratio = fieller((4.0, 0.0), (0.5, 1.0), 0.0, None, 0.95)?;
/// assert!(matches!(ratio.set(), ConfidenceSet::Outside { .. }));
/// assert!(!ratio.set().is_bounded() && !ratio.set().contains(0.0) && ratio.set().contains(-100.0));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ConfidenceSet {
    /// An interval.
    Between(Interval),
    /// Everything but what lies strictly between two numbers: at most the lower, or at least the upper.
    Outside {
        /// Values at most this belong to the set.
        lower: f64,
        /// Values at least this belong to the set.
        upper: f64,
        /// Confidence level.
        level: f64,
    },
    /// Everything from a value upwards.
    AtLeast {
        /// The value.
        value: f64,
        /// Confidence level.
        level: f64,
    },
    /// Everything up to a value.
    AtMost {
        /// The value.
        value: f64,
        /// Confidence level.
        level: f64,
    },
    /// Every number: the data exclude nothing at this level.
    Everything {
        /// Confidence level.
        level: f64,
    },
}

impl ConfidenceSet {
    /// The interval, if it is one.
    #[must_use]
    pub fn interval(&self) -> Option<&Interval> {
        match self {
            Self::Between(interval) => Some(interval),
            _ => None,
        }
    }
    /// False where the set reaches to infinity.
    #[must_use]
    pub fn is_bounded(&self) -> bool {
        matches!(self, Self::Between(_))
    }
    /// Confidence level.
    #[must_use]
    pub fn level(&self) -> f64 {
        match self {
            Self::Between(interval) => interval.level(),
            Self::Outside { level, .. }
            | Self::AtLeast { level, .. }
            | Self::AtMost { level, .. }
            | Self::Everything { level } => *level,
        }
    }
    /// True when `value` belongs to the set.
    #[must_use]
    pub fn contains(&self, value: f64) -> bool {
        match self {
            Self::Between(interval) => interval.contains(value),
            Self::Outside { lower, upper, .. } => value <= *lower || value >= *upper,
            Self::AtLeast { value: from, .. } => value >= *from,
            Self::AtMost { value: to, .. } => value <= *to,
            Self::Everything { .. } => true,
        }
    }

    /// The set of e^value. An end beyond the range of numbers is no end; `None` where nothing or no interval is left.
    pub(crate) fn exp(self) -> Option<Self> {
        let e = |v: f64| Some(libm::exp(v)).filter(|v| *v > 0.0 && v.is_finite());
        Some(match self {
            Self::Between(i) => Self::Between(
                Interval::new(e(i.estimate())?, e(i.lower())?, e(i.upper())?, i.level(), i.method()).ok()?,
            ),
            Self::Outside { lower, upper, level } => match (e(lower), e(upper)) {
                (Some(lower), Some(upper)) => Self::Outside { lower, upper, level },
                (Some(value), None) => Self::AtMost { value, level },
                (None, Some(value)) => Self::AtLeast { value, level },
                (None, None) => return None,
            },
            Self::AtLeast { value, level } => Self::AtLeast { value: e(value)?, level },
            Self::AtMost { value, level } => Self::AtMost { value: e(value)?, level },
            Self::Everything { level } => Self::Everything { level },
        })
    }
}

/// `6.21 (5.59 to 6.83)`, `at most -3.10 or at least 2.20`, `unlimited`.
impl std::fmt::Display for ConfidenceSet {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let digits = f.precision().unwrap_or(3);
        match self {
            Self::Between(interval) => interval.fmt(f),
            Self::Outside { lower, upper, .. } => {
                write!(f, "at most {} or at least {}", significant(*lower, digits), significant(*upper, digits))
            }
            Self::AtLeast { value, .. } => write!(f, "at least {}", significant(*value, digits)),
            Self::AtMost { value, .. } => write!(f, "at most {}", significant(*value, digits)),
            Self::Everything { .. } => f.write_str("unlimited"),
        }
    }
}

/// Result of [`fieller`].
///
/// ```
/// use surface_severity::equivalence::fieller;
/// let ratio = fieller((4.0, 0.01), (2.0, 0.0001), 0.0, None, 0.95)?;
/// assert_eq!((ratio.estimate(), ratio.degrees_of_freedom()), (2.0, None));
/// // The denominator is surely not zero (g is small), so the first-order interval is nearly the set.
/// let (set, first) = (ratio.set().interval().unwrap(), ratio.first_order_interval()?);
/// assert!(ratio.g() < 0.001 && (set.upper() - first.upper()).abs() < 0.001);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
pub struct RatioSet {
    estimate: f64,
    standard_error: f64,
    g: f64,
    degrees_of_freedom: Option<f64>,
    set: ConfidenceSet,
}

impl RatioSet {
    /// The ratio of the two estimates.
    #[must_use]
    pub fn estimate(&self) -> f64 {
        self.estimate
    }
    /// Its first-order standard error; of little use where [`g`](Self::g) is not small.
    #[must_use]
    pub fn standard_error(&self) -> f64 {
        self.standard_error
    }
    /// g = q² Var(d)/d²: the squared ratio of the quantile to the denominator in its standard errors. At 1 and above the
    /// set is unbounded.
    #[must_use]
    pub fn g(&self) -> f64 {
        self.g
    }
    /// Degrees of freedom of the quantile; `None`: normal.
    #[must_use]
    pub fn degrees_of_freedom(&self) -> Option<f64> {
        self.degrees_of_freedom
    }
    /// The confidence set.
    #[must_use]
    pub fn set(&self) -> &ConfidenceSet {
        &self.set
    }
    /// The first-order interval, estimate ± quantile · standard error, for comparison.
    ///
    /// ```
    /// use surface_severity::equivalence::fieller;
    /// // Var(n/d) ≈ Var(n)/d² where the denominator is known.
    /// let interval = fieller((4.0, 0.04), (2.0, 0.0), 0.0, None, 0.95)?.first_order_interval()?;
    /// assert!((interval.upper() - (2.0 + 1.959964 * 0.1)).abs() < 1e-6);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::NotEstimable`] where it leaves the range of numbers.
    pub fn first_order_interval(&self) -> Result<Interval> {
        let level = self.set.level();
        let q = quantile(level, self.degrees_of_freedom)?;
        let half = q * self.standard_error;
        let method = if self.degrees_of_freedom.is_some() { IntervalMethod::StudentT } else { IntervalMethod::Normal };
        Interval::new(self.estimate, self.estimate - half, self.estimate + half, level, method)
    }
}

fn quantile(level: f64, df: Option<f64>) -> Result<f64> {
    check_level(level)?;
    t_quantile(0.5 + level / 2.0, df)
        .ok_or_else(|| not_estimable("the confidence set", format!("no quantile at level {level}")))
}

/// Fieller's confidence set of numerator / denominator.
///
/// `covariance` is that of the two estimates; Student t with `degrees_of_freedom`, or normal where `None`.
///
/// ```
/// use surface_severity::equivalence::fieller;
/// // 4 exactly over 2 ± 0.1: the limits are 4 over the limits of the denominator.
/// let ratio = fieller((4.0, 0.0), (2.0, 0.01), 0.0, None, 0.95)?;
/// let interval = ratio.set().interval().unwrap();
/// assert!((interval.lower() - 4.0 / (2.0 + 0.1959964)).abs() < 1e-6);
/// assert!((interval.upper() - 4.0 / (2.0 - 0.1959964)).abs() < 1e-6);
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::InvalidOption`] for numbers that are not finite, negative variances, a covariance beyond what they allow,
/// degrees of freedom that are not positive, or a level outside (0, 1); [`ErrorKind::NotEstimable`] for a denominator of
/// exactly 0 or results beyond the range of numbers.
///
/// # Accuracy
/// Ratios of means of two published data sets, 11 digits, the same as by inverting the paired t test
/// (`tests/equivalence`).
pub fn fieller(
    (numerator, numerator_variance): (f64, f64),
    (denominator, denominator_variance): (f64, f64),
    covariance: f64,
    degrees_of_freedom: Option<f64>,
    level: f64,
) -> Result<RatioSet> {
    for (name, value) in [("numerator", numerator), ("denominator", denominator), ("covariance", covariance)] {
        if !value.is_finite() {
            return Err(ErrorKind::option(name, value, "a finite number"));
        }
    }
    for (name, value) in [("numerator_variance", numerator_variance), ("denominator_variance", denominator_variance)] {
        if !(value >= 0.0 && value.is_finite()) {
            return Err(ErrorKind::option(name, value, "a finite variance of at least 0"));
        }
    }
    if covariance.abs() > libm::sqrt(numerator_variance) * libm::sqrt(denominator_variance) * (1.0 + 1e-9) {
        return Err(ErrorKind::option("covariance", covariance, "no more than the variances allow"));
    }
    if let Some(df) = degrees_of_freedom
        && !(df > 0.0 && df.is_finite())
    {
        return Err(ErrorKind::option("degrees_of_freedom", df, "a positive, finite number"));
    }
    let q = quantile(level, degrees_of_freedom)?;
    if denominator == 0.0 {
        return Err(not_estimable("the ratio", "its denominator is 0"));
    }
    let theta = numerator / denominator;
    let variance = numerator_variance + theta * (theta * denominator_variance - 2.0 * covariance);
    let standard_error = libm::sqrt(variance.max(0.0)) / denominator.abs();
    // In units of the denominator: a θ² − 2 b θ + c ≤ 0.
    let (vn, vd, cov) = (
        numerator_variance / (denominator * denominator),
        denominator_variance / (denominator * denominator),
        covariance / (denominator * denominator),
    );
    let g = q * q * vd;
    let (a, b, c) = (1.0 - g, theta - q * q * cov, theta * theta - q * q * vn);
    let set = solve(a, b, c, theta, level)?;
    let result = RatioSet { estimate: theta, standard_error, g, degrees_of_freedom, set };
    if [theta, standard_error, g].iter().all(|v| v.is_finite()) {
        Ok(result)
    } else {
        Err(not_estimable("the ratio", "the numbers leave the range of double precision"))
    }
}

/// {θ : a θ² − 2 b θ + c ≤ 0}, which holds `estimate`.
fn solve(a: f64, b: f64, c: f64, estimate: f64, level: f64) -> Result<ConfidenceSet> {
    if a == 0.0 {
        return Ok(if b > 0.0 {
            ConfidenceSet::AtLeast { value: 0.5 * c / b, level }
        } else if b < 0.0 {
            ConfidenceSet::AtMost { value: 0.5 * c / b, level }
        } else {
            ConfidenceSet::Everything { level }
        });
    }
    let discriminant = b * b - a * c;
    if a < 0.0 && discriminant <= 0.0 {
        return Ok(ConfidenceSet::Everything { level });
    }
    // One root by addition of like signs, the other from their product: no cancellation.
    let far = b + libm::sqrt(discriminant.max(0.0)).copysign(b);
    let (r, s) = if far == 0.0 { (0.0, 0.0) } else { (far / a, c / far) };
    let (lower, upper) = (r.min(s), r.max(s));
    if !(lower.is_finite() && upper.is_finite()) {
        return Err(not_estimable("the confidence set", "the numbers leave the range of double precision"));
    }
    if a > 0.0 {
        let (lower, upper) = (lower.min(estimate), upper.max(estimate));
        Interval::new(estimate, lower, upper, level, IntervalMethod::Fieller).map(ConfidenceSet::Between)
    } else {
        Ok(ConfidenceSet::Outside { lower, upper, level })
    }
}
