//! Saved documents: their JSON Schemas are current, what the crate writes keeps to them, and what was
//! edited by hand into nonsense is refused by the schema where a schema can, by the reader always.
//!
//! After a change of a document, write the schemas again:
//! `WRITE_SCHEMAS=1 cargo test --test schemas`.
#![allow(clippy::unwrap_used, clippy::expect_used, clippy::panic)]

mod comments;
mod schema;
#[path = "../documents/seal.rs"]
mod seal;
mod trace;

use std::path::{Path, PathBuf};
use std::sync::OnceLock;

use serde_json::{Value, json};
use surface_severity::bootstrap::{Bootstrap, Replicates};
use surface_severity::campaign::{Campaign, Decisions, SurfaceRole, Trial};
use surface_severity::correction::{Correction, CorrectionOptions};
use surface_severity::equivalence::{Equivalence, EquivalenceDocument, EquivalenceFit, Form};
use surface_severity::screening::{Screening, ScreeningDocument};
use surface_severity::severity::{Covariate, Distribution, Grouping, Robust, Severity, SeverityDocument};

use comments::Comments;

const REFERENCE: &str = "dense asphalt concrete";
const KINDS: [&str; 6] = ["campaign", "severity", "screening", "equivalence", "correction", "replicates"];

/// A trial with every optional column, and surfaces and materials that give bounds only.
fn awkward_trials() -> Vec<Trial> {
    let mut trials = Vec::new();
    for (m, material) in ["cloth", "felt", "hide", "weave"].into_iter().enumerate() {
        for (s, surface) in ["bench", "lane", "track"].into_iter().enumerate() {
            for i in 0..3 {
                let time = 2.0 + 1.3 * m as f64 - 0.4 * s as f64 + 0.17 * i as f64 + 0.05 * ((m + s) % 2) as f64;
                let trial = Trial::perforated(format!("{material}-{surface}-{i}"), surface, material, time);
                trials.push(trial.material_class(if m < 2 { "textile" } else { "leather" }));
            }
        }
    }
    for i in 0..3 {
        trials.push(Trial::run_out(format!("armour-lane-{i}"), "lane", "armour", 30.0));
        trials.push(Trial::opened_at_contact(format!("cloth-rasp-{i}"), "rasp", "cloth", 0.05));
    }
    trials.push(Trial::void("void-1", "lane", "cloth", "the clamp slipped"));
    trials
}

/// Trials whose days differ by far more than their specimens.
fn dated_trials() -> Vec<Trial> {
    let mut trials = Vec::new();
    for m in 0..5_u8 {
        for (s, surface) in [(0_u8, "bench"), (1, "lane")] {
            for k in 0..6_u8 {
                let wobble = (7.3 * f64::from(m * 13 + s * 29 + k * 5)).sin();
                let day = f64::from(k % 3) - 1.0;
                let log =
                    0.4 * f64::from(m) - 0.5 * f64::from(s) + 0.2 * day * (1.0 - 1.7 * f64::from(s)) + 0.1 * wobble;
                let trial = Trial::perforated(format!("{m}-{s}-{k}"), surface, format!("cloth {m}"), log.exp());
                trials.push(trial.day(format!("{surface} {}", k % 3)));
            }
        }
    }
    trials
}

/// The same by a laboratory that counts the drops on its belt and knows the exponent of speed.
fn worn() -> (Campaign, Severity) {
    let trials = dated_trials().into_iter().enumerate().map(|(i, trial)| match trial.surface.as_str() {
        "bench" => trial.belt_drop((i * 7 % 20) as f64).laboratory("east").surface_role(SurfaceRole::Laboratory),
        _ => trial.speed_m_per_s(8.0).surface_role(SurfaceRole::Road),
    });
    let speed = Covariate::power_law("speed_m_per_s", 10.0).on(SurfaceRole::Road).given(-1.0, 0.2);
    (Campaign::from_trials(trials).unwrap(), Severity::new("lane").covariate(speed))
}

fn value(text: &str) -> Value {
    serde_json::from_str(text).unwrap()
}

/// Documents of every kind: of the invented campaign, and of a small one with bounds and voids.
fn documents(kind: &str) -> &'static [Value] {
    static ALL: OnceLock<Vec<Vec<Value>>> = OnceLock::new();
    let all = ALL.get_or_init(|| {
        let demo = Path::new(env!("CARGO_MANIFEST_DIR")).join("data-demo/trials.csv");
        let demo = Campaign::read_path(demo).unwrap();
        let flagged = demo.trials()[0].trial_id.clone();
        let decided =
            demo.with_decisions(&Decisions::new().set_aside(flagged, "the film shows a bounce", "A. N.")).unwrap();
        let small = Campaign::from_trials(awkward_trials()).unwrap();

        let (worn, worn_plan) = worn();
        let plan = Severity::new(REFERENCE).independent();
        let fit = plan.fit(&demo).unwrap();
        let decided_fit = plan.fit(&decided).unwrap();
        let weibull = plan.clone().distribution(Distribution::Weibull).fit(&demo).unwrap();
        let small_fit = Severity::new("lane").independent().fit(&small).unwrap();
        let uncensored: Vec<Trial> =
            awkward_trials().into_iter().filter(|t| !t.trial_id.contains("armour") && t.surface != "rasp").collect();
        let uncensored = Campaign::from_trials(uncensored).unwrap();
        let plain_fit = Severity::new("lane").independent().fit(&uncensored).unwrap();
        let bootstrap = Bootstrap::rescaled(200).seed(7).severity(&plan, &demo).unwrap();
        let severity = [
            fit.document(None),
            decided_fit.document(Some(1)),
            weibull.document(None),
            small_fit.document(None),
            plain_fit.document(None),
            plan.clone().time_resolution_s(0.05).fit(&demo).unwrap().document(None),
            Severity::new(REFERENCE).random(Grouping::Day).fit(&decided).unwrap().document(None),
            Severity::new(REFERENCE).fit(&demo).unwrap().document(None),
            worn_plan.fit(&worn).unwrap().document(None),
        ]
        .iter()
        .map(|d| value(&d.to_json().unwrap()))
        .collect();

        let screenings = [
            Screening::new().screen(&demo, &plan).unwrap(),
            Screening::new().screen(&decided, &plan).unwrap(),
            Screening::new().screen(&small, &Severity::new("lane").independent()).unwrap(),
            Screening::new().robust(Robust::mm()).screen(&demo, &plan.clone().time_resolution_s(0.05)).unwrap(),
            Screening::new().robust(Robust::huber()).screen(&demo, &plan).unwrap(),
            Screening::new().robust(Robust::bisquare()).screen(&demo, &plan).unwrap(),
        ];
        let screening = screenings.iter().map(|s| value(&s.document().to_json().unwrap())).collect();

        let by_day = Severity::new(REFERENCE).random(Grouping::Day).fit(&decided).unwrap();
        let dated = Campaign::from_trials(dated_trials()).unwrap();
        let dated_days = Severity::new("lane").random(Grouping::Day).fit(&dated).unwrap();
        let equivalences = [
            Equivalence::new("laboratory belt").fit(&demo, &fit).unwrap(),
            Equivalence::new("bench").fit(&small, &small_fit).unwrap(),
            Equivalence::new("bench").fit(&uncensored, &plain_fit).unwrap(),
            Equivalence::new("laboratory belt").fit(&demo, &Severity::new(REFERENCE).fit(&demo).unwrap()).unwrap(),
            Equivalence::new("laboratory belt").fit(&decided, &by_day).unwrap(),
            Equivalence::new("bench").fit(&dated, &dated_days).unwrap(),
        ];
        let equivalence =
            equivalences.iter().map(|e| value(&e.document(Some(3)).to_json().unwrap())).collect::<Vec<_>>();
        let mut correction = Vec::new();
        for fit in &equivalences {
            for (form, by_class) in [(Form::ConstantRatio, false), (Form::PowerLaw, false), (Form::ConstantRatio, true)]
            {
                let options = CorrectionOptions::default().form(form).by_class(by_class);
                let Ok(derived) = Correction::derive(fit, &options) else {
                    assert!(by_class, "only classes may be too few");
                    continue;
                };
                correction.push(value(&derived.to_json().unwrap()));
                correction.push(value(&derived.with_seed(3).to_json().unwrap()));
            }
        }

        let replicates = [
            bootstrap.replicates().clone(),
            Bootstrap::parametric(100)
                .run_length_s("worn surface dressing", 20.0)
                .time_resolution_s(0.05)
                .severity(&plan, &demo)
                .unwrap()
                .replicates()
                .clone(),
        ];
        let replicates = replicates.iter().map(|r| value(&r.to_json().unwrap())).collect();
        let campaigns = [&demo, &decided, &small, &worn];
        let campaign = campaigns.iter().map(|c| serde_json::to_value(c).unwrap()).collect();
        vec![campaign, severity, screening, equivalence, correction, replicates]
    });
    &all[KINDS.iter().position(|k| *k == kind).unwrap()]
}

fn about(kind: &str) -> &'static str {
    match kind {
        "campaign" => "Trials with the decisions on them.",
        "severity" => "Abrasiveness factors of surfaces and durabilities of materials.",
        "screening" => "A verdict on every trial, with its evidence.",
        "equivalence" => "The laboratory belt against each road surface.",
        "correction" => "Correction of laboratory times for each road surface, with its domain.",
        _ => "Bootstrap replicates of a fit; ranges of them merge.",
    }
}

fn schema_of(kind: &str) -> Value {
    let comments = Comments::read();
    let documents = documents(kind);
    match kind {
        "campaign" => schema::of::<Campaign>(kind, about(kind), documents, &comments),
        "severity" => schema::of::<SeverityDocument>(kind, about(kind), documents, &comments),
        "screening" => schema::of::<ScreeningDocument>(kind, about(kind), documents, &comments),
        "equivalence" => schema::of::<EquivalenceFit>(kind, about(kind), documents, &comments),
        "correction" => schema::of::<Correction>(kind, about(kind), documents, &comments),
        _ => schema::of::<Replicates>(kind, about(kind), documents, &comments),
    }
}

/// What the library's own reader says.
fn read(kind: &str, document: &Value) -> Result<(), String> {
    let text = document.to_string();
    match kind {
        "campaign" => serde_json::from_str::<Campaign>(&text).map(drop).map_err(|e| e.to_string()),
        "severity" => SeverityDocument::from_json(&text).map(drop).map_err(|e| e.to_string()),
        "screening" => ScreeningDocument::from_json(&text).map(drop).map_err(|e| e.to_string()),
        "equivalence" => EquivalenceDocument::from_json(&text).map(drop).map_err(|e| e.to_string()),
        "correction" => Correction::from_json(&text).map(drop).map_err(|e| e.to_string()),
        _ => Replicates::from_json(&text).map(drop).map_err(|e| e.to_string()),
    }
}

fn path_of(kind: &str) -> PathBuf {
    Path::new(env!("CARGO_MANIFEST_DIR")).join(format!("tests/documents/schemas/{kind}.schema.json"))
}

fn stored(kind: &str) -> jsonschema::Validator {
    let text = std::fs::read_to_string(path_of(kind)).unwrap();
    jsonschema::draft202012::new(&value(&text)).unwrap()
}

#[test]
fn schemas_are_those_of_the_readers() {
    for kind in KINDS {
        let mut text = serde_json::to_string_pretty(&schema_of(kind)).unwrap();
        text.push('\n');
        jsonschema::draft202012::meta::validate(&value(&text)).unwrap();
        if std::env::var_os("WRITE_SCHEMAS").is_some() {
            std::fs::write(path_of(kind), &text).unwrap();
        }
        let stored = std::fs::read_to_string(path_of(kind)).unwrap();
        assert!(
            stored == text,
            "{kind}: the reader asks for something else now; look at what, then write the schemas again: \
             WRITE_SCHEMAS=1 cargo test --test schemas"
        );
    }
}

#[test]
fn every_document_keeps_to_its_schema_and_to_no_other() {
    for kind in KINDS {
        let schema = stored(kind);
        for (i, document) in documents(kind).iter().enumerate() {
            if let Err(error) = schema.validate(document) {
                panic!("{kind}, document {i}, {}: {error}", error.instance_path());
            }
            read(kind, document).unwrap();
            for other in KINDS.into_iter().filter(|o| *o != kind) {
                assert!(!stored(other).is_valid(document), "{kind} passes for {other}");
            }
        }
    }
}

/// Every object of a document, by its path.
fn objects(value: &Value, path: &str, found: &mut Vec<String>) {
    match value {
        Value::Object(object) => {
            found.push(path.to_owned());
            for (key, value) in object {
                objects(value, &format!("{path}/{}", key.replace('~', "~0").replace('/', "~1")), found);
            }
        }
        // The first of a list stands for all.
        Value::Array(list) => {
            if let Some(first) = list.first() {
                objects(first, &format!("{path}/0"), found);
            }
        }
        _ => {}
    }
}

#[test]
fn what_is_missing_or_too_much_is_refused_by_schema_and_reader_alike() {
    for kind in KINDS {
        let schema = stored(kind);
        let document = &documents(kind)[0];
        let mut paths = Vec::new();
        objects(document, "", &mut paths);
        let mut edits = 0;
        for path in paths {
            let keys: Vec<String> =
                document.pointer(&path).and_then(Value::as_object).unwrap().keys().cloned().collect();
            let mut edited: Vec<(String, Value)> = Vec::new();
            for key in keys {
                let mut without = document.clone();
                without.pointer_mut(&path).and_then(Value::as_object_mut).unwrap().remove(&key);
                edited.push((format!("without {path}/{key}"), without));
            }
            let mut more = document.clone();
            more.pointer_mut(&path).and_then(Value::as_object_mut).unwrap().insert("of no use".into(), json!([1]));
            edited.push((format!("more in {path}"), more));
            for (what, edited) in edited {
                // Under its seal, if it still has one: what is edited is refused for that alone otherwise.
                let edited = seal::sealed(edited);
                let (by_schema, by_reader) = (schema.is_valid(&edited), read(kind, &edited));
                // The reader also compares numbers; a schema that refuses what it takes would be wrong.
                assert!(by_schema || by_reader.is_err(), "{kind}, {what}: only the schema refuses");
                let formal = |e: &String| {
                    e.contains("missing field")
                        || e.contains("it has no \"")
                        || e.contains("unknown field")
                        || e.contains("did not match any variant")
                };
                assert!(!by_schema || !by_reader.as_ref().is_err_and(formal), "{kind}, {what}: {by_reader:?}");
                edits += 1;
            }
        }
        assert!(edits > 10, "{kind}: {edits}");
    }
}

#[test]
fn nonsense_is_refused() {
    let edits: [(&str, &str, Value, bool); 12] = [
        ("campaign", "/trials/0/outcome", json!("worn"), false),
        ("campaign", "/trials/0/abrasion_time_s", json!(-1.0), true),
        ("severity", "/schema", json!("surface-severity/severity/2"), false),
        ("severity", "/factors/0/factor/level", json!(95), false),
        ("severity", "/factors/0/factor/lower", json!(1e6), true),
        ("severity", "/log_scatter", json!("0.2"), false),
        ("screening", "/verdicts/0/flagged", json!("yes"), false),
        ("equivalence", "/options/laboratory", json!(7), false),
        ("correction", "/corrections/0/factor/upper", json!(0.0), true),
        ("correction", "/corrections/0/form", json!("straight"), false),
        ("correction", "/corrections/0/domain/classes/0/materials", json!(2.5), false),
        ("replicates", "/schema", json!("surface-severity/severity/1"), false),
    ];
    for (kind, path, value, only_the_reader_sees) in edits {
        let mut document = documents(kind)[0].clone();
        *document.pointer_mut(path).unwrap_or_else(|| panic!("{kind} has no {path}")) = value;
        let document = seal::sealed(document);
        assert_eq!(stored(kind).is_valid(&document), only_the_reader_sees, "{kind}, {path}");
        assert!(read(kind, &document).is_err(), "{kind}, {path}");
    }
}

/// Members of which no document above shows the form stay open in the schema; this is all of them.
#[test]
fn what_the_schemas_leave_open_is_known() {
    fn open(value: &Value, path: &str, found: &mut Vec<String>) {
        match value {
            Value::Object(object) => {
                for (key, value) in object {
                    let bare = value.as_object().is_some_and(|o| o.keys().all(|k| k == "description"));
                    if bare && key != "properties" && key != "$defs" {
                        found.push(format!("{path}/{key}"));
                    }
                    open(value, &format!("{path}/{key}"), found);
                }
            }
            Value::Array(list) => list.iter().for_each(|value| open(value, path, found)),
            _ => {}
        }
    }
    let mut found = Vec::new();
    for kind in KINDS {
        open(&value(&std::fs::read_to_string(path_of(kind)).unwrap()), kind, &mut found);
    }
    insta::assert_snapshot!(found.join("\n").replace("$defs/", ""));
}
