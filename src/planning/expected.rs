//! The expected covariance of a planned campaign.
//!
//! With random effects this is the inverse of the mixed-model equations (Henderson 1950; Searle, Casella & McCulloch,
//! Variance Components, 1992, chapter 7), whose block for the fixed effects is that of generalised least squares. Each
//! specimen enters with its Fisher information on (location, log σ), so that censoring is in it: exactly without random
//! effects, and with them as if the run-outs happened where every random effect is zero.

use nalgebra::DMatrix;

use crate::numeric::bordered::Bordered;
use crate::numeric::count;
use crate::severity::machinery::{Combination, Scale};

use super::plan::{LaidCell, Layout, Plan};

/// Covariance of (μ per material | log k per column, log σ, day effects), in the structured form of
/// [`Bordered`].
pub(crate) struct Expected {
    q: usize,
    /// Column of each surface; the reference has none.
    pub(crate) column: Vec<Option<usize>>,
    corner: Vec<f64>,
    own: Vec<f64>,
    loadings: Vec<f64>,
    /// First column of the days, and their scatter; empty where there is none.
    day_columns: std::ops::Range<usize>,
    day_scatter: f64,
    departures: Vec<Departure>,
    /// Degrees of freedom of σ: what its information is worth in exact trials, less the levels.
    pub(crate) scatter_degrees_of_freedom: f64,
    /// Information on the variances relative to themselves, inverted: of (σ², days, departures), those that the plan can
    /// estimate.
    /// What belts add.
    pub(crate) belts: Belts,
    variance_of_variances: VarianceOfVariances,
}

/// A material's departure on a surface, eliminated from the system.
struct Departure {
    material: usize,
    scatter: f64,
    /// Pivot.
    pivot: f64,
    /// What it shares with the material's location.
    weight: f64,
    border: Vec<(usize, f64)>,
}

struct VarianceOfVariances {
    inverse: DMatrix<f64>,
    days: bool,
    departures: bool,
}

/// What the degrees of freedom of an interval had to suppose.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) struct Known {
    pub(crate) days: bool,
    pub(crate) departures: bool,
}

/// The laboratory's belts, specimens of each material spread evenly over them: the variance of their mean.
pub(crate) struct Belts {
    laboratory: Option<usize>,
    count: usize,
    pub(crate) variance: f64,
}

impl Belts {
    fn of(plan: &Plan, layout: &Layout, column: &[Option<usize>]) -> Self {
        // On which nothing is planned that could wear through, it is in no factor.
        let laboratory = layout.laboratory.filter(|&l| l == layout.reference || column[l].is_some());
        let variance = plan.belt_log_scatter * plan.belt_log_scatter / count(plan.belts);
        Self { laboratory, count: plan.belts, variance }
    }
}

impl Expected {
    /// `None` where the information is singular. `ridge` is a prior precision of every log k, 0 for none: it keeps plans
    /// comparable that fall into parts.
    pub(crate) fn new(plan: &Plan, layout: &Layout, ridge: f64) -> Option<Self> {
        let sigma = plan.log_scatter;
        let (m, surfaces) = (plan.materials.len(), plan.surfaces.len());
        // A cell whose every run ends too early says nothing.
        let cells = || layout.cells.iter().filter(|c| c.tells());
        let mut column = vec![None; surfaces];
        let mut columns = 0;
        for (s, c) in column.iter_mut().enumerate() {
            if s != layout.reference && cells().any(|cell| cell.surface == s) {
                *c = Some(columns);
                columns += 1;
            }
        }
        let days = if plan.day_log_scatter > 0.0 { layout.days.len() } else { 0 };
        let at_sigma = columns;
        let q = columns + 1 + days;
        let day_columns = columns + 1..q;
        // Materials that are not dropped anywhere have no row.
        let mut group = vec![usize::MAX; m];
        let mut groups = 0;
        for cell in cells() {
            if group[cell.material] == usize::MAX {
                group[cell.material] = groups;
                groups += 1;
            }
        }
        let mut system = Bordered::zeros(groups, q);
        let mut departures = Vec::new();
        // On log σ with every random effect known, for the degrees of freedom of σ.
        let mut plain = Bordered::zeros(groups, columns + 1);
        for cell in cells() {
            let g = group[cell.material];
            let i = cell.information;
            let each = [i.location / (sigma * sigma), i.joint / sigma, i.scatter];
            let n = count(cell.specimens());
            // Rows of the cell's border: coefficient of the location in each column, with multiplicities.
            let c = column[cell.surface];
            let fixed: Vec<(usize, f64)> = c.map(|c| (c, -1.0)).into_iter().collect();
            add(&mut plain, columns + 1, g, n, each, &fixed, at_sigma);
            let mut total: Vec<(usize, f64)> = Vec::new();
            for &(day, specimens) in &cell.days {
                let k = count(specimens);
                let mut row = fixed.clone();
                if days > 0 {
                    row.push((day_columns.start + day, 1.0));
                    total.push((day_columns.start + day, k * each[0]));
                }
                add(&mut system, q, g, k, each, &row, at_sigma);
            }
            let scatter = plan.departure(cell.surface);
            if scatter > 0.0 && each[0] > 0.0 {
                if let Some(c) = c {
                    total.push((c, -n * each[0]));
                }
                total.push((at_sigma, n * each[1]));
                let weight = n * each[0];
                let pivot = weight + 1.0 / (scatter * scatter);
                system.diagonal[g] -= weight * weight / pivot;
                for &(a, x) in &total {
                    system.border[g * q + a] -= weight * x / pivot;
                    for &(b, y) in &total {
                        system.corner[a * q + b] -= x * y / pivot;
                    }
                }
                departures.push(Departure { material: g, scatter, pivot, weight, border: total });
            }
        }
        for d in day_columns.clone() {
            system.corner[d * q + d] += 1.0 / (plan.day_log_scatter * plan.day_log_scatter);
        }
        for c in 0..columns {
            system.corner[c * q + c] += ridge;
            plain.corner[c * (columns + 1) + c] += ridge;
        }
        let (corner, own, loadings) = system.factor()?.inverse();
        let (plain_corner, ..) = plain.factor()?.inverse();
        let log_scatter_variance = *plain_corner.last()?;
        let levels = count(groups + columns);
        let specimens = count(cells().map(LaidCell::specimens).sum());
        let unit = Scale::unit_log_scatter_variance(plan.distribution);
        let belts = Belts::of(plan, layout, &column);
        let mut expected = Self {
            q,
            column,
            corner,
            own,
            loadings,
            day_columns,
            day_scatter: plan.day_log_scatter,
            departures,
            // As the fit has it: at least 1 where anything is repeated.
            scatter_degrees_of_freedom: if specimens > levels {
                (unit / log_scatter_variance - levels).max(1.0)
            } else {
                0.0
            },
            belts,
            variance_of_variances: VarianceOfVariances {
                inverse: DMatrix::zeros(0, 0),
                days: false,
                departures: false,
            },
        };
        if !expected.corner.iter().chain(&expected.own).all(|v| v.is_finite()) {
            return None;
        }
        expected.variance_of_variances = expected.variances();
        Some(expected)
    }

    /// log k of a surface as a combination; empty for the reference.
    pub(crate) fn log_factor(&self, surface: usize) -> Combination {
        let border = self.column[surface].map(|c| (c, 1.0)).into_iter().collect();
        Combination { locations: Vec::new(), border }
    }

    /// log k(a) − log k(b).
    pub(crate) fn contrast(&self, a: usize, b: usize) -> Combination {
        let mut c = self.log_factor(a);
        c.border.extend(self.column[b].map(|c| (c, -1.0)));
        c
    }

    /// Weights on the border of a combination, through the loadings of its locations.
    fn through(&self, c: &Combination) -> Vec<f64> {
        let mut weights = vec![0.0; self.q];
        for &(i, w) in &c.border {
            weights[i] += w;
        }
        for &(g, w) in &c.locations {
            for (a, weight) in weights.iter_mut().enumerate() {
                *weight += w * self.loadings[g * self.q + a];
            }
        }
        weights
    }

    fn corner_times(&self, weights: &[f64]) -> Vec<f64> {
        (0..self.q).map(|a| (0..self.q).map(|b| self.corner[a * self.q + b] * weights[b]).sum()).collect()
    }

    pub(crate) fn variance(&self, c: &Combination) -> f64 {
        let weights = self.through(c);
        let image = self.corner_times(&weights);
        let own: f64 = c.locations.iter().map(|&(g, w)| w * w * self.own[g]).sum();
        own + weights.iter().zip(&image).map(|(a, b)| a * b).sum::<f64>() + self.of_belts(c)
    }

    /// Whether belts are in the factor of a column: that of the laboratory, every one where it is the reference.
    fn is_of_belts(&self, column: usize) -> bool {
        self.belts.laboratory.is_some_and(|l| self.column[l].is_none_or(|own| own == column))
    }

    /// What belts add to the variance of a combination of log factors.
    fn of_belts(&self, c: &Combination) -> f64 {
        let weight: f64 = c.border.iter().filter(|(a, _)| self.is_of_belts(*a)).map(|(_, w)| w).sum();
        weight * weight * self.belts.variance
    }

    /// Covariance matrix of the log factors, in the order of their columns.
    pub(crate) fn log_factor_covariance(&self) -> DMatrix<f64> {
        let columns = self.column.iter().flatten().count();
        DMatrix::from_fn(columns, columns, |a, b| {
            let of_belts = if self.is_of_belts(a) && self.is_of_belts(b) { self.belts.variance } else { 0.0 };
            self.corner[a * self.q + b] + of_belts
        })
    }

    /// A departure relative to its scatter: minus this is its covariance vector with the rest.
    fn standardised(&self, d: &Departure) -> (f64, Vec<f64>) {
        let scale = 1.0 / (d.pivot * d.scatter);
        let own = d.weight * scale;
        let border = d.border.iter().map(|&(a, w)| (a, w * scale)).collect();
        (own, self.through(&Combination { locations: vec![(d.material, own)], border }))
    }

    /// Expected REML information on the variances (σ², days, departures), each relative to itself:
    /// ½ tr(P Vᵢ P Vⱼ) θᵢθⱼ (Searle, Casella & McCulloch 1992, section 6.6), from Z'PZ = D⁻¹ − D⁻¹CD⁻¹, tr(PVPVᵢ) = tr(PVᵢ)
    /// and tr(PVPV) = degrees of freedom of σ.
    fn variances(&self) -> VarianceOfVariances {
        let q = self.q;
        let tau = self.day_scatter;
        let days: Vec<usize> = self.day_columns.clone().collect();
        let (mut trace_days, mut days_days) = (0.0, 0.0);
        for &a in &days {
            for &b in &days {
                let value = f64::from(u8::from(a == b)) - self.corner[a * q + b] / (tau * tau);
                days_days += value * value;
                if a == b {
                    trace_days += value;
                }
            }
        }
        // Departures: M = E − F K F', E block diagonal by material, K the corner.
        let rows: Vec<(usize, f64, f64, Vec<f64>)> = self
            .departures
            .iter()
            .map(|d| {
                let (own, row) = self.standardised(d);
                (d.material, 1.0 - 1.0 / (d.pivot * d.scatter * d.scatter), own, row)
            })
            .collect();
        let k = DMatrix::from_fn(q, q, |a, b| self.corner[a * q + b]);
        let mut gram = DMatrix::<f64>::zeros(q, q);
        for (.., row) in &rows {
            for a in 0..q {
                if row[a] != 0.0 {
                    for b in 0..q {
                        gram[(a, b)] += row[a] * row[b];
                    }
                }
            }
        }
        let kg = &k * &gram;
        let (mut trace, mut squares) = (-kg.trace(), (&kg * &kg).trace());
        let images: Vec<Vec<f64>> = rows.iter().map(|(.., row)| self.corner_times(row)).collect();
        // Rows of one material lie together: cells are sorted by material.
        let mut start = 0;
        while start < rows.len() {
            let material = rows[start].0;
            let end = start + rows[start..].iter().take_while(|r| r.0 == material).count();
            for i in start..end {
                trace += rows[i].1 - self.own[material] * rows[i].2 * rows[i].2;
                for j in start..end {
                    let diagonal = if i == j { rows[i].1 } else { 0.0 };
                    let e = diagonal - self.own[material] * rows[i].2 * rows[j].2;
                    let fkf: f64 = rows[i].3.iter().zip(&images[j]).map(|(a, b)| a * b).sum();
                    squares += e * e - 2.0 * e * fkf;
                }
            }
            start = end;
        }
        let mut days_departures = 0.0;
        for &d in &days {
            let row: Vec<f64> = (0..q).map(|a| k[(d, a)]).collect();
            for a in 0..q {
                for b in 0..q {
                    days_departures += row[a] * gram[(a, b)] * row[b] / (tau * tau);
                }
            }
        }
        // Information that is rounding noise is none.
        let with_days = trace_days > 1e-6;
        let with_departures = trace > 1e-6;
        let (dd, du, uu) = (0.5 * days_days, 0.5 * days_departures, 0.5 * squares);
        let pick = |on: bool, value: f64| if on { value } else { 0.0 };
        let (dd, uu) = (pick(with_days, dd), pick(with_departures, uu));
        let du = pick(with_days && with_departures, du);
        let sd = pick(with_days, 0.5 * trace_days) - dd - du;
        let su = pick(with_departures, 0.5 * trace) - uu - du;
        let ss = 0.5 * self.scatter_degrees_of_freedom.max(1.0) - 2.0 * (sd + su) - dd - uu - 2.0 * du;
        let attempt = |days: bool, departures: bool| {
            let mut rows: Vec<[f64; 3]> = vec![[ss, sd, su]];
            let mut keep = vec![0];
            if days {
                rows.push([sd, dd, du]);
                keep.push(1);
            }
            if departures {
                rows.push([su, du, uu]);
                keep.push(2);
            }
            let matrix = DMatrix::from_fn(keep.len(), keep.len(), |a, b| rows[a][keep[b]]);
            let inverse = matrix.cholesky()?.inverse();
            Some(VarianceOfVariances { inverse, days, departures })
        };
        attempt(with_days, with_departures)
            .or_else(|| attempt(with_days, false))
            .or_else(|| attempt(false, with_departures))
            .or_else(|| attempt(false, false))
            .unwrap_or(VarianceOfVariances {
                inverse: DMatrix::from_element(1, 1, 2.0 / self.scatter_degrees_of_freedom.max(1.0)),
                days: false,
                departures: false,
            })
    }

    /// Degrees of freedom of a contrast after Satterthwaite (1946): 2v²/Var(v), with v as a function of the variances.
    pub(crate) fn degrees_of_freedom(&self, c: &Combination) -> (f64, Known) {
        let most = self.scatter_degrees_of_freedom.max(1.0);
        let none = Known { days: false, departures: false };
        let of_belts = self.of_belts(c);
        if self.day_columns.is_empty() && self.departures.is_empty() && of_belts == 0.0 {
            return (most, none);
        }
        let variance = self.variance(c);
        let weights = self.through(c);
        let image = self.corner_times(&weights);
        let of_days: f64 = self.day_columns.clone().map(|d| (image[d] / self.day_scatter).powi(2)).sum();
        let of_departures: f64 = self
            .departures
            .iter()
            .map(|d| {
                let (own, row) = self.standardised(d);
                let direct: f64 =
                    c.locations.iter().filter(|l| l.0 == d.material).map(|l| l.1 * own * self.own[d.material]).sum();
                let value = direct + row.iter().zip(&image).map(|(a, b)| a * b).sum::<f64>();
                value * value
            })
            .sum();
        let of = &self.variance_of_variances;
        let mut gradient = vec![(variance - of_days - of_departures - of_belts).max(0.0)];
        if of.days {
            gradient.push(of_days);
        }
        if of.departures {
            gradient.push(of_departures);
        }
        // One belt says nothing of how belts scatter: that is supposed.
        let mut spread =
            if self.belts.count > 1 { 2.0 * of_belts * of_belts / count(self.belts.count - 1) } else { 0.0 };
        for (a, x) in gradient.iter().enumerate() {
            for (b, y) in gradient.iter().enumerate() {
                spread += x * of.inverse[(a, b)] * y;
            }
        }
        let df = if spread > 0.0 { 2.0 * variance * variance / spread } else { most };
        let known = Known {
            days: !of.days && of_days > 1e-9 * variance,
            departures: !of.departures && of_departures > 1e-9 * variance,
        };
        (df.clamp(1.0, most), known)
    }
}

/// Adds n specimens with information `each` on (location, log σ), whose location has these coefficients on the border.
fn add(system: &mut Bordered, q: usize, g: usize, n: f64, each: [f64; 3], row: &[(usize, f64)], sigma: usize) {
    let [location, joint, scatter] = each.map(|x| n * x);
    system.diagonal[g] += location;
    system.border[g * q + sigma] += joint;
    system.corner[sigma * q + sigma] += scatter;
    for &(a, x) in row {
        system.border[g * q + a] += location * x;
        system.corner[a * q + sigma] += joint * x;
        system.corner[sigma * q + a] += joint * x;
        for &(b, y) in row {
            system.corner[a * q + b] += location * x * y;
        }
    }
}
