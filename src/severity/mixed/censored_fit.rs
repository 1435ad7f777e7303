//! The fit of a general mixed model, read.

use super::censored::Fitted;
use super::core::{Contrast, MixedConvergence, Prediction, VarianceComponent};
use super::deviance::Criterion;
use super::linear::component_named;
use crate::error::{ErrorKind, Result};
use crate::estimate::Interval;

/// A fitted censored mixed model.
///
/// ```
/// use surface_severity::severity::{Distribution, Observation, mixed::CensoredMixedModel};
/// let times = [1.1, 1.3, 0.2, 0.5, 2.0].map(Observation::Exact).into_iter().chain([Observation::AtLeast(2.1)]).collect();
/// let model = CensoredMixedModel::new(Distribution::LogNormal, times, vec![vec![1.0]; 6]);
/// let fit = model.group("day", &[1, 1, 2, 2, 3, 3]).fit()?;
/// let components = fit.variance_components();
/// assert_eq!((components[0].name.as_str(), components[1].name.as_str()), ("day", "residual"));
/// assert!(components[0].variance > components[1].variance, "the days differ more than the trials of one");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct CensoredMixedFit {
    pub(super) fitted: Fitted,
    pub(super) levels: Vec<Vec<String>>,
}

impl CensoredMixedFit {
    /// Coefficients, in the order of the covariates.
    #[must_use]
    pub fn coefficients(&self) -> &[f64] {
        self.fitted.beta()
    }
    /// Their standard errors (observed information of the marginal likelihood; that on σ and the grouping
    /// factors is of the restricted one under [`Criterion::Reml`]).
    #[must_use]
    pub fn standard_errors(&self) -> Vec<f64> {
        (0..self.coefficients().len()).map(|a| self.fitted.covariance[(a, a)].sqrt()).collect()
    }
    /// A linear combination of the coefficients: estimate, standard error and, under
    /// [`Criterion::Reml`], Satterthwaite degrees of freedom (from 1 to trials less coefficients).
    ///
    /// ```
    /// use surface_severity::severity::{Distribution, Observation, mixed::{CensoredMixedModel, Criterion}};
    /// let times = [1.1, 1.3, 0.2, 0.5, 2.0].map(Observation::Exact).into_iter().chain([Observation::AtLeast(2.1)]).collect();
    /// let model = CensoredMixedModel::new(Distribution::LogNormal, times, vec![vec![1.0]; 6]).criterion(Criterion::Reml);
    /// let fit = model.group("day", &[1, 1, 2, 2, 3, 3]).fit()?;
    /// let mean = fit.contrast(&[1.0])?;
    /// assert!((mean.estimate - fit.coefficients()[0]).abs() < 1e-9);
    /// assert!(mean.degrees_of_freedom.unwrap() < 4.0, "three days, not six trials");
    /// assert!(fit.contrast(&[1.0, 0.0]).is_err(), "one weight for each coefficient");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] unless there is one finite weight per coefficient.
    pub fn contrast(&self, weights: &[f64]) -> Result<Contrast> {
        let p = self.coefficients().len();
        if weights.len() != p {
            return Err(ErrorKind::option("weights", weights.len(), &format!("{p}, one per coefficient")));
        }
        if let Some(bad) = weights.iter().find(|w| !w.is_finite()) {
            return Err(ErrorKind::option("weights", bad, "finite numbers"));
        }
        Ok(self.fitted.combination(&weights.iter().copied().enumerate().collect::<Vec<_>>(), 0.0))
    }
    /// The criterion that was maximised.
    #[must_use]
    pub fn criterion(&self) -> Criterion {
        self.fitted.criterion()
    }
    /// Log of the scale σ of replicates.
    #[must_use]
    pub fn log_sigma(&self) -> f64 {
        self.fitted.best.parameters.log_sigma
    }
    /// Standard deviations of the grouping factors, then the scale σ as `"residual"`.
    #[must_use]
    pub fn variance_components(&self) -> Vec<VarianceComponent> {
        self.fitted.components()
    }
    /// Standard deviation of a grouping factor, or σ for `"residual"`.
    ///
    /// ```
    /// use surface_severity::severity::{Distribution, Observation, mixed::CensoredMixedModel};
    /// let times = [1.1, 1.3, 0.2, 0.5, 2.0].map(Observation::Exact).into_iter().chain([Observation::AtLeast(2.1)]).collect();
    /// let model = CensoredMixedModel::new(Distribution::LogNormal, times, vec![vec![1.0]; 6]);
    /// let fit = model.group("day", &[1, 1, 2, 2, 3, 3]).fit()?;
    /// assert!((fit.standard_deviation("residual")?.ln() - fit.log_sigma()).abs() < 1e-12);
    /// assert!(fit.standard_deviation("belt").is_err(), "no such grouping");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for an unknown name.
    pub fn standard_deviation(&self, name: &str) -> Result<f64> {
        let component = component_named(&self.fitted.marginal.names, name)?;
        Ok(component.map_or(self.fitted.sigma(), |j| self.fitted.tau(j)))
    }
    /// Standard error of the log standard deviation of a grouping factor or `"residual"`; `None`
    /// at the boundary. Prefer [`profile_interval`](Self::profile_interval): this likelihood is seldom quadratic.
    ///
    /// ```
    /// use surface_severity::severity::{Distribution, Observation, mixed::CensoredMixedModel};
    /// let times = [1.1, 1.3, 0.2, 0.5, 2.0].map(Observation::Exact).into_iter().chain([Observation::AtLeast(2.1)]).collect();
    /// let model = CensoredMixedModel::new(Distribution::LogNormal, times, vec![vec![1.0]; 6]);
    /// let fit = model.group("day", &[1, 1, 2, 2, 3, 3]).fit()?;
    /// // Of three days the scatter is known to a factor of e^0.4 or so at best: 1/√(2 · 3).
    /// assert!(fit.log_standard_error("day")?.unwrap() > 0.35);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for an unknown name.
    pub fn log_standard_error(&self, name: &str) -> Result<Option<f64>> {
        Ok(self.fitted.log_standard_error(component_named(&self.fitted.marginal.names, name)?))
    }
    /// Profile-likelihood interval of the standard deviation of a grouping factor or `"residual"`.
    ///
    /// ```
    /// use surface_severity::severity::{Distribution, Observation, mixed::CensoredMixedModel};
    /// let times = [1.1, 1.3, 0.2, 0.5, 2.0].map(Observation::Exact).into_iter().chain([Observation::AtLeast(2.1)]).collect();
    /// let model = CensoredMixedModel::new(Distribution::LogNormal, times, vec![vec![1.0]; 6]);
    /// let fit = model.group("day", &[1, 1, 2, 2, 3, 3]).fit()?;
    /// let interval = fit.profile_interval("day", 0.9)?;
    /// assert!(interval.contains(fit.standard_deviation("day")?));
    /// assert!(interval.upper() > 2.0 * interval.estimate(), "three days say little of how days differ");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`], [`ErrorKind::NotEstimable`], [`ErrorKind::NotConverged`].
    pub fn profile_interval(&self, name: &str, level: f64) -> Result<Interval> {
        self.fitted.profile(component_named(&self.fitted.marginal.names, name)?, level)
    }
    /// Conditional modes of the levels of a grouping factor, in ascending order of their codes;
    /// standard errors from the joint curvature, that of the coefficients included, variance
    /// components taken as known.
    ///
    /// ```
    /// use surface_severity::severity::{Distribution, Observation, mixed::CensoredMixedModel};
    /// let times = [1.1, 1.3, 0.2, 0.5, 2.0].map(Observation::Exact).into_iter().chain([Observation::AtLeast(2.1)]).collect();
    /// let model = CensoredMixedModel::new(Distribution::LogNormal, times, vec![vec![1.0]; 6]);
    /// let days = model.group("day", &[1, 1, 2, 2, 3, 3]).fit()?.predictions("day")?;
    /// assert!(days[1].value < 0.0 && days[2].value > 0.0, "the second day was short, the third long");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for an unknown name.
    pub fn predictions(&self, name: &str) -> Result<Vec<Prediction>> {
        match component_named(&self.fitted.marginal.names, name)? {
            Some(j) => Ok(self.fitted.predictions(j, &|at| self.levels[j][at].clone())),
            None => Err(ErrorKind::option("name", name, "a grouping factor")),
        }
    }
    /// Maximised marginal log-likelihood, restricted under [`Criterion::Reml`], on the time scale
    /// (densities of T in 1/s).
    #[must_use]
    pub fn log_likelihood(&self) -> f64 {
        self.fitted.log_likelihood()
    }
    /// How the estimates were reached; singular fits name their components here.
    #[must_use]
    pub fn convergence(&self) -> MixedConvergence {
        self.fitted.convergence()
    }
}
