//! Reading laboratory reports: by the same machinery and to the same rules as trials.

use std::collections::BTreeMap;
use std::io::Read;
use std::path::Path;

use csv::StringRecord;

use super::reports::{LabReport, ReferenceReading, Specimen};
use crate::campaign::{
    Campaign, Contract, Layout, Outcome, PROBLEM_LIMIT, Problems, Quantity, Spellings, Trial, decimal, looks,
    normalise_label, read_sheet, refuse_time, whole,
};
use crate::error::{ErrorKind, Result};
use crate::estimate::significant;

/// Columns of [`REPORTS`].
const REPORT_ID: usize = 0;
const MATERIAL: usize = 1;
const TIME: usize = 2;
const OUTCOME: usize = 3;
const CLASS: usize = 4;
const SURFACE: usize = 5;
const SPECIMENS: usize = 6;
const LOG_SD: usize = 7;
const DAYS: usize = 8;
const REFERENCE: usize = 9;
const DROPS: usize = 10;

static REPORTS: Contract = Contract {
    columns: &[
        "report_id",
        "material",
        "abrasion_time_s",
        "outcome",
        "material_class",
        "laboratory_surface",
        "specimens",
        "log_sd",
        "days",
        "reference_time_s",
        "reference_drops",
        "speed_m_per_s",
        "drop_height_mm",
        "normal_force_n",
    ],
    required: 4,
    decimals: &[TIME, LOG_SD, REFERENCE, SETTINGS[0].0, SETTINGS[1].0, SETTINGS[2].0],
    row: "a report",
    meant,
};

/// The column that people call by another name.
fn meant(name: &str) -> Option<&'static str> {
    const OTHER_NAMES: [(&str, &[&str]); 11] = [
        ("report_id", &["id", "report", "report_no", "certificate"]),
        ("material", &["fabric", "cloth", "product"]),
        ("abrasion_time_s", &["time", "seconds", "abrasion_time", "mean_s", "time_s"]),
        ("outcome", &["result", "status"]),
        ("material_class", &["class", "family"]),
        ("laboratory_surface", &["surface", "belt", "laboratory"]),
        ("specimens", &["n", "count", "number"]),
        ("log_sd", &["sd", "std", "scatter"]),
        ("days", &["day", "date"]),
        ("reference_time_s", &["reference", "reference_time", "reference_cloth", "reference_cloth_s"]),
        ("reference_drops", &["reference_n", "reference_specimens"]),
    ];
    let is = |other: &&str| looks(other) == looks(name);
    OTHER_NAMES.iter().find(|(_, others)| others.iter().any(is)).map(|(column, _)| *column)
}

const SECONDS: Quantity = Quantity {
    words: "a positive number of seconds such as 2.35",
    unit: "s",
    absent: "(a specimen without a valid time is void, with nothing here)",
    is_time: true,
    is_count: false,
};
const SCATTER: Quantity = Quantity {
    words: "a standard deviation of log times, 0 or more",
    unit: "",
    absent: "(or nothing where the row is one specimen)",
    is_time: false,
    is_count: false,
};

/// A setting of the rig: column, name, unit, and what a trial says of it.
type Setting = (usize, &'static str, &'static str, fn(&Trial) -> Option<f64>);
const SETTINGS: [Setting; 3] = [
    (11, "speed", "m/s", |t| t.speed_m_per_s),
    (12, "drop height", "mm", |t| t.drop_height_mm),
    (13, "normal force", "N", |t| t.normal_force_n),
];
/// Relative difference from which a report ran at another setting than the campaign's belt.
const OTHER_SETTING: f64 = 0.05;

const fn counted(words: &'static str, absent: &'static str) -> Quantity {
    Quantity { words, unit: "", absent, is_time: false, is_count: true }
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
    notes: Vec<String>,
    /// Settings that rows name: place among [`SETTINGS`], report, value.
    settings: Vec<(usize, String, f64)>,
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
        let bytes = std::fs::read(path).map_err(|e| ErrorKind::io(path, &e))?;
        Self::read_bytes(&bytes, &path.display().to_string())
    }

    /// Reads reports as comma-separated text with a header row; column order is free. Quotation marks, labels, numbers and
    /// encodings are held to the rules of [trials.csv](crate::campaign).
    ///
    /// | column | required | values |
    /// |---|---|---|
    /// | report_id | yes | text; rows with the same one are specimens of one report |
    /// | material | yes | text, one per report |
    /// | abrasion_time_s | yes unless void | decimal seconds, 0.0001 to 100 000 |
    /// | outcome | yes | perforated, run_out, opened_at_contact, void |
    /// | material_class | no | text, one per report |
    /// | laboratory_surface | no | text, one per report: the belt it was measured on |
    /// | specimens | no | whole number of specimens in a mean, 2 or more; empty or 1 for a single specimen |
    /// | log_sd | with specimens of 2 or more | standard deviation of the natural logs of their times |
    /// | days | no | whole number of days that the specimens of the report came from, one per report, at most as many as specimens that count; empty: 1 |
    /// | reference_time_s | no | geometric mean of the reference cloth on the days and belt of the report, decimal seconds, one per report |
    /// | reference_drops | no | whole number of drops in that mean; empty: 1 |
    /// | speed_m_per_s, drop_height_mm, normal_force_n | no | decimal; held against those of the campaign's belt ([`compared_with`](Self::compared_with)) |
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
    /// [`ErrorKind::Table`] with every problem of every row: missing columns, bad numbers, names that look alike, a
    /// material, class or laboratory surface that changes within a report, a mean beside other rows of its report;
    /// [`ErrorKind::EmptyTable`] without any row; [`ErrorKind::Io`].
    pub fn read(mut reader: impl Read, name: &str) -> Result<Self> {
        let mut bytes = Vec::new();
        reader.read_to_end(&mut bytes).map_err(|error| ErrorKind::io(name, &error))?;
        Self::read_bytes(&bytes, name)
    }

    fn read_bytes(bytes: &[u8], name: &str) -> Result<Self> {
        let mut drafts: Vec<Draft> = Vec::new();
        let mut unknown_columns = Vec::new();
        let mut settings = Vec::new();
        let mut first = true;
        let row = |layout: &Layout, line: u64, record: &StringRecord, problems: &mut Problems| {
            if std::mem::take(&mut first) {
                unknown_columns = layout.other_columns();
            }
            let row = Row { layout, line, record };
            for (at, (column, _, unit, _)) in SETTINGS.into_iter().enumerate() {
                let words = "a positive number such as 8.0";
                let quantity = Quantity { words, unit, absent: "(or nothing)", is_time: false, is_count: false };
                if let Some(value) = row.number(column, &quantity, problems) {
                    settings.push((at, row.text(REPORT_ID).to_owned(), value));
                }
            }
            drafts.extend(draft(&row, problems));
        };
        let mut problems = read_sheet(bytes, &REPORTS, PROBLEM_LIMIT, Problems::new(name), row)?;
        look_alikes(&drafts, &mut problems);
        let reports = join(drafts, &mut problems);
        let notes = problems.settle(PROBLEM_LIMIT)?.into_texts();
        Ok(Self { reports, unknown_columns, notes, settings })
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
    /// What was taken as it was meant though it was written otherwise, in plain English; empty for a table that keeps to
    /// the contract.
    #[must_use]
    pub fn reading_notes(&self) -> &[String] {
        &self.notes
    }

    /// What does not fit between these reports and a campaign, in plain English: a material or class written otherwise
    /// there, a material of another class there, a laboratory surface that is none there, reports that do not say
    /// which of several laboratory surfaces they are of, and settings of the rig that are not those of the campaign's belt. Empty where all fits; a new material or class is no remark.
    ///
    /// ```
    /// use surface_severity::{campaign::Campaign, correction::LabReports};
    /// let campaign = Campaign::read_path("data-demo/trials.csv")?;
    /// let text = "report_id,material,material_class,abrasion_time_s,outcome\nR 7,new hide,Leather,4.5,perforated\n";
    /// let remarks = LabReports::read(text.as_bytes(), "lab_reports.csv")?.compared_with(&campaign);
    /// assert_eq!(remarks, ["report R 7: material_class \"Leather\" is written \"leather\" in the campaign"]);
    /// let text = "report_id,material,abrasion_time_s,outcome,speed_m_per_s\nR 7,new hide,4.5,perforated,4.0\n";
    /// let remarks = LabReports::read(text.as_bytes(), "lab_reports.csv")?.compared_with(&campaign);
    /// assert!(remarks[0].starts_with("report R 7: made at a speed of 4.00 m/s, the belt of the campaign ran at 8.0"));
    /// assert!(LabReports::read_path("data-demo/lab_reports.csv")?.compared_with(&campaign).is_empty());
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn compared_with(&self, campaign: &Campaign) -> Vec<String> {
        let mut remarks = Vec::new();
        let materials: Vec<&str> = campaign.materials().iter().map(|m| m.name.as_str()).collect();
        let mut classes: Vec<&str> = campaign.materials().iter().filter_map(|m| m.class.as_deref()).collect();
        classes.sort_unstable();
        classes.dedup();
        let belts = campaign.laboratory_surfaces();
        for report in &self.reports {
            let id = report.report_id();
            for (column, found, known) in [
                ("material", Some(report.material()), &materials),
                ("material_class", report.material_class(), &classes),
                ("laboratory_surface", report.laboratory_surface(), &belts),
            ] {
                let Some(found) = found.filter(|found| !known.contains(found)) else { continue };
                if let Some(alike) = known.iter().find(|k| looks(k) == looks(found)) {
                    remarks.push(format!("report {id}: {column} {found:?} is written {alike:?} in the campaign"));
                } else if column == "laboratory_surface" {
                    let known = if known.is_empty() { "none".into() } else { known.join(", ") };
                    remarks.push(format!("report {id}: {found:?} is no laboratory surface of the campaign ({known})"));
                }
            }
            let here = report.material_class();
            let there =
                campaign.material(report.material()).ok().and_then(|m| campaign.materials()[m].class.as_deref());
            if let (Some(here), Some(there)) = (here, there)
                && here != there
            {
                remarks.push(format!(
                    "report {id}: {:?} is of class {here:?} here and of class {there:?} in the campaign",
                    report.material()
                ));
            }
        }
        let unsaid = self.reports.iter().filter(|r| r.laboratory_surface().is_none()).count();
        if belts.len() > 1 && unsaid > 0 {
            remarks.push(format!(
                "{unsaid} of {} reports do not say which of the laboratory surfaces {} they are of (column laboratory_surface)",
                self.reports.len(),
                belts.join(", ")
            ));
        }
        remarks.extend(self.other_settings(campaign));
        remarks
    }

    /// Settings of the rig at which reports were not made as the campaign's laboratory trials were.
    fn other_settings(&self, campaign: &Campaign) -> Vec<String> {
        let belts = campaign.laboratory_surfaces();
        let on_belt = |t: &&Trial| t.outcome != Outcome::Void && belts.contains(&t.surface.as_str());
        let mut remarks = Vec::new();
        for (at, (_, setting, unit, of)) in SETTINGS.into_iter().enumerate() {
            let mut usual: Vec<f64> = campaign.trials_in_use().filter(on_belt).filter_map(of).collect();
            usual.sort_by(f64::total_cmp);
            let Some(&median) = usual.get(usual.len() / 2) else { continue };
            let other = |s: &&(usize, String, f64)| s.0 == at && (s.2 / median - 1.0).abs() > OTHER_SETTING;
            let mut reports: Vec<&str> = self.settings.iter().filter(other).map(|s| s.1.as_str()).collect();
            reports.dedup();
            if let (Some(first), Some(value)) = (reports.first(), self.settings.iter().find(other)) {
                let more = if reports.len() > 1 { format!(" and {} more", reports.len() - 1) } else { String::new() };
                remarks.push(format!(
                    "report {first}{more}: made at a {setting} of {} {unit}, the belt of the campaign ran at {}; its correction \
                     does not hold there",
                    significant(value.2, 3),
                    significant(median, 3)
                ));
            }
        }
        remarks
    }
}

struct Draft {
    line: u64,
    report: LabReport,
}

/// One row, read field by field.
struct Row<'r> {
    layout: &'r Layout,
    line: u64,
    record: &'r StringRecord,
}

impl Row<'_> {
    fn text(&self, column: usize) -> &str {
        self.layout.field(self.record, column)
    }

    fn refuse(&self, column: usize, refusal: impl Into<crate::campaign::Refusal>, problems: &mut Problems) {
        problems.at(column, self.line, REPORTS.columns[column], self.text(column), refusal);
    }

    /// A label in its normal form; empty where it is absent or refused.
    fn label(&self, column: usize, problems: &mut Problems) -> String {
        let mut text = self.text(column).to_owned();
        match normalise_label(&mut text) {
            Some(expected) => {
                self.refuse(column, expected, problems);
                String::new()
            }
            None => text,
        }
    }

    /// The number in a field, where there is one.
    fn number(&self, column: usize, quantity: &Quantity, problems: &mut Problems) -> Option<f64> {
        let text = self.text(column);
        if text.is_empty() {
            return None;
        }
        let number = decimal(quantity, text, self.layout.decimal_commas).and_then(|value| match column {
            TIME | REFERENCE if value > 0.0 => refuse_time(value).map_or(Ok(value), |expected| Err(expected.into())),
            LOG_SD if value >= 0.0 => Ok(value),
            _ if value > 0.0 && SETTINGS.iter().any(|s| s.0 == column) => Ok(value),
            _ => Err(quantity.words.into()),
        });
        number.map_err(|refusal| self.refuse(column, refusal, problems)).ok()
    }

    fn count(&self, column: usize, quantity: &Quantity, problems: &mut Problems) -> u32 {
        let text = self.text(column);
        if text.is_empty() {
            return 1;
        }
        whole(quantity, text).map_err(|refusal| self.refuse(column, refusal, problems)).unwrap_or(0)
    }
}

/// The report of one row, or nothing after reporting what is wrong with it.
fn draft(row: &Row, problems: &mut Problems) -> Option<Draft> {
    const SPECIMEN_COUNT: Quantity =
        counted("a whole number of specimens, 1 or more", "(or nothing where the row is one specimen)");
    const DAY_COUNT: Quantity = counted("a whole number of days, 1 or more", "(or nothing for one day)");
    let &Row { layout, line, record } = row;
    let before = problems.len();
    let [report_id, material] = [REPORT_ID, MATERIAL].map(|column| {
        let name = row.label(column, problems);
        if row.text(column).is_empty() {
            row.refuse(column, "a name", problems);
        }
        name
    });
    let optional = [CLASS, SURFACE].map(|column| Some(row.label(column, problems)).filter(|text| !text.is_empty()));
    let outcome = layout.outcome(record);
    match outcome {
        None => row.refuse(OUTCOME, "one of perforated, run_out, opened_at_contact, void", problems),
        Some(meant) if meant.as_str() != row.text(OUTCOME) => {
            problems.notes.line(&format!("column outcome: {:?} is read as {meant}", row.text(OUTCOME)), line);
        }
        Some(_) => {}
    }
    if row.text(TIME).is_empty() && outcome != Some(Outcome::Void) {
        row.refuse(TIME, SECONDS.words, problems);
    }
    let time = row.number(TIME, &SECONDS, problems);
    let specimens = row.count(SPECIMENS, &SPECIMEN_COUNT, problems);
    let log_sd = row.number(LOG_SD, &SCATTER, problems);
    let days = row.count(DAYS, &DAY_COUNT, problems);
    let reference = reference(row, problems);
    let has_scatter = !row.text(LOG_SD).is_empty();
    if specimens > 1 && !has_scatter {
        let expected = "the standard deviation of the natural logs of the times, since the row is a mean of several \
                        specimens; otherwise give one row per specimen";
        row.refuse(LOG_SD, expected, problems);
    }
    if specimens == 1 && has_scatter {
        row.refuse(SPECIMENS, "the number of specimens in the mean, 2 or more", problems);
    }
    if specimens > 1 && outcome.is_some_and(|o| o != Outcome::Perforated) {
        let expected = "perforated in a mean of several specimens; give censored specimens one row each";
        row.refuse(OUTCOME, expected, problems);
    }
    if problems.len() > before {
        return None;
    }
    let specimen = Specimen { abrasion_time_s: time, outcome: outcome? };
    let mean = log_sd.filter(|_| specimens > 1).map(|log_sd| (specimens, log_sd));
    Some(Draft {
        line,
        report: LabReport::from_row([report_id, material], optional, specimen, mean, (days, reference)),
    })
}

/// What the reference cloth gave beside the report.
fn reference(row: &Row, problems: &mut Problems) -> Option<ReferenceReading> {
    const DROP_COUNT: Quantity = counted("a whole number of drops, 1 or more", "(or nothing for one drop)");
    let geometric_mean_s = row.number(REFERENCE, &SECONDS, problems);
    let drops = row.count(DROPS, &DROP_COUNT, problems);
    if !row.text(DROPS).is_empty() && row.text(REFERENCE).is_empty() {
        row.refuse(REFERENCE, "the time of the reference cloth, since its drops are counted", problems);
    }
    geometric_mean_s.map(|geometric_mean_s| ReferenceReading { geometric_mean_s, drops })
}

/// Reports names that look like another of their column.
fn look_alikes(drafts: &[Draft], problems: &mut Problems) {
    for column in [REPORT_ID, MATERIAL, CLASS, SURFACE] {
        let mut spellings = Spellings::default();
        for Draft { line, report } in drafts {
            let name = match column {
                REPORT_ID => Some(report.report_id()),
                MATERIAL => Some(report.material()),
                CLASS => report.material_class(),
                _ => report.laboratory_surface(),
            };
            if let Some(name) = name {
                spellings.add(name, *line);
            }
        }
        spellings.report(column, REPORTS.columns[column], problems);
    }
}

/// Joins the rows of each report, in order of first appearance.
fn join(drafts: Vec<Draft>, problems: &mut Problems) -> Vec<LabReport> {
    let mut reports: Vec<Draft> = Vec::new();
    let mut position: BTreeMap<String, usize> = BTreeMap::new();
    for draft in drafts {
        let Some(&k) = position.get(draft.report.report_id()) else {
            position.insert(draft.report.report_id().to_owned(), reports.len());
            reports.push(draft);
            continue;
        };
        let first = &mut reports[k];
        let (id, line) = (draft.report.report_id(), draft.line);
        let mut differ = |column: usize, called: &str, was: &str, is: &str| {
            if was != is {
                let expected = format!("{was:?}, the {called} of report {id} on line {}", first.line);
                problems.at(column, line, REPORTS.columns[column], is, expected);
            }
        };
        let (a, b) = (&first.report, &draft.report);
        differ(MATERIAL, "material", a.material(), b.material());
        differ(CLASS, "class", a.material_class().unwrap_or(""), b.material_class().unwrap_or(""));
        let [was, is] = [a, b].map(|r| r.laboratory_surface().unwrap_or(""));
        differ(SURFACE, "laboratory surface", was, is);
        differ(DAYS, "days", &a.day_count().to_string(), &b.day_count().to_string());
        let [was, is] =
            [a, b].map(|r| r.reference().map_or(String::new(), |r| format!("{} ({})", r.geometric_mean_s, r.drops)));
        differ(REFERENCE, "reference reading", &was, &is);
        if !first.report.join(&draft.report) {
            let expected = format!("no other row in report {id}, one of whose rows is a mean (line {})", first.line);
            problems.at(SPECIMENS, line, REPORTS.columns[SPECIMENS], id, expected);
        }
    }
    for Draft { line, report } in &reports {
        let (days, most) = (report.day_count(), report.counted().max(1));
        if usize::try_from(days).is_ok_and(|days| days > most) {
            let expected =
                format!("at most {most} days, as many as specimens that count in report {}", report.report_id());
            problems.at(DAYS, *line, REPORTS.columns[DAYS], &days.to_string(), expected);
        }
    }
    reports.into_iter().map(|d| d.report).collect()
}
