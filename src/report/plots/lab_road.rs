//! Laboratory against road, one panel for each road surface.

use plotters::style::RGBColor;

use crate::correction::{CorrectedTime, Correction};
use crate::equivalence::{EquivalenceFit, Form, MaterialPair, SurfaceEquivalence};
use crate::error::{ErrorKind, Result};
use crate::tables::{capital, count};

use super::super::axis::Axis;
use super::super::canvas::{
    Anchor, BLUE, Canvas, GREEN, GROUND, INK, MUTED, PLUM, Pen, RULE, SHADE, Shape, VERMILION, text_width, wrap,
};
use super::{
    Drawing, KeyEntry, NARROW, Plot, PlotOptions, SMALL, draw_key, draw_ticks_below, draw_ticks_left, draw_title,
    key_layout, title_lines,
};

/// Panels in one picture; further surfaces go on in the next.
const PER_PICTURE: usize = 9;
/// Points of a curve.
const STEPS: u32 = 33;
/// Looks of the classes; more classes than this share one.
const LOOKS: [(Shape, RGBColor); 6] = [
    (Shape::Circle, BLUE),
    (Shape::Square, VERMILION),
    (Shape::TriangleUp, GREEN),
    (Shape::Diamond, PLUM),
    (Shape::TriangleDown, INK),
    (Shape::Cross, MUTED),
];

/// Median times of the materials on the belt and on each road surface, both axes logarithmic and the
/// same in every panel, with one standard error each way, the line of equality, the fitted line with its
/// confidence band, and, where a correction is given, the prediction band for a further material.
///
/// With a correction the lines are those of its form, else those of the constant ratio. `reports`, those that were read with
/// it, stand where they were read: rings at belt median and road median. Nine panels a picture, as many pictures as it takes.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// # let equivalence = surface_severity::equivalence::Equivalence::new("laboratory belt").fit(&campaign, &fit)?;
/// # let correction = surface_severity::correction::Correction::derive(&equivalence, &Default::default())?;
/// use surface_severity::report::{PlotOptions, plots};
/// let drawn = plots::lab_road(&equivalence, Some(&correction), &[], &PlotOptions::default())?;
/// assert_eq!(drawn.len(), 1, "six panels on one picture");
/// assert!(drawn[0].to_svg().contains("brushed concrete"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::NothingToFit`] where no material was tested on both, [`ErrorKind::InvalidOption`] for
/// unusable options or a correction of another campaign or belt.
pub fn lab_road(
    fit: &EquivalenceFit,
    correction: Option<&Correction>,
    reports: &[CorrectedTime],
    options: &PlotOptions,
) -> Result<Vec<Plot>> {
    let (width, id) = options.check("lab-road")?;
    if let Some(c) = correction
        && (c.campaign_digest() != fit.campaign_digest() || c.laboratory() != fit.laboratory())
    {
        return Err(ErrorKind::option(
            "correction",
            c.laboratory(),
            &format!("one that was derived from this comparison with {}", fit.laboratory()),
        ));
    }
    let surfaces: Vec<&SurfaceEquivalence> = fit.surfaces().iter().filter(|s| !s.pairs().is_empty()).collect();
    if surfaces.is_empty() {
        return Err(ErrorKind::NothingToFit { reason: "no material was tested on both belt and road".into() }.into());
    }
    let pairs = || surfaces.iter().flat_map(|s| s.pairs());
    let mut classes: Vec<Option<&str>> = pairs().map(MaterialPair::class).collect();
    classes.sort_unstable_by(|a, b| (a.is_none(), a).cmp(&(b.is_none(), b)));
    classes.dedup();
    let read: Vec<Read> = reports.iter().filter_map(Read::of).collect();
    // One range for both axes and all panels: the line of equality is the diagonal.
    let range: Vec<f64> = pairs()
        .flat_map(|p| {
            let (x, sx) = (p.laboratory_log_median(), p.laboratory_log_standard_error());
            let (y, sy) = (p.road_log_median(), p.road_log_standard_error());
            [x - sx, x + sx, y - sy, y + sy]
        })
        .map(libm::exp)
        .chain(read.iter().flat_map(|r| [r.belt_s, r.road_s]))
        .collect();

    let total = surfaces.len().div_ceil(PER_PICTURE);
    let all = surfaces.len();
    surfaces
        .chunks(PER_PICTURE)
        .enumerate()
        .map(|(page, chosen)| {
            let title = if total == 1 {
                format!("{} against the roads", capital(fit.laboratory()))
            } else {
                let first = page * PER_PICTURE + 1;
                format!(
                    "{} against the roads, surfaces {first} to {} of {all}",
                    capital(fit.laboratory()),
                    first + chosen.len() - 1
                )
            };
            let id = if page == 0 { id.clone() } else { format!("{id}-{}", page + 1) };
            let caption = caption(fit, correction, chosen, classes.len() > LOOKS.len(), !read.is_empty());
            draw((fit, correction, &read), chosen, &classes, &range, (width, &id), &title, caption)
        })
        .collect()
}

fn look(classes: &[Option<&str>], class: Option<&str>) -> (Shape, RGBColor) {
    if classes.len() > LOOKS.len() {
        return LOOKS[0];
    }
    classes.iter().position(|c| *c == class).map_or(LOOKS[0], |i| LOOKS[i])
}

/// A report where it was read.
struct Read<'a> {
    surface: &'a str,
    belt_s: f64,
    road_s: f64,
}

impl<'a> Read<'a> {
    /// None where only a bound is known.
    fn of(row: &'a CorrectedTime) -> Option<Self> {
        let (belt_s, road_s) = (row.laboratory_median_s().value()?, row.road_median_s().value()?);
        Some(Self { surface: row.surface(), belt_s, road_s })
    }
}

fn draw(
    (fit, correction, reports): (&EquivalenceFit, Option<&Correction>, &[Read<'_>]),
    surfaces: &[&SurfaceEquivalence],
    classes: &[Option<&str>],
    range: &[f64],
    (width, id): (f64, &str),
    title: &str,
    caption: String,
) -> Result<Plot> {
    let columns: usize = if width < NARROW { 2 } else { 3.min(surfaces.len().max(2)) };
    let gap = 14.0;
    let (left_margin, top_margin, bottom_margin) = (34.0, 34.0, 30.0);
    #[allow(clippy::cast_precision_loss)]
    let panel = ((width - 24.0 - 14.0 - gap * (columns - 1) as f64) / columns as f64).min(330.0);
    let side = panel - left_margin;
    let (title_text, title_height) = title_lines(title, width);
    let mut key: Vec<KeyEntry> = if classes.len() > LOOKS.len() {
        vec![KeyEntry { shape: LOOKS[0].0, colour: LOOKS[0].1, text: "material".into() }]
    } else {
        let name = |c: &Option<&str>| c.map_or("no class given".to_owned(), str::to_owned);
        classes
            .iter()
            .map(|c| KeyEntry { shape: look(classes, *c).0, colour: look(classes, *c).1, text: name(c) })
            .collect()
    };
    if !reports.is_empty() {
        key.push(KeyEntry { shape: Shape::Ring, colour: INK, text: "report".into() });
    }
    for (shape, text) in [(Shape::Stroke, "fitted line"), (Shape::Dashes, "equality")] {
        key.push(KeyEntry { shape, colour: INK, text: text.into() });
    }
    let (places, key_height) = key_layout(&key, width);
    let panel_height = top_margin + side + bottom_margin;
    let top = title_height + key_height + 4.0;
    let rows = surfaces.len().div_ceil(columns);
    #[allow(clippy::cast_precision_loss)]
    let height = top + rows as f64 * panel_height + 24.0;
    #[allow(clippy::cast_precision_loss)]
    let corner = |i: usize| {
        let (column, row) = ((i % columns) as f64, (i / columns) as f64);
        (12.0 + 14.0 + column * (panel + gap) + left_margin, top + row * panel_height + top_margin)
    };
    let axes = |i: usize| {
        let (x, y) = corner(i);
        let axis = Axis::log(range.iter().copied(), 0.0, 1.0);
        (axis.moved(x, x + side), axis.moved(y + side, y))
    };

    let mut canvas = Canvas::default();
    canvas.layer("frame", |pen| {
        draw_title(pen, &title_text)?;
        draw_key(pen, &key, &places, title_height)?;
        for (i, surface) in surfaces.iter().enumerate() {
            let (x, y) = corner(i);
            let (across, up) = axes(i);
            let (name, _) = wrap(surface.surface(), (side + 12.0) / 1.1, SMALL, 2);
            let mut at = y - 8.0 - 13.0 * if name.len() > 1 { 1.0 } else { 0.0 };
            for line in &name {
                pen.bold(line, (x, at), Anchor::Start, SMALL, INK)?;
                at += 13.0;
            }
            for (value, _) in across.ticks(SMALL) {
                pen.line((across.at(value), y), (across.at(value), y + side), RULE, 1.0)?;
                pen.line((x, up.at(value)), (x + side, up.at(value)), RULE, 1.0)?;
            }
            pen.path(&[(x, y), (x, y + side), (x + side, y + side)], MUTED, 1.0)?;
            draw_ticks_below(pen, &across, y + side)?;
            draw_ticks_left(pen, &up, x)?;
        }
        let text = format!("median time on {}, s (log scale)", fit.laboratory());
        let (lines, _) = wrap(&text, width - 40.0, SMALL, 1);
        pen.lines(&lines, (0.5 * width, height - 13.0), Anchor::Middle, SMALL, 13.0, INK)?;
        #[allow(clippy::cast_precision_loss)]
        let middle = top + 0.5 * rows as f64 * panel_height;
        pen.upwards("median time on the road, s (log scale)", (14.0, middle), SMALL, INK)
    })?;
    canvas.layer("counts", |pen| {
        for (i, surface) in surfaces.iter().enumerate() {
            let (x, y) = corner(i);
            let text = format!("n = {}", surface.pairs().len());
            let (right, middle) = (x + side - 2.0, y + side - 10.0);
            let left = right - text_width(&text, 10.5) - 4.0;
            pen.rectangle((left, middle - 8.0), (right, middle + 8.0), GROUND)?;
            pen.text(&text, (right - 3.0, middle), Anchor::End, 10.5, MUTED)?;
        }
        Ok(())
    })?;
    canvas.layer("bands", |pen| {
        for (i, surface) in surfaces.iter().enumerate() {
            let (across, up) = axes(i);
            let (low, high) = across.range();
            let curves = Curves::of(fit, correction, surface);
            if let Some(band) = curves.as_ref().and_then(|c| c.prediction.as_ref()) {
                fill(pen, &across, &up, band, SHADE, 0.4)?;
            }
            if let Some(c) = &curves {
                fill(pen, &across, &up, &c.confidence, SHADE, 1.0)?;
            }
            let ends = [(across.at(low), up.at(low)), (across.at(high), up.at(high))];
            pen.dashed(&ends, INK, 1.0, 4.0, 3.5)?;
            if let Some(c) = &curves {
                let inside: Vec<(f64, f64)> =
                    c.line.iter().filter(|(_, y)| up.holds(*y)).map(|(x, y)| (across.at(*x), up.at(*y))).collect();
                if inside.len() > 1 {
                    pen.path(&inside, INK, 1.6)?;
                }
            }
        }
        Ok(())
    })?;
    canvas.layer("errors", |pen| {
        for (i, surface) in surfaces.iter().enumerate() {
            let (across, up) = axes(i);
            for p in surface.pairs() {
                let (x, sx) = (p.laboratory_log_median(), p.laboratory_log_standard_error());
                let (y, sy) = (p.road_log_median(), p.road_log_standard_error());
                let at = |axis: &Axis, log: f64| axis.at(libm::exp(log));
                pen.line((at(&across, x - sx), at(&up, y)), (at(&across, x + sx), at(&up, y)), MUTED, 1.0)?;
                pen.line((at(&across, x), at(&up, y - sy)), (at(&across, x), at(&up, y + sy)), MUTED, 1.0)?;
            }
        }
        Ok(())
    })?;
    canvas.layer("materials", |pen| {
        for (i, surface) in surfaces.iter().enumerate() {
            let (across, up) = axes(i);
            for p in surface.pairs() {
                let (shape, colour) = look(classes, p.class());
                let at = (across.at(libm::exp(p.laboratory_log_median())), up.at(libm::exp(p.road_log_median())));
                pen.mark(shape, at, 3.4, colour, 0.9)?;
            }
            for report in reports.iter().filter(|r| r.surface == surface.surface()) {
                pen.mark(Shape::Ring, (across.at(report.belt_s), up.at(report.road_s)), 3.6, INK, 1.0)?;
            }
        }
        Ok(())
    })?;
    Ok(Plot::new(&canvas, id, (width, height), title, caption))
}

/// Line and bands of one panel, as values: (x, y) and (x, lower, upper).
struct Curves {
    line: Vec<(f64, f64)>,
    confidence: Vec<(f64, f64, f64)>,
    prediction: Option<Vec<(f64, f64, f64)>>,
}

impl Curves {
    fn of(fit: &EquivalenceFit, correction: Option<&Correction>, surface: &SurfaceEquivalence) -> Option<Self> {
        // Only where there are materials: a line beyond them would be a claim.
        let logs = || surface.pairs().iter().map(MaterialPair::laboratory_log_median);
        let (from, to) = (logs().fold(f64::INFINITY, f64::min), logs().fold(f64::NEG_INFINITY, f64::max));
        let last = f64::from(STEPS - 1);
        let stations = (0..STEPS).map(|i| libm::exp(from + (to - from) * f64::from(i) / last)).collect::<Vec<_>>();
        match correction {
            Some(correction) => {
                let of = correction.correction(surface.surface()).ok()?;
                let mut curves = Self { line: Vec::new(), confidence: Vec::new(), prediction: None };
                let mut prediction = Vec::new();
                for x in stations {
                    let [line, lower, upper, material_lower, material_upper] =
                        of.bands(correction, libm::log(x))?.map(libm::exp);
                    curves.line.push((x, line));
                    curves.confidence.push((x, lower, upper));
                    prediction.push((x, material_lower, material_upper));
                }
                curves.prediction = Some(prediction);
                Some(curves)
            }
            None => {
                let ratio = surface.constant_ratio().fitted()?.ratio();
                debug_assert!((ratio.level() - fit.level()).abs() < 1e-12);
                Some(Self {
                    line: stations.iter().map(|x| (*x, x * ratio.estimate())).collect(),
                    confidence: stations.iter().map(|x| (*x, x * ratio.lower(), x * ratio.upper())).collect(),
                    prediction: None,
                })
            }
        }
    }
}

/// A band between two curves, kept within the panel.
fn fill(pen: &Pen<'_>, across: &Axis, up: &Axis, band: &[(f64, f64, f64)], colour: RGBColor, opacity: f64) -> Drawing {
    let upper = band.iter().map(|(x, _, u)| (across.at(*x), up.at(*u)));
    let lower = band.iter().rev().map(|(x, l, _)| (across.at(*x), up.at(*l)));
    pen.polygon(&upper.chain(lower).collect::<Vec<_>>(), colour, opacity)
}

fn caption(
    fit: &EquivalenceFit,
    correction: Option<&Correction>,
    surfaces: &[&SurfaceEquivalence],
    many: bool,
    reports: bool,
) -> String {
    let line = match correction.map(Correction::form) {
        Some(Form::PowerLaw) => "power law (York line, errors in both, scatter between materials)",
        _ => "constant ratio (mean log ratio, errors in both, scatter between materials)",
    };
    let mut text = format!(
        "Median times of the materials tested on {} and on {}, with one standard error each way, both axes logarithmic and the \
         same in every panel. Dashed: equal times. Line, over the belt times of \
         these materials: {line}; grey band: its confidence band at level {}",
        fit.laboratory(),
        count(surfaces.len(), "road surface"),
        correction.map_or(fit.level(), Correction::level),
    );
    text.push_str(if correction.is_some() {
        "; pale band: where the road median of a further material is predicted."
    } else {
        "."
    });
    if reports {
        text.push_str(
            " Rings: laboratory reports at their belt median and the road median they are read as, by class.",
        );
    }
    if many {
        text.push_str(" Classes are too many to tell apart here.");
    }
    let left: usize = surfaces.iter().map(|s| s.left_out().len()).sum();
    if left > 0 {
        text.push_str(" Materials without a median on both are not drawn; the table names them.");
    }
    text
}
