//! Documents edited by somebody who seals them again: refused with a reason, or read, used and written once more.

use std::sync::OnceLock;

use serde_json::{Map, Value, json};
use sha2::{Digest, Sha256};
use surface_severity::campaign::Campaign;
use surface_severity::correction::{Correction, LabReport, RoadGoal};
use surface_severity::equivalence::EquivalenceDocument;
use surface_severity::laboratory::{JoinedScale, changes};
use surface_severity::screening::ScreeningDocument;
use surface_severity::severity::{Severity, SeverityDocument};
use surface_severity::study::Study;

/// The canonical form: members by name, no blanks.
fn canonical(value: &Value) -> String {
    match value {
        Value::Object(members) => {
            let mut names: Vec<&String> = members.keys().collect();
            names.sort_unstable();
            let each = names.iter().map(|n| format!("{}:{}", json!(n), canonical(&members[*n])));
            format!("{{{}}}", each.collect::<Vec<_>>().join(","))
        }
        Value::Array(list) => format!("[{}]", list.iter().map(canonical).collect::<Vec<_>>().join(",")),
        leaf => leaf.to_string(),
    }
}

fn sealed(mut value: Value) -> String {
    let members: &mut Map<String, Value> = value.as_object_mut().unwrap();
    members.remove("sha256");
    let seal: String = Sha256::digest(canonical(&value).as_bytes()).iter().map(|byte| format!("{byte:02x}")).collect();
    value.as_object_mut().unwrap().insert("sha256".into(), seal.into());
    value.to_string()
}

fn originals() -> &'static [(&'static str, Value); 4] {
    static ORIGINALS: OnceLock<[(&str, Value); 4]> = OnceLock::new();
    ORIGINALS.get_or_init(|| {
        let campaign = Campaign::read_path("data-demo/trials.csv").unwrap();
        let study = Study::new(Severity::new("dense asphalt concrete")).run(&campaign, None).unwrap();
        let files = study.files().unwrap();
        ["severity.json", "screening.json", "equivalence.json", "correction.json"]
            .map(|name| (name, serde_json::from_str(files.text(name).unwrap()).unwrap()))
    })
}

/// Paths to every leaf and every member; of long lists the first, one in the middle and the last.
fn places(value: &Value, at: &mut Vec<String>, found: &mut Vec<Vec<String>>) {
    let mut below = |name: String, value: &Value| {
        at.push(name);
        found.push(at.clone());
        places(value, at, found);
        at.pop();
    };
    match value {
        Value::Object(members) => members.iter().for_each(|(name, member)| below(name.clone(), member)),
        Value::Array(list) => {
            let mut chosen = vec![0, list.len() / 2, list.len().saturating_sub(1)];
            chosen.dedup();
            for i in chosen.into_iter().filter(|i| *i < list.len()) {
                below(i.to_string(), &list[i]);
            }
        }
        _ => {}
    }
}

fn edited(value: &Value, place: &[String], edit: &dyn Fn(&Value) -> Option<Value>) -> Option<Value> {
    let mut copy = value.clone();
    let pointer: String = place.iter().map(|p| format!("/{}", p.replace('~', "~0").replace('/', "~1"))).collect();
    let at = copy.pointer_mut(&pointer)?;
    *at = edit(at)?;
    Some(copy)
}

/// Reads it; what is accepted is used and written again.
fn survives(name: &str, text: &str) -> bool {
    match name {
        "severity.json" => SeverityDocument::from_json(text).is_ok_and(|document| {
            let again = SeverityDocument::from_json(&document.to_json().unwrap());
            assert!(again.is_ok(), "{}", again.unwrap_err());
            let _ = changes(&document, &document).map(|c| c.iter().map(ToString::to_string).collect::<String>());
            let _ = JoinedScale::of(&[&document, &document]);
            true
        }),
        "screening.json" => ScreeningDocument::from_json(text).is_ok_and(|document| {
            let again = ScreeningDocument::from_json(&document.to_json().unwrap());
            assert!(again.is_ok(), "{}", again.unwrap_err());
            true
        }),
        "equivalence.json" => EquivalenceDocument::from_json(text).is_ok_and(|document| {
            let again = EquivalenceDocument::from_json(&document.to_json().unwrap());
            assert!(again.is_ok(), "{}", again.unwrap_err());
            true
        }),
        _ => Correction::from_json(text).is_ok_and(|correction| {
            let again = Correction::from_json(&correction.to_json().unwrap());
            assert!(again.is_ok(), "{}", again.unwrap_err());
            for class in [None, Some("leather".to_owned()), Some("unheard of".to_owned())] {
                let report = LabReport::from_mean("R", "hide", class.clone(), 2.0, 5, 0.2).unwrap();
                for time in correction.apply(&report) {
                    if let Some(i) = time.road_specimen_s().interval() {
                        assert!(i.lower() > 0.0 && i.upper().is_finite(), "{i}");
                    }
                    let p = time.probability_of_specimen_reaching(3.0);
                    assert!(p.is_err() || (0.0..=1.0).contains(&p.unwrap()));
                }
                let surfaces: Vec<String> = correction.corrections().iter().map(|c| c.surface().to_owned()).collect();
                for surface in surfaces {
                    let _ = correction.multiplier(&surface, class.as_deref(), Some(5));
                    let _ = correction.needed_laboratory_time(&surface, &RoadGoal::new(4.0));
                }
            }
            true
        }),
    }
}

type Edit = Box<dyn Fn(&Value) -> Option<Value>>;

/// Every `stride`-th edit of a document: how many, how many were accepted, and those that failed.
fn attack(name: &str, original: &Value, stride: usize) -> (usize, usize, Vec<String>) {
    let mut found = Vec::new();
    places(original, &mut Vec::new(), &mut found);
    let numbers =
        [0.0, -0.0, -1.0, 5e-324, 1e-308, 1e-12, 0.5, 1.0, 2.0, 95.0, 1e9, 1.7e308, -1.7e308, 9_007_199_254_740_993.0];
    let mut edits: Vec<(String, Edit)> = Vec::new();
    for n in numbers {
        edits.push((format!("{n}"), Box::new(move |v| v.is_number().then(|| json!(n)))));
    }
    edits.push(("max".into(), Box::new(|v| v.is_u64().then(|| json!(u64::MAX)))));
    edits.push(("0".into(), Box::new(|v| v.is_u64().then(|| json!(0)))));
    edits.push(("1".into(), Box::new(|v| v.is_u64().then(|| json!(1)))));
    for factor in [-1.0, 1e-3, 0.999, 1.001, 1e3] {
        edits.push((format!("times {factor}"), Box::new(move |v| Some(json!(v.as_f64()? * factor)))));
    }
    edits.push(("null".into(), Box::new(|_| Some(Value::Null))));
    edits.push(("empty".into(), Box::new(|v| v.is_string().then(|| json!("")))));
    edits.push(("words".into(), Box::new(|v| v.is_string().then(|| json!("something else")))));
    edits.push(("empty list".into(), Box::new(|v| v.is_array().then(|| json!([])))));
    edits.push(("twice".into(), Box::new(|v| v.as_array().map(|l| json!([l.clone(), l.clone()].concat())))));
    edits.push(("shorter".into(), Box::new(|v| v.as_array().and_then(|l| Some(json!(l[..l.len().checked_sub(1)?]))))));
    let (mut tried, mut accepted, mut failed) = (0, 0, Vec::new());
    let pairs = found.iter().flat_map(|place| edits.iter().map(move |edit| (place, edit)));
    for (place, (what, edit)) in pairs.step_by(stride) {
        let Some(copy) = edited(original, place, edit) else { continue };
        tried += 1;
        let text = sealed(copy);
        match std::panic::catch_unwind(|| survives(name, &text)) {
            Ok(read) => accepted += usize::from(read),
            Err(_) => failed.push(format!("{name} {} = {what}", place.join("/"))),
        }
    }
    (tried, accepted, failed)
}

#[test]
fn sealed_edits_are_refused_or_can_be_used() {
    let stride: usize = std::env::var("ATTACK_STRIDE").ok().and_then(|n| n.parse().ok()).unwrap_or(83);
    let mut failures = Vec::new();
    for (name, original) in originals() {
        // The seal itself holds.
        assert!(survives(name, &sealed(original.clone())), "{name}");
        let (tried, accepted, failed) = attack(name, original, stride);
        println!("{name}: {tried} edits, {accepted} accepted, {} failed", failed.len());
        assert!(tried > 20 && accepted < tried, "{name}");
        failures.extend(failed);
    }
    assert!(failures.is_empty(), "{failures:#?}");
}
