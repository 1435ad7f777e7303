//! Deriving corrections from an equivalence fit, and applying them.

use serde::{Deserialize, Serialize};

use super::classes::{ClassBasis, ClassCorrection, ClassCorrections, CorrectionBasis};
use super::predict::{Part, Pieces, Predictive, Target, sum_of};
use super::reports::{LabReport, LogMedian};
use super::requirement::{Reaching, Requirement, evaluate};
use super::validity::{ClassCount, Domain, Validity};
use crate::campaign::Decision;
use crate::document::{CRATE_VERSION, present};
use crate::equivalence::{
    ClassDeparture, EquivalenceFit, Form, MaterialPair, SharedCondition, SurfaceEquivalence, check_decisions,
    check_ratio,
};
use crate::error::{ErrorKind, Result};
use crate::estimate::{Bound, BoundSide, Estimate, Interval, IntervalMethod, check_level, significant};
use crate::numeric::count;
use crate::numeric::special::f_survival;
use crate::numeric::special::finite::t_quantile;
use crate::record::{all_at_least_zero, all_finite, all_positive, covariance, record};
use crate::severity::{Distribution, Grouping};

/// How to derive corrections: plain data, checked in [`Correction::derive`], kept in the document.
///
/// | option | default | range | meaning |
/// |---|---|---|---|
/// | form | constant ratio | see [`Form`] | relation between laboratory and road times |
/// | by_class | true | constant ratio only | a factor for each material class, shrunk towards the common one |
/// | minimum_class_materials | 1 | 1 or more | a class with fewer materials takes the common factor, with the scatter between classes in its interval |
///
/// The level is that of the severity fit.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// use surface_severity::correction::{Correction, CorrectionOptions};
/// let correction = Correction::derive(&equivalence, &CorrectionOptions::default())?;
/// assert!(correction.level() == fit.level() && correction.by_class());
/// assert!(Correction::derive(&equivalence, &CorrectionOptions::default().minimum_class_materials(0)).is_err());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct CorrectionOptions {
    pub(super) form: Form,
    pub(super) level: f64,
    pub(super) by_class: bool,
    pub(super) minimum_class_materials: usize,
}

impl Default for CorrectionOptions {
    fn default() -> Self {
        Self { form: Form::ConstantRatio, level: 0.95, by_class: true, minimum_class_materials: 1 }
    }
}

impl CorrectionOptions {
    /// Sets the form.
    #[must_use]
    pub fn form(mut self, form: Form) -> Self {
        self.form = form;
        self
    }
    /// Sets whether each material class has a factor of its own, where there are at least three materials more than classes or a
    /// class departs; elsewhere one factor serves, whose scatter between materials holds what classes differ by.
    #[must_use]
    pub fn by_class(mut self, by_class: bool) -> Self {
        self.by_class = by_class;
        self
    }
    /// Sets the fewest materials from which a class has a factor of its own.
    #[must_use]
    pub fn minimum_class_materials(mut self, materials: usize) -> Self {
        self.minimum_class_materials = materials;
        self
    }
    fn check(&self) -> Result<()> {
        check_level(self.level)?;
        if self.minimum_class_materials == 0 {
            return Err(ErrorKind::option("minimum_class_materials", 0, "at least 1"));
        }
        Ok(())
    }
}

record! {
    /// How laboratory times are read as times on one road surface.
    ///
    /// log road = intercept + slope · log laboratory, times in s; slope exactly 1 for the constant ratio.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// let concrete = correction.correction("brushed concrete")?;
    /// // The belt is the harsher of the two: a second on it is worth more on the road.
    /// assert!(concrete.factor().lower() > 1.0);
    /// assert!((concrete.factor().estimate().ln() - concrete.log_factor()).abs() < 1e-12);
    /// println!("{} from {} materials", concrete.factor(), concrete.domain().materials());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct SurfaceCorrection as RawSurfaceCorrection {
        /// The road surface.
        borrow surface: String => str,
        /// c: multiply a laboratory time by it to read it as a road time. For the power law, c at
        /// [`factor_at_laboratory_time_s`](Self::factor_at_laboratory_time_s).
        borrow factor: Interval => Interval,
        /// Log of c.
        copy log_factor: f64,
        /// Standard error of log c, with what days, runs and belts add.
        copy log_factor_standard_error: f64,
        /// The laboratory time that `factor` belongs to, s: the geometric mean of the materials it was derived from.
        copy factor_at_laboratory_time_s: f64,
        /// Form of the relation.
        copy form: Form,
        /// Slope.
        copy slope: f64,
        /// Its standard error; 0 for the constant ratio.
        copy slope_standard_error: f64,
        /// Intercept: log road time at a laboratory time of 1 s.
        copy intercept: f64,
        /// Its standard error.
        copy intercept_standard_error: f64,
        /// Covariance of intercept and slope; 0 for the constant ratio.
        copy log_covariance: f64,
        /// Degrees of freedom of the factor and of the line.
        copy factor_degrees_of_freedom: f64,
        /// ν: degrees of freedom of the scatter between materials: materials − 1, or − 2 for the power law.
        copy degrees_of_freedom: f64,
        /// τ: scatter of log road medians between materials that replicates do not explain.
        copy intrinsic_log_scatter: f64,
        /// v: variance of a material's log ratio that replicates explain.
        copy pair_log_variance: f64,
        /// s²: variance of the materials about the line that was observed.
        copy observed_log_variance: f64,
        /// The part of the squared standard error of the factor that moves all materials alike: days, runs and belts.
        copy shared_log_variance: f64,
        /// What it was derived from.
        borrow domain: Domain => Domain,
        /// Factors by class, where asked for and to be had; the other fields are those of the common factor.
        maybe classes: Option<ClassCorrections> => ClassCorrections,
    }
}

/// The relation of one form, as an intercept and a slope in log times.
struct Line {
    slope: f64,
    slope_se: f64,
    intercept: f64,
    intercept_se: f64,
    covariance: f64,
    /// Degrees of freedom of these, and of the scatter about the line.
    line_df: f64,
    df: f64,
    tau: f64,
    pair: f64,
    observed: f64,
    /// The part of the variance that moves all materials alike.
    shared: f64,
}

impl Line {
    fn of(surface: &SurfaceEquivalence, form: Form) -> Option<Self> {
        Some(match form {
            Form::ConstantRatio => {
                let c = surface.constant_ratio().fitted()?;
                Self {
                    slope: 1.0,
                    slope_se: 0.0,
                    intercept: c.log_ratio(),
                    intercept_se: c.log_standard_error(),
                    covariance: 0.0,
                    line_df: c.degrees_of_freedom(),
                    df: c.scatter_degrees_of_freedom(),
                    tau: c.intrinsic_log_scatter(),
                    pair: c.pair_log_variance(),
                    observed: c.observed_log_variance(),
                    shared: c.shared_log_variance(),
                }
            }
            Form::PowerLaw => {
                let p = surface.power_law().fitted()?;
                let c = p.log_covariance();
                Self {
                    slope: p.slope().estimate(),
                    slope_se: c.slope_standard_error,
                    intercept: p.intercept().estimate(),
                    intercept_se: c.intercept_standard_error,
                    covariance: c.covariance,
                    line_df: p.degrees_of_freedom(),
                    df: p.scatter_degrees_of_freedom(),
                    tau: p.intrinsic_log_scatter(),
                    pair: p.pair_log_variance(),
                    observed: p.observed_log_variance(),
                    shared: 0.0,
                }
            }
        })
    }
}

impl SurfaceCorrection {
    fn derive(surface: &SurfaceEquivalence, options: &CorrectionOptions) -> Result<Option<Self>> {
        let pairs = surface.pairs();
        let logs: Vec<f64> = pairs.iter().map(MaterialPair::laboratory_log_median).collect();
        let centre = logs.iter().sum::<f64>() / count(logs.len());
        let Some(line) = Line::of(surface, options.form) else { return Ok(None) };
        let log_factor = line.intercept + (line.slope - 1.0) * centre;
        let variance = line_variance(line.intercept_se, line.slope_se, line.covariance, centre);
        let log_factor_se = libm::sqrt(variance);
        let factor = match surface.constant_ratio().fitted() {
            // The one number, with its limits.
            Some(c) if options.form == Form::ConstantRatio => *c.ratio(),
            _ => {
                let quantile = t_quantile(0.5 + options.level / 2.0, Some(line.line_df))
                    .ok_or_else(|| ErrorKind::option("level", options.level, "a level with a finite t quantile"))?;
                Interval::from_log(log_factor, log_factor_se, quantile, options.level, IntervalMethod::StudentT)?
            }
        };
        let mut classes: Vec<ClassCount> = Vec::new();
        for pair in pairs {
            match classes.iter_mut().find(|c| c.class.as_deref() == pair.class()) {
                Some(class) => class.materials += 1,
                None => classes.push(ClassCount { class: pair.class().map(str::to_owned), materials: 1 }),
            }
        }
        classes.sort_by(|a, b| a.class.cmp(&b.class));
        let shortest = logs.iter().copied().fold(f64::INFINITY, f64::min);
        let longest = logs.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        Ok(Some(Self {
            surface: surface.surface().to_owned(),
            factor,
            log_factor,
            log_factor_standard_error: log_factor_se,
            factor_at_laboratory_time_s: libm::exp(centre),
            form: options.form,
            slope: line.slope,
            slope_standard_error: line.slope_se,
            intercept: line.intercept,
            intercept_standard_error: line.intercept_se,
            log_covariance: line.covariance,
            factor_degrees_of_freedom: line.line_df,
            degrees_of_freedom: line.df,
            intrinsic_log_scatter: line.tau,
            pair_log_variance: line.pair,
            observed_log_variance: line.observed,
            shared_log_variance: line.shared,
            domain: Domain {
                classes,
                shortest_laboratory_time_s: libm::exp(shortest),
                longest_laboratory_time_s: libm::exp(longest),
            },
            classes: None,
        }))
    }

    pub(super) fn check(&self) -> std::result::Result<(), String> {
        let of = |reason: String| format!("the correction for {:?}: {reason}", self.surface);
        self.check_numbers().map_err(of)
    }

    fn check_numbers(&self) -> std::result::Result<(), String> {
        all_finite(&[
            ("log_factor", self.log_factor),
            ("slope", self.slope),
            ("intercept", self.intercept),
            ("log_covariance", self.log_covariance),
        ])?;
        all_at_least_zero(&[
            ("log_factor_standard_error", self.log_factor_standard_error),
            ("slope_standard_error", self.slope_standard_error),
            ("intercept_standard_error", self.intercept_standard_error),
            ("intrinsic_log_scatter", self.intrinsic_log_scatter),
            ("pair_log_variance", self.pair_log_variance),
            ("observed_log_variance", self.observed_log_variance),
            ("shared_log_variance", self.shared_log_variance),
        ])?;
        all_positive(&[("factor_at_laboratory_time_s", self.factor_at_laboratory_time_s)])?;
        let exact = [self.slope - 1.0, self.slope_standard_error, self.log_covariance];
        if self.form == Form::ConstantRatio && exact.iter().any(|v| *v != 0.0) {
            return Err("a constant ratio has slope 1, without standard error or covariance".into());
        }
        all_positive(&[
            ("degrees_of_freedom", self.degrees_of_freedom),
            ("factor_degrees_of_freedom", self.factor_degrees_of_freedom),
        ])?;
        let (va, vb) = (self.intercept_standard_error.powi(2), self.slope_standard_error.powi(2));
        covariance("log_covariance", &[vec![va, self.log_covariance], vec![self.log_covariance, vb]])?;
        check_ratio(&self.factor)
    }

    /// log c with the part of its variance that single materials have for themselves, and the part that moves all alike.
    fn common(&self) -> ((f64, f64), Part) {
        let own = (self.variance_at(0.0) - self.shared_log_variance).max(0.0);
        ((self.intercept, own), (self.shared_log_variance, self.factor_degrees_of_freedom))
    }

    fn variance_at(&self, x: f64) -> f64 {
        line_variance(self.intercept_standard_error, self.slope_standard_error, self.log_covariance, x)
    }

    /// What one further day, run or belt adds to a reading: that of the report on the belt, and that of a further
    /// specimen on the road. An exactly known laboratory median has none of its own.
    fn further(&self, report: Known, target: Target, base: &Correction) -> impl Iterator<Item = Part> {
        let squared = self.slope * self.slope;
        base.conditions.iter().map(move |c| {
            let own = match c.grouping() {
                _ if c.laboratory_levels() == 0 || report.days.is_infinite() => 0.0,
                Grouping::Day => squared / report.days,
                _ => squared,
            };
            let road = if target == Target::Specimen && !matches!(c.grouping(), Grouping::Belt | Grouping::Laboratory) {
                1.0
            } else {
                0.0
            };
            (c.log_variance() * (own + road), c.degrees_of_freedom())
        })
    }

    /// Of the common correction, at a log laboratory time known exactly: the log line, the two limits of the line, and the two of the
    /// road median of a further material, all logs at the level of `base`.
    #[cfg(feature = "report")]
    pub(crate) fn bands(&self, base: &Correction, x: f64) -> Option<[f64; 5]> {
        let tail = 0.5 * (1.0 - base.options.level);
        let [line, material] = [Target::Line, Target::Material].map(|target| {
            let predictive = self.common_at(x, Known::EXACTLY, target, base);
            predictive.quantile(tail).zip(predictive.quantile(1.0 - tail))
        });
        let ((lower, upper), (material_lower, material_upper)) = (line?, material?);
        Some([self.intercept + self.slope * x, lower, upper, material_lower, material_upper])
    }

    /// Distribution of a log road time for a material of `class` with log median `x` on the belt.
    pub(super) fn distribution_at(
        &self,
        x: f64,
        report: Known,
        target: Target,
        class: Option<&str>,
        base: &Correction,
    ) -> Predictive {
        if let Some(classes) = &self.classes {
            let sigma = (report.variance, base.log_scatter, base.scatter_degrees_of_freedom);
            let line = (self.shared_log_variance, self.factor_degrees_of_freedom);
            let shared = sum_of(std::iter::once(line).chain(self.further(report, target, base)));
            return classes.apply(class, x, target, (sigma, shared), base.distribution);
        }
        self.common_at(x, report, target, base)
    }

    fn common_at(&self, x: f64, report: Known, target: Target, base: &Correction) -> Predictive {
        let variance = self.variance_at(x);
        // The line as it was fitted; a further material scatters by what made the line uncertain.
        let own = if target == Target::Line { 0.0 } else { (variance - self.shared_log_variance).max(0.0) };
        let line = (variance - own, self.factor_degrees_of_freedom);
        let pieces = Pieces {
            line: own,
            observed: self.observed_log_variance,
            pair: self.pair_log_variance,
            df: self.degrees_of_freedom,
            report: report.variance * self.slope * self.slope,
            sigma: base.log_scatter,
            sigma_df: base.scatter_degrees_of_freedom,
            shared: sum_of(std::iter::once(line).chain(self.further(report, target, base))),
        };
        Predictive::new(self.intercept + self.slope * x, pieces, target, base.distribution)
    }

    /// The factor for a material of `class`: that of its class, where there are factors by class and it has one.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// use surface_severity::correction::{Correction, CorrectionOptions};
    /// let correction = Correction::derive(&equivalence, &CorrectionOptions::default().by_class(true))?;
    /// let polished = correction.correction("polished fine asphalt")?;
    /// // Lined textiles gain less on the polished road of this invented campaign than leather does.
    /// let lined = polished.factor_of(Some("multi-layer lined textile")).estimate();
    /// assert!(lined < polished.factor_of(Some("leather")).estimate());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn factor_of(&self, class: Option<&str>) -> &Interval {
        let Some(classes) = &self.classes else { return &self.factor };
        let own = classes.classes().iter().find(|c| Some(c.class()) == class);
        own.map_or(classes.other_factor(), ClassCorrection::factor)
    }

    fn apply(&self, report: &LabReport, base: &Correction) -> CorrectedTime {
        let level = base.options.level;
        let tail = 0.5 * (1.0 - level);
        // A bound shares its error probability between the report and the line (Bonferroni).
        let lab = report.log_median(base.log_scatter, base.distribution, 1.0 - tail);
        let laboratory_median_s = laboratory_estimate(report, &lab, base);
        let class = report.material_class();
        let result = |values: [Estimate; 3], known: Option<f64>, predictives: Option<[Predictive; 2]>| {
            let [expected_road_median_s, road_median_s, road_specimen_s] = values;
            CorrectedTime {
                report_id: report.report_id().to_owned(),
                material: report.material().to_owned(),
                material_class: class.map(str::to_owned),
                surface: self.surface.clone(),
                form: self.form,
                specimens: report.counted(),
                laboratory_median_s: laboratory_median_s.clone(),
                expected_road_median_s,
                road_median_s,
                road_specimen_s,
                validity: self.domain.validity(known, class),
                scatter_p_value: scatter_p_value(report, base),
                basis: self.classes.as_ref().map_or(CorrectionBasis::Common, |c| c.basis(class).0),
                predictives,
            }
        };
        match lab {
            LogMedian::Known { value: x, variance } => {
                let [line, material, specimen] = [Target::Line, Target::Material, Target::Specimen].map(|target| {
                    self.distribution_at(x, Known { variance, days: report.days() }, target, class, base)
                });
                let estimate = |p: &Predictive, method| -> Estimate {
                    let limits = p.quantile(tail).zip(p.quantile(1.0 - tail)).zip(p.middle());
                    limits
                        .and_then(|((lower, upper), middle)| {
                            let (l, m, u) = (libm::exp(lower), libm::exp(middle), libm::exp(upper));
                            Interval::new(m.clamp(l, u), l, u, level, method).ok()
                        })
                        .map_or_else(|| Estimate::not_estimable("its limits leave the range of numbers"), Into::into)
                };
                let values = [
                    estimate(
                        &line,
                        if self.classes.is_some() { IntervalMethod::Prediction } else { IntervalMethod::StudentT },
                    ),
                    estimate(&material, IntervalMethod::Prediction),
                    estimate(&specimen, IntervalMethod::Prediction),
                ];
                result(values, Some(libm::exp(x)), Some([material, specimen]))
            }
            LogMedian::Bound { side, value } => {
                let known = Known { variance: 0.0, days: report.days() };
                let values = [Target::Line, Target::Material, Target::Specimen]
                    .map(|target| self.bound((value, known), side, target, tail, (class, base)));
                result(values, None, None)
            }
            LogMedian::Nothing => {
                let none = || Estimate::not_estimable("no specimen of the report counts");
                result([none(), none(), none()], None, None)
            }
        }
    }

    fn bound(
        &self,
        (x, known): (f64, Known),
        side: BoundSide,
        target: Target,
        tail: f64,
        (class, base): (Option<&str>, &Correction),
    ) -> Estimate {
        if self.slope <= 0.0 {
            return Estimate::not_estimable(
                "only a bound of the laboratory time is known, and the power law does not rise with it",
            );
        }
        let p = if side == BoundSide::AtLeast { tail } else { 1.0 - tail };
        let reason = match side {
            BoundSide::AtLeast => "every specimen of the report ran out",
            BoundSide::AtMost => "every specimen of the report opened at contact",
        };
        self.distribution_at(x, known, target, class, base)
            .quantile(p)
            .and_then(|log| Bound::new(side, libm::exp(log), base.options.level, reason).ok())
            .map_or_else(|| Estimate::not_estimable("its bound leaves the range of numbers"), Into::into)
    }
}

/// How well a log median on the belt is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Known {
    /// Its variance through replicate scatter.
    pub(super) variance: f64,
    /// Days (runs, belts) that its specimens came from.
    pub(super) days: f64,
}

impl Known {
    /// The median over all days, without error.
    pub(super) const EXACTLY: Self = Self { variance: 0.0, days: f64::INFINITY };
}

fn line_variance(intercept_se: f64, slope_se: f64, covariance: f64, x: f64) -> f64 {
    (intercept_se * intercept_se + x * (2.0 * covariance + x * slope_se * slope_se)).max(0.0)
}

fn laboratory_estimate(report: &LabReport, lab: &LogMedian, base: &Correction) -> Estimate {
    let level = base.options.level;
    let failed = || Estimate::not_estimable("its limits leave the range of numbers");
    match lab {
        LogMedian::Known { value, variance } => t_quantile(0.5 + level / 2.0, Some(base.scatter_degrees_of_freedom))
            .and_then(|q| Interval::from_log(*value, libm::sqrt(*variance), q, level, IntervalMethod::StudentT).ok())
            .map_or_else(failed, Into::into),
        LogMedian::Bound { side, .. } => match report.log_median(base.log_scatter, base.distribution, level) {
            LogMedian::Bound { value, .. } => {
                let reason = match side {
                    BoundSide::AtLeast => "every specimen ran out",
                    BoundSide::AtMost => "every specimen opened at contact",
                };
                Bound::new(*side, libm::exp(value), level, reason).map_or_else(|_| failed(), Into::into)
            }
            _ => failed(),
        },
        LogMedian::Nothing => Estimate::not_estimable("no specimen of the report counts"),
    }
}

/// Two-sided F test of the report's own scatter against that of the campaign.
fn scatter_p_value(report: &LabReport, base: &Correction) -> Option<f64> {
    if base.distribution != Distribution::LogNormal {
        return None;
    }
    let sd = report.log_sd()?;
    let ratio = (sd / base.log_scatter) * (sd / base.log_scatter);
    let above = f_survival(ratio, count(report.counted()) - 1.0, base.scatter_degrees_of_freedom);
    let p = 2.0 * above.min(1.0 - above);
    p.is_finite().then(|| p.clamp(0.0, 1.0))
}

record! {
    /// A road surface without a correction.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// use surface_severity::{campaign::Campaign, correction::Correction, equivalence::Equivalence, severity::Severity};
    /// // As if the polished road had seen no materials but denim: two pairs, too few.
    /// let kept = |t: &&surface_severity::campaign::Trial| t.surface != "polished fine asphalt" || t.material.ends_with("denim");
    /// let campaign = Campaign::from_trials(campaign.trials().iter().filter(kept).cloned())?;
    /// let fit = Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// let equivalence = Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// let correction = Correction::derive(&equivalence, &Default::default())?;
    /// let missing = &correction.not_corrected()[0];
    /// assert_eq!(missing.surface(), "polished fine asphalt");
    /// println!("{}", missing.reason());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct NotCorrected as RawNotCorrected {
        /// The surface.
        borrow surface: String => str,
        /// Why there is none.
        borrow reason: String => str,
    }
}

impl NotCorrected {
    #[allow(clippy::unnecessary_wraps, clippy::unused_self)]
    fn check(&self) -> std::result::Result<(), String> {
        Ok(())
    }
}

/// Corrections of laboratory times for every road surface: a small document that needs no trials.
///
/// Save it with [`save_path`](Self::save_path); [`load_path`](Self::load_path) gives back the same numbers to the bit.
///
/// ```
/// use surface_severity::campaign::Campaign;
/// use surface_severity::correction::{Correction, CorrectionOptions, LabReport};
/// use surface_severity::equivalence::Equivalence;
/// use surface_severity::severity::Severity;
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let fit = Severity::new("dense asphalt concrete").fit(&campaign)?;
/// let equivalence = Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// let correction = Correction::derive(&equivalence, &CorrectionOptions::default())?;
/// // A customer's report: five specimens, geometric mean 2.1 s on the belt.
/// let report = LabReport::from_mean("R 7", "new twill", Some("single-layer textile".into()), 2.1, 5, 0.2)?;
/// for time in correction.apply(&report) {
///     println!("{}: {} s ({})", time.surface(), time.road_median_s(), time.validity());
/// }
/// assert_eq!(correction.apply(&report).len(), correction.corrections().len());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Correction {
    pub(super) crate_version: String,
    pub(super) campaign_digest: String,
    pub(super) options: CorrectionOptions,
    #[serde(deserialize_with = "present")]
    pub(super) seed: Option<u64>,
    pub(super) decisions: Vec<Decision>,
    pub(super) laboratory: String,
    pub(super) distribution: Distribution,
    pub(super) log_scatter: f64,
    pub(super) scatter_degrees_of_freedom: f64,
    pub(super) conditions: Vec<SharedCondition>,
    pub(super) corrections: Vec<SurfaceCorrection>,
    pub(super) not_corrected: Vec<NotCorrected>,
    pub(super) cautions: Vec<String>,
}

impl Correction {
    /// Derives a correction for each road surface of `fit` that has the form asked for.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// use surface_severity::correction::{Correction, CorrectionOptions};
    /// use surface_severity::equivalence::Form;
    /// let power = Correction::derive(&equivalence, &CorrectionOptions::default().form(Form::PowerLaw))?;
    /// let ratio = Correction::derive(&equivalence, &CorrectionOptions::default())?;
    /// // The slope takes a degree of freedom.
    /// let df = |c: &Correction| c.correction("brushed concrete").map(|c| c.degrees_of_freedom());
    /// assert_eq!(df(&power)?, df(&ratio)? - 1.0);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a level outside (0, 1); [`ErrorKind::NothingToFit`] if no surface can be
    /// corrected, with the reason of the first.
    pub fn derive(fit: &EquivalenceFit, options: &CorrectionOptions) -> Result<Self> {
        options.check()?;
        let options = &CorrectionOptions { level: fit.level(), ..options.clone() };
        let (mut corrections, mut not_corrected, mut without_classes) = (Vec::new(), Vec::new(), Vec::new());
        for surface in fit.surfaces() {
            match SurfaceCorrection::derive(surface, options) {
                Ok(Some(mut correction)) => {
                    // Classes differ in the ratio: a power law has none of its own.
                    if options.by_class && options.form == Form::ConstantRatio {
                        match ClassCorrections::derive(
                            surface.pairs(),
                            fit.options().estimator(),
                            options,
                            correction.common(),
                        ) {
                            Ok(classes) if worth_reading(&classes, surface) => correction.classes = Some(classes),
                            Ok(classes) => without_classes.push((surface.surface().to_owned(), too_few(&classes))),
                            Err(error) => without_classes.push((surface.surface().to_owned(), error.to_string())),
                        }
                    }
                    corrections.push(correction);
                }
                Ok(None) => {
                    let why = match options.form {
                        Form::ConstantRatio => surface.constant_ratio().unavailable(),
                        Form::PowerLaw => surface.power_law().unavailable(),
                    };
                    let reason = why.map_or_else(String::new, ToString::to_string);
                    not_corrected.push(NotCorrected { surface: surface.surface().to_owned(), reason });
                }
                Err(error) => not_corrected
                    .push(NotCorrected { surface: surface.surface().to_owned(), reason: error.to_string() }),
            }
        }
        if corrections.is_empty() {
            let first = not_corrected.first().map_or("no road surface", |n| n.reason.as_str());
            return Err(ErrorKind::NothingToFit { reason: format!("no surface can be corrected: {first}") }.into());
        }
        let cautions = cautions(fit, options, &corrections, &not_corrected, &without_classes);
        Ok(Self {
            crate_version: CRATE_VERSION.into(),
            campaign_digest: fit.campaign_digest().into(),
            options: options.clone(),
            seed: None,
            decisions: fit.decisions().to_vec(),
            laboratory: fit.laboratory().into(),
            distribution: fit.distribution(),
            log_scatter: fit.log_scatter(),
            scatter_degrees_of_freedom: fit.scatter_degrees_of_freedom(),
            conditions: fit.conditions().to_vec(),
            corrections,
            not_corrected,
            cautions,
        })
    }

    /// Records the seed of the run that the correction belongs to; deriving draws nothing at random.
    #[must_use]
    pub fn with_seed(mut self, seed: u64) -> Self {
        self.seed = Some(seed);
        self
    }
    /// Version of the crate that derived it.
    #[must_use]
    pub fn crate_version(&self) -> &str {
        &self.crate_version
    }
    /// Digest of the campaign it was derived from.
    #[must_use]
    pub fn campaign_digest(&self) -> &str {
        &self.campaign_digest
    }
    /// Seed of the run, if one was recorded.
    #[must_use]
    pub fn seed(&self) -> Option<u64> {
        self.seed
    }
    /// The decisions on single trials that were in force, sorted by trial.
    #[must_use]
    pub fn decisions(&self) -> &[Decision] {
        &self.decisions
    }
    /// The laboratory belt whose times it corrects.
    #[must_use]
    pub fn laboratory(&self) -> &str {
        &self.laboratory
    }
    /// Confidence level of the intervals.
    #[must_use]
    pub fn level(&self) -> f64 {
        self.options.level
    }
    /// Whether factors by class were asked for.
    #[must_use]
    pub fn by_class(&self) -> bool {
        self.options.by_class
    }
    /// Form that was asked for.
    #[must_use]
    pub fn form(&self) -> Form {
        self.options.form
    }
    /// Distribution of times about their cell.
    #[must_use]
    pub fn distribution(&self) -> Distribution {
        self.distribution
    }
    /// Replicate scatter σ of log time.
    #[must_use]
    pub fn log_scatter(&self) -> f64 {
        self.log_scatter
    }
    /// Degrees of freedom of σ; `None` in a document of version 1 under censoring.
    #[must_use]
    pub fn scatter_degrees_of_freedom(&self) -> f64 {
        self.scatter_degrees_of_freedom
    }
    /// What one further day, run or belt adds to a reading.
    #[must_use]
    pub fn conditions(&self) -> &[SharedCondition] {
        &self.conditions
    }
    /// The corrections, sorted by surface.
    #[must_use]
    pub fn corrections(&self) -> &[SurfaceCorrection] {
        &self.corrections
    }
    /// Road surfaces without a correction, and why.
    #[must_use]
    pub fn not_corrected(&self) -> &[NotCorrected] {
        &self.not_corrected
    }
    /// What a user of the document should know, in sentences.
    #[must_use]
    pub fn cautions(&self) -> &[String] {
        &self.cautions
    }
    /// The correction for one road surface.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// assert_eq!(correction.correction("brushed concrete")?.surface(), "brushed concrete");
    /// assert!(correction.correction("laboratory belt").is_err(), "the belt is not a road");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::UnknownSurface`] with the surfaces that have one.
    pub fn correction(&self, surface: &str) -> Result<&SurfaceCorrection> {
        self.corrections.iter().find(|c| c.surface == surface).ok_or_else(|| {
            ErrorKind::UnknownSurface {
                name: surface.into(),
                known: self.corrections.iter().map(|c| c.surface.clone()).collect(),
            }
            .into()
        })
    }

    /// Reads a report as a time on one road surface; see [`apply`](Self::apply).
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// use surface_severity::correction::LabReport;
    /// let report = LabReport::from_mean("R 7", "new twill", None, 2.1, 5, 0.2)?;
    /// let time = correction.apply_on("brushed concrete", &report)?;
    /// // The average material: belt median times c.
    /// let c = correction.correction("brushed concrete")?.factor().estimate();
    /// assert!((time.expected_road_median_s().value().unwrap() / (2.1 * c) - 1.0).abs() < 1e-9);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::UnknownSurface`] with the surfaces that have a correction.
    pub fn apply_on(&self, surface: &str, report: &LabReport) -> Result<CorrectedTime> {
        Ok(self.correction(surface)?.apply(report, self))
    }

    /// Reads a report as times on every road surface that has a correction, sorted by surface.
    ///
    /// Where the equivalence was fitted with what days, runs and belts share, the report's own day (or days,
    /// [`LabReport::on_days`]) is in every interval, and a further specimen has a day of its own on the road.
    ///
    /// The replicate scatter is σ of the campaign; the report's own is only compared with it
    /// ([`CorrectedTime::scatter_p_value`]). With run-outs or contact openings the laboratory median is the
    /// maximum-likelihood one at that σ. A report all of whose specimens are censored on one side gives a bound: its
    /// error probability is shared equally between the report and the line.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// use surface_severity::{Estimate, campaign::Outcome, correction::LabReport};
    /// // Three specimens, none worn through after 8 s: the road time is only known to be longer.
    /// let report = LabReport::from_specimens("R 8", "new felt", None, &[(8.0, Outcome::RunOut); 3])?;
    /// for time in correction.apply(&report) {
    ///     assert!(matches!(time.road_median_s(), Estimate::Bound(_)));
    ///     assert!(time.road_median_s().to_string().starts_with("at least"));
    /// }
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn apply(&self, report: &LabReport) -> Vec<CorrectedTime> {
        self.corrections.iter().map(|c| c.apply(report, self)).collect()
    }

    pub(super) fn checked(&self) -> std::result::Result<(), String> {
        self.options.check().map_err(|e| e.to_string())?;
        all_positive(&[
            ("log_scatter", self.log_scatter),
            ("scatter_degrees_of_freedom", self.scatter_degrees_of_freedom),
        ])?;
        check_decisions(&self.decisions)?;
        if self.corrections.is_empty() {
            return Err("it holds no correction".into());
        }
        if self.corrections.windows(2).any(|w| w[0].surface >= w[1].surface) {
            return Err("the corrections are not sorted by surface, or one is there twice".into());
        }
        for c in &self.corrections {
            if c.form != self.options.form {
                return Err(format!("the correction for {:?} has another form than the options", c.surface));
            }
            if c.classes.is_some() && !self.options.by_class {
                return Err(format!("{:?} has factors by class that the options do not ask for", c.surface));
            }
            if c.surface == self.laboratory {
                return Err(format!("the laboratory surface {:?} is corrected to itself", c.surface));
            }
        }
        Ok(())
    }
}

/// Fewest degrees of freedom within classes for which factors by class say more than one factor whose scatter between
/// materials holds what classes differ by: the t quantiles of one and two are 6.5 and 2.2 times the normal one.
const FEWEST_WITHIN_CLASSES: f64 = 3.0;

fn worth_reading(classes: &ClassCorrections, surface: &SurfaceEquivalence) -> bool {
    classes.degrees_of_freedom() >= FEWEST_WITHIN_CLASSES || surface.classes().iter().any(ClassDeparture::departs)
}

fn too_few(classes: &ClassCorrections) -> String {
    let (materials, groups) = (classes.groups().iter().map(|g| g.values).sum::<usize>(), classes.groups().len());
    format!(
        "{materials} materials in {groups} classes cannot tell what differs between classes from what differs within"
    )
}

fn cautions(
    fit: &EquivalenceFit,
    options: &CorrectionOptions,
    corrections: &[SurfaceCorrection],
    not_corrected: &[NotCorrected],
    without_classes: &[(String, String)],
) -> Vec<String> {
    let mut list = vec![
        format!(
            "These corrections belong to the surface {:?} in the state in which it was during the campaign.",
            fit.laboratory()
        ),
        "Outside the laboratory times and material classes of its domain a correction is an extrapolation; the \
         intervals do not cover what was not seen there."
            .to_owned(),
    ];
    if fit.conditions().is_empty() {
        list.push(
            "Nothing that trials share (day, run, belt) is in these intervals: where materials were tested on the same \
             days or belts, the factors are less certain than stated."
                .to_owned(),
        );
    }
    for reason in fit.undetermined() {
        list.push(format!("What trials share is not in these intervals: {reason}."));
    }
    if options.form == Form::ConstantRatio {
        for surface in fit.surfaces() {
            if let Some(p) =
                surface.power_law().fitted().and_then(crate::equivalence::PowerLaw::adjusted_slope_one_p_value)
                && p < 1.0 - options.level
            {
                list.push(format!(
                    "On {:?} the ratio of road to laboratory time changes with the time (test of slope 1: adjusted p = {}); \
                     consider the power law.",
                    surface.surface(),
                    significant(p, 2)
                ));
            }
        }
    }
    for (surface, class) in fit.departing() {
        list.push(format!(
            "On {surface:?} the class {:?} lasts {} times ({} to {}) as long as the other classes would (adjusted p = {}); it is \
             read with its own factor.",
            class.class(),
            significant(class.ratio_to_others().estimate(), 2),
            significant(class.ratio_to_others().lower(), 2),
            significant(class.ratio_to_others().upper(), 2),
            significant(class.adjusted_p_value(), 2)
        ));
    }
    for c in corrections.iter().filter(|c| c.domain.materials() < 6) {
        list.push(format!("The correction for {:?} rests on {} materials only.", c.surface, c.domain.materials()));
    }
    for (surface, reason) in without_classes {
        list.push(format!("There are no factors by class for {surface:?}: {reason}; the common one is used."));
    }
    for c in corrections {
        for class in c.classes.as_ref().map_or(&[][..], ClassCorrections::classes) {
            if class.basis() == ClassBasis::TooFewMaterials {
                list.push(format!(
                    "On {:?} the class {:?} rests on {} material(s) and takes the common factor, with the scatter \
                     between classes in its interval.",
                    c.surface,
                    class.class(),
                    class.materials()
                ));
            }
        }
    }
    for n in not_corrected {
        list.push(format!("There is no correction for {:?}: {}.", n.surface, n.reason));
    }
    list
}

/// A laboratory report read as times on one road surface.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
/// let time = correction.apply_on("brushed concrete", &reports.reports()[1])?;
/// // From the average material over this one to one more specimen of it: less and less is known.
/// let width = |e: &surface_severity::Estimate| e.interval().map(|i| i.upper() / i.lower()).unwrap();
/// assert!(width(time.expected_road_median_s()) < width(time.road_median_s()));
/// assert!(width(time.road_median_s()) < width(time.road_specimen_s()));
/// println!("{} on {}: {}", time.material(), time.surface(), time.validity());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CorrectedTime {
    report_id: String,
    material: String,
    material_class: Option<String>,
    surface: String,
    form: Form,
    specimens: usize,
    laboratory_median_s: Estimate,
    expected_road_median_s: Estimate,
    road_median_s: Estimate,
    road_specimen_s: Estimate,
    validity: Validity,
    scatter_p_value: Option<f64>,
    basis: CorrectionBasis,
    /// Of the road median of the material, and of one further specimen.
    #[serde(skip)]
    predictives: Option<[Predictive; 2]>,
}

impl CorrectedTime {
    /// Name of the report.
    #[must_use]
    pub fn report_id(&self) -> &str {
        &self.report_id
    }
    /// The material.
    #[must_use]
    pub fn material(&self) -> &str {
        &self.material
    }
    /// Its class, if stated.
    #[must_use]
    pub fn material_class(&self) -> Option<&str> {
        self.material_class.as_deref()
    }
    /// The road surface.
    #[must_use]
    pub fn surface(&self) -> &str {
        &self.surface
    }
    /// Form of the correction.
    #[must_use]
    pub fn form(&self) -> Form {
        self.form
    }
    /// Specimens of the report that count.
    #[must_use]
    pub fn specimens(&self) -> usize {
        self.specimens
    }
    /// Median on the belt, s.
    #[must_use]
    pub fn laboratory_median_s(&self) -> &Estimate {
        &self.laboratory_median_s
    }
    /// Median on the road, s, of the average material with this laboratory time: the interval holds the uncertainty of
    /// the report and of the line, but not the scatter τ between materials. It is a confidence interval.
    #[must_use]
    pub fn expected_road_median_s(&self) -> &Estimate {
        &self.expected_road_median_s
    }
    /// Median on the road, s, of this very material: a prediction interval, with τ.
    #[must_use]
    pub fn road_median_s(&self) -> &Estimate {
        &self.road_median_s
    }
    /// Time on the road, s, of one further specimen of this material: a prediction interval, with τ and σ.
    #[must_use]
    pub fn road_specimen_s(&self) -> &Estimate {
        &self.road_specimen_s
    }
    /// How the report lies to the domain of the correction.
    #[must_use]
    pub fn validity(&self) -> &Validity {
        &self.validity
    }
    /// p-value of the F test (two-sided) of the report's own scatter against that of the campaign; small: the
    /// material scatters differently, and the intervals, which use the campaign's, do not hold for it. `None` without
    /// two or more perforated specimens, with a censored one, or for another distribution than the log-normal.
    #[must_use]
    pub fn scatter_p_value(&self) -> Option<f64> {
        self.scatter_p_value
    }

    /// What it rests on: the common correction, that of the report's class, or the common one for want of the other.
    #[must_use]
    pub fn basis(&self) -> CorrectionBasis {
        self.basis
    }

    /// The distribution behind the road median (0) or one further specimen (1).
    pub(super) fn predictive(&self, which: usize) -> Option<&Predictive> {
        self.predictives.as_ref().and_then(|p| p.get(which))
    }

    /// Both probabilities for each of the requirements.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
    /// use surface_severity::correction::Requirement;
    /// let time = correction.apply_on("brushed concrete", &reports.reports()[1])?;
    /// let rows = time.reaching(&[Requirement::new("zone 1", 4.0)?, Requirement::new("zone 2", 1.0)?])?;
    /// assert_eq!(rows[0].requirement.name(), "zone 1");
    /// assert!(rows[0].median <= rows[1].median && rows[0].specimen <= rows[1].specimen);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for two requirements of one name; [`ErrorKind::NotEstimable`] where only a bound of
    /// the laboratory time is known.
    pub fn reaching(&self, requirements: &[Requirement]) -> Result<Vec<Reaching>> {
        evaluate(requirements, |t| self.probability_of_reaching(t), |t| self.probability_of_specimen_reaching(t))
    }

    /// Probability that the median of this material on the road is at least `required_s`, from the distribution behind
    /// [`road_median_s`](Self::road_median_s).
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
    /// let time = correction.apply_on("brushed concrete", &reports.reports()[1])?;
    /// // The lower limit of the 95 % prediction interval is reached with probability 0.975.
    /// let median = time.road_median_s().interval().unwrap();
    /// assert!((time.probability_of_reaching(median.lower())? - 0.975).abs() < 1e-6);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a time that is not positive and finite; [`ErrorKind::NotEstimable`] where only
    /// a bound of the laboratory time is known.
    pub fn probability_of_reaching(&self, required_s: f64) -> Result<f64> {
        self.probability(required_s, 0)
    }

    /// Probability that one further specimen of this material lasts at least `required_s` on the road.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
    /// let time = correction.apply_on("brushed concrete", &reports.reports()[1])?;
    /// let specimen = time.road_specimen_s().interval().unwrap();
    /// assert!((time.probability_of_specimen_reaching(specimen.lower())? - 0.975).abs() < 1e-6);
    /// assert!(time.probability_of_specimen_reaching(-1.0).is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`probability_of_reaching`](Self::probability_of_reaching).
    pub fn probability_of_specimen_reaching(&self, required_s: f64) -> Result<f64> {
        self.probability(required_s, 1)
    }

    fn probability(&self, required_s: f64, which: usize) -> Result<f64> {
        if !(required_s > 0.0 && required_s.is_finite()) {
            return Err(ErrorKind::option("required_s", required_s, "a positive, finite time"));
        }
        match &self.predictives {
            Some(p) => Ok(p[which].survival(libm::log(required_s)).clamp(0.0, 1.0)),
            None => Err(ErrorKind::NotEstimable {
                quantity: "the probability of reaching a time".into(),
                reason: self.road_median_s.reason().unwrap_or("the report gives only a bound").into(),
            }
            .into()),
        }
    }
}

/// Corrected reports as comma-separated text with a header row.
///
/// | columns | meaning |
/// |---|---|
/// | report_id, material, material_class | as in the report; empty where not stated |
/// | surface, form | road surface; constant_ratio or power_law |
/// | specimens | specimens that count |
/// | laboratory_median_s, _lower, _upper | median on the belt with its interval |
/// | expected_road_median_s, _lower, _upper | see [`CorrectedTime::expected_road_median_s`] |
/// | road_median_s, _lower, _upper | see [`CorrectedTime::road_median_s`] |
/// | road_specimen_s, _lower, _upper | see [`CorrectedTime::road_specimen_s`] |
/// | level | confidence level of the intervals; of a bound, one-sided |
/// | bound | at_least or at_most where only a bound is known: then it stands in `_lower` or `_upper`, and the estimate and the other limit are empty |
/// | time_validity, extrapolation_ratio | inside, below, above or unknown; how many times beyond the domain |
/// | class_validity | represented, not_represented or not_stated |
/// | scatter_p_value | see [`CorrectedTime::scatter_p_value`] |
/// | basis | common, class, or why the common factor stands in for that of the class ([`CorrectionBasis`]) |
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
/// use surface_severity::correction::corrected_reports;
/// let rows: Vec<_> = reports.reports().iter().flat_map(|r| correction.apply(r)).collect();
/// let csv = corrected_reports(&rows)?;
/// assert!(csv.starts_with("report_id,material,material_class,surface,form,specimens,"));
/// assert_eq!(csv.lines().count(), 1 + 12 * 6, "a header, then each report on each road");
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::NotSaved`] should writing to memory fail.
pub fn corrected_reports(rows: &[CorrectedTime]) -> Result<String> {
    let failed = |e: &dyn std::fmt::Display| -> crate::Error { ErrorKind::not_saved("corrected_reports.csv", &e) };
    let mut writer = csv::Writer::from_writer(Vec::new());
    let mut header: Vec<String> =
        ["report_id", "material", "material_class", "surface", "form", "specimens"].map(str::to_owned).to_vec();
    for name in ["laboratory_median", "expected_road_median", "road_median", "road_specimen"] {
        header.extend([format!("{name}_s"), format!("{name}_lower_s"), format!("{name}_upper_s")]);
    }
    let rest = ["level", "bound", "time_validity", "extrapolation_ratio", "class_validity", "scatter_p_value", "basis"];
    header.extend(rest.map(str::to_owned));
    writer.write_record(&header).map_err(|e| failed(&e))?;
    for row in rows {
        writer.write_record(csv_row(row)).map_err(|e| failed(&e))?;
    }
    let bytes = writer.into_inner().map_err(|e| failed(&e.error()))?;
    String::from_utf8(bytes).map_err(|e| failed(&e))
}

fn csv_row(row: &CorrectedTime) -> Vec<String> {
    use super::validity::{ClassValidity, Side, TimeValidity};
    let form = match row.form {
        Form::ConstantRatio => "constant_ratio",
        Form::PowerLaw => "power_law",
    };
    let mut fields = vec![
        row.report_id.clone(),
        row.material.clone(),
        row.material_class.clone().unwrap_or_default(),
        row.surface.clone(),
        form.to_owned(),
        row.specimens.to_string(),
    ];
    let (mut level, mut bound) = (String::new(), "");
    for estimate in [&row.laboratory_median_s, &row.expected_road_median_s, &row.road_median_s, &row.road_specimen_s] {
        let cells = match estimate {
            Estimate::Interval(i) => {
                level = i.level().to_string();
                [i.estimate(), i.lower(), i.upper()].map(|v| v.to_string())
            }
            Estimate::Bound(b) => {
                level = b.level().to_string();
                let value = b.value().to_string();
                match b.side() {
                    BoundSide::AtLeast => {
                        bound = "at_least";
                        [String::new(), value, String::new()]
                    }
                    BoundSide::AtMost => {
                        bound = "at_most";
                        [String::new(), String::new(), value]
                    }
                }
            }
            Estimate::NotEstimable(_) => [String::new(), String::new(), String::new()],
        };
        fields.extend(cells);
    }
    let (time, ratio) = match row.validity.time {
        TimeValidity::Inside => ("inside", String::new()),
        TimeValidity::Extrapolated { side: Side::Below, ratio } => ("below", ratio.to_string()),
        TimeValidity::Extrapolated { side: Side::Above, ratio } => ("above", ratio.to_string()),
        TimeValidity::Unknown => ("unknown", String::new()),
    };
    let class = match row.validity.class {
        ClassValidity::Represented { .. } => "represented",
        ClassValidity::NotRepresented => "not_represented",
        ClassValidity::NotStated => "not_stated",
    };
    let p = row.scatter_p_value.map(|p| p.to_string()).unwrap_or_default();
    fields.extend([level, bound.to_owned(), time.to_owned(), ratio, class.to_owned(), p, row.basis.to_string()]);
    fields
}
