//! Text taken apart into rows and fields, so that no row is ever lost.
//!
//! Parsers of comma-separated text forgive a quotation mark that is never closed, or that is closed by the next one in the
//! file: everything between becomes one long field and the rows inside it are gone without a word. Here that is a fault with
//! its line, and reading goes on with the next line, so that the other rows are looked at too. A quoted field may hold line
//! breaks as long as it cannot be rows of the table: it must hold fewer separators than the header and no word of the
//! outcome column between separators. A quotation mark inside a field that does not begin with one is a fault too. Blanks around a quoted field are taken away.

use csv::StringRecord;

use super::outcome::Outcome;

/// A row that quotation marks make unreadable.
#[derive(Debug)]
pub(crate) struct QuoteFault {
    /// Line on which the quotation mark was opened.
    pub(crate) line: u64,
    /// Position of its field in its row.
    pub(crate) field: usize,
    /// The field from the quotation mark on, at most its first line.
    pub(crate) text: String,
    /// What was expected.
    pub(crate) expected: String,
}

/// The rows that are not blank, each with the line it starts on.
#[derive(Debug)]
pub(crate) struct Rows<'t> {
    text: &'t str,
    separator: u8,
    at: usize,
    line: u64,
    /// Fields of the header, once it is read.
    width: Option<usize>,
    /// The row read last.
    pub(crate) record: StringRecord,
}

/// How one field ended.
enum Ended {
    Field,
    Row,
}

impl<'t> Rows<'t> {
    /// `separator` is an ASCII character other than a quotation mark or a line end.
    pub(crate) fn new(text: &'t str, separator: char) -> Self {
        let separator = u8::try_from(separator).unwrap_or(b',');
        Self { text, separator, at: 0, line: 1, width: None, record: StringRecord::new() }
    }

    /// The next row: its line, or what is wrong with it.
    pub(crate) fn next(&mut self) -> Option<Result<u64, QuoteFault>> {
        while self.at < self.text.len() {
            let (start, line) = (self.at, self.line);
            if let Err(fault) = self.row() {
                // The next line is judged by itself.
                self.at = start;
                self.line = line;
                while fault.line > self.line && self.at < self.text.len() {
                    self.skip_line();
                }
                self.skip_line();
                return Some(Err(fault));
            }
            if self.record.len() > 1 || !self.record.iter().all(|field| field.trim().is_empty()) {
                self.width.get_or_insert(self.record.len());
                return Some(Ok(line));
            }
        }
        None
    }

    fn byte(&self, at: usize) -> Option<u8> {
        self.text.as_bytes().get(at).copied()
    }

    fn is_blank(&self, at: usize) -> bool {
        self.byte(at).is_some_and(|b| (b == b' ' || b == b'\t') && b != self.separator)
    }

    /// Past the end of the line.
    fn skip_line(&mut self) {
        let rest = &self.text.as_bytes()[self.at..];
        self.at += rest.iter().position(|b| matches!(b, b'\r' | b'\n')).unwrap_or(rest.len());
        self.end_line();
    }

    /// Past `\n`, `\r` or `\r\n`.
    fn end_line(&mut self) {
        if self.byte(self.at) == Some(b'\r') {
            self.at += 1 + usize::from(self.byte(self.at + 1) == Some(b'\n'));
            self.line += 1;
        } else if self.byte(self.at) == Some(b'\n') {
            self.at += 1;
            self.line += 1;
        }
    }

    fn row(&mut self) -> Result<(), QuoteFault> {
        self.record.clear();
        // Separators inside quotation marks, the line and field of the first quoted line break, an outcome inside it.
        let (mut inside, mut broken, mut swallowed) = (0, None, false);
        loop {
            let mut start = self.at;
            while self.is_blank(start) {
                start += 1;
            }
            if self.byte(start) == Some(b'"') {
                let (field, line) = (self.record.len(), self.line);
                self.at = start;
                let text = self.quoted(field)?;
                let separator = char::from(self.separator);
                inside += text.matches(separator).count();
                if text.contains(['\n', '\r']) {
                    broken.get_or_insert((line, field, start));
                    let outcome = |piece: &str| piece.trim().parse::<Outcome>().is_ok();
                    let mut lines = text.split(['\n', '\r']).filter(|line| line.contains(separator));
                    swallowed |= lines.any(|line| line.split(separator).any(outcome));
                }
                self.record.push_field(&text);
            } else {
                let rest = &self.text.as_bytes()[self.at..];
                let ends = |b: &u8| *b == self.separator || matches!(b, b'\r' | b'\n');
                let end = self.at + rest.iter().position(ends).unwrap_or(rest.len());
                let text = &self.text[self.at..end];
                if text.contains('"') {
                    let expected = "no quotation mark inside a field that does not begin with one (remove it, or put the whole field between quotation marks and write this one twice)".into();
                    let (line, field) = (self.line, self.record.len());
                    return Err(QuoteFault { line, field, text: text.trim().to_owned(), expected });
                }
                self.record.push_field(text);
                self.at = end;
            }
            if matches!(self.end_field(), Ended::Row) {
                break;
            }
        }
        let Some((line, field, start)) = broken else { return Ok(()) };
        if swallowed || self.width.is_some_and(|width| inside + 1 >= width) {
            let expected = format!(
                "a closing quotation mark on this line; it is closed by one on line {}, and the text between would hide rows of the table (write a repeated word out instead of a ditto mark; put a note on one line)",
                self.closing_line(start, line)
            );
            return Err(QuoteFault { line, field, text: first_line(&self.text[start..]), expected });
        }
        Ok(())
    }

    fn end_field(&mut self) -> Ended {
        if self.byte(self.at) == Some(self.separator) {
            self.at += 1;
            return Ended::Field;
        }
        self.end_line();
        Ended::Row
    }

    /// The text between quotation marks; then at the separator or line end behind it.
    fn quoted(&mut self, field: usize) -> Result<String, QuoteFault> {
        let (start, opened) = (self.at, self.line);
        let mut text = String::new();
        self.at += 1;
        loop {
            let rest = &self.text.as_bytes()[self.at..];
            let length = rest.iter().position(|b| matches!(b, b'"' | b'\r' | b'\n'));
            let Some(length) = length else {
                let expected = "a closing quotation mark; this one is open to the end of the file".into();
                return Err(QuoteFault { line: opened, field, text: first_line(&self.text[start..]), expected });
            };
            let end = self.at + length;
            text.push_str(&self.text[self.at..end]);
            self.at = end;
            if self.byte(end) != Some(b'"') {
                self.end_line();
                text.push_str(&self.text[end..self.at]);
            } else if self.byte(end + 1) == Some(b'"') {
                text.push('"');
                self.at += 2;
            } else {
                self.at += 1;
                break;
            }
        }
        while self.is_blank(self.at) {
            self.at += 1;
        }
        match self.byte(self.at) {
            None | Some(b'\r' | b'\n') => Ok(text),
            Some(b) if b == self.separator => Ok(text),
            Some(_) => {
                let expected = if self.line > opened {
                    format!(
                        "a closing quotation mark in this row; the next one in the file, on line {}, is followed by other text",
                        self.line
                    )
                } else {
                    "nothing after the closing quotation mark of the field (a quotation mark inside quoted text is written twice)".into()
                };
                let rest = &self.text[start..];
                let ends = |c: char| c == char::from(self.separator) || matches!(c, '\r' | '\n');
                let end = rest[self.at - start..].find(ends).map_or(rest.len(), |n| self.at - start + n);
                Err(QuoteFault { line: opened, field, text: first_line(&rest[..end]), expected })
            }
        }
    }

    /// Line on which the quotation mark at `start` is closed; it is.
    fn closing_line(&self, start: usize, line: u64) -> u64 {
        let again = &mut Self { text: self.text, record: StringRecord::new(), at: start, line, ..*self };
        let _ = again.quoted(0);
        again.line
    }
}

fn first_line(text: &str) -> String {
    text.lines().next().unwrap_or_default().split('\r').next().unwrap_or_default().to_owned()
}

#[cfg(test)]
mod tests {
    use super::Rows;

    fn read(text: &str, separator: char) -> Vec<Result<(u64, Vec<String>), u64>> {
        let mut rows = Rows::new(text, separator);
        let mut out = Vec::new();
        while let Some(row) = rows.next() {
            let fields = rows.record.iter().map(String::from).collect();
            out.push(row.map(|line| (line, fields)).map_err(|fault| fault.line));
        }
        out
    }

    fn row(line: u64, fields: &[&str]) -> Result<(u64, Vec<String>), u64> {
        Ok((line, fields.iter().map(|f| (*f).to_owned()).collect()))
    }

    #[test]
    fn fields_and_lines() {
        let text = "a,b\r\n\r\n \"x \"\"y\"\"\" ,\r\"two\nlines\",z";
        assert_eq!(read(text, ','), [row(1, &["a", "b"]), row(3, &["x \"y\"", ""]), row(4, &["two\nlines", "z"])]);
        assert_eq!(read("a\tb\n \t\"c\"\t\n", '\t'), [row(1, &["a", "b"]), row(2, &[" ", "c", ""])]);
        assert_eq!(read("a;b\n\"1;2\";3,4", ';'), [row(1, &["a", "b"]), row(2, &["1;2", "3,4"])]);
        assert_eq!(read("a,b\n5\" mesh,c\n1,2", ','), [row(1, &["a", "b"]), Err(2), row(3, &["1", "2"])]);
    }

    #[test]
    fn rows_inside_a_field_are_found() {
        // A ditto mark in two rows; each row with one is named, the good one is read.
        let text = "id,time,outcome,note\n1,4,perforated,\"\n2,5,perforated,\"\n3,6,perforated,\n";
        assert_eq!(
            read(text, ','),
            [row(1, &["id", "time", "outcome", "note"]), Err(2), Err(3), row(4, &["3", "6", "perforated", ""])]
        );
        // As many separators as the header, however they are spread.
        assert_eq!(read("a,b,c\n1,\"2,3\n4,5\",6\n", ','), [row(1, &["a", "b", "c"]), Err(2), Err(3)]);
        assert_eq!(read("a,b,c\n1,\"2,3\n4\",6\n", ','), [row(1, &["a", "b", "c"]), row(2, &["1", "2,3\n4", "6"])]);
        // A fault further down the row is named by its own line.
        let text = "a,b,c\n\"two\nlines\",\"x,,\n\",z\n1,2,3\n";
        assert_eq!(read(text, ',')[1], Err(2));
    }
}
