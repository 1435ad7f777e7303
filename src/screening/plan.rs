//! The plan ([`Screening`]) and its result ([`ScreeningReport`]).

use serde::{Deserialize, Serialize};

use crate::campaign::{Campaign, Outcome};
use crate::error::{ErrorKind, Result};
use crate::estimate::significant;
use crate::numeric::special::t_quantile;
use crate::severity::engine::{Cell, Cells, LogTime};
use crate::severity::{Distribution, Severity};

use super::deletion::{Deletion, Pooled};
use super::grubbs::{Grubbs, Side, check_significance, grubbs};
use super::headline::{HeadlineFactor, headline};
use super::holm::holm;
use super::mad::{cell_median, distance, pooled_scale};
use super::rules::{Rules, apply, impossibly_short};
use super::verdict::{Evidence, Test, Verdict};

/// What to screen for: plain data, checked in [`screen`](Self::screen), kept in the result.
///
/// | option | default | range | meaning |
/// |---|---|---|---|
/// | rules | see [`Rules`] | | rules on recorded conditions and times |
/// | test_significance | 0.01 | (0, 1) | a test speaks (remark) below this p-value of its own |
/// | campaign_significance | 0.05 | (0, 1) | a trial is flagged below this p-value after Holm's adjustment |
/// | median_limit | 3.5 | > 0 | a trial this many pooled scales off its cell's median is flagged |
/// | grubbs_side | both | | which end of a cell Grubbs' test looks at |
/// | reading_step_s | from the decimals recorded | > 0 | step of the recorded times, s |
///
/// Grubbs' test does not speak where the suspect is nearer than two reading steps to its neighbour:
/// equal readings of the others would make any difference significant.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields, default)]
pub struct Screening {
    rules: Rules,
    test_significance: f64,
    campaign_significance: f64,
    median_limit: f64,
    grubbs_side: Side,
    reading_step_s: Option<f64>,
}

impl Default for Screening {
    fn default() -> Self {
        Self {
            rules: Rules::default(),
            test_significance: 0.01,
            campaign_significance: 0.05,
            median_limit: 3.5,
            grubbs_side: Side::Both,
            reading_step_s: None,
        }
    }
}

/// Something the reader of a screening should know.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum ScreeningNote {
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
                "{cells} cell(s) hold run-outs or contact openings: tests that need exact times (Grubbs) were not \
                 applied there; the deletion residual was"
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
}

impl ScreeningReport {
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
    /// Each surface factor on all trials and without the flagged ones, sorted by surface.
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
    /// Sets the limit of the median deviation in pooled scales.
    #[must_use]
    pub fn median_limit(mut self, limit: f64) -> Self {
        self.median_limit = limit;
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

    pub(crate) fn check(&self) -> Result<()> {
        self.rules.check()?;
        check_significance("test_significance", self.test_significance)?;
        check_significance("campaign_significance", self.campaign_significance)?;
        if !(self.median_limit > 0.0 && self.median_limit.is_finite()) {
            return Err(ErrorKind::option("median_limit", self.median_limit, "a positive number of scales"));
        }
        match self.reading_step_s {
            Some(step) if !(step > 0.0 && step.is_finite()) => {
                Err(ErrorKind::option("reading_step_s", step, "a positive number of seconds"))
            }
            _ => Ok(()),
        }
    }

    /// Screens `campaign`, and fits `severity` on all trials and without the flagged ones.
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`], and whatever `severity` cannot be fitted on all trials for. A
    /// fit that fails only without the flagged trials is not an error: the headline says why.
    pub fn screen(&self, campaign: &Campaign, severity: &Severity) -> Result<ScreeningReport> {
        self.check()?;
        let all = severity.fit(campaign)?;
        let cells = Cells::new(campaign, None);
        let mut screened = Screened {
            plan: self,
            campaign,
            cells: &cells,
            evidence: vec![Vec::new(); campaign.trials().len()],
            notes: Vec::new(),
        };
        let voids = campaign.trials().iter().filter(|t| t.outcome == Outcome::Void).count();
        if voids > 0 {
            screened.notes.push(ScreeningNote::Voids { trials: voids });
        }
        if severity.chosen_distribution() != Distribution::LogNormal {
            screened.notes.push(ScreeningNote::NotLogNormal);
        }
        screened.rules();
        screened.grubbs()?;
        let robust_log_scatter = screened.median_deviation();
        let pooled = screened.deletion();
        let Screened { evidence, notes, .. } = screened;
        let verdicts: Vec<Verdict> = campaign.trials().iter().zip(evidence).map(verdict).collect();
        let aside: Vec<bool> = verdicts.iter().map(|v| v.flagged).collect();
        let any = aside.contains(&true);
        let fewer = campaign.without(aside);
        let without = if any { severity.fit(&fewer) } else { Ok(all.clone()) };
        let log_scatter = pooled.map(|p| p.sigma());
        let log_scatter_without_flagged = if any { scatter(&Cells::new(&fewer, None)) } else { log_scatter };
        Ok(ScreeningReport {
            plan: self.clone(),
            severity: severity.clone(),
            campaign_digest: campaign.digest(),
            headline: headline(&all, &without),
            verdicts,
            log_scatter,
            degrees_of_freedom: pooled.map(|p| p.degrees_of_freedom()),
            log_scatter_without_flagged,
            robust_log_scatter,
            notes,
        })
    }
}

fn scatter(cells: &Cells) -> Option<f64> {
    Pooled::new(&slices(cells)).map(|p| p.sigma())
}

fn slices(cells: &Cells) -> Vec<&[LogTime]> {
    cells.cells.iter().map(|c| cells.of(c)).collect()
}

fn verdict((trial, mut evidence): (&crate::campaign::Trial, Vec<Evidence>)) -> Verdict {
    evidence.sort_by_key(|e| e.test);
    let reason = if trial.outcome == Outcome::Void {
        trial.note.clone().unwrap_or_default()
    } else {
        evidence.iter().map(|e| e.reason.as_str()).collect::<Vec<_>>().join("; ")
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
    }
}

/// The campaign under test: what has been said so far.
struct Screened<'a> {
    plan: &'a Screening,
    campaign: &'a Campaign,
    cells: &'a Cells,
    evidence: Vec<Vec<Evidence>>,
    notes: Vec<ScreeningNote>,
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
        let adjusted = holm(&found.iter().map(|f| f.2.p_value).collect::<Vec<_>>());
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

    fn median_deviation(&mut self) -> Option<f64> {
        let scale = pooled_scale(self.cells.cells.iter().map(|c| self.cells.of(c)))?;
        for cell in &self.cells.cells {
            let times = self.of(cell);
            if times.len() < 3 {
                continue;
            }
            let Some(centre) = cell_median(times) else { continue };
            let scores: Vec<f64> = times.iter().map(|t| distance(*t, centre).0 / scale).collect();
            for (k, score) in scores.into_iter().enumerate() {
                if score <= self.plan.median_limit {
                    continue;
                }
                let y = self.cells.times[cell.start + k].middle();
                let reason = format!(
                    "{} is {} times the cell's median {} ({} pooled scales away on log time)",
                    seconds(y),
                    significant(libm::exp(y - centre), 2),
                    seconds(centre),
                    significant(score, 3)
                );
                self.evidence[self.cells.trial[cell.start + k]].push(Evidence {
                    test: Test::MedianDeviation,
                    statistic: score,
                    critical_value: self.plan.median_limit,
                    p_value: None,
                    adjusted_p_value: None,
                    flags: true,
                    reason,
                });
            }
        }
        Some(scale)
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
        let adjusted = holm(&found.iter().map(|f| f.2.p_value).collect::<Vec<_>>());
        let mut pairs = 0;
        for ((cell, k, deletion), adjusted) in found.into_iter().zip(adjusted) {
            if deletion.p_value > self.plan.test_significance {
                continue;
            }
            let tail = if deletion.two_sided { 0.5 } else { 1.0 } * self.plan.test_significance;
            let flags = adjusted <= self.plan.campaign_significance;
            let pair = cell.len() == 2;
            if pair && flags {
                pairs += 1;
            }
            let y = self.cells.times[cell.start + k].middle();
            let reason = format!(
                "{} is {} times the {} that the rest of its cell predicts (deletion residual {}, adjusted p = {}){}",
                seconds(y),
                significant(libm::exp(y - deletion.centre), 2),
                seconds(deletion.centre),
                significant(deletion.t, 3),
                significant(adjusted, 2),
                if pair { "; of two trials nothing says which is at fault" } else { "" }
            );
            self.evidence[self.cells.trial[cell.start + k]].push(Evidence {
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
