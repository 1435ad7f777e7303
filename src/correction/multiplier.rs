//! What to multiply a laboratory median by, with the limits for one material: a correction read by hand.

use super::factor::Correction;
use super::predict::Target;
use super::reports::{LabReport, LogMedian};
use super::surface::Known;
use crate::campaign::Outcome;
use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, IntervalMethod};
use crate::numeric::count;

impl Correction {
    /// Road median of one further material over its laboratory median: c with prediction limits, at the middle of the
    /// domain. They are those of [`apply`](Self::apply), so a report read by hand and by program say the same.
    ///
    /// `class` as in a report: `None` is "not stated". `specimens`: of one day, whose median stands for that of the
    /// material; `None`: the laboratory median is known exactly, over all days.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// use surface_severity::correction::LabReport;
    /// let (road, class) = ("brushed concrete", Some("leather"));
    /// let by_hand = correction.multiplier(road, class, Some(5))?;
    /// let report = LabReport::from_mean("R 7", "new hide", class.map(str::to_owned), 2.0, 5, 0.2)?;
    /// let by_program = correction.apply_on(road, &report)?;
    /// let limits = by_program.road_median_s().interval().unwrap();
    /// assert!((limits.upper() / (2.0 * by_hand.upper()) - 1.0).abs() < 1e-9);
    /// // The fewer specimens, the less is known.
    /// assert!(correction.multiplier(road, class, Some(3))?.upper() > by_hand.upper());
    /// assert!(correction.multiplier(road, class, None)?.upper() < by_hand.upper());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::UnknownSurface`]; [`ErrorKind::InvalidOption`] for no specimen; [`ErrorKind::NotEstimable`] where
    /// a limit leaves the range of numbers.
    pub fn multiplier(&self, surface: &str, class: Option<&str>, specimens: Option<usize>) -> Result<Interval> {
        let correction = self.correction(surface)?;
        let known = match specimens {
            None => Known::EXACTLY,
            Some(n) => Known { variance: self.median_variance(n)?, days: 1.0, cloth: None },
        };
        let x = libm::log(correction.factor_at_laboratory_time_s());
        let road = correction.distribution_at(x, known, Target::Material, class, self);
        let tail = 0.5 * (1.0 - self.level());
        let out_of_range = || ErrorKind::NotEstimable {
            quantity: format!("the reading of a report on {surface:?}"),
            reason: "its limits leave the range of numbers".into(),
        };
        let limits = road.quantile(tail).zip(road.quantile(1.0 - tail)).zip(road.middle());
        let ((lower, upper), middle) = limits.ok_or_else(out_of_range)?;
        let [lower, middle, upper] = [lower, middle, upper].map(|log| libm::exp(log - x));
        if !(lower > 0.0 && upper.is_finite()) {
            return Err(out_of_range().into());
        }
        Interval::new(middle.clamp(lower, upper), lower, upper, self.level(), IntervalMethod::Prediction)
    }

    /// Variance of the log median of `n` specimens that lie where n of the distribution do.
    fn median_variance(&self, n: usize) -> Result<f64> {
        if n == 0 {
            return Err(ErrorKind::option("specimens", n, "at least 1"));
        }
        let time = |i: usize| {
            let p = (count(i) + 0.5) / count(n);
            (libm::exp(self.log_scatter() * self.distribution().quantile(p)), Outcome::Perforated)
        };
        let times: Vec<(f64, Outcome)> = (0..n).map(time).collect();
        let report = LabReport::from_specimens("specimens", "any", None, &times)?;
        match report.log_median(self.log_scatter(), self.distribution(), self.level()) {
            LogMedian::Known { variance, .. } => Ok(variance),
            _ => Err(ErrorKind::option("specimens", n, "a number whose median can be had")),
        }
    }
}
