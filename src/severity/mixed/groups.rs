//! Grouping factors: levels, and whether their variance can be estimated at all.

use std::collections::BTreeMap;
use std::fmt;

use crate::error::{ErrorKind, Result};

/// One grouping factor with its level per trial.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::severity) struct Grouped {
    pub(in crate::severity) name: String,
    /// Names, sorted.
    pub(in crate::severity) levels: Vec<String>,
    /// Level of each trial; `None` where the factor does not act on it.
    pub(in crate::severity) level: Vec<Option<usize>>,
}

impl Grouped {
    pub(in crate::severity) fn of_codes(name: &str, codes: &[usize]) -> Self {
        let mut sorted = codes.to_vec();
        sorted.sort_unstable();
        sorted.dedup();
        Self {
            name: name.into(),
            level: codes.iter().map(|c| sorted.binary_search(c).ok()).collect(),
            levels: sorted.iter().map(ToString::to_string).collect(),
        }
    }

    /// Levels from labels; a missing label is no level.
    pub(in crate::severity) fn of_labels<T: Ord>(
        name: &str,
        labels: &[Option<T>],
        show: impl Fn(&T) -> String,
    ) -> Self {
        let mut sorted: Vec<&T> = labels.iter().flatten().collect();
        sorted.sort_unstable();
        sorted.dedup();
        Self {
            name: name.into(),
            level: labels.iter().map(|l| l.as_ref().and_then(|l| sorted.binary_search(&l).ok())).collect(),
            levels: sorted.into_iter().map(show).collect(),
        }
    }

    /// Levels renumbered by first appearance: equal for two factors that group alike.
    fn canonical(&self) -> Vec<Option<usize>> {
        let mut seen: BTreeMap<usize, usize> = BTreeMap::new();
        self.level
            .iter()
            .map(|level| {
                level.map(|l| {
                    let next = seen.len();
                    *seen.entry(l).or_insert(next)
                })
            })
            .collect()
    }
}

/// The first random effect of each factor, and how many there are in all.
pub(in crate::severity) fn offsets(groups: &[Grouped]) -> Vec<usize> {
    let ends = groups.iter().scan(0, |end, g| {
        *end += g.levels.len();
        Some(*end)
    });
    std::iter::once(0).chain(ends).collect()
}

/// Why the variance of a grouping factor cannot be estimated, whatever the times are.
#[derive(Debug, Clone, PartialEq)]
pub(in crate::severity) enum Flaw {
    /// So few levels.
    Levels(usize),
    /// Each of so many trials is a level.
    EachItsOwn(usize),
    /// It groups the trials as the factor of this name does.
    TwinOf(String),
}

impl fmt::Display for Flaw {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Levels(levels) => write!(f, "it has {levels} level(s); at least two are needed"),
            Self::EachItsOwn(trials) => write!(
                f,
                "each of the {trials} trials is a level of its own, so it cannot be told from replicate scatter; \
                 repeat trials within levels"
            ),
            Self::TwinOf(name) => write!(f, "it groups the trials exactly as {name} does; keep one of the two"),
        }
    }
}

/// The flaw of the factor `at` beside those before it.
pub(in crate::severity) fn flaw(groups: &[Grouped], at: usize, trials: usize) -> Option<Flaw> {
    let group = &groups[at];
    let acted = group.level.iter().flatten().count();
    if group.levels.len() < 2 {
        return Some(Flaw::Levels(group.levels.len()));
    }
    if group.levels.len() == acted && acted == trials {
        return Some(Flaw::EachItsOwn(trials));
    }
    let twin = groups[..at].iter().find(|other| other.canonical() == group.canonical())?;
    Some(Flaw::TwinOf(twin.name.clone()))
}

/// # Errors
/// `InvalidOption` for two factors of one name; `NotEstimable` for one with a [`Flaw`].
pub(in crate::severity) fn check_partitions(groups: &[Grouped], trials: usize) -> Result<()> {
    for (at, group) in groups.iter().enumerate() {
        if groups[..at].iter().any(|other| other.name == group.name) {
            return Err(ErrorKind::option("random", &group.name, "each grouping factor once"));
        }
        if let Some(flaw) = flaw(groups, at, trials) {
            let quantity = format!("the variance of {}", group.name);
            return Err(ErrorKind::NotEstimable { quantity, reason: flaw.to_string() }.into());
        }
    }
    Ok(())
}
