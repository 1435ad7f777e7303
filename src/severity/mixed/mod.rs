//! Random effects: days, runs, belts, and each material's own departure on a surface.
//!
//! | | |
//! |---|---|
//! | in  | a checked [`Campaign`](crate::campaign::Campaign) and a plan: [`Severity`](super::Severity); or columns and codes of any table: [`LinearMixedModel`], [`CensoredMixedModel`] |
//! | out | a [`SeverityFit`](super::SeverityFit): factors and durabilities with the right standard errors, variance components with profile intervals, predictions per level, class and material factors shrunk to the common one |
//!
//! # Model
//! `log T = μ(material) − log k(surface) + Σ_j b_j(level) + σ W`, T in s, `b_j ~ N(0, τ_j²)`
//! independent between levels and groupings, crossed or nested. Trials of one day share its effect,
//! so many trials on few days say less about a surface than their number suggests: the standard
//! errors of the factors show it.
//!
//! # How it is fitted
//! *Log-normal times without censoring.* Restricted or full maximum likelihood by the profiled
//! deviance. The table enters once, as cross-products; every evaluation solves one sparse system in
//! which cells, runs and materials are eliminated by their pattern and the rest is dense. Average
//! information with secant corrections, down to rounding. A component whose estimate is zero is
//! exactly zero, found by the sign of the derivative there.
//!
//! *Otherwise.* Random effects are integrated out by adaptive Gauss–Hermite quadrature with one grouping,
//! by Laplace's approximation with several; exact gradients. Laplace's approximation is off by about one
//! part in the number of trials per level, most where nearly all trials of a level are censored; both are
//! checked against brute-force integration (tests/mixed/censored.rs). The criterion is one of two:
//!
//! - [`Criterion::Reml`], the default: σ and τ maximise the adjusted profile likelihood
//!   `ℓ(β̂, σ, τ) − ½ log|I_ββ|` (Cox & Reid 1987), the fixed effects β integrated out with the random ones by
//!   Laplace's approximation. For exact log-normal times this is restricted maximum likelihood itself
//!   (tests/mixed/restricted.rs, against R lme4). β̂ then maximises the whole likelihood at these σ, τ. Covariance
//!   of β̂: observed information plus `D A Dᵀ`, D the derivative of β̂ by (log σ, log τ) and A their covariance, the
//!   inverse of the curvature of the adjusted profile likelihood. Satterthwaite degrees of freedom `2v²/(gᵀ A g)`, v the
//!   conditional variance of the contrast and g its exact derivative, kept between 1 and trials less fixed effects.
//! - [`Criterion::Ml`]: everything by full maximum likelihood, observed information, normal quantiles. σ and τ
//!   come out too small and intervals too narrow where trials or levels are few.
//!
//! Variance components have profile-likelihood intervals of the criterion of the fit
//! ([`SeverityFit::profile_interval`](super::SeverityFit::profile_interval), [`SeverityFit::scatter_interval`](super::SeverityFit::scatter_interval)); levels have predictions with
//! their standard errors ([`SeverityFit::predictions`](super::SeverityFit::predictions)).
//!
//! # Limits
//! Estimates and standard errors are those of the fit. What few levels leave unknown of a variance goes into the multiplier
//! of the standard error ([`Contrast::multiplier`]). The estimate has the variance `v = a₀ σ² + Σ a_j τ_j²`; of each τ_j²
//! the data show a mean square `m_j = τ_j² + s_j` with `d_j` degrees of freedom (`Q = Z_jᵀ P Z_j` of the restricted
//! likelihood: `m_j = tr Q / tr Q²`, `d_j = (tr Q)²/tr Q²`; where the estimate is 0, m_j is less in the ratio of score and
//! trace). Each has the confidence distribution of `m_j d_j/W`, W chi-squared, and the limits are those of a normal error
//! whose variance is drawn from them. Balanced layouts so have their exact t intervals (Box & Cox's poisons: 6 degrees of
//! freedom); nothing jumps where a variance is estimated as 0; limits are never within those of scatter alone.
//!
//! Two levels leave one degree of freedom, with which t is 12.7 and limits are useless. Mean squares with fewer than three
//! are filled up to three by a typical value, `s_j + σ²/4`: days that differ by half of what specimens scatter by (the
//! moderated variance of Smyth 2004). Such limits rest on that assumption, and are too narrow where days differ by much more
//! than specimens do. With three degrees of freedom or more nothing is assumed.
//!
//! One further day has the variance and degrees of freedom of the same distribution.
//!
//! # How well the intervals cover
//! Simulated campaigns of three roads and a belt, scatter of specimens 0.2, fitted with day and material × surface
//! (1000 seeded campaigns a line, three intervals of each kind in each, Monte Carlo standard error
//! 0.4 to 0.7). Per cent of 95 % intervals that hold the truth; least and greatest of six settings: 9 materials of 5
//! specimens without and with departures of materials (standard deviation 0.1), the latter with a fifth run out, 5 of 3 with
//! departures, 12 of 3, 6 of 3 with run-outs; the same of the median ratios of their limits.
//!
//! | days of a surface | day sd | at zero | factors between roads | ratio | c | ratio |
//! |---|---|---|---|---|---|---|
//! | 1, belt 2 | 0 | 67–71 % | 100.0–100.0 | 2.22–2.61 | 100.0–100.0 | 2.01–2.36 |
//! | 1, belt 2 | 0.05 | 48–60 % | 100.0–100.0 | 2.27–2.68 | 100.0–100.0 | 2.05–2.41 |
//! | 1, belt 2 | 0.1 | 29–45 % | 99.3–99.7 | 2.42–2.84 | 99.3–99.8 | 2.16–2.52 |
//! | 1, belt 2 | 0.2 | 16–27 % | 91.7–94.8 | 2.90–3.36 | 92.1–95.1 | 2.53–2.88 |
//! | 2 of its own | 0 | 58–61 % | 96.1–98.4 | 1.25–1.64 | 96.4–98.4 | 1.25–1.64 |
//! | 2 of its own | 0.05 | 19–42 % | 96.1–97.7 | 1.40–1.73 | 96.2–97.8 | 1.40–1.73 |
//! | 2 of its own | 0.1 | 4–18 % | 94.5–96.9 | 1.71–2.00 | 94.6–96.5 | 1.71–2.00 |
//! | 2 of its own | 0.2 | 0–3 % | 94.6–95.9 | 2.71–3.18 | 94.7–95.4 | 2.71–3.18 |
//! | 3 of its own | 0 | 53–56 % | 95.5–97.7 | 1.22–1.56 | 95.2–97.8 | 1.22–1.56 |
//! | 3 of its own | 0.05 | 16–34 % | 95.6–96.8 | 1.31–1.62 | 95.2–96.7 | 1.31–1.62 |
//! | 3 of its own | 0.1 | 1–10 % | 95.1–96.4 | 1.51–1.78 | 95.0–96.0 | 1.51–1.78 |
//! | 3 of its own | 0.2 | 0–1 % | 94.7–96.2 | 2.11–2.32 | 94.9–96.2 | 2.11–2.32 |
//! | 2 shared | 0 | 67–68 % | 94.0–97.0 | 1.19–1.50 | 94.5–97.1 | 1.19–1.50 |
//! | 2 shared | 0.05 | 28–44 % | 94.9–96.7 | 1.19–1.51 | 94.6–97.0 | 1.19–1.51 |
//! | 2 shared | 0.1 | 17–27 % | 94.4–96.3 | 1.19–1.50 | 94.4–96.4 | 1.19–1.50 |
//! | 2 shared | 0.2 | 7–14 % | 94.8–97.2 | 1.19–1.51 | 94.4–97.0 | 1.19–1.51 |
//! | 3 shared | 0 | 59–65 % | 94.5–96.2 | 1.19–1.51 | 94.8–96.2 | 1.19–1.51 |
//! | 3 shared | 0.05 | 20–36 % | 94.1–96.4 | 1.19–1.51 | 94.5–96.7 | 1.19–1.51 |
//! | 3 shared | 0.1 | 6–16 % | 94.4–96.7 | 1.19–1.50 | 94.3–96.5 | 1.19–1.50 |
//! | 3 shared | 0.2 | 1–5 % | 94.9–96.2 | 1.19–1.51 | 95.1–96.8 | 1.19–1.51 |
//!
//! With one day for each road no interval of c had limits more than 20-fold apart where nothing ran out and days differ by
//! 0.1 or less; where they differ by as much as specimens do, 0.1 to 0.3 % had. Refused were surfaces and references all of
//! whose trials ran out (one long day is enough for that), as they must be.
//!
//! # When it refuses
//! A grouping with one level, with one level per trial, with the same groups as another, or whose
//! levels coincide with fixed effects (one day per surface and nothing else), where it was asked for by name; more than one node with several groupings; under REML hardly more
//! exact times than materials and surfaces, so that nothing limits the scatter upwards; whatever the fit
//! without random effects refuses.
//!
//! # When it answers but warns
//! Singular fits (a variance of zero) are a verdict and a note, never hidden; so are groupings with
//! fewer than five levels and surfaces that were tried within one level only. Materials and surfaces seen only as
//! run-outs or only as contact openings become bounds, as in the fit without random effects.
//!
//! # What it leaves out
//! Standard errors of exact log-normal fits take variance components as known; no small-sample correction of the
//! covariance (Kenward & Roger 1997) is made. Shrunk departures inherit this: with few cells their intervals are too short.
//! Under [`Criterion::Ml`] a variance estimated as zero counts as known to be zero.
//!
//! # Sources
//! Bates, Mächler, Bolker & Walker, J. Stat. Softw. 67(1), 2015 (profiled deviance, profile
//! intervals); Henderson 1975 (predictions); Satterthwaite 1946, Giesbrecht & Burns 1985 (degrees
//! of freedom); Cox & Reid, J. R. Statist. Soc. B 49, 1987, 1–39 (adjusted profile likelihood); Weerahandi, J. Am. Statist.
//! Assoc. 88, 1993, and Hannig, Iyer & Patterson, ibid. 101, 2006 (generalized pivotal quantities); Smyth, Stat. Appl. Genet.
//! Mol. Biol. 3(1), 2004 (moderated variances); Gilmour, Thompson & Cullis 1995 (average information); Pinheiro & Bates 1995
//! (adaptive quadrature); Skaug & Fournier 2006 (gradients of Laplace's approximation).

mod ascent;
mod censored;
mod censored_fit;
mod contribution;
mod core;
mod descent;
mod deviance;
mod elimination;
mod groups;
mod hermite;
mod linear;
mod marginal;
mod ordering;
mod profile;
mod quadrature;
mod uncertainty;

pub use self::core::{Contrast, MixedConvergence, Prediction, VarianceComponent, Verdict};
pub(in crate::severity) use self::core::{Core, RESIDUAL};
pub use censored::{CensoredMixedModel, Integration};
pub(in crate::severity) use censored::{DEFAULT_NODES, Fitted, assemble};
pub use censored_fit::CensoredMixedFit;
pub use deviance::Criterion;
pub(in crate::severity) use deviance::Problem as Statistics;
pub(in crate::severity) use elimination::Rows;
pub(in crate::severity) use groups::{Flaw, Grouped, flaw, offsets};
pub use linear::{LinearMixedFit, LinearMixedModel};
