//! Straight lines through pairs that are both uncertain.
//!
//! | function | errors | fits |
//! |---|---|---|
//! | [`ordinary_least_squares`] | in y only, equal | any number of columns |
//! | [`york`] | in both, each known | slope, intercept |
//! | [`york_with_scatter`] | in both, each known, plus an unknown scatter τ about the line | slope, intercept, τ |
//! | [`random_effects`] | known, plus unknown τ | a mean: the line with slope 1, when given y − x |
//!
//! # How the minimum is found
//! The York criterion is a smooth function of the angle of the line, periodic over half a turn. It is
//! searched on a grid of angles over the whole half turn, and the lowest valley is narrowed by
//! bisection and Brent's root finder on the analytic derivative: no start value, no divergence.
//! τ² is found likewise, as the root of its likelihood equation with the highest likelihood; τ = 0 is
//! an answer and is reported as [`Scatter::Boundary`].
//!
//! # Sources
//! York, Evensen, López Martínez, De Basabe Delgado,
//! Am. J. Phys. 72 (2004) 367. Kalantar, Meas. Sci. Technol. 3 (1992) 1113. Brent, Algorithms for
//! Minimization without Derivatives, 1973, chapter 4. Viechtbauer, J. Stat. Softw. 36(3), 2010 (REML
//! with known variances). Hartung and Knapp, Stat. Med. 20 (2001) 3875; Sidik and Jonkman, Stat. Med.
//! 21 (2002) 3153; Knapp and Hartung, Stat. Med. 22 (2003) 2693.

use super::scatter_line::ScatterEstimator;
use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, IntervalMethod, check_level};
use crate::numeric::count;
use crate::numeric::root::bracketed;
use crate::numeric::special::finite::{chi_squared_quantile, chi_squared_upper_tail, t_quantile};
use serde::{Deserialize, Serialize};

pub(super) fn not_estimable(quantity: &str, reason: impl Into<String>) -> crate::Error {
    ErrorKind::NotEstimable { quantity: quantity.into(), reason: reason.into() }.into()
}

pub(super) fn finite(quantity: &str, values: &[f64]) -> Result<()> {
    if values.iter().all(|v| v.is_finite()) {
        Ok(())
    } else {
        Err(not_estimable(quantity, "the numbers leave the range of double precision"))
    }
}

pub(super) fn check_columns(method: &str, needed: usize, columns: &[(&str, &[f64])]) -> Result<usize> {
    let n = columns.first().map_or(0, |c| c.1.len());
    for (name, values) in columns {
        if values.len() != n {
            return Err(ErrorKind::option(name, values.len(), &format!("as many values as there are pairs ({n})")));
        }
        if let Some(bad) = values.iter().find(|v| !v.is_finite()) {
            return Err(ErrorKind::option(name, bad, "finite numbers"));
        }
    }
    if n < needed {
        return Err(ErrorKind::TooFew { method: method.into(), what: "pairs".into(), needed, found: n }.into());
    }
    Ok(n)
}

pub(super) fn mean(values: &[f64]) -> f64 {
    // Shifted by the first value, then corrected: the second pass removes the rounding of the first.
    let Some(&shift) = values.first() else { return 0.0 };
    let n = count(values.len());
    let rough = shift + values.iter().map(|v| v - shift).sum::<f64>() / n;
    rough + values.iter().map(|v| v - rough).sum::<f64>() / n
}

pub(super) fn t_interval(
    quantity: &str,
    estimate: f64,
    standard_error: f64,
    df: Option<f64>,
    level: f64,
) -> Result<Interval> {
    check_level(level)?;
    let quantile = t_quantile(0.5 + level / 2.0, df)
        .ok_or_else(|| not_estimable(quantity, format!("no t quantile at level {level}")))?;
    let half = quantile * standard_error;
    let method = if df.is_some() { IntervalMethod::StudentT } else { IntervalMethod::Normal };
    Interval::new(estimate, estimate - half, estimate + half, level, method)
}

/// Which published convention a York standard error follows.
///
/// ```
/// use surface_severity::equivalence::{Convention, york};
/// let (x, y, e) = ([0.0, 1.0, 2.0, 3.0, 4.0], [1.1, 2.9, 5.0, 6.9, 9.1], [0.1; 5]);
/// let line = york(&x, &e, &y, &e, &[0.0; 5])?;
/// // The published conventions agree to first order where the pairs lie near the line.
/// let adjusted = line.covariance(Convention::AdjustedPoints).slope_standard_error;
/// let exact = line.covariance(Convention::ExactPropagation).slope_standard_error;
/// assert_eq!(adjusted, line.slope_standard_error());
/// assert!((exact / adjusted - 1.0).abs() < 0.1);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Convention {
    /// Weights and least-squares-adjusted points (York et al. 2004, equation 13d): what this crate reports.
    #[default]
    AdjustedPoints,
    /// Weights and observed points (York 1966).
    ObservedPoints,
    /// Exact first-order propagation of every coordinate error through the fit (Kalantar 1992).
    ExactPropagation,
}

/// Standard errors and covariance of a line.
///
/// ```
/// use surface_severity::equivalence::{Convention, york};
/// let (x, y) = ([0.0, 1.0, 2.0, 3.0, 4.0], [1.1, 2.9, 5.0, 6.9, 9.1]);
/// let covariance = york(&x, &[0.0; 5], &y, &[0.1; 5], &[0.0; 5])?.covariance(Convention::AdjustedPoints);
/// // At the mean of x the line is known as a mean of five is: 0.1/√5.
/// assert!((covariance.at(2.0) - 0.1 / 5_f64.sqrt()).abs() < 1e-9);
/// assert!((covariance.scaled(3.0).at(2.0) - 0.3 / 5_f64.sqrt()).abs() < 1e-9);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct LineCovariance {
    /// Standard error of the slope.
    pub slope_standard_error: f64,
    /// Standard error of the intercept.
    pub intercept_standard_error: f64,
    /// Covariance of intercept and slope.
    pub covariance: f64,
}

impl LineCovariance {
    /// All standard errors multiplied by `factor`, the covariance by its square.
    #[must_use]
    pub fn scaled(self, factor: f64) -> Self {
        Self {
            slope_standard_error: self.slope_standard_error * factor,
            intercept_standard_error: self.intercept_standard_error * factor,
            covariance: self.covariance * factor * factor,
        }
    }
    /// Standard error of the line at `x`.
    #[must_use]
    pub fn at(&self, x: f64) -> f64 {
        let variance = self.intercept_standard_error * self.intercept_standard_error
            + x * (2.0 * self.covariance + x * self.slope_standard_error * self.slope_standard_error);
        libm::sqrt(variance.max(0.0))
    }
}

/// Result of [`york`] and, with its τ, of [`york_with_scatter`](super::york_with_scatter).
///
/// ```
/// use surface_severity::equivalence::york;
/// let (x, y) = ([0.0, 1.0, 2.0, 3.0, 4.0], [1.1, 2.9, 5.0, 6.9, 9.1]);
/// let line = york(&x, &[0.0; 5], &y, &[0.1; 5], &[0.0; 5])?;
/// // Without errors in x it is weighted least squares: S = 0.04/0.1², 3 degrees of freedom.
/// assert!((line.slope() - 2.0).abs() < 1e-9 && (line.intercept() - 1.0).abs() < 1e-9);
/// assert!((line.chi_squared() - 4.0).abs() < 1e-9 && line.degrees_of_freedom() == 3);
/// assert!(line.p_value().unwrap() > 0.05, "the errors explain the scatter");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct YorkLine {
    pub(super) slope: f64,
    pub(super) intercept: f64,
    pub(super) adjusted: LineCovariance,
    pub(super) observed: LineCovariance,
    pub(super) exact: LineCovariance,
    pub(super) chi_squared: f64,
    pub(super) p_value: Option<f64>,
    pub(super) pairs: usize,
    pub(super) adjusted_x: Vec<f64>,
}

impl YorkLine {
    /// Slope.
    #[must_use]
    pub fn slope(&self) -> f64 {
        self.slope
    }
    /// Intercept.
    #[must_use]
    pub fn intercept(&self) -> f64 {
        self.intercept
    }
    /// Standard error of the slope: York 2004, adjusted points, not scaled by the scatter.
    #[must_use]
    pub fn slope_standard_error(&self) -> f64 {
        self.adjusted.slope_standard_error
    }
    /// Standard error of the intercept: York 2004, adjusted points, not scaled by the scatter.
    #[must_use]
    pub fn intercept_standard_error(&self) -> f64 {
        self.adjusted.intercept_standard_error
    }
    /// Standard errors and covariance after another convention; multiply by [`scale`](Self::scale) with
    /// [`LineCovariance::scaled`] for those that are scaled by √(S/(n − 2)).
    #[must_use]
    pub fn covariance(&self, convention: Convention) -> LineCovariance {
        match convention {
            Convention::AdjustedPoints => self.adjusted,
            Convention::ObservedPoints => self.observed,
            Convention::ExactPropagation => self.exact,
        }
    }
    /// S: the weighted sum of squared distances, chi-squared with n − 2 degrees of freedom if the errors are as stated.
    #[must_use]
    pub fn chi_squared(&self) -> f64 {
        self.chi_squared
    }
    /// S / (n − 2); `None` with two pairs.
    #[must_use]
    pub fn reduced_chi_squared(&self) -> Option<f64> {
        (self.pairs > 2).then(|| self.chi_squared / count(self.degrees_of_freedom()))
    }
    /// √(S / (n − 2)); `None` with two pairs.
    #[must_use]
    pub fn scale(&self) -> Option<f64> {
        self.reduced_chi_squared().map(libm::sqrt)
    }
    /// Probability of a larger S if the errors are as stated and the line is straight; `None` with two pairs.
    #[must_use]
    pub fn p_value(&self) -> Option<f64> {
        self.p_value
    }
    /// Number of pairs.
    #[must_use]
    pub fn pairs(&self) -> usize {
        self.pairs
    }
    /// Pairs − 2.
    #[must_use]
    pub fn degrees_of_freedom(&self) -> usize {
        self.pairs - 2
    }
    /// The adjusted x of each pair: the foot of its distance on the line.
    #[must_use]
    pub fn adjusted_x(&self) -> &[f64] {
        &self.adjusted_x
    }
}

/// Limits of τ² when values have no errors: sum of squares over the chi-squared quantiles.
pub(super) fn errorless_limits(squares: f64, df: f64, level: f64) -> Result<(f64, f64)> {
    check_level(level)?;
    let at = |p: f64| chi_squared_quantile(p, df).map(|q| squares / q).filter(|t| t.is_finite());
    at(0.5 + level / 2.0)
        .zip(at(0.5 - level / 2.0))
        .ok_or_else(|| not_estimable("the limits of the scatter", format!("no quantile at level {level}")))
}

/// Pairs with their error variances, centred and scaled by powers of two so that angles mean something.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub(super) struct Pairs {
    pub(super) x: Vec<f64>,
    pub(super) y: Vec<f64>,
    vx: Vec<f64>,
    pub(super) vy: Vec<f64>,
    cov: Vec<f64>,
    pub(super) x_shift: f64,
    pub(super) y_shift: f64,
    pub(super) x_scale: f64,
    pub(super) y_scale: f64,
}

pub(super) fn power_of_two(value: f64) -> f64 {
    if value > 0.0 && value.is_finite() { libm::scalbn(1.0, libm::frexp(value).1) } else { 1.0 }
}

/// What [`Pairs::search`] minimises over the angle of the line.
#[derive(Clone, Copy, PartialEq)]
pub(super) enum Criterion {
    /// Σ r²/v: York's.
    Distance,
    /// Σ (ln v + r²/v): the likelihood of y − a − b x.
    Likelihood,
}

/// One line in scaled units.
pub(super) struct At {
    pub(super) slope: f64,
    pub(super) intercept: f64,
    pub(super) weights: Vec<f64>,
    pub(super) residuals: Vec<f64>,
    /// Adjusted x, relative to their weighted mean `x_bar`.
    u: Vec<f64>,
    x_bar: f64,
}

impl Pairs {
    pub(super) fn new(
        method: &str,
        needed: usize,
        x: &[f64],
        sx: &[f64],
        y: &[f64],
        sy: &[f64],
        rho: &[f64],
    ) -> Result<Self> {
        let columns = [("x", x), ("x_standard_error", sx), ("y", y), ("y_standard_error", sy), ("correlation", rho)];
        check_columns(method, needed, &columns)?;
        for (name, values) in [("x_standard_error", sx), ("y_standard_error", sy)] {
            if let Some(bad) = values.iter().find(|v| **v < 0.0) {
                return Err(ErrorKind::option(name, bad, "standard errors of at least 0"));
            }
        }
        if let Some(bad) = rho.iter().find(|r| r.abs() >= 1.0) {
            return Err(ErrorKind::option("correlation", bad, "correlations strictly between -1 and 1"));
        }
        let (x_shift, y_shift) = (mean(x), mean(y));
        let reach = |v: &[f64], shift: f64| v.iter().map(|v| (v - shift).abs()).fold(0.0, f64::max);
        let x_reach = reach(x, x_shift);
        let x_same = x.iter().all(|v| v.to_bits() == x[0].to_bits());
        if x_same || x_reach == 0.0 {
            return Err(not_estimable("the slope", "every x is the same"));
        }
        let x_scale = power_of_two(x_reach);
        let y_scale = power_of_two(reach(y, y_shift).max(sy.iter().copied().fold(0.0, f64::max)));
        let scaled = |v: &[f64], shift: f64, scale: f64| v.iter().map(|v| (v - shift) / scale).collect::<Vec<_>>();
        let sx = scaled(sx, 0.0, x_scale);
        let sy = scaled(sy, 0.0, y_scale);
        Ok(Self {
            x: scaled(x, x_shift, x_scale),
            y: scaled(y, y_shift, y_scale),
            cov: sx.iter().zip(&sy).zip(rho).map(|((a, b), r)| a * b * r).collect(),
            vx: sx.iter().map(|s| s * s).collect(),
            vy: sy.iter().map(|s| s * s).collect(),
            x_shift,
            y_shift,
            x_scale,
            y_scale,
        })
    }

    pub(super) fn len(&self) -> usize {
        self.x.len()
    }

    pub(super) fn errorless(&self) -> usize {
        // A variance so small that its square underflows is no variance.
        (0..self.len()).filter(|&i| self.vx[i].max(self.vy[i]) < 1e-150).count()
    }

    /// Criterion (halved) and its derivative at the angle `theta`; infinite where a weight would be.
    fn evaluate(&self, theta: f64, tau2: f64, criterion: Criterion) -> (f64, f64) {
        let (s, c) = (libm::sin(theta), libm::cos(theta));
        let n = self.len();
        let (mut sw, mut swx, mut swy, mut logs) = (0.0, 0.0, 0.0, 0.0);
        let variance = |i: usize| c * c * (self.vy[i] + tau2) + s * s * self.vx[i] - 2.0 * s * c * self.cov[i];
        for i in 0..n {
            let v = variance(i);
            if v < 1e-290 {
                return (f64::INFINITY, 0.0);
            }
            sw += 1.0 / v;
            swx += self.x[i] / v;
            swy += self.y[i] / v;
            if criterion == Criterion::Likelihood {
                logs += libm::log(v);
            }
        }
        let (mx, my) = (swx / sw, swy / sw);
        let (mut value, mut slope) = (0.0, 0.0);
        for i in 0..n {
            let w = 1.0 / variance(i);
            let dv = 2.0 * s * c * (self.vx[i] - self.vy[i] - tau2) - 2.0 * (c * c - s * s) * self.cov[i];
            let (x, y) = (self.x[i] - mx, self.y[i] - my);
            let r = c * y - s * x;
            let dr = -s * y - c * x;
            value += 0.5 * w * r * r;
            slope += w * r * dr - 0.5 * (w * r) * (w * r) * dv;
            if criterion == Criterion::Likelihood {
                slope += 0.5 * w * dv;
            }
        }
        if criterion == Criterion::Likelihood {
            if c.abs() < 1e-150 {
                return (f64::INFINITY, 0.0);
            }
            value += 0.5 * logs - count(n) * libm::log(c.abs());
            slope += count(n) * s / c;
        }
        if value.is_finite() && slope.is_finite() { (value, slope) } else { (f64::INFINITY, 0.0) }
    }

    /// The angle of the line with the least criterion over the whole half turn.
    pub(super) fn search(&self, tau2: f64, criterion: Criterion) -> Result<f64> {
        let grid = angles();
        let value = |theta: f64| self.evaluate(theta, tau2, criterion);
        let mut best = (f64::INFINITY, 0);
        for (k, &theta) in grid.iter().enumerate() {
            let f = value(theta).0;
            if f < best.0 {
                best = (f, k);
            }
        }
        if !best.0.is_finite() {
            return Err(not_estimable("the slope", "no line has a finite weighted distance from the pairs"));
        }
        let half_turn = std::f64::consts::PI;
        let k = best.1;
        let (mut lo, mut mid, mut hi) = (
            if k == 0 { grid[grid.len() - 1] - half_turn } else { grid[k - 1] },
            grid[k],
            if k + 1 == grid.len() { grid[0] + half_turn } else { grid[k + 1] },
        );
        // f(mid) <= f(lo), f(hi). Halve towards the minimum until the derivative changes sign between two points.
        let mut f_mid = best.0;
        for _ in 0..200 {
            let d_mid = value(mid).1;
            if d_mid == 0.0 {
                return Ok(mid);
            }
            let end = if d_mid > 0.0 { lo } else { hi };
            let trial = mid + (end - mid) / 2.0;
            if trial.to_bits() == mid.to_bits() || trial.to_bits() == end.to_bits() {
                return Ok(mid);
            }
            let (f, d) = value(trial);
            if f.is_finite() && (d > 0.0) != (d_mid > 0.0) {
                return Ok(bracketed(|t| value(t).1, trial, d, mid, d_mid));
            }
            if f <= f_mid {
                if d_mid > 0.0 {
                    hi = mid;
                } else {
                    lo = mid;
                }
                (mid, f_mid) = (trial, f);
            } else if d_mid > 0.0 {
                lo = trial;
            } else {
                hi = trial;
            }
        }
        Ok(mid)
    }

    pub(super) fn line(&self, theta: f64, tau2: f64) -> Result<At> {
        let (s, c) = (libm::sin(theta), libm::cos(theta));
        if c.abs() < 1e-12 {
            return Err(not_estimable("the slope", "the line through the pairs is vertical"));
        }
        let slope = s / c;
        let n = self.len();
        let vy: Vec<f64> = self.vy.iter().map(|v| v + tau2).collect();
        let weights: Vec<f64> =
            (0..n).map(|i| 1.0 / (vy[i] + slope * (slope * self.vx[i] - 2.0 * self.cov[i]))).collect();
        let sw: f64 = weights.iter().sum();
        let average = |v: &[f64]| v.iter().zip(&weights).map(|(v, w)| v * w).sum::<f64>() / sw;
        let (mx, my) = (average(&self.x), average(&self.y));
        let residuals: Vec<f64> = (0..n).map(|i| (self.y[i] - my) - slope * (self.x[i] - mx)).collect();
        // York 2004: beta_i = W_i [U_i var(y_i) + b V_i var(x_i) − (b U_i + V_i) cov_i], with V = residual + b U.
        let beta: Vec<f64> = (0..n)
            .map(|i| {
                let u = self.x[i] - mx;
                let v = self.y[i] - my;
                weights[i] * (u * vy[i] + slope * v * self.vx[i] - (slope * u + v) * self.cov[i])
            })
            .collect();
        let shift = average(&beta);
        Ok(At {
            slope,
            intercept: my - slope * mx,
            weights,
            residuals,
            u: beta.iter().map(|b| b - shift).collect(),
            x_bar: mx + shift,
        })
    }

    pub(super) fn finish(&self, theta: f64, tau2: f64) -> Result<YorkLine> {
        let at = self.line(theta, tau2)?;
        let n = self.len();
        let b = at.slope;
        let w = &at.weights;
        let sw: f64 = w.iter().sum();
        let chi_squared: f64 = (0..n).map(|i| w[i] * at.residuals[i] * at.residuals[i]).sum();
        // Back from scaled units: x = x_shift + x_scale x', y likewise.
        let ratio = self.y_scale / self.x_scale;
        let intercept_of = |a: f64| self.y_shift + self.y_scale * a - b * ratio * self.x_shift;
        // Covariance of (intercept, slope) in scaled units → that of the original line.
        let unscale = |vaa: f64, vab: f64, vbb: f64| {
            let p = self.x_shift / self.x_scale;
            LineCovariance {
                slope_standard_error: ratio * libm::sqrt(vbb.max(0.0)),
                intercept_standard_error: self.y_scale * libm::sqrt((vaa - 2.0 * p * vab + p * p * vbb).max(0.0)),
                covariance: self.y_scale * ratio * (vab - p * vbb),
            }
        };
        let from_centre = |x_bar: f64, spread: f64| {
            let vbb = 1.0 / spread;
            unscale(1.0 / sw + x_bar * x_bar * vbb, -x_bar * vbb, vbb)
        };
        let adjusted = from_centre(at.x_bar, (0..n).map(|i| w[i] * at.u[i] * at.u[i]).sum());
        let mx = (0..n).map(|i| w[i] * self.x[i]).sum::<f64>() / sw;
        let observed = from_centre(mx, (0..n).map(|i| w[i] * (self.x[i] - mx) * (self.x[i] - mx)).sum());
        let (vaa, vab, vbb) = self.propagate(&at, tau2);
        let exact = unscale(vaa, vab, vbb);
        let line = YorkLine {
            slope: b * ratio,
            intercept: intercept_of(at.intercept),
            adjusted,
            observed,
            exact,
            chi_squared,
            p_value: if n > 2 { chi_squared_upper_tail(chi_squared, count(n - 2)) } else { None },
            pairs: n,
            adjusted_x: at.u.iter().map(|u| self.x_shift + self.x_scale * (u + at.x_bar)).collect(),
        };
        finite("the line", &[line.slope, line.intercept, chi_squared])?;
        for c in [adjusted, observed, exact] {
            let values = [c.slope_standard_error, c.intercept_standard_error, c.covariance];
            finite("the standard errors of the line", &values)?;
        }
        Ok(line)
    }

    /// Exact first-order propagation through the two normal equations
    /// `Σ W r = 0`, `Σ (W r x − W′ r² / 2) = 0`, `W′ = dW/db`, by the implicit function theorem.
    fn propagate(&self, at: &At, tau2: f64) -> (f64, f64, f64) {
        let b = at.slope;
        let (mut haa, mut hab, mut hbb) = (0.0, 0.0, 0.0);
        let (mut jaa, mut jab, mut jbb) = (0.0, 0.0, 0.0);
        for i in 0..self.len() {
            let (w, r, x, vx) = (at.weights[i], at.residuals[i], self.x[i], self.vx[i]);
            let dv = 2.0 * (b * vx - self.cov[i]);
            let w1 = -w * w * dv;
            let w2 = 2.0 * w * w * w * dv * dv - 2.0 * w * w * vx;
            haa += w;
            hab += w * x - w1 * r;
            hbb += 0.5 * w2 * r * r - 2.0 * w1 * r * x + w * x * x;
            // Derivatives of the two equations by y and by x of this pair.
            let (ay, ax) = (-w, b * w);
            let (by, bx) = (w1 * r - w * x, b * (w * x - w1 * r) - w * r);
            let (vy, cov) = (self.vy[i] + tau2, self.cov[i]);
            let form = |p: (f64, f64), q: (f64, f64)| vy * p.0 * q.0 + vx * p.1 * q.1 + cov * (p.0 * q.1 + p.1 * q.0);
            jaa += form((ay, ax), (ay, ax));
            jab += form((ay, ax), (by, bx));
            jbb += form((by, bx), (by, bx));
        }
        let det = haa * hbb - hab * hab;
        let (ia, ib, ic) = (hbb / det, -hab / det, haa / det);
        (
            ia * (ia * jaa + ib * jab) + ib * (ia * jab + ib * jbb),
            ia * (ib * jaa + ic * jab) + ib * (ib * jab + ic * jbb),
            ib * (ib * jaa + ic * jab) + ic * (ib * jab + ic * jbb),
        )
    }

    /// (n − 2) / (ΣW − tr[(XᵀWX)⁻¹ XᵀW²X]) at τ = 0: v for equal errors.
    pub(super) fn typical_variance(&self, at: &At) -> f64 {
        let (mut sw, mut sw2, mut swu, mut sw2u) = (0.0, 0.0, 0.0, 0.0);
        for (w, u) in at.weights.iter().zip(&at.u) {
            sw += w;
            sw2 += w * w;
            swu += w * u * u;
            sw2u += w * w * u * u;
        }
        count(self.len() - 2) / (sw - sw2 / sw - sw2u / swu)
    }

    /// Likelihood equation of τ² (positive below its root) and the objective to be minimised.
    pub(super) fn scatter_equation(&self, tau2: f64, estimator: ScatterEstimator) -> Result<(f64, f64)> {
        let criterion = match estimator {
            ScatterEstimator::Restricted => Criterion::Distance,
            ScatterEstimator::MaximumLikelihood => Criterion::Likelihood,
        };
        let at = self.line(self.search(tau2, criterion)?, tau2)?;
        let (mut sw, mut sw2, mut swu, mut sw2u, mut chi, mut squares, mut logs) = (0.0, 0.0, 0.0, 0.0, 0.0, 0.0, 0.0);
        for i in 0..self.len() {
            let (w, r, u) = (at.weights[i], at.residuals[i], at.u[i]);
            sw += w;
            sw2 += w * w;
            swu += w * u * u;
            sw2u += w * w * u * u;
            chi += w * r * r;
            squares += w * w * r * r;
            logs -= libm::log(w);
        }
        Ok(match estimator {
            ScatterEstimator::MaximumLikelihood => (squares - sw, 0.5 * (logs + chi)),
            ScatterEstimator::Restricted => {
                (squares - (sw - sw2 / sw - sw2u / swu), 0.5 * (logs + chi + libm::log(sw) + libm::log(swu)))
            }
        })
    }
}

/// Angles over half a turn: even steps, and finer near the axes, where unequal errors make narrow valleys.
fn angles() -> Vec<f64> {
    let mut grid: Vec<f64> = (-23..=24).map(|k| f64::from(k) * std::f64::consts::PI / 48.0).collect();
    for k in 0..10 {
        let small = libm::exp10(-1.3 - 0.5 * f64::from(k));
        for t in [small, -small] {
            grid.push(t);
            grid.push(std::f64::consts::FRAC_PI_2.copysign(t) - t);
        }
    }
    grid.sort_by(f64::total_cmp);
    grid
}

/// York's line: errors in both variables, each known, with correlation inside a pair.
///
/// Minimises Σ Wᵢ (yᵢ − a − b xᵢ)², 1/Wᵢ = σ²(yᵢ) + b² σ²(xᵢ) − 2 b ρᵢ σ(xᵢ) σ(yᵢ). With σ(x) = 0 it is weighted
/// least squares. Reported standard errors: York et al. 2004, adjusted points, **not** scaled by √(S/(n − 2));
/// the other conventions are in [`YorkLine::covariance`] and [`YorkLine::scale`].
///
/// ```
/// use surface_severity::equivalence::york;
/// // Pearson's data with York's weights.
/// let x = [0.0, 0.9, 1.8, 2.6, 3.3, 4.4, 5.2, 6.1, 6.5, 7.4];
/// let y = [5.9, 5.4, 4.4, 4.6, 3.5, 3.7, 2.8, 2.8, 2.4, 1.5];
/// let error = |weight: f64| 1.0 / weight.sqrt();
/// let ex = [1000.0, 1000.0, 500.0, 800.0, 200.0, 80.0, 60.0, 20.0, 1.8, 1.0].map(error);
/// let ey = [1.0, 1.8, 4.0, 8.0, 20.0, 20.0, 70.0, 70.0, 100.0, 500.0].map(error);
/// let line = york(&x, &ex, &y, &ey, &[0.0; 10])?;
/// // York et al., Am. J. Phys. 72 (2004) 367: intercept 5.47991, slope -0.480533.
/// assert_eq!(format!("{:.5} {:.6}", line.intercept(), line.slope()), "5.47991 -0.480533");
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::TooFew`] below 2 pairs; [`ErrorKind::InvalidOption`] for negative errors, correlations outside
/// (−1, 1), or a pair without any error (its weight would be infinite: use [`ordinary_least_squares`](super::ordinary_least_squares) when none
/// is known); [`ErrorKind::NotEstimable`] when every x is the same or the line is vertical.
///
/// # Accuracy
/// Pearson's data with York's weights (1966), 13 digits (`tests/equivalence`).
pub fn york(
    x: &[f64],
    x_standard_error: &[f64],
    y: &[f64],
    y_standard_error: &[f64],
    correlation: &[f64],
) -> Result<YorkLine> {
    let pairs = Pairs::new("a York line", 2, x, x_standard_error, y, y_standard_error, correlation)?;
    if pairs.errorless() > 0 {
        return Err(ErrorKind::option("standard error", 0, "an error in x or in y for every pair"));
    }
    pairs.finish(pairs.search(0.0, Criterion::Distance)?, 0.0)
}
