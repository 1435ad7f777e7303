//! The plan ([`Severity`]) and its result ([`SeverityFit`]).

use serde::{Deserialize, Serialize};

use crate::campaign::{Campaign, SurfaceRole};
use crate::document::present;
use crate::error::{ErrorKind, Result};
use crate::estimate::{Bound, BoundSide, Estimate, Interval, IntervalMethod, check_level};
use crate::numeric::root::root;

use super::cells::{Cell, Cells, Crossed, Kinds};
use super::distribution::Distribution;
use super::identify::{Link, Standing, Standings, standings};
use super::newton::LogTime;
use super::scale::{Combination, Numbering, Scale};

/// What to fit: plain data, checked in [`fit`](Self::fit), kept in the result.
///
/// | option | default | range | meaning |
/// |---|---|---|---|
/// | reference | required | a surface of the campaign | surface whose factor is 1 |
/// | distribution | log-normal | see [`Distribution`] | times about their cell |
/// | level | 0.95 | (0, 1) | confidence level of every interval |
/// | time resolution | none | > 0 s | a perforated time t is only known to lie within t ± half of this |
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
    reference: String,
    #[serde(default)]
    distribution: Distribution,
    #[serde(default = "default_level")]
    level: f64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    time_resolution_s: Option<f64>,
}

fn default_level() -> f64 {
    0.95
}

impl Severity {
    /// A log-normal plan at level 0.95 relative to surface `reference`.
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
    /// [`ErrorKind::UnknownSurface`], [`ErrorKind::InvalidOption`] (level),
    /// [`ErrorKind::Disconnected`], [`ErrorKind::NotEstimable`] (the reference itself cannot be
    /// placed), [`ErrorKind::ScatterNotEstimable`] (materials and surfaces meet every exact time and no
    /// censored one speaks against them, as in a campaign of single specimens: the likelihood grows
    /// without limit as σ falls to zero), [`ErrorKind::NotConverged`].
    pub fn fit(&self, campaign: &Campaign) -> Result<SeverityFit> {
        Prepared::new(self, campaign)?.fit(self, campaign)
    }
}

/// Everything about a campaign that does not depend on the values of weights: shared by the fit
/// and its bootstrap replicates.
#[derive(Debug, Clone)]
pub(crate) struct Prepared {
    pub(crate) cells: Cells,
    pub(crate) standings: Standings,
    pub(crate) numbering: Numbering,
    pub(crate) reference: usize,
}

impl Prepared {
    pub(crate) fn new(plan: &Severity, campaign: &Campaign) -> Result<Self> {
        check_level(plan.level)?;
        let reference = campaign.surface(&plan.reference)?;
        if let Some(step) = plan.time_resolution_s
            && !(step > 0.0 && step.is_finite())
        {
            return Err(ErrorKind::option("time_resolution_s", step, "a positive, finite number of seconds"));
        }
        let cells = Cells::new(campaign, plan.time_resolution_s);
        let links: Vec<Link> =
            cells.with_kinds().map(|(c, kinds)| Link { material: c.material, surface: c.surface, kinds }).collect();
        let materials: Vec<String> = campaign.materials().iter().map(|m| m.name.clone()).collect();
        let surfaces: Vec<String> = campaign.surfaces().iter().map(|s| s.name.clone()).collect();
        let standings = standings(&links, &materials, &surfaces, reference)?;
        let numbering = Numbering::new(&standings, reference);
        if numbering.groups == 0 {
            return Err(ErrorKind::NotEstimable {
                quantity: format!("a scale relative to surface {:?}", plan.reference),
                reason: "no material was worn through on the reference surface, so none has a finite durability \
                         there; choose another reference"
                    .into(),
            }
            .into());
        }
        Ok(Self { cells, standings, numbering, reference })
    }

    pub(crate) fn fit(&self, plan: &Severity, campaign: &Campaign) -> Result<SeverityFit> {
        let design = self.numbering.design(&self.cells);
        let scale = Scale::fit(&design, plan.distribution, "the severity fit")?;
        self.assemble(plan, campaign, &design, scale)
    }

    /// The public result from fitted numbers.
    pub(crate) fn assemble(
        &self,
        plan: &Severity,
        campaign: &Campaign,
        design: &Crossed,
        scale: Scale,
    ) -> Result<SeverityFit> {
        let multiplier = scale.small_sample.multiplier(plan.level);
        let kinds = Kinds::of(&design.times);
        let mut fit = SeverityFit {
            plan: plan.clone(),
            campaign_digest: campaign.digest(),
            surfaces: Vec::new(),
            materials: Vec::new(),
            column: self.numbering.column.clone(),
            group: self.numbering.group.clone(),
            finite_surface: self.numbering.finite_surface.clone(),
            trials: design.times.len(),
            run_outs: kinds.right,
            contact_openings: kinds.left,
            multiplier,
            notes: self.notes(campaign, design.times.len()),
            scale,
        };
        fit.materials =
            (0..campaign.materials().len()).map(|m| self.durability(&fit, campaign, m)).collect::<Result<_>>()?;
        let on_surface = self.cells.by_surface(campaign.surfaces().len());
        fit.surfaces = on_surface
            .iter()
            .enumerate()
            .map(|(s, cells)| self.surface(&fit, campaign, s, cells))
            .collect::<Result<_>>()?;
        Ok(fit)
    }

    pub(crate) fn notes(&self, campaign: &Campaign, fitted: usize) -> Vec<Note> {
        let mut notes = Vec::new();
        let voids = campaign.void_count();
        if voids > 0 {
            notes.push(Note::Voids { trials: voids });
        }
        notes.extend(campaign.decisions().iter().map(|d| Note::SetAside {
            trial_id: d.trial_id.clone(),
            reason: d.reason.clone(),
            decided_by: d.decided_by.clone(),
        }));
        let outside = self.cells.times.len() - fitted;
        if outside > 0 {
            notes.push(Note::OffScale { trials: outside });
        }
        let name = |standing: &Standing, name: &str| match standing {
            Standing::Finite => None,
            Standing::Beyond(BoundSide::AtLeast) => {
                Some(Note::Unbounded { name: name.into(), side: BoundSide::AtLeast })
            }
            Standing::Beyond(BoundSide::AtMost) => Some(Note::Unbounded { name: name.into(), side: BoundSide::AtMost }),
            Standing::Loose => Some(Note::NotPlaced { name: name.into() }),
            Standing::Untested => Some(Note::Untested { name: name.into() }),
        };
        notes.extend(self.standings.materials.iter().zip(campaign.materials()).filter_map(|(s, m)| name(s, &m.name)));
        notes.extend(self.standings.surfaces.iter().zip(campaign.surfaces()).filter_map(|(s, m)| name(s, &m.name)));
        notes.extend((0..campaign.materials().len()).filter_map(|m| {
            let held = self.standings.materials[m] == Standing::Finite;
            self.held_by_one(campaign, &campaign.materials()[m].name, held, self.cells.of_material(m))
        }));
        let on_surface = self.cells.by_surface(campaign.surfaces().len());
        for (s, surface) in campaign.surfaces().iter().enumerate() {
            let held = self.standings.surfaces[s] == Standing::Finite;
            notes.extend(self.held_by_one(campaign, &surface.name, held, on_surface[s].iter().copied()));
            if held && s != self.reference {
                notes.extend(self.one_material(campaign, s, &on_surface[s]));
            }
        }
        notes
    }

    fn held_by_one(
        &self,
        campaign: &Campaign,
        name: &str,
        held: bool,
        cells: impl Iterator<Item = usize>,
    ) -> Option<Note> {
        let (mut trials, mut exact, mut last) = (0, 0, None);
        for at in cells.filter(|_| held) {
            let kinds = self.cells.kinds[at];
            trials += kinds.total();
            exact += kinds.exact;
            last = if kinds.exact > 0 { Some(&self.cells.cells[at]) } else { last };
        }
        let censored = |&i: &usize| matches!(self.cells.times[i], LogTime::Right(_) | LogTime::Left(_));
        match (trials, exact, last.and_then(|c| (c.start..c.end).find(|i| !censored(i)))) {
            (2.., 1, Some(one)) => Some(Note::HeldByOneTrial {
                name: name.into(),
                trial_id: campaign.trials()[self.cells.trial[one]].trial_id.clone(),
                trials,
            }),
            _ => None,
        }
    }

    fn one_material(&self, campaign: &Campaign, s: usize, cells: &[usize]) -> Option<Note> {
        let cells = || cells.iter().map(|&at| &self.cells.cells[at]);
        let total: usize = cells().map(Cell::len).sum();
        let largest = cells().max_by_key(|c| c.len())?;
        // With a single material in the whole campaign there is nothing to compare with.
        (largest.len() * 5 >= total * 4 && campaign.materials().len() > 1).then(|| Note::OneMaterialDecides {
            surface: campaign.surfaces()[s].name.clone(),
            material: campaign.materials()[largest.material].name.clone(),
            percent: 100 * largest.len() / total,
        })
    }

    fn durability(&self, fit: &SeverityFit, campaign: &Campaign, m: usize) -> Result<MaterialDurability> {
        let material = &campaign.materials()[m];
        let cells = &self.cells.cells[self.cells.of_material(m)];
        let (estimate, log) = match (self.standings.materials[m], self.numbering.group[m]) {
            (Standing::Finite, Some(group)) => {
                let (log, se) = fit.location(group, 0.5, self.reference);
                (fit.interval(log, se)?.into(), Some((log, se)))
            }
            (Standing::Beyond(side), _) => {
                // Times as they would read on the reference, from surfaces on the scale.
                let shifted = cells.iter().filter(|c| self.numbering.finite_surface[c.surface]).flat_map(|c| {
                    let shift = self.numbering.column[c.surface].map_or(0.0, |s| fit.scale.log_k[s]);
                    self.cells.of(c).iter().map(move |t| moved(*t, shift))
                });
                (fit.bound(&shifted.collect::<Vec<_>>(), side, "durability", |x| x), None)
            }
            (standing, _) => (Estimate::not_estimable(why_not(standing)), None),
        };
        Ok(MaterialDurability {
            material: material.name.clone(),
            class: material.class.clone(),
            durability_s: estimate,
            log_durability: log.map(|l| l.0),
            log_standard_error: log.map(|l| l.1),
            trials: cells.iter().map(Cell::len).sum(),
            surfaces: cells.len(),
        })
    }

    fn surface(&self, fit: &SeverityFit, campaign: &Campaign, s: usize, cells: &[usize]) -> Result<SurfaceFactor> {
        let cells: Vec<&Cell> = cells.iter().map(|&at| &self.cells.cells[at]).collect();
        let surface = &campaign.surfaces()[s];
        let (factor, log) = match self.standings.surfaces[s] {
            Standing::Finite => {
                let (log, se) = fit.log_factor(s, self.reference);
                (fit.factor_interval(s, self.reference)?.into(), Some((log, se)))
            }
            Standing::Beyond(side) => {
                // Each material's durability is known; what is bounded is the shift -log k.
                let shifted =
                    cells.iter().filter_map(|c| Some((c, self.numbering.group[c.material]?))).flat_map(|(c, group)| {
                        let level = fit.scale.location[group];
                        self.cells.of(c).iter().map(move |t| moved(*t, -level))
                    });
                let opposite = match side {
                    BoundSide::AtLeast => BoundSide::AtMost,
                    BoundSide::AtMost => BoundSide::AtLeast,
                };
                let median = fit.plan.distribution.median() * fit.scale.sigma;
                let bound = fit.bound(&shifted.collect::<Vec<_>>(), opposite, "factor", |x| -(x - median));
                (bound, None)
            }
            standing => (Estimate::not_estimable(why_not(standing)), None),
        };
        Ok(SurfaceFactor {
            surface: surface.name.clone(),
            role: surface.role,
            factor,
            log_factor: log.map(|l| l.0),
            log_standard_error: log.map(|l| l.1),
            trials: cells.iter().map(|c| c.len()).sum(),
            materials: cells.len(),
        })
    }
}

pub(crate) fn moved(time: LogTime, shift: f64) -> LogTime {
    match time {
        LogTime::Exact(y) => LogTime::Exact(y + shift),
        LogTime::Right(y) => LogTime::Right(y + shift),
        LogTime::Left(y) => LogTime::Left(y + shift),
        LogTime::Between(a, b) => LogTime::Between(a + shift, b + shift),
    }
}

pub(crate) fn why_not(standing: Standing) -> &'static str {
    match standing {
        Standing::Untested => "no trial of it could be fitted",
        _ => "its trials meet the rest of the campaign only through run-outs and contact openings",
    }
}

/// One-sided confidence bound of a log median (log s, or whatever shift `times` were moved by), all of
/// whose trials are censored on the same side.
///
/// The value m at which `Π P(T_i censored as seen | log median m) = 1 − level`: for run-outs a lower
/// bound (were the median any lower, so many run-outs would be less likely than `1 − level`), for
/// contact openings an upper one. The location of W is `m − σ·median(W)`. σ, and whatever moved
/// the times, are taken as known. Exact times and intervals count nothing; `None` without a censored one.
pub(crate) fn log_median_bound(distribution: Distribution, sigma: f64, times: &[LogTime], level: f64) -> Option<f64> {
    let target = libm::log(1.0 - level);
    let log_probability = |log_median: f64| -> f64 {
        let location = log_median - sigma * distribution.median();
        times
            .iter()
            .map(|t| match *t {
                LogTime::Right(y) => distribution.log_survival((y - location) / sigma).value,
                LogTime::Left(y) => distribution.log_cumulative((y - location) / sigma).value,
                LogTime::Exact(_) | LogTime::Between(..) => 0.0,
            })
            .sum()
    };
    let censored = times.iter().filter(|t| matches!(t, LogTime::Right(_) | LogTime::Left(_)));
    let (low, high) =
        censored.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), t| (a.min(t.middle()), b.max(t.middle())));
    if !low.is_finite() {
        return None;
    }
    // The probability rises with the median for run-outs, falls for contact openings: either way it
    // crosses the target between these.
    // A hopeless median would overflow to minus infinity; where it lies below the target does not matter.
    root(|median| (log_probability(median) - target).max(-1e9), low - 36.0 * sigma, high + 36.0 * sigma)
}

/// One surface on the scale.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// use surface_severity::campaign::SurfaceRole;
/// let mut scale = fit.factors().to_vec();
/// scale.sort_by(|a, b| b.log_factor.unwrap_or(0.0).total_cmp(&a.log_factor.unwrap_or(0.0)));
/// // The harshest road of this invented campaign; its true factor is 3.1.
/// assert_eq!((scale[0].surface.as_str(), scale[0].role), ("coarse surface dressing", Some(SurfaceRole::Road)));
/// println!("{}: {} from {} trials", scale[0].surface, scale[0].factor, scale[0].trials);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct SurfaceFactor {
    /// Name.
    pub surface: String,
    /// Role, where known.
    #[serde(deserialize_with = "present")]
    pub role: Option<SurfaceRole>,
    /// Abrasiveness factor k relative to the reference, dimensionless; larger wears faster.
    pub factor: Estimate,
    /// Log k, where finite.
    #[serde(deserialize_with = "present")]
    pub log_factor: Option<f64>,
    /// Standard error of log k, where finite.
    #[serde(deserialize_with = "present")]
    pub log_standard_error: Option<f64>,
    /// Trials on the surface, voids not counted.
    pub trials: usize,
    /// Materials tried on it.
    pub materials: usize,
}

/// One material on the reference surface.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// for row in fit.materials() {
///     println!("{}: {} s on the reference, {} trials", row.material, row.durability_s, row.trials);
///     if let Some(durability) = row.durability_s.value() {
///         let median = fit.median(&row.material, fit.reference())?;
///         assert!((durability / median.estimate() - 1.0).abs() < 1e-12);
///     }
/// }
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct MaterialDurability {
    /// Name.
    pub material: String,
    /// Class, where known.
    #[serde(deserialize_with = "present")]
    pub class: Option<String>,
    /// Median abrasion time on the reference surface, s.
    pub durability_s: Estimate,
    /// Log of the median, where finite.
    #[serde(deserialize_with = "present")]
    pub log_durability: Option<f64>,
    /// Its standard error, where finite.
    #[serde(deserialize_with = "present")]
    pub log_standard_error: Option<f64>,
    /// Trials of the material, voids not counted.
    pub trials: usize,
    /// Surfaces it was tried on.
    pub surfaces: usize,
}

/// How the maximum was reached.
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
/// let fit = Severity::new("asphalt").fit(&campaign)?;
/// assert!(fit.convergence().direct, "exact log-normal times need no iteration");
/// assert_eq!(fit.convergence().iterations, 1);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct Convergence {
    /// Newton steps; 1 for a direct solve.
    pub iterations: u32,
    /// Newton decrement before the last step: the remaining distance to the maximum in standard
    /// errors, 0 for a direct solve. The last step makes it about its square.
    pub decrement: f64,
    /// True for the direct least-squares solve.
    pub direct: bool,
}

/// Something the reader of a result should know.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// use surface_severity::severity::Note;
/// for note in fit.notes() {
///     println!("{note}");
/// }
/// assert!(fit.notes().iter().any(|note| matches!(note, Note::Voids { trials: 5, .. })));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Note {
    /// Void trials are kept in the table and not fitted.
    Voids {
        /// How many.
        trials: usize,
    },
    /// A trial is kept in the table and not fitted, by decision.
    SetAside {
        /// The trial.
        trial_id: String,
        /// Why.
        reason: String,
        /// Who decided.
        decided_by: String,
    },
    /// Trials of materials or on surfaces without a finite place on the scale.
    OffScale {
        /// How many.
        trials: usize,
    },
    /// Only a one-sided bound is known of a material's durability or a surface's factor.
    Unbounded {
        /// Material or surface.
        name: String,
        /// Where the quantity lies relative to the bound.
        side: BoundSide,
    },
    /// A material or surface that censored trials alone tie to the scale, in no clear direction.
    NotPlaced {
        /// Material or surface.
        name: String,
    },
    /// A material or surface without any trial that could be fitted.
    Untested {
        /// Material or surface.
        name: String,
    },
    /// A single perforated trial keeps the estimate finite; every other one is censored.
    HeldByOneTrial {
        /// Material or surface.
        name: String,
        /// The trial.
        trial_id: String,
        /// Trials of it, this one included.
        trials: usize,
    },
    /// One material decides a surface's factor: whatever sets that material apart is in the factor.
    OneMaterialDecides {
        /// Surface.
        surface: String,
        /// Material.
        material: String,
        /// Its share of the surface's trials, from 0.8 to 1, in per cent.
        percent: usize,
    },
}

impl std::fmt::Display for Note {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Voids { trials } => write!(f, "{trials} void trial(s) are listed with their reasons and not fitted"),
            Self::SetAside { trial_id, reason, decided_by } => {
                write!(f, "trial {trial_id} is set aside by {decided_by} and not fitted: {reason}")
            }
            Self::OffScale { trials } => write!(
                f,
                "{trials} trial(s) belong to materials or surfaces that have no finite place on the scale; \
                 they give bounds only"
            ),
            Self::Unbounded { name, side } => {
                let (seen, side) = match side {
                    BoundSide::AtLeast => ("upwards", "at least"),
                    BoundSide::AtMost => ("downwards", "at most"),
                };
                write!(
                    f,
                    "{name}: every trial that would limit it {seen} is censored, so its estimate is unlimited; \
                     an \"{side}\" bound is given instead"
                )
            }
            Self::NotPlaced { name } => {
                write!(f, "{name}: only run-outs and contact openings join it to the rest; it has no estimate")
            }
            Self::Untested { name } => write!(f, "{name}: no trial of it could be fitted"),
            Self::HeldByOneTrial { name, trial_id, trials } => write!(
                f,
                "{name}: of {trials} trials only {trial_id} was worn through; without it the estimate would be \
                 unlimited, so its interval is only a rough guide"
            ),
            Self::OneMaterialDecides { surface, material, percent } => write!(
                f,
                "{surface}: {material} gives {percent} % of its trials, so the factor is mostly that one material's; \
                 test others there"
            ),
        }
    }
}

/// A fitted severity scale.
///
/// Holds estimates and covariance, not the trials.
///
/// ```
/// use surface_severity::campaign::Campaign;
/// use surface_severity::severity::Severity;
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let fit = Severity::new("dense asphalt concrete").fit(&campaign)?;
/// println!("belt {}, scatter {:.2}", fit.factor("laboratory belt")?, fit.log_scatter());
/// println!("denim lasts {} s on the belt", fit.median("aramid denim", "laboratory belt")?);
/// assert_eq!(fit.trials(), campaign.trials_in_use().count());
/// assert!(fit.run_outs() > 0 && fit.contact_openings() > 0, "the likelihood holds bounds as well as times");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct SeverityFit {
    plan: Severity,
    campaign_digest: String,
    surfaces: Vec<SurfaceFactor>,
    materials: Vec<MaterialDurability>,
    column: Vec<Option<usize>>,
    group: Vec<Option<usize>>,
    finite_surface: Vec<bool>,
    scale: Scale,
    trials: usize,
    run_outs: usize,
    contact_openings: usize,
    multiplier: f64,
    notes: Vec<Note>,
}

impl SeverityFit {
    /// The plan that was fitted.
    #[must_use]
    pub fn plan(&self) -> &Severity {
        &self.plan
    }
    /// The reference surface, whose factor is 1.
    #[must_use]
    pub fn reference(&self) -> &str {
        &self.plan.reference
    }
    /// Confidence level of the intervals.
    #[must_use]
    pub fn level(&self) -> f64 {
        self.plan.level
    }
    /// Distribution of times.
    #[must_use]
    pub fn distribution(&self) -> Distribution {
        self.plan.distribution
    }
    /// Digest of the campaign that was fitted.
    #[must_use]
    pub fn campaign_digest(&self) -> &str {
        &self.campaign_digest
    }
    /// One row per surface, sorted by name.
    #[must_use]
    pub fn factors(&self) -> &[SurfaceFactor] {
        &self.surfaces
    }
    /// One row per material, sorted by name.
    #[must_use]
    pub fn materials(&self) -> &[MaterialDurability] {
        &self.materials
    }
    /// Replicate scatter σ: scale of log time within a cell (the standard deviation for the
    /// log-normal; for the others multiply by that of W).
    #[must_use]
    pub fn log_scatter(&self) -> f64 {
        self.scale.sigma
    }
    /// Residual degrees of freedom of the least-squares σ; `None` under censoring, where σ is the
    /// maximum-likelihood estimate (see [`interval_degrees_of_freedom`](Self::interval_degrees_of_freedom)).
    #[must_use]
    pub fn degrees_of_freedom(&self) -> Option<f64> {
        self.scale.degrees_of_freedom
    }
    /// Degrees of freedom of the t quantile in every interval: the residual ones where nothing is
    /// censored; otherwise the number of exact trials that would know log σ as well,
    /// `c/Var(log σ)`, less the number of levels fitted (at least 1).
    #[must_use]
    pub fn interval_degrees_of_freedom(&self) -> f64 {
        self.scale.small_sample.degrees_of_freedom
    }
    /// What the standard errors are multiplied by in every interval: 1 where nothing is censored,
    /// `√(N/(N − p))` for N trials and p levels otherwise, since maximum likelihood makes σ too small.
    #[must_use]
    pub fn small_sample_factor(&self) -> f64 {
        self.scale.small_sample.factor
    }
    /// Half the width of a log interval in standard errors: t quantile times
    /// [`small_sample_factor`](Self::small_sample_factor).
    #[must_use]
    pub fn interval_multiplier(&self) -> f64 {
        self.multiplier
    }
    /// Maximised log-likelihood of the fitted trials on the time scale (densities of T in 1/s).
    #[must_use]
    pub fn log_likelihood(&self) -> f64 {
        self.scale.log_likelihood
    }
    /// Free parameters: materials on the scale, surfaces but the reference, σ.
    #[must_use]
    pub fn parameters(&self) -> usize {
        self.scale.location.len() + self.scale.log_k.len() + 1
    }
    /// Trials that were fitted.
    #[must_use]
    pub fn trials(&self) -> usize {
        self.trials
    }
    /// Run-outs among them.
    #[must_use]
    pub fn run_outs(&self) -> usize {
        self.run_outs
    }
    /// Contact openings among them.
    #[must_use]
    pub fn contact_openings(&self) -> usize {
        self.contact_openings
    }
    /// How the maximum was reached.
    #[must_use]
    pub fn convergence(&self) -> Convergence {
        Convergence {
            iterations: self.scale.iterations,
            decrement: self.scale.decrement,
            direct: self.scale.degrees_of_freedom.is_some(),
        }
    }
    /// What a reader should know about this fit.
    #[must_use]
    pub fn notes(&self) -> &[Note] {
        &self.notes
    }

    /// Factor of `surface` relative to the reference, with its interval.
    ///
    /// `k = median time on reference / median time on surface`; dimensionless; above 1 wears
    /// faster. Interval: `exp(log k ± q·f·SE(log k))`, q the t quantile, f a small-sample factor that
    /// is 1 where nothing is censored (see [`interval_multiplier`](Self::interval_multiplier)).
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
    /// let k = Severity::new("asphalt").fit(&campaign)?.factor("belt")?;
    /// assert!((k.estimate() - 2.0).abs() < 1e-12);
    /// // Standard error of the log: ln 1.25/√2; t quantile with 2 degrees of freedom: 4.3027.
    /// assert!((k.upper() - 2.0 * (4.3027 * 1.25_f64.ln() / 2_f64.sqrt()).exp()).abs() < 1e-3);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::UnknownSurface`] with the known names; [`ErrorKind::NotEstimable`] where only a
    /// bound is known (see [`factors`](Self::factors)).
    pub fn factor(&self, surface: &str) -> Result<Interval> {
        self.factor_between(surface, self.reference())
    }

    /// Factor of `surface` relative to any other surface, from the same covariance:
    /// the answer does not depend on the choice of the reference.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// // Three surfaces: the ratios close, whichever is the reference.
    /// let ab = fit.factor_between("laboratory belt", "brushed concrete")?.estimate();
    /// let bc = fit.factor_between("brushed concrete", "worn surface dressing")?.estimate();
    /// let ac = fit.factor_between("laboratory belt", "worn surface dressing")?.estimate();
    /// assert!((ab * bc / ac - 1.0).abs() < 1e-12);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`factor`](Self::factor).
    pub fn factor_between(&self, surface: &str, relative_to: &str) -> Result<Interval> {
        self.factor_interval(self.finite(surface)?, self.finite(relative_to)?)
    }

    /// Log ratio `log k(surface) - log k(relative_to)` and its standard error.
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
    /// let (log_ratio, standard_error) = Severity::new("asphalt").fit(&campaign)?.log_factor_between("belt", "asphalt")?;
    /// assert!((log_ratio - 2_f64.ln()).abs() < 1e-12);
    /// assert!((standard_error - 1.25_f64.ln() / 2_f64.sqrt()).abs() < 1e-12);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`factor`](Self::factor).
    pub fn log_factor_between(&self, surface: &str, relative_to: &str) -> Result<(f64, f64)> {
        Ok(self.log_factor(self.finite(surface)?, self.finite(relative_to)?))
    }

    /// The factor table relative to another surface; bounds are rescaled by its estimate.
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
    /// let rows = Severity::new("asphalt").fit(&campaign)?.relative_to("belt")?;
    /// assert_eq!(rows[0].surface, "asphalt");
    /// assert!((rows[0].factor.value().unwrap() - 0.5).abs() < 1e-12);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`factor`](Self::factor).
    pub fn relative_to(&self, surface: &str) -> Result<Vec<SurfaceFactor>> {
        let base = self.finite(surface)?;
        let (shift, _) = self.log_factor(base, self.surface_index(self.reference())?);
        self.surfaces
            .iter()
            .enumerate()
            .map(|(s, row)| {
                let mut row = row.clone();
                if self.finite_surface[s] {
                    let (log, se) = self.log_factor(s, base);
                    row.factor = self.factor_interval(s, base)?.into();
                    row.log_factor = Some(log);
                    row.log_standard_error = Some(se);
                } else if let Estimate::Bound(bound) = &row.factor {
                    row.factor = Bound::new(
                        bound.side(),
                        bound.value() * libm::exp(-shift),
                        bound.level(),
                        bound.reason().to_owned(),
                    )?
                    .into();
                }
                Ok(row)
            })
            .collect()
    }

    /// Quantile `p` of abrasion time of `material` on `surface`, s, with a confidence interval of
    /// that quantile (not a prediction interval for a specimen). `p = 0.5` is the median.
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
    /// let fit = Severity::new("asphalt").fit(&campaign)?;
    /// // Nineteen specimens of twenty outlast the 5 % quantile: e^(1.645 σ) below the median.
    /// let early = fit.quantile("cowhide", "belt", 0.05)?.estimate();
    /// let median = fit.median("cowhide", "belt")?.estimate();
    /// assert!((median / early - (1.6448536 * fit.log_scatter()).exp()).abs() < 1e-6);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::UnknownMaterial`], [`ErrorKind::UnknownSurface`], [`ErrorKind::NotEstimable`],
    /// [`ErrorKind::InvalidOption`] for `p` outside (0, 1).
    pub fn quantile(&self, material: &str, surface: &str, p: f64) -> Result<Interval> {
        if !(p > 0.0 && p < 1.0) {
            return Err(ErrorKind::option("p", p, "a probability strictly between 0 and 1"));
        }
        let (group, s) = self.placed(material, surface)?;
        let (log, se) = self.location(group, p, s);
        self.interval(log, se)
    }

    /// Median abrasion time of `material` on `surface`, s.
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
    /// let median = Severity::new("asphalt").fit(&campaign)?.median("cowhide", "belt")?;
    /// assert!((median.estimate() - 20_f64.sqrt()).abs() < 1e-12, "the geometric mean of 4 and 5 s");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`quantile`](Self::quantile).
    pub fn median(&self, material: &str, surface: &str) -> Result<Interval> {
        self.quantile(material, surface, 0.5)
    }

    /// Mean abrasion time of `material` on `surface`, s, with a confidence interval. Prefer the
    /// median: the mean of a skewed distribution leans on its upper tail.
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
    /// let fit = Severity::new("asphalt").fit(&campaign)?;
    /// let (mean, median) = (fit.mean("cowhide", "belt")?.estimate(), fit.median("cowhide", "belt")?.estimate());
    /// // A log-normal mean lies e^(σ²/2) above the median.
    /// assert!((mean / median - (fit.log_scatter().powi(2) / 2.0).exp()).abs() < 1e-9);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`quantile`](Self::quantile); [`ErrorKind::NotEstimable`] for a log-logistic with σ ≥ 1,
    /// which has no mean.
    pub fn mean(&self, material: &str, surface: &str) -> Result<Interval> {
        let sigma = self.scale.sigma;
        // log E T = location + g(σ); the second value is dg/d(log σ).
        let (shift, slope) = match self.plan.distribution {
            Distribution::LogNormal => (0.5 * sigma * sigma, sigma * sigma),
            Distribution::Weibull => {
                (statrs::function::gamma::ln_gamma(1.0 + sigma), sigma * statrs::function::gamma::digamma(1.0 + sigma))
            }
            Distribution::LogLogistic if sigma < 1.0 => {
                let angle = std::f64::consts::PI * sigma;
                (libm::log(angle / libm::sin(angle)), 1.0 - angle / libm::tan(angle))
            }
            Distribution::LogLogistic => {
                return Err(ErrorKind::NotEstimable {
                    quantity: "the mean time".into(),
                    reason: format!("a log-logistic distribution with scatter {sigma:.3} has none; use the median"),
                }
                .into());
            }
        };
        let (group, s) = self.placed(material, surface)?;
        let (log, se) = self.shifted_location(group, s, shift, slope);
        self.interval(log, se)
    }

    /// Probability that a specimen of `material` lasts at least `time_s` on `surface`, with a
    /// confidence interval (normal or t on the scale of z = (log t − location)/σ).
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
    /// let fit = Severity::new("asphalt").fit(&campaign)?;
    /// let half = fit.survival_probability("cowhide", "belt", 20_f64.sqrt())?;
    /// assert!((half.estimate() - 0.5).abs() < 1e-9, "half of the specimens outlast the median");
    /// assert!(fit.survival_probability("cowhide", "belt", 1.0)?.estimate() > 0.99);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`quantile`](Self::quantile); [`ErrorKind::InvalidOption`] for a time that is not
    /// positive and finite.
    pub fn survival_probability(&self, material: &str, surface: &str, time_s: f64) -> Result<Interval> {
        if !(time_s > 0.0 && time_s.is_finite()) {
            return Err(ErrorKind::option("time_s", time_s, "a positive, finite number of seconds"));
        }
        let (group, s) = self.placed(material, surface)?;
        let (location, _) = self.shifted_location(group, s, 0.0, 0.0);
        let z = (libm::log(time_s) - location) / self.scale.sigma;
        // dz = −d(location)/σ − z d(log σ): the standard error of z is that of location + zσ·log σ.
        let (_, se) = self.shifted_location(group, s, 0.0, z * self.scale.sigma);
        let half = self.multiplier * se / self.scale.sigma;
        let survival = |z: f64| libm::exp(self.plan.distribution.log_survival(z).value);
        Interval::new(survival(z), survival(z + half), survival(z - half), self.plan.level, IntervalMethod::StudentT)
    }

    pub(crate) fn scale(&self) -> &Scale {
        &self.scale
    }

    /// Column of a surface on the scale; the reference has none.
    pub(crate) fn column_of(&self, surface: &str) -> Option<usize> {
        self.surface_index(surface).ok().and_then(|s| self.column[s])
    }

    /// Names of the surfaces that have a column, in column order.
    pub(crate) fn column_names(&self) -> Vec<String> {
        let mut names = vec![String::new(); self.scale.log_k.len()];
        for (s, row) in self.surfaces.iter().enumerate() {
            if let Some(c) = self.column[s] {
                names[c].clone_from(&row.surface);
            }
        }
        names
    }

    fn surface_index(&self, name: &str) -> Result<usize> {
        self.surfaces.binary_search_by(|s| s.surface.as_str().cmp(name)).map_err(|_| {
            ErrorKind::UnknownSurface {
                name: name.into(),
                known: self.surfaces.iter().map(|s| s.surface.clone()).collect(),
            }
            .into()
        })
    }

    fn material_index(&self, name: &str) -> Result<usize> {
        self.materials.binary_search_by(|m| m.material.as_str().cmp(name)).map_err(|_| {
            ErrorKind::UnknownMaterial {
                name: name.into(),
                known: self.materials.iter().map(|m| m.material.clone()).collect(),
            }
            .into()
        })
    }

    fn finite(&self, surface: &str) -> Result<usize> {
        let s = self.surface_index(surface)?;
        if self.finite_surface[s] { Ok(s) } else { Err(self.no_estimate(surface, self.surfaces[s].factor.reason())) }
    }

    #[allow(clippy::unused_self)]
    fn no_estimate(&self, name: &str, reason: Option<&str>) -> crate::Error {
        ErrorKind::NotEstimable {
            quantity: format!("the place of {name} on the scale"),
            reason: reason.unwrap_or("it has no finite estimate").into(),
        }
        .into()
    }

    fn log_factor(&self, s: usize, base: usize) -> (f64, f64) {
        let mut combination = Combination::default();
        let mut log = 0.0;
        for (surface, sign) in [(s, 1.0), (base, -1.0)] {
            if let Some(c) = self.column[surface] {
                combination.border.push((c, sign));
                log += sign * self.scale.log_k[c];
            }
        }
        if s == base { (0.0, 0.0) } else { (log, self.scale.variance(&combination).sqrt()) }
    }

    fn factor_interval(&self, s: usize, base: usize) -> Result<Interval> {
        if s == base {
            return Interval::new(1.0, 1.0, 1.0, self.plan.level, IntervalMethod::ByDefinition);
        }
        let (log, se) = self.log_factor(s, base);
        self.interval(log, se)
    }

    fn interval(&self, log: f64, se: f64) -> Result<Interval> {
        Interval::from_log(log, se, self.multiplier, self.plan.level, IntervalMethod::StudentT)
    }

    /// Group of a material and index of a surface, both with a finite place.
    pub(crate) fn placed(&self, material: &str, surface: &str) -> Result<(usize, usize)> {
        let s = self.finite(surface)?;
        let m = self.material_index(material)?;
        match self.group[m] {
            Some(group) => Ok((group, s)),
            None => Err(self.no_estimate(material, self.materials[m].durability_s.reason())),
        }
    }

    /// Log quantile of a group on a surface, and its standard error.
    fn location(&self, group: usize, p: f64, surface: usize) -> (f64, f64) {
        let spread = self.scale.sigma * self.standard_quantile(p);
        self.shifted_location(group, surface, spread, spread)
    }

    /// Quantile of W; that of 0.5 is the exact median.
    pub(crate) fn standard_quantile(&self, p: f64) -> f64 {
        if (p - 0.5).abs() < f64::EPSILON {
            self.plan.distribution.median()
        } else {
            self.plan.distribution.quantile(p)
        }
    }

    /// Log location of a group on a surface plus a function of σ with the value `shift` and the
    /// derivative `slope` in log σ, and the standard error of the sum.
    fn shifted_location(&self, group: usize, surface: usize, shift: f64, slope: f64) -> (f64, f64) {
        let mut combination = Combination { locations: vec![(group, 1.0)], border: Vec::new() };
        let mut log = self.scale.location[group] + shift;
        if let Some(c) = self.column[surface] {
            log -= self.scale.log_k[c];
            combination.border.push((c, -1.0));
        }
        combination.border.push((self.scale.q() - 1, slope));
        (log, self.scale.variance(&combination).sqrt())
    }

    fn bound(&self, times: &[LogTime], side: BoundSide, quantity: &str, to_log: impl Fn(f64) -> f64) -> Estimate {
        let level = self.plan.level;
        let n = times.len();
        let kind = match side {
            BoundSide::AtLeast => "ran out",
            BoundSide::AtMost => "opened at contact",
        };
        let reason = format!("all {n} trial(s) that place it {kind}, so the estimate of its {quantity} is unlimited");
        let Some(log) = log_median_bound(self.plan.distribution, self.scale.sigma, times, level) else {
            return Estimate::not_estimable("its trials meet the scale only through other unlimited estimates");
        };
        // A factor falls where the median rises.
        let direction = if to_log(1.0) > to_log(0.0) {
            side
        } else if side == BoundSide::AtLeast {
            BoundSide::AtMost
        } else {
            BoundSide::AtLeast
        };
        Bound::new(direction, libm::exp(to_log(log)), level, reason)
            .map_or_else(|_| Estimate::not_estimable("the bound overflows"), Into::into)
    }
}
