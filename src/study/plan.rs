//! The plan of a study, and the run through its stages.

use serde::Serialize;

use super::conclude::conclude;
use super::conclusions::Caveat;
use super::result::{Belt, NotHad, Stage, StudyResult};
use super::sensitivity::OtherDistribution;
use crate::bootstrap::{Bootstrap, SeverityBootstrap};
use crate::campaign::{Campaign, Outcome, Trial};
use crate::correction::{Correction, CorrectionOptions, Exposure, LabReport, LabReports, Requirement};
use crate::equivalence::{Equivalence, EquivalenceFit, Form};
use crate::error::{Error, ErrorKind, Result};
use crate::laboratory::{Chart, ControlChart};
use crate::screening::Screening;
use crate::severity::{
    Additivity, DistributionComparison, EqualScatter, ScatterBy, Severity, SeverityDocument, SeverityFit,
    UnequalScatter,
};
use crate::slide::Slide;

/// Points of a base period: with fewer, limits by Student's t are too far apart to see anything; more teach little.
const LEAST_BASE: usize = 6;
const MOST_BASE: usize = 30;

/// What to study: plain data, checked in [`run`](Self::run), kept in the result.
///
/// | option | default | meaning |
/// |---|---|---|
/// | severity | required | reference, distribution, level and shared conditions of every stage |
/// | laboratory | the campaign's laboratory surfaces | surfaces whose times are read as road times; repeatable |
/// | form | constant ratio | form of the correction |
/// | requirements | none | the caller's minimum times, reached with which probability |
/// | reference cloth | none | material whose drops on each belt are charted |
/// | slide | none | the caller's slides, what they use up of each report's material |
/// | exposure | none | shares of roads, for reports on their mixture |
/// | seasons | none | saved scales of earlier campaigns, the oldest first: what changed, and one scale of all |
/// | texture | none | texture depth of roads in mm: the factor of those that were not driven |
/// | bootstrap | none | replicates of a bootstrap of independent trials, for comparison |
/// | seed | 1 | of whatever is drawn at random |
///
/// Decisions on trials come with the campaign ([`Campaign::with_decisions`]).
///
/// ```
/// use surface_severity::campaign::Campaign;
/// use surface_severity::correction::LabReports;
/// use surface_severity::severity::Severity;
/// use surface_severity::study::Study;
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let reports = LabReports::read_path("data-demo/lab_reports.csv")?;
/// let result = Study::new(Severity::new("dense asphalt concrete")).run(&campaign, Some(&reports))?;
/// for road in &result.conclusions.belts[0].roads {
///     println!("{road}");
/// }
/// assert_eq!(result.belts[0].corrected.len(), 12 * 6, "each report on each road");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Study {
    pub(super) severity: Severity,
    pub(super) laboratories: Vec<String>,
    pub(super) form: Form,
    pub(super) requirements: Vec<Requirement>,
    pub(super) reference_cloth: Option<String>,
    pub(super) slide: Option<Slide>,
    pub(super) exposure: Option<Exposure>,
    #[serde(serialize_with = "super::around::digests")]
    pub(super) seasons: Vec<SeverityDocument>,
    pub(super) texture: Vec<(String, f64)>,
    pub(super) bootstrap: usize,
    pub(super) seed: u64,
}

impl Study {
    /// A study with the scale of `severity`.
    ///
    /// ```
    /// use surface_severity::{severity::Severity, study::Study};
    /// let plan = Severity::new("dense asphalt concrete").level(0.9);
    /// assert_eq!(Study::new(plan.clone()).severity(), &plan);
    /// ```
    #[must_use]
    pub fn new(severity: Severity) -> Self {
        Self {
            severity,
            laboratories: Vec::new(),
            form: Form::default(),
            requirements: Vec::new(),
            reference_cloth: None,
            slide: None,
            exposure: None,
            seasons: Vec::new(),
            texture: Vec::new(),
            bootstrap: 0,
            seed: 1,
        }
    }
    /// Adds a laboratory surface; the first call replaces the default, those of the campaign.
    #[must_use]
    pub fn laboratory(mut self, surface: impl Into<String>) -> Self {
        self.laboratories.push(surface.into());
        self
    }
    /// Sets the form of the correction.
    #[must_use]
    pub fn form(mut self, form: Form) -> Self {
        self.form = form;
        self
    }
    /// Sets the caller's minimum times.
    #[must_use]
    pub fn requirements(mut self, requirements: impl IntoIterator<Item = Requirement>) -> Self {
        self.requirements = requirements.into_iter().collect();
        self
    }
    /// Names the reference cloth: whether its times on each belt were in control while the campaign ran is then said, with
    /// the first half of its drops as base period.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::study::Study;
    /// let result = Study::new(plan).reference_cloth("cowhide 1.2 mm").run(&campaign, None)?;
    /// // Seven drops: a base period of six, and one that is held against it.
    /// let control = result.conclusions.belts[0].control.as_ref().unwrap();
    /// assert!(control.to_string().starts_with("Cowhide 1.2 mm on laboratory belt: 1 point"), "{control}");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn reference_cloth(mut self, material: impl Into<String>) -> Self {
        self.reference_cloth = Some(material.into());
        self
    }
    /// Sets the slides that every report is held against.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::slide::Slide;
    /// use surface_severity::study::Study;
    /// let slide = Slide::new(0.6, 8.0).friction_uncertainty(0.15).speeds_km_per_h([40.0, 60.0]);
    /// let result = Study::new(plan).slide(slide).run(&campaign, Some(&reports))?;
    /// assert_eq!(result.belts[0].slides.len(), 12 * 6 * 2, "each report on each road from each speed");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn slide(mut self, slide: Slide) -> Self {
        self.slide = Some(slide);
        self
    }
    /// Sets the shares of roads.
    #[must_use]
    pub fn exposure(mut self, exposure: Exposure) -> Self {
        self.exposure = Some(exposure);
        self
    }
    /// Adds the saved scale of an earlier campaign, the oldest first.
    #[must_use]
    pub fn season(mut self, scale: SeverityDocument) -> Self {
        self.seasons.push(scale);
        self
    }
    /// Sets the texture depth of roads, mm (mean profile depth of ISO 13473-1 or sand patch of EN 13036-1, one of them for
    /// all); a road that is not in the campaign is read off the line through those that are.
    #[must_use]
    pub fn texture<S: Into<String>>(mut self, depths_mm: impl IntoIterator<Item = (S, f64)>) -> Self {
        self.texture = depths_mm.into_iter().map(|(name, mm)| (name.into(), mm)).collect();
        self
    }
    /// Sets the replicates of the bootstrap; 0 for none.
    #[must_use]
    pub fn bootstrap(mut self, replicates: usize) -> Self {
        self.bootstrap = replicates;
        self
    }
    /// Sets the seed.
    #[must_use]
    pub fn seed(mut self, seed: u64) -> Self {
        self.seed = seed;
        self
    }
    /// The plan of the scale.
    #[must_use]
    pub fn severity(&self) -> &Severity {
        &self.severity
    }
    /// The caller's minimum times.
    #[must_use]
    pub fn required(&self) -> &[Requirement] {
        &self.requirements
    }
    /// The seed.
    #[must_use]
    pub fn chosen_seed(&self) -> u64 {
        self.seed
    }

    /// Runs every stage; see the [room](crate::study).
    ///
    /// ```
    /// use surface_severity::{ErrorKind, campaign::Campaign, severity::Severity, study::Study};
    /// let campaign = Campaign::read_path("data-demo/trials.csv")?;
    /// let error = Study::new(Severity::new("gravel")).run(&campaign, None).unwrap_err();
    /// assert!(matches!(error.kind(), ErrorKind::UnknownSurface { .. }));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::UnknownSurface`] for a reference, laboratory or road of the exposure that the campaign has not;
    /// [`ErrorKind::InvalidOption`]; those of [`Severity::fit`] where there is no scale. What else can't be had is
    /// listed in the result.
    pub fn run(&self, campaign: &Campaign, reports: Option<&LabReports>) -> Result<StudyResult> {
        self.run_observed(campaign, reports, &mut |_| ())
    }

    /// [`run`](Self::run), telling `observer` which stage begins.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::study::{Stage, Study};
    /// let mut stages = Vec::new();
    /// Study::new(plan).run_observed(&campaign, None, &mut |stage| stages.push(stage))?;
    /// assert!(stages.contains(&Stage::Screening) && !stages.contains(&Stage::Bootstrap));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`run`](Self::run).
    pub fn run_observed(
        &self,
        campaign: &Campaign,
        reports: Option<&LabReports>,
        observer: &mut dyn FnMut(Stage),
    ) -> Result<StudyResult> {
        let laboratories = self.check(campaign)?;
        let mut not_had = Vec::new();
        let severity = self.scale(campaign, &mut not_had)?;
        let plan = severity.plan();
        let mut had = |stage: Stage| {
            observer(stage);
            Attempt { stage, laboratory: None }
        };
        let at = had(Stage::Screening);
        let screening = at.keep(Screening::new().screen(campaign, plan), &mut not_had);
        let at = had(Stage::Additivity);
        let additivity = at.keep(Additivity::of(&severity, campaign), &mut not_had);
        let at = had(Stage::Distributions);
        let distributions = at.keep(DistributionComparison::of(plan, campaign), &mut not_had);
        let at = had(Stage::EqualScatter);
        let equal_scatter = at.keep(EqualScatter::test(plan, campaign, ScatterBy::Class), &mut not_had);
        let unequal_scatter =
            equal_scatter.as_ref().and_then(|_| UnequalScatter::fit(plan, campaign, ScatterBy::Class).ok());
        let bootstrap = if self.bootstrap > 0 {
            let at = had(Stage::Bootstrap);
            at.keep(self.resampled(plan, campaign), &mut not_had)
        } else {
            None
        };
        let at = had(Stage::Covariates);
        let covariate_checks = at.keep(severity.covariate_checks(campaign), &mut not_had).unwrap_or_default();
        let seasons = self.seasons(&severity, &mut not_had);
        let texture = self.textures(&severity, &mut not_had);
        let mut belts = Vec::new();
        for laboratory in &laboratories {
            observer(Stage::Equivalence);
            // A report of another belt is not read by this one; one that does not say only where there is no other.
            let alone = laboratories.len() == 1;
            let is_of = |r: &&LabReport| r.laboratory_surface().map_or(alone, |name| name == laboratory);
            let reports = reports.map_or(&[][..], LabReports::reports).iter().filter(is_of);
            belts.push(self.belt(laboratory, campaign, &severity, reports, &mut not_had));
        }
        if laboratories.is_empty() {
            let reason = "no surface of the table has the role laboratory, and none was named".to_owned();
            let stage = if reports.is_some() { Stage::CorrectedReports } else { Stage::Equivalence };
            not_had.push(NotHad { stage, laboratory: None, reason });
        }
        let mut result = StudyResult {
            plan: self.clone(),
            campaign: campaign.clone(),
            severity,
            screening,
            additivity,
            distributions,
            equal_scatter,
            unequal_scatter,
            covariate_checks,
            bootstrap,
            belts,
            conclusions: Default::default(),
        };
        let other = OtherDistribution::of(&result);
        let mut conclusions = conclude(&result, other.as_ref(), reports, not_had);
        let changed = seasons.iter().flat_map(|s| &s.changes).filter(|c| c.is_shown());
        conclusions.first.extend(changed.cloned().map(Caveat::Changed));
        (conclusions.seasons, conclusions.texture) = (seasons, texture);
        result.conclusions = conclusions;
        Ok(result)
    }

    /// The laboratory surfaces, once everything that names a surface or a time is found sound.
    fn check(&self, campaign: &Campaign) -> Result<Vec<String>> {
        for (i, r) in self.requirements.iter().enumerate() {
            if self.requirements[..i].iter().any(|o| o.name() == r.name()) {
                return Err(ErrorKind::option("requirements", r.name(), "each name once"));
            }
        }
        let laboratories: Vec<String> = if self.laboratories.is_empty() {
            campaign.laboratory_surfaces().into_iter().map(ToOwned::to_owned).collect()
        } else {
            self.laboratories.clone()
        };
        for (i, laboratory) in laboratories.iter().enumerate() {
            campaign.surface(laboratory)?;
            if laboratories[..i].contains(laboratory) {
                return Err(ErrorKind::option("laboratory", laboratory, "each laboratory surface once"));
            }
        }
        if let Some(cloth) = &self.reference_cloth {
            campaign.material(cloth)?;
        }
        for (surface, _) in self.exposure.iter().flat_map(Exposure::shares) {
            campaign.surface(surface)?;
            if laboratories.contains(surface) {
                return Err(ErrorKind::option("exposure", surface, "road surfaces"));
            }
        }
        Ok(laboratories)
    }

    /// The fit of the plan; without shared conditions where their search does not end.
    fn scale(&self, campaign: &Campaign, not_had: &mut Vec<NotHad>) -> Result<SeverityFit> {
        match self.severity.fit(campaign) {
            Err(error) if matches!(error.kind(), ErrorKind::NotConverged { .. }) => {
                let fit = self.severity.clone().independent().fit(campaign)?;
                Attempt { stage: Stage::SharedConditions, laboratory: None }.missing(&error, not_had);
                Ok(fit)
            }
            other => other,
        }
    }

    fn resampled(&self, plan: &Severity, campaign: &Campaign) -> Result<SeverityBootstrap> {
        let bootstrap = Bootstrap::rescaled(self.bootstrap).seed(self.seed).level(plan.confidence_level());
        bootstrap.severity(plan, campaign)
    }

    fn belt<'r>(
        &self,
        laboratory: &str,
        campaign: &Campaign,
        severity: &SeverityFit,
        reports: impl Iterator<Item = &'r LabReport>,
        not_had: &mut Vec<NotHad>,
    ) -> Belt {
        let at = |stage| Attempt { stage, laboratory: Some(laboratory.to_owned()) };
        let mut belt = Belt {
            laboratory: laboratory.to_owned(),
            control: None,
            equivalence: None,
            correction: None,
            corrected: Vec::new(),
            slides: Vec::new(),
            exposed: Vec::new(),
        };
        if let Some(cloth) = &self.reference_cloth {
            belt.control = at(Stage::ControlChart).keep(chart(severity, campaign, cloth, laboratory), not_had);
        }
        belt.equivalence = at(Stage::Equivalence).keep(Equivalence::new(laboratory).fit(campaign, severity), not_had);
        let Some(equivalence) = &belt.equivalence else { return belt };
        belt.correction = at(Stage::Correction).keep(self.correction(equivalence), not_had);
        if let (Some(cloth), Some(correction)) = (&self.reference_cloth, &mut belt.correction) {
            let with = |cells| correction.clone().with_reference_cloth(&cells, cloth);
            let read_through = severity.cell_means(campaign).and_then(with);
            if let Some(read_through) = at(Stage::ReferenceReadings).keep(read_through, not_had) {
                *correction = read_through;
            }
        }
        let Some(correction) = &belt.correction else { return belt };
        let reports: Vec<&LabReport> = reports.collect();
        belt.corrected = correction.apply_all(reports.iter().copied());
        if let Some(slide) = &self.slide {
            let slide = slide.clone().with_ladder(severity, campaign);
            let rows = at(Stage::Slide).keep(slide.rows(equivalence, correction, &belt.corrected), not_had);
            belt.slides = rows.unwrap_or_default();
            if let Some(route) = &self.exposure {
                belt.slides.extend(Slide::on_route(&belt.slides, route));
            }
        }
        for report in reports {
            if let Some(exposure) = &self.exposure {
                let exposed = correction.apply_exposure(report, exposure);
                // A road without a correction: said once.
                let known = not_had.iter().any(|n| n.stage == Stage::Exposure);
                match exposed {
                    Ok(time) => belt.exposed.push(time),
                    Err(error) if !known => at(Stage::Exposure).missing(&error, not_had),
                    Err(_) => {}
                }
            }
        }
        belt
    }

    fn correction(&self, equivalence: &EquivalenceFit) -> Result<Correction> {
        let options = CorrectionOptions::default().form(self.form);
        Ok(Correction::derive(equivalence, &options)?.with_seed(self.seed))
    }
}

/// Of the reference cloth, its first half as base period.
fn chart(fit: &SeverityFit, campaign: &Campaign, cloth: &str, laboratory: &str) -> Result<ControlChart> {
    let is_drop = |t: &&Trial| t.material == cloth && t.surface == laboratory && t.outcome == Outcome::Perforated;
    let drops = campaign.trials_in_use().filter(is_drop).count();
    Chart::new((drops / 2).clamp(LEAST_BASE, MOST_BASE)).of_cloth(fit, campaign, cloth, laboratory)
}

/// A stage that is tried.
struct Attempt {
    stage: Stage,
    laboratory: Option<String>,
}

impl Attempt {
    fn keep<T>(self, result: Result<T>, not_had: &mut Vec<NotHad>) -> Option<T> {
        match result {
            Ok(value) => Some(value),
            Err(error) => {
                self.missing(&error, not_had);
                None
            }
        }
    }

    fn missing(self, error: &Error, not_had: &mut Vec<NotHad>) {
        NotHad::of(self.stage, self.laboratory, error, not_had);
    }
}
