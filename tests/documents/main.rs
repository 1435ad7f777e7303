//! Documents: every one ever written still reads; damaged, invented and edited ones are refused, and nothing panics.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

use std::fs;

use proptest::prelude::*;
use rand::{SeedableRng, rngs::ChaCha8Rng};
use rand_distr::{Distribution as _, StandardNormal};
use surface_severity::ErrorKind;
use surface_severity::campaign::{Campaign, Decisions, SurfaceRole, Trial};
use surface_severity::correction::{Correction, CorrectionBasis, CorrectionOptions, LabReports, corrected_reports};
use surface_severity::equivalence::{Equivalence, EquivalenceDocument, Form};
use surface_severity::severity::Severity;
use surface_severity::severity::{Grouping, Severity};

fn stored(name: &str) -> String {
    fs::read_to_string(format!("{}/tests/documents/{name}", env!("CARGO_MANIFEST_DIR"))).unwrap()
}

fn demo(name: &str) -> String {
    format!("{}/data-demo/{name}", env!("CARGO_MANIFEST_DIR"))
}

/// Corrections as earlier versions of the schema wrote them, and the corrected reports as they then came out.
#[test]
fn corrections_of_earlier_versions_read_and_answer_as_they_did() {
    for name in ["1_constant_ratio", "1_power_law", "2_constant_ratio"] {
        let text = stored(&format!("correction_{name}.json"));
        let version = &name[..1];
        assert!(text.contains(&format!("surface-severity/correction/{version}")));
        let correction = Correction::from_json(&text).unwrap();
        assert!(!correction.by_class());
        let reports = LabReports::read_path(demo("lab_reports.csv")).unwrap();
        let rows: Vec<_> = reports.reports().iter().flat_map(|r| correction.apply(r)).collect();
        assert!(rows.iter().all(|r| r.basis() == CorrectionBasis::Common));
        let now = corrected_reports(&rows).unwrap();
        assert!(correction.corrections().iter().all(|c| c.shared_effects().is_empty()));
        assert!(correction.decisions().is_empty());
        let then = stored(&format!("correction_{name}.csv"));
        let table = |text: &str| -> Vec<Vec<String>> {
            let mut reader = csv::ReaderBuilder::new().has_headers(false).from_reader(text.as_bytes());
            reader.records().map(|r| r.unwrap().iter().map(str::to_owned).collect()).collect()
        };
        let (now, then) = (table(&now), table(&then));
        assert_eq!(now.len(), then.len());
        for (a, b) in now.iter().zip(&then) {
            // Columns may be added at the end, never change.
            for (x, y) in a.iter().zip(b) {
                let same = match (x.parse::<f64>(), y.parse::<f64>()) {
                    (Ok(x), Ok(y)) => (x - y).abs() <= 1e-12 * y.abs(),
                    _ => x == y,
                };
                assert!(same, "{x} {y}");
            }
        }
        // Saved again it is of the present version, and says the same.
        let again = Correction::from_json(&correction.to_json().unwrap()).unwrap();
        assert_eq!(again, correction);
        // No version knows a member of a later one, and no other number may pass for it.
        if version == "1" {
            refused(&text.replace("\"level\": 0.95,", "\"level\": 0.95, \"by_class\": false,"));
            refused(&text.replace("\"form\":", "\"by_class\": true, \"form\":"));
        }
        refused(&text.replacen("\"laboratory\":", "\"decisions\": [], \"laboratory\":", 1));
        refused(&text.replacen("\"domain\":", "\"shared_effects\": [], \"domain\":", 1));
        refused(&text.replacen("\"log_factor\": ", "\"log_factor\": 1", 1));
        for other in ["0", "1", "2", "3", "4"].into_iter().filter(|other| *other != version) {
            refused(&text.replace(&format!("correction/{version}"), &format!("correction/{other}")));
        }
        let seed = text.lines().find(|l| l.trim().starts_with("\"seed\"")).unwrap();
        refused(&text.replacen(seed, "", 1));
    }
}

#[track_caller]
fn refused(text: &str) {
    let error = Correction::from_json(text).unwrap_err();
    assert!(matches!(error.kind(), ErrorKind::Document { .. }), "{error}");
}

#[test]
fn an_equivalence_of_version_2_reads_as_it_was() {
    let text = stored("equivalence_2.json");
    assert!(text.contains("surface-severity/equivalence/2"));
    let read = EquivalenceDocument::from_json(&text).unwrap();
    assert_eq!(read.schema(), "surface-severity/equivalence/3");
    let fit = read.fit();
    assert!(fit.shared_groupings().is_empty() && fit.decisions().is_empty());
    // The same comparison today, without shared conditions, but for the last bits.
    let campaign = Campaign::read_path(demo("trials.csv")).unwrap();
    let severity = Severity::new("dense asphalt concrete").independent().fit(&campaign).unwrap();
    let today = Equivalence::new("laboratory belt").fit(&campaign, &severity).unwrap();
    for (old, new) in fit.surfaces().iter().zip(today.surfaces()) {
        let (a, b) = (old.constant_ratio().fitted().unwrap(), new.constant_ratio().fitted().unwrap());
        assert!((a.log_standard_error() / b.log_standard_error() - 1.0).abs() < 1e-9);
        assert!(a.shared_log_variance() == 0.0 && a.shared_degrees_of_freedom().is_none());
        let (a, b) = (old.power_law().fitted().unwrap(), new.power_law().fitted().unwrap());
        assert!((a.slope().upper() / b.slope().upper() - 1.0).abs() < 1e-9);
    }
    assert_eq!(EquivalenceDocument::from_json(&read.to_json().unwrap()).unwrap().fit(), fit);
    for edited in [
        text.replace("equivalence/2", "equivalence/1"),
        text.replace("equivalence/2", "equivalence/3"),
        text.replacen("\"log_scatter\"", "\"decisions\": [], \"log_scatter\"", 1),
        text.replacen("\"constant_ratio\"", "\"shared_effects\": [], \"constant_ratio\"", 1),
        text.replacen("\"alpha\": 0.05", "\"alpha\": 0.06", 1),
    ] {
        assert_ne!(edited, text);
        let error = EquivalenceDocument::from_json(&edited).unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::Document { .. }), "{error}");
    }
}

#[test]
fn an_equivalence_of_version_1_reads_and_gains_what_its_pairs_determine() {
    let text = stored("equivalence_1.json");
    assert!(text.contains("surface-severity/equivalence/1"));
    let read = EquivalenceDocument::from_json(&text).unwrap();
    assert_eq!(read.schema(), "surface-severity/equivalence/3");
    let fit = read.fit();
    assert!(fit.nearest().is_none());
    let campaign = Campaign::read_path(demo("trials.csv")).unwrap();
    let severity = Severity::new("dense asphalt concrete").independent().fit(&campaign).unwrap();
    let today = Equivalence::new("laboratory belt").fit(&campaign, &severity).unwrap();
    for (old, new) in fit.surfaces().iter().zip(today.surfaces()) {
        assert_eq!(old.surface(), new.surface());
        let (a, b) = (old.rank_line().fitted().unwrap(), new.rank_line().fitted().unwrap());
        assert!((a.slope().estimate() - b.slope().estimate()).abs() < 1e-12);
        assert!(old.prediction_gain().is_some());
    }
    let again = EquivalenceDocument::from_json(&read.to_json().unwrap()).unwrap();
    assert_eq!(again.fit(), fit);
    for edited in [
        text.replacen("\"alpha\": 0.05", "\"alpha\": 0.06", 1),
        text.replace("equivalence/1", "equivalence/2"),
        text.replacen("\"better_predicting\"", "\"better\"", 1),
    ] {
        let error = EquivalenceDocument::from_json(&edited).unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::Document { .. }), "{error}");
    }
}

/// Whether every number of a document that is read back is one that the library may hand out.
fn check_numbers(value: &serde_json::Value) {
    match value {
        serde_json::Value::Array(list) => list.iter().for_each(check_numbers),
        serde_json::Value::Object(map) => map.values().for_each(check_numbers),
        serde_json::Value::Number(n) => assert!(n.as_f64().unwrap().is_finite()),
        _ => {}
    }
}

/// With everything that a document of this version holds: days that differ, classes, and a decision.
fn full() -> (EquivalenceDocument, [Correction; 2]) {
    let mut rng = ChaCha8Rng::seed_from_u64(5);
    let mut normal = || -> f64 { StandardNormal.sample(&mut rng) };
    let mut builder = Campaign::builder();
    for (s, surface) in ["belt", "lane", "track"].into_iter().enumerate() {
        let days: Vec<f64> = (0..3).map(|_| 0.2 * normal()).collect();
        for m in 0..8_u32 {
            let location = 0.3 * f64::from(m) - [0.0, 0.4, 0.7][s] + 0.15 * normal();
            for k in 0..5 {
                let day = (k + m as usize) % 3;
                let time = (location + days[day] + 0.15 * normal()).exp();
                let trial = Trial::perforated(format!("{surface}-{m}-{k}"), surface, format!("m{m}"), time);
                let role = if s == 0 { SurfaceRole::Laboratory } else { SurfaceRole::Road };
                let class = ["leather", "textile"][usize::from(m > 3)];
                builder = builder.trial(trial.day(format!("{surface} {day}")).surface_role(role).material_class(class));
            }
        }
    }
    let decisions = Decisions::new().set_aside("lane-2-1", "the clamp slipped", "A. N.");
    let campaign = builder.build().unwrap().with_decisions(&decisions).unwrap();
    let severity = Severity::new("lane").independent().fit(&campaign).unwrap();
    let mixed = Severity::new("lane").random(Grouping::Day).random(Grouping::MaterialBySurface).fit(&campaign).unwrap();
    let fit = Equivalence::new("belt").fit(&campaign, &mixed).unwrap();
    let corrections = [CorrectionOptions::default().by_class(true), CorrectionOptions::default().form(Form::PowerLaw)]
        .map(|options| Correction::derive(&fit, &options).unwrap());
    (fit.document(None), corrections)
}

/// What trials share and what was decided is in both documents, and comes back; what contradicts it is refused.
#[test]
fn shared_conditions_and_decisions_are_saved() {
    let (equivalence, corrections) = full();
    let text = equivalence.to_json().unwrap();
    let again = EquivalenceDocument::from_json(&text).unwrap();
    assert_eq!(again, equivalence);
    let fit = again.fit();
    assert_eq!(fit.shared_groupings(), [Grouping::Day]);
    assert_eq!((fit.decisions().len(), fit.decisions()[0].reason.as_str()), (1, "the clamp slipped"));
    let day = &fit.surfaces()[0].shared_effects()[0];
    assert!(day.log_variance() > 0.0 && day.ratio_share().unwrap() > 0.0 && day.line_share().is_some());
    let refused_fit = |edited: String| {
        assert_ne!(edited, text);
        let error = EquivalenceDocument::from_json(&edited).unwrap_err();
        assert!(matches!(error.kind(), ErrorKind::Document { .. }), "{error}");
    };
    refused_fit(text.replacen("\"log_variance\": 0", "\"log_variance\": 1", 1));
    refused_fit(text.replacen("\"ratio_share\": 0", "\"ratio_share\": 1", 1));
    refused_fit(text.replacen("\"intercept\": 0", "\"intercept\": 1", 1));
    refused_fit(text.replacen("the clamp slipped", " ", 1));
    refused_fit(text.replacen("\"shared_log_variance\": 0", "\"shared_log_variance\": 1", 1));
    refused_fit(text.replacen("    \"day\"\n", "    \"run\"\n", 1));
    for correction in corrections {
        assert_eq!(correction.decisions(), fit.decisions());
        let text = correction.to_json().unwrap();
        assert_eq!(Correction::from_json(&text).unwrap(), correction);
        let edits = [
            text.replacen("\"log_variance\": 0", "\"log_variance\": 1", 1),
            text.replacen("\"grouping\": \"day\"", "\"grouping\": \"material_by_surface\"", 1),
            text.replacen("\"decided_by\": \"A. N.\"", "\"decided_by\": \"\"", 1),
        ];
        for edited in edits {
            assert_ne!(edited, text);
            refused(&edited);
        }
    }
}

/// Every number of the documents of this version, changed a little or much, is refused or still consistent; what is
/// derived from other members cannot be changed at all.
#[test]
fn edited_numbers_are_refused_wherever_others_determine_them() {
    let by_class = full().1[0].to_json().unwrap();
    for text in [stored("correction_1_constant_ratio.json"), stored("correction_1_power_law.json"), by_class] {
        let mut tried = 0;
        for name in [
            "log_factor",
            "lower",
            "upper",
            "estimate",
            "log_factor_standard_error",
            "degrees_of_freedom",
            "intrinsic_log_scatter",
            "own_weight",
            "other_log_factor",
            "mean",
            "standard_error",
            "materials",
            "values",
        ] {
            let key = format!("\"{name}\": ");
            for (at, _) in text.match_indices(&key) {
                let start = at + key.len();
                let end = start + text[start..].find([',', '\n']).unwrap();
                let Ok(number) = text[start..end].parse::<f64>() else { continue };
                for edited in [number + 0.37, -number - 1.0, number * 1.001 + 1e-3] {
                    let edited = format!("{}{edited:?}{}", &text[..start], &text[end..]);
                    refused(&edited);
                    tried += 1;
                }
            }
        }
        assert!(tried > 100, "{tried}");
    }
}

proptest! {
    #![proptest_config(ProptestConfig::with_cases(200))]

    /// Bytes that were never a document.
    #[test]
    fn arbitrary_bytes_are_refused(bytes in prop::collection::vec(any::<u8>(), 0..400)) {
        let text = String::from_utf8_lossy(&bytes);
        prop_assert!(Correction::from_json(&text).is_err());
        prop_assert!(EquivalenceDocument::from_json(&text).is_err());
        if let Ok(reports) = LabReports::read(&bytes[..], "bytes") {
            prop_assert!(!reports.reports().is_empty());
        }
    }

    /// Reports put together from the words of the format: read, or refused with every problem named.
    #[test]
    fn shuffled_reports_never_panic(
        words in prop::collection::vec(
            prop::sample::select(vec![
                "report_id", "material", "material_class", "abrasion_time_s", "outcome", "specimens", "log_sd", "A", "m",
                "leather", "2.5", "1e308", "1e-308", "0", "-1", "NaN", "inf", "perforated", "run_out", "void",
                "opened_at_contact", "3", "4294967295", "0.1", "\"", "", " ", "\u{feff}",
            ]),
            0..80,
        ),
        breaks in prop::collection::vec(prop::sample::select(vec![",", ",", ",", "\n", "\r\n"]), 80),
    ) {
        let mut text = String::from("report_id,material,abrasion_time_s,outcome,specimens,log_sd\n");
        for (word, after) in words.iter().zip(&breaks) {
            text.push_str(word);
            text.push_str(after);
        }
        match LabReports::read(text.as_bytes(), "words") {
            Ok(reports) => {
                let correction = Correction::from_json(&stored("correction_1_power_law.json")).unwrap();
                let rows: Vec<_> = reports.reports().iter().flat_map(|r| correction.apply(r)).collect();
                let csv = corrected_reports(&rows).unwrap();
                prop_assert!(!csv.contains("NaN") && !csv.contains(",inf"));
            }
            Err(error) => prop_assert!(!error.to_string().is_empty()),
        }
    }

    /// A document with bytes overwritten, cut out or doubled: refused, or read as something that writes and reads again.
    #[test]
    fn damaged_documents_never_panic(
        which in 0_usize..3,
        at in any::<prop::sample::Index>(),
        length in 0_usize..40,
        with in prop::collection::vec(prop::sample::select(b"0123456789.-+eE,:[]{}\"\\nul tr".to_vec()), 0..6),
    ) {
        let text = match which {
            0 => stored("correction_1_constant_ratio.json"),
            1 => stored("correction_1_power_law.json"),
            _ => stored("equivalence_1.json"),
        };
        let bytes = text.as_bytes();
        let start = at.index(bytes.len());
        let end = (start + length).min(bytes.len());
        let damaged = [&bytes[..start], &with, &bytes[end..]].concat();
        let damaged = String::from_utf8_lossy(&damaged);
        if which < 2 {
            if let Ok(correction) = Correction::from_json(&damaged) {
                let again = correction.to_json().unwrap();
                check_numbers(&serde_json::from_str(&again).unwrap());
                prop_assert_eq!(Correction::from_json(&again).unwrap(), correction);
            }
        } else if let Ok(document) = EquivalenceDocument::from_json(&damaged) {
            let again = document.to_json().unwrap();
            prop_assert_eq!(EquivalenceDocument::from_json(&again).unwrap(), document);
        }
    }
}
