//! One location per material×surface cell with a common scatter: the model without the assumption
//! that one factor serves all materials. Supplies the points of the laboratory–road line and the
//! alternative in the test of additivity.

use serde::{Deserialize, Serialize};

use crate::campaign::Campaign;
use crate::error::{ErrorKind, Result};
use crate::estimate::{Bound, BoundSide, Estimate, Interval, IntervalMethod, check_level};
use crate::numeric::special::two_sided_quantile;

use super::cells::{Cells, Crossed, Kinds};
use super::distribution::Distribution;
use super::fit::log_median_bound;
use super::scale::{Combination, Scale};

/// One material on one surface.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct CellEstimate {
    /// Material.
    pub material: String,
    /// Its class, where known.
    pub class: Option<String>,
    /// Surface.
    pub surface: String,
    /// Median abrasion time, s; a bound where every trial is censored on one side.
    pub median_s: Estimate,
    /// Log of the median, where finite.
    pub log_median: Option<f64>,
    /// Its standard error, where finite.
    pub log_standard_error: Option<f64>,
    /// Trials, voids not counted.
    pub trials: usize,
    /// Perforated trials among them.
    pub perforated: usize,
}

/// All cells of a campaign that have a trial that counts.
#[derive(Debug, Clone, PartialEq)]
pub struct CellMeans {
    cells: Vec<CellEstimate>,
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
    /// # Errors
    /// [`ErrorKind::InvalidOption`] (level), [`ErrorKind::NothingToFit`] where no cell has a finite
    /// estimate, [`ErrorKind::ScatterNotEstimable`] without any repeated cell,
    /// [`ErrorKind::NotConverged`].
    pub fn fit(campaign: &Campaign, distribution: Distribution, level: f64) -> Result<Self> {
        check_level(level)?;
        let cells = Cells::new(campaign, None);
        let mut design = Crossed::new(0, 0);
        let mut standing = Vec::with_capacity(cells.cells.len());
        for cell in &cells.cells {
            let kinds = Kinds::of(cells.of(cell));
            let side = match (kinds.exact, kinds.right, kinds.left) {
                (0, _, 0) => Err(BoundSide::AtLeast),
                (0, 0, _) => Err(BoundSide::AtMost),
                _ => {
                    design.push(&cells, cell, design.groups, None);
                    design.groups += 1;
                    Ok(design.groups - 1)
                }
            };
            standing.push(side);
        }
        if design.groups == 0 {
            return Err(ErrorKind::NothingToFit {
                reason: "no cell has a trial that was worn through within its run".into(),
            }
            .into());
        }
        let scale = Scale::fit(&design, distribution, "the fit of cell medians")?;
        let quantile = two_sided_quantile(level, scale.degrees_of_freedom);
        let method = if scale.degrees_of_freedom.is_some() { IntervalMethod::StudentT } else { IntervalMethod::Normal };
        let spread = scale.sigma * distribution.median();
        let mut rows = Vec::with_capacity(cells.cells.len());
        for (cell, standing) in cells.cells.iter().zip(standing) {
            let of = cells.of(cell);
            let (median_s, log) = match standing {
                Ok(group) => {
                    let log = scale.location[group] + spread;
                    let combination = Combination { locations: vec![(group, 1.0)], border: vec![(0, spread)] };
                    let se = scale.variance(&combination).sqrt();
                    (Interval::from_log(log, se, quantile, level, method)?.into(), Some((log, se)))
                }
                Err(side) => {
                    let kind = if side == BoundSide::AtLeast { "ran out" } else { "opened at contact" };
                    let reason = format!("all {} trial(s) of the cell {kind}", of.len());
                    let estimate = log_median_bound(distribution, scale.sigma, of, level)
                        .and_then(|log| Bound::new(side, libm::exp(log), level, reason.clone()).ok())
                        .map_or_else(|| Estimate::not_estimable(reason), Estimate::from);
                    (estimate, None)
                }
            };
            let material = &campaign.materials()[cell.material];
            rows.push(CellEstimate {
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
        Ok(Self {
            cells: rows,
            log_scatter: scale.sigma,
            degrees_of_freedom: scale.degrees_of_freedom,
            log_likelihood: scale.log_likelihood,
            parameters: design.groups + 1,
            level,
            distribution,
        })
    }

    /// The cells, sorted by material and then surface.
    #[must_use]
    pub fn cells(&self) -> &[CellEstimate] {
        &self.cells
    }
    /// One cell, if it has a trial that counts.
    #[must_use]
    pub fn cell(&self, material: &str, surface: &str) -> Option<&CellEstimate> {
        self.cells
            .binary_search_by(|c| (c.material.as_str(), c.surface.as_str()).cmp(&(material, surface)))
            .ok()
            .map(|i| &self.cells[i])
    }
    /// Common replicate scatter σ of log time.
    #[must_use]
    pub fn log_scatter(&self) -> f64 {
        self.log_scatter
    }
    /// Degrees of freedom of σ; `None` under censoring.
    #[must_use]
    pub fn degrees_of_freedom(&self) -> Option<f64> {
        self.degrees_of_freedom
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
