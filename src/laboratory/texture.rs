//! Factors of surfaces that were never driven, from a measured texture.
//!
//! Over the surfaces that were driven, `log k_s = α + β log x_s + e_s`, x the texture (mean profile depth of ISO 13473-1 or
//! sand-patch depth of EN 13036-1, mm) and e of variance ω²: what texture does not tell of a surface. The factors are known
//! relative to the reference only, so α falls out of the contrasts `d_s = log k_s − log k_ref`:
//!
//! `d = β (log x − log x_ref) + u`, `Cov u = V + ω² (I + 11ᵀ)`, V the covariance of the fit.
//!
//! ω² by restricted likelihood, β by generalised least squares, a further surface by its best linear prediction (Henderson
//! 1975), with t limits of S − 2 degrees of freedom for S surfaces, as in ordinary regression, to which all this comes where
//! V is 0 (Knapp & Hartung 2003; Viechtbauer, J. Stat. Softw. 36(3), 2010: meta-regression).

use std::collections::BTreeMap;
use std::fmt;

use nalgebra::{DMatrix, DVector};
use serde::Serialize;

use super::season::Scale;
use crate::equivalence::{least, solve_scatter};
use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, IntervalMethod, significant};
use crate::numeric::count;
use crate::numeric::special::{t_survival, two_sided_quantile};
use crate::severity::SeverityDocument;

/// Least number of surfaces with a texture, the reference among them.
const LEAST: usize = 4;

/// Log factor against log texture.
///
/// ```
/// # use surface_severity::campaign::{Campaign, Trial};
/// # use surface_severity::severity::Severity;
/// # let mut trials = Vec::new();
/// # for (surface, k) in [("asphalt", 1.0), ("concrete", 1.62), ("chip seal", 2.1), ("polished", 0.7), ("slurry", 1.4)] {
/// #     for (material, s) in [("cowhide", 8.0), ("denim", 2.0), ("knit", 1.2)] {
/// #         for (i, e) in [0.04, -0.05, 0.01].into_iter().enumerate() {
/// #             trials.push(Trial::perforated(format!("{surface} {material} {i}"), surface, material, s / k * f64::exp(e)));
/// #         }
/// #     }
/// # }
/// # let scale = Severity::new("asphalt").independent().fit(&Campaign::from_trials(trials)?)?.document(None);
/// use surface_severity::laboratory::TextureLine;
/// // Mean profile depth of five roads, mm.
/// let depth = [("asphalt", 0.6), ("concrete", 1.0), ("chip seal", 1.9), ("polished", 0.35), ("slurry", 1.1)];
/// let line = TextureLine::fit(&scale, &depth)?;
/// assert!(line.exponent.lower() > 0.0, "rougher roads wear faster here");
/// // A road of 0.8 mm that was never driven.
/// let k = line.factor_at(0.8)?;
/// assert!(k.lower() > 0.8 && k.upper() < 2.0);
/// println!("{line}");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct TextureLine {
    /// The reference of the factors.
    pub reference: String,
    /// β: factors go with texture to this power.
    pub exponent: Interval,
    /// p-value of no dependence on texture.
    pub p_value: f64,
    /// ω: what texture does not tell of the log factor of a surface.
    pub log_scatter: f64,
    /// Surfaces with a texture, the reference among them.
    pub surfaces: usize,
    /// Smallest and largest texture, mm: no factor is given outside.
    pub range_mm: (f64, f64),
    #[serde(skip)]
    log_reference: f64,
    #[serde(skip)]
    fit: Fit,
}

impl TextureLine {
    /// From a scale and the texture of its surfaces, mm; surfaces without one stay out.
    ///
    /// ```
    /// # use surface_severity::campaign::Campaign;
    /// # use surface_severity::severity::Severity;
    /// let campaign = Campaign::read_path("data-demo/trials.csv")?;
    /// let scale = Severity::new("dense asphalt concrete").fit(&campaign)?.document(None);
    /// use surface_severity::laboratory::TextureLine;
    /// let two = [("dense asphalt concrete", 0.6), ("brushed concrete", 0.9)];
    /// assert!(TextureLine::fit(&scale, &two).is_err(), "two roads are a line without any uncertainty");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::UnknownSurface`]; [`ErrorKind::InvalidOption`] for a texture that is not positive or said twice, or where
    /// the reference has none; [`ErrorKind::TooFew`] surfaces (four at least); [`ErrorKind::NotEstimable`] where all
    /// textures are equal.
    pub fn fit(scale: &SeverityDocument, texture_mm: &[(&str, f64)]) -> Result<Self> {
        let scale = Scale::of(scale)?;
        let mut logs: BTreeMap<&str, f64> = BTreeMap::new();
        for &(name, mm) in texture_mm {
            if name != scale.reference && scale.position(name).is_none() {
                let known = std::iter::once(&scale.reference).chain(&scale.names).cloned().collect();
                return Err(ErrorKind::UnknownSurface { name: name.into(), known }.into());
            }
            if !(1e-6..=1e6).contains(&mm) {
                return Err(ErrorKind::option(&format!("texture of {name}"), mm, "a positive depth in mm"));
            }
            if logs.insert(name, libm::log(mm)).is_some() {
                return Err(ErrorKind::option(&format!("texture of {name}"), mm, "said once"));
            }
        }
        let Some(log_reference) = logs.remove(scale.reference.as_str()) else {
            return Err(ErrorKind::option("texture", "none", &format!("that of the reference {}", scale.reference)));
        };
        if logs.len() + 1 < LEAST {
            let (method, what) = ("a line over texture".into(), "surfaces with a texture and a factor".into());
            return Err(ErrorKind::TooFew { method, what, needed: LEAST, found: logs.len() + 1 }.into());
        }
        let low = logs.values().copied().fold(log_reference, f64::min);
        let high = logs.values().copied().fold(log_reference, f64::max);
        if high - low < 1e-9 {
            let reason = "all surfaces have the same texture".into();
            return Err(ErrorKind::NotEstimable { quantity: "the exponent of texture".into(), reason }.into());
        }
        let places: Vec<usize> = logs.keys().filter_map(|name| scale.position(name)).collect();
        let n = places.len();
        let design = DMatrix::from_iterator(n, 1, logs.values().map(|x| x - log_reference));
        let y = DVector::from_iterator(n, places.iter().map(|&i| scale.log_k[i]));
        let known = DMatrix::from_fn(n, n, |i, j| scale.covariance[(places[i], places[j])]);
        let shared = DMatrix::from_fn(n, n, |i, j| if i == j { 2.0 } else { 1.0 });
        let fit = Fit::new(y, design, &known, &shared)?;
        let (beta, error) = (fit.coefficients[0], fit.covariance[(0, 0)].sqrt());
        let df = count(n - 1);
        let half = two_sided_quantile(scale.level, Some(df)) * error;
        Ok(Self {
            reference: scale.reference,
            exponent: Interval::new(beta, beta - half, beta + half, scale.level, IntervalMethod::StudentT)?,
            p_value: 2.0 * t_survival((beta / error).abs(), df),
            log_scatter: fit.scatter.sqrt(),
            surfaces: n + 1,
            range_mm: (libm::exp(low), libm::exp(high)),
            log_reference,
            fit,
        })
    }

    /// Factor of one further surface of this texture, mm, with prediction limits: what texture does not tell is in them.
    ///
    /// ```
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # use surface_severity::severity::Severity;
    /// # let mut trials = Vec::new();
    /// # for (surface, k) in [("asphalt", 1.0), ("concrete", 1.62), ("chip seal", 2.1), ("polished", 0.7)] {
    /// #     for (material, s) in [("cowhide", 8.0), ("denim", 2.0), ("knit", 1.2)] {
    /// #         for (i, e) in [0.04, -0.05, 0.01].into_iter().enumerate() {
    /// #             trials.push(Trial::perforated(format!("{surface} {material} {i}"), surface, material, s / k * f64::exp(e)));
    /// #         }
    /// #     }
    /// # }
    /// # let scale = Severity::new("asphalt").independent().fit(&Campaign::from_trials(trials)?)?.document(None);
    /// use surface_severity::laboratory::TextureLine;
    /// let depth = [("asphalt", 0.6), ("concrete", 1.0), ("chip seal", 1.9), ("polished", 0.35)];
    /// let line = TextureLine::fit(&scale, &depth)?;
    /// assert!(line.factor_at(1.2)?.contains(1.6));
    /// assert!(line.factor_at(4.0).is_err(), "rougher than any road that was driven");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::OutOfReach`] outside the textures that were driven; [`ErrorKind::NotEstimable`] where a limit leaves the
    /// range of numbers.
    pub fn factor_at(&self, texture_mm: f64) -> Result<Interval> {
        let (low, high) = self.range_mm;
        if !(low * (1.0 - 1e-9)..=high * (1.0 + 1e-9)).contains(&texture_mm) {
            let reason = format!("surfaces were driven from {} to {} mm", significant(low, 3), significant(high, 3));
            let goal = format!("a factor at a texture of {texture_mm} mm");
            return Err(ErrorKind::OutOfReach { goal, reason }.into());
        }
        let x = DVector::from_element(1, libm::log(texture_mm) - self.log_reference);
        // The reference's own departure is in every contrast.
        let with = DVector::from_element(self.surfaces - 1, self.fit.scatter);
        let (value, variance) = self.fit.predict(&x, &with, 2.0 * self.fit.scatter);
        let level = self.exponent.level();
        let q = two_sided_quantile(level, Some(count(self.surfaces - 2)));
        Interval::from_log(value, variance.sqrt(), q, level, IntervalMethod::Prediction)
    }
}

impl fmt::Display for TextureLine {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let [mid, low, high] =
            [self.exponent.estimate(), self.exponent.lower(), self.exponent.upper()].map(|x| significant(x, 2));
        write!(
            f,
            "Over {} surfaces factors go with texture to the power {mid} ({low} to {high}); what texture does not tell \
             moves a factor by {} %.",
            self.surfaces,
            significant(100.0 * libm::expm1(self.log_scatter), 2)
        )?;
        if self.exponent.contains(0.0) {
            f.write_str(
                " So few surfaces do not show that texture matters: drive more of them, of textures farther apart.",
            )?;
        }
        Ok(())
    }
}

/// Generalised least squares with `Cov y = known + ω² shared`.
#[derive(Debug, Clone, PartialEq)]
struct Fit {
    coefficients: DVector<f64>,
    covariance: DMatrix<f64>,
    /// ω².
    scatter: f64,
    design: DMatrix<f64>,
    inverse: DMatrix<f64>,
    residual: DVector<f64>,
}

impl Fit {
    fn new(y: DVector<f64>, design: DMatrix<f64>, known: &DMatrix<f64>, shared: &DMatrix<f64>) -> Result<Self> {
        let singular = || ErrorKind::document("log_covariance", "that of the factors is not positive definite");
        // (score, objective) of the restricted likelihood: yᵀ P S P y − tr P S, S the shared matrix.
        let at = |scatter: f64| -> Result<(f64, f64)> {
            let factor = (known + shared * scatter).cholesky().ok_or_else(singular)?;
            let inverse = factor.inverse();
            let info = (design.transpose() * &inverse * &design).cholesky().ok_or_else(singular)?;
            let p = &inverse - &inverse * &design * info.inverse() * design.transpose() * &inverse;
            let py = &p * &y;
            let logs = |c: &nalgebra::Cholesky<f64, nalgebra::Dyn>| -> f64 {
                c.l_dirty().diagonal().iter().map(|l| 2.0 * libm::log(*l)).sum()
            };
            let score = (py.transpose() * shared * &py)[(0, 0)] - (&p * shared).trace();
            Ok((score, 0.5 * (logs(&factor) + logs(&info) + y.dot(&py))))
        };
        let errors: Vec<f64> = known.diagonal().iter().copied().collect();
        let size = y.amax().max(1e-3);
        let (scatter, _) = solve_scatter(size * size, 0.01 * least(&errors), at)?;
        let inverse = (known + shared * scatter).cholesky().ok_or_else(singular)?.inverse();
        let covariance = (design.transpose() * &inverse * &design).cholesky().ok_or_else(singular)?.inverse();
        let coefficients = &covariance * design.transpose() * &inverse * &y;
        let residual = y - &design * &coefficients;
        Ok(Self { coefficients, covariance, scatter, design, inverse, residual })
    }

    /// Value and variance of prediction at `x`, whose own departure has variance `own` and covariance `with` with the rest.
    fn predict(&self, x: &DVector<f64>, with: &DVector<f64>, own: f64) -> (f64, f64) {
        let weights = &self.inverse * with;
        let value = x.dot(&self.coefficients) + weights.dot(&self.residual);
        let left = x - self.design.transpose() * &weights;
        (value, (own - with.dot(&weights) + left.dot(&(&self.covariance * &left))).max(0.0))
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use approx::assert_relative_eq;

    /// BCG vaccine trials on latitude (Colditz et al. 1994; Viechtbauer 2010, printed to 4 digits; further ones from bisection
    /// of the likelihood equation in 50-digit arithmetic, tests/equivalence).
    #[test]
    fn generalised_least_squares_is_meta_regression() {
        let y = [
            -0.889311333920205,
            -1.58538865720143,
            -1.34807314829969,
            -1.44155119002131,
            -0.217547322211296,
            -0.786115585818864,
            -1.62089822359839,
            0.0119523335238405,
            -0.469417648738149,
            -1.37134480347278,
            -0.339358828338391,
            0.445913400571379,
            -0.0173139482168798,
        ];
        let v = [
            0.325584765003961,
            0.194581121398144,
            0.415367965367965,
            0.0200100319022476,
            0.0512101721696309,
            0.00690561845590876,
            0.223017247572315,
            0.00396157929781773,
            0.056434210463249,
            0.0730247936130289,
            0.0124122139715597,
            0.532505845200153,
            0.0714046596839863,
        ];
        let latitude = [44.0, 55.0, 42.0, 52.0, 13.0, 44.0, 19.0, 13.0, 27.0, 42.0, 18.0, 33.0, 33.0];
        let design = DMatrix::from_fn(13, 2, |i, j| if j == 0 { 1.0 } else { latitude[i] });
        let known = DMatrix::from_diagonal(&DVector::from_row_slice(&v));
        let fit = Fit::new(DVector::from_row_slice(&y), design, &known, &DMatrix::identity(13, 13)).unwrap();
        assert_relative_eq!(fit.scatter, 0.0763479639551980, max_relative = 1e-9);
        assert_relative_eq!(fit.coefficients[0], 0.25146821000737, max_relative = 1e-9);
        assert_relative_eq!(fit.coefficients[1], -0.0291017250116, max_relative = 1e-9);
        assert_relative_eq!(fit.covariance[(0, 0)].sqrt(), 0.24909539661675, max_relative = 1e-9);
        assert_relative_eq!(fit.covariance[(1, 1)].sqrt(), 0.00719532722090, max_relative = 1e-9);
    }

    /// Without errors of the factors, contrasts with a reference give ordinary regression and its prediction limits:
    /// closed form, whichever surface is the reference.
    #[test]
    fn contrasts_without_error_are_ordinary_regression() {
        let (x, y) = ([0.2, 0.9, 1.4, 2.3, 3.1, 3.3], [0.31, 0.52, 1.21, 1.33, 2.24, 1.97]);
        let n = 6.0;
        let (mx, my) = (x.iter().sum::<f64>() / n, y.iter().sum::<f64>() / n);
        let sxx: f64 = x.iter().map(|v| (v - mx) * (v - mx)).sum();
        let slope = x.iter().zip(&y).map(|(a, b)| (a - mx) * (b - my)).sum::<f64>() / sxx;
        let s2 = x.iter().zip(&y).map(|(a, b)| (b - my - slope * (a - mx)).powi(2)).sum::<f64>() / (n - 2.0);
        for reference in 0..6 {
            let rest: Vec<usize> = (0..6).filter(|&i| i != reference).collect();
            let design = DMatrix::from_fn(5, 1, |i, _| x[rest[i]] - x[reference]);
            let d = DVector::from_fn(5, |i, _| y[rest[i]] - y[reference]);
            let shared = DMatrix::from_fn(5, 5, |i, j| if i == j { 2.0 } else { 1.0 });
            let fit = Fit::new(d, design, &(DMatrix::identity(5, 5) * 1e-14), &shared).unwrap();
            assert_relative_eq!(fit.scatter, s2, max_relative = 1e-6);
            assert_relative_eq!(fit.coefficients[0], slope, max_relative = 1e-6);
            let at = 1.9;
            let with = DVector::from_element(5, fit.scatter);
            let (value, variance) = fit.predict(&DVector::from_element(1, at - x[reference]), &with, 2.0 * fit.scatter);
            assert_relative_eq!(y[reference] + value, my + slope * (at - mx), max_relative = 1e-6);
            assert_relative_eq!(variance, s2 * (1.0 + 1.0 / n + (at - mx).powi(2) / sxx), max_relative = 1e-6);
        }
    }
}
