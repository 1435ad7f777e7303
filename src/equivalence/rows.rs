//! What a comparison of belt and roads says, row by row.

use serde::{Deserialize, Serialize};

use super::line::LineCovariance;
use super::scatter_line::Scatter;
use super::tost::Tost;
use crate::campaign::{Decision, SurfaceRole};
use crate::error::{ErrorKind, Result};
use crate::estimate::{BoundSide, Estimate, Interval};
use crate::numeric::count;
use crate::record::{all_at_least_zero, all_finite, all_positive, covariance, labels, record};
use crate::severity::Grouping;

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
    /// road = c · laboratory. c is k_laboratory / k_road of the severity fit, with the limits it has there: one number.
    /// τ is by how much materials differ about it on this road.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// let ratio = equivalence.surface("brushed concrete")?.constant_ratio().fitted().unwrap();
    /// // The belt is harsher, so materials last longer on brushed concrete.
    /// assert!(ratio.ratio().lower() > 1.0);
    /// assert_eq!(*ratio.ratio(), fit.factor_between("laboratory belt", "brushed concrete")?);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct ConstantRatio as RawConstantRatio {
        /// c = median on the road / median on the belt.
        borrow ratio: Interval => Interval,
        /// Log of c.
        copy log_ratio: f64,
        /// Its standard error.
        copy log_standard_error: f64,
        /// Degrees of freedom of the limits (of the t with the same 95 % limits).
        copy degrees_of_freedom: f64,
        /// The part of the squared standard error that moves all materials together: days, runs and belts.
        copy shared_log_variance: f64,
        /// τ: standard deviation between materials of their log ratio on this road, by restricted likelihood from the
        /// cell medians of the fit.
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
        /// Degrees of freedom of s²: pairs − 1.
        copy scatter_degrees_of_freedom: f64,
        /// Root mean square error of each log road median predicted from the other materials, with the τ of all in the weights;
        /// `None` below four pairs. Above 200 pairs they are left out in 200 parts.
        copy leave_one_out_log_error: Option<f64>,
    }
}

impl ConstantRatio {
    pub(super) fn check(&self) -> std::result::Result<(), String> {
        all_finite(&[("log_ratio", self.log_ratio)])?;
        all_at_least_zero(&[
            ("log_standard_error", self.log_standard_error),
            ("shared_log_variance", self.shared_log_variance),
            ("intrinsic_log_scatter", self.intrinsic_log_scatter),
            ("intrinsic_log_scatter_lower", self.intrinsic_log_scatter_lower),
            ("intrinsic_log_scatter_upper", self.intrinsic_log_scatter_upper),
            ("pair_log_variance", self.pair_log_variance),
            ("observed_log_variance", self.observed_log_variance),
            ("cochran_q", self.cochran_q.unwrap_or(0.0)),
            ("leave_one_out_log_error", self.leave_one_out_log_error.unwrap_or(0.0)),
        ])?;
        check_df(self.degrees_of_freedom)?;
        check_df(self.scatter_degrees_of_freedom)?;
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
        /// Standard errors of both and their covariance: what the materials show (Knapp–Hartung, see
        /// [`ScatterLine::small_sample_covariance`](super::ScatterLine::small_sample_covariance)), and what days, runs
        /// and belts move in common.
        copy log_covariance: LineCovariance,
        /// Degrees of freedom of the slope.
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
        /// The same, adjusted over the road surfaces (Holm).
        copy adjusted_slope_one_p_value: Option<f64>,
        /// Typical error variance v of one pair about the line.
        copy pair_log_variance: f64,
        /// Observed variance s² about the line.
        copy observed_log_variance: f64,
        /// Degrees of freedom of s²: pairs − 2.
        copy scatter_degrees_of_freedom: f64,
        /// Root mean square error of each log road median predicted from the other materials, with the τ of all in the weights;
        /// `None` below four pairs. Above 200 pairs they are left out in 200 parts.
        copy leave_one_out_log_error: Option<f64>,
    }
}

impl PowerLaw {
    pub(super) fn check(&self) -> std::result::Result<(), String> {
        let c = &self.log_covariance;
        let (va, vb) = (c.intercept_standard_error.powi(2), c.slope_standard_error.powi(2));
        covariance("log_covariance", &[vec![va, c.covariance], vec![c.covariance, vb]])?;
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
        check_df(self.scatter_degrees_of_freedom)?;
        check_probability("slope_one_p_value", self.slope_one_p_value)?;
        check_probability("adjusted_slope_one_p_value", self.adjusted_slope_one_p_value)?;
        check_scatter(self.intrinsic_log_scatter, self.scatter)?;
        if self.intrinsic_log_scatter_lower > self.intrinsic_log_scatter_upper {
            return Err("the limits of the intrinsic scatter are in the wrong order".into());
        }
        Ok(())
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
    pub(super) fn of(constant: Option<Vec<f64>>, power: Option<Vec<f64>>) -> Option<Self> {
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
    /// A class of materials on one road, against the other classes there: does the factor that serves them serve it too?
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// let road = equivalence.surface("polished fine asphalt")?;
    /// // The demo was invented with one class that fares worse on the smooth road than the belt says.
    /// let departing: Vec<&str> = road.classes().iter().filter(|c| c.departs()).map(|c| c.class()).collect();
    /// assert_eq!(departing, ["multi-layer lined textile"]);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct ClassDeparture as RawClassDeparture {
        /// Class.
        borrow class: String => str,
        /// Its materials among the pairs.
        copy materials: usize,
        /// How many times as long a material of the class lasts on the road as one of the other classes with the same
        /// laboratory time.
        borrow ratio_to_others: Interval => Interval,
        /// p-value of a ratio of 1: t test with the scatter between materials inside the classes. Classes that depart
        /// more are out of the others.
        copy p_value: f64,
        /// The same, adjusted over all classes on all road surfaces (Holm).
        copy adjusted_p_value: f64,
        /// Whether the adjusted p-value is at most the level of the tests.
        copy departs: bool,
    }
}

impl ClassDeparture {
    fn check(&self) -> std::result::Result<(), String> {
        check_probability("p_value", Some(self.p_value))?;
        check_probability("adjusted_p_value", Some(self.adjusted_p_value))?;
        if self.ratio_to_others.lower() > 0.0 { Ok(()) } else { Err("a ratio is not positive".into()) }
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
    /// // The mildest road: no equivalence with the belt.
    /// let test = surface.test().fitted().unwrap();
    /// assert!(!test.equivalent() && test.ratio().lower() > test.upper_bound());
    /// assert!(surface.adjusted_p_value().unwrap() >= test.p_value());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct SurfaceEquivalence as RawSurfaceEquivalence {
        /// The road surface.
        borrow surface: String => str,
        /// Materials with a median on both, sorted by name; medians adjusted for the days, runs and belts of the fit.
        borrow pairs: Vec<MaterialPair> => [MaterialPair],
        /// Materials of either surface that are not among the pairs, with the reason.
        borrow left_out: Vec<LeftOut> => [LeftOut],
        /// road = c · laboratory.
        borrow constant_ratio: Attempt<ConstantRatio> => Attempt<ConstantRatio>,
        /// log road = a + b · log laboratory.
        borrow power_law: Attempt<PowerLaw> => Attempt<PowerLaw>,
        /// Which form predicts left-out materials with the smaller mean square error; a description, no test.
        copy better_predicting: Option<Form>,
        /// By how much, and how surely.
        maybe prediction_gain: Option<PredictionGain> => PredictionGain,
        /// Each class against the others; empty with fewer than two classes, or where none has two materials.
        borrow classes: Vec<ClassDeparture> => [ClassDeparture],
        /// Two one-sided tests of c.
        borrow test: Attempt<Tost> => Attempt<Tost>,
        /// p-value of the test, adjusted over the surfaces (Holm).
        copy adjusted_p_value: Option<f64>,
    }
}

impl SurfaceEquivalence {
    pub(super) fn check(&self) -> std::result::Result<(), String> {
        check_probability("adjusted_p_value", self.adjusted_p_value)?;
        if self.adjusted_p_value.is_some() != self.test.fitted().is_some() {
            return Err("adjusted_p_value belongs to a test, and a test to it".into());
        }
        labels("material", self.pairs.iter().map(|p| p.material.as_str()))
    }
}

record! {
    /// What trials share, and what one further day, run or belt adds to a reading.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// use surface_severity::severity::Grouping;
    /// let day = equivalence.conditions().iter().find(|c| c.grouping() == Grouping::Day).unwrap();
    /// assert!(day.log_variance() >= 0.0 && day.degrees_of_freedom() >= 1.0);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct SharedCondition as RawSharedCondition {
        /// Day, run or belt.
        clone grouping: Grouping,
        /// Variance of the log times between its levels.
        copy log_variance: f64,
        /// Degrees of freedom of that, at least 1.
        copy degrees_of_freedom: f64,
        /// Levels on the laboratory surface.
        copy laboratory_levels: usize,
    }
}

impl SharedCondition {
    pub(crate) fn check(&self) -> std::result::Result<(), String> {
        all_at_least_zero(&[("log_variance", self.log_variance)])?;
        check_df(self.degrees_of_freedom)?;
        if self.grouping.is_condition() { Ok(()) } else { Err(format!("{} is not what trials share", self.grouping)) }
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
    all_positive(&[("degrees_of_freedom", df)])
}

/// A shared variance and its degrees of freedom belong together.
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

pub(crate) fn check_ratio(interval: &Interval) -> std::result::Result<(), String> {
    if interval.lower() > 0.0 {
        Ok(())
    } else {
        Err(format!("a ratio with the lower limit {} is not positive", interval.lower()))
    }
}
