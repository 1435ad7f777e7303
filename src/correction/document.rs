//! correction.json.

use std::path::Path;

use serde::Deserialize;

use super::classes::ClassCorrections;
use super::factor::{Correction, CorrectionOptions, KIND, NotCorrected, SurfaceCorrection, VERSION};
use super::predict::SpecimenPrediction;
use super::validity::Domain;
use crate::campaign::Decision;
use crate::document::{parse, present, schema, to_json, version_of};
use crate::equivalence::Form;
use crate::error::{ErrorKind, Result};
use crate::estimate::Interval;
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
    decisions: Vec<Decision>,
    laboratory: String,
    distribution: Distribution,
    log_scatter: f64,
    #[serde(deserialize_with = "present")]
    scatter_degrees_of_freedom: Option<f64>,
    corrections: Vec<SurfaceCorrection>,
    not_corrected: Vec<NotCorrected>,
    cautions: Vec<String>,
}

/// Version 2: no decisions, nothing that trials share.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawV2 {
    #[allow(dead_code)]
    schema: String,
    crate_version: String,
    campaign_digest: String,
    options: OptionsV2,
    #[serde(deserialize_with = "present")]
    seed: Option<u64>,
    laboratory: String,
    distribution: Distribution,
    log_scatter: f64,
    #[serde(deserialize_with = "present")]
    scatter_degrees_of_freedom: Option<f64>,
    corrections: Vec<SurfaceV2>,
    not_corrected: Vec<NotCorrected>,
    cautions: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct OptionsV2 {
    form: Form,
    level: f64,
    by_class: bool,
    minimum_class_materials: usize,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SurfaceV2 {
    surface: String,
    factor: Interval,
    log_factor: f64,
    log_factor_standard_error: f64,
    factor_at_laboratory_time_s: f64,
    form: Form,
    slope: f64,
    slope_standard_error: f64,
    intercept: f64,
    intercept_standard_error: f64,
    log_covariance: f64,
    degrees_of_freedom: f64,
    intrinsic_log_scatter: f64,
    pair_log_variance: f64,
    observed_log_variance: f64,
    domain: Domain,
    #[serde(deserialize_with = "present")]
    classes: Option<ClassCorrections>,
}

impl SurfaceV2 {
    fn upgrade(self) -> std::result::Result<SurfaceCorrection, String> {
        let correction = SurfaceCorrection {
            surface: self.surface,
            factor: self.factor,
            log_factor: self.log_factor,
            log_factor_standard_error: self.log_factor_standard_error,
            factor_at_laboratory_time_s: self.factor_at_laboratory_time_s,
            form: self.form,
            slope: self.slope,
            slope_standard_error: self.slope_standard_error,
            intercept: self.intercept,
            intercept_standard_error: self.intercept_standard_error,
            log_covariance: self.log_covariance,
            degrees_of_freedom: self.degrees_of_freedom,
            intrinsic_log_scatter: self.intrinsic_log_scatter,
            pair_log_variance: self.pair_log_variance,
            observed_log_variance: self.observed_log_variance,
            shared_effects: Vec::new(),
            domain: self.domain,
            classes: self.classes,
        };
        correction.check().map(|()| correction)
    }
}

impl RawV2 {
    fn upgrade(self) -> std::result::Result<Raw, String> {
        Ok(Raw {
            schema: schema(KIND, VERSION),
            crate_version: self.crate_version,
            campaign_digest: self.campaign_digest,
            options: CorrectionOptions {
                form: self.options.form,
                level: self.options.level,
                by_class: self.options.by_class,
                minimum_class_materials: self.options.minimum_class_materials,
                specimen_prediction: SpecimenPrediction::Mixture,
            },
            seed: self.seed,
            decisions: Vec::new(),
            laboratory: self.laboratory,
            distribution: self.distribution,
            log_scatter: self.log_scatter,
            scatter_degrees_of_freedom: self.scatter_degrees_of_freedom,
            corrections: self.corrections.into_iter().map(SurfaceV2::upgrade).collect::<Result<_, _>>()?,
            not_corrected: self.not_corrected,
            cautions: self.cautions,
        })
    }
}

/// Version 1: no factors by class either.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawV1 {
    schema: String,
    crate_version: String,
    campaign_digest: String,
    options: OptionsV1,
    #[serde(deserialize_with = "present")]
    seed: Option<u64>,
    laboratory: String,
    distribution: Distribution,
    log_scatter: f64,
    #[serde(deserialize_with = "present")]
    scatter_degrees_of_freedom: Option<f64>,
    corrections: Vec<SurfaceV1>,
    not_corrected: Vec<NotCorrected>,
    cautions: Vec<String>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct OptionsV1 {
    form: Form,
    level: f64,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SurfaceV1 {
    surface: String,
    factor: Interval,
    log_factor: f64,
    log_factor_standard_error: f64,
    factor_at_laboratory_time_s: f64,
    form: Form,
    slope: f64,
    slope_standard_error: f64,
    intercept: f64,
    intercept_standard_error: f64,
    log_covariance: f64,
    degrees_of_freedom: f64,
    intrinsic_log_scatter: f64,
    pair_log_variance: f64,
    observed_log_variance: f64,
    domain: Domain,
}

impl SurfaceV1 {
    fn upgrade(self) -> SurfaceV2 {
        SurfaceV2 {
            surface: self.surface,
            factor: self.factor,
            log_factor: self.log_factor,
            log_factor_standard_error: self.log_factor_standard_error,
            factor_at_laboratory_time_s: self.factor_at_laboratory_time_s,
            form: self.form,
            slope: self.slope,
            slope_standard_error: self.slope_standard_error,
            intercept: self.intercept,
            intercept_standard_error: self.intercept_standard_error,
            log_covariance: self.log_covariance,
            degrees_of_freedom: self.degrees_of_freedom,
            intrinsic_log_scatter: self.intrinsic_log_scatter,
            pair_log_variance: self.pair_log_variance,
            observed_log_variance: self.observed_log_variance,
            domain: self.domain,
            classes: None,
        }
    }
}

impl RawV1 {
    fn upgrade(self) -> RawV2 {
        RawV2 {
            schema: self.schema,
            crate_version: self.crate_version,
            campaign_digest: self.campaign_digest,
            options: OptionsV2 {
                form: self.options.form,
                level: self.options.level,
                by_class: false,
                minimum_class_materials: 3,
            },
            seed: self.seed,
            laboratory: self.laboratory,
            distribution: self.distribution,
            log_scatter: self.log_scatter,
            scatter_degrees_of_freedom: self.scatter_degrees_of_freedom,
            corrections: self.corrections.into_iter().map(SurfaceV1::upgrade).collect(),
            not_corrected: self.not_corrected,
            cautions: self.cautions,
        }
    }
}

impl Correction {
    /// Reads and validates correction.json, of this version of the schema or any older one.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// use surface_severity::correction::Correction;
    /// let json = correction.to_json()?;
    /// assert_eq!(Correction::from_json(&json)?, correction);
    /// // A factor changed by hand no longer belongs to its line, and is refused.
    /// assert!(Correction::from_json(&json.replacen("\"estimate\": ", "\"estimate\": 1", 1)).is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Document`]: not JSON, another schema or version, unknown or missing fields, or numbers that
    /// contradict one another (limits in the wrong order, a factor that is not positive or not the one of its line).
    pub fn from_json(text: &str) -> Result<Self> {
        let failed = |reason| ErrorKind::document(KIND, reason);
        let raw: Raw = match version_of(text, KIND, 1..=VERSION)? {
            1 => parse::<RawV1>(text, KIND)?.upgrade().upgrade().map_err(failed)?,
            2 => parse::<RawV2>(text, KIND)?.upgrade().map_err(failed)?,
            _ => parse(text, KIND)?,
        };
        let correction = Self {
            schema: raw.schema,
            crate_version: raw.crate_version,
            campaign_digest: raw.campaign_digest,
            options: raw.options,
            seed: raw.seed,
            decisions: raw.decisions,
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
    /// [`ErrorKind::Document`] should a number not be representable.
    pub fn to_json(&self) -> Result<String> {
        to_json(self, KIND)
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
    /// [`ErrorKind::NotSaved`], and as [`to_json`](Self::to_json).
    pub fn save_path(&self, path: impl AsRef<Path>) -> Result<()> {
        let path = path.as_ref();
        std::fs::write(path, self.to_json()?).map_err(|e| ErrorKind::not_saved(path, &e))
    }
}
