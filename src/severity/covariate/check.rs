//! Whether a covariate acts as it is modelled: along a straight line, and alike on every belt or for every class.
//!
//! Tested in the same model by one further column (a score of the added variable): the square of the distance from the
//! nominal value; the slope of one belt or class beside the common one, the smallest p-value times their number
//! (Bonferroni) where there are more than two.

use std::fmt;

use serde::Serialize;

use crate::campaign::Campaign;
use crate::error::{ErrorKind, Result};
use crate::estimate::p_value;
use crate::numeric::holm::holm;

use super::super::fit::SeverityFit;
use super::{By, Covariate, Form, Part};

/// What is tested of a covariate.
///
/// ```
/// use surface_severity::severity::Alike;
/// assert_eq!(Alike::Belts.to_string(), "is alike on every belt");
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Alike {
    /// Its effect follows a straight line (a power law, on logarithms).
    Line,
    /// It is the same on every belt.
    Belts,
    /// It is the same for every material class.
    Classes,
}

impl fmt::Display for Alike {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(match self {
            Self::Line => "is as modelled over its range",
            Self::Belts => "is alike on every belt",
            Self::Classes => "is alike for every class",
        })
    }
}

/// A test of how a covariate acts.
///
/// ```
/// // One belt wears three times as fast as the other.
/// # use surface_severity::campaign::{Campaign, SurfaceRole, Trial};
/// # let mut trials = Vec::new();
/// # for n in 0..8u32 {
/// #     let e = if n % 4 < 2 { 0.01 } else { -0.01 };
/// #     trials.push(Trial::perforated(format!("R{n}"), "asphalt", "cowhide", 8.0 * f64::exp(e)));
/// #     for (belt, wear) in [("b1", 0.01), ("b2", 0.03)] {
/// #         let t = 4.0 * f64::exp(-wear * f64::from(n) + e);
/// #         let trial = Trial::perforated(format!("{belt} {n}"), "belt", "cowhide", t);
/// #         trials.push(trial.surface_role(SurfaceRole::Laboratory).belt(belt).belt_drop(f64::from(n)));
/// #     }
/// # }
/// # let campaign = Campaign::from_trials(trials)?;
/// use surface_severity::severity::{Alike, Severity};
/// let checks = Severity::new("asphalt").fit(&campaign)?.covariate_checks(&campaign)?;
/// let p = |of: Alike| checks.iter().find(|c| c.hypothesis == of).unwrap().p_value;
/// assert!(p(Alike::Line) > 0.05 && p(Alike::Belts) < 0.01);
/// println!("{}", checks[1]);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct CovariateCheck {
    /// Column of the covariate.
    pub column: String,
    /// What is tested.
    pub hypothesis: Alike,
    /// p-value, two-sided, adjusted for all tests of the fit (Holm).
    pub p_value: f64,
}

impl CovariateCheck {
    /// Whether it speaks against the model at the level of a test of 5 %.
    #[must_use]
    pub fn departs(&self) -> bool {
        self.p_value < 0.05
    }
}

impl fmt::Display for CovariateCheck {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let what = format!("the effect of {} {} ({})", self.column, self.hypothesis, p_value("p", self.p_value));
        match (self.departs(), self.hypothesis) {
            (false, _) => write!(f, "Nothing speaks against it that {what}."),
            (true, Alike::Line) => write!(f, "It is doubtful that {what}: see it in steps (Covariate::steps)."),
            (true, Alike::Belts) => write!(f, "It is doubtful that {what}: let each have its own (by_belt)."),
            (true, Alike::Classes) => write!(f, "It is doubtful that {what}: let each have its own (by_class)."),
        }
    }
}

impl SeverityFit {
    /// Tests how each estimated number acts: along its line, and for belt wear alike on every belt, otherwise alike for
    /// every class. What the table cannot tell (two values only, one belt) is left out. `campaign` is the fitted one. Costs a
    /// fit for each line, belt and class.
    ///
    /// ```
    /// # let season = surface_severity::campaign::Campaign::read_path("data-demo/second_season.csv")?;
    /// use surface_severity::severity::Severity;
    /// // The belts of the second season wear alike and steadily.
    /// let fit = Severity::new("dense asphalt concrete").fit(&season)?;
    /// assert!(fit.covariate_checks(&season)?.iter().all(|c| !c.departs()));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a campaign other than the fitted one; those of the fits, but not
    /// [`ErrorKind::NotEstimable`].
    pub fn covariate_checks(&self, campaign: &Campaign) -> Result<Vec<CovariateCheck>> {
        if campaign.digest() != self.campaign_digest() {
            return Err(ErrorKind::option("campaign", campaign.digest(), "the campaign that was fitted"));
        }
        let mut checks = Vec::new();
        for effect in self.covariate_effects() {
            let covariate = &effect.covariate;
            let number = matches!(covariate.form, Form::Linear { .. } | Form::PowerLaw { .. });
            if effect.p_value.is_none() || !number || covariate.part.is_some() {
                continue;
            }
            let (by, alike) =
                if covariate.is_belt_wear() { (By::Belt, Alike::Belts) } else { (By::Class, Alike::Classes) };
            let each = Covariate { by: Some(by), ..covariate.clone() }.parts(campaign.trials().iter())?;
            let each = if each.len() == 2 { &each[..1] } else { &each[..] };
            let square = [Covariate { part: Some(Part::Square), ..covariate.clone() }];
            for (probes, hypothesis) in [(&square[..], Alike::Line), (each, alike)] {
                let mut smallest: Option<f64> = None;
                for probe in probes {
                    let p = self.p_of(probe, campaign)?;
                    smallest = smallest.into_iter().chain(p).reduce(f64::min);
                }
                #[allow(clippy::cast_precision_loss)]
                if let Some(p) = smallest {
                    let p_value = (p * probes.len() as f64).min(1.0);
                    checks.push(CovariateCheck { column: covariate.column.clone(), hypothesis, p_value });
                }
            }
        }
        let adjusted = holm(&checks.iter().map(|c| c.p_value).collect::<Vec<_>>());
        for (check, p) in checks.iter_mut().zip(adjusted) {
            check.p_value = p;
        }
        Ok(checks)
    }

    /// p-value of a further column; none where it cannot be told apart.
    fn p_of(&self, probe: &Covariate, campaign: &Campaign) -> Result<Option<f64>> {
        match self.plan().clone().covariate(probe.clone()).fit(campaign) {
            Ok(fit) => Ok(fit.covariate_effects().iter().find(|e| e.covariate == *probe).and_then(|e| e.p_value)),
            Err(error) if matches!(error.kind(), ErrorKind::NotEstimable { .. }) => Ok(None),
            Err(error) => Err(error),
        }
    }
}
