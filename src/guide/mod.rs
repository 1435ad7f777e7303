//! The book: the job, the words, one chapter per stage, and what to beware of.
//!
//! | chapter | |
//! |---|---|
//! | [`job`] | what goes in, what comes out, in ten lines of code |
//! | [`concepts`] | trial, cell, factor, durability, scatter; units |
//! | [`campaigns`] | the trial table, outcomes, digest, decisions |
//! | [`screening_trials`] | trials that stand out, and what hangs on them |
//! | [`severity_scale`] | the model of the scale, its fit, whether one factor serves all |
//! | [`shared_conditions`] | days, runs, belts |
//! | [`choosing_an_interval`] | which interval for which question |
//! | [`belt_and_road`] | equivalence of the belt, lines with errors on both axes |
//! | [`correcting_reports`] | the correction, its three intervals, its domain |
//! | [`laboratory`] | the reference cloth, control charts, roads never driven, two seasons |
//! | [`two_laboratories`] | "our laboratory gives other numbers" |
//! | [`slides`] | what a slide to rest uses up, by every assumption |
//! | [`planning`] | the next campaign: what it would tell, how large, which trials |
//! | [`results`] | tables, pictures, page, sheet, notebooks, documents and their schemas |
//! | [`pitfalls`] | few materials, one day per surface, confounded belts, run-outs |
//! | [`agreement`] | how far our numbers agree with those of others |
//! | [`for_r_users`] | the same models in R |
//! | [`citing`] | how to cite a result, and the sources of the methods |
//!
//! The modules hold text only. Every listing runs as a test on the invented campaign of `data-demo/`.

#[doc = include_str!("job.md")]
pub mod job {}

#[doc = include_str!("concepts.md")]
pub mod concepts {}

#[doc = include_str!("campaigns.md")]
pub mod campaigns {}

#[doc = include_str!("screening_trials.md")]
pub mod screening_trials {}

#[doc = include_str!("severity_scale.md")]
pub mod severity_scale {}

#[doc = include_str!("shared_conditions.md")]
pub mod shared_conditions {}

#[doc = include_str!("choosing_an_interval.md")]
pub mod choosing_an_interval {}

#[doc = include_str!("belt_and_road.md")]
pub mod belt_and_road {}

#[doc = include_str!("correcting_reports.md")]
pub mod correcting_reports {}

#[doc = include_str!("laboratory.md")]
pub mod laboratory {}

#[doc = include_str!("two_laboratories.md")]
pub mod two_laboratories {}

#[doc = include_str!("slides.md")]
pub mod slides {}

#[doc = include_str!("planning.md")]
pub mod planning {}

#[doc = include_str!("results.md")]
pub mod results {}

#[doc = include_str!("pitfalls.md")]
pub mod pitfalls {}

#[doc = include_str!("agreement.md")]
pub mod agreement {}

#[doc = include_str!("for_r_users.md")]
pub mod for_r_users {}

#[doc = include_str!("citing.md")]
pub mod citing {}
