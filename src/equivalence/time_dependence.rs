//! Does the factor change with the length of the slide?
//!
//! Longer slides heat, and some fibres melt: then the factor of a surface grows or falls with the
//! durability of the material. For every class and surface the log median on the surface is drawn
//! against the log median on the reference over the materials of the class (York's line with
//! intrinsic scatter, errors on both axes); with slope b of that line the log factor changes by
//! `1 − b` for each unit of log durability:
//!
//! `log k(m) = log k + slope · (log durability(m) − mean)`, slope = 1 − b.
//!
//! Slope 0 is a constant factor; above 0 the more durable materials fare worse on this surface than
//! the factor says. Limits by t with n − 2 degrees of freedom; p-values adjusted by Holm's method over
//! everything that was looked at.

use serde::{Deserialize, Serialize};

use super::line::{ScatterEstimator, york_with_scatter};
use crate::campaign::Campaign;
use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, IntervalMethod, significant};
use crate::holm;
use crate::numeric::special::{t_survival, two_sided_quantile};
use crate::severity::Severity;

/// One class (or all materials) on one surface.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct TimeDependenceRow {
    /// Class; `None` for all materials together.
    pub class: Option<String>,
    /// Surface.
    pub surface: String,
    /// Slope of log factor on log durability, with its interval; absent with its reason in `why_not`.
    pub slope: Option<Interval>,
    /// Two-sided p-value of slope 0.
    pub p_value: Option<f64>,
    /// The same, adjusted over all rows (Holm).
    pub adjusted_p_value: Option<f64>,
    /// Materials with a median on both the reference and this surface.
    pub materials: usize,
    /// Shortest and longest median on the reference among them, s.
    pub durability_range_s: Option<(f64, f64)>,
    /// Why there is no slope.
    pub why_not: Option<String>,
}

/// Slopes of the factors against durability.
#[derive(Debug, Clone, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct TimeDependence {
    /// Confidence level of the intervals.
    pub level: f64,
    /// All materials first, then each class; surfaces by name within.
    pub rows: Vec<TimeDependenceRow>,
}

impl TimeDependence {
    /// Slopes for all materials and for each class, on every surface but the reference of `plan`.
    ///
    /// # Errors
    /// [`ErrorKind::UnknownSurface`]; those of the cell medians. Too few materials in a class are no
    /// error: the row says so.
    pub fn fit(plan: &Severity, campaign: &Campaign) -> Result<Self> {
        campaign.surface(plan.reference())?;
        let cells = plan.cell_means(campaign)?;
        let mut classes: Vec<Option<&str>> = campaign.materials().iter().map(|m| m.class.as_deref()).collect();
        classes.retain(Option::is_some);
        classes.sort_unstable();
        classes.dedup();
        let mut rows = Vec::new();
        for class in std::iter::once(None).chain(classes) {
            for surface in campaign.surfaces().iter().filter(|s| s.name != plan.reference()) {
                let (mut x, mut sx, mut y, mut sy) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
                for material in campaign.materials().iter().filter(|m| class.is_none() || m.class.as_deref() == class) {
                    let median = |surface: &str| {
                        let cell = cells.cell(&material.name, surface)?;
                        Some((cell.log_median?, cell.log_standard_error?))
                    };
                    if let (Some(on_reference), Some(here)) = (median(plan.reference()), median(&surface.name)) {
                        x.push(on_reference.0);
                        sx.push(on_reference.1);
                        y.push(here.0);
                        sy.push(here.1);
                    }
                }
                rows.push(Self::row(plan, class, &surface.name, &[&x, &sx, &y, &sy])?);
            }
        }
        let order: Vec<usize> = (0..rows.len()).filter(|&i| rows[i].p_value.is_some()).collect();
        let p: Vec<f64> = order.iter().filter_map(|&i| rows[i].p_value).collect();
        for (i, adjusted) in order.into_iter().zip(holm(&p)) {
            rows[i].adjusted_p_value = Some(adjusted);
        }
        Ok(Self { level: plan.confidence_level(), rows })
    }

    fn row(plan: &Severity, class: Option<&str>, surface: &str, columns: &[&[f64]; 4]) -> Result<TimeDependenceRow> {
        let [x, sx, y, sy] = *columns;
        let mut row = TimeDependenceRow {
            class: class.map(ToOwned::to_owned),
            surface: surface.into(),
            slope: None,
            p_value: None,
            adjusted_p_value: None,
            materials: x.len(),
            durability_range_s: None,
            why_not: None,
        };
        let low = x.iter().copied().fold(f64::INFINITY, f64::min);
        let high = x.iter().copied().fold(f64::NEG_INFINITY, f64::max);
        if !x.is_empty() {
            row.durability_range_s = Some((libm::exp(low), libm::exp(high)));
        }
        let zeros = vec![0.0; x.len()];
        let line = match york_with_scatter(x, sx, y, sy, &zeros, ScatterEstimator::Restricted) {
            Ok(line) => line,
            Err(error) => match error.kind() {
                ErrorKind::TooFew { .. } | ErrorKind::NotEstimable { .. } | ErrorKind::NotConverged { .. } => {
                    row.why_not = Some(error.to_string());
                    return Ok(row);
                }
                _ => return Err(error),
            },
        };
        #[allow(clippy::cast_precision_loss)]
        let df = (x.len() - 2) as f64;
        let slope = 1.0 - line.line().slope();
        let se = line.small_sample_covariance().slope_standard_error;
        // Materials alike in durability give no lever: the line is then anything.
        let noise = sx.iter().copied().fold(0.0, f64::max);
        if high - low < 2.0 * noise {
            row.why_not = Some("the materials are too alike in durability to see a slope".into());
            return Ok(row);
        }
        let level = plan.confidence_level();
        let half = two_sided_quantile(level, Some(df)) * se;
        row.slope = Some(Interval::new(slope, slope - half, slope + half, level, IntervalMethod::StudentT)?);
        row.p_value = Some(if se > 0.0 { (2.0 * t_survival((slope / se).abs(), df)).min(1.0) } else { 0.0 });
        Ok(row)
    }

    /// One sentence for each slope that remains after adjustment at `1 − level`, or one that says
    /// that none does.
    #[must_use]
    pub fn statements(&self) -> Vec<String> {
        let alpha = 1.0 - self.level;
        let mut lines: Vec<String> = self
            .rows
            .iter()
            .filter(|row| row.adjusted_p_value.is_some_and(|p| p <= alpha))
            .filter_map(|row| {
                let slope = row.slope.as_ref()?;
                let who = row.class.as_deref().unwrap_or("all materials together");
                Some(format!(
                    "On {}, {who}: a material twice as durable on the reference meets a factor {} times ({} to {}) as \
                     large (adjusted p = {}).",
                    row.surface,
                    significant(libm::exp2(slope.estimate()), 3),
                    significant(libm::exp2(slope.lower()), 3),
                    significant(libm::exp2(slope.upper()), 3),
                    significant(row.adjusted_p_value?, 2)
                ))
            })
            .collect();
        if self.rows.iter().all(|row| row.slope.is_none()) {
            lines.push(
                "No class has enough materials of different durability to see whether factors change with it.".into(),
            );
        } else if lines.is_empty() {
            lines.push("No factor is shown to change with the durability of the material.".into());
        }
        lines
    }
}
