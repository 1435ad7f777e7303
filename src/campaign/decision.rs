//! What the people who run a campaign decide about single trials, with their reasons.
//!
//! A decision never deletes: the trial stays in the table, is not fitted, and is named with its
//! reason in the notes of every result. Decisions are part of the campaign's digest, so that no
//! result can be mistaken for one of the undecided table.

use std::collections::BTreeMap;

use serde::{Deserialize, Serialize};
use sha2::{Digest, Sha256};

use super::outcome::Outcome;
use super::trial::Trial;
use crate::error::{ErrorKind, Problem, Result};

const VERSION: &str = "surface-severity/decisions/1\n";

/// What is done with a trial.
///
/// ```
/// use surface_severity::campaign::{Action, Decisions};
/// let decisions = Decisions::new().set_aside("T2", "clamped over a seam", "test engineer");
/// assert_eq!(decisions.list()[0].action, Action::SetAside);
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Action {
    /// Keep it in the table and do not fit it.
    SetAside,
}

/// One decision.
///
/// ```
/// use surface_severity::campaign::{Campaign, Decisions};
/// let campaign = Campaign::read_path("data-demo/trials.csv")?
///     .with_decisions(&Decisions::new().set_aside("R-0077", "clamped over a seam", "test engineer"))?;
/// let decision = &campaign.decisions()[0];
/// assert_eq!((decision.trial_id.as_str(), decision.reason.as_str()), ("R-0077", "clamped over a seam"));
/// assert_eq!(decision.decided_by, "test engineer");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct Decision {
    /// The trial.
    pub trial_id: String,
    /// What is done with it.
    pub action: Action,
    /// Why, in the words of whoever decided.
    pub reason: String,
    /// Who decided.
    pub decided_by: String,
}

/// A list of decisions: plain data, checked when a campaign takes it
/// ([`Campaign::with_decisions`](super::Campaign::with_decisions)).
///
/// ```
/// use surface_severity::campaign::{Campaign, Decisions, Trial};
/// let campaign = Campaign::from_trials([
///     Trial::perforated("T1", "asphalt", "cowhide", 4.1),
///     Trial::perforated("T2", "asphalt", "cowhide", 14.9),
/// ])?;
/// let decisions = Decisions::new().set_aside("T2", "stop wire broke late", "test engineer");
/// assert!(!decisions.is_empty());
/// let decided = campaign.with_decisions(&decisions)?;
/// assert_eq!((decided.len(), decided.trials_in_use().count()), (2, 1));
/// // A decision without a reason is refused.
/// assert!(campaign.with_decisions(&Decisions::new().set_aside("T2", "", "test engineer")).is_err());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Default, Serialize, Deserialize)]
#[serde(transparent)]
pub struct Decisions {
    list: Vec<Decision>,
}

impl Decisions {
    /// No decision.
    ///
    /// ```
    /// use surface_severity::campaign::{Campaign, Decisions};
    /// let campaign = Campaign::read_path("data-demo/trials.csv")?;
    /// assert_eq!(campaign.with_decisions(&Decisions::new())?.digest(), campaign.digest());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Sets a trial aside.
    #[must_use]
    pub fn set_aside(
        mut self,
        trial_id: impl Into<String>,
        reason: impl Into<String>,
        decided_by: impl Into<String>,
    ) -> Self {
        self.list.push(Decision {
            trial_id: trial_id.into(),
            action: Action::SetAside,
            reason: reason.into(),
            decided_by: decided_by.into(),
        });
        self
    }

    /// The decisions, in the order they were added.
    #[must_use]
    pub fn list(&self) -> &[Decision] {
        &self.list
    }

    /// True without any.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.list.is_empty()
    }
}

/// Checked decisions on one table.
#[derive(Debug, PartialEq)]
pub(super) struct Decided {
    /// Sorted by trial id.
    pub(super) decisions: Decisions,
    /// One mark per trial, in the order of the table.
    pub(super) aside: Vec<bool>,
    /// Digest of table and decisions.
    pub(super) digest: String,
}

impl Decided {
    /// # Errors
    /// `Table` with every unknown, void or twice decided trial and every missing reason or name.
    pub(super) fn new(decisions: &Decisions, trials: &[Trial], table_digest: &str) -> Result<Self> {
        let index: BTreeMap<&str, usize> = trials.iter().enumerate().map(|(i, t)| (t.trial_id.as_str(), i)).collect();
        let mut aside = vec![false; trials.len()];
        let mut problems = Vec::new();
        for (line, decision) in (1..).zip(&decisions.list) {
            let mut bad = |column: &str, text: &str, expected: &str| {
                problems.push(Problem::new("decisions", line, column, text, expected));
            };
            for (column, text) in [("reason", &decision.reason), ("decided_by", &decision.decided_by)] {
                if text.trim().is_empty() {
                    bad(column, text, "some text: a decision has its reason and its author");
                }
            }
            match index.get(decision.trial_id.as_str()) {
                None => bad("trial_id", &decision.trial_id, "a trial of the campaign"),
                Some(&i) if trials[i].outcome == Outcome::Void => {
                    bad("trial_id", &decision.trial_id, "a trial that is not void: a void one is never fitted");
                }
                Some(&i) if aside[i] => bad("trial_id", &decision.trial_id, "one decision per trial"),
                Some(&i) => aside[i] = true,
            }
        }
        if !problems.is_empty() {
            let total = problems.len();
            return Err(ErrorKind::Table { problems, total }.into());
        }
        let mut decisions = decisions.clone();
        decisions.list.sort_by(|a, b| a.trial_id.cmp(&b.trial_id));
        let digest = if decisions.is_empty() { table_digest.to_owned() } else { digest(&decisions, table_digest) };
        Ok(Self { decisions, aside, digest })
    }
}

fn digest(decisions: &Decisions, table_digest: &str) -> String {
    let mut hash = Sha256::new();
    hash.update(VERSION);
    hash.update(table_digest);
    hash.update("\n");
    for Decision { trial_id, action: Action::SetAside, reason, decided_by } in &decisions.list {
        for text in [trial_id, "set_aside", reason, decided_by] {
            hash.update(format!("{}:{text},", text.len()));
        }
        hash.update("\n");
    }
    hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
}
