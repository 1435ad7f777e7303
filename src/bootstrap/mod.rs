//! Resampling: how far every figure could have come out otherwise.
//!
//! | | |
//! |---|---|
//! | in  | a campaign and a severity plan ([`Bootstrap::severity`]), or rows in strata and any statistic ([`Bootstrap::run`]) |
//! | out | [`Replicates`] of the statistics, with percentile and BCa intervals |
//!
//! # Scheme
//! Stratified case resampling: within each stratum (cell), as many rows are drawn with replacement
//! as it holds. Replicate r draws from its own ChaCha8 stream, a function of (seed, r) alone, so the
//! result is the same bits on any number of threads.
//!
//! # What it can not do
//! A stratum of n rows varies by (n − 1)/n of what it should, and one of a single row not at all:
//! with few specimens a cell the intervals are too short (for nominal 95 %, about 91 % with five a
//! cell). Where nothing is censored prefer the t intervals of [`SeverityFit`](crate::severity::SeverityFit).
//!
//! # When it refuses
//! More than a stated share of replicates that cannot be fitted ([`Bootstrap::max_failures`]).
//!
//! # Sources
//! Efron & Tibshirani, An Introduction to the Bootstrap, 1993 (BCa: chapter 14); Davison & Hinkley,
//! Bootstrap Methods and their Application, 1997 (strata: section 3.2; interpolation between order
//! statistics: equation 5.8; acceleration over strata: section 5.4).

mod interval;
mod run;
mod severity;
mod stream;

pub use interval::percentile_of_sorted;
pub use run::{Bootstrap, Replicates};
pub use severity::SeverityBootstrap;
pub(crate) use stream::stream;
