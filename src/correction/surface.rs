//! How laboratory times are read as times on one road surface.

use std::collections::HashMap;

use super::classes::{ClassCorrection, ClassCorrections, CorrectionBasis};
use super::corrected::CorrectedTime;
use super::factor::{Correction, CorrectionOptions};
use super::predict::{Part, Pieces, Predictive, Target, sum_of};
use super::reports::{LabReport, LogMedian};
use super::validity::{ClassCount, Domain};
use crate::equivalence::{Form, MaterialPair, SurfaceEquivalence, check_ratio};
use crate::error::{ErrorKind, Result};
use crate::estimate::{Bound, BoundSide, Estimate, Interval, IntervalMethod};
use crate::numeric::count;
use crate::numeric::special::f_survival;
use crate::numeric::special::finite::t_quantile;
use crate::record::{all_at_least_zero, all_finite, all_positive, covariance, record};
use crate::severity::{Distribution, Grouping};

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
    pub(super) fn of(surface: &SurfaceEquivalence, form: Form) -> Option<Self> {
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
    pub(super) fn derive(surface: &SurfaceEquivalence, options: &CorrectionOptions) -> Result<Option<Self>> {
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

    pub(super) fn check_numbers(&self) -> std::result::Result<(), String> {
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
    pub(super) fn common(&self) -> ((f64, f64), Part) {
        let own = (self.variance_at(0.0) - self.shared_log_variance).max(0.0);
        ((self.intercept, own), (self.shared_log_variance, self.factor_degrees_of_freedom))
    }

    pub(super) fn variance_at(&self, x: f64) -> f64 {
        line_variance(self.intercept_standard_error, self.slope_standard_error, self.log_covariance, x)
    }

    /// What one further day, run or belt adds to a reading: that of the report on the belt, and that of a further
    /// specimen on the road. An exactly known laboratory median has none of its own.
    pub(super) fn further(&self, report: Known, target: Target, base: &Correction) -> impl Iterator<Item = Part> {
        let squared = self.slope * self.slope;
        let cloth = report.cloth.map(|(variance, df)| (squared * variance, df));
        cloth.into_iter().chain(base.conditions.iter().map(move |c| {
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
        }))
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

    pub(super) fn common_at(&self, x: f64, report: Known, target: Target, base: &Correction) -> Predictive {
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

    /// The distributions of a report and their limits; `readings` are those of reports before it.
    fn reading(
        &self,
        (x, known): (f64, Known),
        class: Option<&str>,
        base: &Correction,
        readings: &mut Readings,
    ) -> (f64, Reading) {
        // Only the uncertainty of a slope depends on the time itself.
        let at = if self.classes.is_some() || self.form == Form::ConstantRatio { 0.0 } else { x };
        let of = self.classes.as_ref().and_then(|c| c.basis(class).1);
        let key = (of, [known.variance, known.days, at].map(f64::to_bits));
        if readings.0.len() >= MOST_READINGS {
            readings.0.clear();
        }
        let reading = readings.0.entry(key).or_insert_with(|| {
            let tail = 0.5 * (1.0 - base.options.level);
            let [line, material, specimen] = [Target::Line, Target::Material, Target::Specimen]
                .map(|target| self.distribution_at(at, known, target, class, base));
            let limits = [&line, &material, &specimen].map(|p| {
                let (lower, upper) = p.quantile(tail).zip(p.quantile(1.0 - tail))?;
                Some([lower, p.middle()?, upper])
            });
            Reading { limits, predictives: [material, specimen] }
        });
        (x - at, reading.clone())
    }

    pub(super) fn apply(&self, report: &LabReport, base: &Correction, readings: &mut Readings) -> CorrectedTime {
        let level = base.options.level;
        let tail = 0.5 * (1.0 - level);
        // A bound shares its error probability between the report and the line (Bonferroni).
        let lab = base.log_median(report, 1.0 - tail);
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
                belt_ratio: base.through_reference(report, 0.0).map(|(shift, _)| libm::exp(shift)),
                basis: self.classes.as_ref().map_or(CorrectionBasis::Common, |c| c.basis(class).0),
                predictives,
            }
        };
        match lab {
            LogMedian::Known { value: x, variance } => {
                let known = base.known(report, variance);
                let (shift, Reading { limits, predictives }) = self.reading((x, known), class, base, readings);
                let estimate = |limits: Option<[f64; 3]>, method| -> Estimate {
                    limits
                        .and_then(|logs| {
                            let [l, m, u] = logs.map(|log| libm::exp(log + shift));
                            Interval::new(m.clamp(l, u), l, u, level, method).ok()
                        })
                        .map_or_else(|| Estimate::not_estimable("its limits leave the range of numbers"), Into::into)
                };
                let of_line =
                    if self.classes.is_some() { IntervalMethod::Prediction } else { IntervalMethod::StudentT };
                let methods = [of_line, IntervalMethod::Prediction, IntervalMethod::Prediction];
                let values = [0, 1, 2].map(|i| estimate(limits[i], methods[i]));
                result(values, Some(libm::exp(x)), Some(predictives.map(|p| p.shifted(shift))))
            }
            LogMedian::Bound { side, value } => {
                let known = base.known(report, 0.0);
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

    pub(super) fn bound(
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

/// What reports of one class, as many specimens and days share on one surface: all but the place.
#[derive(Debug, Clone)]
struct Reading {
    /// Log lower limit, middle and upper limit of the line, the median and one further specimen.
    limits: [Option<[f64; 3]>; 3],
    predictives: [Predictive; 2],
}

/// Class; variance and days of the report, and the log time where the reading depends on it.
type ReadingKey = (Option<usize>, [u64; 3]);

/// Readings of one surface that further reports may share: thousands of reports have a few dozen of them.
#[derive(Debug, Default)]
pub(super) struct Readings(HashMap<ReadingKey, Reading>);

/// Above this many they start anew, which bounds the memory.
const MOST_READINGS: usize = 4096;

/// How well a log median on the belt is known.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct Known {
    /// Its variance through replicate scatter.
    pub(super) variance: f64,
    /// Days (runs, belts) that its specimens came from; infinite where these are known or cancel.
    pub(super) days: f64,
    /// Variance of the median of the reference cloth that it is read through, with its degrees of freedom.
    pub(super) cloth: Option<Part>,
}

impl Known {
    /// The median over all days, without error.
    pub(super) const EXACTLY: Self = Self { variance: 0.0, days: f64::INFINITY, cloth: None };
}

fn line_variance(intercept_se: f64, slope_se: f64, covariance: f64, x: f64) -> f64 {
    (intercept_se * intercept_se + x * (2.0 * covariance + x * slope_se * slope_se)).max(0.0)
}

fn laboratory_estimate(report: &LabReport, lab: &LogMedian, base: &Correction) -> Estimate {
    let level = base.options.level;
    let failed = || Estimate::not_estimable("its limits leave the range of numbers");
    match lab {
        LogMedian::Known { value, variance } => {
            let known = base.known(report, *variance);
            let variance = known.variance + known.cloth.map_or(0.0, |cloth| cloth.0);
            t_quantile(0.5 + level / 2.0, Some(base.scatter_degrees_of_freedom))
                .and_then(|q| Interval::from_log(*value, libm::sqrt(variance), q, level, IntervalMethod::StudentT).ok())
                .map_or_else(failed, Into::into)
        }
        LogMedian::Bound { side, .. } => match base.log_median(report, level) {
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
