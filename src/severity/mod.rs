//! Surface factors and material durabilities from trials, censored ones included.
//!
//! | | |
//! |---|---|
//! | in  | a checked [`Campaign`](crate::campaign::Campaign) and a plan: [`Severity`] |
//! | out | a [`SeverityFit`]: one abrasiveness factor per surface, one durability per material, with covariance |
//!
//! # Model
//! `log T = μ(material) − log k(surface) + Σ γ (x − x₀) + Σ random effects + σ W`, T in s, k dimensionless, k(reference) = 1; W
//! standard normal (log-normal times), smallest extreme value (Weibull) or logistic (log-logistic). The random effects are
//! those of days, runs, laboratories and belts, where they are recorded, and of material × surface ([`Grouping`],
//! [`mixed`]); x are recorded numbers such as the drops since a belt was mounted ([`Covariate`]), and everything is stated
//! at their nominal values x₀.
//! A perforated trial contributes its density, a run-out its survival probability, a contact
//! opening its distribution function.
//!
//! # How it is fitted
//! With random effects by restricted likelihood ([`mixed`]). Of independent trials, log-normal without censoring: two-way
//! least squares, σ² = residual sum of squares / residual degrees of freedom, t quantiles. Otherwise maximum likelihood by
//! Newton's method in (β/σ, 1/σ), where the log-likelihood is concave; observed information, with t quantiles and a factor
//! that make up for few trials ([`Contrast::multiplier`]). Materials are eliminated from every linear system, so the cost
//! is linear in trials.
//!
//! # When it refuses
//! Materials and surfaces that fall into unconnected parts; an unknown reference; no replicate
//! left over to estimate σ; an iteration that does not converge.
//!
//! # When it answers but warns
//! A material or surface seen only as run-outs (or only as contact openings) has an infinite
//! estimate: it is reported as a one-sided [`Bound`](crate::Bound), kept out of the scale, and named in the notes.
//!
//! # Sources
//! Lawless, Statistical Models and Methods for Lifetime Data, 2003, chapters 5–6 (model and
//! information); Olsen 1978, Burridge 1981, Pratt 1981 (concavity).

mod additivity;
mod adjusted;
mod cell_means;
pub(crate) mod cells;
mod comparison;
mod conditions;
mod covariate;
mod diagnostics;
mod distribution;
mod document;
mod engine;
mod fit;
mod identify;
mod interaction;
mod least_squares;
mod m_estimation;
pub mod mixed;
mod newton;
mod note;
mod plan;
mod prepare;
mod regression;
mod replicate;
mod robust;
mod rows;
mod scale;
mod scatter;
mod shrunk;
mod student_t;
mod times;

/// What the bootstrap, the screening and the planning need of the machinery.
pub(crate) mod machinery {
    pub(crate) use super::cells::{Cell, Cells, Kinds};
    pub(crate) use super::identify::{Link, Standing, standings};
    pub(crate) use super::newton::LogTime;
    pub(crate) use super::prepare::Prepared;
    pub(crate) use super::replicate::{Engine, Failure, LANES};
    pub(crate) use super::scale::{Combination, Scale};
}

pub use additivity::{Additivity, Comparison, ComparisonMethod};
pub use cell_means::{CellEstimate, CellMeans};
pub use comparison::{DistributionComparison, DistributionRow};
pub use covariate::{Alike, Covariate, CovariateCheck, CovariateEffect};
pub use diagnostics::TrialDiagnostics;
pub use distribution::Distribution;
pub use document::{LogCovariance, SeverityDocument};
pub use fit::{Convergence, SeverityFit};
pub use interaction::{ClassFactor, ClassFactors};
pub use mixed::{Contrast, Criterion, Integration, Prediction, VarianceComponent, Verdict};
pub use note::Note;
pub use plan::{Grouping, Severity};
pub use regression::{Observation, Regression, RegressionFit};
pub use robust::{Robust, RobustFit, RobustMethod, RobustRegression, TrialWeight};
pub use rows::{MaterialDurability, SurfaceFactor};
pub use scatter::{EqualScatter, GroupScatter, ScatterBy, UnequalScatter};
pub use shrunk::ShrunkFactor;
