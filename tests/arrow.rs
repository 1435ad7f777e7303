//! Campaigns and tables as Arrow record batches.
#![cfg(feature = "arrow")]
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

use std::sync::Arc;

use arrow_array::cast::AsArray;
use arrow_array::types::{Float64Type, Int32Type, UInt64Type};
use arrow_array::{
    Array, ArrayRef, BooleanArray, DictionaryArray, Float32Array, Float64Array, Int64Array, LargeStringArray,
    NullArray, RecordBatch, StringArray, StringViewArray,
};
use surface_severity::campaign::{Campaign, CampaignReader, Outcome, Trial};
use surface_severity::severity::Severity;
use surface_severity::{ErrorKind, Problem, tables};

fn demo() -> Campaign {
    Campaign::read_path(concat!(env!("CARGO_MANIFEST_DIR"), "/data-demo/trials.csv")).unwrap()
}

fn batch(columns: Vec<(&str, ArrayRef)>) -> RecordBatch {
    RecordBatch::try_from_iter_with_nullable(columns.into_iter().map(|(n, a)| (n, a, true))).unwrap()
}

fn words(values: &[&str]) -> ArrayRef {
    Arc::new(StringArray::from(values.to_vec()))
}

fn problems(batch: &RecordBatch) -> Vec<Problem> {
    match Campaign::from_record_batch(batch).unwrap_err().kind() {
        ErrorKind::Table { problems, .. } => problems.clone(),
        other => panic!("{other}"),
    }
}

#[test]
fn a_campaign_comes_back_as_it_was() {
    let campaign = demo();
    let batch = campaign.to_record_batch().unwrap();
    let back = Campaign::try_from(&batch).unwrap();
    assert_eq!(back, campaign);
    assert_eq!(back.to_csv(), campaign.to_csv());
    // The same columns in the same order as the written table.
    let csv = campaign.to_csv();
    let header: Vec<&str> = csv.lines().next().unwrap().split(',').collect();
    let schema = batch.schema();
    assert_eq!(schema.fields().iter().map(|f| f.name().as_str()).collect::<Vec<_>>(), header);
    let times = batch.column_by_name("abrasion_time_s").unwrap().as_primitive::<Float64Type>();
    let wanted: Vec<Option<f64>> = campaign.trials().iter().map(|t| t.abrasion_time_s).collect();
    assert_eq!(times.iter().collect::<Vec<_>>(), wanted);
    assert!(times.null_count() > 0 && !schema.field_with_name("trial_id").unwrap().is_nullable());
    // A slice of a batch is a table of its own.
    assert_eq!(Campaign::from_record_batch(&batch.slice(5, 40)).unwrap().trials(), &campaign.trials()[5..45]);
}

#[test]
fn any_text_or_number_will_do() {
    let surfaces: DictionaryArray<Int32Type> = vec!["road", "belt", "road", "belt"].into_iter().collect();
    let read = batch(vec![
        ("outcome", Arc::new(LargeStringArray::from(vec!["perforated", "perforated", "run_out", "void"]))),
        ("trial_id", Arc::new(Int64Array::from(vec![1, 2, 3, 4]))),
        ("surface", Arc::new(surfaces)),
        ("material", Arc::new(StringViewArray::from(vec!["hide"; 4]))),
        ("abrasion_time_s", Arc::new(Float32Array::from(vec![Some(3.1), Some(1.25), Some(20.0), None]))),
        ("day", Arc::new(Float64Array::from(vec![Some(1.0), None, Some(2.0), Some(2.0)]))),
        ("layers", Arc::new(Float64Array::from(vec![Some(2.0), None, None, None]))),
        ("note", Arc::new(StringArray::from(vec![None, None, None, Some("slipped")]))),
        ("belt", Arc::new(NullArray::new(4))),
        ("operator", words(&["a", " b ", "", "a"])),
    ]);
    let campaign = CampaignReader::new().laboratory_surface("belt").from_record_batch(&read, "bench").unwrap();
    let by_hand = Campaign::builder()
        .trial(Trial::perforated("1", "road", "hide", 3.1).day("1").layers(2).covariate("operator", "a"))
        .trial(Trial::perforated("2", "belt", "hide", 1.25).covariate("operator", "b"))
        .trial(Trial::run_out("3", "road", "hide", 20.0).day("2"))
        .trial(Trial::void("4", "belt", "hide", "slipped").day("2").covariate("operator", "a"))
        .laboratory_surface("belt")
        .build()
        .unwrap();
    assert_eq!(campaign, by_hand);
    assert_eq!(campaign.trials()[3].outcome, Outcome::Void);
}

#[test]
fn every_bad_cell_is_reported_with_row_and_column() {
    let read = batch(vec![
        ("trial_id", words(&["a", "b", "a", "d"])),
        ("surface", Arc::new(StringArray::from(vec![Some("road"), None, Some("road"), Some("road")]))),
        ("material", words(&["hide"; 4])),
        ("abrasion_time_s", Arc::new(Float64Array::from(vec![f64::NAN, 2.0, -1.0, f64::INFINITY]))),
        ("outcome", words(&["perforated", "worn", "perforated", "perforated"])),
    ]);
    let found: Vec<(u64, String)> = problems(&read).into_iter().map(|p| (p.line, p.column)).collect();
    for wanted in [
        (1, "abrasion_time_s"),
        (2, "surface"),
        (2, "outcome"),
        (3, "trial_id"),
        (3, "abrasion_time_s"),
        (4, "abrasion_time_s"),
    ] {
        assert!(found.iter().any(|(l, c)| (*l, c.as_str()) == wanted), "{wanted:?} not in {found:?}");
    }
    assert_eq!(problems(&read)[0].file, "record batch");
    // As the same table in CSV, with the header's line more.
    let csv = "trial_id,surface,material,abrasion_time_s,outcome\na,road,hide,NaN,perforated\nb,,hide,2,worn\na,road,hide,-1,perforated\nd,road,hide,inf,perforated\n";
    let error = Campaign::from_reader(csv.as_bytes(), "trials.csv").unwrap_err();
    let ErrorKind::Table { problems: same, .. } = error.kind() else { panic!("{error}") };
    let same: Vec<(u64, String)> = same.iter().map(|p| (p.line - 1, p.column.clone())).collect();
    assert_eq!(found, same);
}

#[test]
fn bad_columns_are_named() {
    let good = || {
        vec![
            ("trial_id", words(&["a"])),
            ("surface", words(&["road"])),
            ("material", words(&["hide"])),
            ("abrasion_time_s", Arc::new(Float64Array::from(vec![2.0])) as ArrayRef),
            ("outcome", words(&["perforated"])),
        ]
    };
    assert!(Campaign::from_record_batch(&batch(good())).is_ok());
    let mut columns = good();
    columns.push(("layers", Arc::new(BooleanArray::from(vec![true]))));
    let found = problems(&batch(columns));
    assert_eq!((found.len(), found[0].column.as_str()), (1, "layers"));
    assert!(found[0].text.contains("Boolean") && found[0].expected.contains("text or numbers"), "{}", found[0]);
    let mut columns = good();
    columns.remove(4);
    assert_eq!(problems(&batch(columns))[0].column, "outcome");
    let mut columns = good();
    columns[3].0 = "time";
    assert!(problems(&batch(columns))[0].expected.contains("rename"));
    // Names in capitals are taken as meant, as in a file.
    let mut columns = good();
    columns[3].0 = "Abrasion time (s)";
    columns.push(("Day", words(&["1"])));
    let campaign = Campaign::from_record_batch(&batch(columns)).unwrap();
    assert_eq!((campaign.trials()[0].abrasion_time_s, campaign.trials()[0].day.as_deref()), (Some(2.0), Some("1")));
    assert_eq!(campaign.reading_notes().len(), 2);
    let empty = batch(good()).slice(0, 0);
    assert!(matches!(Campaign::from_record_batch(&empty).unwrap_err().kind(), ErrorKind::EmptyTable { .. }));
}

/// Every cell is what CSV says, and the types are those promised.
#[test]
fn tables_hold_what_their_csv_holds() {
    let campaign = demo();
    let fit = Severity::new("dense asphalt concrete").independent().fit(&campaign).unwrap();
    for table in [
        tables::surface_factors(&fit),
        tables::durabilities(&fit),
        tables::fit_summary(&fit),
        tables::notes(&fit),
        surface_severity::tables::Table::new("nothing", Vec::new()),
    ] {
        let batch = table.to_record_batch().unwrap();
        assert_eq!((batch.num_rows(), batch.num_columns()), (table.rows().len(), table.columns().len()));
        assert_eq!(batch.schema().metadata()["title"], table.title());
        for (c, column) in table.columns().iter().enumerate() {
            let array = batch.column(c);
            let schema = batch.schema();
            let field = schema.field(c);
            assert_eq!(field.name(), column.name());
            assert_eq!(field.metadata().get("unit").map(String::as_str), column.unit_name());
            for (r, row) in table.rows().iter().enumerate() {
                let got = if array.is_null(r) {
                    String::new()
                } else if let Some(text) = array.as_string_opt::<i32>() {
                    text.value(r).to_owned()
                } else if let Some(number) = array.as_primitive_opt::<Float64Type>() {
                    number.value(r).to_string()
                } else {
                    array.as_primitive::<UInt64Type>().value(r).to_string()
                };
                assert_eq!(got, row[c].exact(), "{} row {r}", column.name());
            }
        }
    }
    // One durability of the demo is only known to a bound: the column is text, the bound in words.
    let batch = tables::durabilities(&fit).to_record_batch().unwrap();
    let column = batch
        .columns()
        .iter()
        .find(|c| c.as_string_opt::<i32>().is_some_and(|s| s.iter().flatten().any(|t| t.starts_with("at "))));
    let factors = tables::surface_factors(&fit).to_record_batch().unwrap();
    assert!(factors.column_by_name("factor").unwrap().as_primitive_opt::<Float64Type>().is_some());
    let bounded = fit.materials().iter().any(|m| m.durability_s.value().is_none());
    assert_eq!(column.is_some(), bounded);
}
