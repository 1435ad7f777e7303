//! Corrected reports as a table for spreadsheets.

use super::corrected::CorrectedTime;
use super::factor::Correction;
use crate::document::{CRATE_VERSION, defused};
use crate::error::{ErrorKind, Result};
use crate::estimate::{BoundSide, Estimate, significant};

/// Digits that are written: more than any limit deserves.
const DIGITS: usize = 4;
/// Characters of the campaign's digest that are enough to find it again.
const SHORT_DIGEST: usize = 12;

const COLUMNS: [&str; 15] = [
    "report_id",
    "material",
    "material_class",
    "specimens",
    "belt_median_s",
    "belt_ratio",
    "road",
    "road_median_s",
    "lower_s",
    "upper_s",
    "one_specimen_lower_s",
    "one_specimen_upper_s",
    "level",
    "validity",
    "source",
];

impl Correction {
    /// Corrected reports as comma-separated text with a header row, for spreadsheets: times to four digits, names that a
    /// spreadsheet would take for a formula preceded by an apostrophe.
    ///
    /// | columns | meaning |
    /// |---|---|
    /// | report_id, material, material_class | as in the report; empty where not stated |
    /// | specimens, belt_median_s | specimens that count, and their median on the belt |
    /// | belt_ratio | how much longer the reference cloth lasted with the report than in the campaign, where it was read through it |
    /// | road | road surface |
    /// | road_median_s, lower_s, upper_s | see [`CorrectedTime::road_median_s`]; where only a bound is known, that limit alone |
    /// | one_specimen_lower_s, one_specimen_upper_s | see [`CorrectedTime::road_specimen_s`] |
    /// | level | confidence level of the limits; of a bound, one-sided |
    /// | validity | inside the domain, or how far and on which side beyond it; class not represented or not stated |
    /// | source | first characters of the campaign's SHA-256, and version of this crate |
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
    /// let rows: Vec<_> = reports.reports().iter().flat_map(|r| correction.apply(r)).collect();
    /// let csv = correction.reports_csv(&rows)?;
    /// assert!(csv.starts_with("report_id,material,material_class,specimens,belt_median_s,belt_ratio,road,road_median_s,"));
    /// assert_eq!(csv.lines().count(), 1 + 12 * 6, "a header, then each report on each road");
    /// assert!(csv.contains(&correction.campaign_digest()[..12]), "every row can be traced");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::NotSaved`] should writing to memory fail.
    pub fn reports_csv(&self, rows: &[CorrectedTime]) -> Result<String> {
        let failed = |e: &dyn std::fmt::Display| -> crate::Error { ErrorKind::not_saved("corrected_reports.csv", &e) };
        let digest: String = self.campaign_digest().chars().take(SHORT_DIGEST).collect();
        let source = format!("{digest} {CRATE_VERSION}");
        let mut writer = csv::Writer::from_writer(Vec::new());
        writer.write_record(COLUMNS).map_err(|e| failed(&e))?;
        for row in rows {
            writer.write_record(fields(row, &source)).map_err(|e| failed(&e))?;
        }
        let bytes = writer.into_inner().map_err(|e| failed(&e.error()))?;
        String::from_utf8(bytes).map_err(|e| failed(&e))
    }
}

#[cfg(feature = "spreadsheet")]
impl Correction {
    /// The table of [`reports_csv`](Self::reports_csv) as an .xlsx workbook of one sheet, with numbers as numbers (feature
    /// `spreadsheet`). The same rows give the same bytes.
    ///
    /// ```
    /// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
    /// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
    /// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
    /// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
    /// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
    /// let rows: Vec<_> = reports.reports().iter().flat_map(|r| correction.apply(r)).collect();
    /// let workbook = correction.reports_xlsx(&rows)?;
    /// assert!(workbook.starts_with(b"PK") && workbook == correction.reports_xlsx(&rows)?);
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    ///
    /// # Errors
    /// [`ErrorKind::NotSaved`] for a table that no sheet can hold: more than 1 048 575 rows, a name above 32 767 characters.
    pub fn reports_xlsx(&self, rows: &[CorrectedTime]) -> Result<Vec<u8>> {
        use rust_xlsxwriter::{DocProperties, ExcelDateTime, Workbook, XlsxError};
        let failed = |e: XlsxError| ErrorKind::not_saved("corrected_reports.xlsx", &e);
        let csv = self.reports_csv(rows)?;
        let mut workbook = Workbook::new();
        // No clock: a workbook has the bytes of its rows.
        let date = ExcelDateTime::from_ymd(2000, 1, 1).map_err(failed)?;
        workbook.set_properties(&DocProperties::new().set_creation_datetime(&date));
        let sheet = workbook.add_worksheet();
        sheet.set_name("corrected reports").map_err(failed)?;
        let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(csv.as_bytes());
        for (r, record) in (0..).zip(reader.records().flatten()) {
            for ((column, field), name) in (0..).zip(record.iter()).zip(COLUMNS) {
                // Cells of a workbook say what they are: no apostrophe is needed.
                let number = if r > 0 && !WORDS.contains(&name) { field.parse::<f64>().ok() } else { None };
                match number {
                    Some(number) => sheet.write_number(r, column, number).map_err(failed)?,
                    None if field.is_empty() => continue,
                    None => sheet.write_string(r, column, field.strip_prefix('\'').unwrap_or(field)).map_err(failed)?,
                };
            }
        }
        sheet.set_freeze_panes(1, 0).map_err(failed)?;
        workbook.save_to_buffer().map_err(failed)
    }
}

/// Columns that hold words, whatever they look like.
#[cfg(feature = "spreadsheet")]
const WORDS: [&str; 6] = ["report_id", "material", "material_class", "road", "validity", "source"];

/// Estimate and limits as text, and their level.
fn cells(estimate: &Estimate) -> ([String; 3], Option<f64>) {
    let shown = |v: f64| significant(v, DIGITS);
    match estimate {
        Estimate::Interval(i) => ([i.estimate(), i.lower(), i.upper()].map(shown), Some(i.level())),
        Estimate::Bound(b) => {
            let mut cells = [const { String::new() }; 3];
            cells[if b.side() == BoundSide::AtLeast { 1 } else { 2 }] = shown(b.value());
            (cells, Some(b.level()))
        }
        Estimate::NotEstimable(_) => ([const { String::new() }; 3], None),
    }
}

fn fields(row: &CorrectedTime, source: &str) -> [String; COLUMNS.len()] {
    let ([median, lower, upper], level) = cells(&row.road_median_s);
    let ([_, least, most], _) = cells(&row.road_specimen_s);
    [
        defused(&row.report_id),
        defused(&row.material),
        defused(row.material_class.as_deref().unwrap_or_default()),
        row.specimens.to_string(),
        row.laboratory_median_s.value().map(|v| significant(v, DIGITS)).unwrap_or_default(),
        row.belt_ratio.map(|v| significant(v, DIGITS)).unwrap_or_default(),
        defused(&row.surface),
        median,
        lower,
        upper,
        least,
        most,
        level.map(|l| l.to_string()).unwrap_or_default(),
        row.validity.to_string(),
        source.to_owned(),
    ]
}

#[cfg(all(test, feature = "spreadsheet"))]
mod tests {
    use super::*;
    use crate::campaign::Campaign;
    use crate::correction::LabReport;
    use crate::equivalence::Equivalence;
    use crate::severity::Severity;
    use calamine::{Data, Reader, open_workbook_auto_from_rs};

    #[test]
    fn a_workbook_holds_numbers_and_words_as_the_text_does() {
        let campaign = Campaign::read_path(concat!(env!("CARGO_MANIFEST_DIR"), "/data-demo/trials.csv")).unwrap();
        let fit = Severity::new("dense asphalt concrete").fit(&campaign).unwrap();
        let equivalence = Equivalence::new("laboratory belt").fit(&campaign, &fit).unwrap();
        let correction = Correction::derive(&equivalence, &Default::default()).unwrap();
        // A report whose name is a number, a material that a spreadsheet would compute.
        let report = LabReport::from_mean("0042", "=1+1", Some("leather".into()), 2.0, 5, 0.2).unwrap();
        let bytes = correction.reports_xlsx(&correction.apply(&report)).unwrap();
        let mut book = open_workbook_auto_from_rs(std::io::Cursor::new(bytes)).unwrap();
        let sheet = book.worksheet_range("corrected reports").unwrap();
        let rows: Vec<&[Data]> = sheet.rows().collect();
        assert_eq!((rows.len(), rows[0].len()), (7, COLUMNS.len()));
        assert_eq!((&rows[1][0], &rows[1][1]), (&Data::String("0042".into()), &Data::String("=1+1".into())));
        let median = correction.apply(&report)[0].road_median_s().value().unwrap();
        assert!(matches!(rows[1][7], Data::Float(x) if (x / median - 1.0).abs() < 5e-4), "{:?}", rows[1]);
    }
}
