//! How laboratory times relate to road times.
//!
//! | | |
//! |---|---|
//! | in  | a checked [`Campaign`](crate::campaign::Campaign), a [`SeverityFit`](crate::severity::SeverityFit) of it, and a plan: [`Equivalence`] |
//! | out | an [`EquivalenceFit`]: for every road surface the paired materials, a constant ratio, a power law, the ratio k_laboratory / k_road, and two one-sided tests |
//!
//! The methods can be used without a campaign: [`deming`], [`york`], [`york_with_scatter`], [`random_effects`],
//! [`ordinary_least_squares`], [`passing_bablok`], [`LinePoints`] (jackknife and bootstrap intervals of every line), [`class_effects`], [`fieller`], [`inverse_prediction`], [`tost`] take
//! slices and numbers.
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
//! Beside the power law stands a line of ranks ([`SurfaceEquivalence::rank_line`], Passing–Bablok in its equivariant
//! form), which one material out of line cannot pull away. Which form predicts a material that it was not fitted to
//! better, and how surely, is [`SurfaceEquivalence::prediction_gain`]; the form is never chosen by the library.
//!
//! # Censored cells
//! They enter by the maximum-likelihood estimate of their median and its standard error. Maximum likelihood makes σ too
//! small by √((N − p)/N), N trials in p cells (a tenth at five specimens a cell), and the standard errors with it; both are
//! corrected for that, and σ has the degrees of freedom that its information is worth. Censored cells share the
//! uncertainty of the common σ̂: the two medians of a material are correlated by it, and the mean and the line move with
//! it as a whole. Both are carried, in the correlations of York's line and in the standard errors of both forms. They are
//! small: under 1 % of a standard error on the demo campaign, where a small part of the cells is censored.
//!
//! # Days that materials share
//! The materials of a surface that were tested on the same days (runs, belts) move together with them, which their scatter
//! about a common ratio does not show. [`Equivalence::fit`] takes materials as tested independently;
//! [`Equivalence::fit_mixed`] takes from a fit with random effects what they share and adds to the variance of the mean
//! log ratio, of line and severity ratio what the scatter does not show ([`SharedEffect`]). It is then in the limits of factor and
//! slope, in both tests and their smallest bounds, in the scale, and in all that a correction says. For two surfaces and
//! cells spread evenly over their days the standard error is that of the mixed model itself. Which road is the nearest
//! is counted in bootstrap replicates: draw them by cluster where days differ.
//!
//! # Where the belt sits
//! [`EquivalenceFit::scale`] has its place among the surfaces. [`EquivalenceFit::equivalent_surfaces`] names the roads
//! that it is shown equivalent to, simultaneously (Holm); [`EquivalenceFit::smallest_simultaneous_bounds`] and
//! [`EquivalenceFit::smallest_bounds_to_all`] say with which bounds it would have been. The nearest road is named with
//! how surely it is the nearest ([`EquivalenceFit::with_nearest`]).
//!
//! # Two ratios, two questions
//! k_laboratory / k_road of the severity fit and c are the same quantity, median on the road / median on the belt. The
//! interval of the first holds replicate scatter only: it is about the materials that were tested. The interval of c
//! holds the scatter between materials: it is about further materials. The tests are reported for both.
//!
//! # Accuracy of the intervals
//! By simulation (6 to 20 materials, τ 0 to 0.3, with and without run-outs; table in [`correction`](crate::correction)):
//! nominal 95 % intervals of c cover 93 to 98 %, those of the slope 94 to 97 %.
//!
//! # What can go wrong
//! Too few pairs, all laboratory times the same, a surface off the scale: [`Attempt::Unavailable`] for that surface,
//! with the reason. A material whose every trial on a surface is censored on one side has no median there and is
//! listed in [`SurfaceEquivalence::left_out`]. τ = 0 is an answer ([`Scatter::Boundary`]).

mod calibration;
mod classes;
mod departures;
mod document;
mod fit;
mod line;
mod pairs;
mod rank;
mod rows;
mod tost;

pub use calibration::{ConfidenceSet, RatioSet, fieller, inverse_prediction};
pub use classes::{ClassEffects, ClassMean, ClassPrediction, class_effects};
pub(crate) use classes::{points as class_points, predict as predict_class};
pub use document::EquivalenceDocument;
pub use fit::{Equivalence, EquivalenceFit};
pub use line::{
    Convention, DemingLine, Intercept, LineCovariance, LinearFit, RandomEffects, Scatter, ScatterEstimator,
    ScatterLine, YorkLine, deming, ordinary_least_squares, random_effects, york, york_with_scatter,
};
pub use rank::{PassingBablok, RankForm, passing_bablok};
pub use rows::{
    Attempt, ClassDeparture, ConstantRatio, Form, LeftOut, LeftOutReason, MaterialPair, PowerLaw, PredictionGain,
    ScalePosition, SharedCondition, SurfaceEquivalence, Unavailable,
};
pub(crate) use rows::{check_decisions, check_ratio};
pub(crate) use tost::check_test;
pub use tost::{Tost, tost};
