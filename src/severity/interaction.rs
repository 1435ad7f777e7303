//! Does one factor serve all? Additive model against cells, and a factor of its own for each class.
//!
//! The additive model gives a surface one factor for all materials. Two alternatives are fitted:
//! every cell its own location ([`Additivity`](super::Additivity)), and every class its own factor on every surface
//! ([`ClassFactors`]). Nested models are compared by the F test where nothing is censored
//! (log-normal), by the likelihood ratio otherwise.
//!
//! # The departure of a class
//! `ratio = k(common) / k(class)`: above 1 the class lasts longer on this surface, relative to the
//! reference surface, than the common factor says. Its variance is
//! `Var(log k class) − Var(log k common)`, both with the scatter of the class model: for nested least
//! squares the restricted estimate is uncorrelated with the difference, so this is exact there, and
//! asymptotic under censoring (Hausman, Econometrica 46 (1978) 1251). p-values are adjusted over all
//! classes and surfaces by Holm's method (Scand. J. Statist. 6 (1979) 65).

use serde::{Deserialize, Serialize};

use crate::campaign::Campaign;
use crate::document::present;
use crate::error::{ErrorKind, Result};
use crate::estimate::{Estimate, Interval, IntervalMethod, significant};
use crate::holm;
use crate::numeric::special::t_survival;

use super::additivity::{Comparison, compare};
use super::cells::{Block, Crossed};
use super::identify::{Link, Standing, standings};
use super::plan::Severity;
use super::prepare::Prepared;
use super::scale::{Combination, Scale};

/// One class on one surface.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::severity::ClassFactors;
/// let classes = ClassFactors::fit(&plan, &campaign)?;
/// let row = classes.rows.iter().find(|r| r.class.starts_with("multi") && r.surface == "polished fine asphalt").unwrap();
/// // Lined textiles heat up on the polished road of this invented campaign: they last less long than the common factor says.
/// assert!(row.ratio_to_common.interval().unwrap().upper() < 1.0);
/// assert!(row.adjusted_p_value.unwrap() < 0.05 && row.adjusted_p_value >= row.p_value);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct ClassFactor {
    /// Class.
    pub class: String,
    /// Surface.
    pub surface: String,
    /// Its own factor relative to the reference, or why it has none.
    pub factor: Estimate,
    /// k(common)/k(class): how many times longer than the common factor says.
    pub ratio_to_common: Estimate,
    /// Two-sided p-value of "the ratio is 1".
    #[serde(deserialize_with = "present")]
    pub p_value: Option<f64>,
    /// The same, adjusted over all classes and surfaces (Holm).
    #[serde(deserialize_with = "present")]
    pub adjusted_p_value: Option<f64>,
    /// Trials of the class on the surface.
    pub trials: usize,
    /// Materials of the class on the surface.
    pub materials: usize,
}

/// A factor of its own for every class on every surface.
///
/// ```
/// use surface_severity::campaign::Campaign;
/// use surface_severity::severity::{ClassFactors, Severity};
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let classes = ClassFactors::fit(&Severity::new("dense asphalt concrete"), &campaign)?;
/// assert_eq!(classes.rows.len(), 4 * 6, "four classes on six surfaces beside the reference");
/// assert!(classes.comparison.p_value < 0.05, "one factor does not serve all classes");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct ClassFactors {
    /// Confidence level of intervals and statements.
    pub level: f64,
    /// One common factor per surface against one per class and surface.
    pub comparison: Comparison,
    /// One row per class and surface other than the reference, sorted by class, then surface.
    pub rows: Vec<ClassFactor>,
}

const NO_CLASS: &str = "(no class given)";

impl ClassFactors {
    /// Fits the common and the class factors of `plan` to `campaign`.
    ///
    /// Materials without a class form a class of their own, named so.
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
    /// use surface_severity::severity::{ClassFactors, Severity};
    /// let classes = ClassFactors::fit(&Severity::new("asphalt"), &campaign)?;
    /// // Leather lasts e^0.2 longer on the belt than factor 2 says, the mean of e^0.3 and e^0.1.
    /// assert_eq!(classes.rows[0].class, "leather");
    /// assert!((classes.rows[0].factor.value().unwrap() - 2.0 / 0.2_f64.exp()).abs() < 1e-9);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of the severity fit; [`ErrorKind::TooFew`] with fewer than two classes that have a
    /// factor.
    pub fn fit(plan: &Severity, campaign: &Campaign) -> Result<Self> {
        let prepared = Prepared::new(plan, campaign)?;
        let (common_design, _) = prepared.numbering.crossed(&prepared.cells);
        let distribution = plan.chosen_distribution();
        let common = Scale::fit(&common_design, distribution, "the common fit")?;
        let class_of: Vec<&str> = campaign.materials().iter().map(|m| m.class.as_deref().unwrap_or(NO_CLASS)).collect();
        let mut classes: Vec<&str> = class_of.clone();
        classes.sort_unstable();
        classes.dedup();
        let surfaces: Vec<String> = campaign.surfaces().iter().map(|s| s.name.clone()).collect();
        let materials: Vec<String> = campaign.materials().iter().map(|m| m.name.clone()).collect();

        // What each class can say for itself, alone.
        let mut standing = Vec::with_capacity(classes.len());
        for class in &classes {
            let links: Vec<Link> = prepared
                .cells
                .with_kinds()
                .filter(|(c, _)| class_of[c.material] == *class && prepared.numbering.group[c.material].is_some())
                .map(|(c, kinds)| Link { material: c.material, surface: c.surface, kinds })
                .collect();
            standing.push(class_standings(&links, &materials, &surfaces, prepared.reference));
        }
        let mut column = vec![vec![None; surfaces.len()]; classes.len()];
        let mut group = vec![None; materials.len()];
        let mut design = Crossed::new(0, 0);
        for cell in &prepared.cells.cells {
            let Some(class) = classes.iter().position(|c| *c == class_of[cell.material]) else { continue };
            let Ok(standing) = &standing[class] else { continue };
            if standing.materials[cell.material] != Standing::Finite
                || standing.surfaces[cell.surface] != Standing::Finite
            {
                continue;
            }
            let g = *group[cell.material].get_or_insert_with(|| {
                design.groups += 1;
                design.groups - 1
            });
            let c = (cell.surface != prepared.reference).then(|| {
                *column[class][cell.surface].get_or_insert_with(|| {
                    design.columns += 1;
                    design.columns - 1
                })
            });
            design.push(&prepared.cells, cell, g, c);
        }
        let with_factor = column.iter().filter(|row| row.iter().any(Option::is_some)).count();
        if with_factor < 2 {
            return Err(ErrorKind::TooFew {
                method: "a comparison of class factors".into(),
                what: "classes tried on the reference and on another surface".into(),
                needed: 2,
                found: with_factor,
            }
            .into());
        }
        let own = Scale::fit(&design, distribution, "the fit of class factors")?;
        // The same trials under the common model: a class that stands alone drops out of both.
        let comparable = common_part(&design, &column);
        let restricted = Scale::fit(&comparable, distribution, "the common fit")?;
        let extra = design.columns.saturating_sub(comparable.columns);
        let comparison = compare(&restricted, &own, design.times.len(), extra.max(1), 0);

        let quantile = own.small_sample.multiplier(plan.confidence_level());
        let method = IntervalMethod::StudentT;
        let scatter = own.sigma / common.sigma;
        let mut rows = Vec::new();
        for (i, class) in classes.iter().enumerate() {
            for (s, surface) in surfaces.iter().enumerate() {
                if s == prepared.reference {
                    continue;
                }
                let cells = prepared.cells.cells.iter().filter(|c| c.surface == s && class_of[c.material] == *class);
                let (trials, tried) = cells.fold((0, 0), |(t, m), c| (t + c.len(), m + 1));
                let mut row = ClassFactor {
                    class: (*class).to_owned(),
                    surface: surface.clone(),
                    factor: Estimate::not_estimable(why_not(&standing[i], s, trials)),
                    ratio_to_common: Estimate::not_estimable("the class has no factor of its own here"),
                    p_value: None,
                    adjusted_p_value: None,
                    trials,
                    materials: tried,
                };
                if let Some(c) = column[i][s] {
                    let variance = own.variance(&Combination { locations: vec![], border: vec![(c, 1.0)] });
                    let level = plan.confidence_level();
                    row.factor = Interval::from_log(own.log_k[c], variance.sqrt(), quantile, level, method)?.into();
                    if let Some(k) = prepared.numbering.column[s] {
                        let shared = common.variance(&Combination { locations: vec![], border: vec![(k, 1.0)] });
                        let difference = common.log_k[k] - own.log_k[c];
                        let spare = variance - shared * scatter * scatter;
                        // A class that alone carries the surface is the common factor: no departure to test.
                        if spare > 1e-9 * variance {
                            let se = spare.sqrt();
                            row.ratio_to_common = Interval::from_log(difference, se, quantile, level, method)?.into();
                            let t = (difference / se).abs() / own.small_sample.factor;
                            row.p_value = Some((2.0 * t_survival(t, own.small_sample.degrees_of_freedom)).min(1.0));
                        } else {
                            let why = if tried_by_others(&prepared, &class_of, class, s) {
                                "its factor and the common one rest on almost the same trials"
                            } else {
                                "this class alone determines the common factor here"
                            };
                            row.ratio_to_common = Estimate::not_estimable(why);
                        }
                    }
                }
                rows.push(row);
            }
        }
        let tested: Vec<usize> = (0..rows.len()).filter(|&i| rows[i].p_value.is_some()).collect();
        let p_values: Vec<f64> = tested.iter().filter_map(|&i| rows[i].p_value).collect();
        for (i, adjusted) in tested.into_iter().zip(holm(&p_values)) {
            rows[i].adjusted_p_value = Some(adjusted);
        }
        Ok(Self { level: plan.confidence_level(), comparison, rows })
    }

    /// Plain sentences: whether the classes differ at all, then one for each departure that remains
    /// after adjustment at `1 − level`.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::severity::ClassFactors;
    /// let statements = ClassFactors::fit(&plan, &campaign)?.statements();
    /// assert!(statements.iter().any(|s| s.contains("multi-layer lined textile") && s.contains("polished fine asphalt")));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn statements(&self) -> Vec<String> {
        let alpha = 1.0 - self.level;
        let p = significant(self.comparison.p_value, 2);
        let differ = self.comparison.p_value <= alpha;
        let mut lines = vec![if differ {
            format!("One common factor per surface does not describe all classes (p = {p}).")
        } else {
            format!(
                "The classes differ by no more than chance explains (p = {p}); that is no proof that one factor \
                 serves all."
            )
        }];
        let singled_out = self.rows.iter().filter(|row| row.adjusted_p_value.is_some_and(|p| p <= alpha));
        lines.extend(singled_out.filter_map(|row| {
            let ratio = row.ratio_to_common.interval()?;
            Some(format!(
                "On {}, {} lasts {} times ({} to {}) as long as the common factor says (adjusted p = {}).",
                row.surface,
                row.class,
                significant(ratio.estimate(), 2),
                significant(ratio.lower(), 2),
                significant(ratio.upper(), 2),
                significant(row.adjusted_p_value?, 2)
            ))
        }));
        if lines.len() > 1 {
            lines.push(
                "The common factor mixes all classes by their trials: one class that departs pulls it, and others \
                 then seem to depart the other way. Compare the factors of the classes themselves."
                    .into(),
            );
        }
        if differ && lines.len() == 1 {
            lines.push(
                "No single class stands out on a single surface after adjustment for the number looked at.".into(),
            );
        }
        lines
    }
}

fn tried_by_others(prepared: &Prepared, class_of: &[&str], class: &str, surface: usize) -> bool {
    prepared.cells.cells.iter().any(|c| c.surface == surface && class_of[c.material] != class)
}

type ClassStanding = std::result::Result<super::identify::Standings, String>;

/// Standings of one class by itself. Materials that the class's own trials do not join to the
/// reference are left loose rather than refused: another class may be fine.
fn class_standings(links: &[Link], materials: &[String], surfaces: &[String], reference: usize) -> ClassStanding {
    if !links.iter().any(|l| l.surface == reference) {
        return Err("no material of the class was tried on the reference surface".into());
    }
    // Keep what hangs together with the reference.
    let mut part = vec![false; materials.len()];
    let mut on = vec![false; surfaces.len()];
    on[reference] = true;
    loop {
        let mut grew = false;
        for link in links {
            if on[link.surface] != part[link.material] {
                on[link.surface] = true;
                part[link.material] = true;
                grew = true;
            }
        }
        if !grew {
            break;
        }
    }
    let joined: Vec<Link> = links.iter().copied().filter(|l| part[l.material]).collect();
    standings(&joined, materials, surfaces, reference).map_err(|e| e.to_string())
}

fn why_not(standing: &ClassStanding, surface: usize, trials: usize) -> String {
    match standing {
        _ if trials == 0 => "no trial of the class on this surface".into(),
        Err(reason) => reason.clone(),
        Ok(s) if s.surfaces[surface] == Standing::Untested => {
            "no material of the class joins this surface to the reference".into()
        }
        Ok(_) => "the trials of the class on this surface are all censored to one side".into(),
    }
}

/// The design of the class fit with its columns merged over classes.
fn common_part(design: &Crossed, column: &[Vec<Option<usize>>]) -> Crossed {
    let surface_of = |c: usize| column.iter().find_map(|row| row.iter().position(|x| *x == Some(c)));
    let mut merged: Vec<usize> = Vec::new();
    let mut numbered = |c: usize| {
        let surface = surface_of(c).unwrap_or(usize::MAX);
        merged.iter().position(|s| *s == surface).unwrap_or_else(|| {
            merged.push(surface);
            merged.len() - 1
        })
    };
    let blocks = design.blocks.iter().map(|b| Block { column: b.column.map(&mut numbered), ..*b }).collect();
    Crossed { blocks, columns: merged.len(), ..design.clone() }
}
