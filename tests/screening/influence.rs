//! Leaving out one trial, material, day or cell against removing it from the table.

use std::collections::BTreeMap;

use surface_severity::campaign::{Campaign, Outcome, Trial};
use surface_severity::screening::{LeftOut, Screening, influence};
use surface_severity::severity::{Distribution, Severity};

use super::{campaign, demo_trials, numbers, texts};

const REFERENCE: &str = "dense asphalt concrete";

fn name_of(left_out: LeftOut, t: &Trial) -> String {
    match left_out {
        LeftOut::Material => t.material.clone(),
        LeftOut::Day => t.day.clone().unwrap(),
        LeftOut::Cell => format!("{} on {}", t.material, t.surface),
        _ => t.trial_id.clone(),
    }
}

fn check(trials: &[Trial], plan: &Severity, left_out: LeftOut, every: usize, digits: f64) {
    let all = campaign(trials.to_vec());
    let full = plan.fit(&all).unwrap();
    let table = influence(plan, &all, left_out).unwrap();
    let names: BTreeMap<String, usize> =
        trials.iter().filter(|t| t.outcome != Outcome::Void).fold(BTreeMap::new(), |mut m, t| {
            *m.entry(name_of(left_out, t)).or_default() += 1;
            m
        });
    assert_eq!(table.rows.len(), names.len());
    for (row, (name, count)) in table.rows.iter().zip(&names).step_by(every) {
        assert_eq!((&row.name, row.trials), (name, *count));
        let fewer = campaign(trials.iter().filter(|t| name_of(left_out, t) != *name).cloned());
        let fit = plan.fit(&fewer);
        for (surface, change) in table.surfaces.iter().zip(&row.change_percent) {
            let without = fit.as_ref().ok().and_then(|f| f.factor(surface).ok());
            match (change, without) {
                (Some(change), Some(without)) => {
                    let want = 100.0 * (without.estimate() / full.factor(surface).unwrap().estimate() - 1.0);
                    assert!((change - want).abs() < digits, "{name} {surface}: {change} {want}");
                }
                (None, None) => assert!(row.not_estimable.is_some() && row.largest_percent.is_none()),
                other => panic!("{name} {surface}: {other:?}"),
            }
        }
    }
}

#[test]
fn every_row_is_an_exact_refit_with_censoring() {
    let trials = demo_trials();
    let plan = Severity::new(REFERENCE).independent();
    check(&trials, &plan, LeftOut::Trial, 13, 1e-5);
    for left_out in [LeftOut::Material, LeftOut::Day] {
        check(&trials, &plan, left_out, 1, 1e-5);
    }
    check(&trials, &plan, LeftOut::Cell, 7, 1e-5);
    check(&trials, &plan.distribution(Distribution::Weibull), LeftOut::Trial, 97, 1e-5);
}

fn poisons() -> Campaign {
    let file = "boot_poisons.csv";
    let (poison, treat, time) = (texts(file, "poison"), texts(file, "treat"), numbers(file, "time"));
    campaign((0..48).map(|i| Trial::perforated(format!("{i:02}"), &poison[i], &treat[i], time[i])))
}

/// Without censoring the textbook update holds: deleting trial i moves the coefficients by
/// `−(XᵀX)⁻¹ x e/(1 − h)` (Cook & Weisberg 1982). In the balanced 4 × 3 × 4 table a contrast of two
/// poisons has (XᵀX)⁻¹x = ±1/16, h = (1/12 + 1/16 − 1/48).
#[test]
fn without_censoring_the_update_formula_holds() {
    let data = poisons();
    let table = influence(&Severity::new("1").independent(), &data, LeftOut::Trial).unwrap();
    let log: Vec<f64> = data.trials().iter().map(|t| t.abrasion_time_s.unwrap().ln()).collect();
    let mean = |keep: &dyn Fn(&Trial) -> bool| {
        let chosen: Vec<f64> = data.trials().iter().zip(&log).filter(|(t, _)| keep(t)).map(|(_, y)| *y).collect();
        chosen.iter().sum::<f64>() / chosen.len() as f64
    };
    let grand = mean(&|_| true);
    let h = 1.0 / 12.0 + 1.0 / 16.0 - 1.0 / 48.0;
    for (i, t) in data.trials().iter().enumerate() {
        let e = log[i] - mean(&|u| u.material == t.material) - mean(&|u| u.surface == t.surface) + grand;
        // log k of poison 2 against 1 is mean(1) − mean(2).
        let x = match t.surface.as_str() {
            "1" => 1.0 / 16.0,
            "2" => -1.0 / 16.0,
            _ => 0.0,
        };
        let want = 100.0 * ((-x * e / (1.0 - h)).exp() - 1.0);
        let got = table.row(&t.trial_id).unwrap().change_percent[table.surfaces.iter().position(|s| s == "2").unwrap()];
        assert!((got.unwrap() - want).abs() < 1e-9, "{}: {got:?} {want}", t.trial_id);
    }
}

#[test]
fn what_cannot_be_spared_says_so_and_comes_first() {
    let mut trials: Vec<Trial> = Vec::new();
    for (s, k) in [("asphalt", 1.0), ("belt", 2.0)] {
        for (i, z) in [0.9, 1.0, 1.1].into_iter().enumerate() {
            trials.push(Trial::perforated(format!("{s}-{i}"), s, "hide", 6.0 / k * z));
        }
    }
    trials.push(Trial::perforated("only", "concrete", "hide", 4.0));
    let table = influence(&Severity::new("asphalt").independent(), &campaign(trials), LeftOut::Trial).unwrap();
    let first = table.most_influential(1)[0];
    assert_eq!(first.name, "only");
    assert!(first.largest_percent.is_none() && first.not_estimable.is_some(), "{first:?}");
    let concrete = table.surfaces.iter().position(|s| s == "concrete").unwrap();
    assert_eq!(first.change_percent[concrete], None);
    assert!(first.change_percent[1 - concrete].is_some());
    assert!(table.row("asphalt-0").unwrap().largest_percent.unwrap().abs() > 1.0);
}

/// The verdict on a flagged trial says what the factors become without it.
#[test]
fn verdicts_carry_the_factors_without_the_trial() {
    let trials = demo_trials();
    let plan = Severity::new(REFERENCE).independent();
    let report = Screening::default().screen(&campaign(trials.clone()), &plan).unwrap();
    let without = plan.fit(&campaign(trials.into_iter().filter(|t| t.trial_id != "R-0030"))).unwrap();
    let verdict = report.verdict("R-0030").unwrap();
    assert_eq!(verdict.without_it.len(), 6);
    for row in &verdict.without_it {
        let want = without.factor(&row.surface).unwrap().estimate();
        assert!((row.factor.unwrap() / want - 1.0).abs() < 1e-7, "{row:?} {want}");
    }
    assert_eq!(report.most_influential().len(), 10);
    assert!(report.most_influential().iter().take(2).any(|r| r.name == "R-0030" || r.name == "R-0077"));
    assert!(report.verdicts().iter().all(|v| v.evidence.is_empty() == v.without_it.is_empty()));
}

/// Any number of threads gives the same bits.
#[test]
fn threads_change_no_bit() {
    let all = campaign(demo_trials());
    let plan = Severity::new(REFERENCE).independent();
    let with = |threads: usize| {
        let pool = rayon::ThreadPoolBuilder::new().num_threads(threads).build().unwrap();
        pool.install(|| influence(&plan, &all, LeftOut::Trial).unwrap())
    };
    let one = with(1);
    for threads in [2, 7] {
        assert_eq!(with(threads), one);
    }
}
