//! Quantile plot of the residuals of a severity fit.

use crate::campaign::Outcome;
use crate::error::{ErrorKind, Result};
use crate::numeric::special::normal_quantile;
use crate::severity::{SeverityFit, TrialDiagnostics};
use crate::tables::count;

use super::super::axis::Axis;
use super::super::canvas::{Anchor, BLUE, Canvas, INK, MUTED, RULE, Shape, VERMILION};
use super::{
    KeyEntry, Plot, PlotOptions, SMALL, draw_grid, draw_key, draw_ticks_below, draw_ticks_left, draw_title, key_layout,
    title_lines,
};

/// More points than this are thinned in the middle, where they lie on top of each other.
const MOST: usize = 3000;
/// Points named at most.
const NAMED: usize = 6;

/// Randomised quantile residuals (Dunn & Smyth 1996) against the standard normal quantiles of their
/// ranks, with the line of a perfect fit and a pointwise 0.95 band of order statistics; the trials
/// farthest outside the band are named.
///
/// `diagnostics` come from [`SeverityFit::diagnostics`]. Above 3000 trials the middle is thinned evenly;
/// the caption says so.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let fit = surface_severity::severity::Severity::new("dense asphalt concrete").fit(&campaign)?;
/// use surface_severity::report::{PlotOptions, plots};
/// let diagnostics = fit.diagnostics(&campaign, 1)?;
/// let plot = plots::residual_quantiles(&fit, &diagnostics, &PlotOptions::default())?;
/// assert!(plot.to_svg().starts_with("<svg"));
/// assert!(plots::residual_quantiles(&fit, &[], &PlotOptions::default()).is_err());
/// # Ok::<(), surface_severity::Error>(())
/// ```
///
/// # Errors
/// [`ErrorKind::NothingToFit`] without residuals, [`ErrorKind::InvalidOption`] for unusable options.
pub fn residual_quantiles(fit: &SeverityFit, diagnostics: &[TrialDiagnostics], options: &PlotOptions) -> Result<Plot> {
    let (width, id) = options.check("residual-quantiles")?;
    if diagnostics.is_empty() {
        return Err(ErrorKind::NothingToFit { reason: "no residuals to draw".into() }.into());
    }
    let mut sorted: Vec<&TrialDiagnostics> = diagnostics.iter().collect();
    sorted.sort_by(|a, b| a.quantile.total_cmp(&b.quantile).then_with(|| a.trial_id.cmp(&b.trial_id)));
    let n = sorted.len();
    #[allow(clippy::cast_precision_loss)]
    let (total, rank) = (n as f64, |i: usize| (i + 1) as f64);
    let expected = |i: usize| normal_quantile((rank(i) - 0.375) / (total + 0.25));
    let drawn: Vec<usize> =
        (0..n).filter(|&i| n <= MOST || i < 200 || i + 200 >= n || i % n.div_ceil(MOST - 400) == 0).collect();

    // Limits of order statistic i: Beta(i, n + 1 − i) on the probability scale.
    let limits = |i: usize| {
        let of = |p: f64| normal_quantile(beta_quantile(p, rank(i), total + 1.0 - rank(i)));
        (of(0.025), of(0.975))
    };
    let stations: Vec<usize> = stations(n);
    let band: Vec<(f64, f64, f64)> = stations
        .iter()
        .map(|&i| {
            let (lower, upper) = limits(i);
            (expected(i), lower, upper)
        })
        .collect();

    let title = "Residuals of the severity fit against a normal distribution";
    let (title_text, title_height) = title_lines(title, width);
    let has = |censored: bool| sorted.iter().any(|d| d.outcome.is_censored() == censored);
    let mut key = Vec::new();
    if has(false) {
        key.push(KeyEntry { shape: Shape::Circle, colour: BLUE, text: "perforated".into() });
    }
    if has(true) {
        key.push(KeyEntry {
            shape: Shape::Diamond,
            colour: VERMILION,
            text: "censored: residual drawn at random from its range".into(),
        });
    }
    let (places, key_height) = key_layout(&key, width);
    let top = title_height + key_height + 6.0;
    let (left, right) = (58.0, (width - 16.0).min(58.0 + 520.0));
    let bottom = top + (right - left) * 0.72;
    let reach = band.iter().flat_map(|b| [b.1, b.2]).chain(sorted.iter().map(|d| d.quantile)).filter(|v| v.is_finite());
    let x_axis = Axis::linear((0..n).map(expected), left, right);
    let y_axis = Axis::linear(reach, bottom, top);

    // How far outside the band.
    let excess = |i: usize| {
        let (lower, upper) = limits_near(&band, expected(i));
        (lower - sorted[i].quantile).max(sorted[i].quantile - upper)
    };
    let outside = (0..n).filter(|&i| excess(i) > 0.0).count();
    let mut named: Vec<usize> = (0..n).filter(|&i| excess(i) > 0.3).collect();
    named.sort_by(|&a, &b| excess(b).total_cmp(&excess(a)).then(a.cmp(&b)));
    named.truncate(NAMED);
    named.sort_unstable();

    let mut canvas = Canvas::default();
    canvas.layer("frame", |pen| {
        draw_title(pen, &title_text)?;
        draw_key(pen, &key, &places, title_height)?;
        let upper = band.iter().map(|b| (x_axis.at(b.0), y_axis.at(b.2)));
        let lower = band.iter().rev().map(|b| (x_axis.at(b.0), y_axis.at(b.1)));
        pen.polygon(&upper.chain(lower).collect::<Vec<_>>(), RULE, 0.55)?;
        draw_grid(pen, &x_axis, top, bottom)?;
        for (value, _) in y_axis.ticks(SMALL) {
            pen.line((left, y_axis.at(value)), (right, y_axis.at(value)), RULE, 1.0)?;
        }
        pen.path(&[(left, top), (left, bottom), (right, bottom)], MUTED, 1.0)?;
        draw_ticks_below(pen, &x_axis, bottom)?;
        draw_ticks_left(pen, &y_axis, left)?;
        let (a, b) = (x_axis.range().0.max(y_axis.range().0), x_axis.range().1.min(y_axis.range().1));
        pen.line((x_axis.at(a), y_axis.at(a)), (x_axis.at(b), y_axis.at(b)), INK, 1.2)?;
        pen.text(
            "standard normal quantile of the rank",
            (0.5 * (left + right), bottom + 31.0),
            Anchor::Middle,
            SMALL,
            INK,
        )?;
        pen.upwards("quantile residual, in standard deviations", (18.0, 0.5 * (top + bottom)), SMALL, INK)
    })?;
    canvas.layer("trials", |pen| {
        drawn.iter().try_for_each(|&i| {
            let (shape, colour) = if sorted[i].outcome == Outcome::Perforated {
                (Shape::Circle, BLUE)
            } else {
                (Shape::Diamond, VERMILION)
            };
            pen.mark(shape, (x_axis.at(expected(i)), y_axis.at(sorted[i].quantile)), 2.6, colour, 0.75)
        })
    })?;
    canvas.layer("names", |pen| {
        let mut last = f64::INFINITY;
        for &i in &named {
            let (x, y) = (x_axis.at(expected(i)), y_axis.at(sorted[i].quantile));
            // From the bottom up, never closer than a line.
            let shown = y.min(last - 13.0);
            last = shown;
            let low = expected(i) < 0.0;
            let (text_x, anchor) = if low { (x + 12.0, Anchor::Start) } else { (x - 12.0, Anchor::End) };
            pen.line((x, y), (if low { x + 10.0 } else { x - 10.0 }, shown), MUTED, 0.8)?;
            pen.text(&sorted[i].trial_id, (text_x, shown), anchor, SMALL, INK)?;
        }
        Ok(())
    })?;
    let mut caption = format!(
        "Randomised quantile residuals (Dunn and Smyth) of {} under the {} fit, against the standard normal quantiles of their \
         ranks; on the line if the model holds. Grey: pointwise 0.95 band of normal order statistics; {} of the residuals lie \
         outside it.",
        count(n, "trial"),
        fit.distribution(),
        outside
    );
    if !named.is_empty() {
        caption.push_str(" The farthest are named with their trial.");
    }
    if drawn.len() < n {
        caption
            .push_str(&format!(" {} of {n} points are drawn: all at both ends, evenly thinned between.", drawn.len()));
    }
    Ok(Plot::new(&canvas, &id, (right + 16.0, bottom + 44.0), title, caption))
}

/// Ranks at which the band is computed: dense at the ends.
fn stations(n: usize) -> Vec<usize> {
    let mut at: Vec<usize> = (0..n.min(12)).collect();
    let steps = 60;
    at.extend((0..=steps).map(|k| k * (n - 1) / steps));
    at.extend(n.saturating_sub(12)..n);
    at.sort_unstable();
    at.dedup();
    at
}

/// The band at `x`, between its stations.
fn limits_near(band: &[(f64, f64, f64)], x: f64) -> (f64, f64) {
    let after = band.iter().position(|b| b.0 >= x).unwrap_or(band.len().saturating_sub(1));
    let (b, a) = (band[after], band[after.saturating_sub(1)]);
    let share = if b.0 > a.0 { ((x - a.0) / (b.0 - a.0)).clamp(0.0, 1.0) } else { 1.0 };
    (a.1 + share * (b.1 - a.1), a.2 + share * (b.2 - a.2))
}

/// Quantile of the beta distribution with both shapes at least 1, by bisection.
fn beta_quantile(p: f64, a: f64, b: f64) -> f64 {
    let (mut low, mut high) = (0.0, 1.0);
    for _ in 0..100 {
        let middle = 0.5 * (low + high);
        if statrs::function::beta::beta_reg(a, b, middle) < p {
            low = middle;
        } else {
            high = middle;
        }
    }
    0.5 * (low + high)
}

#[cfg(test)]
mod tests {
    use super::*;

    /// Beta(1, n): 1 − (1 − p)^(1/n); Beta(n, 1): p^(1/n).
    #[test]
    fn order_statistics_at_the_ends_are_in_closed_form() {
        for n in [1.0, 7.0, 300.0] {
            for p in [0.025, 0.5, 0.975] {
                assert!((beta_quantile(p, 1.0, n) - (1.0 - (1.0 - p).powf(1.0 / n))).abs() < 1e-12);
                assert!((beta_quantile(p, n, 1.0) - p.powf(1.0 / n)).abs() < 1e-12);
            }
        }
    }
}
