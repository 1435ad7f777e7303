//! Replicates side by side, so that the arithmetic vectorises.

use crate::numeric::mills::hazard_lanes;

use super::near::NEAR_STEPS;
use super::{Engine, Failure, Work};

const MAX_STEPS: u32 = 30;
/// Sums of squares about the campaign's mean round at about this share of themselves.
const ROUNDING: f64 = 1e-13;
/// Fewer degrees of freedom are none.
const LEAST_DF: f64 = 1e-6;
/// Squared Newton decrement at which the next step is the last; it leaves about its square, so that
/// a replicate's estimates are exact to about 1e-6 of their standard errors.
const LAST_STEP: f64 = 1e-6;

/// Replicates computed side by side.
pub(crate) const LANES: usize = 8;
pub(super) type Lane = [f64; LANES];
pub(super) const ZERO: Lane = [0.0; LANES];

#[derive(Debug, Clone, Copy, PartialEq, Eq)]
enum Lost {
    Running,
    /// Converged: nothing was lost.
    Not,
    Place,
    Scatter,
    Contraction,
}

/// Scratch space of [`LANES`] replicates.
#[derive(Debug)]
pub(crate) struct LaneWork {
    /// Of each time of the design, where whole replicates are loaded.
    weights: Vec<Lane>,
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

impl Engine<'_> {
    /// True where [`fit_lanes`](Self::fit_lanes) applies: log-normal, no interval-censored times.
    pub(crate) fn has_lanes(&self) -> bool {
        self.fast
    }

    pub(crate) fn lane_work(&self) -> LaneWork {
        let (m, columns) = (self.design.groups, self.design.columns);
        let q = columns + 1;
        LaneWork {
            weights: Vec::new(),
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

    /// Takes the weights of a replicate for each lane.
    pub(crate) fn load_lanes(&self, weights: &[Vec<f64>], work: &mut Work, lanes: &mut LaneWork) {
        lanes.weights.resize(self.design.times.len(), ZERO);
        for (lane, weights) in weights.iter().enumerate().take(LANES) {
            for (to, from) in lanes.weights.iter_mut().zip(weights) {
                to[lane] = *from;
            }
        }
        let lost = self.arch.dispatch(Sums { engine: self, lanes });
        for (lane, weights) in weights.iter().enumerate().take(LANES) {
            let kept = !lost[lane] || {
                for (to, from) in work.sums.iter_mut().zip(&lanes.sums) {
                    *to = from.map(|lanes| lanes[lane]);
                }
                for (to, from) in work.counts.iter_mut().zip(&lanes.counts) {
                    *to = from[lane];
                }
                self.keeps_its_places(weights, work)
            };
            lanes.state[lane] = if kept { Lost::Running } else { Lost::Place };
        }
    }

    /// Sums and counts of every lane; in which of them a cell lost its last exact time, or its last bound of a side.
    #[inline(always)]
    fn sum_lanes(&self, lanes: &mut LaneWork) -> [bool; LANES] {
        let mut lost = [false; LANES];
        for (block, sums) in self.blocks.iter().zip(&mut lanes.sums) {
            let mut s = [ZERO; 3];
            for &(row, y) in &self.exact[block.exact.0..block.exact.1] {
                let w = &lanes.weights[row as usize];
                for l in 0..LANES {
                    let wy = w[l] * y;
                    s[0][l] += w[l];
                    s[1][l] += wy;
                    s[2][l] += wy * y;
                }
            }
            *sums = s;
            let mut kept = [ZERO; 2];
            let slots = block.slots.0..block.slots.1;
            for (slot, count) in self.slots[slots.clone()].iter().zip(&mut lanes.counts[slots]) {
                let mut total = ZERO;
                for &row in &slot.rows {
                    add(&mut total, &lanes.weights[row as usize]);
                }
                *count = total;
                add(&mut kept[usize::from(slot.side < 0.0)], &total);
            }
            for l in 0..LANES {
                lost[l] |= if block.had.exact > 0 {
                    s[0][l] <= 0.0
                } else {
                    (block.had.right > 0 && kept[0][l] <= 0.0) || (block.had.left > 0 && kept[1][l] <= 0.0)
                };
            }
        }
        lost
    }

    /// Takes the weights of one replicate, of which every block was [`load`](Self::load)ed since it changed, into a lane.
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

    /// As [`put_lane`](Self::put_lane) where the lane holds a replicate that keeps its places, and only `blocks` differ from it.
    pub(crate) fn put_blocks(
        &self,
        blocks: &[usize],
        weights: &[f64],
        lane: usize,
        work: &mut Work,
        lanes: &mut LaneWork,
    ) {
        for &b in blocks {
            for i in 0..3 {
                lanes.sums[b][i][lane] = work.sums[b][i];
            }
            for slot in self.blocks[b].slots.0..self.blocks[b].slots.1 {
                lanes.counts[slot][lane] = work.counts[slot];
            }
        }
        let kept = blocks.iter().all(|&b| self.keeps(b, weights, work)) || self.rejoins(weights, work);
        lanes.state[lane] = if kept { Lost::Running } else { Lost::Place };
    }

    /// Least squares where every time is exact; otherwise Newton from the full fit in (location/σ, log k/σ, 1/σ),
    /// [`LANES`] replicates side by side so that the arithmetic vectorises. No line search: a lane whose steps do not contract
    /// is left to the general method. A lane that has converged is not touched again, so its bits do not depend on
    /// its neighbours.
    ///
    /// Compiled for the widest registers of this machine as well as for the plainest: additions, multiplications, divisions
    /// and roots round alike in all of them, and none is fused, so the bits do not depend on which.
    pub(crate) fn fit_lanes(&self, lanes: &mut LaneWork) {
        self.arch.dispatch(Fit { engine: self, lanes });
    }

    /// Least squares, for which the sums of exact times are enough.
    #[inline(always)]
    fn least_squares_lanes(&self, lanes: &mut LaneWork) {
        let q = self.design.columns;
        lanes.clear();
        let mut total = ZERO;
        for (block, [w, sum, _]) in self.blocks.iter().zip(&lanes.sums) {
            let g = block.group;
            add(&mut lanes.diagonal[g], w);
            add(&mut lanes.u[g], sum);
            add(&mut total, w);
            if let Some(c) = block.column {
                subtract(&mut lanes.border[g * q + c], w);
                add(&mut lanes.corner[c * q + c], w);
                subtract(&mut lanes.v[c], sum);
            }
        }
        let product = lanes.solve(q);
        let (mut residual, mut squares) = (ZERO, ZERO);
        for (block, [w, sum, square]) in self.blocks.iter().zip(&lanes.sums) {
            let mut e = lanes.u[block.group];
            if let Some(c) = block.column {
                subtract(&mut e, &lanes.v[c]);
            }
            for l in 0..LANES {
                residual[l] += square[l] - 2.0 * e[l] * sum[l] + e[l] * e[l] * w[l];
                squares[l] += square[l];
            }
        }
        #[allow(clippy::cast_precision_loss)]
        let parameters = (self.design.groups + q) as f64;
        for l in 0..LANES {
            if lanes.state[l] != Lost::Running {
                continue;
            }
            let df = total[l] - parameters;
            lanes.state[l] = if !product[l].is_finite() {
                Lost::Place
            } else if residual[l] <= ROUNDING * squares[l] || df < LEAST_DF {
                Lost::Scatter
            } else {
                Lost::Not
            };
            lanes.lambda[l] = libm::sqrt(df / residual[l]);
        }
        lanes.location.copy_from_slice(&lanes.u);
        lanes.log_k.copy_from_slice(&lanes.v[..q]);
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
            Lost::Scatter => Err(Failure::NoScatter),
            Lost::Not => {
                let (m, columns) = (self.design.groups, self.design.columns);
                // Least squares leave locations and factors as they are, Newton's steps over σ.
                let sigma = if self.slots.is_empty() { 1.0 } else { 1.0 / lanes.lambda[lane] };
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

/// The work of [`Engine::fit_lanes`], for each set of registers.
struct Fit<'a, 'b> {
    engine: &'a Engine<'a>,
    lanes: &'b mut LaneWork,
}

impl pulp::WithSimd for Fit<'_, '_> {
    type Output = ();

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) {
        if self.engine.slots.is_empty() {
            self.engine.least_squares_lanes(self.lanes);
        } else {
            self.engine.newton_lanes(self.lanes);
        }
    }
}

/// The sums of [`Engine::load_lanes`].
struct Sums<'a, 'b> {
    engine: &'a Engine<'a>,
    lanes: &'b mut LaneWork,
}

impl pulp::WithSimd for Sums<'_, '_> {
    type Output = [bool; LANES];

    #[inline(always)]
    fn with_simd<S: pulp::Simd>(self, _: S) -> [bool; LANES] {
        self.engine.sum_lanes(self.lanes)
    }
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

    /// Solves the bordered system in place, `(u, v)` becoming the solution, by the Cholesky factor of the Schur complement;
    /// returns the product of right-hand side and solution. A lane that is not positive definite gets an infinite product.
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

#[cfg(test)]
mod tests {
    use super::*;
    use crate::campaign::{Campaign, Trial};
    use crate::severity::Severity;
    use crate::severity::machinery::Prepared;

    /// Four materials on three surfaces, five specimens a cell; the longest times run out where `end` says so.
    fn campaign(end: f64) -> Campaign {
        let mut trials = Vec::new();
        for m in 0..4_u32 {
            for s in 0..3_u32 {
                for k in 0..5_u32 {
                    let noise = f64::from((7 * m + 5 * s + 11 * k + m * k) % 13) / 13.0 - 0.5;
                    let time = libm::exp(0.5 * f64::from(m) - 0.4 * f64::from(s) + 0.6 * noise);
                    let (id, surface, material) = (format!("{m}{s}{k}"), format!("s{s}"), format!("m{m}"));
                    trials.push(if time > end {
                        Trial::run_out(id, surface, material, end)
                    } else {
                        Trial::perforated(id, surface, material, time)
                    });
                }
            }
        }
        Campaign::from_trials(trials).unwrap()
    }

    /// The plainest registers give the bits of the widest, and both the values of the general Newton method or least
    /// squares, to the stopping rule's millionth of a standard error.
    #[test]
    fn registers_change_no_bit() {
        for end in [f64::INFINITY, 3.0] {
            let campaign = campaign(end);
            let plan = Severity::new("s0");
            let fit = plan.fit(&campaign).unwrap();
            let prepared = Prepared::new(&plan, &campaign).unwrap();
            let (design, _) = prepared.numbering.crossed(&prepared.cells);
            let mut engine = Engine::new(&design, plan.chosen_distribution(), fit.scale());
            assert!(engine.has_lanes() && engine.slots.is_empty() == (end > 3.0));
            let weights: Vec<Vec<f64>> = (0..LANES)
                .map(|lane| {
                    (0..design.times.len()).map(|i| [1.0, 2.0, 0.0, 1.0, 1.0][(i * 3 + i / 5 + lane) % 5]).collect()
                })
                .collect();
            let mut fits = Vec::new();
            for arch in [pulp::Arch::new(), pulp::Arch::Scalar] {
                engine.arch = arch;
                let (mut work, mut lanes) = (engine.work(), engine.lane_work());
                engine.load_lanes(&weights, &mut work, &mut lanes);
                engine.fit_lanes(&mut lanes);
                for (lane, weights) in weights.iter().enumerate() {
                    assert_eq!(lanes.state[lane], Lost::Not);
                    let (mut out, mut slow) = (vec![0.0; engine.statistics()], vec![0.0; engine.statistics()]);
                    engine.read_lane(lane, &lanes, weights, &mut out).unwrap();
                    engine.fit_weights(weights, &mut work, &mut slow).unwrap();
                    let far = out.iter().zip(&slow).map(|(a, b)| (a - b).abs()).fold(0.0, f64::max);
                    assert!(far < if end > 3.0 { 1e-13 } else { 1e-7 }, "{lane}: {far:e}");
                    fits.push(out.into_iter().map(f64::to_bits).collect::<Vec<_>>());
                }
            }
            assert_eq!(fits[..LANES], fits[LANES..]);
        }
    }
}
