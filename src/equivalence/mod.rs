//! How laboratory times relate to road times.
mod line;
mod record;
mod special;
mod tost;

pub use line::{
    Convention, DemingLine, Intercept, LineCovariance, LinearFit, RandomEffects, Scatter, ScatterEstimator,
    ScatterLine, YorkLine, deming, ordinary_least_squares, random_effects, york, york_with_scatter,
};
pub use tost::{Tost, holm, tost};
