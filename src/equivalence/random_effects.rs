//! Means of values with known errors and a scatter of their own that is not.
//!
//! Sources: Viechtbauer, J. Stat. Softw. 36(3), 2010 (REML with known variances); Hartung and Knapp, Stat. Med. 20 (2001)
//! 3875; Sidik and Jonkman, Stat. Med. 21 (2002) 3153; Knapp and Hartung, Stat. Med. 22 (2003) 2693.

use serde::Serialize;

use super::line::{check_columns, errorless_limits, finite, mean, power_of_two, t_interval};
use super::scatter_line::{Scatter, ScatterEstimator, least, least_plausible, profile_scatter, solve_scatter};
use crate::error::{ErrorKind, Result};
use crate::estimate::Interval;
use crate::numeric::count;
use crate::numeric::special::finite::chi_squared_upper_tail;

/// Result of [`random_effects`].
///
/// ```
/// use surface_severity::equivalence::{ScatterEstimator, random_effects};
/// let mean = random_effects(&[0.1, 0.3, 0.5], &[0.05; 3], ScatterEstimator::Restricted)?;
/// // Balanced: variance 0.04 observed, 0.05² of it from the errors.
/// assert!((mean.mean() - 0.3).abs() < 1e-9 && mean.degrees_of_freedom() == 2);
/// assert!((mean.intrinsic_scatter().powi(2) - (0.04 - 0.0025)).abs() < 1e-9);
/// assert!((mean.cochran_q().unwrap() - 0.08 / 0.0025).abs() < 1e-9);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RandomEffects {
    mean: f64,
    standard_error: f64,
    hartung_knapp_standard_error: f64,
    intrinsic_scatter: f64,
    scatter: Scatter,
    estimator: ScatterEstimator,
    cochran_q: Option<f64>,
    heterogeneity_p_value: Option<f64>,
    dersimonian_laird_scatter: f64,
    small_sample_standard_error: f64,
    typical_variance: f64,
    observed_variance: f64,
    values: usize,
    /// Deviations and error variances, for the Q profile.
    deviations: Vec<f64>,
    variances: Vec<f64>,
}

impl RandomEffects {
    /// The mean.
    #[must_use]
    pub fn mean(&self) -> f64 {
        self.mean
    }
    /// Its standard error 1/√ΣW, W = 1/(v + τ²), for a normal quantile and many values.
    #[must_use]
    pub fn standard_error(&self) -> f64 {
        self.standard_error
    }
    /// Its standard error after Hartung and Knapp, and Sidik and Jonkman, for t with n − 1 degrees of freedom:
    /// √(ΣW(d − mean)² / ((n − 1) ΣW)).
    #[must_use]
    pub fn hartung_knapp_standard_error(&self) -> f64 {
        self.hartung_knapp_standard_error
    }
    /// The standard error that this crate uses, with t and n − 1 degrees of freedom: Hartung–Knapp, but not below
    /// what values that agree by luck would give once in twenty times: √(χ²₀.₀₅/(n − 1)) times the plain standard
    /// error, χ²₀.₀₅ the 5 % quantile with n − 1 degrees of freedom. Values that happen to be equal would otherwise
    /// claim a mean without any uncertainty.
    #[must_use]
    pub fn small_sample_standard_error(&self) -> f64 {
        self.small_sample_standard_error
    }
    /// Typical error variance v of one value: (n − 1) ΣW / ((ΣW)² − ΣW²) at τ = 0 (Higgins and Thompson 2002).
    #[must_use]
    pub fn typical_variance(&self) -> f64 {
        self.typical_variance
    }
    /// Observed variance s² of the values about their mean: τ² + v, or v Q/(n − 1) where that is less than v (not
    /// below v χ²₀.₀₅/(n − 1)). In the balanced case the plain variance, with n − 1 degrees of freedom.
    #[must_use]
    pub fn observed_variance(&self) -> f64 {
        self.observed_variance
    }
    /// τ: standard deviation of the true values.
    #[must_use]
    pub fn intrinsic_scatter(&self) -> f64 {
        self.intrinsic_scatter
    }
    /// Limits of τ at confidence `level` by the Q profile (Viechtbauer 2007): the τ at which ΣW(d − mean)² meets the
    /// chi-squared quantiles with n − 1 degrees of freedom. They need not enclose a restricted-likelihood estimate, but
    /// nearly always do.
    ///
    /// ```
    /// use surface_severity::equivalence::{ScatterEstimator, random_effects};
    /// let mean = random_effects(&[0.1, 0.3, 0.5], &[0.05; 3], ScatterEstimator::Restricted)?;
    /// let (lower, upper) = mean.intrinsic_scatter_limits(0.95)?;
    /// // 0.08/(0.05² + τ²) meets the chi-squared quantiles 7.3778 and 0.050636 (2 degrees of freedom).
    /// assert!((lower.powi(2) - (0.08 / 7.3778 - 0.0025)).abs() < 1e-6);
    /// assert!((upper.powi(2) - (0.08 / 0.050636 - 0.0025)).abs() < 1e-3);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a level outside (0, 1); [`ErrorKind::NotEstimable`] at the edge of double
    /// precision.
    pub fn intrinsic_scatter_limits(&self, level: f64) -> Result<(f64, f64)> {
        let df = count(self.degrees_of_freedom());
        let (low, high) = if self.cochran_q.is_none() {
            errorless_limits(self.deviations.iter().map(|d| d * d).sum(), df, level)?
        } else {
            // In units of the largest error, so that the search starts near what it looks for.
            let unit = power_of_two(self.variances.iter().copied().fold(0.0, f64::max));
            let q = |tau2: f64| {
                let weights: Vec<f64> = self.variances.iter().map(|v| 1.0 / (v + tau2 * unit)).collect();
                let sw: f64 = weights.iter().sum();
                let m = weights.iter().zip(&self.deviations).map(|(w, d)| w * d).sum::<f64>() / sw;
                Ok(weights.iter().zip(&self.deviations).map(|(w, d)| w * (d - m) * (d - m)).sum())
            };
            let (low, high) = profile_scatter(df, level, q)?;
            (unit * low, unit * high)
        };
        Ok((libm::sqrt(low), libm::sqrt(high)))
    }
    /// Whether τ is positive or at its boundary 0.
    #[must_use]
    pub fn scatter(&self) -> Scatter {
        self.scatter
    }
    /// How τ was estimated.
    #[must_use]
    pub fn estimator(&self) -> ScatterEstimator {
        self.estimator
    }
    /// Cochran's Q: the weighted sum of squares at τ = 0, chi-squared with n − 1 degrees of freedom if τ = 0;
    /// `None` where no value has an error.
    #[must_use]
    pub fn cochran_q(&self) -> Option<f64> {
        self.cochran_q
    }
    /// Probability of a larger Q if τ = 0.
    #[must_use]
    pub fn heterogeneity_p_value(&self) -> Option<f64> {
        self.heterogeneity_p_value
    }
    /// τ by the method of moments of DerSimonian and Laird (1986), for comparison.
    #[must_use]
    pub fn dersimonian_laird_scatter(&self) -> f64 {
        self.dersimonian_laird_scatter
    }
    /// Number of values.
    #[must_use]
    pub fn values(&self) -> usize {
        self.values
    }
    /// Values − 1.
    #[must_use]
    pub fn degrees_of_freedom(&self) -> usize {
        self.values - 1
    }
    /// t interval of the mean from [`small_sample_standard_error`](Self::small_sample_standard_error).
    ///
    /// ```
    /// use surface_severity::equivalence::{ScatterEstimator, random_effects};
    /// let mean = random_effects(&[0.1, 0.3, 0.5], &[0.05; 3], ScatterEstimator::Restricted)?.interval(0.95)?;
    /// // Three values: t quantile with 2 degrees of freedom, 4.3027, standard error √(0.04/3).
    /// assert!((mean.upper() - 0.3 - 4.3027 * (0.04_f64 / 3.0).sqrt()).abs() < 1e-4);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a level outside (0, 1).
    pub fn interval(&self, level: f64) -> Result<Interval> {
        let df = Some(count(self.degrees_of_freedom()));
        t_interval("the mean", self.mean, self.small_sample_standard_error(), df, level)
    }
}

/// Mean of values with known standard errors and an unknown scatter τ between them.
///
/// Given log road median − log laboratory median of each material, it is the errors-in-variables line with slope 1.
/// REML or maximum likelihood for τ²; the mean weighted by 1/(v + τ²). Where no value has an error, the mean is
/// plain and τ the standard deviation (maximum likelihood: with divisor n).
///
/// ```
/// use surface_severity::equivalence::{ScatterEstimator, random_effects};
/// // log(road/belt) of four materials, one measured badly: it counts less.
/// let values = [0.50, 0.54, 0.46, 1.50];
/// let mean = |error: f64| random_effects(&values, &[0.05, 0.05, 0.05, error], ScatterEstimator::Restricted).map(|m| m.mean());
/// assert!((mean(0.05)? - 0.75).abs() < 1e-9, "the plain mean, all errors being equal");
/// assert!(mean(2.0)? < 0.55);
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::TooFew`] below 2 values; [`ErrorKind::InvalidOption`] for negative or not finite input, or values
/// of which some but not all have an error of 0.
///
/// # Accuracy
/// BCG trials (Colditz et al. 1994; Viechtbauer 2010): 10 digits (`tests/equivalence`).
pub fn random_effects(values: &[f64], standard_errors: &[f64], estimator: ScatterEstimator) -> Result<RandomEffects> {
    let method = "a mean with scatter";
    let n = check_columns(method, 2, &[("values", values), ("standard_errors", standard_errors)])?;
    if let Some(bad) = standard_errors.iter().find(|s| **s < 0.0) {
        return Err(ErrorKind::option("standard_errors", bad, "at least 0"));
    }
    let shift = mean(values);
    let reach = values.iter().map(|v| (v - shift).abs()).fold(0.0, f64::max);
    let scale = power_of_two(reach.max(standard_errors.iter().copied().fold(0.0, f64::max)));
    let d: Vec<f64> = values.iter().map(|v| (v - shift) / scale).collect();
    let v: Vec<f64> = standard_errors.iter().map(|s| (s / scale) * (s / scale)).collect();
    let errorless = v.iter().filter(|v| **v < 1e-150).count();
    if errorless > 0 && errorless < n {
        return Err(ErrorKind::option("standard_errors", 0, "a positive error for every value, or for none"));
    }
    let df = count(n - 1);
    // (weighted mean, Σw, Σw², Σw r², Σw² r², −Σ ln w)
    let sums = |tau2: f64| {
        let w: Vec<f64> = v.iter().map(|v| 1.0 / (v + tau2)).collect();
        let sw: f64 = w.iter().sum();
        let m = w.iter().zip(&d).map(|(w, d)| w * d).sum::<f64>() / sw;
        let sw2: f64 = w.iter().map(|w| w * w).sum();
        let chi: f64 = w.iter().zip(&d).map(|(w, d)| w * (d - m) * (d - m)).sum();
        let squares: f64 = w.iter().zip(&d).map(|(w, d)| w * w * (d - m) * (d - m)).sum();
        let logs: f64 = w.iter().map(|w| -libm::log(*w)).sum();
        (m, sw, sw2, chi, squares, logs)
    };
    let equation = |tau2: f64| {
        let (_, sw, sw2, chi, squares, logs) = sums(tau2);
        match estimator {
            ScatterEstimator::MaximumLikelihood => (squares - sw, 0.5 * (logs + chi)),
            ScatterEstimator::Restricted => (squares - sw + sw2 / sw, 0.5 * (logs + chi + libm::log(sw))),
        }
    };
    let (tau2, scatter, q, dl2, typical) = if errorless == n {
        let divisor = if estimator == ScatterEstimator::Restricted { df } else { count(n) };
        let squares: f64 = d.iter().map(|d| d * d).sum();
        let tau2 = squares / divisor;
        let scatter = if tau2 > 0.0 { Scatter::Interior } else { Scatter::Boundary };
        // Without errors Q is infinite or 0/0: the values differ beyond any doubt, or not at all.
        (tau2, scatter, None, squares / df, 0.0)
    } else {
        let (tau2, scatter) = solve_scatter(64.0, 0.01 * least(&v), |tau2| Ok(equation(tau2)))?;
        let (_, sw, sw2, chi, ..) = sums(0.0);
        let spread = sw - sw2 / sw;
        (tau2, scatter, Some(chi), ((chi - df) / spread).max(0.0), df / spread)
    };
    let (m, standard_error, hartung_knapp) = if errorless == n && tau2 == 0.0 {
        (0.0, 0.0, 0.0)
    } else {
        let (m, sw, _, chi, ..) = sums(tau2);
        (m, libm::sqrt(1.0 / sw), libm::sqrt(chi / (df * sw)))
    };
    let least = least_plausible(n - 1);
    let observed = match q {
        Some(q) if tau2 == 0.0 => typical * (q / df).min(1.0).max(least),
        _ => tau2 + typical,
    };
    let fit = RandomEffects {
        mean: shift + scale * m,
        standard_error: scale * standard_error,
        hartung_knapp_standard_error: scale * hartung_knapp,
        intrinsic_scatter: scale * libm::sqrt(tau2),
        scatter,
        estimator,
        cochran_q: q,
        heterogeneity_p_value: q.and_then(|q| chi_squared_upper_tail(q, df)),
        dersimonian_laird_scatter: scale * libm::sqrt(dl2),
        small_sample_standard_error: scale * hartung_knapp.max(libm::sqrt(least) * standard_error),
        typical_variance: scale * scale * typical,
        observed_variance: scale * scale * observed,
        values: n,
        deviations: values.iter().map(|v| v - shift).collect(),
        variances: standard_errors.iter().map(|s| s * s).collect(),
    };
    finite(
        "the mean",
        &[
            fit.mean,
            fit.standard_error,
            fit.hartung_knapp_standard_error,
            fit.intrinsic_scatter,
            fit.cochran_q.unwrap_or(0.0),
            fit.dersimonian_laird_scatter,
            fit.small_sample_standard_error,
            fit.typical_variance,
            fit.observed_variance,
        ],
    )?;
    Ok(fit)
}
