//! Expected standard errors and intervals of a plan; what they are is in `precision.rs`.

use super::expected::Expected;
use super::plan::{LaidCell, Layout, Plan};
use super::power::tost_power;
use super::precision::{CorrectionPrecision, EquivalencePower, FactorPrecision, PlanNote, Precision};
use crate::correction::{Pieces, Predictive, Target};
use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, IntervalMethod};
use crate::numeric::count;
use crate::numeric::special::finite::{chi_squared_quantile, t_quantile};

/// A plan with its expected covariance.
pub(crate) struct Prepared<'a> {
    pub(crate) plan: &'a Plan,
    pub(crate) layout: Layout,
    pub(crate) expected: Expected,
}

impl<'a> Prepared<'a> {
    pub(crate) fn new(plan: &'a Plan) -> Result<Self> {
        let layout = plan.layout()?;
        plan.check_joined(&layout)?;
        let expected = Expected::new(plan, &layout, 0.0).ok_or_else(|| ErrorKind::NotEstimable {
            quantity: "the planned scale".into(),
            reason: "the expected information is singular: too few specimens would wear through".into(),
        })?;
        if expected.scatter_degrees_of_freedom < 1e-6 {
            return Err(ErrorKind::ScatterNotEstimable {
                reason: format!(
                    "{} planned specimens leave nothing over to estimate scatter from; repeat at least one cell",
                    plan.trials()
                ),
            }
            .into());
        }
        Ok(Self { plan, layout, expected })
    }

    fn cells_on(&self, surface: usize) -> impl Iterator<Item = &LaidCell> {
        self.layout.cells.iter().filter(move |c| c.surface == surface)
    }

    /// Whether the surface has a place on the planned scale.
    pub(crate) fn placed(&self, surface: usize) -> bool {
        surface == self.layout.reference || self.expected.column[surface].is_some()
    }

    pub(crate) fn factor(&self, surface: usize, relative_to: usize) -> Result<FactorPrecision> {
        let (a, b) = (&self.plan.surfaces[surface], &self.plan.surfaces[relative_to]);
        for s in [surface, relative_to] {
            if !self.placed(s) {
                return Err(ErrorKind::NotEstimable {
                    quantity: format!("the factor of {:?}", self.plan.surfaces[s].name),
                    reason: "nothing that could wear through is planned on it".into(),
                }
                .into());
            }
        }
        let contrast = self.expected.contrast(surface, relative_to);
        let log_standard_error = libm::sqrt(self.expected.variance(&contrast).max(0.0));
        let (degrees_of_freedom, _) = self.expected.degrees_of_freedom(&contrast);
        let mut days: Vec<usize> = self.cells_on(surface).flat_map(|c| c.days.iter().map(|d| d.0)).collect();
        days.sort_unstable();
        days.dedup();
        Ok(FactorPrecision {
            surface: a.name.clone(),
            relative_to: b.name.clone(),
            factor: self.interval(libm::log(a.factor / b.factor), log_standard_error, degrees_of_freedom)?,
            log_standard_error,
            degrees_of_freedom,
            specimens: self.cells_on(surface).map(LaidCell::specimens).sum(),
            days: days.len(),
            expected_run_outs: run_outs(self.cells_on(surface)),
        })
    }

    fn interval(&self, log: f64, se: f64, df: f64) -> Result<Interval> {
        let level = self.plan.level;
        let quantile = t_quantile(0.5 + level / 2.0, Some(df))
            .ok_or_else(|| ErrorKind::option("level", level, "a level with a finite t quantile"))?;
        Interval::from_log(log, se, quantile, level, IntervalMethod::StudentT)
    }

    /// Variance of each material's log ratio road / laboratory through its specimens, the part of it that moves with the
    /// common σ̂, and its days: what [`Equivalence`](crate::equivalence::Equivalence) works from.
    fn pairs(&self, laboratory: usize, road: usize) -> Vec<Pair> {
        let sigma = self.plan.log_scatter;
        let median = self.plan.distribution.median();
        let telling = || self.layout.cells.iter().filter(|c| c.tells());
        let information: f64 = telling()
            .map(|c| {
                let i = c.information;
                count(c.specimens()) * (i.scatter - i.joint * i.joint / i.location)
            })
            .sum();
        let se_log_sigma = libm::sqrt(1.0 / information);
        let of = |c: &LaidCell| {
            let i = c.information;
            let shared = sigma * (median - i.joint / i.location) * se_log_sigma;
            (sigma * sigma / (count(c.specimens()) * i.location), shared)
        };
        (0..self.plan.materials.len())
            .filter_map(|m| {
                let on = |s: usize| telling().find(|c| c.material == m && c.surface == s);
                let (lab, road) = (on(laboratory)?, on(road)?);
                let (x, y) = (of(lab), of(road));
                let mut days: Vec<(usize, f64)> = Vec::new();
                for (cell, sign) in [(road, 1.0), (lab, -1.0)] {
                    let n = count(cell.specimens());
                    days.extend(cell.days.iter().map(|&(d, k)| (d, sign * count(k) / n)));
                }
                Some(Pair { own: x.0 + y.0, shared: y.1 - x.1, days })
            })
            .collect()
    }

    /// `None` with fewer than two materials on both surfaces.
    pub(crate) fn correction(&self, laboratory: usize, road: usize) -> Result<Option<CorrectionPrecision>> {
        let plan = self.plan;
        let pairs = self.pairs(laboratory, road);
        let n = pairs.len();
        if n < 2 {
            return Ok(None);
        }
        let df = count(n - 1);
        let intrinsic = libm::hypot(plan.departure(laboratory), plan.departure(road));
        let weights: Vec<f64> =
            pairs.iter().map(|p| 1.0 / (p.own + p.shared * p.shared + intrinsic * intrinsic)).collect();
        let total: f64 = weights.iter().sum();
        // The mean moves with σ̂ as a whole; the rest is independent between materials.
        let (mut independent, mut shared) = (0.0, 0.0);
        let mut on_days = vec![0.0; self.layout.days.len()];
        for (w, p) in weights.iter().map(|w| w / total).zip(&pairs) {
            independent += w * w * (p.own + intrinsic * intrinsic);
            shared += w * p.shared;
            for &(d, share) in &p.days {
                on_days[d] += w * share;
            }
        }
        let tau2 = plan.day_log_scatter * plan.day_log_scatter;
        let of_days: f64 = tau2 * on_days.iter().map(|x| x * x).sum::<f64>();
        let of_belts = self.expected.belts.variance;
        let variance = independent + shared * shared + of_days + of_belts;
        let log_standard_error = libm::sqrt(variance);
        let log = libm::log(plan.surfaces[laboratory].factor / plan.surfaces[road].factor);
        // Typical variance of one pair (Higgins & Thompson 2002), as the random-effects mean has it.
        let at_zero: Vec<f64> = pairs.iter().map(|p| 1.0 / (p.own + p.shared * p.shared)).collect();
        let (sw, sw2) = (at_zero.iter().sum::<f64>(), at_zero.iter().map(|w| w * w).sum::<f64>());
        let typical = df / (sw - sw2 / sw);
        let sigma = plan.log_scatter;
        // A report's own specimens, complete and on the plan's distribution.
        let unit = super::information::Information::right_censored(plan.distribution, None);
        let location = 1.0 / (unit.location - unit.joint * unit.joint / unit.scatter);
        // The report has a day and a belt of its own, the further specimen a day.
        let own_belt = plan.belt_log_scatter * plan.belt_log_scatter;
        let pieces = |days: f64| Pieces {
            line: independent + shared * shared,
            observed: intrinsic * intrinsic + typical,
            pair: typical,
            df,
            report: sigma * sigma * location / count(plan.report_specimens),
            sigma,
            sigma_df: self.expected.scatter_degrees_of_freedom.max(1.0),
            shared: (of_days + of_belts + own_belt + days * tau2, f64::INFINITY),
        };
        let predict = |target: Target| -> Result<Interval> {
            let days = if target == Target::Specimen { 2.0 } else { 1.0 };
            let predictive = Predictive::new(log, pieces(days), target, plan.distribution);
            let at = |p: f64| {
                predictive.quantile(p).ok_or_else(|| ErrorKind::NotEstimable {
                    quantity: "the planned prediction".into(),
                    reason: "its limits leave the range of double precision".into(),
                })
            };
            let (low, middle, high) =
                (at(0.5 - plan.level / 2.0)?, predictive.middle().unwrap_or(log), at(0.5 + plan.level / 2.0)?);
            Interval::new(libm::exp(middle), libm::exp(low), libm::exp(high), plan.level, IntervalMethod::Prediction)
        };
        Ok(Some(CorrectionPrecision {
            surface: plan.surfaces[road].name.clone(),
            factor: self.interval(log, log_standard_error, df)?,
            log_standard_error,
            day_log_standard_error: libm::sqrt(of_days),
            degrees_of_freedom: df,
            materials: n,
            intrinsic_log_scatter: intrinsic,
            pair_log_variance: typical,
            report_specimens: plan.report_specimens,
            material: predict(Target::Material)?,
            specimen: predict(Target::Specimen)?,
        }))
    }

    fn notes(&self) -> Vec<PlanNote> {
        let plan = self.plan;
        let mut notes = Vec::new();
        for (s, surface) in plan.surfaces.iter().enumerate() {
            if !self.placed(s) {
                notes.push(PlanNote::NotPlanned { name: surface.name.clone() });
            }
        }
        for (m, material) in plan.materials.iter().enumerate() {
            if !self.layout.cells.iter().any(|c| c.material == m && c.tells()) {
                notes.push(PlanNote::NotPlanned { name: material.name.clone() });
            }
        }
        if plan.day_log_scatter > 0.0 {
            for (s, surface) in plan.surfaces.iter().enumerate() {
                let mut days: Vec<usize> = self.cells_on(s).flat_map(|c| c.days.iter().map(|d| d.0)).collect();
                days.sort_unstable();
                days.dedup();
                let shared =
                    |d: usize| self.layout.cells.iter().any(|c| c.surface != s && c.days.iter().any(|x| x.0 == d));
                if let [only] = days.as_slice()
                    && !shared(*only)
                {
                    notes.push(PlanNote::OneDay { surface: surface.name.clone() });
                }
            }
        }
        let known: Vec<_> = (0..plan.surfaces.len())
            .filter(|s| self.expected.column[*s].is_some())
            .map(|s| self.expected.degrees_of_freedom(&self.expected.log_factor(s)).1)
            .collect();
        if known.iter().any(|k| k.days) {
            notes.push(PlanNote::DaysSupposed);
        }
        if plan.belt_log_scatter > 0.0 && plan.belts == 1 && self.layout.laboratory.is_some() {
            notes.push(PlanNote::BeltsSupposed);
        }
        if known.iter().any(|k| k.departures) {
            notes.push(PlanNote::DeparturesSupposed);
        }
        for c in &self.layout.cells {
            if c.information.run_out > 0.5 {
                notes.push(PlanNote::MostlyRunOuts {
                    material: plan.materials[c.material].name.clone(),
                    surface: plan.surfaces[c.surface].name.clone(),
                    percent: percent(c.information.run_out),
                });
            }
        }
        notes
    }
}

#[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
pub(super) fn percent(p: f64) -> usize {
    // Between 0 and 100.
    (100.0 * p.clamp(0.0, 1.0)).round() as usize
}

fn run_outs<'a>(cells: impl Iterator<Item = &'a LaidCell>) -> f64 {
    cells.map(|c| count(c.specimens()) * c.information.run_out).sum()
}

struct Pair {
    own: f64,
    shared: f64,
    days: Vec<(usize, f64)>,
}

impl Plan {
    /// Expected standard errors and intervals, by formula.
    ///
    /// Factors: inverse of the expected (Fisher) information, exact for any run lengths where the plan has no random
    /// effects; generalised least squares with them. The interval is the one that
    /// [`Severity`](crate::severity::Severity) reports without random effects, and
    /// [`Severity`](crate::severity::Severity) with them. Corrections: as
    /// [`Correction`](crate::correction::Correction) derives them, with what days add, which it does not know of.
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
    /// // Four times the specimens, half the standard error.
    /// let error = |plan: &Plan| plan.precision()?.factor("belt").map(|row| row.log_standard_error());
    /// assert!((error(&plan)? / error(&plan.clone().specimens_per_cell(20))? - 2.0).abs() < 1e-6);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for an option outside its range; [`ErrorKind::UnknownSurface`] and
    /// [`ErrorKind::UnknownMaterial`] for a name that the plan does not hold; [`ErrorKind::NothingToFit`] without specimens;
    /// [`ErrorKind::Disconnected`], which names cells that would join the parts;
    /// [`ErrorKind::ScatterNotEstimable`] without a repeated cell; [`ErrorKind::NotEstimable`].
    ///
    /// # Accuracy
    /// Balanced designs without censoring: closed forms, 12 digits. Mean of simulated fits: `tests/planning/`.
    ///
    /// # Sources
    /// Efron & Johnstone, Ann. Statist. 18 (1990) 38 (information under censoring); Henderson, Ann. Math. Statist. 21 (1950)
    /// 309; Searle, Casella & McCulloch, Variance Components, 1992; Satterthwaite, Biometrics Bull. 2 (1946) 110.
    pub fn precision(&self) -> Result<Precision> {
        let prepared = Prepared::new(self)?;
        let layout = &prepared.layout;
        let factors = (0..self.surfaces.len())
            .filter(|&s| s != layout.reference && prepared.placed(s))
            .map(|s| prepared.factor(s, layout.reference))
            .collect::<Result<Vec<_>>>()?;
        let mut corrections = Vec::new();
        if let Some(laboratory) = layout.laboratory {
            for road in (0..self.surfaces.len()).filter(|s| *s != laboratory) {
                corrections.extend(prepared.correction(laboratory, road)?);
            }
        }
        let df = prepared.expected.scatter_degrees_of_freedom;
        let chi = |p: f64| {
            chi_squared_quantile(p, df)
                .filter(|q| *q > 0.0)
                .ok_or_else(|| ErrorKind::option("level", self.level, "a level with a finite chi-squared quantile"))
        };
        let (low, high) = (chi(0.5 + self.level / 2.0)?, chi(0.5 - self.level / 2.0)?);
        let limits = (self.log_scatter * libm::sqrt(df / low), self.log_scatter * libm::sqrt(df / high));
        let log_scatter = Interval::new(
            self.log_scatter,
            limits.0.min(self.log_scatter),
            limits.1.max(self.log_scatter),
            self.level,
            IntervalMethod::ChiSquared,
        )?;
        Ok(Precision {
            reference: self.reference.clone(),
            factors,
            corrections,
            trials: self.trials(),
            expected_run_outs: run_outs(layout.cells.iter()),
            scatter_degrees_of_freedom: df,
            log_scatter,
            notes: prepared.notes(),
        })
    }

    /// What is expected of the factor of `surface` relative to any other, from the same covariance.
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
    /// let (there, back) = (plan.factor_between("belt", "road")?, plan.factor_between("road", "belt")?);
    /// assert!((there.log_standard_error() - back.log_standard_error()).abs() < 1e-9);
    /// assert!((there.factor().estimate() * back.factor().estimate() - 1.0).abs() < 1e-9);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`precision`](Self::precision).
    pub fn factor_between(&self, surface: &str, relative_to: &str) -> Result<FactorPrecision> {
        let prepared = Prepared::new(self)?;
        prepared.factor(self.surface_position(surface)?, self.surface_position(relative_to)?)
    }

    /// Power of the two one-sided tests of k_laboratory / k_road against `bounds`, each at level `alpha`, for every road on
    /// the scale, by formula ([`tost_power`]) at the supposed ratios and the expected standard errors.
    ///
    /// ```
    /// use surface_severity::planning::{Plan, PlannedSurface};
    /// let plan = Plan::new("road", 0.18)
    ///     .surface(PlannedSurface::new("road", 1.0))
    ///     .surface(PlannedSurface::new("belt", 1.05))
    ///     .laboratory("belt")
    ///     .material("cowhide", 12.0)
    ///     .material("aramid denim", 3.5);
    /// let few = plan.clone().specimens_per_cell(4).equivalence_power((0.80, 1.25), 0.05)?;
    /// let many = plan.specimens_per_cell(12).equivalence_power((0.80, 1.25), 0.05)?;
    /// assert!(few[0].tested_materials() < 0.5 && many[0].tested_materials() > 0.8);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`precision`](Self::precision), and [`ErrorKind::InvalidOption`] without a laboratory surface or for bounds that do
    /// not enclose 1.
    pub fn equivalence_power(&self, bounds: (f64, f64), alpha: f64) -> Result<Vec<EquivalencePower>> {
        let prepared = Prepared::new(self)?;
        let Some(laboratory) = prepared.layout.laboratory else {
            return Err(ErrorKind::option("laboratory", "none", "the laboratory surface of the plan"));
        };
        (0..self.surfaces.len())
            .filter(|&s| s != laboratory && prepared.placed(s))
            .map(|road| prepared.power(laboratory, road, bounds, alpha))
            .collect()
    }
}

impl Prepared<'_> {
    pub(crate) fn power(
        &self,
        laboratory: usize,
        road: usize,
        bounds: (f64, f64),
        alpha: f64,
    ) -> Result<EquivalencePower> {
        let factor = self.factor(laboratory, road)?;
        let ratio = factor.factor.estimate();
        let log = libm::log(ratio);
        let further = match self.correction(laboratory, road)? {
            Some(c) => tost_power(log, c.log_standard_error, Some(c.degrees_of_freedom), bounds, alpha)?,
            None => 0.0,
        };
        let tested = tost_power(log, factor.log_standard_error, Some(factor.degrees_of_freedom), bounds, alpha)?;
        Ok(EquivalencePower {
            surface: self.plan.surfaces[road].name.clone(),
            ratio,
            lower_bound: bounds.0,
            upper_bound: bounds.1,
            alpha,
            tested_materials: tested,
            further_materials: further,
        })
    }
}
