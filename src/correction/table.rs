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

const COLUMNS: [&str; 14] = [
    "report_id",
    "material",
    "material_class",
    "specimens",
    "belt_median_s",
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
    /// assert!(csv.starts_with("report_id,material,material_class,specimens,belt_median_s,road,road_median_s,"));
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
