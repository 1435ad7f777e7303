//! From the record of a reader to a JSON Schema (draft 2020-12).

use std::cell::RefCell;
use std::collections::BTreeMap;
use std::rc::Rc;

use serde::de::DeserializeOwned;
use serde_json::{Map, Value, json};

use super::comments::Comments;
use super::trace::{Content, Node, Record, Shared, Struct, Watch};

/// The schema of a kind from documents that its reader accepts.
pub(crate) fn of<T: DeserializeOwned>(kind: &str, about: &str, documents: &[Value], comments: &Comments) -> Value {
    let record = Rc::new(RefCell::new(Record::default()));
    let root = Shared::default();
    let mut places: BTreeMap<String, Vec<(usize, Vec<String>)>> = BTreeMap::new();
    // The wrapper of a sealed document takes its tag and its seal off before the content is read.
    let is_sealed = documents.iter().all(|d| d.get("sha256").is_some());
    let contents: Vec<Value> = documents.iter().map(|d| if is_sealed { content(kind, d) } else { d.clone() }).collect();
    let (whole, documents) = (documents, contents.as_slice());
    for (i, document) in documents.iter().enumerate() {
        if let Err(error) = T::deserialize(Watch::new(document, root.clone(), record.clone())) {
            panic!("{kind}, document {i}: {error}");
        }
        let mut record = record.borrow_mut();
        let Record { structs, enums } = &mut *record;
        let structs = structs.iter_mut().map(|(name, known)| (name, &mut known.places));
        for (name, found) in structs.chain(enums.iter_mut().map(|(name, known)| (name, &mut known.places))) {
            places.entry(name.clone()).or_default().extend(found.drain(..).map(|p| (i, p)));
        }
    }
    let record = record.borrow();
    let mut defs = Map::new();
    for (name, known) in &record.structs {
        let mut places = places.remove(name).unwrap_or_default();
        // One of each document is enough to ask.
        places.dedup_by_key(|p| p.0);
        defs.insert(name.clone(), object::<T>(name, known, documents, &places, comments));
    }
    for (name, known) in &record.enums {
        let plain = name.split('_').next().unwrap_or(name);
        let place = places.get(name).and_then(|p| p.first());
        let variants: Vec<Value> = known
            .variants
            .iter()
            .map(|(variant, content)| {
                let mut schema = match content {
                    Some(Content::Unit) => json!({ "const": variant }),
                    Some(Content::Held(node)) => tagged(variant, &of_node(&node.borrow())),
                    // In no document shown: whether it holds something is asked of the reader, what it holds stays open.
                    None if place.is_some_and(|place| is_bare::<T>(documents, place, variant)) => {
                        json!({ "const": variant })
                    }
                    None => tagged(variant, &json!({})),
                };
                describe(&mut schema, comments.of_field(plain, variant));
                schema
            })
            .collect();
        let mut schema = json!({ "oneOf": variants });
        describe(&mut schema, comments.of_type(plain));
        defs.insert(name.clone(), schema);
    }
    estimates(&mut defs, comments);
    let mut schema = json!({
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        "title": format!("surface-severity {kind} document"),
        "description": about,
    });
    let top = of_node(&root.borrow());
    if let (Some(schema), Value::Object(top)) = (schema.as_object_mut(), top) {
        schema.extend(top);
        // The tag is the same in every document of the kind.
        let name = schema["$ref"].as_str().unwrap_or("").replace("#/$defs/", "");
        assert!(whole.windows(2).all(|w| w[0]["schema"] == w[1]["schema"]));
        let root = &mut defs[&name];
        root["properties"]["schema"] = json!({ "const": whole[0]["schema"] });
        if is_sealed {
            root["properties"]["sha256"] = json!({
                "type": "string",
                "pattern": "^[0-9a-f]{64}$",
                "description": "SHA-256 of the document's other members as JSON without blanks, members sorted by name.",
            });
            if let Some(required) = root["required"].as_array_mut() {
                required.extend([json!("schema"), json!("sha256")]);
            }
            if kind == "equivalence" {
                root["properties"]["crate_version"] = json!({
                    "type": "string",
                    "description": "Version of the crate that wrote it.",
                });
                root["properties"]["seed"] = json!({
                    "anyOf": [{ "type": "integer", "minimum": 0 }, { "type": "null" }],
                    "description": "Seed of whatever was drawn at random in the run that wrote it.",
                });
                if let Some(required) = root["required"].as_array_mut() {
                    required.extend([json!("crate_version"), json!("seed")]);
                }
            }
        }
        schema.insert("$defs".into(), Value::Object(defs));
    }
    schema
}

/// A document without the members of its wrapper.
fn content(kind: &str, document: &Value) -> Value {
    let mut content = document.clone();
    if let Some(members) = content.as_object_mut() {
        members.remove("schema");
        members.remove("sha256");
        if kind == "equivalence" {
            // A fit says neither: the document does.
            members.remove("crate_version");
            members.remove("seed");
        }
    }
    content
}

fn tagged(variant: &str, held: &Value) -> Value {
    json!({ "type": "object", "properties": { variant: held }, "required": [variant], "additionalProperties": false })
}

fn describe(schema: &mut Value, text: Option<&str>) {
    if let (Some(object), Some(text)) = (schema.as_object_mut(), text) {
        object.insert("description".into(), json!(text));
    }
}

fn object<T: DeserializeOwned>(
    name: &str,
    known: &Struct,
    documents: &[Value],
    places: &[(usize, Vec<String>)],
    comments: &Comments,
) -> Value {
    let mut properties = Map::new();
    for (field, node) in &known.fields {
        let mut schema = of_node(&node.borrow());
        describe(&mut schema, comments.of_field(name, field));
        properties.insert(field.clone(), schema);
    }
    let refused = |change: &dyn Fn(&mut Map<String, Value>), message: &str| {
        places
            .iter()
            .any(|place| refusal::<T>(documents, place, |at| change(at.as_object_mut().unwrap())).contains(message))
    };
    let required: Vec<&String> = known
        .fields
        .iter()
        .map(|f| &f.0)
        .filter(|field| refused(&|o| drop(o.remove(field.as_str())), &format!("missing field `{field}`")))
        .collect();
    let strict = refused(&|o| drop(o.insert("of no use".into(), json!(1))), "unknown field `of no use`");
    let mut schema = json!({ "type": "object", "properties": properties, "required": required });
    if strict {
        schema["additionalProperties"] = json!(false);
    }
    describe(&mut schema, comments.of_type(name));
    schema
}

/// What the reader says of a document changed at one place; nothing where it takes it.
fn refusal<T: DeserializeOwned>(
    documents: &[Value],
    (i, path): &(usize, Vec<String>),
    change: impl FnOnce(&mut Value),
) -> String {
    let mut document = documents[*i].clone();
    let mut at = &mut document;
    for step in path {
        at = match at {
            Value::Array(list) => &mut list[step.parse::<usize>().unwrap()],
            other => &mut other[step.as_str()],
        };
    }
    change(at);
    serde_json::from_value::<T>(document).err().map_or(String::new(), |e| e.to_string())
}

/// True for a variant that holds nothing.
fn is_bare<T: DeserializeOwned>(documents: &[Value], place: &(usize, Vec<String>), variant: &str) -> bool {
    !refusal::<T>(documents, place, |at| *at = json!(variant)).contains("unit variant, expected")
}

fn of_node(node: &Node) -> Value {
    let mut forms: Vec<Value> = Vec::new();
    for name in &node.named {
        forms.push(json!({ "$ref": format!("#/$defs/{name}") }));
    }
    for keys in &node.any {
        let known = ["estimate", "side", "not_estimable"].iter().any(|k| keys.iter().any(|f| f == k));
        assert!(known, "a type that looks before it decides, with the keys {keys:?}");
        let form = json!({ "$ref": "#/$defs/Estimate" });
        if !forms.contains(&form) {
            forms.push(form);
        }
    }
    if let Some(list) = &node.list {
        forms.push(json!({ "type": "array", "items": of_node(&list.borrow()) }));
    }
    if let Some(tuple) = &node.tuple {
        let items: Vec<Value> = tuple.iter().map(|n| of_node(&n.borrow())).collect();
        forms.push(json!({ "type": "array", "prefixItems": items, "minItems": items.len(), "maxItems": items.len() }));
    }
    if let Some(map) = &node.map {
        forms.push(json!({ "type": "object", "additionalProperties": of_node(&map.borrow()) }));
    }
    if node.whole {
        forms.push(json!({ "type": "integer", "minimum": 0 }));
    }
    if node.number {
        forms.push(json!({ "type": "number" }));
    }
    if node.string {
        forms.push(json!({ "type": "string" }));
    }
    if node.boolean {
        forms.push(json!({ "type": "boolean" }));
    }
    // Nothing but null was seen, or nothing at all: open.
    if forms.is_empty() {
        return json!({});
    }
    if node.null {
        forms.push(json!({ "type": "null" }));
    }
    if forms.len() == 1 { forms.remove(0) } else { json!({ "anyOf": forms }) }
}

/// The types that look before they decide, by hand; and what no type says: confidence levels.
fn estimates(defs: &mut Map<String, Value>, comments: &Comments) {
    let level = json!({ "type": "number", "exclusiveMinimum": 0, "exclusiveMaximum": 1 });
    let number = json!({ "type": "number" });
    let methods: Vec<Value> = serde_variants::<surface_severity::IntervalMethod>();
    let used = serde_json::to_string(defs).unwrap();
    if used.contains("#/$defs/Estimate\"") {
        let mut add = |name: &str, fields: &[(&str, Value)]| {
            let mut properties = Map::new();
            for (field, schema) in fields {
                let mut schema = schema.clone();
                describe(&mut schema, comments.of_field(name, field));
                properties.insert((*field).to_owned(), schema);
            }
            let required: Vec<&str> = fields.iter().map(|f| f.0).collect();
            let mut schema = json!({ "type": "object", "properties": properties, "required": required, "additionalProperties": false });
            describe(&mut schema, comments.of_type(name));
            defs.insert(name.to_owned(), schema);
        };
        let (text, sides) = (json!({ "type": "string" }), json!({ "enum": ["at_least", "at_most"] }));
        add("NotEstimable", &[("not_estimable", text.clone())]);
        add("Bound", &[("side", sides), ("value", number.clone()), ("level", level.clone()), ("reason", text)]);
        let limits = ["estimate", "lower", "upper"].map(|f| (f, number.clone()));
        let mut fields = limits.to_vec();
        fields.push(("level", level.clone()));
        fields.push(("method", json!({ "enum": methods })));
        add("Interval", &fields);
        let mut schema = json!({ "anyOf": [
            { "$ref": "#/$defs/Interval" }, { "$ref": "#/$defs/Bound" }, { "$ref": "#/$defs/NotEstimable" }] });
        describe(&mut schema, comments.of_type("Estimate"));
        defs.insert("Estimate".into(), schema);
    } else if let Some(interval) = defs.get_mut("Interval") {
        interval["properties"]["level"] = level;
    }
}

/// The names of the variants of an enum, from the message that refuses another.
fn serde_variants<T: DeserializeOwned>() -> Vec<Value> {
    let message = match serde_json::from_value::<T>(json!("of no use")) {
        Err(error) => error.to_string(),
        Ok(_) => String::new(),
    };
    message.split('`').skip(3).step_by(2).map(|name| json!(name)).collect()
}
