//! A campaign back to trials.csv.

use std::io::Write;

use super::column::{Column, shortest};
use super::outcome::SurfaceRole;
use super::table::Campaign;
use super::trial::Trial;
use crate::error::{ErrorKind, Result};

impl Campaign {
    /// The table as trials.csv; see [`write_csv`](Self::write_csv).
    ///
    /// ```
    /// use surface_severity::campaign::Campaign;
    /// let campaign = Campaign::read_path("data-demo/trials.csv")?;
    /// let again = Campaign::from_reader(campaign.to_csv().as_bytes(), "trials.csv")?;
    /// assert_eq!(again.digest(), campaign.digest());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
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
    /// ```
    /// use surface_severity::campaign::{Campaign, Trial};
    /// let campaign = Campaign::from_trials([Trial::perforated("T1", "asphalt", "cowhide", 4.10)])?;
    /// let mut file = Vec::new();
    /// campaign.write_csv(&mut file)?;
    /// assert_eq!(
    ///     String::from_utf8_lossy(&file),
    ///     "trial_id,surface,material,abrasion_time_s,outcome\nT1,asphalt,cowhide,4.1,perforated\n"
    /// );
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::NotSaved`] where `writer` refuses.
    pub fn write_csv(&self, writer: impl Write) -> Result<()> {
        self.write_rows(writer).map_err(|error| ErrorKind::not_saved("trials.csv", &error))
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
