//! Workbooks are read as the same table in text would be (feature `spreadsheet`).

use surface_severity::campaign::{Campaign, Outcome};
use surface_severity::correction::LabReports;

const FOLDER: &str = concat!(env!("CARGO_MANIFEST_DIR"), "/tests/data/workbooks/");

#[test]
fn workbooks_of_two_kinds_hold_the_same_campaign() {
    for kind in ["xlsx", "ods"] {
        let campaign = Campaign::read_path(format!("{FOLDER}trials.{kind}")).unwrap();
        let table = "trial_id,surface,material,abrasion_time_s,outcome,day,layers\n\
                     T1,asphalt,cowhide,4.12,perforated,2026-06-03,2\n\
                     T2,belt,cowhide,0.30000000000000004,run_out,2026-06-04,\n";
        assert_eq!(campaign, Campaign::from_reader(table.as_bytes(), "t").unwrap(), "{kind}");
        assert_eq!(campaign.trials()[1].outcome, Outcome::RunOut);
        let notes = campaign.reading_notes();
        assert_eq!(notes[0], "sheet \"drops\" is read, not \"read me\"");
        assert!(notes.contains(&"column outcome: \"Run-out\" is read as run_out (line 6)".to_string()), "{notes:?}");
        assert!(notes.contains(&"column \"Trial ID\" is read as trial_id".to_string()), "{notes:?}");
    }
}

#[test]
fn a_workbook_without_the_table_says_what_is_missing() {
    let error = LabReports::read_path(format!("{FOLDER}trials.xlsx")).unwrap_err().to_string();
    assert!(error.contains("column report_id: found \"Invented drops\", expected a column of this name"), "{error}");
    let bytes = std::fs::read(format!("{FOLDER}trials.xlsx")).unwrap();
    for end in [10, 100, bytes.len() / 2, bytes.len() - 30] {
        let error = Campaign::from_reader(&bytes[..end], "trials.xlsx").unwrap_err();
        assert!(error.is_input() && error.to_string().contains("one that can be read"), "{error}");
    }
}

/// Any byte of a workbook may be damaged: an error or a campaign, never a panic.
#[test]
fn damaged_workbooks_never_panic() {
    for kind in ["xlsx", "ods"] {
        let bytes = std::fs::read(format!("{FOLDER}trials.{kind}")).unwrap();
        for place in (0..bytes.len()).step_by(3) {
            for change in [1, 0x80] {
                let mut damaged = bytes.clone();
                damaged[place] ^= change;
                let _ = Campaign::from_reader(&damaged[..], "trials").map_err(|error| error.to_string());
            }
        }
    }
}
