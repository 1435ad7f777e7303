//! Labelled rows on a common axis, which several pictures share.

use crate::error::Result;

use super::super::axis::Axis;
use super::super::canvas::{Anchor, Canvas, INK, MUTED, Pen, text_width, wrap};
use super::{
    Drawing, KeyEntry, LABEL, NARROW, Plot, SMALL, draw_grid, draw_key, draw_ticks_below, draw_title, key_layout,
    title_lines,
};

/// One row: its label, what stands at its right end, and its height between the rules.
pub(super) struct Row {
    pub(super) label: String,
    pub(super) note: String,
    pub(super) height: f64,
}

/// A picture of rows.
pub(super) struct Rows<'a> {
    pub(super) id: &'a str,
    pub(super) width: f64,
    pub(super) title: &'a str,
    pub(super) key: Vec<KeyEntry>,
    pub(super) rows: Vec<Row>,
    /// The axis over some pixels; it is moved to where the rows are.
    pub(super) axis: Axis,
    /// Title of the axis, and a shorter one for narrow pictures.
    pub(super) axis_title: [&'a str; 2],
    /// A value with a rule of its own.
    pub(super) mark: Option<f64>,
    pub(super) caption: String,
}

impl Rows<'_> {
    /// Draws frame and labels; `draw` gets each row's number, the height of its middle, and the axis.
    pub(super) fn plot(self, draw: impl Fn(&Pen<'_>, usize, f64, &Axis) -> Drawing) -> Result<Plot> {
        let narrow = self.width < NARROW;
        let (title_text, title_height) = title_lines(self.title, self.width);
        let (places, key_height) =
            if self.key.is_empty() { (Vec::new(), 0.0) } else { key_layout(&self.key, self.width) };
        let widest =
            |texts: &mut dyn Iterator<Item = &String>, size| texts.map(|t| text_width(t, size)).fold(40.0, f64::max);
        let label_width = if narrow {
            self.width - 24.0
        } else {
            widest(&mut self.rows.iter().map(|r| &r.label), LABEL).min(0.32 * self.width)
        };
        let note_width =
            if narrow { 0.0 } else { widest(&mut self.rows.iter().map(|r| &r.note), SMALL).min(0.34 * self.width) };
        let (left, right) =
            if narrow { (16.0, self.width - 16.0) } else { (24.0 + label_width, self.width - note_width - 28.0) };
        let axis = self.axis.moved(left, right);
        let top = title_height + key_height + 4.0;
        let mut y = top;
        let mut shortened = false;
        // Label lines, top, middle and bottom of the marks.
        let mut placed = Vec::with_capacity(self.rows.len());
        for row in &self.rows {
            let (lines, cut) = wrap(&row.label, label_width, LABEL, 2);
            shortened |= cut;
            let text = lines.iter().map(|_| 14.0).sum::<f64>();
            let (from, height) =
                if narrow { (y + text + 17.0, text + 21.0 + row.height) } else { (y, row.height.max(text + 4.0)) };
            let middle = if narrow { from + 0.5 * row.height } else { y + 0.5 * height };
            placed.push((lines, y, middle, from.min(middle - 0.5 * row.height), middle + 0.5 * row.height));
            y += height;
        }
        let bottom = y + 4.0;
        let mut canvas = Canvas::default();
        canvas.layer("frame", |pen| {
            draw_title(pen, &title_text)?;
            draw_key(pen, &self.key, &places, title_height)?;
            let strips: Vec<(f64, f64)> = if narrow {
                placed.iter().map(|p| (p.3, p.4)).chain([(bottom - 4.0, bottom)]).collect()
            } else {
                vec![(top, bottom)]
            };
            for (from, to) in strips {
                draw_grid(pen, &axis, from, to)?;
                if let Some(mark) = self.mark {
                    pen.line((axis.at(mark), from), (axis.at(mark), to), MUTED, 1.2)?;
                }
            }
            pen.line((left, bottom), (right, bottom), MUTED, 1.0)?;
            draw_ticks_below(pen, &axis, bottom)?;
            let text = self.axis_title[usize::from(narrow)];
            pen.text(text, (0.5 * (left + right), bottom + 31.0), Anchor::Middle, SMALL, INK)?;
            for (row, (lines, top, middle, ..)) in self.rows.iter().zip(&placed) {
                if narrow {
                    pen.lines(lines, (16.0, top + 8.0), Anchor::Start, LABEL, 14.0, INK)?;
                    let under = top + 8.0 + lines.iter().map(|_| 14.0).sum::<f64>();
                    let (note, _) = wrap(&row.note, self.width - 32.0, SMALL, 1);
                    pen.lines(&note, (16.0, under), Anchor::Start, SMALL, 13.0, MUTED)?;
                } else {
                    let first = middle - if lines.len() > 1 { 7.0 } else { 0.0 };
                    pen.lines(lines, (12.0 + label_width, first), Anchor::End, LABEL, 14.0, INK)?;
                    let (note, _) = wrap(&row.note, note_width, SMALL, 2);
                    let first = middle - if note.len() > 1 { 6.5 } else { 0.0 };
                    pen.lines(&note, (right + 12.0, first), Anchor::Start, SMALL, 13.0, INK)?;
                }
            }
            Ok(())
        })?;
        canvas.layer("marks", |pen| {
            for (i, (_, _, middle, ..)) in placed.iter().enumerate() {
                draw(pen, i, *middle, &axis)?;
            }
            Ok(())
        })?;
        let mut caption = self.caption;
        if shortened {
            caption.push_str(" Long names are shortened here and whole in the table.");
        }
        Ok(Plot::new(&canvas, self.id, (self.width, bottom + 44.0), self.title, caption))
    }
}
