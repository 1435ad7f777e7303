//! The plan of a severity fit.

use serde::{Deserialize, Serialize};

use crate::campaign::{Campaign, Trial};
use crate::error::Result;

use super::covariate::Covariate;
use super::distribution::Distribution;
use super::fit::SeverityFit;
use super::mixed::Criterion;

/// What shares conditions, and so a random effect on log time.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// use surface_severity::severity::{Grouping, Severity};
/// let fit = Severity::new("dense asphalt concrete").random(Grouping::Day).fit(&campaign)?;
/// assert_eq!(fit.predictions(&Grouping::Day)?.len(), 12, "one effect for each day of the campaign");
/// assert_eq!(Grouping::Day.as_str(), "day");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Grouping {
    /// Trials of one day.
    Day,
    /// Trials of one run; runs of the same name on different days are different runs.
    Run,
    /// Trials of one laboratory. Acts only on surfaces whose trials name a laboratory.
    Laboratory,
    /// Trials on one abrasive belt. Acts only on surfaces whose trials name a belt.
    Belt,
    /// Trials with the same text in a column of the table's own, such as `operator` or `lot`. Acts only on surfaces whose
    /// trials have a text there.
    Column(String),
    /// A material's own departure on a surface from the common scale: one level per cell.
    MaterialBySurface,
    /// A class's own departure on a surface from the common scale.
    ClassBySurface,
}

impl Grouping {
    /// Name as the results carry it: lower case, or that of the column.
    #[must_use]
    pub fn as_str(&self) -> &str {
        match self {
            Self::Column(name) => name,
            Self::Day => "day",
            Self::Run => "run",
            Self::Laboratory => "laboratory",
            Self::Belt => "belt",
            Self::MaterialBySurface => "material_by_surface",
            Self::ClassBySurface => "class_by_surface",
        }
    }

    /// What a trial names: the label, and the day that it belongs to where the label is one within days.
    pub(crate) fn label<'a>(&self, trial: &'a Trial) -> Option<(Option<&'a str>, &'a str)> {
        let label = match self {
            Self::Run => return Some((trial.day.as_deref(), trial.run.as_deref()?)),
            Self::Day => trial.day.as_deref(),
            Self::Laboratory => trial.laboratory.as_deref(),
            Self::Belt => trial.belt.as_deref(),
            Self::Column(name) => trial.covariates.get(name).map(String::as_str),
            Self::MaterialBySurface | Self::ClassBySurface => None,
        };
        Some((None, label?))
    }

    /// Whether its levels are conditions that trials share, and not departures of what is tested.
    pub(crate) fn is_condition(&self) -> bool {
        !matches!(self, Self::MaterialBySurface | Self::ClassBySurface)
    }
}

impl std::fmt::Display for Grouping {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Column(name) => name,
            Self::Day => "day",
            Self::Run => "run",
            Self::Laboratory => "laboratory",
            Self::Belt => "belt",
            Self::MaterialBySurface => "material × surface",
            Self::ClassBySurface => "class × surface",
        })
    }
}

/// What to fit: plain data, checked in [`fit`](Self::fit), kept in the result. Every later stage takes
/// reference, distribution and level from the fit it is given.
///
/// `log T = μ(material) − log k(surface) + Σ γ (x − x₀) + Σ random effects + σ W`.
///
/// | option | default | range | meaning |
/// |---|---|---|---|
/// | reference | required | a surface of the campaign | surface whose factor is 1 |
/// | random | what the table records and can tell apart of day, run, laboratory and belt, and material × surface | [`Grouping`]s, each once | what shares conditions |
/// | conditions | none | columns of the table's own, each once | conditions that trials share beside these |
/// | covariates | belt wear for a fresh belt, where `belt_drop` is recorded | [`Covariate`]s, each column once | recorded numbers that act on log time, and the values at which everything is stated |
/// | distribution | log-normal | see [`Distribution`] | times about their cell |
/// | level | 0.95 | (0, 1) | confidence level of every interval |
/// | time resolution | none | > 0 s | a perforated time t is only known to lie within t ± half of this |
/// | criterion | REML | [`Criterion`] | REML: variances and intervals for few trials and few days; ML: the full likelihood |
///
/// A grouping that is recorded and cannot be fitted (one level, or levels that coincide with surfaces) is
/// listed with its reason among the [`notes`](SeverityFit::notes); one that was asked for by
/// [`random`](Self::random) is an error instead. A trial without a label counts as a condition of its own.
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
/// use surface_severity::severity::{Distribution, Severity};
/// let plan = Severity::new("asphalt").distribution(Distribution::LogNormal).level(0.9);
/// assert_eq!((plan.reference(), plan.confidence_level()), ("asphalt", 0.9));
/// let k = plan.fit(&campaign)?.factor("belt")?;
/// assert!((k.estimate() - 2.0).abs() < 1e-12, "the belt wears cowhide twice as fast");
/// assert_eq!(k.level(), 0.9);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Severity {
    pub(super) reference: String,
    #[serde(default)]
    pub(super) distribution: Distribution,
    #[serde(default = "default_level")]
    pub(super) level: f64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) time_resolution_s: Option<f64>,
    /// `None`: what the table records.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(super) random: Option<Vec<Grouping>>,
    /// Columns whose texts are conditions too.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(super) conditions: Vec<String>,
    /// Beside belt wear, which is in the model where the table records it.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(super) covariates: Vec<Covariate>,
    #[serde(default)]
    pub(super) criterion: Criterion,
}

fn default_level() -> f64 {
    0.95
}

impl Severity {
    /// A log-normal plan at level 0.95 relative to surface `reference`, with the shared conditions that the
    /// table records.
    ///
    /// ```
    /// use surface_severity::severity::{Distribution, Severity};
    /// let plan = Severity::new("dense asphalt concrete");
    /// assert_eq!((plan.chosen_distribution(), plan.confidence_level()), (Distribution::LogNormal, 0.95));
    /// ```
    pub fn new(reference: impl Into<String>) -> Self {
        Self {
            reference: reference.into(),
            distribution: Distribution::default(),
            level: default_level(),
            time_resolution_s: None,
            random: None,
            conditions: Vec::new(),
            covariates: Vec::new(),
            criterion: Criterion::default(),
        }
    }

    /// Sets the distribution of times.
    #[must_use]
    pub fn distribution(mut self, distribution: Distribution) -> Self {
        self.distribution = distribution;
        self
    }

    /// Sets the confidence level, 0.95 for 95 %.
    #[must_use]
    pub fn level(mut self, level: f64) -> Self {
        self.level = level;
        self
    }

    /// Reads perforated times as known to ± half of `seconds` (interval-censored): matters where
    /// times are not long against the clock's step.
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
    /// use surface_severity::severity::Severity;
    /// // A clock with steps of 1 s: the times are known less well, the factor hardly moves.
    /// let coarse = Severity::new("asphalt").time_resolution_s(1.0).fit(&campaign)?;
    /// assert!((coarse.factor("belt")?.estimate() - 2.0).abs() < 0.05);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn time_resolution_s(mut self, seconds: f64) -> Self {
        self.time_resolution_s = Some(seconds);
        self
    }

    /// Adds a random effect; the first call replaces the default, what the table records.
    #[must_use]
    pub fn random(mut self, grouping: Grouping) -> Self {
        self.random.get_or_insert_default().push(grouping);
        self
    }

    /// Takes a column of the table's own, such as `operator`, as a condition that trials share, beside what the table
    /// records of day, run, laboratory and belt.
    ///
    /// ```
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let trials = (0..24u32).map(|i| {
    /// #     let person = ["A. N.", "B. O.", "C. P."][i as usize % 3];
    /// #     let log = 0.3 * f64::from(i % 3) + 0.05 * f64::from(i * i * 7 % 11);
    /// #     let (surface, material) = (["asphalt", "belt"][i as usize / 12], ["cowhide", "denim"][i as usize / 3 % 2]);
    /// #     Trial::perforated(i.to_string(), surface, material, log.exp()).covariate("operator", person)
    /// # });
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::severity::{Grouping, Severity};
    /// let fit = Severity::new("asphalt").condition("operator").fit(&campaign)?;
    /// assert!(fit.groupings().contains(&Grouping::Column("operator".into())));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn condition(mut self, column: impl Into<String>) -> Self {
        self.conditions.push(column.into());
        self
    }

    /// Fits every trial as independent of the others given its material and surface: no random effect.
    /// For comparison, and where nothing was shared; days and belts that differ make its limits too narrow.
    #[must_use]
    pub fn independent(mut self) -> Self {
        self.random = Some(Vec::new());
        self
    }

    /// Adds a recorded number that acts on log time; one on `belt_drop` replaces the belt wear that is fitted of its own
    /// accord.
    #[must_use]
    pub fn covariate(mut self, covariate: Covariate) -> Self {
        self.covariates.push(covariate);
        self
    }

    /// Sets the criterion of variances.
    #[must_use]
    pub fn criterion(mut self, criterion: Criterion) -> Self {
        self.criterion = criterion;
        self
    }

    /// The reference surface.
    #[must_use]
    pub fn reference(&self) -> &str {
        &self.reference
    }

    /// Distribution of times.
    #[must_use]
    pub fn chosen_distribution(&self) -> Distribution {
        self.distribution
    }

    /// Confidence level.
    #[must_use]
    pub fn confidence_level(&self) -> f64 {
        self.level
    }

    /// Whether nothing but materials and surfaces is in the model.
    pub(super) fn knows_cells_only(&self, campaign: &Campaign) -> bool {
        let independent = self.random.as_ref().is_some_and(Vec::is_empty) && self.conditions.is_empty();
        independent && self.covariates.is_empty() && !campaign.records_belt_drop()
    }

    /// Fits the plan to `campaign`.
    ///
    /// ```
    /// use surface_severity::campaign::Campaign;
    /// use surface_severity::{ErrorKind, severity::Severity};
    /// let campaign = Campaign::read_path("data-demo/trials.csv")?;
    /// let fit = Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// assert_eq!((fit.factors().len(), fit.materials().len()), (7, 14));
    /// assert_eq!(fit.campaign_digest(), campaign.digest());
    /// let error = Severity::new("gravel").fit(&campaign).unwrap_err();
    /// assert!(matches!(error.kind(), ErrorKind::UnknownSurface { .. }));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::UnknownSurface`](crate::ErrorKind::UnknownSurface), `InvalidOption` (level, a grouping
    /// twice), `Disconnected`, `NotEstimable` (the reference itself cannot be placed; a grouping asked for
    /// that has one level, one level per trial, the same groups as another, or is taken up by materials and
    /// surfaces), `ScatterNotEstimable` (materials and surfaces meet every exact time and no censored one
    /// speaks against them, as in a campaign of single specimens: the likelihood grows without limit as the
    /// scatter goes to 0), `NotConverged`.
    pub fn fit(&self, campaign: &Campaign) -> Result<SeverityFit> {
        SeverityFit::of(self, campaign)
    }
}
