//! One broken trial table per mistake, and some with many; the whole text of each error is kept as
//! a snapshot, with the table above it, and read as a test engineer would read it.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod alike;
mod built;
mod damaged;
mod header;
mod lines;
mod many;
mod quotes;
mod rows;
mod slips;
mod spreadsheets;
mod tiny;
#[cfg(feature = "spreadsheet")]
mod workbooks;

use surface_severity::Error;
use surface_severity::campaign::{Campaign, CampaignReader};

/// Compares the table and the error it gives with the snapshot `name`.
fn refused(name: &str, table: impl AsRef<[u8]>) {
    refused_by(&CampaignReader::new(), name, table);
}

fn refused_by(reader: &CampaignReader, name: &str, table: impl AsRef<[u8]>) {
    let table = table.as_ref();
    let error = reader.from_reader(table, "trials.csv").expect_err("this table is broken");
    let shown: String = String::from_utf8_lossy(table).chars().flat_map(visible).collect();
    snapshot(name, &format!("{}\n\n{error}", cut(&shown)));
    assert!(error.is_input(), "the user has to mend a table");
}

fn snapshot(name: &str, text: &str) {
    let mut settings = insta::Settings::clone_current();
    settings.set_omit_expression(true);
    settings.bind(|| insta::assert_snapshot!(name, text));
}

/// Control characters other than line feeds, written out, so that a snapshot shows them.
fn visible(c: char) -> Vec<char> {
    match c {
        '\n' => vec![c],
        c if c.is_control() || c == '\u{200b}' || c == '\u{feff}' => c.escape_default().collect(),
        c => vec![c],
    }
}

fn cut(shown: &str) -> String {
    let lines = shown.lines().map(|line| match line.char_indices().nth(300) {
        Some((end, _)) => format!("{}[...]", &line[..end]),
        None => line.to_string(),
    });
    lines.collect::<Vec<_>>().join("\n")
}

fn read(table: &str) -> Result<Campaign, Error> {
    Campaign::from_reader(table.as_bytes(), "trials.csv")
}

/// One test per broken table.
macro_rules! tables {
    ($($name:ident: $($table:expr),+ $(,)?;)*) => {
        $(#[test]
        fn $name() {
            crate::refused(stringify!($name), [$(AsRef::<[u8]>::as_ref($table)),+].concat());
        })*
    };
}
pub(crate) use tables;

/// The header of most tables here.
const HEAD: &str = "trial_id,surface,material,abrasion_time_s,outcome,note\n";
/// A good row under it.
const GOOD: &str = "T1,asphalt,cowhide,4.12,perforated,\n";

#[test]
fn the_good_row_is_good() {
    assert_eq!(read(&format!("{HEAD}{GOOD}")).unwrap().len(), 1);
}
