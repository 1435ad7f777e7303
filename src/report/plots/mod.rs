//! The pictures, one function each.

mod answers;
mod control;
mod corrected;
mod lab_road;
mod ladder;
mod resampling;
mod residuals;
mod rows;
mod times;

use std::fmt;

use plotters::style::RGBColor;

use crate::error::{ErrorKind, Result};
use crate::tables::escape_html;

use super::axis::Axis;
use super::canvas::{Anchor, Canvas, INK, MUTED, Pen, RULE, Shape, text_width, wrap};

pub use answers::{answers, influence};
pub use control::control_chart;
pub use corrected::corrected_reports;
pub use lab_road::lab_road;
pub use ladder::severity_ladder;
pub use resampling::bootstrap_distributions;
pub use residuals::residual_quantiles;
pub use times::abrasion_times;
pub(crate) use times::first_abrasion_times;

/// How a picture is laid out.
///
/// | option | default | range | meaning |
/// |---|---|---|---|
/// | width_px | 720 | 320 to 2000 | width; below 560 labels stand above their rows, as a phone wants them |
/// | id | name of the picture | letters, digits, `-`, `_`; a letter first | prefix of every id in the SVG, so that several pictures share a page |
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// use surface_severity::report::{PlotOptions, plots};
/// let phone = plots::severity_ladder(&fit, &PlotOptions::new().width_px(390).id("phone"))?;
/// assert_eq!(phone.size_px().0, 390);
/// assert!(plots::severity_ladder(&fit, &PlotOptions::new().width_px(10)).is_err());
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Debug, Clone, PartialEq, Eq)]
pub struct PlotOptions {
    width_px: u32,
    id: Option<String>,
}

impl Default for PlotOptions {
    fn default() -> Self {
        Self { width_px: 720, id: None }
    }
}

impl PlotOptions {
    /// The defaults.
    ///
    /// ```
    /// use surface_severity::report::PlotOptions;
    /// assert_eq!(PlotOptions::new(), PlotOptions::default());
    /// ```
    #[must_use]
    pub fn new() -> Self {
        Self::default()
    }
    /// Sets the width in pixels.
    #[must_use]
    pub fn width_px(mut self, width_px: u32) -> Self {
        self.width_px = width_px;
        self
    }
    /// Sets the prefix of ids.
    #[must_use]
    pub fn id(mut self, id: impl Into<String>) -> Self {
        self.id = Some(id.into());
        self
    }

    /// Width and id, checked.
    fn check(&self, name: &str) -> Result<(f64, String)> {
        if !(320..=2000).contains(&self.width_px) {
            return Err(ErrorKind::option("width_px", self.width_px, "a width from 320 to 2000 pixels"));
        }
        let id = self.id.as_deref().unwrap_or(name);
        let letters = |c: char| c.is_ascii_alphanumeric() || c == '-' || c == '_';
        if !id.starts_with(|c: char| c.is_ascii_alphabetic()) || !id.chars().all(letters) {
            return Err(ErrorKind::option(
                "id",
                format!("{id:?}"),
                "letters, digits, hyphens and underscores, a letter first",
            ));
        }
        Ok((f64::from(self.width_px), id.to_owned()))
    }
}

/// A finished picture.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// use surface_severity::report::{PlotOptions, plots};
/// let plot = plots::severity_ladder(&fit, &PlotOptions::default())?;
/// println!("{}: {}", plot.title(), plot.caption());
/// assert!(plot.to_svg().starts_with("<svg") && plot.to_svg().contains(plot.title()));
/// assert!(plot.to_html().contains(plot.to_svg()), "with its caption, for a page");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[derive(Clone, PartialEq, Eq)]
pub struct Plot {
    svg: String,
    title: String,
    caption: String,
    width: u32,
    height: u32,
}

impl Plot {
    /// The SVG document, with title and description.
    #[must_use]
    pub fn to_svg(&self) -> &str {
        &self.svg
    }
    /// Title, also drawn in the picture.
    #[must_use]
    pub fn title(&self) -> &str {
        &self.title
    }
    /// What is shown and by what method; plain text.
    #[must_use]
    pub fn caption(&self) -> &str {
        &self.caption
    }
    /// Width and height in pixels.
    #[must_use]
    pub fn size_px(&self) -> (u32, u32) {
        (self.width, self.height)
    }
    /// A `<figure>` with the picture and its caption.
    #[must_use]
    pub fn to_html(&self) -> String {
        format!(
            "<figure style=\"margin:1em 0;break-inside:avoid\">\n{}<figcaption style=\"font-size:0.88em;max-width:{}px\">{}</figcaption>\n</figure>\n",
            self.svg,
            self.width,
            escape_html(&self.caption)
        )
    }

    fn new(canvas: &Canvas, id: &str, (width, height): (f64, f64), title: &str, caption: String) -> Self {
        let px = |v: f64| {
            // A few thousand at most.
            #[allow(clippy::cast_possible_truncation, clippy::cast_sign_loss)]
            let n = v.round().max(0.0) as u32;
            n
        };
        Self {
            svg: canvas.finish(id, (width, height), title, &caption),
            title: title.to_owned(),
            caption,
            width: px(width),
            height: px(height),
        }
    }
}

/// Short: the picture itself is long.
impl fmt::Debug for Plot {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        write!(f, "Plot({:?}, {} × {} px)", self.title, self.width, self.height)
    }
}

/// Text sizes in pixels.
const TITLE: f64 = 15.0;
const LABEL: f64 = 12.5;
const SMALL: f64 = 11.0;
/// Below this width labels stand above their rows.
const NARROW: f64 = 560.0;

/// Height that fits an A4 page at the default width, caption included.
const TALLEST: f64 = 880.0;

/// Where a list of blocks is cut into two columns so that the taller one is as low as it can be, and
/// how tall that is.
fn columns_of(heights: &[f64], columns: usize) -> (usize, f64) {
    let all: f64 = heights.iter().sum();
    if columns < 2 {
        return (heights.len(), all);
    }
    let (mut best, mut left) = ((heights.len(), all), 0.0);
    for (i, height) in heights.iter().enumerate() {
        left += height;
        let tallest = f64::max(left, all - left);
        if tallest < best.1 {
            best = (i + 1, tallest);
        }
    }
    best
}

/// Blocks in pages of columns that are at most `room` high; a block that is taller has a page to itself.
fn pages_of(heights: &[f64], columns: usize, room: f64) -> Vec<std::ops::Range<usize>> {
    let mut pages = Vec::new();
    let mut start = 0;
    while start < heights.len() {
        let mut end = start + 1;
        while end < heights.len() && columns_of(&heights[start..=end], columns).1 <= room {
            end += 1;
        }
        pages.push(start..end);
        start = end;
    }
    pages
}

type Drawing = std::result::Result<(), plotters::drawing::DrawingAreaErrorKind<std::io::Error>>;

/// Title at the top, wrapped; returns the lines and the height they take.
fn title_lines(title: &str, width: f64) -> (Vec<String>, f64) {
    // Bold runs about a tenth wider.
    let (lines, _) = wrap(title, (width - 24.0) / 1.1, TITLE, 3);
    let mut height = 14.0;
    for _ in &lines {
        height += TITLE * 1.3;
    }
    (lines, height)
}

fn draw_title(pen: &Pen<'_>, lines: &[String]) -> Drawing {
    let mut y = 12.0 + 0.5 * TITLE;
    for line in lines {
        pen.bold(line, (12.0, y), Anchor::Start, TITLE, INK)?;
        y += TITLE * 1.3;
    }
    Ok(())
}

/// Vertical rules at the ticks of a horizontal axis.
fn draw_grid(pen: &Pen<'_>, axis: &Axis, top: f64, bottom: f64) -> Drawing {
    for (value, _) in axis.ticks(SMALL) {
        let x = axis.at(value);
        pen.line((x, top), (x, bottom), RULE, 1.0)?;
    }
    Ok(())
}

/// Tick labels below `y`.
fn draw_ticks_below(pen: &Pen<'_>, axis: &Axis, y: f64) -> Drawing {
    for (value, label) in axis.ticks(SMALL) {
        let x = axis.at(value);
        pen.line((x, y), (x, y + 4.0), MUTED, 1.0)?;
        pen.text(&label, (x, y + 11.0), Anchor::Middle, SMALL, MUTED)?;
    }
    Ok(())
}

/// Tick labels to the left of `x` for an upright axis.
fn draw_ticks_left(pen: &Pen<'_>, axis: &Axis, x: f64) -> Drawing {
    for (value, label) in axis.ticks(SMALL) {
        let y = axis.at(value);
        pen.line((x - 4.0, y), (x, y), MUTED, 1.0)?;
        pen.text(&label, (x - 7.0, y), Anchor::End, SMALL, MUTED)?;
    }
    Ok(())
}

/// One entry of a key: a mark and its meaning.
struct KeyEntry {
    shape: Shape,
    colour: RGBColor,
    text: String,
}

/// Positions of the entries of a key that wraps at `width`, and its height.
fn key_layout(entries: &[KeyEntry], width: f64) -> (Vec<(f64, f64)>, f64) {
    const STEP: f64 = 17.0;
    let (mut x, mut y) = (12.0, 0.5 * STEP);
    let mut places = Vec::with_capacity(entries.len());
    for entry in entries {
        let needed = 20.0 + text_width(&entry.text, SMALL);
        if x > 12.0 && x + needed > width - 8.0 {
            x = 12.0;
            y += STEP;
        }
        places.push((x, y));
        x += needed + 14.0;
    }
    (places, y + 0.5 * STEP + 4.0)
}

fn draw_key(pen: &Pen<'_>, entries: &[KeyEntry], places: &[(f64, f64)], top: f64) -> Drawing {
    for (entry, &(x, y)) in entries.iter().zip(places) {
        pen.mark(entry.shape, (x + 6.0, top + y), 4.0, entry.colour, 1.0)?;
        pen.text(&entry.text, (x + 17.0, top + y), Anchor::Start, SMALL, INK)?;
    }
    Ok(())
}
