//! What a plan is made of: surfaces, cells, days.

use serde::{Deserialize, Serialize};

/// How the specimens of a surface are spread over its days.
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
/// use surface_severity::planning::DaySpread;
/// let plan = plan.surface(PlannedSurface::new("road", 1.0).days(2)).day_log_scatter(0.1);
/// let error = |spread| plan.clone().day_spread(spread).precision()?.factor("belt").map(|row| row.log_standard_error());
/// // Each material on both days is never worse than each on one of them.
/// assert!(error(DaySpread::EvenWithinCells)? <= error(DaySpread::WholeCells)? * (1.0 + 1e-6));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum DaySpread {
    /// In turn: every material meets as many of the days as it has specimens, and days hold equal numbers.
    #[default]
    EvenWithinCells,
    /// All specimens of a material on one day; the materials take turns over the days.
    WholeCells,
}

/// A material of the plan.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub(crate) struct PlannedMaterial {
    pub(crate) name: String,
    pub(crate) durability_s: f64,
}

/// A surface of the plan: plain data, checked when the plan is used.
///
/// | option | default | range | meaning |
/// |---|---|---|---|
/// | factor | required | > 0 | supposed abrasiveness factor k relative to the reference, whose own is 1 |
/// | run length | none: every specimen is worn through | > 0 s | a specimen that lasts longer is a run-out |
/// | days | 1 | 1 to the specimens on it | days of its own that its specimens are spread over |
/// | departure log scatter | that of the plan | ≥ 0 | standard deviation of the materials' own departures on this surface |
///
/// ```
/// use surface_severity::planning::PlannedSurface;
/// let belt = PlannedSurface::new("belt", 2.5).run_length_s(20.0).days(2);
/// assert_eq!((belt.name(), belt.factor(), belt.run_length()), ("belt", 2.5, Some(20.0)));
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlannedSurface {
    pub(crate) name: String,
    pub(crate) factor: f64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) run_length_s: Option<f64>,
    #[serde(default = "one")]
    pub(crate) days: usize,
    /// Instead of days of its own.
    #[serde(default, skip_serializing_if = "Vec::is_empty")]
    pub(crate) named_days: Vec<String>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) departure_log_scatter: Option<f64>,
}

pub(super) fn one() -> usize {
    1
}

impl PlannedSurface {
    /// A surface with its supposed factor, visited on one day of its own, no end of runs.
    ///
    /// ```
    /// use surface_severity::planning::PlannedSurface;
    /// assert_eq!(PlannedSurface::new("belt", 2.5).run_length(), None, "every specimen is worn through");
    /// ```
    pub fn new(name: impl Into<String>, factor: f64) -> Self {
        Self {
            name: name.into(),
            factor,
            run_length_s: None,
            days: 1,
            named_days: Vec::new(),
            departure_log_scatter: None,
        }
    }
    /// Sets the run length, s.
    #[must_use]
    pub fn run_length_s(mut self, seconds: f64) -> Self {
        self.run_length_s = Some(seconds);
        self
    }
    /// Sets the number of days that this surface alone is visited on.
    #[must_use]
    pub fn days(mut self, days: usize) -> Self {
        self.days = days;
        self.named_days.clear();
        self
    }
    /// Names its days; a day that several surfaces name is shared, and its effect cancels between them.
    #[must_use]
    pub fn on_days<D: Into<String>>(mut self, days: impl IntoIterator<Item = D>) -> Self {
        self.named_days = days.into_iter().map(Into::into).collect();
        self
    }
    /// Sets the scatter of the materials' departures on this surface.
    #[must_use]
    pub fn departure_log_scatter(mut self, scatter: f64) -> Self {
        self.departure_log_scatter = Some(scatter);
        self
    }
    /// Name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }
    /// Supposed factor.
    #[must_use]
    pub fn factor(&self) -> f64 {
        self.factor
    }
    /// Run length, s.
    #[must_use]
    pub fn run_length(&self) -> Option<f64> {
        self.run_length_s
    }

    pub(super) fn labels(&self) -> Vec<String> {
        if self.named_days.is_empty() {
            (1..=self.days).map(|d| format!("{}, day {d}", self.name)).collect()
        } else {
            self.named_days.clone()
        }
    }
}

/// Specimens of one material on one surface.
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
/// let cell = &plan.cells()[0];
/// assert_eq!((cell.material(), cell.surface(), cell.specimens()), ("aramid denim", "belt", 5));
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct PlannedCell {
    pub(crate) material: String,
    pub(crate) surface: String,
    /// All on this day; spread over the days of the surface where absent.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) day: Option<String>,
    pub(crate) specimens: usize,
}

impl PlannedCell {
    /// Material.
    #[must_use]
    pub fn material(&self) -> &str {
        &self.material
    }
    /// Surface.
    #[must_use]
    pub fn surface(&self) -> &str {
        &self.surface
    }
    /// The day that all of them are dropped on; `None`: spread over the days of the surface.
    #[must_use]
    pub fn day(&self) -> Option<&str> {
        self.day.as_deref()
    }
    /// Specimens.
    #[must_use]
    pub fn specimens(&self) -> usize {
        self.specimens
    }

    pub(super) fn key(&self) -> (&str, &str, Option<&str>) {
        (&self.material, &self.surface, self.day.as_deref())
    }
}
