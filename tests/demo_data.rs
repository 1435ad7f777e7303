//! The committed demo data are what their generator writes, and hold what their README promises.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

#[path = "../examples/demo/mod.rs"]
mod demo;

use std::collections::{BTreeMap, BTreeSet};
use std::path::Path;

use serde_json::Value;

type Row = BTreeMap<String, String>;

fn committed(name: &str) -> String {
    std::fs::read_to_string(Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo").join(name)).unwrap()
}

fn rows(name: &str) -> Vec<Row> {
    csv::Reader::from_reader(committed(name).as_bytes()).deserialize().collect::<Result<_, _>>().unwrap()
}

fn truth() -> Value {
    serde_json::from_str(&committed("truth.json")).unwrap()
}

fn texts<'a>(list: &'a Value, field: &str) -> Vec<&'a str> {
    list.as_array().unwrap().iter().map(|item| item[field].as_str().unwrap()).collect()
}

fn with_outcome<'a>(trials: &'a [Row], outcome: &str) -> Vec<&'a Row> {
    trials.iter().filter(|t| t["outcome"] == outcome).collect()
}

#[test]
fn the_generator_writes_the_committed_files_byte_for_byte() {
    for (name, text) in demo::generate().unwrap() {
        assert!(text == committed(name), "data-demo/{name} is not what examples/make_demo_data.rs writes");
    }
}

#[test]
fn trials_hold_every_outcome_and_keep_the_contract() {
    let trials = rows("trials.csv");
    assert_eq!(trials.len(), 403);
    let ids: BTreeSet<&String> = trials.iter().map(|t| &t["trial_id"]).collect();
    assert_eq!(ids.len(), trials.len(), "trial ids are unique");
    let counts = ["perforated", "run_out", "opened_at_contact", "void"].map(|o| with_outcome(&trials, o).len());
    assert_eq!(counts, [372, 18, 8, 5]);

    for t in &trials {
        let (outcome, time) = (t["outcome"].as_str(), t["abrasion_time_s"].as_str());
        let limit = if t["surface_role"] == "road" { "20.00" } else { "25.00" };
        match outcome {
            "run_out" => assert_eq!(time, limit),
            "opened_at_contact" => assert_eq!(time, "0.05"),
            "void" => assert!(!t["note"].is_empty(), "a void says why"),
            _ => assert!(time.parse::<f64>().unwrap() >= 0.05 && time.parse::<f64>().unwrap() < limit.parse().unwrap()),
        }
        assert_eq!(t["belt"].is_empty(), t["surface_role"] == "road");
    }
    assert_eq!(with_outcome(&trials, "void").iter().filter(|t| t["abrasion_time_s"].is_empty()).count(), 2);
}

#[test]
fn cells_are_unbalanced_some_empty_and_some_give_bounds_only() {
    let trials = rows("trials.csv");
    let mut cells: BTreeMap<(&str, &str), Vec<&str>> = BTreeMap::new();
    for t in &trials {
        cells.entry((&t["surface"], &t["material"])).or_default().push(&t["outcome"]);
    }
    let sizes: BTreeSet<usize> = cells.values().map(Vec::len).collect();
    assert_eq!(sizes, BTreeSet::from([2, 3, 4, 5, 6, 7]));
    assert_eq!(7 * 14 - cells.len(), 10, "empty cells");
    assert!(!cells.contains_key(&("polished fine asphalt", "cotton denim")));

    let only = |outcome: &str| -> Vec<(&str, &str)> {
        cells.iter().filter(|(_, o)| o.iter().all(|&x| x == outcome)).map(|(&cell, _)| cell).collect()
    };
    assert_eq!(only("run_out"), [("polished fine asphalt", "cowhide 1.4 mm")]);
    assert_eq!(only("opened_at_contact"), [("coarse surface dressing", "cotton shirt cloth")]);
}

/// Each gross error stands so far from its cell's true median that no honest scatter explains it,
/// and no other valid trial does.
#[test]
fn truth_names_every_gross_error_and_no_other_trial_is_one() {
    let (truth, trials) = (truth(), rows("trials.csv"));
    let gross = texts(&truth["gross_errors"], "trial_id");
    assert_eq!(gross.len(), 3);
    let effect = |list: &str, name: &str| -> f64 {
        truth[list]
            .as_array()
            .unwrap()
            .iter()
            .find(|e| e["name"] == name)
            .map_or(0.0, |e| e["log_effect"].as_f64().unwrap())
    };
    let mut squares = 0.0;
    let mut fitted = 0;
    for t in with_outcome(&trials, "perforated") {
        let cells = truth["cells"].as_array().unwrap();
        let cell = cells.iter().find(|c| c["surface"] == t["surface"] && c["material"] == t["material"]).unwrap();
        let speed: f64 = t["speed_m_per_s"].parse().unwrap();
        let expected =
            cell["median_s"].as_f64().unwrap().ln() + effect("days", &t["day"]) + effect("belts", &t["belt"])
                - (speed / 8.0).ln();
        let residual = (t["abrasion_time_s"].parse::<f64>().unwrap().ln() - expected) / 0.18;
        assert_eq!(residual.abs() > 4.5, gross.contains(&t["trial_id"].as_str()), "{}: {residual}", t["trial_id"]);
        if residual.abs() <= 4.5 && expected.exp() > 0.1 && expected.exp() < 12.0 {
            squares += residual * residual;
            fitted += 1;
        }
    }
    // Mean square of unit normals: standard error √(2/n), here 0.08.
    assert!(fitted > 300);
    assert!((squares / f64::from(fitted) - 1.0).abs() < 0.24, "{}", squares / f64::from(fitted));
}

#[test]
fn truth_lists_the_voids_and_wrong_speeds_of_the_table() {
    let (truth, trials) = (truth(), rows("trials.csv"));
    let voids: Vec<&str> = with_outcome(&trials, "void").iter().map(|t| t["trial_id"].as_str()).collect();
    assert_eq!(texts(&truth["voids"], "trial_id"), voids);
    let wrong: Vec<&str> = trials
        .iter()
        .filter(|t| (t["speed_m_per_s"].parse::<f64>().unwrap() - 8.0).abs() > 0.5)
        .map(|t| t["trial_id"].as_str())
        .collect();
    assert_eq!(texts(&truth["off_nominal_speeds"], "trial_id"), wrong);
    assert_eq!(wrong.len(), 3);
}

#[test]
fn reports_cover_the_cases_that_a_correction_must_tell_apart() {
    let (truth, trials, reports) = (truth(), rows("trials.csv"), rows("lab_reports.csv"));
    let listed = truth["lab_reports"].as_array().unwrap();
    assert_eq!(listed.len(), 12);
    let ids: BTreeSet<&str> = reports.iter().map(|r| r["report_id"].as_str()).collect();
    assert_eq!(ids, texts(&truth["lab_reports"], "report_id").into_iter().collect());
    assert!(listed.iter().all(|r| r["road_medians"].as_array().unwrap().len() == 6));

    let means: Vec<&Row> = reports.iter().filter(|r| !r["specimens"].is_empty()).collect();
    assert_eq!(means.len(), 3);
    assert!(means.iter().all(|r| !r["log_sd"].is_empty()));
    assert_eq!(
        with_outcome(&reports, "run_out").iter().map(|r| r["report_id"].as_str()).collect::<Vec<_>>(),
        ["LR-09"]
    );

    let longest = trials
        .iter()
        .filter(|t| t["surface_role"] == "laboratory" && t["outcome"] == "perforated")
        .map(|t| t["abrasion_time_s"].parse::<f64>().unwrap())
        .fold(0.0, f64::max);
    assert!(listed[9]["laboratory_median_s"].as_f64().unwrap() > longest);
    let known = |field: &str, name: &Value| trials.iter().any(|t| name == t[field].as_str());
    let strangers: Vec<&Value> = listed.iter().filter(|r| !known("material_class", &r["material_class"])).collect();
    assert_eq!(strangers.iter().map(|r| &r["report_id"]).collect::<Vec<_>>(), ["LR-11"]);
    let old: Vec<&Value> = listed.iter().filter(|r| known("material", &r["material"])).collect();
    assert_eq!(old.iter().map(|r| &r["report_id"]).collect::<Vec<_>>(), ["LR-12"]);
}

#[test]
fn the_second_season_has_wearing_belts_a_cloth_and_a_ladder() {
    let (truth, trials, reports) = (truth(), rows("second_season.csv"), rows("second_season_reports.csv"));
    let season = &truth["second_season"];
    assert_eq!(trials.len(), 288);
    let first: BTreeSet<String> = rows("trials.csv").into_iter().map(|t| t["trial_id"].clone()).collect();
    assert!(trials.iter().all(|t| !first.contains(&t["trial_id"])), "no trial of the first season");
    let belts: BTreeSet<&str> = trials.iter().map(|t| t["belt"].as_str()).filter(|b| !b.is_empty()).collect();
    assert_eq!(belts.len(), 4);
    for belt in belts {
        let drops: Vec<usize> =
            trials.iter().filter(|t| t["belt"] == belt).map(|t| t["belt_drop"].parse().unwrap()).collect();
        assert!(drops.iter().enumerate().all(|(i, d)| i == *d), "{belt}: drops counted from 0");
    }
    assert!(trials.iter().all(|t| t["belt_drop"].is_empty() == (t["surface_role"] == "road")));
    let cloth = season["reference_cloth"].as_str().unwrap();
    assert_eq!(trials.iter().filter(|t| t["material"] == cloth && t["surface_role"] == "laboratory").count(), 20);
    let speeds: BTreeSet<String> = trials
        .iter()
        .filter(|t| t["material_class"] == "leather")
        .map(|t| format!("{:.0}", t["speed_m_per_s"].parse::<f64>().unwrap()))
        .collect();
    assert_eq!(speeds, BTreeSet::from(["5", "8", "12"].map(String::from)));
    assert_eq!(season["reports"].as_array().unwrap().len(), 4);
    assert!(reports.iter().all(|r| !r["reference_time_s"].is_empty() && !r["reference_drops"].is_empty()));
}
