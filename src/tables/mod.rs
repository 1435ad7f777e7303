//! Result tables: for the screen, for a spreadsheet, for a text file, for a page.
//!
//! | | |
//! |---|---|
//! | in  | any result of the other rooms: a severity fit, cell medians, ... |
//! | out | a [`Table`]: aligned text ([`Display`](std::fmt::Display)), Markdown, CSV, HTML |
//!
//! Plain tables need no plotting library and are therefore not part of the `report` feature: a host
//! that embeds the small library still gets its numbers as text. Pictures and the page are in `report`.
//!
//! # Conventions
//! One table, two readers. Text, Markdown and HTML round to a few significant digits, put the unit in
//! the heading and a dash where there is nothing. CSV keeps every digit, has one machine-readable
//! column name per column (`lower_0.95`, unit in the name) and an empty field where there is nothing;
//! title, caption and notes are not part of it.
//! A quantity of which only a bound is known is written in words, `at least 12.4`, in every form: a
//! program that takes it for an estimate then fails instead of misleading.
//!
//! Names from the user's table are escaped in Markdown and HTML.
//!
//! # What can go wrong
//! Nothing: every result has a table. The results themselves print as their tables
//! (`println!("{fit}")`).

#[cfg(feature = "arrow")]
mod arrow;
mod checks;
mod claims;
mod equivalence;
mod escape;
mod mixed;
mod planning;
mod render;
mod screening;
mod severity;
mod words;

pub use checks::{distributions, scatter};
pub use claims::{class_corrections, decisions, prediction_gains, requirements, seasons, slides};
pub use equivalence::{corrected_reports, corrections, equivalence, lab_road_lines};
pub use mixed::variance_components;
pub use planning::{
    augmentation, equivalence_power, planned_cells, planned_corrections, planned_factors, run_sheet, simulated_factors,
};
pub use screening::{answers, flagged, influence, verdicts};
pub use severity::{
    additivity, bootstrap_intervals, cell_medians, class_factors, durabilities, fit_summary, notes, surface_factors,
};

pub(crate) use self::words::{capital, count};
/// What pictures and the page share with the tables.
#[cfg(feature = "report")]
pub(crate) use self::{
    escape::{clean, escape_html, escape_markdown},
    screening::{influence_title, largest_on, left_out, spoken},
    severity::limits,
    words::{interval_method, ladder_order, of_class},
};

use crate::error::{ErrorKind, Result};
use crate::estimate::{Estimate, significant};

/// What a cell holds.
///
/// ```
/// use surface_severity::tables::Value;
/// // Rounded for people, whole in CSV.
/// assert_eq!((Value::number(2.3149).shown(), Value::number(2.3149).exact()), ("2.31".into(), "2.3149".into()));
/// assert_eq!((Value::Probability(2e-5).shown(), Value::Probability(2e-5).exact()), ("< 0.001".into(), "0.00002".into()));
/// assert_eq!((Value::Missing.shown(), Value::Missing.exact()), ("–".into(), String::new()));
/// ```
#[derive(Debug, Clone, PartialEq)]
#[non_exhaustive]
pub enum Value {
    /// Words.
    Text(String),
    /// A number, rounded to `digits` significant digits for people and kept whole in CSV.
    Number {
        /// The number; finite.
        value: f64,
        /// Significant digits shown.
        digits: usize,
    },
    /// How many.
    Count(usize),
    /// A probability: three decimals for people, `< 0.001` below that and `> 0.999` above.
    Probability(f64),
    /// Nothing, shown as a dash.
    Missing,
}

impl Value {
    /// Words.
    ///
    /// ```
    /// use surface_severity::tables::Value;
    /// assert_eq!(Value::text("brushed concrete").shown(), "brushed concrete");
    /// ```
    pub fn text(text: impl Into<String>) -> Self {
        Self::Text(text.into())
    }
    /// A number shown with three significant digits; missing where it is not finite.
    ///
    /// ```
    /// use surface_severity::tables::Value;
    /// assert_eq!(Value::number(12.345).shown(), "12.3");
    /// assert_eq!(Value::number(f64::NAN), Value::Missing);
    /// ```
    #[must_use]
    pub fn number(value: f64) -> Self {
        Self::digits(value, 3)
    }
    /// A number shown with `digits` significant digits; missing where it is not finite.
    ///
    /// ```
    /// use surface_severity::tables::Value;
    /// assert_eq!(Value::digits(12.345, 2).shown(), "12");
    /// ```
    #[must_use]
    pub fn digits(value: f64, digits: usize) -> Self {
        if value.is_finite() { Self::Number { value, digits } } else { Self::Missing }
    }
    /// As [`number`](Self::number), missing for `None`.
    ///
    /// ```
    /// use surface_severity::tables::Value;
    /// assert_eq!((Value::optional(Some(2.0)).shown(), Value::optional(None)), ("2.00".into(), Value::Missing));
    /// ```
    #[must_use]
    pub fn optional(value: Option<f64>) -> Self {
        value.map_or(Self::Missing, Self::number)
    }
    /// Words, missing for `None`.
    ///
    /// ```
    /// use surface_severity::tables::Value;
    /// assert_eq!(Value::optional_text(None).shown(), "–");
    /// ```
    #[must_use]
    pub fn optional_text(text: Option<&str>) -> Self {
        text.map_or(Self::Missing, Self::text)
    }

    /// The three cells of an estimate: value, lower and upper limit. A bound is one cell of words.
    ///
    /// ```
    /// use surface_severity::{Bound, BoundSide, tables::Value};
    /// // A bound is words, so that nobody takes it for an estimate.
    /// let bound = Bound::new(BoundSide::AtLeast, 12.4, 0.95, "every specimen outlasted its run")?;
    /// let [value, lower, upper] = Value::estimate(&bound.into());
    /// assert_eq!((value.exact().as_str(), lower, upper), ("at least 12.4", Value::Missing, Value::Missing));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn estimate(estimate: &Estimate) -> [Self; 3] {
        match estimate {
            Estimate::Interval(i) => [Self::number(i.estimate()), Self::number(i.lower()), Self::number(i.upper())],
            other => [Self::text(other.to_string()), Self::Missing, Self::Missing],
        }
    }

    /// As people read it.
    #[must_use]
    pub fn shown(&self) -> String {
        match self {
            Self::Text(text) => text.clone(),
            Self::Number { value, digits } => significant(*value, *digits),
            Self::Count(n) => n.to_string(),
            Self::Probability(p) if *p < 0.001 => "< 0.001".into(),
            Self::Probability(p) if *p > 0.999 && *p < 1.0 => "> 0.999".into(),
            Self::Probability(p) => format!("{p:.3}"),
            Self::Missing => "–".into(),
        }
    }

    /// As CSV keeps it: every digit, nothing where there is nothing.
    #[must_use]
    pub fn exact(&self) -> String {
        match self {
            Self::Text(text) => text.clone(),
            Self::Number { value, .. } | Self::Probability(value) => value.to_string(),
            Self::Count(n) => n.to_string(),
            Self::Missing => String::new(),
        }
    }
}

/// Side on which the cells of a column line up.
///
/// ```
/// use surface_severity::tables::{Align, Column};
/// assert_eq!(Column::words("road", "road").align(), Align::Left);
/// assert_eq!(Column::numbers("time_s", "time").align(), Align::Right);
/// ```
#[derive(Debug, Clone, Copy, PartialEq, Eq)]
pub enum Align {
    /// Words.
    Left,
    /// Numbers.
    Right,
}

/// A column.
///
/// ```
/// use surface_severity::tables::Column;
/// let column = Column::numbers("median_s", "median").unit("s");
/// assert_eq!((column.name(), column.heading(), column.unit_name()), ("median_s", "median", Some("s")));
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct Column {
    name: String,
    heading: String,
    unit: Option<String>,
    align: Align,
}

impl Column {
    /// A column of words. `name` is for CSV, `heading` for people.
    ///
    /// ```
    /// use surface_severity::tables::Column;
    /// assert_eq!(Column::words("surface", "road surface").heading(), "road surface");
    /// ```
    pub fn words(name: impl Into<String>, heading: impl Into<String>) -> Self {
        Self { name: name.into(), heading: heading.into(), unit: None, align: Align::Left }
    }
    /// A column of numbers without a unit.
    ///
    /// ```
    /// use surface_severity::tables::Column;
    /// assert_eq!(Column::numbers("factor", "k").unit_name(), None);
    /// ```
    pub fn numbers(name: impl Into<String>, heading: impl Into<String>) -> Self {
        Self { name: name.into(), heading: heading.into(), unit: None, align: Align::Right }
    }
    /// Sets the unit, which people see behind the heading; the name for CSV should carry it already.
    #[must_use]
    pub fn unit(mut self, unit: impl Into<String>) -> Self {
        self.unit = Some(unit.into());
        self
    }
    /// The two columns of limits at `level`; the level stands in name and heading.
    ///
    /// ```
    /// use surface_severity::tables::Column;
    /// let [lower, upper] = Column::limits(0.95, Some("s"));
    /// assert_eq!((lower.name(), upper.heading()), ("lower_0.95_s", "upper 0.95"));
    /// ```
    #[must_use]
    pub fn limits(level: f64, unit: Option<&str>) -> [Self; 2] {
        ["lower", "upper"].map(|side| {
            let suffix = unit.map_or(String::new(), |u| format!("_{u}"));
            let column = Self::numbers(format!("{side}_{level}{suffix}"), format!("{side} {level}"));
            if let Some(unit) = unit { column.unit(unit) } else { column }
        })
    }
    /// Name in CSV.
    #[must_use]
    pub fn name(&self) -> &str {
        &self.name
    }
    /// Heading without the unit.
    #[must_use]
    pub fn heading(&self) -> &str {
        &self.heading
    }
    /// Unit, if the numbers have one.
    #[must_use]
    pub fn unit_name(&self) -> Option<&str> {
        self.unit.as_deref()
    }
    /// Alignment.
    #[must_use]
    pub fn align(&self) -> Align {
        self.align
    }

    fn full_heading(&self) -> String {
        match &self.unit {
            Some(unit) => format!("{}, {unit}", self.heading),
            None => self.heading.clone(),
        }
    }
}

/// Intervals drawn beside the numbers of an HTML table, on one common scale.
#[derive(Debug, Clone, PartialEq)]
pub(crate) struct Drawn {
    pub(crate) heading: String,
    /// Logarithmic scale; all values positive.
    pub(crate) log: bool,
    /// A value marked by a line through all rows.
    pub(crate) mark: Option<f64>,
    /// Lower, estimate, upper of each row.
    pub(crate) rows: Vec<Option<[f64; 3]>>,
}

/// A table of results.
///
/// ```
/// use surface_severity::tables::{Column, Table, Value};
///
/// let mut table = Table::new("Slide times", vec![Column::words("road", "road"), Column::numbers("time_s", "time").unit("s")]);
/// table.push(vec![Value::text("worn"), Value::number(2.3149)])?;
/// assert_eq!(table.to_csv(), "road,time_s\nworn,2.3149\n");
/// assert!(table.to_string().contains("2.31"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct Table {
    title: String,
    caption: String,
    columns: Vec<Column>,
    rows: Vec<Vec<Value>>,
    notes: Vec<String>,
    drawn: Option<Drawn>,
    /// Leading columns whose repeated cells become a heading of their rows in HTML.
    grouped: usize,
}

impl Table {
    /// An empty table.
    ///
    /// ```
    /// use surface_severity::tables::{Column, Table};
    /// let table = Table::new("Slide times", vec![Column::words("road", "road")]);
    /// assert!(table.is_empty() && table.title() == "Slide times");
    /// ```
    pub fn new(title: impl Into<String>, columns: Vec<Column>) -> Self {
        Self {
            title: title.into(),
            caption: String::new(),
            columns,
            rows: Vec::new(),
            notes: Vec::new(),
            drawn: None,
            grouped: 0,
        }
    }
    /// Sets the caption: what is shown and by what method.
    #[must_use]
    pub fn with_caption(mut self, caption: impl Into<String>) -> Self {
        self.caption = caption.into();
        self
    }
    /// Adds a row.
    ///
    /// ```
    /// use surface_severity::tables::{Column, Table, Value};
    /// let mut table = Table::new("Slide times", vec![Column::words("road", "road"), Column::numbers("time_s", "time").unit("s")]);
    /// assert!(table.push(vec![Value::text("worn"), Value::number(2.3)]).is_ok());
    /// assert!(table.push(vec![Value::text("worn")]).is_err(), "a row as long as the columns");
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a row that is not as long as [`columns`](Self::columns).
    pub fn push(&mut self, row: Vec<Value>) -> Result<()> {
        if row.len() != self.columns.len() {
            return Err(ErrorKind::option("row", row.len(), &format!("{} cells", self.columns.len())));
        }
        self.rows.push(row);
        Ok(())
    }
    /// As [`push`](Self::push), for the builders of this room, whose rows have the right length.
    pub(crate) fn add(&mut self, row: Vec<Value>) {
        debug_assert_eq!(row.len(), self.columns.len());
        self.rows.push(row);
    }
    /// Adds a note under the table.
    pub fn note(&mut self, note: impl Into<String>) {
        self.notes.push(note.into());
    }
    /// Title.
    #[must_use]
    pub fn title(&self) -> &str {
        &self.title
    }
    /// What is shown and by what method; may be empty.
    #[must_use]
    pub fn caption(&self) -> &str {
        &self.caption
    }
    /// Columns.
    #[must_use]
    pub fn columns(&self) -> &[Column] {
        &self.columns
    }
    /// Rows; each as long as [`columns`](Self::columns).
    #[must_use]
    pub fn rows(&self) -> &[Vec<Value>] {
        &self.rows
    }
    /// Notes under the table.
    #[must_use]
    pub fn notes(&self) -> &[String] {
        &self.notes
    }
    /// True without rows.
    #[must_use]
    pub fn is_empty(&self) -> bool {
        self.rows.is_empty()
    }

    pub(crate) fn group(&mut self, columns: usize) {
        self.grouped = columns.min(self.columns.len().saturating_sub(1));
    }

    pub(crate) fn draw(&mut self, drawn: Drawn) {
        self.drawn = Some(drawn);
    }
}
