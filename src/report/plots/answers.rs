//! What single trials do to the scale: the answers side by side, and influence.

use plotters::style::RGBColor;

use crate::error::{ErrorKind, Result};
use crate::estimate::Estimate;
use crate::screening::{HeadlineFactor, InfluenceTable, ScreeningReport};
use crate::tables::{count, influence_title, largest_on, left_out, limits};

use super::super::axis::{Axis, reach};
use super::super::canvas::{BLUE, GREEN, MUTED, PLUM, Shape, VERMILION};
use super::rows::{Row, Rows};
use super::{KeyEntry, Plot, PlotOptions};

/// More surfaces than this are left to the table.
const MOST_SURFACES: usize = 24;
/// More influential trials than this are left to the table.
const MOST_TRIALS: usize = 20;
/// Between the lines of one surface, px.
const STEP: f64 = 9.0;

type Answer = (&'static str, Shape, RGBColor, fn(&HeadlineFactor) -> Option<&Estimate>);

const ANSWERS: [Answer; 4] = [
    ("all trials", Shape::Circle, BLUE, |row| Some(&row.all_trials)),
    ("robust", Shape::Square, GREEN, |row| Some(&row.robust)),
    ("without flagged trials", Shape::Diamond, VERMILION, |row| Some(&row.without_flagged)),
    ("as decided", Shape::TriangleUp, PLUM, |row| row.decided.as_ref()),
];

/// Each surface factor on all trials, robustly, without the flagged trials, and as decided where
/// decisions are in force, with their intervals on one logarithmic axis, harshest first.
///
/// Above 24 surfaces, those whose answers differ most are drawn; the caption says so.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::{report::{PlotOptions, plots}, screening::Screening};
/// let report = Screening::new().influence(false).screen(&campaign, &plan)?;
/// let plot = plots::answers(&report, &PlotOptions::default())?;
/// assert!(plot.to_svg().contains("brushed concrete"));
/// println!("{}", plot.caption());
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::NothingToFit`] where no surface but the reference has an interval,
/// [`ErrorKind::InvalidOption`] for unusable options.
pub fn answers(report: &ScreeningReport, options: &PlotOptions) -> Result<Plot> {
    let (width, id) = options.check("answers")?;
    let of = |row: &HeadlineFactor, answer: &Answer| answer.3(row).and_then(Estimate::interval).copied();
    let reference = report.severity().reference();
    let mut rows: Vec<&HeadlineFactor> = report
        .headline()
        .iter()
        .filter(|row| row.surface != reference && ANSWERS.iter().any(|a| of(row, a).is_some()))
        .collect();
    let all = rows.len();
    if all == 0 {
        return Err(ErrorKind::NothingToFit { reason: "no surface has a factor to compare".into() }.into());
    }
    if all > MOST_SURFACES {
        let changes = |row: &HeadlineFactor| {
            [row.robust_change_percent, row.change_percent, row.decided_change_percent]
                .iter()
                .flatten()
                .fold(0.0, |most: f64, c| most.max(c.abs()))
        };
        rows.sort_by(|a, b| changes(b).total_cmp(&changes(a)).then_with(|| a.surface.cmp(&b.surface)));
        rows.truncate(MOST_SURFACES);
    }
    let height = |row: &HeadlineFactor| row.all_trials.value().or(row.robust.value()).unwrap_or(0.0);
    rows.sort_by(|a, b| height(b).total_cmp(&height(a)).then_with(|| a.surface.cmp(&b.surface)));
    let given: Vec<&Answer> = ANSWERS.iter().filter(|a| rows.iter().any(|row| of(row, a).is_some())).collect();
    let lines = given.iter().map(|_| STEP).sum::<f64>();
    let spans: Vec<[f64; 3]> =
        rows.iter().flat_map(|row| given.iter().filter_map(|a| of(row, a))).map(|i| limits(&i)).collect();
    let mut caption = format!(
        "Abrasiveness factor of each surface relative to {reference} with its interval at level {}, from {}: {}. Robust: an \
         estimator that gives trials far off less weight. {} flagged; nothing is removed. The figures are the changes of the robust answer and of \
         the one without flagged trials.",
        report.severity().confidence_level(),
        count(report.verdicts().len(), "trial"),
        given.iter().map(|a| a.0).collect::<Vec<_>>().join(", "),
        if report.flagged().count() == 1 {
            "1 trial is".into()
        } else {
            format!("{} are", count(report.flagged().count(), "trial"))
        }
    );
    if rows.len() < all {
        caption.push_str(&format!(" The {} of {all} surfaces whose answers differ most are drawn.", rows.len()));
    }
    let rows_drawn = rows
        .iter()
        .map(|row| {
            let changes = [("robust", row.robust_change_percent), ("without", row.change_percent)];
            let note: Vec<String> =
                changes.into_iter().filter_map(|(name, c)| Some(format!("{name} {:+.1} %", c?))).collect();
            Row { label: row.surface.clone(), note: note.join(", "), height: lines + 8.0 }
        })
        .collect();
    let picture = Rows {
        id: &id,
        width,
        title: "One scale, several answers",
        key: given.iter().map(|a| KeyEntry { shape: a.1, colour: a.2, text: a.0.into() }).collect(),
        rows: rows_drawn,
        axis: Axis::log(reach(&spans).into_iter().chain([1.0]), 0.0, 1.0),
        axis_title: ["abrasiveness factor k, log scale", "k (log scale)"],
        mark: Some(1.0),
        caption,
    };
    picture.plot(|pen, i, middle, axis| {
        let mut y = middle - 0.5 * (lines - STEP);
        for answer in &given {
            if let Some(interval) = of(rows[i], answer) {
                pen.line((axis.at(interval.lower()), y), (axis.at(interval.upper()), y), answer.2, 1.6)?;
                pen.mark(answer.1, (axis.at(interval.estimate()), y), 3.6, answer.2, 1.0)?;
            }
            y += STEP;
        }
        Ok(())
    })
}

/// The trials (materials, days, cells) that move a factor most when they are left out: the largest
/// change of each as a mark, the changes of the other factors as ticks.
///
/// The 20 largest are drawn; the caption says so. Those without which a factor has no estimate have
/// no place on the axis and are named in the caption.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::{report::{PlotOptions, plots}, screening::{LeftOut, influence}};
/// let days = influence(&plan, &campaign, LeftOut::Day)?;
/// let plot = plots::influence(&days, &PlotOptions::default())?;
/// assert!(days.most_influential(1).iter().all(|row| plot.to_svg().contains(&row.name) || plot.caption().contains(&row.name)));
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::NothingToFit`] where leaving nothing out changes anything, [`ErrorKind::InvalidOption`] for
/// unusable options.
pub fn influence(table: &InfluenceTable, options: &PlotOptions) -> Result<Plot> {
    let (width, id) = options.check("influence")?;
    let what = left_out(table.left_out);
    let ranked = table.most_influential(table.rows.len());
    let lost: Vec<&str> =
        ranked.iter().filter(|r| r.largest_percent.is_none()).map(|r| r.name.as_str()).take(MOST_TRIALS).collect();
    let rows: Vec<_> = ranked.iter().filter(|r| r.largest_percent.is_some()).take(MOST_TRIALS).collect();
    if rows.is_empty() {
        return Err(ErrorKind::NothingToFit { reason: format!("no {what} can be left out") }.into());
    }
    let mut caption = format!(
        "Change of the abrasiveness factors when one {what} is left out and everything is fitted again; the largest change as \
         a dot, the others as ticks. The {} of {} that change a factor most.",
        rows.len(),
        count(table.rows.len(), what)
    );
    if !lost.is_empty() {
        caption.push_str(&format!(" Without {} a factor has no estimate.", lost.join(", or without ")));
    }
    let values = rows.iter().flat_map(|r| r.change_percent.iter().flatten().copied()).chain([0.0]);
    let rows_drawn = rows
        .iter()
        .map(|row| {
            let largest = row.largest_percent.unwrap_or(0.0);
            let on = largest_on(table, row).unwrap_or("");
            Row { label: row.name.clone(), note: format!("{largest:+.2} % on {on}"), height: 18.0 }
        })
        .collect();
    let title = influence_title(table);
    let axis_title = ["change of k when left out, %", "change of k, %"];
    let picture = Rows {
        id: &id,
        width,
        title: &title,
        key: vec![
            KeyEntry { shape: Shape::Circle, colour: BLUE, text: "largest change".into() },
            KeyEntry { shape: Shape::Tick, colour: MUTED, text: "other surfaces".into() },
        ],
        rows: rows_drawn,
        axis: Axis::linear(values, 0.0, 1.0),
        axis_title,
        mark: Some(0.0),
        caption,
    };
    picture.plot(|pen, i, y, axis| {
        let row = rows[i];
        for change in row.change_percent.iter().flatten() {
            pen.mark(Shape::Tick, (axis.at(*change), y), 3.0, MUTED, 1.0)?;
        }
        let largest = row.largest_percent.unwrap_or(0.0);
        pen.line((axis.at(0.0), y), (axis.at(largest), y), BLUE, 1.2)?;
        pen.mark(Shape::Circle, (axis.at(largest), y), 3.8, BLUE, 1.0)
    })
}
