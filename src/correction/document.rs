//! correction.json.

use std::path::Path;

use serde::Deserialize;

use super::factor::{Correction, CorrectionOptions, KIND, NotCorrected, SurfaceCorrection, VERSION};
use crate::document::{from_json, to_json};
use crate::equivalence::record::present;
use crate::error::{ErrorKind, Result};
use crate::severity::Distribution;

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    schema: String,
    crate_version: String,
    campaign_digest: String,
    options: CorrectionOptions,
    #[serde(deserialize_with = "present")]
    seed: Option<u64>,
    laboratory: String,
    distribution: Distribution,
    log_scatter: f64,
    #[serde(deserialize_with = "present")]
    scatter_degrees_of_freedom: Option<f64>,
    corrections: Vec<SurfaceCorrection>,
    not_corrected: Vec<NotCorrected>,
    cautions: Vec<String>,
}

impl Correction {
    /// Reads and validates correction.json.
    ///
    /// # Errors
    /// [`ErrorKind::Document`]: not JSON, another schema or version, unknown or missing fields, or numbers that
    /// contradict one another (limits in the wrong order, a factor that is not positive or not the one of its line).
    pub fn from_json(text: &str) -> Result<Self> {
        let raw: Raw = from_json(text, KIND, VERSION)?;
        let correction = Self {
            schema: raw.schema,
            crate_version: raw.crate_version,
            campaign_digest: raw.campaign_digest,
            options: raw.options,
            seed: raw.seed,
            laboratory: raw.laboratory,
            distribution: raw.distribution,
            log_scatter: raw.log_scatter,
            scatter_degrees_of_freedom: raw.scatter_degrees_of_freedom,
            corrections: raw.corrections,
            not_corrected: raw.not_corrected,
            cautions: raw.cautions,
        };
        correction.check().map_err(|reason| ErrorKind::document(KIND, reason))?;
        Ok(correction)
    }

    /// Pretty JSON with a closing newline: the same bytes before saving and after loading.
    ///
    /// # Errors
    /// [`ErrorKind::Document`] should a number not be representable.
    pub fn to_json(&self) -> Result<String> {
        to_json(self, KIND)
    }

    /// Reads the file at `path`.
    ///
    /// # Errors
    /// [`ErrorKind::Io`], and as [`from_json`](Self::from_json).
    pub fn load_path(path: impl AsRef<Path>) -> Result<Self> {
        let path = path.as_ref();
        Self::from_json(&std::fs::read_to_string(path).map_err(|e| ErrorKind::io(path, &e))?)
    }

    /// Writes the file at `path`.
    ///
    /// # Errors
    /// [`ErrorKind::Io`], and as [`to_json`](Self::to_json).
    pub fn save_path(&self, path: impl AsRef<Path>) -> Result<()> {
        let path = path.as_ref();
        std::fs::write(path, self.to_json()?).map_err(|e| ErrorKind::io(path, &e))
    }
}
