//! Abrasiveness factors of road surfaces and laboratory belts from drop-abrasion trials of
//! protective clothing; the place of the laboratory belt among the roads; the correction with which
//! a laboratory time is read as a road time.
//!
//! # The job
//! A test engineer owns two machines with the same head: a laboratory rig that drops a specimen on a
//! moving abrasive belt, and one on a vehicle that drops it on a road. Both measure the seconds from
//! contact to perforation of the innermost layer. Roads differ several-fold; customers only get
//! laboratory reports. From one table of trials this crate makes
//!
//! | stage | module | answers |
//! |---|---|---|
//! | campaign | [`campaign`] | is the table sound? every bad field at once; nothing is dropped |
//! | screening | [`screening`] | which trials are doubtful, on what evidence, and what hangs on them? |
//! | severity | [`severity`] | how aggressive is each surface, how durable each material, does one factor serve all? |
//! | bootstrap | [`bootstrap`] | how far could each figure have come out otherwise? |
//! | equivalence | [`equivalence`] | where does the laboratory belt sit, and is it equivalent to a road? |
//! | correction | [`correction`] | what is a laboratory time worth on each road, within which limits? |
//! | study | [`study`] | all of this with one policy: which answers, with which limits, and what to know first? |
//! | laboratory | [`laboratory`] | is the belt in control? do two laboratories, or two seasons, agree? |
//! | slide | [`slide`] | what would a slide to rest use up, by every assumption? |
//! | planning | [`planning`] | what would a further campaign tell, and which trials are worth most? |
//! | tables | [`tables`] | every result as text, Markdown, CSV, HTML |
#![cfg_attr(feature = "report", doc = "| report | [`report`] | pictures and one self-contained page |")]
//!
//! The book is in [`guide`]: concepts, one chapter per stage, pitfalls, how to cite.
//!
//! Data flows one way; each stage takes the result of the one before by reference. Enter anywhere
//! (build a campaign in code, load a saved correction), leave anywhere.
//!
//! # Quick start
//! ```
//! use surface_severity::campaign::Campaign;
//! use surface_severity::correction::LabReports;
//! use surface_severity::severity::Severity;
//! use surface_severity::study::Study;
//!
//! let campaign = Campaign::read_path("data-demo/trials.csv")?;
//! let reports = LabReports::read_path("data-demo/lab_reports.csv")?;
//! let study = Study::new(Severity::new("dense asphalt concrete")).run(&campaign, Some(&reports))?;
//! print!("{}", study.summary());
//!
//! let belt = &study.conclusions.belts[0];
//! // This campaign was invented with a belt of 2.75.
//! assert!(belt.factor.interval().is_some_and(|k| k.contains(2.75)));
//! for road in &belt.roads {
//!     println!("{road}"); // what to multiply a belt time by, for the average and for one material
//! }
//! # Ok::<(), surface_severity::Error>(())
//! ```
//! Each stage can be entered and left by itself; a campaign can be built in code:
//! ```
//! use surface_severity::campaign::{Campaign, Trial};
//! use surface_severity::severity::Severity;
//!
//! let mut trials = Vec::new();
//! for (surface, material, times) in [
//!     ("asphalt", "cowhide", [9.8, 11.6, 10.3]),
//!     ("asphalt", "aramid denim", [3.1, 3.9, 3.4]),
//!     ("belt", "cowhide", [3.9, 3.4, 4.1]),
//!     ("belt", "aramid denim", [1.3, 1.1, 1.4]),
//! ] {
//!     for (i, t) in times.into_iter().enumerate() {
//!         trials.push(Trial::perforated(format!("{surface} {material} {i}"), surface, material, t));
//!     }
//! }
//! let fit = Severity::new("asphalt").fit(&Campaign::from_trials(trials)?)?;
//! assert!((fit.factor("belt")?.estimate() - 2.76).abs() < 0.01);
//! # Ok::<(), surface_severity::Error>(())
//! ```
//!
//! # Conventions
//! Times in seconds, factors dimensionless, quantities of logarithms say `log_`; a level is 0.95,
//! never 95. No public number is NaN, infinite or a sentinel: an [`Estimate`] is an interval, a
//! one-sided bound, or a reason. Every result is a function of data, options and seed, the same bits
//! for any order of the rows and any number of threads.
//!
//! # Features
//! `report` (pictures, page, notebook display) and `parallel` (bootstrap on the caller's rayon pool)
//! are on by default; `default-features = false` gives a small library with the same numbers. `arrow`, off by default, adds
//! conversions of campaigns and tables to and from Arrow record batches; its signatures are those of `arrow-array`,
//! whose version is part of this crate's interface there. `matrices`, off by default, likewise adds covariances, estimates
//! and covariates as types of `nalgebra`.
//!
//! # Before you rely on a number
//! The applicable standard comes first (for riders' clothing in Europe EN 17092, or EN 13595 where
//! it is still called up), with local codes and the accredited laboratory that applies them. A
//! correction factor is not a certification. It holds within its domain: the material classes and
//! laboratory times it was derived from. A belt at constant speed and a rider sliding to a stop are
//! different exposures.

// Here and not among the lints of the package: nobody has to document an example of their own.
#![deny(missing_docs)]

pub mod bootstrap;
pub mod campaign;
pub mod correction;
mod document;
pub mod equivalence;
mod error;
mod estimate;
pub mod guide;
pub mod laboratory;
#[cfg(feature = "matrices")]
pub mod matrices;
mod numeric;
pub mod planning;
mod record;
#[cfg(feature = "report")]
pub mod report;
pub mod screening;
pub mod severity;
pub mod slide;
pub mod study;
pub mod tables;

pub use error::{Component, Error, ErrorKind, Problem, Result};
pub use estimate::{Bound, BoundSide, Estimate, Interval, IntervalMethod, NotEstimable, significant};
pub use numeric::holm::holm;

/// The listings of README.md, run as tests.
#[cfg(doctest)]
#[doc = include_str!("../README.md")]
pub struct Readme;
