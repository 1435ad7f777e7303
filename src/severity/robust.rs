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

use nalgebra::{DMatrix, DVector};
use rand::rngs::ChaCha8Rng;
use rand::{Rng, SeedableRng};
use serde::{Deserialize, Serialize};

use crate::campaign::Campaign;
use crate::error::{ErrorKind, Result};

use super::cells::Crossed;
use super::distribution::Distribution;
use super::least_squares::{block_means, two_way};
use super::newton::LogTime;
use super::plan::Severity;
use super::prepare::Prepared;
use super::rows::{MaterialDurability, SurfaceFactor};
use super::scale::{Scale, SmallSample, no_scatter, structured};
use super::student_t::StudentT;

/// 1/Φ⁻¹(3/4).
const MAD_TO_SIGMA: f64 = 1.482_602_218_505_602;
/// Bisquare constant of the S-estimate with breakdown point 1/2.
const S_TUNING: f64 = 1.547_64;
const MAX_ITERATIONS: u32 = 2000;
/// Largest change of a residual, in scales, at which an iteration has converged.
const TOLERANCE: f64 = 1e-12;
/// Candidates of fast-S that are followed to their end.
const FOLLOWED: usize = 5;

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

fn dependent() -> crate::Error {
    ErrorKind::NotEstimable {
        quantity: "the robust fit".into(),
        reason: "its covariates are linearly dependent, or a material or surface has lost all its weight".into(),
    }
    .into()
}

/// A linear model that can be solved with weights.
trait Linear {
    fn n(&self) -> usize;
    fn p(&self) -> usize;
    fn solve(&self, weights: &[f64]) -> Option<Vec<f64>>;
    fn residuals(&self, coefficients: &[f64]) -> Vec<f64>;
    /// A random set of rows that just determines the coefficients.
    fn subset(&self, rng: &mut ChaCha8Rng) -> Vec<f64>;
}

struct Dense {
    x: DMatrix<f64>,
    y: DVector<f64>,
}

/// A uniform index below `n` from raw bits, so that values do not change with the version of a
/// library's range algorithm; the bias of the multiplication is below 2⁻³² for any real table.
fn index(rng: &mut ChaCha8Rng, n: usize) -> usize {
    let wide = (u128::from(rng.next_u64()) * n as u128) >> 64;
    usize::try_from(wide).unwrap_or(0)
}

fn shuffled(rng: &mut ChaCha8Rng, n: usize) -> Vec<usize> {
    let mut order: Vec<usize> = (0..n).collect();
    for i in (1..n).rev() {
        order.swap(i, index(rng, i + 1));
    }
    order
}

impl Linear for Dense {
    fn n(&self) -> usize {
        self.y.len()
    }
    fn p(&self) -> usize {
        self.x.ncols()
    }
    fn solve(&self, weights: &[f64]) -> Option<Vec<f64>> {
        let root: Vec<f64> = weights.iter().map(|w| w.sqrt()).collect();
        let x = DMatrix::from_fn(self.n(), self.p(), |i, j| root[i] * self.x[(i, j)]);
        let y = DVector::from_fn(self.n(), |i, _| root[i] * self.y[i]);
        let qr = x.qr();
        let r = qr.r();
        if (0..self.p()).any(|a| r[(a, a)].abs() <= 1e-12 * r.column(a).norm()) {
            return None;
        }
        r.solve_upper_triangular(&(qr.q().transpose() * y)).map(|b| b.iter().copied().collect())
    }
    fn residuals(&self, coefficients: &[f64]) -> Vec<f64> {
        let fitted = &self.x * DVector::from_column_slice(coefficients);
        self.y.iter().zip(fitted.iter()).map(|(y, f)| y - f).collect()
    }
    fn subset(&self, rng: &mut ChaCha8Rng) -> Vec<f64> {
        // Rows are taken in random order; one that adds nothing to the rank is passed over.
        let (n, p) = (self.n(), self.p());
        let mut basis: Vec<DVector<f64>> = Vec::with_capacity(p);
        let mut weights = vec![0.0; n];
        for i in shuffled(rng, n) {
            let mut row = self.x.row(i).transpose();
            let norm = row.norm();
            for b in &basis {
                let along = b.dot(&row);
                row -= b * along;
            }
            if row.norm() > 1e-7 * norm {
                basis.push(row.normalize());
                weights[i] = 1.0;
                if basis.len() == p {
                    break;
                }
            }
        }
        weights
    }
}

/// Root of a node's tree, shortening the way to it.
fn root(parent: &mut [usize], mut node: usize) -> usize {
    while parent[node] != node {
        parent[node] = parent[parent[node]];
        node = parent[node];
    }
    node
}

/// Materials and surfaces: coefficients are the group locations, then log k.
struct TwoWayLinear<'a> {
    y: Vec<f64>,
    design: &'a Crossed,
}

impl Linear for TwoWayLinear<'_> {
    fn n(&self) -> usize {
        self.y.len()
    }
    fn p(&self) -> usize {
        self.design.groups + self.design.columns
    }
    fn solve(&self, weights: &[f64]) -> Option<Vec<f64>> {
        let base = self.design.weights.as_deref();
        let weights = weights.iter().enumerate().map(|(i, w)| w * base.map_or(1.0, |b| b[i])).collect();
        // The blocks are few and the times are copied; the solve itself is linear in both.
        let design = Crossed { weights: Some(weights), ..self.design.clone() };
        let fit = two_way(&design, &block_means(&design)).ok()?;
        Some(fit.groups.into_iter().chain(fit.columns).collect())
    }
    fn residuals(&self, coefficients: &[f64]) -> Vec<f64> {
        let (groups, columns) = coefficients.split_at(self.design.groups);
        let mut residuals = Vec::with_capacity(self.y.len());
        for block in &self.design.blocks {
            let fitted = groups[block.group] - block.column.map_or(0.0, |c| columns[c]);
            residuals.extend(self.y[block.start..block.end].iter().map(|y| y - fitted));
        }
        residuals
    }
    fn subset(&self, rng: &mut ChaCha8Rng) -> Vec<f64> {
        let (m, q) = (self.design.groups, self.design.columns);
        // The reference surface is node m + q.
        let mut block_of = Vec::with_capacity(self.y.len());
        for (b, block) in self.design.blocks.iter().enumerate() {
            block_of.resize(block.end, b);
        }
        let mut parent: Vec<usize> = (0..=m + q).collect();
        let mut weights = vec![0.0; self.y.len()];
        let mut left = m + q;
        for i in shuffled(rng, self.y.len()) {
            let block = &self.design.blocks[block_of[i]];
            let a = root(&mut parent, block.group);
            let b = root(&mut parent, m + block.column.unwrap_or(q));
            if a != b {
                parent[a] = b;
                weights[i] = 1.0;
                left -= 1;
                if left == 0 {
                    break;
                }
            }
        }
        weights
    }
}

#[derive(Debug, Clone, Copy)]
enum Psi {
    Huber(f64),
    Bisquare(f64),
}

impl Psi {
    /// ψ(z)/z.
    fn weight(self, z: f64) -> f64 {
        match self {
            Self::Huber(k) => (k / z.abs()).min(1.0),
            Self::Bisquare(c) => {
                let u = 1.0 - (z / c) * (z / c);
                if u > 0.0 { u * u } else { 0.0 }
            }
        }
    }
    /// ψ′(z).
    fn slope(self, z: f64) -> f64 {
        match self {
            Self::Huber(k) => f64::from(u8::from(z.abs() <= k)),
            Self::Bisquare(c) => {
                let t = (z / c) * (z / c);
                if t < 1.0 { (1.0 - t) * (1.0 - 5.0 * t) } else { 0.0 }
            }
        }
    }
}

/// Bisquare ρ scaled to 1 in the far tails.
fn rho(z: f64, c: f64) -> f64 {
    let u = 1.0 - (z / c) * (z / c);
    if u > 0.0 { 1.0 - u * u * u } else { 1.0 }
}

struct MFit {
    coefficients: Vec<f64>,
    residuals: Vec<f64>,
    weights: Vec<f64>,
    scale: f64,
    /// Factor on √diag (XᵀX)⁻¹.
    standard_deviation: f64,
    df: f64,
    iterations: u32,
}

fn median_absolute(residuals: &[f64]) -> f64 {
    let mut sizes: Vec<f64> = residuals.iter().map(|r| r.abs()).collect();
    sizes.sort_by(f64::total_cmp);
    let n = sizes.len();
    if n % 2 == 1 { sizes[n / 2] } else { 0.5 * (sizes[n / 2 - 1] + sizes[n / 2]) }
}

/// Reweighted least squares with the scale renewed in every step, or fixed.
#[allow(clippy::cast_precision_loss)]
fn iterate<L: Linear>(linear: &L, psi: Psi, fixed: Option<f64>, start: Vec<f64>) -> Result<MFit> {
    let (n, p) = (linear.n() as f64, linear.p() as f64);
    if n <= p {
        return Err(ErrorKind::ScatterNotEstimable {
            reason: format!("{n} trials determine {p} levels and leave nothing over"),
        }
        .into());
    }
    let mut coefficients = start;
    let mut residuals = linear.residuals(&coefficients);
    let size = residuals.iter().fold(0.0_f64, |a, r| a.max(r.abs()));
    let mut change = f64::INFINITY;
    for iteration in 1..=MAX_ITERATIONS {
        let scale = fixed.unwrap_or_else(|| MAD_TO_SIGMA * median_absolute(&residuals));
        if scale <= 1e-13 * size.max(f64::MIN_POSITIVE) {
            return Err(no_scatter());
        }
        let weights: Vec<f64> = residuals.iter().map(|r| psi.weight(r / scale)).collect();
        coefficients = linear.solve(&weights).ok_or_else(dependent)?;
        let next = linear.residuals(&coefficients);
        change = next.iter().zip(&residuals).fold(0.0_f64, |a, (x, y)| a.max((x - y).abs())) / scale;
        residuals = next;
        if change <= TOLERANCE {
            let scale = fixed.unwrap_or_else(|| MAD_TO_SIGMA * median_absolute(&residuals));
            let weights: Vec<f64> = residuals.iter().map(|r| psi.weight(r / scale)).collect();
            let slopes: Vec<f64> = residuals.iter().map(|r| psi.slope(r / scale)).collect();
            let mean = slopes.iter().sum::<f64>() / n;
            let variance = slopes.iter().map(|s| (s - mean) * (s - mean)).sum::<f64>() / (n - 1.0);
            let sum: f64 = residuals.iter().zip(&weights).map(|(r, w)| (r * w) * (r * w)).sum();
            let kappa = 1.0 + p * variance / (n * mean * mean);
            let standard_deviation = (sum / (n - p)).sqrt() * kappa / mean;
            if !(standard_deviation.is_finite() && standard_deviation > 0.0) {
                return Err(dependent());
            }
            return Ok(MFit {
                coefficients,
                residuals,
                weights,
                scale,
                standard_deviation,
                df: n - p,
                iterations: iteration,
            });
        }
    }
    Err(ErrorKind::NotConverged { stage: "the robust fit".into(), iterations: MAX_ITERATIONS, gradient_norm: change }
        .into())
}

/// Scale s with `Σ ρ(r/s) = (n − p)/2`, from a first guess.
fn m_scale(residuals: &[f64], free: f64, guess: f64, steps: u32) -> f64 {
    let mut s = guess;
    for _ in 0..steps {
        let sum: f64 = residuals.iter().map(|r| rho(r / s, S_TUNING)).sum();
        let next = s * (sum / (0.5 * free)).sqrt();
        let change = (next / s - 1.0).abs();
        s = next;
        if change < 1e-13 || s <= 0.0 || !s.is_finite() {
            break;
        }
    }
    s
}

/// Fast-S (Salibián-Barrera & Yohai 2006): coefficients and scale.
#[allow(clippy::cast_precision_loss)]
fn s_estimate<L: Linear>(linear: &L, start: Vec<f64>, subsamples: u32, seed: u64) -> Result<(Vec<f64>, f64)> {
    let n = linear.n();
    if n <= linear.p() {
        return Err(no_scatter());
    }
    let free = (n - linear.p()) as f64;
    let improve = |coefficients: &[f64], guess: Option<f64>, scale_steps: u32| -> Option<(Vec<f64>, f64, f64)> {
        let residuals = linear.residuals(coefficients);
        let s =
            m_scale(&residuals, free, guess.unwrap_or_else(|| MAD_TO_SIGMA * median_absolute(&residuals)), scale_steps);
        if s.is_nan() || s <= 0.0 {
            return None;
        }
        let weights: Vec<f64> = residuals.iter().map(|r| Psi::Bisquare(S_TUNING).weight(r / s)).collect();
        let next = linear.solve(&weights)?;
        let moved = linear.residuals(&next).iter().zip(&residuals).fold(0.0_f64, |a, (x, y)| a.max((x - y).abs()));
        Some((next, s, moved / s))
    };
    // Least absolute deviations, by reweighting: a start that uses all trials.
    let mut pool: Vec<Vec<f64>> = Vec::new();
    let mut lad = start;
    for _ in 0..50 {
        let residuals = linear.residuals(&lad);
        let floor = 1e-6 * median_absolute(&residuals).max(f64::MIN_POSITIVE);
        let weights: Vec<f64> = residuals.iter().map(|r| 1.0 / r.abs().max(floor)).collect();
        match linear.solve(&weights) {
            Some(next) => lad = next,
            None => break,
        }
    }
    pool.push(lad);
    for r in 0..subsamples {
        // Subsample r never depends on how many others are drawn.
        let mut rng = ChaCha8Rng::seed_from_u64(seed);
        rng.set_stream(u64::from(r));
        if let Some(first) = linear.solve(&linear.subset(&mut rng)) {
            pool.push(first);
        }
    }
    let mut best: Vec<(f64, Vec<f64>)> = Vec::new();
    for mut coefficients in pool {
        let mut guess = None;
        for _ in 0..2 {
            let Some((next, s, _)) = improve(&coefficients, guess, 1) else { break };
            coefficients = next;
            guess = Some(s);
        }
        let residuals = linear.residuals(&coefficients);
        // A candidate whose scale cannot beat the worst kept one is not worth solving for.
        if best.len() == FOLLOWED {
            let worst = best[FOLLOWED - 1].0;
            let sum: f64 = residuals.iter().map(|r| rho(r / worst, S_TUNING)).sum();
            if sum >= 0.5 * free {
                continue;
            }
        }
        let s = m_scale(&residuals, free, MAD_TO_SIGMA * median_absolute(&residuals), 200);
        if s.is_finite() && s > 0.0 {
            best.push((s, coefficients));
            best.sort_by(|a, b| a.0.total_cmp(&b.0));
            best.truncate(FOLLOWED);
        }
    }
    let mut winner: Option<(f64, Vec<f64>)> = None;
    for (_, mut coefficients) in best {
        let mut guess = None;
        for _ in 0..500 {
            let Some((next, s, moved)) = improve(&coefficients, guess, 200) else { break };
            coefficients = next;
            guess = Some(s);
            if moved <= 1e-11 {
                break;
            }
        }
        let residuals = linear.residuals(&coefficients);
        let s = m_scale(&residuals, free, guess.unwrap_or_else(|| MAD_TO_SIGMA * median_absolute(&residuals)), 1000);
        if s.is_finite() && s > 0.0 && winner.as_ref().is_none_or(|w| s < w.0) {
            winner = Some((s, coefficients));
        }
    }
    winner.map(|(s, coefficients)| (coefficients, s)).ok_or_else(no_scatter)
}
