//! Abrasiveness factors of road surfaces and laboratory belts from drop-abrasion trials.
pub mod bootstrap;
pub mod campaign;
pub mod correction;
mod document;
pub mod equivalence;
mod error;
mod estimate;
mod numeric;
pub mod screening;
pub mod severity;

pub use error::{Component, Error, ErrorKind, Problem, Result};
pub use estimate::{Bound, BoundSide, Estimate, Interval, IntervalMethod, NotEstimable, significant};
