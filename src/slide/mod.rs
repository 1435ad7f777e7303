//! What of a material a slide to rest uses up, held against the time that it lasts on a road.
//!
//! | | |
//! |---|---|
//! | in  | the caller's friction, speeds and pressure ([`Slide`]); laboratory reports read as road times; a speed ladder of the campaign, where it has one |
//! | out | [`SlideRow`]s: for every road and speed, and b = 0, 1 and 2 side by side, the time on the rig that the slide is worth and the probability that one specimen survives it, or why that may not be said |
//!
//! # The assumption decides
//! A rider who slides to rest is slowed by µ g, constantly; the rig runs at one speed. If wear in a second goes as (p/p_r)^a (v/v_r)^b,
//! the slide from v₀ wears as much as
//!
//! ```text
//! t_eq = (p/p_r)^a (v₀/v_r)^b v₀ / ((b + 1) µ g)
//! ```
//!
//! seconds on the rig (Archard, J. Appl. Phys. 24 (1953) 981, for a = b = 1: wear by distance). b = 0 takes a second for a second, b = 1 a
//! metre for a metre, b = 2 heat for heat; which it is for a fabric nobody knows without a speed ladder. All three stand side by
//! side, because they differ several-fold from about twice the rig's speed on: leather that survives by the first may fail by the third.
//! Where the severity fit has a power law of speed, for a class that met three speeds or more at least twofold apart, b as measured
//! (T ∝ v^−b) stands beside them for slides that begin within these speeds.
//!
//! **Abrasion only, constant retardation, equal pressure** unless the caller says otherwise: nothing here is about impact, heat
//! on the skin, seams, tumbling or injury, and no row is a safe speed.
//!
//! # Probability
//! That of [`CorrectedTime::probability_of_specimen_reaching`](crate::correction::CorrectedTime::probability_of_specimen_reaching), averaged over friction and pressure, log-normal with the
//! caller's uncertainties; with b as measured over that of b too, ∂ln t_eq/∂b = ln(v₀/v_r) − 1/(b + 1). On a route
//! ([`Slide::on_route`]) a slide happens on one road, drawn by the shares: the mean of the roads' probabilities.
//!
//! # When it refuses
//! Friction, speeds or pressures that are not positive. A row says why it has no probability: a time outside those that were
//! tested, a report outside the domain, a class that departs from the others on that road, a report of run-outs alone.

use std::fmt;

use serde::Serialize;

use std::collections::BTreeSet;

use crate::campaign::Campaign;
use crate::correction::{CorrectedTime, Correction, Exposure};
use crate::equivalence::EquivalenceFit;
use crate::error::{ErrorKind, Result};
use crate::estimate::significant;
use crate::numeric::special::{normal_quantile, two_sided_quantile};
use crate::severity::{Covariate, SeverityFit};

/// Standard gravity, m/s² (ISO 80000-3).
const GRAVITY: f64 = 9.806_65;
/// The exponents of speed that stand side by side.
const EXPONENTS: [f64; 3] = [0.0, 1.0, 2.0];
/// A speed ladder has at least so many speeds, the fastest at least so many times the slowest.
const LADDER: (usize, f64) = (3, 2.0);
/// Equally probable values of friction and pressure that a probability is averaged over.
const NODES: u32 = 64;

/// Slides to rest: plain data, checked when it is used.
///
/// | option | default | range | meaning |
/// |---|---|---|---|
/// | friction | required | > 0 | µ of the clothed body on the road, and its relative standard uncertainty |
/// | rig speed | required | > 0 m/s | speed of the road rig, to which road times refer |
/// | speeds | 40, 60, 80 km/h | > 0 | speeds at which slides begin |
/// | pressure | 1, known | > 0 | pressure under the body over that of the rig, and its relative standard uncertainty |
/// | pressure exponent | 1 | ≥ 0 | a |
///
/// ```
/// use surface_severity::slide::Slide;
/// let slide = Slide::new(0.6, 8.0);
/// // From 80 km/h: seconds on the rig by seconds, by metres, by heat.
/// let worth = [0.0, 1.0, 2.0].map(|b| slide.rig_time_s(80.0, b));
/// assert!((worth[0] - 3.78).abs() < 0.005 && (worth[1] - 5.25).abs() < 0.005 && (worth[2] - 9.71).abs() < 0.005);
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct Slide {
    friction: (f64, f64),
    rig_speed_m_per_s: f64,
    speeds_km_per_h: Vec<f64>,
    pressure: (f64, f64),
    pressure_exponent: f64,
    ladders: Vec<Ladder>,
}

/// What a speed ladder says of b.
#[derive(Debug, Clone, PartialEq, Serialize)]
struct Ladder {
    /// Of this class; of every class with speeds where there is one for all.
    classes: Vec<Option<String>>,
    exponent: f64,
    standard_error: f64,
    fastest_m_per_s: f64,
}

impl Slide {
    /// Slides with friction µ, of which nothing is uncertain, against a rig of `rig_speed_m_per_s`.
    ///
    /// ```
    /// use surface_severity::slide::Slide;
    /// // Twice as slippery, twice as long.
    /// let ratio = Slide::new(0.3, 8.0).rig_time_s(60.0, 1.0) / Slide::new(0.6, 8.0).rig_time_s(60.0, 1.0);
    /// assert!((ratio - 2.0).abs() < 1e-12);
    /// ```
    #[must_use]
    pub fn new(friction: f64, rig_speed_m_per_s: f64) -> Self {
        Self {
            friction: (friction, 0.0),
            rig_speed_m_per_s,
            speeds_km_per_h: vec![40.0, 60.0, 80.0],
            pressure: (1.0, 0.0),
            pressure_exponent: 1.0,
            ladders: Vec::new(),
        }
    }
    /// Sets the relative standard uncertainty of the friction: 0.15 for 15 %.
    #[must_use]
    pub fn friction_uncertainty(mut self, relative: f64) -> Self {
        self.friction.1 = relative;
        self
    }
    /// Sets the speeds at which slides begin, km/h.
    #[must_use]
    pub fn speeds_km_per_h(mut self, speeds: impl IntoIterator<Item = f64>) -> Self {
        self.speeds_km_per_h = speeds.into_iter().collect();
        self
    }
    /// Sets the pressure under the body over that of the rig, and its relative standard uncertainty.
    #[must_use]
    pub fn pressure(mut self, ratio: f64, relative_uncertainty: f64) -> Self {
        self.pressure = (ratio, relative_uncertainty);
        self
    }
    /// Sets the exponent a of pressure.
    #[must_use]
    pub fn pressure_exponent(mut self, exponent: f64) -> Self {
        self.pressure_exponent = exponent;
        self
    }

    /// t_eq, s: the time on the rig that uses up as much as the slide from `speed_km_per_h`, wear going as the power
    /// `exponent` of speed.
    ///
    /// ```
    /// use surface_severity::slide::Slide;
    /// // A second for a second and a metre for a metre agree from twice the rig's speed.
    /// let slide = Slide::new(0.6, 8.0);
    /// assert!((slide.rig_time_s(57.6, 0.0) - slide.rig_time_s(57.6, 1.0)).abs() < 1e-12);
    /// ```
    #[must_use]
    pub fn rig_time_s(&self, speed_km_per_h: f64, exponent: f64) -> f64 {
        let speed = speed_km_per_h / 3.6;
        let pressure = libm::pow(self.pressure.0, self.pressure_exponent);
        let of_speed = libm::pow(speed / self.rig_speed_m_per_s, exponent);
        pressure * of_speed * speed / ((exponent + 1.0) * self.friction.0 * GRAVITY)
    }

    /// How far the slide goes, m.
    ///
    /// ```
    /// use surface_severity::slide::Slide;
    /// assert!((Slide::new(0.6, 8.0).distance_m(80.0) - 42.0).abs() < 0.05);
    /// ```
    #[must_use]
    pub fn distance_m(&self, speed_km_per_h: f64) -> f64 {
        let speed = speed_km_per_h / 3.6;
        speed * speed / (2.0 * self.friction.0 * GRAVITY)
    }

    fn check(&self) -> Result<()> {
        let positive = [
            ("friction", self.friction.0),
            ("rig_speed_m_per_s", self.rig_speed_m_per_s),
            ("pressure", self.pressure.0),
        ];
        for (name, value) in positive.into_iter().chain(self.speeds_km_per_h.iter().map(|v| ("speed_km_per_h", *v))) {
            if !(value > 0.0 && value < 1e6) {
                return Err(ErrorKind::option(name, value, "a positive number"));
            }
        }
        for (name, value) in [
            ("uncertainty of the friction", self.friction.1),
            ("uncertainty of the pressure", self.pressure.1),
            ("pressure exponent", self.pressure_exponent),
        ] {
            if !(0.0..10.0).contains(&value) {
                return Err(ErrorKind::option(name, value, "a number of zero or more"));
            }
        }
        if self.speeds_km_per_h.is_empty() {
            return Err(ErrorKind::option("speeds", "none", "at least one speed"));
        }
        Ok(())
    }

    /// Takes b from the power law of `speed_m_per_s` in `fit`, for the classes that met a ladder of speeds in `campaign`.
    /// [`Study`](crate::study::Study) does it of its own accord.
    ///
    /// ```
    /// // Leather at three speeds: times fall with the 1.5th power.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let trial = |i: u32| {
    /// #     let v = [4.0, 6.0, 8.0_f64][i as usize % 3];
    /// #     let t = 60.0 * v.powf(-1.5) * if i % 2 == 0 { 0.99 } else { 1.01 };
    /// #     Trial::perforated(i.to_string(), "asphalt", "cowhide", t).material_class("leather").speed_m_per_s(v)
    /// # };
    /// # let campaign = Campaign::from_trials((0..12).map(trial))?;
    /// use surface_severity::severity::{Covariate, Severity};
    /// use surface_severity::slide::Slide;
    /// let speed = Covariate::power_law("speed_m_per_s", 8.0);
    /// let fit = Severity::new("asphalt").covariate(speed).fit(&campaign)?;
    /// let slide = Slide::new(0.6, 8.0).with_ladder(&fit, &campaign);
    /// assert!((slide.measured_exponent(Some("leather")).unwrap() - 1.5).abs() < 0.02);
    /// assert_eq!(slide.measured_exponent(Some("textile")), None);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn with_ladder(mut self, fit: &SeverityFit, campaign: &Campaign) -> Self {
        self.ladders.clear();
        for effect in fit.covariate_effects() {
            let covariate = &effect.covariate;
            if covariate.column() != "speed_m_per_s" || !covariate.is_power_law() || effect.p_value.is_none() {
                continue;
            }
            let (fastest, classes) = ladder(covariate, campaign);
            let z = two_sided_quantile(effect.effect.level(), None);
            let standard_error = 0.5 * (effect.effect.upper() - effect.effect.lower()) / z;
            let exponent = -effect.effect.estimate();
            // Far below, a slide would be worth no time at all.
            if !classes.is_empty() && exponent - 2.0 * standard_error > -1.0 {
                self.ladders.push(Ladder { classes, exponent, standard_error, fastest_m_per_s: fastest });
            }
        }
        self
    }

    /// b as measured for a class; `None` without a ladder.
    #[must_use]
    pub fn measured_exponent(&self, class: Option<&str>) -> Option<f64> {
        self.ladder_of(class).map(|l| l.exponent)
    }

    fn ladder_of(&self, class: Option<&str>) -> Option<&Ladder> {
        self.ladders.iter().find(|l| l.classes.iter().any(|c| c.as_deref() == class))
    }

    /// One row for each report on each road and each speed.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// use surface_severity::correction::LabReport;
    /// use surface_severity::slide::Slide;
    /// let report = LabReport::from_mean("R 7", "new hide", Some("leather".into()), 4.0, 5, 0.2)?;
    /// let slide = Slide::new(0.6, 8.0).friction_uncertainty(0.15);
    /// let rows = slide.rows(&equivalence, &correction, &correction.apply(&report))?;
    /// let row = rows.iter().find(|r| r.surface == "brushed concrete" && r.speed_km_per_h == 60.0).unwrap();
    /// // The same slide by the three assumptions: harder and harder.
    /// assert!(row.worth[0].rig_time_s < row.worth[1].rig_time_s && row.worth[1].rig_time_s < row.worth[2].rig_time_s);
    /// let survival = row.worth[0].survival.as_ref().unwrap();
    /// assert!(*survival > 0.9 && *survival < 1.0);
    /// println!("{row}");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for an option out of its range or a correction of another comparison.
    pub fn rows(
        &self,
        equivalence: &EquivalenceFit,
        correction: &Correction,
        times: &[CorrectedTime],
    ) -> Result<Vec<SlideRow>> {
        self.check()?;
        if correction.campaign_digest() != equivalence.campaign_digest()
            || correction.laboratory() != equivalence.laboratory()
        {
            return Err(ErrorKind::option("correction", correction.laboratory(), "one derived from this comparison"));
        }
        let mut rows = Vec::with_capacity(times.len() * self.speeds_km_per_h.len());
        for time in times {
            let tested = tested(equivalence, correction, time);
            let ladder = self.ladder_of(time.material_class());
            for &speed in &self.speeds_km_per_h {
                let worth = |exponent: f64, standard_error: f64| Worth {
                    exponent,
                    exponent_standard_error: standard_error,
                    rig_time_s: self.rig_time_s(speed, exponent),
                    survival: tested
                        .clone()
                        .and_then(|tested| self.survival(time, tested, speed, exponent, standard_error)),
                };
                let within = ladder.filter(|l| speed / 3.6 <= l.fastest_m_per_s);
                rows.push(SlideRow {
                    report_id: time.report_id().to_owned(),
                    surface: time.surface().to_owned(),
                    speed_km_per_h: speed,
                    distance_m: self.distance_m(speed),
                    worth: EXPONENTS.map(|b| worth(b, 0.0)),
                    measured: within.map(|l| worth(l.exponent, l.standard_error)),
                });
            }
        }
        Ok(rows)
    }

    /// Of one specimen, averaged over what is uncertain of the slide.
    fn survival(
        &self,
        time: &CorrectedTime,
        [shortest, longest]: [f64; 2],
        speed_km_per_h: f64,
        exponent: f64,
        standard_error: f64,
    ) -> std::result::Result<f64, String> {
        let rig_time_s = self.rig_time_s(speed_km_per_h, exponent);
        if rig_time_s < shortest || rig_time_s > longest {
            let (from, to) = (significant(shortest, 2), significant(longest, 2));
            return Err(format!("outside the times tested there, {from} to {to} s"));
        }
        let by_exponent = libm::log(speed_km_per_h / 3.6 / self.rig_speed_m_per_s) - 1.0 / (exponent + 1.0);
        let of_pressure = self.pressure_exponent * self.pressure.1;
        let spread = libm::hypot(libm::hypot(self.friction.1, of_pressure), by_exponent * standard_error);
        let mut sum = 0.0;
        for i in 0..NODES {
            let z = normal_quantile((f64::from(i) + 0.5) / f64::from(NODES));
            let at = rig_time_s * libm::exp(spread * z);
            sum += time.probability_of_specimen_reaching(at).map_err(|e| e.to_string())?;
        }
        Ok(sum / f64::from(NODES))
    }

    /// The same slides on a road drawn by its share of a route: one row for each report and speed, its probability the mean of
    /// the roads'.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// use surface_severity::correction::{Exposure, LabReport};
    /// use surface_severity::slide::Slide;
    /// let report = LabReport::from_mean("R 7", "new hide", Some("leather".into()), 4.0, 5, 0.2)?;
    /// let slide = Slide::new(0.6, 8.0).speeds_km_per_h([50.0]);
    /// let rows = slide.rows(&equivalence, &correction, &correction.apply(&report))?;
    /// let route = Exposure::new([("dense asphalt concrete", 0.7), ("brushed concrete", 0.3)])?;
    /// let mean = Slide::on_route(&rows, &route);
    /// let p = |road: &str| rows.iter().find(|r| r.surface == road).unwrap().worth[0].survival.clone().unwrap();
    /// let want = 0.7 * p("dense asphalt concrete") + 0.3 * p("brushed concrete");
    /// assert!(mean.len() == 1 && (mean[0].worth[0].survival.clone().unwrap() - want).abs() < 1e-12);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn on_route(rows: &[SlideRow], route: &Exposure) -> Vec<SlideRow> {
        let mut found: Vec<SlideRow> = Vec::new();
        // Rows of one report stand together.
        for report in rows.chunk_by(|a, b| a.report_id == b.report_id) {
            let speeds = report.iter().filter(|r| r.surface == report[0].surface).map(|r| r.speed_km_per_h);
            for speed in speeds {
                let at = |road: &str| {
                    report.iter().find(|r| r.surface == road && r.speed_km_per_h.total_cmp(&speed).is_eq())
                };
                let Some(first) = report.iter().find(|r| r.speed_km_per_h.total_cmp(&speed).is_eq()) else { continue };
                let mean = |of: &dyn Fn(&SlideRow) -> Option<&Worth>| {
                    let one = |(road, share): &(String, f64)| match at(road).and_then(of) {
                        Some(Worth { survival: Ok(p), .. }) => Ok(share * p),
                        Some(Worth { survival: Err(reason), .. }) => Err(format!("{road}: {reason}")),
                        None => Err(format!("no reading on {road}")),
                    };
                    route.shares().iter().map(one).sum::<std::result::Result<f64, String>>()
                };
                let mut row = SlideRow { surface: ROUTE.to_owned(), ..first.clone() };
                for (b, worth) in row.worth.iter_mut().enumerate() {
                    worth.survival = mean(&|r| Some(&r.worth[b]));
                }
                if let Some(worth) = &mut row.measured {
                    worth.survival = mean(&|r| r.measured.as_ref());
                }
                found.push(row);
            }
        }
        found
    }
}

/// What stands for the road of a row on a route.
const ROUTE: &str = "(a road of the route)";

/// The fastest speed, and the classes that met a ladder of them.
fn ladder(covariate: &Covariate, campaign: &Campaign) -> (f64, Vec<Option<String>>) {
    let mut fastest = f64::INFINITY;
    let mut classes = Vec::new();
    let met: BTreeSet<Option<&str>> = campaign.trials_in_use().map(|t| t.material_class.as_deref()).collect();
    for class in met.into_iter().filter(|c| covariate.class().is_none() || covariate.class() == *c) {
        let of_class = campaign.trials_in_use().filter(|t| t.material_class.as_deref() == class);
        let mut speeds: Vec<f64> = of_class.filter_map(|t| t.speed_m_per_s).collect();
        speeds.sort_by(f64::total_cmp);
        speeds.dedup();
        if let [slowest, .., last] = speeds[..]
            && speeds.len() >= LADDER.0
            && last >= LADDER.1 * slowest
        {
            fastest = fastest.min(last);
            classes.push(class.map(str::to_owned));
        }
    }
    (fastest, classes)
}

/// The road times that were tested there, or why none may be held against a slide.
fn tested(
    equivalence: &EquivalenceFit,
    correction: &Correction,
    time: &CorrectedTime,
) -> std::result::Result<[f64; 2], String> {
    let (road, class) = (time.surface(), time.material_class());
    if equivalence.departing().any(|(surface, c)| surface == road && Some(c.class()) == class) {
        return Err(format!("its class departs from the others on {road}"));
    }
    if !time.validity().is_inside() {
        return Err(format!("the report is outside the domain: {}", time.validity()));
    }
    let correction = correction.correction(road).map_err(|_| "no correction".to_owned())?;
    let (factor, domain) = (correction.factor_of(class).estimate(), correction.domain());
    Ok([domain.shortest_laboratory_time_s() * factor, domain.longest_laboratory_time_s() * factor])
}

/// What a slide is worth on the rig by one assumption.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// # let report = surface_severity::correction::LabReport::from_mean("R 8", "lined", Some("multi-layer lined textile".into()), 3.0, 5, 0.2)?;
/// use surface_severity::slide::Slide;
/// // A class that departs on the polished road is not read there.
/// let rows = Slide::new(0.6, 8.0).rows(&equivalence, &correction, &correction.apply(&report))?;
/// let polished = rows.iter().find(|r| r.surface == "polished fine asphalt").unwrap();
/// assert!(polished.worth[0].survival.as_ref().unwrap_err().contains("departs"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Worth {
    /// b: the power of speed that wear goes by.
    pub exponent: f64,
    /// Its standard error; 0 for an assumption.
    pub exponent_standard_error: f64,
    /// t_eq, s.
    pub rig_time_s: f64,
    /// Probability that one specimen survives it, or why that may not be said.
    pub survival: std::result::Result<f64, String>,
}

/// One road and one speed.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// # let report = surface_severity::correction::LabReport::from_mean("R 7", "new hide", Some("leather".into()), 4.0, 5, 0.2)?;
/// use surface_severity::slide::Slide;
/// let rows = Slide::new(0.6, 8.0).speeds_km_per_h([50.0]).rows(&equivalence, &correction, &correction.apply(&report))?;
/// assert_eq!(rows.len(), correction.corrections().len());
/// assert!(rows.iter().all(|r| r.worth.iter().map(|w| w.exponent).eq([0.0, 1.0, 2.0])), "never one assumption alone");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct SlideRow {
    /// The report.
    pub report_id: String,
    /// The road.
    pub surface: String,
    /// Speed at which the slide begins, km/h.
    pub speed_km_per_h: f64,
    /// How far it goes, m.
    pub distance_m: f64,
    /// By b = 0, 1 and 2.
    pub worth: [Worth; 3],
    /// By b as a speed ladder measured it for the class, for slides that begin within its speeds.
    pub measured: Option<Worth>,
}

impl fmt::Display for SlideRow {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(
            f,
            "{} on {} from {} km/h, {} m:",
            self.report_id,
            self.surface,
            self.speed_km_per_h,
            significant(self.distance_m, 3)
        )?;
        for worth in self.worth.iter().chain(&self.measured) {
            let how = if worth.exponent_standard_error > 0.0 { " (measured)" } else { "" };
            write!(f, " b = {}{how}: {} s, ", significant(worth.exponent, 2), significant(worth.rig_time_s, 3))?;
            match &worth.survival {
                Ok(p) => write!(f, "survives with probability {p:.2};")?,
                Err(reason) => write!(f, "not said ({reason});")?,
            }
        }
        f.write_str(" abrasion only, constant retardation.")
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::campaign::Outcome;
    use crate::correction::LabReport;
    use crate::equivalence::Equivalence;
    use crate::severity::Severity;

    /// µ 0.6, rig at 8 m/s, equal pressure: distances and times computed with R 4.2.2 from the closed forms.
    #[test]
    fn slides_are_worth_what_the_closed_forms_say() {
        let slide = Slide::new(0.6, 8.0);
        for (speed, distance, b0, b1) in [(40.0, 10.5, 1.89, 1.31), (60.0, 23.6, 2.83, 2.95), (80.0, 42.0, 3.78, 5.25)]
        {
            assert!((slide.distance_m(speed) - distance).abs() < 0.05);
            assert!(
                (slide.rig_time_s(speed, 0.0) - b0).abs() < 0.005 && (slide.rig_time_s(speed, 1.0) - b1).abs() < 0.005
            );
        }
        assert!((slide.rig_time_s(80.0, 2.0) - 9.71).abs() < 0.005);
        // ∂ln t/∂ln µ = −1, ∂ln t/∂ln p = a.
        let pressed = slide.clone().pressure(1.1, 0.0).pressure_exponent(0.8);
        assert!((pressed.rig_time_s(60.0, 1.0) / slide.rig_time_s(60.0, 1.0) - 1.1_f64.powf(0.8)).abs() < 1e-12);
    }

    #[test]
    fn what_may_not_be_said_is_not_said() {
        let campaign = Campaign::read_path(concat!(env!("CARGO_MANIFEST_DIR"), "/data-demo/trials.csv")).unwrap();
        let fit = Severity::new("dense asphalt concrete").fit(&campaign).unwrap();
        let equivalence = Equivalence::new("laboratory belt").fit(&campaign, &fit).unwrap();
        let correction = Correction::derive(&equivalence, &Default::default()).unwrap();
        let of = |class: &str, time: f64| {
            let report = LabReport::from_mean("R", "m", Some(class.into()), time, 5, 0.2).unwrap();
            Slide::new(0.6, 8.0).rows(&equivalence, &correction, &correction.apply(&report)).unwrap()
        };
        let reason = |rows: &[SlideRow], surface: &str, speed: f64, b: usize| {
            let row = rows.iter().find(|r| r.surface == surface && (r.speed_km_per_h - speed).abs() < 1e-9).unwrap();
            row.worth[b].survival.clone()
        };
        assert!(reason(&of("leather", 400.0), "brushed concrete", 60.0, 0).unwrap_err().contains("outside the domain"));
        assert!(reason(&of("rubber", 4.0), "brushed concrete", 60.0, 0).unwrap_err().contains("class not represented"));
        let far = Slide::new(0.6, 8.0).speeds_km_per_h([200.0]);
        let report = LabReport::from_mean("R", "m", Some("leather".into()), 4.0, 5, 0.2).unwrap();
        let rows = far.rows(&equivalence, &correction, &correction.apply(&report)).unwrap();
        assert!(reason(&rows, "brushed concrete", 200.0, 2).unwrap_err().contains("outside the times tested"));
        let run_outs = LabReport::from_specimens("R", "m", Some("leather".into()), &[(5.0, Outcome::RunOut)]).unwrap();
        let rows = Slide::new(0.6, 8.0).rows(&equivalence, &correction, &correction.apply(&run_outs)).unwrap();
        assert!(rows.iter().all(|r| r.worth.iter().all(|w| w.survival.is_err())));
        // Faster, and less known, is worse.
        let rows = of("leather", 4.0);
        let p = |speed| reason(&rows, "brushed concrete", speed, 0).unwrap();
        assert!(p(40.0) > p(60.0) && p(60.0) > p(80.0), "{} {} {}", p(40.0), p(60.0), p(80.0));
        for bad in [Slide::new(0.0, 8.0), Slide::new(0.6, f64::NAN), Slide::new(0.6, 8.0).speeds_km_per_h([])] {
            assert!(bad.rows(&equivalence, &correction, &correction.apply(&report)).is_err());
        }
    }
}
