//! The plan run many times over, with the fits that a real campaign gets.

use std::ops::ControlFlow;

use serde::{Deserialize, Serialize};

use crate::bootstrap::{MOST_REPLICATES, Observer};
use crate::campaign::{Campaign, SurfaceRole, Trial};
use crate::equivalence::{Equivalence, EquivalenceFit, Tost};
use crate::error::{ErrorKind, Result};
use crate::numeric::count;
use crate::numeric::stream::{stream, unit};
use crate::record::{all_at_least_zero, all_finite, record};
use crate::severity::{Distribution, Severity};

use super::plan::{Layout, Plan};

/// A simulation of a plan: plain data, checked in [`run`](Self::run).
///
/// | option | default | range | meaning |
/// |---|---|---|---|
/// | replicates | required | ≥ 1 | campaigns drawn |
/// | seed | 1 | any | with the replicate's number, all that chance depends on |
/// | lower bound, upper bound | 0.80, 1.25 | below 1, above 1 | bounds of equivalence |
/// | alpha | 0.05 | (0, 0.5) | level of each one-sided test |
///
/// Every campaign is drawn from the plan's model, its runs ended, and goes through
/// [`Severity`] and [`Equivalence`]. Those know nothing of days: where the plan has some, the answer shows what
/// leaving them out costs.
///
/// ```
/// use surface_severity::planning::{Plan, PlannedSurface, Simulation};
/// let plan = Plan::new("road", 0.2)
///     .surface(PlannedSurface::new("road", 1.0))
///     .surface(PlannedSurface::new("belt", 2.5))
///     .material("cowhide", 12.0)
///     .material("aramid denim", 3.5)
///     .specimens_per_cell(6);
/// let simulated = Simulation::new(200).seed(1).run(&plan)?;
/// let row = &simulated.factors()[0];
/// let expected = plan.precision()?.factor("belt")?.log_standard_error();
/// assert!((row.log_standard_deviation() / expected - 1.0).abs() < 0.2);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Simulation {
    replicates: usize,
    #[serde(default = "one")]
    seed: u64,
    #[serde(default = "lower")]
    lower_bound: f64,
    #[serde(default = "upper")]
    upper_bound: f64,
    #[serde(default = "alpha")]
    alpha: f64,
}

fn one() -> u64 {
    1
}

fn lower() -> f64 {
    0.80
}

fn upper() -> f64 {
    1.25
}

fn alpha() -> f64 {
    0.05
}

record! {
    /// How the factor of one surface came out over the replicates.
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
    /// use surface_severity::planning::Simulation;
    /// let simulated = Simulation::new(200).run(&plan)?;
    /// let belt = &simulated.factors()[0];
    /// // Unbiased, and the intervals hold what they say.
    /// assert!(belt.log_bias().abs() < 0.02 && belt.coverage() > 0.88);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct SimulatedFactor as RawSimulatedFactor {
        /// The surface, relative to the reference.
        borrow surface: String => str,
        /// Replicates in which it had an estimate.
        copy estimates: usize,
        /// Mean of log k̂ − log k.
        copy log_bias: f64,
        /// Standard deviation of log k̂.
        copy log_standard_deviation: f64,
        /// Root mean square of the standard errors that the intervals are made of.
        copy log_standard_error: f64,
        /// Share of the intervals that hold k.
        copy coverage: f64,
        /// Median of upper limit / lower limit.
        copy width_ratio: f64,
    }
}

impl SimulatedFactor {
    fn check(&self) -> std::result::Result<(), String> {
        all_finite(&[("log_bias", self.log_bias)])?;
        all_at_least_zero(&[
            ("log_standard_deviation", self.log_standard_deviation),
            ("log_standard_error", self.log_standard_error),
            ("coverage", self.coverage),
            ("width_ratio", self.width_ratio),
        ])
    }
}

record! {
    /// How the comparison of the belt with one road came out over the replicates.
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
    /// use surface_severity::planning::Simulation;
    /// let simulated = Simulation::new(100).run(&plan)?;
    /// let road = &simulated.equivalence()[0];
    /// assert_eq!((road.surface(), road.tested_materials()), ("road", 0.0), "a factor of 2.5 is never shown equivalent to 1");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct SimulatedEquivalence as RawSimulatedEquivalence {
        /// The road surface.
        borrow surface: String => str,
        /// Replicates with a correction.
        copy estimates: usize,
        /// Mean of log ĉ − log c.
        copy log_bias: f64,
        /// Standard deviation of log ĉ.
        copy log_standard_deviation: f64,
        /// Root mean square of its standard errors.
        copy log_standard_error: f64,
        /// Share of the intervals of c that hold it.
        copy coverage: f64,
        /// Share of all replicates in which the belt is shown equivalent for the materials tested.
        copy tested_materials: f64,
        /// The same for further materials.
        copy further_materials: f64,
        /// Monte Carlo standard error of the two shares, the larger.
        copy monte_carlo_error: f64,
    }
}

impl SimulatedEquivalence {
    fn check(&self) -> std::result::Result<(), String> {
        all_finite(&[("log_bias", self.log_bias)])?;
        all_at_least_zero(&[
            ("log_standard_deviation", self.log_standard_deviation),
            ("log_standard_error", self.log_standard_error),
            ("coverage", self.coverage),
            ("tested_materials", self.tested_materials),
            ("further_materials", self.further_materials),
            ("monte_carlo_error", self.monte_carlo_error),
        ])
    }
}

record! {
    /// Result of [`Simulation::run`].
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
    /// use surface_severity::planning::Simulation;
    /// let simulated = Simulation::new(100).seed(3).run(&plan)?;
    /// assert_eq!((simulated.replicates(), simulated.failures().len(), simulated.run_outs()), (100, 0, 0.0));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct Simulated as RawSimulated {
        /// The simulation.
        borrow options: Simulation => Simulation,
        /// Replicates done; fewer than asked for where an observer stopped it.
        copy replicates: usize,
        /// Replicates in which the scale could not be fitted, by reason.
        borrow failures: Vec<(String, usize)> => [(String, usize)],
        /// Mean number of run-outs in a campaign.
        copy run_outs: f64,
        /// One row per surface but the reference, sorted by name.
        borrow factors: Vec<SimulatedFactor> => [SimulatedFactor],
        /// One row per road; empty without a laboratory.
        borrow equivalence: Vec<SimulatedEquivalence> => [SimulatedEquivalence],
    }
}

impl Simulated {
    fn check(&self) -> std::result::Result<(), String> {
        all_at_least_zero(&[("run_outs", self.run_outs)])
    }
}

/// What one replicate gave.
struct Replicate {
    run_outs: usize,
    /// Per surface: log k̂, standard error, whether the interval holds k, width ratio.
    factors: Vec<Option<(f64, f64, bool, f64)>>,
    /// Per surface: ĉ likewise, and the two tests.
    roads: Vec<Road>,
}

#[derive(Default)]
struct Road {
    correction: Option<(f64, f64, bool)>,
    tested: bool,
    further: bool,
}

const WAVE: usize = 256;

impl Simulation {
    /// A simulation of so many campaigns.
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
    /// use surface_severity::planning::Simulation;
    /// assert!(Simulation::new(50).run(&plan).is_ok() && Simulation::new(0).run(&plan).is_err());
    /// ```
    #[must_use]
    pub fn new(replicates: usize) -> Self {
        Self { replicates, seed: one(), lower_bound: lower(), upper_bound: upper(), alpha: alpha() }
    }
    /// Sets the seed.
    #[must_use]
    pub fn seed(mut self, seed: u64) -> Self {
        self.seed = seed;
        self
    }
    /// Sets the bounds of equivalence.
    #[must_use]
    pub fn bounds(mut self, lower: f64, upper: f64) -> Self {
        (self.lower_bound, self.upper_bound) = (lower, upper);
        self
    }
    /// Sets the level of each one-sided test.
    #[must_use]
    pub fn alpha(mut self, alpha: f64) -> Self {
        self.alpha = alpha;
        self
    }

    /// Draws and fits the campaigns: the same bits on any number of threads.
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
    /// use surface_severity::planning::Simulation;
    /// // The same seed, the same campaigns.
    /// assert_eq!(Simulation::new(50).seed(1).run(&plan)?, Simulation::new(50).seed(1).run(&plan)?);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`Plan::precision`]; [`ErrorKind::InvalidOption`] for an option outside its range;
    /// [`ErrorKind::ReplicatesFailed`] where no replicate could be fitted.
    pub fn run(&self, plan: &Plan) -> Result<Simulated> {
        self.run_with(plan, &mut ())
    }

    /// As [`run`](Self::run), watched: the observer is called between blocks of replicates, and may stop it.
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
    /// use std::ops::ControlFlow;
    /// use surface_severity::planning::Simulation;
    /// let mut seen = Vec::new();
    /// let mut watch = |done: usize, total: usize| { seen.push((done, total)); ControlFlow::Continue(()) };
    /// Simulation::new(100).run_with(&plan, &mut watch)?;
    /// assert_eq!(seen.last(), Some(&(100, 100)));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`run`](Self::run).
    pub fn run_with(&self, plan: &Plan, observer: &mut impl Observer) -> Result<Simulated> {
        if !(1..=MOST_REPLICATES).contains(&self.replicates) {
            return Err(ErrorKind::option("replicates", self.replicates, &format!("from 1 to {MOST_REPLICATES}")));
        }
        crate::equivalence::tost(0.0, 1.0, None, (self.lower_bound, self.upper_bound), self.alpha).map(|_: Tost| ())?;
        let layout = plan.layout()?;
        plan.check_joined(&layout)?;
        let mut done = Vec::with_capacity(self.replicates);
        while done.len() < self.replicates {
            let range = done.len()..(done.len() + WAVE).min(self.replicates);
            let one = |r: usize| self.replicate(plan, &layout, r);
            #[cfg(feature = "parallel")]
            let wave: Vec<_> = {
                use rayon::prelude::*;
                range.into_par_iter().map(one).collect()
            };
            #[cfg(not(feature = "parallel"))]
            let wave: Vec<_> = range.map(one).collect();
            done.extend(wave);
            if observer.progress(done.len(), self.replicates) == ControlFlow::Break(()) {
                break;
            }
        }
        self.summary(plan, &layout, done)
    }

    fn replicate(&self, plan: &Plan, layout: &Layout, r: usize) -> std::result::Result<Replicate, String> {
        let campaign = plan.draw(layout, self.seed, r as u64).map_err(|e| e.to_string())?;
        let severity = Severity::new(&plan.reference).distribution(plan.distribution).level(plan.level);
        // What the plan says is shared is fitted; without it the expected precision is that of independent trials.
        let shared = plan.day_log_scatter + plan.departure_log_scatter + plan.belt_log_scatter;
        let severity = if shared == 0.0 { severity.independent() } else { severity };
        let fit = severity.fit(&campaign).map_err(|e| reason(e.kind()))?;
        let factors = plan
            .surfaces
            .iter()
            .map(|s| {
                let log = fit.log_factor_between(&s.name, &plan.reference).ok()?;
                let interval = fit.factor(&s.name).ok()?;
                let se = log.standard_error * fit.small_sample_factor();
                Some((log.estimate, se, interval.contains(s.factor), interval.upper() / interval.lower()))
            })
            .collect();
        let mut roads: Vec<Road> = plan.surfaces.iter().map(|_| Road::default()).collect();
        if let Some(laboratory) = layout.laboratory {
            let lab = &plan.surfaces[laboratory];
            let equivalence = Equivalence::new(&lab.name)
                .bounds(self.lower_bound, self.upper_bound)
                .alpha(self.alpha)
                .minimum_pairs(2)
                .fit(&campaign, &fit);
            for row in equivalence.iter().flat_map(EquivalenceFit::surfaces) {
                let Ok(s) = plan.surface_position(row.surface()) else { continue };
                roads[s] = Road {
                    correction: row.constant_ratio().fitted().map(|c| {
                        let truth = lab.factor / plan.surfaces[s].factor;
                        (c.log_ratio(), c.log_standard_error(), c.ratio().contains(truth))
                    }),
                    tested: row.test().fitted().is_some_and(Tost::equivalent),
                    further: row.test().fitted().is_some_and(Tost::equivalent),
                };
            }
        }
        let run_outs = campaign.trials().iter().filter(|t| t.outcome == crate::campaign::Outcome::RunOut).count();
        Ok(Replicate { run_outs, factors, roads })
    }

    fn summary(
        &self,
        plan: &Plan,
        layout: &Layout,
        done: Vec<std::result::Result<Replicate, String>>,
    ) -> Result<Simulated> {
        let replicates = done.len();
        let mut failures: std::collections::BTreeMap<String, usize> = std::collections::BTreeMap::new();
        let mut good = Vec::with_capacity(replicates);
        for result in done {
            match result {
                Ok(replicate) => good.push(replicate),
                Err(reason) => *failures.entry(reason).or_default() += 1,
            }
        }
        let failures: Vec<(String, usize)> = failures.into_iter().collect();
        if good.is_empty() {
            let by_reason = failures;
            return Err(ErrorKind::ReplicatesFailed {
                failed: replicates,
                replicates,
                allowed: replicates - 1,
                by_reason,
            }
            .into());
        }
        let mut factors = Vec::new();
        let mut equivalence = Vec::new();
        for (s, surface) in plan.surfaces.iter().enumerate() {
            let rows: Vec<_> = good.iter().filter_map(|r| r.factors[s]).collect();
            if s != layout.reference && !rows.is_empty() {
                let truth = libm::log(surface.factor);
                let mut widths: Vec<f64> = rows.iter().map(|r| r.3).collect();
                widths.sort_by(f64::total_cmp);
                let (log_bias, log_standard_deviation) = moments(rows.iter().map(|r| r.0 - truth));
                factors.push(SimulatedFactor {
                    surface: surface.name.clone(),
                    estimates: rows.len(),
                    log_bias,
                    log_standard_deviation,
                    log_standard_error: root_mean_square(rows.iter().map(|r| r.1)),
                    coverage: share(rows.iter().map(|r| r.2)),
                    width_ratio: widths[widths.len() / 2],
                });
            }
            let Some(laboratory) = layout.laboratory.filter(|l| *l != s) else { continue };
            let rows: Vec<_> = good.iter().filter_map(|r| r.roads[s].correction).collect();
            if rows.is_empty() {
                continue;
            }
            let truth = libm::log(plan.surfaces[laboratory].factor / surface.factor);
            let (log_bias, log_standard_deviation) = moments(rows.iter().map(|r| r.0 - truth));
            // A campaign that cannot be fitted shows nothing.
            let shown =
                |f: &dyn Fn(&Road) -> bool| count(good.iter().filter(|r| f(&r.roads[s])).count()) / count(replicates);
            let (tested_materials, further_materials) = (shown(&|r| r.tested), shown(&|r| r.further));
            let error = |p: f64| libm::sqrt(p * (1.0 - p) / count(replicates));
            equivalence.push(SimulatedEquivalence {
                surface: surface.name.clone(),
                estimates: rows.len(),
                log_bias,
                log_standard_deviation,
                log_standard_error: root_mean_square(rows.iter().map(|r| r.1)),
                coverage: share(rows.iter().map(|r| r.2)),
                tested_materials,
                further_materials,
                monte_carlo_error: error(tested_materials).max(error(further_materials)),
            });
        }
        Ok(Simulated {
            options: self.clone(),
            replicates,
            failures,
            run_outs: good.iter().map(|r| count(r.run_outs)).sum::<f64>() / count(good.len()),
            factors,
            equivalence,
        })
    }
}

/// Failures of one kind together, whatever their numbers.
fn reason(kind: &ErrorKind) -> String {
    match kind {
        ErrorKind::Disconnected { .. } => "the campaign fell into parts".into(),
        ErrorKind::NotConverged { .. } => "the fit did not converge".into(),
        ErrorKind::ScatterNotEstimable { .. } => "scatter could not be estimated".into(),
        other => other.to_string(),
    }
}

/// Mean and standard deviation.
fn moments(values: impl Iterator<Item = f64> + Clone) -> (f64, f64) {
    let n = count(values.clone().count());
    let mean = values.clone().sum::<f64>() / n;
    let squares: f64 = values.map(|v| (v - mean) * (v - mean)).sum();
    (mean, if n > 1.0 { libm::sqrt(squares / (n - 1.0)) } else { 0.0 })
}

fn root_mean_square(values: impl Iterator<Item = f64> + Clone) -> f64 {
    let n = count(values.clone().count());
    libm::sqrt(values.map(|v| v * v).sum::<f64>() / n)
}

fn share(values: impl Iterator<Item = bool> + Clone) -> f64 {
    count(values.clone().filter(|v| *v).count()) / count(values.count())
}

impl Plan {
    /// One campaign drawn from the plan: a function of the plan, the seed and the number of the replicate alone.
    ///
    /// ```
    /// use surface_severity::planning::{Plan, PlannedSurface};
    /// let plan = Plan::new("road", 0.2)
    ///     .surface(PlannedSurface::new("road", 1.0).run_length_s(20.0))
    ///     .material("cowhide", 12.0)
    ///     .cell("cowhide", "road", 4);
    /// let campaign = plan.simulate(1, 0)?;
    /// assert_eq!(campaign.len(), 4);
    /// assert_eq!(campaign.digest(), plan.simulate(1, 0)?.digest());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`precision`](Self::precision); [`ErrorKind::Table`] where a supposed time leaves the range of numbers.
    pub fn simulate(&self, seed: u64, replicate: u64) -> Result<Campaign> {
        let layout = self.layout()?;
        self.draw(&layout, seed, replicate)
    }

    fn draw(&self, layout: &Layout, seed: u64, replicate: u64) -> Result<Campaign> {
        let mut rng = stream(seed, replicate);
        let mut normal = |scatter: f64| {
            let u = unit(&mut rng);
            scatter * Distribution::LogNormal.quantile(u)
        };
        let days: Vec<f64> = layout.days.iter().map(|_| normal(self.day_log_scatter)).collect();
        let belts: Vec<f64> = (0..if self.belt_log_scatter > 0.0 { self.belts } else { 0 })
            .map(|_| normal(self.belt_log_scatter))
            .collect();
        let departures: Vec<f64> = layout.cells.iter().map(|c| normal(self.departure(c.surface))).collect();
        let mut trials = Vec::with_capacity(self.trials());
        for (cell, departure) in layout.cells.iter().zip(departures) {
            let (material, surface) = (&self.materials[cell.material].name, &self.surfaces[cell.surface]);
            let role = match layout.laboratory {
                Some(l) if l == cell.surface => SurfaceRole::Laboratory,
                _ => SurfaceRole::Road,
            };
            let mut on_belts = 0..;
            for &(day, specimens) in &cell.days {
                for _ in 0..specimens {
                    let w = self.distribution.quantile(unit(&mut rng));
                    let belt = if role == SurfaceRole::Laboratory && !belts.is_empty() {
                        on_belts.next().map(|i: usize| i % belts.len())
                    } else {
                        None
                    };
                    let shared = days[day] + belt.map_or(0.0, |b| belts[b]);
                    let time = libm::exp(cell.location + departure + shared + self.log_scatter * w);
                    let id = format!("P{:06}", trials.len() + 1);
                    let trial = match surface.run_length_s {
                        Some(end) if time >= end => Trial::run_out(id, &surface.name, material, end),
                        _ => Trial::perforated(id, &surface.name, material, time),
                    };
                    let trial = trial.surface_role(role).day(&layout.days[day]);
                    trials.push(match belt {
                        Some(b) => trial.belt(format!("belt {}", b + 1)),
                        None => trial,
                    });
                }
            }
        }
        Campaign::from_trials(trials)
    }
}
