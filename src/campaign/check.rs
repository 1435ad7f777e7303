//! The checks that every campaign passes, whichever door it came through.
//!
//! A door (the CSV reader, the builder, serde) hands over drafts: trials with the line they came
//! from and a note of which fields were already refused while being read. Everything else is
//! decided here, once, on values: so a table built in code is held to the same rules as a file.

use std::collections::{BTreeMap, BTreeSet};
use std::mem;

use super::column::{Column, LONGEST_LABEL, LONGEST_TEXT, excerpt, shortest};
use super::outcome::{Outcome, SurfaceRole};
use super::table::{Campaign, Material, Surface};
use super::trial::Trial;
use crate::error::{Error, ErrorKind, Problem, Result};

/// Problems listed unless told otherwise.
pub(super) const PROBLEM_LIMIT: usize = 50;

/// Rank of problems that concern a whole row: before those of its fields.
const WHOLE_ROW: u8 = 0;
/// Rank of problems of covariates: after those of the contract's columns.
const COVARIATE: u8 = 100;

/// What the caller asked for besides the rows.
#[derive(Debug, Clone, PartialEq, Eq)]
pub(super) struct Wishes {
    pub(super) laboratory_surfaces: Vec<String>,
    pub(super) problem_limit: usize,
}

impl Default for Wishes {
    fn default() -> Self {
        Self { laboratory_surfaces: Vec::new(), problem_limit: PROBLEM_LIMIT }
    }
}

impl Wishes {
    pub(super) fn check(&self) -> Result<()> {
        if self.problem_limit == 0 {
            return Err(ErrorKind::option("problem_limit", 0, "at least 1, so that an error can say what is wrong"));
        }
        Ok(())
    }
}

/// A trial on its way into a campaign.
#[derive(Debug)]
pub(super) struct Draft {
    pub(super) line: u64,
    pub(super) trial: Trial,
    /// [`Column::bit`]s of the fields already refused; their values mean nothing.
    pub(super) refused: u32,
}

impl Draft {
    fn refused(&self, column: Column) -> bool {
        self.refused & column.bit() != 0
    }
}

/// Problems as they are found, put into row order at the end.
#[derive(Debug)]
pub(super) struct Problems {
    file: String,
    found: Vec<(u8, Problem)>,
}

impl Problems {
    pub(super) fn new(file: &str) -> Self {
        Self { file: file.into(), found: Vec::new() }
    }

    pub(super) fn file(&self) -> &str {
        &self.file
    }

    pub(super) fn is_empty(&self) -> bool {
        self.found.is_empty()
    }

    fn push(&mut self, rank: u8, line: u64, column: &str, text: &str, expected: impl Into<String>) {
        self.found.push((rank, Problem::new(&self.file, line, shown(column), excerpt(text), expected)));
    }

    pub(super) fn field(&mut self, line: u64, column: Column, text: &str, expected: impl Into<String>) {
        self.push(column.rank(), line, column.name(), text, expected);
    }

    pub(super) fn covariate(&mut self, line: u64, column: &str, text: &str, expected: impl Into<String>) {
        self.push(COVARIATE, line, &excerpt(column), text, expected);
    }

    pub(super) fn row(&mut self, line: u64, text: &str, expected: impl Into<String>) {
        self.push(WHOLE_ROW, line, "", text, expected);
    }

    /// A problem of the header; `text` is given uncut, since it may have to list all columns.
    pub(super) fn header(&mut self, line: u64, column: &str, text: String, expected: impl Into<String>) {
        self.found.push((WHOLE_ROW, Problem::new(&self.file, line, shown(column), text, expected)));
    }

    /// Succeeds if nothing was found.
    fn settle(self, limit: usize) -> Result<()> {
        if self.found.is_empty() { Ok(()) } else { Err(self.into_error(limit)) }
    }

    /// The first `limit` problems in row order.
    pub(super) fn into_error(mut self, limit: usize) -> Error {
        self.found.sort_by_key(|(rank, problem)| (problem.line, *rank));
        let total = self.found.len();
        let problems = self.found.into_iter().take(limit).map(|(_, problem)| problem).collect();
        ErrorKind::Table { problems, total }.into()
    }
}

/// A column name without anything that would upset a terminal.
fn shown(column: &str) -> String {
    let escape = |c: char| c.is_control() || is_invisible(c);
    column.chars().map(|c| if escape(c) { c.escape_unicode().to_string() } else { c.to_string() }).collect()
}

/// Checks the drafts together and makes the campaign.
pub(super) fn assemble(mut drafts: Vec<Draft>, mut problems: Problems, wishes: &Wishes) -> Result<Campaign> {
    wishes.check()?;
    if drafts.is_empty() && problems.is_empty() {
        return Err(ErrorKind::EmptyTable { file: problems.file, reason: "there are no trials in it".into() }.into());
    }
    let Ok(count) = u32::try_from(drafts.len()) else {
        return Err(ErrorKind::option("trials", drafts.len(), "at most 4294967295 trials"));
    };
    let mut verdicts = BTreeMap::new();
    for draft in &mut drafts {
        check_row(draft, &mut verdicts, &mut problems);
    }
    let canonical = sort_by_id(&drafts, count, &mut problems);
    let (surface_names, surface_index) = index(&drafts, |t| &t.surface);
    let (material_names, material_index) = index(&drafts, |t| &t.material);

    let wanted: BTreeSet<&str> = wishes.laboratory_surfaces.iter().map(|name| name.trim()).collect();
    let roles = roles(&drafts, &surface_names, &surface_index, &wanted, &mut problems);
    let classes = classes(&drafts, &material_names, &material_index, &mut problems);
    problems.settle(wishes.problem_limit)?;

    if let Some(name) = wanted.iter().find(|name| !surface_names.iter().any(|s| s == *name)) {
        return Err(ErrorKind::UnknownSurface { name: (*name).into(), known: surface_names }.into());
    }

    let mut trials: Vec<Trial> = drafts.into_iter().map(|draft| draft.trial).collect();
    for ((trial, &s), &m) in trials.iter_mut().zip(&surface_index).zip(&material_index) {
        trial.surface_role = roles[s as usize];
        trial.material_class.clone_from(&classes[m as usize]);
    }
    let surfaces = surface_names.into_iter().zip(roles).map(|(name, role)| Surface { name, role }).collect();
    let materials = material_names.into_iter().zip(classes).map(|(name, class)| Material { name, class }).collect();
    Ok(Campaign::from_parts(trials, surfaces, materials, surface_index, material_index, canonical))
}

/// The checks of one row, and its normal form: blanks trimmed, empty optional text absent,
/// line breaks as `\n`, no negative zero.
fn check_row(draft: &mut Draft, verdicts: &mut BTreeMap<String, Option<String>>, problems: &mut Problems) {
    let line = draft.line;
    let outcome_known = !draft.refused(Column::Outcome);
    let refused = draft.refused;
    let is_refused = |column: Column| refused & column.bit() != 0;
    let trial = &mut draft.trial;

    for (column, text, expected) in [
        (Column::TrialId, &mut trial.trial_id, "a name of the trial, unique in the table"),
        (Column::Surface, &mut trial.surface, "the name of the surface"),
        (Column::Material, &mut trial.material, "the name of the material"),
    ] {
        trim(text);
        if is_refused(column) {
            continue;
        }
        if text.is_empty() {
            problems.field(line, column, "", expected);
        } else if let Some(expected) = refuse_label(text) {
            problems.field(line, column, text, expected);
        }
    }
    for (column, slot) in [
        (Column::MaterialClass, &mut trial.material_class),
        (Column::Day, &mut trial.day),
        (Column::Run, &mut trial.run),
        (Column::Belt, &mut trial.belt),
        (Column::Note, &mut trial.note),
    ] {
        let Some(text) = slot else { continue };
        let expected = if column == Column::Note {
            normalise_text(text);
            refuse_text(text)
        } else {
            trim(text);
            refuse_label(text)
        };
        if let Some(expected) = expected {
            problems.field(line, column, text, expected);
        } else if text.is_empty() {
            *slot = None;
        }
    }
    for column in Column::DECIMAL {
        if let Some(Some(value)) = column.decimal_mut(trial) {
            *value += 0.0; // -0.0 becomes 0.0
        }
        if is_refused(column) {
            continue;
        }
        if let Some(value) = column.decimal(trial)
            && let Some(expected) = column.refuse(value, outcome_known.then_some(trial.outcome))
        {
            problems.field(line, column, &shortest(value), expected);
        }
    }
    if trial.layers == Some(0) && !is_refused(Column::Layers) {
        problems.field(line, Column::Layers, "0", Column::Layers.quantity());
    }
    if outcome_known {
        if trial.outcome == Outcome::Void && trial.note.is_none() && !is_refused(Column::Note) {
            problems.field(line, Column::Note, "", "the reason, because the outcome is void");
        }
        if trial.outcome != Outcome::Void && trial.abrasion_time_s.is_none() && !is_refused(Column::AbrasionTime) {
            let what = match trial.outcome {
                Outcome::RunOut => {
                    "the length of the run as a positive number of seconds, because the outcome is run_out"
                }
                Outcome::OpenedAtContact => {
                    "the time resolution as a positive number of seconds, because the outcome is opened_at_contact"
                }
                _ => {
                    "a positive number of seconds, because the outcome is perforated (only a void trial may lack its time)"
                }
            };
            problems.field(line, Column::AbrasionTime, "", what);
        }
    }
    if !trial.covariates.is_empty() {
        check_covariates(line, &mut trial.covariates, verdicts, problems);
    }
}

/// `verdicts` remembers what was found wrong with each name: the same few names come in every row.
fn check_covariates(
    line: u64,
    covariates: &mut BTreeMap<String, String>,
    verdicts: &mut BTreeMap<String, Option<String>>,
    problems: &mut Problems,
) {
    if covariates.keys().any(|name| name.trim().len() != name.len()) {
        let mut trimmed = BTreeMap::new();
        for (name, text) in mem::take(covariates) {
            let name = name.trim().to_string();
            if let Some(earlier) = trimmed.insert(name.clone(), text) {
                problems.covariate(line, &name, &earlier, "one value for each column; this name is given twice");
            }
        }
        *covariates = trimmed;
    }
    covariates.retain(|name, text| {
        normalise_text(text);
        if !verdicts.contains_key(name) {
            verdicts.insert(name.clone(), refuse_covariate_name(name));
        }
        // The reader refuses such names in the header, once; this is for tables built in code.
        if let Some(Some(expected)) = verdicts.get(name) {
            problems.covariate(line, name, name, expected.as_str());
        } else if let Some(expected) = refuse_text(text) {
            problems.covariate(line, name, text, expected);
        }
        !text.is_empty()
    });
}

/// What was expected of the name of a covariate column, where it cannot be one.
pub(super) fn refuse_covariate_name(name: &str) -> Option<String> {
    if name.is_empty() {
        return Some("a name for the column".into());
    }
    if let Some(column) = Column::from_name(name) {
        return Some(format!("another name, because {} is a column of its own", column.name()));
    }
    if let Some(column) = Column::resembling(name) {
        return Some(format!("the exact name {}, or a name that cannot be mistaken for it", column.name()));
    }
    refuse_label(name)
}

fn refuse_label(text: &str) -> Option<String> {
    if let Some(c) = text.chars().find(|&c| c.is_control() || is_invisible(c)) {
        let what = match c {
            '\n' | '\r' => {
                return Some("a label on one line (is a quotation mark left open, or a line break typed in?)".into());
            }
            '\t' => "tab",
            c if c.is_control() => "control",
            _ => "invisible",
        };
        return Some(format!("a label of visible characters; remove the {what} character U+{:04X}", u32::from(c)));
    }
    too_long(text, LONGEST_LABEL, "a label")
}

fn refuse_text(text: &str) -> Option<String> {
    if let Some(c) = text.chars().find(|&c| c.is_control() && c != '\n' && c != '\t') {
        return Some(format!("plain text; remove the control character U+{:04X}", u32::from(c)));
    }
    too_long(text, LONGEST_TEXT, "text")
}

fn too_long(text: &str, longest: usize, what: &str) -> Option<String> {
    (text.len() > longest && text.chars().count() > longest)
        .then(|| format!("{what} of at most {longest} characters (is a quotation mark left open?)"))
}

/// Characters that nobody sees and that would make two equal-looking labels different. The joiners
/// U+200C and U+200D are letters' business in several scripts and stay.
fn is_invisible(c: char) -> bool {
    matches!(c, '\u{ad}' | '\u{200b}' | '\u{200e}' | '\u{200f}' | '\u{202a}'..='\u{202e}' | '\u{2060}'..='\u{2069}' | '\u{feff}')
}

fn trim(text: &mut String) {
    let trimmed = text.trim();
    if trimmed.len() != text.len() {
        *text = trimmed.to_string();
    }
}

fn normalise_text(text: &mut String) {
    trim(text);
    if text.contains('\r') {
        *text = text.replace("\r\n", "\n").replace('\r', "\n");
    }
}

/// Positions sorted by trial id; equal ids are problems that name the first line.
fn sort_by_id(drafts: &[Draft], count: u32, problems: &mut Problems) -> Vec<u32> {
    let id = |i: u32| drafts[i as usize].trial.trial_id.as_str();
    let mut order: Vec<u32> = (0..count).collect();
    order.sort_by(|&a, &b| id(a).cmp(id(b))); // stable: equal ids stay in row order
    for group in order.chunk_by(|&a, &b| id(a) == id(b)) {
        let (Some((&first, others)), false) = (group.split_first(), id(group[0]).is_empty()) else { continue };
        for &other in others {
            let expected = format!("a unique name; line {} has the same one", drafts[first as usize].line);
            problems.field(drafts[other as usize].line, Column::TrialId, id(other), expected);
        }
    }
    order
}

/// Distinct names, sorted, and for each draft the position of its own.
fn index(drafts: &[Draft], name: impl Fn(&Trial) -> &String) -> (Vec<String>, Vec<u32>) {
    let mut positions: BTreeMap<&str, u32> = drafts.iter().map(|d| (name(&d.trial).as_str(), 0)).collect();
    for (position, slot) in (0..).zip(positions.values_mut()) {
        *slot = position;
    }
    let index = drafts.iter().map(|d| positions.get(name(&d.trial).as_str()).copied().unwrap_or_default()).collect();
    (positions.into_keys().map(String::from).collect(), index)
}

fn roles(
    drafts: &[Draft],
    names: &[String],
    index: &[u32],
    wanted: &BTreeSet<&str>,
    problems: &mut Problems,
) -> Vec<Option<SurfaceRole>> {
    let mut roles: Vec<Option<(SurfaceRole, u64)>> = vec![None; names.len()];
    for (draft, &s) in drafts.iter().zip(index) {
        let name = names[s as usize].as_str();
        let Some(role) = draft.trial.surface_role else { continue };
        if name.is_empty() || draft.refused(Column::SurfaceRole) || draft.refused(Column::Surface) {
            continue;
        }
        if wanted.contains(name) && role != SurfaceRole::Laboratory {
            let expected = format!("laboratory or nothing, because {name:?} was named as a laboratory surface");
            problems.field(draft.line, Column::SurfaceRole, role.as_str(), expected);
            continue;
        }
        match roles[s as usize] {
            None => roles[s as usize] = Some((role, draft.line)),
            Some((first, line)) if first != role => {
                let expected = format!("one role for {name:?}; line {line} says {first}");
                problems.field(draft.line, Column::SurfaceRole, role.as_str(), expected);
            }
            Some(_) => {}
        }
    }
    let others = (!wanted.is_empty()).then_some(SurfaceRole::Road);
    names
        .iter()
        .zip(roles)
        .map(|(name, role)| match role {
            _ if wanted.contains(name.as_str()) => Some(SurfaceRole::Laboratory),
            Some((role, _)) => Some(role),
            None => others,
        })
        .collect()
}

fn classes(drafts: &[Draft], names: &[String], index: &[u32], problems: &mut Problems) -> Vec<Option<String>> {
    let mut classes: Vec<Option<(&str, u64)>> = vec![None; names.len()];
    for (draft, &m) in drafts.iter().zip(index) {
        let name = names[m as usize].as_str();
        let Some(class) = draft.trial.material_class.as_deref() else { continue };
        if name.is_empty() || draft.refused(Column::MaterialClass) || draft.refused(Column::Material) {
            continue;
        }
        match classes[m as usize] {
            None => classes[m as usize] = Some((class, draft.line)),
            Some((first, line)) if first != class => {
                let expected = format!("one class for {name:?}; line {line} says {first:?}");
                problems.field(draft.line, Column::MaterialClass, class, expected);
            }
            Some(_) => {}
        }
    }
    classes.into_iter().map(|class| class.map(|(name, _)| name.to_string())).collect()
}
