//! Replicates of a severity fit, by the engine that allocates nothing per replicate.

use std::ops::Range;

use crate::campaign::Campaign;
use crate::error::{ErrorKind, Result};
use crate::estimate::{IntervalMethod, check_level};
use crate::severity::machinery::{Engine, Failure, LANES, Prepared};
use crate::severity::{Severity, SeverityFit};

use super::replicates::{BootstrapInterval, Provenance, Replicates};
use super::run::{Bootstrap, Observer, loop_over, loop_over_blocks};
use super::scheme::{Draw, Drawer};
use crate::numeric::stream::stream;

/// Bootstrap replicates of all log factors and log durabilities of a severity plan.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::{IntervalMethod, bootstrap::Bootstrap};
/// let bootstrap = Bootstrap::rescaled(200).severity(&plan, &campaign)?;
/// // The first statistics are the log factors; the reference has none.
/// assert_eq!(bootstrap.replicates().observed()[0], bootstrap.fit().factors()[0].log_factor.unwrap());
/// let ratio = bootstrap.factor_between("coarse surface dressing", "laboratory belt", IntervalMethod::Percentile)?;
/// println!("coarse dressing / belt: {}", ratio.interval);
/// assert!(ratio.interval.contains(3.1 / 2.75), "the true ratio of this invented campaign");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct SeverityBootstrap {
    replicates: Replicates,
    fit: SeverityFit,
}

impl Bootstrap {
    /// Refits `plan` to every replicate of `campaign`.
    ///
    /// A replicate fails when a material or surface that has a finite place in the campaign loses
    /// it in the resample (all its perforated trials of a decisive cell left undrawn).
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::bootstrap::Bootstrap;
    /// // The same seed gives the same bits, on any number of threads.
    /// let run = |seed| Bootstrap::rescaled(100).seed(seed).severity(&plan, &campaign);
    /// assert_eq!(run(1)?.replicates(), run(1)?.replicates());
    /// assert_ne!(run(1)?.replicates(), run(2)?.replicates());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of [`Severity::fit`] on the campaign itself, options that do not suit the scheme or
    /// the data ([`ErrorKind::InvalidOption`]), and [`ErrorKind::ReplicatesFailed`].
    pub fn severity(&self, plan: &Severity, campaign: &Campaign) -> Result<SeverityBootstrap> {
        self.severity_observed(plan, campaign, &mut ())
    }

    /// [`severity`](Self::severity) with an observer; stopped early, it returns what is done.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use std::ops::ControlFlow;
    /// use surface_severity::bootstrap::Bootstrap;
    /// let mut seen = Vec::new();
    /// let mut watch = |done, total| { seen.push((done, total)); ControlFlow::Continue(()) };
    /// Bootstrap::rescaled(200).severity_observed(&plan, &campaign, &mut watch)?;
    /// assert_eq!(seen.last(), Some(&(200, 200)));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`severity`](Self::severity).
    pub fn severity_observed(
        &self,
        plan: &Severity,
        campaign: &Campaign,
        observer: &mut impl Observer,
    ) -> Result<SeverityBootstrap> {
        self.check()?;
        // Replicates are drawn and refitted about independent trials: what days share is for the mixed model.
        let plan = &plan.clone().independent();
        let prepared = Prepared::new(plan, campaign)?;
        let fit = prepared.fit(plan, campaign)?;
        let on = (plan, campaign, &prepared, &fit);
        let mut replicates = self.severity_part(on, 0..self.replicates, observer)?;
        while let Some(total) = self.more(&replicates) {
            let more = Self { replicates: total, ..self.clone() };
            let next = more.severity_part(on, replicates.range().end..total, observer)?;
            replicates.extend_plan(total);
            replicates = Replicates::merge([replicates, next])?;
        }
        Ok(SeverityBootstrap { replicates: replicates.finish()?, fit })
    }

    /// The part `range` of the replicates of a severity fit: log factors of the surfaces on the
    /// scale but the reference, in the order of [`SeverityFit::factors`]; log locations of the
    /// materials on the scale, in the order of [`SeverityFit::materials`]; log σ.
    ///
    /// Replicate r is a function of (data, options, seed, r): parts computed by other processes
    /// merge to the bits of one run ([`Replicates::merge`]).
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::bootstrap::Bootstrap;
    /// let part = Bootstrap::rescaled(1000).severity_range(&plan, &campaign, 0..20, &mut ())?;
    /// assert_eq!((part.range(), part.campaign_digest()), (0..20, Some(campaign.digest().as_str())));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`severity`](Self::severity), but failed replicates are only counted.
    pub fn severity_range(
        &self,
        plan: &Severity,
        campaign: &Campaign,
        range: Range<usize>,
        observer: &mut impl Observer,
    ) -> Result<Replicates> {
        self.check()?;
        self.check_range(&range)?;
        let plan = &plan.clone().independent();
        let prepared = Prepared::new(plan, campaign)?;
        let fit = prepared.fit(plan, campaign)?;
        self.severity_part((plan, campaign, &prepared, &fit), range, observer)
    }

    fn severity_part(
        &self,
        (plan, campaign, prepared, fit): (&Severity, &Campaign, &Prepared, &SeverityFit),
        range: Range<usize>,
        observer: &mut impl Observer,
    ) -> Result<Replicates> {
        let drawer = Drawer::new(self, fit, prepared, campaign)?;
        let (design, rows) = prepared.numbering.crossed(&prepared.cells);
        let engine = Engine::new(&design, plan.chosen_distribution(), fit.scale());
        let p = engine.statistics();
        let mut observed = fit.scale().log_k.clone();
        observed.extend(&fit.scale().location);
        observed.push(libm::log(fit.scale().sigma));
        let influence = fit.scale().influence(&design, plan.chosen_distribution())?;
        let provenance = Provenance::new(self, plan, campaign, statistic_names(fit));
        let mut out = Replicates::start(provenance, observed, influence, range.start);
        // The drawn weights of the trials on the scale.
        let everything = rows.len() == prepared.cells.times.len();
        let pick = |draw: &mut Draw, picked: &mut Vec<f64>| {
            if everything {
                std::mem::swap(picked, &mut draw.weights);
                return;
            }
            picked.clear();
            picked.extend(rows.iter().map(|&i| draw.weights[i]));
        };
        if engine.has_lanes() && !drawer.draws_times() {
            let scratch = || (Draw::default(), engine.work(), engine.lane_work(), vec![Vec::new(); LANES]);
            loop_over_blocks(range, p, observer, &mut out, scratch, |first, work, values, failed| {
                let (draw, one, lanes, drawn) = work;
                for (group, rows) in values.chunks_mut(LANES * p).enumerate() {
                    let first = first + group * LANES;
                    let filled = rows.len() / p;
                    for lane in 0..LANES {
                        // Lanes beyond the last replicate repeat the first.
                        let r = first + if lane < filled { lane } else { 0 };
                        drawer.draw(&mut stream(self.seed, r as u64), draw);
                        pick(draw, &mut drawn[lane]);
                    }
                    engine.load_lanes(drawn, one, lanes);
                    engine.fit_lanes(lanes);
                    for (lane, row) in rows.chunks_mut(p).enumerate() {
                        if let Err(e) = engine.read_lane(lane, lanes, &drawn[lane], row) {
                            failed.push((first + lane, e.reason().to_owned()));
                        }
                    }
                }
            });
            return Ok(out);
        }
        let scratch = || (Draw::default(), engine.work(), Vec::with_capacity(rows.len()));
        loop_over(range, p, observer, &mut out, scratch, |r, (draw, work, picked), values| {
            drawer.draw(&mut stream(self.seed, r as u64), draw);
            let fitted = if drawer.draws_times() {
                engine.fit_times(rows.iter().map(|&i| draw.times[i]).collect(), values)
            } else {
                pick(draw, picked);
                engine.fit_weights(picked, work, values)
            };
            fitted.map_err(|e: Failure| e.reason().to_owned())
        });
        Ok(out)
    }
}

fn statistic_names(fit: &SeverityFit) -> Vec<String> {
    let mut names: Vec<String> = fit.column_names().into_iter().map(|n| format!("log factor of {n}")).collect();
    let placed = fit.materials().iter().filter(|m| m.log_durability.is_some());
    names.extend(placed.map(|m| format!("log location of {}", m.material)));
    names.push("log scatter".into());
    names
}

impl SeverityBootstrap {
    /// Brings merged replicates together with the fit they belong to.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::{IntervalMethod, bootstrap::{Bootstrap, Replicates, SeverityBootstrap}};
    /// let bootstrap = Bootstrap::rescaled(100);
    /// let parts = [0..50, 50..100].map(|part| bootstrap.severity_range(&plan, &campaign, part, &mut ()));
    /// let merged = Replicates::merge(parts.into_iter().collect::<Result<Vec<_>, _>>()?)?;
    /// let merged = SeverityBootstrap::from_replicates(merged, &plan, &campaign)?;
    /// let whole = bootstrap.severity(&plan, &campaign)?;
    /// let method = IntervalMethod::Percentile;
    /// assert_eq!(merged.factor("brushed concrete", method)?, whole.factor("brushed concrete", method)?);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of the fit; [`ErrorKind::Document`] where the replicates are not those of `plan` on
    /// `campaign`.
    pub fn from_replicates(replicates: Replicates, plan: &Severity, campaign: &Campaign) -> Result<Self> {
        let fit = plan.clone().independent().fit(campaign)?;
        if replicates.campaign_digest() != Some(fit.campaign_digest()) || replicates.names() != statistic_names(&fit) {
            return Err(ErrorKind::document("replicates", "they are not those of this plan on this campaign"));
        }
        Ok(Self { replicates, fit })
    }

    /// The fit that was bootstrapped.
    #[must_use]
    pub fn fit(&self) -> &SeverityFit {
        &self.fit
    }
    /// The replicates.
    #[must_use]
    pub fn replicates(&self) -> &Replicates {
        &self.replicates
    }

    /// The same replicates with intervals at another level: nothing is drawn again.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::{IntervalMethod, bootstrap::Bootstrap};
    /// let at_95 = Bootstrap::rescaled(200).severity(&plan, &campaign)?;
    /// let at_80 = at_95.clone().at_level(0.8)?;
    /// // The same replicates, read at a lower level: a shorter interval.
    /// let width = |b: &surface_severity::bootstrap::SeverityBootstrap| {
    ///     b.factor("brushed concrete", IntervalMethod::Percentile).map(|k| k.interval.upper() / k.interval.lower())
    /// };
    /// assert!(width(&at_80)? < width(&at_95)? && at_80.replicates().values(0) == at_95.replicates().values(0));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] unless 0 < `level` < 1.
    pub fn at_level(mut self, level: f64) -> Result<Self> {
        check_level(level)?;
        self.replicates.set_level(level);
        Ok(self)
    }

    /// Bootstrap interval of the factor of `surface` relative to another one, by any of the
    /// bootstrap's methods. For [`IntervalMethod::Studentised`] the standard error of a replicate is
    /// that of the data times σ(replicate)/σ(data): exact where nothing is censored and cell counts
    /// stay, first order otherwise.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::{IntervalMethod, bootstrap::Bootstrap};
    /// let bootstrap = Bootstrap::rescaled(200).severity(&plan, &campaign)?;
    /// let there = bootstrap.factor_between("laboratory belt", "brushed concrete", IntervalMethod::Percentile)?.interval;
    /// let back = bootstrap.factor_between("brushed concrete", "laboratory belt", IntervalMethod::Percentile)?.interval;
    /// assert!((there.lower() * back.upper() - 1.0).abs() < 1e-9);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of [`SeverityFit::factor_between`] and [`Replicates::interval`].
    pub fn factor_between(
        &self,
        surface: &str,
        relative_to: &str,
        method: IntervalMethod,
    ) -> Result<BootstrapInterval> {
        let se = self.fit.log_factor_between(surface, relative_to)?.standard_error;
        if surface == relative_to {
            let interval = self.fit.factor_between(surface, relative_to)?;
            return Ok(BootstrapInterval { interval, lower_error: 0.0, upper_error: 0.0 });
        }
        let mut weights = Vec::new();
        for (name, sign) in [(surface, 1.0), (relative_to, -1.0)] {
            if let Some(column) = self.fit.column_of(name) {
                weights.push((column, sign));
            }
        }
        let errors = (method == IntervalMethod::Studentised).then(|| {
            let last = self.replicates.observed().len() - 1;
            let here = self.replicates.observed()[last];
            (se, self.replicates.values(last).into_iter().map(|s| se * libm::exp(s - here)).collect())
        });
        self.replicates.interval_of(&weights, method, errors, libm::exp)
    }

    /// Bootstrap interval of the factor of `surface` relative to the reference.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
    /// use surface_severity::{IntervalMethod, bootstrap::Bootstrap};
    /// let bootstrap = Bootstrap::rescaled(200).severity(&plan, &campaign)?;
    /// for method in [IntervalMethod::Percentile, IntervalMethod::Bca, IntervalMethod::Basic, IntervalMethod::Studentised] {
    ///     let k = bootstrap.factor("coarse surface dressing", method)?.interval;
    ///     assert!(k.contains(3.1), "{method:?}: the true factor of this invented campaign");
    /// }
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`factor_between`](Self::factor_between).
    pub fn factor(&self, surface: &str, method: IntervalMethod) -> Result<BootstrapInterval> {
        self.factor_between(surface, self.fit.reference(), method)
    }

    /// Bootstrap interval of quantile `p` of abrasion time of `material` on `surface`, s; `p = 0.5` is the median.
    ///
    /// ```
    /// use surface_severity::IntervalMethod;
    /// use surface_severity::bootstrap::Bootstrap;
    /// use surface_severity::campaign::Campaign;
    /// use surface_severity::severity::Severity;
    /// let campaign = Campaign::read_path("data-demo/trials.csv")?;
    /// let resampled = Bootstrap::rescaled(200).severity(&Severity::new("dense asphalt concrete"), &campaign)?;
    /// let median = resampled.quantile("cotton denim", "brushed concrete", 0.5, IntervalMethod::Percentile)?;
    /// assert_eq!(median.interval.estimate(), resampled.fit().median("cotton denim", "brushed concrete")?.estimate());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of [`SeverityFit::quantile`] and [`Replicates::interval`]; [`ErrorKind::NotEstimable`] for the studentised
    /// method.
    pub fn quantile(&self, material: &str, surface: &str, p: f64, method: IntervalMethod) -> Result<BootstrapInterval> {
        self.fit.quantile(material, surface, p)?;
        let w = self.fit.standard_quantile(p);
        let cell = self.cell(material, surface)?;
        let gradient = cell.gradient(self.fit.scale().sigma * w);
        self.replicates.interval_of_function(
            &gradient,
            method,
            |row| cell.location(row) + cell.sigma(row) * w,
            libm::exp,
        )
    }

    /// Bootstrap interval of the probability that a specimen of `material` lasts at least `time_s` on `surface`.
    ///
    /// ```
    /// use surface_severity::IntervalMethod;
    /// use surface_severity::bootstrap::Bootstrap;
    /// use surface_severity::campaign::Campaign;
    /// use surface_severity::severity::Severity;
    /// let campaign = Campaign::read_path("data-demo/trials.csv")?;
    /// let resampled = Bootstrap::rescaled(200).severity(&Severity::new("dense asphalt concrete"), &campaign)?;
    /// let lasts = |time_s| {
    ///     resampled.survival_probability("cotton denim", "brushed concrete", time_s, IntervalMethod::Percentile)
    /// };
    /// let median = resampled.fit().median("cotton denim", "brushed concrete")?.estimate();
    /// assert!((lasts(median)?.interval.estimate() - 0.5).abs() < 1e-9);
    /// assert!(lasts(2.0 * median)?.interval.upper() < 0.5);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// Those of [`SeverityFit::survival_probability`] and [`Replicates::interval`]; [`ErrorKind::NotEstimable`] for the
    /// studentised method.
    pub fn survival_probability(
        &self,
        material: &str,
        surface: &str,
        time_s: f64,
        method: IntervalMethod,
    ) -> Result<BootstrapInterval> {
        self.fit.survival_probability(material, surface, time_s)?;
        let cell = self.cell(material, surface)?;
        let log_time = libm::log(time_s);
        // −z, which rises with the probability.
        let margin = |row: &[f64]| (cell.location(row) - log_time) / cell.sigma(row);
        let sigma = self.fit.scale().sigma;
        let here = margin(self.replicates.observed());
        let gradient: Vec<(usize, f64)> =
            cell.gradient(-here * sigma).into_iter().map(|(j, g)| (j, g / sigma)).collect();
        let distribution = self.fit.distribution();
        let survival = |margin: f64| libm::exp(distribution.log_survival(-margin).value);
        self.replicates.interval_of_function(&gradient, method, margin, survival)
    }

    fn cell(&self, material: &str, surface: &str) -> Result<CellStatistics> {
        let columns = self.fit.scale().log_k.len();
        Ok(CellStatistics {
            location: columns + self.fit.placed(material, surface)?.0,
            log_k: self.fit.column_of(surface),
            log_sigma: self.replicates.observed().len() - 1,
        })
    }
}

/// Where the statistics of a cell stand in a row of replicates.
#[derive(Debug, Clone, Copy)]
struct CellStatistics {
    location: usize,
    log_k: Option<usize>,
    log_sigma: usize,
}

impl CellStatistics {
    fn location(&self, row: &[f64]) -> f64 {
        row[self.location] - self.log_k.map_or(0.0, |j| row[j])
    }
    fn sigma(&self, row: &[f64]) -> f64 {
        libm::exp(row[self.log_sigma])
    }
    /// Of the location plus a function of σ with this derivative in log σ.
    fn gradient(&self, by_log_sigma: f64) -> Vec<(usize, f64)> {
        let mut gradient = vec![(self.location, 1.0), (self.log_sigma, by_log_sigma)];
        gradient.extend(self.log_k.map(|j| (j, -1.0)));
        gradient
    }
}
