//! severity.json.

use serde::{Deserialize, Serialize};

use crate::bootstrap::{Bootstrap, BootstrapInterval, SeverityBootstrap};
use crate::document::{CRATE_VERSION, from_json, present, schema, to_json};
use crate::error::{ErrorKind, Result};
use crate::estimate::IntervalMethod;
use crate::numeric::stream::GENERATOR;

use super::fit::{Convergence, MaterialDurability, Note, Severity, SeverityFit, SurfaceFactor};

const KIND: &str = "severity";
const VERSION: u32 = 1;

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

/// The saved form of a severity fit. Reading validates as strictly as building.
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
    /// `surface-severity/severity/1`.
    pub schema: String,
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
    /// assert_eq!(document.schema, "surface-severity/severity/1");
    /// assert_eq!((document.seed, document.trials), (Some(1), 4));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn document(&self, seed: Option<u64>) -> SeverityDocument {
        let scale = self.scale();
        let mut order = self.column_names();
        order.push("log_scatter".into());
        SeverityDocument {
            schema: schema(KIND, VERSION),
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
    /// // A file edited by hand, its limits in the wrong order, is refused.
    /// let edited = json.replace("\"lower\": ", "\"lower\": 9");
    /// let error = SeverityDocument::from_json(&edited).unwrap_err();
    /// assert!(matches!(error.kind(), ErrorKind::Document { .. }));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Document`]: not JSON, another schema, unknown or missing fields, intervals or
    /// covariances that contradict themselves.
    pub fn from_json(text: &str) -> Result<Self> {
        let document: Self = from_json(text, KIND, VERSION)?;
        document.check()?;
        Ok(document)
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
            return Err(ErrorKind::document(KIND, "the bootstrap is of another campaign or plan"));
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
    /// [`ErrorKind::Document`] should a number not be representable.
    pub fn to_json(&self) -> Result<String> {
        to_json(self, KIND)
    }

    fn check(&self) -> Result<()> {
        let bad = |reason: String| Err(ErrorKind::document(KIND, reason));
        let n = self.log_covariance.order.len();
        if self.log_covariance.rows.len() != n || self.log_covariance.rows.iter().any(|r| r.len() != n) {
            return bad(format!("log_covariance is not a {n} × {n} table as its order says"));
        }
        for (i, row) in self.log_covariance.rows.iter().enumerate() {
            if row[i] < 0.0 {
                return bad(format!("log_covariance has a negative variance for {:?}", self.log_covariance.order[i]));
            }
        }
        if self.log_scatter <= 0.0 || self.log_scatter.is_nan() {
            return bad(format!("log_scatter = {} is not positive", self.log_scatter));
        }
        for row in &self.factors {
            if let (Some(interval), Some(log)) = (row.factor.interval(), row.log_factor) {
                if interval.lower() <= 0.0 {
                    return bad(format!("the factor of {:?} is not positive", row.surface));
                }
                if (libm::log(interval.estimate()) - log).abs() > 1e-9 * (1.0 + log.abs()) {
                    return bad(format!("factor and log_factor of {:?} contradict each other", row.surface));
                }
            }
        }
        if !self.factors.iter().any(|row| row.surface == self.options.reference()) {
            return bad(format!("the reference {:?} is not among the factors", self.options.reference()));
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::campaign::{Campaign, Trial};

    /// No member may be missing, not even one that may be null.
    #[test]
    fn a_document_without_one_of_its_members_is_refused() {
        let mut trials = Vec::new();
        for (surface, material, times) in
            [("road", "a", [2.0, 2.5]), ("road", "b", [7.0, 8.0]), ("belt", "a", [1.0, 1.3]), ("belt", "b", [3.0, 3.1])]
        {
            for (i, t) in times.into_iter().enumerate() {
                trials.push(Trial::perforated(format!("{surface}{material}{i}"), surface, material, t));
            }
        }
        let fit = Severity::new("road").fit(&Campaign::from_trials(trials).unwrap()).unwrap();
        let document = fit.document(None);
        let text = document.to_json().unwrap();
        assert_eq!(SeverityDocument::from_json(&text).unwrap(), document);
        let whole: serde_json::Value = serde_json::from_str(&text).unwrap();
        let refused = |at: &[&str]| {
            let keys = at.iter().fold(&whole, |v, k| &v[*k]);
            let keys = keys.get(0).unwrap_or(keys).as_object().unwrap().keys().cloned().collect::<Vec<_>>();
            for key in keys {
                let mut edited = whole.clone();
                let place = at.iter().fold(&mut edited, |v, k| &mut v[*k]);
                let place = if place.is_array() { &mut place[0] } else { place };
                place.as_object_mut().unwrap().remove(&key);
                let error = SeverityDocument::from_json(&edited.to_string()).expect_err(&key);
                assert!(error.to_string().contains(&key), "{key}: {error}");
            }
        };
        refused(&[]);
        for part in ["factors", "materials", "log_covariance", "convergence"] {
            refused(&[part]);
        }
    }
}
