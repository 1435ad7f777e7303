//! Tables as Arrow record batches (feature `arrow`).

use std::collections::HashMap;
use std::sync::Arc;

use arrow_array::{ArrayRef, Float64Array, RecordBatch, StringArray, UInt64Array};
use arrow_schema::{DataType, Field, Schema};

use super::{Align, Table, Value};
use crate::error::{ErrorKind, Result};

impl Table {
    /// The table as a record batch, as exact as the CSV: columns under their names for CSV, null where there is nothing; the
    /// heading and unit are metadata of the field, title and caption of the schema. Notes are not part of it.
    ///
    /// A column of numbers is `Float64`, one of counts alone `UInt64`, any other `Utf8`; one in which a quantity is only known
    /// to a bound is therefore `Utf8`, with its numbers as text, so that no bound is taken for an estimate.
    ///
    /// # Errors
    /// [`ErrorKind::Document`] where Arrow refuses the batch.
    ///
    /// ```
    /// use surface_severity::tables::{Column, Table, Value};
    /// let mut table = Table::new("Slide times", vec![Column::words("road", "road"), Column::numbers("time_s", "time").unit("s")]);
    /// table.push(vec![Value::text("worn"), Value::number(2.3149)])?;
    /// let batch = table.to_record_batch()?;
    /// assert_eq!((batch.num_rows(), batch.schema().field(1).name().as_str()), (1, "time_s"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    pub fn to_record_batch(&self) -> Result<RecordBatch> {
        let mut fields = Vec::with_capacity(self.columns.len());
        let mut arrays: Vec<ArrayRef> = Vec::with_capacity(self.columns.len());
        for (i, column) in self.columns.iter().enumerate() {
            let cells = || self.rows.iter().map(|row| &row[i]);
            let held = |kind: fn(&Value) -> bool| cells().any(kind);
            let array: ArrayRef = if held(|v| matches!(v, Value::Text(_))) {
                Arc::new(cells().map(text).collect::<StringArray>())
            } else if held(|v| matches!(v, Value::Number { .. } | Value::Probability(_))) {
                Arc::new(cells().map(number).collect::<Float64Array>())
            } else if held(|v| matches!(v, Value::Count(_))) {
                Arc::new(cells().map(whole).collect::<UInt64Array>())
            } else if column.align == Align::Left {
                Arc::new(cells().map(text).collect::<StringArray>())
            } else {
                Arc::new(cells().map(number).collect::<Float64Array>())
            };
            let mut metadata = HashMap::from([("heading".to_owned(), column.heading.clone())]);
            if let Some(unit) = &column.unit {
                metadata.insert("unit".into(), unit.clone());
            }
            let kind: DataType = array.data_type().clone();
            fields.push(Field::new(&column.name, kind, true).with_metadata(metadata));
            arrays.push(array);
        }
        let metadata =
            HashMap::from([("title".to_owned(), self.title.clone()), ("caption".to_owned(), self.caption.clone())]);
        let options = arrow_array::RecordBatchOptions::new().with_row_count(Some(self.rows.len()));
        RecordBatch::try_new_with_options(Arc::new(Schema::new_with_metadata(fields, metadata)), arrays, &options)
            .map_err(|e| ErrorKind::document("record batch", e.to_string()))
    }
}

fn text(value: &Value) -> Option<String> {
    (*value != Value::Missing).then(|| value.exact())
}

#[allow(clippy::cast_precision_loss)]
fn number(value: &Value) -> Option<f64> {
    match value {
        Value::Number { value, .. } | Value::Probability(value) => Some(*value),
        Value::Count(n) => Some(*n as f64),
        Value::Text(_) | Value::Missing => None,
    }
}

fn whole(value: &Value) -> Option<u64> {
    match value {
        Value::Count(n) => u64::try_from(*n).ok(),
        _ => None,
    }
}
