//! The second season of the invented campaign against its truth: wear, exponents of speed, the road that changed, slides by the
//! measured exponent, reports read through their own reference cloth.

use surface_severity::campaign::Campaign;
use surface_severity::correction::{Exposure, LabReports};
use surface_severity::severity::{Covariate, Severity, SeverityDocument};
use surface_severity::slide::Slide;
use surface_severity::study::{Caveat, Stage, Study, StudyResult};

const REFERENCE: &str = "dense asphalt concrete";

fn campaign(name: &str) -> Campaign {
    Campaign::read_path(format!("{}/data-demo/{name}", env!("CARGO_MANIFEST_DIR"))).unwrap()
}

fn truth() -> serde_json::Value {
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/data-demo/truth.json")).unwrap();
    serde_json::from_str::<serde_json::Value>(&text).unwrap()["second_season"].clone()
}

fn earlier() -> SeverityDocument {
    Severity::new(REFERENCE).fit(&campaign("trials.csv")).unwrap().document(None)
}

fn study() -> Study {
    let speed = Covariate::power_law("speed_m_per_s", 8.0).by_class();
    Study::new(Severity::new(REFERENCE).covariate(speed)).reference_cloth("reference canvas").season(earlier())
}

fn run(study: &Study) -> StudyResult {
    let reports = LabReports::read_path(concat!(env!("CARGO_MANIFEST_DIR"), "/data-demo/second_season_reports.csv"));
    study.run(&campaign("second_season.csv"), Some(&reports.unwrap())).unwrap()
}

#[test]
fn what_was_planted_is_found() {
    let (truth, result) = (truth(), run(&study()));
    let c = &result.conclusions;
    let effect = |name: &str| c.covariates.iter().find(|e| e.covariate.to_string() == name).unwrap();
    let wear = effect("belt_drop");
    assert!(wear.effect.contains(truth["log_wear_of_a_drop"].as_f64().unwrap()), "{wear}");
    for pair in truth["wear_goes_with_speed_to_the_power"].as_array().unwrap() {
        let (class, b) = (pair[0].as_str().unwrap(), pair[1].as_f64().unwrap());
        // The cloth was dropped at one speed.
        let name = format!("speed_m_per_s for {class}");
        if class == "reference cloth" {
            assert!(c.recorded.iter().any(|r| r.name == name && r.text.contains("too alike")), "{:?}", c.recorded);
        } else {
            assert!(effect(&name).effect.contains(-b), "{}", effect(&name));
        }
    }
    // The road that polished is named first, and read from this season alone.
    let (road, k) = (truth["changed"][0].as_str().unwrap(), truth["changed"][1].as_f64().unwrap());
    let changed: Vec<&Caveat> = c.first.iter().filter(|c| matches!(c, Caveat::Changed(_))).collect();
    assert!(matches!(changed[..], [Caveat::Changed(change)] if change.surface == road), "{changed:?}");
    let joined = c.seasons.as_ref().unwrap().joined.as_ref().unwrap();
    let coarse = joined.factors.iter().find(|f| f.surface == road).unwrap();
    assert!(coarse.campaigns == 1 && coarse.factor.contains(k), "{coarse:?}");
    let brushed = joined.factors.iter().find(|f| f.surface == "brushed concrete").unwrap();
    assert!(brushed.campaigns == 2 && brushed.factor.contains(1.7));
    // The three speeds are corrected for, not questioned.
    assert!(c.questioned.iter().all(|q| !q.reason.contains("off nominal")), "{:?}", c.questioned);
    assert!(c.belts[0].control.as_ref().unwrap().in_control);
    // Whoever loads the correction alone is told at which state of the belt it holds.
    let caution = &result.belts[0].correction.as_ref().unwrap().cautions()[0];
    assert!(caution.contains("at belt_drop 0 and speed_m_per_s 8"), "{caution}");
}

#[test]
fn reports_are_read_through_their_own_cloth() {
    let (truth, result) = (truth(), run(&study()));
    for report in truth["reports"].as_array().unwrap() {
        let id = report["report_id"].as_str().unwrap();
        let effect = report["log_effect"].as_f64().unwrap();
        for road in report["road_medians"].as_array().unwrap() {
            let (surface, median) = (road[0].as_str().unwrap(), road[1].as_f64().unwrap());
            let time =
                result.belts[0].corrected.iter().find(|t| t.report_id() == id && t.surface() == surface).unwrap();
            let interval = time.road_median_s().interval().unwrap();
            assert!(interval.contains(median), "{id} on {surface}: {interval:?} {median} ({effect})");
            assert!(time.belt_ratio().is_some());
        }
    }
}

#[test]
fn slides_take_the_measured_exponent_within_its_speeds() {
    let slide = Slide::new(0.6, 8.0).friction_uncertainty(0.15).speeds_km_per_h([40.0, 60.0]);
    let route = Exposure::new([(REFERENCE, 0.75), ("brushed concrete", 0.25)]).unwrap();
    let result = run(&study().slide(slide).exposure(route));
    let rows = &result.belts[0].slides;
    let leather = |speed: f64, surface: &str| {
        rows.iter()
            .find(|r| r.report_id == "SR-02" && r.surface == surface && (r.speed_km_per_h - speed).abs() < 1e-9)
            .unwrap()
    };
    let slow = leather(40.0, REFERENCE);
    let measured = slow.measured.as_ref().unwrap();
    let fitted = result.conclusions.covariates.iter().find(|e| e.covariate.to_string().ends_with("leather")).unwrap();
    assert!((measured.exponent + fitted.effect.estimate()).abs() < 1e-12 && measured.exponent_standard_error > 0.0);
    let want = Slide::new(0.6, 8.0).rig_time_s(40.0, measured.exponent);
    assert!((measured.rig_time_s - want).abs() < 1e-12);
    // b near 1: between seconds and heat, a little less sure than were it known to be 1.
    let p = |w: &surface_severity::slide::Worth| *w.survival.as_ref().unwrap();
    assert!((p(measured) - p(&slow.worth[1])).abs() < 0.05);
    // 60 km/h is faster than the ladder.
    assert!(leather(60.0, REFERENCE).measured.is_none());
    let mixed = leather(40.0, "(a road of the route)");
    let want = 0.75 * p(measured) + 0.25 * p(leather(40.0, "brushed concrete").measured.as_ref().unwrap());
    assert!((p(mixed.measured.as_ref().unwrap()) - want).abs() < 1e-12);
    let table = surface_severity::tables::slides(rows).to_csv();
    assert!(table.lines().next().unwrap().contains("measured_b"), "{table}");
}

#[test]
fn a_campaign_is_no_season_of_its_own() {
    let campaign = campaign("trials.csv");
    let result = Study::new(Severity::new(REFERENCE)).season(earlier()).run(&campaign, None).unwrap();
    let missing = result.conclusions.not_had.iter().find(|n| n.stage == Stage::Seasons).unwrap();
    assert!(missing.reason.contains("each campaign once"), "{missing}");
    // Another reference is another scale.
    let other = Study::new(Severity::new("brushed concrete")).season(earlier());
    let result = other.run(&self::campaign("second_season.csv"), None).unwrap();
    assert!(result.conclusions.not_had.iter().any(|n| n.stage == Stage::Seasons));
    // Three campaigns: the mean over those that may differ too.
    let all = [
        earlier(),
        Severity::new(REFERENCE).independent().fit(&self::campaign("second_season.csv")).unwrap().document(None),
    ];
    let kept = campaign.trials().iter().filter(|t| t.day.as_deref() != Some("day-12")).cloned();
    let third = Campaign::from_trials(kept).unwrap();
    let study = all.into_iter().fold(Study::new(Severity::new(REFERENCE)), Study::season);
    let result = study.run(&third, None).unwrap();
    let seasons = result.conclusions.seasons.as_ref().unwrap();
    assert_eq!(seasons.campaigns, 2);
    let brushed = seasons.pooled.iter().find(|p| p.surface == "brushed concrete").unwrap();
    assert!(brushed.campaigns == 3 && brushed.factor.contains(1.7), "{brushed:?}");
}

#[test]
fn a_reading_of_the_cloth_that_no_belt_explains_is_asked_after() {
    let text = std::fs::read_to_string(concat!(env!("CARGO_MANIFEST_DIR"), "/data-demo/second_season_reports.csv"));
    let mut rows: Vec<String> = text.unwrap().lines().map(str::to_owned).collect();
    // The cloth of the first report lasted three times as long.
    for row in rows.iter_mut().filter(|r| r.starts_with("SR-01")) {
        let mut cells: Vec<String> = row.split(',').map(str::to_owned).collect();
        let at = cells.len() - 2;
        cells[at] = format!("{:.3}", 3.0 * cells[at].parse::<f64>().unwrap());
        *row = cells.join(",");
    }
    let reports = LabReports::read(rows.join("\n").as_bytes(), "reports").unwrap();
    let far = study().run(&campaign("second_season.csv"), Some(&reports)).unwrap();
    let said = |result: &StudyResult| {
        let about: Vec<&String> = result.conclusions.reading.iter().filter(|r| r.contains("reference cloth")).collect();
        about.iter().map(|r| r.contains("SR-01")).collect::<Vec<_>>()
    };
    assert_eq!(said(&far), [true]);
    assert_eq!(said(&run(&study())), [false; 0]);
    // A cloth that was never dropped on the belt: said, and reports are read without it.
    let trials = campaign("second_season.csv");
    let roads_only = trials.trials().iter().filter(|t| t.material != "reference canvas" || t.belt.is_none()).cloned();
    let without = study().run(&Campaign::from_trials(roads_only).unwrap(), Some(&reports)).unwrap();
    assert!(
        without.conclusions.not_had.iter().any(|n| n.stage == Stage::ReferenceReadings),
        "{:?}",
        without.conclusions.not_had
    );
    assert!(without.belts[0].corrected.iter().all(|t| t.belt_ratio().is_none()));
}
