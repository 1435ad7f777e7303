//! Bootstrap distributions of the factors.

use crate::bootstrap::{Scheme, SeverityBootstrap};
use crate::error::{ErrorKind, Result};
use crate::estimate::{Interval, IntervalMethod};
use crate::tables::{count, interval_method};

use super::super::axis::Axis;
use super::super::canvas::{Anchor, BLUE, Canvas, INK, MUTED, SKY, wrap};
use super::{NARROW, Plot, PlotOptions, SMALL, draw_ticks_below, draw_title, title_lines};

/// Panels in one picture.
const MOST: usize = 24;
const BINS: usize = 36;
/// Height of the tallest bar, px.
const BAR_HEIGHT: f64 = 70.0;
/// Room for the names of the intervals, px.
const NAMES: f64 = 60.0;

struct Panel {
    name: Vec<String>,
    bins: Vec<usize>,
    axis: Axis,
    estimate: f64,
    intervals: Vec<(&'static str, Interval)>,
}

/// A histogram of the replicates of every surface's factor on a logarithmic axis, with the estimate and
/// the intervals below it: of the model, by percentiles, and bias-corrected and accelerated.
///
/// Above 24 surfaces the first by name are drawn; the caption says so.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::{bootstrap::Bootstrap, report::{PlotOptions, plots}};
/// let bootstrap = Bootstrap::rescaled(100).severity(&plan, &campaign)?;
/// let plot = plots::bootstrap_distributions(&bootstrap, &PlotOptions::default())?;
/// assert!(plot.to_svg().contains("brushed concrete") && plot.caption().contains("100"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::NothingToFit`] where no surface but the reference is on the scale,
/// [`ErrorKind::InvalidOption`] for unusable options.
pub fn bootstrap_distributions(bootstrap: &SeverityBootstrap, options: &PlotOptions) -> Result<Plot> {
    let (width, id) = options.check("bootstrap-distributions")?;
    let columns: usize = if width < NARROW { 1 } else { 3 };
    let gap = 20.0;
    #[allow(clippy::cast_precision_loss)]
    let panel_width = (width - 24.0 - gap * (columns - 1) as f64) / columns as f64;
    let fit = bootstrap.fit();
    let mut panels = Vec::new();
    let mut shortened = false;
    let mut without_bca = 0;
    let placed = fit.factors().iter().filter_map(|row| Some((row, fit.column_of(&row.surface)?)));
    let total = placed.clone().count();
    if total == 0 {
        return Err(ErrorKind::NothingToFit { reason: "no surface but the reference is on the scale".into() }.into());
    }
    for (row, column) in placed.take(MOST) {
        let values = bootstrap.replicates().values(column);
        let Ok(model) = fit.factor(&row.surface) else { continue };
        let mut intervals = vec![("model", model)];
        for (name, method) in [("percentile", IntervalMethod::Percentile), ("BCa", IntervalMethod::Bca)] {
            match bootstrap.factor(&row.surface, method) {
                Ok(found) => intervals.push((name, found.interval)),
                Err(_) => without_bca += 1,
            }
        }
        let limits = intervals.iter().flat_map(|(_, i)| [i.lower(), i.upper()]);
        let axis = Axis::log(values.iter().map(|v| libm::exp(*v)).chain(limits), 0.0, panel_width - NAMES);
        let (name, cut) = wrap(&row.surface, panel_width / 1.1, SMALL, 2);
        shortened |= cut;
        let bins = histogram(&values, axis);
        panels.push(Panel { name, bins, axis, estimate: model.estimate(), intervals });
    }

    let title = "Bootstrap distributions of the abrasiveness factors";
    let (title_text, title_height) = title_lines(title, width);
    let heading = if panels.iter().any(|p| p.name.len() > 1) { 30.0 } else { 16.0 };
    let panel_height = heading + BAR_HEIGHT + 3.0 * 13.0 + 34.0 + 12.0;
    let row_count = panels.len().div_ceil(columns);
    #[allow(clippy::cast_precision_loss)]
    let height = title_height + 4.0 + row_count as f64 * panel_height + 18.0;

    #[allow(clippy::cast_precision_loss)]
    let corner = |i: usize| {
        let (column, row) = ((i % columns) as f64, (i / columns) as f64);
        (12.0 + column * (panel_width + gap), title_height + 4.0 + row * panel_height)
    };
    let mut canvas = Canvas::default();
    canvas.layer("frame", |pen| {
        draw_title(pen, &title_text)?;
        for (i, panel) in panels.iter().enumerate() {
            let (x, y) = corner(i);
            let mut at = y + 7.0;
            for line in &panel.name {
                pen.bold(line, (x, at), Anchor::Start, SMALL, INK)?;
                at += 14.0;
            }
            let axis = panel.axis.moved(x, x + panel_width - NAMES);
            let base = y + heading + BAR_HEIGHT + 3.0 * 13.0 + 6.0;
            pen.line((x, base), (x + panel_width - NAMES, base), MUTED, 1.0)?;
            draw_ticks_below(pen, &axis, base)?;
        }
        pen.text("abrasiveness factor k (log scale)", (0.5 * width, height - 12.0), Anchor::Middle, SMALL, INK)
    })?;
    canvas.layer("replicates", |pen| {
        for (i, panel) in panels.iter().enumerate() {
            let (x, y) = corner(i);
            let tallest = panel.bins.iter().copied().max().unwrap_or(1).max(1);
            #[allow(clippy::cast_precision_loss)]
            let step = (panel_width - NAMES) / BINS as f64;
            let mut left = x;
            for &n in &panel.bins {
                #[allow(clippy::cast_precision_loss)]
                let bar = BAR_HEIGHT * n as f64 / tallest as f64;
                if n > 0 {
                    pen.rectangle(
                        (left + 0.4, y + heading + BAR_HEIGHT - bar),
                        (left + step - 0.4, y + heading + BAR_HEIGHT),
                        SKY,
                    )?;
                }
                left += step;
            }
        }
        Ok(())
    })?;
    canvas.layer("intervals", |pen| {
        for (i, panel) in panels.iter().enumerate() {
            let (x, y) = corner(i);
            let axis = panel.axis.moved(x, x + panel_width - NAMES);
            let at = axis.at(panel.estimate);
            pen.line((at, y + heading), (at, y + heading + BAR_HEIGHT + 3.0 * 13.0 + 6.0), INK, 1.2)?;
            let mut row = y + heading + BAR_HEIGHT + 8.0;
            for (name, interval) in &panel.intervals {
                let (a, b) = (axis.at(interval.lower()), axis.at(interval.upper()));
                pen.line((a, row), (b, row), BLUE, 2.2)?;
                pen.line((a, row - 4.0), (a, row + 4.0), BLUE, 2.2)?;
                pen.line((b, row - 4.0), (b, row + 4.0), BLUE, 2.2)?;
                pen.text(name, (x + panel_width - NAMES + 6.0, row), Anchor::Start, 10.0, MUTED)?;
                row += 13.0;
            }
        }
        Ok(())
    })?;
    let replicates = bootstrap.replicates();
    let plan = replicates.plan();
    let model = panels.first().and_then(|p| p.intervals.first()).map_or("", |(_, i)| interval_method(i.method()));
    let mut caption = format!(
        "Factors of {} in {} replicates ({}; seed {}), {} of which could not be fitted. Upright line: the estimate. Below, \
         intervals at level {}: of the model ({model}), by percentiles of the replicates, and bias-corrected and accelerated \
         (BCa).",
        count(panels.len(), "surface"),
        replicates.len() + replicates.failed(),
        plan.scheme(),
        plan.seed,
        replicates.failed(),
        plan.level
    );
    if plan.scheme() == Scheme::Stratified {
        caption.push_str(" Drawing n specimens within a cell of n understates variance by about (n − 1)/n.");
    }
    if panels.len() < total {
        caption.push_str(&format!(" The first {} of {total} surfaces by name are drawn.", panels.len()));
    }
    if without_bca > 0 {
        caption.push_str(" Where an interval is missing, the table says why.");
    }
    if shortened {
        caption.push_str(" Long names are shortened here.");
    }
    Ok(Plot::new(&canvas, &id, (width, height), title, caption))
}

/// Counts of log values in bins that are even on the axis.
fn histogram(values: &[f64], axis: Axis) -> Vec<usize> {
    let mut bins = vec![0; BINS];
    let across = axis.moved(0.0, 1.0);
    for v in values {
        #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss, clippy::cast_precision_loss)]
        let bin = (across.at(libm::exp(*v)) * BINS as f64) as usize;
        bins[bin.min(BINS - 1)] += 1;
    }
    bins
}
