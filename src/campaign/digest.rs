//! The canonical bytes of a trial table and their SHA-256. The module documentation of `campaign`
//! states the form; `tests/reference/campaign_digest.py` builds the same bytes independently.

use std::collections::BTreeMap;

use sha2::{Digest, Sha256};

use super::column::Column;
use super::outcome::SurfaceRole;
use super::trial::Trial;

const VERSION: &str = "surface-severity/trial-table/1\n";

/// Digest of `trials` taken in the order `canonical`.
pub(super) fn digest(trials: &[Trial], canonical: &[u32]) -> String {
    let mut hash = Sha256::new();
    hash.update(VERSION);
    hash.update(format!("{}\n", canonical.len()));
    let mut row = Vec::new();
    for &i in canonical {
        row.clear();
        write_row(&trials[i as usize], &mut row);
        hash.update(&row);
    }
    hash.finalize().iter().map(|byte| format!("{byte:02x}")).collect()
}

fn write_row(trial: &Trial, row: &mut Vec<u8>) {
    // Columns that came later count as further columns, where they have text: tables without them keep their digest.
    let mut further: BTreeMap<&str, String> = trial.covariates.iter().map(|(k, v)| (k.as_str(), v.clone())).collect();
    for column in Column::ALL {
        match column {
            Column::BeltDrop => further.extend(trial.belt_drop.map(|n| (column.name(), format!("{n:e}")))),
            Column::Laboratory => further.extend(trial.laboratory.clone().map(|l| (column.name(), l))),
            Column::TrialId => present(&trial.trial_id, row),
            Column::Surface => present(&trial.surface, row),
            Column::Material => present(&trial.material, row),
            Column::Outcome => present(trial.outcome.as_str(), row),
            Column::SurfaceRole => optional(trial.surface_role.map(SurfaceRole::as_str), row),
            Column::MaterialClass | Column::Day | Column::Run | Column::Belt | Column::Note => {
                optional(column.optional_text(trial), row);
            }
            Column::Layers => optional(trial.layers.map(|n| n.to_string()).as_deref(), row),
            Column::AbrasionTime
            | Column::Speed
            | Column::DropHeight
            | Column::Temperature
            | Column::NormalForce
            | Column::SpecimenMass
            | Column::Thickness => optional(column.decimal(trial).map(|x| format!("{x:e}")).as_deref(), row),
        }
    }
    row.extend_from_slice(format!("{}:", further.len()).as_bytes());
    for (name, text) in &further {
        present(name, row);
        present(text, row);
    }
    row.push(b'\n');
}

/// A netstring: length in bytes, colon, bytes, comma. No text can be mistaken for a boundary.
fn present(text: &str, row: &mut Vec<u8>) {
    row.extend_from_slice(text.len().to_string().as_bytes());
    row.push(b':');
    row.extend_from_slice(text.as_bytes());
    row.push(b',');
}

fn optional(text: Option<&str>, row: &mut Vec<u8>) {
    match text {
        Some(text) => present(text, row),
        None => row.push(b'-'),
    }
}
