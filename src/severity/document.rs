//! severity.json.

use serde::{Deserialize, Serialize};

use crate::document::{self, CRATE_VERSION, Document, present};
use crate::error::Result;
use crate::estimate::Estimate;
use crate::numeric::count;
use crate::record;

use super::covariate::CovariateEffect;
use super::fit::{Convergence, SeverityFit};
use super::mixed::VarianceComponent;
use super::note::Note;
use super::plan::Severity;
use super::rows::{MaterialDurability, SurfaceFactor};

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
/// let se = fit.log_factor_between("brushed concrete", "worn surface dressing")?.standard_error;
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
    /// Degrees of freedom of it.
    pub scatter_degrees_of_freedom: f64,
    /// Where the scatter comes from: groupings in the model, `residual` last.
    pub variance_components: Vec<VarianceComponent>,
    /// What recorded numbers do to log time; factors, durabilities and scatter are those at their nominal values.
    pub covariates: Vec<CovariateEffect>,
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
            scatter_degrees_of_freedom: self.scatter_degrees_of_freedom(),
            variance_components: self.variance_components(),
            covariates: self.covariate_effects().to_vec(),
            log_likelihood: self.log_likelihood(),
            trials: self.trials(),
            log_covariance: LogCovariance { order, rows: self.log_covariance() },
            convergence: self.convergence(),
            notes: self.notes().to_vec(),
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
    /// [`ErrorKind::Document`](crate::ErrorKind::Document): not JSON, another schema, edited after it was written, numbers without meaning (limits out
    /// of order, a covariance that is none).
    pub fn from_json(text: &str) -> Result<Self> {
        document::from_json(text)
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
    /// [`ErrorKind::NotSaved`](crate::ErrorKind::NotSaved) should the content not be representable.
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
            ("scatter_degrees_of_freedom", self.scatter_degrees_of_freedom),
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
        for component in &self.variance_components {
            record::all_at_least_zero(&[(component.name.as_str(), component.variance)])?;
        }
        self.log_covariance.check(listed)
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

/// What is known of a positive quantity is positive.
fn positive(what: &str, estimate: &Estimate) -> std::result::Result<(), String> {
    let least = match estimate {
        Estimate::Interval(interval) => interval.lower().min(interval.estimate()),
        Estimate::Bound(bound) => bound.value(),
        Estimate::NotEstimable(_) => 1.0,
    };
    if least > 0.0 { Ok(()) } else { Err(format!("{what} is not positive")) }
}
