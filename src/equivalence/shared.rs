//! What the trials of one day, run or belt share.
//!
//! The materials of a surface that were tested on the same days move together with these days: their scatter about a
//! common ratio does not show it, and the ratio is less certain than that scatter says. A fit with random effects
//! ([`SeverityFit`]) knows by how much the levels of a grouping differ, τ_g². With δ_ml the share of the trials of
//! level l in the cell of material m on the road less that in its cell on the belt, the log ratios dₘ have the
//! covariance τ_g² Σ_l δ_ml δ_kl, and their mean with weights w (summing to 1) the variance
//!
//! `τ_g² C, C = Σ_l (Σ_m w_m δ_ml)²`.
//!
//! Where materials were tested on different days, part of it is in the scatter between materials already, and so in the
//! standard error of Hartung and Knapp: of that part, by expectation, `τ_g² (S − C)/(n − 1)`, `S = Σ_m w_m Σ_l δ_ml²`.
//! What is added is the rest (nothing where each material has days of its own; all where all share them alike). For the
//! power law the same holds of the two coefficients, δ_ml = road − slope · belt, with the weights of the line taken as
//! known. Each trial of a cell counts alike, censored or not.
//!
//! τ_g² is an estimate too, from few levels; what it adds has its degrees of freedom, and is joined to the rest by
//! Welch and Satterthwaite.

use std::collections::{BTreeMap, BTreeSet};

use serde::{Deserialize, Serialize};

use super::line::LineCovariance;
use crate::campaign::Campaign;
use crate::numeric::count;
use crate::record::{all_at_least_zero, all_finite, record};
use crate::severity::cells::Cells;
use crate::severity::{Criterion, Grouping, SeverityFit};

/// Multiples of a variance that enter the two coefficients of a line.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let mixed = surface_severity::severity::Severity::new("dense asphalt concrete")
/// #     .random(surface_severity::severity::Grouping::Day)
/// #     .fit(&campaign)?;
/// use surface_severity::equivalence::Equivalence;
/// let equivalence = Equivalence::new("laboratory belt").fit_mixed(&campaign, &fit, &mixed)?;
/// let share = equivalence.surface("brushed concrete")?.shared_effects()[0].line_share().unwrap();
/// assert!(share.intercept >= 0.0 && share.slope >= 0.0);
/// assert!(share.covariance.powi(2) <= share.intercept * share.slope * (1.0 + 1e-9), "as variances allow");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Serialize, Deserialize)]
#[serde(deny_unknown_fields)]
#[non_exhaustive]
pub struct LineShare {
    /// Into the variance of the intercept (times in s).
    pub intercept: f64,
    /// Into the variance of the slope.
    pub slope: f64,
    /// Into their covariance.
    pub covariance: f64,
}

record! {
    /// What the trials of one day, run or belt share, as it enters the relation of one road surface to the belt.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let mixed = surface_severity::severity::Severity::new("dense asphalt concrete")
    /// #     .random(surface_severity::severity::Grouping::Day)
    /// #     .fit(&campaign)?;
    /// use surface_severity::{equivalence::Equivalence, severity::Grouping};
    /// let equivalence = Equivalence::new("laboratory belt").fit_mixed(&campaign, &fit, &mixed)?;
    /// let days = &equivalence.surface("brushed concrete")?.shared_effects()[0];
    /// assert_eq!(days.grouping(), Grouping::Day);
    /// assert!(days.laboratory_levels() > 0 && days.road_levels() > 0, "both were tested on some days");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct SharedEffect as RawSharedEffect {
        /// What they share: day, run or belt.
        copy grouping: Grouping,
        /// τ_g²: variance of log time between its levels; 0 where the fit puts it there.
        copy log_variance: f64,
        /// Degrees of freedom of that estimate.
        copy degrees_of_freedom: f64,
        /// Levels in which the belt was tested; 0: it does not act there.
        copy laboratory_levels: usize,
        /// Levels in which this road surface was tested; 0: it does not act there.
        copy road_levels: usize,
        /// Multiple of τ_g² in the variance of the severity ratio.
        copy severity_share: f64,
        /// Multiple of τ_g² in the variance of the mean log ratio, beyond what the scatter of the materials shows; `None`
        /// without a constant ratio.
        copy ratio_share: Option<f64>,
        /// The same for the power law; `None` without one.
        copy line_share: Option<LineShare>,
    }
}

impl SharedEffect {
    pub(super) fn check(&self) -> std::result::Result<(), String> {
        all_at_least_zero(&[
            ("log_variance", self.log_variance),
            ("severity_share", self.severity_share),
            ("ratio_share", self.ratio_share.unwrap_or(0.0)),
        ])?;
        if !(self.degrees_of_freedom > 0.0 && self.degrees_of_freedom.is_finite()) {
            return Err(format!("degrees_of_freedom = {} is not positive", self.degrees_of_freedom));
        }
        if !matches!(self.grouping, Grouping::Day | Grouping::Run | Grouping::Belt) {
            return Err(format!("{} is not what trials share", self.grouping));
        }
        if let Some(l) = &self.line_share {
            all_finite(&[("covariance", l.covariance)])?;
            all_at_least_zero(&[("intercept", l.intercept), ("slope", l.slope)])?;
            if l.covariance.powi(2) > l.intercept * l.slope * (1.0 + 1e-9) {
                return Err("the covariance of a line share is larger than its variances allow".into());
            }
        }
        Ok(())
    }

    /// Multiple of τ_g² in the variance of the line at log laboratory time `x`.
    pub(crate) fn at(&self, power_law: bool, x: f64) -> f64 {
        if power_law {
            self.line_share.map_or(0.0, |l| (l.intercept + x * (2.0 * l.covariance + x * l.slope)).max(0.0))
        } else {
            self.ratio_share.unwrap_or(0.0)
        }
    }
}

/// A variance with its degrees of freedom (infinite: known).
pub(crate) type Part = (f64, f64);

/// The sum of independent variances, with degrees of freedom after Welch (1947) and Satterthwaite (1946).
pub(crate) fn sum_of(parts: impl IntoIterator<Item = Part>) -> Part {
    let (mut total, mut spread) = (0.0, 0.0);
    for (variance, df) in parts {
        total += variance;
        spread += variance * variance / df;
    }
    (total, if spread > 0.0 { total * total / spread } else { f64::INFINITY })
}

/// The sum over `effects` of τ_g² times `multiple`.
pub(crate) fn shared_part(effects: &[SharedEffect], multiple: impl Fn(&SharedEffect) -> f64) -> Part {
    sum_of(effects.iter().map(|e| (e.log_variance * multiple(e), e.degrees_of_freedom)))
}

/// Degrees of freedom of the sum of a variance with `df` and a shared part.
pub(crate) fn joint_degrees_of_freedom(variance: f64, df: f64, shared: Part) -> f64 {
    if shared.0 > 0.0 { sum_of([(variance, df), shared]).1 } else { df }
}

/// A grouping as it lies over the cells of a campaign, with what the mixed fit says of it.
#[derive(Debug)]
struct Layer {
    grouping: Grouping,
    log_variance: f64,
    degrees_of_freedom: f64,
    /// Trials of each level in each cell, by (material, surface).
    cells: BTreeMap<(String, String), BTreeMap<usize, f64>>,
    /// Levels of each surface.
    levels: BTreeMap<String, usize>,
}

/// Everything that a mixed fit says about shared conditions.
#[derive(Debug)]
pub(super) struct Shared {
    layers: Vec<Layer>,
    /// Replicate scatter within days, runs and belts, where the fit tells it from the scatter between materials.
    pub(super) scatter: Option<(f64, Option<f64>, bool)>,
}

impl Shared {
    pub(super) fn groupings(&self) -> Vec<Grouping> {
        self.layers.iter().map(|l| l.grouping).collect()
    }

    /// # Errors
    /// `InvalidOption` for a fit of another campaign or one without day, run or belt.
    pub(super) fn of(mixed: &SeverityFit, campaign: &Campaign) -> Self {
        let cells = Cells::new(campaign, None);
        let mut layers = Vec::new();
        for found in mixed.shared_variances() {
            let label = |i: usize| {
                let trial = &campaign.trials()[i];
                match found.grouping {
                    Grouping::Day => trial.day.clone().map(|d| (None, d)),
                    // Runs of the same name on different days are different runs.
                    Grouping::Run => trial.run.clone().map(|r| (trial.day.clone(), r)),
                    _ => trial.belt.clone().map(|b| (None, b)),
                }
            };
            let mut levels: BTreeMap<(Option<String>, String), usize> = BTreeMap::new();
            let mut by_cell: BTreeMap<(String, String), BTreeMap<usize, f64>> = BTreeMap::new();
            let mut on_surface: BTreeMap<String, BTreeSet<usize>> = BTreeMap::new();
            for cell in &cells.cells {
                let material = campaign.materials()[cell.material].name.clone();
                let surface = campaign.surfaces()[cell.surface].name.clone();
                let trials = by_cell.entry((material, surface.clone())).or_default();
                for label in cells.trial[cell.start..cell.end].iter().filter_map(|&i| label(i)) {
                    let next = levels.len();
                    let level = *levels.entry(label).or_insert(next);
                    *trials.entry(level).or_insert(0.0) += 1.0 / count(cell.len());
                    on_surface.entry(surface.clone()).or_default().insert(level);
                }
            }
            let free = levels.len().saturating_sub(islands(&on_surface)).max(1);
            let (mut log_variance, mut df) = (found.log_variance, found.degrees_of_freedom);
            if found.maximum_likelihood {
                // Maximum likelihood leaves out that the surfaces were estimated from the same levels.
                let used = count(levels.len()) / count(free);
                log_variance *= used;
                df = df.map(|df| df / used);
            }
            layers.push(Layer {
                grouping: found.grouping,
                log_variance,
                degrees_of_freedom: df.filter(|_| log_variance > 0.0).unwrap_or(count(free)),
                cells: by_cell,
                levels: on_surface.into_iter().map(|(s, l)| (s, l.len())).collect(),
            });
        }
        // Where the plan does not tell it from the scatter of materials between surfaces, σ is that of the cells.
        let scatter = mixed.groupings().contains(&Grouping::MaterialBySurface).then(|| {
            let df = mixed.scatter_degrees_of_freedom();
            (mixed.log_scatter(), Some(df), mixed.criterion() == Criterion::Ml)
        });
        Self { layers, scatter }
    }

    /// Effects of each grouping on the pairs of one road; the shares of the two forms are filled in later.
    pub(super) fn over(&self, laboratory: &str, road: &str, pairs: &[Weighted<'_>]) -> Vec<(SharedEffect, Deltas)> {
        self.layers
            .iter()
            .map(|layer| {
                let deltas = Deltas::new(layer, laboratory, road, pairs.iter().map(|p| p.material));
                let weights: Vec<f64> = pairs.iter().map(|p| 1.0 / (1.0 / p.laboratory + 1.0 / p.road)).collect();
                let at = |surface: &str| layer.levels.get(surface).copied().unwrap_or(0);
                let effect = SharedEffect {
                    grouping: layer.grouping,
                    log_variance: layer.log_variance,
                    degrees_of_freedom: layer.degrees_of_freedom,
                    laboratory_levels: at(laboratory),
                    road_levels: at(road),
                    severity_share: deltas.of_mean(&weights).0,
                    ratio_share: None,
                    line_share: None,
                };
                (effect, deltas)
            })
            .collect()
    }
}

/// A pair of cells with the trials in both.
pub(super) struct Weighted<'a> {
    pub(super) material: &'a str,
    pub(super) laboratory: f64,
    pub(super) road: f64,
}

/// Surfaces joined by common levels: as many contrasts between levels go to their factors as there are such islands.
fn islands(levels: &BTreeMap<String, BTreeSet<usize>>) -> usize {
    let mut found: Vec<BTreeSet<usize>> = Vec::new();
    for own in levels.values() {
        let mut joined = own.clone();
        found.retain(|other| {
            let apart = other.is_disjoint(&joined);
            if !apart {
                joined.extend(other);
            }
            apart
        });
        found.push(joined);
    }
    found.len()
}

/// Shares of the levels of one grouping in the cells of each pair.
#[derive(Debug)]
pub(super) struct Deltas {
    /// Per pair: level → (share on the road, share on the belt).
    shares: Vec<BTreeMap<usize, (f64, f64)>>,
}

impl Deltas {
    fn new<'a>(layer: &Layer, laboratory: &str, road: &str, materials: impl Iterator<Item = &'a str>) -> Self {
        let shares = materials
            .map(|m| {
                let cell = |surface: &str| layer.cells.get(&(m.to_owned(), surface.to_owned()));
                let mut both: BTreeMap<usize, (f64, f64)> = BTreeMap::new();
                for (level, share) in cell(road).into_iter().flatten() {
                    both.entry(*level).or_default().0 = *share;
                }
                for (level, share) in cell(laboratory).into_iter().flatten() {
                    both.entry(*level).or_default().1 = *share;
                }
                both
            })
            .collect();
        Self { shares }
    }

    /// C and S of the module's text.
    fn of_mean(&self, weights: &[f64]) -> (f64, f64) {
        let total: f64 = weights.iter().sum();
        let mut sums: BTreeMap<usize, f64> = BTreeMap::new();
        let mut squares = 0.0;
        for (w, shares) in weights.iter().zip(&self.shares) {
            for (level, (road, belt)) in shares {
                *sums.entry(*level).or_default() += w / total * (road - belt);
                squares += w / total * (road - belt) * (road - belt);
            }
        }
        (sums.values().map(|s| s * s).sum(), squares)
    }

    /// Multiple of τ_g² in the variance of a mean with these weights, beyond what the scatter of the values shows.
    pub(super) fn ratio_share(&self, weights: &[f64]) -> f64 {
        let (common, all) = self.of_mean(weights);
        (common - (all - common) / count(weights.len() - 1)).max(0.0)
    }

    /// The same for the coefficients of a line with these weights at these adjusted log laboratory times.
    pub(super) fn line_share(&self, weights: &[f64], adjusted: &[f64], slope: f64) -> LineShare {
        let sw: f64 = weights.iter().sum();
        let centre = weights.iter().zip(adjusted).map(|(w, x)| w * x).sum::<f64>() / sw;
        let mut spread = 0.0;
        // Per level: its effect on height at the centre and on slope, both in units of their plain standard errors.
        let mut sums: BTreeMap<usize, (f64, f64)> = BTreeMap::new();
        let mut squares = 0.0;
        for ((w, x), shares) in weights.iter().zip(adjusted).zip(&self.shares) {
            let u = x - centre;
            spread += w * u * u;
            for (level, (road, belt)) in shares {
                let delta = road - slope * belt;
                let sum = sums.entry(*level).or_default();
                sum.0 += w * delta;
                sum.1 += w * u * delta;
                squares += w * delta * delta;
            }
        }
        let (a, b) = (libm::sqrt(sw), libm::sqrt(spread));
        let (mut height, mut cross, mut tilt) = (0.0, 0.0, 0.0);
        for (level, slope) in sums.values().map(|(p, t)| (p / a, t / b)) {
            height += level * level;
            cross += level * slope;
            tilt += slope * slope;
        }
        let shown = (squares - height - tilt).max(0.0) / count(weights.len() - 2);
        let (height, cross, tilt) = positive_part(height - shown, cross, tilt - shown);
        let (height, cross, tilt) = (height / sw, cross / (a * b), tilt / spread);
        let intercept = (height - 2.0 * centre * cross + centre * centre * tilt).max(0.0);
        // Rounding must not make it larger than a covariance can be: one level gives a matrix of rank one.
        let most = libm::sqrt(intercept * tilt);
        LineShare { intercept, slope: tilt, covariance: (cross - centre * tilt).clamp(-most, most) }
    }
}

/// The symmetric matrix [[a, b], [b, d]] with its negative eigenvalues put to 0.
fn positive_part(a: f64, b: f64, d: f64) -> (f64, f64, f64) {
    let (middle, half) = (0.5 * (a + d), libm::hypot(0.5 * (a - d), b));
    let (low, high) = (middle - half, middle + half);
    if high <= 0.0 {
        return (0.0, 0.0, 0.0);
    }
    let (a, b, d) = if low >= 0.0 {
        (a, b, d)
    } else {
        // high · v vᵀ, v vᵀ = (M − low I)/(high − low).
        let scale = high / (high - low);
        (scale * (a - low), scale * b, scale * (d - low))
    };
    // low is rounded: what is 0 but for that must not stay below it.
    (a.max(0.0), b, d.max(0.0))
}

/// The covariance that effects give to a line.
pub(super) fn line_covariance(effects: &[SharedEffect]) -> LineCovariance {
    let (mut intercept, mut slope, mut covariance) = (0.0, 0.0, 0.0);
    for (v, l) in effects.iter().filter_map(|e| e.line_share.map(|l| (e.log_variance, l))) {
        intercept += v * l.intercept;
        slope += v * l.slope;
        covariance += v * l.covariance;
    }
    LineCovariance {
        slope_standard_error: libm::sqrt(slope),
        intercept_standard_error: libm::sqrt(intercept),
        covariance,
    }
}

#[cfg(test)]
mod tests {
    use super::*;

    fn deltas(shares: &[&[(usize, f64, f64)]]) -> Deltas {
        Deltas { shares: shares.iter().map(|s| s.iter().map(|&(l, r, b)| (l, (r, b))).collect()).collect() }
    }

    /// Shared days over lines of every shape give a matrix that is one of variances, rounding or not.
    #[test]
    fn a_line_share_is_a_covariance() {
        use rand::{RngExt, SeedableRng};
        let mut rng = rand::rngs::ChaCha8Rng::seed_from_u64(9);
        let mut below = 0;
        for _ in 0..200_000 {
            let mut number = |scale: f64| scale * (rng.random::<f64>() - 0.5);
            let (a, d) = (number(2.0), number(2.0));
            let b = number(1e-3) * number(1e-6);
            let (height, cross, tilt) = positive_part(a, b, d);
            assert!(height >= 0.0 && tilt >= 0.0, "{a} {b} {d}");
            // The case that rounding decides: one entry below zero, next to nothing beside it.
            below += usize::from(a.min(d) < 0.0 && a.max(d) > 0.0);
            assert!(cross * cross <= height * tilt * (1.0 + 1e-6) + 1e-18, "{a} {b} {d}: {cross} {height} {tilt}");
        }
        assert!(below > 50_000);
        // Of balanced campaigns with days, where the second entry is 0 but for rounding: it came out at -1e-16.
        for (a, b, d) in [
            (111.73639463958894, 1.9703235740126102e-15, -3.5527136788005005e-15),
            (81.30174959221387, 1.0318557433944988e-15, -7.105427357601002e-15),
        ] {
            let (height, _, tilt) = positive_part(a, b, d);
            let (tilt_first, _, height_last) = positive_part(d, b, a);
            assert!(height > 0.0 && tilt >= 0.0 && tilt_first >= 0.0 && height_last > 0.0, "{a} {b} {d}");
        }
    }

    /// Three road days and three days of the belt, all materials alike: 6 · (1/3)². Days of their own: nothing is left
    /// that the scatter does not show. The same days on both: they cancel.
    #[test]
    fn shares_by_hand() {
        let third = 1.0 / 3.0;
        let all: &[_] =
            &[(0, third, 0.0), (1, third, 0.0), (2, third, 0.0), (3, 0.0, third), (4, 0.0, third), (5, 0.0, third)];
        let alike = deltas(&[all; 4]);
        assert!((alike.ratio_share(&[1.0, 2.0, 3.0, 4.0]) - 2.0 / 3.0).abs() < 1e-14);
        let own = deltas(&[&[(0, 1.0, 0.0)], &[(1, 1.0, 0.0)], &[(2, 1.0, 0.0)]]);
        assert!(own.ratio_share(&[1.0; 3]).abs() < 1e-14);
        let both = deltas(&[&[(0, 1.0, 1.0)], &[(1, 1.0, 1.0)], &[(0, 0.5, 0.5), (1, 0.5, 0.5)]]);
        assert!(both.ratio_share(&[1.0; 3]).abs() < 1e-14);
        // A line: shared days move its height alone, by as much at every time.
        let line = alike.line_share(&[1.0, 2.0, 1.0, 3.0], &[0.1, 0.5, 1.1, 1.9], 1.0);
        assert!(
            (line.intercept - 2.0 / 3.0).abs() < 1e-13 && line.slope.abs() < 1e-13 && line.covariance.abs() < 1e-13
        );
        let line = deltas(&[&[(0, 1.0, 0.0)], &[(1, 1.0, 0.0)], &[(2, 1.0, 0.0)], &[(3, 1.0, 0.0)]]);
        let line = line.line_share(&[1.0; 4], &[0.0, 1.0, 2.0, 3.0], 1.0);
        assert!(line.intercept.abs() < 1e-13 && line.slope.abs() < 1e-13);
        // Short times on one day, long ones on another: the slope moves by the difference over the distance.
        let line = deltas(&[&[(0, 1.0, 0.0)], &[(0, 1.0, 0.0)], &[(1, 1.0, 0.0)], &[(1, 1.0, 0.0)]]);
        let line = line.line_share(&[1.0; 4], &[0.0, 0.0, 2.0, 2.0], 1.0);
        assert!((line.slope - 0.5).abs() < 1e-13 && (line.intercept - 1.0).abs() < 1e-13, "{line:?}");
    }

    #[test]
    fn the_positive_part_keeps_what_is_positive() {
        assert_eq!(positive_part(2.0, 0.5, 1.0), (2.0, 0.5, 1.0));
        assert_eq!(positive_part(-2.0, 0.5, -1.0), (0.0, 0.0, 0.0));
        // Eigenvalues 3 and −1 along (1, 1) and (1, −1).
        let (a, b, d) = positive_part(1.0, 2.0, 1.0);
        assert!((a - 1.5).abs() < 1e-15 && (b - 1.5).abs() < 1e-15 && (d - 1.5).abs() < 1e-15);
    }

    /// Satterthwaite: equal variances with ν degrees each have 2ν together.
    #[test]
    fn parts_add_up() {
        let (v, df) = sum_of([(1.0, 5.0), (1.0, 5.0)]);
        assert!((v - 2.0).abs() < 1e-15 && (df - 10.0).abs() < 1e-12);
        assert!((joint_degrees_of_freedom(1.0, 7.0, (0.0, 3.0)) - 7.0).abs() < 1e-15);
        assert_eq!(
            islands(&BTreeMap::from([("a".into(), BTreeSet::from([0, 1])), ("b".into(), BTreeSet::from([1, 2]))])),
            1
        );
    }
}
