//! Every trial of a campaign, by material and surface.

use crate::campaign::{Campaign, Outcome};
use crate::error::Result;
use crate::severity::SeverityFit;
use crate::tables::{count, ladder_order, of_class};

use super::super::axis::Axis;
use super::super::canvas::{Anchor, BLUE, Canvas, INK, MUTED, Pen, RULE, Shape, VERMILION, text_width, wrap};
use super::{
    Drawing, KeyEntry, NARROW, Plot, PlotOptions, SMALL, TALLEST, columns_of, draw_grid, draw_key, draw_ticks_below,
    draw_title, key_layout, pages_of, title_lines,
};

const TEXT: f64 = 10.5;
const LINE: f64 = 12.5;
/// Offsets of marks that would hide each other, px.
const LANES: [f64; 5] = [0.0, -3.5, 3.5, -7.0, 7.0];

struct Mark {
    outcome: Outcome,
    time_s: Option<f64>,
    lane: f64,
}

struct Row {
    label: Vec<String>,
    marks: Vec<Mark>,
    trials: usize,
    median_s: Option<f64>,
    height: f64,
}

struct Block {
    heading: Vec<String>,
    rows: Vec<Row>,
    height: f64,
    trials: usize,
}

/// Every trial on a logarithmic time axis: a block for each material, a row for each surface it was
/// tried on, harshest surface first, with the median that the severity fit gives.
///
/// Materials come by class and then durability. As many pictures as it takes, each at most about
/// 900 px high; all trials are drawn, voids at the margin.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// use surface_severity::report::{PlotOptions, plots};
/// let drawn = plots::abrasion_times(&campaign, &fit, &PlotOptions::default())?;
/// // Every material is on one of the pictures.
/// assert!(campaign.materials().iter().all(|m| drawn.iter().any(|plot| plot.to_svg().contains(&m.name))));
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::InvalidOption`](crate::ErrorKind::InvalidOption) for unusable options.
pub fn abrasion_times(campaign: &Campaign, fit: &SeverityFit, options: &PlotOptions) -> Result<Vec<Plot>> {
    Ok(first_abrasion_times(campaign, fit, options, usize::MAX)?.0)
}

/// At most `most` pictures, and how many there would be.
pub(crate) fn first_abrasion_times(
    campaign: &Campaign,
    fit: &SeverityFit,
    options: &PlotOptions,
    most: usize,
) -> Result<(Vec<Plot>, usize)> {
    let (width, id) = options.check("abrasion-times")?;
    let columns: usize = if width < NARROW { 1 } else { 2 };
    let gap = 18.0;
    let block_width = if columns == 1 { width - 24.0 } else { 0.5 * (width - 24.0 - gap) };
    let surfaces: Vec<usize> =
        ladder_order(fit.factors()).iter().filter_map(|f| campaign.surface(&f.surface).ok()).collect();
    let widest = campaign.surfaces().iter().map(|s| text_width(&s.name, TEXT)).fold(40.0, f64::max);
    let label_width = widest.min(0.44 * block_width);
    let void_width = if campaign.trials().iter().any(|t| t.outcome == Outcome::Void) { 26.0 } else { 6.0 };

    let axis = Axis::log(
        campaign.trials().iter().filter(|t| t.outcome != Outcome::Void).filter_map(|t| t.abrasion_time_s),
        label_width + 8.0,
        block_width - void_width,
    );
    // Trials by material and surface, in canonical order.
    let mut cells = vec![Vec::new(); campaign.surfaces().len() * campaign.materials().len()];
    for &i in campaign.canonical_order() {
        let i = i as usize;
        let m = campaign.material_index()[i] as usize;
        cells[m * campaign.surfaces().len() + campaign.surface_index()[i] as usize].push(i);
    }
    let mut shortened = false;
    let blocks: Vec<Block> = order(campaign, fit)
        .into_iter()
        .map(|m| {
            let material = &campaign.materials()[m];
            let (heading, cut) =
                wrap(&of_class(&material.name, material.class.as_deref()), block_width / 1.1, SMALL, 2);
            shortened |= cut;
            let rows: Vec<Row> = surfaces
                .iter()
                .filter_map(|&s| {
                    let trials = &cells[m * campaign.surfaces().len() + s];
                    if trials.is_empty() {
                        return None;
                    }
                    let name = &campaign.surfaces()[s].name;
                    let (label, cut) = wrap(name, label_width, TEXT, 2);
                    shortened |= cut;
                    let median_s = fit.median(&material.name, name).ok().map(|i| i.estimate());
                    let height = if label.len() > 1 { 2.0 * LINE + 2.0 } else { LINE + 3.5 };
                    Some(Row { marks: marks(campaign, trials, &axis), trials: trials.len(), label, median_s, height })
                })
                .collect();
            let height =
                heading.iter().map(|_| 15.0).sum::<f64>() + 4.0 + rows.iter().map(|r| r.height).sum::<f64>() + 28.0;
            let trials = rows.iter().map(|r| r.trials).sum();
            Block { heading, rows, height, trials }
        })
        .collect();

    let heights: Vec<f64> = blocks.iter().map(|b| b.height).collect();
    let pages = pages_of(&heights, columns, TALLEST - 110.0);
    let total = pages.len();
    let mut plots = Vec::with_capacity(total.min(most));
    for (page, range) in pages.into_iter().take(most).enumerate() {
        let (first, shown) = (range.start, range.len());
        let (left, right) = blocks[range.clone()].split_at(columns_of(&heights[range], columns).0);
        let columns: Vec<&[Block]> = [left, right].into_iter().filter(|c| !c.is_empty()).collect();
        let title = if total == 1 {
            "Abrasion times of every trial".to_owned()
        } else {
            let which = if shown == 1 {
                format!("material {}", first + 1)
            } else {
                format!("materials {} to {}", first + 1, first + shown)
            };
            format!("Abrasion times of every trial, {which} of {}", blocks.len())
        };
        let trials: usize = columns.iter().flat_map(|c| c.iter()).map(|b| b.trials).sum();
        let id = if page == 0 { id.clone() } else { format!("{id}-{}", page + 1) };
        let mut text = caption(fit, trials, shown, shortened, page == 0);
        if columns.iter().flat_map(|c| c.iter()).flat_map(|b| &b.rows).any(|r| r.trials > MOST_MARKS) {
            text.push_str(&format!(" In a row of more than {MOST_MARKS} trials those that coincide are one mark."));
        }
        plots.push(draw(&columns, &axis, (width, block_width, gap), &id, &title, text)?);
    }
    Ok((plots, total))
}

/// By class, materials without one last; then durability, longest first; as in the table.
fn order(campaign: &Campaign, fit: &SeverityFit) -> Vec<usize> {
    let table = crate::tables::durabilities(fit);
    table
        .rows()
        .iter()
        .filter_map(|row| match row.first() {
            Some(crate::tables::Value::Text(name)) => campaign.material(name).ok(),
            _ => None,
        })
        .collect()
}

/// In a row of more trials those on the same half pixel are one mark.
const MOST_MARKS: usize = 100;

/// Marks of one row. Marks that would hide each other are set off upwards and downwards.
fn marks(campaign: &Campaign, trials: &[usize], axis: &Axis) -> Vec<Mark> {
    let mut marks: Vec<Mark> = trials
        .iter()
        .map(|&i| {
            let trial = &campaign.trials()[i];
            Mark { outcome: trial.outcome, time_s: trial.abrasion_time_s, lane: 0.0 }
        })
        .collect();
    let place = |m: &Mark| match (m.outcome, m.time_s) {
        (Outcome::Void, _) | (_, None) => f64::INFINITY,
        (_, Some(t)) => axis.at(t),
    };
    marks.sort_by(|a, b| place(a).total_cmp(&place(b)));
    if marks.len() > MOST_MARKS {
        marks.dedup_by(|b, a| a.outcome == b.outcome && place(b) - place(a) < 0.5);
    }
    let mut last = [f64::NEG_INFINITY; LANES.len()];
    for i in 0..marks.len() {
        let x = place(&marks[i]).min(axis.at(f64::MAX) + 16.0);
        let free = (0..LANES.len()).find(|&l| x - last[l] >= 5.0);
        // All lanes taken: the one whose last mark is farthest.
        let lane =
            free.unwrap_or_else(|| (0..LANES.len()).fold(0, |best, l| if last[l] < last[best] { l } else { best }));
        last[lane] = x;
        marks[i].lane = LANES[lane];
    }
    marks
}

fn draw(
    columns: &[&[Block]],
    axis: &Axis,
    (width, block_width, gap): (f64, f64, f64),
    id: &str,
    title: &str,
    caption: String,
) -> Result<Plot> {
    let (title_text, title_height) = title_lines(title, width);
    let has = |o: Outcome| {
        columns.iter().flat_map(|c| c.iter()).flat_map(|b| &b.rows).flat_map(|r| &r.marks).any(|m| m.outcome == o)
    };
    let mut key: Vec<KeyEntry> = [
        (Outcome::Perforated, "perforated"),
        (Outcome::RunOut, "run-out: lower bound"),
        (Outcome::OpenedAtContact, "opened at contact: upper bound"),
        (Outcome::Void, "void, at the margin"),
    ]
    .into_iter()
    .filter(|(o, _)| has(*o))
    .map(|(o, text)| KeyEntry { shape: look(o).0, colour: look(o).1, text: text.into() })
    .collect();
    key.push(KeyEntry { shape: Shape::Tick, colour: INK, text: "median by the severity fit".into() });
    let (places, key_height) = key_layout(&key, width);
    let top = title_height + key_height + 6.0;
    let tallest = columns.iter().map(|c| c.iter().map(|b| b.height).sum::<f64>()).fold(0.0, f64::max);
    let height = top + tallest + 26.0;

    // Where every row lies: column offset, middle of the row.
    let mut rows: Vec<(f64, f64, &Row)> = Vec::new();
    let mut canvas = Canvas::default();
    canvas.layer("frame", |pen| {
        draw_title(pen, &title_text)?;
        draw_key(pen, &key, &places, title_height)?;
        let mut left = 12.0;
        for column in columns {
            let mut y = top;
            let (from, to) = (left + axis.at(0.0), left + axis.at(f64::MAX));
            let here = axis.moved(from, to);
            for block in *column {
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
                pen.line((from, y), (to, y), MUTED, 1.0)?;
                draw_ticks_below(pen, &here, y)?;
                y += 28.0;
            }
            pen.text("abrasion time, s (log scale)", (0.5 * (from + to), y - 4.0), Anchor::Middle, SMALL, INK)?;
            left += block_width + gap;
        }
        for (left, y, row) in &rows {
            let start = y - 0.5 * LINE * if row.label.len() > 1 { 1.0 } else { 0.0 };
            pen.lines(&row.label, (left + axis.at(0.0) - 8.0, start), Anchor::End, TEXT, LINE, INK)?;
            pen.line((left + axis.at(0.0), *y), (left + axis.at(f64::MAX), *y), RULE, 0.6)?;
        }
        Ok(())
    })?;
    canvas.layer("trials", |pen| {
        rows.iter().try_for_each(|(left, y, row)| row.marks.iter().try_for_each(|m| draw_mark(pen, axis, *left, *y, m)))
    })?;
    canvas.layer("medians", |pen| {
        for (left, y, row) in &rows {
            if let Some(median) = row.median_s.filter(|m| axis.holds(*m)) {
                pen.mark(Shape::Tick, (left + axis.at(median), *y), 4.5, INK, 1.0)?;
            }
        }
        Ok(())
    })?;
    Ok(Plot::new(&canvas, id, (width, height), title, caption))
}

fn look(outcome: Outcome) -> (Shape, plotters::style::RGBColor) {
    match outcome {
        Outcome::Perforated => (Shape::Circle, BLUE),
        Outcome::RunOut => (Shape::ArrowRight, VERMILION),
        Outcome::OpenedAtContact => (Shape::ArrowLeft, VERMILION),
        Outcome::Void => (Shape::Ring, MUTED),
    }
}

fn draw_mark(pen: &Pen<'_>, axis: &Axis, left: f64, y: f64, mark: &Mark) -> Drawing {
    let (shape, colour) = look(mark.outcome);
    let x = match (mark.outcome, mark.time_s) {
        (Outcome::Void, _) | (_, None) => axis.at(f64::MAX) + 14.0,
        (_, Some(t)) => axis.at(t),
    };
    let (r, opacity) = if shape == Shape::Circle { (2.8, 0.75) } else { (3.4, 0.9) };
    pen.mark(shape, (left + x, y + 0.75 * mark.lane), r, colour, opacity)
}

fn caption(fit: &SeverityFit, trials: usize, materials: usize, shortened: bool, first: bool) -> String {
    if !first {
        return format!(
            "As before: every one of {} of {}, with the medians of the severity fit.",
            count(trials, "trial"),
            count(materials, "material")
        );
    }
    let mut text = format!(
        "Every one of {} of {}, seconds from contact to perforation on a logarithmic axis; the time of a run-out is a lower \
         bound, that of a specimen opened at contact an upper bound, voids are not fitted. Surfaces from the harshest down. \
         Upright ticks: medians by the {} severity fit (material × surface without interaction). Marks that would hide each \
         other are set off vertically.",
        count(trials, "trial"),
        count(materials, "material"),
        fit.distribution()
    );
    if shortened {
        text.push_str(" Long names are shortened here and whole in the tables.");
    }
    text
}
