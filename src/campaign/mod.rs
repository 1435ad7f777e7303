//! The trial table: typed, checked as a whole, and identified by a digest.
//!
//! | | |
//! |---|---|
//! | in  | trials.csv ([`Campaign::read_path`], [`CampaignReader`] with options), trials built in code ([`Campaign::from_trials`], [`CampaignBuilder`]), or a campaign document through serde |
//! | out | a [`Campaign`]: every row kept, every label indexed, nothing dropped; back to CSV ([`Campaign::to_csv`]) or a document |
//!
//! # The table
//! UTF-8, commas, a header row; columns in any order; a byte-order mark, CRLF or LF, quoted fields,
//! blanks around fields and blank lines are fine. What a spreadsheet makes of it is taken where it can mean one thing only,
//! and listed by [`Campaign::reading_notes`]: semicolons, tabs or bars between the fields; decimal commas, where no number
//! of the table has a point and some comma cannot be one of thousands (`4,23`; but `1,234` alone stops); columns, outcomes
//! and roles in capitals or with other punctuation (`Day`, `Abrasion time (s)`, `Run-out`); rows of empty fields, and
//! columns without a name and without an entry.
//!
//! | column | required | values |
//! |---|---|---|
//! | `trial_id` | yes | text, unique |
//! | `surface`, `material` | yes | text |
//! | `abrasion_time_s` | unless `void` | seconds, 0.0001 to 100 000: exact where `perforated`, the run length where `run_out`, the time resolution where `opened_at_contact` |
//! | `outcome` | yes | `perforated`, `run_out`, `opened_at_contact`, `void` |
//! | `material_class` | no | text; one class per material |
//! | `surface_role` | no | `road`, `laboratory`; one role per surface ([`CampaignReader::laboratory_surface`] may give it instead) |
//! | `day`, `run`, `belt`, `laboratory` | no | text labels of groups |
//! | `belt_drop` | no | drops since the belt was mounted, zero or more, 0 for the first; blank on roads |
//! | `speed_m_per_s`, `normal_force_n`, `specimen_mass_g_per_m2`, `thickness_mm` | no | positive |
//! | `drop_height_mm` | no | zero or more |
//! | `temperature_c` | no | any number |
//! | `layers` | no | whole number, 1 or more |
//! | `note` | where `void` | text; the reason |
//!
//! With the feature `spreadsheet` the table may be a sheet of an .xlsx, .ods or .xls workbook: the one whose first row has
//! the required columns. Lines are then rows of the sheet.
//!
//! A number is decimal digits with a point; an exponent is allowed. Labels have at most 200 visible
//! characters on one line, notes and covariates at most 10 000 and may have line breaks, as long as they cannot be taken
//! for rows of the table: fewer commas than the header, no outcome between commas. A quotation mark stands at the two
//! ends of a field or, written twice, inside one. Columns that are not in this list are kept as text covariates, never
//! fitted; [`Campaign::unused_columns`] lists them, with the column of this list that their name suggests.
//!
//! # Labels
//! Labels are put into Unicode normal form C, trimmed, and have one blank between words, whatever kind of blank was typed.
//! Two labels of one column (surface, material, class, day, run, belt, laboratory) that still differ in nothing but capitals,
//! punctuation, hyphens and dashes, blanks or leading zeros (`Belt` and `belt`, `3.6.2026` and `03.6.2026`) are an error
//! that names both, how often each stands and where first: as two surfaces or days they would change every result without
//! a word. Who means two different things has to name them differently.
//!
//! # Units
//! [`unit_slips`] asks about groups of trials whose times are some 1000 or 60 times what the rest of the table lets expect.
//!
//! # What is made of it
//! Empty optional fields are absent. A class or role given in
//! one row holds for all rows of its material or surface. Surfaces and materials are sorted by name.
//! [`Campaign::trials`] keeps the order of the input; every computation uses
//! [`Campaign::canonical_order`] (sorted by trial id), so that permuting the rows of a table changes
//! no bit of any result.
//!
//! # What can go wrong
//! [`ErrorKind::Table`](crate::ErrorKind::Table): all bad fields of all bad rows at once, in row
//! order, each a [`Problem`](crate::Problem) with file, 1-based line of the file, column, offending
//! text and what was expected. More than three of one kind in one column are one entry with their number and lines. An
//! error lists 50 entries unless told otherwise and counts all problems. A bad header stops there, since the rows below it
//! could not be understood. A quotation mark that is never closed, or is closed by the next one in the file, is an error,
//! because the rows between would vanish into one field; reading goes on with the next line. A file that is not UTF-8 is one
//! problem, with the line where it begins; the rest of it is looked at as Windows-1252.
//! [`ErrorKind::EmptyTable`](crate::ErrorKind::EmptyTable): no header, or no trials.
//! [`ErrorKind::UnknownSurface`](crate::ErrorKind::UnknownSurface): a laboratory surface was named
//! that no trial has.
//!
//! # Digest
//! [`Campaign::digest`] is the SHA-256 of these bytes, UTF-8:
//!
//! ```text
//! surface-severity/trial-table/1 LF
//! <number of trials> LF
//! then for each trial, sorted by the bytes of trial_id:
//!   the 18 columns in the order trial_id, surface, material, abrasion_time_s, outcome,
//!     material_class, surface_role, day, run, belt, speed_m_per_s, drop_height_mm, temperature_c,
//!     normal_force_n, specimen_mass_g_per_m2, thickness_mm, layers, note, each either
//!       <length in bytes>:<bytes>,      or   -   where absent
//!   <number of covariates>:
//!   for each covariate that has text, and for `belt_drop` (a decimal number) and `laboratory`, sorted by the bytes of its
//!     column name:
//!       <length>:<name>,<length>:<text>,
//!   LF
//! ```
//!
//! Decimal numbers are written as the shortest digits that read back as the same double, in the
//! form `2.31e0`, `8e-1`, `-5e0` (so 2.50 and 2.5 are one value); layers in plain digits; line
//! breaks inside notes as LF; roles and classes as they hold for the whole campaign.
//!
//! # Decisions
//! [`Campaign::with_decisions`] sets single trials aside, with reasons: they stay in the table and
//! are not fitted. The digest is then the SHA-256 of
//!
//! ```text
//! surface-severity/decisions/1 LF
//! <digest of the table> LF
//! then for each decision, sorted by trial_id:  trial_id, "set_aside", reason, decided_by, each
//!       <length in bytes>:<bytes>,      then   LF
//! ```
//!
//! # Sources
//! CSV quoting: RFC 4180 (Shafranovich 2005), section 2. Length-prefixed fields: netstrings
//! (Bernstein 1997). SHA-256: FIPS 180-4.

#[cfg(feature = "arrow")]
mod arrow;
mod builder;
mod check;
mod column;
mod decision;
mod digest;
mod label;
mod number;
mod outcome;
mod problems;
mod read;
mod rows;
mod saved;
mod sheet;
mod slip;
mod table;
mod trial;
mod unused;
#[cfg(feature = "spreadsheet")]
mod workbook;
mod write;

pub use builder::CampaignBuilder;
pub(crate) use column::refuse_time;
pub use decision::{Action, Decision, Decisions};
pub(crate) use label::{Spellings, looks, normalise_label};
pub(crate) use number::{Quantity, decimal, whole};
pub use outcome::{Outcome, SurfaceRole};
pub(crate) use problems::{PROBLEM_LIMIT, Problems, Refusal};
pub use read::CampaignReader;
pub(crate) use sheet::{Contract, Layout, read as read_sheet};
pub use slip::{UnitSlip, unit_slips};
pub use table::{Campaign, Material, Surface};
pub(crate) use table::{FittedTrial, Resample};
pub use trial::Trial;
pub use unused::UnusedColumn;
