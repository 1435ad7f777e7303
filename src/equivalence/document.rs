//! equivalence.json.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::fit::{Equivalence, EquivalenceFit, ScalePosition, SurfaceEquivalence};
use super::record::present;
use crate::document::{CRATE_VERSION, from_json, schema, to_json};
use crate::error::{ErrorKind, Result};

const KIND: &str = "equivalence";
const VERSION: u32 = 1;

/// The saved form of an equivalence fit. Reading validates as strictly as building: unknown and missing fields, another
/// schema, and numbers that contradict one another are refused.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EquivalenceDocument {
    schema: String,
    crate_version: String,
    campaign_digest: String,
    options: Equivalence,
    seed: Option<u64>,
    log_scatter: f64,
    scatter_degrees_of_freedom: Option<f64>,
    scale: Vec<ScalePosition>,
    surfaces: Vec<SurfaceEquivalence>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct Raw {
    schema: String,
    crate_version: String,
    campaign_digest: String,
    options: Equivalence,
    #[serde(deserialize_with = "present")]
    seed: Option<u64>,
    log_scatter: f64,
    #[serde(deserialize_with = "present")]
    scatter_degrees_of_freedom: Option<f64>,
    scale: Vec<ScalePosition>,
    surfaces: Vec<SurfaceEquivalence>,
}

impl EquivalenceDocument {
    /// `surface-severity/equivalence/1`.
    #[must_use]
    pub fn schema(&self) -> &str {
        &self.schema
    }
    /// Version of the crate that wrote it.
    #[must_use]
    pub fn crate_version(&self) -> &str {
        &self.crate_version
    }
    /// Seed of whatever was drawn at random in the run that wrote it.
    #[must_use]
    pub fn seed(&self) -> Option<u64> {
        self.seed
    }

    /// The fit that was saved.
    #[must_use]
    pub fn fit(&self) -> EquivalenceFit {
        EquivalenceFit {
            options: self.options.clone(),
            campaign_digest: self.campaign_digest.clone(),
            log_scatter: self.log_scatter,
            scatter_degrees_of_freedom: self.scatter_degrees_of_freedom,
            scale: self.scale.clone(),
            surfaces: self.surfaces.clone(),
        }
    }

    /// Reads and validates equivalence.json.
    ///
    /// # Errors
    /// [`ErrorKind::Document`]: not JSON, another schema or version, unknown or missing fields, numbers that contradict
    /// one another.
    pub fn from_json(text: &str) -> Result<Self> {
        let raw: Raw = from_json(text, KIND, VERSION)?;
        let document = Self {
            schema: raw.schema,
            crate_version: raw.crate_version,
            campaign_digest: raw.campaign_digest,
            options: raw.options,
            seed: raw.seed,
            log_scatter: raw.log_scatter,
            scatter_degrees_of_freedom: raw.scatter_degrees_of_freedom,
            scale: raw.scale,
            surfaces: raw.surfaces,
        };
        document.fit().check().map_err(|reason| ErrorKind::document(KIND, reason))?;
        Ok(document)
    }

    /// Pretty JSON with a closing newline.
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

impl EquivalenceFit {
    /// The saved form of this fit; `seed` is recorded where the run drew anything at random.
    #[must_use]
    pub fn document(&self, seed: Option<u64>) -> EquivalenceDocument {
        EquivalenceDocument {
            schema: schema(KIND, VERSION),
            crate_version: CRATE_VERSION.into(),
            campaign_digest: self.campaign_digest.clone(),
            options: self.options.clone(),
            seed,
            log_scatter: self.log_scatter,
            scatter_degrees_of_freedom: self.scatter_degrees_of_freedom,
            scale: self.scale.clone(),
            surfaces: self.surfaces.clone(),
        }
    }
}
