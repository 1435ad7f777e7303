//! screening.json: written, read back, and refused where it contradicts itself.

use surface_severity::screening::{LeftOut, Quantity, Screening, ScreeningDocument};
use surface_severity::severity::Severity;

use super::{campaign, demo_trials};

fn text() -> String {
    let report = Screening::default()
        .screen(&campaign(demo_trials()), &Severity::new("dense asphalt concrete").independent())
        .unwrap();
    report.document().to_json().unwrap()
}

#[test]
fn save_load_save_is_byte_identical() {
    let text = text();
    let document = ScreeningDocument::from_json(&text).unwrap();
    assert_eq!(document.schema, "surface-severity/screening/2");
    assert_eq!(document.verdicts.len(), 403);
    assert_eq!(document.to_json().unwrap(), text);
}

#[test]
fn hand_edited_documents_are_refused() {
    let text = text();
    for (from, to, says) in [
        ("screening/2", "screening/9", "schema"),
        ("\"flagged\": true", "\"flagged\": false", "contradicts its evidence"),
        ("\"trial_id\": \"L-0001\"", "\"trial_id\": \"L-0002\"", "two verdicts"),
        ("\"adjustment\": \"holm_times_tests\"", "\"adjustment\": \"none\"", "not known"),
        ("\"median_limit\": null", "\"median_limit\": -3.5", "median_limit"),
        ("\"esd_share\": 0.25", "\"esd_share\": 2.5", "esd_share"),
        ("\"seed\": null", "\"seed\": null, \"extra\": 1", "extra"),
        ("\"change_percent\": 0.0,\n      \"decided", "\"change_percent\": 1.9,\n      \"decided", "change_percent"),
        ("\"reason\": \"clock was not armed\"", "\"reason\": \"\"", "a void has its reason"),
        ("\"test\": \"speed\"", "\"test\": \"guess\"", "guess"),
    ] {
        assert!(text.contains(from), "{from}");
        let edited = text.replacen(from, to, 1);
        let message = ScreeningDocument::from_json(&edited).unwrap_err().to_string();
        assert!(message.contains(says), "{from}: {message}");
    }
    assert!(ScreeningDocument::from_json("{}").is_err());
}

/// screening.json of the demo campaign as the first version wrote it: the influence of trials on surface factors alone.
#[test]
fn version_1_reads_for_ever() {
    let old = std::fs::read_to_string(super::path("tests/documents/screening_1.json")).unwrap();
    let document = ScreeningDocument::from_json(&old).unwrap();
    assert_eq!(document.schema, "surface-severity/screening/2");
    let text = document.to_json().unwrap();
    assert_eq!(ScreeningDocument::from_json(&text).unwrap(), document);
    assert_eq!(document.campaign_digest, campaign(demo_trials()).digest());
    let [trials] = document.most_influential.as_slice() else { panic!("{:?}", document.most_influential) };
    assert_eq!((trials.left_out, &trials.quantity), (LeftOut::Trial, &Quantity::Abrasiveness));
    assert!(document.verdicts.iter().all(|v| v.corrections_without_it.is_empty()));
    // What both versions hold has not changed.
    let new = ScreeningDocument::from_json(&self::text()).unwrap();
    assert_eq!(new.most_influential[0].surfaces, trials.surfaces);
    for (a, b) in new.most_influential[0].rows.iter().zip(&trials.rows) {
        assert_eq!(a.name, b.name);
        let moved = (a.largest_percent.unwrap() - b.largest_percent.unwrap()).abs();
        // Newton steps end at a millionth of a standard error.
        assert!(moved < 1e-7, "{moved:e}");
    }
    for edited in [
        old.replacen("screening/1", "screening/2", 1),
        old.replacen("\"without_it\"", "\"corrections_without_it\":[],\"without_it\"", 1),
        old.replacen("\"flagged\":true", "\"flagged\":false", 1),
    ] {
        assert!(edited != old && ScreeningDocument::from_json(&edited).is_err());
    }
    // And the same table twice is refused in the new one.
    let twice = self::text().replacen("\"left_out\": \"material\"", "\"left_out\": \"trial\"", 1);
    assert!(ScreeningDocument::from_json(&twice).unwrap_err().to_string().contains("twice"));
}
