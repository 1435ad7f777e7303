//! What other ways of fitting the same trials give.

use serde::Serialize;

use super::result::StudyResult;
use crate::estimate::{Estimate, Interval};
use crate::severity::Distribution;

/// A change below this is agreement, per cent.
pub(super) const TOLERANCE_PERCENT: f64 = 10.0;
/// A distribution that is better by more than this is named.
const AICC_DIFFERENCE: f64 = 2.0;

/// Another way of fitting.
///
/// ```
/// use surface_severity::study::Variant;
/// assert_eq!(Variant::Robust.to_string(), "the robust fit");
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq, Serialize)]
#[serde(rename_all = "snake_case")]
#[non_exhaustive]
pub enum Variant {
    /// An estimator that single trials can't pull away.
    Robust,
    /// Without the trials that the screening flags.
    WithoutFlagged,
    /// With another distribution of times.
    Distribution(Distribution),
    /// With a scatter of its own for each class.
    UnequalScatter,
}

/// One quantity by another way of fitting.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// let sensitivity = surface_severity::study::Study::new(plan).run(&campaign, None)?.conclusions.sensitivity;
/// let row = &sensitivity.rows[0];
/// assert!((row.change_percent - 100.0 * (row.value / row.fitted - 1.0)).abs() < 1e-9);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct SensitivityRow {
    /// By which way.
    pub variant: Variant,
    /// Factor of this surface,
    pub surface: String,
    /// relative to this one.
    pub relative_to: String,
    /// As it is reported.
    pub fitted: f64,
    /// By the other way.
    pub value: f64,
    /// Change, per cent.
    pub change_percent: f64,
}

/// Every c (without a laboratory surface every factor) by every other way.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// let sensitivity = surface_severity::study::Study::new(plan).run(&campaign, None)?.conclusions.sensitivity;
/// // A few gross errors in 403 trials: every way says the same.
/// assert!(sensitivity.agree() && sensitivity.to_string().contains("within"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Default, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Sensitivity {
    /// The changes.
    pub rows: Vec<SensitivityRow>,
}

impl Sensitivity {
    /// The ways that were tried, in the order of the rows.
    #[must_use]
    pub fn variants(&self) -> Vec<Variant> {
        let mut found: Vec<Variant> = Vec::new();
        for row in &self.rows {
            if !found.contains(&row.variant) {
                found.push(row.variant);
            }
        }
        found
    }
    /// The largest change by one way.
    #[must_use]
    pub fn largest(&self, variant: Variant) -> Option<&SensitivityRow> {
        let rows = self.rows.iter().filter(|r| r.variant == variant);
        rows.max_by(|a, b| distance(a).total_cmp(&distance(b)))
    }
    /// Whether every way agrees within a tenth.
    #[must_use]
    pub fn agree(&self) -> bool {
        self.rows.iter().all(SensitivityRow::agrees)
    }

    pub(super) fn of(result: &StudyResult, other: Option<&OtherDistribution>) -> Self {
        let fit = &result.severity;
        let headline = result.screening.as_ref().map_or(&[][..], |s| s.headline());
        let value_of = |pick: fn(&crate::screening::HeadlineFactor) -> &Estimate, surface: &str| {
            headline.iter().find(|r| r.surface == surface).and_then(|r| pick(r).value())
        };
        let flagged = result.screening.as_ref().is_some_and(|s| s.flagged().next().is_some());
        let mut rows = Vec::new();
        for (surface, road) in pairs(result) {
            let Ok(fitted) = fit.factor_between(&surface, &road) else { continue };
            let mut add = |variant, a: Option<f64>, b: Option<f64>| {
                if let Some((a, b)) = a.zip(b) {
                    rows.push(SensitivityRow::new(variant, (&surface, &road), fitted.estimate(), a / b));
                }
            };
            add(Variant::Robust, value_of(|r| &r.robust, &surface), value_of(|r| &r.robust, &road));
            if flagged {
                let [a, b] = [&surface, &road].map(|s| value_of(|r| &r.without_flagged, s));
                add(Variant::WithoutFlagged, a, b);
            }
            if let Some(other) = other {
                let change = other.factor(&surface, &road);
                add(Variant::Distribution(other.distribution), change, Some(1.0));
            }
            if let Some(unequal) = &result.unequal_scatter {
                let of = |name: &str| unequal.factors.iter().find(|f| f.0 == name).and_then(|f| f.1.value());
                add(Variant::UnequalScatter, of(&surface), of(&road));
            }
        }
        Self { rows }
    }
}

/// Each belt with each road; without a belt each surface with the reference.
fn pairs(result: &StudyResult) -> Vec<(String, String)> {
    let reference = result.severity.reference();
    let names = result.severity.factors().iter().map(|f| f.surface.clone());
    if result.belts.is_empty() {
        return names.filter(|n| n != reference).map(|n| (n, reference.to_owned())).collect();
    }
    let belts: Vec<&str> = result.belts.iter().map(|b| b.laboratory.as_str()).collect();
    let roads: Vec<String> = names.filter(|n| !belts.contains(&n.as_str())).collect();
    belts.iter().flat_map(|b| roads.iter().map(move |r| ((*b).to_owned(), r.clone()))).collect()
}

impl SensitivityRow {
    fn new(variant: Variant, (surface, relative_to): (&str, &str), fitted: f64, value: f64) -> Self {
        let change_percent = 100.0 * (value / fitted - 1.0);
        Self { variant, surface: surface.into(), relative_to: relative_to.into(), fitted, value, change_percent }
    }
    /// Whether it agrees within a tenth, up or down.
    #[must_use]
    pub fn agrees(&self) -> bool {
        distance(self) <= libm::log1p(TOLERANCE_PERCENT / 100.0)
    }
}

fn distance(row: &SensitivityRow) -> f64 {
    libm::log(row.value / row.fitted).abs()
}

/// One factor with another distribution.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::study::{Caveat, Study};
/// let first = Study::new(plan).run(&campaign, None)?.conclusions.first;
/// let Some(Caveat::BetterDistribution(other)) = first.last() else { panic!("{first:?}") };
/// assert!(other.changes.iter().all(|c| (c.other.estimate() / c.fitted.estimate()).ln().abs() < 0.1));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct FactorChange {
    /// Factor of this surface,
    pub surface: String,
    /// relative to this one.
    pub relative_to: String,
    /// As it is reported.
    pub fitted: Interval,
    /// With the other distribution.
    pub other: Interval,
}

/// A distribution that describes the times better than that of the plan, and what it would change.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::{severity::Distribution, study::{Caveat, Study}};
/// let first = Study::new(plan).run(&campaign, None)?.conclusions.first;
/// let better = first.iter().find_map(|c| match c {
///     Caveat::BetterDistribution(other) => Some(other),
///     _ => None,
/// });
/// assert_eq!(better.unwrap().distribution, Distribution::LogLogistic);
/// assert!(better.unwrap().aicc_difference > 2.0);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct OtherDistribution {
    /// The better one.
    pub distribution: Distribution,
    /// That of the plan.
    pub fitted: Distribution,
    /// By how much its AICc is lower, from fits of independent trials.
    pub aicc_difference: f64,
    /// Every factor with it.
    pub changes: Vec<FactorChange>,
}

impl OtherDistribution {
    /// The distribution with the lowest AICc, if lower by more than [`AICC_DIFFERENCE`], and the scale by it.
    pub(super) fn of(result: &StudyResult) -> Option<Self> {
        let comparison = result.distributions.as_ref()?;
        let own = comparison.rows.iter().find(|r| r.distribution == result.severity.distribution())?;
        let best = comparison.rows.iter().min_by(|a, b| a.aicc.total_cmp(&b.aicc))?;
        let aicc_difference = own.aicc - best.aicc;
        if best.distribution == own.distribution || aicc_difference <= AICC_DIFFERENCE {
            return None;
        }
        let fit = result.severity.plan().clone().distribution(best.distribution).fit(&result.campaign).ok()?;
        let changes = pairs(result)
            .into_iter()
            .filter_map(|(surface, relative_to)| {
                let fitted = result.severity.factor_between(&surface, &relative_to).ok()?;
                let other = fit.factor_between(&surface, &relative_to).ok()?;
                Some(FactorChange { surface, relative_to, fitted, other })
            })
            .collect();
        Some(Self { distribution: best.distribution, fitted: own.distribution, aicc_difference, changes })
    }

    fn factor(&self, surface: &str, relative_to: &str) -> Option<f64> {
        let found = self.changes.iter().find(|c| c.surface == surface && c.relative_to == relative_to)?;
        Some(found.other.estimate())
    }
}
