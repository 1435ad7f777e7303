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
//! Share of nominal 95 % intervals that held the truth, in 2000 simulated campaigns each (σ = 0.2, a report of 5
//! specimens; `intervals_cover_what_they_say` in `tests/correction.rs`; standard error of a figure about 0.005):
//!
//! | specimens a cell | materials | τ | factor | expected median | median | specimen | median, power law |
//! |---|---|---|---|---|---|---|---|
//! | 3 | 6 | 0 | 0.951 | 0.959 | 0.985 | 0.974 | 0.979 |
//! | 3 | 6 | 0.15 | 0.949 | 0.967 | 0.959 | 0.966 | 0.962 |
//! | 3 | 6 | 0.3 | 0.941 | 0.963 | 0.950 | 0.963 | 0.949 |
//! | 3 | 12 | 0 | 0.953 | 0.950 | 0.985 | 0.964 | 0.983 |
//! | 3 | 12 | 0.15 | 0.952 | 0.952 | 0.950 | 0.960 | 0.952 |
//! | 3 | 12 | 0.3 | 0.958 | 0.958 | 0.953 | 0.962 | 0.953 |
//! | 6 | 6 | 0 | 0.953 | 0.952 | 0.979 | 0.964 | 0.979 |
//! | 6 | 6 | 0.15 | 0.945 | 0.968 | 0.959 | 0.960 | 0.952 |
//! | 6 | 6 | 0.3 | 0.954 | 0.959 | 0.951 | 0.959 | 0.943 |
//! | 6 | 12 | 0 | 0.953 | 0.954 | 0.976 | 0.963 | 0.976 |
//! | 6 | 12 | 0.15 | 0.946 | 0.947 | 0.948 | 0.957 | 0.949 |
//! | 6 | 12 | 0.3 | 0.943 | 0.947 | 0.947 | 0.960 | 0.950 |
//!
//! Where materials do not differ (τ = 0) the prediction intervals are longer than they need be: a few materials cannot
//! tell τ = 0 from a small τ.
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
