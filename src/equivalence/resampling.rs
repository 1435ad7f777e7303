//! Jackknife and bootstrap intervals of a line through points with errors in both variables.
//!
//! | way | draws | holds |
//! |---|---|---|
//! | [`LinePoints::jackknife`] | nothing: each pair left out in turn | what differs between pairs, whatever the stated errors say |
//! | [`LinePoints::bootstrap`], [`Scheme::Stratified`] | pairs with replacement | the same; needs no formula, wants ten pairs or more |
//! | [`LinePoints::bootstrap`], [`Scheme::Parametric`] | errors about the fitted points, from the stated standard errors and τ | the stated errors, and τ as fitted; nothing else |
//!
//! Where the three disagree, look at the pairs: the parametric one believes the stated errors, the others what the pairs show.
//! The engine is that of [`bootstrap`](crate::bootstrap): a function of points, plan and seed, the same bits on any number
//! of threads. A pair bootstrap has BCa intervals; the parametric one normal, basic and percentile ones.
//!
//! For the parametric draw each pair has its point (X, a + bX) where the weighted distance to the pair is least, with the
//! covariance of its errors and τ² on y: X = (uᵀC⁻¹z)/(uᵀC⁻¹u), u = (1, b), z = (x, y − a).
//!
//! Sources: Tukey, Ann. Math. Statist. 29 (1958) 614 (jackknife); Efron & Tibshirani 1993, chapters 7 and 11.

use rand::rngs::ChaCha8Rng;
use serde::Serialize;

use super::line::{ScatterEstimator, check_columns, deming, york, york_with_scatter};
use super::rank::{RankForm, passing_bablok};
use crate::bootstrap::{Bootstrap, Replicates, Scheme};
use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, IntervalMethod};
use crate::numeric::count;
use crate::numeric::special::finite::t_quantile;
use crate::numeric::special::normal_quantile;
use crate::numeric::stream::unit;

/// Which line is fitted.
///
/// ```
/// use surface_severity::equivalence::{LineMethod, LinePoints, deming};
/// let (x, y) = ([1.1, 1.9, 3.1, 3.9, 5.0], [2.0, 4.1, 5.9, 8.2, 9.8]);
/// let points = LinePoints::new(&x, &[0.1; 5], &y, &[0.1; 5], &[0.0; 5])?;
/// // Deming's line has jackknife standard errors anyway.
/// let by_points = points.jackknife(LineMethod::Deming { variance_ratio_y_over_x: 1.0 }, 0.95)?;
/// assert!((by_points.slope_standard_error / deming(&x, &y, 1.0)?.slope_standard_error() - 1.0).abs() < 1e-9);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum LineMethod {
    /// [`deming`].
    Deming {
        /// Var(error of y) / Var(error of x).
        variance_ratio_y_over_x: f64,
    },
    /// [`york`].
    York,
    /// [`york_with_scatter`]: its τ is resampled too.
    Structural(ScatterEstimator),
    /// [`passing_bablok`].
    PassingBablok(RankForm),
}

/// Points with their standard errors: the input of every line. Columns of equal length.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// use surface_severity::equivalence::{LineMethod, RankForm};
/// // The materials of one road as points, each left out in turn.
/// let surface = equivalence.surface("brushed concrete")?;
/// let method = LineMethod::PassingBablok(RankForm::Equivariant);
/// let ranks = surface.with_points(|points| points.jackknife(method, 0.95)).unwrap()?;
/// assert!((ranks.slope.estimate() - surface.rank_line().fitted().unwrap().slope().estimate()).abs() < 1e-9);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
pub struct LinePoints<'a> {
    x: &'a [f64],
    x_errors: &'a [f64],
    y: &'a [f64],
    y_errors: &'a [f64],
    correlations: &'a [f64],
}

/// Jackknife estimates of a line.
///
/// ```
/// use surface_severity::equivalence::{LineMethod, LinePoints};
/// // y = 1 + 2x and errors that neither tilt nor shift the line.
/// let (x, y) = ([0.0, 1.0, 2.0, 3.0, 4.0], [1.1, 2.9, 5.0, 6.9, 9.1]);
/// let line = LinePoints::new(&x, &[0.0; 5], &y, &[0.1; 5], &[0.0; 5])?.jackknife(LineMethod::York, 0.95)?;
/// assert!((line.slope.estimate() - 2.0).abs() < 1e-9 && (line.intercept.estimate() - 1.0).abs() < 1e-9);
/// // Student t with 3 degrees of freedom: 3.1824.
/// assert!((line.slope.upper() - 2.0 - 3.1824 * line.slope_standard_error).abs() < 1e-4);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct LineJackknife {
    /// Slope with t limits, pairs − 2 degrees of freedom.
    pub slope: Interval,
    /// Intercept likewise.
    pub intercept: Interval,
    /// τ with its jackknife standard error, of the structural line: no limits, since τ is not symmetric about its estimate.
    pub intrinsic_scatter: Option<(f64, f64)>,
    /// Standard error of the slope.
    pub slope_standard_error: f64,
    /// Standard error of the intercept.
    pub intercept_standard_error: f64,
    /// Covariance of intercept and slope.
    pub covariance: f64,
    /// Jackknife estimates of bias of slope and intercept: (n − 1)(mean without one − all). Not taken off.
    pub bias: (f64, f64),
}

/// Slope, intercept and, of the structural line, τ.
fn fit(points: &Columns, method: LineMethod) -> Result<Vec<f64>> {
    let c = points;
    Ok(match method {
        LineMethod::Deming { variance_ratio_y_over_x } => {
            let line = deming(&c.x, &c.y, variance_ratio_y_over_x)?;
            vec![line.slope(), line.intercept()]
        }
        LineMethod::York => {
            let line = york(&c.x, &c.x_errors, &c.y, &c.y_errors, &c.correlations)?;
            vec![line.slope(), line.intercept()]
        }
        LineMethod::Structural(estimator) => {
            let line = york_with_scatter(&c.x, &c.x_errors, &c.y, &c.y_errors, &c.correlations, estimator)?;
            vec![line.line().slope(), line.line().intercept(), line.intrinsic_scatter()]
        }
        LineMethod::PassingBablok(form) => {
            let line = passing_bablok(&c.x, &c.y, form)?;
            vec![line.slope(), line.intercept()]
        }
    })
}

/// Owned columns of some of the points.
struct Columns {
    x: Vec<f64>,
    x_errors: Vec<f64>,
    y: Vec<f64>,
    y_errors: Vec<f64>,
    correlations: Vec<f64>,
}

impl<'a> LinePoints<'a> {
    /// Points (x, y) with the standard errors of both and their correlations; errors and correlations may be 0.
    ///
    /// ```
    /// use surface_severity::equivalence::LinePoints;
    /// let (x, y) = ([0.0, 1.0, 2.0, 3.0, 4.0], [1.1, 2.9, 5.0, 6.9, 9.1]);
    /// assert!(LinePoints::new(&x, &[0.0; 5], &y, &[0.1; 5], &[0.0; 5]).is_ok());
    /// assert!(LinePoints::new(&x, &[0.0; 5], &y, &[-0.1; 5], &[0.0; 5]).is_err(), "a standard error is not negative");
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::TooFew`] below 4 pairs; [`ErrorKind::InvalidOption`] for columns of different lengths, values that are
    /// not finite, negative errors, or correlations outside (−1, 1).
    pub fn new(
        x: &'a [f64],
        x_errors: &'a [f64],
        y: &'a [f64],
        y_errors: &'a [f64],
        correlations: &'a [f64],
    ) -> Result<Self> {
        let columns =
            [("x", x), ("x_errors", x_errors), ("y", y), ("y_errors", y_errors), ("correlations", correlations)];
        check_columns("a resampled line", 4, &columns)?;
        if let Some(bad) = x_errors.iter().chain(y_errors).find(|e| **e < 0.0) {
            return Err(ErrorKind::option("standard errors", bad, "at least 0"));
        }
        if let Some(bad) = correlations.iter().find(|r| r.abs() >= 1.0) {
            return Err(ErrorKind::option("correlations", bad, "strictly between −1 and 1"));
        }
        Ok(Self { x, x_errors, y, y_errors, correlations })
    }

    fn rows(&self, rows: &[usize]) -> Columns {
        let pick = |v: &[f64]| rows.iter().map(|&i| v[i]).collect();
        Columns {
            x: pick(self.x),
            x_errors: pick(self.x_errors),
            y: pick(self.y),
            y_errors: pick(self.y_errors),
            correlations: pick(self.correlations),
        }
    }

    /// Leaves out each pair in turn: variance (n − 1)/n Σ(θ₍ᵢ₎ − θ̄)², t with n − 2 degrees of freedom.
    ///
    /// The slope by ranks is a median and moves in steps: its jackknife variance is rough, and [`bootstrap`](Self::bootstrap)
    /// or the limits by rank serve better.
    ///
    /// ```
    /// use surface_severity::equivalence::{LineMethod, LinePoints};
    /// let (x, y) = ([0.0, 1.0, 2.0, 3.0, 4.0], [1.1, 2.9, 5.0, 6.9, 9.1]);
    /// // What the errors are said to be does not matter, as long as they are equal: the pairs themselves show the scatter.
    /// let error = |said: [f64; 5]| -> surface_severity::Result<f64> {
    ///     Ok(LinePoints::new(&x, &[0.0; 5], &y, &said, &[0.0; 5])?.jackknife(LineMethod::York, 0.95)?.slope_standard_error)
    /// };
    /// assert!((error([0.1; 5])? / error([7.0; 5])? - 1.0).abs() < 1e-6);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a level outside (0, 1); those of the line, with all pairs or without one.
    pub fn jackknife(&self, method: LineMethod, level: f64) -> Result<LineJackknife> {
        crate::estimate::check_level(level)?;
        let n = self.x.len();
        let all: Vec<usize> = (0..n).collect();
        let whole = fit(&self.rows(&all), method)?;
        let mut deleted = Vec::with_capacity(n);
        for left_out in 0..n {
            let rest: Vec<usize> = all.iter().copied().filter(|&i| i != left_out).collect();
            deleted.push(fit(&self.rows(&rest), method)?);
        }
        let mean = |j: usize| deleted.iter().map(|d| d[j]).sum::<f64>() / count(n);
        let product = |i: usize, j: usize| {
            let (mi, mj) = (mean(i), mean(j));
            (count(n) - 1.0) / count(n) * deleted.iter().map(|d| (d[i] - mi) * (d[j] - mj)).sum::<f64>()
        };
        let quantile = t_quantile(0.5 + level / 2.0, Some(count(n - 2)))
            .ok_or_else(|| ErrorKind::option("level", level, "a level with a finite t quantile"))?;
        let interval = |j: usize| {
            let half = quantile * libm::sqrt(product(j, j));
            Interval::new(whole[j], whole[j] - half, whole[j] + half, level, IntervalMethod::StudentT)
        };
        let bias = |j: usize| (count(n) - 1.0) * (mean(j) - whole[j]);
        Ok(LineJackknife {
            slope: interval(0)?,
            intercept: interval(1)?,
            intrinsic_scatter: whole.get(2).map(|tau| (*tau, libm::sqrt(product(2, 2)))),
            slope_standard_error: libm::sqrt(product(0, 0)),
            intercept_standard_error: libm::sqrt(product(1, 1)),
            covariance: product(0, 1),
            bias: (bias(0), bias(1)),
        })
    }

    /// Replicates of slope (0), intercept (1) and, of the structural line, τ (2).
    ///
    /// `plan` with [`Scheme::Stratified`] draws pairs, with [`Scheme::Parametric`] errors about the fitted points. A
    /// replicate in which the line is not determined fails and is counted.
    ///
    /// ```
    /// use surface_severity::bootstrap::Bootstrap;
    /// use surface_severity::equivalence::{LineMethod, LinePoints, ScatterEstimator};
    /// use surface_severity::IntervalMethod;
    /// let x = [0.1, 0.9, 1.4, 2.2, 2.9, 3.4, 4.1, 5.2, 5.6, 6.3];
    /// let y = [0.4, 1.1, 2.0, 2.3, 3.5, 3.6, 4.9, 5.3, 6.4, 6.6];
    /// let (se, none) = ([0.1; 10], [0.0; 10]);
    /// let points = LinePoints::new(&x, &se, &y, &se, &none)?;
    /// let line = LineMethod::Structural(ScatterEstimator::Restricted);
    /// let drawn = points.bootstrap(line, &Bootstrap::stratified(500).seed(7))?;
    /// assert!(drawn.interval(0, IntervalMethod::Bca)?.interval.contains(1.0));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for another scheme; [`ErrorKind::NotEstimable`] where the line cannot be fitted to the
    /// points, or for pairs to all but one of them; [`ErrorKind::ReplicatesFailed`].
    pub fn bootstrap(&self, method: LineMethod, plan: &Bootstrap) -> Result<Replicates> {
        match plan.scheme() {
            Scheme::Stratified => {
                plan.run(&vec![0; self.x.len()], |rows| fit(&self.rows(rows), method).map_err(|e| e.to_string()))
            }
            Scheme::Parametric => self.parametric(method, plan),
            other => Err(ErrorKind::option(
                "scheme",
                format!("{other:?}"),
                "Stratified (pairs) or Parametric (the stated standard errors)",
            )),
        }
    }

    fn parametric(&self, method: LineMethod, plan: &Bootstrap) -> Result<Replicates> {
        let all: Vec<usize> = (0..self.x.len()).collect();
        let observed = fit(&self.rows(&all), method)?;
        let (slope, intercept) = (observed[0], observed[1]);
        let tau = observed.get(2).copied().unwrap_or(0.0);
        let centres: Vec<f64> = all.iter().map(|&i| self.nearest_x(i, slope, intercept, tau)).collect();
        let draw = |rng: &mut ChaCha8Rng| {
            let mut columns = self.rows(&all);
            for (i, centre) in centres.iter().enumerate() {
                let mut normal = || normal_quantile(unit(rng));
                let (u, v, w) = (normal(), normal(), normal());
                let r = self.correlations[i];
                columns.x[i] = centre + self.x_errors[i] * u;
                let error = self.y_errors[i] * (r * u + libm::sqrt(1.0 - r * r) * v);
                columns.y[i] = intercept + slope * centre + error + tau * w;
            }
            fit(&columns, method).map_err(|e| e.to_string())
        };
        plan.run_drawn(observed, draw)
    }

    /// The point of the line that pair `i` belongs to.
    fn nearest_x(&self, i: usize, slope: f64, intercept: f64, tau: f64) -> f64 {
        let (sx, sy, r) = (self.x_errors[i], self.y_errors[i], self.correlations[i]);
        let (a, b, d) = (sx * sx, r * sx * sy, sy * sy + tau * tau);
        let (x, y) = (self.x[i], self.y[i] - intercept);
        // uᵀ adj(C), adj(C) = [[d, −b], [−b, a]]: the determinant cancels.
        let (first, second) = (d - slope * b, slope * a - b);
        let weight = first + slope * second;
        if weight > 0.0 { (first * x + second * y) / weight } else { x }
    }
}
