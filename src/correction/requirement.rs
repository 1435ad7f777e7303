//! Minimum times that somebody requires. The crate has none of its own.

use serde::Serialize;

use crate::error::{ErrorKind, Result};

/// A minimum time with the name its source gives it, such as a zone and level of a standard.
///
/// ```
/// use surface_severity::correction::Requirement;
/// let zone = Requirement::new("zone 1", 4.0)?;
/// assert_eq!((zone.name(), zone.seconds()), ("zone 1", 4.0));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Requirement {
    name: String,
    seconds: f64,
}

impl Requirement {
    /// A requirement of at least `seconds`.
    ///
    /// ```
    /// use surface_severity::correction::Requirement;
    /// assert!(Requirement::new("zone 1", 4.0).is_ok());
    /// assert!(Requirement::new("", 4.0).is_err() && Requirement::new("zone 1", 0.0).is_err());
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] without a name or for a time that is not positive and finite.
    pub fn new(name: impl Into<String>, seconds: f64) -> Result<Self> {
        let name = name.into();
        if name.trim().is_empty() {
            return Err(ErrorKind::option("requirement", &name, "a name"));
        }
        if !(seconds > 0.0 && seconds.is_finite()) {
            return Err(ErrorKind::option(&format!("requirement {name}"), seconds, "a positive, finite time"));
        }
        Ok(Self { name, seconds })
    }
    /// Its name.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }
    /// The least time, s.
    #[must_use]
    pub fn seconds(&self) -> f64 {
        self.seconds
    }
}

/// Probabilities of reaching one requirement on the road.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
/// use surface_severity::correction::Requirement;
/// let time = correction.apply_on("brushed concrete", &reports.reports()[1])?;
/// let zone = Requirement::new("zone 1", 4.0)?;
/// let row = &time.reaching(&[zone])?[0];
/// assert_eq!(row.median, time.probability_of_reaching(4.0)?);
/// assert_eq!(row.specimen, time.probability_of_specimen_reaching(4.0)?);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Reaching {
    /// The requirement.
    pub requirement: Requirement,
    /// Probability that the road median of the material reaches it.
    pub median: f64,
    /// Probability that one further specimen reaches it on the road.
    pub specimen: f64,
}

/// Evaluates all, refusing two of one name.
pub(super) fn evaluate(
    requirements: &[Requirement],
    median: impl Fn(f64) -> Result<f64>,
    specimen: impl Fn(f64) -> Result<f64>,
) -> Result<Vec<Reaching>> {
    for (i, r) in requirements.iter().enumerate() {
        if requirements[..i].iter().any(|o| o.name == r.name) {
            return Err(ErrorKind::option("requirements", &r.name, "each name once"));
        }
    }
    requirements
        .iter()
        .map(|r| Ok(Reaching { requirement: r.clone(), median: median(r.seconds)?, specimen: specimen(r.seconds)? }))
        .collect()
}
