//! A control chart.

use crate::error::{ErrorKind, Result};
use crate::laboratory::{ChartPoint, ControlChart, Signal};
use crate::tables::count;

use super::super::axis::Axis;
use super::super::canvas::{Anchor, BLUE, Canvas, GREEN, INK, MUTED, RULE, SHADE, Shape, VERMILION};
use super::{KeyEntry, Plot, PlotOptions, SMALL, draw_key, draw_ticks_left, draw_title, key_layout, title_lines};

/// Height of the panel, pixels.
const TALL: f64 = 230.0;
/// Points named at most.
const NAMED: usize = 6;

/// Times in the order in which they were read, logarithmic, with centre and limits of a single reading, the moving average
/// with its own limits, and marks where a rule speaks; the first of these are named.
///
/// ```
/// use surface_severity::laboratory::Chart;
/// use surface_severity::report::{PlotOptions, plots};
/// let readings: Vec<_> = (0..12).map(|i| (format!("drop {i}"), if i > 9 { 3.0 } else { 4.0 + 0.1 * f64::from(i % 3) })).collect();
/// let plot = plots::control_chart(&Chart::new(6).of_times(&readings)?, &PlotOptions::default())?;
/// assert!(plot.to_svg().contains("drop 10"), "where it leaves the limits");
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::NothingToFit`] for a chart without points, [`ErrorKind::InvalidOption`] for unusable options.
pub fn control_chart(chart: &ControlChart, options: &PlotOptions) -> Result<Plot> {
    let (width, id) = options.check("control-chart")?;
    let points = &chart.points;
    if points.is_empty() {
        return Err(ErrorKind::NothingToFit { reason: "no points to draw".into() }.into());
    }
    let speaks = |p: &&ChartPoint| !p.signals.is_empty();
    let averages = chart.rules.contains(&Signal::MovingAverage);
    let title = "Control chart of the reference cloth";
    let (title_text, title_height) = title_lines(title, width);
    let entry = |shape, colour, text: &str| KeyEntry { shape, colour, text: text.into() };
    let mut key = vec![
        entry(Shape::Ring, MUTED, "base period"),
        entry(Shape::Circle, BLUE, "in control"),
        entry(Shape::Diamond, VERMILION, "a rule speaks"),
        entry(Shape::Dashes, INK, "limits of a reading"),
    ];
    if averages {
        key.push(entry(Shape::Stroke, GREEN, "moving average in its limits"));
    }
    let (places, key_height) = key_layout(&key, width);
    let (top, left, right) = (title_height + key_height + 8.0, 58.0, width - 16.0);
    let bottom = top + TALL;
    let band = |p: &ChartPoint| [-1.0, 1.0].map(|side| chart.log_centre + side * p.log_average_half_width);
    let reach = points.iter().flat_map(|p| [p.log_value, p.log_average]).chain([chart.log_lower, chart.log_upper]);
    let up = Axis::log(reach.map(libm::exp), bottom, top);
    let at = |log: f64| up.at(libm::exp(log));
    #[allow(clippy::cast_precision_loss)]
    let across = |i: usize| left + (right - left) * (i as f64 + 0.5) / points.len() as f64;

    let mut canvas = Canvas::default();
    canvas.layer("frame", |pen| {
        draw_title(pen, &title_text)?;
        draw_key(pen, &key, &places, title_height)?;
        if averages {
            let upper = points.iter().enumerate().map(|(i, p)| (across(i), at(band(p)[1])));
            let lower = points.iter().enumerate().rev().map(|(i, p)| (across(i), at(band(p)[0])));
            pen.polygon(&upper.chain(lower).collect::<Vec<_>>(), SHADE, 0.5)?;
        }
        for (value, _) in up.ticks(SMALL) {
            pen.line((left, up.at(value)), (right, up.at(value)), RULE, 1.0)?;
        }
        pen.path(&[(left, top), (left, bottom), (right, bottom)], MUTED, 1.0)?;
        draw_ticks_left(pen, &up, left)?;
        pen.line((left, at(chart.log_centre)), (right, at(chart.log_centre)), INK, 1.0)?;
        for limit in [chart.log_lower, chart.log_upper] {
            pen.dashed(&[(left, at(limit)), (right, at(limit))], INK, 1.0, 4.0, 3.5)?;
        }
        if chart.base > 0 && chart.base < points.len() {
            let x = 0.5 * (across(chart.base - 1) + across(chart.base));
            pen.line((x, top), (x, bottom), MUTED, 1.0)?;
        }
        let text = format!("{} in the order of reading; left of the line the base period", count(points.len(), "drop"));
        pen.text(&text, (0.5 * (left + right), bottom + 18.0), Anchor::Middle, SMALL, INK)?;
        pen.upwards("time, s (log scale)", (18.0, 0.5 * (top + bottom)), SMALL, INK)
    })?;
    canvas.layer("readings", |pen| {
        if averages {
            let line: Vec<(f64, f64)> =
                points.iter().enumerate().map(|(i, p)| (across(i), at(p.log_average))).collect();
            pen.path(&line, GREEN, 1.6)?;
        }
        points.iter().enumerate().try_for_each(|(i, p)| {
            let (shape, colour) = match p.signals.is_empty() {
                false => (Shape::Diamond, VERMILION),
                true if i < chart.base => (Shape::Ring, MUTED),
                true => (Shape::Circle, BLUE),
            };
            pen.mark(shape, (across(i), at(p.log_value)), 3.2, colour, 0.9)
        })
    })?;
    canvas.layer("names", |pen| {
        let mut last = f64::INFINITY;
        for (i, p) in points.iter().enumerate().filter(|(_, p)| speaks(p)).take(NAMED) {
            // Never closer than a line, and within the panel.
            let shown = (at(p.log_value) - 9.0).min(last - 13.0).max(top + 6.0);
            last = shown;
            let end = across(i) > 0.6 * width;
            let (x, anchor) = if end { (across(i) - 8.0, Anchor::End) } else { (across(i) + 8.0, Anchor::Start) };
            pen.text(&p.label, (x, shown), anchor, SMALL, INK)?;
        }
        Ok(())
    })?;
    let caption = format!(
        "{chart} Solid: mean of log time in the base period; dashed: limits of a further reading by Student t. What speaks: {}.",
        chart.rules.iter().map(ToString::to_string).collect::<Vec<_>>().join("; ")
    );
    Ok(Plot::new(&canvas, &id, (width, bottom + 34.0), title, caption))
}
