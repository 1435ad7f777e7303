//! Campaigns built in code.

use super::check::{Draft, Wishes, assemble};
use super::problems::Problems;
use super::table::Campaign;
use super::trial::Trial;
use crate::error::{Error, Result};

/// Collects trials and checks them all in [`build`](Self::build).
///
/// The checks are those of a file; problems carry `trials` as the file and the 1-based position of
/// the trial as the line.
///
/// ```
/// use surface_severity::campaign::{CampaignBuilder, Trial};
/// let mut builder: CampaignBuilder = (1..=3)
///     .map(|i| Trial::perforated(format!("T{i}"), "asphalt", "cowhide", 3.0 + f64::from(i)))
///     .collect();
/// builder.extend([Trial::run_out("T4", "belt", "cowhide", 10.0)]);
/// let campaign = builder.laboratory_surface("belt").build()?;
/// assert_eq!(campaign.laboratory_surfaces(), ["belt"]);
/// assert_eq!(campaign.road_surfaces(), ["asphalt"]);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Default)]
pub struct CampaignBuilder {
    trials: Vec<Trial>,
    wishes: Wishes,
}

impl CampaignBuilder {
    /// Adds one trial.
    ///
    /// ```
    /// use surface_severity::campaign::{Campaign, Trial};
    /// let campaign = Campaign::builder().trial(Trial::perforated("T1", "asphalt", "cowhide", 4.1)).build()?;
    /// assert_eq!(campaign.len(), 1);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn trial(mut self, trial: Trial) -> Self {
        self.trials.push(trial);
        self
    }

    /// Adds many trials.
    #[must_use]
    pub fn trials(mut self, trials: impl IntoIterator<Item = Trial>) -> Self {
        self.trials.extend(trials);
        self
    }

    /// Names a laboratory surface; repeatable. Every other surface without a role becomes a road.
    #[must_use]
    pub fn laboratory_surface(mut self, name: impl Into<String>) -> Self {
        self.wishes.laboratory_surfaces.push(name.into());
        self
    }

    /// How many entries an error lists; at least 1, 50 unless set. Many problems of one kind in one column are one entry; all
    /// problems are counted.
    ///
    /// ```
    /// use surface_severity::{ErrorKind, campaign::{Campaign, Trial}};
    /// let bad = (0..80).map(|i| Trial::perforated(format!("T{i}"), "asphalt", "cowhide", -1.0).layers(i % 2));
    /// let error = Campaign::builder().trials(bad).problem_limit(1).build().unwrap_err();
    /// // Eighty negative times are one entry, which is listed; the forty trials of no layer are only counted.
    /// let ErrorKind::Table { problems, total: 120, .. } = error.kind() else { panic!("{error}") };
    /// assert_eq!((problems.len(), problems[0].count, problems[0].last_line), (1, 80, 80));
    /// ```
    #[must_use]
    pub fn problem_limit(mut self, limit: usize) -> Self {
        self.wishes.problem_limit = limit;
        self
    }

    /// Checks everything and builds the campaign.
    ///
    /// ```
    /// use surface_severity::{ErrorKind, campaign::{Campaign, Trial}};
    /// // Every problem of every trial is named at once: a time of zero and a void without its reason.
    /// let error = Campaign::builder()
    ///     .trial(Trial::perforated("T1", "asphalt", "cowhide", 0.0))
    ///     .trial(Trial::void("T2", "asphalt", "cowhide", ""))
    ///     .build()
    ///     .unwrap_err();
    /// assert!(matches!(error.kind(), ErrorKind::Table { total: 2, .. }));
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Table`](crate::ErrorKind::Table) with every problem,
    /// [`ErrorKind::EmptyTable`](crate::ErrorKind::EmptyTable) without trials,
    /// [`ErrorKind::UnknownSurface`](crate::ErrorKind::UnknownSurface) for a laboratory surface that
    /// no trial names, [`ErrorKind::InvalidOption`](crate::ErrorKind::InvalidOption) for a zero
    /// problem limit.
    pub fn build(self) -> Result<Campaign> {
        let drafts = (1..).zip(self.trials).map(|(line, trial)| Draft { line, trial, refused: 0 }).collect();
        assemble(drafts, Problems::new("trials"), &self.wishes)
    }
}

impl Extend<Trial> for CampaignBuilder {
    fn extend<T: IntoIterator<Item = Trial>>(&mut self, trials: T) {
        self.trials.extend(trials);
    }
}

impl FromIterator<Trial> for CampaignBuilder {
    fn from_iter<T: IntoIterator<Item = Trial>>(trials: T) -> Self {
        Self { trials: trials.into_iter().collect(), wishes: Wishes::default() }
    }
}

impl TryFrom<Vec<Trial>> for Campaign {
    type Error = Error;
    /// As [`Campaign::from_trials`].
    fn try_from(trials: Vec<Trial>) -> Result<Self> {
        Self::from_trials(trials)
    }
}
