//! Labels that look alike stop; what cannot be told apart by eye is one.

use crate::{GOOD, HEAD, read, tables};

/// Header with the groups.
const GROUPS: &str = "trial_id,surface,material,abrasion_time_s,outcome,material_class,day,run,belt\n";

tables! {
    surface_in_capitals: HEAD, GOOD, "T2,Asphalt,cowhide,4.1,perforated,\n", "T3,asphalt,cowhide,4.1,perforated,\n";
    hyphen_and_dash: HEAD, "T1,chip-seal,cowhide,4.1,perforated,\n", "T2,chip \u{2013} seal,cowhide,4.1,perforated,\n";
    every_group_alike: GROUPS, "T1,asphalt,cowhide,4.1,perforated,leather,3.6.2026,run 1,B-1\n", "T2,asphalt,Cowhide.,4.1,perforated,Leather,03.6.2026,Run 1,B 1\n";
}

#[test]
fn composed_letters_and_blanks_are_one() {
    let table = format!(
        "{HEAD}T1,stra\u{df}e \u{fc}ber,cowhide,4.1,perforated,\nT2,stra\u{df}e\u{a0}u\u{308}ber,cowhide,4.1,perforated,\nT3, stra\u{df}e  \u{fc}ber ,cowhide,4.1,perforated,\n"
    );
    let campaign = read(&table).unwrap();
    assert_eq!(campaign.surfaces().len(), 1);
    assert_eq!(campaign.surfaces()[0].name, "stra\u{df}e \u{fc}ber");
    assert_eq!(campaign.surface("stra\u{df}e \u{a0}u\u{308}ber").unwrap(), 0);
}

#[test]
fn labels_that_differ_in_a_number_or_a_sign_are_two() {
    let table = format!(
        "{GROUPS}T1,asphalt,cotton 1.2 mm,4.1,perforated,A,day -1,1-2,belt 1\nT2,asphalt,cotton 12 mm,4.1,perforated,A+,day 1,12,belt 10\n"
    );
    assert_eq!(read(&table).unwrap().materials().len(), 2);
}
