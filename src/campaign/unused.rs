//! Columns that are recorded and not used.

use std::collections::BTreeSet;
use std::fmt;

use serde::Serialize;

use super::column::{Column, meant};
use super::table::Campaign;

/// A column of the table that no method uses: kept as text, named in the outputs.
///
/// ```
/// use surface_severity::campaign::{Campaign, Trial};
/// let campaign = Campaign::from_trials([
///     Trial::perforated("T1", "asphalt", "cowhide", 4.1).covariate("date", "3 June").covariate("camera", "left"),
///     Trial::perforated("T2", "asphalt", "cowhide", 3.8).covariate("date", "4 June"),
/// ])?;
/// let unused = campaign.unused_columns();
/// assert_eq!((unused[0].name.as_str(), unused[0].trials, unused[0].did_you_mean), ("camera", 1, None));
/// // Nothing is guessed: who means the day has to say so.
/// assert_eq!(unused[1].did_you_mean, Some("day"));
/// assert_eq!(unused[1].to_string(), "date (2 trials; did you mean day?)");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq, Serialize)]
#[non_exhaustive]
pub struct UnusedColumn {
    /// Its name in the header.
    pub name: String,
    /// Trials that have text in it; at least 1.
    pub trials: usize,
    /// Different texts in it.
    pub labels: usize,
    /// The column of the contract that this may have been meant for, where the table has nothing in that one.
    pub did_you_mean: Option<&'static str>,
}

/// Such as `date (40 trials; did you mean day?)`.
impl fmt::Display for UnusedColumn {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{} ({} trial{}", self.name, self.trials, if self.trials == 1 { "" } else { "s" })?;
        if let Some(column) = self.did_you_mean {
            write!(f, "; did you mean {column}?")?;
        }
        f.write_str(")")
    }
}

impl Campaign {
    /// The columns that are kept as text and that no method uses, sorted by name, each with the column of the contract that
    /// its name suggests. Nothing is guessed from that.
    #[must_use]
    pub fn unused_columns(&self) -> Vec<UnusedColumn> {
        let filled = |name: &str| {
            let column = Column::ALL.into_iter().find(|c| c.name() == name);
            column.is_some_and(|c| {
                c == Column::SurfaceRole && self.trials().iter().any(|t| t.surface_role.is_some())
                    || self.trials().iter().any(|t| c.optional_text(t).is_some() || c.decimal(t).is_some())
            })
        };
        self.covariate_columns()
            .into_iter()
            .map(|name| {
                let texts = self.trials().iter().filter_map(|t| t.covariates.get(name));
                UnusedColumn {
                    name: name.into(),
                    trials: texts.clone().count(),
                    labels: texts.collect::<BTreeSet<_>>().len(),
                    did_you_mean: meant(name).filter(|column| !filled(column)),
                }
            })
            .collect()
    }
}
