//! Rows of a scale, and bounds where all that places one is censored.

use serde::{Deserialize, Serialize};

use crate::campaign::{Campaign, SurfaceRole};
use crate::document::present;
use crate::error::Result;
use crate::estimate::{Bound, BoundSide, Estimate};
use crate::numeric::root::root;
use crate::numeric::special::LN_SQRT_2PI;

use super::cells::{Cell, Kinds};
use super::distribution::Distribution;
use super::fit::SeverityFit;
use super::identify::Standing;
use super::mixed::RESIDUAL;
use super::newton::LogTime;
use super::prepare::Prepared;

pub(crate) fn moved(time: LogTime, shift: f64) -> LogTime {
    match time {
        LogTime::Exact(y) => LogTime::Exact(y + shift),
        LogTime::Right(y) => LogTime::Right(y + shift),
        LogTime::Left(y) => LogTime::Left(y + shift),
        LogTime::Between(a, b) => LogTime::Between(a + shift, b + shift),
    }
}

pub(crate) fn why_not(standing: Standing) -> &'static str {
    match standing {
        Standing::Untested => "no trial of it could be fitted",
        _ => "its trials meet the rest of the campaign only through run-outs and contact openings",
    }
}

/// One-sided confidence bound of a log median (log s, or whatever shift `times` were moved by), all of
/// whose trials are censored on the same side.
///
/// The value m at which `Π P(T_i censored as seen | log median m) = 1 − level`: for run-outs a lower
/// bound (were the median any lower, so many run-outs would be less likely than `1 − level`), for
/// contact openings an upper one. The location of W is `m − σ·median(W)`. σ, and whatever moved
/// the times, are taken as known. Exact times and intervals count nothing; `None` without a censored one.
pub(crate) fn log_median_bound(distribution: Distribution, sigma: f64, times: &[LogTime], level: f64) -> Option<f64> {
    let target = libm::log(1.0 - level);
    let log_probability = |log_median: f64| -> f64 {
        let location = log_median - sigma * distribution.median();
        times
            .iter()
            .map(|t| match *t {
                LogTime::Right(y) => distribution.log_survival((y - location) / sigma).value,
                LogTime::Left(y) => distribution.log_cumulative((y - location) / sigma).value,
                LogTime::Exact(_) | LogTime::Between(..) => 0.0,
            })
            .sum()
    };
    let censored = times.iter().filter(|t| matches!(t, LogTime::Right(_) | LogTime::Left(_)));
    let (low, high) =
        censored.fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), t| (a.min(t.middle()), b.max(t.middle())));
    if !low.is_finite() {
        return None;
    }
    // The probability rises with the median for run-outs, falls for contact openings: either way it
    // crosses the target between these.
    // A hopeless median would overflow to minus infinity; where it lies below the target does not matter.
    root(|median| (log_probability(median) - target).max(-1e9), low - 36.0 * sigma, high + 36.0 * sigma)
}

/// One surface on the scale.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// use surface_severity::campaign::SurfaceRole;
/// let mut scale = fit.factors().to_vec();
/// scale.sort_by(|a, b| b.log_factor.unwrap_or(0.0).total_cmp(&a.log_factor.unwrap_or(0.0)));
/// // The harshest road of this invented campaign; its true factor is 3.1.
/// assert_eq!((scale[0].surface.as_str(), scale[0].role), ("coarse surface dressing", Some(SurfaceRole::Road)));
/// println!("{}: {} from {} trials", scale[0].surface, scale[0].factor, scale[0].trials);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct SurfaceFactor {
    /// Name.
    pub surface: String,
    /// Role, where known.
    #[serde(deserialize_with = "present")]
    pub role: Option<SurfaceRole>,
    /// Abrasiveness factor k relative to the reference, dimensionless; larger wears faster.
    pub factor: Estimate,
    /// Log k, where finite.
    #[serde(deserialize_with = "present")]
    pub log_factor: Option<f64>,
    /// Standard error of log k, where finite.
    #[serde(deserialize_with = "present")]
    pub log_standard_error: Option<f64>,
    /// Trials on the surface, voids not counted.
    pub trials: usize,
    /// Materials tried on it.
    pub materials: usize,
}

/// One material on the reference surface.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// for row in fit.materials() {
///     println!("{}: {} s on the reference, {} trials", row.material, row.durability_s, row.trials);
///     if let Some(durability) = row.durability_s.value() {
///         let median = fit.median(&row.material, fit.reference())?;
///         assert!((durability / median.estimate() - 1.0).abs() < 1e-12);
///     }
/// }
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct MaterialDurability {
    /// Name.
    pub material: String,
    /// Class, where known.
    #[serde(deserialize_with = "present")]
    pub class: Option<String>,
    /// Median abrasion time on the reference surface, s.
    pub durability_s: Estimate,
    /// Log of the median, where finite.
    #[serde(deserialize_with = "present")]
    pub log_durability: Option<f64>,
    /// Its standard error, where finite.
    #[serde(deserialize_with = "present")]
    pub log_standard_error: Option<f64>,
    /// Trials of the material, voids not counted.
    pub trials: usize,
    /// Surfaces it was tried on.
    pub surfaces: usize,
}

impl SeverityFit {
    pub(super) fn durabilities(&self, prepared: &Prepared, campaign: &Campaign) -> Result<Vec<MaterialDurability>> {
        (0..campaign.materials().len()).map(|m| self.durability(prepared, campaign, m)).collect()
    }

    fn durability(&self, prepared: &Prepared, campaign: &Campaign, m: usize) -> Result<MaterialDurability> {
        let material = &campaign.materials()[m];
        let cells = &prepared.cells.cells[prepared.cells.of_material(m)];
        let (estimate, log) = match (prepared.standings.materials[m], self.group[m]) {
            (Standing::Finite, Some(group)) => {
                let log = self.location(group, 0.5, prepared.reference);
                (self.estimate(&log), Some(log))
            }
            (Standing::Beyond(side), _) => {
                // Times as they would read on the reference, from surfaces on the scale.
                let shifted = cells.iter().filter(|c| self.finite_surface[c.surface]).flat_map(|c| {
                    let shift = self.log_k(c.surface);
                    prepared.cells.of(c).iter().map(move |t| moved(*t, shift))
                });
                (self.bound(&shifted.collect::<Vec<_>>(), side, "durability", false), None)
            }
            (standing, _) => (Estimate::not_estimable(why_not(standing)), None),
        };
        Ok(MaterialDurability {
            material: material.name.clone(),
            class: material.class.clone(),
            durability_s: estimate,
            log_durability: log.as_ref().map(|l| l.estimate),
            log_standard_error: log.as_ref().map(|l| l.standard_error),
            trials: cells.iter().map(Cell::len).sum(),
            surfaces: cells.len(),
        })
    }

    pub(super) fn surface_factors(&self, prepared: &Prepared, campaign: &Campaign) -> Result<Vec<SurfaceFactor>> {
        let on_surface = prepared.cells.by_surface(campaign.surfaces().len());
        on_surface.iter().enumerate().map(|(s, cells)| self.surface_factor(prepared, campaign, s, cells)).collect()
    }

    fn surface_factor(
        &self,
        prepared: &Prepared,
        campaign: &Campaign,
        s: usize,
        cells: &[usize],
    ) -> Result<SurfaceFactor> {
        let cells: Vec<&Cell> = cells.iter().map(|&at| &prepared.cells.cells[at]).collect();
        let surface = &campaign.surfaces()[s];
        let (factor, log) = match prepared.standings.surfaces[s] {
            Standing::Finite => {
                let log = self.log_factor(s, prepared.reference);
                (self.factor_estimate(s, prepared.reference)?, Some(log))
            }
            Standing::Beyond(side) => {
                // Each material's median on the reference is known; what is bounded is the shift −log k.
                let shifted = cells.iter().filter_map(|c| Some((c, self.group[c.material]?))).flat_map(|(c, group)| {
                    let level = self.location(group, 0.5, prepared.reference).estimate;
                    prepared.cells.of(c).iter().map(move |t| moved(*t, -level))
                });
                let opposite = match side {
                    BoundSide::AtLeast => BoundSide::AtMost,
                    BoundSide::AtMost => BoundSide::AtLeast,
                };
                (self.bound(&shifted.collect::<Vec<_>>(), opposite, "factor", true), None)
            }
            standing => (Estimate::not_estimable(why_not(standing)), None),
        };
        Ok(SurfaceFactor {
            surface: surface.name.clone(),
            role: surface.role,
            factor,
            log_factor: log.as_ref().map(|l| l.estimate),
            log_standard_error: log.as_ref().map(|l| l.standard_error),
            trials: cells.iter().map(|c| c.len()).sum(),
            materials: cells.len(),
        })
    }

    /// Bound of a log median (of a log factor where `negated`) all of whose trials are censored on one side.
    fn bound(&self, times: &[LogTime], side: BoundSide, quantity: &str, negated: bool) -> Estimate {
        let (n, level) = (times.len(), self.level());
        let kind = match side {
            BoundSide::AtLeast => "ran out",
            BoundSide::AtMost => "opened at contact",
        };
        let reason = format!("all {n} trial(s) that place it {kind}, so the estimate of its {quantity} is unlimited");
        let random: f64 = self.variance_components().iter().filter(|c| c.name != RESIDUAL).map(|c| c.variance).sum();
        let (distribution, sigma) = (self.distribution(), self.log_scatter());
        let log = if random > 0.0 {
            shared_bound(distribution, sigma, random.sqrt(), times, level)
        } else {
            log_median_bound(distribution, sigma, times, level)
        };
        let Some(log) = log else {
            return Estimate::not_estimable("its trials meet the scale only through other unlimited estimates");
        };
        // A factor falls where the median rises.
        let (value, direction) = match (negated, side) {
            (false, _) => (log, side),
            (true, BoundSide::AtLeast) => (-log, BoundSide::AtMost),
            (true, BoundSide::AtMost) => (-log, BoundSide::AtLeast),
        };
        Bound::new(direction, libm::exp(value), level, reason)
            .map_or_else(|_| Estimate::not_estimable("the bound overflows"), Into::into)
    }
}

/// As the bound of a fit without random effects (`log_median_bound`: the log median at which all trials
/// come out censored as seen with probability `1 − level`), but all trials share one draw of the random
/// effects of total standard deviation `spread`, over which that probability is averaged. Sharing all of it makes joint censoring as likely as it can
/// be (Slepian 1962), so the bound errs on the safe side.
fn shared_bound(distribution: Distribution, sigma: f64, spread: f64, times: &[LogTime], level: f64) -> Option<f64> {
    if Kinds::of(times).exact > 0 {
        return None;
    }
    let (low, high) =
        times.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), t| (a.min(t.middle()), b.max(t.middle())));
    if !low.is_finite() {
        return None;
    }
    let step = 0.04;
    let log_probability = |log_median: f64| -> f64 {
        let location = log_median - sigma * distribution.median();
        let terms: Vec<f64> = (-200..=200)
            .map(|i| {
                let u = step * f64::from(i);
                let all: f64 = times
                    .iter()
                    .map(|t| {
                        let z = (t.middle() - location - spread * u) / sigma;
                        match t {
                            LogTime::Left(_) => distribution.log_cumulative(z).value,
                            _ => distribution.log_survival(z).value,
                        }
                    })
                    .sum();
                // A hopeless median would overflow; how hopeless it is does not matter.
                (all - 0.5 * u * u).max(-1e9)
            })
            .collect();
        let top = terms.iter().fold(f64::NEG_INFINITY, |a, b| a.max(*b));
        let sum: f64 = terms.iter().map(|t| libm::exp(t - top)).sum();
        top + libm::log(sum * step) - LN_SQRT_2PI
    };
    let reach = 36.0 * sigma + 10.0 * spread;
    root(|median| log_probability(median) - libm::log(1.0 - level), low - reach, high + reach)
}
#[cfg(test)]
mod tests {
    use super::*;

    #[test]
    fn a_shared_effect_loosens_the_bound() {
        let times = [LogTime::Right(1.0), LogTime::Right(1.2), LogTime::Right(0.9)];
        let alone = log_median_bound(Distribution::LogNormal, 0.2, &times, 0.95).unwrap();
        let none = shared_bound(Distribution::LogNormal, 0.2, 0.0, &times, 0.95).unwrap();
        assert!((alone - none).abs() < 1e-9, "{alone} {none}");
        let shared = shared_bound(Distribution::LogNormal, 0.2, 0.3, &times, 0.95).unwrap();
        assert!(shared < none - 0.1, "{shared} {none}");
        // One trial: the bound of a single normal with both variances.
        let one = shared_bound(Distribution::LogNormal, 0.2, 0.3, &times[..1], 0.95).unwrap();
        let want = 1.0 - 1.644_853_626_951_472 * (0.04f64 + 0.09).sqrt();
        assert!((one - want).abs() < 1e-9, "{one} {want}");
    }
}
