//! The line of a problem is the line an editor shows.

use surface_severity::ErrorKind;

use crate::{GOOD, HEAD, read};

/// Line of the first problem of a table whose only mistake is the trial X.
fn line(before: &str, newline: &str) -> u64 {
    let table = format!("{HEAD}{GOOD}{before}X,asphalt,cowhide,0,perforated,\n{}", GOOD.replace("T1", "T9"));
    // The line an editor shows: one more than the line breaks before the trial.
    let shown = table.split("X,asphalt").next().unwrap().matches('\n').count() as u64 + 1;
    let error = read(&table.replace('\n', newline)).unwrap_err();
    let ErrorKind::Table { problems, total: 1, .. } = error.kind() else { panic!("{error}") };
    assert_eq!(problems[0].line, shown, "{before:?} with {newline:?}");
    shown
}

#[test]
fn blank_lines_and_quoted_line_breaks_are_counted() {
    for newline in ["\n", "\r\n", "\r"] {
        assert_eq!(line("", newline), 3);
        assert_eq!(line("\n\n", newline), 5);
        assert_eq!(line("  \n\t\n", newline), 5);
        assert_eq!(line("T2,asphalt,cowhide,,void,\"slipped\nthen\n\nstopped\"\n", newline), 7);
        assert_eq!(line("T2,asphalt,cowhide,,void, \"slipped\n\n\" \n\nT3,belt,cowhide,3,perforated,\n", newline), 8);
    }
}

#[test]
fn leading_blank_lines_are_counted() {
    let error = read(&format!("\n \n{HEAD}{GOOD}T2,asphalt,cowhide,0,perforated,\n")).unwrap_err();
    assert!(error.to_string().contains("trials.csv:5: column abrasion_time_s"), "{error}");
}

#[test]
fn first_lines_are_file_lines_too() {
    let error = read(&format!("\n{HEAD}\n{GOOD}\n{GOOD}")).unwrap_err();
    assert!(
        error.to_string().contains("trials.csv:6: column trial_id: found \"T1\", expected a unique name; line 4"),
        "{error}"
    );
}

#[test]
fn a_quotation_mark_is_reported_where_it_opens() {
    let error =
        read(&format!("{HEAD}{GOOD}T2,asphalt,cowhide,,void,\"a\nb\"\nT3,asphalt,cowhide,3,perforated,\"c\nd\n"))
            .unwrap_err();
    assert!(error.to_string().contains("trials.csv:5: column note: found \"\\\"c\""), "{error}");
}
