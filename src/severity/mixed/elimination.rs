//! Symmetric positive definite systems of grouped data: sparse elimination with a dense rest.
//!
//! Unknowns that meet few others (cells, runs, materials of nested layouts) are eliminated one by
//! one in the order of least degree; what is left is nearly full and goes to a dense Cholesky
//! factorisation. The pattern is analysed once, the numbers are factored for every variance ratio.
//!
//! Sources: George & Liu, Computer Solution of Large Sparse Positive Definite Systems, 1981
//! (minimum degree); Takahashi, Fagan & Chin 1973, Erisman & Tinney 1975 (entries of the inverse on
//! the pattern of the factor).

use super::ordering::Neighbours;
use nalgebra::{Cholesky, DMatrix, DVector, Dyn};
use std::collections::BTreeSet;
use std::sync::Arc;

/// A symmetric matrix: diagonal, and every other nonzero entry in the row of each of its two ends.
#[derive(Debug, Clone, PartialEq)]
pub(super) struct Symmetric {
    pub(super) diagonal: Vec<f64>,
    pub(super) start: Vec<usize>,
    pub(super) index: Vec<usize>,
    pub(super) value: Vec<f64>,
}

impl Symmetric {
    pub(super) fn len(&self) -> usize {
        self.diagonal.len()
    }

    pub(super) fn row(&self, i: usize) -> impl Iterator<Item = (usize, f64)> + '_ {
        let range = self.start[i]..self.start[i + 1];
        self.index[range.clone()].iter().copied().zip(self.value[range].iter().copied())
    }

    /// `W x`.
    pub(super) fn times(&self, x: &[f64]) -> Vec<f64> {
        (0..self.len()).map(|i| self.diagonal[i] * x[i] + self.row(i).map(|(j, w)| w * x[j]).sum::<f64>()).collect()
    }

    /// The leading `n` rows and columns.
    pub(super) fn leading(&self, n: usize) -> Self {
        let mut part =
            Self { diagonal: self.diagonal[..n].to_vec(), start: vec![0], index: Vec::new(), value: Vec::new() };
        for i in 0..n {
            for (j, w) in self.row(i).filter(|&(j, _)| j < n) {
                part.index.push(j);
                part.value.push(w);
            }
            part.start.push(part.index.len());
        }
        part
    }
}

/// Sparse rows of `[Z X]`: for each trial its columns and their values.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::severity) struct Rows {
    pub(super) columns: usize,
    pub(super) start: Vec<usize>,
    pub(super) index: Vec<usize>,
    pub(super) value: Vec<f64>,
}

impl Rows {
    pub(in crate::severity) fn new(columns: usize) -> Self {
        Self { columns, start: vec![0], index: Vec::new(), value: Vec::new() }
    }

    pub(super) fn len(&self) -> usize {
        self.start.len() - 1
    }

    /// Adds a row; columns may repeat neither in it nor leave the matrix.
    pub(in crate::severity) fn push(&mut self, entries: impl IntoIterator<Item = (usize, f64)>) {
        for (column, value) in entries {
            if value != 0.0 {
                self.index.push(column);
                self.value.push(value);
            }
        }
        self.start.push(self.index.len());
    }

    pub(super) fn row(&self, i: usize) -> impl Iterator<Item = (usize, f64)> + Clone + '_ {
        let range = self.start[i]..self.start[i + 1];
        self.index[range.clone()].iter().copied().zip(self.value[range].iter().copied())
    }

    /// `[Z X]ᵀ v`.
    pub(super) fn transposed_times(&self, v: &[f64]) -> Vec<f64> {
        let mut out = vec![0.0; self.columns];
        for (i, &v) in v.iter().enumerate() {
            for (j, x) in self.row(i) {
                out[j] += x * v;
            }
        }
        out
    }

    /// `[Z X] b`.
    pub(super) fn times(&self, b: &[f64]) -> Vec<f64> {
        (0..self.len()).map(|i| self.row(i).map(|(j, x)| x * b[j]).sum()).collect()
    }

    /// `[Z X]ᵀ diag(w) [Z X]` in time linear in the entries times those of a row; `w` = 1 where absent.
    /// Entries whose sum happens to vanish stay in the pattern.
    pub(super) fn cross_product(&self, w: Option<&[f64]>) -> Symmetric {
        let n = self.columns;
        // Rows of each column, by counting.
        let mut first = vec![0; n + 1];
        for &j in &self.index {
            first[j + 1] += 1;
        }
        for j in 0..n {
            first[j + 1] += first[j];
        }
        let mut fill = first.clone();
        let mut holder = vec![(0, 0.0); self.index.len()];
        for i in 0..self.len() {
            for (j, x) in self.row(i) {
                holder[fill[j]] = (i, x);
                fill[j] += 1;
            }
        }
        let mut product = Symmetric { diagonal: vec![0.0; n], start: vec![0], index: Vec::new(), value: Vec::new() };
        let mut sum = vec![0.0; n];
        let mut mark = vec![usize::MAX; n];
        let mut touched: Vec<usize> = Vec::new();
        for j in 0..n {
            touched.clear();
            for &(i, x) in &holder[first[j]..first[j + 1]] {
                let scaled = x * w.map_or(1.0, |w| w[i]);
                for (k, z) in self.row(i) {
                    if k == j {
                        product.diagonal[j] += scaled * x;
                        continue;
                    }
                    if mark[k] != j {
                        mark[k] = j;
                        sum[k] = 0.0;
                        touched.push(k);
                    }
                    sum[k] += scaled * z;
                }
            }
            touched.sort_unstable();
            for &k in &touched {
                product.index.push(k);
                product.value.push(sum[k]);
            }
            product.start.push(product.index.len());
        }
        product
    }
}

/// `Zᵀ diag(w) Z` of the same rows for one set of weights after the other: where each product goes is looked up once.
#[derive(Debug, Clone)]
pub(super) struct Products {
    empty: Symmetric,
    /// Places in the values of `empty` of the products of each row, for every two of its entries in both orders.
    places: Vec<u32>,
}

impl Products {
    pub(super) fn new(rows: &Rows) -> Self {
        let mut empty = rows.cross_product(None);
        let mut places = Vec::new();
        for i in 0..rows.len() {
            for (j, _) in rows.row(i) {
                let range = empty.start[j]..empty.start[j + 1];
                for (k, _) in rows.row(i).filter(|&(k, _)| k != j) {
                    let at = empty.index[range.clone()].partition_point(|&other| other < k);
                    places.push(u32::try_from(range.start + at).unwrap_or(u32::MAX));
                }
            }
        }
        empty.diagonal.fill(0.0);
        empty.value.fill(0.0);
        Self { empty, places }
    }

    /// `rows`: those that it was made of.
    pub(super) fn weighted(&self, rows: &Rows, w: &[f64]) -> Symmetric {
        let mut product = self.empty.clone();
        let mut places = self.places.iter();
        for (i, &w) in w.iter().enumerate() {
            for (a, (j, x)) in rows.row(i).enumerate() {
                let scaled = w * x;
                product.diagonal[j] += scaled * x;
                let others = rows.row(i).enumerate().filter(|(b, _)| *b != a);
                for ((_, (_, z)), &place) in others.zip(places.by_ref()) {
                    product.value[place as usize] += scaled * z;
                }
            }
        }
        product
    }
}

/// Order of elimination and the pattern of the factor.
#[derive(Debug, Clone)]
pub(super) struct Plan {
    /// Unknown at each position.
    order: Vec<usize>,
    /// Position of each unknown.
    position: Vec<usize>,
    /// Positions before this one are eliminated sparsely, the others densely.
    sparse: usize,
    start: Vec<usize>,
    /// Positions below the pivot, ascending.
    rows: Vec<usize>,
}

/// An unknown that meets this share of those left is no longer worth sparse treatment.
const NEARLY_FULL: f64 = 0.6;

impl Plan {
    pub(super) fn new(matrix: &Symmetric) -> Self {
        let n = matrix.len();
        let mut neighbours = Neighbours::new(matrix);
        let mut degree: Vec<usize> = (0..n).map(|i| matrix.start[i + 1] - matrix.start[i]).collect();
        let mut queue: BTreeSet<(usize, usize)> = degree.iter().copied().zip(0..n).collect();
        let mut order = Vec::with_capacity(n);
        let mut patterns: Vec<Vec<usize>> = Vec::new();
        while let Some(&(least, node)) = queue.first() {
            #[allow(clippy::cast_precision_loss)]
            if least > 0 && least as f64 >= NEARLY_FULL * (queue.len() - 1) as f64 {
                break;
            }
            queue.pop_first();
            let clique = neighbours.of(node);
            for &a in &clique {
                let new = neighbours.join(a, node, &clique);
                if new != degree[a] {
                    queue.remove(&(degree[a], a));
                    queue.insert((new, a));
                    degree[a] = new;
                }
            }
            order.push(node);
            patterns.push(clique);
        }
        let sparse = order.len();
        let mut rest: Vec<usize> = queue.into_iter().map(|(_, node)| node).collect();
        rest.sort_unstable();
        order.extend(rest);
        let mut position = vec![0; n];
        for (p, &node) in order.iter().enumerate() {
            position[node] = p;
        }
        let mut start = vec![0];
        let mut rows = Vec::new();
        for clique in patterns {
            let from = rows.len();
            rows.extend(clique.into_iter().map(|node| position[node]));
            rows[from..].sort_unstable();
            start.push(rows.len());
        }
        Self { order, position, sparse, start, rows }
    }

    /// Place of entry (i, j) in a [`Selected`] of this plan, where its pattern has one.
    pub(super) fn place(&self, i: usize, j: usize) -> Option<usize> {
        let (p, q) = (self.position[i].min(self.position[j]), self.position[i].max(self.position[j]));
        let (entries, rest) = (self.rows.len(), self.order.len() - self.sparse);
        if p >= self.sparse {
            return Some(entries + self.sparse + (p - self.sparse) * rest + (q - self.sparse));
        }
        if p == q {
            return Some(entries + p);
        }
        let range = self.pattern(p);
        self.rows[range.clone()].binary_search(&q).ok().map(|at| range.start + at)
    }

    fn pattern(&self, k: usize) -> std::ops::Range<usize> {
        self.start[k]..self.start[k + 1]
    }

    /// Factors `diag(scale) W diag(scale) + diag(ridge)`; `None` where it is not positive definite.
    pub(super) fn factor(self: &Arc<Self>, matrix: &Symmetric, scale: &[f64], ridge: &[f64]) -> Option<Factor> {
        const NONE: usize = usize::MAX;
        let (n, sparse) = (self.order.len(), self.sparse);
        let rest = n - sparse;
        let mut value = vec![0.0; self.rows.len()];
        let mut pivot = vec![0.0; sparse];
        let mut tail: DMatrix<f64> = DMatrix::zeros(rest, rest);
        let mut work = vec![0.0; n];
        let mut head = vec![NONE; sparse];
        let mut link = vec![NONE; sparse];
        let mut pointer = vec![0; sparse];
        for j in 0..sparse {
            let node = self.order[j];
            let range = self.pattern(j);
            for &r in &self.rows[range.clone()] {
                work[r] = 0.0;
            }
            for (other, w) in matrix.row(node) {
                let p = self.position[other];
                if p > j {
                    work[p] += scale[node] * w * scale[other];
                }
            }
            let mut d = scale[node] * matrix.diagonal[node] * scale[node] + ridge[node];
            let mut k = head[j];
            while k != NONE {
                let following = link[k];
                let (at, end) = (pointer[k], self.start[k + 1]);
                let scaled = value[at] * pivot[k];
                d -= scaled * value[at];
                for (&r, &v) in self.rows[at + 1..end].iter().zip(&value[at + 1..end]) {
                    work[r] -= scaled * v;
                }
                if at + 1 < end && self.rows[at + 1] < sparse {
                    pointer[k] = at + 1;
                    link[k] = head[self.rows[at + 1]];
                    head[self.rows[at + 1]] = k;
                }
                k = following;
            }
            if !(d > 0.0 && d.is_finite()) {
                return None;
            }
            pivot[j] = d;
            for t in range.clone() {
                value[t] = work[self.rows[t]] / d;
            }
            if range.start < range.end && self.rows[range.start] < sparse {
                pointer[j] = range.start;
                link[j] = head[self.rows[range.start]];
                head[self.rows[range.start]] = j;
            }
            let dense = self.first_dense(j)..range.end;
            for a in dense.clone() {
                let scaled = value[a] * d;
                let column = tail.column_mut(self.rows[a] - sparse);
                let column = column.data.into_slice_mut();
                for b in a..dense.end {
                    column[self.rows[b] - sparse] -= scaled * value[b];
                }
            }
        }
        for a in sparse..n {
            let node = self.order[a];
            tail[(a - sparse, a - sparse)] += scale[node] * matrix.diagonal[node] * scale[node] + ridge[node];
            for (other, w) in matrix.row(node) {
                let p = self.position[other];
                if p > a {
                    tail[(p - sparse, a - sparse)] += scale[node] * w * scale[other];
                }
            }
        }
        if tail.iter().any(|v| !v.is_finite()) {
            return None;
        }
        let tail = if rest == 0 { None } else { Some(Cholesky::new(tail)?) };
        Some(Factor { plan: Arc::clone(self), value, pivot, tail })
    }

    /// First entry of the pattern of `k` that lies in the dense rest.
    fn first_dense(&self, k: usize) -> usize {
        let range = self.pattern(k);
        range.start + self.rows[range].partition_point(|&r| r < self.sparse)
    }
}

/// `L D Lᵀ` of the sparse part, Cholesky of the rest.
#[derive(Debug, Clone)]
pub(super) struct Factor {
    plan: Arc<Plan>,
    value: Vec<f64>,
    pivot: Vec<f64>,
    tail: Option<Cholesky<f64, Dyn>>,
}

impl Factor {
    pub(super) fn log_determinant(&self) -> f64 {
        let sparse: f64 = self.pivot.iter().map(|&d| libm::log(d)).sum();
        let dense: f64 =
            self.tail.as_ref().map_or(0.0, |t| t.l_dirty().diagonal().iter().map(|&l| 2.0 * libm::log(l)).sum());
        sparse + dense
    }

    /// Smallest ratio of a pivot to the diagonal entry it came from: rounding noise where singular.
    pub(super) fn smallest_relative_pivot(&self, diagonal: impl Fn(usize) -> f64) -> (f64, usize) {
        let plan = self.plan.as_ref();
        let dense = self.tail.as_ref().map(Cholesky::l_dirty);
        (0..plan.order.len())
            .map(|p| {
                let node = plan.order[p];
                let pivot = match dense {
                    Some(l) if p >= plan.sparse => {
                        let l = l[(p - plan.sparse, p - plan.sparse)];
                        l * l
                    }
                    _ => self.pivot[p],
                };
                (pivot / diagonal(node), node)
            })
            .fold((f64::INFINITY, 0), |best, next| if next.0 < best.0 { next } else { best })
    }

    pub(super) fn solve(&self, x: &[f64]) -> Vec<f64> {
        let plan = self.plan.as_ref();
        let (n, sparse) = (plan.order.len(), plan.sparse);
        let mut v: Vec<f64> = plan.order.iter().map(|&node| x[node]).collect();
        for k in 0..sparse {
            let vk = v[k];
            if vk != 0.0 {
                for t in plan.pattern(k) {
                    v[plan.rows[t]] -= self.value[t] * vk;
                }
            }
            v[k] = vk / self.pivot[k];
        }
        if let Some(tail) = &self.tail {
            let mut right = DVector::from_column_slice(&v[sparse..n]);
            tail.solve_mut(&mut right);
            v[sparse..n].copy_from_slice(right.as_slice());
        }
        for k in (0..sparse).rev() {
            let below: f64 = plan.pattern(k).map(|t| self.value[t] * v[plan.rows[t]]).sum();
            v[k] -= below;
        }
        let mut out = vec![0.0; n];
        for (p, &node) in plan.order.iter().enumerate() {
            out[node] = v[p];
        }
        out
    }

    /// `cᵀ M⁻¹ c` of a sparse column c: from entries of the inverse where the pattern has them all, as it has for what
    /// meets in a row, else by a solution.
    pub(super) fn quadratic_form(&self, selected: &Selected, column: &[(usize, f64)]) -> f64 {
        let pairs = column.iter().flat_map(|&(i, a)| column.iter().map(move |&(j, b)| (i, j, a * b)));
        let known: Option<f64> =
            pairs.map(|(i, j, ab)| self.plan.place(i, j).map(|place| ab * selected.at(place))).sum();
        known.unwrap_or_else(|| {
            let mut full = vec![0.0; self.plan.order.len()];
            for &(i, a) in column {
                full[i] = a;
            }
            let solved = self.solve(&full);
            column.iter().map(|&(i, a)| a * solved[i]).sum()
        })
    }

    fn tail_inverse(&self) -> DMatrix<f64> {
        let Some(tail) = &self.tail else { return DMatrix::zeros(0, 0) };
        invert_lower_product(tail.l_dirty())
    }

    /// The entries of the inverse on the pattern of the factor.
    pub(super) fn selected_inverse(&self) -> Selected {
        let plan = self.plan.as_ref();
        let sparse = plan.sparse;
        let dense = self.tail_inverse();
        let mut entry = vec![0.0; self.value.len()];
        let mut diagonal = vec![0.0; sparse];
        let mut sum: Vec<f64> = Vec::new();
        for k in (0..sparse).rev() {
            let range = plan.pattern(k);
            let rows = &plan.rows[range.clone()];
            let l = &self.value[range.clone()];
            let first = plan.first_dense(k) - range.start;
            sum.clear();
            sum.resize(rows.len(), 0.0);
            for a in first..rows.len() {
                let column = dense.column(rows[a] - sparse);
                let column = column.data.into_slice();
                let scaled = l[a];
                for b in first..rows.len() {
                    sum[b] += column[rows[b] - sparse] * scaled;
                }
            }
            for a in 0..first {
                let node = rows[a];
                sum[a] += diagonal[node] * l[a];
                let mut t = plan.start[node];
                for b in a + 1..rows.len() {
                    while plan.rows[t] < rows[b] {
                        t += 1;
                    }
                    sum[a] += entry[t] * l[b];
                    sum[b] += entry[t] * l[a];
                }
            }
            let mut d = 1.0 / self.pivot[k];
            for (a, t) in range.enumerate() {
                entry[t] = -sum[a];
                d += l[a] * sum[a];
            }
            diagonal[k] = d;
        }
        Selected { plan: Arc::clone(&self.plan), entry, diagonal, dense }
    }

    /// The whole inverse, in the order of elimination: see [`position`](Self::position).
    pub(super) fn inverse(&self) -> DMatrix<f64> {
        let plan = self.plan.as_ref();
        let (n, sparse) = (plan.order.len(), plan.sparse);
        let mut z = DMatrix::zeros(n, n);
        z.view_mut((sparse, sparse), (n - sparse, n - sparse)).copy_from(&self.tail_inverse());
        let mut column = vec![0.0; n];
        for k in (0..sparse).rev() {
            column[k..].fill(0.0);
            for t in plan.pattern(k) {
                let l = self.value[t];
                let other = &z.as_slice()[plan.rows[t] * n + k + 1..(plan.rows[t] + 1) * n];
                for (c, &o) in column[k + 1..].iter_mut().zip(other) {
                    *c -= l * o;
                }
            }
            let mut d = 1.0 / self.pivot[k];
            for t in plan.pattern(k) {
                d -= self.value[t] * column[plan.rows[t]];
            }
            column[k] = d;
            for (r, &c) in column.iter().enumerate().skip(k) {
                z[(r, k)] = c;
                z[(k, r)] = c;
            }
        }
        z
    }

    /// Row of unknown `i` in [`inverse`](Self::inverse).
    pub(super) fn position(&self, i: usize) -> usize {
        self.plan.position[i]
    }
}

/// `(L Lᵀ)⁻¹` from the lower triangle of `l`: columns of `L⁻¹`, then their products.
fn invert_lower_product(l: &DMatrix<f64>) -> DMatrix<f64> {
    let n = l.nrows();
    let mut inverse: DMatrix<f64> = DMatrix::zeros(n, n);
    // Column j of L⁻¹ by forward substitution, in column sweeps.
    for j in 0..n {
        let mut column = vec![0.0; n];
        column[j] = 1.0;
        for k in j..n {
            let pivot = column[k] / l[(k, k)];
            column[k] = pivot;
            let source = &l.as_slice()[k * n + k + 1..(k + 1) * n];
            for (c, &s) in column[k + 1..].iter_mut().zip(source) {
                *c -= pivot * s;
            }
        }
        inverse.column_mut(j).copy_from_slice(&column);
    }
    let mut product: DMatrix<f64> = DMatrix::zeros(n, n);
    for a in 0..n {
        for b in 0..=a {
            let (x, y) = (&inverse.as_slice()[a * n + a..(a + 1) * n], &inverse.as_slice()[b * n + a..(b + 1) * n]);
            let dot = dot(x, y);
            product[(a, b)] = dot;
            product[(b, a)] = dot;
        }
    }
    product
}

/// Scalar product in four running sums: the same bits everywhere, and fast.
fn dot(x: &[f64], y: &[f64]) -> f64 {
    let mut sums = [0.0; 4];
    let (xs, ys) = (x.chunks_exact(4), y.chunks_exact(4));
    let rest: f64 = xs.remainder().iter().zip(ys.remainder()).map(|(a, b)| a * b).sum();
    for (a, b) in xs.zip(ys) {
        for i in 0..4 {
            sums[i] += a[i] * b[i];
        }
    }
    (sums[0] + sums[1]) + (sums[2] + sums[3]) + rest
}

/// Entries of the inverse on the pattern of the factor.
#[derive(Debug, Clone)]
pub(super) struct Selected {
    plan: Arc<Plan>,
    entry: Vec<f64>,
    diagonal: Vec<f64>,
    dense: DMatrix<f64>,
}

impl Selected {
    pub(super) fn diagonal(&self, i: usize) -> f64 {
        let p = self.plan.position[i];
        if p < self.plan.sparse {
            self.diagonal[p]
        } else {
            let p = p - self.plan.sparse;
            self.dense[(p, p)]
        }
    }

    /// Entry at a [`place`](Plan::place) of the plan.
    pub(super) fn at(&self, place: usize) -> f64 {
        let (entries, sparse) = (self.entry.len(), self.plan.sparse);
        if place < entries {
            self.entry[place]
        } else if place < entries + sparse {
            self.diagonal[place - entries]
        } else {
            self.dense.as_slice()[place - entries - sparse]
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Three factors: 40 cells within 8 materials, 12 days across, a dense column.
    fn example() -> Rows {
        let mut rows = Rows::new(40 + 12 + 8 + 1);
        for i in 0..200usize {
            let (cell, day) = ((i * 7 + i / 9) % 40, (i * 5 + i / 13) % 12);
            #[allow(clippy::cast_precision_loss)]
            let x = (i % 17) as f64 / 17.0 - 0.4;
            rows.push([(cell, 1.0), (40 + day, 1.0), (52 + cell / 5, 1.0), (60, x)]);
        }
        rows
    }

    #[test]
    fn agrees_with_dense_algebra() {
        let rows = example();
        let n = rows.columns;
        let w: Vec<f64> = (0..rows.len()).map(|i| 1.0 + (i % 3) as f64).collect();
        let product = rows.cross_product(Some(&w));
        let scale: Vec<f64> = (0..n).map(|i| if i < 40 { 0.7 } else { 1.3 }).collect();
        let ridge: Vec<f64> = (0..n).map(|i| if i < 52 { 1.0 } else { 0.0 }).collect();
        let mut dense: DMatrix<f64> = DMatrix::from_diagonal(&DVector::from_column_slice(&ridge));
        for i in 0..rows.len() {
            for (a, x) in rows.row(i) {
                for (b, y) in rows.row(i) {
                    dense[(a, b)] += w[i] * scale[a] * x * y * scale[b];
                }
            }
        }
        let plan = Arc::new(Plan::new(&product));
        assert!(plan.sparse >= 40, "cells are eliminated sparsely: {}", plan.sparse);
        let factor = plan.factor(&product, &scale, &ridge).unwrap();
        let inverse = dense.clone().try_inverse().unwrap();
        approx::assert_relative_eq!(factor.log_determinant(), dense.determinant().ln(), max_relative = 1e-12);
        let whole = factor.inverse();
        let whole = DMatrix::from_fn(n, n, |r, c| whole[(factor.position(r), factor.position(c))]);
        approx::assert_relative_eq!(whole, inverse, max_relative = 1e-9, epsilon = 1e-12);
        let selected = factor.selected_inverse();
        for i in 0..rows.len() {
            for (a, _) in rows.row(i) {
                for (b, _) in rows.row(i) {
                    approx::assert_relative_eq!(
                        selected.plan.place(a, b).map_or(0.0, |p| selected.at(p)),
                        inverse[(a, b)],
                        max_relative = 1e-9,
                        epsilon = 1e-12
                    );
                }
            }
        }
        let x: Vec<f64> = (0..n).map(|i| (i as f64).sin()).collect();
        let want = &inverse * DVector::from_column_slice(&x);
        for (got, want) in factor.solve(&x).iter().zip(want.iter()) {
            approx::assert_relative_eq!(*got, *want, max_relative = 1e-9, epsilon = 1e-12);
        }
        let part = product.leading(52);
        let times = part.times(&x[..52]);
        assert_eq!((part.len(), times.len()), (52, 52));
    }

    #[test]
    fn bits_and_lists_agree() {
        let product = example().cross_product(None);
        let lists = Neighbours::Lists((0..product.len()).map(|i| product.row(i).map(|(j, _)| j).collect()).collect());
        let mut both = [Neighbours::new(&product), lists];
        for node in [3, 17, 44, 0, 58] {
            let [a, b] = [both[0].of(node), both[1].of(node)];
            assert_eq!(a, b);
            for &other in &a {
                assert_eq!(both[0].join(other, node, &a), both[1].join(other, node, &b));
            }
        }
    }

    #[test]
    fn an_indefinite_matrix_is_none() {
        let mut rows = Rows::new(2);
        rows.push([(0, 1.0), (1, 1.0)]);
        let product = rows.cross_product(None);
        let plan = Arc::new(Plan::new(&product));
        assert!(plan.factor(&product, &[1.0, 1.0], &[0.0, -0.5]).is_none());
    }
}
