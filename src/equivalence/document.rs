//! equivalence.json.

use std::path::Path;

use serde::{Deserialize, Serialize};

use super::fit::{
    Attempt, ConstantRatio, Equivalence, EquivalenceFit, Form, LeftOut, MaterialPair, PowerLaw, PredictionGain,
    RankLine, ScalePosition, SeverityRatio, SurfaceEquivalence,
};
use super::line::{LineCovariance, Scatter};
use super::nearest::NearestSurfaces;
use super::shared::line_covariance;
use super::tost::Tost;
use crate::campaign::Decision;
use crate::document::{CRATE_VERSION, parse, schema, to_json, version_of};
use crate::error::{ErrorKind, Result};
use crate::estimate::Interval;
use crate::record::present;
use crate::severity::Grouping;

const KIND: &str = "equivalence";
const VERSION: u32 = 3;

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
    decisions: Vec<Decision>,
    shared_groupings: Vec<Grouping>,
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
    decisions: Vec<Decision>,
    shared_groupings: Vec<Grouping>,
    log_scatter: f64,
    #[serde(deserialize_with = "present")]
    scatter_degrees_of_freedom: Option<f64>,
    scale: Vec<ScalePosition>,
    surfaces: Vec<SurfaceEquivalence>,
    #[serde(deserialize_with = "present")]
    nearest: Option<NearestSurfaces>,
}

/// Version 2: without decisions and shared conditions.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawV2 {
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
    surfaces: Vec<SurfaceV2>,
    #[serde(deserialize_with = "present")]
    nearest: Option<NearestSurfaces>,
}

/// Version 1: without `nearest` too, and with surfaces of version 1.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct RawV1 {
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
    constant_ratio: Attempt<ConstantRatioV2>,
    power_law: Attempt<PowerLawV2>,
    #[serde(deserialize_with = "present")]
    better_predicting: Option<Form>,
    severity_ratio: Attempt<SeverityRatio>,
    test: Attempt<Tost>,
    #[serde(deserialize_with = "present")]
    adjusted_p_value: Option<f64>,
    test_for_new_materials: Attempt<Tost>,
}

/// A surface of version 2: without shared effects.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct SurfaceV2 {
    surface: String,
    pairs: Vec<MaterialPair>,
    left_out: Vec<LeftOut>,
    constant_ratio: Attempt<ConstantRatioV2>,
    power_law: Attempt<PowerLawV2>,
    #[serde(deserialize_with = "present")]
    better_predicting: Option<Form>,
    #[serde(deserialize_with = "present")]
    prediction_gain: Option<PredictionGain>,
    rank_line: Attempt<RankLine>,
    severity_ratio: Attempt<SeverityRatio>,
    test: Attempt<Tost>,
    #[serde(deserialize_with = "present")]
    adjusted_p_value: Option<f64>,
    test_for_new_materials: Attempt<Tost>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct ConstantRatioV2 {
    ratio: Interval,
    log_ratio: f64,
    log_standard_error: f64,
    degrees_of_freedom: f64,
    intrinsic_log_scatter: f64,
    intrinsic_log_scatter_lower: f64,
    intrinsic_log_scatter_upper: f64,
    scatter: Scatter,
    #[serde(deserialize_with = "present")]
    cochran_q: Option<f64>,
    #[serde(deserialize_with = "present")]
    heterogeneity_p_value: Option<f64>,
    pair_log_variance: f64,
    observed_log_variance: f64,
    #[serde(deserialize_with = "present")]
    leave_one_out_log_error: Option<f64>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct PowerLawV2 {
    slope: Interval,
    intercept: Interval,
    log_covariance: LineCovariance,
    degrees_of_freedom: f64,
    intrinsic_log_scatter: f64,
    intrinsic_log_scatter_lower: f64,
    intrinsic_log_scatter_upper: f64,
    scatter: Scatter,
    #[serde(deserialize_with = "present")]
    slope_one_p_value: Option<f64>,
    pair_log_variance: f64,
    observed_log_variance: f64,
    #[serde(deserialize_with = "present")]
    leave_one_out_log_error: Option<f64>,
}

fn upgraded<A, B>(
    old: Attempt<A>,
    by: impl FnOnce(A) -> std::result::Result<B, String>,
) -> std::result::Result<Attempt<B>, String> {
    Ok(match old {
        Attempt::Fitted(value) => Attempt::Fitted(by(value)?),
        Attempt::Unavailable(why) => Attempt::Unavailable(why),
    })
}

impl ConstantRatioV2 {
    fn upgrade(self) -> std::result::Result<ConstantRatio, String> {
        let ratio = ConstantRatio {
            ratio: self.ratio,
            log_ratio: self.log_ratio,
            log_standard_error: self.log_standard_error,
            degrees_of_freedom: self.degrees_of_freedom,
            shared_log_variance: 0.0,
            shared_degrees_of_freedom: None,
            intrinsic_log_scatter: self.intrinsic_log_scatter,
            intrinsic_log_scatter_lower: self.intrinsic_log_scatter_lower,
            intrinsic_log_scatter_upper: self.intrinsic_log_scatter_upper,
            scatter: self.scatter,
            cochran_q: self.cochran_q,
            heterogeneity_p_value: self.heterogeneity_p_value,
            pair_log_variance: self.pair_log_variance,
            observed_log_variance: self.observed_log_variance,
            leave_one_out_log_error: self.leave_one_out_log_error,
        };
        ratio.check().map(|()| ratio)
    }
}

impl PowerLawV2 {
    fn upgrade(self) -> std::result::Result<PowerLaw, String> {
        let law = PowerLaw {
            slope: self.slope,
            intercept: self.intercept,
            log_covariance: self.log_covariance,
            degrees_of_freedom: self.degrees_of_freedom,
            shared_log_covariance: line_covariance(&[]),
            shared_degrees_of_freedom: None,
            intrinsic_log_scatter: self.intrinsic_log_scatter,
            intrinsic_log_scatter_lower: self.intrinsic_log_scatter_lower,
            intrinsic_log_scatter_upper: self.intrinsic_log_scatter_upper,
            scatter: self.scatter,
            slope_one_p_value: self.slope_one_p_value,
            pair_log_variance: self.pair_log_variance,
            observed_log_variance: self.observed_log_variance,
            leave_one_out_log_error: self.leave_one_out_log_error,
        };
        law.check().map(|()| law)
    }
}

impl SurfaceV1 {
    /// The pairs of a surface determine what version 2 adds to it.
    fn upgrade(self, options: &Equivalence) -> SurfaceV2 {
        let (prediction_gain, rank_line) = options.upgrade_pairs(&self.pairs);
        SurfaceV2 {
            surface: self.surface,
            pairs: self.pairs,
            left_out: self.left_out,
            constant_ratio: self.constant_ratio,
            power_law: self.power_law,
            better_predicting: self.better_predicting,
            prediction_gain,
            rank_line,
            severity_ratio: self.severity_ratio,
            test: self.test,
            adjusted_p_value: self.adjusted_p_value,
            test_for_new_materials: self.test_for_new_materials,
        }
    }
}

impl SurfaceV2 {
    fn upgrade(self) -> std::result::Result<SurfaceEquivalence, String> {
        let surface = SurfaceEquivalence {
            surface: self.surface,
            pairs: self.pairs,
            left_out: self.left_out,
            shared_effects: Vec::new(),
            constant_ratio: upgraded(self.constant_ratio, ConstantRatioV2::upgrade)?,
            power_law: upgraded(self.power_law, PowerLawV2::upgrade)?,
            better_predicting: self.better_predicting,
            prediction_gain: self.prediction_gain,
            rank_line: self.rank_line,
            severity_ratio: self.severity_ratio,
            test: self.test,
            adjusted_p_value: self.adjusted_p_value,
            test_for_new_materials: self.test_for_new_materials,
        };
        surface.check().map(|()| surface)
    }
}

impl RawV1 {
    /// Nobody drew replicates for `nearest`.
    fn upgrade(self) -> RawV2 {
        let surfaces = self.surfaces.into_iter().map(|s| s.upgrade(&self.options)).collect();
        RawV2 {
            schema: self.schema,
            crate_version: self.crate_version,
            campaign_digest: self.campaign_digest,
            options: self.options,
            seed: self.seed,
            log_scatter: self.log_scatter,
            scatter_degrees_of_freedom: self.scatter_degrees_of_freedom,
            scale: self.scale,
            surfaces,
            nearest: None,
        }
    }
}

impl RawV2 {
    /// Nothing that trials share was in the intervals; decisions were not kept.
    fn upgrade(self) -> std::result::Result<Raw, String> {
        Ok(Raw {
            schema: schema(KIND, VERSION),
            crate_version: self.crate_version,
            campaign_digest: self.campaign_digest,
            options: self.options,
            seed: self.seed,
            decisions: Vec::new(),
            shared_groupings: Vec::new(),
            log_scatter: self.log_scatter,
            scatter_degrees_of_freedom: self.scatter_degrees_of_freedom,
            scale: self.scale,
            surfaces: self.surfaces.into_iter().map(SurfaceV2::upgrade).collect::<std::result::Result<_, _>>()?,
            nearest: self.nearest,
        })
    }
}

impl EquivalenceDocument {
    /// `surface-severity/equivalence/3`, whichever version was read.
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
            decisions: self.decisions.clone(),
            shared_groupings: self.shared_groupings.clone(),
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
        let failed = |reason| ErrorKind::document(KIND, reason);
        let raw: Raw = match version_of(text, KIND, 1..=VERSION)? {
            1 => parse::<RawV1>(text, KIND)?.upgrade().upgrade().map_err(failed)?,
            2 => parse::<RawV2>(text, KIND)?.upgrade().map_err(failed)?,
            _ => parse(text, KIND)?,
        };
        let document = Self {
            schema: raw.schema,
            crate_version: raw.crate_version,
            campaign_digest: raw.campaign_digest,
            options: raw.options,
            seed: raw.seed,
            decisions: raw.decisions,
            shared_groupings: raw.shared_groupings,
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
    /// [`ErrorKind::NotSaved`], and as [`to_json`](Self::to_json).
    pub fn save_path(&self, path: impl AsRef<Path>) -> Result<()> {
        let path = path.as_ref();
        std::fs::write(path, self.to_json()?).map_err(|e| ErrorKind::not_saved(path, &e))
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
    /// assert_eq!(document.schema(), "surface-severity/equivalence/3");
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
            decisions: self.decisions.clone(),
            shared_groupings: self.shared_groupings.clone(),
            log_scatter: self.log_scatter,
            scatter_degrees_of_freedom: self.scatter_degrees_of_freedom,
            scale: self.scale.clone(),
            surfaces: self.surfaces.clone(),
            nearest: self.nearest.clone(),
        }
    }
}
