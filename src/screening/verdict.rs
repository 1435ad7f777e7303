//! What the tests say about one trial.

use serde::{Deserialize, Serialize};

use crate::campaign::{Decision, Outcome};

/// A rule or statistical test of the screening.
///
/// ```
/// use surface_severity::screening::Test;
/// assert!(Test::Speed.is_rule() && !Test::MedianDeviation.is_rule());
/// assert_eq!((Test::GeneralisedEsd.as_str(), Test::GeneralisedEsd.to_string().as_str()), ("generalised_esd", "generalised ESD"));
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Test {
    /// Rule: recorded speed off its nominal value, m/s.
    Speed,
    /// Rule: recorded drop height off its nominal value, mm.
    DropHeight,
    /// Rule: recorded normal force off its nominal value, N.
    NormalForce,
    /// Rule: recorded temperature off its nominal value, °C.
    Temperature,
    /// Rule: a time recorded as exact that is below the time resolution, s.
    TimeBelowResolution,
    /// Rule: a run-out whose run was shorter than the usual run length, s.
    RunEndedEarly,
    /// Rule: a time impossibly short against the rest of its cell; the statistic is the ratio to
    /// the median of the others.
    ImpossiblyShort,
    /// Distance from the cell's median over the pooled MAD scale, on log times.
    MedianDeviation,
    /// Deletion (externally studentised) residual about the cell means, on log times.
    DeletionResidual,
    /// Generalised ESD over all cells: deletion residuals, the most extreme trial removed again and
    /// again.
    GeneralisedEsd,
    /// Residual of the robust severity fit, in robust scales. Never flags: it also rises where the
    /// cell departs from the common factor.
    RobustResidual,
    /// Scatter of a group against the others: its share of the pooled squares (Cochran).
    Cochran,
    /// Level of a group against the others (Mandel h).
    MandelH,
    /// Scatter of a group against the others (Mandel k).
    MandelK,
}

impl Test {
    /// The word used in documents.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Speed => "speed",
            Self::DropHeight => "drop_height",
            Self::NormalForce => "normal_force",
            Self::Temperature => "temperature",
            Self::TimeBelowResolution => "time_below_resolution",
            Self::RunEndedEarly => "run_ended_early",
            Self::ImpossiblyShort => "impossibly_short",
            Self::MedianDeviation => "median_deviation",
            Self::DeletionResidual => "deletion_residual",
            Self::GeneralisedEsd => "generalised_esd",
            Self::RobustResidual => "robust_residual",
            Self::Cochran => "cochran",
            Self::MandelH => "mandel_h",
            Self::MandelK => "mandel_k",
        }
    }

    /// True for a rule on what was recorded, false for a statistical test on times.
    #[must_use]
    pub fn is_rule(self) -> bool {
        matches!(
            self,
            Self::Speed
                | Self::DropHeight
                | Self::NormalForce
                | Self::Temperature
                | Self::TimeBelowResolution
                | Self::RunEndedEarly
                | Self::ImpossiblyShort
        )
    }
}

impl std::fmt::Display for Test {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Speed => "speed",
            Self::DropHeight => "drop height",
            Self::NormalForce => "normal force",
            Self::Temperature => "temperature",
            Self::TimeBelowResolution => "time below resolution",
            Self::RunEndedEarly => "run ended early",
            Self::ImpossiblyShort => "impossibly short time",
            Self::MedianDeviation => "median deviation",
            Self::DeletionResidual => "deletion residual",
            Self::GeneralisedEsd => "generalised ESD",
            Self::RobustResidual => "robust residual",
            Self::Cochran => "Cochran",
            Self::MandelH => "Mandel h",
            Self::MandelK => "Mandel k",
        })
    }
}

/// One test that spoke about a trial.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::screening::Screening;
/// let report = Screening::new().influence(false).screen(&campaign, &plan)?;
/// let verdict = report.verdict("R-0077").unwrap();
/// for evidence in verdict.evidence.iter().filter(|e| e.flags && !e.test.is_rule()) {
///     println!("{}", evidence.reason);
///     // Flagged at 5 % after adjustment over all trials and tests, which costs something.
///     assert!(evidence.adjusted_p_value.unwrap() <= 0.05 && evidence.p_value < evidence.adjusted_p_value);
/// }
/// # assert!(verdict.evidence.iter().any(|e| e.flags && !e.test.is_rule()));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct Evidence {
    /// Which test.
    pub test: Test,
    /// Its statistic; for a rule the recorded value.
    pub statistic: f64,
    /// What the statistic was compared with: for a test its critical value at the significance of a
    /// single test, for a rule the limit that was passed.
    pub critical_value: f64,
    /// Probability of a statistic as extreme without an outlier; absent for rules and for scores
    /// that are compared with a fixed limit.
    pub p_value: Option<f64>,
    /// The p-value after Holm's adjustment over all trials (groups: groups
    /// of a kind) that the test could look at, and for tests that can flag times their number.
    pub adjusted_p_value: Option<f64>,
    /// True where this is enough to flag the trial; false for a remark.
    pub flags: bool,
    /// In plain words.
    pub reason: String,
}

/// The verdict on one trial. Nothing is removed by it: whoever runs the campaign decides.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::screening::Screening;
/// let report = Screening::new().influence(false).screen(&campaign, &plan)?;
/// let verdict = report.verdict("R-0083").unwrap();
/// println!("{} ({} on {}): {}", verdict.trial_id, verdict.material, verdict.surface, verdict.reason);
/// assert_eq!(verdict.flagged, verdict.evidence.iter().any(|e| e.flags));
/// assert_eq!(verdict.decision, None, "a flag is a question, nobody has answered it");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct Verdict {
    /// The trial.
    pub trial_id: String,
    /// Material of its cell.
    pub material: String,
    /// Surface of its cell.
    pub surface: String,
    /// How it ended.
    pub outcome: Outcome,
    /// Its time, s; absent only where void.
    pub abrasion_time_s: Option<f64>,
    /// True where some evidence is enough to flag it.
    pub flagged: bool,
    /// Every test that spoke, rules first; empty where none did.
    pub evidence: Vec<Evidence>,
    /// All of it in plain words; the recorded reason where void; empty where nothing spoke.
    pub reason: String,
    /// What was decided about it by whoever runs the campaign, if anything.
    pub decision: Option<Decision>,
    /// What each surface factor becomes without this trial; for trials about which something spoke,
    /// empty for the others.
    pub without_it: Vec<FactorWithout>,
}

/// A surface or correction factor without one trial.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::screening::Screening;
/// let report = Screening::new().screen(&campaign, &plan)?;
/// let verdict = report.verdict("R-0030").unwrap();
/// // The factor of the surface that it was dropped on moves most.
/// let own = verdict.without_it.iter().find(|row| row.surface == verdict.surface).unwrap();
/// println!("{} without {}: {:?}", own.surface, verdict.trial_id, own.factor);
/// assert!(verdict.without_it.iter().all(|row| row.change_percent.unwrap().abs() <= own.change_percent.unwrap().abs()));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct FactorWithout {
    /// Surface.
    pub surface: String,
    /// Its factor without the trial; absent where it then has no estimate.
    pub factor: Option<f64>,
    /// Change, per cent.
    pub change_percent: Option<f64>,
}

/// What kind of group is compared with its like.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::screening::{GroupKind, Screening};
/// let report = Screening::new().influence(false).screen(&campaign, &plan)?;
/// for group in report.groups().iter().filter(|group| group.kind == GroupKind::Cell) {
///     assert!(group.name.contains(" on "), "material on surface");
/// }
/// # assert!(report.groups().iter().any(|group| group.kind == GroupKind::Cell));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum GroupKind {
    /// One material on one surface: its scatter.
    Cell,
    /// One day: level and scatter of its residuals.
    Day,
    /// One abrasive belt: level and scatter of its residuals.
    Belt,
}

/// What the tests between groups say about one of them; nothing is flagged by it.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::screening::Screening;
/// let report = Screening::new().influence(false).screen(&campaign, &plan)?;
/// for group in report.groups() {
///     println!("{} ({} exact times): {}", group.name, group.trials, group.evidence[0].reason);
///     assert!(group.evidence.iter().all(|e| !e.flags), "groups are listed, never flagged");
/// }
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct GroupVerdict {
    /// Kind of group.
    pub kind: GroupKind,
    /// "material on surface", day or belt.
    pub name: String,
    /// Exact times in it.
    pub trials: usize,
    /// Every test that spoke.
    pub evidence: Vec<Evidence>,
}

impl Verdict {
    /// The evidence of one test, if it spoke.
    #[must_use]
    pub fn evidence_of(&self, test: Test) -> Option<&Evidence> {
        self.evidence.iter().find(|e| e.test == test)
    }
}
