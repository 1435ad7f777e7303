//! Deriving corrections from an equivalence fit, and applying them.

use super::classes::{ClassBasis, ClassCorrections};
use super::corrected::CorrectedTime;
use super::reports::{LabReport, LogMedian};
use super::surface::{Known, Readings, SurfaceCorrection};
use crate::campaign::Decision;
use crate::document::{CRATE_VERSION, present};
use crate::equivalence::{ClassDeparture, EquivalenceFit, Form, SharedCondition, SurfaceEquivalence, check_decisions};
use crate::error::{ErrorKind, Result};
use crate::estimate::{check_level, significant};
use crate::record::{all_positive, record};
use crate::severity::{CellMeans, Distribution};
use serde::{Deserialize, Serialize};

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

record! {
    /// Median of the reference cloth on the belt of the campaign, at the stated state of the belt: what a report's own reading
    /// of the cloth is held against.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// use surface_severity::{correction::Correction, equivalence::Equivalence, severity::Severity};
    /// let fit = Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// let equivalence = Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// let cells = fit.cell_means(&campaign)?;
    /// let correction = Correction::derive(&equivalence, &Default::default())?.with_reference_cloth(&cells, "aramid denim")?;
    /// let cloth = correction.reference_cloth().unwrap();
    /// assert_eq!(cloth.material(), "aramid denim");
    /// assert!(cloth.log_standard_error() > 0.0);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct ReferenceCloth as RawReferenceCloth {
        /// The cloth.
        borrow material: String => str,
        /// Log of its median on the belt, s.
        copy log_median: f64,
        /// Its standard error.
        copy log_standard_error: f64,
        /// Its degrees of freedom: the fewest of the conditions that its trials share, or those of σ.
        copy degrees_of_freedom: f64,
    }
}

impl ReferenceCloth {
    fn check(&self) -> std::result::Result<(), String> {
        all_positive(&[("degrees_of_freedom", self.degrees_of_freedom)])?;
        if self.log_standard_error < 0.0 || !self.log_median.is_finite() {
            return Err("the reference cloth should have a finite median and a standard error of at least 0".into());
        }
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
    #[serde(deserialize_with = "present")]
    pub(super) reference_cloth: Option<ReferenceCloth>,
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
            reference_cloth: None,
            corrections,
            not_corrected,
            cautions,
        })
    }

    /// Says which material is the reference cloth: reports that bring their own reading of it are read through it
    /// ([`LabReport::with_reference`]). `cells` are those of the fit ([`SeverityFit::cell_means`](crate::severity::SeverityFit::cell_means)).
    ///
    /// A report's log time x is read as `x − (r − m)`, r its log reading of the cloth and m the cloth's log median on the belt of
    /// the campaign. What the report's day, run and belt did to both cancels; the variance is that of x, σ²/drops of r, and that
    /// of m. What the days of the campaign did to m they did to the factor too, the other way; m is taken as independent all the
    /// same, so the limits are on the long side (99 % of 300 simulated campaigns at 95 %, tests/correction.rs).
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// use surface_severity::correction::{Correction, LabReport};
    /// let cells = fit.cell_means(&campaign)?;
    /// let correction = Correction::derive(&equivalence, &Default::default())?.with_reference_cloth(&cells, "aramid denim")?;
    /// let report = LabReport::from_mean("R 7", "new twill", None, 2.1, 5, 0.2)?;
    /// // That day the cloth lasted a tenth longer than on the belt of the campaign: so did the twill.
    /// let usual = correction.reference_cloth().unwrap().log_median().exp();
    /// let that_day = report.clone().with_reference(1.1 * usual, 4)?;
    /// let read = |r: &LabReport| correction.apply_on("brushed concrete", r).map(|t| t.expected_road_median_s().value().unwrap());
    /// assert!((read(&report)? / read(&that_day)? - 1.1).abs() < 1e-9);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::NotEstimable`] where the cloth has no finite median on the belt.
    pub fn with_reference_cloth(mut self, cells: &CellMeans, material: &str) -> Result<Self> {
        let cell = cells.cell(material, &self.laboratory);
        let known = cell.and_then(|c| c.log_median.zip(c.log_standard_error));
        let Some((log_median, log_standard_error)) = known else {
            let quantity = format!("the reference cloth {material:?} on {:?}", self.laboratory);
            let reason = "it has no median there, so no reading can be held against it".into();
            return Err(ErrorKind::NotEstimable { quantity, reason }.into());
        };
        let fewest = self.conditions.iter().map(SharedCondition::degrees_of_freedom).fold(f64::INFINITY, f64::min);
        let degrees_of_freedom = fewest.min(self.scatter_degrees_of_freedom);
        let material = material.to_owned();
        self.reference_cloth = Some(ReferenceCloth { material, log_median, log_standard_error, degrees_of_freedom });
        Ok(self)
    }

    /// The reference cloth, where one was said.
    #[must_use]
    pub fn reference_cloth(&self) -> Option<&ReferenceCloth> {
        self.reference_cloth.as_ref()
    }

    /// How much longer, in logs, the cloth lasted with the report than in the campaign, and how well this and the log median of a
    /// report that scatters by `variance` are known together.
    pub(super) fn through_reference(&self, report: &LabReport, variance: f64) -> Option<(f64, Known)> {
        let (reading, cloth) = report.reference().zip(self.reference_cloth.as_ref())?;
        let (log_median, own) = reading.log_median(self.log_scatter, self.distribution);
        let median = (cloth.log_standard_error * cloth.log_standard_error, cloth.degrees_of_freedom);
        let known = Known { variance: variance + own, days: f64::INFINITY, cloth: Some(median) };
        Some((log_median - cloth.log_median, known))
    }

    /// How much longer the cloth lasted with the report than in the campaign, and how many standard deviations of what days,
    /// belts and drops differ by that is.
    pub(crate) fn reference_distance(&self, report: &LabReport) -> Option<(f64, f64)> {
        let (shift, known) = self.through_reference(report, 0.0)?;
        let shared: f64 = self.conditions.iter().map(SharedCondition::log_variance).sum();
        let spread = libm::sqrt(known.variance + known.cloth.map_or(0.0, |c| c.0) + shared);
        Some((libm::exp(shift), shift / spread))
    }

    /// How well the log median of a report is known that scatters by `variance`.
    pub(super) fn known(&self, report: &LabReport, variance: f64) -> Known {
        let plain = Known { variance, days: report.days(), cloth: None };
        self.through_reference(report, variance).map_or(plain, |(_, known)| known)
    }

    /// The log median of a report on the belt of the campaign.
    pub(super) fn log_median(&self, report: &LabReport, bound_level: f64) -> LogMedian {
        let shift = self.through_reference(report, 0.0).map_or(0.0, |(shift, _)| shift);
        report.log_median(self.log_scatter, self.distribution, bound_level).less(shift)
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
        Ok(self.correction(surface)?.apply(report, self, &mut Readings::default()))
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
        self.apply_all([report])
    }

    /// [`apply`](Self::apply) to each of many reports, in their order: what reports of as many specimens share is computed
    /// once.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
    /// let all = correction.apply_all(reports.reports());
    /// let one_by_one: Vec<_> = reports.reports().iter().flat_map(|r| correction.apply(r)).collect();
    /// assert_eq!(all, one_by_one);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn apply_all<'r>(&self, reports: impl IntoIterator<Item = &'r LabReport>) -> Vec<CorrectedTime> {
        let mut readings: Vec<Readings> = self.corrections.iter().map(|_| Readings::default()).collect();
        reports
            .into_iter()
            .flat_map(|report| {
                let each = self.corrections.iter().zip(&mut readings);
                each.map(|(c, readings)| c.apply(report, self, readings)).collect::<Vec<_>>()
            })
            .collect()
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
        match fit.stated_at() {
            [] => format!(
                "These corrections belong to the surface {:?} in the state in which it was during the campaign.",
                fit.laboratory()
            ),
            stated => format!(
                "These corrections belong to the surface {:?} at {}: a report made otherwise is not read by them.",
                fit.laboratory(),
                stated.join(" and ")
            ),
        },
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
