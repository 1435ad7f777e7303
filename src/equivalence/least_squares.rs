//! Ordinary least squares, by the QR decomposition.

use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};

use super::line::{check_columns, finite, mean, not_estimable, t_interval};
use crate::error::{ErrorKind, Result};
use crate::estimate::Interval;
use crate::numeric::count;

/// Result of [`ordinary_least_squares`].
///
/// ```
/// use surface_severity::equivalence::{Intercept, ordinary_least_squares};
/// // y = 1 + 2x and errors that neither tilt nor shift the line.
/// let (x, y) = ([0.0, 1.0, 2.0, 3.0, 4.0], [1.1, 2.9, 5.0, 6.9, 9.1]);
/// let fit = ordinary_least_squares(&[&x], &y, Intercept::Fitted)?;
/// assert!((fit.coefficients()[0] - 1.0).abs() < 1e-12 && (fit.coefficients()[1] - 2.0).abs() < 1e-12);
/// assert!((fit.residual_sum_of_squares() - 0.04).abs() < 1e-12 && fit.degrees_of_freedom() == 3);
/// assert!((fit.standard_errors()[1] - (0.04_f64 / 3.0 / 10.0).sqrt()).abs() < 1e-12);
/// assert!(fit.r_squared() > 0.99);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct LinearFit {
    coefficients: Vec<f64>,
    standard_errors: Vec<f64>,
    covariance: Vec<Vec<f64>>,
    residual_standard_deviation: f64,
    residual_sum_of_squares: f64,
    r_squared: f64,
    degrees_of_freedom: usize,
    has_intercept: bool,
}

impl LinearFit {
    /// The coefficients: the intercept first where one was fitted, then the columns in order.
    #[must_use]
    pub fn coefficients(&self) -> &[f64] {
        &self.coefficients
    }
    /// Their standard errors.
    #[must_use]
    pub fn standard_errors(&self) -> &[f64] {
        &self.standard_errors
    }
    /// Row `i` of the covariance matrix of the coefficients; empty beyond the last.
    #[must_use]
    pub fn covariance_row(&self, i: usize) -> &[f64] {
        self.covariance.get(i).map_or(&[], Vec::as_slice)
    }
    /// Residual standard deviation, with the degrees of freedom as divisor.
    #[must_use]
    pub fn residual_standard_deviation(&self) -> f64 {
        self.residual_standard_deviation
    }
    /// Residual sum of squares.
    #[must_use]
    pub fn residual_sum_of_squares(&self) -> f64 {
        self.residual_sum_of_squares
    }
    /// Share of the sum of squares explained: about the mean with an intercept, about zero without.
    #[must_use]
    pub fn r_squared(&self) -> f64 {
        self.r_squared
    }
    /// Residual degrees of freedom.
    #[must_use]
    pub fn degrees_of_freedom(&self) -> usize {
        self.degrees_of_freedom
    }
    /// The fitted value and its standard error at a row of columns, from the whole covariance matrix; the intercept, where
    /// one was fitted, is added.
    ///
    /// ```
    /// use surface_severity::equivalence::{Intercept, ordinary_least_squares};
    /// let (x, y) = ([0.0, 1.0, 2.0, 3.0, 4.0], [1.1, 2.9, 5.0, 6.9, 9.1]);
    /// let fit = ordinary_least_squares(&[&x], &y, Intercept::Fitted)?;
    /// // At the mean of x the standard error is that of a mean of five.
    /// let (value, standard_error) = fit.value_at(&[2.0])?;
    /// assert!((value - 5.0).abs() < 1e-12);
    /// assert!((standard_error - fit.residual_standard_deviation() / 5_f64.sqrt()).abs() < 1e-12);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for another number of columns than were fitted, or values that are not finite.
    pub fn value_at(&self, row: &[f64]) -> Result<(f64, f64)> {
        let p = self.coefficients.len();
        let full: Vec<f64> = self.has_intercept.then_some(1.0).into_iter().chain(row.iter().copied()).collect();
        if full.len() != p {
            let wanted = p - usize::from(self.has_intercept);
            return Err(ErrorKind::option("row", row.len(), &format!("{wanted} values, one a fitted column")));
        }
        if let Some(bad) = full.iter().find(|v| !v.is_finite()) {
            return Err(ErrorKind::option("row", bad, "finite numbers"));
        }
        let value = full.iter().zip(&self.coefficients).map(|(x, b)| x * b).sum::<f64>();
        let variance: f64 =
            (0..p).map(|i| (0..p).map(|j| full[i] * full[j] * self.covariance[i][j]).sum::<f64>()).sum();
        let standard_error = libm::sqrt(variance.max(0.0));
        finite("the fitted value", &[value, standard_error])?;
        Ok((value, standard_error))
    }
    /// Student t interval of coefficient `i`.
    ///
    /// ```
    /// use surface_severity::equivalence::{Intercept, ordinary_least_squares};
    /// let (x, y) = ([0.0, 1.0, 2.0, 3.0, 4.0], [1.1, 2.9, 5.0, 6.9, 9.1]);
    /// let fit = ordinary_least_squares(&[&x], &y, Intercept::Fitted)?;
    /// let slope = fit.interval(1, 0.95)?;
    /// // t quantile with 3 degrees of freedom: 3.1824.
    /// assert!((slope.upper() - 2.0 - 3.1824 * fit.standard_errors()[1]).abs() < 1e-5);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a coefficient that does not exist or a level outside (0, 1).
    pub fn interval(&self, i: usize, level: f64) -> Result<Interval> {
        match (self.coefficients.get(i), self.standard_errors.get(i)) {
            (Some(&b), Some(&se)) => t_interval("the coefficient", b, se, Some(count(self.degrees_of_freedom)), level),
            _ => Err(ErrorKind::option("coefficient", i, &format!("less than {}", self.coefficients.len()))),
        }
    }
}

/// Whether a line has an intercept.
///
/// ```
/// use surface_severity::equivalence::{Intercept, ordinary_least_squares};
/// let (x, y) = ([1.0, 2.0, 3.0], [2.0, 4.1, 5.9]);
/// assert_eq!(ordinary_least_squares(&[&x], &y, Intercept::Zero)?.coefficients().len(), 1);
/// assert_eq!(ordinary_least_squares(&[&x], &y, Intercept::Fitted)?.coefficients().len(), 2);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Intercept {
    /// Fitted.
    Fitted,
    /// Zero: the line goes through the origin.
    Zero,
}

/// Least squares of `y` on `columns`, by Householder QR; with an intercept the columns are centred first.
///
/// ```
/// use surface_severity::equivalence::{Intercept, ordinary_least_squares};
/// // Through the origin: slope Σxy/Σx².
/// let (x, y) = ([1.0, 2.0, 3.0], [2.0, 4.1, 5.9]);
/// let fit = ordinary_least_squares(&[&x], &y, Intercept::Zero)?;
/// assert!((fit.coefficients()[0] - 27.9 / 14.0).abs() < 1e-12);
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::TooFew`] without at least one residual degree of freedom; [`ErrorKind::InvalidOption`] for
/// unequal lengths or numbers that are not finite; [`ErrorKind::NotEstimable`] for columns that are
/// combinations of one another.
///
/// # Accuracy
/// NIST StRD Norris 12 digits, Longley 11, NoInt1 and NoInt2 14 (`tests/equivalence`).
pub fn ordinary_least_squares(columns: &[&[f64]], y: &[f64], intercept: Intercept) -> Result<LinearFit> {
    let centred = intercept == Intercept::Fitted;
    let p = columns.len();
    let parameters = p + usize::from(centred);
    let mut named: Vec<(&str, &[f64])> = vec![("y", y)];
    named.extend(columns.iter().map(|c| ("column", *c)));
    let n = check_columns("least squares", parameters + 1, &named)?;
    let shifts: Vec<f64> = columns.iter().map(|c| if centred { mean(c) } else { 0.0 }).collect();
    let y_shift = if centred { mean(y) } else { 0.0 };
    let x = DMatrix::from_fn(n, p, |i, j| columns[j][i] - shifts[j]);
    let target = DVector::from_iterator(n, y.iter().map(|v| v - y_shift));
    let total = target.norm_squared();

    let collinear = || not_estimable("the coefficients", "the columns are combinations of one another");
    let qr = x.clone().qr();
    let r = qr.r();
    for j in 0..p {
        let length = x.column(j).norm();
        if r[(j, j)].abs() <= 1e-13 * length {
            return Err(collinear());
        }
    }
    let q_t_y = qr.q().transpose() * &target;
    let slopes = r.solve_upper_triangular(&q_t_y).ok_or_else(collinear)?;
    let inverse = r.solve_upper_triangular(&DMatrix::identity(p, p)).ok_or_else(collinear)?;
    let residuals = &target - &x * &slopes;
    let rss = residuals.norm_squared();
    let df = n - parameters;
    let s2 = rss / count(df);
    let unscaled = &inverse * inverse.transpose();

    let offset = usize::from(centred);
    let mut coefficients = Vec::with_capacity(parameters);
    let mut covariance = vec![vec![0.0; parameters]; parameters];
    let means = DVector::from_vec(shifts);
    if centred {
        coefficients.push(y_shift - means.dot(&slopes));
        let spread = &unscaled * &means;
        covariance[0][0] = s2 * (1.0 / count(n) + means.dot(&spread));
        for j in 0..p {
            covariance[0][j + 1] = -s2 * spread[j];
            covariance[j + 1][0] = covariance[0][j + 1];
        }
    }
    coefficients.extend(slopes.iter());
    for i in 0..p {
        for j in 0..p {
            covariance[i + offset][j + offset] = s2 * unscaled[(i, j)];
        }
    }
    let standard_errors: Vec<f64> = (0..parameters).map(|i| libm::sqrt(covariance[i][i])).collect();
    finite("the coefficients", &coefficients)?;
    finite("the standard errors", &standard_errors)?;
    Ok(LinearFit {
        coefficients,
        standard_errors,
        covariance,
        residual_standard_deviation: libm::sqrt(s2),
        residual_sum_of_squares: rss,
        // All y equal and fitted exactly: everything there was to explain is explained.
        r_squared: if total > 0.0 { 1.0 - rss / total } else { 1.0 },
        degrees_of_freedom: df,
        has_intercept: centred,
    })
}
