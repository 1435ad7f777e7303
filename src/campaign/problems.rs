//! What is found while a table is read: problems, which stop it, and notes, which do not.

use std::collections::BTreeMap;

use super::column::{Column, excerpt};
use super::label::is_invisible;
use crate::error::{Error, ErrorKind, Problem, Result};

/// Problems listed unless told otherwise.
pub(crate) const PROBLEM_LIMIT: usize = 50;

/// More problems of one kind than this in one column are listed as one.
const APART: u64 = 3;

/// Rank of problems that concern a whole row: before those of its fields.
const WHOLE_ROW: usize = 0;
/// Rank of problems of covariates: after those of the contract's columns.
const OTHER: usize = 100;

/// Why a field is refused.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(crate) struct Refusal {
    /// What was expected instead.
    pub(crate) expected: String,
    /// What several of the kind are called, such as "decimal commas"; empty where there is no better name than "fields".
    pub(crate) kind: &'static str,
}

impl Refusal {
    pub(crate) fn new(kind: &'static str, expected: impl Into<String>) -> Self {
        Self { expected: expected.into(), kind }
    }
}

impl<S: Into<String>> From<S> for Refusal {
    fn from(expected: S) -> Self {
        Self::new("", expected)
    }
}

#[derive(Debug)]
struct Found {
    rank: usize,
    problem: Problem,
}

/// Problems as they are found, put into row order and joined by kind at the end; and notes.
#[derive(Debug)]
pub(crate) struct Problems {
    file: String,
    found: Vec<Found>,
    pub(crate) notes: Notes,
}

impl Problems {
    pub(crate) fn new(file: &str) -> Self {
        Self { file: file.into(), found: Vec::new(), notes: Notes::default() }
    }

    pub(crate) fn file(&self) -> &str {
        &self.file
    }

    pub(crate) fn is_empty(&self) -> bool {
        self.found.is_empty()
    }

    pub(crate) fn len(&self) -> usize {
        self.found.len()
    }

    fn push(&mut self, rank: usize, line: u64, column: &str, text: String, refusal: impl Into<Refusal>) {
        let Refusal { expected, kind } = refusal.into();
        let mut problem = Problem::new(&self.file, line, shown(column), text, expected);
        kind.clone_into(&mut problem.kind);
        self.found.push(Found { rank, problem });
    }

    /// A problem of a column of the contract, where it has this place.
    pub(crate) fn at(&mut self, place: usize, line: u64, column: &str, text: &str, refusal: impl Into<Refusal>) {
        self.push(place, line, column, excerpt(text), refusal);
    }

    /// A problem of a column of trials.csv.
    pub(super) fn field(&mut self, line: u64, column: Column, text: &str, refusal: impl Into<Refusal>) {
        self.at(usize::from(column.rank()), line, column.name(), text, refusal);
    }

    /// A problem of any other column.
    pub(crate) fn other(&mut self, line: u64, column: &str, text: &str, refusal: impl Into<Refusal>) {
        self.push(OTHER, line, &excerpt(column), excerpt(text), refusal);
    }

    pub(crate) fn row(&mut self, line: u64, text: &str, refusal: impl Into<Refusal>) {
        self.push(WHOLE_ROW, line, "", excerpt(text), refusal);
    }

    /// A problem of the header; `text` is given uncut, since it may have to list all columns.
    pub(crate) fn header(&mut self, line: u64, column: &str, text: String, refusal: impl Into<Refusal>) {
        self.push(WHOLE_ROW, line, column, text, refusal);
    }

    /// The notes, if nothing was found wrong.
    pub(crate) fn settle(self, limit: usize) -> Result<Notes> {
        if self.found.is_empty() { Ok(self.notes) } else { Err(self.into_error(limit)) }
    }

    /// The first `limit` entries in row order; what occurs often in one column is one entry.
    pub(crate) fn into_error(mut self, limit: usize) -> Error {
        self.found.sort_by_key(|found| (found.problem.line, found.rank));
        let total = self.found.len();
        // Of each kind: how many there are, the last line, and whether its entry is made.
        let mut kinds: BTreeMap<(String, String), (u64, u64, bool)> = BTreeMap::new();
        let key = |p: &Problem| (p.column.clone(), if p.kind.is_empty() { p.expected.clone() } else { p.kind.clone() });
        for Found { problem, .. } in &self.found {
            let entry = kinds.entry(key(problem)).or_default();
            entry.0 += 1;
            entry.1 = problem.line;
        }
        let mut problems: Vec<Problem> = Vec::new();
        for Found { mut problem, .. } in self.found {
            let Some((count, last_line, made)) = kinds.get_mut(&key(&problem)) else { continue };
            if *count > APART {
                if std::mem::replace(made, true) {
                    continue;
                }
                (problem.count, problem.last_line) = (*count, *last_line);
            }
            problems.push(problem);
        }
        problems.truncate(limit);
        ErrorKind::Table { problems, total }.into()
    }
}

/// A column name without anything that would upset a terminal.
fn shown(column: &str) -> String {
    let escape = |c: char| c.is_control() || is_invisible(c);
    column.chars().map(|c| if escape(c) { c.escape_unicode().to_string() } else { c.to_string() }).collect()
}

/// What was taken as it was meant, in the order in which it was first met; what is said again is counted.
#[derive(Debug, Default)]
pub(crate) struct Notes {
    notes: Vec<(String, u64, u64, u64)>,
    place: BTreeMap<String, usize>,
}

impl Notes {
    /// A note on the table as a whole.
    pub(crate) fn table(&mut self, text: impl Into<String>) {
        self.notes.push((text.into(), 0, 0, 0));
    }

    /// A note on one line.
    pub(crate) fn line(&mut self, text: &str, line: u64) {
        if let Some(&place) = self.place.get(text) {
            let note = &mut self.notes[place];
            (note.1, note.3) = (note.1 + 1, line);
        } else {
            self.place.insert(text.into(), self.notes.len());
            self.notes.push((text.into(), 1, line, line));
        }
    }

    pub(crate) fn into_texts(self) -> Vec<String> {
        let text = |(text, count, first, last): (String, u64, u64, u64)| match count {
            0 => text,
            1 => format!("{text} (line {first})"),
            _ => format!("{text} ({count} times, lines {first}-{last})"),
        };
        self.notes.into_iter().map(text).collect()
    }
}
