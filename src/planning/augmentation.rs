//! Which further trials are worth most: added one by one where they sharpen a criterion most.

use super::cells::PlannedCell;
use super::expected::Expected;
use super::expected_precision::Prepared;
use super::plan::MOST_TRIALS;
use super::plan::{Known, Plan};
use crate::error::{ErrorKind, Result};
use crate::numeric::count;
use crate::record::{all_at_least_zero, record};
use serde::{Deserialize, Serialize};

/// What further trials are to sharpen.
///
/// ```
/// // Road and belt (factor 2.5), four materials, five specimens a cell, scatter 0.2 between specimens.
/// # use surface_severity::planning::{Plan, PlannedSurface};
/// # let plan = Plan::new("road", 0.2)
/// #     .surface(PlannedSurface::new("road", 1.0))
/// #     .surface(PlannedSurface::new("belt", 2.5))
/// #     .laboratory("belt")
/// #     .material("cowhide", 12.0)
/// #     .material("aramid denim", 3.5)
/// #     .material("cotton denim", 0.9)
/// #     .material("polyamide weave", 4.5)
/// #     .specimens_per_cell(5);
/// use surface_severity::planning::{Augment, Criterion};
/// let criterion = Criterion::Factor { surface: "belt".into(), relative_to: "road".into() };
/// let found = Augment::new(criterion, 4).run(&plan)?;
/// assert_eq!(found.steps().iter().map(|step| step.specimens()).sum::<usize>(), 4);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "criterion", rename_all = "snake_case", deny_unknown_fields)]
#[non_exhaustive]
pub enum Criterion {
    /// The factor of one surface relative to another: least variance of its logarithm.
    Factor {
        /// The surface.
        surface: String,
        /// The other.
        relative_to: String,
    },
    /// All factors relative to the reference: least mean variance of their logarithms (A-optimal).
    AllFactors,
    /// All factors jointly: least volume of their confidence ellipsoid (D-optimal); does not depend on the reference.
    JointFactors,
    /// The correction to a road: least variance of its logarithm.
    Correction {
        /// The road surface.
        surface: String,
    },
}

/// A search for the cells whose further trials tell most: plain data, checked in [`run`](Self::run).
///
/// | option | default | range | meaning |
/// |---|---|---|---|
/// | criterion | required | [`Criterion`] | what is to be sharpened |
/// | trials | required | ≥ 1 | further specimens in all |
/// | step | 1 | ≥ 1 | specimens added to a cell at a time |
/// | candidates | every material on every surface | cells of the plan's names | where specimens may be added |
/// | new days | 1 | ≥ 1 | further days of each surface; added specimens take turns over them |
/// | costs | 1 for each specimen | > 0, by surface | what a specimen costs there, in any unit |
/// | budget | none | > 0 | what all added specimens may cost |
///
/// In each step the cell is taken that improves the criterion most for its cost; ties go to the first by material, then surface. Greedy:
/// near the best of all allocations, not proven to be it. A plan in parts is joined first, since no other cell improves it as much.
///
/// ```
/// use surface_severity::planning::{Augment, Criterion, Plan, PlannedSurface};
/// // The belt was tried with one material, the road with another: no factor yet.
/// let plan = Plan::new("road", 0.2)
///     .surface(PlannedSurface::new("road", 1.0))
///     .surface(PlannedSurface::new("belt", 2.5))
///     .material("cowhide", 12.0)
///     .material("aramid denim", 3.5)
///     .cell("cowhide", "road", 4)
///     .cell("aramid denim", "belt", 4);
/// assert!(plan.precision().is_err());
/// let found = Augment::new(Criterion::AllFactors, 4).step(2).run(&plan)?;
/// assert!(found.steps()[0].joins());
/// assert!(found.plan().precision()?.factor("belt")?.width_ratio() < 2.0);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Augment {
    criterion: Criterion,
    trials: usize,
    #[serde(default = "one")]
    step: usize,
    #[serde(default = "one")]
    new_days: usize,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    candidates: Option<Vec<(String, String)>>,
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    costs: Vec<(String, f64)>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    budget: Option<f64>,
}

fn one() -> usize {
    1
}

record! {
    /// One step of an [`Augmentation`].
    ///
    /// ```
    /// // Road and belt (factor 2.5), four materials, five specimens a cell, scatter 0.2 between specimens.
    /// # use surface_severity::planning::{Plan, PlannedSurface};
    /// # let plan = Plan::new("road", 0.2)
    /// #     .surface(PlannedSurface::new("road", 1.0))
    /// #     .surface(PlannedSurface::new("belt", 2.5))
    /// #     .laboratory("belt")
    /// #     .material("cowhide", 12.0)
    /// #     .material("aramid denim", 3.5)
    /// #     .material("cotton denim", 0.9)
    /// #     .material("polyamide weave", 4.5)
    /// #     .specimens_per_cell(5);
    /// use surface_severity::planning::{Augment, Criterion};
    /// let found = Augment::new(Criterion::AllFactors, 4).run(&plan)?;
    /// for step in found.steps() {
    ///     println!("{} on {}: {} more", step.material(), step.surface(), step.specimens());
    /// }
    /// // Each step tells more.
    /// assert!(found.steps().windows(2).all(|s| s[1].log_standard_error() < s[0].log_standard_error()));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct AugmentStep as RawAugmentStep {
        /// Material.
        borrow material: String => str,
        /// Surface.
        borrow surface: String => str,
        /// Day that the specimens are dropped on.
        borrow day: String => str,
        /// Specimens added.
        copy specimens: usize,
        /// What they cost.
        copy cost: f64,
        /// Whether it joined parts of the plan.
        copy joins: bool,
        /// Expected standard error that the criterion is about, after the step: of the log factor or log c; root mean square
        /// or geometric mean over the factors. `None` while parts of the plan keep it from being estimated.
        copy log_standard_error: Option<f64>,
    }
}

impl AugmentStep {
    fn check(&self) -> std::result::Result<(), String> {
        all_at_least_zero(&[("log_standard_error", self.log_standard_error.unwrap_or(0.0))])
    }
}

record! {
    /// Result of [`Augment::run`].
    ///
    /// ```
    /// // Road and belt (factor 2.5), four materials, five specimens a cell, scatter 0.2 between specimens.
    /// # use surface_severity::planning::{Plan, PlannedSurface};
    /// # let plan = Plan::new("road", 0.2)
    /// #     .surface(PlannedSurface::new("road", 1.0))
    /// #     .surface(PlannedSurface::new("belt", 2.5))
    /// #     .laboratory("belt")
    /// #     .material("cowhide", 12.0)
    /// #     .material("aramid denim", 3.5)
    /// #     .material("cotton denim", 0.9)
    /// #     .material("polyamide weave", 4.5)
    /// #     .specimens_per_cell(5);
    /// use surface_severity::planning::{Augment, Criterion};
    /// let found = Augment::new(Criterion::AllFactors, 4).run(&plan)?;
    /// assert!(found.log_standard_error() < found.log_standard_error_before());
    /// assert_eq!(found.plan().trials(), plan.trials() + 4);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct Augmentation as RawAugmentation {
        /// The search.
        borrow options: Augment => Augment,
        /// Expected standard error before; `None` where the plan is in parts.
        copy log_standard_error_before: Option<f64>,
        /// The steps, in their order.
        borrow steps: Vec<AugmentStep> => [AugmentStep],
        /// The plan with them.
        borrow plan: Plan => Plan,
    }
}

impl Augmentation {
    /// Expected standard error with all steps; `None` where the plan is still in parts.
    #[must_use]
    pub fn log_standard_error(&self) -> Option<f64> {
        self.steps.last().map_or(self.log_standard_error_before, |s| s.log_standard_error)
    }

    /// What all steps cost.
    #[must_use]
    pub fn cost(&self) -> f64 {
        self.steps.iter().map(|s| s.cost).sum()
    }

    /// The cells with what was added to each, sorted by material and surface.
    #[must_use]
    pub fn added(&self) -> Vec<(&str, &str, usize)> {
        let mut cells: std::collections::BTreeMap<(&str, &str), usize> = std::collections::BTreeMap::new();
        for s in &self.steps {
            *cells.entry((&s.material, &s.surface)).or_default() += s.specimens;
        }
        cells.into_iter().map(|((m, s), n)| (m, s, n)).collect()
    }

    fn check(&self) -> std::result::Result<(), String> {
        all_at_least_zero(&[("log_standard_error_before", self.log_standard_error_before.unwrap_or(0.0))])
    }
}

/// Prior precision of a log factor while a plan may be in parts: standard deviation 100, which says nothing.
const RIDGE: f64 = 1e-4;

impl Augment {
    /// A search for `trials` further specimens.
    ///
    /// ```
    /// // Road and belt (factor 2.5), four materials, five specimens a cell, scatter 0.2 between specimens.
    /// # use surface_severity::planning::{Plan, PlannedSurface};
    /// # let plan = Plan::new("road", 0.2)
    /// #     .surface(PlannedSurface::new("road", 1.0))
    /// #     .surface(PlannedSurface::new("belt", 2.5))
    /// #     .laboratory("belt")
    /// #     .material("cowhide", 12.0)
    /// #     .material("aramid denim", 3.5)
    /// #     .material("cotton denim", 0.9)
    /// #     .material("polyamide weave", 4.5)
    /// #     .specimens_per_cell(5);
    /// use surface_severity::planning::{Augment, Criterion};
    /// assert!(Augment::new(Criterion::JointFactors, 2).run(&plan).is_ok());
    /// assert!(Augment::new(Criterion::JointFactors, 0).run(&plan).is_err(), "nothing to add");
    /// ```
    #[must_use]
    pub fn new(criterion: Criterion, trials: usize) -> Self {
        Self { criterion, trials, step: 1, new_days: 1, candidates: None, costs: Vec::new(), budget: None }
    }
    /// Sets how many specimens are added to a cell at a time.
    #[must_use]
    pub fn step(mut self, specimens: usize) -> Self {
        self.step = specimens;
        self
    }
    /// Sets how many further days each surface has.
    #[must_use]
    pub fn new_days(mut self, days: usize) -> Self {
        self.new_days = days;
        self
    }
    /// Sets what one specimen on a surface costs: a drop on a road, with closing it, may cost ten on the belt.
    ///
    /// ```
    /// // Road and belt (factor 2.5), four materials, five specimens a cell, scatter 0.2 between specimens.
    /// # use surface_severity::planning::{Plan, PlannedSurface};
    /// # let plan = Plan::new("road", 0.2)
    /// #     .surface(PlannedSurface::new("road", 1.0))
    /// #     .surface(PlannedSurface::new("belt", 2.5))
    /// #     .laboratory("belt")
    /// #     .material("cowhide", 12.0)
    /// #     .material("aramid denim", 3.5)
    /// #     .material("cotton denim", 0.9)
    /// #     .material("polyamide weave", 4.5)
    /// #     .specimens_per_cell(5);
    /// use surface_severity::planning::{Augment, Criterion};
    /// let found = Augment::new(Criterion::AllFactors, 50).cost("road", 10.0).cost("belt", 1.0).budget(24.0).run(&plan)?;
    /// let on = |surface: &str| found.added().iter().filter(|a| a.1 == surface).map(|a| a.2).sum::<usize>();
    /// // The budget holds; most of it goes where a specimen costs little.
    /// assert!(found.cost() <= 24.0 && on("belt") > 2 * on("road"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn cost(mut self, surface: impl Into<String>, of_specimen: f64) -> Self {
        self.costs.push((surface.into(), of_specimen));
        self
    }
    /// Sets what all added specimens may cost; the search ends where no step can be paid for.
    #[must_use]
    pub fn budget(mut self, amount: f64) -> Self {
        self.budget = Some(amount);
        self
    }
    /// Restricts the search to these (material, surface) cells.
    #[must_use]
    pub fn candidates<M: Into<String>, S: Into<String>>(mut self, cells: impl IntoIterator<Item = (M, S)>) -> Self {
        self.candidates = Some(cells.into_iter().map(|(m, s)| (m.into(), s.into())).collect());
        self
    }

    /// By surface of the plan.
    fn costs_on(&self, plan: &Plan) -> Result<Vec<f64>> {
        let mut cost = vec![1.0; plan.surfaces.len()];
        let amounts = self.costs.iter().map(|(name, amount)| (format!("cost on {name}"), *amount));
        for (option, amount) in amounts.chain(self.budget.map(|b| ("budget".to_owned(), b))) {
            if !(amount > 0.0 && amount.is_finite()) {
                return Err(ErrorKind::option(&option, amount, "a positive, finite amount"));
            }
        }
        for (surface, amount) in &self.costs {
            cost[plan.surface_position(surface)?] = *amount;
        }
        Ok(cost)
    }

    /// The value that is made small, and the standard error it stands for.
    /// `score`: with the vague prior, to compare candidates; otherwise as it is, `None` where it cannot be had.
    fn value(&self, plan: &Plan, score: bool, known: &mut Known) -> Result<Option<(f64, f64)>> {
        let layout = plan.layout_with(known)?;
        let joined = plan.check_joined(&layout).is_ok();
        let ridge = if score || !joined { RIDGE } else { 0.0 };
        let not_placed = |s: usize| -> crate::Error {
            ErrorKind::NotEstimable {
                quantity: format!("the factor of {:?}", plan.surfaces[s].name),
                reason: "nothing that could wear through is planned on it".into(),
            }
            .into()
        };
        if let Criterion::Correction { surface } = &self.criterion {
            let road = plan.surface_position(surface)?;
            let Some(laboratory) = layout.laboratory else {
                return Err(ErrorKind::option("laboratory", "none", "the laboratory surface of the plan"));
            };
            let Some(expected) = Expected::new(plan, &layout, RIDGE) else { return Ok(None) };
            let on = |s: usize| layout.cells.iter().filter(move |c| c.surface == s && c.tells()).map(|c| c.material);
            let both = on(laboratory).filter(|m| on(road).any(|r| r == *m)).count();
            let half = on(laboratory).count() + on(road).count();
            let row = Prepared { plan, layout, expected }.correction(laboratory, road)?;
            return Ok(match row {
                Some(row) => Some((row.log_standard_error, row.log_standard_error)),
                None if !score => None,
                // Fewer than two materials on both: what comes nearer to that is worth most.
                None => Some((1e9 - 1e6 * count(both) - count(half), f64::MAX)),
            });
        }
        let Some(expected) = Expected::new(plan, &layout, ridge) else { return Ok(None) };
        let placed = |s: usize| s == layout.reference || expected.column[s].is_some();
        match &self.criterion {
            Criterion::Factor { surface, relative_to } => {
                let (a, b) = (plan.surface_position(surface)?, plan.surface_position(relative_to)?);
                match [a, b].into_iter().find(|s| !placed(*s)) {
                    Some(s) if !score => Err(not_placed(s)),
                    Some(_) => Ok(None),
                    None => {
                        let se = libm::sqrt(expected.variance(&expected.contrast(a, b)).max(0.0));
                        // In different parts nothing but the prior, of 100, holds them together.
                        Ok((score || joined || se < 10.0).then_some((se, se)))
                    }
                }
            }
            _ => {
                let covariance = expected.log_factor_covariance();
                let q = covariance.nrows();
                // A surface that nothing is planned on yet counts with the vague prior.
                let missing = plan.surfaces.len() - 1 - q;
                if !score && (missing > 0 || !joined) {
                    return Ok(None);
                }
                let (n, missing) = (count((plan.surfaces.len() - 1).max(1)), count(missing));
                if self.criterion == Criterion::JointFactors {
                    let Some(cholesky) = covariance.cholesky() else { return Ok(None) };
                    let half: f64 = (0..q).map(|i| libm::log(cholesky.l_dirty()[(i, i)])).sum();
                    let half = half - 0.5 * missing * libm::log(RIDGE);
                    Ok(Some((half / n, libm::exp(half / n))))
                } else {
                    let se = libm::sqrt((covariance.trace() + missing / RIDGE) / n);
                    Ok(Some((se, se)))
                }
            }
        }
    }

    /// Adds the trials to `plan`, which may hold an existing campaign ([`Plan::existing`]).
    ///
    /// ```
    /// // Road and belt (factor 2.5), four materials, five specimens a cell, scatter 0.2 between specimens.
    /// # use surface_severity::planning::{Plan, PlannedSurface};
    /// # let plan = Plan::new("road", 0.2)
    /// #     .surface(PlannedSurface::new("road", 1.0))
    /// #     .surface(PlannedSurface::new("belt", 2.5))
    /// #     .laboratory("belt")
    /// #     .material("cowhide", 12.0)
    /// #     .material("aramid denim", 3.5)
    /// #     .material("cotton denim", 0.9)
    /// #     .material("polyamide weave", 4.5)
    /// #     .specimens_per_cell(5);
    /// use surface_severity::planning::{Augment, Criterion};
    /// // Only the cells that are offered are used.
    /// let found = Augment::new(Criterion::AllFactors, 3).candidates([("cowhide", "belt")]).run(&plan)?;
    /// assert_eq!(found.added(), [("cowhide", "belt", 3)]);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for an option outside its range, or candidates none of which can be scored;
    /// [`ErrorKind::UnknownSurface`], [`ErrorKind::UnknownMaterial`]; errors of the plan.
    pub fn run(&self, plan: &Plan) -> Result<Augmentation> {
        for (option, value) in [("trials", self.trials), ("step", self.step), ("new_days", self.new_days)] {
            if value == 0 || value > MOST_TRIALS {
                return Err(ErrorKind::option(option, value, &format!("from 1 to {MOST_TRIALS}")));
            }
        }
        plan.layout()?;
        let cost = self.costs_on(plan)?;
        let mut candidates: Vec<(String, String)> = match &self.candidates {
            Some(given) => {
                for (m, s) in given {
                    plan.surface_position(s)?;
                    if !plan.materials.iter().any(|p| p.name == *m) {
                        let known = plan.materials.iter().map(|m| m.name.clone()).collect();
                        return Err(ErrorKind::UnknownMaterial { name: m.clone(), known }.into());
                    }
                }
                given.clone()
            }
            None => {
                let surfaces = || plan.surfaces.iter().map(|s| s.name.clone());
                plan.materials.iter().flat_map(|m| surfaces().map(|s| (m.name.clone(), s))).collect()
            }
        };
        candidates.sort();
        candidates.dedup();
        let mut known = Known::new();
        let mut current = plan.clone();
        let before =
            if current.cells.is_empty() { None } else { self.value(&current, false, &mut known).unwrap_or(None) };
        let mut steps: Vec<AugmentStep> = Vec::new();
        let mut left = self.trials;
        let mut turns = vec![0_usize; plan.surfaces.len()];
        let mut money = self.budget.unwrap_or(f64::INFINITY);
        while left > 0 {
            let specimens = self.step.min(left);
            let payable = |s: usize| count(specimens) * cost[s] <= money;
            if !candidates.iter().any(|(_, surface)| plan.surface_position(surface).is_ok_and(payable)) {
                break;
            }
            // With one cost for all the least value; with several the largest gain for the cost.
            let start = if self.costs.is_empty() || current.cells.is_empty() {
                None
            } else {
                self.value(&current, true, &mut known)?.map(|v| v.0)
            };
            let mut best: Option<(f64, Plan, AugmentStep)> = None;
            for (material, surface) in &candidates {
                let s = plan.surface_position(surface)?;
                if !payable(s) {
                    continue;
                }
                let day = format!("{surface}, further day {}", turns[s] % self.new_days + 1);
                let mut trial = current.clone();
                let held = trial
                    .cells
                    .iter()
                    .find(|c| c.material == *material && c.surface == *surface && c.day.as_ref() == Some(&day))
                    .map_or(0, |c| c.specimens);
                trial.put_cell(PlannedCell {
                    material: material.clone(),
                    surface: surface.clone(),
                    day: Some(day.clone()),
                    specimens: held + specimens,
                });
                let value = self.value(&trial, true, &mut known)?.map_or(f64::INFINITY, |v| v.0);
                let (value, size) = start.map_or((value, value), |from| ((value - from) / cost[s], from / cost[s]));
                // Gains below rounding are ties.
                if best.as_ref().is_none_or(|b| value < b.0 && (b.0.is_infinite() || value < b.0 - 1e-12 * size.abs()))
                {
                    let step = AugmentStep {
                        material: material.clone(),
                        surface: surface.clone(),
                        day,
                        specimens,
                        cost: count(specimens) * cost[s],
                        joins: false,
                        log_standard_error: None,
                    };
                    best = Some((value, trial, step));
                }
            }
            let Some((value, next, mut step)) = best else {
                return Err(ErrorKind::option("candidates", 0, "at least one cell"));
            };
            if value.is_infinite() && steps.len() >= candidates.len() {
                return Err(ErrorKind::NotEstimable {
                    quantity: "the criterion".into(),
                    reason: "no candidate cell can make it estimable".into(),
                }
                .into());
            }
            step.joins = parts(&next, &mut known) < parts(&current, &mut known);
            step.log_standard_error = self.value(&next, false, &mut known).unwrap_or(None).map(|v| v.1);
            turns[plan.surface_position(&step.surface)?] += 1;
            left -= specimens;
            money -= step.cost;
            current = next;
            steps.push(step);
        }
        Ok(Augmentation { options: self.clone(), log_standard_error_before: before.map(|v| v.1), steps, plan: current })
    }
}

/// Parts that a plan falls into; one without specimens counts as many.
fn parts(plan: &Plan, known: &mut Known) -> usize {
    match plan.layout_with(known).and_then(|l| plan.check_joined(&l)) {
        Ok(()) => 1,
        Err(e) => match e.kind() {
            ErrorKind::Disconnected { components, .. } => components.len(),
            _ => usize::MAX,
        },
    }
}
