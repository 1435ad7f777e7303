//! Departures of the material classes from the common factors.

use crate::error::{ErrorKind, Result};
use crate::estimate::significant;
use crate::severity::{ClassFactor, ClassFactors};
use crate::tables::{count, limits};

use super::super::axis::{Axis, reach};
use super::super::canvas::{Anchor, BLUE, Canvas, INK, MUTED, Shape, VERMILION, text_width, wrap};
use super::{
    KeyEntry, LABEL, NARROW, Plot, PlotOptions, SMALL, draw_grid, draw_key, draw_ticks_below, draw_title, key_layout,
    title_lines,
};

/// More rows than this are left to the table.
const MOST: usize = 60;
/// What fits an A4 page with its caption, px.
const TALLEST: f64 = 900.0;

struct Placed<'a> {
    row: &'a ClassFactor,
    label: Vec<String>,
    top: f64,
    /// Height of the interval line.
    y: f64,
}

/// Headings and rows from the top down.
struct Layout<'a> {
    headings: Vec<(Vec<String>, f64)>,
    placed: Vec<Placed<'a>>,
    bottom: f64,
    shortened: bool,
}

impl<'a> Layout<'a> {
    fn new(mut rows: Vec<&'a ClassFactor>, width: f64, label_width: f64, top: f64) -> Self {
        let narrow = width < NARROW;
        rows.sort_by(|a, b| (&a.surface, &a.class).cmp(&(&b.surface, &b.class)));
        let mut y = top;
        let (mut headings, mut placed) = (Vec::new(), Vec::new());
        let mut shortened = false;
        let mut surface = "";
        for row in rows {
            if row.surface != surface {
                surface = &row.surface;
                let (lines, cut) = wrap(surface, (width - 24.0) / 1.1, LABEL, 2);
                shortened |= cut;
                y += 6.0;
                let height = lines.iter().map(|_| 15.0).sum::<f64>() + 2.0;
                headings.push((lines, y + 8.0));
                y += height;
            }
            let (label, cut) = wrap(&row.class, label_width, LABEL, 2);
            shortened |= cut;
            let lines = label.iter().map(|_| 14.0).sum::<f64>();
            let height = if narrow { lines + 32.0 } else { (lines + 4.0).max(19.0) };
            let middle = if narrow { lines + 20.0 } else { 0.5 * height };
            placed.push(Placed { row, label, top: y, y: y + middle });
            y += height;
        }
        Self { headings, placed, bottom: y + 4.0, shortened }
    }
}

/// How many times longer each class lasts on each surface than the common factor says, on a
/// logarithmic axis around 1, surface by surface. Departures that remain after Holm's adjustment have
/// their own shape.
///
/// Above 60 rows, or what fits a page, those with the smallest adjusted p-values are drawn; the caption says so.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::{report::{PlotOptions, plots}, severity::ClassFactors};
/// let plot = plots::class_departures(&ClassFactors::fit(&plan, &campaign)?, &PlotOptions::default())?;
/// assert!(plot.to_svg().contains("polished fine asphalt"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::NothingToFit`] where no class has a ratio, [`ErrorKind::InvalidOption`] for unusable options.
pub fn class_departures(classes: &ClassFactors, options: &PlotOptions) -> Result<Plot> {
    let (width, id) = options.check("class-departures")?;
    let narrow = width < NARROW;
    let mut rows: Vec<&ClassFactor> = classes.rows.iter().filter(|r| r.ratio_to_common.interval().is_some()).collect();
    let all = rows.len();
    if all == 0 {
        return Err(
            ErrorKind::NothingToFit { reason: "no class has a factor to compare with the common one".into() }.into()
        );
    }
    let p = |r: &ClassFactor| r.adjusted_p_value.unwrap_or(1.0);
    rows.sort_by(|a, b| p(a).total_cmp(&p(b)).then_with(|| (&a.class, &a.surface).cmp(&(&b.class, &b.surface))));
    rows.truncate(MOST);
    let alpha = 1.0 - classes.level;
    let stays = |r: &ClassFactor| p(r) <= alpha;

    let title = "Classes of material against the common factors";
    let (title_text, title_height) = title_lines(title, width);
    let key: Vec<KeyEntry> = [(false, "no departure shown"), (true, "departure remains after adjustment")]
        .into_iter()
        .filter(|(s, _)| rows.iter().any(|r| stays(r) == *s))
        .map(|(s, text)| KeyEntry { shape: look(s).0, colour: look(s).1, text: text.into() })
        .collect();
    let (places, key_height) = key_layout(&key, width);
    let label_width = if narrow {
        width - 24.0
    } else {
        rows.iter().map(|r| text_width(&r.class, LABEL)).fold(60.0, f64::max).min(0.3 * width)
    };
    let number_width = if narrow { 0.0 } else { 214.0 };
    let (left, right) = if narrow { (16.0, width - 16.0) } else { (28.0 + label_width, width - number_width - 16.0) };
    let top = title_height + key_height + 4.0;
    let mut layout = Layout::new(rows.clone(), width, label_width, top);
    // As many rows as fit a page; a phone scrolls.
    while !narrow && layout.bottom > TALLEST && rows.len() > 8 {
        rows.truncate(rows.len() * 9 / 10);
        layout = Layout::new(rows.clone(), width, label_width, top);
    }
    let Layout { headings, placed, bottom, shortened } = layout;
    let spans: Vec<[f64; 3]> = placed.iter().filter_map(|p| p.row.ratio_to_common.interval()).map(limits).collect();
    let axis = Axis::log(reach(&spans).into_iter().chain([1.0]), left, right);
    let numbers = |r: &ClassFactor| {
        let p = r
            .adjusted_p_value
            .map_or(String::new(), |p| format!(", p {}", if p < 0.001 { "< 0.001".into() } else { significant(p, 2) }));
        format!("{}{p}", r.ratio_to_common)
    };

    let mut canvas = Canvas::default();
    canvas.layer("frame", |pen| {
        draw_title(pen, &title_text)?;
        draw_key(pen, &key, &places, title_height)?;
        let strips: Vec<(f64, f64)> = if narrow {
            placed.iter().map(|p| (p.y - 6.0, p.y + 8.0)).chain([(bottom - 4.0, bottom)]).collect()
        } else {
            vec![(top, bottom)]
        };
        for (top, bottom) in strips {
            draw_grid(pen, &axis, top, bottom)?;
            pen.line((axis.at(1.0), top), (axis.at(1.0), bottom), MUTED, 1.2)?;
        }
        pen.line((left, bottom), (right, bottom), MUTED, 1.0)?;
        draw_ticks_below(pen, &axis, bottom)?;
        let text = if narrow {
            "k common / k class (log scale)"
        } else {
            "k common / k class, log scale; above 1 lasts longer"
        };
        pen.text(text, (0.5 * (left + right), bottom + 31.0), Anchor::Middle, SMALL, INK)?;
        for (lines, y) in &headings {
            let mut at = *y;
            for line in lines {
                pen.bold(line, (12.0, at), Anchor::Start, LABEL, INK)?;
                at += 15.0;
            }
        }
        for Placed { row, label, top, y } in &placed {
            if narrow {
                pen.lines(label, (16.0, top + 7.0), Anchor::Start, LABEL, 14.0, INK)?;
                pen.text(&numbers(row), (16.0, y - 13.0), Anchor::Start, SMALL, MUTED)?;
            } else {
                let first = y - if label.len() > 1 { 7.0 } else { 0.0 };
                pen.lines(label, (16.0 + label_width, first), Anchor::End, LABEL, 14.0, INK)?;
                pen.text(&numbers(row), (right + 12.0, *y), Anchor::Start, SMALL, INK)?;
            }
        }
        Ok(())
    })?;
    canvas.layer("intervals", |pen| {
        for Placed { row, y, .. } in &placed {
            if let Some(i) = row.ratio_to_common.interval() {
                pen.line((axis.at(i.lower()), *y), (axis.at(i.upper()), *y), look(stays(row)).1, 2.0)?;
            }
        }
        Ok(())
    })?;
    canvas.layer("estimates", |pen| {
        for Placed { row, y, .. } in &placed {
            if let Some(i) = row.ratio_to_common.interval() {
                let (shape, colour) = look(stays(row));
                pen.mark(shape, (axis.at(i.estimate()), *y), 4.2, colour, 1.0)?;
            }
        }
        Ok(())
    })?;
    let mut caption = format!(
        "How many times longer a class lasts on a surface, relative to the reference surface, than the factor common to all \
         classes says, with its interval at level {}. {} with a factor of their own; p adjusted over all of them (Holm), \
         a departure is called one where it is at most {}.",
        classes.level,
        count(all, "class-surface pair"),
        significant(alpha, 2)
    );
    if placed.len() < all {
        caption.push_str(&format!(" The {} with the smallest p are drawn; the table holds all.", placed.len()));
    }
    if shortened {
        caption.push_str(" Long names are shortened here and whole in the table.");
    }
    Ok(Plot::new(&canvas, &id, (width, bottom + 44.0), title, caption))
}

fn look(departs: bool) -> (Shape, plotters::style::RGBColor) {
    if departs { (Shape::Diamond, VERMILION) } else { (Shape::Circle, BLUE) }
}
