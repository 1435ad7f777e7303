//! Factors of classes and materials, shrunk towards the common one.

use serde::{Deserialize, Serialize};

use crate::estimate::Estimate;

use super::cells::Crossed;
use super::fit::SeverityFit;
use super::newton::LogTime;
use super::plan::Grouping;

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
/// use surface_severity::severity::{Grouping, Severity};
/// let fit = Severity::new("asphalt").random(Grouping::MaterialBySurface).fit(&campaign)?;
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
impl SeverityFit {
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
    /// use surface_severity::severity::{Grouping, Severity};
    /// let fit = Severity::new("asphalt").random(Grouping::MaterialBySurface).fit(&campaign)?;
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
    /// use surface_severity::severity::{Grouping, Severity};
    /// let fit = Severity::new("asphalt").random(Grouping::MaterialBySurface).fit(&campaign)?;
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
        let at = |grouping| self.groupings.iter().position(|g| *g == grouping);
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
                                None if self.groupings[j] == Grouping::ClassBySurface => {
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
}
