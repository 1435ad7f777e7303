//! The study as a whole: one number for one question, and an answer in words on every campaign, however small.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

#[path = "../../examples/study/mod.rs"]
mod examples;
#[cfg(feature = "report")]
mod page;
mod program;
mod season;

use surface_severity::campaign::{Campaign, Decisions, SurfaceRole, Trial};
use surface_severity::correction::{Exposure, LabReports, Requirement};
use surface_severity::equivalence::Form;
use surface_severity::severity::{Distribution, Severity};
use surface_severity::study::{Caveat, OneFactor, Stage, Study, StudyResult, Variant};
use surface_severity::{ErrorKind, Estimate};

fn demo() -> Campaign {
    Campaign::read_path(concat!(env!("CARGO_MANIFEST_DIR"), "/data-demo/trials.csv")).unwrap()
}

fn reports() -> LabReports {
    LabReports::read_path(concat!(env!("CARGO_MANIFEST_DIR"), "/data-demo/lab_reports.csv")).unwrap()
}

fn study() -> Study {
    Study::new(Severity::new("dense asphalt concrete"))
}

/// What must hold of every result.
fn check(result: &StudyResult) {
    let text = result.summary();
    assert!(text.lines().count() <= 38, "{} lines:\n{text}", text.lines().count());
    assert!(text.lines().all(|l| l.chars().count() <= 100), "{text}");
    assert!(!text.contains("NaN") && !text.contains("inf "), "{text}");
    let c = &result.conclusions;
    for belt in &c.belts {
        assert_eq!(
            belt.factor,
            result.severity.factors().iter().find(|f| f.surface == belt.laboratory).unwrap().factor
        );
        for road in &belt.roads {
            assert!(!road.to_string().is_empty());
            // A correction or the reason why there is none.
            assert_eq!(road.one_material.is_some(), road.not_corrected.is_none(), "{road:?}");
            if let Some((c, one)) = road.factor.interval().zip(road.one_material.as_ref()) {
                assert!(one.lower() <= c.estimate() && c.estimate() <= one.upper());
            }
        }
    }
    serde_json::to_string(result).unwrap();
    let files = result.files().unwrap();
    assert!(files.text("severity.json").is_some());
}

#[test]
fn one_number_for_one_question() {
    let result = study().run(&demo(), Some(&reports())).unwrap();
    check(&result);
    let belt = &result.conclusions.belts[0];
    let (equivalence, correction) =
        (result.belts[0].equivalence.as_ref().unwrap(), result.belts[0].correction.as_ref().unwrap());
    for road in &belt.roads {
        let c = result.severity.factor_between("laboratory belt", &road.surface).unwrap();
        assert_eq!(road.factor, Estimate::Interval(c));
        let ratio = equivalence.surface(&road.surface).unwrap().constant_ratio().fitted().unwrap().ratio();
        assert_eq!((*ratio, *correction.correction(&road.surface).unwrap().factor()), (c, c));
        // A class is read by what a report of it is read by.
        for class in &road.classes {
            let factor = correction.correction(&road.surface).unwrap().factor_of(class.class.as_deref());
            assert_eq!(class.factor, *factor);
            let one = class.one_material.as_ref().unwrap();
            assert!((one.estimate() / factor.estimate() - 1.0).abs() < 1e-9);
        }
    }
    let summary = result.summary();
    assert!(summary.contains(&format!("{:.2}", belt.factor.value().unwrap())), "{summary}");
}

#[test]
fn a_report_read_by_hand_has_the_limits_of_the_program() {
    let result = study().run(&demo(), None).unwrap();
    let correction = result.belts[0].correction.as_ref().unwrap();
    for n in [3, 5, 10] {
        let report = surface_severity::correction::LabReport::from_mean(
            "R",
            "new",
            Some("leather".into()),
            2.0,
            u32::try_from(n).unwrap(),
            0.2,
        )
        .unwrap();
        for time in correction.apply(&report) {
            let road = result.conclusions.belts[0].roads.iter().find(|r| r.surface == time.surface()).unwrap();
            let class = road.classes.iter().find(|c| c.class.as_deref() == Some("leather")).unwrap();
            let by_hand = class.reports.iter().find(|r| r.specimens == n).unwrap().limits;
            let by_program = time.road_median_s().interval().unwrap();
            for (hand, program) in [
                (by_hand.lower(), by_program.lower()),
                (by_hand.estimate(), by_program.estimate()),
                (by_hand.upper(), by_program.upper()),
            ] {
                assert!((2.0 * hand / program - 1.0).abs() < 1e-9, "{} {n}", time.surface());
            }
        }
    }
}

#[test]
fn the_demo_ends_in_the_conclusions_it_was_invented_for() {
    let result = study().run(&demo(), Some(&reports())).unwrap();
    let c = &result.conclusions;
    let OneFactor::Departs { classes, .. } = &c.belts[0].one_factor else { panic!("{:?}", c.belts[0].one_factor) };
    assert_eq!(classes.len(), 1);
    assert_eq!(
        (classes[0].class.as_str(), classes[0].surface.as_str()),
        ("multi-layer lined textile", "polished fine asphalt")
    );
    let questioned: Vec<&str> = c.questioned.iter().map(|q| q.trial_id.as_str()).collect();
    assert_eq!(questioned, ["L-0068", "R-0030", "R-0077", "R-0083", "R-0134", "R-0209"]);
    // One reason, of a test that spoke: never an adjusted p that is none.
    assert!(c.questioned.iter().all(|q| !q.reason.contains("0.84") && !q.reason.contains(';')), "{:?}", c.questioned);
    assert!(c.sensitivity.agree());
    assert_eq!(c.sensitivity.variants().len(), 4);
    assert!(matches!(c.first.as_slice(), [Caveat::BetterDistribution(_)]));
    let recorded: Vec<&str> = c.recorded.iter().map(|r| r.name.as_str()).collect();
    assert!(recorded.contains(&"operator_shift") && recorded.contains(&"speed_m_per_s"));
    assert!(c.not_had.is_empty(), "{:?}", c.not_had);
    // With the better distribution nothing more is to be said of it.
    let better = Study::new(Severity::new("dense asphalt concrete").distribution(Distribution::LogLogistic));
    let better = better.run(&demo(), None).unwrap();
    check(&better);
    assert!(!better.conclusions.first.iter().any(|c| matches!(c, Caveat::BetterDistribution(_))));
}

#[test]
fn options_are_checked_and_kept() {
    let campaign = demo();
    let run = |study: Study| study.run(&campaign, Some(&reports()));
    assert!(matches!(run(study().laboratory("treadmill")).unwrap_err().kind(), ErrorKind::UnknownSurface { .. }));
    let twice = study().laboratory("laboratory belt").laboratory("laboratory belt");
    assert!(matches!(run(twice).unwrap_err().kind(), ErrorKind::InvalidOption { .. }));
    let of_belt = study().exposure(Exposure::new([("laboratory belt", 1.0)]).unwrap());
    assert!(run(of_belt).is_err());
    let names = [Requirement::new("a", 1.0).unwrap(), Requirement::new("a", 2.0).unwrap()];
    assert!(run(study().requirements(names)).is_err());
    let exposure = Exposure::new([("brushed concrete", 0.5), ("worn surface dressing", 0.5)]).unwrap();
    let result = run(study().exposure(exposure).form(Form::PowerLaw).seed(7)).unwrap();
    check(&result);
    assert_eq!(result.belts[0].exposed.len(), 12);
    assert_eq!(result.belts[0].correction.as_ref().unwrap().seed(), Some(7));
    let decided = campaign.with_decisions(&Decisions::new().set_aside("R-0030", "stop wire broke late", "J.")).unwrap();
    let result = study().run(&decided, None).unwrap();
    check(&result);
    assert_eq!(result.conclusions.decided.len(), 1);
    assert!(result.conclusions.questioned.iter().all(|q| q.trial_id != "R-0030"));
}

/// Materials on asphalt, concrete and the belt; times follow factors 1, 0.6 and 2.5 with a fixed jitter.
struct Small {
    materials: usize,
    specimens: usize,
    belts: usize,
    day: fn(&str, usize) -> Option<String>,
    belt_runs_out: bool,
}

impl Default for Small {
    fn default() -> Self {
        Self { materials: 4, specimens: 3, belts: 1, day: |_, _| None, belt_runs_out: false }
    }
}

impl Small {
    fn campaign(&self) -> Campaign {
        let mut trials = Vec::new();
        let mut surfaces = vec![("asphalt".to_owned(), 1.0), ("concrete".to_owned(), 0.6)];
        surfaces.extend((0..self.belts).map(|b| (format!("belt {}", b + 1), 2.5 + 0.1 * b as f64)));
        for m in 0..self.materials {
            for (s, (surface, k)) in surfaces.iter().enumerate() {
                for i in 0..self.specimens {
                    let jitter = ((m * 7 + s * 5 + i * 3) as f64 * 1.7).sin() * 0.15;
                    let time = (2.0 + m as f64) / k * jitter.exp();
                    let id = format!("{m} {surface} {i}");
                    let laboratory = surface.starts_with("belt");
                    let mut trial = if laboratory && self.belt_runs_out {
                        Trial::run_out(id, surface, format!("material {m}"), time)
                    } else {
                        Trial::perforated(id, surface, format!("material {m}"), time)
                    };
                    trial = trial
                        .surface_role(if laboratory { SurfaceRole::Laboratory } else { SurfaceRole::Road })
                        .material_class(if m % 2 == 0 { "leather" } else { "textile" });
                    if let Some(day) = (self.day)(surface, i) {
                        trial = trial.day(day);
                    }
                    trials.push(trial);
                }
            }
        }
        Campaign::from_trials(trials).unwrap()
    }

    fn run(&self) -> StudyResult {
        let result = Study::new(Severity::new("asphalt")).run(&self.campaign(), Some(&reports())).unwrap();
        check(&result);
        result
    }
}

fn missing(result: &StudyResult, stage: Stage) -> Option<&str> {
    result.conclusions.not_had.iter().find(|n| n.stage == stage).map(|n| n.reason.as_str())
}

#[test]
fn one_specimen_in_every_cell_gives_a_scale() {
    let result = Small { specimens: 1, materials: 6, ..Small::default() }.run();
    assert!(result.severity.factor("belt 1").unwrap().lower() > 1.0);
    assert!(missing(&result, Stage::Additivity).is_some());
}

#[test]
fn one_material_gives_a_scale_and_says_what_it_cannot() {
    let result = Small { materials: 1, specimens: 5, ..Small::default() }.run();
    assert!(result.conclusions.belts[0].factor.interval().is_some());
    assert!(missing(&result, Stage::Correction).unwrap().contains("1 material"), "{:?}", result.conclusions.not_had);
    assert_eq!(result.conclusions.belts[0].one_factor, OneFactor::NotTested);
}

#[test]
fn a_belt_of_run_outs_gives_a_bound() {
    let result = Small { belt_runs_out: true, ..Small::default() }.run();
    let belt = &result.conclusions.belts[0];
    assert!(belt.factor.interval().is_none() && belt.to_string().contains("at most"), "{belt}");
    assert!(belt.roads.iter().all(|r| r.not_corrected.is_some()));
}

#[test]
fn without_a_laboratory_the_scale_stands_alone() {
    let result = Small { belts: 0, ..Small::default() }.run();
    assert!(result.belts.is_empty());
    assert!(missing(&result, Stage::CorrectedReports).unwrap().contains("laboratory"));
    assert!(result.summary().contains("concrete"));
    assert!(result.conclusions.sensitivity.rows.iter().any(|r| r.variant == Variant::Robust));
}

#[test]
fn two_belts_are_each_compared_with_the_roads_alone() {
    let result = Small { belts: 2, specimens: 4, ..Small::default() }.run();
    assert_eq!(result.belts.len(), 2);
    for belt in &result.conclusions.belts {
        let roads: Vec<&str> = belt.roads.iter().map(|r| r.surface.as_str()).collect();
        assert_eq!(roads, ["asphalt", "concrete"]);
    }
    let files = result.files().unwrap();
    assert!(files.names().any(|n| n == "correction-2.json"));
    // Reports that do not say of which belt they are are read by neither, and that is said.
    assert!(!files.names().any(|n| n.starts_with("corrected_reports")));
    assert!(
        result.conclusions.reading.iter().any(|r| r.contains("laboratory_surface")),
        "{:?}",
        result.conclusions.reading
    );
    let named = "report_id,material,abrasion_time_s,outcome,laboratory_surface\nR 1,new,1.2,perforated,belt 2\n";
    let named = LabReports::read(named.as_bytes(), "reports.csv").unwrap();
    let campaign = Small { belts: 2, specimens: 4, ..Small::default() }.campaign();
    let result = Study::new(Severity::new("asphalt")).run(&campaign, Some(&named)).unwrap();
    assert_eq!((result.belts[0].corrected.len(), result.belts[1].corrected.len()), (0, 2));
}

#[test]
fn days_that_coincide_with_surfaces_show_nothing() {
    let result = Small { day: |surface, _| Some(format!("of {surface}")), ..Small::default() }.run();
    let first = &result.conclusions.first;
    assert!(first.iter().any(|c| matches!(c, Caveat::Undetermined { .. })), "{first:?}");
    let equivalence = result.conclusions.belts[0].equivalence.as_ref().unwrap();
    assert!(equivalence.shown.is_empty() && equivalence.to_string().starts_with("Nothing may be shown"));
}

#[test]
fn blank_days_are_listed_and_no_days_are_no_remark() {
    let some = Small { day: |_, i| (i > 0).then(|| format!("day {i}")), specimens: 4, ..Small::default() }.run();
    assert!(some.conclusions.recorded.iter().any(|r| r.name == "day"), "{:?}", some.conclusions.recorded);
    let none = Small::default().run();
    assert!(none.conclusions.recorded.iter().all(|r| r.name != "day"));
}

#[test]
fn a_design_without_a_scale_is_an_error_that_says_what_to_test() {
    // One specimen of one material on each surface: nothing shows how specimens scatter.
    let campaign = Small { materials: 1, specimens: 1, ..Small::default() }.campaign();
    let error = Study::new(Severity::new("asphalt")).run(&campaign, None).unwrap_err();
    assert!(error.is_input() && error.to_string().contains("specimen"), "{error}");
}

#[test]
fn times_in_another_unit_are_asked_about_first() {
    let campaign = Small::default().campaign();
    let trials = campaign.trials().iter().cloned().map(|mut t| {
        if t.surface == "belt 1" {
            t.abrasion_time_s = t.abrasion_time_s.map(|s| 1000.0 * s);
        }
        t
    });
    let result = Study::new(Severity::new("asphalt")).run(&Campaign::from_trials(trials).unwrap(), None).unwrap();
    check(&result);
    let first = &result.conclusions.first[0];
    assert!(matches!(first, Caveat::UnitSlip(_)) && first.to_string().contains("milliseconds"), "{first}");
}

#[test]
fn what_pulls_the_answer_away_is_said_first() {
    // One leather trial on the belt in milliseconds.
    let campaign = Small::default().campaign();
    let trials = campaign.trials().iter().cloned().map(|mut t| {
        if t.trial_id == "0 belt 1 0" {
            t.abrasion_time_s = t.abrasion_time_s.map(|s| 30.0 * s);
        }
        t
    });
    let result = Study::new(Severity::new("asphalt")).run(&Campaign::from_trials(trials).unwrap(), None).unwrap();
    check(&result);
    let first = &result.conclusions.first;
    assert!(first.iter().any(|c| matches!(c, Caveat::Disagrees { .. })), "{first:?}");
    assert!(!result.conclusions.sensitivity.agree());
}

/// The demo campaign with belts that lose 2 % with every drop: said in words, stated for the belt that was asked for, and
/// the factor of a fresh belt that of the belts before they wore.
#[test]
fn wear_of_the_belt_is_in_every_number_and_said() {
    use std::collections::BTreeMap;
    use surface_severity::severity::Covariate;
    let mut drops: BTreeMap<String, f64> = BTreeMap::new();
    let trials: Vec<Trial> = demo()
        .trials()
        .iter()
        .cloned()
        .map(|mut trial| {
            let Some(belt) = trial.belt.clone() else { return trial };
            let drop = drops.entry(belt).or_default();
            trial.abrasion_time_s = trial.abrasion_time_s.map(|t| t * (-0.02 * *drop).exp());
            trial.belt_drop = Some(*drop);
            *drop += 1.0;
            trial
        })
        .collect();
    let campaign = Campaign::from_trials(trials).unwrap();
    let run = |plan: Severity| Study::new(plan).run(&campaign, None).unwrap();
    let plan = || Severity::new("dense asphalt concrete");
    let (fresh, worn) = (run(plan()), run(plan().covariate(Covariate::belt_wear().at(10.0))));
    check(&fresh);
    let wear = &fresh.conclusions.covariates[0];
    assert!(wear.effect.contains(-0.02) && wear.p_value.unwrap() < 0.01, "{wear}");
    let (text, other) = (fresh.summary(), worn.summary());
    assert!(text.contains("A drop on the belt changes times there by -"), "{text}");
    assert!(text.contains("served 0 drops") && other.contains("served 10 drops"), "{other}");
    let factor = |r: &StudyResult| *r.conclusions.belts[0].factor.interval().unwrap();
    let change = (factor(&worn).estimate() / factor(&fresh).estimate()).ln();
    assert!((change + 10.0 * wear.effect.estimate()).abs() < 1e-9);
    let before = study().run(&demo(), None).unwrap();
    assert!(factor(&fresh).contains(factor(&before).estimate()));
    assert!((factor(&fresh).estimate() / factor(&before).estimate() - 1.0).abs() < 0.1);
    // Screening does not take wear for outliers.
    assert!(fresh.conclusions.questioned.len() <= before.conclusions.questioned.len() + 1);
}

#[test]
fn a_column_of_the_table_can_be_a_condition() {
    let result = Study::new(Severity::new("dense asphalt concrete").condition("operator_shift")).run(&demo(), None);
    let result = result.unwrap();
    assert!(result.conclusions.scatter.conditions.iter().any(|c| c.grouping.as_str() == "operator_shift"));
    assert!(!result.conclusions.recorded.iter().any(|r| r.name == "operator_shift" && !r.in_model));
    let error =
        Study::new(Severity::new("dense asphalt concrete").condition("operator")).run(&demo(), None).unwrap_err();
    assert!(error.to_string().contains("operator_shift"), "{error}");
}

/// The demo with some trials changed.
fn changed(change: impl FnMut(Trial) -> Trial) -> Campaign {
    Campaign::from_trials(demo().trials().iter().cloned().map(change)).unwrap()
}

/// All but one trial of a cell in milliseconds: the slip is asked about, the one that is right is not accused.
#[test]
fn a_slip_of_unit_does_not_accuse_the_trial_that_is_right() {
    let of_cell =
        |t: &Trial| t.surface == "laboratory belt" && t.material == "cowhide 1.2 mm" && t.abrasion_time_s.is_some();
    let right = demo().trials().iter().find(|t| of_cell(t)).unwrap().trial_id.clone();
    let campaign = changed(|mut t| {
        if of_cell(&t) && t.trial_id != right {
            t.abrasion_time_s = t.abrasion_time_s.map(|s| s * 1000.0);
        }
        t
    });
    let result = study().run(&campaign, None).unwrap();
    check(&result);
    assert!(result.conclusions.first.iter().any(|c| matches!(c, Caveat::UnitSlip(_))));
    assert!(result.conclusions.questioned.iter().all(|q| q.trial_id != right), "{:?}", result.conclusions.questioned);
    let verdict = result.screening.as_ref().unwrap().verdict(&right).unwrap();
    assert!(!verdict.flagged, "{}", verdict.reason);
}

/// A belt at half the speed and force of the road rig is said first; its settings and the roads' are told.
#[test]
fn rigs_that_ran_differently_are_told() {
    let result = study().run(&demo(), None).unwrap();
    assert!(!result.conclusions.first.iter().any(|c| matches!(c, Caveat::RigsDiffer { .. })));
    let campaign = changed(|mut t| {
        if t.surface == "laboratory belt" {
            t.speed_m_per_s = t.speed_m_per_s.map(|v| v / 2.0);
            t.normal_force_n = t.normal_force_n.map(|f| f / 2.0);
        }
        t
    });
    let result = study().run(&campaign, None).unwrap();
    check(&result);
    let told: Vec<String> = result
        .conclusions
        .first
        .iter()
        .filter(|c| matches!(c, Caveat::RigsDiffer { .. }))
        .map(ToString::to_string)
        .collect();
    assert_eq!(told.len(), 2, "{told:?}");
    assert!(told[0].contains("speed of 4.00 m/s, the roads at 8.00 m/s"), "{told:?}");
    let belt = &result.conclusions.belts[0];
    assert!(belt.road_particulars.iter().any(|(name, value)| name == "normal force" && value.contains("62")));
    assert!(belt.particulars.iter().any(|(name, value)| name == "normal force" && value.contains("31")));
}

/// The reference cloth says whether the belt changed; two laboratories what to expect of them.
#[test]
fn the_machines_have_their_say() {
    let mut trials = demo().trials().to_vec();
    let cloth = |i: usize, time: f64| {
        let drop = Trial::perforated(format!("C-{i:02}"), "laboratory belt", "reference cloth", time);
        drop.day(format!("day-{:02}", i / 2 + 1)).material_class("everyday cloth").surface_role(SurfaceRole::Laboratory)
    };
    let steady = [4.1, 4.3, 3.9, 4.2, 4.0, 4.1, 4.4, 4.0, 4.1, 4.2, 4.0, 4.1];
    trials.extend(steady.iter().enumerate().map(|(i, t)| cloth(i, *t)));
    let cloth_study = || study().reference_cloth("reference cloth");
    let result = cloth_study().run(&Campaign::from_trials(trials.clone()).unwrap(), None).unwrap();
    check(&result);
    let control = result.conclusions.belts[0].control.as_ref().unwrap();
    assert!(control.in_control && result.summary().contains("in control"), "{control}");
    assert!(!result.conclusions.first.iter().any(|c| matches!(c, Caveat::OutOfControl(_))));
    // A report with its own reading of the cloth is read through it; where no cloth was said, that is remarked.
    let campaign = Campaign::from_trials(trials.clone()).unwrap();
    let text = "report_id,material,abrasion_time_s,outcome,reference_time_s,reference_drops\n\
                R 1,new twill,2.2,perforated,8.2,3\nR 1,new twill,2.4,perforated,8.2,3\nR 2,new twill,1.1,perforated,,\n";
    let reports = LabReports::read(text.as_bytes(), "lab_reports.csv").unwrap();
    let result = cloth_study().run(&campaign, Some(&reports)).unwrap();
    let rows = &result.belts[0].corrected;
    assert!(rows.iter().all(|r| r.belt_ratio().is_some() == (r.report_id() == "R 1")));
    // Twice as long as the cloth usually lasts there.
    assert!(
        rows.iter()
            .filter_map(surface_severity::correction::CorrectedTime::belt_ratio)
            .all(|ratio| (ratio - 2.0).abs() < 0.1)
    );
    assert!(result.conclusions.reading.iter().any(|r| r.contains("report R 1 the reference cloth lasted 2.0 times")));
    let unsaid = study().run(&campaign, Some(&reports)).unwrap();
    assert!(unsaid.belts[0].corrected.iter().all(|r| r.belt_ratio().is_none()));
    assert!(
        unsaid.conclusions.reading.iter().any(|r| r.contains("that 1 of 2 reports bring")),
        "{:?}",
        unsaid.conclusions.reading
    );
    let wrong = text.replace("R 1,new twill,2.4,perforated,8.2,3", "R 1,new twill,2.4,perforated,8.3,3");
    assert!(
        LabReports::read(wrong.as_bytes(), "lab_reports.csv").unwrap_err().to_string().contains("reference reading")
    );
    for t in trials.iter_mut().filter(|t| ["C-08", "C-09", "C-10", "C-11"].contains(&t.trial_id.as_str())) {
        t.abrasion_time_s = Some(2.0);
    }
    let result = cloth_study().run(&Campaign::from_trials(trials).unwrap(), None).unwrap();
    assert!(result.conclusions.first.iter().any(|c| matches!(c, Caveat::OutOfControl(_))));
    assert!(result.summary().contains("FIRST: Reference cloth on laboratory belt"), "{}", result.summary());
    assert!(matches!(
        study().reference_cloth("felt").run(&demo(), None).unwrap_err().kind(),
        ErrorKind::UnknownMaterial { .. }
    ));

    assert!(result.conclusions.laboratories.is_none());
    let mut n = 0;
    let campaign = changed(|t| {
        n += 1;
        t.laboratory(format!("laboratory {}", n % 3))
    });
    let result = study().run(&campaign, None).unwrap();
    check(&result);
    let both = result.conclusions.laboratories.unwrap();
    assert!(both.repeatability > 0.1 && both.reproducibility >= both.repeatability);
    assert!(result.summary().contains("two laboratories") || result.summary().contains("laboratories by more than"));
}
