//! Laboratory reports as road times.

use plotters::style::RGBColor;

use crate::correction::CorrectedTime;
use crate::error::{ErrorKind, Result};
use crate::estimate::{BoundSide, Estimate};
use crate::tables::{count, limits, of_class};

use super::super::axis::{Axis, reach};
use super::super::canvas::{Anchor, BLUE, Canvas, GROUND, INK, MUTED, Pen, SKY, Shape, VERMILION, text_width, wrap};
use super::{
    Drawing, KeyEntry, NARROW, Plot, PlotOptions, SMALL, TALLEST, columns_of, draw_grid, draw_key, draw_ticks_below,
    draw_title, key_layout, pages_of, title_lines,
};

const TEXT: f64 = 10.5;
const LINE: f64 = 12.5;

struct Row<'a> {
    of: &'a CorrectedTime,
    label: Vec<String>,
    height: f64,
}

struct Block<'a> {
    heading: Vec<String>,
    rows: Vec<Row<'a>>,
    height: f64,
}

/// Every report as road times on a logarithmic axis, a block for each report and a row for each road
/// surface: the median of the material with its prediction interval, and that of a further specimen;
/// with the required time, if one is given. Marks are hollow outside the domain of the correction.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// # let reports = surface_severity::correction::LabReports::read_path("data-demo/lab_reports.csv")?;
/// use surface_severity::report::{PlotOptions, plots};
/// let rows: Vec<_> = reports.reports().iter().flat_map(|r| correction.apply(r)).collect();
/// let drawn = plots::corrected_reports(&rows, Some(4.0), &PlotOptions::default())?;
/// assert!(drawn.iter().any(|plot| plot.to_svg().contains("LR-01")));
/// assert!(plots::corrected_reports(&[], None, &PlotOptions::default()).is_err());
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::NothingToFit`] without rows; [`ErrorKind::InvalidOption`] for unusable options or a
/// required time that is not positive and finite.
pub fn corrected_reports(rows: &[CorrectedTime], required_s: Option<f64>, options: &PlotOptions) -> Result<Vec<Plot>> {
    let (width, id) = options.check("corrected-reports")?;
    if rows.is_empty() {
        return Err(ErrorKind::NothingToFit { reason: "no corrected report to draw".into() }.into());
    }
    if let Some(required) = required_s.filter(|r| !(*r > 0.0 && r.is_finite())) {
        return Err(ErrorKind::option("required_s", required, "a positive, finite time"));
    }
    let columns: usize = if width < NARROW { 1 } else { 2 };
    let gap = 18.0;
    let block_width = if columns == 1 { width - 24.0 } else { 0.5 * (width - 24.0 - gap) };
    let label_width = rows.iter().map(|r| text_width(r.surface(), TEXT)).fold(40.0, f64::max).min(0.44 * block_width);
    let spans: Vec<[f64; 3]> = rows
        .iter()
        .flat_map(|r| [r.road_median_s(), r.road_specimen_s()])
        .filter_map(Estimate::interval)
        .map(limits)
        .collect();
    let bounds = rows.iter().filter_map(|r| match r.road_median_s() {
        Estimate::Bound(b) => Some(b.value()),
        _ => None,
    });
    let values: Vec<f64> = reach(&spans).into_iter().chain(bounds).chain(required_s).collect();
    let axis = Axis::log(values, label_width + 8.0, block_width - 6.0);

    let mut shortened = false;
    let mut blocks: Vec<Block<'_>> = Vec::new();
    let mut last: Option<&str> = None;
    for row in rows {
        if last != Some(row.report_id()) {
            last = Some(row.report_id());
            let title = format!("{}: {}", row.report_id(), of_class(row.material(), row.material_class()));
            let (heading, cut) = wrap(&title, block_width / 1.1, SMALL, 2);
            shortened |= cut;
            let height = heading.iter().map(|_| 15.0).sum::<f64>() + 32.0;
            blocks.push(Block { heading, rows: Vec::new(), height });
        }
        let (label, cut) = wrap(row.surface(), label_width, TEXT, 2);
        shortened |= cut;
        let height = if label.len() > 1 { 2.0 * LINE + 2.0 } else { LINE + 4.5 };
        if let Some(block) = blocks.last_mut() {
            block.height += height;
            block.rows.push(Row { of: row, label, height });
        }
    }
    let heights: Vec<f64> = blocks.iter().map(|b| b.height).collect();
    let pages = pages_of(&heights, columns, TALLEST - 120.0);
    let total = pages.len();
    pages
        .into_iter()
        .enumerate()
        .map(|(page, range)| {
            let shown = &blocks[range.clone()];
            let title = if total == 1 {
                "Laboratory reports read as road times".to_owned()
            } else {
                format!(
                    "Laboratory reports read as road times, {} to {} of {}",
                    range.start + 1,
                    range.end,
                    blocks.len()
                )
            };
            let id = if page == 0 { id.clone() } else { format!("{id}-{}", page + 1) };
            let caption = caption(rows, shown, required_s, shortened, page == 0);
            draw(shown, columns, &axis, required_s, (width, block_width, gap), &id, &title, caption)
        })
        .collect()
}

#[allow(clippy::too_many_arguments)]
fn draw(
    blocks: &[Block<'_>],
    columns: usize,
    axis: &Axis,
    required_s: Option<f64>,
    (width, block_width, gap): (f64, f64, f64),
    id: &str,
    title: &str,
    caption: String,
) -> Result<Plot> {
    let (title_text, title_height) = title_lines(title, width);
    let any = |inside: bool| blocks.iter().flat_map(|b| &b.rows).any(|r| r.of.validity().is_inside() == inside);
    let mut key = Vec::new();
    for (inside, text) in [(true, "median, inside the domain"), (false, "median, outside the domain")] {
        if any(inside) {
            let (shape, colour) = look(inside);
            key.push(KeyEntry { shape, colour, text: text.into() });
        }
    }
    key.push(KeyEntry { shape: Shape::Stroke, colour: BLUE, text: "interval of the median".into() });
    key.push(KeyEntry { shape: Shape::Stroke, colour: SKY, text: "of one specimen".into() });
    if let Some(required) = required_s {
        key.push(KeyEntry { shape: Shape::Dashes, colour: INK, text: format!("required: {required} s") });
    }
    let (places, key_height) = key_layout(&key, width);
    let top = title_height + key_height + 6.0;
    let heights: Vec<f64> = blocks.iter().map(|b| b.height).collect();
    let (cut, tallest) = columns_of(&heights, columns);
    let height = top + tallest + 22.0;
    let mut rows: Vec<(f64, f64, &Row<'_>)> = Vec::new();
    let mut canvas = Canvas::default();
    canvas.layer("frame", |pen| {
        draw_title(pen, &title_text)?;
        draw_key(pen, &key, &places, title_height)?;
        let mut left = 12.0;
        for part in [&blocks[..cut], &blocks[cut..]] {
            if part.is_empty() {
                continue;
            }
            let mut y = top;
            let (from, to) = (left + axis.at(0.0), left + axis.at(f64::MAX));
            let here = axis.moved(from, to);
            for block in part {
                for line in &block.heading {
                    pen.bold(line, (left, y + 6.0), Anchor::Start, SMALL, INK)?;
                    y += 15.0;
                }
                let first = y;
                for row in &block.rows {
                    rows.push((left, y + 0.5 * row.height + 2.0, row));
                    y += row.height;
                }
                y += 4.0;
                draw_grid(pen, &here, first, y)?;
                if let Some(required) = required_s {
                    let x = here.at(required);
                    pen.dashed(&[(x, first), (x, y)], INK, 1.2, 4.0, 3.0)?;
                }
                pen.line((from, y), (to, y), MUTED, 1.0)?;
                draw_ticks_below(pen, &here, y)?;
                y += 28.0;
            }
            pen.text("time on the road, s (log scale)", (0.5 * (from + to), y - 4.0), Anchor::Middle, SMALL, INK)?;
            left += block_width + gap;
        }
        for (left, y, row) in &rows {
            let start = y - 0.5 * LINE * if row.label.len() > 1 { 1.0 } else { 0.0 };
            pen.lines(&row.label, (left + axis.at(0.0) - 8.0, start), Anchor::End, TEXT, LINE, INK)?;
        }
        Ok(())
    })?;
    canvas.layer("intervals", |pen| {
        for (left, y, row) in &rows {
            bar(pen, axis, *left, *y, row.of.road_specimen_s(), SKY, 2.0)?;
            bar(pen, axis, *left, *y, row.of.road_median_s(), BLUE, 3.6)?;
        }
        Ok(())
    })?;
    // A hollow mark hides the bar behind it.
    canvas.layer("grounds", |pen| {
        for (left, y, row) in rows.iter().filter(|(.., row)| !row.of.validity().is_inside()) {
            if let Some(i) = row.of.road_median_s().interval() {
                pen.mark(Shape::Circle, (left + axis.at(i.estimate()), *y), 3.8, GROUND, 1.0)?;
            }
        }
        Ok(())
    })?;
    canvas.layer("estimates", |pen| {
        for (left, y, row) in &rows {
            let (shape, colour) = look(row.of.validity().is_inside());
            match row.of.road_median_s() {
                Estimate::Interval(i) => {
                    let at = (left + axis.at(i.estimate()), *y);
                    pen.mark(shape, at, 3.8, colour, 1.0)?;
                }
                Estimate::Bound(b) => {
                    let shape = if b.side() == BoundSide::AtLeast { Shape::ArrowRight } else { Shape::ArrowLeft };
                    pen.mark(shape, (left + axis.at(b.value()), *y), 4.0, VERMILION, 1.0)?;
                }
                Estimate::NotEstimable(_) => {
                    pen.text("not estimable", (left + axis.at(0.0) + 4.0, *y), Anchor::Start, TEXT, MUTED)?;
                }
            }
        }
        Ok(())
    })?;
    Ok(Plot::new(&canvas, id, (width, height), title, caption))
}

fn look(inside: bool) -> (Shape, RGBColor) {
    if inside { (Shape::Circle, INK) } else { (Shape::Ring, INK) }
}

fn bar(pen: &Pen<'_>, axis: &Axis, left: f64, y: f64, estimate: &Estimate, colour: RGBColor, width: f64) -> Drawing {
    match estimate.interval() {
        Some(i) => pen.line((left + axis.at(i.lower()), y), (left + axis.at(i.upper()), y), colour, width),
        None => Ok(()),
    }
}

fn caption(
    all: &[CorrectedTime],
    shown: &[Block<'_>],
    required_s: Option<f64>,
    shortened: bool,
    first: bool,
) -> String {
    if !first {
        return format!("As before: {} on each road surface.", count(shown.len(), "report"));
    }
    let level = all.iter().find_map(|r| r.road_median_s().interval()).map_or(0.95, crate::Interval::level);
    let mut text = format!(
        "{} on each road surface with a correction. Mark and dark bar: median of the material on the road with its prediction \
         interval at level {level} (uncertainty of the report, of the correction, scatter between materials); light bar: the \
         same for one further specimen. Hollow marks: belt time or class outside the domain of the correction.",
        count(shown.len(), "report")
    );
    if shown.iter().flat_map(|b| &b.rows).any(|r| matches!(r.of.road_median_s(), Estimate::Bound(_))) {
        text.push_str(" An arrow stands at a one-sided bound: every specimen of the report was censored.");
    }
    if required_s.is_some() {
        text.push_str(" Dashed: the required time; the table gives the probability of reaching it.");
    }
    if shortened {
        text.push_str(" Long names are shortened here and whole in the table.");
    }
    text
}
