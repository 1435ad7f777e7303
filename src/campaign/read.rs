//! Reading trials.csv.

use std::io::Read;
use std::path::Path;

use csv::StringRecord;

use super::check::{Draft, Wishes, assemble};
use super::column::{Column, TRIALS, resemble};
use super::label::trim_blanks;
use super::number::{decimal, whole};
use super::outcome::{Outcome, SurfaceRole};
use super::problems::{Problems, Refusal};
use super::sheet::{Kind, Layout, read};
use super::table::Campaign;
use super::trial::Trial;
use crate::error::{ErrorKind, Result};

/// Reads trials.csv, with options.
///
/// | option | default | meaning |
/// |---|---|---|
/// | [`laboratory_surface`](Self::laboratory_surface) | none | names a laboratory surface; repeatable |
/// | [`problem_limit`](Self::problem_limit) | 50 | how many entries an error lists |
///
/// ```
/// use surface_severity::campaign::CampaignReader;
/// let table = "\
/// trial_id,surface,material,abrasion_time_s,outcome
/// T1,asphalt,cowhide,4.12,perforated
/// T2,belt,cowhide,3.05,perforated
/// ";
/// let campaign = CampaignReader::new().laboratory_surface("belt").from_reader(table.as_bytes(), "trials.csv")?;
/// assert_eq!(campaign.to_string(), "2 trials of 1 material on 2 surfaces (1 laboratory, 1 road)");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Default, PartialEq, Eq)]
pub struct CampaignReader {
    wishes: Wishes,
}

impl CampaignReader {
    /// A reader with the default options.
    ///
    /// ```
    /// use surface_severity::campaign::CampaignReader;
    /// let campaign = CampaignReader::new().read_path("data-demo/trials.csv")?;
    /// assert_eq!(campaign.laboratory_surfaces(), ["laboratory belt"]);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }

    /// Names a laboratory surface; repeatable. Every other surface without a role becomes a road.
    ///
    /// A `surface_role` column that calls it a road is an error, and so is a name that no trial has.
    #[must_use]
    pub fn laboratory_surface(mut self, name: impl Into<String>) -> Self {
        self.wishes.laboratory_surfaces.push(name.into());
        self
    }

    /// How many entries an error lists; at least 1, 50 unless set. Many problems of one kind in one column are one entry; all
    /// problems are counted.
    #[must_use]
    pub fn problem_limit(mut self, limit: usize) -> Self {
        self.wishes.problem_limit = limit;
        self
    }

    /// Reads the table at `path`, which errors will call it.
    ///
    /// ```
    /// use surface_severity::{ErrorKind, campaign::CampaignReader};
    /// let campaign = CampaignReader::new().laboratory_surface("laboratory belt").read_path("data-demo/trials.csv")?;
    /// assert_eq!(campaign.len(), 403);
    /// let error = CampaignReader::new().read_path("no/such/trials.csv").unwrap_err();
    /// assert!(matches!(error.kind(), ErrorKind::Io { path, .. } if path == "no/such/trials.csv"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Io`] where the file cannot be read, else as [`from_reader`](Self::from_reader).
    pub fn read_path(&self, path: impl AsRef<Path>) -> Result<Campaign> {
        let path = path.as_ref();
        let bytes = std::fs::read(path).map_err(|error| ErrorKind::io(path, &error))?;
        self.read_bytes(&bytes, &path.display().to_string())
    }

    /// Reads the table from anything that can be read; `file_name` is what errors call it.
    ///
    /// ```
    /// use surface_severity::{ErrorKind, campaign::CampaignReader};
    /// let table = "trial_id,surface,material,abrasion_time_s,outcome\nT1,asphalt,cowhide,\"4,12\",perforated\n";
    /// let error = CampaignReader::new().from_reader(table.as_bytes(), "trials.csv").unwrap_err();
    /// let ErrorKind::Table { problems, .. } = error.kind() else { unreachable!() };
    /// assert_eq!((problems[0].line, problems[0].column.as_str(), problems[0].text.as_str()), (2, "abrasion_time_s", "4,12"));
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Table`] with all problems in the order of the rows (a bad header stops there,
    /// since the rows could not be told apart); [`ErrorKind::EmptyTable`] without a header or
    /// without trials; [`ErrorKind::UnknownSurface`] for a named laboratory surface that no trial
    /// has; [`ErrorKind::InvalidOption`] for a zero problem limit; [`ErrorKind::Io`] where the
    /// reader fails.
    pub fn from_reader(&self, mut reader: impl Read, file_name: &str) -> Result<Campaign> {
        let mut bytes = Vec::new();
        reader.read_to_end(&mut bytes).map_err(|error| ErrorKind::io(file_name, &error))?;
        self.read_bytes(&bytes, file_name)
    }

    fn read_bytes(&self, bytes: &[u8], file: &str) -> Result<Campaign> {
        self.wishes.check()?;
        let mut drafts = Vec::new();
        let problems =
            read(bytes, &TRIALS, self.wishes.problem_limit, Problems::new(file), |layout, line, record, problems| {
                drafts.push(draft(layout, line, record, problems));
            })?;
        assemble(drafts, problems, &self.wishes)
    }

    /// Rows that are already taken apart, first the names of the columns: by the same rules as a file, rows counted from 1.
    #[cfg(feature = "arrow")]
    pub(super) fn read_records(
        &self,
        names: &StringRecord,
        rows: impl Iterator<Item = StringRecord>,
        mut problems: Problems,
    ) -> Result<Campaign> {
        self.wishes.check()?;
        let layout = if problems.is_empty() { Layout::read(&TRIALS, ',', 1, names, &mut problems) } else { None };
        let Some(layout) = layout else {
            return Err(problems.into_error(self.wishes.problem_limit));
        };
        let mut drafts: Vec<Draft> = Vec::new();
        for (line, row) in (1..).zip(rows) {
            if layout.fits(line, &row, &mut problems) {
                drafts.push(draft(&layout, line, &row, &mut problems));
            }
        }
        assemble(drafts, problems, &self.wishes)
    }
}

/// The trial of one row, as far as it can be read.
fn draft(layout: &Layout, line: u64, record: &StringRecord, problems: &mut Problems) -> Draft {
    let outcome = layout.outcome(record);
    let trial = Trial::new("", "", "", outcome.unwrap_or(Outcome::Void));
    let mut draft = Draft { line, trial, refused: 0 };
    for ((kind, name), field) in layout.kinds.iter().zip(&layout.names).zip(record) {
        let text = trim_blanks(field);
        match kind {
            Kind::Nameless => {}
            Kind::Other if text.trim().is_empty() => {}
            Kind::Other => {
                draft.trial.covariates.insert(name.clone(), text.into());
            }
            Kind::Known(place) => {
                let column = Column::ALL[*place];
                match set(column, text, outcome, layout.decimal_commas, &mut draft.trial) {
                    Err(refusal) => {
                        problems.field(line, column, text, refusal);
                        draft.refused |= column.bit();
                    }
                    Ok(Some(meant)) if meant != text => {
                        problems.notes.line(&format!("column {}: {text:?} is read as {meant}", column.name()), line);
                    }
                    Ok(_) => {}
                }
            }
        }
    }
    draft
}

/// Puts the text of one field into the trial, or says what was expected; gives the word that was read where there are words.
fn set(
    column: Column,
    text: &str,
    outcome: Option<Outcome>,
    decimal_commas: bool,
    trial: &mut Trial,
) -> Result<Option<&'static str>, Refusal> {
    let optional = || (!text.is_empty()).then(|| text.to_string());
    match column {
        Column::TrialId => trial.trial_id = text.into(),
        Column::Surface => trial.surface = text.into(),
        Column::Material => trial.material = text.into(),
        Column::Outcome => {
            let allowed = "one of perforated, run_out, opened_at_contact, void";
            return outcome.map(|outcome| Some(outcome.as_str())).ok_or_else(|| allowed.into());
        }
        Column::SurfaceRole if text.is_empty() => {}
        Column::SurfaceRole => {
            let role = SurfaceRole::ALL.into_iter().find(|role| resemble(role.as_str(), text));
            trial.surface_role = role;
            let allowed = "road or laboratory, or nothing where it is not known";
            return role.map(|role| Some(role.as_str())).ok_or_else(|| allowed.into());
        }
        Column::MaterialClass => trial.material_class = optional(),
        Column::Day => trial.day = optional(),
        Column::Run => trial.run = optional(),
        Column::Belt => trial.belt = optional(),
        Column::Laboratory => trial.laboratory = optional(),
        Column::Note => trial.note = optional(),
        Column::Layers => {
            trial.layers = if text.is_empty() { None } else { Some(whole(&column.quantity(), text)?) };
        }
        Column::AbrasionTime
        | Column::BeltDrop
        | Column::Speed
        | Column::DropHeight
        | Column::Temperature
        | Column::NormalForce
        | Column::SpecimenMass
        | Column::Thickness => {
            if !text.is_empty() {
                let value = decimal(&column.quantity(), text, decimal_commas)?;
                if let Some(expected) = column.refuse(value, outcome) {
                    return Err(expected.into());
                }
                if let Some(slot) = column.decimal_mut(trial) {
                    *slot = Some(value);
                }
            }
        }
    }
    Ok(None)
}
