//! The plan of a severity fit with random effects, and the levels of its grouping factors.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};

use crate::campaign::{Campaign, SurfaceRole};
use crate::error::{ErrorKind, Problem, Result};
use crate::estimate::check_level;
use crate::severity::Severity;
use crate::severity::cells::Kinds;
use crate::severity::distribution::Distribution;
use crate::severity::fit::Prepared;
use crate::severity::scale::Scale;

use super::censored::{Fitted, assemble, check_nodes};
use super::core::Core;
use super::deviance::{Criterion, Problem as Statistics};
use super::elimination::Rows;
use super::fit::{CellSummary, Engine, MixedSeverityFit};
use super::groups::{Grouped, check_partitions};

/// What shares conditions, and so a random effect on log time.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// use surface_severity::severity::mixed::{Grouping, MixedSeverity};
/// let plan = MixedSeverity::new("dense asphalt concrete").random(Grouping::Day);
/// let days = plan.fit(&campaign)?.predictions(Grouping::Day)?;
/// assert_eq!(days.len(), 12, "one effect for each day of the campaign");
/// assert_eq!(Grouping::Day.as_str(), "day");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Grouping {
    /// Trials of one day.
    Day,
    /// Trials of one run; runs of the same name on different days are different runs.
    Run,
    /// Trials on one abrasive belt. Acts only on surfaces whose trials name a belt.
    Belt,
    /// A material's own departure on a surface from the common scale: one level per cell.
    MaterialBySurface,
    /// A class's own departure on a surface from the common scale.
    ClassBySurface,
}

impl Grouping {
    /// Lower-case name as the results carry it.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Day => "day",
            Self::Run => "run",
            Self::Belt => "belt",
            Self::MaterialBySurface => "material_by_surface",
            Self::ClassBySurface => "class_by_surface",
        }
    }
}

impl std::fmt::Display for Grouping {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        f.write_str(match self {
            Self::Day => "day",
            Self::Run => "run",
            Self::Belt => "belt",
            Self::MaterialBySurface => "material × surface",
            Self::ClassBySurface => "class × surface",
        })
    }
}

/// What to fit: plain data, checked in [`fit`](Self::fit), kept in the result.
///
/// `log T = μ(material) − log k(surface) + Σ random effects + σ W`.
///
/// | option | default | range | meaning |
/// |---|---|---|---|
/// | reference | required | a surface of the campaign | surface whose factor is 1 |
/// | random | none, at least one is needed | [`Grouping`]s, each once | what shares conditions |
/// | distribution | log-normal | see [`Distribution`] | times about their cell |
/// | criterion | REML | [`Criterion`] | REML: variances and intervals for few trials and few days; ML: the full likelihood |
/// | nodes | 15 for one grouping, 1 for several | 1 to 100; 1 with several | adaptive Gauss–Hermite nodes; 1 is Laplace |
/// | level | 0.95 | (0, 1) | confidence level of every interval |
///
/// Log-normal times without censoring need no quadrature; `nodes` changes nothing there.
///
/// ```
/// use surface_severity::campaign::Campaign;
/// use surface_severity::severity::mixed::{Grouping, MixedSeverity};
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// // Trials of one day share its weather, belt state and crew.
/// let fit = MixedSeverity::new("dense asphalt concrete").random(Grouping::Day).level(0.9).fit(&campaign)?;
/// let k = fit.factor("brushed concrete")?;
/// assert!(k.level() == 0.9 && k.lower() > 1.0, "harsher than the reference, other days included");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct MixedSeverity {
    pub(super) reference: String,
    #[serde(default)]
    pub(super) random: Vec<Grouping>,
    #[serde(default)]
    pub(crate) distribution: Distribution,
    #[serde(default)]
    pub(super) criterion: Option<Criterion>,
    #[serde(default)]
    pub(super) nodes: Option<usize>,
    #[serde(default = "default_level")]
    pub(super) level: f64,
}

fn default_level() -> f64 {
    0.95
}

/// At most so many problems of a table are listed.
const LISTED: usize = 20;

impl MixedSeverity {
    /// A log-normal plan at level 0.95 relative to surface `reference`, as yet without random effects.
    ///
    /// ```
    /// // Cowhide: 8 and 10 s on asphalt, 4 and 5 s on the belt.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let campaign = Campaign::from_trials([
    /// #     Trial::perforated("T1", "asphalt", "cowhide", 8.0),
    /// #     Trial::perforated("T2", "asphalt", "cowhide", 10.0),
    /// #     Trial::perforated("T3", "belt", "cowhide", 4.0),
    /// #     Trial::perforated("T4", "belt", "cowhide", 5.0),
    /// # ])?;
    /// use surface_severity::severity::mixed::MixedSeverity;
    /// // Without a random effect it is no mixed model.
    /// assert!(MixedSeverity::new("asphalt").fit(&campaign).is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub fn new(reference: impl Into<String>) -> Self {
        Self {
            reference: reference.into(),
            random: Vec::new(),
            distribution: Distribution::default(),
            criterion: None,
            nodes: None,
            level: default_level(),
        }
    }

    /// Adds a random effect.
    #[must_use]
    pub fn random(mut self, grouping: Grouping) -> Self {
        self.random.push(grouping);
        self
    }

    /// Sets the distribution of times.
    #[must_use]
    pub fn distribution(mut self, distribution: Distribution) -> Self {
        self.distribution = distribution;
        self
    }

    /// Sets the criterion.
    #[must_use]
    pub fn criterion(mut self, criterion: Criterion) -> Self {
        self.criterion = Some(criterion);
        self
    }

    /// Sets the nodes of the adaptive Gauss–Hermite quadrature; 1 is Laplace's approximation.
    #[must_use]
    pub fn nodes(mut self, nodes: usize) -> Self {
        self.nodes = Some(nodes);
        self
    }

    /// Sets the confidence level, 0.95 for 95 %.
    #[must_use]
    pub fn level(mut self, level: f64) -> Self {
        self.level = level;
        self
    }

    /// Fits the plan to `campaign`.
    ///
    /// ```
    /// // Cowhide: 8 and 10 s on asphalt, 4 and 5 s on the belt.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let campaign = Campaign::from_trials([
    /// #     Trial::perforated("T1", "asphalt", "cowhide", 8.0),
    /// #     Trial::perforated("T2", "asphalt", "cowhide", 10.0),
    /// #     Trial::perforated("T3", "belt", "cowhide", 4.0),
    /// #     Trial::perforated("T4", "belt", "cowhide", 5.0),
    /// # ])?;
    /// use surface_severity::{ErrorKind, severity::mixed::{Grouping, MixedSeverity}};
    /// // Nobody wrote down the day: each of the four trials is named.
    /// let error = MixedSeverity::new("asphalt").random(Grouping::Day).fit(&campaign).unwrap_err();
    /// assert!(matches!(error.kind(), ErrorKind::Table { total: 4, .. }));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of [`Severity::fit`], and: [`ErrorKind::Table`] naming the trials without a label of a
    /// requested grouping; [`ErrorKind::InvalidOption`] for no or repeated groupings or nodes out of
    /// range; [`ErrorKind::NotEstimable`] for a
    /// grouping with one level, one level per trial, the same groups as another, or taken up by
    /// materials and surfaces.
    pub fn fit(&self, campaign: &Campaign) -> Result<MixedSeverityFit> {
        check_level(self.level)?;
        if self.random.is_empty() {
            return Err(ErrorKind::option("random", "none", "at least one grouping; Severity fits without"));
        }
        let nodes = check_nodes(self.nodes, self.random.len())?;
        let plan = Severity::new(&self.reference).distribution(self.distribution).level(self.level);
        let prepared = Prepared::new(&plan, campaign)?;
        let (design, positions) = prepared.numbering.crossed(&prepared.cells);
        let trials: Vec<usize> = positions.iter().map(|&i| prepared.cells.trial[i]).collect();
        let kinds = Kinds::of(&design.times);
        let linear = kinds.right == 0 && kinds.left == 0 && self.distribution == Distribution::LogNormal;
        let groups = self.groups(campaign, &trials)?;
        check_partitions(&groups, trials.len())?;
        let p = design.groups + design.columns;
        let fixed = |block: &crate::severity::cells::Block| {
            let surface = block.column.map(|c| (design.groups + c, -1.0));
            std::iter::once((block.group, 1.0)).chain(surface)
        };
        let cells = CellSummary::of(&design);
        let engine = if linear {
            let mut first = vec![0];
            for g in &groups {
                first.push(first.last().copied().unwrap_or(0) + g.levels.len());
            }
            let q = first.last().copied().unwrap_or(0);
            let mut rows = Rows::new(q + p);
            for block in &design.blocks {
                for i in block.start..block.end {
                    let random = groups.iter().zip(&first).filter_map(|(g, f)| g.level[i].map(|l| (f + l, 1.0)));
                    rows.push(random.chain(fixed(block).map(|(a, x)| (q + a, x))));
                }
            }
            let y: Vec<f64> = design.times.iter().map(|t| t.middle()).collect();
            let components = first.windows(2).map(|w| w[0]..w[1]).collect();
            let names = groups.iter().map(|g| g.name.clone()).collect();
            let criterion = self.criterion.unwrap_or_default();
            let label = |a: usize| format!("{} {a}", if a < design.groups { "material" } else { "surface" });
            let problem = Statistics::new(&rows, &y, names, components, &label, criterion)?;
            Engine::Linear { core: Box::new(Core::fit(problem)?), sum_of_log_times: y.iter().sum() }
        } else {
            let scale = Scale::fit(&design, self.distribution, "the severity fit without random effects")?;
            let mut x = Rows::new(p);
            for block in &design.blocks {
                for _ in block.start..block.end {
                    x.push(fixed(block));
                }
            }
            let beta = scale.location.iter().chain(&scale.log_k).copied().collect();
            let log_sigma = libm::log(scale.sigma);
            let (marginal, start) =
                assemble(self.distribution, design.times.clone(), x, &groups, nodes, beta, log_sigma);
            Engine::Censored(Box::new(Fitted::new(marginal, &start, self.criterion.unwrap_or_default())?))
        };
        MixedSeverityFit::new(self, campaign, &prepared, &design, engine, groups, cells)
    }

    /// Level of each fitted trial in each grouping factor.
    fn groups(&self, campaign: &Campaign, trials: &[usize]) -> Result<Vec<Grouped>> {
        let mut problems = Vec::new();
        let groups = self.random.iter().map(|&grouping| grouped(grouping, campaign, trials, &mut problems)).collect();
        if problems.is_empty() {
            return Ok(groups);
        }
        let total = problems.len();
        problems.truncate(LISTED);
        Err(ErrorKind::Table { problems, total }.into())
    }
}

fn grouped(grouping: Grouping, campaign: &Campaign, trials: &[usize], problems: &mut Vec<Problem>) -> Grouped {
    let name = grouping.as_str();
    let missing = |i: usize, column: &str, why: &str| {
        let expected = format!("a label in trial {:?}: {why}", campaign.trials()[i].trial_id);
        Problem::new("trials", i as u64 + 1, column, "", expected)
    };
    let surface_of = |i: usize| campaign.surface_index()[i] as usize;
    let required = |column: &str, label: &dyn Fn(usize) -> Option<String>, problems: &mut Vec<Problem>| {
        let labels: Vec<Option<String>> = trials.iter().map(|&i| label(i)).collect();
        let why = format!("{grouping} is a random effect");
        problems
            .extend(trials.iter().zip(&labels).filter(|(_, l)| l.is_none()).map(|(&i, _)| missing(i, column, &why)));
        labels
    };
    match grouping {
        Grouping::Day => {
            let labels = required("day", &|i| campaign.trials()[i].day.clone(), problems);
            Grouped::of_labels(name, &labels, Clone::clone)
        }
        Grouping::Run => {
            let labels = required("run", &|i| campaign.trials()[i].run.clone(), problems);
            let dated: Vec<Option<(Option<&String>, String)>> = trials
                .iter()
                .zip(labels)
                .map(|(&i, run)| run.map(|run| (campaign.trials()[i].day.as_ref(), run)))
                .collect();
            Grouped::of_labels(name, &dated, |(day, run)| match day {
                Some(day) => format!("{day} / {run}"),
                None => run.clone(),
            })
        }
        Grouping::Belt => {
            // A surface none of whose trials names a belt has no belt, unless it is a laboratory's.
            let mut named: BTreeMap<usize, bool> = BTreeMap::new();
            for &i in trials {
                *named.entry(surface_of(i)).or_default() |= campaign.trials()[i].belt.is_some();
            }
            let mut labels = Vec::with_capacity(trials.len());
            for &i in trials {
                let surface = surface_of(i);
                let laboratory = campaign.surfaces()[surface].role == Some(SurfaceRole::Laboratory);
                let belt = campaign.trials()[i].belt.clone();
                if belt.is_none() && (laboratory || named.get(&surface) == Some(&true)) {
                    let why = "belt is a random effect, and its surface is a laboratory's or has belts in other trials";
                    problems.push(missing(i, "belt", why));
                }
                labels.push(belt);
            }
            Grouped::of_labels(name, &labels, Clone::clone)
        }
        Grouping::MaterialBySurface => {
            let labels: Vec<Option<(usize, usize)>> =
                trials.iter().map(|&i| Some((campaign.material_index()[i] as usize, surface_of(i)))).collect();
            Grouped::of_labels(name, &labels, |&(m, s)| {
                format!("{} × {}", campaign.materials()[m].name, campaign.surfaces()[s].name)
            })
        }
        Grouping::ClassBySurface => {
            let class = |i: usize| campaign.materials()[campaign.material_index()[i] as usize].class.clone();
            let labels: Vec<Option<(String, usize)>> = required("material_class", &class, problems)
                .into_iter()
                .zip(trials)
                .map(|(class, &i)| class.map(|c| (c, surface_of(i))))
                .collect();
            Grouped::of_labels(name, &labels, |(class, s)| format!("{class} × {}", campaign.surfaces()[*s].name))
        }
    }
}
