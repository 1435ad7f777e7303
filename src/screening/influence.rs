//! What each factor becomes when one trial, material, day or cell is left out.
//!
//! Every row is a refit, exact to about a millionth of a standard error, not an approximation: without censoring the log-normal fit depends on
//! a cell only through its count, sum and sum of squares, so leaving a trial out is an update of three
//! numbers and one small linear solve; with censoring Newton's method starts at the full fit and needs
//! three steps or so. Correction factors depend on their cells' medians and, through the weights, on
//! the common scatter: an update again, and τ found anew from where it was. Where the rest of the
//! campaign cannot place a factor any more, the row says so.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::campaign::Campaign;
use crate::error::Result;
use crate::severity::Severity;
use crate::severity::machinery::{Engine, Failure, LANES, Prepared};

/// What is left out, one at a time.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::screening::{LeftOut, influence};
/// assert_eq!(influence(&plan, &campaign, LeftOut::Day)?.rows.len(), 12, "one row for each day");
/// assert_eq!(influence(&plan, &campaign, LeftOut::Material)?.rows.len(), 14);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum LeftOut {
    /// One trial.
    Trial,
    /// All trials of one material.
    Material,
    /// All trials of one day; trials without a day are never left out.
    Day,
    /// All trials of one material on one surface.
    Cell,
}

/// The factors without one trial or group.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::screening::{LeftOut, influence};
/// let days = influence(&plan, &campaign, LeftOut::Day)?;
/// for row in &days.rows {
///     match row.largest_percent {
///         Some(percent) => assert!(row.change_percent.iter().flatten().all(|change| change.abs() <= percent.abs())),
///         None => println!("{}: {}", row.name, row.not_estimable.as_deref().unwrap_or("")),
///     }
/// }
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct InfluenceRow {
    /// What was left out: the trial id, material or day, or "material on surface".
    pub name: String,
    /// Trials left out, voids not counted.
    pub trials: usize,
    /// Change of each factor, per cent, in the order of [`InfluenceTable::surfaces`]; absent where the
    /// factor has no estimate without them.
    pub change_percent: Vec<Option<f64>>,
    /// Largest change by size, per cent; absent where any factor loses its estimate.
    pub largest_percent: Option<f64>,
    /// Why a factor lost its estimate.
    pub not_estimable: Option<String>,
}

/// One row per trial or group.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::screening::{LeftOut, influence};
/// let table = influence(&plan, &campaign, LeftOut::Material)?;
/// assert_eq!((table.surfaces.len(), table.factors.len()), (6, 6), "every surface but the reference");
/// let most = table.most_influential(3);
/// println!("{} moves a factor by {:?} %", most[0].name, most[0].largest_percent);
/// assert_eq!(most.len(), 3);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct InfluenceTable {
    /// What was left out.
    pub left_out: LeftOut,
    /// The surfaces that have a factor with all trials, sorted by name; the reference of abrasiveness
    /// factors has none.
    pub surfaces: Vec<String>,
    /// Their factors with all trials.
    pub factors: Vec<f64>,
    /// The rows, sorted by name.
    pub rows: Vec<InfluenceRow>,
}

impl InfluenceTable {
    /// The `n` rows that change a factor most; those without which a factor has no estimate come
    /// first. Equal ones keep the order of their names.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::screening::{LeftOut, influence};
    /// let table = influence(&plan, &campaign, LeftOut::Material)?;
    /// let sizes: Vec<f64> = table.most_influential(14).iter().filter_map(|row| row.largest_percent).map(f64::abs).collect();
    /// assert!(sizes.windows(2).all(|pair| pair[0] >= pair[1]), "the largest first");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn most_influential(&self, n: usize) -> Vec<&InfluenceRow> {
        let size = |row: &InfluenceRow| row.largest_percent.map_or(f64::INFINITY, f64::abs);
        let mut rows: Vec<&InfluenceRow> = self.rows.iter().collect();
        rows.sort_by(|a, b| size(b).total_cmp(&size(a)));
        rows.truncate(n);
        rows
    }

    pub(crate) fn without_rows(&self) -> Self {
        Self {
            left_out: self.left_out,
            surfaces: self.surfaces.clone(),
            factors: self.factors.clone(),
            rows: Vec::new(),
        }
    }

    /// The row of one trial or group, if there is one.
    #[must_use]
    pub fn row(&self, name: &str) -> Option<&InfluenceRow> {
        self.rows.binary_search_by(|r| r.name.as_str().cmp(name)).ok().map(|i| &self.rows[i])
    }
}

/// Trials by what is left out, positions in the campaign.
fn groups_of(campaign: &Campaign, left_out: LeftOut) -> BTreeMap<String, Vec<usize>> {
    let mut groups: BTreeMap<String, Vec<usize>> = BTreeMap::new();
    for &i in campaign.canonical_order() {
        let i = i as usize;
        if !campaign.is_fitted(i) {
            continue;
        }
        let trial = &campaign.trials()[i];
        let name = match left_out {
            LeftOut::Trial => trial.trial_id.clone(),
            LeftOut::Material => trial.material.clone(),
            LeftOut::Cell => format!("{} on {}", trial.material, trial.surface),
            LeftOut::Day => match &trial.day {
                Some(day) => day.clone(),
                None => continue,
            },
        };
        groups.entry(name).or_default().push(i);
    }
    groups
}

/// What leaving a group out touches.
#[derive(Debug, Default)]
struct Members {
    /// Rows of the fitted design.
    rows: Vec<usize>,
    /// Positions in the campaign; off the scale they have no row.
    trials: Vec<usize>,
}

/// Least rows per piece of parallel work, and most pieces: each has its own scratch space, as long as the campaign.
const CHUNK: usize = 64;
const MOST_CHUNKS: usize = 64;

/// Leaves out one trial or group at a time and refits `severity`, trials taken as independent given their material and
/// surface: what days, runs and belts share is not told from them again for each trial left out.
///
/// Cost: for a log-normal plan O(cells + materials·surfaces²) per trial left out, whatever the
/// number of trials; other distributions pay a full refit.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete").independent();
/// use surface_severity::campaign::Decisions;
/// use surface_severity::screening::{LeftOut, influence};
/// // An exact refit: the same as setting the trial aside and fitting again.
/// let table = influence(&plan, &campaign, LeftOut::Trial)?;
/// let without = campaign.with_decisions(&Decisions::new().set_aside("R-0077", "clamped over a seam", "engineer"))?;
/// let (before, after) = (plan.fit(&campaign)?, plan.fit(&without)?);
/// for (surface, change) in table.surfaces.iter().zip(&table.row("R-0077").unwrap().change_percent) {
///     let ratio = after.factor(surface)?.estimate() / before.factor(surface)?.estimate();
///     assert!((change.unwrap() - 100.0 * (ratio - 1.0)).abs() < 1e-4);
/// }
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// Those of [`Severity::fit`] on the whole campaign. A refit that fails is a row that says why.
pub fn influence(severity: &Severity, campaign: &Campaign, left_out: LeftOut) -> Result<InfluenceTable> {
    let severity = &severity.clone().independent();
    let prepared = Prepared::new(severity, campaign)?;
    let (design, rows) = prepared.numbering.crossed(&prepared.cells);
    let fit = prepared.fit(severity, campaign)?;
    let engine = Engine::new(&design, severity.chosen_distribution(), fit.scale());
    let columns: Vec<(usize, usize)> =
        prepared.numbering.column.iter().enumerate().filter_map(|(s, c)| Some((s, (*c)?))).collect();
    let mut design_row = vec![None; campaign.trials().len()];
    for (k, &row) in rows.iter().enumerate() {
        design_row[prepared.cells.trial[row]] = Some(k);
    }
    let mut block_of = vec![0; design.times.len()];
    for (b, block) in design.blocks.iter().enumerate() {
        block_of[block.start..block.end].fill(b);
    }
    let full = &fit.scale().log_k;
    let finish = |name: &str, trials: &[usize], refit: std::result::Result<(), Failure>, out: &[f64]| match refit {
        Ok(()) => row(name, trials.len(), columns.iter().map(|&(_, c)| percent(out[c] - full[c])).collect(), None),
        Err(failure) => {
            // Something lost its place: the full machinery says what is left of the scale.
            let mut aside = vec![false; campaign.trials().len()];
            for &i in trials {
                aside[i] = true;
            }
            match severity.fit(&campaign.without(aside)) {
                Ok(fit) => {
                    let change = |&(s, c): &(usize, usize)| percent(fit.factors()[s].log_factor? - full[c]);
                    let changes: Vec<Option<f64>> = columns.iter().map(change).collect();
                    let lost = columns.iter().zip(&changes).find(|(_, change)| change.is_none());
                    let reason = lost.map(|(&(s, _), _)| {
                        let factor = &fit.factors()[s];
                        format!("{}: {}", factor.surface, factor.factor.reason().unwrap_or("no estimate"))
                    });
                    row(name, trials.len(), changes, reason)
                }
                Err(error) => {
                    let reason = match failure {
                        Failure::LostPlace => error.to_string(),
                        other => other.reason().to_owned(),
                    };
                    row(name, trials.len(), vec![None; columns.len()], Some(reason))
                }
            }
        }
    };
    let ones = vec![1.0; design.times.len()];
    let touched = |rows: &[usize]| {
        let mut blocks: Vec<usize> = rows.iter().map(|&k| block_of[k]).collect();
        blocks.sort_unstable();
        blocks.dedup();
        blocks
    };
    let groups: Vec<(String, Members)> = groups_of(campaign, left_out)
        .into_iter()
        .map(|(name, trials)| {
            let rows = trials.iter().filter_map(|&i| design_row[i]).collect();
            (name, Members { rows, trials })
        })
        .collect();
    let chunk = |part: &[(String, Members)]| -> Vec<InfluenceRow> {
        let mut work = engine.work();
        for b in 0..design.blocks.len() {
            engine.load(b, &ones, &mut work);
        }
        let full = work.clone();
        let mut out = vec![0.0; engine.statistics()];
        let mut rows = Vec::with_capacity(part.len());
        if engine.has_lanes() {
            let mut lanes = engine.lane_work();
            let mut weights = vec![ones.clone(); LANES];
            (0..LANES).for_each(|lane| engine.put_lane(&ones, lane, &mut work, &mut lanes));
            for some in part.chunks(LANES) {
                for lane in 0..LANES {
                    // Lanes beyond the last group repeat the first.
                    let left_out = &some[if lane < some.len() { lane } else { 0 }].1.rows;
                    let blocks = touched(left_out);
                    left_out.iter().for_each(|&k| weights[lane][k] = 0.0);
                    blocks.iter().for_each(|&b| engine.load(b, &weights[lane], &mut work));
                    engine.put_blocks(&blocks, &weights[lane], lane, &mut work, &mut lanes);
                    blocks.iter().for_each(|&b| engine.restore(b, &full, &mut work));
                }
                engine.fit_lanes(&mut lanes);
                for (lane, (name, Members { trials, .. })) in some.iter().enumerate() {
                    let refit = engine.read_lane(lane, &lanes, &weights[lane], &mut out);
                    rows.push(finish(name, trials, refit, &out));
                }
                for lane in 0..LANES {
                    let left_out = &some[if lane < some.len() { lane } else { 0 }].1.rows;
                    left_out.iter().for_each(|&k| weights[lane][k] = 1.0);
                    engine.put_blocks(&touched(left_out), &ones, lane, &mut work, &mut lanes);
                }
            }
        } else {
            let mut weights = ones.clone();
            for (name, Members { rows: left_out, trials }) in part {
                let blocks = touched(left_out);
                left_out.iter().for_each(|&k| weights[k] = 0.0);
                blocks.iter().for_each(|&b| engine.load(b, &weights, &mut work));
                let refit = engine.fit_loaded(&weights, &mut work, &mut out);
                left_out.iter().for_each(|&k| weights[k] = 1.0);
                blocks.iter().for_each(|&b| engine.restore(b, &full, &mut work));
                rows.push(finish(name, trials, refit, &out));
            }
        }
        rows
    };
    Ok(InfluenceTable {
        left_out,
        surfaces: columns.iter().map(|&(s, _)| campaign.surfaces()[s].name.clone()).collect(),
        factors: columns.iter().map(|&(_, c)| libm::exp(full[c])).collect(),
        rows: in_chunks(&groups, chunk),
    })
}

/// The rows of all groups, in their order, whoever computes them.
fn in_chunks<T: Sync>(groups: &[T], chunk: impl Fn(&[T]) -> Vec<InfluenceRow> + Sync + Send) -> Vec<InfluenceRow> {
    let rows = groups.len().div_ceil(MOST_CHUNKS).max(CHUNK);
    #[cfg(feature = "parallel")]
    let rows: Vec<Vec<InfluenceRow>> = {
        use rayon::prelude::*;
        groups.par_chunks(rows).map(chunk).collect()
    };
    #[cfg(not(feature = "parallel"))]
    let rows: Vec<Vec<InfluenceRow>> = groups.chunks(rows).map(chunk).collect();
    rows.into_iter().flatten().collect()
}

fn percent(log_change: f64) -> Option<f64> {
    Some(100.0 * libm::expm1(log_change)).filter(|p| p.is_finite())
}

fn row(name: &str, trials: usize, change_percent: Vec<Option<f64>>, not_estimable: Option<String>) -> InfluenceRow {
    let lost = change_percent.iter().any(Option::is_none);
    let largest = change_percent.iter().flatten().copied().max_by(|a, b| a.abs().total_cmp(&b.abs()));
    InfluenceRow {
        name: name.into(),
        trials,
        largest_percent: if lost { None } else { largest.or(Some(0.0)) },
        not_estimable: not_estimable.or_else(|| lost.then(|| "a factor loses its estimate".to_owned())),
        change_percent,
    }
}
