//! What spreadsheets make of a table: taken where it can mean one thing only, and said.

use surface_severity::ErrorKind;
use surface_severity::campaign::{Campaign, SurfaceRole};

use crate::{GOOD, HEAD, read, tables};

tables! {
    decimal_commas_and_points: "trial_id;surface;material;abrasion_time_s;outcome\nT1;asphalt;cowhide;4,12;perforated\nT2;asphalt;cowhide;4.12;perforated\n";
    commas_of_either_kind: "trial_id;surface;material;abrasion_time_s;outcome\nT1;asphalt;cowhide;1,234;perforated\nT2;asphalt;cowhide;4;perforated\n";
    semicolon_in_a_name: "trial_id;surface;material;abrasion_time_s;outcome\nT1;asphalt;cowhide; thick;4,12;perforated\n";
}

/// The plain form of what the untidy tables below mean.
fn plain() -> Campaign {
    let table = "trial_id,surface,material,abrasion_time_s,outcome,surface_role,day,thickness_mm\n\
                 T1,asphalt,cowhide,4.12,perforated,road,d1,1.2\n\
                 T2,belt,cowhide,6,run_out,laboratory,d1,\n\
                 T3,belt,cowhide,0.05,opened_at_contact,,d2,1.25\n";
    let campaign = read(table).unwrap();
    assert!(campaign.reading_notes().is_empty());
    campaign
}

#[test]
fn semicolons_decimal_commas_capitals_and_empty_edges() {
    let table = "\u{feff}Trial ID;Surface;Material;Abrasion time (s);OUTCOME;Surface role;Day;Thickness (mm);;\r\n\
                 T1;asphalt;cowhide;4,12;Perforated;Road;d1;1,2;;\r\n\
                 T2;belt;cowhide;6;Run-Out;Laboratory;d1;;;\r\n\
                 T3;belt;cowhide;0,05;opened at contact;;d2;1,25;;\r\n\
                 ;;;;;;;;;\r\n;;;;;;;;;\r\n";
    let campaign = read(table).unwrap();
    assert_eq!(campaign, plain());
    assert_eq!(campaign.surfaces()[1].role, Some(SurfaceRole::Laboratory));
    let notes = campaign.reading_notes().join("\n");
    for said in [
        "fields are separated by semicolons",
        "decimal commas are read as decimal points (numbers with one: 4)",
        "column \"Trial ID\" is read as trial_id",
        "column \"Thickness (mm)\" is read as thickness_mm",
        "column outcome: \"Run-Out\" is read as run_out (line 3)",
        "column surface_role: \"Road\" is read as road (line 2)",
        "a row of empty fields is left out (2 times, lines 5-6)",
        "a column without a name and without an entry is left out",
    ] {
        assert!(notes.contains(said), "{said:?} not in\n{notes}");
    }
}

#[test]
fn tabs_bars_and_a_line_that_names_the_separator() {
    let plain = plain();
    for (separator, called) in [('\t', "tabs"), ('|', "bars"), (';', "semicolons")] {
        let table = plain.to_csv().replace(',', &separator.to_string());
        let campaign = read(&table).unwrap();
        assert_eq!(campaign, plain);
        assert_eq!(campaign.reading_notes(), [format!("fields are separated by {called}")]);
        let named = read(&format!("sep={separator}\r\n{table}")).unwrap();
        assert_eq!(named, plain);
    }
    // Lines keep their numbers.
    let error = read(&format!("sep=,\n{HEAD}{GOOD}T2,asphalt,cowhide,0,perforated,\n")).unwrap_err();
    assert!(error.to_string().contains("trials.csv:4: column abrasion_time_s"), "{error}");
}

#[test]
fn commas_of_three_digits_are_decimal_where_the_table_says_so() {
    let table = "trial_id;surface;material;abrasion_time_s;outcome\nT1;asphalt;cowhide;1,234;perforated\nT2;asphalt;cowhide;4,1;perforated\n";
    assert_eq!(read(table).unwrap().trials()[0].abrasion_time_s, Some(1.234));
}

/// A table with a decimal comma in most rows is one entry, not a hundred.
#[test]
fn repeated_problems_are_one_entry() {
    let mut table = HEAD.to_string();
    for i in 0..120 {
        let time = if i % 20 == 7 { "4.2".to_string() } else { format!("\"4,{:02}\"", i % 90 + 10) };
        table.push_str(&format!("T{i},asphalt,cowhide,{time},perforated,\n"));
    }
    let error = read(&table).unwrap_err();
    let ErrorKind::Table { problems, total, .. } = error.kind() else { panic!("{error}") };
    assert_eq!((problems.len(), *total, problems[0].count, problems[0].last_line), (1, 114, 114, 121));
    let text = error.to_string();
    assert!(
        text.contains(
            "trials.csv:2: column abrasion_time_s: 114 decimal commas, lines 2-121, first \"4,10\"; expected"
        ),
        "{text}"
    );
    assert!(!text.contains("more"), "{text}");
}

/// Latin-1 is one entry with the cure, and the other problems come in the same round.
#[test]
fn latin_1_is_one_entry() {
    let mut table = HEAD.as_bytes().to_vec();
    for i in 0..40 {
        table.extend(format!("T{i},").bytes());
        table.extend(b"stra\xdfe,cowhide,");
        table.extend(if i == 9 { &b"4.1 s"[..] } else { b"4.1" });
        table.extend(b",perforated,\n");
    }
    let error = Campaign::from_reader(&table[..], "trials.csv").unwrap_err();
    let ErrorKind::Table { problems, total: 2, .. } = error.kind() else { panic!("{error}") };
    assert_eq!((problems[0].line, problems[1].line), (2, 11));
    assert!(problems[0].text.starts_with("T0,stra\u{df}e") && problems[0].expected.contains("40 lines"), "{error}");
}

/// Names that people give to columns of the contract are asked about, as long as the table lacks that column.
#[test]
fn columns_not_used_are_listed_with_what_may_be_meant() {
    let hints = |header: &str| {
        let values = "x,".repeat(header.matches(',').count() + 1);
        let table = format!(
            "trial_id,surface,material,abrasion_time_s,outcome,{header}\nT1,asphalt,cowhide,4.12,perforated,{}\n",
            values.trim_end_matches(',')
        );
        let campaign = read(&table).unwrap();
        campaign.unused_columns().into_iter().map(|c| (c.name, c.did_you_mean)).collect::<Vec<_>>()
    };
    let pair = |name: &str, meant: Option<&'static str>| (name.to_string(), meant);
    assert_eq!(
        hints("Tag,class,date,operator,role,speed km/h,zip"),
        [
            pair("Tag", Some("day")),
            pair("class", Some("material_class")),
            pair("date", Some("day")),
            pair("operator", Some("run")),
            pair("role", Some("surface_role")),
            pair("speed km/h", Some("speed_m_per_s")),
            pair("zip", None),
        ]
    );
    assert_eq!(hints("date,day"), [pair("date", None)]);
}
