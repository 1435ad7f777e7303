//! Tables of text with a header, as laboratories have them: one reader for trials and for reports.
//!
//! What can be meant in one way only is taken as meant, with a note: semicolons, tabs or bars between the fields; decimal
//! commas where commas do not separate and no number has a point; names of columns in capitals or with other punctuation;
//! rows and columns without a single entry. Anything else stops.

use std::borrow::Cow;
use std::collections::BTreeMap;

use csv::StringRecord;

use super::column::{excerpt, resemble};
use super::label::{normalise_label, trim_blanks};
use super::number::{Commas, commas_in};
use super::outcome::Outcome;
use super::problems::Problems;
use super::rows::Rows;
use crate::error::{Error, ErrorKind, Result};

/// What a kind of table is made of.
#[derive(Debug)]
pub(crate) struct Contract {
    /// Names of the columns, the required ones first; "outcome" is one of them.
    pub(crate) columns: &'static [&'static str],
    pub(crate) required: usize,
    /// Columns that hold decimal numbers.
    pub(crate) decimals: &'static [usize],
    /// What a row is, with its article, such as "a trial".
    pub(crate) row: &'static str,
    /// The column that a name means, where it is not one of the contract's.
    pub(crate) meant: fn(&str) -> Option<&'static str>,
}

impl Contract {
    fn noun(&self) -> &'static str {
        self.row.trim_start_matches("a ")
    }

    fn exact(&self, name: &str) -> Option<usize> {
        self.columns.iter().position(|c| *c == name)
    }

    fn resembling(&self, name: &str) -> Option<usize> {
        self.columns.iter().position(|c| resemble(c, name))
    }
}

/// What one column of a file is.
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub(crate) enum Kind {
    /// A column of the contract.
    Known(usize),
    /// Kept as text, or left out; its name is in [`Layout::names`].
    Other,
    /// Without a name and, so far, without an entry.
    Nameless,
}

/// The header of a table.
#[derive(Debug)]
pub(crate) struct Layout {
    contract: &'static Contract,
    line: u64,
    pub(crate) names: Vec<String>,
    pub(crate) kinds: Vec<Kind>,
    outcome: usize,
    separator: char,
    /// True where commas are decimal signs.
    pub(crate) decimal_commas: bool,
}

/// Reads the table in `bytes`, giving each row that has the shape of the header to `row`; faults go to `problems`.
///
/// # Errors
/// `Table` where the header cannot be used; `EmptyTable` without a header. Nothing else stops before the last row.
pub(crate) fn read(
    bytes: &[u8],
    contract: &'static Contract,
    limit: usize,
    mut problems: Problems,
    mut row: impl FnMut(&Layout, u64, &StringRecord, &mut Problems),
) -> Result<Problems> {
    #[cfg(feature = "spreadsheet")]
    if super::workbook::is_workbook(bytes) {
        return read_workbook(bytes, contract, limit, problems, row);
    }
    if let Some((found, expected)) = not_text(bytes) {
        problems.row(1, found, expected);
        return Err(problems.into_error(limit));
    }
    let text = decode(bytes.strip_prefix(b"\xef\xbb\xbf").unwrap_or(bytes), &mut problems);
    let mut text: &str = &text;
    let separator = match text.strip_prefix("sep=").map(str::as_bytes) {
        // A first line that some spreadsheets write. Its line stays as a blank one, so that lines keep their numbers.
        Some([separator @ (b',' | b';' | b'\t' | b'|'), b'\r' | b'\n', ..]) => {
            text = &text[5..];
            char::from(*separator)
        }
        _ => separator_of(text, contract),
    };
    let mut rows = Rows::new(text, separator);
    let header_line = match rows.next() {
        Some(Ok(line)) => line,
        Some(Err(fault)) => {
            problems.row(fault.line, &fault.text, fault.expected.as_str());
            return Err(problems.into_error(limit));
        }
        None => return Err(no_header(contract, &problems)),
    };
    let header = std::mem::take(&mut rows.record);
    let Some(mut layout) = Layout::read(contract, separator, header_line, &header, &mut problems) else {
        return Err(problems.into_error(limit));
    };
    if separator != ',' {
        problems.notes.table(format!("fields are separated by {}s", called(separator)));
        layout.decimal_commas = decimal_commas(&layout, text, &mut problems);
    }
    let mut some = false;
    while let Some(next) = rows.next() {
        match next {
            Ok(line) => {
                if layout.fits(line, &rows.record, &mut problems) {
                    some = true;
                    row(&layout, line, &rows.record, &mut problems);
                }
            }
            Err(fault) => match layout.names.get(fault.field) {
                Some(name) => problems.other(fault.line, name, &fault.text, fault.expected.as_str()),
                None => problems.row(fault.line, &fault.text, fault.expected.as_str()),
            },
        }
    }
    layout.finish(some, problems)
}

/// The same from a workbook: the one sheet whose first row is the header of such a table, or else the first sheet.
#[cfg(feature = "spreadsheet")]
fn read_workbook(
    bytes: &[u8],
    contract: &'static Contract,
    limit: usize,
    mut problems: Problems,
    mut row: impl FnMut(&Layout, u64, &StringRecord, &mut Problems),
) -> Result<Problems> {
    let sheets = match super::workbook::sheets(bytes) {
        Ok(sheets) => sheets,
        Err(reason) => {
            problems.row(1, "a spreadsheet workbook", format!("one that can be read ({reason})"));
            return Err(problems.into_error(limit));
        }
    };
    let has_all = |header: &StringRecord| {
        contract.columns[..contract.required].iter().all(|c| header.iter().any(|name| resemble(c, name)))
    };
    let fit: Vec<usize> =
        (0..sheets.len()).filter(|i| sheets[*i].rows.first().is_some_and(|(_, header)| has_all(header))).collect();
    let called = |i: &usize| format!("{:?}", sheets[*i].name);
    if fit.len() > 1 {
        let names: Vec<String> = fit.iter().map(called).collect();
        problems.row(
            1,
            &format!("sheets {}", names.join(", ")),
            format!("one sheet with the table of {}s", contract.noun()),
        );
        return Err(problems.into_error(limit));
    }
    let chosen = fit.first().copied().unwrap_or(0);
    let others: Vec<String> = (0..sheets.len()).filter(|i| *i != chosen).map(|i| called(&i)).collect();
    if !others.is_empty() {
        problems.notes.table(format!("sheet {} is read, not {}", called(&chosen), others.join(", ")));
    }
    let mut rows = sheets.get(chosen).map_or(&[][..], |sheet| &sheet.rows).iter();
    let Some((header_line, header)) = rows.next() else { return Err(no_header(contract, &problems)) };
    let Some(layout) = Layout::read(contract, ',', *header_line, header, &mut problems) else {
        return Err(problems.into_error(limit));
    };
    let mut some = false;
    for (line, record) in rows {
        if layout.fits(*line, record, &mut problems) {
            some = true;
            row(&layout, *line, record, &mut problems);
        }
    }
    layout.finish(some, problems)
}

fn no_header(contract: &Contract, problems: &Problems) -> Error {
    let reason = format!(
        "the file is empty; expected a header row such as {} and a row for each {}",
        contract.columns[..contract.required].join(","),
        contract.noun()
    );
    ErrorKind::EmptyTable { file: problems.file().into(), reason }.into()
}

/// What a file is that is not text at all, and what to do about it.
fn not_text(bytes: &[u8]) -> Option<(&'static str, &'static str)> {
    let zeros = || bytes.iter().take(200).filter(|b| **b == 0).count();
    match bytes {
        [0xff, 0xfe, ..] | [0xfe, 0xff, ..] => {
            Some(("UTF-16 text", "UTF-8 text; save the table as comma-separated values in UTF-8"))
        }
        [b'P', b'K', 3, 4, ..] | [0xd0, 0xcf, 0x11, 0xe0, ..] => Some((
            "a spreadsheet workbook or archive",
            "comma-separated text; save the sheet as comma-separated values in UTF-8",
        )),
        [0x1f, 0x8b, ..] => Some(("compressed data", "comma-separated text; unpack the file first")),
        _ if zeros() > 20 => {
            Some(("UTF-16 text or no text at all", "UTF-8 text; save the table as comma-separated values in UTF-8"))
        }
        _ => None,
    }
}

/// The text of a file. One that is not UTF-8 is one problem, and is then read as Windows-1252, so that the other problems
/// come in the same round.
fn decode<'b>(bytes: &'b [u8], problems: &mut Problems) -> Cow<'b, str> {
    let valid = match std::str::from_utf8(bytes) {
        Ok(text) => return Cow::Borrowed(text),
        Err(error) => error.valid_up_to(),
    };
    let text: String = bytes.iter().map(|b| windows_1252(*b)).collect();
    let bad = bytes.split(|b| *b == b'\n').filter(|line| std::str::from_utf8(line).is_err()).count();
    // Bytes and characters correspond here.
    let before: String = text.chars().take(valid).collect();
    let line = before.matches('\n').count() + before.replace("\r\n", "\n").matches('\r').count();
    let start = before.rfind(['\n', '\r']).map_or(0, |i| i + 1);
    let found = text[start..].lines().next().unwrap_or_default();
    let lines = if bad == 1 { "one line is".into() } else { format!("{bad} lines are") };
    let expected = format!(
        "text in UTF-8; {lines} not, so the table is probably Windows-1252 or Latin-1, as which it is shown here (save it as comma-separated values in UTF-8, which spreadsheets call \"CSV UTF-8\")"
    );
    problems.row(u64::try_from(line).unwrap_or(u64::MAX).saturating_add(1), found, expected);
    Cow::Owned(text)
}

/// A character of Windows-1252; the five bytes that it leaves open become a question mark.
fn windows_1252(byte: u8) -> char {
    const HIGH: [char; 32] = [
        '€', '?', '‚', 'ƒ', '„', '…', '†', '‡', 'ˆ', '‰', 'Š', '‹', 'Œ', '?', 'Ž', '?', '?', '‘', '’', '“', '”', '•',
        '–', '—', '˜', '™', 'š', '›', 'œ', '?', 'ž', 'Ÿ',
    ];
    match byte {
        0x80..=0x9f => HIGH[usize::from(byte - 0x80)],
        _ => char::from(byte),
    }
}

/// The separator under which most columns of the contract are found in the first line; a comma where none is better.
fn separator_of(text: &str, contract: &Contract) -> char {
    let header = text.split(['\n', '\r']).find(|line| !line.trim().is_empty()).unwrap_or_default();
    let found = |separator: char| {
        let names = header.split(separator).map(|name| name.trim().trim_matches('"'));
        names.filter(|name| contract.resembling(name).is_some()).count()
    };
    let mut best = (found(','), ',');
    for separator in [';', '\t', '|'] {
        let count = found(separator);
        if count > best.0 {
            best = (count, separator);
        }
    }
    best.1
}

fn called(separator: char) -> &'static str {
    match separator {
        ';' => "semicolon",
        '\t' => "tab",
        '|' => "bar",
        _ => "comma",
    }
}

/// Whether commas are decimal signs in a table that they do not separate: some number says so and none has a point. Numbers
/// of both kinds are one problem.
fn decimal_commas(layout: &Layout, text: &str, problems: &mut Problems) -> bool {
    let decimal: Vec<bool> = layout
        .kinds
        .iter()
        .map(|kind| matches!(kind, Kind::Known(c) if layout.contract.decimals.contains(c)))
        .collect();
    let mut rows = Rows::new(text, layout.separator);
    let (mut commas, mut points, mut sure, mut header) = (0_u64, 0_u64, false, true);
    let mut first_point = None;
    while let Some(row) = rows.next() {
        let Ok(line) = row else { continue };
        if std::mem::take(&mut header) || rows.record.len() != decimal.len() {
            continue;
        }
        for (i, field) in rows.record.iter().enumerate().filter(|(i, _)| decimal[*i]) {
            match commas_in(trim_blanks(field)) {
                Commas::Point => {
                    points += 1;
                    first_point.get_or_insert_with(|| (line, i, trim_blanks(field).to_owned()));
                }
                Commas::Decimal => (commas, sure) = (commas + 1, true),
                Commas::Either => commas += 1,
                Commas::None => {}
            }
        }
    }
    match first_point {
        None if sure => {
            problems.notes.table(format!("decimal commas are read as decimal points (numbers with one: {commas})"));
        }
        Some((line, i, found)) if sure => {
            let expected = format!(
                "one decimal sign in the whole table (numbers with a comma: {commas}; with a point: {points}, this the first)"
            );
            problems.other(line, &layout.names[i], &found, expected);
        }
        _ => {}
    }
    sure
}

impl Layout {
    /// The header, or nothing after reporting what is wrong with it.
    pub(crate) fn read(
        contract: &'static Contract,
        separator: char,
        line: u64,
        record: &StringRecord,
        problems: &mut Problems,
    ) -> Option<Self> {
        let before = problems.len();
        let mut names: Vec<String> = Vec::with_capacity(record.len());
        let mut refused = Vec::with_capacity(record.len());
        for field in record {
            let mut name = field.to_owned();
            refused.push(normalise_label(&mut name));
            names.push(name);
        }
        let mut kinds = vec![Kind::Other; names.len()];
        let mut columns: BTreeMap<usize, usize> = BTreeMap::new(); // of the contract, to places in the file
        let mut first_places: BTreeMap<&str, usize> = BTreeMap::new();
        for (i, name) in names.iter().enumerate() {
            if name.is_empty() {
                kinds[i] = Kind::Nameless;
            } else if let Some(first) = first_places.get(name.as_str()) {
                let expected = format!("different column names; columns {} and {} have the same one", first + 1, i + 1);
                problems.header(line, &excerpt(name), excerpt(name), expected);
            } else {
                first_places.insert(name, i);
                if let Some(column) = contract.exact(name) {
                    kinds[i] = Kind::Known(column);
                    columns.insert(column, i);
                }
            }
        }
        for (i, name) in names.iter().enumerate() {
            if kinds[i] != Kind::Other || first_places.get(name.as_str()) != Some(&i) {
                continue;
            }
            if let Some(column) = contract.resembling(name) {
                let known = contract.columns[column];
                if let Some(other) = columns.get(&column) {
                    let expected = format!("a name that cannot be mistaken for {known}, which is column {}", other + 1);
                    problems.header(line, &excerpt(name), excerpt(name), expected);
                } else {
                    kinds[i] = Kind::Known(column);
                    columns.insert(column, i);
                    problems.notes.table(format!("column {name:?} is read as {known}"));
                }
            } else if let Some(expected) = refused[i].take() {
                problems.header(line, &excerpt(name), excerpt(name), expected);
            }
        }
        let found = names.iter().map(|name| excerpt(name)).collect::<Vec<_>>().join(", ");
        for (column, name) in contract.columns[..contract.required].iter().enumerate() {
            if columns.contains_key(&column) {
                continue;
            }
            let mut expected = "a column of this name in the header".to_string();
            if let Some(other) = names.iter().find(|other| (contract.meant)(other) == Some(*name)) {
                expected = format!("{expected}; rename {other:?} if it is that");
            }
            problems.header(line, name, excerpt_list(&found), expected);
        }
        let outcome = contract.exact("outcome").and_then(|column| columns.get(&column).copied())?;
        (problems.len() == before).then_some(Self {
            contract,
            line,
            names,
            kinds,
            outcome,
            separator,
            decimal_commas: false,
        })
    }

    /// The problems and notes of a table that is read to its end; `some` where it had a row.
    fn finish(&self, some: bool, mut problems: Problems) -> Result<Problems> {
        if self.kinds.contains(&Kind::Nameless) {
            problems.notes.table("a column without a name and without an entry is left out");
        }
        if !some && problems.is_empty() {
            let reason = format!("there are no {}s under the header on line {}", self.contract.noun(), self.line);
            return Err(ErrorKind::EmptyTable { file: problems.file().into(), reason }.into());
        }
        Ok(problems)
    }

    /// Whether the row can be read by this header; else it is a problem, or a note where it is empty.
    pub(crate) fn fits(&self, line: u64, record: &StringRecord, problems: &mut Problems) -> bool {
        let whole = || {
            let fields: Vec<_> = record.iter().map(trim_blanks).collect();
            fields.join(&self.separator.to_string())
        };
        if record.iter().all(|field| field.trim().is_empty()) {
            problems.notes.line("a row of empty fields is left out", line);
            return false;
        }
        if record.len() != self.names.len() {
            problems.row(line, &whole(), self.refuse_shape(record));
            return false;
        }
        if record.iter().zip(&self.names).all(|(field, name)| trim_blanks(field) == name) {
            problems.row(line, &whole(), format!("{}; this row repeats the header", self.contract.row));
            return false;
        }
        for (i, (field, kind)) in record.iter().zip(&self.kinds).enumerate() {
            if *kind == Kind::Nameless && !field.trim().is_empty() {
                let place = format!("{}", i + 1);
                let expected = format!("a name for this column in the header on line {}, or nothing in it", self.line);
                problems.other(line, &place, trim_blanks(field), expected);
            }
        }
        true
    }

    /// What was expected of a row with too many or too few fields.
    fn refuse_shape(&self, record: &StringRecord) -> String {
        let (expected, found) = (self.names.len(), record.len());
        let base = format!("{expected} fields as in the header, not {found}");
        if found < expected {
            return format!("{base}; the row ends before {}", self.names.get(found).map_or("", String::as_str));
        }
        let separator = called(self.separator);
        let fields: Vec<&str> = record.iter().map(trim_blanks).collect();
        let number = |field: &str| !field.is_empty() && field.bytes().all(|b| b.is_ascii_digit());
        let split = fields.windows(2).find(|pair| number(pair[0]) && number(pair[1]));
        if let (Some(pair), ',') = (split, self.separator) {
            return format!("{base}; write a decimal point, not a comma, if {}.{} is meant", pair[0], pair[1]);
        }
        let in_place = fields.get(self.outcome).is_some_and(|text| outcome(text).is_some());
        if in_place && fields[expected..].iter().all(|field| field.is_empty()) {
            return format!("{base}; remove the {separator}s at the end");
        }
        let whither = if in_place { "" } else { " (it stands before the outcome)" };
        format!("{base}; put text that has a {separator} in it between quotation marks{whither}")
    }

    /// The text of a column of the contract in a row; empty where the table does not have it.
    pub(crate) fn field<'r>(&self, record: &'r StringRecord, column: usize) -> &'r str {
        let place = self.kinds.iter().position(|kind| *kind == Kind::Known(column));
        place.and_then(|place| record.get(place)).map_or("", trim_blanks)
    }

    /// Names of the columns that are not in the contract.
    pub(crate) fn other_columns(&self) -> Vec<String> {
        let others = self.names.iter().zip(&self.kinds).filter(|(_, kind)| **kind == Kind::Other);
        others.map(|(name, _)| name.clone()).collect()
    }

    /// The outcome of a row.
    pub(crate) fn outcome(&self, record: &StringRecord) -> Option<Outcome> {
        record.get(self.outcome).and_then(outcome)
    }
}

/// The outcome that a text means: capitals and punctuation do not matter.
pub(crate) fn outcome(text: &str) -> Option<Outcome> {
    Outcome::ALL.into_iter().find(|o| resemble(o.as_str(), text))
}

/// The list of columns in full, unless it is absurd.
fn excerpt_list(list: &str) -> String {
    const SHOWN: usize = 2000;
    if list.chars().count() <= SHOWN {
        return list.into();
    }
    list.chars().take(SHOWN).chain("...".chars()).collect()
}
