//! screening.json.

use std::collections::BTreeSet;

use serde::{Deserialize, Serialize};

use crate::campaign::{Decision, Outcome};
use crate::document::{CRATE_VERSION, parse, present, schema, to_json, version_of};
use crate::error::{ErrorKind, Result};
use crate::severity::Severity;

use super::headline::{HeadlineFactor, change_percent};
use super::influence::{InfluenceRow, InfluenceTable, LeftOut, Quantity};
use super::plan::MOST_INFLUENTIAL;
use super::plan::{Screening, ScreeningNote, ScreeningReport};
use super::verdict::{Evidence, FactorWithout, GroupVerdict, Verdict};

const KIND: &str = "screening";
const VERSION: u32 = 2;
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

/// The saved form of a screening. Reading validates as strictly as building.
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
    /// `surface-severity/screening/2`, whichever version was read.
    pub schema: String,
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
    /// One verdict per trial, in the order of the campaign.
    pub verdicts: Vec<Verdict>,
    /// Cells, days and belts about which a test between groups spoke.
    pub groups: Vec<GroupVerdict>,
    /// What changes a factor most when left out, ranked: surface factors, then correction factors, each
    /// without one trial, material, day and cell, the ten largest of each; empty where it was not asked for.
    pub most_influential: Vec<InfluenceTable>,
    /// What a reader should know.
    pub notes: Vec<ScreeningNote>,
}

/// Version 1: the influence of trials on surface factors alone.
#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct DocumentV1 {
    #[allow(dead_code)]
    schema: String,
    crate_version: String,
    campaign_digest: String,
    options: ScreeningOptions,
    #[serde(deserialize_with = "present")]
    seed: Option<u64>,
    adjustment: String,
    #[serde(deserialize_with = "present")]
    log_scatter: Option<f64>,
    #[serde(deserialize_with = "present")]
    degrees_of_freedom: Option<f64>,
    #[serde(deserialize_with = "present")]
    log_scatter_without_flagged: Option<f64>,
    #[serde(deserialize_with = "present")]
    robust_log_scatter: Option<f64>,
    #[serde(deserialize_with = "present")]
    robust_scale: Option<f64>,
    headline: Vec<HeadlineFactor>,
    verdicts: Vec<VerdictV1>,
    groups: Vec<GroupVerdict>,
    #[serde(deserialize_with = "present")]
    most_influential: Option<InfluenceV1>,
    notes: Vec<ScreeningNote>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct VerdictV1 {
    trial_id: String,
    material: String,
    surface: String,
    outcome: Outcome,
    abrasion_time_s: Option<f64>,
    flagged: bool,
    evidence: Vec<Evidence>,
    reason: String,
    decision: Option<Decision>,
    without_it: Vec<FactorWithout>,
}

#[derive(Deserialize)]
#[serde(deny_unknown_fields)]
struct InfluenceV1 {
    left_out: LeftOut,
    surfaces: Vec<String>,
    factors: Vec<f64>,
    rows: Vec<InfluenceRow>,
}

impl DocumentV1 {
    /// Nobody asked for correction factors then.
    fn upgrade(self) -> ScreeningDocument {
        let verdict = |v: VerdictV1| Verdict {
            trial_id: v.trial_id,
            material: v.material,
            surface: v.surface,
            outcome: v.outcome,
            abrasion_time_s: v.abrasion_time_s,
            flagged: v.flagged,
            evidence: v.evidence,
            reason: v.reason,
            decision: v.decision,
            without_it: v.without_it,
            corrections_without_it: Vec::new(),
        };
        let influence = |t: InfluenceV1| InfluenceTable {
            quantity: Quantity::Abrasiveness,
            left_out: t.left_out,
            surfaces: t.surfaces,
            factors: t.factors,
            rows: t.rows,
        };
        ScreeningDocument {
            schema: schema(KIND, VERSION),
            crate_version: self.crate_version,
            campaign_digest: self.campaign_digest,
            options: self.options,
            seed: self.seed,
            adjustment: self.adjustment,
            log_scatter: self.log_scatter,
            degrees_of_freedom: self.degrees_of_freedom,
            log_scatter_without_flagged: self.log_scatter_without_flagged,
            robust_log_scatter: self.robust_log_scatter,
            robust_scale: self.robust_scale,
            headline: self.headline,
            verdicts: self.verdicts.into_iter().map(verdict).collect(),
            groups: self.groups,
            most_influential: self.most_influential.into_iter().map(influence).collect(),
            notes: self.notes,
        }
    }
}

impl ScreeningReport {
    /// The saved form of this report.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::screening::Screening;
    /// let document = Screening::new().influence(false).screen(&campaign, &plan)?.document();
    /// assert_eq!(document.schema, "surface-severity/screening/2");
    /// assert_eq!(document.campaign_digest, campaign.digest());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn document(&self) -> ScreeningDocument {
        ScreeningDocument {
            schema: schema(KIND, VERSION),
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
    /// Reads and validates screening.json, of this version of the schema or any older one.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::screening::{Screening, ScreeningDocument};
    /// let json = Screening::new().influence(false).screen(&campaign, &plan)?.document().to_json()?;
    /// assert!(ScreeningDocument::from_json(&json).is_ok());
    /// // Flags taken away by hand contradict their evidence.
    /// assert!(ScreeningDocument::from_json(&json.replace("\"flagged\": true", "\"flagged\": false")).is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Document`]: not JSON, another schema, unknown or missing fields, options outside
    /// their range, or verdicts that contradict their evidence.
    pub fn from_json(text: &str) -> Result<Self> {
        let document: Self = match version_of(text, KIND, 1..=VERSION)? {
            1 => parse::<DocumentV1>(text, KIND)?.upgrade(),
            _ => parse(text, KIND)?,
        };
        document.check()?;
        Ok(document)
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
    /// [`ErrorKind::Document`] should a number not be representable.
    pub fn to_json(&self) -> Result<String> {
        to_json(self, KIND)
    }

    fn check(&self) -> Result<()> {
        let bad = |reason: String| Err(ErrorKind::document(KIND, reason));
        self.options.screening.check().map_err(|e| ErrorKind::document(KIND, e.to_string()))?;
        if self.adjustment != ADJUSTMENT {
            return bad(format!("adjustment {:?} is not known; expected {ADJUSTMENT:?}", self.adjustment));
        }
        for (name, value) in [
            ("log_scatter", self.log_scatter),
            ("degrees_of_freedom", self.degrees_of_freedom),
            ("log_scatter_without_flagged", self.log_scatter_without_flagged),
            ("robust_log_scatter", self.robust_log_scatter),
            ("robust_scale", self.robust_scale),
        ] {
            if value.is_some_and(|v| !(v > 0.0 && v.is_finite())) {
                return bad(format!("{name} is not a positive number"));
            }
        }
        let mut seen = BTreeSet::new();
        for verdict in &self.verdicts {
            let id = &verdict.trial_id;
            if !seen.insert(id) {
                return bad(format!("trial {id:?} has two verdicts"));
            }
            if verdict.flagged != verdict.evidence.iter().any(|e| e.flags) {
                return bad(format!("trial {id:?}: flagged contradicts its evidence"));
            }
            if verdict.outcome == Outcome::Void && (verdict.reason.is_empty() || !verdict.evidence.is_empty()) {
                return bad(format!("trial {id:?}: a void has its reason and no other evidence"));
            }
            let time_missing = verdict.abrasion_time_s.is_none() && verdict.outcome != Outcome::Void;
            if time_missing || verdict.abrasion_time_s.is_some_and(|t| !(t > 0.0 && t.is_finite())) {
                return bad(format!("trial {id:?}: abrasion_time_s is not a positive number of seconds"));
            }
            for evidence in &verdict.evidence {
                let probability = |p: Option<f64>| p.is_none_or(|p| (0.0..=1.0).contains(&p));
                if !probability(evidence.p_value) || !probability(evidence.adjusted_p_value) {
                    return bad(format!("trial {id:?}: a p-value of {} lies outside 0 to 1", evidence.test));
                }
                if let (Some(p), Some(adjusted)) = (evidence.p_value, evidence.adjusted_p_value)
                    && adjusted < p
                {
                    return bad(format!("trial {id:?}: the adjusted p-value of {} is below its own", evidence.test));
                }
            }
        }
        for group in &self.groups {
            if group.evidence.is_empty() || group.evidence.iter().any(|e| e.flags) {
                return bad(format!("group {:?}: a group is listed for its evidence and flags nothing", group.name));
            }
        }
        for (i, table) in self.most_influential.iter().enumerate() {
            let same = |t: &InfluenceTable| t.quantity == table.quantity && t.left_out == table.left_out;
            if self.most_influential[..i].iter().any(same) {
                return bad("most_influential holds a table twice".into());
            }
            let n = table.surfaces.len();
            if table.factors.len() != n || table.rows.iter().any(|r| r.change_percent.len() != n) {
                return bad(format!("most_influential does not hold one value for each of its {n} surfaces"));
            }
            if table.factors.iter().any(|f| !(*f > 0.0 && f.is_finite())) {
                return bad("most_influential: a factor is not positive".into());
            }
        }
        for row in &self.headline {
            let changes = [
                (row.change_percent, change_percent(&row.all_trials, &row.without_flagged)),
                (row.robust_change_percent, change_percent(&row.all_trials, &row.robust)),
                (row.decided_change_percent, row.decided.as_ref().and_then(|d| change_percent(&row.all_trials, d))),
            ];
            for (given, want) in changes {
                let agree = match (given, want) {
                    (Some(a), Some(b)) => (a - b).abs() <= 1e-9 * (1.0 + b.abs()),
                    (None, None) => true,
                    _ => false,
                };
                if !agree {
                    return bad(format!("change_percent of {:?} contradicts its factors", row.surface));
                }
            }
        }
        Ok(())
    }
}
