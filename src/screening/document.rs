//! screening.json.

use serde::{Deserialize, Serialize};

use crate::document::{self, CRATE_VERSION, Document};
use crate::error::Result;
use crate::record;
use crate::severity::Severity;

use super::headline::HeadlineFactor;
use super::influence::InfluenceTable;
use super::plan::MOST_INFLUENTIAL;
use super::plan::{Screening, ScreeningNote, ScreeningReport};
use super::verdict::{Evidence, GroupVerdict, Verdict};

/// How p-values are adjusted over the campaign.
const ADJUSTMENT: &str = "holm_times_tests";

/// Everything that was asked for.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::screening::Screening;
/// let report = Screening::new().influence(false).screen(&campaign, &plan)?;
/// let options = report.document().options;
/// assert_eq!((&options.screening, &options.severity), (report.plan(), &plan));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct ScreeningOptions {
    /// The screening plan.
    pub screening: Screening,
    /// The severity plan whose factors are compared.
    pub severity: Severity,
}

/// The saved form of a screening. A document that was edited after it was written is refused.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::screening::{Screening, ScreeningDocument};
/// let document = Screening::new().influence(false).screen(&campaign, &plan)?.document();
/// let again = ScreeningDocument::from_json(&document.to_json()?)?;
/// assert_eq!(again, document);
/// assert_eq!(again.verdicts.len(), campaign.len(), "a verdict on every trial, voids included");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct ScreeningDocument {
    /// Version of the crate that wrote it.
    pub crate_version: String,
    /// SHA-256 of the canonical trial table.
    pub campaign_digest: String,
    /// The plans.
    pub options: ScreeningOptions,
    /// Seed of whatever was drawn at random; null where nothing was.
    pub seed: Option<u64>,
    /// How p-values were adjusted over the campaign.
    pub adjustment: String,
    /// Pooled standard deviation of log time within cells, all trials.
    pub log_scatter: Option<f64>,
    /// Its degrees of freedom.
    pub degrees_of_freedom: Option<f64>,
    /// The same without the flagged trials.
    pub log_scatter_without_flagged: Option<f64>,
    /// Scatter of log time from pooled median absolute deviations.
    pub robust_log_scatter: Option<f64>,
    /// Scale of log time about the robust severity fit.
    pub robust_scale: Option<f64>,
    /// Each surface factor on all trials, robustly, without the flagged trials, and as decided.
    pub headline: Vec<HeadlineFactor>,
    /// One verdict per trial, sorted by trial id.
    pub verdicts: Vec<Verdict>,
    /// Cells, days and belts about which a test between groups spoke.
    pub groups: Vec<GroupVerdict>,
    /// What changes a factor most when left out, ranked: surface factors, then correction factors, each
    /// without one trial, material, day and cell, the ten largest of each; empty where it was not asked for.
    pub most_influential: Vec<InfluenceTable>,
    /// What a reader should know.
    pub notes: Vec<ScreeningNote>,
}

impl ScreeningReport {
    /// The saved form of this report.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::screening::Screening;
    /// let document = Screening::new().influence(false).screen(&campaign, &plan)?.document();
    /// assert!(document.to_json()?.contains("\"schema\": \"surface-severity/screening/1\""));
    /// assert_eq!(document.campaign_digest, campaign.digest());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn document(&self) -> ScreeningDocument {
        ScreeningDocument {
            crate_version: CRATE_VERSION.into(),
            campaign_digest: self.campaign_digest.clone(),
            options: ScreeningOptions { screening: self.plan.clone(), severity: self.severity.clone() },
            seed: self.plan.robust_seed(),
            adjustment: ADJUSTMENT.into(),
            log_scatter: self.log_scatter,
            degrees_of_freedom: self.degrees_of_freedom,
            log_scatter_without_flagged: self.log_scatter_without_flagged,
            robust_log_scatter: self.robust_log_scatter,
            robust_scale: self.robust_scale,
            headline: self.headline.clone(),
            verdicts: self.verdicts.clone(),
            groups: self.groups.clone(),
            most_influential: self
                .influence
                .iter()
                .map(|table| InfluenceTable {
                    rows: table.most_influential(MOST_INFLUENTIAL).into_iter().cloned().collect(),
                    ..table.without_rows()
                })
                .collect(),
            notes: self.notes.clone(),
        }
    }
}

impl ScreeningDocument {
    /// Reads and validates screening.json.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::screening::{Screening, ScreeningDocument};
    /// let json = Screening::new().influence(false).screen(&campaign, &plan)?.document().to_json()?;
    /// assert!(ScreeningDocument::from_json(&json).is_ok());
    /// // Flags taken away by hand are noticed.
    /// assert!(ScreeningDocument::from_json(&json.replace("\"flagged\": true", "\"flagged\": false")).is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Document`](crate::ErrorKind::Document): not JSON, another schema, edited after it was written, options
    /// or p-values outside their range.
    pub fn from_json(text: &str) -> Result<Self> {
        document::from_json(text)
    }

    /// Pretty JSON.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::screening::{Screening, ScreeningDocument};
    /// let json = Screening::new().influence(false).screen(&campaign, &plan)?.document().to_json()?;
    /// assert_eq!(ScreeningDocument::from_json(&json)?.to_json()?, json);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::NotSaved`](crate::ErrorKind::NotSaved) should the content not be representable.
    pub fn to_json(&self) -> Result<String> {
        document::to_json(self)
    }
}

impl Document for ScreeningDocument {
    const KIND: &'static str = "screening";

    fn check(&self) -> std::result::Result<(), String> {
        self.options.screening.check().map_err(|e| e.to_string())?;
        record::level(self.options.severity.confidence_level())?;
        for (name, value) in [
            ("log_scatter", self.log_scatter),
            ("degrees_of_freedom", self.degrees_of_freedom),
            ("log_scatter_without_flagged", self.log_scatter_without_flagged),
            ("robust_log_scatter", self.robust_log_scatter),
            ("robust_scale", self.robust_scale),
        ] {
            record::all_positive(&[(name, value.unwrap_or(1.0))])?;
        }
        record::labels("trial", self.verdicts.iter().map(|v| v.trial_id.as_str()))?;
        for verdict in &self.verdicts {
            let of = |reason: String| format!("trial {:?}: {reason}", verdict.trial_id);
            record::all_positive(&[("abrasion_time_s", verdict.abrasion_time_s.unwrap_or(1.0))]).map_err(of)?;
            probabilities(&verdict.evidence).map_err(of)?;
        }
        for group in &self.groups {
            probabilities(&group.evidence).map_err(|reason| format!("group {:?}: {reason}", group.name))?;
        }
        record::labels("surface of headline", self.headline.iter().map(|row| row.surface.as_str()))?;
        for table in &self.most_influential {
            let n = table.surfaces.len();
            if table.factors.len() != n || table.rows.iter().any(|r| r.change_percent.len() != n) {
                return Err(format!("most_influential does not hold one value for each of its {n} surfaces"));
            }
            record::labels("surface of most_influential", table.surfaces.iter().map(String::as_str))?;
            table.factors.iter().try_for_each(|f| record::all_positive(&[("factor of most_influential", *f)]))?;
        }
        Ok(())
    }
}

/// p-values lie in 0 to 1.
fn probabilities(evidence: &[Evidence]) -> std::result::Result<(), String> {
    let outside = |p: Option<f64>| p.is_some_and(|p| !(0.0..=1.0).contains(&p));
    match evidence.iter().find(|e| outside(e.p_value) || outside(e.adjusted_p_value)) {
        Some(e) => Err(format!("a p-value of {} lies outside 0 to 1", e.test)),
        None => Ok(()),
    }
}
