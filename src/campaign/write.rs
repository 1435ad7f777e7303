//! A campaign back to trials.csv.

use std::io::Write;

use super::column::{Column, shortest};
use super::outcome::SurfaceRole;
use super::table::Campaign;
use super::trial::Trial;
use crate::error::{ErrorKind, Result};

impl Campaign {
    /// The table as trials.csv; see [`write_csv`](Self::write_csv).
    #[must_use]
    pub fn to_csv(&self) -> String {
        let mut bytes = Vec::new();
        // Neither a Vec nor checked text refuses anything.
        let _ = self.write_rows(&mut bytes);
        String::from_utf8(bytes).unwrap_or_default()
    }

    /// Writes the table as trials.csv, UTF-8, rows in the order of [`trials`](Self::trials): the
    /// required columns, the optional ones that hold a value, then the covariates by name. Numbers
    /// are the shortest that read back as the same, so reading the text gives an equal campaign.
    ///
    /// # Errors
    /// [`ErrorKind::Io`] where `writer` refuses.
    pub fn write_csv(&self, writer: impl Write) -> Result<()> {
        self.write_rows(writer).map_err(|error| ErrorKind::io("trials.csv", &error))
    }

    fn write_rows(&self, writer: impl Write) -> std::io::Result<()> {
        let columns: Vec<Column> = Column::ALL
            .into_iter()
            .enumerate()
            .filter(|&(i, c)| i < Column::REQUIRED || self.trials().iter().any(|t| !field(t, c).is_empty()))
            .map(|(_, column)| column)
            .collect();
        let covariates = self.covariate_columns();
        let mut csv = csv::Writer::from_writer(writer);
        csv.write_record(columns.iter().map(|c| c.name()).chain(covariates.iter().copied())).map_err(io)?;
        for trial in self.trials() {
            for &column in &columns {
                csv.write_field(field(trial, column)).map_err(io)?;
            }
            for &name in &covariates {
                csv.write_field(trial.covariates.get(name).map_or("", String::as_str)).map_err(io)?;
            }
            csv.write_record(None::<&[u8]>).map_err(io)?;
        }
        csv.flush()
    }
}

fn io(error: csv::Error) -> std::io::Error {
    error.into()
}

/// The text of one field; empty where absent.
fn field(trial: &Trial, column: Column) -> String {
    match column {
        Column::TrialId => trial.trial_id.clone(),
        Column::Surface => trial.surface.clone(),
        Column::Material => trial.material.clone(),
        Column::Outcome => trial.outcome.as_str().into(),
        Column::SurfaceRole => trial.surface_role.map_or("", SurfaceRole::as_str).into(),
        Column::Layers => trial.layers.map(|n| n.to_string()).unwrap_or_default(),
        _ => match column.decimal(trial) {
            Some(value) => shortest(value),
            None => column.optional_text(trial).unwrap_or_default().into(),
        },
    }
}
