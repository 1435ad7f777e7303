//! Control charts of one quantity read again and again: single readings, run rules, moving average, cumulative sums.
//!
//! Of the m points of the base period come the mean x̄ and the standard deviation s. A further point lies within
//! `x̄ ± t s √(1 + 1/m)`, t with m − 1 degrees of freedom at the tail of three standard deviations (0.27 %): with plain
//! `± 3 s` of ten base points one point in 53 would lie outside in control. Run rules read `t` back as a normal score.
//!
//! Moving average: `z_i = λ x_i + (1 − λ) z_{i−1}`, `z_0 = x̄`, within `x̄ ± t s √(λ/(2 − λ) (1 − (1 − λ)^{2i}) + 1/m)`, t at
//! the tail of L standard deviations (e-Handbook 6.3.2.4; the 1/m is what the base leaves unknown of x̄). Cumulative sums:
//! `S⁺_i = max(0, S⁺_{i−1} + x_i − x̄ − k s)`, likewise downwards, a signal above `h s` (6.3.2.3).
//!
//! | signal | points from one false alarm to the next, in control | points until it speaks after a shift of one s |
//! |---|---|---|
//! | [`Signal::BeyondLimits`] | 370 | 44 |
//! | the four run rules together | 92 | 9 |
//! | [`Signal::MovingAverage`] (λ 0.2, L 2.962) | 500 | 11 |
//! | [`Signal::CumulativeSum`] (k 0.5, h 5) | 465 | 10 |
//!
//! Run lengths of a known mean and scatter: Champ & Woodall 1987 (Technometrics 29, 393–399) for the rules; R package spc for
//! the others. By default points beyond the limits and the moving average speak.

use std::cmp::Ordering;
use std::fmt;

use serde::Serialize;

use crate::campaign::{Outcome, Trial};
use crate::error::{ErrorKind, Result};
use crate::estimate::significant;
use crate::numeric::special::{normal_cdf, normal_quantile, t_quantile, t_survival};
use crate::severity::SeverityFit;

/// What speaks against control at a point.
///
/// ```
/// use surface_severity::laboratory::Signal;
/// assert_eq!(Signal::TwoOfThree.to_string(), "two of three beyond two standard deviations on one side");
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, PartialOrd, Ord, Serialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Signal {
    /// The point lies beyond the limits.
    BeyondLimits,
    /// Two of three points in a row lie beyond two standard deviations on one side.
    TwoOfThree,
    /// Four of five points in a row lie beyond one standard deviation on one side.
    FourOfFive,
    /// Eight points in a row lie on one side of the mean.
    EightOnOneSide,
    /// The exponentially weighted moving average lies beyond its limits.
    MovingAverage,
    /// A cumulative sum exceeds its bound.
    CumulativeSum,
}

impl fmt::Display for Signal {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::BeyondLimits => "beyond the limits",
            Self::TwoOfThree => "two of three beyond two standard deviations on one side",
            Self::FourOfFive => "four of five beyond one standard deviation on one side",
            Self::EightOnOneSide => "eight in a row on one side of the mean",
            Self::MovingAverage => "the moving average beyond its limits",
            Self::CumulativeSum => "the cumulative sum beyond its bound",
        })
    }
}

/// How to chart: plain data, checked when readings are given.
///
/// | option | default | range | meaning |
/// |---|---|---|---|
/// | base | required | 4 and more | points of the base period, the first ones |
/// | rules | beyond limits, moving average | [`Signal`]s | what speaks |
/// | smoothing | λ 0.2, L 2.962 | 0 < λ ≤ 1, L > 0 | moving average and its limits |
/// | sums | k 0.5, h 5 | > 0 | cumulative sums, in standard deviations |
///
/// ```
/// use surface_severity::laboratory::{Chart, Signal};
/// // Seconds of the reference cloth on one belt; the last three drops were read on a new grit.
/// let times = [4.0, 4.2, 3.9, 4.1, 4.3, 4.0, 3.8, 4.1, 4.0, 4.2, 3.1, 3.0, 3.1];
/// let readings: Vec<(String, f64)> = times.iter().enumerate().map(|(i, t)| (format!("drop {i}"), *t)).collect();
/// let chart = Chart::new(10).of_times(&readings)?;
/// let first = chart.points.iter().find(|p| !p.signals.is_empty()).unwrap();
/// assert_eq!((first.label.as_str(), first.signals[0]), ("drop 10", Signal::BeyondLimits));
/// println!("{chart}");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Chart {
    base: usize,
    rules: Vec<Signal>,
    smoothing: (f64, f64),
    sums: (f64, f64),
}

impl Chart {
    /// A chart whose first `base` points are its base period.
    ///
    /// ```
    /// use surface_severity::laboratory::Chart;
    /// let few = [("a".to_owned(), 4.0), ("b".to_owned(), 4.2)];
    /// assert!(Chart::new(2).of_times(&few).is_err(), "at least four base points");
    /// ```
    #[must_use]
    pub fn new(base: usize) -> Self {
        let rules = vec![Signal::BeyondLimits, Signal::MovingAverage];
        Self { base, rules, smoothing: (0.2, 2.962), sums: (0.5, 5.0) }
    }

    /// Sets what speaks.
    #[must_use]
    pub fn rules(mut self, rules: impl IntoIterator<Item = Signal>) -> Self {
        self.rules = rules.into_iter().collect();
        self
    }

    /// Sets λ of the moving average, and its limits in standard deviations.
    #[must_use]
    pub fn smoothing(mut self, lambda: f64, limits: f64) -> Self {
        self.smoothing = (lambda, limits);
        self
    }

    /// Sets allowance k and bound h of the cumulative sums, in standard deviations.
    #[must_use]
    pub fn sums(mut self, allowance: f64, bound: f64) -> Self {
        self.sums = (allowance, bound);
        self
    }

    /// Charts times in s, in the order in which they were read, on log time.
    ///
    /// ```
    /// use surface_severity::laboratory::Chart;
    /// let readings: Vec<_> = (0..8).map(|i| (i.to_string(), 4.0 + 0.1 * f64::from(i % 3))).collect();
    /// let chart = Chart::new(5).of_times(&readings)?;
    /// assert_eq!(chart.points.len(), 8);
    /// assert!(chart.lower_s() < 4.0 && chart.upper_s() > 4.2);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] (a time that no clock gives, options out of range); [`ErrorKind::TooFew`] base points, or
    /// none after them; [`ErrorKind::ScatterNotEstimable`] where the base points are equal.
    pub fn of_times(&self, readings: &[(String, f64)]) -> Result<ControlChart> {
        for (label, time) in readings {
            if let Some(expected) = crate::campaign::refuse_time(*time) {
                return Err(ErrorKind::option(&format!("time of {label}"), time, &expected));
            }
        }
        let x: Vec<(String, f64)> = readings.iter().map(|(label, t)| (label.clone(), libm::log(*t))).collect();
        self.of_values(&x, None)
    }

    /// Charts the exact times of `cloth` on `surface`, at the nominal values of the fit's covariates (a fresh belt, say), in the
    /// order of days, runs, belts, drops and trial ids, numbers in them by their value.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// use surface_severity::laboratory::Chart;
    /// use surface_severity::severity::Severity;
    /// let fit = Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// let cloth = &fit.materials()[0].material;
    /// let error = Chart::new(10).of_cloth(&fit, &campaign, cloth, "laboratory belt").unwrap_err();
    /// assert!(error.to_string().contains("points"), "six drops are no control chart");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of [`of_times`](Self::of_times); [`ErrorKind::UnknownSurface`], [`ErrorKind::UnknownMaterial`];
    /// [`ErrorKind::InvalidOption`] for a campaign other than the fitted one.
    pub fn of_cloth(
        &self,
        fit: &SeverityFit,
        campaign: &crate::campaign::Campaign,
        cloth: &str,
        surface: &str,
    ) -> Result<ControlChart> {
        if campaign.digest() != fit.campaign_digest() {
            return Err(ErrorKind::option("campaign", campaign.digest(), "the campaign that was fitted"));
        }
        fit.placed(cloth, surface)?;
        let mut drops: Vec<(&Trial, f64)> = Vec::new();
        for (i, trial) in campaign.trials().iter().enumerate() {
            if trial.material == cloth && trial.surface == surface && trial.outcome == Outcome::Perforated {
                let time = trial.abrasion_time_s.unwrap_or(1.0);
                drops.push((trial, libm::log(time) - fit.shift().map_or(0.0, |s| s[i])));
            }
        }
        drops.sort_by(|a, b| in_order(a.0, b.0));
        let label = |t: &Trial| t.day.as_ref().map_or_else(|| t.trial_id.clone(), |d| format!("{d}, {}", t.trial_id));
        let readings: Vec<(String, f64)> = drops.into_iter().map(|(t, x)| (label(t), x)).collect();
        self.of_values(&readings, None)
    }

    fn check(&self) -> Result<()> {
        let (lambda, limits) = self.smoothing;
        for (name, value, fine) in [
            ("smoothing", lambda, lambda > 0.0 && lambda <= 1.0),
            ("limits of the moving average", limits, limits > 0.0 && limits < 30.0),
            ("allowance", self.sums.0, self.sums.0 > 0.0 && self.sums.0.is_finite()),
            ("bound", self.sums.1, self.sums.1 > 0.0 && self.sums.1.is_finite()),
        ] {
            if !fine {
                return Err(ErrorKind::option(name, value, "within its range"));
            }
        }
        Ok(())
    }

    /// `known`: mean and standard deviation, where they are not those of the base points.
    #[allow(clippy::cast_precision_loss)]
    pub(super) fn of_values(&self, readings: &[(String, f64)], known: Option<(f64, f64)>) -> Result<ControlChart> {
        self.check()?;
        let m = self.base;
        let few = |what: &str, needed: usize, found: usize| {
            let (method, what) = ("a control chart".into(), what.into());
            crate::Error::from(ErrorKind::TooFew { method, what, needed, found })
        };
        if m < 4 && known.is_none() {
            return Err(few("points in the base period", 4, m));
        }
        if readings.len() <= m {
            return Err(few("points, so that some follow the base period", m.saturating_add(1), readings.len()));
        }
        let x: Vec<f64> = readings.iter().map(|r| r.1).collect();
        let (centre, sd, share, df) = match known {
            Some((centre, sd)) => (centre, sd, 0.0, f64::INFINITY),
            None => {
                let centre = x[..m].iter().sum::<f64>() / m as f64;
                let squares: f64 = x[..m].iter().map(|v| (v - centre) * (v - centre)).sum();
                (centre, libm::sqrt(squares / (m - 1) as f64), 1.0 / m as f64, (m - 1) as f64)
            }
        };
        if sd <= 1e-12 * centre.abs().max(1.0) {
            return Err(
                ErrorKind::ScatterNotEstimable { reason: "the points of the base period are equal".into() }.into()
            );
        }
        let at = |deviations: f64| -t_quantile(normal_cdf(-deviations), df);
        let half = at(3.0) * sd * libm::sqrt(1.0 + share);
        let mut chart = ControlChart {
            base: m,
            log_centre: centre,
            log_standard_deviation: sd,
            log_lower: centre - half,
            log_upper: centre + half,
            rules: self.rules.clone(),
            points: Vec::with_capacity(x.len()),
        };
        let (lambda, limits) = self.smoothing;
        let ((mut average, mut up, mut down), mut decay) = ((centre, 0.0_f64, 0.0_f64), 1.0);
        let mut scores: Vec<f64> = Vec::new();
        for ((label, value), i) in readings.iter().zip(0..) {
            let t = (value - centre) / (sd * libm::sqrt(1.0 + share));
            let tail = t_survival(t.abs(), df).max(f64::MIN_POSITIVE);
            scores.push(-normal_quantile(tail) * t.signum());
            average = lambda * value + (1.0 - lambda) * average;
            decay *= (1.0 - lambda) * (1.0 - lambda);
            let spread = at(limits) * sd * libm::sqrt(lambda / (2.0 - lambda) * (1.0 - decay) + share);
            up = (up + value - centre - self.sums.0 * sd).max(0.0);
            down = (down + centre - value - self.sums.0 * sd).max(0.0);
            let speaks = |rule: Signal| match rule {
                Signal::MovingAverage => (average - centre).abs() > spread,
                Signal::CumulativeSum => up.max(down) > self.sums.1 * sd,
                rule => run_rule(rule, &scores),
            };
            // The base period made the limits: it cannot be out of them by the same measure.
            let signals = if i < m { Vec::new() } else { self.rules.iter().copied().filter(|&r| speaks(r)).collect() };
            chart.points.push(ChartPoint {
                label: label.clone(),
                log_value: *value,
                score: scores[i],
                log_average: average,
                log_average_half_width: spread,
                log_sum_up: up,
                log_sum_down: down,
                signals,
            });
        }
        Ok(chart)
    }
}

/// Whether a run rule speaks at the last of these normal scores.
fn run_rule(rule: Signal, scores: &[f64]) -> bool {
    let run = |of: usize, needed: usize, beyond: f64| {
        let Some(from) = scores.len().checked_sub(of) else { return false };
        let last = scores[scores.len() - 1];
        let side = last.signum();
        let out = |s: &&f64| **s * side > beyond;
        out(&&last) && scores[from..].iter().filter(out).count() >= needed
    };
    match rule {
        Signal::BeyondLimits => run(1, 1, 3.0),
        Signal::TwoOfThree => run(3, 2, 2.0) || (scores.len() == 2 && run(2, 2, 2.0)),
        Signal::FourOfFive => run(5, 4, 1.0) || (scores.len() == 4 && run(4, 4, 1.0)),
        Signal::EightOnOneSide => run(8, 8, 0.0),
        Signal::MovingAverage | Signal::CumulativeSum => false,
    }
}

/// Day, run, belt, drop, id.
fn in_order(a: &Trial, b: &Trial) -> Ordering {
    let text = |a: Option<&String>, b: Option<&String>| natural(a.map_or("", |s| s), b.map_or("", |s| s));
    text(a.day.as_ref(), b.day.as_ref())
        .then_with(|| text(a.run.as_ref(), b.run.as_ref()))
        .then_with(|| text(a.belt.as_ref(), b.belt.as_ref()))
        .then_with(|| a.belt_drop.unwrap_or(-1.0).total_cmp(&b.belt_drop.unwrap_or(-1.0)))
        .then_with(|| natural(&a.trial_id, &b.trial_id))
}

/// `day 2` before `day 10`.
fn natural(a: &str, b: &str) -> Ordering {
    let parts = |s: &str| -> Vec<(String, u128)> {
        let mut found: Vec<(String, u128)> = vec![(String::new(), 0)];
        for c in s.chars() {
            let last = found.len() - 1;
            match c.to_digit(10) {
                Some(d) => found[last].1 = found[last].1.saturating_mul(10).saturating_add(u128::from(d)),
                None if s.is_empty() => {}
                None => {
                    if found[last].1 > 0 {
                        found.push((String::new(), 0));
                    }
                    let last = found.len() - 1;
                    found[last].0.push(c);
                }
            }
        }
        found
    };
    parts(a).cmp(&parts(b)).then_with(|| a.cmp(b))
}

/// A point of a chart.
///
/// ```
/// use surface_severity::laboratory::Chart;
/// let readings: Vec<_> = (0..8).map(|i| (i.to_string(), 4.0 + 0.1 * f64::from(i % 3))).collect();
/// let point = &Chart::new(5).of_times(&readings)?.points[6];
/// assert!((point.log_value - 4.0_f64.ln()).abs() < 1e-12 && point.signals.is_empty());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct ChartPoint {
    /// What was read.
    pub label: String,
    /// Log time.
    pub log_value: f64,
    /// Its distance from the centre as a normal score: ±3 at the limits.
    pub score: f64,
    /// Moving average of log time.
    pub log_average: f64,
    /// Limits of that lie so far from the centre.
    pub log_average_half_width: f64,
    /// Cumulative sum of what lies above, less the allowance.
    pub log_sum_up: f64,
    /// The same below.
    pub log_sum_down: f64,
    /// What speaks here; nothing in the base period.
    pub signals: Vec<Signal>,
}

/// A control chart: the limits, and every point with what speaks there.
///
/// ```
/// use surface_severity::laboratory::Chart;
/// let readings: Vec<_> = (0..9).map(|i| (format!("drop {i}"), 4.0 + 0.1 * f64::from(i % 3))).collect();
/// let chart = Chart::new(6).of_times(&readings)?;
/// assert!(chart.in_control());
/// assert!(chart.to_string().starts_with("3 points after a base period of 6: in control"), "{chart}");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct ControlChart {
    /// Points of the base period.
    pub base: usize,
    /// Mean of log time in it.
    pub log_centre: f64,
    /// Standard deviation of log time in it.
    pub log_standard_deviation: f64,
    /// Lower limit of log time.
    pub log_lower: f64,
    /// Upper limit of log time.
    pub log_upper: f64,
    /// What could speak.
    pub rules: Vec<Signal>,
    /// Every point, base period first.
    pub points: Vec<ChartPoint>,
}

impl ControlChart {
    /// Whether nothing speaks at any point.
    #[must_use]
    pub fn in_control(&self) -> bool {
        self.points.iter().all(|p| p.signals.is_empty())
    }
    /// Lower limit, s.
    #[must_use]
    pub fn lower_s(&self) -> f64 {
        libm::exp(self.log_lower)
    }
    /// Upper limit, s.
    #[must_use]
    pub fn upper_s(&self) -> f64 {
        libm::exp(self.log_upper)
    }
}

impl fmt::Display for ControlChart {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let after = self.points.len() - self.base;
        let noun = if after == 1 { "point" } else { "points" };
        write!(f, "{after} {noun} after a base period of {}: ", self.base)?;
        let speaking: Vec<&ChartPoint> = self.points.iter().filter(|p| !p.signals.is_empty()).collect();
        match speaking.first() {
            None => f.write_str("in control")?,
            Some(first) => {
                let rules: Vec<String> = first.signals.iter().map(ToString::to_string).collect();
                write!(
                    f,
                    "out of control from {} ({}), {} points in all",
                    first.label,
                    rules.join("; "),
                    speaking.len()
                )?;
            }
        }
        let seconds = |log: f64| significant(libm::exp(log), 3);
        let (mid, low, high) = (seconds(self.log_centre), seconds(self.log_lower), seconds(self.log_upper));
        write!(f, "; median {mid} s, limits {low} to {high} s.")
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn readings(x: &[f64]) -> Vec<(String, f64)> {
        x.iter().enumerate().map(|(i, v)| (i.to_string(), *v)).collect()
    }

    /// NIST/SEMATECH e-Handbook 6.3.2.4: λ 0.3, target 50, s 2.0539, limits of 3 standard deviations.
    #[test]
    fn moving_averages_are_those_of_the_handbook() {
        let text = include_str!("../../tests/data/ewma_nist.csv");
        let y: Vec<f64> = text.lines().skip(2).map(|l| l.trim().parse().unwrap()).collect();
        let want = [
            50.60, 49.52, 50.564, 50.1848, 50.1594, 49.2116, 49.7481, 49.8537, 50.2576, 50.3303, 50.1112, 49.3578,
            49.5205, 50.0543, 49.3780, 49.9246, 50.7272, 51.2291, 51.9403, 51.9882,
        ];
        let chart = Chart::new(0).smoothing(0.3, 3.0).of_values(&readings(&y), Some((50.0, 2.0539))).unwrap();
        for (point, want) in chart.points.iter().zip(want) {
            assert!((point.log_average - want).abs() < 6e-5, "{} {want}", point.log_average);
        }
        // Start-up widths and the last one, which is that of a long series (2.588431738) to the handbook's digits.
        for (point, want) in chart.points.iter().zip([1.8485, 2.2564, 2.4314]) {
            assert!((point.log_average_half_width - want).abs() < 6e-5);
        }
        assert!((chart.points[19].log_average_half_width - 2.588_431_738).abs() < 2e-6);
        assert!(chart.in_control());
    }

    /// e-Handbook 6.3.2.3: k 0.3175, h 4.1959, target 325; upper sums at points 13 to 16, the first signal at 14. Data typed from
    /// memory, recomputed.
    #[test]
    fn cumulative_sums_are_those_of_the_handbook() {
        let y = [
            324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600, 324.625, 325.150,
            328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350,
        ];
        let chart = Chart::new(0)
            .sums(0.3175, 4.1959)
            .rules([Signal::CumulativeSum])
            .of_values(&readings(&y), Some((325.0, 1.0)));
        let points = chart.unwrap().points;
        for (point, want) in points[12..16].iter().zip([3.0075, 4.94, 7.4475, 10.63]) {
            assert!((point.log_sum_up - want).abs() < 1e-9, "{} {want}", point.log_sum_up);
        }
        assert_eq!(points.iter().position(|p| !p.signals.is_empty()), Some(13));
    }

    /// Factors of s for a further point at 0.27 %, of R: qt(0.99865, m − 1) √(1 + 1/m); those for 10, 20 and 30 points.
    #[test]
    fn limits_from_few_base_points_are_student_t() {
        for (m, want) in [(10_u32, 4.2941), (20, 3.5324), (30, 3.3347)] {
            let x: Vec<f64> = (0..=m).map(|i| f64::from(i % 7)).collect();
            let chart = Chart::new(m as usize).of_values(&readings(&x), None).unwrap();
            let factor = (chart.log_upper - chart.log_centre) / chart.log_standard_deviation;
            assert!((factor - want).abs() < 6e-5, "{m}: {factor}");
        }
    }

    /// e-Handbook 6.3.2.2, flow rates: mean 50.81 (data typed from memory). The handbook's limits, 45.82 and 55.80, rest on moving
    /// ranges and three standard deviations; those here on s and t with 9 degrees of freedom, 4.2941 s off (R).
    #[test]
    fn single_readings_of_the_handbook() {
        let y = [49.6, 47.6, 49.9, 51.3, 47.8, 51.2, 52.6, 52.4, 53.6, 52.1, 50.0];
        let chart = Chart::new(10).of_values(&readings(&y), None).unwrap();
        assert!((chart.log_centre - 50.81).abs() < 1e-9);
        let squares: f64 = y[..10].iter().map(|x| (x - 50.81) * (x - 50.81)).sum();
        let want = 4.2941 * (squares / 9.0).sqrt();
        assert!((chart.log_upper - chart.log_centre - want).abs() < 2e-4 && chart.in_control());
        // Ten points whose scatter is itself a guess: limits wider than the handbook's on the same data.
        assert!(chart.log_upper > 55.81 && chart.log_lower < 45.81);
    }

    /// Average run lengths in control and after a shift of one standard deviation: 370.4 and 43.9 for the limits alone, 91.75
    /// and 9.22 for the four rules (Champ & Woodall 1987); moving average 499.7 and 10.54, cumulative sums 465.4 and 10.38
    /// (R package spc). Simulated, with known mean and scatter.
    #[test]
    fn run_lengths_are_the_published_ones() {
        use rand::SeedableRng;
        use rand_distr::{Distribution, StandardNormal};
        let four = [Signal::BeyondLimits, Signal::TwoOfThree, Signal::FourOfFive, Signal::EightOnOneSide];
        for (rules, in_control, shifted) in [
            (vec![Signal::BeyondLimits], 370.4, 43.9),
            (four.to_vec(), 91.75, 9.22),
            (vec![Signal::MovingAverage], 499.7, 10.54),
            (vec![Signal::CumulativeSum], 465.4, 10.38),
        ] {
            for (shift, want, runs, long) in [(0.0, in_control, 500, 4000), (1.0, shifted, 1500, 600)] {
                let mut rng = rand::rngs::ChaCha8Rng::seed_from_u64(11);
                let lengths: Vec<f64> = (0..runs)
                    .map(|_| {
                        let mut x = Vec::new();
                        // In pieces: most runs are short.
                        loop {
                            let more = x.len().max(40);
                            x.extend((0..more).map(|_| -> f64 {
                                let z: f64 = StandardNormal.sample(&mut rng);
                                z + shift
                            }));
                            let plan = Chart::new(0).rules(rules.clone());
                            // Asymptotic limits, as the published ones.
                            let chart = plan.of_values(&readings(&x), Some((0.0, 1.0))).unwrap();
                            if let Some(at) = chart.points.iter().position(|p| !p.signals.is_empty()) {
                                return (at + 1) as f64;
                            }
                            if x.len() > long {
                                return x.len() as f64;
                            }
                        }
                    })
                    .collect();
                let mean = lengths.iter().sum::<f64>() / lengths.len() as f64;
                let error = mean / (lengths.len() as f64).sqrt();
                assert!((mean - want).abs() < 4.0 * error + 0.03 * want, "{rules:?} {shift}: {mean} {want}");
            }
        }
    }

    #[test]
    fn labels_with_numbers_come_in_their_order() {
        assert_eq!(natural("day 2", "day 10"), Ordering::Less);
        assert_eq!(natural("2026-09-03", "2026-10-01"), Ordering::Less);
        assert_eq!(natural("a", "a"), Ordering::Equal);
        assert_eq!(natural("b1 x2", "b1 x10"), Ordering::Less);
    }

    #[test]
    fn what_is_no_chart_is_refused() {
        let of = |x: &[f64]| Chart::new(5).of_times(&readings(x));
        assert!(of(&[1.0; 5]).is_err() && of(&[1.0; 8]).is_err());
        assert!(of(&[1.0, 1.1, 1.2, 1.1, 1.0, -1.0]).is_err());
        assert!(Chart::new(5).smoothing(0.0, 3.0).of_times(&readings(&[1.0, 1.1, 1.2, 1.1, 1.0, 1.0])).is_err());
    }
}
