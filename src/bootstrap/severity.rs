//! Replicates of a severity fit.

use rand::Rng;

use crate::campaign::Campaign;
use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, IntervalMethod};
use crate::severity::engine::{Block, Crossed, Kinds, Link, LogTime, Prepared, Scale, Standing, standings};
use crate::severity::{Distribution, Severity, SeverityFit};

use super::run::{Bootstrap, Replicates, each};
use super::stream::{below, stream};

/// Bootstrap replicates of all log factors and log durabilities of a severity plan.
#[derive(Debug, Clone, PartialEq)]
pub struct SeverityBootstrap {
    replicates: Replicates,
    fit: SeverityFit,
}

impl Bootstrap {
    /// Resamples the trials of each material×surface cell and refits `plan` to every resample.
    ///
    /// A replicate fails when a material or surface that has a finite place in the campaign loses
    /// it in the resample (all its perforated trials of a decisive cell left undrawn).
    ///
    /// # Errors
    /// Those of [`Severity::fit`] on the campaign itself, and [`ErrorKind::ReplicatesFailed`].
    pub fn severity(&self, plan: &Severity, campaign: &Campaign) -> Result<SeverityBootstrap> {
        self.check()?;
        let fit = plan.fit(campaign)?;
        let prepared = Prepared::new(plan, campaign)?;
        let (design, _) = prepared.numbering.crossed(&prepared.cells);
        let observed = statistics(fit.scale());
        let draws = if plan.chosen_distribution() == Distribution::LogNormal && design.all_exact() {
            self.exact_draws(&design)?
        } else {
            self.censored_draws(&design, plan, fit.scale())
        };
        let influence = fit.scale().influence(&design, plan.chosen_distribution())?;
        let replicates = self.collect(observed, draws, influence)?;
        Ok(SeverityBootstrap { replicates, fit })
    }

    /// Nothing censored: cell counts never change, so one factorisation serves all replicates and
    /// each is its cell sums and one solve.
    fn exact_draws(&self, design: &Crossed) -> Result<Vec<Result<Vec<f64>, String>>> {
        let solver = Scale::repeated_least_squares(design)?;
        let y: Vec<f64> = design.times.iter().map(|t| t.middle()).collect();
        Ok(each(self.replicates, |r| {
            let mut rng = stream(self.seed, r as u64);
            let mut sums = Vec::with_capacity(design.blocks.len());
            for block in &design.blocks {
                let members = &y[block.start..block.end];
                let shift = members[0];
                let (mut sum, mut square) = (0.0, 0.0);
                for _ in 0..members.len() {
                    let v = members[below(&mut rng, members.len())] - shift;
                    sum += v;
                    square += v * v;
                }
                sums.push((shift, sum, square));
            }
            solver.solve(&sums).ok_or_else(|| "no scatter in the resample".to_owned())
        }))
    }

    fn censored_draws(&self, design: &Crossed, plan: &Severity, full: &Scale) -> Vec<Result<Vec<f64>, String>> {
        each(self.replicates, |r| {
            let mut rng = stream(self.seed, r as u64);
            let mut weights = vec![0.0; design.times.len()];
            for block in &design.blocks {
                draw_counts(&mut rng, block, &mut weights);
            }
            if !still_finite(design, &weights) {
                return Err("a material or surface lost its place on the scale".to_owned());
            }
            let mut resample = design.clone();
            resample.weights = Some(weights);
            Scale::refit(&resample, plan.chosen_distribution(), full).map(|scale| statistics(&scale)).map_err(|e| {
                match e.kind() {
                    ErrorKind::NotConverged { .. } => "the fit did not converge".to_owned(),
                    _ => "no scatter in the resample".to_owned(),
                }
            })
        })
    }
}

fn draw_counts(rng: &mut impl Rng, block: &Block, weights: &mut [f64]) {
    let n = block.end - block.start;
    for _ in 0..n {
        weights[block.start + below(rng, n)] += 1.0;
    }
}

/// Whether all materials and surfaces of the fit keep a finite place with the rows of positive
/// weight. Cells that keep an exact time keep what they tied, so the graph is asked only when one
/// lost its last.
fn still_finite(design: &Crossed, weights: &[f64]) -> bool {
    let drawn = |block: &Block| {
        let times: Vec<LogTime> =
            (block.start..block.end).filter(|&i| weights[i] > 0.0).map(|i| design.times[i]).collect();
        Kinds::of(&times)
    };
    let lost = design.blocks.iter().any(|block| {
        let before = Kinds::of(&design.times[block.start..block.end]);
        let now = drawn(block);
        (before.exact > 0 && now.exact == 0)
            || (before.exact == 0 && ((before.right > 0) != (now.right > 0) || (before.left > 0) != (now.left > 0)))
    });
    if !lost {
        return true;
    }
    let surfaces = design.columns + 1;
    let links: Vec<Link> = design
        .blocks
        .iter()
        .map(|block| Link {
            material: block.group,
            surface: block.column.map_or(surfaces - 1, |c| c),
            kinds: drawn(block),
        })
        .collect();
    let names = |n: usize| vec![String::new(); n];
    standings(&links, &names(design.groups), &names(surfaces), surfaces - 1)
        .is_ok_and(|s| s.materials.iter().chain(&s.surfaces).all(|&standing| standing == Standing::Finite))
}

/// Log factors, then log medians on the reference, then log σ.
fn statistics(scale: &Scale) -> Vec<f64> {
    let mut values = scale.log_k.clone();
    values.extend(&scale.location);
    values.push(libm::log(scale.sigma));
    values
}

impl SeverityBootstrap {
    /// The fit that was bootstrapped.
    #[must_use]
    pub fn fit(&self) -> &SeverityFit {
        &self.fit
    }
    /// The replicates: log factors of the surfaces on the scale but the reference, in the order of
    /// [`SeverityFit::factors`]; log locations of the materials on the scale, in the order of
    /// [`SeverityFit::materials`]; log σ.
    #[must_use]
    pub fn replicates(&self) -> &Replicates {
        &self.replicates
    }

    /// Bootstrap interval of the factor of `surface` relative to another one; `method` is
    /// [`IntervalMethod::Percentile`] or [`IntervalMethod::Bca`].
    ///
    /// # Errors
    /// Those of [`SeverityFit::factor_between`]; [`ErrorKind::NotEstimable`] where BCa has no bias
    /// correction; [`ErrorKind::InvalidOption`] for another method.
    pub fn factor_between(&self, surface: &str, relative_to: &str, method: IntervalMethod) -> Result<Interval> {
        if !matches!(method, IntervalMethod::Percentile | IntervalMethod::Bca) {
            return Err(ErrorKind::option("method", format!("{method:?}"), "Percentile or Bca"));
        }
        let model = self.fit.factor_between(surface, relative_to)?;
        if surface == relative_to {
            return Ok(model);
        }
        let mut weights = Vec::new();
        for (name, sign) in [(surface, 1.0), (relative_to, -1.0)] {
            if let Some(column) = self.fit.column_of(name) {
                weights.push((column, sign));
            }
        }
        self.replicates.interval(&weights, method, libm::exp)
    }

    /// Bootstrap interval of the factor of `surface` relative to the reference.
    ///
    /// # Errors
    /// As [`factor_between`](Self::factor_between).
    pub fn factor(&self, surface: &str, method: IntervalMethod) -> Result<Interval> {
        self.factor_between(surface, self.fit.reference(), method)
    }
}
