//! How a replicate differs from the campaign.

use rand::Rng;
use serde::{Deserialize, Serialize};

use crate::campaign::{Campaign, Outcome, Resample};
use crate::error::Result;
use crate::severity::machinery::{Cells, LogTime, Prepared};
use crate::severity::{Distribution, SeverityFit};

use super::run::Bootstrap;
use crate::numeric::stream::{below, unit};

/// What is drawn anew in each replicate.
///
/// | scheme | draws | right for | wrong for |
/// |---|---|---|---|
/// | `Stratified` | trials within each cell, as many as it holds | large cells | cells of few trials: variance (n − 1)/n of what it should be; single trials never vary |
/// | `Rescaled` | n − 1 of the n trials of a cell, each counting n/(n − 1): exactly unbiased variance of a cell mean (Rao & Wu 1988) | cells of two or more | single trials never vary |
/// | `Parametric` | times from the fitted distribution, ended by the run lengths and the time resolution | few trials a cell, censoring | a wrong distribution |
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::{ErrorKind, bootstrap::{Bootstrap, Scheme}};
/// // Only drawn times can be ended by a run length; drawn trials keep the end they had.
/// let ended = |scheme| Bootstrap::new(scheme, 100).run_length_s("laboratory belt", 25.0).severity(&plan, &campaign);
/// assert!(matches!(ended(Scheme::Rescaled).unwrap_err().kind(), ErrorKind::InvalidOption { .. }));
/// assert!(ended(Scheme::Parametric).is_ok());
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
    /// Times from the fitted model, with the censoring replayed.
    Parametric,
}

impl std::fmt::Display for Scheme {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self {
            Self::Stratified => f.write_str("trials drawn within their cells"),
            Self::Rescaled => f.write_str("trials drawn within their cells, rescaled for small cells"),
            Self::Parametric => f.write_str("times drawn from the fitted model"),
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
    Parametric { location: Vec<f64>, sigma: f64, limits: Vec<Limits>, distribution: Distribution },
}

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
            Scheme::Parametric => parametric(plan, fit, prepared, campaign)?,
        };
        Ok(Self { kind, cells })
    }

    /// True where a replicate changes times, false where it changes weights.
    pub(crate) fn draws_times(&self) -> bool {
        matches!(self.kind, Kind::Parametric { .. })
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
                results[row] = match draw.times[i] {
                    LogTime::Exact(y) => (Outcome::Perforated, y),
                    LogTime::Right(y) => (Outcome::RunOut, y),
                    LogTime::Left(y) => (Outcome::OpenedAtContact, y),
                    // Only a clock's step makes these, and it is applied when the trial is read.
                    LogTime::Between(a, b) => (Outcome::Perforated, 0.5 * (a + b)),
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
