//! Lines with a scatter of their own about them; see `line.rs` for the method.

use super::least_squares::{Intercept, LinearFit, ordinary_least_squares};
use super::line::{Criterion, LineCovariance, Pairs, YorkLine, errorless_limits, finite, not_estimable};
use crate::error::{ErrorKind, Result};
use crate::estimate::check_level;
use crate::numeric::count;
use crate::numeric::root::bracketed;
use crate::numeric::special::finite::chi_squared_quantile;
use serde::{Deserialize, Serialize};

/// How τ is estimated.
///
/// ```
/// use surface_severity::equivalence::{ScatterEstimator, random_effects};
/// // Three values without errors: divisor n − 1, or n.
/// let scatter = |estimator| random_effects(&[1.0, 3.0, 5.0], &[0.0; 3], estimator).map(|m| m.intrinsic_scatter());
/// assert!((scatter(ScatterEstimator::Restricted)? - 2.0).abs() < 1e-9);
/// assert!((scatter(ScatterEstimator::MaximumLikelihood)? - (8.0_f64 / 3.0).sqrt()).abs() < 1e-9);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum ScatterEstimator {
    /// Restricted likelihood: corrected for the parameters of the line or mean, less biased in small samples.
    #[default]
    Restricted,
    /// Maximum likelihood; too small in small samples.
    MaximumLikelihood,
}

impl ScatterEstimator {
    fn criterion(self) -> Criterion {
        match self {
            Self::Restricted => Criterion::Distance,
            Self::MaximumLikelihood => Criterion::Likelihood,
        }
    }
}

/// Where the estimate of τ lies.
///
/// ```
/// use surface_severity::equivalence::{Scatter, ScatterEstimator, random_effects};
/// // Values that differ by less than their errors show no scatter of their own.
/// let scatter = |error: f64| random_effects(&[1.0, 1.1, 1.2], &[error; 3], ScatterEstimator::Restricted).map(|m| m.scatter());
/// assert_eq!(scatter(1.0)?, Scatter::Boundary);
/// assert_eq!(scatter(0.01)?, Scatter::Interior);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Scatter {
    /// Positive.
    Interior,
    /// Zero: the pairs scatter no more than their errors explain.
    Boundary,
}

/// The τ² ≥ 0 that solves a likelihood equation, with the lowest objective among all solutions.
/// `equation(τ²)` = (derivative sign: positive below a maximum of the likelihood, objective).
pub(crate) fn solve_scatter(
    start: f64,
    finest: f64,
    mut equation: impl FnMut(f64) -> Result<(f64, f64)>,
) -> Result<(f64, Scatter)> {
    let mut top = start;
    for _ in 0..100 {
        if equation(top)?.0 < 0.0 {
            break;
        }
        top *= 2.0;
    }
    let mut low = 0.0;
    let (mut g_low, at_zero) = equation(low)?;
    let mut best: Option<(f64, f64)> = (g_low <= 0.0).then_some((at_zero, 0.0));
    // Below a small share of the least error variance the equation does not change; above, it bends over factors of
    // several, so steps of a quarter of a decade miss no root that matters.
    let first = (4.0 * libm::log10((finest / top).max(1e-12))).floor().min(-4.0);
    let steps = (0_u32..=48).take_while(|k| f64::from(*k) <= -first).count();
    for k in (0..steps).rev() {
        let high = top * libm::exp10(-0.25 * count(k));
        let g_high = equation(high)?.0;
        if g_low > 0.0 && g_high <= 0.0 {
            // The equation cannot fail inside a bracket whose ends it did not fail at; if it did, the
            // error is raised by the evaluation at the root below.
            let tau2 = bracketed(|t| equation(t).map_or(f64::NAN, |e| e.0), low, g_low, high, g_high);
            let objective = equation(tau2)?.1;
            if best.is_none_or(|b| objective < b.0) {
                best = Some((objective, tau2));
            }
        }
        (low, g_low) = (high, g_high);
    }
    match best {
        Some((_, tau2)) if tau2.is_finite() => {
            Ok((tau2, if tau2 > 0.0 { Scatter::Interior } else { Scatter::Boundary }))
        }
        _ => Err(not_estimable("the intrinsic scatter", "its likelihood has no maximum")),
    }
}

/// Limits of τ² at `level`: where the weighted sum of squares `q(τ²)`, which falls with τ², meets the chi-squared
/// quantiles with `df` degrees of freedom (Q profile, Viechtbauer, Stat. Med. 26 (2007) 37). 0 where it starts below.
pub(super) fn profile_scatter(df: f64, level: f64, q: impl Fn(f64) -> Result<f64>) -> Result<(f64, f64)> {
    check_level(level)?;
    let at_zero = q(0.0)?;
    let limit = |p: f64| -> Result<f64> {
        let target = chi_squared_quantile(p, df)
            .ok_or_else(|| not_estimable("the limits of the scatter", format!("no quantile at level {level}")))?;
        if at_zero <= target {
            return Ok(0.0);
        }
        let (mut high, mut excess) = (1.0, q(1.0)? - target);
        for _ in 0..200 {
            if excess <= 0.0 {
                break;
            }
            high *= 4.0;
            excess = q(high)? - target;
        }
        let tau2 = bracketed(|t| q(t).map_or(f64::NAN, |q| q - target), 0.0, at_zero - target, high, excess);
        finite("the limits of the scatter", &[tau2])?;
        Ok(tau2.max(0.0))
    };
    Ok((limit(0.5 + level / 2.0)?, limit(0.5 - level / 2.0)?))
}

pub(crate) fn least(values: &[f64]) -> f64 {
    values.iter().copied().fold(f64::INFINITY, f64::min)
}

/// Result of [`york_with_scatter`].
///
/// ```
/// use surface_severity::equivalence::{Scatter, ScatterEstimator, york_with_scatter};
/// let (x, y) = ([0.0, 1.0, 2.0, 3.0, 4.0], [1.1, 2.9, 5.0, 6.9, 9.1]);
/// let fit = york_with_scatter(&x, &[0.0; 5], &y, &[0.01; 5], &[0.0; 5], ScatterEstimator::Restricted)?;
/// assert_eq!(fit.scatter(), Scatter::Interior);
/// // Observed about the line: 0.04/3, of which the errors explain 0.01².
/// assert!((fit.intrinsic_scatter().powi(2) - (0.04 / 3.0 - 1e-4)).abs() < 1e-9);
/// assert!((fit.line().slope() - 2.0).abs() < 1e-9);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ScatterLine {
    line: YorkLine,
    intrinsic_scatter: f64,
    scatter: Scatter,
    estimator: ScatterEstimator,
    objective: f64,
    typical_variance: f64,
    observed_variance: f64,
    limits: Limits,
}

/// What the Q profile needs, kept for any level.
#[derive(Debug, Clone, PartialEq, Serialize)]
enum Limits {
    /// Pairs with errors, in scaled units.
    Errors(Box<Pairs>),
    /// No errors: residual sum of squares.
    None(f64),
}

impl ScatterLine {
    /// Limits of τ at confidence `level` by the Q profile: the τ at which S meets the chi-squared quantiles with n − 2
    /// degrees of freedom. They need not enclose a restricted-likelihood estimate, but nearly always do.
    ///
    /// ```
    /// use surface_severity::equivalence::{ScatterEstimator, york_with_scatter};
    /// let (x, y) = ([0.0, 1.0, 2.0, 3.0, 4.0], [1.1, 2.9, 5.0, 6.9, 9.1]);
    /// let fit = york_with_scatter(&x, &[0.0; 5], &y, &[0.01; 5], &[0.0; 5], ScatterEstimator::Restricted)?;
    /// let (lower, upper) = fit.intrinsic_scatter_limits(0.95)?;
    /// // S = 0.04/(0.01² + τ²) meets the chi-squared quantiles 9.3484 and 0.21580 (3 degrees of freedom).
    /// assert!((lower.powi(2) - (0.04 / 9.3484 - 1e-4)).abs() < 1e-6);
    /// assert!((upper.powi(2) - (0.04 / 0.21580 - 1e-4)).abs() < 1e-4);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a level outside (0, 1); [`ErrorKind::NotEstimable`] at the edge of double
    /// precision.
    pub fn intrinsic_scatter_limits(&self, level: f64) -> Result<(f64, f64)> {
        let df = count(self.line.degrees_of_freedom());
        let (scale, (low, high)) = match &self.limits {
            Limits::Errors(pairs) => {
                let q = |tau2: f64| {
                    let at = pairs.line(pairs.search(tau2, Criterion::Distance)?, tau2)?;
                    Ok(at.weights.iter().zip(&at.residuals).map(|(w, r)| w * r * r).sum())
                };
                (pairs.y_scale, profile_scatter(df, level, q)?)
            }
            Limits::None(squares) => (1.0, errorless_limits(*squares, df, level)?),
        };
        Ok((scale * libm::sqrt(low), scale * libm::sqrt(high)))
    }

    /// The line with τ² added to the error variance of every y; its standard errors include τ.
    #[must_use]
    pub fn line(&self) -> &YorkLine {
        &self.line
    }
    /// τ, in units of y.
    #[must_use]
    pub fn intrinsic_scatter(&self) -> f64 {
        self.intrinsic_scatter
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
    /// ½ Σ (ln v + r²/v) at the estimate, v = σ²(y) + τ² + b² σ²(x) − 2 b ρ σ(x) σ(y); the restricted form adds
    /// ½ ln det XᵀV⁻¹X with the adjusted points in X.
    #[must_use]
    pub fn objective(&self) -> f64 {
        self.objective
    }
    /// Standard errors for t quantiles with n − 2 degrees of freedom: those of York 2004 times √(S/(n − 2)), S with τ
    /// (Knapp and Hartung 2003), but not below √(χ²₀.₀₅/(n − 2)) times them, χ²₀.₀₅ the 5 % quantile with n − 2 degrees
    /// of freedom: pairs that lie on a line by luck do not make it certain.
    #[must_use]
    pub fn small_sample_covariance(&self) -> LineCovariance {
        let df = self.line.degrees_of_freedom();
        let factor2 = self.line.reduced_chi_squared().map_or(1.0, |q| q.max(least_plausible(df)));
        self.line.adjusted.scaled(libm::sqrt(factor2))
    }
    /// Typical error variance v of one pair about the line, in units of y², at τ = 0.
    #[must_use]
    pub fn typical_variance(&self) -> f64 {
        self.typical_variance
    }
    /// Observed variance s² of the pairs about the line: τ² + v, or v S/(n − 2) at τ = 0 where that is less (not below
    /// v χ²₀.₀₅/(n − 2)).
    #[must_use]
    pub fn observed_variance(&self) -> f64 {
        self.observed_variance
    }
}

/// The reduced chi-squared that agreement by luck undercuts once in twenty times.
pub(super) fn least_plausible(df: usize) -> f64 {
    chi_squared_quantile(0.05, count(df)).map_or(0.0, |q| q / count(df))
}

/// York's line with an intrinsic scatter τ about it that the stated errors do not explain (equation error).
///
/// Maximum likelihood minimises ½ Σ (ln vᵢ + rᵢ²/vᵢ) over a, b and τ, with vᵢ = 1/Wᵢ + τ². The restricted form, the
/// default elsewhere in this crate, takes a and b from York's criterion at τ, and τ² from
/// Σ W²r² = Σ W − tr[(XᵀWX)⁻¹ XᵀW²X], X the adjusted points: for σ(x) = 0 exactly REML meta-regression.
///
/// Where no pair has an error, the line is least squares and τ its residual standard deviation
/// (maximum likelihood: with divisor n).
///
/// ```
/// use surface_severity::equivalence::{ScatterEstimator, york, york_with_scatter};
/// let (x, y, e) = ([0.0, 1.0, 2.0, 3.0, 4.0], [1.1, 2.9, 5.0, 6.9, 9.1], [0.01; 5]);
/// // Errors of 0.01 do not explain residuals of 0.1; the scatter does, and the line is less sure.
/// let plain = york(&x, &e, &y, &e, &[0.0; 5])?;
/// let fit = york_with_scatter(&x, &e, &y, &e, &[0.0; 5], ScatterEstimator::Restricted)?;
/// assert!(plain.p_value().unwrap() < 1e-6 && fit.line().p_value().unwrap() > 0.1);
/// assert!(fit.line().slope_standard_error() > plain.slope_standard_error());
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// As [`york`](super::york), and [`ErrorKind::TooFew`] below 3 pairs.
///
/// # Accuracy
/// Checked against 40-digit solutions on Pearson's data and, with σ(x) = 0, the BCG trials of Colditz et al. 1994
/// (`tests/equivalence`).
pub fn york_with_scatter(
    x: &[f64],
    x_standard_error: &[f64],
    y: &[f64],
    y_standard_error: &[f64],
    correlation: &[f64],
    estimator: ScatterEstimator,
) -> Result<ScatterLine> {
    let pairs = Pairs::new("a line with scatter", 3, x, x_standard_error, y, y_standard_error, correlation)?;
    let (tau2, scatter) = match pairs.errorless() {
        0 => solve_scatter(64.0, 0.01 * least(&pairs.vy), |tau2| pairs.scatter_equation(tau2, estimator))?,
        k if k == pairs.len() => {
            let fit = ordinary_least_squares(&[&pairs.x], &pairs.y, Intercept::Fitted)?;
            let tau2 = fit.residual_sum_of_squares() / divisor(estimator, pairs.len(), 2);
            // Rounding leaves a perfect line a residual of about 1e-16 of the scaled y.
            if tau2 < 1e-28 {
                return exact_line(&pairs, &fit, estimator);
            }
            (tau2, Scatter::Interior)
        }
        _ => {
            return Err(ErrorKind::option("standard error", 0, "an error in x or in y for every pair, or for none"));
        }
    };
    let theta = pairs.search(tau2, estimator.criterion())?;
    let line = pairs.finish(theta, tau2)?;
    let n = count(pairs.len());
    // From scaled y to y: ln v gains 2 ln(scale) a pair; the determinant is in units x²/y⁴.
    let mut objective = pairs.scatter_equation(tau2, estimator)?.1 + n * libm::log(pairs.y_scale);
    if estimator == ScatterEstimator::Restricted {
        objective += libm::log(pairs.x_scale) - 2.0 * libm::log(pairs.y_scale);
    }
    let typical = if pairs.errorless() > 0 { 0.0 } else { pairs.typical_variance(&pairs.line(theta, 0.0)?) };
    let df = pairs.len() - 2;
    let observed = if tau2 > 0.0 {
        tau2 + typical
    } else {
        typical * line.reduced_chi_squared().unwrap_or(1.0).min(1.0).max(least_plausible(df))
    };
    let y2 = pairs.y_scale * pairs.y_scale;
    let fit = ScatterLine {
        line,
        intrinsic_scatter: pairs.y_scale * libm::sqrt(tau2),
        scatter,
        estimator,
        objective,
        typical_variance: y2 * typical,
        observed_variance: y2 * observed,
        limits: if pairs.errorless() > 0 {
            Limits::None(y2 * tau2 * divisor(estimator, pairs.len(), 2))
        } else {
            Limits::Errors(Box::new(pairs))
        },
    };
    finite("the line", &[fit.objective, fit.intrinsic_scatter, fit.typical_variance, fit.observed_variance])?;
    Ok(fit)
}

/// Intercept and slope through some of the pairs of a line, with the scatter of all.
pub(super) fn line_of_scatter([x, sx, y, sy]: [Vec<f64>; 4], whole: &ScatterLine) -> Result<(f64, f64)> {
    let pairs = Pairs::new("a line with scatter", 3, &x, &sx, &y, &sy, &vec![0.0; x.len()])?;
    if pairs.errorless() > 0 {
        let line = york_with_scatter(&x, &sx, &y, &sy, &vec![0.0; x.len()], whole.estimator)?.line;
        return Ok((line.intercept, line.slope));
    }
    let tau2 = (whole.intrinsic_scatter / pairs.y_scale).powi(2);
    let at = pairs.line(pairs.search(tau2, whole.estimator.criterion())?, tau2)?;
    let slope = at.slope * pairs.y_scale / pairs.x_scale;
    Ok((pairs.y_shift + pairs.y_scale * at.intercept - slope * pairs.x_shift, slope))
}

/// Divisor of a residual sum of squares.
fn divisor(estimator: ScatterEstimator, n: usize, parameters: usize) -> f64 {
    match estimator {
        ScatterEstimator::Restricted => count(n - parameters),
        ScatterEstimator::MaximumLikelihood => count(n),
    }
}

/// A perfect line through pairs without errors: nothing scatters, nothing is uncertain.
fn exact_line(pairs: &Pairs, fit: &LinearFit, estimator: ScatterEstimator) -> Result<ScatterLine> {
    let none = LineCovariance { slope_standard_error: 0.0, intercept_standard_error: 0.0, covariance: 0.0 };
    let ratio = pairs.y_scale / pairs.x_scale;
    let slope = fit.coefficients()[1] * ratio;
    let intercept = pairs.y_shift + pairs.y_scale * fit.coefficients()[0] - slope * pairs.x_shift;
    finite("the line", &[slope, intercept])?;
    Ok(ScatterLine {
        line: YorkLine {
            slope,
            intercept,
            adjusted: none,
            observed: none,
            exact: none,
            chi_squared: 0.0,
            p_value: None,
            pairs: pairs.len(),
            adjusted_x: pairs.x.iter().map(|x| pairs.x_shift + pairs.x_scale * x).collect(),
        },
        intrinsic_scatter: 0.0,
        scatter: Scatter::Boundary,
        estimator,
        objective: 0.0,
        typical_variance: 0.0,
        observed_variance: 0.0,
        limits: Limits::None(0.0),
    })
}
