//! Quotation marks, looked at before the table is parsed.
//!
//! CSV parsers forgive a quotation mark that is never closed, or that is closed by the next one in
//! the file: everything between becomes one long field and the rows inside it are gone without a
//! word. Here that is an error with a line. Blanks around a quoted field are taken away, which a
//! parser would keep as part of the text, quotation marks included.

use std::borrow::Cow;

/// A quotation mark that cannot be right.
#[derive(Debug)]
pub(super) struct QuoteFault {
    /// Line on which it was opened.
    pub(super) line: u64,
    /// Position of its field in its row.
    pub(super) field: usize,
    /// Where its row starts in the tidied bytes: up to there they can be trusted.
    pub(super) row_start: usize,
    /// The field from the quotation mark on, at most its first line.
    pub(super) text: String,
    /// What was expected.
    pub(super) expected: String,
}

fn is_blank(byte: Option<&u8>) -> bool {
    matches!(byte, Some(b' ' | b'\t'))
}

/// True at the last byte of a line: `\n`, or `\r` that no `\n` follows.
pub(super) fn ends_line(bytes: &[u8], i: usize) -> bool {
    match bytes.get(i) {
        Some(b'\n') => true,
        Some(b'\r') => bytes.get(i + 1) != Some(&b'\n'),
        _ => false,
    }
}

/// The bytes without blanks around quoted fields, and the first bad quotation mark.
pub(super) fn tidy(bytes: &[u8]) -> (Cow<'_, [u8]>, Option<QuoteFault>) {
    if !bytes.contains(&b'"') {
        return (Cow::Borrowed(bytes), None);
    }
    let mut tidied = Vec::with_capacity(bytes.len());
    let (mut i, mut line, mut field, mut row_start) = (0, 1, 0, 0);
    while i < bytes.len() {
        let mut start = i;
        while is_blank(bytes.get(start)) {
            start += 1;
        }
        if bytes.get(start) == Some(&b'"') {
            let opened = line;
            let mut end = start + 1;
            let closed = loop {
                match bytes.get(end) {
                    None => break false,
                    Some(b'"') if bytes.get(end + 1) == Some(&b'"') => end += 2,
                    Some(b'"') => break true,
                    Some(_) => {
                        line += u64::from(ends_line(bytes, end));
                        end += 1;
                    }
                }
            };
            let fault = |expected: String, text_end: usize| QuoteFault {
                line: opened,
                field,
                row_start,
                text: first_line(&bytes[start..text_end]),
                expected,
            };
            if !closed {
                let expected = "a closing quotation mark; this one is open to the end of the file".to_string();
                let fault = fault(expected, bytes.len());
                return (Cow::Owned(tidied), Some(fault));
            }
            end += 1;
            tidied.extend_from_slice(&bytes[start..end]);
            i = end;
            while is_blank(bytes.get(i)) {
                i += 1;
            }
            if !matches!(bytes.get(i), None | Some(b',' | b'\r' | b'\n')) {
                let rest = bytes[i..].iter().position(|b| matches!(b, b',' | b'\r' | b'\n'));
                let text_end = rest.map_or(bytes.len(), |n| i + n);
                let expected = if line > opened {
                    format!(
                        "a closing quotation mark in this row; the next one in the file, on line {line}, is followed by other text"
                    )
                } else {
                    "nothing after the closing quotation mark of the field (a quotation mark inside quoted text is written twice)".into()
                };
                let fault = fault(expected, text_end);
                return (Cow::Owned(tidied), Some(fault));
            }
        } else {
            let length = bytes[i..].iter().position(|b| matches!(b, b',' | b'\r' | b'\n'));
            let end = length.map_or(bytes.len(), |n| i + n);
            tidied.extend_from_slice(&bytes[i..end]);
            i = end;
        }
        // Now at a separator or at the end.
        if let Some(&separator) = bytes.get(i) {
            tidied.push(separator);
            if separator == b',' {
                field += 1;
            } else {
                line += u64::from(ends_line(bytes, i));
                field = 0;
                row_start = tidied.len();
            }
            i += 1;
        }
    }
    (Cow::Owned(tidied), None)
}

fn first_line(bytes: &[u8]) -> String {
    let end = bytes.iter().position(|b| matches!(b, b'\r' | b'\n')).unwrap_or(bytes.len());
    String::from_utf8_lossy(&bytes[..end]).into_owned()
}
