//! Tables of what was assumed and how it was looked at: distribution, equal scatter, constant factors.

use crate::severity::{DistributionComparison, EqualScatter, ScatterBy, UnequalScatter};

use super::severity::limits;
use super::words::capital;
use super::{Column, Drawn, Table, Value};

/// The additive model under each distribution of times, the smallest AICc first.
///
/// ```
/// # let campaign = surface_severity::campaign::Campaign::read_path("data-demo/trials.csv")?;
/// # let plan = surface_severity::severity::Severity::new("dense asphalt concrete");
/// use surface_severity::{severity::DistributionComparison, tables};
/// let table = tables::distributions(&DistributionComparison::of(&plan, &campaign)?);
/// assert_eq!(table.rows().len(), 3);
/// println!("{table}");
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn distributions(comparison: &DistributionComparison) -> Table {
    let columns = vec![
        Column::words("distribution", "distribution"),
        Column::numbers("log_likelihood", "log-likelihood"),
        Column::numbers("parameters", "parameters"),
        Column::numbers("aicc", "AICc"),
        Column::numbers("aicc_difference", "from the smallest"),
    ];
    let mut table = Table::new("Distributions of times", columns).with_caption(
        "The same severity model under each distribution, by maximum likelihood on the time scale. AICc is Akaike's criterion \
         with the small-sample term (Hurvich and Tsai 1989); differences below about 2 say little.",
    );
    for row in &comparison.rows {
        table.add(vec![
            Value::text(row.distribution.to_string()),
            Value::digits(row.log_likelihood, 6),
            Value::Count(row.parameters),
            Value::digits(row.aicc, 6),
            Value::digits(row.aicc_difference, 3),
        ]);
    }
    for (distribution, reason) in &comparison.not_fitted {
        table.note(format!("{} was not fitted: {}.", capital(&distribution.to_string()), reason.trim_end_matches('.')));
    }
    table
}

/// The test of one scatter for all, and the scatter of each group where it was fitted.
///
/// ```
/// // The belt halves the time of cowhide; one stop wire on asphalt broke late: 35 s.
/// # use surface_severity::campaign::{Campaign, Trial};
/// # let times = [("asphalt", [8.0, 8.4, 9.0, 9.6, 35.0]), ("belt", [4.0, 4.2, 4.5, 4.8, 4.4])];
/// # let trials = times.iter().flat_map(|(surface, times)| times.iter().map(move |t| {
/// #     Trial::perforated(format!("{surface} {t}"), *surface, "cowhide", *t)
/// # }));
/// # let campaign = Campaign::from_trials(trials)?;
/// use surface_severity::severity::{EqualScatter, ScatterBy, Severity, UnequalScatter};
/// use surface_severity::tables;
/// let plan = Severity::new("asphalt");
/// let test = EqualScatter::test(&plan, &campaign, ScatterBy::Surface)?;
/// let groups = UnequalScatter::fit(&plan, &campaign, ScatterBy::Surface)?;
/// let text = tables::scatter(&test, Some(&groups)).to_text();
/// assert!(text.contains("asphalt") && text.contains("belt"));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn scatter(test: &EqualScatter, groups: Option<&UnequalScatter>) -> Table {
    let level = groups
        .and_then(|g| g.groups.iter().find_map(|g| g.log_scatter.interval()))
        .map_or(0.95, crate::Interval::level);
    let name = match groups.map(|g| g.by) {
        Some(ScatterBy::Surface) => "surface",
        Some(ScatterBy::Class) => "class",
        None => "group",
    };
    let mut columns = vec![Column::words(name, name), Column::numbers("log_scatter", "scatter of log time")];
    columns.extend(Column::limits(level, None));
    columns.push(Column::numbers("trials", "trials"));
    let p = Value::Probability(test.p_value).shown();
    let mut table = Table::new("Is the scatter the same everywhere?", columns).with_caption(format!(
        "One replicate scatter for all groups against one each, every cell at its own level: {} {} with {} degrees of freedom, \
         p {}. {}",
        if test.exact {
            "Bartlett's statistic"
        } else {
            "Bartlett's statistic on scatters estimated from censored times"
        },
        crate::significant(test.statistic, 3),
        test.degrees_of_freedom,
        if p.starts_with('<') { p } else { format!("= {p}") },
        if groups.is_some() {
            "Below, the scatter of each group in the additive model, corrected for few trials."
        } else {
            "The scatter of each group was not fitted."
        }
    ));
    let rows = groups.map_or(&[][..], |g| &g.groups);
    for row in rows {
        let mut cells = vec![Value::text(&row.group)];
        cells.extend(Value::estimate(&row.log_scatter));
        cells.push(Value::Count(row.trials));
        table.add(cells);
    }
    for row in rows {
        if let Some(reason) = row.log_scatter.reason() {
            table.note(format!("{}: {}.", row.group, reason.trim_end_matches('.')));
        }
    }
    if let Some(groups) = groups {
        table.note(format!(
            "Log-likelihood {} with one scatter, {} with one for each {name}.",
            crate::significant(groups.common_log_likelihood, 6),
            crate::significant(groups.log_likelihood, 6)
        ));
        let drawn = rows.iter().map(|r| r.log_scatter.interval().map(limits)).collect();
        table.draw(Drawn { heading: "drawn".into(), log: true, mark: None, rows: drawn });
    }
    table
}
