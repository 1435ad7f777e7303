//! Scales of several campaigns: whether a surface changed, and one scale out of all without the old trials.
//!
//! Each saved scale gives the log factors of its surfaces relative to the common reference, y_i, with their covariance V_i.
//! The joined scale is their generalised least squares estimate, covariance (Σ V_i⁻¹)⁻¹ (Aitken 1935). It is the fit of all
//! trials together in which every campaign has materials, days and belts of its own: labels of two campaigns never merge,
//! and what a season does to all its times alike moves no factor. Where both campaigns tested the same materials, what these
//! depart by from surface to surface is in both and is counted as if it were not.
//!
//! A change is the ratio of two factors of one surface. Limits of a difference of logs come from those of the two
//! (the method of variance estimates recovery: Zou & Donner, Statistics in Medicine 27 (2008) 1693), so that what few days leave
//! unknown is in them; p is the normal one of the same limits, adjusted over the surfaces (Holm).

use std::collections::BTreeSet;
use std::fmt;

use nalgebra::{DMatrix, DVector};
use serde::Serialize;

use crate::equivalence::{ScatterEstimator, random_effects};
use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, IntervalMethod, significant};
use crate::holm;
use crate::numeric::count;
use crate::numeric::special::{normal_cdf, normal_quantile, two_sided_quantile};
use crate::severity::SeverityDocument;

/// How the factor of a surface differs between two campaigns.
///
/// ```
/// # use surface_severity::campaign::{Campaign, Trial};
/// # use surface_severity::severity::Severity;
/// # let season = |k: f64| -> surface_severity::Result<_> {
/// #     let mut trials = Vec::new();
/// #     for (surface, k) in [("asphalt", 1.0), ("concrete", 1.6), ("belt", k)] {
/// #         for (material, s) in [("cowhide", 8.0), ("denim", 2.0), ("knit", 1.2)] {
/// #             for (i, e) in [0.04, -0.05, 0.01].into_iter().enumerate() {
/// #                 trials.push(Trial::perforated(format!("{surface} {material} {i}"), surface, material, s / k * f64::exp(e)));
/// #             }
/// #         }
/// #     }
/// #     Ok(Severity::new("asphalt").independent().fit(&Campaign::from_trials(trials)?)?.document(None))
/// # };
/// use surface_severity::laboratory::changes;
/// // Two seasons; in the second the belt wears specimens half as fast again.
/// let changed = changes(&season(2.0)?, &season(3.0)?)?;
/// let belt = changed.iter().find(|c| c.surface == "belt").unwrap();
/// assert!((belt.ratio.estimate() - 1.5).abs() < 1e-9 && belt.adjusted_p_value < 0.001);
/// println!("{belt}");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct SurfaceChange {
    /// The surface.
    pub surface: String,
    /// The reference of both factors.
    pub reference: String,
    /// New factor over old one.
    pub ratio: Interval,
    /// p-value of no change.
    pub p_value: f64,
    /// The same adjusted over the surfaces.
    pub adjusted_p_value: f64,
}

impl SurfaceChange {
    /// Whether the change is told from chance at the level of the scales.
    #[must_use]
    pub fn is_shown(&self) -> bool {
        self.adjusted_p_value <= 1.0 - self.ratio.level()
    }
}

impl fmt::Display for SurfaceChange {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let times = format!(
            "{} times ({} to {})",
            significant(self.ratio.estimate(), 3),
            significant(self.ratio.lower(), 3),
            significant(self.ratio.upper(), 3)
        );
        let p = significant(self.adjusted_p_value, 2);
        if self.is_shown() {
            write!(
                f,
                "{} has changed: it wears {times} as fast as before, relative to {} (adjusted p = {p}).",
                self.surface, self.reference
            )
        } else {
            write!(f, "{} shows no change relative to {}: {times} (adjusted p = {p}).", self.surface, self.reference)
        }
    }
}

/// Log factors of the surfaces of a scale but the reference, their covariance and half widths of limits.
#[derive(Debug, Clone)]
pub(super) struct Scale {
    pub(super) reference: String,
    pub(super) level: f64,
    pub(super) names: Vec<String>,
    pub(super) log_k: Vec<f64>,
    pub(super) covariance: DMatrix<f64>,
    half_widths: Vec<f64>,
    /// How many campaigns tell of each surface.
    campaigns: Vec<usize>,
}

impl Scale {
    pub(super) fn of(document: &SeverityDocument) -> Result<Self> {
        let reference = document.options.reference().to_owned();
        let order = &document.log_covariance.order;
        let (mut names, mut log_k, mut half_widths, mut places) = (Vec::new(), Vec::new(), Vec::new(), Vec::new());
        let mut level = 0.95;
        for row in &document.factors {
            let (Some(log), Some(interval)) = (row.log_factor, row.factor.interval()) else { continue };
            let Some(place) = order.iter().position(|n| *n == row.surface) else { continue };
            if row.surface == reference {
                continue;
            }
            level = interval.level();
            names.push(row.surface.clone());
            log_k.push(log);
            half_widths.push(0.5 * libm::log(interval.upper() / interval.lower()));
            places.push(place);
        }
        let at = |i: usize, j: usize| document.log_covariance.rows[places[i]][places[j]];
        let covariance = DMatrix::from_fn(names.len(), names.len(), at);
        let campaigns = vec![1; names.len()];
        Ok(Self { reference, level, names, log_k, covariance, half_widths, campaigns })
    }

    pub(super) fn position(&self, name: &str) -> Option<usize> {
        self.names.iter().position(|n| n == name)
    }

    fn fits(&self, other: &Self) -> Result<()> {
        let unlike = |what: &str, a: &dyn fmt::Display, b: &dyn fmt::Display| {
            Err(ErrorKind::option("scale", b, &format!("one of the same {what}, {a}")))
        };
        if self.reference != other.reference {
            return unlike("reference", &self.reference, &other.reference);
        }
        if (self.level - other.level).abs() > 1e-9 {
            return unlike("level", &self.level, &other.level);
        }
        Ok(())
    }

    fn changes(&self, new: &Self) -> Result<Vec<SurfaceChange>> {
        self.fits(new)?;
        let q = -normal_quantile(0.5 * (1.0 - self.level));
        let mut found = Vec::new();
        for (i, name) in self.names.iter().enumerate() {
            let Some(j) = new.position(name) else { continue };
            let difference = new.log_k[j] - self.log_k[i];
            let half = libm::hypot(self.half_widths[i], new.half_widths[j]);
            let ends = [0.0, -half, half].map(|by| libm::exp(difference + by));
            let p = if half > 0.0 { 2.0 * normal_cdf(-(difference.abs() * q / half)) } else { 1.0 };
            found.push(SurfaceChange {
                surface: name.clone(),
                reference: self.reference.clone(),
                ratio: Interval::new(ends[0], ends[1], ends[2], self.level, IntervalMethod::Normal)?,
                p_value: p,
                adjusted_p_value: 1.0,
            });
        }
        if found.is_empty() {
            let reason = format!("the scales have no surface in common beside {}", self.reference);
            return Err(ErrorKind::NothingToFit { reason }.into());
        }
        let adjusted = holm(&found.iter().map(|c| c.p_value).collect::<Vec<_>>());
        for (change, p) in found.iter_mut().zip(adjusted) {
            change.adjusted_p_value = p;
        }
        Ok(found)
    }

    fn information(&self) -> Result<DMatrix<f64>> {
        self.covariance
            .clone()
            .cholesky()
            .map(|c| c.inverse())
            .ok_or_else(|| ErrorKind::document("log_covariance", "that of the factors is not positive definite"))
    }

    /// Without these surfaces.
    fn without(&self, left_out: &BTreeSet<String>) -> Self {
        let kept: Vec<usize> = (0..self.names.len()).filter(|&i| !left_out.contains(&self.names[i])).collect();
        let pick = |v: &[f64]| kept.iter().map(|&i| v[i]).collect();
        Self {
            reference: self.reference.clone(),
            level: self.level,
            names: kept.iter().map(|&i| self.names[i].clone()).collect(),
            log_k: pick(&self.log_k),
            covariance: self.covariance.select_rows(&kept).select_columns(&kept),
            half_widths: pick(&self.half_widths),
            campaigns: kept.iter().map(|&i| self.campaigns[i]).collect(),
        }
    }

    fn joined(&self, new: &Self) -> Result<Self> {
        let mut names = self.names.clone();
        names.extend(new.names.iter().filter(|n| self.position(n).is_none()).cloned());
        let n = names.len();
        let (mut information, mut score) = (DMatrix::zeros(n, n), DVector::zeros(n));
        for scale in [self, new] {
            let own = scale.information()?;
            let places: Vec<usize> =
                scale.names.iter().filter_map(|s| names.iter().position(|name| name == s)).collect();
            let told = &own * DVector::from_column_slice(&scale.log_k);
            for (i, &a) in places.iter().enumerate() {
                score[a] += told[i];
                for (j, &b) in places.iter().enumerate() {
                    information[(a, b)] += own[(i, j)];
                }
            }
        }
        let factor = information
            .cholesky()
            .ok_or_else(|| ErrorKind::document("log_covariance", "the joined one is singular"))?;
        let (log_k, covariance) = (factor.solve(&score), factor.inverse());
        // How many standard errors the limits are away: the most that a campaign has of the surface.
        let multiplier = |scale: &Self, name: &str| {
            scale.position(name).map(|i| scale.half_widths[i] / libm::sqrt(scale.covariance[(i, i)]))
        };
        let half_widths = names
            .iter()
            .enumerate()
            .map(|(i, name)| {
                let most = [self, new].iter().filter_map(|s| multiplier(s, name)).fold(0.0, f64::max);
                most * libm::sqrt(covariance[(i, i)])
            })
            .collect();
        let count = |name: &String| [self, new].iter().filter_map(|s| Some(s.campaigns[s.position(name)?])).sum();
        let campaigns = names.iter().map(count).collect();
        let log_k = log_k.iter().copied().collect();
        Ok(Self {
            reference: self.reference.clone(),
            level: self.level,
            names,
            log_k,
            covariance,
            half_widths,
            campaigns,
        })
    }
}

/// How the factors of the surfaces that two scales share have changed from the old to the new campaign.
///
/// Everything is relative to the reference: where that changed, all others change the other way.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// use surface_severity::laboratory::changes;
/// use surface_severity::severity::Severity;
/// let saved = Severity::new("dense asphalt concrete").fit(&campaign)?.document(None);
/// // Against itself nothing has changed.
/// assert!(changes(&saved, &saved)?.iter().all(|c| !c.is_shown() && c.p_value > 0.999));
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::InvalidOption`] for scales of unlike references or levels; [`ErrorKind::NothingToFit`] without a common
/// surface beside the reference.
pub fn changes(old: &SeverityDocument, new: &SeverityDocument) -> Result<Vec<SurfaceChange>> {
    Scale::of(old)?.changes(&Scale::of(new)?)
}

/// A surface of a joined scale.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// use surface_severity::laboratory::JoinedScale;
/// use surface_severity::severity::Severity;
/// let saved = Severity::new("dense asphalt concrete").fit(&campaign)?.document(None);
/// let joined = JoinedScale::of(&[&saved, &saved])?;
/// // As much again is known of every surface.
/// let (once, twice) = (&saved.factors[0], joined.factors.iter().find(|f| f.surface == saved.factors[0].surface).unwrap());
/// assert!((twice.log_standard_error * 2_f64.sqrt() / once.log_standard_error.unwrap() - 1.0).abs() < 1e-9);
/// assert_eq!(twice.campaigns, 2);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct JoinedFactor {
    /// The surface.
    pub surface: String,
    /// Its factor relative to the reference. Limits lie as many standard errors away as in the campaign of the surface where
    /// that is most.
    pub factor: Interval,
    /// Log of it.
    pub log_factor: f64,
    /// Its standard error.
    pub log_standard_error: f64,
    /// Campaigns that tell of it.
    pub campaigns: usize,
}

/// One scale out of several campaigns.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// use surface_severity::laboratory::JoinedScale;
/// use surface_severity::severity::Severity;
/// let saved = Severity::new("dense asphalt concrete").fit(&campaign)?.document(None);
/// let joined = JoinedScale::of(&[&saved, &saved])?;
/// assert!(joined.changed.is_empty() && joined.reference == "dense asphalt concrete");
/// assert!(JoinedScale::of(&[&saved]).is_err(), "one scale has nothing to be joined with");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct JoinedScale {
    /// The reference surface of all.
    pub reference: String,
    /// The other surfaces, by name.
    pub factors: Vec<JoinedFactor>,
    /// Covariance of their log factors, in this order.
    pub log_covariance: Vec<Vec<f64>>,
    /// Surfaces that changed from one campaign to the next: of these the newer campaigns count alone.
    pub changed: Vec<SurfaceChange>,
}

impl JoinedScale {
    /// Joins saved scales, the oldest first. A surface that a further campaign shows changed is taken from there on.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// use surface_severity::laboratory::JoinedScale;
    /// use surface_severity::severity::Severity;
    /// let one = Severity::new("dense asphalt concrete").fit(&campaign)?.document(None);
    /// let other = Severity::new("brushed concrete").fit(&campaign)?.document(None);
    /// assert!(JoinedScale::of(&[&one, &other]).is_err(), "of unlike references");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::TooFew`] for fewer than two scales; those of [`changes`]; [`ErrorKind::NotEstimable`] where every common
    /// surface changed, and two or more did: then the reference itself may have.
    pub fn of(scales: &[&SeverityDocument]) -> Result<Self> {
        let [first, rest @ ..] = scales else { return Err(few(0)) };
        if rest.is_empty() {
            return Err(few(1));
        }
        let mut joined = Scale::of(first)?;
        let mut changed = Vec::new();
        for document in rest {
            let new = Scale::of(document)?;
            let all = joined.changes(&new)?;
            let (shown, same): (Vec<_>, Vec<_>) = all.into_iter().partition(SurfaceChange::is_shown);
            if same.is_empty() && shown.len() > 1 {
                let reason = format!(
                    "every surface changed relative to {}; that one may have changed itself, so fit the campaigns relative to \
                     a surface that did not",
                    joined.reference
                );
                return Err(ErrorKind::NotEstimable { quantity: "the joined scale".into(), reason }.into());
            }
            let gone: BTreeSet<String> = shown.iter().map(|c| c.surface.clone()).collect();
            changed.extend(shown);
            joined = joined.without(&gone).joined(&new)?;
        }
        let mut order: Vec<usize> = (0..joined.names.len()).collect();
        order.sort_by(|&a, &b| joined.names[a].cmp(&joined.names[b]));
        let factors = order
            .iter()
            .map(|&i| {
                let (log_factor, half) = (joined.log_k[i], joined.half_widths[i]);
                let ends = [0.0, -half, half].map(|by| libm::exp(log_factor + by));
                Ok(JoinedFactor {
                    surface: joined.names[i].clone(),
                    factor: Interval::new(ends[0], ends[1], ends[2], joined.level, IntervalMethod::StudentT)?,
                    log_factor,
                    log_standard_error: libm::sqrt(joined.covariance[(i, i)]),
                    campaigns: joined.campaigns[i],
                })
            })
            .collect::<Result<Vec<_>>>()?;
        let log_covariance =
            order.iter().map(|&i| order.iter().map(|&j| joined.covariance[(i, j)]).collect()).collect();
        Ok(Self { reference: joined.reference, factors, log_covariance, changed })
    }
}

fn few(found: usize) -> crate::Error {
    let (method, what) = ("a joined scale".into(), "scales".into());
    ErrorKind::TooFew { method, what, needed: 2, found }.into()
}

/// Factor of a surface over several campaigns, the truth of which may differ from campaign to campaign.
///
/// ```
/// # use surface_severity::campaign::{Campaign, Trial};
/// # use surface_severity::severity::Severity;
/// # let season = |k: f64| -> surface_severity::Result<_> {
/// #     let mut trials = Vec::new();
/// #     for (surface, k) in [("asphalt", 1.0), ("belt", k)] {
/// #         for (material, s) in [("cowhide", 8.0), ("denim", 2.0), ("knit", 1.2)] {
/// #             for (i, e) in [0.04, -0.05, 0.01].into_iter().enumerate() {
/// #                 trials.push(Trial::perforated(format!("{surface} {material} {i}"), surface, material, s / k * f64::exp(e)));
/// #             }
/// #         }
/// #     }
/// #     Ok(Severity::new("asphalt").independent().fit(&Campaign::from_trials(trials)?)?.document(None))
/// # };
/// // Two rigs whose belts wear alike: nothing scatters between them.
/// let belt = &surface_severity::laboratory::pooled(&[&season(2.0)?, &season(2.0)?])?[0];
/// assert!(belt.log_scatter < 1e-9 && belt.factor.contains(2.0));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct PooledFactor {
    /// The surface.
    pub surface: String,
    /// Geometric mean of its factors over campaigns, with limits for that mean.
    pub factor: Interval,
    /// Standard deviation of its true log factors between campaigns.
    pub log_scatter: f64,
    /// p-value of no such scatter (Cochran's Q).
    pub p_value: Option<f64>,
    /// Campaigns that tested it.
    pub campaigns: usize,
}

/// Factors of the surfaces that two or more campaigns tested: the random-effects mean over campaigns, restricted likelihood,
/// with the limits of Hartung & Knapp ([`random_effects`]), never shorter than those without their factor (Röver, Knapp &
/// Friede 2015, BMC Medical Research Methodology 15:99).
///
/// Where a surface is the same in all campaigns, [`JoinedScale`] has shorter limits; this one is for campaigns whose roads or
/// rigs share a name and may differ: laboratories, countries, years.
///
/// ```
/// # use surface_severity::campaign::{Campaign, Trial};
/// # use surface_severity::severity::Severity;
/// # let season = |k: f64| -> surface_severity::Result<_> {
/// #     let mut trials = Vec::new();
/// #     for (surface, k) in [("asphalt", 1.0), ("belt", k)] {
/// #         for (material, s) in [("cowhide", 8.0), ("denim", 2.0), ("knit", 1.2)] {
/// #             for (i, e) in [0.04, -0.05, 0.01].into_iter().enumerate() {
/// #                 trials.push(Trial::perforated(format!("{surface} {material} {i}"), surface, material, s / k * f64::exp(e)));
/// #             }
/// #         }
/// #     }
/// #     Ok(Severity::new("asphalt").independent().fit(&Campaign::from_trials(trials)?)?.document(None))
/// # };
/// use surface_severity::laboratory::pooled;
/// let belt = &pooled(&[&season(2.0)?, &season(2.2)?, &season(2.5)?])?[0];
/// assert_eq!((belt.surface.as_str(), belt.campaigns), ("belt", 3));
/// // Equal errors: the geometric mean, and t with two degrees of freedom.
/// assert!((belt.factor.estimate() - f64::cbrt(2.0 * 2.2 * 2.5)).abs() < 1e-6 && belt.log_scatter > 0.05);
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::InvalidOption`] for unlike references or levels; [`ErrorKind::NothingToFit`] where no surface but the
/// reference is in two of them.
pub fn pooled(scales: &[&SeverityDocument]) -> Result<Vec<PooledFactor>> {
    let scales = scales.iter().copied().map(Scale::of).collect::<Result<Vec<_>>>()?;
    let nothing = || ErrorKind::NothingToFit { reason: "no surface is in two of the scales".into() };
    let first = scales.first().ok_or_else(nothing)?;
    for other in &scales[1..] {
        first.fits(other)?;
    }
    let names: BTreeSet<&String> = scales.iter().flat_map(|s| &s.names).collect();
    let mut found = Vec::new();
    for name in names {
        let (values, errors): (Vec<f64>, Vec<f64>) =
            scales.iter().filter_map(|s| s.position(name).map(|i| (s.log_k[i], s.covariance[(i, i)].sqrt()))).unzip();
        if values.len() < 2 {
            continue;
        }
        let mean = random_effects(&values, &errors, ScatterEstimator::Restricted)?;
        let q = two_sided_quantile(first.level, Some(count(mean.degrees_of_freedom())));
        found.push(PooledFactor {
            surface: name.clone(),
            factor: Interval::from_log(
                mean.mean(),
                // Never less than by the scatter found: few campaigns that agree by chance say little.
                mean.small_sample_standard_error().max(mean.standard_error()),
                q,
                first.level,
                IntervalMethod::StudentT,
            )?,
            log_scatter: mean.intrinsic_scatter(),
            p_value: mean.heterogeneity_p_value(),
            campaigns: values.len(),
        });
    }
    if found.is_empty() { Err(nothing().into()) } else { Ok(found) }
}

/// What earlier campaigns say.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let season = surface_severity::campaign::Campaign::read_path("data-demo/second_season.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::study::Study;
/// let earlier = plan.fit(&campaign)?.document(None);
/// let result = Study::new(plan).season(earlier).run(&season, None)?;
/// // What has changed is read from the newer campaign alone.
/// let seasons = result.conclusions.seasons.as_ref().unwrap();
/// let coarse = seasons.joined.iter().flat_map(|j| &j.factors).find(|f| f.surface == "coarse surface dressing").unwrap();
/// assert!(coarse.campaigns == 1 && coarse.factor.contains(2.3), "it was 3.1 before");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Serialize)]
#[non_exhaustive]
pub struct Seasons {
    /// Earlier campaigns.
    pub campaigns: usize,
    /// Every common surface, from the last of them to this one.
    pub changes: Vec<SurfaceChange>,
    /// One scale of all, what changed read from the newer ones alone; absent where the reference itself may have changed.
    pub joined: Option<JoinedScale>,
    /// Means over the campaigns, where they may differ; from three campaigns on.
    pub pooled: Vec<PooledFactor>,
}

impl Seasons {
    /// Of saved scales, the oldest first, and that of the new campaign.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let season = surface_severity::campaign::Campaign::read_path("data-demo/second_season.csv")?;
    /// use surface_severity::laboratory::Seasons;
    /// use surface_severity::severity::Severity;
    /// let plan = Severity::new("dense asphalt concrete");
    /// let earlier = plan.fit(&campaign)?.document(None);
    /// let seasons = Seasons::of(&[earlier], &plan.fit(&season)?.document(None))?;
    /// // The coarse road has polished.
    /// let changed: Vec<&str> = seasons.changes.iter().filter(|c| c.is_shown()).map(|c| c.surface.as_str()).collect();
    /// assert_eq!(changed, ["coarse surface dressing"]);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of [`changes`]; [`ErrorKind::NothingToFit`] without an earlier scale; [`ErrorKind::InvalidOption`] for a campaign
    /// that is there twice.
    pub fn of(earlier: &[SeverityDocument], new: &SeverityDocument) -> Result<Self> {
        let Some(last) = earlier.last() else {
            return Err(ErrorKind::NothingToFit { reason: "no earlier scale was given".into() }.into());
        };
        let all: Vec<&SeverityDocument> = earlier.iter().chain([new]).collect();
        for (i, scale) in all.iter().enumerate() {
            if all[..i].iter().any(|other| other.campaign_digest == scale.campaign_digest) {
                return Err(ErrorKind::option("seasons", &scale.campaign_digest, "each campaign once"));
            }
        }
        let changes = changes(last, new)?;
        // What changed so much that no surface holds the campaigns together has no common scale.
        let joined = match JoinedScale::of(&all) {
            Err(error) if matches!(error.kind(), ErrorKind::NotEstimable { .. }) => None,
            other => Some(other?),
        };
        let pooled = if all.len() > 2 { pooled(&all)? } else { Vec::new() };
        Ok(Self { campaigns: earlier.len(), changes, joined, pooled })
    }
}

impl fmt::Display for Seasons {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        let quiet = self.changes.iter().filter(|c| !c.is_shown()).count();
        write!(f, "{quiet} of {} surfaces show no change since the earlier campaign", self.changes.len())?;
        match (&self.joined, self.campaigns) {
            (None, _) => f.write_str("; the reference itself may have changed, so no scale of all is made."),
            (Some(_), 1) => f.write_str("; one scale of both is on the page."),
            (Some(_), n) => write!(f, "; one scale of all {} is on the page.", n + 1),
        }
    }
}

#[cfg(test)]
mod tests {
    use super::*;
    use crate::campaign::{Campaign, Trial};
    use crate::severity::Severity;

    /// Two materials of `season` on four surfaces, three drops a cell whose residuals are the same in every cell.
    fn trials(season: &str, k: [f64; 4]) -> Vec<Trial> {
        let mut trials = Vec::new();
        for (s, k) in k.iter().enumerate() {
            for (m, durability) in [8.0, 2.0, 3.0].into_iter().enumerate() {
                for (i, e) in [0.05, -0.05, 0.08, -0.08].into_iter().enumerate() {
                    let id = format!("{season} {s} {m} {i}");
                    let wobble = 0.02 * (((s * 5 + m * 3) % 4) as f64 - 1.5);
                    let time = durability / k * f64::exp(e + wobble);
                    trials.push(Trial::perforated(id, format!("surface {s}"), format!("{m} of {season}"), time));
                }
            }
        }
        trials
    }

    fn saved(trials: Vec<Trial>) -> SeverityDocument {
        Severity::new("surface 0").independent().fit(&Campaign::from_trials(trials).unwrap()).unwrap().document(None)
    }

    /// Equal scatter in both: the joined scale is the fit of all trials with materials of their own, up to its common σ.
    #[test]
    fn joined_scales_are_the_fit_of_all_trials() {
        let (a, b) = (trials("spring", [1.0, 1.5, 2.0, 3.0]), trials("autumn", [1.0, 1.52, 1.97, 3.05]));
        let all = saved(a.iter().chain(&b).cloned().collect());
        let (one, two) = (saved(a), saved(b));
        assert!((one.log_scatter / two.log_scatter - 1.0).abs() < 1e-9);
        let joined = JoinedScale::of(&[&one, &two]).unwrap();
        assert!(joined.changed.is_empty());
        let ratio = all.log_scatter / one.log_scatter;
        for row in &joined.factors {
            let want = all.factors.iter().find(|f| f.surface == row.surface).unwrap();
            assert!((row.log_factor - want.log_factor.unwrap()).abs() < 1e-12);
            assert!((row.log_standard_error * ratio / want.log_standard_error.unwrap() - 1.0).abs() < 1e-9);
        }
        // The order of two campaigns moves nothing.
        let other = JoinedScale::of(&[&two, &one]).unwrap();
        for (a, b) in joined.factors.iter().zip(&other.factors) {
            assert!((a.log_factor - b.log_factor).abs() < 1e-12);
        }
    }

    /// A road that lost a fifth of its harshness is found, and read from the newer campaign alone; a new road joins.
    #[test]
    fn a_changed_surface_is_told_and_not_averaged() {
        let old = saved(trials("spring", [1.0, 1.5, 2.0, 3.0]));
        let new = saved(trials("autumn", [1.0, 1.5, 1.6, 3.0]));
        let joined = JoinedScale::of(&[&old, &new]).unwrap();
        assert_eq!(joined.changed.iter().map(|c| c.surface.as_str()).collect::<Vec<_>>(), ["surface 2"]);
        assert!(joined.changed[0].to_string().contains("has changed: it wears 0.800 times"), "{}", joined.changed[0]);
        let row = joined.factors.iter().find(|f| f.surface == "surface 2").unwrap();
        assert!((row.factor.estimate() - 1.6).abs() < 0.03 && row.campaigns == 1, "{row:?}");
        // All at once by the same ratio: the reference is the one that changed, and nobody can tell.
        let moved = saved(trials("winter", [1.0, 1.2, 1.6, 2.4]));
        let error = JoinedScale::of(&[&old, &moved]).unwrap_err();
        assert!(error.to_string().contains("may have changed itself"), "{error}");
    }
}
