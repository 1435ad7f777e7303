//! Refits of one campaign under many weights, without allocation: the bootstrap's inner loop.
//!
//! What replicates share is prepared once: exact times enter a log-normal fit only through their
//! cell's weighted count, sum and sum of squares, and bounds that agree in cell, side and value share
//! one evaluation of the hazard. A replicate is then a few Newton steps from the full fit on
//! (materials + surfaces + 1) numbers, cost O(trials) for the sums and O(bounds + materials·surfaces²)
//! a step. Other distributions, and steps that do not contract, go through the general Newton method.

use crate::error::ErrorKind;
use crate::numeric::mills::{hazard, hazard_lanes};

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
    diagonal: Vec<f64>,
    border: Vec<f64>,
    corner: Vec<f64>,
    u: Vec<f64>,
    v: Vec<f64>,
}

const MAX_STEPS: u32 = 30;
/// Squared Newton decrement at which the next step is the last; it leaves about its square, so that
/// a replicate's estimates are exact to about 1e-6 of their standard errors.
const LAST_STEP: f64 = 1e-6;
/// Steps that take the hazards of bounds from their Taylor polynomials about the full fit.
const NEAR_STEPS: u32 = 2;
/// Terms of the polynomials; the hazard is analytic to 2.8 about any real argument.
const TERMS: usize = 7;
/// Farthest from the full fit, in σ, that a polynomial is asked.
const NEAR: f64 = 1.5;

/// The normal hazard about one argument: h(z₀ + δ) = Σ cₙ δⁿ, from h′ = h² − z h.
#[derive(Debug, Clone, Copy)]
struct Near {
    z: f64,
    terms: [f64; TERMS],
}

impl Near {
    fn at(z: f64) -> Self {
        let mut terms = [0.0; TERMS];
        terms[0] = hazard(z);
        let mut order = 0.0;
        for n in 1..TERMS {
            order += 1.0;
            let square: f64 = (0..n).map(|i| terms[i] * terms[n - 1 - i]).sum();
            let before = if n > 1 { terms[n - 2] } else { 0.0 };
            terms[n] = (square - z * terms[n - 1] - before) / order;
        }
        Self { z, terms }
    }

    /// Hazard and its slope.
    #[inline(always)]
    fn lanes(&self, z: &Lane) -> (Lane, Lane) {
        let (mut h, mut slope) = ([self.terms[TERMS - 1]; LANES], ZERO);
        let mut away = ZERO;
        for l in 0..LANES {
            away[l] = (z[l] - self.z).clamp(-NEAR, NEAR);
        }
        for &term in self.terms[..TERMS - 1].iter().rev() {
            for l in 0..LANES {
                slope[l] = slope[l] * away[l] + h[l];
                h[l] = h[l] * away[l] + term;
            }
        }
        (h, slope)
    }
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
        let (m, columns) = (self.design.groups, self.design.columns);
        let q = columns + 1;
        Work {
            sums: vec![[0.0; 3]; self.blocks.len()],
            counts: vec![0.0; self.slots.len()],
            parent: Vec::with_capacity(m + q),
            diagonal: vec![0.0; m],
            border: vec![0.0; m * q],
            corner: vec![0.0; q * q],
            u: vec![0.0; m],
            v: vec![0.0; q],
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

    fn sums(&self, weights: &[f64], work: &mut Work) {
        for block in 0..self.blocks.len() {
            self.load(block, weights, work);
        }
    }

    /// Fits with one weight per time of the design.
    pub(crate) fn fit_weights(&self, weights: &[f64], work: &mut Work, out: &mut [f64]) -> Result<(), Failure> {
        self.sums(weights, work);
        self.fit_loaded(weights, work, out)
    }

    /// Fits with weights of which every block was [`load`](Self::load)ed since it changed.
    pub(crate) fn fit_loaded(&self, weights: &[f64], work: &mut Work, out: &mut [f64]) -> Result<(), Failure> {
        if !self.keeps_its_places(weights, work) {
            return Err(Failure::LostPlace);
        }
        if self.fast && self.slots.is_empty() {
            return self.least_squares(work, out);
        }
        let mut resample = self.design.clone();
        resample.weights = Some(weights.to_vec());
        self.general(&resample, out)
    }

    /// Fits other exact times in place of the design's (all of which are exact).
    pub(crate) fn fit_values(&self, y: &[f64], work: &mut Work, out: &mut [f64]) -> Result<(), Failure> {
        for (block, sum) in self.blocks.iter().zip(&mut work.sums) {
            let mut s = [0.0; 3];
            for &(row, _) in &self.exact[block.exact.0..block.exact.1] {
                let y = y[row as usize] - self.shift;
                s[0] += 1.0;
                s[1] += y;
                s[2] += y * y;
            }
            *sum = s;
        }
        self.least_squares(work, out)
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
        let lost = self.blocks.iter().zip(&work.sums).any(|(block, sum)| {
            if block.had.exact > 0 {
                return sum[0] <= 0.0 && !self.interval_kept(block, weights);
            }
            let kept = |side: f64| {
                (block.slots.0..block.slots.1).any(|s| self.slots[s].side * side > 0.0 && work.counts[s] > 0.0)
            };
            (block.had.right > 0 && !kept(1.0)) || (block.had.left > 0 && !kept(-1.0))
        });
        !lost || self.joined_by_exact_times(work) || finite(self.design, Some(weights))
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

    fn least_squares(&self, work: &mut Work, out: &mut [f64]) -> Result<(), Failure> {
        let (m, columns) = (self.design.groups, self.design.columns);
        work.clear(columns);
        let mut total = 0.0;
        for (block, &[w, sum, _]) in self.blocks.iter().zip(&work.sums) {
            work.diagonal[block.group] += w;
            work.u[block.group] += sum;
            total += w;
            if let Some(c) = block.column {
                work.border[block.group * columns + c] -= w;
                work.corner[c * columns + c] += w;
                work.v[c] -= sum;
            }
        }
        work.solve(columns).ok_or(Failure::LostPlace)?;
        let mut residual = 0.0;
        for (block, &[w, sum, square]) in self.blocks.iter().zip(&work.sums) {
            let e = work.u[block.group] - block.column.map_or(0.0, |c| work.v[c]);
            residual += square - 2.0 * e * sum + e * e * w;
        }
        #[allow(clippy::cast_precision_loss)]
        let df = total - (m + columns) as f64;
        // Sums of squares about the campaign's mean round at about 1e-13 of themselves.
        let floor = 1e-13 * work.sums.iter().map(|s| s[2]).sum::<f64>();
        if residual <= floor || df < 1e-6 {
            return Err(Failure::NoScatter);
        }
        out[..columns].copy_from_slice(&work.v[..columns]);
        for (o, u) in out[columns..].iter_mut().zip(&work.u) {
            *o = u + self.shift;
        }
        out[columns + m] = 0.5 * libm::log(residual / df);
        Ok(())
    }

    /// True where [`fit_lanes`](Self::fit_lanes) applies: log-normal with bounds.
    pub(crate) fn has_lanes(&self) -> bool {
        self.fast && !self.slots.is_empty()
    }

    pub(crate) fn lane_work(&self) -> LaneWork {
        let (m, columns) = (self.design.groups, self.design.columns);
        let q = columns + 1;
        LaneWork {
            sums: vec![[ZERO; 3]; self.blocks.len()],
            counts: vec![ZERO; self.slots.len()],
            location: vec![ZERO; m],
            log_k: vec![ZERO; columns],
            lambda: ZERO,
            diagonal: vec![ZERO; m],
            border: vec![ZERO; m * q],
            corner: vec![ZERO; q * q],
            u: vec![ZERO; m],
            v: vec![ZERO; q],
            state: [Lost::Running; LANES],
        }
    }

    /// Puts a replicate's weights into one lane.
    pub(crate) fn load_lane(&self, weights: &[f64], lane: usize, work: &mut Work, lanes: &mut LaneWork) {
        self.sums(weights, work);
        self.put_lane(weights, lane, work, lanes);
    }

    /// As [`load_lane`](Self::load_lane) for weights of which every block was loaded since it changed.
    pub(crate) fn put_lane(&self, weights: &[f64], lane: usize, work: &mut Work, lanes: &mut LaneWork) {
        for (to, from) in lanes.sums.iter_mut().zip(&work.sums) {
            for i in 0..3 {
                to[i][lane] = from[i];
            }
        }
        for (to, from) in lanes.counts.iter_mut().zip(&work.counts) {
            to[lane] = *from;
        }
        lanes.state[lane] = if self.keeps_its_places(weights, work) { Lost::Running } else { Lost::Place };
    }

    /// Newton from the full fit in (location/σ, log k/σ, 1/σ), [`LANES`] replicates side by side so
    /// that the arithmetic vectorises. No line search: a lane whose steps do not contract is left to
    /// the general method. A lane that has converged is not touched again, so its bits do not depend
    /// on its neighbours.
    ///
    /// Compiled for the widest registers of this machine as well as for the plainest: additions, multiplications, divisions
    /// and roots round alike in all of them, and none is fused, so the bits do not depend on which.
    pub(crate) fn fit_lanes(&self, lanes: &mut LaneWork) {
        self.arch.dispatch(Newton { engine: self, lanes });
    }

    #[inline(always)]
    fn newton_lanes(&self, lanes: &mut LaneWork) {
        let columns = self.design.columns;
        let (q, last) = (columns + 1, columns);
        lanes.lambda = [1.0 / self.full.sigma; LANES];
        for (a, l) in lanes.location.iter_mut().zip(&self.full.location) {
            *a = [(l - self.shift) / self.full.sigma; LANES];
        }
        for (a, k) in lanes.log_k.iter_mut().zip(&self.full.log_k) {
            *a = [k / self.full.sigma; LANES];
        }
        let mut before = [f64::INFINITY; LANES];
        for step in 0..MAX_STEPS {
            lanes.clear();
            for (block, [w, sum, square]) in self.blocks.iter().zip(&lanes.sums) {
                let g = block.group;
                let mut eta = lanes.location[g];
                if let Some(c) = block.column {
                    for l in 0..LANES {
                        eta[l] -= lanes.log_k[c][l];
                    }
                }
                let lambda = &lanes.lambda;
                let (mut d_eta, mut d_lambda) = (ZERO, ZERO);
                let (mut i_eta, mut i_cross, mut i_lambda) = (ZERO, ZERO, ZERO);
                for l in 0..LANES {
                    // Exact: log λ − z²/2 with z = λy − η.
                    d_eta[l] = lambda[l] * sum[l] - eta[l] * w[l];
                    d_lambda[l] = eta[l] * sum[l] - lambda[l] * square[l] + w[l] / lambda[l];
                    i_eta[l] = w[l];
                    i_cross[l] = -sum[l];
                    i_lambda[l] = square[l] + w[l] / (lambda[l] * lambda[l]);
                }
                for s in block.slots.0..block.slots.1 {
                    let (side, y, count) = (self.slots[s].side, self.slots[s].y, &lanes.counts[s]);
                    let mut z = ZERO;
                    for l in 0..LANES {
                        z[l] = side * (lambda[l] * y - eta[l]);
                    }
                    let (h, slope) = if step < NEAR_STEPS {
                        self.near[s].lanes(&z)
                    } else {
                        let h = hazard_lanes(&z);
                        let mut slope = ZERO;
                        for l in 0..LANES {
                            slope[l] = h[l] * (h[l] - z[l]);
                        }
                        (h, slope)
                    };
                    for l in 0..LANES {
                        let first = count[l] * side * h[l];
                        let second = count[l] * slope[l];
                        d_eta[l] += first;
                        d_lambda[l] -= first * y;
                        i_eta[l] += second;
                        i_cross[l] -= second * y;
                        i_lambda[l] += second * y * y;
                    }
                }
                add(&mut lanes.u[g], &d_eta);
                add(&mut lanes.diagonal[g], &i_eta);
                add(&mut lanes.border[g * q + last], &i_cross);
                if let Some(c) = block.column {
                    subtract(&mut lanes.v[c], &d_eta);
                    subtract(&mut lanes.border[g * q + c], &i_eta);
                    add(&mut lanes.corner[c * q + c], &i_eta);
                    subtract(&mut lanes.corner[last * q + c], &i_cross);
                }
                add(&mut lanes.v[last], &d_lambda);
                add(&mut lanes.corner[last * q + last], &i_lambda);
            }
            let decrement = lanes.solve(q);
            let mut running = false;
            let mut moves = ZERO;
            for l in 0..LANES {
                if lanes.state[l] != Lost::Running {
                    continue;
                }
                let d = decrement[l];
                let contracting = d <= before[l] * 0.5 || step <= NEAR_STEPS;
                let new_lambda = lanes.lambda[l] + lanes.v[last][l];
                if !contracting || !d.is_finite() || d > 1e4 || new_lambda <= 0.2 * lanes.lambda[l] {
                    lanes.state[l] = Lost::Contraction;
                    continue;
                }
                before[l] = d;
                moves[l] = 1.0;
                if step >= NEAR_STEPS && d <= LAST_STEP {
                    lanes.state[l] = Lost::Not;
                } else {
                    running = true;
                }
            }
            for (a, d) in lanes.location.iter_mut().zip(&lanes.u) {
                move_by(a, d, &moves);
            }
            for (a, d) in lanes.log_k.iter_mut().zip(&lanes.v) {
                move_by(a, d, &moves);
            }
            let step_lambda = lanes.v[last];
            move_by(&mut lanes.lambda, &step_lambda, &moves);
            if !running {
                return;
            }
        }
        for state in &mut lanes.state {
            if *state == Lost::Running {
                *state = Lost::Contraction;
            }
        }
    }

    /// The statistics of one lane after [`fit_lanes`](Self::fit_lanes); `weights` are its own, for
    /// the general method.
    pub(crate) fn read_lane(
        &self,
        lane: usize,
        lanes: &LaneWork,
        weights: &[f64],
        out: &mut [f64],
    ) -> Result<(), Failure> {
        match lanes.state[lane] {
            Lost::Place => Err(Failure::LostPlace),
            Lost::Not => {
                let (m, columns) = (self.design.groups, self.design.columns);
                let sigma = 1.0 / lanes.lambda[lane];
                for (o, k) in out[..columns].iter_mut().zip(&lanes.log_k) {
                    *o = k[lane] * sigma;
                }
                for (o, a) in out[columns..].iter_mut().zip(&lanes.location) {
                    *o = a[lane] * sigma + self.shift;
                }
                out[columns + m] = -libm::log(lanes.lambda[lane]);
                Ok(())
            }
            Lost::Running | Lost::Contraction => {
                let mut resample = self.design.clone();
                resample.weights = Some(weights.to_vec());
                self.general(&resample, out)
            }
        }
    }
}

/// Replicates computed side by side.
pub(crate) const LANES: usize = 8;
type Lane = [f64; LANES];
const ZERO: Lane = [0.0; LANES];

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Lost {
    Running,
    /// Converged: nothing was lost.
    Not,
    Place,
    Contraction,
}

/// Scratch space of [`LANES`] replicates.
#[derive(Debug)]
pub(crate) struct LaneWork {
    sums: Vec<[Lane; 3]>,
    counts: Vec<Lane>,
    location: Vec<Lane>,
    log_k: Vec<Lane>,
    lambda: Lane,
    diagonal: Vec<Lane>,
    border: Vec<Lane>,
    corner: Vec<Lane>,
    u: Vec<Lane>,
    v: Vec<Lane>,
    state: [Lost; LANES],
}

// Each works on a copy: in place the compiler could not rule out that the operands overlap.
#[inline(always)]
fn add(to: &mut Lane, from: &Lane) {
    let mut sum = *to;
    for l in 0..LANES {
        sum[l] += from[l];
    }
    *to = sum;
}

#[inline(always)]
fn subtract(to: &mut Lane, from: &Lane) {
    let mut difference = *to;
    for l in 0..LANES {
        difference[l] -= from[l];
    }
    *to = difference;
}

/// `to -= a · b`.
#[inline(always)]
fn take(to: &mut Lane, a: &Lane, b: &Lane) {
    let mut rest = *to;
    for l in 0..LANES {
        rest[l] -= a[l] * b[l];
    }
    *to = rest;
}

/// Adds the step where the lane moves; a lane at rest keeps its bits even if the step is not finite.
#[inline(always)]
fn move_by(to: &mut Lane, step: &Lane, moves: &Lane) {
    let mut moved = *to;
    for l in 0..LANES {
        moved[l] = if moves[l] > 0.0 { moved[l] + step[l] } else { moved[l] };
    }
    *to = moved;
}

impl LaneWork {
    #[inline(always)]
    fn clear(&mut self) {
        for part in [&mut self.diagonal, &mut self.border, &mut self.corner, &mut self.u, &mut self.v] {
            part.fill(ZERO);
        }
    }

    /// As [`Work::solve`], lane by lane; a lane that is not positive definite gets an infinite
    /// product.
    #[inline(always)]
    fn solve(&mut self, q: usize) -> Lane {
        let m = self.diagonal.len();
        let mut product = ZERO;
        for i in 0..m {
            let mut inverse = ZERO;
            for l in 0..LANES {
                inverse[l] = 1.0 / self.diagonal[i][l];
                let ok = self.diagonal[i][l] > 0.0;
                product[l] += if ok { self.u[i][l] * self.u[i][l] * inverse[l] } else { f64::INFINITY };
            }
            for a in 0..q {
                let mut scaled = self.border[i * q + a];
                for l in 0..LANES {
                    scaled[l] *= inverse[l];
                }
                take(&mut self.v[a], &scaled, &self.u[i]);
                for b in 0..=a {
                    take(&mut self.corner[a * q + b], &scaled, &self.border[i * q + b]);
                }
            }
            // Kept for the way back.
            self.diagonal[i] = inverse;
        }
        for a in 0..q {
            for b in 0..a {
                let mut s = self.corner[a * q + b];
                for k in 0..b {
                    take(&mut s, &self.corner[a * q + k], &self.corner[b * q + k]);
                }
                for l in 0..LANES {
                    // The diagonal holds inverse roots.
                    s[l] *= self.corner[b * q + b][l];
                }
                self.corner[a * q + b] = s;
            }
            let size = self.corner[a * q + a];
            let mut s = size;
            for k in 0..a {
                let row = self.corner[a * q + k];
                take(&mut s, &row, &row);
            }
            for l in 0..LANES {
                let ok = s[l] > 1e-13 * size[l].abs();
                product[l] = if ok { product[l] } else { f64::INFINITY };
                s[l] = 1.0 / (if ok { s[l] } else { 1.0 }).sqrt();
            }
            self.corner[a * q + a] = s;
        }
        for a in 0..q {
            let mut s = self.v[a];
            for k in 0..a {
                take(&mut s, &self.corner[a * q + k], &self.v[k]);
            }
            for l in 0..LANES {
                s[l] *= self.corner[a * q + a][l];
                product[l] += s[l] * s[l];
            }
            self.v[a] = s;
        }
        for a in (0..q).rev() {
            let mut s = self.v[a];
            for k in a + 1..q {
                take(&mut s, &self.corner[k * q + a], &self.v[k]);
            }
            for l in 0..LANES {
                s[l] *= self.corner[a * q + a][l];
            }
            self.v[a] = s;
        }
        for i in 0..m {
            let mut s = self.u[i];
            for a in 0..q {
                take(&mut s, &self.border[i * q + a], &self.v[a]);
            }
            for l in 0..LANES {
                s[l] *= self.diagonal[i][l];
            }
            self.u[i] = s;
        }
        product
    }
}

impl Work {
    fn clear(&mut self, q: usize) {
        self.diagonal.fill(0.0);
        self.u.fill(0.0);
        let m = self.diagonal.len();
        self.border[..m * q].fill(0.0);
        self.corner[..q * q].fill(0.0);
        self.v[..q].fill(0.0);
    }

    /// Solves the bordered system in place, `(u, v)` becoming the solution; returns the product of
    /// right-hand side and solution. `None` where it is not positive definite.
    fn solve(&mut self, q: usize) -> Option<f64> {
        let m = self.diagonal.len();
        let mut product = 0.0;
        for i in 0..m {
            let d = self.diagonal[i];
            if d.is_nan() || d <= 0.0 {
                return None;
            }
            let inverse = 1.0 / d;
            product += self.u[i] * self.u[i] * inverse;
            let row = &self.border[i * q..(i + 1) * q];
            for a in 0..q {
                let scaled = row[a] * inverse;
                if scaled != 0.0 {
                    self.v[a] -= scaled * self.u[i];
                    for b in 0..=a {
                        self.corner[a * q + b] -= scaled * row[b];
                    }
                }
            }
        }
        // Cholesky of the Schur complement, then forward and backward substitution.
        for a in 0..q {
            for b in 0..a {
                let mut s = self.corner[a * q + b];
                for k in 0..b {
                    s -= self.corner[a * q + k] * self.corner[b * q + k];
                }
                self.corner[a * q + b] = s / self.corner[b * q + b];
            }
            let mut s = self.corner[a * q + a];
            let size = s.abs();
            for k in 0..a {
                s -= self.corner[a * q + k] * self.corner[a * q + k];
            }
            if s.is_nan() || s <= 1e-13 * size {
                return None;
            }
            self.corner[a * q + a] = s.sqrt();
        }
        for a in 0..q {
            let mut s = self.v[a];
            for k in 0..a {
                s -= self.corner[a * q + k] * self.v[k];
            }
            self.v[a] = s / self.corner[a * q + a];
            product += self.v[a] * self.v[a];
        }
        for a in (0..q).rev() {
            let mut s = self.v[a];
            for k in a + 1..q {
                s -= self.corner[k * q + a] * self.v[k];
            }
            self.v[a] = s / self.corner[a * q + a];
        }
        for i in 0..m {
            let mut s = self.u[i];
            for a in 0..q {
                s -= self.border[i * q + a] * self.v[a];
            }
            self.u[i] = s / self.diagonal[i];
        }
        Some(product)
    }
}

struct Newton<'a, 'b> {
    engine: &'a Engine<'a>,
    lanes: &'b mut LaneWork,
}

impl pulp::WithSimd for Newton<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        self.engine.newton_lanes(self.lanes);
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
