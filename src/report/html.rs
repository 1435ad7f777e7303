//! The HTML of page and sheet: headings, text, tables, pictures, escaped and without a script.

use crate::error::Result;
use crate::tables::{Table, escape_html};

use super::plots::{Plot, PlotOptions};

/// Width of a picture; a narrower screen scrolls it sideways.
const WIDTH: u32 = 680;

/// Grows a page; escapes all text.
pub(super) struct Html {
    out: String,
    chapters: Vec<(String, String)>,
    /// Whether tables carry their style: on somebody else's page.
    inline: bool,
}

const STYLE: &str = "
:root{color-scheme:light}
body{margin:0 auto;padding:1.2rem 1rem 4rem;max-width:60rem;background:#fff;color:#1a1a1a;font:16px/1.45 Georgia,'Times New Roman',serif}
h1{font-size:1.5rem;line-height:1.25;margin:0 0 .4rem;font-weight:normal;overflow-wrap:anywhere}
h2{font-size:1.2rem;margin:2.4rem 0 .6rem;padding-top:.5rem;border-top:1px solid #1a1a1a;font-weight:normal}
h3{font-size:1rem;margin:1.2rem 0 .3rem;font-style:italic;font-weight:normal}
p{margin:.4rem 0}ul,ol{margin:.4rem 0;padding-left:1.3rem}
main>p,main>ul,figcaption{max-width:52rem}
.first{border-left:4px solid #1a1a1a;padding:.1rem 0 .1rem .8rem;margin:.6rem 0}
nav ol{columns:2;font:14px/1.6 Helvetica,Arial,sans-serif}
.table{overflow-x:auto;margin:.7rem 0;font:14px/1.35 Helvetica,Arial,sans-serif}
.table table{border-collapse:collapse;font-variant-numeric:tabular-nums}
.table td,.table th{padding:.18em .7em .18em 0;vertical-align:top;text-align:left;font-weight:normal;border-bottom:1px solid #ccc;overflow-wrap:break-word}
.table thead th{border-bottom:1px solid #808080}
.table .r{text-align:right;white-space:nowrap}
.table .n{white-space:nowrap}
.table th[scope=rowgroup]{padding:.7em 0 .2em;font-weight:600}
.table caption{caption-side:top;text-align:left;padding:0 0 .4em}
.table ul,.table p{font-size:.88em}
tbody th[scope=row]{min-width:7.5rem}
.cap{display:block;position:sticky;left:0;max-width:min(52rem,calc(100vw - 3rem))}
figure{margin:1rem 0;break-inside:avoid}
figure>div{overflow-x:auto}
figcaption{font:13px/1.45 Helvetica,Arial,sans-serif;color:#333}
.formula{margin:.5rem 0 .5rem 1.5rem;font-style:italic}
.small{font:12px/1.5 Helvetica,Arial,sans-serif;color:#333}
.small span{white-space:nowrap}
details{margin:.7rem 0}summary{cursor:pointer;font:14px/1.5 Helvetica,Arial,sans-serif}
@media screen and (max-width:719px){body{padding:.8rem .8rem 3rem}nav ol{columns:1}
.rows thead{position:absolute;left:-999em}.rows tr,.rows th,.rows td:last-child{display:block}.rows td{display:inline}.rows td:not(:last-child):not(:nth-last-child(2))::after{content:', '}.rows tr{border-bottom:1px solid #ccc;padding:.3em 0}.rows .table td,.rows td,.rows th{border:0;padding:0;white-space:normal}}
@media print{@page{size:A4;margin:15mm;@bottom-right{content:counter(page)}}body{max-width:none;padding:0;font-size:10pt}.cap{position:static;max-width:none}.table,figure>div{overflow:visible}.table{font-size:8pt}
nav,details:not([open]){display:none}.drawn{display:none}h2,h3{break-after:avoid}tr,.short,.group{break-inside:avoid}tbody th[scope=row]{min-width:0}th[scope=rowgroup]{break-after:avoid}main>p,main>ul,figcaption{max-width:none}figcaption{font-size:8.4pt}.small{font-size:7.6pt}figure svg{max-width:100%;height:auto}}
";

impl Html {
    /// `more`: rules added to the style.
    pub(super) fn new(title: &str, more: &str) -> Self {
        let title = escape_html(title);
        Self {
            out: format!(
                "<!DOCTYPE html>\n<html lang=\"en\">\n<head>\n<meta charset=\"utf-8\">\n\
                 <meta name=\"viewport\" content=\"width=device-width, initial-scale=1\">\n<title>{title}</title>\n\
                 <style>{STYLE}{more}</style>\n</head>\n<body>\n<main>\n<h1>{title}</h1>\n"
            ),
            chapters: Vec::new(),
            inline: false,
        }
    }

    /// Only a heading, for what stands on somebody else's page.
    pub(super) fn fragment(title: &str) -> Self {
        Self { out: format!("<h3>{}</h3>\n", escape_html(title)), chapters: Vec::new(), inline: true }
    }

    /// A chapter that the list of contents leads to.
    pub(super) fn chapter(&mut self, id: &str, heading: &str) {
        self.chapters.push((id.to_owned(), heading.to_owned()));
        self.out.push_str(&format!("<h2 id=\"{id}\">{}</h2>\n", escape_html(heading)));
    }

    pub(super) fn section(&mut self, heading: &str) {
        self.out.push_str(&format!("<h2>{}</h2>\n", escape_html(heading)));
    }

    pub(super) fn subsection(&mut self, heading: &str) {
        self.out.push_str(&format!("<h3>{}</h3>\n", escape_html(heading)));
    }

    pub(super) fn paragraph(&mut self, text: &str) {
        self.marked("p", "", text);
    }

    /// What must be read before the rest.
    pub(super) fn first(&mut self, text: &str) {
        self.marked("p", " class=\"first\"", text);
    }

    pub(super) fn small(&mut self, text: &str) {
        self.marked("p", " class=\"small\"", text);
    }

    pub(super) fn formula(&mut self, text: &str) {
        self.marked("p", " class=\"formula\"", text);
    }

    fn marked(&mut self, tag: &str, attributes: &str, text: &str) {
        self.out.push_str(&format!("<{tag}{attributes}>{}</{tag}>\n", escape_html(text)));
    }

    /// A small paragraph of names that do not break.
    pub(super) fn names(&mut self, lead: &str, names: &[&str], end: &str) {
        self.out.push_str(&format!("<p class=\"small\">{} ", escape_html(lead)));
        for (i, name) in names.iter().enumerate() {
            let comma = if i + 1 < names.len() { ", " } else { "" };
            self.out.push_str(&format!("<span>{}</span>{comma}", escape_html(name)));
        }
        self.out.push_str(&format!("{}.</p>\n", escape_html(end)));
    }

    pub(super) fn list(&mut self, items: impl IntoIterator<Item = String>) {
        self.items("ul", items);
    }

    /// A numbered list.
    pub(super) fn steps(&mut self, items: impl IntoIterator<Item = String>) {
        self.items("ol", items);
    }

    fn items(&mut self, tag: &str, items: impl IntoIterator<Item = String>) {
        self.out.push_str(&format!("<{tag}>\n"));
        for item in items {
            self.marked("li", "", &item);
        }
        self.out.push_str(&format!("</{tag}>\n"));
    }

    pub(super) fn table(&mut self, table: &Table) {
        self.table_of(table, "");
    }

    /// A table of words: on a phone every cell has a row of its own.
    pub(super) fn rows(&mut self, table: &Table) {
        self.table_of(table, " rows");
    }

    fn table_of(&mut self, table: &Table, class: &str) {
        // Wide tables scroll sideways on a phone; a keyboard reaches them.
        self.out.push_str(&format!(
            "<div class=\"table{class}{}\" role=\"region\" tabindex=\"0\" aria-label=\"{}\">\n{}</div>\n",
            // Short enough to keep on one sheet.
            if table.rows().len() <= 24 { " short" } else { "" },
            escape_html(table.title()),
            if self.inline { table.to_html() } else { table.to_classed_html() }
        ));
    }

    /// What only some readers ask for, folded.
    pub(super) fn folded(&mut self, summary: &str, fill: impl FnOnce(&mut Self) -> Result<()>) -> Result<()> {
        self.out.push_str(&format!("<details><summary>{}</summary>\n", escape_html(summary)));
        fill(self)?;
        self.out.push_str("</details>\n");
        Ok(())
    }

    pub(super) fn figures(&mut self, plots: &[Plot]) {
        for plot in plots {
            self.out.push_str(&format!(
                "<figure>\n<div>{}</div><figcaption>{}</figcaption>\n</figure>\n",
                plot.to_svg(),
                escape_html(plot.caption())
            ));
        }
    }

    pub(super) fn finish_fragment(self) -> String {
        self.out
    }

    /// With the list of contents where `marker` stands.
    pub(super) fn finish(mut self, marker: Option<&str>) -> String {
        if let Some(marker) = marker {
            let items: String = self
                .chapters
                .iter()
                .map(|(id, heading)| format!("<li><a href=\"#{id}\">{}</a></li>\n", escape_html(heading)))
                .collect();
            let contents = format!("<nav aria-label=\"Contents\"><ol>\n{items}</ol></nav>\n");
            self.out = self.out.replacen(marker, &contents, 1);
        }
        self.out.push_str("</main>\n</body>\n</html>\n");
        self.out
    }

    /// Stands for the list of contents until the end.
    pub(super) fn contents_here(&mut self) -> &'static str {
        const MARKER: &str = "<!--contents-->";
        self.out.push_str(MARKER);
        MARKER
    }
}

/// Options of a picture on the page.
pub(super) fn options(id: &str) -> PlotOptions {
    PlotOptions::new().width_px(WIDTH).id(id)
}
