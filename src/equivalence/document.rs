//! equivalence.json.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::fit::{
    Attempt, ConstantRatio, Equivalence, EquivalenceFit, Form, LeftOut, MaterialPair, PowerLaw, ScalePosition,
    SeverityRatio, SurfaceEquivalence,
};
use super::nearest::NearestSurfaces;
use super::record::present;
use super::tost::Tost;
use crate::document::{CRATE_VERSION, parse, schema, to_json, version_of};
use crate::error::{ErrorKind, Result};

const KIND: &str = "equivalence";
const VERSION: u32 = 2;

/// The saved form of an equivalence fit. Reading validates as strictly as building: unknown and missing fields, another
/// schema, and numbers that contradict one another are refused.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// use surface_severity::equivalence::EquivalenceDocument;
/// let document = equivalence.document(Some(1));
/// let again = EquivalenceDocument::from_json(&document.to_json()?)?;
/// assert_eq!((again.fit(), again.seed()), (equivalence, Some(1)));
/// # Ok::<(), surface_severity::Error>(())
/// ```
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
    nearest: Option<NearestSurfaces>,
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
    #[serde(deserialize_with = "present")]
    nearest: Option<NearestSurfaces>,
}

/// Version 1: without `nearest`, and with surfaces of version 1.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawV1 {
    #[allow(dead_code)]
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
    surfaces: Vec<SurfaceV1>,
}

/// A surface of version 1: without `prediction_gain` and `rank_line`.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SurfaceV1 {
    surface: String,
    pairs: Vec<MaterialPair>,
    left_out: Vec<LeftOut>,
    constant_ratio: Attempt<ConstantRatio>,
    power_law: Attempt<PowerLaw>,
    #[serde(deserialize_with = "present")]
    better_predicting: Option<Form>,
    severity_ratio: Attempt<SeverityRatio>,
    test: Attempt<Tost>,
    #[serde(deserialize_with = "present")]
    adjusted_p_value: Option<f64>,
    test_for_new_materials: Attempt<Tost>,
}

impl RawV1 {
    /// The pairs of a surface determine what version 2 adds to it; nobody drew replicates for `nearest`.
    fn upgrade(self) -> std::result::Result<Raw, String> {
        let old = self;
        let surfaces = old
            .surfaces
            .into_iter()
            .map(|s| {
                let (prediction_gain, rank_line) = old.options.upgrade_pairs(&s.pairs);
                let surface = SurfaceEquivalence {
                    surface: s.surface,
                    pairs: s.pairs,
                    left_out: s.left_out,
                    constant_ratio: s.constant_ratio,
                    power_law: s.power_law,
                    better_predicting: s.better_predicting,
                    prediction_gain,
                    rank_line,
                    severity_ratio: s.severity_ratio,
                    test: s.test,
                    adjusted_p_value: s.adjusted_p_value,
                    test_for_new_materials: s.test_for_new_materials,
                };
                surface.check().map(|()| surface)
            })
            .collect::<std::result::Result<_, _>>()?;
        Ok(Raw {
            schema: schema(KIND, VERSION),
            crate_version: old.crate_version,
            campaign_digest: old.campaign_digest,
            options: old.options,
            seed: old.seed,
            log_scatter: old.log_scatter,
            scatter_degrees_of_freedom: old.scatter_degrees_of_freedom,
            scale: old.scale,
            surfaces,
            nearest: None,
        })
    }
}

impl EquivalenceDocument {
    /// `surface-severity/equivalence/2`, whichever version was read.
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
            nearest: self.nearest.clone(),
        }
    }

    /// Reads and validates equivalence.json, of this version of the schema or any older one.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// use surface_severity::equivalence::EquivalenceDocument;
    /// let json = equivalence.document(None).to_json()?;
    /// assert!(EquivalenceDocument::from_json(&json).is_ok());
    /// // Limits turned round by hand are refused.
    /// assert!(EquivalenceDocument::from_json(&json.replace("\"lower\": ", "\"lower\": 9")).is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Document`]: not JSON, another schema or version, unknown or missing fields, numbers that contradict
    /// one another.
    pub fn from_json(text: &str) -> Result<Self> {
        let raw: Raw = match version_of(text, KIND, 1..=VERSION)? {
            1 => parse::<RawV1>(text, KIND)?.upgrade().map_err(|reason| ErrorKind::document(KIND, reason))?,
            _ => parse(text, KIND)?,
        };
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
            nearest: raw.nearest,
        };
        document.fit().check().map_err(|reason| ErrorKind::document(KIND, reason))?;
        Ok(document)
    }

    /// Pretty JSON with a closing newline.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// use surface_severity::equivalence::EquivalenceDocument;
    /// let json = equivalence.document(None).to_json()?;
    /// assert_eq!(EquivalenceDocument::from_json(&json)?.to_json()?, json);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Document`] should a number not be representable.
    pub fn to_json(&self) -> Result<String> {
        to_json(self, KIND)
    }

    /// Reads the file at `path`.
    ///
    /// ```
    /// use surface_severity::{ErrorKind, equivalence::EquivalenceDocument};
    /// let error = EquivalenceDocument::load_path("no/such/equivalence.json").unwrap_err();
    /// assert!(matches!(error.kind(), ErrorKind::Io { .. }));
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Io`], and as [`from_json`](Self::from_json).
    pub fn load_path(path: impl AsRef<Path>) -> Result<Self> {
        let path = path.as_ref();
        Self::from_json(&std::fs::read_to_string(path).map_err(|e| ErrorKind::io(path, &e))?)
    }

    /// Writes the file at `path`.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// use surface_severity::equivalence::EquivalenceDocument;
    /// let path = std::env::temp_dir().join("surface-severity-example-equivalence.json");
    /// equivalence.document(None).save_path(&path)?;
    /// assert_eq!(EquivalenceDocument::load_path(&path)?.fit(), equivalence);
    /// # std::fs::remove_file(&path).unwrap();
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
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
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// let document = equivalence.document(None);
    /// assert_eq!(document.schema(), "surface-severity/equivalence/2");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
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
            nearest: self.nearest.clone(),
        }
    }
}
