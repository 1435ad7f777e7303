//! Recorded numbers that act on log time: wear of a belt, speed, force, temperature.
//!
//! `log T = … + γ (x − x₀)`, or `γ (ln x − ln x₀)` for a power law, x₀ the nominal value: every factor, median and
//! correction of the fit is then that at x₀. γ is estimated with everything else, a further fixed column of the model, or
//! given with its standard error; a given one is taken off log times beforehand, and what its error does to each
//! estimate is found by fitting again with γ one standard error higher and lower and carried into the limits (GUM:2008,
//! 5.1.3, note 2).

use std::fmt;

use serde::{Deserialize, Serialize};

use crate::campaign::{Campaign, SurfaceRole, Trial};
use crate::error::{Error, ErrorKind, Result};
use crate::estimate::{Interval, IntervalMethod, significant};
use crate::numeric::special::finite;

use super::cells::Crossed;
use super::mixed::Contrast;
use super::note::Note;
use super::plan::Severity;

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
    nominal: f64,
    #[serde(default)]
    power_law: bool,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    role: Option<SurfaceRole>,
    #[serde(default, skip_serializing_if = "Option::is_none")]
    given: Option<Given>,
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
    /// of the table's own that holds numbers. A condition of two kinds (dry, wet) is a column of 0 and 1.
    ///
    /// ```
    /// // Wet asphalt wears cowhide a quarter slower.
    /// # use surface_severity::campaign::{Campaign, Trial};
    /// # let trial = |id: &str, t: f64, wet: &str| Trial::perforated(id, "asphalt", "cowhide", t).covariate("wet", wet);
    /// # let campaign = Campaign::from_trials([
    /// #     trial("1", 8.0, "0"), trial("2", 8.4, "0"), trial("3", 10.0, "1"), trial("4", 10.5, "1"),
    /// # ])?;
    /// use surface_severity::severity::{Covariate, Severity};
    /// let fit = Severity::new("asphalt").covariate(Covariate::linear("wet", 0.0)).fit(&campaign)?;
    /// assert!((fit.covariate_effects()[0].effect.estimate().exp() - 1.25).abs() < 1e-9);
    /// assert!((fit.median("cowhide", "asphalt")?.estimate() - (8.0_f64 * 8.4).sqrt()).abs() < 1e-9, "dry");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub fn linear(column: impl Into<String>, nominal: f64) -> Self {
        Self { column: column.into(), nominal, power_law: false, role: None, given: None }
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
        Self { power_law: true, ..Self::linear(column, nominal) }
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

    /// Sets the nominal value.
    #[must_use]
    pub fn at(mut self, nominal: f64) -> Self {
        self.nominal = nominal;
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

    /// The value at which everything is stated.
    #[must_use]
    pub fn nominal(&self) -> f64 {
        self.nominal
    }

    pub(crate) fn is_belt_wear(&self) -> bool {
        self.column == BELT_DROP
    }

    fn check(&self) -> Result<()> {
        let positive = !self.power_law || self.nominal > 0.0;
        if !(self.nominal.is_finite() && positive) {
            let expected = if positive { "a finite number" } else { "a positive number, as its logarithm acts" };
            return Err(ErrorKind::option(&format!("nominal {}", self.column), self.nominal, expected));
        }
        match self.given {
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

    /// `x − x₀` or its logarithm.
    fn distance(&self, trial: &Trial) -> Result<Option<f64>> {
        let Some(x) = self.number(trial)? else { return Ok(None) };
        if !self.power_law {
            return Ok(Some(x - self.nominal));
        }
        if x > 0.0 { Ok(Some(libm::log(x / self.nominal))) } else { Err(self.unfit(trial, &x.to_string(), "positive")) }
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
    /// The covariate as planned.
    pub covariate: Covariate,
    /// γ, with limits: log time per unit of the column, or the exponent of a power law.
    pub effect: Interval,
    /// Its standard error.
    pub standard_error: f64,
    /// p-value of no effect, two-sided; absent where the effect was given.
    #[serde(deserialize_with = "crate::document::present")]
    pub p_value: Option<f64>,
    /// Smallest and largest value among the trials that it acts on.
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
    /// Change of times for one unit of the column, per cent; of a power law the exponent.
    fn in_words(&self, effect: f64) -> String {
        let shown = if self.covariate.power_law { effect } else { 100.0 * libm::expm1(effect) };
        significant(shown, 2)
    }
}

impl fmt::Display for CovariateEffect {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let (c, e) = (&self.covariate, &self.effect);
        let [mid, low, high] = [e.estimate(), e.lower(), e.upper()].map(|x| self.in_words(x));
        let limits = if self.standard_error > 0.0 { format!(" ({low} to {high})") } else { String::new() };
        match (c.is_belt_wear(), c.power_law) {
            (true, false) => write!(f, "A drop on the belt changes times there by {mid} %{limits}")?,
            (_, true) => write!(f, "Times go with {} to the power {mid}{limits}", c.column)?,
            (false, false) => write!(f, "One unit of {} changes times by {mid} %{limits}", c.column)?,
        }
        match self.p_value {
            Some(p) if p < 0.001 => f.write_str(", p < 0.001")?,
            Some(p) => write!(f, ", p = {}", significant(p, 2))?,
            None => f.write_str(", as given")?,
        }
        let nominal = c.nominal;
        if c.is_belt_wear() {
            write!(f, "; everything is stated, and reports are read, for a belt that has served {nominal} drops.")
        } else {
            write!(f, "; everything is stated at {} {nominal}.", c.column)
        }
    }
}

/// What a fixed column stands for.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(super) enum Role {
    /// γ of the covariate at this place.
    Effect(usize),
    /// Trials without a value share a shift of their own.
    Unrecorded,
}

/// The covariates of a fit; values by trial of the campaign.
#[derive(Debug, Clone, Default)]
pub(super) struct Covariates {
    pub(super) list: Vec<Covariate>,
    distances: Vec<Vec<f64>>,
    ranges: Vec<(f64, f64, usize)>,
    /// Columns to be estimated.
    pub(super) columns: Vec<(Role, Vec<f64>)>,
    pub(super) notes: Vec<Note>,
    pub(super) undetermined: Vec<String>,
}

impl Covariates {
    /// Those of the plan and, where the table records it, belt wear; `trials` are those of the design, in its order.
    pub(super) fn of(plan: &Severity, campaign: &Campaign, design: &Crossed, trials: &[usize]) -> Result<Self> {
        let mut found = Self::default();
        for covariate in &plan.covariates {
            covariate.check()?;
            found.add(covariate, true, campaign, design, trials)?;
        }
        if campaign.records_belt_drop() && !plan.covariates.iter().any(Covariate::is_belt_wear) {
            found.add(&Covariate::belt_wear(), false, campaign, design, trials)?;
        }
        Ok(found)
    }

    fn add(
        &mut self,
        covariate: &Covariate,
        asked: bool,
        campaign: &Campaign,
        design: &Crossed,
        trials: &[usize],
    ) -> Result<()> {
        let all = campaign.trials();
        if self.list.iter().any(|c| c.column == covariate.column) {
            return Err(ErrorKind::option("covariate", &covariate.column, "each column once"));
        }
        let mut recorded = vec![None; all.len()];
        for &i in trials {
            recorded[i] = covariate.distance(&all[i])?;
        }
        let surface = |i: usize| campaign.surface_index()[i] as usize;
        let mut acts = vec![false; campaign.surfaces().len()];
        for &i in trials {
            let role = campaign.surfaces()[surface(i)].role;
            let fits = covariate.role.is_none() || role.is_none() || role == covariate.role;
            acts[surface(i)] |= recorded[i].is_some() && fits;
        }
        // Trials that were not fitted are shifted like the others: they give bounds.
        let mut distance = vec![0.0; all.len()];
        for (i, d) in distance.iter_mut().enumerate().filter(|(i, _)| acts[surface(*i)]) {
            *d = covariate.distance(&all[i])?.unwrap_or(0.0);
        }
        let acted: Vec<usize> = trials.iter().copied().filter(|&i| acts[surface(i)]).collect();
        let values: Vec<f64> = acted.iter().filter_map(|&i| recorded[i].and(covariate.number(&all[i]).ok()?)).collect();
        let lowest = values.iter().copied().fold(f64::INFINITY, f64::min);
        let highest = values.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        let reason = if values.is_empty() {
            Some("no trial that it acts on names its value".to_string())
        } else if covariate.given.is_some() {
            None
        } else if lowest >= highest {
            Some(format!("all trials have the value {lowest}"))
        } else if !self.separable(design, trials, &distance) {
            Some("its values coincide with materials and surfaces".to_string())
        } else {
            None
        };
        if let Some(reason) = reason {
            if asked {
                let quantity = format!("the effect of {}", covariate.column);
                return Err(ErrorKind::NotEstimable { quantity, reason }.into());
            }
            if lowest < highest {
                self.undetermined.push(format!("{}: {reason}", covariate.column));
            }
            self.notes.push(Note::CovariateNotFitted { column: covariate.column.clone(), reason });
            return Ok(());
        }
        if !(lowest..=highest).contains(&covariate.nominal) {
            let (column, nominal) = (covariate.column.clone(), covariate.nominal.to_string());
            let range = format!("{lowest} to {highest}");
            self.notes.push(Note::BeyondRecorded { column, nominal, range });
        }
        let at = self.list.len();
        if covariate.given.is_none() {
            self.columns.push((Role::Effect(at), distance.clone()));
        }
        let mut without: Vec<&str> =
            acted.iter().filter(|&&i| recorded[i].is_none()).map(|&i| all[i].trial_id.as_str()).collect();
        without.sort_unstable();
        if let Some(first) = without.first() {
            let mut shared = vec![0.0; all.len()];
            for &i in acted.iter().filter(|&&i| recorded[i].is_none()) {
                shared[i] = 1.0;
            }
            let apart = self.separable(design, trials, &shared);
            if apart {
                self.columns.push((Role::Unrecorded, shared));
            }
            self.notes.push(Note::WithoutValue {
                column: covariate.column.clone(),
                trials: without.len(),
                first: (*first).to_owned(),
                apart,
            });
        }
        self.list.push(covariate.clone());
        self.distances.push(distance);
        self.ranges.push((lowest, highest, values.len()));
        Ok(())
    }

    /// Whether a column is none of materials, surfaces and the columns before it: what least squares leave of it.
    fn separable(&self, design: &Crossed, trials: &[usize], column: &[f64]) -> bool {
        let y: Vec<f64> = trials.iter().map(|&i| column[i]).collect();
        let before: Vec<Vec<f64>> = self.columns.iter().map(|(_, x)| trials.iter().map(|&i| x[i]).collect()).collect();
        super::engine::is_explained(design, &before, &y).is_ok_and(|explained| !explained)
    }

    /// The columns over `trials`.
    pub(super) fn over(&self, trials: &[usize]) -> Vec<Vec<f64>> {
        self.columns.iter().map(|(_, x)| trials.iter().map(|&i| x[i]).collect()).collect()
    }

    /// What the given effects add to log time, by trial of the campaign, that of `moved` moved by so many standard errors.
    pub(super) fn given_shift(&self, moved: Option<(usize, f64)>) -> Option<Vec<f64>> {
        let mut shift: Option<Vec<f64>> = None;
        for (at, covariate) in self.list.iter().enumerate() {
            let Some(given) = covariate.given else { continue };
            let steps = moved.filter(|m| m.0 == at).map_or(0.0, |m| m.1);
            add(&mut shift, &self.distances[at], given.effect + steps * given.standard_error);
        }
        shift
    }

    /// Places of the given effects that have a standard error.
    pub(super) fn uncertain(&self) -> Vec<(usize, f64)> {
        let error = |c: &Covariate| c.given.map_or(0.0, |g| g.standard_error);
        (0..self.list.len()).map(|at| (at, error(&self.list[at]))).filter(|&(_, se)| se > 0.0).collect()
    }

    /// Adds what the estimated columns do to log time.
    pub(super) fn estimated_shift(&self, coefficient: impl Fn(usize) -> f64) -> Option<Vec<f64>> {
        let mut shift = None;
        for (j, (_, x)) in self.columns.iter().enumerate() {
            add(&mut shift, x, coefficient(j));
        }
        shift
    }

    /// What one standard error of each effect adds to log time, by trial of the campaign.
    pub(super) fn errors(&self, effects: &[CovariateEffect]) -> Vec<Vec<f64>> {
        let one = |(e, x): (&CovariateEffect, &Vec<f64>)| x.iter().map(|x| x * e.standard_error).collect();
        effects.iter().zip(&self.distances).map(one).collect()
    }

    /// Rows of the result; `contrast` is that of an estimated column.
    pub(super) fn effects(&self, level: f64, contrast: impl Fn(usize) -> Contrast) -> Result<Vec<CovariateEffect>> {
        let row = |(at, covariate): (usize, &Covariate)| {
            let (lowest, highest, trials) = self.ranges[at];
            let column = self.columns.iter().position(|(role, _)| *role == Role::Effect(at));
            let (estimate, error, multiplier, p_value) = match (covariate.given, column) {
                (Some(g), _) => {
                    (g.effect, g.standard_error, crate::numeric::special::two_sided_quantile(level, None), None)
                }
                (None, Some(j)) => {
                    let c = contrast(j);
                    let df = Some(c.equivalent_degrees_of_freedom());
                    (
                        c.estimate,
                        c.standard_error,
                        c.multiplier(level),
                        finite::two_sided_p(c.estimate, c.standard_error, df),
                    )
                }
                (None, None) => (0.0, 0.0, 0.0, None),
            };
            let half = multiplier * error;
            let method = if covariate.given.is_some() { IntervalMethod::Normal } else { IntervalMethod::StudentT };
            Ok(CovariateEffect {
                covariate: covariate.clone(),
                effect: Interval::new(estimate, estimate - half, estimate + half, level, method)?,
                standard_error: error,
                p_value,
                range: (lowest, highest),
                trials,
            })
        };
        self.list.iter().enumerate().map(row).collect()
    }
}

fn add(shift: &mut Option<Vec<f64>>, x: &[f64], effect: f64) {
    let shift = shift.get_or_insert_with(|| vec![0.0; x.len()]);
    for (s, x) in shift.iter_mut().zip(x) {
        *s += effect * x;
    }
}
