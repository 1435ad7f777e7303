//! severity.json.

use serde::{Deserialize, Serialize};

use crate::bootstrap::{Bootstrap, BootstrapInterval, SeverityBootstrap};
use crate::document::{self, CRATE_VERSION, Document, present};
use crate::error::{ErrorKind, Result};
use crate::estimate::{Estimate, IntervalMethod};
use crate::numeric::count;
use crate::numeric::stream::GENERATOR;
use crate::record;

use super::fit::{Convergence, MaterialDurability, Note, Severity, SeverityFit, SurfaceFactor};

/// Name of the last row of the covariance.
const LOG_SCATTER: &str = "log_scatter";

/// Covariance of the log factors and log σ.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// use surface_severity::severity::Severity;
/// let fit = Severity::new("dense asphalt concrete").fit(&campaign)?;
/// let covariance = fit.document(None).log_covariance;
/// let at = |name: &str| covariance.order.iter().position(|n| n == name).unwrap();
/// let (a, b) = (at("brushed concrete"), at("worn surface dressing"));
/// // Enough for the standard error of any ratio of factors.
/// let variance = covariance.rows[a][a] + covariance.rows[b][b] - 2.0 * covariance.rows[a][b];
/// let (_, se) = fit.log_factor_between("brushed concrete", "worn surface dressing")?;
/// assert!((variance.sqrt() / se - 1.0).abs() < 1e-9);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LogCovariance {
    /// What each row and column stands for: surfaces (log k), then `"log_scatter"`.
    pub order: Vec<String>,
    /// The rows; symmetric.
    pub rows: Vec<Vec<f64>>,
}

/// Bootstrap intervals in a severity document.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// use surface_severity::{IntervalMethod, bootstrap::Bootstrap, severity::Severity};
/// let plan = Severity::new("dense asphalt concrete");
/// let bootstrap = Bootstrap::rescaled(100).seed(7).severity(&plan, &campaign)?;
/// let document = bootstrap.fit().document(Some(7)).with_bootstrap(&bootstrap, IntervalMethod::Percentile)?;
/// let summary = document.bootstrap.unwrap();
/// assert_eq!((summary.rng.as_str(), summary.options.replicates()), ("chacha8/1", 100));
/// assert_eq!(summary.replicates + summary.failures.iter().map(|(_, n)| n).sum::<usize>(), 100);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct BootstrapSummary {
    /// The plan: scheme, replicates, seed.
    pub options: Bootstrap,
    /// Generator and draws: `chacha8/1`.
    pub rng: String,
    /// Successful replicates.
    pub replicates: usize,
    /// Failed ones by reason.
    pub failures: Vec<(String, usize)>,
    /// One row per surface on the scale but the reference.
    pub factors: Vec<BootstrapFactor>,
}

/// Bootstrap interval of one factor.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// use surface_severity::{IntervalMethod, bootstrap::Bootstrap, severity::Severity};
/// let plan = Severity::new("dense asphalt concrete");
/// let bootstrap = Bootstrap::rescaled(100).severity(&plan, &campaign)?;
/// let document = bootstrap.fit().document(Some(1)).with_bootstrap(&bootstrap, IntervalMethod::Percentile)?;
/// for row in document.bootstrap.unwrap().factors {
///     assert_eq!(row.factor.interval, bootstrap.factor(&row.surface, IntervalMethod::Percentile)?.interval);
/// }
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct BootstrapFactor {
    /// Surface.
    pub surface: String,
    /// Interval of its factor, with Monte Carlo errors of the log limits.
    pub factor: BootstrapInterval,
}

/// The saved form of a severity fit. A document that was edited after it was written is refused.
///
/// ```
/// use surface_severity::campaign::Campaign;
/// use surface_severity::severity::{Severity, SeverityDocument};
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let document = Severity::new("dense asphalt concrete").fit(&campaign)?.document(None);
/// let again = SeverityDocument::from_json(&document.to_json()?)?;
/// assert_eq!(again, document);
/// assert_eq!((again.campaign_digest, again.factors.len()), (campaign.digest(), 7));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct SeverityDocument {
    /// Version of the crate that wrote it.
    pub crate_version: String,
    /// SHA-256 of the canonical trial table.
    pub campaign_digest: String,
    /// The plan that was fitted.
    pub options: Severity,
    /// Seed of whatever was drawn at random; none was for the fit itself.
    #[serde(deserialize_with = "present")]
    pub seed: Option<u64>,
    /// One row per surface.
    pub factors: Vec<SurfaceFactor>,
    /// One row per material.
    pub materials: Vec<MaterialDurability>,
    /// Replicate scatter σ of log time.
    pub log_scatter: f64,
    /// Residual degrees of freedom of σ; null where intervals are asymptotic.
    #[serde(deserialize_with = "present")]
    pub degrees_of_freedom: Option<f64>,
    /// Log-likelihood on the time scale.
    pub log_likelihood: f64,
    /// Trials fitted.
    pub trials: usize,
    /// Covariance of log factors and log σ.
    pub log_covariance: LogCovariance,
    /// How the maximum was reached.
    pub convergence: Convergence,
    /// What a reader should know.
    pub notes: Vec<Note>,
    /// Bootstrap intervals, where a bootstrap was run.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub bootstrap: Option<BootstrapSummary>,
}

impl SeverityFit {
    /// The saved form of this fit; `seed` is recorded where the run drew anything at random.
    ///
    /// ```
    /// // Cowhide: 8 and 10 s on asphalt, 4 and 5 s on the belt.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let campaign = Campaign::from_trials([
    /// #     Trial::perforated("T1", "asphalt", "cowhide", 8.0),
    /// #     Trial::perforated("T2", "asphalt", "cowhide", 10.0),
    /// #     Trial::perforated("T3", "belt", "cowhide", 4.0),
    /// #     Trial::perforated("T4", "belt", "cowhide", 5.0),
    /// # ])?;
    /// use surface_severity::severity::Severity;
    /// let document = Severity::new("asphalt").fit(&campaign)?.document(Some(1));
    /// assert!(document.to_json()?.contains("\"schema\": \"surface-severity/severity/1\""));
    /// assert_eq!((document.seed, document.trials), (Some(1), 4));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn document(&self, seed: Option<u64>) -> SeverityDocument {
        let scale = self.scale();
        let mut order = self.column_names();
        order.push(LOG_SCATTER.into());
        SeverityDocument {
            crate_version: CRATE_VERSION.into(),
            campaign_digest: self.campaign_digest().into(),
            options: self.plan().clone(),
            seed,
            factors: self.factors().to_vec(),
            materials: self.materials().to_vec(),
            log_scatter: self.log_scatter(),
            degrees_of_freedom: self.degrees_of_freedom(),
            log_likelihood: self.log_likelihood(),
            trials: self.trials(),
            log_covariance: LogCovariance {
                order,
                rows: scale.corner.chunks(scale.q()).map(<[f64]>::to_vec).collect(),
            },
            convergence: self.convergence(),
            notes: self.notes().to_vec(),
            bootstrap: None,
        }
    }
}

impl SeverityDocument {
    /// Reads and validates severity.json.
    ///
    /// ```
    /// // Cowhide: 8 and 10 s on asphalt, 4 and 5 s on the belt.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let campaign = Campaign::from_trials([
    /// #     Trial::perforated("T1", "asphalt", "cowhide", 8.0),
    /// #     Trial::perforated("T2", "asphalt", "cowhide", 10.0),
    /// #     Trial::perforated("T3", "belt", "cowhide", 4.0),
    /// #     Trial::perforated("T4", "belt", "cowhide", 5.0),
    /// # ])?;
    /// use surface_severity::{ErrorKind, severity::{Severity, SeverityDocument}};
    /// let json = Severity::new("asphalt").fit(&campaign)?.document(None).to_json()?;
    /// assert_eq!(SeverityDocument::from_json(&json)?.trials, 4);
    /// // A file edited by hand is refused.
    /// let edited = json.replace("\"trials\": 4", "\"trials\": 5");
    /// let error = SeverityDocument::from_json(&edited).unwrap_err();
    /// assert!(matches!(error.kind(), ErrorKind::Document { reason, .. } if reason.contains("edited after it was written")));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Document`]: not JSON, another schema, edited after it was written, numbers without meaning (limits out
    /// of order, a covariance that is none).
    pub fn from_json(text: &str) -> Result<Self> {
        document::from_json(text)
    }

    /// Adds the intervals of a bootstrap of the same fit, by one of its methods.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// use surface_severity::{IntervalMethod, bootstrap::Bootstrap, severity::Severity};
    /// let plan = Severity::new("dense asphalt concrete");
    /// let bootstrap = Bootstrap::residual(100).severity(&plan, &campaign);
    /// // Residuals cannot be drawn where times are censored; the rescaled scheme can.
    /// assert!(bootstrap.is_err());
    /// let bootstrap = Bootstrap::rescaled(100).severity(&plan, &campaign)?;
    /// let document = bootstrap.fit().document(Some(1)).with_bootstrap(&bootstrap, IntervalMethod::Percentile)?;
    /// assert_eq!(document.bootstrap.unwrap().factors.len(), 6, "every surface but the reference");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Document`] where the bootstrap is of another campaign; those of
    /// [`SeverityBootstrap::factor`].
    pub fn with_bootstrap(mut self, bootstrap: &SeverityBootstrap, method: IntervalMethod) -> Result<Self> {
        if bootstrap.fit().campaign_digest() != self.campaign_digest || *bootstrap.fit().plan() != self.options {
            return Err(ErrorKind::document(Self::KIND, "the bootstrap is of another campaign or plan"));
        }
        let factors = bootstrap
            .fit()
            .factors()
            .iter()
            .filter(|row| row.log_factor.is_some() && row.surface != self.options.reference())
            .map(|row| {
                Ok(BootstrapFactor { surface: row.surface.clone(), factor: bootstrap.factor(&row.surface, method)? })
            })
            .collect::<Result<_>>()?;
        let replicates = bootstrap.replicates();
        self.bootstrap = Some(BootstrapSummary {
            options: replicates.plan().clone(),
            rng: GENERATOR.into(),
            replicates: replicates.len(),
            failures: replicates.failures(),
            factors,
        });
        Ok(self)
    }

    /// Pretty JSON.
    ///
    /// ```
    /// // Cowhide: 8 and 10 s on asphalt, 4 and 5 s on the belt.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let campaign = Campaign::from_trials([
    /// #     Trial::perforated("T1", "asphalt", "cowhide", 8.0),
    /// #     Trial::perforated("T2", "asphalt", "cowhide", 10.0),
    /// #     Trial::perforated("T3", "belt", "cowhide", 4.0),
    /// #     Trial::perforated("T4", "belt", "cowhide", 5.0),
    /// # ])?;
    /// use surface_severity::severity::{Severity, SeverityDocument};
    /// let json = Severity::new("asphalt").fit(&campaign)?.document(None).to_json()?;
    /// // Saved, read and saved again: the same bytes.
    /// assert_eq!(SeverityDocument::from_json(&json)?.to_json()?, json);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::NotSaved`] should the content not be representable.
    pub fn to_json(&self) -> Result<String> {
        document::to_json(self)
    }
}

impl Document for SeverityDocument {
    const KIND: &'static str = "severity";

    fn check(&self) -> std::result::Result<(), String> {
        record::level(self.options.confidence_level())?;
        record::all_positive(&[
            ("log_scatter", self.log_scatter),
            ("degrees_of_freedom", self.degrees_of_freedom.unwrap_or(1.0)),
            ("trials", count(self.trials)),
        ])?;
        record::labels("surface", self.factors.iter().map(|row| row.surface.as_str()))?;
        record::labels("material", self.materials.iter().map(|row| row.material.as_str()))?;
        let listed = |name: &str| self.factors.iter().any(|row| row.surface == name);
        if !listed(self.options.reference()) {
            return Err(format!("the reference {:?} is not among the factors", self.options.reference()));
        }
        for row in &self.factors {
            let what = format!("the factor of {:?}", row.surface);
            positive(&what, &row.factor)?;
            record::all_at_least_zero(&[(what.as_str(), row.log_standard_error.unwrap_or(0.0))])?;
        }
        for row in &self.materials {
            positive(&format!("the durability of {:?}", row.material), &row.durability_s)?;
        }
        self.log_covariance.check(listed)?;
        self.bootstrap.as_ref().map_or(Ok(()), BootstrapSummary::check)
    }
}

impl LogCovariance {
    fn check(&self, listed: impl Fn(&str) -> bool) -> std::result::Result<(), String> {
        let n = self.order.len();
        let (last, surfaces) = self.order.split_last().ok_or("log_covariance without a row")?;
        if self.rows.len() != n || last != LOG_SCATTER || !surfaces.iter().all(|name| listed(name)) {
            return Err(format!("log_covariance is not a table of {n} rows as its order says"));
        }
        record::labels("surface of log_covariance", surfaces.iter().map(String::as_str))?;
        record::covariance("log_covariance", &self.rows)
    }
}

impl BootstrapSummary {
    fn check(&self) -> std::result::Result<(), String> {
        self.options.check().map_err(|e| e.to_string())?;
        record::labels("surface of the bootstrap", self.factors.iter().map(|row| row.surface.as_str()))?;
        for BootstrapFactor { surface, factor } in &self.factors {
            if factor.interval.lower() <= 0.0 {
                return Err(format!("the bootstrap interval of {surface:?} is not positive"));
            }
            let errors = [("lower_error", factor.lower_error), ("upper_error", factor.upper_error)];
            record::all_at_least_zero(&errors)?;
        }
        Ok(())
    }
}

/// What is known of a positive quantity is positive.
fn positive(what: &str, estimate: &Estimate) -> std::result::Result<(), String> {
    let least = match estimate {
        Estimate::Interval(interval) => interval.lower().min(interval.estimate()),
        Estimate::Bound(bound) => bound.value(),
        Estimate::NotEstimable(_) => 1.0,
    };
    if least > 0.0 { Ok(()) } else { Err(format!("{what} is not positive")) }
}
