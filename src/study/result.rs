//! What a study gives.

use std::fmt;

use serde::Serialize;

use super::conclusions::Conclusions;
use super::plan::Study;
use crate::bootstrap::SeverityBootstrap;
use crate::campaign::Campaign;
use crate::correction::{CorrectedTime, Correction, ExposedTime};
use crate::equivalence::EquivalenceFit;
use crate::error::Error;
use crate::laboratory::ControlChart;
use crate::screening::ScreeningReport;
use crate::severity::{Additivity, CovariateCheck, DistributionComparison, EqualScatter, SeverityFit, UnequalScatter};
use crate::slide::SlideRow;

/// A stage of a study.
///
/// ```
/// use surface_severity::study::Stage;
/// assert_eq!(Stage::Correction.to_string(), "correction");
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Stage {
    /// What trials share, in the scale.
    SharedConditions,
    /// Trials to question.
    Screening,
    /// Whether cells follow one factor per surface.
    Additivity,
    /// Which distribution describes the times best.
    Distributions,
    /// Whether specimens of all classes scatter alike.
    EqualScatter,
    /// How recorded numbers act.
    Covariates,
    /// Earlier campaigns.
    Seasons,
    /// Roads of which only the texture is known.
    Texture,
    /// Bootstrap intervals.
    Bootstrap,
    /// Whether the belt was in control.
    ControlChart,
    /// Reports read through their own reading of the reference cloth.
    ReferenceReadings,
    /// Belt against roads.
    Equivalence,
    /// Laboratory times read as road times.
    Correction,
    /// Laboratory reports read as road times.
    CorrectedReports,
    /// What slides use up.
    Slide,
    /// Reports on a mixture of roads.
    Exposure,
}

impl fmt::Display for Stage {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::SharedConditions => "shared conditions",
            Self::Screening => "screening",
            Self::Additivity => "test of additivity",
            Self::Distributions => "comparison of distributions",
            Self::EqualScatter => "test of equal scatter",
            Self::Covariates => "test of covariates",
            Self::Seasons => "scale of several seasons",
            Self::Texture => "line over texture",
            Self::Bootstrap => "bootstrap",
            Self::ControlChart => "control chart",
            Self::ReferenceReadings => "reading of reports through the reference cloth",
            Self::Equivalence => "belt against roads",
            Self::Correction => "correction",
            Self::CorrectedReports => "corrected reports",
            Self::Slide => "slide",
            Self::Exposure => "mixture of roads",
        })
    }
}

/// A stage that could not be had.
///
/// ```
/// // One material on two surfaces: a scale, but no statement about further materials.
/// # use surface_severity::campaign::{Campaign, SurfaceRole, Trial};
/// # let mut trials = Vec::new();
/// # for (surface, times) in [("asphalt", [9.8, 11.6, 10.3]), ("belt", [3.9, 3.4, 4.1])] {
/// #     for (i, t) in times.into_iter().enumerate() {
/// #         let trial = Trial::perforated(format!("{surface} {i}"), surface, "cowhide", t);
/// #         let role = if surface == "belt" { SurfaceRole::Laboratory } else { SurfaceRole::Road };
/// #         trials.push(trial.surface_role(role));
/// #     }
/// # }
/// # let campaign = Campaign::from_trials(trials)?;
/// use surface_severity::study::{Stage, Study};
/// use surface_severity::severity::Severity;
/// let result = Study::new(Severity::new("asphalt")).run(&campaign, None)?;
/// let missing = result.conclusions.not_had.iter().find(|n| n.stage == Stage::Correction).unwrap();
/// assert!(missing.reason.contains("material"), "{missing}");
/// assert!(result.severity.factor("belt")?.lower() > 1.0, "the scale is there all the same");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[non_exhaustive]
pub struct NotHad {
    /// The stage.
    pub stage: Stage,
    /// The laboratory surface that it would have been for, where it is for one.
    pub laboratory: Option<String>,
    /// Why not, in words.
    pub reason: String,
}

impl NotHad {
    pub(super) fn of(stage: Stage, laboratory: Option<String>, error: &Error, not_had: &mut Vec<Self>) {
        let text = error.to_string();
        let reason = text.lines().map(str::trim).filter(|l| !l.is_empty()).collect::<Vec<_>>().join(" ");
        not_had.push(Self { stage, laboratory, reason });
    }
}

/// `No correction from laboratory belt: ...`.
impl fmt::Display for NotHad {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "No {}", self.stage)?;
        if let Some(laboratory) = &self.laboratory {
            write!(f, " from {laboratory}")?;
        }
        write!(f, ": {}", self.reason)
    }
}

/// One laboratory surface.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// let result = surface_severity::study::Study::new(plan).run(&campaign, None)?;
/// let belt = &result.belts[0];
/// let (equivalence, correction) = (belt.equivalence.as_ref().unwrap(), belt.correction.as_ref().unwrap());
/// assert_eq!((belt.laboratory.as_str(), correction.laboratory()), ("laboratory belt", equivalence.laboratory()));
/// assert!(belt.corrected.is_empty(), "no reports were given");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Belt {
    /// The surface.
    pub laboratory: String,
    /// Of the reference cloth, where one was named.
    pub control: Option<ControlChart>,
    /// Compared with every road.
    #[serde(skip)]
    pub equivalence: Option<EquivalenceFit>,
    /// Its times read as road times.
    #[serde(skip)]
    pub correction: Option<Correction>,
    /// Every report on every road that has a correction.
    pub corrected: Vec<CorrectedTime>,
    /// What the caller's slides use up of every report's material, where they were given.
    pub slides: Vec<SlideRow>,
    /// Every report on the mixture of roads, where one was given.
    pub exposed: Vec<ExposedTime>,
}

/// The results of all stages and what they come to.
///
/// Serialised it holds plan and conclusions; the fits are saved as documents of their own ([`files`](Self::files)).
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// use surface_severity::severity::Severity;
/// use surface_severity::study::Study;
/// let result = Study::new(Severity::new("dense asphalt concrete")).run(&campaign, None)?;
/// println!("{}", result.summary());
/// // The belt's factor in the conclusions is that of the scale, to the digit.
/// let belt = &result.conclusions.belts[0];
/// assert_eq!(belt.factor.interval(), Some(&result.severity.factor("laboratory belt")?));
/// assert_eq!(belt.roads.len(), 6);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Serialize)]
#[non_exhaustive]
pub struct StudyResult {
    /// The plan.
    pub plan: Study,
    /// The campaign.
    #[serde(skip)]
    pub campaign: Campaign,
    /// The scale.
    #[serde(skip)]
    pub severity: SeverityFit,
    /// Verdict on every trial.
    #[serde(skip)]
    pub screening: Option<ScreeningReport>,
    /// One factor per surface against one median per cell.
    #[serde(skip)]
    pub additivity: Option<Additivity>,
    /// Distributions of times compared.
    #[serde(skip)]
    pub distributions: Option<DistributionComparison>,
    /// Whether specimens of all classes scatter alike.
    #[serde(skip)]
    pub equal_scatter: Option<EqualScatter>,
    /// The scatter of each class.
    #[serde(skip)]
    pub unequal_scatter: Option<UnequalScatter>,
    /// Whether recorded numbers act as they are modelled.
    #[serde(skip)]
    pub covariate_checks: Vec<CovariateCheck>,
    /// Bootstrap intervals of independent trials, for comparison.
    #[serde(skip)]
    pub bootstrap: Option<SeverityBootstrap>,
    /// The laboratory surfaces, in the order of the plan.
    pub belts: Vec<Belt>,
    /// What it comes to.
    pub conclusions: Conclusions,
}
