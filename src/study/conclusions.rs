//! What a study comes to, as records with sentences.

use serde::Serialize;

use super::around::Texture;
use super::result::NotHad;
use super::sensitivity::{OtherDistribution, Sensitivity, SensitivityRow};
use crate::campaign::{Decision, Outcome, UnitSlip};
use crate::estimate::{Estimate, Interval};
use crate::laboratory::{Reproducibility, Seasons, SurfaceChange};
use crate::screening::Test;
use crate::severity::{CovariateCheck, CovariateEffect, Distribution, Grouping};

/// The answers: each is a record with its numbers, and prints as plain sentences.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// let conclusions = surface_severity::study::Study::new(plan).run(&campaign, None)?.conclusions;
/// // A road where a class departs names it, with the direction.
/// let departing = match &conclusions.belts[0].one_factor {
///     surface_severity::study::OneFactor::Departs { classes, .. } => classes,
///     _ => panic!("the demo was invented with a class that departs"),
/// };
/// assert_eq!(departing[0].class, "multi-layer lined textile");
/// assert!(departing[0].to_string().contains("shorter"));
/// assert!(conclusions.cautions.iter().any(|c| c.contains("not a certification")));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Conclusions {
    /// What a reader must know before the numbers.
    pub first: Vec<Caveat>,
    /// What was tested and fitted.
    pub trials: TrialCounts,
    /// One for each laboratory surface.
    pub belts: Vec<BeltConclusion>,
    /// Trials to ask about, not yet decided on.
    pub questioned: Vec<QuestionedTrial>,
    /// Trials that were set aside by decision.
    pub decided: Vec<Decision>,
    /// How specimens, days and cells scatter.
    pub scatter: ScatterConclusion,
    /// What to expect of two laboratories, where the table records them.
    pub laboratories: Option<Reproducibility>,
    /// What recorded numbers, such as the drops on a belt, do to times.
    pub covariates: Vec<CovariateEffect>,
    /// Whether they act as they are modelled.
    pub covariate_checks: Vec<CovariateCheck>,
    /// What earlier campaigns say, where they were given.
    pub seasons: Option<Seasons>,
    /// What the texture of roads says, where it was given.
    pub texture: Option<Texture>,
    /// What other ways of fitting give.
    pub sensitivity: Sensitivity,
    /// How the tables were read where they were written otherwise, and what of the reports does not fit the campaign.
    pub reading: Vec<String>,
    /// What was recorded and is not in the model, or hardly.
    pub recorded: Vec<RecordedRemark>,
    /// Stages that could not be had.
    pub not_had: Vec<NotHad>,
    /// The usual cautions.
    pub cautions: Vec<String>,
}

/// What must be read before the numbers.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::study::{Caveat, Study};
/// let first = Study::new(plan).run(&campaign, None)?.conclusions.first;
/// // Log-logistic times describe the demo better; what that would change is said.
/// assert!(first.iter().any(|c| matches!(c, Caveat::BetterDistribution(_))));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Caveat {
    /// Times of a group of trials look as if written in another unit.
    UnitSlip(UnitSlip),
    /// The limits leave out what trials share.
    WithoutSharedConditions {
        /// Why.
        reason: String,
    },
    /// Recorded conditions that can't be told from surfaces; nothing is shown equivalent while they stand.
    Undetermined {
        /// The condition and the reason.
        reason: String,
    },
    /// The belt ran at another speed, force or drop height than the roads: c holds for these settings alone.
    RigsDiffer {
        /// The laboratory surface.
        laboratory: String,
        /// What differs: speed, normal force, drop height.
        setting: String,
        /// Its unit.
        unit: String,
        /// Median on the belt.
        belt: f64,
        /// Median on the roads.
        roads: f64,
    },
    /// The reference cloth says that the belt changed while the campaign ran.
    OutOfControl(ControlConclusion),
    /// A surface changed since the last campaign.
    Changed(SurfaceChange),
    /// A recorded number does not act as it is modelled.
    Covariate(CovariateCheck),
    /// Limits a factor of 20 or more apart.
    Wide {
        /// The laboratory surface.
        laboratory: String,
        /// The road.
        road: String,
        /// c with these limits.
        factor: Interval,
    },
    /// Another way of fitting gives another answer.
    Disagrees {
        /// The largest change of that way.
        row: SensitivityRow,
    },
    /// Another distribution describes the times better.
    BetterDistribution(OtherDistribution),
}

/// What was tested and fitted.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// let trials = surface_severity::study::Study::new(plan).run(&campaign, None)?.conclusions.trials;
/// assert_eq!((trials.in_table, trials.voids, trials.surfaces), (campaign.len(), 5, 7));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
#[non_exhaustive]
pub struct TrialCounts {
    /// Trials of the table.
    pub in_table: usize,
    /// Trials fitted.
    pub fitted: usize,
    /// Run-outs among them.
    pub run_outs: usize,
    /// Contact openings among them.
    pub contact_openings: usize,
    /// Void trials.
    pub voids: usize,
    /// Materials.
    pub materials: usize,
    /// Surfaces.
    pub surfaces: usize,
    /// The reference surface.
    pub reference: String,
    /// Distribution of times.
    pub distribution: Distribution,
    /// Level of all limits.
    pub level: f64,
    /// Shared conditions and cells in the model.
    pub groupings: Vec<Grouping>,
}

/// One laboratory surface against the roads.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// let belt = &surface_severity::study::Study::new(plan).run(&campaign, None)?.conclusions.belts[0];
/// println!("{belt}");
/// assert!(belt.to_string().starts_with("laboratory belt wears"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct BeltConclusion {
    /// The surface.
    pub laboratory: String,
    /// The reference surface.
    pub reference: String,
    /// Abrasiveness factor relative to the reference.
    pub factor: Estimate,
    /// Every road, by name.
    pub roads: Vec<RoadConclusion>,
    /// Whether one factor serves all classes.
    pub one_factor: OneFactor,
    /// What is shown equivalent, where it was tested.
    pub equivalence: Option<EquivalenceConclusion>,
    /// What the reference cloth says of the belt, where one was named.
    pub control: Option<ControlConclusion>,
    /// Where the corrections hold, where there are any.
    pub domain: Option<DomainConclusion>,
    /// Of the trials on the belt: how many, on how many days and belts, at which speed and force; name and value.
    pub particulars: Vec<(String, String)>,
    /// The same of the trials on the roads.
    pub road_particulars: Vec<(String, String)>,
}

/// Whether a belt was in control while the campaign ran.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// use surface_severity::campaign::{Campaign, Trial};
/// use surface_severity::severity::Severity;
/// use surface_severity::study::Study;
/// // Two drops of the reference cloth at the beginning of every day; on the last two days another grit.
/// let mut trials = campaign.trials().to_vec();
/// for (i, time) in [4.1, 4.3, 3.9, 4.2, 4.0, 4.1, 4.4, 4.0, 2.1, 2.0, 2.2, 2.1].into_iter().enumerate() {
///     let drop = Trial::perforated(format!("C-{i:02}"), "laboratory belt", "reference cloth", time);
///     trials.push(drop.day(format!("day-{:02}", i / 2 + 1)).material_class("everyday cloth"));
/// }
/// let plan = Severity::new("dense asphalt concrete");
/// let result = Study::new(plan).reference_cloth("reference cloth").run(&Campaign::from_trials(trials)?, None)?;
/// let control = result.conclusions.belts[0].control.as_ref().unwrap();
/// assert!(!control.in_control && control.to_string().contains("out of control from day-05"), "{control}");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct ControlConclusion {
    /// The laboratory surface.
    pub laboratory: String,
    /// The reference cloth.
    pub cloth: String,
    /// Whether no rule spoke at any point.
    pub in_control: bool,
    /// What the chart says.
    pub text: String,
}

/// A laboratory time read as a time on one road.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// let result = surface_severity::study::Study::new(plan).run(&campaign, None)?;
/// let road = result.conclusions.belts[0].roads.iter().find(|r| r.surface == "brushed concrete").unwrap();
/// // For one material less is known than for the average, from three specimens less than from ten.
/// let (average, one) = (road.factor.interval().unwrap(), road.one_material.as_ref().unwrap());
/// assert!(one.lower() < average.lower() && average.upper() < one.upper());
/// assert!(road.reports[0].limits.upper() > road.reports[2].limits.upper());
/// assert_eq!((road.reports[0].specimens, road.reports[2].specimens), (3, 10));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct RoadConclusion {
    /// The road.
    pub surface: String,
    /// c of the average material, k of the belt over k of the road: multiply a laboratory time by it.
    pub factor: Estimate,
    /// c with limits that hold for one further material of any class that was tested here: the widest of the limits of
    /// the classes. `None` without a correction.
    pub one_material: Option<Interval>,
    /// The same for the median of a report of so many specimens of one day.
    pub reports: Vec<ReportLimits>,
    /// The classes tested, by name, then any other.
    pub classes: Vec<ClassReading>,
    /// Whether any class has another c than the average, in three digits.
    pub by_class: bool,
    /// Materials that the correction rests on.
    pub materials: usize,
    /// Why there is no correction.
    pub not_corrected: Option<String>,
}

/// Limits of c for a report.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// let result = surface_severity::study::Study::new(plan).run(&campaign, None)?;
/// let sizes: Vec<usize> = result.conclusions.belts[0].roads[0].reports.iter().map(|r| r.specimens).collect();
/// assert_eq!(sizes, [3, 5, 10]);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct ReportLimits {
    /// Specimens, of one day.
    pub specimens: usize,
    /// Road median of the material over the median of the report.
    pub limits: Interval,
}

/// How a material of one class is read on one road.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// let result = surface_severity::study::Study::new(plan).run(&campaign, None)?;
/// let road = result.conclusions.belts[0].roads.iter().find(|r| r.surface == "polished fine asphalt").unwrap();
/// let lined = road.classes.iter().find(|c| c.class.as_deref() == Some("multi-layer lined textile")).unwrap();
/// assert!(lined.departs && lined.factor.upper() < road.factor.value().unwrap());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct ClassReading {
    /// The class; `None`: one that was not tested here, or is not stated.
    pub class: Option<String>,
    /// Its materials behind the correction.
    pub materials: usize,
    /// c of the class.
    pub factor: Interval,
    /// c with the limits for one further material of it.
    pub one_material: Option<Interval>,
    /// The same for the median of a report.
    pub reports: Vec<ReportLimits>,
    /// Whether it departs from the other classes here.
    pub departs: bool,
}

/// Whether one factor serves all classes of materials.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::study::{OneFactor, Study};
/// let result = Study::new(plan).run(&campaign, None)?;
/// assert!(matches!(result.conclusions.belts[0].one_factor, OneFactor::Departs { .. }));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum OneFactor {
    /// Classes could not be compared.
    NotTested,
    /// No class departs, as far as these trials show.
    NotRefuted {
        /// Pairs of class and road that were compared.
        compared: usize,
        /// The smallest adjusted p-value.
        adjusted_p_value: f64,
    },
    /// These depart.
    Departs {
        /// Pairs of class and road that were compared.
        compared: usize,
        /// The departing ones, the surest first.
        classes: Vec<DepartingClass>,
    },
}

/// A class that one factor does not serve.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::study::{OneFactor, Study};
/// let result = Study::new(plan).run(&campaign, None)?;
/// let OneFactor::Departs { classes, .. } = &result.conclusions.belts[0].one_factor else { panic!() };
/// assert!(classes.iter().all(|c| c.adjusted_p_value <= 0.05 && !c.ratio_to_others.contains(1.0)));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct DepartingClass {
    /// The class.
    pub class: String,
    /// The road.
    pub surface: String,
    /// Materials of the class tested there.
    pub materials: usize,
    /// How many times as long it lasts there as the other classes with the same laboratory time.
    pub ratio_to_others: Interval,
    /// p-value of 1, adjusted over classes and roads.
    pub adjusted_p_value: f64,
}

/// What is shown equivalent to the belt and what is not.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// let result = surface_severity::study::Study::new(plan).run(&campaign, None)?;
/// let equivalence = result.conclusions.belts[0].equivalence.as_ref().unwrap();
/// assert_eq!(equivalence.shown.len() + equivalence.not_shown.len(), 6);
/// // Not shown is open, unless the interval lies beyond the bounds.
/// assert!(equivalence.not_shown.iter().any(|n| n.outside));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct EquivalenceConclusion {
    /// Lower bound of the ratio.
    pub lower_bound: f64,
    /// Upper bound.
    pub upper_bound: f64,
    /// Level of the tests.
    pub alpha: f64,
    /// Roads that the belt is shown equivalent to.
    pub shown: Vec<String>,
    /// The others.
    pub not_shown: Vec<NotShown>,
    /// Why nothing may be shown, where that is so.
    pub undetermined: Vec<String>,
}

/// A road that the belt is not shown equivalent to.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// let result = surface_severity::study::Study::new(plan).run(&campaign, None)?;
/// let rows = &result.conclusions.belts[0].equivalence.as_ref().unwrap().not_shown;
/// let polished = rows.iter().find(|n| n.surface == "polished fine asphalt").unwrap();
/// assert!(polished.outside && polished.adjusted_p_value.unwrap() > 0.05);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct NotShown {
    /// The road.
    pub surface: String,
    /// Adjusted p-value of equivalence; `None` where it could not be tested.
    pub adjusted_p_value: Option<f64>,
    /// True where the ratio is known to lie beyond the bounds: the belt differs from this road.
    pub outside: bool,
}

/// Where the corrections hold.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// let result = surface_severity::study::Study::new(plan).run(&campaign, None)?;
/// let domain = result.conclusions.belts[0].domain.as_ref().unwrap();
/// assert!(domain.shortest_laboratory_time_s < domain.longest_laboratory_time_s);
/// assert!(domain.classes.iter().any(|(class, _)| class == "leather"));
/// // Everyday cloth, which opens soonest, was not tested on the polished road; the others cover shorter times.
/// assert!(domain.wider.iter().any(|(road, from, _)| road == "brushed concrete" && *from < domain.shortest_laboratory_time_s));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct DomainConclusion {
    /// Shortest laboratory time that every road has, s.
    pub shortest_laboratory_time_s: f64,
    /// Longest laboratory time that every road has, s.
    pub longest_laboratory_time_s: f64,
    /// Roads where other laboratory times are covered too: road, shortest and longest, s.
    pub wider: Vec<(String, f64, f64)>,
    /// Classes with the most materials that any road has, by name.
    pub classes: Vec<(String, usize)>,
    /// Classes that a road lacks: road and class.
    pub lacking: Vec<(String, String)>,
}

/// A trial to ask about.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// let result = surface_severity::study::Study::new(plan).run(&campaign, None)?;
/// let first = &result.conclusions.questioned[0];
/// assert_eq!((first.trial_id.as_str(), first.day.is_some()), ("L-0068", true));
/// assert!(first.reason.contains("times"), "one reason, of a test that spoke");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct QuestionedTrial {
    /// The trial.
    pub trial_id: String,
    /// Its material.
    pub material: String,
    /// Its surface.
    pub surface: String,
    /// Its day, where recorded.
    pub day: Option<String>,
    /// Its time, s.
    pub abrasion_time_s: Option<f64>,
    /// Its outcome.
    pub outcome: Outcome,
    /// The rule or test that speaks against it most clearly.
    pub test: Test,
    /// What it says.
    pub reason: String,
}

/// How much times scatter.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// let scatter = surface_severity::study::Study::new(plan).run(&campaign, None)?.conclusions.scatter;
/// assert!(scatter.to_string().starts_with("Specimens of one material on one surface scatter by about 20 %"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
#[non_exhaustive]
pub struct ScatterConclusion {
    /// Standard deviation of log time between specimens of one cell.
    pub log_standard_deviation: f64,
    /// Coefficient of variation of log-normal times with it, per cent.
    pub percent: f64,
    /// What else scatters.
    pub conditions: Vec<ScatterOfCondition>,
    /// p-value of cells that follow one factor per surface: small where materials differ from surface to surface.
    pub additivity_p_value: Option<f64>,
    /// p-value of equal scatter in all classes.
    pub equal_scatter_p_value: Option<f64>,
}

/// Scatter between days, runs, belts or cells.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::severity::Grouping;
/// let scatter = surface_severity::study::Study::new(plan).run(&campaign, None)?.conclusions.scatter;
/// let day = scatter.conditions.iter().find(|c| c.grouping == Grouping::Day).unwrap();
/// assert_eq!(day.levels, 12);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct ScatterOfCondition {
    /// What.
    pub grouping: Grouping,
    /// Its levels.
    pub levels: usize,
    /// Standard deviation of log time between them.
    pub log_standard_deviation: f64,
    /// The same in per cent.
    pub percent: f64,
}

/// Something recorded that is not in the model, or hardly.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// let result = surface_severity::study::Study::new(plan).run(&campaign, None)?;
/// let shift = result.conclusions.recorded.iter().find(|r| r.name == "operator_shift").unwrap();
/// assert!(shift.column && !shift.in_model);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[non_exhaustive]
pub struct RecordedRemark {
    /// Grouping or column.
    pub name: String,
    /// Whether it is a column, and not a grouping of trials.
    pub column: bool,
    /// Whether it is in the model all the same.
    pub in_model: bool,
    /// What to know of it.
    pub text: String,
}
