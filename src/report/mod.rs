//! Pictures and the page: what the other rooms found, for people.
//!
//! | | |
//! |---|---|
//! | in  | a [`StudyResult`](crate::study::StudyResult); for single pictures any result |
//! | out | [`Plot`]s (SVG text), a [`Page`] (one HTML file that needs nothing else), a [`CorrectionSheet`] for each laboratory surface, all [`files`] of a study |
//!
//! Page and sheet print the study's conclusions and compute none.
//!
//! # Conventions
//! The same results give the same bytes. Nothing is read from the clock, the network or a font file:
//! text widths are estimated on the wide side, so that labels stay within their margins with any
//! sans-serif font. Times and factors are drawn on logarithmic axes with ticks at 1, 2, 5.
//! A picture brings its own white background and therefore reads on light and on dark; its colours are
//! the palette of Okabe and Ito (2008), and shape or wording says everything that colour says. Every
//! picture has a title, a description for screen readers and a caption that tells the method.
//! Names from the user's table are escaped.
//!
//! Large campaigns are spread over several pictures ([`plots::abrasion_times`]); where a picture shows
//! a selection, its caption says so.
//!
//! # What can go wrong
//! An unusable width or id: [`ErrorKind::InvalidOption`](crate::ErrorKind::InvalidOption).
//!
//! # Sources
//! Okabe, Ito, Color universal design, 2008 (palette).

mod answers;
mod axis;
mod canvas;
mod html;
mod methods;
mod notebook;
mod page;
pub mod plots;
mod sheet;

pub use page::{Page, files};
pub use plots::{Plot, PlotOptions};
pub use sheet::CorrectionSheet;
