//! Levels of the grouping factors, and which of those recorded a table can tell apart.

use std::collections::BTreeMap;

use crate::campaign::{Campaign, SurfaceRole, Trial};
use crate::error::{Error, ErrorKind, Result};

use super::mixed::{Flaw, Grouped, flaw};
use super::note::Note;
use super::plan::{Grouping, Severity};

/// The grouping factors of a fit.
#[derive(Debug, Clone, Default)]
pub(super) struct Conditions {
    pub(super) groupings: Vec<Grouping>,
    pub(super) factors: Vec<Grouped>,
    /// Groupings recorded and left out, trials without a label.
    pub(super) notes: Vec<Note>,
    /// Conditions left out that may be in the ratios of surfaces, with the reason.
    pub(super) undetermined: Vec<String>,
    /// Whether a grouping that cannot be fitted is left out, and not an error.
    recorded: bool,
}

/// In this order they are fitted; material × surface last, so that it is the first to go.
const RECORDED: [Grouping; 5] =
    [Grouping::Day, Grouping::Run, Grouping::Laboratory, Grouping::Belt, Grouping::MaterialBySurface];

impl Conditions {
    /// Of the trials of a design, in its order; what cannot be told apart is left out or refused.
    pub(super) fn of(plan: &Severity, campaign: &Campaign, trials: &[usize]) -> Result<Self> {
        let declared = plan.conditions.iter().cloned().map(Grouping::Column);
        for column in &plan.conditions {
            if !trials.iter().any(|&i| campaign.trials()[i].covariates.contains_key(column)) {
                let known = campaign.covariate_columns().join(", ");
                return Err(ErrorKind::option("condition", column, &format!("a further column of the table: {known}")));
            }
        }
        let asked = plan.random.is_some();
        let mut groupings = plan.random.clone().unwrap_or_else(|| RECORDED.to_vec());
        let at = groupings.iter().position(|g| !g.is_condition()).unwrap_or(groupings.len());
        groupings.splice(at..at, declared);
        let mut found = Self::levels(&groupings, !asked, campaign, trials)?;
        let flawed = |f: &[Grouped]| (0..f.len()).find_map(|at| Some((at, flaw(f, at, trials.len())?)));
        while let Some((at, flaw)) = flawed(&found.factors) {
            let (grouping, reason) = (found.groupings[at].clone(), flaw.to_string());
            if !found.recorded {
                return Err(ErrorKind::NotEstimable { quantity: variance_of(&grouping), reason }.into());
            }
            let harmless = match flaw {
                // The same groups as another are in the model under its name.
                Flaw::TwinOf(_) => true,
                // One day for all cancels in every ratio; a belt acts on the belt's surface only.
                Flaw::Levels(_) => grouping != Grouping::Belt,
                Flaw::EachItsOwn(_) => false,
            };
            found.remove(at, reason, harmless);
        }
        Ok(found)
    }

    /// The levels of `groupings`; those that nothing names are skipped where they are only `recorded`, and refused otherwise.
    pub(super) fn levels(
        groupings: &[Grouping],
        recorded: bool,
        campaign: &Campaign,
        trials: &[usize],
    ) -> Result<Self> {
        let mut found = Self { recorded, ..Self::default() };
        for grouping in groupings {
            if found.groupings.contains(grouping) {
                return Err(ErrorKind::option("random", grouping.as_str(), "each grouping factor once"));
            }
            let factor = grouped(grouping, campaign, trials, &mut found.notes);
            if factor.level.iter().all(Option::is_none) {
                if recorded {
                    continue;
                }
                let reason = format!("no trial names its {grouping}");
                return Err(ErrorKind::NotEstimable { quantity: variance_of(grouping), reason }.into());
            }
            found.groupings.push(grouping.clone());
            found.factors.push(factor);
        }
        Ok(found)
    }

    pub(super) fn is_empty(&self) -> bool {
        self.groupings.is_empty()
    }

    /// Leaves out a grouping that was not asked for and would take too long.
    pub(super) fn spare(&mut self, grouping: &Grouping, most: usize) {
        let Some(at) = self.groupings.iter().position(|g| g == grouping).filter(|_| self.recorded) else { return };
        let levels = self.factors[at].levels.len();
        if levels <= most {
            return;
        }
        let reason =
            format!("{levels} cells with censored times would take minutes; ask for it by itself where it matters");
        self.remove(at, reason, false);
    }

    /// Leaves out the grouping that `error` names; where it names none, the last one.
    pub(super) fn leave_out(&mut self, error: Error) -> Result<()> {
        if !self.recorded || self.is_empty() {
            return Err(error);
        }
        let named = match error.kind() {
            ErrorKind::NotEstimable { quantity, reason } => {
                self.groupings.iter().position(|g| *quantity == variance_of(g)).map(|at| (at, reason.clone()))
            }
            _ => None,
        };
        let (at, reason) = named.unwrap_or_else(|| (self.groupings.len() - 1, error.to_string()));
        self.remove(at, reason, false);
        Ok(())
    }

    fn remove(&mut self, at: usize, reason: String, harmless: bool) {
        let grouping = self.groupings.remove(at);
        self.factors.remove(at);
        if grouping.is_condition() && !harmless {
            self.undetermined.push(format!("{grouping}: {reason}"));
        }
        self.notes.retain(|note| !matches!(note, Note::Unlabelled { grouping: g, .. } if *g == grouping));
        self.notes.push(Note::NotFitted { grouping, reason });
    }
}

fn variance_of(grouping: &Grouping) -> String {
    format!("the variance of {}", grouping.as_str())
}

/// A level: what is recorded, or the trial itself where nothing is.
type Level<T> = std::result::Result<T, String>;
/// A label, and the day that it belongs to where it is one within days.
type Label = (Option<String>, String);

fn grouped(grouping: &Grouping, campaign: &Campaign, trials: &[usize], notes: &mut Vec<Note>) -> Grouped {
    let name = grouping.as_str();
    let trial = |i: usize| &campaign.trials()[i];
    let surface_of = |i: usize| campaign.surface_index()[i] as usize;
    let shown = |(day, label): &Label| match day {
        Some(day) => format!("{day} / {label}"),
        None => label.clone(),
    };
    match grouping {
        Grouping::Day | Grouping::Run => labelled(grouping, trials, campaign, notes, |_| true, shown),
        Grouping::Belt | Grouping::Laboratory | Grouping::Column(_) => {
            // A surface none of whose trials names a belt has no belt, unless it is a laboratory's.
            let mut acts: BTreeMap<usize, bool> = BTreeMap::new();
            for &i in trials {
                let laboratory = campaign.surfaces()[surface_of(i)].role == Some(SurfaceRole::Laboratory);
                *acts.entry(surface_of(i)).or_default() |= laboratory || grouping.label(trial(i)).is_some();
            }
            let on_belt = |i: usize| acts.get(&surface_of(i)) == Some(&true);
            labelled(grouping, trials, campaign, notes, on_belt, shown)
        }
        Grouping::MaterialBySurface => {
            let labels: Vec<Option<(usize, usize)>> =
                trials.iter().map(|&i| Some((campaign.material_index()[i] as usize, surface_of(i)))).collect();
            Grouped::of_labels(name, &labels, |&(m, s)| {
                format!("{} × {}", campaign.materials()[m].name, campaign.surfaces()[s].name)
            })
        }
        Grouping::ClassBySurface => {
            // A material without a class is a class of its own.
            let class = |i: usize| {
                let material = &campaign.materials()[campaign.material_index()[i] as usize];
                material.class.clone().ok_or_else(|| material.name.clone())
            };
            let labels: Vec<Option<(Level<String>, usize)>> =
                trials.iter().map(|&i| Some((class(i), surface_of(i)))).collect();
            Grouped::of_labels(name, &labels, |(class, s)| {
                let (Ok(class) | Err(class)) = class;
                format!("{class} × {}", campaign.surfaces()[*s].name)
            })
        }
    }
}

/// Levels by a label of the table. A trial without one, on a surface on which the grouping acts, is a level of its own.
fn labelled(
    grouping: &Grouping,
    trials: &[usize],
    campaign: &Campaign,
    notes: &mut Vec<Note>,
    acts: impl Fn(usize) -> bool,
    show: impl Fn(&Label) -> String,
) -> Grouped {
    let trial = |i: usize| &campaign.trials()[i];
    let label = |t: &Trial| grouping.label(t).map(|(day, label)| (day.map(str::to_owned), label.to_owned()));
    let nothing = !trials.iter().any(|&i| label(trial(i)).is_some());
    let mut without: Vec<&str> = Vec::new();
    let labels: Vec<Option<Level<Label>>> = trials
        .iter()
        .map(|&i| {
            if nothing || !acts(i) {
                return None;
            }
            Some(label(trial(i)).ok_or_else(|| {
                without.push(&trial(i).trial_id);
                trial(i).trial_id.clone()
            }))
        })
        .collect();
    without.sort_unstable();
    if let Some(first) = without.first() {
        notes.push(Note::Unlabelled { grouping: grouping.clone(), trials: without.len(), first: (*first).to_owned() });
    }
    Grouped::of_labels(grouping.as_str(), &labels, |level| match level {
        Ok(label) => show(label),
        Err(trial) => format!("trial {trial}"),
    })
}
