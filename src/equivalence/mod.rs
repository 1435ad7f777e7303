//! How laboratory times relate to road times.
//!
//! | | |
//! |---|---|
//! | in  | a checked [`Campaign`](crate::campaign::Campaign), a [`SeverityFit`](crate::severity::SeverityFit) of it, and a plan: [`Equivalence`] |
//! | out | an [`EquivalenceFit`]: for every road surface the paired materials, a constant ratio, a power law, the ratio k_laboratory / k_road, and two one-sided tests |
//!
//! The methods can be used without a campaign: [`york`], [`york_with_scatter`], [`random_effects`],
//! [`ordinary_least_squares`], [`class_effects`], [`tost`] take slices and numbers.
//!
//! # Model
//! For each material tested on the belt and on a road surface: x = log median on the belt, y = log median on the road, cell
//! medians of the severity fit, adjusted for its days, runs and belts, with their covariance
//! ([`CellMeans`](crate::severity::CellMeans)).
//! - Constant ratio: y = x + log c + τ U. c is k(belt)/k(road) of the severity scale, with its limits: one number for one
//!   question. τ² is that of the differences y − x by restricted likelihood ([`random_effects`]).
//! - Power law: y = a + b x + τ U; York's line with τ² by a restricted likelihood equation. Slope 1 is the constant
//!   ratio, and is tested.
//!
//! U has mean 0 and variance 1 over materials; τ is what differs between materials beyond replicate scatter. A severity fit
//! with material × surface, which is the default, holds it in the limits of c; one without has limits about the materials
//! that were tested alone.
//!
//! Which form predicts a material that it was not fitted to better, and how surely, is
//! [`SurfaceEquivalence::prediction_gain`]; the form is never chosen by the library. Which classes of materials depart from
//! the others on a road is [`SurfaceEquivalence::classes`].
//!
//! # Censored cells
//! They enter by the maximum-likelihood estimate of their median and its standard error, with the σ of the fit.
//!
//! # Days that materials share
//! The materials of a surface that were tested on the same days (runs, belts) move together with them, which their scatter
//! about a common ratio does not show. The covariance of the cell medians is taken apart into what each material has for
//! itself, which weights it and from which τ is told, and what moves all of them, which is in the limits of c, of the line,
//! in the tests, on the scale, and in all that a correction says.
//!
//! # Where the belt sits
//! [`EquivalenceFit::scale`] has its place among the surfaces. [`EquivalenceFit::equivalent_surfaces`] names the roads
//! that it is shown equivalent to, simultaneously (Holm); none while something that was recorded cannot be told from the
//! surfaces ([`EquivalenceFit::undetermined`]).
//!
//! # Accuracy of the intervals
//! By simulation of the whole path: table in [`correction`](crate::correction).
//!
//! # What can go wrong
//! Too few pairs, all laboratory times the same, a surface off the scale: [`Attempt::Unavailable`] for that surface,
//! with the reason. A material whose every trial on a surface is censored on one side has no median there and is
//! listed in [`SurfaceEquivalence::left_out`]. τ = 0 is an answer ([`Scatter::Boundary`]).

mod classes;
mod departures;
mod document;
mod fit;
mod least_squares;
mod line;
mod pairs;
mod random_effects;
mod rows;
mod scatter_line;
mod tost;

pub use classes::{ClassEffects, ClassMean, ClassPrediction, class_effects};
pub(crate) use classes::{points as class_points, predict as predict_class};
pub use document::EquivalenceDocument;
pub use fit::{Equivalence, EquivalenceFit};
pub use least_squares::{Intercept, LinearFit, ordinary_least_squares};
pub use line::{Convention, LineCovariance, YorkLine, york};
pub use random_effects::{RandomEffects, random_effects};
pub use rows::{
    Attempt, ClassDeparture, ConstantRatio, Form, LeftOut, LeftOutReason, MaterialPair, PowerLaw, PredictionGain,
    ScalePosition, SharedCondition, SurfaceEquivalence, Unavailable,
};
pub(crate) use rows::{check_decisions, check_ratio};
pub use scatter_line::{Scatter, ScatterEstimator, ScatterLine, york_with_scatter};
pub(crate) use scatter_line::{least, solve_scatter};
pub(crate) use tost::check_test;
pub use tost::{Tost, tost};
