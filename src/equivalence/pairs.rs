//! The materials on both the belt and a road: medians, errors, and what all of them share.

use super::line::LineCovariance;
use super::rows::{LeftOut, LeftOutReason, MaterialPair};
use super::scatter_line::{ScatterEstimator, ScatterLine, line_of_scatter, york_with_scatter};
use crate::campaign::Campaign;
use crate::error::Result;
use crate::estimate::Estimate;
use crate::numeric::count;
use crate::severity::{CellEstimate, CellMeans};

/// Columns over the pairs. The covariance of the cell medians is taken apart into what each pair has for itself, which
/// weights it, and the rest, which moves pairs together.
#[derive(Debug, Clone)]
pub(super) struct Columns {
    pub(super) x: Vec<f64>,
    pub(super) sx: Vec<f64>,
    pub(super) y: Vec<f64>,
    pub(super) sy: Vec<f64>,
    /// Covariances of the shared parts: of road medians, of laboratory medians, of road with laboratory; row-major.
    shared: [Vec<f64>; 3],
    /// What moves all log ratios alike: the mean covariance of two of them.
    pub(super) common: f64,
    estimator: ScatterEstimator,
}

/// Parts that the pairs are left out in; up to as many pairs each is one by itself.
const FOLDS: usize = 200;

/// One of the parts that pairs are left out in.
#[derive(Debug, Clone, Copy)]
pub(super) struct Fold {
    part: usize,
    of: usize,
}

impl Fold {
    fn holds(self, i: usize) -> bool {
        i % self.of == self.part
    }
}

/// Pairs of the materials with a median on both, and why the others are none.
pub(super) fn pair(
    campaign: &Campaign,
    cells: &CellMeans,
    factor: f64,
    laboratory: &str,
    road: &str,
) -> (Vec<MaterialPair>, Vec<LeftOut>) {
    let (mut pairs, mut left_out) = (Vec::new(), Vec::new());
    for material in campaign.materials() {
        let name = material.name.as_str();
        let (lab, on_road) = (cells.cell(name, laboratory), cells.cell(name, road));
        if lab.is_none() && on_road.is_none() {
            continue;
        }
        let mut leave = |reason| left_out.push(LeftOut { material: name.to_owned(), reason });
        let (Some(lab), Some(on_road)) = (lab, on_road) else {
            leave(if lab.is_none() { LeftOutReason::NotOnLaboratory } else { LeftOutReason::NotOnRoad });
            continue;
        };
        let log = |cell: &CellEstimate| cell.log_median.zip(cell.log_standard_error.map(|se| se * factor));
        let side = |cell: &CellEstimate| match &cell.median_s {
            Estimate::Bound(bound) => Some(bound.side()),
            _ => None,
        };
        match (log(lab), log(on_road)) {
            (Some((x, sx)), Some((y, sy))) => pairs.push(MaterialPair {
                material: name.to_owned(),
                class: material.class.clone(),
                laboratory_log_median: x,
                laboratory_log_standard_error: sx,
                road_log_median: y,
                road_log_standard_error: sy,
                laboratory_trials: lab.trials,
                road_trials: on_road.trials,
            }),
            (None, _) => leave(LeftOutReason::OnlyBoundOnLaboratory { side: side(lab) }),
            (_, None) => leave(LeftOutReason::OnlyBoundOnRoad { side: side(on_road) }),
        }
    }
    (pairs, left_out)
}

impl Columns {
    pub(super) fn new(
        pairs: &[MaterialPair],
        cells: &CellMeans,
        factor: f64,
        (laboratory, road): (&str, &str),
        estimator: ScatterEstimator,
    ) -> Self {
        let on =
            |surface: &str| -> Vec<usize> { pairs.iter().filter_map(|p| cells.index(&p.material, surface)).collect() };
        let (lab, road) = (on(laboratory), on(road));
        let own = |at: &[usize]| at.iter().map(|&c| factor * libm::sqrt(cells.own_variance(c))).collect();
        let of = |a: &[usize], b: &[usize]| -> Vec<f64> {
            let entry = |i: usize, j: usize| {
                let own = if i == j { cells.own_variance(i) } else { 0.0 };
                factor * factor * (cells.covariance(i, j) - own)
            };
            a.iter().flat_map(|&i| b.iter().map(move |&j| entry(i, j))).collect()
        };
        let mut columns = Self {
            x: pairs.iter().map(|p| p.laboratory_log_median).collect(),
            sx: own(&lab),
            y: pairs.iter().map(|p| p.road_log_median).collect(),
            sy: own(&road),
            shared: [of(&road, &road), of(&lab, &lab), of(&road, &lab)],
            common: 0.0,
            estimator,
        };
        let n = columns.len();
        let off = (0..n).flat_map(|i| (0..i).map(move |j| (i, j)));
        let sum: f64 = off.map(|(i, j)| columns.shared(1.0, i, j)).sum();
        columns.common = (2.0 * sum / (count(n) * count(n.saturating_sub(1)).max(1.0))).max(0.0);
        columns
    }

    pub(super) fn len(&self) -> usize {
        self.x.len()
    }

    /// Covariance of the shared parts of `y − slope · x` of pairs i and j.
    fn shared(&self, slope: f64, i: usize, j: usize) -> f64 {
        let n = self.len();
        let [rr, ll, rl] = &self.shared;
        let (ij, ji) = (i * n + j, j * n + i);
        rr[ij] - slope * (rl[ij] + rl[ji]) + slope * slope * ll[ij]
    }

    /// Log ratios of all pairs (but those of a fold) and the standard errors that they do not have in common.
    pub(super) fn ratios(&self, without: Option<Fold>) -> (Vec<f64>, Vec<f64>) {
        (0..self.len())
            .filter(|i| without.is_none_or(|fold| !fold.holds(*i)))
            .map(|i| {
                let own = self.sx[i] * self.sx[i] + self.sy[i] * self.sy[i];
                // A pair of few days may hold more of them than the others do.
                let variance = own + (self.shared(1.0, i, i) - self.common).max(0.0);
                (self.y[i] - self.x[i], libm::sqrt(variance))
            })
            .unzip()
    }

    pub(super) fn line(&self) -> Result<ScatterLine> {
        york_with_scatter(&self.x, &self.sx, &self.y, &self.sy, &vec![0.0; self.len()], self.estimator)
    }

    /// Intercept and slope without the pairs of a fold, with the scatter of all pairs.
    pub(super) fn line_without(&self, fold: Fold, whole: &ScatterLine) -> Result<(f64, f64)> {
        let keep = |v: &[f64]| -> Vec<f64> {
            v.iter().enumerate().filter(|(i, _)| !fold.holds(*i)).map(|(_, v)| *v).collect()
        };
        line_of_scatter([&self.x, &self.sx, &self.y, &self.sy].map(|v| keep(v)), whole)
    }

    /// What days, runs and belts add to the covariance of a line: that of the weighted means which slope and intercept
    /// are, with York's weights and adjusted x.
    pub(super) fn shared_covariance(&self, fit: &ScatterLine) -> LineCovariance {
        let (slope, tau2) = (fit.line().slope(), fit.intrinsic_scatter() * fit.intrinsic_scatter());
        let n = self.len();
        let weight = |i: usize| {
            let variance = self.sy[i] * self.sy[i] + slope * slope * self.sx[i] * self.sx[i] + tau2;
            if variance > 0.0 { 1.0 / variance } else { 1.0 }
        };
        let weights: Vec<f64> = (0..n).map(weight).collect();
        let x = fit.line().adjusted_x();
        let total: f64 = weights.iter().sum();
        let centre = weights.iter().zip(x).map(|(w, x)| w * x).sum::<f64>() / total;
        let spread: f64 = weights.iter().zip(x).map(|(w, x)| w * (x - centre) * (x - centre)).sum();
        let on_slope: Vec<f64> = weights.iter().zip(x).map(|(w, x)| w * (x - centre) / spread).collect();
        let on_intercept: Vec<f64> = weights.iter().zip(&on_slope).map(|(w, b)| w / total - centre * b).collect();
        let form = |a: &[f64], b: &[f64]| -> f64 {
            (0..n).map(|i| (0..n).map(|j| a[i] * b[j] * self.shared(slope, i, j)).sum::<f64>()).sum()
        };
        LineCovariance {
            slope_standard_error: libm::sqrt(form(&on_slope, &on_slope).max(0.0)),
            intercept_standard_error: libm::sqrt(form(&on_intercept, &on_intercept).max(0.0)),
            covariance: form(&on_intercept, &on_slope),
        }
    }

    /// Error of the log road median of each material predicted from the others by the intercept and slope that `line`
    /// finds without its fold; `None` below four pairs, or where a fit fails.
    pub(super) fn leave_out(&self, line: impl Fn(Fold) -> Result<(f64, f64)>) -> Option<Vec<f64>> {
        if self.len() < 4 {
            return None;
        }
        let of = self.len().min(FOLDS);
        let lines: Vec<(f64, f64)> = (0..of).map(|part| line(Fold { part, of }).ok()).collect::<Option<_>>()?;
        let error = |i: usize| self.y[i] - lines[i % of].0 - lines[i % of].1 * self.x[i];
        Some((0..self.len()).map(error).collect())
    }
}
