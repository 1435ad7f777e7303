//! A campaign that has not been run: what is to be dropped where, how often, on which days.

use super::cells::{DaySpread, PlannedCell, PlannedMaterial, PlannedSurface};
use super::information::Information;
use crate::campaign::{Campaign, Outcome};
use crate::error::{ErrorKind, Result};
use crate::estimate::check_level;
use crate::numeric::count;
use crate::severity::machinery::{Kinds, Link, standings};
use crate::severity::{Distribution, Grouping, SeverityFit, SurfaceFactor};
use serde::{Deserialize, Serialize};
use std::collections::{BTreeMap, BTreeSet};

/// A planned campaign: plain data, checked when it is used.
///
/// `log T = μ(material) − log k(surface) + u(material, surface) + d(day) + σ W`; u and d normal with the standard
/// deviations below. The values are suppositions: from an earlier fit ([`from_fit`](Self::from_fit)), a pilot, or a guess.
///
/// | option | default | range | meaning |
/// |---|---|---|---|
/// | reference | required | a surface of the plan | surface whose factor is 1 |
/// | log scatter | required | > 0 | σ, scale of log time between specimens of a cell |
/// | distribution | log-normal | see [`Distribution`] | W |
/// | day log scatter | 0 | ≥ 0 | standard deviation of d |
/// | departure log scatter | 0 | ≥ 0 | standard deviation of u, where a surface does not set its own |
/// | laboratory | none | a surface of the plan | the belt that corrections start from |
/// | report specimens | 5 | ≥ 1 | specimens behind a laboratory report to be corrected |
/// | day spread | even within cells | see [`DaySpread`] | how specimens are spread over the days of their surface |
/// | level | 0.95 | (0, 1) | confidence level of every interval |
///
/// Contact openings are not planned for: a cell of which many would open at contact tells less than is counted here.
///
/// ```
/// use surface_severity::planning::{Plan, PlannedSurface};
///
/// let plan = Plan::new("road", 0.2)
///     .surface(PlannedSurface::new("road", 1.0).days(2))
///     .surface(PlannedSurface::new("belt", 2.5).run_length_s(20.0))
///     .material("cowhide", 12.0)
///     .material("aramid denim", 3.5)
///     .specimens_per_cell(5);
/// assert_eq!(plan.trials(), 20);
/// let belt = plan.precision()?;
/// let belt = belt.factor("belt")?;
/// assert!((belt.log_standard_error() - 0.2 * (2.0_f64 / 10.0).sqrt()).abs() < 1e-6);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Plan {
    pub(crate) reference: String,
    pub(crate) log_scatter: f64,
    #[serde(default)]
    pub(crate) distribution: Distribution,
    #[serde(default)]
    pub(crate) day_log_scatter: f64,
    #[serde(default)]
    pub(crate) belt_log_scatter: f64,
    #[serde(default = "one")]
    pub(crate) belts: usize,
    #[serde(default)]
    pub(crate) departure_log_scatter: f64,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    pub(crate) laboratory: Option<String>,
    #[serde(default = "five")]
    pub(crate) report_specimens: usize,
    #[serde(default)]
    pub(crate) day_spread: DaySpread,
    #[serde(default = "default_level")]
    pub(crate) level: f64,
    pub(crate) materials: Vec<PlannedMaterial>,
    pub(crate) surfaces: Vec<PlannedSurface>,
    pub(crate) cells: Vec<PlannedCell>,
}

fn five() -> usize {
    5
}

fn one() -> usize {
    1
}

fn default_level() -> f64 {
    0.95
}

impl Plan {
    /// An empty plan with reference surface `reference` and replicate scatter σ `log_scatter`.
    ///
    /// ```
    /// use surface_severity::planning::Plan;
    /// let plan = Plan::new("road", 0.2);
    /// assert_eq!((plan.reference(), plan.log_scatter(), plan.trials()), ("road", 0.2, 0));
    /// assert!(plan.precision().is_err(), "nothing is planned yet");
    /// ```
    pub fn new(reference: impl Into<String>, log_scatter: f64) -> Self {
        Self {
            reference: reference.into(),
            log_scatter,
            distribution: Distribution::default(),
            day_log_scatter: 0.0,
            belt_log_scatter: 0.0,
            belts: one(),
            departure_log_scatter: 0.0,
            laboratory: None,
            report_specimens: five(),
            day_spread: DaySpread::default(),
            level: default_level(),
            materials: Vec::new(),
            surfaces: Vec::new(),
            cells: Vec::new(),
        }
    }

    /// Materials, surfaces and scatter as a fit found them, without any specimens yet: what has no estimate but a bound,
    /// or none, is left out (the fit's notes name it). Runs are not planned for.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// use surface_severity::planning::Plan;
    /// // The next campaign, with the values of the last and three specimens a cell.
    /// let plan = Plan::from_fit(&fit).specimens_per_cell(3);
    /// assert_eq!((plan.reference(), plan.surfaces().len()), (fit.reference(), 7));
    /// assert!((plan.log_scatter_of_days() - fit.variance_components()[0].standard_deviation).abs() < 1e-9);
    /// assert!(plan.precision()?.factor("brushed concrete")?.factor().contains(fit.factor("brushed concrete")?.estimate()));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn from_fit(fit: &SeverityFit) -> Self {
        let components = fit.variance_components();
        let of = |grouping: Grouping| {
            components.iter().find(|c| c.name == grouping.as_str()).map_or(0.0, |c| c.standard_deviation)
        };
        let mut plan = Self::new(fit.reference(), fit.log_scatter() * fit.small_sample_factor())
            .distribution(fit.distribution())
            .level(fit.level())
            .day_log_scatter(of(Grouping::Day))
            .belts(1, of(Grouping::Belt))
            .departure_log_scatter(of(Grouping::MaterialBySurface));
        plan.take(
            fit.factors(),
            fit.materials().iter().filter_map(|m| Some((m.material.as_str(), m.durability_s.value()?))),
        );
        plan
    }

    fn take<'a>(&mut self, factors: &[SurfaceFactor], materials: impl Iterator<Item = (&'a str, f64)>) {
        for row in factors {
            if let Some(factor) = row.factor.value() {
                self.put_surface(PlannedSurface::new(&row.surface, factor));
            }
        }
        for (name, durability_s) in materials {
            self.put_material(name.to_owned(), durability_s);
        }
    }

    /// Adds the trials of `campaign` that a fit would use, on their days, and takes the number of belts from it, the run length
    /// of a surface from its longest run-out and the laboratory from the first laboratory surface, where the plan has none. Trials of materials
    /// or surfaces that the plan does not hold are left out.
    #[must_use]
    pub fn existing(mut self, campaign: &Campaign) -> Self {
        let mut counts: BTreeMap<(String, String, Option<String>), usize> = BTreeMap::new();
        let belts: BTreeSet<&str> = campaign.trials_in_use().filter_map(|t| t.belt.as_deref()).collect();
        self.belts = belts.len().max(1);
        for trial in campaign.trials_in_use().filter(|t| t.outcome != Outcome::Void) {
            let held = self.materials.iter().any(|m| m.name == trial.material);
            let Some(surface) = self.surfaces.iter_mut().find(|s| s.name == trial.surface).filter(|_| held) else {
                continue;
            };
            if let (Outcome::RunOut, Some(t)) = (trial.outcome, trial.abrasion_time_s) {
                surface.run_length_s = Some(surface.run_length_s.map_or(t, |r| r.max(t)));
            }
            *counts.entry((trial.material.clone(), trial.surface.clone(), trial.day.clone())).or_default() += 1;
        }
        for ((material, surface, day), specimens) in counts {
            self.put_cell(PlannedCell { material, surface, day, specimens });
        }
        if self.laboratory.is_none() {
            self.laboratory = campaign
                .laboratory_surfaces()
                .into_iter()
                .find(|l| self.surfaces.iter().any(|s| s.name == *l))
                .map(str::to_owned);
        }
        self
    }

    /// Adds a material, or replaces the one of that name: its supposed median time on the reference surface, s.
    #[must_use]
    pub fn material(mut self, name: impl Into<String>, durability_s: f64) -> Self {
        self.put_material(name.into(), durability_s);
        self
    }
    /// Adds a surface, or replaces the one of that name.
    #[must_use]
    pub fn surface(mut self, surface: PlannedSurface) -> Self {
        self.put_surface(surface);
        self
    }
    /// Sets how many specimens of a material go on a surface, spread over the days of the surface; 0 takes them out.
    #[must_use]
    pub fn cell(mut self, material: impl Into<String>, surface: impl Into<String>, specimens: usize) -> Self {
        self.put_cell(PlannedCell { material: material.into(), surface: surface.into(), day: None, specimens });
        self
    }
    /// Sets how many specimens of a material go on a surface on the day named; 0 takes them out.
    #[must_use]
    pub fn cell_on(
        mut self,
        material: impl Into<String>,
        surface: impl Into<String>,
        day: impl Into<String>,
        specimens: usize,
    ) -> Self {
        let day = Some(day.into());
        self.put_cell(PlannedCell { material: material.into(), surface: surface.into(), day, specimens });
        self
    }
    /// Sets the same number of specimens in every cell of the materials and surfaces added so far.
    #[must_use]
    pub fn specimens_per_cell(mut self, specimens: usize) -> Self {
        self.cells.clear();
        if specimens > 0 {
            for m in &self.materials {
                for s in &self.surfaces {
                    self.cells.push(PlannedCell {
                        material: m.name.clone(),
                        surface: s.name.clone(),
                        day: None,
                        specimens,
                    });
                }
            }
        }
        self
    }
    /// Sets the distribution of times.
    #[must_use]
    pub fn distribution(mut self, distribution: Distribution) -> Self {
        self.distribution = distribution;
        self
    }
    /// Sets the standard deviation of log time between days.
    #[must_use]
    pub fn day_log_scatter(mut self, scatter: f64) -> Self {
        self.day_log_scatter = scatter;
        self
    }
    /// Sets on how many belts the laboratory's specimens are spread, those of each material evenly, and the standard deviation of
    /// log time between belts.
    ///
    /// ```
    /// use surface_severity::planning::{Plan, PlannedSurface};
    /// let plan = Plan::new("road", 0.2)
    ///     .surface(PlannedSurface::new("road", 1.0))
    ///     .surface(PlannedSurface::new("belt", 2.5))
    ///     .laboratory("belt")
    ///     .material("cowhide", 12.0)
    ///     .material("aramid denim", 3.5)
    ///     .specimens_per_cell(6);
    /// // More specimens of one belt do not say how belts differ.
    /// let error = |belts| plan.clone().belts(belts, 0.1).factor_between("belt", "road").map(|f| f.log_standard_error());
    /// let (one, three) = (error(1)?, error(3)?);
    /// assert!((one * one - three * three - 0.01 * (1.0 - 1.0 / 3.0)).abs() < 1e-12);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn belts(mut self, belts: usize, log_scatter: f64) -> Self {
        (self.belts, self.belt_log_scatter) = (belts, log_scatter);
        self
    }
    /// Sets the standard deviation of the materials' own departures from the common scale on a surface.
    #[must_use]
    pub fn departure_log_scatter(mut self, scatter: f64) -> Self {
        self.departure_log_scatter = scatter;
        self
    }
    /// Sets the laboratory surface.
    #[must_use]
    pub fn laboratory(mut self, surface: impl Into<String>) -> Self {
        self.laboratory = Some(surface.into());
        self
    }
    /// Sets the number of specimens behind a laboratory report to be corrected.
    #[must_use]
    pub fn report_specimens(mut self, specimens: usize) -> Self {
        self.report_specimens = specimens;
        self
    }
    /// Sets how specimens are spread over days.
    #[must_use]
    pub fn day_spread(mut self, spread: DaySpread) -> Self {
        self.day_spread = spread;
        self
    }
    /// Sets the confidence level, 0.95 for 95 %.
    #[must_use]
    pub fn level(mut self, level: f64) -> Self {
        self.level = level;
        self
    }

    /// The reference surface.
    #[must_use]
    pub fn reference(&self) -> &str {
        &self.reference
    }
    /// The laboratory surface, where there is one.
    #[must_use]
    pub fn laboratory_surface(&self) -> Option<&str> {
        self.laboratory.as_deref()
    }
    /// Replicate scatter σ.
    #[must_use]
    pub fn log_scatter(&self) -> f64 {
        self.log_scatter
    }
    /// Standard deviation of log time between days.
    #[must_use]
    pub fn log_scatter_of_days(&self) -> f64 {
        self.day_log_scatter
    }
    /// Standard deviation of the materials' departures, where a surface does not set its own.
    #[must_use]
    pub fn log_scatter_of_departures(&self) -> f64 {
        self.departure_log_scatter
    }
    /// Confidence level.
    #[must_use]
    pub fn confidence_level(&self) -> f64 {
        self.level
    }
    /// Materials with their supposed durabilities, s, sorted by name.
    #[must_use]
    pub fn materials(&self) -> Vec<(&str, f64)> {
        self.materials.iter().map(|m| (m.name.as_str(), m.durability_s)).collect()
    }
    /// Surfaces, sorted by name.
    #[must_use]
    pub fn surfaces(&self) -> &[PlannedSurface] {
        &self.surfaces
    }
    /// Cells with at least one specimen, sorted by material, surface and day.
    #[must_use]
    pub fn cells(&self) -> &[PlannedCell] {
        &self.cells
    }
    /// Specimens of a material on a surface, over all days.
    #[must_use]
    pub fn specimens(&self, material: &str, surface: &str) -> usize {
        let of = self.cells.iter().filter(|c| c.material == material && c.surface == surface);
        of.fold(0, |sum, c| sum.saturating_add(c.specimens))
    }
    /// All specimens.
    #[must_use]
    pub fn trials(&self) -> usize {
        self.cells.iter().fold(0, |sum, c| sum.saturating_add(c.specimens))
    }

    pub(crate) fn put_material(&mut self, name: String, durability_s: f64) {
        match self.materials.binary_search_by(|m| m.name.cmp(&name)) {
            Ok(i) => self.materials[i].durability_s = durability_s,
            Err(i) => self.materials.insert(i, PlannedMaterial { name, durability_s }),
        }
    }
    pub(crate) fn put_surface(&mut self, surface: PlannedSurface) {
        match self.surfaces.binary_search_by(|s| s.name.cmp(&surface.name)) {
            Ok(i) => self.surfaces[i] = surface,
            Err(i) => self.surfaces.insert(i, surface),
        }
    }
    pub(crate) fn put_cell(&mut self, cell: PlannedCell) {
        match (self.cells.binary_search_by(|c| c.key().cmp(&cell.key())), cell.specimens) {
            (Ok(i), 0) => drop(self.cells.remove(i)),
            (Ok(i), n) => self.cells[i].specimens = n,
            (Err(_), 0) => {}
            (Err(i), _) => self.cells.insert(i, cell),
        }
    }

    pub(crate) fn surface_position(&self, name: &str) -> Result<usize> {
        self.surfaces.binary_search_by(|s| s.name.as_str().cmp(name)).map_err(|_| {
            let known = self.surfaces.iter().map(|s| s.name.clone()).collect();
            ErrorKind::UnknownSurface { name: name.into(), known }.into()
        })
    }

    /// Scatter of the departures on a surface.
    pub(crate) fn departure(&self, surface: usize) -> f64 {
        self.surfaces[surface].departure_log_scatter.unwrap_or(self.departure_log_scatter)
    }

    /// Checks everything, and lays the specimens out over days.
    pub(crate) fn layout(&self) -> Result<Layout> {
        self.layout_with(&mut Known::new())
    }

    /// As [`layout`](Self::layout), with the information of cells that the same materials and surfaces had before.
    pub(crate) fn layout_with(&self, known: &mut Known) -> Result<Layout> {
        check_level(self.level)?;
        let positive = |option: &str, value: f64, what: &str| {
            if value > 0.0 && value.is_finite() { Ok(()) } else { Err(ErrorKind::option(option, value, what)) }
        };
        let not_negative = |option: &str, value: f64| {
            if value >= 0.0 && value.is_finite() {
                Ok(())
            } else {
                Err(ErrorKind::option(option, value, "a finite standard deviation of at least 0"))
            }
        };
        positive("log_scatter", self.log_scatter, "a positive, finite standard deviation of log time")?;
        not_negative("day_log_scatter", self.day_log_scatter)?;
        not_negative("departure_log_scatter", self.departure_log_scatter)?;
        not_negative("belt_log_scatter", self.belt_log_scatter)?;
        if self.belts == 0 || self.belts > MOST_TRIALS {
            return Err(ErrorKind::option("belts", self.belts, &format!("from 1 to {MOST_TRIALS}")));
        }
        if self.report_specimens == 0 {
            return Err(ErrorKind::option("report_specimens", 0, "at least 1"));
        }
        let trials = self.trials();
        if trials > MOST_TRIALS {
            return Err(ErrorKind::option("specimens", trials, &format!("at most {MOST_TRIALS} in all")));
        }
        for pair in self.materials.windows(2).map(|w| (&w[0].name, &w[1].name)) {
            sorted("materials", pair)?;
        }
        for pair in self.surfaces.windows(2).map(|w| (&w[0].name, &w[1].name)) {
            sorted("surfaces", pair)?;
        }
        if self.cells.windows(2).any(|w| w[0].key() >= w[1].key()) {
            return Err(ErrorKind::option(
                "cells",
                self.cells.len(),
                "cells sorted by material, surface and day, each once",
            ));
        }
        for m in &self.materials {
            let what = format!("a positive, finite median time in seconds for {:?}", m.name);
            positive("durability_s", m.durability_s, &what)?;
        }
        for s in &self.surfaces {
            positive("factor", s.factor, &format!("a positive, finite factor for surface {:?}", s.name))?;
            if let Some(t) = s.run_length_s {
                positive("run_length_s", t, &format!("a positive, finite run length in seconds on {:?}", s.name))?;
            }
            if let Some(scatter) = s.departure_log_scatter {
                not_negative("departure_log_scatter", scatter)?;
            }
            if s.days == 0 || s.days > MOST_TRIALS {
                let what = format!("at least one day on surface {:?}, and at most {MOST_TRIALS}", s.name);
                return Err(ErrorKind::option("days", s.days, &what));
            }
        }
        let reference = self.surface_position(&self.reference)?;
        let laboratory = self.laboratory.as_deref().map(|l| self.surface_position(l)).transpose()?;
        if (self.surfaces[reference].factor - 1.0).abs() > 1e-12 {
            let factor = self.surfaces[reference].factor;
            return Err(ErrorKind::option(
                "factor",
                factor,
                &format!("1 for the reference surface {:?}", self.reference),
            ));
        }
        self.lay_out(reference, laboratory, known)
    }

    fn lay_out(&self, reference: usize, laboratory: Option<usize>, known: &mut Known) -> Result<Layout> {
        let mut days: BTreeMap<String, usize> = BTreeMap::new();
        // Turn of each surface; cells come sorted by material, so the layout depends on names alone.
        let mut turn = vec![0_usize; self.surfaces.len()];
        let mut spread = vec![0_usize; self.surfaces.len()];
        let mut cells: BTreeMap<(usize, usize), BTreeMap<String, usize>> = BTreeMap::new();
        let labels: Vec<Vec<String>> = self.surfaces.iter().map(PlannedSurface::labels).collect();
        for cell in &self.cells {
            if cell.specimens == 0 {
                return Err(ErrorKind::option("specimens", 0, "cells with at least one specimen"));
            }
            let s = self.surface_position(&cell.surface)?;
            let m = self.materials.binary_search_by(|m| m.name.cmp(&cell.material)).map_err(|_| {
                let known = self.materials.iter().map(|m| m.name.clone()).collect();
                ErrorKind::UnknownMaterial { name: cell.material.clone(), known }
            })?;
            let on = cells.entry((m, s)).or_default();
            if let Some(day) = &cell.day {
                *on.entry(day.clone()).or_default() += cell.specimens;
                continue;
            }
            spread[s] += cell.specimens;
            let of = &labels[s];
            match self.day_spread {
                DaySpread::EvenWithinCells => {
                    let (each, rest) = (cell.specimens / of.len(), cell.specimens % of.len());
                    for (i, day) in of.iter().enumerate() {
                        let extra = usize::from((i + of.len() - turn[s] % of.len()) % of.len() < rest);
                        if each + extra > 0 {
                            *on.entry(day.clone()).or_default() += each + extra;
                        }
                    }
                    turn[s] += rest;
                }
                DaySpread::WholeCells => {
                    *on.entry(of[turn[s] % of.len()].clone()).or_default() += cell.specimens;
                    turn[s] += 1;
                }
            }
        }
        for (s, surface) in self.surfaces.iter().enumerate() {
            let most = if self.day_spread == DaySpread::WholeCells { turn[s] } else { spread[s] };
            if most > 0 && labels[s].len() > most {
                let what = format!("at most {most} days on surface {:?}: more would stay empty", surface.name);
                return Err(ErrorKind::option("days", labels[s].len(), &what));
            }
        }
        for on in cells.values() {
            for day in on.keys() {
                let next = days.len();
                days.entry(day.clone()).or_insert(next);
            }
        }
        // Numbered by name.
        for (i, number) in days.values_mut().enumerate() {
            *number = i;
        }
        let sigma = self.log_scatter;
        let cells: Vec<LaidCell> = cells
            .into_iter()
            .map(|((m, s), on)| {
                let location = libm::log(self.materials[m].durability_s / self.surfaces[s].factor)
                    - sigma * self.distribution.median();
                let end = self.surfaces[s].run_length_s.map(|t| (libm::log(t) - location) / sigma);
                let information =
                    *known.entry((m, s)).or_insert_with(|| Information::right_censored(self.distribution, end));
                LaidCell {
                    material: m,
                    surface: s,
                    location,
                    information,
                    days: on.into_iter().map(|(day, n)| (days[&day], n)).collect(),
                }
            })
            .collect();
        Ok(Layout { reference, laboratory, cells, days: days.into_keys().collect() })
    }

    /// Fails where no factor between parts of the plan could be had.
    pub(crate) fn check_joined(&self, layout: &Layout) -> Result<()> {
        if layout.cells.is_empty() {
            return Err(ErrorKind::NothingToFit { reason: "the plan has no specimens".into() }.into());
        }
        let links: Vec<Link> = layout
            .cells
            .iter()
            .filter(|c| c.tells())
            .map(|c| Link {
                material: c.material,
                surface: c.surface,
                kinds: Kinds { exact: c.specimens(), right: 0, left: 0 },
            })
            .collect();
        let materials: Vec<String> = self.materials.iter().map(|m| m.name.clone()).collect();
        let surfaces: Vec<String> = self.surfaces.iter().map(|s| s.name.clone()).collect();
        standings(&links, &materials, &surfaces, layout.reference).map(|_| ())
    }
}

/// More trials than this no campaign has.
pub(super) const MOST_TRIALS: usize = 1_000_000;

fn sorted(what: &str, (a, b): (&String, &String)) -> Result<()> {
    if a < b { Ok(()) } else { Err(ErrorKind::option(what, b, "names sorted, each once")) }
}

/// Information of a specimen by material and surface.
pub(crate) type Known = BTreeMap<(usize, usize), Information>;

/// A checked plan with its specimens laid out.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Layout {
    pub(crate) reference: usize,
    pub(crate) laboratory: Option<usize>,
    /// Sorted by material and surface.
    pub(crate) cells: Vec<LaidCell>,
    pub(crate) days: Vec<String>,
}

#[derive(Debug, Clone, PartialEq)]
pub(crate) struct LaidCell {
    pub(crate) material: usize,
    pub(crate) surface: usize,
    /// Log location of W's scale: log median less σ times the median of W.
    pub(crate) location: f64,
    pub(crate) information: Information,
    /// (day, specimens).
    pub(crate) days: Vec<(usize, usize)>,
}

impl LaidCell {
    pub(crate) fn specimens(&self) -> usize {
        self.days.iter().map(|d| d.1).sum()
    }
    /// Whether a perforation is to be expected at all within a million such cells.
    pub(crate) fn tells(&self) -> bool {
        count(self.specimens()) * self.information.location > 1e-6
    }
}
