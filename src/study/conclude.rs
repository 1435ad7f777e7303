//! From the results of the stages to the conclusions.

use super::conclusions::{
    BeltConclusion, Caveat, ClassReading, Conclusions, ControlConclusion, DepartingClass, DomainConclusion,
    EquivalenceConclusion, NotShown, OneFactor, QuestionedTrial, RecordedRemark, ReportLimits, RoadConclusion,
    ScatterConclusion, ScatterOfCondition, TrialCounts,
};
use super::result::{Belt, NotHad, Stage, StudyResult};
use super::sensitivity::{OtherDistribution, Sensitivity};
use crate::campaign::{Campaign, Outcome, SurfaceRole, Trial, unit_slips};
use crate::correction::{ClassCorrection, Correction, LabReports, SurfaceCorrection};
use crate::equivalence::{ClassDeparture, EquivalenceFit, SurfaceEquivalence, Tost};
use crate::estimate::{Estimate, Interval, IntervalMethod, significant};
use crate::laboratory::Reproducibility;
use crate::screening::{Evidence, Test, Verdict, median};
use crate::severity::{Grouping, Note, SeverityFit};

/// Specimens of a report whose limits are given.
const REPORTS: [usize; 3] = [3, 5, 10];
/// Laboratory times beyond the common ones by more than this are told for the road.
const MUCH_WIDER: f64 = 1.25;
/// Settings of two rigs are the same within this share of the larger.
const SAME_SETTING: f64 = 0.05;
/// Limits further apart than this are absurd.
const WIDE: f64 = 20.0;

/// A column of the table, its name and unit in words, and its value.
type Measured = (&'static str, &'static str, &'static str, fn(&Trial) -> Option<f64>);
/// What the screening looks at and no model holds.
const MEASURED: [Measured; 4] = [
    ("speed_m_per_s", "speed", "m/s", |t| t.speed_m_per_s),
    ("drop_height_mm", "drop height", "mm", |t| t.drop_height_mm),
    ("normal_force_n", "normal force", "N", |t| t.normal_force_n),
    ("temperature_c", "temperature", "°C", |t| t.temperature_c),
];

const CAUTIONS: [&str; 4] = [
    "The applicable standard comes first (for riders' clothing in Europe EN 17092, or EN 13595 where it is still called \
     up), with local codes and the accredited laboratory that applies them.",
    "A correction factor is not a certification.",
    "It holds for the belt, the roads, the material classes and the laboratory times that it was derived from.",
    "Seconds on a belt at constant speed are not seconds of a rider sliding to a stop.",
];

pub(super) fn conclude(
    result: &StudyResult,
    other: Option<&OtherDistribution>,
    reports: Option<&LabReports>,
    not_had: Vec<NotHad>,
) -> Conclusions {
    let sensitivity = Sensitivity::of(result, other);
    let belts: Vec<BeltConclusion> = result.belts.iter().map(|b| belt(result, b)).collect();
    let first = caveats(result, &belts, &sensitivity, other, &not_had);
    Conclusions {
        first,
        trials: counts(result),
        belts,
        questioned: questioned(result),
        decided: result.campaign.decisions().to_vec(),
        scatter: scatter(result),
        laboratories: Reproducibility::of(&result.severity).ok(),
        covariates: result.severity.covariate_effects().to_vec(),
        covariate_checks: result.covariate_checks.clone(),
        seasons: None,
        texture: None,
        sensitivity,
        reading: reading(result, reports),
        recorded: recorded(result, reports.map_or(&[][..], LabReports::unknown_columns)),
        not_had,
        cautions: CAUTIONS.map(str::to_owned).to_vec(),
    }
}

fn caveats(
    result: &StudyResult,
    belts: &[BeltConclusion],
    sensitivity: &Sensitivity,
    other: Option<&OtherDistribution>,
    not_had: &[NotHad],
) -> Vec<Caveat> {
    let mut found: Vec<Caveat> = unit_slips(&result.campaign).into_iter().map(Caveat::UnitSlip).collect();
    for missing in not_had.iter().filter(|n| n.stage == Stage::SharedConditions) {
        found.push(Caveat::WithoutSharedConditions { reason: missing.reason.clone() });
    }
    let mut reasons: Vec<&String> = Vec::new();
    for reason in result.belts.iter().filter_map(|b| b.equivalence.as_ref()).flat_map(EquivalenceFit::undetermined) {
        if !reasons.contains(&reason) {
            reasons.push(reason);
        }
    }
    found.extend(reasons.into_iter().map(|r| Caveat::Undetermined { reason: r.clone() }));
    for belt in belts {
        found.extend(rigs_differ(result, &belt.laboratory));
        found.extend(belt.control.iter().filter(|c| !c.in_control).cloned().map(Caveat::OutOfControl));
        for road in &belt.roads {
            if let Some(factor) = road.factor.interval().filter(|f| f.upper() > WIDE * f.lower()) {
                found.push(Caveat::Wide {
                    laboratory: belt.laboratory.clone(),
                    road: road.surface.clone(),
                    factor: *factor,
                });
            }
        }
    }
    for variant in sensitivity.variants() {
        if let Some(row) = sensitivity.largest(variant).filter(|r| !r.agrees()) {
            found.push(Caveat::Disagrees { row: row.clone() });
        }
    }
    found.extend(result.covariate_checks.iter().filter(|c| c.departs()).cloned().map(Caveat::Covariate));
    found.extend(other.map(|o| Caveat::BetterDistribution(o.clone())));
    found
}

/// Standard deviations beyond which a report's reading of the reference cloth is remarked on.
const FAR: f64 = 3.0;

fn reading(result: &StudyResult, reports: Option<&LabReports>) -> Vec<String> {
    let (campaign, cloth) = (&result.campaign, result.plan.reference_cloth.as_deref());
    let mut found: Vec<String> = campaign.reading_notes().iter().map(|n| format!("trial table: {n}")).collect();
    if let Some(reports) = reports {
        found.extend(reports.reading_notes().iter().map(|n| format!("reports: {n}")));
        found.extend(reports.compared_with(campaign));
        let own = reports.reports().iter().filter(|r| r.reference().is_some()).count();
        if own > 0 && cloth.is_none() {
            found.push(format!(
                "the readings of the reference cloth that {own} of {} reports bring are not used: say which material the cloth is",
                reports.reports().len()
            ));
        }
        for report in reports.reports() {
            let mut corrections = result.belts.iter().filter_map(|b| b.correction.as_ref());
            let far = corrections.find_map(|c| c.reference_distance(report).filter(|(_, z)| z.abs() > FAR));
            if let Some((ratio, _)) = far {
                found.push(format!(
                    "with report {} the reference cloth lasted {} times as long as in the campaign, more than its days, belts \
                     and drops differ by: ask after that belt before the report is used",
                    report.report_id(),
                    significant(ratio, 2)
                ));
            }
        }
    }
    found
}

fn counts(result: &StudyResult) -> TrialCounts {
    let (fit, campaign) = (&result.severity, &result.campaign);
    TrialCounts {
        in_table: campaign.len(),
        fitted: fit.trials(),
        run_outs: fit.run_outs(),
        contact_openings: fit.contact_openings(),
        voids: campaign.voids().count(),
        materials: campaign.materials().len(),
        surfaces: campaign.surfaces().len(),
        reference: fit.reference().to_owned(),
        distribution: fit.distribution(),
        level: fit.level(),
        groupings: fit.groupings().to_vec(),
    }
}

fn belt(result: &StudyResult, belt: &Belt) -> BeltConclusion {
    let fit = &result.severity;
    let row = fit.factors().iter().find(|f| f.surface == belt.laboratory);
    let beside = roads(result);
    let roads = fit.factors().iter().filter(|f| beside.contains(&f.surface.as_str()));
    let on_roads = |t: &Trial| beside.contains(&t.surface.as_str());
    BeltConclusion {
        laboratory: belt.laboratory.clone(),
        reference: fit.reference().to_owned(),
        factor: row.map_or_else(|| Estimate::not_estimable("it is not in the table"), |r| r.factor.clone()),
        roads: roads.map(|f| road(fit, belt, &f.surface)).collect(),
        control: belt.control.as_ref().map(|chart| ControlConclusion {
            laboratory: belt.laboratory.clone(),
            cloth: result.plan.reference_cloth.clone().unwrap_or_default(),
            in_control: chart.in_control(),
            text: chart.to_string(),
        }),
        one_factor: belt.equivalence.as_ref().map_or(OneFactor::NotTested, one_factor),
        equivalence: belt.equivalence.as_ref().and_then(equivalence),
        domain: belt.correction.as_ref().map(domain),
        particulars: particulars(&result.campaign, |t| t.surface == belt.laboratory),
        road_particulars: particulars(&result.campaign, on_roads),
    }
}

/// The surfaces that are no laboratory's.
fn roads(result: &StudyResult) -> Vec<&str> {
    let is_belt = |name: &str| result.belts.iter().any(|b| b.laboratory == name);
    let surfaces = result.campaign.surfaces().iter();
    surfaces.filter(|s| s.role != Some(SurfaceRole::Laboratory) && !is_belt(&s.name)).map(|s| s.name.as_str()).collect()
}

/// Settings of the rig in which belt and roads differ by more than a few per cent.
fn rigs_differ(result: &StudyResult, laboratory: &str) -> Vec<Caveat> {
    let roads = roads(result);
    let middle = |of: fn(&Trial) -> Option<f64>, here: &dyn Fn(&Trial) -> bool| {
        let trials = result.campaign.trials_in_use().filter(|t| t.outcome != Outcome::Void && here(t));
        median(&trials.filter_map(of).collect::<Vec<_>>()).ok().flatten()
    };
    let settings = MEASURED.into_iter().filter(|m| m.0 != "temperature_c");
    settings
        .filter_map(|(_, setting, unit, of)| {
            let belt = middle(of, &|t| t.surface == laboratory)?;
            let roads = middle(of, &|t| roads.contains(&t.surface.as_str()))?;
            ((belt - roads).abs() > SAME_SETTING * belt.abs().max(roads.abs())).then(|| Caveat::RigsDiffer {
                laboratory: laboratory.to_owned(),
                setting: setting.to_owned(),
                unit: unit.to_owned(),
                belt,
                roads,
            })
        })
        .collect()
}

fn road(fit: &SeverityFit, belt: &Belt, surface: &str) -> RoadConclusion {
    let factor = match fit.factor_between(&belt.laboratory, surface) {
        Ok(interval) => Estimate::Interval(interval),
        Err(error) => Estimate::not_estimable(error.to_string()),
    };
    let found = belt.correction.as_ref().and_then(|c| Some((c, c.correction(surface).ok()?)));
    let Some((correction, here)) = found else {
        let listed = belt.correction.iter().flat_map(Correction::not_corrected).find(|n| n.surface() == surface);
        let of_fit = || {
            let equivalence = belt.equivalence.as_ref()?.surface(surface).ok()?;
            Some(equivalence.constant_ratio().unavailable()?.to_string())
        };
        let reason = listed.map(|n| n.reason().to_owned()).or_else(of_fit);
        return RoadConclusion {
            surface: surface.to_owned(),
            factor,
            one_material: None,
            reports: Vec::new(),
            classes: Vec::new(),
            by_class: false,
            materials: 0,
            not_corrected: Some(reason.unwrap_or_else(|| "belt and road could not be compared".to_owned())),
        };
    };
    let departs: Vec<&str> = belt
        .equivalence
        .iter()
        .flat_map(EquivalenceFit::departing)
        .filter(|(on, _)| *on == surface)
        .map(|(_, c)| c.class())
        .collect();
    let classes = readings(correction, here, &departs);
    let c = here.factor();
    let shown = |i: &Interval| significant(i.estimate(), 3);
    let by_class = classes.iter().any(|k| k.class.is_some() && shown(&k.factor) != shown(c));
    // Classes that were tested; without any, the one reading there is.
    let mut usual: Vec<&ClassReading> = classes.iter().filter(|k| k.class.is_some()).collect();
    if usual.is_empty() {
        usual = classes.iter().collect();
    }
    let report = |i: usize| {
        let limits = widest(c, usual.iter().filter_map(|k| k.reports.get(i).map(|r| &r.limits)))?;
        Some(ReportLimits { specimens: REPORTS[i], limits })
    };
    RoadConclusion {
        surface: surface.to_owned(),
        // The power law has its own, at the middle of the domain.
        factor: Estimate::Interval(*c),
        one_material: widest(c, usual.iter().filter_map(|k| k.one_material.as_ref())),
        reports: (0..REPORTS.len()).filter_map(report).collect(),
        by_class,
        materials: here.domain().materials(),
        not_corrected: None,
        classes,
    }
}

/// The common c within the widest of `limits`.
fn widest<'a>(c: &Interval, limits: impl Iterator<Item = &'a Interval>) -> Option<Interval> {
    let ends = limits.fold((f64::INFINITY, f64::NEG_INFINITY), |(l, u), i| (l.min(i.lower()), u.max(i.upper())));
    let (lower, upper) = (ends.0.min(c.estimate()), ends.1.max(c.estimate()));
    Interval::new(c.estimate(), lower, upper, c.level(), IntervalMethod::Prediction).ok()
}

fn readings(correction: &Correction, here: &SurfaceCorrection, departs: &[&str]) -> Vec<ClassReading> {
    let reading = |class: Option<&str>, materials: usize, factor: &Interval| {
        let of = |specimens| correction.multiplier(here.surface(), class, specimens).ok();
        ClassReading {
            class: class.map(str::to_owned),
            materials,
            factor: *factor,
            one_material: of(None),
            reports: REPORTS
                .iter()
                .filter_map(|&n| Some(ReportLimits { specimens: n, limits: of(Some(n))? }))
                .collect(),
            departs: class.is_some_and(|c| departs.contains(&c)),
        }
    };
    let own = here.classes().map_or(&[][..], |c| c.classes());
    let named = own.iter().map(|c: &ClassCorrection| reading(Some(c.class()), c.materials(), c.factor()));
    named.chain([reading(None, 0, here.factor_of(None))]).collect()
}

fn one_factor(fit: &EquivalenceFit) -> OneFactor {
    let all = fit.surfaces().iter().flat_map(SurfaceEquivalence::classes);
    let compared = all.clone().count();
    let mut classes: Vec<DepartingClass> = fit
        .departing()
        .map(|(surface, c)| DepartingClass {
            class: c.class().to_owned(),
            surface: surface.to_owned(),
            materials: c.materials(),
            ratio_to_others: *c.ratio_to_others(),
            adjusted_p_value: c.adjusted_p_value(),
        })
        .collect();
    classes.sort_by(|a, b| a.adjusted_p_value.total_cmp(&b.adjusted_p_value));
    let least = all.map(ClassDeparture::adjusted_p_value).min_by(f64::total_cmp);
    match least {
        None => OneFactor::NotTested,
        Some(adjusted_p_value) if classes.is_empty() => OneFactor::NotRefuted { compared, adjusted_p_value },
        Some(_) => OneFactor::Departs { compared, classes },
    }
}

fn equivalence(fit: &EquivalenceFit) -> Option<EquivalenceConclusion> {
    let first = fit.surfaces().iter().find_map(|s| s.test().fitted())?;
    let shown: Vec<String> = fit.equivalent_surfaces().into_iter().map(str::to_owned).collect();
    let beyond = |t: &Tost| t.ratio().lower() > t.upper_bound() || t.ratio().upper() < t.lower_bound();
    let not_shown = fit
        .surfaces()
        .iter()
        .filter(|s| !shown.iter().any(|n| n == s.surface()))
        .map(|s| NotShown {
            surface: s.surface().to_owned(),
            adjusted_p_value: s.adjusted_p_value(),
            outside: s.test().fitted().is_some_and(beyond),
        })
        .collect();
    Some(EquivalenceConclusion {
        lower_bound: first.lower_bound(),
        upper_bound: first.upper_bound(),
        alpha: first.alpha(),
        shown,
        not_shown,
        undetermined: fit.undetermined().to_vec(),
    })
}

fn domain(correction: &Correction) -> DomainConclusion {
    let mut found = DomainConclusion {
        shortest_laboratory_time_s: 0.0,
        longest_laboratory_time_s: f64::MAX,
        wider: Vec::new(),
        classes: Vec::new(),
        lacking: Vec::new(),
    };
    for c in correction.corrections() {
        let domain = c.domain();
        found.shortest_laboratory_time_s = found.shortest_laboratory_time_s.max(domain.shortest_laboratory_time_s());
        found.longest_laboratory_time_s = found.longest_laboratory_time_s.min(domain.longest_laboratory_time_s());
        for class in domain.classes() {
            let name = class.class().unwrap_or("no class given").to_owned();
            match found.classes.iter_mut().find(|k| k.0 == name) {
                Some(known) => known.1 = known.1.max(class.materials()),
                None => found.classes.push((name, class.materials())),
            }
        }
    }
    found.classes.sort();
    let (shortest, longest) = (found.shortest_laboratory_time_s, found.longest_laboratory_time_s);
    let of_roads = correction.corrections().iter().map(|c| (c.surface(), c.domain()));
    found.wider = of_roads
        .map(|(road, d)| (road.to_owned(), d.shortest_laboratory_time_s(), d.longest_laboratory_time_s()))
        .filter(|&(_, from, to)| from < MUCH_WIDER.recip() * shortest || to > MUCH_WIDER * longest)
        .collect();
    for c in correction.corrections() {
        for (name, _) in &found.classes {
            if !c.domain().classes().iter().any(|k| k.class().unwrap_or("no class given") == name) {
                found.lacking.push((c.surface().to_owned(), name.clone()));
            }
        }
    }
    found
}

/// What is known of the trials that are `here`.
fn particulars(campaign: &Campaign, here: impl Fn(&Trial) -> bool) -> Vec<(String, String)> {
    let trials: Vec<&Trial> = campaign.trials_in_use().filter(|t| t.outcome != Outcome::Void && here(t)).collect();
    let mut rows = vec![("trials".to_owned(), trials.len().to_string())];
    let labels = |of: fn(&Trial) -> Option<&String>| {
        let mut found: Vec<&String> = trials.iter().filter_map(|t| of(t)).collect();
        found.sort();
        found.dedup();
        found
    };
    for (name, found) in [("days", labels(|t| t.day.as_ref())), ("belts", labels(|t| t.belt.as_ref()))] {
        match (found.first(), found.last()) {
            (Some(first), Some(last)) if found.len() > 1 => {
                rows.push((name.to_owned(), format!("{} ({first} to {last})", found.len())));
            }
            (Some(one), _) => rows.push((name.to_owned(), format!("1 ({one})"))),
            _ => {}
        }
    }
    for (_, name, unit, of) in MEASURED {
        let values: Vec<f64> = trials.iter().filter_map(|t| of(t)).collect();
        let low = values.iter().copied().min_by(f64::total_cmp);
        let high = values.iter().copied().max_by(f64::total_cmp);
        if let (Some(low), Some(high)) = (low, high) {
            let text =
                if low.total_cmp(&high).is_eq() { format!("{low} {unit}") } else { format!("{low} to {high} {unit}") };
            rows.push((name.to_owned(), text));
        }
    }
    rows
}

fn questioned(result: &StudyResult) -> Vec<QuestionedTrial> {
    let Some(screening) = &result.screening else { return Vec::new() };
    let day_of = |id: &str| result.campaign.trials().iter().find(|t| t.trial_id == id).and_then(|t| t.day.clone());
    let question = |v: &Verdict| {
        // A rule on what was recorded says most, then a comparison with the cell; of these the surest.
        let rank = |e: &Evidence| match e.test {
            test if test.is_rule() => 0,
            Test::MedianDeviation | Test::DeletionResidual => 1,
            _ => 2,
        };
        let p = |e: &Evidence| e.adjusted_p_value.unwrap_or(0.0);
        let flags = v.evidence.iter().filter(|e| e.flags);
        let clearest = flags.min_by(|a, b| rank(a).cmp(&rank(b)).then(p(a).total_cmp(&p(b))))?;
        Some(QuestionedTrial {
            trial_id: v.trial_id.clone(),
            material: v.material.clone(),
            surface: v.surface.clone(),
            day: day_of(&v.trial_id),
            abrasion_time_s: v.abrasion_time_s,
            outcome: v.outcome,
            test: clearest.test,
            reason: in_short(clearest),
        })
    };
    screening.flagged().filter(|v| v.decision.is_none()).filter_map(question).collect()
}

/// What the evidence says, with its p-value in place of the statistics.
fn in_short(evidence: &Evidence) -> String {
    let said = evidence.reason.split(" (").next().unwrap_or(&evidence.reason);
    match evidence.adjusted_p_value {
        Some(p) => format!("{said} ({})", crate::estimate::p_value("adjusted p", p)),
        None => said.to_owned(),
    }
}

/// Coefficient of variation of log-normal times, per cent; of a standard deviation above 20 that of 20.
fn percent(log_standard_deviation: f64) -> f64 {
    100.0 * libm::sqrt(libm::expm1(log_standard_deviation.min(20.0).powi(2)))
}

fn scatter(result: &StudyResult) -> ScatterConclusion {
    let fit = &result.severity;
    let log_standard_deviation = fit.log_scatter() * fit.distribution().moments().1;
    let components = fit.variance_components();
    let conditions = fit
        .groupings()
        .iter()
        .filter_map(|grouping| {
            let component = components.iter().find(|c| c.name == grouping.as_str())?;
            let sd = component.standard_deviation;
            Some(ScatterOfCondition {
                grouping: grouping.clone(),
                levels: component.levels,
                log_standard_deviation: sd,
                percent: percent(sd),
            })
        })
        .collect();
    ScatterConclusion {
        log_standard_deviation,
        percent: percent(log_standard_deviation),
        conditions,
        additivity_p_value: result.additivity.as_ref().map(|a| a.comparison.p_value),
        equal_scatter_p_value: result.equal_scatter.as_ref().map(|e| e.p_value),
    }
}

fn recorded(result: &StudyResult, report_columns: &[String]) -> Vec<RecordedRemark> {
    let mut found = Vec::new();
    for note in result.severity.notes() {
        let (name, in_model) = match note {
            Note::CovariateNotFitted { column, .. } => (column.clone(), false),
            Note::WithoutValue { column, .. } | Note::BeyondRecorded { column, .. } => (column.clone(), true),
            Note::NotFitted { grouping, .. } => (grouping.to_string(), false),
            Note::Unlabelled { grouping, .. }
            | Note::Singular { grouping }
            | Note::FewLevels { grouping, .. }
            | Note::Confounded { grouping, .. } => (grouping.to_string(), true),
            _ => continue,
        };
        found.push(RecordedRemark { name, column: false, in_model, text: note.to_string() });
    }
    let mut add = |name: &str, text: String| {
        found.push(RecordedRemark { name: name.to_owned(), column: true, in_model: false, text });
    };
    let used = |name: &str| {
        result.severity.covariate_effects().iter().any(|e| e.covariate.column() == name)
            || result.severity.groupings().contains(&Grouping::Column(name.to_owned()))
    };
    for (column, _, _, of) in MEASURED {
        if !used(column) && result.campaign.trials().iter().any(|t| of(t).is_some()) {
            add(column, format!("{column} is recorded, looked at by the screening, and not in the model"));
        }
    }
    for column in result.campaign.unused_columns().into_iter().filter(|c| !used(&c.name)) {
        add(&column.name, format!("column {column} of the trial table is kept and not used"));
    }
    for name in report_columns {
        add(name, format!("column {name} of the reports is not used"));
    }
    found
}
