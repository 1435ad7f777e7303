//! Laboratory reports: times measured on the belt alone.

use std::collections::BTreeMap;
use std::io::Read;
use std::path::Path;

use crate::campaign::Outcome;
use crate::error::{ErrorKind, Problem, Result};
use crate::estimate::BoundSide;
use crate::numeric::count;
use crate::numeric::root::bracketed;
use crate::severity::Distribution;

/// Most problems listed in one error.
const LIMIT: usize = 100;

/// One specimen of a report.
///
/// ```
/// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
/// use surface_severity::campaign::Outcome;
/// // Of report LR-09 one specimen outlasted its run.
/// let report = reports.reports().iter().find(|r| r.report_id() == "LR-09").unwrap();
/// let whole: Vec<_> = report.specimens().iter().filter(|s| s.outcome == Outcome::RunOut).collect();
/// assert_eq!((whole.len(), whole[0].abrasion_time_s), (1, Some(7.5)));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, Copy, PartialEq)]
#[non_exhaustive]
pub struct Specimen {
    /// Its time, s: exact, a lower or an upper bound after its outcome; `None` for a void without one.
    pub abrasion_time_s: Option<f64>,
    /// How it ended.
    pub outcome: Outcome,
}

/// What a report says about its specimens.
#[derive(Debug, Clone, PartialEq)]
enum Times {
    Specimens(Vec<Specimen>),
    Mean { geometric_mean_s: f64, specimens: u32, log_sd: f64 },
}

/// A laboratory report on one material: specimens, or their mean.
///
/// ```
/// use surface_severity::campaign::Outcome;
/// use surface_severity::correction::LabReport;
/// let times = [(4.0, Outcome::Perforated), (5.0, Outcome::Perforated)];
/// let report = LabReport::from_specimens("R 7", "new twill", Some("single-layer textile".into()), &times)?;
/// assert_eq!((report.counted(), report.material_class()), (2, Some("single-layer textile")));
/// assert!((report.log_sd().unwrap() - 1.25_f64.ln() / 2_f64.sqrt()).abs() < 1e-12);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct LabReport {
    report_id: String,
    material: String,
    material_class: Option<String>,
    times: Times,
    days: u32,
}

fn positive(name: &str, value: f64) -> Result<()> {
    if value > 0.0 && value.is_finite() {
        Ok(())
    } else {
        Err(ErrorKind::option(name, value, "a positive, finite number"))
    }
}

impl LabReport {
    /// A report from the times of its specimens, s, each with its outcome; a void is kept and not used.
    ///
    /// ```
    /// use surface_severity::campaign::Outcome;
    /// use surface_severity::correction::LabReport;
    /// let times = [(4.0, Outcome::Perforated), (8.0, Outcome::RunOut), (1.0, Outcome::Void)];
    /// let report = LabReport::from_specimens("R 7", "new twill", None, &times)?;
    /// assert_eq!((report.specimens().len(), report.counted(), report.log_sd()), (3, 2, None));
    /// assert!(LabReport::from_specimens("R 7", "new twill", None, &[(0.0, Outcome::Perforated)]).is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] without any specimen or for a time that is not positive and finite.
    pub fn from_specimens(
        report_id: impl Into<String>,
        material: impl Into<String>,
        material_class: Option<String>,
        specimens: &[(f64, Outcome)],
    ) -> Result<Self> {
        if specimens.is_empty() {
            return Err(ErrorKind::option("specimens", 0, "at least one specimen"));
        }
        for (time, _) in specimens {
            positive("abrasion_time_s", *time)?;
        }
        let times =
            specimens.iter().map(|(t, outcome)| Specimen { abrasion_time_s: Some(*t), outcome: *outcome }).collect();
        Ok(Self {
            report_id: report_id.into(),
            material: material.into(),
            material_class,
            times: Times::Specimens(times),
            days: 1,
        })
    }

    /// A report from the geometric mean of `specimens` perforated specimens, s, and the standard deviation of the
    /// natural logarithms of their times.
    ///
    /// ```
    /// use surface_severity::correction::LabReport;
    /// // Geometric mean 4.47 s of five specimens, standard deviation of their natural logs 0.16.
    /// let report = LabReport::from_mean("R 7", "new twill", None, 4.47, 5, 0.16)?;
    /// assert_eq!((report.counted(), report.log_sd(), report.specimens().len()), (5, Some(0.16), 0));
    /// assert!(LabReport::from_mean("R 7", "new twill", None, 4.47, 1, 0.0).is_err(), "one specimen is no mean");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for a mean that is not positive and finite, fewer than two specimens, or a
    /// standard deviation that is negative or not finite.
    pub fn from_mean(
        report_id: impl Into<String>,
        material: impl Into<String>,
        material_class: Option<String>,
        geometric_mean_s: f64,
        specimens: u32,
        log_sd: f64,
    ) -> Result<Self> {
        positive("geometric_mean_s", geometric_mean_s)?;
        if specimens < 2 {
            return Err(ErrorKind::option("specimens", specimens, "at least 2 specimens in a mean"));
        }
        if !(log_sd >= 0.0 && log_sd.is_finite()) {
            return Err(ErrorKind::option("log_sd", log_sd, "a finite standard deviation of at least 0"));
        }
        Ok(Self {
            report_id: report_id.into(),
            material: material.into(),
            material_class,
            times: Times::Mean { geometric_mean_s, specimens, log_sd },
            days: 1,
        })
    }

    /// Sets the number of days that the specimens came from, alike from each: 1 unless said otherwise. What trials of one
    /// day share is the less in their mean, the more days there were.
    ///
    /// ```
    /// use surface_severity::correction::LabReport;
    /// let report = LabReport::from_mean("R 7", "new twill", None, 4.47, 6, 0.16)?.on_days(2)?;
    /// assert_eq!(report.counted(), 6, "three specimens on each of two days");
    /// assert!(report.on_days(0).is_err());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::InvalidOption`] for 0.
    pub fn on_days(mut self, days: u32) -> Result<Self> {
        if days == 0 {
            return Err(ErrorKind::option("days", days, "at least 1"));
        }
        self.days = days;
        Ok(self)
    }
    pub(crate) fn days(&self) -> f64 {
        f64::from(self.days)
    }

    /// Name of the report.
    #[must_use]
    pub fn report_id(&self) -> &str {
        &self.report_id
    }
    /// The material.
    #[must_use]
    pub fn material(&self) -> &str {
        &self.material
    }
    /// Its class, if stated.
    #[must_use]
    pub fn material_class(&self) -> Option<&str> {
        self.material_class.as_deref()
    }
    /// The single specimens; empty where only their mean is reported.
    #[must_use]
    pub fn specimens(&self) -> &[Specimen] {
        match &self.times {
            Times::Specimens(specimens) => specimens,
            Times::Mean { .. } => &[],
        }
    }
    /// Number of specimens that count: voids do not.
    #[must_use]
    pub fn counted(&self) -> usize {
        match &self.times {
            Times::Specimens(specimens) => specimens.iter().filter(|s| s.outcome != Outcome::Void).count(),
            Times::Mean { specimens, .. } => usize::try_from(*specimens).unwrap_or(usize::MAX),
        }
    }
    /// Standard deviation of the log times of the specimens; `None` with a censored one or fewer than two.
    #[must_use]
    pub fn log_sd(&self) -> Option<f64> {
        match &self.times {
            Times::Mean { log_sd, .. } => Some(*log_sd),
            Times::Specimens(_) => {
                let logs = self.exact_logs()?;
                if logs.len() < 2 {
                    return None;
                }
                let n = count(logs.len());
                let mean = logs.iter().sum::<f64>() / n;
                Some(libm::sqrt(logs.iter().map(|y| (y - mean) * (y - mean)).sum::<f64>() / (n - 1.0)))
            }
        }
    }

    /// Log times, unless one of those that count is censored.
    fn exact_logs(&self) -> Option<Vec<f64>> {
        self.specimens()
            .iter()
            .filter(|s| s.outcome != Outcome::Void)
            .map(|s| match (s.outcome, s.abrasion_time_s) {
                (Outcome::Perforated, Some(t)) => Some(libm::log(t)),
                _ => None,
            })
            .collect()
    }

    /// The log median of this report on the belt, σ given.
    pub(crate) fn log_median(&self, sigma: f64, distribution: Distribution, bound_level: f64) -> LogMedian {
        let spread = sigma * distribution.median();
        if let Times::Mean { geometric_mean_s, specimens, .. } = &self.times {
            let (mean, sd) = distribution.moments();
            return LogMedian::Known {
                value: libm::log(*geometric_mean_s) - sigma * mean + spread,
                variance: sigma * sigma * sd * sd / f64::from(*specimens),
            };
        }
        let times: Vec<(f64, Outcome)> = self
            .specimens()
            .iter()
            .filter(|s| s.outcome != Outcome::Void)
            .filter_map(|s| Some((libm::log(s.abrasion_time_s?), s.outcome)))
            .collect();
        if times.is_empty() {
            return LogMedian::Nothing;
        }
        if distribution == Distribution::LogNormal
            && let Some(logs) = self.exact_logs()
        {
            let n = count(logs.len());
            return LogMedian::Known { value: logs.iter().sum::<f64>() / n, variance: sigma * sigma / n };
        }
        let some = |outcome| times.iter().any(|t| t.1 == outcome);
        if !some(Outcome::Perforated) {
            match (some(Outcome::RunOut), some(Outcome::OpenedAtContact)) {
                (true, false) => return bound(&times, BoundSide::AtLeast, sigma, distribution, bound_level),
                (false, true) => return bound(&times, BoundSide::AtMost, sigma, distribution, bound_level),
                _ => {}
            }
        }
        // Maximum likelihood of the location, σ given: the score falls with the location (log-concave terms).
        let score = |location: f64| -> f64 {
            times.iter().map(|&(y, outcome)| -term(distribution, outcome, (y - location) / sigma).1).sum()
        };
        let (low, high) = extent(&times);
        let (mut a, mut b) = (low - sigma, high + sigma);
        let (mut at_a, mut at_b) = (score(a), score(b));
        let mut step = sigma;
        for _ in 0..60 {
            if at_a >= 0.0 && at_b <= 0.0 {
                break;
            }
            step *= 2.0;
            if at_a < 0.0 {
                a = low - step;
                at_a = score(a);
            }
            if at_b > 0.0 {
                b = high + step;
                at_b = score(b);
            }
        }
        let location = bracketed(score, a, at_a, b, at_b);
        let information: f64 =
            times.iter().map(|&(y, o)| -term(distribution, o, (y - location) / sigma).2).sum::<f64>();
        let value = location + spread;
        let variance = sigma * sigma / information;
        if value.is_finite() && variance.is_finite() && variance > 0.0 {
            LogMedian::Known { value, variance }
        } else {
            LogMedian::Nothing
        }
    }
}

/// What a report says of the log median on the belt.
#[derive(Debug, Clone, Copy, PartialEq)]
pub(crate) enum LogMedian {
    Known { value: f64, variance: f64 },
    Bound { side: BoundSide, value: f64 },
    Nothing,
}

/// Value and first two derivatives of the log-likelihood of one specimen.
fn term(distribution: Distribution, outcome: Outcome, z: f64) -> (f64, f64, f64) {
    let t = match outcome {
        Outcome::RunOut => distribution.log_survival(z),
        Outcome::OpenedAtContact => distribution.log_cumulative(z),
        Outcome::Perforated | Outcome::Void => distribution.log_density(z),
    };
    (t.value, t.first, t.second)
}

fn extent(times: &[(f64, Outcome)]) -> (f64, f64) {
    times.iter().fold((f64::INFINITY, f64::NEG_INFINITY), |(a, b), t| (a.min(t.0), b.max(t.0)))
}

/// The log median at which the probability of every specimen being censored as it was is 1 − level.
fn bound(times: &[(f64, Outcome)], side: BoundSide, sigma: f64, distribution: Distribution, level: f64) -> LogMedian {
    let target = libm::log1p(-level);
    let excess = |location: f64| -> f64 {
        times.iter().map(|&(y, outcome)| term(distribution, outcome, (y - location) / sigma).0).sum::<f64>() - target
    };
    let (low, high) = extent(times);
    let (a, b) = (low - 40.0 * sigma, high + 40.0 * sigma);
    let location = bracketed(excess, a, excess(a), b, excess(b));
    LogMedian::Bound { side, value: location + sigma * distribution.median() }
}

/// The reports of a file.
///
/// ```
/// use surface_severity::correction::LabReports;
/// let reports = LabReports::read_path("data-demo/lab_reports.csv")?;
/// assert_eq!(reports.reports().len(), 12);
/// assert_eq!(reports.reports()[0].report_id(), "LR-01");
/// assert!(reports.unknown_columns().is_empty());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq)]
pub struct LabReports {
    reports: Vec<LabReport>,
    unknown_columns: Vec<String>,
}

const COLUMNS: [&str; 8] =
    ["report_id", "material", "material_class", "abrasion_time_s", "outcome", "specimens", "log_sd", "days"];
const REQUIRED: [&str; 4] = ["report_id", "material", "abrasion_time_s", "outcome"];

struct Collector {
    file: String,
    problems: Vec<Problem>,
    total: usize,
}

impl Collector {
    fn add(&mut self, line: u64, column: &str, text: &str, expected: impl Into<String>) {
        self.total += 1;
        if self.problems.len() < LIMIT {
            self.problems.push(Problem::new(self.file.as_str(), line, column, text, expected));
        }
    }
}

struct Draft {
    line: u64,
    report: LabReport,
}

impl LabReports {
    /// Reads the reports of a file; see [`read`](Self::read).
    ///
    /// ```
    /// use surface_severity::{ErrorKind, correction::LabReports};
    /// assert!(LabReports::read_path("data-demo/lab_reports.csv").is_ok());
    /// let error = LabReports::read_path("no/such/lab_reports.csv").unwrap_err();
    /// assert!(matches!(error.kind(), ErrorKind::Io { .. }));
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Io`], and as [`read`](Self::read).
    pub fn read_path(path: impl AsRef<Path>) -> Result<Self> {
        let path = path.as_ref();
        let file = std::fs::File::open(path).map_err(|e| ErrorKind::io(path, &e))?;
        Self::read(file, &path.display().to_string())
    }

    /// Reads reports as comma-separated text with a header row; column order is free.
    ///
    /// | column | required | values |
    /// |---|---|---|
    /// | report_id | yes | text; rows with the same one are specimens of one report |
    /// | material | yes | text, one per report |
    /// | material_class | no | text, one per report |
    /// | abrasion_time_s | yes unless void | positive, finite decimal seconds |
    /// | outcome | yes | perforated, run_out, opened_at_contact, void |
    /// | specimens | no | whole number of specimens in a mean, 2 or more; empty or 1 for a single specimen |
    /// | log_sd | with specimens of 2 or more | standard deviation of the natural logs of their times |
    /// | days | no | whole number of days that the specimens of the report came from, one per report; empty: 1 |
    ///
    /// A row with `specimens` and `log_sd` is a mean of log times: its `abrasion_time_s` is read as the **geometric
    /// mean** (the exponential of the mean log time), not as the arithmetic mean. Other columns are kept out and listed
    /// in [`unknown_columns`](Self::unknown_columns). `name` is used in messages.
    ///
    /// ```
    /// use surface_severity::{ErrorKind, correction::LabReports};
    /// let text = "report_id,material,abrasion_time_s,outcome,specimens,log_sd\n\
    ///             R 7,new twill,4.47,perforated,5,0.16\n\
    ///             R 8,new felt,8.1,perforated,,\n\
    ///             R 8,new felt,9.3,perforated,,\n";
    /// let reports = LabReports::read(text.as_bytes(), "lab_reports.csv")?;
    /// assert_eq!(reports.reports().iter().map(|r| r.counted()).collect::<Vec<_>>(), [5, 2]);
    /// let error = LabReports::read(text.replace("9.3", "9,3").as_bytes(), "lab_reports.csv").unwrap_err();
    /// assert!(matches!(error.kind(), ErrorKind::Table { .. }));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::Table`] with every problem of every row: missing columns, bad numbers, a material or class that
    /// changes within a report, a mean beside other rows of its report; [`ErrorKind::NothingToFit`] without any row;
    /// [`ErrorKind::Io`].
    pub fn read(reader: impl Read, name: &str) -> Result<Self> {
        let mut table =
            csv::ReaderBuilder::new().has_headers(false).flexible(true).trim(csv::Trim::All).from_reader(reader);
        let mut found = Collector { file: name.to_owned(), problems: Vec::new(), total: 0 };
        let mut drafts: Vec<Draft> = Vec::new();
        let mut header: Option<Header> = None;
        let mut record = csv::ByteRecord::new();
        loop {
            match table.read_byte_record(&mut record) {
                Ok(true) => {}
                Ok(false) => break,
                Err(error) => {
                    return Err(ErrorKind::Io { path: name.to_owned(), reason: error.to_string() }.into());
                }
            }
            let line = record.position().map_or(0, csv::Position::line);
            let Ok(text) = csv::StringRecord::from_byte_record(record.clone()) else {
                found.add(line, "(row)", &String::from_utf8_lossy(record.as_slice()), "UTF-8 text");
                continue;
            };
            match &header {
                None => header = Some(Header::read(&text, line, &mut found)?),
                Some(header) => {
                    if let Some(report) = header.row(&text, line, &mut found) {
                        drafts.push(Draft { line, report });
                    }
                }
            }
        }
        let reports = join(drafts, &mut found);
        if found.total > 0 {
            return Err(ErrorKind::Table { problems: found.problems, total: found.total }.into());
        }
        if reports.is_empty() {
            return Err(ErrorKind::NothingToFit { reason: format!("{name} holds no report") }.into());
        }
        let unknown_columns = header.map_or_else(Vec::new, |h| h.unknown);
        Ok(Self { reports, unknown_columns })
    }

    /// The reports, in the order in which they first appear.
    #[must_use]
    pub fn reports(&self) -> &[LabReport] {
        &self.reports
    }
    /// Columns that the contract does not know and that were not read.
    #[must_use]
    pub fn unknown_columns(&self) -> &[String] {
        &self.unknown_columns
    }
}

struct Header {
    position: BTreeMap<&'static str, usize>,
    width: usize,
    unknown: Vec<String>,
}

impl Header {
    fn read(row: &csv::StringRecord, line: u64, found: &mut Collector) -> Result<Self> {
        let mut header = Self { position: BTreeMap::new(), width: row.len(), unknown: Vec::new() };
        for (k, name) in row.iter().enumerate() {
            let name = if k == 0 { name.trim_start_matches('\u{feff}') } else { name };
            match COLUMNS.iter().find(|c| **c == name) {
                Some(known) => {
                    if header.position.insert(known, k).is_some() {
                        found.add(line, known, name, "each column once");
                    }
                }
                None => header.unknown.push(name.to_owned()),
            }
        }
        let listed = row.iter().collect::<Vec<_>>().join(",");
        for required in REQUIRED {
            if !header.position.contains_key(required) {
                found.add(line, required, &listed, format!("a column {required:?}"));
            }
        }
        if found.total > 0 {
            // Rows cannot be read without their columns.
            return Err(ErrorKind::Table { problems: std::mem::take(&mut found.problems), total: found.total }.into());
        }
        Ok(header)
    }

    fn row(&self, row: &csv::StringRecord, line: u64, found: &mut Collector) -> Option<LabReport> {
        if row.iter().all(str::is_empty) {
            return None;
        }
        if row.len() != self.width {
            let text = row.iter().collect::<Vec<_>>().join(",");
            found.add(line, "(row)", &text, format!("{} fields as in the header, found {}", self.width, row.len()));
            return None;
        }
        let field = |name: &str| self.position.get(name).and_then(|k| row.get(*k)).unwrap_or("");
        let before = found.total;
        for name in ["report_id", "material"] {
            if field(name).is_empty() {
                found.add(line, name, "", "a name");
            }
        }
        let outcome = field("outcome").parse::<Outcome>().ok();
        if outcome.is_none() {
            found.add(line, "outcome", field("outcome"), "perforated, run_out, opened_at_contact or void");
        }
        let time = match (field("abrasion_time_s"), outcome) {
            ("", Some(Outcome::Void)) => None,
            (text, _) => match text.parse::<f64>().ok().filter(|t| *t > 0.0 && t.is_finite()) {
                Some(time) => Some(time),
                None => {
                    found.add(line, "abrasion_time_s", text, "a positive number of seconds, such as 2.35");
                    None
                }
            },
        };
        let specimens = match field("specimens") {
            "" => Some(1),
            text => {
                let n = text.parse::<u32>().ok().filter(|n| *n > 0);
                if n.is_none() {
                    found.add(line, "specimens", text, "a whole number of specimens, or nothing");
                }
                n
            }
        };
        let log_sd = match field("log_sd") {
            "" => None,
            text => {
                let sd = text.parse::<f64>().ok().filter(|s| *s >= 0.0 && s.is_finite());
                if sd.is_none() {
                    found.add(line, "log_sd", text, "a standard deviation of log times of at least 0, or nothing");
                }
                sd
            }
        };
        let days = match field("days") {
            "" => Some(1),
            text => {
                let n = text.parse::<u32>().ok().filter(|n| *n > 0);
                if n.is_none() {
                    found.add(line, "days", text, "a whole number of days, or nothing");
                }
                n
            }
        };
        let mean = specimens.is_some_and(|n| n > 1);
        if mean && field("log_sd").is_empty() {
            let expected = "the standard deviation of the natural logs of the times, since the row is a mean of \
                            several specimens; otherwise give one row per specimen";
            found.add(line, "log_sd", "", expected);
        }
        if specimens == Some(1) && !field("log_sd").is_empty() {
            found.add(line, "specimens", field("specimens"), "the number of specimens in the mean, 2 or more");
        }
        if mean && outcome.is_some_and(|o| o != Outcome::Perforated) {
            let expected = "perforated in a mean of several specimens; give censored specimens one row each";
            found.add(line, "outcome", field("outcome"), expected);
        }
        if found.total > before {
            return None;
        }
        let times = match (specimens, log_sd, time) {
            (Some(specimens), Some(log_sd), Some(geometric_mean_s)) if specimens > 1 => {
                Times::Mean { geometric_mean_s, specimens, log_sd }
            }
            _ => Times::Specimens(vec![Specimen { abrasion_time_s: time, outcome: outcome? }]),
        };
        let class = field("material_class");
        Some(LabReport {
            report_id: field("report_id").to_owned(),
            material: field("material").to_owned(),
            material_class: (!class.is_empty()).then(|| class.to_owned()),
            times,
            days: days?,
        })
    }
}

/// Joins the rows of each report, in order of first appearance.
fn join(drafts: Vec<Draft>, found: &mut Collector) -> Vec<LabReport> {
    let mut reports: Vec<Draft> = Vec::new();
    let mut position: BTreeMap<String, usize> = BTreeMap::new();
    for draft in drafts {
        let Some(&k) = position.get(&draft.report.report_id) else {
            position.insert(draft.report.report_id.clone(), reports.len());
            reports.push(draft);
            continue;
        };
        let first = &mut reports[k];
        let (id, line) = (&draft.report.report_id, draft.line);
        if first.report.material != draft.report.material {
            let expected = format!("{:?}, the material of report {id} on line {}", first.report.material, first.line);
            found.add(line, "material", &draft.report.material, expected);
        }
        if first.report.material_class != draft.report.material_class {
            let named = first.report.material_class.as_deref().unwrap_or("");
            let expected = format!("{named:?}, the class of report {id} on line {}", first.line);
            found.add(line, "material_class", draft.report.material_class.as_deref().unwrap_or(""), expected);
        }
        if first.report.days != draft.report.days {
            let expected = format!("{}, the days of report {id} on line {}", first.report.days, first.line);
            found.add(line, "days", &draft.report.days.to_string(), expected);
        }
        match (&mut first.report.times, draft.report.times) {
            (Times::Specimens(specimens), Times::Specimens(more)) => specimens.extend(more),
            _ => {
                let expected =
                    format!("no other row in report {id}, one of whose rows is a mean (line {})", first.line);
                found.add(line, "specimens", id, expected);
            }
        }
    }
    reports.into_iter().map(|d| d.report).collect()
}
