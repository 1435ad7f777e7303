//! Recorded numbers and texts that act on log time: wear of a belt, speed, force, temperature, wetness.
//!
//! `log T = … + γ (x − x₀)`, or `γ (ln x − ln x₀)` for a power law, x₀ the nominal value: every factor, median and
//! correction of the fit is then that at x₀. A text has a γ for each of its values but the nominal one, a number in steps
//! one for each step. γ is estimated with everything else, a further fixed column of the model, or
//! given with its standard error; a given one is taken off log times beforehand, and what its error does to each
//! estimate is found by fitting again with γ one standard error higher and lower and carried into the limits (GUM:2008,
//! 5.1.3, note 2).

mod check;
mod columns;
mod effect;

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::campaign::{SurfaceRole, Trial};
use crate::error::{Error, ErrorKind, Result};

pub use check::{Alike, CovariateCheck};
pub(in crate::severity) use columns::Covariates;
pub use effect::CovariateEffect;

/// The column that belt wear is read from.
const BELT_DROP: &str = "belt_drop";

/// A recorded number that acts on log time, with the nominal value at which everything is stated.
///
/// ```
/// // Two belts lose 2 % of every time with each drop; cowhide, 8 drops on the road and on each belt.
/// # use surface_severity::campaign::{Campaign, SurfaceRole, Trial};
/// # let mut trials = Vec::new();
/// # for n in 0..8u32 {
/// #     let e = if n % 4 < 2 { 0.01 } else { -0.01 };
/// #     trials.push(Trial::perforated(format!("R{n}"), "asphalt", "cowhide", 8.0 * f64::exp(e)));
/// #     for belt in ["b1", "b2"] {
/// #         let t = 4.0 * f64::exp(-0.02 * f64::from(n) + e);
/// #         let trial = Trial::perforated(format!("{belt} {n}"), "belt", "cowhide", t);
/// #         trials.push(trial.surface_role(SurfaceRole::Laboratory).belt(belt).belt_drop(f64::from(n)));
/// #     }
/// # }
/// # let campaign = Campaign::from_trials(trials)?;
/// use surface_severity::severity::{Covariate, Severity};
/// let fresh = Severity::new("asphalt").fit(&campaign)?;
/// let wear = &fresh.covariate_effects()[0];
/// assert!((wear.effect.estimate() + 0.02).abs() < 0.003, "log time lost with each drop");
/// assert!((fresh.factor("belt")?.estimate() - 2.0).abs() < 0.05, "a fresh belt");
/// let worn = Severity::new("asphalt").covariate(Covariate::belt_wear().at(10.0)).fit(&campaign)?;
/// assert!((worn.factor("belt")?.estimate() - 2.0 * f64::exp(0.2)).abs() < 0.1, "after ten drops");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
pub struct Covariate {
    column: String,
    form: Form,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    by: Option<By>,
    /// One of the columns that the whole makes; in results only.
    #[serde(default, skip_serializing_if = "Option::is_none")]
    part: Option<Part>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    role: Option<SurfaceRole>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    given: Option<Given>,
}

/// How a column acts, with the value at which everything is stated.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Form {
    Linear { nominal: f64 },
    PowerLaw { nominal: f64 },
    Steps { nominal: f64, bounds: Vec<f64> },
    Categories { nominal: String },
}

impl Form {
    fn nominal(&self) -> Option<f64> {
        match self {
            Self::Linear { nominal } | Self::PowerLaw { nominal } | Self::Steps { nominal, .. } => Some(*nominal),
            Self::Categories { .. } => None,
        }
    }
}

impl fmt::Display for Form {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        match self {
            Self::Categories { nominal } => f.write_str(nominal),
            _ => write!(f, "{}", self.nominal().unwrap_or_default()),
        }
    }
}

/// What has an effect of its own.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum By {
    Belt,
    Class,
}

impl By {
    fn label(self, trial: &Trial) -> &str {
        let label = match self {
            Self::Belt => &trial.belt,
            Self::Class => &trial.material_class,
        };
        label.as_deref().unwrap_or("(none named)")
    }
}

/// One column of those that a covariate makes.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
enum Part {
    /// Trials with this text.
    Category(String),
    /// Trials from the one bound to below the other.
    Step(Option<f64>, Option<f64>),
    /// Trials on this belt or of this class.
    Of(By, String),
    /// The square of the distance from the nominal value.
    Square,
}

/// An effect that was found elsewhere.
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
struct Given {
    effect: f64,
    standard_error: f64,
}

impl Covariate {
    /// Log time linear in `column`, stated at the value `nominal`. Columns: `belt_drop`, `speed_m_per_s`,
    /// `drop_height_mm`, `temperature_c`, `normal_force_n`, `specimen_mass_g_per_m2`, `thickness_mm`, `layers`, or one
    /// of the table's own that holds numbers.
    ///
    /// ```
    /// // Each degree shortens times by 1 %.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let trial = |id: &str, c: f64, e: f64| {
    /// #     Trial::perforated(id, "asphalt", "cowhide", 8.0 * f64::exp(e - 0.01 * c)).temperature_c(c)
    /// # };
    /// # let campaign = Campaign::from_trials([
    /// #     trial("1", 15.0, 0.01), trial("2", 20.0, -0.02), trial("3", 25.0, 0.01),
    /// # ])?;
    /// use surface_severity::severity::{Covariate, Severity};
    /// let fit = Severity::new("asphalt").covariate(Covariate::linear("temperature_c", 20.0)).fit(&campaign)?;
    /// assert!((fit.covariate_effects()[0].effect.estimate() + 0.01).abs() < 1e-9);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub fn linear(column: impl Into<String>, nominal: f64) -> Self {
        Self::of(column, Form::Linear { nominal })
    }

    fn of(column: impl Into<String>, form: Form) -> Self {
        Self { column: column.into(), form, by: None, part: None, role: None, given: None }
    }

    /// A text, such as `wetness` or `lot`, each with an effect of its own against the text `nominal`. A condition of which
    /// there might be many more levels than were met (operators, days) is better a random effect:
    /// [`Severity::condition`](super::Severity::condition).
    ///
    /// ```
    /// // Wet asphalt wears cowhide a quarter slower.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let trial = |id: &str, t: f64, w: &str| Trial::perforated(id, "asphalt", "cowhide", t).covariate("wetness", w);
    /// # let campaign = Campaign::from_trials([
    /// #     trial("1", 8.0, "dry"), trial("2", 8.4, "dry"), trial("3", 10.0, "wet"), trial("4", 10.5, "wet"),
    /// # ])?;
    /// use surface_severity::severity::{Covariate, Severity};
    /// let fit = Severity::new("asphalt").covariate(Covariate::categories("wetness", "dry")).fit(&campaign)?;
    /// let wet = &fit.covariate_effects()[0];
    /// assert!((wet.effect.estimate().exp() - 1.25).abs() < 1e-9);
    /// assert!(wet.to_string().contains("wetness wet"));
    /// assert!((fit.median("cowhide", "asphalt")?.estimate() - (8.0_f64 * 8.4).sqrt()).abs() < 1e-9, "dry");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub fn categories(column: impl Into<String>, nominal: impl Into<String>) -> Self {
        Self::of(column, Form::Categories { nominal: nominal.into() })
    }

    /// A number that acts in steps: constant up to each of `bounds`, every step with an effect of its own against the one
    /// that `nominal` lies in.
    ///
    /// ```
    /// // A belt that loses its grit at once after the first two drops.
    /// # use surface_severity::campaign::{Campaign, SurfaceRole, Trial};
    /// # let drop = |n: u32| {
    /// #     let t = if n < 2 { 4.0 } else { 5.0 } * if n % 2 == 0 { 0.99 } else { 1.01 };
    /// #     let trial = Trial::perforated(n.to_string(), "belt", "cowhide", t).belt_drop(f64::from(n));
    /// #     trial.surface_role(SurfaceRole::Laboratory)
    /// # };
    /// # let campaign = Campaign::from_trials((0..6).map(drop))?;
    /// use surface_severity::severity::{Covariate, Severity};
    /// let fit = Severity::new("belt").covariate(Covariate::steps("belt_drop", 0.0, [2.0])).fit(&campaign)?;
    /// assert!((fit.covariate_effects()[0].effect.estimate().exp() - 1.25).abs() < 1e-9, "from the second drop on");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub fn steps(column: impl Into<String>, nominal: f64, bounds: impl IntoIterator<Item = f64>) -> Self {
        Self::of(column, Form::Steps { nominal, bounds: bounds.into_iter().collect() })
    }

    /// Lets every belt have an effect of its own, as where each wears at its own rate.
    ///
    /// ```
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
    /// use surface_severity::severity::{Covariate, Severity};
    /// let fit = Severity::new("asphalt").covariate(Covariate::belt_wear().by_belt()).fit(&campaign)?;
    /// let slope = |at: usize| fit.covariate_effects()[at].effect.estimate();
    /// assert!((slope(0) + 0.01).abs() < 0.003 && (slope(1) + 0.03).abs() < 0.003);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn by_belt(mut self) -> Self {
        self.by = Some(By::Belt);
        self
    }

    /// Lets every material class have an effect of its own, as where some melt at speed.
    ///
    /// ```
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let trial = |id: &str, m: &str, t: f64, v: f64| {
    /// #     Trial::perforated(id, "asphalt", m, t).material_class(m).speed_m_per_s(v)
    /// # };
    /// # let campaign = Campaign::from_trials([
    /// #     trial("1", "leather", 8.0, 4.0), trial("2", "leather", 8.4, 4.0), trial("3", "leather", 4.0, 8.0),
    /// #     trial("4", "leather", 4.2, 8.0), trial("5", "polyamide", 4.0, 4.0), trial("6", "polyamide", 4.2, 4.0),
    /// #     trial("7", "polyamide", 1.0, 8.0), trial("8", "polyamide", 1.05, 8.0),
    /// # ])?;
    /// use surface_severity::severity::{Covariate, Severity};
    /// let speed = Covariate::power_law("speed_m_per_s", 4.0).by_class();
    /// let fit = Severity::new("asphalt").covariate(speed).fit(&campaign)?;
    /// let exponents: Vec<f64> = fit.covariate_effects().iter().map(|e| e.effect.estimate()).collect();
    /// assert!((exponents[0] + 1.0).abs() < 1e-9 && (exponents[1] + 2.0).abs() < 1e-9);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn by_class(mut self) -> Self {
        self.by = Some(By::Class);
        self
    }

    /// Times go with a power of `column`: log time linear in its logarithm, the effect is the exponent.
    ///
    /// ```
    /// // Twice the speed, a quarter of the time: exponent −2.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let trial = |id: &str, t: f64, v: f64| Trial::perforated(id, "asphalt", "cowhide", t).speed_m_per_s(v);
    /// # let campaign = Campaign::from_trials([
    /// #     trial("1", 8.0, 4.0), trial("2", 8.4, 4.0), trial("3", 2.0, 8.0), trial("4", 2.1, 8.0),
    /// # ])?;
    /// use surface_severity::severity::{Covariate, Severity};
    /// let speed = Covariate::power_law("speed_m_per_s", 4.0);
    /// let fit = Severity::new("asphalt").covariate(speed).fit(&campaign)?;
    /// assert!((fit.covariate_effects()[0].effect.estimate() + 2.0).abs() < 1e-9);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub fn power_law(column: impl Into<String>, nominal: f64) -> Self {
        Self::of(column, Form::PowerLaw { nominal })
    }

    /// Drops since the belt was mounted (`belt_drop`), on laboratory surfaces, stated for a fresh belt. In every plan of
    /// its own accord where the table records it.
    ///
    /// ```
    /// // A belt that loses 2 % of every time with each drop: after five it wears by as much faster.
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
    /// use surface_severity::severity::{Covariate, Severity};
    /// let fresh = Severity::new("asphalt").fit(&campaign)?;
    /// let worn = Severity::new("asphalt").covariate(Covariate::belt_wear().at(5.0)).fit(&campaign)?;
    /// let change = worn.factor("belt")?.estimate() / fresh.factor("belt")?.estimate();
    /// let slope = fresh.covariate_effects()[0].effect.estimate();
    /// assert!((change - f64::exp(-5.0 * slope)).abs() < 1e-9);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn belt_wear() -> Self {
        Self { role: Some(SurfaceRole::Laboratory), ..Self::linear(BELT_DROP, 0.0) }
    }

    /// Sets the nominal value of a number; the nominal text stays.
    #[must_use]
    pub fn at(mut self, value: f64) -> Self {
        match &mut self.form {
            Form::Linear { nominal } | Form::PowerLaw { nominal } | Form::Steps { nominal, .. } => *nominal = value,
            Form::Categories { .. } => {}
        }
        self
    }

    /// Lets it act on surfaces of one role only.
    #[must_use]
    pub fn on(mut self, role: SurfaceRole) -> Self {
        self.role = Some(role);
        self
    }

    /// Takes the effect as known, with a standard error, instead of estimating it.
    #[must_use]
    pub fn given(mut self, effect: f64, standard_error: f64) -> Self {
        self.given = Some(Given { effect, standard_error });
        self
    }

    /// The column.
    #[must_use]
    pub fn column(&self) -> &str {
        &self.column
    }

    /// The value at which everything is stated, a number or a text.
    #[must_use]
    pub fn nominal(&self) -> String {
        self.form.to_string()
    }

    /// The power that times go with, for the whole or one class of it.
    pub(crate) fn is_power_law(&self) -> bool {
        matches!(self.form, Form::PowerLaw { .. })
    }

    /// The class whose effect it is, where each has its own.
    pub(crate) fn class(&self) -> Option<&str> {
        match &self.part {
            Some(Part::Of(By::Class, class)) => Some(class),
            _ => None,
        }
    }

    pub(crate) fn is_belt_wear(&self) -> bool {
        self.column == BELT_DROP
    }

    fn check(&self) -> Result<()> {
        let refused = |value: &dyn fmt::Display, expected: &str| {
            Err(ErrorKind::option(&format!("nominal {}", self.column), value, expected))
        };
        match &self.form {
            Form::PowerLaw { nominal } if !(nominal.is_finite() && *nominal > 0.0) => {
                return refused(nominal, "a positive number, as its logarithm acts");
            }
            Form::Linear { nominal } | Form::Steps { nominal, .. } if !nominal.is_finite() => {
                return refused(nominal, "a finite number");
            }
            Form::Steps { bounds, .. }
                if bounds.is_empty() || !bounds.iter().all(|b| b.is_finite()) || !bounds.is_sorted() =>
            {
                let value = format!("{bounds:?}");
                return Err(ErrorKind::option(&format!("steps of {}", self.column), value, "numbers in rising order"));
            }
            _ => {}
        }
        let several = self.by.is_some() || matches!(self.form, Form::Steps { .. } | Form::Categories { .. });
        match self.given {
            Some(_) if several => {
                let option = format!("effect of {}", self.column);
                Err(ErrorKind::option(&option, "given", "one that is estimated, as it has several effects"))
            }
            Some(g) if !(g.effect.is_finite() && g.standard_error >= 0.0 && g.standard_error.is_finite()) => {
                let value = format!("{} ± {}", g.effect, g.standard_error);
                Err(ErrorKind::option(
                    &format!("effect of {}", self.column),
                    value,
                    "finite, with a standard error of 0 or more",
                ))
            }
            _ => Ok(()),
        }
    }

    /// The covariates of one column each that it stands for, by these trials.
    fn parts<'a>(&self, trials: impl Iterator<Item = &'a Trial>) -> Result<Vec<Self>> {
        let part = |part: Part| Self { part: Some(part), ..self.clone() };
        let values: Vec<Part> = match (&self.form, self.by) {
            _ if self.part.is_some() => return Ok(vec![self.clone()]),
            (Form::Categories { nominal }, _) => {
                let mut texts: Vec<&str> = trials.filter_map(|t| self.text(t)).collect();
                texts.sort_unstable();
                texts.dedup();
                if !texts.is_empty() && !texts.contains(&nominal.as_str()) {
                    let expected = format!("one of the texts there: {}", texts.join(", "));
                    return Err(ErrorKind::option(&format!("nominal {}", self.column), nominal, &expected));
                }
                texts.into_iter().filter(|t| t != nominal).map(|t| Part::Category(t.to_owned())).collect()
            }
            (Form::Steps { nominal, bounds }, _) => {
                let bound = |at: usize| bounds.get(at).copied();
                let own = bounds.partition_point(|b| b <= nominal);
                let step = |at: usize| Part::Step(at.checked_sub(1).and_then(bound), bound(at));
                (0..=bounds.len()).filter(|&at| at != own).map(step).collect()
            }
            (_, Some(by)) => {
                let mut labels = Vec::new();
                for trial in trials {
                    if self.number(trial)?.is_some() {
                        labels.push(by.label(trial));
                    }
                }
                labels.sort_unstable();
                labels.dedup();
                labels.into_iter().map(|label| Part::Of(by, label.to_owned())).collect()
            }
            _ => Vec::new(),
        };
        Ok(if values.is_empty() { vec![self.clone()] } else { values.into_iter().map(part).collect() })
    }

    /// Whether a trial is one that this part tells from the others.
    fn concerns(&self, trial: &Trial) -> bool {
        match &self.part {
            Some(Part::Of(by, label)) => by.label(trial) == label,
            _ => true,
        }
    }

    /// `x − x₀` or its logarithm; 0 and 1 for a text or a step.
    fn distance(&self, trial: &Trial) -> Result<Option<f64>> {
        let Some(x) = self.value(trial)? else { return Ok(None) };
        if !self.concerns(trial) {
            return Ok(Some(0.0));
        }
        let distance = match self.form {
            Form::Linear { nominal } => x - nominal,
            Form::PowerLaw { nominal } if x > 0.0 => libm::log(x / nominal),
            Form::PowerLaw { .. } => return Err(self.unfit(trial, &x.to_string(), "positive")),
            Form::Steps { .. } | Form::Categories { .. } => x,
        };
        Ok(Some(if self.part == Some(Part::Square) { distance * distance } else { distance }))
    }

    /// The number, or whether the trial is of the part.
    fn value(&self, trial: &Trial) -> Result<Option<f64>> {
        let whether = |found: bool| f64::from(u8::from(found));
        Ok(match &self.part {
            Some(Part::Category(text)) => self.text(trial).map(|t| whether(t == text)),
            Some(Part::Step(from, to)) => {
                let within = |x: f64| from.is_none_or(|b| x >= b) && to.is_none_or(|b| x < b);
                self.number(trial)?.map(|x| whether(within(x)))
            }
            _ if matches!(self.form, Form::Categories { .. }) => self.text(trial).map(|_| 0.0),
            _ => self.number(trial)?,
        })
    }

    fn text<'a>(&self, trial: &'a Trial) -> Option<&'a str> {
        trial.covariates.get(&self.column).map(String::as_str)
    }

    fn number(&self, trial: &Trial) -> Result<Option<f64>> {
        Ok(match self.column.as_str() {
            BELT_DROP => trial.belt_drop,
            "speed_m_per_s" => trial.speed_m_per_s,
            "drop_height_mm" => trial.drop_height_mm,
            "temperature_c" => trial.temperature_c,
            "normal_force_n" => trial.normal_force_n,
            "specimen_mass_g_per_m2" => trial.specimen_mass_g_per_m2,
            "thickness_mm" => trial.thickness_mm,
            "layers" => trial.layers.map(f64::from),
            own => match trial.covariates.get(own) {
                None => None,
                Some(text) => match text.trim().parse::<f64>() {
                    Ok(x) if x.is_finite() => Some(x),
                    _ => return Err(self.unfit(trial, text, "finite")),
                },
            },
        })
    }

    fn unfit(&self, trial: &Trial, value: &str, what: &str) -> Error {
        let expected = format!("a {what} number, as {} is a covariate (trial {})", self.column, trial.trial_id);
        ErrorKind::option(&self.column, value, &expected)
    }
}

impl Covariate {
    /// Which part of the column it is.
    fn part_in_words(&self) -> String {
        match &self.part {
            None => String::new(),
            Some(Part::Square) => "squared".into(),
            Some(Part::Category(text)) => text.clone(),
            Some(Part::Of(By::Belt, label)) => format!("on {label}"),
            Some(Part::Of(By::Class, label)) => format!("for {label}"),
            Some(Part::Step(None, Some(to))) => format!("below {to}"),
            Some(Part::Step(Some(from), Some(to))) => format!("from {from} to below {to}"),
            Some(Part::Step(from, None)) => format!("from {} on", from.unwrap_or_default()),
        }
    }
}

/// The column, and which part of it.
impl fmt::Display for Covariate {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.column)?;
        let part = self.part_in_words();
        if part.is_empty() { Ok(()) } else { write!(f, " {part}") }
    }
}
