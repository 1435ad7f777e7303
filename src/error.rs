//! One error type for the whole crate.
//!
//! [`Error`] is one word wide, cloneable, `Send + Sync`, and carries an [`ErrorKind`] that can be
//! matched. Every message says what was found, where, and what would mend it, in the words of a
//! test engineer: trials, materials, surfaces, lines. No foreign error type appears in a variant,
//! so that a dependency's version never becomes part of this crate's interface.

use std::fmt;

/// Result with this crate's [`Error`].
///
/// ```
/// use surface_severity::{Result, campaign::Campaign};
/// fn specimens(path: &str) -> Result<usize> {
///     Ok(Campaign::read_path(path)?.trials_in_use().count())
/// }
/// assert_eq!(specimens("data-demo/trials.csv")?, 398);
/// assert!(specimens("no/such/trials.csv").is_err());
/// # Ok::<(), surface_severity::Error>(())
/// ```
pub type Result<T, E = Error> = std::result::Result<T, E>;

/// Anything that can go wrong in this crate; match on [`kind`](Self::kind).
///
/// ```
/// use surface_severity::{ErrorKind, campaign::Campaign, severity::Severity};
/// let campaign = Campaign::read_path("data-demo/trials.csv")?;
/// let error = Severity::new("gravel").fit(&campaign).unwrap_err();
/// assert!(error.is_input(), "the user can mend it");
/// match error.kind() {
///     ErrorKind::UnknownSurface { name, known, .. } => assert!(name == "gravel" && known.len() == 7),
///     other => panic!("{other:?}"),
/// }
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Clone, PartialEq)]
pub struct Error(Box<ErrorKind>);

impl Error {
    /// What went wrong.
    #[must_use]
    pub fn kind(&self) -> &ErrorKind {
        &self.0
    }

    /// True when the input (a file, a table, a document, an option) has to be mended by the user, a file that cannot be
    /// read included; false when the numbers defeated the method or a result could not be written.
    ///
    /// ```
    /// use surface_severity::{ErrorKind, campaign::{Campaign, Trial}};
    /// let campaign = Campaign::from_trials([Trial::perforated("T1", "asphalt", "cowhide", 4.1)])?;
    /// let mut too_small = [0_u8; 10];
    /// let error = campaign.write_csv(&mut too_small[..]).unwrap_err();
    /// assert!(matches!(error.kind(), ErrorKind::NotSaved { path, .. } if path == "trials.csv"));
    /// assert!(!error.is_input());
    /// assert!(Campaign::read_path("no/such/trials.csv").unwrap_err().is_input());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn is_input(&self) -> bool {
        !matches!(
            *self.0,
            ErrorKind::NotSaved { .. } | ErrorKind::NotConverged { .. } | ErrorKind::ReplicatesFailed { .. }
        )
    }
}

impl From<ErrorKind> for Error {
    fn from(kind: ErrorKind) -> Self {
        Self(Box::new(kind))
    }
}

impl fmt::Debug for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl fmt::Display for Error {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        self.0.fmt(f)
    }
}

impl std::error::Error for Error {}

/// One bad field of a table, with everything needed to find and mend it.
///
/// ```
/// use surface_severity::{ErrorKind, campaign::Campaign};
/// let table = "trial_id,surface,material,abrasion_time_s,outcome\nT1,asphalt,cowhide,4.1 s,perforated\n";
/// let error = Campaign::from_reader(table.as_bytes(), "trials.csv").unwrap_err();
/// if let ErrorKind::Table { problems, .. } = error.kind() {
///     assert_eq!((problems[0].line, problems[0].column.as_str()), (2, "abrasion_time_s"));
///     assert!(problems[0].to_string().starts_with("trials.csv:2: column abrasion_time_s"));
/// }
/// # assert!(matches!(error.kind(), ErrorKind::Table { .. }));
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Problem {
    /// File the row came from, or `"trials"` for a table built in code.
    pub file: String,
    /// 1-based line of the file (the header is line 1), or 1-based position for a table built in code.
    pub line: u64,
    /// Column name, as in the file contract; empty where the row as a whole is meant.
    pub column: String,
    /// The offending text, as read without surrounding blanks; long text is cut, and says so.
    pub text: String,
    /// What was expected instead.
    pub expected: String,
    /// How many of this kind there are in the column, this first one counted; 1 where it stands for itself alone.
    pub count: u64,
    /// Line of the last of them.
    pub last_line: u64,
    /// What several of the kind are called, such as `decimal commas`; empty where there is no name for them.
    pub kind: String,
}

impl Problem {
    /// A problem at `file:line` in `column`.
    ///
    /// ```
    /// use surface_severity::Problem;
    /// let problem = Problem::new("trials.csv", 7, "layers", "two", "a whole number, 1 or more");
    /// assert!(problem.to_string().starts_with("trials.csv:7: column layers: found \"two\""));
    /// ```
    pub fn new(
        file: impl Into<String>,
        line: u64,
        column: impl Into<String>,
        text: impl Into<String>,
        expected: impl Into<String>,
    ) -> Self {
        Self {
            file: file.into(),
            line,
            column: column.into(),
            text: text.into(),
            expected: expected.into(),
            count: 1,
            last_line: line,
            kind: String::new(),
        }
    }
}

impl fmt::Display for Problem {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}:{}: ", self.file, self.line)?;
        if !self.column.is_empty() {
            write!(f, "column {}: ", self.column)?;
        }
        if self.count > 1 {
            let kind = match (self.kind.as_str(), self.column.is_empty()) {
                ("", true) => "rows alike",
                ("", false) => "fields alike",
                (kind, _) => kind,
            };
            let (count, line, last) = (self.count, self.line, self.last_line);
            return write!(f, "{count} {kind}, lines {line}-{last}, first {:?}; expected {}", self.text, self.expected);
        }
        if self.text.is_empty() {
            write!(f, "found nothing, expected {}", self.expected)
        } else {
            write!(f, "found {:?}, expected {}", self.text, self.expected)
        }
    }
}

/// Part of a campaign that no fitted trial joins to the rest.
///
/// ```
/// use surface_severity::{ErrorKind, campaign::{Campaign, Trial}, severity::Severity};
/// // Leather only on the road, denim only on the belt: nothing compares road and belt.
/// let campaign = Campaign::from_trials([
///     Trial::perforated("T1", "asphalt", "cowhide", 9.1),
///     Trial::perforated("T2", "asphalt", "cowhide", 8.4),
///     Trial::perforated("T3", "belt", "denim", 1.2),
///     Trial::perforated("T4", "belt", "denim", 1.4),
/// ])?;
/// let error = Severity::new("asphalt").fit(&campaign).unwrap_err();
/// let ErrorKind::Disconnected { components, bridging_cells, .. } = error.kind() else { unreachable!() };
/// assert_eq!((components[0].surfaces.as_slice(), components[1].materials.as_slice()), (&["asphalt".into()][..], &["denim".into()][..]));
/// assert_eq!(bridging_cells.len(), 1, "one further cell joins them");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
#[non_exhaustive]
pub struct Component {
    /// Materials of this part, sorted.
    pub materials: Vec<String>,
    /// Surfaces of this part, sorted.
    pub surfaces: Vec<String>,
}

impl Component {
    /// A component of the material–surface graph.
    ///
    /// ```
    /// use surface_severity::Component;
    /// let part = Component::new(vec!["cowhide".into()], vec!["asphalt".into()]);
    /// assert_eq!((part.materials.len(), part.surfaces.len()), (1, 1));
    /// ```
    #[must_use]
    pub fn new(materials: Vec<String>, surfaces: Vec<String>) -> Self {
        Self { materials, surfaces }
    }
}

fn list_problems(problems: &[Problem], total: usize) -> String {
    let mut text = String::new();
    for problem in problems {
        text.push_str("\n  ");
        text.push_str(&problem.to_string());
    }
    let listed =
        problems.iter().fold(0_usize, |sum, p| sum.saturating_add(usize::try_from(p.count).unwrap_or(usize::MAX)));
    if total > listed {
        text.push_str(&format!("\n  ... and {} more", total - listed));
    }
    text
}

fn list_components(components: &[Component]) -> String {
    components
        .iter()
        .enumerate()
        .map(|(i, c)| {
            format!(
                "\n  part {}: materials [{}] on surfaces [{}]",
                i + 1,
                c.materials.join(", "),
                c.surfaces.join(", ")
            )
        })
        .collect()
}

fn list_cells(cells: &[(String, String)]) -> String {
    cells.iter().map(|(m, s)| format!("{m} on {s}")).collect::<Vec<_>>().join("; ")
}

/// The kinds of [`Error`].
///
/// ```
/// use surface_severity::{ErrorKind, campaign::Campaign};
/// let error = Campaign::from_trials([]).unwrap_err();
/// match error.kind() {
///     ErrorKind::EmptyTable { file, .. } => assert_eq!(file, "trials"),
///     ErrorKind::Table { problems, total, .. } => panic!("{} of {total} problems", problems.len()),
///     other => panic!("{other:?}"),
/// }
/// ```
#[derive(Debug, Clone, PartialEq, thiserror::Error)]
#[non_exhaustive]
pub enum ErrorKind {
    /// A file could not be read.
    #[error("{path}: {reason}")]
    #[non_exhaustive]
    Io {
        /// Path as given.
        path: String,
        /// The system's reason.
        reason: String,
    },
    /// A result could not be written.
    #[error("{path} could not be written: {reason}")]
    #[non_exhaustive]
    NotSaved {
        /// Path as given, or the name of what was to be written.
        path: String,
        /// The system's reason.
        reason: String,
    },
    /// A table has bad rows; all of them up to a limit.
    #[error("{total} {} in the table:{}", if *.total == 1 { "problem" } else { "problems" }, list_problems(.problems, *.total))]
    #[non_exhaustive]
    Table {
        /// The problems, in the order of the rows; many of one kind in one column are one entry with their count.
        problems: Vec<Problem>,
        /// How many there are, which may exceed the sum of the counts.
        total: usize,
    },
    /// A table that is not there: an empty file, a header without rows, a builder without trials.
    #[error("{file}: {reason}")]
    #[non_exhaustive]
    EmptyTable {
        /// The file, or `"trials"` for a table built in code.
        file: String,
        /// What is missing.
        reason: String,
    },
    /// A surface name that the campaign does not have.
    #[error("no surface {name:?} here; known surfaces: {}", .known.join(", "))]
    #[non_exhaustive]
    UnknownSurface {
        /// The name asked for.
        name: String,
        /// The names there are.
        known: Vec<String>,
    },
    /// A material name that the campaign does not have.
    #[error("no material {name:?} here; known materials: {}", .known.join(", "))]
    #[non_exhaustive]
    UnknownMaterial {
        /// The name asked for.
        name: String,
        /// The names there are.
        known: Vec<String>,
    },
    /// An option outside its domain.
    #[error("option {option} = {value}: expected {expected}")]
    #[non_exhaustive]
    InvalidOption {
        /// Name of the option.
        option: String,
        /// The value given.
        value: String,
        /// What was expected.
        expected: String,
    },
    /// The material–surface graph falls apart, so factors between the parts cannot be estimated.
    #[error(
        "the campaign falls into {} parts that share no fitted cell, so no factor between them can be estimated:{}\n  testing these cells would join them: {}",
        .components.len(), list_components(.components), list_cells(.bridging_cells)
    )]
    #[non_exhaustive]
    Disconnected {
        /// The parts.
        components: Vec<Component>,
        /// A smallest set of (material, surface) cells that would join them.
        bridging_cells: Vec<(String, String)>,
    },
    /// There is nothing that the method could be applied to.
    #[error("nothing to fit: {reason}")]
    #[non_exhaustive]
    NothingToFit {
        /// Why.
        reason: String,
    },
    /// Replicate scatter cannot be estimated, so nothing can be given an interval.
    #[error("replicate scatter cannot be estimated: {reason}")]
    #[non_exhaustive]
    ScatterNotEstimable {
        /// Why.
        reason: String,
    },
    /// A quantity that was asked for has no estimate in these data.
    #[error("{quantity} cannot be estimated: {reason}")]
    #[non_exhaustive]
    NotEstimable {
        /// The quantity.
        quantity: String,
        /// Why.
        reason: String,
    },
    /// A precision or power that a plan was asked for and does not reach.
    #[error("{goal} is out of reach: {reason}")]
    #[non_exhaustive]
    OutOfReach {
        /// What was wanted.
        goal: String,
        /// What is reached instead, and by how much of what.
        reason: String,
    },
    /// An iteration did not reach its maximum.
    #[error("{stage} did not converge in {iterations} iterations (scaled gradient {gradient_norm:e})")]
    #[non_exhaustive]
    NotConverged {
        /// Which computation.
        stage: String,
        /// Iterations done.
        iterations: u32,
        /// Scaled gradient norm where it stopped.
        gradient_norm: f64,
    },
    /// Too many bootstrap replicates could not be fitted.
    #[error(
        "{failed} of {replicates} bootstrap replicates failed ({}); at most {allowed} may",
        .by_reason.iter().map(|(reason, n)| format!("{n}: {reason}")).collect::<Vec<_>>().join("; ")
    )]
    #[non_exhaustive]
    ReplicatesFailed {
        /// Failed replicates.
        failed: usize,
        /// Replicates asked for.
        replicates: usize,
        /// Failures allowed.
        allowed: usize,
        /// Failures by reason.
        by_reason: Vec<(String, usize)>,
    },
    /// Fewer paired materials than the method needs.
    #[error("{method} needs at least {needed} {what}, found {found}")]
    #[non_exhaustive]
    TooFew {
        /// The method.
        method: String,
        /// What is counted.
        what: String,
        /// How many it needs.
        needed: usize,
        /// How many there are.
        found: usize,
    },
    /// A saved document that is not what it says, or not consistent in itself.
    #[error("{document}: {reason}")]
    #[non_exhaustive]
    Document {
        /// Kind or path of the document.
        document: String,
        /// What is wrong with it.
        reason: String,
    },
}

impl ErrorKind {
    pub(crate) fn option(option: &str, value: impl fmt::Display, expected: &str) -> Error {
        Self::InvalidOption { option: option.into(), value: value.to_string(), expected: expected.into() }.into()
    }
    pub(crate) fn io(path: impl AsRef<std::path::Path>, error: &std::io::Error) -> Error {
        Self::Io { path: path.as_ref().display().to_string(), reason: error.to_string() }.into()
    }
    pub(crate) fn not_saved(path: impl AsRef<std::path::Path>, reason: &impl fmt::Display) -> Error {
        Self::NotSaved { path: path.as_ref().display().to_string(), reason: reason.to_string() }.into()
    }
    pub(crate) fn document(document: impl Into<String>, reason: impl Into<String>) -> Error {
        Self::Document { document: document.into(), reason: reason.into() }.into()
    }
}
