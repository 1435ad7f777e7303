//! Campaigns as Arrow record batches (feature `arrow`).

use std::sync::Arc;

use arrow_array::cast::AsArray;
use arrow_array::types::{
    Float16Type, Float32Type, Float64Type, Int8Type, Int16Type, Int32Type, Int64Type, UInt8Type, UInt16Type,
    UInt32Type, UInt64Type,
};
use arrow_array::{Array, ArrayRef, Float64Array, RecordBatch, StringArray, UInt32Array};
use arrow_schema::{DataType, Field, Schema};
use csv::StringRecord;

use super::column::{Column, excerpt, shortest};
use super::outcome::SurfaceRole;
use super::problems::Problems;
use super::read::CampaignReader;
use super::table::Campaign;
use super::trial::Trial;
use crate::error::{Error, ErrorKind, Result};

impl Campaign {
    /// The trials as a record batch: columns, names and units of trials.csv ([`to_csv`](Self::to_csv)), rows in the order of
    /// [`trials`](Self::trials). Labels and text are `Utf8`, decimal columns `Float64`, `layers` `UInt32`; null where absent.
    /// Reading it back gives an equal table. Decisions are not part of it.
    ///
    /// # Errors
    /// [`ErrorKind::Document`] where Arrow refuses the batch, which a checked table does not give it reason for.
    ///
    /// ```
    /// use surface_severity::campaign::Campaign;
    /// let campaign = Campaign::read_path("data-demo/trials.csv")?;
    /// let batch = campaign.to_record_batch()?;
    /// assert_eq!(batch.num_rows(), campaign.len());
    /// assert_eq!(Campaign::from_record_batch(&batch)?.digest(), campaign.digest());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub fn to_record_batch(&self) -> Result<RecordBatch> {
        let mut fields = Vec::new();
        let mut arrays: Vec<ArrayRef> = Vec::new();
        for (i, column) in Column::ALL.into_iter().enumerate() {
            let array = self.array(column);
            let required = i < Column::REQUIRED;
            if !required && array.null_count() == array.len() {
                continue;
            }
            // A void trial may have no time.
            let nullable = !required || column == Column::AbrasionTime;
            fields.push(Field::new(column.name(), array.data_type().clone(), nullable));
            arrays.push(array);
        }
        for name in self.covariate_columns() {
            let values: StringArray =
                self.trials().iter().map(|t| t.covariates.get(name).map(String::as_str)).collect();
            fields.push(Field::new(name, DataType::Utf8, true));
            arrays.push(Arc::new(values));
        }
        batch(fields, arrays)
    }

    fn array(&self, column: Column) -> ArrayRef {
        let text = |of: &dyn Fn(&Trial) -> Option<&str>| -> ArrayRef {
            Arc::new(self.trials().iter().map(of).collect::<StringArray>())
        };
        match column {
            Column::TrialId => text(&|t| Some(&t.trial_id)),
            Column::Surface => text(&|t| Some(&t.surface)),
            Column::Material => text(&|t| Some(&t.material)),
            Column::Outcome => text(&|t| Some(t.outcome.as_str())),
            Column::SurfaceRole => text(&|t| t.surface_role.map(SurfaceRole::as_str)),
            Column::Layers => Arc::new(self.trials().iter().map(|t| t.layers).collect::<UInt32Array>()),
            Column::MaterialClass | Column::Day | Column::Run | Column::Belt | Column::Laboratory | Column::Note => {
                text(&|t| column.optional_text(t))
            }
            Column::AbrasionTime
            | Column::BeltDrop
            | Column::Speed
            | Column::DropHeight
            | Column::Temperature
            | Column::NormalForce
            | Column::SpecimenMass
            | Column::Thickness => Arc::new(self.trials().iter().map(|t| column.decimal(t)).collect::<Float64Array>()),
        }
    }

    /// Reads a record batch with the default options; see [`CampaignReader::from_record_batch`].
    ///
    /// ```
    /// use surface_severity::campaign::Campaign;
    /// let campaign = Campaign::read_path("data-demo/trials.csv")?;
    /// let again = Campaign::from_record_batch(&campaign.to_record_batch()?)?;
    /// assert_eq!(again.digest(), campaign.digest());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As there.
    pub fn from_record_batch(batch: &RecordBatch) -> Result<Self> {
        CampaignReader::new().from_record_batch(batch, "record batch")
    }
}

impl CampaignReader {
    /// Reads a record batch by the rules of trials.csv: the same columns, in any order; columns that the contract does not know
    /// become covariates. `name` is what errors call it; their lines are 1-based rows of the batch (1 for a problem of
    /// the column names too).
    ///
    /// Any column may be text (`Utf8`, `LargeUtf8`, `Utf8View`, or a dictionary of these), whole or floating numbers, or null.
    /// A number counts as its shortest decimal text, so that labels may be numbers, and a `Float32` 3.1 is 3.1 s. Null and
    /// empty text are both "absent".
    ///
    /// ```
    /// use surface_severity::campaign::{Campaign, CampaignReader};
    /// let batch = Campaign::read_path("data-demo/trials.csv")?.to_record_batch()?;
    /// let campaign = CampaignReader::new().laboratory_surface("laboratory belt").from_record_batch(&batch, "trials")?;
    /// assert_eq!(campaign.len(), batch.num_rows());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// As [`from_reader`](Self::from_reader): [`ErrorKind::Table`] with every problem, also for a column of another type;
    /// [`ErrorKind::EmptyTable`] without rows.
    pub fn from_record_batch(&self, batch: &RecordBatch, name: &str) -> Result<Campaign> {
        let mut problems = Problems::new(name);
        let schema = batch.schema();
        let mut columns = Vec::with_capacity(batch.num_columns());
        for (field, array) in schema.fields().iter().zip(batch.columns()) {
            match Cells::new(array) {
                Some(cells) => columns.push(cells),
                None => problems.header(
                    1,
                    &excerpt(field.name()),
                    format!("a column of type {}", field.data_type()),
                    "text or numbers; cast it first",
                ),
            }
        }
        let names: StringRecord = schema.fields().iter().map(|f| f.name().as_str()).collect();
        let rows = (0..batch.num_rows()).map(|row| columns.iter().map(|c| c.text(row)).collect());
        self.read_records(&names, rows, problems)
    }
}

impl TryFrom<&RecordBatch> for Campaign {
    type Error = Error;
    /// As [`Campaign::from_record_batch`].
    fn try_from(batch: &RecordBatch) -> Result<Self> {
        Self::from_record_batch(batch)
    }
}

fn batch(fields: Vec<Field>, arrays: Vec<ArrayRef>) -> Result<RecordBatch> {
    RecordBatch::try_new(Arc::new(Schema::new(fields)), arrays)
        .map_err(|e| ErrorKind::document("record batch", e.to_string()))
}

/// A column whose cells have a text.
enum Cells<'a> {
    Plain(&'a ArrayRef),
    /// Keys into the cells of a dictionary.
    Dictionary(&'a ArrayRef, Vec<usize>, Box<Cells<'a>>),
}

impl<'a> Cells<'a> {
    fn new(array: &'a ArrayRef) -> Option<Self> {
        match array.data_type() {
            DataType::Dictionary(..) => {
                let dictionary = array.as_any_dictionary_opt()?;
                let values = Self::new(dictionary.values())?;
                // Null keys are anything; keys of an empty dictionary are all null.
                let keys =
                    if dictionary.values().is_empty() { vec![0; array.len()] } else { dictionary.normalized_keys() };
                Some(Self::Dictionary(array, keys, Box::new(values)))
            }
            DataType::Null
            | DataType::Utf8
            | DataType::LargeUtf8
            | DataType::Utf8View
            | DataType::Float16
            | DataType::Float32
            | DataType::Float64
            | DataType::Int8
            | DataType::Int16
            | DataType::Int32
            | DataType::Int64
            | DataType::UInt8
            | DataType::UInt16
            | DataType::UInt32
            | DataType::UInt64 => Some(Self::Plain(array)),
            _ => None,
        }
    }

    /// Empty where null.
    fn text(&self, row: usize) -> String {
        let array = match self {
            Self::Plain(array) | Self::Dictionary(array, ..) => array,
        };
        if array.data_type() == &DataType::Null || array.is_null(row) {
            return String::new();
        }
        if let Self::Dictionary(_, keys, values) = self {
            return values.text(keys[row]);
        }
        match array.data_type() {
            DataType::Utf8 => array.as_string::<i32>().value(row).to_owned(),
            DataType::LargeUtf8 => array.as_string::<i64>().value(row).to_owned(),
            DataType::Utf8View => array.as_string_view().value(row).to_owned(),
            DataType::Float64 => shortest(array.as_primitive::<Float64Type>().value(row)),
            DataType::Float32 => array.as_primitive::<Float32Type>().value(row).to_string(),
            DataType::Float16 => array.as_primitive::<Float16Type>().value(row).to_string(),
            DataType::Int8 => array.as_primitive::<Int8Type>().value(row).to_string(),
            DataType::Int16 => array.as_primitive::<Int16Type>().value(row).to_string(),
            DataType::Int32 => array.as_primitive::<Int32Type>().value(row).to_string(),
            DataType::Int64 => array.as_primitive::<Int64Type>().value(row).to_string(),
            DataType::UInt8 => array.as_primitive::<UInt8Type>().value(row).to_string(),
            DataType::UInt16 => array.as_primitive::<UInt16Type>().value(row).to_string(),
            DataType::UInt32 => array.as_primitive::<UInt32Type>().value(row).to_string(),
            DataType::UInt64 => array.as_primitive::<UInt64Type>().value(row).to_string(),
            // Refused by `new`.
            _ => String::new(),
        }
    }
}
