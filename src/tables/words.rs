//! Wording shared by tables, plots and the page.

use std::cmp::Ordering;

use crate::estimate::{BoundSide, Estimate, IntervalMethod};
use crate::severity::SurfaceFactor;

/// `1 trial`, `2 trials`.
pub(crate) fn count(n: usize, noun: &str) -> String {
    if n == 1 {
        return format!("1 {noun}");
    }
    // A vowel before the y keeps it: days.
    match noun.strip_suffix('y').filter(|stem| !stem.ends_with(['a', 'e', 'o', 'u'])) {
        Some(stem) => format!("{n} {stem}ies"),
        None => format!("{n} {noun}s"),
    }
}

/// With a capital first letter.
pub(crate) fn capital(text: &str) -> String {
    let mut chars = text.chars();
    chars.next().map_or(String::new(), |c| c.to_uppercase().chain(chars).collect())
}

/// A material with its class.
pub(crate) fn of_class(material: &str, class: Option<&str>) -> String {
    class.map_or_else(|| material.to_owned(), |class| format!("{material} ({class})"))
}

/// How an interval was made, in words that fit behind "limits by".
pub(crate) fn interval_method(method: IntervalMethod) -> &'static str {
    match method {
        IntervalMethod::StudentT => "Student t on the logarithm",
        IntervalMethod::Normal => "normal approximation on the logarithm (observed information)",
        IntervalMethod::Percentile => "bootstrap percentiles",
        IntervalMethod::Bca => "bootstrap, bias-corrected and accelerated",
        IntervalMethod::Basic => "bootstrap, basic",
        IntervalMethod::Studentised => "bootstrap, studentised",
        IntervalMethod::BootstrapNormal => "bootstrap standard error and bias, normal quantile",
        IntervalMethod::ChiSquared => "chi-squared quantiles on the variance",
        IntervalMethod::Profile => "profile likelihood",
        IntervalMethod::Prediction => "prediction",
        IntervalMethod::ByDefinition => "definition",
    }
}

/// Harshest first: unlimited upwards, estimates falling, unlimited downwards, then the rest; equal ones by name.
pub(crate) fn ladder_order(factors: &[SurfaceFactor]) -> Vec<&SurfaceFactor> {
    let mut rows: Vec<&SurfaceFactor> = factors.iter().collect();
    rows.sort_by(|a, b| descending(&a.factor, &b.factor).then_with(|| a.surface.cmp(&b.surface)));
    rows
}

/// Order of estimates from the largest down, bounds at the ends.
pub(crate) fn descending(a: &Estimate, b: &Estimate) -> Ordering {
    let rank = |e: &Estimate| match e {
        Estimate::Bound(bound) if bound.side() == BoundSide::AtLeast => 0,
        Estimate::Interval(_) => 1,
        Estimate::Bound(_) => 2,
        Estimate::NotEstimable(_) => 3,
    };
    let value = |e: &Estimate| match e {
        Estimate::Interval(i) => i.estimate(),
        Estimate::Bound(bound) => bound.value(),
        Estimate::NotEstimable(_) => 0.0,
    };
    rank(a).cmp(&rank(b)).then_with(|| value(b).total_cmp(&value(a)))
}
