//! Quotation marks that would swallow rows.

use crate::{GOOD, HEAD, tables};

tables! {
    quote_never_closed: HEAD, GOOD, "T2,asphalt,cowhide,4.1,perforated,\"second run\nT3,asphalt,cowhide,4.3,perforated,\nT4,asphalt,cowhide,4.4,perforated,\n";
    quote_closed_by_the_next_one: HEAD, GOOD, "T2,asphalt,cowhide,4.1,perforated,\"second run\nT3,asphalt,cowhide,4.3,perforated,\nT4,asphalt,cowhide,4.4,perforated,\"dry\"\n";
    text_after_the_closing_quote: HEAD, GOOD, "T2,asphalt,\"cowhide\" smooth,4.1,perforated,\n";
    quote_not_doubled: HEAD, GOOD, "T2,asphalt,cowhide,4.1,perforated,\"the \"\"wet\" part\"\n";
    quote_never_closed_in_the_header: "trial_id,\"surface,material,abrasion_time_s,outcome\nT1,asphalt,cowhide,4.12,perforated\n";
    bad_rows_before_a_bad_quote: HEAD, "T1,asphalt,cowhide,0,perforated,\n", "T2,asphalt,cowhide,4.1,failed,\n", "T3,asphalt,cowhide,4.1,perforated,\"dry\n", "T4,asphalt,cowhide,0,perforated,\n";
    ditto_marks_in_notes: HEAD, "T1,asphalt,cowhide,4.1,perforated,wet\n", "T2,asphalt,cowhide,4.1,perforated,\"\n", "T3,asphalt,cowhide,4.3,perforated,\"\n", "T4,asphalt,cowhide,4.4,perforated,\n";
    ditto_marks_in_a_label: HEAD, GOOD, "T2,asphalt,\",4.1,perforated,\n", "T3,asphalt,\",4.3,perforated,\n";
    stray_marks_in_two_rows: HEAD, GOOD, "T2,asphalt,\"cowhide,4.1,perforated,\n", "T3,asphalt,cowhide\",4.3,perforated,\n";
    note_that_could_be_a_row: HEAD, GOOD, "T2,asphalt,cowhide,4.1,perforated,\"wet, cold,\nslipped, stopped, left, turned\"\n";
}
