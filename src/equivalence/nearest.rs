//! Which road surface the belt is nearest to, and how surely.
//!
//! In every bootstrap replicate of the severity fit one road surface has the smallest |log k_laboratory − log k_road|. The
//! share of replicates in which it is a given one says how surely that one is the nearest: 0.55 against 0.45 is no
//! answer, whatever the estimates are.

use super::fit::EquivalenceFit;
use crate::bootstrap::{Scheme, SeverityBootstrap};
use crate::error::{ErrorKind, Result};
use crate::numeric::count;
use crate::record::{all_finite, labels, record};

record! {
    /// A road surface as a candidate for the nearest.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// # let bootstrap = surface_severity::bootstrap::Bootstrap::rescaled(200).severity(&plan, &campaign)?;
    /// let nearest = equivalence.with_nearest(&bootstrap)?.nearest().cloned().unwrap();
    /// for surface in nearest.surfaces() {
    ///     println!("{}: nearest in {:.0} % of the replicates", surface.surface(), 100.0 * surface.frequency());
    ///     let p = surface.frequency();
    ///     assert!(surface.frequency_standard_error() <= (p * (1.0 - p) / 200.0).sqrt() + 0.01);
    /// }
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct NearestSurface as RawNearestSurface {
        /// The surface.
        borrow surface: String => str,
        /// log(k_laboratory / k_road) of the fit.
        copy log_ratio: f64,
        /// Share of replicates in which it was the nearest; ties are shared.
        copy frequency: f64,
        /// Monte Carlo standard error of that share: what more replicates would still change.
        copy frequency_standard_error: f64,
    }
}

impl NearestSurface {
    fn check(&self) -> std::result::Result<(), String> {
        all_finite(&[("log_ratio", self.log_ratio)])?;
        if !(0.0..=1.0).contains(&self.frequency) || !(0.0..=0.5).contains(&self.frequency_standard_error) {
            return Err(format!("the frequency of {:?} is not a share with its standard error", self.surface));
        }
        Ok(())
    }
}

record! {
    /// The candidates for the nearest road surface.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::bootstrap::Bootstrap;
    /// let bootstrap = Bootstrap::rescaled(200).severity(&plan, &campaign)?;
    /// let equivalence = equivalence.with_nearest(&bootstrap)?;
    /// let nearest = equivalence.nearest().unwrap();
    /// let best = nearest.nearest().unwrap();
    /// assert_eq!(best.surface(), nearest.surfaces()[0].surface());
    /// let total: f64 = nearest.surfaces().iter().map(|s| s.frequency()).sum();
    /// assert!((total - 1.0).abs() < 1e-9, "in every replicate one is the nearest");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub struct NearestSurfaces as RawNearestSurfaces {
        /// How the replicates were drawn.
        copy scheme: Scheme,
        /// Seed of the replicates.
        copy seed: u64,
        /// Number of replicates.
        copy replicates: usize,
        /// The road surfaces on the scale, the nearest of the fit first.
        borrow surfaces: Vec<NearestSurface> => [NearestSurface],
    }
}

impl NearestSurfaces {
    /// The nearest surface of the fit; read it with its [`frequency`](NearestSurface::frequency).
    #[must_use]
    pub fn nearest(&self) -> Option<&NearestSurface> {
        self.surfaces.first()
    }

    pub(super) fn check(&self) -> std::result::Result<(), String> {
        if self.surfaces.is_empty() || self.replicates == 0 {
            return Err("nearest holds no surface or no replicate".into());
        }
        if self.surfaces.windows(2).any(|w| w[0].log_ratio.abs() > w[1].log_ratio.abs()) {
            return Err("the candidates for the nearest surface are not in their order".into());
        }
        labels("candidate for the nearest surface", self.surfaces.iter().map(|s| s.surface.as_str()))
    }
}

fn error_of(share: f64, replicates: usize) -> f64 {
    libm::sqrt((share * (1.0 - share)).max(0.0) / count(replicates))
}

impl EquivalenceFit {
    /// Adds how surely each road surface is the nearest to the belt, from bootstrap replicates of the severity fit.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::bootstrap::Bootstrap;
    /// let bootstrap = Bootstrap::rescaled(200).seed(5).severity(&plan, &campaign)?;
    /// let equivalence = equivalence.with_nearest(&bootstrap)?;
    /// assert_eq!(equivalence.nearest().map(|n| (n.seed(), n.replicates())), Some((5, 200)));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for replicates of another campaign; [`ErrorKind::NotEstimable`] where the belt or
    /// every road surface is off the scale.
    pub fn with_nearest(mut self, bootstrap: &SeverityBootstrap) -> Result<Self> {
        let severity = bootstrap.fit();
        if severity.campaign_digest() != self.campaign_digest() {
            return Err(ErrorKind::option(
                "bootstrap",
                severity.campaign_digest(),
                "replicates of the campaign compared",
            ));
        }
        let laboratory = self.laboratory().to_owned();
        // The reference has no column: its log factor is 0 in every replicate.
        let values = |surface: &str| severity.column_of(surface).map(|j| bootstrap.replicates().values(j));
        let mut candidates: Vec<(String, f64, Option<Vec<f64>>)> = Vec::new();
        for surface in self.surfaces() {
            if let Ok((log, _)) = severity.log_factor_between(&laboratory, surface.surface()) {
                candidates.push((surface.surface().to_owned(), log, values(surface.surface())));
            }
        }
        let replicates = bootstrap.replicates().len();
        if candidates.is_empty() || replicates == 0 {
            let reason = "the laboratory surface or every road surface is off the severity scale".into();
            return Err(ErrorKind::NotEstimable { quantity: "the nearest road surface".into(), reason }.into());
        }
        let own = values(&laboratory);
        let mut shares = vec![0.0; candidates.len()];
        for r in 0..replicates {
            let at = |column: &Option<Vec<f64>>| column.as_ref().map_or(0.0, |v| v[r]);
            let distance: Vec<f64> = candidates.iter().map(|c| (at(&own) - at(&c.2)).abs()).collect();
            let least = distance.iter().copied().fold(f64::INFINITY, f64::min);
            let nearest: Vec<usize> = (0..distance.len()).filter(|&i| distance[i] <= least).collect();
            for &i in &nearest {
                shares[i] += 1.0 / count(nearest.len());
            }
        }
        let mut surfaces: Vec<NearestSurface> = candidates
            .into_iter()
            .zip(shares)
            .map(|((surface, log_ratio, _), share)| {
                let frequency = (share / count(replicates)).clamp(0.0, 1.0);
                let frequency_standard_error = error_of(frequency, replicates);
                NearestSurface { surface, log_ratio, frequency, frequency_standard_error }
            })
            .collect();
        surfaces
            .sort_by(|a, b| a.log_ratio.abs().total_cmp(&b.log_ratio.abs()).then_with(|| a.surface.cmp(&b.surface)));
        let plan = bootstrap.replicates().plan();
        self.nearest = Some(NearestSurfaces { scheme: plan.scheme, seed: plan.seed, replicates, surfaces });
        Ok(self)
    }
}
