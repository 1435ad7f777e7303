//! Laboratory reports: times measured on the belt alone.

use crate::campaign::{Outcome, normalise_label, refuse_time};
use crate::error::{ErrorKind, Result};
use crate::estimate::BoundSide;
use crate::numeric::count;
use crate::numeric::root::bracketed;
use crate::severity::Distribution;

/// One specimen of a report.
///
/// ```
/// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
/// use surface_severity::campaign::Outcome;
/// // Of report LR-09 one specimen outlasted its run.
/// let report = reports.reports().iter().find(|r| r.report_id() == "LR-09").unwrap();
/// let whole: Vec<_> = report.specimens().iter().filter(|s| s.outcome == Outcome::RunOut).collect();
/// assert_eq!((whole.len(), whole[0].abrasion_time_s), (1, Some(7.5)));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Specimen {
    /// Its time, s: exact, a lower or an upper bound after its outcome; `None` for a void without one.
    pub abrasion_time_s: Option<f64>,
    /// How it ended.
    pub outcome: Outcome,
}

/// What a report says about its specimens.
#[derive(Debug, Clone, PartialEq)]
enum Times {
    Specimens(Vec<Specimen>),
    Mean { geometric_mean_s: f64, specimens: u32, log_sd: f64 },
}

/// A laboratory report on one material: specimens, or their mean.
///
/// ```
/// use surface_severity::campaign::Outcome;
/// use surface_severity::correction::LabReport;
/// let times = [(4.0, Outcome::Perforated), (5.0, Outcome::Perforated)];
/// let report = LabReport::from_specimens("R 7", "new twill", Some("single-layer textile".into()), &times)?;
/// assert_eq!((report.counted(), report.material_class()), (2, Some("single-layer textile")));
/// assert!((report.log_sd().unwrap() - 1.25_f64.ln() / 2_f64.sqrt()).abs() < 1e-12);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct LabReport {
    report_id: String,
    material: String,
    material_class: Option<String>,
    laboratory_surface: Option<String>,
    times: Times,
    days: u32,
    reference: Option<ReferenceReading>,
}

/// What the reference cloth gave on the day and belt of a report.
///
/// ```
/// use surface_severity::correction::LabReport;
/// let report = LabReport::from_mean("R 7", "new twill", None, 4.47, 6, 0.16)?.with_reference(3.9, 2)?;
/// assert_eq!(report.reference().map(|r| (r.geometric_mean_s, r.drops)), Some((3.9, 2)));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct ReferenceReading {
    /// Geometric mean of its times, s.
    pub geometric_mean_s: f64,
    /// Drops that it is the mean of.
    pub drops: u32,
}

fn time(name: &str, value: f64) -> Result<()> {
    if !(value > 0.0 && value.is_finite()) {
        return Err(ErrorKind::option(name, value, "a positive, finite number"));
    }
    refuse_time(value).map_or(Ok(()), |expected| Err(ErrorKind::option(name, value, &expected)))
}

/// A label in its normal form.
fn label(name: &str, text: impl Into<String>) -> Result<String> {
    let mut text = text.into();
    match normalise_label(&mut text) {
        Some(expected) => Err(ErrorKind::option(name, text, &expected)),
        None if text.is_empty() => Err(ErrorKind::option(name, "", "a name")),
        None => Ok(text),
    }
}

impl LabReport {
    /// One row of a table, checked by its reader: a specimen, or a mean where `mean` has a count and a log standard deviation.
    pub(super) fn from_row(
        [report_id, material]: [String; 2],
        [material_class, laboratory_surface]: [Option<String>; 2],
        specimen: Specimen,
        mean: Option<(u32, f64)>,
        (days, reference): (u32, Option<ReferenceReading>),
    ) -> Self {
        let times = match (mean, specimen.abrasion_time_s) {
            (Some((specimens, log_sd)), Some(geometric_mean_s)) => Times::Mean { geometric_mean_s, specimens, log_sd },
            _ => Times::Specimens(vec![specimen]),
        };
        Self { report_id, material, material_class, laboratory_surface, times, days, reference }
    }

    /// A report from the times of its specimens, s, each with its outcome; a void is kept and not used.
    ///
    /// ```
    /// use surface_severity::campaign::Outcome;
    /// use surface_severity::correction::LabReport;
    /// let times = [(4.0, Outcome::Perforated), (8.0, Outcome::RunOut), (1.0, Outcome::Void)];
    /// let report = LabReport::from_specimens("R 7", "new twill", None, &times)?;
    /// assert_eq!((report.specimens().len(), report.counted(), report.log_sd()), (3, 2, None));
    /// assert!(LabReport::from_specimens("R 7", "new twill", None, &[(0.0, Outcome::Perforated)]).is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] without any specimen or for a time that no clock gives (from 0.0001 s to
    /// 100 000 s it may be), or an empty name.
    pub fn from_specimens(
        report_id: impl Into<String>,
        material: impl Into<String>,
        material_class: Option<String>,
        specimens: &[(f64, Outcome)],
    ) -> Result<Self> {
        if specimens.is_empty() {
            return Err(ErrorKind::option("specimens", 0, "at least one specimen"));
        }
        for (seconds, _) in specimens {
            time("abrasion_time_s", *seconds)?;
        }
        let times =
            specimens.iter().map(|(t, outcome)| Specimen { abrasion_time_s: Some(*t), outcome: *outcome }).collect();
        Ok(Self {
            report_id: label("report_id", report_id)?,
            material: label("material", material)?,
            material_class: material_class.map(|class| label("material_class", class)).transpose()?,
            laboratory_surface: None,
            times: Times::Specimens(times),
            days: 1,
            reference: None,
        })
    }

    /// A report from the geometric mean of `specimens` perforated specimens, s, and the standard deviation of the
    /// natural logarithms of their times.
    ///
    /// ```
    /// use surface_severity::correction::LabReport;
    /// // Geometric mean 4.47 s of five specimens, standard deviation of their natural logs 0.16.
    /// let report = LabReport::from_mean("R 7", "new twill", None, 4.47, 5, 0.16)?;
    /// assert_eq!((report.counted(), report.log_sd(), report.specimens().len()), (5, Some(0.16), 0));
    /// assert!(LabReport::from_mean("R 7", "new twill", None, 4.47, 1, 0.0).is_err(), "one specimen is no mean");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a mean that no clock gives, an empty name, fewer than two specimens, or a
    /// standard deviation that is negative or not finite.
    pub fn from_mean(
        report_id: impl Into<String>,
        material: impl Into<String>,
        material_class: Option<String>,
        geometric_mean_s: f64,
        specimens: u32,
        log_sd: f64,
    ) -> Result<Self> {
        time("geometric_mean_s", geometric_mean_s)?;
        if specimens < 2 {
            return Err(ErrorKind::option("specimens", specimens, "at least 2 specimens in a mean"));
        }
        if !(log_sd >= 0.0 && log_sd.is_finite()) {
            return Err(ErrorKind::option("log_sd", log_sd, "a finite standard deviation of at least 0"));
        }
        Ok(Self {
            report_id: label("report_id", report_id)?,
            material: label("material", material)?,
            material_class: material_class.map(|class| label("material_class", class)).transpose()?,
            laboratory_surface: None,
            times: Times::Mean { geometric_mean_s, specimens, log_sd },
            days: 1,
            reference: None,
        })
    }

    /// Sets the number of days that the specimens came from, alike from each: 1 unless said otherwise. What trials of one
    /// day share is the less in their mean, the more days there were.
    ///
    /// ```
    /// use surface_severity::correction::LabReport;
    /// let report = LabReport::from_mean("R 7", "new twill", None, 4.47, 6, 0.16)?.on_days(2)?;
    /// assert_eq!(report.counted(), 6, "three specimens on each of two days");
    /// assert!(report.clone().on_days(0).is_err() && report.on_days(7).is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for 0 and for more days than there are specimens that count.
    pub fn on_days(mut self, days: u32) -> Result<Self> {
        let most = self.counted().max(1);
        if days == 0 || usize::try_from(days).is_ok_and(|days| days > most) {
            let expected = format!("at least 1 and at most {most}, the specimens that count");
            return Err(ErrorKind::option("days", days, &expected));
        }
        self.days = days;
        Ok(self)
    }

    /// Says on which laboratory surface the specimens were run; with more than one belt no correction can be chosen without.
    ///
    /// ```
    /// use surface_severity::correction::LabReport;
    /// let report = LabReport::from_mean("R 7", "new twill", None, 4.47, 6, 0.16)?.on_surface("coarse belt")?;
    /// assert_eq!(report.laboratory_surface(), Some("coarse belt"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a name that cannot be a label.
    pub fn on_surface(mut self, laboratory_surface: impl Into<String>) -> Result<Self> {
        self.laboratory_surface = Some(label("laboratory_surface", laboratory_surface)?);
        Ok(self)
    }
    /// Adds what the reference cloth gave on the same days and belt: the geometric mean of its times, s, over so many drops.
    /// A correction that knows the cloth ([`Correction::with_reference_cloth`](super::Correction::with_reference_cloth))
    /// reads the report through it; days, runs and belts of the report then cancel, and the error of this reading counts.
    ///
    /// ```
    /// use surface_severity::correction::LabReport;
    /// let report = LabReport::from_mean("R 7", "new twill", None, 4.47, 6, 0.16)?;
    /// assert!(report.clone().with_reference(3.9, 0).is_err(), "at least one drop");
    /// assert!(report.with_reference(0.0, 2).is_err(), "a time that a clock gives");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a time that no clock gives, and for no drop.
    pub fn with_reference(mut self, geometric_mean_s: f64, drops: u32) -> Result<Self> {
        time("reference_time_s", geometric_mean_s)?;
        if drops == 0 {
            return Err(ErrorKind::option("reference_drops", drops, "at least one drop"));
        }
        self.reference = Some(ReferenceReading { geometric_mean_s, drops });
        Ok(self)
    }

    /// What the reference cloth gave beside it, if stated.
    #[must_use]
    pub fn reference(&self) -> Option<ReferenceReading> {
        self.reference
    }
    pub(crate) fn days(&self) -> f64 {
        f64::from(self.days)
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
    /// The laboratory surface it was measured on, if stated.
    #[must_use]
    pub fn laboratory_surface(&self) -> Option<&str> {
        self.laboratory_surface.as_deref()
    }
    /// Days as a count.
    pub(super) fn day_count(&self) -> u32 {
        self.days
    }
    /// Adds the specimens of another row of the same report; false where either is a mean.
    pub(super) fn join(&mut self, other: &Self) -> bool {
        match (&mut self.times, &other.times) {
            (Times::Specimens(specimens), Times::Specimens(more)) => {
                specimens.extend(more);
                true
            }
            _ => false,
        }
    }
    /// The single specimens; empty where only their mean is reported.
    #[must_use]
    pub fn specimens(&self) -> &[Specimen] {
        match &self.times {
            Times::Specimens(specimens) => specimens,
            Times::Mean { .. } => &[],
        }
    }
    /// Number of specimens that count: voids do not.
    #[must_use]
    pub fn counted(&self) -> usize {
        match &self.times {
            Times::Specimens(specimens) => specimens.iter().filter(|s| s.outcome != Outcome::Void).count(),
            Times::Mean { specimens, .. } => usize::try_from(*specimens).unwrap_or(usize::MAX),
        }
    }
    /// Standard deviation of the log times of the specimens; `None` with a censored one or fewer than two.
    #[must_use]
    pub fn log_sd(&self) -> Option<f64> {
        match &self.times {
            Times::Mean { log_sd, .. } => Some(*log_sd),
            Times::Specimens(_) => {
                let logs = self.exact_logs()?;
                if logs.len() < 2 {
                    return None;
                }
                let n = count(logs.len());
                let mean = logs.iter().sum::<f64>() / n;
                Some(libm::sqrt(logs.iter().map(|y| (y - mean) * (y - mean)).sum::<f64>() / (n - 1.0)))
            }
        }
    }

    /// Log times, unless one of those that count is censored.
    fn exact_logs(&self) -> Option<Vec<f64>> {
        self.specimens()
            .iter()
            .filter(|s| s.outcome != Outcome::Void)
            .map(|s| match (s.outcome, s.abrasion_time_s) {
                (Outcome::Perforated, Some(t)) => Some(libm::log(t)),
                _ => None,
            })
            .collect()
    }

    /// The log median of this report on the belt, σ given.
    pub(crate) fn log_median(&self, sigma: f64, distribution: Distribution, bound_level: f64) -> LogMedian {
        let spread = sigma * distribution.median();
        if let Times::Mean { geometric_mean_s, specimens, .. } = &self.times {
            let (value, variance) = median_of_mean(*geometric_mean_s, *specimens, sigma, distribution);
            return LogMedian::Known { value, variance };
        }
        let times: Vec<(f64, Outcome)> = self
            .specimens()
            .iter()
            .filter(|s| s.outcome != Outcome::Void)
            .filter_map(|s| Some((libm::log(s.abrasion_time_s?), s.outcome)))
            .collect();
        if times.is_empty() {
            return LogMedian::Nothing;
        }
        if distribution == Distribution::LogNormal
            && let Some(logs) = self.exact_logs()
        {
            let n = count(logs.len());
            return LogMedian::Known { value: logs.iter().sum::<f64>() / n, variance: sigma * sigma / n };
        }
        let some = |outcome| times.iter().any(|t| t.1 == outcome);
        if !some(Outcome::Perforated) {
            match (some(Outcome::RunOut), some(Outcome::OpenedAtContact)) {
                (true, false) => return bound(&times, BoundSide::AtLeast, sigma, distribution, bound_level),
                (false, true) => return bound(&times, BoundSide::AtMost, sigma, distribution, bound_level),
                _ => {}
            }
        }
        // Maximum likelihood of the location, σ given: the score falls with the location (log-concave terms).
        let score = |location: f64| -> f64 {
            times.iter().map(|&(y, outcome)| -term(distribution, outcome, (y - location) / sigma).1).sum()
        };
        let (low, high) = extent(&times);
        let (mut a, mut b) = (low - sigma, high + sigma);
        let (mut at_a, mut at_b) = (score(a), score(b));
        let mut step = sigma;
        for _ in 0..60 {
            if at_a >= 0.0 && at_b <= 0.0 {
                break;
            }
            step *= 2.0;
            if at_a < 0.0 {
                a = low - step;
                at_a = score(a);
            }
            if at_b > 0.0 {
                b = high + step;
                at_b = score(b);
            }
        }
        let location = bracketed(score, a, at_a, b, at_b);
        let information: f64 =
            times.iter().map(|&(y, o)| -term(distribution, o, (y - location) / sigma).2).sum::<f64>();
        let value = location + spread;
        let variance = sigma * sigma / information;
        if value.is_finite() && variance.is_finite() && variance > 0.0 {
            LogMedian::Known { value, variance }
        } else {
            LogMedian::Nothing
        }
    }
}

/// Log median, and its variance, of which `n` specimens have this geometric mean, σ given.
fn median_of_mean(geometric_mean_s: f64, n: u32, sigma: f64, distribution: Distribution) -> (f64, f64) {
    let (mean, sd) = distribution.moments();
    let value = libm::log(geometric_mean_s) - sigma * mean + sigma * distribution.median();
    (value, sigma * sigma * sd * sd / f64::from(n))
}

impl ReferenceReading {
    /// Log median of the cloth that day, and its variance, σ given.
    pub(super) fn log_median(&self, sigma: f64, distribution: Distribution) -> (f64, f64) {
        median_of_mean(self.geometric_mean_s, self.drops, sigma, distribution)
    }
}

/// What a report says of the log median on the belt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum LogMedian {
    Known { value: f64, variance: f64 },
    Bound { side: BoundSide, value: f64 },
    Nothing,
}

impl LogMedian {
    /// Moved down by `shift`.
    pub(super) fn less(self, shift: f64) -> Self {
        match self {
            Self::Known { value, variance } => Self::Known { value: value - shift, variance },
            Self::Bound { side, value } => Self::Bound { side, value: value - shift },
            Self::Nothing => Self::Nothing,
        }
    }
}

/// Value and first two derivatives of the log-likelihood of one specimen.
fn term(distribution: Distribution, outcome: Outcome, z: f64) -> (f64, f64, f64) {
    let t = match outcome {
        Outcome::RunOut => distribution.log_survival(z),
        Outcome::OpenedAtContact => distribution.log_cumulative(z),
        Outcome::Perforated | Outcome::Void => distribution.log_density(z),
    };
    (t.value, t.first, t.second)
}

fn extent(times: &[(f64, Outcome)]) -> (f64, f64) {
    times.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), t| (a.min(t.0), b.max(t.0)))
}

/// The log median at which the probability of every specimen being censored as it was is 1 − level.
fn bound(times: &[(f64, Outcome)], side: BoundSide, sigma: f64, distribution: Distribution, level: f64) -> LogMedian {
    let target = libm::log1p(-level);
    let excess = |location: f64| -> f64 {
        times.iter().map(|&(y, outcome)| term(distribution, outcome, (y - location) / sigma).0).sum::<f64>() - target
    };
    let (low, high) = extent(times);
    let (a, b) = (low - 40.0 * sigma, high + 40.0 * sigma);
    let location = bracketed(excess, a, excess(a), b, excess(b));
    LogMedian::Bound { side, value: location + sigma * distribution.median() }
}
