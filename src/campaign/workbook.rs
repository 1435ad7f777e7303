//! Sheets of .xlsx, .ods and .xls workbooks as rows of text (feature `spreadsheet`).

use std::io::Cursor;
use std::panic::{AssertUnwindSafe, catch_unwind};

use calamine::{Data, Reader, open_workbook_auto_from_rs};
use csv::StringRecord;

use super::column::shortest;

/// A sheet that is not empty.
pub(super) struct Sheet {
    pub(super) name: String,
    /// The rows that are not blank, each with its number in the sheet.
    pub(super) rows: Vec<(u64, StringRecord)>,
}

/// True for files that begin as workbooks do.
pub(super) fn is_workbook(bytes: &[u8]) -> bool {
    bytes.starts_with(b"PK\x03\x04") || bytes.starts_with(&[0xd0, 0xcf, 0x11, 0xe0])
}

/// The sheets of a workbook, or why it cannot be read. Numbers become their shortest decimal text, dates that of ISO 8601,
/// formulas their stored value.
pub(super) fn sheets(bytes: &[u8]) -> Result<Vec<Sheet>, String> {
    // calamine 0.38 panics where a damaged workbook names a cell out of range: bad input all the same.
    catch_unwind(AssertUnwindSafe(|| read(bytes))).unwrap_or_else(|_| Err("its parts contradict each other".into()))
}

fn read(bytes: &[u8]) -> Result<Vec<Sheet>, String> {
    let mut book = open_workbook_auto_from_rs(Cursor::new(bytes)).map_err(|error| error.to_string())?;
    let mut sheets = Vec::new();
    for name in book.sheet_names() {
        let range = book.worksheet_range(&name).map_err(|error| error.to_string())?;
        let first = range.start().map_or(0, |(row, _)| u64::from(row)) + 1;
        let rows: Vec<(u64, StringRecord)> = (first..)
            .zip(range.rows())
            .map(|(line, cells)| (line, cells.iter().map(text).collect::<StringRecord>()))
            .filter(|(_, record)| record.iter().any(|field| !field.trim().is_empty()))
            .collect();
        if !rows.is_empty() {
            sheets.push(Sheet { name, rows });
        }
    }
    Ok(sheets)
}

fn text(cell: &Data) -> String {
    match cell {
        Data::Empty => String::new(),
        Data::String(text) | Data::DateTimeIso(text) | Data::DurationIso(text) => text.clone(),
        Data::Int(number) => number.to_string(),
        Data::Float(number) => shortest(*number),
        Data::Bool(value) => value.to_string(),
        Data::Error(error) => error.to_string(),
        Data::DateTime(date) => {
            let (year, month, day, hour, minute, second, _) = date.to_ymd_hms_milli();
            let date = format!("{year:04}-{month:02}-{day:02}");
            if (hour, minute, second) == (0, 0, 0) { date } else { format!("{date} {hour:02}:{minute:02}:{second:02}") }
        }
    }
}
