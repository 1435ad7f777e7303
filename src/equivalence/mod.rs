//! How laboratory times relate to road times.
//!
//! | | |
//! |---|---|
//! | in  | a checked [`Campaign`](crate::campaign::Campaign), a [`SeverityFit`](crate::severity::SeverityFit) of it, and a plan: [`Equivalence`] |
//! | out | an [`EquivalenceFit`]: for every road surface the paired materials, a constant ratio, a power law, the ratio k_laboratory / k_road, and two one-sided tests |
//!
//! The methods can be used without a campaign: [`deming`], [`york`], [`york_with_scatter`], [`random_effects`],
//! [`ordinary_least_squares`], [`tost`] take slices and numbers.
//!
//! # Model
//! For each material tested on the belt and on a road surface: x = log median on the belt, y = log median on the road,
//! each with the standard error of the cell medians ([`CellMeans`](crate::severity::CellMeans)).
//! - Constant ratio: y = x + log c + τ U; the mean of y − x with known error variances and τ² by restricted likelihood.
//! - Power law: y = a + b x + τ U; York's line with τ² by a restricted likelihood equation. Slope 1 is the constant
//!   ratio, and is tested.
//!
//! U has mean 0 and variance 1 over materials; τ is what differs between materials beyond replicate scatter.
//!
//! # Two ratios, two questions
//! k_laboratory / k_road of the severity fit and c are the same quantity, median on the road / median on the belt. The
//! interval of the first holds replicate scatter only: it is about the materials that were tested. The interval of c
//! holds the scatter between materials: it is about further materials. The tests are reported for both.
//!
//! # Accuracy of the intervals
//! By simulation (`tests/correction.rs`, 6 and 12 materials, 3 and 6 specimens a cell, τ 0 to 0.3): nominal 95 %
//! intervals of c cover 94.1 to 95.8 %, those of the slope 93.8 to 96.0 %.
//!
//! # What can go wrong
//! Too few pairs, all laboratory times the same, a surface off the scale: [`Attempt::Unavailable`] for that surface,
//! with the reason. A material whose every trial on a surface is censored on one side has no median there and is
//! listed in [`SurfaceEquivalence::left_out`]. τ = 0 is an answer ([`Scatter::Boundary`]).

mod document;
mod fit;
mod line;
pub(crate) mod record;
pub(crate) mod special;
mod time_dependence;
mod tost;

pub use document::EquivalenceDocument;
pub(crate) use fit::check_log_interval;
pub use fit::{
    Attempt, ConstantRatio, Equivalence, EquivalenceFit, Form, LeftOut, LeftOutReason, MaterialPair, PowerLaw,
    ScalePosition, SeverityRatio, SurfaceEquivalence, Unavailable,
};
pub use line::{
    Convention, DemingLine, Intercept, LineCovariance, LinearFit, RandomEffects, Scatter, ScatterEstimator,
    ScatterLine, YorkLine, deming, ordinary_least_squares, random_effects, york, york_with_scatter,
};
pub(crate) use line::{count, root};
pub use time_dependence::{TimeDependence, TimeDependenceRow};
pub use tost::{Tost, holm, tost};
