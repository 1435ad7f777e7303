//! The machines over time and against others: control charts of the reference cloth, agreement of two laboratories, seasons, texture.
//!
//! | | |
//! |---|---|
//! | in  | readings of the reference cloth, one after the other; two results with their standard errors; severity fits of two campaigns |
//! | out | a [`ControlChart`] with the rules that spoke at each point; an [`Agreement`]; a [`SurfaceChange`] for each surface, a [`JoinedScale`] or [`pooled`] factors; a [`TextureLine`] for roads never driven |
//!
//! Wear of a belt is a covariate of the severity fit ([`Covariate::belt_wear`](crate::severity::Covariate::belt_wear)), a
//! laboratory one of its groupings ([`Grouping::Laboratory`](crate::severity::Grouping::Laboratory)): nothing here is a second
//! model of them. Everything works on log time, so that differences are ratios of times.
//!
//! # When it refuses
//! Fewer than four points in the base period of a chart, or none after it; points that do not differ; standard errors that
//! are not positive; scales of unlike references, without a common surface, or of which every surface changed.
//!
//! # Sources
//! NIST/SEMATECH e-Handbook of Statistical Methods, 6.3.2 (charts); Hahn & Meeker 1991, Statistical Intervals, section 4.7
//! (limits from few base points); ISO 5725-6:1994, 4.2 (critical differences); ISO/IEC 17043 and ISO 13528:2015 (E_n and ζ
//! scores, Algorithm A).

mod agreement;
mod chart;
mod season;
mod subgroups;
mod texture;

pub use agreement::{Agreement, Consensus, Reproducibility};
pub use chart::{Chart, ChartPoint, ControlChart, Signal};
pub use season::{JoinedFactor, JoinedScale, PooledFactor, Seasons, SurfaceChange, changes, pooled};
pub use subgroups::{SubgroupPoint, SubgroupScatter};
pub use texture::TextureLine;
