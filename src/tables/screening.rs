//! Tables of the screening.

use std::fmt;

use crate::screening::{InfluenceRow, InfluenceTable, LeftOut, ScreeningReport, Verdict};

use super::{Column, Table, Value};

/// Above so many surfaces the table of influence names only the one that changes most.
const MOST_SURFACES: usize = 12;

/// Every trial with its verdict: flagged ones first, then those with a remark, then the rest, each in
/// the order of trial ids.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::{screening::Screening, tables};
/// let report = Screening::new().influence(false).screen(&campaign, &plan)?;
/// assert_eq!(tables::verdicts(&report).rows().len(), campaign.len());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn verdicts(report: &ScreeningReport) -> Table {
    let mut rows: Vec<&Verdict> = report.verdicts().iter().collect();
    // Stable: the order of trial ids survives.
    rows.sort_by_key(|v| (!v.flagged, v.evidence.is_empty() && v.reason.is_empty()));
    verdict_table("Screening of every trial", report, rows.into_iter())
}

/// The flagged trials alone.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::{screening::Screening, tables};
/// let report = Screening::new().influence(false).screen(&campaign, &plan)?;
/// let table = tables::flagged(&report);
/// assert_eq!(table.rows().len(), report.flagged().count());
/// println!("{table}");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn flagged(report: &ScreeningReport) -> Table {
    verdict_table("Flagged trials", report, report.flagged())
}

/// Every trial about which something is said: flagged, then remarks and voids.
#[cfg(feature = "report")]
pub(crate) fn spoken(report: &ScreeningReport) -> Table {
    let mut rows: Vec<&Verdict> =
        report.verdicts().iter().filter(|v| v.flagged || !v.evidence.is_empty() || !v.reason.is_empty()).collect();
    rows.sort_by_key(|v| (!v.flagged, v.evidence.is_empty()));
    verdict_table("Flagged trials, remarks and voids", report, rows.into_iter())
}

fn verdict_table<'a>(title: &str, report: &ScreeningReport, rows: impl Iterator<Item = &'a Verdict>) -> Table {
    let columns = vec![
        Column::words("trial_id", "trial"),
        Column::words("material", "material"),
        Column::words("surface", "surface"),
        Column::numbers("abrasion_time_s", "time").unit("s"),
        Column::words("outcome", "outcome"),
        Column::words("verdict", "verdict"),
        Column::words("reason", "evidence"),
    ];
    let mut table = Table::new(title, columns).with_caption(
        "Rules on recorded conditions, then tests on log times within cells, adjusted for the number of trials looked at. A \
         flag is a question to whoever ran the drop; nothing is removed.",
    );
    for v in rows {
        let verdict = if v.flagged {
            Value::text("flagged")
        } else if v.evidence.is_empty() {
            Value::Missing
        } else {
            Value::text("remark")
        };
        table.add(vec![
            Value::text(&v.trial_id),
            Value::text(&v.material),
            Value::text(&v.surface),
            Value::optional(v.abrasion_time_s),
            Value::text(v.outcome.to_string().replace('_', " ")),
            verdict,
            if v.reason.is_empty() { Value::Missing } else { Value::text(&v.reason) },
        ]);
    }
    for note in report.notes() {
        table.note(note.to_string());
    }
    table
}

/// Each factor on all trials, robustly, without the flagged trials, and as decided where decisions are
/// in force: the answers side by side.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::{screening::Screening, tables};
/// let report = Screening::new().influence(false).screen(&campaign, &plan)?;
/// let table = tables::answers(&report);
/// assert_eq!(table.rows().len(), report.headline().len());
/// println!("{table}");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn answers(report: &ScreeningReport) -> Table {
    let level = report.severity().confidence_level();
    let decided = report.headline().iter().any(|row| row.decided.is_some());
    let mut columns = vec![Column::words("surface", "surface")];
    let mut answer = |name: &str, heading: &str, change: Option<&str>| {
        columns.push(Column::numbers(name, heading));
        columns.extend(
            ["lower", "upper"].map(|side| Column::numbers(format!("{name}_{side}_{level}"), format!("{side} {level}"))),
        );
        if let Some(change) = change {
            columns.push(Column::numbers(change, "change").unit("%"));
        }
    };
    answer("all_trials", "k, all trials", None);
    answer("robust", "k, robust", Some("robust_change_percent"));
    answer("without_flagged", "k without flagged", Some("change_percent"));
    if decided {
        answer("decided", "k as decided", Some("decided_change_percent"));
    }
    let mut table = Table::new("One scale, several answers", columns).with_caption(
        "The severity fit on all trials, by a robust estimator that gives trials far off less weight, and without the flagged \
         trials; changes from the first. Where they agree, no single trial decides the scale.",
    );
    let change = |c: Option<f64>| c.map_or(Value::Missing, |c| Value::digits(c, 2));
    for row in report.headline() {
        let mut cells = vec![Value::text(&row.surface)];
        cells.extend(Value::estimate(&row.all_trials));
        cells.extend(Value::estimate(&row.robust));
        cells.push(change(row.robust_change_percent));
        cells.extend(Value::estimate(&row.without_flagged));
        cells.push(change(row.change_percent));
        if decided {
            match &row.decided {
                Some(estimate) => cells.extend(Value::estimate(estimate)),
                None => cells.extend([Value::Missing, Value::Missing, Value::Missing]),
            }
            cells.push(change(row.decided_change_percent));
        }
        table.add(cells);
    }
    table
}

/// The trials (materials, days, cells) that move a factor most when they are left out, the largest change first; at
/// most `most`. With up to twelve surfaces the change of each factor has a column.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::{screening::{LeftOut, influence}, tables};
/// let days = influence(&plan, &campaign, LeftOut::Day)?;
/// assert_eq!(tables::influence(&days, 5).rows().len(), 5);
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn influence(table: &InfluenceTable, most: usize) -> Table {
    let what = left_out(table.left_out);
    let mut columns = vec![
        Column::words("left_out", what),
        Column::numbers("trials", "trials"),
        Column::numbers("largest_percent", "largest change").unit("%"),
        Column::words("largest_on", "on"),
    ];
    let surfaces = if table.surfaces.len() <= MOST_SURFACES { &table.surfaces[..] } else { &[] };
    columns.extend(
        surfaces.iter().map(|s| Column::numbers(format!("change_percent: {s}"), format!("k of {s}")).unit("%")),
    );
    let mut out = Table::new(influence_title(table), columns).with_caption(format!(
        "Change of the abrasiveness factors when one {what} is left out and everything is fitted again as independent trials{}.",
        if table.rows.len() > most { format!("; the {most} largest of {}", table.rows.len()) } else { String::new() }
    ));
    let change = |c: Option<f64>| c.map_or(Value::Missing, |c| Value::digits(c, 2));
    for row in table.most_influential(most) {
        let mut cells = vec![Value::text(&row.name), Value::Count(row.trials), change(row.largest_percent)];
        cells.push(Value::optional_text(largest_on(table, row)));
        cells.extend(row.change_percent.iter().take(surfaces.len()).map(|c| change(*c)));
        out.add(cells);
        if let Some(reason) = &row.not_estimable {
            out.note(format!("Without {}: {}.", row.name, reason.trim_end_matches('.')));
        }
    }
    out
}

/// Title of a table or picture of influence.
pub(crate) fn influence_title(table: &InfluenceTable) -> String {
    format!("Influence of each {}", left_out(table.left_out))
}

/// Surface whose factor changes most.
pub(crate) fn largest_on<'a>(table: &'a InfluenceTable, row: &InfluenceRow) -> Option<&'a str> {
    let largest = row.largest_percent?.to_bits();
    let at = row.change_percent.iter().position(|c| c.is_some_and(|c| c.to_bits() == largest))?;
    table.surfaces.get(at).map(String::as_str)
}

/// What was left out, for a heading.
pub(crate) fn left_out(what: LeftOut) -> &'static str {
    match what {
        LeftOut::Trial => "trial",
        LeftOut::Material => "material",
        LeftOut::Day => "day",
        LeftOut::Cell => "cell",
    }
}

/// Flagged trials, and the factors with and without them, as aligned text.
impl fmt::Display for ScreeningReport {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "{}\n{}", flagged(self), answers(self))
    }
}
