//! One location per material×surface cell with a common scatter: the model without the assumption
//! that one factor serves all materials. Supplies the points of the laboratory–road line and the
//! alternative in the test of additivity.

use serde::{Deserialize, Serialize};

use crate::campaign::Campaign;
use crate::document::present;
use crate::error::{ErrorKind, Result};
use crate::estimate::{Bound, BoundSide, Estimate, Interval, IntervalMethod, check_level};

use super::adjusted::{Adjusted, Scatter};
use super::cells::{Cells, Crossed, Kinds};
use super::distribution::Distribution;
use super::fit::SeverityFit;
use super::plan::Grouping;
use super::rows::log_median_bound;
use super::scale::{Combination, Scale, SmallSample};

/// One material on one surface.
///
/// ```
/// // Cowhide: 8 and 10 s on asphalt, 4 and 5 s on the belt.
/// # use surface_severity::campaign::{Campaign, Trial};
/// # let campaign = Campaign::from_trials([
/// #     Trial::perforated("T1", "asphalt", "cowhide", 8.0),
/// #     Trial::perforated("T2", "asphalt", "cowhide", 10.0),
/// #     Trial::perforated("T3", "belt", "cowhide", 4.0),
/// #     Trial::perforated("T4", "belt", "cowhide", 5.0),
/// # ])?;
/// use surface_severity::severity::Severity;
/// let cells = Severity::new("asphalt").fit(&campaign)?.cell_means(&campaign)?;
/// let cell = cells.cell("cowhide", "belt").unwrap();
/// // The median of log-normal times is their geometric mean.
/// assert!((cell.median_s.value().unwrap() - 20_f64.sqrt()).abs() < 1e-12);
/// assert_eq!((cell.trials, cell.perforated), (2, 2));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct CellEstimate {
    /// Material.
    pub material: String,
    /// Its class, where known.
    #[serde(deserialize_with = "present")]
    pub class: Option<String>,
    /// Surface.
    pub surface: String,
    /// Median abrasion time, s; a bound where every trial is censored on one side.
    pub median_s: Estimate,
    /// Log of the median, where finite.
    #[serde(deserialize_with = "present")]
    pub log_median: Option<f64>,
    /// Its standard error, where finite.
    #[serde(deserialize_with = "present")]
    pub log_standard_error: Option<f64>,
    /// Trials, voids not counted.
    pub trials: usize,
    /// Perforated trials among them.
    pub perforated: usize,
}

/// All cells of a campaign that have a trial that counts.
///
/// ```
/// // Cowhide: 8 and 10 s on asphalt, 4 and 5 s on the belt.
/// # use surface_severity::campaign::{Campaign, Trial};
/// # let campaign = Campaign::from_trials([
/// #     Trial::perforated("T1", "asphalt", "cowhide", 8.0),
/// #     Trial::perforated("T2", "asphalt", "cowhide", 10.0),
/// #     Trial::perforated("T3", "belt", "cowhide", 4.0),
/// #     Trial::perforated("T4", "belt", "cowhide", 5.0),
/// # ])?;
/// use surface_severity::severity::{CellMeans, Distribution};
/// let cells = CellMeans::fit(&campaign, Distribution::LogNormal, 0.95)?;
/// assert_eq!((cells.cells().len(), cells.degrees_of_freedom()), (2, Some(2.0)));
/// // Pooled over the cells: both hold two times that differ by a factor of 1.25.
/// assert!((cells.log_scatter() - 1.25_f64.ln() / 2_f64.sqrt()).abs() < 1e-12);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct CellMeans {
    cells: Vec<CellEstimate>,
    /// Per cell, aligned with `cells`: variance of its log median that it shares with no other cell.
    own: Vec<f64>,
    /// Per cell: the product of the rows of two cells is the rest of their covariance, what conditions and σ̂ share.
    loadings: Vec<Vec<f64>>,
    small_sample: SmallSample,
    log_scatter: f64,
    degrees_of_freedom: Option<f64>,
    log_likelihood: f64,
    parameters: usize,
    level: f64,
    distribution: Distribution,
}

impl CellMeans {
    /// Fits one location per cell and a common σ: cell means and the pooled standard deviation
    /// where nothing is censored (log-normal), maximum likelihood otherwise.
    ///
    /// ```
    /// use surface_severity::campaign::Campaign;
    /// use surface_severity::severity::{CellMeans, Distribution, Severity};
    /// let campaign = Campaign::read_path("data-demo/trials.csv")?;
    /// let cells = CellMeans::fit(&campaign, Distribution::LogNormal, 0.95)?;
    /// // A location for each cell describes the times at least as well as one factor for each surface.
    /// let additive = Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// assert!(cells.log_likelihood() > additive.log_likelihood());
    /// assert!(cells.parameters() > additive.parameters());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] (level), [`ErrorKind::NothingToFit`] where no cell has a finite
    /// estimate, [`ErrorKind::ScatterNotEstimable`] without any repeated cell,
    /// [`ErrorKind::NotConverged`].
    pub fn fit(campaign: &Campaign, distribution: Distribution, level: f64) -> Result<Self> {
        check_level(level)?;
        let finite = Finite::of(campaign, None, None)?;
        let (mut found, medians) = Self::independent(&finite, distribution, level)?;
        found.rows(campaign, &finite, &medians)?;
        Ok(found)
    }

    /// Still without its rows, which `rows` makes of the medians.
    fn independent(finite: &Finite, distribution: Distribution, level: f64) -> Result<(Self, Vec<Median>)> {
        let scale = Scale::fit(&finite.design, distribution, "the fit of cell medians")?;
        let found = Self {
            cells: Vec::new(),
            own: Vec::new(),
            loadings: Vec::new(),
            small_sample: scale.small_sample,
            log_scatter: scale.sigma,
            degrees_of_freedom: scale.degrees_of_freedom,
            log_likelihood: scale.log_likelihood,
            parameters: finite.design.groups + 1,
            level,
            distribution,
        };
        Ok((found, independent_medians(&scale, distribution, finite.design.groups)))
    }

    /// Of the fit's own times: at the nominal values of its covariates, adjusted for its conditions.
    fn of(fit: &SeverityFit, campaign: &Campaign) -> Result<Self> {
        let plan = fit.plan();
        let components = fit.variance_components();
        let with_variance = fit.groupings().iter().zip(&components).filter(|(g, _)| g.is_condition());
        let conditions: Vec<(Grouping, f64)> = with_variance.map(|(g, c)| (g.clone(), c.variance)).collect();
        let scatter = Scatter { distribution: plan.distribution, sigma: fit.log_scatter(), conditions: &conditions };
        let finite_at = |shift: Option<&[f64]>| Finite::of(campaign, plan.time_resolution_s, shift);
        let medians_of = |finite: &Finite| adjusted_medians(campaign, finite, scatter);
        let finite = finite_at(fit.shift())?;
        let mut found = Self {
            cells: Vec::new(),
            own: Vec::new(),
            loadings: Vec::new(),
            small_sample: SmallSample { factor: 1.0, degrees_of_freedom: fit.scatter_degrees_of_freedom() },
            log_scatter: fit.log_scatter(),
            degrees_of_freedom: None,
            log_likelihood: fit.log_likelihood(),
            parameters: finite.design.groups + 1 + conditions.len(),
            level: fit.level(),
            distribution: plan.distribution,
        };
        let mut medians = if fit.groupings().is_empty() {
            let (of, medians) = Self::independent(&finite, plan.distribution, plan.level)?;
            found = of;
            medians
        } else {
            medians_of(&finite)?
        };
        // The error of a covariate's effect moves cells together, by what one standard error of it does to each.
        for error in fit.shift_errors() {
            let moved = |sign: f64| {
                let from = fit.shift().map_or_else(|| vec![0.0; error.len()], <[f64]>::to_vec);
                let shift: Vec<f64> = from.iter().zip(error).map(|(s, e)| s + sign * e).collect();
                medians_of(&finite_at(Some(&shift))?)
            };
            for ((median, low), high) in medians.iter_mut().zip(moved(-1.0)?).zip(moved(1.0)?) {
                median.loadings.push(0.5 * (high.log - low.log));
            }
        }
        found.rows(campaign, &finite, &medians)?;
        Ok(found)
    }

    /// Fills in a row for every cell, with a bound where nothing finite is known.
    fn rows(&mut self, campaign: &Campaign, finite: &Finite, medians: &[Median]) -> Result<()> {
        let quantile = self.small_sample.multiplier(self.level);
        for (cell, standing) in finite.cells.cells.iter().zip(&finite.standing) {
            let of = finite.cells.of(cell);
            let (median_s, log) = match *standing {
                Ok(group) => {
                    let median = &medians[group];
                    let se = (median.own + dot(&median.loadings, &median.loadings)).sqrt();
                    self.own.push(median.own);
                    self.loadings.push(median.loadings.clone());
                    let method = IntervalMethod::StudentT;
                    let interval = Interval::from_log(median.log, se, quantile, self.level, method)?;
                    (interval.into(), Some((median.log, se)))
                }
                Err(side) => {
                    self.own.push(0.0);
                    self.loadings.push(Vec::new());
                    let kind = if side == BoundSide::AtLeast { "ran out" } else { "opened at contact" };
                    let reason = format!("all {} trial(s) of the cell {kind}", of.len());
                    let estimate = log_median_bound(self.distribution, self.log_scatter, of, self.level)
                        .and_then(|log| Bound::new(side, libm::exp(log), self.level, reason.clone()).ok())
                        .map_or_else(|| Estimate::not_estimable(reason), Estimate::from);
                    (estimate, None)
                }
            };
            let material = &campaign.materials()[cell.material];
            self.cells.push(CellEstimate {
                material: material.name.clone(),
                class: material.class.clone(),
                surface: campaign.surfaces()[cell.surface].name.clone(),
                median_s,
                log_median: log.map(|l| l.0),
                log_standard_error: log.map(|l| l.1),
                trials: of.len(),
                perforated: Kinds::of(of).exact,
            });
        }
        Ok(())
    }

    /// Covariance of the log medians of two cells with finite ones, by their place among [`cells`](Self::cells).
    pub(crate) fn covariance(&self, a: usize, b: usize) -> f64 {
        dot(&self.loadings[a], &self.loadings[b]) + if a == b { self.own[a] } else { 0.0 }
    }

    /// Variance of a log median that it shares with no other cell.
    pub(crate) fn own_variance(&self, cell: usize) -> f64 {
        self.own[cell]
    }

    /// The row of a cell whose products with those of others are their covariance.
    pub(super) fn loadings(&self, cell: usize) -> &[f64] {
        &self.loadings[cell]
    }

    /// Place of a cell among [`cells`](Self::cells).
    pub(crate) fn index(&self, material: &str, surface: &str) -> Option<usize> {
        self.cells.binary_search_by(|c| (c.material.as_str(), c.surface.as_str()).cmp(&(material, surface))).ok()
    }

    /// The cells, sorted by material and then surface.
    #[must_use]
    pub fn cells(&self) -> &[CellEstimate] {
        &self.cells
    }
    /// One cell, if it has a trial that counts.
    #[must_use]
    pub fn cell(&self, material: &str, surface: &str) -> Option<&CellEstimate> {
        self.index(material, surface).map(|i| &self.cells[i])
    }
    /// Common replicate scatter σ of log time; the maximum-likelihood estimate under censoring.
    #[must_use]
    pub fn log_scatter(&self) -> f64 {
        self.log_scatter
    }
    /// Degrees of freedom of σ; `None` under censoring.
    #[must_use]
    pub fn degrees_of_freedom(&self) -> Option<f64> {
        self.degrees_of_freedom
    }
    /// Degrees of freedom of the t quantile in every interval, as for
    /// [`SeverityFit::scatter_degrees_of_freedom`].
    #[must_use]
    pub fn interval_degrees_of_freedom(&self) -> f64 {
        self.small_sample.degrees_of_freedom
    }
    /// What standard errors are multiplied by in every interval, as for
    /// [`SeverityFit`](super::SeverityFit::small_sample_factor).
    #[must_use]
    pub fn small_sample_factor(&self) -> f64 {
        self.small_sample.factor
    }
    /// Log-likelihood on the time scale. Cells known only by a bound contribute nothing: in the
    /// limit of their unlimited estimate their probability is 1.
    #[must_use]
    pub fn log_likelihood(&self) -> f64 {
        self.log_likelihood
    }
    /// Free parameters: cells with a finite estimate, and σ.
    #[must_use]
    pub fn parameters(&self) -> usize {
        self.parameters
    }
    /// Confidence level of the intervals.
    #[must_use]
    pub fn level(&self) -> f64 {
        self.level
    }
    /// Distribution of times.
    #[must_use]
    pub fn distribution(&self) -> Distribution {
        self.distribution
    }
}

/// A finite cell.
struct Median {
    log: f64,
    own: f64,
    loadings: Vec<f64>,
}

fn independent_medians(scale: &Scale, distribution: Distribution, groups: usize) -> Vec<Median> {
    let spread = scale.sigma * distribution.median();
    let of = |group: usize| {
        let combination = Combination { locations: vec![(group, 1.0)], border: vec![(0, spread)] };
        let variance = scale.variance(&combination);
        // Covariance with other cells goes through σ̂ alone.
        let shared = (spread + scale.loadings[group]) * scale.corner[0].sqrt();
        let own = (variance - shared * shared).max(0.0);
        Median { log: scale.location[group] + spread, own, loadings: vec![shared] }
    };
    (0..groups).map(of).collect()
}

fn adjusted_medians(campaign: &Campaign, finite: &Finite, scatter: Scatter<'_>) -> Result<Vec<Median>> {
    let trials: Vec<usize> = finite.rows.iter().map(|&row| finite.cells.trial[row]).collect();
    let adjusted = Adjusted::fit(campaign, &finite.design, &trials, scatter)?;
    let spread = scatter.sigma * scatter.distribution.median();
    let rows = adjusted.location.into_iter().zip(adjusted.own).zip(adjusted.loadings);
    Ok(rows.map(|((location, own), loadings)| Median { log: location + spread, own, loadings }).collect())
}

fn dot(a: &[f64], b: &[f64]) -> f64 {
    a.iter().zip(b).map(|(a, b)| a * b).sum()
}

/// The cells with a finite median as groups of a design, and which way the others are unlimited.
struct Finite {
    cells: Cells,
    design: Crossed,
    /// Rows of the cells in the design.
    rows: Vec<usize>,
    standing: Vec<std::result::Result<usize, BoundSide>>,
}

impl Finite {
    fn of(campaign: &Campaign, resolution: Option<f64>, shift: Option<&[f64]>) -> Result<Self> {
        let mut cells = Cells::new(campaign, resolution);
        if let Some(shift) = shift {
            cells.take_off(shift);
        }
        let mut design = Crossed::new(0, 0);
        let (mut rows, mut standing) = (Vec::new(), Vec::with_capacity(cells.cells.len()));
        for (cell, kinds) in cells.with_kinds() {
            standing.push(match (kinds.exact, kinds.right, kinds.left) {
                (0, _, 0) => Err(BoundSide::AtLeast),
                (0, 0, _) => Err(BoundSide::AtMost),
                _ => {
                    design.push(&cells, cell, design.groups, None);
                    rows.extend(cell.start..cell.end);
                    design.groups += 1;
                    Ok(design.groups - 1)
                }
            });
        }
        if design.groups == 0 {
            let reason = "no cell has a trial that was worn through within its run".into();
            return Err(ErrorKind::NothingToFit { reason }.into());
        }
        Ok(Self { cells, design, rows, standing })
    }
}

impl SeverityFit {
    /// A median for every cell, without the assumption that one factor serves all materials: adjusted for the days,
    /// runs and belts of the fit, with its σ. Of independent trials: cell means and the scatter pooled over the cells.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// let cells = fit.cell_means(&campaign)?;
    /// assert_eq!(cells.log_scatter(), fit.log_scatter(), "one scatter of replicates");
    /// assert!(cells.cell("aramid denim", "laboratory belt").unwrap().log_median.is_some());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for another campaign, [`ErrorKind::NothingToFit`] where no cell has a finite
    /// median, [`ErrorKind::ScatterNotEstimable`] of independent trials without any repeated cell,
    /// [`ErrorKind::NotConverged`].
    pub fn cell_means(&self, campaign: &Campaign) -> Result<CellMeans> {
        if campaign.digest() != self.campaign_digest() {
            return Err(ErrorKind::option("campaign", campaign.digest(), "the campaign that was fitted"));
        }
        CellMeans::of(self, campaign)
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::campaign::Trial;

    /// Covariances of the cell medians of the censored poisons through the common σ̂: R survival 3.5-3
    /// (`tests/reference/r/cell_covariance.R`). Cells without a censored time have none.
    #[test]
    fn cells_are_correlated_through_the_common_scatter() {
        let text = include_str!("../../tests/data/poisons_censored.csv");
        let mut trials = Vec::new();
        for (i, row) in text.lines().skip(2).enumerate() {
            let f: Vec<&str> = row.split(',').collect();
            let (id, time) = (i.to_string(), f[2].parse().unwrap());
            trials.push(match f[3] {
                "run_out" => Trial::run_out(id, f[0], f[1], time),
                "opened_at_contact" => Trial::opened_at_contact(id, f[0], f[1], time),
                _ => Trial::perforated(id, f[0], f[1], time),
            });
        }
        let means = CellMeans::fit(&Campaign::from_trials(trials).unwrap(), Distribution::LogNormal, 0.95).unwrap();
        let c1 = means.cell("C", "1").unwrap();
        assert!((c1.log_median.unwrap() + 0.606_179_810_877_0).abs() < 1e-9);
        assert!((c1.log_standard_error.unwrap().powi(2) / 1.029_373_364_218e-2 - 1.0).abs() < 1e-7);
        for (material, surface, want) in [
            ("A", "2", -6.558_166_487_016e-5),
            ("B", "2", 3.220_672_226_991e-4),
            ("D", "1", 3.129_490_827_795e-4),
            ("D", "2", 1.642_813_284_966e-4),
            ("B", "3", 0.0),
            ("C", "2", 0.0),
        ] {
            let got = means.covariance(means.index("C", "1").unwrap(), means.index(material, surface).unwrap());
            assert!((got - want).abs() < 1e-6 * want.abs() + 1e-15, "{material} {surface}: {got} {want}");
        }
    }
}
