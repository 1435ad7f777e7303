//! Correction factors without one trial, material, day or cell, against the correction derived from what is left.

use std::collections::BTreeMap;

use surface_severity::campaign::{Outcome, SurfaceRole, Trial};
use surface_severity::correction::{Correction, CorrectionOptions};
use surface_severity::equivalence::{Equivalence, Form, ScatterEstimator};
use surface_severity::screening::{
    InfluenceTable, LeftOut, Quantity, Screening, ScreeningDocument, ScreeningNote, correction_influence,
};
use surface_severity::severity::{Distribution, Severity};

use super::planted::{self, Pattern};
use super::{campaign, demo_trials};

const REFERENCE: &str = "dense asphalt concrete";
const BELT: &str = "laboratory belt";

fn name_of(left_out: LeftOut, t: &Trial) -> String {
    match left_out {
        LeftOut::Material => t.material.clone(),
        LeftOut::Day => t.day.clone().unwrap(),
        LeftOut::Cell => format!("{} on {}", t.material, t.surface),
        _ => t.trial_id.clone(),
    }
}

/// log c of each road, at `times` of the laboratory for a power law; and those times.
fn derived(
    trials: &[Trial],
    plan: &Equivalence,
    form: Form,
    (reference, distribution): (&str, Distribution),
    times: Option<&BTreeMap<String, f64>>,
) -> Option<BTreeMap<String, (f64, f64)>> {
    let table = campaign(trials.to_vec());
    let fit = Severity::new(reference).independent().distribution(distribution).fit(&table).ok()?;
    let equivalence = plan.fit(&table, &fit).ok()?;
    let correction = Correction::derive(&equivalence, &CorrectionOptions::default().form(form)).ok()?;
    let of = |c: &surface_severity::correction::SurfaceCorrection| {
        let at = times.and_then(|t| t.get(c.surface()).copied()).unwrap_or(c.factor_at_laboratory_time_s());
        (c.surface().to_owned(), (c.intercept() + (c.slope() - 1.0) * at.ln(), at))
    };
    Some(correction.corrections().iter().map(of).collect())
}

/// How many rows were compared.
fn check(
    trials: &[Trial],
    (plan, form): (&Equivalence, Form),
    severity: (&str, Distribution),
    left_out: LeftOut,
    every: usize,
) -> usize {
    let table = correction_influence(plan, form, &campaign(trials.to_vec()), left_out).unwrap();
    let full = derived(trials, plan, form, severity, None).unwrap();
    let at: BTreeMap<String, f64> = full.iter().map(|(s, v)| (s.clone(), v.1)).collect();
    assert_eq!(table.surfaces, full.keys().cloned().collect::<Vec<_>>());
    for (factor, (log, _)) in table.factors.iter().zip(full.values()) {
        assert!((factor.ln() - log).abs() < 1e-10, "{factor} {log}");
    }
    let mut names: Vec<String> =
        trials.iter().filter(|t| t.outcome != Outcome::Void).map(|t| name_of(left_out, t)).collect();
    names.sort();
    names.dedup();
    assert_eq!(table.rows.iter().map(|r| r.name.clone()).collect::<Vec<_>>(), names);
    let mut compared = 0;
    for row in table.rows.iter().step_by(every) {
        let fewer: Vec<Trial> = trials.iter().filter(|t| name_of(left_out, t) != row.name).cloned().collect();
        let Some(rest) = derived(&fewer, plan, form, severity, Some(&at)) else { continue };
        for ((surface, change), (_, (full, _))) in table.surfaces.iter().zip(&row.change_percent).zip(&full) {
            match (change, rest.get(surface)) {
                (Some(change), Some((log, _))) => {
                    let want = 100.0 * (log - full).exp_m1();
                    assert!((change - want).abs() < 1e-7, "{left_out:?} {} {surface}: {change} {want}", row.name);
                    compared += 1;
                }
                (None, None) => assert!(row.not_estimable.is_some() && row.largest_percent.is_none()),
                other => panic!("{} {surface}: {other:?}", row.name),
            }
        }
    }
    compared
}

#[test]
fn every_row_is_the_correction_of_the_rest() {
    let trials = demo_trials();
    let plan = Equivalence::new(BELT);
    let constant = (&plan, Form::ConstantRatio);
    let log_normal = (REFERENCE, Distribution::LogNormal);
    assert!(check(&trials, constant, log_normal, LeftOut::Trial, 23) > 50);
    for left_out in [LeftOut::Material, LeftOut::Day] {
        assert!(check(&trials, constant, log_normal, left_out, 2) > 15);
    }
    assert!(check(&trials, constant, log_normal, LeftOut::Cell, 9) > 20);
    for left_out in [LeftOut::Trial, LeftOut::Material] {
        let every = if left_out == LeftOut::Trial { 61 } else { 3 };
        check(&trials, (&plan, Form::PowerLaw), log_normal, left_out, every);
        let plan = plan.clone().scatter_estimator(ScatterEstimator::MaximumLikelihood);
        check(&trials, (&plan, Form::ConstantRatio), log_normal, left_out, every);
        for distribution in [Distribution::Weibull, Distribution::LogLogistic] {
            let plan = Equivalence::new(BELT).distribution(distribution);
            check(&trials, (&plan, Form::ConstantRatio), (REFERENCE, distribution), left_out, every);
        }
        check(
            &trials,
            (&plan.clone().distribution(Distribution::Weibull), Form::PowerLaw),
            log_normal,
            left_out,
            every,
        );
    }
}

/// 8 materials on a belt and four roads, five trials a cell, nothing censored, no scatter between materials in truth:
/// τ is 0 on some roads and not on others, and crosses over as trials are left out.
fn exact_trials() -> Vec<Trial> {
    let planted = planted::campaign(0.05, Pattern::Single, 3).campaign;
    let role = |t: &Trial| if t.surface == "s1" { SurfaceRole::Laboratory } else { SurfaceRole::Road };
    planted.trials().iter().map(|t| t.clone().surface_role(role(t))).collect()
}

#[test]
fn without_censoring_too() {
    let trials = exact_trials();
    let plan = Equivalence::new("s1");
    let log_normal = ("s0", Distribution::LogNormal);
    for form in [Form::ConstantRatio, Form::PowerLaw] {
        assert!(check(&trials, (&plan, form), log_normal, LeftOut::Trial, 3) > 200);
        for left_out in [LeftOut::Material, LeftOut::Cell] {
            check(&trials, (&plan, form), log_normal, left_out, 1);
        }
    }
}

/// By hand: three materials on a belt and a road, two trials a cell, materials agree: τ = 0, and c is the weighted mean
/// of differences of cell means with weights 1/(1/n + 1/m). Leaving out one trial of a cell of two leaves the other.
#[test]
fn at_no_scatter_it_is_a_weighted_mean_of_differences() {
    let mut trials = Vec::new();
    let logs: [(&str, [f64; 2], [f64; 2]); 3] =
        [("a", [0.0, 0.2], [1.0, 1.2]), ("b", [1.0, 1.3], [2.05, 2.3]), ("c", [2.0, 2.1], [3.0, 3.05])];
    for (material, belt, road) in logs {
        for i in 0..2 {
            for (surface, y) in [("belt", belt[i]), ("road", road[i])] {
                trials.push(Trial::perforated(format!("{surface}-{material}-{i}"), surface, material, y.exp()));
            }
        }
    }
    let table = correction_influence(&Equivalence::new("belt"), Form::ConstantRatio, &campaign(trials), LeftOut::Trial)
        .unwrap();
    let full: f64 = (1.0 + 1.025 + 0.975) / 3.0;
    assert!((table.factors[0].ln() - full).abs() < 1e-12);
    // Without the first on the road of a: difference 1.2 − 0.1 with weight 1/(1/2 + 1), the others with weight 1.
    let w = 1.0 / 1.5;
    let want = 100.0 * ((w * 1.1 + 1.025 + 0.975) / (w + 2.0) - full).exp_m1();
    let got = table.row("road-a-0").unwrap().largest_percent.unwrap();
    assert!((got - want).abs() < 1e-9, "{got} {want}");
}

#[test]
fn what_cannot_be_spared_says_so() {
    let mut trials = Vec::new();
    for (material, t) in [("hide", 6.0), ("weave", 2.0), ("felt", 3.0)] {
        for (surface, k) in [("belt", 2.0), ("asphalt", 1.0)] {
            for z in [0.9, 1.0, 1.1] {
                trials.push(Trial::perforated(format!("{surface}-{material}-{z}"), surface, material, t / k * z));
            }
        }
    }
    let plan = Equivalence::new("belt");
    let all = campaign(trials);
    let table = correction_influence(&plan, Form::ConstantRatio, &all, LeftOut::Material).unwrap();
    assert!(table.rows.iter().all(|r| r.largest_percent.is_none()));
    let reason = table.rows[0].not_estimable.as_deref().unwrap();
    assert!(reason.starts_with("asphalt: 2 material(s)") && reason.contains("at least 3 are needed"), "{reason}");
    let two = plan.clone().minimum_pairs(2);
    let table = correction_influence(&two, Form::ConstantRatio, &all, LeftOut::Material).unwrap();
    assert!(table.rows.iter().all(|r| r.largest_percent.is_some()));
    // With no factor at all there is nothing to say, and the error says why.
    let error = correction_influence(&plan.minimum_pairs(4), Form::ConstantRatio, &all, LeftOut::Trial).unwrap_err();
    assert!(error.to_string().contains("asphalt: 3 material(s)"), "{error}");
    let unknown = correction_influence(&Equivalence::new("moon"), Form::ConstantRatio, &all, LeftOut::Trial);
    assert!(unknown.is_err());
}

#[test]
fn the_report_ranks_them_and_verdicts_carry_them() {
    let trials = demo_trials();
    let report =
        Screening::default().screen(&campaign(trials.clone()), &Severity::new(REFERENCE).independent()).unwrap();
    let table = report.correction_influence().unwrap();
    assert_eq!(table.quantity, Quantity::Correction { laboratory: BELT.into(), form: Form::ConstantRatio });
    let kinds: Vec<(bool, LeftOut)> =
        report.influences().iter().map(|t| (t.quantity == Quantity::Abrasiveness, t.left_out)).collect();
    let each = [LeftOut::Trial, LeftOut::Material, LeftOut::Day, LeftOut::Cell];
    assert_eq!(kinds, [each.map(|l| (true, l)), each.map(|l| (false, l))].concat());
    // The trials planted off the mark (README of data-demo) move their road's correction most.
    let first = report.most_influential_on_corrections();
    assert_eq!(first.len(), 10);
    assert!(first.iter().take(3).any(|r| ["R-0030", "R-0077", "L-0068"].contains(&r.name.as_str())), "{first:?}");
    let ranked: Vec<f64> = first.iter().map(|r| r.largest_percent.map_or(f64::INFINITY, f64::abs)).collect();
    assert!(ranked.windows(2).all(|w| w[0] >= w[1]));
    // The verdict agrees with the correction of all other trials.
    let plan = Equivalence::new(BELT);
    let fewer: Vec<Trial> = trials.into_iter().filter(|t| t.trial_id != "L-0068").collect();
    let rest = derived(&fewer, &plan, Form::ConstantRatio, (REFERENCE, Distribution::LogNormal), None).unwrap();
    let verdict = report.verdict("L-0068").unwrap();
    assert_eq!(verdict.corrections_without_it.len(), rest.len());
    for row in &verdict.corrections_without_it {
        let want = rest[&row.surface].0.exp();
        assert!((row.factor.unwrap() / want - 1.0).abs() < 1e-9, "{row:?} {want}");
    }
    assert!(report.verdicts().iter().all(|v| v.evidence.is_empty() == v.corrections_without_it.is_empty()));
    let text = report.document().to_json().unwrap();
    let read = ScreeningDocument::from_json(&text).unwrap();
    assert_eq!(read.to_json().unwrap(), text);
    assert!(read.most_influential.iter().all(|t| t.rows.len() <= 10));
    assert_eq!(read.most_influential.len(), 8);
}

#[test]
fn the_plan_of_the_corrections_can_be_chosen() {
    let trials = exact_trials();
    let severity = Severity::new("s0").independent();
    let by_line = Screening::default().form(Form::PowerLaw).screen(&campaign(trials.clone()), &severity).unwrap();
    let quantity = &by_line.correction_influence().unwrap().quantity;
    assert_eq!(*quantity, Quantity::Correction { laboratory: "s1".into(), form: Form::PowerLaw });
    // Two belts: which is meant has to be said.
    let two: Vec<Trial> = trials
        .into_iter()
        .map(|t| if t.surface == "s2" { t.surface_role(SurfaceRole::Laboratory) } else { t })
        .collect();
    let two = campaign(two);
    let report = Screening::default().screen(&two, &severity).unwrap();
    assert!(report.correction_influence().is_none());
    let note = |n: &ScreeningNote| matches!(n, ScreeningNote::NoCorrectionFactors { .. });
    assert!(report.notes().iter().any(|n| note(n) && n.to_string().contains("2 laboratory surfaces")));
    let chosen = Screening::default().equivalence(Equivalence::new("s2")).screen(&two, &severity).unwrap();
    let table: &InfluenceTable = chosen.correction_influence().unwrap();
    assert_eq!(table.surfaces, ["s0", "s3", "s4"]);
    assert!(!chosen.notes().iter().any(note));
    assert!(Screening::default().equivalence(Equivalence::new("s9")).screen(&two, &severity).is_err());
    assert!(Screening::default().equivalence(Equivalence::new("s2").level(2.0)).screen(&two, &severity).is_err());
    let off = Screening::default().influence(false).screen(&two, &severity).unwrap();
    assert!(off.influences().is_empty() && off.document().most_influential.is_empty());
}

/// Any number of threads gives the same bits, and so does any order of the rows.
#[test]
fn threads_and_row_order_change_no_bit() {
    let trials = demo_trials();
    let plan = Equivalence::new(BELT);
    let with = |threads: usize, trials: Vec<Trial>| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        let table = campaign(trials);
        pool.install(|| correction_influence(&plan, Form::ConstantRatio, &table, LeftOut::Trial).unwrap())
    };
    let one = with(1, trials.clone());
    for threads in [2, 7] {
        assert_eq!(with(threads, trials.clone()), one);
    }
    assert_eq!(with(2, trials.into_iter().rev().collect()), one);
}
