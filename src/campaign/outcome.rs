//! How a trial ended, and what a surface is used as.

use std::fmt;
use std::str::FromStr;

use serde::{Deserialize, Serialize};

use crate::error::{Error, ErrorKind, Result};

/// How a trial ended.
///
/// ```
/// use surface_severity::campaign::Outcome;
/// let outcome: Outcome = "run_out".parse()?;
/// assert!(outcome.is_censored(), "its time is only a bound");
/// assert_eq!(outcome.as_str(), "run_out");
/// assert!(!Outcome::Perforated.is_censored());
/// assert!("holed".parse::<Outcome>().is_err());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Outcome {
    /// The innermost layer was worn through: the time is exact.
    Perforated,
    /// The run ended first: the time is a lower bound (right-censored).
    RunOut,
    /// It failed within the time resolution of the clock: the time is an upper bound (left-censored).
    OpenedAtContact,
    /// Not a valid trial; kept with its reason, never fitted.
    Void,
}

impl Outcome {
    /// All outcomes.
    pub const ALL: [Self; 4] = [Self::Perforated, Self::RunOut, Self::OpenedAtContact, Self::Void];

    /// The word used in trials.csv.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Perforated => "perforated",
            Self::RunOut => "run_out",
            Self::OpenedAtContact => "opened_at_contact",
            Self::Void => "void",
        }
    }

    /// True for the outcomes whose time is only a bound.
    #[must_use]
    pub fn is_censored(self) -> bool {
        matches!(self, Self::RunOut | Self::OpenedAtContact)
    }
}

impl fmt::Display for Outcome {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

impl FromStr for Outcome {
    type Err = Error;
    fn from_str(text: &str) -> Result<Self> {
        Self::ALL
            .into_iter()
            .find(|o| o.as_str() == text)
            .ok_or_else(|| ErrorKind::option("outcome", text, "one of perforated, run_out, opened_at_contact, void"))
    }
}

/// What a surface is used as.
///
/// ```
/// use surface_severity::campaign::{Campaign, SurfaceRole};
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let belt = &campaign.surfaces()[campaign.surface("laboratory belt")?];
/// assert_eq!(belt.role, Some(SurfaceRole::Laboratory));
/// assert_eq!("road".parse::<SurfaceRole>()?.as_str(), "road");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Hash, PartialOrd, Ord, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum SurfaceRole {
    /// A road surface.
    Road,
    /// The laboratory machine's abrasive belt.
    Laboratory,
}

impl SurfaceRole {
    /// Both roles.
    pub const ALL: [Self; 2] = [Self::Road, Self::Laboratory];

    /// The word used in trials.csv.
    #[must_use]
    pub fn as_str(self) -> &'static str {
        match self {
            Self::Road => "road",
            Self::Laboratory => "laboratory",
        }
    }
}

impl fmt::Display for SurfaceRole {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(self.as_str())
    }
}

impl FromStr for SurfaceRole {
    type Err = Error;
    fn from_str(text: &str) -> Result<Self> {
        Self::ALL
            .into_iter()
            .find(|r| r.as_str() == text)
            .ok_or_else(|| ErrorKind::option("surface_role", text, "road or laboratory"))
    }
}
