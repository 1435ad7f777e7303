//! Whether a correction is used where it was derived.

use serde::{Deserialize, Serialize};

use crate::equivalence::record::record;

record! {
    /// Materials of one class among those that a correction was derived from.
    pub struct ClassCount as RawClassCount {
        /// The class; `None` for materials without one.
        text class: Option<String>,
        /// Materials of that class.
        copy materials: usize,
    }
}

impl ClassCount {
    fn check(&self) -> Result<(), String> {
        if self.materials > 0 { Ok(()) } else { Err("a class without materials in the domain".into()) }
    }
}

record! {
    /// What a correction was derived from: classes of material, and laboratory times.
    pub struct Domain as RawDomain {
        /// The classes, sorted by name, those without one first.
        borrow classes: Vec<ClassCount> => [ClassCount],
        /// Shortest laboratory median among the materials, s.
        copy shortest_laboratory_time_s: f64,
        /// Longest laboratory median among the materials, s.
        copy longest_laboratory_time_s: f64,
    }
}

impl Domain {
    fn check(&self) -> Result<(), String> {
        let (a, b) = (self.shortest_laboratory_time_s, self.longest_laboratory_time_s);
        if !(a > 0.0 && a <= b && b.is_finite()) {
            return Err(format!("the domain's laboratory times {a} s to {b} s are not a range of positive times"));
        }
        if self.classes.windows(2).any(|w| w[0].class >= w[1].class) {
            return Err("the classes of the domain are not sorted by name, or one is there twice".into());
        }
        Ok(())
    }

    /// Materials in all.
    #[must_use]
    pub fn materials(&self) -> usize {
        self.classes.iter().map(ClassCount::materials).sum()
    }

    /// Where a laboratory time and a class lie relative to this domain.
    #[must_use]
    pub fn validity(&self, laboratory_time_s: Option<f64>, class: Option<&str>) -> Validity {
        let time = match laboratory_time_s {
            None => TimeValidity::Unknown,
            Some(t) if t < self.shortest_laboratory_time_s => {
                TimeValidity::Extrapolated { side: Side::Below, ratio: self.shortest_laboratory_time_s / t }
            }
            Some(t) if t > self.longest_laboratory_time_s => {
                TimeValidity::Extrapolated { side: Side::Above, ratio: t / self.longest_laboratory_time_s }
            }
            Some(_) => TimeValidity::Inside,
        };
        let class = match class {
            None => ClassValidity::NotStated,
            Some(class) => match self.classes.iter().find(|c| c.class.as_deref() == Some(class)) {
                Some(found) => ClassValidity::Represented { materials: found.materials },
                None => ClassValidity::NotRepresented,
            },
        };
        Validity { time, class }
    }
}

/// Which end of the domain.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// Shorter than any laboratory time seen.
    Below,
    /// Longer than any laboratory time seen.
    Above,
}

/// A laboratory time against the domain.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum TimeValidity {
    /// Between the shortest and the longest seen.
    Inside,
    /// Outside.
    Extrapolated {
        /// Which end.
        side: Side,
        /// How many times beyond that end, above 1.
        ratio: f64,
    },
    /// Only a bound of the laboratory time is known, so where it lies is not.
    Unknown,
}

/// A material class against the domain.
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
pub enum ClassValidity {
    /// Materials of the class are in the domain.
    Represented {
        /// How many.
        materials: usize,
    },
    /// None is: how this class wears on the road relative to the belt was not seen.
    NotRepresented,
    /// The report names no class.
    NotStated,
}

/// How a report lies to the domain of a correction. A correction outside its domain is given all the same, and
/// unchanged: nothing is known by which it could be adjusted.
#[derive(Debug, Clone, Copy, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Validity {
    /// Its laboratory time.
    pub time: TimeValidity,
    /// Its material class.
    pub class: ClassValidity,
}

impl Validity {
    /// True where both the time and the class were seen.
    #[must_use]
    pub fn is_inside(&self) -> bool {
        self.time == TimeValidity::Inside && matches!(self.class, ClassValidity::Represented { .. })
    }
}

/// One line, such as `inside` or `extrapolated 1.4 times above; class not represented`.
impl std::fmt::Display for Validity {
    fn fmt(&self, f: &mut std::fmt::Formatter<'_>) -> std::fmt::Result {
        match self.time {
            TimeValidity::Inside => f.write_str("inside")?,
            TimeValidity::Extrapolated { side, ratio } => {
                let side = if side == Side::Below { "below" } else { "above" };
                write!(f, "extrapolated {} times {side}", crate::estimate::significant(ratio, 3))?;
            }
            TimeValidity::Unknown => f.write_str("laboratory time known only as a bound")?,
        }
        match self.class {
            ClassValidity::Represented { .. } => Ok(()),
            ClassValidity::NotRepresented => f.write_str("; class not represented"),
            ClassValidity::NotStated => f.write_str("; class not stated"),
        }
    }
}
