//! Files that are no table, and headers that cannot be used.

use crate::tables;

tables! {
    empty_file: "";
    only_a_byte_order_mark: "\u{feff}";
    only_blank_lines: "\n  \n\r\n";
    header_without_trials: "trial_id,surface,material,abrasion_time_s,outcome\n\n";
    no_header: "T1,asphalt,cowhide,4.12,perforated\nT2,asphalt,cowhide,4.31,perforated\n";
    missing_column: "trial_id,surface,material,abrasion_time_s,result\nT1,asphalt,cowhide,4.12,perforated\n";
    missing_several_columns: "specimen,surface,time,outcome\nT1,asphalt,4.12,perforated\n";
    repeated_column: "trial_id,surface,material,abrasion_time_s,outcome,surface\nT1,asphalt,cowhide,4.12,perforated,belt\n";
    repeated_covariate: "trial_id,surface,material,abrasion_time_s,outcome,operator,operator\nT1,asphalt,cowhide,4.12,perforated,a,b\n";
    nameless_column: "trial_id,surface,material,abrasion_time_s,outcome,,note\nT1,asphalt,cowhide,4.12,perforated,wet,\nT2,asphalt,cowhide,4.12,perforated,dry,\n";
    column_beside_one_that_resembles_it: "trial_id,surface,material,abrasion_time_s,outcome,Day,day\nT1,asphalt,cowhide,4.12,perforated,1,2\n";
    two_columns_that_resemble_one: "Trial ID,TRIAL_ID,surface,material,abrasion_time_s,outcome\nT1,T1,asphalt,cowhide,4.12,perforated\n";
    several_header_mistakes: "trial_id,surface,surface,abrasion_time_s,Outcome,,Belt\nT1,asphalt,x,4.12,perforated,,\n";
    utf_16: b"\xff\xfet\0r\0i\0a\0l\0_\0i\0d\0";
    compressed: b"\x1f\x8b\x08\x00";
    header_not_utf_8: b"trial_id,surface,material,abrasion_time_s,outcome,op\xe9rateur\nT1,asphalt,cowhide,4.12,perforated,a\n";
    control_character_in_a_column_name: "trial_id,surface,material,abrasion_time_s,outcome,ope\0rator\nT1,asphalt,cowhide,4.12,perforated,a\n";
}

// With the feature it is read.
#[cfg(not(feature = "spreadsheet"))]
tables! {
    workbook: b"PK\x03\x04\x14\x00\x06\x00";
}
