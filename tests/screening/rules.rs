//! Rules, censoring, options.

use surface_severity::campaign::{SurfaceRole, Trial};
use surface_severity::screening::{Condition, Rules, Screening, ScreeningNote, Test, Tolerance};
use surface_severity::severity::Severity;

use super::campaign;

/// Two materials on two surfaces, three trials a cell, log scatter about 0.1.
fn ordinary() -> Vec<Trial> {
    let mut trials = Vec::new();
    for (surface, k) in [("belt", 2.0), ("asphalt", 1.0)] {
        for (material, t) in [("hide", 6.0), ("weave", 2.0)] {
            for (i, scatter) in [0.93, 1.0, 1.12, 0.97, 1.05].into_iter().enumerate() {
                let id = format!("{surface}-{material}-{i}");
                trials.push(Trial::perforated(id, surface, material, t / k * scatter).speed_m_per_s(8.0));
            }
        }
    }
    trials
}

fn screen(trials: Vec<Trial>, plan: &Screening) -> surface_severity::screening::ScreeningReport {
    plan.screen(&campaign(trials), &Severity::new("asphalt").independent()).unwrap()
}

fn tests_of(report: &surface_severity::screening::ScreeningReport, id: &str) -> Vec<Test> {
    report.verdict(id).unwrap().evidence.iter().map(|e| e.test).collect()
}

#[test]
fn nothing_speaks_on_ordinary_trials() {
    let report = screen(ordinary(), &Screening::default());
    assert!(report.verdicts().iter().all(|v| v.evidence.is_empty() && !v.flagged && v.reason.is_empty()));
    assert!(report.headline().iter().all(|h| h.change_percent == Some(0.0)));
}

#[test]
fn conditions_off_nominal_are_flagged_by_their_own_rule() {
    let mut trials = ordinary();
    trials[0].speed_m_per_s = Some(8.4); // on the limit: inside
    trials[1].speed_m_per_s = Some(7.5);
    for t in &mut trials {
        t.drop_height_mm = Some(50.0);
        t.normal_force_n = Some(49.0);
        t.temperature_c = Some(20.0);
    }
    trials[2].drop_height_mm = Some(60.0);
    trials[3].normal_force_n = Some(40.0);
    trials[4].temperature_c = Some(35.0);
    trials[5].speed_m_per_s = None;
    let report = screen(trials.clone(), &Screening::default());
    let of = |i: usize| tests_of(&report, &trials[i].trial_id);
    assert_eq!(of(0), []);
    assert_eq!(of(1), [Test::Speed]);
    assert_eq!(of(2), [Test::DropHeight]);
    assert_eq!(of(3), [Test::NormalForce]);
    assert_eq!(of(4), []);
    assert!(report.notes().contains(&ScreeningNote::Unrecorded { rule: Test::Speed, trials: 1 }));
    let speed = report.verdict(&trials[1].trial_id).unwrap().evidence_of(Test::Speed).unwrap();
    assert!((speed.statistic - 7.5).abs() < 1e-12 && (speed.critical_value - 7.6).abs() < 1e-12);
    assert_eq!(speed.p_value, None);

    let mut rules = Rules::default();
    rules.temperature = Condition::about(20.0, Tolerance::Absolute(5.0));
    rules.speed = Condition::unchecked();
    let report = screen(trials.clone(), &Screening::default().rules(rules));
    assert_eq!(tests_of(&report, &trials[4].trial_id), [Test::Temperature]);
    assert_eq!(tests_of(&report, &trials[1].trial_id), []);
}

/// Drops on the road at 12 m/s and on the belt at 8 m/s, from another height, with another force and run length: each
/// machine is judged by its own usual conditions, also where a row leaves out the role that its surface has.
#[test]
fn each_machine_is_judged_by_its_own_nominal_conditions() {
    let mut trials = ordinary();
    for (i, t) in trials.iter_mut().enumerate() {
        let belt = t.surface == "belt";
        t.surface_role = Some(if belt { SurfaceRole::Laboratory } else { SurfaceRole::Road });
        (t.speed_m_per_s, t.drop_height_mm, t.normal_force_n) =
            if belt { (Some(8.0), Some(50.0), Some(49.0)) } else { (Some(12.0), Some(20.0), Some(735.0)) };
        if i % 3 == 1 {
            t.surface_role = None;
        }
    }
    for (surface, length) in [("belt", 30.0), ("asphalt", 4.0)] {
        for i in 0..2 {
            let speed = if surface == "belt" { 8.0 } else { 12.0 };
            let mut t = Trial::run_out(format!("{surface}-lining-{i}"), surface, "lining", length).speed_m_per_s(speed);
            (t.drop_height_mm, t.normal_force_n) =
                if surface == "belt" { (Some(50.0), Some(49.0)) } else { (Some(20.0), Some(735.0)) };
            trials.push(t);
        }
    }
    let spoken = |trials: &[Trial]| {
        let report = screen(trials.to_vec(), &Screening::default());
        let with = |v: &&surface_severity::screening::Verdict| !v.evidence.is_empty();
        let row = |v: &surface_severity::screening::Verdict| (v.trial_id.clone(), tests_of(&report, &v.trial_id));
        report.verdicts().iter().filter(with).map(row).collect::<Vec<_>>()
    };
    assert_eq!(spoken(&trials), []);
    // The speed of the one machine is off nominal on the other, in both directions.
    let (belt, road) = (trials[0].trial_id.clone(), trials[11].trial_id.clone());
    assert!(trials[0].surface == "belt" && trials[11].surface == "asphalt");
    trials[0].speed_m_per_s = Some(12.0);
    trials[11].speed_m_per_s = Some(8.0);
    let mut expected = [(belt.clone(), vec![Test::Speed]), (road.clone(), vec![Test::Speed])];
    expected.sort_by(|a, b| a.0.cmp(&b.0));
    assert_eq!(spoken(&trials), expected);
    let report = screen(trials.clone(), &Screening::default());
    for (id, limit) in [(&belt, 8.4), (&road, 11.4)] {
        let speed = report.verdict(id).unwrap().evidence_of(Test::Speed).unwrap();
        assert!(speed.flags && (speed.critical_value - limit).abs() < 1e-12, "{speed:?}");
    }
    // A stated nominal value holds for both machines: then one of them is off throughout.
    let mut rules = Rules::default();
    rules.speed = Condition::about(8.0, Tolerance::Relative(0.05));
    let report = screen(trials.clone(), &Screening::default().rules(rules));
    let off = |v: &&surface_severity::screening::Verdict| v.evidence_of(Test::Speed).is_some();
    let wrong = trials.iter().filter(|t| t.speed_m_per_s != Some(8.0)).count();
    assert_eq!(report.verdicts().iter().filter(off).count(), wrong);
}

#[test]
fn times_that_contradict_the_machine_are_found() {
    let mut trials = ordinary();
    for i in 0..4 {
        trials.push(Trial::run_out(format!("long-{i}"), "asphalt", "lining", 20.0));
        trials.push(Trial::perforated(format!("lining-{i}"), "belt", "lining", 9.0 + 0.3 * f64::from(i)));
    }
    trials.push(Trial::run_out("early", "asphalt", "lining", 5.0));
    trials.push(Trial::opened_at_contact("open", "asphalt", "fleece", 0.05));
    trials.push(Trial::perforated("fleece", "asphalt", "fleece", 0.07));
    trials.push(Trial::perforated("too-fine", "asphalt", "fleece", 0.03));
    trials.push(Trial::perforated("wire", "asphalt", "hide", 0.4));
    trials.push(Trial::opened_at_contact("wire-open", "asphalt", "hide", 0.05));
    let report = screen(trials, &Screening::default());
    assert_eq!(tests_of(&report, "early"), [Test::RunEndedEarly]);
    assert!(!report.verdict("early").unwrap().flagged, "a short run is still a valid bound");
    assert!(tests_of(&report, "too-fine").contains(&Test::TimeBelowResolution));
    assert!(tests_of(&report, "wire").contains(&Test::ImpossiblyShort));
    assert!(tests_of(&report, "wire-open").contains(&Test::ImpossiblyShort));
    assert!(!report.verdict("fleece").unwrap().flagged);
    assert!(tests_of(&report, "fleece").iter().all(|t| !t.is_rule()));
    // Run-outs and contact openings are not remarkable for being censored.
    for id in ["long-0", "long-1", "long-2", "long-3", "open"] {
        assert_eq!(tests_of(&report, id), [], "{id}");
    }
}

#[test]
fn a_censored_trial_can_still_stand_out() {
    let mut trials = ordinary();
    trials.push(Trial::run_out("endless", "asphalt", "hide", 20.0));
    let report = screen(trials, &Screening::default());
    let verdict = report.verdict("endless").unwrap();
    assert!(verdict.flagged, "the others wore through after 6 s");
    assert!(verdict.evidence_of(Test::DeletionResidual).unwrap().statistic > 5.0);
    assert!(verdict.evidence_of(Test::MedianDeviation).unwrap().flags);
    // Its cell is not open to generalised ESD, and the report says so.
    assert!(report.notes().contains(&ScreeningNote::CensoredCells { cells: 1 }));
}

#[test]
fn without_the_flagged_trials_there_may_be_no_answer_and_the_headline_says_so() {
    let mut trials: Vec<Trial> = ordinary();
    // The only link of "concrete" to the rest, at a wrong speed.
    trials.push(Trial::perforated("link", "concrete", "hide", 3.0).speed_m_per_s(5.0));
    trials.push(Trial::perforated("island", "concrete", "felt", 3.0).speed_m_per_s(8.0));
    let report = screen(trials, &Screening::default());
    let row = report.headline().iter().find(|h| h.surface == "concrete").unwrap();
    assert!(row.all_trials.value().is_some() && row.change_percent.is_none());
    assert!(row.without_flagged.reason().unwrap().contains("parts"), "{:?}", row.without_flagged);
}

#[test]
fn options_outside_their_range_are_refused() {
    let plan = Severity::new("asphalt").independent();
    let trials = campaign(ordinary());
    for screening in [
        Screening::default().test_significance(0.0),
        Screening::default().campaign_significance(5.0),
        Screening::default().esd_share(0.6),
    ] {
        assert!(screening.screen(&trials, &plan).is_err(), "{screening:?}");
    }
    let mut rules = Rules::default();
    rules.speed = Condition::about(8.0, Tolerance::Relative(-0.1));
    assert!(Screening::default().rules(rules).screen(&trials, &plan).is_err());
}
