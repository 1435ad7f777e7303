//! The checks that every campaign passes, whichever door it came through.
//!
//! A door (the CSV reader, the builder, serde) hands over drafts: trials with the line they came
//! from and a note of which fields were already refused while being read. Everything else is
//! decided here, once, on values: so a table built in code is held to the same rules as a file.

use std::collections::{BTreeMap, BTreeSet};
use std::mem;

use super::column::{Column, shortest};
use super::label::{Spellings, normal, normalise_label, normalise_text};
use super::outcome::{Outcome, SurfaceRole};
use super::problems::{PROBLEM_LIMIT, Problems};
use super::table::{Campaign, Material, Surface};
use super::trial::Trial;
use crate::error::{ErrorKind, Result};

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

/// Checks the drafts together and makes the campaign.
pub(super) fn assemble(mut drafts: Vec<Draft>, mut problems: Problems, wishes: &Wishes) -> Result<Campaign> {
    wishes.check()?;
    if drafts.is_empty() && problems.is_empty() {
        return Err(
            ErrorKind::EmptyTable { file: problems.file().into(), reason: "there are no trials in it".into() }.into()
        );
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

    look_alikes(&drafts, &mut problems);
    let wishes_normal: Vec<String> = wishes.laboratory_surfaces.iter().map(|name| normal(name)).collect();
    let wanted: BTreeSet<&str> = wishes_normal.iter().map(String::as_str).collect();
    let roles = roles(&drafts, &surface_names, &surface_index, &wanted, &mut problems);
    let classes = classes(&drafts, &material_names, &material_index, &mut problems);
    let notes = problems.settle(wishes.problem_limit)?.into_texts();

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
    Ok(Campaign::from_parts(trials, surfaces, materials, surface_index, material_index, canonical, notes))
}

/// The checks of one row, and its normal form: labels and text as `label` makes them, empty optional
/// text absent, no negative zero.
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
        let refusal = normalise_label(text);
        if is_refused(column) {
            continue;
        }
        if let Some(expected) = refusal {
            draft.refused |= column.bit();
            problems.field(line, column, text, expected);
        } else if text.is_empty() {
            problems.field(line, column, "", expected);
        }
    }
    for (column, slot) in [
        (Column::MaterialClass, &mut trial.material_class),
        (Column::Day, &mut trial.day),
        (Column::Run, &mut trial.run),
        (Column::Belt, &mut trial.belt),
        (Column::Laboratory, &mut trial.laboratory),
        (Column::Note, &mut trial.note),
    ] {
        let Some(text) = slot else { continue };
        let expected = if column == Column::Note { normalise_text(text) } else { normalise_label(text) };
        if let Some(expected) = expected {
            draft.refused |= column.bit();
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
        problems.field(line, Column::Layers, "0", Column::Layers.words());
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
    if covariates.keys().any(|name| normal(name) != *name) {
        let mut tidied = BTreeMap::new();
        for (mut name, text) in mem::take(covariates) {
            // A name that is refused is reported below.
            normalise_label(&mut name);
            if let Some(earlier) = tidied.insert(name.clone(), text) {
                problems.other(line, &name, &earlier, "one value for each column; this name is given twice");
            }
        }
        *covariates = tidied;
    }
    covariates.retain(|name, text| {
        let refusal = normalise_text(text);
        if !verdicts.contains_key(name) {
            verdicts.insert(name.clone(), refuse_covariate_name(name));
        }
        // The reader refuses such names in the header, once; this is for tables built in code.
        if let Some(Some(expected)) = verdicts.get(name) {
            problems.other(line, name, name, expected.as_str());
        } else if let Some(expected) = refusal {
            problems.other(line, name, text, expected);
        }
        !text.is_empty()
    });
}

/// What was expected of the name of a covariate column, where it cannot be one.
fn refuse_covariate_name(name: &str) -> Option<String> {
    if name.is_empty() {
        return Some("a name for the column".into());
    }
    if let Some(column) = Column::from_name(name) {
        return Some(format!("another name, because {} is a column of its own", column.name()));
    }
    if let Some(column) = Column::resembling(name) {
        return Some(format!("the exact name {}, or a name that cannot be mistaken for it", column.name()));
    }
    normalise_label(&mut name.to_owned())
}

/// Reports labels that look like another of their column.
fn look_alikes(drafts: &[Draft], problems: &mut Problems) {
    for column in [
        Column::Surface,
        Column::Material,
        Column::MaterialClass,
        Column::Day,
        Column::Run,
        Column::Belt,
        Column::Laboratory,
    ] {
        let mut spellings = Spellings::default();
        for draft in drafts.iter().filter(|d| !d.refused(column)) {
            let label = match column {
                Column::Surface => Some(draft.trial.surface.as_str()),
                Column::Material => Some(draft.trial.material.as_str()),
                _ => column.optional_text(&draft.trial),
            };
            if let Some(label) = label.filter(|label| !label.is_empty()) {
                spellings.add(label, draft.line);
            }
        }
        spellings.report(usize::from(column.rank()), column.name(), problems);
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
