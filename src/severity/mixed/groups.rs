//! Grouping factors: levels, and whether their variance can be estimated at all.

use std::collections::BTreeMap;

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

/// # Errors
/// `NotEstimable` for one level, for as many levels as trials, for two factors that group alike.
pub(in crate::severity) fn check_partitions(groups: &[Grouped], trials: usize) -> Result<()> {
    for (at, group) in groups.iter().enumerate() {
        let not = |reason: String| -> Result<()> {
            Err(ErrorKind::NotEstimable { quantity: format!("the variance of {}", group.name), reason }.into())
        };
        if groups[..at].iter().any(|other| other.name == group.name) {
            return Err(ErrorKind::option("random", &group.name, "each grouping factor once"));
        }
        let acted = group.level.iter().flatten().count();
        if group.levels.len() < 2 {
            return not(format!("it has {} level(s); at least two are needed", group.levels.len()));
        }
        if group.levels.len() == acted && acted == trials {
            return not(format!(
                "each of the {trials} trials is a level of its own, so it cannot be told from replicate scatter; \
                 repeat trials within levels"
            ));
        }
        if let Some(twin) = groups[..at].iter().find(|other| other.canonical() == group.canonical()) {
            return not(format!("it groups the trials exactly as {} does; keep one of the two", twin.name));
        }
    }
    Ok(())
}
