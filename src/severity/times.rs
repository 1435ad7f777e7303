//! What the fit says of times: quantiles, means, survival, scatters and what is shared.

use super::distribution::Distribution;
use super::fit::SeverityFit;
use super::mixed::Prediction;
use super::plan::Grouping;
use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, IntervalMethod};

impl SeverityFit {
    /// Quantile `p` of abrasion time of `material` on `surface`, s, with a confidence interval of
    /// that quantile (not a prediction interval for a specimen). `p = 0.5` is the median. The scatter is that of
    /// specimens dropped under the same conditions.
    ///
    /// ```
    /// // Cowhide: 8 and 10 s on asphalt, 4 and 5 s on the belt.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let campaign = Campaign::from_trials([
    /// #     Trial::perforated("T1", "asphalt", "cowhide", 8.0),
    /// #     Trial::perforated("T2", "asphalt", "cowhide", 10.0),
    /// #     Trial::perforated("T3", "belt", "cowhide", 4.0),
    /// #     Trial::perforated("T4", "belt", "cowhide", 5.0),
    /// # ])?;
    /// use surface_severity::severity::Severity;
    /// let fit = Severity::new("asphalt").fit(&campaign)?;
    /// // Nineteen specimens of twenty outlast the 5 % quantile: e^(1.645 σ) below the median.
    /// let early = fit.quantile("cowhide", "belt", 0.05)?.estimate();
    /// let median = fit.median("cowhide", "belt")?.estimate();
    /// assert!((median / early - (1.6448536 * fit.log_scatter()).exp()).abs() < 1e-6);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::UnknownMaterial`], [`ErrorKind::UnknownSurface`], [`ErrorKind::NotEstimable`],
    /// [`ErrorKind::InvalidOption`] for `p` outside (0, 1).
    pub fn quantile(&self, material: &str, surface: &str, p: f64) -> Result<Interval> {
        if !(p > 0.0 && p < 1.0) {
            return Err(ErrorKind::option("p", p, "a probability strictly between 0 and 1"));
        }
        let (group, s) = self.placed(material, surface)?;
        self.interval(&self.location(group, p, s))
    }

    /// Median abrasion time of `material` on `surface`, s.
    ///
    /// ```
    /// // Cowhide: 8 and 10 s on asphalt, 4 and 5 s on the belt.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let campaign = Campaign::from_trials([
    /// #     Trial::perforated("T1", "asphalt", "cowhide", 8.0),
    /// #     Trial::perforated("T2", "asphalt", "cowhide", 10.0),
    /// #     Trial::perforated("T3", "belt", "cowhide", 4.0),
    /// #     Trial::perforated("T4", "belt", "cowhide", 5.0),
    /// # ])?;
    /// use surface_severity::severity::Severity;
    /// let median = Severity::new("asphalt").fit(&campaign)?.median("cowhide", "belt")?;
    /// assert!((median.estimate() - 20_f64.sqrt()).abs() < 1e-12, "the geometric mean of 4 and 5 s");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`quantile`](Self::quantile).
    pub fn median(&self, material: &str, surface: &str) -> Result<Interval> {
        self.quantile(material, surface, 0.5)
    }

    /// Mean abrasion time of `material` on `surface`, s, with a confidence interval. Prefer the
    /// median: the mean of a skewed distribution leans on its upper tail.
    ///
    /// ```
    /// // Cowhide: 8 and 10 s on asphalt, 4 and 5 s on the belt.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let campaign = Campaign::from_trials([
    /// #     Trial::perforated("T1", "asphalt", "cowhide", 8.0),
    /// #     Trial::perforated("T2", "asphalt", "cowhide", 10.0),
    /// #     Trial::perforated("T3", "belt", "cowhide", 4.0),
    /// #     Trial::perforated("T4", "belt", "cowhide", 5.0),
    /// # ])?;
    /// use surface_severity::severity::Severity;
    /// let fit = Severity::new("asphalt").fit(&campaign)?;
    /// let (mean, median) = (fit.mean("cowhide", "belt")?.estimate(), fit.median("cowhide", "belt")?.estimate());
    /// // A log-normal mean lies e^(σ²/2) above the median.
    /// assert!((mean / median - (fit.log_scatter().powi(2) / 2.0).exp()).abs() < 1e-9);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`quantile`](Self::quantile); [`ErrorKind::NotEstimable`] for a log-logistic with σ ≥ 1,
    /// which has no mean.
    pub fn mean(&self, material: &str, surface: &str) -> Result<Interval> {
        let sigma = self.log_scatter();
        // log E T = location + g(σ); the second value is dg/d(log σ).
        let (shift, slope) = match self.plan.distribution {
            Distribution::LogNormal => (0.5 * sigma * sigma, sigma * sigma),
            Distribution::Weibull => {
                (statrs::function::gamma::ln_gamma(1.0 + sigma), sigma * statrs::function::gamma::digamma(1.0 + sigma))
            }
            Distribution::LogLogistic if sigma < 1.0 => {
                let angle = std::f64::consts::PI * sigma;
                (libm::log(angle / libm::sin(angle)), 1.0 - angle / libm::tan(angle))
            }
            Distribution::LogLogistic => {
                return Err(ErrorKind::NotEstimable {
                    quantity: "the mean time".into(),
                    reason: format!("a log-logistic distribution with scatter {sigma:.3} has none; use the median"),
                }
                .into());
            }
        };
        let (group, s) = self.placed(material, surface)?;
        self.interval(&self.shifted_location(group, s, shift, slope))
    }

    /// Probability that a specimen of `material` lasts at least `time_s` on `surface`, with a
    /// confidence interval (normal or t on the scale of z = (log t − location)/σ).
    ///
    /// ```
    /// // Cowhide: 8 and 10 s on asphalt, 4 and 5 s on the belt.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let campaign = Campaign::from_trials([
    /// #     Trial::perforated("T1", "asphalt", "cowhide", 8.0),
    /// #     Trial::perforated("T2", "asphalt", "cowhide", 10.0),
    /// #     Trial::perforated("T3", "belt", "cowhide", 4.0),
    /// #     Trial::perforated("T4", "belt", "cowhide", 5.0),
    /// # ])?;
    /// use surface_severity::severity::Severity;
    /// let fit = Severity::new("asphalt").fit(&campaign)?;
    /// let half = fit.survival_probability("cowhide", "belt", 20_f64.sqrt())?;
    /// assert!((half.estimate() - 0.5).abs() < 1e-9, "half of the specimens outlast the median");
    /// assert!(fit.survival_probability("cowhide", "belt", 1.0)?.estimate() > 0.99);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`quantile`](Self::quantile); [`ErrorKind::InvalidOption`] for a time that is not
    /// positive and finite.
    pub fn survival_probability(&self, material: &str, surface: &str, time_s: f64) -> Result<Interval> {
        if !(time_s > 0.0 && time_s.is_finite()) {
            return Err(ErrorKind::option("time_s", time_s, "a positive, finite number of seconds"));
        }
        let (group, s) = self.placed(material, surface)?;
        let sigma = self.log_scatter();
        let z = (libm::log(time_s) - self.shifted_location(group, s, 0.0, 0.0).estimate) / sigma;
        // dz = −d(location)/σ − z d(log σ): the standard error of z is that of location + zσ·log σ.
        let of_z = self.shifted_location(group, s, 0.0, z * sigma);
        let half = of_z.multiplier(self.plan.level) * of_z.standard_error / sigma;
        let survival = |z: f64| libm::exp(self.plan.distribution.log_survival(z).value);
        Interval::new(survival(z), survival(z + half), survival(z - half), self.plan.level, IntervalMethod::StudentT)
    }

    /// Profile-likelihood interval of the standard deviation of a grouping, at the level of the plan.
    ///
    /// ```
    /// // Two surfaces (factors 1 and 2), two materials, four days that shift log times by 0.1, -0.1, 0.05, -0.05.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let mut trials = Vec::new();
    /// # for (d, shift) in [0.1, -0.1, 0.05, -0.05_f64].into_iter().enumerate() {
    /// #     for (surface, k) in [("asphalt", 1.0), ("belt", 2.0)] {
    /// #         for (material, s) in [("cowhide", 8.0), ("denim", 2.0)] {
    /// #             for (i, e) in [0.02, -0.02].into_iter().enumerate() {
    /// #                 let id = format!("{d} {surface} {material} {i}");
    /// #                 let trial = Trial::perforated(id, surface, material, s / k * (shift + e).exp());
    /// #                 trials.push(trial.day(format!("day {d}")));
    /// #             }
    /// #         }
    /// #     }
    /// # }
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::severity::{Grouping, Severity};
    /// let fit = Severity::new("asphalt").random(Grouping::Day).fit(&campaign)?;
    /// let interval = fit.profile_interval(&Grouping::Day)?;
    /// assert!((interval.estimate() - fit.variance_components()[0].standard_deviation).abs() < 1e-9);
    /// assert!(interval.lower() > 0.0, "the days differ");
    /// assert!(fit.profile_interval(&Grouping::Belt).is_err(), "not in the plan");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a grouping outside the plan; [`ErrorKind::NotEstimable`]
    /// where the deviance does not reach its critical value; [`ErrorKind::NotConverged`].
    pub fn profile_interval(&self, grouping: &Grouping) -> Result<Interval> {
        self.profile(Some(self.position(grouping)?))
    }

    /// Profile-likelihood interval of the replicate scatter σ.
    ///
    /// ```
    /// // Two surfaces (factors 1 and 2), two materials, four days that shift log times by 0.1, -0.1, 0.05, -0.05.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let mut trials = Vec::new();
    /// # for (d, shift) in [0.1, -0.1, 0.05, -0.05_f64].into_iter().enumerate() {
    /// #     for (surface, k) in [("asphalt", 1.0), ("belt", 2.0)] {
    /// #         for (material, s) in [("cowhide", 8.0), ("denim", 2.0)] {
    /// #             for (i, e) in [0.02, -0.02].into_iter().enumerate() {
    /// #                 let id = format!("{d} {surface} {material} {i}");
    /// #                 let trial = Trial::perforated(id, surface, material, s / k * (shift + e).exp());
    /// #                 trials.push(trial.day(format!("day {d}")));
    /// #             }
    /// #         }
    /// #     }
    /// # }
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::severity::{Grouping, Severity};
    /// let fit = Severity::new("asphalt").random(Grouping::Day).fit(&campaign)?;
    /// assert!(fit.scatter_interval()?.contains(fit.log_scatter()));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`profile_interval`](Self::profile_interval).
    pub fn scatter_interval(&self) -> Result<Interval> {
        self.profile(None)
    }

    pub(super) fn profile(&self, component: Option<usize>) -> Result<Interval> {
        self.engine.profile(component, self.plan.level).unwrap_or_else(|| {
            Err(ErrorKind::NotEstimable {
                quantity: "a profile interval of the scatter".into(),
                reason: "the fit has no random effects".into(),
            }
            .into())
        })
    }

    /// Predicted effects on log time of the levels of a grouping with their standard errors, sorted by
    /// name: positive where specimens last longer.
    ///
    /// ```
    /// // Two surfaces (factors 1 and 2), two materials, four days that shift log times by 0.1, -0.1, 0.05, -0.05.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let mut trials = Vec::new();
    /// # for (d, shift) in [0.1, -0.1, 0.05, -0.05_f64].into_iter().enumerate() {
    /// #     for (surface, k) in [("asphalt", 1.0), ("belt", 2.0)] {
    /// #         for (material, s) in [("cowhide", 8.0), ("denim", 2.0)] {
    /// #             for (i, e) in [0.02, -0.02].into_iter().enumerate() {
    /// #                 let id = format!("{d} {surface} {material} {i}");
    /// #                 let trial = Trial::perforated(id, surface, material, s / k * (shift + e).exp());
    /// #                 trials.push(trial.day(format!("day {d}")));
    /// #             }
    /// #         }
    /// #     }
    /// # }
    /// # let campaign = Campaign::from_trials(trials)?;
    /// use surface_severity::severity::{Grouping, Severity};
    /// let days = Severity::new("asphalt").random(Grouping::Day).fit(&campaign)?.predictions(&Grouping::Day)?;
    /// assert_eq!((days[0].level.as_str(), days[0].trials), ("day 0", 8));
    /// assert!(days[0].value > 0.0 && days[0].value < 0.1, "drawn in a little from 0.1");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a grouping outside the plan.
    pub fn predictions(&self, grouping: &Grouping) -> Result<Vec<Prediction>> {
        let j = self.position(grouping)?;
        Ok(self.engine.predictions(j, &|at: usize| self.factors[j].levels[at].clone()))
    }
}
