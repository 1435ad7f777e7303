//! The correction read backwards: which laboratory time a required road time calls for.
//!
//! With a constant ratio, a factor more of laboratory time is a factor more of road time, and an answer always exists.
//! With the power law it need not: away from the laboratory times that were seen, the uncertainty of the slope grows as
//! fast as the line rises, so that no laboratory time, however long, may reach the wanted probability. That is said
//! ([`Needed::Never`]).

use serde::Serialize;

use super::factor::Correction;
use super::predict::{Predictive, Target};
use super::surface::{Known, SurfaceCorrection};
use super::validity::Validity;
use crate::equivalence::Form;
use crate::error::{ErrorKind, Result};
use crate::numeric::count;
use crate::numeric::root::bracketed;

/// What is to reach the required time.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// use surface_severity::correction::{Needed, Reacher, RoadGoal};
/// let needed = |reacher| -> surface_severity::Result<f64> {
///     match correction.needed_laboratory_time("brushed concrete", &RoadGoal::new(4.0).reacher(reacher))?.needed {
///         Needed::AtLeast { laboratory_time_s, .. } => Ok(laboratory_time_s),
///         other => panic!("{other:?}"),
///     }
/// };
/// // Nineteen specimens of twenty are more to ask than the median of the material.
/// assert!(needed(Reacher::Specimen)? > needed(Reacher::Median)?);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Default, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Reacher {
    /// The road median of the material.
    #[default]
    Median,
    /// One further specimen on the road.
    Specimen,
}

/// A road time to be reached: plain data, checked in [`Correction::needed_laboratory_time`].
///
/// | option | default | range | meaning |
/// |---|---|---|---|
/// | road_time_s | required | > 0 s | time to be reached on the road |
/// | probability | 0.95 | (0, 1) | with which it is to be reached |
/// | reacher | median | see [`Reacher`] | what is to reach it |
/// | specimens | 5 | 1 or more | specimens of the laboratory report, all perforated, of one day |
/// | material_class | none | | class of the material |
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// use surface_severity::correction::{LabReport, Needed, RoadGoal};
/// // Which belt median must a report of ten specimens show for 4 s on brushed concrete?
/// let goal = RoadGoal::new(4.0).probability(0.9).specimens(10).material_class("leather");
/// let Needed::AtLeast { laboratory_time_s, .. } = correction.needed_laboratory_time("brushed concrete", &goal)?.needed else {
///     unreachable!("a constant ratio always has an answer")
/// };
/// let report = LabReport::from_mean("R 9", "new leather", Some("leather".into()), laboratory_time_s, 10, 0.2)?;
/// let time = correction.apply_on("brushed concrete", &report)?;
/// assert!((time.probability_of_reaching(4.0)? - 0.9).abs() < 1e-4);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
pub struct RoadGoal {
    road_time_s: f64,
    probability: f64,
    reacher: Reacher,
    specimens: usize,
    material_class: Option<String>,
}

impl RoadGoal {
    /// The road median is to reach `road_time_s` with probability 0.95, judged by a report of 5 specimens.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// use surface_severity::correction::RoadGoal;
    /// assert!(correction.needed_laboratory_time("brushed concrete", &RoadGoal::new(4.0)).is_ok());
    /// assert!(correction.needed_laboratory_time("brushed concrete", &RoadGoal::new(-4.0)).is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn new(road_time_s: f64) -> Self {
        Self { road_time_s, probability: 0.95, reacher: Reacher::Median, specimens: 5, material_class: None }
    }
    /// Sets the probability with which it is to be reached.
    #[must_use]
    pub fn probability(mut self, probability: f64) -> Self {
        self.probability = probability;
        self
    }
    /// Sets what is to reach it.
    #[must_use]
    pub fn reacher(mut self, reacher: Reacher) -> Self {
        self.reacher = reacher;
        self
    }
    /// Sets the number of specimens of the laboratory report.
    #[must_use]
    pub fn specimens(mut self, specimens: usize) -> Self {
        self.specimens = specimens;
        self
    }
    /// Sets the class of the material.
    #[must_use]
    pub fn material_class(mut self, class: impl Into<String>) -> Self {
        self.material_class = Some(class.into());
        self
    }

    fn check(&self) -> Result<()> {
        if !(self.road_time_s > 0.0 && self.road_time_s.is_finite()) {
            return Err(ErrorKind::option("road_time_s", self.road_time_s, "a positive, finite time"));
        }
        if !(self.probability > 0.0 && self.probability < 1.0) {
            let expected = "a probability strictly between 0 and 1";
            return Err(ErrorKind::option("probability", self.probability, expected));
        }
        if self.specimens == 0 {
            return Err(ErrorKind::option("specimens", 0, "at least 1"));
        }
        Ok(())
    }
}

/// The laboratory median that reaches a [`RoadGoal`].
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// use surface_severity::correction::{Needed, RoadGoal};
/// match correction.needed_laboratory_time("brushed concrete", &RoadGoal::new(4.0))?.needed {
///     Needed::AtLeast { laboratory_time_s, validity, .. } => {
///         println!("at least {laboratory_time_s:.2} s on the belt ({validity})");
///         // More than 4 s/c, by what must be allowed for.
///         assert!(laboratory_time_s > 4.0 / correction.correction("brushed concrete")?.factor().estimate());
///     }
///     other => panic!("a constant ratio always has an answer, not {other:?}"),
/// }
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum Needed {
    /// A report needs at least this median.
    AtLeast {
        /// The median on the belt, s.
        laboratory_time_s: f64,
        /// How it lies to the domain of the correction.
        validity: Validity,
    },
    /// No laboratory time reaches the goal: the power law is too uncertain.
    Never {
        /// The highest probability that any laboratory time reaches.
        highest_probability: f64,
    },
    /// Every laboratory time reaches the goal, for the same reason.
    Always {
        /// The lowest probability of any laboratory time.
        lowest_probability: f64,
    },
}

/// Answer to a [`RoadGoal`] on one surface.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// use surface_severity::correction::RoadGoal;
/// let needed = correction.needed_laboratory_time("brushed concrete", &RoadGoal::new(4.0))?;
/// assert_eq!((needed.surface.as_str(), &needed.goal), ("brushed concrete", &RoadGoal::new(4.0)));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct NeededTime {
    /// The road surface.
    pub surface: String,
    /// The goal.
    pub goal: RoadGoal,
    /// The laboratory median that it calls for.
    pub needed: Needed,
}

impl Correction {
    /// The laboratory median that a report needs so that its material reaches `goal` on `surface`.
    ///
    /// The probability is that of [`CorrectedTime::probability_of_reaching`](super::CorrectedTime::probability_of_reaching)
    /// for a report of the goal's number of specimens with this median.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// use surface_severity::correction::{Needed, RoadGoal};
    /// let needed = |seconds: f64| correction.needed_laboratory_time("brushed concrete", &RoadGoal::new(seconds)).map(|n| n.needed);
    /// // With a constant ratio twice the road time takes twice the belt time.
    /// let (Needed::AtLeast { laboratory_time_s: a, .. }, Needed::AtLeast { laboratory_time_s: b, .. }) = (needed(2.0)?, needed(4.0)?) else {
    ///     unreachable!()
    /// };
    /// assert!((b / a - 2.0).abs() < 1e-4);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::UnknownSurface`]; [`ErrorKind::InvalidOption`] for a goal outside its range;
    /// [`ErrorKind::NotEstimable`] for a power law that does not rise, or times beyond the range of numbers.
    pub fn needed_laboratory_time(&self, surface: &str, goal: &RoadGoal) -> Result<NeededTime> {
        goal.check()?;
        let correction = self.correction(surface)?;
        let target = match goal.reacher {
            Reacher::Median => Target::Material,
            Reacher::Specimen => Target::Specimen,
        };
        let sd = self.distribution().moments().1;
        let report = self.log_scatter() * self.log_scatter() * sd * sd / count(goal.specimens);
        let class = goal.material_class.as_deref();
        let known = Known { variance: report, days: 1.0, cloth: None };
        let at = |x: f64| correction.distribution_at(x, known, target, class, self);
        let log_time = libm::log(goal.road_time_s);
        let found = match correction.form() {
            Form::ConstantRatio => {
                let quantile = at(0.0).quantile(1.0 - goal.probability).ok_or_else(|| beyond("the laboratory time"))?;
                Search::Found(log_time - quantile)
            }
            Form::PowerLaw => search(correction, log_time, goal.probability, at)?,
        };
        let needed = match found {
            Search::Found(x) => {
                let laboratory_time_s = libm::exp(x);
                if !(laboratory_time_s > 0.0 && laboratory_time_s.is_finite()) {
                    return Err(beyond("the laboratory time"));
                }
                let validity = correction.domain().validity(Some(laboratory_time_s), class);
                Needed::AtLeast { laboratory_time_s, validity }
            }
            Search::Never(highest_probability) => Needed::Never { highest_probability },
            Search::Always(lowest_probability) => Needed::Always { lowest_probability },
        };
        Ok(NeededTime { surface: surface.to_owned(), goal: goal.clone(), needed })
    }
}

fn beyond(quantity: &str) -> crate::Error {
    let reason = "the numbers leave the range of double precision".into();
    ErrorKind::NotEstimable { quantity: quantity.into(), reason }.into()
}

enum Search {
    Found(f64),
    Never(f64),
    Always(f64),
}

/// The log laboratory time at which the probability first reaches `p` from below.
///
/// (a + b x − log t) over its standard deviation has one turning point, so the probability rises to a maximum and then
/// falls towards a limit (and, on the other side, falls to a minimum before it rises to a limit): steps that start small
/// and grow by a twelfth find the crossing on the rising part.
fn search(correction: &SurfaceCorrection, log_time: f64, p: f64, at: impl Fn(f64) -> Predictive) -> Result<Search> {
    let slope = correction.slope();
    if slope <= 0.0 {
        let reason = "the power law does not rise with the laboratory time".into();
        return Err(ErrorKind::NotEstimable { quantity: "the laboratory time".into(), reason }.into());
    }
    let probability = |x: f64| at(x).survival(log_time);
    let start = (log_time - correction.intercept()) / slope;
    let excess = |x: f64| probability(x) - p;
    let at_start = excess(start);
    let upwards = at_start < 0.0;
    let (mut before, mut at_before, mut step) = (start, at_start, 0.02);
    let mut extreme = probability(start);
    // e^±60 times the middle: beyond any time.
    while (before - start).abs() < 60.0 {
        let next = if upwards { before + step } else { before - step };
        let at_next = excess(next);
        if (at_next >= 0.0) == upwards {
            let (low, high) = if upwards { (before, next) } else { (next, before) };
            let (at_low, at_high) = if upwards { (at_before, at_next) } else { (at_next, at_before) };
            return Ok(Search::Found(bracketed(excess, low, at_low, high, at_high)));
        }
        extreme = if upwards { extreme.max(at_next + p) } else { extreme.min(at_next + p) };
        (before, at_before) = (next, at_next);
        step *= 13.0 / 12.0;
    }
    Ok(if upwards { Search::Never(extreme.clamp(0.0, 1.0)) } else { Search::Always(extreme.clamp(0.0, 1.0)) })
}
