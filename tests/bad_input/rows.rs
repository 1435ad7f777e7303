//! One bad field in one row.

use crate::{GOOD, HEAD, tables};

/// Header with the columns that most tables leave out.
const WIDE: &str = "trial_id,surface,material,abrasion_time_s,outcome,material_class,surface_role,day,speed_m_per_s,drop_height_mm,temperature_c,normal_force_n,specimen_mass_g_per_m2,thickness_mm,layers\n";

tables! {
    // Abrasion times.
    decimal_comma: HEAD, GOOD, "T2,asphalt,cowhide,\"2,31\",perforated,\n";
    decimal_comma_or_thousands: HEAD, GOOD, "T2,asphalt,cowhide,\"1,234\",perforated,\n";
    thousands_and_point: HEAD, GOOD, "T2,asphalt,cowhide,\"1,234.5\",perforated,\n";
    decimal_comma_unquoted: HEAD, GOOD, "T2,asphalt,cowhide,2,31,perforated,\n";
    unit_in_the_number: HEAD, GOOD, "T2,asphalt,cowhide,2.3 s,perforated,\n";
    unit_without_a_blank: HEAD, GOOD, "T2,asphalt,cowhide,2300ms,perforated,\n";
    not_a_number: HEAD, GOOD, "T2,asphalt,cowhide,NaN,perforated,\n";
    infinite: HEAD, GOOD, "T2,asphalt,cowhide,inf,run_out,\n";
    negative_infinite: HEAD, GOOD, "T2,asphalt,cowhide,-Infinity,run_out,\n";
    not_available: HEAD, GOOD, "T2,asphalt,cowhide,NA,void,belt slipped\n";
    a_dash_for_nothing: HEAD, GOOD, "T2,asphalt,cowhide,-,perforated,\n";
    zero_time: HEAD, GOOD, "T2,asphalt,cowhide,0,perforated,\n";
    zero_time_of_a_void_trial: HEAD, GOOD, "T2,asphalt,cowhide,0.00,void,belt slipped\n";
    negative_time: HEAD, GOOD, "T2,asphalt,cowhide,-2.30,perforated,\n";
    hexadecimal: HEAD, GOOD, "T2,asphalt,cowhide,0x1F,perforated,\n";
    overflow: HEAD, GOOD, "T2,asphalt,cowhide,1e999,perforated,\n";
    shorter_than_any_clock: HEAD, GOOD, "T2,asphalt,cowhide,0.00001,perforated,\n";
    longer_than_a_day: HEAD, GOOD, "T2,asphalt,cowhide,412000,run_out,\n";
    date_made_by_a_spreadsheet: HEAD, GOOD, "T2,asphalt,cowhide,03. Feb,perforated,\n", "T3,asphalt,cowhide,03.02.2026,perforated,\n";
    underflow: HEAD, GOOD, "T2,asphalt,cowhide,1e-999,perforated,\n";
    more_than_sign: HEAD, GOOD, "T2,asphalt,cowhide,>6.0,perforated,\n";
    less_than_sign: HEAD, GOOD, "T2,asphalt,cowhide,<0.05,perforated,\n";
    minutes_and_seconds: HEAD, GOOD, "T2,asphalt,cowhide,0:04,perforated,\n";
    tolerance: HEAD, GOOD, "T2,asphalt,cowhide,4.1 ± 0.2,perforated,\n";
    blank_inside_the_number: HEAD, GOOD, "T2,asphalt,cowhide,1 234.5,perforated,\n";
    two_points: HEAD, GOOD, "T2,asphalt,cowhide,4.1.2,perforated,\n";
    typographic_minus: HEAD, GOOD, "T2,asphalt,cowhide,\u{2212}4.1,perforated,\n";
    other_digits: HEAD, GOOD, "T2,asphalt,cowhide,\u{ff14}.1,perforated,\n";
    word_for_a_number: HEAD, GOOD, "T2,asphalt,cowhide,four,perforated,\n";
    spreadsheet_error: HEAD, GOOD, "T2,asphalt,cowhide,#DIV/0!,perforated,\n";
    no_time_perforated: HEAD, GOOD, "T2,asphalt,cowhide,,perforated,\n";
    no_time_run_out: HEAD, GOOD, "T2,asphalt,cowhide,,run_out,\n";
    no_time_opened_at_contact: HEAD, GOOD, "T2,asphalt,cowhide, ,opened_at_contact,\n";

    // Outcomes.
    unknown_outcome: HEAD, GOOD, "T2,asphalt,cowhide,4.1,failed,\n";
    no_outcome: HEAD, GOOD, "T2,asphalt,cowhide,4.1,,\n";
    void_without_a_reason: HEAD, GOOD, "T2,asphalt,cowhide,,void,\n";
    void_without_a_note_column: "trial_id,surface,material,abrasion_time_s,outcome\nT2,asphalt,cowhide,4.1,void\n";

    // Labels.
    no_id: HEAD, GOOD, ",asphalt,cowhide,4.1,perforated,\n";
    no_surface: HEAD, GOOD, "T2,,cowhide,4.1,perforated,\n";
    no_material: HEAD, GOOD, "T2,asphalt,   ,4.1,perforated,\n";
    repeated_id: HEAD, GOOD, "T2,asphalt,cowhide,4.1,perforated,\n", " T1 ,belt,cowhide,4.1,perforated,\n";
    nul_in_a_label: HEAD, GOOD, "T2,asph\0alt,cowhide,4.1,perforated,\n";
    tab_in_a_label: HEAD, GOOD, "T2,asphalt,cow\thide,4.1,perforated,\n";
    line_break_around_a_label: HEAD, GOOD, "T2,asphalt,\"cowhide\n\",4.1,perforated,\n";
    line_break_in_a_label: HEAD, GOOD, "T2,\"asphalt\nnorth\",cowhide,4.1,perforated,\n";
    invisible_character_in_a_label: HEAD, GOOD, "T2,asphalt\u{200b},cowhide,4.1,perforated,\n";
    bell_in_a_note: HEAD, GOOD, "T2,asphalt,cowhide,4.1,void,belt \u{7}slipped\n";
    huge_label: HEAD, GOOD, "T2,", "asphalt ".repeat(40).as_str(), ",cowhide,4.1,perforated,\n";
    huge_note: HEAD, GOOD, "T2,asphalt,cowhide,4.1,perforated,", "slipped ".repeat(2000).as_str(), "\n";
    label_not_utf_8: HEAD, GOOD, b"T2,stra\xdfe,cowhide,4.1,perforated,\nT3,stra\xdfe,cowhide,4.1 s,perforated,\n";
    covariate_not_utf_8: "trial_id,surface,material,abrasion_time_s,outcome,operator\n", b"T2,asphalt,cowhide,4.1,perforated,J\xf6rg\n";

    // Class and role.
    material_in_two_classes: WIDE, "T1,asphalt,cowhide,4.1,perforated,leather,,,,,,,,,\n", "T2,asphalt,cowhide,4.3,perforated,textile,,,,,,,,,\n";
    surface_in_two_roles: WIDE, "T1,belt,cowhide,4.1,perforated,,laboratory,,,,,,,,\n", "T2,belt,cowhide,4.3,perforated,,,,,,,,,,\n", "T3,belt,cowhide,4.3,perforated,,road,,,,,,,,\n";
    unknown_role: WIDE, "T1,belt,cowhide,4.1,perforated,,machine,,,,,,,,\n";

    // Conditions.
    zero_speed: WIDE, "T1,belt,cowhide,4.1,perforated,,,,0,,,,,,\n";
    negative_drop_height: WIDE, "T1,belt,cowhide,4.1,perforated,,,,,-50,,,,,\n";
    temperature_with_a_unit: WIDE, "T1,belt,cowhide,4.1,perforated,,,,,,21 °C,,,,\n";
    temperature_with_a_typographic_minus: WIDE, "T1,belt,cowhide,4.1,perforated,,,,,,\u{2212}5,,,,\n";
    temperature_not_measured: WIDE, "T1,belt,cowhide,4.1,perforated,,,,,,n/a,,,,\n";
    negative_force: WIDE, "T1,belt,cowhide,4.1,perforated,,,,,,,-120,,,\n";
    zero_mass: WIDE, "T1,belt,cowhide,4.1,perforated,,,,,,,,0.0,,\n";
    thickness_with_a_comma: WIDE, "T1,belt,cowhide,4.1,perforated,,,,,,,,,\"1,2\",\n";
    half_a_layer: WIDE, "T1,belt,cowhide,4.1,perforated,,,,,,,,,,2.5\n";
    no_layers_at_all: WIDE, "T1,belt,cowhide,4.1,perforated,,,,,,,,,,0\n";
    layers_in_words: WIDE, "T1,belt,cowhide,4.1,perforated,,,,,,,,,,2 layers\n";
    too_many_layers: WIDE, "T1,belt,cowhide,4.1,perforated,,,,,,,,,,5000000000\n";

    // Shape.
    too_few_fields: HEAD, GOOD, "T2,asphalt,cowhide,4.1\n";
    too_many_fields: HEAD, GOOD, "T2,asphalt,cowhide,4.1,perforated,wet, then dry\n";
    comma_in_a_name: HEAD, GOOD, "T2,asphalt,cowhide, 1.2 mm,4.1,perforated,\n";
    commas_at_the_end: HEAD, GOOD, "T2,asphalt,cowhide,4.1,perforated,,,,\n";
    header_in_the_middle: HEAD, GOOD, HEAD, "T2,asphalt,cowhide,4.1,perforated,\n";
}
