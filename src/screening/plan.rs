//! The plan ([`Screening`]) and its result ([`ScreeningReport`]).

use serde::{Deserialize, Serialize};

use crate::campaign::{Campaign, Decision, Outcome, Trial};
use crate::error::{ErrorKind, Result};
use crate::estimate::significant;
use crate::numeric::special::{normal_cdf, normal_quantile, t_quantile, t_survival};
use crate::severity::engine::{Cell, Cells, LogTime};
use crate::severity::{Distribution, Robust, RobustFit, RobustMethod, Severity};

use super::deletion::{Deletion, Extreme, Pooled};
use super::dixon::dixon;
use super::grubbs::{Grubbs, Side, as_f64, check_significance, grubbs, grubbs_pair};
use super::headline::{HeadlineFactor, headline};
use super::holm::holm;
use super::influence::{InfluenceRow, InfluenceTable, LeftOut, influence};
use super::mad::{cell_median, distance, pooled_scale};
use super::precision::precision;
use super::rules::{Rules, apply, impossibly_short};
use super::verdict::{Evidence, FactorWithout, GroupKind, GroupVerdict, Test, Verdict};

/// What to screen for: plain data, checked in [`screen`](Self::screen), kept in the result.
///
/// | option | default | range | meaning |
/// |---|---|---|---|
/// | rules | see [`Rules`] | | rules on recorded conditions and times |
/// | test_significance | 0.01 | (0, 1) | a test speaks (remark) below this p-value of its own |
/// | campaign_significance | 0.05 | (0, 1) | a trial is flagged at or below this adjusted p-value: the chance that a clean campaign has any flag |
/// | median_limit | none | > 0 | flags beyond this many pooled scales off the cell's median, in place of the adjusted p-value |
/// | grubbs_side | both | | which end of a cell Grubbs' test looks at |
/// | reading_step_s | from the decimals recorded | > 0 | step of the recorded times, s |
/// | esd_share | 0.25 | [0, 0.5] | largest share of outliers that generalised ESD looks for; 0 leaves it out |
/// | pairs | true | | Grubbs' test for two outliers at once within cells of five or more |
/// | dixon | false | | Dixon's r10 within cells, besides Grubbs' test |
/// | robust | Student t errors, 4 df | see [`Robust`] | the robust fit of the headline |
/// | influence | true | | what the factors become without each trial |
///
/// p-values are adjusted with Holm's method over all trials (Grubbs, pairs, Dixon: cells) that the test
/// could look at, and multiplied by the number of tests that can flag, so that the campaign's
/// significance holds for all of them together.
///
/// Grubbs' test does not speak where the suspect is nearer than two reading steps to its neighbour:
/// equal readings of the others would make any difference significant.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Screening {
    rules: Rules,
    test_significance: f64,
    campaign_significance: f64,
    median_limit: Option<f64>,
    grubbs_side: Side,
    reading_step_s: Option<f64>,
    esd_share: f64,
    pairs: bool,
    dixon: bool,
    robust: Option<Robust>,
    influence: bool,
}

impl Default for Screening {
    fn default() -> Self {
        Self {
            rules: Rules::default(),
            test_significance: 0.01,
            campaign_significance: 0.05,
            median_limit: None,
            grubbs_side: Side::Both,
            reading_step_s: None,
            esd_share: 0.25,
            pairs: true,
            dixon: false,
            robust: Some(Robust::student_t(4.0)),
            influence: true,
        }
    }
}

/// Something the reader of a screening should know.
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
    /// Cells of three exact times, in which Grubbs' test has practically no power.
    NoPowerInThree {
        /// How many cells.
        cells: usize,
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
    /// The plan's times are not log-normal, but the tests assume normal log times.
    NotLogNormal,
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
            Self::NoPowerInThree { cells } => write!(
                f,
                "{cells} cell(s) hold three exact times: Grubbs' statistic cannot exceed 1.1547 there and a 1 % \
                 test has practically no power; only tests that borrow the scatter of other cells can speak"
            ),
            Self::CensoredCells { cells } => write!(
                f,
                "{cells} cell(s) hold run-outs or contact openings: tests that need exact times (Grubbs, Dixon, \
                 generalised ESD) were not applied there; the deletion residual was"
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
            Self::NotLogNormal => f.write_str(
                "the tests take log times as normal; with the distribution of this plan, short times are flagged \
                 more (or less) often than the stated significance",
            ),
            Self::NoReplicates => f.write_str("no cell holds two exact times: no statistical test could be applied"),
        }
    }
}

/// The screening of a campaign: one verdict per trial, and what the flagged ones are worth.
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
    pub(crate) influence: Option<InfluenceTable>,
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
    /// What each factor becomes without each trial, where it was asked for.
    #[must_use]
    pub fn influence(&self) -> Option<&InfluenceTable> {
        self.influence.as_ref()
    }
    /// The ten trials that change a factor most, ranked.
    #[must_use]
    pub fn most_influential(&self) -> Vec<&InfluenceRow> {
        self.influence.as_ref().map_or_else(Vec::new, |t| t.most_influential(MOST_INFLUENTIAL))
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
    /// One verdict per trial, in the order of the campaign.
    #[must_use]
    pub fn verdicts(&self) -> &[Verdict] {
        &self.verdicts
    }
    /// The flagged trials, in the order of the campaign.
    pub fn flagged(&self) -> impl Iterator<Item = &Verdict> {
        self.verdicts.iter().filter(|v| v.flagged)
    }
    /// The verdict on one trial, if the campaign has it.
    #[must_use]
    pub fn verdict(&self, trial_id: &str) -> Option<&Verdict> {
        self.verdicts.iter().find(|v| v.trial_id == trial_id)
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
    /// Sets a fixed limit of the median deviation in pooled scales; 3.5 is customary (Iglewicz & Hoaglin
    /// 1993) but in a large campaign or one of small cells flags more than the stated significance.
    #[must_use]
    pub fn median_limit(mut self, limit: f64) -> Self {
        self.median_limit = Some(limit);
        self
    }
    /// Sets which end of a cell Grubbs' test looks at.
    #[must_use]
    pub fn grubbs_side(mut self, side: Side) -> Self {
        self.grubbs_side = side;
        self
    }
    /// Sets the step of the recorded times, s.
    #[must_use]
    pub fn reading_step_s(mut self, step: f64) -> Self {
        self.reading_step_s = Some(step);
        self
    }

    /// Sets the largest share of outliers that generalised ESD looks for; 0 leaves it out.
    #[must_use]
    pub fn esd_share(mut self, share: f64) -> Self {
        self.esd_share = share;
        self
    }
    /// Switches Grubbs' test for two outliers at once.
    #[must_use]
    pub fn pairs(mut self, on: bool) -> Self {
        self.pairs = on;
        self
    }
    /// Switches Dixon's test.
    #[must_use]
    pub fn dixon(mut self, on: bool) -> Self {
        self.dixon = on;
        self
    }
    /// Sets the robust fit of the headline, or none.
    #[must_use]
    pub fn robust(mut self, robust: impl Into<Option<Robust>>) -> Self {
        self.robust = robust.into();
        self
    }
    /// Switches the influence of each trial.
    #[must_use]
    pub fn influence(mut self, on: bool) -> Self {
        self.influence = on;
        self
    }

    /// Tests that can flag.
    fn families(&self) -> f64 {
        let fixed = [self.pairs, self.dixon, self.esd_share > 0.0, self.median_limit.is_none()];
        2.0 + as_f64(fixed.into_iter().filter(|on| *on).count())
    }

    /// Holm within a test, times the tests.
    fn adjust(&self, p_values: &[f64]) -> Vec<f64> {
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
        if let Some(limit) = self.median_limit
            && !(limit > 0.0 && limit.is_finite())
        {
            return Err(ErrorKind::option("median_limit", limit, "a positive number of scales"));
        }
        if !(0.0..=0.5).contains(&self.esd_share) {
            return Err(ErrorKind::option("esd_share", self.esd_share, "a share from 0 to 0.5"));
        }
        match self.reading_step_s {
            Some(step) if !(step > 0.0 && step.is_finite()) => {
                Err(ErrorKind::option("reading_step_s", step, "a positive number of seconds"))
            }
            _ => Ok(()),
        }
    }

    /// Screens `campaign`, and fits `severity` on all trials, robustly, and without flagged trials.
    ///
    /// Decisions do not hide anything: trials that are set aside are tested like the others, and the
    /// headline shows the factors as decided next to those of all trials.
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`], and whatever `severity` cannot be fitted on all trials for. A
    /// fit that fails only robustly or without some trials is not an error: the headline says why.
    pub fn screen(&self, campaign: &Campaign, severity: &Severity) -> Result<ScreeningReport> {
        self.check()?;
        let table = campaign.undecided();
        let all = severity.fit(&table)?;
        let cells = Cells::new(&table, None);
        let mut screened = Screened {
            plan: self,
            campaign: &table,
            cells: &cells,
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
        if severity.chosen_distribution() != Distribution::LogNormal {
            screened.notes.push(ScreeningNote::NotLogNormal);
        }
        screened.rules();
        screened.grubbs()?;
        if self.pairs {
            screened.pairs()?;
        }
        if self.dixon {
            screened.dixon()?;
        }
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
        groups.extend(screened.groups(robust_fit)?);
        let influence = if self.influence { Some(influence(severity, &table, LeftOut::Trial)?) } else { None };
        let Screened { evidence, notes, .. } = screened;
        let verdicts: Vec<Verdict> = campaign
            .trials()
            .iter()
            .zip(evidence)
            .map(|(trial, evidence)| verdict(trial, evidence, campaign.decisions(), influence.as_ref()))
            .collect();
        let aside: Vec<bool> = verdicts.iter().map(|v| v.flagged).collect();
        let any = aside.contains(&true);
        let fewer = table.without(aside);
        let without = if any { severity.fit(&fewer) } else { Ok(all.clone()) };
        let decided = (!campaign.decisions().is_empty()).then(|| severity.fit(campaign));
        let log_scatter = pooled.map(|p| p.sigma());
        let log_scatter_without_flagged = if any { scatter(&Cells::new(&fewer, None)) } else { log_scatter };
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
}

fn scatter(cells: &Cells) -> Option<f64> {
    Pooled::new(&slices(cells)).map(|p| p.sigma())
}

fn slices(cells: &Cells) -> Vec<&[LogTime]> {
    cells.cells.iter().map(|c| cells.of(c)).collect()
}

fn verdict(
    trial: &Trial,
    mut evidence: Vec<Evidence>,
    decisions: &[Decision],
    influence: Option<&InfluenceTable>,
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
    let without_it = match influence {
        Some(table) if !evidence.is_empty() => table.row(&trial.trial_id).map_or_else(Vec::new, |row| {
            let changes = row.change_percent.iter();
            table
                .surfaces
                .iter()
                .zip(&table.factors)
                .zip(changes)
                .map(|((surface, factor), change)| FactorWithout {
                    surface: surface.clone(),
                    factor: change.map(|percent| factor * (1.0 + 0.01 * percent)),
                    change_percent: *change,
                })
                .collect()
        }),
        _ => Vec::new(),
    };
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

/// The campaign under test: what has been said so far.
struct Screened<'a> {
    plan: &'a Screening,
    campaign: &'a Campaign,
    cells: &'a Cells,
    evidence: Vec<Vec<Evidence>>,
    notes: Vec<ScreeningNote>,
    /// Robust residual at which a single exact time speaks.
    robust_limit: Option<f64>,
}

fn exact(times: &[LogTime]) -> Option<Vec<f64>> {
    times.iter().map(|t| if let LogTime::Exact(y) = t { Some(*y) } else { None }).collect()
}

fn seconds(log: f64) -> String {
    format!("{} s", significant(libm::exp(log), 3))
}

impl Screened<'_> {
    fn of(&self, cell: &Cell) -> &[LogTime] {
        self.cells.of(cell)
    }

    fn rules(&mut self) {
        let unrecorded = apply(&self.plan.rules, self.campaign, &mut self.evidence);
        self.notes.extend(unrecorded.into_iter().map(|u| ScreeningNote::Unrecorded { rule: u.test, trials: u.trials }));
        for cell in &self.cells.cells {
            let members = &self.cells.trial[cell.start..cell.end];
            let time = |i: usize| self.campaign.trials()[i].abrasion_time_s;
            for &i in members {
                let others = members.iter().filter(|&&j| j != i).filter_map(|&j| time(j)).collect();
                if let Some(found) = impossibly_short(&self.plan.rules, &self.campaign.trials()[i], others) {
                    self.evidence[i].push(found);
                }
            }
        }
    }

    /// Step of the recorded times: the coarsest power of ten that all of them are multiples of.
    fn reading_step(&self) -> f64 {
        if let Some(step) = self.plan.reading_step_s {
            return step;
        }
        let times: Vec<f64> = self.campaign.trials().iter().filter_map(|t| t.abrasion_time_s).collect();
        for (decimals, power) in [1.0, 1e1, 1e2, 1e3, 1e4, 1e5, 1e6].into_iter().enumerate() {
            let whole = |t: f64| ((t * power).round() - t * power).abs() <= 1e-9 * (t * power).abs().max(1.0);
            if times.iter().all(|&t| whole(t)) {
                return if decimals == 0 { 1.0 } else { 1.0 / power };
            }
        }
        0.0
    }

    fn grubbs(&mut self) -> Result<()> {
        let step = self.reading_step();
        let (mut threes, mut censored) = (0, 0);
        let mut found: Vec<(Cell, Vec<f64>, Grubbs)> = Vec::new();
        for cell in &self.cells.cells {
            if cell.len() < 3 {
                continue;
            }
            let Some(values) = exact(self.of(cell)) else {
                censored += 1;
                continue;
            };
            if values.len() == 3 {
                threes += 1;
            }
            if let Some(result) = grubbs(&values, self.plan.test_significance, self.plan.grubbs_side)? {
                found.push((*cell, values, result));
            }
        }
        if threes > 0 {
            self.notes.push(ScreeningNote::NoPowerInThree { cells: threes });
        }
        if censored > 0 {
            self.notes.push(ScreeningNote::CensoredCells { cells: censored });
        }
        let adjusted = self.plan.adjust(&found.iter().map(|f| f.2.p_value).collect::<Vec<_>>());
        for ((cell, values, result), adjusted) in found.into_iter().zip(adjusted) {
            let own = libm::exp(values[result.position]);
            let gap = values
                .iter()
                .enumerate()
                .filter(|&(j, _)| j != result.position)
                .map(|(_, v)| (libm::exp(*v) - own).abs())
                .fold(f64::INFINITY, f64::min);
            if result.statistic <= result.critical_value || gap < 2.0 * step * (1.0 - 1e-9) {
                continue;
            }
            let n = values.len();
            // Three specimens: a remark, never a flag, since almost equal readings of two make any third "extreme".
            let flags = adjusted <= self.plan.campaign_significance && n > 3;
            let reason = format!(
                "{} stands apart from the other {} of its cell (Grubbs G = {}, adjusted p = {})",
                seconds(values[result.position]),
                n - 1,
                significant(result.statistic, 4),
                significant(adjusted, 2)
            );
            self.evidence[self.cells.trial[cell.start + result.position]].push(Evidence {
                test: Test::Grubbs,
                statistic: result.statistic,
                critical_value: result.critical_value,
                p_value: Some(result.p_value),
                adjusted_p_value: Some(adjusted),
                flags,
                reason,
            });
        }
        Ok(())
    }

    /// Cells of `smallest` or more whose times are all exact.
    fn exact_cells(&self, smallest: usize) -> Vec<(Cell, Vec<f64>)> {
        let large = self.cells.cells.iter().filter(|c| c.len() >= smallest);
        large.filter_map(|c| Some((*c, exact(self.of(c))?))).collect()
    }

    /// Two at once: with four trials any two leave a pair, and of any pair some are close, so five.
    fn pairs(&mut self) -> Result<()> {
        let step = self.reading_step();
        let mut found = Vec::new();
        for (cell, values) in self.exact_cells(5) {
            if let Some(result) = grubbs_pair(&values, self.plan.test_significance)? {
                found.push((cell, values, result));
            }
        }
        let adjusted = self.plan.adjust(&found.iter().map(|f| f.2.p_value).collect::<Vec<_>>());
        for ((cell, values, result), adjusted) in found.into_iter().zip(adjusted) {
            let pair = [result.positions.0, result.positions.1];
            let gap = (0..values.len())
                .filter(|j| !pair.contains(j))
                .flat_map(|j| pair.map(|k| (libm::exp(values[j]) - libm::exp(values[k])).abs()))
                .fold(f64::INFINITY, f64::min);
            if result.p_value > self.plan.test_significance || gap < 2.0 * step * (1.0 - 1e-9) {
                continue;
            }
            for (k, other) in [(pair[0], pair[1]), (pair[1], pair[0])] {
                let reason = format!(
                    "{} and {} together stand apart from the other {} of their cell (Grubbs for two, {} of the sum of \
                     squares is left without them, adjusted p = {})",
                    seconds(values[k]),
                    seconds(values[other]),
                    values.len() - 2,
                    significant(result.statistic, 2),
                    significant(adjusted, 2)
                );
                self.evidence[self.cells.trial[cell.start + k]].push(Evidence {
                    test: Test::GrubbsPair,
                    statistic: result.statistic,
                    critical_value: result.critical_value,
                    p_value: Some(result.p_value),
                    adjusted_p_value: Some(adjusted),
                    flags: adjusted <= self.plan.campaign_significance,
                    reason,
                });
            }
        }
        Ok(())
    }

    fn dixon(&mut self) -> Result<()> {
        let step = self.reading_step();
        let mut found = Vec::new();
        // The integral and critical value depend on the size of a cell alone; cells beyond 30 are Grubbs' case.
        for (cell, values) in self.exact_cells(3).into_iter().filter(|c| c.1.len() <= 30) {
            if let Some(result) = dixon(&values, self.plan.test_significance, self.plan.grubbs_side)? {
                found.push((cell, values, result));
            }
        }
        let adjusted = self.plan.adjust(&found.iter().map(|f| f.2.p_value).collect::<Vec<_>>());
        for ((cell, values, result), adjusted) in found.into_iter().zip(adjusted) {
            let own = libm::exp(values[result.position]);
            let others = values.iter().enumerate().filter(|&(j, _)| j != result.position);
            let gap = others.map(|(_, v)| (libm::exp(*v) - own).abs()).fold(f64::INFINITY, f64::min);
            if result.p_value > self.plan.test_significance || gap < 2.0 * step * (1.0 - 1e-9) {
                continue;
            }
            let reason = format!(
                "{} lies apart from its nearest neighbour by {} of the range of its cell (Dixon r10, adjusted p = {})",
                seconds(values[result.position]),
                significant(result.statistic, 3),
                significant(adjusted, 2)
            );
            self.evidence[self.cells.trial[cell.start + result.position]].push(Evidence {
                test: Test::Dixon,
                statistic: result.statistic,
                critical_value: result.critical_value,
                p_value: Some(result.p_value),
                adjusted_p_value: Some(adjusted),
                flags: adjusted <= self.plan.campaign_significance && values.len() > 3,
                reason,
            });
        }
        Ok(())
    }

    /// Remarks where the robust fit had to hold a trial back.
    fn robust_residuals(&mut self, fit: &RobustFit) {
        let nu = fit.error_degrees_of_freedom();
        let significance = self.plan.test_significance;
        let upper = |z: f64| nu.map_or_else(|| normal_cdf(-z), |nu| t_survival(z, nu));
        let limit = |tail: f64| nu.map_or_else(|| -normal_quantile(tail), |nu| -t_quantile(tail, nu));
        self.robust_limit = Some(limit(0.5 * significance));
        let mut found = Vec::new();
        for i in 0..self.campaign.trials().len() {
            let trial = &self.campaign.trials()[i];
            let Some(weight) = fit.weight(&trial.trial_id) else { continue };
            let z = weight.residual;
            let (p, tail) = match trial.outcome {
                Outcome::RunOut => (upper(z), significance),
                Outcome::OpenedAtContact => (upper(-z), significance),
                Outcome::Perforated | Outcome::Void => ((2.0 * upper(z.abs())).min(1.0), 0.5 * significance),
            };
            found.push((i, z, p, tail));
        }
        let adjusted = holm(&found.iter().map(|f| f.2).collect::<Vec<_>>());
        for ((i, z, p, tail), adjusted) in found.into_iter().zip(adjusted) {
            if p > significance {
                continue;
            }
            let time = self.campaign.trials()[i].abrasion_time_s.unwrap_or_default();
            let reason = format!(
                "{} s lies {} robust scales from what its material and surface predict (robust residual)",
                significant(time, 3),
                significant(z, 3)
            );
            self.evidence[i].push(Evidence {
                test: Test::RobustResidual,
                statistic: z,
                critical_value: limit(tail),
                p_value: Some(p),
                adjusted_p_value: Some(adjusted),
                flags: false,
                reason,
            });
        }
    }

    /// Generalised ESD (Rosner 1983) with the campaign's pooled scatter: the trial with the most
    /// extreme deletion residual is removed again and again, and the number of outliers is the last
    /// step at which the Bonferroni-adjusted p-value of that residual is small. Cells of two do not
    /// take part: nothing within them says which of the two is at fault.
    fn esd(&mut self, pooled: Pooled) {
        let mut cells: Vec<(Vec<f64>, Vec<usize>)> = self
            .exact_cells(3)
            .into_iter()
            .map(|(cell, values)| (values, self.cells.trial[cell.start..cell.end].to_vec()))
            .collect();
        let tested: usize = cells.iter().map(|c| c.0.len()).sum();
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let steps = (self.plan.esd_share * as_f64(tested)) as usize;
        let mut pooled = pooled;
        let mut removed = Vec::new();
        let mut extremes: Vec<Option<Extreme>> = cells.iter().map(|c| Extreme::of(&c.0)).collect();
        let mut left = tested;
        for _ in 0..steps {
            // The residual grows with the squares that the trial takes away, whatever σ is.
            let most = extremes.iter().enumerate().filter_map(|(c, e)| Some((c, (*e)?)));
            let Some((c, extreme)) = most.reduce(|a, b| if b.1.squares > a.1.squares { b } else { a }) else { break };
            let Some((deletion, rest)) = pooled.remove(&extreme) else { break };
            pooled = rest;
            let log_time = cells[c].0.remove(extreme.position);
            let trial = cells[c].1.remove(extreme.position);
            removed.push((
                trial,
                log_time,
                deletion,
                (self.plan.families() * as_f64(left) * deletion.p_value).min(1.0),
                left,
            ));
            extremes[c] = Extreme::of(&cells[c].0);
            left -= if extremes[c].is_none() { 3 } else { 1 };
        }
        let outliers = removed.iter().rposition(|r| r.3 <= self.plan.campaign_significance).map_or(0, |i| i + 1);
        for i in 0..outliers {
            let (trial, log_time, deletion, _, left) = removed[i];
            let adjusted = removed[i..outliers].iter().map(|r| r.3).fold(1.0, f64::min);
            let tail = 0.5 * self.plan.campaign_significance / (self.plan.families() * as_f64(left));
            let reason = format!(
                "{} is outlier {} of {outliers} that generalised ESD finds in the campaign (deletion residual {} once \
                 the ones before it are out)",
                seconds(log_time),
                i + 1,
                significant(deletion.t, 3),
            );
            self.evidence[trial].push(Evidence {
                test: Test::GeneralisedEsd,
                statistic: deletion.t,
                critical_value: -t_quantile(tail, deletion.degrees_of_freedom),
                p_value: None,
                adjusted_p_value: Some(adjusted),
                flags: true,
                reason,
            });
        }
    }

    /// Scatter of cells, level and scatter of days and belts.
    fn groups(&self, robust: Option<&RobustFit>) -> Result<Vec<GroupVerdict>> {
        let mut all = Vec::new();
        let cells = self.exact_cells(2);
        let groups: Vec<(String, Vec<f64>)> =
            cells.into_iter().map(|(c, values)| (self.cell_name(&c), values)).collect();
        self.compare(GroupKind::Cell, groups, &mut all)?;
        let Some(robust) = robust else { return Ok(all) };
        // Residuals about the robust fit, in the units of log time: single errors do not move it.
        for (kind, of) in [
            (GroupKind::Day, (|t: &Trial| t.day.clone()) as fn(&Trial) -> Option<String>),
            (GroupKind::Belt, |t: &Trial| t.belt.clone()),
        ] {
            let mut groups: std::collections::BTreeMap<String, Vec<f64>> = std::collections::BTreeMap::new();
            for &i in self.campaign.canonical_order() {
                let trial = &self.campaign.trials()[i as usize];
                if trial.outcome != Outcome::Perforated {
                    continue;
                }
                if let (Some(group), Some(weight)) = (of(trial), robust.weight(&trial.trial_id)) {
                    groups.entry(group).or_default().push(weight.residual * robust.log_scatter());
                }
            }
            self.compare(kind, groups.into_iter().collect(), &mut all)?;
        }
        Ok(all)
    }

    fn compare(&self, kind: GroupKind, groups: Vec<(String, Vec<f64>)>, all: &mut Vec<GroupVerdict>) -> Result<()> {
        let (names, values): (Vec<String>, Vec<Vec<f64>>) = groups.into_iter().unzip();
        if values.len() < 3 || values.iter().all(|v| v.len() < 2) {
            return Ok(());
        }
        let table = precision(&values)?;
        let one = |p: Option<f64>| p.unwrap_or(1.0);
        let scatter = holm(&table.groups.iter().map(|g| one(g.scatter_p_value)).collect::<Vec<_>>());
        let level = holm(&table.groups.iter().map(|g| one(g.h_p_value)).collect::<Vec<_>>());
        let (p, what) = match kind {
            GroupKind::Cell => (as_f64(values.len()), "cells"),
            GroupKind::Day => (as_f64(values.len()), "days"),
            GroupKind::Belt => (as_f64(values.len()), "belts"),
        };
        let total: f64 = table.groups.iter().map(|g| as_f64(g.n - 1)).sum();
        for (i, group) in table.groups.iter().enumerate() {
            let mut evidence = Vec::new();
            let significance = self.plan.test_significance;
            if let (Some(k), Some(c), Some(p_value)) = (group.k, group.c, group.scatter_p_value)
                && p_value <= significance
            {
                let reason = format!(
                    "its scatter is {} times that of the {what} together (Cochran C = {}, adjusted p = {})",
                    significant(k, 3),
                    significant(c, 3),
                    significant(scatter[i], 2)
                );
                let nu = as_f64(group.n - 1);
                let f = super::precision::f_upper(significance, nu, total - nu);
                evidence.push(Evidence {
                    test: Test::Cochran,
                    statistic: c,
                    critical_value: 1.0 / (1.0 + (total - nu) / (nu * f)),
                    p_value: Some(p_value),
                    adjusted_p_value: Some(scatter[i]),
                    flags: false,
                    reason,
                });
            }
            // Cells differ in level by design.
            if let (Some(h), Some(p_value), true) = (group.h, group.h_p_value, kind != GroupKind::Cell)
                && p_value <= significance
            {
                let reason = format!(
                    "its mean residual is {} standard deviations from that of the {what} (Mandel h, adjusted p = {})",
                    significant(h, 3),
                    significant(level[i], 2)
                );
                let t = -t_quantile(0.5 * significance, p - 2.0);
                evidence.push(Evidence {
                    test: Test::MandelH,
                    statistic: h,
                    critical_value: (p - 1.0) * t / (p * (t * t + p - 2.0)).sqrt(),
                    p_value: Some(p_value),
                    adjusted_p_value: Some(level[i]),
                    flags: false,
                    reason,
                });
            }
            if !evidence.is_empty() {
                all.push(GroupVerdict { kind, name: names[i].clone(), trials: group.n, evidence });
            }
        }
        Ok(())
    }

    fn median_deviation(&mut self) -> Option<f64> {
        let scale = pooled_scale(self.cells.cells.iter().map(|c| self.cells.of(c)))?;
        let mut found = Vec::new();
        for cell in &self.cells.cells {
            let times = self.of(cell);
            if times.len() < 3 {
                continue;
            }
            let Some(centre) = cell_median(times) else { continue };
            for (k, time) in times.iter().enumerate() {
                let score = distance(*time, centre).0 / scale.scale;
                // A censored time can be remarkable on one side only.
                let tails = if matches!(time, LogTime::Exact(_)) { 2.0 } else { 1.0 };
                let p = if score > 0.0 { tails * t_survival(score, scale.degrees_of_freedom) } else { 1.0 };
                found.push((cell.start + k, centre, score, p.min(1.0), tails));
            }
        }
        let adjusted = self.plan.adjust(&found.iter().map(|f| f.3).collect::<Vec<_>>());
        for ((row, centre, score, p, tails), adjusted) in found.into_iter().zip(adjusted) {
            let critical_value = self
                .plan
                .median_limit
                .unwrap_or_else(|| -t_quantile(self.plan.test_significance / tails, scale.degrees_of_freedom));
            if score <= critical_value {
                continue;
            }
            let y = self.cells.times[row].middle();
            let reason = format!(
                "{} is {} times the cell's median {} ({} pooled MAD scales away on log time, adjusted p = {})",
                seconds(y),
                significant(libm::exp(y - centre), 2),
                seconds(centre),
                significant(score, 3),
                significant(adjusted, 2)
            );
            self.evidence[self.cells.trial[row]].push(Evidence {
                test: Test::MedianDeviation,
                statistic: score,
                critical_value,
                p_value: Some(p),
                adjusted_p_value: Some(adjusted),
                flags: self.plan.median_limit.is_some() || adjusted <= self.plan.campaign_significance,
                reason,
            });
        }
        Some(scale.scale)
    }

    /// Cells whose majority lies off what the campaign predicts, all on one side: there the tests within
    /// the cell point at the wrong trials. Those lose their flags, and the cell is listed.
    fn majorities(&mut self) -> Vec<GroupVerdict> {
        let mut groups = Vec::new();
        for cell in &self.cells.cells {
            let members = &self.cells.trial[cell.start..cell.end];
            let residuals: Vec<Option<f64>> = members
                .iter()
                .map(|&i| self.evidence[i].iter().find(|e| e.test == Test::RobustResidual).map(|e| e.statistic))
                .collect();
            let off: Vec<f64> = residuals.iter().flatten().copied().collect();
            let above = off.iter().filter(|z| **z > 0.0).count();
            let many = above.max(off.len() - above);
            if members.len() < 3 || 2 * many <= members.len() {
                continue;
            }
            let side = if 2 * above > off.len() { 1.0 } else { -1.0 };
            for (&i, residual) in members.iter().zip(&residuals) {
                if residual.is_some_and(|z| z * side > 0.0) {
                    continue;
                }
                for evidence in self.evidence[i].iter_mut().filter(|e| !e.test.is_rule() && e.flags) {
                    evidence.flags = false;
                    evidence.reason.push_str(
                        "; but most of its cell lies off what the campaign predicts and this trial does not, \
                         so it is not flagged",
                    );
                }
            }
            let mut sizes: Vec<f64> = off.iter().copied().filter(|z| z * side > 0.0).collect();
            sizes.sort_by(|a, b| a.abs().total_cmp(&b.abs()));
            let Some(&least) = sizes.first() else { continue };
            let reason = format!(
                "{many} of its {} trials lie at least {} robust scales {} what the campaign predicts: either the cell \
                 departs from the common factor, or most of its trials are in error",
                members.len(),
                significant(least.abs(), 3),
                if side > 0.0 { "above" } else { "below" }
            );
            groups.push(GroupVerdict {
                kind: GroupKind::Cell,
                name: self.cell_name(cell),
                trials: members.len(),
                evidence: vec![Evidence {
                    test: Test::RobustResidual,
                    statistic: least,
                    critical_value: self.robust_limit.unwrap_or_default(),
                    p_value: None,
                    adjusted_p_value: None,
                    flags: false,
                    reason,
                }],
            });
        }
        groups
    }

    fn cell_name(&self, cell: &Cell) -> String {
        let campaign = self.campaign;
        format!("{} on {}", campaign.materials()[cell.material].name, campaign.surfaces()[cell.surface].name)
    }

    fn deletion(&mut self) -> Option<Pooled> {
        let slices = slices(self.cells);
        let Some(pooled) = Pooled::new(&slices) else {
            self.notes.push(ScreeningNote::NoReplicates);
            return None;
        };
        let mut found: Vec<(Cell, usize, Deletion)> = Vec::new();
        let mut not_comparable = 0;
        for cell in &self.cells.cells {
            let times = self.cells.of(cell);
            for k in 0..cell.len() {
                match pooled.deletion(times, k) {
                    Some(deletion) => found.push((*cell, k, deletion)),
                    None => not_comparable += 1,
                }
            }
        }
        if not_comparable > 0 {
            self.notes.push(ScreeningNote::NotComparable { trials: not_comparable });
        }
        let adjusted = self.plan.adjust(&found.iter().map(|f| f.2.p_value).collect::<Vec<_>>());
        let mut pairs = 0;
        for ((cell, k, deletion), adjusted) in found.into_iter().zip(adjusted) {
            if deletion.p_value > self.plan.test_significance {
                continue;
            }
            let tail = if deletion.two_sided { 0.5 } else { 1.0 } * self.plan.test_significance;
            let significant_in_campaign = adjusted <= self.plan.campaign_significance;
            let trial = self.cells.trial[cell.start + k];
            let pair = cell.len() == 2;
            // Within a pair both residuals are alike; the robust fit may tell them apart.
            let suspect = |i: usize| self.evidence[i].iter().any(|e| e.test == Test::RobustResidual);
            let other = self.cells.trial[cell.start + (1 - k.min(1))];
            let (mine, others) = (suspect(trial), pair && suspect(other));
            let flags = significant_in_campaign && (!pair || mine || !others);
            if pair && significant_in_campaign && mine == others {
                pairs += 1;
            }
            let of_pair = match (pair, mine, others) {
                (false, ..) => "",
                (true, true, false) => "; of the two in its cell, the campaign as a whole points to this one",
                (true, false, true) => "; of the two in its cell, the campaign as a whole points to the other",
                (true, ..) => "; of the two in its cell, nothing says which is at fault",
            };
            let y = self.cells.times[cell.start + k].middle();
            let reason = format!(
                "{} is {} times the {} that the rest of its cell predicts (deletion residual {}, adjusted p = {}){}",
                seconds(y),
                significant(libm::exp(y - deletion.centre), 2),
                seconds(deletion.centre),
                significant(deletion.t, 3),
                significant(adjusted, 2),
                of_pair
            );
            self.evidence[trial].push(Evidence {
                test: Test::DeletionResidual,
                statistic: deletion.t,
                critical_value: -t_quantile(tail, deletion.degrees_of_freedom),
                p_value: Some(deletion.p_value),
                adjusted_p_value: Some(adjusted),
                flags,
                reason,
            });
        }
        if pairs > 0 {
            self.notes.push(ScreeningNote::PairsDisagree { cells: pairs / 2 });
        }
        Some(pooled)
    }
}
