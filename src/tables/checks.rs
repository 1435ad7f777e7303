//! Tables of what was assumed and how it was looked at: distribution, equal scatter, constant factors.

use crate::bootstrap::GoodnessOfFit;
use crate::severity::{DistributionComparison, EqualScatter, ScatterBy, UnequalScatter};

use super::severity::limits;
use super::words::{capital, count};
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

/// Does the fitted distribution describe the times? With the transform that the test rests on.
///
/// ```
/// // Two surfaces (factors 1 and 2), two materials, four days that shift log times by 0.1, -0.1, 0.05, -0.05.
/// # use surface_severity::campaign::{Campaign, Trial};
/// # let mut trials = Vec::new();
/// # for (d, shift) in [0.1, -0.1, 0.05, -0.05_f64].into_iter().enumerate() {
/// #     for (surface, k) in [("asphalt", 1.0), ("belt", 2.0)] {
/// #         for (material, s) in [("cowhide", 8.0), ("denim", 2.0)] {
/// #             for (i, e) in [0.02, -0.02].into_iter().enumerate() {
/// #                 let id = format!("{d} {surface} {material} {i}");
/// #                 let trial = Trial::perforated(id, surface, material, s / k * (shift + e).exp());
/// #                 trials.push(trial.day(format!("day {d}")));
/// #             }
/// #         }
/// #     }
/// # }
/// # let campaign = Campaign::from_trials(trials)?;
/// use surface_severity::{bootstrap::{Bootstrap, GoodnessOfFit}, severity::Severity, tables};
/// let test = GoodnessOfFit::test(&Bootstrap::parametric(100), &Severity::new("asphalt"), &campaign)?;
/// assert!(tables::goodness_of_fit(&test).to_csv().contains(&test.statistic.to_string()));
/// # Ok::<(), surface_severity::Error>(())
/// ```
#[must_use]
pub fn goodness_of_fit(test: &GoodnessOfFit) -> Table {
    let columns = vec![Column::words("quantity", "quantity"), Column::numbers("value", "value")];
    let mut table = Table::new("Goodness of fit", columns).with_caption(format!(
        "Anderson–Darling distance between the probability transforms of the trials, a censored one spread evenly over what it \
         leaves open (Czado, Gneiting and Held 2009), and a uniform distribution; p from {} in which run lengths and time \
         resolution are replayed. A small p says that the distribution does not describe the times.",
        count(test.replicates, "parametric bootstrap refit")
    ));
    table.add(vec![Value::text("distance"), Value::digits(test.statistic, 4)]);
    table.add(vec![Value::text("p"), Value::Probability(test.p_value)]);
    let apart = (1u32..).zip(&test.transform).map(|(i, g)| (f64::from(i) / 20.0, *g));
    if let Some((level, share)) = apart.max_by(|a, b| (a.1 - a.0).abs().total_cmp(&(b.1 - b.0).abs())) {
        table.note(format!(
            "Farthest apart where the model puts {level} of the trials below: {} of them are.",
            crate::significant(share, 2)
        ));
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
