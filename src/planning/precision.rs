//! Expected standard errors and intervals of a planned campaign.

use crate::equivalence::{Tost, tost};
use crate::error::{ErrorKind, Result};
use crate::estimate::Interval;
use crate::record::{all_at_least_zero, all_finite, record};
use serde::{Deserialize, Serialize};
use std::fmt;

/// What a reader of a planned precision should know.
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
/// use surface_severity::planning::PlanNote;
/// // Cowhide lasts 12 s on the road; runs that end after 5 s hardly ever see it worn through.
/// let plan = plan.surface(PlannedSurface::new("road", 1.0).run_length_s(5.0));
/// let notes = plan.precision()?.notes().to_vec();
/// assert!(notes.iter().any(|note| matches!(note, PlanNote::MostlyRunOuts { material, .. } if material == "cowhide")));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(tag = "note", rename_all = "snake_case", deny_unknown_fields)]
#[non_exhaustive]
pub enum PlanNote {
    /// The surface is visited on one day only, which no other surface shares: its factor and that day's effect are one
    /// number, and the campaign cannot estimate the scatter of days from it.
    OneDay {
        /// The surface.
        surface: String,
    },
    /// The scatter of days is taken as known in the intervals: the plan does not repeat days so that it could be estimated.
    DaysSupposed,
    /// The scatter of belts is taken as known in the intervals: one belt is planned.
    BeltsSupposed,
    /// The scatter of departures is taken as known in the intervals: too few cells to estimate it.
    DeparturesSupposed,
    /// More than half of the specimens of a cell are expected to be run-outs.
    MostlyRunOuts {
        /// The material.
        material: String,
        /// The surface.
        surface: String,
        /// Expected percentage of run-outs.
        percent: usize,
    },
    /// Nothing is planned for it, or nothing that could be worn through.
    NotPlanned {
        /// The material or surface.
        name: String,
    },
}

impl fmt::Display for PlanNote {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::OneDay { surface } => write!(
                f,
                "{surface} is visited on one day that no other surface shares; its factor and that day are one number"
            ),
            Self::DaysSupposed => f.write_str(
                "days are not repeated so that their scatter could be estimated; the intervals take the supposed value as known",
            ),
            Self::BeltsSupposed => f.write_str(
                "one belt tells nothing about how belts differ; the intervals take the supposed scatter as known",
            ),
            Self::DeparturesSupposed => f.write_str(
                "too few cells to estimate the scatter of departures; the intervals take the supposed value as known",
            ),
            Self::MostlyRunOuts { material, surface, percent } => {
                write!(f, "{percent} % of {material} on {surface} would run out; a longer run would tell more")
            }
            Self::NotPlanned { name } => write!(f, "nothing that could wear through is planned for {name}"),
        }
    }
}

record! {
    /// What a planned campaign is expected to tell of one factor.
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
    /// let precision = plan.precision()?;
    /// let belt = precision.factor("belt")?;
    /// // Balanced: scatter times √(2/20), whatever the materials last.
    /// assert!((belt.log_standard_error() - 0.2 * 0.1_f64.sqrt()).abs() < 1e-9);
    /// assert!(belt.factor().contains(2.5));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct FactorPrecision as RawFactorPrecision {
        /// The surface.
        borrow surface: String => str,
        /// The surface that it is relative to.
        borrow relative_to: String => str,
        /// The supposed factor with the interval to be expected about it.
        borrow factor: Interval => Interval,
        /// Expected standard error of the log factor.
        copy log_standard_error: f64,
        /// Expected degrees of freedom of its interval (Satterthwaite under random effects).
        copy degrees_of_freedom: f64,
        /// Specimens on the surface.
        copy specimens: usize,
        /// Days that they are spread over.
        copy days: usize,
        /// Run-outs to be expected among them.
        copy expected_run_outs: f64,
    }
}

impl FactorPrecision {
    /// Upper limit / lower limit of the expected interval: 1 would be certainty.
    #[must_use]
    pub fn width_ratio(&self) -> f64 {
        self.factor.upper() / self.factor.lower()
    }

    fn check(&self) -> std::result::Result<(), String> {
        all_at_least_zero(&[
            ("log_standard_error", self.log_standard_error),
            ("expected_run_outs", self.expected_run_outs),
        ])?;
        positive("degrees_of_freedom", self.degrees_of_freedom)
    }
}

record! {
    /// What a planned campaign is expected to tell of the correction of laboratory times to one road.
    ///
    /// Constant ratio: c is the mean over materials of log road median − log laboratory median.
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
    /// let precision = plan.precision()?;
    /// let road = precision.correction("road")?;
    /// // It rests on the materials, not on the specimens.
    /// assert_eq!((road.materials(), road.degrees_of_freedom()), (4, 3.0));
    /// assert!(road.factor().contains(2.5));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct CorrectionPrecision as RawCorrectionPrecision {
        /// The road surface.
        borrow surface: String => str,
        /// The supposed factor c with the interval to be expected about it.
        borrow factor: Interval => Interval,
        /// Expected standard error of log c, days included.
        copy log_standard_error: f64,
        /// The part of it that comes from days.
        copy day_log_standard_error: f64,
        /// Materials − 1.
        copy degrees_of_freedom: f64,
        /// Materials planned on both surfaces.
        copy materials: usize,
        /// τ: the supposed scatter between materials of log c.
        copy intrinsic_log_scatter: f64,
        /// v: typical variance of a material's log ratio through its specimens.
        copy pair_log_variance: f64,
        /// Specimens behind a laboratory report.
        copy report_specimens: usize,
        /// Road median of a further material / laboratory median of its report: c with the prediction interval to be
        /// expected.
        borrow material: Interval => Interval,
        /// The same of one further specimen of it.
        borrow specimen: Interval => Interval,
    }
}

impl CorrectionPrecision {
    /// Upper limit / lower limit of the expected interval of c.
    #[must_use]
    pub fn width_ratio(&self) -> f64 {
        self.factor.upper() / self.factor.lower()
    }

    fn check(&self) -> std::result::Result<(), String> {
        all_at_least_zero(&[
            ("log_standard_error", self.log_standard_error),
            ("day_log_standard_error", self.day_log_standard_error),
            ("intrinsic_log_scatter", self.intrinsic_log_scatter),
            ("pair_log_variance", self.pair_log_variance),
        ])?;
        positive("degrees_of_freedom", self.degrees_of_freedom)
    }
}

record! {
    /// The chance that a planned campaign shows a belt equivalent to a road.
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
    /// let power = &plan.equivalence_power((0.80, 1.25), 0.05)?[0];
    /// assert_eq!((power.surface(), power.lower_bound(), power.upper_bound()), ("road", 0.80, 1.25));
    /// assert!(power.tested_materials() < 0.001, "a belt of factor 2.5 is not shown equivalent");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct EquivalencePower as RawEquivalencePower {
        /// The road surface.
        borrow surface: String => str,
        /// Supposed k_laboratory / k_road.
        copy ratio: f64,
        /// Lower bound of equivalence.
        copy lower_bound: f64,
        /// Upper bound of equivalence.
        copy upper_bound: f64,
        /// Level of each one-sided test.
        copy alpha: f64,
        /// Power for the materials that are tested: the ratio of the factors.
        copy tested_materials: f64,
        /// Power for further materials: the mean ratio over materials; 0 where fewer than two materials are planned on both.
        copy further_materials: f64,
    }
}

impl EquivalencePower {
    fn check(&self) -> std::result::Result<(), String> {
        all_finite(&[("ratio", self.ratio)])?;
        for (name, p) in [("tested_materials", self.tested_materials), ("further_materials", self.further_materials)] {
            if !(0.0..=1.0).contains(&p) {
                return Err(format!("{name} = {p}: expected a probability"));
            }
        }
        tost(0.0, 1.0, None, (self.lower_bound, self.upper_bound), self.alpha)
            .map(|_: Tost| ())
            .map_err(|e| e.to_string())
    }
}

fn positive(name: &str, value: f64) -> std::result::Result<(), String> {
    if value > 0.0 && value.is_finite() {
        Ok(())
    } else {
        Err(format!("{name} = {value}: expected a positive, finite number"))
    }
}

record! {
    /// What a planned campaign is expected to tell.
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
    /// let precision = plan.precision()?;
    /// assert_eq!((precision.reference(), precision.trials(), precision.factors().len()), ("road", 40, 1));
    /// assert!(precision.log_scatter().contains(0.2));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct Precision as RawPrecision {
        /// The surface whose factor is 1.
        borrow reference: String => str,
        /// One row per surface with an estimate, sorted by name; not the reference.
        borrow factors: Vec<FactorPrecision> => [FactorPrecision],
        /// One row per road with two or more materials on it and on the laboratory surface, sorted by name; empty without a
        /// laboratory.
        borrow corrections: Vec<CorrectionPrecision> => [CorrectionPrecision],
        /// All specimens.
        copy trials: usize,
        /// Run-outs to be expected among them.
        copy expected_run_outs: f64,
        /// Expected degrees of freedom of σ.
        copy scatter_degrees_of_freedom: f64,
        /// Expected interval of σ.
        borrow log_scatter: Interval => Interval,
        /// What to know of it.
        borrow notes: Vec<PlanNote> => [PlanNote],
    }
}

impl Precision {
    /// The row of a surface.
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
    /// let precision = plan.precision()?;
    /// assert_eq!(precision.factor("belt")?.surface(), "belt");
    /// assert!(precision.factor("gravel").is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::UnknownSurface`] with those that have one.
    pub fn factor(&self, surface: &str) -> Result<&FactorPrecision> {
        self.factors.iter().find(|f| f.surface == surface).ok_or_else(|| {
            let known = self.factors.iter().map(|f| f.surface.clone()).collect();
            ErrorKind::UnknownSurface { name: surface.into(), known }.into()
        })
    }

    /// The row of a road.
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
    /// let precision = plan.precision()?;
    /// assert_eq!(precision.correction("road")?.surface(), "road");
    /// assert!(precision.correction("belt").is_err(), "the belt is not corrected to itself");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::UnknownSurface`] with those that have one.
    pub fn correction(&self, surface: &str) -> Result<&CorrectionPrecision> {
        self.corrections.iter().find(|f| f.surface == surface).ok_or_else(|| {
            let known = self.corrections.iter().map(|f| f.surface.clone()).collect();
            ErrorKind::UnknownSurface { name: surface.into(), known }.into()
        })
    }

    fn check(&self) -> std::result::Result<(), String> {
        all_at_least_zero(&[("expected_run_outs", self.expected_run_outs)])?;
        positive("scatter_degrees_of_freedom", self.scatter_degrees_of_freedom)
    }
}
