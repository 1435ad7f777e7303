//! Whether a correction is used where it was derived.

use serde::{Deserialize, Serialize};

use crate::record::record;

record! {
    /// Materials of one class among those that a correction was derived from.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// let domain = correction.correction("brushed concrete")?.domain();
    /// for count in domain.classes() {
    ///     println!("{}: {} materials", count.class().unwrap_or("no class"), count.materials());
    /// }
    /// assert_eq!(domain.classes().iter().map(|c| c.materials()).sum::<usize>(), domain.materials());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
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
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// let domain = correction.correction("brushed concrete")?.domain();
    /// println!("{} to {} s", domain.shortest_laboratory_time_s(), domain.longest_laboratory_time_s());
    /// assert!(domain.validity(Some(domain.longest_laboratory_time_s()), Some("leather")).is_inside());
    /// assert!(!domain.validity(Some(domain.longest_laboratory_time_s() * 2.0), Some("leather")).is_inside());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
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
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// use surface_severity::correction::{Side, TimeValidity};
    /// let domain = correction.correction("brushed concrete")?.domain();
    /// let TimeValidity::Extrapolated { side, ratio } = domain.validity(Some(domain.shortest_laboratory_time_s() / 2.0), None).time else {
    ///     unreachable!()
    /// };
    /// assert!(side == Side::Below && (ratio - 2.0).abs() < 1e-12);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
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
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
/// use surface_severity::correction::{Side, TimeValidity};
/// // Double leather, longer on the belt than anything in the campaign.
/// let report = reports.reports().iter().find(|r| r.report_id() == "LR-10").unwrap();
/// let time = correction.apply_on("brushed concrete", report)?;
/// assert!(matches!(time.validity().time, TimeValidity::Extrapolated { side: Side::Above, .. }));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize, Deserialize)]
#[serde(rename_all = "snake_case")]
pub enum Side {
    /// Shorter than any laboratory time seen.
    Below,
    /// Longer than any laboratory time seen.
    Above,
}

/// A laboratory time against the domain.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// use surface_severity::correction::TimeValidity;
/// let domain = correction.correction("brushed concrete")?.domain();
/// assert_eq!(domain.validity(Some(domain.shortest_laboratory_time_s()), None).time, TimeValidity::Inside);
/// assert_eq!(domain.validity(None, None).time, TimeValidity::Unknown, "only a bound is known");
/// # Ok::<(), surface_severity::Error>(())
/// ```
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
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// use surface_severity::correction::ClassValidity;
/// let domain = correction.correction("brushed concrete")?.domain();
/// assert!(matches!(domain.validity(None, Some("leather")).class, ClassValidity::Represented { .. }));
/// assert_eq!(domain.validity(None, Some("chain mail")).class, ClassValidity::NotRepresented);
/// assert_eq!(domain.validity(None, None).class, ClassValidity::NotStated);
/// # Ok::<(), surface_severity::Error>(())
/// ```
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
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
/// // Reports within what the correction was derived from, and those beyond, which are answered and marked.
/// let surface = "brushed concrete";
/// for report in reports.reports() {
///     let time = correction.apply_on(surface, report)?;
///     println!("{}: {}", report.report_id(), time.validity());
///     assert!(!(report.report_id() == "LR-11" && time.validity().is_inside()), "its class was never tried");
/// }
/// # Ok::<(), surface_severity::Error>(())
/// ```
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
