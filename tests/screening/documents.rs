//! screening.json: written, read back, and refused where it contradicts itself.

use surface_severity::screening::{Screening, ScreeningDocument};
use surface_severity::severity::Severity;

use super::{campaign, demo_trials};

fn text() -> String {
    let report =
        Screening::default().screen(&campaign(demo_trials()), &Severity::new("dense asphalt concrete")).unwrap();
    report.document().to_json().unwrap()
}

#[test]
fn save_load_save_is_byte_identical() {
    let text = text();
    let document = ScreeningDocument::from_json(&text).unwrap();
    assert_eq!(document.schema, "surface-severity/screening/1");
    assert_eq!(document.verdicts.len(), 403);
    assert_eq!(document.to_json().unwrap(), text);
}

#[test]
fn hand_edited_documents_are_refused() {
    let text = text();
    for (from, to, says) in [
        ("screening/1", "screening/9", "schema"),
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
