//! Control charts of subgroups: their means, and how single readings scatter within them.
//!
//! A subgroup is what was read together, the n drops of the reference cloth at the beginning of a day, say. Its mean of log
//! time is a point of a [`ControlChart`] whose limits come from the means of the base period, so that they hold what days
//! share: limits from within subgroups alone (x̄ ± A₂ R̄) alarm on every ordinary day. Scatter has a chart of its own: `s_i²/s_p²`, s_p pooled over the m subgroups of the
//! base, follows F with n − 1 and m (n − 1) degrees of freedom; its limits leave 0.135 % at either end, which for n = 5
//! and a long base is where `B₄ s̄` leaves 0.39 % above and nothing below (e-Handbook 6.3.2.1).

use std::fmt;

use serde::Serialize;

use super::chart::{Chart, ControlChart};
use crate::error::{ErrorKind, Result};
use crate::estimate::significant;
use crate::numeric::root::root;
use crate::numeric::special::{f_survival, normal_cdf, normal_quantile};

/// Scatter within one subgroup.
///
/// ```
/// use surface_severity::laboratory::Chart;
/// let readings: Vec<_> = (0..8).map(|day| (format!("day {day}"), vec![4.0, 4.2 + 0.02 * f64::from(day), 3.9])).collect();
/// let point = &Chart::new(5).of_subgroups(&readings)?.1.points[7];
/// assert!(point.label == "day 7" && !point.beyond_limits && point.log_standard_deviation > 0.03);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct SubgroupPoint {
    /// What was read.
    pub label: String,
    /// Standard deviation of log time within it.
    pub log_standard_deviation: f64,
    /// Its place in the distribution in control, as a normal score: ±3 at the limits.
    pub score: f64,
    /// Whether it lies beyond the limits; never in the base period.
    pub beyond_limits: bool,
}

/// Scatter within subgroups of one size, in the order in which they were read.
///
/// ```
/// use surface_severity::laboratory::Chart;
/// // A loose clamp on the last day: the mean does not show it.
/// let mut readings: Vec<_> = (0..8).map(|d| (format!("day {d}"), [4.0, 4.2, 3.8].map(|t| t + 0.1 * f64::from(d % 4)).to_vec())).collect();
/// readings.push(("day 8".into(), vec![2.9, 4.1, 5.8]));
/// let (means, scatter) = Chart::new(6).of_subgroups(&readings)?;
/// assert!(means.in_control() && !scatter.in_control());
/// assert!(scatter.to_string().contains("day 8"), "{scatter}");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct SubgroupScatter {
    /// Subgroups of the base period.
    pub base: usize,
    /// Standard deviation of log time, pooled over the base.
    pub log_standard_deviation: f64,
    /// Lower limit of that of one subgroup.
    pub lower: f64,
    /// Upper limit.
    pub upper: f64,
    /// Every subgroup, base period first.
    pub points: Vec<SubgroupPoint>,
}

impl SubgroupScatter {
    /// Whether no subgroup lies beyond the limits.
    #[must_use]
    pub fn in_control(&self) -> bool {
        !self.points.iter().any(|p| p.beyond_limits)
    }
}

impl fmt::Display for SubgroupScatter {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (after, percent) = (self.points.len() - self.base, |s: f64| significant(100.0 * libm::expm1(s), 2));
        write!(f, "Scatter within {after} subgroups after a base period of {}: ", self.base)?;
        match self.points.iter().find(|p| p.beyond_limits) {
            None => f.write_str("in control")?,
            Some(first) => write!(f, "out of control from {}", first.label)?,
        }
        let (mid, low, high) = (percent(self.log_standard_deviation), percent(self.lower), percent(self.upper));
        write!(f, "; {mid} % between drops, limits {low} to {high} %.")
    }
}

impl Chart {
    /// Charts times in s that were read in subgroups of one size, two readings or more: the means by the rules of this chart,
    /// and the scatter within them by its limits.
    ///
    /// ```
    /// use surface_severity::laboratory::Chart;
    /// let readings: Vec<_> =
    ///     (0..9).map(|d| (format!("day {d}"), [1.0, 1.05, 0.97].map(|r| r * (4.0 + 0.1 * f64::from(d % 4))).to_vec())).collect();
    /// let (means, scatter) = Chart::new(6).of_subgroups(&readings)?;
    /// assert!(means.in_control() && scatter.in_control());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of [`of_times`](Self::of_times); [`ErrorKind::InvalidOption`] for subgroups of unlike size or of single readings.
    #[allow(clippy::cast_precision_loss)]
    pub fn of_subgroups(&self, readings: &[(String, Vec<f64>)]) -> Result<(ControlChart, SubgroupScatter)> {
        let size = readings.first().map_or(0, |r| r.1.len());
        let mut means = Vec::with_capacity(readings.len());
        let mut variances = Vec::with_capacity(readings.len());
        for (label, times) in readings {
            if times.len() != size || size < 2 {
                let expected = format!("{} readings, as every subgroup has", size.max(2));
                return Err(ErrorKind::option(&format!("readings of {label}"), times.len(), &expected));
            }
            if let Some((time, expected)) = times.iter().find_map(|t| Some((t, crate::campaign::refuse_time(*t)?))) {
                return Err(ErrorKind::option(&format!("time of {label}"), time, &expected));
            }
            let logs: Vec<f64> = times.iter().map(|t| libm::log(*t)).collect();
            let mean = logs.iter().sum::<f64>() / size as f64;
            means.push((label.clone(), mean));
            variances.push(logs.iter().map(|x| (x - mean) * (x - mean)).sum::<f64>() / (size - 1) as f64);
        }
        let chart = self.of_values(&means, None)?;
        let pooled = variances[..chart.base].iter().sum::<f64>() / chart.base as f64;
        if pooled <= 0.0 {
            let reason = "the readings of each subgroup of the base period are equal".into();
            return Err(ErrorKind::ScatterNotEstimable { reason }.into());
        }
        let (own, base) = ((size - 1) as f64, (chart.base * (size - 1)) as f64);
        let tail = normal_cdf(-3.0);
        // Ratios whose tails are those of three standard deviations.
        let upper = limit(|f| f_survival(f, own, base) / tail)?;
        let lower = 1.0 / limit(|f| f_survival(f, base, own) / tail)?;
        let point = |(i, (label, variance)): (usize, (String, f64))| {
            let f = variance / pooled;
            let (above, below) = (f_survival(f, own, base), f_survival(1.0 / f.max(f64::MIN_POSITIVE), base, own));
            let of = |tail: f64| -normal_quantile(tail.max(f64::MIN_POSITIVE));
            let score = if above < below { of(above) } else { -of(below) };
            SubgroupPoint {
                label,
                log_standard_deviation: libm::sqrt(variance),
                score,
                beyond_limits: i >= chart.base && !(lower..=upper).contains(&f),
            }
        };
        let labelled = means.into_iter().map(|m| m.0).zip(variances);
        let scatter = SubgroupScatter {
            base: chart.base,
            log_standard_deviation: libm::sqrt(pooled),
            lower: libm::sqrt(lower * pooled),
            upper: libm::sqrt(upper * pooled),
            points: labelled.enumerate().map(point).collect(),
        };
        Ok((chart, scatter))
    }
}

/// Where a falling share of a tail is 1.
fn limit(share: impl Fn(f64) -> f64) -> Result<f64> {
    let found = root(|log| share(libm::exp(log)) - 1.0, 0.0, 60.0);
    let reason = || ErrorKind::ScatterNotEstimable { reason: "too few readings for limits of their scatter".into() };
    Ok(libm::exp(found.ok_or_else(reason)?))
}

#[cfg(test)]
mod tests {
    use super::*;

    /// n = 5 and a base without end: mean of s over σ is c4 = 0.939986, B4 = 1 + 3 √(1 − c4²)/c4 = 2.08900 (chart constants,
    /// e-Handbook 6.3.2.1), both integrals of the tail that the limits are read from.
    #[test]
    fn the_distribution_of_scatter_has_the_chart_constants() {
        let step = 1e-3;
        let mean: f64 = (0..6000).map(|i| step * f_survival((step * (f64::from(i) + 0.5)).powi(2), 4.0, 1e9)).sum();
        assert!((mean - 0.939_986).abs() < 2e-6, "{mean}");
        let b4 = 1.0 + 3.0 * (1.0 - mean * mean).sqrt() / mean;
        assert!((b4 - 2.089_00).abs() < 1e-5, "{b4}");
    }

    /// Alarms of scatter in control: 0.27 %, in 20 000 subgroups of 4 after a base of 12 each.
    #[test]
    fn limits_of_scatter_alarm_as_often_as_they_say() {
        use rand::SeedableRng;
        use rand_distr::{Distribution, StandardNormal};
        let mut rng = rand::rngs::ChaCha8Rng::seed_from_u64(3);
        let mut alarms = 0;
        for _ in 0..1000 {
            let mut one = || -> f64 {
                let z: f64 = StandardNormal.sample(&mut rng);
                (0.1 * z).exp()
            };
            let readings: Vec<_> = (0..32).map(|d| (d.to_string(), (0..4).map(|_| one()).collect())).collect();
            let (_, scatter) = Chart::new(12).of_subgroups(&readings).unwrap();
            alarms += scatter.points.iter().filter(|p| p.beyond_limits).count();
            let p = scatter.points.iter().filter(|p| p.score.abs() > 3.0).count();
            assert!(p >= scatter.points.iter().filter(|p| p.beyond_limits).count());
        }
        // 54 expected; shared bases make it somewhat wider than binomial.
        assert!((30..=85).contains(&alarms), "{alarms}");
    }

    #[test]
    fn what_is_no_subgroup_is_refused() {
        let of = |last: Vec<f64>| {
            let mut readings: Vec<_> = (0..6).map(|d| (d.to_string(), vec![1.0, 1.1 + 0.01 * f64::from(d)])).collect();
            readings.push(("last".into(), last));
            Chart::new(5).of_subgroups(&readings)
        };
        assert!(of(vec![1.0, 1.2]).is_ok());
        assert!(of(vec![1.0]).unwrap_err().to_string().contains("last") && of(vec![1.0, 0.0]).is_err());
        let equal: Vec<_> = (0..7).map(|d| (d.to_string(), vec![1.0 + f64::from(d); 2])).collect();
        assert!(Chart::new(5).of_subgroups(&equal).is_err() && Chart::new(5).of_subgroups(&[]).is_err());
    }
}
