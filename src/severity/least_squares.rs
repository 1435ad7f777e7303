//! Weighted two-way least squares for campaigns in which every time is exact: the maximum of the
//! log-normal likelihood in one linear solve, and the classical unbiased σ².

use crate::error::{ErrorKind, Result};
use crate::numeric::bordered::{Bordered, Factored};

use super::cells::Crossed;

/// Count, mean and within sum of squares of a block.
#[derive(Debug, Clone, Copy, Default, PartialEq)]
pub(crate) struct BlockMean {
    pub(crate) weight: f64,
    pub(crate) mean: f64,
    pub(crate) within: f64,
}

pub(crate) fn block_means(design: &Crossed) -> Vec<BlockMean> {
    design
        .blocks
        .iter()
        .map(|block| {
            let weight_of = |i: usize| design.weights.as_ref().map_or(1.0, |w| w[i]);
            let mut weight = 0.0;
            let mut sum = 0.0;
            // Shifting by the first value keeps the digits where all times are nearly equal.
            let shift = design.times[block.start].middle();
            for i in block.start..block.end {
                weight += weight_of(i);
                sum += weight_of(i) * (design.times[i].middle() - shift);
            }
            let offset = if weight > 0.0 { sum / weight } else { 0.0 };
            let within = (block.start..block.end)
                .map(|i| {
                    let r = (design.times[i].middle() - shift) - offset;
                    weight_of(i) * r * r
                })
                .sum();
            BlockMean { weight, mean: shift + offset, within }
        })
        .collect()
}

#[derive(Debug, Clone)]
pub(crate) struct TwoWay {
    /// Log location per group.
    pub(crate) groups: Vec<f64>,
    /// Log k per column.
    pub(crate) columns: Vec<f64>,
    pub(crate) residual_sum: f64,
    pub(crate) weight: f64,
    /// Factored cross-product matrix in the coefficients (group, log k).
    pub(crate) normal: Factored,
}

pub(crate) fn two_way(design: &Crossed, means: &[BlockMean]) -> Result<TwoWay> {
    let (m, q) = (design.groups, design.columns);
    let mut system = Bordered::zeros(m, q);
    let (mut u, mut v) = (vec![0.0; m], vec![0.0; q]);
    let weight: f64 = means.iter().map(|b| b.weight).sum();
    let shift = means.iter().map(|b| b.weight * b.mean).sum::<f64>() / weight;
    for (block, mean) in design.blocks.iter().zip(means) {
        let (w, y) = (mean.weight, mean.weight * (mean.mean - shift));
        system.diagonal[block.group] += w;
        u[block.group] += y;
        if let Some(c) = block.column {
            system.border[block.group * q + c] -= w;
            system.corner[c * q + c] += w;
            v[c] -= y;
        }
    }
    let normal = system.factor().ok_or_else(|| ErrorKind::NotEstimable {
        quantity: "the scale".into(),
        reason: "the cells that carry weight do not join all materials and surfaces".into(),
    })?;
    normal.solve(&mut u, &mut v);
    let mut residual_sum = 0.0;
    for (block, mean) in design.blocks.iter().zip(means) {
        let r = (mean.mean - shift) - (u[block.group] - block.column.map_or(0.0, |c| v[c]));
        residual_sum += mean.within + mean.weight * r * r;
    }
    for a in &mut u {
        *a += shift;
    }
    Ok(TwoWay { groups: u, columns: v, residual_sum, weight, normal })
}
