//! Display in notebooks of the Rust kernel: the last value of a cell is shown as HTML.

use std::io::Write;

use crate::severity::SeverityFit;
use crate::tables::{Table, durabilities, surface_factors};

use super::plots::{Plot, PlotOptions, severity_ladder};

/// One block in one locked write, so that other output cannot come between.
fn show(html: &str) {
    let block = format!("EVCXR_BEGIN_CONTENT text/html\n{html}\nEVCXR_END_CONTENT\n");
    // Nowhere to report a closed standard output to.
    let _ = std::io::stdout().lock().write_all(block.as_bytes());
}

impl Table {
    /// Shows the table in a notebook cell.
    pub fn evcxr_display(&self) {
        show(&self.to_html());
    }
}

impl Plot {
    /// Shows the picture with its caption in a notebook cell.
    pub fn evcxr_display(&self) {
        show(&self.to_html());
    }
}

impl SeverityFit {
    /// Severity ladder, factors, durabilities and notes, as HTML for a notebook cell.
    #[must_use]
    pub fn to_html(&self) -> String {
        let mut html = severity_ladder(self, &PlotOptions::default()).map_or_else(|_| String::new(), |p| p.to_html());
        html.push_str(&surface_factors(self).to_html());
        html.push_str(&durabilities(self).to_html());
        if !self.notes().is_empty() {
            html.push_str(&crate::tables::notes(self).to_html());
        }
        html
    }

    /// Shows the fit in a notebook cell.
    pub fn evcxr_display(&self) {
        show(&self.to_html());
    }
}
