//! Documents: what is written reads again; damaged, invented and edited ones are refused, and nothing panics.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic, clippy::float_cmp)]

#[path = "seal.rs"]
mod seal;

use std::sync::OnceLock;

use proptest::prelude::*;
use rand::{SeedableRng, rngs::ChaCha8Rng};
use rand_distr::{Distribution as _, StandardNormal};
use serde_json::{Map, Value, json};
use surface_severity::bootstrap::{Bootstrap, Replicates};
use surface_severity::campaign::{Campaign, Decisions, SurfaceRole, Trial};
use surface_severity::correction::{Correction, CorrectionOptions, LabReports};
use surface_severity::equivalence::{Equivalence, EquivalenceDocument, Form};
use surface_severity::screening::{Screening, ScreeningDocument};
use surface_severity::severity::{Grouping, Severity, SeverityDocument};
use surface_severity::{Error, ErrorKind};

/// Whether every number of a document that is read back is one that the library may hand out.
fn check_numbers(value: &serde_json::Value) {
    match value {
        serde_json::Value::Array(list) => list.iter().for_each(check_numbers),
        serde_json::Value::Object(map) => map.values().for_each(check_numbers),
        serde_json::Value::Number(n) => assert!(n.as_f64().unwrap().is_finite()),
        _ => {}
    }
}

/// Days that differ, classes, and a decision.
fn campaign() -> Campaign {
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
    builder.build().unwrap().with_decisions(&decisions).unwrap()
}

/// With everything that a document holds.
fn full() -> (EquivalenceDocument, [Correction; 2]) {
    let campaign = campaign();
    let fit = mixed().fit(&campaign).unwrap();
    let fit = Equivalence::new("belt").fit(&campaign, &fit).unwrap();
    let corrections = [CorrectionOptions::default().by_class(true), CorrectionOptions::default().form(Form::PowerLaw)]
        .map(|options| Correction::derive(&fit, &options).unwrap());
    (fit.document(None), corrections)
}

fn mixed() -> Severity {
    Severity::new("lane").random(Grouping::Day).random(Grouping::MaterialBySurface)
}

/// One document of every kind, as text; corrections by class and by the power law.
fn written() -> &'static [(&'static str, String)] {
    static ALL: OnceLock<Vec<(&str, String)>> = OnceLock::new();
    ALL.get_or_init(|| {
        let (campaign, plan) = (campaign(), Severity::new("lane").independent());
        let (equivalence, [by_class, power_law]) = full();
        let bootstrap = Bootstrap::rescaled(100).seed(7).severity(&plan, &campaign).unwrap();
        let severity = mixed().fit(&campaign).unwrap().document(Some(7));
        let screening = Screening::new().screen(&campaign, &plan).unwrap();
        vec![
            ("severity", severity.to_json().unwrap()),
            ("screening", screening.document().to_json().unwrap()),
            ("equivalence", equivalence.to_json().unwrap()),
            ("correction", by_class.to_json().unwrap()),
            ("correction", power_law.to_json().unwrap()),
            ("replicates", bootstrap.replicates().to_json().unwrap()),
        ]
    })
}

fn value(text: &str) -> Value {
    serde_json::from_str(text).unwrap()
}

/// What a reader makes of a document, written again.
fn read(kind: &str, text: &str) -> Result<String, Error> {
    match kind {
        "severity" => SeverityDocument::from_json(text)?.to_json(),
        "screening" => ScreeningDocument::from_json(text)?.to_json(),
        "equivalence" => EquivalenceDocument::from_json(text)?.to_json(),
        "correction" => Correction::from_json(text)?.to_json(),
        _ => Replicates::from_json(text)?.to_json(),
    }
}

/// The reason for which it is refused.
#[track_caller]
fn refusal(kind: &str, text: &str) -> String {
    let error = read(kind, text).expect_err("an edited document was read");
    match error.kind() {
        ErrorKind::Document { document, reason, .. } if document == kind => reason.clone(),
        other => panic!("{kind}: {other:?}"),
    }
}

#[test]
fn every_kind_has_its_tag_its_seal_and_the_same_bytes_again() {
    for (kind, text) in written() {
        let document = value(text);
        assert!(text.starts_with(&format!("{{\n  \"schema\": \"surface-severity/{kind}/1\",\n")), "{kind}");
        assert_eq!(document["sha256"], seal::seal(&document), "{kind}");
        assert_eq!(&read(kind, text).unwrap(), text, "{kind}");
        // Without blanks and with its members in another order it is the same document.
        assert_eq!(&read(kind, &document.to_string()).unwrap(), text, "{kind}");
    }
}

/// Every place of a document where a number, a text, a truth value or nothing stands.
fn scalars(value: &Value, path: &str, found: &mut Vec<String>) {
    match value {
        Value::Object(members) => members.iter().for_each(|(name, member)| {
            scalars(member, &format!("{path}/{}", name.replace('~', "~0").replace('/', "~1")), found);
        }),
        Value::Array(list) => list.iter().enumerate().for_each(|(i, at)| scalars(at, &format!("{path}/{i}"), found)),
        _ => found.push(path.to_owned()),
    }
}

/// What a hand might put in the place of a scalar.
fn other_values(value: &Value) -> Vec<Value> {
    match value {
        Value::Number(n) if n.is_f64() => {
            let x = n.as_f64().unwrap();
            vec![json!(f64::from_bits(x.to_bits() + 1)), json!(1.01 * x + 0.001), json!(-x - 1.0)]
        }
        Value::Number(n) => vec![json!(n.as_u64().unwrap() + 1)],
        Value::String(text) => vec![json!(format!("{text} ")), json!("")],
        Value::Bool(truth) => vec![json!(!truth)],
        _ => vec![json!(1)],
    }
}

/// An edit of any scalar, by one bit or by much, is refused before anything else is looked at, and for what it is.
#[test]
fn an_edit_of_any_scalar_is_refused() {
    for (kind, text) in written() {
        let mut document = value(text);
        let mut places = Vec::new();
        scalars(&document, "", &mut places);
        assert!(places.len() > 60, "{kind}: {}", places.len());
        for place in places {
            let at = document.pointer(&place).unwrap().clone();
            let others = other_values(&at).into_iter().filter(|other| *other != at);
            for other in others {
                *document.pointer_mut(&place).unwrap() = other.clone();
                let reason = refusal(kind, &document.to_string());
                let wanted = match place.as_str() {
                    "/schema" => "its schema is",
                    _ => "it was edited after it was written",
                };
                assert!(reason.contains(wanted), "{kind}{place} = {other}: {reason}");
            }
            *document.pointer_mut(&place).unwrap() = at;
        }
        assert_eq!(&read(kind, &document.to_string()).unwrap(), text);
    }
}

/// Members taken away, added and moved.
#[test]
fn an_edit_of_any_member_is_refused() {
    fn objects(value: &Value, path: &str, found: &mut Vec<String>) {
        match value {
            Value::Object(members) => {
                found.push(path.to_owned());
                members.iter().for_each(|(name, member)| objects(member, &format!("{path}/{name}"), found));
            }
            Value::Array(list) => {
                list.iter().take(2).enumerate().for_each(|(i, at)| objects(at, &format!("{path}/{i}"), found));
            }
            _ => {}
        }
    }
    for (kind, text) in written() {
        let document = value(text);
        let mut places = Vec::new();
        objects(&document, "", &mut places);
        let mut edits = 0;
        for place in places {
            let names: Vec<String> = document.pointer(&place).unwrap().as_object().unwrap().keys().cloned().collect();
            let mut edit = |change: &dyn Fn(&mut Map<String, Value>)| {
                let mut edited = document.clone();
                change(edited.pointer_mut(&place).and_then(Value::as_object_mut).unwrap());
                refusal(kind, &edited.to_string());
                edits += 1;
            };
            for name in &names {
                edit(&|members| drop(members.remove(name)));
                edit(&|members| drop(members.insert(name.clone(), json!([[]]))));
            }
            edit(&|members| drop(members.insert("of no use".into(), json!(1))));
        }
        assert!(edits > 40, "{kind}: {edits}");
    }
}

/// Documents that are whole and say nonsense: limits out of order, levels and shares outside their range, variances and
/// degrees of freedom that are none, no covariance, labels twice or empty.
#[test]
fn what_has_no_meaning_is_refused_even_under_a_seal() {
    let text = |kind: &str, which: usize| written().iter().filter(|(k, _)| *k == kind).nth(which).unwrap().1.as_str();
    let mut wrong: Vec<String> = Vec::new();
    let mut refused = |kind: &str, which: usize, place: &str, other: Value, says: &str| {
        let mut document = value(text(kind, which));
        let Some(at) = document.pointer_mut(place) else {
            wrong.push(format!("{kind} has no {place}"));
            return;
        };
        assert_ne!(*at, other);
        *at = other;
        match read(kind, &seal::sealed(document).to_string()) {
            Ok(_) => wrong.push(format!("{kind}{place}: taken")),
            Err(error) if !error.to_string().contains(says) => wrong.push(format!("{kind}{place}: {error}")),
            Err(error) => assert!(matches!(error.kind(), ErrorKind::Document { .. })),
        }
    };
    for (place, other, says) in [
        ("/options/level", json!(95.0), "level"),
        ("/log_scatter", json!(-0.1), "log_scatter"),
        ("/scatter_degrees_of_freedom", json!(0.0), "degrees_of_freedom"),
        ("/variance_components/0/variance", json!(-0.1), "at least 0"),
        ("/trials", json!(0), "trials"),
        ("/factors/0/factor/lower", json!(99.0), "at most the upper limit"),
        ("/factors/0/factor/level", json!(95.0), "between 0 and 1"),
        ("/factors/0/factor/lower", json!(-1.0), "not positive"),
        ("/factors/0/log_standard_error", json!(-0.1), "at least 0"),
        ("/factors/1/surface", json!("belt"), "twice"),
        ("/materials/1/material", json!(" "), "without a name"),
        ("/materials/1/material", json!("m0"), "twice"),
        ("/materials/0/durability_s/lower", json!(-1.0), "not positive"),
        ("/options/reference", json!("moon"), "reference"),
        ("/log_covariance/rows/0/0", json!(-1.0), "variance"),
        ("/log_covariance/rows/0/1", json!(0.5), "symmetric"),
        ("/log_covariance/rows/0/0", json!(1e-9), "covariance"),
        ("/log_covariance/order/0", json!("moon"), "order"),
    ] {
        refused("severity", 0, place, other, says);
    }
    for (place, other, says) in [
        ("/options/severity/level", json!(0.0), "level"),
        ("/options/screening/esd_share", json!(2.5), "esd_share"),
        ("/log_scatter", json!(0.0), "log_scatter"),
        ("/degrees_of_freedom", json!(-1.0), "degrees_of_freedom"),
        ("/verdicts/1/trial_id", json!("belt-0-0"), "twice"),
        ("/verdicts/0/abrasion_time_s", json!(-1.0), "abrasion_time_s"),
        ("/most_influential/0/factors/0", json!(0.0), "factor"),
        ("/most_influential/0/factors", json!([]), "one value for each"),
    ] {
        refused("screening", 0, place, other, says);
    }
    for (place, other, says) in [
        ("/options/alpha", json!(5.0), "alpha"),
        ("/level", json!(95.0), "level"),
        ("/log_scatter", json!(0.0), "log_scatter"),
        ("/scatter_degrees_of_freedom", json!(-3.0), "degrees_of_freedom"),
        ("/surfaces/0/pairs/0/road_log_standard_error", json!(-0.1), "road_log_standard_error"),
        ("/surfaces/0/pairs/1/material", json!("m0"), "twice"),
        ("/surfaces/0/constant_ratio/fitted/ratio/upper", json!(0.01), "lower"),
        ("/surfaces/0/constant_ratio/fitted/degrees_of_freedom", json!(0.0), "degrees_of_freedom"),
        ("/surfaces/0/constant_ratio/fitted/pair_log_variance", json!(-0.1), "pair_log_variance"),
        ("/surfaces/0/constant_ratio/fitted/intrinsic_log_scatter_lower", json!(9.0), "wrong order"),
        ("/surfaces/0/power_law/fitted/log_covariance/covariance", json!(9.0), "covariance"),
        ("/surfaces/0/power_law/fitted/slope_one_p_value", json!(1.5), "probability"),
        ("/surfaces/1/surface", json!("lane"), "twice"),
        ("/scale/1/surface", json!("belt"), "twice"),
        ("/decisions/0/reason", json!(" "), "reason"),
    ] {
        refused("equivalence", 0, place, other, says);
    }
    for which in 0..2 {
        for (place, other, says) in [
            ("/options/level", json!(95.0), "level"),
            ("/log_scatter", json!(0.0), "log_scatter"),
            ("/corrections", json!([]), "no correction"),
            ("/corrections/0/factor/upper", json!(0.01), "lower"),
            ("/corrections/0/factor/lower", json!(-1.0), "not positive"),
            ("/corrections/0/degrees_of_freedom", json!(0.0), "degrees_of_freedom"),
            ("/corrections/0/intrinsic_log_scatter", json!(-0.1), "intrinsic_log_scatter"),
            ("/corrections/0/factor_at_laboratory_time_s", json!(0.0), "factor_at_laboratory_time_s"),
            ("/corrections/0/domain/shortest_laboratory_time_s", json!(1e4), "range"),
            ("/corrections/1/surface", json!("lane"), "twice"),
            ("/decisions/0/decided_by", json!(""), "author"),
        ] {
            refused("correction", which, place, other, says);
        }
    }
    refused("correction", 0, "/corrections/0/slope", json!(1.1), "slope 1");
    refused("correction", 0, "/corrections/0/classes/classes/0/own_weight", json!(1.5), "own_weight");
    refused("correction", 0, "/corrections/0/classes/classes/1/class", json!("leather"), "twice");
    refused("correction", 1, "/corrections/0/log_covariance", json!(9.0), "covariance");
    for (place, other, says) in [
        ("/end", json!(99), "contradicts"),
        ("/end", json!(0), "not a part"),
        ("/observed", json!([]), "observed"),
        ("/provenance/plan/level", json!(95.0), "level"),
        ("/provenance/names/1", json!(""), "without a name"),
    ] {
        refused("replicates", 0, place, other, says);
    }
    assert!(wrong.is_empty(), "{}", wrong.join("\n"));
}

/// What trials share and what was decided is in both documents, and comes back.
#[test]
fn shared_conditions_and_decisions_are_saved() {
    let (equivalence, corrections) = full();
    let text = equivalence.to_json().unwrap();
    let again = EquivalenceDocument::from_json(&text).unwrap();
    assert_eq!(again, equivalence);
    let fit = again.fit();
    assert_eq!((fit.decisions().len(), fit.decisions()[0].reason.as_str()), (1, "the clamp slipped"));
    for correction in corrections {
        assert_eq!(correction.decisions(), fit.decisions());
        let text = correction.to_json().unwrap();
        assert_eq!(Correction::from_json(&text).unwrap(), correction);
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
                let correction = Correction::from_json(&written()[4].1).unwrap();
                let rows: Vec<_> = reports.reports().iter().flat_map(|r| correction.apply(r)).collect();
                let csv = correction.reports_csv(&rows).unwrap();
                prop_assert!(!csv.contains("NaN") && !csv.contains(",inf"));
            }
            Err(error) => prop_assert!(!error.to_string().is_empty()),
        }
    }

    /// A document with bytes overwritten, cut out or doubled: refused, or read as what it was.
    #[test]
    fn damaged_documents_never_panic(
        which in 0_usize..6,
        at in any::<prop::sample::Index>(),
        length in 0_usize..40,
        with in prop::collection::vec(prop::sample::select(b"0123456789.-+eE,:[]{}\"\\nul tr".to_vec()), 0..6),
    ) {
        let (kind, text) = &written()[which];
        let bytes = text.as_bytes();
        let start = at.index(bytes.len());
        let end = (start + length).min(bytes.len());
        let damaged = [&bytes[..start], &with, &bytes[end..]].concat();
        let damaged = String::from_utf8_lossy(&damaged);
        // Nothing but blanks may change; what is read has the numbers that the library may hand out.
        if let Ok(again) = read(kind, &damaged) {
            prop_assert_eq!(&again, text);
            check_numbers(&value(&again));
        }
    }
}
