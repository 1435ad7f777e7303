//! Which trials stand out, by which test, and what the answer is worth without them.
//!
//! | | |
//! |---|---|
//! | in  | a checked [`Campaign`](crate::campaign::Campaign), a plan ([`Screening`]), and the [`Severity`](crate::severity::Severity) plan whose factors matter |
//! | out | a [`ScreeningReport`]: one [`Verdict`] per trial with every test that spoke, and each surface factor on all trials, robustly, without the flagged trials, and as decided |
//!
//! Nothing is removed. A flag is a question to whoever ran the drop, not an answer. The answer is a
//! [`Decision`] with a reason and an author ([`Campaign::with_decisions`](crate::campaign::Campaign::with_decisions)):
//! the trial stays in the table, is not fitted, and is named in every later document.
//!
//! ```
//! use surface_severity::campaign::{Campaign, Decisions};
//! use surface_severity::screening::Screening;
//! use surface_severity::severity::Severity;
//! let campaign = Campaign::read_path("data-demo/trials.csv")?;
//! let plan = Severity::new("dense asphalt concrete");
//! let report = Screening::default().screen(&campaign, &plan)?;
//! let flagged: Vec<&str> = report.flagged().map(|v| v.trial_id.as_str()).collect();
//! assert_eq!(flagged, ["L-0068", "R-0030", "R-0077", "R-0083", "R-0134", "R-0209"]); // README of data-demo
//! let decided = campaign.with_decisions(&Decisions::new().set_aside("R-0030", "stop wire broke late", "J."))?;
//! let fit = plan.fit(&decided)?;
//! assert!(fit.notes().iter().any(|n| n.to_string().contains("stop wire broke late")));
//! # Ok::<(), surface_severity::Error>(())
//! ```
//!
//! # Rules
//! On what was recorded, see [`Rules`]: speed, drop height, force and temperature off nominal; exact
//! times below the time resolution; runs that ended early (a remark: the bound stays valid); times
//! impossibly short against their cell.
//!
//! # Statistics
//! On log times, which are taken as normal about the mean of their cell (one material on one
//! surface) with one scatter σ for the whole campaign; where the plan says Weibull or log-logistic, on their normal scores
//! (quantile residuals, Dunn & Smyth 1996). Recorded numbers that act on times, such as wear of the belt, are taken off
//! first.
//!
//! | test | looks at | source |
//! |---|---|---|
//! | [`Test::DeletionResidual`] | a trial against its cell's other trials, scatter of all cells | Cook & Weisberg 1982 |
//! | [`Test::GeneralisedEsd`] | the same, the most extreme trial removed again and again: outliers that hide each other | Rosner 1983 |
//! | [`Test::MedianDeviation`] | a trial against its cell's median, pooled MAD | Iglewicz & Hoaglin 1993; Croux & Rousseeuw 1992 |
//! | [`Test::RobustResidual`] | a trial against the robust severity fit; a remark, never a flag | |
//! | [`Test::Cochran`], [`Test::MandelH`] | scatter of a cell, scatter and level of a day or belt; listed by group | ISO 5725-2 |
//!
//! # Significance
//! p-values are adjusted with Holm's method within each test over all trials (or cells) of the
//! campaign that it could look at, and multiplied by the number of tests that can flag, three. A trial is flagged at 5 % after that: the chance that a campaign without any gross error
//! has a single flag. A test whose own p-value is below 1 % is listed as a remark even if it does not
//! flag. In a cell of two, nothing within the cell says which trial is at fault; both are flagged
//! unless the robust fit points to one. In a cell whose *majority* lies off what the campaign
//! predicts, the tests within the cell would blame the minority: those flags are withdrawn and the
//! cell is listed. So are those of trials beside others that look as if written in another unit of time
//! ([`unit_slips`](crate::campaign::unit_slips)).
//!
//! That holds where the plan's distribution is that of the times. Of 1000 clean campaigns (8 materials × 5 surfaces × 5
//! specimens; `cargo run --release --example screening_study -- 1000 clean`; ± Monte Carlo standard error) so many had a flag
//! all the same:
//!
#![doc = include_str!("clean.md")]
//!
//! So where another distribution describes the times better, screen with a plan of that one before a trial is accused.
//!
//! # How much is found
//! Simulated campaigns, gross errors planted alone, in pairs of one cell or in threes of one cell, in either direction
//! (written by `cargo run --release --example screening_study -- 300`, seeded; ± Monte Carlo standard error). The last three
//! columns of the first tables are the root mean square error of a surface factor. Efficiency: squared error of the classical
//! fit over that of the method. With run-outs fewer errors are
//! found: a time too long by a factor of 3.5 often ends as a run-out, which is no surprise.
#![doc = include_str!("study.md")]
//!
//! # What that means
//! Student t with estimated degrees of freedom, the robust fit of censored campaigns, has the smallest error under many gross
//! errors, and intervals that are short (91 to 92 % for 95 %); with 4 degrees of freedom they cover 92 to 98 %.
//!
//! Where three of five trials of a cell are wrong alike, no test can find them by comparing trials of
//! that cell; up to a tenth of such errors the robust factors still hold. At a fifth they do not
//! either. Where the robust factors and those without the flagged trials disagree, look at the
//! cells that [`ScreeningReport::groups`] lists.
//!
//! # Censoring
//! A run-out says "at least this long". It is compared through its bound and can only ever be too
//! long; a contact opening only too short. Neither is remarkable for being censored. Generalised
//! ESD and Cochran need exact times and are not applied in cells that hold others; a note
//! counts them. Deletion residuals, median deviations, robust residuals (Student-t errors) and
//! influence take censored trials.
//!
//! # Influence
//! Every trial, material, day and cell is left out in turn and everything is fitted again: the change of each
//! surface factor, per cent ([`influence`](fn@influence)). The report ranks the ten that change a factor most, and each
//! verdict says what the factors become without the trial.
//!
//! # When it refuses
//! An option outside its range; a severity plan that cannot be fitted on all trials.
//!
//! # When it answers but warns
//! [`ScreeningNote`]: pairs that disagree;
//! trials that nothing can be compared with; conditions that were not recorded; no robust fit.

mod battery;
mod deletion;
mod document;
mod esd;
mod headline;
mod influence;
mod mad;
mod plan;
mod precision;
mod rules;
mod scores;
mod verdict;

pub use document::{ScreeningDocument, ScreeningOptions};
pub use esd::{Esd, EsdStep, generalised_esd};
pub use headline::HeadlineFactor;
pub use influence::{InfluenceRow, InfluenceTable, LeftOut, influence};
pub use mad::{mad, mad_factor, median};
pub use plan::{Screening, ScreeningNote, ScreeningReport};
pub use precision::{
    GroupStatistics, Precision, cochran_critical_value, mandel_h_critical_value, mandel_k_critical_value, precision,
};
pub use rules::{Condition, Rules, Tolerance};
pub use verdict::{Evidence, FactorWithout, GroupKind, GroupVerdict, Test, Verdict};

pub use crate::campaign::{Action, Decision, Decisions};
