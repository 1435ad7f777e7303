//! Two one-sided tests of a ratio (Schuirmann 1987; Westlake 1981 for the interval form).
//!
//! The ratio is shown to lie within bounds at level α when both "it is at or below the lower bound" and "it is at or
//! above the upper bound" are rejected at α, which is the same as its 1 − 2α interval lying within the bounds. No
//! adjustment for the two tests is needed; nor for the claim that *every one* of several ratios lies within its
//! bounds (intersection–union, Berger 1982). For picking out *which* ones do, use [`holm`](crate::holm())-adjusted p-values.

use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, IntervalMethod};
use crate::numeric::special::finite::{t_quantile, t_upper_tail};
use crate::record::record;

record! {
    /// Result of [`tost`].
    ///
    /// ```
    /// use surface_severity::equivalence::tost;
    /// // A ratio of 1 within 10 %, against the customary 0.80 to 1.25.
    /// let test = tost(0.0, 0.1, None, (0.8, 1.25), 0.05)?;
    /// assert!(test.equivalent() && test.p_value() < 0.05);
    /// // Symmetric, so both one-sided tests say the same; and its 90 % interval lies within the bounds.
    /// assert!((test.lower_p_value() - test.upper_p_value()).abs() < 1e-9);
    /// assert!(test.ratio().lower() > 0.8 && test.ratio().upper() < 1.25);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct Tost as RawTost {
        /// The ratio with its 1 − 2α interval.
        borrow ratio: Interval => Interval,
        /// Natural logarithm of the ratio.
        copy log_ratio: f64,
        /// Standard error of the log ratio.
        copy log_standard_error: f64,
        /// Degrees of freedom; `None`: normal.
        copy degrees_of_freedom: Option<f64>,
        /// Lower bound of equivalence.
        copy lower_bound: f64,
        /// Upper bound of equivalence.
        copy upper_bound: f64,
        /// Level α of each one-sided test.
        copy alpha: f64,
        /// (log ratio − log lower bound) / standard error.
        copy lower_statistic: f64,
        /// (log upper bound − log ratio) / standard error.
        copy upper_statistic: f64,
        /// p-value against "at or below the lower bound".
        copy lower_p_value: f64,
        /// p-value against "at or above the upper bound".
        copy upper_p_value: f64,
        /// True when both p-values are at most α.
        copy equivalent: bool,
        /// The smallest symmetric bounds (r, 1/r) within which equivalence would be shown at α: this is r, below 1.
        copy smallest_lower_bound: f64,
    }
}

impl Tost {
    /// The larger of the two p-values: the p-value of the test.
    #[must_use]
    pub fn p_value(&self) -> f64 {
        self.lower_p_value.max(self.upper_p_value)
    }

    /// The smallest symmetric bounds (r, 1/r) within which equivalence would be shown at α.
    ///
    /// ```
    /// use surface_severity::equivalence::tost;
    /// let test = tost(0.0, 0.1, None, (0.8, 1.25), 0.05)?;
    /// // 1.6449 standard errors: just outside the 90 % interval.
    /// assert!((test.smallest_bounds().1 - (1.6449 * 0.1_f64).exp()).abs() < 1e-4);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn smallest_bounds(&self) -> (f64, f64) {
        (self.smallest_lower_bound, 1.0 / self.smallest_lower_bound)
    }

    pub(crate) fn check(&self) -> std::result::Result<(), String> {
        let again = tost(
            self.log_ratio,
            self.log_standard_error,
            self.degrees_of_freedom,
            (self.lower_bound, self.upper_bound),
            self.alpha,
        )
        .map_err(|e| e.to_string())?;
        if again == *self { Ok(()) } else { Err("the test does not follow from its ratio and standard error".into()) }
    }
}

pub(crate) fn check_bounds(lower: f64, upper: f64) -> Result<()> {
    if !(lower > 0.0 && lower < 1.0) {
        return Err(ErrorKind::option("lower bound", lower, "a ratio above 0 and below 1, such as 0.80"));
    }
    if !(upper > 1.0 && upper.is_finite()) {
        return Err(ErrorKind::option("upper bound", upper, "a finite ratio above 1, such as 1.25"));
    }
    Ok(())
}

pub(crate) fn check_alpha(alpha: f64) -> Result<()> {
    if alpha > 0.0 && alpha < 0.5 {
        Ok(())
    } else {
        Err(ErrorKind::option("alpha", alpha, "a test level above 0 and below 0.5, such as 0.05"))
    }
}

/// Two one-sided tests that exp(`log_ratio`) lies within `bounds`, each at level `alpha`.
///
/// Student t with `degrees_of_freedom`, or normal where `None`.
///
/// ```
/// use surface_severity::equivalence::tost;
/// // The same ratio from few trials is no longer shown: which does not prove a difference.
/// assert!(tost(0.05, 0.1, None, (0.8, 1.25), 0.05)?.equivalent());
/// assert!(!tost(0.05, 0.1, Some(2.0), (0.8, 1.25), 0.05)?.equivalent());
/// assert!(tost(0.05, 0.1, None, (1.1, 1.25), 0.05).is_err(), "bounds that do not enclose 1");
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::InvalidOption`] for a log ratio that is not finite, a standard error that is not positive and finite,
/// degrees of freedom that are not positive, bounds that do not enclose 1, or α outside (0, 0.5);
/// [`ErrorKind::NotEstimable`] where a limit overflows.
///
/// # Accuracy
/// EMA reference data set II: interval 12 digits (`tests/equivalence`).
pub fn tost(
    log_ratio: f64,
    log_standard_error: f64,
    degrees_of_freedom: Option<f64>,
    bounds: (f64, f64),
    alpha: f64,
) -> Result<Tost> {
    check_test((log_ratio, log_standard_error, degrees_of_freedom), bounds, alpha)?;
    let overflow = || ErrorKind::NotEstimable {
        quantity: "the equivalence test".into(),
        reason: "the numbers leave the range of double precision".into(),
    };
    let quantile = t_quantile(1.0 - alpha, degrees_of_freedom).ok_or_else(overflow)?;
    let lower_statistic = (log_ratio - libm::log(bounds.0)) / log_standard_error;
    let upper_statistic = (libm::log(bounds.1) - log_ratio) / log_standard_error;
    let tail = |t: f64| t_upper_tail(t, degrees_of_freedom).ok_or_else(overflow);
    let (lower_p_value, upper_p_value) = (tail(lower_statistic)?, tail(upper_statistic)?);
    let method = if degrees_of_freedom.is_some() { IntervalMethod::StudentT } else { IntervalMethod::Normal };
    let ratio = Interval::from_log(log_ratio, log_standard_error, quantile, 1.0 - 2.0 * alpha, method)?;
    let smallest_lower_bound = libm::exp(-(log_ratio.abs() + quantile * log_standard_error));
    if !(smallest_lower_bound > 0.0 && lower_statistic.is_finite() && upper_statistic.is_finite()) {
        return Err(overflow().into());
    }
    Ok(Tost {
        ratio,
        log_ratio,
        log_standard_error,
        degrees_of_freedom,
        lower_bound: bounds.0,
        upper_bound: bounds.1,
        alpha,
        lower_statistic,
        upper_statistic,
        lower_p_value,
        upper_p_value,
        equivalent: lower_p_value <= alpha && upper_p_value <= alpha,
        smallest_lower_bound,
    })
}

/// Refuses what no test of a log ratio, its standard error and its degrees of freedom can be made of.
pub(crate) fn check_test(
    (log_ratio, log_standard_error, degrees_of_freedom): (f64, f64, Option<f64>),
    bounds: (f64, f64),
    alpha: f64,
) -> Result<()> {
    check_bounds(bounds.0, bounds.1)?;
    check_alpha(alpha)?;
    if !log_ratio.is_finite() {
        return Err(ErrorKind::option("log_ratio", log_ratio, "a finite number"));
    }
    if !(log_standard_error > 0.0 && log_standard_error.is_finite()) {
        return Err(ErrorKind::option("log_standard_error", log_standard_error, "a positive, finite number"));
    }
    if let Some(df) = degrees_of_freedom
        && !(df > 0.0 && df.is_finite())
    {
        return Err(ErrorKind::option("degrees_of_freedom", df, "a positive, finite number"));
    }
    Ok(())
}
