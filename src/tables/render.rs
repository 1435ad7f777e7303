//! The four forms of a table.

use std::fmt;

use unicode_width::UnicodeWidthStr;

use crate::document::defused;
use crate::estimate::significant;

use super::escape::{clean, escape_html, escape_markdown};
use super::{Align, Drawn, Table};

/// Rows that are shown to a reader; [`Table::to_csv`] has all.
const MOST_SHOWN: usize = 500;

impl Table {
    fn shown_rows(&self) -> &[Vec<super::Value>] {
        &self.rows[..self.rows.len().min(MOST_SHOWN)]
    }

    /// The notes, and how many rows are not shown.
    fn shown_notes(&self) -> impl Iterator<Item = String> {
        let more = self.rows.len().saturating_sub(MOST_SHOWN);
        let more = (more > 0).then(|| format!("The first {MOST_SHOWN} of {} rows.", self.rows.len()));
        more.into_iter().chain(self.notes.iter().cloned())
    }

    /// Title, caption, a pipe table and the notes, as Markdown; of a long table the first 500 rows.
    ///
    /// ```
    /// use surface_severity::tables::{Column, Table, Value};
    /// let mut table = Table::new("Slide times", vec![Column::words("road", "road"), Column::numbers("time_s", "time").unit("s")]);
    /// table.push(vec![Value::text("worn"), Value::number(2.3149)])?;
    /// assert!(table.to_markdown().lines().any(|line| line.starts_with('|') && line.contains("worn") && line.contains("2.31")));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn to_markdown(&self) -> String {
        let mut out = format!("**{}**\n\n", escape_markdown(&self.title));
        if !self.caption.is_empty() {
            out.push_str(&format!("{}\n\n", escape_markdown(&self.caption)));
        }
        let line = |cells: Vec<String>| format!("| {} |\n", cells.join(" | "));
        out.push_str(&line(self.columns.iter().map(|c| escape_markdown(&c.full_heading())).collect()));
        let rule = |align| if align == Align::Right { "---:" } else { "---" };
        out.push_str(&line(self.columns.iter().map(|c| rule(c.align).to_owned()).collect()));
        for row in self.shown_rows() {
            out.push_str(&line(row.iter().map(|v| escape_markdown(&v.shown())).collect()));
        }
        for (i, note) in self.shown_notes().enumerate() {
            out.push_str(&format!("{}- {}\n", if i == 0 { "\n" } else { "" }, escape_markdown(&note)));
        }
        out
    }

    /// Column names and rows with every digit, as CSV (RFC 4180 quoting, line feeds). Words that a spreadsheet would take
    /// for a formula are preceded by an apostrophe.
    ///
    /// ```
    /// use surface_severity::tables::{Column, Table, Value};
    /// let mut table = Table::new("Slide times", vec![Column::words("road", "road"), Column::numbers("time_s", "time").unit("s")]);
    /// table.push(vec![Value::text("worn, wet"), Value::number(2.3149)])?;
    /// assert_eq!(table.to_csv(), "road,time_s\n\"worn, wet\",2.3149\n");
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn to_csv(&self) -> String {
        let mut writer = csv::Writer::from_writer(Vec::new());
        // Rows are as long as the header and a vector takes any bytes, so neither step can fail.
        let _ = writer.write_record(self.columns.iter().map(|c| &c.name));
        for row in &self.rows {
            let cell = |v: &super::Value| match v {
                super::Value::Text(text) => defused(text),
                other => other.exact(),
            };
            let _ = writer.write_record(row.iter().map(cell));
        }
        String::from_utf8(writer.into_inner().unwrap_or_default()).unwrap_or_default()
    }

    /// Aligned plain text, of a long table the first 500 rows; also what `Display` prints.
    ///
    /// ```
    /// use surface_severity::tables::{Column, Table, Value};
    /// let mut table = Table::new("Slide times", vec![Column::words("road", "road"), Column::numbers("time_s", "time").unit("s")]);
    /// table.push(vec![Value::text("worn"), Value::number(2.3149)])?;
    /// assert_eq!(table.to_text(), table.to_string());
    /// assert!(table.to_text().contains("2.31") && !table.to_text().contains("2.3149"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn to_text(&self) -> String {
        let headings: Vec<String> = self.columns.iter().map(|c| clean(&c.full_heading())).collect();
        let rows: Vec<Vec<String>> =
            self.shown_rows().iter().map(|row| row.iter().map(|v| clean(&v.shown())).collect()).collect();
        let widths: Vec<usize> = headings
            .iter()
            .enumerate()
            .map(|(c, heading)| rows.iter().map(|r| r[c].width()).max().unwrap_or(0).max(heading.width()))
            .collect();
        let line = |cells: &[String]| {
            let mut text = String::new();
            for (c, cell) in cells.iter().enumerate() {
                let pad = " ".repeat(widths[c].saturating_sub(cell.width()));
                let gap = if c == 0 { "" } else { "  " };
                match self.columns[c].align {
                    Align::Left => text.push_str(&format!("{gap}{cell}{pad}")),
                    Align::Right => text.push_str(&format!("{gap}{pad}{cell}")),
                }
            }
            format!("{}\n", text.trim_end())
        };
        let mut out = format!("{}\n", clean(&self.title));
        if !self.caption.is_empty() {
            out.push_str(&wrapped(&clean(&self.caption), ""));
        }
        out.push('\n');
        out.push_str(&line(&headings));
        out.push_str(&line(&widths.iter().map(|w| "-".repeat(*w)).collect::<Vec<_>>()));
        for row in &rows {
            out.push_str(&line(row));
        }
        for note in self.shown_notes() {
            out.push_str(&wrapped(&clean(&note), "- "));
        }
        out
    }

    /// A `<table>` with caption, scoped headers and right-aligned numbers, of a long table the first 500 rows; notes follow as a list.
    /// Styles are inline and colours are those of the surroundings, so it reads on light and dark.
    /// Intervals are drawn beside the numbers where the table holds any. Where leading columns repeat
    /// over several rows (reports, surfaces), they become a heading of those rows.
    ///
    /// ```
    /// use surface_severity::tables::{Column, Table, Value};
    /// let mut table = Table::new("Slide times", vec![Column::words("road", "road")]);
    /// table.push(vec![Value::text("<worn>")])?;
    /// // Names from the user's table are escaped.
    /// assert!(table.to_html().contains("&lt;worn&gt;") && !table.to_html().contains("<worn>"));
    /// # Ok::<(), surface_severity::Error>(())
    /// ```
    #[must_use]
    pub fn to_html(&self) -> String {
        self.html(true)
    }

    /// The same with classes (`r`: numbers, `n`: does not break) in place of inline styles, for a page with a style sheet.
    #[cfg(feature = "report")]
    pub(crate) fn to_classed_html(&self) -> String {
        self.html(false)
    }

    fn html(&self, inline: bool) -> String {
        let style = |text: &str| if inline { format!(" style=\"{text}\"") } else { String::new() };
        let class = |right: bool, keep: bool| match (inline, right, keep) {
            (false, true, _) => " class=\"r\"",
            (false, false, true) => " class=\"n\"",
            _ => "",
        };
        let cell = "padding:0.2em 0.7em 0.2em 0;vertical-align:top";
        let rule = "border-bottom:1px solid rgba(128,128,128,0.35)";
        let side = |align| if align == Align::Right { "right" } else { "left" };
        let mut out = format!(
            "<table{}>\n",
            style("border-collapse:collapse;font-variant-numeric:tabular-nums;font-size:0.92em")
        );
        out.push_str(&format!(
            "<caption{}><span class=\"cap\"{}><strong>{}</strong>",
            style("caption-side:top;text-align:left;padding:0 0 0.4em 0"),
            style("display:block"),
            escape_html(&self.title)
        ));
        if !self.caption.is_empty() {
            out.push_str(&format!("<br>{}", escape_html(&self.caption)));
        }
        out.push_str("</span></caption>\n<thead><tr>");
        for column in self.columns.iter().skip(self.grouped) {
            out.push_str(&format!(
                "<th scope=\"col\"{}{}>{}</th>",
                class(column.align == Align::Right, false),
                style(&format!("{cell};text-align:{};border-bottom:1px solid #808080", side(column.align))),
                escape_html(&column.full_heading())
            ));
        }
        if let Some(drawn) = &self.drawn {
            out.push_str(&format!(
                "<th scope=\"col\" class=\"drawn\"{}>{}</th>",
                style(&format!("{cell};text-align:left;border-bottom:1px solid #808080")),
                escape_html(&drawn.heading)
            ));
        }
        out.push_str("</tr></thead>\n");
        out.push_str(if self.grouped > 0 { "<tbody class=\"group\">\n" } else { "<tbody>\n" });
        let scale = self.drawn.as_ref().and_then(|d| Strip::new(d).map(|s| (d, s)));
        for (r, row) in self.shown_rows().iter().enumerate() {
            let heads = |i: usize| self.rows[i].iter().take(self.grouped);
            if self.grouped > 0 && (r == 0 || !heads(r).eq(heads(r - 1))) {
                if r > 0 {
                    out.push_str("</tbody>\n<tbody class=\"group\">\n");
                }
                out.push_str(&format!(
                    "<tr><th scope=\"rowgroup\" colspan=\"{}\"{}><span class=\"cap\"{}>{}</span></th></tr>\n",
                    self.columns.len() - self.grouped + usize::from(self.drawn.is_some()),
                    style("padding:0.7em 0 0.2em 0;text-align:left;font-weight:600"),
                    style("display:inline-block"),
                    escape_html(&self.group_heading(row))
                ));
            }
            out.push_str("<tr>");
            for (c, value) in row.iter().enumerate().skip(self.grouped) {
                let text = escape_html(&value.shown());
                let align = side(self.columns[c].align);
                // Numbers, bounds and single words never break; phrases do.
                let short = text.len() < 30 && (align == "right" || !text.contains(' '));
                let wrap = if short { ";white-space:nowrap" } else { "" };
                let kept = class(align == "right", short);
                if c == self.grouped {
                    let style = style(&format!("{cell};text-align:{align};font-weight:normal{wrap};{rule}"));
                    out.push_str(&format!("<th scope=\"row\"{kept}{style}>{text}</th>"));
                } else {
                    let style = style(&format!("{cell};text-align:{align}{wrap};{rule}"));
                    out.push_str(&format!("<td{kept}{style}>{text}</td>"));
                }
            }
            if let Some(drawn) = &self.drawn {
                let svg = scale.as_ref().and_then(|(_, s)| Some(s.row(*drawn.rows.get(r)?.as_ref()?)));
                let style = style(&format!("{cell};{rule}"));
                out.push_str(&format!("<td class=\"drawn\"{style}>{}</td>", svg.unwrap_or_default()));
            }
            out.push_str("</tr>\n");
        }
        out.push_str("</tbody>\n</table>\n");
        if let Some((drawn, scale)) = &scale {
            out.push_str(&format!(
                "<p class=\"drawn\"{}>Drawn from {} to {} on a {} scale{}.</p>\n",
                style("font-size:0.85em;margin:0.3em 0"),
                significant(scale.from, 2),
                significant(scale.to, 2),
                if drawn.log { "logarithmic" } else { "linear" },
                drawn.mark.map_or(String::new(), |m| format!("; the thin line marks {}", significant(m, 3)))
            ));
        }
        let notes: Vec<String> = self.shown_notes().collect();
        if !notes.is_empty() {
            out.push_str(&format!("<ul{}>\n", style("font-size:0.88em;margin:0.4em 0;padding-left:1.2em")));
            for note in &notes {
                out.push_str(&format!("<li>{}</li>\n", escape_html(note)));
            }
            out.push_str("</ul>\n");
        }
        out
    }
}

impl Table {
    /// `LR-01: cotton drill; specimens 5; belt median 0.225 s`: words by themselves, numbers with their heading and unit.
    fn group_heading(&self, row: &[super::Value]) -> String {
        let mut text = String::new();
        for (i, (column, value)) in self.columns.iter().zip(row).take(self.grouped).enumerate() {
            text.push_str(["", ": ", "; "][i.min(2)]);
            match column.align {
                Align::Left => text.push_str(&value.shown()),
                Align::Right => {
                    text.push_str(&format!("{} {}", column.heading, value.shown()));
                    if let Some(unit) = &column.unit {
                        text.push_str(&format!(" {unit}"));
                    }
                }
            }
        }
        text
    }
}

impl fmt::Display for Table {
    fn fmt(&self, f: &mut fmt::Formatter<'_>) -> fmt::Result {
        f.write_str(&self.to_text())
    }
}

/// Lines of at most 100 columns, the first beginning with `lead`, the others indented as far.
fn wrapped(text: &str, lead: &str) -> String {
    const COLUMNS: usize = 100;
    let indent = " ".repeat(lead.width());
    let (mut out, mut line) = (String::new(), lead.to_owned());
    let mut empty = true;
    for word in text.split_whitespace() {
        if !empty && line.width() + 1 + word.width() > COLUMNS {
            out.push_str(line.trim_end());
            out.push('\n');
            line = indent.clone();
            empty = true;
        }
        if !empty {
            line.push(' ');
        }
        line.push_str(word);
        empty = false;
    }
    out.push_str(line.trim_end());
    out.push('\n');
    out
}

/// The little interval drawings of an HTML table. They repeat numbers that stand beside them, so they
/// are hidden from screen readers.
struct Strip {
    from: f64,
    to: f64,
    log: bool,
    mark: Option<f64>,
}

impl Strip {
    const WIDTH: f64 = 150.0;

    fn new(drawn: &Drawn) -> Option<Self> {
        let values = || drawn.rows.iter().flatten().flatten().copied().chain(drawn.mark);
        let from = values().fold(f64::INFINITY, f64::min);
        let to = values().fold(f64::NEG_INFINITY, f64::max);
        let drawable = from.is_finite() && to.is_finite() && from < to && (!drawn.log || from > 0.0);
        drawable.then_some(Self { from, to, log: drawn.log, mark: drawn.mark })
    }

    fn x(&self, value: f64) -> f64 {
        let of = |v: f64| if self.log { libm::log(v) } else { v };
        let share = (of(value) - of(self.from)) / (of(self.to) - of(self.from));
        4.0 + share * (Self::WIDTH - 8.0)
    }

    fn row(&self, [lower, estimate, upper]: [f64; 3]) -> String {
        let mark = self.mark.map_or(String::new(), |m| {
            let x = self.x(m);
            format!("<path d=\"M{x:.1} 0V16\" stroke=\"#808080\" stroke-width=\"1\"/>")
        });
        format!(
            "<svg aria-hidden=\"true\" width=\"{w}\" height=\"16\" viewBox=\"0 0 {w} 16\">{mark}\
             <path d=\"M{l:.1} 8H{u:.1}M{l:.1} 5V11M{u:.1} 5V11\" stroke=\"currentColor\" stroke-width=\"1.5\" fill=\"none\"/>\
             <circle cx=\"{e:.1}\" cy=\"8\" r=\"3\" fill=\"currentColor\"/></svg>",
            w = Self::WIDTH,
            l = self.x(lower),
            u = self.x(upper),
            e = self.x(estimate)
        )
    }
}
