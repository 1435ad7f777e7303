//! Random effects: days, runs, belts, and each material's own departure on a surface.
//!
//! | | |
//! |---|---|
//! | in  | a checked [`Campaign`](crate::campaign::Campaign) and a plan: [`Severity`]; or columns and codes of any table: [`LinearMixedModel`], [`CensoredMixedModel`] |
//! | out | a [`SeverityFit`]: factors and durabilities with the right standard errors, variance components with profile intervals, predictions per level, class and material factors shrunk to the common one |
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
//! exactly zero, found by the sign of the derivative there. Intervals of factors: t quantiles with
//! Satterthwaite degrees of freedom.
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
//!   inverse of the curvature of the adjusted profile likelihood. Intervals of factors, durabilities and shrunk
//!   factors: t quantiles with Satterthwaite degrees of freedom `2v²/(gᵀ A g)`, v the conditional variance of the
//!   contrast and g its exact derivative, kept between 1 and trials less fixed effects.
//! - [`Criterion::Ml`]: everything by full maximum likelihood, observed information, normal quantiles. σ and τ
//!   come out too small and intervals too narrow where trials or levels are few.
//!
//! Variance components have profile-likelihood intervals of the criterion of the fit
//! ([`SeverityFit::profile_interval`], [`SeverityFit::scatter_interval`]); levels have predictions with
//! their standard errors ([`SeverityFit::predictions`]).
//!
//! # How well the intervals cover
//! Simulated campaigns of 6 materials on 3 surfaces, replicate σ 0.2, day τ 0.1, 3 days a surface (its own, or
//! shared by all), normal on the log scale; a fifth of the trials run out and a fifth opened at contact, or none;
//! `cells`: standard deviation of each material's own departure on a surface, fitted as a second grouping, so by
//! Laplace's approximation. Per cent of 95 % intervals of factors that hold the truth, 800 intervals of 400 seeded
//! campaigns a line (Monte Carlo standard error about 0.8), with their mean width in log k
//! (`coverage_table` in tests/mixed/coverage.rs):
//!
//! | days | specimens a cell | censored | cells | no random effect | [`Criterion::Ml`] | [`Criterion::Reml`] | mean widths |
//! |---|---|---|---|---|---|---|---|
//! | own | 3 | 40 % | – | 86.8 | 87.4 | 96.4 | 0.35, 0.37, 0.62 |
//! | own | 4 | 40 % | – | 83.1 | 87.0 | 96.0 | 0.29, 0.34, 0.55 |
//! | own | 5 | 40 % | – | 81.9 | 87.8 | 96.2 | 0.26, 0.32, 0.52 |
//! | shared | 3 | 40 % | – | 97.2 | 93.0 | 96.9 | 0.35, 0.28, 0.35 |
//! | shared | 5 | 40 % | – | 95.8 | 92.0 | 94.4 | 0.26, 0.23, 0.25 |
//! | own | 4 | 40 % | 0.1 | 80.4 | 85.0 | 97.8 | 0.31, 0.36, 0.65 |
//! | shared | 4 | 40 % | 0.1 | 90.5 | 86.1 | 96.6 | 0.31, 0.28, 0.48 |
//! | own | 3 | none | – | 84.0 | 90.8 | 95.6 | 0.29, 0.38, 0.50 |
//! | own | 5 | none | – | 78.1 | 89.0 | 95.5 | 0.22, 0.34, 0.45 |
//!
//! The day's variance came out as zero in 6 to 22 % of these campaigns, which the figures contain. With two
//! groupings and three days a surface of its own the restricted intervals are a little too wide.
//!
//! # When it refuses
//! A grouping with one level, with one level per trial, with the same groups as another, or whose
//! levels coincide with fixed effects (one day per surface and nothing else); a trial without the
//! label of a requested grouping, named; more than one node with several groupings; under REML hardly more
//! exact times than materials and surfaces, so that nothing limits the scatter upwards; whatever the fit
//! without random effects refuses.
//!
//! # When it answers but warns
//! Singular fits (a variance of zero) are a verdict and a note, never hidden; so are groupings with
//! fewer than five levels and surfaces that were tried within one level only. Materials and surfaces seen only as
//! run-outs or only as contact openings become bounds, as in the fit without random effects.
//!
//! # Limits
//! Standard errors of exact log-normal fits take variance components as known (the t quantiles make up for it
//! in balanced layouts); no small-sample correction of the covariance (Kenward & Roger 1997) is made. Shrunk
//! departures inherit this: with few cells their intervals are too short. A variance estimated as zero counts as
//! known to be zero.
//!
//! # Sources
//! Bates, Mächler, Bolker & Walker, J. Stat. Softw. 67(1), 2015 (profiled deviance, profile
//! intervals); Henderson 1975 (predictions); Satterthwaite 1946, Giesbrecht & Burns 1985 (degrees
//! of freedom); Cox & Reid, J. R. Statist. Soc. B 49, 1987, 1–39 (adjusted profile likelihood); Gilmour, Thompson & Cullis 1995 (average information); Pinheiro & Bates 1995
//! (adaptive quadrature); Skaug & Fournier 2006 (gradients of Laplace's approximation).

mod censored;
mod contribution;
mod core;
mod descent;
mod deviance;
mod elimination;
mod groups;
mod hermite;
mod linear;
mod marginal;
mod profile;
mod uncertainty;

pub use self::core::{Contrast, MixedConvergence, Prediction, VarianceComponent, Verdict};
pub(in crate::severity) use self::core::{Core, RESIDUAL};
pub use censored::{CensoredMixedFit, CensoredMixedModel, Integration};
pub(in crate::severity) use censored::{DEFAULT_NODES, Fitted, assemble};
pub use deviance::Criterion;
pub(in crate::severity) use deviance::Problem as Statistics;
pub(in crate::severity) use elimination::Rows;
pub(in crate::severity) use groups::{Grouped, check_partitions};
pub use linear::{LinearMixedFit, LinearMixedModel};
