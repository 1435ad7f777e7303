//! The comparison of belt and roads: plan and result.

use serde::{Deserialize, Serialize};

use super::departures::{adjust, departures};
use super::line::LineCovariance;
use super::pairs::{Columns, pair};
use super::random_effects::random_effects;
use super::rows::{
    Attempt, ClassDeparture, ConstantRatio, Form, PowerLaw, PredictionGain, ScalePosition, SharedCondition,
    SurfaceEquivalence, Unavailable, check_decisions,
};
use super::scatter_line::{ScatterEstimator, ScatterLine};
use super::tost::{Tost, check_alpha, check_bounds, tost};
use crate::campaign::{Campaign, Decision, Surface, SurfaceRole};
use crate::error::{ErrorKind, Result};
use crate::estimate::{Estimate, Interval, IntervalMethod};
use crate::holm;
use crate::numeric::count;
use crate::numeric::special::finite::{t_quantile, two_sided_p};
use crate::record::{all_positive, labels};
use crate::severity::{CellMeans, Distribution, Grouping, SeverityFit};

/// What to compare: plain data, checked in [`fit`](Self::fit), kept in the result.
///
/// | option | default | range | meaning |
/// |---|---|---|---|
/// | laboratory | required | a surface of the campaign | the laboratory belt |
/// | lower_bound, upper_bound | 0.80, 1.25 | below 1, above 1 | bounds of equivalence of the ratio |
/// | alpha | 0.05 | (0, 0.5) | level of each one-sided test |
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
/// assert_eq!(wide.equivalent_surfaces().len(), 6);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Equivalence {
    laboratory: String,
    lower_bound: f64,
    upper_bound: f64,
    alpha: f64,
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

    fn roads(&self, campaign: &Campaign) -> Result<Vec<String>> {
        let is_road = |s: &&Surface| s.name != self.laboratory && s.role != Some(SurfaceRole::Laboratory);
        let roads: Vec<String> = campaign.surfaces().iter().filter(is_road).map(|s| s.name.clone()).collect();
        if roads.is_empty() {
            let reason = format!("there is no road surface beside the laboratory surface {:?}", self.laboratory);
            return Err(ErrorKind::NothingToFit { reason }.into());
        }
        Ok(roads)
    }

    pub(crate) fn check(&self) -> Result<()> {
        check_bounds(self.lower_bound, self.upper_bound)?;
        check_alpha(self.alpha)?;
        if self.minimum_pairs < 2 {
            return Err(ErrorKind::option("minimum_pairs", self.minimum_pairs, "at least 2"));
        }
        Ok(())
    }

    /// Compares the belt with every road surface of `campaign`. Level, distribution and what trials share are those of
    /// `severity`.
    ///
    /// ```
    /// use surface_severity::campaign::Campaign;
    /// use surface_severity::{ErrorKind, equivalence::Equivalence, severity::Severity};
    /// let campaign = Campaign::read_path("data-demo/trials.csv")?;
    /// let fit = Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// let equivalence = Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// // Six roads; the belt's ratio to each is that of the severity scale.
    /// assert_eq!((equivalence.surfaces().len(), equivalence.level()), (6, fit.level()));
    /// let error = Equivalence::new("treadmill").fit(&campaign, &fit).unwrap_err();
    /// assert!(matches!(error.kind(), ErrorKind::UnknownSurface { .. }));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for an option out of range, and for a fit of another campaign;
    /// [`ErrorKind::UnknownSurface`]; [`ErrorKind::NothingToFit`] without a road surface; those of
    /// [`SeverityFit::cell_means`]. What cannot be had for one road is [`Attempt::Unavailable`] there.
    pub fn fit(&self, campaign: &Campaign, severity: &SeverityFit) -> Result<EquivalenceFit> {
        self.check()?;
        campaign.surface(&self.laboratory)?;
        let roads = self.roads(campaign)?;
        let cells = severity.cell_means(campaign)?;
        let conditions = conditions(severity, campaign, &self.laboratory);
        let work = Work { plan: self, campaign, severity, cells: &cells, conditions: &conditions };
        // Classes on all roads: as many tests as there may be.
        let mut named: Vec<&String> = campaign.materials().iter().filter_map(|m| m.class.as_ref()).collect();
        named.sort_unstable();
        named.dedup();
        let tests = named.len() * roads.len();
        let mut surfaces = roads.iter().map(|road| work.surface(road, tests)).collect::<Result<Vec<_>>>()?;
        adjust_over_surfaces(&mut surfaces);
        adjust(surfaces.iter_mut().flat_map(|s| &mut s.classes), self.alpha);
        Ok(EquivalenceFit {
            options: self.clone(),
            level: severity.level(),
            distribution: severity.distribution(),
            campaign_digest: campaign.digest(),
            decisions: campaign.decisions().to_vec(),
            log_scatter: cells.log_scatter() * cells.small_sample_factor(),
            scatter_degrees_of_freedom: cells.interval_degrees_of_freedom(),
            conditions,
            undetermined: severity.undetermined().to_vec(),
            stated_at: stated_at(severity),
            scale: scale(severity, &self.laboratory),
            surfaces,
        })
    }
}

fn adjust_over_surfaces(surfaces: &mut [SurfaceEquivalence]) {
    let p_of = |s: &SurfaceEquivalence| s.test.fitted().map(Tost::p_value);
    let tested: Vec<usize> = (0..surfaces.len()).filter(|&i| p_of(&surfaces[i]).is_some()).collect();
    let p: Vec<f64> = tested.iter().filter_map(|&i| p_of(&surfaces[i])).collect();
    for (&i, adjusted) in tested.iter().zip(holm(&p)) {
        surfaces[i].adjusted_p_value = Some(adjusted);
    }
    let slope = |s: &SurfaceEquivalence| s.power_law.fitted().and_then(|l| l.slope_one_p_value);
    let lines: Vec<usize> = (0..surfaces.len()).filter(|&i| slope(&surfaces[i]).is_some()).collect();
    let p: Vec<f64> = lines.iter().filter_map(|&i| slope(&surfaces[i])).collect();
    for (&i, adjusted) in lines.iter().zip(holm(&p)) {
        if let Attempt::Fitted(line) = &mut surfaces[i].power_law {
            line.adjusted_slope_one_p_value = Some(adjusted);
        }
    }
}

/// Columns of the covariates with their nominal values, each once.
fn stated_at(severity: &SeverityFit) -> Vec<String> {
    let effects = severity.covariate_effects().iter();
    let mut stated: Vec<String> =
        effects.map(|e| format!("{} {}", e.covariate.column(), e.covariate.nominal())).collect();
    stated.dedup();
    stated
}

/// What one further day, run or belt adds.
fn conditions(severity: &SeverityFit, campaign: &Campaign, laboratory: &str) -> Vec<SharedCondition> {
    let mut found: Vec<SharedCondition> = severity
        .shared_variances()
        .into_iter()
        .map(|shared| SharedCondition {
            laboratory_levels: levels_on(campaign, laboratory, &shared.grouping),
            grouping: shared.grouping,
            log_variance: shared.log_variance,
            degrees_of_freedom: shared.degrees_of_freedom,
        })
        .collect();
    found.sort_by(|a, b| a.grouping.cmp(&b.grouping));
    found
}

fn levels_on(campaign: &Campaign, surface: &str, grouping: &Grouping) -> usize {
    let mut labels: Vec<(Option<&str>, &str)> =
        campaign.trials_in_use().filter(|t| t.surface == surface).filter_map(|t| grouping.label(t)).collect();
    labels.sort_unstable();
    labels.dedup();
    labels.len()
}

/// Every surface relative to the belt, from the mildest.
fn scale(severity: &SeverityFit, laboratory: &str) -> Vec<ScalePosition> {
    let mut scale: Vec<ScalePosition> = severity
        .factors()
        .iter()
        .map(|row| {
            let ratio = severity.factor_between(&row.surface, laboratory);
            ScalePosition {
                surface: row.surface.clone(),
                role: row.role,
                log_ratio: ratio.as_ref().ok().map(|interval| libm::log(interval.estimate())),
                ratio_to_laboratory: ratio.map_or_else(|e| Estimate::not_estimable(e.to_string()), Into::into),
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

/// What every road is compared with.
struct Work<'a> {
    plan: &'a Equivalence,
    campaign: &'a Campaign,
    severity: &'a SeverityFit,
    cells: &'a CellMeans,
    conditions: &'a [SharedCondition],
}

impl Work<'_> {
    fn surface(&self, road: &str, tests: usize) -> Result<SurfaceEquivalence> {
        let plan = self.plan;
        let factor = self.cells.small_sample_factor();
        let (pairs, left_out) = pair(self.campaign, self.cells, factor, &plan.laboratory, road);
        let columns = Columns::new(&pairs, self.cells, factor, (&plan.laboratory, road), plan.scatter_estimator);
        let errors = columns.ratios(None).1;
        let (constant_ratio, constant_errors) = self.constant_ratio(&columns, road);
        let (power_law, power_errors) = self.power_law(&columns);
        let gain = PredictionGain::of(constant_errors, power_errors);
        let better = |g: &PredictionGain| {
            if g.mean_square_difference > 0.0 { Form::PowerLaw } else { Form::ConstantRatio }
        };
        let settings = (plan.scatter_estimator, plan.alpha, self.severity.level(), tests);
        let classes = departures(&pairs, &errors, settings)?;
        let test = self.test(road);
        Ok(SurfaceEquivalence {
            surface: road.to_owned(),
            pairs,
            left_out,
            constant_ratio,
            power_law,
            better_predicting: gain.as_ref().map(better),
            prediction_gain: gain,
            classes,
            test,
            adjusted_p_value: None,
        })
    }

    fn test(&self, road: &str) -> Attempt<Tost> {
        let test = || {
            let log = self.severity.log_factor_between(&self.plan.laboratory, road)?;
            let se = log.standard_error * self.severity.small_sample_factor();
            let bounds = (self.plan.lower_bound, self.plan.upper_bound);
            tost(log.estimate, se, Some(log.equivalent_degrees_of_freedom().min(1e9)), bounds, self.plan.alpha)
        };
        Attempt::from(test())
    }

    fn constant_ratio(&self, columns: &Columns, road: &str) -> (Attempt<ConstantRatio>, Option<Vec<f64>>) {
        let (needed, found) = (self.plan.minimum_pairs, columns.len());
        if found < needed {
            return (Attempt::Unavailable(Unavailable::TooFewPairs { needed, found }), None);
        }
        let errors = columns.leave_out(|fold| {
            let (d, se) = columns.ratios(Some(fold));
            Ok((random_effects(&d, &se, self.plan.scatter_estimator)?.mean(), 1.0))
        });
        let fit = self.fit_constant_ratio(columns, road, root_mean_square(errors.as_deref()));
        (Attempt::from(fit), errors)
    }

    fn fit_constant_ratio(&self, columns: &Columns, road: &str, leave_one_out: Option<f64>) -> Result<ConstantRatio> {
        let laboratory = &self.plan.laboratory;
        let log = self.severity.log_factor_between(laboratory, road)?;
        let (d, se) = columns.ratios(None);
        let fit = random_effects(&d, &se, self.plan.scatter_estimator)?;
        let limits = fit.intrinsic_scatter_limits(self.severity.level())?;
        let standard_error = log.standard_error * self.severity.small_sample_factor();
        Ok(ConstantRatio {
            ratio: self.severity.factor_between(laboratory, road)?,
            log_ratio: log.estimate,
            log_standard_error: standard_error,
            degrees_of_freedom: log.equivalent_degrees_of_freedom().min(1e9),
            shared_log_variance: columns.common.min(standard_error * standard_error),
            intrinsic_log_scatter: fit.intrinsic_scatter(),
            intrinsic_log_scatter_lower: limits.0,
            intrinsic_log_scatter_upper: limits.1,
            scatter: fit.scatter(),
            cochran_q: fit.cochran_q(),
            heterogeneity_p_value: fit.heterogeneity_p_value(),
            pair_log_variance: fit.typical_variance(),
            observed_log_variance: fit.observed_variance(),
            scatter_degrees_of_freedom: count(fit.degrees_of_freedom()),
            leave_one_out_log_error: leave_one_out,
        })
    }

    fn power_law(&self, columns: &Columns) -> (Attempt<PowerLaw>, Option<Vec<f64>>) {
        let (found, needed) = (columns.len(), self.plan.minimum_pairs.max(3));
        if found < needed {
            return (Attempt::Unavailable(Unavailable::TooFewPairs { needed, found }), None);
        }
        let first = columns.x.first().copied().unwrap_or(0.0);
        if columns.x.iter().all(|x| x.to_bits() == first.to_bits()) {
            return (Attempt::Unavailable(Unavailable::SameLaboratoryTimes), None);
        }
        let line = match columns.line() {
            Ok(line) => line,
            Err(error) => return (Attempt::from(Err(error)), None),
        };
        let errors = columns.leave_out(|fold| columns.line_without(fold, &line));
        let fit = self.fit_power_law(columns, &line, root_mean_square(errors.as_deref()));
        (Attempt::from(fit), errors)
    }

    fn fit_power_law(&self, columns: &Columns, fit: &ScatterLine, leave_one_out: Option<f64>) -> Result<PowerLaw> {
        let level = self.severity.level();
        let scatter_df = count(fit.line().degrees_of_freedom());
        let (own, added) = (fit.small_sample_covariance(), columns.shared_covariance(fit));
        let covariance = LineCovariance {
            slope_standard_error: libm::hypot(own.slope_standard_error, added.slope_standard_error),
            intercept_standard_error: libm::hypot(own.intercept_standard_error, added.intercept_standard_error),
            covariance: own.covariance + added.covariance,
        };
        // The shared part rests on the fewest levels there are (Satterthwaite).
        let shared_df = self.conditions.iter().map(|c| c.degrees_of_freedom).fold(f64::INFINITY, f64::min);
        let freedom = |own: f64, added: f64| {
            let (own, added) = (own * own, added * added);
            let spread = own * own / scatter_df + added * added / shared_df;
            if spread > 0.0 { (own + added) * (own + added) / spread } else { scatter_df }
        };
        let interval = |estimate: f64, se: f64, df: f64| -> Result<Interval> {
            let quantile = t_quantile(0.5 + level / 2.0, Some(df))
                .ok_or_else(|| ErrorKind::option("level", level, "a level with a finite t quantile"))?;
            let half = se * quantile;
            Interval::new(estimate, estimate - half, estimate + half, level, IntervalMethod::StudentT)
        };
        let (slope, intercept) = (fit.line().slope(), fit.line().intercept());
        let slope_df = freedom(own.slope_standard_error, added.slope_standard_error);
        let intercept_df = freedom(own.intercept_standard_error, added.intercept_standard_error);
        let limits = fit.intrinsic_scatter_limits(level)?;
        Ok(PowerLaw {
            slope: interval(slope, covariance.slope_standard_error, slope_df)?,
            intercept: interval(intercept, covariance.intercept_standard_error, intercept_df)?,
            log_covariance: covariance,
            degrees_of_freedom: slope_df,
            intrinsic_log_scatter: fit.intrinsic_scatter(),
            intrinsic_log_scatter_lower: limits.0,
            intrinsic_log_scatter_upper: limits.1,
            scatter: fit.scatter(),
            slope_one_p_value: two_sided_p(slope - 1.0, covariance.slope_standard_error, Some(slope_df)),
            adjusted_slope_one_p_value: None,
            pair_log_variance: fit.typical_variance(),
            observed_log_variance: fit.observed_variance(),
            scatter_degrees_of_freedom: scatter_df,
            leave_one_out_log_error: leave_one_out,
        })
    }
}

fn root_mean_square(errors: Option<&[f64]>) -> Option<f64> {
    let errors = errors?;
    let root = libm::sqrt(errors.iter().map(|e| e * e).sum::<f64>() / count(errors.len()));
    root.is_finite().then_some(root)
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
/// assert!(equivalence.equivalent_surfaces().len() < 6, "roads differ fivefold, no belt is like all of them");
/// assert_eq!(equivalence.campaign_digest(), campaign.digest());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct EquivalenceFit {
    pub(super) options: Equivalence,
    pub(super) level: f64,
    pub(super) distribution: Distribution,
    pub(super) campaign_digest: String,
    pub(super) decisions: Vec<Decision>,
    pub(super) log_scatter: f64,
    pub(super) scatter_degrees_of_freedom: f64,
    pub(super) conditions: Vec<SharedCondition>,
    pub(super) undetermined: Vec<String>,
    /// Covariates of the severity fit with their nominal values.
    pub(super) stated_at: Vec<String>,
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
    /// Confidence level of the intervals, that of the severity fit.
    #[must_use]
    pub fn level(&self) -> f64 {
        self.level
    }
    /// Distribution of times about their cell, that of the severity fit.
    #[must_use]
    pub fn distribution(&self) -> Distribution {
        self.distribution
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
    /// Days, runs and belts that the fit has in its limits; sorted.
    #[must_use]
    pub fn conditions(&self) -> &[SharedCondition] {
        &self.conditions
    }
    /// Recorded days, runs or belts that cannot be told from the surfaces, in words: what they share is in no limit, and
    /// nothing is shown while they stand.
    #[must_use]
    pub fn undetermined(&self) -> &[String] {
        &self.undetermined
    }
    /// At which values of recorded numbers everything is stated, such as `belt_drop 0`: those of the covariates of the severity
    /// fit.
    #[must_use]
    pub fn stated_at(&self) -> &[String] {
        &self.stated_at
    }
    /// Replicate scatter σ of log time within a cell; of independent censored trials the maximum-likelihood one times
    /// √(N/(N − p)), N trials in p cells.
    #[must_use]
    pub fn log_scatter(&self) -> f64 {
        self.log_scatter
    }
    /// Degrees of freedom of σ.
    #[must_use]
    pub fn scatter_degrees_of_freedom(&self) -> f64 {
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
    /// Road surfaces that the belt is shown equivalent to, the chance of any false one among them at most α (Holm); none
    /// while anything is [`undetermined`](Self::undetermined).
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
        let shown = |s: &&SurfaceEquivalence| {
            self.undetermined.is_empty() && s.adjusted_p_value.is_some_and(|p| p <= self.options.alpha)
        };
        self.surfaces.iter().filter(shown).map(|s| s.surface.as_str()).collect()
    }
    /// Classes that depart on any road, with the road.
    pub fn departing(&self) -> impl Iterator<Item = (&str, &ClassDeparture)> {
        self.surfaces.iter().flat_map(Self::departing_on)
    }

    fn departing_on(s: &SurfaceEquivalence) -> Vec<(&str, &ClassDeparture)> {
        s.classes.iter().filter(|c| c.departs).map(|c| (s.surface.as_str(), c)).collect()
    }

    pub(super) fn check(&self) -> std::result::Result<(), String> {
        self.options.check().map_err(|e| e.to_string())?;
        crate::record::level(self.level)?;
        all_positive(&[
            ("log_scatter", self.log_scatter),
            ("scatter_degrees_of_freedom", self.scatter_degrees_of_freedom),
        ])?;
        check_decisions(&self.decisions)?;
        labels("surface", self.surfaces.iter().map(|s| s.surface.as_str()))?;
        labels("surface of the scale", self.scale.iter().map(|p| p.surface.as_str()))
    }
}
