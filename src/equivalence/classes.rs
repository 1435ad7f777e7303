//! A mean for each class, shrunk towards the common one.
//!
//! # Model
//! dᵢ = μ + γ_class(i) + τ Uᵢ + eᵢ with Var(eᵢ) known, γ with mean 0 and variance ω² over classes. A value without a
//! class is a class of its own, about which nothing is known but that value.
//!
//! # Estimation in two steps
//! 1. Within classes: τ² by restricted likelihood with a mean for every class (n − classes degrees of freedom); the
//!    class means m_g weighted by 1/(v + τ²), with standard errors scaled as Hartung and Knapp's, not below what
//!    agreement by luck once in twenty times would give.
//! 2. Between classes: ω² and μ by restricted likelihood from the class means ([`random_effects`]).
//!
//! With equal error variances and as many values in every class this is REML of the whole model (where neither variance
//! is at 0); otherwise τ² keeps to what the classes show inside, which makes the two steps independent of one another.
//! The predictors m̂_g = μ̂ + k_g (m_g − μ̂), k_g = ω²/(ω² + v_g), are the best linear unbiased ones at these variances.
//!
//! # Sources
//! Henderson, Biometrics 31 (1975) 423 (prediction error variance); Robinson, Stat. Sci. 6 (1991) 15.

use serde::{Deserialize, Serialize};

use super::line::{check_columns, finite, mean, not_estimable};
use super::random_effects::random_effects;
use super::scatter_line::{Scatter, ScatterEstimator, least, least_plausible, solve_scatter};
use crate::error::{ErrorKind, Result};
use crate::numeric::count;

/// What the values of one class say by themselves.
///
/// ```
/// use surface_severity::equivalence::{ScatterEstimator, class_effects};
/// let effects = class_effects(
///     &[1.0, 2.0, 3.0, 4.0], &[0.0; 4], &[Some("leather"), Some("leather"), Some("textile"), Some("textile")],
///     ScatterEstimator::Restricted,
/// )?;
/// let leather = &effects.groups()[0];
/// assert_eq!((leather.class.as_deref(), leather.values, leather.mean), (Some("leather"), 2, 1.5));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct ClassMean {
    /// The class; `None` for a value without one.
    #[serde(deserialize_with = "crate::document::present")]
    pub class: Option<String>,
    /// Values of that class.
    pub values: usize,
    /// Their mean.
    pub mean: f64,
    /// Its standard error.
    pub standard_error: f64,
}

/// One class as predicted from its own values and from all classes.
///
/// ```
/// use surface_severity::equivalence::{ScatterEstimator, class_effects};
/// let classes = [Some("leather"), Some("leather"), Some("textile"), Some("textile")];
/// let effects = class_effects(&[1.0, 2.0, 3.0, 4.0], &[0.0; 4], &classes, ScatterEstimator::Restricted)?;
/// let leather = effects.prediction(0).unwrap();
/// // Between its own mean, 1.5, and the common one, 2.5; nearer to its own by its weight.
/// assert!((leather.mean - (2.5 - leather.own_weight)).abs() < 1e-9);
/// assert!(effects.new_class().standard_error > leather.standard_error, "of a class not seen less is known");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[non_exhaustive]
pub struct ClassPrediction {
    /// The predicted mean of the class.
    pub mean: f64,
    /// Square root of its prediction error variance, ω and τ taken as known.
    pub standard_error: f64,
    /// Weight of the class's own mean against the common one, from 0 to 1.
    pub own_weight: f64,
}

/// Result of [`class_effects`].
///
/// ```
/// use surface_severity::equivalence::{Scatter, ScatterEstimator, class_effects};
/// // Leather and textile as one would expect by chance: the classes do not differ.
/// let classes = [Some("leather"), Some("leather"), Some("textile"), Some("textile")];
/// let effects = class_effects(&[1.0, 4.0, 2.0, 3.0], &[0.0; 4], &classes, ScatterEstimator::Restricted)?;
/// assert_eq!((effects.between(), effects.between_scatter()), (Scatter::Boundary, 0.0));
/// assert!((effects.mean() - 2.5).abs() < 1e-9 && effects.within_degrees_of_freedom() == 2);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ClassEffects {
    groups: Vec<ClassMean>,
    mean: f64,
    standard_error: f64,
    between_scatter: f64,
    between: Scatter,
    within_scatter: f64,
    within: Scatter,
    within_degrees_of_freedom: usize,
    typical_variance: f64,
    observed_variance: f64,
}

impl ClassEffects {
    /// The classes, sorted by name; those of values without a class last, in the order given.
    #[must_use]
    pub fn groups(&self) -> &[ClassMean] {
        &self.groups
    }
    /// μ: mean over classes.
    #[must_use]
    pub fn mean(&self) -> f64 {
        self.mean
    }
    /// Its standard error 1/√Σ 1/(ω² + v_g).
    #[must_use]
    pub fn standard_error(&self) -> f64 {
        self.standard_error
    }
    /// ω: standard deviation between classes.
    #[must_use]
    pub fn between_scatter(&self) -> f64 {
        self.between_scatter
    }
    /// Whether ω is positive or at its boundary 0.
    #[must_use]
    pub fn between(&self) -> Scatter {
        self.between
    }
    /// τ: standard deviation between the true values of one class.
    #[must_use]
    pub fn within_scatter(&self) -> f64 {
        self.within_scatter
    }
    /// Whether τ is positive or at its boundary 0.
    #[must_use]
    pub fn within(&self) -> Scatter {
        self.within
    }
    /// Values − classes.
    #[must_use]
    pub fn within_degrees_of_freedom(&self) -> usize {
        self.within_degrees_of_freedom
    }
    /// Typical error variance v of one value about its class.
    #[must_use]
    pub fn typical_variance(&self) -> f64 {
        self.typical_variance
    }
    /// Observed variance s² within classes: τ² + v, or less where the classes agree better than their errors let expect.
    #[must_use]
    pub fn observed_variance(&self) -> f64 {
        self.observed_variance
    }
    /// Prediction of group `i` of [`groups`](Self::groups); `None` beyond the last.
    #[must_use]
    pub fn prediction(&self, i: usize) -> Option<ClassPrediction> {
        let points: Vec<(f64, f64)> = points(&self.groups);
        (i < points.len()).then(|| predict(&points, Some(i), self.between_scatter * self.between_scatter, None))
    }
    /// Prediction for a class that is not among the groups: μ, with ω² in its variance.
    #[must_use]
    pub fn new_class(&self) -> ClassPrediction {
        predict(&points(&self.groups), None, self.between_scatter * self.between_scatter, None)
    }
}

/// Means and their variances.
pub(crate) fn points(groups: &[ClassMean]) -> Vec<(f64, f64)> {
    groups.iter().map(|g| (g.mean, g.standard_error * g.standard_error)).collect()
}

/// The prediction of class `of`, or of a further class, from (mean, variance) of each class and ω². `common`: what they are
/// shrunk towards, with its variance; their weighted mean where it is not known otherwise.
pub(crate) fn predict(
    points: &[(f64, f64)],
    of: Option<usize>,
    omega2: f64,
    common: Option<(f64, f64)>,
) -> ClassPrediction {
    let (common, variance) = common.unwrap_or_else(|| {
        let (mut sw, mut swm) = (0.0, 0.0);
        for (m, v) in points {
            sw += 1.0 / (v + omega2);
            swm += m / (v + omega2);
        }
        (swm / sw, 1.0 / sw)
    });
    match of {
        Some(i) => {
            let (m, v) = points[i];
            let own = omega2 / (omega2 + v);
            let variance = own * v + (1.0 - own) * (1.0 - own) * variance;
            ClassPrediction { mean: common + own * (m - common), standard_error: libm::sqrt(variance), own_weight: own }
        }
        None => ClassPrediction { mean: common, standard_error: libm::sqrt(omega2 + variance), own_weight: 0.0 },
    }
}

/// Means of classes, shrunk towards the common one, with known errors, scatter τ inside and ω between classes.
///
/// ```
/// use surface_severity::equivalence::{ScatterEstimator, class_effects};
/// let classes = [Some("leather"), Some("leather"), Some("textile"), Some("textile")];
/// let effects = class_effects(&[1.0, 2.0, 3.0, 4.0], &[0.0; 4], &classes, ScatterEstimator::Restricted)?;
/// // Balanced: 1/2 within classes; the class means have variance 2, of which 1/4 comes from within.
/// assert!((effects.within_scatter().powi(2) - 0.5).abs() < 1e-6);
/// assert!((effects.between_scatter().powi(2) - 1.75).abs() < 1e-6);
/// assert!((effects.prediction(0).unwrap().own_weight - 0.875).abs() < 1e-6);
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::TooFew`] with fewer than two classes, or no class with two values; [`ErrorKind::InvalidOption`] for
/// unequal lengths, negative or not finite input, or values of which some but not all have an error of 0;
/// [`ErrorKind::NotEstimable`] where values without errors agree exactly in every class.
///
/// # Accuracy
/// Balanced without errors: lme4 on the dyestuff yields (variances, predictors), 10 digits; with equal errors: metafor's
/// multilevel REML with its predictors and their standard errors (`tests/equivalence`).
pub fn class_effects(
    values: &[f64],
    standard_errors: &[f64],
    classes: &[Option<&str>],
    estimator: ScatterEstimator,
) -> Result<ClassEffects> {
    let method = "means of classes";
    let n = check_columns(method, 2, &[("values", values), ("standard_errors", standard_errors)])?;
    if classes.len() != n {
        return Err(ErrorKind::option("classes", classes.len(), &format!("as many as there are values ({n})")));
    }
    if let Some(bad) = standard_errors.iter().find(|s| **s < 0.0) {
        return Err(ErrorKind::option("standard_errors", bad, "at least 0"));
    }
    let errorless = standard_errors.iter().filter(|s| **s == 0.0).count();
    if errorless > 0 && errorless < n {
        return Err(ErrorKind::option("standard_errors", 0, "a positive error for every value, or for none"));
    }
    let mut names: Vec<&str> = classes.iter().copied().flatten().collect();
    names.sort_unstable();
    names.dedup();
    let mut members: Vec<(Option<String>, Vec<usize>)> = names
        .iter()
        .map(|name| (Some((*name).to_owned()), (0..n).filter(|&i| classes[i] == Some(name)).collect()))
        .collect();
    members.extend((0..n).filter(|&i| classes[i].is_none()).map(|i| (None, vec![i])));
    if members.len() < 2 {
        let what = "classes".into();
        return Err(ErrorKind::TooFew { method: method.into(), what, needed: 2, found: members.len() }.into());
    }
    let within_df = n - members.len();
    if within_df == 0 {
        let what = "classes with two values or more".into();
        return Err(ErrorKind::TooFew { method: method.into(), what, needed: 1, found: 0 }.into());
    }
    let shift = mean(values);
    let variances: Vec<f64> = standard_errors.iter().map(|s| s * s).collect();
    // Per group: Σw, Σw², mean, Σw r², Σw² r²; and −Σ ln w.
    let sums = |tau2: f64, group: &[usize]| {
        let (mut sw, mut sw2, mut swd, mut logs) = (0.0, 0.0, 0.0, 0.0);
        for &i in group {
            let w = 1.0 / (variances[i] + tau2);
            sw += w;
            sw2 += w * w;
            swd += w * (values[i] - shift);
            logs -= libm::log(w);
        }
        let m = swd / sw;
        let (mut chi, mut squares) = (0.0, 0.0);
        for &i in group {
            let w = 1.0 / (variances[i] + tau2);
            let r = values[i] - shift - m;
            chi += w * r * r;
            squares += w * w * r * r;
        }
        [sw, sw2, m, chi, squares, logs]
    };
    let equation = |tau2: f64| -> Result<(f64, f64)> {
        let (mut slope, mut objective) = (0.0, 0.0);
        for (_, group) in &members {
            let [sw, sw2, _, chi, squares, logs] = sums(tau2, group);
            slope += squares - sw;
            objective += 0.5 * (logs + chi);
            if estimator == ScatterEstimator::Restricted {
                slope += sw2 / sw;
                objective += 0.5 * libm::log(sw);
            }
        }
        Ok((slope, objective))
    };
    let df = count(within_df);
    let (tau2, within) = if errorless == n {
        let squares: f64 = members.iter().map(|(_, g)| sums(1.0, g)[3]).sum();
        let divisor = if estimator == ScatterEstimator::Restricted { df } else { count(n) };
        if squares <= 0.0 {
            return Err(not_estimable("the scatter within classes", "the values of every class agree exactly"));
        }
        (squares / divisor, Scatter::Interior)
    } else {
        let reach = values.iter().map(|v| (v - shift) * (v - shift)).fold(0.0, f64::max);
        let largest = variances.iter().copied().fold(reach, f64::max);
        solve_scatter(4.0 * largest, 0.01 * least(&variances), equation)?
    };
    let of_groups: Vec<[f64; 6]> = members.iter().map(|(_, g)| sums(tau2, g)).collect();
    let reduced = of_groups.iter().map(|g| g[3]).sum::<f64>() / df;
    // Standard errors that hold what was seen within classes, but no certainty from agreement by luck.
    let scale = reduced.max(least_plausible(within_df));
    let groups: Vec<ClassMean> = members
        .iter()
        .zip(&of_groups)
        .map(|((class, group), [sw, _, m, ..])| ClassMean {
            class: class.clone(),
            values: group.len(),
            mean: shift + m,
            standard_error: libm::sqrt(scale / sw),
        })
        .collect();
    let typical = if errorless == n {
        0.0
    } else {
        let spread: f64 = members.iter().map(|(_, g)| sums(0.0, g)).map(|[sw, sw2, ..]| sw - sw2 / sw).sum();
        df / spread
    };
    let observed = if tau2 > 0.0 { tau2 + typical } else { typical * scale.min(1.0) };
    let (means, errors): (Vec<f64>, Vec<f64>) = groups.iter().map(|g| (g.mean, g.standard_error)).unzip();
    let between = random_effects(&means, &errors, estimator)?;
    let result = ClassEffects {
        groups,
        mean: between.mean(),
        standard_error: between.standard_error(),
        between_scatter: between.intrinsic_scatter(),
        between: between.scatter(),
        within_scatter: libm::sqrt(tau2),
        within,
        within_degrees_of_freedom: within_df,
        typical_variance: typical,
        observed_variance: observed,
    };
    finite("the means of classes", &means)?;
    finite("the means of classes", &errors)?;
    finite("the means of classes", &[result.within_scatter, result.typical_variance, result.observed_variance])?;
    Ok(result)
}
