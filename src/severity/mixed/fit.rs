//! A fitted severity scale with random effects.

use serde::{Deserialize, Serialize};

use crate::campaign::Campaign;
use crate::error::{ErrorKind, Result};
use crate::estimate::{Bound, BoundSide, Estimate, Interval, IntervalMethod};
use crate::numeric::root::root;
use crate::numeric::special::LN_SQRT_2PI;
use crate::severity::cells::{Cell, Crossed, Kinds};
use crate::severity::distribution::Distribution;
use crate::severity::fit::{MaterialDurability, Note, Prepared, SurfaceFactor, moved, why_not};
use crate::severity::identify::Standing;
use crate::severity::newton::LogTime;

use super::censored::{Fitted, Integration, check_nodes};
use super::core::{Contrast, Core, MixedConvergence, Prediction, RESIDUAL, VarianceComponent, Verdict};
use super::deviance::Criterion;
use super::groups::Grouped;
use super::plan::{Grouping, MixedSeverity};

/// What computed the estimates.
#[derive(Debug, Clone)]
pub(super) enum Engine {
    Linear { core: Box<Core>, sum_of_log_times: f64 },
    Censored(Box<Fitted>),
}

impl Engine {
    fn fixed_effect(&self, a: usize) -> f64 {
        match self {
            Self::Linear { core, .. } => core.coefficient(a),
            Self::Censored(fitted) => fitted.beta()[a],
        }
    }

    /// A combination of fixed columns and log σ.
    fn combination(&self, fixed: &[(usize, f64)], log_sigma: f64) -> Contrast {
        match self {
            // The median of log-normal times does not depend on σ.
            Self::Linear { core, .. } => {
                core.combination(&fixed.iter().map(|&(a, w)| (core.problem.q + a, w)).collect::<Vec<_>>())
            }
            Self::Censored(fitted) => fitted.combination(fixed, log_sigma),
        }
    }

    /// A combination of fixed columns and random effects minus their true values.
    fn prediction(&self, fixed: &[(usize, f64)], random: &[(usize, f64)]) -> Contrast {
        match self {
            Self::Linear { core, .. } => {
                let q = core.problem.q;
                let weights: Vec<(usize, f64)> =
                    fixed.iter().map(|&(a, w)| (q + a, w)).chain(random.iter().copied()).collect();
                core.combination(&weights)
            }
            Self::Censored(fitted) => fitted.prediction(fixed, random),
        }
    }

    fn components(&self) -> Vec<VarianceComponent> {
        match self {
            Self::Linear { core, .. } => core.components(),
            Self::Censored(fitted) => fitted.components(),
        }
    }

    fn sigma(&self) -> f64 {
        match self {
            Self::Linear { core, .. } => core.minimum.sigma2.sqrt(),
            Self::Censored(fitted) => fitted.sigma(),
        }
    }
}

/// A cell of fitted trials, for raw departures.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) struct CellSummary {
    group: usize,
    column: Option<usize>,
    trials: usize,
    /// Mean log time, where every trial is exact.
    mean: Option<f64>,
    /// First fitted trial: its levels are those of the cell in cell-wise factors.
    first: usize,
}

impl CellSummary {
    pub(super) fn of(design: &Crossed) -> Vec<Self> {
        design
            .blocks
            .iter()
            .map(|block| {
                let times = &design.times[block.start..block.end];
                let exact = times.iter().all(|t| matches!(t, LogTime::Exact(_)));
                #[allow(clippy::cast_precision_loss)]
                let mean = times.iter().map(|t| t.middle()).sum::<f64>() / times.len() as f64;
                Self {
                    group: block.group,
                    column: block.column,
                    trials: times.len(),
                    mean: exact.then_some(mean),
                    first: block.start,
                }
            })
            .collect()
    }
}

/// Something the reader of a mixed fit should know.
///
/// ```
/// // Two surfaces (factors 1 and 2), two materials, four days that shift log times by 0.1, -0.1, 0.05, -0.05.
/// # use surface_severity::campaign::{Campaign, Trial};
/// # let mut trials = Vec::new();
/// # for (d, shift) in [0.1, -0.1, 0.05, -0.05_f64].into_iter().enumerate() {
/// #     for (surface, k) in [("asphalt", 1.0), ("belt", 2.0)] {
/// #         for (material, s) in [("cowhide", 8.0), ("denim", 2.0)] {
/// #             for (i, e) in [0.02, -0.02].into_iter().enumerate() {
/// #                 let id = format!("{d} {surface} {material} {i}");
/// #                 let trial = Trial::perforated(id, surface, material, s / k * (shift + e).exp());
/// #                 trials.push(trial.day(format!("day {d}")));
/// #             }
/// #         }
/// #     }
/// # }
/// # let campaign = Campaign::from_trials(trials)?;
/// use surface_severity::severity::mixed::{Grouping, MixedNote, MixedSeverity};
/// let fit = MixedSeverity::new("asphalt").random(Grouping::Day).fit(&campaign)?;
/// // Four days are few to learn from how days differ.
/// assert!(fit.notes().iter().any(|note| matches!(note, MixedNote::FewLevels { levels: 4, .. })));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum MixedNote {
    /// As in a fit without random effects.
    Scale(Note),
    /// The fit is singular: the variance of this grouping is estimated as zero, and every standard
    /// error is as if the grouping did not exist; limits are not (see [`Contrast::multiplier`]).
    Singular {
        /// The grouping.
        grouping: String,
    },
    /// A variance estimated from few levels is poorly known; trust its profile interval.
    FewLevels {
        /// The grouping.
        grouping: String,
        /// Its levels.
        levels: usize,
    },
    /// All trials on a surface share one level, whose effect cannot be told from the factor of the
    /// surface; the standard error of the factor contains it.
    Confounded {
        /// The surface.
        surface: String,
        /// The grouping.
        grouping: String,
    },
}

impl std::fmt::Display for MixedNote {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Scale(note) => note.fmt(f),
            Self::Singular { grouping } => write!(
                f,
                "singular fit: the variance of {grouping} is estimated as zero; standard errors are as if there were \
                 no {grouping} effect, limits allow for what its levels leave unknown of it"
            ),
            Self::FewLevels { grouping, levels } => {
                write!(f, "{grouping} has only {levels} levels; its variance is poorly known")
            }
            Self::Confounded { surface, grouping } => write!(
                f,
                "all trials on {surface} share one {grouping}, whose effect cannot be told from the surface's factor; \
                 the factor's standard error contains it"
            ),
        }
    }
}

/// Variance of what trials share.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) struct SharedVariance {
    pub(crate) grouping: Grouping,
    pub(crate) log_variance: f64,
    /// 2 V² / Var(V̂); `None` at the boundary.
    pub(crate) degrees_of_freedom: Option<f64>,
    /// Variance of the effect of one further level with its degrees of freedom (infinite: known): never 0, and never on
    /// less than one, by the rule that limits of contrasts follow. `None` under maximum likelihood.
    pub(crate) one_further: Option<(f64, f64)>,
    /// Not restricted: biased towards 0 by what the surfaces take.
    pub(crate) maximum_likelihood: bool,
}

/// Fewer levels than this are few.
const FEW: usize = 5;

/// A class's or a material's own factor on a surface, shrunk towards the common one.
///
/// ```
/// // Four materials of two classes; each departs on the belt from the common factor 2 by its own amount.
/// # use surface_severity::campaign::{Campaign, Trial};
/// # let mut trials = Vec::new();
/// # for (m, (class, departure)) in [("leather", 0.3), ("leather", 0.1), ("textile", -0.1), ("textile", -0.3_f64)].into_iter().enumerate() {
/// #     for (surface, k) in [("asphalt", 1.0), ("belt", 2.0)] {
/// #         for (i, e) in [0.05, 0.0, -0.05].into_iter().enumerate() {
/// #             let shift = if surface == "belt" { departure } else { 0.0 };
/// #             let trial = Trial::perforated(format!("{m} {surface} {i}"), surface, format!("material {m}"), 5.0 / k * (shift + e).exp());
/// #             trials.push(trial.material_class(class));
/// #         }
/// #     }
/// # }
/// # let campaign = Campaign::from_trials(trials)?;
/// use surface_severity::severity::mixed::{Grouping, MixedSeverity};
/// let fit = MixedSeverity::new("asphalt").random(Grouping::MaterialBySurface).fit(&campaign)?;
/// for row in fit.material_factors() {
///     // Drawn in from its own cell means towards the common factor, never past it.
///     let raw = row.raw_log_departure.unwrap();
///     assert!(row.log_departure.abs() < raw.abs() && row.log_departure * raw > 0.0, "{}", row.name);
/// }
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[non_exhaustive]
pub struct ShrunkFactor {
    /// Class or material.
    pub name: String,
    /// Surface.
    pub surface: String,
    /// Its factor k relative to the reference surface: common factor times predicted departure.
    pub factor: Estimate,
    /// Predicted departure of its log k from the common log k; positive where the surface wears it
    /// faster than the common factor says. Shrunk towards zero, the more the fewer its trials.
    pub log_departure: f64,
    /// Standard error of prediction of the departure; variance components are taken as known.
    pub log_standard_error: f64,
    /// The same departure from plain means of log times, neither shrunk nor modelled, in log units and with the
    /// sign of `log_departure`: for each material tried on the surface, (mean of its cell on the reference less the
    /// common model there) less (mean of its cell on the surface less the common model there), averaged over
    /// materials with equal weight, where the common model of a cell is `log durability − log k`. Its noise is that of
    /// few trials and of whatever day or belt they shared: it shows what was shrunk, and is no estimate to use. `None`
    /// unless each of these cells has trials and all of them are worn through.
    pub raw_log_departure: Option<f64>,
    /// Trials on the surface.
    pub trials: usize,
    /// Materials tried on it.
    pub materials: usize,
}

/// A fitted severity scale with random effects.
///
/// Holds estimates, covariance, and the sufficient statistics (censored fits: the log times) that
/// profile intervals need.
///
/// ```
/// // Two surfaces (factors 1 and 2), two materials, four days that shift log times by 0.1, -0.1, 0.05, -0.05.
/// # use surface_severity::campaign::{Campaign, Trial};
/// # let mut trials = Vec::new();
/// # for (d, shift) in [0.1, -0.1, 0.05, -0.05_f64].into_iter().enumerate() {
/// #     for (surface, k) in [("asphalt", 1.0), ("belt", 2.0)] {
/// #         for (material, s) in [("cowhide", 8.0), ("denim", 2.0)] {
/// #             for (i, e) in [0.02, -0.02].into_iter().enumerate() {
/// #                 let id = format!("{d} {surface} {material} {i}");
/// #                 let trial = Trial::perforated(id, surface, material, s / k * (shift + e).exp());
/// #                 trials.push(trial.day(format!("day {d}")));
/// #             }
/// #         }
/// #     }
/// # }
/// # let campaign = Campaign::from_trials(trials)?;
/// use surface_severity::severity::mixed::{Grouping, MixedSeverity};
/// let fit = MixedSeverity::new("asphalt").random(Grouping::Day).fit(&campaign)?;
/// assert!((fit.factor("belt")?.estimate() - 2.0).abs() < 1e-9);
/// assert_eq!((fit.trials(), fit.factors().len(), fit.materials().len()), (32, 2, 2));
/// println!("days differ by {} of log time", fit.profile_interval(Grouping::Day)?);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone)]
pub struct MixedSeverityFit {
    plan: MixedSeverity,
    campaign_digest: String,
    surfaces: Vec<SurfaceFactor>,
    materials: Vec<MaterialDurability>,
    column: Vec<Option<usize>>,
    group: Vec<Option<usize>>,
    finite_surface: Vec<bool>,
    reference: usize,
    /// Materials on the scale; surfaces but the reference follow them among the fixed columns.
    groups: usize,
    engine: Engine,
    factors: Vec<Grouped>,
    first: Vec<usize>,
    cells: Vec<CellSummary>,
    trials: usize,
    integration: Integration,
    notes: Vec<MixedNote>,
}

impl MixedSeverityFit {
    pub(super) fn new(
        plan: &MixedSeverity,
        campaign: &Campaign,
        prepared: &Prepared,
        design: &Crossed,
        engine: Engine,
        factors: Vec<Grouped>,
        cells: Vec<CellSummary>,
    ) -> Result<Self> {
        let numbering = &prepared.numbering;
        let mut first = vec![0];
        for g in &factors {
            first.push(first.last().copied().unwrap_or(0) + g.levels.len());
        }
        let integration = match &engine {
            Engine::Linear { .. } => Integration::Exact,
            Engine::Censored(_) => match check_nodes(plan.nodes, factors.len())? {
                1 => Integration::Laplace,
                nodes => Integration::AdaptiveGaussHermite { nodes },
            },
        };
        let mut fit = Self {
            plan: plan.clone(),
            campaign_digest: campaign.digest(),
            surfaces: Vec::new(),
            materials: Vec::new(),
            column: numbering.column.clone(),
            group: numbering.group.clone(),
            finite_surface: numbering.finite_surface.clone(),
            reference: prepared.reference,
            groups: numbering.groups,
            engine,
            factors,
            first,
            cells,
            trials: design.times.len(),
            integration,
            notes: Vec::new(),
        };
        fit.materials =
            (0..campaign.materials().len()).map(|m| fit.durability(campaign, prepared, m)).collect::<Result<_>>()?;
        fit.surfaces =
            (0..campaign.surfaces().len()).map(|s| fit.surface(campaign, prepared, s)).collect::<Result<_>>()?;
        fit.notes = fit.make_notes(campaign, prepared, design);
        Ok(fit)
    }

    fn make_notes(&self, campaign: &Campaign, prepared: &Prepared, design: &Crossed) -> Vec<MixedNote> {
        let mut notes: Vec<MixedNote> =
            prepared.notes(campaign, self.trials).into_iter().map(MixedNote::Scale).collect();
        if let Verdict::Boundary { components } = self.convergence().verdict {
            notes.extend(components.into_iter().map(|grouping| MixedNote::Singular { grouping }));
        }
        for (factor, grouping) in self.factors.iter().zip(&self.plan.random) {
            let levels = factor.levels.len();
            if levels < FEW {
                notes.push(MixedNote::FewLevels { grouping: factor.name.clone(), levels });
            }
            if !matches!(grouping, Grouping::Day | Grouping::Run | Grouping::Belt) {
                continue;
            }
            for (s, surface) in campaign.surfaces().iter().enumerate() {
                let mut seen = design
                    .blocks
                    .iter()
                    .filter(|b| self.finite_surface[s] && b.column == self.column[s])
                    .flat_map(|b| &factor.level[b.start..b.end]);
                let first = seen.next().copied().flatten();
                if first.is_some() && seen.all(|level| *level == first) {
                    notes.push(MixedNote::Confounded { surface: surface.name.clone(), grouping: factor.name.clone() });
                }
            }
        }
        notes
    }

    fn durability(&self, campaign: &Campaign, prepared: &Prepared, m: usize) -> Result<MaterialDurability> {
        let material = &campaign.materials()[m];
        let cells: Vec<&Cell> = prepared.cells.cells.iter().filter(|c| c.material == m).collect();
        let (estimate, log) = match (prepared.standings.materials[m], self.group[m]) {
            (Standing::Finite, Some(group)) => {
                let c = self.location(group, self.reference);
                (self.estimate(&c), Some(c))
            }
            (Standing::Beyond(side), _) => {
                let shifted: Vec<LogTime> = cells
                    .iter()
                    .filter(|c| self.finite_surface[c.surface])
                    .flat_map(|c| {
                        let shift = self.log_k(c.surface);
                        prepared.cells.of(c).iter().map(move |t| moved(*t, shift))
                    })
                    .collect();
                (self.bound(&shifted, side, "durability", false), None)
            }
            (standing, _) => (Estimate::not_estimable(why_not(standing)), None),
        };
        Ok(MaterialDurability {
            material: material.name.clone(),
            class: material.class.clone(),
            durability_s: estimate,
            log_durability: log.as_ref().map(|c| c.estimate),
            log_standard_error: log.map(|c| c.standard_error),
            trials: cells.iter().map(|c| c.len()).sum(),
            surfaces: cells.len(),
        })
    }

    fn surface(&self, campaign: &Campaign, prepared: &Prepared, s: usize) -> Result<SurfaceFactor> {
        let surface = &campaign.surfaces()[s];
        let cells: Vec<&Cell> = prepared.cells.cells.iter().filter(|c| c.surface == s).collect();
        let (factor, log) = match prepared.standings.surfaces[s] {
            Standing::Finite => {
                let c = self.log_factor(s, self.reference);
                let estimate = if s == self.reference { self.factor_interval(s, s)?.into() } else { self.estimate(&c) };
                (estimate, Some(c))
            }
            Standing::Beyond(side) => {
                let shifted: Vec<LogTime> = cells
                    .iter()
                    .filter_map(|c| Some((c, self.group[c.material]?)))
                    .flat_map(|(c, group)| {
                        let level = self.location(group, self.reference).estimate;
                        prepared.cells.of(c).iter().map(move |t| moved(*t, -level))
                    })
                    .collect();
                let opposite = match side {
                    BoundSide::AtLeast => BoundSide::AtMost,
                    BoundSide::AtMost => BoundSide::AtLeast,
                };
                (self.bound(&shifted, opposite, "factor", true), None)
            }
            standing => (Estimate::not_estimable(why_not(standing)), None),
        };
        Ok(SurfaceFactor {
            surface: surface.name.clone(),
            role: surface.role,
            factor,
            log_factor: log.as_ref().map(|c| c.estimate),
            log_standard_error: log.map(|c| c.standard_error),
            trials: cells.iter().map(|c| c.len()).sum(),
            materials: cells.len(),
        })
    }

    /// The plan that was fitted.
    #[must_use]
    pub fn plan(&self) -> &MixedSeverity {
        &self.plan
    }
    /// The reference surface, whose factor is 1.
    #[must_use]
    pub fn reference(&self) -> &str {
        &self.plan.reference
    }
    /// Digest of the campaign that was fitted.
    #[must_use]
    pub fn campaign_digest(&self) -> &str {
        &self.campaign_digest
    }
    /// One row per surface, sorted by name. Intervals are those of [`Contrast::multiplier`].
    #[must_use]
    pub fn factors(&self) -> &[SurfaceFactor] {
        &self.surfaces
    }
    /// One row per material, sorted by name: medians on the reference where every random effect is zero.
    #[must_use]
    pub fn materials(&self) -> &[MaterialDurability] {
        &self.materials
    }
    /// Distribution of times about their cell.
    #[must_use]
    pub fn distribution(&self) -> Distribution {
        self.plan.distribution
    }
    /// Trials that were fitted.
    #[must_use]
    pub fn trials(&self) -> usize {
        self.trials
    }
    /// How random effects were integrated out.
    #[must_use]
    pub fn integration(&self) -> Integration {
        self.integration
    }
    /// The criterion that was optimised.
    #[must_use]
    pub fn criterion(&self) -> Criterion {
        match &self.engine {
            Engine::Linear { core, .. } => core.problem.criterion,
            Engine::Censored(fitted) => fitted.criterion(),
        }
    }
    /// Maximised log (restricted) likelihood on the time scale (densities of T in 1/s). Values
    /// under REML compare only between fits with the same materials, surfaces and reference.
    #[must_use]
    pub fn log_likelihood(&self) -> f64 {
        match &self.engine {
            Engine::Linear { core, sum_of_log_times } => -0.5 * core.minimum.value - sum_of_log_times,
            Engine::Censored(fitted) => fitted.log_likelihood(),
        }
    }
    /// How the estimates were reached; singular fits name their components here.
    #[must_use]
    pub fn convergence(&self) -> MixedConvergence {
        match &self.engine {
            Engine::Linear { core, .. } => core.convergence(),
            Engine::Censored(fitted) => fitted.convergence(),
        }
    }
    /// What a reader should know about this fit.
    #[must_use]
    pub fn notes(&self) -> &[MixedNote] {
        &self.notes
    }

    /// Variance components on the log scale: the groupings in the order of the plan, `"residual"`
    /// (replicate scatter, the square of the scale σ of W) last.
    #[must_use]
    pub fn variance_components(&self) -> Vec<VarianceComponent> {
        self.engine.components()
    }
    /// Replicate scatter σ: the scale of log time within all groupings.
    #[must_use]
    pub fn log_scatter(&self) -> f64 {
        self.engine.sigma()
    }

    /// Variances of day, run and belt with what their estimates are worth.
    pub(crate) fn shared_variances(&self) -> Vec<SharedVariance> {
        let components = self.variance_components();
        let shared = |g: Grouping| matches!(g, Grouping::Day | Grouping::Run | Grouping::Belt);
        (0..self.plan.random.len())
            .filter(|&j| shared(self.plan.random[j]))
            .map(|j| SharedVariance {
                grouping: self.plan.random[j],
                log_variance: components[j].variance,
                degrees_of_freedom: match &self.engine {
                    Engine::Linear { core, .. } => core.variance_degrees_of_freedom(Some(j)),
                    Engine::Censored(fitted) => fitted.variance_degrees_of_freedom(j),
                },
                one_further: match &self.engine {
                    Engine::Linear { core, .. } => core.one_further(j),
                    Engine::Censored(fitted) => fitted.one_further(j),
                },
                maximum_likelihood: self.criterion() == Criterion::Ml,
            })
            .collect()
    }

    /// σ within all groupings, its degrees of freedom where they are at hand, and whether it is of maximum likelihood;
    /// `None` where the plan does not tell it from the scatter of materials between surfaces.
    pub(crate) fn scatter_within_groupings(&self) -> Option<(f64, Option<f64>, bool)> {
        self.plan.random.contains(&Grouping::MaterialBySurface).then(|| {
            let df = match &self.engine {
                Engine::Linear { core, .. } => core.variance_degrees_of_freedom(None),
                Engine::Censored(_) => None,
            };
            (self.log_scatter(), df, self.criterion() == Criterion::Ml)
        })
    }

    /// Profile-likelihood interval of the standard deviation of a grouping, at the level of the plan.
    ///
    /// ```
    /// // Two surfaces (factors 1 and 2), two materials, four days that shift log times by 0.1, -0.1, 0.05, -0.05.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let mut trials = Vec::new();
    /// # for (d, shift) in [0.1, -0.1, 0.05, -0.05_f64].into_iter().enumerate() {
    /// #     for (surface, k) in [("asphalt", 1.0), ("belt", 2.0)] {
    /// #         for (material, s) in [("cowhide", 8.0), ("denim", 2.0)] {
    /// #             for (i, e) in [0.02, -0.02].into_iter().enumerate() {
    /// #                 let id = format!("{d} {surface} {material} {i}");
    /// #                 let trial = Trial::perforated(id, surface, material, s / k * (shift + e).exp());
    /// #                 trials.push(trial.day(format!("day {d}")));
    /// #             }
    /// #         }
    /// #     }
    /// # }
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::severity::mixed::{Grouping, MixedSeverity};
    /// let fit = MixedSeverity::new("asphalt").random(Grouping::Day).fit(&campaign)?;
    /// let interval = fit.profile_interval(Grouping::Day)?;
    /// assert!((interval.estimate() - fit.variance_components()[0].standard_deviation).abs() < 1e-9);
    /// assert!(interval.lower() > 0.0, "the days differ");
    /// assert!(fit.profile_interval(Grouping::Belt).is_err(), "not in the plan");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a grouping outside the plan; [`ErrorKind::NotEstimable`]
    /// where the deviance does not reach its critical value; [`ErrorKind::NotConverged`].
    pub fn profile_interval(&self, grouping: Grouping) -> Result<Interval> {
        self.profile(Some(self.position(grouping)?))
    }

    /// Profile-likelihood interval of the replicate scatter σ.
    ///
    /// ```
    /// // Two surfaces (factors 1 and 2), two materials, four days that shift log times by 0.1, -0.1, 0.05, -0.05.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let mut trials = Vec::new();
    /// # for (d, shift) in [0.1, -0.1, 0.05, -0.05_f64].into_iter().enumerate() {
    /// #     for (surface, k) in [("asphalt", 1.0), ("belt", 2.0)] {
    /// #         for (material, s) in [("cowhide", 8.0), ("denim", 2.0)] {
    /// #             for (i, e) in [0.02, -0.02].into_iter().enumerate() {
    /// #                 let id = format!("{d} {surface} {material} {i}");
    /// #                 let trial = Trial::perforated(id, surface, material, s / k * (shift + e).exp());
    /// #                 trials.push(trial.day(format!("day {d}")));
    /// #             }
    /// #         }
    /// #     }
    /// # }
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::severity::mixed::{Grouping, MixedSeverity};
    /// let fit = MixedSeverity::new("asphalt").random(Grouping::Day).fit(&campaign)?;
    /// assert!(fit.scatter_interval()?.contains(fit.log_scatter()));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`profile_interval`](Self::profile_interval).
    pub fn scatter_interval(&self) -> Result<Interval> {
        self.profile(None)
    }

    fn profile(&self, component: Option<usize>) -> Result<Interval> {
        match &self.engine {
            Engine::Linear { core, .. } => core.profile(component, self.plan.level),
            Engine::Censored(fitted) => fitted.profile(component, self.plan.level),
        }
    }

    /// Predicted effects on log time of the levels of a grouping with their standard errors, sorted by
    /// name: positive where specimens last longer.
    ///
    /// ```
    /// // Two surfaces (factors 1 and 2), two materials, four days that shift log times by 0.1, -0.1, 0.05, -0.05.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let mut trials = Vec::new();
    /// # for (d, shift) in [0.1, -0.1, 0.05, -0.05_f64].into_iter().enumerate() {
    /// #     for (surface, k) in [("asphalt", 1.0), ("belt", 2.0)] {
    /// #         for (material, s) in [("cowhide", 8.0), ("denim", 2.0)] {
    /// #             for (i, e) in [0.02, -0.02].into_iter().enumerate() {
    /// #                 let id = format!("{d} {surface} {material} {i}");
    /// #                 let trial = Trial::perforated(id, surface, material, s / k * (shift + e).exp());
    /// #                 trials.push(trial.day(format!("day {d}")));
    /// #             }
    /// #         }
    /// #     }
    /// # }
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::severity::mixed::{Grouping, MixedSeverity};
    /// let days = MixedSeverity::new("asphalt").random(Grouping::Day).fit(&campaign)?.predictions(Grouping::Day)?;
    /// assert_eq!((days[0].level.as_str(), days[0].trials), ("day 0", 8));
    /// assert!(days[0].value > 0.0 && days[0].value < 0.1, "drawn in a little from 0.1");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a grouping outside the plan.
    pub fn predictions(&self, grouping: Grouping) -> Result<Vec<Prediction>> {
        let j = self.position(grouping)?;
        let name = |at: usize| self.factors[j].levels[at].clone();
        Ok(match &self.engine {
            Engine::Linear { core, .. } => core.predictions(j, &name),
            Engine::Censored(fitted) => fitted.predictions(j, &name),
        })
    }

    fn position(&self, grouping: Grouping) -> Result<usize> {
        self.plan.random.iter().position(|g| *g == grouping).ok_or_else(|| {
            let known: Vec<&str> = self.plan.random.iter().map(|g| g.as_str()).collect();
            ErrorKind::option("grouping", grouping.as_str(), &format!("one of the plan's: {}", known.join(", ")))
        })
    }

    /// Factor of `surface` relative to the reference, with its interval:
    /// `exp(log k ± multiplier · SE(log k))`, see [`Contrast::multiplier`].
    ///
    /// ```
    /// // Two surfaces (factors 1 and 2), two materials, four days that shift log times by 0.1, -0.1, 0.05, -0.05.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let mut trials = Vec::new();
    /// # for (d, shift) in [0.1, -0.1, 0.05, -0.05_f64].into_iter().enumerate() {
    /// #     for (surface, k) in [("asphalt", 1.0), ("belt", 2.0)] {
    /// #         for (material, s) in [("cowhide", 8.0), ("denim", 2.0)] {
    /// #             for (i, e) in [0.02, -0.02].into_iter().enumerate() {
    /// #                 let id = format!("{d} {surface} {material} {i}");
    /// #                 let trial = Trial::perforated(id, surface, material, s / k * (shift + e).exp());
    /// #                 trials.push(trial.day(format!("day {d}")));
    /// #             }
    /// #         }
    /// #     }
    /// # }
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::severity::mixed::{Grouping, MixedSeverity};
    /// let k = MixedSeverity::new("asphalt").random(Grouping::Day).fit(&campaign)?.factor("belt")?;
    /// assert!((k.estimate() - 2.0).abs() < 1e-9 && k.lower() > 1.9 && k.upper() < 2.1);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::UnknownSurface`] with the known names; [`ErrorKind::NotEstimable`] where only a
    /// bound is known (see [`factors`](Self::factors)).
    pub fn factor(&self, surface: &str) -> Result<Interval> {
        self.factor_between(surface, self.reference())
    }

    /// Factor of `surface` relative to any other surface, from the same covariance.
    ///
    /// ```
    /// // Two surfaces (factors 1 and 2), two materials, four days that shift log times by 0.1, -0.1, 0.05, -0.05.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let mut trials = Vec::new();
    /// # for (d, shift) in [0.1, -0.1, 0.05, -0.05_f64].into_iter().enumerate() {
    /// #     for (surface, k) in [("asphalt", 1.0), ("belt", 2.0)] {
    /// #         for (material, s) in [("cowhide", 8.0), ("denim", 2.0)] {
    /// #             for (i, e) in [0.02, -0.02].into_iter().enumerate() {
    /// #                 let id = format!("{d} {surface} {material} {i}");
    /// #                 let trial = Trial::perforated(id, surface, material, s / k * (shift + e).exp());
    /// #                 trials.push(trial.day(format!("day {d}")));
    /// #             }
    /// #         }
    /// #     }
    /// # }
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::severity::mixed::{Grouping, MixedSeverity};
    /// let fit = MixedSeverity::new("asphalt").random(Grouping::Day).fit(&campaign)?;
    /// let (there, back) = (fit.factor_between("asphalt", "belt")?, fit.factor("belt")?);
    /// assert!((there.lower() * back.upper() - 1.0).abs() < 1e-9);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`factor`](Self::factor).
    pub fn factor_between(&self, surface: &str, relative_to: &str) -> Result<Interval> {
        self.factor_interval(self.finite(surface)?, self.finite(relative_to)?)
    }

    /// `log k(surface) − log k(relative_to)` with standard error and Satterthwaite degrees of freedom.
    ///
    /// ```
    /// // Two surfaces (factors 1 and 2), two materials, four days that shift log times by 0.1, -0.1, 0.05, -0.05.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let mut trials = Vec::new();
    /// # for (d, shift) in [0.1, -0.1, 0.05, -0.05_f64].into_iter().enumerate() {
    /// #     for (surface, k) in [("asphalt", 1.0), ("belt", 2.0)] {
    /// #         for (material, s) in [("cowhide", 8.0), ("denim", 2.0)] {
    /// #             for (i, e) in [0.02, -0.02].into_iter().enumerate() {
    /// #                 let id = format!("{d} {surface} {material} {i}");
    /// #                 let trial = Trial::perforated(id, surface, material, s / k * (shift + e).exp());
    /// #                 trials.push(trial.day(format!("day {d}")));
    /// #             }
    /// #         }
    /// #     }
    /// # }
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::severity::mixed::{Grouping, MixedSeverity};
    /// let log = MixedSeverity::new("asphalt").random(Grouping::Day).fit(&campaign)?.log_factor_between("belt", "asphalt")?;
    /// assert!((log.estimate - 2_f64.ln()).abs() < 1e-9);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`factor`](Self::factor).
    pub fn log_factor_between(&self, surface: &str, relative_to: &str) -> Result<Contrast> {
        Ok(self.log_factor(self.finite(surface)?, self.finite(relative_to)?))
    }

    /// Median abrasion time of `material` on `surface`, s, where every random effect is zero.
    ///
    /// ```
    /// // Two surfaces (factors 1 and 2), two materials, four days that shift log times by 0.1, -0.1, 0.05, -0.05.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let mut trials = Vec::new();
    /// # for (d, shift) in [0.1, -0.1, 0.05, -0.05_f64].into_iter().enumerate() {
    /// #     for (surface, k) in [("asphalt", 1.0), ("belt", 2.0)] {
    /// #         for (material, s) in [("cowhide", 8.0), ("denim", 2.0)] {
    /// #             for (i, e) in [0.02, -0.02].into_iter().enumerate() {
    /// #                 let id = format!("{d} {surface} {material} {i}");
    /// #                 let trial = Trial::perforated(id, surface, material, s / k * (shift + e).exp());
    /// #                 trials.push(trial.day(format!("day {d}")));
    /// #             }
    /// #         }
    /// #     }
    /// # }
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::severity::mixed::{Grouping, MixedSeverity};
    /// let median = MixedSeverity::new("asphalt").random(Grouping::Day).fit(&campaign)?.median("cowhide", "belt")?;
    /// assert!((median.estimate() - 4.0).abs() < 1e-9, "8 s on asphalt, factor 2");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::UnknownMaterial`], [`ErrorKind::UnknownSurface`], [`ErrorKind::NotEstimable`].
    pub fn median(&self, material: &str, surface: &str) -> Result<Interval> {
        let s = self.finite(surface)?;
        let m = self.materials.binary_search_by(|row| row.material.as_str().cmp(material)).map_err(|_| {
            crate::Error::from(ErrorKind::UnknownMaterial {
                name: material.into(),
                known: self.materials.iter().map(|m| m.material.clone()).collect(),
            })
        })?;
        match self.group[m] {
            Some(group) => self.interval(&self.location(group, s)),
            None => Err(no_place(material, self.materials[m].durability_s.reason())),
        }
    }

    /// Each class's factor on each surface it was tried on (but the reference), shrunk towards the common factor
    /// through the material × surface and class × surface effects of the plan: a class's departure
    /// is its own effect plus the mean of those of its materials tried there, both relative to the
    /// reference surface. Empty where the plan has neither effect or no material has a class.
    ///
    /// One variance serves all departures: where a single class departs on a single surface among
    /// many that do not, it is shrunk hard. [`ClassFactors`](crate::severity::ClassFactors) gives each
    /// class its own factor, unshrunk, with a test.
    ///
    /// ```
    /// // Four materials of two classes; each departs on the belt from the common factor 2 by its own amount.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let mut trials = Vec::new();
    /// # for (m, (class, departure)) in [("leather", 0.3), ("leather", 0.1), ("textile", -0.1), ("textile", -0.3_f64)].into_iter().enumerate() {
    /// #     for (surface, k) in [("asphalt", 1.0), ("belt", 2.0)] {
    /// #         for (i, e) in [0.05, 0.0, -0.05].into_iter().enumerate() {
    /// #             let shift = if surface == "belt" { departure } else { 0.0 };
    /// #             let trial = Trial::perforated(format!("{m} {surface} {i}"), surface, format!("material {m}"), 5.0 / k * (shift + e).exp());
    /// #             trials.push(trial.material_class(class));
    /// #         }
    /// #     }
    /// # }
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::severity::mixed::{Grouping, MixedSeverity};
    /// let fit = MixedSeverity::new("asphalt").random(Grouping::MaterialBySurface).fit(&campaign)?;
    /// let rows = fit.class_factors();
    /// assert_eq!((rows[0].name.as_str(), rows[1].name.as_str()), ("leather", "textile"));
    /// // Leather lasts longer on the belt than the common factor says: its own factor is below it.
    /// assert!(rows[0].log_departure < 0.0 && rows[1].log_departure > 0.0);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn class_factors(&self) -> Vec<ShrunkFactor> {
        let mut classes: Vec<&String> = self.materials.iter().filter_map(|m| m.class.as_ref()).collect();
        classes.sort_unstable();
        classes.dedup();
        let members = classes.iter().map(|class| {
            let of_class = |m: &usize| self.materials[*m].class.as_ref() == Some(class);
            (class.as_str(), (0..self.materials.len()).filter(of_class).collect::<Vec<_>>())
        });
        self.shrunk(&members.collect::<Vec<_>>())
    }

    /// Each material's factor on each surface it was tried on (but the reference), shrunk as in
    /// [`class_factors`](Self::class_factors).
    ///
    /// ```
    /// // Four materials of two classes; each departs on the belt from the common factor 2 by its own amount.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let mut trials = Vec::new();
    /// # for (m, (class, departure)) in [("leather", 0.3), ("leather", 0.1), ("textile", -0.1), ("textile", -0.3_f64)].into_iter().enumerate() {
    /// #     for (surface, k) in [("asphalt", 1.0), ("belt", 2.0)] {
    /// #         for (i, e) in [0.05, 0.0, -0.05].into_iter().enumerate() {
    /// #             let shift = if surface == "belt" { departure } else { 0.0 };
    /// #             let trial = Trial::perforated(format!("{m} {surface} {i}"), surface, format!("material {m}"), 5.0 / k * (shift + e).exp());
    /// #             trials.push(trial.material_class(class));
    /// #         }
    /// #     }
    /// # }
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::severity::mixed::{Grouping, MixedSeverity};
    /// let fit = MixedSeverity::new("asphalt").random(Grouping::MaterialBySurface).fit(&campaign)?;
    /// let rows = fit.material_factors();
    /// assert_eq!((rows.len(), rows[0].name.as_str(), rows[0].surface.as_str()), (4, "material 0", "belt"));
    /// // Between its own factor, 2/e^0.3, and the common one.
    /// let k = rows[0].factor.value().unwrap();
    /// assert!(2.0 / 0.3_f64.exp() < k && k < 2.0);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn material_factors(&self) -> Vec<ShrunkFactor> {
        let members: Vec<_> =
            self.materials.iter().enumerate().map(|(m, row)| (row.material.as_str(), vec![m])).collect();
        self.shrunk(&members)
    }

    fn shrunk(&self, members: &[(&str, Vec<usize>)]) -> Vec<ShrunkFactor> {
        let at = |grouping| self.plan.random.iter().position(|g| *g == grouping);
        let effects: Vec<usize> =
            [Grouping::MaterialBySurface, Grouping::ClassBySurface].into_iter().filter_map(at).collect();
        let mut rows = Vec::new();
        if effects.is_empty() {
            return rows;
        }
        let variances = self.variance_components();
        for (name, materials) in members {
            for (s, surface) in self.surfaces.iter().enumerate() {
                let Some(column) = self.column[s] else { continue };
                let cell = |group: usize, column: Option<usize>| {
                    self.cells.iter().find(|c| c.group == group && c.column == column)
                };
                let groups: Vec<usize> = materials
                    .iter()
                    .filter_map(|&m| self.group[m])
                    .filter(|&g| cell(g, Some(column)).is_some())
                    .collect();
                if groups.is_empty() {
                    continue;
                }
                #[allow(clippy::cast_precision_loss)]
                let share = 1.0 / groups.len() as f64;
                let mut random: Vec<(usize, f64)> = Vec::new();
                let mut unseen = 0.0;
                let mut raw = Some(0.0);
                for &group in &groups {
                    for (column, sign) in [(Some(column), -1.0), (None, 1.0)] {
                        let here = cell(group, column);
                        let fixed = self.engine.fixed_effect(group)
                            - column.map_or(0.0, |c| self.engine.fixed_effect(self.groups + c));
                        raw = raw.zip(here.and_then(|c| c.mean)).map(|(r, mean)| r + sign * share * (mean - fixed));
                        for &j in &effects {
                            match here.and_then(|c| self.factors[j].level[c.first]) {
                                Some(level) => random.push((self.first[j] + level, sign * share)),
                                // A cell without trials: predicted as zero, uncertain by its whole variance. The
                                // effect of a class is seen through its other materials, or in all of them not at all.
                                None if self.plan.random[j] == Grouping::ClassBySurface => {
                                    match self.class_level(j, group, column) {
                                        Some(level) => random.push((self.first[j] + level, sign * share)),
                                        None => unseen += share * variances[j].variance,
                                    }
                                }
                                None => unseen += share * share * variances[j].variance,
                            }
                        }
                    }
                }
                let departure = self.engine.prediction(&[], &random);
                let mut whole = self.engine.prediction(&[(self.groups + column, 1.0)], &random);
                whole.standard_error = (whole.standard_error.powi(2) + unseen).sqrt();
                rows.push(ShrunkFactor {
                    name: (*name).into(),
                    surface: surface.surface.clone(),
                    factor: self.estimate(&whole),
                    log_departure: departure.estimate,
                    log_standard_error: (departure.standard_error.powi(2) + unseen).sqrt(),
                    raw_log_departure: raw,
                    trials: groups.iter().filter_map(|&g| cell(g, Some(column))).map(|c| c.trials).sum(),
                    materials: groups.len(),
                });
            }
        }
        rows
    }

    /// Level of the class × surface factor of the class of `group` on a surface, through any of its materials.
    fn class_level(&self, j: usize, group: usize, column: Option<usize>) -> Option<usize> {
        let class_of = |group: usize| {
            self.group.iter().position(|g| *g == Some(group)).and_then(|m| self.materials[m].class.as_ref())
        };
        let class = class_of(group)?;
        self.cells
            .iter()
            .find(|c| c.column == column && class_of(c.group) == Some(class))
            .and_then(|c| self.factors[j].level[c.first])
    }

    fn log_k(&self, s: usize) -> f64 {
        self.column[s].map_or(0.0, |c| self.engine.fixed_effect(self.groups + c))
    }

    fn log_factor(&self, s: usize, base: usize) -> Contrast {
        let mut weights = Vec::new();
        for (surface, sign) in [(s, 1.0), (base, -1.0)] {
            if let Some(c) = self.column[surface] {
                weights.push((self.groups + c, sign));
            }
        }
        if s == base {
            return Contrast::certain();
        }
        self.engine.combination(&weights, 0.0)
    }

    fn factor_interval(&self, s: usize, base: usize) -> Result<Interval> {
        if s == base {
            return Interval::new(1.0, 1.0, 1.0, self.plan.level, IntervalMethod::ByDefinition);
        }
        self.interval(&self.log_factor(s, base))
    }

    /// Log median of a material on a surface.
    fn location(&self, group: usize, surface: usize) -> Contrast {
        let spread = self.engine.sigma() * self.plan.distribution.median();
        let mut weights = vec![(group, 1.0)];
        if let Some(c) = self.column[surface] {
            weights.push((self.groups + c, -1.0));
        }
        let mut c = self.engine.combination(&weights, spread);
        c.estimate += spread;
        c
    }

    fn interval(&self, c: &Contrast) -> Result<Interval> {
        let quantile = c.multiplier(self.plan.level);
        let method = if c.degrees_of_freedom.is_some() { IntervalMethod::StudentT } else { IntervalMethod::Normal };
        Interval::from_log(c.estimate, c.standard_error, quantile, self.plan.level, method).map_err(|_| {
            ErrorKind::NotEstimable { quantity: "an interval of the scale".into(), reason: OVERFLOW.into() }.into()
        })
    }

    fn estimate(&self, c: &Contrast) -> Estimate {
        self.interval(c).map_or_else(|_| Estimate::not_estimable(OVERFLOW), Into::into)
    }

    fn finite(&self, surface: &str) -> Result<usize> {
        let s = self.surfaces.binary_search_by(|row| row.surface.as_str().cmp(surface)).map_err(|_| {
            crate::Error::from(ErrorKind::UnknownSurface {
                name: surface.into(),
                known: self.surfaces.iter().map(|s| s.surface.clone()).collect(),
            })
        })?;
        if self.finite_surface[s] { Ok(s) } else { Err(no_place(surface, self.surfaces[s].factor.reason())) }
    }

    /// Bound of a log median (of a log factor where `negated`) all of whose trials are censored on one side.
    fn bound(&self, times: &[LogTime], side: BoundSide, quantity: &str, negated: bool) -> Estimate {
        let n = times.len();
        let kind = match side {
            BoundSide::AtLeast => "ran out",
            BoundSide::AtMost => "opened at contact",
        };
        let reason = format!("all {n} trial(s) that place it {kind}, so the estimate of its {quantity} is unlimited");
        let random: f64 = self.variance_components().iter().filter(|c| c.name != RESIDUAL).map(|c| c.variance).sum();
        let log = shared_bound(self.plan.distribution, self.engine.sigma(), random.sqrt(), times, self.plan.level);
        let Some(log) = log else {
            return Estimate::not_estimable("its trials meet the scale only through other unlimited estimates");
        };
        let (value, direction) = match (negated, side) {
            (false, _) => (log, side),
            (true, BoundSide::AtLeast) => (-log, BoundSide::AtMost),
            (true, BoundSide::AtMost) => (-log, BoundSide::AtLeast),
        };
        Bound::new(direction, libm::exp(value), self.plan.level, reason)
            .map_or_else(|_| Estimate::not_estimable("the bound overflows"), Into::into)
    }
}

fn no_place(name: &str, reason: Option<&str>) -> crate::Error {
    ErrorKind::NotEstimable {
        quantity: format!("the place of {name} on the scale"),
        reason: reason.unwrap_or("it has no finite estimate").into(),
    }
    .into()
}

/// Why an interval is withheld.
const OVERFLOW: &str = "so few levels carry its variance that its limits overflow";

/// As the bound of a fit without random effects (`log_median_bound`: the log median at which all trials
/// come out censored as seen with probability `1 − level`), but all trials share one draw of the random
/// effects of total standard deviation `spread`, over which that probability is averaged. Sharing all of it makes joint censoring as likely as it can
/// be (Slepian 1962), so the bound errs on the safe side.
fn shared_bound(distribution: Distribution, sigma: f64, spread: f64, times: &[LogTime], level: f64) -> Option<f64> {
    if Kinds::of(times).exact > 0 {
        return None;
    }
    let (low, high) =
        times.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), t| (a.min(t.middle()), b.max(t.middle())));
    if !low.is_finite() {
        return None;
    }
    let step = 0.04;
    let log_probability = |log_median: f64| -> f64 {
        let location = log_median - sigma * distribution.median();
        let terms: Vec<f64> = (-200..=200)
            .map(|i| {
                let u = step * f64::from(i);
                let all: f64 = times
                    .iter()
                    .map(|t| {
                        let z = (t.middle() - location - spread * u) / sigma;
                        match t {
                            LogTime::Left(_) => distribution.log_cumulative(z).value,
                            _ => distribution.log_survival(z).value,
                        }
                    })
                    .sum();
                // A hopeless median would overflow; how hopeless it is does not matter.
                (all - 0.5 * u * u).max(-1e9)
            })
            .collect();
        let top = terms.iter().fold(f64::NEG_INFINITY, |a, b| a.max(*b));
        let sum: f64 = terms.iter().map(|t| libm::exp(t - top)).sum();
        top + libm::log(sum * step) - LN_SQRT_2PI
    };
    let reach = 36.0 * sigma + 10.0 * spread;
    root(|median| log_probability(median) - libm::log(1.0 - level), low - reach, high + reach)
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::severity::fit::log_median_bound;

    #[test]
    fn a_shared_effect_loosens_the_bound() {
        let times = [LogTime::Right(1.0), LogTime::Right(1.2), LogTime::Right(0.9)];
        let alone = log_median_bound(Distribution::LogNormal, 0.2, &times, 0.95).unwrap();
        let none = shared_bound(Distribution::LogNormal, 0.2, 0.0, &times, 0.95).unwrap();
        assert!((alone - none).abs() < 1e-9, "{alone} {none}");
        let shared = shared_bound(Distribution::LogNormal, 0.2, 0.3, &times, 0.95).unwrap();
        assert!(shared < none - 0.1, "{shared} {none}");
        // One trial: the bound of a single normal with both variances.
        let one = shared_bound(Distribution::LogNormal, 0.2, 0.3, &times[..1], 0.95).unwrap();
        let want = 1.0 - 1.644_853_626_951_472 * (0.04f64 + 0.09).sqrt();
        assert!((one - want).abs() < 1e-9, "{one} {want}");
    }
}
