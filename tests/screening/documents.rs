//! screening.json: written and read back.

use surface_severity::screening::{Screening, ScreeningDocument};
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
    assert_eq!(document.verdicts.len(), 403);
    assert_eq!(document.to_json().unwrap(), text);
}
