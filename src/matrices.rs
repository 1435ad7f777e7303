//! Covariances, estimates and covariates as nalgebra types (feature `matrices`); signatures are those of nalgebra 0.35.

use nalgebra::{DMatrix, DVector};

use crate::severity::{LogCovariance, SeverityDocument};

impl LogCovariance {
    /// The covariance as a matrix, rows and columns in [`order`](Self::order).
    ///
    /// ```
    /// use surface_severity::campaign::Campaign;
    /// use surface_severity::severity::Severity;
    /// let campaign = Campaign::read_path("data-demo/trials.csv")?;
    /// let fit = Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// let document = fit.document(None);
    /// let (covariance, estimates) = (document.log_covariance.to_matrix(), document.log_estimates());
    /// assert_eq!(covariance.nrows(), estimates.len());
    /// // Standard error of a mean over two roads, which no table of single factors gives.
    /// let mut weights = estimates.map(|_| 0.0);
    /// for road in ["brushed concrete", "worn surface dressing"] {
    ///     weights[document.log_covariance.order.iter().position(|n| n == road).unwrap()] = 0.5;
    /// }
    /// let se = (weights.transpose() * &covariance * &weights)[0].sqrt();
    /// let single = fit.log_factor_between("brushed concrete", "dense asphalt concrete")?.standard_error;
    /// assert!(se > 0.0 && se < single);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn to_matrix(&self) -> DMatrix<f64> {
        let n = self.order.len();
        // Fields are public: what a caller left out is 0.
        DMatrix::from_fn(n, n, |i, j| self.rows.get(i).and_then(|row| row.get(j)).copied().unwrap_or(0.0))
    }
}

impl SeverityDocument {
    /// What [`log_covariance`](Self::log_covariance) is the covariance of, in its order: log k of the surfaces, log σ.
    /// See [`LogCovariance::to_matrix`].
    ///
    /// ```
    /// use surface_severity::campaign::Campaign;
    /// use surface_severity::severity::Severity;
    /// let campaign = Campaign::read_path("data-demo/trials.csv")?;
    /// let fit = Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// let estimates = fit.document(None).log_estimates();
    /// assert_eq!(estimates[estimates.len() - 1], fit.log_scatter().ln());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn log_estimates(&self) -> DVector<f64> {
        let log_factor = |name: &String| {
            let row = self.factors.iter().find(|row| row.surface == *name);
            row.and_then(|row| row.log_factor).unwrap_or_else(|| libm::log(self.log_scatter))
        };
        DVector::from_iterator(self.log_covariance.order.len(), self.log_covariance.order.iter().map(log_factor))
    }
}

/// The rows of a matrix of covariates, one per observation, as [`Regression`](crate::severity::Regression) and
/// [`LinearMixedModel`](crate::severity::mixed::LinearMixedModel) take them.
///
/// ```
/// use nalgebra::DMatrix;
/// use surface_severity::matrices::rows_of;
/// use surface_severity::severity::{Distribution, Observation, Regression};
/// let covariates = DMatrix::from_row_slice(4, 2, &[1.0, 0.0, 1.0, 1.0, 1.0, 2.0, 1.0, 3.0]);
/// let log_times = [0.1, 1.2, 1.9, 3.0].map(Observation::Exact);
/// let fit = Regression::new(Distribution::LogNormal).fit(&log_times, &rows_of(&covariates))?;
/// assert!((fit.coefficients()[1] - 0.94).abs() < 1e-9, "that of least squares: 4.7 / 5");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn rows_of(matrix: &DMatrix<f64>) -> Vec<Vec<f64>> {
    matrix.row_iter().map(|row| row.iter().copied().collect()).collect()
}
