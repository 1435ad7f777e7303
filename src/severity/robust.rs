//! Severity scales that single gross errors cannot pull: Huber's and Tukey's M-estimators, MM, and
//! Student-t errors.
//!
//! | | |
//! |---|---|
//! | in  | a campaign, a [`Severity`] plan and a method: [`Robust`] |
//! | out | a [`RobustFit`]: the factors as in the classical fit, and the weight that each trial was given |
//!
//! # Methods
//! | method | each trial's weight | censored trials | source |
//! |---|---|---|---|
//! | Huber | 1 up to 1.345 scales, then falling as 1/distance | refused | Huber 1964, 1981 |
//! | bisquare | `(1 − (z/4.685)²)²`, 0 beyond | refused | Beaton & Tukey 1974 |
//! | MM | as bisquare, about the scale of an S-estimate that half of the trials cannot spoil | refused | Yohai 1987 |
//! | Student t | `(ν + 1)/(ν + z²)` | in the likelihood | Lange, Little & Taylor 1989 |
//!
//! Huber and bisquare take `scale = 1.4826 · median |residual|`, renewed in every step. The
//! S-estimate is found by fast-S (Salibián-Barrera & Yohai 2006): random sets of trials just large
//! enough to determine the scale, two improvement steps each, the best five followed to their end.
//! A set of trials determines a scale if it is a spanning tree of the material–surface graph, so
//! none is drawn in vain. The fit of least absolute deviations joins the candidates.
//!
//! # Standard errors
//! M and MM: `κ/ψ̄′ · √(Σψ²s²/(n − p)) · √diag (XᵀX)⁻¹`, `κ = 1 + p/n · var(ψ′)/ψ̄′²` (Huber 1981,
//! section 7.6), t quantiles with n − p degrees of freedom. Student t: observed information, normal
//! quantiles. Bias, spread, efficiency and coverage over simulated campaigns are tabled in [`screening`](crate::screening),
//! "Robust estimators".
//!
//! # When it refuses
//! M and MM with censored trials; weights that leave a material or surface without any trial; no
//! scatter; an iteration that does not converge.

use super::distribution::Distribution;
use super::least_squares::block_means;
use super::m_estimation::{Dense, Linear, MFit, Psi, TwoWayLinear, iterate, s_estimate};
use super::newton::LogTime;
use super::plan::Severity;
use super::prepare::Prepared;
use super::rows::{MaterialDurability, SurfaceFactor};
use super::scale::{Scale, SmallSample, structured};
use super::student_t::StudentT;
use crate::campaign::Campaign;
use crate::error::{ErrorKind, Result};
use nalgebra::{DMatrix, DVector};
use serde::{Deserialize, Serialize};

/// 1/Φ⁻¹(3/4).
pub(super) const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;
/// Bisquare constant of the S-estimate with breakdown point 1/2.
pub(super) const S_TUNING: f64 = 1.547_64;
pub(super) const MAX_ITERATIONS: u32 = 2000;
/// Largest change of a residual, in scales, at which an iteration has converged.
pub(super) const TOLERANCE: f64 = 1e-12;
/// Candidates of fast-S that are followed to their end.
pub(super) const FOLLOWED: usize = 5;

/// What pulls less.
///
/// ```
/// use surface_severity::severity::{Robust, RobustMethod};
/// assert_eq!(Robust::huber().method(), RobustMethod::Huber { tuning: 1.345 });
/// assert!(matches!(Robust::student_t(4.0).method(), RobustMethod::StudentT { degrees_of_freedom: Some(4.0) }));
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
#[non_exhaustive]
pub enum RobustMethod {
    /// Huber's M-estimator.
    Huber {
        /// Scales within which a trial has full weight; 1.345 keeps 95 % efficiency.
        tuning: f64,
    },
    /// Tukey's bisquare M-estimator, started at Huber's.
    Bisquare {
        /// Scales beyond which a trial has no weight; 4.685 keeps 95 % efficiency.
        tuning: f64,
    },
    /// MM-estimator: bisquare about the scale of an S-estimate.
    Mm {
        /// As for the bisquare.
        tuning: f64,
        /// Random starts of the S-estimate.
        subsamples: u32,
        /// Seed of the random starts.
        seed: u64,
    },
    /// Student-t errors, censored trials included.
    StudentT {
        /// Degrees of freedom; estimated where absent.
        degrees_of_freedom: Option<f64>,
    },
}

/// A robust method with its constants: plain data, checked when fitted.
///
/// ```
/// // The belt halves the time of cowhide; one stop wire on asphalt broke late: 35 s.
/// # use surface_severity::campaign::{Campaign, Trial};
/// # let times = [("asphalt", [8.0, 8.4, 9.0, 9.6, 35.0]), ("belt", [4.0, 4.2, 4.5, 4.8, 4.4])];
/// # let trials = times.iter().flat_map(|(surface, times)| times.iter().map(move |t| {
/// #     Trial::perforated(format!("{surface} {t}"), *surface, "cowhide", *t)
/// # }));
/// # let campaign = Campaign::from_trials(trials)?;
/// use surface_severity::severity::{Robust, Severity};
/// let plan = Severity::new("asphalt");
/// let classical = plan.fit(&campaign)?.factor("belt")?.estimate();
/// let robust = Robust::bisquare().fit(&plan, &campaign)?.factors()[1].factor.value().unwrap();
/// assert!(classical > 2.5, "pulled by a single trial");
/// assert!((robust / 2.0 - 1.0).abs() < 0.05);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Robust {
    method: RobustMethod,
}

impl Robust {
    /// Huber's M-estimator, tuning 1.345.
    ///
    /// ```
    /// // The belt halves the time of cowhide; one stop wire on asphalt broke late: 35 s.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let times = [("asphalt", [8.0, 8.4, 9.0, 9.6, 35.0]), ("belt", [4.0, 4.2, 4.5, 4.8, 4.4])];
    /// # let trials = times.iter().flat_map(|(surface, times)| times.iter().map(move |t| {
    /// #     Trial::perforated(format!("{surface} {t}"), *surface, "cowhide", *t)
    /// # }));
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::severity::{Robust, Severity};
    /// let fit = Robust::huber().fit(&Severity::new("asphalt"), &campaign)?;
    /// // Held back, not left out.
    /// let weight = fit.weight("asphalt 35").unwrap().weight;
    /// assert!(0.0 < weight && weight < 0.5);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn huber() -> Self {
        Self { method: RobustMethod::Huber { tuning: 1.345 } }
    }
    /// Tukey's bisquare M-estimator, tuning 4.685.
    ///
    /// ```
    /// // The belt halves the time of cowhide; one stop wire on asphalt broke late: 35 s.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let times = [("asphalt", [8.0, 8.4, 9.0, 9.6, 35.0]), ("belt", [4.0, 4.2, 4.5, 4.8, 4.4])];
    /// # let trials = times.iter().flat_map(|(surface, times)| times.iter().map(move |t| {
    /// #     Trial::perforated(format!("{surface} {t}"), *surface, "cowhide", *t)
    /// # }));
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::severity::{Robust, Severity};
    /// let fit = Robust::bisquare().fit(&Severity::new("asphalt"), &campaign)?;
    /// assert_eq!(fit.weight("asphalt 35").unwrap().weight, 0.0, "left out altogether");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn bisquare() -> Self {
        Self { method: RobustMethod::Bisquare { tuning: 4.685 } }
    }
    /// MM-estimator, tuning 4.685061, 500 random starts from seed 1.
    ///
    /// ```
    /// // The belt halves the time of cowhide; one stop wire on asphalt broke late: 35 s.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let times = [("asphalt", [8.0, 8.4, 9.0, 9.6, 35.0]), ("belt", [4.0, 4.2, 4.5, 4.8, 4.4])];
    /// # let trials = times.iter().flat_map(|(surface, times)| times.iter().map(move |t| {
    /// #     Trial::perforated(format!("{surface} {t}"), *surface, "cowhide", *t)
    /// # }));
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::severity::{Robust, Severity};
    /// let fit = Robust::mm().subsamples(50).fit(&Severity::new("asphalt"), &campaign)?;
    /// assert!((fit.factors()[1].factor.value().unwrap() / 2.0 - 1.0).abs() < 0.05);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn mm() -> Self {
        Self { method: RobustMethod::Mm { tuning: 4.685_061, subsamples: 500, seed: 1 } }
    }
    /// Student-t errors with these degrees of freedom; 4 is a customary choice.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::severity::Robust;
    /// // Run-outs and contact openings stay in the likelihood; a specimen clamped over a seam is held back.
    /// let fit = Robust::student_t(4.0).fit(&plan, &campaign)?;
    /// assert!(fit.weight("R-0077").unwrap().weight < 0.5);
    /// assert_eq!(fit.error_degrees_of_freedom(), Some(4.0));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn student_t(degrees_of_freedom: f64) -> Self {
        Self { method: RobustMethod::StudentT { degrees_of_freedom: Some(degrees_of_freedom) } }
    }
    /// Student-t errors with estimated degrees of freedom, from 1 to 200.
    ///
    /// ```
    /// // The belt halves the time of cowhide; one stop wire on asphalt broke late: 35 s.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let times = [("asphalt", [8.0, 8.4, 9.0, 9.6, 35.0]), ("belt", [4.0, 4.2, 4.5, 4.8, 4.4])];
    /// # let trials = times.iter().flat_map(|(surface, times)| times.iter().map(move |t| {
    /// #     Trial::perforated(format!("{surface} {t}"), *surface, "cowhide", *t)
    /// # }));
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::severity::{Robust, Severity};
    /// let fit = Robust::student_t_estimated().fit(&Severity::new("asphalt"), &campaign)?;
    /// // One trial in ten far off: tails much heavier than the normal.
    /// assert!(fit.error_degrees_of_freedom().unwrap() < 5.0);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn student_t_estimated() -> Self {
        Self { method: RobustMethod::StudentT { degrees_of_freedom: None } }
    }
    /// Sets the tuning constant of an M or MM method; no effect on Student t.
    #[must_use]
    pub fn tuning(mut self, value: f64) -> Self {
        match &mut self.method {
            RobustMethod::Huber { tuning } | RobustMethod::Bisquare { tuning } | RobustMethod::Mm { tuning, .. } => {
                *tuning = value;
            }
            RobustMethod::StudentT { .. } => {}
        }
        self
    }
    /// Sets the number of random starts of MM; no effect on the others.
    #[must_use]
    pub fn subsamples(mut self, number: u32) -> Self {
        if let RobustMethod::Mm { subsamples, .. } = &mut self.method {
            *subsamples = number;
        }
        self
    }
    /// Sets the seed of MM; no effect on the others, which draw nothing.
    #[must_use]
    pub fn seed(mut self, value: u64) -> Self {
        if let RobustMethod::Mm { seed, .. } = &mut self.method {
            *seed = value;
        }
        self
    }
    /// The method with its constants.
    #[must_use]
    pub fn method(&self) -> RobustMethod {
        self.method
    }

    pub(crate) fn check(&self) -> Result<()> {
        let positive = |name: &str, value: f64| {
            if value > 0.0 && value.is_finite() {
                Ok(())
            } else {
                Err(ErrorKind::option(name, value, "a positive number"))
            }
        };
        match self.method {
            RobustMethod::Huber { tuning } | RobustMethod::Bisquare { tuning } => positive("tuning", tuning),
            RobustMethod::Mm { tuning, subsamples, .. } => {
                positive("tuning", tuning)?;
                positive("subsamples", f64::from(subsamples))
            }
            RobustMethod::StudentT { degrees_of_freedom: Some(df) } => {
                positive("degrees_of_freedom", df)?;
                if df < 1.0 {
                    return Err(ErrorKind::option("degrees_of_freedom", df, "1 or more"));
                }
                Ok(())
            }
            RobustMethod::StudentT { degrees_of_freedom: None } => Ok(()),
        }
    }

    /// Fits `plan` to `campaign` by this method. The distribution of the plan does not matter: M and
    /// MM assume only symmetry of log times about their cell, Student t its own.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::{ErrorKind, severity::Robust};
    /// // M-estimators know no censored trials; Student t does.
    /// let error = Robust::huber().fit(&plan, &campaign).unwrap_err();
    /// assert!(matches!(error.kind(), ErrorKind::NotEstimable { .. }));
    /// assert_eq!(Robust::student_t(4.0).fit(&plan, &campaign)?.factors().len(), 7);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of [`Severity::fit`]; [`ErrorKind::NotEstimable`] for M and MM where trials are
    /// censored, or where a material or surface has lost all its weight.
    pub fn fit(&self, plan: &Severity, campaign: &Campaign) -> Result<RobustFit> {
        self.check()?;
        let plan = plan.clone().distribution(Distribution::LogNormal);
        let mut prepared = Prepared::new(&plan, campaign)?;
        // Where two solutions are equally good rounding decides between them: all is computed in the order of trial ids, so that
        // what materials and surfaces are called does not.
        let mut cells = prepared.cells.clone();
        let mut rank = vec![0; campaign.len()];
        for (r, &i) in campaign.canonical_order().iter().enumerate() {
            rank[i as usize] = r;
        }
        cells.cells.sort_by_key(|cell| rank[prepared.cells.trial[cell.start]]);
        prepared.numbering = prepared.numbering.as_met(&cells.cells);
        let (design, rows) = prepared.numbering.crossed(&cells);
        let n = design.times.len();
        let (scale, weights, residuals, df) = if let RobustMethod::StudentT { degrees_of_freedom } = self.method {
            let fit = StudentT::fit(&design, degrees_of_freedom)?;
            (fit.scale, fit.weights, fit.residuals, Some(fit.degrees_of_freedom))
        } else {
            let censored = design.times.iter().filter(|t| !matches!(t, LogTime::Exact(_))).count();
            if censored > 0 {
                return Err(ErrorKind::NotEstimable {
                    quantity: format!("a robust scale by {self}"),
                    reason: format!(
                        "{censored} of {n} trials are censored, and this method needs exact times; Student-t errors \
                         take them"
                    ),
                }
                .into());
            }
            let two_way = TwoWayLinear { y: design.times.iter().map(|t| t.middle()).collect(), design: &design };
            let m = self.linear(&two_way)?;
            let (corner, own, loadings) = {
                let unit = super::least_squares::two_way(&design, &block_means(&design))?;
                structured(&unit.normal, design.groups, design.columns, m.standard_deviation.powi(2), m.df)
            };
            let scale = Scale {
                location: m.coefficients[..design.groups].to_vec(),
                log_k: m.coefficients[design.groups..].to_vec(),
                sigma: m.scale,
                corner,
                own,
                loadings,
                degrees_of_freedom: Some(m.df),
                small_sample: SmallSample { factor: 1.0, degrees_of_freedom: m.df },
                log_likelihood: 0.0,
                iterations: m.iterations,
                decrement: 0.0,
            };
            let residuals = m.residuals.iter().map(|r| r / m.scale).collect();
            (scale, m.weights, residuals, None)
        };
        let iterations = scale.iterations;
        let log_scatter = scale.sigma;
        let fit = prepared.independent(&plan, campaign, &design, scale)?;
        let mut trials: Vec<TrialWeight> = rows
            .iter()
            .zip(weights.iter().zip(residuals))
            .map(|(&row, (&weight, residual))| TrialWeight {
                trial_id: campaign.trials()[prepared.cells.trial[row]].trial_id.clone(),
                weight,
                residual,
            })
            .collect();
        trials.sort_by(|a, b| a.trial_id.cmp(&b.trial_id));
        Ok(RobustFit {
            robust: *self,
            campaign_digest: fit.campaign_digest().into(),
            factors: fit.factors().to_vec(),
            materials: fit.materials().to_vec(),
            log_scatter,
            degrees_of_freedom: df,
            trials,
            iterations,
        })
    }

    /// Robust regression of `response` on `rows` of covariates (include a column of ones for an
    /// intercept): the same engine without the structure of a campaign.
    ///
    /// ```
    /// use surface_severity::severity::Robust;
    /// // y = 2 + 3x within 0.1, and one reading of 30 written down in the wrong row.
    /// let y = [2.1, 4.9, 8.1, 10.9, 14.1, 30.0, 20.1, 22.9];
    /// let rows: Vec<_> = (0..8).map(|x| vec![1.0, f64::from(x)]).collect();
    /// let fit = Robust::bisquare().regression(&y, &rows)?;
    /// assert!((fit.coefficients()[1] - 3.0).abs() < 0.1);
    /// assert_eq!(fit.weights()[5], 0.0);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for lengths that disagree, numbers that are not finite, or
    /// Student t, which is fitted to campaigns only; [`ErrorKind::NotEstimable`] for dependent
    /// covariates or a fit without scatter; [`ErrorKind::NotConverged`].
    pub fn regression(&self, response: &[f64], rows: &[Vec<f64>]) -> Result<RobustRegression> {
        self.check()?;
        let (n, p) = (response.len(), rows.first().map_or(0, Vec::len));
        if rows.len() != n || rows.iter().any(|r| r.len() != p) {
            return Err(ErrorKind::option("rows", rows.len(), &format!("{n} rows of one length, one per response")));
        }
        if let Some(bad) = response.iter().chain(rows.iter().flatten()).find(|v| !v.is_finite()) {
            return Err(ErrorKind::option("value", bad, "a finite number"));
        }
        if n <= p || p == 0 {
            return Err(
                ErrorKind::TooFew { method: self.to_string(), what: "rows".into(), needed: p + 1, found: n }.into()
            );
        }
        if matches!(self.method, RobustMethod::StudentT { .. }) {
            return Err(ErrorKind::option("method", self, "Huber, bisquare or MM"));
        }
        let x = DMatrix::from_fn(n, p, |i, j| rows[i][j]);
        let dense = Dense { x, y: DVector::from_column_slice(response) };
        let m = self.linear(&dense)?;
        let cross = dense.x.transpose() * &dense.x;
        let inverse = cross.try_inverse().ok_or_else(dependent)?;
        Ok(RobustRegression {
            standard_errors: (0..p).map(|j| m.standard_deviation * inverse[(j, j)].sqrt()).collect(),
            coefficients: m.coefficients,
            scale: m.scale,
            weights: m.weights,
            iterations: m.iterations,
        })
    }

    fn linear<L: Linear>(&self, linear: &L) -> Result<MFit> {
        let n = linear.n();
        let ones = vec![1.0; n];
        let start = linear.solve(&ones).ok_or_else(dependent)?;
        let (psi, fixed, start) = match self.method {
            RobustMethod::Huber { tuning } => (Psi::Huber(tuning), None, start),
            RobustMethod::Bisquare { tuning } => {
                let huber = iterate(linear, Psi::Huber(1.345), None, start)?;
                (Psi::Bisquare(tuning), None, huber.coefficients)
            }
            RobustMethod::Mm { tuning, subsamples, seed } => {
                let (coefficients, scale) = s_estimate(linear, start, subsamples, seed)?;
                (Psi::Bisquare(tuning), Some(scale), coefficients)
            }
            RobustMethod::StudentT { .. } => return Err(ErrorKind::option("method", self, "an M or MM method")),
        };
        iterate(linear, psi, fixed, start)
    }
}

impl std::fmt::Display for Robust {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.method {
            RobustMethod::Huber { tuning } => write!(f, "Huber (tuning {tuning})"),
            RobustMethod::Bisquare { tuning } => write!(f, "bisquare (tuning {tuning})"),
            RobustMethod::Mm { tuning, subsamples, seed } => {
                write!(f, "MM (tuning {tuning}, {subsamples} starts, seed {seed})")
            }
            RobustMethod::StudentT { degrees_of_freedom: Some(df) } => write!(f, "Student t errors ({df} df)"),
            RobustMethod::StudentT { degrees_of_freedom: None } => f.write_str("Student t errors (df estimated)"),
        }
    }
}

/// Weight that a trial was given.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::severity::Robust;
/// let fit = Robust::student_t(4.0).fit(&plan, &campaign)?;
/// let lowest = fit.weights().iter().min_by(|a, b| a.weight.total_cmp(&b.weight)).unwrap();
/// // One of the three gross errors that were planted in this invented campaign.
/// assert!(["R-0030", "R-0077", "L-0068"].contains(&lowest.trial_id.as_str()));
/// assert!(lowest.residual.abs() > 3.0);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct TrialWeight {
    /// The trial.
    pub trial_id: String,
    /// Its weight: 1 at the centre for M and MM, `(ν + 1)/ν` for Student t; small for a trial that
    /// was held back.
    pub weight: f64,
    /// Its log time minus that of the fit, in robust scales; for a censored trial from its bound.
    pub residual: f64,
}

/// A robust severity scale.
///
/// ```
/// // The belt halves the time of cowhide; one stop wire on asphalt broke late: 35 s.
/// # use surface_severity::campaign::{Campaign, Trial};
/// # let times = [("asphalt", [8.0, 8.4, 9.0, 9.6, 35.0]), ("belt", [4.0, 4.2, 4.5, 4.8, 4.4])];
/// # let trials = times.iter().flat_map(|(surface, times)| times.iter().map(move |t| {
/// #     Trial::perforated(format!("{surface} {t}"), *surface, "cowhide", *t)
/// # }));
/// # let campaign = Campaign::from_trials(trials)?;
/// use surface_severity::severity::{Robust, Severity};
/// let plan = Severity::new("asphalt");
/// let fit = Robust::bisquare().fit(&plan, &campaign)?;
/// assert_eq!((fit.factors().len(), fit.materials().len(), fit.weights().len()), (2, 1, 10));
/// assert!(fit.log_scatter() < plan.fit(&campaign)?.log_scatter() / 2.0, "that of the good trials");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct RobustFit {
    robust: Robust,
    campaign_digest: String,
    factors: Vec<SurfaceFactor>,
    materials: Vec<MaterialDurability>,
    log_scatter: f64,
    degrees_of_freedom: Option<f64>,
    trials: Vec<TrialWeight>,
    iterations: u32,
}

impl RobustFit {
    /// The method.
    #[must_use]
    pub fn robust(&self) -> Robust {
        self.robust
    }
    /// Digest of the campaign.
    #[must_use]
    pub fn campaign_digest(&self) -> &str {
        &self.campaign_digest
    }
    /// One row per surface, sorted by name, as in the classical fit.
    #[must_use]
    pub fn factors(&self) -> &[SurfaceFactor] {
        &self.factors
    }
    /// One row per material, sorted by name.
    #[must_use]
    pub fn materials(&self) -> &[MaterialDurability] {
        &self.materials
    }
    /// Robust scale of log time about the fit: for M and MM it estimates the standard deviation of
    /// good trials; for Student t it is σ of `σ W` (multiply by √(ν/(ν − 2)) for a standard deviation).
    #[must_use]
    pub fn log_scatter(&self) -> f64 {
        self.log_scatter
    }
    /// Degrees of freedom ν of Student-t errors, given or estimated.
    #[must_use]
    pub fn error_degrees_of_freedom(&self) -> Option<f64> {
        self.degrees_of_freedom
    }
    /// Weight of every fitted trial, sorted by trial id.
    #[must_use]
    pub fn weights(&self) -> &[TrialWeight] {
        &self.trials
    }
    /// Weight of one trial, if it was fitted.
    #[must_use]
    pub fn weight(&self, trial_id: &str) -> Option<&TrialWeight> {
        self.trials.binary_search_by(|t| t.trial_id.as_str().cmp(trial_id)).ok().map(|i| &self.trials[i])
    }
    /// Reweighting steps.
    #[must_use]
    pub fn iterations(&self) -> u32 {
        self.iterations
    }
}

/// A robust regression.
///
/// ```
/// use surface_severity::severity::Robust;
/// let fit = Robust::huber().regression(&[1.0, 2.0, 3.0, 4.0, 5.0], &vec![vec![1.0]; 5])?;
/// assert!((fit.coefficients()[0] - 3.0).abs() < 1e-9, "symmetric about 3");
/// assert!(fit.scale() > 0.0 && fit.standard_errors()[0] > 0.0);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct RobustRegression {
    coefficients: Vec<f64>,
    standard_errors: Vec<f64>,
    scale: f64,
    weights: Vec<f64>,
    iterations: u32,
}

impl RobustRegression {
    /// Coefficients, in the order of the covariates.
    #[must_use]
    pub fn coefficients(&self) -> &[f64] {
        &self.coefficients
    }
    /// Their standard errors.
    #[must_use]
    pub fn standard_errors(&self) -> &[f64] {
        &self.standard_errors
    }
    /// Robust scale of the residuals.
    #[must_use]
    pub fn scale(&self) -> f64 {
        self.scale
    }
    /// Weight of each row.
    #[must_use]
    pub fn weights(&self) -> &[f64] {
        &self.weights
    }
    /// Reweighting steps.
    #[must_use]
    pub fn iterations(&self) -> u32 {
        self.iterations
    }
}

pub(super) fn dependent() -> crate::Error {
    ErrorKind::NotEstimable {
        quantity: "the robust fit".into(),
        reason: "its covariates are linearly dependent, or a material or surface has lost all its weight".into(),
    }
    .into()
}
