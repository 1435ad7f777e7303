//! Censored location-scale regression on any covariates: `y = xᵀβ + σ W`, y a log time.
//!
//! The same Newton method as the severity scale, without its structure: for covariates such as
//! speed or temperature, and for checking the engine against published regressions.

use nalgebra::DMatrix;

use crate::error::{ErrorKind, Result};

use super::distribution::Distribution;
use super::newton::{Design, LogTime, Point, System, contribution, maximise};

/// One response, on the log scale.
///
/// ```
/// use surface_severity::severity::{Distribution, Observation, Regression};
/// // The same four log times, the last as a run-out: the mean moves up, since it would have lasted longer.
/// let mean = |last| {
///     let times = [Observation::Exact(1.0), Observation::Exact(2.0), Observation::Exact(3.0), last];
///     Regression::new(Distribution::LogNormal).fit(&times, &vec![vec![1.0]; 4]).map(|fit| fit.coefficients()[0])
/// };
/// assert!(mean(Observation::AtLeast(2.0))? > mean(Observation::Exact(2.0))?);
/// assert!(mean(Observation::AtMost(2.0))? < mean(Observation::Exact(2.0))?);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub enum Observation {
    /// Exactly this.
    Exact(f64),
    /// At least this (run-out, right-censored).
    AtLeast(f64),
    /// At most this (opened at contact, left-censored).
    AtMost(f64),
    /// Between the two, lower first (interval-censored).
    Between(f64, f64),
}

impl From<Observation> for LogTime {
    fn from(observation: Observation) -> Self {
        match observation {
            Observation::Exact(y) => Self::Exact(y),
            Observation::AtLeast(y) => Self::Right(y),
            Observation::AtMost(y) => Self::Left(y),
            Observation::Between(a, b) => Self::Between(a, b),
        }
    }
}

/// A regression plan.
///
/// ```
/// use surface_severity::severity::{Distribution, Observation, Regression};
/// // Log times at the speeds 6 to 9 m/s: time falls as 1/speed, slope -1 on log speed.
/// let speeds = [6.0_f64, 7.0, 8.0, 9.0];
/// let rows: Vec<_> = speeds.iter().map(|v| vec![1.0, v.ln()]).collect();
/// let times: Vec<_> = speeds.iter().zip([0.01, -0.01, -0.01, 0.01]).map(|(v, e)| Observation::Exact(3.0 - v.ln() + e)).collect();
/// let fit = Regression::new(Distribution::LogNormal).fit(&times, &rows)?;
/// assert!((fit.coefficients()[1] + 1.0).abs() < 0.05);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default)]
pub struct Regression {
    distribution: Distribution,
}

/// Coefficients, σ and their covariance.
///
/// ```
/// use surface_severity::severity::{Distribution, Observation, Regression};
/// let times = [1.0, 2.0, 3.0].map(Observation::Exact);
/// let fit = Regression::new(Distribution::LogNormal).fit(&times, &vec![vec![1.0]; 3])?;
/// // Maximum likelihood of a normal sample: the mean, and σ with divisor n.
/// assert!((fit.coefficients()[0] - 2.0).abs() < 1e-8);
/// assert!((fit.log_sigma().exp() - (2.0_f64 / 3.0).sqrt()).abs() < 1e-8);
/// assert!((fit.standard_errors()[0] - (2.0_f64 / 9.0).sqrt()).abs() < 1e-8);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct RegressionFit {
    coefficients: Vec<f64>,
    log_sigma: f64,
    covariance: Vec<f64>,
    log_likelihood: f64,
    jacobian: f64,
    iterations: u32,
}

struct Dense {
    times: Vec<LogTime>,
    /// Row-major n × p, columns scaled to unit root mean square.
    rows: Vec<f64>,
    p: usize,
}

impl Design for Dense {
    fn diagonal_len(&self) -> usize {
        0
    }
    fn border_len(&self) -> usize {
        self.p
    }
    fn accumulate(&self, distribution: Distribution, point: &Point, mut system: Option<&mut System>) -> f64 {
        let (p, q) = (self.p, self.p + 1);
        let mut total = 0.0;
        for (i, &time) in self.times.iter().enumerate() {
            let x = &self.rows[i * p..(i + 1) * p];
            let eta: f64 = x.iter().zip(&point.border).map(|(x, b)| x * b).sum();
            let c = contribution(distribution, time, eta, point.lambda);
            total += c.value;
            if let Some(system) = system.as_deref_mut() {
                let corner = &mut system.information.corner;
                for a in 0..p {
                    system.border[a] += c.d_eta * x[a];
                    for b in 0..=a {
                        corner[a * q + b] += c.i_eta * x[a] * x[b];
                    }
                    corner[p * q + a] += c.i_cross * x[a];
                }
                system.border[p] += c.d_lambda;
                corner[p * q + p] += c.i_lambda;
            }
        }
        total
    }
}

impl Regression {
    /// A regression with this distribution of W.
    ///
    /// ```
    /// use surface_severity::severity::{Distribution, Observation, Regression};
    /// let times = [1.0, 2.0, 3.0].map(Observation::Exact);
    /// assert!(Regression::new(Distribution::Weibull).fit(&times, &vec![vec![1.0]; 3]).is_ok());
    /// ```
    #[must_use]
    pub fn new(distribution: Distribution) -> Self {
        Self { distribution }
    }

    /// Maximum likelihood for `observations` on `rows` of covariates (all of one length; include a
    /// column of ones for an intercept).
    ///
    /// ```
    /// use surface_severity::{ErrorKind, severity::{Distribution, Observation, Regression}};
    /// let times = [1.0, 2.0, 3.0].map(Observation::Exact);
    /// // Two columns that say the same cannot be told apart.
    /// let error = Regression::new(Distribution::LogNormal).fit(&times, &vec![vec![1.0, 2.0]; 3]).unwrap_err();
    /// assert!(matches!(error.kind(), ErrorKind::NotEstimable { .. }));
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for lengths that disagree, numbers that are not finite or an
    /// interval in the wrong order; [`ErrorKind::NotEstimable`] for covariates that are linearly
    /// dependent; [`ErrorKind::NotConverged`] where the likelihood has no finite maximum.
    pub fn fit(&self, observations: &[Observation], rows: &[Vec<f64>]) -> Result<RegressionFit> {
        let n = observations.len();
        let p = rows.first().map_or(0, Vec::len);
        if n == 0 || p == 0 {
            return Err(ErrorKind::NothingToFit { reason: "no observations or no covariates".into() }.into());
        }
        if rows.len() != n {
            return Err(ErrorKind::option("rows", rows.len(), &format!("{n}, one per observation")));
        }
        for row in rows {
            if row.len() != p {
                return Err(ErrorKind::option("row length", row.len(), &format!("{p}, as in the first row")));
            }
            if let Some(bad) = row.iter().find(|v| !v.is_finite()) {
                return Err(ErrorKind::option("covariate", bad, "a finite number"));
            }
        }
        for observation in observations {
            let (a, b) = match *observation {
                Observation::Exact(y) | Observation::AtLeast(y) | Observation::AtMost(y) => (y, y + 1.0),
                Observation::Between(a, b) => (a, b),
            };
            if !(a.is_finite() && b.is_finite() && a < b) {
                return Err(ErrorKind::option(
                    "observation",
                    format!("{observation:?}"),
                    "finite numbers, an interval with its lower end first",
                ));
            }
        }
        let one_way = observations.iter().all(|o| matches!(o, Observation::AtLeast(_)))
            || observations.iter().all(|o| matches!(o, Observation::AtMost(_)));
        if one_way {
            return Err(ErrorKind::NotEstimable {
                quantity: "the regression".into(),
                reason: "every observation is a bound on the same side, so the likelihood has no maximum".into(),
            }
            .into());
        }
        #[allow(clippy::cast_precision_loss)]
        let scales: Vec<f64> = (0..p)
            .map(|a| (rows.iter().map(|r| r[a] * r[a]).sum::<f64>() / n as f64).sqrt())
            .map(|s| if s > 0.0 { s } else { 1.0 })
            .collect();
        let design = Dense {
            times: observations.iter().map(|&o| o.into()).collect(),
            rows: rows.iter().flat_map(|r| r.iter().zip(&scales).map(|(x, s)| x / s)).collect(),
            p,
        };
        let start = self.start(&design)?;
        let maximum = maximise(&design, self.distribution, start, "the regression")?;
        let lambda = maximum.point.lambda;
        let q = p + 1;
        let (raw, _, _) = maximum.information.inverse();
        // β_a = b_a / (λ s_a), log σ = -log λ.
        let mut jacobian = DMatrix::zeros(q, q);
        for a in 0..p {
            jacobian[(a, a)] = 1.0 / (lambda * scales[a]);
            jacobian[(a, p)] = -maximum.point.border[a] / (lambda * lambda * scales[a]);
        }
        jacobian[(p, p)] = -1.0 / lambda;
        let raw = DMatrix::from_row_slice(q, q, &raw);
        let covariance = &jacobian * raw * jacobian.transpose();
        Ok(RegressionFit {
            coefficients: (0..p).map(|a| maximum.point.border[a] / (lambda * scales[a])).collect(),
            log_sigma: -libm::log(lambda),
            covariance: (0..q * q).map(|i| covariance[(i / q, i % q)]).collect(),
            log_likelihood: maximum.log_likelihood,
            jacobian: observations.iter().map(|o| if let Observation::Exact(y) = o { *y } else { 0.0 }).sum(),
            iterations: maximum.iterations,
        })
    }

    fn start(self, design: &Dense) -> Result<Point> {
        let (n, p) = (design.times.len(), design.p);
        let x = DMatrix::from_row_slice(n, p, &design.rows);
        let y = nalgebra::DVector::from_iterator(n, design.times.iter().map(|t| t.middle()));
        let dependent = || -> crate::Error {
            ErrorKind::NotEstimable {
                quantity: "the regression".into(),
                reason: "its covariates are linearly dependent, or there are fewer rows than covariates".into(),
            }
            .into()
        };
        if n < p {
            return Err(dependent());
        }
        let qr = x.clone().qr();
        let r = qr.r();
        if (0..p).any(|a| r[(a, a)].abs() <= 1e-12 * r.column(a).norm()) {
            return Err(dependent());
        }
        let b = r.solve_upper_triangular(&(qr.q().transpose() * &y)).ok_or_else(dependent)?;
        let residual = (&y - &x * &b).norm();
        // The mean of W stays in the residuals; Newton moves it out in its first steps.
        let (_, sd) = self.distribution.moments();
        #[allow(clippy::cast_precision_loss)]
        let sigma = (residual / (n as f64).sqrt() / sd).max(1e-3);
        Ok(Point { diagonal: Vec::new(), border: b.iter().map(|v| v / sigma).collect(), lambda: 1.0 / sigma })
    }
}

impl RegressionFit {
    /// Coefficients, in the order of the covariates.
    #[must_use]
    pub fn coefficients(&self) -> &[f64] {
        &self.coefficients
    }
    /// Standard errors of the coefficients (observed information).
    #[must_use]
    pub fn standard_errors(&self) -> Vec<f64> {
        let q = self.coefficients.len() + 1;
        (0..q - 1).map(|a| self.covariance[a * q + a].sqrt()).collect()
    }
    /// Log of the scale σ.
    #[must_use]
    pub fn log_sigma(&self) -> f64 {
        self.log_sigma
    }
    /// Standard error of log σ.
    #[must_use]
    pub fn log_sigma_standard_error(&self) -> f64 {
        self.covariance.last().copied().unwrap_or(0.0).sqrt()
    }
    /// Row `i` of the covariance of (coefficients, log σ); empty beyond the last.
    #[must_use]
    pub fn covariance_row(&self, i: usize) -> &[f64] {
        let q = self.coefficients.len() + 1;
        self.covariance.get(i * q..(i + 1) * q).unwrap_or(&[])
    }
    /// Maximised log-likelihood on the time scale: exact responses are log times, and their density
    /// is that of the time.
    #[must_use]
    pub fn log_likelihood(&self) -> f64 {
        self.log_likelihood
    }
    /// Maximised log-likelihood of the responses as given, without the change to times.
    #[must_use]
    pub fn log_likelihood_of_responses(&self) -> f64 {
        self.log_likelihood + self.jacobian
    }
    /// Newton steps.
    #[must_use]
    pub fn iterations(&self) -> u32 {
        self.iterations
    }
}
