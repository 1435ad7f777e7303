//! How many specimens, materials or days, and which cells.

use super::cells::PlannedCell;
use super::expected_precision::Prepared;
use super::plan::Plan;
use crate::error::{ErrorKind, Result};
use crate::record::{all_at_least_zero, record};
use serde::{Deserialize, Serialize};

/// What a campaign is planned for.
///
/// ```
/// use surface_severity::planning::Goal;
/// let Goal::Equivalence { bounds, alpha, .. } = Goal::equivalence("road", 0.9) else { unreachable!() };
/// assert_eq!((bounds, alpha), ((0.80, 1.25), 0.05));
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(tag = "goal", rename_all = "snake_case", deny_unknown_fields)]
#[non_exhaustive]
pub enum Goal {
    /// The interval of the factor of one surface relative to another is no wider than `ratio` = upper / lower limit.
    Factor {
        /// The surface.
        surface: String,
        /// The other.
        relative_to: String,
        /// Wanted upper / lower limit, above 1.
        ratio: f64,
    },
    /// The interval of the correction to a road is no wider than `ratio`.
    Correction {
        /// The road surface.
        surface: String,
        /// Wanted upper / lower limit, above 1.
        ratio: f64,
    },
    /// The equivalence test of the belt against a road is passed with this probability, at the supposed ratio.
    Equivalence {
        /// The road surface.
        surface: String,
        /// Bounds of equivalence.
        bounds: (f64, f64),
        /// Level of each one-sided test.
        alpha: f64,
        /// Wanted power, in (0, 1).
        power: f64,
        /// For further materials ([`EquivalencePower::further_materials`](super::EquivalencePower::further_materials)) rather
        /// than for those tested.
        further_materials: bool,
    },
}

impl Goal {
    /// [`Goal::Factor`].
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
    /// use surface_severity::planning::{Goal, Resource};
    /// // A wider interval takes fewer specimens.
    /// let needed = |ratio| plan.required(&Goal::factor("belt", "road", ratio), Resource::SpecimensPerCell, 200).map(|r| r.count());
    /// assert!(needed(1.5)? < needed(1.2)?);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub fn factor(surface: impl Into<String>, relative_to: impl Into<String>, ratio: f64) -> Self {
        Self::Factor { surface: surface.into(), relative_to: relative_to.into(), ratio }
    }
    /// [`Goal::Correction`].
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
    /// use surface_severity::planning::{Goal, Resource};
    /// let needed = |ratio| plan.required(&Goal::correction("road", ratio), Resource::Materials, 200).map(|r| r.count());
    /// assert!(needed(1.5)? < needed(1.2)?);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub fn correction(surface: impl Into<String>, ratio: f64) -> Self {
        Self::Correction { surface: surface.into(), ratio }
    }
    /// [`Goal::Equivalence`] for the materials tested, with bounds 0.80 to 1.25 and α = 0.05.
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
    /// use surface_severity::planning::{Goal, Resource};
    /// // A belt that is 2.5 times as aggressive will not be shown equivalent, however many specimens are dropped.
    /// assert!(plan.required(&Goal::equivalence("road", 0.9), Resource::SpecimensPerCell, 50).is_err());
    /// ```
    pub fn equivalence(surface: impl Into<String>, power: f64) -> Self {
        Self::Equivalence {
            surface: surface.into(),
            bounds: (0.80, 1.25),
            alpha: 0.05,
            power,
            further_materials: false,
        }
    }

    fn check(&self) -> Result<()> {
        match self {
            Self::Factor { ratio, .. } | Self::Correction { ratio, .. } if !(*ratio > 1.0 && ratio.is_finite()) => {
                Err(ErrorKind::option("ratio", ratio, "a finite ratio of upper to lower limit above 1, such as 1.25"))
            }
            Self::Equivalence { power, .. } if !(*power > 0.0 && *power < 1.0) => {
                Err(ErrorKind::option("power", power, "a probability strictly between 0 and 1, such as 0.8"))
            }
            _ => Ok(()),
        }
    }

    /// Reached / wanted: the width ratio, or the power.
    fn achieved(&self, plan: &Plan) -> Result<f64> {
        let prepared = Prepared::new(plan)?;
        let laboratory = || {
            prepared
                .layout
                .laboratory
                .ok_or_else(|| ErrorKind::option("laboratory", "none", "the laboratory surface of the plan"))
        };
        match self {
            Self::Factor { surface, relative_to, .. } => {
                let (a, b) = (plan.surface_position(surface)?, plan.surface_position(relative_to)?);
                Ok(prepared.factor(a, b)?.width_ratio())
            }
            Self::Correction { surface, .. } => {
                let (laboratory, road) = (laboratory()?, plan.surface_position(surface)?);
                let row = prepared.correction(laboratory, road)?.ok_or_else(|| ErrorKind::TooFew {
                    method: "a correction".into(),
                    what: "materials on both surfaces".into(),
                    needed: 2,
                    found: 0,
                })?;
                Ok(row.width_ratio())
            }
            Self::Equivalence { surface, bounds, alpha, further_materials, .. } => {
                let (laboratory, road) = (laboratory()?, plan.surface_position(surface)?);
                let power = prepared.power(laboratory, road, *bounds, *alpha)?;
                Ok(if *further_materials { power.further_materials } else { power.tested_materials })
            }
        }
    }

    fn reached(&self, achieved: f64) -> bool {
        match self {
            Self::Factor { ratio, .. } | Self::Correction { ratio, .. } => achieved <= *ratio,
            Self::Equivalence { power, .. } => achieved >= *power,
        }
    }
}

/// `a factor of belt / road with upper / lower limit 1.25`.
impl std::fmt::Display for Goal {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Factor { surface, relative_to, ratio } => {
                write!(f, "a factor of {surface} / {relative_to} with upper / lower limit {ratio}")
            }
            Self::Correction { surface, ratio } => {
                write!(f, "a correction to {surface} with upper / lower limit {ratio}")
            }
            Self::Equivalence { surface, power, .. } => {
                write!(f, "equivalence to {surface} shown with probability {power}")
            }
        }
    }
}

/// What is increased to reach a goal.
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
/// use surface_severity::planning::{Goal, Resource};
/// let found = plan.required(&Goal::factor("belt", "road", 1.3), Resource::Materials, 50)?;
/// assert_eq!((found.resource(), found.trials()), (Resource::Materials, found.count() * 2 * 5));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Resource {
    /// Specimens in every cell that the plan has.
    SpecimensPerCell,
    /// Materials: further ones like those of the plan, taken in turn, with the same durabilities and cells; fewer, the first
    /// by name.
    Materials,
    /// Days of its own for every surface; the specimens stay.
    DaysPerSurface,
}

impl std::fmt::Display for Resource {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::SpecimensPerCell => "specimens per cell",
            Self::Materials => "materials",
            Self::DaysPerSurface => "days per surface",
        })
    }
}

record! {
    /// How much of a resource a goal needs.
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
    /// use surface_severity::planning::{Goal, Resource};
    /// let found = plan.required(&Goal::factor("belt", "road", 1.3), Resource::SpecimensPerCell, 50)?;
    /// // The smallest number: it reaches the goal, one fewer does not.
    /// assert!(found.achieved() <= 1.3 && found.trials() == found.count() * 8);
    /// let fewer = plan.specimens_per_cell(found.count() - 1).precision()?.factor("belt")?.width_ratio();
    /// assert!(fewer > 1.3);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct Requirement as RawRequirement {
        /// What was increased.
        copy resource: Resource,
        /// The smallest number that reaches the goal.
        copy count: usize,
        /// All specimens of the plan with it.
        copy trials: usize,
        /// The width ratio, or the power, that it reaches.
        copy achieved: f64,
        /// The plan with it.
        borrow plan: Plan => Plan,
    }
}

impl Requirement {
    fn check(&self) -> std::result::Result<(), String> {
        all_at_least_zero(&[("achieved", self.achieved)])
    }
}

/// `6 specimens per cell (252 in all)`.
impl std::fmt::Display for Requirement {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        write!(f, "{} {} ({} specimens in all)", self.count, self.resource, self.trials)
    }
}

impl Plan {
    /// This plan with `n` of the resource.
    fn with(&self, resource: Resource, n: usize) -> Self {
        let mut plan = self.clone();
        match resource {
            Resource::SpecimensPerCell => {
                for cell in &mut plan.cells {
                    cell.specimens = n;
                }
            }
            Resource::DaysPerSurface => {
                for surface in &mut plan.surfaces {
                    surface.days = n;
                    surface.named_days.clear();
                }
            }
            Resource::Materials => {
                let originals = self.materials.clone();
                let kept: Vec<&str> = originals.iter().take(n).map(|m| m.name.as_str()).collect();
                plan.materials.truncate(n);
                plan.cells.retain(|c| kept.contains(&c.material.as_str()));
                for i in originals.len()..n {
                    let like = &originals[i % originals.len()];
                    let name = format!("{} (further {})", like.name, i / originals.len());
                    plan.put_material(name.clone(), like.durability_s);
                    for cell in self.cells.iter().filter(|c| c.material == like.name) {
                        plan.put_cell(PlannedCell { material: name.clone(), ..cell.clone() });
                    }
                }
            }
        }
        plan
    }

    /// The smallest number of the resource, up to `most`, with which the plan reaches the goal: by doubling and halving, since
    /// more of a resource tells more.
    ///
    /// ```
    /// use surface_severity::planning::{Goal, Plan, PlannedSurface, Resource};
    /// let plan = Plan::new("road", 0.2)
    ///     .surface(PlannedSurface::new("road", 1.0))
    ///     .surface(PlannedSurface::new("belt", 2.5))
    ///     .material("cowhide", 12.0)
    ///     .material("aramid denim", 3.5)
    ///     .material("cotton denim", 0.9)
    ///     .material("polyamide weave", 4.5)
    ///     .specimens_per_cell(1);
    /// let found = plan.required(&Goal::factor("belt", "road", 1.3), Resource::SpecimensPerCell, 50)?;
    /// assert_eq!(found.to_string(), "5 specimens per cell (40 specimens in all)");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`precision`](Self::precision); [`ErrorKind::InvalidOption`] for a goal or a limit outside its range, or where every
    /// specimen is bound to a named day and days are asked for; [`ErrorKind::OutOfReach`] where `most` does not reach the
    /// goal either, with what it reaches: the rest is then due to something else (days, departures, few materials).
    pub fn required(&self, goal: &Goal, resource: Resource, most: usize) -> Result<Requirement> {
        goal.check()?;
        let layout = self.layout()?;
        // A larger answer is none.
        let most = most.min(super::plan::MOST_TRIALS);
        let least = match resource {
            Resource::SpecimensPerCell | Resource::DaysPerSurface => 1,
            Resource::Materials => 2,
        };
        let most = match resource {
            Resource::DaysPerSurface => {
                let spread = |s: &str| -> usize {
                    self.cells.iter().filter(|c| c.surface == s && c.day.is_none()).map(|c| c.specimens).sum()
                };
                let whole = |s: &str| self.cells.iter().filter(|c| c.surface == s && c.day.is_none()).count();
                let bound = self
                    .surfaces
                    .iter()
                    .map(|s| match self.day_spread {
                        super::cells::DaySpread::WholeCells => whole(&s.name),
                        super::cells::DaySpread::EvenWithinCells => spread(&s.name),
                    })
                    .filter(|n| *n > 0)
                    .min();
                let Some(bound) = bound else {
                    return Err(ErrorKind::option("resource", resource, "specimens that are not bound to a named day"));
                };
                most.min(bound)
            }
            _ => most,
        };
        if most < least || layout.cells.is_empty() {
            return Err(ErrorKind::option("most", most, &format!("at least {least}, and a plan with specimens")));
        }
        // What cannot even be estimated is short of the goal; but the largest must be estimable.
        let reached = |n: usize| goal.achieved(&self.with(resource, n)).is_ok_and(|a| goal.reached(a));
        let achieved = goal.achieved(&self.with(resource, most))?;
        if !goal.reached(achieved) {
            let what = match goal {
                Goal::Equivalence { .. } => "a power of",
                _ => "a ratio of upper to lower limit of",
            };
            return Err(ErrorKind::OutOfReach {
                goal: goal.to_string(),
                reason: format!("{most} {resource} reach {what} {achieved:.3}; the rest is due to something else"),
            }
            .into());
        }
        let (mut short, mut enough) = (least - 1, most);
        // Doubling first: the answer is usually small, and plans grow costly.
        let mut probe = least;
        while probe < enough {
            if reached(probe) {
                enough = probe;
                break;
            }
            short = probe;
            probe *= 2;
        }
        while enough - short > 1 {
            let middle = usize::midpoint(short, enough);
            if reached(middle) { enough = middle } else { short = middle }
        }
        let plan = self.with(resource, enough);
        Ok(Requirement { resource, count: enough, trials: plan.trials(), achieved: goal.achieved(&plan)?, plan })
    }
}
