//! Numbers that carry their uncertainty: [`Interval`], [`Bound`], [`Estimate`].
//!
//! No public result of this crate is NaN, infinite or a sentinel: a quantity is either estimated
//! with an interval, or known to lie beyond a bound, or not estimable for a stated reason.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::error::{ErrorKind, Result};

/// How an interval was made. The name is what documents carry.
///
/// ```
/// use surface_severity::{IntervalMethod, campaign::Campaign, severity::Severity};
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let fit = Severity::new("dense asphalt concrete").fit(&campaign)?;
/// // The reference is 1 by definition; every other factor says how its limits were made.
/// assert_eq!(fit.factor("dense asphalt concrete")?.method(), IntervalMethod::ByDefinition);
/// assert_ne!(fit.factor("brushed concrete")?.method(), IntervalMethod::ByDefinition);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum IntervalMethod {
    /// Student t quantile on the (log) estimate with residual degrees of freedom.
    StudentT,
    /// Normal quantile on the (log) estimate, observed information (Wald).
    Normal,
    /// Bootstrap percentile.
    Percentile,
    /// Bootstrap, bias-corrected and accelerated (Efron 1987).
    Bca,
    /// Bootstrap, basic (reflected percentile).
    Basic,
    /// Bootstrap, studentised.
    Studentised,
    /// Bootstrap standard error and bias with a normal quantile.
    BootstrapNormal,
    /// χ² quantiles on a variance.
    ChiSquared,
    /// Profile likelihood.
    Profile,
    /// A prediction interval: it covers a further material or specimen, not a mean.
    Prediction,
    /// The reference itself: exactly 1 by definition, no uncertainty.
    ByDefinition,
}

/// A point estimate with its interval.
///
/// Invariants, checked on construction and on reading: all finite, `lower <= estimate <= upper`
/// (a bootstrap interval may exclude its estimate; then only `lower <= upper` holds, see
/// [`new`](Self::new)), `0 < level < 1`.
///
/// ```
/// use surface_severity::{Interval, IntervalMethod};
/// let factor = Interval::new(2.31, 1.94, 2.75, 0.95, IntervalMethod::StudentT)?;
/// assert_eq!(factor.to_string(), "2.31 (1.94 to 2.75)");
/// assert!(factor.contains(2.0) && !factor.contains(1.0));
/// assert_eq!((factor.lower(), factor.estimate(), factor.upper(), factor.level()), (1.94, 2.31, 2.75, 0.95));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "RawInterval")]
pub struct Interval {
    estimate: f64,
    lower: f64,
    upper: f64,
    level: f64,
    method: IntervalMethod,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawInterval {
    estimate: f64,
    lower: f64,
    upper: f64,
    level: f64,
    method: IntervalMethod,
}

impl TryFrom<RawInterval> for Interval {
    type Error = crate::Error;
    fn try_from(raw: RawInterval) -> Result<Self> {
        Self::new(raw.estimate, raw.lower, raw.upper, raw.level, raw.method)
    }
}

impl Interval {
    /// An interval at confidence `level` (0.95, not 95).
    ///
    /// ```
    /// use surface_severity::{Interval, IntervalMethod};
    /// assert!(Interval::new(2.31, 1.94, 2.75, 0.95, IntervalMethod::StudentT).is_ok());
    /// // A level of 95 and limits in the wrong order are refused.
    /// assert!(Interval::new(2.31, 1.94, 2.75, 95.0, IntervalMethod::StudentT).is_err());
    /// assert!(Interval::new(2.31, 2.75, 1.94, 0.95, IntervalMethod::StudentT).is_err());
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] when a number is not finite, the level is not strictly between
    /// 0 and 1, the limits are in the wrong order, or the estimate lies outside the limits for a
    /// method whose intervals always contain it (all but those of the bootstrap).
    pub fn new(estimate: f64, lower: f64, upper: f64, level: f64, method: IntervalMethod) -> Result<Self> {
        for (name, value) in [("estimate", estimate), ("lower", lower), ("upper", upper)] {
            if !value.is_finite() {
                return Err(ErrorKind::option(name, value, "a finite number"));
            }
        }
        check_level(level)?;
        if lower > upper {
            return Err(ErrorKind::option("lower", lower, &format!("at most the upper limit {upper}")));
        }
        let resampled = matches!(
            method,
            IntervalMethod::Percentile
                | IntervalMethod::Bca
                | IntervalMethod::Basic
                | IntervalMethod::Studentised
                | IntervalMethod::BootstrapNormal
        );
        if !(resampled || (lower <= estimate && estimate <= upper)) {
            return Err(ErrorKind::option(
                "estimate",
                estimate,
                &format!("a value within its own limits {lower} to {upper}"),
            ));
        }
        Ok(Self { estimate, lower, upper, level, method })
    }

    /// The interval of a positive quantity from an estimate and standard error of its logarithm:
    /// `exp(log_estimate ± quantile · log_standard_error)`.
    ///
    /// ```
    /// use surface_severity::{Interval, IntervalMethod};
    /// // 1.96 standard errors of 0.1 about the log of 2: a factor of e^0.196 either way.
    /// let factor = Interval::from_log(2_f64.ln(), 0.1, 1.96, 0.95, IntervalMethod::Normal)?;
    /// assert!((factor.estimate() - 2.0).abs() < 1e-12);
    /// assert!((factor.upper() / factor.estimate() - 0.196_f64.exp()).abs() < 1e-12);
    /// assert!((factor.upper() * factor.lower() - 4.0).abs() < 1e-12);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`new`](Self::new); [`ErrorKind::NotEstimable`] where a limit is not a positive number.
    pub fn from_log(
        log_estimate: f64,
        log_standard_error: f64,
        quantile: f64,
        level: f64,
        method: IntervalMethod,
    ) -> Result<Self> {
        let half = quantile * log_standard_error;
        let [estimate, lower, upper] = [log_estimate, log_estimate - half, log_estimate + half].map(libm::exp);
        if !(lower > 0.0 && upper.is_finite()) {
            let reason = "its limits are out of reach of numbers: next to nothing is known of its scatter".into();
            return Err(ErrorKind::NotEstimable { quantity: "an interval".into(), reason }.into());
        }
        Self::new(estimate, lower, upper, level, method)
    }

    /// The point estimate.
    #[must_use]
    pub fn estimate(&self) -> f64 {
        self.estimate
    }
    /// Lower limit.
    #[must_use]
    pub fn lower(&self) -> f64 {
        self.lower
    }
    /// Upper limit.
    #[must_use]
    pub fn upper(&self) -> f64 {
        self.upper
    }
    /// Confidence level, between 0 and 1.
    #[must_use]
    pub fn level(&self) -> f64 {
        self.level
    }
    /// How it was made.
    #[must_use]
    pub fn method(&self) -> IntervalMethod {
        self.method
    }
    /// True when `value` lies within the limits.
    #[must_use]
    pub fn contains(&self, value: f64) -> bool {
        self.lower <= value && value <= self.upper
    }
}

/// `2.31 (1.94 to 2.75)`.
impl fmt::Display for Interval {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let digits = f.precision().unwrap_or(3);
        write!(
            f,
            "{} ({} to {})",
            significant(self.estimate, digits),
            significant(self.lower, digits),
            significant(self.upper, digits)
        )
    }
}

/// Which side of [`Bound::value`] the quantity lies on.
///
/// ```
/// use surface_severity::{Bound, BoundSide};
/// let bound = Bound::new(BoundSide::AtMost, 0.05, 0.95, "every specimen opened at contact")?;
/// assert_eq!(bound.side(), BoundSide::AtMost);
/// assert_eq!(bound.to_string(), "at most 0.0500");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum BoundSide {
    /// The quantity is at least the value.
    AtLeast,
    /// The quantity is at most the value.
    AtMost,
}

/// A one-sided confidence bound for a quantity whose maximum-likelihood estimate is infinite or zero.
///
/// ```
/// use surface_severity::{Bound, BoundSide};
/// let durability = Bound::new(BoundSide::AtLeast, 12.4, 0.95, "every specimen outlasted its run")?;
/// assert_eq!(durability.to_string(), "at least 12.4");
/// assert_eq!((durability.value(), durability.level()), (12.4, 0.95));
/// assert!(durability.reason().contains("outlasted"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(try_from = "RawBound")]
pub struct Bound {
    side: BoundSide,
    value: f64,
    level: f64,
    reason: String,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawBound {
    side: BoundSide,
    value: f64,
    level: f64,
    reason: String,
}

impl TryFrom<RawBound> for Bound {
    type Error = crate::Error;
    fn try_from(raw: RawBound) -> Result<Self> {
        Self::new(raw.side, raw.value, raw.level, raw.reason)
    }
}

impl Bound {
    /// A one-sided bound at confidence `level`.
    ///
    /// ```
    /// use surface_severity::{Bound, BoundSide};
    /// assert!(Bound::new(BoundSide::AtLeast, 12.4, 0.95, "only run-outs").is_ok());
    /// assert!(Bound::new(BoundSide::AtLeast, f64::INFINITY, 0.95, "only run-outs").is_err());
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a value that is not finite or a level outside (0, 1).
    pub fn new(side: BoundSide, value: f64, level: f64, reason: impl Into<String>) -> Result<Self> {
        if !value.is_finite() {
            return Err(ErrorKind::option("value", value, "a finite number"));
        }
        check_level(level)?;
        Ok(Self { side, value, level, reason: reason.into() })
    }
    /// Side of the value on which the quantity lies.
    #[must_use]
    pub fn side(&self) -> BoundSide {
        self.side
    }
    /// The bound, in the unit of the quantity.
    #[must_use]
    pub fn value(&self) -> f64 {
        self.value
    }
    /// One-sided confidence level.
    #[must_use]
    pub fn level(&self) -> f64 {
        self.level
    }
    /// Why there is only a bound, in plain words.
    #[must_use]
    pub fn reason(&self) -> &str {
        &self.reason
    }
}

/// `at least 12.4`.
impl fmt::Display for Bound {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let digits = f.precision().unwrap_or(3);
        let side = match self.side {
            BoundSide::AtLeast => "at least",
            BoundSide::AtMost => "at most",
        };
        write!(f, "{side} {}", significant(self.value, digits))
    }
}

/// What is known of a quantity.
///
/// ```
/// use surface_severity::{Estimate, campaign::{Campaign, Trial}, severity::Severity};
/// let campaign = Campaign::from_trials([
///     Trial::perforated("T1", "asphalt", "cowhide", 8.2),
///     Trial::perforated("T2", "asphalt", "cowhide", 9.9),
///     Trial::run_out("T3", "asphalt", "double leather", 20.0),
/// ])?;
/// for material in Severity::new("asphalt").fit(&campaign)?.materials() {
///     match &material.durability_s {
///         Estimate::Interval(interval) => assert!(interval.contains(9.0)),
///         Estimate::Bound(bound) => assert!(bound.to_string().starts_with("at least")),
///         Estimate::NotEstimable(why) => panic!("{}", why.not_estimable),
///     }
/// }
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(untagged)]
pub enum Estimate {
    /// A point estimate with an interval.
    Interval(Interval),
    /// Only a one-sided bound.
    Bound(Bound),
    /// Nothing, and why.
    NotEstimable(NotEstimable),
}

/// By its members: derived, every type within would be compiled a second time for what is buffered.
impl<'de> Deserialize<'de> for Estimate {
    fn deserialize<D: serde::Deserializer<'de>>(deserializer: D) -> std::result::Result<Self, D::Error> {
        let value = serde_json::Value::deserialize(deserializer)?;
        let found = if value.get("estimate").is_some() {
            serde_json::from_value(value).map(Self::Interval)
        } else if value.get("not_estimable").is_some() {
            serde_json::from_value(value).map(Self::NotEstimable)
        } else {
            serde_json::from_value(value).map(Self::Bound)
        };
        found.map_err(serde::de::Error::custom)
    }
}

/// Why a quantity has no estimate.
///
/// ```
/// use surface_severity::Estimate;
/// let spread = Estimate::not_estimable("a single specimen");
/// assert!(matches!(&spread, Estimate::NotEstimable(why) if why.not_estimable == "a single specimen"));
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct NotEstimable {
    /// The reason, in plain words.
    pub not_estimable: String,
}

impl Estimate {
    /// A quantity with no estimate, for `reason`.
    ///
    /// ```
    /// use surface_severity::Estimate;
    /// let spread = Estimate::not_estimable("a single specimen");
    /// assert_eq!((spread.value(), spread.reason()), (None, Some("a single specimen")));
    /// ```
    pub fn not_estimable(reason: impl Into<String>) -> Self {
        Self::NotEstimable(NotEstimable { not_estimable: reason.into() })
    }
    /// The interval, if it is one.
    #[must_use]
    pub fn interval(&self) -> Option<&Interval> {
        match self {
            Self::Interval(interval) => Some(interval),
            _ => None,
        }
    }
    /// The point estimate, if there is one.
    #[must_use]
    pub fn value(&self) -> Option<f64> {
        self.interval().map(Interval::estimate)
    }
    /// The reason why there is no interval, if there is none.
    #[must_use]
    pub fn reason(&self) -> Option<&str> {
        match self {
            Self::Interval(_) => None,
            Self::Bound(bound) => Some(bound.reason()),
            Self::NotEstimable(not) => Some(&not.not_estimable),
        }
    }
}

impl From<Interval> for Estimate {
    fn from(interval: Interval) -> Self {
        Self::Interval(interval)
    }
}

impl From<Bound> for Estimate {
    fn from(bound: Bound) -> Self {
        Self::Bound(bound)
    }
}

impl fmt::Display for Estimate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Interval(interval) => interval.fmt(f),
            Self::Bound(bound) => bound.fmt(f),
            Self::NotEstimable(_) => f.write_str("not estimable"),
        }
    }
}

pub(crate) fn check_level(level: f64) -> Result<()> {
    if level > 0.0 && level < 1.0 {
        Ok(())
    } else {
        Err(ErrorKind::option("level", level, "a confidence level strictly between 0 and 1, such as 0.95"))
    }
}

/// `value` with `digits` significant digits, in plain decimal notation where that is readable.
///
/// ```
/// use surface_severity::significant;
/// assert_eq!(significant(2.314, 3), "2.31");
/// assert_eq!(significant(1234.5, 3), "1230");
/// assert_eq!(significant(0.0, 3), "0");
/// ```
#[must_use]
pub fn significant(value: f64, digits: usize) -> String {
    if value == 0.0 || !value.is_finite() {
        return format!("{value}");
    }
    let digits = digits.clamp(1, 17);
    let scientific = format!("{value:.*e}", digits - 1);
    let exponent: i32 = scientific.rsplit('e').next().and_then(|e| e.parse().ok()).unwrap_or(0);
    if (-5..7).contains(&exponent) {
        let wanted = i32::try_from(digits).unwrap_or(17) - 1 - exponent;
        let rounded: f64 = scientific.parse().unwrap_or(value);
        format!("{rounded:.*}", usize::try_from(wanted.max(0)).unwrap_or(0))
    } else {
        scientific
    }
}

/// `adjusted p = 0.02`, `adjusted p < 0.001`.
pub(crate) fn p_value(name: &str, p: f64) -> String {
    if p < 0.001 { format!("{name} < 0.001") } else { format!("{name} = {}", significant(p, 2)) }
}

#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn significant_digits_read_as_a_person_writes_them() {
        for (value, digits, text) in [
            (2.3149, 3, "2.31"),
            (0.999_96, 3, "1.00"),
            (1234.5, 3, "1230"),
            (0.001_234, 2, "0.0012"),
            (1e-9, 3, "1.00e-9"),
            (0.0, 3, "0"),
        ] {
            assert_eq!(significant(value, digits), text);
        }
    }

    #[test]
    fn a_hand_edited_interval_is_refused() {
        let good = r#"{"estimate":1.5,"lower":1.0,"upper":2.0,"level":0.95,"method":"student_t"}"#;
        let read: Interval = serde_json::from_str(good).unwrap();
        assert_eq!(serde_json::to_string(&read).unwrap(), good);
        for bad in [
            good.replace("1.0", "3.0"),
            good.replace("0.95", "95"),
            good.replace("student_t", "guess"),
            good.replace("1.5", "2.5"),
            good.replace("\"level\"", "\"extra\":1,\"level\""),
        ] {
            assert!(serde_json::from_str::<Interval>(&bad).is_err(), "{bad}");
        }
    }

    #[test]
    fn an_estimate_is_one_of_three_shapes_in_json() {
        let bound: Estimate = Bound::new(BoundSide::AtLeast, 4.0, 0.95, "only run-outs").unwrap().into();
        let not = Estimate::not_estimable("no trial");
        for value in [bound, not] {
            let text = serde_json::to_string(&value).unwrap();
            assert_eq!(serde_json::from_str::<Estimate>(&text).unwrap(), value);
        }
    }
}
