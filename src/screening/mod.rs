//! Which trials stand out, by which test, and what the answer is worth without them.
//!
//! | | |
//! |---|---|
//! | in  | a checked [`Campaign`](crate::campaign::Campaign), a plan ([`Screening`]), and the [`Severity`](crate::severity::Severity) plan whose factors matter |
//! | out | a [`ScreeningReport`]: one [`Verdict`] per trial with every test that spoke, and each surface factor with and without the flagged trials |
//!
//! Nothing is removed. A flag is a question to whoever ran the drop, not an answer.
//!
//! # Rules
//! On what was recorded, see [`Rules`]: speed, drop height, force and temperature off nominal; exact
//! times below the time resolution; runs that ended early; times impossibly short against their cell.
//!
//! # Statistics
//! On log times, which are taken as normal about the mean of their cell (one material on one
//! surface) with one scatter σ for the whole campaign.
//!
//! | test | looks at | flags | source |
//! |---|---|---|---|
//! | [`Test::DeletionResidual`] | a trial against its cell's other trials, scatter of all cells | adjusted p ≤ 5 % | Cook & Weisberg 1982 |
//! | [`Test::MedianDeviation`] | a trial against its cell's median, pooled MAD | above 3.5 | Iglewicz & Hoaglin 1993; Croux & Rousseeuw 1992 |
//! | [`Test::Grubbs`] | the most extreme time of a cell, scatter of that cell alone | adjusted p ≤ 5 %, four or more | Grubbs 1969 |
//!
//! p-values are adjusted with Holm's method within each test over all trials (Grubbs: cells) of the
//! campaign that it could look at. A test whose own p-value is below 1 % is listed as a remark even
//! if it does not flag.
//!
//! # Censoring
//! A run-out says "at least this long". It is compared through its bound and can only ever be too
//! long; a contact opening only too short. Neither is remarkable for being censored. Grubbs' test
//! needs exact times and is not applied in cells that hold others; a note counts them.
//!
//! # When it refuses
//! An option outside its range; a severity plan that cannot be fitted on all trials.
//!
//! # When it answers but warns
//! [`ScreeningNote`]: cells of three, in which Grubbs' test has no power; pairs that disagree;
//! trials that nothing can be compared with; conditions that were not recorded.

mod battery;
mod deletion;
mod dixon;
mod document;
mod esd;
mod grubbs;
mod headline;
mod holm;
mod influence;
mod mad;
mod plan;
mod precision;
mod rules;
mod verdict;

pub use dixon::{Dixon, dixon, dixon_critical_value};
pub use document::{ScreeningDocument, ScreeningOptions};
pub use esd::{Esd, EsdStep, generalised_esd};
pub use grubbs::{Grubbs, GrubbsPair, Side, grubbs, grubbs_critical_value, grubbs_pair};
pub use headline::HeadlineFactor;
pub use holm::holm;
pub use influence::{InfluenceRow, InfluenceTable, LeftOut, influence};
pub use mad::{mad, mad_factor, median};
pub use plan::{Screening, ScreeningNote, ScreeningReport};
pub use precision::{
    GroupStatistics, Precision, cochran_critical_value, mandel_h_critical_value, mandel_k_critical_value, precision,
};
pub use rules::{Condition, Rules, Tolerance};
pub use verdict::{Evidence, FactorWithout, GroupKind, GroupVerdict, Test, Verdict};

pub use crate::campaign::{Action, Decision, Decisions};
