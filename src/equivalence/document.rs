//! equivalence.json.

use std::path::Path;

use serde::de::Error as _;
use serde::{Deserialize, Deserializer, Serialize};

use super::fit::EquivalenceFit;
use crate::document::{self, CRATE_VERSION, Document};
use crate::error::Result;

/// The saved form of an equivalence fit. A document that was edited after it was written is refused.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// use surface_severity::equivalence::EquivalenceDocument;
/// let document = equivalence.document(Some(1));
/// let again = EquivalenceDocument::from_json(&document.to_json()?)?;
/// assert_eq!((again.fit(), again.seed()), (&equivalence, Some(1)));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EquivalenceDocument {
    crate_version: String,
    seed: Option<u64>,
    #[serde(flatten)]
    fit: EquivalenceFit,
}

/// The two members beside the fit taken out: derived, every type of the fit would be compiled a second time.
impl<'de> Deserialize<'de> for EquivalenceDocument {
    fn deserialize<D: Deserializer<'de>>(deserializer: D) -> std::result::Result<Self, D::Error> {
        let mut members = serde_json::Map::deserialize(deserializer)?;
        let mut take = |name: &'static str| members.remove(name).ok_or_else(|| D::Error::missing_field(name));
        let (crate_version, seed) = (take("crate_version")?, take("seed")?);
        let failed = |e: serde_json::Error| D::Error::custom(e);
        Ok(Self {
            crate_version: serde_json::from_value(crate_version).map_err(failed)?,
            seed: serde_json::from_value(seed).map_err(failed)?,
            fit: serde_json::from_value(members.into()).map_err(failed)?,
        })
    }
}

impl Document for EquivalenceDocument {
    const KIND: &'static str = "equivalence";

    fn check(&self) -> std::result::Result<(), String> {
        self.fit.check()
    }
}

impl EquivalenceDocument {
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
    pub fn fit(&self) -> &EquivalenceFit {
        &self.fit
    }

    /// Reads and validates equivalence.json.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// use surface_severity::equivalence::EquivalenceDocument;
    /// let json = equivalence.document(None).to_json()?;
    /// assert!(EquivalenceDocument::from_json(&json).is_ok());
    /// // Limits changed by hand are refused.
    /// assert!(EquivalenceDocument::from_json(&json.replace("\"lower\": ", "\"lower\": 9")).is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Document`](crate::ErrorKind::Document): not JSON, another schema, edited after it was written, numbers
    /// without meaning.
    pub fn from_json(text: &str) -> Result<Self> {
        document::from_json(text)
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
    /// [`ErrorKind::NotSaved`](crate::ErrorKind::NotSaved) should the content not be representable.
    pub fn to_json(&self) -> Result<String> {
        document::to_json(self)
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
    /// [`ErrorKind::Io`](crate::ErrorKind::Io), and as [`from_json`](Self::from_json).
    pub fn load_path(path: impl AsRef<Path>) -> Result<Self> {
        document::load_path(path.as_ref())
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
    /// assert_eq!(*EquivalenceDocument::load_path(&path)?.fit(), equivalence);
    /// # std::fs::remove_file(&path).unwrap();
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::NotSaved`](crate::ErrorKind::NotSaved), and as [`to_json`](Self::to_json).
    pub fn save_path(&self, path: impl AsRef<Path>) -> Result<()> {
        document::save_path(self, path.as_ref())
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
    /// assert!(document.to_json()?.contains("\"schema\": \"surface-severity/equivalence/1\""));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn document(&self, seed: Option<u64>) -> EquivalenceDocument {
        EquivalenceDocument { crate_version: CRATE_VERSION.into(), seed, fit: self.clone() }
    }
}
