//! The fitted scale: locations, log factors, log σ and their covariance in structured form.

use crate::error::{ErrorKind, Result};
use crate::numeric::bordered::Factored;
use crate::numeric::special::two_sided_quantile;

use super::cells::{Cell, Cells, Crossed, Kinds};
use super::distribution::Distribution;
use super::identify::{Standing, Standings};
use super::least_squares::{block_means, two_way};
use super::newton::{Design, LogTime, Maximum, Point, System, contribution, maximise};

/// Numbers the materials and surfaces that have a finite place.
#[derive(Debug, Clone)]
pub(crate) struct Numbering {
    /// Group of each material.
    pub(crate) group: Vec<Option<usize>>,
    /// Column of each surface; the reference is finite but has none.
    pub(crate) column: Vec<Option<usize>>,
    pub(crate) finite_surface: Vec<bool>,
    pub(crate) groups: usize,
    pub(crate) columns: usize,
}

impl Numbering {
    pub(crate) fn new(standings: &Standings, reference: usize) -> Self {
        let mut groups = 0;
        let group = standings
            .materials
            .iter()
            .map(|&s| {
                (s == Standing::Finite).then(|| {
                    groups += 1;
                    groups - 1
                })
            })
            .collect();
        let mut columns = 0;
        let column = standings
            .surfaces
            .iter()
            .enumerate()
            .map(|(i, &s)| {
                (s == Standing::Finite && i != reference).then(|| {
                    columns += 1;
                    columns - 1
                })
            })
            .collect();
        let finite_surface = standings.surfaces.iter().map(|&s| s == Standing::Finite).collect();
        Self { group, column, finite_surface, groups, columns }
    }

    /// The same with groups and columns numbered as `cells`, in the order given, first name them.
    pub(crate) fn as_met(&self, cells: &[Cell]) -> Self {
        let mut met =
            Self { group: vec![None; self.group.len()], column: vec![None; self.column.len()], ..self.clone() };
        let (mut groups, mut columns) = (0, 0);
        for cell in cells {
            if self.group[cell.material].is_some() && met.group[cell.material].is_none() {
                met.group[cell.material] = Some(groups);
                groups += 1;
            }
            if self.column[cell.surface].is_some() && met.column[cell.surface].is_none() {
                met.column[cell.surface] = Some(columns);
                columns += 1;
            }
        }
        met
    }

    /// The fitted part of `cells`, with the position of each fitted time in `cells.times`.
    pub(crate) fn crossed(&self, cells: &Cells) -> (Crossed, Vec<usize>) {
        let mut rows = Vec::with_capacity(cells.times.len());
        for (cell, ..) in self.on_scale(cells) {
            rows.extend(cell.start..cell.end);
        }
        (self.design(cells), rows)
    }

    /// [`crossed`](Self::crossed) without the rows.
    pub(crate) fn design(&self, cells: &Cells) -> Crossed {
        let mut design = Crossed::new(self.groups, self.columns);
        design.times.reserve_exact(cells.times.len());
        for (cell, group, column) in self.on_scale(cells) {
            design.push(cells, cell, group, column);
        }
        design
    }

    fn on_scale<'a>(&'a self, cells: &'a Cells) -> impl Iterator<Item = (&'a Cell, usize, Option<usize>)> {
        cells.cells.iter().filter_map(|cell| {
            let group = self.group[cell.material].filter(|_| self.finite_surface[cell.surface])?;
            Some((cell, group, self.column[cell.surface]))
        })
    }
}

/// What makes a maximum-likelihood σ̂ and its standard errors fit for few trials.
///
/// Least squares needs nothing. Maximum likelihood divides by N trials where p levels have used up p
/// of them: √(N/(N − p)); and of the trials that its information on log σ is worth, c/Var(log σ̂) with
/// c = N·Var(log σ̂) for N exact trials, p are used up as well. With 3 to 8 log-normal trials a cell and
/// up to 70 % run out in every other cell, simulated in R survival, the corrected σ̂ is on average 0.98
/// to 1.00 σ where σ̂ itself is 0.80 to 0.93 σ, and log σ̂ varies as those degrees of freedom say
/// (tests/reference/r/scatter_bias.R). Without censoring both are the classical ones.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct SmallSample {
    /// σ̂ and every standard error are to be multiplied by this.
    pub(crate) factor: f64,
    /// Degrees of freedom for t quantiles.
    pub(crate) degrees_of_freedom: f64,
}

impl SmallSample {
    fn of_maximum(distribution: Distribution, log_scatter_variance: f64, trials: f64, levels: f64) -> Self {
        let unit = Scale::unit_log_scatter_variance(distribution);
        Self {
            factor: (trials / (trials - levels).max(1.0)).sqrt(),
            degrees_of_freedom: (unit / log_scatter_variance - levels).max(1.0),
        }
    }

    /// Half the width of an interval at `level` in observed-information standard errors.
    pub(crate) fn multiplier(&self, level: f64) -> f64 {
        self.factor * two_sided_quantile(level, Some(self.degrees_of_freedom))
    }
}

/// Estimates and covariance.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Scale {
    /// Log location of W per group.
    pub(crate) location: Vec<f64>,
    /// Log k per column.
    pub(crate) log_k: Vec<f64>,
    pub(crate) sigma: f64,
    /// q × q covariance of (log k per column, log σ), q = columns + 1.
    pub(crate) corner: Vec<f64>,
    /// Own variance of each location, given the border.
    pub(crate) own: Vec<f64>,
    /// m × q loadings of each location on (log k, log σ).
    pub(crate) loadings: Vec<f64>,
    /// Residual degrees of freedom of the least-squares σ; `None` for a maximum-likelihood one.
    pub(crate) degrees_of_freedom: Option<f64>,
    pub(crate) small_sample: SmallSample,
    pub(crate) log_likelihood: f64,
    pub(crate) iterations: u32,
    pub(crate) decrement: f64,
}

/// A linear combination of locations, log factors and log σ.
#[derive(Debug, Clone, Default)]
pub(crate) struct Combination {
    pub(crate) locations: Vec<(usize, f64)>,
    pub(crate) border: Vec<(usize, f64)>,
}

impl Scale {
    /// N·Var(log σ̂) of N exact trials: 1/2 for the normal, 6/π² for the extreme value, 9/(3 + π²) for
    /// the logistic distribution (locations known or orthogonal).
    pub(crate) fn unit_log_scatter_variance(distribution: Distribution) -> f64 {
        let pi2 = std::f64::consts::PI * std::f64::consts::PI;
        match distribution {
            Distribution::LogNormal => 0.5,
            Distribution::Weibull => 6.0 / pi2,
            Distribution::LogLogistic => 9.0 / (3.0 + pi2),
        }
    }

    pub(crate) fn q(&self) -> usize {
        self.log_k.len() + 1
    }

    pub(crate) fn variance(&self, c: &Combination) -> f64 {
        let q = self.q();
        let mut weights = vec![0.0; q];
        let mut variance = 0.0;
        for &(i, w) in &c.border {
            weights[i] += w;
        }
        for &(i, w) in &c.locations {
            variance += w * w * self.own[i];
            for a in 0..q {
                weights[a] += w * self.loadings[i * q + a];
            }
        }
        for a in 0..q {
            for b in 0..q {
                variance += weights[a] * weights[b] * self.corner[a * q + b];
            }
        }
        variance.max(0.0)
    }

    /// Fits the numbered part: direct least squares where the model is log-normal and every time
    /// exact, Newton otherwise.
    pub(crate) fn fit(design: &Crossed, distribution: Distribution, stage: &str) -> Result<Self> {
        if design.all_exact() && distribution == Distribution::LogNormal {
            Self::least_squares(design)
        } else {
            check_scatter(design)?;
            let start = start(design, distribution)?;
            let maximum = maximise(design, distribution, start, stage).map_err(|error| {
                // Run-outs above contact openings and not one time between: their likelihood may grow with σ.
                let hopeless = Kinds::of(&design.times).exact == 0;
                if hopeless && matches!(error.kind(), ErrorKind::NotConverged { .. }) { all_censored() } else { error }
            })?;
            Ok(Self::from_maximum(&maximum, design, distribution))
        }
    }

    /// As [`fit`](Self::fit) by Newton, started at the maximum of the unweighted data.
    pub(crate) fn refit(design: &Crossed, distribution: Distribution, full: &Self) -> Result<Self> {
        let start = Point {
            diagonal: full.location.iter().map(|l| l / full.sigma).collect(),
            border: full.log_k.iter().map(|k| k / full.sigma).collect(),
            lambda: 1.0 / full.sigma,
        };
        let maximum = maximise(design, distribution, start, "a bootstrap refit")?;
        Ok(Self::from_maximum(&maximum, design, distribution))
    }

    /// Influence of each fitted time on (log k.., location.., log σ): the derivative of the estimate
    /// in the case weight, centred within its cell as stratified resampling is (infinitesimal
    /// jackknife; Davison & Hinkley 1997, section 3.2.1).
    pub(crate) fn influence(&self, design: &Crossed, distribution: Distribution) -> Result<Vec<Vec<f64>>> {
        let (m, q) = (design.groups, design.columns + 1);
        let last = q - 1;
        let point = Point {
            diagonal: self.location.iter().map(|l| l / self.sigma).collect(),
            border: self.log_k.iter().map(|k| k / self.sigma).collect(),
            lambda: 1.0 / self.sigma,
        };
        let mut system = System::zeros(m, q);
        design.accumulate(distribution, &point, Some(&mut system));
        let information = system.information.factor().ok_or_else(|| ErrorKind::NotEstimable {
            quantity: "the influence of single trials".into(),
            reason: "the information is singular".into(),
        })?;
        let lambda = point.lambda;
        let mut scores = Vec::with_capacity(design.times.len());
        for block in &design.blocks {
            let eta = point.diagonal[block.group] - block.column.map_or(0.0, |c| point.border[c]);
            for i in block.start..block.end {
                let c = contribution(distribution, design.times[i], eta, lambda);
                scores.push((block, c.d_eta, c.d_lambda));
            }
        }
        let mut all = Vec::with_capacity(q + m);
        let columns = (0..last).map(|c| (None, Some(c)));
        let locations = (0..m).map(|g| (Some(g), None));
        for (group, column) in columns.chain(locations).chain([(None, None)]) {
            // Derivative of the quantity in (a, κ, λ), then through the inverse information.
            let (mut u, mut v) = (vec![0.0; m], vec![0.0; q]);
            match (group, column) {
                (Some(g), _) => {
                    u[g] = 1.0 / lambda;
                    v[last] = -point.diagonal[g] / (lambda * lambda);
                }
                (_, Some(c)) => {
                    v[c] = 1.0 / lambda;
                    v[last] = -point.border[c] / (lambda * lambda);
                }
                _ => v[last] = -1.0 / lambda,
            }
            information.solve(&mut u, &mut v);
            let mut values: Vec<f64> = scores
                .iter()
                .map(|(block, d_eta, d_lambda)| {
                    (u[block.group] - block.column.map_or(0.0, |c| v[c])) * d_eta + v[last] * d_lambda
                })
                .collect();
            for block in &design.blocks {
                let members = &mut values[block.start..block.end];
                let mean = members.iter().sum::<f64>() / block.count();
                for value in members {
                    *value -= mean;
                }
            }
            all.push(values);
        }
        Ok(all)
    }

    fn least_squares(design: &Crossed) -> Result<Self> {
        let means = block_means(design);
        let fit = two_way(design, &means)?;
        #[allow(clippy::cast_precision_loss)]
        let parameters = (design.groups + design.columns) as f64;
        let n = design.total_weight();
        let df = n - parameters;
        // Weights that sum to a whole number miss it by rounding.
        if df < 1e-6 {
            return Err(ErrorKind::ScatterNotEstimable {
                reason: format!(
                    "{n} trials determine {parameters} levels (materials and surfaces) and leave nothing over that shows \
                     how replicates scatter; test at least one more specimen in a cell (material on surface) that has one \
                     already, better three or more in every cell"
                ),
            }
            .into());
        }
        let spread = design.times.iter().map(|t| t.middle().abs()).fold(1.0, f64::max);
        if fit.residual_sum <= n * (1e-13 * spread) * (1e-13 * spread) {
            return Err(no_scatter());
        }
        let variance = fit.residual_sum / df;
        let sum_y: f64 = means.iter().map(|b| b.weight * b.mean).sum();
        let log_likelihood = -0.5 * n * (libm::log(2.0 * std::f64::consts::PI * fit.residual_sum / n) + 1.0) - sum_y;
        let (corner, own, loadings) = structured(&fit.normal, design.groups, design.columns, variance, df);
        Ok(Self {
            location: fit.groups,
            log_k: fit.columns,
            sigma: variance.sqrt(),
            corner,
            own,
            loadings,
            degrees_of_freedom: Some(df),
            small_sample: SmallSample { factor: 1.0, degrees_of_freedom: df },
            log_likelihood,
            iterations: 1,
            decrement: 0.0,
        })
    }

    /// From (η, λ) to (location, log k, log σ) by the chain rule; at the maximum the observed
    /// information transforms by the Jacobian alone.
    fn from_maximum(maximum: &Maximum, design: &Crossed, distribution: Distribution) -> Self {
        let Point { diagonal, border, lambda } = &maximum.point;
        let q = border.len() + 1;
        let last = q - 1;
        let (raw, own, mut loadings) = maximum.information.inverse();
        // J: d(log k_s) = dκ_s/λ - κ_s/λ² dλ;  d(log σ) = -dλ/λ.
        let mut jacobian = vec![0.0; q * q];
        for a in 0..last {
            jacobian[a * q + a] = 1.0 / lambda;
            jacobian[a * q + last] = -border[a] / (lambda * lambda);
        }
        jacobian[last * q + last] = -1.0 / lambda;
        let mut corner = vec![0.0; q * q];
        for a in 0..q {
            for b in 0..q {
                for c in 0..q {
                    for d in 0..q {
                        corner[a * q + b] += jacobian[a * q + c] * raw[c * q + d] * jacobian[b * q + d];
                    }
                }
            }
        }
        // The loading of a location on log k_s stays; that on log σ collects the rest.
        for (i, a) in diagonal.iter().enumerate() {
            let row = &mut loadings[i * q..(i + 1) * q];
            let through: f64 = row[..last].iter().zip(border).map(|(l, k)| l * k).sum();
            row[last] = -through / lambda - row[last] + a / lambda;
        }
        #[allow(clippy::cast_precision_loss)]
        let levels = (design.groups + design.columns) as f64;
        let small_sample = SmallSample::of_maximum(distribution, corner[q * q - 1], design.total_weight(), levels);
        Self {
            location: diagonal.iter().map(|a| a / lambda).collect(),
            log_k: border.iter().map(|k| k / lambda).collect(),
            sigma: 1.0 / lambda,
            corner,
            own: own.iter().map(|v| v / (lambda * lambda)).collect(),
            loadings,
            degrees_of_freedom: None,
            small_sample,
            log_likelihood: maximum.log_likelihood,
            iterations: maximum.iterations,
            decrement: maximum.decrement,
        }
    }
}

fn all_censored() -> crate::Error {
    ErrorKind::ScatterNotEstimable {
        reason: "no trial on the scale was worn through, and run-outs and contact openings contradict each other, so \
                 nothing limits the scatter upwards; wear through at least one specimen of each material on the scale, \
                 by longer runs"
            .into(),
    }
    .into()
}

/// Refuses designs whose likelihood grows without limit as σ falls to zero: some levels meet every exact
/// time (interval) and no censored one speaks against them, a direction of recession in (η, λ) (see
/// `identify`).
///
/// Levels of cell (g, c) lie in `[lo, hi]`, `a_g − k_c ≤ hi` and `a_g − k_c ≥ lo`. Without the groups,
/// `k_d − k_c ≤ hi_gc − lo_gd`: a system of differences, feasible unless a cycle of it is negative.
fn check_scatter(design: &Crossed) -> Result<()> {
    let n = design.columns + 1;
    let mut largest = 1.0f64;
    let (mut exact, mut within, mut censored) = (0, 0, 0);
    let mut limits: Vec<Vec<(usize, f64, f64)>> = vec![Vec::new(); design.groups];
    for block in &design.blocks {
        let (mut low, mut high) = (f64::NEG_INFINITY, f64::INFINITY);
        for i in block.start..block.end {
            if design.weights.as_ref().is_some_and(|w| w[i] <= 0.0) {
                continue;
            }
            let (a, b) = match design.times[i] {
                LogTime::Exact(y) => (y, y),
                LogTime::Right(y) => (y, f64::INFINITY),
                LogTime::Left(y) => (f64::NEG_INFINITY, y),
                LogTime::Between(a, b) => (a, b),
            };
            match design.times[i] {
                LogTime::Exact(_) => exact += 1,
                LogTime::Between(..) => within += 1,
                LogTime::Right(_) | LogTime::Left(_) => censored += 1,
            }
            low = low.max(a);
            high = high.min(b);
            largest = largest.max(design.times[i].middle().abs());
        }
        if low > high + ROUNDING * largest {
            return Ok(());
        }
        limits[block.group].push((block.column.map_or(0, |c| c + 1), low, high));
    }
    if n > MANY_SURFACES {
        return Ok(());
    }
    let mut distance = vec![f64::INFINITY; n * n];
    for cells in &limits {
        for &(c, _, high) in cells {
            for &(d, low, _) in cells {
                let at = &mut distance[c * n + d];
                *at = at.min(high - low);
            }
        }
    }
    for k in 0..n {
        for i in 0..n {
            let first = distance[i * n + k];
            if first < f64::INFINITY {
                for j in 0..n {
                    distance[i * n + j] = distance[i * n + j].min(first + distance[k * n + j]);
                }
            }
        }
        if (0..n).any(|i| distance[i * n + i] < -ROUNDING * largest) {
            return Ok(());
        }
    }
    let levels = design.groups + design.columns;
    let against = if censored > 0 {
        format!(", and none of the {censored} run-out(s) and contact opening(s) speaks against them")
    } else {
        String::new()
    };
    let reason = if exact == 0 && within > 0 {
        format!(
            "one set of {levels} levels (materials and surfaces) lies within the clock's resolution of all {within} \
             measured times{against}, so nothing shows how replicates scatter; measure times more finely, or test \
             more specimens in the same cells"
        )
    } else {
        format!(
            "the {exact} worn-through trial(s) are met exactly by the {levels} level(s) fitted (materials and \
             surfaces){against}, so nothing is left over that shows how replicates scatter; wear through at least one \
             more specimen in a cell (material on surface) that has one already, better three or more in every cell"
        )
    };
    Err(ErrorKind::ScatterNotEstimable { reason }.into())
}

/// Beyond so many surfaces without a contradiction inside a cell the cube of their number is too much work.
const MANY_SURFACES: usize = 400;
/// Log times closer than this, relative to the largest, are the same.
const ROUNDING: f64 = 1e-12;

pub(crate) fn no_scatter() -> crate::Error {
    ErrorKind::ScatterNotEstimable {
        reason: "the exact times of every cell agree with the fit to the last digit; real replicates differ, so look \
                 for times that were copied or rounded hard"
            .into(),
    }
    .into()
}

pub(crate) fn structured(
    normal: &Factored,
    groups: usize,
    columns: usize,
    variance: f64,
    df: f64,
) -> (Vec<f64>, Vec<f64>, Vec<f64>) {
    let (inverse, own, load) = normal.inverse();
    let q = columns + 1;
    let mut corner = vec![0.0; q * q];
    for a in 0..columns {
        for b in 0..columns {
            corner[a * q + b] = variance * inverse[a * columns + b];
        }
    }
    // Var(log s) of a χ² variance estimate, delta method.
    corner[q * q - 1] = 0.5 / df;
    let mut loadings = vec![0.0; groups * q];
    for i in 0..groups {
        loadings[i * q..i * q + columns].copy_from_slice(&load[i * columns..(i + 1) * columns]);
    }
    (corner, own.iter().map(|v| v * variance).collect(), loadings)
}

/// Starting values: two-way least squares with bounds taken as times.
pub(crate) fn start(design: &Crossed, distribution: Distribution) -> Result<Point> {
    let means = block_means(design);
    let fit = two_way(design, &means)?;
    let (mean, sd) = distribution.moments();
    let spread = (fit.residual_sum / fit.weight).sqrt();
    let sigma = (spread / sd).max(1e-3);
    Ok(Point {
        diagonal: fit.groups.iter().map(|g| (g - mean * sigma) / sigma).collect(),
        border: fit.columns.iter().map(|k| k / sigma).collect(),
        lambda: 1.0 / sigma,
    })
}
