//! The result of a severity fit.

use super::cells::{Crossed, Kinds};
use super::conditions::Conditions;
use super::covariate::{CovariateEffect, Covariates};
use super::distribution::Distribution;
use super::engine::Engine;
use super::mixed::{Contrast, Criterion, Grouped, Integration, VarianceComponent, Verdict, offsets};
use super::newton::LogTime;
use super::note::Note;
use super::plan::{Grouping, Severity};
use super::prepare::Prepared;
use super::rows::{MaterialDurability, SurfaceFactor};
use super::scale::Scale;
use super::shrunk::CellSummary;
use crate::campaign::Campaign;
use crate::error::{ErrorKind, Result};
use crate::estimate::{Bound, Estimate, Interval, IntervalMethod};
use serde::{Deserialize, Serialize};

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
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct Convergence {
    /// Newton steps, of the variances where there are random effects; 1 for a direct solve.
    pub iterations: u32,
    /// Newton decrement before the last step: the remaining distance to the maximum in standard
    /// errors, 0 for a direct solve. The last step makes it about its square.
    pub decrement: f64,
    /// True for the direct least-squares solve.
    pub direct: bool,
    /// Whether a variance is estimated as zero.
    pub verdict: Verdict,
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
#[derive(Debug, Clone)]
pub struct SeverityFit {
    pub(super) plan: Severity,
    campaign_digest: String,
    pub(super) surfaces: Vec<SurfaceFactor>,
    pub(super) materials: Vec<MaterialDurability>,
    pub(super) column: Vec<Option<usize>>,
    pub(super) group: Vec<Option<usize>>,
    pub(super) finite_surface: Vec<bool>,
    /// Materials on the scale; surfaces but the reference follow them among the fixed columns.
    pub(super) groups: usize,
    pub(super) engine: Engine,
    pub(super) groupings: Vec<Grouping>,
    pub(super) factors: Vec<Grouped>,
    /// First random column of each grouping, and the end.
    pub(super) first: Vec<usize>,
    pub(super) cells: Vec<CellSummary>,
    covariates: Vec<CovariateEffect>,
    /// What covariates add to log time, by trial of the campaign.
    shift: Option<Vec<f64>>,
    /// One standard error of each of these, likewise.
    shift_errors: Vec<Vec<f64>>,
    jacobian: f64,
    trials: usize,
    run_outs: usize,
    contact_openings: usize,
    notes: Vec<Note>,
    undetermined: Vec<String>,
}

impl PartialEq for SeverityFit {
    /// The same plan, campaign and results.
    fn eq(&self, other: &Self) -> bool {
        (&self.plan, &self.campaign_digest, &self.surfaces, &self.materials, &self.notes)
            == (&other.plan, &other.campaign_digest, &other.surfaces, &other.materials, &other.notes)
    }
}

/// Variance of the effect of one further level of a condition that trials share.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct SharedVariance {
    pub(crate) grouping: Grouping,
    pub(crate) log_variance: f64,
    pub(crate) degrees_of_freedom: f64,
}

/// Fewer levels than this are few.
const FEW: usize = 5;
/// Why an interval is withheld.
const OVERFLOW: &str = "so little carries its variance that its limits are out of reach";

/// A fit and what covariates add to log time, by trial of the campaign.
struct Found {
    prepared: Prepared,
    design: Crossed,
    engine: Engine,
    conditions: Conditions,
    covariates: Covariates,
    shift: Option<Vec<f64>>,
    /// What taking off given effects adds to the log-likelihood of exact times.
    jacobian: f64,
}

impl Found {
    /// `moved`: a given effect is taken so many standard errors from where it is.
    fn of(plan: &Severity, campaign: &Campaign, moved: Option<(usize, f64)>) -> Result<Self> {
        let mut prepared = Prepared::shifted(plan, campaign, None)?;
        // Trials are looked up for what acts on single ones only: in a large table that takes as long as all else.
        let (mut design, trials) = if plan.knows_cells_only(campaign) {
            (prepared.numbering.design(&prepared.cells), Vec::new())
        } else {
            let (design, positions) = prepared.numbering.crossed(&prepared.cells);
            (design, positions.iter().map(|&i| prepared.cells.trial[i]).collect())
        };
        let covariates = Covariates::of(plan, campaign, &design, &trials)?;
        let mut shift = covariates.given_shift(moved);
        let mut jacobian = 0.0;
        if let Some(shift) = &shift {
            let exact = design.times.iter().zip(&trials).filter(|(t, _)| matches!(t, LogTime::Exact(_)));
            jacobian = -exact.map(|(_, &i)| shift[i]).sum::<f64>();
            prepared.cells.take_off(shift);
            design.take_off(&trials, shift);
        }
        let scale = Scale::fit(&design, plan.distribution, "the severity fit")?;
        let mut conditions = Conditions::of(plan, campaign, &trials)?;
        let mut engine = Engine::fit(plan, &design, scale, &mut conditions, &covariates.over(&trials))?;
        let first = design.groups + design.columns;
        if let Some(estimated) = covariates.estimated_shift(|j| engine.fixed_effect(first + j)) {
            // From here on every time is one at the nominal values.
            prepared.cells.take_off(&estimated);
            design.take_off(&trials, &estimated);
            engine.scale = Scale::fit(&design, plan.distribution, "the severity fit")?;
            let before = shift.unwrap_or_else(|| vec![0.0; estimated.len()]);
            shift = Some(before.iter().zip(&estimated).map(|(a, b)| a + b).collect());
        }
        Ok(Self { prepared, design, engine, conditions, covariates, shift, jacobian })
    }
}

impl SeverityFit {
    pub(super) fn of(plan: &Severity, campaign: &Campaign) -> Result<Self> {
        let mut found = Found::of(plan, campaign, None)?;
        let columns = found.design.groups + found.design.columns + found.covariates.columns.len();
        let mut known = Vec::new();
        for (at, _) in found.covariates.uncertain() {
            let (lower, upper) =
                (Found::of(plan, campaign, Some((at, -1.0)))?, Found::of(plan, campaign, Some((at, 1.0)))?);
            known.push(Engine::change(&lower.engine, &upper.engine, columns));
        }
        found.engine = found.engine.with_known(known);
        let Found { prepared, design, engine, mut conditions, covariates, shift, jacobian } = found;
        let first = design.groups + design.columns;
        let effects = covariates.effects(plan.level, |j| engine.combination(&[(first + j, 1.0)], 0.0))?;
        let errors = covariates.errors(&effects);
        conditions.notes.extend(covariates.notes);
        conditions.undetermined.extend(covariates.undetermined);
        let mut fit = prepared.assemble(plan, campaign, &design, engine, conditions)?;
        (fit.covariates, fit.shift, fit.shift_errors, fit.jacobian) = (effects, shift, errors, jacobian);
        Ok(fit)
    }

    /// What recorded numbers do to log time; everything else is stated at their nominal values.
    #[must_use]
    pub fn covariate_effects(&self) -> &[CovariateEffect] {
        &self.covariates
    }

    /// What they add to log time, by trial of the campaign.
    pub(crate) fn shift(&self) -> Option<&[f64]> {
        self.shift.as_deref()
    }

    /// One standard error of each part of that.
    pub(super) fn shift_errors(&self) -> &[Vec<f64>] {
        &self.shift_errors
    }
}

impl Prepared {
    /// The fit of a plan of independent trials, covariates as they were taken off.
    pub(crate) fn fit(&self, plan: &Severity, campaign: &Campaign) -> Result<SeverityFit> {
        let (design, _) = self.numbering.crossed(&self.cells);
        let scale = Scale::fit(&design, plan.distribution, "the severity fit")?;
        self.independent(plan, campaign, &design, scale)
    }

    /// A scale of independent trials that another estimator found, with everything that is read off it.
    pub(super) fn independent(
        &self,
        plan: &Severity,
        campaign: &Campaign,
        design: &Crossed,
        scale: Scale,
    ) -> Result<SeverityFit> {
        self.assemble(plan, campaign, design, Engine::independent(scale), Conditions::default())
    }

    fn assemble(
        &self,
        plan: &Severity,
        campaign: &Campaign,
        design: &Crossed,
        engine: Engine,
        conditions: Conditions,
    ) -> Result<SeverityFit> {
        let kinds = Kinds::of(&design.times);
        let mut fit = SeverityFit {
            plan: plan.clone(),
            campaign_digest: campaign.digest(),
            surfaces: Vec::new(),
            materials: Vec::new(),
            column: self.numbering.column.clone(),
            group: self.numbering.group.clone(),
            finite_surface: self.numbering.finite_surface.clone(),
            groups: self.numbering.groups,
            engine,
            cells: if conditions.is_empty() { Vec::new() } else { CellSummary::of(design) },
            groupings: conditions.groupings,
            first: offsets(&conditions.factors),
            factors: conditions.factors,
            covariates: Vec::new(),
            shift: None,
            shift_errors: Vec::new(),
            jacobian: 0.0,
            trials: design.times.len(),
            run_outs: kinds.right,
            contact_openings: kinds.left,
            notes: self.notes(campaign, design.times.len()),
            undetermined: conditions.undetermined,
        };
        fit.notes.extend(conditions.notes);
        let names: Vec<String> = campaign.surfaces().iter().map(|s| s.name.clone()).collect();
        fit.notes.extend(fit.notes_on_groupings(design, &names));
        fit.materials = fit.durabilities(self, campaign)?;
        fit.surfaces = fit.surface_factors(self, campaign)?;
        Ok(fit)
    }
}

impl SeverityFit {
    fn notes_on_groupings(&self, design: &Crossed, surface_names: &[String]) -> Vec<Note> {
        let mut notes = Vec::new();
        if let Verdict::Boundary { components } = self.convergence().verdict {
            let zero = self.groupings.iter().filter(|g| components.iter().any(|c| c == g.as_str()));
            notes.extend(zero.map(|grouping| Note::Singular { grouping: grouping.clone() }));
        }
        for (factor, grouping) in self.factors.iter().zip(&self.groupings) {
            let levels = factor.levels.len();
            if levels < FEW {
                notes.push(Note::FewLevels { grouping: grouping.clone(), levels });
            }
            if !grouping.is_condition() {
                continue;
            }
            // Level of each surface's trials while they share one.
            let mut only: Vec<Option<Option<Option<usize>>>> = vec![None; design.columns + 1];
            for block in &design.blocks {
                let at = block.column.map_or(0, |c| c + 1);
                for level in &factor.level[block.start..block.end] {
                    only[at] = match only[at] {
                        None => Some(Some(*level)),
                        Some(Some(seen)) if seen == *level => only[at],
                        Some(_) => Some(None),
                    };
                }
            }
            for (s, surface) in surface_names.iter().enumerate() {
                let at = self.column[s].map_or(0, |c| c + 1);
                if self.finite_surface[s] && matches!(only[at], Some(Some(Some(_)))) {
                    notes.push(Note::Confounded { surface: surface.clone(), grouping: grouping.clone() });
                }
            }
        }
        notes
    }

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
    /// Groupings in the model, in the order of [`variance_components`](Self::variance_components).
    #[must_use]
    pub fn groupings(&self) -> &[Grouping] {
        &self.groupings
    }
    /// Replicate scatter σ: scale of log time within a cell and all groupings (the standard deviation for the
    /// log-normal; for the others multiply by that of W).
    #[must_use]
    pub fn log_scatter(&self) -> f64 {
        self.engine.sigma()
    }
    /// Variance components on the log scale: the [`groupings`](Self::groupings), `"residual"`
    /// (replicate scatter, the square of the scale σ of W) last.
    #[must_use]
    pub fn variance_components(&self) -> Vec<VarianceComponent> {
        self.engine.components(self.trials)
    }
    /// Degrees of freedom of [`log_scatter`](Self::log_scatter): the residual ones where nothing is censored; otherwise
    /// the number of exact trials that would know log σ as well, less the levels fitted (at least 1).
    #[must_use]
    pub fn scatter_degrees_of_freedom(&self) -> f64 {
        self.engine.variance_degrees_of_freedom(None).unwrap_or(1.0).max(1.0)
    }
    /// What [`log_scatter`](Self::log_scatter) and the standard errors of independent trials are multiplied by in every
    /// limit: `√(N/(N − p))` for N trials and p levels where times are censored, since maximum likelihood makes σ too
    /// small; 1 otherwise.
    #[must_use]
    pub fn small_sample_factor(&self) -> f64 {
        if self.engine.is_independent() { self.engine.scale.small_sample.factor } else { 1.0 }
    }
    /// Maximised log-likelihood of the fitted trials on the time scale (densities of T in 1/s); restricted where
    /// there are random effects, and then comparable only between fits with the same materials, surfaces and reference.
    #[must_use]
    pub fn log_likelihood(&self) -> f64 {
        self.engine.log_likelihood() + self.jacobian
    }
    /// Free parameters: materials on the scale, surfaces but the reference, variances.
    #[must_use]
    pub fn parameters(&self) -> usize {
        self.engine.scale.location.len()
            + self.engine.scale.log_k.len()
            + 1
            + self.groupings.len()
            + self.covariates.len()
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
    /// How the estimates were reached.
    #[must_use]
    pub fn convergence(&self) -> Convergence {
        self.engine.convergence()
    }
    /// How random effects were integrated out.
    #[must_use]
    pub fn integration(&self) -> Integration {
        self.engine.integration()
    }
    /// The criterion that variances were found by.
    #[must_use]
    pub fn criterion(&self) -> Criterion {
        self.plan.criterion
    }
    /// What a reader should know about this fit.
    #[must_use]
    pub fn notes(&self) -> &[Note] {
        &self.notes
    }

    /// Factor of `surface` relative to the reference, with its interval.
    ///
    /// `k = median time on reference / median time on surface`; dimensionless; above 1 wears
    /// faster. Interval: `exp(log k ± m·SE(log k))`, m as [`Contrast::multiplier`] has it.
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

    /// Log ratio `log k(surface) − log k(relative_to)` with its standard error and degrees of freedom.
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
    /// let log_ratio = Severity::new("asphalt").fit(&campaign)?.log_factor_between("belt", "asphalt")?;
    /// assert!((log_ratio.estimate - 2_f64.ln()).abs() < 1e-12);
    /// assert!((log_ratio.standard_error - 1.25_f64.ln() / 2_f64.sqrt()).abs() < 1e-12);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`factor`](Self::factor).
    pub fn log_factor_between(&self, surface: &str, relative_to: &str) -> Result<Contrast> {
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
        let shift = self.log_k(base);
        self.surfaces
            .iter()
            .enumerate()
            .map(|(s, row)| {
                let mut row = row.clone();
                if self.finite_surface[s] {
                    let log = self.log_factor(s, base);
                    row.factor = self.factor_estimate(s, base)?;
                    row.log_factor = Some(log.estimate);
                    row.log_standard_error = Some(log.standard_error);
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

    /// Recorded conditions that could not be told from what is estimated, in words; what they share is in no limit.
    pub(crate) fn undetermined(&self) -> &[String] {
        &self.undetermined
    }

    /// What one further day, run or belt adds: under restricted likelihood the expectation over what its levels leave
    /// unknown of the variance, never exactly 0.
    pub(crate) fn shared_variances(&self) -> Vec<SharedVariance> {
        let components = self.variance_components();
        let of = |(j, grouping): (usize, &Grouping)| {
            let (log_variance, df) = self.engine.one_further(j).unwrap_or_else(|| {
                (components[j].variance, self.engine.variance_degrees_of_freedom(Some(j)).unwrap_or(1.0))
            });
            SharedVariance { grouping: grouping.clone(), log_variance, degrees_of_freedom: df.max(1.0) }
        };
        self.groupings.iter().enumerate().filter(|(_, g)| g.is_condition()).map(of).collect()
    }

    pub(crate) fn position(&self, grouping: &Grouping) -> Result<usize> {
        self.groupings.iter().position(|g| g == grouping).ok_or_else(|| {
            let known: Vec<&str> = self.groupings.iter().map(Grouping::as_str).collect();
            ErrorKind::option("grouping", grouping.as_str(), &format!("one that was fitted: {}", known.join(", ")))
        })
    }

    /// The same trials as independent ones, about which replicates are drawn.
    pub(crate) fn scale(&self) -> &Scale {
        &self.engine.scale
    }

    /// Covariance of the log factors in column order and of log σ.
    pub(super) fn log_covariance(&self) -> Vec<Vec<f64>> {
        self.engine.covariance()
    }

    /// Column of a surface on the scale; the reference has none.
    pub(crate) fn column_of(&self, surface: &str) -> Option<usize> {
        self.surface_index(surface).ok().and_then(|s| self.column[s])
    }

    /// Names of the surfaces that have a column, in column order.
    pub(crate) fn column_names(&self) -> Vec<String> {
        let mut names = vec![String::new(); self.engine.scale.log_k.len()];
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
        if self.finite_surface[s] { Ok(s) } else { Err(no_estimate(surface, self.surfaces[s].factor.reason())) }
    }

    pub(super) fn log_k(&self, s: usize) -> f64 {
        self.column[s].map_or(0.0, |c| self.engine.fixed_effect(self.groups + c))
    }

    pub(super) fn log_factor(&self, s: usize, base: usize) -> Contrast {
        if s == base {
            return Contrast::new(0.0, 0.0, None);
        }
        let columns = [(s, 1.0), (base, -1.0)].into_iter().filter_map(|(s, sign)| Some((self.column[s]?, sign)));
        let weights: Vec<(usize, f64)> = columns.map(|(c, sign)| (self.groups + c, sign)).collect();
        self.engine.combination(&weights, 0.0)
    }

    fn factor_interval(&self, s: usize, base: usize) -> Result<Interval> {
        if s == base {
            return Interval::new(1.0, 1.0, 1.0, self.plan.level, IntervalMethod::ByDefinition);
        }
        self.interval(&self.log_factor(s, base))
    }

    pub(super) fn factor_estimate(&self, s: usize, base: usize) -> Result<Estimate> {
        if s == base { Ok(self.factor_interval(s, s)?.into()) } else { Ok(self.estimate(&self.log_factor(s, base))) }
    }

    pub(super) fn interval(&self, c: &Contrast) -> Result<Interval> {
        let method = if c.degrees_of_freedom.is_some() { IntervalMethod::StudentT } else { IntervalMethod::Normal };
        let multiplier = c.multiplier(self.plan.level);
        Interval::from_log(c.estimate, c.standard_error, multiplier, self.plan.level, method).map_err(|_| {
            ErrorKind::NotEstimable { quantity: "an interval of the scale".into(), reason: OVERFLOW.into() }.into()
        })
    }

    pub(super) fn estimate(&self, c: &Contrast) -> Estimate {
        self.interval(c).map_or_else(|_| Estimate::not_estimable(OVERFLOW), Into::into)
    }

    /// Group of a material and index of a surface, both with a finite place.
    pub(crate) fn placed(&self, material: &str, surface: &str) -> Result<(usize, usize)> {
        let s = self.finite(surface)?;
        let m = self.material_index(material)?;
        match self.group[m] {
            Some(group) => Ok((group, s)),
            None => Err(no_estimate(material, self.materials[m].durability_s.reason())),
        }
    }

    /// Log quantile of a group on a surface.
    pub(super) fn location(&self, group: usize, p: f64, surface: usize) -> Contrast {
        let spread = self.log_scatter() * self.standard_quantile(p);
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
    /// derivative `slope` in log σ.
    pub(super) fn shifted_location(&self, group: usize, surface: usize, shift: f64, slope: f64) -> Contrast {
        let surface = self.column[surface].map(|c| (self.groups + c, -1.0));
        let weights: Vec<(usize, f64)> = std::iter::once((group, 1.0)).chain(surface).collect();
        let mut found = self.engine.combination(&weights, slope);
        found.estimate += shift;
        found
    }
}

fn no_estimate(name: &str, reason: Option<&str>) -> crate::Error {
    ErrorKind::NotEstimable {
        quantity: format!("the place of {name} on the scale"),
        reason: reason.unwrap_or("it has no finite estimate").into(),
    }
    .into()
}
