//! How a replicate differs from the campaign.

use rand::Rng;
use serde::{Deserialize, Serialize};

use crate::campaign::{Campaign, Outcome, Resample};
use crate::error::{ErrorKind, Result};
use crate::severity::machinery::{Cells, LogTime, Prepared};
use crate::severity::{Distribution, SeverityFit};

use super::run::Bootstrap;
use crate::numeric::stream::{below, unit};

/// Groups of trials that share conditions.
///
/// ```
/// // Two surfaces (factors 1 and 2), two materials, four days that shift log times by 0.1, -0.1, 0.05, -0.05.
/// # use surface_severity::campaign::{Campaign, Trial};
/// # let mut trials = Vec::new();
/// # for (d, shift) in [0.1, -0.1, 0.05, -0.05_f64].into_iter().enumerate() {
/// #     for (surface, k) in [("asphalt", 1.0), ("belt", 2.0)] {
/// #         for (material, s) in [("cowhide", 8.0), ("denim", 2.0)] {
/// #             for (i, e) in [0.02, -0.02].into_iter().enumerate() {
/// #                 let id = format!("{d} {surface} {material} {i}");
/// #                 let trial = Trial::perforated(id, surface, material, s / k * (shift + e).exp());
/// #                 trials.push(trial.day(format!("day {d}")));
/// #             }
/// #         }
/// #     }
/// # }
/// # let campaign = Campaign::from_trials(trials)?;
/// use surface_severity::{bootstrap::{Bootstrap, Cluster}, severity::Severity};
/// // Nobody wrote down the belts, so they cannot be drawn; days can.
/// let plan = Severity::new("asphalt");
/// assert!(Bootstrap::cluster(Cluster::Belt, 100).severity(&plan, &campaign).is_err());
/// assert!(Bootstrap::cluster(Cluster::Day, 100).severity(&plan, &campaign).is_ok());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Cluster {
    /// Trials of one day.
    Day,
    /// Trials of one run.
    Run,
    /// Trials on one belt.
    Belt,
}

impl Cluster {
    fn label(self, trial: &crate::campaign::Trial) -> Option<&str> {
        match self {
            Self::Day => trial.day.as_deref(),
            Self::Run => trial.run.as_deref(),
            Self::Belt => trial.belt.as_deref(),
        }
    }
    fn name(self) -> &'static str {
        match self {
            Self::Day => "day",
            Self::Run => "run",
            Self::Belt => "belt",
        }
    }
}

/// What is drawn anew in each replicate.
///
/// | scheme | draws | right for | wrong for |
/// |---|---|---|---|
/// | `Stratified` | trials within each cell, as many as it holds | large cells | cells of few trials: variance (n − 1)/n of what it should be; single trials never vary |
/// | `Rescaled` | n − 1 of the n trials of a cell, each counting n/(n − 1): exactly unbiased variance of a cell mean (Rao & Wu 1988) | cells of two or more | single trials never vary |
/// | `Cluster` | whole days (runs, belts) among those that touch the same surfaces | differences between days | few clusters |
/// | `TwoStage` | clusters, then trials of a cell within each | both sources | few clusters |
/// | `Residual` | log residuals of the additive fit, each divided by √(1 − leverage), from the whole campaign | few trials a cell, nothing censored, log-normal | unequal scatter |
/// | `Parametric` | times from the fitted distribution, ended by the run lengths and the time resolution | few trials a cell, censoring | a wrong distribution |
/// | `Bayesian` | one exponential weight per trial, scaled to the number of trials (Dirichlet; Rubin 1981) | censoring: no replicate loses a cell | few trials: variance (n − p)/n |
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::{ErrorKind, bootstrap::{Bootstrap, Scheme}};
/// // Residuals need exact times; this campaign has run-outs. The rescaled scheme takes them.
/// let error = Bootstrap::new(Scheme::Residual, 100).severity(&plan, &campaign).unwrap_err();
/// assert!(matches!(error.kind(), ErrorKind::InvalidOption { .. }));
/// assert!(Bootstrap::new(Scheme::Rescaled, 100).severity(&plan, &campaign).is_ok());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Scheme {
    /// Trials within cells.
    Stratified,
    /// Trials within cells, rescaled.
    Rescaled,
    /// Whole clusters.
    Cluster(Cluster),
    /// Clusters, then trials within cells of each.
    TwoStage(Cluster),
    /// Leverage-rescaled residuals of the additive fit.
    Residual,
    /// Times from the fitted model, with the censoring replayed.
    Parametric,
    /// Dirichlet weights.
    Bayesian,
}

impl std::fmt::Display for Scheme {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Stratified => f.write_str("trials drawn within their cells"),
            Self::Rescaled => f.write_str("trials drawn within their cells, rescaled for small cells"),
            Self::Cluster(by) => write!(f, "whole {}s drawn", by.name()),
            Self::TwoStage(by) => write!(f, "{}s drawn, then trials within their cells", by.name()),
            Self::Residual => f.write_str("rescaled residuals of the fit drawn"),
            Self::Parametric => f.write_str("times drawn from the fitted model"),
            Self::Bayesian => f.write_str("random weights on the trials"),
        }
    }
}

/// One replicate, in the order of [`Cells`].
#[derive(Debug, Clone, Default)]
pub(crate) struct Draw {
    /// Case weights; empty where times are drawn.
    pub(crate) weights: Vec<f64>,
    /// Times; empty where weights are drawn.
    pub(crate) times: Vec<LogTime>,
    /// Scratch: exact log times behind `times` (residual scheme).
    pub(crate) values: Vec<f64>,
}

/// Everything that draws of a scheme share.
#[derive(Debug)]
pub(crate) struct Drawer {
    kind: Kind,
    cells: Cells,
}

#[derive(Debug)]
enum Kind {
    Cases { rescaled: bool },
    Clusters { strata: Vec<Vec<Vec<Member>>>, loose: Vec<(usize, usize)>, two_stage: bool },
    Residual { fitted: Vec<f64>, residuals: Vec<f64> },
    Parametric { location: Vec<f64>, sigma: f64, limits: Vec<Limits>, distribution: Distribution },
    Bayesian,
}

/// Trials of one cell within one cluster, as positions in `Cells::times`.
type Member = Vec<usize>;

#[derive(Debug, Clone, Copy)]
struct Limits {
    /// Log of the run length; infinite where none is known.
    upper: f64,
    /// Log of the time resolution; minus infinity where none is known.
    lower: f64,
    /// False for trials off the scale: they stay as they were.
    drawn: bool,
}

impl Drawer {
    pub(crate) fn new(plan: &Bootstrap, fit: &SeverityFit, prepared: &Prepared, campaign: &Campaign) -> Result<Self> {
        let cells = prepared.cells.clone();
        let kind = match plan.scheme {
            Scheme::Stratified => Kind::Cases { rescaled: false },
            Scheme::Rescaled => Kind::Cases { rescaled: true },
            Scheme::Bayesian => Kind::Bayesian,
            Scheme::Cluster(by) => clusters(&cells, campaign, by, false)?,
            Scheme::TwoStage(by) => clusters(&cells, campaign, by, true)?,
            Scheme::Residual => residual(fit, prepared, campaign)?,
            Scheme::Parametric => parametric(plan, fit, prepared, campaign)?,
        };
        Ok(Self { kind, cells })
    }

    /// True where a replicate changes times, false where it changes weights.
    pub(crate) fn draws_times(&self) -> bool {
        matches!(self.kind, Kind::Residual { .. } | Kind::Parametric { .. })
    }

    pub(crate) fn draws_exact_values(&self) -> bool {
        matches!(self.kind, Kind::Residual { .. })
    }

    pub(crate) fn draw(&self, rng: &mut impl Rng, draw: &mut Draw) {
        let n = self.cells.times.len();
        match &self.kind {
            Kind::Cases { rescaled } => {
                draw.weights.clear();
                draw.weights.resize(n, 0.0);
                for cell in &self.cells.cells {
                    let members = cell.len();
                    if *rescaled && members > 1 {
                        #[allow(clippy::cast_precision_loss)]
                        let unit = members as f64 / (members - 1) as f64;
                        for _ in 1..members {
                            draw.weights[cell.start + below(rng, members)] += unit;
                        }
                    } else {
                        for _ in 0..members {
                            draw.weights[cell.start + below(rng, members)] += 1.0;
                        }
                    }
                }
            }
            Kind::Clusters { strata, loose, two_stage } => {
                draw.weights.clear();
                draw.weights.resize(n, 0.0);
                for stratum in strata {
                    for _ in 0..stratum.len() {
                        for cell in &stratum[below(rng, stratum.len())] {
                            for &i in cell {
                                let drawn = if *two_stage { cell[below(rng, cell.len())] } else { i };
                                draw.weights[drawn] += 1.0;
                            }
                        }
                    }
                }
                for &(start, end) in loose {
                    for _ in start..end {
                        draw.weights[start + below(rng, end - start)] += 1.0;
                    }
                }
            }
            Kind::Bayesian => {
                draw.weights.clear();
                draw.weights.extend((0..n).map(|_| -libm::log(unit(rng))));
                let total: f64 = draw.weights.iter().sum();
                #[allow(clippy::cast_precision_loss)]
                let scale = n as f64 / total;
                for w in &mut draw.weights {
                    *w *= scale;
                }
            }
            Kind::Residual { fitted, residuals } => {
                draw.values.clear();
                draw.values.extend(fitted.iter().map(|f| f + residuals[below(rng, residuals.len())]));
            }
            Kind::Parametric { location, sigma, limits, distribution } => {
                draw.times.clear();
                for ((i, loc), limit) in location.iter().enumerate().zip(limits) {
                    // A draw is made for every trial, so that streams do not depend on the fit.
                    let y = loc + sigma * distribution.quantile(unit(rng));
                    draw.times.push(if !limit.drawn {
                        self.cells.times[i]
                    } else if y >= limit.upper {
                        LogTime::Right(limit.upper)
                    } else if y <= limit.lower {
                        LogTime::Left(limit.lower)
                    } else {
                        LogTime::Exact(y)
                    });
                }
            }
        }
    }

    /// The draw as a campaign that any statistic can be computed from.
    pub(crate) fn resample(&self, draw: &Draw, campaign: &Campaign) -> Campaign {
        let mut resample = Resample::default();
        if self.draws_times() {
            let mut results: Vec<(Outcome, f64)> =
                campaign.trials().iter().map(|t| (t.outcome, t.abrasion_time_s.map_or(0.0, libm::log))).collect();
            for (i, &row) in self.cells.trial.iter().enumerate() {
                results[row] = if self.draws_exact_values() {
                    (Outcome::Perforated, draw.values[i])
                } else {
                    match draw.times[i] {
                        LogTime::Exact(y) => (Outcome::Perforated, y),
                        LogTime::Right(y) => (Outcome::RunOut, y),
                        LogTime::Left(y) => (Outcome::OpenedAtContact, y),
                        // Only a clock's step makes these, and it is applied when the trial is read.
                        LogTime::Between(a, b) => (Outcome::Perforated, 0.5 * (a + b)),
                    }
                };
            }
            resample.results = Some(results);
        } else {
            let mut weights = vec![1.0; campaign.trials().len()];
            for (i, &row) in self.cells.trial.iter().enumerate() {
                weights[row] = draw.weights[i];
            }
            resample.weights = Some(weights);
        }
        campaign.resampled(resample)
    }
}

fn clusters(cells: &Cells, campaign: &Campaign, by: Cluster, two_stage: bool) -> Result<Kind> {
    use std::collections::{BTreeMap, BTreeSet};
    // Trials without a label keep being drawn within their cell.
    let mut members: BTreeMap<&str, BTreeMap<usize, Vec<usize>>> = BTreeMap::new();
    let mut touched: BTreeMap<&str, BTreeSet<usize>> = BTreeMap::new();
    let mut loose = Vec::new();
    for (c, cell) in cells.cells.iter().enumerate() {
        let mut unlabelled = Vec::new();
        for i in cell.start..cell.end {
            match by.label(&campaign.trials()[cells.trial[i]]) {
                Some(label) => {
                    members.entry(label).or_default().entry(c).or_default().push(i);
                    touched.entry(label).or_default().insert(cell.surface);
                }
                None => unlabelled.push(i),
            }
        }
        if unlabelled.len() == cell.len() {
            loose.push((cell.start, cell.end));
        } else if let Some(&i) = unlabelled.first() {
            return Err(ErrorKind::option(
                "scheme",
                format!("cluster by {}", by.name()),
                &format!(
                    "a {} for every trial of a cell or for none; trial {:?} has none beside others that have",
                    by.name(),
                    campaign.trials()[cells.trial[i]].trial_id
                ),
            ));
        }
    }
    if members.is_empty() {
        return Err(ErrorKind::option(
            "scheme",
            format!("cluster by {}", by.name()),
            &format!("trials with a {} label; there is none", by.name()),
        ));
    }
    let mut strata: BTreeMap<Vec<usize>, Vec<Vec<Member>>> = BTreeMap::new();
    for (label, of_cells) in members {
        let key = touched.remove(label).unwrap_or_default().into_iter().collect();
        strata.entry(key).or_default().push(of_cells.into_values().collect());
    }
    if strata.values().all(|s| s.len() < 2) {
        return Err(ErrorKind::option(
            "scheme",
            format!("cluster by {}", by.name()),
            &format!("at least two {}s on the same surfaces; every one here visits surfaces of its own", by.name()),
        ));
    }
    Ok(Kind::Clusters { strata: strata.into_values().collect(), loose, two_stage })
}

fn residual(fit: &SeverityFit, prepared: &Prepared, campaign: &Campaign) -> Result<Kind> {
    let cells = &prepared.cells;
    if !cells.times.iter().all(|t| matches!(t, LogTime::Exact(_))) {
        return Err(ErrorKind::option(
            "scheme",
            "residual",
            "a campaign in which every time is exact; with run-outs or contact openings use the parametric scheme",
        ));
    }
    if fit.distribution() != Distribution::LogNormal {
        return Err(ErrorKind::option(
            "scheme",
            format!("residual with {} times", fit.distribution()),
            "log-normal times, whose residuals have mean 0; with others use the parametric scheme",
        ));
    }
    let diagnostics = fit.diagnostics(campaign, 0)?;
    let mut by_trial = vec![None; campaign.trials().len()];
    let index: std::collections::BTreeMap<&str, usize> =
        campaign.trials().iter().enumerate().map(|(i, t)| (t.trial_id.as_str(), i)).collect();
    for d in &diagnostics {
        if let Some(&i) = index.get(d.trial_id.as_str()) {
            by_trial[i] = Some(d);
        }
    }
    let mut residuals = Vec::with_capacity(diagnostics.len());
    let mut fitted = Vec::with_capacity(diagnostics.len());
    for (time, &row) in cells.times.iter().zip(&cells.trial) {
        let y = time.middle();
        let response = by_trial[row].map_or(0.0, |d| d.response);
        fitted.push(y - response);
        if let Some(d) = by_trial[row]
            && d.leverage < 1.0 - 1e-9
        {
            residuals.push(d.response / (1.0 - d.leverage).sqrt());
        }
    }
    #[allow(clippy::cast_precision_loss)]
    let mean = residuals.iter().sum::<f64>() / residuals.len().max(1) as f64;
    for r in &mut residuals {
        *r -= mean;
    }
    if residuals.is_empty() {
        return Err(
            ErrorKind::ScatterNotEstimable { reason: "every trial determines a level of its own".into() }.into()
        );
    }
    Ok(Kind::Residual { fitted, residuals })
}

fn parametric(plan: &Bootstrap, fit: &SeverityFit, prepared: &Prepared, campaign: &Campaign) -> Result<Kind> {
    let cells = &prepared.cells;
    let scale = fit.scale();
    for name in plan.run_length_s.keys() {
        campaign.surface(name)?;
    }
    // Run length and resolution of each surface: the user's, else the longest run-out and the
    // longest contact opening seen there, else none.
    let surfaces = campaign.surfaces().len();
    let mut upper = vec![f64::NEG_INFINITY; surfaces];
    let mut lower = vec![f64::NEG_INFINITY; surfaces];
    for cell in &cells.cells {
        for time in cells.of(cell) {
            match *time {
                LogTime::Right(y) => upper[cell.surface] = upper[cell.surface].max(y),
                LogTime::Left(y) => lower[cell.surface] = lower[cell.surface].max(y),
                LogTime::Exact(_) | LogTime::Between(..) => {}
            }
        }
    }
    for (s, surface) in campaign.surfaces().iter().enumerate() {
        if let Some(&seconds) = plan.run_length_s.get(&surface.name) {
            upper[s] = libm::log(seconds);
        } else if upper[s] == f64::NEG_INFINITY {
            upper[s] = f64::INFINITY;
        }
        if let Some(seconds) = plan.time_resolution_s {
            lower[s] = libm::log(seconds);
        }
    }
    // Maximum likelihood leaves σ too small.
    let sigma = scale.sigma * scale.small_sample.factor;
    let (mut location, mut limits) = (Vec::new(), Vec::new());
    for cell in &cells.cells {
        let group = prepared.numbering.group[cell.material];
        let on_scale = group.is_some() && prepared.numbering.finite_surface[cell.surface];
        let here = group.map_or(0.0, |g| scale.location[g])
            - prepared.numbering.column[cell.surface].map_or(0.0, |c| scale.log_k[c]);
        for time in cells.of(cell) {
            // A trial that ran out keeps its own run length.
            let own = if let LogTime::Right(y) = time { *y } else { upper[cell.surface] };
            let upper = if plan.run_length_s.contains_key(&campaign.surfaces()[cell.surface].name) {
                upper[cell.surface]
            } else {
                own
            };
            location.push(here);
            limits.push(Limits { upper, lower: lower[cell.surface], drawn: on_scale });
        }
    }
    Ok(Kind::Parametric { location, sigma, limits, distribution: fit.distribution() })
}
