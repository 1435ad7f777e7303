//! Corrections by material class, shrunk towards the common one.

use serde::{Deserialize, Serialize};

use super::factor::CorrectionOptions;
use super::predict::{ClassPieces, Part, Pieces, Predictive, Target};
use crate::equivalence::{
    ClassMean, MaterialPair, Scatter, ScatterEstimator, check_ratio, class_effects, class_points, predict_class,
};
use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, IntervalMethod};
use crate::numeric::count;
use crate::record::{all_at_least_zero, all_finite, all_positive, labels, record};
use crate::severity::Distribution;

/// What the correction of one class rests on.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// use surface_severity::correction::{ClassBasis, Correction, CorrectionOptions};
/// let options = CorrectionOptions::default().by_class(true).minimum_class_materials(4);
/// let correction = Correction::derive(&equivalence, &options)?;
/// // Leather has three materials: too few here for a factor of its own.
/// let classes = correction.correction("brushed concrete")?.classes().unwrap();
/// let leather = classes.classes().iter().find(|c| c.class() == "leather").unwrap();
/// assert_eq!(leather.basis(), ClassBasis::TooFewMaterials);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum ClassBasis {
    /// Its own materials and, by shrinkage, all others.
    Own,
    /// The common correction with the scatter between classes in its interval: the class has too few materials.
    TooFewMaterials,
}

record! {
    /// The correction of one class.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// use surface_severity::correction::{Correction, CorrectionOptions};
    /// let correction = Correction::derive(&equivalence, &CorrectionOptions::default().by_class(true))?;
    /// for class in correction.correction("polished fine asphalt")?.classes().unwrap().classes() {
    ///     println!("{}: {} from {} materials", class.class(), class.factor(), class.materials());
    ///     assert!((0.0..=1.0).contains(&class.own_weight()));
    /// }
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct ClassCorrection as RawClassCorrection {
        /// The class.
        borrow class: String => str,
        /// Its materials.
        copy materials: usize,
        /// What it rests on.
        copy basis: ClassBasis,
        /// Weight of the class's own mean against the common one, 0 to 1.
        copy own_weight: f64,
        /// Log of the factor: the best linear unbiased predictor.
        copy log_factor: f64,
        /// The factor with its prediction interval, in which neither τ nor ω is taken as known. What days, runs and belts add
        /// is that of the common factor.
        borrow factor: Interval => Interval,
    }
}

impl ClassCorrection {
    fn check(&self) -> std::result::Result<(), String> {
        all_finite(&[("log_factor", self.log_factor)])?;
        if !(0.0..=1.0).contains(&self.own_weight) {
            return Err(format!("own_weight = {} is not between 0 and 1", self.own_weight));
        }
        check_ratio(&self.factor)
    }
}

record! {
    /// Constant ratios by material class: log c_class = μ + γ_class, γ with standard deviation ω over classes.
    ///
    /// See [`class_effects`] for the estimates.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// use surface_severity::correction::{ClassBasis, Correction, CorrectionOptions};
    /// let correction = Correction::derive(&equivalence, &CorrectionOptions::default().by_class(true))?;
    /// let classes = correction.correction("polished fine asphalt")?.classes().unwrap();
    /// // One class departs on this road: of a class that was not tried little is known.
    /// let width = |i: &surface_severity::Interval| i.upper() / i.lower();
    /// assert!(classes.between_log_scatter() > 0.0);
    /// let mut own = classes.classes().iter().filter(|c| c.basis() == ClassBasis::Own);
    /// assert!(own.all(|c| width(c.factor()) < width(classes.other_factor())));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct ClassCorrections as RawClassCorrections {
        /// ω: scatter of log ratios between classes.
        copy between_log_scatter: f64,
        /// Whether ω is positive or at its boundary 0.
        copy between: Scatter,
        /// τ within classes.
        copy intrinsic_log_scatter: f64,
        /// v: variance of a material's log ratio that replicates explain.
        copy pair_log_variance: f64,
        /// s²: variance of the materials about their class that was observed.
        copy observed_log_variance: f64,
        /// Degrees of freedom within classes: materials − classes.
        copy degrees_of_freedom: f64,
        /// The classes by themselves, sorted by name; materials without a class last, each by itself.
        borrow groups: Vec<ClassMean> => [ClassMean],
        /// The corrections of the named classes, sorted by name.
        borrow classes: Vec<ClassCorrection> => [ClassCorrection],
        /// Log of the common factor, the mean over classes.
        copy common_log_factor: f64,
        /// The part of its variance that single materials have for themselves; the rest moves all classes alike.
        copy common_log_variance: f64,
        /// The common factor for a class that is not among them, or not stated: its interval holds ω.
        borrow other_factor: Interval => Interval,
    }
}

/// What a corrected time rests on.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
/// use surface_severity::correction::{Correction, CorrectionBasis, CorrectionOptions};
/// let options = CorrectionOptions::default().minimum_class_materials(3);
/// let correction = Correction::derive(&equivalence, &options)?;
/// let basis = |id: &str| {
///     let report = reports.reports().iter().find(|r| r.report_id() == id).unwrap();
///     correction.apply_on("brushed concrete", report).map(|time| time.basis())
/// };
/// assert!(matches!(basis("LR-02")?, CorrectionBasis::Class { .. }));
/// assert!(matches!(basis("LR-05")?, CorrectionBasis::CommonTooFewMaterials { materials: 2 }), "leather");
/// assert_eq!(basis("LR-11")?, CorrectionBasis::CommonNotRepresented, "a class that was never tried");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum CorrectionBasis {
    /// One correction for all materials.
    Common,
    /// The correction of the report's class.
    Class {
        /// Materials of that class.
        materials: usize,
        /// Weight of their own mean against the common one.
        own_weight: f64,
    },
    /// The common correction with the scatter between classes, since the report's class has too few materials.
    CommonTooFewMaterials {
        /// Materials of that class.
        materials: usize,
    },
    /// The same, since no material of the report's class was tested.
    CommonNotRepresented,
    /// The same, since the report states no class.
    CommonNotStated,
}

impl std::fmt::Display for CorrectionBasis {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Common => "common",
            Self::Class { .. } => "class",
            Self::CommonTooFewMaterials { .. } => "common_too_few_materials",
            Self::CommonNotRepresented => "common_class_not_represented",
            Self::CommonNotStated => "common_class_not_stated",
        })
    }
}

impl ClassCorrections {
    pub(super) fn derive(
        pairs: &[MaterialPair],
        estimator: ScatterEstimator,
        options: &CorrectionOptions,
        (common, shared): ((f64, f64), Part),
    ) -> Result<Self> {
        let log_ratios: Vec<f64> = pairs.iter().map(|p| p.road_log_median() - p.laboratory_log_median()).collect();
        let errors: Vec<f64> =
            pairs.iter().map(|p| libm::hypot(p.road_log_standard_error(), p.laboratory_log_standard_error())).collect();
        let classes: Vec<Option<&str>> = pairs.iter().map(MaterialPair::class).collect();
        let fit = class_effects(&log_ratios, &errors, &classes, estimator)?;
        let mut result = Self {
            between_log_scatter: fit.between_scatter(),
            between: fit.between(),
            intrinsic_log_scatter: fit.within_scatter(),
            pair_log_variance: fit.typical_variance(),
            observed_log_variance: fit.observed_variance(),
            degrees_of_freedom: count(fit.within_degrees_of_freedom()),
            groups: fit.groups().to_vec(),
            classes: Vec::new(),
            common_log_factor: common.0,
            common_log_variance: common.1,
            other_factor: Interval::new(1.0, 1.0, 1.0, options.level, IntervalMethod::ByDefinition)?,
        };
        result.other_factor = result.interval(None, options.level, shared)?;
        result.classes = result.corrections(options, shared)?;
        Ok(result)
    }

    fn corrections(&self, options: &CorrectionOptions, shared: Part) -> Result<Vec<ClassCorrection>> {
        let points = class_points(&self.groups);
        let omega2 = self.between_log_scatter * self.between_log_scatter;
        let named = self.groups.iter().enumerate().filter_map(|(i, g)| g.class.as_ref().map(|c| (i, c, g.values)));
        named
            .map(|(i, class, materials)| {
                let enough = materials >= options.minimum_class_materials;
                let (basis, of) = if enough { (ClassBasis::Own, Some(i)) } else { (ClassBasis::TooFewMaterials, None) };
                let prediction = predict_class(&points, of, omega2, Some(self.common()));
                Ok(ClassCorrection {
                    class: class.clone(),
                    materials,
                    basis,
                    own_weight: prediction.own_weight,
                    log_factor: prediction.mean,
                    factor: self.interval(of, options.level, shared)?,
                })
            })
            .collect()
    }

    fn interval(&self, of: Option<usize>, level: f64, shared: Part) -> Result<Interval> {
        let tail = 0.5 * (1.0 - level);
        let line =
            self.predictive(of, 0.0, Target::Line, self.pieces((0.0, 0.0, 1.0), shared), Distribution::LogNormal);
        let limits = line.quantile(tail).zip(line.quantile(1.0 - tail));
        let (lower, upper) = limits.ok_or_else(|| ErrorKind::NotEstimable {
            quantity: "the correction of a class".into(),
            reason: "its limits leave the range of numbers".into(),
        })?;
        let omega2 = self.between_log_scatter.powi(2);
        let middle = libm::exp(predict_class(&class_points(&self.groups), of, omega2, Some(self.common())).mean);
        let (lower, upper) = (libm::exp(lower).min(middle), libm::exp(upper).max(middle));
        Interval::new(middle, lower, upper, level, IntervalMethod::Prediction)
    }

    fn common(&self) -> (f64, f64) {
        (self.common_log_factor, self.common_log_variance)
    }

    fn pieces(&self, (report, sigma, sigma_df): (f64, f64, f64), shared: Part) -> Pieces {
        Pieces {
            line: 0.0,
            observed: self.observed_log_variance,
            pair: self.pair_log_variance,
            df: self.degrees_of_freedom,
            report,
            sigma,
            sigma_df,
            shared,
        }
    }

    fn predictive(
        &self,
        of: Option<usize>,
        x: f64,
        target: Target,
        pieces: Pieces,
        distribution: Distribution,
    ) -> Predictive {
        let points = class_points(&self.groups);
        let class = ClassPieces { points: &points, of, common: self.common() };
        Predictive::by_class(x, class, pieces, target, distribution, self.between_log_scatter.powi(2))
    }

    /// The distribution of a road time for a material of `class` with log median `x` on the belt, and what it rests on.
    pub(super) fn apply(
        &self,
        class: Option<&str>,
        x: f64,
        target: Target,
        (sigma, shared): ((f64, f64, f64), Part),
        distribution: Distribution,
    ) -> Predictive {
        let (_, of) = self.basis(class);
        self.predictive(of, x, target, self.pieces(sigma, shared), distribution)
    }

    pub(super) fn basis(&self, class: Option<&str>) -> (CorrectionBasis, Option<usize>) {
        let Some(class) = class else { return (CorrectionBasis::CommonNotStated, None) };
        match self.classes.iter().find(|c| c.class == class) {
            None => (CorrectionBasis::CommonNotRepresented, None),
            Some(c) => match c.basis {
                ClassBasis::TooFewMaterials => {
                    (CorrectionBasis::CommonTooFewMaterials { materials: c.materials }, None)
                }
                ClassBasis::Own => {
                    let basis = CorrectionBasis::Class { materials: c.materials, own_weight: c.own_weight };
                    (basis, self.groups.iter().position(|g| g.class.as_deref() == Some(class)))
                }
            },
        }
    }

    fn check(&self) -> std::result::Result<(), String> {
        all_finite(&[("common_log_factor", self.common_log_factor)])?;
        all_at_least_zero(&[
            ("between_log_scatter", self.between_log_scatter),
            ("common_log_variance", self.common_log_variance),
            ("intrinsic_log_scatter", self.intrinsic_log_scatter),
            ("pair_log_variance", self.pair_log_variance),
            ("observed_log_variance", self.observed_log_variance),
        ])?;
        if (self.between_log_scatter > 0.0) != (self.between == Scatter::Interior) {
            return Err("between_log_scatter and between contradict each other".into());
        }
        if self.observed_log_variance <= 0.0 || self.groups.len() < 2 {
            return Err("corrections by class need two classes and a scatter within them".into());
        }
        for g in &self.groups {
            if g.values == 0 {
                return Err(format!("the mean of class {:?} is of no material", g.class));
            }
            all_finite(&[("mean", g.mean)])?;
            all_positive(&[("standard_error", g.standard_error)])?;
            if g.class.is_none() && g.values != 1 {
                return Err("a material without a class stands by itself".into());
            }
        }
        let unnamed_last = self.groups.windows(2).all(|w| match (&w[0].class, &w[1].class) {
            (Some(a), Some(b)) => a < b,
            (Some(_) | None, None) => true,
            (None, Some(_)) => false,
        });
        if !unnamed_last {
            return Err("the classes are not sorted by name, or one is there twice".into());
        }
        check_ratio(&self.other_factor)?;
        labels("class", self.classes.iter().map(|c| c.class.as_str()))?;
        all_positive(&[("degrees_of_freedom", self.degrees_of_freedom)])
    }
}
