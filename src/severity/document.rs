//! severity.json.

use serde::{Deserialize, Serialize};

use crate::document::{CRATE_VERSION, from_json, schema, to_json};
use crate::error::{ErrorKind, Result};

use super::fit::{Convergence, MaterialDurability, Note, Severity, SeverityFit, SurfaceFactor};

const KIND: &str = "severity";
const VERSION: u32 = 1;

/// Covariance of the log factors and log σ.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct LogCovariance {
    /// What each row and column stands for: surfaces (log k), then `"log_scatter"`.
    pub order: Vec<String>,
    /// The rows; symmetric.
    pub rows: Vec<Vec<f64>>,
}

/// The saved form of a severity fit. Reading validates as strictly as building.
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
    pub seed: Option<u64>,
    /// One row per surface.
    pub factors: Vec<SurfaceFactor>,
    /// One row per material.
    pub materials: Vec<MaterialDurability>,
    /// Replicate scatter σ of log time.
    pub log_scatter: f64,
    /// Residual degrees of freedom of σ; null where intervals are asymptotic.
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
}

impl SeverityFit {
    /// The saved form of this fit; `seed` is recorded where the run drew anything at random.
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
        }
    }
}

impl SeverityDocument {
    /// Reads and validates severity.json.
    ///
    /// # Errors
    /// [`ErrorKind::Document`]: not JSON, another schema, unknown or missing fields, intervals or
    /// covariances that contradict themselves.
    pub fn from_json(text: &str) -> Result<Self> {
        let document: Self = from_json(text, KIND, VERSION)?;
        document.check()?;
        Ok(document)
    }

    /// Pretty JSON.
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
