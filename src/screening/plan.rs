//! The plan ([`Screening`]) and its result ([`ScreeningReport`]).

use serde::{Deserialize, Serialize};

use crate::campaign::{Campaign, Decision, Outcome, Trial};
use crate::error::{ErrorKind, Result};
use crate::severity::machinery::Cells;
use crate::severity::{Robust, RobustFit, RobustMethod, Severity};

use super::battery::{Screened, scatter};
use super::esd::check_significance;
use super::headline::{HeadlineFactor, headline};
use super::influence::{InfluenceRow, InfluenceTable, LeftOut, influence};
use super::rules::Rules;
use super::scores::Scores;
use super::verdict::{Evidence, FactorWithout, GroupVerdict, Test, Verdict};
use crate::holm;

/// What to screen for: plain data, checked in [`screen`](Self::screen), kept in the result.
///
/// | option | default | range | meaning |
/// |---|---|---|---|
/// | rules | see [`Rules`] | | rules on recorded conditions and times |
/// | test_significance | 0.01 | (0, 1) | a test speaks (remark) below this p-value of its own |
/// | campaign_significance | 0.05 | (0, 1) | a trial is flagged at or below this adjusted p-value: the chance that a clean campaign has any flag |
/// | esd_share | 0.25 | [0, 0.5] | largest share of outliers that generalised ESD looks for; 0 leaves it out |
/// | robust | Student t errors, 4 df | see [`Robust`] | the robust fit of the headline |
/// | influence | true | | what the factors become without each trial, material, day and cell |
///
/// p-values are adjusted with Holm's method over all trials that the test
/// could look at, and multiplied by the number of tests that can flag, so that the campaign's
/// significance holds for all of them together.
///
/// ```
/// use surface_severity::campaign::Campaign;
/// use surface_severity::screening::Screening;
/// use surface_severity::severity::Severity;
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let plan = Severity::new("dense asphalt concrete");
/// let report = Screening::new().influence(false).screen(&campaign, &plan)?;
/// for verdict in report.flagged() {
///     println!("{}: {}", verdict.trial_id, verdict.reason);
/// }
/// assert!(report.verdict("R-0077").is_some_and(|v| v.flagged), "clamped over a seam");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Screening {
    pub(super) rules: Rules,
    pub(super) test_significance: f64,
    pub(super) campaign_significance: f64,
    pub(super) esd_share: f64,
    robust: Option<Robust>,
    influence: bool,
}

impl Default for Screening {
    fn default() -> Self {
        Self {
            rules: Rules::default(),
            test_significance: 0.01,
            campaign_significance: 0.05,
            esd_share: 0.25,
            robust: Some(Robust::student_t(4.0)),
            influence: true,
        }
    }
}

/// Something the reader of a screening should know.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::screening::{Screening, ScreeningNote};
/// let report = Screening::new().influence(false).screen(&campaign, &plan)?;
/// assert!(report.notes().iter().any(|note| matches!(note, ScreeningNote::Voids { trials: 5, .. })));
/// for note in report.notes() {
///     println!("{note}");
/// }
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum ScreeningNote {
    /// A trial is set aside by decision; it was tested all the same.
    SetAside {
        /// The trial.
        trial_id: String,
        /// Why.
        reason: String,
        /// Who decided.
        decided_by: String,
    },
    /// The robust fit failed.
    NoRobustFit {
        /// Why.
        reason: String,
    },
    /// Void trials are listed with their reasons and not tested.
    Voids {
        /// How many.
        trials: usize,
    },
    /// Trials that lack a condition which the others have recorded.
    Unrecorded {
        /// The rule that could not look at them.
        rule: Test,
        /// How many.
        trials: usize,
    },
    /// Cells with censored times: tests that need exact times were not applied there.
    CensoredCells {
        /// How many cells.
        cells: usize,
    },
    /// Trials that no statistical test could compare with anything: alone in their cell, or the
    /// rest of the cell gives only a bound.
    NotComparable {
        /// How many trials.
        trials: usize,
    },
    /// Pairs that disagree: within a cell of two nothing says which trial is at fault.
    PairsDisagree {
        /// How many cells.
        cells: usize,
    },
    /// No cell is repeated, so that no statistical test can be applied.
    NoReplicates,
}

impl std::fmt::Display for ScreeningNote {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::SetAside { trial_id, reason, decided_by } => {
                write!(f, "trial {trial_id} is set aside by {decided_by}: {reason}; it was tested all the same")
            }
            Self::NoRobustFit { reason } => write!(f, "there is no robust fit: {reason}"),
            Self::Voids { trials } => write!(f, "{trials} void trial(s) are listed with their reasons and not tested"),
            Self::Unrecorded { rule, trials } => {
                write!(f, "{trials} trial(s) have no recorded {rule}; the rule could not look at them")
            }
            Self::CensoredCells { cells } => write!(
                f,
                "{cells} cell(s) hold run-outs or contact openings: generalised ESD, which needs exact times, was \
                 not applied there; deletion residuals and median deviations were"
            ),
            Self::NotComparable { trials } => write!(
                f,
                "{trials} trial(s) could not be compared with anything: alone in their cell, or the rest of it \
                 gives only a bound"
            ),
            Self::PairsDisagree { cells } => write!(
                f,
                "{cells} cell(s) of two trials disagree more than scatter explains; nothing within such a cell says \
                 which of the two is at fault"
            ),
            Self::NoReplicates => f.write_str("no cell holds two exact times: no statistical test could be applied"),
        }
    }
}

/// The screening of a campaign: one verdict per trial, and what the flagged ones are worth.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::screening::Screening;
/// let report = Screening::new().influence(false).screen(&campaign, &plan)?;
/// assert_eq!((report.verdicts().len(), report.headline().len()), (campaign.len(), 7));
/// // The gross errors inflate the scatter within cells; without them it is smaller.
/// assert!(report.log_scatter_without_flagged() < report.log_scatter());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct ScreeningReport {
    pub(crate) plan: Screening,
    pub(crate) severity: Severity,
    pub(crate) campaign_digest: String,
    pub(crate) verdicts: Vec<Verdict>,
    pub(crate) headline: Vec<HeadlineFactor>,
    pub(crate) log_scatter: Option<f64>,
    pub(crate) degrees_of_freedom: Option<f64>,
    pub(crate) log_scatter_without_flagged: Option<f64>,
    pub(crate) robust_log_scatter: Option<f64>,
    pub(crate) notes: Vec<ScreeningNote>,
    pub(crate) groups: Vec<GroupVerdict>,
    pub(crate) influence: Vec<InfluenceTable>,
    pub(crate) robust_scale: Option<f64>,
}

/// Rows of the influence table that documents carry.
pub(crate) const MOST_INFLUENTIAL: usize = 10;

impl ScreeningReport {
    /// Cells, days and belts about which a test between groups spoke.
    #[must_use]
    pub fn groups(&self) -> &[GroupVerdict] {
        &self.groups
    }
    /// What each surface factor becomes without each trial, where it was asked for.
    #[must_use]
    pub fn influence(&self) -> Option<&InfluenceTable> {
        self.influence.iter().find(|t| t.left_out == LeftOut::Trial)
    }
    /// Every table of influence: surface factors, then correction factors, each without one trial, material, day
    /// (where days are recorded) and cell; empty where it was not asked for.
    #[must_use]
    pub fn influences(&self) -> &[InfluenceTable] {
        &self.influence
    }
    /// The ten trials that change a surface factor most, ranked.
    #[must_use]
    pub fn most_influential(&self) -> Vec<&InfluenceRow> {
        self.influence().map_or_else(Vec::new, |t| t.most_influential(MOST_INFLUENTIAL))
    }
    /// Scale of log time about the robust severity fit, where there is one.
    #[must_use]
    pub fn robust_scale(&self) -> Option<f64> {
        self.robust_scale
    }
    /// The decisions that were in force.
    pub fn decisions(&self) -> impl Iterator<Item = &Decision> {
        self.verdicts.iter().filter_map(|v| v.decision.as_ref())
    }
    /// One verdict per trial, sorted by trial id.
    #[must_use]
    pub fn verdicts(&self) -> &[Verdict] {
        &self.verdicts
    }
    /// The flagged trials, sorted by trial id.
    pub fn flagged(&self) -> impl Iterator<Item = &Verdict> {
        self.verdicts.iter().filter(|v| v.flagged)
    }
    /// The verdict on one trial, if the campaign has it.
    #[must_use]
    pub fn verdict(&self, trial_id: &str) -> Option<&Verdict> {
        self.verdicts.binary_search_by(|v| v.trial_id.as_str().cmp(trial_id)).ok().map(|i| &self.verdicts[i])
    }
    /// Each surface factor on all trials, robustly, without the flagged trials, and as decided; sorted
    /// by surface.
    #[must_use]
    pub fn headline(&self) -> &[HeadlineFactor] {
        &self.headline
    }
    /// Pooled standard deviation of log time within cells, all trials; absent without replicates.
    #[must_use]
    pub fn log_scatter(&self) -> Option<f64> {
        self.log_scatter
    }
    /// Degrees of freedom of the pooled scatter: trials minus cells where nothing is censored.
    #[must_use]
    pub fn degrees_of_freedom(&self) -> Option<f64> {
        self.degrees_of_freedom
    }
    /// The same scatter without the flagged trials.
    #[must_use]
    pub fn log_scatter_without_flagged(&self) -> Option<f64> {
        self.log_scatter_without_flagged
    }
    /// Scatter of log time from the pooled median absolute deviations; absent where no cell has three trials.
    #[must_use]
    pub fn robust_log_scatter(&self) -> Option<f64> {
        self.robust_log_scatter
    }
    /// What a reader should know.
    #[must_use]
    pub fn notes(&self) -> &[ScreeningNote] {
        &self.notes
    }
    /// The screening plan.
    #[must_use]
    pub fn plan(&self) -> &Screening {
        &self.plan
    }
    /// The severity plan whose factors are compared.
    #[must_use]
    pub fn severity(&self) -> &Severity {
        &self.severity
    }
    /// Digest of the campaign that was screened.
    #[must_use]
    pub fn campaign_digest(&self) -> &str {
        &self.campaign_digest
    }
}

impl Screening {
    /// The default plan.
    ///
    /// ```
    /// use surface_severity::screening::Screening;
    /// assert_eq!(Screening::new(), Screening::default());
    /// ```
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }
    /// Sets the rules on recorded conditions and times.
    #[must_use]
    pub fn rules(mut self, rules: Rules) -> Self {
        self.rules = rules;
        self
    }
    /// Sets the significance at which a single test speaks: 0.01 for 1 %.
    #[must_use]
    pub fn test_significance(mut self, significance: f64) -> Self {
        self.test_significance = significance;
        self
    }
    /// Sets the significance, adjusted over the campaign, at which a trial is flagged.
    #[must_use]
    pub fn campaign_significance(mut self, significance: f64) -> Self {
        self.campaign_significance = significance;
        self
    }
    /// Sets the largest share of outliers that generalised ESD looks for; 0 leaves it out.
    #[must_use]
    pub fn esd_share(mut self, share: f64) -> Self {
        self.esd_share = share;
        self
    }
    /// Sets the robust fit of the headline, or none.
    #[must_use]
    pub fn robust(mut self, robust: impl Into<Option<Robust>>) -> Self {
        self.robust = robust.into();
        self
    }
    /// Switches the influence of each trial, material, day and cell.
    #[must_use]
    pub fn influence(mut self, on: bool) -> Self {
        self.influence = on;
        self
    }
    /// Tests that can flag.
    pub(super) fn families(&self) -> f64 {
        if self.esd_share > 0.0 { 3.0 } else { 2.0 }
    }

    /// Holm within a test, times the tests.
    pub(super) fn adjust(&self, p_values: &[f64]) -> Vec<f64> {
        holm(p_values).into_iter().map(|p| (p * self.families()).min(1.0)).collect()
    }

    /// Seed of whatever this plan draws at random.
    pub(crate) fn robust_seed(&self) -> Option<u64> {
        match self.robust?.method() {
            RobustMethod::Mm { seed, .. } => Some(seed),
            _ => None,
        }
    }

    pub(crate) fn check(&self) -> Result<()> {
        self.rules.check()?;
        if let Some(robust) = &self.robust {
            robust.check()?;
        }
        check_significance("test_significance", self.test_significance)?;
        check_significance("campaign_significance", self.campaign_significance)?;
        if !(0.0..=0.5).contains(&self.esd_share) {
            return Err(ErrorKind::option("esd_share", self.esd_share, "a share from 0 to 0.5"));
        }
        Ok(())
    }

    /// Screens `campaign`, and fits `severity` on all trials, robustly, and without flagged trials.
    ///
    /// Decisions do not hide anything: trials that are set aside are tested like the others, and the
    /// headline shows the factors as decided next to those of all trials.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::campaign::Decisions;
    /// use surface_severity::screening::Screening;
    /// let decided = campaign.with_decisions(&Decisions::new().set_aside("R-0077", "clamped over a seam", "engineer"))?;
    /// let report = Screening::new().influence(false).screen(&decided, &plan)?;
    /// // A decision hides nothing: the trial is still tested, and the factor as decided stands beside that of all trials.
    /// assert!(report.verdict("R-0077").is_some_and(|v| v.flagged && v.decision.is_some()));
    /// assert!(report.headline().iter().all(|row| row.decided.is_some()));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`], [`ErrorKind::UnknownSurface`] for the laboratory of the plan of correction
    /// factors, and whatever `severity` cannot be fitted on all trials for. A fit that fails only robustly or without
    /// some trials is no error: the headline says why. Nor are correction factors that the campaign is too small for:
    /// a note says so.
    pub fn screen(&self, campaign: &Campaign, severity: &Severity) -> Result<ScreeningReport> {
        self.check()?;
        let table = campaign.undecided();
        let all = severity.fit(&table)?;
        let mut cells = Cells::new(&table, None);
        if let Some(shift) = all.shift() {
            cells.take_off(shift);
        }
        let scores = Scores::of(&mut cells, severity.chosen_distribution());
        let mut screened = Screened {
            plan: self,
            campaign: &table,
            fit: &all,
            cells: &cells,
            scores: &scores,
            evidence: vec![Vec::new(); table.trials().len()],
            notes: Vec::new(),
            robust_limit: None,
        };
        let voids = table.trials().iter().filter(|t| t.outcome == Outcome::Void).count();
        if voids > 0 {
            screened.notes.push(ScreeningNote::Voids { trials: voids });
        }
        screened.notes.extend(campaign.decisions().iter().map(|d| ScreeningNote::SetAside {
            trial_id: d.trial_id.clone(),
            reason: d.reason.clone(),
            decided_by: d.decided_by.clone(),
        }));
        screened.rules();
        let robust_log_scatter = screened.median_deviation();
        let robust = self.robust.map(|robust| robust.fit(severity, &table));
        match &robust {
            Some(Ok(fit)) => screened.robust_residuals(fit),
            Some(Err(error)) => screened.notes.push(ScreeningNote::NoRobustFit { reason: error.to_string() }),
            None => {}
        }
        let pooled = screened.deletion();
        if let (Some(pooled), true) = (pooled, self.esd_share > 0.0) {
            screened.esd(pooled);
        }
        let robust_fit = robust.as_ref().and_then(|r| r.as_ref().ok());
        let mut groups = screened.majorities();
        screened.slips();
        groups.extend(screened.groups(robust_fit)?);
        let influence = self.influences(severity, &table)?;
        let Screened { evidence, notes, .. } = screened;
        let mut verdicts: Vec<Verdict> = campaign
            .trials()
            .iter()
            .zip(evidence)
            .map(|(trial, evidence)| verdict(trial, evidence, campaign.decisions(), &influence))
            .collect();
        let aside: Vec<bool> = verdicts.iter().map(|v| v.flagged).collect();
        // Whatever the order of the table's rows.
        verdicts.sort_by(|a, b| a.trial_id.cmp(&b.trial_id));
        let any = aside.contains(&true);
        let fewer = table.without(aside);
        let without = if any { severity.fit(&fewer) } else { Ok(all.clone()) };
        let decided = (!campaign.decisions().is_empty()).then(|| severity.fit(campaign));
        let log_scatter = pooled.map(|p| p.sigma());
        let without_flagged = || {
            let mut cells = Cells::new(&fewer, None);
            if let Some(shift) = all.shift() {
                cells.take_off(shift);
            }
            Scores::of(&mut cells, severity.chosen_distribution());
            scatter(&cells)
        };
        let log_scatter_without_flagged = if any { without_flagged() } else { log_scatter };
        Ok(ScreeningReport {
            plan: self.clone(),
            severity: severity.clone(),
            campaign_digest: campaign.digest(),
            headline: headline(&all, robust.as_ref(), &without, decided.as_ref()),
            verdicts,
            log_scatter,
            degrees_of_freedom: pooled.map(|p| p.degrees_of_freedom()),
            log_scatter_without_flagged,
            robust_log_scatter,
            robust_scale: robust_fit.map(RobustFit::log_scatter),
            notes,
            groups,
            influence,
        })
    }

    /// Surface factors without one trial, material, day and cell.
    fn influences(&self, severity: &Severity, table: &Campaign) -> Result<Vec<InfluenceTable>> {
        let mut all = Vec::new();
        if !self.influence {
            return Ok(all);
        }
        let days = table.trials().iter().any(|t| t.day.is_some() && t.outcome != Outcome::Void);
        let left_out: Vec<LeftOut> = [LeftOut::Trial, LeftOut::Material, LeftOut::Day, LeftOut::Cell]
            .into_iter()
            .filter(|l| days || *l != LeftOut::Day)
            .collect();
        for &left_out in &left_out {
            all.push(influence(severity, table, left_out)?);
        }
        Ok(all)
    }
}

fn verdict(
    trial: &Trial,
    mut evidence: Vec<Evidence>,
    decisions: &[Decision],
    influence: &[InfluenceTable],
) -> Verdict {
    evidence.sort_by_key(|e| e.test);
    let reason = if trial.outcome == Outcome::Void {
        trial.note.clone().unwrap_or_default()
    } else {
        evidence.iter().map(|e| e.reason.as_str()).collect::<Vec<_>>().join("; ")
    };
    let decision = decisions
        .binary_search_by(|d| d.trial_id.as_str().cmp(trial.trial_id.as_str()))
        .ok()
        .map(|i| decisions[i].clone());
    let table = influence.iter().find(|t| t.left_out == LeftOut::Trial).filter(|_| !evidence.is_empty());
    let without_it = table.and_then(|t| Some((t, t.row(&trial.trial_id)?))).map_or_else(Vec::new, |(table, row)| {
        let factors = table.surfaces.iter().zip(&table.factors).zip(&row.change_percent);
        let without = |((surface, factor), change): ((&String, &f64), &Option<f64>)| FactorWithout {
            surface: surface.clone(),
            factor: change.map(|percent| factor * (1.0 + 0.01 * percent)),
            change_percent: *change,
        };
        factors.map(without).collect()
    });
    Verdict {
        trial_id: trial.trial_id.clone(),
        material: trial.material.clone(),
        surface: trial.surface.clone(),
        outcome: trial.outcome,
        abrasion_time_s: trial.abrasion_time_s,
        flagged: evidence.iter().any(|e| e.flags),
        evidence,
        reason,
        decision,
        without_it,
    }
}
