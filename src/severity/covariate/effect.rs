//! What a covariate does to log time, as fitted.

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, p_value, significant};

use super::{Covariate, Form};

/// What a covariate does to log time, as fitted.
///
/// ```
/// # use surface_severity::campaign::{Campaign, SurfaceRole, Trial};
/// # let mut trials = Vec::new();
/// # for n in 0..8u32 {
/// #     let e = if n % 4 < 2 { 0.01 } else { -0.01 };
/// #     trials.push(Trial::perforated(format!("R{n}"), "asphalt", "cowhide", 8.0 * f64::exp(e)));
/// #     let t = 4.0 * f64::exp(-0.02 * f64::from(n) + e);
/// #     let trial = Trial::perforated(format!("B{n}"), "belt", "cowhide", t);
/// #     trials.push(trial.surface_role(SurfaceRole::Laboratory).belt_drop(f64::from(n)));
/// # }
/// # let campaign = Campaign::from_trials(trials)?;
/// let fit = surface_severity::severity::Severity::new("asphalt").fit(&campaign)?;
/// let wear = &fit.covariate_effects()[0];
/// assert!(wear.effect.contains(-0.02) && wear.p_value.unwrap() < 0.001);
/// assert_eq!((wear.range, wear.trials), ((0.0, 7.0), 8));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct CovariateEffect {
    /// The covariate as planned, or the part of it whose effect this is.
    pub covariate: Covariate,
    /// γ, with limits: log time per unit of the column, the exponent of a power law, or that of a text or a step against
    /// the nominal one.
    pub effect: Interval,
    /// Its standard error.
    pub standard_error: f64,
    /// p-value of no effect, two-sided; absent where the effect was given.
    #[serde(deserialize_with = "crate::document::present")]
    pub p_value: Option<f64>,
    /// Smallest and largest value among the trials that it acts on; 0 and 1 for a text or a step.
    pub range: (f64, f64),
    /// Trials that it acts on and that name their value.
    pub trials: usize,
}

impl CovariateEffect {
    /// The number of units over which log time moves by at most `bound`, by the larger of the two limits of the effect:
    /// with belt wear, the drops after which a belt is to be discarded. Infinite where both limits are 0.
    ///
    /// ```
    /// # use surface_severity::campaign::{Campaign, SurfaceRole, Trial};
    /// # let mut trials = Vec::new();
    /// # for n in 0..8u32 {
    /// #     let e = if n % 4 < 2 { 0.01 } else { -0.01 };
    /// #     trials.push(Trial::perforated(format!("R{n}"), "asphalt", "cowhide", 8.0 * f64::exp(e)));
    /// #     let t = 4.0 * f64::exp(-0.02 * f64::from(n) + e);
    /// #     let trial = Trial::perforated(format!("B{n}"), "belt", "cowhide", t);
    /// #     trials.push(trial.surface_role(SurfaceRole::Laboratory).belt_drop(f64::from(n)));
    /// # }
    /// # let campaign = Campaign::from_trials(trials)?;
    /// let fit = surface_severity::severity::Severity::new("asphalt").fit(&campaign)?;
    /// let wear = &fit.covariate_effects()[0];
    /// // Times may change by a tenth: five drops at 2 % each, fewer by the limit.
    /// let drops = wear.units_until(0.1)?;
    /// assert!(drops < 5.0 && drops > 3.0, "{drops}");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] unless `bound` is positive and finite; [`ErrorKind::OutOfReach`] where the effect and
    /// its limits are 0.
    pub fn units_until(&self, bound: f64) -> Result<f64> {
        if !(bound > 0.0 && bound.is_finite()) {
            return Err(ErrorKind::option("bound", bound, "a positive change of log time"));
        }
        if !matches!(self.covariate.form, Form::Linear { .. }) {
            let column = &self.covariate.column;
            return Err(ErrorKind::option("covariate", column, "a number to which the change is in proportion"));
        }
        let steepest = self.effect.lower().abs().max(self.effect.upper().abs());
        let units = bound / steepest;
        if units.is_finite() {
            Ok(units)
        } else {
            let goal = format!("a change of log time by {bound}");
            Err(ErrorKind::OutOfReach { goal, reason: "the effect and its limits are 0".into() }.into())
        }
    }
}

impl CovariateEffect {
    /// Change of times for one unit of the column, per cent; of a power law the exponent; with limits.
    fn in_words(&self) -> String {
        let shown = |effect: f64| {
            let power = self.covariate.is_power_law();
            significant(if power { effect } else { 100.0 * libm::expm1(effect) }, 2)
        };
        let e = &self.effect;
        let unit = if self.covariate.is_power_law() { "" } else { " %" };
        let mid = format!("{}{unit}", shown(e.estimate()));
        if self.standard_error > 0.0 { format!("{mid} ({} to {})", shown(e.lower()), shown(e.upper())) } else { mid }
    }

    fn p_in_words(&self) -> String {
        self.p_value.map_or_else(|| ", as given".into(), |p| format!(", {}", p_value("p", p)))
    }

    /// Effects of one column in a sentence.
    pub(crate) fn in_one(effects: &[Self]) -> String {
        let [first, ..] = effects else { return String::new() };
        let c = &first.covariate;
        let what = match (&c.form, effects) {
            (Form::PowerLaw { .. }, [one]) => {
                format!("Times go with {} to the power {}", one.covariate, one.in_words())
            }
            (Form::PowerLaw { .. }, _) => format!("Times go with {} to the power", c.column),
            (Form::Linear { .. }, [one]) if c.is_belt_wear() && c.part.is_none() => {
                format!("A drop on the belt changes times there by {}", one.in_words())
            }
            (Form::Linear { .. }, [one]) => {
                format!("One unit of {} changes times by {}", one.covariate, one.in_words())
            }
            (Form::Linear { .. }, _) => format!("One unit of {} changes times by", c.column),
            (_, [one]) => format!("Times with {} are longer than with {} by {}", one.covariate, c.form, one.in_words()),
            _ => format!("Times with {} are longer than with {} by", c.column, c.form),
        };
        let list: Vec<String> = match effects {
            [one] => vec![one.p_in_words()],
            _ => effects
                .iter()
                .map(|e| format!("{} {}{}", e.in_words(), e.covariate.part_in_words(), e.p_in_words()))
                .collect(),
        };
        let list = if effects.len() > 1 { format!(" {}", list.join("; ")) } else { list.concat() };
        if c.is_belt_wear() {
            let drops = &c.form;
            format!(
                "{what}{list}; everything is stated, and reports are read, for a belt that has served {drops} drops."
            )
        } else {
            format!("{what}{list}; everything is stated at {} {}.", c.column, c.form)
        }
    }
}

impl fmt::Display for CovariateEffect {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&Self::in_one(std::slice::from_ref(self)))
    }
}
