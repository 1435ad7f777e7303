//! correction.json.

use std::path::Path;

use super::factor::Correction;
use crate::document::{self, Document};
use crate::error::Result;

impl Document for Correction {
    const KIND: &'static str = "correction";

    fn check(&self) -> std::result::Result<(), String> {
        self.checked()
    }
}

impl Correction {
    /// Reads and validates correction.json.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// use surface_severity::correction::Correction;
    /// let json = correction.to_json()?;
    /// assert_eq!(Correction::from_json(&json)?, correction);
    /// // A factor changed by hand is refused.
    /// assert!(Correction::from_json(&json.replacen("\"estimate\": ", "\"estimate\": 1", 1)).is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Document`](crate::ErrorKind::Document): not JSON, another schema, edited after it was written, numbers
    /// without meaning.
    pub fn from_json(text: &str) -> Result<Self> {
        document::from_json(text)
    }

    /// Pretty JSON with a closing newline: the same bytes before saving and after loading.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// use surface_severity::correction::Correction;
    /// let json = correction.to_json()?;
    /// assert_eq!(Correction::from_json(&json)?.to_json()?, json, "the same bytes after loading");
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
    /// use surface_severity::{ErrorKind, correction::Correction};
    /// let error = Correction::load_path("no/such/correction.json").unwrap_err();
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
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// use surface_severity::correction::Correction;
    /// let path = std::env::temp_dir().join("surface-severity-example-correction.json");
    /// correction.save_path(&path)?;
    /// // Another program loads it and needs no trials.
    /// assert_eq!(Correction::load_path(&path)?, correction);
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
