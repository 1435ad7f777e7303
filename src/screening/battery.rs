//! The tests of one screening, each adding its evidence.

use std::cmp::{Ordering, Reverse};
use std::collections::{BTreeSet, BinaryHeap};

use crate::campaign::{Campaign, Outcome, Trial, unit_slips};
use crate::error::Result;
use crate::estimate::significant;
use crate::numeric::special::{normal_cdf, normal_quantile, t_quantile, t_survival};
use crate::severity::machinery::{Cell, Cells, Kinds, Link, LogTime, Standing, standings};
use crate::severity::{RobustFit, SeverityFit};

use super::deletion::{Deletion, Extreme, Pooled};
use super::esd::as_f64;
use super::mad::{cell_median, distance, pooled_scale};
use super::plan::{Screening, ScreeningNote};
use super::precision::precision;
use super::rules::{apply, impossibly_short};
use super::scores::Scores;
use super::verdict::{Evidence, GroupKind, GroupVerdict, Test};
use crate::holm;

/// Pooled standard deviation of log time within cells.
pub(super) fn scatter(cells: &Cells) -> Option<f64> {
    Pooled::new(&slices(cells)).map(|p| p.sigma())
}

fn slices(cells: &Cells) -> Vec<&[LogTime]> {
    cells.cells.iter().map(|c| cells.of(c)).collect()
}

/// The campaign under test: what has been said so far.
pub(super) struct Screened<'a> {
    pub(super) plan: &'a Screening,
    pub(super) campaign: &'a Campaign,
    pub(super) fit: &'a SeverityFit,
    /// Normal scores of log times.
    pub(super) cells: &'a Cells,
    pub(super) scores: &'a Scores,
    pub(super) evidence: Vec<Vec<Evidence>>,
    pub(super) notes: Vec<ScreeningNote>,
    /// Robust residual at which a single exact time speaks.
    pub(super) robust_limit: Option<f64>,
}

/// Ordered by the squares that an extreme trial takes away.
struct Squares(Extreme);

impl Ord for Squares {
    fn cmp(&self, other: &Self) -> Ordering {
        self.0.squares.total_cmp(&other.0.squares)
    }
}

impl PartialOrd for Squares {
    fn partial_cmp(&self, other: &Self) -> Option<Ordering> {
        Some(self.cmp(other))
    }
}

impl PartialEq for Squares {
    fn eq(&self, other: &Self) -> bool {
        self.cmp(other) == Ordering::Equal
    }
}

impl Eq for Squares {}

/// Takes back the flags of comparisons with the cell.
fn withdraw(evidence: &mut [Evidence], why: &str) {
    let compares = |e: &Evidence| !e.test.is_rule() || e.test == Test::ImpossiblyShort;
    for evidence in evidence.iter_mut().filter(|e| e.flags && compares(e)) {
        evidence.flags = false;
        evidence.reason.push_str(&format!("; but {why}, so it is not flagged"));
    }
}

fn exact(times: &[LogTime]) -> Option<Vec<f64>> {
    times.iter().map(|t| if let LogTime::Exact(y) = t { Some(*y) } else { None }).collect()
}

impl Screened<'_> {
    fn of(&self, cell: &Cell) -> &[LogTime] {
        self.cells.of(cell)
    }

    /// The time of a score of a cell, s.
    fn time_of(&self, cell: &Cell, score: f64) -> f64 {
        libm::exp(self.scores.log_time(Scores::place(self.cells, cell), score))
    }

    pub(super) fn rules(&mut self) {
        let unrecorded = apply(&self.plan.rules, self.campaign, self.fit, &mut self.evidence);
        self.notes.extend(unrecorded.into_iter().map(|u| ScreeningNote::Unrecorded { rule: u.test, trials: u.trials }));
        for cell in &self.cells.cells {
            let members = &self.cells.trial[cell.start..cell.end];
            let time = |i: &usize| self.campaign.trials()[*i].abrasion_time_s;
            let mut sorted: Vec<f64> = members.iter().filter_map(time).collect();
            sorted.sort_by(f64::total_cmp);
            for &i in members {
                if let Some(found) = impossibly_short(&self.plan.rules, &self.campaign.trials()[i], &sorted) {
                    self.evidence[i].push(found);
                }
            }
        }
    }

    /// Cells of `smallest` or more whose times are all exact.
    fn exact_cells(&self, smallest: usize) -> Vec<(Cell, Vec<f64>)> {
        let large = self.cells.cells.iter().filter(|c| c.len() >= smallest);
        large.filter_map(|c| Some((*c, exact(self.of(c))?))).collect()
    }

    /// Remarks where the robust fit had to hold a trial back.
    pub(super) fn robust_residuals(&mut self, fit: &RobustFit) {
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
            if p > significance || self.either_could_be_right(i) {
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

    /// Whether trial `i` is one of a pair whose cell alone ties its material, or its surface, to the rest of the campaign.
    /// The robust fit then passes through either of the two equally well, and which is chance.
    fn either_could_be_right(&self, i: usize) -> bool {
        let holds = |cell: &&Cell| cell.len() == 2 && self.cells.trial[cell.start..cell.end].contains(&i);
        let Some(pair) = self.cells.cells.iter().find(holds) else { return false };
        let others = self.cells.cells.iter().filter(|c| (c.material, c.surface) != (pair.material, pair.surface));
        let links: Vec<Link> = others
            .map(|c| Link { material: c.material, surface: c.surface, kinds: Kinds::of(self.cells.of(c)) })
            .collect();
        let materials = vec![String::new(); self.campaign.materials().len()];
        let surfaces = vec![String::new(); self.campaign.surfaces().len()];
        standings(&links, &materials, &surfaces, pair.surface)
            .map_or(true, |without| without.materials[pair.material] != Standing::Finite)
    }

    /// Generalised ESD (Rosner 1983) with the campaign's pooled scatter: the trial with the most
    /// extreme deletion residual is removed again and again, and the number of outliers is the last
    /// step at which the Bonferroni-adjusted p-value of that residual is small. Cells of two do not
    /// take part: nothing within them says which of the two is at fault.
    pub(super) fn esd(&mut self, pooled: Pooled) {
        let mut cells: Vec<(Vec<f64>, Vec<usize>, Cell)> = self
            .exact_cells(3)
            .into_iter()
            .map(|(cell, values)| (values, self.cells.trial[cell.start..cell.end].to_vec(), cell))
            .collect();
        let censored = self.cells.cells.iter().filter(|c| c.len() > 2 && exact(self.of(c)).is_none()).count();
        if censored > 0 {
            self.notes.push(ScreeningNote::CensoredCells { cells: censored });
        }
        let tested: usize = cells.iter().map(|c| c.0.len()).sum();
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
        let steps = (self.plan.esd_share * as_f64(tested)) as usize;
        let mut pooled = pooled;
        let mut removed = Vec::new();
        // The residual grows with the squares that the trial takes away, whatever σ is. A cell stands in the heap once.
        let mut extremes: BinaryHeap<(Squares, Reverse<usize>)> = BinaryHeap::new();
        let offer = |heap: &mut BinaryHeap<_>, c: usize, values: &[f64]| {
            let extreme = Extreme::of(values);
            heap.extend(extreme.map(|e| (Squares(e), Reverse(c))));
            extreme.is_some()
        };
        for (c, cell) in cells.iter().enumerate() {
            offer(&mut extremes, c, &cell.0);
        }
        let mut left = tested;
        for _ in 0..steps {
            let Some((Squares(extreme), Reverse(c))) = extremes.pop() else { break };
            let Some((deletion, rest)) = pooled.remove(&extreme) else { break };
            pooled = rest;
            let score = cells[c].0.remove(extreme.position);
            let time = format!("{} s", significant(self.time_of(&cells[c].2, score), 3));
            let trial = cells[c].1.remove(extreme.position);
            let p = (self.plan.families() * as_f64(left) * deletion.p_value).min(1.0);
            removed.push((trial, time, deletion, p, left));
            left -= if offer(&mut extremes, c, &cells[c].0) { 1 } else { 3 };
        }
        let outliers = removed.iter().rposition(|r| r.3 <= self.plan.campaign_significance).map_or(0, |i| i + 1);
        for i in 0..outliers {
            let (trial, time, deletion, _, left) = &removed[i];
            let (trial, left) = (*trial, *left);
            let adjusted = removed[i..outliers].iter().map(|r| r.3).fold(1.0, f64::min);
            let tail = 0.5 * self.plan.campaign_significance / (self.plan.families() * as_f64(left));
            let reason = format!(
                "{} is outlier {} of {outliers} that generalised ESD finds in the campaign (deletion residual {} once \
                 the ones before it are out)",
                time,
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
    pub(super) fn groups(&self, robust: Option<&RobustFit>) -> Result<Vec<GroupVerdict>> {
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

    /// Scores about the cells' medians. Scale and medians are taken anew without the trials that
    /// stand out until those no longer change: many outliers inflate even a robust scale.
    pub(super) fn median_deviation(&mut self) -> Option<f64> {
        const ROUNDS: usize = 20;
        let mut out = vec![false; self.cells.times.len()];
        let mut round = 0;
        let (scale, found, adjusted) = loop {
            let kept: Vec<Vec<LogTime>> = self
                .cells
                .cells
                .iter()
                .map(|c| (c.start..c.end).filter(|&r| !out[r]).map(|r| self.cells.times[r]).collect())
                .collect();
            let scale = pooled_scale(kept.iter().map(Vec::as_slice))?;
            let mut found = Vec::new();
            for (cell, kept) in self.cells.cells.iter().zip(&kept) {
                if cell.len() < 3 {
                    continue;
                }
                let Some(centre) = cell_median(kept) else { continue };
                for row in cell.start..cell.end {
                    let time = self.cells.times[row];
                    let score = distance(time, centre).0 / scale.scale;
                    // A censored time can be remarkable on one side only.
                    let tails = if matches!(time, LogTime::Exact(_)) { 2.0 } else { 1.0 };
                    let p = if score > 0.0 { tails * t_survival(score, scale.degrees_of_freedom) } else { 1.0 };
                    found.push((row, centre, score, p.min(1.0), tails, *cell));
                }
            }
            let adjusted = self.plan.adjust(&found.iter().map(|f| f.3).collect::<Vec<_>>());
            let mut next = vec![false; out.len()];
            for (f, &adjusted) in found.iter().zip(&adjusted) {
                next[f.0] = adjusted <= self.plan.campaign_significance;
            }
            round += 1;
            if next == out || round == ROUNDS {
                break (scale, found, adjusted);
            }
            out = next;
        };
        for ((row, centre, score, p, tails, cell), adjusted) in found.into_iter().zip(adjusted) {
            let critical_value = -t_quantile(self.plan.test_significance / tails, scale.degrees_of_freedom);
            if score <= critical_value {
                continue;
            }
            let (time, middle) = (self.time_of(&cell, self.cells.times[row].middle()), self.time_of(&cell, centre));
            let reason = format!(
                "{} s is {} times the cell's median {} s ({} pooled MAD scales away on log time, adjusted p = {})",
                significant(time, 3),
                significant(time / middle, 2),
                significant(middle, 3),
                significant(score, 3),
                significant(adjusted, 2)
            );
            self.evidence[self.cells.trial[row]].push(Evidence {
                test: Test::MedianDeviation,
                statistic: score,
                critical_value,
                p_value: Some(p),
                adjusted_p_value: Some(adjusted),
                flags: adjusted <= self.plan.campaign_significance,
                reason,
            });
        }
        Some(scale.scale)
    }

    /// Where trials look as if written in another unit, the others of their cell are right though they stand apart.
    pub(super) fn slips(&mut self) {
        let slipped: BTreeSet<String> = unit_slips(self.campaign).into_iter().flat_map(|s| s.trials).collect();
        if slipped.is_empty() {
            return;
        }
        let trials = self.campaign.trials();
        for cell in &self.cells.cells {
            let members = &self.cells.trial[cell.start..cell.end];
            let is_slip = |i: &usize| slipped.contains(&trials[*i].trial_id);
            if !members.iter().any(is_slip) {
                continue;
            }
            for &i in members.iter().filter(|i| !is_slip(i)) {
                withdraw(&mut self.evidence[i], "others of its cell look as if written in another unit of time");
            }
        }
    }

    /// Cells whose majority lies off what the campaign predicts, all on one side: there the tests within
    /// the cell point at the wrong trials. Those lose their flags, and the cell is listed.
    pub(super) fn majorities(&mut self) -> Vec<GroupVerdict> {
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
                withdraw(
                    &mut self.evidence[i],
                    "most of its cell lies off what the campaign predicts and this trial does not",
                );
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

    pub(super) fn deletion(&mut self) -> Option<Pooled> {
        let slices = slices(self.cells);
        let Some(pooled) = Pooled::new(&slices) else {
            self.notes.push(ScreeningNote::NoReplicates);
            return None;
        };
        let mut found: Vec<(Cell, usize, Deletion)> = Vec::new();
        let mut not_comparable = 0;
        for cell in &self.cells.cells {
            for (k, deletion) in pooled.deletions(self.cells.of(cell)).into_iter().enumerate() {
                match deletion {
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
            let time = self.time_of(&cell, self.cells.times[cell.start + k].middle());
            let centre = self.time_of(&cell, deletion.centre);
            let reason = format!(
                "{} s is {} times the {} s that the rest of its cell predicts (deletion residual {}, adjusted p = {}){}",
                significant(time, 3),
                significant(time / centre, 2),
                significant(centre, 3),
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
