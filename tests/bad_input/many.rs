//! Many mistakes at once, and the options of the reader.

use crate::{GOOD, HEAD, refused_by, tables};
use surface_severity::campaign::{Campaign, CampaignReader};
use surface_severity::{Error, ErrorKind};

tables! {
    all_fields_of_one_row: "outcome,abrasion_time_s,material,surface,trial_id,layers,temperature_c\nfailed,\"2,3\",,,,many,hot\n";
    many_rows: "\u{feff}trial_id,surface,material,abrasion_time_s,outcome,material_class,surface_role,layers,note\r\n",
        "T1,asphalt,cowhide,4.12,perforated,leather,road,1,\r\n",
        "T2,asphalt,cowhide,2.3 s,perforated,leather,road,1,\r\n",
        "\r\n",
        "T1,belt,cowhide,-1,perforated,textile,laboratory,1.5,\r\n",
        "T4,belt,aramid,,void,,,,\"slipped,\r\nthen stopped\"\r\n",
        "T5,asphalt,aramid,,void,,laboratory,,\r\n",
        "T6,asphalt\r\n",
        "T7,concrete,aramid,0,Perforated,,road,,\r\n";
}

fn problems(error: &Error) -> (Vec<u64>, usize) {
    match error.kind() {
        ErrorKind::Table { problems, total, .. } => (problems.iter().map(|p| p.line).collect(), *total),
        other => panic!("a table error was expected, not {other:?}"),
    }
}

#[test]
fn all_are_counted_and_the_first_are_listed() {
    let mut table = HEAD.to_string();
    for i in 0..240 {
        // Every other id is that of the line before: no two problems are the same.
        table.push_str(&format!("T{},asphalt,cowhide,4.1,perforated,\n", i / 2));
    }
    let (lines, total) = problems(&Campaign::from_reader(table.as_bytes(), "t").unwrap_err());
    assert_eq!((lines, total), ((3..103).step_by(2).collect(), 120));
    let reader = CampaignReader::new().problem_limit(2);
    refused_by(&reader, "problem_limit", &table[..300]);
    let (lines, total) = problems(&reader.problem_limit(1000).from_reader(table.as_bytes(), "t").unwrap_err());
    assert_eq!((lines, total), ((3..243).step_by(2).collect(), 120));
}

#[test]
fn options_that_cannot_be() {
    let table = format!("{HEAD}{GOOD}");
    refused_by(&CampaignReader::new().problem_limit(0), "no_problem_limit", &table);
    let reader = CampaignReader::new().laboratory_surface("belt");
    refused_by(&reader, "laboratory_surface_unknown", &table);
    let table = "trial_id,surface,material,abrasion_time_s,outcome,surface_role\nT1,belt,cowhide,4.1,perforated,road\n";
    refused_by(&reader, "laboratory_surface_called_a_road", table);
}

#[test]
fn a_file_that_is_not_there() {
    let error = Campaign::read_path("no/such/trials.csv").unwrap_err();
    assert!(matches!(error.kind(), ErrorKind::Io { path, .. } if path == "no/such/trials.csv"), "{error}");
}
