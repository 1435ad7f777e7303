//! The whole job with one policy: what is fitted by default, what falls back, what is said when it does.
//!
//! | | |
//! |---|---|
//! | in  | a checked [`Campaign`](crate::campaign::Campaign), laboratory reports if there are any, and a plan: [`Study`] |
//! | out | a [`StudyResult`]: the result of every stage, or why it could not be had ([`NotHad`]); [`Conclusions`] that everybody prints and nobody computes again; [`Files`] that are swapped in as a whole |
//!
//! # What is done
//! | stage | by | with |
//! |---|---|---|
//! | scale | [`Severity`](crate::severity::Severity) | the plan given: reference, distribution, level, and the shared conditions that the table records |
//! | trials to question | [`Screening`](crate::screening::Screening) | its defaults; robust factors and factors without the flagged trials among them |
//! | checks | [`Additivity`](crate::severity::Additivity), [`DistributionComparison`](crate::severity::DistributionComparison), [`EqualScatter`](crate::severity::EqualScatter) | the same plan; what another distribution and unequal scatter would change |
//! | belt and road | [`Equivalence`](crate::equivalence::Equivalence) | one for each laboratory surface |
//! | correction | [`Correction`](crate::correction::Correction) | each class with its own factor, partially pooled |
//! | reports | [`Correction::apply`](crate::correction::Correction::apply) | every report on every road |
//!
//! # The policy
//! - One number for one question: the belt's factor and every c come from one fit, with shared conditions in their limits.
//! - The limits that a reader of reports needs are those for one material; they stand beside those of the average.
//! - A class that departs is read with its own factor and named, with size, direction and adjusted p-value.
//! - Nothing is shown equivalent while recorded conditions can't be told from surfaces.
//! - Where the robust fit, the fit without flagged trials or with another distribution differs by more than a tenth, that
//!   is said first ([`Conclusions::first`]); where they agree, in one line ([`Sensitivity`]).
//! - Limits a factor of 20 apart are named, with what to test next.
//!
//! # When it refuses
//! Unknown surfaces, a design without a scale, options out of range. A stage that these trials are too few for is
//! listed with the reason, and the rest is given. Shared conditions whose search does not converge are left out of the
//! limits, which is said first.

mod around;
mod conclude;
mod conclusions;
mod files;
mod plan;
mod result;
mod sensitivity;
mod summary;
mod words;

pub use around::Texture;
pub use conclusions::{
    BeltConclusion, Caveat, ClassReading, Conclusions, ControlConclusion, DepartingClass, DomainConclusion,
    EquivalenceConclusion, NotShown, OneFactor, QuestionedTrial, RecordedRemark, ReportLimits, RoadConclusion,
    ScatterConclusion, ScatterOfCondition, TrialCounts,
};
pub use files::Files;
#[cfg(feature = "report")]
pub(crate) use files::numbered;
pub use plan::Study;
pub use result::{Belt, NotHad, Stage, StudyResult};
pub use sensitivity::{FactorChange, OtherDistribution, Sensitivity, SensitivityRow, Variant};
