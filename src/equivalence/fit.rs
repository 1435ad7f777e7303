//! The plan ([`Equivalence`]) and its result ([`EquivalenceFit`]).

use serde::{Deserialize, Serialize};

use super::line::{LineCovariance, Scatter, ScatterEstimator, ScatterLine, random_effects, york_with_scatter};
use super::nearest::NearestSurfaces;
use super::rank::{RankForm, passing_bablok};
use super::resampling::LinePoints;
use super::shared::{Deltas, Shared, SharedEffect, Weighted, joint_degrees_of_freedom, line_covariance, shared_part};
use super::tost::{Tost, check_alpha, check_bounds, tost};
use crate::campaign::{Campaign, Decision, Surface, SurfaceRole};
use crate::error::{ErrorKind, Result};
use crate::estimate::{BoundSide, Estimate, Interval, IntervalMethod, check_level};
use crate::holm;
use crate::numeric::count;
use crate::numeric::root::bracketed;
use crate::numeric::special::finite::{t_quantile, t_upper_tail, two_sided_p};
use crate::record::{all_at_least_zero, all_finite, labels, record};
use crate::severity::mixed::{Grouping, MixedSeverityFit};
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
///
/// ```
/// use surface_severity::campaign::Campaign;
/// use surface_severity::equivalence::Equivalence;
/// use surface_severity::severity::Severity;
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let fit = Severity::new("dense asphalt concrete").fit(&campaign)?;
/// // The belt is nearly three times as aggressive as the reference: equivalent within wide bounds only.
/// let narrow = Equivalence::new("laboratory belt").bounds(0.9, 1.11).fit(&campaign, &fit)?;
/// let wide = Equivalence::new("laboratory belt").bounds(0.1, 10.0).fit(&campaign, &fit)?;
/// assert!(!narrow.equivalent_surfaces().contains(&"dense asphalt concrete"));
/// assert!(wide.equivalent_to_all());
/// # Ok::<(), surface_severity::Error>(())
/// ```
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
    ///
    /// ```
    /// use surface_severity::equivalence::Equivalence;
    /// assert_eq!(Equivalence::new("laboratory belt").laboratory(), "laboratory belt");
    /// ```
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

    pub(crate) fn estimator(&self) -> ScatterEstimator {
        self.scatter_estimator
    }
    pub(super) fn distribution_of_times(&self) -> Distribution {
        self.distribution
    }
    pub(super) fn level_of_intervals(&self) -> f64 {
        self.level
    }
    /// Fewest pairs that give a factor of this form.
    pub(super) fn pairs_needed(&self, form: Form) -> usize {
        match form {
            Form::ConstantRatio => self.minimum_pairs,
            Form::PowerLaw => self.minimum_pairs.max(3),
        }
    }

    /// Positions of the surfaces that the belt is compared with.
    pub(super) fn roads(&self, campaign: &Campaign) -> Result<Vec<usize>> {
        let is_road = |s: &Surface| s.name != self.laboratory && s.role != Some(SurfaceRole::Laboratory);
        let surfaces = campaign.surfaces();
        let roads: Vec<usize> = (0..surfaces.len()).filter(|&i| is_road(&surfaces[i])).collect();
        if roads.is_empty() {
            let reason = format!("there is no road surface beside the laboratory surface {:?}", self.laboratory);
            return Err(ErrorKind::NothingToFit { reason }.into());
        }
        Ok(roads)
    }

    pub(crate) fn check(&self) -> Result<()> {
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
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// use surface_severity::{ErrorKind, equivalence::Equivalence};
    /// let equivalence = Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// assert_eq!(equivalence.surfaces().len(), 6, "every road");
    /// let error = Equivalence::new("sandpaper").fit(&campaign, &fit).unwrap_err();
    /// assert!(matches!(error.kind(), ErrorKind::UnknownSurface { .. }));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::UnknownSurface`] for the laboratory; [`ErrorKind::InvalidOption`] for options outside their range
    /// or a severity fit of another campaign; [`ErrorKind::NothingToFit`] without any road surface; errors of
    /// [`CellMeans::fit`].
    pub fn fit(&self, campaign: &Campaign, severity: &SeverityFit) -> Result<EquivalenceFit> {
        self.fit_shared(campaign, severity, &Shared::none())
    }

    /// The same, with what trials of one day, run or belt share taken from a fit with random effects of the same
    /// campaign: standard errors, tests and bounds then hold it ([`SurfaceEquivalence::shared_effects`]), and so does
    /// everything a correction says.
    ///
    /// Give `mixed` the random effect material × surface beside those of day, run or belt: without it the scatter of the
    /// materials between surfaces is in its σ, and the replicate scatter is taken from the cells, whose trials may be of
    /// several days.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// use surface_severity::{equivalence::Equivalence, severity::mixed::{Grouping, MixedSeverity}};
    /// let mixed = MixedSeverity::new("dense asphalt concrete").random(Grouping::Day).fit(&campaign)?;
    /// let with_days = Equivalence::new("laboratory belt").fit_mixed(&campaign, &fit, &mixed)?;
    /// assert_eq!(with_days.surface("brushed concrete")?.shared_effects().len(), 1, "what trials of one day share");
    /// assert!(equivalence.surface("brushed concrete")?.shared_effects().is_empty());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of [`fit`](Self::fit); [`ErrorKind::InvalidOption`] for a mixed fit of another campaign or distribution, or
    /// without a random effect of day, run or belt.
    pub fn fit_mixed(
        &self,
        campaign: &Campaign,
        severity: &SeverityFit,
        mixed: &MixedSeverityFit,
    ) -> Result<EquivalenceFit> {
        if mixed.distribution() != self.distribution {
            return Err(ErrorKind::option("mixed", mixed.distribution(), "a fit with the distribution of the plan"));
        }
        self.fit_shared(campaign, severity, &Shared::of(mixed, campaign)?)
    }

    fn fit_shared(&self, campaign: &Campaign, severity: &SeverityFit, shared: &Shared) -> Result<EquivalenceFit> {
        self.check()?;
        campaign.surface(&self.laboratory)?;
        if severity.campaign_digest() != campaign.digest() {
            return Err(ErrorKind::option("severity", severity.campaign_digest(), "a fit of the campaign given"));
        }
        let roads = self.roads(campaign)?;
        let cells = CellMeans::fit(campaign, self.distribution, self.level)?;
        let scatter = CellScatter::new(&cells, shared);
        let mut surfaces = roads
            .iter()
            .map(|&s| self.surface(campaign, severity, (&cells, scatter), shared, &campaign.surfaces()[s].name))
            .collect::<Result<Vec<_>>>()?;
        let tested: Vec<usize> = (0..surfaces.len()).filter(|&i| surfaces[i].test.fitted().is_some()).collect();
        let p_values: Vec<f64> = tested.iter().filter_map(|&i| surfaces[i].test.fitted().map(Tost::p_value)).collect();
        for (&i, adjusted) in tested.iter().zip(holm(&p_values)) {
            surfaces[i].adjusted_p_value = Some(adjusted);
        }
        let scale = self.scale(severity, &surfaces, !shared.groupings().is_empty())?;
        Ok(EquivalenceFit {
            options: self.clone(),
            campaign_digest: campaign.digest(),
            decisions: campaign.decisions().to_vec(),
            shared_groupings: shared.groupings(),
            log_scatter: cells.log_scatter() * scatter.factor,
            scatter_degrees_of_freedom: Some(scatter.degrees_of_freedom),
            scale,
            surfaces,
            nearest: None,
        })
    }

    fn surface(
        &self,
        campaign: &Campaign,
        severity: &SeverityFit,
        (cells, scatter): (&CellMeans, CellScatter),
        shared: &Shared,
        road: &str,
    ) -> Result<SurfaceEquivalence> {
        let (pairs, left_out) = pair(campaign, cells, scatter.factor, &self.laboratory, road);
        let columns = Columns::of(&pairs, cells, scatter.factor, &self.laboratory, road);
        let weighted: Vec<Weighted<'_>> = pairs
            .iter()
            .map(|p| Weighted {
                material: &p.material,
                laboratory: count(p.laboratory_trials),
                road: count(p.road_trials),
            })
            .collect();
        let (mut shared_effects, deltas): (Vec<SharedEffect>, Vec<Deltas>) =
            shared.over(&self.laboratory, road, &weighted).into_iter().unzip();
        let (constant_ratio, constant_errors) = self.constant_ratio(&columns, &mut shared_effects, &deltas);
        let (power_law, power_errors) = self.power_law(&columns, &mut shared_effects, &deltas);
        let better_predicting = match (constant_ratio.fitted(), power_law.fitted()) {
            (Some(c), Some(p)) => match (c.leave_one_out_log_error, p.leave_one_out_log_error) {
                (Some(c), Some(p)) => Some(if p < c { Form::PowerLaw } else { Form::ConstantRatio }),
                _ => None,
            },
            _ => None,
        };
        let prediction_gain = PredictionGain::of(constant_errors, power_errors);
        let rank_line = self.rank_line(&columns);
        let severity_ratio = match severity.log_factor_between(&self.laboratory, road) {
            Ok((log_ratio, log_standard_error)) => {
                let own = log_standard_error * severity.small_sample_factor();
                let added = shared_part(&shared_effects, SharedEffect::severity_share);
                let df = joint_degrees_of_freedom(own * own, severity.interval_degrees_of_freedom(), added);
                let se = if added.0 > 0.0 { libm::sqrt(own * own + added.0) } else { own };
                let method = severity.factor_between(&self.laboratory, road)?.method();
                Attempt::from(SeverityRatio::new(log_ratio, se, Some(df), self.level, method))
            }
            Err(error) => Attempt::Unavailable(Unavailable::NotEstimable { reason: error.to_string() }),
        };
        let bounds = (self.lower_bound, self.upper_bound);
        let test = match &severity_ratio {
            Attempt::Fitted(r) => {
                Attempt::from(tost(r.log_ratio, r.log_standard_error, r.degrees_of_freedom, bounds, self.alpha))
            }
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
            shared_effects,
            constant_ratio,
            power_law,
            better_predicting,
            prediction_gain,
            rank_line,
            severity_ratio,
            test,
            adjusted_p_value: None,
            test_for_new_materials,
        })
    }

    fn rank_line(&self, columns: &Columns) -> Attempt<RankLine> {
        let (found, needed) = (columns.x.len(), self.minimum_pairs.max(3));
        if found < needed {
            return Attempt::Unavailable(Unavailable::TooFewPairs { needed, found });
        }
        let fit = || -> Result<RankLine> {
            let line = passing_bablok(&columns.x, &columns.y, RankForm::Equivariant)?;
            Ok(RankLine {
                form: line.form(),
                slope: line.slope_interval(self.level)?,
                intercept: line.intercept(),
                usable_slopes: line.usable_slopes(),
            })
        };
        Attempt::from(fit())
    }

    /// The fit, and the leave-one-material-out errors.
    fn constant_ratio(
        &self,
        columns: &Columns,
        shared: &mut [SharedEffect],
        deltas: &[Deltas],
    ) -> (Attempt<ConstantRatio>, Option<Vec<f64>>) {
        let found = columns.x.len();
        if found < self.minimum_pairs {
            return (Attempt::Unavailable(Unavailable::TooFewPairs { needed: self.minimum_pairs, found }), None);
        }
        let errors = columns.leave_one_out(|without| {
            let (d, se) = columns.ratios(Some(without));
            let mean = random_effects(&d, &se, self.scatter_estimator)?.mean();
            Ok(columns.x[without] + mean)
        });
        let fit = self.fit_constant_ratio(columns, (shared, deltas), root_mean_square(errors.as_deref()));
        (Attempt::from(fit), errors)
    }

    fn fit_constant_ratio(
        &self,
        columns: &Columns,
        (shared, deltas): (&mut [SharedEffect], &[Deltas]),
        leave_one_out: Option<f64>,
    ) -> Result<ConstantRatio> {
        let (d, se) = columns.ratios(None);
        let fit = random_effects(&d, &se, self.scatter_estimator)?;
        let materials = count(fit.degrees_of_freedom());
        let mut standard_error =
            libm::hypot(fit.small_sample_standard_error(), columns.shared_by_mean(&se, fit.intrinsic_scatter()));
        let weights = finite_weights(se.iter().map(|se| se * se + fit.intrinsic_scatter().powi(2)));
        for (effect, deltas) in shared.iter_mut().zip(deltas) {
            effect.ratio_share = Some(deltas.ratio_share(&weights));
        }
        let added = shared_part(shared, |e| e.ratio_share.unwrap_or(0.0));
        let df = joint_degrees_of_freedom(standard_error * standard_error, materials, added);
        if added.0 > 0.0 {
            standard_error = libm::sqrt(standard_error * standard_error + added.0);
        }
        let limits = fit.intrinsic_scatter_limits(self.level)?;
        Ok(ConstantRatio {
            ratio: fit_interval(fit.mean(), standard_error, df, self.level)?,
            log_ratio: fit.mean(),
            log_standard_error: standard_error,
            degrees_of_freedom: df,
            shared_log_variance: added.0,
            shared_degrees_of_freedom: (added.0 > 0.0).then_some(added.1),
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

    /// The fit, and the leave-one-material-out errors.
    fn power_law(
        &self,
        columns: &Columns,
        shared: &mut [SharedEffect],
        deltas: &[Deltas],
    ) -> (Attempt<PowerLaw>, Option<Vec<f64>>) {
        let (found, needed) = (columns.x.len(), self.minimum_pairs.max(3));
        if found < needed {
            return (Attempt::Unavailable(Unavailable::TooFewPairs { needed, found }), None);
        }
        let first = columns.x.first().copied().unwrap_or(0.0);
        if columns.x.iter().all(|x| x.to_bits() == first.to_bits()) {
            return (Attempt::Unavailable(Unavailable::SameLaboratoryTimes), None);
        }
        let errors = columns.leave_one_out(|without| {
            let fit = self.line(&columns.without(without))?;
            Ok(fit.line().intercept() + fit.line().slope() * columns.x[without])
        });
        let fit = self.fit_power_law(columns, (shared, deltas), root_mean_square(errors.as_deref()));
        (Attempt::from(fit), errors)
    }

    pub(super) fn line(&self, c: &Columns) -> Result<ScatterLine> {
        york_with_scatter(&c.x, &c.sx, &c.y, &c.sy, &c.correlations(), self.scatter_estimator)
    }

    fn fit_power_law(
        &self,
        columns: &Columns,
        (shared, deltas): (&mut [SharedEffect], &[Deltas]),
        leave_one_out: Option<f64>,
    ) -> Result<PowerLaw> {
        let fit = self.line(columns)?;
        let df = count(fit.line().degrees_of_freedom());
        let mut covariance = columns.with_shared(&fit, fit.small_sample_covariance());
        let own = covariance;
        let weights = columns.line_weights(&fit);
        for (effect, deltas) in shared.iter_mut().zip(deltas) {
            effect.line_share = Some(deltas.line_share(&weights, fit.line().adjusted_x(), fit.line().slope()));
        }
        let added = line_covariance(shared);
        let centre = columns.x.iter().sum::<f64>() / count(columns.x.len());
        let (added_variance, added_df) = shared_part(shared, |e| e.at(true, centre));
        if added_variance > 0.0 {
            covariance = LineCovariance {
                slope_standard_error: libm::hypot(own.slope_standard_error, added.slope_standard_error),
                intercept_standard_error: libm::hypot(own.intercept_standard_error, added.intercept_standard_error),
                covariance: own.covariance + added.covariance,
            };
        }
        let half = |own: f64, added: f64, se: f64| -> Result<(f64, f64)> {
            let df = joint_degrees_of_freedom(own * own, df, (added * added, added_df));
            let q = t_quantile(0.5 + self.level / 2.0, Some(df));
            Ok((df, se * q.ok_or_else(|| ErrorKind::option("level", self.level, "a level with a finite t quantile"))?))
        };
        let interval = |estimate: f64, own: f64, added: f64, se: f64| -> Result<(f64, Interval)> {
            let (df, half) = half(own, added, se)?;
            let method = IntervalMethod::StudentT;
            Ok((df, Interval::new(estimate, estimate - half, estimate + half, self.level, method)?))
        };
        let (slope, intercept) = (fit.line().slope(), fit.line().intercept());
        let limits = fit.intrinsic_scatter_limits(self.level)?;
        let (own_a, own_b) = (own.intercept_standard_error, own.slope_standard_error);
        let (add_a, add_b) = (added.intercept_standard_error, added.slope_standard_error);
        let (slope_df, slope_interval) = interval(slope, own_b, add_b, covariance.slope_standard_error)?;
        Ok(PowerLaw {
            slope: slope_interval,
            intercept: interval(intercept, own_a, add_a, covariance.intercept_standard_error)?.1,
            log_covariance: covariance,
            degrees_of_freedom: df,
            shared_log_covariance: added,
            shared_degrees_of_freedom: (added_variance > 0.0).then_some(added_df),
            intrinsic_log_scatter: fit.intrinsic_scatter(),
            intrinsic_log_scatter_lower: limits.0,
            intrinsic_log_scatter_upper: limits.1,
            scatter: fit.scatter(),
            slope_one_p_value: two_sided_p(slope - 1.0, covariance.slope_standard_error, Some(slope_df)),
            pair_log_variance: fit.typical_variance(),
            observed_log_variance: fit.observed_variance(),
            leave_one_out_log_error: leave_one_out,
        })
    }

    /// With shared conditions a road has the interval of its severity ratio, which holds them.
    fn scale(
        &self,
        severity: &SeverityFit,
        surfaces: &[SurfaceEquivalence],
        shared: bool,
    ) -> Result<Vec<ScalePosition>> {
        let mut scale = Vec::new();
        for row in severity.factors() {
            let log = severity.log_factor_between(&row.surface, &self.laboratory).ok().map(|l| l.0);
            let road = surfaces.iter().find(|s| shared && s.surface == row.surface);
            let ratio = match (road.and_then(|s| s.severity_ratio.fitted()), log) {
                (Some(r), Some(log)) => {
                    SeverityRatio::new(log, r.log_standard_error, r.degrees_of_freedom, self.level, r.ratio.method())?
                        .ratio
                        .into()
                }
                _ => match severity.factor_between(&row.surface, &self.laboratory) {
                    Ok(interval) => interval.into(),
                    Err(error) => Estimate::not_estimable(error.to_string()),
                },
            };
            scale.push(ScalePosition {
                surface: row.surface.clone(),
                role: row.role,
                ratio_to_laboratory: ratio,
                log_ratio: log,
            });
        }
        // Surfaces without an estimate last; ties and those by name.
        scale.sort_by(|a, b| {
            let key = |p: &ScalePosition| p.log_ratio.unwrap_or(f64::INFINITY);
            key(a).total_cmp(&key(b)).then_with(|| a.surface.cmp(&b.surface))
        });
        Ok(scale)
    }
}

/// What makes σ̂ of the cell medians, and their standard errors, those of the replicate scatter.
#[derive(Debug, Clone, Copy)]
struct CellScatter {
    factor: f64,
    degrees_of_freedom: f64,
}

impl CellScatter {
    /// σ of the cells holds what the days of one cell differ by; where a mixed fit has σ within days, it takes its place.
    fn new(cells: &CellMeans, shared: &Shared) -> Self {
        let own = cells.small_sample();
        match shared.scatter {
            Some((sigma, df, maximum_likelihood)) => {
                let fitted = cells.cells().iter().filter(|c| c.log_median.is_some());
                let (p, n) = fitted.fold((0, 0), |(p, n), c| (p + 1, n + c.trials));
                // Maximum likelihood is too small by as much as that of the cells.
                let spare = count(n.saturating_sub(p).max(1));
                let correction = if maximum_likelihood { libm::sqrt(count(n) / spare) } else { 1.0 };
                Self {
                    factor: sigma / cells.log_scatter() * correction,
                    degrees_of_freedom: df.filter(|_| !maximum_likelihood).unwrap_or(own.degrees_of_freedom),
                }
            }
            None => Self { factor: own.factor, degrees_of_freedom: own.degrees_of_freedom },
        }
    }
}

/// 1/variance, or equal weights where that is no number.
fn finite_weights(variances: impl Iterator<Item = f64>) -> Vec<f64> {
    let weights: Vec<f64> = variances.map(|v| 1.0 / v).collect();
    if weights.iter().all(|w| w.is_finite()) { weights } else { vec![1.0; weights.len()] }
}

fn fit_interval(log: f64, se: f64, df: f64, level: f64) -> Result<Interval> {
    let quantile = t_quantile(0.5 + level / 2.0, Some(df))
        .ok_or_else(|| ErrorKind::option("level", level, "a level with a finite t quantile"))?;
    Interval::from_log(log, se, quantile, level, IntervalMethod::StudentT)
}

fn root_mean_square(errors: Option<&[f64]>) -> Option<f64> {
    let errors = errors?;
    let root = libm::sqrt(errors.iter().map(|e| e * e).sum::<f64>() / count(errors.len()));
    root.is_finite().then_some(root)
}

/// Logs of the pairs, as columns.
#[derive(Debug, Default)]
pub(super) struct Columns {
    pub(super) x: Vec<f64>,
    pub(super) sx: Vec<f64>,
    pub(super) y: Vec<f64>,
    pub(super) sy: Vec<f64>,
    /// Parts of x and y that move with the common σ̂ ([`CellMeans::shared`]): 0 unless times are censored.
    pub(super) shared: Vec<(f64, f64)>,
}

impl Columns {
    /// `factor`: on the standard errors of the cells.
    pub(super) fn of(pairs: &[MaterialPair], cells: &CellMeans, factor: f64, laboratory: &str, road: &str) -> Self {
        let shared = pairs
            .iter()
            .map(|p| {
                let of = |surface: &str| cells.shared(&p.material, surface) * factor;
                (of(laboratory), of(road))
            })
            .collect();
        Self::new(pairs, shared)
    }

    fn new(pairs: &[MaterialPair], shared: Vec<(f64, f64)>) -> Self {
        let column = |f: &dyn Fn(&MaterialPair) -> f64| pairs.iter().map(f).collect();
        Self {
            x: column(&|p| p.laboratory_log_median),
            sx: column(&|p| p.laboratory_log_standard_error),
            y: column(&|p| p.road_log_median),
            sy: column(&|p| p.road_log_standard_error),
            shared,
        }
    }

    fn without(&self, left_out: usize) -> Self {
        let keep = |v: &[f64]| v.iter().enumerate().filter(|(i, _)| *i != left_out).map(|(_, v)| *v).collect();
        let shared = self.shared.iter().enumerate().filter(|(i, _)| *i != left_out).map(|(_, s)| *s).collect();
        Self { x: keep(&self.x), sx: keep(&self.sx), y: keep(&self.y), sy: keep(&self.sy), shared }
    }

    /// Correlation of the two medians of each pair through σ̂.
    pub(super) fn correlations(&self) -> Vec<f64> {
        (0..self.x.len())
            .map(|i| {
                let product = self.shared[i].0 * self.shared[i].1;
                // An errorless median has no shared part either.
                if product == 0.0 { 0.0 } else { product / (self.sx[i] * self.sy[i]) }
            })
            .collect()
    }

    /// Log ratios road / laboratory with their standard errors, one pair left out if asked.
    pub(super) fn ratios(&self, left_out: Option<usize>) -> (Vec<f64>, Vec<f64>) {
        (0..self.x.len())
            .filter(|i| Some(*i) != left_out)
            .map(|i| {
                let (sx, sy, (hx, hy)) = (self.sx[i], self.sy[i], self.shared[i]);
                let variance = if hx * hy == 0.0 { None } else { Some(sx * sx + sy * sy - 2.0 * hx * hy) };
                (self.y[i] - self.x[i], variance.map_or_else(|| libm::hypot(sx, sy), |v| libm::sqrt(v.max(0.0))))
            })
            .unzip()
    }

    /// The part of the mean log ratio that moves with σ̂: the materials' own scatter about their mean does not show it.
    fn shared_by_mean(&self, standard_errors: &[f64], tau: f64) -> f64 {
        if self.shared.iter().all(|s| s.0 == 0.0 && s.1 == 0.0) {
            return 0.0;
        }
        let (mut sw, mut sum) = (0.0, 0.0);
        for (se, (hx, hy)) in standard_errors.iter().zip(&self.shared) {
            let w = 1.0 / (se * se + tau * tau);
            sw += w;
            sum += w * (hy - hx);
        }
        sum / sw
    }

    /// Weights of the pairs in a line.
    fn line_weights(&self, fit: &ScatterLine) -> Vec<f64> {
        let (b, tau) = (fit.line().slope(), fit.intrinsic_scatter());
        finite_weights((0..self.x.len()).map(|i| {
            let product = self.shared[i].0 * self.shared[i].1;
            self.sy[i] * self.sy[i] + tau * tau + b * (b * self.sx[i] * self.sx[i] - 2.0 * product)
        }))
    }

    /// The covariance of a line with what moves with σ̂ in all its pairs at once.
    fn with_shared(&self, fit: &ScatterLine, covariance: LineCovariance) -> LineCovariance {
        if self.shared.iter().all(|s| s.0 == 0.0 && s.1 == 0.0) {
            return covariance;
        }
        let b = fit.line().slope();
        let adjusted = fit.line().adjusted_x();
        let weights = self.line_weights(fit);
        let sw: f64 = weights.iter().sum();
        let centre = weights.iter().zip(adjusted).map(|(w, x)| w * x).sum::<f64>() / sw;
        let (mut level, mut tilt, mut spread) = (0.0, 0.0, 0.0);
        for ((w, x), (hx, hy)) in weights.iter().zip(adjusted).zip(&self.shared) {
            let u = x - centre;
            level += w * (hy - b * hx) / sw;
            tilt += w * u * (hy - b * hx);
            spread += w * u * u;
        }
        let slope = tilt / spread;
        let intercept = level - centre * slope;
        LineCovariance {
            slope_standard_error: libm::hypot(covariance.slope_standard_error, slope),
            intercept_standard_error: libm::hypot(covariance.intercept_standard_error, intercept),
            covariance: covariance.covariance + slope * intercept,
        }
    }

    /// Error of the log road median of each material predicted from the others; `None` below four pairs, or where the
    /// fit without one of them fails.
    fn leave_one_out(&self, predict: impl Fn(usize) -> Result<f64>) -> Option<Vec<f64>> {
        let n = self.x.len();
        if n < 4 {
            return None;
        }
        (0..n).map(|i| predict(i).ok().map(|p| self.y[i] - p)).collect()
    }
}

/// `factor`: on the standard errors of the cells.
pub(super) fn pair(
    campaign: &Campaign,
    cells: &CellMeans,
    factor: f64,
    laboratory: &str,
    road: &str,
) -> (Vec<MaterialPair>, Vec<LeftOut>) {
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
        let log =
            |cell: &crate::severity::CellEstimate| cell.log_median.zip(cell.log_standard_error.map(|se| se * factor));
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
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// use surface_severity::correction::{Correction, CorrectionOptions};
/// use surface_severity::equivalence::Form;
/// let power = Correction::derive(&equivalence, &CorrectionOptions::default().form(Form::PowerLaw))?;
/// let ratio = Correction::derive(&equivalence, &CorrectionOptions::default())?;
/// assert_eq!(ratio.form(), Form::ConstantRatio);
/// assert!(ratio.corrections().iter().all(|c| c.slope() == 1.0));
/// assert!(power.corrections().iter().all(|c| c.slope() != 1.0));
/// # Ok::<(), surface_severity::Error>(())
/// ```
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
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// use surface_severity::equivalence::Attempt;
/// for surface in equivalence.surfaces() {
///     match surface.power_law() {
///         Attempt::Fitted(line) => assert!(line.slope().contains(line.slope().estimate())),
///         Attempt::Unavailable(why) => println!("{}: {why}", surface.surface()),
///     }
/// }
/// # Ok::<(), surface_severity::Error>(())
/// ```
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
///
/// ```
/// // Cowhide: 8 and 10 s on asphalt, 4 and 5 s on the belt.
/// # use surface_severity::campaign::{Campaign, Trial};
/// # let campaign = Campaign::from_trials([
/// #     Trial::perforated("T1", "asphalt", "cowhide", 8.0),
/// #     Trial::perforated("T2", "asphalt", "cowhide", 10.0),
/// #     Trial::perforated("T3", "belt", "cowhide", 4.0),
/// #     Trial::perforated("T4", "belt", "cowhide", 5.0),
/// # ])?;
/// use surface_severity::{equivalence::{Equivalence, Unavailable}, severity::Severity};
/// let fit = Severity::new("asphalt").fit(&campaign)?;
/// let equivalence = Equivalence::new("belt").fit(&campaign, &fit)?;
/// // A single material shows nothing of how materials differ.
/// let why = equivalence.surface("asphalt")?.constant_ratio().unavailable();
/// assert!(matches!(why, Some(Unavailable::TooFewPairs { needed: 3, found: 1, .. })));
/// # Ok::<(), surface_severity::Error>(())
/// ```
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
///
/// ```
/// // Cowhide: 8 and 10 s on asphalt, 4 and 5 s on the belt.
/// # use surface_severity::campaign::{Campaign, Trial};
/// # let campaign = Campaign::from_trials([
/// #     Trial::perforated("T1", "asphalt", "cowhide", 8.0),
/// #     Trial::perforated("T2", "asphalt", "cowhide", 10.0),
/// #     Trial::perforated("T3", "belt", "cowhide", 4.0),
/// #     Trial::perforated("T4", "belt", "cowhide", 5.0),
/// # ])?;
/// use surface_severity::{equivalence::{Equivalence, LeftOutReason}, severity::Severity};
/// # let campaign = Campaign::from_trials(campaign.trials().iter().cloned().chain([Trial::perforated("T5", "asphalt", "denim", 2.0)]))?;
/// // Denim was tried on asphalt alone.
/// let fit = Severity::new("asphalt").fit(&campaign)?;
/// let equivalence = Equivalence::new("belt").fit(&campaign, &fit)?;
/// assert_eq!(*equivalence.surface("asphalt")?.left_out()[0].reason(), LeftOutReason::NotOnLaboratory);
/// # Ok::<(), surface_severity::Error>(())
/// ```
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
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// for surface in equivalence.surfaces() {
    ///     for left_out in surface.left_out() {
    ///         println!("{} on {}: {}", left_out.material(), surface.surface(), left_out.reason());
    ///         assert!(surface.pairs().iter().all(|pair| pair.material() != left_out.material()));
    ///     }
    /// }
    /// # assert!(equivalence.surfaces().iter().any(|s| !s.left_out().is_empty()));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
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
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// let pair = &equivalence.surface("brushed concrete")?.pairs()[0];
    /// println!("{}: {:.2} s on the belt", pair.material(), pair.laboratory_log_median().exp());
    /// assert_eq!(pair.log_ratio(), pair.road_log_median() - pair.laboratory_log_median());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
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
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// let surface = equivalence.surface("brushed concrete")?;
    /// let ratio = surface.constant_ratio().fitted().unwrap();
    /// // The belt is harsher, so materials last longer on brushed concrete.
    /// assert!(ratio.ratio().lower() > 1.0);
    /// assert_eq!(ratio.degrees_of_freedom(), surface.pairs().len() as f64 - 1.0, "the materials count, not the trials");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct ConstantRatio as RawConstantRatio {
        /// c = median on the road / median on the belt, for a material drawn from those like the ones tested.
        borrow ratio: Interval => Interval,
        /// Log of c.
        copy log_ratio: f64,
        /// Its standard error (Hartung–Knapp, see [`RandomEffects::small_sample_standard_error`](super::RandomEffects::small_sample_standard_error)).
        copy log_standard_error: f64,
        /// Degrees of freedom: pairs − 1, or with a shared part those of both after Welch and Satterthwaite.
        copy degrees_of_freedom: f64,
        /// The part of the squared standard error that days, runs and belts add ([`SharedEffect`]); 0 where no mixed fit
        /// was given.
        copy shared_log_variance: f64,
        /// Degrees of freedom of that part, where there is one.
        copy shared_degrees_of_freedom: Option<f64>,
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
    pub(super) fn check(&self) -> std::result::Result<(), String> {
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
            ("shared_log_variance", self.shared_log_variance),
        ])?;
        check_df(self.degrees_of_freedom)?;
        check_shared(self.shared_log_variance, self.shared_degrees_of_freedom)?;
        check_probability("heterogeneity_p_value", self.heterogeneity_p_value)?;
        check_scatter(self.intrinsic_log_scatter, self.scatter)?;
        if self.intrinsic_log_scatter_lower > self.intrinsic_log_scatter_upper {
            return Err("the limits of the intrinsic scatter are in the wrong order".into());
        }
        check_ratio(&self.ratio)
    }
}

record! {
    /// log road = a + b · log laboratory, times in s, with a scatter τ between materials.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// let line = equivalence.surface("brushed concrete")?.power_law().fitted().unwrap();
    /// println!("slope {}, scatter between materials {:.3}", line.slope(), line.intrinsic_log_scatter());
    /// // Not refuted: slope 1, the constant ratio with which this campaign was invented.
    /// assert!(line.slope().contains(1.0) && line.slope_one_p_value().unwrap() > 0.05);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct PowerLaw as RawPowerLaw {
        /// Slope b.
        borrow slope: Interval => Interval,
        /// Intercept a: log road time at a laboratory time of 1 s.
        borrow intercept: Interval => Interval,
        /// Standard errors of both and their covariance (Knapp–Hartung, see [`ScatterLine::small_sample_covariance`](super::ScatterLine::small_sample_covariance)).
        copy log_covariance: LineCovariance,
        /// Degrees of freedom of the materials: pairs − 2.
        copy degrees_of_freedom: f64,
        /// The part of the covariance that days, runs and belts add ([`SharedEffect`]); 0 where no mixed fit was given.
        copy shared_log_covariance: LineCovariance,
        /// Degrees of freedom of that part, at the mean log laboratory time, where there is one.
        copy shared_degrees_of_freedom: Option<f64>,
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
    pub(super) fn check(&self) -> std::result::Result<(), String> {
        let c = &self.log_covariance;
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
        let added = &self.shared_log_covariance;
        added.check()?;
        let (sa, sb) = (added.intercept_standard_error, added.slope_standard_error);
        all_at_least_zero(&[("shared intercept_standard_error", sa), ("shared slope_standard_error", sb)])?;
        check_shared(sa * sa + sb * sb, self.shared_degrees_of_freedom)?;
        c.check()?;
        Ok(())
    }
}

record! {
    /// The line of ranks beside the power law: no single material can pull it away.
    ///
    /// Its slope, an order statistic of the slopes between any two materials, should lie about where that of the power
    /// law does; where their intervals hardly meet, look for the material that pulls the line.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// let surface = equivalence.surface("brushed concrete")?;
    /// let (ranks, power) = (surface.rank_line().fitted().unwrap(), surface.power_law().fitted().unwrap());
    /// // No single material pulls the line: both say about the same.
    /// assert!(ranks.slope().lower() < power.slope().upper() && power.slope().lower() < ranks.slope().upper());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct RankLine as RawRankLine {
        /// Which Passing–Bablok form.
        copy form: RankForm,
        /// Slope of log road on log laboratory time, with limits by rank.
        borrow slope: Interval => Interval,
        /// Median of log road − slope · log laboratory time, times in s.
        copy intercept: f64,
        /// Slopes between two materials that were ranked.
        copy usable_slopes: usize,
    }
}

impl RankLine {
    fn check(&self) -> std::result::Result<(), String> {
        all_finite(&[("intercept", self.intercept)])?;
        if self.slope.method() == IntervalMethod::Rank && self.usable_slopes > 0 {
            Ok(())
        } else {
            Err("the slope of a rank line has limits by rank".into())
        }
    }
}

record! {
    /// How much better the power law predicts a material that it was not fitted to, with the uncertainty of that.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// use surface_severity::equivalence::Form;
    /// for surface in equivalence.surfaces() {
    ///     if let Some(gain) = surface.prediction_gain() {
    ///         let power_law_is_better = surface.better_predicting() == Some(Form::PowerLaw);
    ///         assert_eq!(gain.mean_square_difference() > 0.0, power_law_is_better);
    ///         let told_apart = gain.mean_square_difference().abs() > 2.0 * gain.standard_error();
    ///         println!("{}: told apart: {told_apart}", surface.surface());
    ///     }
    /// }
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct PredictionGain as RawPredictionGain {
        /// Mean over materials of squared error (constant ratio) − squared error (power law), in log² units; positive:
        /// the power law predicts better.
        copy mean_square_difference: f64,
        /// Standard deviation of that difference over materials / √materials. The fits share materials, so it is a guide
        /// and not the base of a test.
        copy standard_error: f64,
        /// Materials predicted.
        copy materials: usize,
    }
}

impl PredictionGain {
    fn of(constant: Option<Vec<f64>>, power: Option<Vec<f64>>) -> Option<Self> {
        let (constant, power) = (constant?, power?);
        let gains: Vec<f64> = constant.iter().zip(&power).map(|(c, p)| c * c - p * p).collect();
        let n = count(gains.len());
        let mean = gains.iter().sum::<f64>() / n;
        let variance = gains.iter().map(|g| (g - mean) * (g - mean)).sum::<f64>() / (n - 1.0);
        let standard_error = libm::sqrt(variance / n);
        (mean.is_finite() && standard_error.is_finite()).then_some(Self {
            mean_square_difference: mean,
            standard_error,
            materials: gains.len(),
        })
    }

    fn check(&self) -> std::result::Result<(), String> {
        all_finite(&[("mean_square_difference", self.mean_square_difference)])?;
        all_at_least_zero(&[("standard_error", self.standard_error)])
    }
}

record! {
    /// k_laboratory / k_road from the severity fit, which equals median on the road / median on the belt if one factor
    /// serves all materials: its interval is that of these materials, without their scatter about the common factor.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// let ratio = equivalence.surface("brushed concrete")?.severity_ratio().fitted().unwrap();
    /// let k = fit.factor_between("laboratory belt", "brushed concrete")?;
    /// assert!((ratio.ratio().estimate() / k.estimate() - 1.0).abs() < 1e-9);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
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
        check_ratio(&self.ratio)
    }
}

record! {
    /// How the belt compares with one road surface.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// let surface = equivalence.surface("polished fine asphalt")?;
    /// assert!(surface.pairs().len() >= 3);
    /// // The mildest road: no equivalence with the belt, for these materials or for others.
    /// let test = surface.test().fitted().unwrap();
    /// assert!(!test.equivalent() && test.ratio().lower() > test.upper_bound());
    /// assert!(surface.adjusted_p_value().unwrap() >= test.p_value());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct SurfaceEquivalence as RawSurfaceEquivalence {
        /// The road surface.
        borrow surface: String => str,
        /// Materials with a median on both, sorted by name.
        borrow pairs: Vec<MaterialPair> => [MaterialPair],
        /// Materials with a trial on one or the other that are not among the pairs, and why.
        borrow left_out: Vec<LeftOut> => [LeftOut],
        /// What days, runs and belts add to the uncertainty, where a mixed fit was given ([`Equivalence::fit_mixed`]).
        borrow shared_effects: Vec<SharedEffect> => [SharedEffect],
        /// Slope 1: a constant ratio.
        borrow constant_ratio: Attempt<ConstantRatio> => Attempt<ConstantRatio>,
        /// A free slope.
        borrow power_law: Attempt<PowerLaw> => Attempt<PowerLaw>,
        /// The form with the smaller leave-one-material-out prediction error; `None` below four pairs.
        copy better_predicting: Option<Form>,
        /// By how much, with its uncertainty; `None` below four pairs. A gain within two of its standard errors of 0 does
        /// not tell the forms apart.
        maybe prediction_gain: Option<PredictionGain> => PredictionGain,
        /// The robust check beside the power law.
        borrow rank_line: Attempt<RankLine> => Attempt<RankLine>,
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
    /// Hands the pairs to `ask` as points of a line: log medians on the belt (x) and on the road (y) with their standard
    /// errors, for jackknife and bootstrap intervals of any line. `None` below four pairs.
    ///
    /// The small correlations of censored cells through σ̂ are left out.
    pub fn with_points<T>(&self, ask: impl FnOnce(LinePoints<'_>) -> T) -> Option<T> {
        let column = |of: fn(&MaterialPair) -> f64| self.pairs.iter().map(of).collect::<Vec<f64>>();
        let (x, sx) =
            (column(MaterialPair::laboratory_log_median), column(MaterialPair::laboratory_log_standard_error));
        let (y, sy) = (column(MaterialPair::road_log_median), column(MaterialPair::road_log_standard_error));
        let none = vec![0.0; x.len()];
        LinePoints::new(&x, &sx, &y, &sy, &none).ok().map(ask)
    }

    pub(super) fn check(&self) -> std::result::Result<(), String> {
        check_probability("adjusted_p_value", self.adjusted_p_value)?;
        if self.pairs.windows(2).any(|w| w[0].material >= w[1].material) {
            return Err(format!("the pairs of {:?} are not sorted by material, or one is there twice", self.surface));
        }
        Ok(())
    }
}

record! {
    /// A surface on the severity scale, relative to the belt.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// let scale = equivalence.scale();
    /// let belt = scale.iter().find(|p| p.surface() == "laboratory belt").unwrap();
    /// assert_eq!((belt.log_ratio(), scale.len()), (Some(0.0), 7));
    /// assert_eq!(scale[0].surface(), "polished fine asphalt", "the mildest first");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
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
        self.ratio_to_laboratory.interval().map_or(Ok(()), check_ratio)
    }
}

fn check_df(df: f64) -> std::result::Result<(), String> {
    if df > 0.0 && df.is_finite() { Ok(()) } else { Err(format!("degrees_of_freedom = {df} is not positive")) }
}

/// A shared variance and its degrees of freedom belong together.
fn check_shared(variance: f64, df: Option<f64>) -> std::result::Result<(), String> {
    match df {
        Some(df) => check_df(df),
        None if variance > 0.0 => Err("a shared variance has degrees of freedom".into()),
        None => Ok(()),
    }
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

pub(crate) fn check_decisions(decisions: &[Decision]) -> std::result::Result<(), String> {
    if decisions.windows(2).any(|w| w[0].trial_id >= w[1].trial_id) {
        return Err("the decisions are not sorted by trial, or one is there twice".into());
    }
    match decisions.iter().find(|d| d.reason.trim().is_empty() || d.decided_by.trim().is_empty()) {
        Some(d) => Err(format!("the decision on {:?} lacks its reason or its author", d.trial_id)),
        None => Ok(()),
    }
}

/// A ratio is positive.
pub(crate) fn check_ratio(interval: &Interval) -> std::result::Result<(), String> {
    if interval.lower() > 0.0 {
        Ok(())
    } else {
        Err(format!("a ratio with the lower limit {} is not positive", interval.lower()))
    }
}

/// The belt compared with every road surface.
///
/// Holds the paired medians and what was fitted to them, not the trials.
///
/// ```
/// use surface_severity::campaign::Campaign;
/// use surface_severity::equivalence::Equivalence;
/// use surface_severity::severity::Severity;
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let fit = Severity::new("dense asphalt concrete").fit(&campaign)?;
/// let equivalence = Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// println!("shown equivalent to {:?}", equivalence.equivalent_surfaces());
/// assert!(!equivalence.equivalent_to_all(), "roads differ fivefold, no belt is like all of them");
/// assert_eq!(equivalence.campaign_digest(), campaign.digest());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct EquivalenceFit {
    pub(super) options: Equivalence,
    pub(super) campaign_digest: String,
    pub(super) decisions: Vec<Decision>,
    pub(super) shared_groupings: Vec<Grouping>,
    pub(super) log_scatter: f64,
    pub(super) scatter_degrees_of_freedom: Option<f64>,
    pub(super) scale: Vec<ScalePosition>,
    pub(super) surfaces: Vec<SurfaceEquivalence>,
    pub(super) nearest: Option<NearestSurfaces>,
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
    /// The decisions on single trials that were in force, sorted by trial.
    #[must_use]
    pub fn decisions(&self) -> &[Decision] {
        &self.decisions
    }
    /// Of day, run and belt, what a mixed fit was given for; empty: nothing that trials share is in the intervals.
    #[must_use]
    pub fn shared_groupings(&self) -> &[Grouping] {
        &self.shared_groupings
    }
    /// Replicate scatter σ of log time within a cell, from the fit of the cell medians; with censored times the
    /// maximum-likelihood one times √(N/(N − p)), N trials in p cells. Where a mixed fit with material × surface was
    /// given, its σ, within days, runs and belts.
    #[must_use]
    pub fn log_scatter(&self) -> f64 {
        self.log_scatter
    }
    /// Degrees of freedom of σ; `None` in a document of version 1 under censoring.
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
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// assert_eq!(equivalence.surface("brushed concrete")?.surface(), "brushed concrete");
    /// assert!(equivalence.surface("laboratory belt").is_err(), "the belt is not a road");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
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
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// for name in equivalence.equivalent_surfaces() {
    ///     assert!(equivalence.surface(name)?.adjusted_p_value().unwrap() <= 0.05);
    /// }
    /// assert!(!equivalence.equivalent_surfaces().contains(&"polished fine asphalt"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn equivalent_surfaces(&self) -> Vec<&str> {
        self.surfaces
            .iter()
            .filter(|s| s.adjusted_p_value.is_some_and(|p| p <= self.options.alpha))
            .map(|s| s.surface.as_str())
            .collect()
    }

    /// How surely each road surface is the nearest to the belt, where
    /// [`with_nearest`](Self::with_nearest) was called.
    #[must_use]
    pub fn nearest(&self) -> Option<&NearestSurfaces> {
        self.nearest.as_ref()
    }
    /// The smallest symmetric bounds (r, 1/r) within which the belt would be shown equivalent to every road surface at
    /// once (intersection–union, each test at α); `None` where a surface could not be tested.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// use surface_severity::equivalence::Equivalence;
    /// let (lower, upper) = equivalence.smallest_bounds_to_all().unwrap();
    /// let with = |r: f64| Equivalence::new("laboratory belt").bounds(1.0 / r, r).fit(&campaign, &fit);
    /// // Just beyond these bounds the belt is shown equivalent to every road, just within them it is not.
    /// assert!((lower * upper - 1.0).abs() < 1e-9);
    /// assert!(with(upper * 1.001)?.equivalent_to_all() && !with(upper / 1.001)?.equivalent_to_all());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn smallest_bounds_to_all(&self) -> Option<(f64, f64)> {
        let mut least = f64::INFINITY;
        for s in &self.surfaces {
            least = least.min(s.test.fitted()?.smallest_lower_bound());
        }
        least.is_finite().then(|| (least, 1.0 / least))
    }
    /// For every road surface that could be tested, the smallest symmetric bounds (r, 1/r) at which it would be among
    /// [`equivalent_surfaces`](Self::equivalent_surfaces): simultaneous over surfaces, by Holm's adjustment. A single
    /// test at its own α has the narrower [`Tost::smallest_bounds`].
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// for (surface, lower, upper) in equivalence.smallest_simultaneous_bounds() {
    ///     assert!((lower * upper - 1.0).abs() < 1e-9);
    ///     // Wider than those of a single test, since all roads are looked at.
    ///     let alone = equivalence.surface(surface)?.test().fitted().unwrap().smallest_bounds();
    ///     assert!(lower <= alone.0 + 1e-12);
    /// }
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn smallest_simultaneous_bounds(&self) -> Vec<(&str, f64, f64)> {
        let tests: Vec<(&str, &Tost)> =
            self.surfaces.iter().filter_map(|s| s.test.fitted().map(|t| (s.surface.as_str(), t))).collect();
        let excess = |at: usize, log_bound: f64| -> f64 {
            let p: Vec<f64> = tests
                .iter()
                .map(|(_, t)| {
                    let statistic = (log_bound - t.log_ratio().abs()) / t.log_standard_error();
                    t_upper_tail(statistic, t.degrees_of_freedom()).unwrap_or(1.0)
                })
                .collect();
            holm(&p)[at] - self.options.alpha
        };
        let mut bounds = Vec::new();
        for (i, (surface, test)) in tests.iter().enumerate() {
            // The adjusted p-value falls as the bounds widen: from 1/2 or more at the ratio itself.
            let low = test.log_ratio().abs();
            let mut high = low + test.log_standard_error();
            for _ in 0..200 {
                if excess(i, high) <= 0.0 {
                    break;
                }
                high += high - low;
            }
            let log_bound = bracketed(|b| excess(i, b), low, excess(i, low), high, excess(i, high));
            let r = libm::exp(-log_bound);
            if r > 0.0 && (1.0 / r).is_finite() {
                bounds.push((*surface, r, 1.0 / r));
            }
        }
        bounds
    }

    pub(super) fn check(&self) -> std::result::Result<(), String> {
        self.options.check().map_err(|e| e.to_string())?;
        if !(self.log_scatter > 0.0 && self.log_scatter.is_finite()) {
            return Err(format!("log_scatter = {} is not positive", self.log_scatter));
        }
        if let Some(df) = self.scatter_degrees_of_freedom {
            check_df(df)?;
        }
        check_decisions(&self.decisions)?;
        if self.surfaces.windows(2).any(|w| w[0].surface >= w[1].surface) {
            return Err("the surfaces are not sorted by name, or one is there twice".into());
        }
        labels("surface of the scale", self.scale.iter().map(|p| p.surface.as_str()))?;
        if !self.scale.iter().any(|p| p.surface == self.options.laboratory) {
            return Err(format!("the laboratory surface {:?} is not on the scale", self.options.laboratory));
        }
        if let Some(nearest) = &self.nearest {
            nearest.check()?;
            for candidate in nearest.surfaces() {
                let ratio = self.surfaces.iter().find(|s| s.surface == candidate.surface());
                if ratio.and_then(|s| s.severity_ratio.fitted()).is_none() {
                    return Err(format!("nearest names {:?}, which is not compared", candidate.surface()));
                }
            }
        }
        Ok(())
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    /// What the common σ̂ adds to the standard error of a constant ratio and of a slope, and how far it ties the two medians
    /// of a material together: on the demo campaign, whose cells are in part censored, under 1 %. It is carried all the same.
    #[test]
    fn the_common_scatter_adds_little() {
        let path = concat!(env!("CARGO_MANIFEST_DIR"), "/data-demo/trials.csv");
        let campaign = Campaign::read_path(path).unwrap();
        let plan = Equivalence::new("laboratory belt");
        let cells = CellMeans::fit(&campaign, plan.distribution, plan.level).unwrap();
        let mut shared_somewhere = false;
        for road in campaign.surfaces().iter().filter(|s| s.role == Some(SurfaceRole::Road)) {
            let (pairs, _) = pair(&campaign, &cells, cells.small_sample().factor, &plan.laboratory, &road.name);
            let shared: Vec<(f64, f64)> = pairs
                .iter()
                .map(|p| (cells.shared(&p.material, &plan.laboratory), cells.shared(&p.material, &road.name)))
                .collect();
            shared_somewhere |= shared.iter().any(|s| s.0 != 0.0 || s.1 != 0.0);
            let (with, without) = (Columns::new(&pairs, shared), Columns::new(&pairs, vec![(0.0, 0.0); pairs.len()]));
            assert!(with.correlations().iter().all(|r| r.abs() < 0.01), "{:?}", with.correlations());
            let ratio = |c: &Columns| plan.fit_constant_ratio(c, (&mut [], &[]), None).unwrap().log_standard_error;
            let slope =
                |c: &Columns| plan.fit_power_law(c, (&mut [], &[]), None).unwrap().log_covariance.slope_standard_error;
            for (a, b) in [(ratio(&with), ratio(&without)), (slope(&with), slope(&without))] {
                assert!((a / b - 1.0).abs() < 0.01, "{}: {a} {b}", road.name);
            }
        }
        assert!(shared_somewhere);
    }

    /// Heavy censoring that all materials share moves their mean ratio together: the standard error gains what the
    /// scatter between materials cannot show, by the delta method with the weights of the mean and of the line.
    #[test]
    fn a_shared_part_is_added_by_its_weights() {
        let x = vec![0.0, 0.5, 1.0, 1.5, 2.0];
        let columns = |shared: Vec<(f64, f64)>| Columns {
            x: x.clone(),
            sx: vec![0.1; 5],
            y: vec![0.35, 0.95, 1.3, 2.05, 2.3],
            sy: vec![0.1; 5],
            shared,
        };
        let plan = Equivalence::new("belt");
        let (none, road) = (columns(vec![(0.0, 0.0); 5]), columns(vec![(0.0, 0.03); 5]));
        let ratio = |c: &Columns| plan.fit_constant_ratio(c, (&mut [], &[]), None).unwrap().log_standard_error;
        assert!((ratio(&road).powi(2) - ratio(&none).powi(2) - 0.03_f64.powi(2)).abs() < 1e-12);
        // The same on both sides cancels in the ratio, and ties the two medians together.
        let both = columns(vec![(0.03, 0.03); 5]);
        assert!((both.correlations()[2] - 0.09).abs() < 1e-12);
        assert!(both.shared_by_mean(&[0.1; 5], 0.0).abs() < 1e-300);
        let line = |c: &Columns| plan.fit_power_law(c, (&mut [], &[]), None).unwrap().log_covariance;
        let (a, b) = (line(&road), line(&none));
        // A shift of all y moves the intercept alone.
        assert!((a.slope_standard_error / b.slope_standard_error - 1.0).abs() < 1e-12);
        let gain = a.intercept_standard_error.powi(2) - b.intercept_standard_error.powi(2);
        assert!((gain - 0.03_f64.powi(2)).abs() < 1e-12, "{gain}");
    }
}
