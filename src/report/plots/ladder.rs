//! The severity ladder: surfaces on one logarithmic axis.

use plotters::style::RGBColor;

use crate::campaign::SurfaceRole;
use crate::error::Result;
use crate::estimate::{BoundSide, Estimate};
use crate::severity::{SeverityFit, SurfaceFactor};
use crate::tables::{capital, count, interval_method, ladder_order};

use super::super::axis::{Axis, reach};
use super::super::canvas::{Anchor, BLUE, Canvas, INK, MUTED, Pen, Shape, VERMILION, text_width, wrap};
use super::{
    Drawing, KeyEntry, LABEL, NARROW, Plot, PlotOptions, SMALL, draw_grid, draw_key, draw_ticks_below, draw_title,
    key_layout, title_lines,
};

/// More surfaces than this are thinned.
const MOST: usize = 40;
/// Above this number of rows each takes one line.
const ROOMY: usize = 20;
/// What fits an A4 page with its caption, px.
const TALLEST: f64 = 900.0;

struct Row<'a> {
    of: &'a SurfaceFactor,
    label: Vec<String>,
    numbers: [String; 2],
    top: f64,
    /// Height of the interval line.
    y: f64,
}

struct Rows<'a> {
    chosen: Vec<&'a SurfaceFactor>,
    rows: Vec<Row<'a>>,
    label_width: f64,
    bottom: f64,
    shortened: bool,
    compact: bool,
}

impl<'a> Rows<'a> {
    fn new(fit: &SeverityFit, chosen: Vec<&'a SurfaceFactor>, width: f64, top: f64) -> Self {
        let narrow = width < NARROW;
        let compact = !narrow && chosen.len() > ROOMY;
        let name = |row: &SurfaceFactor| {
            let role = match row.role {
                // Not "laboratory belt (laboratory)".
                Some(SurfaceRole::Laboratory) if !row.surface.to_lowercase().contains("laborator") => " (laboratory)",
                _ if row.surface == fit.reference() => " (reference)",
                _ => "",
            };
            format!("{}{role}", row.surface)
        };
        let numbers = |row: &SurfaceFactor| {
            let k = match &row.factor {
                Estimate::Interval(_) if row.surface == fit.reference() => "1 by definition".to_owned(),
                estimate => estimate.to_string(),
            };
            if compact {
                [format!("{k}, n {}", row.trials), String::new()]
            } else {
                [format!("k {k}"), format!("{}, {}", count(row.trials, "trial"), count(row.materials, "material"))]
            }
        };
        let label_width = if narrow {
            width - 24.0
        } else {
            chosen.iter().map(|r| text_width(&name(r), LABEL)).fold(60.0, f64::max).min(0.32 * width)
        };
        let mut shortened = false;
        let mut y = top;
        let rows = chosen
            .iter()
            .map(|&of| {
                let (label, cut) = wrap(&name(of), label_width, LABEL, 3);
                shortened |= cut;
                let label_height = label.iter().map(|_| 15.0).sum::<f64>();
                let (height, middle) = if narrow {
                    (label_height + 34.0, label_height + 24.0)
                } else {
                    let height = if compact { label_height + 5.0 } else { (label_height + 10.0).max(36.0) };
                    (height, 0.5 * height)
                };
                let row = Row { of, label, numbers: numbers(of), top: y, y: y + middle };
                y += height;
                row
            })
            .collect();
        Self { chosen, rows, label_width, bottom: y + 4.0, shortened, compact }
    }
}

/// The surfaces by abrasiveness factor on a logarithmic axis, harshest at the top, with intervals and
/// counts; laboratory surfaces have their own shape and are named as such.
///
/// More than 40 surfaces, fewer where names are long, are thinned evenly over the scale (laboratory surfaces and the reference stay);
/// the caption says so.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// use surface_severity::report::{PlotOptions, plots};
/// let plot = plots::severity_ladder(&fit, &PlotOptions::default())?;
/// // The harshest surface stands above the mildest.
/// let at = |name: &str| plot.to_svg().find(name).unwrap();
/// assert!(at("coarse surface dressing") < at("polished fine asphalt"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::InvalidOption`](crate::ErrorKind::InvalidOption) for unusable options.
pub fn severity_ladder(fit: &SeverityFit, options: &PlotOptions) -> Result<Plot> {
    let (width, id) = options.check("severity-ladder")?;
    let narrow = width < NARROW;
    let all = ladder_order(fit.factors());
    let title = format!("Abrasiveness of the surfaces relative to {}", fit.reference());
    let (title_text, title_height) = title_lines(&title, width);
    let number_width = if narrow { 0.0 } else { 168.0 };
    // As many rows as fit a page; a phone scrolls.
    let key = key(&all);
    let (places, key_height) = key_layout(&key, width);
    let top = title_height + key_height + 4.0;
    let mut layout = Rows::new(fit, thinned(&all, fit.reference(), MOST), width, top);
    let mut most = MOST;
    while !narrow && layout.bottom > TALLEST && most > 10 {
        most = most * 4 / 5;
        layout = Rows::new(fit, thinned(&all, fit.reference(), most), width, top);
    }
    let Rows { chosen, rows, label_width, bottom, shortened, compact } = layout;
    let height = bottom + 44.0;

    let (left, right) =
        if narrow { (16.0, width - 16.0) } else { (12.0 + label_width + 12.0, width - number_width - 16.0) };
    let spans: Vec<[f64; 3]> = chosen.iter().filter_map(|r| r.factor.interval()).map(crate::tables::limits).collect();
    let bounds = chosen.iter().filter_map(|r| match &r.factor {
        // Room for the arrow.
        Estimate::Bound(b) if b.side() == BoundSide::AtLeast => Some(2.0 * b.value()),
        Estimate::Bound(b) => Some(0.5 * b.value()),
        _ => None,
    });
    let axis = Axis::log(reach(&spans).into_iter().chain(bounds).chain([1.0]), left, right);
    let cut = spans.iter().any(|s| !axis.holds(s[0]) || !axis.holds(s[2]));

    let mut canvas = Canvas::default();
    canvas.layer("frame", |pen| {
        draw_title(pen, &title_text)?;
        draw_key(pen, &key, &places, title_height)?;
        // Where labels stand above their rows, rules keep out of the labels.
        let strips: Vec<(f64, f64)> = if narrow {
            rows.iter().map(|r| (r.y - 7.0, r.y + 9.0)).chain([(bottom - 4.0, bottom)]).collect()
        } else {
            vec![(top - 2.0, bottom)]
        };
        for (top, bottom) in strips {
            draw_grid(pen, &axis, top, bottom)?;
            pen.line((axis.at(1.0), top), (axis.at(1.0), bottom), MUTED, 1.2)?;
        }
        pen.line((left, bottom), (right, bottom), MUTED, 1.0)?;
        draw_ticks_below(pen, &axis, bottom)?;
        let axis_title = if narrow {
            "abrasiveness factor k (log scale)"
        } else {
            "abrasiveness factor k, dimensionless, log scale; larger wears faster"
        };
        pen.text(axis_title, (0.5 * (left + right), bottom + 31.0), Anchor::Middle, SMALL, INK)
    })?;
    canvas.layer("labels", |pen| {
        for row in &rows {
            if narrow {
                pen.lines(&row.label, (12.0, row.top + 8.0), Anchor::Start, LABEL, 15.0, INK)?;
                let text = format!("{}; {}", row.numbers[0], row.numbers[1]);
                pen.text(&text, (12.0, row.y - 14.0), Anchor::Start, SMALL, MUTED)?;
            } else {
                let start = row.y - 7.5 * (row.label.iter().map(|_| 1.0).sum::<f64>() - 1.0);
                pen.lines(&row.label, (12.0 + label_width, start), Anchor::End, LABEL, 15.0, INK)?;
                if compact {
                    pen.text(&row.numbers[0], (right + 12.0, row.y), Anchor::Start, SMALL, INK)?;
                    continue;
                }
                pen.text(&row.numbers[0], (right + 12.0, row.y - 7.0), Anchor::Start, LABEL, INK)?;
                pen.text(&row.numbers[1], (right + 12.0, row.y + 8.0), Anchor::Start, SMALL, MUTED)?;
            }
        }
        Ok(())
    })?;
    canvas.layer("intervals", |pen| rows.iter().try_for_each(|row| draw_interval(pen, &axis, row)))?;
    canvas.layer("estimates", |pen| rows.iter().try_for_each(|row| draw_estimate(pen, &axis, row)))?;
    let caption = caption(fit, &all, &chosen, shortened, cut);
    Ok(Plot::new(&canvas, &id, (width, height), &title, caption))
}

fn key(rows: &[&SurfaceFactor]) -> Vec<KeyEntry> {
    [
        (Some(SurfaceRole::Road), "road surface"),
        (Some(SurfaceRole::Laboratory), "laboratory belt"),
        (None, "role not stated"),
    ]
    .into_iter()
    .filter(|(role, _)| rows.iter().any(|r| r.role == *role))
    .map(|(role, text)| {
        let (shape, colour) = look(role);
        KeyEntry { shape, colour, text: text.into() }
    })
    .collect()
}

fn look(role: Option<SurfaceRole>) -> (Shape, RGBColor) {
    match role {
        Some(SurfaceRole::Road) => (Shape::Circle, BLUE),
        Some(SurfaceRole::Laboratory) => (Shape::Diamond, VERMILION),
        None => (Shape::Square, MUTED),
    }
}

fn draw_interval(pen: &Pen<'_>, axis: &Axis, row: &Row<'_>) -> Drawing {
    let (_, colour) = look(row.of.role);
    let y = row.y;
    match &row.of.factor {
        Estimate::Interval(i) if i.lower() < i.upper() => {
            pen.line((axis.at(i.lower()), y), (axis.at(i.upper()), y), colour, 2.0)?;
            for (limit, sign) in [(i.lower(), -1.0), (i.upper(), 1.0)] {
                let x = axis.at(limit);
                if axis.holds(limit) {
                    pen.line((x, y - 5.0), (x, y + 5.0), colour, 2.0)?;
                } else {
                    // Cut: an open angle pointing on.
                    pen.path(&[(x - 6.0 * sign, y - 5.0), (x, y), (x - 6.0 * sign, y + 5.0)], colour, 2.0)?;
                }
            }
            Ok(())
        }
        Estimate::Interval(_) => Ok(()),
        Estimate::Bound(bound) => {
            let x = axis.at(bound.value());
            let (left, right) = axis.range();
            let sign = if bound.side() == BoundSide::AtLeast { 1.0 } else { -1.0 };
            let end = axis.at(if sign > 0.0 { right } else { left });
            pen.line((x, y - 5.0), (x, y + 5.0), colour, 2.0)?;
            pen.dashed(&[(x, y), (end, y)], colour, 2.0, 6.0, 4.0)?;
            pen.path(&[(end - 7.0 * sign, y - 5.0), (end, y), (end - 7.0 * sign, y + 5.0)], colour, 2.0)
        }
        Estimate::NotEstimable(_) => pen.text("not estimable", (axis.at(1.0) + 6.0, y), Anchor::Start, SMALL, MUTED),
    }
}

fn draw_estimate(pen: &Pen<'_>, axis: &Axis, row: &Row<'_>) -> Drawing {
    let (shape, colour) = look(row.of.role);
    match row.of.factor.value() {
        Some(k) => pen.mark(shape, (axis.at(k), row.y), 5.0, colour, 1.0),
        None => Ok(()),
    }
}

/// All rows where there are few; else laboratory surfaces, the reference, and every so-manieth of the others.
fn thinned<'a>(all: &[&'a SurfaceFactor], reference: &str, most: usize) -> Vec<&'a SurfaceFactor> {
    if all.len() <= most {
        return all.to_vec();
    }
    let fixed = |r: &SurfaceFactor| r.surface == reference || r.role == Some(SurfaceRole::Laboratory);
    let others = all.iter().filter(|r| !fixed(r)).count();
    let room = most.saturating_sub(all.len() - others).max(2);
    let (mut seen, mut kept_fixed) = (0, 0);
    all.iter()
        .copied()
        .filter(|r| {
            if fixed(r) {
                kept_fixed += 1;
                return kept_fixed <= most || r.surface == reference;
            }
            // Kept where the running share steps over a whole number: first and last included.
            let keep =
                seen == 0 || seen * (room - 1) / (others - 1).max(1) > (seen - 1) * (room - 1) / (others - 1).max(1);
            seen += 1;
            keep
        })
        .collect()
}

fn caption(fit: &SeverityFit, all: &[&SurfaceFactor], drawn: &[&SurfaceFactor], shortened: bool, cut: bool) -> String {
    let method = all
        .iter()
        .filter_map(|r| r.factor.interval())
        .map(crate::Interval::method)
        .find(|m| *m != crate::IntervalMethod::ByDefinition)
        .map_or(String::new(), |m| format!(", limits by {}", interval_method(m)));
    let mut text = format!(
        "Abrasiveness factor k with its interval at level {} for each surface; k = median abrasion time on {} divided by the \
         median on the surface, same material. {} fit of {} ({}, {}){method}.",
        fit.level(),
        fit.reference(),
        capital(&fit.distribution().to_string()),
        count(fit.trials(), "trial"),
        count(fit.run_outs(), "run-out"),
        count(fit.contact_openings(), "contact opening"),
    );
    if drawn.iter().any(|r| matches!(r.factor, Estimate::Bound(_))) {
        text.push_str(" A dashed arrow starts at a one-sided bound: only censored trials place that surface.");
    }
    if cut {
        text.push_str(" An open angle ends an interval that goes on beyond the axis.");
    }
    if drawn.len() < all.len() {
        text.push_str(&format!(
            " {} of {} surfaces are drawn, evenly over the scale; the table holds all.",
            drawn.len(),
            all.len()
        ));
    }
    if shortened {
        text.push_str(" Long names are shortened here and whole in the table.");
    }
    text
}
