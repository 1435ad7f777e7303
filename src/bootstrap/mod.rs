//! Resampling: how far every figure could have come out otherwise.
//!
//! | | |
//! |---|---|
//! | in  | a campaign and a severity plan ([`Bootstrap::severity`]), or rows in strata and any statistic ([`Bootstrap::run`]) |
//! | out | [`Replicates`] of the statistics, with percentile and BCa intervals |
//!
//! # Schemes
//! See [`Scheme`] for what each draws and where it is right. Replicate r draws from its own ChaCha8
//! stream, a function of (seed, r) alone, so the result is the same bits on any number of threads,
//! and any range of replicates can be computed elsewhere and merged ([`Replicates::merge`]).
//!
//! # Small cells
//! Plain resampling within cells shrinks variance by (n − 1)/n and never varies a single trial. [`Scheme::Rescaled`] draws
//! so that the variance is right from two trials a cell on (Rao & Wu 1988); [`Scheme::Parametric`] borrows the scatter of all
//! cells, and varies single trials too.
//!
//! # Which interval holds what it says
//! From the tables below:
//!
//! - No day effects: the intervals of a fit of independent trials (column model; no resampling) cover 93.8 to 96.1 % in every
//!   row. Of the bootstrap, rescaled studentised covers 94 to 98 % and is the one to take (a little long with three
//!   specimens a cell); rescaled percentile 93 to 97 %; stratified percentile and BCa
//!   87 to 92 % with three or five specimens, whatever program draws them.
//! - Parametric: do not use it where contact openings are many: it replays one time resolution a surface, the longest, so that
//!   short trials are censored more than they were.
//! - Trials that share days (log sd 0.1 beside σ = 0.2, three days a surface): no interval that does not know of the days is
//!   right; 83 % at best, 50 % with many trials, which makes it worse. Resampling so few days, then the trials of each, reached
//!   78 to 88 % and is not offered. Take [`Severity`](crate::severity::Severity) as it is by default: see the table of [`correction`](crate::correction).
//!
//! # The coverage study
//! Written by `cargo run --release --example bootstrap_study -- --full --campaigns 600 --resampled 150 --replicates 299`.
#![doc = include_str!("coverage.md")]
//!
//! # When it refuses
//! More than a stated share of replicates that cannot be fitted ([`Bootstrap::max_failures`]); a
//! scheme that does not suit the data; parts that do not belong together.
//!
//! # Sources
//! Efron & Tibshirani, An Introduction to the Bootstrap, 1993 (BCa: chapter 14); Davison & Hinkley,
//! Bootstrap Methods and their Application, 1997 (strata: section 3.2; interpolation between order
//! statistics: equation 5.8; acceleration over strata: section 5.4); Rao & Wu, J. Amer. Statist.
//! Assoc. 83 (1988) 231 (rescaling).

mod interval;
mod replicates;
mod run;
mod scheme;
mod severity;

pub use interval::percentile_of_sorted;
pub use replicates::{BootstrapInterval, Replicates};
pub(crate) use run::MOST_REPLICATES;
pub use run::{Bootstrap, Observer};
pub use scheme::Scheme;
pub use severity::SeverityBootstrap;
