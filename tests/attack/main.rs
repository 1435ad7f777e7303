//! The crate under attack: campaigns that no engineer would plan, and documents edited by somebody who seals them again.
//! Nothing may panic, no text may hold an infinity, and whatever is accepted can be written and read once more.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod campaigns;
mod documents;
mod numbers;
