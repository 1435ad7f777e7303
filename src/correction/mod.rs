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
//! towards the common factor by as much as the class means and their errors bear out. A class with too few materials, one
//! that was not tested and one that is not stated take the common factor, with ω in the interval, and say so
//! ([`CorrectionBasis`]).
//!
//! # Questions it answers
//! | question | by |
//! |---|---|
//! | road times of a report, on each surface | [`Correction::apply`] |
//! | on the roads of one rider, by share of exposure | [`Correction::apply_exposure`]: the mixture of the distributions, no mean of times |
//! | probability of reaching the caller's minimum times | [`CorrectedTime::reaching`], [`Requirement`]; the crate ships no minimum times |
//! | laboratory time that a road time calls for | [`Correction::needed_laboratory_time`], with a calibration set that may have no end |
//!
//! # Degrees of freedom
//! The factor and τ rest on the materials: n − 1 of them (power law: n − 2), however many specimens there were. τ̂ is
//! not taken as known: the intervals are quantiles of the mixture over its confidence distribution (`predict.rs`),
//! which is Student t where replicate scatter plays no part. The report's mean and a further specimen rest on σ and its
//! degrees of freedom; the two combine by Welch–Satterthwaite inside the mixture. By class τ rests on materials − classes,
//! and ω on classes − 1: with two or three classes hardly anything is known of a further one, and its interval is that wide.
//!
//! # Accuracy of the intervals
//! Share of nominal 95 % intervals that held the truth for a material that was left out, in simulated campaigns (σ = 0.2, 5
//! specimens a cell and in the report, laboratory times 0.3 to 12 s; `intervals_cover_what_they_say` and
//! `intervals_cover_with_run_outs` in `tests/correction.rs`). First figure: nothing censored, 1000 campaigns (12 and 20
//! materials: 500), Monte Carlo standard error 0.007 (0.010). Second: a fifth of the road trials run out, 800 (400)
//! campaigns, 0.008 (0.011). Rows with the same number of materials share their random numbers, and lie high or low together.
//!
//! | materials | τ | factor | expected median | median | specimen | slope | median, power law |
//! |---|---|---|---|---|---|---|---|
//! | 6 | 0 | 0.950, 0.953 | 0.958, 0.960 | 0.988, 0.991 | 0.970, 0.971 | 0.950, 0.956 | 0.986, 0.985 |
//! | 6 | 0.1 | 0.949, 0.946 | 0.957, 0.963 | 0.959, 0.956 | 0.966, 0.964 | 0.950, 0.955 | 0.965, 0.966 |
//! | 6 | 0.2 | 0.937, 0.931 | 0.961, 0.959 | 0.937, 0.936 | 0.953, 0.948 | 0.941, 0.943 | 0.931, 0.929 |
//! | 6 | 0.3 | 0.932, 0.931 | 0.952, 0.951 | 0.941, 0.934 | 0.946, 0.940 | 0.940, 0.943 | 0.935, 0.929 |
//! | 8 | 0 | 0.947, 0.954 | 0.951, 0.946 | 0.982, 0.980 | 0.966, 0.969 | 0.952, 0.950 | 0.983, 0.976 |
//! | 8 | 0.1 | 0.953, 0.959 | 0.957, 0.956 | 0.971, 0.964 | 0.962, 0.969 | 0.948, 0.950 | 0.971, 0.973 |
//! | 8 | 0.2 | 0.950, 0.949 | 0.957, 0.959 | 0.956, 0.954 | 0.962, 0.963 | 0.951, 0.950 | 0.955, 0.956 |
//! | 8 | 0.3 | 0.950, 0.954 | 0.955, 0.954 | 0.957, 0.958 | 0.956, 0.956 | 0.946, 0.948 | 0.954, 0.954 |
//! | 12 | 0 | 0.964, 0.975 | 0.964, 0.963 | 0.986, 0.983 | 0.964, 0.965 | 0.950, 0.953 | 0.982, 0.983 |
//! | 12 | 0.1 | 0.956, 0.963 | 0.964, 0.965 | 0.948, 0.955 | 0.964, 0.963 | 0.960, 0.968 | 0.958, 0.958 |
//! | 12 | 0.2 | 0.962, 0.960 | 0.972, 0.970 | 0.934, 0.938 | 0.950, 0.963 | 0.962, 0.960 | 0.938, 0.948 |
//! | 12 | 0.3 | 0.966, 0.960 | 0.974, 0.970 | 0.932, 0.932 | 0.938, 0.948 | 0.960, 0.958 | 0.934, 0.943 |
//! | 20 | 0 | 0.960, 0.958 | 0.956, 0.958 | 0.984, 0.988 | 0.952, 0.948 | 0.946, 0.963 | 0.980, 0.980 |
//! | 20 | 0.1 | 0.948, 0.958 | 0.958, 0.953 | 0.956, 0.955 | 0.948, 0.948 | 0.936, 0.948 | 0.968, 0.958 |
//! | 20 | 0.2 | 0.942, 0.960 | 0.960, 0.958 | 0.954, 0.948 | 0.960, 0.960 | 0.946, 0.950 | 0.956, 0.958 |
//! | 20 | 0.3 | 0.946, 0.958 | 0.962, 0.960 | 0.958, 0.958 | 0.964, 0.965 | 0.946, 0.943 | 0.962, 0.963 |
//!
//! Where materials do not differ (τ = 0) the prediction intervals are longer than they need be: a few materials cannot
//! tell τ = 0 from a small τ. Otherwise the figures lie between 0.929 and 0.975; the rows of 6 and 12 materials lie low
//! together by their common random numbers, as 20 000 draws of the balanced case without censoring show (Monte Carlo standard
//! error 0.0015; `balanced_intervals_cover_what_they_say` in `predict.rs`):
//!
//! | materials | τ | factor | median | specimen |
//! |---|---|---|---|---|
//! | 6 | 0 | 0.957 | 0.984 | 0.972 |
//! | 6 | 0.05 | 0.955 | 0.980 | 0.970 |
//! | 6 | 0.1 | 0.954 | 0.966 | 0.968 |
//! | 6 | 0.2 | 0.952 | 0.951 | 0.962 |
//! | 6 | 0.3 | 0.953 | 0.947 | 0.957 |
//! | 8 | 0 | 0.954 | 0.983 | 0.966 |
//! | 8 | 0.05 | 0.954 | 0.977 | 0.966 |
//! | 8 | 0.1 | 0.952 | 0.963 | 0.964 |
//! | 8 | 0.2 | 0.951 | 0.951 | 0.960 |
//! | 8 | 0.3 | 0.952 | 0.952 | 0.957 |
//! | 12 | 0 | 0.953 | 0.981 | 0.964 |
//! | 12 | 0.05 | 0.952 | 0.971 | 0.963 |
//! | 12 | 0.1 | 0.950 | 0.955 | 0.961 |
//! | 12 | 0.2 | 0.950 | 0.946 | 0.957 |
//! | 12 | 0.3 | 0.950 | 0.946 | 0.954 |
//! | 20 | 0 | 0.952 | 0.977 | 0.958 |
//! | 20 | 0.05 | 0.952 | 0.966 | 0.956 |
//! | 20 | 0.1 | 0.951 | 0.951 | 0.953 |
//! | 20 | 0.2 | 0.951 | 0.948 | 0.951 |
//! | 20 | 0.3 | 0.950 | 0.949 | 0.950 |
//!
//! From τ = 0.1 with 12 materials and more, from 0.2 with fewer, the intervals cover 0.946 to 0.962; below that they are long, up to 0.985 for
//! the median at τ = 0, by design: shorter ones would rest on τ̂ = 0 being right. Where materials are known not to differ, take
//! [`expected_road_median_s`](CorrectedTime::expected_road_median_s).
//!
//! A run that ends at a fixed time takes the most durable materials out of the pairs altogether (a road that ends after 9 s,
//! a fifth of the road trials run out, 500 and 250 campaigns): factor 0.94 to 0.97, median 0.94 to 0.99, specimen 0.94 to
//! 0.98; but the slope of the power law, 0.93 to 0.97 otherwise, falls to 0.896 with 20 materials and τ = 0.3, since among
//! durable materials only those that the road treats badly remain. Run longer where the slope matters.
//!
//! By class (300 campaigns, 0.013; `intervals_by_class_cover_what_they_say`):
//!
//! | classes | materials each | ω | τ | factor of a class | median, class seen | median, class not seen |
//! |---|---|---|---|---|---|---|
//! | 2 | 4 | 0 | 0.15 | 0.937 | 0.920 | 0.997 |
//! | 2 | 4 | 0.15 | 0.15 | 0.940 | 0.917 | 0.990 |
//! | 2 | 4 | 0.4 | 0.1 | 0.953 | 0.940 | 0.977 |
//! | 3 | 3 | 0 | 0.15 | 0.963 | 0.947 | 1.000 |
//! | 3 | 3 | 0.15 | 0.15 | 0.957 | 0.947 | 0.993 |
//! | 3 | 3 | 0.4 | 0.1 | 0.943 | 0.960 | 0.940 |
//! | 4 | 4 | 0 | 0.15 | 0.967 | 0.953 | 0.970 |
//! | 4 | 4 | 0.15 | 0.15 | 0.940 | 0.953 | 0.970 |
//! | 4 | 4 | 0.4 | 0.1 | 0.953 | 0.957 | 0.937 |
//! | 6 | 3 | 0 | 0.15 | 0.983 | 0.957 | 0.977 |
//! | 6 | 3 | 0.15 | 0.15 | 0.940 | 0.957 | 0.970 |
//! | 6 | 3 | 0.4 | 0.1 | 0.950 | 0.950 | 0.947 |
//!
//! Two classes of four materials are short by three points for a further material of theirs; three classes or more are not.
//!
//! Where days differ (log sd 0.1, σ 0.2, three days on each of three roads and the belt, 5 specimens a cell over the days of
//! its surface, the report from one day; 6 materials 1000 campaigns, 0.007, others 400, 0.011;
//! `intervals_cover_where_days_differ` in `tests/correction.rs`), first from [`Equivalence::fit`](crate::equivalence::Equivalence::fit), then from
//! [`fit_mixed`](crate::equivalence::Equivalence::fit_mixed) with days and material × surface:
//!
//! | materials | τ | factor: without, with | median | specimen |
//! |---|---|---|---|---|
//! | 6 | 0 | 0.815, 0.976 | 0.909, 0.975 | 0.944, 0.968 |
//! | 6 | 0.1 | 0.822, 0.958 | 0.904, 0.964 | 0.940, 0.964 |
//! | 8 | 0.1 | 0.802, 0.983 | 0.885, 0.975 | 0.950, 0.975 |
//! | 8 | 0.2 | 0.895, 0.968 | 0.912, 0.965 | 0.958, 0.973 |
//! | 12 | 0.1 | 0.688, 0.938 | 0.870, 0.960 | 0.943, 0.978 |
//!
//! Without the days a factor of nominal 95 % covers 70 to 90 %, the less the more materials there are: give them whenever they were recorded. Three days on each of four
//! surfaces tell their variance with eight degrees of freedom; where it is put at 0 although days differ, nothing is added,
//! and the correction says so in its cautions.
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
//! `surface-severity/correction/3`, with the decisions on trials that were in force. Those of versions 1 and 2 read for ever,
//! and answer as they did.

mod classes;
mod document;
mod exposure;
mod factor;
mod inverse;
mod predict;
mod reports;
mod requirement;
mod validity;

pub use classes::{ClassBasis, ClassCorrection, ClassCorrections, CorrectionBasis};
pub use exposure::{ExposedTime, Exposure};
pub use factor::{CorrectedTime, Correction, CorrectionOptions, NotCorrected, SurfaceCorrection, corrected_reports};
pub use inverse::{Needed, NeededTime, Reacher, RoadGoal};
pub(crate) use predict::{Pieces, Predictive, Target};
pub use reports::{LabReport, LabReports, Specimen};
pub use requirement::{Reaching, Requirement};
pub use validity::{ClassCount, ClassValidity, Domain, Side, TimeValidity, Validity};
