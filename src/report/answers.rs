//! The answers of a study as page and sheet print them.

use crate::estimate::{Interval, significant};
use crate::study::{BeltConclusion, ClassReading, ReportLimits, RoadConclusion, StudyResult};
use crate::tables::{Column, Table, Value, capital, count};

use super::html::Html;

/// How every road is read, and every class: where it has another c, or (`in_short`) where one departs.
pub(super) fn readings(belt: &BeltConclusion, level: f64, in_short: bool) -> Table {
    let mut columns = vec![
        Column::words("road", "road surface, class"),
        Column::numbers("factor", "c"),
        Column::numbers("average", "average"),
        Column::numbers("one_material", "one material"),
    ];
    for limits in belt.roads.iter().find(|r| !r.reports.is_empty()).map_or(&[][..], |r| &r.reports) {
        columns
            .push(Column::numbers(format!("report_{}", limits.specimens), format!("report of {}", limits.specimens)));
    }
    let reports = columns.len() - 4;
    columns.push(Column::numbers("materials", "materials"));
    let mut table = Table::new(format!("{}: c and its limits", capital(&belt.laboratory)), columns).with_caption(format!(
        "Road time = c × belt time. Limits of c at level {level}: for the average material; for one further material whose \
         belt median is known; and for one of which a report gives the median of so many specimens of one day."
    ));
    for road in &belt.roads {
        table.add(road_row(road, reports));
        let departs = road.classes.iter().any(|k| k.departs);
        let told = |k: &&ClassReading| match (&k.class, in_short) {
            (Some(_), true) => departs,
            (Some(_), false) => road.by_class,
            // Without classes there is one reading, and the road has it.
            (None, _) => !in_short && road.classes.len() > 1,
        };
        for class in road.classes.iter().filter(told) {
            table.add(class_row(class, reports));
        }
        if let Some(reason) = &road.not_corrected {
            table.note(format!("{}: no limits for further materials; {}.", road.surface, reason.trim_end_matches('.')));
        }
    }
    table
}

fn range(limits: &Interval) -> Value {
    Value::text(format!("{} to {}", significant(limits.lower(), 3), significant(limits.upper(), 3)))
}

fn rest(one: Option<&Interval>, reports: &[ReportLimits], columns: usize) -> Vec<Value> {
    let mut cells = vec![one.map_or(Value::Missing, range)];
    cells.extend((0..columns).map(|i| reports.get(i).map_or(Value::Missing, |r| range(&r.limits))));
    cells
}

fn road_row(road: &RoadConclusion, reports: usize) -> Vec<Value> {
    let c = road.factor.interval();
    let mut cells = vec![
        Value::text(&road.surface),
        Value::optional(c.map(Interval::estimate)),
        c.map_or_else(|| Value::text(road.factor.reason().unwrap_or("not estimable")), range),
    ];
    cells.extend(rest(road.one_material.as_ref(), &road.reports, reports));
    cells.push(if road.materials > 0 { Value::Count(road.materials) } else { Value::Missing });
    cells
}

fn class_row(class: &ClassReading, reports: usize) -> Vec<Value> {
    let departs = if class.departs { " (departs)" } else { "" };
    let mut cells = vec![
        Value::text(format!("– {}{departs}", class.name())),
        Value::number(class.factor.estimate()),
        range(&class.factor),
    ];
    cells.extend(rest(class.one_material.as_ref(), &class.reports, reports));
    cells.push(if class.class.is_some() { Value::Count(class.materials) } else { Value::Missing });
    cells
}

/// Everything that the study ends in.
pub(super) fn answers(html: &mut Html, study: &StudyResult) {
    let c = &study.conclusions;
    html.paragraph(&format!("{} Reference surface: {}.", c.trials, c.trials.reference));
    for caveat in &c.first {
        html.first(&caveat.to_string());
    }
    for belt in &c.belts {
        html.paragraph(&capital(&belt.to_string()));
        if belt.roads.iter().any(|r| r.factor.interval().is_some()) {
            html.table(&readings(belt, c.trials.level, true));
        }
        if let Some(control) = belt.control.as_ref().filter(|c| c.in_control) {
            html.paragraph(&control.to_string());
        }
        html.paragraph(&belt.one_factor.to_string());
        if let Some(equivalence) = &belt.equivalence {
            html.paragraph(&equivalence.to_string());
        }
        if let Some(domain) = &belt.domain {
            html.paragraph(&format!("Holds for: {domain}"));
        }
        html.paragraph(&format!(
            "On the belt: {}. On the roads: {}.",
            told(&belt.particulars),
            told(&belt.road_particulars)
        ));
    }
    if c.belts.is_empty() {
        html.table(&crate::tables::surface_factors(&study.severity));
    }
    if c.questioned.is_empty() {
        html.paragraph("No trial is to be questioned.");
    } else {
        html.rows(&questioned(study));
    }
    html.paragraph(&c.sensitivity.to_string());
    for effects in c.covariate_words() {
        html.paragraph(&effects);
    }
    for check in c.covariate_checks.iter().filter(|c| !c.departs()) {
        html.paragraph(&check.to_string());
    }
    if let Some(seasons) = &c.seasons {
        html.paragraph(&seasons.to_string());
    }
    if let Some(texture) = &c.texture {
        html.paragraph(&texture.to_string());
    }
    html.paragraph(&c.scatter.to_string());
    if let Some(laboratories) = &c.laboratories {
        html.paragraph(&laboratories.to_string());
    }
    if !c.not_had.is_empty() {
        html.list(c.not_had.iter().map(ToString::to_string));
    }
    if !c.reading.is_empty() {
        html.list(c.reading.iter().map(|r| format!("{}.", capital(r))));
    }
    if let Some(unused) = c.unused() {
        html.paragraph(&unused);
    }
    let groupings: Vec<String> =
        c.recorded.iter().filter(|r| !r.column).map(|r| format!("{}.", capital(&r.to_string()))).collect();
    if !groupings.is_empty() {
        html.list(groupings);
    }
    if !c.decided.is_empty() {
        html.table(&crate::tables::decisions(&c.decided));
    }
    html.small(&c.cautions.join(" "));
}

fn told(particulars: &[(String, String)]) -> String {
    particulars.iter().map(|(name, value)| format!("{name} {value}")).collect::<Vec<_>>().join(", ")
}

fn questioned(study: &StudyResult) -> Table {
    let rows = &study.conclusions.questioned;
    let columns = vec![
        Column::words("trial_id", "trial"),
        Column::words("material", "material"),
        Column::words("surface", "surface"),
        Column::words("day", "day"),
        Column::numbers("abrasion_time_s", "time").unit("s"),
        Column::words("reason", "why"),
    ];
    let title = format!("{} to question", capital(&count(rows.len(), "trial")));
    let mut table = Table::new(title, columns).with_caption(
        "Ask whoever ran the drop; nothing is removed. The surest reason of each; all evidence is below.",
    );
    for trial in rows {
        table.add(vec![
            Value::text(&trial.trial_id),
            Value::text(&trial.material),
            Value::text(&trial.surface),
            Value::optional_text(trial.day.as_deref()),
            Value::optional(trial.abrasion_time_s),
            Value::text(&trial.reason),
        ]);
    }
    table
}

/// The answers without a page around them.
pub(super) fn fragment(study: &StudyResult) -> String {
    let mut html = Html::fragment("What the study ends in");
    answers(&mut html, study);
    html.finish_fragment()
}
