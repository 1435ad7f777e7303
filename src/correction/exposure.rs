//! Several road surfaces by share of exposure: the roads of one rider.
//!
//! A slide happens on one surface, drawn by the shares; the time is then that of this surface. So the distribution is
//! the mixture of those of the surfaces, its quantiles are read off it, and no times are averaged: a fabric that lasts
//! 2 s on one half of the roads and 8 s on the other fails a 4 s requirement half the time, although its mean is 5 s.

use serde::Serialize;

use super::corrected::CorrectedTime;
use super::factor::Correction;
use super::predict::Predictive;
use super::reports::LabReport;
use super::requirement::{Reaching, Requirement, evaluate};
use crate::error::{ErrorKind, Result};
use crate::estimate::{Bound, BoundSide, Estimate, Interval, IntervalMethod};
use crate::numeric::root::bracketed;

/// Shares of exposure to road surfaces, summing to 1.
///
/// ```
/// use surface_severity::correction::Exposure;
/// // Of one rider's roads, 70 % are brushed concrete.
/// let exposure = Exposure::new([("worn surface dressing", 0.3), ("brushed concrete", 0.7)])?;
/// assert_eq!(exposure.shares()[0], ("brushed concrete".into(), 0.7));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Exposure {
    shares: Vec<(String, f64)>,
}

impl Exposure {
    /// The share of each surface, 0.3 for 30 %.
    ///
    /// ```
    /// use surface_severity::correction::Exposure;
    /// assert!(Exposure::new([("brushed concrete", 0.7), ("worn surface dressing", 0.3)]).is_ok());
    /// assert!(Exposure::new([("brushed concrete", 70.0), ("worn surface dressing", 30.0)]).is_err(), "shares, not per cent");
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] without a surface, for a surface given twice, a share that is not positive and
    /// finite, or shares that do not sum to 1 within 10⁻⁶ (they are then scaled to sum to it exactly).
    pub fn new<S: Into<String>>(shares: impl IntoIterator<Item = (S, f64)>) -> Result<Self> {
        let mut shares: Vec<(String, f64)> = shares.into_iter().map(|(s, v)| (s.into(), v)).collect();
        shares.sort_by(|a, b| a.0.cmp(&b.0));
        if shares.is_empty() {
            return Err(ErrorKind::option("shares", 0, "at least one surface"));
        }
        if let Some(w) = shares.windows(2).find(|w| w[0].0 == w[1].0) {
            return Err(ErrorKind::option("shares", &w[0].0, "each surface once"));
        }
        if let Some((surface, share)) = shares.iter().find(|s| !(s.1 > 0.0 && s.1.is_finite())) {
            return Err(ErrorKind::option(&format!("share of {surface}"), share, "a positive share, such as 0.3"));
        }
        let total: f64 = shares.iter().map(|s| s.1).sum();
        if (total - 1.0).abs() > 1e-6 {
            return Err(ErrorKind::option("shares", total, "shares that sum to 1"));
        }
        for s in &mut shares {
            s.1 /= total;
        }
        Ok(Self { shares })
    }
    /// The surfaces with their shares, sorted by name.
    #[must_use]
    pub fn shares(&self) -> &[(String, f64)] {
        &self.shares
    }
}

/// A laboratory report read as times on a mixture of road surfaces.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
/// use surface_severity::correction::Exposure;
/// let exposure = Exposure::new([("brushed concrete", 0.7), ("worn surface dressing", 0.3)])?;
/// let time = correction.apply_exposure(&reports.reports()[1], &exposure)?;
/// println!("median {} s, one specimen {} s", time.road_median_s(), time.road_specimen_s());
/// // The mixture lies between its surfaces.
/// let medians: Vec<f64> = time.components().iter().filter_map(|c| c.road_median_s().value()).collect();
/// let mixed = time.road_median_s().value().unwrap();
/// assert!(medians[1] < mixed && mixed < medians[0]);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct ExposedTime {
    exposure: Exposure,
    components: Vec<CorrectedTime>,
    road_median_s: Estimate,
    road_specimen_s: Estimate,
}

impl Correction {
    /// Reads a report as times on a mixture of road surfaces.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
    /// use surface_severity::correction::Exposure;
    /// // All of it on one road: the report read on that road.
    /// let report = &reports.reports()[1];
    /// let mixed = correction.apply_exposure(report, &Exposure::new([("brushed concrete", 1.0)])?)?;
    /// let alone = correction.apply_on("brushed concrete", report)?;
    /// let upper = |e: &surface_severity::Estimate| e.interval().unwrap().upper();
    /// assert!((upper(mixed.road_median_s()) / upper(alone.road_median_s()) - 1.0).abs() < 1e-6);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::UnknownSurface`] for a surface without a correction, with those that have one.
    pub fn apply_exposure(&self, report: &LabReport, exposure: &Exposure) -> Result<ExposedTime> {
        let components = exposure
            .shares
            .iter()
            .map(|(surface, _)| self.apply_on(surface, report))
            .collect::<Result<Vec<CorrectedTime>>>()?;
        let tail = 0.5 * (1.0 - self.level());
        let estimate = |which: usize| -> Estimate {
            let mixture = Mixture::new(exposure, &components, which);
            if let Some(mixture) = mixture {
                let limits = mixture.quantile(tail).zip(mixture.quantile(0.5)).zip(mixture.quantile(1.0 - tail));
                return limits
                    .and_then(|((lower, middle), upper)| {
                        let (l, m, u) = (libm::exp(lower), libm::exp(middle), libm::exp(upper));
                        Interval::new(m.clamp(l, u), l, u, self.level(), IntervalMethod::Prediction).ok()
                    })
                    .map_or_else(|| Estimate::not_estimable("its limits leave the range of numbers"), Into::into);
            }
            // Bounds: the weakest holds whichever surface it is.
            let bounds: Option<Vec<&Bound>> = components
                .iter()
                .map(|c| match if which == 0 { c.road_median_s() } else { c.road_specimen_s() } {
                    Estimate::Bound(bound) => Some(bound),
                    _ => None,
                })
                .collect();
            let weakest = bounds.and_then(|bounds| {
                let side = bounds.first()?.side();
                bounds.into_iter().filter(|b| b.side() == side).min_by(|a, b| match side {
                    BoundSide::AtLeast => a.value().total_cmp(&b.value()),
                    BoundSide::AtMost => b.value().total_cmp(&a.value()),
                })
            });
            weakest.map_or_else(
                || Estimate::not_estimable("a surface of the mixture has no estimate"),
                |b| b.clone().into(),
            )
        };
        let (road_median_s, road_specimen_s) = (estimate(0), estimate(1));
        Ok(ExposedTime { exposure: exposure.clone(), components, road_median_s, road_specimen_s })
    }
}

/// Predictive distributions with their shares.
struct Mixture<'a>(Vec<(f64, &'a Predictive)>);

impl<'a> Mixture<'a> {
    fn new(exposure: &Exposure, components: &'a [CorrectedTime], which: usize) -> Option<Self> {
        let parts = exposure.shares.iter().zip(components).map(|((_, share), c)| Some((*share, c.predictive(which)?)));
        parts.collect::<Option<Vec<_>>>().map(Self)
    }

    fn survival(&self, y: f64) -> f64 {
        self.0.iter().map(|(share, p)| share * p.survival(y)).sum::<f64>().clamp(0.0, 1.0)
    }

    /// Between the quantiles of its parts.
    fn quantile(&self, p: f64) -> Option<f64> {
        let of_parts = self.0.iter().map(|(_, part)| part.quantile(p)).collect::<Option<Vec<f64>>>()?;
        let low = of_parts.iter().copied().fold(f64::INFINITY, f64::min);
        let high = of_parts.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let excess = |y: f64| self.survival(y) - (1.0 - p);
        let (at_low, at_high) = (excess(low), excess(high));
        if at_low <= 0.0 || low >= high {
            return Some(low);
        }
        if at_high >= 0.0 {
            return Some(high);
        }
        Some(bracketed(excess, low, at_low, high, at_high))
    }
}

impl ExposedTime {
    /// The mixture.
    #[must_use]
    pub fn exposure(&self) -> &Exposure {
        &self.exposure
    }
    /// The report on each surface by itself, in the order of [`Exposure::shares`], with its validity there.
    #[must_use]
    pub fn components(&self) -> &[CorrectedTime] {
        &self.components
    }
    /// Median on the road, s, of this material at a place drawn by the shares: median and central interval of the
    /// mixture.
    #[must_use]
    pub fn road_median_s(&self) -> &Estimate {
        &self.road_median_s
    }
    /// Time on the road, s, of one further specimen at a place drawn by the shares: median and central interval of the
    /// mixture.
    #[must_use]
    pub fn road_specimen_s(&self) -> &Estimate {
        &self.road_specimen_s
    }

    /// Quantile of the time of one further specimen, s: `probability` of the slides end before it.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
    /// use surface_severity::correction::Exposure;
    /// let exposure = Exposure::new([("brushed concrete", 0.7), ("worn surface dressing", 0.3)])?;
    /// let time = correction.apply_exposure(&reports.reports()[1], &exposure)?;
    /// // One slide in twenty ends before it.
    /// let early = time.road_specimen_quantile_s(0.05)?;
    /// assert!((time.probability_of_specimen_reaching(early)? - 0.95).abs() < 1e-6);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a probability outside (0, 1); [`ErrorKind::NotEstimable`] where only bounds are
    /// known.
    pub fn road_specimen_quantile_s(&self, probability: f64) -> Result<f64> {
        self.quantile(1, probability)
    }
    /// Probability that the road median of the material is at least `required_s` at a place drawn by the shares.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
    /// use surface_severity::correction::Exposure;
    /// let exposure = Exposure::new([("brushed concrete", 0.7), ("worn surface dressing", 0.3)])?;
    /// let time = correction.apply_exposure(&reports.reports()[1], &exposure)?;
    /// // Shares weigh probabilities, not times.
    /// let required = time.road_median_s().value().unwrap();
    /// let each: Vec<f64> = time.components().iter().map(|c| c.probability_of_reaching(required)).collect::<Result<_, _>>()?;
    /// assert!((time.probability_of_reaching(required)? - (0.7 * each[0] + 0.3 * each[1])).abs() < 1e-6);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`CorrectedTime::probability_of_reaching`].
    pub fn probability_of_reaching(&self, required_s: f64) -> Result<f64> {
        self.weighted(|c| c.probability_of_reaching(required_s))
    }
    /// Probability that one further specimen lasts at least `required_s` at a place drawn by the shares.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
    /// use surface_severity::correction::Exposure;
    /// let exposure = Exposure::new([("brushed concrete", 0.7), ("worn surface dressing", 0.3)])?;
    /// let time = correction.apply_exposure(&reports.reports()[1], &exposure)?;
    /// assert!(time.probability_of_specimen_reaching(0.001)? > 0.999);
    /// assert!(time.probability_of_specimen_reaching(1000.0)? < 0.001);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`CorrectedTime::probability_of_reaching`].
    pub fn probability_of_specimen_reaching(&self, required_s: f64) -> Result<f64> {
        self.weighted(|c| c.probability_of_specimen_reaching(required_s))
    }
    /// Both probabilities for each of the requirements.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
    /// use surface_severity::correction::{Exposure, Requirement};
    /// let exposure = Exposure::new([("brushed concrete", 0.7), ("worn surface dressing", 0.3)])?;
    /// let time = correction.apply_exposure(&reports.reports()[1], &exposure)?;
    /// let rows = time.reaching(&[Requirement::new("zone 1", 4.0)?, Requirement::new("zone 2", 1.0)?])?;
    /// assert!(rows[0].median <= rows[1].median, "the longer time is the harder one");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`CorrectedTime::reaching`].
    pub fn reaching(&self, requirements: &[Requirement]) -> Result<Vec<Reaching>> {
        evaluate(requirements, |t| self.probability_of_reaching(t), |t| self.probability_of_specimen_reaching(t))
    }

    fn weighted(&self, of: impl Fn(&CorrectedTime) -> Result<f64>) -> Result<f64> {
        let mut total = 0.0;
        for ((_, share), component) in self.exposure.shares.iter().zip(&self.components) {
            total += share * of(component)?;
        }
        Ok(total.clamp(0.0, 1.0))
    }

    fn quantile(&self, which: usize, probability: f64) -> Result<f64> {
        if !(probability > 0.0 && probability < 1.0) {
            return Err(ErrorKind::option("probability", probability, "a probability strictly between 0 and 1"));
        }
        let not = |reason: &str| -> crate::Error {
            ErrorKind::NotEstimable { quantity: "a quantile of the mixture".into(), reason: reason.into() }.into()
        };
        let mixture = Mixture::new(&self.exposure, &self.components, which)
            .ok_or_else(|| not(self.road_median_s.reason().unwrap_or("the report gives only a bound")))?;
        let time = mixture.quantile(probability).map(libm::exp);
        time.filter(|t| t.is_finite()).ok_or_else(|| not("it leaves the range of numbers"))
    }
}
