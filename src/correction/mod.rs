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
//! Where the equivalence was fitted with what days, runs and belts share, the line holds those of the campaign, the report the
//! day of its own specimens ([`LabReport::on_days`] for more than one), and one more specimen a day of its own on the road.
//!
//! By class ([`CorrectionOptions::by_class`]): log c_class = μ + γ_class, γ with standard deviation ω over classes, shrunk
//! towards the common factor c by as much as the class means and their errors bear out. A class with too few materials, one
//! that was not tested and one that is not stated take the common factor, with ω in the interval, and say so
//! ([`CorrectionBasis`]).
//!
//! # Questions it answers
//! | question | by |
//! |---|---|
//! | road times of a report, on each surface | [`Correction::apply`] |
//! | on the roads of one rider, by share of exposure | [`Correction::apply_exposure`]: the mixture of the distributions, no mean of times |
//! | probability of reaching the caller's minimum times | [`CorrectedTime::reaching`], [`Requirement`]; the crate ships no minimum times |
//! | laboratory time that a road time calls for | [`Correction::needed_laboratory_time`] |
//!
//! # Degrees of freedom
//! The factor has the limits of the severity fit; τ rests on the materials: n − 1 of them (power law: n − 2), however many
//! specimens there were. τ̂ is not taken as known: the intervals are quantiles of the mixture over its confidence
//! distribution (`predict.rs`), which is Student t where replicate scatter plays no part. The report's mean and a further specimen rest on σ and its
//! degrees of freedom; the two combine by Welch–Satterthwaite inside the mixture. One more specimen, mostly σ, takes their sum
//! with Satterthwaite's degrees of freedom instead, where times are log-normal and the factor is common to all. By class τ
//! rests on materials − classes, and ω on classes − 1: with two or three classes hardly anything is known of a further one, and its interval is that wide.
//!
//! # Accuracy of the intervals
//! The whole path on simulated campaigns: the default plan, the relation, a correction by class, a report of five specimens of
//! one day of a material that was not in the campaign. Nominal 95 % intervals and 5 % tests; written by
//! `cargo run --release --example coverage_study -- --campaigns 500`.
//!
#![doc = include_str!("coverage.md")]
//!
//! c and the factors hold 93 to 97 % with two or three days a surface; with one day for each road 99 to 100 %, by design: two
//! days of the belt tell hardly anything of what days differ by, and no interval spans more than a factor of 20. With one day for
//! everything on each surface the limits leave the days out and c is held by half of them: that is said
//! first, and nothing is shown equivalent. A further specimen is held by 95 to 97 %, with six materials of three classes by more than
//! 99 % (long). That a slope is not 1 is said somewhat too often where materials depart much (sd 0.2).
//!
//! The predictions alone, of nominal 95 % intervals: 20 000 draws of the balanced case without censoring, days or classes (Monte
//! Carlo standard error 0.0015; `balanced_intervals_cover_what_they_say` in `predict.rs`):
//!
//! | materials | τ | factor | median | specimen |
//! |---|---|---|---|---|
//! | 6 | 0 | 0.957 | 0.984 | 0.960 |
//! | 6 | 0.05 | 0.955 | 0.980 | 0.958 |
//! | 6 | 0.1 | 0.954 | 0.966 | 0.953 |
//! | 6 | 0.2 | 0.952 | 0.951 | 0.947 |
//! | 6 | 0.3 | 0.953 | 0.947 | 0.943 |
//! | 8 | 0 | 0.954 | 0.983 | 0.957 |
//! | 8 | 0.05 | 0.954 | 0.977 | 0.955 |
//! | 8 | 0.1 | 0.952 | 0.963 | 0.953 |
//! | 8 | 0.2 | 0.951 | 0.951 | 0.948 |
//! | 8 | 0.3 | 0.952 | 0.952 | 0.949 |
//! | 12 | 0 | 0.953 | 0.981 | 0.956 |
//! | 12 | 0.05 | 0.952 | 0.971 | 0.955 |
//! | 12 | 0.1 | 0.950 | 0.955 | 0.953 |
//! | 12 | 0.2 | 0.950 | 0.946 | 0.950 |
//! | 12 | 0.3 | 0.950 | 0.946 | 0.949 |
//! | 20 | 0 | 0.952 | 0.977 | 0.954 |
//! | 20 | 0.05 | 0.952 | 0.966 | 0.952 |
//! | 20 | 0.1 | 0.951 | 0.951 | 0.948 |
//! | 20 | 0.2 | 0.951 | 0.948 | 0.946 |
//! | 20 | 0.3 | 0.950 | 0.949 | 0.947 |
//!
//! The interval of a material's own median is long where materials hardly differ (up to 0.986 at τ = 0), by design: a few
//! materials cannot tell τ = 0 from a small τ. An interval that reaches as far on either side of the estimate, is never shorter
//! than if τ = 0 were known, and holds no more than 0.96 at τ = 0, must fall to 0.905 (6 materials, at τ = 0.12), 0.917 (8, at
//! 0.11) or 0.929 (12, at 0.09), in the balanced case with σ known (by the lemma of Neyman and Pearson;
//! `no_interval_of_a_median_is_short_at_0_and_right_elsewhere` in `predict.rs`). From τ = 0.2 on the median's holds 0.945 to
//! 0.956 by the constant ratio. Where materials are known not to differ, take
//! [`expected_road_median_s`](CorrectedTime::expected_road_median_s).
//!
//! A run that ends at a fixed time takes the most durable materials out of the pairs altogether; among durable materials only
//! those that the road treats badly remain, and the slope of the power law is drawn down. Run longer where the slope matters.
//!
//! Predictions by class alone (2000 campaigns without days, 0.005; `intervals_by_class_cover_what_they_say` in
//! `tests/correction.rs`), the specimen by the mixture:
//!
//! | classes | materials each | ω | τ | factor of a class | median, specimen: class seen | of a class not seen |
//! |---|---|---|---|---|---|---|
//! | 2 | 4 | 0 | 0.15 | 0.945 | 0.954, 0.971 | 0.994, 0.995 |
//! | 2 | 4 | 0.15 | 0.15 | 0.931 | 0.951, 0.971 | 0.990, 0.990 |
//! | 2 | 4 | 0.4 | 0.1 | 0.931 | 0.962, 0.970 | 0.971, 0.976 |
//! | 3 | 3 | 0 | 0.15 | 0.955 | 0.944, 0.958 | 0.993, 0.987 |
//! | 3 | 3 | 0.15 | 0.15 | 0.921 | 0.942, 0.954 | 0.980, 0.984 |
//! | 3 | 3 | 0.4 | 0.1 | 0.932 | 0.954, 0.955 | 0.967, 0.967 |
//! | 4 | 4 | 0 | 0.15 | 0.973 | 0.946, 0.956 | 0.981, 0.976 |
//! | 4 | 4 | 0.15 | 0.15 | 0.941 | 0.941, 0.954 | 0.975, 0.977 |
//! | 4 | 4 | 0.4 | 0.1 | 0.946 | 0.952, 0.960 | 0.960, 0.964 |
//! | 6 | 3 | 0 | 0.15 | 0.978 | 0.958, 0.959 | 0.979, 0.970 |
//! | 6 | 3 | 0.15 | 0.15 | 0.929 | 0.951, 0.957 | 0.972, 0.965 |
//! | 6 | 3 | 0.4 | 0.1 | 0.948 | 0.953, 0.963 | 0.953, 0.949 |
//!
//! The factor of a class is up to three points short with few materials a class; what is said of a further material of a
//! class that was seen holds.
//!
//! # Outside the domain
//! A correction is given there too, unchanged and with its [`Validity`]: it is never adjusted by a factor that nothing
//! supports, and never left out.
//!
//! # What can go wrong
//! A surface without the form asked for is listed in [`Correction::not_corrected`]. A report whose every specimen ran
//! out gives a bound "at least". Reports and documents are refused with every problem named.
//!
//! # Documents
//! `surface-severity/correction/1`, with the decisions on trials that were in force and a seal over its content.

mod classes;
mod corrected;
mod document;
mod exposure;
mod factor;
mod inverse;
mod multiplier;
mod predict;
mod reading;
mod reports;
mod requirement;
mod surface;
mod table;
mod validity;

pub use classes::{ClassBasis, ClassCorrection, ClassCorrections, CorrectionBasis};
pub use corrected::CorrectedTime;
pub use exposure::{ExposedTime, Exposure};
pub use factor::{Correction, CorrectionOptions, NotCorrected, ReferenceCloth};
pub use inverse::{Needed, NeededTime, Reacher, RoadGoal};

pub(crate) use predict::{Pieces, Predictive, Target};
pub use reading::LabReports;
pub use reports::{LabReport, ReferenceReading, Specimen};
pub use requirement::{Reaching, Requirement};
pub use surface::SurfaceCorrection;
pub use validity::{ClassCount, ClassValidity, Domain, Side, TimeValidity, Validity};
