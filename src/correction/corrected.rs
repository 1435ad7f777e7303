//! A laboratory report read as times on one road surface.

use super::classes::CorrectionBasis;
use super::predict::Predictive;
use super::requirement::{Reaching, Requirement, evaluate};
use super::validity::Validity;
use crate::equivalence::Form;
use crate::error::{ErrorKind, Result};
use crate::estimate::Estimate;
use serde::Serialize;

/// A laboratory report read as times on one road surface.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
/// let time = correction.apply_on("brushed concrete", &reports.reports()[1])?;
/// // From the average material over this one to one more specimen of it: less and less is known.
/// let width = |e: &surface_severity::Estimate| e.interval().map(|i| i.upper() / i.lower()).unwrap();
/// assert!(width(time.expected_road_median_s()) < width(time.road_median_s()));
/// assert!(width(time.road_median_s()) < width(time.road_specimen_s()));
/// println!("{} on {}: {}", time.material(), time.surface(), time.validity());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct CorrectedTime {
    pub(super) report_id: String,
    pub(super) material: String,
    pub(super) material_class: Option<String>,
    pub(super) surface: String,
    pub(super) form: Form,
    pub(super) specimens: usize,
    pub(super) laboratory_median_s: Estimate,
    pub(super) expected_road_median_s: Estimate,
    pub(super) road_median_s: Estimate,
    pub(super) road_specimen_s: Estimate,
    pub(super) validity: Validity,
    pub(super) scatter_p_value: Option<f64>,
    pub(super) belt_ratio: Option<f64>,
    pub(super) basis: CorrectionBasis,
    /// Of the road median of the material, and of one further specimen.
    #[serde(skip)]
    pub(super) predictives: Option<[Predictive; 2]>,
}

impl CorrectedTime {
    /// By how much the belt of the report lets the reference cloth last longer than that of the campaign, where the report was
    /// read through its own reference reading: its times were divided by it.
    #[must_use]
    pub fn belt_ratio(&self) -> Option<f64> {
        self.belt_ratio
    }
    /// Name of the report.
    #[must_use]
    pub fn report_id(&self) -> &str {
        &self.report_id
    }
    /// The material.
    #[must_use]
    pub fn material(&self) -> &str {
        &self.material
    }
    /// Its class, if stated.
    #[must_use]
    pub fn material_class(&self) -> Option<&str> {
        self.material_class.as_deref()
    }
    /// The road surface.
    #[must_use]
    pub fn surface(&self) -> &str {
        &self.surface
    }
    /// Form of the correction.
    #[must_use]
    pub fn form(&self) -> Form {
        self.form
    }
    /// Specimens of the report that count.
    #[must_use]
    pub fn specimens(&self) -> usize {
        self.specimens
    }
    /// Median on the belt, s.
    #[must_use]
    pub fn laboratory_median_s(&self) -> &Estimate {
        &self.laboratory_median_s
    }
    /// Median on the road, s, of the average material with this laboratory time: the interval holds the uncertainty of
    /// the report and of the line, but not the scatter τ between materials. It is a confidence interval.
    #[must_use]
    pub fn expected_road_median_s(&self) -> &Estimate {
        &self.expected_road_median_s
    }
    /// Median on the road, s, of this very material: a prediction interval, with τ.
    #[must_use]
    pub fn road_median_s(&self) -> &Estimate {
        &self.road_median_s
    }
    /// Time on the road, s, of one further specimen of this material: a prediction interval, with τ and σ.
    #[must_use]
    pub fn road_specimen_s(&self) -> &Estimate {
        &self.road_specimen_s
    }
    /// How the report lies to the domain of the correction.
    #[must_use]
    pub fn validity(&self) -> &Validity {
        &self.validity
    }
    /// p-value of the F test (two-sided) of the report's own scatter against that of the campaign; small: the
    /// material scatters differently, and the intervals, which use the campaign's, do not hold for it. `None` without
    /// two or more perforated specimens, with a censored one, or for another distribution than the log-normal.
    #[must_use]
    pub fn scatter_p_value(&self) -> Option<f64> {
        self.scatter_p_value
    }

    /// What it rests on: the common correction, that of the report's class, or the common one for want of the other.
    #[must_use]
    pub fn basis(&self) -> CorrectionBasis {
        self.basis
    }

    /// The distribution behind the road median (0) or one further specimen (1).
    pub(super) fn predictive(&self, which: usize) -> Option<&Predictive> {
        self.predictives.as_ref().and_then(|p| p.get(which))
    }

    /// Both probabilities for each of the requirements.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
    /// use surface_severity::correction::Requirement;
    /// let time = correction.apply_on("brushed concrete", &reports.reports()[1])?;
    /// let rows = time.reaching(&[Requirement::new("zone 1", 4.0)?, Requirement::new("zone 2", 1.0)?])?;
    /// assert_eq!(rows[0].requirement.name(), "zone 1");
    /// assert!(rows[0].median <= rows[1].median && rows[0].specimen <= rows[1].specimen);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for two requirements of one name; [`ErrorKind::NotEstimable`] where only a bound of
    /// the laboratory time is known.
    pub fn reaching(&self, requirements: &[Requirement]) -> Result<Vec<Reaching>> {
        evaluate(requirements, |t| self.probability_of_reaching(t), |t| self.probability_of_specimen_reaching(t))
    }

    /// Probability that the median of this material on the road is at least `required_s`, from the distribution behind
    /// [`road_median_s`](Self::road_median_s).
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
    /// let time = correction.apply_on("brushed concrete", &reports.reports()[1])?;
    /// // The lower limit of the 95 % prediction interval is reached with probability 0.975.
    /// let median = time.road_median_s().interval().unwrap();
    /// assert!((time.probability_of_reaching(median.lower())? - 0.975).abs() < 1e-6);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a time that is not positive and finite; [`ErrorKind::NotEstimable`] where only
    /// a bound of the laboratory time is known.
    pub fn probability_of_reaching(&self, required_s: f64) -> Result<f64> {
        self.probability(required_s, 0)
    }

    /// Probability that one further specimen of this material lasts at least `required_s` on the road.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
    /// let time = correction.apply_on("brushed concrete", &reports.reports()[1])?;
    /// let specimen = time.road_specimen_s().interval().unwrap();
    /// assert!((time.probability_of_specimen_reaching(specimen.lower())? - 0.975).abs() < 1e-6);
    /// assert!(time.probability_of_specimen_reaching(-1.0).is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`probability_of_reaching`](Self::probability_of_reaching).
    pub fn probability_of_specimen_reaching(&self, required_s: f64) -> Result<f64> {
        self.probability(required_s, 1)
    }

    fn probability(&self, required_s: f64, which: usize) -> Result<f64> {
        if !(required_s > 0.0 && required_s.is_finite()) {
            return Err(ErrorKind::option("required_s", required_s, "a positive, finite time"));
        }
        match &self.predictives {
            Some(p) => Ok(p[which].survival(libm::log(required_s)).clamp(0.0, 1.0)),
            None => Err(ErrorKind::NotEstimable {
                quantity: "the probability of reaching a time".into(),
                reason: self.road_median_s.reason().unwrap_or("the report gives only a bound").into(),
            }
            .into()),
        }
    }
}
