//! Reading laboratory times as road times.
//!
//! | | |
//! |---|---|
//! | in  | an [`EquivalenceFit`](crate::equivalence::EquivalenceFit), or a saved [`Correction`]; laboratory reports ([`LabReports`]) |
//! | out | a [`Correction`] for every road surface; for each report and surface a [`CorrectedTime`] |
//!
//! # Model
//! Median on the road = c · median on the belt · e^(τU), or the power law in place of c; a specimen adds e^(σW).
//! Three intervals answer three questions:
//!
//! | interval | about | holds |
//! |---|---|---|
//! | [`expected_road_median_s`](CorrectedTime::expected_road_median_s) | the average material with this laboratory time | report, line |
//! | [`road_median_s`](CorrectedTime::road_median_s) | this material | report, line, τ |
//! | [`road_specimen_s`](CorrectedTime::road_specimen_s) | one more specimen of this material | report, line, τ, σ |
//!
//! # Degrees of freedom
//! The factor and τ rest on the materials: n − 1 of them (power law: n − 2), however many specimens there were. τ̂ is
//! not taken as known: the intervals are quantiles of the mixture over its confidence distribution (`predict.rs`),
//! which is Student t where replicate scatter plays no part. The report's mean and a further specimen rest on σ and its
//! degrees of freedom; the two combine by Welch–Satterthwaite inside the mixture.
//!
//! # Accuracy of the intervals
//! By simulation (`tests/correction.rs`): see the table there, with 6 and 12 materials and τ from 0 to 0.3.
//!
//! # Outside the domain
//! A correction is given there too, unchanged and with its [`Validity`]: it is never adjusted by a factor that nothing
//! supports, and never left out.
//!
//! # What can go wrong
//! A surface without the form asked for is listed in [`Correction::not_corrected`]. A report whose every specimen ran
//! out gives a bound "at least". Reports and documents are refused with every problem named.

mod document;
mod factor;
mod predict;
mod reports;
mod validity;

pub use factor::{CorrectedTime, Correction, CorrectionOptions, NotCorrected, SurfaceCorrection, corrected_reports};
pub use reports::{LabReport, LabReports, Specimen};
pub use validity::{ClassCount, ClassValidity, Domain, Side, TimeValidity, Validity};
