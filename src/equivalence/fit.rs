//! The plan ([`Equivalence`]) and its result ([`EquivalenceFit`]).

use serde::{Deserialize, Serialize};

use super::line::{LineCovariance, Scatter, ScatterEstimator, count, random_effects, two_sided_p, york_with_scatter};
use super::record::{agree, all_at_least_zero, all_finite, record};
use super::special::t_quantile;
use super::tost::{Tost, check_alpha, check_bounds, holm, tost};
use crate::campaign::{Campaign, SurfaceRole};
use crate::error::{ErrorKind, Result};
use crate::estimate::{BoundSide, Estimate, Interval, IntervalMethod, check_level};
use crate::severity::{CellMeans, Distribution, SeverityFit};

/// What to compare: plain data, checked in [`fit`](Self::fit), kept in the result.
///
/// | option | default | range | meaning |
/// |---|---|---|---|
/// | laboratory | required | a surface of the campaign | the laboratory belt |
/// | lower_bound, upper_bound | 0.80, 1.25 | below 1, above 1 | bounds of equivalence of the ratio |
/// | alpha | 0.05 | (0, 0.5) | level of each one-sided test |
/// | level | 0.95 | (0, 1) | confidence level of every interval |
/// | distribution | log-normal | see [`Distribution`] | times about their cell, for the cell medians |
/// | minimum_pairs | 3 | 2 or more | fewest paired materials for a line or mean |
/// | scatter_estimator | restricted | see [`ScatterEstimator`] | how τ is estimated |
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Equivalence {
    laboratory: String,
    lower_bound: f64,
    upper_bound: f64,
    alpha: f64,
    level: f64,
    distribution: Distribution,
    minimum_pairs: usize,
    scatter_estimator: ScatterEstimator,
}

impl Equivalence {
    /// A comparison of the belt `laboratory` with every road surface, with the defaults of the table above.
    pub fn new(laboratory: impl Into<String>) -> Self {
        Self {
            laboratory: laboratory.into(),
            lower_bound: 0.80,
            upper_bound: 1.25,
            alpha: 0.05,
            level: 0.95,
            distribution: Distribution::LogNormal,
            minimum_pairs: 3,
            scatter_estimator: ScatterEstimator::Restricted,
        }
    }
    /// Sets the bounds of equivalence of the ratio k_laboratory / k_road.
    #[must_use]
    pub fn bounds(mut self, lower: f64, upper: f64) -> Self {
        (self.lower_bound, self.upper_bound) = (lower, upper);
        self
    }
    /// Sets the level of each one-sided test.
    #[must_use]
    pub fn alpha(mut self, alpha: f64) -> Self {
        self.alpha = alpha;
        self
    }
    /// Sets the confidence level of the intervals.
    #[must_use]
    pub fn level(mut self, level: f64) -> Self {
        self.level = level;
        self
    }
    /// Sets the distribution of times about their cell.
    #[must_use]
    pub fn distribution(mut self, distribution: Distribution) -> Self {
        self.distribution = distribution;
        self
    }
    /// Sets the fewest paired materials from which a line or mean is fitted.
    #[must_use]
    pub fn minimum_pairs(mut self, pairs: usize) -> Self {
        self.minimum_pairs = pairs;
        self
    }
    /// Sets how τ is estimated.
    #[must_use]
    pub fn scatter_estimator(mut self, estimator: ScatterEstimator) -> Self {
        self.scatter_estimator = estimator;
        self
    }
    /// The laboratory belt.
    #[must_use]
    pub fn laboratory(&self) -> &str {
        &self.laboratory
    }

    fn check(&self) -> Result<()> {
        check_bounds(self.lower_bound, self.upper_bound)?;
        check_alpha(self.alpha)?;
        check_level(self.level)?;
        if self.minimum_pairs < 2 {
            return Err(ErrorKind::option("minimum_pairs", self.minimum_pairs, "at least 2"));
        }
        Ok(())
    }

    /// Compares the belt with every surface that is not a laboratory surface.
    ///
    /// `severity` is a fit of the same campaign; it supplies the ratio k_laboratory / k_road. What cannot be had for
    /// one surface is [`Attempt::Unavailable`] there, with its reason, and does not fail the rest.
    ///
    /// # Errors
    /// [`ErrorKind::UnknownSurface`] for the laboratory; [`ErrorKind::InvalidOption`] for options outside their range
    /// or a severity fit of another campaign; [`ErrorKind::NothingToFit`] without any road surface; errors of
    /// [`CellMeans::fit`].
    pub fn fit(&self, campaign: &Campaign, severity: &SeverityFit) -> Result<EquivalenceFit> {
        self.check()?;
        campaign.surface(&self.laboratory)?;
        if severity.campaign_digest() != campaign.digest() {
            return Err(ErrorKind::option("severity", severity.campaign_digest(), "a fit of the campaign given"));
        }
        let roads: Vec<_> = campaign
            .surfaces()
            .iter()
            .filter(|s| s.name != self.laboratory && s.role != Some(SurfaceRole::Laboratory))
            .collect();
        if roads.is_empty() {
            let reason = format!("there is no road surface beside the laboratory surface {:?}", self.laboratory);
            return Err(ErrorKind::NothingToFit { reason }.into());
        }
        let cells = CellMeans::fit(campaign, self.distribution, self.level)?;
        let mut surfaces =
            roads.iter().map(|s| self.surface(campaign, severity, &cells, &s.name)).collect::<Result<Vec<_>>>()?;
        let tested: Vec<usize> = (0..surfaces.len()).filter(|&i| surfaces[i].test.fitted().is_some()).collect();
        let p_values: Vec<f64> = tested.iter().filter_map(|&i| surfaces[i].test.fitted().map(Tost::p_value)).collect();
        for (&i, adjusted) in tested.iter().zip(holm(&p_values)) {
            surfaces[i].adjusted_p_value = Some(adjusted);
        }
        Ok(EquivalenceFit {
            options: self.clone(),
            campaign_digest: campaign.digest(),
            log_scatter: cells.log_scatter(),
            scatter_degrees_of_freedom: cells.degrees_of_freedom(),
            scale: self.scale(severity),
            surfaces,
        })
    }

    fn surface(
        &self,
        campaign: &Campaign,
        severity: &SeverityFit,
        cells: &CellMeans,
        road: &str,
    ) -> Result<SurfaceEquivalence> {
        let (pairs, left_out) = pair(campaign, cells, &self.laboratory, road);
        let columns = Columns::new(&pairs);
        let constant_ratio = self.constant_ratio(&columns);
        let power_law = self.power_law(&columns);
        let better_predicting = match (constant_ratio.fitted(), power_law.fitted()) {
            (Some(c), Some(p)) => match (c.leave_one_out_log_error, p.leave_one_out_log_error) {
                (Some(c), Some(p)) => Some(if p < c { Form::PowerLaw } else { Form::ConstantRatio }),
                _ => None,
            },
            _ => None,
        };
        let df = severity.degrees_of_freedom();
        let severity_ratio = match severity.log_factor_between(&self.laboratory, road) {
            Ok((log_ratio, log_standard_error)) => Attempt::from(SeverityRatio::new(
                log_ratio,
                log_standard_error,
                df,
                self.level,
                severity.factor_between(&self.laboratory, road)?.method(),
            )),
            Err(error) => Attempt::Unavailable(Unavailable::NotEstimable { reason: error.to_string() }),
        };
        let bounds = (self.lower_bound, self.upper_bound);
        let test = match &severity_ratio {
            Attempt::Fitted(r) => Attempt::from(tost(r.log_ratio, r.log_standard_error, df, bounds, self.alpha)),
            Attempt::Unavailable(why) => Attempt::Unavailable(why.clone()),
        };
        let test_for_new_materials = match &constant_ratio {
            Attempt::Fitted(r) => {
                Attempt::from(tost(r.log_ratio, r.log_standard_error, Some(r.degrees_of_freedom), bounds, self.alpha))
            }
            Attempt::Unavailable(why) => Attempt::Unavailable(why.clone()),
        };
        Ok(SurfaceEquivalence {
            surface: road.to_owned(),
            pairs,
            left_out,
            constant_ratio,
            power_law,
            better_predicting,
            severity_ratio,
            test,
            adjusted_p_value: None,
            test_for_new_materials,
        })
    }

    fn constant_ratio(&self, columns: &Columns) -> Attempt<ConstantRatio> {
        let found = columns.x.len();
        if found < self.minimum_pairs {
            return Attempt::Unavailable(Unavailable::TooFewPairs { needed: self.minimum_pairs, found });
        }
        Attempt::from(self.fit_constant_ratio(columns))
    }

    fn fit_constant_ratio(&self, columns: &Columns) -> Result<ConstantRatio> {
        let (d, se) = columns.ratios(None);
        let fit = random_effects(&d, &se, self.scatter_estimator)?;
        let df = count(fit.degrees_of_freedom());
        let leave_one_out = columns.leave_one_out(|without| {
            let (d, se) = columns.ratios(Some(without));
            let mean = random_effects(&d, &se, self.scatter_estimator)?.mean();
            Ok(columns.x[without] + mean)
        });
        let limits = fit.intrinsic_scatter_limits(self.level)?;
        Ok(ConstantRatio {
            ratio: fit_interval(fit.mean(), fit.small_sample_standard_error(), df, self.level)?,
            log_ratio: fit.mean(),
            log_standard_error: fit.small_sample_standard_error(),
            degrees_of_freedom: df,
            intrinsic_log_scatter: fit.intrinsic_scatter(),
            intrinsic_log_scatter_lower: limits.0,
            intrinsic_log_scatter_upper: limits.1,
            scatter: fit.scatter(),
            cochran_q: fit.cochran_q(),
            heterogeneity_p_value: fit.heterogeneity_p_value(),
            pair_log_variance: fit.typical_variance(),
            observed_log_variance: fit.observed_variance(),
            leave_one_out_log_error: leave_one_out,
        })
    }

    fn power_law(&self, columns: &Columns) -> Attempt<PowerLaw> {
        let (found, needed) = (columns.x.len(), self.minimum_pairs.max(3));
        if found < needed {
            return Attempt::Unavailable(Unavailable::TooFewPairs { needed, found });
        }
        let first = columns.x.first().copied().unwrap_or(0.0);
        if columns.x.iter().all(|x| x.to_bits() == first.to_bits()) {
            return Attempt::Unavailable(Unavailable::SameLaboratoryTimes);
        }
        Attempt::from(self.fit_power_law(columns))
    }

    fn fit_power_law(&self, columns: &Columns) -> Result<PowerLaw> {
        let line =
            |c: &Columns| york_with_scatter(&c.x, &c.sx, &c.y, &c.sy, &vec![0.0; c.x.len()], self.scatter_estimator);
        let fit = line(columns)?;
        let df = count(fit.line().degrees_of_freedom());
        let covariance = fit.small_sample_covariance();
        let half = |se: f64| -> Result<f64> {
            let q = t_quantile(0.5 + self.level / 2.0, Some(df));
            Ok(se * q.ok_or_else(|| ErrorKind::option("level", self.level, "a level with a finite t quantile"))?)
        };
        let interval = |estimate: f64, se: f64| -> Result<Interval> {
            let half = half(se)?;
            Interval::new(estimate, estimate - half, estimate + half, self.level, IntervalMethod::StudentT)
        };
        let leave_one_out = columns.leave_one_out(|without| {
            let fit = line(&columns.without(without))?;
            Ok(fit.line().intercept() + fit.line().slope() * columns.x[without])
        });
        let (slope, intercept) = (fit.line().slope(), fit.line().intercept());
        let limits = fit.intrinsic_scatter_limits(self.level)?;
        Ok(PowerLaw {
            slope: interval(slope, covariance.slope_standard_error)?,
            intercept: interval(intercept, covariance.intercept_standard_error)?,
            log_covariance: covariance,
            degrees_of_freedom: df,
            intrinsic_log_scatter: fit.intrinsic_scatter(),
            intrinsic_log_scatter_lower: limits.0,
            intrinsic_log_scatter_upper: limits.1,
            scatter: fit.scatter(),
            slope_one_p_value: two_sided_p(slope - 1.0, covariance.slope_standard_error, Some(df)),
            pair_log_variance: fit.typical_variance(),
            observed_log_variance: fit.observed_variance(),
            leave_one_out_log_error: leave_one_out,
        })
    }

    fn scale(&self, severity: &SeverityFit) -> Vec<ScalePosition> {
        let mut scale: Vec<ScalePosition> = severity
            .factors()
            .iter()
            .map(|row| {
                let log = severity.log_factor_between(&row.surface, &self.laboratory).ok().map(|l| l.0);
                let ratio = match severity.factor_between(&row.surface, &self.laboratory) {
                    Ok(interval) => interval.into(),
                    Err(error) => Estimate::not_estimable(error.to_string()),
                };
                ScalePosition {
                    surface: row.surface.clone(),
                    role: row.role,
                    ratio_to_laboratory: ratio,
                    log_ratio: log,
                }
            })
            .collect();
        // Surfaces without an estimate last; ties and those by name.
        scale.sort_by(|a, b| {
            let key = |p: &ScalePosition| p.log_ratio.unwrap_or(f64::INFINITY);
            key(a).total_cmp(&key(b)).then_with(|| a.surface.cmp(&b.surface))
        });
        scale
    }
}

fn fit_interval(log: f64, se: f64, df: f64, level: f64) -> Result<Interval> {
    let quantile = t_quantile(0.5 + level / 2.0, Some(df))
        .ok_or_else(|| ErrorKind::option("level", level, "a level with a finite t quantile"))?;
    Interval::from_log(log, se, quantile, level, IntervalMethod::StudentT)
}

/// Logs of the pairs, as columns.
struct Columns {
    x: Vec<f64>,
    sx: Vec<f64>,
    y: Vec<f64>,
    sy: Vec<f64>,
}

impl Columns {
    fn new(pairs: &[MaterialPair]) -> Self {
        let column = |f: &dyn Fn(&MaterialPair) -> f64| pairs.iter().map(f).collect();
        Self {
            x: column(&|p| p.laboratory_log_median),
            sx: column(&|p| p.laboratory_log_standard_error),
            y: column(&|p| p.road_log_median),
            sy: column(&|p| p.road_log_standard_error),
        }
    }

    fn without(&self, left_out: usize) -> Self {
        let keep = |v: &[f64]| v.iter().enumerate().filter(|(i, _)| *i != left_out).map(|(_, v)| *v).collect();
        Self { x: keep(&self.x), sx: keep(&self.sx), y: keep(&self.y), sy: keep(&self.sy) }
    }

    /// Log ratios road / laboratory with their standard errors, one pair left out if asked.
    fn ratios(&self, left_out: Option<usize>) -> (Vec<f64>, Vec<f64>) {
        (0..self.x.len())
            .filter(|i| Some(*i) != left_out)
            .map(|i| (self.y[i] - self.x[i], libm::hypot(self.sx[i], self.sy[i])))
            .unzip()
    }

    /// Root mean square error of the log road median of each material predicted from the others; `None` below four
    /// pairs, or where the fit without one of them fails.
    fn leave_one_out(&self, predict: impl Fn(usize) -> Result<f64>) -> Option<f64> {
        let n = self.x.len();
        if n < 4 {
            return None;
        }
        let mut squares = 0.0;
        for i in 0..n {
            let error = self.y[i] - predict(i).ok()?;
            squares += error * error;
        }
        let root = libm::sqrt(squares / count(n));
        root.is_finite().then_some(root)
    }
}

fn pair(campaign: &Campaign, cells: &CellMeans, laboratory: &str, road: &str) -> (Vec<MaterialPair>, Vec<LeftOut>) {
    let (mut pairs, mut left_out) = (Vec::new(), Vec::new());
    for material in campaign.materials() {
        let name = material.name.as_str();
        let (lab, on_road) = (cells.cell(name, laboratory), cells.cell(name, road));
        if lab.is_none() && on_road.is_none() {
            continue;
        }
        let mut leave = |reason| left_out.push(LeftOut { material: name.to_owned(), reason });
        let (Some(lab), Some(on_road)) = (lab, on_road) else {
            leave(if lab.is_none() { LeftOutReason::NotOnLaboratory } else { LeftOutReason::NotOnRoad });
            continue;
        };
        let log = |cell: &crate::severity::CellEstimate| cell.log_median.zip(cell.log_standard_error);
        let side = |cell: &crate::severity::CellEstimate| match &cell.median_s {
            Estimate::Bound(bound) => Some(bound.side()),
            _ => None,
        };
        match (log(lab), log(on_road)) {
            (Some((x, sx)), Some((y, sy))) => pairs.push(MaterialPair {
                material: name.to_owned(),
                class: material.class.clone(),
                laboratory_log_median: x,
                laboratory_log_standard_error: sx,
                road_log_median: y,
                road_log_standard_error: sy,
                laboratory_trials: lab.trials,
                road_trials: on_road.trials,
            }),
            (None, _) => leave(LeftOutReason::OnlyBoundOnLaboratory { side: side(lab) }),
            (_, None) => leave(LeftOutReason::OnlyBoundOnRoad { side: side(on_road) }),
        }
    }
    (pairs, left_out)
}

/// The form of the relation between laboratory and road times.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Form {
    /// road = c · laboratory.
    #[default]
    ConstantRatio,
    /// log road = a + b · log laboratory.
    PowerLaw,
}

/// A result, or why there is none.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Attempt<T> {
    /// It could be had.
    Fitted(T),
    /// It could not.
    Unavailable(Unavailable),
}

impl<T> Attempt<T> {
    /// The result, if there is one.
    #[must_use]
    pub fn fitted(&self) -> Option<&T> {
        match self {
            Self::Fitted(value) => Some(value),
            Self::Unavailable(_) => None,
        }
    }
    /// Why there is none, if there is none.
    #[must_use]
    pub fn unavailable(&self) -> Option<&Unavailable> {
        match self {
            Self::Fitted(_) => None,
            Self::Unavailable(why) => Some(why),
        }
    }
}

impl<T> From<Result<T>> for Attempt<T> {
    fn from(result: Result<T>) -> Self {
        match result {
            Ok(value) => Self::Fitted(value),
            Err(error) => Self::Unavailable(match error.kind() {
                ErrorKind::TooFew { needed, found, .. } => Unavailable::TooFewPairs { needed: *needed, found: *found },
                _ => Unavailable::NotEstimable { reason: error.to_string() },
            }),
        }
    }
}

/// Why something is not available for one surface.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
#[non_exhaustive]
pub enum Unavailable {
    /// Too few materials were tested on both the belt and the road surface.
    TooFewPairs {
        /// Pairs needed.
        needed: usize,
        /// Pairs there are.
        found: usize,
    },
    /// Every material has the same laboratory time, so no slope can be seen.
    SameLaboratoryTimes,
    /// The method gives no answer.
    NotEstimable {
        /// Why, in plain words.
        reason: String,
    },
}

impl std::fmt::Display for Unavailable {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::TooFewPairs { needed, found } => write!(
                f,
                "{found} material(s) have a median both on the belt and on this surface; at least {needed} are needed"
            ),
            Self::SameLaboratoryTimes => f.write_str("every paired material has the same laboratory time"),
            Self::NotEstimable { reason } => f.write_str(reason),
        }
    }
}

/// Why a material is not among the pairs.
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case", deny_unknown_fields)]
#[non_exhaustive]
pub enum LeftOutReason {
    /// No trial on the belt counts.
    NotOnLaboratory,
    /// No trial on the road surface counts.
    NotOnRoad,
    /// Every trial on the belt is censored on one side: only a bound of its median is known.
    OnlyBoundOnLaboratory {
        /// Side of the bound.
        side: Option<BoundSide>,
    },
    /// Every trial on the road surface is censored on one side: only a bound of its median is known.
    OnlyBoundOnRoad {
        /// Side of the bound.
        side: Option<BoundSide>,
    },
}

impl std::fmt::Display for LeftOutReason {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        let how = |side: &Option<BoundSide>| match side {
            Some(BoundSide::AtLeast) => "every trial ran out",
            Some(BoundSide::AtMost) => "every trial opened at contact",
            None => "no median could be estimated",
        };
        match self {
            Self::NotOnLaboratory => f.write_str("not tested on the belt"),
            Self::NotOnRoad => f.write_str("not tested on this surface"),
            Self::OnlyBoundOnLaboratory { side } => write!(f, "{} on the belt", how(side)),
            Self::OnlyBoundOnRoad { side } => write!(f, "{} on this surface", how(side)),
        }
    }
}

record! {
    /// A material that is not among the pairs of a surface.
    pub struct LeftOut as RawLeftOut {
        /// Material.
        borrow material: String => str,
        /// Why.
        borrow reason: LeftOutReason => LeftOutReason,
    }
}

impl LeftOut {
    #[allow(clippy::unnecessary_wraps, clippy::unused_self)]
    fn check(&self) -> std::result::Result<(), String> {
        Ok(())
    }
}

record! {
    /// One material on the belt and on a road surface. Logs are natural, of seconds.
    pub struct MaterialPair as RawMaterialPair {
        /// Material.
        borrow material: String => str,
        /// Its class, where known.
        text class: Option<String>,
        /// x: log of its median on the belt.
        copy laboratory_log_median: f64,
        /// Standard error of x.
        copy laboratory_log_standard_error: f64,
        /// y: log of its median on the road surface.
        copy road_log_median: f64,
        /// Standard error of y.
        copy road_log_standard_error: f64,
        /// Trials on the belt.
        copy laboratory_trials: usize,
        /// Trials on the road surface.
        copy road_trials: usize,
    }
}

impl MaterialPair {
    /// log(road median / laboratory median).
    #[must_use]
    pub fn log_ratio(&self) -> f64 {
        self.road_log_median - self.laboratory_log_median
    }

    fn check(&self) -> std::result::Result<(), String> {
        all_finite(&[
            ("laboratory_log_median", self.laboratory_log_median),
            ("road_log_median", self.road_log_median),
        ])?;
        all_at_least_zero(&[
            ("laboratory_log_standard_error", self.laboratory_log_standard_error),
            ("road_log_standard_error", self.road_log_standard_error),
        ])
    }
}

record! {
    /// road = c · laboratory: the mean log ratio over materials, with a scatter τ between materials.
    pub struct ConstantRatio as RawConstantRatio {
        /// c = median on the road / median on the belt, for a material drawn from those like the ones tested.
        borrow ratio: Interval => Interval,
        /// Log of c.
        copy log_ratio: f64,
        /// Its standard error (Hartung–Knapp, see [`RandomEffects::small_sample_standard_error`](super::RandomEffects::small_sample_standard_error)).
        copy log_standard_error: f64,
        /// Degrees of freedom: pairs − 1.
        copy degrees_of_freedom: f64,
        /// τ.
        copy intrinsic_log_scatter: f64,
        /// Lower confidence limit of τ (Q profile).
        copy intrinsic_log_scatter_lower: f64,
        /// Upper confidence limit of τ (Q profile).
        copy intrinsic_log_scatter_upper: f64,
        /// Whether τ is positive or at its boundary 0.
        copy scatter: Scatter,
        /// Cochran's Q; `None` where no pair has an error.
        copy cochran_q: Option<f64>,
        /// Probability of a larger Q if τ = 0.
        copy heterogeneity_p_value: Option<f64>,
        /// Typical error variance v of one log ratio.
        copy pair_log_variance: f64,
        /// Observed variance s² of the log ratios.
        copy observed_log_variance: f64,
        /// Root mean square error of each log road median predicted from the other materials; `None` below four pairs.
        copy leave_one_out_log_error: Option<f64>,
    }
}

impl ConstantRatio {
    fn check(&self) -> std::result::Result<(), String> {
        all_finite(&[("log_ratio", self.log_ratio)])?;
        all_at_least_zero(&[
            ("log_standard_error", self.log_standard_error),
            ("intrinsic_log_scatter", self.intrinsic_log_scatter),
            ("intrinsic_log_scatter_lower", self.intrinsic_log_scatter_lower),
            ("intrinsic_log_scatter_upper", self.intrinsic_log_scatter_upper),
            ("pair_log_variance", self.pair_log_variance),
            ("observed_log_variance", self.observed_log_variance),
            ("cochran_q", self.cochran_q.unwrap_or(0.0)),
            ("leave_one_out_log_error", self.leave_one_out_log_error.unwrap_or(0.0)),
        ])?;
        check_df(self.degrees_of_freedom)?;
        check_probability("heterogeneity_p_value", self.heterogeneity_p_value)?;
        check_scatter(self.intrinsic_log_scatter, self.scatter)?;
        if self.intrinsic_log_scatter_lower > self.intrinsic_log_scatter_upper {
            return Err("the limits of the intrinsic scatter are in the wrong order".into());
        }
        check_log_interval(&self.ratio, self.log_ratio, self.log_standard_error, Some(self.degrees_of_freedom))
    }
}

record! {
    /// log road = a + b · log laboratory, times in s, with a scatter τ between materials.
    pub struct PowerLaw as RawPowerLaw {
        /// Slope b.
        borrow slope: Interval => Interval,
        /// Intercept a: log road time at a laboratory time of 1 s.
        borrow intercept: Interval => Interval,
        /// Standard errors of both and their covariance (Knapp–Hartung, see [`ScatterLine::small_sample_covariance`](super::ScatterLine::small_sample_covariance)).
        copy log_covariance: LineCovariance,
        /// Degrees of freedom: pairs − 2.
        copy degrees_of_freedom: f64,
        /// τ.
        copy intrinsic_log_scatter: f64,
        /// Lower confidence limit of τ (Q profile).
        copy intrinsic_log_scatter_lower: f64,
        /// Upper confidence limit of τ (Q profile).
        copy intrinsic_log_scatter_upper: f64,
        /// Whether τ is positive or at its boundary 0.
        copy scatter: Scatter,
        /// p-value of the t test of slope 1, that is of a constant ratio; `None` for a perfect line without errors.
        copy slope_one_p_value: Option<f64>,
        /// Typical error variance v of one pair about the line.
        copy pair_log_variance: f64,
        /// Observed variance s² about the line.
        copy observed_log_variance: f64,
        /// Root mean square error of each log road median predicted from the other materials; `None` below four pairs.
        copy leave_one_out_log_error: Option<f64>,
    }
}

impl PowerLaw {
    fn check(&self) -> std::result::Result<(), String> {
        let c = &self.log_covariance;
        all_finite(&[("covariance", c.covariance)])?;
        all_at_least_zero(&[
            ("slope_standard_error", c.slope_standard_error),
            ("intercept_standard_error", c.intercept_standard_error),
            ("intrinsic_log_scatter", self.intrinsic_log_scatter),
            ("intrinsic_log_scatter_lower", self.intrinsic_log_scatter_lower),
            ("intrinsic_log_scatter_upper", self.intrinsic_log_scatter_upper),
            ("pair_log_variance", self.pair_log_variance),
            ("observed_log_variance", self.observed_log_variance),
            ("leave_one_out_log_error", self.leave_one_out_log_error.unwrap_or(0.0)),
        ])?;
        check_df(self.degrees_of_freedom)?;
        check_probability("slope_one_p_value", self.slope_one_p_value)?;
        check_scatter(self.intrinsic_log_scatter, self.scatter)?;
        if self.intrinsic_log_scatter_lower > self.intrinsic_log_scatter_upper {
            return Err("the limits of the intrinsic scatter are in the wrong order".into());
        }
        for (interval, se) in [(&self.slope, c.slope_standard_error), (&self.intercept, c.intercept_standard_error)] {
            let half = se * t_quantile(0.5 + interval.level() / 2.0, Some(self.degrees_of_freedom)).unwrap_or(f64::NAN);
            agree("the limits and the standard error", interval.estimate() + half, interval.upper())?;
            agree("the limits and the standard error", interval.estimate() - half, interval.lower())?;
        }
        Ok(())
    }
}

record! {
    /// k_laboratory / k_road from the severity fit, which equals median on the road / median on the belt if one factor
    /// serves all materials: its interval is that of these materials, without their scatter about the common factor.
    pub struct SeverityRatio as RawSeverityRatio {
        /// The ratio.
        borrow ratio: Interval => Interval,
        /// Its log.
        copy log_ratio: f64,
        /// Standard error of the log.
        copy log_standard_error: f64,
        /// Degrees of freedom; `None`: normal.
        copy degrees_of_freedom: Option<f64>,
    }
}

impl SeverityRatio {
    fn new(log: f64, se: f64, df: Option<f64>, level: f64, method: IntervalMethod) -> Result<Self> {
        let quantile = t_quantile(0.5 + level / 2.0, df)
            .ok_or_else(|| ErrorKind::option("level", level, "a level with a finite quantile"))?;
        let ratio = Interval::from_log(log, se, quantile, level, method)?;
        Ok(Self { ratio, log_ratio: log, log_standard_error: se, degrees_of_freedom: df })
    }

    fn check(&self) -> std::result::Result<(), String> {
        all_finite(&[("log_ratio", self.log_ratio)])?;
        all_at_least_zero(&[("log_standard_error", self.log_standard_error)])?;
        if let Some(df) = self.degrees_of_freedom {
            check_df(df)?;
        }
        check_log_interval(&self.ratio, self.log_ratio, self.log_standard_error, self.degrees_of_freedom)
    }
}

record! {
    /// How the belt compares with one road surface.
    pub struct SurfaceEquivalence as RawSurfaceEquivalence {
        /// The road surface.
        borrow surface: String => str,
        /// Materials with a median on both, sorted by name.
        borrow pairs: Vec<MaterialPair> => [MaterialPair],
        /// Materials with a trial on one or the other that are not among the pairs, and why.
        borrow left_out: Vec<LeftOut> => [LeftOut],
        /// Slope 1: a constant ratio.
        borrow constant_ratio: Attempt<ConstantRatio> => Attempt<ConstantRatio>,
        /// A free slope.
        borrow power_law: Attempt<PowerLaw> => Attempt<PowerLaw>,
        /// The form with the smaller leave-one-material-out prediction error; `None` below four pairs.
        copy better_predicting: Option<Form>,
        /// k_laboratory / k_road from the severity fit.
        borrow severity_ratio: Attempt<SeverityRatio> => Attempt<SeverityRatio>,
        /// Two one-sided tests of the severity ratio: about the materials of the campaign.
        borrow test: Attempt<Tost> => Attempt<Tost>,
        /// The p-value of that test adjusted over all road surfaces (Holm): compare it with α to say which surfaces the belt is equivalent to.
        copy adjusted_p_value: Option<f64>,
        /// Two one-sided tests of the constant ratio, whose standard error holds the scatter between materials: about
        /// further materials like those of the campaign.
        borrow test_for_new_materials: Attempt<Tost> => Attempt<Tost>,
    }
}

impl SurfaceEquivalence {
    fn check(&self) -> std::result::Result<(), String> {
        check_probability("adjusted_p_value", self.adjusted_p_value)?;
        if self.adjusted_p_value.is_some() != self.test.fitted().is_some() {
            return Err("adjusted_p_value belongs to a test, and a test to it".into());
        }
        let n = count(self.pairs.len());
        if let Some(c) = self.constant_ratio.fitted() {
            agree("constant_ratio: degrees of freedom and pairs − 1", c.degrees_of_freedom, n - 1.0)?;
        }
        if let Some(p) = self.power_law.fitted() {
            agree("power_law: degrees of freedom and pairs − 2", p.degrees_of_freedom, n - 2.0)?;
        }
        if self.pairs.windows(2).any(|w| w[0].material >= w[1].material) {
            return Err(format!("the pairs of {:?} are not sorted by material, or one is there twice", self.surface));
        }
        Ok(())
    }
}

record! {
    /// A surface on the severity scale, relative to the belt.
    pub struct ScalePosition as RawScalePosition {
        /// The surface; the belt itself is among them, at exactly 1.
        borrow surface: String => str,
        /// Its role, where known.
        copy role: Option<SurfaceRole>,
        /// k of the surface / k of the belt: above 1 wears faster than the belt.
        borrow ratio_to_laboratory: Estimate => Estimate,
        /// Log of that ratio, where finite.
        copy log_ratio: Option<f64>,
    }
}

impl ScalePosition {
    fn check(&self) -> std::result::Result<(), String> {
        match (self.ratio_to_laboratory.interval(), self.log_ratio) {
            (Some(interval), Some(log)) if interval.lower() > 0.0 => {
                agree("ratio_to_laboratory and log_ratio", libm::log(interval.estimate()), log)
            }
            (None, None) => Ok(()),
            _ => Err("ratio_to_laboratory and log_ratio contradict each other".into()),
        }
    }
}

fn check_df(df: f64) -> std::result::Result<(), String> {
    if df > 0.0 && df.is_finite() { Ok(()) } else { Err(format!("degrees_of_freedom = {df} is not positive")) }
}

fn check_probability(name: &str, p: Option<f64>) -> std::result::Result<(), String> {
    match p {
        Some(p) if !(0.0..=1.0).contains(&p) => Err(format!("{name} = {p} is not a probability")),
        _ => Ok(()),
    }
}

fn check_scatter(tau: f64, scatter: Scatter) -> std::result::Result<(), String> {
    if (tau > 0.0) == (scatter == Scatter::Interior) {
        Ok(())
    } else {
        Err("intrinsic_log_scatter and scatter contradict each other".into())
    }
}

pub(crate) fn check_log_interval(
    interval: &Interval,
    log: f64,
    se: f64,
    df: Option<f64>,
) -> std::result::Result<(), String> {
    if interval.lower() <= 0.0 {
        return Err(format!("a ratio with the lower limit {} is not positive", interval.lower()));
    }
    agree("the estimate and its log", libm::log(interval.estimate()), log)?;
    let half = se * t_quantile(0.5 + interval.level() / 2.0, df).unwrap_or(f64::NAN);
    agree("the upper limit and the standard error", libm::log(interval.upper()), log + half)?;
    agree("the lower limit and the standard error", libm::log(interval.lower()), log - half)
}

/// The belt compared with every road surface.
///
/// Holds the paired medians and what was fitted to them, not the trials.
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EquivalenceFit {
    pub(super) options: Equivalence,
    pub(super) campaign_digest: String,
    pub(super) log_scatter: f64,
    pub(super) scatter_degrees_of_freedom: Option<f64>,
    pub(super) scale: Vec<ScalePosition>,
    pub(super) surfaces: Vec<SurfaceEquivalence>,
}

impl EquivalenceFit {
    /// The plan.
    #[must_use]
    pub fn options(&self) -> &Equivalence {
        &self.options
    }
    /// The laboratory belt.
    #[must_use]
    pub fn laboratory(&self) -> &str {
        &self.options.laboratory
    }
    /// Confidence level of the intervals.
    #[must_use]
    pub fn level(&self) -> f64 {
        self.options.level
    }
    /// Distribution of times about their cell.
    #[must_use]
    pub fn distribution(&self) -> Distribution {
        self.options.distribution
    }
    /// Digest of the campaign.
    #[must_use]
    pub fn campaign_digest(&self) -> &str {
        &self.campaign_digest
    }
    /// Replicate scatter σ of log time within a cell, from the cell medians.
    #[must_use]
    pub fn log_scatter(&self) -> f64 {
        self.log_scatter
    }
    /// Degrees of freedom of σ; `None` under censoring.
    #[must_use]
    pub fn scatter_degrees_of_freedom(&self) -> Option<f64> {
        self.scatter_degrees_of_freedom
    }
    /// The road surfaces, sorted by name.
    #[must_use]
    pub fn surfaces(&self) -> &[SurfaceEquivalence] {
        &self.surfaces
    }
    /// One road surface.
    ///
    /// # Errors
    /// [`ErrorKind::UnknownSurface`] with the road surfaces there are.
    pub fn surface(&self, name: &str) -> Result<&SurfaceEquivalence> {
        self.surfaces.iter().find(|s| s.surface == name).ok_or_else(|| {
            ErrorKind::UnknownSurface {
                name: name.into(),
                known: self.surfaces.iter().map(|s| s.surface.clone()).collect(),
            }
            .into()
        })
    }
    /// Every surface relative to the belt, from the mildest to the most aggressive; the belt itself is among them.
    #[must_use]
    pub fn scale(&self) -> &[ScalePosition] {
        &self.scale
    }
    /// True when the belt is shown equivalent to every road surface, each test at α without adjustment
    /// (intersection–union); false when a surface could not be tested.
    #[must_use]
    pub fn equivalent_to_all(&self) -> bool {
        self.surfaces.iter().all(|s| s.test.fitted().is_some_and(Tost::equivalent))
    }
    /// Road surfaces that the belt is shown equivalent to, the chance of any false one among them at most α (Holm).
    #[must_use]
    pub fn equivalent_surfaces(&self) -> Vec<&str> {
        self.surfaces
            .iter()
            .filter(|s| s.adjusted_p_value.is_some_and(|p| p <= self.options.alpha))
            .map(|s| s.surface.as_str())
            .collect()
    }

    pub(super) fn check(&self) -> std::result::Result<(), String> {
        self.options.check().map_err(|e| e.to_string())?;
        if !(self.log_scatter > 0.0 && self.log_scatter.is_finite()) {
            return Err(format!("log_scatter = {} is not positive", self.log_scatter));
        }
        if let Some(df) = self.scatter_degrees_of_freedom {
            check_df(df)?;
        }
        if self.surfaces.windows(2).any(|w| w[0].surface >= w[1].surface) {
            return Err("the surfaces are not sorted by name, or one is there twice".into());
        }
        if !self.scale.iter().any(|p| p.surface == self.options.laboratory) {
            return Err(format!("the laboratory surface {:?} is not on the scale", self.options.laboratory));
        }
        for s in &self.surfaces {
            if let Some(t) = s.test.fitted() {
                agree("the lower bound of a test and of the options", t.lower_bound(), self.options.lower_bound)?;
                agree("the upper bound of a test and of the options", t.upper_bound(), self.options.upper_bound)?;
                agree("alpha of a test and of the options", t.alpha(), self.options.alpha)?;
            }
        }
        Ok(())
    }
}
