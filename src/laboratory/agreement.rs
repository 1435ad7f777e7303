//! Two results of two laboratories, machines or belts, and what is expected of many.
//!
//! | quantity | formula | source |
//! |---|---|---|
//! | E_n | difference / √(U₁² + U₂²), U = 2 u | ISO/IEC 17043; ISO 13528:2015, 9.7 |
//! | ζ | difference / √(u₁² + u₂²) | ISO 13528:2015, 9.6 |
//! | r, R | 2.8 s_r, 2.8 s_R | ISO 5725-6:1994, 4.1 |
//! | critical difference | √(R² − r² (1 − 1/(2 n₁) − 1/(2 n₂))) | ISO 5725-6:1994, 4.2 |
//! | robust mean and scatter | Algorithm A | ISO 13528:2015, C.3 |

use std::fmt;

use serde::Serialize;

use crate::error::{ErrorKind, Result};
use crate::estimate::significant;
use crate::numeric::count;
use crate::numeric::special::normal_cdf;
use crate::severity::{Grouping, SeverityFit};

/// Two results against what their uncertainties let expect: of log times, log factors, or any one quantity.
///
/// ```
/// use surface_severity::laboratory::Agreement;
/// // log k of the belt in two laboratories, with standard errors.
/// let agreement = Agreement::of((1.00, 0.05), (1.12, 0.04))?;
/// assert!(agreement.zeta.abs() < 2.0 && agreement.p_value > 0.05);
/// println!("{agreement}");
/// // Known better, the same difference would speak.
/// assert!(Agreement::of((1.00, 0.02), (1.12, 0.02))?.p_value < 0.001);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Agreement {
    /// Second result less first.
    pub difference: f64,
    /// Its standard error.
    pub standard_error: f64,
    /// E_n: beyond ±1 the results disagree.
    pub normalised_error: f64,
    /// ζ: beyond ±2 the results disagree, beyond ±3 clearly.
    pub zeta: f64,
    /// Probability of a larger difference by chance.
    pub p_value: f64,
}

impl Agreement {
    /// Compares two results, each with its standard uncertainty.
    ///
    /// ```
    /// use surface_severity::laboratory::Agreement;
    /// // 4.30 ± 0.30 and 4.00 ± 0.20, expanded uncertainties with k = 2.
    /// let agreement = Agreement::of((4.00, 0.10), (4.30, 0.15))?;
    /// assert!((agreement.normalised_error - 0.83205).abs() < 1e-5);
    /// assert!(Agreement::of((4.0, 0.0), (4.3, 0.1)).is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a result that is not finite or an uncertainty that is not positive.
    pub fn of(first: (f64, f64), second: (f64, f64)) -> Result<Self> {
        for (value, uncertainty) in [first, second] {
            if !value.is_finite() {
                return Err(ErrorKind::option("result", value, "a finite number"));
            }
            if !(uncertainty > 0.0 && uncertainty.is_finite()) {
                return Err(ErrorKind::option("uncertainty", uncertainty, "a positive, finite standard uncertainty"));
            }
        }
        let difference = second.0 - first.0;
        let standard_error = libm::hypot(first.1, second.1);
        let zeta = difference / standard_error;
        if !(difference.abs() < 1e300 && standard_error < 1e300 && zeta.is_finite()) {
            return Err(ErrorKind::option(
                "result",
                difference,
                "a difference that is a number of standard uncertainties",
            ));
        }
        let p_value = 2.0 * normal_cdf(-zeta.abs());
        Ok(Self { difference, standard_error, normalised_error: 0.5 * zeta, zeta, p_value })
    }

    /// How many times as many trials, shared alike, would tell this difference from chance (ζ = 1.96), were it the true
    /// one; `None` where it is told already, or is none.
    ///
    /// ```
    /// use surface_severity::laboratory::Agreement;
    /// let agreement = Agreement::of((1.0, 0.06), (1.1, 0.08))?;
    /// // ζ = 1: about four times the trials.
    /// assert!((agreement.trials_to_settle().unwrap() - 1.96_f64.powi(2)).abs() < 0.01);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn trials_to_settle(&self) -> Option<f64> {
        let ratio = TWO_SIDED_95 / self.zeta.abs();
        (ratio > 1.0 && ratio < 1e100).then_some(ratio * ratio)
    }
}

/// Beyond it nobody takes a difference for a ratio of times.
const LARGEST_LOG_RATIO: f64 = 50.0;
/// Upper 2.5 % point of the normal distribution.
const TWO_SIDED_95: f64 = 1.959_963_984_540_054;

/// As a ratio, which is what a difference of logarithms is.
impl fmt::Display for Agreement {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let expected = TWO_SIDED_95 * self.standard_error;
        if self.difference.abs().max(expected) > LARGEST_LOG_RATIO {
            let (difference, expected) = (significant(self.difference, 3), significant(expected, 3));
            return write!(f, "The second is the first plus {difference}, of which {expected} may be chance.");
        }
        write!(
            f,
            "The second is {} times the first; by chance a ratio of {} to {} is expected in 19 of 20 such pairs (ζ = {}, \
             E_n = {})",
            significant(libm::exp(self.difference), 3),
            significant(libm::exp(-expected), 3),
            significant(libm::exp(expected), 3),
            significant(self.zeta, 3),
            significant(self.normalised_error, 3)
        )?;
        match self.trials_to_settle() {
            None if self.zeta.abs() < 1.0 => f.write_str(": they agree."),
            None => f.write_str(": they disagree; look for what differs between the two."),
            Some(more) => write!(
                f,
                ": no disagreement is shown. About {} times as many trials would tell this difference from chance.",
                significant(more, 2)
            ),
        }
    }
}

/// Repeatability and reproducibility of single log times.
///
/// ```
/// use surface_severity::laboratory::Reproducibility;
/// let both = Reproducibility::new(0.15, 0.26)?;
/// // More specimens a laboratory help, down to what lies between laboratories.
/// assert!(both.critical_log_difference(5, 5)? < both.critical_log_difference(1, 1)?);
/// println!("{both}");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Reproducibility {
    /// s_r: standard deviation of log time between specimens in one laboratory, on one day and belt.
    pub repeatability: f64,
    /// s_R: the same between laboratories, days and belts.
    pub reproducibility: f64,
}

impl Reproducibility {
    /// From standard deviations of log time.
    ///
    /// ```
    /// use surface_severity::laboratory::Reproducibility;
    /// assert!(Reproducibility::new(0.2, 0.1).is_err(), "within a laboratory times scatter less than between");
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] unless 0 < s_r ≤ s_R.
    pub fn new(repeatability: f64, reproducibility: f64) -> Result<Self> {
        if !(repeatability > 0.0 && repeatability.is_finite()) {
            return Err(ErrorKind::option("repeatability", repeatability, "a positive standard deviation of log time"));
        }
        if !(reproducibility >= repeatability && reproducibility.is_finite()) {
            return Err(ErrorKind::option("reproducibility", reproducibility, "at least the repeatability"));
        }
        Ok(Self { repeatability, reproducibility })
    }

    /// From a fit with laboratories: repeatability is the scatter between specimens; reproducibility holds laboratories,
    /// days, runs and belts as well.
    ///
    /// ```
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let mut trials = Vec::new();
    /// # for (l, shift) in [0.2, -0.1, -0.1, 0.0_f64].into_iter().enumerate() {
    /// #     for (surface, k) in [("asphalt", 1.0), ("belt", 2.0)] {
    /// #         for (material, s) in [("cowhide", 8.0), ("denim", 2.0)] {
    /// #             for (i, e) in [0.05, -0.05, 0.1].into_iter().enumerate() {
    /// #                 let id = format!("{l} {surface} {material} {i}");
    /// #                 let trial = Trial::perforated(id, surface, material, s / k * (shift + e).exp());
    /// #                 trials.push(trial.laboratory(format!("laboratory {l}")));
    /// #             }
    /// #         }
    /// #     }
    /// # }
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::laboratory::Reproducibility;
    /// use surface_severity::severity::{Grouping, Severity};
    /// // Four laboratories tested two materials on two surfaces.
    /// let fit = Severity::new("asphalt").random(Grouping::Laboratory).fit(&campaign)?;
    /// let both = Reproducibility::of(&fit)?;
    /// assert!(both.repeatability == fit.log_scatter() && both.reproducibility > both.repeatability);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a fit without laboratories.
    pub fn of(fit: &SeverityFit) -> Result<Self> {
        if !fit.groupings().contains(&Grouping::Laboratory) {
            return Err(ErrorKind::option(
                "fit",
                "one without laboratories",
                "a fit with laboratories among its groupings",
            ));
        }
        let repeatability = fit.log_scatter() * fit.distribution().moments().1;
        let conditions = [Grouping::Laboratory, Grouping::Day, Grouping::Run, Grouping::Belt];
        let between: f64 = fit
            .variance_components()
            .iter()
            .filter(|c| conditions.iter().any(|g| g.as_str() == c.name))
            .map(|c| c.standard_deviation * c.standard_deviation)
            .sum();
        Self::new(repeatability, libm::sqrt(repeatability * repeatability + between))
    }

    /// r = 2.8 s_r: two log times of one laboratory differ by more in one of twenty pairs.
    #[must_use]
    pub fn repeatability_limit(&self) -> f64 {
        2.8 * self.repeatability
    }
    /// R = 2.8 s_R: the same of two laboratories.
    #[must_use]
    pub fn reproducibility_limit(&self) -> f64 {
        2.8 * self.reproducibility
    }

    /// What mean log times of two laboratories, of n₁ and n₂ specimens, differ by in one of twenty pairs.
    ///
    /// ```
    /// use surface_severity::laboratory::Reproducibility;
    /// let both = Reproducibility::new(0.015, 0.026)?;
    /// assert!((both.critical_log_difference(1, 1)? - both.reproducibility_limit()).abs() < 1e-12);
    /// assert!(both.critical_log_difference(0, 1).is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for no specimen.
    pub fn critical_log_difference(&self, first: usize, second: usize) -> Result<f64> {
        if first == 0 || second == 0 {
            return Err(ErrorKind::option("specimens", 0, "at least 1 in each laboratory"));
        }
        let (r, whole) = (self.repeatability_limit(), self.reproducibility_limit());
        let averaged = 1.0 - 0.5 / count(first) - 0.5 / count(second);
        Ok(libm::sqrt(whole * whole - r * r * averaged))
    }
}

impl fmt::Display for Reproducibility {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "Two specimens of one laboratory differ by more than a factor of {} in one of twenty pairs, those of two \
             laboratories by more than {} (r and R of log time: {} and {}).",
            significant(libm::exp(self.repeatability_limit()), 3),
            significant(libm::exp(self.reproducibility_limit()), 3),
            significant(self.repeatability_limit(), 3),
            significant(self.reproducibility_limit(), 3)
        )
    }
}

/// Mean and scatter of the results of many laboratories that a few of them cannot pull along.
///
/// ```
/// use surface_severity::laboratory::Consensus;
/// let all = Consensus::of(&[1.00, 1.05, 0.97, 1.02, 1.90])?;
/// assert!((all.mean - 1.02).abs() < 0.05, "one laboratory is far off");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Consensus {
    /// x*.
    pub mean: f64,
    /// s*.
    pub standard_deviation: f64,
    /// 1.25 s*/√p: standard uncertainty of the mean.
    pub standard_uncertainty: f64,
    /// p: how many results.
    pub results: usize,
}

impl Consensus {
    /// Algorithm A of ISO 13528: results further than 1.5 s* from x* are drawn in to there until nothing moves.
    ///
    /// ```
    /// use surface_severity::laboratory::Consensus;
    /// assert!(Consensus::of(&[1.0, 1.0, 1.0]).is_err(), "equal results scatter by nothing");
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::TooFew`] for fewer than three results, [`ErrorKind::InvalidOption`] for one that is not finite,
    /// [`ErrorKind::ScatterNotEstimable`] where half of them are equal.
    pub fn of(results: &[f64]) -> Result<Self> {
        const ROUNDS: usize = 10_000;
        if let Some(bad) = results.iter().find(|v| !v.is_finite()) {
            return Err(ErrorKind::option("result", bad, "a finite number"));
        }
        let p = results.len();
        if p < 3 {
            let (method, what) = ("a robust mean of laboratories".into(), "results".into());
            return Err(ErrorKind::TooFew { method, what, needed: 3, found: p }.into());
        }
        let none = || ErrorKind::ScatterNotEstimable { reason: "half of the results are equal".into() };
        let middle = |values: Vec<f64>| crate::screening::median(&values);
        let mut mean = middle(results.to_vec())?.ok_or_else(none)?;
        let away = middle(results.iter().map(|v| (v - mean).abs()).collect())?.ok_or_else(none)?;
        let mut deviation = 1.483 * away;
        if deviation <= 0.0 || !deviation.is_finite() {
            return Err(none().into());
        }
        for _ in 0..ROUNDS {
            let near = 1.5 * deviation;
            let drawn: Vec<f64> = results.iter().map(|v| v.clamp(mean - near, mean + near)).collect();
            let next = drawn.iter().sum::<f64>() / count(p);
            let squares: f64 = drawn.iter().map(|v| (v - next) * (v - next)).sum();
            let scatter = 1.134 * libm::sqrt(squares / count(p - 1));
            let still = (next - mean).abs() <= 1e-13 * scatter && (scatter - deviation).abs() <= 1e-13 * scatter;
            (mean, deviation) = (next, scatter);
            if still {
                break;
            }
        }
        let standard_uncertainty = 1.25 * deviation / libm::sqrt(count(p));
        if !(mean.is_finite() && deviation.is_finite()) {
            return Err(ErrorKind::option("result", "their sum", "results whose squares are numbers"));
        }
        Ok(Self { mean, standard_deviation: deviation, standard_uncertainty, results: p })
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::screening::precision;

    /// 4.30 ± 0.30 against 4.00 ± 0.20 (k = 2), computed with R 4.2.2.
    #[test]
    fn scores_are_those_computed_elsewhere() {
        let found = Agreement::of((4.0, 0.1), (4.3, 0.15)).unwrap();
        assert!((found.normalised_error - 0.832_050).abs() < 5e-7 && (found.zeta - 1.664_101).abs() < 5e-7);
        let same = Agreement::of((1.0, 0.1), (1.0, 0.1)).unwrap();
        assert!(same.trials_to_settle().is_none() && same.to_string().ends_with("they agree."));
        assert!(Agreement::of((1.0, 0.1), (2.0, 0.1)).unwrap().to_string().contains("they disagree"));
    }

    /// ISO 5725-2:1994 Annex B.1, level 1: s_r 0.015117, s_R 0.026364 (recomputed); critical differences of ISO 5725-6 with
    /// s_r 0.015, s_R 0.026, computed with R 4.2.2.
    #[test]
    fn limits_and_critical_differences_are_those_of_iso_5725() {
        let text = include_str!("../../tests/data/iso5725_sulfur.csv");
        let mut groups = std::collections::BTreeMap::<String, Vec<f64>>::new();
        let lines: Vec<&str> = text.lines().filter(|l| !l.starts_with('#')).collect();
        let place = |name: &str| lines[0].split(',').position(|c| c.trim() == name).unwrap();
        let (level, laboratory, value) = (place("level"), place("lab"), place("sulfur"));
        for line in &lines[1..] {
            let fields: Vec<&str> = line.split(',').map(str::trim).collect();
            if fields[level] == "1" {
                groups.entry(fields[laboratory].into()).or_default().push(fields[value].parse().unwrap());
            }
        }
        let found = precision(&groups.into_values().collect::<Vec<_>>()).unwrap();
        let both = Reproducibility::new(found.repeatability, found.reproducibility).unwrap();
        assert!((both.repeatability - 0.015_117).abs() < 6e-7 && (both.reproducibility - 0.026_364).abs() < 6e-7);
        assert!((both.repeatability_limit() - 2.8 * 0.015_117).abs() < 2e-6);
        let rounded = Reproducibility::new(0.015, 0.026).unwrap();
        for (n, want) in [(1, 0.072_80), (2, 0.066_47), (5, 0.062_36)] {
            assert!((rounded.critical_log_difference(n, n).unwrap() - want).abs() < 6e-6, "{n}");
        }
    }

    /// Algorithm A on seven results, computed with R 4.2.2 (data from memory, recomputed).
    #[test]
    fn the_robust_mean_is_that_of_algorithm_a() {
        let found = Consensus::of(&[4.5, 4.9, 5.6, 4.2, 6.2, 5.2, 9.9]).unwrap();
        assert!((found.mean - 5.386_489).abs() < 6e-7 && (found.standard_deviation - 1.145_957).abs() < 6e-7);
        assert!(Consensus::of(&[1.0, 2.0]).is_err() && Consensus::of(&[1.0, f64::NAN, 2.0]).is_err());
    }
}
