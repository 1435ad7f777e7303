//! Normal scores of log times: what the tests look at, which take times as normal about their cell.
//!
//! A log time y of a cell with the centre m becomes `m + τ Φ⁻¹(F((y − m)/σ + w))`, F the plan's distribution with the
//! median w: quantile residuals (Dunn & Smyth 1996, Journal of Computational and Graphical Statistics 5, 236–244) on
//! the scale of log time, τ the standard deviation of log times of scale σ, but never further from m than y itself: where
//! the tail is shorter than a normal one a median that is a little off would make outliers of good trials. Log-normal times are their own scores. m is the
//! cell's median and σ comes from the median absolute deviations of all cells, which single errors hardly move. A bound
//! stays a bound. Cells without a median, most of whose times are bounds, are left as they are.

use crate::numeric::root::root;
use crate::numeric::special::{normal_cdf, normal_quantile};
use crate::severity::Distribution;
use crate::severity::machinery::{Cell, Cells, LogTime};

use super::mad::{MAD_TO_SIGMA, cell_median, pooled_scale};

/// From log times to scores and back.
#[derive(Debug, Clone)]
pub(super) struct Scores {
    distribution: Distribution,
    /// σ of W; 0 where scores are log times.
    scale: f64,
    /// Median of each cell, in the order of the cells.
    centres: Vec<Option<f64>>,
}

impl Scores {
    /// Replaces the log times of `cells` by their scores.
    pub(super) fn of(cells: &mut Cells, distribution: Distribution) -> Self {
        let mut found = Self { distribution, scale: 0.0, centres: Vec::new() };
        if distribution == Distribution::LogNormal {
            return found;
        }
        let slices: Vec<&[LogTime]> = cells.cells.iter().map(|c| cells.of(c)).collect();
        let Some(scale) = pooled_scale(slices.iter().copied()) else { return found };
        found.centres = slices.into_iter().map(cell_median).collect();
        found.scale = scale.scale / MAD_TO_SIGMA / median_deviation(distribution);
        for (at, cell) in cells.cells.clone().into_iter().enumerate() {
            for time in &mut cells.times[cell.start..cell.end] {
                let score = |y: f64| found.score(at, y);
                *time = match *time {
                    LogTime::Exact(y) => LogTime::Exact(score(y)),
                    LogTime::Right(y) => LogTime::Right(score(y)),
                    LogTime::Left(y) => LogTime::Left(score(y)),
                    LogTime::Between(a, b) => LogTime::Between(score(a), score(b)),
                };
            }
        }
        found
    }

    fn centre(&self, cell: usize) -> Option<f64> {
        self.centres.get(cell).copied().flatten().filter(|_| self.scale > 0.0)
    }

    /// Standard deviation of log times.
    fn spread(&self) -> f64 {
        self.scale * self.distribution.moments().1
    }

    fn score(&self, cell: usize, y: f64) -> f64 {
        let Some(m) = self.centre(cell) else { return y };
        let w = (y - m) / self.scale + self.distribution.median();
        // From the nearer tail, which keeps its digits.
        let tail = |log: f64| normal_quantile(libm::exp(log).max(f64::MIN_POSITIVE));
        let term = if y > m { self.distribution.log_survival(w) } else { self.distribution.log_cumulative(w) };
        let far = self.spread() * -tail(term.value);
        if y > m { m + far.min(y - m) } else { m - far.min(m - y) }
    }

    /// The log time of a score in the cell at this place.
    pub(super) fn log_time(&self, cell: usize, score: f64) -> f64 {
        let Some(m) = self.centre(cell) else { return score };
        let z = (score - m) / self.spread();
        let tail = normal_cdf(-z.abs()).max(f64::MIN_POSITIVE);
        let w = match self.distribution {
            _ if z <= 0.0 => self.distribution.quantile(tail),
            // The upper quantile by what is left above it.
            Distribution::Weibull => libm::log(-libm::log(tail)),
            Distribution::LogNormal | Distribution::LogLogistic => -self.distribution.quantile(tail),
        };
        let far = (self.scale * (w - self.distribution.median())).abs();
        if score > m { m + far.max(score - m) } else { m - far.max(m - score) }
    }

    /// Place of a cell among `cells`.
    pub(super) fn place(cells: &Cells, cell: &Cell) -> usize {
        cells.cells.partition_point(|c| c.start < cell.start)
    }
}

/// Median of |W − median|: half of W lies within it.
fn median_deviation(distribution: Distribution) -> f64 {
    let m = distribution.median();
    let within = |a: f64| {
        let outside =
            libm::exp(distribution.log_cumulative(m - a).value) + libm::exp(distribution.log_survival(m + a).value);
        0.5 - outside
    };
    root(within, 0.0, 3.0).unwrap_or(1.0)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Half of a Gumbel variable lies within 0.767049 of its median, of a logistic one within ln 3 (scipy 1.17.1,
    /// `median_abs_deviation` of `gumbel_l` and `logistic`).
    #[test]
    fn median_deviations_are_the_known_ones() {
        assert!((median_deviation(Distribution::Weibull) - 0.767_049).abs() < 1e-6);
        assert!((median_deviation(Distribution::LogLogistic) - 3_f64.ln()).abs() < 1e-9);
    }

    #[test]
    fn scores_are_normal_where_tails_are_long_keep_the_order_and_come_back() {
        for distribution in [Distribution::Weibull, Distribution::LogLogistic] {
            let scores = Scores { distribution, scale: 0.3, centres: vec![Some(1.2)] };
            let mut before = f64::NEG_INFINITY;
            for i in 1..200 {
                let p = f64::from(i) / 200.0;
                let y = 1.2 + 0.3 * (distribution.quantile(p) - distribution.median());
                let score = scores.score(0, y);
                let normal = scores.spread() * normal_quantile(p);
                let want = if normal.abs() < (y - 1.2).abs() { 1.2 + normal } else { y };
                assert!((score - want).abs() < 1e-12 && score > before);
                assert!((scores.log_time(0, score) - y).abs() < 1e-9, "{distribution:?} {p}");
                before = score;
            }
            assert!(scores.score(0, 1e3).is_finite() && scores.score(0, -1e3).is_finite());
        }
    }
}
