//! Refits of one campaign under many weights: the bootstrap's inner loop.
//!
//! What replicates share is prepared once: exact times enter a log-normal fit only through their
//! cell's weighted count, sum and sum of squares, and bounds that agree in cell, side and value share
//! one evaluation of the hazard. Replicates of log-normal fits are computed side by side and without
//! allocation (`lanes.rs`): by least squares where every time is exact, otherwise by a few Newton steps from the
//! full fit, of which the first take hazards from polynomials (`near.rs`). Cost: O(trials) for the sums, and
//! O(bounds + materials·surfaces²) a step. Other distributions, interval-censored times, and steps that do not
//! contract, go through the general Newton method, on a copy of the design.

use crate::error::ErrorKind;

mod lanes;
mod near;

pub(crate) use lanes::LANES;
use near::Near;

use super::cells::{Crossed, Kinds};
use super::distribution::Distribution;
use super::identify::{Link, Standing, standings};
use super::newton::LogTime;
use super::scale::Scale;

/// Why a replicate has no fit.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Failure {
    LostPlace,
    NoScatter,
    NotConverged,
}

impl Failure {
    pub(crate) fn reason(self) -> &'static str {
        match self {
            Self::LostPlace => "a material or surface lost its place on the scale",
            Self::NoScatter => "no scatter in the resample",
            Self::NotConverged => "the fit did not converge",
        }
    }
}

#[derive(Debug, Clone)]
struct Block {
    group: usize,
    column: Option<usize>,
    /// Range in `exact`.
    exact: (usize, usize),
    /// Range in `slots`.
    slots: (usize, usize),
    had: Kinds,
}

/// Bounds of one cell that agree in side and value.
#[derive(Debug, Clone)]
struct Slot {
    y: f64,
    /// +1 for a run-out, −1 for a contact opening.
    side: f64,
    rows: Vec<u32>,
}

#[derive(Debug)]
pub(crate) struct Engine<'a> {
    design: &'a Crossed,
    distribution: Distribution,
    full: &'a Scale,
    blocks: Vec<Block>,
    exact: Vec<(u32, f64)>,
    slots: Vec<Slot>,
    /// Hazard of each slot near the full fit: the first steps need no other.
    near: Vec<Near>,
    shift: f64,
    fast: bool,
    arch: pulp::Arch,
}

/// Scratch space of one thread.
#[derive(Debug, Clone, Default)]
pub(crate) struct Work {
    /// Per block: weight, sum and sum of squares of its exact times.
    sums: Vec<[f64; 3]>,
    counts: Vec<f64>,
    /// Union–find over materials and surfaces.
    parent: Vec<usize>,
}

impl<'a> Engine<'a> {
    pub(crate) fn new(design: &'a Crossed, distribution: Distribution, full: &'a Scale) -> Self {
        let (mut blocks, mut exact, mut slots) = (Vec::new(), Vec::new(), Vec::<Slot>::new());
        #[allow(clippy::cast_precision_loss)]
        let shift = design.times.iter().map(|t| t.middle()).sum::<f64>() / design.times.len().max(1) as f64;
        let mut fast = distribution == Distribution::LogNormal;
        for block in &design.blocks {
            let (first_exact, first_slot) = (exact.len(), slots.len());
            for i in block.start..block.end {
                // A campaign has at most u32::MAX trials.
                let row = u32::try_from(i).unwrap_or(u32::MAX);
                let (y, side) = match design.times[i] {
                    LogTime::Exact(y) => {
                        exact.push((row, y - shift));
                        continue;
                    }
                    LogTime::Right(y) => (y - shift, 1.0),
                    LogTime::Left(y) => (y - shift, -1.0),
                    LogTime::Between(..) => {
                        fast = false;
                        continue;
                    }
                };
                let same = |s: &&mut Slot| s.y.to_bits() == y.to_bits() && (s.side > 0.0) == (side > 0.0);
                match slots[first_slot..].iter_mut().find(same) {
                    Some(slot) => slot.rows.push(row),
                    None => slots.push(Slot { y, side, rows: vec![row] }),
                }
            }
            blocks.push(Block {
                group: block.group,
                column: block.column,
                exact: (first_exact, exact.len()),
                slots: (first_slot, slots.len()),
                had: Kinds::of(&design.times[block.start..block.end]),
            });
        }
        let mut near = Vec::with_capacity(slots.len());
        for block in &blocks {
            let location = full.location[block.group] - block.column.map_or(0.0, |c| full.log_k[c]) - shift;
            let here = &slots[block.slots.0..block.slots.1];
            near.extend(here.iter().map(|s| Near::at(s.side * (s.y - location) / full.sigma)));
        }
        Self { design, distribution, full, blocks, exact, slots, near, shift, fast, arch: pulp::Arch::new() }
    }

    /// Statistics per replicate: log factors, locations, log σ.
    pub(crate) fn statistics(&self) -> usize {
        self.design.columns + self.design.groups + 1
    }

    pub(crate) fn work(&self) -> Work {
        Work {
            sums: vec![[0.0; 3]; self.blocks.len()],
            counts: vec![0.0; self.slots.len()],
            parent: Vec::with_capacity(self.design.groups + self.design.columns + 1),
        }
    }

    /// Takes the weights of one block of the design into `work`.
    pub(crate) fn load(&self, block: usize, weights: &[f64], work: &mut Work) {
        let mut s = [0.0; 3];
        for &(row, y) in &self.exact[self.blocks[block].exact.0..self.blocks[block].exact.1] {
            let w = weights[row as usize];
            s[0] += w;
            s[1] += w * y;
            s[2] += w * y * y;
        }
        work.sums[block] = s;
        for slot in self.blocks[block].slots.0..self.blocks[block].slots.1 {
            work.counts[slot] = self.slots[slot].rows.iter().map(|&r| weights[r as usize]).sum();
        }
    }

    /// Sets one block back to what it is in `full`, where it was loaded with other weights.
    pub(crate) fn restore(&self, block: usize, full: &Work, work: &mut Work) {
        let slots = self.blocks[block].slots.0..self.blocks[block].slots.1;
        work.sums[block] = full.sums[block];
        work.counts[slots.clone()].copy_from_slice(&full.counts[slots]);
    }

    fn sums(&self, weights: &[f64], work: &mut Work) {
        for block in 0..self.blocks.len() {
            self.load(block, weights, work);
        }
    }

    /// Fits with one weight per time of the design, by the general method.
    pub(crate) fn fit_weights(&self, weights: &[f64], work: &mut Work, out: &mut [f64]) -> Result<(), Failure> {
        self.sums(weights, work);
        self.fit_loaded(weights, work, out)
    }

    /// Fits with weights of which every block was [`load`](Self::load)ed since it changed.
    pub(crate) fn fit_loaded(&self, weights: &[f64], work: &mut Work, out: &mut [f64]) -> Result<(), Failure> {
        if !self.keeps_its_places(weights, work) {
            return Err(Failure::LostPlace);
        }
        let mut resample = self.design.clone();
        resample.weights = Some(weights.to_vec());
        self.general(&resample, out)
    }

    /// Fits other times, censored or not, in place of the design's.
    pub(crate) fn fit_times(&self, times: Vec<LogTime>, out: &mut [f64]) -> Result<(), Failure> {
        let resample = Crossed { times, weights: None, ..self.design.clone() };
        if !finite(&resample, None) {
            return Err(Failure::LostPlace);
        }
        self.general(&resample, out)
    }

    fn general(&self, resample: &Crossed, out: &mut [f64]) -> Result<(), Failure> {
        let fitted = if resample.all_exact() && self.distribution == Distribution::LogNormal {
            Scale::fit(resample, self.distribution, "a bootstrap refit")
        } else {
            Scale::refit(resample, self.distribution, self.full)
        };
        let scale = fitted.map_err(|e| match e.kind() {
            ErrorKind::NotConverged { .. } => Failure::NotConverged,
            _ => Failure::NoScatter,
        })?;
        let (m, columns) = (self.design.groups, self.design.columns);
        out[..columns].copy_from_slice(&scale.log_k);
        out[columns..columns + m].copy_from_slice(&scale.location);
        out[columns + m] = libm::log(scale.sigma);
        Ok(())
    }

    /// Cells that keep an exact time keep what they tied, so the graph is asked only when one lost
    /// its last, or its last bound.
    fn keeps_its_places(&self, weights: &[f64], work: &mut Work) -> bool {
        (0..self.blocks.len()).all(|b| self.keeps(b, weights, work)) || self.rejoins(weights, work)
    }

    fn rejoins(&self, weights: &[f64], work: &mut Work) -> bool {
        self.joined_by_exact_times(work) || finite(self.design, Some(weights))
    }

    /// Whether a block still holds each kind of time that it had.
    fn keeps(&self, block: usize, weights: &[f64], work: &Work) -> bool {
        let (block, sum) = (&self.blocks[block], &work.sums[block]);
        if block.had.exact > 0 {
            return sum[0] > 0.0 || self.interval_kept(block, weights);
        }
        let kept =
            |side: f64| (block.slots.0..block.slots.1).any(|s| self.slots[s].side * side > 0.0 && work.counts[s] > 0.0);
        (block.had.right == 0 || kept(1.0)) && (block.had.left == 0 || kept(-1.0))
    }

    /// Whether cells with exact times alone join all materials and surfaces: enough, and quick.
    fn joined_by_exact_times(&self, work: &mut Work) -> bool {
        let (m, surfaces) = (self.design.groups, self.design.columns + 1);
        let parent = &mut work.parent;
        parent.clear();
        parent.extend(0..m + surfaces);
        let mut parts = m + surfaces;
        for (block, sum) in self.blocks.iter().zip(&work.sums) {
            if sum[0] > 0.0 {
                let a = root(parent, block.group);
                let b = root(parent, m + block.column.unwrap_or(surfaces - 1));
                if a != b {
                    parent[a] = b;
                    parts -= 1;
                }
            }
        }
        parts == 1
    }

    /// Interval-censored times hold a cell as exact ones do; they are not among the sums.
    fn interval_kept(&self, block: &Block, weights: &[f64]) -> bool {
        !self.fast
            && self.design.blocks.iter().find(|b| b.group == block.group && b.column == block.column).is_some_and(|b| {
                (b.start..b.end).any(|i| matches!(self.design.times[i], LogTime::Between(..)) && weights[i] > 0.0)
            })
    }
}

/// Representative of a node, shortening the way for the next question.
fn root(parent: &mut [usize], mut node: usize) -> usize {
    while parent[node] != node {
        parent[node] = parent[parent[node]];
        node = parent[node];
    }
    node
}

/// Whether every material and surface of the design has a finite place, with the rows of positive
/// weight (all, where none are given).
fn finite(design: &Crossed, weights: Option<&[f64]>) -> bool {
    let surfaces = design.columns + 1;
    let links: Vec<Link> = design
        .blocks
        .iter()
        .map(|block| {
            let kept: Vec<LogTime> = (block.start..block.end)
                .filter(|&i| weights.is_none_or(|w| w[i] > 0.0))
                .map(|i| design.times[i])
                .collect();
            Link { material: block.group, surface: block.column.unwrap_or(surfaces - 1), kinds: Kinds::of(&kept) }
        })
        .collect();
    let names = |n: usize| vec![String::new(); n];
    standings(&links, &names(design.groups), &names(surfaces), surfaces - 1)
        .is_ok_and(|s| s.materials.iter().chain(&s.surfaces).all(|&standing| standing == Standing::Finite))
}
